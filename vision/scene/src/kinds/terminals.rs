//! Kinds of scenes with other terminals than balls on a square grid: leads, pads, pieces, few of them, other grids.

mod plan;

use super::arrangements::with_unknown_scale;
use super::{Code, Drawn, Expectation, draw_sensor};
use crate::bench_draw::{draw_lights, draw_optics, state_optics};
use crate::look_draw::{Families, draw_board_look, draw_part_look, draw_signed, set_exposure};
use crate::ranges::{Ranges, Span};
use crate::scene::{Clutter, Defect, DefectKind, Optics, Scene, SceneError};
use crate::sight::Sight;
use landfit_part::{Part, Piece, PointMm, Pose, Shape, Side, Site};
use plan::{Plan, draw_plan};
use rand::Rng;
use rand::seq::SliceRandom;
use rand_chacha::ChaCha8Rng;
use std::f64::consts::{FRAC_PI_2, PI};

/// Which terminals a scene shows.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum TerminalKind {
    /// Leads on four sides, 0.5 mm apart.
    Qfp05,
    /// Leads on four sides, 0.4 mm apart.
    Qfp04,
    /// Bottom pads on four sides, 0.5 mm apart, and an exposed pad.
    Qfn05,
    /// Four to eight terminals: two rows of leads or pads, or a few balls.
    Few,
    /// Rows that stand half a pitch off their neighbours.
    Staggered,
    /// A grid of two pitches, or one of which every other place is empty.
    TwoPitches,
    /// Rounded, oval and outlined shapes, several land pieces, round terminals on rectangular lands and the other way round.
    Pieces,
    /// Leads or pads missing, bridged, short, displaced, hidden; a land missing.
    Defects,
    /// Leads or pads a quarter or half turn round, told by the pattern or by a mark.
    Turned,
    /// Leads of another pitch than the part file's.
    WrongPitch,
    /// Leads on two sides only, and one less in each row.
    TooFew,
    /// No part, or a body without leads.
    NoPart,
    /// Rows that run out of the picture at both ends.
    OutOfView,
    /// Three leads or pads: two on one side, one on the other.
    Three,
    /// Leads or pads, zoom unknown within ±30 %, the board's height within ±1 mm.
    UnknownScale,
}

impl TerminalKind {
    /// Every kind.
    pub const ALL: [Self; 15] = [
        Self::Qfp05,
        Self::Qfp04,
        Self::Qfn05,
        Self::Few,
        Self::Staggered,
        Self::TwoPitches,
        Self::Pieces,
        Self::Defects,
        Self::Turned,
        Self::WrongPitch,
        Self::TooFew,
        Self::NoPart,
        Self::OutOfView,
        Self::Three,
        Self::UnknownScale,
    ];

    pub(super) const fn word(self) -> &'static str {
        match self {
            Self::Qfp05 => "qfp-0.5",
            Self::Qfp04 => "qfp-0.4",
            Self::Qfn05 => "qfn-0.5",
            Self::Few => "few-terminals",
            Self::Staggered => "staggered",
            Self::TwoPitches => "two-pitches",
            Self::Pieces => "pieces",
            Self::Defects => "lead-defects",
            Self::Turned => "leads-turned",
            Self::WrongPitch => "leads-wrong-pitch",
            Self::TooFew => "leads-too-few",
            Self::NoPart => "leads-no-part",
            Self::OutOfView => "leads-out-of-view",
            Self::Three => "three-terminals",
            Self::UnknownScale => "leads-pattern-scale",
        }
    }

    pub(super) fn expectation(self) -> Expectation {
        match self {
            Self::Qfp05
            | Self::Qfp04
            | Self::Qfn05
            | Self::Few
            | Self::Three
            | Self::UnknownScale
            | Self::Staggered
            | Self::TwoPitches
            | Self::Pieces
            | Self::Defects => Expectation::Answer,
            Self::Turned => Expectation::Refuse(vec![Code::Turned]),
            Self::WrongPitch => Expectation::Refuse(vec![Code::WrongPattern, Code::NoPart]),
            Self::TooFew => Expectation::Refuse(vec![Code::WrongPattern, Code::AmbiguousShift]),
            Self::NoPart => Expectation::Refuse(vec![Code::NoPart]),
            Self::OutOfView => Expectation::Refuse(vec![Code::OutOfView, Code::AmbiguousShift]),
        }
    }
}

