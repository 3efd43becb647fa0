//! Scale, lens and registration, one laying down of the target after the other.

use super::Wanted;
use crate::date::Date;
use crate::record::Record;
use crate::scale::{LensKnowledge, ScaleError, ScaleFit, Shot, ViewReport, applied, fit, remember, reports, seat};
use crate::target::{AgreeError, FindError, Found, Nominal, Target, agree, find_in_view};
use landfit_part::Side;
use landfit_vision::{Misfit, Optics, Picture};

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
    /// Pictures that are no look of this bench.
    #[error(transparent)]
    Pictures(#[from] Misfit),
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
    nominal: Vec<Option<Nominal>>,
    ruler_relative: f64,
    shots: Vec<Shot>,
    layings: usize,
    /// Of all layings down so far: a fit takes a while, and is asked for again and again.
    result: Result<ScaleResult, ScaleError>,
}

/// Layings down after which more tell little more; one more than the trial of simulated benches takes.
const ENOUGH: usize = 4;

impl ScaleStep {
    /// For a bench as it is now; `ruler_relative` is the target's relative standard uncertainty. A target that speaks of another scale
    /// than the bench file is refused.
    #[must_use]
    pub fn new(optics: Optics, record: &Record, target: Target, ruler_relative: f64) -> Self {
        let nominal = (0..optics.views.len()).map(|view| Nominal::of_view(&optics, record, view)).collect();
        Self { optics, target, nominal, ruler_relative, shots: Vec::new(), layings: 0, result: Err(ScaleError::NoShots) }
    }

    /// After a change of the optics: so many µm per px are expected of every view, whatever the bench file has.
    #[must_use]
    pub fn expecting(self, um_per_px: f64) -> Self {
        Self { nominal: vec![Some(Nominal::stated(um_per_px)); self.optics.views.len()], ..self }
    }

    /// How often the target was laid down so far.
    #[must_use]
    pub const fn layings(&self) -> usize {
        self.layings
    }

    /// What is wanted next; `None` when the field is covered and the target was laid down often enough.
    #[must_use]
    pub fn next(&self) -> Option<Wanted> {
        let Ok(result) = &self.result else {
            return Some(Wanted::needed(
                "Lay the target flat in the plane of the lands, so that part view and board view both see it sharply, and take a picture.",
            ));
        };
        if let Some(place) = uncovered(result).first() {
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
        let pictures = self.optics.fitting(pictures)?;
        let mut found: Vec<Found> = Vec::new();
        for (v, view) in self.optics.views.iter().enumerate() {
            let find_error = |error| LayError::Find { side: view.shows, error };
            let mut here = find_in_view(&self.optics, v, &pictures[view.exposure], &self.target).map_err(find_error)?;
            self.nominal[v].map_or(Ok(()), |nominal| nominal.check(&here)).map_err(find_error)?;
            if let Some(first) = found.first() {
                agree(&self.optics, (v, &mut here), (0, first))?;
            }
            found.push(here);
        }
        let marks = found.iter().map(|f| f.spots.len()).collect();
        let mut shots = self.shots.clone();
        let shot = |(view, f): (usize, Found)| Shot { view, placement: self.layings, disc_mm: f.disc_mm, spots: f.spots };
        shots.extend(found.into_iter().enumerate().map(shot));
        let result = self.fitted(&shots)?;
        let covered_share = result.views.iter().map(|v| v.windows.covered_share()).fold(1.0, f64::min);
        let laid = LaidDown { marks, covered_share, uncovered: uncovered(&result) };
        (self.shots, self.layings, self.result) = (shots, self.layings + 1, Ok(result));
        Ok(laid)
    }

    /// Takes back the last laying down.
    pub fn take_back(&mut self) {
        self.layings = self.layings.saturating_sub(1);
        let layings = self.layings;
        self.shots.retain(|s| s.placement < layings);
        self.result = self.fitted(&self.shots);
    }

    /// What the pictures say so far.
    ///
    /// # Errors
    /// See [`ScaleError`]; `NoShots` before the first laying down.
    pub const fn result(&self) -> Result<&ScaleResult, &ScaleError> {
        self.result.as_ref()
    }

    fn fitted(&self, shots: &[Shot]) -> Result<ScaleResult, ScaleError> {
        let [w, h] = self.optics.frame.size_px;
        let half_diagonal_px = (f64::from(w).hypot(f64::from(h)) / 2.0).round().max(1.0);
        let norm_px = self.optics.lens.map_or(half_diagonal_px, |l| l.norm_px);
        let views: Vec<usize> = (0..self.optics.views.len()).collect();
        let mut fit = fit(shots, [w, h], LensKnowledge::Open { norm_px }, self.ruler_relative)?;
        seat(&mut fit, &self.optics, &views)?;
        let reports = reports(&fit, &self.optics, &views)?;
        Ok(ScaleResult { optics: applied(&fit, &self.optics, &views)?, fit, views: reports })
    }
}

/// Where no mark has been yet in some view, each place once.
fn uncovered(result: &ScaleResult) -> Vec<String> {
    let mut places: Vec<String> = Vec::new();
    for place in result.views.iter().flat_map(|v| v.windows.uncovered()) {
        if !places.contains(&place) {
            places.push(place);
        }
    }
    places
}
