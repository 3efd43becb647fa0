//! What makes an offset uncertain, source by source, after the GUM: the pictures' noise, the scale, the lens, the registration of
//! part view against board view, and heights.

use crate::record::{FieldCovariance, Record, RegistrationUncertainty};
use landfit_part::{Part, PointMm, Pose, Side};
use landfit_stats::gum::rectangular;
use landfit_vision::Optics;
use nalgebra::{Matrix3, SMatrix, Vector3};

/// One source, as it acts on the offset.
#[derive(Debug, Clone, PartialEq)]
pub struct Contribution {
    /// What it is.
    pub source: Source,
    /// Covariance of (x mm, y mm, theta rad) that it adds.
    pub covariance: Matrix3<f64>,
}

/// Where uncertainty comes from.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Source {
    /// The pictures of this very measurement.
    Noise,
    /// Each view's scale.
    Scale,
    /// The ruler that gave the scale.
    Ruler,
    /// What lens and tilt leave over the field.
    Lens,
    /// Part view against board view.
    Registration,
    /// Terminals and lands at other heights than the calibration's target.
    Height,
    /// What of scale, lens and registration goes together, because the same pictures told them: it may take away as well as add.
    Together,
}

impl Source {
    /// In words.
    #[must_use]
    pub const fn words(self) -> &'static str {
        match self {
            Self::Noise => "noise of the pictures",
            Self::Scale => "scale of the views",
            Self::Ruler => "the ruler",
            Self::Lens => "lens and tilt over the field",
            Self::Registration => "part view against board view",
            Self::Height => "heights (parallax)",
            Self::Together => "scale, lens, registration: in common",
        }
    }

    /// What would make it smaller.
    #[must_use]
    pub const fn mend(self) -> &'static str {
        match self {
            Self::Noise => "more light, sharper focus, more of the pattern in view",
            Self::Scale => "calibrate scale from more pictures with the target over all of the field",
            Self::Ruler => "a better ruler: the screws or a certified target",
            Self::Lens => "calibrate scale with the target in the corners of the field, too",
            Self::Registration => "calibrate registration from more pictures of one target that both sides see",
            Self::Height => "move the part's middle to the middle of the field, or state its height better",
            Self::Together => "it follows from scale, lens and registration: make these smaller",
        }
    }
}

/// All contributions and what they come to.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Budget {
    /// Largest first, by what they do at the part's farthest site.
    pub contributions: Vec<Contribution>,
    /// Their sum: covariance of (x mm, y mm, theta rad).
    pub covariance: Matrix3<f64>,
    /// What no table of the bench file speaks of, so that it counts as nothing.
    pub unstated: Vec<Source>,
}

impl Budget {
    /// The source by whose mending most is gained: the largest that can be mended by itself.
    #[must_use]
    pub fn most_to_gain(&self) -> Option<Source> {
        self.contributions.iter().map(|c| c.source).find(|s| *s != Source::Together)
    }
}

/// Where the two sides lay when they were measured, bench frame.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Poses {
    /// The part.
    pub bench_from_part: Pose,
    /// The land pattern.
    pub bench_from_board: Pose,
}

/// The budget of one offset whose pictures alone give `noise`; x and y are along the board frame's axes, as the offset is.
#[must_use]
pub fn budget(noise: &Matrix3<f64>, poses: &Poses, part: &Part, optics: &Optics, record: &Record) -> Budget {
    let (of_calibration, unstated) = of_calibration(poses, part, optics, record);
    let to_board = Matrix3::from(nalgebra::Rotation3::from_axis_angle(&Vector3::z_axis(), -poses.bench_from_board.theta_rad));
    let turned = |(source, c): (Source, Matrix3<f64>)| Contribution { source, covariance: to_board * c * to_board.transpose() };
    let mut contributions = vec![Contribution { source: Source::Noise, covariance: *noise }];
    contributions.extend(of_calibration.into_iter().map(turned));
    let radius_mm = radius_mm(part);
    let size = |c: &Contribution| c.covariance[(0, 0)] + c.covariance[(1, 1)] + radius_mm.powi(2) * c.covariance[(2, 2)];
    contributions.sort_by(|a, b| size(b).total_cmp(&size(a)));
    Budget { covariance: contributions.iter().map(|c| c.covariance).sum(), contributions, unstated }
}

/// Covariances of (x mm, y mm, theta rad) along the bench's axes.
type InBench = Vec<(Source, Matrix3<f64>)>;

