//! The drawing values of a part of leads, pads or places, and the part that they make.

use super::TerminalKind;
use crate::ranges::{LeadSizes, Ranges};
use landfit_part::{Mark, Part, Piece, PointMm, Shape, Side, Site};
use rand::Rng;
use rand_chacha::ChaCha8Rng;
use std::f64::consts::{FRAC_PI_2, PI};

/// The drawing values of a part.
#[derive(Debug, Clone)]
pub(super) enum Plan {
    /// Leads on two or four sides: feet reach from the body's edge outwards.
    Leads { along: [usize; 2], pitch_mm: f64, foot_mm: [f64; 2], land_mm: [f64; 2], body_mm: [f64; 2], reach_mm: f64 },
    /// Bottom pads on two or four sides; an exposed pad of a size.
    Pads {
        along: [usize; 2],
        pitch_mm: f64,
        pad_mm: [f64; 2],
        toe_mm: f64,
        body_mm: [f64; 2],
        exposed_mm: Option<[f64; 2]>,
        cut_first: bool,
    },
    /// Sites of one look at places of a lattice.
    Places { at_mm: Vec<PointMm>, pitch_mm: f64, terminal: Vec<Piece>, land: Vec<Piece> },
}

pub(super) fn draw_plan(ranges: &Ranges, kind: TerminalKind, rng: &mut ChaCha8Rng) -> Plan {
    let r = &ranges.terminals;
    match kind {
        TerminalKind::Qfp05 | TerminalKind::Defects if kind == TerminalKind::Qfp05 || rng.random_bool(0.5) => leads(r.at(0.5), ranges, rng),
        TerminalKind::Qfp04 => leads(r.at(0.4), ranges, rng),
        TerminalKind::Qfn05 | TerminalKind::Defects => pads(ranges, rng),
        TerminalKind::WrongPitch | TerminalKind::NoPart | TerminalKind::OutOfView => leads(r.at(0.5), ranges, rng),
        TerminalKind::TooFew => {
            let mut plan = leads(r.at(0.5), ranges, rng);
            if let Plan::Leads { along, body_mm, .. } = &mut plan {
                along[1] = 0;
                body_mm[1] = rng.random_range(3.0..5.0);
            }
            plan
        }
        TerminalKind::Turned => {
            // Half of them are told by their pattern, half by the mark alone.
            match leads(r.at(0.5), ranges, rng) {
                Plan::Leads { along, pitch_mm, foot_mm, land_mm, body_mm, reach_mm } => {
                    let along = if rng.random_bool(0.5) { [along[0], along[0]] } else { [along[0], along[0] + 4] };
                    Plan::Leads { along, pitch_mm, foot_mm, land_mm, body_mm, reach_mm }.with_body_round()
                }
                other => other,
            }
        }
        TerminalKind::Few => few(ranges, rng),
        TerminalKind::Three => three(rng),
        TerminalKind::UnknownScale if rng.random_bool(0.5) => leads(r.at(0.5), ranges, rng),
        TerminalKind::UnknownScale => pads(ranges, rng),
        TerminalKind::Staggered => {
            let (rows, columns) = (rng.random_range(5..=11), rng.random_range(5..=11));
            let pitch_mm: f64 = [0.8, 1.0, 1.27][rng.random_range(0..3)];
            let row_mm = if rng.random_bool(0.5) { pitch_mm * 0.75_f64.sqrt() } else { 0.5 * pitch_mm };
            let shrunk = if row_mm < 0.6 * pitch_mm { 0.6 } else { 0.9 };
            let at_mm = places(rows, columns, |row, column| {
                let off = if row % 2 == 1 { 0.5 } else { 0.0 };
                Some([(column as f64 + off) * pitch_mm, row as f64 * row_mm])
            });
            let (terminal, land) = site_shapes(shrunk * pitch_mm, rng);
            Plan::Places { at_mm, pitch_mm: pitch_mm.min(row_mm.hypot(0.5 * pitch_mm)), terminal, land }
        }
        TerminalKind::TwoPitches => {
            let (rows, columns) = (rng.random_range(6..=11), rng.random_range(6..=11));
            let pitch_mm = [0.5, 0.65, 0.8][rng.random_range(0..3)];
            let is_checkerboard = rng.random_bool(0.5);
            let across_mm = if is_checkerboard { pitch_mm } else { pitch_mm * rng.random_range(1.2..1.7) };
            let at_mm = places(rows, columns, |row, column| {
                let is_empty = is_checkerboard && (row + column) % 2 == 1;
                (!is_empty).then_some([column as f64 * pitch_mm, row as f64 * across_mm])
            });
            let nearest_mm = if is_checkerboard { pitch_mm * 2.0_f64.sqrt() } else { pitch_mm };
            let (terminal, land) = site_shapes(nearest_mm, rng);
            Plan::Places { at_mm, pitch_mm: nearest_mm, terminal, land }
        }
        TerminalKind::Pieces | TerminalKind::Qfp05 => {
            let (rows, columns) = (rng.random_range(4..=8), rng.random_range(4..=8));
            let pitch_mm: f64 = [0.8, 1.0, 1.27][rng.random_range(0..3)];
            let at_mm = places(rows, columns, |row, column| Some([column as f64 * pitch_mm, row as f64 * pitch_mm]));
            let piece = |shape: Shape| vec![Piece { shape, shift_mm: PointMm::ZERO }];
            let (w, l) = (0.42 * pitch_mm, 0.6 * pitch_mm);
            let rounded = Shape::Rounded { width_mm: w, length_mm: l, radius_mm: 0.25 * w };
            let oval = Shape::Oval { width_mm: w, length_mm: l };
            let notched = {
                let (x, y, c) = (w / 2.0, l / 2.0, 0.35 * w);
                let corners = [(-x, -y), (x, -y), (x, y), (-x + c, y), (-x, y - c)];
                Shape::Outline { corners_mm: corners.map(|(x, y)| PointMm::new(x, y)).to_vec() }
            };
            let halves = {
                let half = Shape::Rect { width_mm: 0.24 * pitch_mm, length_mm: l };
                [-1.0, 1.0].map(|s| Piece { shape: half.clone(), shift_mm: PointMm::new(s * 0.2 * pitch_mm, 0.0) }).to_vec()
            };
            let (terminal, land) = match rng.random_range(0..6) {
                0 => (piece(rounded.clone()), piece(oval)),
                1 => (piece(oval), piece(rounded)),
                2 => (vec![Piece::round(0.5 * pitch_mm)], vec![Piece::rect(w, l)]),
                3 => (vec![Piece::rect(w, l)], vec![Piece::round(0.55 * pitch_mm)]),
                4 => (vec![Piece::rect(0.5 * pitch_mm, l)], halves),
                _ => (piece(notched.clone()), piece(notched)),
            };
            Plan::Places { at_mm, pitch_mm, terminal, land }
        }
    }
}

