//! Sees one side: finds its features, recognises the pattern, measures every site, and fits the side's pose.

use crate::answer::{ReasonCode, Refusal, SideFindings, SiteFinding, SiteState, SuspectKind};
use crate::circle_bias::outline_shift_px;
use crate::find::candidates::{Candidate, candidates};
use crate::find::look::{CoarseProfile, Look, coarse_profiles};
use crate::plane::{Plane, Reduced, reduce, region_of};
use crate::pose::{RigidFit, RobustOptions, fit_rigid_robust, fit_similarity};
use crate::refusal;
use crate::sites::{self, Expected, MeasuredView};
use crate::view::{Optics, PointPx, Sight};
use crate::which_site::{Feature, Pattern, Recognition, Window, is_alike, recognise};
use landfit_part::{Part, PointMm, Pose, Shape, Side};
use nalgebra::{Matrix2, Matrix3, Vector3};

/// One side, seen and fitted.
pub(crate) struct Seen {
    /// Bench frame from the part's (or the land pattern's) frame.
    pub fit: RigidFit,
    /// What was seen, site by site.
    pub findings: SideFindings,
    /// Whether some turn of the pattern looks the same, so that only a mark could tell.
    pub looks_same_turned: bool,
    /// How strongly the features stand out, light.
    pub contrast: f64,
    /// Radius of the outline that is seen over the designed one.
    pub outline_ratio: f64,
    /// What the person should know.
    pub warnings: Vec<String>,
    pattern: Pattern,
    /// Index into the part's sites, for each site of the pattern.
    sites: Vec<usize>,
}

/// What the later stages need to know of one view of the side.
pub(crate) struct SideView<'a> {
    /// Index into the bench's views.
    pub index: usize,
    pub plane: &'a Plane,
    pub sight: &'a Sight,
    /// Designed radius of a feature, px.
    pub radius_px: f64,
    pub reduced: Reduced,
}

/// A feature of so many blocks across its radius is found as surely as at full resolution, and sixteen times as fast.
const COARSE_RADIUS_BLOCKS: f64 = 4.0;
/// Features of a smaller radius than this are too few pixels to tell from noise.
const LEAST_RADIUS_PX: f64 = 1.5;
/// A feature whose centre lies further outside the picture than this share of its radius shows too little to be judged.
const MOST_CUT_SHARE: f64 = 0.4;
/// A corner of a pattern shows at least so many features.
const SURELY_SEEN: usize = 8;
/// Features weaker than this share of a typical one are clutter.
const CLUTTER_BELOW: f64 = 0.3;
/// Likeness above which what is left of a cut feature may be one.
const CLEARLY_ALIKE: f64 = 0.88;
/// Displaced means further off the lattice than this share of the pitch: 40 µm at 0.8 mm, the size of the drawings' ball to
/// ball position tolerance (0.08 mm diameter; dtsheet.com/doc/1658666), and far above the scatter of the others.
const DISPLACED_SHARE: f64 = 0.05;
const DISPLACED_SCATTERS: f64 = 6.0;
/// A free scale off by more than this means another part or another bench.
const WRONG_SCALE: f64 = 0.015;
/// A free scale off by more than this (and than four of its uncertainties) is worth a warning.
const ODD_SCALE: f64 = 0.002;

