//! The real program in a real window on a virtual display, driven by real keys: from a part put down beside its lands to a kept result.
//!
//! Needs Xvfb and xdotool (Debian: xvfb, xdotool) and Mesa's software drawing (libgl1-mesa-dri, libegl1, libgl1); tests/run installs them.

#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, reason = "a test fails by panicking")]
#![cfg(target_os = "linux")]

use serde_json::Value;
use std::io::{BufRead, BufReader};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::sync::mpsc::{Receiver, RecvTimeoutError, channel};
use std::time::{Duration, Instant};

/// What the program prints on standard error.
const STORY: &str = "story.txt";

/// A child that ends with the test.
struct Running(Child);

impl Drop for Running {
    fn drop(&mut self) {
        let _ = self.0.kill();
        let _ = self.0.wait();
    }
}

/// A display of its own; returns it with its name.
fn display() -> (Running, String) {
    let mut server = Command::new("Xvfb")
        .args(["-displayfd", "1", "-screen", "0", "1280x720x24", "-nolisten", "tcp"])
        .stdout(Stdio::piped())
        .stderr(Stdio::null())
        .spawn()
        .expect("Xvfb is missing: apt-get install xvfb");
    let mut number = String::new();
    BufReader::new(server.stdout.take().unwrap()).read_line(&mut number).unwrap();
    let name = format!(":{}", number.trim());
    assert!(name.len() > 1, "Xvfb gave no display");
    (Running(server), name)
}

struct Window {
    _program: Running,
    _display: Running,
    name: String,
    told: Receiver<Value>,
    last: Value,
}

impl Window {
    fn open(folder: &Path, options: &[&str]) -> Self {
        let (server, name) = display();
        let mut program = Command::new(env!("CARGO_BIN_EXE_landfit"))
            .args(["--narrate", "--results"])
            .arg(folder.join("results"))
            .args(options)
            .env("DISPLAY", &name)
            .env("HOME", folder)
            .env("XDG_CONFIG_HOME", folder.join("config"))
            .env("LIBGL_ALWAYS_SOFTWARE", "1")
            .env_remove("WAYLAND_DISPLAY")
            .env_remove("WAYLAND_SOCKET")
            .current_dir(folder)
            .stdout(Stdio::piped())
            .stderr(std::fs::File::create(folder.join(STORY)).unwrap())
            // Where ALSA finds none of its files it finds no card either, whatever machine this is.
            .env("ALSA_CONFIG_PATH", folder.join("none"))
            .spawn()
            .unwrap();
        let out = program.stdout.take().unwrap();
        let (tell, told) = channel();
        let _ = std::thread::spawn(move || {
            for line in BufReader::new(out).lines().map_while(Result::ok) {
                if let Ok(value) = serde_json::from_str(&line)
                    && tell.send(value).is_err()
                {
                    return;
                }
            }
        });
        let mut window = Self { _program: Running(program), _display: server, name, told, last: Value::Null };
        window.until(Duration::from_secs(120), "a first answer", |told| told["headline"].is_string());
        window.focus();
        window
    }

    fn xdotool(&self, arguments: &[&str]) -> bool {
        let ended = Command::new("xdotool").args(arguments).env("DISPLAY", &self.name).stdout(Stdio::null()).stderr(Stdio::null()).status();
        ended.expect("xdotool is missing: apt-get install xdotool").success()
    }

    /// A virtual display has no window manager that would give the focus.
    fn focus(&self) {
        let until = Instant::now() + Duration::from_secs(60);
        while !self.xdotool(&["search", "--onlyvisible", "--name", "^landfit$", "windowfocus", "--sync"]) {
            assert!(Instant::now() < until, "no window came up");
            std::thread::sleep(Duration::from_millis(300));
        }
    }

