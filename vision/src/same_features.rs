//! Tells whether the lights of both sides show the same features: a tint that was learned with both lights on, a lamp that stays on for both
//! pictures. The offset is then what lies between the two views, whatever the part does.
//!
//! Balls and lands stand off their lattices each in its own way. Where every land lies in the picture where its ball does, and stands off as it
//! does, they are one. What a lens does to all of a neighbourhood is no such way: it is taken off by a polynomial of third order.

use crate::answer::{ReasonCode, Refusal, SideFindings, SiteState};
use crate::cubic::Cubic;
use crate::leak::LEARN_ANEW;
use crate::median::upper_median;
use crate::view::PointPx;
use landfit_part::{Part, PointMm};

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
const LEAST_FEATURES: usize = 16;
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
    let apart_px = usually_apart_px(&pairs)?;
    if pairs.len() < LEAST_FEATURES || apart_px > NEAR_PX {
        return None;
    }
    let (correlation, significance) = correlation(&pairs)?;
    let [least, least_significance] = if has_sign { LEAST_WITH_SIGN } else { LEAST_CORRELATION };
    if apart_px < SAME_PLACE_PX && correlation > least && significance > least_significance {
        return Some(Same::One(one(pairs.len())));
    }
    (significance > LEAST_FOR_DOUBT).then(|| {
        let followed_px = correlation / (1.0 - correlation.min(MOST_FOLLOWED)) * apart_px.min(SAME_PLACE_PX);
        Same::Shared(followed_px / px_per_mm(&pairs))
    })
}

/// How far each terminal lies from its land in the picture, usually, px, and how many px are a mm.
pub(crate) fn apart(part: &Part, terminals: &SideFindings, lands: &SideFindings) -> Option<(f64, f64)> {
    let pairs = pairs(part, terminals, lands);
    Some((usually_apart_px(&pairs)?, px_per_mm(&pairs)))
}

fn usually_apart_px(pairs: &[Pair]) -> Option<f64> {
    upper_median(pairs.iter().map(|p| p.places[0].distance(p.places[1])))
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
        // Findings stand in the part's order.
        let from = lands.partition_point(|l| l.0 < site);
        let of_site = lands[from..].iter().take_while(|l| l.0 == site).map(|l| l.1);
        let land = of_site.min_by(|a, b| a.distance(at).total_cmp(&b.distance(at)))?;
        Some(Pair { designed: part.sites[site].at_mm, places: [at, land] })
    };
    good(terminals).into_iter().filter_map(nearest).collect()
}

/// How what both stand off their lattices by correlates, and by how many standard deviations that is more than nothing.
fn correlation(pairs: &[Pair]) -> Option<(f64, f64)> {
    let misses = [misses(pairs, 0)?, misses(pairs, 1)?];
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
    // Two coordinates each, less those of a lattice and a lens.
    let free = 2.0 * (n - Cubic::TERMS as f64);
    let correlation = both / f64::sqrt(first * second).max(f64::MIN_POSITIVE);
    (free > 3.0).then(|| (correlation, correlation.clamp(-0.999_999, 0.999_999).atanh() * f64::sqrt(free - 3.0)))
}

/// What keeps terms from growing that the places do not tell apart.
const RIDGE: f64 = 1e-9;

/// How far the places that one light shows lie off where a lattice seen through a lens has them, px.
fn misses(pairs: &[Pair], which: usize) -> Option<Vec<PointPx>> {
    let (designed, places): (Vec<_>, Vec<_>) =
        pairs.iter().map(|p| ([p.designed.x, p.designed.y], [p.places[which].x, p.places[which].y])).unzip();
    let cubic = Cubic::fitted(&designed, &places, RIDGE)?;
    let miss = |(at, place): (&[f64; 2], &[f64; 2])| {
        let [x, y] = cubic.at(*at);
        PointPx::new(place[0] - x, place[1] - y)
    };
    Some(designed.iter().zip(&places).map(miss).collect())
}

/// Magnification over all features.
fn px_per_mm(pairs: &[Pair]) -> f64 {
    let n = pairs.len() as f64;
    let spread = |get: fn(&Pair) -> [f64; 2]| -> f64 {
        let middle = pairs.iter().map(get).fold([0.0; 2], |sum, p| [sum[0] + p[0] / n, sum[1] + p[1] / n]);
        pairs.iter().map(get).map(|p| (p[0] - middle[0]).powi(2) + (p[1] - middle[1]).powi(2)).sum::<f64>()
    };
    (spread(|p| [p.places[0].x, p.places[0].y]) / spread(|p| [p.designed.x, p.designed.y]).max(1e-12)).sqrt()
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
            at_mm: PointMm::new((i % 7) as f64 * 0.8, (i / 7) as f64 * 0.8),
            angle_rad: 0.0,
            terminal: vec![Piece::round(0.4)],
            land: vec![Piece::round(0.35)],
        };
        Part {
            name: "forty-nine".into(),
            body_mm: [5.0; 2],
            body_centre_mm: PointMm::ZERO,
            sites: (0..49).map(site).collect(),
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
        assert!(refusal.text.starts_with("Both lights show the same features: 49 terminals"), "{}", refusal.text);
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
    fn a_lens_that_the_bench_file_does_not_tell_of_makes_no_sign() {
        let part = part();
        let (mut terminals, mut lands) = (findings(&part, 7, 0.0), findings(&part, 12, 0.0));
        for finding in terminals.sites.iter_mut().chain(&mut lands.sites) {
            let at = part.sites[finding.site].at_mm;
            let stretch = 1.0 + 0.02 * (at.x * at.x + at.y * at.y) / 16.0;
            finding.centre_px = finding.centre_px.map(|p| PointPx::new(p.x * stretch, p.y * stretch));
        }
        assert!(compare(&part, &terminals, &lands, false).is_none());
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
        assert!((0.2..1.2).contains(&(doubt_mm * PX_PER_MM)), "{}", doubt_mm * PX_PER_MM);
    }

    #[test]
    fn few_features_tell_nothing() {
        let part = part();
        let mut few = findings(&part, 7, 0.0);
        few.sites.truncate(LEAST_FEATURES - 1);
        assert!(compare(&part, &few, &few, true).is_none());
    }
}
