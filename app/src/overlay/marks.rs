//! The marks over one exposure: outlines, crosses, miss lines, what stands in the way, and A1.

use super::canvas::{Area, Ends, Ink, Pen, Surface, Xy};
use super::ink;
use super::labels::Label;
use super::misses::{Miss, Misses, by_site};
use super::outline::{Drawn, Window};
use super::shots::Zoom;
use crate::commands::align::Answer;
use crate::words;
use crate::words::sentences;
use landfit_calibration::bench::Bench;
use landfit_part::{Part, PointMm, Side};
use landfit_vision::answer::{Orientation, SiteFinding, SiteState, SuspectKind};
use landfit_vision::view::Sight;

/// What the marks are drawn from.
pub struct Marked<'a> {
    pub answer: &'a Answer,
    pub part: &'a Part,
    pub bench: &'a Bench,
    pub misses: &'a Misses<'a>,
    pub magnification: u32,
    pub zoom: Zoom,
    /// Width of a thin line on a picture with room, px.
    pub line_px: f32,
}

/// One view of the exposure, ready to look through.
struct Seen {
    index: usize,
    side: Side,
    sight: Sight,
}

/// Draws all marks of one exposure and returns the labels that want a place there, and the sites
/// that labels should leave to be seen.
pub fn draw(canvas: &mut impl Surface, exposure: usize, marked: &Marked) -> (Vec<Label>, Vec<Area>) {
    let views = &marked.bench.optics.views;
    let seen: Vec<Seen> = views
        .iter()
        .enumerate()
        .filter(|(_, v)| v.exposure == exposure)
        .filter_map(|(index, v)| Some(Seen { index, side: v.shows, sight: Sight::new(v, marked.bench.optics.lens)? }))
        .collect();
    for view in &seen {
        region_frame(canvas, view, marked);
    }
    let loudness = loudness_by_site(marked.misses, marked.part.sites.len());
    for side in [Side::Board, Side::Part] {
        for view in seen.iter().filter(|v| v.side == side) {
            for finding in findings(marked, view) {
                sound_site(canvas, view, finding, loudness.get(finding.site).copied().unwrap_or(0.0), marked);
            }
        }
    }
    let n = marked.part.sites.len();
    let (terminals, lands) = (by_site(&marked.answer.alignment.terminals.sites, n), by_site(&marked.answer.alignment.lands.sites, n));
    for ((miss, terminal), land) in marked.misses.best_known().iter().zip(terminals).zip(lands) {
        miss_line(canvas, &seen, miss, [terminal, land], marked);
    }
    let mut labels = in_the_way(canvas, &seen, marked);
    labels.extend(first_corner(canvas, &seen, marked));
    labels.extend(loud_sites(&seen, marked));
    (labels, site_areas(&seen, marked))
}

/// Where sites are drawn.
fn site_areas(seen: &[Seen], marked: &Marked) -> Vec<Area> {
    let of_view = |view| findings(marked, view).filter_map(|f| drawn(view, f, 1.0, marked));
    let corners =
        |site: Drawn| site.outlines.into_iter().flatten().fold(Area::new(site.centre.x, site.centre.y, 0.0, 0.0), |a, p| a.reaching(p));
    seen.iter().flat_map(of_view).map(corners).collect()
}

fn loudness_by_site(misses: &Misses, n_sites: usize) -> Vec<f32> {
    let mut loudness = vec![0.0; n_sites];
    for miss in misses.best_known() {
        if let Some(slot) = loudness.get_mut(miss.site) {
            *slot = misses.loudness(&miss);
        }
    }
    loudness
}

/// The findings that were made through one view.
fn findings<'a>(marked: &'a Marked, view: &Seen) -> impl Iterator<Item = &'a SiteFinding> {
    let index = view.index;
    marked.answer.alignment.side(view.side).sites.iter().filter(move |f| f.view == index)
}

fn drawn(view: &Seen, finding: &SiteFinding, size: f64, marked: &Marked) -> Option<Drawn> {
    let site = marked.part.sites.get(finding.site)?;
    let pose = match view.side {
        Side::Part => &marked.misses.fit.bench_from_part,
        Side::Board => &marked.misses.fit.bench_from_board,
    };
    Some(Window { sight: &view.sight, zoom: marked.zoom }.drawn(site, view.side, pose, finding.centre_px, size))
}

