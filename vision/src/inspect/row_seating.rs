//! Lays the rows of a part over even rows of spots of a picture, measures every site across its row, and says what stands there.
//!
//! Places along a row are measured; how far out a row stands is told by the outer ends of its leads or pads alone, and by the rows
//! across it where there are some. The two axes have scales of their own: scanners do.

use super::features::Polarity;
use super::light::Light;
use super::row_map::{Map, Seen};
use super::rows::{Chain, Row};
use crate::answer::{SiteState, SuspectKind};
use crate::median::upper_median;
use crate::view::PointPx;
use landfit_part::PointMm;
use nalgebra::{Matrix2, Vector2};

/// The rows as they lie in the picture.
#[derive(Debug, Clone)]
pub(crate) struct SeatedRows {
    pub map: Map,
    /// Maps that put sites on the very same places; `map` among them.
    pub alike: Vec<Map>,
    /// These, and maps that put sites on other places of the same leads: the picture does not tell them apart.
    pub not_told_apart: Vec<Map>,
    pub count: Count,
    /// The best map that puts them elsewhere.
    pub rival: Option<Count>,
    pub polarity: Polarity,
}

/// What a map explains.
#[derive(Debug, Clone, Copy, Default)]
pub(crate) struct Count {
    /// Sites in view that are there, and that are not.
    pub seen: usize,
    pub missing: usize,
    /// Spots where the rows have a gap or have come to their end.
    pub extras: usize,
    /// Ends of rows that look like sites, but what is beyond them looks like them.
    open_ends: usize,
    /// Sum of the contrasts of what is there.
    contrast: f64,
}

/// A site of a row as it was measured.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Measured {
    pub site: usize,
    pub state: SiteState,
    pub centre: Option<PointPx>,
    pub width_px: f64,
}

/// Other spots may lie on the line of a row, so many of them in all.
const MOST_TOO_MANY: i32 = 6;
/// A site is there from this share of the usual contrast of its row on; beside the row so much more is asked.
const THERE: f64 = 0.35;
/// An outermost site stands out from what is beyond it by this share at least: the dark beyond the last lead, taken for a site of a
/// row of gaps, goes on there.
const THERE_AT_END: f64 = 0.5;
const THERE_BESIDE: f64 = 0.5;
/// A row with less contrast than this, in brightness of the stretched plane, is none.
const LEAST_CONTRAST: f64 = 0.03;
/// Maps that are refined.
const MOST_REFINED: usize = 48;
/// How often a step along a row may take the best one's place.
const MOST_CHANGES_OF_MIND: usize = 4;
const ROUNDS: usize = 4;
/// Standard uncertainty of a place along its row, px, and of an outer end, as a share of the site's length: where a foot ends and a
/// fillet begins is known no better. Tuned by hand.
const ALONG_U_PX: f64 = 0.15;
const END_U_SHARE: f64 = 0.15;
/// Narrower or wider than the row's median by this factor is suspect: glare makes the widths of leads scatter by a quarter. Tuned by hand.
const SMALL: f64 = 0.55;
const LARGE: f64 = 1.7;
/// The level between two sites, 0 as between the others and 1 as on the sites, beyond which metal joins them.
const BRIDGED: f64 = 0.6;

impl Count {
    /// Places that the map does not explain.
    pub const fn unexplained(&self) -> usize {
        self.missing + self.extras
    }

    /// Whether these may be rows at all: the gaps of a row of one site fewer are as even, but at both ends nothing closes them.
    const fn are_rows(&self, rows: usize) -> bool {
        self.seen > self.missing && self.open_ends <= rows
    }

    fn score(&self) -> f64 {
        self.seen as f64 - self.unexplained() as f64
    }
}

