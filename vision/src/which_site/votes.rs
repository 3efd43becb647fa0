//! Which turns and shifts of the pattern come into question: what neighbours and differences vote for.

use super::{Feature, Kind, NEAR_SHARE, Pattern};
use crate::nearby::Nearby;
use landfit_part::{PointMm, Pose, wrap_angle_rad};
use std::f64::consts::TAU;
use std::num::NonZero;

/// Neighbour vectors may differ from the design's length by this share (scale error and coarse centres).
const LENGTH_TOLERANCE: f64 = 0.13;

/// Bin of the vote over shifts, as a share of the pitch.
const SHIFT_BIN_SHARE: f64 = 0.25;

/// Of outlines other than discs, the bin of most votes is looked at by itself where it is further than this from the centre of mass of all about it.
const BESIDE_BINS: f64 = 0.5;

/// At most so many features vote for shifts with all sites; all are counted afterwards.
const MOST_VOTERS: usize = 120;

/// At most so many features vote for turns, each with its neighbours: a thousand votes or more.
const MOST_TURN_VOTERS: usize = 160;

/// Turns that are looked at closely.
const MOST_TURNS: usize = 8;

/// Shifts of each turn that are looked at closely.
const MOST_SHIFTS: usize = 5;

/// Fewer sites than this vote one by one.
const FEW_SITES: usize = 12;

/// Of a pattern with so many times as many sites as there are features only corners are in view.
const SITES_OF_CORNERS: usize = 2;

/// Features that vote, at most so many, spread over all. Where the picture shows corners of the pattern, most features are clutter, and the
/// strongest vote: every one of the many sites turns a clutter's vote into one for some shift.
fn voters<'a>(features: &'a [Feature], pattern: &Pattern, most: usize) -> Vec<&'a Feature> {
    if pattern.centres_mm.len() < SITES_OF_CORNERS * features.len() {
        return features.iter().step_by(features.len().div_ceil(most).max(1)).collect();
    }
    let mut strongest: Vec<&Feature> = features.iter().collect();
    strongest.sort_by(|a, b| b.strength.total_cmp(&a.strength));
    strongest.truncate(most);
    strongest
}

pub(super) fn likely_turns(features: &[Feature], near: &Nearby, pattern: &Pattern) -> Vec<f64> {
    const BINS: usize = 720;
    const NEAREST: NonZero<usize> = NonZero::new(7).unwrap();
    /// Few sites, scattered clutter all about them: the next site is not among the six nearest features.
    const NEAREST_OF_FEW: NonZero<usize> = NonZero::new(48).unwrap();
    let nearest = if pattern.centres_mm.len() <= FEW_SITES { NEAREST_OF_FEW } else { NEAREST };
    let period = TAU / pattern.same.len().max(1) as f64;
    let steps: Vec<(f64, f64)> = pattern.neighbours.iter().map(|n| (n.norm(), n.y.atan2(n.x))).collect();
    let mut votes: Vec<(f64, f64)> = Vec::new();
    for feature in voters(features, pattern, MOST_TURN_VOTERS) {
        for (length, i) in near.several(feature.at_mm, nearest) {
            if length < 1e-9 {
                continue;
            }
            let v = features[i].at_mm - feature.at_mm;
            let angle = v.y.atan2(v.x);
            for (designed, designed_angle) in &steps {
                if (length / designed - 1.0).abs() < LENGTH_TOLERANCE {
                    votes.push(((angle - designed_angle).rem_euclid(period), feature.strength.min(1.0) * features[i].strength.min(1.0)));
                }
            }
        }
    }
    let mut bins = vec![0.0; BINS];
    let bin_of = |angle: f64| ((angle / period * BINS as f64) as usize).min(BINS - 1);
    for (angle, weight) in &votes {
        bins[bin_of(*angle)] += weight;
    }
    // Half the width, in bins, over which one direction's votes spread.
    let half = ((1.5_f64.to_radians() / period * BINS as f64).round() as usize).max(1);
    let smooth: Vec<f64> = (0..BINS).map(|i| (0..=2 * half).map(|d| bins[(i + BINS + d - half) % BINS]).sum()).collect();
    let highest = smooth.iter().copied().fold(0.0, f64::max);
    let mut peaks: Vec<usize> = (0..BINS)
        .filter(|&i| {
            smooth[i] >= 0.3 * highest
                && smooth[i] > 0.0
                && (1..=2 * half).all(|d| smooth[(i + d) % BINS] < smooth[i] && smooth[(i + BINS - d) % BINS] <= smooth[i])
        })
        .collect();
    peaks.sort_by(|a, b| smooth[*b].total_cmp(&smooth[*a]).then(a.cmp(b)));
    peaks.truncate(MOST_TURNS);
    peaks
        .into_iter()
        .map(|peak| {
            let middle = (peak as f64 + 0.5) / BINS as f64 * period;
            let off = |angle: f64| (angle - middle + period / 2.0).rem_euclid(period) - period / 2.0;
            let (mut sum, mut weight) = (0.0, 0.0);
            for (angle, w) in &votes {
                let d = off(*angle);
                if d.abs() < 2.0_f64.to_radians() {
                    sum += w * d;
                    weight += w;
                }
            }
            wrap_angle_rad(middle + if weight > 0.0 { sum / weight } else { 0.0 })
        })
        .collect()
}

