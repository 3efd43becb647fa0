//! How far all features of a view may be off together: what light, rims and the camera's steps pull, what of it is taken back, and what stays in
//! doubt. The numbers are likelihoods' over rendered looks, each named beside its own.

use crate::find::centre::{Centre, CentreFinder, SECTORS};
use crate::find::deposit::size;
use crate::find::look::{Look, Unknowns};
use crate::median::upper_median;
use crate::plane::Plane;
use landfit_part::Side;

/// What moves all features of a view together, as standard uncertainties.
#[derive(Debug, Clone, Copy)]
pub struct CommonDoubt {
    /// Of what sloping light pulls and of what light outside pulls, px along x and y: a way, for views in which light pulls apart say more
    /// together than each alone.
    pub pulls_px: [[f64; 2]; 2],
    /// Of all else along each axis, px.
    pub other_px: f64,
    /// Features that tell.
    pub features: usize,
}

impl CommonDoubt {
    /// Along each axis, px.
    #[must_use]
    pub fn along_axis_px(&self) -> f64 {
        self.pulls_px.iter().fold(self.other_px, |sum, pull| sum.hypot(size(*pull) / std::f64::consts::SQRT_2))
    }
}

/// How much of what the light beside the outlines of one kind pulls stays in doubt (lands, rings and plain balls apart).
///
/// On 3,024 rendered looks of 44 kinds the interval score (Gneiting & Raftery, Strictly Proper Scoring Rules, Prediction, and Estimation,
/// JASA 102, 2007, section 6.2; each over the look's own width) is least near these numbers, below most of them; with them 98.2 % of the errors along x and y
/// lie within two standard uncertainties.
struct PullDoubt {
    /// Of a soft edge, px for each squared px of its width: nothing tells what it is made of.
    per_edge_px: f64,
    /// Share of the pull of sloping light.
    of_slope: f64,
    /// Share of the pull of light outside.
    of_outside: f64,
    /// Of what they seem smaller than any are, the share by which what was taken for them lies off, along each axis.
    of_deficit: f64,
}

impl PullDoubt {
    /// Openings off their lands make one side of the edge softer than the other, or pass for the lands where they are as bright: what stays
    /// of the light outside once its usual pull is taken back.
    const LANDS: Self = Self { per_edge_px: 0.002, of_slope: 0.4, of_outside: 0.2, of_deficit: 0.04 };
    /// Of lands that show a ring of light nothing is taken back.
    const LANDS_WITH_RINGS: Self = Self { of_outside: 0.49, ..Self::LANDS };
    const RINGS: Self = Self { per_edge_px: 0.0025, of_slope: 0.35, of_outside: 0.12, of_deficit: 0.0 };
    const PLAIN_BALLS: Self = Self { per_edge_px: 0.003, of_slope: 0.6, of_outside: 0.2, of_deficit: 0.0 };
}

/// Light that is brighter outside on one side of all lands begins at the rim of a mask opening that is off to one side, not at the land's
/// own as the model of a centre has it: the fit gives too much of it to the light, and the rest to the place. The share, of what the
/// light outside would pull, that is taken back: 110 of 510 rendered boards where it shows (-1.0 to +0.1, middle -0.45; across it 0.1).
const OPENING_SHARE: f64 = 0.45;
/// Pulls of so many px and less come from neighbours' light as often as from rims.
const LEAST_OUTSIDE_PULL_PX: f64 = 0.02;

/// What openings off their lands have pulled, px along x and y: the middle over lands, for a trace pulls at some of them only, but no more than
/// the mean, for traces that leave half the lands one way and half the other leave no middle.
pub(super) fn pull_of_openings_px(good: &[&Centre]) -> [f64; 2] {
    let mean = mean_of(good, |c| c.outside_pull_px);
    let pull = [0, 1].map(|axis| {
        let middle = upper_median(good.iter().map(|c| c.outside_pull_px[axis])).unwrap_or(0.0);
        if middle * mean[axis] > 0.0 { middle.abs().min(mean[axis].abs()).copysign(middle) } else { 0.0 }
    });
    let squared = pull[0] * pull[0] + pull[1] * pull[1];
    pull.map(|along| OPENING_SHARE * squared / (squared + LEAST_OUTSIDE_PULL_PX.powi(2)) * along)
}

/// Share of the pull of sloping light that stays in doubt where features are small, once its usual part is taken back: on 530 rendered
/// pictures of balls of 3 to 4.5 px radius errors are 0.7 of it.
const OF_SLOPE_OF_SMALL: f64 = 0.7;
/// What stays of what small balls seem smaller than they are: 200 of the same pictures where it is a tenth of the radius and more have 0.04
/// to 0.09 px of error, the others 0.02 to 0.03.
const OF_DEFICIT_OF_SMALL: f64 = 0.15;
/// Of light that slopes on balls that are hardly larger than their blur, the fit takes too little for the light where the edge is wide and
/// too much where it is sharp: by so many pulls for each unit of the edge's width over the root of the radius, both in px, above this; within
/// these bounds of what the same pictures show. It takes the errors from 0.050 to 0.040 px at 3 px radius, from 0.040 to 0.031 at 4.5 px.
const SMALL_PULLS: f64 = 5.4;
const SMALL_EDGE: f64 = 0.49;
const SMALL_PULLS_SEEN: [f64; 2] = [-0.5, 1.5];