fn places(rows: usize, columns: usize, at: impl Fn(usize, usize) -> Option<[f64; 2]>) -> Vec<PointMm> {
    let at_mm: Vec<PointMm> =
        (0..rows).flat_map(|r| (0..columns).map(move |c| (r, c))).filter_map(|(r, c)| at(r, c)).map(|[x, y]| PointMm::new(x, -y)).collect();
    centred(at_mm)
}

fn centred(at_mm: Vec<PointMm>) -> Vec<PointMm> {
    let (low, high) = bounds(&at_mm);
    let middle = (low + high) * 0.5;
    at_mm.into_iter().map(|p| p - middle).collect()
}

fn bounds(points: &[PointMm]) -> (PointMm, PointMm) {
    points.iter().fold((PointMm::new(f64::INFINITY, f64::INFINITY), PointMm::new(f64::NEG_INFINITY, f64::NEG_INFINITY)), |(lo, hi), p| {
        (PointMm::new(lo.x.min(p.x), lo.y.min(p.y)), PointMm::new(hi.x.max(p.x), hi.y.max(p.y)))
    })
}

/// Balls on round lands, or square pads, for sites that stand `pitch_mm` apart.
fn site_shapes(pitch_mm: f64, rng: &mut ChaCha8Rng) -> (Vec<Piece>, Vec<Piece>) {
    if rng.random_bool(0.6) {
        return (vec![Piece::round(0.55 * pitch_mm)], vec![Piece::round(0.45 * pitch_mm)]);
    }
    let (w, l) = (0.45 * pitch_mm, rng.random_range(0.45..0.6) * pitch_mm);
    (vec![Piece::rect(w, l)], vec![Piece::rect(w + 0.02, l + 0.02)])
}

