//! Tells whether the lights of both sides show the same features: a tint that was learned with both lights on, a lamp that stays on for both
//! pictures. The offset is then what lies between the two views, whatever the part does.
//!
//! Balls and lands stand off their lattices each in its own way. Where every land lies in the picture where its ball does, and stands off as it
//! does, they are one.

use crate::answer::{ReasonCode, Refusal, SideFindings, SiteState};
use crate::leak::LEARN_ANEW;
use crate::median::upper_median;
use crate::view::PointPx;
use landfit_part::{Part, PointMm};
use nalgebra::{Matrix3, Vector3};

/// Of one feature, both lights see the middle to within this, px.
const SAME_PLACE_PX: f64 = 1.5;
/// Edges so near to each other move each other where each light shows a little of the other side, px.
const NEAR_PX: f64 = 3.0;
/// By how many standard deviations a correlation must be more than chance for a doubt …
const LEAST_FOR_DOUBT: f64 = 2.5;
/// … that a place which follows the other by some share lies off by that share of where it should be, but no further than edges reach; no more
/// than this is taken for that share.
const MOST_FOLLOWED: f64 = 0.8;
/// Fewer features tell nothing.
const LEAST_FEATURES: usize = 8;
/// What stands off the lattice by more than so many times the usual is left out: it would speak for all others.
const MOST_OVER_USUAL: f64 = 3.0;
/// They are one where what they stand off correlates by more than this, or by less where another sign speaks for it: of 428 rendered pictures in
/// which balls lay over their lands to within 3 px it was 0.55 at most (0.5 with light of one side that shows in the other's); of 400
/// more five had 0.66 to 0.93, and of two of those scenes the offset said 13 and 21 µm less than there was. Of 118 whose tints
/// mixed the lights, so that both showed one side, 86 had more and 15 of the others the other sign and more than 0.3. Each with what it must be
/// more than chance by, standard deviations (Fisher's transformation of a correlation).
const LEAST_CORRELATION: [f64; 2] = [0.65, 3.0];
const LEAST_WITH_SIGN: [f64; 2] = [0.2, 2.0];

/// A feature that both lights show at one place.
struct Pair {
    designed: PointMm,
    places: [PointPx; 2],
}

/// What the features of both lights have in common.
pub(crate) enum Same {
    /// Both lights show one side.
    One(Refusal),
    /// Each shows a little of the other: standard uncertainty of the offset along each axis, mm.
    Shared(f64),
}

/// Compares what both lights show; `has_sign` is whether one side is seen as the other should be. `None` where nothing is in common.
pub(crate) fn compare(part: &Part, terminals: &SideFindings, lands: &SideFindings, has_sign: bool) -> Option<Same> {
    let pairs = pairs(part, terminals, lands);
    let apart_px = upper_median(pairs.iter().map(|p| p.places[0].distance(p.places[1])))?;
    if pairs.len() < LEAST_FEATURES || apart_px > NEAR_PX {
        return None;
    }
    let lattices = [Lattice::fitted(&pairs, 0)?, Lattice::fitted(&pairs, 1)?];
    let px_per_mm = lattices[0].px_per_mm();
    let (correlation, significance) = correlation(&pairs, &lattices)?;
    let [least, least_significance] = if has_sign { LEAST_WITH_SIGN } else { LEAST_CORRELATION };
    if apart_px < SAME_PLACE_PX && correlation > least && significance > least_significance {
        return Some(Same::One(one(pairs.len())));
    }
    (significance > LEAST_FOR_DOUBT).then(|| {
        let followed_px = correlation / (1.0 - correlation.min(MOST_FOLLOWED)) * apart_px.min(SAME_PLACE_PX);
        Same::Shared(followed_px / px_per_mm)
    })
}

fn one(features: usize) -> Refusal {
    let text = format!(
        "Both lights show the same features: {features} terminals lie in the picture where their lands do, and stand off their places as these do. One side's light shows in the other's colour, or one lamp was on for both pictures. {LEARN_ANEW} Take each picture with its own light alone."
    );
    Refusal::new(ReasonCode::WrongPattern, None, text)
}

fn pairs(part: &Part, terminals: &SideFindings, lands: &SideFindings) -> Vec<Pair> {
    let good = |findings: &SideFindings| -> Vec<(usize, PointPx)> {
        findings.sites.iter().filter(|f| f.state == SiteState::Good).filter_map(|f| Some((f.site, f.centre_px?))).collect()
    };
    let lands = good(lands);
    let nearest = |(site, at): (usize, PointPx)| {
        let of_site = lands.iter().filter(|l| l.0 == site).map(|l| l.1);
        let land = of_site.min_by(|a, b| a.distance(at).total_cmp(&b.distance(at)))?;
        Some(Pair { designed: part.sites[site].at_mm, places: [at, land] })
    };
    good(terminals).into_iter().filter_map(nearest).collect()
}

/// How what both stand off their lattices by correlates, and by how many standard deviations that is more than nothing.
fn correlation(pairs: &[Pair], lattices: &[Lattice; 2]) -> Option<(f64, f64)> {
    let misses: [Vec<PointPx>; 2] = [0, 1].map(|which| pairs.iter().map(|p| lattices[which].miss(p, which)).collect());
    let size = |miss: &PointPx| miss.x.hypot(miss.y);
    let [a, b] = [upper_median(misses[0].iter().map(size))?, upper_median(misses[1].iter().map(size))?];
    let usual = misses[0].iter().zip(&misses[1]).filter(|(p, q)| size(p) < MOST_OVER_USUAL * a && size(q) < MOST_OVER_USUAL * b);
    let (mut n, mut both, mut first, mut second) = (0.0, 0.0, 0.0, 0.0);
    for (p, q) in usual {
        n += 1.0;
        both += p.x * q.x + p.y * q.y;
        first += p.x * p.x + p.y * p.y;
        second += q.x * q.x + q.y * q.y;
    }
    // Two coordinates each, less the six of a lattice.
    let free = 2.0 * n - 6.0;
    let correlation = both / f64::sqrt(first * second).max(f64::MIN_POSITIVE);
    (free > 3.0).then(|| (correlation, correlation.clamp(-0.999_999, 0.999_999).atanh() * f64::sqrt(free - 3.0)))
}

