//! Pictures of the main states against those that were looked at and kept.
//!
//! They are drawn by the program's own raster, so no graphics card and no display are needed, and kept at half their size as JPEG, so that all of
//! them together stay small. What is drawn now goes the same way before it is compared, tile by tile: a light that differs by a shade is no
//! difference, another word is. To keep them anew: `LANDFIT_SNAPSHOTS=write cargo test -p landfit --lib snapshot`, then look at each one.

use super::calibrate_tests::{UnderWay, drawn_under_way};
use super::tests::args;
use super::{Page, open, shot};
use image::codecs::jpeg::JpegEncoder;
use image::imageops::{FilterType, resize};
use image::{Rgb, RgbImage, RgbaImage};
use std::path::PathBuf;

/// Edge of a tile, px of the kept picture: as large as two digits of small text.
const TILE_PX: u32 = 8;
/// Tolerance: a tile's mean difference of a channel, of 255. On one machine the same state gives the same bytes; on another the last bits of
/// its arithmetic move a few values by one. One digit that is another in a line of small text makes more than [`LEAST_BY_DIGIT`] (measured
/// below each time).
const MOST_APART: f64 = 4.0;
const LEAST_BY_DIGIT: f64 = 8.0;
/// Quality of the JPEG: the lowest at which small text still reads well.
const QUALITY: u8 = 72;

fn drawn(page: Page, stage: &str, seed: u64) -> RgbImage {
    let args = open::Args { stage: stage.into(), page: Some(page.word().into()), ..args("rotation-under-board", seed) };
    halved(&shot::drawn(&args, page).unwrap())
}

fn halved(picture: &RgbaImage) -> RgbImage {
    let small = resize(picture, picture.width() / 2, picture.height() / 2, FilterType::Triangle);
    RgbImage::from_fn(small.width(), small.height(), |x, y| {
        let [r, g, b, _] = small.get_pixel(x, y).0;
        Rgb([r, g, b])
    })
}

fn encoded(picture: &RgbImage) -> Vec<u8> {
    let mut bytes = Vec::new();
    JpegEncoder::new_with_quality(&mut bytes, QUALITY).encode_image(picture).unwrap();
    bytes
}

fn decoded(bytes: &[u8]) -> RgbImage {
    image::load_from_memory(bytes).unwrap().into_rgb8()
}

/// The worst tile's mean difference of a channel, and where it lies.
fn apart(a: &RgbImage, b: &RgbImage) -> (f64, [u32; 2]) {
    if a.dimensions() != b.dimensions() {
        return (255.0, [0, 0]);
    }
    let (width, height) = a.dimensions();
    let tile = |x0: u32, y0: u32| {
        let (mut sum, mut count) = (0.0, 0.0);
        for (x, y) in (y0..(y0 + TILE_PX).min(height)).flat_map(|y| (x0..(x0 + TILE_PX).min(width)).map(move |x| (x, y))) {
            let (p, q) = (a.get_pixel(x, y).0, b.get_pixel(x, y).0);
            sum += p.iter().zip(q).map(|(p, q)| f64::from(p.abs_diff(q))).sum::<f64>() / 3.0;
            count += 1.0;
        }
        sum / count
    };
    let corners = (0..height).step_by(TILE_PX as usize).flat_map(|y| (0..width).step_by(TILE_PX as usize).map(move |x| [x, y]));
    corners.map(|[x, y]| (tile(x, y), [x, y])).max_by(|a, b| a.0.total_cmp(&b.0)).unwrap()
}

