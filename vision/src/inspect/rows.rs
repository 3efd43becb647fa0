//! Parts whose terminals stand side by side in rows (leads, pads along the edges): which sites make which row, and the even rows of
//! spots of a picture that may be such a row.

use super::bars::{bars, smoothed};
use super::features::{self, Blob, Polarity};
use super::light::Plane;
use crate::nearby::Nearby;
use crate::view::PointPx;
use landfit_part::{Part, PointMm, Side, Site, wrap_angle_rad};
use nalgebra::Vector2;
use std::f64::consts::FRAC_PI_2;
use std::num::NonZero;

/// A row of a part's sites.
#[derive(Debug, Clone)]
pub(crate) struct Row {
    /// Indices into the part's sites with their places along the row, in steps from the first.
    pub sites: Vec<(usize, i32)>,
    /// Centre of the first, part frame, mm.
    pub first_mm: PointMm,
    /// From step to step.
    pub step_mm: PointMm,
    /// From the middle of a site to its outer end, away from the part's middle.
    pub outwards_mm: PointMm,
}

/// A side is one of rows when this share of its sites stands in them.
const LEAST_IN_ROWS: f64 = 0.8;
/// A row has so many sites at least.
const LEAST_OF_ROW: usize = 3;
/// A site so much longer than wide is a lead or a pad of a row.
const LEAST_LONG: f64 = 1.25;
/// Parts with more rows than this are grids.
const MOST_ROWS: usize = 4;

impl Row {
    /// Place of a step, part frame.
    pub fn at_mm(&self, step: f64) -> PointMm {
        self.first_mm + self.step_mm * step
    }

    /// The last site's step.
    pub fn last(&self) -> i32 {
        self.sites.last().map_or(0, |s| s.1)
    }

    /// Steps from one beyond the first site to one beyond the last at which there is none.
    pub fn empty_steps(&self) -> Vec<i32> {
        (-1..=self.last() + 1).filter(|k| self.sites.iter().all(|s| s.1 != *k)).collect()
    }
}

/// One site as it lies.
struct Bar {
    site: usize,
    at: PointMm,
    /// Along its longer way, unit.
    along: PointMm,
    half: [f64; 2],
}

/// The rows of one side, the longest first; `None` where most sites are no part of a row of long shapes, or where there is but one row.
pub(crate) fn rows_of(part: &Part, side: Side) -> Option<Vec<Row>> {
    rows_by(part, side, long_bar)
}

/// The same for parts whose sites are hardly longer than wide: their own frames tell which way is along them, as every drawing of
/// pads along an edge has it. A grid of such pads would fall apart into rows: only for what is none.
pub(crate) fn rows_of_short_sites(part: &Part, side: Side) -> Option<Vec<Row>> {
    rows_by(part, side, bar_as_drawn)
}

fn rows_by(part: &Part, side: Side, bar: impl Fn(usize, &Site, Side) -> Option<Bar>) -> Option<Vec<Row>> {
    let sites: Vec<(usize, &Site)> = part.sites.iter().enumerate().filter(|(_, s)| !s.pieces(side).is_empty()).collect();
    let bars: Vec<Bar> = sites.iter().filter_map(|(i, s)| bar(*i, s, side)).collect();
    let n = sites.len().max(1) as f64;
    let middle = sites.iter().fold(PointMm::ZERO, |sum, (_, s)| sum + s.centre_mm(side) * (1.0 / n));
    let mut groups: Vec<Vec<&Bar>> = Vec::new();
    for bar in &bars {
        let joins = |g: &&mut Vec<&Bar>| {
            let first = g[0];
            let turn = wrap_angle_rad(2.0 * (first.along.y.atan2(first.along.x) - bar.along.y.atan2(bar.along.x))) / 2.0;
            let off = bar.at - first.at;
            let alike = |k: usize| (bar.half[k] / first.half[k] - 1.0).abs() < 0.15;
            turn.abs() < 0.06 && alike(0) && alike(1) && (off.x * first.along.x + off.y * first.along.y).abs() < 0.2 * first.half[1]
        };
        match groups.iter_mut().find(joins) {
            Some(group) => group.push(bar),
            None => groups.push(vec![bar]),
        }
    }
    let mut rows: Vec<Row> = groups.into_iter().filter_map(|g| row(g, middle)).collect();
    rows.sort_by_key(|r| std::cmp::Reverse(r.sites.len()));
    let in_rows: usize = rows.iter().map(|r| r.sites.len()).sum();
    ((2..=MOST_ROWS).contains(&rows.len()) && in_rows as f64 >= LEAST_IN_ROWS * n).then_some(rows)
}