/// All but the pictures' noise, and what is not stated.
fn of_calibration(poses: &Poses, part: &Part, optics: &Optics, record: &Record) -> (InBench, Vec<Source>) {
    let middle = |side: Side| {
        let pose = if side == Side::Part { poses.bench_from_part } else { poses.bench_from_board };
        let n = part.sites.len().max(1) as f64;
        pose.apply(part.sites.iter().fold(PointMm::ZERO, |sum, s| sum + s.centre_mm(side)) * (1.0 / n))
    };
    let apart = middle(Side::Part) - middle(Side::Board);
    let (mut known, mut unstated) = (InBench::new(), Vec::new());
    if let Some(mut over_field) = over_field(part, poses, optics, record) {
        // What scale both views have in common acts on the distance between the two sides only.
        let common = record.views.iter().map(|v| v.scale_relative).fold(0.0, f64::max);
        over_field.scale += of_scale(apart, common);
        over_field.all += of_scale(apart, common);
        known.extend(over_field.contributions());
    } else {
        of_views(&middle, part, optics, record, &mut known, &mut unstated);
    }
    // The same ruler measured both sides: only the distance between them is long or short by it.
    match record.ruler.as_ref().and_then(|r| r.relative) {
        None => unstated.push(Source::Ruler),
        Some(relative) => known.push((Source::Ruler, of_scale(apart, relative))),
    }
    match record.height {
        None => unstated.push(Source::Height),
        Some(height) => {
            let lens = record.views.first().map_or(PointMm::ZERO, |v| PointMm::new(v.middle_mm[0], v.middle_mm[1]));
            let share = rectangular(height.differs_mm) / height.distance_mm;
            known.push((Source::Height, of_scale(middle(Side::Part) - lens, share)));
        }
    }
    (known, unstated)
}

/// A length that is long or short by a share of itself, as a whole.
fn of_scale(length: PointMm, relative: f64) -> Matrix3<f64> {
    let off = Vector3::new(length.x, length.y, 0.0) * relative;
    off * off.transpose()
}

/// View by view, where the file says nothing of all the field.
fn of_views(
    middle: &dyn Fn(Side) -> PointMm,
    part: &Part,
    optics: &Optics,
    record: &Record,
    known: &mut InBench,
    unstated: &mut Vec<Source>,
) {
    let radius_mm = radius_mm(part);
    let (mut scale, mut lens) = (Matrix3::zeros(), Matrix3::zeros());
    let mut is_known = true;
    for side in [Side::Part, Side::Board] {
        let of_side = optics.views.iter().enumerate().filter(|(_, v)| v.shows == side).map(|(v, _)| record.view(v));
        let Some(of_side) = of_side.collect::<Option<Vec<_>>>().filter(|views| !views.is_empty()) else {
            is_known = false;
            continue;
        };
        // Views of one side share its pose, and may err alike: the mean of what each would do alone.
        let n = of_side.len() as f64;
        for v in of_side {
            scale += of_scale(middle(side) - PointMm::new(v.middle_mm[0], v.middle_mm[1]), v.scale_relative) / n;
            // How far it acts on all of the part alike the file does not say: as if it did all over.
            let lens2 = (v.field_mm.powi(2) - (v.scale_relative * radius_mm).powi(2)).max(0.25 * v.field_mm.powi(2));
            lens += Matrix3::from_diagonal(&Vector3::new(lens2, lens2, lens2 / radius_mm.powi(2))) / n;
        }
    }
    if is_known {
        known.extend([(Source::Scale, scale), (Source::Lens, lens)]);
    } else {
        unstated.extend([Source::Scale, Source::Lens]);
    }
    if record.registrations.is_empty() {
        unstated.push(Source::Registration);
    } else {
        let of = |r: &RegistrationUncertainty| {
            let arm = middle(Side::Part) - PointMm::new(r.middle_mm[0], r.middle_mm[1]);
            let carried = Matrix3::new(1.0, 0.0, -arm.y, 0.0, 1.0, arm.x, 0.0, 0.0, 1.0);
            carried * r.covariance * carried.transpose() / record.registrations.len() as f64
        };
        known.push((Source::Registration, record.registrations.iter().map(of).sum()));
    }
}

/// Part views against board views all over the field, as they act on an offset; bench axes.
#[derive(Default)]
struct OverField {
    registration: Matrix3<f64>,
    scale: Matrix3<f64>,
    lens: Matrix3<f64>,
    all: Matrix3<f64>,
}

impl OverField {
    fn contributions(&self) -> [(Source, Matrix3<f64>); 4] {
        let together = self.all - self.registration - self.scale - self.lens;
        [(Source::Registration, self.registration), (Source::Scale, self.scale), (Source::Lens, self.lens), (Source::Together, together)]
    }
}

