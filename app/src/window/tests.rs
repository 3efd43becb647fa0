//! Every page and control by its accessible name, over a desk without a thread.

use super::shot::{AtOnce, AtOnceHandle};
use super::{App, Page, open, words};
use crate::settings::{Ground, Settings};
use crate::state::desk::Command;
use crate::state::desk_tests::full_grid;
use crate::state::job::JobState;
use crate::state::shown::PictureState;
use eframe::egui::accesskit::Role;
use eframe::egui::{Event, Key, Modifiers, Vec2};
use egui_kittest::Harness;
use egui_kittest::kittest::{NodeT, Queryable};
use std::cell::RefCell;
use std::path::PathBuf;
use std::rc::Rc;

/// Small pictures, so that tests are quick.
const ON: &str = "rotation-under-board";

pub fn args(on: &str, seed: u64) -> open::Args {
    open::Args {
        part: None,
        bench: None,
        on: Some(on.to_owned()),
        seed,
        results: None,
        shot: None,
        page: None,
        size: "1280x720".into(),
        text: None,
        light: false,
        narrate: false,
        pace: None,
        stage: "begin".into(),
    }
}

pub struct Table {
    pub behind: AtOnceHandle,
    results: tempfile::TempDir,
}

/// A window over a rehearsal; `stage` prepares what stands behind it.
fn window(size: Vec2, settings: Settings, stage: impl FnOnce(&mut AtOnce)) -> (Harness<'static, App>, Table) {
    window_on(ON, size, settings, stage)
}

fn window_on(on: &str, size: Vec2, settings: Settings, stage: impl FnOnce(&mut AtOnce)) -> (Harness<'static, App>, Table) {
    let results = tempfile::tempdir().unwrap();
    let settings = Settings { results: Some(results.path().to_owned()), ..settings };
    let options = args(on, 3);
    let laid = open::lay(&options, settings.clone()).unwrap();
    let rehearsal = laid.rehearsal.clone();
    let mut behind = AtOnce::new(laid.desk, laid.rehearsal);
    stage(&mut behind);
    let behind = AtOnceHandle(Rc::new(RefCell::new(behind)));
    let setting = open::setting(&options).unwrap();
    let mut seed = 3;
    let another = move || {
        seed += 1;
        setting.start(seed).ok()
    };
    let app = App::new(Box::new(behind.clone()), settings, None, Some(rehearsal), Box::new(another)).of_size(size);
    // Native points: the window's own zoom makes its points of them.
    let harness = Harness::builder().with_size(size).with_max_steps(20).build_ui_state(|ui, app: &mut App| app.ui(ui), app);
    (harness, Table { behind, results })
}

pub fn ordinary(stage: impl FnOnce(&mut AtOnce)) -> (Harness<'static, App>, Table) {
    window(Vec2::new(1280.0, 720.0), Settings::default(), stage)
}

pub fn looked(behind: &mut AtOnce) {
    behind.look().unwrap();
    behind.look().unwrap();
}

fn good(behind: &mut AtOnce) {
    let _ = behind.follow(12).unwrap();
    assert_eq!(behind.desk().job().state(), JobState::GoodToPlace);
}

impl Table {
    fn state(&self) -> JobState {
        self.behind.0.borrow().desk().job().state()
    }

    fn accepted(&self) -> bool {
        self.behind.0.borrow().shown().align.accepted.is_some()
    }

    fn kept(&self) -> Vec<PathBuf> {
        let mut kept: Vec<PathBuf> = std::fs::read_dir(self.results.path()).unwrap().map(|f| f.unwrap().path()).collect();
        kept.sort();
        kept
    }
}

/// Steps of a tenth of a second.
fn wait(harness: &mut Harness<App>, steps: usize) {
    harness.run_steps(steps);
}

fn key(key: Key, pressed: bool) -> Event {
    Event::Key { key, physical_key: None, pressed, repeat: false, modifiers: Modifiers::NONE }
}

/// Holds the accepting key for so many steps (a quarter of a second each in the harness's clock by default).
fn hold(harness: &mut Harness<App>, steps: usize) {
    harness.event(key(Key::F12, true));
    wait(harness, steps);
    harness.event(key(Key::F12, false));
    wait(harness, 2);
}

