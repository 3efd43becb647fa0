//! From what a thimble shows to turns, and back.

use super::Graduation;

/// How an adjuster is graduated.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Thimble {
    /// In what its readings are.
    pub unit: Unit,
    /// Units of one turn.
    pub per_turn: f64,
    /// Graduations round the thimble; 0 for a bare knob.
    pub divisions: u32,
    /// Parts of a division that can be read: 10 with a vernier, 2 where half a division is told by eye, else 1.
    pub parts: u32,
}

/// The unit of a reading.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Unit {
    /// Millimetres.
    Millimetre,
    /// Inches.
    Inch,
    /// Turns, as `--reading` of `align` takes them.
    Turn,
    /// Steps of a jog control.
    Step,
}

impl Thimble {
    /// 0.5 mm in a turn, 50 divisions of 0.01 mm.
    pub const MM: Self = Self { unit: Unit::Millimetre, per_turn: 0.5, divisions: 50, parts: 1 };
    /// The same with a vernier on the sleeve: 0.001 mm.
    pub const MM_VERNIER: Self = Self { parts: 10, ..Self::MM };
    /// 0.25 mm in a turn, 50 divisions of 0.005 mm.
    pub const MM_FINE: Self = Self { per_turn: 0.25, ..Self::MM };
    /// 0.025 in in a turn (40 threads to the inch), 25 divisions of 0.001 in.
    pub const INCH: Self = Self { unit: Unit::Inch, per_turn: 0.025, divisions: 25, parts: 1 };
    /// The same with a vernier on the sleeve: 0.0001 in.
    pub const INCH_VERNIER: Self = Self { parts: 10, ..Self::INCH };
    /// A jog control: a turn is a step.
    pub const STEPS: Self = Self { unit: Unit::Step, per_turn: 1.0, divisions: 0, parts: 1 };
    /// A bare knob: turns, told by eye to an eighth.
    pub const KNOB: Self = Self { unit: Unit::Turn, per_turn: 1.0, divisions: 0, parts: 8 };

    /// The thimble of a word, as commands and listings take it.
    #[must_use]
    pub fn named(word: &str) -> Option<Self> {
        Self::NAMES.iter().find(|(name, _)| *name == word).map(|(_, thimble)| *thimble)
    }

    /// Every word.
    pub const NAMES: [(&'static str, Self); 7] = [
        ("mm", Self::MM),
        ("mm-vernier", Self::MM_VERNIER),
        ("mm-fine", Self::MM_FINE),
        ("inch", Self::INCH),
        ("inch-vernier", Self::INCH_VERNIER),
        ("steps", Self::STEPS),
        ("knob", Self::KNOB),
    ];

    /// A thimble with so many divisions whose readings are turns.
    #[must_use]
    pub const fn turns(divisions: u32) -> Self {
        Self { unit: Unit::Turn, per_turn: 1.0, divisions, parts: 1 }
    }

    /// Turns from a reading.
    #[must_use]
    pub fn turns_from_reading(&self, reading: f64) -> f64 {
        reading / self.per_turn
    }

    /// The reading at so many turns.
    #[must_use]
    pub fn reading_from_turns(&self, turns: f64) -> f64 {
        turns * self.per_turn
    }

    /// The smallest step that can be read, turns.
    #[must_use]
    pub fn resolution_turns(&self) -> f64 {
        match self.unit {
            Unit::Step => 1.0,
            _ => 1.0 / f64::from(self.divisions.max(1) * self.parts.max(1)),
        }
    }

    /// The smallest graduation, turns.
    #[must_use]
    pub fn division_turns(&self) -> f64 {
        if self.divisions == 0 { self.resolution_turns() } else { 1.0 / f64::from(self.divisions) }
    }

    /// Whether it goes by whole turns only: a jog control's steps.
    #[must_use]
    pub fn whole_turns_only(&self) -> bool {
        self.unit == Unit::Step
    }

    /// Whether its readings repeat with the turn, and how finely they are told.
    #[must_use]
    pub fn graduation(&self) -> Graduation {
        if self.whole_turns_only() { Graduation::Steps } else { Graduation::Turning { division_turns: self.division_turns() } }
    }

    /// A reading with its unit, as it stands on the thimble.
    #[must_use]
    pub fn shown(&self, turns: f64) -> String {
        let reading = self.reading_from_turns(turns);
        match self.unit {
            Unit::Millimetre => format!("{reading:.3} mm"),
            Unit::Inch => format!("{reading:.4} in"),
            Unit::Turn => format!("{reading:.3} turns"),
            Unit::Step => format!("{reading:.0} step{}", if reading.round().abs() == 1.0 { "" } else { "s" }),
        }
    }

    /// In words, how a noted reading was likely misread.
    #[must_use]
    pub fn slip(&self, noted_turns: f64, likely_turns: f64) -> String {
        let off = likely_turns - noted_turns;
        let way = if off > 0.0 { "too low" } else { "too high" };
        if self.whole_turns_only() {
            let steps = off.abs().round().max(1.0);
            return if steps == 1.0 { format!("one step {way}") } else { format!("{steps} steps {way}") };
        }
        let near = |whole: f64| (off.abs() - whole).abs() < 0.3 * self.division_turns().min(0.1);
        let halves = (off.abs() * 2.0).round();
        let divisions = (off.abs() / self.division_turns()).round();
        if halves >= 1.0 && near(halves / 2.0) {
            match halves as i64 {
                1 => format!("half a turn {way}"),
                2 => format!("a turn {way}"),
                n => format!("{} turns {way}", n as f64 / 2.0),
            }
        } else if divisions >= 1.0 && near(divisions * self.division_turns()) {
            if divisions == 1.0 { format!("one division {way}") } else { format!("{divisions} divisions {way}") }
        } else {
            format!("{} {way}", self.shown(off.abs()))
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn thimbles_turn_readings_into_turns_as_the_tables_do() {
        // check-values/micrometer_turns.csv: 1.27 mm is 2.54 turns of 0.5 mm, 5.08 of 0.25 mm, 2 of 0.025 in.
        assert!((Thimble::MM.turns_from_reading(1.27) - 2.54).abs() < 1e-12);
        assert!((Thimble::MM_FINE.turns_from_reading(1.27) - 5.08).abs() < 1e-12);
        assert!((Thimble::INCH.turns_from_reading(1.27 / 25.4) - 2.0).abs() < 1e-12);
        assert!((Thimble::MM_VERNIER.resolution_turns() * 0.5 - 0.001).abs() < 1e-12);
        assert!((Thimble::INCH_VERNIER.resolution_turns() * 0.025 - 0.0001).abs() < 1e-12);
    }

    #[test]
    fn slips_are_named_as_hands_make_them() {
        assert_eq!(Thimble::MM.slip(3.40, 3.42), "one division too low");
        assert_eq!(Thimble::MM.slip(3.5, 3.001), "half a turn too high");
        assert_eq!(Thimble::MM.slip(3.0, 3.1995), "10 divisions too low");
        assert_eq!(Thimble::MM.slip(3.0, 4.0), "a turn too low");
        assert_eq!(Thimble::INCH_VERNIER.slip(3.04, 3.0), "one division too high");
        assert_eq!(Thimble::KNOB.slip(3.0, 3.125), "one division too low");
        assert_eq!(Thimble::STEPS.slip(12.0, 13.0), "one step too low");
        assert_eq!(Thimble::STEPS.slip(22.0, 12.0), "10 steps too high");
    }
}
