//! Targets in the views of a bench: found in the light of one view, and its marks counted alike in several views.

use super::{Expected, FindError, Found, Target, edge_width_px, find};
use landfit_part::PointMm;
use landfit_vision::picture::Samples;
use landfit_vision::plane::{region_of, separate};
use landfit_vision::pose::fit_rigid;
use landfit_vision::view::Sight;
use landfit_vision::{Optics, Picture, PointPx};

/// The light of one view, as a grey picture of its region whose brightest place is white, and how bright that is as a share of full
/// scale.
#[must_use]
pub fn light_of_view(optics: &Optics, view: usize, picture: &Picture) -> (Picture, f32) {
    let plane = separate(picture, optics, view);
    let brightest = plane.light.iter().copied().fold(0.0, f32::max);
    let top = brightest.clamp(1e-6, 2.0);
    let samples = plane.light.iter().map(|v| (65_535.0 * (v / top).clamp(0.0, 1.0)) as u16).collect();
    (Picture { width_px: plane.width, height_px: plane.height, channels: 1, samples: Samples::U16(samples) }, brightest)
}

/// A view whose brightest place has less than this share of full scale shows nothing: 5 of 255 raw values.
const LEAST_LIGHT: f32 = 0.02;

/// Finds the target in one view's picture; places are raw px of the whole picture.
///
/// # Errors
/// See [`FindError`].
pub fn find_in_view(optics: &Optics, view: usize, picture: &Picture, target: &Target) -> Result<Found, FindError> {
    let region = region_of(&optics.views[view], &optics.frame);
    let sight = Sight::new(&optics.views[view], optics.lens)
        .ok_or_else(|| FindError::None(format!("view {view} of the bench file has a px_from_mm that cannot be inverted")))?;
    let j = sight.px_per_mm(sight.mm(region.middle()));
    let expected = Expected { angle_rad: (-j[(1, 0)] - j[(0, 1)]).atan2(j[(0, 0)] - j[(1, 1)]), ..Expected::default() };
    let (light, brightest) = light_of_view(optics, view, picture);
    if brightest < LEAST_LIGHT {
        return Err(FindError::Dark { percent: 100.0 * brightest });
    }
    let mut found = find(&light, target, &expected)?;
    shift(&mut found, f64::from(region.x), f64::from(region.y));
    Ok(found)
}

fn shift(found: &mut Found, x_px: f64, y_px: f64) {
    for s in &mut found.spots {
        s.seen_px = PointPx::new(s.seen_px.x + x_px, s.seen_px.y + y_px);
    }
}

/// How wide the edges of a target's marks are in one view, px: see [`edge_width_px`].
#[must_use]
pub fn marks_edge_width_px(optics: &Optics, view: usize, picture: &Picture, found: &Found) -> Option<f64> {
    let region = region_of(&optics.views[view], &optics.frame);
    let mut local = found.clone();
    shift(&mut local, -f64::from(region.x), -f64::from(region.y));
    edge_width_px(&light_of_view(optics, view, picture).0, &local)
}

/// Why marks of two views cannot be counted alike.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
#[non_exhaustive]
pub enum AgreeError {
    /// Half a step apart.
    #[error(
        "which mark is which cannot be told between the part view and the board view: by the bench file they are {apart_mm:.2} mm apart, half a step of this target. Take a target with a larger pitch, or a part's pattern"
    )]
    HalfAStep {
        /// By the bench file's own registration.
        apart_mm: f64,
    },
    /// Marks that allow no pose.
    #[error("the marks do not settle where the target lies: show more of it")]
    Unsettled,
}

/// Moves the marks of a lattice by whole steps so that they lie where `other`, the same target in another view, has them by the
/// bench's registration so far.
///
/// # Errors
/// See [`AgreeError`].
pub fn agree(optics: &Optics, (view, found): (usize, &mut Found), (other_view, other): (usize, &Found)) -> Result<(), AgreeError> {
    let Some(steps) = found.steps_mm else { return Ok(()) };
    let sight = |v: usize| Sight::new(&optics.views[v], optics.lens).ok_or(AgreeError::Unsettled);
    let (here, there) = (sight(view)?, sight(other_view)?);
    let target: Vec<PointMm> = other.spots.iter().map(|s| s.at_mm).collect();
    let seen: Vec<PointMm> = other.spots.iter().map(|s| there.mm(s.seen_px)).collect();
    let back = fit_rigid(&target, &seen).map_err(|_| AgreeError::Unsettled)?.inverse();
    // The marks in the middle: a wrong scale in the bench file does least there.
    let middle = region_of(&optics.views[view], &optics.frame).middle();
    let nearest = found.spots.iter().min_by(|a, b| a.seen_px.distance(middle).total_cmp(&b.seen_px.distance(middle)));
    let Some(nearest) = nearest else { return Ok(()) };
    let off = back.apply(here.mm(nearest.seen_px)) - nearest.at_mm;
    let m = nalgebra::Matrix2::new(steps[0].x, steps[1].x, steps[0].y, steps[1].y);
    let Some(inverse) = m.try_inverse() else { return Ok(()) };
    let steps_off = inverse * nalgebra::Vector2::new(off.x, off.y);
    let whole = steps_off.map(f64::round);
    if (steps_off - whole).amax() > 0.35 {
        return Err(AgreeError::HalfAStep { apart_mm: off.norm() });
    }
    let shift = m * whole;
    for s in &mut found.spots {
        s.at_mm = s.at_mm + PointMm::new(shift.x, shift.y);
    }
    Ok(())
}
