//! Measures every site of one side in the views that hold it, in bench mm.

use super::{Outline, SideView, view_that_holds};
use crate::answer::SiteFinding;
use crate::circle_bias::outline_shift_px;
use crate::regions::Elsewhere;
use crate::shape_sites::{self, Moves, SharedDoubt, Target};
use crate::shapes::{Shapes, group_of};
use crate::sites::{self, CommonDoubt, Disc, Expected, Measured};
use crate::view::{PointPx, ScaleSource};
use crate::which_site::{Feature, Kind, Pattern};
use landfit_part::{PointMm, Pose, Side};
use nalgebra::{Matrix2, Vector2};

/// Every site in view, measured.
pub(super) struct Measurement {
    pub findings: Vec<SiteFinding>,
    pub outlines: Vec<Outline>,
    /// The doubt that all share, mm.
    pub doubt_mm: f64,
    /// Doubts that some share: index into `findings`, and how far one standard uncertainty moves it, mm.
    pub shared: Vec<Moves>,
    /// Views that cannot be measured where the pattern is, and show features beside it, while others can.
    pub elsewhere: Vec<Elsewhere>,
}

/// Measures every site in view for a pose of the pattern.
pub(super) fn measure(
    side: Side,
    views: &[SideView],
    pattern: &Pattern,
    shapes: Option<(&Shapes, ScaleSource)>,
    (features, laid): (&[Feature], &[Option<usize>]),
    sites: &[usize],
    pose: &Pose,
) -> Measurement {
    let mut expected: Vec<Vec<Expected>> = views.iter().map(|_| Vec::new()).collect();
    let motion = pose.motion();
    for (i, centre) in pattern.centres_mm.iter().enumerate() {
        let kind = shapes.map_or(Kind::DISC, |(s, _)| s.kinds[i]).turned(pose.theta_rad);
        if let Some((v, at)) = view_that_holds(views, shapes.map(|s| s.0), motion.apply(*centre), kind) {
            let candidate = laid[i].filter(|&f| features[f].view == views[v].index).map(|f| views[v].plane_px(features[f].at_mm));
            expected[v].push(Expected { site: i, at, candidate });
        }
    }
    let (mut findings, mut outlines, mut doubts) = (Vec::new(), Vec::new(), Vec::new());
    let mut of_views: Vec<(usize, Vec<SharedDoubt>)> = Vec::new();
    let mut elsewhere = Vec::new();
    for (view, expected) in views.iter().zip(&expected) {
        let measured = measure_view(side, view, pattern, shapes, expected, pose);
        if measured.as_ref().is_none_or(|m| m.measured.iter().all(|m| m.centre.is_none())) {
            elsewhere.push(beside_expected(view, expected));
        }
        let Some(MeasuredView { measured, outline, common_doubt, shared }) = measured else { continue };
        outlines.push(outline);
        of_views.push((view.index, shared));
        doubts.push((common_doubt, view));
        findings.extend(measured.iter().map(|m| {
            let (centre_px, centre_mm, covariance_mm2, noise_mm2) = match m.centre {
                None => (None, None, Matrix2::zeros(), Matrix2::zeros()),
                Some((p, covariance_px2)) => {
                    // What was measured is the centre of the outline's picture; what counts is where the outline's centre is.
                    let radius_mm = view.radius_px / view.px_per_mm();
                    let [x, y] = outline_shift_px(view.sight, view.mm(p), radius_mm);
                    let p = PointPx::new(p.x - x, p.y - y);
                    let at_mm = view.mm(p);
                    let mm_per_px = view.sight.px_per_mm(at_mm).try_inverse().unwrap_or_default();
                    let in_mm2 = |c: Matrix2<f64>| mm_per_px * c * mm_per_px.transpose();
                    (Some(view.raw_px(p)), Some(at_mm), in_mm2(covariance_px2), in_mm2(covariance_px2 - m.shared_px2))
                }
            };
            SiteFinding {
                site: sites[m.site],
                state: m.state,
                view: view.index,
                centre_px,
                centre_mm,
                covariance_mm2,
                noise_mm2,
                size_ratio: m.size_ratio,
            }
        }));
    }
    findings.sort_by_key(|f: &SiteFinding| f.site);
    let mut shared = Vec::new();
    for (index, doubts) in of_views {
        for doubt in doubts {
            let in_mm = |(site, by_px): (usize, Vector2<f64>)| {
                let at = findings.iter().position(|f| f.view == index && f.site == sites[site])?;
                let view = views.iter().find(|v| v.index == index)?;
                Some((at, view.sight.px_per_mm(findings[at].centre_mm?).try_inverse()? * by_px))
            };
            shared.push(doubt.moves.into_iter().filter_map(in_mm).collect());
        }
    }
    if elsewhere.len() == views.len() {
        elsewhere.clear();
    }
    Measurement { findings, outlines, doubt_mm: of_all_views_mm(&doubts), shared, elsewhere }
}

