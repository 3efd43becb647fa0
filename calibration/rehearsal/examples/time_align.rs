//! Times the compute from decoded pictures to the planned moves, one core, many runs in one process, and prints one JSON line.
//!
//! `time_align RUNS PART.toml BENCH.toml PICTURE…`

use landfit_calibration::{bench_file, judgement::judge, moves};
use landfit_vision::Picture;
use landfit_vision::answer::Outcome;
use std::path::Path;
use std::time::Instant;

#[allow(clippy::print_stdout)] // its answer
fn main() -> Result<(), Box<dyn std::error::Error>> {
    let words: Vec<String> = std::env::args().skip(1).collect();
    let [runs, part, bench, pictures @ ..] = words.as_slice() else {
        return Err("usage: time_align RUNS PART.toml BENCH.toml PICTURE…".into());
    };
    let runs: usize = runs.parse()?;
    let part = landfit_part::file::read(Path::new(part))?;
    let bench = bench_file::read(Path::new(bench))?;
    let shots = pictures.iter().map(|p| Ok(Picture::from(image::open(p)?))).collect::<Result<Vec<_>, image::ImageError>>()?;
    let mut times_ms = Vec::with_capacity(runs);
    let mut offset = serde_json::Value::Null;
    for _ in 0..runs.max(1) {
        let start = Instant::now();
        let alignment = landfit_vision::align(&shots, &part, &bench.optics)?;
        if let Outcome::Fit(fit) = &alignment.outcome {
            judge(&part, &fit.offset, &fit.covariance, fit.k, &bench.aim)?;
            moves::plan(&fit.bench_from_part, &fit.bench_from_board, &part, &bench, &moves::Known::default())?;
            offset = serde_json::json!({"x_mm": fit.offset.x_mm, "y_mm": fit.offset.y_mm, "theta_deg": fit.offset.theta_rad.to_degrees()});
        }
        times_ms.push(start.elapsed().as_secs_f64() * 1e3);
    }
    let first_ms = times_ms[0];
    times_ms.sort_by(f64::total_cmp);
    println!(
        "{}",
        serde_json::json!({"offset": offset, "time_ms": {"first": first_ms, "best": times_ms[0], "median": times_ms[times_ms.len() / 2]}})
    );
    Ok(())
}
