//! The calibrations on the Bench page, led on rendered pictures of a bench that is off in everything.

use super::shot::{AtOnce, AtOnceHandle};
use super::{App, Page, words};
use crate::rehearsal_bench::RehearsalBench;
use crate::settings::Settings;
use crate::state::desk::Desk;
use crate::state::shown::BenchPanel;
use crate::state::subject::{BenchFile, PartFile};
use eframe::egui::Vec2;
use eframe::egui::accesskit::Role;
use egui_kittest::Harness;
use egui_kittest::kittest::Queryable;
use landfit_calibration::bench::Motion;
use landfit_calibration::bench_file;
use landfit_part::{Existing, Part, Pose};
use landfit_rehearsal::screw::Mismatch;
use landfit_rehearsal::simulated::SimulatedBench;
use landfit_rehearsal::{picture, practice};
use landfit_vision::Picture;
use std::cell::RefCell;
use std::path::PathBuf;
use std::rc::Rc;

struct Table {
    harness: Harness<'static, App>,
    behind: AtOnceHandle,
    file: PathBuf,
    _folder: tempfile::TempDir,
}

fn part_file(part: &Part) -> PartFile {
    PartFile::parse(landfit_part::file::to_toml(part), "practice.toml".into()).unwrap()
}

/// The Bench page over the practice bench as somebody took it for.
fn table(part: &Part) -> Table {
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("bench.toml");
    let truth = practice::true_bench().unwrap();
    bench_file::write(&file, &practice::guess(&truth), Existing::Replace).unwrap();
    let settings = Settings { results: Some(folder.path().join("results")), ..Settings::default() };
    let desk = Desk::new(part_file(part), BenchFile::read(&file).unwrap(), settings.clone()).unwrap();
    let rehearsal = RehearsalBench::new(SimulatedBench::new(truth, Pose::IDENTITY, Pose::IDENTITY, &Mismatch::NONE, 1), part.clone(), 1);
    let behind = AtOnceHandle(Rc::new(RefCell::new(AtOnce::new(desk, rehearsal))));
    let size = Vec2::new(1280.0, 2400.0);
    let mut app = App::new(Box::new(behind.clone()), settings, None, None, Box::new(|| None)).of_size(size);
    app.open_page(Page::Bench);
    let harness = Harness::builder().with_size(size).with_max_steps(20).build_ui_state(|ui, app: &mut App| app.ui(ui), app);
    Table { harness, behind, file, _folder: folder }
}

impl Table {
    fn click(&mut self, name: &str) {
        self.harness.get_by_label(name).click();
        self.harness.run_ok();
    }

    fn choose(&mut self, what: &str, which: &str) {
        self.click(&format!("{what}: {which}"));
    }

    fn type_into(&mut self, name: &str, text: &str) {
        self.harness.get_by_role_and_label(Role::TextInput, name).focus();
        self.harness.run_ok();
        self.harness.get_by_role_and_label(Role::TextInput, name).type_text(text);
        self.harness.run_ok();
    }

    fn show(&mut self, pictures: Vec<Picture>) {
        self.behind.0.borrow_mut().look_at(pictures);
        self.harness.run_ok();
    }

    fn panel(&self) -> BenchPanel {
        self.behind.0.borrow().shown().bench.clone()
    }

    fn text(&self) -> String {
        std::fs::read_to_string(&self.file).unwrap()
    }

    fn trouble(&self) -> Option<String> {
        self.behind.0.borrow().shown().trouble.clone()
    }
}

/// A thin target in the plane of both sides, seen by the bench as it truly is.
fn target_at(at: Pose, target: &Part, seed: u64) -> Vec<Picture> {
    let bench = SimulatedBench::new(practice::true_bench().unwrap(), at, at, &Mismatch::NONE, seed);
    picture::exposures(&picture::render(&bench, target, seed).unwrap())
}

const LAYINGS: [(f64, f64, f64); 3] = [(0.0, 0.0, 0.0), (0.4, -0.3, 0.03), (-0.5, 0.35, -0.04)];

