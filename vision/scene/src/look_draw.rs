//! Random looks of both sides, and what else lies about.

use crate::part_draw::GridPlan;
use crate::ranges::{Ranges, Span};
use crate::scene::{
    BoardLook, Clutter, Highlight, LandLook, Light, PartLook, Ring, Scatter, Scene, Spot, Surface, TerminalLook, Uneven, Weave,
};
use landfit_part::{Part, PointMm, Side};
use rand::Rng;
use rand_chacha::ChaCha8Rng;

/// How a terminal reflects its light.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Family {
    Ring,
    RingAndSpot,
    BrightDisc,
    DarkDisc,
}

/// Which looks of terminals are drawn.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Families {
    /// All of them.
    All,
    /// Those that a ring light leaves its ring on.
    Rings,
    /// Those without a ring: flat metal.
    Plain,
    /// Those darker than the body.
    Dark,
}

/// A random underside with balls.
pub(crate) fn draw_part_look(ranges: &Ranges, families: Families, rng: &mut ChaCha8Rng) -> PartLook {
    let r = &ranges.terminal;
    let dice = match families {
        Families::All => rng.random::<f64>(),
        Families::Rings => rng.random::<f64>() * (r.ring_share + r.ring_spot_share),
        Families::Plain => {
            let rings = r.ring_share + r.ring_spot_share;
            rings + rng.random::<f64>() * (1.0 - rings)
        }
        Families::Dark => 1.0,
    };
    let family = if dice < r.ring_share {
        Family::Ring
    } else if dice < r.ring_share + r.ring_spot_share {
        Family::RingAndSpot
    } else if dice < r.ring_share + r.ring_spot_share + r.disc_share {
        Family::BrightDisc
    } else {
        Family::DarkDisc
    };
    let contrast = r.contrast.draw(rng);
    let (body, face) = match family {
        Family::DarkDisc => {
            let face = r.dark_face.draw(rng);
            (face + contrast, face)
        }
        Family::BrightDisc => {
            let body = r.body.draw(rng);
            (body, body + contrast)
        }
        Family::Ring | Family::RingAndSpot => {
            let body = r.body.draw(rng);
            (body, body * r.face.draw(rng))
        }
    };
    let has_ring = matches!(family, Family::Ring | Family::RingAndSpot);
    let bright = body + contrast;
    let ring = has_ring.then(|| {
        let (radius, width) = (r.ring_radius.draw(rng), r.ring_width.draw(rng));
        // the reflection stays on the ball
        Ring { brightness: bright, radius: radius.min(0.97 - width / 2.0), width, soft: r.ring_soft.draw(rng) }
    });
    let spot = (family == Family::RingAndSpot).then(|| {
        let at = [r.spot_off.draw(rng), r.spot_off.draw(rng)];
        let brightness = body + contrast * r.spot_share_of_ring.draw(rng);
        Spot { brightness, radius: r.spot_radius.draw(rng), soft: 0.1, at }
    });
    let face_fall = if family == Family::BrightDisc { r.face_fall.draw(rng).min(0.7 * contrast / face) } else { 0.0 };
    let surface = |brightness: f64, rng: &mut ChaCha8Rng| Surface {
        brightness,
        grain: r.grain.draw(rng),
        grain_mm: r.grain_mm.draw(rng),
        mottle: r.mottle.draw(rng),
        mottle_mm: r.mottle_mm.draw(rng),
        weave: None,
    };
    PartLook {
        surround: surface(r.surround.draw(rng), rng),
        body: Some(surface(body, rng)),
        terminals: Some(TerminalLook {
            face,
            face_fall,
            ring,
            spot,
            uneven: draw_uneven(ranges, rng),
            scatter: scatter(r, rng),
            residue: r.residue.draw(rng),
        }),
        mark: bright,
    }
}

fn scatter(r: &crate::ranges::Terminal, rng: &mut ChaCha8Rng) -> Scatter {
    Scatter { brightness: r.brightness_scatter.draw(rng), size: r.size_scatter.draw(rng), place_mm: r.place_scatter_mm.draw(rng) }
}

fn draw_uneven(ranges: &Ranges, rng: &mut ChaCha8Rng) -> Uneven {
    let r = &ranges.terminal;
    Uneven {
        amount: r.uneven.draw(rng),
        direction_rad: rng.random_range(0.0..std::f64::consts::TAU),
        second: r.uneven_second.draw(rng),
        second_direction_rad: rng.random_range(0.0..std::f64::consts::PI),
        drift_rad_per_mm: [r.drift_rad_per_mm.draw(rng), r.drift_rad_per_mm.draw(rng)],
    }
}

