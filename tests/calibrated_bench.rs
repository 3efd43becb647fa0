//! A simulated bench is calibrated from its own rendered pictures alone, by the commands that a user gives, starting from a bench file
//! that is off in everything. Then one round of look, turn, look again leaves what the main job allows.

#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, reason = "a test fails by panicking")]

use assert_cmd::Command;
use landfit_calibration::bench::Motion;
use landfit_calibration::bench_file;
use landfit_calibration::moves::plan;
use landfit_part::{Existing, Part, Pose, Side};
use landfit_rehearsal::picture::{exposures, render};
use landfit_rehearsal::practice::{guess, part, true_bench, with_true_screws};
use landfit_rehearsal::save::save_pictures;
use landfit_rehearsal::screw::Mismatch;
use landfit_rehearsal::simulated::{Hands, SimulatedBench, bar_mm};
use landfit_vision::answer::Outcome;
use landfit_vision::{Lens, PointPx};
use std::fs;
use std::path::Path;

fn landfit(args: &[&str]) -> String {
    let done = Command::cargo_bin("landfit").unwrap().args(args).output().unwrap();
    let (out, err) = (String::from_utf8_lossy(&done.stdout), String::from_utf8_lossy(&done.stderr));
    assert!(done.status.success(), "landfit {}: {err}", args.join(" "));
    out.into_owned()
}

#[test]
fn a_bench_calibrated_from_its_own_pictures_alone_does_the_job_in_one_round() {
    let truth = true_bench().unwrap();
    let temp = tempfile::tempdir().unwrap();
    let folder = temp.path();
    let file = |name: &str| folder.join(name).display().to_string();
    landfit(&["calibrate", "practice", "--out", &folder.display().to_string(), "--seed", "1"]);

    // Scale, lens and registration: one target that both sides see, laid down four times.
    let (bench_toml, target_toml, small_toml) = (file("bench.toml"), file("target.toml"), file("small.toml"));
    let pictures = [1, 2, 3, 4].map(|i| file(&format!("target-{i}.png")));
    let mut args: Vec<&str> = vec!["calibrate", "scale"];
    args.extend(pictures.iter().map(String::as_str));
    args.extend(["--bench", &bench_toml, "--part", &target_toml, "--both-show", "board", "--distance", "100"]);
    let told = landfit(&args);
    assert!(told.contains("part view 1 against board view 2: known to"), "{told}");

    // The screws: a short run of each by careful hands; one reading of Y was noted a division wrong.
    for name in ["X", "Y", "R"] {
        let listing = file(&format!("run-{name}.csv"));
        let told = landfit(&["calibrate", "screws", &listing, "--bench", &bench_toml, "--part", &small_toml]);
        println!("{told}");
        // What the true screws do once per turn, 3 µm of a screw of 0.5 mm, is found to 1 µm, of the rotation to a third.
        let wave: f64 = told.split("once-per-turn error: ± ").nth(1).and_then(|t| t.split(' ').next()).unwrap().parse().unwrap();
        let (is, within) = if name == "R" { (0.006 * 1.506, 0.003) } else { (3.0, 1.0) };
        assert!((wave - is).abs() < within, "{told}");
        let slip = told.contains("stop 7 was noted as") && told.contains("one division too low");
        assert!(
            told.contains("a short run") && told.matches("was noted as").count() == usize::from(name == "Y") && slip == (name == "Y"),
            "{told}"
        );
    }
    let calibrated = bench_file::read(&folder.join("bench.toml")).unwrap();
    for (found, was) in calibrated.adjusters.iter().zip(&truth.adjusters) {
        assert!((found.backlash_turns - was.backlash_turns).abs() < 0.004, "{found:?}");
        match (found.turn, was.turn) {
            // The bench's frame is where the guess had it: lengths compare, directions only together with the frame.
            (Motion::Shift { step_mm: a }, Motion::Shift { step_mm: b }) => assert!((a.norm() / b.norm() - 1.0).abs() < 5e-4, "{found:?}"),
            (Motion::Rotation { step_rad: a, .. }, Motion::Rotation { step_rad: b, .. }) => {
                assert!((a / b - 1.0).abs() < 1e-3, "{found:?}")
            }
            _ => panic!("another kind of motion"),
        }
    }

    // The job, once round: what the calibrated bench says is done on the true one.
    let job = part(14, 14).unwrap();
    for seed in 0..4u64 {
        let f = seed as f64;
        let at_part = Pose::new(0.5 - 0.3 * f, -0.4 + 0.2 * f, 0.03 - 0.015 * f);
        let mut bench = with_true_screws(truth.clone(), at_part, Pose::new(0.1, -0.05 * f, 0.005), 70 + seed);
        let look = |bench: &SimulatedBench, n: u64| {
            let shown = exposures(&render(bench, &job, 900 + 10 * seed + n).unwrap());
            match landfit_vision::align(&shown, &job, &calibrated.optics).unwrap().outcome {
                Outcome::Fit(fit) => fit,
                Outcome::Refused(refusal) => panic!("{}", refusal.text),
            }
        };
        let fit = look(&bench, 0);
        let told = plan(&fit.bench_from_part, &fit.bench_from_board, &job, &calibrated, &bench.known()).unwrap();
        let _ = bench.make(&told, &Hands::EXACT);
        let left = bench.offset();
        let worst_mm = job.sites.iter().map(|s| left.apply(s.at_mm).distance(s.centre_mm(Side::Board))).fold(0.0, f64::max);
        let again = look(&bench, 1);
        let u_mm = again.k * (again.covariance[(0, 0)] + again.covariance[(1, 1)] + 50.0 * again.covariance[(2, 2)]).sqrt();
        // Plus the once-per-turn error, which no plan can know: each move ends, and began, up to 3 µm (of the rotation: 0.006 turns) off.
        let half_diagonal_mm = 0.8 * 13.0 / 2.0 * 2f64.sqrt();
        let periodic_mm = 2.0 * (0.003 * 2f64.sqrt() + 0.006 * 1.506f64.to_radians() * half_diagonal_mm);
        let bar_mm = bar_mm(&job, &truth, &Mismatch::CALIBRATED) + u_mm + periodic_mm;
        println!("seed {seed}: {:.2} µm left, bar {:.2} µm", 1e3 * worst_mm, 1e3 * bar_mm);
        assert!(worst_mm <= bar_mm, "seed {seed}: {worst_mm} mm are left, the bar is {bar_mm} mm");
        let seen = again.offset;
        assert!(seen.shift().distance(left.shift()) < 0.004, "the second look agrees with the truth: {seen:?} {left:?}");
    }

    // Undone step by step, the guess comes back byte for byte.
    for _ in 0..4 {
        landfit(&["calibrate", "undo", "--bench", &bench_toml]);
    }
    assert_eq!(fs::read_to_string(folder.join("bench.toml")).unwrap(), bench_file::to_toml(&guess(&truth)));
}

