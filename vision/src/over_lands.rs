//! What light of the other side may have pulled where the part lies over its lands in the picture.
//!
//! There a ball's outline runs beside its land's, and what one light shows of the other side pulls every land towards its ball, or away from
//! it: all alike, so that no miss tells of it. Where the picture or the bench file gives reason to think that a light shows some of the
//! other side, the sides are seen once more with so much of it taken off, and as far as the offset moves, it is unsure. Where lights mix
//! otherwise than the bench file's tints can say, it is unsure wherever the part lies.

use crate::answer::{Fit, SideFindings};
use crate::leak::{Leak, largest, with_leaks};
use crate::same_features::apart;
use crate::side::{arm_mm, disc_radius_mm};
use crate::tint_fit::TintOff;
use crate::view::Optics;
use landfit_part::{Part, PointMm, Side};
use nalgebra::{Matrix3, Vector3};

/// Outlines that lie no further from each other than this pull each other, px.
const OUTLINES_APART_PX: f64 = 3.5;
/// A leak that steps tell of though the tints fit may be outlines that run beside one another, and where tints are off the light that leaks the
/// other way is of the size of what steps tell of one way: such leaks are known to this share of it.
const LEAK_KNOWN_TO: f64 = 0.5;
/// What steps tell of where tints are off is known to this share.
const TOLD_LEAK_KNOWN_TO: f64 = 0.25;
/// What a lossy codec leaves of one side's outlines in the other's light pulls by so much, px along each axis (one sigma): 100 rendered
/// looks through JPEG files of quality 85 were off by 0.10, 0.04 and 0.06 px where terminals lay within 2, 4 and 6 px of their lands.
const CODEC_PULL_PX: f64 = 0.07;
/// Where terminals lie within this of their lands, px, they pull the less: all ways alike where both have one middle.
const PULLED_FROM_PX: f64 = 1.0;

/// Tints that do not span the picture's colours, by more than leaks that steps tell of, may be a gamma that nobody told, by which lights do not add up
/// and each moves the other's outlines: px along each axis (one sigma) for a tint that is off by all of it. 70 rendered looks with a gamma of 1.8 to
/// 2.4 have tints that seem off by 0.02 to 0.18; of 70 others 93, 94 and 96 % lie within two standard uncertainties along x, y and in theta.
const GAMMA_PULL_PX: f64 = 0.2;
/// What it pulls differs by as much from one end of the pattern to the other.
const TURN_OF_GAMMA: f64 = 0.5;

/// Covariance of the offset (x mm, y mm, theta rad) from light that the planes may still hold of the other side.
///
/// `off` is what the tints of the bench file are off by, and `leaks` what was taken off already, with which `optics` are told. `seen_with` gives
/// the offset by other optics. Nothing where tints fit and no outlines run beside one another.
pub(crate) fn doubt(
    (part, optics): (&Part, &Optics),
    (off, leaks): (&[TintOff], &[Leak]),
    is_in_blocks: bool,
    (terminals, lands): (&SideFindings, &SideFindings),
    fit: &Fit,
    seen_with: impl Fn(&Optics) -> Option<Fit>,
) -> Matrix3<f64> {
    let Some((apart_px, px_per_mm)) = apart(part, terminals, lands) else { return Matrix3::zeros() };
    let wider_mm = disc_radius_mm(Side::Part, part) - disc_radius_mm(Side::Board, part);
    let wider_px = if wider_mm.is_finite() { px_per_mm * wider_mm.abs() } else { 0.0 };
    let even = |doubt_mm: f64, turn_rad: f64| Matrix3::from_diagonal(&Vector3::new(doubt_mm, doubt_mm, turn_rad).map(|u| u * u));
    let most_off = off.iter().filter(|tint| tint.is_off()).map(|tint| tint.share).fold(0.0, f64::max);
    let gamma_mm = GAMMA_PULL_PX * (most_off - largest(leaks).map_or(0.0, |leak| leak.share.abs())).max(0.0) / px_per_mm;
    let centres: Vec<PointMm> = part.sites.iter().map(|site| site.centre_mm(Side::Part)).collect();
    let of_gamma = even(gamma_mm, TURN_OF_GAMMA * gamma_mm / arm_mm(&centres));
    if apart_px > wider_px + OUTLINES_APART_PX {
        return of_gamma;
    }
    let of_codec_mm = if is_in_blocks { CODEC_PULL_PX * (apart_px / PULLED_FROM_PX).min(1.0) / px_per_mm } else { 0.0 };
    let moved = |leak: Leak| {
        let (other, at) = (seen_with(&with_leaks(optics, &[leak]))?.offset, fit.offset);
        Some(Vector3::new(other.x_mm - at.x_mm, other.y_mm - at.y_mm, other.theta_rad - at.theta_rad))
    };
    let of_leaks: Matrix3<f64> = may_leak(off, leaks).into_iter().filter_map(moved).map(|m| m * m.transpose()).sum();
    of_leaks + even(of_codec_mm, 0.0) + of_gamma
}

/// How much of each other's light the planes of two views may hold beyond what was taken off. Where one tint is off in the way that can be
/// told, either may be off by as much in the way that cannot; and what steps tell of though no tint is off may not be there, or be elsewhere.
fn may_leak(off: &[TintOff], leaks: &[Leak]) -> Vec<Leak> {
    let of_tint = |tint: &TintOff| {
        let mixed = [(tint.view, tint.other), (tint.other, tint.view)];
        let told = |(of, into): (usize, usize)| leaks.iter().find(|l| l.into == into && l.of == of).map_or(0.0, |l| l.share.abs());
        let surely_off = off.iter().filter(|t| t.is_off() && mixed.contains(&(t.view, t.other))).map(|t| t.share).reduce(f64::max);
        let share = match (told(mixed[0]), surely_off) {
            (told, Some(_)) if told > 0.0 => TOLD_LEAK_KNOWN_TO * told,
            (_, surely_off) => surely_off.unwrap_or(0.0).max(LEAK_KNOWN_TO * told(mixed[0]).max(told(mixed[1]))),
        };
        Leak { into: tint.other, of: tint.view, share }
    };
    off.iter().map(of_tint).filter(|leak| leak.share > 0.0).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn leak(into: usize, share: f64) -> Leak {
        Leak { into, of: 1 - into, share }
    }

    #[test]
    fn where_one_tint_is_off_either_may_leak() {
        let tints = [TintOff { view: 0, other: 1, share: 0.08, sd: 0.003 }, TintOff { view: 1, other: 0, share: 0.002, sd: 0.003 }];
        assert_eq!(may_leak(&tints, &[]), [leak(1, 0.08), leak(0, 0.08)]);
        assert_eq!(may_leak(&tints, &[leak(0, -0.2)]), [leak(1, 0.1), leak(0, 0.05)], "what is told is known better");
    }

    #[test]
    fn where_tints_fit_what_steps_tell_of_may_not_be_there() {
        let tints = [0, 1].map(|view| TintOff { view, other: 1 - view, share: 0.002, sd: 0.003 });
        assert_eq!(may_leak(&tints, &[leak(0, 0.1)]), [leak(1, 0.05), leak(0, 0.05)]);
        assert_eq!(may_leak(&tints, &[]), []);
        assert_eq!(may_leak(&[], &[leak(0, 0.1)]), [], "a picture in one colour");
    }
}