/// A random board with lands.
pub(crate) fn draw_board_look(ranges: &Ranges, rng: &mut ChaCha8Rng) -> BoardLook {
    let r = &ranges.land;
    let (mask, contrast) = (r.mask.draw(rng), r.contrast.draw(rng));
    let face = mask + contrast;
    let (face_fall, highlight) = if rng.random_bool(r.tin_share) {
        let highlight = Highlight {
            gain: r.highlight_gain.draw(rng),
            at: [r.highlight_off.draw(rng), r.highlight_off.draw(rng)],
            sigma: r.highlight_sigma.draw(rng),
        };
        (r.tin_fall.draw(rng) * contrast / face, Some(highlight))
    } else {
        (r.flat_fall.draw(rng), None)
    };
    let gap_mm = if rng.random_bool(r.open_share) { r.gap_mm.draw(rng) } else { 0.0 };
    let weave = Weave {
        contrast: r.weave.draw(rng),
        pitch_mm: r.weave_pitch_mm.draw(rng),
        angle_rad: if rng.random_bool(0.8) { 0.0 } else { std::f64::consts::FRAC_PI_4 },
    };
    BoardLook {
        mask: Surface {
            brightness: mask,
            grain: r.grain.draw(rng),
            grain_mm: r.grain_mm.draw(rng),
            mottle: r.mottle.draw(rng),
            mottle_mm: r.mottle_mm.draw(rng),
            weave: Some(weave),
        },
        lands: Some(LandLook {
            face,
            face_fall,
            highlight,
            gap_mm,
            gap: mask * r.gap.draw(rng),
            opening_shift_mm: [r.opening_shift_mm.draw(rng), r.opening_shift_mm.draw(rng)],
            scatter: Scatter {
                brightness: r.brightness_scatter.draw(rng),
                size: r.size_scatter.draw(rng),
                place_mm: r.place_scatter_mm.draw(rng),
            },
            paste: None,
        }),
        mark: face,
    }
}

/// Sets the exposure: the brightest regular place of the picture comes to `peak` where `fill` is asked for, and never
/// above it.
pub(crate) fn set_exposure(scene: &mut Scene, peak: f64, fill: bool) {
    let brightest = (0..3)
        .map(|channel| {
            let views = scene.optics.views.iter().zip(&scene.lights);
            views
                .map(|(view, light)| {
                    let side = match view.shows {
                        Side::Part => brightest_of_part(&scene.part_look),
                        Side::Board => brightest_of_board(&scene.board_look),
                    };
                    side * view.tint[channel] * (1.0 + light.gradient[0].abs().max(light.gradient[1].abs()))
                })
                .sum::<f64>()
        })
        .fold(0.0, f64::max);
    if brightest > peak || (fill && brightest > 0.0) {
        scene.lights.iter_mut().for_each(|light: &mut Light| light.gain *= peak / brightest);
    }
}

fn brightest_of_part(look: &PartLook) -> f64 {
    let ground = look.body.as_ref().unwrap_or(&look.surround).brightness;
    let terminals = look.terminals.as_ref().map_or(0.0, |t| {
        let lit = 1.0 + t.uneven.amount + t.uneven.second;
        let ring = t.ring.map_or(0.0, |r| r.brightness * lit);
        let face = t.face * if t.ring.is_some() { 1.0 } else { lit };
        ring.max(face).max(t.spot.map_or(0.0, |s| s.brightness)) * (1.0 + 1.5 * t.scatter.brightness)
    });
    ground.max(terminals)
}

fn brightest_of_board(look: &BoardLook) -> f64 {
    let lands = look
        .lands
        .as_ref()
        .map_or(0.0, |l| l.face * (1.0 + l.highlight.map_or(0.0, |h| 0.8 * h.gain)) * (1.0 + 1.5 * l.scatter.brightness));
    lands.max(look.mask.brightness)
}

/// How much lies about.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Busyness {
    /// Traces of some lands, printing, a mark.
    Usual,
    /// Vias at half pitch, many traces, stains, dust.
    Busy,
    /// Traces, vias and printing of a board that has no lands here.
    WithoutLands,
}

