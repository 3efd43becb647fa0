//! What `landfit part` and `landfit bench` promise on the command line.

#![allow(clippy::expect_used, reason = "a test that cannot go on says so")]

use assert_cmd::Command;
use landfit_calibration::bench::{CalibrationState, Motion, Reads};
use landfit_calibration::bench_file;
use landfit_part::{PointMm, Side, file};
use std::path::Path;

struct Ended {
    status: i32,
    result: String,
    story: String,
}

fn landfit(folder: &Path, args: &[&str], answers: &str) -> Ended {
    let output = Command::cargo_bin("landfit").expect("program").current_dir(folder).args(args).write_stdin(answers).output().expect("ran");
    let text = |bytes: Vec<u8>| String::from_utf8(bytes).expect("UTF-8");
    Ended { status: output.status.code().expect("status"), result: text(output.stdout), story: text(output.stderr) }
}

/// Runs a command that must end as bad input, with one line on standard error and nothing else.
fn refused(folder: &Path, args: &[&str]) -> String {
    let ended = landfit(folder, args, "");
    assert_eq!((ended.status, ended.result.as_str()), (2, ""), "{}", ended.story);
    assert_eq!(ended.story.lines().count(), 1, "{}", ended.story);
    ended.story
}

fn folder() -> tempfile::TempDir {
    tempfile::tempdir().expect("folder")
}

fn files(folder: &Path) -> usize {
    std::fs::read_dir(folder).expect("folder").count()
}

const GRID: [&str; 9] = ["part", "new", "grid", "--rows", "16", "--columns", "16", "--pitch", "0.8"];

fn grid<'a>(more: &[&'a str]) -> Vec<&'a str> {
    GRID.iter().copied().chain(more.iter().copied()).collect()
}

#[test]
fn a_grid_of_drawing_values_becomes_a_part_file_and_the_sources_are_said() {
    let folder = folder();
    let ended = landfit(
        folder.path(),
        &grid(&["--absent", "A1,G7:K10", "--name", "demo", "--part-mark", "-6.3,6.3,0.3", "--out", "demo.toml"]),
        "",
    );
    assert_eq!(ended.status, 0, "{}", ended.story);
    let part = file::read(&folder.path().join("demo.toml")).expect("part");
    assert_eq!((part.name.as_str(), part.sites.len(), part.body_mm), ("demo", 256 - 17, [14.0, 14.0]));
    assert_eq!(part.marks[0].at_mm, PointMm::new(-6.3, 6.3));
    for said in [
        "ball         0.45 mm: the middle one of 5 balls usual at 0.8 mm pitch",
        "IPC-7095",
        "land         0.35 mm",
        "25 % of the smallest land",
        "demo.toml",
    ] {
        assert!(ended.result.contains(said), "{said} is missing in\n{}", ended.result);
    }
}

#[test]
fn lengths_may_carry_their_unit_and_two_pitches_differ() {
    let folder = folder();
    let args = [
        "part",
        "new",
        "grid",
        "--rows",
        "4",
        "--columns",
        "6",
        "--pitch",
        "0.65x0.8 mm",
        "--ball",
        "0.3mm",
        "--land",
        "0.28 mm",
        "--body",
        "6x5",
        "--out",
        "a.toml",
    ];
    assert_eq!(landfit(folder.path(), &args, "").status, 0);
    let part = file::read(&folder.path().join("a.toml")).expect("part");
    assert!(part.sites[1].at_mm.distance(part.sites[0].at_mm + PointMm::new(0.65, 0.0)) < 1e-12);
    assert!(part.sites[6].at_mm.distance(part.sites[0].at_mm - PointMm::new(0.0, 0.8)) < 1e-12);
    assert_eq!(part.body_mm, [6.0, 5.0]);
}

#[test]
fn a_part_file_is_not_written_over_unasked() {
    let folder = folder();
    std::fs::write(folder.path().join("a.toml"), "mine").expect("written");
    let told = refused(folder.path(), &grid(&["--out", "a.toml"]));
    assert_eq!(told, "landfit: a.toml is there already, and nothing was written; give --replace to write over it\n");
    assert_eq!(std::fs::read(folder.path().join("a.toml")).expect("text"), b"mine");
    assert_eq!(landfit(folder.path(), &grid(&["--out", "a.toml", "--replace"]), "").status, 0);
    assert_eq!(file::read(&folder.path().join("a.toml")).expect("part").sites.len(), 256);
}