/// Sees one side in all of its views.
///
/// # Errors
/// The first of the contract's reasons that holds for this side.
pub(crate) fn see(side: Side, part: &Part, optics: &Optics, planes: &[Plane], sights: &[Sight]) -> Result<Seen, Refusal> {
    let sites: Vec<usize> = (0..part.sites.len()).filter(|&i| !part.sites[i].pieces(side).is_empty()).collect();
    let centres_mm: Vec<PointMm> = sites.iter().map(|&i| part.sites[i].centre_mm(side)).collect();
    let pattern = Pattern::new(centres_mm).ok_or_else(|| refusal::no_pattern(side))?;
    let views = side_views(side, part, &sites, optics, planes, sights);
    let features: Vec<Feature> = views.iter().flat_map(|v| features_of(v, &pattern)).collect();
    let window = Window {
        whole: |at: PointMm| view_that_holds(&views, at).is_some(),
        cut: |at: PointMm, look: &CoarseProfile| views.iter().find_map(|v| v.shows_cut(at, look)),
        area_mm2: area_mm2(&views),
    };
    let recognition = recognise(&features, &pattern, &window);
    let recognition = refusal::accept(side, recognition, &pattern, &features, &views)?;
    let (mut findings, looks, doubt_mm) = measure(&views, &pattern, &recognition, &features, &sites);
    refusal::sharp_enough(side, &views, &looks)?;
    let (mut fit, mut warnings) = fit(side, &pattern, &sites, &mut findings, &recognition.best.bench_from_pattern)?;
    let designed = |site: usize| sites.iter().position(|&s| s == site).map(|i| pattern.centres_mm[i]);
    let agreement = crate::regions::agreement(side, &fit, &findings, &designed)?;
    warnings.extend(agreement.warnings);
    let doubt_mm = doubt_mm.hypot(agreement.doubt_mm);
    // All features share this doubt, so that it is one of the shift and none of the turn.
    fit.covariance += Matrix3::from_diagonal(&Vector3::new(doubt_mm.powi(2), doubt_mm.powi(2), 0.0));
    if side == Side::Part {
        crate::bridges::mark(&views, part, &fit.to_from, &pattern, &sites, &mut findings);
    }
    let looks_same_turned = pattern.same.len() > 1;
    Ok(Seen {
        fit,
        findings: SideFindings { sites: findings, scale: None },
        looks_same_turned,
        contrast: recognition.profile.contrast(),
        outline_ratio: looks.iter().map(|(_, look)| look.outline_px / look.radius_px).sum::<f64>() / looks.len().max(1) as f64,
        warnings,
        pattern,
        sites,
    })
}

pub(crate) fn side_views<'a>(
    side: Side,
    part: &Part,
    sites: &[usize],
    optics: &Optics,
    planes: &'a [Plane],
    sights: &'a [Sight],
) -> Vec<SideView<'a>> {
    let mut diameters: Vec<f64> = sites
        .iter()
        .flat_map(|&i| part.sites[i].pieces(side))
        .filter_map(|p| if let Shape::Round { diameter_mm } = p.shape { Some(diameter_mm) } else { None })
        .collect();
    diameters.sort_by(f64::total_cmp);
    let diameter_mm = diameters.get(diameters.len() / 2).copied().unwrap_or(0.0);
    (0..optics.views.len())
        .filter(|&i| optics.views[i].shows == side)
        .map(|index| {
            let (plane, sight) = (&planes[index], &sights[index]);
            let region = region_of(&optics.views[index], &optics.frame);
            let middle =
                PointPx::new(f64::from(region.x) + f64::from(region.width) / 2.0, f64::from(region.y) + f64::from(region.height) / 2.0);
            let px_per_mm = sight.px_per_mm(sight.mm(middle)).determinant().abs().sqrt();
            let radius_px = diameter_mm / 2.0 * px_per_mm;
            let factor = ((radius_px / COARSE_RADIUS_BLOCKS) as usize).clamp(1, 16);
            SideView { index, plane, sight, radius_px, reduced: reduce(plane, factor) }
        })
        .collect()
}

impl SideView<'_> {
    /// px of the plane, where a bench-frame point is seen.
    pub fn plane_px(&self, at: PointMm) -> PointPx {
        let p = self.sight.px(at);
        PointPx::new(p.x - self.plane.origin_px[0] as f64, p.y - self.plane.origin_px[1] as f64)
    }

    /// Bench frame, from px of the plane.
    pub fn mm(&self, p: PointPx) -> PointMm {
        self.sight.mm(self.raw_px(p))
    }

    /// px of the picture, from px of the plane.
    pub fn raw_px(&self, p: PointPx) -> PointPx {
        PointPx::new(p.x + self.plane.origin_px[0] as f64, p.y + self.plane.origin_px[1] as f64)
    }

    /// Whether a disc of the feature's radius about `p` lies inside the plane.
    pub fn holds(&self, p: PointPx) -> bool {
        // Half a pixel: the plane ends at the outer edge of its outermost pixels.
        let r = self.radius_px - 0.5;
        p.x - r >= 0.0 && p.y - r >= 0.0 && p.x + r <= self.plane.width as f64 - 1.0 && p.y + r <= self.plane.height as f64 - 1.0
    }

    /// Whether a feature at `at` that the plane's edge cuts shows the given look; `None` where it is whole or mostly outside.
    fn shows_cut(&self, at: PointMm, look: &CoarseProfile) -> Option<bool> {
        let p = self.plane_px(at);
        let outside = (-p.x).max(-p.y).max(p.x - self.plane.width as f64).max(p.y - self.plane.height as f64);
        if self.holds(p) || outside > MOST_CUT_SHARE * self.radius_px {
            return None;
        }
        let place = Candidate { x: p.x, y: p.y, strength: 0.0 };
        let profile = coarse_profiles(&self.reduced, &[place], self.radius_px).into_iter().next()?;
        // Half a feature looks like the edge of many things, so that only its absence is evidence.
        (profile.likeness(look) < CLEARLY_ALIKE && !is_alike(&profile, look)).then_some(false)
    }

    /// px per mm, root of the area's scale, in the middle of the plane.
    pub fn px_per_mm(&self) -> f64 {
        let middle = PointPx::new(self.plane.width as f64 / 2.0, self.plane.height as f64 / 2.0);
        self.sight.px_per_mm(self.mm(middle)).determinant().abs().sqrt()
    }
}