/// The best map of rows over chains, and what rivals it; `None` where no two chains lie as two rows do.
pub(crate) fn seat(light: &Light, rows: &[Row], chains: &[Chain]) -> Option<SeatedRows> {
    let (a, others) = rows.split_first()?;
    let mut tried: Vec<(Map, Polarity, Count)> = Vec::new();
    // Of four rows one may be too faint to be found by itself; the two that tell are then any two.
    for b in others {
        for first in chains {
            for second in chains.iter().filter(|c| c.polarity == first.polarity && !std::ptr::eq(*c, first)) {
                for one in alignments(a, first) {
                    for two in alignments(b, second) {
                        let Some(map) = coarse_map((a, first, one), (b, second, two)) else { continue };
                        let count = count(light, rows, &map, first.polarity);
                        if count.are_rows(rows.len()) {
                            tried.push((map, first.polarity, count));
                        }
                    }
                }
            }
        }
    }
    let best_first = |a: &(Map, Polarity, Count), b: &(Map, Polarity, Count)| {
        b.2.score().total_cmp(&a.2.score()).then(b.2.contrast.total_cmp(&a.2.contrast))
    };
    tried.sort_by(best_first);
    tried.truncate(MOST_REFINED);
    for entry in &mut tried {
        for _ in 0..ROUNDS {
            let Some(better) = refined(light, rows, &entry.0, entry.1) else { break };
            entry.0 = better;
        }
        entry.2 = count(light, rows, &entry.0, entry.1);
    }
    tried.retain(|(.., count)| count.are_rows(rows.len()));
    tried.sort_by(best_first);
    let (mut map, polarity, mut best) = *tried.first()?;
    // The rows that were found first may have been a spot too long or too short: a step along any row that explains more takes the place.
    for _ in 0..MOST_CHANGES_OF_MIND {
        let steps = rows.iter().flat_map(|row| [-1.0, 1.0].map(|step| map.moved(row.step_mm * step)));
        let better = steps
            .filter_map(|m| (0..ROUNDS).try_fold(m, |m, _| refined(light, rows, &m, polarity)))
            .map(|m| (m, count(light, rows, &m, polarity)))
            .filter(|(_, c)| c.are_rows(rows.len()) && c.score() > best.score())
            .max_by(|a, b| a.1.score().total_cmp(&b.1.score()));
        let Some(better) = better else { break };
        (map, best) = better;
    }
    let turned: Vec<Map> = turns_and_mirrors(rows).into_iter().map(|motion| map.after(&motion)).collect();
    let alike = turned.iter().copied().filter(|m| lies_upon(rows, m, &map, SAME_PLACE)).collect();
    let not_told_apart = turned.into_iter().filter(|m| lies_upon(rows, m, &map, SAME_LEAD)).collect();
    let mut rival: Option<Count> = None;
    let mut consider = |c: Count| {
        if rival.is_none_or(|r| c.unexplained() < r.unexplained()) {
            rival = Some(c);
        }
    };
    tried.iter().filter(|(other, ..)| !lies_upon(rows, other, &map, SAME_LEAD)).for_each(|(.., c)| consider(*c));
    // A step along any row is always asked.
    for row in rows {
        for step in [-2.0, -1.0, 1.0, 2.0] {
            consider(count(light, rows, &map.moved(row.step_mm * step), polarity));
        }
    }
    Some(SeatedRows { map, alike, not_told_apart, count: best, rival, polarity })
}

/// Ways in which a row may lie on a chain: the chain's step of the row's step 0, and whether it goes on forwards.
fn alignments(row: &Row, chain: &Chain) -> Vec<(i32, i32)> {
    let (n, c) = (row.last() + 1, chain.last + 1);
    if f64::from(c) < 0.7 * f64::from(n) || c > n + MOST_TOO_MANY {
        return Vec::new();
    }
    let (from, to) = ((c - n).min(0), (c - n).max(0));
    (from..=to).flat_map(|k| [(k, 1), (k + n - 1, -1)]).collect()
}

type Laid<'a> = (&'a Row, &'a Chain, (i32, i32));

fn coarse_map(first: Laid, second: Laid) -> Option<Map> {
    let mut seen = Vec::with_capacity(8);
    for (row, chain, (from, way)) in [first, second] {
        for step in [0, row.last()] {
            let q = chain.at(f64::from(from + way * step));
            let of = row.at_mm(f64::from(step));
            seen.extend([Vector2::x(), Vector2::y()].map(|along| Seen { of, along, at: q, u_px: 1.0 }));
        }
    }
    let map = Map::fit(&seen).filter(Map::is_plausible)?;
    // The spots may lie at either end of a lead, but no further off.
    let fits = |(row, chain, (from, way)): &Laid| {
        let reach = 1.5 * map.vector(row.first_mm, row.outwards_mm).norm() + 2.0;
        [0, row.last()].into_iter().all(|step| {
            let off = map.px(row.at_mm(f64::from(step))).distance(chain.at(f64::from(from + way * step)));
            off < reach
        }) && (map.vector(row.first_mm, row.step_mm).norm() / chain.step.norm() - 1.0).abs() < 0.04
    };
    (fits(&first) && fits(&second)).then_some(map)
}

