//! Renders one kind again and again: `cargo run --release -p landfit-scene --example pace -- good-light 20`.
#![allow(clippy::print_stdout)]

use landfit_scene::{SceneKind, draw, render};

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let mut args = std::env::args().skip(1);
    let word = args.next().unwrap_or_else(|| SceneKind::GoodLight.word().to_owned());
    let kind = SceneKind::ALL.into_iter().find(|k| k.word() == word).ok_or("no such kind")?;
    let n: u64 = args.next().map_or(Ok(10), |n| n.parse())?;
    let mut ms = Vec::new();
    for seed in 0..n {
        let scene = draw(kind, seed)?.scene;
        let start = std::time::Instant::now();
        render(&scene)?;
        ms.push(start.elapsed().as_secs_f64() * 1e3);
    }
    ms.sort_by(f64::total_cmp);
    println!("{word}: median {:.0} ms, least {:.0}, most {:.0} of {n}", ms[ms.len() / 2], ms[0], ms[ms.len() - 1]);
    Ok(())
}