/// Calibrates the scale on the page, and writes it.
fn scale(table: &mut Table, target: &Part) {
    table.choose(words::WHICH_CALIBRATION, words::CALIBRATE_SCALE);
    table.choose(words::TARGET, words::TARGETS[4]);
    table.click(words::BEGIN);
    assert_eq!(table.trouble(), None);
    assert!(table.panel().calibrating.unwrap().wanted.unwrap().contains("Lay the target"));
    for (i, (x, y, turn)) in LAYINGS.into_iter().enumerate() {
        table.show(target_at(Pose::new(x, y, turn), target, i as u64));
        table.click(words::TAKE_PICTURE);
        let panel = table.panel().calibrating.unwrap();
        assert!(panel.can_keep && panel.said[0].text.starts_with("Taken"), "{:?} {:?}", panel.said, panel.result);
    }
    table.click(words::KEEP_IT);
    assert_eq!(table.trouble(), None);
}

#[test]
fn scale_is_led_to_a_bench_file_that_agrees_with_the_bench_and_comes_back_by_undo() {
    let target = practice::part(15, 20).unwrap();
    let mut table = table(&target);
    let before = table.text();
    scale(&mut table, &target);
    assert!(table.panel().calibrating.is_none() && table.panel().calibrated.unwrap().starts_with("Written into"));
    let (now, truth) = (bench_file::read(&table.file).unwrap(), practice::true_bench().unwrap());
    // A mm in the middle of the field, by the file and in truth.
    for (now, truth) in now.optics.views.iter().zip(&truth.optics.views) {
        let scale = |h: &nalgebra::Matrix3<f64>| (h[(0, 0)] * h[(1, 1)] - h[(0, 1)] * h[(1, 0)]).abs().sqrt();
        let off = scale(&now.px_from_mm) / scale(&truth.px_from_mm) - 1.0;
        assert!(off.abs() < 2e-3, "{off}: the guess was 2 % off");
    }
    table.click(words::UNDO);
    assert_eq!((table.trouble(), table.text()), (None, before));
    assert!(table.panel().calibrated.unwrap().contains("is as it was"));
}

#[test]
fn what_cannot_be_used_is_said_and_changes_nothing_and_the_last_picture_can_be_taken_back() {
    let target = practice::part(15, 20).unwrap();
    let mut table = table(&target);
    let before = table.text();
    table.choose(words::TARGET, words::TARGETS[4]);
    table.click(words::BEGIN);
    let [w, h] = practice::true_bench().unwrap().optics.frame.size_px.map(|n| n as usize);
    let grey = Picture { width_px: w, height_px: h, channels: 3, samples: landfit_vision::picture::Samples::U8(vec![90; w * h * 3]) };
    table.show(vec![grey]);
    table.click(words::TAKE_PICTURE);
    let panel = table.panel().calibrating.unwrap();
    assert!(panel.said[0].text.starts_with("Not taken") && !panel.can_keep && !panel.can_take_back, "{panel:?}");
    table.show(target_at(Pose::IDENTITY, &target, 1));
    table.click(words::TAKE_PICTURE);
    assert!(table.panel().calibrating.unwrap().can_take_back);
    table.click(words::TAKE_BACK);
    let panel = table.panel().calibrating.unwrap();
    assert!(!panel.can_keep && !panel.can_take_back && panel.wanted.unwrap().contains("Lay the target"));
    table.click(words::LEAVE_IT);
    assert!(table.panel().calibrating.is_none());
    assert_eq!(table.text(), before);
}

