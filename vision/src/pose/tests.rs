//! Each estimator: minimal, over-determined, degenerate, with outliers, with noise; and the laws that all obey.

use super::*;
use proptest::prelude::*;
use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, Normal};

const SIGMA_MM: f64 = 0.005;

fn p(x: f64, y: f64) -> PointMm {
    PointMm::new(x, y)
}

fn truth() -> Pose {
    Pose::new(0.31, -0.12, 0.02)
}

/// A square grid with its origin off the centre, so that x, y and theta are correlated.
fn grid(side: usize) -> Vec<PointMm> {
    (0..side * side).map(|i| p((i % side) as f64, (i / side) as f64 * 0.8)).collect()
}

fn carried(pose: Pose, points: &[PointMm]) -> Vec<PointMm> {
    points.iter().map(|&q| pose.apply(q)).collect()
}

fn noisy(points: &[PointMm], sigma_mm: f64, seed: u64) -> Vec<PointMm> {
    let (mut random, normal) = (ChaCha8Rng::seed_from_u64(seed), Normal::new(0.0, sigma_mm).unwrap());
    points.iter().map(|q| *q + p(normal.sample(&mut random), normal.sample(&mut random))).collect()
}

fn round(n: usize, sigma_mm: f64) -> Vec<Matrix2<f64>> {
    vec![Matrix2::identity() * sigma_mm * sigma_mm; n]
}

fn assert_same(found: Pose, expected: Pose, tolerance: f64) {
    let off = [found.x_mm - expected.x_mm, found.y_mm - expected.y_mm, wrap_angle_rad(found.theta_rad - expected.theta_rad)];
    assert!(off.iter().all(|d| d.abs() < tolerance), "{found:?} is not {expected:?} within {tolerance}");
}

/// Squared error of a fit in units of its own covariance; chi-squared with three degrees of freedom when that is true.
fn squared_error(found: Pose, covariance: &Matrix3<f64>) -> f64 {
    let off = Vector3::new(found.x_mm - truth().x_mm, found.y_mm - truth().y_mm, found.theta_rad - truth().theta_rad);
    off.dot(&(covariance.try_inverse().unwrap() * off))
}

/// The mean over `n_runs` of what should be 3 on average. The mean's own scatter is sqrt(6 / n_runs).
fn assert_true_covariance(n_runs: u64, squared_error_of_run: impl Fn(u64) -> f64) {
    let mean = (0..n_runs).map(squared_error_of_run).sum::<f64>() / n_runs as f64;
    let scatter = (6.0 / n_runs as f64).sqrt();
    assert!((mean - 3.0).abs() < 4.0 * scatter, "mean squared error {mean}, expected 3 ± {scatter}");
}

mod closed_form {
    use super::*;

    #[test]
    fn two_points_settle_a_motion() {
        let from = [p(0.0, 0.0), p(4.0, 1.0)];
        assert_same(fit_rigid(&from, &carried(truth(), &from)).unwrap(), truth(), 1e-12);
    }

    #[test]
    fn a_whole_grid_gives_the_motion_back() {
        let from = grid(16);
        assert_same(fit_rigid(&from, &carried(truth(), &from)).unwrap(), truth(), 1e-12);
    }

    #[test]
    fn points_that_settle_no_motion_are_refused() {
        let one_place = [p(1.0, 1.0); 5];
        assert!(matches!(fit_rigid(&one_place, &one_place), Err(PoseError::Coincident { n: 5, .. })));
        assert!(matches!(fit_rigid(&[], &[]), Err(PoseError::TooFew { found: 0, needed: 2 })));
        assert!(matches!(fit_rigid(&one_place[..2], &one_place), Err(PoseError::Unpaired { from: 2, to: 5 })));
        let nan = [p(0.0, 0.0), p(f64::NAN, 0.0)];
        assert_eq!(fit_rigid(&nan, &nan), Err(PoseError::NotFinite { index: 1 }));
        let square = [p(1.0, 1.0), p(-1.0, 1.0), p(-1.0, -1.0), p(1.0, -1.0)];
        let mirrored = square.map(|q| p(-q.x, q.y));
        assert_eq!(fit_rigid(&square, &mirrored), Err(PoseError::TurnUndetermined));
    }

    #[test]
    fn a_row_of_points_is_enough() {
        let from = [p(0.0, 0.0), p(1.0, 0.0), p(2.0, 0.0)];
        assert_same(fit_rigid(&from, &carried(truth(), &from)).unwrap(), truth(), 1e-12);
    }

