//! Tells whether something lies on the lands, off to one side: solder paste, old solder, a smear of flux.
//!
//! A bare land is as bright at its rim as in its middle, or less. One that carries something duller shows a bright crescent along the
//! rim that is left bare, the same way on all lands where a stencil was off. The crescent's inner edge and the covered rim pull what is
//! taken for the land's place away from the crescent; the bare rim tells by how much ([`super::bare_rim`]). What is as bright as the land
//! shows no crescent, but the two together are longer than wide.

use super::bare_rim::BareRim;
use super::centre::Centre;
use super::look::Look;
use super::roundness::elongation_px;
use crate::median::upper_median;
use crate::plane::Plane;

/// Something on the lands of one view.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Deposit {
    /// From where the lands seem to be to where they are, px: towards the crescent.
    pub pull_px: [f64; 2],
    /// Standard uncertainty of that along each axis, px.
    pub doubt_px: f64,
    /// Whether it shows clearly enough to be told; what may be nothing only brings its doubt.
    pub shows: bool,
}

/// Where the middle is looked at, where the rim's inner and outer half and where the ground, as shares of the designed radius.
const MIDDLE: [f64; 2] = [0.3, 0.5];
const RIM_INSIDE: [f64; 2] = [0.5, 0.7];
const RIM: [f64; 2] = [0.7, 0.9];
const GROUND: f64 = 1.25;
/// The middle's contrast counts as no less than this share of the rim's.
const LEAST_CONTRAST_OF_RIM: f64 = 0.2;
/// A bare rim rises above the middle by at most 2 % of the contrast on rendered lands of forty kinds; beside paste by 5 % as a rule.
const LEAST_RISE: f64 = 1.04;
/// Its light then differs by so much, in contrasts, from its mean to its brightest side.
const LEAST_LEAN_OF_RISEN: f64 = 0.05;
/// Where the rim does not rise so far, it leans by so much more than even slopes make it, which lean in proportion to the distance from the
/// middle, …
const LEAST_LEAN_BEYOND_SLOPE: f64 = 0.015;
/// … less where it rises, by so much for each contrast, …
const LEAN_FOR_RISE: f64 = 0.6;
/// … and never less than this. Of 842 rendered looks at bare lands of 15 kinds 18 rise at all, by at most 0.015, and lean by at most 0.0054;
/// those that lean by more do not rise. Of 219 with paste 216 rise.
const LEAST_LEAN_OF_ALL: f64 = 0.004;
const RIM_OVER_MIDDLE: f64 = 2.0;
const RIM_INSIDE_OVER_MIDDLE: f64 = 1.5;
/// A rim that rises by more than this may be beside paste, and one that rises at all where it leans by more than the least, or is longer one
/// way by more px than 19 of 20 bare ones (217 rendered looks of seven kinds), …
const SUSPECT_RISE: f64 = 1.008;
const SUSPECT_LONG_PX: f64 = 0.055;
/// … which may pull so far along each axis, in radii: 15 boards of which no more showed lay 0.022 off, RMS.
const SUSPECT_DOUBT: f64 = 0.015;
/// Where the middle is as dark as the ground, the crescent is all that shows, and what was measured is the crescent's or the paste's: of
/// eight such boards whose rims tell something two lay 0.15 and 0.23 radii off.
const OF_CRESCENT_ALONE: f64 = 0.1;
/// Where the bare rim itself does not tell: the pull and what stays of it in doubt along each axis, in radii. On 40 rendered boards with
/// paste up to 50 µm off the pull was 0.042 radii on the mean, 0.03 radii more or less, in the direction of the crescent.
const PULL: f64 = 0.035;
const PULL_DOUBT: f64 = 0.03;
/// A circle through the bare rim of this share more or less than the land's radius is no land's: of 153 rendered boards with paste one had
/// 0.12 and lay 0.14 radii off, all others less than 0.085 and lay within 0.07. Two others had 0.107 and 0.144 and lay 0.15 off. …
const MOST_OF_RIM: f64 = 0.09;
/// … So far may lands lie along each axis from where they seem to be, then, in radii.
const OTHER_RIM_DOUBT: f64 = 0.15;
/// What covers a land pulls it away from the crescent. A circle that lies further from it still, by this share of the radius, goes through
/// other rims, too: of 400 rendered boards with paste 12 had such a one, of which one lay 0.1 radii off, three 0.04 to 0.05.
const LEAST_BACK: f64 = 0.01;
/// What is brighter may be paste where the crescent rises by less than this and the whole is longer one way, …
const CLEAR_RISE: f64 = 1.05;
/// … if the opposite side, too, is part of a circle of the land's radius, give or take this share, …
const MAY_BE_LAND: f64 = 0.06;
/// … whose middle is about as near to the place of the whole, or nearer: seven boards of which the brighter side was the land had it at 0.2
/// to 0.65 of the distance of the other, one of which it was paste at 1.4, one that shows either at 1.05.
const NEARER: f64 = 0.8;
/// Lands that lie longer one way, px of the second harmonic of their outline: at most 0.14 on rendered bare lands of nineteen kinds, 0.16 to
/// 0.8 on half of those with paste.
const LEAST_LONG_PX: f64 = 0.16;
/// What stays in doubt along each axis for each px of that: of eight boards of which the paste showed in nothing else, or moved lands by
/// more than a pixel, 1.2 to 1.9. (A bulge over half of the outline moves it by 2.4 times its second harmonic.)
const LONG_DOUBT: f64 = 1.4;
/// Lands that are looked at, spread over those that are as usual.
const LANDS: usize = 24;

