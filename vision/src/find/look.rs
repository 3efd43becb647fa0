//! What a feature of this picture looks like: its light against the distance from its centre, learned from the picture.

use super::candidates::Candidate;
use super::centre::LEAST_RADIUS_FOR_ALL_UNKNOWNS_PX;
use crate::plane::{Plane, Reduced};
use crate::view::PointPx;
use landfit_part::Side;

/// Rings of a coarse profile.
pub const COARSE_RINGS: usize = 7;
/// How far a coarse profile reaches, as a share of the designed radius.
const COARSE_REACH: f64 = 1.45;

/// Mean light on rings about a candidate in the coarse picture, from the middle outwards.
#[derive(Debug, Clone, Copy)]
pub struct CoarseProfile {
    /// Mean light of each ring.
    pub rings: [f32; COARSE_RINGS],
}

impl CoarseProfile {
    /// Likeness to `other` in shape, -1 to 1: the correlation over rings weighted by their area.
    #[must_use]
    pub fn likeness(&self, other: &Self) -> f64 {
        let (mut w, mut a, mut b) = (0.0, 0.0, 0.0);
        for i in 0..COARSE_RINGS {
            let area = (2 * i + 1) as f64;
            w += area;
            a += area * f64::from(self.rings[i]);
            b += area * f64::from(other.rings[i]);
        }
        let (ma, mb) = (a / w, b / w);
        let (mut saa, mut sbb, mut sab) = (0.0, 0.0, 0.0);
        for i in 0..COARSE_RINGS {
            let area = (2 * i + 1) as f64;
            let (da, db) = (f64::from(self.rings[i]) - ma, f64::from(other.rings[i]) - mb);
            saa += area * da * da;
            sbb += area * db * db;
            sab += area * da * db;
        }
        if saa <= 0.0 || sbb <= 0.0 { 0.0 } else { sab / (saa * sbb).sqrt() }
    }

    /// Spread of the rings' light: how strongly the feature stands out.
    #[must_use]
    pub fn contrast(&self) -> f64 {
        let (mut w, mut s, mut ss) = (0.0, 0.0, 0.0);
        for (i, &v) in self.rings.iter().enumerate() {
            let area = (2 * i + 1) as f64;
            w += area;
            s += area * f64::from(v);
            ss += area * f64::from(v) * f64::from(v);
        }
        ((ss / w) - (s / w).powi(2)).max(0.0).sqrt()
    }

    /// How far the light of the middle falls back towards the ground's, as a share of the most that a ring further out stands out from it.
    #[must_use]
    pub fn hollow(&self) -> f64 {
        let off = |i: usize| f64::from(self.rings[i]) - self.ground();
        let most = (1..COARSE_RINGS - 1).map(off).fold(0.0, |most: f64, o| if o.abs() > most.abs() { o } else { most });
        if most == 0.0 { 0.0 } else { 1.0 - off(0) / most }
    }

    /// Light of the ground beside the feature.
    #[must_use]
    pub fn ground(&self) -> f64 {
        f64::from(self.rings[COARSE_RINGS - 1])
    }

    /// The ring-wise median of many profiles; `None` of none.
    #[must_use]
    pub fn median(profiles: &[Self]) -> Option<Self> {
        if profiles.is_empty() {
            return None;
        }
        let rings = std::array::from_fn(|i| {
            let mut values: Vec<f32> = profiles.iter().map(|p| p.rings[i]).collect();
            values.sort_by(f32::total_cmp);
            values[values.len() / 2]
        });
        Some(Self { rings })
    }
}

/// Places within a block, along each axis, for which the rings' blocks are told apart once and for all.
const PLACES: usize = 4;

