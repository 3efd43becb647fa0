//! Each site's miss as the marks and the landing plot show it.

use crate::commands::align::Answer;
use landfit_part::{Part, PointMm, Pose, Side};
use landfit_vision::answer::{Fit, Outcome, SiteFinding};

/// One site's miss.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Miss {
    /// Index into the part's sites.
    pub site: usize,
    /// From where the land is to where the terminal is, less the bench's aim; axes of the board.
    pub board_mm: PointMm,
}

/// What is needed to draw misses.
pub struct Misses<'a> {
    pub fit: &'a Fit,
    /// By the fitted offset, for every site of the pattern.
    pub fitted: Vec<Miss>,
    /// As measured, where terminal and land were both found.
    pub measured: Vec<Miss>,
    pub allowed_mm: f64,
}

impl<'a> Misses<'a> {
    /// `None` without a fit.
    pub fn of(answer: &'a Answer, part: &Part, aim: &Pose) -> Option<Self> {
        let (Outcome::Fit(fit), Some((judgement, _))) = (&answer.alignment.outcome, &answer.fit) else { return None };
        let fitted = part.sites.iter().enumerate().map(|(site, s)| {
            let p = s.centre_mm(Side::Part);
            Miss { site, board_mm: judgement.to_go.apply(p) - p }
        });
        let lands = by_site(&answer.alignment.lands.sites, part.sites.len());
        let measured = answer.alignment.terminals.sites.iter().filter_map(|terminal| {
            let land = (*lands.get(terminal.site)?)?;
            measured_miss(terminal, land, fit, part, aim)
        });
        Some(Self { fit, fitted: fitted.collect(), measured: measured.collect(), allowed_mm: judgement.allowance.miss_mm })
    }

    /// For every site of the pattern: as measured, else by the fitted offset.
    pub fn best_known(&self) -> Vec<Miss> {
        let mut known = self.fitted.clone();
        for miss in &self.measured {
            if let Some(slot) = known.get_mut(miss.site) {
                *slot = *miss;
            }
        }
        known
    }

    /// How loud a site is drawn: 0 while its miss is below half the allowance, 1 from the allowance on.
    pub fn loudness(&self, miss: &Miss) -> f32 {
        let share = miss.board_mm.norm() / self.allowed_mm.max(1e-9);
        ((share - 0.5) / 0.5).clamp(0.0, 1.0) as f32
    }

    /// How many times larger than they are the misses are drawn: so that the longest is about a pitch.
    pub fn magnification(&self, part: &Part) -> u32 {
        let longest_mm = self.best_known().iter().map(|m| m.board_mm.norm()).fold(0.0, f64::max);
        let pitch_mm = part.pitch_mm(Side::Board).unwrap_or(1.0);
        [200, 100, 50, 20, 10, 5, 2].into_iter().find(|n| f64::from(*n) * longest_mm <= 1.15 * pitch_mm).unwrap_or(1)
    }
}

/// The findings of one side, by the index of their site.
pub fn by_site(findings: &[SiteFinding], n_sites: usize) -> Vec<Option<&SiteFinding>> {
    let mut of_site = vec![None; n_sites];
    for finding in findings {
        if let Some(slot) = of_site.get_mut(finding.site) {
            *slot = Some(finding);
        }
    }
    of_site
}

fn measured_miss(terminal: &SiteFinding, land: &SiteFinding, fit: &Fit, part: &Part, aim: &Pose) -> Option<Miss> {
    let site = part.sites.get(terminal.site)?;
    let board_from_bench = fit.bench_from_board.inverse();
    let (at_terminal, at_land) = (site.centre_mm(Side::Part), site.centre_mm(Side::Board));
    // Shapes whose designed centres differ miss nothing when they stand so.
    let stands = board_from_bench.apply(terminal.centre_mm?) - board_from_bench.apply(land.centre_mm?);
    let aimed = aim.apply(at_terminal) - at_terminal;
    Some(Miss { site: terminal.site, board_mm: stands - (at_terminal - at_land) - aimed })
}
