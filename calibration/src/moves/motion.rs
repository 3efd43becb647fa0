//! What turning the adjusters does to the offset, and how far to turn them for a wanted one.

use super::reach::Reach;
use crate::bench::{Adjuster, Motion};
use landfit_part::{PointMm, Pose, Side, wrap_angle_rad};
use nalgebra::{DMatrix, DVector};

/// The part over the board on a bench, as it stands before any move.
#[derive(Debug, Clone, Copy)]
pub struct Stand<'a> {
    pub bench_from_part: Pose,
    pub bench_from_board: Pose,
    pub aim: Pose,
    pub adjusters: &'a [Adjuster],
    /// Indices of the adjusters in the order in which they are turned.
    pub order: &'a [usize],
    /// For each adjuster all those that ride on it, directly or on one that does.
    pub riders: &'a [Vec<usize>],
}

/// For each adjuster all those that ride on it. A carrier that does not exist, or a circle, carries nothing more.
pub fn riders(adjusters: &[Adjuster]) -> Vec<Vec<usize>> {
    let carrier = |i: usize| adjusters[i].rides_on.as_deref().and_then(|name| adjusters.iter().position(|a| a.name == name));
    let mut riders = vec![Vec::new(); adjusters.len()];
    for rider in 0..adjusters.len() {
        let mut under = carrier(rider);
        while let Some(i) = under.filter(|i| *i != rider && !riders[*i].contains(&rider)) {
            riders[i].push(rider);
            under = carrier(i);
        }
    }
    riders
}

/// The motion, bench frame, of what an adjuster carries when it is turned by `turns` (clockwise positive).
pub fn carried_by(turn: &Motion, turns: f64) -> Pose {
    match *turn {
        Motion::Shift { step_mm } => Pose::new(step_mm.x * turns, step_mm.y * turns, 0.0),
        Motion::Rotation { step_rad, pivot_mm } => turn_about(pivot_mm, step_rad * turns),
        Motion::Tilt { .. } => Pose::IDENTITY,
    }
}

fn turn_about(pivot_mm: PointMm, angle_rad: f64) -> Pose {
    let shift = pivot_mm - pivot_mm.rotated(angle_rad);
    Pose::new(shift.x, shift.y, angle_rad)
}

impl Stand<'_> {
    /// Offset minus aim, component by component, after the adjusters were turned by `turns` in their order.
    pub fn left_after(&self, turns: &[f64]) -> Pose {
        let [part, board] = self.poses_after(turns);
        minus_aim(&board.inverse().after(&part), &self.aim)
    }

    /// Where part and board lie after the adjusters were turned by `turns` in their order, bench frame.
    pub fn poses_after(&self, turns: &[f64]) -> [Pose; 2] {
        let (mut part, mut board) = (self.bench_from_part, self.bench_from_board);
        // How far what an adjuster rides on has carried it from where its direction and pivot hold.
        let mut carried = vec![Pose::IDENTITY; if self.riders.iter().all(Vec::is_empty) { 0 } else { self.adjusters.len() }];
        for &i in self.order {
            let mut motion = carried_by(&self.adjusters[i].turn, turns[i]);
            if let Some(by) = carried.get(i) {
                motion = by.after(&motion).after(&by.inverse());
            }
            for &rider in self.riders.get(i).into_iter().flatten() {
                carried[rider] = motion.after(&carried[rider]);
            }
            match self.adjusters[i].carries {
                Side::Part => part = motion.after(&part),
                Side::Board => board = motion.after(&board),
            }
        }
        [part, board]
    }

    /// Derivative of what `reach` makes small, mm per turn, one column for each of `of`.
    pub fn jacobian_mm(&self, reach: &Reach, turns: &[f64], of: &[usize]) -> DMatrix<f64> {
        const H_TURNS: f64 = 1e-3;
        let mut jacobian = DMatrix::zeros(3, of.len());
        for (column, &i) in of.iter().enumerate() {
            let at = |h: f64| {
                let mut moved = turns.to_vec();
                moved[i] += h;
                reach.residual_mm(&self.left_after(&moved))
            };
            let (plus, minus) = (at(H_TURNS), at(-H_TURNS));
            for row in 0..3 {
                jacobian[(row, column)] = (plus[row] - minus[row]) / (2.0 * H_TURNS);
            }
        }
        jacobian
    }

    /// Turns `free` so that what is left is least, the others held as they are in `turns`: exact where three independent
    /// adjusters are free. Gauss–Newton; motions of a bench are so nearly linear that a few steps reach rounding error.
    pub fn solve(&self, reach: &Reach, turns: &mut [f64], free: &[usize]) {
        if free.is_empty() {
            return;
        }
        for _ in 0..20 {
            let residual = DVector::from_column_slice(&reach.residual_mm(&self.left_after(turns)));
            let svd = self.jacobian_mm(reach, turns, free).svd(true, true);
            let Ok(step) = svd.solve(&residual, 1e-12) else { return };
            for (k, &i) in free.iter().enumerate() {
                turns[i] -= step[k];
            }
            if step.amax() < 1e-12 {
                return;
            }
        }
    }
}

/// Offset minus aim, component by component.
pub fn minus_aim(offset: &Pose, aim: &Pose) -> Pose {
    Pose::new(offset.x_mm - aim.x_mm, offset.y_mm - aim.y_mm, wrap_angle_rad(offset.theta_rad - aim.theta_rad))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_rotation_leaves_its_pivot_where_it_is() {
        let pivot_mm = PointMm::new(0.4, -1.1);
        let motion = carried_by(&Motion::Rotation { step_rad: 0.026, pivot_mm }, -3.7);
        assert!(motion.apply(pivot_mm).distance(pivot_mm) < 1e-12);
        assert!((motion.theta_rad + 0.026 * 3.7).abs() < 1e-15);
    }
}