/// Light at a place of a row, averaged along the site's length between two shares of its half.
fn bar_light(light: &Light, row: &Row, map: &Map, step: f64, [from, to]: [f64; 2]) -> Option<f64> {
    const SAMPLES: usize = 7;
    let middle = map.px(row.at_mm(step));
    let out = map.vector(row.at_mm(step), row.outwards_mm);
    let mut sum = 0.0;
    for i in 0..SAMPLES {
        let t = from + (to - from) * i as f64 / (SAMPLES - 1) as f64;
        let (x, y) = (middle.x + t * out.x, middle.y + t * out.y);
        if !light.plane.holds(x, y) {
            return None;
        }
        sum += f64::from(light.plane.at(x, y));
    }
    Some(sum / SAMPLES as f64)
}

/// The part of a site's length that is asked for its contrast, as shares of its half.
const BODY: [f64; 2] = [-0.6, 0.8];

/// How much brighter (or darker) a place is than midway to both neighbours.
fn contrast(light: &Light, row: &Row, map: &Map, polarity: Polarity, step: f64, part: [f64; 2]) -> Option<f64> {
    let sign = polarity.sign();
    let at = |s: f64| bar_light(light, row, map, s, part);
    Some(sign * (at(step)? - 0.5 * (at(step - 0.5)? + at(step + 0.5)?)))
}

/// How much brighter (or darker) an outermost site is than the place half a step beyond it; `None` for the others.
fn beyond(light: &Light, row: &Row, map: &Map, polarity: Polarity, step: i32) -> Option<f64> {
    let way = match step {
        0 => -1.0,
        _ if step == row.last() => 1.0,
        _ => return None,
    };
    let at = |s: f64| bar_light(light, row, map, s, BODY);
    Some(polarity.sign() * (at(f64::from(step))? - at(f64::from(step) + 0.5 * way)?))
}

fn count(light: &Light, rows: &[Row], map: &Map, polarity: Polarity) -> Count {
    let mut total = Count::default();
    for row in rows {
        let at = |step: i32| contrast(light, row, map, polarity, f64::from(step), BODY);
        let seen: Vec<(i32, f64)> = row.sites.iter().filter_map(|s| Some((s.1, at(s.1)?))).collect();
        let Some(usual) = upper_median(seen.iter().map(|s| s.1)) else { continue };
        if usual < LEAST_CONTRAST {
            total.missing += seen.len();
            continue;
        }
        let looks_there: Vec<i32> = seen.iter().filter(|(_, c)| *c > THERE * usual).map(|s| s.0).collect();
        let is_open = |step: &&i32| beyond(light, row, map, polarity, **step).is_some_and(|c| c < THERE_AT_END * usual);
        let open = looks_there.iter().filter(is_open).count();
        let there = looks_there.len() - open;
        total.seen += there;
        total.missing += seen.len() - there;
        total.open_ends += open;
        total.contrast += usual * there as f64;
        total.extras += row.empty_steps().into_iter().filter_map(at).filter(|c| *c > THERE_BESIDE * usual).count();
    }
    total
}

/// The map again, from places along the rows and from the outer ends.
fn refined(light: &Light, rows: &[Row], map: &Map, polarity: Polarity) -> Option<Map> {
    let mut seen = Vec::new();
    for row in rows {
        for (_, step) in &row.sites {
            let of = row.at_mm(f64::from(*step));
            if let Some(across) = across(light, row, map, polarity, *step) {
                seen.push(Seen { of, along: map.vector(of, row.step_mm).normalize(), at: across.at, u_px: ALONG_U_PX });
            }
        }
        if let Some(end) = outer_end(light, row, map, polarity) {
            for step in [0.0, f64::from(row.last())] {
                let out = map.vector(row.at_mm(step), row.outwards_mm);
                let middle = map.px(row.at_mm(step));
                let at = PointPx::new(middle.x + end * out.x, middle.y + end * out.y);
                let u_px = (END_U_SHARE * 2.0 * out.norm()).max(0.5);
                seen.push(Seen { of: row.at_mm(step) + row.outwards_mm, along: out.normalize(), at, u_px });
            }
        }
    }
    map.refined(&seen).filter(Map::is_plausible)
}

/// Where a site lies across, and how wide it is.
struct Across {
    at: PointPx,
    width_px: f64,
}