impl Deposit {
    /// Looks at the lands that `centres` hold; bare ones show longer one way by `oblong_px` (see [`elongation_px`]) where pixels are not
    /// square. `None` where nothing speaks for a deposit.
    #[must_use]
    pub fn on(plane: &Plane, look: &Look, centres: &[&Centre], oblong_px: f64) -> Option<Self> {
        let long_px = (elongation_px(plane, look, centres).unwrap_or(0.0) - oblong_px).abs();
        let long_doubt_px = if long_px < LEAST_LONG_PX { 0.0 } else { LONG_DOUBT * long_px };
        let light = LandLight::of(plane, look, centres)?;
        let Some(towards) = light.bare_side() else {
            let doubt_px = if light.is_suspect(long_px) { long_doubt_px.max(SUSPECT_DOUBT * look.radius_px) } else { long_doubt_px };
            return (doubt_px > 0.0).then_some(Self { pull_px: [0.0; 2], doubt_px, shows: long_doubt_px > 0.0 });
        };
        let lies_back = |rim: &BareRim| {
            let towards_px = (rim.off_px[0] * towards[0] + rim.off_px[1] * towards[1]) / size(towards);
            towards_px < -LEAST_BACK * look.radius_px
        };
        let (pull_px, doubt_px) = match BareRim::on(plane, look, centres, towards) {
            Some(rim) if (rim.size_ratio - 1.0).abs() > MOST_OF_RIM => ([0.0; 2], (OTHER_RIM_DOUBT * look.radius_px).hypot(long_doubt_px)),
            Some(rim) if !lies_back(&rim) => {
                let may_be_paste = light.rise < CLEAR_RISE && long_doubt_px > 0.0;
                let other = may_be_paste.then(|| BareRim::on(plane, look, centres, towards.map(|t| -t))).flatten();
                of_rims(&rim, other.as_ref())
            }
            _ => {
                let pull_px = towards.map(|t| t / size(towards) * PULL * look.radius_px);
                (pull_px, (PULL_DOUBT * look.radius_px).hypot(long_doubt_px))
            }
        };
        let alone_px = if light.hides_middle { OF_CRESCENT_ALONE * look.radius_px } else { 0.0 };
        Some(Self { pull_px, doubt_px: doubt_px.hypot(alone_px), shows: true })
    }
}

/// The pull, px, and its doubt along each axis, px, that the bare rim tells, and the one across from it where that may be the land's as well.
fn of_rims(rim: &BareRim, other: Option<&BareRim>) -> ([f64; 2], f64) {
    let is_as_likely = |other: &&BareRim| (other.size_ratio - 1.0).abs() < MAY_BE_LAND && size(rim.off_px) > NEARER * size(other.off_px);
    let Some(other) = other.filter(is_as_likely) else { return (rim.off_px, rim.doubt_px) };
    // Either is the land: half way between both, and half of the way in doubt.
    let half_px = [0, 1].map(|axis| (other.off_px[axis] - rim.off_px[axis]) / 2.0);
    ([0, 1].map(|axis| rim.off_px[axis] + half_px[axis]), rim.doubt_px.hypot(size(half_px)))
}

