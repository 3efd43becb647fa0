//! Calibration targets: found in pictures without being told where, and printed.
//!
//! [`find`] gives the marks of a [`Target`] with their places on it and in the picture; [`sheet`] is a target to print.

mod checkerboard;
mod dots;
mod in_view;
mod nominal;
mod plane;
pub mod sheet;

pub use in_view::{AgreeError, agree, find_in_view, light_of_view, marks_edge_width_px};
pub use nominal::Nominal;

use crate::scale::{Spot, homography};
use landfit_part::{Part, PointMm, Side};
use landfit_vision::answer::ReasonCode;
use landfit_vision::inspect::{Inspection, SpotLattice, inspect, lattices};
use landfit_vision::picture::Samples;
use landfit_vision::view::project;
use landfit_vision::{Picture, PointPx};
use nalgebra::{Matrix2, Vector2};
use plane::Grey;

/// What stands before the camera.
#[derive(Debug, Clone, PartialEq)]
pub enum Target {
    /// A lattice of dots.
    Dots {
        /// Its two steps, mm: (pitch, 0) and (0, pitch) of a square one, (pitch / 2, ± row distance) of a staggered one.
        steps_mm: [PointMm; 2],
    },
    /// A checkerboard, by the side of its squares.
    Checkerboard {
        /// mm.
        square_mm: f64,
    },
    /// A part's terminals or its lands on a board: their own pitch is the ruler.
    Pattern {
        /// The part.
        part: Box<Part>,
        /// Which of the two.
        side: Side,
    },
}

impl Target {
    /// Dots in square order.
    #[must_use]
    pub const fn square(pitch_mm: f64) -> Self {
        Self::Dots { steps_mm: [PointMm::new(pitch_mm, 0.0), PointMm::new(0.0, pitch_mm)] }
    }

    /// Rows of dots at `pitch_mm`, every other one moved by half of it, `row_mm` apart.
    #[must_use]
    pub const fn staggered(pitch_mm: f64, row_mm: f64) -> Self {
        Self::Dots { steps_mm: [PointMm::new(pitch_mm / 2.0, row_mm), PointMm::new(pitch_mm / 2.0, -row_mm)] }
    }
}

/// What is expected of how the target lies, so that look-alike turns and shifts are told apart.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Expected {
    /// From picture right to the target's x axis, anticlockwise as displayed, radians: the nearest turn that looks the same is taken.
    pub angle_rad: f64,
    /// How much shorter one direction of the target may look than the other: 0.05 is a tilt of 18 degrees.
    pub most_stretch: f64,
}

impl Default for Expected {
    /// Upright, seen from straight above: tilts up to 18 degrees.
    fn default() -> Self {
        Self { angle_rad: 0.0, most_stretch: 0.05 }
    }
}

/// A target as a picture shows it.
#[derive(Debug, Clone, PartialEq)]
pub struct Found {
    /// Every mark that was found.
    pub spots: Vec<Spot>,
    /// Diameter of the marks, mm, where they are discs; 0 for corners.
    pub disc_mm: f64,
    /// The target's steps where whole steps look the same, so that the origin is open by them; `None` for a pattern.
    pub steps_mm: Option<[PointMm; 2]>,
    /// Median diameter of the marks or step of the corners, px: what focus is judged by.
    pub mark_px: f64,
}

/// Why a target was not found.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
#[non_exhaustive]
pub enum FindError {
    /// Nothing like it.
    #[error("no target was found: {0}")]
    None(String),
    /// No light.
    #[error("it is dark: the brightest places reach {percent:.1} % of full scale. Switch the light on, or raise light or exposure")]
    Dark {
        /// Of full scale.
        percent: f32,
    },
    /// It is there, and which of its places are seen is open: the pattern lies in the picture twice, or fits in two ways.
    #[error("the target is in the picture, but not settled: {0}")]
    Open(String),
    /// More than one.
    #[error("two targets are in view ({first} and {second} marks): leave only one, or cover the other")]
    Two {
        /// Marks of the larger.
        first: usize,
        /// Marks of the second.
        second: usize,
    },
    /// Marks that lie alike, but nearer together or farther apart.
    #[error(
        "one px shows {seen_um:.2} µm if the marks are as far apart as this target's, but {nominal_um:.2} µm {}: is it the right target file or pitch?",
        by.words()
    )]
    OtherScale {
        /// By the marks.
        seen_um: f64,
        /// As expected.
        nominal_um: f64,
        /// By whom.
        by: nominal::Source,
    },
    /// Marks that lie otherwise.
    #[error(
        "the marks in the picture do not lie as this target's do (steps of {seen_ratio:.3} to 1 at {seen_deg:.1} degrees, not {ratio:.3} to 1 at {deg:.1}): is it the right target file or pitch?"
    )]
    Mismatch {
        /// Ratio of the steps' lengths as seen.
        seen_ratio: f64,
        /// Angle between the steps as seen.
        seen_deg: f64,
        /// Ratio by the file.
        ratio: f64,
        /// Angle by the file.
        deg: f64,
    },
}

