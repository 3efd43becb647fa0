//! What the user is promised of a camera that misbehaves, kept on nokhwa's real V4L2 path: devices are files (tests/fakecam), and
//! a program that looks through them (the example `watch_camera`) runs as a child. Linux only.

#![cfg(target_os = "linux")]
#![allow(clippy::unwrap_used, clippy::panic, clippy::expect_used, reason = "a test fails by panicking")]

use serde_json::Value;
use std::io::{BufRead, BufReader};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::sync::mpsc::{Receiver, channel};
use std::sync::{Mutex, MutexGuard, OnceLock, PoisonError};
use std::time::{Duration, Instant};

/// Trouble is said within so long (what the user is promised).
const SAID_WITHIN: Duration = Duration::from_secs(2);
/// The picture is back within so long of the camera being there again (what the user is promised).
const BACK_WITHIN: Duration = Duration::from_secs(3);
/// How long starting a program may take on a busy machine; nothing that the user is promised.
const STARTED_WITHIN: Duration = Duration::from_secs(20);

const YUYV: &str = "kind camera\nsize 640x480\nformat YUYV\ninterval 1/30\n";

/// The tests are about time: one at a time, so that they do not take it from each other.
fn alone() -> MutexGuard<'static, ()> {
    static ONE: Mutex<()> = Mutex::new(());
    ONE.lock().unwrap_or_else(PoisonError::into_inner)
}

/// Builds the shim and the child once; gives the paths of both. The child as part of the workspace, as `cargo test --workspace`
/// has built it already: by itself its libraries would have other features and be built anew.
fn built() -> &'static (PathBuf, PathBuf) {
    static BUILT: OnceLock<(PathBuf, PathBuf)> = OnceLock::new();
    BUILT.get_or_init(|| {
        let test = std::env::current_exe().unwrap();
        let profile = test.parent().and_then(Path::parent).unwrap();
        let source = concat!(env!("CARGO_MANIFEST_DIR"), "/../../tests/fakecam/fakecam.c");
        let shim = profile.join("libfakecam.so");
        let compiler = Command::new("cc")
            .args(["-O2", "-Wall", "-Wextra", "-Werror", "-shared", "-fPIC", "-o"])
            .arg(&shim)
            .arg(source)
            .args(["-ldl", "-lpthread"])
            .status();
        assert!(compiler.expect("tests/run installs a C compiler").success());
        let mut cargo = Command::new(env!("CARGO"));
        cargo.args(["build", "--quiet", "--workspace", "--example", "watch_camera", "--target-dir"]).arg(profile.parent().unwrap());
        if !cfg!(debug_assertions) {
            cargo.arg("--release");
        }
        assert!(cargo.current_dir(env!("CARGO_MANIFEST_DIR")).status().unwrap().success());
        (shim, profile.join("examples/watch_camera"))
    })
}

/// A folder that stands for /dev, and what is written in it.
struct Devices(tempfile::TempDir);

impl Devices {
    fn new() -> Self {
        let folder = tempfile::tempdir().unwrap();
        std::fs::create_dir(folder.path().join("names")).unwrap();
        Self(folder)
    }

    fn path(&self) -> &Path {
        self.0.path()
    }

    /// Plugs a device in, or changes one: its file appears whole.
    fn plug(&self, node: &str, name: impl AsRef<[u8]>, settings: &str) {
        std::fs::write(self.path().join("names").join(node), name).unwrap();
        let written = self.path().join("being-written");
        std::fs::write(&written, settings).unwrap();
        std::fs::rename(written, self.path().join(node)).unwrap();
    }

    fn unplug(&self, node: &str) {
        std::fs::remove_file(self.path().join(node)).unwrap();
    }

    /// Stores `count` JPEGs for a device to send; gives the line for its settings.
    fn jpegs(&self, count: u32, w: u32, h: u32) -> String {
        for k in 0..count {
            // Uneven ground: something for a decoder to go wrong in.
            let picture =
                image::RgbImage::from_fn(w, h, |x, y| image::Rgb([(x * 7 + k * 20) as u8, (y * 5) as u8, ((x * y) >> 4) as u8 | 64]));
            picture.save(self.path().join(format!("frame-{k}.jpg"))).unwrap();
        }
        format!("jpeg {}/frame-%d.jpg\n", self.path().display())
    }

    fn controls(&self) -> String {
        std::fs::read_to_string(self.path().join("controls")).unwrap_or_default()
    }

