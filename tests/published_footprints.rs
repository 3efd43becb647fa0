//! Generated lands lie where open footprints have them, under the same numbers. Source: see `tests/footprints/SOURCE.md`.

#![allow(clippy::unwrap_used, clippy::panic, reason = "a test fails by panicking")]

use landfit_part::generate::leads::{ExposedPad, LandDrawing, Numbering, SidesDrawing, sides};
use landfit_part::{Shape, Side};
use std::path::Path;

/// A copper pad: name, centre with y up, extent along x and y, mm.
type Pad = (String, [f64; 2], [f64; 2]);

fn copper_pads(file: &str) -> Vec<Pad> {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("../../tests/footprints").join(file);
    let text = std::fs::read_to_string(path).unwrap();
    let lines = text.lines().map(str::trim).filter(|l| l.starts_with("(pad \"") && l.contains("\"F.Cu\""));
    lines.map(pad).filter(|p| !p.0.is_empty()).collect()
}

fn pad(line: &str) -> Pad {
    let pair = |key: &str| {
        let inside = line.split(&format!("({key} ")).nth(1).unwrap().split(')').next().unwrap();
        let mut numbers = inside.split(' ').map(|n| n.parse::<f64>().unwrap());
        [numbers.next().unwrap(), numbers.next().unwrap()]
    };
    let [x, y] = pair("at");
    (line.split('"').nth(1).unwrap().to_owned(), [x, -y], pair("size"))
}

fn same_lands(file: &str, count: usize, drawing: &SidesDrawing) {
    let (part, pads) = (sides(drawing).unwrap(), copper_pads(file));
    assert_eq!((part.sites.len(), pads.len()), (count, count), "{file}");
    for (id, [x, y], size) in pads {
        let site = &part.sites[part.site_index(&id).unwrap_or_else(|| panic!("{file}: no site {id}"))];
        let land = site.centre_mm(Side::Board);
        assert!((land.x - x).hypot(land.y - y) < 1e-6, "{file}: {id} at {land:?}, published ({x}, {y})");
        let Shape::Rect { width_mm, length_mm } = site.land[0].shape else { panic!("a rectangle") };
        let along_x = site.angle_rad.sin().abs() > 0.5;
        let extent = if along_x { [length_mm, width_mm] } else { [width_mm, length_mm] };
        assert!((extent[0] - size[0]).abs() < 1e-6 && (extent[1] - size[1]).abs() < 1e-6, "{file}: {id} {extent:?} {size:?}");
    }
}

fn drawing(per_side: [u32; 4], pitch_mm: f64, span_mm: [f64; 2], terminal_mm: [f64; 2], land: LandDrawing) -> SidesDrawing {
    SidesDrawing {
        name: "p".into(),
        per_side,
        pitch_mm,
        span_mm,
        terminal_mm,
        land,
        body_mm: span_mm,
        exposed: None,
        numbering: Numbering::Around,
        marks: vec![],
        accept_miss_mm: None,
    }
}

#[test]
fn a_square_quad_package_has_its_published_lands() {
    let land = LandDrawing::Given { size_mm: [0.3, 1.475], span_mm: [16.8, 16.8] };
    same_lands("TQFP-100_14x14mm_P0.5mm.kicad_mod", 100, &drawing([25; 4], 0.5, [16.0; 2], [0.22, 0.6], land));
}

#[test]
fn a_quad_package_without_leads_has_its_published_lands_and_its_middle_pad_last() {
    let land = LandDrawing::Given { size_mm: [0.25, 0.875], span_mm: [7.75, 7.75] };
    let mut made = drawing([12; 4], 0.5, [7.0; 2], [0.25, 0.4], land);
    made.exposed = Some(ExposedPad { terminal_mm: [5.6; 2], land_mm: [5.6; 2], cut_corner_mm: 0.0 });
    same_lands("QFN-48-1EP_7x7mm_P0.5mm_EP5.6x5.6mm.kicad_mod", 49, &made);
}

#[test]
fn a_longish_quad_package_has_its_published_lands() {
    let pads = copper_pads("PQFP-100_14x20mm_P0.65mm.kicad_mod");
    let reach = |axis: usize| 2.0 * pads.iter().map(|p| p.1[axis].abs() + p.2[axis] / 2.0).fold(0.0, f64::max);
    let first = pads[0].2;
    let land = LandDrawing::Given { size_mm: [first[1], first[0]], span_mm: [reach(0), reach(1)] };
    same_lands("PQFP-100_14x20mm_P0.65mm.kicad_mod", 100, &drawing([30, 20, 30, 20], 0.65, [17.2, 23.2], [0.3, 0.8], land));
}