    /// Waits until what is told fits.
    fn until(&mut self, patience: Duration, what: &str, fits: impl Fn(&Value) -> bool) {
        let until = Instant::now() + patience;
        while !fits(&self.last) {
            match self.told.recv_timeout(until.saturating_duration_since(Instant::now())) {
                Ok(value) => self.last = value,
                Err(RecvTimeoutError::Timeout) => panic!("waited {} s for {what}; last told: {}", patience.as_secs(), self.last),
                Err(RecvTimeoutError::Disconnected) => panic!("the program ended before {what}; last told: {}", self.last),
            }
        }
    }

    /// The hand waits three seconds, and then until the picture is still.
    fn rest(&mut self) {
        let begun = Instant::now();
        while let Ok(value) = self.told.recv_timeout(Duration::from_secs(10)) {
            self.last = value;
            let waited = begun.elapsed();
            if (waited > Duration::from_secs(3) && self.last["picture"] == "still") || waited > Duration::from_secs(60) {
                return;
            }
        }
    }

    /// Turns the screw that is told, division by division, tens with the shift key.
    fn turn_what_is_told(&self) {
        let next = &self.last["next"];
        let adjuster = next["adjuster"].as_u64().unwrap() as usize;
        let per_turn = next["divisions_per_turn"].as_f64().unwrap();
        let divisions = (next["left_turns"].as_f64().unwrap() * per_turn).round() as i64;
        let keys = [["Home", "End"], ["Insert", "Delete"], ["Prior", "Next"]][adjuster];
        let key = keys[usize::from(divisions > 0)];
        let (tens, ones) = (divisions.unsigned_abs() / 10, divisions.unsigned_abs() % 10);
        for (count, name) in [(tens, format!("shift+{key}")), (ones, key.to_owned())] {
            for _ in 0..count {
                assert!(self.xdotool(&["key", "--clearmodifiers", &name]));
            }
        }
    }
}

fn kept(folder: &Path) -> Vec<PathBuf> {
    let Ok(files) = std::fs::read_dir(folder.join("results")) else { return Vec::new() };
    files.flatten().map(|f| f.path()).filter(|p| !p.file_name().unwrap().to_string_lossy().starts_with('.')).collect()
}

#[test]
fn a_rehearsal_from_a_misplaced_part_to_a_kept_result_by_keys_alone() {
    let folder = tempfile::tempdir().unwrap();
    // Another misplacement every day; the seed is told when it fails.
    let seed = std::time::SystemTime::now().duration_since(std::time::UNIX_EPOCH).unwrap().as_secs() / 86_400;
    let text = seed.to_string();
    println!("seed {seed}");
    let mut window = Window::open(folder.path(), &["--on", "rotation-under-board", "--seed", &text]);
    let mut moves = 0;
    window.rest();
    while window.last["state"] != "good to place" {
        assert!(moves < 30, "seed {seed}: not at its place after {moves} moves: {}", window.last);
        if window.last["next"].is_object() {
            window.turn_what_is_told();
            moves += 1;
        } else {
            assert!(window.xdotool(&["key", "space"]));
        }
        window.rest();
    }
    // A scanner's code and its Enter, a tap on the key that accepts: nothing is accepted by those.
    assert!(window.xdotool(&["type", "--delay", "4", "SN 4711"]) && window.xdotool(&["key", "Return", "F12"]));
    window.rest();
    assert!(window.last["accepted"].is_null() && kept(folder.path()).is_empty(), "seed {seed}: {}", window.last);
    assert!(window.xdotool(&["keydown", "F12"]));
    window.until(Duration::from_secs(30), "the hold to accept", |told| told["accepted"].is_object());
    assert!(window.xdotool(&["keyup", "F12"]));
    let folders = kept(folder.path());
    assert_eq!(folders.len(), 1, "{folders:?}");
    let result: Value = serde_json::from_str(&std::fs::read_to_string(folders[0].join("result.json")).unwrap()).unwrap();
    assert_eq!(result["answer"]["decision"], "within");
    assert_eq!(result["answer"]["clear"], true);
    // What was kept answers the same when it is measured again by the command.
    let measured = assert_cmd::Command::new(env!("CARGO_BIN_EXE_landfit"))
        .current_dir(&folders[0])
        .args(["align", "picture.png", "--part", "part.toml", "--bench", "bench.toml", "--json"])
        .output()
        .unwrap();
    let again: Value = serde_json::from_slice(&measured.stdout).unwrap();
    for part in ["offset", "uncertainty", "worst", "decision", "terminals", "lands"] {
        assert_eq!(again[part], result["answer"][part], "{part}");
    }
}