#[test]
fn every_page_opens_by_its_name_and_by_its_key() {
    let (mut harness, _table) = ordinary(looked);
    let keys = [Key::F1, Key::F2, Key::F3, Key::F4, Key::F5, Key::F6];
    for (page, key) in Page::ALL.into_iter().zip(keys) {
        harness.get_by_role_and_label(Role::Button, page.word()).click();
        harness.run_ok();
        assert_eq!(harness.state().page(), page);
        harness.key_press(Key::F2);
        harness.run_ok();
        assert_eq!(harness.state().page(), Page::Align);
        harness.key_press(key);
        harness.run_ok();
        assert_eq!(harness.state().page(), page);
    }
}

#[test]
fn the_align_page_names_what_it_shows() {
    let (harness, _table) = ordinary(looked);
    for name in
        [words::PICTURE, words::LANDING, words::GO_ON, words::HOLD_TO_ACCEPT, words::ENLARGE, words::REDUCE, words::WHOLE, words::MARKS]
    {
        assert!(harness.query_by_label(name).is_some(), "{name}");
    }
    for screw in ["X", "Y", "R"] {
        for sense in ["clockwise", "anticlockwise"] {
            assert!(harness.query_by_label(&format!("{screw} {sense}")).is_some(), "{screw} {sense}");
        }
    }
}

#[test]
fn nothing_on_any_page_lacks_a_name() {
    for page in Page::ALL {
        let (mut harness, _table) = ordinary(looked);
        harness.state_mut().open_page(page);
        harness.run_ok();
        for node in harness.root().children_recursive() {
            let node = node.accesskit_node();
            let named = node.label().is_some_and(|l| !l.trim().is_empty()) || node.value().is_some() || node.labelled_by().next().is_some();
            let is_control = matches!(node.role(), Role::Button | Role::CheckBox | Role::RadioButton | Role::TextInput);
            assert!(!is_control || named, "{} has a {:?} without a name", page.word(), node.role());
        }
    }
}

#[test]
fn a_screw_on_the_screen_turns_by_click_and_by_key() {
    let (mut harness, table) = ordinary(looked);
    let truth = || table.behind.0.borrow().bench().truth().offset();
    let before = truth();
    harness.get_by_label("X clockwise").click();
    harness.run_ok();
    let clicked = truth();
    assert_ne!(clicked, before);
    harness.key_press(Key::Home);
    harness.run_ok();
    assert_ne!(truth(), clicked);
}

#[test]
fn the_space_bar_goes_on_wherever_the_focus_is_but_not_while_a_text_field_is_open() {
    let (mut harness, _table) = ordinary(looked);
    for page in [Page::Part, Page::Bench, Page::Settings, Page::Help] {
        harness.state_mut().open_page(page);
        harness.run_ok();
        harness.key_press(Key::Space);
        wait(&mut harness, 4);
        assert_eq!(harness.state().page(), Page::Align, "from {}", page.word());
    }
    harness.state_mut().open_page(Page::Settings);
    harness.run_ok();
    harness.get_by_role_and_label(Role::TextInput, words::INITIALS).focus();
    harness.run_ok();
    harness.event(key(Key::Space, true));
    harness.event(Event::Text(" ".into()));
    harness.event(key(Key::Space, false));
    wait(&mut harness, 4);
    assert_eq!(harness.state().page(), Page::Settings);
}

#[test]
fn a_second_held_accepts_and_keeps_the_result_whole() {
    let (mut harness, table) = ordinary(good);
    hold(&mut harness, 10);
    assert!(table.accepted());
    let kept = table.kept();
    assert_eq!(kept.len(), 1);
    for name in ["picture.png", "marked.png", "part.toml", "bench.toml", "result.json"] {
        assert!(kept[0].join(name).is_file(), "{name}");
    }
    let result: serde_json::Value = serde_json::from_str(&std::fs::read_to_string(kept[0].join("result.json")).unwrap()).unwrap();
    assert_eq!((result["state"].as_str(), result["answer"]["decision"].as_str()), (Some("accepted"), Some("within")));
    let sum = |name: &str| {
        use sha2::Digest;
        let digest = sha2::Sha256::digest(std::fs::read(kept[0].join(name)).unwrap());
        digest.iter().map(|b| format!("{b:02x}")).collect::<String>()
    };
    for name in ["picture.png", "part.toml", "bench.toml"] {
        assert_eq!(result["sha256"][name].as_str(), Some(sum(name).as_str()), "{name}");
    }
    // Measured again from what was kept, the answer is the same.
    assert_eq!(measured_again(&kept[0]), result["answer"]["offset"]);
}

