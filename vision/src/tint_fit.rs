//! How far the tints of the bench file are off the colours that a picture shows, as far as three channels of two lights can tell.
//!
//! Every pixel mixes two tints, so that its three channels lie in the plane which these span. What the picture holds across that plane
//! follows the light of the side whose tint is off, whatever shapes that light draws and wherever the sides lie. Of a tint that is off
//! within the plane, by some of the other's, it tells nothing ([`crate::leak`] does).

use crate::leak::{LEARN_ANEW, SPANS_OF_AN_EDGE, some_rows, steps};
use crate::picture::Picture;
use crate::plane::{mixed_pairs, region_of, unit};
use crate::stored::Stored;
use crate::view::{Optics, View};
use nalgebra::{Matrix2, Vector2};

/// How far a tint lies off the plane that the bench file's span.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct TintOff {
    /// Index of the view whose tint it is.
    pub view: usize,
    /// Index of the view that it mixes with.
    pub other: usize,
    /// As a part of the tint.
    pub share: f64,
    /// Standard uncertainty of that.
    pub sd: f64,
}

/// A tint that is further off than this was not measured on this bench, or the light has changed: of 190 rendered looks of twelve kinds with
/// right tints the furthest off had 0.014, half of them 0.001.
const LEAST_OFF: f64 = 0.02;
/// By so many standard uncertainties it must be more than that.
const SURE_SDS: f64 = 3.0;
/// What is worth a calibration.
const WORTH_SAYING: f64 = 0.04;

impl TintOff {
    /// Whether it is surely off.
    pub(crate) fn is_off(&self) -> bool {
        self.share - SURE_SDS * self.sd > LEAST_OFF
    }
}

/// Colour at half resolution is off beside edges by so much as a part of it (one sigma): three of 40 rendered looks had 0.05 to 0.07.
const HALF_COLOUR_SD: f64 = 0.02;
/// So much of a step of the camera's numbers may be rounded or cut off at black all one way.
const ROUNDED_STEPS: f64 = 0.15;
/// Strong steps are so many times as large as the root of the mean square of all.
const STRONG_OVER_RMS: f64 = 3.0;

/// How far the tints of all views are off that mix in one region of a picture with three channels whose light changes over it. `stored` is how each
/// picture was stored.
pub(crate) fn tints_off(pictures: &[Picture], stored: &[Stored], optics: &Optics) -> Vec<TintOff> {
    let of = |views: [usize; 2]| {
        let exposure = optics.views[views[0]].exposure;
        let of_colour = if stored[exposure].colour.iter().any(Option::is_some) { HALF_COLOUR_SD } else { 0.0 };
        off_plane(&pictures[exposure], optics, views).map(|off| off.map(|t| TintOff { sd: t.sd.hypot(of_colour), ..t }))
    };
    mixed_pairs(optics).filter_map(of).flatten().collect()
}

/// Says the tint that is off the most, where that is worth a calibration.
pub(crate) fn warning(optics: &Optics, off: &[TintOff]) -> Option<String> {
    let most = off.iter().filter(|t| t.is_off() && t.share > WORTH_SAYING).max_by(|a, b| a.share.total_cmp(&b.share))?;
    let (side, percent) = (optics.views[most.view].shows.word(), 100.0 * most.share);
    Some(format!("The {side}'s light has another colour than the bench file says, by about {percent:.0} %. {LEARN_ANEW}"))
}