fn long_bar(index: usize, site: &Site, side: Side) -> Option<Bar> {
    let [piece] = site.pieces(side) else { return None };
    let [w, l] = piece.shape.extent_mm();
    let quarter = if w > l { FRAC_PI_2 } else { 0.0 };
    let (short, long) = (w.min(l), w.max(l));
    let along = PointMm::new(0.0, 1.0).rotated(site.angle_rad - quarter);
    (long >= LEAST_LONG * short).then(|| Bar { site: index, at: site.centre_mm(side), along, half: [short / 2.0, long / 2.0] })
}

fn bar_as_drawn(index: usize, site: &Site, side: Side) -> Option<Bar> {
    let [piece] = site.pieces(side) else { return None };
    let [width, length] = piece.shape.extent_mm();
    let along = PointMm::new(0.0, 1.0).rotated(site.angle_rad);
    Some(Bar { site: index, at: site.centre_mm(side), along, half: [width / 2.0, length / 2.0] })
}

fn row(mut bars: Vec<&Bar>, middle: PointMm) -> Option<Row> {
    if bars.len() < LEAST_OF_ROW {
        return None;
    }
    let (along, half) = (bars[0].along, bars[0].half);
    let way = PointMm::new(along.y, -along.x);
    let place = |b: &Bar| b.at.x * way.x + b.at.y * way.y;
    bars.sort_by(|a, b| place(a).total_cmp(&place(b)));
    let gaps = bars.windows(2).map(|w| place(w[1]) - place(w[0]));
    let pitch = gaps.fold(f64::INFINITY, f64::min);
    let from = place(bars[0]);
    let steps: Vec<f64> = bars.iter().map(|b| (place(b) - from) / pitch).collect();
    if pitch <= 2.0 * half[0] || steps.iter().any(|s| (s - s.round()).abs() > 0.05) {
        return None;
    }
    let sites: Vec<(usize, i32)> = bars.iter().zip(&steps).map(|(b, s)| (b.site, s.round() as i32)).collect();
    let n = bars.len() as f64;
    let mean = bars.iter().fold(PointMm::ZERO, |sum, b| sum + b.at * (1.0 / n));
    let outwards = if (mean.x - middle.x) * along.x + (mean.y - middle.y) * along.y < 0.0 { along * -1.0 } else { along };
    Some(Row { sites, first_mm: bars[0].at, step_mm: way * pitch, outwards_mm: outwards * half[1] })
}

/// An even row of spots of a picture.
#[derive(Debug, Clone)]
pub(crate) struct Chain {
    /// Place of step 0.
    pub first: PointPx,
    /// From step to step, px.
    pub step: Vector2<f64>,
    /// Steps from the first to the last spot.
    pub last: i32,
    pub polarity: Polarity,
    members: Vec<(i32, usize)>,
}

/// A spot lies on its step when it is off by no more than this share of a step.
const ON_STEP: f64 = 0.25;
/// Sizes within a row differ by no more than this factor.
const SAME_SIZE: f64 = 1.7;
/// A row may miss so many spots in succession.
const MOST_MISSED: i32 = 2;
/// Spots of one sense that are looked at, strongest first.
const MOST_SPOTS: usize = 6_000;
/// Rows that are kept, longest first.
const MOST_CHAINS: usize = 160;

impl Chain {
    pub fn at(&self, step: f64) -> PointPx {
        PointPx::new(self.first.x + step * self.step.x, self.first.y + step * self.step.y)
    }
}

/// What stands out by so much of the stretched plane is taken for bars, one after the other: few bars are beyond its span, and
/// there the first passes over what the second takes for bars of noise.
const BARS_STAND_OUT: [f64; 2] = [0.35, 0.1];

