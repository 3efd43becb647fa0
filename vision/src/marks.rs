//! Settles the turn of a side whose places look the same turned: by outlines that do not (a pad with a cut corner), and by the
//! part file's marks, looked for where each turn would put them.

use crate::find::outline::Outline;
use crate::find::print::Print;
use crate::median::upper_median;
use crate::shapes::Shapes;
use crate::side::SideView;
use crate::view::PointPx;
use crate::which_site::Pattern;
use landfit_part::{Mark, Part, PointMm, Pose, Side};
use nalgebra::{Matrix2, Vector2};

/// A mark stands out by at least so many of the scatters of the light inside and round it …
const LEAST_SCORE: f64 = 3.0;
/// … and by so many times what the strongest other turn shows.
const LEAST_LEAD: f64 = 2.5;
/// Marks are printed or moulded on the body, and the body lies off the terminals by up to a tenth of a millimetre (EIAJ ED-7304
/// drawings), so that a mark is looked for so far round its place.
const SEARCH_MM: f64 = 0.15;
/// Places along one axis of the search.
const SEARCH_STEPS: i32 = 4;
/// Parts of the surroundings, by direction; all must differ from the inside the same way.
const SECTORS: usize = 8;
/// Each by at least this share of the whole difference.
const SECTOR_SHARE: f64 = 0.4;

/// Of the light where outlines of different turns disagree, the true turn explains at least so much (1 is all, -1 none) …
const LEAST_AGREEMENT: f64 = 0.5;
/// … and so much more than any other turn.
const LEAST_AGREEMENT_LEAD: f64 = 0.3;
/// Fewer pixels than this between the outlines of two turns tell nothing.
const LEAST_PIXELS: f64 = 12.0;

/// Which of several poses that the places cannot tell the outlines or else the marks tell; `None` where neither does so clearly.
pub(crate) fn settle(
    poses: &[Pose],
    side: Side,
    part: &Part,
    pattern: &Pattern,
    shapes: Option<&Shapes>,
    views: &[SideView],
) -> Option<usize> {
    let by_outline = shapes.and_then(|shapes| {
        let scores = agreements(poses, pattern, shapes, views)?;
        let (best, score, second) = best_of(&scores)?;
        (score >= LEAST_AGREEMENT && score >= second + LEAST_AGREEMENT_LEAD).then_some(best)
    });
    by_outline.or_else(|| {
        let marks: Vec<&Mark> = part.marks.iter().filter(|m| m.side == side).collect();
        let of_pose = |pose: &Pose| {
            let of_marks = marks.iter().filter_map(|mark| views.iter().filter_map(|v| score(v, mark, pose)).max_by(f64::total_cmp));
            of_marks.fold(0.0, f64::max)
        };
        let (best, score, second) = best_of(&poses.iter().map(of_pose).collect::<Vec<_>>())?;
        (score >= LEAST_SCORE && score >= LEAST_LEAD * second).then_some(best)
    })
}

/// Index of the highest score, it, and the second highest.
fn best_of(scores: &[f64]) -> Option<(usize, f64, f64)> {
    let best = (0..scores.len()).max_by(|&a, &b| scores[a].total_cmp(&scores[b]).then(b.cmp(&a)))?;
    let second = (0..scores.len()).filter(|&i| i != best).map(|i| scores[i]).fold(f64::NEG_INFINITY, f64::max);
    Some((best, scores[best], second))
}

/// For each pose how well the light between the outlines of the poses agrees with its own; `None` where all outlines agree.
fn agreements(poses: &[Pose], pattern: &Pattern, shapes: &Shapes, views: &[SideView]) -> Option<Vec<f64>> {
    let first = poses.first()?;
    let near = crate::nearby::Nearby::new(&pattern.centres_mm);
    let (mut sums, mut pixels) = (vec![0.0; poses.len()], 0.0);
    for site in (0..pattern.centres_mm.len()).filter(|&i| !shapes.is_plain(i)) {
        let place = first.apply(pattern.centres_mm[site]);
        let same_place: Option<Vec<usize>> =
            poses.iter().map(|p| near.nearest(p.inverse().apply(place), 0.5 * pattern.pitch_mm).map(|n| n.1)).collect();
        let Some(same_place) = same_place else { continue };
        for view in views {
            let prints: Vec<Print> =
                same_place.iter().zip(poses).map(|(&i, pose)| shapes.print(view, i, pose, pattern.centres_mm[i])).collect();
            pixels += add_agreement(view, &prints, &mut sums);
        }
    }
    (pixels >= LEAST_PIXELS).then(|| sums.iter().map(|s| s / pixels).collect())
}

