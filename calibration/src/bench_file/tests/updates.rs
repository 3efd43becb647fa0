//! Bench files changed by a calibration, and written whole.

use super::super::*;
use super::BENCH;
use landfit_part::{Existing, PointMm};

#[test]
fn an_update_changes_what_was_learned_and_keeps_all_else() {
    let own = "\n# our own words\n[calibration] # kept\nstate = \"not calibrated\"\nwho = \"me\"\n\n[shop]\nshelf = 3 # third\n";
    let text = format!("{BENCH}{own}");
    let mut bench = parse(&text, "b.toml").expect("bench");
    assert_eq!(updated_text(&text, "b.toml", &bench).expect("unchanged"), text, "nothing learned, nothing touched");
    bench.optics.views[1].px_from_mm[(0, 1)] = 0.25;
    bench.optics.views[0].tint = [0.75, 0.5, 0.125];
    bench.adjusters[0].turn = Motion::Shift { step_mm: PointMm::new(0.501, -0.002) };
    // No number of degrees gives just this number of radians.
    bench.adjusters[2].turn = Motion::Rotation { step_rad: 0.026_123_456_789_012_3, pivot_mm: PointMm::new(0.41, -1.0) };
    bench.adjusters[1].backlash_turns = 0.035;
    (bench.optics.frame.black, bench.optics.frame.white, bench.optics.frame.gamma) = (16.0, Some(235.0), 2.2);
    bench.aim = Pose::new(0.003, 0.0, 0.01f64.to_radians());
    bench.calibration = CalibrationState::Calibrated;
    let updated = updated_text(&text, "b.toml", &bench).expect("updated");
    let again = parse(&updated, "b.toml").expect("readable");
    assert_eq!(again.optics, bench.optics);
    assert_eq!(
        (again.adjusters[0].clone(), again.adjusters[1].clone(), again.calibration),
        (bench.adjusters[0].clone(), bench.adjusters[1].clone(), bench.calibration)
    );
    for kept in [
        "# our own words",
        "[calibration] # kept",
        "who = \"me\"",
        "shelf = 3 # third",
        "name = \"demo\"",
        "# optional: a bare knob or a jog control has none",
        "# the camera's R, G, B answer",
    ] {
        assert!(updated.contains(kept), "{kept} is lost in\n{updated}");
    }
    assert!(updated.contains("turn = { mm = [0.501, -0.002] }        # what it carries moves so"), "{updated}");
    assert!(updated.contains("[aim]\nx_mm = 0.003\n"), "{updated}");
    let mut left: Vec<&str> = updated.lines().collect();
    let lost: Vec<&str> = text.lines().filter(|line| left.iter().position(|l| l == line).map(|i| left.remove(i)).is_none()).collect();
    assert_eq!(lost.len(), 9, "black, white, gamma, tint, px_from_mm, two turns, one backlash and the state: {lost:?}");
    assert_eq!(left.len(), 9 + 5, "the same nine, and [aim] with its three lines and an empty one: {left:?}");
}

#[test]
fn an_update_that_would_need_a_new_file_is_refused_and_leaves_the_old_one() {
    let folder = tempfile::tempdir().expect("folder");
    let path = folder.path().join("b.toml");
    let mut bench = parse(BENCH, "b.toml").expect("bench");
    write(&path, &bench, Existing::Keep).expect("written");
    let before = std::fs::read(&path).expect("text");
    bench.name = "another".into();
    assert!(
        update(&path, &bench).expect_err("another bench").to_string().contains("can be changed here only in what a calibration learns")
    );
    bench.name = "demo".into();
    bench.aim.x_mm = f64::NAN;
    assert!(update(&path, &bench).is_err());
    bench.aim.x_mm = 0.0;
    bench.optics.views[0].px_from_mm = Matrix3::zeros();
    assert!(update(&path, &bench).expect_err("singular").to_string().contains("singular"));
    assert_eq!(std::fs::read(&path).expect("text"), before);
    bench = parse(BENCH, "b.toml").expect("bench");
    bench.aim.x_mm = 0.02;
    update(&path, &bench).expect("updated");
    assert_eq!(read(&path).expect("read"), bench);
}

#[test]
fn a_bench_written_with_inline_lists_is_updated_in_place() {
    let text = "name = \"i\"\nframe = { size_px = [640, 480] }\nview = [\n  { shows = \"part\", exposure = 0, tint = [1, 1, 1], px_from_mm = [[40, 0, 0], [0, -40, 0], [0, 0, 1]] }, # first\n  { shows = \"board\", exposure = 0, tint = [1, 1, 1], px_from_mm = [[40, 0, 0], [0, -40, 0], [0, 0, 1]] },\n]\n";
    let mut bench = parse(text, "b.toml").expect("bench");
    bench.optics.views[1].px_from_mm[(0, 0)] = 41.5;
    let updated = updated_text(text, "b.toml", &bench).expect("updated");
    assert_eq!(parse(&updated, "b.toml").expect("readable"), bench);
    assert!(updated.contains("# first"));
}

#[test]
fn a_bench_that_could_not_be_read_back_is_not_written() {
    let folder = tempfile::tempdir().expect("folder");
    let path = folder.path().join("b.toml");
    let mut bench = parse(BENCH, "b.toml").expect("bench");
    bench.adjusters[1].turn = bench.adjusters[0].turn;
    assert!(write(&path, &bench, Existing::Replace).expect_err("dependent").to_string().contains("depends on X"));
    assert!(!path.exists());
}
