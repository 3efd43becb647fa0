//! Looks through a camera and tells what happens, one JSON object a line: for tests on fake devices, and for anybody who wants to
//! know what a real one does.
//!
//! ```text
//! watch_camera [--camera NAME] [--format YUYV] [--size 640x480] [--seconds 5] [--exposure 100] [--gain 20] [--white-balance 4600]
//!     [--later-gain 40] [--bench-size 640x480]
//! watch_camera --list
//! ```

#![allow(clippy::print_stdout, reason = "it tells on standard output")]

use landfit_camera::camera::{self, Choice, Knob, Knobs, Pixels};
use landfit_camera::{Feed, FeedState, Frame, Open, expecting, open_camera};
use landfit_vision::picture::Samples;
use serde_json::{Value, json};
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};
use std::time::{Duration, Instant};

fn main() -> Result<(), String> {
    let mut arguments = std::env::args().skip(1);
    let (mut choice, mut seconds, mut bench_size, mut later_gain) = (Choice::default(), 5.0, None, None);
    let knobs = Knobs::new();
    while let Some(flag) = arguments.next() {
        if flag == "--list" {
            return list();
        }
        let value = arguments.next().ok_or(format!("{flag} needs a value"))?;
        let number = || value.parse::<f64>().map_err(|e| format!("{flag} {value}: {e}"));
        match flag.as_str() {
            "--camera" => choice.camera = Some(value),
            "--format" => choice.pixels = Some(Pixels::from_name(&value).ok_or(format!("no format {value}"))?),
            "--size" => choice.size_px = Some(size(&value)?),
            "--bench-size" => bench_size = Some(size(&value)?),
            "--seconds" => seconds = number()?,
            "--exposure" => knobs.set(Knob::Exposure, number()? as i64),
            "--gain" => knobs.set(Knob::Gain, number()? as i64),
            "--white-balance" => knobs.set(Knob::WhiteBalance, number()? as i64),
            "--later-gain" => later_gain = Some(number()? as i64),
            _ => return Err(format!("no option {flag}")),
        }
    }
    let mut open = open_camera(choice, knobs.clone());
    if let Some(size) = bench_size {
        open = expecting(size, open);
    }
    let threads = threads().len();
    watch(open, &knobs, later_gain, Duration::from_secs_f64(seconds));
    println!("{}", json!({"event": "end", "threads_before": threads, "threads_after": self::threads().len()}));
    Ok(())
}

fn size(text: &str) -> Result<[usize; 2], String> {
    let parsed = text.split_once('x').and_then(|(w, h)| Some([w.parse().ok()?, h.parse().ok()?]));
    parsed.ok_or(format!("{text} is no size like 640x480"))
}

fn list() -> Result<(), String> {
    let cameras: Vec<Value> = camera::cameras()
        .iter()
        .map(|device| {
            let offers = camera::offers(device).map(|o| o.iter().map(ToString::to_string).collect::<Vec<_>>());
            json!({"name": device.name, "index": device.index, "offers": offers.as_ref().ok(), "trouble": offers.as_ref().err().map(ToString::to_string)})
        })
        .collect();
    println!("{}", json!({ "cameras": cameras }));
    Ok(())
}

/// `later_gain` is set a second after the beginning, while pictures come.
fn watch(open: Open, knobs: &Knobs, mut later_gain: Option<i64>, time: Duration) {
    let changes = Arc::new(AtomicU64::new(0));
    let count = Arc::clone(&changes);
    let began = Instant::now();
    let feed = Feed::start(open, move || {
        count.fetch_add(1, Ordering::Relaxed);
    });
    let (mut said, mut ticked) = (Value::Null, Instant::now());
    // The last picture since the last line. A line every sixth picture would else meet always the same moment between two of them.
    let mut picture = None;
    while began.elapsed() < time {
        if let Some(frame) = feed.take(Duration::from_millis(20)) {
            picture = Some(told(&frame));
        }
        if began.elapsed() > Duration::from_secs(1)
            && let Some(gain) = later_gain.take()
        {
            knobs.set(Knob::Gain, gain);
        }
        let now = match feed.state() {
            FeedState::Looking => json!({"state": "looking"}),
            FeedState::Live { .. } => json!({"state": "live"}),
            FeedState::Old { trouble, .. } => json!({"state": "old", "trouble": trouble.to_string(), "advice": trouble.advice()}),
        };
        let tick = ticked.elapsed() > Duration::from_millis(200);
        if now == said && !tick {
            continue;
        }
        ticked = Instant::now();
        let counts = feed.counts();
        let mut line = now.clone();
        line["event"] = if now == said { "tick".into() } else { "change".into() };
        line["ms"] = (began.elapsed().as_millis() as u64).into();
        line["name"] = feed.source_name().into();
        line["counts"] = json!({"frames": counts.frames, "spoiled": counts.spoiled, "replaced": counts.replaced, "opened": counts.opened,
            "left_behind": counts.left_behind, "still_behind": counts.still_behind, "changes": changes.load(Ordering::Relaxed)});
        line["spoiled"] = feed.last_spoiled().map(|(_, t)| t.to_string()).into();
        line["last_number"] = feed.latest().map(|f| f.number).into();
        line["cpu_ms"] = cpu_ms(&threads()).into();
        if let Some(picture) = picture.take() {
            line["picture"] = picture;
        }
        let state = knobs.state();
        let offered: Vec<Value> =
            state.offered.iter().map(|o| json!({"knob": o.knob.name(), "least": o.least, "most": o.most, "value": o.value})).collect();
        line["knobs"] = json!({"offered": offered, "held": state.held, "refused": state.refused});
        println!("{line}");
        said = now;
    }
}

/// Size, mean and age of a picture just taken.
fn told(frame: &Frame) -> Value {
    let picture = &frame.pictures[0];
    let mean = match &picture.samples {
        Samples::U8(v) => v.iter().map(|v| f64::from(*v)).sum::<f64>() / v.len() as f64,
        Samples::U16(v) => v.iter().map(|v| f64::from(*v)).sum::<f64>() / v.len() as f64,
    };
    json!({"size": [picture.width_px, picture.height_px], "channels": picture.channels, "mean": mean,
        "age_ms": frame.taken.elapsed().as_millis() as u64})
}

/// The threads of this process, as /proc lists them; none where there is no such thing.
fn threads() -> Vec<std::path::PathBuf> {
    let listed = std::fs::read_dir("/proc/self/task").map(|entries| entries.flatten().map(|e| e.path()).collect());
    listed.unwrap_or_default()
}

/// CPU time of the feed's threads since they began, ms: fields 14 and 15 of stat, in ticks of 10 ms (proc(5)).
fn cpu_ms(threads: &[std::path::PathBuf]) -> u64 {
    let of = |thread: &std::path::PathBuf| -> Option<u64> {
        let stat = std::fs::read_to_string(thread.join("stat")).ok()?;
        let (name, rest) = stat.rsplit_once(')')?;
        let ours = name.ends_with("(capture") || name.ends_with("(feed watch");
        let mut fields = rest.split_whitespace().skip(11);
        let ticks = fields.next()?.parse::<u64>().ok()? + fields.next()?.parse::<u64>().ok()?;
        Some(if ours { ticks * 10 } else { 0 })
    };
    threads.iter().filter_map(of).sum()
}
