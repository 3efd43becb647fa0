//! Sees one side: finds its features, recognises the pattern, measures every site, and fits the side's pose.

mod bare_metal;
mod fit;
mod measured;
mod seat;
mod shared;

use crate::answer::{ReasonCode, Refusal, SideFindings, SiteState, Way};
use crate::find::candidates::{Candidate, candidates};
use crate::find::look::{CoarseProfile, Unknowns, coarse_profiles};
use crate::median::upper_median;
use crate::offset::{effective_dof, shift_variance_mm2};
use crate::plane::{Plane, Reduced, reduce, region_of};
use crate::pose::{RigidFit, fit_similarity};
use crate::refusal;
use crate::shapes::Shapes;
use crate::sites;
use crate::view::{Optics, PointPx, ScaleSource, Sight};
use crate::whereabouts;
use crate::which_site::{CLEARLY_ALIKE, Feature, Kind, Pattern, Recognition, features_at, is_alike};
use fit::{SideFit, fit, lattice_scatter};
use landfit_part::{Part, PointMm, Pose, Side};
use measured::{Measurement, measure};
use nalgebra::{Matrix2, Matrix3, Vector3};
use seat::{least_contrast, seat_discs, seat_shapes};

/// One side, seen and fitted.
pub(crate) struct Seen {
    /// Bench frame from the part's (or the land pattern's) frame.
    pub fit: RigidFit,
    /// What was seen, site by site.
    pub findings: SideFindings,
    /// Whether some turn of the pattern looks the same, and no mark told.
    pub looks_same_turned: bool,
    /// Whether the part file has marks on this side.
    pub has_marks: bool,
    /// Whether a mark told the turn.
    pub is_told_by_mark: bool,
    /// Why its places are no answer, where what lies on the features, or is beside them, hides their rims.
    pub covered: Option<Refusal>,
    /// How strongly the features stand out, light.
    pub contrast: f64,
    /// Radius of the outline that is seen over the designed one.
    pub outline_ratio: f64,
    /// What the fits of discs leave over on the mean, light squared.
    pub left_over: Option<f64>,
    /// Whether features show rings in any view.
    pub is_ring: bool,
    /// Whether features are dark in all views.
    pub is_dark: bool,
    /// What the person should know.
    pub warnings: Vec<String>,
    /// Where rows are cut off by the picture's edge: which way they come into view.
    pub way_if_cut: Option<Way>,
    /// The scale at which places fit best that are known well one way only; `None` where all are known all ways.
    scale_of_shapes: Option<f64>,
    pattern: Pattern,
    /// Index into the part's sites, for each site of the pattern; rising.
    sites: Vec<usize>,
}

const ON_LANDS: &str = "Something lies on the lands, off to one side (solder paste?): it pulls their places, which are stated the less surely. \
     Align over cleaned, bare lands.";

/// How the outlines of a side show in one of its views.
pub(crate) struct Outline {
    /// Index into the bench's views.
    pub view: usize,
    /// Blur of the optics as a Gaussian's standard deviation, px.
    pub blur_px: f64,
    /// Radius that is seen over the designed one; of shapes other than discs their width.
    pub over_design: f64,
    /// What the fits of discs leave over on the mean, light squared.
    pub left_over: Option<f64>,
    /// Whether the light falls again inside: a ring light's reflection in a ball does that, a land does not.
    pub is_ring: bool,
    /// Whether features are darker than what is about them.
    pub is_dark: bool,
    /// Whether something duller lies on them, off to one side.
    pub carries_deposit: bool,
    /// Standard uncertainty, mm, along each axis, of what that pulls.
    pub deposit_doubt_mm: f64,
    /// Standard uncertainty, mm, along each axis, of where they lie if their rims and those of the openings about them pass for one.
    pub two_rims_doubt_mm: f64,
    /// Whether they are what lies on the features, not these.
    pub is_of_deposit: bool,
    /// Standard uncertainty, mm, of the place of all of them from what light pulls.
    pub light_doubt_mm: f64,
    /// The part of it, px, that a rim leaves which is hardly brighter than what is beside it.
    pub hidden_rim_px: f64,
    /// What is told from the places.
    pub unknowns: Unknowns,
    /// By how much light leans from the middle to the outline, as a share of it: from 1 on the outline's dark side has none.
    pub lean_over_rim: f64,
}