fn off_plane(picture: &Picture, optics: &Optics, [i, j]: [usize; 2]) -> Option<[TintOff; 2]> {
    if picture.channels != 3 {
        return None;
    }
    let (one, other) = (&optics.views[i], &optics.views[j]);
    let tints = [unit(one.tint), unit(other.tint)];
    // What lies across is told apart as a third light is.
    let across = tints[0].cross(&tints[1]);
    let across = if across.max() < -across.min() { -across } else { across };
    let across = across / across.max();
    let third = View { tint: across.into(), ..one.clone() };
    let three = Optics { views: vec![one.clone(), other.clone(), third], ..optics.clone() };
    let rows = some_rows(picture, &three, region_of(one, &optics.frame), &[0, 1, 2]);
    let steps = steps::<3>(&rows);
    let (mut normal, mut right, mut square) = (Matrix2::<f64>::zeros(), Vector2::<f64>::zeros(), 0.0);
    for [a, b, left] in steps.iter().map(|s| s.map(f64::from)) {
        let row = Vector2::new(a, b);
        normal += row * row.transpose();
        right += row * left;
        square += left * left;
    }
    let inverse = normal.try_inverse()?;
    let shares = inverse * right;
    // An edge lies within as many spans as are begun within the length of one: what is left over counts as that many times fewer steps.
    let count = (steps.len() as f64 - 2.0).max(1.0);
    let variance = f64::from(SPANS_OF_AN_EDGE) * (square - shares.dot(&right)).max(0.0) / count;
    let off = |k: usize, view, other| {
        let per_tint = across.norm() / tints[k].norm();
        let strong = STRONG_OVER_RMS * (normal[(k, k)] / count).sqrt();
        let rounded = ROUNDED_STEPS * f64::from(rows[2].step_of_light) / strong;
        TintOff {
            view,
            other,
            share: shares[k].abs() * per_tint,
            sd: (variance * inverse[(k, k)]).max(0.0).sqrt().hypot(rounded) * per_tint,
        }
    };
    Some([off(0, i, j), off(1, j, i)])
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::picture::Samples;
    use crate::view::{Frame, ScaleSource};
    use landfit_part::Side;

    const AMBER: [f64; 3] = [1.0, 0.62, 0.1];
    const CYAN: [f64; 3] = [0.08, 0.75, 1.0];
    const STORED: [Stored; 1] = [Stored { colour: [None; 2], in_blocks: false }];

    fn optics(part: [f64; 3], board: [f64; 3]) -> Optics {
        let view = |shows, tint| View { shows, exposure: 0, region_px: None, tint, px_from_mm: nalgebra::Matrix3::identity() };
        let frame = Frame { size_px: [320, 240], black: 0.0, white: None, gamma: 1.0 };
        Optics { frame, lens: None, views: vec![view(Side::Part, part), view(Side::Board, board)], scale: ScaleSource::Bench }
    }

    /// Discs of both lights, the one within the other.
    fn picture(channels: usize) -> Picture {
        let is_in = |x: f64, y: f64, radius: f64| (x.rem_euclid(48.0) - 24.0).hypot(y.rem_euclid(48.0) - 24.0) < radius;
        let pixel = |i: u32| {
            let (x, y) = (f64::from(i % 320), f64::from(i / 320));
            let lights = [if is_in(x, y, 14.0) { 0.5 } else { 0.08 }, if is_in(x - 1.0, y, 10.0) { 0.4 } else { 0.1 }];
            (0..channels).map(move |c| (255.0 * (lights[0] * AMBER[c] + lights[1] * CYAN[c])).round() as u8)
        };
        Picture { width_px: 320, height_px: 240, channels, samples: Samples::U8((0..320 * 240).flat_map(pixel).collect()) }
    }

    #[test]
    fn tints_that_fit_are_not_off_though_balls_lie_over_their_lands() {
        let off = tints_off(&[picture(3)], &STORED, &optics(AMBER, CYAN));
        assert!(off.len() == 2 && off.iter().all(|t| t.share < 0.01 && !t.is_off()), "{off:?}");
        assert_eq!(warning(&optics(AMBER, CYAN), &off), None);
    }

    #[test]
    fn the_tint_that_is_off_is_named_with_how_far() {
        // A tenth too little green: of its length of 1.18, the part of that across the plane of both.
        let told = optics([1.0, 0.52, 0.1], CYAN);
        let off = tints_off(&[picture(3)], &STORED, &told);
        assert!(off[0].is_off() && !off[1].is_off(), "{off:?}");
        assert!((off[0].share - 0.05).abs() < 0.02, "{off:?}");
        assert!(warning(&told, &off).is_some_and(|text| text.starts_with("The part's light has another colour")), "{off:?}");
    }

    #[test]
    fn one_channel_and_even_light_tell_nothing() {
        assert_eq!(tints_off(&[picture(1)], &STORED, &optics(AMBER, CYAN)), []);
        let even = Picture { samples: Samples::U8(vec![90; 320 * 240 * 3]), ..picture(3) };
        assert_eq!(tints_off(&[even], &STORED, &optics(AMBER, CYAN)), []);
    }
}
