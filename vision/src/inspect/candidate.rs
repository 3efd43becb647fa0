//! The pattern on one lattice: laid there in every way, the lattices compared, and the best one settled into an answer.

use super::features::{Blob, Polarity};
use super::grids::Grid;
use super::judge::{Seated, judge};
use super::light::Light;
use super::pattern::Pattern;
use super::seating::{self, Ranked, Weights};
use super::survey::{self, Cell, Survey};
use super::warp::Warp;
use super::{
    Found, LEAST_EXPLAINED, LEAST_EXPLAINED_IF_SCATTERED, LEAST_FEWER, LEAST_LEAD, LEAST_SITES, MOST_LEFT_OVER, NotFound, SiteSeen,
    all_alike, is_mirrored, lattice, least_turned, template, tilt, turn_of,
};
use crate::answer::{Orientation, ReasonCode};
use crate::median::upper_median;
use crate::view::PointPx;
use landfit_part::{Part, Side};
use nalgebra::Matrix2;
use std::collections::BTreeMap;

/// The pattern on one lattice.
pub(super) struct Candidate {
    grid: Grid,
    survey: Survey,
    ranked: Ranked,
    /// Whether the places that are empty lie scattered among those that are filled.
    is_scattered: bool,
}

/// Times a lattice is carried on over what a second look found about it.
const MOST_SURVEYS: usize = 4;

pub(super) fn seat(light: &Light, blobs: &[Blob], pattern: &Pattern, mut grid: Grid) -> Option<Candidate> {
    let mut survey = survey::survey(light, &grid.lattice, &grid.sizes_px, &grid.places)?;
    for _ in 1..MOST_SURVEYS {
        // Where many are missing a lattice has not grown to its ends.
        let Some(larger) = grid.carried_on(&survey) else { break };
        let Some(again) = survey::survey(light, &larger.lattice, &larger.sizes_px, &larger.places) else { break };
        (grid, survey) = (larger, again);
    }
    let warp = &grid.lattice.warp;
    note_odd_sizes(blobs, &grid, &mut survey);
    let (lo, hi) = survey::extent(&grid.lattice);
    let [from, to] = survey.extent();
    let [a, b] = pattern.extent();
    let span = (b[0] - a[0]).max(b[1] - a[1]) + 2;
    let (low, high) = (from.map(|c| c - span), to.map(|c| c + span));
    let weights = Weights::new(low, high, |c| survey.weight(light, warp, c));
    let beside = Weights::new(low, high, |c| survey.weight_beside(light, warp, c));
    let middle = [f64::from(lo[0] + hi[0]) / 2.0, f64::from(lo[1] + hi[1]) / 2.0];
    let maps = seating::maps(pattern, &warp.px_per_uv(middle[0], middle[1], 0.5));
    let between = |place: [f64; 2]| {
        let at = warp.px(place[0], place[1]);
        if !at.x.is_finite() || !survey::in_view(light, at, 0.5 * survey.template.diameter_px) {
            return 0.0;
        }
        let step = lattice::shortest(warp, place.map(|c| c.round() as i32));
        let look = survey.template.search(light, template::Spot { at, scale: 1.0 }, 0.2 * step);
        ((look.likeness - survey.threshold) / 0.2).clamp(-1.0, 1.0)
    };
    let ranked = seating::rank(pattern, &maps, [&weights, &beside], [lo, hi], between)?;
    let is_scattered = is_scattered(pattern, |c| survey.weight(light, warp, ranked.best.cell(c)));
    Some(Candidate { grid, survey, ranked, is_scattered })
}

/// Of the places side by side along either axis as many must differ as this share of what differs where a toss says which are empty.
/// Where whole rows or an inner field are empty, or every second row is, the pattern is another one.
const LEAST_OF_A_TOSS: f64 = 0.6;

/// Whether empty places lie among the filled ones as chance would have it. `weight` is that of a pattern's cell: positive where filled,
/// negative where empty.
fn is_scattered(pattern: &Pattern, weight: impl Fn([i32; 2]) -> f64) -> bool {
    let filled: BTreeMap<[i32; 2], bool> =
        pattern.cells.iter().flatten().map(|c| (*c, weight(*c))).filter(|(_, w)| *w != 0.0).map(|(c, w)| (c, w > 0.0)).collect();
    let share = filled.values().filter(|f| **f).count() as f64 / filled.len().max(1) as f64;
    (0..2).all(|axis| {
        let next = |c: &[i32; 2]| [c[0] + 1 - axis, c[1] + axis];
        let pairs: Vec<bool> = filled.iter().filter_map(|(c, f)| Some(f != filled.get(&next(c))?)).collect();
        let differ = pairs.iter().filter(|d| **d).count() as f64;
        differ >= LEAST_OF_A_TOSS * 2.0 * share * (1.0 - share) * pairs.len() as f64
    })
}