/// Random clutter for both sides.
pub(crate) fn draw_clutter(
    ranges: &Ranges,
    plan: &GridPlan,
    part: &Part,
    looks: (&PartLook, &BoardLook),
    how: Busyness,
    rng: &mut ChaCha8Rng,
) -> Vec<Clutter> {
    let mut out = Vec::new();
    let is_busy = how == Busyness::Busy;
    if is_busy || rng.random_bool(0.6) {
        routes(ranges, plan, part, looks.1, how, rng, &mut out);
    }
    if rng.random_bool(if is_busy { 0.9 } else { 0.5 }) {
        printing(ranges, part, rng, &mut out);
    }
    if rng.random_bool(0.5) {
        part_marks(ranges, part, looks.0, rng, &mut out);
    }
    let n_stains = if is_busy { ranges.kinds.vias_stains.draw_count(rng) } else { rng.random_range(0..=2) };
    for _ in 0..n_stains {
        let side = if rng.random_bool(0.5) { Side::Part } else { Side::Board };
        out.push(stain(ranges, part, side, rng));
    }
    for _ in 0..rng.random_range(0..=if is_busy { 20 } else { 5 }) {
        let side = if rng.random_bool(0.5) { Side::Part } else { Side::Board };
        let diameter_mm = ranges.clutter.dust_mm.draw(rng);
        let brightness = rng.random_range(0.02..0.4);
        out.push(Clutter::Dot { side, at_mm: place_on(part, 1.2, rng), diameter_mm, brightness, soft_mm: 0.4 * diameter_mm });
    }
    out
}

fn place_on(part: &Part, spread: f64, rng: &mut ChaCha8Rng) -> [f64; 2] {
    part.body_mm.map(|b| b * spread * rng.random_range(-0.5..0.5))
}

/// Dog bones to vias at half pitch, traces that leave the pattern, and traces that pass between its rows.
fn routes(ranges: &Ranges, plan: &GridPlan, part: &Part, look: &BoardLook, how: Busyness, rng: &mut ChaCha8Rng, out: &mut Vec<Clutter>) {
    let r = &ranges.clutter;
    let pitch = plan.pitch_mm;
    let width_mm = r.trace_mm.draw(rng).min(0.25 * pitch);
    let gain = r.trace_gain.draw(rng);
    let share = if how == Busyness::Busy { r.trace_share.draw(rng).max(0.3) } else { r.trace_share.draw(rng) };
    let copper = look.lands.as_ref().map_or(look.mask.brightness + ranges.land.contrast.draw(rng), |l| l.face);
    let is_tented = rng.random_bool(if how == Busyness::Busy { 0.2 } else { 0.5 });
    let (pad, hole) = if is_tented {
        (look.mask.brightness * gain, look.mask.brightness * rng.random_range(0.6..0.9))
    } else {
        (copper * rng.random_range(0.7..1.0), look.mask.brightness * rng.random_range(0.1..0.5))
    };
    let pad_mm = r.via_pad_mm.draw(rng).min(0.55 * pitch);
    let hole_mm = r.via_hole_mm.draw(rng).min(0.5 * pad_mm);
    let half = [0, 1].map(|axis| part.body_mm[axis] / 2.0);
    let with_vias = how != Busyness::Usual || rng.random_bool(0.3);
    for site in part.sites.iter().filter(|_| how != Busyness::WithoutLands) {
        if !rng.random_bool(share) {
            continue;
        }
        let PointMm { x, y } = site.at_mm;
        let is_outer = x.abs().max(y.abs()) > half[0].max(half[1]) - plan.body_margin_mm - 1.5 * pitch;
        if is_outer && rng.random_bool(0.5) {
            // out of the pattern, past the body, along the nearer axis, with a bend
            let bend = pitch * rng.random_range(-0.5..0.5);
            let far = pitch * rng.random_range(2.0..8.0);
            let (sx, sy) = (x.signum(), y.signum());
            let points_mm = if half[0] - x.abs() < half[1] - y.abs() {
                vec![[x, y], [x + sx * pitch, y], [x + sx * (pitch + bend.abs()), y + bend], [x + sx * far.max(2.0 * pitch), y + bend]]
            } else {
                vec![[x, y], [x, y + sy * pitch], [x + bend, y + sy * (pitch + bend.abs())], [x + bend, y + sy * far.max(2.0 * pitch)]]
            };
            out.push(Clutter::Trace { points_mm, width_mm, gain });
        } else if with_vias {
            let (dx, dy) = (if x >= 0.0 { 0.5 } else { -0.5 }, if y >= 0.0 { 0.5 } else { -0.5 });
            let at_mm = [x + dx * pitch, y + dy * pitch];
            out.push(Clutter::Trace { points_mm: vec![[x, y], at_mm], width_mm: 1.4 * width_mm, gain });
            out.push(Clutter::Via { at_mm, pad_mm, hole_mm, pad, hole });
        }
    }
    for _ in 0..rng.random_range(0..=6) {
        let row = (rng.random_range(0..plan.rows.max(2)) as f64 - (plan.rows as f64 - 1.0) / 2.0 + 0.5) * pitch;
        let (from, to) = (rng.random_range(-1.2..0.0) * half[0], rng.random_range(0.0..1.5) * half[0]);
        out.push(Clutter::Trace { points_mm: vec![[from, row], [to, row], [to + 2.0 * pitch, row + 2.0 * pitch]], width_mm, gain });
    }
    if how == Busyness::WithoutLands {
        for _ in 0..rng.random_range(0..=8) {
            out.push(Clutter::Via { at_mm: place_on(part, 1.2, rng), pad_mm, hole_mm, pad, hole });
        }
    }
}

