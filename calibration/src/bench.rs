//! The bench as its file describes it: optics, adjusters, learned aim.

use landfit_part::{PointMm, Pose, Side};
use landfit_vision::Optics;

/// A calibrated (or not yet calibrated) set-up.
#[derive(Debug, Clone, PartialEq)]
pub struct Bench {
    /// The bench's name.
    pub name: String,
    /// Frame, lens and views.
    pub optics: Optics,
    /// Every adjuster, in the file's order.
    pub adjusters: Vec<Adjuster>,
    /// The offset to aim at; zero when the file has none.
    pub aim: Pose,
    /// What the file says of its own calibration.
    pub calibration: CalibrationState,
}

/// What a bench file says of its calibration, in `[calibration] state`.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum CalibrationState {
    /// It says nothing.
    #[default]
    Unsaid,
    /// "not calibrated": its values are what somebody took them for.
    NotCalibrated,
    /// "calibrated".
    Calibrated,
}

/// A screw or a jog control.
#[derive(Debug, Clone, PartialEq)]
pub struct Adjuster {
    /// "X".
    pub name: String,
    /// What it moves.
    pub carries: Side,
    /// What one clockwise turn does to what it carries.
    pub turn: Motion,
    /// Graduations on the thimble; a bare knob or a jog control has none.
    pub divisions: Option<u32>,
    /// Turns lost when the sense reverses.
    pub backlash_turns: f64,
    /// The smallest step that the hand can set, in divisions; 1 when the file has none.
    pub readable_divisions: f64,
    /// How it is read.
    pub reads: Reads,
    /// The sense that makes the thimble's reading rise.
    pub reading_rises: Sense,
    /// What its scale shows for one turn.
    pub scale: ReadingScale,
    /// The ends of its travel, in reading (turns).
    pub travel_turns: Option<[f64; 2]>,
    /// Where it stands on this bench.
    pub stands: Option<Stands>,
    /// The adjuster that carries this one, so that its direction turns with it.
    pub rides_on: Option<String>,
}

/// What one clockwise turn does, bench frame.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Motion {
    /// Moves along a line.
    Shift {
        /// The step of one turn, mm.
        step_mm: PointMm,
    },
    /// Turns about a pivot.
    Rotation {
        /// Counter-clockwise turn of one turn, radians.
        step_rad: f64,
        /// The pivot, bench frame.
        pivot_mm: PointMm,
    },
    /// Tilts about the bench's x and y axes.
    Tilt {
        /// Tilt of one turn about x and about y, radians.
        step_rad: [f64; 2],
    },
}

/// How an adjuster is read.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Reads {
    /// A graduated thimble.
    Divisions,
    /// A jog control: one turn is one step.
    Steps,
    /// A bare knob.
    None,
}

/// What an adjuster's scale shows: turns as a rule, or the thimble's own unit.
#[derive(Debug, Clone, PartialEq)]
pub struct ReadingScale {
    /// What one turn adds to the reading, above 0: 1 where readings are turns, 0.025 on an inch thimble.
    pub per_turn: f64,
    /// The unit's name, as said after a reading: "in"; empty where readings are turns.
    pub unit: String,
}

impl ReadingScale {
    /// Readings in turns.
    pub const TURNS: Self = Self { per_turn: 1.0, unit: String::new() };

    /// What the scale shows where the adjuster stands at `turns`.
    #[must_use]
    pub fn shown(&self, turns: f64) -> f64 {
        turns * self.per_turn
    }

    /// Where the adjuster stands, in turns, when its scale shows `reading`.
    #[must_use]
    pub fn turns(&self, reading: f64) -> f64 {
        reading / self.per_turn
    }
}

/// The sense of a turn as the hand on the adjuster sees it.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Sense {
    /// Positive turns.
    Clockwise,
    /// Negative turns.
    Anticlockwise,
}

/// Where an adjuster stands on its bench.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Stands {
    /// At the operator's right.
    Right,
    /// Towards the operator.
    Near,
    /// At the operator's left.
    Left,
    /// Away from the operator.
    Far,
    /// Above.
    Top,
}
