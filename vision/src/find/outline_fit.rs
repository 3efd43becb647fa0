//! Measures features of any designed outline to a small part of a pixel, each with its covariance: each is fitted to its group's look
//! ([`super::outline_look`]) by its place, growth, light inside with its slopes, light outside on each side. A heel that melts into the
//! lead's slope has a low step and a wide blur; it says little about the place along the lead, and the covariance says so.

use super::outline::SIDES;
use super::outline_look::{CORNER_BLURS, GroupLook, NO_END_DOUBT, SIZE_SCATTER};
use super::print::{Print, for_pixels};
use super::side_edge::{normal_density, normal_share};
use crate::plane::Plane;
use crate::view::PointPx;
use nalgebra::{Matrix2, SMatrix, SVector, Vector2};

/// A measured feature.
#[derive(Debug, Clone, Copy)]
pub struct Fitted {
    /// Its centre, px of the plane.
    pub at: PointPx,
    /// Covariance, px², from the noise that the fit left over.
    pub covariance_px2: Matrix2<f64>,
    /// Contrast against that of the look; about 1, near 0 where nothing is.
    pub gain: f64,
    /// Standard uncertainty of the gain.
    pub gain_u: f64,
    /// How far the right and left side, and the far and near side, lie outside of the look's, px.
    pub growth_px: [f64; 2],
    /// Share of the light's variation in the band that the model explains, 0 to 1.
    pub explained: f64,
    /// Standard deviation of what is left over, light.
    pub left_over: f64,
}

/// Ground of which next to nothing is seen may differ from the look's by so many steps: light of a trace beside lies in the pixels that are
/// left, and must not move the end.
const UNSEEN_GROUND_STEPS: f64 = 10.0;

const UNKNOWNS: usize = 14;
const SHIFT_X: usize = 0;
const SHIFT_Y: usize = 1;
/// Growth of the right and left side, and of the far and near side: a longer lead must not look moved where one end says more
/// than the other.
const GROWTH: usize = 2;
/// Slope of the light along the right and left side, and along the far and near side.
const SLOPES: usize = 4;
/// Light inside, at the right and left side, and at the far and near side.
const INSIDE: usize = 6;
/// Slope of the face's light from the left to the right side, and from the near to the far side: one slope for the levels on
/// both sides and for what lies between, so that a face that is brighter at one end does not look moved.
const ACROSS: usize = 8;
/// Light outside, on each side.
const OUTSIDE: usize = 10;
/// Light that is told from its model to less than this share of the step is not worth telling.
const LEAST_NOISE_SHARE: f64 = 1e-3;

/// A fit that has not come to rest after so many steps is not a centre.
const MOST_STEPS: usize = 8;
/// A step this short is rest, px.
const AT_REST_PX: f64 = 0.01;
/// In noise the last steps go to and fro about the answer; further than this they wander.
const NOISE_STEP_PX: f64 = 0.4;

/// Fits one feature to its group's look, from `print.at`. `None` when the fit does not come to rest within `most_shift_px`,
/// when less than half of the band is known, or when nothing stands there.
#[must_use]
pub fn fit(plane: &Plane, print: &Print, look: &GroupLook, most_shift_px: f64) -> Option<Fitted> {
    let mut print = print.clone();
    let start = print.at;
    for step_number in 1..=MOST_STEPS {
        let solved = solve(plane, &print, look)?;
        if solved.gain.abs() < 0.05 {
            return None;
        }
        let limit = 2.0;
        let step = Vector2::new(solved.unknowns[SHIFT_X], solved.unknowns[SHIFT_Y]) / solved.gain;
        let step = if step.norm() > limit { step * (limit / step.norm()) } else { step };
        let next = PointPx::new(print.at.x + step.x, print.at.y + step.y);
        if next.distance(start).partial_cmp(&most_shift_px).is_none_or(std::cmp::Ordering::is_gt) {
            return None;
        }
        let moved_px = step.norm();
        print.at = next;
        if moved_px < AT_REST_PX || step_number == MOST_STEPS {
            return (moved_px < NOISE_STEP_PX).then(|| solved.fitted(next));
        }
    }
    None
}

/// Contrast and fit at exactly `print.at`, without moving to a better place.
#[must_use]
pub fn probe(plane: &Plane, print: &Print, look: &GroupLook) -> Option<Fitted> {
    solve(plane, print, look).map(|s| s.fitted(print.at))
}

struct Solved {
    unknowns: SVector<f64, UNKNOWNS>,
    covariance: SMatrix<f64, UNKNOWNS, UNKNOWNS>,
    gain: f64,
    gain_u: f64,
    explained: f64,
    left_over: f64,
}