/// Shifts of the turned pattern, each with its votes.
pub(super) fn likely_shifts(features: &[Feature], pattern: &Pattern, turn: f64) -> Vec<(f64, PointMm)> {
    let motion = Pose::new(0.0, 0.0, turn).motion();
    let turned: Vec<PointMm> = pattern.centres_mm.iter().map(|c| motion.apply(*c)).collect();
    let kinds: Vec<Kind> = pattern.kinds.iter().map(|k| k.turned(turn)).collect();
    if turned.len() <= FEW_SITES && !pattern.is_of_discs() {
        return shifts_of_few(features, &turned, &kinds, pattern.nearness_mm);
    }
    let bin_mm = SHIFT_BIN_SHARE * pattern.pitch_mm;
    let voters = voters(features, pattern, MOST_VOTERS);
    let bounds = |points: &mut dyn Iterator<Item = PointMm>| {
        points.fold((PointMm::new(f64::INFINITY, f64::INFINITY), PointMm::new(f64::NEG_INFINITY, f64::NEG_INFINITY)), |(lo, hi), p| {
            (PointMm::new(lo.x.min(p.x), lo.y.min(p.y)), PointMm::new(hi.x.max(p.x), hi.y.max(p.y)))
        })
    };
    let (f_lo, f_hi) = bounds(&mut voters.iter().map(|f| f.at_mm));
    let (c_lo, c_hi) = bounds(&mut turned.iter().copied());
    let low = f_lo - c_hi - PointMm::new(2.0 * bin_mm, 2.0 * bin_mm);
    let span = (f_hi - c_lo) - low;
    let (columns, rows) = ((span.x / bin_mm) as usize + 4, (span.y / bin_mm) as usize + 4);
    if columns.saturating_mul(rows) > 4_000_000 {
        return Vec::new();
    }
    let mut votes = vec![0.0_f32; columns * rows];
    for voter in voters {
        let weight = voter.strength.min(1.0) as f32;
        let from = voter.at_mm - low;
        for (c, _) in turned.iter().zip(&kinds).filter(|(_, k)| k.agrees(voter.kind)) {
            let (x, y) = (((from.x - c.x) / bin_mm) as usize, ((from.y - c.y) / bin_mm) as usize);
            votes[y * columns + x] += weight;
        }
    }
    // Over 3 x 3 bins: along the rows, then across them.
    let mut along = vec![0.0_f32; columns * rows];
    for (out, row) in along.chunks_exact_mut(columns).zip(votes.chunks_exact(columns)) {
        for (o, three) in out[1..].iter_mut().zip(row.windows(3)) {
            *o = three[0] + three[1] + three[2];
        }
    }
    let mut sums = vec![0.0_f32; columns * rows];
    for (y, out) in sums.chunks_exact_mut(columns).enumerate().take(rows - 1).skip(1) {
        let [above, here, below] = [y - 1, y, y + 1].map(|r| &along[r * columns..][..columns]);
        for x in 1..columns - 1 {
            out[x] = above[x] + here[x] + below[x];
        }
    }
    let highest = sums.iter().copied().fold(0.0, f32::max);
    let mut peaks: Vec<(f32, usize, usize)> = Vec::new();
    for y in 1..rows - 1 {
        for x in 1..columns - 1 {
            let v = sums[y * columns + x];
            if v < 0.4 * highest || v <= 0.0 {
                continue;
            }
            let highest_here = (y - 1..=y + 1).all(|r| {
                (x - 1..=x + 1).all(|c| {
                    let other = sums[r * columns + c];
                    other < v || (other == v && (r, c) >= (y, x))
                })
            });
            if highest_here {
                peaks.push((v, x, y));
            }
        }
    }
    peaks.sort_by(|a, b| b.0.total_cmp(&a.0).then((a.2, a.1).cmp(&(b.2, b.1))));
    peaks.truncate(MOST_SHIFTS);
    peaks
        .into_iter()
        .flat_map(|(peak, x, y)| {
            // The votes' centre of mass in the 3 x 3 bins places the peak within a bin.
            let (mut sx, mut sy, mut s) = (0.0, 0.0, 0.0);
            let mut strongest = (0.0_f32, x, y);
            for r in y - 1..=y + 1 {
                for c in x - 1..=x + 1 {
                    let vote = votes[r * columns + c];
                    if vote > strongest.0 {
                        strongest = (vote, c, r);
                    }
                    let v = f64::from(vote);
                    sx += v * (c as f64 + 0.5);
                    sy += v * (r as f64 + 0.5);
                    s += v;
                }
            }
            // Where halves of outlines (one piece of a land on the other of the next) vote beside whole ones, it lies between both.
            let (mass, bin) = (PointMm::new(sx / s, sy / s), PointMm::new(strongest.1 as f64 + 0.5, strongest.2 as f64 + 0.5));
            let is_beside = !pattern.is_of_discs() && bin.distance(mass) > BESIDE_BINS;
            [Some(mass), is_beside.then_some(bin)].into_iter().flatten().map(move |at| (f64::from(peak), low + at * bin_mm))
        })
        .collect()
}

