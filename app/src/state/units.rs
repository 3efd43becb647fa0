//! Lengths as the person wants them.

use serde::{Deserialize, Serialize};

/// The unit of lengths on the screen.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Lengths {
    /// Micrometres.
    #[default]
    Um,
    /// Millimetres.
    Mm,
    /// Thousandths of an inch.
    Mil,
    /// Inches.
    Inch,
}

impl Lengths {
    /// All of them, in the order in which they are offered.
    pub const ALL: [Self; 4] = [Self::Um, Self::Mm, Self::Mil, Self::Inch];

    /// The unit's sign.
    #[must_use]
    pub const fn sign(self) -> &'static str {
        match self {
            Self::Um => "µm",
            Self::Mm => "mm",
            Self::Mil => "mil",
            Self::Inch => "in",
        }
    }

    /// A length to the place that a measurement deserves: a µm or so.
    #[must_use]
    pub fn text(self, mm: f64) -> String {
        let sign = self.sign();
        match self {
            Self::Um => format!("{:.0} {sign}", mm * 1000.0),
            Self::Mm => format!("{mm:.3} {sign}"),
            Self::Mil => format!("{:.2} {sign}", mm / 0.0254),
            Self::Inch => format!("{:.5} {sign}", mm / 25.4),
        }
    }

    /// One place more: for uncertainties.
    #[must_use]
    pub fn fine_text(self, mm: f64) -> String {
        let sign = self.sign();
        match self {
            Self::Um => format!("{:.1} {sign}", mm * 1000.0),
            Self::Mm => format!("{mm:.4} {sign}"),
            Self::Mil => format!("{:.3} {sign}", mm / 0.0254),
            Self::Inch => format!("{:.6} {sign}", mm / 25.4),
        }
    }
}

/// How moves are told.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Turns {
    /// Turns and divisions from where it stands.
    #[default]
    Divisions,
    /// The reading to turn to, where the person has told what it reads.
    Readings,
}

#[cfg(test)]
mod tests {
    use super::Lengths;

    #[test]
    fn a_length_is_told_in_each_unit() {
        let told: Vec<String> = Lengths::ALL.iter().map(|u| u.text(0.0254)).collect();
        assert_eq!(told, ["25 µm", "0.025 mm", "1.00 mil", "0.00100 in"]);
        assert_eq!(Lengths::Um.fine_text(0.00094), "0.9 µm");
    }
}
