//! How good a fit is: scale, angle, tilt, positions over the field, registration, and what part of the field was not covered.

use super::ScaleFit;
use super::model::Model;
use crate::record::{FieldCovariance, ways};
use landfit_part::{PointMm, Pose};
use landfit_vision::view::project;
use landfit_vision::{PointPx, RegionPx};
use nalgebra::{DMatrix, DVector, Matrix3, SMatrix, Vector2};

/// What the fit says of one view; uncertainties are standard ones (k = 1).
#[derive(Debug, Clone, PartialEq)]
pub struct ViewReport {
    /// µm that one px shows in the middle of the region, along the picture's x and y.
    pub um_per_px: [f64; 2],
    /// Their standard uncertainties, the ruler's included.
    pub u_um_per_px: [f64; 2],
    /// From picture right to the bench's x axis, anticlockwise as displayed, radians.
    pub angle_rad: f64,
    /// Its standard uncertainty against the target, radians.
    pub u_angle_rad: f64,
    /// How much the magnification grows per mm along the bench's x and y: what a tilt does.
    pub growth_per_mm: [f64; 2],
    /// Their standard uncertainties.
    pub u_growth_per_mm: [f64; 2],
    /// What the marks themselves say of the tilt, pixels taken for square.
    pub tilt: Tilt,
    /// Root of the mean squared residual of the marks used, px.
    pub rms_px: f64,
    /// The same of marks that the fit had not seen, over all views.
    pub held_out_px: f64,
    /// Marks used, and marks left out.
    pub marks: [usize; 2],
    /// What it comes to over the field.
    pub field: FieldError,
    /// Where the field was not covered.
    pub windows: Windows,
}

/// How far a view is tilted against the plane of the target, by how much shorter the plane looks along the tilt than across it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Tilt {
    /// The marks tell it.
    Told {
        /// Radians.
        rad: f64,
        /// Its standard uncertainty.
        u_rad: f64,
    },
    /// It is too small for that.
    AtMost {
        /// Radians, at k = 2.
        rad: f64,
    },
}

/// The largest error of a position that the fit's uncertainty implies over the region.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct FieldError {
    /// Standard uncertainty along the worse axis, mm, where it is worst; where the bench's frame lies does not count.
    pub largest_mm: f64,
    /// Where that is, px.
    pub at_px: PointPx,
    /// Root of the mean square over the field, mm.
    pub rms_mm: f64,
}

/// The region in windows, and which of them no mark lay in.
#[derive(Debug, Clone, PartialEq)]
pub struct Windows {
    /// Rows from the top, each from the left: marks used in the window.
    pub marks: [[usize; COLUMNS]; ROWS],
}

/// How one view stands against another: what a point seen by both differs by.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Registration {
    /// Covariance of (x mm, y mm, theta rad) in the middle of what both saw.
    pub covariance: Matrix3<f64>,
    /// That middle, in the bench frame, mm.
    pub middle_mm: PointMm,
    /// The same all over what both saw.
    pub field: FieldCovariance,
}

const COLUMNS: usize = 6;
const ROWS: usize = 4;

/// Places over a region at which the field is judged.
pub(super) fn grid_px(region: RegionPx) -> Vec<PointPx> {
    let (nx, ny) = (11, 9);
    let at = |i: usize, n: usize, from: u32, size: u32| f64::from(from) + f64::from(size - 1) * i as f64 / (n - 1) as f64;
    (0..nx * ny).map(|k| PointPx::new(at(k % nx, nx, region.x, region.width), at(k / nx, ny, region.y, region.height))).collect()
}

/// µm per px along picture x and y, the angle of the frame's x axis, and the growth of the magnification along the frame's axes.
fn figures(model: &Model, unknowns: &DVector<f64>, view: usize, middle: PointPx, seat: &Pose) -> Option<[f64; 5]> {
    let at = model.bench_from_seen(unknowns, view, middle)?;
    let j = model.px_per_mm(unknowns, view, at);
    let inverse = j.try_inverse()?;
    let turn = nalgebra::Rotation2::new(seat.theta_rad);
    let axis = j * (turn.inverse() * Vector2::x());
    let h = model.px_from_mm(unknowns, view);
    // Magnification (root of the area's) of a homography goes with depth^(-3/2).
    let depth = h[(2, 0)] * at.x + h[(2, 1)] * at.y + h[(2, 2)];
    let growth = turn * Vector2::new(-1.5 * h[(2, 0)] / depth, -1.5 * h[(2, 1)] / depth);
    Some([1e3 * inverse.column(0).norm(), 1e3 * inverse.column(1).norm(), (-axis.y).atan2(axis.x), growth.x, growth.y])
}