impl Outline {
    /// Outlines of which no more is told than how they are blurred and how large they are.
    pub(crate) const fn plain(view: usize, blur_px: f64, over_design: f64) -> Self {
        Self {
            view,
            blur_px,
            over_design,
            left_over: None,
            is_ring: false,
            is_dark: false,
            carries_deposit: false,
            deposit_doubt_mm: 0.0,
            two_rims_doubt_mm: 0.0,
            is_of_deposit: false,
            light_doubt_mm: 0.0,
            hidden_rim_px: 0.0,
            unknowns: Unknowns::All,
            lean_over_rim: 0.0,
        }
    }
}

/// What the later stages need to know of one view of the side.
pub(crate) struct SideView<'a> {
    /// Index into the bench's views.
    pub index: usize,
    pub plane: &'a Plane,
    pub sight: &'a Sight,
    /// Designed radius of a feature, px; of other shapes than discs half the usual narrow side.
    pub radius_px: f64,
    pub reduced: Reduced,
}

/// A feature of so many blocks across its radius is found as surely as at full resolution, and sixteen times as fast.
const COARSE_RADIUS_BLOCKS: f64 = 4.0;
const MOST_BLOCK_EDGE_PX: usize = 16;
/// Features of a smaller radius than this are too few pixels to tell from noise.
pub const LEAST_RADIUS_PX: f64 = 1.5;
/// A feature whose centre lies further outside the picture than this share of its radius shows too little to be judged.
const MOST_CUT_SHARE: f64 = 0.4;
/// A corner of a pattern shows at least so many features.
const SURELY_SEEN: usize = 8;
/// Features weaker than this share of a typical one are clutter.
const CLUTTER_BELOW: f64 = 0.3;
/// The lattice fitted to all sites is what is placed, so that their own places' scatter is no doubt of its pose. With discs only about
/// this share of the scatter is that; the rest is light that leans differently over the field and turns the whole pattern. Found on
/// 900 rendered scenes: theta is inside the interval in 99.8 % when none is taken off, in 99.2 % with 0.6, in 87 % when all is.
const PLACES_OF_SCATTER: f64 = 0.88;
/// What light pulls differs over the pattern by as much as this share of its doubt: where a ring light's reflection passes for the ball it
/// moves further the further out a ball is. Of four rendered scenes with errors of five and more stated uncertainties of theta, all lie
/// within 2 so.
const UNEVEN_LIGHT: f64 = 0.2;