/// The coarse profiles of all candidates; one that reaches over the picture's edge is measured on what is inside.
#[must_use]
pub fn coarse_profiles(reduced: &Reduced, candidates: &[Candidate], radius_px: f64) -> Vec<CoarseProfile> {
    let factor = reduced.factor as f64;
    let reach = COARSE_REACH * radius_px / factor;
    let mut maps: [Option<RingMap>; PLACES * PLACES] = std::array::from_fn(|_| None);
    candidates
        .iter()
        .map(|candidate| {
            let half = (factor - 1.0) / 2.0;
            let split = |px: f64| {
                let places = ((px - half) / factor * PLACES as f64).round() as isize;
                (places.div_euclid(PLACES as isize), places.rem_euclid(PLACES as isize) as usize)
            };
            let ((col, place_x), (row, place_y)) = (split(candidate.x), split(candidate.y));
            let place = |p: usize| p as f64 / PLACES as f64;
            let map = maps[place_y * PLACES + place_x].get_or_insert_with(|| RingMap::about((place(place_x), place(place_y)), reach));
            map.profile(reduced, (col, row))
        })
        .collect()
}

/// Which ring each block about a candidate belongs to.
struct RingMap {
    /// The map goes from minus this many blocks to plus as many and one.
    steps: isize,
    /// Row by row; `COARSE_RINGS` beyond the last ring.
    rings: Vec<u8>,
}

impl RingMap {
    fn about((x, y): (f64, f64), reach: f64) -> Self {
        let steps = reach.ceil() as isize;
        let ring = |dx: isize, dy: isize| {
            let r = ((dx as f64 - x).powi(2) + (dy as f64 - y).powi(2)).sqrt();
            (r / reach * COARSE_RINGS as f64).min(COARSE_RINGS as f64) as u8
        };
        Self { steps, rings: (-steps..=steps + 1).flat_map(|dy| (-steps..=steps + 1).map(move |dx| ring(dx, dy))).collect() }
    }

    fn profile(&self, reduced: &Reduced, (col, row): (isize, isize)) -> CoarseProfile {
        let (mut sums, mut counts) = ([0.0_f32; COARSE_RINGS + 1], [0.0_f32; COARSE_RINGS + 1]);
        let edge = (2 * self.steps + 2) as usize;
        let (left, top) = (col - self.steps, row - self.steps);
        let columns = left.max(0)..(left + edge as isize).min(reduced.width as isize);
        for y in top.max(0)..(top + edge as isize).min(reduced.height as isize) {
            let rings = &self.rings[(y - top) as usize * edge..][..edge];
            let start = y as usize * reduced.width;
            for x in columns.clone() {
                let ring = usize::from(rings[(x - left) as usize]);
                sums[ring] += reduced.light[start + x as usize];
                counts[ring] += 1.0;
            }
        }
        let mut rings = [0.0; COARSE_RINGS];
        let mut last = 0.0;
        for i in (0..COARSE_RINGS).rev() {
            // A ring too thin to hold a block takes its outer neighbour's light.
            rings[i] = if counts[i] > 0.0 { sums[i] / counts[i] } else { last };
            last = rings[i];
        }
        CoarseProfile { rings }
    }
}

/// Light against distance from the centre at full resolution, in steps of [`Look::STEP_PX`].
#[derive(Debug, Clone)]
pub struct Look {
    /// Designed radius, px.
    pub radius_px: f64,
    /// Mean light at distance `i * STEP_PX`.
    pub light: Vec<f32>,
    /// Its slope, per px.
    pub slope: Vec<f32>,
    /// From where to where, px from the centre, a feature's centre is measured.
    pub band_px: [f64; 2],
    /// Where the outline shows: the distance of the steepest edge near the designed radius, px.
    pub outline_px: f64,
    /// Whether an edge of the other sense lies inside: a highlight ring rather than a disc.
    pub is_ring: bool,
    /// Where a ring is brightest, px from the centre; 0 for a disc.
    pub crest_px: f64,
    /// Width of the outline's edge as a Gaussian's standard deviation, px, as this profile shows it.
    pub edge_px: f64,
    /// Blur of the optics as a Gaussian's standard deviation, px: that of the sharpest edge.
    pub blur_px: f64,
    /// Step of light across the outline, outside to inside.
    pub step: f64,
    /// How fast the light falls towards the outline, over how fast it falls at its steepest there, 0 to 0.7: a dome's rim may be hardly
    /// brighter than what is beside it.
    pub dome: f64,
    /// How much the light that is seen settles about a feature of this look.
    pub unknowns: Unknowns,
}