/// By how much shorter the plane looks along the tilt than across it, where the optical axis meets it, as a share, and the growth of the
/// magnification towards the tilt per mm.
///
/// There the lens does nothing, and perspective is 1 across the tilt and cos(tilt) along it.
fn foreshortening(model: &Model, unknowns: &DVector<f64>, view: usize) -> Option<[f64; 2]> {
    let h = model.px_from_mm(unknowns, view);
    let axis = model.lens(unknowns).centre_px;
    let (x, y) = project(&h.try_inverse()?, axis.x, axis.y);
    let depth = h[(2, 0)] * x + h[(2, 1)] * y + h[(2, 2)];
    let px_per_mm = SMatrix::<f64, 2, 2>::from_fn(|r, c| (h[(r, c)] - h[(2, c)] * if r == 0 { axis.x } else { axis.y }) / depth);
    let growth = Vector2::new(h[(2, 0)], h[(2, 1)]);
    let towards = growth.try_normalize(1e-12)?;
    let across = Vector2::new(-towards.y, towards.x);
    Some([1.0 - (px_per_mm * towards).norm() / (px_per_mm * across).norm(), 1.5 * growth.norm() / depth.abs()])
}

impl ScaleFit {
    /// Covariance of functions of the unknowns, by their numeric derivatives.
    fn propagate(&self, f: &dyn Fn(&DVector<f64>) -> Option<Vec<f64>>) -> Option<DMatrix<f64>> {
        let d = self.derivatives(f)?;
        Some(&d * &self.covariance * d.transpose())
    }

    fn derivatives(&self, f: &dyn Fn(&DVector<f64>) -> Option<Vec<f64>>) -> Option<DMatrix<f64>> {
        let mut moved = self.unknowns.clone();
        let mut columns = Vec::with_capacity(self.free.len());
        for (n, i) in self.free.iter().enumerate() {
            // A step of the size of the uncertainty keeps rounding and curvature out.
            let h = self.covariance[(n, n)].max(0.0).sqrt().clamp(1e-9, 1e-3);
            moved[*i] = self.unknowns[*i] + h;
            let plus = f(&moved)?;
            moved[*i] = self.unknowns[*i] - h;
            let minus = f(&moved)?;
            moved[*i] = self.unknowns[*i];
            columns.push(DVector::from_iterator(plus.len(), plus.iter().zip(&minus).map(|(a, b)| (a - b) / (2.0 * h))));
        }
        Some(DMatrix::from_columns(&columns))
    }

    /// All that is to be told of a view whose region is `region`; `None` only for a fit that has come apart.
    #[must_use]
    pub fn view_report(&self, view: usize, region: RegionPx) -> Option<ViewReport> {
        let middle = region.middle();
        let seat = self.seats[view];
        let values = figures(&self.model, &self.unknowns, view, middle, &seat)?;
        let of = |u: &DVector<f64>| figures(&self.model, u, view, middle, &seat).map(Vec::from);
        let covariance = self.propagate(&of)?;
        let u = |i: usize| covariance[(i, i)].max(0.0).sqrt();
        let mut windows = Windows { marks: [[0; COLUMNS]; ROWS] };
        let (mut sum, mut marks) = (0.0, [0, 0]);
        for r in self.residuals().iter().filter(|r| r.view == view) {
            if !r.used {
                marks[1] += 1;
                continue;
            }
            marks[0] += 1;
            sum += r.off_px[0].powi(2) + r.off_px[1].powi(2);
            let cell = |at: f64, from: u32, size: u32, n: usize| ((at - f64::from(from)) / f64::from(size) * n as f64).max(0.0) as usize;
            let (row, column) = (cell(r.seen_px.y, region.y, region.height, ROWS), cell(r.seen_px.x, region.x, region.width, COLUMNS));
            windows.marks[row.min(ROWS - 1)][column.min(COLUMNS - 1)] += 1;
        }
        Some(ViewReport {
            um_per_px: [values[0], values[1]],
            u_um_per_px: [0, 1].map(|i| u(i).hypot(values[i] * self.ruler_relative)),
            angle_rad: values[2],
            u_angle_rad: u(2),
            growth_per_mm: [values[3], values[4]],
            u_growth_per_mm: [u(3), u(4)],
            tilt: self.tilt(view)?,
            rms_px: (sum / marks[0].max(1) as f64).sqrt(),
            held_out_px: self.held_out_px,
            marks,
            field: self.field_error(view, region)?,
            windows,
        })
    }