/// Sees one side in all of its views. `over` is the other side's pose, bench frame, if it is known: where a board carries the same
/// pattern several times, the one nearest to it is meant.
///
/// # Errors
/// The first of the contract's reasons that holds for this side.
pub(crate) fn see(
    side: Side,
    over: Option<&Pose>,
    part: &Part,
    optics: &Optics,
    planes: &[Plane],
    sights: &[Sight],
) -> Result<Seen, Refusal> {
    let sites: Vec<usize> = (0..part.sites.len()).filter(|&i| !part.sites[i].pieces(side).is_empty()).collect();
    let centres_mm: Vec<PointMm> = sites.iter().map(|&i| part.sites[i].centre_mm(side)).collect();
    let shapes = Shapes::of(side, part, &sites);
    let kinds = shapes.as_ref().map_or_else(|| vec![Kind::DISC; centres_mm.len()], |s| s.kinds.clone());
    let mut pattern = Pattern::of_kinds(centres_mm, kinds).ok_or_else(|| refusal::no_pattern(side))?;
    if let Some(shapes) = &shapes {
        pattern.judge_nearness_by_width(2.0 * shapes.narrow_half_mm());
    }
    let views = side_views(side, part, shapes.as_ref(), optics, planes, sights);
    let over = over.map(|pose| pose.apply(pattern.middle_mm()));
    let seats = match &shapes {
        None => vec![seat_discs(side, over, &pattern, &views, (part, optics))?],
        Some(shapes) => seat_shapes((side, over), &pattern, shapes, &views, least_contrast(side, optics, planes), (part, optics))?,
    };
    // Of several seats the next is taken where a closer look shows that nothing stands at the first.
    let mut refused = None;
    for (features, recognition) in seats {
        match measured_at(side, part, optics.scale, pattern.clone(), &sites, shapes.as_ref(), &views, &features, recognition) {
            Ok(seen) => return Ok(seen),
            Err(refusal) => refused = refused.or_else(|| Some(refusal::with_way_of_cut(refusal, side, &features, &pattern, &views))),
        }
    }
    Err(refused.unwrap_or_else(refusal::nothing_seen))
}