/// Fewer marks are no target.
const LEAST_MARKS: usize = 9;
/// Lattices that are looked at closely, largest first.
const MOST_LATTICES: usize = 6;
/// A second lattice of so large a share of the first is a second target.
const SECOND_TARGET: f64 = 0.35;

/// Finds a target in a grey or colour picture.
///
/// # Errors
/// See [`FindError`].
pub fn find(picture: &Picture, target: &Target, expected: &Expected) -> Result<Found, FindError> {
    match target {
        Target::Pattern { part, side } => pattern(picture, part, *side, expected),
        Target::Dots { steps_mm } => {
            let grey = Grey::new(picture);
            let dots = the_one(lattices(picture, LEAST_MARKS).into_iter().take(MOST_LATTICES).collect(), |l| dots::refined(&grey, l))?;
            placed(&dots, *steps_mm, expected, true)
        }
        Target::Checkerboard { square_mm } => {
            let grey = Grey::new(picture);
            let of_size = |saddles: &Picture| lattices(saddles, LEAST_MARKS).into_iter().filter(|l| l.is_bright).take(MOST_LATTICES);
            let bright = checkerboard::saddles(&grey).iter().flat_map(of_size).collect();
            let corners = the_one(bright, |l| checkerboard::refined(&grey, l))?;
            placed(&corners, [PointMm::new(*square_mm, 0.0), PointMm::new(0.0, *square_mm)], expected, false)
        }
    }
}

/// How many px the brightness takes from one side of the marks' edges to the other, by contrast over steepest slope, median of
/// the marks: what focus is judged by. `None` where no edge can be read (corners).
#[must_use]
pub fn edge_width_px(picture: &Picture, found: &Found) -> Option<f64> {
    if found.disc_mm <= 0.0 {
        return None;
    }
    let grey = Grey::new(picture);
    let radius = found.mark_px / 2.0;
    let reach = radius + (0.6 * radius).max(2.5);
    let mut widths = Vec::new();
    for s in found.spots.iter().filter(|s| grey.holds(s.seen_px.x, s.seen_px.y, reach)) {
        for k in 0..8 {
            let (sin, cos) = (std::f64::consts::TAU * f64::from(k) / 8.0).sin_cos();
            let at = |r: f64| grey.at(s.seen_px.x + r * cos, s.seen_px.y + r * sin);
            let samples: Vec<f64> = (0..).map(|i| 0.3 * radius + 0.25 * f64::from(i)).take_while(|r| *r <= reach).map(at).collect();
            let slope = samples.windows(3).map(|w| (w[2] - w[0]).abs() / 0.5).fold(0.0, f64::max);
            let (low, high) = samples.iter().fold((f64::INFINITY, f64::NEG_INFINITY), |(l, h), v| (l.min(*v), h.max(*v)));
            if slope > 0.0 && high - low > 0.02 {
                widths.push((high - low) / slope);
            }
        }
    }
    widths.sort_by(f64::total_cmp);
    widths.get(widths.len() / 2).copied()
}

/// A mark of a lattice, measured.
#[derive(Debug, Clone, Copy)]
struct Mark {
    cell: [i32; 2],
    at: PointPx,
    u_px: f64,
    diameter_px: f64,
}

