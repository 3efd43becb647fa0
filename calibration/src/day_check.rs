//! The check of the day: does one picture still agree with the bench file, in scale, in the registration of part view against
//! board view where both see one target, and in focus; and does the shop's own check pair still read as it did.

use crate::scale::Spot;
use landfit_part::{PointMm, Pose};
use landfit_stats::charts::{Limits, ewma};
use landfit_stats::{mean, standard_deviation};
use landfit_vision::pose::{PoseError, RigidFit, RobustOptions, fit_rigid_robust, fit_similarity};
use landfit_vision::view::Sight;
use nalgebra::Matrix2;

/// What a view's picture of a target says against the bench file.
#[derive(Debug, Clone)]
pub struct ViewCheck {
    /// Scale by the picture over scale by the file, less 1.
    pub scale_off: f64,
    /// Standard uncertainty of that, both sides' together.
    pub u_scale: f64,
    /// Where the target lies by the file.
    pub fit: RigidFit,
}

/// A scale may be off by so much, relative, beside its uncertainty before it is called changed: 1 µm in 10 mm, a project choice. One
/// picture's marks err together by more than their scatter says.
pub const SCALE_SLACK: f64 = 1e-4;

impl ViewCheck {
    /// Whether the scale still agrees, at k = 2 and with [`SCALE_SLACK`].
    #[must_use]
    pub fn scale_holds(&self) -> bool {
        self.scale_off.abs() <= 2.0 * self.u_scale + SCALE_SLACK
    }
}

/// Checks one view; `known_relative` is how well the file knows the scale.
///
/// # Errors
/// Marks that allow no fit.
pub fn check_view(spots: &[Spot], sight: &Sight, known_relative: f64) -> Result<ViewCheck, PoseError> {
    let target: Vec<PointMm> = spots.iter().map(|s| s.at_mm).collect();
    let seen: Vec<PointMm> = spots.iter().map(|s| sight.mm(s.seen_px)).collect();
    let covariances: Vec<Matrix2<f64>> = spots
        .iter()
        .map(|s| {
            let j = sight.px_per_mm(sight.mm(s.seen_px)).try_inverse().unwrap_or_else(Matrix2::identity);
            j * j.transpose() * s.u_px.powi(2)
        })
        .collect();
    let weights: Vec<f64> = covariances.iter().map(|c| 2.0 / c.trace().max(1e-18)).collect();
    let free = fit_similarity(&target, &seen, &weights)?;
    let fit = fit_rigid_robust(&target, &seen, &covariances, &RobustOptions::default())?;
    // Measured mm over true mm of the target: the file's scale is long by this.
    Ok(ViewCheck { scale_off: free.scale - 1.0, u_scale: free.scale_u.hypot(known_relative), fit })
}

/// How the part view stands against the board view by one target that both see, mm and radians, part less board.
#[must_use]
pub fn registration_off(part: &ViewCheck, board: &ViewCheck, middle_of_target: PointMm) -> [f64; 3] {
    let at = |pose: &Pose| pose.apply(middle_of_target);
    let d = at(&part.fit.to_from) - at(&board.fit.to_from);
    [d.x, d.y, landfit_part::wrap_angle_rad(part.fit.to_from.theta_rad - board.fit.to_from.theta_rad)]
}

/// Where the newest of a series stands against those before it.
#[derive(Debug, Clone, PartialEq)]
pub struct Trend {
    /// Limits of the moving average, from the earlier values.
    pub limits: Limits,
    /// The moving average with the newest.
    pub now: f64,
    /// Earlier values that it rests on.
    pub n: usize,
}

impl Trend {
    /// Whether the moving average is within its limits.
    #[must_use]
    pub fn holds(&self) -> bool {
        (self.limits.lower..=self.limits.upper).contains(&self.now)
    }
}

/// Weight of the newest value in the moving average: what the NIST handbook's example takes.
const LAMBDA: f64 = 0.3;
/// Fewer earlier values give no limits.
pub const LEAST_EARLIER: usize = 5;

/// Judges the newest of a series against those before it; `None` below [`LEAST_EARLIER`] earlier values. `least_sd` keeps limits
/// from closing in on a series that happened to be even.
#[must_use]
pub fn trend(earlier: &[f64], newest: f64, least_sd: f64) -> Option<Trend> {
    if earlier.len() < LEAST_EARLIER {
        return None;
    }
    let sd = standard_deviation(earlier).max(least_sd);
    let mut all = earlier.to_vec();
    all.push(newest);
    let chart = ewma(&all, mean(earlier), sd, LAMBDA);
    Some(Trend { limits: chart.limits, now: *chart.values.last()?, n: earlier.len() })
}

#[cfg(test)]
mod tests {
    use super::*;
    use landfit_part::Side;
    use landfit_vision::{PointPx, View};
    use nalgebra::Matrix3;

    fn sight(scale: f64, shift: f64) -> Sight {
        let px_from_mm = Matrix3::new(70.0 * scale, 0.0, 640.0 + shift, 0.0, -70.0 * scale, 480.0, 0.0, 0.0, 1.0);
        Sight::new(&View { shows: Side::Part, exposure: 0, region_px: None, tint: [1.0; 3], px_from_mm }, None).expect("a view")
    }

    fn spots(truth: &Sight) -> Vec<Spot> {
        (0..100)
            .map(|k| {
                let at_mm = PointMm::new(f64::from(k % 10) - 4.5, f64::from(k / 10) - 4.5);
                let p = truth.px(at_mm);
                let jitter = 0.02 * (f64::from((k * 37) % 11) / 5.0 - 1.0);
                Spot { at_mm, seen_px: PointPx::new(p.x + jitter, p.y - jitter), u_px: 0.02 }
            })
            .collect()
    }

    #[test]
    fn a_bench_that_holds_is_said_to_hold_and_a_knocked_one_not() {
        let file = sight(1.0, 0.0);
        let good = check_view(&spots(&sight(1.0, 0.0)), &file, 2e-5).expect("a check");
        assert!(good.scale_holds(), "{good:?}");
        let zoomed = check_view(&spots(&sight(1.001, 0.0)), &file, 2e-5).expect("a check");
        assert!(!zoomed.scale_holds() && (zoomed.scale_off - 0.001).abs() < 5e-5);
        let knocked = check_view(&spots(&sight(1.0, 0.7)), &file, 2e-5).expect("a check");
        let off = registration_off(&knocked, &good, PointMm::ZERO);
        assert!((off[0] - 0.01).abs() < 2e-4 && off[1].abs() < 2e-4 && off[2].abs() < 1e-4, "{off:?}");
    }

    #[test]
    fn a_drift_leaves_the_limits_and_scatter_does_not() {
        let earlier = [0.0, 0.001, -0.001, 0.0005, -0.0005, 0.001, -0.001];
        assert!(trend(&earlier, 0.0012, 0.0).expect("enough").holds());
        assert!(!trend(&earlier, 0.01, 0.0).expect("enough").holds());
        assert_eq!(trend(&earlier[..3], 0.0, 0.0), None);
    }
}