/// Measures and fits a side whose pattern is seated.
#[allow(clippy::too_many_arguments, reason = "the stages before, each once")]
fn measured_at(
    side: Side,
    part: &Part,
    scale_from: ScaleSource,
    mut pattern: Pattern,
    sites: &[usize],
    shapes: Option<&Shapes>,
    views: &[SideView],
    features: &[Feature],
    recognition: Recognition,
) -> Result<Seen, Refusal> {
    let mut pose = recognition.best.bench_from_pattern;
    let told = told_turn(&mut pose, side, part, &mut pattern, shapes, views, features);
    if !told && shapes.is_some() {
        // Outlines that nearly look the same turned are measured as they nominally lie.
        pose = pattern.nearest_turn(pose, 0.0);
    }
    let is_turned = (pose.theta_rad - recognition.best.bench_from_pattern.theta_rad).abs() > 0.2;
    let laid = if told || is_turned {
        let is_alike = |f: &usize| is_alike(&features[*f].profile, &recognition.profile);
        features_at(features, &pattern, &pose).into_iter().map(|f| f.filter(is_alike)).collect()
    } else {
        recognition.best.features
    };
    let Measurement { mut findings, outlines, doubt_mm, shared, elsewhere } =
        measure(side, views, &pattern, shapes.map(|s| (s, scale_from)), (features, &laid), sites, &pose);
    crate::regions::none_elsewhere(side, &elsewhere)?;
    refusal::sharp_enough(side, views, &outlines)?;
    let covered = refusal::bare_enough(side, &outlines).err();
    let or_covered = |refusal| covered.clone().unwrap_or(refusal);
    refusal::enough_seen(side, views, &findings).map_err(or_covered)?;
    let SideFit { mut fit, scatter_mm2, noise_mm2, scale, mut warnings } =
        fit(side, scale_from, &pattern, sites, (&mut findings, &shared), &pose).map_err(or_covered)?;
    let designed = |site: usize| sites.binary_search(&site).ok().map(|i| pattern.centres_mm[i]);
    let agreement = crate::regions::agreement(side, &fit, &findings, &designed).map_err(or_covered)?;
    warnings.extend(agreement.warnings);
    let carry_deposit = outlines.iter().any(|o| o.carries_deposit);
    if carry_deposit {
        warnings.push(ON_LANDS.into());
    }
    let doubt_mm = doubt_mm.hypot(agreement.doubt_mm);
    // All features share this doubt, so that it is one of the shift, and one of the turn only as far as light pulls unevenly.
    let light_doubt_mm = outlines.iter().map(|o| o.light_doubt_mm).fold(0.0, f64::max);
    let turn_doubt_rad = UNEVEN_LIGHT * light_doubt_mm / arm_mm(&pattern.centres_mm);
    fit.covariance += Matrix3::from_diagonal(&Vector3::new(doubt_mm.powi(2), doubt_mm.powi(2), turn_doubt_rad.powi(2)));
    let of_places = match shapes {
        // What a lossy codec leaves differs from feature to feature as their own places do.
        _ if views.iter().any(|v| v.plane.is_in_blocks) => 0.0,
        Some(_) => 1.0,
        // What is left of another side's light scatters places, too, and small features scatter by their light far more than they stand.
        None if views.iter().any(|v| v.plane.is_cleaned) || outlines.iter().any(|o| o.unknowns == Unknowns::Few) => 0.0,
        // Nor do what lies on lands and how far it is off tell of the lands' own places, nor openings that are taken for them here and there.
        None if carry_deposit || outlines.iter().any(|o| side == Side::Board && o.over_design > sites::LARGEST_LAND) => 0.0,
        None => PLACES_OF_SCATTER,
    };
    // Of a large part in corner regions the pose is that of the lattice of what these show; else of all sites, seen or not.
    let counted = match views {
        [_] => pattern.centres_mm.clone(),
        _ => findings.iter().filter_map(|f| designed(f.site)).collect(),
    };
    let of_lattice = lattice_scatter(&counted, &fit.to_from);
    fit.covariance -= of_lattice * (of_places * scatter_mm2);
    // The residuals tell no more than this of it; doubts are known as they are.
    let of_residuals = fit.own_covariance * (fit.reduced_chi2 - 1.0).max(0.0) + of_lattice * (noise_mm2 + (1.0 - of_places) * scatter_mm2);
    let told_mm2 = shift_variance_mm2(&of_residuals);
    let known_mm2 = (shift_variance_mm2(&fit.covariance) - told_mm2).max(0.0);
    fit.dof = effective_dof([(told_mm2, fit.dof), (known_mm2, f64::INFINITY)]);
    let way_if_cut =
        (findings.len() < pattern.centres_mm.len()).then(|| whereabouts::way_of_cut(side, features, &pattern, views)).flatten();
    crate::bridges::mark(side, views, part, &fit.to_from, &pattern, shapes, sites, &mut findings);
    Ok(Seen {
        fit,
        findings: SideFindings { sites: findings, scale: None },
        looks_same_turned: pattern.same.len() > 1,
        has_marks: part.marks.iter().any(|m| m.side == side),
        is_told_by_mark: told,
        covered,
        contrast: recognition.profile.contrast(),
        outline_ratio: outlines.iter().map(|o| o.over_design).sum::<f64>() / outlines.len().max(1) as f64,
        left_over: outlines.iter().map(|o| o.left_over).sum::<Option<f64>>().map(|sum| sum / outlines.len().max(1) as f64),
        is_ring: outlines.iter().any(|o| o.is_ring),
        is_dark: outlines.iter().all(|o| o.is_dark),
        warnings,
        way_if_cut,
        scale_of_shapes: scale.filter(|_| shapes.is_some()),
        pattern,
        sites: sites.to_vec(),
    })
}

/// How far sites lie from the origin, mm (root of the mean square): what is off by so much at them turns the side by one radian.
pub(crate) fn arm_mm(centres_mm: &[PointMm]) -> f64 {
    (centres_mm.iter().map(|c| c.norm().powi(2)).sum::<f64>() / centres_mm.len() as f64).sqrt()
}

