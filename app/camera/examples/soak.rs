//! Many frames with many starts, stops and changes of source: memory must stay flat and no thread must stay behind.
//!
//! Runs on fake devices, which it plugs, unplugs and spoils itself; `tests/soak` builds them and starts it. Ends with status 1
//! where memory grew by more than 5 % or a thread was left.

#![allow(clippy::print_stdout, reason = "it tells on standard output")]

use landfit_camera::{Choice, Feed, Knobs, Open, Pixels, StoredSet, WatchedFolder, open_camera};
use std::path::{Path, PathBuf};
use std::process::ExitCode;
use std::time::{Duration, Instant};

/// What memory may grow by, of what it was after the first tenth.
const MOST_GROWTH: f64 = 0.05;
/// Frames of one source before it is changed.
const TURN: u64 = 50;
/// A source that gives nothing for so long has failed.
const PATIENCE: Duration = Duration::from_secs(20);

const CAMERA: &str = "kind camera\nsize 640x480\nsize 320x240\nformat YUYV\nformat MJPG\ninterval 1/200\n";

type Failed = Box<dyn std::error::Error>;

fn main() -> Result<ExitCode, Failed> {
    let frames: u64 = std::env::args().nth(1).map_or(Ok(20_000), |n| n.parse())?;
    let devices = PathBuf::from(std::env::var("FAKECAM_DIR").map_err(|_| "start it with tests/soak: it needs fake devices")?);
    std::fs::create_dir_all(devices.join("names"))?;
    std::fs::write(devices.join("names/video0"), "Soak camera")?;
    let stored = store_pictures(&devices)?;
    let began = Instant::now();
    let threads = count("/proc/self/task");
    let (mut done, mut turns, mut next_note) = (0, 0, 0);
    let mut memory: Vec<(u64, f64)> = Vec::new();
    while done < frames {
        done += one_turn(turns, &devices, &stored)?;
        turns += 1;
        memory.push((done, resident_mib()));
        if done >= next_note {
            println!(
                "{done} frames, {turns} sources, {:.1} MiB, {} threads, {:.0} s",
                resident_mib(),
                count("/proc/self/task"),
                began.elapsed().as_secs_f64()
            );
            next_note += frames / 10;
        }
    }
    let tenth = |from: f64, to: f64| {
        let mut part: Vec<f64> = memory.iter().filter(|(d, _)| (from..=to).contains(&(*d as f64 / done as f64))).map(|(_, m)| *m).collect();
        part.sort_by(f64::total_cmp);
        part.get(part.len() / 2).copied().unwrap_or(0.0)
    };
    let (early, late) = (tenth(0.1, 0.3), tenth(0.9, 1.0));
    let growth = (late - early) / early.max(1.0);
    // The last threads are joined at the end of each feed; the kernel may list them a moment longer.
    std::thread::sleep(Duration::from_millis(300));
    let left = count("/proc/self/task") as i64 - threads as i64;
    let held = growth <= MOST_GROWTH && left == 0;
    println!(
        "{done} frames of {turns} sources in {:.0} s: {early:.1} MiB after the first tenth, {late:.1} MiB at the end ({:+.1} %), {left} threads left: {}",
        began.elapsed().as_secs_f64(),
        growth * 100.0,
        if held { "held" } else { "NOT held" }
    );
    Ok(if held { ExitCode::SUCCESS } else { ExitCode::FAILURE })
}

/// Starts one source, takes its frames, and ends it, each kind and each mishap in turn; gives how many frames came.
fn one_turn(turn: u64, devices: &Path, stored: &[PathBuf]) -> Result<u64, Failed> {
    let jpegs = format!("jpeg {}/frame-%d.jpg\n", devices.display());
    let camera = |more: &str| plug(devices, &format!("{CAMERA}{jpegs}{more}"));
    let choice = |pixels, size| Choice { pixels: Some(pixels), size_px: Some(size), per_second: Some(200), ..Choice::default() };
    camera("")?;
    let live = |choice: Choice| Feed::start(open_camera(choice, Knobs::new()), || ());
    match turn % 6 {
        0 => Ok(take(&live(choice(Pixels::Yuyv, [640, 480])), TURN)?),
        1 => Ok(take(&live(choice(Pixels::Mjpeg, [320, 240])), TURN)?),
        2 => {
            let feed = live(choice(Pixels::Yuyv, [320, 240]));
            let before = take(&feed, TURN)?;
            std::fs::remove_file(devices.join("video0"))?;
            std::thread::sleep(Duration::from_millis(60));
            camera("")?;
            Ok(before + take(&feed, TURN)?)
        }
        3 => {
            let feed = live(choice(Pixels::Mjpeg, [320, 240]));
            let before = take(&feed, TURN)?;
            camera("frame short\n")?;
            std::thread::sleep(Duration::from_millis(100));
            camera("")?;
            Ok(before + take(&feed, TURN)?)
        }
        4 => {
            let feed = live(choice(Pixels::Yuyv, [640, 480]));
            let before = take(&feed, TURN)?;
            // It ends while its call hangs.
            camera("state stall\n")?;
            std::thread::sleep(Duration::from_millis(50));
            Ok(before)
        }
        _ => {
            let files = stored.to_vec();
            let open: Open = Box::new(move || Ok(Box::new(StoredSet::new(files.clone(), 1, Duration::ZERO)?)));
            let some = take(&Feed::start(open, || ()), 1)?;
            let folder = devices.join("stored");
            let open: Open = Box::new(move || Ok(Box::new(WatchedFolder::new(&folder, 2))));
            Ok(some + take(&Feed::start(open, || ()), 1)?)
        }
    }
}

/// Takes until `frames` more have come.
fn take(feed: &Feed, frames: u64) -> Result<u64, Failed> {
    let (from, end) = (feed.counts().frames, Instant::now() + PATIENCE);
    while feed.counts().frames < from + frames {
        feed.take(Duration::from_millis(50));
        if Instant::now() > end {
            return Err(format!("no more frames: {:?}", feed.state()).into());
        }
    }
    Ok(feed.counts().frames - from)
}

fn plug(devices: &Path, settings: &str) -> std::io::Result<()> {
    std::fs::write(devices.join("being-written"), settings)?;
    std::fs::rename(devices.join("being-written"), devices.join("video0"))
}

fn store_pictures(devices: &Path) -> Result<Vec<PathBuf>, Failed> {
    let folder = devices.join("stored");
    std::fs::create_dir_all(&folder)?;
    let mut stored = Vec::new();
    for k in 0..4u32 {
        let picture =
            image::RgbImage::from_fn(320, 240, |x, y| image::Rgb([(x * 7 + k * 20) as u8, (y * 5) as u8, ((x * y) >> 4) as u8 | 64]));
        picture.save(devices.join(format!("frame-{k}.jpg")))?;
        stored.push(folder.join(format!("{k}.png")));
        picture.save(&stored[k as usize])?;
    }
    Ok(stored)
}

fn count(folder: &str) -> usize {
    std::fs::read_dir(folder).map_or(0, |entries| entries.count())
}

/// Memory in use, from the second field of statm, in pages of 4 KiB (proc(5)).
fn resident_mib() -> f64 {
    let statm = std::fs::read_to_string("/proc/self/statm").unwrap_or_default();
    statm.split_whitespace().nth(1).and_then(|pages| pages.parse::<f64>().ok()).unwrap_or(0.0) / 256.0
}
