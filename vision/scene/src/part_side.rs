//! What the part's underside shows: body, terminals, marks.

use crate::canvas::{Blend, Patch, Shade};
use crate::outline::Outline;
use crate::scene::{DefectKind, Ring, Scatter, Scene, Spot, TerminalLook};
use crate::sight::Sight;
use crate::truth::DrawnSite;
use landfit_part::{Part, Piece, PointMm, Shape, Side, Site};
use rand::Rng;
use rand_chacha::ChaCha8Rng;
use rand_distr::StandardNormal;

/// Patches of the underside, in the order of painting, over the body's surface.
pub(crate) fn patches(scene: &Scene, drawn: &[DrawnSite]) -> Vec<Patch> {
    let mut out = Vec::new();
    let part = &scene.part;
    if scene.part_look.body.is_some() {
        let [w, l] = part.body_mm;
        let edge = Outline::Box { half: [w / 2.0, l / 2.0], corner: 0.05 };
        // the canvas holds the body's texture, and printing may run off the body; what lies beyond covers both
        let beyond = Patch::flat(part.body_centre_mm, Outline::Outside(Box::new(edge)), scene.part_look.surround.brightness);
        out.push(Patch { soft_mm: 0.04, ..beyond });
        out.extend(marks(part, Side::Part, scene.part_look.mark));
    }
    if let Some(look) = &scene.part_look.terminals {
        out.extend(crate::clutter::shanks(scene));
        out.extend(residues(scene, look, drawn));
        out.extend(bridges(scene, look, drawn));
        for (site, drawn) in part.sites.iter().zip(drawn).filter(|(_, d)| d.present) {
            for piece in &site.terminal {
                terminal(scene, look, site, drawn, piece, &mut out);
            }
        }
    }
    out
}

/// The marks of one side.
pub(crate) fn marks(part: &Part, side: Side, brightness: f64) -> impl Iterator<Item = Patch> + '_ {
    part.marks.iter().filter(move |m| m.side == side).map(move |m| {
        let at_mm = m.at_mm + m.piece.shift_mm.rotated(m.angle_rad);
        Patch { angle_rad: m.angle_rad, ..Patch::flat(at_mm, Outline::of_shape(&m.piece.shape, 1.0), brightness) }
    })
}

/// Where every site's terminal or land comes to lie after scatter and defects. The scatter's own least-squares shift and
/// turn are taken out, so that the lattice fitted to all sites is the pattern's pose; where only corners of a large pattern are
/// seen, the lattice fitted to the sites that are.
pub(crate) fn draw_sites(scene: &Scene, side: Side, scatter: &Scatter, rng: &mut ChaCha8Rng) -> Vec<DrawnSite> {
    let sites = &scene.pattern(side).sites;
    let mut drawn = scattered_sites(sites, side, scatter, rng);
    take_out_rigid_motion(sites, &mut drawn, &seen_in_regions(scene, side));
    for defect in scene.defects.iter().filter(|d| d.side == side) {
        let Some(site) = scene.pattern(side).site_index(&defect.site) else { continue };
        match defect.kind {
            DefectKind::Missing => drawn[site].present = false,
            DefectKind::Size { ratio } => drawn[site].size_ratio = ratio,
            DefectKind::Displaced { by_mm: [x, y] } => drawn[site].at_mm = drawn[site].at_mm + PointMm::new(x, y),
            DefectKind::Bridged { .. } | DefectKind::Hidden { .. } => {}
        }
    }
    drawn
}

/// Every site with its scatter of place, size and brightness, no defects.
pub(crate) fn scattered_sites(sites: &[Site], side: Side, scatter: &Scatter, rng: &mut ChaCha8Rng) -> Vec<DrawnSite> {
    let mut normal = |sd: f64| sd * rng.sample::<f64, _>(StandardNormal);
    let drawn = sites.iter().map(|site| DrawnSite {
        at_mm: site.at_mm + PointMm::new(normal(scatter.place_mm), normal(scatter.place_mm)),
        size_ratio: (1.0 + normal(scatter.size)).max(0.3),
        brightness: (1.0 + normal(scatter.brightness)).max(0.2),
        present: !site.pieces(side).is_empty(),
    });
    drawn.collect()
}