/// The first view that holds a whole feature at `at`, and where it shows it, px of the plane.
pub(crate) fn view_that_holds(views: &[SideView], at: PointMm) -> Option<(usize, PointPx)> {
    views.iter().enumerate().find_map(|(i, v)| {
        let p = v.plane_px(at);
        v.holds(p).then_some((i, p))
    })
}

pub(crate) fn area_mm2(views: &[SideView]) -> f64 {
    views.iter().map(|v| (v.plane.width * v.plane.height) as f64 / v.px_per_mm().powi(2)).sum()
}

pub(crate) fn features_of(view: &SideView, pattern: &Pattern) -> Vec<Feature> {
    // By the bench file a feature is smaller than a few pixels or larger than the picture: nothing can be told of it.
    let largest_px = view.plane.width.min(view.plane.height) as f64 / 2.0;
    if !(LEAST_RADIUS_PX..largest_px).contains(&view.radius_px) {
        return Vec::new();
    }
    // A view can hold no more sites than fit into it at the pattern's pitch.
    let fit_in = area_mm2(std::slice::from_ref(view)) / pattern.pitch_mm.powi(2);
    let expected = pattern.centres_mm.len().min(fit_in.ceil() as usize);
    let found: Vec<Candidate> = candidates(&view.reduced, view.radius_px, expected);
    let profiles = coarse_profiles(&view.reduced, &found, view.radius_px);
    let strength = |i: usize| found.get(i.min(found.len().saturating_sub(1))).map_or(1.0, |c| f64::from(c.strength).max(1e-9));
    // Where only a corner of the pattern is seen, half of what would fit in may be clutter, and the few strongest tell.
    let typical = strength(expected / 2).max(0.5 * strength(SURELY_SEEN.min(expected / 2)));
    found
        .iter()
        .zip(profiles)
        .filter(|(c, _)| f64::from(c.strength) >= CLUTTER_BELOW * typical)
        .map(|(c, profile)| Feature {
            at_mm: view.mm(PointPx::new(c.x, c.y)),
            view: view.index,
            strength: f64::from(c.strength) / typical,
            profile,
        })
        .collect()
}