/// Adds up, over the pixels on which the prints disagree, whether each print is right; returns how many pixels there are.
fn add_agreement(view: &SideView, prints: &[Print], sums: &mut [f64]) -> f64 {
    const CLEAR_PX: f64 = 1.5;
    const CLEAR_SHARE: f64 = 0.03;
    const LEVEL_PX: f64 = 10.0;
    let plane = view.plane;
    let Some(first) = prints.first() else { return 0.0 };
    // Large pads are made larger or smaller by more pixels than small ones, and their light is taken further off their edges.
    let clear_px = CLEAR_PX.max(CLEAR_SHARE * first.outline.reach());
    let reach = first.outline.reach() + clear_px + LEVEL_PX;
    let range =
        |c: f64, size: usize| ((c - reach).floor().max(0.0) as usize, ((c + reach).ceil().max(-1.0) + 1.0).min(size as f64) as usize);
    let ((x0, x1), (y0, y1)) = (range(first.at.x, plane.width), range(first.at.y, plane.height));
    let backs: Vec<Matrix2<f64>> = prints.iter().map(|p| p.axes.try_inverse().unwrap_or_default()).collect();
    // The middle counts: a glint beside must not pass for the ground.
    let (mut inside, mut outside): (Vec<f64>, Vec<f64>) = (Vec::new(), Vec::new());
    let mut between: Vec<(f64, Vec<bool>)> = Vec::new();
    for y in y0..y1 {
        for x in x0..x1 {
            let distance = |(p, back): (&Print, &Matrix2<f64>)| {
                let local = back * Vector2::new(x as f64 - p.at.x, y as f64 - p.at.y);
                p.outline.near([local.x, local.y]).distance
            };
            let distances: Vec<f64> = prints.iter().zip(&backs).map(distance).collect();
            let (least, most) = distances.iter().fold((f64::INFINITY, f64::NEG_INFINITY), |(lo, hi), d| (lo.min(*d), hi.max(*d)));
            let light = f64::from(plane.light[y * plane.width + x]);
            if most < -clear_px && most > -(clear_px + LEVEL_PX) {
                inside.push(light);
            } else if least > clear_px && least < clear_px + 0.5 * LEVEL_PX {
                outside.push(light);
            } else if least < 0.0 && most > 0.0 && distances.iter().all(|d| d.abs() > CLEAR_PX) {
                between.push((light, distances.iter().map(|d| *d < 0.0).collect()));
            }
        }
    }
    if (inside.len().min(outside.len()) as f64) < LEAST_PIXELS {
        return 0.0;
    }
    let (Some(inside), Some(outside)) = (upper_median(inside), upper_median(outside)) else { return 0.0 };
    let (middle, half) = (0.5 * (inside + outside), 0.5 * (inside - outside));
    if half.abs() < 1e-6 {
        return 0.0;
    }
    for (light, is_inside) in &between {
        let share = ((light - middle) / half).clamp(-1.0, 1.0);
        for (sum, inside) in sums.iter_mut().zip(is_inside) {
            *sum += if *inside { share } else { -share };
        }
    }
    between.len() as f64
}