/// A blob of the right polarity on a cell says that something is there, whatever its size.
fn note_odd_sizes(blobs: &[Blob], grid: &Grid, survey: &mut Survey) {
    let [from, to] = survey.extent();
    for j in from[1]..=to[1] {
        for i in from[0]..=to[0] {
            let Some(Cell::Seen { weight, at, .. }) = survey.cell([i, j]) else { continue };
            if weight >= 0.5 {
                continue;
            }
            let pitch = lattice::shortest(&grid.lattice.warp, [i, j]);
            let there = blobs.iter().find(|b| {
                b.polarity == grid.polarity
                    && b.at_its_scale
                    && f64::from(b.strength) > 0.5 * grid.strength
                    && (b.at.x - at.x).abs() < 0.25 * pitch
                    && b.at.distance(at) < 0.25 * pitch
                    && b.diameter_px < 1.6 * pitch
                    && b.diameter_px > 0.5 * survey.template.diameter_px
            });
            if let Some(blob) = there {
                survey.note_odd_size([i, j], blob.at);
            }
        }
    }
}

pub(super) fn choose(
    light: &Light,
    pattern: &Pattern,
    mut tried: Vec<Candidate>,
    nothing: ReasonCode,
    blobs: usize,
) -> Result<Candidate, NotFound> {
    let refusal = |code, text| Err(NotFound { code, text });
    tried.sort_by(|a, b| b.ranked.best.score.total_cmp(&a.ranked.best.score));
    let expected = pattern.sites_mm.len();
    if tried.is_empty() {
        let text = format!(
            "No part of the picture repeats like the {expected} sites of this part ({blobs} spots seen). Check that it is the right picture, in focus, \
             and that the pattern is larger than about 5 px a pitch."
        );
        return refusal(nothing, text);
    }
    let best = tried.remove(0);
    let s = best.ranked.best;
    let in_view = s.hits + s.misses;
    let least_explained = if best.is_scattered && s.extras == 0 { LEAST_EXPLAINED_IF_SCATTERED } else { LEAST_EXPLAINED };
    if s.hits < LEAST_SITES || (s.hits as f64) < least_explained * in_view as f64 || (in_view as f64) < 0.3 * expected as f64 {
        let text = format!(
            "A lattice of {} spots is in the picture, but at best {} of the {expected} sites of this part lie on it. Is it the right part file?",
            best.grid.places.len(),
            s.hits
        );
        return refusal(ReasonCode::WrongPattern, text);
    }
    if s.extras as f64 > MOST_LEFT_OVER * in_view as f64 + 1.0 {
        let text = format!(
            "{} of {in_view} sites lie on the spots in the picture, but {} more spots lie beside them where this part has none. Is it the right part file?",
            s.hits, s.extras
        );
        return refusal(ReasonCode::WrongPattern, text);
    }
    if let Some(rival) = best.ranked.rival.filter(|r| !leads(&s, r, in_view)) {
        let cut_off = rival.map == s.map && in_view < expected && s.extras == 0 && rival.extras == 0;
        if cut_off {
            let text =
                format!("Only {in_view} of {expected} sites are in the picture, and both ends are cut off: show all of the pattern.");
            return refusal(ReasonCode::OutOfView, text);
        }
        let what = if rival.map == s.map { "one or more steps over" } else { "turned or mirrored" };
        let text = format!(
            "The pattern fits in two ways ({} and {} of {expected} sites), the second {what}. Show all of the pattern with its edges, or check the part file.",
            s.hits, rival.hits
        );
        return refusal(ReasonCode::AmbiguousShift, text);
    }
    if best.is_of_holes_beside_others(light, pattern) {
        let text = "Holes stand as the sites of this part do, in spots between which as many others stand (vias beside lands?): which of them are \
             the sites cannot be told. Light them from another side, so that the lands stand out from the vias, and take the picture again.";
        return refusal(ReasonCode::AmbiguousShift, text.to_string());
    }
    let elsewhere = tried.iter().filter(|t| t.ranked.best.score > 0.85 * s.score && t.ranked.best.extras <= s.extras.max(2));
    if elsewhere.into_iter().any(|t| !best.covers(t)) {
        let text = "The pattern is in the picture more than once: show one part at a time, or cut the picture to it.".to_string();
        return refusal(ReasonCode::AmbiguousShift, text);
    }
    Ok(best)
}

