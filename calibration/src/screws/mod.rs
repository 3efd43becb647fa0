//! What an adjuster does, learned from a run: readings set by hand, and where pictures say that what it carries then stood.
//!
//! [`listing`] is the list of them that the person fills in. [`run`] plans the readings to set, [`shift`] and [`rotation`] fit what came of it, [`positioning`] evaluates a full run after
//! ISO 230-2, [`reading`] turns what a thimble shows into turns. One mis-noted reading is found and named ([`Misnoted`]).

mod fit;
pub mod listing;
pub mod positioning;
pub mod reading;
pub mod rotation;
pub mod run;
pub mod shift;

use landfit_part::Pose;

/// In which way a stop was approached, by the reading.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Approach {
    /// The reading rose.
    Up,
    /// The reading fell.
    Down,
}

/// One stop of a run.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Stop {
    /// What was noted, turns.
    pub reading_turns: f64,
    /// In which way it was approached.
    pub approach: Approach,
    /// Where the picture says that what the adjuster carries stood, bench frame.
    pub pose: Pose,
}

/// A reading that the pictures contradict; it was left out.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Misnoted {
    /// Which stop, from 0.
    pub stop: usize,
    /// What was noted, turns.
    pub noted_turns: f64,
    /// What the pictures say, turns.
    pub likely_turns: f64,
}

/// Error that comes back once in a turn: `cos` cos 2πt + `sin` sin 2πt, t in turns of reading; in mm, or radians of a rotation.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct OncePerTurn {
    /// Of the cosine.
    pub cos: f64,
    /// Of the sine.
    pub sin: f64,
    /// Standard uncertainties of the two.
    pub u: [f64; 2],
}

impl OncePerTurn {
    /// Half of peak to valley.
    #[must_use]
    pub fn amplitude(&self) -> f64 {
        self.cos.hypot(self.sin)
    }
}

/// Whether readings repeat with the turn of a thimble.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Graduation {
    /// A thimble (or a knob with a mark): a once-per-turn error is looked for.
    Turning {
        /// The smallest graduation, turns: a slip in reading is of that size at least.
        division_turns: f64,
    },
    /// A jog control's steps: there is no turn.
    Steps,
}

impl Graduation {
    pub(crate) const fn turns(self) -> bool {
        matches!(self, Self::Turning { .. })
    }

    /// Refuses stops that scatter about the best line by more than hands and screws do: three quarters of the smallest graduation, or a
    /// twentieth of a turn. From memory: hands set a thimble to a tenth of a division, a bare knob to half an eighth.
    pub(crate) fn check_scatter(self, scatter_turns: f64) -> Result<(), RunError> {
        let most_turns = (0.75 * self.division_turns()).max(0.05);
        if scatter_turns > most_turns { Err(RunError::Uneven { scatter_turns }) } else { Ok(()) }
    }

    pub(crate) const fn division_turns(self) -> f64 {
        match self {
            Self::Turning { division_turns } => division_turns,
            Self::Steps => 1.0,
        }
    }
}

/// Why a run says nothing.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
#[non_exhaustive]
pub enum RunError {
    /// Too few readings.
    #[error("{found} readings are too few: this run needs at least {needed}, both ways")]
    TooFew {
        /// Readings.
        found: usize,
        /// Needed.
        needed: usize,
    },
    /// NaN or infinite.
    #[error("reading {} is no number: write turns, mm or inches as figures", stop + 1)]
    NotANumber {
        /// Which stop, from 0.
        stop: usize,
    },
    /// All readings the same.
    #[error("all readings are {turns} turns: set the adjuster to different readings over its travel")]
    AllEqual {
        /// That reading.
        turns: f64,
    },
    /// Stops at one phase only.
    #[error(
        "the stops share one place of the turn (thimble at {phase_turns:.2} of a turn): an error that comes back with every turn would pass for pitch or be missed. Set readings at different parts of the turn, as the run's listing says"
    )]
    OnePhase {
        /// That phase, turns.
        phase_turns: f64,
    },
    /// Stops at too few phases.
    #[error(
        "the stops stand at two opposite places of the turn only: an error that comes back with every turn cannot be told from them. Set readings at different parts of the turn, as the run's listing says"
    )]
    TwoPhases,
    /// All approached in one way.
    #[error("all stops were approached in the same way, so play cannot be told: come back over the same readings the other way")]
    OneWay,
    /// More than a few readings contradict the pictures.
    #[error(
        "{found} of {all} readings contradict the pictures: check the reading's unit, which adjuster was turned, and that nothing else moved"
    )]
    Contradicted {
        /// How many.
        found: usize,
        /// Of how many.
        all: usize,
    },
    /// The readings are hardly those of these pictures.
    #[error(
        "the stops scatter by {scatter_turns:.2} of a turn: no screw is that uneven. Check the readings' unit and their order, which adjuster was turned, and that nothing else moved"
    )]
    Uneven {
        /// Standard deviation about the best line, turns.
        scatter_turns: f64,
    },
    /// Nothing moved.
    #[error(
        "turning the adjuster moved nothing that stands out of the scatter ({moved} over the run): is it the right adjuster, and its clamp loose?"
    )]
    NothingMoved {
        /// How far, with unit.
        moved: String,
    },
    /// Readings do not settle it.
    #[error("the readings do not settle what a turn does: spread them over the travel")]
    Unsettled,
}

#[cfg(test)]
mod tests;