/// The marks of the one target in view: of all lattices the one with the most that measure as marks.
fn the_one(all: Vec<SpotLattice>, measure: impl Fn(&SpotLattice) -> Vec<Mark>) -> Result<Vec<Mark>, FindError> {
    let mut measured: Vec<Vec<Mark>> = all.iter().map(measure).filter(|m| m.len() >= LEAST_MARKS).collect();
    measured.sort_by_key(|m| std::cmp::Reverse(m.len()));
    if measured.is_empty() {
        return Err(FindError::None(
            "nothing in the picture repeats evenly. Show the target in focus, its marks at least 6 px apart".to_owned(),
        ));
    }
    let first = measured.remove(0);
    let extent = |of: fn(&Mark) -> f64| first.iter().map(of).fold((f64::INFINITY, f64::NEG_INFINITY), |e, v| (e.0.min(v), e.1.max(v)));
    let ((x0, x1), (y0, y1)) = (extent(|m| m.at.x), extent(|m| m.at.y));
    let is_inside = |m: &Mark| (x0..=x1).contains(&m.at.x) && (y0..=y1).contains(&m.at.y);
    let is_elsewhere = |marks: &Vec<Mark>| marks.iter().filter(|m| is_inside(m)).count() * 2 <= marks.len();
    if let Some(second) = measured.iter().find(|m| m.len() as f64 > SECOND_TARGET * first.len() as f64 && is_elsewhere(m)) {
        return Err(FindError::Two { first: first.len(), second: second.len() });
    }
    let pieces = pieces(&first);
    match &pieces[..] {
        [a, b, ..] if b.len() as f64 > SECOND_TARGET * a.len() as f64 && !goes_on(a, b) => {
            Err(FindError::Two { first: a.len(), second: b.len() })
        }
        _ => Ok(first),
    }
}

/// Marks that many steps apart may lie on two targets whose marks happen to count on.
const GAP: i32 = 3;
/// Lens and tilt carry what goes on across such a gap off by less than this, steps; a second target lies anywhere.
const SAME_TARGET: f64 = 0.3;

/// The marks by what hangs together without gaps, largest first.
fn pieces(marks: &[Mark]) -> Vec<Vec<Mark>> {
    let mut left: std::collections::BTreeMap<[i32; 2], Mark> = marks.iter().map(|m| (m.cell, *m)).collect();
    let mut all = Vec::new();
    while let Some((_, first)) = left.pop_first() {
        let mut piece = vec![first];
        let mut next = 0;
        while let Some(from) = piece.get(next).map(|m| m.cell) {
            let around = (-GAP..=GAP).flat_map(|i| (-GAP..=GAP).map(move |k| [from[0] + i, from[1] + k]));
            piece.extend(around.filter_map(|cell| left.remove(&cell)));
            next += 1;
        }
        all.push(piece);
    }
    all.sort_by_key(|piece| std::cmp::Reverse(piece.len()));
    all
}

/// Whether one piece lies where the other, seen in perspective, goes on.
fn goes_on(first: &[Mark], second: &[Mark]) -> bool {
    let places = |marks: &[Mark]| marks.iter().map(|m| PointMm::new(f64::from(m.cell[0]), f64::from(m.cell[1]))).collect::<Vec<_>>();
    let seen: Vec<PointPx> = first.iter().map(|m| m.at).collect();
    // Marks on one line say nothing of what lies beside it.
    let Some(px_from_cell) = homography(&places(first), &seen) else { return true };
    let step_px = affine(first).determinant().abs().sqrt();
    let mut off: Vec<f64> = second
        .iter()
        .zip(places(second))
        .map(|(m, p)| {
            let (x, y) = project(&px_from_cell, p.x, p.y);
            m.at.distance(PointPx::new(x, y)) / step_px
        })
        .collect();
    off.sort_by(f64::total_cmp);
    off.get(off.len() / 2).is_none_or(|median| *median < SAME_TARGET)
}