/// Even rows of at least `least` spots, by one way of seeing after the other: clear bars, fainter ones, then blobs.
pub(crate) fn chains(plane: &Plane, least: usize) -> impl Iterator<Item = Vec<Chain>> {
    let smooth = smoothed(plane);
    let of_bars = BARS_STAND_OUT.into_iter().map(move |contrast| longest(|p| chains_of(&bars(&smooth, p, contrast), p, least)));
    let of_blobs = std::iter::once_with(move || {
        let blobs = features::blobs_of(plane, features::LONG);
        longest(|polarity| {
            let spots: Vec<Blob> = blobs.iter().filter(|b| b.polarity == polarity && b.at_its_scale).take(MOST_SPOTS).copied().collect();
            chains_of(&spots, polarity, least)
        })
    });
    of_bars.chain(of_blobs)
}

/// The longest chains of both senses.
fn longest(of: impl Fn(Polarity) -> Vec<Chain>) -> Vec<Chain> {
    let mut found: Vec<Chain> = [Polarity::Bright, Polarity::Dark].into_iter().flat_map(of).collect();
    found.sort_by(|a, b| b.members.len().cmp(&a.members.len()).then(a.first.y.total_cmp(&b.first.y)).then(a.first.x.total_cmp(&b.first.x)));
    found.truncate(MOST_CHAINS);
    found
}

fn chains_of(spots: &[Blob], polarity: Polarity, least: usize) -> Vec<Chain> {
    const NEIGHBOURS: NonZero<usize> = NonZero::new(9).unwrap();
    let places: Vec<PointMm> = spots.iter().map(|s| PointMm::new(s.at.x, s.at.y)).collect();
    let near = Nearby::new(&places);
    // Pairs that a row was grown through already.
    let mut grown: std::collections::BTreeSet<(usize, usize)> = std::collections::BTreeSet::new();
    let mut found: Vec<Chain> = Vec::new();
    for (i, spot) in spots.iter().enumerate() {
        for (distance, j) in near.several(places[i], NEIGHBOURS) {
            let ratio = spots[j].diameter_px / spot.diameter_px;
            if distance < 1e-9
                || distance < 0.6 * spot.diameter_px
                || !(1.0 / SAME_SIZE..SAME_SIZE).contains(&ratio)
                || grown.contains(&(i, j))
            {
                continue;
            }
            let members = grow(spots, &places, &near, i, j);
            for pair in members.windows(2) {
                grown.extend([(pair[0].1, pair[1].1), (pair[1].1, pair[0].1)]);
            }
            if members.len() >= least
                && let Some(chain) = fitted(spots, members, polarity)
            {
                found.push(chain);
            }
        }
    }
    // Of rows that share most of their spots the longest is kept: the others step over some.
    found.sort_by_key(|c| std::cmp::Reverse(c.members.len()));
    let mut kept: Vec<Chain> = Vec::new();
    for chain in found {
        let of: std::collections::BTreeSet<usize> = chain.members.iter().map(|m| m.1).collect();
        let is_part = |k: &Chain| 2 * k.members.iter().filter(|m| of.contains(&m.1)).count() > of.len();
        if kept.len() < MOST_CHAINS && !kept.iter().any(is_part) {
            kept.push(chain);
        }
    }
    kept
}

/// Goes on from two spots, both ways, in even steps.
fn grow(spots: &[Blob], places: &[PointMm], near: &Nearby, i: usize, j: usize) -> Vec<(i32, usize)> {
    let size = spots[i].diameter_px;
    let mut members: Vec<(i32, usize)> = vec![(0, i), (1, j)];
    for way in [1, -1] {
        let mut missed = 0;
        loop {
            let (low, high) = (members[0], members[members.len() - 1]);
            // The step by the ends so far, so that it grows surer with every spot.
            let step = (places[high.1] - places[low.1]) * (1.0 / f64::from(high.0 - low.0));
            let end = if way > 0 { high } else { low };
            let next = end.0 + way * (1 + missed);
            let expected = places[end.1] + step * f64::from(way * (1 + missed));
            let there = near.several(expected, NonZero::<usize>::MIN.saturating_add(3)).into_iter().find(|(off, k)| {
                let ratio = spots[*k].diameter_px / size;
                *off < ON_STEP * step.norm() && (1.0 / SAME_SIZE..SAME_SIZE).contains(&ratio)
            });
            match there {
                Some((_, k)) if members.iter().all(|m| m.1 != k) => {
                    if way > 0 {
                        members.push((next, k))
                    } else {
                        members.insert(0, (next, k))
                    }
                    missed = 0;
                }
                _ if missed < MOST_MISSED && members.len() > 3 => missed += 1,
                _ => break,
            }
        }
    }
    members
}