/// A random scene.
pub(super) fn draw(ranges: &Ranges, kind: TerminalKind, rng: &mut ChaCha8Rng) -> Result<Drawn, SceneError> {
    let um_per_px = ranges.camera.um_per_px.draw(rng);
    let mut optics = draw_optics(ranges, um_per_px, rng);
    let stated = state_optics(ranges, &optics, rng);
    if kind == TerminalKind::UnknownScale {
        // The bench file knows nothing of this.
        with_unknown_scale(ranges, &mut optics, rng);
    }
    let mut plan = draw_plan(ranges, kind, rng);
    if kind == TerminalKind::OutOfView {
        plan.outgrow(ranges.camera.size_px, um_per_px);
    }
    let (bench_from_part, bench_from_board) = draw_poses(ranges, kind, plan.pitch_mm(), rng);
    let with_mark = matches!(kind, TerminalKind::Turned) || rng.random_bool(0.3);
    let part = loop {
        let mut part = plan.part(with_mark);
        if kind == TerminalKind::Three {
            // Of two rows of three.
            part.sites = [0, 2, 4].map(|i| part.sites[i].clone()).to_vec();
        }
        // Beyond the ends of a row the place of one lead more must be seen to be empty.
        let spare_mm = if matches!(kind, TerminalKind::TooFew | TerminalKind::WrongPitch) { 1.5 * plan.pitch_mm() } else { 0.0 };
        let fits = kind == TerminalKind::OutOfView
            || (lies_inside(ranges, &optics, Side::Part, &part, &bench_from_part, spare_mm)?
                && lies_inside(ranges, &optics, Side::Board, &part, &bench_from_board, spare_mm)?);
        if fits || !plan.shrink() {
            break part;
        }
    };
    let mut rendered = part.clone();
    match kind {
        TerminalKind::WrongPitch => rendered = plan.at_pitch(other_pitch(plan.pitch_mm(), rng)).part(with_mark),
        TerminalKind::TooFew => take_one_of_each_row(&plan, &mut rendered),
        _ => {}
    }
    let mut scene = dress(ranges, &plan, rendered, &part, (bench_from_part, bench_from_board), optics, rng);
    match kind {
        TerminalKind::Defects => add_defects(ranges, &plan, &mut scene, rng),
        TerminalKind::NoPart => {
            scene.part_look.terminals = None;
            scene.clutter.retain(|c| c.side() == Side::Board);
            scene.part.marks.clear();
            if rng.random_bool(0.7) {
                scene.part_look.body = None;
            }
        }
        _ => {}
    }
    set_exposure(&mut scene, ranges.camera.peak, false);
    let scale_from_pattern = (kind == TerminalKind::UnknownScale).then_some(ranges.arrangements.scale_may_differ);
    Ok(Drawn { scene, stated, part, scale_from_pattern, expectation: kind.expectation() })
}

fn other_pitch(pitch_mm: f64, rng: &mut ChaCha8Rng) -> f64 {
    let others: Vec<f64> = [0.4, 0.5, 0.635, 0.65].into_iter().filter(|p| (p / pitch_mm - 1.0).abs() > 0.02).collect();
    others[rng.random_range(0..others.len())]
}

/// The outermost lead of the two longer rows is not there, at the same end.
fn take_one_of_each_row(plan: &Plan, part: &mut Part) {
    let Plan::Leads { along, .. } = plan else { return };
    let is_x = along[0] >= along[1];
    let end = |s: &Site| if is_x { s.at_mm.x } else { s.at_mm.y };
    let in_rows = |s: &Site| (s.angle_rad.cos().abs() > 0.5) == is_x;
    let last = part.sites.iter().filter(|s| in_rows(s)).map(end).fold(f64::NEG_INFINITY, f64::max);
    part.sites.retain(|s| !(in_rows(s) && end(s) > last - 1e-6));
}

fn draw_poses(ranges: &Ranges, kind: TerminalKind, pitch_mm: f64, rng: &mut ChaCha8Rng) -> (Pose, Pose) {
    let r = &ranges.pose;
    let bench_from_board = Pose::new(0.6 * r.board_mm.draw(rng), 0.6 * r.board_mm.draw(rng), r.board_deg.draw(rng).to_radians());
    let quarters = if kind == TerminalKind::Turned { f64::from(rng.random_range(1..=3)) } else { 0.0 };
    let theta_rad = quarters * FRAC_PI_2 + r.offset_deg.draw(rng).to_radians();
    let by_mm = |rng: &mut ChaCha8Rng| draw_signed(ranges.terminals.offset_pitches, rng) * pitch_mm;
    (bench_from_board.after(&Pose::new(by_mm(rng), by_mm(rng), theta_rad)), bench_from_board)
}