/// Length of a vector.
pub(crate) fn size(vector: [f64; 2]) -> f64 {
    vector[0].hypot(vector[1])
}

/// How the light lies on the usual land.
struct LandLight {
    /// The rim's over the middle's, above the ground's: more than 1 on lands whose middle something duller covers.
    rise: f64,
    /// Whether the middle is about as dark as the ground.
    hides_middle: bool,
    /// Whether the usual lean is that of many lands.
    are_many: bool,
    /// How it leans in the middle and in both halves of the rim, in contrasts of the middle.
    middle: [f64; 2],
    inside: [f64; 2],
    rim: [f64; 2],
}

impl LandLight {
    fn of(plane: &Plane, look: &Look, centres: &[&Centre]) -> Option<Self> {
        let level = |[inner, outer]: [f64; 2]| f64::from(look.at((0.5 * (inner + outer) * look.radius_px) as f32).0);
        let ground = level([GROUND; 2]);
        let of_rim = level(RIM_INSIDE).max(level(RIM)) - ground;
        // What is as dark as the ground leaves the middle hardly any contrast of its own.
        let (of_middle, least) = (level(MIDDLE) - ground, LEAST_CONTRAST_OF_RIM * of_rim);
        let contrast = of_middle.max(least);
        // Medians over the lands: a hair or a tool that lies across some of them is no paste.
        let usual_lean = |shares: [f64; 2]| {
            let lands = centres.iter().step_by(centres.len().div_ceil(LANDS).max(1));
            let leans: Vec<[f64; 2]> = lands.filter_map(|c| lean(plane, c, shares.map(|s| s * look.radius_px))).collect();
            let median = |axis: usize| upper_median(leans.iter().map(|l| l[axis] / contrast));
            Some([median(0)?, median(1)?])
        };
        let are_many = centres.len() >= LANDS;
        Some(Self {
            rise: of_rim / contrast,
            hides_middle: of_middle <= least,
            are_many,
            middle: usual_lean(MIDDLE)?,
            inside: usual_lean(RIM_INSIDE)?,
            rim: usual_lean(RIM)?,
        })
    }

    /// How much more the rim leans than even slopes make it.
    fn beyond_slope(&self) -> f64 {
        let of_middle = size(self.middle);
        (size(self.rim) - RIM_OVER_MIDDLE * of_middle).max(size(self.inside) - RIM_INSIDE_OVER_MIDDLE * of_middle)
    }

    /// Whether it may be that of a land beside paste which is longer one way by `long_px`.
    fn is_suspect(&self, long_px: f64) -> bool {
        self.rise > SUSPECT_RISE
            || (self.rise > 1.0 && self.are_many && (self.beyond_slope() > LEAST_LEAN_OF_ALL || long_px > SUSPECT_LONG_PX))
    }

    /// The way, of some length, to the bright crescent along the side that is left bare; `None` where none shows.
    fn bare_side(&self) -> Option<[f64; 2]> {
        let Self { rise, inside, rim, .. } = *self;
        let is_risen = rise > LEAST_RISE && size(inside).max(size(rim)) > LEAST_LEAN_OF_RISEN;
        let least_lean = match rise {
            // A crescent all round, of paste in the middle, leans a little by chance.
            r if r > LEAST_RISE => LEAST_LEAN_BEYOND_SLOPE,
            r => (LEAST_LEAN_BEYOND_SLOPE - LEAN_FOR_RISE * (r - 1.0)).max(LEAST_LEAN_OF_ALL),
        };
        // A land taken a little off its place shows its far edge in the rim.
        let towards = if size(inside) > LEAST_LEAN_BEYOND_SLOPE { inside } else { rim };
        (is_risen || (rise > 1.0 && self.beyond_slope() > least_lean)).then_some(towards)
    }
}