/// Gives every mark its place on the target: of the ways in which the lattice's steps can be the target's, the one that a camera
/// looking down sees, nearest to the expected turn.
fn placed(marks: &[Mark], steps_mm: [PointMm; 2], expected: &Expected, discs: bool) -> Result<Found, FindError> {
    if marks.len() < LEAST_MARKS {
        return Err(FindError::None(format!("only {} of its marks can be measured; show more of it, in focus", marks.len())));
    }
    let px_per_cell = affine(marks);
    let mm_per_step = Matrix2::new(steps_mm[0].x, steps_mm[1].x, steps_mm[0].y, steps_mm[1].y);
    let Some(step_per_mm) = mm_per_step.try_inverse() else {
        return Err(FindError::None("the target file's two steps lie on one line".to_owned()));
    };
    let mut best: Option<(f64, f64, Matrix2<f64>)> = None;
    for code in 0..625 {
        let entry = |k: u32| f64::from(code / 5i32.pow(k) % 5 - 2);
        let cell_per_step = Matrix2::new(entry(0), entry(1), entry(2), entry(3));
        if cell_per_step.determinant().abs() != 1.0 {
            continue;
        }
        let px_per_mm = px_per_cell * cell_per_step * step_per_mm;
        if px_per_mm.determinant() > 0.0 {
            continue;
        }
        let stretch = stretch(&px_per_mm);
        let angle = (-px_per_mm[(1, 0)] - px_per_mm[(0, 1)]).atan2(px_per_mm[(0, 0)] - px_per_mm[(1, 1)]);
        let off = landfit_part::wrap_angle_rad(angle - expected.angle_rad).abs();
        let better = best.as_ref().is_none_or(|(s, o, _)| stretch < s - 1e-3 || (stretch < s + 1e-3 && off < *o));
        if better {
            best = Some((stretch, off, cell_per_step));
        }
    }
    let matched = best.filter(|(stretch, _, _)| *stretch < expected.most_stretch);
    let Some((_, _, cell_per_step)) = matched else { return Err(mismatch(&px_per_cell, steps_mm)) };
    let Some(step_per_cell) = cell_per_step.try_inverse() else { return Err(mismatch(&px_per_cell, steps_mm)) };
    let origin = middle_cell(marks);
    let scale = (px_per_cell.determinant() / mm_per_step.determinant()).abs().sqrt();
    let spots = marks
        .iter()
        .map(|m| {
            let cell = Vector2::new(f64::from(m.cell[0] - origin[0]), f64::from(m.cell[1] - origin[1]));
            let at = mm_per_step * (step_per_cell * cell);
            Spot { at_mm: PointMm::new(at.x, at.y), seen_px: m.at, u_px: m.u_px }
        })
        .collect();
    let mut sizes: Vec<f64> = marks.iter().map(|m| m.diameter_px).collect();
    sizes.sort_by(f64::total_cmp);
    let mark_px = sizes[sizes.len() / 2];
    Ok(Found { spots, disc_mm: if discs { mark_px / scale } else { 0.0 }, steps_mm: Some(steps_mm), mark_px })
}

/// How far a map is from a similarity: 0 when both axes keep length and right angle.
fn stretch(m: &Matrix2<f64>) -> f64 {
    let s = m.singular_values();
    1.0 - s.min() / s.max()
}

fn mismatch(px_per_cell: &Matrix2<f64>, steps_mm: [PointMm; 2]) -> FindError {
    let (a, b) = (px_per_cell.column(0), px_per_cell.column(1));
    let folded = |deg: f64| if deg > 90.0 { 180.0 - deg } else { deg };
    let angle = |dot: f64, la: f64, lb: f64| folded((dot / (la * lb)).clamp(-1.0, 1.0).acos().to_degrees());
    let ratio = |a: f64, b: f64| a.max(b) / a.min(b);
    let [s, t] = steps_mm;
    FindError::Mismatch {
        seen_ratio: ratio(a.norm(), b.norm()),
        seen_deg: angle(a.dot(&b), a.norm(), b.norm()),
        ratio: ratio(s.norm(), t.norm()),
        deg: angle(s.x * t.x + s.y * t.y, s.norm(), t.norm()),
    }
}

/// px per cell in the middle of the marks, by least squares over those around it.
fn affine(marks: &[Mark]) -> Matrix2<f64> {
    let n = marks.len() as f64;
    let mean = |of: &dyn Fn(&Mark) -> f64| marks.iter().map(of).sum::<f64>() / n;
    let (ci, cj) = (mean(&|m| f64::from(m.cell[0])), mean(&|m| f64::from(m.cell[1])));
    let (cx, cy) = (mean(&|m| m.at.x), mean(&|m| m.at.y));
    let (mut normal, mut right) = (Matrix2::zeros(), Matrix2::zeros());
    for m in marks {
        let d = Vector2::new(f64::from(m.cell[0]) - ci, f64::from(m.cell[1]) - cj);
        // The middle counts most: tilt and lens bend the rest.
        let w = 1.0 / (1.0 + 0.05 * d.norm_squared());
        normal += d * d.transpose() * w;
        right += Vector2::new(m.at.x - cx, m.at.y - cy) * d.transpose() * w;
    }
    normal.try_inverse().map_or_else(Matrix2::identity, |inverse| right * inverse)
}

