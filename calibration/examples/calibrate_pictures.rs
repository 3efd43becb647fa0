//! Finds a target in pictures, each of which may be tilted in its own way, fits lens and views, and prints both as JSON:
//! what tests/outside/check_calibration.py compares with another library.
//!
//! usage: calibrate_pictures dots MM | staggered PITCH_MM ROW_MM | checkerboard MM -- PICTURE...
//!        calibrate_pictures points NORM_PX [CENTRE_X_PX CENTRE_Y_PX] -- POINTS.csv
//!
//! The second takes published points of a picture of 640 x 480 px instead of pictures: lines X,Y,u1,v1,u2,v2,… of the target's place in
//! inches and each view's px; with a centre, the lens bends about that.

#![allow(clippy::print_stdout, clippy::print_stderr, reason = "an example prints")]

use landfit_calibration::scale::{LensKnowledge, Shot, Spot, fit};
use landfit_calibration::target::{Expected, Target, find};
use landfit_part::PointMm;
use landfit_vision::{Picture, PointPx};
use serde_json::{Value, json};
use std::error::Error;

fn main() -> Result<(), Box<dyn Error>> {
    let args: Vec<String> = std::env::args().skip(1).collect();
    let split = args.iter().position(|a| a == "--").ok_or("usage: calibrate_pictures KIND MM... -- PICTURE...")?;
    let mm = |i: usize| -> Result<f64, Box<dyn Error>> { Ok(args.get(i).ok_or("a length in mm is missing")?.parse()?) };
    if args.first().is_some_and(|a| a == "points") {
        let norm_px = mm(1)?;
        let lens = if split > 2 {
            LensKnowledge::Centred { norm_px, centre_px: PointPx::new(mm(2)?, mm(3)?) }
        } else {
            LensKnowledge::Open { norm_px }
        };
        return print(&[], &points(args.get(split + 1).ok_or("POINTS.csv is missing")?)?, [640, 480], norm_px, lens);
    }
    let target = match args.first().map(String::as_str) {
        Some("dots") => Target::square(mm(1)?),
        Some("staggered") => Target::staggered(mm(1)?, mm(2)?),
        Some("checkerboard") => Target::Checkerboard { square_mm: mm(1)? },
        _ => return Err("the target is dots, staggered or checkerboard".into()),
    };
    let (mut shots, mut pictures, mut size_px) = (Vec::new(), Vec::new(), [0, 0]);
    for (view, path) in args[split + 1..].iter().enumerate() {
        let picture = Picture::from(image::open(path)?);
        size_px = [picture.width_px as u32, picture.height_px as u32];
        let found = find(&picture, &target, &Expected { angle_rad: 0.0, most_stretch: 0.4 }).map_err(|e| format!("{path}: {e}"))?;
        let marks: Vec<_> = found.spots.iter().map(|s| [s.at_mm.x, s.at_mm.y, s.seen_px.x, s.seen_px.y]).collect();
        pictures.push(json!({"file": path, "marks": marks}));
        shots.push(Shot { view, placement: view, disc_mm: found.disc_mm, spots: found.spots });
    }
    let norm_px = f64::from(size_px[0]).hypot(f64::from(size_px[1])) / 2.0;
    print(&pictures, &shots, size_px, norm_px, LensKnowledge::Open { norm_px })
}

fn print(pictures: &[Value], shots: &[Shot], size_px: [u32; 2], norm_px: f64, lens: LensKnowledge) -> Result<(), Box<dyn Error>> {
    let found = fit(shots, size_px, lens, 0.0)?;
    let lens = found.lens_figures().map(|f| f.map(|(value, u)| [value, u]));
    let residuals: Vec<_> = found.residuals().iter().map(|r| json!([r.shot, r.off_px[0], r.off_px[1], r.used])).collect();
    let views: Vec<Vec<f64>> = (0..shots.len()).map(|v| found.px_from_mm(v).transpose().iter().copied().collect()).collect();
    println!("{}", json!({"pictures": pictures, "norm_px": norm_px, "lens": lens, "residuals": residuals, "px_from_mm": views}));
    Ok(())
}

/// One shot for each view of a table of published points.
fn points(path: &str) -> Result<Vec<Shot>, Box<dyn Error>> {
    let mut shots: Vec<Shot> = Vec::new();
    for line in std::fs::read_to_string(path)?.lines().filter(|l| !l.starts_with(['#', 'X']) && !l.trim().is_empty()) {
        let row: Vec<f64> = line.split(',').map(str::parse).collect::<Result<_, _>>()?;
        for (view, seen) in row[2..].chunks_exact(2).enumerate() {
            if shots.len() == view {
                shots.push(Shot { view, placement: view, disc_mm: 0.0, spots: Vec::new() });
            }
            let (at_mm, seen_px) = (PointMm::new(25.4 * row[0], 25.4 * row[1]), PointPx::new(seen[0], seen[1]));
            shots[view].spots.push(Spot { at_mm, seen_px, u_px: 0.2 });
        }
    }
    Ok(shots)
}
