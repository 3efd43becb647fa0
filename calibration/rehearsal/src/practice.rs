//! A bench to practise calibration on: its true values, a bench file that is off in everything, and the pictures that a technician
//! would take of it.

use crate::picture::render;
use crate::save::{SaveError, save_pictures, spare};
use crate::screw::{Mismatch, cut_normal};
use crate::simulated::SimulatedBench;
use landfit_calibration::bench::{Bench, Motion};
use landfit_calibration::bench_file;
use landfit_calibration::screws::Approach;
use landfit_calibration::screws::listing::listing;
use landfit_calibration::screws::reading::Thimble;
use landfit_calibration::screws::run::{Extent, Planned, plan};
use landfit_part::text_file::save;
use landfit_part::{Existing, FileError, Part, PointMm, Pose, file};
use landfit_scene::SceneError;
use nalgebra::Matrix3;
use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;
use std::path::{Path, PathBuf};

/// Why nothing, or not all, was written.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum PracticeError {
    /// A file cannot be written, or an embedded one read.
    #[error(transparent)]
    File(#[from] FileError),
    /// A picture cannot be written.
    #[error(transparent)]
    Save(#[from] SaveError),
    /// A picture cannot be rendered.
    #[error(transparent)]
    Scene(#[from] SceneError),
}

/// Careful hands, divisions; common practice, no source.
const SETTING_SD_DIVISIONS: f64 = 0.1;
/// How far past a reading the hand goes before it comes to it from the other side, turns.
const PAST_TURNS: f64 = 0.3;
/// Stop of the Y run that is noted wrongly, from 0, and by how many divisions.
pub const SLIP: (usize, f64) = (6, 1.0);

/// The bench as it truly is.
///
/// # Errors
/// Only if the embedded file is broken.
pub fn true_bench() -> Result<Bench, FileError> {
    bench_file::parse(include_str!("../data/practice-bench.toml"), "practice-bench.toml (embedded)")
}

/// The bench with its screws as they truly are: an error that comes back with every turn besides what the bench file can say.
#[must_use]
pub fn with_true_screws(truth: Bench, bench_from_part: Pose, bench_from_board: Pose, seed: u64) -> SimulatedBench {
    SimulatedBench::new(truth, bench_from_part, bench_from_board, &Mismatch::ONCE_PER_TURN, seed)
}

/// What somebody took the bench for: scale 2 % off, no lens, views not turned, thimbles at face value, no play.
#[must_use]
pub fn guess(truth: &Bench) -> Bench {
    let mut guess = truth.clone();
    guess.optics.lens = None;
    for view in &mut guess.optics.views {
        view.px_from_mm = Matrix3::new(36.3, 0.0, 319.5, 0.0, -36.3, 239.5, 0.0, 0.0, 1.0);
    }
    for adjuster in &mut guess.adjusters {
        adjuster.backlash_turns = 0.0;
        adjuster.turn = match (adjuster.turn, adjuster.name.as_str()) {
            (Motion::Rotation { .. }, _) => Motion::Rotation { step_rad: 1.5f64.to_radians(), pivot_mm: PointMm::ZERO },
            (_, "X") => Motion::Shift { step_mm: PointMm::new(0.5, 0.0) },
            _ => Motion::Shift { step_mm: PointMm::new(0.0, 0.5) },
        };
    }
    guess
}

/// A grid of 0.8 mm without its A1, which tells how it lies.
///
/// # Errors
/// Only if the grid is too large for names.
pub fn part(rows: usize, columns: usize) -> Result<Part, FileError> {
    let text = format!(
        "name = \"practice grid, {rows} x {columns}\"\nbody_mm = [17.0, 13.0]\n[grid]\nrows = {rows}\ncolumns = {columns}\npitch_mm = [0.8, 0.8]\nterminal = {{ round_mm = 0.45 }}\nland = {{ round_mm = 0.40 }}\nabsent = [\"A1\"]\n"
    );
    file::parse(&text, "practice part (embedded)")
}

/// The runs: adjuster, thimble, and the readings from and to which it goes, turns.
const RUNS: [(&str, &str, f64, f64); 3] = [("X", "mm", -5.2, 5.2), ("Y", "mm", -4.4, 4.4), ("R", "turns", -3.4, 3.4)];

/// Writes bench, target and part files, four pictures of the target under both lights, and a short run of every adjuster with its
/// listing into `folder`, which is made if it is not there. One reading of the Y run is noted a division wrong ([`SLIP`]). Everything
/// random comes from `seed`. Returns the files that commands are given.
///
/// # Errors
/// See [`PracticeError`].
pub fn write(folder: &Path, seed: u64) -> Result<Vec<PathBuf>, PracticeError> {
    let truth = true_bench()?;
    spare(folder, "target-1.png")?;
    let (target, small, job) = (part(15, 20)?, part(7, 7)?, part(14, 14)?);
    let mut written = Vec::new();
    for (i, (x, y, turn)) in [(0.0, 0.0, 0.0), (0.4, -0.3, 0.03), (-0.5, 0.35, -0.04), (0.2, 0.5, 0.015)].into_iter().enumerate() {
        let pose = Pose::new(x, y, turn);
        // A thin target in the plane of both sides: its marks are seen from above and from below at the same place.
        let bench = SimulatedBench::new(truth.clone(), pose, pose, &Mismatch::NONE, seed);
        written.extend(save_pictures(folder, &format!("target-{}", i + 1), &render(&bench, &target, seed + i as u64)?)?);
    }
    for (name, made) in [("target.toml", &target), ("small.toml", &small), ("part.toml", &job)] {
        let path = folder.join(name);
        file::write(&path, made, Existing::Replace)?;
        written.push(path);
    }
    let path = folder.join("bench.toml");
    bench_file::write(&path, &guess(&truth), Existing::Replace)?;
    written.push(path);
    let mut rng = ChaCha8Rng::seed_from_u64(seed);
    let (part_at, board_at) = (Pose::new(0.3, -0.2, 0.0), Pose::new(-0.1, 0.1, 0.01));
    let mut bench = with_true_screws(truth.clone(), part_at, board_at, seed);
    for (name, word, from, to) in RUNS {
        let Some(adjuster) = truth.adjusters.iter().position(|a| a.name == name) else { continue };
        let divisions = truth.adjusters[adjuster].divisions.unwrap_or(50);
        let thimble = Thimble::named(word).unwrap_or(Thimble::turns(divisions));
        let planned = plan(Extent::Short, from, to, &thimble);
        let mut reading = 0.0;
        for (i, stop) in planned.iter().enumerate() {
            let slip = if name == "Y" && i == SLIP.0 { SLIP.1 / f64::from(divisions) } else { 0.0 };
            let set = stop.reading_turns + slip + SETTING_SD_DIVISIONS / f64::from(divisions) * cut_normal(&mut rng);
            come_to(&mut bench, adjuster, &mut reading, &Planned { reading_turns: set, ..*stop });
            save_pictures(folder, &format!("{name}-{:02}", i + 1), &render(&bench, &small, seed + 100 + i as u64)?)?;
        }
        // Back to where it began, so that the next run stays in view.
        bench.turn(adjuster, -reading);
        let path = folder.join(format!("run-{name}.csv"));
        save(&path, &listing(name, word, &thimble, &planned), Existing::Replace)?;
        written.push(path);
    }
    let job_bench = SimulatedBench::new(truth, Pose::new(0.42, -0.31, 0.02), Pose::new(0.05, 0.03, 0.004), &Mismatch::NONE, seed);
    written.extend(save_pictures(folder, "picture", &render(&job_bench, &job, seed + 500)?)?);
    Ok(written)
}

/// Sets a reading as a technician does, coming from the side that is told.
fn come_to(bench: &mut SimulatedBench, adjuster: usize, reading: &mut f64, stop: &Planned) {
    let past = if stop.approach == Approach::Up { -PAST_TURNS } else { PAST_TURNS };
    let from = stop.reading_turns + past;
    // Only where the last reading lies on the other side is there a turn past it.
    if (*reading - from) * past < 0.0 {
        bench.turn(adjuster, from - *reading);
        *reading = from;
    }
    bench.turn(adjuster, stop.reading_turns - *reading);
    *reading = stop.reading_turns;
}