/// What is told from a feature's place when it is measured.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Unknowns {
    /// How light leans on either side of the outline, and how it slopes on inside; a ring is too narrow for a slope of its own.
    All,
    /// How light leans on either side of the outline.
    Leans,
    /// That, and how it leans in the dark middle of a ring.
    LeansAndMiddle,
    /// How the feature's own light leans: what is no larger than its blur tells no more.
    Few,
}

/// Across an edge as wide as this, over the radius, a slope inside passes for a shift: on 14 rendered looks with such edges the error was 0.28 px
/// with a slope and 0.07 px without; on 80 with narrower ones that have highlights off the middle or light from one side 0.03 and 0.10 px. On
/// the two with wider ones it was the other way round.
const WIDE_EDGES: std::ops::RangeInclusive<f64> = 0.23..=0.42;

/// A feature that teaches the profile.
#[derive(Debug, Clone, Copy)]
pub struct Teacher {
    /// Its centre, px of the plane.
    pub at: PointPx,
    /// How much its radius is above the others', px: outlines are laid over each other, or sizes that scatter would pass for
    /// blur.
    pub grown_px: f64,
}

impl From<PointPx> for Teacher {
    fn from(at: PointPx) -> Self {
        Self { at, grown_px: 0.0 }
    }
}

impl Look {
    /// Step of the profile, px.
    pub const STEP_PX: f64 = 0.25;
    /// How far a profile reaches, as a share of the designed radius.
    pub const REACH: f64 = 1.6;
    /// At most so many features teach the profile; more add nothing to a curve averaged from 100,000 pixels.
    const MOST_TEACHERS: usize = 96;

    /// Learns the profile from features at known places. `None` when there is none or no edge shows.
    #[must_use]
    pub fn learn(plane: &Plane, teachers: &[Teacher], radius_px: f64) -> Option<Self> {
        let reach_px = Self::REACH * radius_px + 3.0;
        let bins = (reach_px / Self::STEP_PX).ceil() as usize + 1;
        // Light and number of pixels of each fine step, side by side.
        let mut sums = vec![[0.0_f64; 2]; bins * FINE];
        let mut steps_out = Vec::new();
        let stride = teachers.len().div_ceil(Self::MOST_TEACHERS).max(1);
        for Teacher { at: centre, grown_px } in teachers.iter().step_by(stride) {
            let (y0, y1) = window(centre.y, reach_px, plane.height);
            for y in y0..y1 {
                let dy = y as f64 - centre.y;
                let half_chord = (reach_px * reach_px - dy * dy).max(0.0).sqrt();
                let (x0, x1) = window(centre.x, half_chord, plane.width);
                steps_from(&mut steps_out, x1 - x0, x0 as f64 - centre.x, dy, *grown_px);
                let start = y * plane.width;
                let light = &plane.light[start + x0..start + x1];
                match plane.saturated_in(y, x0..x1) {
                    None => add_row(&mut sums, &steps_out, light, |_| true),
                    Some(saturated) => add_row(&mut sums, &steps_out, light, |i| !saturated[i]),
                }
            }
        }
        if sums.iter().all(|s| s[1] == 0.0) {
            return None;
        }
        let light = sharpened(&smooth_thrice(&fill_gaps(&shared_to_steps(&sums))));
        let slope = slopes(&light);
        Self::about_outline(light, slope, radius_px)
    }

