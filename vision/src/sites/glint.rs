//! A glint in the dark middle of a ring, off to one side at all balls alike: its fringe lies on the ring's inner edge and pulls the place of the
//! ring. What a fit that lets the light of the middle lean says of it is taken back.

use super::doubt::mean_of;
use crate::find::centre::{Centre, CentreFinder};
use crate::find::look::{Look, Unknowns};
use crate::plane::Plane;

/// So many features tell how far a glint pulls.
const TELLING: usize = 16;
/// Light from one side leans on the ring and on its middle along one line: in the middle, where it counts from the ring's crest, by these shares
/// of what it does on the ring (71 of 81 rendered looks of four kinds without glints pushed off the middle).
const LEAN_OF_MIDDLE: [f64; 2] = [-0.15, 0.5];
/// What leans otherwise, over the ring's step of light, is a glint where it is much more than this; where it is less, the fit with more unknowns is
/// the worse one. On 41 rendered pictures with glints off the middle errors fall from 0.71 to 0.56 µm, on 200 others they stay within 0.03 µm.
const GLINT: f64 = 0.08;

/// The way back from where glints off the middle have pulled rings, px along x and y; `lean` is the usual relative slope of the features'
/// light, per px.
pub(super) fn back_from_glints_px(plane: &Plane, look: &Look, lean: [f64; 2], good: &[&Centre]) -> [f64; 2] {
    let look = Look { unknowns: Unknowns::LeansAndMiddle, ..look.clone() };
    let mut finder = CentreFinder::for_teachers(plane, &look, lean);
    let some = good.iter().step_by(good.len().div_ceil(TELLING).max(1));
    let (before, after): (Vec<&Centre>, Vec<Centre>) = some.filter_map(|c| Some((*c, finder.measure(c.at)?))).unzip();
    let after: Vec<&Centre> = after.iter().collect();
    let [middle, ring] = [mean_of(&after, |c| c.middle), mean_of(&after, |c| c.lean).map(|l| l * look.outline_px)];
    let squared = ring[0] * ring[0] + ring[1] * ring[1];
    let along = ((middle[0] * ring[0] + middle[1] * ring[1]) / squared.max(1e-12)).clamp(LEAN_OF_MIDDLE[0], LEAN_OF_MIDDLE[1]);
    let beside2 = [0, 1].map(|axis| (middle[axis] - along * ring[axis]).powi(2)).iter().sum::<f64>();
    let share = beside2 / (beside2 + GLINT * GLINT);
    let place = |centres: &[&Centre]| mean_of(centres, |c| [c.at.x, c.at.y]);
    let (before, after) = (place(&before), place(&after));
    [0, 1].map(|axis| share * (after[axis] - before[axis]))
}