/// The middle between the two places at half height on both sides of a site, along its row.
fn across(light: &Light, row: &Row, map: &Map, polarity: Polarity, step: i32) -> Option<Across> {
    const HALF: usize = 24;
    let sign = polarity.sign();
    let place = |i: usize| (i as f64 - HALF as f64) / (2.0 * HALF as f64);
    let light_at = |i: usize| bar_light(light, row, map, f64::from(step) + place(i), BODY).map(|v| sign * v);
    let profile: Vec<f64> = (0..=2 * HALF).map(light_at).collect::<Option<_>>()?;
    let top = (HALF / 2..=HALF + HALF / 2).max_by(|a, b| profile[*a].total_cmp(&profile[*b]))?;
    let least = |range: std::ops::RangeInclusive<usize>| range.map(|i| profile[i]).fold(f64::INFINITY, f64::min);
    let half = |low: f64| 0.5 * (profile[top] + low);
    let (left_level, right_level) = (half(least(0..=top)), half(least(top..=2 * HALF)));
    let cross = |i: usize, j: usize, level: f64| {
        let (a, b) = (profile[i], profile[j]);
        place(i) + (place(j) - place(i)) * ((a - level) / (a - b)).clamp(0.0, 1.0)
    };
    let left = (1..=top).rev().find(|i| profile[i - 1] < left_level).map(|i| cross(i, i - 1, left_level))?;
    let right = (top..2 * HALF).find(|i| profile[i + 1] < right_level).map(|i| cross(i, i + 1, right_level))?;
    let middle = map.px(row.at_mm(f64::from(step)));
    let way = map.vector(row.at_mm(f64::from(step)), row.step_mm);
    let mid = 0.5 * (left + right);
    Some(Across { at: PointPx::new(middle.x + mid * way.x, middle.y + mid * way.y), width_px: (right - left) * way.norm() })
}

/// Where the sites of a row end outside, from their middle in halves of their length; `None` where nothing ends (a trace goes on).
fn outer_end(light: &Light, row: &Row, map: &Map, polarity: Polarity) -> Option<f64> {
    const STEPS: usize = 80;
    const REACH: f64 = SAME_LEAD.halves;
    let place = |i: usize| REACH * (i as f64 / STEPS as f64 * 2.0 - 1.0);
    let usual = |i: usize| {
        let t = place(i);
        upper_median(row.sites.iter().filter_map(|s| contrast(light, row, map, polarity, f64::from(s.1), [t - 0.05, t + 0.05])))
    };
    let profile: Vec<f64> = (0..=STEPS).map(|i| usual(i).unwrap_or(0.0)).collect();
    let top = (STEPS / 5..=STEPS * 4 / 5).map(|i| profile[i]).fold(0.0, f64::max);
    let level = 0.5 * top;
    if top < LEAST_CONTRAST || profile[STEPS] > level {
        return None;
    }
    let i = (1..=STEPS).rev().find(|i| profile[i - 1] >= level && profile[*i] < level)?;
    let (a, b) = (profile[i - 1], profile[i]);
    Some(place(i - 1) + (place(i) - place(i - 1)) * ((a - level) / (a - b)).clamp(0.0, 1.0))
}

/// How far out of a row a place may lie and still be one of its sites'.
#[derive(Debug, Clone, Copy)]
struct Reach {
    /// In halves of the sites' length.
    halves: f64,
    /// As a share of the way from row to row, where that is more.
    of_way: f64,
}

/// The very place.
const SAME_PLACE: Reach = Reach { halves: 0.5, of_way: 0.0 };
/// Foot and shoulder of a lead are no further from each other.
const SAME_LEAD: Reach = Reach { halves: 4.0, of_way: 0.12 };

/// Whether each row of one map falls on a row of another, site on site, no further out than `reach`.
fn lies_upon(rows: &[Row], one: &Map, other: &Map, reach: Reach) -> bool {
    let way_mm = rows.iter().flat_map(|r| rows.iter().map(|q| q.first_mm.distance(r.first_mm))).fold(0.0, f64::max);
    let dot = |a: PointMm, b: PointMm| a.x * b.x + a.y * b.y;
    let unit = |v: PointMm| v * (1.0 / v.norm());
    let is_site_of = |row: &Row, at: PointMm| {
        let off = at - row.first_mm;
        let along = dot(off, unit(row.step_mm)) / row.step_mm.norm();
        let out = dot(off, unit(row.outwards_mm));
        (along - along.round()).abs() < 0.3
            && out.abs() < (reach.halves * row.outwards_mm.norm()).max(reach.of_way * way_mm)
            && row.sites.iter().any(|s| s.1 == along.round() as i32)
    };
    rows.iter().all(|row| {
        let places = row.sites.iter().map(|s| other.mm(one.px(row.at_mm(f64::from(s.1)))));
        rows.iter().any(|upon| places.clone().all(|at| at.is_some_and(|at| is_site_of(upon, at))))
    })
}

