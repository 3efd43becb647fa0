//! The desk over a rehearsal's bench: what it says, what it keeps, what it forgets.

use super::desk::{Accepting, Command};
use super::job::JobState;
use super::shown::Shown;
use super::subject::{BenchFile, PartFile};
use crate::rehearsal_bench::RehearsalBench;
use crate::settings::Settings;
use crate::state::desk::Desk;
use crate::state::result::png;
use crate::window::shot::AtOnce;
use landfit_camera::Frame;
use landfit_rehearsal::scenario::Setting;
use landfit_vision::Picture;
use landfit_vision::picture::Samples;
use std::sync::Arc;
use std::time::Instant;

/// A desk whose results go into a folder of their own.
struct Table {
    at_once: AtOnce,
    results: tempfile::TempDir,
}

/// Over small pictures, so that tests are quick.
fn table() -> Table {
    let setting = Setting::named("rotation-under-board").unwrap();
    let results = tempfile::tempdir().unwrap();
    let settings = Settings { results: Some(results.path().to_owned()), ..Settings::default() };
    let desk = Desk::new(PartFile::of(&setting).unwrap(), BenchFile::of(&setting).unwrap(), settings).unwrap();
    let bench = RehearsalBench::new(setting.start(3).unwrap(), setting.part().unwrap(), 3);
    Table { at_once: AtOnce::new(desk, bench), results }
}

impl Table {
    fn look(&mut self, times: usize) {
        (0..times).for_each(|_| self.at_once.look().unwrap());
    }

    fn good(&mut self) {
        let _ = self.at_once.follow(12).unwrap();
        assert_eq!(self.shown().align.state, Some(JobState::GoodToPlace));
    }

    fn shown(&self) -> Arc<Shown> {
        self.at_once.shown()
    }

    fn trouble(&self) -> Option<String> {
        self.shown().trouble.clone()
    }
}

/// The kept result: its folder, and what its files hold by name.
fn kept(table: &Table) -> (std::path::PathBuf, std::collections::BTreeMap<String, Vec<u8>>) {
    let mut folders = std::fs::read_dir(table.results.path()).unwrap().map(|f| f.unwrap().path());
    let (folder, none) = (folders.next().unwrap(), folders.next());
    assert_eq!(none, None);
    let files = std::fs::read_dir(&folder).unwrap().map(|f| f.unwrap());
    let files = files.map(|f| (f.file_name().to_string_lossy().into_owned(), std::fs::read(f.path()).unwrap())).collect();
    (folder, files)
}

/// A part whose pattern looks the same turned by a quarter.
pub fn full_grid() -> String {
    let drawing = landfit_part::generate::GridDrawing {
        name: "Full grid".into(),
        rows: 8,
        columns: 8,
        pitch_mm: [0.8; 2],
        ball_mm: 0.45,
        land_mm: 0.36,
        body_mm: [7.0; 2],
        depopulation: landfit_part::generate::Depopulation::default(),
        marks: Vec::new(),
        accept_miss_mm: Some(0.09),
    };
    landfit_part::file::to_toml(&landfit_part::generate::ball_grid(&drawing).unwrap())
}

#[test]
fn what_a_command_could_not_do_is_said_until_the_next_whatever_pictures_come() {
    let mut table = table();
    table.at_once.put_part(full_grid());
    table.good();
    let at = |corner| Command::Accept(Accepting { first_seen: Some(corner), ..Accepting::default() });
    table.at_once.command(at(3));
    assert!(table.trouble().is_some_and(|t| t.contains("turned round")), "{:?}", table.trouble());
    table.look(2);
    table.at_once.command(Command::PicturePx(0.8));
    assert!(table.trouble().is_some_and(|t| t.contains("turned round")), "{:?}", table.trouble());
    table.at_once.command(at(0));
    assert_eq!(table.trouble(), None);
    assert!(table.shown().align.accepted.is_some());
    assert_eq!(std::fs::read_dir(table.results.path()).unwrap().count(), 1);
}

