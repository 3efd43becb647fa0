//! Points and rigid motions in millimetres, shared by every package.

use std::ops::{Add, Mul, Neg, Sub};

/// A position or a displacement in millimetres: x right, y away from the operator, seen from above.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct PointMm {
    /// Right, mm.
    pub x: f64,
    /// Away from the operator, mm.
    pub y: f64,
}

impl PointMm {
    /// The origin.
    pub const ZERO: Self = Self { x: 0.0, y: 0.0 };

    /// A point from its two coordinates in mm.
    #[must_use]
    pub const fn new(x: f64, y: f64) -> Self {
        Self { x, y }
    }

    /// Length of the vector, mm.
    #[must_use]
    pub fn norm(self) -> f64 {
        // Millimetres neither overflow nor vanish when squared, and hypot is several times as slow.
        (self.x * self.x + self.y * self.y).sqrt()
    }

    /// Distance to `other`, mm.
    #[must_use]
    pub fn distance(self, other: Self) -> f64 {
        (self - other).norm()
    }

    /// The vector turned counter-clockwise by `angle_rad`.
    #[must_use]
    pub fn rotated(self, angle_rad: f64) -> Self {
        let (s, c) = angle_rad.sin_cos();
        Self::new(c * self.x - s * self.y, s * self.x + c * self.y)
    }
}

impl Add for PointMm {
    type Output = Self;
    fn add(self, o: Self) -> Self {
        Self::new(self.x + o.x, self.y + o.y)
    }
}

impl Sub for PointMm {
    type Output = Self;
    fn sub(self, o: Self) -> Self {
        Self::new(self.x - o.x, self.y - o.y)
    }
}

impl Neg for PointMm {
    type Output = Self;
    fn neg(self) -> Self {
        Self::new(-self.x, -self.y)
    }
}

impl Mul<f64> for PointMm {
    type Output = Self;
    fn mul(self, k: f64) -> Self {
        Self::new(self.x * k, self.y * k)
    }
}

/// A rigid motion in the plane, named *to_from* where it is stored: `bench_from_part.apply(p)` carries a point of
/// the part frame to the bench frame.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Pose {
    /// Shift right, mm.
    pub x_mm: f64,
    /// Shift away from the operator, mm.
    pub y_mm: f64,
    /// Counter-clockwise turn, radians.
    pub theta_rad: f64,
}

impl Pose {
    /// No motion.
    pub const IDENTITY: Self = Self { x_mm: 0.0, y_mm: 0.0, theta_rad: 0.0 };

    /// A pose from mm, mm and radians.
    #[must_use]
    pub const fn new(x_mm: f64, y_mm: f64, theta_rad: f64) -> Self {
        Self { x_mm, y_mm, theta_rad }
    }

    /// Where `p` comes to lie: R(theta) p + (x, y).
    #[must_use]
    pub fn apply(&self, p: PointMm) -> PointMm {
        p.rotated(self.theta_rad) + self.shift()
    }

    /// The same motion for many points.
    #[must_use]
    pub fn motion(&self) -> Motion {
        let (sin, cos) = self.theta_rad.sin_cos();
        Motion { sin, cos, shift: self.shift() }
    }

    /// The shift alone, mm.
    #[must_use]
    pub const fn shift(&self) -> PointMm {
        PointMm::new(self.x_mm, self.y_mm)
    }

    /// The motion that undoes this one.
    #[must_use]
    pub fn inverse(&self) -> Self {
        let back = -self.shift().rotated(-self.theta_rad);
        Self::new(back.x, back.y, -self.theta_rad)
    }

    /// First `inner`, then `self`: `(a_from_b).after(b_from_c)` is `a_from_c`.
    #[must_use]
    pub fn after(&self, inner: &Self) -> Self {
        let shift = self.apply(inner.shift());
        Self::new(shift.x, shift.y, wrap_angle_rad(self.theta_rad + inner.theta_rad))
    }
}

/// A [`Pose`] whose sine and cosine are taken once.
#[derive(Debug, Clone, Copy)]
pub struct Motion {
    sin: f64,
    cos: f64,
    shift: PointMm,
}

impl Motion {
    /// Where `p` comes to lie, as by [`Pose::apply`].
    #[inline]
    #[must_use]
    pub fn apply(&self, p: PointMm) -> PointMm {
        PointMm::new(self.cos * p.x - self.sin * p.y, self.sin * p.x + self.cos * p.y) + self.shift
    }
}

/// The same direction within (-π, π].
#[must_use]
pub fn wrap_angle_rad(angle_rad: f64) -> f64 {
    use std::f64::consts::{PI, TAU};
    angle_rad - ((angle_rad - PI) / TAU).ceil() * TAU
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_pose_after_its_inverse_moves_nothing() {
        let pose = Pose::new(0.3, -1.2, 0.4);
        let p = PointMm::new(2.0, -5.0);
        let back = pose.inverse().after(&pose).apply(p);
        assert!(back.distance(p) < 1e-12);
    }

    #[test]
    fn a_quarter_turn_is_counter_clockwise() {
        let turned = Pose::new(0.0, 0.0, std::f64::consts::FRAC_PI_2).apply(PointMm::new(1.0, 0.0));
        assert!(turned.distance(PointMm::new(0.0, 1.0)) < 1e-12);
    }

    #[test]
    fn wrapping_keeps_half_a_turn_positive() {
        use std::f64::consts::PI;
        assert!((wrap_angle_rad(-PI) - PI).abs() < 1e-12);
        assert!((wrap_angle_rad(2.0 * PI + 0.1) - 0.1).abs() < 1e-12);
    }
}