    fn tilt(&self, view: usize) -> Option<Tilt> {
        let of = |u: &DVector<f64>| foreshortening(&self.model, u, view).map(Vec::from);
        let ([shorter, growth], covariance) = (foreshortening(&self.model, &self.unknowns, view)?, self.propagate(&of)?);
        let u = |i: usize| covariance[(i, i)].max(0.0).sqrt();
        // 1 - cos(tilt); without perspective to say which way, or shorter than its own uncertainty, it is a bound.
        if shorter > 3.0 * u(0) && growth > 3.0 * u(1) {
            let rad = (1.0 - shorter).acos();
            Some(Tilt::Told { rad, u_rad: u(0) / rad.sin() })
        } else {
            Some(Tilt::AtMost { rad: (1.0 - (shorter.abs() + 2.0 * u(0)).min(1.0)).acos() })
        }
    }

    fn field_error(&self, view: usize, region: RegionPx) -> Option<FieldError> {
        let grid = grid_px(region);
        let places: Vec<PointMm> = grid.iter().map(|p| self.model.bench_from_seen(&self.unknowns, view, *p)).collect::<Option<_>>()?;
        let of = |u: &DVector<f64>| {
            let at = grid.iter().map(|p| self.model.bench_from_seen(u, view, *p)).collect::<Option<Vec<_>>>()?;
            Some(at.iter().flat_map(|p| [p.x, p.y]).collect())
        };
        let mut d = self.derivatives(&of)?;
        let n = places.len() as f64;
        let middle = places.iter().fold(PointMm::ZERO, |sum, p| sum + *p) * (1.0 / n);
        let arms: Vec<PointMm> = places.iter().map(|p| *p - middle).collect();
        let spread: f64 = arms.iter().map(|a| a.x * a.x + a.y * a.y).sum();
        // What a shift or a turn of the frame would do is none of the view's errors.
        for mut column in d.column_iter_mut() {
            let (mut sx, mut sy, mut turn) = (0.0, 0.0, 0.0);
            for (i, a) in arms.iter().enumerate() {
                sx += column[2 * i] / n;
                sy += column[2 * i + 1] / n;
                turn += (a.x * column[2 * i + 1] - a.y * column[2 * i]) / spread;
            }
            for (i, a) in arms.iter().enumerate() {
                column[2 * i] -= sx - turn * a.y;
                column[2 * i + 1] -= sy + turn * a.x;
            }
        }
        let through = &d * &self.covariance;
        let variance = |row: usize| through.row(row).dot(&d.row(row)).max(0.0);
        let (mut largest, mut sum) = ((0.0, region.middle()), 0.0);
        for (i, a) in arms.iter().enumerate() {
            let ruler = [a.x, a.y].map(|v| (v * self.ruler_relative).powi(2));
            let here = [variance(2 * i) + ruler[0], variance(2 * i + 1) + ruler[1]];
            sum += (here[0] + here[1]) / 2.0;
            let worse = here[0].max(here[1]).sqrt();
            if worse > largest.0 {
                largest = (worse, grid[i]);
            }
        }
        Some(FieldError { largest_mm: largest.0, at_px: largest.1, rms_mm: (sum / n).sqrt() })
    }

    /// How well view `a` is registered against view `b`; `None` when no placement of the target links them.
    #[must_use]
    pub fn registration(&self, a: usize, b: usize) -> Option<Registration> {
        if !self.are_registered(a, b) {
            return None;
        }
        let seen = |view: usize| {
            let of = self.sightings.iter().filter(move |s| s.at.view == view && s.used);
            of.map(|s| self.model.placement(&self.unknowns, s.at.placement).apply(s.target_mm)).collect::<Vec<_>>()
        };
        let both: Vec<PointMm> = seen(a).into_iter().chain(seen(b)).collect();
        let middle = both.iter().fold(PointMm::ZERO, |sum, p| sum + *p) * (1.0 / both.len().max(1) as f64);
        let [pa, pb] = [a, b].map(|v| self.model.seen_from_bench(&self.unknowns, v, middle));
        let of = |u: &DVector<f64>| {
            let (ma, mb) = (self.model.bench_from_seen(u, a, pa)?, self.model.bench_from_seen(u, b, pb)?);
            let angle = |view: usize| {
                let j = self.model.px_per_mm(u, view, middle);
                // The turn of the similarity nearest to a map that mirrors.
                (j[(1, 0)] + j[(0, 1)]).atan2(j[(0, 0)] - j[(1, 1)])
            };
            let at = |view: usize| -angle(view);
            let off = (ma - mb).rotated(self.seats[a].theta_rad);
            Some(vec![off.x, off.y, at(b) - at(a)])
        };
        let c = self.propagate(&of)?;
        Some(Registration {
            covariance: Matrix3::from_fn(|r, k| c[(r, k)]),
            middle_mm: self.seats[a].apply(middle),
            field: self.field_covariance((a, b), &both, middle)?,
        })
    }

