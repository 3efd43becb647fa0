//! Measures every site in view: where its feature is, and whether what stands there is as it should be.

use crate::answer::{SiteState, SuspectKind};
use crate::find::centre::{Centre, CentreFinder};
use crate::find::look::{EdgesThatTell, Look};
use crate::plane::Plane;
use crate::view::PointPx;
use landfit_part::Side;
use nalgebra::Matrix2;

/// Where a site's feature should be, px of the plane.
#[derive(Debug, Clone, Copy)]
pub struct Expected {
    /// Index into the part's sites.
    pub site: usize,
    /// By the pose of the pattern, px of the plane.
    pub at: PointPx,
    /// Where a candidate was found near it, if one was.
    pub candidate: Option<PointPx>,
}

/// What was measured at a site.
#[derive(Debug, Clone, Copy)]
pub struct Measured {
    /// Index into the part's sites.
    pub site: usize,
    /// What stands there, before the lattice has told what is displaced.
    pub state: SiteState,
    /// Its centre and the covariance of it, px of the plane; `None` when absent or hidden.
    pub centre: Option<(PointPx, Matrix2<f64>)>,
    /// Diameter over the one usual in this picture.
    pub size_ratio: f64,
}

/// Below this share of the usual brightness nothing stands there.
const ABSENT_BELOW_GAIN: f64 = 0.35;
/// Below this share of what the model usually explains, the feature is odd.
const ODD_BELOW_EXPLAINED: f64 = 0.6;
/// Sizes outside this range of the usual one are suspect: a fifth off in diameter is half off in solder volume.
const USUAL_SIZES: std::ops::RangeInclusive<f64> = 0.82..=1.2;
/// A feature with this share of its disc saturated or off the plane cannot be judged.
const HIDDEN_ABOVE_SHARE: f64 = 0.4;

/// Measures the features of one side in one plane. `None` when no look can be learned from the expected places.
///
/// Twice: a first look is learned about the places that the pose gives, the second about the measured centres.
#[must_use]
pub fn measure(plane: &Plane, side: Side, radius_px: f64, expected: &[Expected]) -> Option<(Vec<Measured>, Look)> {
    let edges = match side {
        Side::Part => EdgesThatTell::All,
        Side::Board => EdgesThatTell::Outline,
    };
    let seen: Vec<PointPx> = expected.iter().filter(|e| e.candidate.is_some()).map(|e| e.at).collect();
    let first_look = Look::learn(plane, &seen, radius_px, edges)?;
    let first = centres(plane, &first_look, expected);
    let usual = Usual::of(&first);
    let good: Vec<PointPx> = first.iter().flatten().filter(|c| usual.holds(c)).map(|c| c.at).collect();
    let look = if good.is_empty() { first_look } else { Look::learn(plane, &good, radius_px, edges)? };
    let from_first: Vec<Expected> =
        expected.iter().zip(&first).map(|(e, c)| Expected { candidate: c.map(|c| c.at).or(e.candidate), ..*e }).collect();
    let second = centres(plane, &look, &from_first);
    let usual = Usual::of(&second);
    let measured = expected.iter().zip(&second).map(|(e, c)| judge(plane, &look, &usual, e, c.as_ref())).collect();
    Some((measured, look))
}

fn centres(plane: &Plane, look: &Look, expected: &[Expected]) -> Vec<Option<Centre>> {
    let mut finder = CentreFinder::new(plane, look);
    expected
        .iter()
        .map(|e| {
            let from_candidate = e.candidate.filter(|c| c.distance(e.at) > 0.25 * look.radius_px);
            let start = from_candidate.or(e.candidate.filter(|c| c.distance(e.at) < 0.6)).unwrap_or(e.at);
            finder.measure(start).or_else(|| finder.probe(e.at))
        })
        .collect()
}

/// What is usual for the features of this picture.
struct Usual {
    gain: f64,
    explained: f64,
    size_ratio: f64,
}

impl Usual {
    fn of(centres: &[Option<Centre>]) -> Self {
        let middle = |get: fn(&Centre) -> f64| {
            let mut values: Vec<f64> = centres.iter().flatten().map(get).filter(|v| v.is_finite()).collect();
            values.sort_by(f64::total_cmp);
            // The upper half tells what is usual: with a third of the features missing the plain median drops.
            values.get(values.len() * 6 / 10).copied().unwrap_or(0.0)
        };
        Self { gain: middle(|c| c.gain), explained: middle(|c| c.explained), size_ratio: middle(|c| c.size_ratio) }
    }

    fn holds(&self, c: &Centre) -> bool {
        c.gain > 0.5 * self.gain && c.explained > 0.8 * self.explained
    }
}