    fn about_outline(light: Vec<f64>, slope: Vec<f64>, radius_px: f64) -> Option<Self> {
        let outline = nearest_edge(&slope, radius_px)?;
        // A flat profile has only rounding left in it.
        if slope[outline].abs() <= 1e-5 * light.iter().fold(1e-9, |m: f64, v| m.max(v.abs())) {
            return None;
        }
        let edge = fit_edge(&slope, outline);
        let outline_px = edge.at_px;
        // The optics' blur is that of the sharpest edge; a highlight has soft edges of its own. A wiggle of noise is as sharp as a
        // pixel and may be steep, but next to no light steps across it.
        let across = |edge: &Edge| edge.steepest.abs() * edge.blur_px;
        let is_told = |i: usize| i as f64 * Self::STEP_PX >= LEAST_EDGE_PX;
        let is_whole = |e: &Edge| e.at_px + FLANK * e.blur_px < (slope.len() - 1) as f64 * Self::STEP_PX;
        let blur_px = edges(&slope, FAINTEST_EDGE_SHARE)
            .into_iter()
            .filter(|&i| is_told(i) && stands_alone(&slope, i))
            .map(|i| fit_edge(&slope, i))
            .filter(|e| is_whole(e) && across(e) > LEAST_STEP_SHARE * across(&edge))
            .fold(edge.blur_px, |least, e| least.min(e.blur_px))
            .max(0.3);
        // An edge of Gaussian blur: its height is its steepest slope times σ √(2π).
        let step = -edge.steepest * edge.blur_px * std::f64::consts::TAU.sqrt();
        let most = 0.5 * radius_px.max(4.0);
        let inwards = (3.5 * edge.blur_px).max(3.0).min(most);
        let to_f32 = |v: Vec<f64>| v.into_iter().map(|x| x as f32).collect();
        let is_ring = edges(&slope, 0.3).into_iter().any(|i| is_told(i) && i < outline && slope[i] * slope[outline] < 0.0);
        let sense = -slope[outline].signum();
        let crest = (0..=outline).max_by(|&a, &b| (light[a] * sense).total_cmp(&(light[b] * sense))).unwrap_or(0);
        // Another edge close outside, of a mask opening say, may be off to one side: less of the outside can be used.
        let (near, far) = (outline_px + 2.0 * edge.blur_px, outline_px + 7.0 * edge.blur_px);
        let is_followed = edges(&slope, 0.04).into_iter().map(|i| i as f64 * Self::STEP_PX).any(|at_px| at_px > near && at_px < far);
        let outwards = if is_followed { (1.5 * edge.blur_px).max(1.5) } else { (2.5 * edge.blur_px).max(2.0) };
        Some(Self {
            radius_px,
            light: to_f32(light),
            slope: to_f32(slope),
            band_px: [(outline_px - inwards).max(0.0), outline_px + outwards.min(most)],
            outline_px,
            is_ring,
            crest_px: if is_ring { crest as f64 * Self::STEP_PX } else { 0.0 },
            edge_px: edge.blur_px,
            blur_px,
            step,
            dome: edge.of_dome,
            unknowns: if radius_px < LEAST_RADIUS_FOR_ALL_UNKNOWNS_PX { Unknowns::Few } else { Unknowns::All },
        })
    }

    /// The same look, `scale` times as large, at the same blur of the optics.
    #[must_use]
    pub fn scaled(&self, scale: f64) -> Self {
        let (light, slope) =
            (0..self.light.len()).map(|i| self.at((i as f64 * Self::STEP_PX / scale) as f32)).map(|(l, s)| (l, s / scale as f32)).unzip();
        Self {
            radius_px: self.radius_px * scale,
            light,
            slope,
            band_px: self.band_px.map(|b| b * scale),
            outline_px: self.outline_px * scale,
            edge_px: self.edge_px * scale,
            crest_px: self.crest_px * scale,
            ..self.clone()
        }
    }

    /// Whether a ring about a dark middle shows: light that rises across the outline and falls again outside by at least half of that.
    #[must_use]
    pub fn is_dark_in_a_ring(&self) -> bool {
        let light = |i: usize| self.light[i.min(self.light.len() - 1)];
        let at = |r_px: f64| (r_px / Self::STEP_PX).round() as usize;
        let (middle, ground) = (light(at(0.5 * self.outline_px)), light(at(GROUND_SHARE * self.radius_px)));
        let crest = (at(self.outline_px)..at(GROUND_SHARE * self.radius_px)).map(light).fold(middle, f32::max);
        self.step < 0.0 && crest - ground > 0.5 * (crest - middle)
    }

    /// Whether the edge is so wide that a slope inside passes for a shift.
    #[must_use]
    pub fn is_wide(&self) -> bool {
        WIDE_EDGES.contains(&(self.edge_px / self.radius_px))
    }

    /// Standard uncertainty, px along each axis, of where an outline is whose rim is hardly brighter than what is beside it.
    #[must_use]
    pub fn hidden_rim_px(&self, side: Side) -> f64 {
        let of_dome_px = match (self.unknowns, side) {
            (Unknowns::Few, _) => SMALL_DOME_DOUBT_PX,
            (_, Side::Part) => FILM_DOUBT_PX.max(DOME_DOUBT * self.edge_px.powi(2)),
            (_, Side::Board) => DOME_DOUBT * self.edge_px.powi(2),
        };
        of_dome_px * (self.dome - HIDING_DOME).max(0.0)
    }