fn region_frame(canvas: &mut impl Surface, view: &Seen, marked: &Marked) {
    let Some(region) = marked.bench.optics.views.get(view.index).and_then(|v| v.region_px) else { return };
    let z = marked.zoom.0;
    let area = Area::new(region.x as f32 * z, region.y as f32 * z, region.width as f32 * z, region.height as f32 * z);
    canvas.polyline(&area.grown(-0.5).corners(), Ends::Closed, Pen::new(ink::FAINT, marked.line_px));
}

/// A site's own lines, whatever stands there, unless nothing does: thin and dim while its miss is small.
fn sound_site(canvas: &mut impl Surface, view: &Seen, finding: &SiteFinding, loud: f32, marked: &Marked) {
    if !matches!(finding.state, SiteState::Good) {
        return;
    }
    let Some(site) = drawn(view, finding, 1.0, marked) else { return };
    // Small sites are drawn thinner, so that their insides stay to be seen.
    let thin = marked.line_px * (site.narrow_px / (9.0 * marked.line_px)).clamp(0.55, 1.0);
    let grown = |from: f32, to: f32| from + (to - from) * loud;
    match view.side {
        Side::Part => {
            let pen = Pen::new(ink::TERMINAL.covering(grown(0.62, 1.0)), thin * grown(1.0, 2.0));
            outlines(canvas, &site, pen);
        }
        Side::Board => {
            outlines(canvas, &site, Pen::new(ink::LAND.covering(grown(0.40, 0.85)), thin * grown(0.8, 1.2)));
            let arm = (0.42 * site.narrow_px).max(2.0 * thin);
            cross(canvas, site.centre, arm, Pen::new(ink::LAND.covering(grown(0.75, 1.0)), thin * grown(1.0, 1.7)));
        }
    }
}

fn outlines(canvas: &mut impl Surface, site: &Drawn, pen: Pen) {
    for outline in &site.outlines {
        canvas.polyline(outline, Ends::Closed, pen);
    }
}

pub fn cross(canvas: &mut impl Surface, at: Xy, arm_px: f32, pen: Pen) {
    canvas.line(at.by(-arm_px, 0.0), at.by(arm_px, 0.0), pen);
    canvas.line(at.by(0.0, -arm_px), at.by(0.0, arm_px), pen);
}

/// A miss line: a blade that is broad at the land and pointed where the terminal would be, were all misses that much larger.
pub fn blade(canvas: &mut impl Surface, root: Xy, tip: Xy, width_px: f32, blade_ink: Ink) {
    let length = root.distance(tip);
    if length < 0.5 {
        return;
    }
    let (nx, ny) = (-(tip.y - root.y) / length, (tip.x - root.x) / length);
    let half = width_px / 2.0;
    let shade = half + 0.9;
    let corners = |h: f32, past: f32| {
        let end = root.towards(tip, 1.0 + past / length);
        [root.by(nx * h, ny * h), end.by(nx * 0.25, ny * 0.25), end.by(-nx * 0.25, -ny * 0.25), root.by(-nx * h, -ny * h)]
    };
    canvas.fill(&corners(shade, 1.5), ink::SHADE.covering(0.45 * blade_ink.cover));
    canvas.fill(&corners(half, 0.0), blade_ink);
}