fn judge(plane: &Plane, look: &Look, usual: &Usual, expected: &Expected, centre: Option<&Centre>) -> Measured {
    let none = |state| Measured { site: expected.site, state, centre: None, size_ratio: 1.0 };
    let Some(c) = centre else {
        return none(if unknown_share(plane, expected.at, look.radius_px) > HIDDEN_ABOVE_SHARE {
            SiteState::Hidden
        } else {
            SiteState::Absent
        });
    };
    let faint = c.gain < ABSENT_BELOW_GAIN * usual.gain || c.gain < 2.0 * c.gain_u;
    let unlike = c.explained < ODD_BELOW_EXPLAINED * usual.explained;
    if faint || (unlike && c.gain < 0.6 * usual.gain) {
        return none(if unknown_share(plane, expected.at, look.radius_px) > HIDDEN_ABOVE_SHARE {
            SiteState::Hidden
        } else {
            SiteState::Absent
        });
    }
    let mut size_ratio = c.size_ratio / usual.size_ratio.max(0.1);
    if (size_ratio - 1.0).abs() > 0.05 || unlike {
        size_ratio = scaled_size(plane, look, c.at);
    }
    let state = if !USUAL_SIZES.contains(&size_ratio) {
        SiteState::Suspect(if size_ratio < 1.0 { SuspectKind::Small } else { SuspectKind::Large })
    } else if unlike {
        SiteState::Suspect(SuspectKind::Odd)
    } else {
        SiteState::Good
    };
    Measured { site: expected.site, state, centre: Some((c.at, c.covariance_px2)), size_ratio }
}

/// Share of the disc about `at` that is saturated or off the plane.
fn unknown_share(plane: &Plane, at: PointPx, radius_px: f64) -> f64 {
    let (mut unknown, mut all) = (0.0, 0.0);
    let reach = radius_px.ceil() as isize;
    for dy in -reach..=reach {
        for dx in -reach..=reach {
            if (dx * dx + dy * dy) as f64 > radius_px * radius_px {
                continue;
            }
            all += 1.0;
            let (x, y) = (at.x.round() as isize + dx, at.y.round() as isize + dy);
            let inside = x >= 0 && y >= 0 && (x as usize) < plane.width && (y as usize) < plane.height;
            if !inside || !plane.is_known(y as usize * plane.width + x as usize) {
                unknown += 1.0;
            }
        }
    }
    unknown / all
}

/// The scale at which the learned look fits the mean light on rings about `at` best, within 0.4 to 1.6.
///
/// The linear growth of [`CentreFinder`] holds near 1 only; a ball of two thirds is far outside its reach.
fn scaled_size(plane: &Plane, look: &Look, at: PointPx) -> f64 {
    let reach = look.radius_px * 1.45;
    let bins = reach.ceil() as usize + 1;
    let (mut sums, mut counts) = (vec![0.0; bins], vec![0.0; bins]);
    let span = reach.ceil() as isize;
    let (cx, cy) = (at.x.round() as isize, at.y.round() as isize);
    for y in (cy - span).max(0)..=(cy + span).min(plane.height as isize - 1) {
        for x in (cx - span).max(0)..=(cx + span).min(plane.width as isize - 1) {
            let i = y as usize * plane.width + x as usize;
            let bin = (x as f64 - at.x).hypot(y as f64 - at.y).round() as usize;
            if bin < bins && plane.is_known(i) {
                sums[bin] += f64::from(plane.light[i]);
                counts[bin] += 1.0;
            }
        }
    }
    let likeness = |scale: f64| {
        let (mut w, mut a, mut b, mut aa, mut bb, mut ab) = (0.0, 0.0, 0.0, 0.0, 0.0, 0.0);
        for i in 0..bins {
            if counts[i] > 0.0 {
                let (x, y) = (sums[i] / counts[i], f64::from(look.at((i as f64 / scale) as f32).0));
                w += counts[i];
                a += counts[i] * x;
                b += counts[i] * y;
                aa += counts[i] * x * x;
                bb += counts[i] * y * y;
                ab += counts[i] * x * y;
            }
        }
        let (va, vb) = (aa / w - (a / w).powi(2), bb / w - (b / w).powi(2));
        if va <= 0.0 || vb <= 0.0 { -1.0 } else { (ab / w - a / w * b / w) / (va * vb).sqrt() }
    };
    (40..=160)
        .map(|percent| f64::from(percent) / 100.0)
        .max_by(|a, b| likeness(*a).total_cmp(&likeness(*b)).then(b.total_cmp(a)))
        .unwrap_or(1.0)
}