#[test]
fn the_lens_is_found_from_a_target_over_all_of_the_field() {
    let truth = true_bench().unwrap();
    let lens: Lens = truth.optics.lens.unwrap();
    let temp = tempfile::tempdir().unwrap();
    let target = part(15, 20).unwrap();
    let (part_toml, bench_toml) = (temp.path().join("target.toml"), temp.path().join("bench.toml"));
    landfit_part::file::write(&part_toml, &target, Existing::Replace).unwrap();
    bench_file::write(&bench_toml, &guess(&truth), Existing::Replace).unwrap();
    let bench = SimulatedBench::new(truth, Pose::IDENTITY, Pose::IDENTITY, &Mismatch::NONE, 1);
    let paths = save_pictures(temp.path(), "target", &render(&bench, &target, 5).unwrap()).unwrap();
    let told = landfit(&[
        "calibrate",
        "scale",
        &paths[0].display().to_string(),
        "--bench",
        &bench_toml.display().to_string(),
        "--part",
        &part_toml.display().to_string(),
        "--both-show",
        "board",
        "--json",
    ]);
    let answer: serde_json::Value = serde_json::from_str(&told).unwrap();
    let number = |pointer: &str| answer.pointer(pointer).and_then(serde_json::Value::as_f64).unwrap();
    // norm_px is the half diagonal, 400 px, as in the true bench.
    let (k1, u) = (number("/lens/k1"), number("/lens/u_k1"));
    assert!((k1 - lens.k1).abs() < 3.0 * u + 1e-4, "{k1} ± {u}");
    let centre = PointPx::new(number("/lens/centre_px/0"), number("/lens/centre_px/1"));
    assert!(centre.distance(lens.centre_px) < 3.0 * number("/lens/u_centre_px/0").hypot(number("/lens/u_centre_px/1")), "{centre:?}");
    // Held out over both views: against both views' residuals.
    let rms_px = (number("/views/0/rms_px").hypot(number("/views/1/rms_px"))) / 2f64.sqrt();
    assert!(number("/views/0/held_out_px") < 1.3 * rms_px, "{told}");
}