/// `None` where the file does not say it of every pair of views: an offset is as uncertain as the pattern, fitted rigidly to where the
/// part view errs against the board view at its sites (JCGM 100:2008, 5.2.2: correlations included). How far several pairs err alike
/// the file does not say: the mean of what each would do alone, which is right where they do and too much where they do not.
fn over_field(part: &Part, poses: &Poses, optics: &Optics, record: &Record) -> Option<OverField> {
    let of_side = |side: Side| optics.views.iter().filter(|v| v.shows == side).count();
    let n = record.registrations.len();
    if n == 0 || n < of_side(Side::Part).max(of_side(Side::Board)) {
        return None;
    }
    let mut sum = OverField::default();
    for r in &record.registrations {
        let field = r.field?;
        let acts = offset_from_ways(part, poses, r.middle_mm, &field)?;
        let block = |from: usize, to: usize| {
            let kept = SMatrix::<f64, 8, 8>::from_fn(|i, k| {
                if (from..to).contains(&i) && (from..to).contains(&k) { field.covariance[(i, k)] } else { 0.0 }
            });
            acts * kept * acts.transpose() / n as f64
        };
        sum.registration += block(0, 3);
        sum.scale += block(3, 4);
        sum.lens += block(4, 8);
        sum.all += block(0, 8);
    }
    Some(sum)
}

/// What the eight ways of [`FieldCovariance`] do to the part's pose: the rigid motion nearest to them at its sites.
fn offset_from_ways(part: &Part, poses: &Poses, middle_mm: [f64; 2], field: &FieldCovariance) -> Option<SMatrix<f64, 3, 8>> {
    let origin = poses.bench_from_part.apply(PointMm::ZERO);
    let (mut normal, mut right) = (Matrix3::zeros(), SMatrix::<f64, 3, 8>::zeros());
    for site in &part.sites {
        let at = poses.bench_from_part.apply(site.centre_mm(Side::Part));
        let arm = at - origin;
        let moves = SMatrix::<f64, 2, 3>::new(1.0, 0.0, -arm.y, 0.0, 1.0, arm.x);
        normal += moves.transpose() * moves;
        right += moves.transpose() * field.ways(at.x - middle_mm[0], at.y - middle_mm[1]);
    }
    Some(normal.try_inverse()? * right)
}