/// The affine lattice that fits the places best that one light shows: px x and y of (1, mm x, mm y).
struct Lattice {
    x: Vector3<f64>,
    y: Vector3<f64>,
}

impl Lattice {
    fn fitted(pairs: &[Pair], which: usize) -> Option<Self> {
        let (mut normal, mut x, mut y) = (Matrix3::<f64>::zeros(), Vector3::zeros(), Vector3::zeros());
        for pair in pairs {
            let at = Self::of(pair);
            normal += at * at.transpose();
            x += at * pair.places[which].x;
            y += at * pair.places[which].y;
        }
        let inverse = normal.cholesky()?.inverse();
        Some(Self { x: inverse * x, y: inverse * y })
    }

    fn of(pair: &Pair) -> Vector3<f64> {
        Vector3::new(1.0, pair.designed.x, pair.designed.y)
    }

    /// How far a place lies off it, px.
    fn miss(&self, pair: &Pair, which: usize) -> PointPx {
        let (at, place) = (Self::of(pair), pair.places[which]);
        PointPx::new(place.x - self.x.dot(&at), place.y - self.y.dot(&at))
    }

    fn px_per_mm(&self) -> f64 {
        (self.x[1] * self.y[2] - self.x[2] * self.y[1]).abs().sqrt()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::answer::SiteFinding;
    use landfit_part::{Piece, Site};
    use nalgebra::Matrix2;

    const PX_PER_MM: f64 = 80.0;

    fn part() -> Part {
        let site = |i: usize| Site {
            id: format!("S{i}"),
            at_mm: PointMm::new((i % 5) as f64 * 0.8, (i / 5) as f64 * 0.8),
            angle_rad: 0.0,
            terminal: vec![Piece::round(0.4)],
            land: vec![Piece::round(0.35)],
        };
        Part {
            name: "twenty".into(),
            body_mm: [5.0; 2],
            body_centre_mm: PointMm::ZERO,
            sites: (0..20).map(site).collect(),
            marks: Vec::new(),
            accept_miss_mm: None,
        }
    }

    /// Every site where the lattice has it, and off it by tenths of a pixel, as `seed` has it.
    fn findings(part: &Part, seed: u32, moved_px: f64) -> SideFindings {
        let mut state = seed;
        let mut off_px = || {
            state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
            f64::from(state >> 16) / 65536.0 - 0.5
        };
        let sites = part.sites.iter().enumerate().map(|(site, s)| SiteFinding {
            site,
            state: SiteState::Good,
            view: 0,
            centre_px: Some(PointPx::new(s.at_mm.x * PX_PER_MM + off_px() + moved_px, -s.at_mm.y * PX_PER_MM + off_px())),
            centre_mm: None,
            covariance_mm2: Matrix2::zeros(),
            noise_mm2: Matrix2::zeros(),
            size_ratio: 1.0,
        });
        SideFindings { sites: sites.collect(), scale: None }
    }

    #[test]
    fn one_set_of_features_in_both_lights_is_refused() {
        let part = part();
        let Some(Same::One(refusal)) = compare(&part, &findings(&part, 7, 0.0), &findings(&part, 7, 0.2), false) else {
            panic!("a refusal")
        };
        assert!(refusal.text.starts_with("Both lights show the same features: 20 terminals"), "{}", refusal.text);
    }

    #[test]
    fn a_part_that_lies_over_its_lands_is_not() {
        let part = part();
        let terminals = findings(&part, 7, 0.0);
        for has_sign in [false, true] {
            assert!(compare(&part, &terminals, &findings(&part, 12, 0.0), has_sign).is_none());
        }
        assert!(compare(&part, &terminals, &findings(&part, 7, 4.0), false).is_none(), "another place");
    }

    #[test]
    fn lands_that_follow_the_balls_a_little_are_stated_the_less_surely() {
        let part = part();
        let (terminals, own) = (findings(&part, 7, 1.0), findings(&part, 12, 0.0));
        let mut lands = own;
        for (land, ball) in lands.sites.iter_mut().zip(&terminals.sites) {
            let (Some(at), Some(ball)) = (land.centre_px, ball.centre_px) else { continue };
            land.centre_px = Some(PointPx::new(0.6 * at.x + 0.4 * ball.x, 0.6 * at.y + 0.4 * ball.y));
        }
        let Some(Same::Shared(doubt_mm)) = compare(&part, &terminals, &lands, false) else { panic!("a doubt") };
        // They seem 0.6 px apart where they are 1 px apart.
        assert!((0.2..0.8).contains(&(doubt_mm * PX_PER_MM)), "{}", doubt_mm * PX_PER_MM);
    }

    #[test]
    fn few_features_tell_nothing() {
        let part = part();
        let mut few = findings(&part, 7, 0.0);
        few.sites.truncate(LEAST_FEATURES - 1);
        assert!(compare(&part, &few, &few, true).is_none());
    }
}