/// Whether every outline of a side, and `spare_mm` beyond, lies inside the picture.
fn lies_inside(ranges: &Ranges, optics: &Optics, side: Side, part: &Part, pose: &Pose, spare_mm: f64) -> Result<bool, SceneError> {
    for index in (0..optics.views.len()).filter(|i| optics.views[*i].shows == side) {
        let sight = Sight::new(optics, index)?;
        let px_per_mm = sight.px_per_mm(PointMm::ZERO);
        let holds = part.sites.iter().all(|site| {
            let reach = |p: &Piece| p.shift_mm.norm() + p.shape.extent_mm()[0].hypot(p.shape.extent_mm()[1]) / 2.0;
            let reach_mm = spare_mm + site.pieces(side).iter().map(reach).fold(0.0, f64::max);
            sight.region_holds(sight.px(pose.apply(site.at_mm)), reach_mm * px_per_mm + ranges.pattern.edge_px)
        });
        if !holds {
            return Ok(false);
        }
    }
    Ok(true)
}

/// Looks, clutter, sizes off the nominal, sensor.
fn dress(
    ranges: &Ranges,
    plan: &Plan,
    mut rendered: Part,
    nominal: &Part,
    (bench_from_part, bench_from_board): (Pose, Pose),
    optics: Optics,
    rng: &mut ChaCha8Rng,
) -> Scene {
    let is_round = rendered.sites.iter().flat_map(|s| &s.terminal).all(|p| matches!(p.shape, Shape::Round { .. }));
    let mut part_look = draw_part_look(ranges, if is_round { Families::All } else { Families::Plain }, rng);
    let mut board_look = draw_board_look(ranges, rng);
    if let Some(ring) = part_look.terminals.as_mut().and_then(|t| t.ring.as_mut()) {
        ring.soft = ring.soft.min(ranges.kinds.sharp_ring);
    }
    if let Some(lands) = &mut board_look.lands {
        // As in good light; boards with openings off their lands are a kind of their own.
        lands.opening_shift_mm = [0.0; 2];
        if let Some(highlight) = &mut lands.highlight {
            highlight.at = [0.0; 2];
        }
        lands.gap_mm = lands.gap_mm.min(0.15 * plan.pitch_mm());
    }
    if let Some(terminals) = &mut part_look.terminals {
        terminals.uneven.amount *= 0.5;
        if let (Plan::Leads { .. }, Some(body)) = (plan, &mut part_look.body) {
            // Feet are tinned metal before a dark moulding.
            let bright = terminals.face.max(body.brightness);
            body.brightness = terminals.face.min(body.brightness);
            terminals.face = bright;
        }
    }
    let mut board = nominal.clone();
    let (wider, longer) = (ranges.terminals.terminal_wider_mm.draw(rng), ranges.terminals.terminal_longer_mm.draw(rng));
    grow(rendered.sites.iter_mut().flat_map(|s| &mut s.terminal), wider, if matches!(plan, Plan::Leads { .. }) { longer } else { wider });
    let etched = ranges.terminals.land_wider_mm.draw(rng);
    grow(board.sites.iter_mut().flat_map(|s| &mut s.land), etched, etched);
    let mut clutter = routes(ranges, plan, &board, rng);
    if let (Plan::Leads { reach_mm, foot_mm, .. }, Some(face)) = (plan, part_look.terminals.as_ref().map(|t| t.face)) {
        clutter.extend(shanks(&rendered, foot_mm, *reach_mm, face * ranges.terminals.shank.draw(rng)));
    }
    let lights = draw_lights(ranges, optics.views.len(), rng);
    let sensor = draw_sensor(ranges, rng);
    Scene {
        part: rendered,
        board,
        bench_from_part,
        bench_from_board,
        optics,
        lights,
        part_look,
        board_look,
        defects: Vec::new(),
        clutter,
        sensor,
        seed: rng.random(),
    }
}

/// Makes shapes wider and longer about their own centres, by the same for all.
fn grow<'a>(pieces: impl Iterator<Item = &'a mut Piece>, wider_mm: f64, longer_mm: f64) {
    for piece in pieces {
        match &mut piece.shape {
            Shape::Round { diameter_mm } => *diameter_mm += wider_mm,
            Shape::Rect { width_mm, length_mm } | Shape::Rounded { width_mm, length_mm, .. } | Shape::Oval { width_mm, length_mm } => {
                *width_mm += wider_mm;
                *length_mm += longer_mm;
            }
            Shape::Outline { corners_mm } => {
                let reach = corners_mm.iter().map(|c| c.norm()).fold(1e-9, f64::max);
                let factor = 1.0 + wider_mm / 2.0 / reach;
                corners_mm.iter_mut().for_each(|c| *c = *c * factor);
            }
        }
    }
}

/// What a lead shows between body and foot: it slopes, so that it sends less light back.
fn shanks(part: &Part, foot_mm: &[f64; 2], reach_mm: f64, brightness: f64) -> Vec<Clutter> {
    let shank = |site: &Site| {
        let towards_body = PointMm::new(0.0, 1.0).rotated(site.angle_rad);
        let (from, to) = (site.at_mm + towards_body * (0.4 * foot_mm[1]), site.at_mm + towards_body * (reach_mm - foot_mm[1] / 2.0));
        Clutter::Shank { points_mm: vec![[from.x, from.y], [to.x, to.y]], width_mm: 0.92 * foot_mm[0], brightness }
    };
    part.sites.iter().map(shank).collect()
}

