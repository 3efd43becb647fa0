//! What stands at every site of the seated pattern.

use super::features::{Blob, Polarity};
use super::light::Light;
use super::survey::in_view;
use super::template::{Look, Spot, Template};
use super::warp::Warp;
use crate::answer::{SiteState, SuspectKind};
use crate::median::upper_median;
use crate::view::PointPx;
use rayon::prelude::*;
use std::collections::BTreeMap;

/// What was seen at one site in view.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Finding {
    /// Index into the pattern's sites.
    pub site: usize,
    pub state: SiteState,
    /// Where it lies; `None` when absent or hidden.
    pub centre: Option<PointPx>,
    /// Standard uncertainty on one axis, px.
    pub sigma_px: f64,
    pub diameter_px: f64,
}

/// The seated pattern: where its sites are to be seen, and what one looks like.
pub(crate) struct Seated<'a> {
    pub light: &'a Light,
    pub sites_uv: &'a [[f64; 2]],
    /// From the pattern's lattice coordinates.
    pub warp: &'a Warp,
    pub template: &'a Template,
    pub reference_px: f64,
    pub threshold: f64,
    pub blobs: &'a [Blob],
    /// The usual answer of a site's blob.
    pub strength: f64,
}

/// Smaller or larger than the median by this factor is suspect. 0.7 and 1.4: tuned by hand on small lands of 3 px, whose sizes scatter by 15 %.
const SMALL: f64 = 0.7;
const LARGE: f64 = 1.4;
/// A site's centre off its place by more than this share of the pitch, and by more than five times the usual, is displaced.
const DISPLACED: f64 = 0.15;
/// What answers less than this share of the usual is no small site but a trace or a via near where one is absent.
const FAINT: f64 = 0.5;
/// Something of full contrast that is nearly alike is there, but odd.
const ODD_LIKENESS: f64 = 0.75;
const ODD_GAIN: f64 = 0.5;
/// A look this much like the template needs no second one.
const CONVINCING: f64 = 0.9;
/// It must look more like a site there than at its place by this much, and by more than sites differ from one another.
const CLEARLY_MORE_ALIKE: f64 = 0.15;
/// The level midway between two sites, 0 as the surround and 1 as the sites, beyond which copper or solder joins them.
const BRIDGED: f64 = 0.5;

struct Seen {
    spot: Spot,
    pitch_px: f64,
    look: Look,
    size: f64,
}

/// Judges every site whose outline lies in the picture.
pub(crate) fn judge(seated: &Seated) -> Vec<Finding> {
    let looks: Vec<Option<Seen>> = (0..seated.sites_uv.len()).into_par_iter().map(|i| look_at(seated, i)).collect();
    let there = |s: &&Seen| s.look.likeness >= seated.threshold && s.look.gain >= 0.1;
    let present: Vec<&Seen> = looks.iter().flatten().filter(there).collect();
    let Some(usual_size) = upper_median(present.iter().map(|s| s.size)) else { return Vec::new() };
    let usual_off = upper_median(present.iter().map(|s| s.look.at.distance(s.spot.at) / s.pitch_px)).unwrap_or(0.0);
    let usual_likeness = upper_median(present.iter().map(|s| s.look.likeness)).unwrap_or(1.0);
    // Speckle makes sizes scatter: another size must explain more than sites differ from one another.
    let fits_better = |seen: &Seen| {
        let spot = Spot { at: seen.look.at, ..seen.spot };
        let at_size = |size: f64| seated.template.likeness(seated.light, spot, size);
        at_size(seen.size) - at_size(usual_size) > (0.5 * (1.0 - usual_likeness)).max(0.03)
    };
    let index: BTreeMap<[i64; 2], usize> = seated.sites_uv.iter().enumerate().map(|(i, p)| (p.map(|c| c.round() as i64), i)).collect();
    let mut findings: Vec<Finding> = Vec::new();
    for (site, seen) in looks.iter().enumerate() {
        let Some(seen) = seen else { continue };
        let diameter_px = seated.template.diameter_px * seen.size * seen.spot.scale;
        let normal_px = seated.template.diameter_px * usual_size * seen.spot.scale;
        let mut finding = Finding { site, state: SiteState::Good, centre: Some(seen.look.at), sigma_px: seen.look.sigma_px, diameter_px };
        let other = odd_sized(seated, seen, normal_px);
        let clear = there(&seen);
        if let Some(blob) = other.filter(|b| b.diameter_px > LARGE * normal_px) {
            finding.state = SiteState::Suspect(SuspectKind::Large);
            finding.centre = Some(blob.at);
            finding.diameter_px = blob.diameter_px;
            finding.sigma_px = 0.05 * blob.diameter_px;
        } else if clear && seen.size < SMALL * usual_size && fits_better(seen) {
            finding.state = SiteState::Suspect(SuspectKind::Small);
        } else if clear && seen.size > LARGE * usual_size && fits_better(seen) {
            finding.state = SiteState::Suspect(SuspectKind::Large);
        } else if clear {
            let expected = expected_at(seated, site, seen, &looks, &index);
            let reach = DISPLACED.max(5.0 * usual_off) * seen.pitch_px;
            if seen.look.at.distance(expected) > reach {
                // Speckle or a scratch beside a site in its place is no displaced site.
                let in_place = seated.template.fit(seated.light, Spot { at: expected, ..seen.spot }, 0.25 * reach);
                if in_place.likeness > seen.look.likeness - CLEARLY_MORE_ALIKE.max(1.2 * (1.0 - usual_likeness)) {
                    finding.centre = Some(in_place.at);
                    finding.sigma_px = in_place.sigma_px.max(seen.look.sigma_px);
                } else {
                    finding.state = SiteState::Suspect(SuspectKind::Displaced);
                }
            }
        } else if seen.look.likeness >= ODD_LIKENESS * seated.threshold && seen.look.gain >= ODD_GAIN {
            finding.state = SiteState::Suspect(SuspectKind::Odd);
        } else if let Some(blob) = other.filter(|b| b.diameter_px < SMALL * normal_px) {
            finding.state = SiteState::Suspect(SuspectKind::Small);
            finding.centre = Some(blob.at);
            finding.diameter_px = blob.diameter_px;
            finding.sigma_px = 0.1 * blob.diameter_px;
        } else {
            finding.state = if is_covered(seated, seen, &looks) { SiteState::Hidden } else { SiteState::Absent };
            finding.centre = None;
        }
        findings.push(finding);
    }
    mark_bridges(seated, &looks, &mut findings);
    findings
}

