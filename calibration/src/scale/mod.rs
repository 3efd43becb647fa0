//! Scale and lens from pictures of targets: px_from_mm of every view with its tilt, the lens that all views share, and how well
//! all of it is known.
//!
//! [`fit`] takes what was found in the pictures, [`ScaleFit`] answers questions about the result. A target may lie differently
//! in every picture; views that saw it in the same place ([`Shot::placement`]) are registered against each other.

mod model;
mod outcome;
mod report;
mod solve;
mod start;

pub use outcome::{applied, remember, reports, seat};
pub use start::homography;

pub use report::{FieldError, Registration, Tilt, ViewReport, Windows};

use landfit_part::{PointMm, Pose};
use landfit_vision::pose::fit_rigid;
use landfit_vision::view::Sight;
use landfit_vision::{Lens, PointPx, RegionPx};
use model::{LENS, Model, Where};
use nalgebra::{DMatrix, DVector, Matrix3};
use solve::{Prior, Problem, Sighting};

/// One mark of a target as a picture shows it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Spot {
    /// Where the mark stands on the target, mm.
    pub at_mm: PointMm,
    /// Where it was seen, raw px.
    pub seen_px: PointPx,
    /// Standard uncertainty on either axis, px; only the ratios between spots count, the size comes from the residuals.
    pub u_px: f64,
}

/// One picture of a target in one view.
#[derive(Debug, Clone, PartialEq)]
pub struct Shot {
    /// Which view, from 0. Pictures of targets that do not lie in one plane get a view each.
    pub view: usize,
    /// Which laying down of the target, from 0: equal numbers mean that it was not touched between the pictures.
    pub placement: usize,
    /// Diameter of the marks where they are discs whose middles were measured, mm; 0 for corners.
    pub disc_mm: f64,
    /// What was found.
    pub spots: Vec<Spot>,
}

/// What is known of the lens beforehand.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum LensKnowledge {
    /// Nothing: it is fitted, about this radius in px.
    Open {
        /// The radius, px, at which r = 1.
        norm_px: f64,
    },
    /// Where its centre is: only how much it bends is fitted.
    Centred {
        /// The radius, px, at which r = 1.
        norm_px: f64,
        /// The centre, px.
        centre_px: PointPx,
    },
    /// All: it stays as it is.
    Known(Lens),
}

/// Why there is no scale.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
#[non_exhaustive]
pub enum ScaleError {
    /// No picture at all.
    #[error("no picture of a target was given: take at least one")]
    NoShots,
    /// Too few spots in one picture, or all on one line.
    #[error(
        "picture {} shows {found} marks of the target, or marks on one line only; {LEAST_SPOTS} over the field are needed: show more of it",
        shot + 1
    )]
    TooFewSpots {
        /// Which picture, from 0.
        shot: usize,
        /// How many spots it shows.
        found: usize,
    },
    /// NaN or infinite.
    #[error("picture {} has a mark whose place is no number", shot + 1)]
    NotANumber {
        /// Which picture, from 0.
        shot: usize,
    },
    /// The spots do not settle the unknowns.
    #[error(
        "the marks do not settle scale and lens: take pictures with the target over all of the field, and check that the target file is this target's"
    )]
    Unsettled,
    /// Most spots disagree.
    #[error(
        "{left_out} of {all} marks of a picture do not lie where the target file has them: it is another target's file, or the pictures are blurred"
    )]
    Disagree {
        /// How many were left out.
        left_out: usize,
        /// Of how many.
        all: usize,
    },
}

/// Fewer marks than this in a picture settle nothing.
pub const LEAST_SPOTS: usize = 8;
/// What lenses do, from memory: |k1| of camera lenses at the picture's corner stays below 0.5, k2 below 0.2, and the centre of
/// distortion within some percent of the picture's middle. Data override this wherever they say more.
const PRIOR_K1_SD: f64 = 0.5;
const PRIOR_K2_SD: f64 = 0.2;
const PRIOR_CENTRE_SD: f64 = 0.05;
/// A mark further off than so many standard deviations is no mark of this target, or damaged.
const GATE: f64 = 5.0;
/// A fifth of the lands of a board may have traces that pull their middles aside.
const MOST_LEFT_OUT: f64 = 0.35;
const ROUNDS: usize = 4;

