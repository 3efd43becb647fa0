//! What the board shows: mask, openings, lands, paste, marks.

use crate::canvas::{Blend, Patch, Shade};
use crate::outline::Outline;
use crate::part_side::{marks, scattered_sites};
use crate::scene::{Clutter, DefectKind, LandLook, Scene};
use crate::truth::DrawnSite;
use landfit_part::{Piece, PointMm, Side, Site};
use rand::Rng;
use rand_chacha::ChaCha8Rng;
use rand_distr::StandardNormal;

/// Patches of the board over its mask and what is printed and routed on it, in the order of painting.
pub(crate) fn patches(scene: &Scene, drawn: &[DrawnSite], rng: &mut ChaCha8Rng) -> Vec<Patch> {
    let mut out = Vec::new();
    if let Some(look) = &scene.board_look.lands {
        out.extend(scene.clutter.iter().flat_map(|c| footprint(scene, look, c, rng)));
        let shown: Vec<(&Site, &DrawnSite)> = scene.board.sites.iter().zip(drawn).filter(|(_, d)| d.present).collect();
        if look.gap_mm > 0.0 {
            for (site, drawn) in &shown {
                out.extend(site.land.iter().map(|piece| opening(look, site, drawn, piece)));
            }
            out.extend(necks(scene, look, &shown));
        }
        for (site, drawn) in &shown {
            out.extend(site.land.iter().map(|piece| land(scene, look, site, drawn, piece)));
        }
        out.extend(bridges(scene, look, drawn));
        if let Some(paste) = &look.paste {
            let mut normal = |sd: f64| sd * rng.sample::<f64, _>(StandardNormal);
            for (site, drawn) in &shown {
                for piece in &site.land {
                    let [x, y] = paste.shift_mm.map(|shift| shift + normal(paste.place_mm));
                    let place = piece_place(site, drawn, piece) + PointMm::new(x, y);
                    let outline = Outline::of_shape(&piece.shape, paste.size * (1.0 + normal(0.03)));
                    let value = paste.brightness * (1.0 + normal(0.08));
                    out.push(Patch { angle_rad: site.angle_rad, soft_mm: 0.02, ..Patch::flat(place, outline, value) });
                }
            }
        }
    }
    out.extend(marks(&scene.board, Side::Board, scene.board_look.mark));
    out
}

/// The lands of another footprint of the same part; nothing for other clutter.
fn footprint(scene: &Scene, look: &LandLook, clutter: &Clutter, rng: &mut ChaCha8Rng) -> Vec<Patch> {
    let Clutter::Footprint { at_mm: [x, y] } = clutter else { return Vec::new() };
    let drawn = scattered_sites(&scene.board.sites, Side::Board, &look.scatter, rng);
    let shown = || scene.board.sites.iter().zip(&drawn).flat_map(|(site, drawn)| site.land.iter().map(move |piece| (site, drawn, piece)));
    let openings = shown().filter(|_| look.gap_mm > 0.0).map(|(site, drawn, piece)| opening(look, site, drawn, piece));
    let lands = shown().map(|(site, drawn, piece)| land(scene, look, site, drawn, piece));
    openings.chain(lands).map(|patch| Patch { at_mm: patch.at_mm + PointMm::new(*x, *y), ..patch }).collect()
}

fn piece_place(site: &Site, drawn: &DrawnSite, piece: &Piece) -> PointMm {
    drawn.at_mm + piece.shift_mm.rotated(site.angle_rad)
}

fn opening_outline(look: &LandLook, piece: &Piece) -> Outline {
    Outline::Grown(Box::new(Outline::of_shape(&piece.shape, 1.0)), look.gap_mm)
}

fn opening(look: &LandLook, site: &Site, drawn: &DrawnSite, piece: &Piece) -> Patch {
    let [x, y] = look.opening_shift_mm;
    let place = piece_place(site, drawn, piece) + PointMm::new(x, y);
    Patch { angle_rad: site.angle_rad, ..Patch::flat(place, opening_outline(look, piece), look.gap) }
}

/// Bare copper of the traces that run into a land, where the mask leaves it open.
fn necks(scene: &Scene, look: &LandLook, shown: &[(&Site, &DrawnSite)]) -> Vec<Patch> {
    let mut out = Vec::new();
    for clutter in &scene.clutter {
        let Clutter::Trace { points_mm, width_mm, .. } = clutter else { continue };
        let ends = [points_mm.first(), points_mm.last()].into_iter().flatten();
        for end in ends.map(|[x, y]| PointMm::new(*x, *y)) {
            let Some((site, drawn)) =
                shown.iter().find(|(s, _)| s.at_mm.distance(end) < 0.25 * s.land.first().map_or(0.0, |p| p.shape.narrow_mm()))
            else {
                continue;
            };
            let Some(piece) = site.land.first() else { continue };
            if site.angle_rad != 0.0 {
                continue;
            }
            let [x, y] = look.opening_shift_mm;
            let place = piece_place(site, drawn, piece) + PointMm::new(x, y);
            let points = points_mm.iter().map(|[x, y]| PointMm::new(*x, *y) - place).collect();
            let trace = Outline::Line { points, half_width: width_mm / 2.0 };
            let outline = Outline::Both(Box::new(opening_outline(look, piece)), Box::new(trace), PointMm::ZERO);
            out.push(Patch::flat(place, outline, 0.8 * look.face));
        }
    }
    out
}

/// Metal that lies across the mask from one land to the next.
fn bridges(scene: &Scene, look: &LandLook, drawn: &[DrawnSite]) -> Vec<Patch> {
    let bridge = |defect: &crate::scene::Defect| {
        let DefectKind::Bridged { to, width } = &defect.kind else { return None };
        let [a, b] = [scene.board.site_index(&defect.site)?, scene.board.site_index(to)?];
        let piece = scene.board.sites[a].land.first()?;
        let [from, to] = [a, b].map(|i| piece_place(&scene.board.sites[i], &drawn[i], piece));
        let line = Outline::Line { points: vec![PointMm::ZERO, to - from], half_width: width * piece.shape.narrow_mm() / 2.0 };
        Some(Patch::flat(from, line, look.face * (1.0 - 0.3 * look.face_fall)))
    };
    scene.defects.iter().filter(|d| d.side == Side::Board).filter_map(bridge).collect()
}

fn land(scene: &Scene, look: &LandLook, site: &Site, drawn: &DrawnSite, piece: &Piece) -> Patch {
    let half = Outline::half_extent_mm(piece).map(|h| h * drawn.size_ratio);
    let radius = half[0].min(half[1]);
    let highlight = look.highlight.map(|h| {
        let at = (PointMm::new(h.at[0], h.at[1]) * radius).rotated(-(scene.bench_from_board.theta_rad + site.angle_rad));
        [at.x, at.y, h.sigma * radius, h.gain]
    });
    Patch {
        at_mm: piece_place(site, drawn, piece),
        angle_rad: site.angle_rad,
        outline: Outline::of_shape(&piece.shape, drawn.size_ratio),
        soft_mm: 0.0,
        shade: Shade::Face {
            value: look.face * drawn.brightness,
            fall: look.face_fall,
            per_radius: half.map(|h| 1.0 / h),
            slope: [0.0; 2],
            saddle: [0.0; 2],
            highlight,
        },
        blend: Blend::Over,
    }
}
