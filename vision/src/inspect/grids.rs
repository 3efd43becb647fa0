//! The even arrangements of spots in a picture, whatever they belong to.

use super::features::{self, Blob, Polarity};
use super::lattice::{self, Dot, Found, Lattice};
use super::survey::{self, Survey};
use super::warp::Warp;
use super::{LEAST_SITES, light, nothing_to_see};
use crate::answer::ReasonCode;
use crate::median::upper_median;
use crate::nearby::Nearby;
use crate::picture::Picture;
use crate::view::PointPx;
use landfit_part::PointMm;
use std::collections::BTreeSet;
use std::num::NonZero;

const FOUR: NonZero<usize> = NonZero::new(4).unwrap();

/// An even arrangement of spots in a picture, whatever it belongs to: what a calibration target looks like.
#[derive(Debug, Clone)]
pub struct SpotLattice {
    /// Whether the spots are brighter than what surrounds them.
    pub is_bright: bool,
    /// Its members, to half a pixel or so.
    pub spots: Vec<LatticeSpot>,
}

/// A member of a lattice.
#[derive(Debug, Clone, Copy)]
pub struct LatticeSpot {
    /// Its place in the lattice, in steps along its two shortest directions; where (0, 0) lies is open.
    pub cell: [i32; 2],
    /// Where it was seen.
    pub at: PointPx,
    /// About how large it is.
    pub diameter_px: f64,
}

/// Finds every even arrangement of at least `least` spots in a picture, largest first.
#[must_use]
pub fn lattices(picture: &Picture, least: usize) -> Vec<SpotLattice> {
    let light = light::light(picture);
    if nothing_to_see(&light, ReasonCode::NoPart).is_some() {
        return Vec::new();
    }
    let blobs: Vec<Blob> = features::blobs(&light.plane).into_iter().filter(|b| b.at_its_scale).collect();
    let mut found: Vec<SpotLattice> = distinct(lattices_of(&blobs), &[], is_larger)
        .into_iter()
        .filter(|g| g.places.len() >= least)
        .map(|g| {
            let spot = |(cell, (at, size)): (&[i32; 2], (&PointPx, &f64))| LatticeSpot { cell: *cell, at: *at, diameter_px: *size };
            let spots = g.lattice.cells.iter().zip(g.places.iter().zip(&g.sizes_px)).map(spot).collect();
            SpotLattice { is_bright: g.polarity == Polarity::Bright, spots }
        })
        .collect();
    found.sort_by_key(|l| std::cmp::Reverse(l.spots.len()));
    found
}

/// A lattice with its members' places among all blobs.
#[derive(Debug, Clone)]
pub(super) struct Grid {
    pub lattice: Lattice,
    pub polarity: Polarity,
    pub places: Vec<PointPx>,
    pub sizes_px: Vec<f64>,
    /// Of each member, and the middle one.
    strengths: Vec<f64>,
    pub strength: f64,
}

/// What a second look must weigh to be a member (1 is as sure as can be).
const SURELY_THERE: f64 = 0.5;

impl Grid {
    /// With what a second look found at cells beyond its members; `None` where it found none there, or none that fits.
    pub fn carried_on(&self, survey: &Survey) -> Option<Self> {
        let (lo, hi) = survey::extent(&self.lattice);
        let is_beyond = |c: &[i32; 2]| (0..2).any(|axis| c[axis] < lo[axis] || c[axis] > hi[axis]);
        let members: BTreeSet<[i32; 2]> = self.lattice.cells.iter().copied().collect();
        let more: Vec<([i32; 2], PointPx)> = survey.there(SURELY_THERE).filter(|(c, _)| !members.contains(c)).collect();
        if !more.iter().any(|(c, _)| is_beyond(c)) {
            return None;
        }
        let mut larger = self.clone();
        for (cell, at) in more {
            larger.lattice.cells.push(cell);
            larger.places.push(at);
            larger.sizes_px.push(survey.template.diameter_px);
            larger.strengths.push(self.strength);
        }
        let uv: Vec<[f64; 2]> = larger.lattice.cells.iter().map(|c| c.map(f64::from)).collect();
        larger.lattice.warp = Warp::fit(&uv, &larger.places)?;
        Some(larger)
    }
}

/// At the border of an arrangement its gaps are open to one side, and answer this much less than those inside; sites answer alike.
const OPEN_GAPS_ANSWER: f64 = 0.8;

pub(super) fn lattices_of(blobs: &[Blob]) -> Vec<Grid> {
    let mut grids = Vec::new();
    for polarity in [Polarity::Bright, Polarity::Dark] {
        let dots: Vec<Dot> = blobs
            .iter()
            .filter(|b| b.polarity == polarity)
            .map(|b| Dot { at: b.at, size: b.diameter_px, strength: f64::from(b.strength), may_seed: b.at_its_scale })
            .collect();
        for Found { lattice, dots: members } in lattice::lattices(&dots, LEAST_SITES) {
            let of_members = |get: fn(&Dot) -> f64| members.iter().map(|m| get(&dots[*m])).collect::<Vec<f64>>();
            let strengths = of_members(|d| d.strength);
            grids.push(Grid {
                polarity,
                places: members.iter().map(|m| dots[*m].at).collect(),
                sizes_px: of_members(|d| d.size),
                strength: upper_median(strengths.iter().copied()).unwrap_or(0.0),
                strengths,
                lattice,
            });
        }
    }
    grids.sort_by_key(|g| std::cmp::Reverse(g.places.len()));
    grids
}

