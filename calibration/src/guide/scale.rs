//! Scale, lens and registration, one laying down of the target after the other.

use super::Wanted;
use crate::date::Date;
use crate::record::Record;
use crate::scale::{LensKnowledge, ScaleError, ScaleFit, Shot, ViewReport, applied, fit, remember, reports, seat};
use crate::target::{AgreeError, FindError, Found, Target, agree, find_in_view};
use landfit_part::Side;
use landfit_vision::{Optics, Picture};

/// What one laying down of the target showed.
#[derive(Debug, Clone, PartialEq)]
pub struct LaidDown {
    /// Marks in each view of the bench, in their order.
    pub marks: Vec<usize>,
    /// Share of the field, 0 to 1, that marks have covered so far, in the view that lacks most.
    pub covered_share: f64,
    /// Where no mark has been yet, in words.
    pub uncovered: Vec<String>,
}

/// Why a laying down counts for nothing.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
#[non_exhaustive]
pub enum LayError {
    /// Too few pictures.
    #[error("{given} pictures were given, but this bench takes {needed}")]
    Pictures {
        /// Given.
        given: usize,
        /// One for each exposure.
        needed: usize,
    },
    /// A picture of another size.
    #[error("the picture is {w} x {h} px, but the bench's frame is {} x {} px: use the bench's camera settings", frame[0], frame[1], w = size[0], h = size[1])]
    Size {
        /// Of the picture, px.
        size: [usize; 2],
        /// Of the bench, px.
        frame: [u32; 2],
    },
    /// Not found.
    #[error("in the {} view {error}", side.word())]
    Find {
        /// In the view of which side.
        side: Side,
        /// Why.
        error: FindError,
    },
    /// Which mark is which.
    #[error(transparent)]
    Agree(#[from] AgreeError),
    /// The fit does not hold together with it.
    #[error(transparent)]
    Scale(#[from] ScaleError),
}

/// What came of it.
#[derive(Debug, Clone)]
pub struct ScaleResult {
    /// The bench's optics as they would be.
    pub optics: Optics,
    /// The fit; it tells the lens and every mark's residual.
    pub fit: ScaleFit,
    /// View by view.
    pub views: Vec<ViewReport>,
}

impl ScaleResult {
    /// Puts what is known into a bench's record; `format` is the pictures' kind ("rgb8"), on which the registration depends.
    pub fn remember(&self, record: &mut Record, format: &str, date: Date) {
        let all: Vec<usize> = (0..self.views.len()).collect();
        remember(record, &self.fit, &self.optics, (&all, &self.views), format, date);
    }
}

/// Calibrates all views of a bench from a target that part view and board view both see.
#[derive(Debug, Clone)]
pub struct ScaleStep {
    optics: Optics,
    target: Target,
    ruler_relative: f64,
    shots: Vec<Shot>,
    layings: usize,
}

/// Layings down after which more tell little more; one more than the trial of simulated benches takes.
const ENOUGH: usize = 4;

impl ScaleStep {
    /// For a bench as it is now; `ruler_relative` is the target's relative standard uncertainty.
    #[must_use]
    pub const fn new(optics: Optics, target: Target, ruler_relative: f64) -> Self {
        Self { optics, target, ruler_relative, shots: Vec::new(), layings: 0 }
    }

    /// How often the target was laid down so far.
    #[must_use]
    pub const fn layings(&self) -> usize {
        self.layings
    }

    /// What is wanted next; `None` when the field is covered and the target was laid down often enough.
    #[must_use]
    pub fn next(&self) -> Option<Wanted> {
        if self.layings == 0 {
            return Some(Wanted::needed(
                "Lay the target flat in the plane of the lands, so that part view and board view both see it sharply, and take a picture.",
            ));
        }
        let uncovered = self.result().map_or_else(|_| Vec::new(), |r| r.views.iter().flat_map(|v| v.windows.uncovered()).collect());
        if let Some(place) = uncovered.first() {
            return Some(Wanted::optional(format!("Move the target so that it covers {place} of the field, and take a picture.")));
        }
        (self.layings < ENOUGH)
            .then(|| Wanted::optional("Move the target by a few of its marks, turn it by some degrees, and take a picture.".to_owned()))
    }

    /// Takes the pictures of one laying down, in the order of exposure. One that cannot be used changes nothing.
    ///
    /// # Errors
    /// See [`LayError`]: what to do about it is in its words.
    pub fn lay(&mut self, pictures: &[Picture]) -> Result<LaidDown, LayError> {
        let needed = self.optics.views.iter().map(|v| v.exposure + 1).max().unwrap_or(1);
        if pictures.len() != needed {
            return Err(LayError::Pictures { given: pictures.len(), needed });
        }
        let frame = self.optics.frame.size_px;
        if let Some(odd) = pictures.iter().find(|p| [p.width_px, p.height_px] != frame.map(|v| v as usize)) {
            return Err(LayError::Size { size: [odd.width_px, odd.height_px], frame });
        }
        let mut found: Vec<Found> = Vec::new();
        for (v, view) in self.optics.views.iter().enumerate() {
            let mut here = find_in_view(&self.optics, v, &pictures[view.exposure], &self.target)
                .map_err(|error| LayError::Find { side: view.shows, error })?;
            if let Some(first) = found.first() {
                agree(&self.optics, (v, &mut here), (0, first))?;
            }
            found.push(here);
        }
        let marks = found.iter().map(|f| f.spots.len()).collect();
        let before = self.shots.len();
        let shot = |(view, f): (usize, Found)| Shot { view, placement: self.layings, disc_mm: f.disc_mm, spots: f.spots };
        let shots: Vec<Shot> = found.into_iter().enumerate().map(shot).collect();
        self.shots.extend(shots);
        self.layings += 1;
        match self.result() {
            Ok(result) => {
                let of_least = result.views.iter().map(|v| v.windows.covered_share()).fold(1.0, f64::min);
                let mut uncovered: Vec<String> = Vec::new();
                for name in result.views.iter().flat_map(|v| v.windows.uncovered()) {
                    if !uncovered.contains(&name) {
                        uncovered.push(name);
                    }
                }
                Ok(LaidDown { marks, covered_share: of_least, uncovered })
            }
            Err(error) => {
                self.shots.truncate(before);
                self.layings -= 1;
                Err(error.into())
            }
        }
    }

    /// Takes back the last laying down.
    pub fn take_back(&mut self) {
        self.layings = self.layings.saturating_sub(1);
        let layings = self.layings;
        self.shots.retain(|s| s.placement < layings);
    }

    /// What the pictures say so far.
    ///
    /// # Errors
    /// See [`ScaleError`]; `NoShots` before the first laying down.
    pub fn result(&self) -> Result<ScaleResult, ScaleError> {
        let [w, h] = self.optics.frame.size_px;
        let half_diagonal_px = (f64::from(w).hypot(f64::from(h)) / 2.0).round().max(1.0);
        let norm_px = self.optics.lens.map_or(half_diagonal_px, |l| l.norm_px);
        let views: Vec<usize> = (0..self.optics.views.len()).collect();
        let mut fit = fit(&self.shots, [w, h], LensKnowledge::Open { norm_px }, self.ruler_relative)?;
        seat(&mut fit, &self.optics, &views)?;
        let views = reports(&fit, &self.optics, &views)?;
        let all: Vec<usize> = (0..views.len()).collect();
        Ok(ScaleResult { optics: applied(&fit, &self.optics, &all)?, fit, views })
    }
}
