//! Looks at one plain picture of an underside or of bare lands: finds the part's pattern in it at any scale, turn and mild
//! perspective, and says what stands at every site. No bench is needed; the scale comes from the part's own pitch.
//!
//! [`inspect`] reads top-down: light, blobs, lattices, a second look at every cell, seating of the pattern, what stands at each site.

mod features;
mod grids;
mod judge;
mod lattice;
mod light;
mod pattern;
mod row_seating;
mod rows;
mod seating;
mod survey;
mod template;
mod tilt;
mod warp;

use crate::answer::{Orientation, ReasonCode, SiteState};
use crate::picture::Picture;
use crate::view::PointPx;
pub use grids::{LatticeSpot, SpotLattice, lattices};

use features::Blob;
use grids::{Grid, distinct, lattices_of};
use judge::{Seated, judge};
use landfit_part::{Part, Side};
use light::Light;
use nalgebra::Matrix2;
use pattern::Pattern;
use rows::Row;
use seating::{Ranked, Weights};
use survey::{Cell, Survey};
use warp::Warp;

/// What one plain picture shows.
#[derive(Debug, Clone)]
pub enum Inspection {
    /// The pattern was found, and nothing else fits as well.
    Found(Box<Found>),
    /// It was not.
    NotFound(NotFound),
}

/// The pattern as it lies in the picture.
#[derive(Debug, Clone)]
pub struct Found {
    /// The side that is seen: the one asked for, or what mirror and size speak for.
    pub side: Side,
    /// Whether the picture shows the pattern as seen from below; `None` when the pattern looks the same mirrored.
    pub mirrored: Option<bool>,
    /// Along the pattern's x and y axes at the middle of its sites, µm for each px.
    pub um_per_px: [f64; 2],
    /// From picture right to the pattern's +x axis, counter-clockwise as displayed, radians.
    pub angle_rad: f64,
    /// How far from the side the camera looks, radians; `None` where the picture's perspective does not tell it. Square pixels and an
    /// optical axis in the picture's middle are taken for granted.
    pub tilt_rad: Option<f64>,
    /// Whether the pattern tells its turns apart.
    pub orientation: Orientation,
    /// One for every site whose outline lies in the picture, in the part's order.
    pub sites: Vec<SiteSeen>,
    /// Filled places next to the pattern's sites where the part has none.
    pub left_over: usize,
    /// Root of the mean squared distance of the sites from the smooth map through them, px.
    pub rms_px: f64,
}

/// What was seen at one site.
#[derive(Debug, Clone, Copy)]
pub struct SiteSeen {
    /// Index into the part's sites.
    pub site: usize,
    /// What stands there.
    pub state: SiteState,
    /// Where; `None` when absent or hidden.
    pub centre: Option<PointPx>,
    /// Half-width of the 95 % interval of the centre on one axis, px (k = 2), from the noise about the fitted look.
    pub u_px: f64,
    /// Diameter at half height, px.
    pub diameter_px: f64,
}

/// Why there is no answer.
#[derive(Debug, Clone, PartialEq)]
pub struct NotFound {
    /// What holds first.
    pub code: ReasonCode,
    /// What was seen and what to do.
    pub text: String,
}

/// Fewer sites than this in view are no evidence.
const LEAST_SITES: usize = 6;
/// So much of what should be in view must be there, and no more may be left over beside it.
const LEAST_EXPLAINED: f64 = 0.75;
const MOST_LEFT_OVER: f64 = 0.06;
/// The best seating must beat every other by this much in score, and leave so many fewer places unexplained. One clear site in the
/// wrong place costs two on either scale, for the place where it is missed and for the one where it is left over.
const LEAST_LEAD: f64 = 2.5;
const LEAST_FEWER: f64 = 2.0;
/// Nothing brighter or darker than this share of full scale is a picture of nothing.
const LEAST_RANGE: f32 = 0.02;
/// Lattices tried, largest first.
const MOST_LATTICES: usize = 12;

