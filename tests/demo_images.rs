//! The pictures that the README explains the program on answer as it says, and as the truth beside each of them says.

#![allow(clippy::unwrap_used, clippy::panic, reason = "a test fails by panicking")]

use serde_json::Value;
use std::path::{Path, PathBuf};

/// An error may be larger than the half-width of the 95 % interval one time in twenty; twice that width it never should be.
const INTERVALS: f64 = 2.0;
const MOST_BYTES: u64 = 1_000_000;

fn demo_images() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("../demo-images")
}

fn json_of(path: &Path) -> Value {
    serde_json::from_str(&std::fs::read_to_string(path).unwrap()).unwrap()
}

/// Runs a command on a folder's picture; its exit status and its JSON.
fn landfit(command: &str, folder: &str, files: &[&str]) -> (i32, Value) {
    let folder = demo_images().join(folder);
    let mut run = assert_cmd::Command::new(env!("CARGO_BIN_EXE_landfit"));
    let picture = |name: &str| Some(folder.join(name)).filter(|path| path.exists());
    let pictures = ["picture.png", "picture-0.png", "picture-1.png"].into_iter().filter_map(picture);
    run.arg(command).args(pictures).arg("--json");
    for file in files {
        run.arg(format!("--{file}")).arg(folder.join(format!("{file}.toml")));
    }
    let output = run.output().unwrap();
    let answer = serde_json::from_slice(&output.stdout).unwrap_or_else(|e| panic!("{e}: {}", String::from_utf8_lossy(&output.stderr)));
    (output.status.code().unwrap(), answer)
}

/// Aligns a folder's picture and holds the offset against the truth; returns exit status and answer.
fn aligned(folder: &str) -> (i32, Value) {
    let (status, answer) = landfit("align", folder, &["part", "bench"]);
    assert_eq!(answer["answer"], "fit", "{folder}: {answer}");
    let truth = json_of(&demo_images().join(folder).join("truth.json"));
    for of in ["x_mm", "y_mm", "theta_deg"] {
        let number = |v: &Value| v[of].as_f64().unwrap();
        let (error, half_width) = (number(&answer["offset"]) - number(&truth["offset"]), number(&answer["uncertainty"]));
        assert!(error.abs() <= INTERVALS * half_width, "{folder}: {of} is off by {error}, interval ± {half_width}");
        assert!(half_width > 0.0 && half_width < 0.05, "{folder}: {of} ± {half_width}");
    }
    (status, answer)
}

/// The ids of the sites that a list of strings, or of objects with a site, names; sorted.
fn sites(list: &Value) -> Vec<String> {
    let mut ids: Vec<String> = list.as_array().unwrap().iter().map(|v| v["site"].as_str().or(v.as_str()).unwrap().to_owned()).collect();
    ids.sort();
    ids
}

#[test]
fn within_has_nothing_to_turn() {
    let (status, answer) = aligned("within");
    assert_eq!((status, &answer["decision"], &answer["clear"]), (0, &"within".into(), &true.into()));
    assert_eq!(answer["moves"], Value::Array(vec![]));
    assert_eq!(answer["orientation"], "settled");
}

#[test]
fn outside_tells_moves_that_bring_it_within() {
    let (status, answer) = aligned("outside");
    assert_eq!((status, &answer["decision"], &answer["clear"]), (1, &"outside".into(), &true.into()));
    let adjusters: Vec<&str> = answer["moves"].as_array().unwrap().iter().map(|m| m["adjuster"].as_str().unwrap()).collect();
    assert_eq!(adjusters, ["R", "X", "Y"]);
    // Half a division of X and Y, and of R (0.025 degrees) at the 3.9 mm of the farthest ball: 7 + 2 µm.
    assert!(answer["left_after"]["worst_miss_mm"].as_f64().unwrap() < 0.0095, "{answer}");
}

#[test]
fn a_missing_ball_and_a_bridge_are_named_and_stand_in_the_way() {
    let (status, answer) = aligned("missing-and-bridged");
    assert_eq!((status, &answer["clear"]), (1, &false.into()));
    let terminals = &answer["terminals"];
    assert_eq!(sites(&terminals["absent"]), ["C4"]);
    assert_eq!(sites(&terminals["suspect"]), ["E6", "E7"]);
    assert!(terminals["suspect"].as_array().unwrap().iter().all(|s| s["kind"] == "bridge"));
    assert_eq!((terminals["expected"].as_i64(), terminals["found"].as_i64()), (Some(61), Some(60)));
    assert!(sites(&answer["lands"]["absent"]).is_empty() && sites(&answer["lands"]["suspect"]).is_empty());
}