/// The offset of a kept result, measured anew.
fn measured_again(folder: &std::path::Path) -> serde_json::Value {
    let part = crate::state::subject::PartFile::read(&folder.join("part.toml")).unwrap();
    let bench = crate::state::subject::BenchFile::read(&folder.join("bench.toml")).unwrap();
    let picture = crate::pictures::read(&folder.join("picture.png")).unwrap();
    let alignment = crate::state::desk::measure(&[picture], &part, &bench).unwrap();
    let landfit_vision::answer::Outcome::Fit(fit) = &alignment.outcome else { panic!("no fit") };
    let offset = serde_json::json!({"x_mm": fit.offset.x_mm, "y_mm": fit.offset.y_mm, "theta_deg": fit.offset.theta_rad.to_degrees()});
    // By way of text, as the kept one went.
    serde_json::from_str(&offset.to_string()).unwrap()
}

#[test]
fn a_tap_on_the_key_and_a_click_on_the_button_accept_nothing() {
    let (mut harness, table) = ordinary(good);
    hold(&mut harness, 1);
    harness.get_by_label(words::HOLD_TO_ACCEPT).click();
    harness.run_ok();
    harness.get_by_label(words::HOLD_TO_ACCEPT).click_accesskit();
    wait(&mut harness, 10);
    assert!(!table.accepted() && table.kept().is_empty());
}

#[test]
fn a_hold_does_not_outlast_its_page() {
    let (mut harness, table) = ordinary(good);
    harness.event(key(Key::F12, true));
    wait(&mut harness, 2);
    assert!(harness.state().align.hold.is_under_way());
    harness.key_press(Key::F4);
    wait(&mut harness, 1);
    harness.event(key(Key::F12, false));
    wait(&mut harness, 4);
    harness.key_press(Key::F2);
    hold(&mut harness, 1);
    assert!(!table.accepted(), "two taps, a while apart");
    hold(&mut harness, 10);
    assert!(table.accepted());
}

#[test]
fn outside_the_allowance_only_a_typed_reason_lets_it_be_accepted() {
    let (mut harness, table) = ordinary(looked);
    hold(&mut harness, 10);
    assert!(!table.accepted(), "{:?}", table.state());
    harness.get_by_role_and_label(Role::TextInput, words::REASON).focus();
    harness.run_ok();
    harness.get_by_role_and_label(Role::TextInput, words::REASON).type_text("for the training board");
    harness.run_ok();
    assert_eq!(harness.state().align.reason, "for the training board");
    // The key types nothing here, so the hold is by the pointer.
    let at = harness.get_by_label(words::HOLD_TO_ACCEPT).rect().center();
    harness.hover_at(at);
    harness.drag_at(at);
    wait(&mut harness, 2);
    assert!(harness.state().align.hold.is_under_way());
    wait(&mut harness, 10);
    harness.drop_at(at);
    wait(&mut harness, 2);
    let shown = table.behind.0.borrow().shown();
    assert!(table.accepted(), "{:?} {:?} {:?}", shown.trouble, shown.align.not_acceptable, harness.state().align.asked);
    let text = std::fs::read_to_string(table.kept()[0].join("result.json")).unwrap();
    assert!(text.contains("for the training board"));
}

#[test]
fn what_was_accepted_can_be_withdrawn_and_its_record_says_so() {
    let (mut harness, table) = ordinary(good);
    hold(&mut harness, 10);
    harness.get_by_label(words::WITHDRAW).click();
    harness.run_ok();
    assert!(!table.accepted());
    let text = std::fs::read_to_string(table.kept()[0].join("result.json")).unwrap();
    assert!(text.contains("withdrawn"), "{text}");
}

#[test]
fn enter_neither_goes_on_nor_accepts_even_where_those_have_the_focus() {
    let (mut harness, table) = ordinary(good);
    let before = table.behind.0.borrow().shown().number;
    for name in [words::GO_ON, words::HOLD_TO_ACCEPT] {
        harness.get_by_label(name).focus();
        harness.run_ok();
        let mut shown = table.behind.0.borrow().shown().number;
        harness.key_press(Key::Enter);
        wait(&mut harness, 10);
        assert!(!table.accepted());
        shown = table.behind.0.borrow().shown().number - shown;
        assert_eq!(shown, 0, "{name}: Enter asked for something");
    }
    assert!(before > 0);
}

