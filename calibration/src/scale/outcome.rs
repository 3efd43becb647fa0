//! From a fit to the bench: its frame stays where it was, views and lens are put into its optics, and what is known of them into its
//! record.

use super::{ScaleError, ScaleFit, ViewReport, homography};
use crate::date::Date;
use crate::record::{Record, RegistrationUncertainty, ViewUncertainty};
use landfit_part::{PointMm, Side};
use landfit_vision::plane::region_of;
use landfit_vision::view::Sight;
use landfit_vision::{Optics, PointPx};

/// Leaves the bench's frame where it was: by the board's view of each registered group, or its first view. `views[i]` is the bench's view
/// that the fit calls `i`.
///
/// # Errors
/// `Unsettled` where a view of the bench file cannot be inverted.
pub fn seat(found: &mut ScaleFit, optics: &Optics, views: &[usize]) -> Result<(), ScaleError> {
    let mut seated: Vec<usize> = Vec::new();
    let board_first = (0..views.len()).filter(|i| optics.views[views[*i]].shows == Side::Board);
    let order: Vec<usize> = board_first.chain(0..views.len()).collect();
    for i in order {
        if seated.iter().all(|s| !found.are_registered(*s, i)) {
            let view = &optics.views[views[i]];
            let old = Sight::new(view, optics.lens).ok_or(ScaleError::Unsettled)?;
            found.seat(i, &old, region_of(view, &optics.frame));
            seated.push(i);
        }
    }
    Ok(())
}

/// What the fit says of each of its views.
///
/// # Errors
/// `Unsettled` for a fit that has come apart.
pub fn reports(found: &ScaleFit, optics: &Optics, views: &[usize]) -> Result<Vec<ViewReport>, ScaleError> {
    let of = |(i, v): (usize, &usize)| found.view_report(i, region_of(&optics.views[*v], &optics.frame)).ok_or(ScaleError::Unsettled);
    views.iter().enumerate().map(of).collect()
}

/// The optics with views and lens as fitted; views that were not calibrated keep seeing what they saw, through the new lens.
///
/// # Errors
/// `Unsettled` where a view that was not calibrated cannot be carried over.
pub fn applied(found: &ScaleFit, optics: &Optics, views: &[usize]) -> Result<Optics, ScaleError> {
    let lens = found.lens();
    let mut changed = optics.clone();
    for (v, view) in optics.views.iter().enumerate() {
        changed.views[v].px_from_mm = match views.iter().position(|w| *w == v) {
            Some(i) => found.px_from_mm(i),
            None => {
                let old = Sight::new(view, optics.lens).ok_or(ScaleError::Unsettled)?;
                let region = region_of(view, &optics.frame);
                let (mut from, mut to): (Vec<PointMm>, Vec<PointPx>) = (Vec::new(), Vec::new());
                for k in 0..81 {
                    let at = |i: u32, from: u32, size: u32| f64::from(from) + f64::from(size - 1) * f64::from(i) / 8.0;
                    let p = PointPx::new(at(k % 9, region.x, region.width), at(k / 9, region.y, region.height));
                    from.push(old.mm(p));
                    to.push(lens.ideal_from_seen(p));
                }
                homography(&from, &to).ok_or(ScaleError::Unsettled)?
            }
        };
    }
    changed.lens = Some(lens);
    Ok(changed)
}

/// Puts into a record how well the views are known, and part views against board views. `optics` are those already changed, `format` the
/// pictures' kind, on which registrations depend: those of another kind are forgotten.
pub fn remember(
    record: &mut Record,
    found: &ScaleFit,
    optics: &Optics,
    (views, reports): (&[usize], &[ViewReport]),
    format: &str,
    date: Date,
) {
    for (view, r) in views.iter().zip(reports) {
        let region = region_of(&optics.views[*view], &optics.frame);
        let middle = Sight::new(&optics.views[*view], optics.lens).map_or(PointMm::ZERO, |s| s.mm(region.middle()));
        let fit_only = (r.u_um_per_px[0] / r.um_per_px[0]).powi(2) - found.ruler_relative.powi(2);
        record.set_view(ViewUncertainty {
            view: *view,
            scale_relative: fit_only.max(0.0).sqrt(),
            angle_rad: r.u_angle_rad,
            field_mm: r.field.rms_mm,
            field_largest_mm: r.field.largest_mm,
            rms_px: r.rms_px,
            middle_mm: [middle.x, middle.y],
            date: Some(date),
        });
    }
    for (i, v) in views.iter().enumerate() {
        for (j, w) in views.iter().enumerate() {
            if (optics.views[*v].shows, optics.views[*w].shows) != (Side::Part, Side::Board) {
                continue;
            }
            let Some(r) = found.registration(i, j) else { continue };
            if record.pixel_format.as_deref() != Some(format) {
                record.registrations.clear();
                record.pixel_format = Some(format.to_owned());
            }
            record.set_registration(RegistrationUncertainty {
                part_view: *v,
                board_view: *w,
                covariance: r.covariance,
                middle_mm: [r.middle_mm.x, r.middle_mm.y],
                field: Some(r.field),
                date: Some(date),
            });
        }
    }
}
