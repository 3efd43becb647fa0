//! Every control of every page, by its accessible name and by the keyboard alone.

use super::tests::{looked, ordinary};
use super::{App, Page, words};
use eframe::egui::accesskit::Role;
use eframe::egui::{Key, Modifiers};
use egui_kittest::Harness;
use egui_kittest::kittest::{NodeT, Queryable};
use std::collections::BTreeSet;

/// Role and name of each control that may be used now.
fn controls(harness: &Harness<App>) -> Vec<(Role, String)> {
    let mut found = Vec::new();
    for node in harness.root().children_recursive() {
        let node = node.accesskit_node();
        let is_control = matches!(node.role(), Role::Button | Role::RadioButton | Role::CheckBox | Role::TextInput | Role::Slider);
        if is_control && !node.is_disabled() {
            // A text field is called by its label.
            let label = node.labelled_by().next().and_then(|l| l.label().or(l.value()));
            found.push((node.role(), node.label().or(label).unwrap_or_default()));
        }
    }
    found
}

#[test]
fn every_control_is_used_by_a_name_of_its_own() {
    let mut used = 0;
    for page in Page::ALL {
        let (mut harness, _table) = ordinary(looked);
        harness.state_mut().open_page(page);
        harness.run_ok();
        let all = controls(&harness);
        let distinct: BTreeSet<String> = all.iter().map(|(role, name)| format!("{role:?} {name}")).collect();
        assert_eq!(distinct.len(), all.len(), "two controls of {} have one name: {all:?}", page.word());
        for (role, name) in all {
            // These write a file where they stand: tests of their own have them write elsewhere.
            if name == words::MAKE_GRID {
                continue;
            }
            harness.state_mut().open_page(page);
            harness.run_ok();
            // What another control took away is none any more: the reason, once the part is good to place.
            if harness.query_by_role_and_label(role, &name).is_none() {
                continue;
            }
            if role == Role::TextInput {
                harness.get_by_role_and_label(role, &name).focus();
                harness.run_ok();
                harness.get_by_role_and_label(role, &name).type_text("7");
                harness.run_ok();
                let value = harness.get_by_role_and_label(role, &name).accesskit_node().value().unwrap_or_default();
                assert!(value.contains('7'), "{} {name}: {value:?}", page.word());
                harness.key_press(Key::Backspace);
            } else {
                // By its name alone: it may stand below what is in view.
                harness.get_by_role_and_label(role, &name).click_accesskit();
            }
            harness.run_ok();
            // A key that is waited for is no other control's.
            harness.key_press(Key::F9);
            harness.run_ok();
            used += 1;
        }
    }
    assert!(used > 60, "{used}");
}

#[test]
fn what_comes_and_goes_above_does_not_take_the_focus_from_under_who_types() {
    let (mut harness, table) = ordinary(|_| ());
    harness.run_ok();
    type_into(&mut harness, words::SERIAL, "20");
    looked(&mut table.behind.0.borrow_mut());
    harness.run_ok();
    harness.get_by_role_and_label(Role::TextInput, words::SERIAL).type_text("26");
    harness.run_ok();
    let value = harness.get_by_role_and_label(Role::TextInput, words::SERIAL).accesskit_node().value();
    assert_eq!(value.as_deref(), Some("2026"));
}

#[test]
fn the_keyboard_alone_reaches_every_control() {
    for page in Page::ALL {
        let (mut harness, _table) = ordinary(looked);
        harness.state_mut().open_page(page);
        harness.run_ok();
        let all: BTreeSet<String> = controls(&harness).into_iter().map(|(_, name)| name).collect();
        let mut reached = BTreeSet::new();
        for _ in 0..2 * all.len() + 4 {
            harness.key_press_modifiers(Modifiers::NONE, Key::Tab);
            harness.run_ok();
            let focused = harness.root().children_recursive().find_map(|node| {
                let node = node.accesskit_node();
                node.is_focused().then(|| {
                    let label = node.labelled_by().next().and_then(|l| l.label().or(l.value()));
                    node.label().or(label).unwrap_or_default()
                })
            });
            reached.extend(focused);
        }
        let missing: Vec<&String> = all.difference(&reached).collect();
        assert!(missing.is_empty(), "{}: Tab never comes to {missing:?}", page.word());
    }
}

fn type_into(harness: &mut Harness<App>, name: &str, text: &str) {
    harness.get_by_role_and_label(Role::TextInput, name).focus();
    harness.run_ok();
    harness.key_press_modifiers(Modifiers::COMMAND, Key::A);
    harness.run_ok();
    harness.get_by_role_and_label(Role::TextInput, name).type_text(text);
    harness.run_ok();
}

#[test]
fn a_ball_grid_is_made_on_the_part_page_and_taken() {
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("made.toml");
    let (mut harness, table) = ordinary(looked);
    harness.state_mut().open_page(Page::Part);
    harness.run_ok();
    for (name, text) in [(words::GRID_NAME, "Gate valve"), (words::GRID_ROWS, "6"), (words::GRID_COLUMNS, "7"), (words::GRID_PITCH, "0,65")]
    {
        type_into(&mut harness, name, text);
    }
    type_into(&mut harness, words::GRID_FILE, &file.display().to_string());
    harness.get_by_role_and_label(Role::Button, words::MAKE_GRID).click_accesskit();
    harness.run_ok();
    let shown = table.behind.0.borrow().shown();
    assert_eq!(shown.trouble, None);
    assert!(file.is_file() && shown.part.lines.iter().any(|l| l.contains("42 balls")), "{:?}", shown.part.lines);
    // What cannot be meant is said and writes nothing.
    type_into(&mut harness, words::GRID_ROWS, "some");
    harness.get_by_role_and_label(Role::Button, words::MAKE_GRID).click_accesskit();
    harness.run_ok();
    assert!(harness.query_by_label_contains("write a whole number").is_some());
}

#[test]
fn a_folder_is_watched_or_its_pictures_are_shown_and_stored_pictures_are_measured() {
    let (mut harness, table) = ordinary(looked);
    for button in [words::WATCH_IT, words::SHOW_ITS_PICTURES] {
        harness.state_mut().open_page(Page::Bench);
        harness.run_ok();
        type_into(&mut harness, words::FOLDER, "/nowhere/looks");
        harness.get_by_label(button).click_accesskit();
        harness.run_ok();
    }
    assert_eq!(table.behind.0.borrow().sources(), ["/nowhere/looks", "/nowhere/looks"]);
    harness.state_mut().open_page(Page::After);
    harness.run_ok();
    type_into(&mut harness, words::AFTER_PICTURES, "/nowhere/a.png");
    harness.get_by_label(words::READ_AGAIN).click();
    harness.run_ok();
    assert!(table.behind.0.borrow().shown().after.measured[0].text.contains("/nowhere/a.png"));
}