    #[test]
    fn a_weight_of_zero_leaves_an_outlier_out() {
        let from = grid(4);
        let mut to = carried(truth(), &from);
        to[5] = to[5] + p(0.5, 0.5);
        let mut weights = vec![1.0; 16];
        weights[5] = 0.0;
        assert_same(fit_rigid_weighted(&from, &to, &weights).unwrap(), truth(), 1e-12);
        assert!(fit_rigid(&from, &to).unwrap().shift().distance(truth().shift()) > 0.01);
        weights[5] = -1.0;
        assert_eq!(fit_rigid_weighted(&from, &to, &weights), Err(PoseError::BadWeight { index: 5, weight: -1.0 }));
    }

    #[test]
    fn noise_leaves_the_error_that_theory_predicts() {
        let from = grid(6);
        let covariance = fit_rigid_general(&from, &carried(truth(), &from), &round(36, SIGMA_MM)).unwrap().own_covariance;
        assert_true_covariance(400, |seed| {
            squared_error(fit_rigid(&from, &noisy(&carried(truth(), &from), SIGMA_MM, seed)).unwrap(), &covariance)
        });
    }
}

mod general_covariances {
    use super::*;

    /// Long ellipses, each turned its own way.
    fn uneven(n: usize) -> Vec<Matrix2<f64>> {
        (0..n)
            .map(|i| {
                let axes = nalgebra::Rotation2::new(i as f64 * 0.7).into_inner();
                let spread = if i % 3 == 0 { 0.03 } else { SIGMA_MM };
                axes * Matrix2::new(spread * spread, 0.0, 0.0, SIGMA_MM * SIGMA_MM / 4.0) * axes.transpose()
            })
            .collect()
    }

    fn noisy_as(points: &[PointMm], covariances: &[Matrix2<f64>], seed: u64) -> Vec<PointMm> {
        let unit = noisy(&vec![PointMm::ZERO; points.len()], 1.0, seed);
        let mixed = |i: usize| covariances[i].cholesky().unwrap().l() * Vector2::new(unit[i].x, unit[i].y);
        (0..points.len()).map(|i| points[i] + p(mixed(i).x, mixed(i).y)).collect()
    }

    #[test]
    fn two_points_have_one_degree_of_freedom_left() {
        let from = [p(0.0, 0.0), p(4.0, 1.0)];
        let fit = fit_rigid_general(&from, &carried(truth(), &from), &uneven(2)).unwrap();
        assert_same(fit.to_from, truth(), 1e-12);
        assert!(fit.dof == 1.0 && fit.inliers == [true; 2]);
    }

    #[test]
    fn a_whole_grid_gives_the_motion_back() {
        let from = grid(16);
        let fit = fit_rigid_general(&from, &carried(truth(), &from), &uneven(256)).unwrap();
        assert_same(fit.to_from, truth(), 1e-12);
        assert!(fit.reduced_chi2 < 1e-12);
    }

    #[test]
    fn a_covariance_that_is_none_is_refused() {
        let from = grid(3);
        let mut covariances = uneven(9);
        for bad in [Matrix2::zeros(), Matrix2::new(1.0, 2.0, 2.0, 1.0), Matrix2::new(1.0, 0.5, 0.0, 1.0), Matrix2::identity() * f64::NAN] {
            covariances[4] = bad;
            assert_eq!(fit_rigid_general(&from, &from, &covariances).unwrap_err(), PoseError::BadCovariance { index: 4 });
        }
        assert!(matches!(fit_rigid_general(&from, &from, &uneven(8)), Err(PoseError::Unpaired { from: 9, to: 8 })));
        assert!(matches!(fit_rigid_general(&[p(1.0, 1.0); 3], &from[..3], &uneven(3)), Err(PoseError::Coincident { .. })));
    }

    #[test]
    fn an_outlier_widens_the_covariance_through_the_residuals() {
        let from = grid(4);
        let mut to = carried(truth(), &from);
        to[5] = to[5] + p(0.5, 0.5);
        let fit = fit_rigid_general(&from, &to, &round(16, SIGMA_MM)).unwrap();
        assert_eq!(fit.inliers, vec![true; 16]);
        assert!(fit.reduced_chi2 > 100.0);
        assert!((fit.covariance - fit.own_covariance * fit.reduced_chi2).norm() < 1e-15);
    }