/// For each site whether it lies wholly inside a region of its side; all do where the side has one view only.
fn seen_in_regions(scene: &Scene, side: Side) -> Vec<bool> {
    let views: Vec<usize> = (0..scene.optics.views.len()).filter(|&v| scene.optics.views[v].shows == side).collect();
    let sites = &scene.pattern(side).sites;
    let sights: Vec<Sight> = views.iter().filter_map(|&v| Sight::new(&scene.optics, v).ok()).collect();
    if sights.len() < 2 {
        return vec![true; sites.len()];
    }
    let reach = |site: &Site| site.pieces(side).iter().map(|p| p.shape.extent_mm()).fold(0.0, |most: f64, [w, l]| most.max(w.max(l) / 2.0));
    let holds = |sight: &Sight, site: &Site| {
        let at = scene.pose(side).apply(site.centre_mm(side));
        sight.region_holds(sight.px(at), reach(site) * sight.px_per_mm(at))
    };
    sites.iter().map(|site| sights.iter().any(|sight| holds(sight, site))).collect()
}

fn take_out_rigid_motion(sites: &[Site], drawn: &mut [DrawnSite], counts: &[bool]) {
    let present: Vec<usize> = (0..sites.len()).filter(|i| drawn[*i].present).collect();
    let counted: Vec<usize> = present.iter().copied().filter(|i| counts[*i]).collect();
    if counted.len() < 2 {
        return;
    }
    let k = 1.0 / counted.len() as f64;
    let centre = counted.iter().fold(PointMm::ZERO, |sum, i| sum + sites[*i].at_mm * k);
    let shift = counted.iter().fold(PointMm::ZERO, |sum, i| sum + (drawn[*i].at_mm - sites[*i].at_mm) * k);
    let (mut turning, mut inertia) = (0.0, 0.0);
    for i in &counted {
        let (arm, moved) = (sites[*i].at_mm - centre, drawn[*i].at_mm - sites[*i].at_mm - shift);
        turning += arm.x * moved.y - arm.y * moved.x;
        inertia += arm.x * arm.x + arm.y * arm.y;
    }
    let turn = if inertia > 0.0 { turning / inertia } else { 0.0 };
    for i in present {
        let arm = sites[i].at_mm - centre;
        drawn[i].at_mm = drawn[i].at_mm - shift - PointMm::new(-turn * arm.y, turn * arm.x);
    }
}

fn residues<'a>(scene: &'a Scene, look: &'a TerminalLook, drawn: &'a [DrawnSite]) -> impl Iterator<Item = Patch> + 'a {
    let missing = scene.part.sites.iter().zip(drawn).filter(|(_, d)| !d.present);
    missing.flat_map(move |(site, drawn)| {
        site.terminal.iter().map(move |piece| {
            // the bare pad under a lost ball is a little smaller than the ball
            let outline = Outline::of_shape(&piece.shape, 0.85);
            let at_mm = drawn.at_mm + piece.shift_mm.rotated(site.angle_rad);
            Patch { angle_rad: site.angle_rad, blend: Blend::Gain, ..Patch::flat(at_mm, outline, look.residue) }
        })
    })
}

fn bridges<'a>(scene: &'a Scene, look: &'a TerminalLook, drawn: &'a [DrawnSite]) -> impl Iterator<Item = Patch> + 'a {
    scene.defects.iter().filter(|d| d.side == Side::Part).flat_map(move |defect| {
        let DefectKind::Bridged { to, width } = &defect.kind else { return Vec::new() };
        let (Some(a), Some(b)) = (scene.part.site_index(&defect.site), scene.part.site_index(to)) else { return Vec::new() };
        let terminal_mm = scene.part.sites[a].terminal.first().map_or(0.0, |p| p.shape.narrow_mm());
        let (from, along) = (drawn[a].at_mm, drawn[b].at_mm - drawn[a].at_mm);
        let line = |half_width: f64| Outline::Line { points: vec![PointMm::ZERO, along], half_width };
        let mut metal = vec![Patch::flat(from, line(width * terminal_mm / 2.0), look.face * (1.0 - 0.3 * look.face_fall))];
        if let Some(ring) = &look.ring {
            // the reflection runs along the back of the bridge
            let glint = Patch::flat(from, line(0.12 * width * terminal_mm), 0.8 * ring.brightness);
            metal.push(Patch { soft_mm: 0.1 * terminal_mm, ..glint });
        }
        metal
    })
}