/// The fit, and all that it takes to say how good it is.
#[derive(Debug, Clone)]
pub struct ScaleFit {
    model: Model,
    unknowns: DVector<f64>,
    free: Vec<usize>,
    covariance: DMatrix<f64>,
    sightings: Vec<Sighting>,
    shot_of: Vec<usize>,
    lens_fitted: bool,
    /// Bench frame from the frame of the fit, view by view.
    seats: Vec<Pose>,
    groups: Vec<usize>,
    /// Relative standard uncertainty of the ruler.
    ruler_relative: f64,
    held_out_px: f64,
}

/// One mark's residual.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Residual {
    /// Which picture, from 0.
    pub shot: usize,
    /// Which view.
    pub view: usize,
    /// Where the mark was seen, raw px.
    pub seen_px: PointPx,
    /// Seen less predicted, px.
    pub off_px: [f64; 2],
    /// Whether the fit rests on it.
    pub used: bool,
}

/// Fits scale, tilt and lens to what pictures of size `size_px` show. `ruler_relative` is the relative standard uncertainty of
/// the target's own lengths.
///
/// The frame is that of the first placement of each connected group of views; [`ScaleFit::seat`] moves it. Outliers are found
/// and left out. The uncertainty comes from the residuals.
///
/// # Errors
/// See [`ScaleError`].
pub fn fit(shots: &[Shot], size_px: [u32; 2], lens: LensKnowledge, ruler_relative: f64) -> Result<ScaleFit, ScaleError> {
    check(shots)?;
    let middle_px = PointPx::new(f64::from(size_px[0] - 1) / 2.0, f64::from(size_px[1] - 1) / 2.0);
    let norm_px = match lens {
        LensKnowledge::Open { norm_px } | LensKnowledge::Centred { norm_px, .. } => norm_px,
        LensKnowledge::Known(lens) => lens.norm_px,
    };
    let (model, mut unknowns, frames) = start::start(shots, middle_px, norm_px)?;
    let free = free_unknowns(&model, lens, &frames);
    if let LensKnowledge::Known(l) = lens {
        (unknowns[0], unknowns[1]) = (l.k1, l.k2);
    }
    if let LensKnowledge::Known(Lens { centre_px, .. }) | LensKnowledge::Centred { centre_px, .. } = lens {
        (unknowns[2], unknowns[3]) = ((centre_px.x - middle_px.x) / norm_px, (centre_px.y - middle_px.y) / norm_px);
    }
    let mut sightings = sightings(shots);
    let shot_of = shots.iter().enumerate().flat_map(|(i, s)| std::iter::repeat_n(i, s.spots.len())).collect();
    let priors = [(0, PRIOR_K1_SD), (1, PRIOR_K2_SD), (2, PRIOR_CENTRE_SD), (3, PRIOR_CENTRE_SD)];
    let known_beforehand = match lens {
        LensKnowledge::Open { .. } => &priors[..],
        LensKnowledge::Centred { .. } => &priors[..2],
        LensKnowledge::Known(_) => &[],
    };
    let priors: Vec<Prior> = known_beforehand.iter().map(|(index, sd)| Prior { index: *index, value: 0.0, sd: *sd }).collect();
    let problem = Problem { model: &model, free: &free, priors: &priors };
    unknowns = settle(&problem, unknowns, &mut sightings)?;
    let covariance = problem.covariance(&unknowns, &sightings).ok_or(ScaleError::Unsettled)?;
    let held_out_px = held_out(&problem, &unknowns, &sightings);
    let groups = groups(shots, model.views_mm.len());
    Ok(ScaleFit {
        seats: vec![Pose::IDENTITY; groups.len()],
        groups,
        lens_fitted: !matches!(lens, LensKnowledge::Known(_)),
        shot_of,
        ruler_relative,
        held_out_px,
        free,
        covariance,
        sightings,
        unknowns,
        model,
    })
}

fn check(shots: &[Shot]) -> Result<(), ScaleError> {
    if shots.is_empty() {
        return Err(ScaleError::NoShots);
    }
    for (shot, s) in shots.iter().enumerate() {
        if s.spots.len() < LEAST_SPOTS {
            return Err(ScaleError::TooFewSpots { shot, found: s.spots.len() });
        }
        let good = |p: &Spot| [p.at_mm.x, p.at_mm.y, p.seen_px.x, p.seen_px.y].iter().all(|v| v.is_finite()) && p.u_px > 0.0;
        if !s.spots.iter().all(good) {
            return Err(ScaleError::NotANumber { shot });
        }
    }
    Ok(())
}