/// Renders one scene with only the lights of these views on; only noise comes from the seed.
fn lit(bench: &SimulatedBench, part: &Part, on: [bool; 2], seed: u64, folder: &Path, name: &str) -> String {
    let mut scene = landfit_rehearsal::picture::scene(bench, part, 5);
    for (light, on) in scene.lights.iter_mut().zip(on) {
        light.gain = if on { light.gain } else { 0.0 };
    }
    scene.sensor.stray = 0.0;
    let mut rendered = landfit_scene::render(&scene).unwrap();
    rendered.pictures.iter_mut().for_each(|p| add_noise(p, seed));
    save_pictures(folder, name, &rendered).unwrap()[0].display().to_string()
}

/// Noise of 0 to 3 steps from a fixed sequence: what differs between two pictures of one untouched scene.
fn add_noise(picture: &mut landfit_scene::Picture, seed: u64) {
    let landfit_scene::Samples::U8(values) = &mut picture.samples else { panic!("8 bits") };
    let mut state = seed;
    for v in values.iter_mut() {
        state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        *v = v.saturating_add((state >> 62) as u8);
    }
}

#[test]
fn lights_are_learnt_from_pictures_with_one_light_on() {
    let mut truth = true_bench().unwrap();
    let temp = tempfile::tempdir().unwrap();
    let part = part(10, 10).unwrap();
    let bench = SimulatedBench::new(truth.clone(), Pose::IDENTITY, Pose::IDENTITY, &Mismatch::NONE, 1);
    let pictures = [
        ([true, false], 5, "p"),
        ([false, true], 5, "b"),
        ([true, true], 5, "both"),
        ([false, false], 5, "dark"),
        ([true, false], 6, "again"),
    ]
    .map(|(on, seed, name)| lit(&bench, &part, on, seed, temp.path(), name));
    let bench_toml = temp.path().join("bench.toml");
    for (view, tint) in truth.optics.views.iter_mut().zip([[1.0, 0.5, 0.2], [0.2, 0.5, 1.0]]) {
        view.tint = tint;
    }
    bench_file::write(&bench_toml, &truth, Existing::Replace).unwrap();
    let told = landfit(&[
        "calibrate",
        "lights",
        "--bench",
        &bench_toml.display().to_string(),
        "--part-light",
        &pictures[0],
        "--board-light",
        &pictures[1],
        "--both",
        &pictures[2],
        "--dark",
        &pictures[3],
        "--again",
        &pictures[4],
    ]);
    println!("{told}");
    let found = bench_file::read(&bench_toml).unwrap();
    for (view, tint) in found.optics.views.iter().zip([[0.82, 0.50, 0.07], [0.08, 0.52, 0.78]]) {
        let top = f64::max(tint[0], tint[2]);
        for (a, b) in view.tint.iter().zip(tint) {
            // The renderer's mask and body are grey; what is left is the noise's floor at black.
            assert!((a - b / top).abs() < 0.025, "{:?} is not {tint:?}", view.tint);
        }
    }
    let gamma: f64 = told.split("gamma ").nth(1).and_then(|t| t.split(' ').next()).unwrap().parse().unwrap();
    assert!((gamma - 1.0).abs() < 0.05, "{told}");
    assert!(told.contains("leaves its pictures alone"), "{told}");
}

#[test]
fn one_untouched_set_up_measured_again_and_again_and_a_check_pair_over_days() {
    let truth = true_bench().unwrap();
    let temp = tempfile::tempdir().unwrap();
    let file = |name: &str| temp.path().join(name).display().to_string();
    let job = part(12, 12).unwrap();
    landfit_part::file::write(&temp.path().join("part.toml"), &job, Existing::Replace).unwrap();
    bench_file::write(&temp.path().join("bench.toml"), &truth, Existing::Replace).unwrap();
    let shot = |offset: Pose, seed: u64| {
        let bench = SimulatedBench::new(truth.clone(), offset, Pose::IDENTITY, &Mismatch::NONE, 1);
        let scene = landfit_rehearsal::picture::scene(&bench, &job, 9);
        let mut rendered = landfit_scene::render(&scene).unwrap();
        rendered.pictures.iter_mut().for_each(|p| add_noise(p, seed));
        save_pictures(temp.path(), &format!("shot-{seed}"), &rendered).unwrap()[0].display().to_string()
    };
    let still = Pose::new(0.02, -0.01, 0.001);
    let shots: Vec<String> = (1..=7).map(|seed| shot(still, seed)).collect();
    let (part_toml, bench_toml) = (file("part.toml"), file("bench.toml"));
    let mut args = vec!["calibrate", "repeat"];
    args.extend(shots.iter().map(String::as_str));
    args.extend(["--part", &part_toml, "--bench", &bench_toml]);
    let told = landfit(&args);
    assert!(told.contains("7 measurements") && told.contains("Cg "), "{told}");
    for s in &shots {
        let told = landfit(&["calibrate", "pair", s, "--part", &part_toml, "--bench", &bench_toml]);
        assert!(!told.contains("drifted"), "{told}");
    }
    let moved = shot(Pose::new(0.03, -0.01, 0.001), 50);
    let done = Command::cargo_bin("landfit")
        .unwrap()
        .args(["calibrate", "pair", &moved, "--part", &part_toml, "--bench", &bench_toml])
        .output()
        .unwrap();
    let out = String::from_utf8_lossy(&done.stdout);
    assert!(done.status.code() == Some(1) && out.contains("x_mm +0.029") && out.contains("has drifted"), "{out}");
}

