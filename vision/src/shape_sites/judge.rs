//! Whether what stands at a site is as it should be: good, of another size, odd, hidden or absent.

use super::{ABSENT_BELOW_GAIN, Target};
use crate::answer::{SiteState, SuspectKind};
use crate::find::ground::DEEPEST_SHADOW;
use crate::find::neighbours::{NEIGHBOURS, Neighbours};
use crate::find::outline_fit::{Fitted, edges_of_one, fit, probe};
use crate::find::outline_look::GroupLook;
use crate::find::print::Print;
use crate::median::upper_median;
use crate::plane::Plane;
use crate::sites::Measured;
use crate::view::PointPx;
use nalgebra::{Matrix2, Vector2};

/// Below this share of what the model usually explains, the feature is odd.
const ODD_BELOW_EXPLAINED: f64 = 0.6;
/// Sizes outside this range of the usual one are suspect, as for round features.
const USUAL_SIZES: std::ops::RangeInclusive<f64> = 0.82..=1.2;
/// A feature with this share of its outline's box saturated or off the plane cannot be judged.
const HIDDEN_ABOVE_SHARE: f64 = 0.4;

pub(super) fn usual_explained(fitted: &[Option<Fitted>]) -> f64 {
    let mut values: Vec<f64> = fitted.iter().flatten().map(|f| f.explained).collect();
    values.sort_by(f64::total_cmp);
    values.get(values.len() * 6 / 10).copied().unwrap_or(0.0)
}

/// Below this share of its neighbours' brightness what stands there is not as they are: a bare pad, say, that a lead left. Of 17,000 rendered
/// leads and lands that are as they should be one in two hundred shows less than 0.76, four less than 0.6.
const ODD_BELOW_GAIN: f64 = 0.6;

/// The middle brightness of those nearest to each, over the usual: in shadow it is lower. 1 where there are too few to tell.
pub(super) fn brightness_about(fitted: &[Option<Fitted>], explained: f64) -> Vec<f64> {
    let shows = |f: &&Fitted| f.gain > 2.0 * f.gain_u && f.explained > 0.8 * explained;
    let showing: Vec<(usize, &Fitted)> = fitted.iter().enumerate().filter_map(|(i, f)| Some((i, f.as_ref().filter(shows)?))).collect();
    let near = Neighbours::of(showing.iter().map(|(_, f)| f.at));
    let about = |i: usize| {
        let itself = showing.binary_search_by_key(&i, |s| s.0).ok();
        let others = near.about(fitted[i].as_ref()?.at, itself);
        if others.len() < NEIGHBOURS / 2 { None } else { upper_median(others.iter().map(|&o| showing[o].1.gain)) }
    };
    (0..fitted.len()).map(|i| about(i).map_or(1.0, |light| light.clamp(DEEPEST_SHADOW, 1.0))).collect()
}