    /// Light and slope at a distance from the centre, px.
    #[inline]
    #[must_use]
    pub fn at(&self, r_px: f32) -> (f32, f32) {
        let t = r_px * (1.0 / Self::STEP_PX as f32);
        let i = (t as usize).min(self.light.len() - 2);
        let part = t - i as f32;
        (self.light[i] + (self.light[i + 1] - self.light[i]) * part, self.slope[i] + (self.slope[i + 1] - self.slope[i]) * part)
    }
}

/// From this share on, the fall of a dome's light hides where its outline is; what stays in doubt then, px for each squared px of the
/// edge's width and for each whole share above it. Of 240 rendered looks of discs nine lay above it, 0.01 to 0.35 px off.
const HIDING_DOME: f64 = 0.5;
const DOME_DOUBT: f64 = 0.25;
/// A film of flux on balls moves their highlights, so that a dome's light falls faster to one side: px for each whole share above. Of 169 rendered
/// looks at balls under such films three lay above, at 0.507, 0.637 and 0.7, and were 0.05, 0.7 and 0.55 px off along an axis.
const FILM_DOUBT_PX: f64 = 2.5;
/// Of a ball of some 3 px radius the edge's width says too little, px for each whole share: of 160 rendered pictures of such balls six lay above it, up
/// to 0.07 px off, and of some thousands one was 0.31 px off.
const SMALL_DOME_DOUBT_PX: f64 = 0.6;

/// The light about a feature is that at this share of its designed radius.
const GROUND_SHARE: f64 = 1.28;

/// Steps at which the slope is steeper than its neighbours and than `share` of the steepest.
fn edges(slope: &[f64], share: f64) -> Vec<usize> {
    let steepest = slope.iter().fold(0.0, |m: f64, s| m.max(s.abs()));
    (1..slope.len() - 1)
        .filter(|&i| {
            let here = slope[i].abs();
            here >= share * steepest && here > slope[i - 1].abs() && here >= slope[i + 1].abs()
        })
        .collect()
}

/// Nearer than this to the middle, px, few pixels tell: their noise passed for the inner edge of a ring.
const LEAST_EDGE_PX: f64 = 1.0;

/// An edge's flank, over its blur. Where a profile ends in a neighbour's, it is cut off and looks sharper than it is.
const FLANK: f64 = 1.6;

/// An edge fainter than this share of the steepest does not tell the blur.
const FAINTEST_EDGE_SHARE: f64 = 0.08;

/// Nor does one across which the light steps by less than this share of the outline's step. Rendered pictures' wiggles, a quarter to
/// two fifths of a pixel wide, reach 0.11.
const LEAST_STEP_SHARE: f64 = 0.15;

/// Whether the slope falls to less than half on both sides of an edge before it rises again: a wiggle on the flank of another
/// edge does not.
fn stands_alone(slope: &[f64], edge: usize) -> bool {
    let half = 0.5 * slope[edge].abs();
    let falls = |indices: &mut dyn Iterator<Item = usize>| {
        let mut before = slope[edge].abs();
        for i in indices {
            let here = slope[i].abs();
            if here < half {
                return true;
            }
            if here > 1.02 * before {
                return false;
            }
            before = here;
        }
        false
    };
    falls(&mut (0..edge).rev()) && falls(&mut (edge + 1..slope.len()))
}

/// An edge is clear that is at least this share as steep as the steepest.
const CLEAR_EDGE_SHARE: f64 = 0.75;

/// Of the clear edges within half to five quarters of the designed radius, the one nearest to it: the outline, or where that
/// is too faint the rim of a highlight.
fn nearest_edge(slope: &[f64], radius_px: f64) -> Option<usize> {
    let (from, to) = (0.5 * radius_px / Look::STEP_PX, 1.28 * radius_px / Look::STEP_PX);
    let inside: Vec<usize> = edges(slope, 0.0).into_iter().filter(|&i| (from..=to).contains(&(i as f64))).collect();
    let steepest = inside.iter().map(|&i| slope[i].abs()).fold(0.0, f64::max);
    let off = |i: usize| (i as f64 * Look::STEP_PX - radius_px).abs();
    inside.into_iter().filter(|&i| slope[i].abs() >= CLEAR_EDGE_SHARE * steepest).min_by(|&a, &b| off(a).total_cmp(&off(b)))
}