fn leads(sizes: &LeadSizes, ranges: &Ranges, rng: &mut ChaCha8Rng) -> Plan {
    let r = &ranges.terminals;
    let first = r.leads_along.draw_count(rng);
    let along = [first, if rng.random_bool(0.6) { first } else { r.leads_along.draw_count(rng) }];
    let round = |v: f64| (v * 100.0).round() / 100.0;
    let length_mm = round(r.foot_length_mm.draw(rng));
    let foot_mm = [round(sizes.foot_mm.draw(rng)), length_mm];
    let land_mm = [round(sizes.land_mm.draw(rng)), round(length_mm + r.land_longer_mm.draw(rng))];
    let plan = Plan::Leads { along, pitch_mm: sizes.pitch_mm, foot_mm, land_mm, body_mm: [0.0; 2], reach_mm: r.lead_reach_mm.draw(rng) };
    plan.with_body_round()
}

fn pads(ranges: &Ranges, rng: &mut ChaCha8Rng) -> Plan {
    let r = &ranges.terminals;
    let first = r.pads_along.draw_count(rng);
    let along = [first, if rng.random_bool(0.6) { first } else { r.pads_along.draw_count(rng) }];
    let round = |v: f64| (v * 100.0).round() / 100.0;
    let pad_mm = [round(r.pad_width_mm.draw(rng)), round(r.pad_length_mm.draw(rng))];
    Plan::Pads {
        along,
        pitch_mm: 0.5,
        pad_mm,
        toe_mm: round(r.pad_toe_mm.draw(rng)),
        body_mm: [0.0; 2],
        exposed_mm: Some([0.0; 2]),
        cut_first: rng.random_bool(0.3),
    }
    .with_body_round()
}

fn few(ranges: &Ranges, rng: &mut ChaCha8Rng) -> Plan {
    let n = rng.random_range(2..=4);
    match rng.random_range(0..3) {
        0 => {
            let pitch_mm = [0.65, 0.95, 1.27][rng.random_range(0..3)];
            let foot_mm = [0.4 * pitch_mm, rng.random_range(0.35..0.6)];
            let land_mm = [0.55 * pitch_mm, foot_mm[1] + rng.random_range(0.4..0.6)];
            let body_mm = [n as f64 * pitch_mm, rng.random_range(1.3..1.8)];
            Plan::Leads { along: [n, 0], pitch_mm, foot_mm, land_mm, body_mm, reach_mm: rng.random_range(0.5..0.8) }
        }
        1 => {
            let pitch_mm = [0.5, 0.65][rng.random_range(0..2)];
            let pad_mm = [0.5 * pitch_mm, rng.random_range(0.3..0.5)];
            let exposed_mm = rng.random_bool(0.5).then_some([0.8 * n as f64 * pitch_mm, 0.7]);
            let body_mm = [n as f64 * pitch_mm + 0.4, 2.0];
            Plan::Pads {
                along: [n, 0],
                pitch_mm,
                pad_mm,
                toe_mm: ranges.terminals.pad_toe_mm.draw(rng),
                body_mm,
                exposed_mm,
                cut_first: false,
            }
        }
        _ => {
            let pitch_mm = [0.4, 0.5, 0.65, 0.8][rng.random_range(0..4)];
            let at_mm = places(2, n, |row, column| Some([column as f64 * pitch_mm, row as f64 * pitch_mm]));
            Plan::Places {
                at_mm,
                pitch_mm,
                terminal: vec![Piece::round((0.56 * pitch_mm * 100.0).round() / 100.0)],
                land: vec![Piece::round((0.46 * pitch_mm * 100.0).round() / 100.0)],
            }
        }
    }
}

