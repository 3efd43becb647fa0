//! Of how many refused scenes the way is told, and how often rightly, on benches of the demo pictures. Ends with 1 where one is told wrongly.
//!
//! `ways SEED [FOLDER…]`, in the project's folder; of all three folders where none is named.

use landfit_calibration::bench_file;
use landfit_part::Side;
use landfit_rehearsal::way_trial::trial;
use std::path::Path;
use std::process::ExitCode;

/// A folder of `demo-images`, how far its sides are moved, mm, and how often.
const FOLDERS: [(&str, [f64; 2], u64); 3] =
    [("two-exposures", [9.0, 7.0], 100), ("one-light", [9.0, 7.0], 40), ("corner-regions", [9.0, 9.0], 30)];

#[allow(clippy::print_stdout)] // its answer
fn main() -> Result<ExitCode, Box<dyn std::error::Error>> {
    let mut words = std::env::args().skip(1);
    let seed: u64 = words.next().ok_or("usage: ways SEED [FOLDER…]")?.parse()?;
    let wanted: Vec<String> = words.collect();
    if let Some(unknown) = wanted.iter().find(|w| FOLDERS.iter().all(|f| f.0 != w.as_str())) {
        return Err(format!("{unknown} is none of {}", FOLDERS.map(|f| f.0).join(", ")).into());
    }
    let mut wrong = 0;
    for (folder, reach_mm, count) in FOLDERS.into_iter().filter(|f| wanted.is_empty() || wanted.iter().any(|w| w == f.0)) {
        let from = Path::new("demo-images").join(folder);
        let part = landfit_part::file::read(&from.join("part.toml"))?;
        let bench = bench_file::read(&from.join("bench.toml"))?;
        for side in [Side::Part, Side::Board] {
            let told = trial((&part, &bench), side, reach_mm, (seed, count))?;
            for (lies, refusal) in &told.others {
                println!("{folder} {side:?} {:.1} {:.1}: {:?} {:?} {}", lies.x_mm, lies.y_mm, refusal.code, refusal.way, refusal.text);
            }
            println!("seed {seed}, {folder} {side:?}: {} show, {} with a way, {} right", told.shows, told.with_way, told.right);
            wrong += told.with_way - told.right;
        }
    }
    println!("{wrong} ways told wrongly");
    Ok(if wrong == 0 { ExitCode::SUCCESS } else { ExitCode::FAILURE })
}