/// The way back from where sloping light has pulled small balls, px along x and y.
pub(super) fn back_of_small_px(look: &Look, good: &[&Centre]) -> [f64; 2] {
    let [least, most] = SMALL_PULLS_SEEN;
    let pulls = (SMALL_PULLS * (look.edge_px / look.radius_px.sqrt() - SMALL_EDGE)).clamp(least, most);
    mean_of(good, |c| c.slope_pull_px).map(|pull| -pulls * pull)
}

/// Lands of rendered boards are seen at up to this much of their designed radius; larger ones are openings, or made larger.
pub const LARGEST_LAND: f64 = 1.04;

/// Rendered lands in focus are seen at this much of their radius and more; where less is seen, tin domes fade before they end: eleven such
/// boards of 13 kinds (740 looks) lay up to 0.4 px off.
pub const SMALLEST_LAND: f64 = 0.92;

/// Rims of a land and of the opening about it that pass for one make an edge that is wide for its radius; an edge of this share of the
/// radius is one rim, of a land that was made larger, and one of …
const ONE_RIM_EDGE: f64 = 0.14;
/// … this share may be two. Of 62 rendered boards whose lands are seen larger than designed, the 5 with wider edges than that lay up to
/// 23 µm off, the 54 with narrower ones than `ONE_RIM_EDGE` as true as any (seven kinds, 620 looks).
const TWO_RIMS_EDGE: f64 = 0.17;
/// A rim about a land that is off to one side has light beside it that leans that way. Light outside that pulls by no more than this, px, is
/// usual about lands that were made larger (at most 0.04 on 17 rendered boards of the study's land-sizes), and what pulls by …
const ONE_RIM_PULL_PX: f64 = 0.06;
/// … this is not: 0.28 where a sharp rim 1.25 times as wide as the land in it was taken for the land, 27 µm off.
const TWO_RIMS_PULL_PX: f64 = 0.15;
/// Light that rises so steeply inside towards one side, over a radius and the step of light, is usual on lands whose highlights lie off the middle (at
/// most 0.45 on 152 rendered boards), and what rises by …
const ONE_RIM_INSIDE: f64 = 0.6;
/// … this is the rim of a land within one of an opening: 1.7 where domes lay 3 px off in openings a sixth larger, 27 µm off.
const TWO_RIMS_INSIDE: f64 = 1.0;
/// Where both rims melt into one edge, what the fit makes of it is light that slopes one way and light outside that pulls the other way. Where the
/// lesser of these pulls is no more than this, px, lands' own outlines are seen (all but five of 3,133 rendered boards), and …
const ONE_RIM_AGAINST_PX: f64 = 0.05;
/// … each px beyond that leaves so many in doubt: two boards with 0.13 and 0.14 lay 1.1 and 0.8 px off, two others with 0.09 and 0.1 0.04 and 0.2 px.
const PER_PX_AGAINST: f64 = 8.0;
/// What stays of the doubt where an edge is one rim: an opening as bright as its land would have hidden the land's own.
const OF_EXCESS_OF_ONE_RIM: f64 = 0.05;

/// Of what lands seem larger than any are made, the share by which what was taken for them lies off, along each axis.
const OF_EXCESS: f64 = 0.6;

/// Standard uncertainty, px along each axis, of where features lie whose rims and those of the openings about them may pass for one;
/// `slope_px` and `outside_px` are what light that slopes and light outside that is brighter on one side would pull on the mean, px along x and y,
/// `inside` how light slopes inside.
pub(super) fn two_rims_doubt_px(side: Side, look: &Look, (slope_px, outside_px): ([f64; 2], [f64; 2]), inside: [f64; 2]) -> f64 {
    if side == Side::Part {
        return 0.0;
    }
    let excess_px = (look.outline_px - LARGEST_LAND * look.radius_px).max(0.0);
    let softness = (look.edge_px / look.radius_px - ONE_RIM_EDGE) / (TWO_RIMS_EDGE - ONE_RIM_EDGE);
    let lean = (size(outside_px) - ONE_RIM_PULL_PX) / (TWO_RIMS_PULL_PX - ONE_RIM_PULL_PX);
    let rise = (size(inside) - ONE_RIM_INSIDE) / (TWO_RIMS_INSIDE - ONE_RIM_INSIDE);
    let of_excess_px = softness.max(lean).max(rise).clamp(OF_EXCESS_OF_ONE_RIM, 1.0) * OF_EXCESS * excess_px;
    let slope_size_px = size(slope_px);
    let along_px2 = slope_px[0] * outside_px[0] + slope_px[1] * outside_px[1];
    let against_px = (-along_px2 / slope_size_px.max(f64::MIN_POSITIVE)).min(slope_size_px);
    of_excess_px.max(PER_PX_AGAINST * (against_px - ONE_RIM_AGAINST_PX))
}

