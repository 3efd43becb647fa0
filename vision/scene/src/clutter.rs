//! What is seen besides the sites, as patches.

use crate::canvas::{Blend, Patch, Shade};
use crate::outline::{Outline, blob_size};
use crate::scene::{Clutter, DefectKind, Scene};
use landfit_part::{PointMm, Side};

/// What leads show between body and foot: beside the body, under the feet.
pub(crate) fn shanks(scene: &Scene) -> impl Iterator<Item = Patch> + '_ {
    scene.clutter.iter().filter(|c| matches!(c, Clutter::Shank { .. })).flat_map(patches)
}

/// What lies under terminals or lands: traces, vias, printing.
pub(crate) fn below(scene: &Scene, side: Side) -> Vec<Patch> {
    let on_side = scene.clutter.iter().filter(|c| c.side() == side && !matches!(c, Clutter::Shank { .. }));
    on_side.flat_map(|c| if lies_above(c) { Vec::new() } else { patches(c) }).collect()
}

/// What lies over them: stains, dust, fibres, tools, glare.
pub(crate) fn above(scene: &Scene, side: Side) -> Vec<Patch> {
    let on_side = scene.clutter.iter().filter(|c| c.side() == side);
    let mut out: Vec<Patch> = on_side.flat_map(|c| if lies_above(c) { patches(c) } else { Vec::new() }).collect();
    for defect in scene.defects.iter().filter(|d| d.side == side) {
        let site = scene.pattern(side).site_index(&defect.site).map(|i| &scene.pattern(side).sites[i]);
        if let (DefectKind::Hidden { brightness, sigma_mm }, Some(site)) = (&defect.kind, site) {
            out.push(glare(site.centre_mm(side), *sigma_mm, *brightness));
        }
    }
    out
}

/// Stains, glare, dust, fibres and tools lie on top of everything; printing and copper below the solder.
fn lies_above(clutter: &Clutter) -> bool {
    match clutter {
        Clutter::Stain { .. } | Clutter::Glare { .. } | Clutter::Fibre { .. } | Clutter::Tool { .. } => true,
        Clutter::Dot { soft_mm, .. } => *soft_mm > 0.0,
        Clutter::Trace { .. }
        | Clutter::Via { .. }
        | Clutter::Stroke { .. }
        | Clutter::Circle { .. }
        | Clutter::Shank { .. }
        | Clutter::Footprint { .. } => false,
    }
}

fn glare(at_mm: PointMm, sigma_mm: f64, brightness: f64) -> Patch {
    Patch {
        at_mm,
        angle_rad: 0.0,
        outline: Outline::Bell { sigma: sigma_mm },
        soft_mm: 0.0,
        shade: Shade::Bell { value: brightness, sigma: sigma_mm },
        blend: Blend::Add,
    }
}

fn patches(clutter: &Clutter) -> Vec<Patch> {
    let point = |p: &[f64; 2]| PointMm::new(p[0], p[1]);
    // a line's own axes start at its first point, so that its reach stays small
    let line = |points_mm: &[[f64; 2]], width_mm: f64| {
        let at = points_mm.first().map_or(PointMm::ZERO, point);
        (at, Outline::Line { points: points_mm.iter().map(|p| point(p) - at).collect(), half_width: width_mm / 2.0 })
    };
    match clutter {
        Clutter::Trace { points_mm, width_mm, gain } => {
            let (at, outline) = line(points_mm, *width_mm);
            vec![Patch { blend: Blend::Gain, ..Patch::flat(at, outline, *gain) }]
        }
        Clutter::Via { at_mm, pad_mm, hole_mm, pad, hole } => {
            let disc = |diameter: f64, value: f64| Patch::flat(point(at_mm), Outline::Disc { radius: diameter / 2.0 }, value);
            vec![disc(*pad_mm, *pad), disc(*hole_mm, *hole)]
        }
        Clutter::Stroke { points_mm, width_mm, brightness, .. }
        | Clutter::Fibre { points_mm, width_mm, brightness, .. }
        | Clutter::Shank { points_mm, width_mm, brightness } => {
            let (at, outline) = line(points_mm, *width_mm);
            vec![Patch::flat(at, outline, *brightness)]
        }
        Clutter::Tool { corners_mm, brightness, soft_mm, .. } => {
            let at = corners_mm.first().map_or(PointMm::ZERO, point);
            let outline = Outline::Polygon { corners: corners_mm.iter().map(|c| point(c) - at).collect() };
            vec![Patch { soft_mm: *soft_mm, ..Patch::flat(at, outline, *brightness) }]
        }
        // Lands are painted with the board's own: what they look like stands there.
        Clutter::Footprint { .. } => Vec::new(),
        Clutter::Dot { at_mm, diameter_mm, brightness, soft_mm, .. } => {
            let dot = Patch::flat(point(at_mm), Outline::Disc { radius: diameter_mm / 2.0 }, *brightness);
            vec![Patch { soft_mm: *soft_mm, ..dot }]
        }
        Clutter::Circle { at_mm, diameter_mm, width_mm, brightness, .. } => {
            let outline = Outline::Annulus { radius: diameter_mm / 2.0, half_width: width_mm / 2.0 };
            vec![Patch::flat(point(at_mm), outline, *brightness)]
        }
        Clutter::Stain { lobes_mm, gain, soft_mm, .. } => {
            let at = lobes_mm.first().map_or(PointMm::ZERO, |[x, y, _]| PointMm::new(*x, *y));
            let lobes = lobes_mm.iter().map(|[x, y, r]| [x - at.x, y - at.y, *r]).collect();
            // a wider ramp would not have ended where the bells have
            let soft_mm = soft_mm.min(0.9 * blob_size(lobes_mm));
            let stain = Patch::flat(at, Outline::Blob { lobes }, *gain);
            vec![Patch { soft_mm, blend: Blend::Gain, ..stain }]
        }
        Clutter::Glare { at_mm, sigma_mm, brightness, .. } => vec![glare(point(at_mm), *sigma_mm, *brightness)],
    }
}