    #[test]
    fn noise_leaves_the_error_that_the_covariance_predicts() {
        let (from, covariances) = (grid(5), uneven(25));
        assert_true_covariance(400, |seed| {
            let fit = fit_rigid_general(&from, &noisy_as(&carried(truth(), &from), &covariances, seed), &covariances).unwrap();
            squared_error(fit.to_from, &fit.own_covariance)
        });
    }

    #[test]
    fn equal_round_covariances_are_the_closed_form() {
        let from = grid(5);
        let to = noisy(&carried(truth(), &from), 0.05, 3);
        assert_same(fit_rigid_general(&from, &to, &round(25, SIGMA_MM)).unwrap().to_from, fit_rigid(&from, &to).unwrap(), 1e-12);
    }

    #[test]
    fn a_frame_far_from_its_points_costs_no_digits() {
        let near = grid(5);
        let far: Vec<_> = near.iter().map(|q| *q + p(2000.0, -1000.0)).collect();
        let fit = fit_rigid_general(&far, &noisy(&carried(truth(), &far), SIGMA_MM, 1), &round(25, SIGMA_MM)).unwrap();
        let centre = p(2002.0, -998.4);
        let expected = Matrix2::identity() * SIGMA_MM * SIGMA_MM / 25.0 * fit.reduced_chi2.max(1.0);
        assert!((fit.target_covariance_mm2(centre) - expected).norm() < 1e-6 * expected.norm());
    }
}

mod robust {
    use super::*;

    fn fit(from: &[PointMm], to: &[PointMm], sigma_mm: f64) -> Result<RigidFit, PoseError> {
        fit_rigid_robust(from, to, &round(from.len(), sigma_mm), &RobustOptions::default())
    }

    #[test]
    fn two_points_settle_a_motion() {
        let from = [p(0.0, 0.0), p(4.0, 1.0)];
        assert_same(fit(&from, &carried(truth(), &from), SIGMA_MM).unwrap().to_from, truth(), 1e-12);
    }

    #[test]
    fn a_whole_grid_gives_the_motion_back() {
        let from = grid(16);
        let fit = fit(&from, &carried(truth(), &from), SIGMA_MM).unwrap();
        assert_same(fit.to_from, truth(), 1e-12);
        assert_eq!(fit.inliers, vec![true; 256]);
    }

    #[test]
    fn pairs_that_agree_on_nothing_are_refused() {
        let one_place = [p(1.0, 1.0); 5];
        assert!(matches!(fit(&one_place, &one_place, SIGMA_MM), Err(PoseError::Coincident { .. })));
        assert!(matches!(fit(&one_place[..1], &one_place[..1], SIGMA_MM), Err(PoseError::TooFew { .. })));
        // Two halves that moved apart: neither is more than half.
        let from = grid(4);
        let to: Vec<_> = from.iter().enumerate().map(|(i, q)| *q + p(if i % 2 == 0 { 3.0 } else { -3.0 }, 0.0)).collect();
        match fit(&from, &to, SIGMA_MM) {
            Err(PoseError::TooFewInliers { inliers, n: 16, .. }) => assert!(inliers <= 8),
            // A noise as large as the step between the halves explains them, too; it must then say so.
            Ok(fit) => assert!(fit.covariance.m11.sqrt() > 0.3, "{fit:?}"),
            Err(other) => panic!("{other}"),
        }
    }

    #[test]
    fn the_mask_names_the_outliers_and_the_fit_does_not_feel_them() {
        let from = grid(8);
        let mut to = noisy(&carried(truth(), &from), SIGMA_MM, 7);
        // A whole block moved one pitch along x, as a mismatched corner would: 24 of 64.
        let is_wrong = |i: usize| i < 24;
        for (i, q) in to.iter_mut().enumerate() {
            if is_wrong(i) {
                *q = *q + p(1.0, 0.0);
            }
        }
        let fit = fit(&from, &to, SIGMA_MM).unwrap();
        assert!((0..64).filter(|&i| is_wrong(i)).all(|i| !fit.inliers[i]));
        assert!(fit.inliers.iter().filter(|k| **k).count() >= 39);
        let rest: Vec<usize> = (0..64).filter(|&i| fit.inliers[i]).collect();
        let pick = |points: &[PointMm]| rest.iter().map(|&i| points[i]).collect::<Vec<_>>();
        assert_same(fit.to_from, fit_rigid(&pick(&from), &pick(&to)).unwrap(), 1e-9);
    }