/// Finds `part` in `picture` and says what stands at each of its sites. With no `side` asked for, mirror and size tell which it is.
///
/// Blobs are found over all scales, grown into lattices from neighbour to neighbour and mapped by a homography with a cubic for the
/// lens; a template learned from the lattice then judges every site. An answer is only given when it beats every other turn,
/// mirror and shift that the pattern can tell apart. One core takes about a second for 3.5 million pixels.
#[must_use]
pub fn inspect(picture: &Picture, part: &Part, side: Option<Side>) -> Inspection {
    let nothing = if side == Some(Side::Board) { ReasonCode::NoLands } else { ReasonCode::NoPart };
    let light = light::light(picture);
    if let Some(refusal) = nothing_to_see(&light, nothing) {
        return Inspection::NotFound(refusal);
    }
    // Where nothing is found for want of focus, that is the reason.
    let or_blurred = |refusal: NotFound| Inspection::NotFound(too_blurred(&light).unwrap_or(refusal));
    let asked = side.unwrap_or(Side::Part);
    if let Some(rows) = rows::rows_of(part, asked) {
        return match rows_found(&light, side, &rows, nothing) {
            Ok(found) => Inspection::Found(found),
            Err(refusal) => or_blurred(refusal),
        };
    }
    let Some(pattern) = Pattern::new(part, asked) else {
        let text = format!(
            "The sites of {} form no grid of at least {LEAST_SITES} sites in two or more rows, nor two rows of leads or pads side by side; inspect finds no others.",
            part.name
        );
        return Inspection::NotFound(NotFound { code: ReasonCode::WrongPattern, text });
    };
    let blobs = features::blobs(&light.plane);
    let plain: Vec<Blob> = blobs.iter().copied().filter(|b| b.at_its_scale).collect();
    let mut refusal = None;
    // Sites whose own scale is hidden by speckle are only found among all blobs; few pictures need that, and it takes longer.
    for among in [&plain, &blobs] {
        let tried: Vec<Candidate> =
            distinct(lattices_of(among)).into_iter().take(MOST_LATTICES).filter_map(|l| seat(&light, &plain, &pattern, l)).collect();
        match choose(&pattern, tried, nothing, plain.len()) {
            Ok(candidate) => {
                return settle(&light, &plain, part, &pattern, side, candidate).map_or_else(Inspection::NotFound, Inspection::Found);
            }
            Err(first) => refusal = Some(refusal.unwrap_or(first)),
        }
    }
    let too_plain = || NotFound { code: nothing, text: "The picture shows no spots at all.".to_string() };
    or_blurred(refusal.unwrap_or_else(too_plain))
}

/// Edges that are blurred over more than this share of the picture's shorter side leave no pattern of many sites to see: a field of
/// 16 rows that fills the picture has sites of a thirtieth of it.
const MOST_BLUR_SHARE: f64 = 0.012;

/// Whether the sharpest edges of the picture are too blurred for a pattern to be seen.
fn too_blurred(light: &Light) -> Option<NotFound> {
    /// Noise makes edges of its own; the picture is looked at no larger than this.
    const LARGEST_PX: usize = 700;
    let plane =
        std::iter::once(&light.plane).chain(&light.coarser).find(|p| p.width.max(p.height) <= LARGEST_PX).or(light.coarser.last())?;
    let at = |x: usize, y: usize| f64::from(plane.values[y * plane.width + x]);
    let inside = (1..plane.height - 1).flat_map(|y| (1..plane.width - 1).map(move |x| (x, y)));
    let mut slopes: Vec<f64> =
        inside.map(|(x, y)| ((at(x + 1, y) - at(x - 1, y)) / 2.0).hypot((at(x, y + 1) - at(x, y - 1)) / 2.0)).collect();
    slopes.sort_by(f64::total_cmp);
    let steepest = slopes.get(slopes.len() - 1 - slopes.len() / 1000)?;
    // The slope in the middle of a step of 1 under a Gaussian blur is 1 / (sigma sqrt 2 pi).
    let blur_px = 1.0 / (steepest.max(1e-6) * std::f64::consts::TAU.sqrt());
    let shorter = plane.width.min(plane.height) as f64;
    (blur_px > MOST_BLUR_SHARE * shorter).then(|| NotFound {
        code: ReasonCode::TooBlurred,
        text: format!(
            "The sharpest edges of the picture are blurred over about {:.0} px. Focus, hold camera and part still, and take it again.",
            blur_px * light.plane.width as f64 / plane.width as f64
        ),
    })
}