/// How clearly a mark stands out at or near its place for a pose of the pattern; `None` where the place is not in view.
fn score(view: &SideView, mark: &Mark, pose: &Pose) -> Option<f64> {
    let outline = Outline::of_pieces(std::slice::from_ref(&mark.piece), PointMm::ZERO);
    let mut best: Option<f64> = None;
    for row in -SEARCH_STEPS..=SEARCH_STEPS {
        for col in -SEARCH_STEPS..=SEARCH_STEPS {
            let off = PointMm::new(f64::from(col), f64::from(row)) * (SEARCH_MM / f64::from(SEARCH_STEPS));
            let at_mm = pose.apply(mark.at_mm + off);
            let per_mm = view.sight.px_per_mm(at_mm);
            let (sin, cos) = (mark.angle_rad + pose.theta_rad).sin_cos();
            let axes = per_mm * Matrix2::new(cos, -sin, sin, cos);
            if let Some(score) = standing_out(view, &outline, &axes, view.plane_px(at_mm)) {
                best = Some(best.map_or(score, |b: f64| b.max(score)));
            }
        }
    }
    best
}

/// The difference of light between inside and surroundings over their scatter; 0 where the surroundings do not all differ the
/// same way, `None` where a part is out of view. `axes` are px of the plane from local mm.
fn standing_out(view: &SideView, outline: &Outline, axes: &Matrix2<f64>, at: PointPx) -> Option<f64> {
    let plane = view.plane;
    let px_per_mm = axes.determinant().abs().sqrt();
    let back = axes.try_inverse()?;
    // The edge's blur lies in a gap that belongs to neither.
    let gap_mm = 1.5 / px_per_mm;
    let ring_mm = (0.4 * outline.narrow_half()).max(3.0 / px_per_mm);
    let reach_px = (outline.reach() + gap_mm + ring_mm) * px_per_mm;
    let is_inside = at.x - reach_px >= 0.0
        && at.y - reach_px >= 0.0
        && at.x + reach_px <= plane.width as f64 - 1.0
        && at.y + reach_px <= plane.height as f64 - 1.0;
    if !is_inside {
        return None;
    }
    let mut inside = Sum::default();
    let mut around = [Sum::default(); SECTORS];
    let (x0, x1) = ((at.x - reach_px).floor() as usize, (at.x + reach_px).ceil() as usize);
    let (y0, y1) = ((at.y - reach_px).floor() as usize, (at.y + reach_px).ceil() as usize);
    for y in y0..=y1.min(plane.height - 1) {
        for x in x0..=x1.min(plane.width - 1) {
            let local = back * Vector2::new(x as f64 - at.x, y as f64 - at.y);
            let distance = outline.near([local.x, local.y]).distance;
            let light = f64::from(plane.light[y * plane.width + x]);
            if distance < -gap_mm {
                inside.take(light);
            } else if distance > gap_mm && distance < gap_mm + ring_mm {
                let turn = local.y.atan2(local.x).rem_euclid(std::f64::consts::TAU) / std::f64::consts::TAU;
                around[((turn * SECTORS as f64) as usize).min(SECTORS - 1)].take(light);
            }
        }
    }
    if inside.n < 4.0 || around.iter().any(|s| s.n < 2.0) {
        return None;
    }
    let all = around.iter().fold(Sum::default(), |a, b| a.with(b));
    let difference = inside.mean() - all.mean();
    let agrees = around.iter().all(|s| (inside.mean() - s.mean()) * difference.signum() >= SECTOR_SHARE * difference.abs());
    let scatter = (0.5 * (inside.variance() + all.variance())).sqrt().max(1e-6);
    Some(if agrees { difference.abs() / scatter } else { 0.0 })
}

#[derive(Debug, Clone, Copy, Default)]
struct Sum {
    n: f64,
    sum: f64,
    squares: f64,
}

impl Sum {
    fn take(&mut self, v: f64) {
        self.n += 1.0;
        self.sum += v;
        self.squares += v * v;
    }

    fn with(self, other: &Self) -> Self {
        Self { n: self.n + other.n, sum: self.sum + other.sum, squares: self.squares + other.squares }
    }

    fn mean(&self) -> f64 {
        self.sum / self.n.max(1.0)
    }

    fn variance(&self) -> f64 {
        (self.squares / self.n.max(1.0) - self.mean().powi(2)).max(0.0)
    }
}
