//! Single looks of a kind against their truth, one line each: how far the offset and each side's own pose are off, what was stated, and
//! how long it took. For finding out what a change does; a study (`landfit rehearse --study`) tells how often.
//!
//! `looks KIND SEED…`, or `looks KIND FIRST-LAST`; the seeds are those that a study names.

use landfit_part::{PointMm, Pose, Side};
use landfit_rehearsal::kind;
use landfit_rehearsal::scenario;
use landfit_rehearsal::study::{Finding, Look, compare};
use landfit_scene::SceneKind;
use landfit_vision::answer::Outcome;
use std::time::Instant;

#[allow(clippy::print_stdout)] // its answer
fn main() -> Result<(), Box<dyn std::error::Error>> {
    const USAGE: &str = "usage: looks KIND SEED…, or looks KIND FIRST-LAST";
    let mut words = std::env::args().skip(1);
    let word = words.next().ok_or(USAGE)?;
    let kind = kind::named(&word).ok_or_else(|| {
        format!("there is no kind {word}; the kinds are {}", kind::all().map(SceneKind::word).collect::<Vec<_>>().join(", "))
    })?;
    let mut seeds: Vec<u64> = Vec::new();
    for word in words {
        match word.split_once('-') {
            Some((first, last)) => seeds.extend(first.parse::<u64>()?..=last.parse::<u64>()?),
            None => seeds.push(word.parse()?),
        }
    }
    if seeds.is_empty() {
        return Err(USAGE.into());
    }
    for seed in seeds {
        println!("{word} {seed} {}", told(kind, seed)?);
    }
    Ok(())
}

/// What is said of one look, and how far that is from the truth.
fn told(kind: SceneKind, seed: u64) -> Result<String, Box<dyn std::error::Error>> {
    let look = kind::draw(kind, seed)?.look;
    let start = Instant::now();
    let answer = landfit_vision::align(&look.pictures, &look.part, &look.optics)?;
    let ms = start.elapsed().as_secs_f64() * 1e3;
    let finding = compare(&look, &answer, &scenario::default_bench()?, seed);
    Ok(match (&answer.outcome, finding) {
        (Outcome::Fit(fit), Finding::Answered(errors)) => {
            let truth = look.offset();
            let off = [fit.offset.x_mm - truth.x_mm, fit.offset.y_mm - truth.y_mm].map(|v| 1000.0 * v);
            let turned_mrad = 1000.0 * landfit_part::wrap_angle_rad(fit.offset.theta_rad - truth.theta_rad);
            let stated = [0, 1, 2].map(|i| 1000.0 * fit.k * fit.covariance[(i, i)].max(0.0).sqrt());
            let part = side_off(&look, Side::Part, &fit.bench_from_part, &look.bench_from_part);
            let board = side_off(&look, Side::Board, &fit.bench_from_board, &look.bench_from_board);
            format!(
                "at {:+.1} {:+.1} um off {:+.2} {:+.2} um {:+.3} mrad, stated {:.2} {:.2} {:.3}; corner {:.2} of {:.2} um; part {part}, board {board}; {:.1} um/px, {} sites, {ms:.0} ms{}",
                1000.0 * truth.x_mm,
                1000.0 * truth.y_mm,
                off[0],
                off[1],
                turned_mrad,
                stated[0],
                stated[1],
                stated[2],
                errors.corner_um,
                errors.half_width_um,
                errors.um_per_px,
                look.part.sites.len(),
                if errors.wrong { " WRONG" } else { "" },
            )
        }
        (Outcome::Refused(refusal), finding) => format!("{} {finding:?}: {}", refusal.code.word(), refusal.text),
        (_, finding) => format!("{finding:?}"),
    })
}

/// How far a side's own pose is off at its middle, µm, and by how much it is turned, mrad.
fn side_off(look: &Look, side: Side, found: &Pose, truth: &Pose) -> String {
    let count = look.part.sites.len().max(1) as f64;
    let middle = look.part.sites.iter().fold(PointMm::ZERO, |sum, s| sum + s.centre_mm(side) * (1.0 / count));
    let off = found.apply(middle) - truth.apply(middle);
    format!(
        "{:+.2} {:+.2} um {:+.3} mrad",
        1000.0 * off.x,
        1000.0 * off.y,
        1000.0 * landfit_part::wrap_angle_rad(found.theta_rad - truth.theta_rad)
    )
}