    /// How two views' errors differ all over what both saw: what lens, tilts and places have in common falls out.
    fn field_covariance(&self, (a, b): (usize, usize), both: &[PointMm], middle: PointMm) -> Option<FieldCovariance> {
        const SIDE: usize = 7;
        let half_mm = both.iter().map(|p| (p.x - middle.x).abs().max((p.y - middle.y).abs())).fold(1e-6, f64::max);
        let at = |i: usize| 2.0 * i as f64 / (SIDE - 1) as f64 - 1.0;
        // In the bench's axes, as the seat turns them.
        let turn = self.seats[a].theta_rad;
        let places: Vec<(f64, f64)> = (0..SIDE * SIDE).map(|k| (at(k % SIDE), at(k / SIDE))).collect();
        let design = DMatrix::from_fn(2 * places.len(), 8, |r, c| ways(places[r / 2].0, places[r / 2].1)[(r % 2, c)]);
        let inverse = (design.transpose() * &design).try_inverse()? * design.transpose();
        let in_fit = |(x, y): &(f64, f64)| middle + PointMm::new(x * half_mm, y * half_mm).rotated(-turn);
        let seen: Vec<[PointPx; 2]> =
            places.iter().map(|p| [a, b].map(|v| self.model.seen_from_bench(&self.unknowns, v, in_fit(p)))).collect();
        let of = |u: &DVector<f64>| {
            let mut off = DVector::zeros(2 * seen.len());
            for (i, [in_a, in_b]) in seen.iter().enumerate() {
                let d = (self.model.bench_from_seen(u, a, *in_a)? - self.model.bench_from_seen(u, b, *in_b)?).rotated(turn);
                (off[2 * i], off[2 * i + 1]) = (d.x, d.y);
            }
            Some((&inverse * off).iter().copied().collect())
        };
        let c = self.propagate(&of)?;
        Some(FieldCovariance { covariance: SMatrix::from_fn(|r, k| f64::midpoint(c[(r, k)], c[(k, r)])), half_mm })
    }

    /// k1, k2 and the centre's x and y in px, each with its standard uncertainty; `None` where the lens was not fitted.
    #[must_use]
    pub fn lens_figures(&self) -> Option<[(f64, f64); 4]> {
        if !self.lens_fitted {
            return None;
        }
        let lens = self.lens();
        let (u, n) = (|unknown: usize| self.u_of(unknown), self.model.norm_px);
        Some([(lens.k1, u(0)), (lens.k2, u(1)), (lens.centre_px.x, u(2) * n), (lens.centre_px.y, u(3) * n)])
    }

    /// Whether the data say where the centre of distortion is, rather than experience with lenses.
    #[must_use]
    pub fn centre_is_supported(&self) -> bool {
        self.lens_fitted && [2, 3].iter().all(|i| self.u_of(*i) < 0.5 * super::PRIOR_CENTRE_SD)
    }

    /// Standard uncertainty of an unknown; nothing where it was held.
    fn u_of(&self, unknown: usize) -> f64 {
        self.free.iter().position(|f| *f == unknown).map_or(0.0, |n| self.covariance[(n, n)].max(0.0).sqrt())
    }
}

impl Windows {
    /// Share of the windows with at least one mark.
    #[must_use]
    pub fn covered_share(&self) -> f64 {
        self.marks.iter().flatten().filter(|m| **m > 0).count() as f64 / (ROWS * COLUMNS) as f64
    }

    /// Where the windows without a mark lie, in words, each once: "upper left", "right".
    #[must_use]
    pub fn uncovered(&self) -> Vec<String> {
        let mut names = Vec::new();
        for (r, row) in self.marks.iter().enumerate() {
            for (c, marks) in row.iter().enumerate() {
                let name = match (["upper", "", "", "lower"][r], ["left", "left", "", "", "right", "right"][c]) {
                    ("", "") => "middle".to_owned(),
                    ("", side) => side.to_owned(),
                    (end, "") => end.to_owned(),
                    (end, side) => format!("{end} {side}"),
                };
                if *marks == 0 && !names.contains(&name) {
                    names.push(name);
                }
            }
        }
        names
    }
}
