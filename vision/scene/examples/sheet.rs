//! Writes pictures of every kind and their truth into a folder: `cargo run --release -p landfit-scene --example sheet -- DIR [SEEDS]`.
#![allow(clippy::print_stdout)]

use landfit_scene::{SceneKind, draw, render};
use std::time::Instant;

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let mut args = std::env::args().skip(1);
    let folder = args.next().ok_or("needs a folder")?;
    let n_seeds: u64 = args.next().map_or(Ok(2), |n| n.parse())?;
    std::fs::create_dir_all(&folder)?;
    for kind in SceneKind::ALL {
        for seed in 0..n_seeds {
            let start = Instant::now();
            let drawn = draw(kind, seed)?;
            let drawn_ms = start.elapsed().as_secs_f64() * 1e3;
            let rendered = render(&drawn.scene)?;
            let total_ms = start.elapsed().as_secs_f64() * 1e3;
            println!(
                "{} {seed}: {} terminals, {} lands, drawn {drawn_ms:.1} ms, rendered {total_ms:.0} ms",
                kind.word(),
                rendered.truth.terminals.len(),
                rendered.truth.lands.len()
            );
            for (exposure, picture) in rendered.pictures.iter().enumerate() {
                let image = picture.to_image().ok_or("no picture")?;
                image.save(format!("{folder}/{}-{seed}-{exposure}.png", kind.word()))?;
            }
        }
    }
    Ok(())
}
