//! How much faster two cores measure many looks than one: looks share nothing, so that each thread measures whole ones.
//!
//! `batch [RUNS]`. Both numbers of threads take turns; each time is the best of the runs. Both must give the same answers.

#![allow(clippy::print_stdout)] // its answer

use landfit_rehearsal::kind;
use landfit_rehearsal::study::Look;
use landfit_scene::SceneKind;
use landfit_vision::answer::Outcome;
use landfit_vision::{AlignError, align};
use rayon::ThreadPoolBuilder;
use rayon::prelude::*;
use std::time::Instant;

/// Rendered looks, 1280 x 960 px, two lights in one picture; each is measured several times in a batch.
const LOOKS: u64 = 8;
const BATCH: usize = 96;
const THREADS: [usize; 2] = [1, 2];

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let runs: usize = std::env::args().nth(1).map_or(Ok(7), |n| n.parse())?;
    let looks = (1..=LOOKS).map(|seed| kind::draw(SceneKind::GoodLight, seed).map(|d| d.look)).collect::<Result<Vec<_>, _>>()?;
    let mut pools = Vec::new();
    for threads in THREADS {
        let pool = ThreadPoolBuilder::new().num_threads(threads).build()?;
        // The first batch settles what each thread keeps from picture to picture.
        let answers = pool.install(|| measured(&looks))?;
        pools.push((pool, answers, f64::INFINITY));
    }
    if pools[0].1 != pools[1].1 {
        return Err("two threads give other answers than one".into());
    }
    for _ in 0..runs.max(1) {
        for (pool, _, best_ms) in &mut pools {
            let start = Instant::now();
            pool.install(|| measured(&looks))?;
            *best_ms = best_ms.min(start.elapsed().as_secs_f64() * 1e3 / BATCH as f64);
        }
    }
    let cores = std::thread::available_parallelism()?;
    // As Linux tells it; elsewhere it is not said.
    let load = std::fs::read_to_string("/proc/loadavg").ok().and_then(|l| Some(format!(", load {}", l.split(' ').next()?)));
    let [one_ms, two_ms] = [0, 1].map(|i| pools[i].2);
    println!("{BATCH} looks in a batch, {cores} cores seen{}", load.unwrap_or_default());
    println!("one thread {one_ms:.2} ms a look, two threads {two_ms:.2}: {:.2} times as many looks", one_ms / two_ms);
    Ok(())
}

/// The offsets of a batch; `None` where there is no answer.
fn measured(looks: &[Look]) -> Result<Vec<Option<[f64; 3]>>, AlignError> {
    let one = |i: usize| {
        let Look { pictures, part, optics, .. } = &looks[i % looks.len()];
        Ok(match align(pictures, part, optics)?.outcome {
            Outcome::Fit(fit) => Some([fit.offset.x_mm, fit.offset.y_mm, fit.offset.theta_rad]),
            _ => None,
        })
    };
    (0..BATCH).into_par_iter().map(one).collect()
}