fn free_unknowns(model: &Model, lens: LensKnowledge, frames: &[usize]) -> Vec<usize> {
    let of_lens = match lens {
        LensKnowledge::Open { .. } => LENS,
        LensKnowledge::Centred { .. } => 2,
        LensKnowledge::Known(_) => 0,
    };
    let held = |i: &usize| {
        frames.iter().any(|f| {
            let at = model.placement_at(*f);
            (at..at + model::PLACEMENT).contains(i)
        })
    };
    (0..of_lens).chain(LENS..model.unknowns()).filter(|i| !held(i)).collect()
}

fn sightings(shots: &[Shot]) -> Vec<Sighting> {
    let of_shot = |shot: &Shot| {
        let at = Where { view: shot.view, placement: shot.placement };
        let disc_mm = shot.disc_mm;
        let sighting = move |s: &Spot| Sighting { at, target_mm: s.at_mm, seen_px: s.seen_px, u_px: s.u_px, disc_mm, used: true };
        shot.spots.iter().map(sighting).collect::<Vec<_>>()
    };
    shots.iter().flat_map(of_shot).collect()
}

/// Solves, learns from the residuals how good the spots are and which do not belong, and solves again.
fn settle(problem: &Problem<'_>, start: DVector<f64>, sightings: &mut [Sighting]) -> Result<DVector<f64>, ScaleError> {
    let mut unknowns = start;
    // Spots taken for better than they are would drown what is known of lenses before the fit has begun.
    let (_, sds) = offs(problem, &unknowns, sightings);
    sightings.iter_mut().for_each(|s| s.u_px *= sds[s.at.view]);
    for _ in 0..ROUNDS {
        unknowns = problem.solve(unknowns, sightings).ok_or(ScaleError::Unsettled)?;
        let (off, sds) = offs(problem, &unknowns, sightings);
        let was: Vec<bool> = sightings.iter().map(|s| s.used).collect();
        for (s, off) in sightings.iter_mut().zip(&off) {
            s.used = *off <= GATE * sds[s.at.view];
        }
        of_any_picture(sightings)?;
        let used = sightings.iter().filter(|s| s.used).count();
        // The share of the readings that the unknowns have not used up; each view has light and noise of its own.
        let free_share = (2 * used).saturating_sub(problem.free.len()).max(1) as f64 / (2 * used).max(1) as f64;
        let grow: Vec<f64> = (0..sds.len())
            .map(|view| {
                let of_view = sightings.iter().zip(&off).filter(|(s, _)| s.used && s.at.view == view);
                let (chi2, n) = of_view.fold((0.0, 0), |(chi2, n), (_, o)| (chi2 + o * o, n + 1));
                (chi2 / (2.0 * f64::from(n.max(1)) * free_share)).sqrt().max(1e-9)
            })
            .collect();
        sightings.iter_mut().for_each(|s| s.u_px *= grow[s.at.view]);
        if was == sightings.iter().map(|s| s.used).collect::<Vec<_>>() && grow.iter().all(|g| (g - 1.0).abs() < 1e-3) {
            break;
        }
    }
    problem.solve(unknowns, sightings).ok_or(ScaleError::Unsettled)
}

/// Refuses where too many spots of one picture were left out.
fn of_any_picture(sightings: &[Sighting]) -> Result<(), ScaleError> {
    let mut counts = std::collections::BTreeMap::new();
    for s in sightings {
        let (left_out, all) = counts.entry((s.at.placement, s.at.view)).or_insert((0, 0));
        *left_out += usize::from(!s.used);
        *all += 1;
    }
    match counts.into_values().find(|(left_out, all)| f64::from(*left_out as u32) > MOST_LEFT_OUT * f64::from(*all as u32)) {
        Some((left_out, all)) => Err(ScaleError::Disagree { left_out, all }),
        None => Ok(()),
    }
}

/// How far every spot is off, in units of its uncertainty, and for each view the standard deviation on one axis that their median
/// speaks of.
fn offs(problem: &Problem<'_>, unknowns: &DVector<f64>, sightings: &[Sighting]) -> (Vec<f64>, Vec<f64>) {
    let off = |s: &Sighting| {
        let r = problem.residual(unknowns, s);
        r[0].hypot(r[1]) / s.u_px
    };
    let off: Vec<f64> = sightings.iter().map(off).collect();
    let sd_of_view = |view: usize| {
        let mut sorted: Vec<f64> = sightings.iter().zip(&off).filter(|(s, _)| s.at.view == view).map(|(_, o)| *o).collect();
        sorted.sort_by(f64::total_cmp);
        // Median of a Rayleigh distribution: 1.1774 standard deviations. Below a millionth of a pixel only rounding is left.
        sorted.get(sorted.len() / 2).map_or(1.0, |median| (median / 1.1774).max(1e-9))
    };
    let sds = (0..problem.model.views_mm.len()).map(sd_of_view).collect();
    (off, sds)
}