/// A slope that has fallen below this share of its height and rises again by more than the other is that of another edge: a wiggle of noise
/// higher up is none, and further down hardly tells.
const FALLEN_SHARE: f64 = 0.65;
const RISEN_SHARE: f64 = 0.1;

/// How many of the heights from a peak outwards are the peak's own: up to where they are least before they rise again.
fn outer_flank(heights: &mut dyn Iterator<Item = f64>) -> usize {
    let (mut top, mut least, mut own) = (0.0_f64, f64::INFINITY, 0);
    for (i, height) in heights.enumerate() {
        top = top.max(height);
        if height < least {
            (least, own) = (height, i + 1);
        } else if least < FALLEN_SHARE * top && height > least + RISEN_SHARE * top {
            break;
        }
    }
    own
}

/// Where an edge is and how it is blurred, from its slope.
struct Edge {
    at_px: f64,
    blur_px: f64,
    /// Slope at its steepest, per px, without what slopes beside it.
    steepest: f64,
    /// What slopes inside, over the slope at the steepest.
    of_dome: f64,
}

/// Fits a Gaussian to the slope about its `peak` (a parabola to its logarithm, Caruana 1986, weighted by the squared
/// height), above what slopes inside: a dome or a ball darkens towards its rim over a far longer way.
fn fit_edge(slope: &[f64], peak: usize) -> Edge {
    let sign = slope[peak].signum();
    let height = |i: usize| slope[i] * sign;
    let outer_end = peak + outer_flank(&mut (peak..slope.len()).map(height)) - 1;
    let half_outside = (peak..=outer_end).find(|&i| height(i) < 0.5 * height(peak)).unwrap_or(outer_end) - peak;
    let mut edge = Edge {
        at_px: peak as f64 * Look::STEP_PX,
        blur_px: half_outside.max(1) as f64 * Look::STEP_PX / 1.177,
        steepest: slope[peak],
        of_dome: 0.0,
    };
    for _ in 0..3 {
        let inner = ((edge.at_px - 3.0 * edge.blur_px).max(0.0) / Look::STEP_PX).round() as usize;
        let base = height(inner.min(peak)).clamp(0.0, 0.7 * height(peak));
        let mut sums = nalgebra::Matrix3::<f64>::zeros();
        let mut right = nalgebra::Vector3::<f64>::zeros();
        let reach = (1.6 * edge.blur_px / Look::STEP_PX).ceil() as usize + 1;
        for i in peak.saturating_sub(reach)..=(peak + reach).min(outer_end) {
            let t = i as f64 * Look::STEP_PX - edge.at_px;
            let inside = 0.5 * (1.0 - statrs::function::erf::erf(t / (edge.blur_px * std::f64::consts::SQRT_2)));
            let h = height(i) - base * inside;
            if h > 0.3 * (height(peak) - 0.5 * base) {
                let powers = nalgebra::Vector3::new(1.0, t, t * t);
                sums += powers * powers.transpose() * (h * h);
                right += powers * (h * h * h.ln());
            }
        }
        let Some(fit) = sums.lu().solve(&right).filter(|f| f.iter().all(|v| v.is_finite()) && f[2] < 0.0) else { break };
        let shift = (-fit[1] / (2.0 * fit[2])).clamp(-1.0, 1.0);
        edge = Edge {
            at_px: edge.at_px + shift,
            blur_px: (-0.5 / fit[2]).sqrt().clamp(0.2, 100.0),
            steepest: sign * (fit[0] - fit[1] * fit[1] / (4.0 * fit[2])).exp(),
            of_dome: base / height(peak),
        };
    }
    edge
}

/// The pixels within `reach` of `centre` along one axis, cut to the picture.
pub(super) fn window(centre: f64, reach: f64, size: usize) -> (usize, usize) {
    let from = (centre - reach).floor().max(0.0) as usize;
    let to = ((centre + reach).ceil() + 1.0).clamp(0.0, size as f64) as usize;
    (from.min(to), to)
}