/// Finds the rows of a part's leads or pads.
fn rows_found(light: &Light, asked: Option<Side>, rows: &[Row], nothing: ReasonCode) -> Result<Box<Found>, NotFound> {
    let refusal = |code, text| Err(NotFound { code, text });
    let expected: usize = rows.iter().map(|r| r.sites.len()).sum();
    let least = rows.get(1).map_or(LEAST_SITES, |r| (7 * r.sites.len()).div_ceil(10)).max(3);
    let chains = rows::chains(&features::blobs_of(&light.plane, features::LONG), least);
    let Some(seated) = row_seating::seat(light, rows, &chains) else {
        let text = format!(
            "No two rows of spots in the picture lie as the rows of this part do ({} even rows seen). Check that it is the right picture, in focus, \
             and that the leads or pads stand at least 5 px apart.",
            chains.len()
        );
        return refusal(nothing, text);
    };
    let c = seated.count;
    let in_view = c.seen + c.missing;
    if c.seen < LEAST_SITES || (c.seen as f64) < LEAST_EXPLAINED * in_view as f64 || (in_view as f64) < 0.9 * expected as f64 {
        let text =
            format!("At best {} of the {expected} sites of this part lie on the rows in the picture. Is it the right part file?", c.seen);
        return refusal(ReasonCode::WrongPattern, text);
    }
    if c.extras as f64 > MOST_LEFT_OVER * in_view as f64 + 1.0 {
        let text = format!(
            "{} of {in_view} sites lie on rows in the picture, but the rows go on at {} places where this part has none. Is it the right part file?",
            c.seen, c.extras
        );
        return refusal(ReasonCode::WrongPattern, text);
    }
    if let Some(rival) = seated.rival.filter(|r| (r.unexplained() as f64) < c.unexplained() as f64 + LEAST_FEWER) {
        let text = format!(
            "The rows fit in two ways ({} and {} of {expected} sites). Show all of the rows with their ends, or check the part file.",
            c.seen, rival.seen
        );
        return refusal(ReasonCode::AmbiguousShift, text);
    }
    let mirrors: Vec<bool> = seated.alike.iter().map(|m| is_mirrored(&m.px_per_mm)).collect();
    let told = all_alike(&mirrors);
    let side = asked.unwrap_or(if told == Some(false) { Side::Board } else { Side::Part });
    let map = least_turned(&seated.alike, side, |m| m.px_per_mm).unwrap_or(&seated.map);
    let turns = mirrors.iter().filter(|m| **m == is_mirrored(&map.px_per_mm)).count();
    let (measured, rms_px) = row_seating::judge(light, rows, map, seated.polarity);
    let sites = measured
        .into_iter()
        .map(|m| SiteSeen { site: m.site, state: m.state, centre: m.centre, u_px: 2.0 * rms_px, diameter_px: m.width_px })
        .collect();
    Ok(Box::new(Found {
        side,
        mirrored: told,
        um_per_px: [0, 1].map(|axis| 1000.0 / map.px_per_mm.column(axis).norm()),
        angle_rad: turn_of(&map.px_per_mm),
        tilt_rad: None,
        orientation: if turns == 1 { Orientation::Settled } else { Orientation::Open },
        sites,
        left_over: c.extras,
        rms_px,
    }))
}

/// From picture right to the pattern's +x axis, counter-clockwise as displayed, radians.
fn turn_of(px_per_mm: &Matrix2<f64>) -> f64 {
    (-px_per_mm[(1, 0)]).atan2(px_per_mm[(0, 0)])
}

/// The pattern on one lattice.
struct Candidate {
    grid: Grid,
    survey: Survey,
    ranked: Ranked,
}

fn nothing_to_see(light: &Light, nothing: ReasonCode) -> Option<NotFound> {
    let [low, high] = light.range;
    let (code, text) = if light.plane.width < 24 || light.plane.height < 24 {
        (nothing, "The picture is too small to hold a pattern: take it closer or larger.".to_string())
    } else if high - low >= LEAST_RANGE {
        return None;
    } else if high < 0.08 {
        (
            ReasonCode::TooDark,
            format!("The picture is dark: its brightest parts reach {:.0} % of full scale. Give more light.", 100.0 * high),
        )
    } else if low > 0.92 {
        (ReasonCode::Saturated, "The picture is white all over: give less light or a shorter exposure.".to_string())
    } else {
        (nothing, "The picture is one even grey: nothing stands out of it. Check focus, light and what lies under the camera.".to_string())
    };
    Some(NotFound { code, text })
}