/// Two on the near side at the ends, one on the far side in the middle; sizes are those of small-signal transistors (from memory).
fn three(rng: &mut ChaCha8Rng) -> Plan {
    let pitch_mm: f64 = [0.5, 0.65, 0.95][rng.random_range(0..3)];
    let body_mm = [3.0 * pitch_mm, rng.random_range(0.8..1.4) * pitch_mm.max(0.8)];
    if rng.random_bool(0.6) {
        let foot_mm = [0.45 * pitch_mm, rng.random_range(0.3..0.55)];
        let land_mm = [0.65 * pitch_mm, foot_mm[1] + rng.random_range(0.3..0.5)];
        return Plan::Leads { along: [3, 0], pitch_mm, foot_mm, land_mm, body_mm, reach_mm: foot_mm[1] + rng.random_range(0.05..0.2) };
    }
    let pad_mm = [0.5 * pitch_mm, rng.random_range(0.25..0.4)];
    Plan::Pads { along: [3, 0], pitch_mm, pad_mm, toe_mm: rng.random_range(0.1..0.3), body_mm, exposed_mm: None, cut_first: false }
}

impl Plan {
    pub(super) const fn pitch_mm(&self) -> f64 {
        match self {
            Self::Leads { pitch_mm, .. } | Self::Pads { pitch_mm, .. } | Self::Places { pitch_mm, .. } => *pitch_mm,
        }
    }

    /// A body that the rows of terminals fit round.
    pub(super) fn with_body_round(mut self) -> Self {
        match &mut self {
            Self::Leads { along, pitch_mm, body_mm, .. } => {
                for (axis, n) in along.iter().enumerate().filter(|(_, n)| **n > 0) {
                    body_mm[axis] = *n as f64 * *pitch_mm + 0.8;
                }
            }
            Self::Pads { along, pitch_mm, pad_mm, body_mm, exposed_mm, .. } => {
                *body_mm = along.map(|n| n as f64 * *pitch_mm + 2.0 * pad_mm[1] + 0.3);
                if let Some(exposed) = exposed_mm {
                    *exposed = body_mm.map(|b| b - 2.0 * pad_mm[1] - 0.7);
                }
            }
            Self::Places { .. } => {}
        }
        self
    }

    /// Makes the part smaller; false when it is small already.
    pub(super) fn shrink(&mut self) -> bool {
        match self {
            Self::Leads { along, .. } | Self::Pads { along, .. } => {
                if along[0] <= 3 && along[1] <= 3 {
                    return false;
                }
                let longer = usize::from(along[1] > along[0]);
                along[longer] -= 1;
                let smaller = std::mem::replace(self, Self::Places { at_mm: vec![], pitch_mm: 1.0, terminal: vec![], land: vec![] });
                *self = smaller.with_body_round();
                true
            }
            Self::Places { at_mm, .. } => {
                let (low, high) = bounds(at_mm);
                let span = high - low;
                let kept: Vec<PointMm> = if span.x > span.y {
                    at_mm.iter().copied().filter(|p| p.x < high.x - 1e-6).collect()
                } else {
                    at_mm.iter().copied().filter(|p| p.y > low.y + 1e-6).collect()
                };
                let can = kept.len() >= 4;
                if can {
                    *at_mm = centred(kept);
                }
                can
            }
        }
    }

    /// Rows longer than the picture's diagonal.
    pub(super) fn outgrow(&mut self, size_px: [u32; 2], um_per_px: f64) {
        if let Self::Leads { along, pitch_mm, .. } = self {
            let [w, h] = size_px.map(f64::from);
            let n = ((w.hypot(h) * um_per_px / 1000.0 + 3.0) / *pitch_mm) as usize;
            // One long pair of rows, close enough together for both to be seen.
            *along = [n, 4];
        }
        let long = std::mem::replace(self, Self::Places { at_mm: vec![], pitch_mm: 1.0, terminal: vec![], land: vec![] });
        *self = long.with_body_round();
    }

    /// The same part at another pitch, within the same body.
    pub(super) fn at_pitch(&self, pitch: f64) -> Self {
        let mut other = self.clone();
        match &mut other {
            Self::Leads { pitch_mm, .. } | Self::Pads { pitch_mm, .. } => *pitch_mm = pitch,
            Self::Places { .. } => {}
        }
        other
    }