#[test]
fn a_scanned_code_takes_the_part_file_of_that_name_and_any_other_is_the_serial_number() {
    let parts = tempfile::tempdir().unwrap();
    let text = landfit_rehearsal::scenario::PART_TOML;
    std::fs::write(parts.path().join("GR-14.toml"), text).unwrap();
    let settings = Settings { parts: Some(parts.path().to_owned()), ..Settings::default() };
    let (mut harness, table) = window(Vec2::new(1280.0, 720.0), settings, looked);
    let scan = |harness: &mut Harness<App>, code: &str| {
        // A scanner is quicker than a step of the harness: all in one.
        harness.input_mut().events.extend(code.chars().map(|c| Event::Text(c.to_string())));
        harness.input_mut().events.push(key(Key::Enter, true));
        wait(harness, 4);
    };
    scan(&mut harness, "SN 0042");
    assert_eq!(harness.state().align.serial, "SN 0042");
    scan(&mut harness, "GR-14");
    assert!(table.behind.0.borrow().shown().part.from.ends_with("GR-14.toml"));
    assert_eq!(harness.state().page(), Page::Align, "its Enter goes nowhere");
}

#[test]
fn another_part_is_put_down_once_one_is_accepted() {
    let (mut harness, table) = ordinary(good);
    hold(&mut harness, 10);
    let before = table.behind.0.borrow().bench().truth().offset();
    harness.get_by_label(words::NEXT_PART).click();
    harness.run_ok();
    assert!(!table.accepted());
    assert_ne!(table.behind.0.borrow().bench().truth().offset(), before);
    assert_eq!(table.state(), JobState::Looking);
}

#[test]
fn moved_after_accepting_is_said_and_placed_once_the_optics_leave() {
    let (mut harness, table) = ordinary(good);
    hold(&mut harness, 10);
    harness.get_by_label(words::OPTICS_OUT).click();
    harness.run_ok();
    table.behind.0.borrow_mut().look().unwrap();
    harness.run_ok();
    assert_eq!(table.state(), JobState::Placed);
    assert!(harness.query_by_label(words::PLACED).is_some());
    harness.get_by_label(words::OPTICS_IN).click();
    harness.run_ok();
    table.behind.0.borrow().bench().turn(0, 0.2);
    looked(&mut table.behind.0.borrow_mut());
    harness.run_ok();
    assert_eq!(table.state(), JobState::Moved);
    assert!(harness.query_by_label(words::MOVED).is_some());
}

#[test]
fn an_old_picture_is_said_and_nothing_is_accepted_on_it() {
    let (mut harness, table) = ordinary(good);
    table.behind.0.borrow_mut().stall("old picture, 3 s: the camera was unplugged", "Plug it in again.");
    harness.run_ok();
    assert_eq!(table.behind.0.borrow().shown().picture, PictureState::Old);
    assert_eq!(super::heard(&table.behind.0.borrow().shown()), None, "nor does it sound");
    hold(&mut harness, 10);
    assert!(!table.accepted());
}

#[test]
fn a_pattern_that_looks_the_same_turned_asks_where_its_first_ball_was_seen() {
    // Full square grids have no end that tells: the person must.
    let (mut harness, table) = ordinary(|behind| {
        behind.put_part(full_grid());
        good(behind);
    });
    assert_eq!(table.behind.0.borrow().shown().align.confirm.as_deref(), Some("A1"));
    hold(&mut harness, 10);
    assert!(!table.accepted(), "asked first");
    harness.get_by_label(words::CORNERS[3]).click();
    harness.run_ok();
    assert!(!table.accepted(), "seen at the wrong corner: the part is turned round");
    assert!(table.behind.0.borrow().shown().trouble.as_ref().is_some_and(|t| t.contains("turned round")));
    hold(&mut harness, 10);
    harness.get_by_label(words::CORNERS[0]).click();
    harness.run_ok();
    assert!(table.accepted());
}

#[test]
fn settings_take_effect_at_once() {
    let (mut harness, table) = ordinary(looked);
    harness.state_mut().open_page(Page::Settings);
    harness.run_ok();
    harness.get_by_label("Ground: light").click();
    harness.run_ok();
    harness.get_by_label("Lengths: mil").click();
    harness.run_ok();
    harness.get_by_label("Text: 200 %").click();
    harness.run_ok();
    let settings = harness.state().settings();
    assert_eq!((settings.ground, settings.text_percent), (Ground::Light, 200));
    assert!(table.behind.0.borrow().shown().align.sentences.iter().any(|s| s.text.contains(" mil")));
}