fn measure(
    views: &[SideView],
    pattern: &Pattern,
    recognition: &Recognition,
    features: &[Feature],
    sites: &[usize],
) -> (Vec<SiteFinding>, Vec<(usize, Look)>, f64) {
    let pose = recognition.best.bench_from_pattern;
    let mut expected: Vec<Vec<Expected>> = views.iter().map(|_| Vec::new()).collect();
    for (i, centre) in pattern.centres_mm.iter().enumerate() {
        if let Some((v, at)) = view_that_holds(views, pose.apply(*centre)) {
            let candidate =
                recognition.best.features[i].filter(|&f| features[f].view == views[v].index).map(|f| views[v].plane_px(features[f].at_mm));
            expected[v].push(Expected { site: i, at, candidate });
        }
    }
    let (mut findings, mut looks, mut doubt_mm) = (Vec::new(), Vec::new(), 0.0_f64);
    for (view, expected) in views.iter().zip(&expected) {
        let Some(MeasuredView { measured, look, common_doubt_px }) = sites::measure(view.plane, view.radius_px, expected) else { continue };
        looks.push((view.index, look));
        doubt_mm = doubt_mm.max(common_doubt_px / view.px_per_mm());
        findings.extend(measured.iter().map(|m| {
            let (centre_px, centre_mm, covariance_mm2) = match m.centre {
                None => (None, None, Matrix2::zeros()),
                Some((p, covariance_px2)) => {
                    // What was measured is the centre of the outline's picture; what counts is where the outline's centre is.
                    let radius_mm = view.radius_px / view.px_per_mm();
                    let [x, y] = outline_shift_px(view.sight, view.mm(p), radius_mm);
                    let p = PointPx::new(p.x - x, p.y - y);
                    let at_mm = view.mm(p);
                    let mm_per_px = view.sight.px_per_mm(at_mm).try_inverse().unwrap_or_default();
                    (Some(view.raw_px(p)), Some(at_mm), mm_per_px * covariance_px2 * mm_per_px.transpose())
                }
            };
            SiteFinding {
                site: sites[m.site],
                state: m.state,
                view: view.index,
                centre_px,
                centre_mm,
                covariance_mm2,
                size_ratio: m.size_ratio,
            }
        }));
    }
    findings.sort_by_key(|f| f.site);
    (findings, looks, doubt_mm)
}

/// Fits the side's pose to its measured centres and tells what is displaced.
fn fit(
    side: Side,
    pattern: &Pattern,
    sites: &[usize],
    findings: &mut [SiteFinding],
    start: &Pose,
) -> Result<(RigidFit, Vec<String>), Refusal> {
    let designed = |site: usize| sites.iter().position(|&s| s == site).map(|i| pattern.centres_mm[i]);
    let used: Vec<(usize, PointMm, PointMm)> = findings
        .iter()
        .enumerate()
        .filter_map(|(i, f)| Some((i, designed(f.site)?, f.centre_mm?)))
        .filter(|(i, ..)| matches!(findings[*i].state, SiteState::Good))
        .collect();
    if used.len() < 3 {
        return Err(refusal::too_few_good(side, used.len()));
    }
    let (from, to): (Vec<PointMm>, Vec<PointMm>) = used.iter().map(|u| (u.1, u.2)).unzip();
    let own: Vec<Matrix2<f64>> = used.iter().map(|u| findings[u.0].covariance_mm2).collect();
    let scatter_mm2 = scatter_mm2(&from, &to, &own, start);
    let covariances: Vec<Matrix2<f64>> = own.iter().map(|c| c + Matrix2::identity() * scatter_mm2).collect();
    let fit = fit_rigid_robust(&from, &to, &covariances, &RobustOptions::default()).map_err(|e| refusal::no_fit(side, &e))?;

    let mut warnings = Vec::new();
    let weights: Vec<f64> = fit.inliers.iter().zip(&covariances).map(|(&k, c)| if k { 2.0 / c.trace() } else { 0.0 }).collect();
    if let Ok(free) = fit_similarity(&from, &to, &weights) {
        let off = free.scale - 1.0;
        if off.abs() > WRONG_SCALE && off.abs() > 4.0 * free.scale_u {
            return Err(refusal::wrong_scale(side, off));
        }
        if off.abs() > ODD_SCALE && off.abs() > 4.0 * free.scale_u {
            warnings.push(refusal::odd_scale_words(side, off));
        }
    }
    let residual_u_mm =
        (fit.reduced_chi2.max(1.0) * covariances.iter().map(|c| c.trace() / 2.0).sum::<f64>() / covariances.len() as f64).sqrt();
    let limit_mm = (DISPLACED_SHARE * pattern.pitch_mm).max(DISPLACED_SCATTERS * residual_u_mm);
    for finding in findings.iter_mut() {
        if let (Some(d), Some(at)) = (designed(finding.site), finding.centre_mm)
            && matches!(finding.state, SiteState::Good | SiteState::Suspect(SuspectKind::Odd))
            && fit.to_from.apply(d).distance(at) > limit_mm
        {
            finding.state = SiteState::Suspect(SuspectKind::Displaced);
        }
    }
    Ok((fit, warnings))
}