/// Whether one seating beats another clearly, in what each site's look weighs and in plain count of what it leaves unexplained.
fn leads(best: &seating::Seating, rival: &seating::Seating, in_view: usize) -> bool {
    let unexplained = |s: &seating::Seating| (s.misses + s.extras) as f64;
    // A shift costs whole lines at both ends; a few places at the border that speak against it are not enough.
    let share = if rival.map == best.map { (0.01 * in_view as f64).max(0.2 * (in_view as f64).sqrt()) } else { 0.0 };
    best.score - rival.score >= LEAST_LEAD.max(share) && unexplained(rival) - unexplained(best) >= LEAST_FEWER.max(share)
}

/// What lies between four dark spots stands out from what lies between two by more than this share of what rings them: it is another spot.
const LEAST_OF_RING: f64 = 0.5;
/// The ring of a hole lies about so far from its middle, as a share of the way to the next.
const RING_AT: f64 = 0.2;

impl Candidate {
    /// Whether its spots are holes, each in a bright ring, and between every four of them another bright spot: drilled vias stand so beside the
    /// lands of a board.
    fn is_of_holes_beside_others(&self, light: &Light, pattern: &Pattern) -> bool {
        if self.grid.polarity != Polarity::Dark {
            return false;
        }
        let (plane, warp) = (&light.plane, &self.grid.lattice.warp);
        let cells: Vec<[i32; 2]> = pattern.cells.iter().flatten().map(|c| self.ranked.best.cell(*c)).collect();
        let usual = |by: &[[f64; 2]]| {
            let places = cells.iter().flat_map(|c| by.iter().map(|b| warp.px(f64::from(c[0]) + b[0], f64::from(c[1]) + b[1])));
            upper_median(places.filter(|p| plane.holds(p.x, p.y)).map(|p| f64::from(plane.at(p.x, p.y))))
        };
        let ring = usual(&[[RING_AT, 0.0], [-RING_AT, 0.0], [0.0, RING_AT], [0.0, -RING_AT]]);
        let (Some(ring), Some(of_four), Some(of_two)) = (ring, usual(&[[0.5, 0.5]]), usual(&[[0.5, 0.0], [0.0, 0.5]])) else {
            return false;
        };
        ring > of_two && of_four - of_two > LEAST_OF_RING * (ring - of_two)
    }

    /// Whether the middle of another's lattice lies within this one's.
    fn covers(&self, other: &Self) -> bool {
        let n = other.grid.places.len() as f64;
        let (x, y) = other.grid.places.iter().fold((0.0, 0.0), |(x, y), p| (x + p.x / n, y + p.y / n));
        let span = |get: fn(&PointPx) -> f64| {
            self.grid.places.iter().map(get).fold((f64::INFINITY, f64::NEG_INFINITY), |(lo, hi), v| (lo.min(v), hi.max(v)))
        };
        let ((x0, x1), (y0, y1)) = (span(|p| p.x), span(|p| p.y));
        (x0..=x1).contains(&x) && (y0..=y1).contains(&y)
    }

    /// Mean diameter of what was seen, mm by the pattern's pitch.
    fn diameter_mm(&self, pattern: &Pattern) -> f64 {
        self.survey.template.diameter_px / self.survey.reference_px * pattern.mm_per_uv.determinant().abs().sqrt()
    }

    fn px_per_cell(&self) -> Matrix2<f64> {
        let (lo, hi) = survey::extent(&self.grid.lattice);
        self.grid.lattice.warp.px_per_uv(f64::from(lo[0] + hi[0]) / 2.0, f64::from(lo[1] + hi[1]) / 2.0, 0.5)
    }
}