#[test]
fn stale_calibrations_and_other_picture_formats_are_told() {
    let truth = true_bench().unwrap();
    let temp = tempfile::tempdir().unwrap();
    let file = |name: &str| temp.path().join(name).display().to_string();
    let job = part(12, 12).unwrap();
    landfit_part::file::write(&temp.path().join("part.toml"), &job, Existing::Replace).unwrap();
    let bench = SimulatedBench::new(truth.clone(), Pose::new(0.02, 0.0, 0.0), Pose::IDENTITY, &Mismatch::NONE, 1);
    let picture = save_pictures(temp.path(), "look", &render(&bench, &job, 3).unwrap()).unwrap()[0].display().to_string();
    let tables = "\n[calibration]\ndate = \"2020-01-01\"\ndue_days = 30\npixel_format = \"rgb8\"\n";
    let text = bench_file::to_toml(&truth) + tables;
    fs::write(temp.path().join("bench.toml"), &text).unwrap();
    fs::write(temp.path().join("jpeg.toml"), text.replace("\"rgb8\"", "\"rgb8 jpeg\"")).unwrap();
    fs::write(temp.path().join("plain.toml"), bench_file::to_toml(&truth)).unwrap();
    let align = |bench: &str| {
        let args = ["align", &picture, "--part", &file("part.toml"), "--bench", &file(bench), "--json"];
        let done = Command::cargo_bin("landfit").unwrap().args(args).output().unwrap();
        (done.status.code().unwrap(), String::from_utf8_lossy(&done.stdout).into_owned())
    };
    let (status, out) = align("bench.toml");
    let answer: serde_json::Value = serde_json::from_str(&out).unwrap();
    let warned = |answer: &serde_json::Value| answer["warnings"].to_string().contains("was due after 30");
    assert!(status <= 1 && answer["answer"] == "fit" && warned(&answer), "{out}");
    // A refusal is an answer, too.
    let (width, height) = (truth.optics.frame.size_px[0], truth.optics.frame.size_px[1]);
    image::RgbImage::new(width, height).save(temp.path().join("night.png")).unwrap();
    let args = ["align", &file("night.png"), "--part", &file("part.toml"), "--bench", &file("bench.toml"), "--json"];
    let refused = Command::cargo_bin("landfit").unwrap().args(args).output().unwrap();
    let answer: serde_json::Value = serde_json::from_slice(&refused.stdout).unwrap();
    assert!(refused.status.code() == Some(3) && answer["answer"] == "none" && warned(&answer), "{answer}");
    // And of the other commands that answer with this bench.
    let told = landfit(&["calibrate", "budget", &picture, "--part", &file("part.toml"), "--bench", &file("bench.toml")]);
    assert!(told.contains("Calibration due"), "{told}");
    let told = landfit(&["calibrate", "pair", &picture, "--part", &file("part.toml"), "--bench", &file("bench.toml"), "--dry"]);
    assert!(told.contains("Calibration due"), "{told}");
    let (status, out) = align("jpeg.toml");
    assert!(status == 2 && out.contains("calibrated in rgb8 jpeg"), "{out}");
    for command in ["budget", "pair", "repeat"] {
        let args = ["calibrate", command, &picture, "--part", &file("part.toml"), "--bench", &file("jpeg.toml")];
        let refused = Command::cargo_bin("landfit").unwrap().args(args).output().unwrap();
        let err = String::from_utf8_lossy(&refused.stderr);
        assert!(refused.status.code() == Some(2) && err.contains("calibrated in rgb8 jpeg"), "{err}");
    }
    let (status, out) = align("plain.toml");
    assert!(status <= 1 && !out.contains("was due"), "{out}");
}
