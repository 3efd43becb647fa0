//! Bad input is refused with one line on standard error, exit status 2 and nothing written; with --json an object says so, too.

#![allow(clippy::unwrap_used, clippy::panic, reason = "a test fails by panicking")]

use std::fs;
use std::path::{Path, PathBuf};
use std::time::Duration;

const PART: &str = r#"schema = 1
name = "test grid"
body_mm = [4.0, 4.0]

[grid]
rows = 4
columns = 4
pitch_mm = [0.8, 0.8]
terminal = { round_mm = 0.45 }
land = { round_mm = 0.36 }
"#;

/// The bench of the demo pictures.
const BENCH: &str = include_str!("../calibration/rehearsal/data/small-bench.toml");

/// A folder with everything that `align` needs, good until a test spoils one thing.
struct Job {
    folder: tempfile::TempDir,
    pictures: Vec<PathBuf>,
    overlay: PathBuf,
}

struct Ended {
    status: Option<i32>,
    out: String,
    err: String,
}

impl Job {
    fn new() -> Self {
        let folder = tempfile::tempdir().unwrap();
        let at = |name: &str| folder.path().join(name);
        fs::write(at("part.toml"), PART).unwrap();
        fs::write(at("bench.toml"), BENCH).unwrap();
        image::RgbImage::new(800, 600).save(at("picture.png")).unwrap();
        let (pictures, overlay) = (vec![at("picture.png")], at("marked.png"));
        Self { folder, pictures, overlay }
    }

    fn at(&self, name: &str) -> PathBuf {
        self.folder.path().join(name)
    }

    /// Replaces one piece of a file, which must be there once.
    fn spoil(self, name: &str, good: &str, bad: &str) -> Self {
        let text = fs::read_to_string(self.at(name)).unwrap();
        assert_eq!(text.matches(good).count(), 1, "{good} in {name}");
        fs::write(self.at(name), text.replace(good, bad)).unwrap();
        self
    }

    fn with_picture(self, bytes: &[u8]) -> Self {
        fs::write(&self.pictures[0], bytes).unwrap();
        self
    }

    fn align(&self, more: &[&str]) -> Ended {
        let mut command = assert_cmd::Command::new(env!("CARGO_BIN_EXE_landfit"));
        command.arg("align").args(&self.pictures).arg("--part").arg(self.at("part.toml")).arg("--bench").arg(self.at("bench.toml"));
        command.arg("--overlay").arg(&self.overlay).args(more).timeout(Duration::from_secs(60));
        let output = command.output().unwrap();
        let text = |bytes: Vec<u8>| String::from_utf8(bytes).unwrap();
        Ended { status: output.status.code(), out: text(output.stdout), err: text(output.stderr) }
    }

    fn names(&self) -> Vec<String> {
        let mut names: Vec<_> = fs::read_dir(self.folder.path()).unwrap().map(|e| e.unwrap().file_name().into_string().unwrap()).collect();
        names.sort();
        names
    }

    /// Asserts the refusal, in text and in JSON; `words` must all stand in the one line.
    fn assert_refused(&self, words: &[&str]) {
        let before = self.names();
        let ended = self.align(&[]);
        assert_eq!(ended.status, Some(2), "{}{}", ended.out, ended.err);
        assert_eq!(ended.out, "");
        assert_one_line(&ended.err, words);

        let ended = self.align(&["--json"]);
        assert_eq!(ended.status, Some(2), "{}{}", ended.out, ended.err);
        assert_one_line(&ended.err, words);
        let answer: serde_json::Value = serde_json::from_str(&ended.out).unwrap_or_else(|e| panic!("{e}: {}", ended.out));
        assert_eq!(answer["reason"]["code"], "bad-input");
        assert_eq!(answer["answer"], "none");
        assert!(answer["offset"].is_null() && answer["moves"].is_null(), "{answer}");

        assert_eq!(self.names(), before, "something was written");
        assert!(!self.overlay.is_file());
    }
}

fn assert_one_line(err: &str, words: &[&str]) {
    assert_eq!(err.lines().count(), 1, "not one line: {err}");
    for word in words {
        assert!(err.contains(word), "{word} is not in: {err}");
    }
}