pub(super) fn settle(
    light: &Light,
    blobs: &[Blob],
    part: &Part,
    pattern: &Pattern,
    asked: Option<Side>,
    mut found: Candidate,
) -> Result<Box<Found>, NotFound> {
    let wrong = |text: &str| NotFound { code: ReasonCode::WrongPattern, text: text.to_string() };
    let side = asked.unwrap_or_else(|| likelier_side(part, pattern, &found));
    let told_by_mark = told_by_marks(part, pattern, side, blobs, &found);
    if let Some(seating) = told_by_mark {
        found.ranked.alike = vec![seating];
    }
    let chosen = upright(pattern, side, &found);
    let mut pairs: Vec<([f64; 2], PointPx)> = Vec::new();
    for (uv, cell) in pattern.uv.iter().zip(&pattern.cells) {
        if let Some(Cell::Seen { weight, at, .. }) = cell.and_then(|c| found.survey.cell(chosen.cell(c)))
            && weight > 0.3
        {
            pairs.push((*uv, at));
        }
    }
    let (uv, px): (Vec<_>, Vec<_>) = pairs.into_iter().unzip();
    let warp = Warp::fit(&uv, &px).ok_or_else(|| wrong("The sites found lie on one line: show more of the pattern."))?;
    let seated = Seated {
        light,
        sites_uv: &pattern.uv,
        warp: &warp,
        template: &found.survey.template,
        reference_px: found.survey.reference_px,
        threshold: found.survey.threshold,
        blobs,
        strength: found.grid.strength,
    };
    let sites: Vec<SiteSeen> = judge(&seated)
        .into_iter()
        .map(|f| SiteSeen { site: f.site, state: f.state, centre: f.centre, u_px: 2.0 * f.sigma_px, diameter_px: f.diameter_px })
        .collect();
    let (uv, px): (Vec<_>, Vec<_>) = sites.iter().filter_map(|s| s.centre.map(|c| (pattern.uv[s.site], c))).unzip();
    let n = pattern.uv.len() as f64;
    let (mu, mv) = pattern.uv.iter().fold((0.0, 0.0), |(u, v), p| (u + p[0] / n, v + p[1] / n));
    let uv_per_mm = pattern.mm_per_uv.try_inverse().ok_or_else(|| wrong("The part's sites lie on one line."))?;
    if !is_seen_by_a_lens(light, &warp, pattern, [mu, mv], warp.rms_px(&uv, &px) / (uv.len() as f64).sqrt()) {
        return Err(wrong(
            "The sites count up, but the pitches along and across differ from the part's in a way that no tilt of the camera explains. \
             Is it the right part file? (A scanner with unequal axes does the same.)",
        ));
    }
    let px_per_mm = warp.px_per_uv(mu, mv, 0.3) * uv_per_mm;
    let mm: Vec<[f64; 2]> = sites.iter().filter(|s| s.centre.is_some()).map(|s| pattern.sites_mm[s.site]).map(|p| [p.x, p.y]).collect();
    let mirrors: Vec<bool> = found.ranked.alike.iter().map(|s| is_mirrored(&s.matrix())).collect();
    let mirrored = all_alike(&mirrors).map(|_| is_mirrored(&px_per_mm));
    let turns = mirrors.iter().filter(|m| **m == is_mirrored(&chosen.matrix())).count();
    Ok(Box::new(Found {
        side,
        mirrored,
        um_per_px: [1000.0 / px_per_mm.column(0).norm(), 1000.0 / px_per_mm.column(1).norm()],
        angle_rad: turn_of(&px_per_mm),
        tilt_rad: tilt::tilt_rad(&mm, &px, light.plane.width, light.plane.height),
        orientation: if turns == 1 { Orientation::Settled } else { Orientation::Open },
        rms_px: warp.rms_px(&uv, &px),
        left_over: found.ranked.best.extras,
        sites,
    }))
}

/// Of seatings on the same cells, the one a plain picture of this side shows (an underside mirrored, lands not), turned least.
fn upright(pattern: &Pattern, side: Side, found: &Candidate) -> seating::Seating {
    let px_per_cell = found.px_per_cell();
    let uv_per_mm = pattern.mm_per_uv.try_inverse().unwrap_or_else(Matrix2::identity);
    *least_turned(&found.ranked.alike, side, |s| px_per_cell * s.matrix() * uv_per_mm).unwrap_or(&found.ranked.best)
}

/// A plain picture that is mirrored shows an underside, one that is not shows lands; where the pattern cannot tell, the sites' size does.
fn likelier_side(part: &Part, pattern: &Pattern, found: &Candidate) -> Side {
    let uv_per_mm = pattern.mm_per_uv.try_inverse().unwrap_or_else(Matrix2::identity);
    let px_per_mm = |s: &seating::Seating| found.px_per_cell() * s.matrix() * uv_per_mm;
    let mirrors: Vec<bool> = found.ranked.alike.iter().map(|s| is_mirrored(&px_per_mm(s))).collect();
    if let Some(mirrored) = all_alike(&mirrors) {
        return if mirrored { Side::Part } else { Side::Board };
    }
    /// An underside whose balls were taken off shows pads of about the lands' size: only a clear difference speaks for lands.
    const CLEARLY_CLOSER: f64 = 0.3;
    let seen_mm = found.diameter_mm(pattern);
    let off = |side: Side| {
        let mut sizes: Vec<f64> = part.sites.iter().flat_map(|s| s.pieces(side)).map(|p| p.shape.narrow_mm()).collect();
        sizes.sort_by(f64::total_cmp);
        sizes.get(sizes.len() / 2).map_or(f64::INFINITY, |mm| (seen_mm / mm).ln().abs())
    };
    if off(Side::Board) + CLEARLY_CLOSER < off(Side::Part) { Side::Board } else { Side::Part }
}