/// Where a site should be by the map and by how its neighbours lie off it: paper bends, and lenses do more than the map knows.
fn expected_at(seated: &Seated, site: usize, seen: &Seen, looks: &[Option<Seen>], index: &BTreeMap<[i64; 2], usize>) -> PointPx {
    let cell = seated.sites_uv[site].map(|c| c.round() as i64);
    let (mut xs, mut ys) = (Vec::new(), Vec::new());
    for (di, dj) in (-2..=2).flat_map(|i| (-2..=2).map(move |j| (i, j))) {
        let near = index.get(&[cell[0] + di, cell[1] + dj]).filter(|i| **i != site).and_then(|i| looks[*i].as_ref());
        if let Some(near) = near.filter(|n| n.look.likeness >= seated.threshold) {
            xs.push(near.look.at.x - near.spot.at.x);
            ys.push(near.look.at.y - near.spot.at.y);
        }
    }
    if xs.len() < 4 {
        return seen.spot.at;
    }
    xs.sort_by(f64::total_cmp);
    ys.sort_by(f64::total_cmp);
    PointPx::new(seen.spot.at.x + xs[xs.len() / 2], seen.spot.at.y + ys[ys.len() / 2])
}

fn look_at(seated: &Seated, site: usize) -> Option<Seen> {
    let [u, v] = seated.sites_uv[site];
    let at = seated.warp.px(u, v);
    let j = seated.warp.px_per_uv(u, v, 0.3);
    let scale = j.determinant().abs().sqrt() / seated.reference_px;
    let pitch_px = j.column(0).norm().min(j.column(1).norm());
    let spot = Spot { at, scale };
    if !(at.x.is_finite() && at.y.is_finite() && in_view(seated.light, at, 0.5 * seated.template.diameter_px * scale)) {
        return None;
    }
    let reach = 0.35 * pitch_px;
    let fitted = seated.template.fit(seated.light, spot, reach);
    // A fit that began on the slope of a displaced site may have stopped there.
    let searched = (fitted.likeness < CONVINCING).then(|| seated.template.search(seated.light, spot, reach));
    let look = searched.filter(|s| s.likeness > fitted.likeness).unwrap_or(fitted);
    Some(Seen { spot, pitch_px, look, size: size(seated, Spot { at: look.at, scale }) })
}

/// The size, in terms of the template's, under which a place looks most like it.
fn size(seated: &Seated, spot: Spot) -> f64 {
    const STEP: f64 = 0.09;
    let at = |k: i32| seated.template.likeness(seated.light, spot, (f64::from(k) * STEP).exp());
    let likeness: Vec<f64> = (-6..=5).map(at).collect();
    let best = (0..likeness.len()).max_by(|a, b| likeness[*a].total_cmp(&likeness[*b])).unwrap_or(6);
    let part = if best > 0 && best + 1 < likeness.len() {
        let (a, b, c) = (likeness[best - 1], likeness[best], likeness[best + 1]);
        if (a + c - 2.0 * b).abs() > 1e-9 { ((a - c) / (2.0 * (a + c - 2.0 * b))).clamp(-0.5, 0.5) } else { 0.0 }
    } else {
        0.0
    };
    ((best as f64 - 6.0 + part) * STEP).exp()
}