impl Solved {
    fn fitted(&self, at: PointPx) -> Fitted {
        let c = &self.covariance;
        let g2 = (self.gain * self.gain).max(1e-12);
        Fitted {
            at,
            covariance_px2: Matrix2::new(c[(0, 0)], c[(0, 1)], c[(1, 0)], c[(1, 1)]) / g2,
            gain: self.gain,
            gain_u: self.gain_u,
            growth_px: [0, 1].map(|axis| self.unknowns[GROWTH + axis] / self.gain),
            explained: self.explained,
            left_over: self.left_over,
        }
    }
}

fn solve(plane: &Plane, print: &Print, look: &GroupLook) -> Option<Solved> {
    let blur_px = look.blur_px();
    let size = print.outline.reach().max(1.0);
    let (mut inwards, mut outwards) = (0.0_f64, 0.0_f64);
    for edge in look.edges.iter().flatten() {
        inwards = inwards.max(edge.band_in_px() - edge.at_px);
        outwards = outwards.max(edge.band_out_px() + edge.at_px);
    }
    let mut normal = SMatrix::<f64, UNKNOWNS, UNKNOWNS>::zeros();
    let mut right = SVector::<f64, UNKNOWNS>::zeros();
    let (mut sum, mut squares, mut n) = (0.0, 0.0, 0.0);
    // How much of the inside and of the outside is seen on each side.
    let mut seen = [[0.0_f64; 2]; SIDES];
    for_pixels(plane, print, inwards, outwards, CORNER_BLURS * blur_px, |p| {
        let Some(edge) = &look.edges[p.side] else { return };
        if !edge.holds(p.distance) {
            return;
        }
        let z = (edge.at_px - p.distance) / edge.blur_px;
        let inside_share = normal_share(z);
        let inside = edge.light(p.distance) - edge.outside * (1.0 - inside_share);
        let moved = edge.when_moved(p.distance);
        let mut row = SVector::<f64, UNKNOWNS>::zeros();
        row[SHIFT_X] = moved * p.normal.x;
        row[SHIFT_Y] = moved * p.normal.y;
        row[GROWTH + p.side % 2] = moved;
        row[INSIDE + p.side % 2] = inside;
        let along = p.local[usize::from(p.side % 2 == 0)];
        row[SLOPES + p.side % 2] = inside * along / size;
        row[OUTSIDE + p.side] = 1.0 - inside_share;
        // blur[x f] = x blur[f] + σ² d blur[f]/dx, as for round features.
        let outwards = if p.side < 2 { 1.0 } else { -1.0 };
        let steepness = (edge.outside + edge.step) * normal_density(z) / edge.blur_px + edge.rise(edge.at_px - p.distance);
        row[ACROSS + p.side % 2] = (inside * p.local[p.side % 2] - outwards * edge.blur_px.powi(2) * steepness) / size;
        let light = f64::from(plane.light[p.index]);
        normal.ger(1.0, &row, &row, 1.0);
        right.axpy(light, &row, 1.0);
        sum += light;
        squares += light * light;
        n += 1.0;
        seen[p.side] = [seen[p.side][0] + inside_share, seen[p.side][1] + 1.0 - inside_share];
    });
    if n < UNKNOWNS as f64 + 6.0 {
        return None;
    }
    // Unknowns without light of their own (a side that is not seen) must not make the rest unsolvable.
    let trace = normal.trace().max(1e-12);
    for i in 0..UNKNOWNS {
        normal[(i, i)] += 1e-10 * trace;
    }
    // What is known before looking counts against what the light leaves over, not against what a better picture would.
    let left_of_light = (squares - right.dot(&(normal.cholesky()?.solve(&right)))).max(0.0);
    let noise = (left_of_light / (n - UNKNOWNS as f64)).sqrt().max(LEAST_NOISE_SHARE * look.step().abs());
    // Where one end alone is seen, its length is taken to differ from the look's as the width does, to within what sizes scatter.
    let [low, high] = print.outline.bounds();
    let tolerance_px = 0.5 * SIZE_SCATTER * (high[0] - low[0]).max(high[1] - low[1]);
    let tie = (noise / tolerance_px.max(0.1)).powi(2);
    for (a, b, sign) in [(0, 0, 1.0), (1, 1, 1.0), (0, 1, -1.0), (1, 0, -1.0)] {
        normal[(GROWTH + a, GROWTH + b)] += sign * tie;
    }
    // Ground of which next to nothing is seen is as the look has it, roughly.
    for (side, edge) in look.edges.iter().enumerate() {
        if let Some(edge) = edge.as_ref().filter(|e| e.step != 0.0) {
            let stay = (noise / (UNSEEN_GROUND_STEPS * edge.step)).powi(2);
            normal[(OUTSIDE + side, OUTSIDE + side)] += stay;
            right[OUTSIDE + side] += stay * edge.outside;
        }
    }
    // Along an axis neither end of which tells anything, the place stays where it was expected, to within a part of the size.
    for axis in (0..2).filter(|&axis| look.edges[axis].is_none() && look.edges[axis + 2].is_none()) {
        let along = print.axes.column(axis).into_owned();
        let stay = (noise / (NO_END_DOUBT * (high[axis] - low[axis])).max(0.1)).powi(2);
        for r in 0..2 {
            for c in 0..2 {
                normal[(SHIFT_X + r, SHIFT_X + c)] += stay * along[r] * along[c];
            }
        }
    }
    let inverse = normal.cholesky()?.inverse();
    let unknowns = inverse * right;
    let left = (squares - unknowns.dot(&right)).max(0.0);
    let variance = left / (n - UNKNOWNS as f64);
    let total = (squares - sum * sum / n).max(1e-300);
    let (mut along, mut all) = (SVector::<f64, UNKNOWNS>::zeros(), 0.0);
    for (side, edge) in look.edges.iter().enumerate() {
        if let Some(e) = edge {
            // A step is seen as well as the less seen of what it is between: a trace hides what is outside of a land's end.
            let [inside, outside] = seen[side];
            let weight = inside * outside / (inside + outside).max(1.0);
            along[INSIDE + side % 2] += weight * e.step * (e.outside + e.step);
            along[OUTSIDE + side] -= weight * e.step;
            all += weight * e.step * e.step;
        }
    }
    let along = along / all.max(1e-300);
    let covariance = inverse * variance;
    Some(Solved {
        gain: along.dot(&unknowns),
        gain_u: (along.transpose() * covariance * along)[(0, 0)].max(0.0).sqrt(),
        unknowns,
        covariance,
        explained: (1.0 - left / total).clamp(0.0, 1.0),
        left_over: variance.sqrt(),
    })
}