/// Every main state: its name, and how it is drawn.
fn states() -> Vec<(String, Box<dyn Fn() -> RgbImage>)> {
    let mut states: Vec<(String, Box<dyn Fn() -> RgbImage>)> = Vec::new();
    for stage in ["begin", "turning", "good", "placed", "moved", "old", "far"] {
        states.push((format!("align-{stage}"), Box::new(move || drawn(Page::Align, stage, 3))));
    }
    for (page, stage) in
        [(Page::Part, "begin"), (Page::After, "begin"), (Page::Bench, "begin"), (Page::Settings, "begin"), (Page::Help, "begin")]
    {
        states.push((page.word().to_lowercase(), Box::new(move || drawn(page, stage, 3))));
    }
    for what in [UnderWay::Lights, UnderWay::Scale, UnderWay::Run, UnderWay::Day] {
        let name = format!("bench-{}", format!("{what:?}").to_lowercase());
        states.push((name, Box::new(move || halved(&drawn_under_way(what, [1280, 720], 100)))));
    }
    states
}

fn folder() -> PathBuf {
    PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("src/window/snapshots")
}

#[test]
fn the_main_states_look_as_their_snapshots() {
    let writes = std::env::var("LANDFIT_SNAPSHOTS").is_ok_and(|v| v == "write");
    let (mut off, mut all) = (Vec::new(), Vec::new());
    for (name, draw) in states() {
        let file = folder().join(format!("{name}.jpg"));
        let now = encoded(&draw());
        if writes {
            std::fs::create_dir_all(folder()).unwrap();
            std::fs::write(&file, &now).unwrap();
        }
        let kept = decoded(&std::fs::read(&file).unwrap_or_else(|e| panic!("{}: {e}", file.display())));
        let (far, at) = apart(&decoded(&now), &kept);
        if far > MOST_APART {
            let seen = std::env::temp_dir().join(format!("landfit-{name}-now.jpg"));
            std::fs::write(&seen, &now).unwrap();
            off.push(format!("{name}: {far:.1} apart at {at:?} px; it is now {}", seen.display()));
        }
        all.push((name, kept));
    }
    assert!(off.is_empty(), "{off:#?}");
    // The comparison tells each state from every other one.
    for (i, (a, kept)) in all.iter().enumerate() {
        for (b, other) in &all[i + 1..] {
            assert!(apart(kept, other).0 > MOST_APART, "{a} and {b} look the same to it");
        }
    }
}

#[test]
fn another_digit_is_a_difference_and_the_same_state_is_none() {
    let draw = |text: &dyn Fn(&mut shot::AtOnce)| {
        let args = args("rotation-under-board", 3);
        let laid = open::lay(&args, crate::settings::Settings::default()).unwrap();
        let mut behind = shot::AtOnce::new(laid.desk, laid.rehearsal);
        shot::stage(&mut behind, "begin").unwrap();
        let handle = shot::AtOnceHandle(std::rc::Rc::new(std::cell::RefCell::new(behind)));
        let mut app = super::App::new(Box::new(handle.clone()), crate::settings::Settings::default(), None, None, Box::new(|| None))
            .of_size(eframe::egui::Vec2::new(1280.0, 720.0));
        app.open_page(Page::Align);
        // In the midst of the passes: before, the desk publishes anew, because labels are set for another size.
        let mut change = || {
            text(&mut handle.0.borrow_mut());
            Ok(())
        };
        decoded(&encoded(&halved(&shot::picture(&mut app, [1280, 720], &mut change).unwrap())))
    };
    let as_it_is = draw(&|_| {});
    assert_eq!(apart(&as_it_is, &draw(&|_| {})).0, 0.0, "the same state gives the same bytes");
    let another_digit = |shown: &mut crate::state::shown::Shown| {
        let text = &mut shown.align.sentences[0].text;
        let last = text.find(" µm").expect("a miss") - 1;
        let digit = if text.as_bytes()[last] == b'2' { "7" } else { "2" };
        text.replace_range(last..=last, digit);
    };
    let (by_digit, at) = apart(&as_it_is, &draw(&|behind| behind.change_shown(&another_digit)));
    println!("another digit {by_digit:.2} at {at:?}");
    assert!(by_digit > LEAST_BY_DIGIT, "another digit {by_digit:.2} at {at:?}");
}