#[test]
fn a_look_at_the_folder_for_results_leaves_it_as_it_is() {
    let (mut harness, table) = ordinary(looked);
    harness.state_mut().open_page(Page::Settings);
    harness.run_ok();
    harness.get_by_role_and_label(Role::TextInput, words::RESULTS).focus();
    harness.run_ok();
    harness.get_by_role_and_label(Role::TextInput, words::PARTS).focus();
    harness.run_ok();
    assert_eq!(harness.state().settings().results.as_deref(), Some(table.results.path()));
}

#[test]
fn another_key_can_be_the_pedal_but_not_a_scanners_enter() {
    let (mut harness, _table) = ordinary(looked);
    harness.state_mut().open_page(Page::Settings);
    harness.run_ok();
    let name = format!("{}: Space", words::PEDAL);
    harness.get_by_label(&name).click();
    harness.run_ok();
    harness.key_press(Key::Enter);
    harness.run_ok();
    assert_eq!(harness.state().settings().pedal_key, "Space");
    harness.get_by_label(&name).click();
    harness.run_ok();
    harness.key_press(Key::F9);
    harness.run_ok();
    assert_eq!(harness.state().settings().pedal_key, "F9");
    harness.key_press(Key::F9);
    wait(&mut harness, 4);
    assert_eq!(harness.state().page(), Page::Align);
}

#[test]
fn what_is_touched_is_large_enough_for_a_glove() {
    for (size, percent) in [(Vec2::new(1280.0, 720.0), 100), (Vec2::new(1920.0, 1080.0), 100), (Vec2::new(1280.0, 720.0), 200)] {
        for page in Page::ALL {
            let (mut harness, _table) = window(size, Settings { text_percent: percent, ..Settings::default() }, looked);
            harness.state_mut().open_page(page);
            harness.run_ok();
            let zoom = harness.ctx.zoom_factor();
            for node in harness.root().children_recursive() {
                let role = node.accesskit_node().role();
                if matches!(role, Role::Button | Role::RadioButton) {
                    let high = node.rect().height() * zoom;
                    let name = node.accesskit_node().label().unwrap_or_default();
                    assert!(high >= super::look::TOUCH_PX - 0.6, "{} at {size:?} {percent} %: \"{name}\" is {high} px high", page.word());
                }
            }
        }
    }
}

/// Hands click and hold where a button stood a moment ago.
#[test]
fn no_button_slips_away_while_pictures_come_to_rest_and_answers_come_and_go() {
    for (size, percent) in [(Vec2::new(1280.0, 720.0), 100), (Vec2::new(1920.0, 1080.0), 100), (Vec2::new(1280.0, 720.0), 150)] {
        let settings = Settings { text_percent: percent, ..Settings::default() };
        let (mut harness, table) = window(size, settings, |behind| behind.look().unwrap());
        let places = |harness: &mut Harness<App>| {
            harness.run_ok();
            let place = |name: &&str| harness.get_by_role_and_label(Role::Button, name).rect().min.round();
            ["X clockwise", "R anticlockwise", words::OPTICS_OUT, words::GO_ON, words::HOLD_TO_ACCEPT].iter().map(place).collect::<Vec<_>>()
        };
        let moving = places(&mut harness);
        looked(&mut table.behind.0.borrow_mut());
        let outside = places(&mut harness);
        assert!(table.behind.0.borrow().shown().align.acceptable_with_reason, "a reason is asked for");
        good(&mut table.behind.0.borrow_mut());
        let within = places(&mut harness);
        assert!(!table.behind.0.borrow().shown().align.acceptable_with_reason);
        assert_eq!(moving, outside, "{size:?} {percent} %: moving, then outside and at rest");
        assert_eq!(outside, within, "{size:?} {percent} %: outside, then good to place");
    }
}

#[test]
fn nothing_that_decides_is_cut_off_by_the_windows_edge() {
    for (size, percent) in [
        (Vec2::new(1280.0, 720.0), 100),
        (Vec2::new(1920.0, 1080.0), 100),
        (Vec2::new(1280.0, 720.0), 200),
        (Vec2::new(1920.0, 1080.0), 200),
    ] {
        let (mut harness, _table) = window(size, Settings { text_percent: percent, ..Settings::default() }, looked);
        harness.run_ok();
        let room = size / harness.ctx.zoom_factor();
        for name in [words::GO_ON, words::HOLD_TO_ACCEPT, "Part", "Help"] {
            let rect = harness.get_by_role_and_label(Role::Button, name).rect();
            assert!(
                rect.min.x >= 0.0 && rect.min.y >= 0.0 && rect.max.x <= room.x + 0.5 && rect.max.y <= room.y + 0.5,
                "{name} at {size:?} {percent} %: {rect:?}"
            );
        }
    }
}