/// Fine steps within a step of a profile: what rounding a distance to them adds to the blur, 0.02 px in a root of squares, is
/// nothing beside the optics'.
const FINE: usize = 4;

/// Adds the known pixels of a row to the sums of their steps.
#[inline]
fn add_row(sums: &mut [[f64; 2]], steps: &[f32], light: &[f32], is_known: impl Fn(usize) -> bool) {
    for (i, (&steps, &light)) in steps.iter().zip(light).enumerate() {
        if let Some(sum) = sums.get_mut(steps as u32 as usize)
            && is_known(i)
        {
            sum[0] += f64::from(light);
            sum[1] += 1.0;
        }
    }
}

/// What fell into the fine steps, shared linearly to the steps on both sides.
fn shared_to_steps(fine: &[[f64; 2]]) -> Vec<[f64; 2]> {
    let mut sums = vec![[0.0; 2]; fine.len() / FINE];
    for (i, of_fine) in fine.iter().enumerate() {
        let (step, part) = (i / FINE, (i % FINE) as f64 / FINE as f64);
        for (step, part) in [(step, 1.0 - part), (step + 1, part)] {
            if let Some(sum) = sums.get_mut(step) {
                sum[0] += of_fine[0] * part;
                sum[1] += of_fine[1] * part;
            }
        }
    }
    sums
}

/// Distances, in fine steps and a half, of `n` pixels in a row from a centre; the first is `dx_px`, the row `dy_px` from it.
fn steps_from(out: &mut Vec<f32>, n: usize, dx_px: f64, dy_px: f64, grown_px: f64) {
    let per_px = FINE as f32 / Look::STEP_PX as f32;
    let (dx, dy2, grown) = (dx_px as f32, (dy_px * dy_px) as f32, grown_px as f32);
    out.clear();
    out.extend((0..n as u32).map(|i| {
        let x = dx + i as f32;
        ((x * x + dy2).sqrt() - grown).max(0.0) * per_px + 0.5
    }));
}

fn fill_gaps(sums: &[[f64; 2]]) -> Vec<f64> {
    let mut light: Vec<Option<f64>> = sums.iter().map(|[light, weight]| (*weight > 1e-9).then(|| light / weight)).collect();
    let mut last = light.iter().flatten().next().copied().unwrap_or(0.0);
    for v in &mut light {
        last = *v.get_or_insert(last);
    }
    light.into_iter().flatten().collect()
}

/// Three passes of 1 2 1: takes out what is left of the pixels' noise.
fn smooth_thrice(light: &[f64]) -> Vec<f64> {
    let mut v = light.to_vec();
    for _ in 0..3 {
        let old = v.clone();
        for i in 0..v.len() {
            let (a, b) = (old[i.saturating_sub(1)], old[(i + 1).min(old.len() - 1)]);
            v[i] = 0.25 * a + 0.5 * old[i] + 0.25 * b;
        }
    }
    v
}

/// Takes the blur out again that learning has added, to first order: f - v/2 f'' for an added variance v. An edge that is a
/// twentieth too wide would pull a centre by a fiftieth of a pixel where the light comes from one side.
fn sharpened(light: &[f64]) -> Vec<f64> {
    /// Three passes of 1 2 1, and the linear sharing between steps, in squared steps.
    const ADDED_VARIANCE: f64 = 1.5 + 1.0 / 6.0;
    let at = |i: isize| light[i.clamp(0, light.len() as isize - 1) as usize];
    (0..light.len() as isize).map(|i| at(i) - 0.5 * ADDED_VARIANCE * (at(i + 1) - 2.0 * at(i) + at(i - 1))).collect()
}