/// The body's outline in corner strokes, an A1 dot, and a few letters of strokes beside it.
fn printing(ranges: &Ranges, part: &Part, rng: &mut ChaCha8Rng, out: &mut Vec<Clutter>) {
    let r = &ranges.clutter;
    let (brightness, width_mm) = (r.printing.draw(rng), r.printing_mm.draw(rng));
    let away = rng.random_range(0.15..0.5);
    let [hx, hy] = [part.body_mm[0] / 2.0 + away, part.body_mm[1] / 2.0 + away];
    let leg = rng.random_range(0.8..2.5_f64).min(0.8 * hx.min(hy));
    let mut stroke = |points_mm: Vec<[f64; 2]>| out.push(Clutter::Stroke { side: Side::Board, points_mm, width_mm, brightness });
    for (sx, sy) in [(-1.0, 1.0), (1.0, 1.0), (1.0, -1.0), (-1.0, -1.0)] {
        stroke(vec![[sx * (hx - leg), sy * hy], [sx * hx, sy * hy], [sx * hx, sy * (hy - leg)]]);
    }
    let (height, mut x) = (rng.random_range(0.7..1.1), rng.random_range(-0.8..0.2) * hx);
    let y = if rng.random_bool(0.5) { hy + 0.3 } else { -hy - 0.3 - height };
    for _ in 0..rng.random_range(2..=5) {
        let strokes = rng.random_range(2..=3);
        for _ in 0..strokes {
            let corner = |rng: &mut ChaCha8Rng| {
                [x + 0.6 * height * f64::from(rng.random_range(0..=1)), y + 0.5 * height * f64::from(rng.random_range(0..=2))]
            };
            stroke(vec![corner(rng), corner(rng)]);
        }
        x += 0.85 * height;
    }
    let dot =
        Clutter::Dot { side: Side::Board, at_mm: [-hx - 0.4, hy - 0.1], diameter_mm: rng.random_range(0.3..0.6), brightness, soft_mm: 0.0 };
    out.push(dot);
}

/// An A1 corner on the underside: a dot, a triangle's strokes or a bare metal corner; and sometimes a printed code.
fn part_marks(ranges: &Ranges, part: &Part, look: &PartLook, rng: &mut ChaCha8Rng, out: &mut Vec<Clutter>) {
    let [hx, hy] = [part.body_mm[0] / 2.0 - 0.25, part.body_mm[1] / 2.0 - 0.25];
    let c = part.body_centre_mm;
    let ground = look.body.as_ref().unwrap_or(&look.surround).brightness;
    let brightness = ground + rng.random_range(0.1..0.4);
    if rng.random_bool(0.5) {
        let diameter_mm = rng.random_range(0.15..0.3);
        out.push(Clutter::Dot { side: Side::Part, at_mm: [c.x - hx, c.y + hy], diameter_mm, brightness, soft_mm: 0.0 });
    } else {
        let points_mm = vec![[c.x - hx, c.y + hy - 0.3], [c.x - hx, c.y + hy], [c.x - hx + 0.3, c.y + hy]];
        out.push(Clutter::Stroke { side: Side::Part, points_mm, width_mm: ranges.clutter.printing_mm.draw(rng) / 2.0, brightness });
    }
}

fn stain(ranges: &Ranges, part: &Part, side: Side, rng: &mut ChaCha8Rng) -> Clutter {
    let r = &ranges.clutter;
    let mut at = place_on(part, 1.0, rng);
    let n_lobes = rng.random_range(2..=6);
    let lobes_mm = (0..n_lobes)
        .map(|_| {
            let radius = r.stain_mm.draw(rng);
            at = [at[0] + radius * rng.random_range(-0.8..0.8), at[1] + radius * rng.random_range(-0.8..0.8)];
            [at[0], at[1], radius]
        })
        .collect();
    Clutter::Stain { side, lobes_mm, gain: r.stain_gain.draw(rng), soft_mm: r.stain_soft_mm.draw(rng) }
}

/// A value from the span, with either sign.
pub(crate) fn draw_signed(span: Span, rng: &mut ChaCha8Rng) -> f64 {
    let value = span.draw(rng);
    if rng.random_bool(0.5) { value } else { -value }
}