/// Every quarter turn and mirror about the middle of the rows, the identity first: linear part and shift, part frame.
fn turns_and_mirrors(rows: &[Row]) -> Vec<Map> {
    let places: Vec<PointMm> = rows.iter().flat_map(|r| r.sites.iter().map(|s| r.at_mm(f64::from(s.1)))).collect();
    let bound = |get: fn(&PointMm) -> f64| {
        let (lo, hi) = places.iter().map(get).fold((f64::INFINITY, f64::NEG_INFINITY), |(lo, hi), v| (lo.min(v), hi.max(v)));
        0.5 * (lo + hi)
    };
    let middle = Vector2::new(bound(|p| p.x), bound(|p| p.y));
    let turn = Matrix2::new(0.0, -1.0, 1.0, 0.0);
    let mirror = Matrix2::new(-1.0, 0.0, 0.0, 1.0);
    let mut motions = Vec::new();
    let mut turned = Matrix2::identity();
    for _ in 0..4 {
        motions.extend([turned, turned * mirror]);
        turned = turn * turned;
    }
    motions.into_iter().map(|m| Map::affine(m, middle - m * middle)).collect()
}

/// Measures and judges every site in view; also the root of the mean squared distance of sites from the map along their rows, px.
pub(crate) fn judge(light: &Light, rows: &[Row], map: &Map, polarity: Polarity) -> (Vec<Measured>, f64) {
    let mut found: Vec<Measured> = Vec::new();
    let (mut squares, mut n) = (0.0, 0.0);
    for row in rows {
        let at = |step: i32| contrast(light, row, map, polarity, f64::from(step), BODY);
        let usual = upper_median(row.sites.iter().filter_map(|s| at(s.1))).unwrap_or(0.0);
        let wide = |s: &(usize, i32)| across(light, row, map, polarity, s.1).map(|a| a.width_px);
        let usual_width = upper_median(row.sites.iter().filter_map(wide)).unwrap_or(f64::NAN);
        let joined = joined_steps(light, row, map, polarity);
        for (site, step) in &row.sites {
            let Some(here) = at(*step) else { continue };
            let seen = across(light, row, map, polarity, *step);
            let is_there = usual >= LEAST_CONTRAST && here > THERE * usual;
            let width_px = seen.as_ref().map_or(usual_width, |s| s.width_px);
            let state = match width_px / usual_width {
                _ if joined.contains(step) => SiteState::Suspect(SuspectKind::Bridge),
                _ if !is_there => SiteState::Absent,
                ratio if ratio < SMALL => SiteState::Suspect(SuspectKind::Small),
                ratio if ratio > LARGE => SiteState::Suspect(SuspectKind::Large),
                _ => SiteState::Good,
            };
            let centre = seen.map(|s| s.at).filter(|_| is_there);
            if let Some(c) = centre {
                squares += c.distance(map.px(row.at_mm(f64::from(*step)))).powi(2);
                n += 1.0;
            }
            found.push(Measured { site: *site, state, centre, width_px });
        }
    }
    found.sort_by_key(|m| m.site);
    (found, (squares / f64::max(n, 1.0)).sqrt())
}

/// Steps that are joined to the one before or after.
fn joined_steps(light: &Light, row: &Row, map: &Map, polarity: Polarity) -> Vec<i32> {
    let sign = polarity.sign();
    let at = |s: f64| bar_light(light, row, map, s, BODY).map(|v| sign * v);
    let pairs: Vec<(i32, f64, f64)> = row
        .sites
        .windows(2)
        .filter(|w| w[1].1 == w[0].1 + 1)
        .filter_map(|w| {
            let k = f64::from(w[0].1);
            Some((w[0].1, at(k + 0.5)?, 0.5 * (at(k)? + at(k + 1.0)?)))
        })
        .collect();
    let (Some(between), Some(on)) = (upper_median(pairs.iter().map(|p| p.1)), upper_median(pairs.iter().map(|p| p.2))) else {
        return Vec::new();
    };
    let is_joined = |p: &&(i32, f64, f64)| {
        on - between > LEAST_CONTRAST && (p.1 - between) > BRIDGED * (on - between) && p.2 > between + THERE * (on - between)
    };
    pairs.iter().filter(is_joined).flat_map(|p| [p.0, p.0 + 1]).collect()
}