/// Every difference between a feature and a site that others agree with, the most agreed first: bins would mix a lead's foot with
/// the slope behind it.
fn shifts_of_few(features: &[Feature], turned: &[PointMm], kinds: &[Kind], nearness_mm: f64) -> Vec<(f64, PointMm)> {
    let strongest = &features[..features.len().min(MOST_VOTERS)];
    let differences: Vec<(PointMm, f64)> = strongest
        .iter()
        .flat_map(|f| turned.iter().zip(kinds).filter(|(_, k)| k.agrees(f.kind)).map(|(c, _)| (f.at_mm - *c, f.strength.min(1.0))))
        .collect();
    let near_mm = 0.5 * NEAR_SHARE * nearness_mm;
    let mut agreed: Vec<(f64, usize)> = (0..differences.len())
        .map(|i| (differences.iter().filter(|d| d.0.distance(differences[i].0) < near_mm).map(|d| d.1).sum(), i))
        .collect();
    agreed.sort_by(|a, b| b.0.total_cmp(&a.0).then(a.1.cmp(&b.1)));
    let mut shifts: Vec<(f64, PointMm)> = Vec::new();
    for (votes, i) in agreed {
        if shifts.len() < 2 * MOST_SHIFTS && shifts.iter().all(|s| s.1.distance(differences[i].0) > near_mm) {
            shifts.push((votes, differences[i].0));
        }
    }
    shifts
}