fn png(folder: &Path) -> Vec<u8> {
    fs::read(folder.join("picture.png")).unwrap()
}

/// A PNG that says it is 60,000 x 60,000 px of colour and holds next to nothing.
fn png_of_a_huge_header() -> Vec<u8> {
    let chunk = |kind: &[u8; 4], data: &[u8]| {
        let body = [kind.as_slice(), data].concat();
        [&u32::to_be_bytes(data.len() as u32), body.as_slice(), &u32::to_be_bytes(crc32(&body))].concat()
    };
    let side = 60_000_u32.to_be_bytes();
    let header = [side.as_slice(), &side, &[8, 2, 0, 0, 0]].concat();
    // An empty zlib stream.
    let nothing = [0x78, 0x9c, 0x03, 0x00, 0x00, 0x00, 0x00, 0x01];
    [b"\x89PNG\r\n\x1a\n".as_slice(), &chunk(b"IHDR", &header), &chunk(b"IDAT", &nothing), &chunk(b"IEND", &[])].concat()
}

/// The checksum of a PNG chunk (ISO/IEC 15948, annex D).
fn crc32(bytes: &[u8]) -> u32 {
    let step = |crc: u32, _| if crc & 1 == 1 { 0xedb8_8320 ^ (crc >> 1) } else { crc >> 1 };
    !bytes.iter().fold(u32::MAX, |crc, b| (0..8).fold(crc ^ u32::from(*b), step))
}

#[test]
fn the_untouched_job_is_no_bad_input() {
    let job = Job::new();
    let ended = job.align(&["--json"]);
    // A black picture settles nothing, and the program says that rather than blaming the files.
    assert_eq!(ended.status, Some(3), "{}{}", ended.out, ended.err);
    let answer: serde_json::Value = serde_json::from_str(&ended.out).unwrap();
    assert_eq!(answer["reason"]["code"], "too-dark");
}

#[test]
fn a_missing_picture() {
    let job = Job::new();
    fs::remove_file(&job.pictures[0]).unwrap();
    job.assert_refused(&["picture.png"]);
}

#[test]
fn an_empty_picture() {
    Job::new().with_picture(b"").assert_refused(&["picture.png"]);
}

#[test]
fn a_truncated_picture() {
    let job = Job::new();
    let bytes = png(job.folder.path());
    job.with_picture(&bytes[..bytes.len() / 2]).assert_refused(&["picture.png"]);
}

#[test]
fn a_text_in_place_of_a_picture() {
    Job::new().with_picture(b"X 3.27\nY 1.05\n").assert_refused(&["picture.png"]);
}

#[test]
fn a_folder_in_place_of_a_picture() {
    let job = Job::new();
    fs::remove_file(&job.pictures[0]).unwrap();
    fs::create_dir(&job.pictures[0]).unwrap();
    job.assert_refused(&["picture.png"]);
}

#[test]
fn a_header_of_60000_by_60000_px_is_refused_before_any_memory_is_taken() {
    let job = Job::new().with_picture(&png_of_a_huge_header());
    let started = std::time::Instant::now();
    job.assert_refused(&["picture.png", "larger than"]);
    // Both runs: clearing 10.8 GB would take longer, if the machine had it.
    assert!(started.elapsed() < Duration::from_secs(2), "{:?}", started.elapsed());
}

#[test]
fn a_picture_of_another_size_than_the_benchs() {
    let job = Job::new();
    image::RgbImage::new(600, 800).save(&job.pictures[0]).unwrap();
    job.assert_refused(&["picture.png", "600", "800"]);
}

#[test]
fn a_picture_too_many() {
    let mut job = Job::new();
    job.pictures.push(job.pictures[0].clone());
    job.assert_refused(&["1", "2"]);
}

#[test]
fn a_picture_too_few() {
    let job = Job::new().spoil("bench.toml", "shows = \"board\"\nexposure = 0", "shows = \"board\"\nexposure = 1");
    job.assert_refused(&["1", "2"]);
}