fn slopes(light: &[f64]) -> Vec<f64> {
    (0..light.len())
        .map(|i| {
            let (a, b) = (i.saturating_sub(1), (i + 1).min(light.len() - 1));
            (light[b] - light[a]) / ((b - a).max(1) as f64 * Look::STEP_PX)
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_learned_profile_shows_the_outline_and_its_blur() {
        let (width, height, sigma) = (120, 60, 1.2_f64);
        let centres = [PointPx::new(30.3, 29.6), PointPx::new(85.8, 30.1)];
        let edge = |r: f64| 0.5 * (1.0 - statrs::function::erf::erf((r - 10.0) / (sigma * 2.0_f64.sqrt())));
        let light = (0..width * height)
            .map(|i| {
                let (x, y) = ((i % width) as f64, (i / width) as f64);
                (0.1 + centres.iter().map(|c| 0.6 * edge((x - c.x).hypot(y - c.y))).sum::<f64>()) as f32
            })
            .collect();
        let plane = Plane::of_light(width, height, light);
        let look = Look::learn(&plane, &centres.map(Teacher::from), 10.4).expect("an edge");
        assert!((look.outline_px - 10.0).abs() < 0.3, "{}", look.outline_px);
        assert!((look.blur_px - sigma).abs() < 0.25, "{}", look.blur_px);
        assert!((look.step - 0.6).abs() < 0.05, "{}", look.step);
    }

    #[test]
    fn an_opening_close_outside_makes_the_outline_no_softer_and_stays_out_of_its_band() {
        let (width, height, sigma) = (160, 80, 1.1_f64);
        let centres = [PointPx::new(40.3, 39.6), PointPx::new(119.8, 40.1)];
        let edge = |r: f64, radius: f64| 0.5 * (1.0 - statrs::function::erf::erf((r - radius) / (sigma * 2.0_f64.sqrt())));
        // The opening of the mask is a pixel off its land, and the step at its rim nearly as high as the land's.
        let of = |x: f64, y: f64| 0.1 * edge(x.hypot(y), 12.7) + 0.08 * edge((x - 0.7).hypot(y - 0.7), 16.7);
        let light = (0..width * height)
            .map(|i| {
                let (x, y) = ((i % width) as f64, (i / width) as f64);
                (0.12 + centres.iter().map(|c| of(x - c.x, y - c.y)).sum::<f64>()) as f32
            })
            .collect();
        let plane = Plane::of_light(width, height, light);
        let look = Look::learn(&plane, &centres.map(Teacher::from), 12.7).expect("an edge");
        assert!((look.outline_px - 12.7).abs() < 0.4, "{}", look.outline_px);
        assert!((look.edge_px - sigma).abs() < 0.3, "{}", look.edge_px);
        assert!(look.band_px[1] < 15.0, "{:?}", look.band_px);
    }

    #[test]
    fn a_dark_disc_in_a_bright_ring_is_told_from_dark_and_bright_discs() {
        let (width, height) = (120, 60);
        let centres = [PointPx::new(30.3, 29.6), PointPx::new(85.8, 30.1)];
        let share = |r: f64, radius: f64| 0.5 * (1.0 - statrs::function::erf::erf((r - radius) / 1.7));
        // Discs of 8 px radius on larger ones that lie 2.5 px to the left.
        let shows_ring = |middle: f64, rim: f64| {
            let at = |i: usize| PointPx::new((i % width) as f64, (i / width) as f64);
            let light = |p: PointPx, c: &PointPx| {
                let under = p.distance(PointPx::new(c.x - 2.5, c.y));
                (rim - 0.2) * share(under, 10.5) * (1.0 - share(p.distance(*c), 8.0)) + (middle - 0.2) * share(p.distance(*c), 8.0)
            };
            let all = (0..width * height).map(|i| (0.2 + centres.iter().map(|c| light(at(i), c)).sum::<f64>()) as f32).collect();
            let look = Look::learn(&Plane::of_light(width, height, all), &centres.map(Teacher::from), 10.5).expect("an edge");
            look.is_dark_in_a_ring()
        };
        assert!(shows_ring(0.18, 0.5));
        assert!(!shows_ring(0.05, 0.2), "a dark disc on even ground");
        assert!(!shows_ring(0.6, 0.3), "a bright disc in a brighter opening");
    }

    #[test]
    fn nothing_to_learn_from_gives_no_look() {
        let plane = Plane::of_light(50, 50, vec![0.3; 2500]);
        assert!(Look::learn(&plane, &[], 8.0).is_none());
        assert!(Look::learn(&plane, &[PointPx::new(25.0, 25.0).into()], 8.0).is_none());
    }
}