/// Leaves out lattices made of the gaps between the members of another one of the opposite polarity, also of those `known` already,
/// and second ones of the same members. `is_rather` says whether its first is rather the sites and its second their gaps.
pub(super) fn distinct(grids: Vec<Grid>, known: &[Grid], is_rather: impl Fn(&Grid, &Grid) -> bool) -> Vec<Grid> {
    let is_gap =
        |g: &Grid| grids.iter().chain(known).any(|other| other.polarity != g.polarity && is_rather(other, g) && lies_between(g, other));
    let keep: Vec<bool> = grids.iter().map(|g| !is_gap(g)).collect();
    let mut kept: Vec<Grid> = Vec::new();
    for (grid, _) in grids.into_iter().zip(keep).filter(|(_, k)| *k) {
        let twin = kept.iter().any(|k| k.polarity == grid.polarity && k.places.len() < 2 * grid.places.len() && lies_upon(&grid, k));
        if !twin {
            kept.push(grid);
        }
    }
    kept
}

fn nearest(places: &[PointPx], p: PointPx) -> Option<(f64, usize)> {
    let squared = |q: &PointPx| (q.x - p.x).powi(2) + (q.y - p.y).powi(2);
    let (i, q) = places.iter().enumerate().min_by(|a, b| squared(a.1).total_cmp(&squared(b.1)))?;
    Some((squared(q).sqrt(), i))
}

/// Of arrangements of any look, the larger where both are about as strong.
fn is_larger(one: &Grid, other: &Grid) -> bool {
    one.places.len() as f64 > 0.9 * other.places.len() as f64
        && one.strength > 0.7 * other.strength
        && (one.places.len(), one.strength) > (other.places.len(), other.strength)
}

/// Of sites and the ground between them: also what is much stronger, though part of it may have been missed, and what the other fades
/// round. Tuned by hand: gaps between discs of half a pitch answer half as much as the discs.
pub(super) fn are_sites(one: &Grid, other: &Grid) -> bool {
    let share = one.places.len() as f64 / other.places.len() as f64;
    is_larger(one, other)
        || (share > 0.5 && other.strength < 0.6 * one.strength)
        || (share > 0.9 && other.strength < 0.7 * one.strength)
        || fades_at_the_border(other, one)
}

/// Whether members of `a` with members of `b` on few sides answer less than those with `b` all round.
fn fades_at_the_border(a: &Grid, b: &Grid) -> bool {
    let places: Vec<PointMm> = b.places.iter().map(|p| PointMm::new(p.x, p.y)).collect();
    let near = Nearby::new(&places);
    let (mut open, mut closed) = (Vec::new(), Vec::new());
    for ((cell, at), strength) in a.lattice.cells.iter().zip(&a.places).zip(&a.strengths) {
        let reach = 0.9 * lattice::shortest(&a.lattice.warp, *cell);
        let round = near.several(PointMm::new(at.x, at.y), FOUR).into_iter().filter(|(off, _)| *off < reach).count();
        match round {
            1 | 2 => open.push(*strength),
            3 | 4 => closed.push(*strength),
            _ => (),
        }
    }
    // A border all round has twice as many at least; fewer are places where something else is in the way.
    if (open.len() as f64) < 2.0 * (a.places.len() as f64).sqrt() {
        return false;
    }
    let (Some(at_border), Some(inside)) = (upper_median(open), upper_median(closed)) else { return false };
    at_border < OPEN_GAPS_ANSWER * inside
}

/// Whether most members of `a` lie on members of `b`.
fn lies_upon(a: &Grid, b: &Grid) -> bool {
    let stride = a.places.len().div_ceil(60);
    let sample: Vec<&PointPx> = a.places.iter().step_by(stride).collect();
    let on = sample
        .iter()
        .filter(|p| {
            let near = nearest(&b.places, ***p);
            near.is_some_and(|(off, i)| off < 0.25 * lattice::shortest(&b.lattice.warp, b.lattice.cells[i]))
        })
        .count();
    10 * on > 7 * sample.len()
}

/// Whether most members of `a` lie well off the cells of `b`, yet inside its bounds.
fn lies_between(a: &Grid, b: &Grid) -> bool {
    let stride = a.places.len().div_ceil(60);
    let sample: Vec<&PointPx> = a.places.iter().step_by(stride).collect();
    let (mut inside, mut off) = (0, 0);
    for p in &sample {
        let near = nearest(&b.places, **p);
        let Some((nearest, i)) = near else { return false };
        let pitch = lattice::shortest(&b.lattice.warp, b.lattice.cells[i]);
        inside += usize::from(nearest < pitch);
        off += usize::from(nearest < pitch && nearest > 0.3 * pitch);
    }
    2 * off > sample.len() && 2 * inside > sample.len()
}