#[test]
fn pictures_that_do_not_go_with_the_bench_leave_nothing_to_accept() {
    let mut table = table();
    table.good();
    let small = Picture { width_px: 64, height_px: 48, channels: 1, samples: Samples::U8(vec![90; 64 * 48]) };
    table.at_once.look_at(vec![small]);
    let shown = table.shown();
    assert!(shown.trouble.as_ref().is_some_and(|t| t.contains("do not go with this bench")), "{:?}", shown.trouble);
    assert!(shown.align.not_acceptable.is_some() && !shown.align.acceptable_with_reason && shown.align.landing.is_none());
    table.at_once.command(Command::Accept(Accepting { reason: "all the same".into(), ..Accepting::default() }));
    assert!(table.shown().align.accepted.is_none());
    table.look(2);
    assert_eq!((table.trouble(), table.shown().align.not_acceptable.clone()), (None, None));
}

#[test]
fn withdrawing_changes_no_picture_that_was_kept() {
    let mut table = table();
    table.good();
    table.at_once.command(Command::Accept(Accepting::default()));
    table.at_once.bench().swing_optics(false);
    table.look(2);
    assert_eq!(table.shown().align.state, Some(JobState::Placed));
    let (folder, before) = kept(&table);
    // Kept where it was, though another folder is set by now.
    let elsewhere = tempfile::tempdir().unwrap();
    let set = Settings { results: Some(elsewhere.path().to_owned()), ..Settings::default() };
    table.at_once.command(Command::Settings(Box::new(set)));
    table.at_once.command(Command::Withdraw);
    assert_eq!(table.trouble(), None);
    let (same, after) = kept(&table);
    assert_eq!(folder, same);
    for name in ["picture.png", "marked.png", "part.toml", "bench.toml"] {
        assert!(before[name] == after[name], "{name}");
    }
    assert!(String::from_utf8_lossy(&before["result.json"]).contains("\"accepted\""));
    assert!(String::from_utf8_lossy(&after["result.json"]).contains("withdrawn"));
}

/// The picture of the kept result.
fn kept_picture(table: &Table) -> Vec<u8> {
    kept(table).1.remove("picture.png").unwrap()
}

/// A picture of the bench as it stands, with noise of its own: stands for the mean of a rest.
fn average_of(table: &Table, seed: u64) -> (Arc<Frame>, Vec<u8>) {
    let pictures = table.at_once.bench().render(seed).unwrap();
    let bytes = png(&pictures[0]).unwrap();
    (Arc::new(Frame { pictures, taken: Instant::now(), from_jpeg: false, number: seed }), bytes)
}

#[test]
fn what_is_recorded_is_the_mean_of_the_rest_and_in_the_end_that_of_the_last_good_one() {
    let mut table = table();
    table.good();
    let (first, first_png) = average_of(&table, 901);
    table.at_once.desk_mut().average(Some(first));
    table.at_once.command(Command::Accept(Accepting::default()));
    assert!(kept_picture(&table) == first_png);
    let (second, second_png) = average_of(&table, 902);
    table.at_once.desk_mut().average(Some(second));
    table.look(1);
    // The optics swing out: no mean of what they leave behind.
    table.at_once.desk_mut().average(None);
    table.at_once.bench().swing_optics(false);
    table.look(2);
    assert_eq!(table.shown().align.state, Some(JobState::Placed));
    assert!(kept_picture(&table) == second_png);
}

#[test]
fn a_mean_that_is_judged_otherwise_than_the_look_is_not_recorded() {
    let mut table = table();
    table.good();
    table.at_once.bench().turn(0, 0.5);
    let (other, other_png) = average_of(&table, 901);
    table.at_once.bench().turn(0, -0.5);
    table.at_once.desk_mut().average(Some(other));
    table.at_once.command(Command::Accept(Accepting::default()));
    assert!(kept_picture(&table) != other_png);
}

#[test]
fn a_result_whose_last_writing_was_cut_off_between_the_renames_is_written_again() {
    let mut table = table();
    table.good();
    table.at_once.command(Command::Accept(Accepting::default()));
    let (folder, _) = kept(&table);
    let aside = folder.with_file_name(format!(".landfit-old-{}", folder.file_name().unwrap().to_string_lossy()));
    std::fs::rename(&folder, &aside).unwrap();
    table.at_once.command(Command::Withdraw);
    assert_eq!((table.trouble(), aside.exists()), (None, false));
    assert!(String::from_utf8_lossy(&kept(&table).1["result.json"]).contains("withdrawn"));
}