/// Where the pattern's places look the same turned: turns the pose as outlines or marks tell, and keeps that turn. Whether they
/// do. A pose as the features give it is good to a pixel; marks are looked for with more room than that.
fn told_turn(
    pose: &mut Pose,
    side: Side,
    part: &Part,
    pattern: &mut Pattern,
    shapes: Option<&Shapes>,
    views: &[SideView],
    features: &[Feature],
) -> bool {
    if pattern.same.len() < 2 {
        return false;
    }
    let poses: Vec<Pose> = pattern.same.iter().map(|s| pose.after(s)).collect();
    let Some(told) = crate::marks::settle(&poses, side, part, pattern, shapes, views) else { return false };
    *pose = poses[told];
    pattern.same.truncate(1);
    // The places of a cut shape are those of its turn: they are fitted anew.
    let pairs = features_at(features, pattern, pose);
    let (from, to): (Vec<PointMm>, Vec<PointMm>) =
        pairs.iter().zip(&pattern.centres_mm).filter_map(|(f, c)| Some((*c, features[(*f)?].at_mm))).unzip();
    if let Ok(fitted) = crate::pose::fit_rigid(&from, &to) {
        *pose = fitted;
    }
    true
}

pub(crate) fn side_views<'a>(
    side: Side,
    part: &Part,
    shapes: Option<&Shapes>,
    optics: &Optics,
    planes: &'a [Plane],
    sights: &'a [Sight],
) -> Vec<SideView<'a>> {
    let half_mm = shapes.map_or_else(|| disc_radius_mm(side, part), Shapes::narrow_half_mm);
    (0..optics.views.len())
        .filter(|&i| optics.views[i].shows == side)
        .map(|index| {
            let (plane, sight) = (&planes[index], &sights[index]);
            let radius_px = half_mm * px_per_mm_in_middle(optics, sights, index);
            let blocks = radius_px / COARSE_RADIUS_BLOCKS;
            // A disc bears a little less; the narrow side of a lead does not.
            let factor = if shapes.is_some() { (blocks as usize).clamp(1, MOST_BLOCK_EDGE_PX) } else { disc_block_edge_px(radius_px) };
            let reduced = match &plane.blocks {
                Some(blocks) if blocks.factor == factor => blocks.clone(),
                _ => reduce(plane, factor),
            };
            SideView { index, plane, sight, radius_px, reduced }
        })
        .collect()
}

/// Edge of the blocks, px, at which a view's discs are looked for; `None` where the side has other shapes, too.
pub(crate) fn block_edge_px(part: &Part, optics: &Optics, sights: &[Sight], index: usize) -> Option<usize> {
    let side = optics.views[index].shows;
    let all_discs = part.sites.iter().flat_map(|s| s.pieces(side)).all(|p| p.shape.diameter_mm().is_some());
    all_discs.then(|| disc_block_edge_px(disc_radius_mm(side, part) * px_per_mm_in_middle(optics, sights, index)))
}

fn disc_block_edge_px(radius_px: f64) -> usize {
    ((radius_px / COARSE_RADIUS_BLOCKS).round() as usize).clamp(1, MOST_BLOCK_EDGE_PX)
}

/// Half the middle diameter of a side's discs, mm.
pub(crate) fn disc_radius_mm(side: Side, part: &Part) -> f64 {
    let mut diameters: Vec<f64> = part.sites.iter().flat_map(|s| s.pieces(side)).filter_map(|p| p.shape.diameter_mm()).collect();
    diameters.sort_by(f64::total_cmp);
    diameters.get(diameters.len() / 2).copied().unwrap_or(0.0) / 2.0
}