#[test]
fn what_to_turn_and_all_thimble_strips_are_in_view_without_scrolling_however_large_the_text() {
    for on in ["rotation-under-board", "inch-thimbles", "all-on-the-part", "bare-knobs"] {
        for (size, percent) in [(Vec2::new(1280.0, 720.0), 100), (Vec2::new(1280.0, 720.0), 200), (Vec2::new(1920.0, 1080.0), 200)] {
            let what = format!("{on} at {size:?} {percent} %");
            let (mut harness, table) = window_on(on, size, Settings { text_percent: percent, ..Settings::default() }, looked);
            harness.run_ok();
            let room = size / harness.ctx.zoom_factor();
            let end = harness.get_by_role_and_label(Role::Button, words::GO_ON).rect().min.y;
            let panel = table.behind.0.borrow().shown().align.clone();
            for strip in &panel.strips {
                let name = format!("{}: {}", strip.name, strip.word);
                let rect = harness.query_all_by_role(Role::Image).map(|n| (n.accesskit_node().label(), n.rect()));
                let found = rect.into_iter().find(|(label, _)| label.as_ref().is_some_and(|l| l.starts_with(&name)));
                let rect = found.unwrap_or_else(|| panic!("{what}: no strip \"{name}\"")).1;
                let is_beside_it = percent == 100;
                assert!(rect.min.y >= 0.0 && rect.max.x <= room.x && (is_beside_it || rect.max.y <= end), "{what}: {name} at {rect:?}");
            }
            let next = panel.next.expect("something to turn");
            for text in [format!("{} {}", words::TURN_NEXT, next.name), next.digits, next.sense] {
                let rect = harness.get_all_by_label(&text).next().expect("the next move").rect();
                assert!(rect.max.y <= if percent == 100 { room.y } else { end }, "{what}: {text} at {rect:?}");
            }
        }
    }
}

#[test]
fn a_view_takes_less_than_its_share_of_a_frame() {
    // CPU of this thread alone: another program's load is none of it. The accessible tree is made anew in every frame here, which the
    // window does only while somebody reads it; `landfit --pace` measures the window itself.
    let (mut harness, _table) = ordinary(looked);
    harness.run_ok();
    let Some(before) = super::pace::thread_cpu_ns() else { return };
    harness.run_steps(20);
    let each_ms = (super::pace::thread_cpu_ns().unwrap() - before) as f64 / 1e6 / 20.0;
    println!("a frame takes {each_ms:.2} ms of CPU");
    assert!(each_ms < 8.0, "{each_ms} ms");
}

#[test]
fn on_no_page_is_anything_cut_off_at_the_side_or_laid_over_another_control() {
    for (size, percent) in [(Vec2::new(1280.0, 720.0), 100), (Vec2::new(1920.0, 1080.0), 100), (Vec2::new(1280.0, 720.0), 200)] {
        for page in Page::ALL {
            let (mut harness, _table) = window(size, Settings { text_percent: percent, ..Settings::default() }, looked);
            harness.state_mut().open_page(page);
            harness.run_ok();
            assert_nothing_is_cut_off_or_overlaps(&harness, size, &format!("{} at {size:?} {percent} %", page.word()));
        }
    }
}