fn miss_line(canvas: &mut impl Surface, seen: &[Seen], miss: &Miss, [terminal, land]: [Option<&SiteFinding>; 2], marked: &Marked) {
    let nothing_there = |f: Option<&SiteFinding>| f.is_some_and(|f| matches!(f.state, SiteState::Absent | SiteState::Hidden));
    if nothing_there(terminal) || nothing_there(land) {
        return;
    }
    let through = |f: Option<&SiteFinding>| seen.iter().find(|v| f.is_some_and(|f| f.view == v.index));
    let (of_land, of_terminal) = (through(land), through(terminal));
    let (Some(view), Some(site)) = (of_land.or(of_terminal), marked.part.sites.get(miss.site)) else { return };
    let board = &marked.misses.fit.bench_from_board;
    let root_mm = land.and_then(|l| l.centre_mm).unwrap_or_else(|| board.apply(site.centre_mm(Side::Board)));
    let window = Window { sight: &view.sight, zoom: marked.zoom };
    let along_mm: PointMm = miss.board_mm.rotated(board.theta_rad) * f64::from(marked.magnification);
    let (root, tip) = (window.place(root_mm), window.place(root_mm + along_mm));
    let loud = marked.misses.loudness(miss);
    if of_land.is_none() {
        // This exposure does not show the land: a small cross says where it lies.
        cross(canvas, root, 2.5 * marked.line_px, Pen::new(ink::LAND.covering(0.6), 0.8 * marked.line_px));
    }
    let pitch_px = marked.part.pitch_mm(Side::Board).unwrap_or(1.0) as f32 * window.px_per_mm(root_mm);
    let broad = (marked.line_px * (1.9 + 1.9 * loud)).min(0.12 * pitch_px).max(1.0);
    blade(canvas, root, tip, broad, ink::MISS.covering(0.62 + 0.38 * loud));
}

/// Draws the sites at which something stands in the way, or looks odd, and returns their labels.
fn in_the_way(canvas: &mut impl Surface, seen: &[Seen], marked: &Marked) -> Vec<Label> {
    let mut labels = Vec::new();
    for view in seen {
        let mut bridged: Vec<(&SiteFinding, Drawn)> = Vec::new();
        for finding in findings(marked, view) {
            let size = if finding.size_ratio.is_finite() { finding.size_ratio.clamp(0.3, 2.5) } else { 1.0 };
            let (Some(designed), Some(measured)) = (drawn(view, finding, 1.0, marked), drawn(view, finding, size, marked)) else {
                continue;
            };
            let bold = Pen::new(ink::IN_THE_WAY, 2.0 * marked.line_px);
            let dashed = Pen::new(ink::IN_THE_WAY, 1.6 * marked.line_px).dashed(4.0 * marked.line_px, 3.0 * marked.line_px);
            if finding.state != SiteState::Good {
                // A dark edge keeps the mark in sight on glare, and in grey.
                outlines(canvas, &designed, Pen::new(ink::SHADE.covering(0.6), 4.5 * marked.line_px));
            }
            let word = match finding.state {
                SiteState::Good => continue,
                SiteState::Absent => {
                    outlines(canvas, &designed, dashed);
                    let arm = 0.72 * designed.narrow_px;
                    canvas.line(designed.centre.by(-arm, arm), designed.centre.by(arm, -arm), bold);
                    words::ABSENT
                }
                SiteState::Hidden => {
                    outlines(canvas, &designed, dashed);
                    hatch(canvas, &designed, Pen::new(ink::SHADE.covering(0.6), 3.0 * marked.line_px));
                    hatch(canvas, &designed, Pen::new(ink::IN_THE_WAY, 1.2 * marked.line_px));
                    words::SITE_HIDDEN
                }
                SiteState::Suspect(SuspectKind::Bridge) => {
                    outlines(canvas, &measured, bold);
                    bridged.push((finding, measured));
                    continue;
                }
                SiteState::Suspect(kind) => {
                    outlines(canvas, &measured, bold);
                    match kind {
                        SuspectKind::Small | SuspectKind::Large => outlines(canvas, &designed, dashed),
                        SuspectKind::Displaced => displaced(canvas, view, finding, marked, dashed),
                        SuspectKind::Odd | SuspectKind::Bridge => brackets(canvas, &measured, bold),
                    }
                    kind.word()
                }
            };
            labels.push(Label::site(&designed, format!("{} {word}", name(view.side, finding.site, marked.part))));
        }
        labels.extend(bridges(canvas, view.side, &bridged, marked));
    }
    labels
}

/// "ball C4", "land C4".
fn name(side: Side, site: usize, part: &Part) -> String {
    format!("{} {}", sentences::thing_word(part, side), sentences::site_name(part, site))
}

fn hatch(canvas: &mut impl Surface, site: &Drawn, pen: Pen) {
    let r = 0.62 * site.narrow_px;
    for k in [-0.5, 0.0, 0.5] {
        let (dx, dy) = (r * k, r * k);
        let half = r * (1.0_f32 - k * k).sqrt() * 0.72;
        canvas.line(site.centre.by(dx - half, dy + half), site.centre.by(dx + half, dy - half), pen);
    }
}