#[test]
fn drawing_values_that_cannot_be_meant_end_as_bad_input_and_write_nothing() {
    let folder = folder();
    for (args, told) in [
        (vec!["part", "new", "grid", "--rows", "4", "--columns", "4", "--pitch", "0", "--out", "a.toml"], "--pitch"),
        (grid(&["--ball", "nan", "--out", "a.toml"]), "--ball"),
        (grid(&["--ball", "0.9", "--land", "0.3", "--out", "a.toml"]), "balls of 0.9 mm touch each other at a pitch of 0.8 mm"),
        (grid(&["--body", "10", "--out", "a.toml"]), "more than the body of 10 x 10 mm"),
        (grid(&["--absent", "I1", "--out", "a.toml"]), "--absent: \"I1\": no row is called I"),
        (grid(&["--absent", "A1:T16", "--out", "a.toml"]), "no ball is left"),
        (grid(&["--empty-middle", "3x4", "--out", "a.toml"]), "cannot lie in the middle of 16 x 16"),
        (grid(&[]), "--out <FILE>"),
        (grid(&["--out", "no/a.toml"]), "cannot write no/a.toml: its folder is not there; nothing was written"),
    ] {
        let story = refused(folder.path(), &args);
        assert!(story.contains(told), "{story}");
    }
    let unlisted = refused(folder.path(), &["part", "new", "grid", "--rows", "4", "--columns", "4", "--pitch", "0.9", "--out", "a.toml"]);
    assert!(unlisted.contains("--ball is needed: no usual ball is listed for a pitch of 0.9 mm"), "{unlisted}");
    assert_eq!(files(folder.path()), 0);
}

#[cfg(unix)]
#[test]
fn a_read_only_folder_ends_as_bad_input() {
    use std::os::unix::fs::PermissionsExt;
    let folder = folder();
    let closed = folder.path().join("closed");
    std::fs::create_dir(&closed).expect("folder");
    std::fs::set_permissions(&closed, std::fs::Permissions::from_mode(0o555)).expect("closed");
    // Permissions do not stop root, for whom /proc stands in: it takes no files from anybody.
    let place = if std::fs::write(closed.join("probe"), "").is_ok() { "/proc" } else { "closed" };
    for args in [grid(&["--out", &format!("{place}/a.toml")]), vec!["bench", "new", "--unasked", "--out", &format!("{place}/a.toml")]] {
        let story = refused(folder.path(), &args);
        assert!(story.contains(&format!("cannot write {place}/a.toml: no file can be made in its folder (")), "{story}");
    }
    std::fs::set_permissions(&closed, std::fs::Permissions::from_mode(0o755)).expect("open again");
}

#[test]
fn a_part_is_told_in_words_and_drawn_to_scale() {
    let folder = folder();
    assert_eq!(landfit(folder.path(), &grid(&["--out", "a.toml"]), "").status, 0);
    let told = landfit(folder.path(), &["part", "show", "a.toml"], "").result;
    for said in [
        "256 sites in a grid of 16 rows and 16 columns",
        "pitch        0.8 mm",
        "reach        12 x 12 mm",
        "allowed miss 0.0875 mm",
        "every quarter turn",
    ] {
        assert!(told.contains(said), "{said} is missing in\n{told}");
    }
    let drawn = landfit(folder.path(), &["part", "show", "a.toml", "--out", "a.svg"], "");
    assert_eq!(drawn.status, 0);
    let svg = std::fs::read_to_string(folder.path().join("a.svg")).expect("drawing");
    assert!(svg.starts_with("<svg ") && svg.contains("from above") && svg.contains("from below") && svg.matches("<circle").count() == 512);
    assert!(refused(folder.path(), &["part", "show", "a.toml", "--out", "a.svg"]).contains("--replace"));
    assert!(refused(folder.path(), &["part", "show", "a.toml", "--out", "a.toml", "--replace"]).contains("a.toml is read here"));
}

#[test]
fn errors_of_files_name_file_line_key_and_mend() {
    let folder = folder();
    let write = |text: &str| std::fs::write(folder.path().join("a.toml"), text).expect("written");
    write("name = \"B\"\nbody_mm = [1, 1]\n[grid]\nrow = 4\n");
    let part = refused(folder.path(), &["part", "show", "a.toml"]);
    assert!(part.starts_with("landfit: a.toml, line 4: [grid] row is an unknown key; did you mean rows?"), "{part}");
    let bench = refused(folder.path(), &["bench", "show", "a.toml"]);
    assert!(bench.starts_with("landfit: a.toml, line 2: body_mm is a key of part files, and [frame] is missing"), "{bench}");
    write("name = \"B\"\nzoom = 3\n");
    let bench = refused(folder.path(), &["bench", "show", "a.toml"]);
    assert!(bench.starts_with("landfit: a.toml, line 2: zoom is an unknown key; known here: schema, name, frame,"), "{bench}");
    assert!(refused(folder.path(), &["part", "show", "none.toml"]).starts_with("landfit: cannot read none.toml: "));
}

