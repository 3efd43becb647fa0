//! Moves one side about on a bench and compares the way that a refusal tells with the truth: how often one is told, and how often rightly.

use crate::picture;
use crate::screw::Mismatch;
use crate::simulated::SimulatedBench;
use landfit_calibration::bench::Bench;
use landfit_part::{Part, PointMm, Pose, Side};
use landfit_scene::SceneError;
use landfit_vision::answer::{HowFar, Outcome, Refusal, Way};
use landfit_vision::view::Sight;
use landfit_vision::{AlignError, Optics};
use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;
use std::collections::BTreeSet;

/// What is told over many places of one side, the other where it belongs.
#[derive(Debug, Default)]
pub struct Told {
    /// Refused, with three rows and columns of the side or more in view.
    pub shows: usize,
    /// Of these, with a way.
    pub with_way: usize,
    /// Of these, with the right one.
    pub right: usize,
    /// Where the side lies and what is said, where no way was told or a wrong one.
    pub others: Vec<(Pose, Refusal)>,
}

/// Why a trial cannot be held.
#[derive(Debug, thiserror::Error)]
pub enum TrialError {
    /// The scene cannot be rendered.
    #[error(transparent)]
    Scene(#[from] SceneError),
    /// The pictures do not fit the bench.
    #[error(transparent)]
    Align(#[from] AlignError),
}

/// Moves `side` about by up to `reach_mm` along x and y, `count` times.
///
/// # Errors
/// See [`TrialError`].
pub fn trial((part, bench): (&Part, &Bench), side: Side, reach_mm: [f64; 2], (seed, count): (u64, u64)) -> Result<Told, TrialError> {
    let mut rng = ChaCha8Rng::seed_from_u64(seed);
    let mut told = Told::default();
    for number in 0..count {
        let mut within = |most: f64| rng.random_range(-most..most);
        let lies = Pose::new(within(reach_mm[0]), within(reach_mm[1]), within(0.02));
        let home = Pose::new(0.1, 0.1, 0.0);
        let (part_at, board_at) = if side == Side::Part { (lies, home) } else { (home, lies) };
        let simulated = SimulatedBench::new(bench.clone(), part_at, board_at, &Mismatch::NONE, 1);
        let pictures = picture::exposures(&picture::render(&simulated, part, number)?);
        let alignment = landfit_vision::align(&pictures, part, &simulated.bench.optics)?;
        let Outcome::Refused(refusal) = alignment.outcome else { continue };
        if !shows(side, part, &simulated.bench.optics, &lies) {
            continue;
        }
        told.shows += 1;
        told.with_way += usize::from(refusal.way.is_some());
        if refusal.way.is_some_and(|way| is_right(&way, side, &lies)) {
            told.right += 1;
        } else {
            told.others.push((lies, refusal));
        }
    }
    Ok(told)
}

fn is_right(way: &Way, side: Side, lies: &Pose) -> bool {
    let along = |by: f64, at: f64, how_far: HowFar| match how_far {
        HowFar::Unknown => by == 0.0,
        HowFar::About => (by + at).abs() < 1.5,
        HowFar::EitherWay => by.abs() < at.abs() + 12.0,
        HowFar::AtLeast => by * at < 0.0 && by.abs() < at.abs() + 1.5,
    };
    way.side == side && along(way.by_mm.x, lies.x_mm, way.how_far[0]) && along(way.by_mm.y, lies.y_mm, way.how_far[1])
}

/// Whether at least 3 x 3 sites of a side that lies so are in one of its views.
fn shows(side: Side, part: &Part, optics: &Optics, lies: &Pose) -> bool {
    let [w, h] = optics.frame.size_px.map(f64::from);
    optics.views.iter().filter(|v| v.shows == side).any(|view| {
        let Some(sight) = Sight::new(view, optics.lens) else { return false };
        let [x, y, w, h] = view.region_px.map_or([0.0, 0.0, w, h], |r| [r.x, r.y, r.width, r.height].map(f64::from));
        let seen: Vec<PointMm> = part
            .sites
            .iter()
            .map(|s| s.centre_mm(side))
            .filter(|c| {
                let px = sight.px(lies.apply(*c));
                (x + 20.0..x + w - 20.0).contains(&px.x) && (y + 20.0..y + h - 20.0).contains(&px.y)
            })
            .collect();
        let lines = |of: &dyn Fn(&PointMm) -> f64| seen.iter().map(|p| (of(p) * 100.0).round() as i64).collect::<BTreeSet<_>>().len();
        lines(&|p| p.x) >= 3 && lines(&|p| p.y) >= 3
    })
}