fn seat(light: &Light, blobs: &[Blob], pattern: &Pattern, grid: Grid) -> Option<Candidate> {
    let mut survey = survey::survey(light, &grid.lattice, &grid.sizes_px, &grid.places)?;
    let warp = &grid.lattice.warp;
    note_odd_sizes(blobs, &grid, &mut survey);
    let (lo, hi) = survey::extent(&grid.lattice);
    let [from, to] = survey.extent();
    let [a, b] = pattern.extent();
    let span = (b[0] - a[0]).max(b[1] - a[1]) + 2;
    let weights = Weights::new(from.map(|c| c - span), to.map(|c| c + span), |c| survey.weight(light, warp, c));
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
    let ranked = seating::rank(pattern, &maps, &weights, [lo, hi], between)?;
    Some(Candidate { grid, survey, ranked })
}

/// A blob of the right polarity on a cell says that something is there, whatever its size.
fn note_odd_sizes(blobs: &[Blob], grid: &Grid, survey: &mut Survey) {
    let [from, to] = survey.extent();
    for j in from[1]..=to[1] {
        for i in from[0]..=to[0] {
            let Some(Cell::Seen { weight, at }) = survey.cell([i, j]) else { continue };
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

fn choose(pattern: &Pattern, mut tried: Vec<Candidate>, nothing: ReasonCode, blobs: usize) -> Result<Candidate, NotFound> {
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
    if s.hits < LEAST_SITES || (s.hits as f64) < LEAST_EXPLAINED * in_view as f64 || (in_view as f64) < 0.3 * expected as f64 {
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

impl Candidate {
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
}

fn settle(
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
        if let Some(Cell::Seen { weight, at }) = cell.and_then(|c| found.survey.cell(chosen.cell(c)))
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

/// The one that a plain picture of this side shows (an underside mirrored, lands not), turned least; `None` where there is none.
fn least_turned<T>(alike: &[T], side: Side, px_per_mm: impl Fn(&T) -> Matrix2<f64>) -> Option<&T> {
    let key = |one: &T| {
        let j = px_per_mm(one);
        (is_mirrored(&j) != (side == Side::Part), turn_of(&j).abs())
    };
    alike.iter().min_by(|a, b| {
        let (a, b) = (key(a), key(b));
        a.0.cmp(&b.0).then(a.1.total_cmp(&b.1))
    })
}

/// Whether a map to px, whose y runs down, shows what it maps as in a mirror.
fn is_mirrored(px_from: &Matrix2<f64>) -> bool {
    px_from.determinant() > 0.0
}

/// What all have in common; `None` where they differ, or there is none.
fn all_alike(values: &[bool]) -> Option<bool> {
    let first = *values.first()?;
    values.iter().all(|v| *v == first).then_some(first)
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

impl Candidate {
    fn px_per_cell(&self) -> Matrix2<f64> {
        let (lo, hi) = survey::extent(&self.grid.lattice);
        self.grid.lattice.warp.px_per_uv(f64::from(lo[0] + hi[0]) / 2.0, f64::from(lo[1] + hi[1]) / 2.0, 0.5)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::answer::SuspectKind;
    use crate::picture::Samples;
    use landfit_part::{Piece, PointMm, Site};

    /// A full grid of round sites, 1 mm pitch, A1 first; the names are row.column from 1.
    fn grid(rows: usize, columns: usize, pitch_mm: [f64; 2], leave_out: &[(usize, usize)]) -> Part {
        let sites = (0..rows * columns).map(|i| (i / columns, i % columns)).filter(|p| !leave_out.contains(p));
        let sites = sites.map(|(r, c)| Site {
            id: format!("{}.{}", r + 1, c + 1),
            at_mm: PointMm::new((c as f64 - (columns - 1) as f64 / 2.0) * pitch_mm[0], ((rows - 1) as f64 / 2.0 - r as f64) * pitch_mm[1]),
            angle_rad: 0.0,
            terminal: vec![Piece::round(0.5)],
            land: vec![Piece::round(0.4)],
        });
        let sites = sites.collect();
        Part { name: "grid".into(), body_mm: [20.0; 2], body_centre_mm: PointMm::ZERO, sites, marks: vec![], accept_miss_mm: None }
    }

    /// A picture of bright discs (x, y, diameter in px) on grey with a slope of light and a fixed grain.
    fn picture(width_px: usize, height_px: usize, discs: &[(f64, f64, f64)]) -> Picture {
        let mut light: Vec<f64> = (0..width_px * height_px).map(|i| 60.0 + 40.0 * (i % width_px) as f64 / width_px as f64).collect();
        for (cx, cy, d) in discs {
            for y in (cy - d) as usize..((cy + d) as usize).min(height_px) {
                for x in (cx - d) as usize..((cx + d) as usize).min(width_px) {
                    // A soft edge about 2 px wide stands for the lens.
                    let inside = ((d / 2.0 - (x as f64 - cx).hypot(y as f64 - cy)) / 2.0 + 0.5).clamp(0.0, 1.0);
                    let i = y * width_px + x;
                    light[i] = light[i].max(light[i] + inside * (170.0 - light[i]));
                }
            }
        }
        let grain = |i: usize| f64::from((i as u32).wrapping_mul(2_654_435_769).rotate_left(13).wrapping_mul(2_246_822_519) >> 24) / 255.0;
        let samples =
            light.iter().enumerate().map(|(i, v)| (v + 6.0 * (grain(i) + grain(i + 7_919) - 1.0)).clamp(0.0, 255.0) as u8).collect();
        Picture { width_px, height_px, channels: 1, samples: Samples::U8(samples) }
    }

    /// Where a mirrored, turned, slightly tilted camera sees a place of the part.
    fn seen(p: PointMm, turn_deg: f64) -> (f64, f64) {
        let (s, c) = turn_deg.to_radians().sin_cos();
        let (x, y) = (-p.x, p.y);
        let (x, y) = (c * x - s * y, s * x + c * y);
        let depth = 1.0 + 0.012 * x + 0.006 * y;
        (320.0 + 30.0 * x / depth, 240.0 - 30.0 * y / depth)
    }

    fn underside(part: &Part, turn_deg: f64) -> Vec<(f64, f64, f64)> {
        part.sites.iter().map(|s| seen(s.at_mm, turn_deg)).map(|(x, y)| (x, y, 13.0)).collect()
    }

    fn found(inspection: Inspection) -> Found {
        match inspection {
            Inspection::Found(found) => *found,
            Inspection::NotFound(none) => panic!("{none:?}"),
        }
    }

    fn refused(inspection: Inspection) -> NotFound {
        match inspection {
            Inspection::Found(found) => panic!("found {} sites", found.sites.len()),
            Inspection::NotFound(none) => none,
        }
    }

    #[test]
    fn a_whole_underside_with_a_corner_left_out_is_found_with_its_mirror_and_turn() {
        let part = grid(10, 12, [1.0, 1.0], &[(0, 0), (2, 3)]);
        for turn_deg in [0.0, 17.0, 100.0, -155.0] {
            let found = found(inspect(&picture(640, 480, &underside(&part, turn_deg)), &part, None));
            assert!(found.sites.len() == 118 && found.sites.iter().all(|s| s.state == SiteState::Good), "{turn_deg}");
            assert_eq!((found.mirrored, found.side, found.orientation), (Some(true), Side::Part, Orientation::Settled));
            // The part's +x axis, mirrored, points to the left before the turn.
            let off = (found.angle_rad.to_degrees() - (180.0 + turn_deg)).rem_euclid(360.0);
            assert!(!(1.0..=359.0).contains(&off), "{turn_deg}: {}", found.angle_rad.to_degrees());
            assert!(found.um_per_px.iter().all(|v| (v / (1000.0 / 30.0) - 1.0).abs() < 0.03), "{:?}", found.um_per_px);
        }
    }

    #[test]
    fn centres_lie_where_they_were_drawn_and_their_uncertainty_is_of_the_right_size() {
        let part = grid(10, 12, [1.0, 1.0], &[(0, 0), (2, 3)]);
        let discs = underside(&part, 17.0);
        let found = found(inspect(&picture(640, 480, &discs), &part, Some(Side::Part)));
        let off: Vec<f64> =
            found.sites.iter().filter_map(|s| s.centre.map(|c| c.distance(PointPx::new(discs[s.site].0, discs[s.site].1)))).collect();
        let rms = (off.iter().map(|d| d * d).sum::<f64>() / off.len() as f64).sqrt();
        assert!(rms < 0.06, "{rms}");
        let within = found.sites.iter().zip(&off).filter(|(s, d)| **d < 2.5 * s.u_px).count();
        assert!(within * 10 > off.len() * 8, "{within} of {}", off.len());
    }

    #[test]
    fn what_is_absent_bridged_small_large_or_displaced_is_named_and_nothing_else() {
        let part = grid(10, 12, [1.0, 1.0], &[(0, 0), (2, 3)]);
        let at = |id: &str| part.site_index(id).expect("a site");
        let mut discs = underside(&part, 12.0);
        discs[at("4.8")].2 = 7.0;
        discs[at("7.3")].2 = 22.0;
        discs[at("8.9")].0 += 7.0;
        let (a, b) = (discs[at("5.5")], discs[at("5.6")]);
        for k in 0..20 {
            let t = f64::from(k) / 19.0;
            discs.push((a.0 + t * (b.0 - a.0), a.1 + t * (b.1 - a.1), 9.0));
        }
        let gone = [at("1.7"), at("10.12"), at("6.11")];
        let discs: Vec<_> = discs.into_iter().enumerate().filter(|(i, _)| !gone.contains(i)).map(|(_, d)| d).collect();
        let found = found(inspect(&picture(640, 480, &discs), &part, None));
        let mut odd: Vec<(&str, SiteState)> =
            found.sites.iter().filter(|s| s.state != SiteState::Good).map(|s| (part.sites[s.site].id.as_str(), s.state)).collect();
        odd.sort_by_key(|o| o.0);
        let suspect = SiteState::Suspect;
        assert_eq!(
            odd,
            [
                ("1.7", SiteState::Absent),
                ("10.12", SiteState::Absent),
                ("4.8", suspect(SuspectKind::Small)),
                ("5.5", suspect(SuspectKind::Bridge)),
                ("5.6", suspect(SuspectKind::Bridge)),
                ("6.11", SiteState::Absent),
                ("7.3", suspect(SuspectKind::Large)),
                ("8.9", suspect(SuspectKind::Displaced)),
            ]
        );
    }

    #[test]
    fn a_full_square_grid_is_found_but_its_mirror_and_turn_stay_open() {
        let part = grid(9, 9, [1.0, 1.0], &[]);
        let found = found(inspect(&picture(640, 480, &underside(&part, 5.0)), &part, None));
        assert_eq!((found.mirrored, found.orientation), (None, Orientation::Open));
        assert_eq!(found.sites.len(), 81);
    }

    #[test]
    fn a_mark_tells_the_turn_of_a_full_square_grid() {
        let mut part = grid(9, 9, [1.0, 1.0], &[]);
        let at_mm = PointMm::new(-5.4, 4.0);
        part.marks.push(landfit_part::Mark { side: Side::Part, at_mm, angle_rad: 0.0, piece: Piece::round(0.4) });
        let mut discs = underside(&part, 95.0);
        let (x, y) = seen(at_mm, 95.0);
        discs.push((x, y, 12.0));
        let found = found(inspect(&picture(640, 480, &discs), &part, Some(Side::Part)));
        assert_eq!((found.mirrored, found.orientation), (Some(true), Orientation::Settled));
        assert!((found.angle_rad.to_degrees().rem_euclid(360.0) - 275.0).abs() < 1.0, "{}", found.angle_rad.to_degrees());
    }

    #[test]
    fn a_row_more_or_less_than_the_part_has_is_no_answer() {
        let shown = grid(8, 10, [1.0, 1.0], &[]);
        let picture = picture(640, 480, &underside(&shown, 3.0));
        for (rows, columns) in [(7, 10), (9, 10), (8, 9), (8, 11), (7, 9)] {
            let none = refused(inspect(&picture, &grid(rows, columns, [1.0, 1.0], &[]), None));
            assert!(matches!(none.code, ReasonCode::AmbiguousShift | ReasonCode::WrongPattern | ReasonCode::OutOfView), "{rows} {none:?}");
        }
    }

    #[test]
    fn another_pitch_ratio_is_no_answer() {
        let shown = grid(8, 10, [1.0, 1.0], &[(0, 0)]);
        let straight: Vec<_> = shown.sites.iter().map(|s| (320.0 - 30.0 * s.at_mm.x, 240.0 - 30.0 * s.at_mm.y, 13.0)).collect();
        let none = refused(inspect(&picture(640, 480, &straight), &grid(8, 10, [1.0, 0.8], &[(0, 0)]), None));
        assert_eq!(none.code, ReasonCode::WrongPattern);
    }

    #[test]
    fn another_depopulation_is_no_answer() {
        let picture = picture(640, 480, &underside(&grid(10, 10, [1.0, 1.0], &[]), 0.0));
        let hollow: Vec<_> = (0..100).map(|i| (i / 10, i % 10)).filter(|(r, c)| (3..7).contains(r) && (3..7).contains(c)).collect();
        assert_eq!(refused(inspect(&picture, &grid(10, 10, [1.0, 1.0], &hollow), None)).code, ReasonCode::WrongPattern);
    }

    #[test]
    fn a_grid_cut_off_at_both_ends_is_no_answer() {
        let part = grid(14, 40, [1.0, 1.0], &[]);
        let none = refused(inspect(&picture(640, 480, &underside(&part, 0.0)), &part, None));
        assert!(matches!(none.code, ReasonCode::OutOfView | ReasonCode::AmbiguousShift | ReasonCode::WrongPattern), "{none:?}");
    }

    #[test]
    fn dark_white_even_and_tiny_pictures_are_no_answer_and_no_panic() {
        let part = grid(8, 10, [1.0, 1.0], &[]);
        let even = |v: u8, w: usize, h: usize| Picture { width_px: w, height_px: h, channels: 1, samples: Samples::U8(vec![v; w * h]) };
        assert_eq!(refused(inspect(&even(2, 200, 100), &part, None)).code, ReasonCode::TooDark);
        assert_eq!(refused(inspect(&even(254, 200, 100), &part, None)).code, ReasonCode::Saturated);
        assert_eq!(refused(inspect(&even(120, 200, 100), &part, None)).code, ReasonCode::NoPart);
        assert_eq!(refused(inspect(&even(120, 200, 100), &part, Some(Side::Board))).code, ReasonCode::NoLands);
        for (w, h) in [(1, 1), (3, 900), (30, 24)] {
            refused(inspect(&even(120, w, h), &part, None));
        }
        refused(inspect(&picture(640, 480, &[]), &part, None));
    }

    #[test]
    fn scattered_discs_are_no_answer() {
        let hash = |k: u32| k.wrapping_mul(2_654_435_769).rotate_left(13).wrapping_mul(2_246_822_519);
        let discs: Vec<_> =
            (0..120).map(|k| (20.0 + f64::from(hash(k) >> 16) / 110.0, 20.0 + f64::from(hash(k) & 0xffff) / 150.0, 12.0)).collect();
        for part in [grid(4, 4, [1.0, 1.0], &[]), grid(8, 10, [1.0, 1.0], &[]), grid(3, 4, [1.0, 1.0], &[(0, 0)])] {
            refused(inspect(&picture(640, 480, &discs), &part, None));
        }
    }

    #[test]
    fn one_thread_and_many_give_the_same_answer() {
        let part = grid(10, 12, [1.0, 1.0], &[(0, 0), (2, 3)]);
        let picture = picture(640, 480, &underside(&part, 12.0));
        let one = rayon::ThreadPoolBuilder::new().num_threads(1).build().expect("a pool");
        let many = rayon::ThreadPoolBuilder::new().num_threads(4).build().expect("a pool");
        let text = |i: Inspection| format!("{i:?}");
        assert_eq!(one.install(|| text(inspect(&picture, &part, None))), many.install(|| text(inspect(&picture, &part, None))));
    }
}