/// By how much the light between two radii, px, about a land's middle is brighter on its brightest side than on the mean, along x and
/// y; `None` where it does not lie in the plane as a whole.
fn lean(plane: &Plane, centre: &Centre, [inner, outer]: [f64; 2]) -> Option<[f64; 2]> {
    let reach = outer.ceil() as isize + 1;
    let (column, row) = (centre.at.x.round() as isize, centre.at.y.round() as isize);
    if column < reach || row < reach || column + reach >= plane.width as isize || row + reach >= plane.height as isize {
        return None;
    }
    // Few pixels' directions do not cancel out: their mean is taken off.
    let (mut pixels, mut light, mut along, mut light_along) = (0.0, 0.0, [0.0; 2], [0.0; 2]);
    for y in row - reach..=row + reach {
        for x in column - reach..=column + reach {
            let (dx, dy) = (x as f64 - centre.at.x, y as f64 - centre.at.y);
            let squared = dx * dx + dy * dy;
            if squared >= inner * inner && squared < outer * outer {
                let r = squared.sqrt();
                let here = f64::from(plane.light[y as usize * plane.width + x as usize]);
                pixels += 1.0;
                light += here;
                for (axis, direction) in [dx / r, dy / r].into_iter().enumerate() {
                    along[axis] += direction;
                    light_along[axis] += here * direction;
                }
            }
        }
    }
    (pixels > 0.0).then(|| [0, 1].map(|axis| 2.0 * (light_along[axis] - light / pixels * along[axis]) / pixels))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::find::drawn_lands::{RADIUS_PX, measured, share};

    /// A land of which paste leaves the rim bare.
    fn pasted(x: f64, y: f64) -> f64 {
        0.7 - 0.35 * share(x.hypot(y), 0.8 * RADIUS_PX)
    }

    /// What is noticed on lands; `light` is that of a land by place from its middle, within the radius.
    fn on(light: impl Fn(f64, f64) -> f64) -> Option<Deposit> {
        seen(|x, y| {
            let of_land = share(x.hypot(y), RADIUS_PX);
            0.1 * (1.0 - of_land) + light(x, y) * of_land
        })
    }

    /// The same with all of the light about a land given.
    fn seen(light: impl Fn(f64, f64) -> f64) -> Option<Deposit> {
        let lands = measured(light);
        Deposit::on(&lands.plane, &lands.look, &lands.centres(), 0.0)
    }

    #[test]
    fn bare_lands_carry_nothing() {
        assert_eq!(on(|_, _| 0.7), None);
        assert_eq!(on(|x, y| 0.7 + 0.01 * x - 0.005 * y), None, "light that slopes");
        assert_eq!(on(|x, y| 0.7 - 0.25 * (x * x + y * y) / RADIUS_PX.powi(2)), None, "a dome");
        assert_eq!(on(|x, y| 0.5 + 0.3 * (-((x - 3.0).powi(2) + y * y) / 30.0).exp()), None, "a highlight off the middle");
    }

    #[test]
    fn paste_off_to_one_side_is_noticed_and_pulls_away_from_the_crescent() {
        for (x, y) in [(3.0, 0.0), (-2.0, 2.0), (0.0, -1.5)] {
            let found = on(|dx, dy| pasted(dx - x, dy - y)).unwrap();
            let [px, py] = found.pull_px;
            let towards_crescent = -(px * x + py * y) / (px.hypot(py) * x.hypot(y));
            assert!(towards_crescent > 0.95, "{x} {y}: {found:?}");
            assert!(found.doubt_px > 0.1);
        }
    }

    #[test]
    fn paste_as_bright_as_the_land_makes_it_longer_and_leaves_its_place_in_doubt() {
        let beside = |x: f64, y: f64| share((x - 4.0).hypot(y - 1.0), 0.85 * RADIUS_PX);
        let found = seen(|x, y| 0.1 + 0.6 * share(x.hypot(y), RADIUS_PX).max(beside(x, y))).unwrap();
        assert!(found.doubt_px > 0.3, "{found:?}");
        assert_eq!(seen(|x, y| 0.1 + 0.6 * share(x.hypot(y), RADIUS_PX)), None);
    }

    #[test]
    fn paste_in_the_middle_pulls_nowhere_and_leaves_a_doubt() {
        let found = on(pasted).unwrap();
        assert_eq!((found.shows, found.pull_px), (false, [0.0; 2]));
        assert!((0.1..0.3).contains(&found.doubt_px), "{found:?}");
    }
}