    fn watch(&self, arguments: &[&str]) -> Watched {
        let (shim, program) = built();
        let mut child = Command::new(program)
            .args(arguments)
            .env("FAKECAM_DIR", self.path())
            .env("LD_PRELOAD", shim)
            .stdout(Stdio::piped())
            .stderr(Stdio::piped())
            .spawn()
            .unwrap();
        let (send, lines) = channel();
        let out = BufReader::new(child.stdout.take().unwrap());
        std::thread::spawn(move || {
            for line in out.lines().map_while(Result::ok) {
                let _ = send.send(serde_json::from_str(&line).unwrap_or(Value::String(line)));
            }
        });
        Watched { child, lines }
    }
}

/// The child at work.
struct Watched {
    child: Child,
    lines: Receiver<Value>,
}

impl Watched {
    /// Waits for a line that `holds`; fails with what came instead.
    fn within(&self, time: Duration, holds: impl Fn(&Value) -> bool) -> Value {
        let end = Instant::now() + time;
        let mut last = Value::Null;
        while let Ok(line) = self.lines.recv_timeout(end.saturating_duration_since(Instant::now())) {
            if holds(&line) {
                return line;
            }
            last = line;
        }
        panic!("not within {time:?}; the last line was {last}")
    }

    fn live(&self, time: Duration) -> Value {
        self.within(time, |l| l["state"] == "live" && l["picture"].is_object())
    }

    /// Waits for a trouble that begins so, and checks that it comes with advice and, if one was there, the last picture.
    fn trouble(&self, time: Duration, begins: &str) -> Value {
        let line = self.within(time, |l| l["trouble"].as_str().is_some_and(|t| t.starts_with(begins)));
        assert!(line["advice"].as_str().is_some_and(|a| a.len() > 20), "{line}");
        assert_eq!(line["last_number"].is_null(), line["counts"]["frames"] == 0, "the last good picture is kept: {line}");
        line
    }

    /// The child's own end: no panic said, and no thread left.
    fn end(mut self) -> Value {
        let end = self.within(Duration::from_secs(30), |l| l["event"] == "end");
        let status = self.child.wait().unwrap();
        let mut said = String::new();
        std::io::Read::read_to_string(&mut self.child.stderr.take().unwrap(), &mut said).unwrap();
        assert!(status.success() && !said.contains("panicked"), "{status}: {said}");
        assert_eq!(end["threads_before"], end["threads_after"], "{end}");
        end
    }
}