/// Controls and labels reach no further than the window's sides, and no control lies over another or over the picture.
pub fn assert_nothing_is_cut_off_or_overlaps(harness: &Harness<App>, size: Vec2, what: &str) {
    let room = size / harness.ctx.zoom_factor();
    let mut controls: Vec<(String, eframe::egui::Rect)> = Vec::new();
    let mut picture = None;
    for node in harness.root().children_recursive() {
        let role = node.accesskit_node().role();
        let name = node.accesskit_node().label().or(node.accesskit_node().value()).unwrap_or_default();
        if role == Role::Image && name == words::PICTURE {
            picture = Some(node.rect());
        }
        let is_control = matches!(role, Role::Button | Role::RadioButton | Role::CheckBox | Role::TextInput | Role::Slider);
        if !is_control && role != Role::Label {
            continue;
        }
        let rect = node.rect();
        assert!(rect.min.x >= -0.5 && rect.max.x <= room.x + 0.5, "{what}: {role:?} \"{name}\" at {rect:?} in {room:?}");
        // The two that decide stand before what scrolls below them; that they are whole is a test of its own.
        if is_control && name != words::GO_ON && name != words::HOLD_TO_ACCEPT {
            controls.push((name, rect));
        }
    }
    let over = |a: eframe::egui::Rect, b: eframe::egui::Rect| a.shrink(0.5).intersect(b.shrink(0.5)).is_positive();
    for (i, (a, at)) in controls.iter().enumerate() {
        for (b, other) in &controls[i + 1..] {
            assert!(!over(*at, *other), "{what}: \"{a}\" and \"{b}\" overlap: {at:?} {other:?}");
        }
        let of_picture = [words::ENLARGE, words::REDUCE, words::WHOLE, words::MARKS].contains(&a.as_str());
        assert!(of_picture || picture.is_none_or(|p| !over(*at, p)), "{what}: \"{a}\" lies over the picture: {at:?} {picture:?}");
    }
}

#[test]
fn a_bench_with_another_number_of_exposures_opens_its_source_anew() {
    let watched = crate::settings::SourceChoice::Watched("/tmp/looks".into());
    let settings = Settings { source: watched, ..Settings::default() };
    let (mut harness, table) = window(Vec2::new(1280.0, 720.0), settings, looked);
    harness.run_ok();
    assert!(table.behind.0.borrow().sources().is_empty());
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("two.toml");
    std::fs::write(&file, landfit_rehearsal::scenario::Setting::named("all-on-the-part").unwrap().bench_toml).unwrap();
    table.behind.0.borrow_mut().command(Command::TakeBench(file));
    harness.run_ok();
    let shown = table.behind.0.borrow().shown();
    assert_eq!((shown.needs.exposures(), table.behind.0.borrow().sources().len()), (2, 1), "{:?}", shown.trouble);
}

#[test]
fn a_reading_runs_with_the_hand_unless_it_is_being_typed() {
    let (mut harness, table) = ordinary(looked);
    let screws = table.behind.0.borrow().shown().bench.adjusters.clone();
    let name = words::reading_of(&screws.iter().find(|a| a.has_reading).unwrap().name);
    harness.state_mut().open_page(Page::Bench);
    harness.run_ok();
    let value = |harness: &Harness<App>| harness.get_by_role_and_label(Role::TextInput, &name).value();
    harness.get_by_role_and_label(Role::TextInput, &name).focus();
    harness.run_ok();
    harness.get_by_role_and_label(Role::TextInput, &name).type_text("3.");
    harness.run_ok();
    assert_eq!(value(&harness).as_deref(), Some("3."), "what is typed stays as it is");
    harness.get_by_role_and_label(Role::Button, words::LOOK_FOR_CAMERAS).focus();
    harness.run_ok();
    assert_eq!(value(&harness).as_deref(), Some("3.00"));
    let turned = screws.iter().position(|a| a.has_reading).unwrap();
    table.behind.0.borrow().bench().turn(turned, 1.0);
    looked(&mut table.behind.0.borrow_mut());
    harness.run_ok();
    let runs: f64 = value(&harness).unwrap().parse().unwrap();
    assert!((runs - 3.0).abs() > 0.5, "{runs}");
    harness.get_by_role_and_label(Role::TextInput, &name).focus();
    harness.run_ok();
    harness.get_by_role_and_label(Role::TextInput, &name).type_text("some");
    harness.run_ok();
    harness.get_by_role_and_label(Role::Button, words::LOOK_FOR_CAMERAS).focus();
    harness.run_ok();
    assert!(harness.query_by_label_contains("is no reading of").is_some(), "what cannot be read is said");
}

#[test]
fn commands_that_a_page_gives_reach_the_desk() {
    let (mut harness, table) = ordinary(looked);
    harness.state_mut().open_page(Page::After);
    harness.run_ok();
    harness.get_by_label(words::AFTER_LIVE).click();
    harness.run_ok();
    assert!(!table.behind.0.borrow().shown().after.measured.is_empty());
    table.behind.0.borrow_mut().command(Command::Measure(vec!["nowhere.png".into()]));
    let shown = table.behind.0.borrow().shown();
    assert!(shown.after.measured[0].text.contains("nowhere.png"));
}