/// The cell nearest to the middle of all marks.
fn middle_cell(marks: &[Mark]) -> [i32; 2] {
    let n = marks.len() as f64;
    let (x, y) = marks.iter().fold((0.0, 0.0), |(x, y), m| (x + m.at.x / n, y + m.at.y / n));
    let middle = PointPx::new(x, y);
    marks.iter().min_by(|a, b| a.at.distance(middle).total_cmp(&b.at.distance(middle))).map_or([0, 0], |m| m.cell)
}

/// A part's own pattern, found by the same function as `landfit inspect`.
fn pattern(picture: &Picture, part: &Part, side: Side, expected: &Expected) -> Result<Found, FindError> {
    let found = match inspect(picture, part, Some(side)) {
        Inspection::Found(found) => found,
        Inspection::NotFound(none) if none.code == ReasonCode::AmbiguousShift => return Err(FindError::Open(none.text)),
        Inspection::NotFound(none) => return Err(FindError::None(none.text)),
    };
    let good = |state| matches!(state, landfit_vision::answer::SiteState::Good);
    let seen: Vec<(PointMm, PointPx, f64)> = found
        .sites
        .iter()
        .filter(|s| good(s.state))
        .filter_map(|s| Some((part.sites[s.site].centre_mm(side), s.centre?, s.u_px / 2.0)))
        .collect();
    if seen.len() < LEAST_MARKS {
        return Err(FindError::None(format!("only {} of its sites can be measured", seen.len())));
    }
    if let Some(second) = second_pattern(picture, part, side, &found) {
        return Err(FindError::Two { first: seen.len(), second });
    }
    // Seen through the optics both sides have the board's handedness; a pattern that looks the same mirrored was taken the other way.
    let mirrored = handedness(&seen) > 0.0;
    let flip = if !mirrored {
        1.0
    } else if found.mirrored.is_none() {
        -1.0
    } else {
        return Err(FindError::None(
            "the pattern is mirrored: through the optics it must look as from above. Was the underside photographed directly?".to_owned(),
        ));
    };
    let mut seen: Vec<(PointMm, PointPx, f64)> = seen.into_iter().map(|(m, p, u)| (PointMm::new(flip * m.x, m.y), p, u)).collect();
    let turns = turns_that_look_the_same(part, side);
    let angle = |turn: f64| {
        let (mut c, mut s) = (0.0, 0.0);
        let n = seen.len() as f64;
        let (mx, my) = seen.iter().fold((0.0, 0.0), |(x, y), q| (x + q.1.x / n, y + q.1.y / n));
        for (m, p, _) in &seen {
            let m = m.rotated(turn);
            let (x, y) = (p.x - mx, my - p.y);
            (c, s) = (c + m.x * x + m.y * y, s + m.x * y - m.y * x);
        }
        landfit_part::wrap_angle_rad(s.atan2(c) - expected.angle_rad).abs()
    };
    let turn = turns.into_iter().min_by(|a, b| angle(*a).total_cmp(&angle(*b))).unwrap_or(0.0);
    seen.iter_mut().for_each(|q| q.0 = q.0.rotated(turn));
    let disc_mm = part.sites.iter().flat_map(|s| s.pieces(side)).find_map(|p| p.shape.diameter_mm());
    let mut sizes: Vec<f64> = found.sites.iter().filter(|s| good(s.state)).map(|s| s.diameter_px).collect();
    sizes.sort_by(f64::total_cmp);
    let spots = seen.into_iter().map(|(at_mm, seen_px, u)| Spot { at_mm, seen_px, u_px: u.max(1e-3) }).collect();
    Ok(Found { spots, disc_mm: disc_mm.unwrap_or(0.0), steps_mm: None, mark_px: sizes[sizes.len() / 2] })
}