    #[test]
    fn a_slightly_displaced_point_is_told_from_noise() {
        let from = grid(8);
        let mut to = noisy(&carried(truth(), &from), SIGMA_MM, 11);
        to[20] = to[20] + p(0.0, 8.0 * SIGMA_MM);
        let fit = fit(&from, &to, SIGMA_MM).unwrap();
        assert!(!fit.inliers[20]);
        assert!(fit.inliers.iter().filter(|k| **k).count() >= 62);
    }

    #[test]
    fn noise_leaves_the_error_that_the_covariance_predicts() {
        let from = grid(6);
        assert_true_covariance(400, |seed| {
            let fit = fit(&from, &noisy(&carried(truth(), &from), SIGMA_MM, seed), SIGMA_MM).unwrap();
            squared_error(fit.to_from, &fit.own_covariance)
        });
    }

    #[test]
    fn noise_larger_than_the_covariances_say_throws_no_good_points_out_and_is_owned_up_to() {
        let from = grid(10);
        let to = noisy(&carried(truth(), &from), 10.0 * SIGMA_MM, 5);
        let fit = fit(&from, &to, SIGMA_MM).unwrap();
        assert!(fit.inliers.iter().filter(|k| **k).count() >= 98);
        assert!((70.0..140.0).contains(&fit.reduced_chi2), "{}", fit.reduced_chi2);
        assert!((fit.covariance - fit.own_covariance * fit.reduced_chi2).norm() < 1e-15);
    }
}

mod similarity {
    use super::*;

    #[test]
    fn two_points_settle_a_scale() {
        let from = [p(0.0, 0.0), p(4.0, 1.0)];
        let to = carried(truth(), &from.map(|q| q * 1.02));
        let found = fit_similarity(&from, &to, &[1.0; 2]).unwrap();
        assert!((found.scale - 1.02).abs() < 1e-12);
        assert_same(found.to_from, truth(), 1e-12);
    }

    #[test]
    fn a_whole_grid_gives_the_scale_back() {
        let from = grid(16);
        let to = carried(truth(), &from.iter().map(|q| *q * 0.9).collect::<Vec<_>>());
        let found = fit_similarity(&from, &to, &[4e4; 256]).unwrap();
        assert!((found.scale - 0.9).abs() < 1e-12);
        assert_same(found.to_from, truth(), 1e-12);
    }

    #[test]
    fn points_at_one_place_have_no_scale() {
        let one_place = [p(1.0, 1.0); 5];
        assert!(matches!(fit_similarity(&one_place, &grid(3)[..5], &[1.0; 5]), Err(PoseError::Coincident { .. })));
        assert!(matches!(fit_similarity(&grid(2), &grid(2), &[1.0, 0.0, 0.0, 0.0]), Err(PoseError::TooFew { found: 1, needed: 2 })));
    }

    #[test]
    fn a_weight_of_zero_leaves_an_outlier_out() {
        let from = grid(4);
        let mut to = from.clone();
        to[0] = p(-3.0, -3.0);
        let mut weights = vec![4e4; 16];
        let spoilt = fit_similarity(&from, &to, &weights).unwrap();
        weights[0] = 0.0;
        let clean = fit_similarity(&from, &to, &weights).unwrap();
        assert!((clean.scale - 1.0).abs() < 1e-12 && (spoilt.scale - 1.0).abs() > 0.1);
        assert!(spoilt.scale_u > 10.0 * clean.scale_u, "the residuals must widen the uncertainty");
    }

    #[test]
    fn pairs_that_are_known_one_way_tell_the_scale_that_way() {
        // Each place is known across its own way only, and is off by a lot along it.
        let from = grid(6);
        let way = |i: usize| 0.4 + 0.9 * i as f64;
        let covariances: Vec<_> = (0..from.len())
            .map(|i| {
                let turn = *nalgebra::Rotation2::new(way(i)).matrix();
                turn * Matrix2::from_diagonal(&Vector2::new(1.0, 1e-8)) * turn.transpose()
            })
            .collect();
        let scaled: Vec<_> = from.iter().map(|q| *q * 1.1).collect();
        let off: Vec<_> = (carried(truth(), &scaled).into_iter().enumerate())
            .map(|(i, q)| q + p(way(i).cos(), way(i).sin()) * (0.02 * (i % 5) as f64))
            .collect();
        let found = fit_similarity_general(&from, &off, &covariances).unwrap();
        assert!((found.scale - 1.1).abs() < 1e-6, "{}", found.scale);
        assert_same(found.to_from, truth(), 1e-5);
        assert!(matches!(fit_similarity_general(&[p(1.0, 1.0); 3], &grid(3)[..3], &covariances[..3]), Err(PoseError::Coincident { .. })));
        assert!(matches!(fit_similarity_general(&from[..1], &off[..1], &covariances[..1]), Err(PoseError::TooFew { found: 1, needed: 2 })));
    }