#[test]
fn a_missing_part_file() {
    let job = Job::new();
    fs::remove_file(job.at("part.toml")).unwrap();
    job.assert_refused(&["part.toml"]);
}

#[test]
fn a_bench_file_that_is_no_toml() {
    Job::new().spoil("bench.toml", "[frame]", "[frame").assert_refused(&["bench.toml"]);
}

#[test]
fn an_unknown_key_of_the_part_is_named_with_its_line() {
    Job::new().spoil("part.toml", "pitch_mm", "pitch_um").assert_refused(&["part.toml", "pitch_um", "line 8"]);
}

#[test]
fn an_unknown_key_of_the_bench_is_named_with_its_line() {
    Job::new().spoil("bench.toml", "size_px = [800, 600]", "size_px = [800, 600]\nheight = 3").assert_refused(&[
        "bench.toml",
        "height",
        "line 8",
    ]);
}

#[test]
fn a_number_that_is_none_in_the_part() {
    Job::new().spoil("part.toml", "pitch_mm = [0.8, 0.8]", "pitch_mm = [nan, 0.8]").assert_refused(&["part.toml", "pitch_mm"]);
}

#[test]
fn a_number_that_is_none_in_the_bench() {
    Job::new().spoil("bench.toml", "mm = [0.5, 0.003]", "mm = [nan, 0.003]").assert_refused(&["bench.toml", "mm"]);
}

#[test]
fn a_pitch_of_zero() {
    Job::new().spoil("part.toml", "pitch_mm = [0.8, 0.8]", "pitch_mm = [0.8, 0.0]").assert_refused(&["part.toml", "pitch_mm"]);
}

#[test]
fn two_sites_of_one_name() {
    let site = "\n[[site]]\nid = \"A1\"\nat_mm = [3.0, 0.0]\nterminal = { round_mm = 0.45 }\nland = { round_mm = 0.36 }\n";
    let job = Job::new();
    fs::write(job.at("part.toml"), format!("{PART}{site}")).unwrap();
    job.assert_refused(&["part.toml", "A1"]);
}

#[test]
fn two_adjusters_of_one_name() {
    Job::new().spoil("bench.toml", "name = \"Y\"", "name = \"X\"").assert_refused(&["bench.toml", "X"]);
}

#[test]
fn a_singular_px_from_mm() {
    let (view, singular) = (
        "exposure = 0\ntint = [0.08, 0.52, 0.78]\npx_from_mm = [[71.15, -0.43,",
        "exposure = 0\ntint = [0.08, 0.52, 0.78]\npx_from_mm = [[0.0, 0.0,",
    );
    Job::new().spoil("bench.toml", view, singular).assert_refused(&["bench.toml", "px_from_mm"]);
}

#[test]
fn adjusters_that_depend_on_each_other() {
    Job::new().spoil("bench.toml", "mm = [-0.004, 0.5]", "mm = [1.0, 0.006]").assert_refused(&["bench.toml", "X", "Y"]);
}

#[test]
fn an_output_in_a_folder_that_is_a_file() {
    let mut job = Job::new();
    job.overlay = job.at("part.toml").join("marked.png");
    job.assert_refused(&["marked.png"]);
}

#[test]
fn an_output_in_a_folder_that_is_not_there() {
    let mut job = Job::new();
    job.overlay = job.at("nowhere").join("marked.png");
    job.assert_refused(&["marked.png"]);
}

/// The picture that was measured, and the files that it was measured by, are worth more than their marked picture.
#[test]
fn an_output_in_place_of_what_is_read() {
    for name in ["picture.png", "part.toml", "bench.toml"] {
        let mut job = Job::new();
        // By another way to the same file.
        job.overlay = job.folder.path().join(".").join(name);
        let before = fs::read(job.at(name)).unwrap();
        let ended = job.align(&[]);
        assert_eq!(ended.status, Some(2), "{}{}", ended.out, ended.err);
        assert_one_line(&ended.err, &["--overlay", name, "is read here"]);
        assert_eq!(fs::read(job.at(name)).unwrap(), before, "{name} was written over");
    }
}

