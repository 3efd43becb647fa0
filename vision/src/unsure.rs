//! Refuses an offset that is too unsure to judge a part by: it could be a wrong answer, and moves planned from it could carry the part away from
//! its place.

use crate::answer::{Fit, HowFar, ReasonCode, Refusal, Way};
use crate::whereabouts;
use landfit_part::{Part, PointMm, Pose, Side};
use nalgebra::{Matrix2x3, Matrix3};

/// An interval whose half-width is more than this, mm, tells a way at most: an answer that is off by more than 20 µm is a wrong one, and this is
/// 2.7 standard uncertainties from there. Where the person has said by how much the part may miss …
const MOST_UNSURE_MM: f64 = 0.015;
/// … it may be this share of that: beyond a quarter nothing is left to the hands that bring it there.
const MOST_UNSURE_SHARE: f64 = 0.2;

/// What helps where too little is seen.
const SEE_MORE: &str = "Bring more terminals and lands into view, focus, light them evenly, and look again.";
/// What helps where one light shows some of the other side.
const TELL_APART: &str = "Each light may show some of the other side, and terminals lie beside their lands, where that pulls them most. Learn the lights' colours anew (calibrate lights), or move the part aside by a third of a pitch to measure it.";

/// The refusal, with the rough way that the offset still tells. `crossed` is what light of the other side has of the covariance.
pub(crate) fn too_unsure(part: &Part, fit: &Fit, crossed: &Matrix3<f64>) -> Option<Refusal> {
    let (site, half_width_mm) = least_sure(part, fit, &fit.covariance)?;
    let most_mm = MOST_UNSURE_MM.max(MOST_UNSURE_SHARE * part.accept_miss_mm.unwrap_or(0.0));
    (half_width_mm > most_mm).then(|| {
        let is_seen_enough = least_sure(part, fit, &(fit.covariance - crossed)).is_some_and(|(_, without_mm)| without_mm <= most_mm);
        let mend = if is_seen_enough { TELL_APART } else { SEE_MORE };
        let offset = fit.offset.shift();
        let back = Pose::new(0.0, 0.0, fit.bench_from_board.theta_rad).apply(PointMm::new(-offset.x, -offset.y));
        let way = Way { side: Side::Part, by_mm: back, how_far: [HowFar::About; 2] };
        let text = format!(
            "What is seen tells where terminal {} lies to ± {:.0} µm only; ± {:.0} µm is the most for an answer. {mend}{}",
            part.sites[site].id,
            1e3 * half_width_mm,
            1e3 * most_mm,
            whereabouts::words(&way)
        );
        Refusal { way: Some(way), ..Refusal::new(ReasonCode::AmbiguousShift, None, text) }
    })
}

/// The site that is placed least surely, and the half-width of its 95.45 % interval along its least sure direction, mm.
fn least_sure(part: &Part, fit: &Fit, covariance: &Matrix3<f64>) -> Option<(usize, f64)> {
    let half_width_mm = |at: PointMm| {
        let arm = at.rotated(fit.offset.theta_rad);
        let slope = Matrix2x3::new(1.0, 0.0, -arm.y, 0.0, 1.0, arm.x);
        let covariance = slope * covariance * slope.transpose();
        fit.k * covariance.symmetric_eigenvalues().max().max(0.0).sqrt()
    };
    let of_sites = part.sites.iter().enumerate().map(|(i, site)| (i, half_width_mm(site.at_mm)));
    of_sites.max_by(|a, b| a.1.total_cmp(&b.1))
}

#[cfg(test)]
mod tests {
    use super::*;
    use landfit_part::{Piece, Site};

    fn part() -> Part {
        let site = |id: &str, x, y| Site {
            id: id.into(),
            at_mm: PointMm::new(x, y),
            angle_rad: 0.0,
            terminal: vec![Piece::round(0.4)],
            land: vec![Piece::round(0.32)],
        };
        let sites = vec![site("A1", -5.0, 5.0), site("A2", 0.0, 5.0), site("B1", 5.0, -4.0)];
        Part { name: "three".into(), body_mm: [12.0; 2], body_centre_mm: PointMm::ZERO, sites, marks: Vec::new(), accept_miss_mm: None }
    }

    fn fit(shift_u_mm: f64, theta_u_rad: f64) -> Fit {
        let pose = Pose::new(0.3, -0.2, 0.0);
        let covariance = Matrix3::from_diagonal(&nalgebra::Vector3::new(shift_u_mm.powi(2), shift_u_mm.powi(2), theta_u_rad.powi(2)));
        Fit { bench_from_part: pose, bench_from_board: Pose::new(0.0, 0.0, 0.0), offset: pose, covariance, k: 2.0 }
    }

    #[test]
    fn what_is_placed_worse_than_to_15_um_or_a_fifth_of_what_it_may_miss_by_is_refused_with_the_way() {
        assert_eq!(too_unsure(&part(), &fit(0.0074, 0.0), &Matrix3::zeros()), None);
        assert!(too_unsure(&part(), &fit(0.0076, 0.0), &Matrix3::zeros()).is_some());
        let refusal = too_unsure(&part(), &fit(0.0101, 0.0), &Matrix3::zeros()).unwrap();
        assert_eq!(refusal.code, ReasonCode::AmbiguousShift);
        assert!(refusal.text.contains("± 20 µm") && refusal.text.contains("± 15 µm is the most"), "{}", refusal.text);
        assert!(refusal.text.ends_with("Move the part about 0.3 mm to the left and about 0.2 mm away from you."), "{}", refusal.text);
        let coarse = Part { accept_miss_mm: Some(0.2), ..part() };
        assert_eq!(too_unsure(&coarse, &fit(0.0199, 0.0), &Matrix3::zeros()), None);
        assert!(too_unsure(&coarse, &fit(0.0201, 0.0), &Matrix3::zeros()).is_some());
    }

    #[test]
    fn the_turn_counts_where_it_moves_most() {
        // 7.07 mm from the middle, the turn alone moves A1 by 2 x 0.0011 x 7.07 mm.
        let refusal = too_unsure(&part(), &fit(0.0, 0.0011), &Matrix3::zeros()).unwrap();
        assert!(refusal.text.contains("terminal A1 lies to ± 16 µm"), "{}", refusal.text);
        assert_eq!(too_unsure(&part(), &fit(0.0, 0.0010), &Matrix3::zeros()), None);
    }

    #[test]
    fn light_of_the_other_side_is_named_where_it_alone_is_too_much() {
        let unsure = fit(0.0080, 0.0);
        let text = |crossed_mm: f64| {
            let crossed = Matrix3::from_diagonal(&nalgebra::Vector3::new(crossed_mm.powi(2), crossed_mm.powi(2), 0.0));
            too_unsure(&part(), &unsure, &crossed).unwrap().text
        };
        assert!(text(0.0079).contains("calibrate lights") && !text(0.001).contains("calibrate lights"), "{}", text(0.001));
    }
}