#[test]
fn without_a_sound_card_nothing_is_printed_but_where_it_is_asked_for() {
    let folder = tempfile::tempdir().unwrap();
    std::fs::create_dir_all(folder.path().join("config/landfit")).unwrap();
    std::fs::write(folder.path().join("config/landfit/settings.json"), "{\"sound\": true}").unwrap();
    let story = |options: &[&str], ended: &dyn Fn(&str) -> bool| {
        let _window = Window::open(folder.path(), &[&["--on", "rotation-under-board"], options].concat());
        let until = Instant::now() + Duration::from_secs(30);
        loop {
            let story = std::fs::read_to_string(folder.path().join(STORY)).unwrap();
            if ended(&story) || Instant::now() > until {
                return story;
            }
            std::thread::sleep(Duration::from_millis(100));
        }
    };
    let told = story(&["-v"], &|story| story.contains("ALSA: "));
    assert!(told.contains("ALSA: "), "a card was looked for: {told}");
    assert!(!told.lines().any(|line| line.starts_with("ALSA")), "ALSA itself printed: {told}");
    let begun = Instant::now();
    let told = story(&[], &|_| begun.elapsed() > Duration::from_secs(6));
    assert_eq!(told, "");
}

#[test]
fn without_a_display_the_rehearsal_runs_in_the_terminal_and_says_why() {
    let folder = tempfile::tempdir().unwrap();
    let ended = assert_cmd::Command::new(env!("CARGO_BIN_EXE_landfit"))
        .args(["--on", "rotation-under-board"])
        .env_remove("DISPLAY")
        .env_remove("WAYLAND_DISPLAY")
        .env_remove("WAYLAND_SOCKET")
        .env("HOME", folder.path())
        .current_dir(folder.path())
        .output()
        .unwrap();
    let (out, story) = (String::from_utf8_lossy(&ended.stdout), String::from_utf8_lossy(&ended.stderr));
    assert!(story.contains("no display"), "{story}");
    assert!(out.contains("Good to place."), "{out}");
    assert_eq!(ended.status.code(), Some(0));
}

#[test]
fn a_page_is_drawn_to_a_picture_without_a_display() {
    let folder = tempfile::tempdir().unwrap();
    for page in ["part", "align", "after", "bench", "settings", "help"] {
        let file = folder.path().join(format!("{page}.png"));
        let ended = assert_cmd::Command::new(env!("CARGO_BIN_EXE_landfit"))
            .args(["--on", "rotation-under-board", "--page", page, "--size", "800x600", "--shot"])
            .arg(&file)
            .env_remove("DISPLAY")
            .env_remove("WAYLAND_DISPLAY")
            .output()
            .unwrap();
        assert_eq!(ended.status.code(), Some(0), "{}", String::from_utf8_lossy(&ended.stderr));
        let picture = image::open(&file).unwrap().into_rgb8();
        assert_eq!(picture.dimensions(), (800, 600));
        let ground = *picture.get_pixel(2, 2);
        let drawn = picture.pixels().filter(|p| **p != ground).count();
        assert!(drawn > 10_000, "{page}: {drawn} px drawn");
    }
    let wrong = assert_cmd::Command::new(env!("CARGO_BIN_EXE_landfit")).args(["--shot", "x.png", "--page", "attic"]).output().unwrap();
    assert_eq!(wrong.status.code(), Some(2));
    assert!(String::from_utf8_lossy(&wrong.stderr).contains("part, align, after, bench"));
}