/// Four corners of a square about a site that does not look like its neighbours.
fn brackets(canvas: &mut impl Surface, site: &Drawn, pen: Pen) {
    let (r, leg) = (site.reach_px * 1.25, site.reach_px * 0.5);
    for (sx, sy) in [(-1.0, -1.0), (1.0, -1.0), (1.0, 1.0), (-1.0, 1.0)] {
        let corner = site.centre.by(sx * r, sy * r);
        canvas.polyline(&[corner.by(-sx * leg, 0.0), corner, corner.by(0.0, -sy * leg)], Ends::Open, pen);
    }
}

/// The place in the lattice that a displaced feature has left, and the way it went.
fn displaced(canvas: &mut impl Surface, view: &Seen, finding: &SiteFinding, marked: &Marked, dashed: Pen) {
    let at_lattice = SiteFinding { centre_px: None, ..finding.clone() };
    let (Some(lattice), Some(now)) = (drawn(view, &at_lattice, 1.0, marked), drawn(view, finding, 1.0, marked)) else { return };
    outlines(canvas, &lattice, dashed);
    canvas.line(lattice.centre, now.centre, Pen::new(ink::IN_THE_WAY, 1.6 * marked.line_px));
    canvas.disc(lattice.centre, 1.8 * marked.line_px, ink::IN_THE_WAY);
}

/// Ties bridged neighbours together with a double bar; one label for each group.
fn bridges(canvas: &mut impl Surface, side: Side, bridged: &[(&SiteFinding, Drawn)], marked: &Marked) -> Vec<Label> {
    let reach_mm = 1.5 * marked.part.pitch_mm(side).unwrap_or(0.0);
    let place = |f: &SiteFinding| marked.part.sites.get(f.site).map(|s| s.centre_mm(side)).unwrap_or_default();
    let mut group: Vec<usize> = (0..bridged.len()).collect();
    for a in 0..bridged.len() {
        for b in a + 1..bridged.len() {
            if place(bridged[a].0).distance(place(bridged[b].0)) > reach_mm {
                continue;
            }
            bar(canvas, &bridged[a].1, &bridged[b].1, marked.line_px);
            let (from, to) = (group[b], group[a]);
            group.iter_mut().filter(|g| **g == from).for_each(|g| *g = to);
        }
    }
    let mut labels = Vec::new();
    for g in 0..bridged.len() {
        let members: Vec<&(&SiteFinding, Drawn)> = bridged.iter().zip(&group).filter(|(_, of)| **of == g).map(|(m, _)| m).collect();
        let Some((first, at)) = members.first() else { continue };
        let others: Vec<&str> = members.iter().skip(1).map(|(f, _)| sentences::site_name(marked.part, f.site)).collect();
        let text = words::bridge(sentences::thing_word(marked.part, side), sentences::site_name(marked.part, first.site), &others);
        labels.push(Label::site(at, text));
    }
    labels
}

fn bar(canvas: &mut impl Surface, a: &Drawn, b: &Drawn, line_px: f32) {
    let length = a.centre.distance(b.centre).max(1.0);
    let (ux, uy) = ((b.centre.x - a.centre.x) / length, (b.centre.y - a.centre.y) / length);
    let side = 0.32 * a.narrow_px.min(b.narrow_px);
    let (from, to) =
        (a.centre.by(ux * 0.94 * a.narrow_px, uy * 0.94 * a.narrow_px), b.centre.by(-ux * 0.94 * b.narrow_px, -uy * 0.94 * b.narrow_px));
    for s in [-side, side] {
        canvas.line(from.by(-uy * s, ux * s), to.by(-uy * s, ux * s), Pen::new(ink::IN_THE_WAY, 2.0 * line_px));
    }
}

