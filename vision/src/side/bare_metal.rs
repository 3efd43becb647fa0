//! Which of two things that stand in a pattern's rows is meant, by their looks: bare metal, not vias beside it.

use super::SideView;
use crate::find::look::CoarseProfile;
use crate::which_site::BareMetal;
use landfit_part::Side;
use std::cmp::Ordering;

/// Features that stand out so many times as strongly as others are the bare metal, and those others lie under a mask.
const UNDER_MASK: f64 = 2.0;
/// A land has light in its middle, up to a fall of this share; of a drilled via's there is …
const MOST_HOLLOW_LAND: f64 = 0.6;
/// … so much missing at least. Vias of 14 boards that a second renderer drew: 1.03 to 1.34; their lands -0.08 to 0.01.
const LEAST_HOLLOW_VIA: f64 = 0.85;

/// Where both sides shared their light, so much of the other side's is left at most; of three things that stand in the same rows nothing tells
/// which two are balls and lands.
const LEFT_BY_CLEANING: f64 = 4.0;

/// What tells it in a side's views.
pub(super) fn bare_metal_of(side: Side, views: &[SideView]) -> BareMetal {
    match side {
        _ if views.iter().any(|v| v.plane.is_cleaned) => far_stronger,
        Side::Part => stronger,
        Side::Board => solid,
    }
}

/// Which of two looks stands out the more.
fn stronger(one: &CoarseProfile, other: &CoarseProfile) -> Option<Ordering> {
    stronger_by(UNDER_MASK, one, other)
}

/// Which of two looks is more than what cleaning leaves of the other side.
fn far_stronger(one: &CoarseProfile, other: &CoarseProfile) -> Option<Ordering> {
    stronger_by(LEFT_BY_CLEANING, one, other)
}

fn stronger_by(least_ratio: f64, one: &CoarseProfile, other: &CoarseProfile) -> Option<Ordering> {
    let ratio = one.contrast() / other.contrast().max(f64::MIN_POSITIVE);
    if ratio > least_ratio {
        Some(Ordering::Greater)
    } else if ratio < 1.0 / least_ratio {
        Some(Ordering::Less)
    } else {
        None
    }
}

/// Which of two looks is that of lands: the one without a hole, unless the other stands out the more.
fn solid(one: &CoarseProfile, other: &CoarseProfile) -> Option<Ordering> {
    let is_via_beside = |land: &CoarseProfile, via: &CoarseProfile| land.hollow() < MOST_HOLLOW_LAND && via.hollow() > LEAST_HOLLOW_VIA;
    let by_hole = if is_via_beside(one, other) {
        Some(Ordering::Greater)
    } else if is_via_beside(other, one) {
        Some(Ordering::Less)
    } else {
        None
    };
    match (by_hole, stronger(one, other)) {
        (Some(by_hole), Some(by_strength)) if by_hole != by_strength => None,
        (by_hole, by_strength) => by_hole.or(by_strength),
    }
}
