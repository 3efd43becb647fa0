//! Whether the views of one side agree on where it lies: regions that the bench file has shifted against each other do not.

use crate::answer::{ReasonCode, Refusal, SiteFinding, SiteState, SuspectKind};
use crate::pose::{RigidFit, fit_rigid_weighted};
use crate::side::features_word;
use landfit_part::{PointMm, Side};

/// Regions differ when they do by more than this many standard uncertainties.
const DIFFER_BY: f64 = 4.0;
/// No calibration is better than this, mm: a smaller difference is not worth a word.
const WORTH_A_WARNING_MM: f64 = 0.003;
/// A larger difference is another calibration: what such views say together is not worth an answer.
const REFUSED_ABOVE_MM: f64 = 0.02;
/// Features that a view needs to be held against the others.
const LEAST_FEATURES: usize = 3;

/// Designed and measured places.
type Pairs = Vec<(PointMm, PointMm)>;

/// What the views' disagreement comes to.
#[derive(Debug, Default)]
pub(crate) struct Agreement {
    /// One sentence for each view that stands out.
    pub warnings: Vec<String>,
    /// Standard uncertainty that the disagreement brings along each axis, mm.
    pub doubt_mm: f64,
}

/// Features that a view shows, though nothing stands where the other views of the side have the pattern.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Elsewhere {
    pub view: usize,
    pub features: usize,
    /// How far they stand off on the mean, bench mm.
    pub off: PointMm,
}

/// A view that cannot be measured where the others have the pattern, and shows features beside it, has another calibration. Its features
/// are in no fit, so that nothing else tells.
///
/// # Errors
/// A refusal when there is such a view.
pub(crate) fn none_elsewhere(side: Side, elsewhere: &[Elsewhere]) -> Result<(), Refusal> {
    let is_shifted = |e: &&Elsewhere| e.features >= LEAST_FEATURES && e.off.norm() > REFUSED_ABOVE_MM;
    elsewhere.iter().find(is_shifted).map_or(Ok(()), |e| Err(shifted(side, e.view, e.off)))
}

fn off_words(side: Side, view: usize, off: PointMm) -> String {
    format!(
        "View {} has the {} {:.0} µm off where the other views of the {} have them (x {:+.0}, y {:+.0} µm)",
        view + 1,
        features_word(side),
        1000.0 * off.norm(),
        side.word(),
        1000.0 * off.x,
        1000.0 * off.y
    )
}

fn shifted(side: Side, view: usize, off: PointMm) -> Refusal {
    let what = off_words(side, view, off);
    let text = format!("{what}: the bench file's regions are shifted against each other. Calibrate the bench again.");
    Refusal { code: ReasonCode::WrongPattern, view: Some(view), turn_deg: None, text, way: None }
}

/// Holds every view against the others. `designed` gives a site's designed place, part frame.
///
/// # Errors
/// A refusal when a view stands out by more than can be left to a warning.
pub(crate) fn agreement(
    side: Side,
    fit: &RigidFit,
    findings: &[SiteFinding],
    designed: &dyn Fn(usize) -> Option<PointMm>,
) -> Result<Agreement, Refusal> {
    let is_good = |f: &&SiteFinding| matches!(f.state, SiteState::Good | SiteState::Suspect(SuspectKind::Displaced));
    let measured: Vec<(usize, PointMm, PointMm)> =
        findings.iter().filter(is_good).filter_map(|f| Some((f.view, designed(f.site)?, f.centre_mm?))).collect();
    let mut views: Vec<usize> = measured.iter().map(|m| m.0).collect();
    views.sort_unstable();
    views.dedup();
    let mut agreement = Agreement::default();
    if views.len() < 2 {
        return Ok(agreement);
    }
    // Standard deviation of one feature along one axis, from how the features of one view lie about each other.
    let mut within = Vec::new();
    for &view in &views {
        let (from, to): (Vec<PointMm>, Vec<PointMm>) = measured.iter().filter(|m| m.0 == view).map(|m| (m.1, m.2)).unzip();
        if let Ok(own) = fit_rigid_weighted(&from, &to, &vec![1.0; from.len()]) {
            within.extend(from.iter().zip(&to).map(|(f, t)| own.apply(*f).distance(*t)));
        }
    }
    within.sort_by(f64::total_cmp);
    // The median of a distance in two dimensions is 1.177 standard deviations of one axis (Rayleigh).
    let scatter_mm = within.get(within.len() / 2).map_or(0.0, |m| m / 1.177);
    let mut worst: Option<(f64, usize, PointMm)> = None;
    for &view in &views {
        let of = |is_own: bool| measured.iter().filter(move |m| (m.0 == view) == is_own).map(|m| (m.1, m.2));
        let (own, others): (Pairs, Pairs) = (of(true).collect(), of(false).collect());
        if own.len() < LEAST_FEATURES || others.len() < LEAST_FEATURES {
            continue;
        }
        let (from, to): (Vec<PointMm>, Vec<PointMm>) = others.iter().copied().unzip();
        let Ok(by_others) = fit_rigid_weighted(&from, &to, &vec![1.0; from.len()]) else { continue };
        let n = own.len() as f64;
        let off = own.iter().fold(PointMm::ZERO, |sum, m| sum + (m.1 - by_others.apply(m.0)) * (1.0 / n));
        // What the others say of this place: their shift, and their turn at this distance.
        let centre = own.iter().fold(PointMm::ZERO, |sum, m| sum + m.0 * (1.0 / n));
        let middle = from.iter().fold(PointMm::ZERO, |sum, p| sum + *p * (1.0 / from.len() as f64));
        let spread: f64 = from.iter().map(|p| p.distance(middle).powi(2)).sum();
        let by_others_variance = 1.0 / from.len() as f64 + centre.distance(middle).powi(2) / spread.max(1e-9);
        let u_mm = (scatter_mm.powi(2) * (1.0 / n + by_others_variance)).sqrt() + fit.own_covariance[(0, 0)].max(0.0).sqrt();
        if off.norm() > DIFFER_BY * u_mm && off.norm() > WORTH_A_WARNING_MM && worst.is_none_or(|w| off.norm() > w.0) {
            worst = Some((off.norm(), view, off));
        }
    }
    let Some((off_mm, view, off)) = worst else { return Ok(agreement) };
    let what = off_words(side, view, off);
    if off_mm > REFUSED_ABOVE_MM {
        return Err(shifted(side, view, off));
    }
    agreement.warnings.push(format!("{what}: calibrate the bench again."));
    // Spread evenly between no part of it and all of it in the common pose.
    agreement.doubt_mm = off_mm / 12.0_f64.sqrt();
    Ok(agreement)
}