    #[test]
    fn round_covariances_fit_as_weights_do() {
        let from = grid(6);
        let to = noisy(&carried(truth(), &from), SIGMA_MM, 7);
        let round = vec![Matrix2::identity() * SIGMA_MM.powi(2); from.len()];
        let general = fit_similarity_general(&from, &to, &round).unwrap();
        let weighted = fit_similarity(&from, &to, &vec![SIGMA_MM.powi(-2); from.len()]).unwrap();
        assert!((general.scale - weighted.scale).abs() < 1e-12 && (general.scale_u / weighted.scale_u - 1.0).abs() < 1e-9);
        assert_same(general.to_from, weighted.to_from, 1e-12);
    }

    #[test]
    fn noise_leaves_the_scale_error_that_is_predicted() {
        let from = grid(6);
        let weights = [1.0 / (SIGMA_MM * SIGMA_MM); 36];
        let own_u = SIGMA_MM / Moments::of(&from, &from, |_| 1.0).unwrap().from_spread.sqrt();
        let n_runs = 400;
        let mean = (0..n_runs)
            .map(|seed| {
                let found = fit_similarity(&from, &noisy(&carried(truth(), &from), SIGMA_MM, seed), &weights).unwrap();
                assert!((own_u..1.6 * own_u).contains(&(found.scale_u * (1.0 + 1e-12))));
                ((found.scale - 1.0) / own_u).powi(2)
            })
            .sum::<f64>()
            / f64::from(n_runs as u32);
        assert!((mean - 1.0).abs() < 4.0 * (2.0 / n_runs as f64).sqrt(), "{mean}");
    }
}

mod least_worst {
    use super::*;

    #[test]
    fn two_points_share_what_is_left() {
        let from = [p(0.0, 0.0), p(4.0, 0.0)];
        let to = [p(0.0, 0.0), p(4.2, 0.0)];
        let found = fit_minimax(&from, &to).unwrap();
        assert!((found.worst_mm - 0.1).abs() < 1e-9);
        assert_same(found.to_from, Pose::new(0.1, 0.0, 0.0), 1e-6);
    }

    #[test]
    fn a_whole_grid_gives_the_motion_back() {
        let from = grid(16);
        let found = fit_minimax(&from, &carried(truth(), &from)).unwrap();
        assert_same(found.to_from, truth(), 1e-9);
        assert!(found.worst_mm < 1e-9);
    }

    #[test]
    fn points_that_settle_no_motion_are_refused() {
        assert!(matches!(fit_minimax(&[p(1.0, 1.0); 5], &[p(1.0, 1.0); 5]), Err(PoseError::Coincident { .. })));
        assert!(matches!(fit_minimax(&grid(1), &grid(1)), Err(PoseError::TooFew { .. })));
    }

    #[test]
    fn one_bad_point_takes_no_more_than_half_of_its_error() {
        let from = grid(4);
        let mut to = from.clone();
        to[5] = to[5] + p(0.2, 0.0);
        let found = fit_minimax(&from, &to).unwrap();
        let least_squares = fit_rigid(&from, &to).unwrap();
        let worst_of = |pose: Pose| from.iter().zip(&to).map(|(a, b)| pose.apply(*a).distance(*b)).fold(0.0, f64::max);
        assert!(found.worst_mm <= 0.1 + 1e-9);
        assert!(found.worst_mm < worst_of(least_squares) - 0.05);
        assert!((found.worst_mm - worst_of(found.to_from)).abs() < 1e-15);
    }

    #[test]
    fn under_noise_no_neighbouring_motion_is_better() {
        let from = grid(6);
        for seed in 0..20 {
            let to = noisy(&carried(truth(), &from), SIGMA_MM, seed);
            let found = fit_minimax(&from, &to).unwrap();
            let worst_of = |pose: &Pose| from.iter().zip(&to).map(|(a, b)| pose.apply(*a).distance(*b)).fold(0.0, f64::max);
            // A least worst rests on three or four points, so it is near that of pure noise: 2 to 3.5 sigma for 36 points.
            assert!((1.5 * SIGMA_MM..3.8 * SIGMA_MM).contains(&found.worst_mm), "{}", found.worst_mm);
            for (dx, dy, dt) in [(1.0, 0.0, 0.0), (0.0, 1.0, 0.0), (0.0, 0.0, 1.0), (1.0, 1.0, 1.0), (1.0, -1.0, 0.3)] {
                for size in [-1e-4, -1e-6, 1e-6, 1e-4] {
                    let f = found.to_from;
                    let other = Pose::new(f.x_mm + dx * size, f.y_mm + dy * size, f.theta_rad + dt * size);
                    assert!(worst_of(&other) >= found.worst_mm - 1e-12);
                }
            }
        }
    }
}

