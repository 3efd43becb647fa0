//! Repeatability studies: one set-up measured again and again (Cg, Cgk), and parts x people x trials (average and range, ANOVA)
//! after the AIAG manual Measurement Systems Analysis, 4th edition, 2010.

use crate::charts::range_constants;
use crate::{StatsError, all_numbers, mean, standard_deviation};
use statrs::distribution::{ContinuousCDF, FisherSnedecor};

/// What N measurements of one untouched set-up come to.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Repeatability {
    /// Number of measurements.
    pub n: usize,
    /// Their mean.
    pub mean: f64,
    /// Their standard deviation.
    pub sd: f64,
    /// 20 % of the tolerance over six standard deviations; infinite without spread.
    pub cg: f64,
    /// (10 % of the tolerance - |mean - reference|) over three standard deviations; `None` without a reference.
    pub cgk: Option<f64>,
}

/// Evaluates N measurements of one thing against a tolerance of full width `tolerance`.
///
/// Cg = 0.2 T / (6 s) and Cgk = (0.1 T - |mean - reference|) / (3 s): the usual shares, from memory; both should be at least 1.33.
///
/// # Errors
/// Fewer than three measurements, values that are no numbers, all equal.
pub fn repeatability(readings: &[f64], tolerance: f64, reference: Option<f64>) -> Result<Repeatability, StatsError> {
    if readings.len() < 3 {
        return Err(StatsError::TooFew { what: "measurements of the same set-up", needed: 3, given: readings.len() });
    }
    all_numbers(readings)?;
    let (m, sd) = (mean(readings), standard_deviation(readings));
    if sd == 0.0 {
        return Err(StatsError::AllEqual);
    }
    let cgk = reference.map(|r| (0.1 * tolerance - (m - r).abs()) / (3.0 * sd));
    Ok(Repeatability { n: readings.len(), mean: m, sd, cg: 0.2 * tolerance / (6.0 * sd), cgk })
}

/// A crossed study: every person measured every part so many times.
#[derive(Debug, Clone, PartialEq)]
pub struct Study {
    parts: usize,
    people: usize,
    trials: usize,
    /// Part by part, person by person, trial by trial.
    readings: Vec<f64>,
}

/// Standard deviations of what makes readings differ.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Spread {
    /// Equipment: the same person on the same part (EV).
    pub equipment: f64,
    /// People (AV).
    pub people: f64,
    /// People who differ from part to part; 0 where pooled with the equipment or not told.
    pub interaction: f64,
    /// Equipment, people and interaction together (GRR).
    pub gauge: f64,
    /// Parts (PV).
    pub parts: f64,
    /// All together (TV).
    pub total: f64,
}

impl Spread {
    fn new(equipment: f64, people: f64, interaction: f64, parts: f64) -> Self {
        let gauge = (equipment * equipment + people * people + interaction * interaction).sqrt();
        Self { equipment, people, interaction, gauge, parts, total: gauge.hypot(parts) }
    }

    /// %GRR: the gauge's share of the study's spread, in percent. Below 10 good, 10 to 30 marginal, above not usable.
    #[must_use]
    pub fn gauge_percent(&self) -> f64 {
        100.0 * self.gauge / self.total
    }

    /// Number of distinct categories before it is cut to a whole number; 5 are wanted.
    #[must_use]
    pub fn categories(&self) -> f64 {
        1.41 * self.parts / self.gauge
    }
}

/// The analysis of variance of a study.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Anova {
    /// Sums of squares: parts, people, interaction, repeats.
    pub sums: [f64; 4],
    /// Degrees of freedom likewise.
    pub dof: [usize; 4],
    /// F of the interaction.
    pub interaction_f: f64,
    /// Probability of an F so large without any interaction.
    pub interaction_p: f64,
    /// Whether the interaction was pooled with the repeats.
    pub pooled: bool,
    /// What it comes to.
    pub spread: Spread,
}

/// An interaction less probable than this is one (AIAG).
pub const INTERACTION_ALPHA: f64 = 0.05;

impl Study {
    /// A study from its readings, named by part, person and trial in any order; names are sorted.
    ///
    /// # Errors
    /// Fewer than two parts, people or trials, cells of unequal size, values that are no numbers.
    pub fn new(rows: &[(String, String, f64)]) -> Result<Self, StatsError> {
        all_numbers(rows.iter().map(|r| &r.2))?;
        let sorted = |of: fn(&(String, String, f64)) -> &String| {
            let mut names: Vec<&String> = rows.iter().map(of).collect();
            names.sort();
            names.dedup();
            names
        };
        let (parts, people) = (sorted(|r| &r.0), sorted(|r| &r.1));
        for (what, given) in [("parts", parts.len()), ("people", people.len())] {
            if given < 2 {
                return Err(StatsError::TooFew { what, needed: 2, given });
            }
        }
        let trials = rows.len() / (parts.len() * people.len());
        let mut readings = Vec::with_capacity(rows.len());
        for part in &parts {
            for person in &people {
                let cell: Vec<f64> = rows.iter().filter(|r| r.0 == **part && r.1 == **person).map(|r| r.2).collect();
                if cell.len() != trials || cell.is_empty() {
                    return Err(StatsError::Uneven { what: format!("part {part}, person {person} has {} readings", cell.len()) });
                }
                readings.extend(cell);
            }
        }
        if trials < 2 {
            return Err(StatsError::TooFew { what: "trials", needed: 2, given: trials });
        }
        Ok(Self { parts: parts.len(), people: people.len(), trials, readings })
    }

    fn cell(&self, part: usize, person: usize) -> &[f64] {
        let start = (part * self.people + person) * self.trials;
        &self.readings[start..start + self.trials]
    }