fn terminal(scene: &Scene, look: &TerminalLook, site: &Site, drawn: &DrawnSite, piece: &Piece, out: &mut Vec<Patch>) {
    let at_mm = drawn.at_mm + piece.shift_mm.rotated(site.angle_rad);
    let [half_x, half_y] = Outline::half_extent_mm(piece).map(|h| h * drawn.size_ratio);
    let radius = half_x.min(half_y);
    let local_from_bench_rad = -(scene.bench_from_part.theta_rad + site.angle_rad);
    // A long foot is flat: its light varies over its whole length as that of a ball does over its radius.
    let uneven_over_mm = if matches!(piece.shape, Shape::Round { .. }) { radius } else { half_x.max(half_y) };
    let uneven_at_mm = look.ring.map_or(1.0, |ring| ring.radius) * uneven_over_mm;
    let lit = |value: f64, fall: f64, share: f64| {
        let (slope, saddle) = unevenness(look, site.at_mm, local_from_bench_rad, uneven_at_mm, share);
        Shade::Face { value: value * drawn.brightness, fall, per_radius: [1.0 / half_x, 1.0 / half_y], slope, saddle, highlight: None }
    };
    // under a ring light the face between the reflections is lit by stray light only, so it varies less
    let face_share = if look.ring.is_some() { 0.3 } else { 1.0 };
    let face = Patch {
        at_mm,
        angle_rad: site.angle_rad,
        outline: Outline::of_shape(&piece.shape, drawn.size_ratio),
        soft_mm: 0.0,
        shade: lit(look.face, look.face_fall, face_share),
        blend: Blend::Over,
    };
    if !matches!(piece.shape, Shape::Round { .. }) {
        out.push(face);
        return;
    }
    let ring = look.ring.map(|Ring { brightness, radius: at, width, soft }| Patch {
        outline: Outline::Annulus { radius: at * radius, half_width: width * radius / 2.0 },
        soft_mm: soft * radius,
        shade: lit(brightness, 0.0, 1.0),
        ..face.clone()
    });
    let spot = look.spot.map(|Spot { brightness, radius: size, soft, at }| Patch {
        at_mm: at_mm + (PointMm::new(at[0], at[1]) * radius).rotated(-scene.bench_from_part.theta_rad),
        outline: Outline::Disc { radius: size * radius },
        soft_mm: soft * radius,
        shade: Shade::Flat(brightness * drawn.brightness),
        ..face.clone()
    });
    out.push(face);
    out.extend(ring);
    out.extend(spot);
}

/// The harmonics of the light round a terminal as the polynomials that a [`Shade::Face`] takes.
fn unevenness(look: &TerminalLook, at_mm: PointMm, local_from_bench_rad: f64, at_radius_mm: f64, share: f64) -> ([f64; 2], [f64; 2]) {
    let u = &look.uneven;
    let drift_rad = u.drift_rad_per_mm[0] * at_mm.x + u.drift_rad_per_mm[1] * at_mm.y;
    let (s, c) = (u.direction_rad + drift_rad + local_from_bench_rad).sin_cos();
    let (s2, c2) = (2.0 * (u.second_direction_rad + local_from_bench_rad)).sin_cos();
    let (first, second) = (share * u.amount / at_radius_mm, share * u.second / (at_radius_mm * at_radius_mm));
    ([first * c, first * s], [second * c2, second * s2])
}