/// Where the four sides of one feature show their steps, px outside of the designed outline, looked for over a long way: along
/// strips through its middle. `None` for a side without a step of the look's sense and at least a third of its height, and for
/// shapes that are not one box.
#[must_use]
pub fn edges_of_one(plane: &Plane, print: &Print, look: &GroupLook) -> [Option<f64>; SIDES] {
    if !print.outline.is_box() {
        return [None; SIDES];
    }
    let blur_px = look.blur_px().min(3.0);
    std::array::from_fn(|side| {
        // A side that does not tell in the look has the sense of the others.
        let usual = look.edges[side].map_or(look.step(), |e| e.step);
        edge_along_strip(plane, print, side, usual, blur_px)
    })
}

fn edge_along_strip(plane: &Plane, print: &Print, side: usize, usual_step: f64, blur_px: f64) -> Option<f64> {
    const STRIP_SHARE: f64 = 0.35;
    const ACROSS: i32 = 4;
    let [low, high] = print.outline.bounds();
    let half = |axis: usize| 0.5 * (high[axis] - low[axis]);
    let axis = side % 2;
    let (out, across) = (print.axes.column(axis) * if side < 2 { 1.0 } else { -1.0 }, print.axes.column(1 - axis).into_owned());
    let strip = STRIP_SHARE * half(1 - axis);
    let light = |t: f64| {
        let (mut sum, mut n) = (0.0, 0.0);
        for k in -ACROSS..=ACROSS {
            let off = out * t + across * (f64::from(k) / f64::from(ACROSS) * strip);
            let (x, y) = ((print.at.x + off.x).round(), (print.at.y + off.y).round());
            if x >= 0.0 && y >= 0.0 && (x as usize) < plane.width && (y as usize) < plane.height {
                let i = y as usize * plane.width + x as usize;
                if plane.is_known(i) {
                    sum += f64::from(plane.light[i]);
                    n += 1.0;
                }
            }
        }
        (n > 0.0).then(|| sum / n)
    };
    let from = 0.2 * half(axis);
    let to = 1.35 * half(axis) + 3.0;
    let steps = ((to - from) / 0.5) as usize;
    let profile: Vec<Option<f64>> = (0..=steps).map(|i| light(from + 0.5 * i as f64)).collect();
    let reach = (2.0 * 2.0 * blur_px).ceil() as usize;
    let gap = blur_px.round() as usize;
    let mean = |range: std::ops::Range<usize>| {
        let values: Vec<f64> = profile[range].iter().copied().flatten().collect();
        (!values.is_empty()).then(|| values.iter().sum::<f64>() / values.len() as f64)
    };
    let best = (reach..profile.len().saturating_sub(reach))
        .filter_map(|i| {
            let (inside, outside) = (mean(i - reach..i - gap + 1)?, mean(i + gap..i + reach + 1)?);
            Some((from + 0.5 * i as f64 - half(axis), (inside - outside) / usual_step))
        })
        .max_by(|a, b| a.1.total_cmp(&b.1))?;
    (best.1 > 0.33).then_some(best.0)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::find::outline::Outline;
    use crate::find::outline_look::Search;
    use landfit_part::{Piece, PointMm};

    const BLUR: f64 = 1.1;
    const WIDE: [Search; SIDES] = [Search { about_px: 0.0, reach_px: 2.5 }; SIDES];

    /// Rectangles of 18 x 60 px, turned; the end on local -y melts into something half as bright.
    fn plane(prints: &[Print], heel: f64) -> Plane {
        let (width, height) = (260, 200);
        let share = |x: f64| normal_share(x / BLUR);
        let light = (0..width * height)
            .map(|i| {
                let (x, y) = ((i % width) as f64, (i / width) as f64);
                let sum: f64 = prints
                    .iter()
                    .map(|p| {
                        let l = p.axes.try_inverse().unwrap() * Vector2::new(x - p.at.x, y - p.at.y);
                        let across = share(l.x + 9.0) - share(l.x - 9.0);
                        let foot = share(l.y + 30.0) - share(l.y - 30.0);
                        let shank = share(l.y + 50.0) - share(l.y + 30.0);
                        0.5 * across * (foot * (1.0 + 0.004 * l.y) + heel * shank)
                    })
                    .sum();
                (0.1 + sum) as f32
            })
            .collect();
        Plane::of_light(width, height, light)
    }

    fn prints(turn: f64) -> Vec<Print> {
        let (sin, cos) = turn.sin_cos();
        let outline = Outline::of_pieces(&[Piece::rect(18.4, 60.6)], PointMm::ZERO);
        (0..5)
            .map(|i| {
                let t = f64::from(i);
                let at = PointPx::new(45.0 + 38.0 * t + 0.13 * t, 100.0 + 0.37 * t + 38.0 * t * turn);
                Print { at, axes: Matrix2::new(cos, -sin, sin, cos), outline: outline.clone() }
            })
            .collect()
    }

    fn moved(prints: &[Print], by: f64) -> Vec<Print> {
        prints.iter().map(|p| Print { at: PointPx::new(p.at.x + by, p.at.y - 0.7 * by), ..p.clone() }).collect()
    }

    #[test]
    fn rectangles_are_placed_to_a_hundredth_of_a_pixel_whatever_melts_into_one_end() {
        for (turn, heel) in [(0.0, 0.0), (0.07, 0.0), (0.07, 0.5)] {
            let truth = prints(turn);
            let plane = plane(&truth, heel);
            let start = moved(&truth, 0.8);
            let look = GroupLook::learn(&plane, start.iter(), None, &WIDE).expect("edges");
            let place = look.place(&truth[0].outline, [None; 2]);
            let placed: Vec<Print> = start
                .iter()
                .map(|p| {
                    let by = p.axes * Vector2::new(place.shift_px[0], place.shift_px[1]);
                    Print { at: PointPx::new(p.at.x + by.x, p.at.y + by.y), ..p.clone() }
                })
                .collect();
            let look = GroupLook::learn(&plane, placed.iter(), None, &WIDE).expect("edges");
            for (p, t) in placed.iter().zip(&truth) {
                let found = fit(&plane, p, &look, 8.0).expect("a rectangle");
                assert!(found.at.distance(t.at) < 0.02, "{:?} for {:?}, turn {turn}, heel {heel}", found.at, t.at);
                assert!((found.gain - 1.0).abs() < 0.02 && found.growth_px[0].abs() < 0.05, "{found:?}");
            }
        }
    }

    #[test]
    fn an_empty_place_has_no_gain() {
        let truth = prints(0.0);
        let plane = plane(&truth[..4], 0.0);
        let look = GroupLook::learn(&plane, truth[..4].iter(), None, &WIDE).expect("edges");
        let found = probe(&plane, &truth[4], &look).expect("inside");
        assert!(found.gain.abs() < 0.1, "{}", found.gain);
    }

    #[test]
    fn a_short_and_moved_feature_shows_where_its_sides_are() {
        let truth = prints(0.0);
        let plane = plane(&truth, 0.0);
        let look = GroupLook::learn(&plane, truth.iter(), None, &WIDE).expect("edges");
        let larger = Print { outline: truth[2].outline.scaled(1.2, 1.1), ..moved(&truth[2..3], 1.0)[0].clone() };
        let sides = edges_of_one(&plane, &larger, &look);
        let expected = [-1.84 - 0.2 - 1.0, -3.03 - 0.3 + 0.7, -1.84 - 0.2 + 1.0, -3.03 - 0.3 - 0.7];
        for (found, expected) in sides.iter().zip(expected) {
            assert!((found.expect("a side") - expected).abs() < 0.8, "{sides:?}");
        }
    }
}