    fn of_part(&self, part: usize) -> f64 {
        mean(&(0..self.people).map(|o| mean(self.cell(part, o))).collect::<Vec<_>>())
    }

    fn of_person(&self, person: usize) -> f64 {
        mean(&(0..self.parts).map(|p| mean(self.cell(p, person))).collect::<Vec<_>>())
    }

    /// The average and range method.
    #[must_use]
    pub fn average_and_range(&self) -> Spread {
        let extent =
            |values: &[f64]| values.iter().fold(f64::NEG_INFINITY, |a, b| a.max(*b)) - values.iter().fold(f64::INFINITY, |a, b| a.min(*b));
        let cells = (0..self.parts).flat_map(|p| (0..self.people).map(move |o| (p, o)));
        let mean_range = mean(&cells.map(|(p, o)| extent(self.cell(p, o))).collect::<Vec<_>>());
        // One range of n means: 1 / d2*, with d2*² = d2² + d3² (Duncan; the manual's K2 and K3).
        let of_one_range = |n: usize| {
            let (d2, d3) = range_constants(n);
            1.0 / d2.hypot(d3)
        };
        let equipment = mean_range / range_constants(self.trials).0;
        let across = extent(&(0..self.people).map(|o| self.of_person(o)).collect::<Vec<_>>()) * of_one_range(self.people);
        let people = (across.powi(2) - equipment.powi(2) / (self.parts * self.trials) as f64).max(0.0).sqrt();
        let parts = extent(&(0..self.parts).map(|p| self.of_part(p)).collect::<Vec<_>>()) * of_one_range(self.parts);
        Spread::new(equipment, people, 0.0, parts)
    }

    /// The analysis of variance of the crossed study; an interaction that is not significant is pooled with the repeats.
    #[must_use]
    pub fn anova(&self) -> Anova {
        let (p, o, r) = (self.parts as f64, self.people as f64, self.trials as f64);
        let grand = mean(&self.readings);
        let square = |values: &mut dyn Iterator<Item = f64>| values.map(|v| v * v).sum::<f64>();
        let of_parts = o * r * square(&mut (0..self.parts).map(|i| self.of_part(i) - grand));
        let of_people = p * r * square(&mut (0..self.people).map(|i| self.of_person(i) - grand));
        let cells: Vec<(usize, usize)> = (0..self.parts).flat_map(|a| (0..self.people).map(move |b| (a, b))).collect();
        let of_cells = r * square(&mut cells.iter().map(|(a, b)| mean(self.cell(*a, *b)) - self.of_part(*a) - self.of_person(*b) + grand));
        let of_repeats = square(&mut cells.iter().flat_map(|(a, b)| {
            let m = mean(self.cell(*a, *b));
            self.cell(*a, *b).iter().map(move |v| v - m)
        }));
        let dof = [self.parts - 1, self.people - 1, (self.parts - 1) * (self.people - 1), self.parts * self.people * (self.trials - 1)];
        let sums = [of_parts, of_people, of_cells, of_repeats];
        let squares = [0, 1, 2, 3].map(|i| sums[i] / dof[i] as f64);
        let interaction_f = squares[2] / squares[3];
        let interaction_p = match FisherSnedecor::new(dof[2] as f64, dof[3] as f64) {
            Ok(f) if interaction_f.is_finite() => f.sf(interaction_f),
            _ => 0.0,
        };
        let pooled = interaction_p > INTERACTION_ALPHA;
        let within = if pooled { (sums[2] + sums[3]) / (dof[2] + dof[3]) as f64 } else { squares[3] };
        let beside = if pooled { within } else { squares[2] };
        let root = |variance: f64| variance.max(0.0).sqrt();
        let interaction = if pooled { 0.0 } else { root((squares[2] - squares[3]) / r) };
        let spread = Spread::new(root(within), root((squares[1] - beside) / (p * r)), interaction, root((squares[0] - beside) / (o * r)));
        Anova { sums, dof, interaction_f, interaction_p, pooled, spread }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn row(part: &str, person: &str, value: f64) -> (String, String, f64) {
        (part.to_owned(), person.to_owned(), value)
    }

    #[test]
    fn a_study_with_a_missing_reading_names_the_cell() {
        let rows = [row("1", "A", 1.0), row("1", "A", 1.1), row("1", "B", 1.0), row("1", "B", 1.2), row("2", "A", 2.0), row("2", "A", 2.1)];
        let told = Study::new(&rows).expect_err("uneven").to_string();
        assert!(told.contains("part") && told.contains("same number"), "{told}");
        assert!(Study::new(&rows[..2]).is_err());
        assert!(Study::new(&[row("1", "A", f64::NAN)]).is_err());
    }

    #[test]
    fn cg_and_cgk_follow_from_their_definition() {
        let r = repeatability(&[9.0, 10.0, 11.0], 60.0, Some(9.0)).expect("a study");
        assert!((r.sd - 1.0).abs() < 1e-12 && (r.cg - 2.0).abs() < 1e-12);
        assert!((r.cgk.expect("a reference") - 5.0 / 3.0).abs() < 1e-12);
        assert_eq!(repeatability(&[1.0, 1.0, 1.0], 1.0, None), Err(StatsError::AllEqual));
        assert!(repeatability(&[1.0, 2.0], 1.0, None).is_err());
    }

    #[test]
    fn a_person_who_differs_from_part_to_part_shows_as_interaction() {
        let mut rows = Vec::new();
        for (p, by) in [("1", 1.0), ("2", -1.0), ("3", 1.0)] {
            for e in [0.01, -0.01] {
                rows.push(row(p, "A", by + e));
                rows.push(row(p, "B", -by + e));
            }
        }
        let anova = Study::new(&rows).expect("a study").anova();
        assert!(!anova.pooled && anova.interaction_p < 1e-6 && anova.spread.interaction > 0.9);
    }
}