#[test]
fn a_screw_is_learnt_stop_by_stop_and_the_check_of_the_day_holds_then() {
    let target = practice::part(15, 20).unwrap();
    let mut table = table(&target);
    scale(&mut table, &target);
    // The check of the day on the bench that was calibrated just now.
    table.choose(words::WHICH_CALIBRATION, words::CHECK_OF_DAY);
    table.choose(words::TARGET, words::TARGETS[4]);
    table.click(words::BEGIN);
    table.show(target_at(Pose::new(0.1, 0.05, 0.01), &target, 9));
    table.click(words::TAKE_PICTURE);
    let panel = table.panel().calibrating.unwrap();
    assert_eq!(panel.result[0].text, words::DAY_HOLDS, "{:?}", panel.result);
    table.click(words::KEEP_IT);
    assert!(table.text().contains("check of the day"));
    // X, with the small part on the bench.
    let small = practice::part(7, 7).unwrap();
    table.behind.0.borrow_mut().put_part(landfit_part::file::to_toml(&small));
    table.harness.run_ok();
    table.choose(words::WHICH_CALIBRATION, words::CALIBRATE_RUN);
    table.choose(words::ADJUSTER, "X");
    table.type_into(words::FROM_READING, "-5.2");
    table.type_into(words::TO_READING, "5.2");
    table.click(words::BEGIN);
    assert_eq!(table.trouble(), None);
    let truth = practice::true_bench().unwrap();
    let x = truth.adjusters.iter().position(|a| a.name == "X").unwrap();
    let mut bench = SimulatedBench::new(truth.clone(), Pose::new(0.3, -0.2, 0.0), Pose::new(-0.1, 0.1, 0.01), &Mismatch::NONE, 5);
    let mut stands = 0.0;
    let mut stops = 0;
    while let Some(reading) = table.panel().calibrating.and_then(|c| c.reading) {
        // Farther round than any play before the direction changes, as the words say.
        let words = table.panel().calibrating.unwrap().wanted.unwrap();
        if words.starts_with("Go to") {
            let past = if words.contains("rising") { -0.25 } else { 0.25 };
            bench.turn(x, reading + past - stands);
            stands = reading + past;
        }
        bench.turn(x, reading - stands);
        stands = reading;
        table.show(picture::exposures(&picture::render(&bench, &small, 40 + stops).unwrap()));
        table.click(words::TAKE_PICTURE);
        stops += 1;
        assert!(stops < 60 && table.panel().calibrating.unwrap().said[0].text.starts_with("Stop"), "{:?}", table.panel().calibrating);
    }
    let panel = table.panel().calibrating.unwrap();
    assert!(panel.can_keep, "{:?}", panel.result);
    table.click(words::KEEP_IT);
    assert_eq!(table.trouble(), None);
    let (Motion::Shift { step_mm }, Motion::Shift { step_mm: true_mm }) =
        (bench_file::read(&table.file).unwrap().adjusters[x].turn, truth.adjusters[x].turn)
    else {
        panic!("X shifts");
    };
    // The bench's frame stays that of the file that was calibrated, whose views are not turned as the true ones are: lengths agree.
    assert!((step_mm.norm() - true_mm.norm()).abs() < 2e-4, "{step_mm:?} in place of {true_mm:?}: the file said 0.5 mm a turn");
}

/// One untouched scene with only some of the two lights on, as the bench truly is; only noise comes from `seed`.
fn lit(part: &Part, on: [bool; 2], seed: u64) -> Vec<Picture> {
    let bench = SimulatedBench::new(practice::true_bench().unwrap(), Pose::IDENTITY, Pose::IDENTITY, &Mismatch::NONE, 1);
    let mut scene = picture::scene(&bench, part, seed);
    for (light, on) in scene.lights.iter_mut().zip(on) {
        light.gain = if on { light.gain } else { 0.0 };
    }
    scene.sensor.stray = 0.0;
    picture::exposures(&landfit_scene::render(&scene).unwrap())
}