/// Root of the area's scale in the middle of a view's region.
fn px_per_mm_in_middle(optics: &Optics, sights: &[Sight], index: usize) -> f64 {
    let sight = &sights[index];
    sight.magnification_px_per_mm(sight.mm(region_of(&optics.views[index], &optics.frame).middle()))
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

    /// Whether a feature is not smaller than a few pixels nor larger than the picture, by the bench file.
    pub(crate) fn can_show(&self) -> bool {
        let largest_px = self.plane.width.min(self.plane.height) as f64 / 2.0;
        (LEAST_RADIUS_PX..largest_px).contains(&self.radius_px)
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

    /// d(px)/d(mm) in the middle of the plane.
    pub fn middle_px_per_mm(&self) -> Matrix2<f64> {
        let middle = PointPx::new(self.plane.width as f64 / 2.0, self.plane.height as f64 / 2.0);
        self.sight.px_per_mm(self.mm(middle))
    }

    /// px per mm, root of the area's scale, in the middle of the plane.
    pub fn px_per_mm(&self) -> f64 {
        self.middle_px_per_mm().determinant().abs().sqrt()
    }

    /// By how much a disc's outline lies further out on its long way than on the mean, px, because the pixels are not square.
    pub fn oblong_px(&self) -> f64 {
        let stretched = self.middle_px_per_mm().singular_values();
        self.radius_px * (stretched.max() - stretched.min()) / stretched.sum()
    }
}

/// The first view that holds a whole feature of a kind at `at`, and where it shows it, px of the plane.
pub(crate) fn view_that_holds(views: &[SideView], shapes: Option<&Shapes>, at: PointMm, kind: Kind) -> Option<(usize, PointPx)> {
    views.iter().enumerate().find_map(|(i, v)| {
        let p = v.plane_px(at);
        shapes.map_or_else(|| v.holds(p), |s| s.is_whole(v, at, kind)).then_some((i, p))
    })
}

pub(crate) fn area_mm2(views: &[SideView]) -> f64 {
    views.iter().map(|v| (v.plane.width * v.plane.height) as f64 / v.px_per_mm().powi(2)).sum()
}

pub(crate) fn features_of(view: &SideView, pattern: &Pattern) -> Vec<Feature> {
    if !view.can_show() {
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
            kind: Kind::DISC,
        })
        .collect()
}

impl Seen {
    /// The same if nothing hides the features' rims.
    ///
    /// # Errors
    /// Why the places are no answer.
    pub(crate) fn bare(self) -> Result<Self, Refusal> {
        match self.covered {
            Some(refusal) => Err(refusal),
            None => Ok(self),
        }
    }

    /// Whether the side lies as `pose` has it, to within `reach_mm` at every site, in some turn that looks the same.
    pub(crate) fn lies_as(&self, pose: &Pose, reach_mm: f64) -> bool {
        let seen = self.pose_like(pose);
        self.pattern.centres_mm.iter().all(|c| seen.apply(*c).distance(pose.apply(*c)) <= reach_mm)
    }

    /// Where the part file has one of the pattern's sites.
    fn designed_mm(&self, site: usize) -> Option<PointMm> {
        self.sites.binary_search(&site).ok().map(|i| self.pattern.centres_mm[i])
    }

    /// How far apart the measured places are over how far the part file has them apart.
    pub(crate) fn size_over_design(&self) -> Option<f64> {
        if self.scale_of_shapes.is_some() {
            return self.scale_of_shapes;
        }
        let good = self.findings.sites.iter().filter(|f| f.state == SiteState::Good);
        let pairs = good.filter_map(|f| Some((self.designed_mm(f.site)?, f.centre_mm?)));
        let (from, to): (Vec<PointMm>, Vec<PointMm>) = pairs.unzip();
        fit_similarity(&from, &to, &vec![1.0; from.len()]).ok().map(|free| free.scale)
    }

    /// Where the part file has each site that is seen, and how far from where the pose has it, mm, bench frame.
    pub(crate) fn misses_mm(&self) -> impl Iterator<Item = (PointMm, PointMm)> {
        self.findings.sites.iter().filter_map(|f| {
            let designed = self.designed_mm(f.site)?;
            Some((designed, f.centre_mm? - self.fit.to_from.apply(designed)))
        })
    }

    /// How far features usually lie from where the pose has them, mm; `None` of none.
    pub(crate) fn usual_miss_mm(&self) -> Option<f64> {
        upper_median(self.misses_mm().map(|(_, miss)| miss.norm()))
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
        if let Ok(i) = seen.sites.binary_search(&finding.site)
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