/// Traces that leave lands outwards, some inwards to vias.
fn routes(ranges: &Ranges, plan: &Plan, part: &Part, rng: &mut ChaCha8Rng) -> Vec<Clutter> {
    let r = &ranges.clutter;
    let mut out = Vec::new();
    let gain = r.trace_gain.draw(rng);
    let share = r.trace_share.draw(rng);
    for site in &part.sites {
        let Some(land) = site.land.first() else { continue };
        if !rng.random_bool(share) || site.id == "EP" {
            continue;
        }
        let narrow_mm = land.shape.narrow_mm();
        let width_mm = r.trace_mm.draw(rng).min(0.7 * narrow_mm);
        let way = match plan {
            Plan::Places { .. } => PointMm::new(0.5 * plan.pitch_mm(), 0.5 * plan.pitch_mm()),
            _ => PointMm::new(0.0, -(land.shape.extent_mm()[1] / 2.0 + rng.random_range(0.4..2.0))).rotated(site.angle_rad),
        };
        let centre = site.centre_mm(Side::Board);
        let to = centre + way;
        out.push(Clutter::Trace { points_mm: vec![[centre.x, centre.y], [to.x, to.y]], width_mm, gain });
    }
    out
}

fn add_defects(ranges: &Ranges, plan: &Plan, scene: &mut Scene, rng: &mut ChaCha8Rng) {
    let r = &ranges.defects;
    let sites: Vec<(String, PointMm)> = scene.part.sites.iter().filter(|s| s.id != "EP").map(|s| (s.id.clone(), s.at_mm)).collect();
    let mut free: Vec<usize> = (0..sites.len()).collect();
    free.shuffle(rng);
    let mut taken: Vec<PointMm> = Vec::new();
    let pitch = plan.pitch_mm();
    let narrow = scene.part.sites[0].terminal[0].shape.narrow_mm();
    let mut defects = Vec::new();
    let mut take = |needs_neighbour: bool| -> Option<(String, Option<String>)> {
        let next = |i: usize| sites.iter().position(|s| (s.1.distance(sites[i].1) - pitch).abs() < 1e-6);
        let at = free
            .iter()
            .position(|&i| taken.iter().all(|t| t.distance(sites[i].1) > 2.6 * pitch) && (!needs_neighbour || next(i).is_some()))?;
        let site = free.swap_remove(at);
        taken.push(sites[site].1);
        Some((sites[site].0.clone(), next(site).map(|n| sites[n].0.clone())))
    };
    let mut add =
        |n: usize, side: Side, needs: bool, make: &dyn Fn(&mut ChaCha8Rng, Option<String>) -> DefectKind, rng: &mut ChaCha8Rng| {
            for _ in 0..n {
                if let Some((site, to)) = take(needs) {
                    defects.push(Defect { side, site, kind: make(rng, to) });
                }
            }
        };
    let count = |span: Span, most: usize, rng: &mut ChaCha8Rng| span.draw_count(rng).min(most);
    let few = (sites.len() / 8).max(1);
    add(
        count(r.bridged, few, rng),
        Side::Part,
        true,
        &|rng, to| DefectKind::Bridged { to: to.unwrap_or_default(), width: r.bridge_width.draw(rng) },
        rng,
    );
    add(count(r.missing, few, rng), Side::Part, false, &|_, _| DefectKind::Missing, rng);
    add(count(r.small, few, rng), Side::Part, false, &|rng, _| DefectKind::Size { ratio: r.small_ratio.draw(rng) }, rng);
    add(
        count(r.displaced, few, rng),
        Side::Part,
        false,
        &|rng, _| {
            let by = PointMm::new(r.displaced_pitches.draw(rng) * pitch, 0.0).rotated(rng.random_range(0.0..2.0 * PI));
            DefectKind::Displaced { by_mm: [by.x, by.y] }
        },
        rng,
    );
    let glare = 0.8 * narrow;
    add(
        count(r.hidden, few, rng),
        Side::Part,
        false,
        &|rng, _| DefectKind::Hidden { brightness: rng.random_range(3.0..6.0), sigma_mm: glare },
        rng,
    );
    add(count(r.land_missing, few, rng), Side::Board, false, &|_, _| DefectKind::Missing, rng);
    let bridge =
        |rng: &mut ChaCha8Rng, to: Option<String>| DefectKind::Bridged { to: to.unwrap_or_default(), width: r.bridge_width.draw(rng) };
    add(count(r.land_bridged, few, rng), Side::Board, true, &bridge, rng);
    scene.defects = defects;
}