/// Distance of the farthest site from the pattern's middle, mm; at least a micrometre.
fn radius_mm(part: &Part) -> f64 {
    part.sites.iter().map(|s| s.centre_mm(Side::Part).norm()).fold(1e-3, f64::max)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::record::{Height, RegistrationUncertainty, Ruler, ViewUncertainty};
    use landfit_part::file;
    use landfit_vision::{Frame, ScaleSource, View};

    fn part() -> Part {
        let text = "name = \"p\"\nbody_mm = [9.0, 9.0]\n[grid]\nrows = 8\ncolumns = 8\npitch_mm = [1.0, 1.0]\nterminal = { round_mm = 0.5 }\nland = { round_mm = 0.4 }\n";
        file::parse(text, "p.toml").expect("a part")
    }

    fn optics() -> Optics {
        let view = |shows| View { shows, exposure: 0, region_px: None, tint: [1.0; 3], px_from_mm: Matrix3::identity() };
        let frame = Frame { size_px: [100, 100], black: 0.0, white: None, gamma: 1.0 };
        Optics { frame, lens: None, views: vec![view(Side::Part), view(Side::Board)], scale: ScaleSource::Bench }
    }

    fn record() -> Record {
        let view = |view| ViewUncertainty {
            view,
            scale_relative: 1e-4,
            angle_rad: 0.0,
            field_mm: 1e-3,
            field_largest_mm: 2e-3,
            rms_px: 0.1,
            middle_mm: [0.0; 2],
            date: None,
        };
        Record {
            ruler: Some(Ruler { relative: Some(1e-5), ..Ruler::default() }),
            views: vec![view(0), view(1)],
            registrations: vec![RegistrationUncertainty {
                part_view: 0,
                board_view: 1,
                covariance: Matrix3::from_diagonal(&Vector3::new(9e-6, 9e-6, 0.0)),
                middle_mm: [0.0; 2],
                field: None,
                date: None,
            }],
            height: Some(Height { distance_mm: 100.0, differs_mm: 0.2 }),
            ..Record::default()
        }
    }

    #[test]
    fn height_parallax_is_that_of_the_tables_and_the_largest_comes_first() {
        // check-values/perspective_bias.json: 10 mm off the axis, 0.2 mm, 100 mm away: 20 µm; rectangular: over the root of 3.
        let at = Pose::new(10.0, 0.0, 0.0);
        let poses = Poses { bench_from_part: at, bench_from_board: at };
        let b = budget(&Matrix3::zeros(), &poses, &part(), &optics(), &record());
        let height = b.contributions.iter().find(|c| c.source == Source::Height).expect("stated");
        assert!((height.covariance[(0, 0)].sqrt() - 0.020 / 3f64.sqrt()).abs() < 1e-12);
        assert_eq!(b.contributions[0].source, Source::Height);
        let scale = b.contributions.iter().find(|c| c.source == Source::Scale).expect("stated");
        assert!((scale.covariance[(0, 0)].sqrt() - 1e-3 * 2f64.sqrt()).abs() < 1e-9);
    }

    #[test]
    fn what_the_bench_file_does_not_state_is_named_and_counts_as_nothing() {
        let poses = Poses { bench_from_part: Pose::IDENTITY, bench_from_board: Pose::IDENTITY };
        let noise = Matrix3::identity() * 1e-6;
        let b = budget(&noise, &poses, &part(), &optics(), &Record::default());
        assert_eq!(b.covariance, noise);
        assert_eq!(b.unstated, [Source::Scale, Source::Lens, Source::Registration, Source::Ruler, Source::Height]);
    }

    #[test]
    fn known_over_the_field_a_shift_of_the_view_is_one_of_the_offset_and_a_scale_acts_with_the_distance_from_the_middle() {
        let mut record = record();
        record.views.iter_mut().for_each(|v| v.scale_relative = 0.0);
        let at = Pose::new(4.0, 0.0, 0.3);
        let poses = Poses { bench_from_part: at, bench_from_board: at };
        let u =
            |record: &Record| budget(&Matrix3::zeros(), &poses, &part(), &optics(), &Record { height: None, ..record.clone() }).covariance;
        let mut covariance = SMatrix::<f64, 8, 8>::zeros();
        covariance[(0, 0)] = 1e-6;
        record.registrations[0].field = Some(FieldCovariance { covariance, half_mm: 10.0 });
        // 1 µm along the bench's x, told along the board's axes.
        let (s, c) = 0.3f64.sin_cos();
        assert!((u(&record)[(0, 0)] - 1e-6 * c * c).abs() < 1e-12 && (u(&record)[(1, 1)] - 1e-6 * s * s).abs() < 1e-12);
        // A scale that errs by 1 µm at 10 mm errs by 0.4 µm at 4 mm, and turns nothing; it is 0.16 of a correlation of one with the shift.
        covariance[(3, 3)] = 1e-6;
        (covariance[(0, 3)], covariance[(3, 0)]) = (-1e-6, -1e-6);
        record.registrations[0].field = Some(FieldCovariance { covariance, half_mm: 10.0 });
        let all = u(&record);
        assert!((all[(0, 0)] + all[(1, 1)] - 0.36e-6).abs() < 1e-12, "{all}");
        assert!(all[(2, 2)].abs() < 1e-15);
    }

    #[test]
    fn several_pairs_of_views_that_err_alike_are_no_better_known_than_one() {
        let poses = Poses { bench_from_part: Pose::IDENTITY, bench_from_board: Pose::IDENTITY };
        let mut two_of_each = optics();
        two_of_each.views.extend(optics().views);
        for field in [None, Some(FieldCovariance { covariance: SMatrix::identity() * 1e-6, half_mm: 10.0 })] {
            let mut one = record();
            one.registrations[0].field = field;
            let mut two = one.clone();
            two.registrations.push(RegistrationUncertainty { part_view: 2, board_view: 3, ..one.registrations[0] });
            two.views.extend([2, 3].map(|view| ViewUncertainty { view, ..one.views[0] }));
            let u = |optics: &Optics, record: &Record| budget(&Matrix3::zeros(), &poses, &part(), optics, record).covariance;
            assert!((u(&optics(), &one) - u(&two_of_each, &two)).norm() < 1e-18, "{field:?}");
        }
    }

    #[test]
    fn what_is_gained_by_is_never_the_share_in_common() {
        let of = |source| Contribution { source, covariance: Matrix3::identity() };
        let b = |all: &[Source]| Budget { contributions: all.iter().copied().map(of).collect(), ..Budget::default() };
        assert_eq!(b(&[Source::Together, Source::Lens, Source::Noise]).most_to_gain(), Some(Source::Lens));
        assert_eq!(b(&[Source::Together]).most_to_gain(), None);
    }

    #[test]
    fn the_sum_is_that_of_the_parts_and_turns_with_the_board() {
        let turned = Pose::new(3.0, 1.0, 0.7);
        let poses = Poses { bench_from_part: turned, bench_from_board: turned };
        let b = budget(&(Matrix3::identity() * 1e-6), &poses, &part(), &optics(), &record());
        let sum: Matrix3<f64> = b.contributions.iter().map(|c| c.covariance).sum();
        assert!((sum - b.covariance).norm() < 1e-18 && b.unstated.is_empty());
        assert!(b.covariance.symmetric_eigenvalues().min() > 0.0);
    }
}
