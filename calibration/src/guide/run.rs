//! A run of one adjuster, reading after reading.

use crate::screws::reading::Thimble;
use crate::screws::rotation::{RotationFit, fit_rotation};
use crate::screws::run::{Extent, Planned, plan};
use crate::screws::shift::{ShiftFit, SightUncertainty, fit_shift};
use crate::screws::{Approach, RunError, Stop};
use landfit_part::Pose;

/// The reading to set next.
#[derive(Debug, Clone, PartialEq)]
pub struct NextReading {
    /// Which stop of the run, from 0, ...
    pub stop: usize,
    /// ... and of how many.
    pub of: usize,
    /// The reading, and from which side to come to it.
    pub planned: Planned,
    /// In words: "Set 1.250 mm, the reading rising".
    pub words: String,
}

/// What came of a run.
#[derive(Debug, Clone, PartialEq)]
pub enum RunResult {
    /// Of an adjuster that moves along a line.
    Shift(Box<ShiftFit>),
    /// Of one that turns what it carries.
    Rotation(Box<RotationFit>),
}

/// A run that states the readings and takes what the pictures say of where each put the part or the board.
#[derive(Debug, Clone)]
pub struct RunStep {
    thimble: Thimble,
    path: Path,
    planned: Vec<Planned>,
    stops: Vec<Stop>,
}

/// The way of what an adjuster carries.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Path {
    Line,
    Circle,
}

/// How far past the last reading a run turns before it comes back, turns: more than any play.
pub const PAST_TURNS: f64 = 0.25;

impl RunStep {
    /// A run of an adjuster that moves along a line, between two readings in turns.
    #[must_use]
    pub fn of_shift(thimble: Thimble, extent: Extent, between_turns: [f64; 2]) -> Self {
        Self::new(thimble, Path::Line, extent, between_turns)
    }

    /// A run of one that turns what it carries.
    #[must_use]
    pub fn of_rotation(thimble: Thimble, extent: Extent, between_turns: [f64; 2]) -> Self {
        Self::new(thimble, Path::Circle, extent, between_turns)
    }

    fn new(thimble: Thimble, path: Path, extent: Extent, [from, to]: [f64; 2]) -> Self {
        Self { thimble, path, planned: plan(extent, from, to, &thimble), stops: Vec::new() }
    }

    /// The reading to set next; `None` when the run is done.
    #[must_use]
    pub fn next(&self) -> Option<NextReading> {
        let stop = self.stops.len();
        let planned = *self.planned.get(stop)?;
        let shown = self.thimble.shown(planned.reading_turns);
        let turning = stop == 0 || self.planned[stop - 1].approach != planned.approach;
        let past = PAST_TURNS * if planned.approach == Approach::Up { -1.0 } else { 1.0 };
        // Steps of a jog control are whole.
        let past = if self.thimble.whole_turns_only() { past.signum() } else { past };
        let sense = if planned.approach == Approach::Up { "rising" } else { "falling" };
        let words = if turning {
            format!("Go to {} first, then set {shown}, the reading {sense}.", self.thimble.shown(planned.reading_turns + past))
        } else {
            format!("Set {shown}, the reading {sense}.")
        };
        Some(NextReading { stop, of: self.planned.len(), planned, words })
    }

    /// Takes the stop that [`RunStep::next`] stated: what the thimble really shows, in turns, and where the picture has what is carried.
    /// Nothing is taken after the last stop.
    pub fn note(&mut self, reading_turns: f64, pose: Pose) {
        if let Some(planned) = self.planned.get(self.stops.len()) {
            self.stops.push(Stop { reading_turns, approach: planned.approach, pose });
        }
    }

    /// Takes back the last stop.
    pub fn take_back(&mut self) {
        self.stops.pop();
    }

    /// The stops so far.
    #[must_use]
    pub fn stops(&self) -> &[Stop] {
        &self.stops
    }

    /// What the stops say so far; readings that the pictures contradict are in it by name.
    ///
    /// # Errors
    /// See [`RunError`]: before some eight stops, both ways, there is nothing to say.
    pub fn result(&self, sight: SightUncertainty) -> Result<RunResult, RunError> {
        let graduation = self.thimble.graduation();
        match self.path {
            Path::Line => fit_shift(&self.stops, graduation, sight).map(|f| RunResult::Shift(Box::new(f))),
            Path::Circle => fit_rotation(&self.stops, graduation).map(|f| RunResult::Rotation(Box::new(f))),
        }
    }
}