/// The features that a view shows beside the places where they are expected.
fn beside_expected(view: &SideView, expected: &[Expected]) -> Elsewhere {
    let offs: Vec<PointMm> = expected.iter().filter_map(|e| Some(view.mm(e.candidate?) - view.mm(e.at))).collect();
    let off = offs.iter().fold(PointMm::ZERO, |sum, off| sum + *off * (1.0 / offs.len() as f64));
    Elsewhere { view: view.index, features: offs.len(), off }
}

/// Standard uncertainty, mm along each axis, of the place that views have together: light that pulls one way in one of them and another way
/// in the next pulls less on all; what else is in doubt is so alike in all of them.
fn of_all_views_mm(doubts: &[(CommonDoubt, &SideView)]) -> f64 {
    let features: usize = doubts.iter().map(|(doubt, _)| doubt.features).sum();
    let pull_mm = |which: usize| {
        let of_view = |(doubt, view): &(CommonDoubt, &SideView)| {
            let mm_per_px = view.middle_px_per_mm().try_inverse().unwrap_or_default();
            mm_per_px * Vector2::from(doubt.pulls_px[which]) * doubt.features as f64
        };
        doubts.iter().map(of_view).sum::<Vector2<f64>>() / features.max(1) as f64
    };
    let other_mm = doubts.iter().map(|(doubt, view)| doubt.other_px / view.px_per_mm()).fold(0.0, f64::max);
    [0, 1].into_iter().fold(other_mm, |sum, which| sum.hypot(pull_mm(which).norm() / std::f64::consts::SQRT_2))
}

/// What one view shows of the side.
struct MeasuredView {
    measured: Vec<Measured>,
    outline: Outline,
    /// The doubt that all share.
    common_doubt: CommonDoubt,
    /// Doubts that some share.
    shared: Vec<SharedDoubt>,
}

/// Measures the sites that one view holds. `None` when no look can be learned there.
fn measure_view(
    side: Side,
    view: &SideView,
    pattern: &Pattern,
    shapes: Option<(&Shapes, ScaleSource)>,
    expected: &[Expected],
    pose: &Pose,
) -> Option<MeasuredView> {
    let Some((shapes, scale_from)) = shapes else {
        let found = sites::measure(side, view.plane, &Disc { radius_px: view.radius_px, oblong_px: view.oblong_px() }, expected)?;
        let look = &found.look;
        let outline = Outline {
            view: view.index,
            blur_px: look.blur_px,
            hidden_rim_px: look.hidden_rim_px(side),
            over_design: look.outline_px / look.radius_px,
            left_over: Some(found.left_over),
            is_ring: look.is_ring,
            is_dark: look.step < 0.0,
            carries_deposit: found.carries_deposit,
            deposit_doubt_mm: found.deposit_doubt_px / view.px_per_mm(),
            two_rims_doubt_mm: found.two_rims_doubt_px / view.px_per_mm(),
            is_of_deposit: side == Side::Board && !view.plane.is_cleaned && found.shows_only_deposit(),
            light_doubt_mm: found.light_doubt_px / view.px_per_mm(),
            unknowns: look.unknowns,
            lean_over_rim: found.lean[0].hypot(found.lean[1]) * look.outline_px,
        };
        return Some(MeasuredView { measured: found.measured, outline, common_doubt: found.common_doubt, shared: Vec::new() });
    };
    let target = |e: &Expected| Target {
        expected: *e,
        print: shapes.print(view, e.site, pose, pattern.centres_mm[e.site]),
        group: group_of(shapes, pattern, e.site),
    };
    let found = shape_sites::measure(side, scale_from, view.plane, &expected.iter().map(target).collect::<Vec<_>>())?;
    let outline = Outline::plain(view.index, found.blur_px, found.over_design);
    let common_doubt = CommonDoubt { pulls_px: [[0.0; 2]; 2], other_px: found.common_doubt_px, features: found.measured.len() };
    Some(MeasuredView { measured: found.measured, outline, common_doubt, shared: found.shared })
}