#[test]
fn questions_are_answered_from_a_pipe() {
    let folder = folder();
    let answers = "corner bench\n1600x1200\n640\n2.2\n1\namber\n0.05,0.5,0.7\n-0.635\npart\n25\nleft\n0.635\npart\n0\n\n-2\n\n1.5,-2\nsteps\n\n0.05\n";
    let ended = landfit(folder.path(), &["bench", "new", "--out", "b.toml"], answers);
    assert_eq!(ended.status, 0, "{}", ended.story);
    let bench = bench_file::read(&folder.path().join("b.toml")).expect("bench");
    assert_eq!((bench.name.as_str(), bench.calibration), ("corner bench", CalibrationState::NotCalibrated));
    assert_eq!((bench.optics.frame.size_px, bench.optics.frame.gamma), ([1600, 1200], 2.2));
    assert_eq!(bench.optics.views[1].tint, [0.05, 0.5, 0.7]);
    assert_eq!(bench.optics.views[0].px_from_mm.as_slice(), [64.0, 0.0, 0.0, 0.0, -64.0, 0.0, 799.5, 599.5, 1.0]);
    assert_eq!(bench.adjusters[0].turn, Motion::Shift { step_mm: PointMm::new(-0.635, 0.0) });
    assert_eq!((bench.adjusters[1].divisions, bench.adjusters[1].reads, bench.adjusters[1].carries), (None, Reads::None, Side::Part));
    assert_eq!(bench.adjusters[2].turn, Motion::Rotation { step_rad: (-2.0f64).to_radians(), pivot_mm: PointMm::new(1.5, -2.0) });
    assert_eq!((bench.adjusters[2].reads, bench.adjusters[2].backlash_turns), (Reads::Steps, 0.05));
    assert!(ended.result.contains("not calibrated"));
}

#[test]
fn every_question_has_a_flag_and_nothing_is_asked_then() {
    let folder = folder();
    #[rustfmt::skip]
    let flags = [
        "bench", "new", "--out", "b.toml", "--name", "n", "--size", "640x480", "--um-per-px", "20", "--gamma", "1", "--pictures", "2",
        "--part-light", "white", "--board-light", "white", "--x-mm", "0.5", "--x-carries", "board", "--x-divisions", "50", "--x-stands", "right",
        "--y-mm", "-0.5", "--y-carries", "board", "--y-divisions", "50", "--y-stands", "near", "--r-deg", "1.5", "--r-carries", "part",
        "--r-pivot", "-0.4,1.1", "--r-divisions", "30", "--r-stands", "top", "--backlash", "0.02",
    ];
    let ended = landfit(folder.path(), &flags, "");
    assert_eq!((ended.status, ended.story.as_str()), (0, ""));
    let bench = bench_file::read(&folder.path().join("b.toml")).expect("bench");
    assert_eq!(bench.optics.views.iter().map(|v| (v.shows, v.exposure)).collect::<Vec<_>>(), [(Side::Part, 0), (Side::Board, 1)]);
    assert_eq!(bench.optics.views[0].px_from_mm[(0, 0)], 50.0);
    let unasked = landfit(folder.path(), &["bench", "new", "--unasked", "--out", "c.toml"], "");
    assert_eq!((unasked.status, unasked.story.as_str()), (0, ""));
}

#[test]
fn bad_answers_end_as_bad_input_with_the_flags_name_and_write_nothing() {
    let folder = folder();
    for (flag, value) in [
        ("--size", "wide"),
        ("--um-per-px", "0"),
        ("--gamma", "-1"),
        ("--pictures", "3"),
        ("--part-light", "pink"),
        ("--x-mm", "1in"),
        ("--x-carries", "table"),
        ("--y-divisions", "1.5"),
        ("--r-pivot", "4"),
        ("--r-stands", "under"),
        ("--backlash", "-1"),
    ] {
        let story = refused(folder.path(), &["bench", "new", "--unasked", "--out", "b.toml", &format!("{flag}={value}")]);
        assert!(story.contains(flag), "{story}");
    }
    assert_eq!(files(folder.path()), 0);
}