/// Marks the corner of the pattern at which counting begins: a small angle outside it, and its name.
fn first_corner(canvas: &mut impl Surface, seen: &[Seen], marked: &Marked) -> Option<Label> {
    let view = seen.iter().find(|v| v.side == Side::Part).or_else(|| seen.first())?;
    let pose = match view.side {
        Side::Part => &marked.misses.fit.bench_from_part,
        Side::Board => &marked.misses.fit.bench_from_board,
    };
    let (text, at_mm) = first_site(marked.part, view.side)?;
    let middle = marked.part.sites.iter().fold(PointMm::ZERO, |s, site| s + site.at_mm * (1.0 / marked.part.sites.len() as f64));
    let out = |v: f64| if v < 0.0 { -1.0 } else { 1.0 };
    let (sx, sy) = (out(at_mm.x - middle.x), out(at_mm.y - middle.y));
    let step_mm = marked.part.pitch_mm(view.side).unwrap_or(0.5);
    let window = Window { sight: &view.sight, zoom: marked.zoom };
    let at = |dx: f64, dy: f64| window.place(pose.apply(at_mm + PointMm::new(sx * dx, sy * dy) * step_mm));
    let angle = [at(-0.15, 0.8), at(0.8, 0.8), at(0.8, -0.15)];
    canvas.polyline(&angle, Ends::Open, Pen::new(ink::SHADE.covering(0.7), 4.5 * marked.line_px));
    canvas.polyline(&angle, Ends::Open, Pen::new(ink::PAPER, 2.2 * marked.line_px));
    let text = if marked.answer.alignment.orientation == Orientation::Open { words::look_at(&text) } else { text };
    let bracket = angle.iter().fold(Area::new(angle[1].x, angle[1].y, 0.0, 0.0), |area, p| area.reaching(*p)).grown(3.0 * marked.line_px);
    Some(Label::beyond(angle[1], angle[1].distance(at(0.3, 0.3)), bracket, text))
}

/// The name of the site at which counting begins and its place; where a grid has no ball there, the corner itself.
pub fn first_site(part: &Part, side: Side) -> Option<(String, PointMm)> {
    if let Some(site) = ["A1", "1"].iter().find_map(|id| part.site_index(id)) {
        let site = part.sites.get(site)?;
        return Some((site.id.clone(), site.centre_mm(side)));
    }
    let lettered = part.sites.iter().any(|s| s.id.starts_with(|c: char| c.is_ascii_alphabetic()));
    let left = part.sites.iter().map(|s| s.at_mm.x).fold(f64::INFINITY, f64::min);
    let far = part.sites.iter().map(|s| s.at_mm.y).fold(f64::NEG_INFINITY, f64::max);
    (lettered && left.is_finite() && far.is_finite()).then(|| ("A1".to_owned(), PointMm::new(left, far)))
}

/// Sites named beside the worst for their miss.
const MOST_NAMED: usize = 9;

/// Labels for the worst site and for others whose miss has reached the allowance.
fn loud_sites(seen: &[Seen], marked: &Marked) -> Vec<Label> {
    let side_of = |view: &&Seen| seen.iter().all(|v| v.side != Side::Part) || view.side == Side::Part;
    let n = marked.part.sites.len();
    let worst = marked.answer.fit.as_ref().map(|(judgement, _)| judgement.site);
    let mut loud: Vec<Miss> = marked.misses.best_known().into_iter().filter(|m| marked.misses.loudness(m) >= 1.0).collect();
    loud.sort_by(|a, b| b.board_mm.norm().total_cmp(&a.board_mm.norm()).then(a.site.cmp(&b.site)));
    if let Some(fitted) = worst.and_then(|w| marked.misses.fitted.get(w)) {
        loud.retain(|m| m.site != fitted.site);
        loud.insert(0, *fitted);
    }
    // Where many are off together, their miss lines tell it: only the worst is named.
    if loud.len() > MOST_NAMED {
        loud.truncate(1);
    }
    let mut labels = Vec::new();
    for view in seen.iter().filter(side_of) {
        let found = by_site(&marked.answer.alignment.side(view.side).sites, n);
        for miss in &loud {
            let Some(Some(finding)) = found.get(miss.site) else { continue };
            let is_worst = worst == Some(miss.site);
            if finding.view != view.index || (!is_worst && finding.state != SiteState::Good) {
                continue;
            }
            let Some(at) = drawn(view, finding, 1.0, marked) else { continue };
            let text = format!("{} {}", name(Side::Part, miss.site, marked.part), sentences::short_length_text(miss.board_mm.norm()));
            labels.push(if is_worst { Label::worst(&at, words::worst_site(&text)) } else { Label::loud(&at, text) });
        }
    }
    labels
}