/// Share of what light that rises inside towards one side would pull by itself that stays in doubt on lands, where it and the light at the outline
/// lean against each other: 17 of 153 rendered boards on which it pulls by 0.04 to 0.1 px lay 0.031 px off where 0.021 was stated.
const OF_INSIDE: f64 = 0.33;

/// Standard uncertainty of the place of all features together, from light that leans the same way at all of them: what the mean feature
/// shows of it (`slope` and `outside`: what light that slopes inside and light outside would pull, px along x and y; `inside`: how it slopes
/// inside). What goes another way at each is part of their scatter.
pub(super) fn doubt_from_light(
    side: Side,
    look: &Look,
    ([slope, outside], inside, features): ([[f64; 2]; 2], [f64; 2], usize),
    two_rims_px: f64,
) -> CommonDoubt {
    let doubt = match side {
        Side::Board if look.is_ring => PullDoubt::LANDS_WITH_RINGS,
        Side::Board => PullDoubt::LANDS,
        Side::Part if look.is_ring => PullDoubt::RINGS,
        Side::Part => PullDoubt::PLAIN_BALLS,
    };
    let deficit_px = (SMALLEST_LAND * look.radius_px - look.outline_px).max(0.0);
    // What is no larger than its blur hardly shows how its light slopes.
    let (of_slope, of_deficit) = match (look.unknowns, side) {
        (Unknowns::Few, Side::Part) => (OF_SLOPE_OF_SMALL, OF_DEFICIT_OF_SMALL),
        (Unknowns::Few, Side::Board) => (OF_SLOPE_OF_SMALL, doubt.of_deficit),
        (Unknowns::All | Unknowns::Leans | Unknowns::LeansAndMiddle, _) => (doubt.of_slope, doubt.of_deficit),
    };
    let pulls_px = [slope.map(|pull| of_slope * pull), outside.map(|pull| doubt.of_outside * pull)];
    let of_edge_px = (doubt.per_edge_px * look.edge_px.powi(2)).hypot(look.hidden_rim_px(side));
    let of_inside_px = match side {
        Side::Board => OF_INSIDE * size(inside) / look.radius_px * look.blur_px.powi(2),
        Side::Part => 0.0,
    };
    let other_px = of_edge_px.hypot(two_rims_px).hypot(of_deficit * deficit_px).hypot(of_inside_px);
    CommonDoubt { pulls_px, other_px, features }
}

/// Of what the mean place moves by when a sector of all outlines is left out (the jackknife's standard uncertainty; Efron & Tibshirani, An
/// Introduction to the Bootstrap, chapter 11), beyond noise, so much stays in doubt along each axis: maximum likelihood over 180 rendered
/// looks at balls of 14 kinds says 0.34; of 70 looks at balls under films of flux 93 % lie within two standard uncertainties with 0.4, 95 % with
/// 0.5. On lands it says nothing that light and edges do not.
const OF_SECTORS: f64 = 0.5;

/// Standard uncertainty, px along each axis, of what lies on a part of all outlines and the model has no unknown for: a highlight that
/// crosses a ring pulls all features the same way.
pub(super) fn doubt_from_sectors_px(finder: &mut CentreFinder, good: &[&Centre]) -> f64 {
    let Some(without) = finder.without_sectors_px(good) else { return 0.0 };
    let n = SECTORS as f64;
    let squared: f64 = without.by_px.iter().flatten().map(|by| by * by).sum();
    let jackknife_px2 = (n - 1.0) / n * squared / 2.0;
    OF_SECTORS * (jackknife_px2 - without.noise_px2).max(0.0).sqrt()
}

/// Mean of what is known of features along both axes; 0 of none.
pub(super) fn mean_of(centres: &[&Centre], get: fn(&Centre) -> [f64; 2]) -> [f64; 2] {
    let n = centres.len().max(1) as f64;
    [0, 1].map(|axis| centres.iter().map(|c| get(c)[axis]).sum::<f64>() / n)
}

/// Share of the camera's rounding that stays after averaging round all outlines: where the light is faint the noise is smaller
/// than a step, and rounding goes the same way at all features. On 78 rendered looks at 5 % of full scale errors say 0 to 0.05; with this
/// share 98.7 % of them lie within two standard uncertainties.
const STEPS_DOUBT: f64 = 0.15;

/// Standard uncertainty, px, that all features share because the camera counts light in steps: a step's rounding error
/// (its width over √12) over the slope of an outline across which the light steps by `step` over an edge of `edge_px`, a Gaussian's standard
/// deviation.
pub(crate) fn doubt_from_steps_px(plane: &Plane, step: f64, edge_px: f64) -> f64 {
    let slope = step.abs() / (edge_px * std::f64::consts::TAU.sqrt());
    STEPS_DOUBT * f64::from(plane.step_of_light) / 12.0_f64.sqrt() / slope.max(1e-12)
}