#[test]
fn a_stage_that_cannot_be_reached_ends_with_an_error() {
    let folder = tempfile::tempdir().unwrap();
    let part = folder.path().join("part.toml");
    // An allowance that no hand can meet.
    let strict = landfit_rehearsal::scenario::Setting::named(ON).unwrap().part_toml.replace("miss_mm = 0.09", "miss_mm = 0.0001");
    std::fs::write(&part, strict).unwrap();
    for stage in ["placed", "moved"] {
        let shot = folder.path().join("shot.png");
        let args = open::Args { part: Some(part.clone()), shot: Some(shot.clone()), stage: stage.into(), ..args(ON, 3) };
        let told = super::shot::write(&args, Page::Align, &shot).unwrap_err().to_string();
        assert!(told.contains("does not come so far") && !shot.exists(), "{stage}: {told}");
    }
}

/// A camera with what it offers, as the fake devices of the camera's own tests have it.
fn camera_in_use() -> super::bench_page::CamerasSeen {
    use landfit_camera::camera::{KnobState, Offered};
    use landfit_camera::{Knob, Pixels};
    let found = super::bench_page::FoundCamera {
        name: "Bench camera".into(),
        offers: vec![(Pixels::Yuyv, [640, 480]), (Pixels::Mjpeg, [1280, 960])],
        trouble: None,
    };
    let offered = |knob, least, most, value| Offered { knob, least, most, step: 1, value };
    let knobs = KnobState {
        offered: vec![
            offered(Knob::Exposure, 3, 2047, 120),
            offered(Knob::Gain, 0, 100, 20),
            offered(Knob::WhiteBalance, 2800, 6500, 4600),
        ],
        held: vec!["automatic exposure", "automatic white balance"],
        refused: vec!["focus cannot be set on this camera".into()],
    };
    super::bench_page::CamerasSeen { found: Some(vec![found]), in_use: Some("Bench camera".into()), knobs: Some(knobs) }
}

#[test]
fn a_camera_in_use_is_set_by_its_controls_and_says_what_it_holds() {
    use landfit_camera::{Knob, Pixels};
    let (_harness, table) = ordinary(looked);
    let shown = table.behind.0.borrow().shown();
    let state = (super::bench_page::BenchView::default(), Vec::new());
    let mut harness = Harness::builder().with_size(Vec2::new(1280.0, 2400.0)).with_max_steps(20).build_ui_state(
        move |ui, (view, asks): &mut (super::bench_page::BenchView, Vec<super::Ask>)| {
            asks.extend(super::bench_page::bench_page_ui(ui, &shown, view, &camera_in_use()));
        },
        state,
    );
    assert!(harness.query_by_label_contains("automatic exposure, automatic white balance").is_some());
    assert!(harness.query_by_label_contains("focus cannot be set").is_some());
    harness.get_by_label(&words::camera_format("MJPEG", [1280, 960])).click();
    harness.run_ok();
    for name in ["exposure", "gain", "white balance"] {
        harness.get_by_role_and_label(Role::Slider, name).focus();
        harness.run_ok();
        harness.key_press(Key::ArrowRight);
        harness.run_ok();
    }
    let asks = &harness.state().1;
    assert!(asks.contains(&super::Ask::CameraFormat(Pixels::Mjpeg, [1280, 960])), "{asks:?}");
    for (knob, before) in [(Knob::Exposure, 120), (Knob::Gain, 20), (Knob::WhiteBalance, 4600)] {
        assert!(asks.iter().any(|a| matches!(a, super::Ask::Knob(k, v) if *k == knob && *v > before)), "{knob:?}: {asks:?}");
    }
}

#[test]
fn what_the_camera_is_set_to_is_kept_in_the_settings() {
    let settings = Settings { source: crate::settings::SourceChoice::Camera("Bench camera".into()), ..Settings::default() };
    let (mut harness, table) = window(Vec2::new(1280.0, 720.0), settings, looked);
    let shown = table.behind.0.borrow().shown();
    let app = harness.state_mut();
    app.answer(super::Ask::Knob(landfit_camera::Knob::Gain, 33), &shown);
    app.answer(super::Ask::CameraFormat(landfit_camera::Pixels::Mjpeg, [1280, 960]), &shown);
    let set = &app.settings().cameras["Bench camera"];
    assert_eq!((set.knobs.get("gain"), set.pixels.as_deref(), set.size_px), (Some(&33), Some("MJPEG"), Some([1280, 960])));
    assert_eq!(table.behind.0.borrow().sources(), ["Bench camera"], "another form of pictures opens it anew");
}