/// A strong blob at the site whose size is not the usual.
fn odd_sized<'a>(seated: &'a Seated, seen: &Seen, normal_px: f64) -> Option<&'a Blob> {
    let polarity = if seated.template.is_bright() { Polarity::Bright } else { Polarity::Dark };
    let near = |b: &&Blob| {
        if b.polarity != polarity || (b.at.x - seen.spot.at.x).abs() > 0.3 * seen.pitch_px {
            return false;
        }
        let ratio = b.diameter_px / normal_px;
        let off = b.at.distance(seen.spot.at);
        b.at_its_scale
            && off < 0.3 * seen.pitch_px
            && f64::from(b.strength) > FAINT * seated.strength
            && ((ratio > LARGE && b.diameter_px < 1.6 * seen.pitch_px && off < 0.2 * b.diameter_px) || (ratio < SMALL && ratio > 0.3))
    };
    seated.blobs.iter().find(near)
}

/// Neither as a site nor as the surround of the sites near by: something lies over it.
fn is_covered(seated: &Seated, seen: &Seen, looks: &[Option<Seen>]) -> bool {
    let mut near: Vec<(f64, &Seen)> = looks
        .iter()
        .flatten()
        .filter(|s| s.look.likeness >= seated.threshold && s.look.gain >= 0.3)
        .map(|s| (s.spot.at.distance(seen.spot.at), s))
        .collect();
    near.sort_by(|a, b| a.0.total_cmp(&b.0));
    near.truncate(12);
    let mut surrounds: Vec<f64> = near.iter().map(|(_, s)| s.look.surround).collect();
    let mut heights: Vec<f64> = near.iter().map(|(_, s)| s.look.height.abs()).collect();
    surrounds.sort_by(f64::total_cmp);
    heights.sort_by(f64::total_cmp);
    let (Some(surround), Some(height)) = (surrounds.get(surrounds.len() / 2), heights.get(heights.len() / 2)) else { return false };
    let scatter = surrounds[surrounds.len() * 5 / 6] - surrounds[surrounds.len() / 6];
    (seen.look.mean - surround).abs() > 0.6 * height + scatter && seen.look.spread < 0.25 * height
}

/// Pairs of neighbours between which the picture is as it is on them.
fn mark_bridges(seated: &Seated, looks: &[Option<Seen>], findings: &mut [Finding]) {
    let mut links: Vec<(usize, usize, f64)> = Vec::new();
    for (i, a) in findings.iter().enumerate() {
        for (k, b) in findings.iter().enumerate().skip(i + 1) {
            let (p, q) = (seated.sites_uv[a.site], seated.sites_uv[b.site]);
            if (p[0] - q[0]).abs() > 1.2 {
                continue;
            }
            let apart = ((p[0] - q[0]).abs(), (p[1] - q[1]).abs());
            let neighbours = (apart.0 - 1.0).abs() < 0.1 && apart.1 < 0.1 || (apart.1 - 1.0).abs() < 0.1 && apart.0 < 0.1;
            let (true, Some(pa), Some(pb)) = (neighbours, a.centre, b.centre) else { continue };
            let (Some(sa), Some(sb)) = (&looks[a.site], &looks[b.site]) else { continue };
            let span = |s: &Seen| (s.look.surround, s.look.height);
            let ((s0, h0), (s1, h1)) = (span(sa), span(sb));
            let (surround, height) = ((s0 + s1) / 2.0, (h0 + h1) / 2.0);
            if height.abs() < 1e-6 {
                continue;
            }
            let level = |t: f64| {
                let (x, y) = (pa.x + t * (pb.x - pa.x), pa.y + t * (pb.y - pa.y));
                (f64::from(seated.light.plane.at(x, y)) - surround) / height
            };
            let least = [0.4, 0.45, 0.5, 0.55, 0.6].map(level).into_iter().fold(f64::INFINITY, f64::min);
            links.push((i, k, least));
        }
    }
    let mut levels: Vec<f64> = links.iter().map(|l| l.2).collect();
    levels.sort_by(f64::total_cmp);
    let Some(usual) = levels.get(levels.len() / 2) else { return };
    let limit = BRIDGED.max(usual + 0.4);
    for (i, k, level) in &links {
        if *level > limit {
            for f in [*i, *k] {
                if !matches!(findings[f].state, SiteState::Suspect(SuspectKind::Large)) {
                    findings[f].state = SiteState::Suspect(SuspectKind::Bridge);
                }
            }
        }
    }
}