impl Drop for Watched {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

#[test]
fn pictures_come_in_yuyv_and_are_what_was_sent() {
    let _alone = alone();
    let devices = Devices::new();
    devices.plug("video0", "Bench camera", YUYV);
    let watched = devices.watch(&["--seconds", "2"]);
    let line = watched.live(STARTED_WITHIN);
    assert_eq!(line["name"], "Bench camera");
    assert_eq!(line["picture"]["size"], serde_json::json!([640, 480]));
    // The shim's discs (200 and noise to 7) cover 149 of 48² px twofold more or less, ground 60: limited range, about 60.
    let mean = line["picture"]["mean"].as_f64().unwrap();
    assert!((60.0..90.0).contains(&mean), "{mean}");
    assert!(line["picture"]["age_ms"].as_u64().unwrap() < 200, "the driver's stamp is believed: {line}");
    watched.end();
}

#[test]
fn pictures_come_in_mjpeg_and_odd_sizes() {
    let _alone = alone();
    for (format, w, h) in [("MJPG", 321, 243), ("MJPG", 640, 480), ("YUYV", 322, 241), ("YUYV", 321, 3)] {
        let devices = Devices::new();
        let jpegs = devices.jpegs(4, w, h);
        devices.plug("video0", "Odd", &format!("kind camera\nsize {w}x{h}\nformat {format}\ninterval 1/30\n{jpegs}"));
        let watched = devices.watch(&["--seconds", "1.5"]);
        let line = watched.live(STARTED_WITHIN);
        assert_eq!(line["picture"]["size"], serde_json::json!([w, h]), "{format}");
        let later = watched.within(Duration::from_secs(3), |l| l["counts"]["frames"].as_u64() > Some(10));
        assert_eq!(later["counts"]["spoiled"], 0, "{later}");
        watched.end();
    }
}

#[test]
fn metadata_nodes_odd_files_and_odd_names_stand_in_nobodys_way() {
    let _alone = alone();
    let devices = Devices::new();
    devices.plug("video0", "Data about data", "kind metadata\nsize 8x8\nformat YUYV\ninterval 1/30\n");
    devices.plug("video-front", "no number", YUYV);
    devices.plug("video2x", "no number", YUYV);
    devices.plug("video3", b"Kamera \xff\xfe \x07 \xc3\xa4", YUYV);
    devices.plug("video5", "", "kind camera\nsize 320x240\nsize 640x480\nformat YUYV\nformat MJPG\ninterval 1001/30000\ninterval 1/15\n");
    let listed = devices.watch(&["--list"]).within(STARTED_WITHIN, |l| l["cameras"].is_array());
    let cameras = listed["cameras"].as_array().unwrap();
    let names: Vec<&str> = cameras.iter().map(|c| c["name"].as_str().unwrap()).collect();
    assert_eq!(names, ["Kamera \u{fffd}\u{fffd}  ä", "camera 5"]);
    assert_eq!(cameras[1]["index"], 5);
    let offers: Vec<&str> = cameras[1]["offers"].as_array().unwrap().iter().map(|o| o.as_str().unwrap()).collect();
    assert_eq!(offers.len(), 8);
    assert_eq!(offers[..2], ["YUYV 320x240 at 29.97 a second", "YUYV 320x240 at 15 a second"]);
    let watched = devices.watch(&["--seconds", "1"]);
    assert_eq!(watched.live(STARTED_WITHIN)["name"], names[0], "the first that takes pictures");
    watched.end();
}

#[test]
fn a_fractional_rate_is_stepped_round_or_said() {
    let _alone = alone();
    let devices = Devices::new();
    devices.plug("video0", "Grabber", "kind camera\nsize 640x480\nformat YUYV\ninterval 1001/30000\ninterval 1/15\n");
    let watched = devices.watch(&["--seconds", "1.5"]);
    watched.live(STARTED_WITHIN);
    watched.end();
    devices.plug("video0", "Grabber", "kind camera\nsize 720x480\nformat YUYV\ninterval 1001/30000\n");
    let watched = devices.watch(&["--seconds", "3"]);
    let line = watched.trouble(STARTED_WITHIN, "Grabber does not offer");
    assert!(line["trouble"].as_str().unwrap().contains("YUYV 720x480 at 29.97 a second"), "{line}");
    watched.end();
}

#[test]
fn without_a_camera_it_says_so_and_takes_one_up_when_it_comes() {
    let _alone = alone();
    let devices = Devices::new();
    let watched = devices.watch(&["--seconds", "6"]);
    watched.trouble(STARTED_WITHIN, "no camera is connected");
    devices.plug("video1", "Late", YUYV);
    watched.live(BACK_WITHIN);
    watched.end();
}

#[test]
fn unplugged_it_is_said_and_it_comes_back_under_another_number_without_spinning() {
    let _alone = alone();
    let devices = Devices::new();
    devices.plug("video0", "Bench camera", YUYV);
    let watched = devices.watch(&["--camera", "Bench camera", "--seconds", "9"]);
    watched.live(STARTED_WITHIN);
    devices.unplug("video0");
    // "unplugged" at once, "not connected" from the first attempt to open it again.
    let said = watched.trouble(SAID_WITHIN, "Bench camera ");
    assert!(said["trouble"].as_str().unwrap().ends_with("was unplugged"), "{said}");
    let before = watched.trouble(SAID_WITHIN, "Bench camera is not connected");
    std::thread::sleep(Duration::from_secs(3));
    let after = watched.lines.try_iter().last().unwrap();
    let (from, to) = (before["cpu_ms"].as_u64().unwrap(), after["cpu_ms"].as_u64().unwrap());
    let elapsed = after["ms"].as_u64().unwrap() - before["ms"].as_u64().unwrap();
    // 5 % of a core; nokhwa's own loop takes 85 %.
    assert!(elapsed > 2000 && to - from <= elapsed / 20, "{} ms of CPU in {elapsed} ms", to - from);
    devices.plug("video4", "Bench camera", YUYV);
    watched.live(BACK_WITHIN);
    watched.end();
}

#[test]
fn stalled_it_is_said_and_it_comes_back_by_itself() {
    let _alone = alone();
    let devices = Devices::new();
    devices.plug("video0", "Bench camera", YUYV);
    let watched = devices.watch(&["--seconds", "24"]);
    // A short one: the waiting call itself comes back. A long one: the call is given up and the camera opened again.
    for stalled in [0.0, 4.0] {
        watched.live(STARTED_WITHIN);
        devices.plug("video0", "Bench camera", &format!("{YUYV}state stall\n"));
        let said = watched.trouble(SAID_WITHIN, "Bench camera has sent no picture for ");
        assert_eq!(said["counts"]["left_behind"], 0);
        std::thread::sleep(Duration::from_secs_f64(stalled));
        devices.plug("video0", "Bench camera", YUYV);
        let back = watched.live(BACK_WITHIN);
        assert_eq!(back["counts"]["opened"], if stalled > 3.0 { 2 } else { 1 }, "{back}");
        assert_eq!(back["counts"]["left_behind"], 0, "the call was cut short: {back}");
    }
    watched.end();
}

#[test]
fn stalled_from_the_start_it_ends_in_time_all_the_same() {
    let _alone = alone();
    let devices = Devices::new();
    devices.plug("video0", "Bench camera", &format!("{YUYV}state stall\n"));
    let watched = devices.watch(&["--seconds", "3"]);
    watched.trouble(STARTED_WITHIN, "Bench camera has sent no picture for 1.");
    watched.end();
}

#[test]
fn busy_or_denied_it_is_said_by_name() {
    let _alone = alone();
    let devices = Devices::new();
    devices.plug("video0", "Bench camera", &format!("{YUYV}state busy\n"));
    let watched = devices.watch(&["--seconds", "8"]);
    watched.trouble(STARTED_WITHIN, "Bench camera is in use by another program");
    devices.plug("video0", "Bench camera", &format!("{YUYV}state denied\n"));
    watched.trouble(SAID_WITHIN, "Bench camera may not be used by this user");
    devices.plug("video0", "Bench camera", YUYV);
    watched.live(BACK_WITHIN);
    watched.end();
}

/// Frames of one fault: dropped, said, never shown, and good ones are taken up again.
fn spoiled(settings: &str, fault: &str, begins: &str) {
    let devices = Devices::new();
    let jpegs = devices.jpegs(5, 320, 240);
    let settings = format!("{settings}{jpegs}");
    devices.plug("video0", "Bench camera", &settings);
    let watched = devices.watch(&["--seconds", "7"]);
    watched.live(STARTED_WITHIN);
    devices.plug("video0", "Bench camera", &format!("{settings}frame {fault}\n"));
    let said = watched.trouble(SAID_WITHIN, begins);
    // The buffers hold old pictures by now: none of them is shown.
    std::thread::sleep(Duration::from_millis(600));
    let later = watched.lines.try_iter().last().unwrap();
    assert_eq!(later["last_number"], said["last_number"], "{fault}: {later}");
    assert!(later["counts"]["spoiled"].as_u64() > said["counts"]["spoiled"].as_u64());
    assert_eq!(later["counts"]["opened"], 1);
    devices.plug("video0", "Bench camera", &settings);
    watched.live(BACK_WITHIN);
    watched.end();
}

const MJPEG: &str = "kind camera\nsize 320x240\nformat MJPG\ninterval 1/30\n";
const SMALL_YUYV: &str = "kind camera\nsize 320x240\nformat YUYV\ninterval 1/30\n";

#[test]
fn frames_cut_short_are_said_and_never_shown() {
    let _alone = alone();
    spoiled(MJPEG, "short", "Bench camera sends pictures that are cut short");
    spoiled(SMALL_YUYV, "short", "Bench camera sends pictures that are cut short");
}

#[test]
fn frames_cut_short_from_the_start_are_said_and_never_shown() {
    let _alone = alone();
    for settings in [MJPEG, SMALL_YUYV] {
        let devices = Devices::new();
        let jpegs = devices.jpegs(5, 320, 240);
        devices.plug("video0", "Bench camera", &format!("{settings}{jpegs}frame short\n"));
        let watched = devices.watch(&["--seconds", "2.5"]);
        let said = watched.trouble(STARTED_WITHIN, "Bench camera sends pictures that are cut short");
        assert_eq!(said["counts"]["frames"], 0, "{said}");
        watched.end();
    }
}

#[test]
fn empty_frames_are_said_and_never_shown() {
    let _alone = alone();
    spoiled(MJPEG, "empty", "Bench camera sends one and the same picture over and over");
    spoiled(SMALL_YUYV, "empty", "Bench camera sends one and the same picture over and over");
}

#[test]
fn broken_jpegs_are_said_and_never_shown() {
    let _alone = alone();
    spoiled(MJPEG, "broken", "Bench camera sends broken pictures");
}

#[test]
fn a_dark_picture_is_said() {
    let _alone = alone();
    spoiled(SMALL_YUYV, "dark", "the picture of Bench camera is dark: its mean is ");
}

#[test]
fn the_same_picture_over_and_over_is_said() {
    let _alone = alone();
    spoiled(SMALL_YUYV, "same", "Bench camera sends one and the same picture over and over");
}

#[test]
fn a_size_that_is_not_the_bench_files_is_said() {
    let _alone = alone();
    let devices = Devices::new();
    devices.plug("video0", "Bench camera", YUYV);
    let watched = devices.watch(&["--bench-size", "1280x960", "--seconds", "2"]);
    watched.trouble(STARTED_WITHIN, "Bench camera sends pictures of 640x480 px, the bench file is for 1280x960 px");
    watched.end();
}

#[test]
fn format_and_size_are_chosen_as_asked_and_what_is_not_offered_is_said() {
    let _alone = alone();
    let devices = Devices::new();
    let jpegs = devices.jpegs(3, 320, 240);
    devices.plug(
        "video0",
        "Bench camera",
        &format!("kind camera\nsize 640x480\nsize 320x240\nformat YUYV\nformat MJPG\ninterval 1/30\n{jpegs}"),
    );
    let watched = devices.watch(&["--format", "MJPEG", "--size", "320x240", "--seconds", "1"]);
    assert_eq!(watched.live(STARTED_WITHIN)["picture"]["size"], serde_json::json!([320, 240]));
    watched.end();
    let watched = devices.watch(&["--size", "1024x768", "--seconds", "2"]);
    watched.trouble(STARTED_WITHIN, "Bench camera does not offer any format 1024x768");
    watched.end();
}

#[test]
fn two_cameras_are_told_apart_by_name() {
    let _alone = alone();
    let devices = Devices::new();
    devices.plug("video0", "Door camera", YUYV);
    devices.plug("video2", "Bench camera", SMALL_YUYV);
    let watched = devices.watch(&["--camera", "Bench camera", "--seconds", "4"]);
    assert_eq!(watched.live(STARTED_WITHIN)["picture"]["size"], serde_json::json!([320, 240]));
    devices.unplug("video2");
    watched.trouble(SAID_WITHIN, "Bench camera ");
    assert_ne!(watched.trouble(SAID_WITHIN, "Bench camera is not connected")["name"], "Door camera", "no other one is taken for it");
    watched.end();
}

#[test]
fn automatic_changes_are_switched_off_and_exposure_and_gain_are_set() {
    let _alone = alone();
    let devices = Devices::new();
    devices.plug("video0", "Bench camera", YUYV);
    let watched = devices.watch(&["--exposure", "120", "--gain", "33", "--seconds", "2"]);
    let line = watched.live(STARTED_WITHIN);
    let controls = devices.controls();
    let at = |line: &str| controls.find(line).unwrap_or_else(|| panic!("{line} is missing in\n{controls}"));
    assert!(at("0x009a0901 1") < at("0x009a0902 120"), "manual first, then the exposure");
    at("0x00980913 33");
    at("0x0098090c 0");
    let held = line["knobs"]["held"].as_array().unwrap();
    assert_eq!(held, &["automatic exposure", "automatic white balance"]);
    let exposure = line["knobs"]["offered"].as_array().unwrap().iter().find(|o| o["knob"] == "exposure").unwrap();
    assert_eq!((exposure["least"].as_i64(), exposure["most"].as_i64(), exposure["value"].as_i64()), (Some(3), Some(2047), Some(120)));
    assert_eq!(line["knobs"]["refused"], serde_json::json!([]));
    watched.end();
}

#[test]
fn white_balance_is_set_and_a_knob_turned_while_pictures_come_takes_effect() {
    let _alone = alone();
    let devices = Devices::new();
    devices.plug("video0", "Bench camera", YUYV);
    let watched = devices.watch(&["--white-balance", "5200", "--later-gain", "44", "--seconds", "4"]);
    watched.live(STARTED_WITHIN);
    let value = |line: &Value, knob: &str| {
        let offered = line["knobs"]["offered"].as_array().cloned().unwrap_or_default();
        offered.iter().find(|o| o["knob"] == knob).and_then(|o| o["value"].as_i64())
    };
    let line = watched.within(Duration::from_secs(4), |l| value(l, "gain") == Some(44));
    assert_eq!((value(&line, "white balance"), line["state"].as_str()), (Some(5200), Some("live")), "{line}");
    let controls = devices.controls();
    let at = |line: &str| controls.find(line).unwrap_or_else(|| panic!("{line} is missing in\n{controls}"));
    assert!(at("0x0098090c 0") < at("0x0098091a 5200"), "manual first, then the white balance");
    watched.end();
}