/// How far the features' own places scatter about the lattice, per axis, beyond what their centres' noise explains, mm².
fn scatter_mm2(from: &[PointMm], to: &[PointMm], own: &[Matrix2<f64>], start: &Pose) -> f64 {
    let pose = crate::pose::fit_rigid(from, to).ok().filter(|p| p.shift().distance(start.shift()) < 1.0).unwrap_or(*start);
    let mut squares: Vec<f64> = from.iter().zip(to).map(|(f, t)| pose.apply(*f).distance(*t).powi(2)).collect();
    squares.sort_by(f64::total_cmp);
    // The median of a squared distance in two dimensions is 2 ln 2 variances (Rayleigh).
    let variance = squares[squares.len() / 2] / (2.0 * std::f64::consts::LN_2);
    let mut noises: Vec<f64> = own.iter().map(|c| c.trace() / 2.0).collect();
    noises.sort_by(f64::total_cmp);
    (variance - noises[noises.len() / 2]).max(1e-9 * variance)
}

impl Seen {
    /// Whether the side lies as `pose` has it, to within `reach_mm` at every site, in some turn that looks the same.
    pub(crate) fn lies_as(&self, pose: &Pose, reach_mm: f64) -> bool {
        let seen = self.pose_like(pose);
        self.pattern.centres_mm.iter().all(|c| seen.apply(*c).distance(pose.apply(*c)) <= reach_mm)
    }

    /// How far apart the measured places are over how far the part file has them apart.
    pub(crate) fn size_over_design(&self) -> Option<f64> {
        let place = |site: usize| self.sites.iter().position(|&s| s == site).map(|i| self.pattern.centres_mm[i]);
        let good = self.findings.sites.iter().filter(|f| f.state == SiteState::Good);
        let pairs = good.filter_map(|f| Some((place(f.site)?, f.centre_mm?)));
        let (from, to): (Vec<PointMm>, Vec<PointMm>) = pairs.unzip();
        fit_similarity(&from, &to, &vec![1.0; from.len()]).ok().map(|free| free.scale)
    }

    /// The side's pose in the turn, of those that look the same, that is nearest to `pose`.
    pub(crate) fn pose_like(&self, pose: &Pose) -> Pose {
        self.pattern.nearest_turn(self.fit.to_from, pose.theta_rad)
    }
}

/// Of all turns that look the same, takes the one nearest to `nominal_rad`: relabels the findings with it.
pub(crate) fn turn_to(seen: &mut Seen, nominal_rad: f64) {
    let turned = seen.pattern.nearest_turn(seen.fit.to_from, nominal_rad);
    let same = seen.fit.to_from.inverse().after(&turned);
    if same.theta_rad.abs() < 1e-9 {
        return;
    }
    // A place p of the pattern, known so far as site i, is site j with same(centre j) = centre i.
    let centres = &seen.pattern.centres_mm;
    let near = crate::nearby::Nearby::new(centres);
    let mut renamed = vec![None; centres.len()];
    for (j, c) in centres.iter().enumerate() {
        if let Some((_, i)) = near.nearest(same.apply(*c), 0.1 * seen.pattern.pitch_mm) {
            renamed[i] = Some(seen.sites[j]);
        }
    }
    for finding in &mut seen.findings.sites {
        if let Some(i) = seen.sites.iter().position(|&s| s == finding.site)
            && let Some(site) = renamed[i]
        {
            finding.site = site;
        }
    }
    seen.findings.sites.sort_by_key(|f| f.site);
    // The pose is where the pattern's origin lies; a turn about a centroid off the origin moves it.
    let moved = turned.shift() - seen.fit.to_from.shift();
    let lever = Matrix3::new(1.0, 0.0, -moved.y, 0.0, 1.0, moved.x, 0.0, 0.0, 1.0);
    seen.fit.covariance = lever * seen.fit.covariance * lever.transpose();
    seen.fit.own_covariance = lever * seen.fit.own_covariance * lever.transpose();
    seen.fit.to_from = turned;
}

/// The words for a side's features: "terminals" or "lands".
pub(crate) const fn features_word(side: Side) -> &'static str {
    match side {
        Side::Part => "terminals",
        Side::Board => "lands",
    }
}

/// The code when nothing of a side is seen.
pub(crate) const fn nothing_code(side: Side) -> ReasonCode {
    match side {
        Side::Part => ReasonCode::NoPart,
        Side::Board => ReasonCode::NoLands,
    }
}