#[test]
fn lights_are_led_picture_after_picture_to_tints_that_agree_with_the_bench() {
    let part = practice::part(10, 10).unwrap();
    let mut table = table(&part);
    // Tints that nobody would work with: what is found comes from the pictures.
    let mut wrong = bench_file::read(&table.file).unwrap();
    for (view, tint) in wrong.optics.views.iter_mut().zip([[1.0, 0.5, 0.2], [0.2, 0.5, 1.0]]) {
        view.tint = tint;
    }
    bench_file::write(&table.file, &wrong, Existing::Replace).unwrap();
    table.behind.0.borrow_mut().command(crate::state::desk::Command::TakeBench(table.file.clone()));
    table.harness.run_ok();
    table.choose(words::WHICH_CALIBRATION, words::CALIBRATE_LIGHTS);
    table.click(words::BEGIN);
    assert_eq!(table.trouble(), None);
    let wanted = |table: &Table| table.panel().calibrating.unwrap().wanted.unwrap_or_default();
    for (asked, on, seed) in [
        ("part's light only", [true, false], 5),
        ("same picture once more", [true, false], 6),
        ("board's light only", [false, true], 5),
        ("both lights on", [true, true], 5),
        ("all lights off", [false, false], 5),
    ] {
        assert!(wanted(&table).contains(asked), "{asked}: {}", wanted(&table));
        table.show(lit(&part, on, seed));
        table.click(words::TAKE_PICTURE);
        let panel = table.panel().calibrating.unwrap();
        assert_eq!(panel.said[0].text, words::TAKEN, "{:?}", panel.said);
        super::tests::assert_nothing_is_cut_off_or_overlaps(&table.harness, Vec2::new(1280.0, 2400.0), "lights");
    }
    // The bright one is passed over: the result stands without it.
    assert!(table.panel().calibrating.unwrap().can_pass_over && wanted(&table).contains("picture is white"));
    table.click(words::PASS_OVER);
    let panel = table.panel().calibrating.unwrap();
    assert!(panel.can_keep && panel.wanted.is_none(), "{:?}", panel.result);
    table.click(words::KEEP_IT);
    assert_eq!(table.trouble(), None);
    let (found, truth) = (bench_file::read(&table.file).unwrap(), practice::true_bench().unwrap());
    for (view, truth) in found.optics.views.iter().zip(&truth.optics.views) {
        let top = truth.tint.iter().copied().fold(0.0, f64::max);
        for (found, truth) in view.tint.iter().zip(truth.tint) {
            // As the command's own test has it: mask and body are grey, and noise has a floor at black.
            assert!((found - truth / top).abs() < 0.025, "{:?}: {found} in place of {}", view.tint, truth / top);
        }
    }
}

#[test]
fn a_light_that_shows_the_same_twice_is_not_taken_for_the_other() {
    let part = practice::part(10, 10).unwrap();
    let mut table = table(&part);
    table.choose(words::WHICH_CALIBRATION, words::CALIBRATE_LIGHTS);
    table.click(words::BEGIN);
    table.show(lit(&part, [true, false], 5));
    table.click(words::TAKE_PICTURE);
    table.click(words::PASS_OVER);
    table.click(words::TAKE_PICTURE);
    let panel = table.panel().calibrating.unwrap();
    let told: Vec<&str> = panel.said.iter().chain(&panel.result).map(|s| s.text.as_str()).collect();
    assert!(!panel.can_keep && told.iter().any(|t| t.contains("the same light")), "{told:?}");
}

/// What is under way on the page.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum UnderWay {
    Lights,
    Scale,
    Run,
    Day,
}

/// The page in the midst of a calibration, one picture taken, drawn.
pub fn drawn_under_way(what: UnderWay, size_px: [u32; 2], text_percent: u32) -> image::RgbaImage {
    use crate::state::calibrating::{Begin, Order, RunChoice, TargetChoice};
    use crate::state::desk::Command;
    use landfit_calibration::guide::Lies;
    use landfit_calibration::screws::run::Extent;
    let target = practice::part(15, 20).unwrap();
    let small = practice::part(7, 7).unwrap();
    let table = table(if what == UnderWay::Run { &small } else { &target });
    let one = TargetChoice::OneSide(landfit_part::Side::Part);
    let (begin, pictures) = match what {
        UnderWay::Lights => (Begin::Lights, lit(&target, [true, false], 5)),
        UnderWay::Scale => (Begin::Scale(one, None), target_at(Pose::IDENTITY, &target, 1)),
        UnderWay::Run => {
            let run = RunChoice { adjuster: "X".into(), thimble: words::AS_FILED.into(), between: [-5.2, 5.2], extent: Extent::Short };
            (Begin::Run(run), target_at(Pose::IDENTITY, &small, 1))
        }
        UnderWay::Day => (Begin::Day(one, Lies::Anywhere), target_at(Pose::IDENTITY, &target, 1)),
    };
    let command = |command| table.behind.0.borrow_mut().command(command);
    command(Command::Calibrate(Order::Begin(Box::new(begin))));
    table.behind.0.borrow_mut().look_at(pictures);
    command(Command::Calibrate(Order::Take(None)));
    let settings = Settings { text_percent, ..Settings::default() };
    let mut app = App::new(Box::new(table.behind.clone()), settings, None, None, Box::new(|| None))
        .of_size(Vec2::new(size_px[0] as f32, size_px[1] as f32));
    app.open_page(Page::Bench);
    super::shot::picture(&mut app, size_px, &mut || Ok(())).unwrap()
}
