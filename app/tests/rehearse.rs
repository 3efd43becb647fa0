//! `landfit rehearse` as a person or a script meets it.

#![allow(clippy::unwrap_used, reason = "a test that cannot go on fails")]

use assert_cmd::Command;
use std::path::Path;

fn landfit(args: &[&str]) -> Command {
    let mut command = Command::cargo_bin("landfit").unwrap();
    command.arg("rehearse").args(args);
    command
}

fn text(bytes: &[u8]) -> String {
    String::from_utf8(bytes.to_vec()).unwrap()
}

fn figures(args: &[&str], threads: &str) -> serde_json::Value {
    let output = landfit(args).env("RAYON_NUM_THREADS", threads).output().unwrap();
    let mut figures: serde_json::Value = serde_json::from_slice(&output.stdout).unwrap();
    for kind in figures["kinds"].as_array_mut().unwrap() {
        assert!(kind["ms_median"].take().as_f64().unwrap() > 0.0);
    }
    figures["pooled"]["ms_median"].take();
    figures
}

#[test]
fn without_files_or_camera_the_whole_job_is_rehearsed_to_its_end() {
    let folder = tempfile::tempdir().unwrap();
    let out = folder.path().join("looks");
    let run = || landfit(&["--seed", "3", "--out", out.to_str().unwrap()]).output().unwrap();
    let first = run();
    let told = text(&first.stdout);
    assert_eq!(first.status.code(), Some(0), "{told}{}", text(&first.stderr));
    for piece in ["Look 1", "Turn the rotation", "the worst ball will then be", "allowed 90 µm", "Look 2", "Good to place"] {
        assert!(told.to_lowercase().contains(&piece.to_lowercase()), "{piece:?} in\n{told}");
    }
    assert!(out.join("look-1.png").is_file() && out.join("look-2.png").is_file());
    let picture = std::fs::read(out.join("look-1.png")).unwrap();
    let again = run();
    assert_eq!(told, text(&again.stdout), "the same seed tells the same");
    assert_eq!(picture, std::fs::read(out.join("look-1.png")).unwrap());
}

#[test]
fn a_saved_look_holds_what_align_takes_and_the_truth() {
    let folder = tempfile::tempdir().unwrap();
    for kind in [None, Some("good-light")] {
        let dir = folder.path().join(kind.unwrap_or("default"));
        let mut args = vec!["--save", dir.to_str().unwrap()];
        args.extend(kind.iter().flat_map(|k| ["--kinds", k]));
        landfit(&args).assert().success();
        let truth: serde_json::Value = serde_json::from_slice(&std::fs::read(dir.join("truth.json")).unwrap()).unwrap();
        let answer = align(&dir);
        // Coarse on purpose: a mixed-up sign, unit, frame or view shows here; how exact answers are, the study tells.
        for key in ["x_mm", "y_mm", "theta_deg"] {
            let off = answer["offset"][key].as_f64().unwrap() - truth["offset"][key].as_f64().unwrap();
            assert!(off.abs() < 0.02, "{key} is off by {off}");
        }
    }
}

fn align(dir: &Path) -> serde_json::Value {
    let path = |name: &str| dir.join(name).to_str().unwrap().to_owned();
    let args = ["align", &path("picture.png"), "--part", &path("part.toml"), "--bench", &path("bench.toml"), "--json"];
    let output = Command::cargo_bin("landfit").unwrap().args(args).output().unwrap();
    serde_json::from_slice(&output.stdout).unwrap()
}

#[test]
fn the_studys_figures_are_the_same_with_one_thread_and_many() {
    let args = ["--study", "2", "--kinds", "good-light,no-lands", "--json"];
    let one = figures(&args, "1");
    assert_eq!(one, figures(&args, "4"));
    assert_eq!(one["kinds"][0]["kind"], "good-light");
    assert_eq!(one["pooled"]["scenes"], 4);
}

#[test]
fn the_study_shows_no_progress_where_there_is_no_terminal() {
    let output = landfit(&["--study", "1", "--kinds", "blank"]).output().unwrap();
    assert_eq!(text(&output.stderr), "");
    assert!(text(&output.stdout).contains("refused 1 of 1"), "{}", text(&output.stdout));
}

#[test]
fn clumsy_input_ends_with_one_line_and_status_2() {
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("a-file");
    std::fs::write(&file, "here").unwrap();
    let blocked = file.join("looks");
    let blocked = blocked.to_str().unwrap();
    let cases: [&[&str]; 9] = [
        &["--seed", "-1"],
        &["--seed", "many"],
        &["--study", "0"],
        &["--study", "1", "--kinds", "nonesuch"],
        &["--kinds", "blank"],
        &["--json"],
        &["--out", blocked],
        &["--save", blocked],
        &["--save", "x", "--study", "1"],
    ];
    for args in cases {
        let output = landfit(args).current_dir(folder.path()).output().unwrap();
        let story = text(&output.stderr);
        assert_eq!(output.status.code(), Some(2), "{args:?}: {story}");
        assert_eq!(story.trim_end().lines().count(), 1, "{args:?}: {story}");
    }
    assert_eq!(std::fs::read_dir(folder.path()).unwrap().count(), 1, "nothing was written");
    let wrong_kind = text(&landfit(&["--study", "1", "--kinds", "nonesuch"]).output().unwrap().stderr);
    assert!(wrong_kind.contains("good-light"), "a wrong kind lists the right ones: {wrong_kind}");
}