/// Root of the mean squared distance of every other mark from a fit to the rest, px.
fn held_out(problem: &Problem<'_>, unknowns: &DVector<f64>, sightings: &[Sighting]) -> f64 {
    let mut half = sightings.to_vec();
    half.iter_mut().enumerate().for_each(|(i, s)| s.used &= i % 2 == 0);
    let Some(found) = problem.solve(unknowns.clone(), &half) else { return f64::NAN };
    let others: Vec<&Sighting> = sightings.iter().enumerate().filter(|(i, s)| s.used && i % 2 == 1).map(|(_, s)| s).collect();
    let sum: f64 = others
        .iter()
        .map(|s| {
            let r = problem.residual(&found, s);
            r[0] * r[0] + r[1] * r[1]
        })
        .sum();
    (sum / others.len().max(1) as f64).sqrt()
}

/// For each view the number of the group that shares placements with it.
fn groups(shots: &[Shot], views: usize) -> Vec<usize> {
    let mut groups: Vec<usize> = (0..views).collect();
    for a in shots {
        for b in shots.iter().filter(|b| b.placement == a.placement) {
            let (keep, drop) = (groups[a.view].min(groups[b.view]), groups[a.view].max(groups[b.view]));
            groups.iter_mut().filter(|g| **g == drop).for_each(|g| *g = keep);
        }
    }
    groups
}

impl ScaleFit {
    /// The lens that all views share.
    #[must_use]
    pub fn lens(&self) -> Lens {
        self.model.lens(&self.unknowns)
    }

    /// Homography of a view, bench-frame mm to lens-corrected px.
    #[must_use]
    pub fn px_from_mm(&self, view: usize) -> Matrix3<f64> {
        let h = self.model.px_from_mm(&self.unknowns, view) * start::matrix(&self.seats[view].inverse());
        h / h[(2, 2)]
    }

    /// Whether two views saw the target in one placement, directly or over others, so that they are registered.
    #[must_use]
    pub fn are_registered(&self, a: usize, b: usize) -> bool {
        self.groups[a] == self.groups[b]
    }

    /// Every mark's residual, picture by picture.
    #[must_use]
    pub fn residuals(&self) -> Vec<Residual> {
        let problem = Problem { model: &self.model, free: &self.free, priors: &[] };
        let of = |(s, shot): (&Sighting, &usize)| Residual {
            shot: *shot,
            view: s.at.view,
            seen_px: s.seen_px,
            off_px: problem.residual(&self.unknowns, s),
            used: s.used,
        };
        self.sightings.iter().zip(&self.shot_of).map(of).collect()
    }

    /// Where the target lay in a placement, bench frame as seated by `view`'s group.
    #[must_use]
    pub fn placement(&self, placement: usize, view: usize) -> Pose {
        self.seats[view].after(&self.model.placement(&self.unknowns, placement))
    }

    /// Puts the frame of `view` and of all views registered with it where the bench's frame has been: the motion that carries
    /// what `old` says of the places in `region` onto what this fit says, with the least squared distance.
    pub fn seat(&mut self, view: usize, old: &Sight, region: RegionPx) {
        let grid = report::grid_px(region);
        let pairs: Vec<(PointMm, PointMm)> = grid
            .into_iter()
            .filter_map(|p| Some((self.model.bench_from_seen(&self.unknowns, view, p)?, old.mm(p))))
            .filter(|(a, b)| [a.x, a.y, b.x, b.y].iter().all(|v| v.is_finite()))
            .collect();
        let (new, was): (Vec<PointMm>, Vec<PointMm>) = pairs.into_iter().unzip();
        if let Ok(motion) = fit_rigid(&new, &was) {
            self.seat_at(view, motion);
        }
    }

    /// Puts the frame of `view`'s group so that the fit's own frame lies at `bench_from_fit`.
    pub fn seat_at(&mut self, view: usize, bench_from_fit: Pose) {
        let group = self.groups[view];
        for (seat, g) in self.seats.iter_mut().zip(&self.groups) {
            if *g == group {
                *seat = bench_from_fit;
            }
        }
    }
}

#[cfg(test)]
mod tests;