/// The bench file of the rehearsal with more text at its end, beside a part file that stays.
fn take_bench_with(table: &mut Table, more: &str) -> tempfile::TempDir {
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("bench.toml");
    std::fs::write(&file, format!("{}\n{more}", table.at_once.desk().bench.text)).unwrap();
    table.at_once.command(Command::TakeBench(file));
    assert_eq!(table.trouble(), None);
    folder
}

#[test]
fn a_calibration_that_cannot_be_read_is_said_to_be_uncounted() {
    let mut table = table();
    let _folder = take_bench_with(&mut table, "[uncertainty]\nview = \"sharp\"\n");
    table.look(2);
    assert!(table.shown().align.sentences.iter().any(|s| s.text.contains("is not counted")), "{:?}", table.shown().align.sentences);
}

#[test]
fn pictures_of_another_format_than_the_calibrations_are_refused() {
    let mut table = table();
    let _folder = take_bench_with(&mut table, "[calibration]\npixel_format = \"grey16\"\n");
    table.look(2);
    assert!(table.trouble().is_some_and(|t| t.contains("was calibrated in grey16")), "{:?}", table.trouble());
    assert!(table.shown().align.landing.is_none());
}

/// The sentences of the Align page in one text.
fn sentences(table: &Table) -> String {
    table.shown().align.sentences.iter().map(|s| s.text.as_str()).collect::<Vec<_>>().join(" ")
}

#[test]
fn a_board_that_was_turned_out_of_view_is_told_its_way_back_by_the_screws() {
    let mut table = table();
    table.look(2);
    let before = sentences(&table);
    assert!(!before.contains("By the screws") && !before.contains("When last made out"), "{before}");
    // Seven mm to the right and five and a half away: a corner of the lands is left in view.
    table.at_once.bench().turn(0, 14.0);
    table.at_once.bench().turn(1, 11.0);
    table.look(2);
    let told = sentences(&table);
    assert_eq!(table.shown().align.headline, crate::words::CANNOT_TELL);
    assert!(told.contains("Move the board about 7 mm to the left") && told.contains("towards you"), "{told}");
    let turns = |name: &str| -> f64 {
        let (_, after) = told.split_once(&format!("{name} about ")).unwrap_or_else(|| panic!("{name} in {told}"));
        let (number, rest) = after.split_once(" turns ").unwrap();
        assert!(rest.starts_with("anticlockwise"), "{told}");
        number.parse().unwrap()
    };
    assert!((turns("X") - 14.0).abs() < 1.5 && (turns("Y") - 11.0).abs() < 1.5, "{told}");
    assert!(told.contains("When last made out, the part was off:"), "{told}");
}

#[test]
fn a_move_that_leaves_no_answer_is_told_how_far_it_comes_back() {
    let mut table = table();
    table.look(2);
    table.at_once.bench().turn(0, 3.0);
    table.look(1);
    // Bumped out of view in the midst of the turn.
    table.at_once.bench().turn(1, 40.0);
    table.look(1);
    let told = sentences(&table);
    assert!(told.contains("Which way it lies cannot be told") && told.contains("mm off the middle of the view"), "{told}");
    assert!(told.contains("comes back by X about 3 turns anticlockwise"), "{told}");
}

#[test]
fn where_no_turn_mends_it_that_is_said() {
    let mut table = table();
    table.look(2);
    let [width_px, height_px] = table.at_once.desk().bench.bench.optics.frame.size_px.map(|n| n as usize);
    let white = Picture { width_px, height_px, channels: 3, samples: Samples::U8(vec![255; width_px * height_px * 3]) };
    table.at_once.look_at(vec![white]);
    let told = sentences(&table);
    assert!(told.contains("to a half") && told.contains(crate::words::NO_TURN_MENDS), "{told}");
}