#[test]
fn a_turned_part_is_refused_with_the_turn() {
    let (status, answer) = landfit("align", "turned", &["part", "bench"]);
    assert_eq!((status, &answer["answer"], &answer["reason"]["code"]), (3, &"none".into(), &"turned".into()));
    assert_eq!(answer["reason"]["turn_deg"].as_f64(), Some(90.0));
    assert!(answer["offset"].is_null() && answer["moves"].is_null());
}

#[test]
fn the_underside_is_counted_and_its_mirror_told() {
    let (status, answer) = landfit("inspect", "underside", &["part"]);
    assert_eq!((status, &answer["answer"], &answer["side"], &answer["mirrored"]), (1, &"found".into(), &"part".into(), &true.into()));
    assert_eq!(sites(&answer["sites"]["absent"]), ["F5"]);
    assert!(sites(&answer["sites"]["suspect"]).is_empty(), "{}", answer["sites"]);
    let truth = json_of(&demo_images().join("underside/truth.json"));
    let centres = answer["centres"].as_array().unwrap();
    assert_eq!(centres.len(), 60);
    let mut off: Vec<f64> = centres
        .iter()
        .map(|c| {
            let site = truth["terminals"].as_array().unwrap().iter().find(|t| t["site"] == c["site"]).unwrap();
            let at = |i: usize| site["seen"][0]["centre_px"][i].as_f64().unwrap();
            (c["x_px"].as_f64().unwrap() - at(0)).hypot(c["y_px"].as_f64().unwrap() - at(1))
        })
        .collect();
    off.sort_by(f64::total_cmp);
    // A ball's image is 30 px wide; its highest light wanders by more than its outline.
    assert!(off[off.len() / 2] < 0.3 && off[off.len() - 1] < 1.0, "median {}, worst {}", off[off.len() / 2], off[off.len() - 1]);
}

/// Aligns an arrangement's folder; every site that the truth has in view is counted, and the pattern tells how the part is turned.
fn arranged(folder: &str) -> Value {
    let (_, answer) = aligned(folder);
    let truth = json_of(&demo_images().join(folder).join("truth.json"));
    for (side, in_view) in [("terminals", "terminals_in_view"), ("lands", "lands_in_view")] {
        assert_eq!(answer[side]["expected"], truth[in_view], "{folder}: {side}");
        assert_eq!(answer[side]["found"], truth[in_view], "{folder}: {side}");
    }
    assert_eq!(answer["orientation"], "settled", "{folder}");
    answer
}

#[test]
fn two_grey_exposures_are_measured() {
    arranged("two-exposures");
}

#[test]
fn both_sides_in_one_light_are_told_apart_and_measured() {
    arranged("one-light");
}

#[test]
fn four_corner_regions_are_fitted_together() {
    let answer = arranged("corner-regions");
    let expected = answer["terminals"]["expected"].as_u64().unwrap();
    assert!(expected < 150, "only the corners of 481 balls are in view, not {expected}");
}

#[test]
fn tilt_and_a_bending_lens_are_measured_through() {
    arranged("tilt-and-lens");
}

#[test]
fn the_pattern_tells_the_magnification_of_a_zoom() {
    arranged("pattern-scale");
}

fn files_below(folder: &Path, found: &mut Vec<PathBuf>) {
    for entry in std::fs::read_dir(folder).unwrap() {
        let path = entry.unwrap().path();
        if path.is_dir() { files_below(&path, found) } else { found.push(path) }
    }
}

#[test]
fn every_file_is_small_and_named_in_the_list() {
    let folder = demo_images();
    let list = std::fs::read_to_string(folder.join("README.md")).unwrap();
    let mut files = Vec::new();
    files_below(&folder, &mut files);
    assert!(files.len() > 15);
    for path in files {
        let name = path.strip_prefix(&folder).unwrap().to_str().unwrap().to_owned();
        let bytes = std::fs::metadata(&path).unwrap().len();
        assert!(bytes < MOST_BYTES, "{name} has {bytes} bytes");
        assert!(name == "README.md" || list.contains(&format!("`{name}`")), "demo-images/README.md does not name {name}");
    }
}
