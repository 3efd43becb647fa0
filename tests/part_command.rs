//! `landfit part` as a user types it: every family of parts made, checked and drawn, and what `part check` ends with.

#![allow(clippy::unwrap_used, clippy::panic, reason = "a test fails by panicking")]

use std::path::Path;
use std::process::Output;

/// Family and options, sites, what `part check` must say of it.
const FAMILIES: [(&str, usize, &str); 9] = [
    ("qfp --leads 100 --pitch 0.5 --span 16", 100, "quarter"),
    ("qfn --pads 48 --pitch 0.5 --body 7", 48, "quarter"),
    ("dfn --pads 8 --pitch 0.5 --body 3", 8, "half"),
    ("so --leads 14 --pitch 1.27 --span 6", 14, "half"),
    ("lga --rows 7 --columns 7 --pitch 0.8 --pad 0.4", 49, "quarter"),
    ("chip --body 2x1.25 --terminal 0.4", 2, "half"),
    ("rows --terminals 20 --pitch 0.8 --terminal 0.3x1.2", 20, "half"),
    ("grid --rows 10 --columns 10 --pitch 0.8", 100, "quarter"),
    ("grid --staggered --rows 10 --columns 10 --pitch 0.5", 50, "half"),
];

fn landfit(folder: &Path, words: &str) -> Output {
    assert_cmd::Command::cargo_bin("landfit").unwrap().current_dir(folder).args(words.split_whitespace()).output().unwrap()
}

fn text(bytes: &[u8]) -> String {
    String::from_utf8_lossy(bytes).into_owned()
}

#[test]
fn every_family_is_made_checked_and_drawn() {
    let folder = tempfile::tempdir().unwrap();
    for (i, (options, sites, turn)) in FAMILIES.into_iter().enumerate() {
        let made = landfit(folder.path(), &format!("part new {options} --out p{i}.toml"));
        assert_eq!(made.status.code(), Some(0), "{options}: {}", text(&made.stderr));
        let part = landfit_part::file::read(&folder.path().join(format!("p{i}.toml"))).unwrap();
        assert_eq!(part.sites.len(), sites, "{options}");
        let checked = landfit(folder.path(), &format!("part check p{i}.toml"));
        let said = text(&checked.stdout);
        // Of a chip, whose two terminals are the same, it does not matter.
        let matters = i32::from(sites > 2);
        assert_eq!(checked.status.code(), Some(matters), "a pattern that looks the same turned is a finding: {options}: {said}");
        assert!(said.contains(&sites.to_string()) && said.contains(turn), "{options}: {said}");
        let drawn = landfit(folder.path(), &format!("part show p{i}.toml --out p{i}.svg"));
        assert_eq!(drawn.status.code(), Some(0), "{options}: {}", text(&drawn.stderr));
        assert!(std::fs::read_to_string(folder.path().join(format!("p{i}.svg"))).unwrap().trim_end().ends_with("</svg>"));
    }
}

#[test]
fn a_pattern_that_tells_its_turn_has_no_findings() {
    let folder = tempfile::tempdir().unwrap();
    assert_eq!(
        landfit(folder.path(), "part new grid --rows 8 --columns 8 --pitch 0.8 --absent A1,A2,A3 --out p.toml").status.code(),
        Some(0)
    );
    let checked = landfit(folder.path(), "part check p.toml");
    assert_eq!(checked.status.code(), Some(0), "{}{}", text(&checked.stdout), text(&checked.stderr));
}

#[test]
fn a_file_that_cannot_be_used_is_one_line_with_status_2() {
    let folder = tempfile::tempdir().unwrap();
    let twice = "schema = 1\nname = \"t\"\nbody_mm = [2.0, 2.0]\n".to_owned()
        + &"[[site]]\nid = \"1\"\nat_mm = [0.0, 0.0]\nterminal = { round_mm = 0.3 }\nland = { round_mm = 0.3 }\n".repeat(2);
    std::fs::write(folder.path().join("twice.toml"), twice).unwrap();
    std::fs::write(folder.path().join("key.toml"), "schema = 1\nname = \"t\"\nbody_mm = [2.0, 2.0]\nballs = 4\n").unwrap();
    for (file, word) in [("twice.toml", "1"), ("key.toml", "balls"), ("missing.toml", "missing.toml")] {
        let checked = landfit(folder.path(), &format!("part check {file}"));
        let said = text(&checked.stderr);
        assert_eq!(checked.status.code(), Some(2), "{file}: {said}");
        assert!(said.trim_end().lines().count() == 1 && said.contains(file) && said.contains(word), "{file}: {said}");
    }
}
