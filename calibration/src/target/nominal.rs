//! What scale is expected beforehand: a target of another pitch but the same shape cannot be told from another magnification by its
//! picture.

use super::{FindError, Found};
use crate::record::Record;
use landfit_part::PointMm;
use landfit_vision::plane::region_of;
use landfit_vision::pose::fit_similarity;
use landfit_vision::view::Sight;
use landfit_vision::{Optics, ScaleSource};

/// How many µm one px of a view should show.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Nominal {
    um_per_px: f64,
    source: Source,
}

/// Who expects it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Source {
    /// The person: the pixel's size over the magnification, say.
    Stated,
    /// A bench file that nobody has calibrated.
    Guessed,
    /// An earlier calibration.
    Calibrated,
}

impl Source {
    pub(super) const fn words(self) -> &'static str {
        match self {
            Self::Stated => "were stated",
            Self::Guessed => "by the bench file",
            Self::Calibrated => "when this view was calibrated last",
        }
    }

    /// How far it may be off. Magnifications on lenses and datasheets' pixels are good to some percent, and so is a ruler held under
    /// the camera; a view that was calibrated changes by a percent or two when it is focused again. From memory; less than the least
    /// step between the trade's pitches (0.75 to 0.80 mm: 7 %) where the view was calibrated, less than most of them (0.65 to 0.75 mm:
    /// 15 %) where not.
    const fn may_differ(self) -> f64 {
        match self {
            Self::Stated | Self::Guessed => 0.12,
            Self::Calibrated => 0.03,
        }
    }
}

impl Nominal {
    /// As the person states it.
    #[must_use]
    pub const fn stated(um_per_px: f64) -> Self {
        Self { um_per_px, source: Source::Stated }
    }

    /// As the bench file has it for a view; `None` where magnifications change from look to look, or the view cannot be inverted.
    #[must_use]
    pub fn of_view(optics: &Optics, record: &Record, view: usize) -> Option<Self> {
        if optics.scale != ScaleSource::Bench {
            return None;
        }
        let sight = Sight::new(&optics.views[view], optics.lens)?;
        let px_per_mm = sight.px_per_mm(sight.mm(region_of(&optics.views[view], &optics.frame).middle())).determinant().abs().sqrt();
        let source = if record.view(view).is_some() { Source::Calibrated } else { Source::Guessed };
        Some(Self { um_per_px: 1000.0 / px_per_mm, source })
    }

    /// Whether the marks can be those of the target that was asked for.
    ///
    /// # Errors
    /// [`FindError::OtherScale`].
    pub fn check(&self, found: &Found) -> Result<(), FindError> {
        let at_mm: Vec<PointMm> = found.spots.iter().map(|s| s.at_mm).collect();
        let seen_px: Vec<PointMm> = found.spots.iter().map(|s| PointMm::new(s.seen_px.x, -s.seen_px.y)).collect();
        // Marks that allow no fit are refused elsewhere.
        let Ok(fit) = fit_similarity(&at_mm, &seen_px, &vec![1.0; at_mm.len()]) else { return Ok(()) };
        let seen_um = 1000.0 / fit.scale;
        let most = 1.0 + self.source.may_differ();
        if (1.0 / most..=most).contains(&(seen_um / self.um_per_px)) {
            Ok(())
        } else {
            Err(FindError::OtherScale { seen_um, nominal_um: self.um_per_px, by: self.source })
        }
    }
}