/// The one seating, of those on the same cells, under which a mark of the part shows where it should; `None` where no one stands out.
fn told_by_marks(part: &Part, pattern: &Pattern, side: Side, blobs: &[Blob], found: &Candidate) -> Option<seating::Seating> {
    /// A mark must stand out this much, and this much more than whatever lies at the places it would have when turned.
    const LEAST_STRENGTH: f32 = 0.03;
    const LEAD: f32 = 2.5;
    if found.ranked.alike.len() < 2 {
        return None;
    }
    let px_per_mm = found.survey.reference_px / pattern.mm_per_uv.determinant().abs().sqrt();
    let strength = |s: &seating::Seating| {
        let marks = part.marks.iter().filter(|m| m.side == side);
        let seen = marks.filter_map(|mark| {
            let [u, v] = s.place(pattern.uv_of(mark.at_mm)?);
            let at = found.grid.lattice.warp.px(u, v);
            let size_px = mark.piece.shape.narrow_mm() * px_per_mm;
            let near = |b: &&Blob| {
                (0.4..2.5).contains(&(b.diameter_px / size_px)) && b.at.distance(at) < 0.5 * size_px.max(0.5 * found.survey.reference_px)
            };
            Some(blobs.iter().filter(near).map(|b| b.strength).fold(0.0f32, f32::max))
        });
        seen.fold(0.0f32, f32::max)
    };
    let mut told: Vec<(f32, seating::Seating)> = found.ranked.alike.iter().map(|s| (strength(s), *s)).collect();
    told.sort_by(|a, b| b.0.total_cmp(&a.0));
    (told[0].0 >= LEAST_STRENGTH && told[0].0 >= LEAD * told[1].0).then_some(told[0].1)
}

/// Whether foreshortening comes with the change of scale across the picture that a real lens gives it. A tilt by t changes the area of
/// a cell by 3 tan t / f for each px along the tilt, with f the focal length in px (from the pinhole model); a pattern of another
/// pitch ratio seen straight does not.
fn is_seen_by_a_lens(light: &Light, warp: &Warp, pattern: &Pattern, [u, v]: [f64; 2], sigma_px: f64) -> bool {
    /// Below this ratio a scanner or a camera with oblong pixels will do.
    const PLAIN: f64 = 1.12;
    /// The longest lens, in diagonals of the picture: a telephoto picture cut to a third.
    const LONGEST_LENS: f64 = 20.0;
    let Some(uv_per_mm) = pattern.mm_per_uv.try_inverse() else { return false };
    let j = warp.px_per_uv(u, v, 0.3);
    let svd = (j * uv_per_mm).svd(true, false);
    let (Some(axes), wide, narrow) = (svd.u, svd.singular_values.max(), svd.singular_values.min()) else { return false };
    let ratio = wide / narrow;
    if ratio < PLAIN {
        return true;
    }
    let along = axes.column(svd.singular_values.imin());
    let Some(uv_per_px) = j.try_inverse() else { return false };
    let places: Vec<PointPx> = pattern.uv.iter().map(|p| warp.px(p[0], p[1])).collect();
    let reach = |p: &PointPx| (p.x * along[0] + p.y * along[1], p.x, p.y);
    let (lo, hi) = places.iter().map(|p| reach(p).0).fold((f64::INFINITY, f64::NEG_INFINITY), |(a, b), t| (a.min(t), b.max(t)));
    let span_px = hi - lo;
    let step = uv_per_px * along * (0.3 * span_px);
    let area = |k: f64| warp.px_per_uv(u + k * step[0], v + k * step[1], 0.3).determinant().abs();
    let change = (area(1.0) / area(-1.0)).ln().abs() / (0.6 * span_px);
    let sigma = 100.0 * sigma_px / (span_px * span_px);
    let tilt = (1.0 / ratio).acos().tan();
    let diagonal = (light.plane.width as f64).hypot(light.plane.height as f64);
    change + 3.0 * sigma > 3.0 * tilt / (LONGEST_LENS * diagonal)
}