fn fitted(spots: &[Blob], members: Vec<(i32, usize)>, polarity: Polarity) -> Option<Chain> {
    let n = members.len() as f64;
    let mean_k = members.iter().map(|m| f64::from(m.0)).sum::<f64>() / n;
    let spread: f64 = members.iter().map(|m| (f64::from(m.0) - mean_k).powi(2)).sum();
    let mean = |get: &dyn Fn(&Blob) -> f64| members.iter().map(|m| get(&spots[m.1])).sum::<f64>() / n;
    let slope = |get: &dyn Fn(&Blob) -> f64| members.iter().map(|m| (f64::from(m.0) - mean_k) * get(&spots[m.1])).sum::<f64>() / spread;
    let (x, y) = (|b: &Blob| b.at.x, |b: &Blob| b.at.y);
    let step = Vector2::new(slope(&x), slope(&y));
    let from = f64::from(members.first()?.0) - mean_k;
    let first = PointPx::new(mean(&x) + from * step.x, mean(&y) + from * step.y);
    let (low, high) = (members.first()?.0, members.last()?.0);
    // A row of spots is even: texture and letters are not.
    let off = members.iter().map(|&(k, i)| {
        let at = PointPx::new(first.x + f64::from(k - low) * step.x, first.y + f64::from(k - low) * step.y);
        at.distance(spots[i].at).powi(2)
    });
    let rms = (off.sum::<f64>() / n).sqrt();
    let is_full = members.len() as f64 >= 0.7 * f64::from(high - low + 1);
    (is_full && rms < 0.12 * step.norm()).then(|| Chain { first, step, last: high - low, polarity, members })
}

#[cfg(test)]
mod tests {
    use super::*;
    use landfit_part::generate::leads::{FilletGoals, LandDrawing, Numbering, SidesDrawing, sides};

    fn quad(per_side: [u32; 4]) -> Part {
        sides(&SidesDrawing {
            name: "quad".into(),
            per_side,
            pitch_mm: 0.5,
            span_mm: [9.0, 9.0],
            terminal_mm: [0.22, 0.6],
            land: LandDrawing::Goals(FilletGoals::gull_wing(0.5)),
            body_mm: [7.0, 7.0],
            exposed: None,
            numbering: Numbering::Around,
            marks: vec![],
            accept_miss_mm: None,
        })
        .expect("a part")
    }

    #[test]
    fn a_quad_package_has_four_rows_that_reach_outwards() {
        let rows = rows_of(&quad([12, 8, 12, 8]), Side::Part).expect("rows");
        assert_eq!(rows.iter().map(|r| r.sites.len()).collect::<Vec<_>>(), [12, 12, 8, 8]);
        for row in &rows {
            assert!((row.step_mm.norm() - 0.5).abs() < 1e-9 && (row.outwards_mm.norm() - 0.3).abs() < 1e-9);
            let middle = row.at_mm(f64::from(row.last()) / 2.0);
            assert!(middle.x * row.outwards_mm.x + middle.y * row.outwards_mm.y > 0.0);
            assert_eq!(row.empty_steps(), [-1, row.last() + 1]);
        }
    }

    #[test]
    fn an_even_row_is_grown_over_a_gap_and_stops_where_it_ends() {
        let spot = |x: f64, y: f64| Blob {
            at: PointPx::new(x, y),
            diameter_px: 5.0,
            strength: 0.2,
            polarity: Polarity::Bright,
            at_its_scale: true,
        };
        let mut blobs: Vec<Blob> =
            (0..12).filter(|k| *k != 5).map(|k| spot(20.0 + 9.1 * f64::from(k), 40.0 + 0.3 * f64::from(k))).collect();
        blobs.push(spot(60.0, 75.0));
        blobs.push(spot(151.0, 43.0));
        let found = chains_of(&blobs, Polarity::Bright, 6);
        assert_eq!(found.len(), 1);
        assert_eq!(found[0].last, 11);
        assert!((found[0].step - Vector2::new(9.1, 0.3)).norm() < 1e-6);
    }
}