    pub(super) fn part(&self, with_mark: bool) -> Part {
        let (sites, body_mm) = match self {
            Self::Leads { along, pitch_mm, foot_mm, land_mm, body_mm, reach_mm } => {
                let out_mm = reach_mm - foot_mm[1] / 2.0;
                let sites = rows(*along, *pitch_mm, [0, 1].map(|axis| body_mm[axis] / 2.0 + out_mm), |_| {
                    (vec![Piece::rect(foot_mm[0], foot_mm[1])], vec![Piece::rect(land_mm[0], land_mm[1])])
                });
                (sites, *body_mm)
            }
            Self::Pads { along, pitch_mm, pad_mm, toe_mm, body_mm, exposed_mm, cut_first } => {
                let edge_mm = [0, 1].map(|axis| body_mm[axis] / 2.0 - pad_mm[1] / 2.0);
                let mut sites = rows(*along, *pitch_mm, edge_mm, |_| {
                    // The land reaches out under the toe, where the fillet is.
                    let land = Shape::Rect { width_mm: pad_mm[0], length_mm: pad_mm[1] + toe_mm };
                    let shifted = Piece { shape: land, shift_mm: PointMm::new(0.0, -toe_mm / 2.0) };
                    (vec![Piece::rect(pad_mm[0], pad_mm[1])], vec![shifted])
                });
                if let Some([w, l]) = exposed_mm.filter(|[w, l]| *w > 0.5 && *l > 0.5) {
                    let (x, y, c) = (w / 2.0, l / 2.0, 0.35_f64.min(0.3 * w));
                    let corners = [(-x, -y), (x, -y), (x, y), (-x + c, y), (-x, y - c)];
                    let cut = Shape::Outline { corners_mm: corners.map(|(x, y)| PointMm::new(x, y)).to_vec() };
                    let shape = if *cut_first { cut } else { Shape::Rect { width_mm: w, length_mm: l } };
                    let centroid = shape.centroid_mm();
                    let piece = Piece { shape, shift_mm: PointMm::ZERO - centroid };
                    sites.push(Site { id: "EP".into(), at_mm: centroid, angle_rad: 0.0, terminal: vec![piece.clone()], land: vec![piece] });
                }
                (sites, *body_mm)
            }
            Self::Places { at_mm, terminal, land, .. } => {
                let site = |(i, p): (usize, &PointMm)| Site {
                    id: (i + 1).to_string(),
                    at_mm: *p,
                    angle_rad: 0.0,
                    terminal: terminal.clone(),
                    land: land.clone(),
                };
                let (low, high) = bounds(at_mm);
                (at_mm.iter().enumerate().map(site).collect(), [high.x - low.x + 1.2, high.y - low.y + 1.2])
            }
        };
        let corner = [0, 1].map(|axis| body_mm[axis] / 2.0);
        let marks = if with_mark { vec![self.mark(corner)] } else { Vec::new() };
        Part { name: "Rendered part".into(), body_mm, body_centre_mm: PointMm::ZERO, sites, marks, accept_miss_mm: None }
    }

    /// A dot beside the first terminal, on the underside.
    pub(super) fn mark(&self, [x, y]: [f64; 2]) -> Mark {
        let (size_mm, in_mm) = match self {
            Self::Leads { .. } => (0.5_f64.min(0.3 * x.min(y)), 0.55_f64.min(0.4 * x.min(y))),
            Self::Pads { pad_mm, .. } => (0.16, pad_mm[1] / 2.0),
            Self::Places { .. } => (0.25, 0.22),
        };
        Mark { side: Side::Part, at_mm: PointMm::new(-x + in_mm, y - in_mm), angle_rad: 0.0, piece: Piece::round(size_mm) }
    }
}

/// Rows on the left, near, right and far side, numbered anticlockwise from the far end of the left row, as seen from above.
fn rows(along: [usize; 2], pitch_mm: f64, out_mm: [f64; 2], shapes: impl Fn(usize) -> (Vec<Piece>, Vec<Piece>)) -> Vec<Site> {
    let [nx, ny] = along;
    let mut sites = Vec::new();
    // local y points towards the body
    let sides = [(ny, out_mm[0], -FRAC_PI_2), (nx, out_mm[1], 0.0), (ny, out_mm[0], FRAC_PI_2), (nx, out_mm[1], PI)];
    for (n, out, turn) in sides {
        for i in 0..n {
            let place = PointMm::new((i as f64 - (n as f64 - 1.0) / 2.0) * pitch_mm, -out).rotated(turn);
            let (terminal, land) = shapes(i);
            sites.push(Site { id: (sites.len() + 1).to_string(), at_mm: place, angle_rad: turn, terminal, land });
        }
    }
    sites
}
