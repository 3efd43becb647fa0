//! Looks at one plain picture of an underside or of bare lands: finds the part's pattern in it at any scale, turn and mild
//! perspective, and says what stands at every site. No bench is needed; the scale comes from the part's own pitch.
//!
//! [`inspect`] reads top-down: light, blobs, lattices, a second look at every cell, seating of the pattern, what stands at each site.

mod bars;
mod candidate;
mod features;
mod grids;
mod judge;
mod lattice;
mod light;
mod pattern;
mod row_map;
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

use candidate::{Candidate, choose, seat, settle};
use features::Blob;
use grids::{are_sites, distinct, lattices_of};
use landfit_part::{Part, PointMm, Side};
use light::Light;
use nalgebra::Matrix2;
use pattern::Pattern;
use row_map::Map;
use rows::{Chain, Row};

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
/// Where nothing is left over and what is not there lies scattered among what is, balls are missing, and this will do.
const LEAST_EXPLAINED_IF_SCATTERED: f64 = 0.6;
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
    let by_rows = |rows: &[Row]| rows_found(&light, side, rows, nothing).map_or_else(or_blurred, Inspection::Found);
    if let Some(rows) = rows::rows_of(part, asked) {
        return by_rows(&rows);
    }
    let Some(pattern) = Pattern::new(part, asked) else {
        if let Some(rows) = rows::rows_of_short_sites(part, asked) {
            return by_rows(&rows);
        }
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
    let mut known = Vec::new();
    for among in [&plain, &blobs] {
        let grids = lattices_of(among);
        let distinct_ones = distinct(grids.clone(), &known, are_sites);
        known = grids;
        let tried: Vec<Candidate> =
            distinct_ones.into_iter().take(MOST_LATTICES).filter_map(|l| seat(&light, &plain, &pattern, l)).collect();
        match choose(&light, &pattern, tried, nothing, plain.len()) {
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

/// Finds the rows of a part's leads or pads, by the first way of seeing rows that finds them.
fn rows_found(light: &Light, asked: Option<Side>, rows: &[Row], nothing: ReasonCode) -> Result<Box<Found>, NotFound> {
    let least = rows.get(1).map_or(LEAST_SITES, |r| (7 * r.sites.len()).div_ceil(10)).max(3);
    let mut refusal = None;
    for chains in rows::chains(&light.plane, least) {
        match rows_among(light, asked, rows, &chains, nothing) {
            Ok(found) => return Ok(found),
            // Where one way of seeing finds rows that do not settle it, that says more than that another finds none.
            Err(next) => refusal = Some(refusal.filter(|_| next.code == nothing).unwrap_or(next)),
        }
    }
    Err(refusal.unwrap_or_else(|| NotFound { code: nothing, text: "The picture shows no rows at all.".to_string() }))
}

fn rows_among(light: &Light, asked: Option<Side>, rows: &[Row], chains: &[Chain], nothing: ReasonCode) -> Result<Box<Found>, NotFound> {
    let refusal = |code, text| Err(NotFound { code, text });
    let expected: usize = rows.iter().map(|r| r.sites.len()).sum();
    let Some(seated) = row_seating::seat(light, rows, chains) else {
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
    let px_per_mm = |m: &Map| m.px_per_mm(PointMm::ZERO);
    let mirrors: Vec<bool> = seated.not_told_apart.iter().map(|m| is_mirrored(&px_per_mm(m))).collect();
    let told = all_alike(&mirrors);
    let side = asked.unwrap_or(if told == Some(false) { Side::Board } else { Side::Part });
    let map = least_turned(&seated.alike, side, px_per_mm).unwrap_or(&seated.map);
    let px_per_mm = px_per_mm(map);
    let turns = mirrors.iter().filter(|m| **m == is_mirrored(&px_per_mm)).count();
    let (measured, rms_px) = row_seating::judge(light, rows, map, seated.polarity);
    let sites = measured
        .into_iter()
        .map(|m| SiteSeen { site: m.site, state: m.state, centre: m.centre, u_px: 2.0 * rms_px, diameter_px: m.width_px })
        .collect();
    Ok(Box::new(Found {
        side,
        mirrored: told,
        um_per_px: [0, 1].map(|axis| 1000.0 / px_per_mm.column(axis).norm()),
        angle_rad: turn_of(&px_per_mm),
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

#[cfg(test)]
mod tests;