fn any_motion() -> impl Strategy<Value = Pose> {
    (-50.0..50.0, -50.0..50.0, -3.1..3.1).prop_map(|(x, y, t): (f64, f64, f64)| Pose::new(x, y, t))
}

fn spread_points() -> impl Strategy<Value = Vec<PointMm>> {
    prop::collection::vec((-30.0..30.0, -30.0..30.0).prop_map(|(x, y): (f64, f64)| p(x, y)), 3..40)
        .prop_filter("spread", |points| points.iter().any(|q| q.distance(points[0]) > 1.0))
}

proptest! {
    #[test]
    fn every_fit_recovers_any_noiseless_motion(motion in any_motion(), points in spread_points()) {
        let to = carried(motion, &points);
        let covariances = round(points.len(), SIGMA_MM);
        let poses = [
            fit_rigid(&points, &to).unwrap(),
            fit_rigid_general(&points, &to, &covariances).unwrap().to_from,
            fit_rigid_robust(&points, &to, &covariances, &RobustOptions::default()).unwrap().to_from,
            fit_similarity(&points, &to, &vec![1.0; points.len()]).unwrap().to_from,
            fit_minimax(&points, &to).unwrap().to_from,
        ];
        for pose in poses {
            for (a, b) in points.iter().zip(&to) {
                prop_assert!(pose.apply(*a).distance(*b) < 1e-9);
            }
        }
    }

    #[test]
    fn the_order_of_the_pairs_does_not_matter(motion in any_motion(), points in spread_points(), seed in 0_u64..1000) {
        let to = noisy(&carried(motion, &points), SIGMA_MM, seed);
        let reversed = |v: &[PointMm]| v.iter().rev().copied().collect::<Vec<_>>();
        let covariances = round(points.len(), SIGMA_MM);
        let there = fit_rigid_general(&points, &to, &covariances).unwrap();
        let back = fit_rigid_general(&reversed(&points), &reversed(&to), &covariances).unwrap();
        for q in &points {
            prop_assert!(there.to_from.apply(*q).distance(back.to_from.apply(*q)) < 1e-9);
        }
    }

    #[test]
    fn fitting_after_another_motion_composes(motion in any_motion(), other in any_motion(), points in spread_points(), seed in 0_u64..1000) {
        let to = noisy(&carried(motion, &points), SIGMA_MM, seed);
        let composed = other.after(&fit_rigid(&points, &to).unwrap());
        let direct = fit_rigid(&points, &carried(other, &to)).unwrap();
        for q in &points {
            prop_assert!(composed.apply(*q).distance(direct.apply(*q)) < 1e-9);
        }
    }

    #[test]
    fn the_least_worst_is_never_worse_than_least_squares(motion in any_motion(), points in spread_points(), seed in 0_u64..1000) {
        let to = noisy(&carried(motion, &points), 0.05, seed);
        let worst_of = |pose: Pose| points.iter().zip(&to).map(|(a, b)| pose.apply(*a).distance(*b)).fold(0.0, f64::max);
        prop_assert!(fit_minimax(&points, &to).unwrap().worst_mm <= worst_of(fit_rigid(&points, &to).unwrap()) + 1e-9);
    }

    #[test]
    fn no_input_makes_a_fit_panic(coordinates in prop::collection::vec((any::<f64>(), any::<f64>(), any::<f64>(), any::<f64>()), 0..6), v in any::<f64>()) {
        let from: Vec<_> = coordinates.iter().map(|c| p(c.0, c.1)).collect();
        let to: Vec<_> = coordinates.iter().map(|c| p(c.2, c.3)).collect();
        let covariances = vec![Matrix2::new(v, 0.0, 0.0, 1.0); from.len()];
        let _ = (fit_rigid(&from, &to), fit_minimax(&from, &to), fit_similarity(&from, &to, &vec![v; from.len()]));
        let _ = (fit_rigid_general(&from, &to, &covariances), fit_rigid_robust(&from, &to, &covariances, &RobustOptions::default()));
    }
}