/// Sites of a second pattern of the same part beside the one that was found.
fn second_pattern(picture: &Picture, part: &Part, side: Side, found: &landfit_vision::inspect::Found) -> Option<usize> {
    let centres: Vec<PointPx> = found.sites.iter().filter_map(|s| s.centre).collect();
    let pitch_px = part.pitch_mm(side).unwrap_or(1.0) * 1000.0 / found.um_per_px[0].max(found.um_per_px[1]);
    let hidden = without(picture, &centres, 0.6 * pitch_px)?;
    let Inspection::Found(second) = inspect(&hidden, part, Some(side)) else { return None };
    let n = second.sites.iter().filter(|s| s.centre.is_some()).count();
    (n as f64 > SECOND_TARGET * centres.len() as f64).then_some(n)
}

/// The picture with all that lies about these places made even; `None` where too little would be left for a second target.
fn without(picture: &Picture, places: &[PointPx], reach_px: f64) -> Option<Picture> {
    let extent = |of: fn(&PointPx) -> f64, size: usize| {
        let (low, high) = places.iter().map(of).fold((f64::INFINITY, f64::NEG_INFINITY), |(l, h), v| (l.min(v), h.max(v)));
        let clamped = |v: f64| v.round().clamp(0.0, size as f64) as usize;
        clamped(low - reach_px)..clamped(high + reach_px + 1.0)
    };
    let (columns, rows) = (extent(|p| p.x, picture.width_px), extent(|p| p.y, picture.height_px));
    let covered = columns.len() * rows.len();
    if covered == 0 || ((picture.width_px * picture.height_px - covered) as f64) < SECOND_TARGET * covered as f64 {
        return None;
    }
    let (n, width) = (picture.channels, picture.width_px);
    let index = |x: usize, y: usize, channel: usize| n * (y * width + x) + channel;
    fn filled<T: Copy + Ord>(values: &[T], edge: &[usize], inside: &[usize]) -> Vec<T> {
        let mut along: Vec<T> = edge.iter().map(|i| values[*i]).collect();
        along.sort_unstable();
        let mut all = values.to_vec();
        inside.iter().for_each(|i| all[*i] = along[along.len() / 2]);
        all
    }
    let mut shown = picture.clone();
    for channel in 0..n {
        let inside: Vec<usize> =
            rows.clone().flat_map(|y| columns.clone().map(move |x| (x, y))).map(|(x, y)| index(x, y, channel)).collect();
        let ends = [rows.start, rows.end - 1].into_iter().flat_map(|y| columns.clone().map(move |x| (x, y)));
        let sides = [columns.start, columns.end - 1].into_iter().flat_map(|x| rows.clone().map(move |y| (x, y)));
        let edge: Vec<usize> = ends.chain(sides).map(|(x, y)| index(x, y, channel)).collect();
        shown.samples = match &shown.samples {
            Samples::U8(v) => Samples::U8(filled(v, &edge, &inside)),
            Samples::U16(v) => Samples::U16(filled(v, &edge, &inside)),
        };
    }
    Some(shown)
}

/// Positive where the picture shows the pattern mirrored.
fn handedness(seen: &[(PointMm, PointPx, f64)]) -> f64 {
    let n = seen.len() as f64;
    let (mut mx, mut my, mut px, mut py) = (0.0, 0.0, 0.0, 0.0);
    for (m, p, _) in seen {
        (mx, my, px, py) = (mx + m.x / n, my + m.y / n, px + p.x / n, py + p.y / n);
    }
    let (mut normal, mut right) = (Matrix2::zeros(), Matrix2::zeros());
    for (m, p, _) in seen {
        let d = Vector2::new(m.x - mx, m.y - my);
        normal += d * d.transpose();
        right += Vector2::new(p.x - px, p.y - py) * d.transpose();
    }
    normal.try_inverse().map_or(0.0, |inverse| (right * inverse).determinant())
}

/// Quarter turns after which the pattern's sites fall on each other.
fn turns_that_look_the_same(part: &Part, side: Side) -> Vec<f64> {
    let places: Vec<PointMm> = part.sites.iter().filter(|s| !s.pieces(side).is_empty()).map(|s| s.centre_mm(side)).collect();
    let quarter = std::f64::consts::FRAC_PI_2;
    (0..4)
        .map(|k| f64::from(k) * quarter)
        .filter(|turn| places.iter().all(|p| places.iter().any(|q| q.distance(p.rotated(*turn)) < 1e-3)))
        .collect()
}

#[cfg(test)]
mod tests;