#[test]
fn an_output_named_as_a_picture_that_is_no_png() {
    let mut job = Job::new();
    job.overlay = job.at("marked.jpg");
    job.assert_refused(&["marked.jpg", ".png"]);
}

#[test]
fn part_and_bench_file_in_each_others_place() {
    let job = Job::new();
    fs::rename(job.at("part.toml"), job.at("kept.toml")).unwrap();
    fs::rename(job.at("bench.toml"), job.at("part.toml")).unwrap();
    job.assert_refused(&["part.toml, line", "this is a bench file"]);
    fs::rename(job.at("part.toml"), job.at("bench.toml")).unwrap();
    fs::copy(job.at("kept.toml"), job.at("part.toml")).unwrap();
    fs::rename(job.at("kept.toml"), job.at("bench.toml")).unwrap();
    job.assert_refused(&["bench.toml, line", "this is a part file"]);
}

/// Not even an administrator makes files in /proc, so this holds for every user; elsewhere than on Linux there is none.
#[test]
#[cfg(target_os = "linux")]
fn an_output_in_a_folder_of_the_system_that_takes_no_files() {
    let mut job = Job::new();
    job.overlay = PathBuf::from("/proc/landfit-marked.png");
    job.assert_refused(&["landfit-marked.png"]);
}

#[test]
#[cfg(unix)]
fn an_output_in_a_read_only_folder() {
    use std::os::unix::fs::PermissionsExt;
    let mut job = Job::new();
    let folder = job.at("read-only");
    fs::create_dir(&folder).unwrap();
    fs::set_permissions(&folder, fs::Permissions::from_mode(0o555)).unwrap();
    if fs::write(folder.join("probe"), "").is_ok() {
        // An administrator writes here all the same; /proc above stands for this case then.
        println!("skipped: this user may write into read-only folders");
        return;
    }
    job.overlay = folder.join("marked.png");
    job.assert_refused(&["marked.png"]);
    fs::set_permissions(&folder, fs::Permissions::from_mode(0o755)).unwrap();
}

/// Runs landfit with arguments that fit no command, and the same with --json; `words` must stand in the one line.
fn assert_usage_refused(arguments: &[&str], words: &[&str]) {
    let run = |more: &[&str]| assert_cmd::Command::new(env!("CARGO_BIN_EXE_landfit")).args(arguments).args(more).output().unwrap();
    let text = |bytes: &[u8]| String::from_utf8(bytes.to_vec()).unwrap();

    let plain = run(&[]);
    assert_eq!(plain.status.code(), Some(2));
    assert_eq!(text(&plain.stdout), "");
    assert_one_line(&text(&plain.stderr), words);

    let json = run(&["--json"]);
    assert_eq!(json.status.code(), Some(2));
    assert_one_line(&text(&json.stderr), words);
    let answer: serde_json::Value = serde_json::from_slice(&json.stdout).unwrap_or_else(|e| panic!("{e}: {}", text(&json.stdout)));
    assert_eq!((&answer["answer"], &answer["reason"]["code"]), (&"none".into(), &"bad-input".into()));
    let told = answer["reason"]["text"].as_str().unwrap();
    assert!(words.iter().all(|w| told.contains(w)), "{told}");
}

#[test]
fn align_without_its_part() {
    assert_usage_refused(&["align", "picture.png", "--bench", "bench.toml"], &["--part"]);
}

#[test]
fn align_with_an_option_that_it_has_not() {
    assert_usage_refused(&["align", "picture.png", "--part", "part.toml", "--bench", "bench.toml", "--polish"], &["--polish"]);
}

#[test]
fn inspect_without_its_part() {
    assert_usage_refused(&["inspect", "picture.png"], &["--part"]);
}

#[test]
fn inspect_of_a_side_that_no_part_has() {
    assert_usage_refused(&["inspect", "picture.png", "--part", "part.toml", "--side", "lid"], &["lid", "board"]);
}

#[test]
fn inspect_of_files_that_are_not_there() {
    assert_usage_refused(&["inspect", "no-picture.png", "--part", "no-part.toml"], &["no-part.toml"]);
}
