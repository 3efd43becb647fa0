//! Small scenes without anything random, for tests and for the comparison with the peer.
#![allow(dead_code)]

use landfit_part::{Part, Piece, PointMm, Pose, Shape, Side, Site};
use landfit_scene::{
    Blur, BoardLook, Frame, LandLook, Light, Optics, PartLook, Scatter, Scene, Sensor, Surface, TerminalLook, Uneven, View,
};

/// A grid of balls and round lands, A1 at the left and far corner.
pub fn grid(rows: usize, columns: usize, pitch_mm: f64, ball_mm: f64, land_mm: f64) -> Part {
    let sites = (0..rows * columns)
        .map(|i| {
            let (row, column) = (i / columns, i % columns);
            let x = (column as f64 - (columns - 1) as f64 / 2.0) * pitch_mm;
            let y = ((rows - 1) as f64 / 2.0 - row as f64) * pitch_mm;
            Site {
                id: format!("{}{}", char::from(b'A' + row as u8), column + 1),
                at_mm: PointMm::new(x, y),
                angle_rad: 0.0,
                terminal: vec![Piece::round(ball_mm)],
                land: vec![Piece::round(land_mm)],
            }
        })
        .collect();
    let body_mm = [columns as f64 * pitch_mm + 0.4, rows as f64 * pitch_mm + 0.4];
    Part { name: "small".into(), body_mm, body_centre_mm: PointMm::ZERO, sites, marks: Vec::new(), accept_miss_mm: None }
}

/// Sites of every shape that a part file knows, turned and shifted.
pub fn shapes() -> Part {
    let all = [
        Shape::Rect { width_mm: 0.22, length_mm: 0.6 },
        Shape::Rounded { width_mm: 0.4, length_mm: 0.3, radius_mm: 0.08 },
        Shape::Oval { width_mm: 0.2, length_mm: 0.5 },
        Shape::Outline {
            corners_mm: vec![PointMm::new(-0.2, -0.2), PointMm::new(0.3, -0.1), PointMm::new(0.1, 0.0), PointMm::new(-0.1, 0.3)],
        },
    ];
    let sites = all
        .into_iter()
        .enumerate()
        .map(|(i, shape)| Site {
            id: format!("{}", i + 1),
            at_mm: PointMm::new(-0.9 + 0.6 * i as f64, 0.1 * i as f64),
            angle_rad: 0.3 + 0.5 * i as f64,
            terminal: vec![Piece { shape: shape.clone(), shift_mm: PointMm::new(0.02, -0.05) }],
            land: vec![Piece { shape, shift_mm: PointMm::new(-0.03, 0.04) }],
        })
        .collect();
    Part { sites, body_mm: [3.2, 1.8], ..grid(1, 1, 1.0, 0.1, 0.1) }
}

/// Both sides in a small frame: 12.5 µm per px, no texture, no scatter, no noise.
pub fn scene(size_px: [u32; 2], part: Part) -> Scene {
    let [cx, cy] = size_px.map(|n| (f64::from(n) - 1.0) / 2.0);
    let view = |shows: Side, tint: [f64; 3]| View {
        shows,
        exposure: 0,
        region_px: None,
        tint,
        px_from_mm: [[80.0, 0.0, cx], [0.0, -80.0, cy], [0.0, 0.0, 1.0]],
    };
    let light = Light { gain: 1.0, gradient: [0.0; 2], blur: Blur::round(1.0) };
    Scene {
        board: part.clone(),
        part,
        bench_from_part: Pose::IDENTITY,
        bench_from_board: Pose::IDENTITY,
        optics: Optics {
            frame: Frame { size_px, channels: 3, bits: 8, black: 0.0, white: 255.0, gamma: 1.0 },
            lens: None,
            views: vec![view(Side::Part, [1.0, 0.5, 0.1]), view(Side::Board, [0.1, 0.4, 0.9])],
        },
        lights: vec![light.clone(), light],
        part_look: PartLook {
            surround: Surface::plain(0.02),
            body: Some(Surface::plain(0.1)),
            terminals: Some(TerminalLook {
                face: 0.5,
                face_fall: 0.0,
                ring: None,
                spot: None,
                uneven: Uneven::NONE,
                scatter: Scatter::NONE,
                residue: 1.2,
            }),
            mark: 0.5,
        },
        board_look: BoardLook {
            mask: Surface::plain(0.12),
            lands: Some(LandLook {
                face: 0.45,
                face_fall: 0.0,
                highlight: None,
                gap_mm: 0.0,
                gap: 0.1,
                opening_shift_mm: [0.0; 2],
                scatter: Scatter::NONE,
                paste: None,
            }),
            mark: 0.5,
        },
        defects: Vec::new(),
        clutter: Vec::new(),
        sensor: Sensor { noise: None, vignetting: 0.0, stray: 0.0, spoils: Vec::new() },
        seed: 1,
    }
}