/// `plane` is without what meets outlines, `whole` is with it; `light` is the brightness of those about it.
pub(super) fn judge(
    (plane, whole): (&Plane, &Plane),
    target: &Target,
    print: &Print,
    look: &GroupLook,
    fitted: Option<&Fitted>,
    (explained, light): (f64, f64),
    doubt_px: [f64; 2],
) -> Measured {
    let site = target.expected.site;
    let narrow_px = 2.0 * print.outline.narrow_half();
    let shared = || print.axes * Matrix2::from_diagonal(&Vector2::new(doubt_px[0].powi(2), doubt_px[1].powi(2))) * print.axes.transpose();
    let found = |state, f: &Fitted, size_ratio| {
        let shared_px2 = shared();
        Measured { site, state, centre: Some((f.at, f.covariance_px2 + shared_px2)), shared_px2, size_ratio }
    };
    let is_there = |f: &&Fitted| f.gain > ABSENT_BELOW_GAIN * light && f.gain > 2.0 * f.gain_u;
    let is_alike = |f: &&Fitted| f.explained > ODD_BELOW_EXPLAINED * explained;
    let is_bright = |f: &&Fitted| f.gain > ODD_BELOW_GAIN * light;
    if let Some(f) = fitted.filter(is_there).filter(is_alike) {
        let size_ratio = 1.0 + 2.0 * f.growth_px[0] / narrow_px;
        if (size_ratio - 1.0).abs() < 0.1 {
            let state = if is_bright(&f) { SiteState::Good } else { SiteState::Suspect(SuspectKind::Odd) };
            return found(state, f, size_ratio);
        }
    }
    // Its sides lie outside the narrow band: look for each of them over a longer way.
    let start = target
        .expected
        .candidate
        .map_or(print.at, |c| PointPx::new(c.x + print.at.x - target.print.at.x, c.y + print.at.y - target.print.at.y));
    if let Some((f, size_ratio)) = resized(plane, &Print { at: start, ..print.clone() }, look) {
        let state = match size_ratio {
            r if USUAL_SIZES.contains(&r) => SiteState::Good,
            r if r < 1.0 => SiteState::Suspect(SuspectKind::Small),
            _ => SiteState::Suspect(SuspectKind::Large),
        };
        let f = f.filter(|f| f.gain > ABSENT_BELOW_GAIN * light && f.explained > ODD_BELOW_EXPLAINED * explained);
        match (&f, state) {
            (Some(f), SiteState::Good) if !is_bright(&f) => return found(SiteState::Suspect(SuspectKind::Odd), f, size_ratio),
            (Some(f), _) => return found(state, f, size_ratio),
            // All four sides are there, at another distance: enough for the size, not for a place.
            (None, SiteState::Suspect(_)) => return Measured::unplaced(site, state, size_ratio),
            (None, _) => {}
        }
    }
    match fitted.filter(is_there) {
        Some(f) if is_alike(&f) || is_bright(&f) => found(SiteState::Suspect(SuspectKind::Odd), f, 1.0),
        _ => match probe(plane, print, look).as_ref().filter(is_there).filter(is_alike) {
            Some(p) if is_bright(&p) => Measured::unplaced(site, SiteState::Good, 1.0),
            Some(_) => Measured::unplaced(site, SiteState::Suspect(SuspectKind::Odd), 1.0),
            None => {
                let is_hidden = unknown_share(whole, print) > HIDDEN_ABOVE_SHARE;
                let state = if is_hidden { SiteState::Hidden } else { SiteState::Absent };
                Measured::unplaced(site, state, 1.0)
            }
        },
    }
}

/// A feature of the usual look but of another size, all four sides of which are seen: its fit where it comes to rest, and the
/// geometric mean of its two sizes over the usual.
fn resized(plane: &Plane, print: &Print, look: &GroupLook) -> Option<(Option<Fitted>, f64)> {
    let sides = edges_of_one(plane, print, look);
    let [low, high] = print.outline.bounds();
    let mut ratio = [1.0; 2];
    let mut shift = [0.0; 2];
    for axis in 0..2 {
        let size = high[axis] - low[axis];
        let usual = |side: usize| look.edges[side].map_or(0.0, |e| e.at_px);
        let (Some(a), Some(b)) = (sides[axis], sides[axis + 2]) else { return None };
        ratio[axis] = (size + a + b) / (size + usual(axis) + usual(axis + 2)).max(1.0);
        shift[axis] = 0.5 * (a - b);
    }
    let by = print.axes * Vector2::new(shift[0], shift[1]);
    let sized = Print {
        at: PointPx::new(print.at.x + by.x, print.at.y + by.y),
        outline: print.outline.scaled(ratio[0].clamp(0.3, 2.0), ratio[1].clamp(0.3, 2.0)),
        ..print.clone()
    };
    // The look's own growth is in its edges already.
    let f = fit(plane, &sized, &look.centred(), 0.5 * print.outline.narrow_half());
    Some((f, (ratio[0] * ratio[1]).sqrt()))
}

/// Share of the outline's inside that is saturated or off the plane.
fn unknown_share(plane: &Plane, print: &Print) -> f64 {
    let Some(back) = print.axes.try_inverse() else { return 1.0 };
    let reach = print.outline.reach().ceil();
    let (mut unknown, mut all) = (0.0, 0.0);
    let step = (reach / 40.0).max(1.0);
    let n = (reach / step) as i32;
    for row in -n..=n {
        for col in -n..=n {
            let (dx, dy) = (f64::from(col) * step, f64::from(row) * step);
            let local = back * Vector2::new(dx, dy);
            if print.outline.near([local.x, local.y]).distance > 0.0 {
                continue;
            }
            all += 1.0;
            let (x, y) = ((print.at.x + dx).round(), (print.at.y + dy).round());
            let is_inside = x >= 0.0 && y >= 0.0 && (x as usize) < plane.width && (y as usize) < plane.height;
            if !is_inside || !plane.is_known(y as usize * plane.width + x as usize) {
                unknown += 1.0;
            }
        }
    }
    if all > 0.0 { unknown / all } else { 1.0 }
}
