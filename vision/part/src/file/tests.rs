use super::*;
use crate::{Piece, Shape};
use proptest::prelude::*;

/// The full example of the part file's description, comments and all.
const EXAMPLE: &str = r#"schema = 1
name = "…"
body_mm = [14.0, 14.0]
body_centre_mm = [0.0, 0.0]         # optional

[grid]                              # a ball or pad grid, and/or explicit sites below; centred on the origin over its full rows x columns
rows = 16
columns = 16
pitch_mm = [0.8, 0.8]               # x, y
terminal = { round_mm = 0.45 }      # diameter
land     = { round_mm = 0.36 }
absent = ["A1", "G7:K10"]           # one site, or a block from corner to corner; never shifts the grid

[[site]]                            # staggered grids and grids of two pitches are written as sites, too
id = "1"
at_mm = [-7.7, 6.25]
angle_deg = 90.0                    # turns the shapes counter-clockwise about at_mm
terminal = { rect_mm = [0.22, 0.75], shift_mm = [0.0, 0.1] }  # width (local x), length (local y); shift: the shape's centre from at_mm, local axes
land     = { rect_mm = [0.28, 1.40] }

[[mark]]                            # optional: what tells A1, or a fiducial
side = "part"                       # or "board"
at_mm = [-6.3, 6.3]
shape = { round_mm = 0.3 }

[accept]                            # optional
miss_mm = 0.09                      # largest allowed miss of any site
"#;

const GRID: &str = r#"name = "B"
body_mm = [14.0, 14.0]

[grid]
rows = 4
columns = 4
pitch_mm = [0.8, 0.8]
terminal = { round_mm = 0.45 }
land = { round_mm = 0.36 }
absent = []
"#;

const SITE: &str = r#"name = "S"
body_mm = [14.0, 14.0]

[[site]]
id = "1"
at_mm = [-7.7, 6.25]
terminal = { rect_mm = [0.22, 0.75] }
land = { rect_mm = [0.28, 1.40] }

[[mark]]
side = "part"
at_mm = [-6.3, 6.3]
shape = { round_mm = 0.3 }
"#;

fn error(text: &str) -> String {
    let text = parse(text, "b.toml").expect_err("refused").to_string();
    assert!(!text.contains('\n'), "{text}");
    text
}

/// The error after one line of a good file is changed.
fn changed(good: &str, line: &str, to: &str) -> String {
    assert_eq!(good.matches(line).count(), 1, "{line}");
    error(&good.replace(line, to))
}

fn round_trip(part: &Part) -> Part {
    parse(&to_toml(part), "again.toml").expect("what was written reads back")
}

#[test]
fn the_full_example_is_read_with_every_key() {
    let part = parse(EXAMPLE, "b.toml").expect("part");
    assert_eq!(part.name, "…");
    assert_eq!(part.sites.len(), 256 - 1 - 16 + 1);
    assert!(part.site_index("A1").is_none() && part.site_index("H8").is_none() && part.site_index("A2").is_some());
    let a2 = &part.sites[part.site_index("A2").expect("A2")];
    assert!(a2.at_mm.distance(PointMm::new(-5.2, 6.0)) < 1e-12);
    let site = part.sites.last().expect("site");
    assert_eq!((site.id.as_str(), site.at_mm), ("1", PointMm::new(-7.7, 6.25)));
    assert_eq!(site.angle_rad, std::f64::consts::FRAC_PI_2);
    assert_eq!(site.terminal, [Piece { shape: Shape::Rect { width_mm: 0.22, length_mm: 0.75 }, shift_mm: PointMm::new(0.0, 0.1) }]);
    assert_eq!(part.marks, [Mark { side: Side::Part, at_mm: PointMm::new(-6.3, 6.3), angle_rad: 0.0, piece: Piece::round(0.3) }]);
    assert_eq!(part.accept_miss_mm, Some(0.09));
    assert_eq!(round_trip(&part), part);
    assert!(to_toml(&part).contains("absent = [\"A1\", \"G7:K10\"]"));
}

#[test]
fn every_shape_and_several_pieces_are_read_and_written() {
    let shapes = [
        ("{ round_mm = 0.45 }", Shape::Round { diameter_mm: 0.45 }),
        ("{ rect_mm = [0.2, 1] }", Shape::Rect { width_mm: 0.2, length_mm: 1.0 }),
        ("{ rounded_mm = [0.3, 0.8, 0.15] }", Shape::Rounded { width_mm: 0.3, length_mm: 0.8, radius_mm: 0.15 }),
        ("{ oval_mm = [0.3, 0.8] }", Shape::Oval { width_mm: 0.3, length_mm: 0.8 }),
        (
            "{ outline_mm = [[0, 0], [1, 0], [0, 1]] }",
            Shape::Outline { corners_mm: vec![PointMm::ZERO, PointMm::new(1.0, 0.0), PointMm::new(0.0, 1.0)] },
        ),
    ];
    for (written, shape) in shapes {
        let text = SITE
            .replace("{ rect_mm = [0.22, 0.75] }", written)
            .replace("{ rect_mm = [0.28, 1.40] }", &format!("[{written}, {{ round_mm = 1, shift_mm = [0, -2] }}]"));
        let part = parse(&text, "b.toml").expect("part");
        assert_eq!(part.sites[0].terminal, [Piece { shape: shape.clone(), shift_mm: PointMm::ZERO }]);
        assert_eq!(part.sites[0].land.len(), 2);
        assert_eq!(part.sites[0].land[1].shift_mm, PointMm::new(0.0, -2.0));
        assert_eq!(round_trip(&part), part);
    }
    let tables = SITE.replace("land = { rect_mm = [0.28, 1.40] }\n", "[[site.land]]\nround_mm = 1\n[[site.land]]\nround_mm = 2\n");
    assert_eq!(parse(&tables, "b.toml").expect("part").sites[0].land, [Piece::round(1.0), Piece::round(2.0)]);
}

#[test]
fn a_site_may_lack_one_side_but_not_both() {
    let part = parse(&SITE.replace("terminal = { rect_mm = [0.22, 0.75] }", "terminal = []"), "b.toml").expect("part");
    assert!(part.sites[0].terminal.is_empty());
    assert_eq!(round_trip(&part), part);
    let both = SITE.replace("{ rect_mm = [0.22, 0.75] }", "[]").replace("{ rect_mm = [0.28, 1.40] }", "[]");
    assert_eq!(error(&both), "b.toml, line 4: [[site]] terminal and land are both empty; a site has at least one of them");
}

#[test]
fn tables_of_other_writers_are_let_be_and_told() {
    let text = format!("{GRID}\n[shop]\nshelf = 3\n\n[[history]]\nwho = \"me\"\n");
    assert_eq!(parse(&text, "b.toml").expect("part"), parse(GRID, "b.toml").expect("part"));
    assert_eq!(tables_of_others(&text, "b.toml").expect("TOML"), [("shop".to_owned(), 12), ("history".to_owned(), 15)]);
}

#[test]
fn unknown_keys_are_refused_in_every_table_with_name_and_line() {
    let known_site = "known here: id, at_mm, angle_deg, terminal, land";
    for (good, before, extra, expected) in [
        (GRID, "name = \"B\"", "colour = 1", "b.toml, line 1: colour is an unknown key; known here: schema, name,"),
        (GRID, "rows = 4", "row = 1", "b.toml, line 5: [grid] row is an unknown key; did you mean rows?"),
        (SITE, "id = \"1\"", "colour = 1", &format!("b.toml, line 5: [[site]] colour is an unknown key; {known_site}")),
        (SITE, "side = \"part\"", "sides = 1", "b.toml, line 11: [[mark]] sides is an unknown key; did you mean side?"),
    ] {
        let text = changed(good, before, &format!("{extra}\n{before}"));
        assert!(text.starts_with(expected), "{text}");
    }
    let shape = changed(GRID, "terminal = { round_mm = 0.45 }", "terminal = { round = 0.45 }");
    assert!(shape.starts_with("b.toml, line 8: [grid] terminal.round is an unknown key; did you mean round_mm?"), "{shape}");
    let accept = error(&format!("{GRID}[accept]\nmiss = 1\n"));
    assert!(accept.starts_with("b.toml, line 12: [accept] miss is an unknown key; did you mean miss_mm?"), "{accept}");
}

#[test]
fn missing_keys_are_named_with_what_to_add() {
    for (good, line, expected) in [
        (GRID, "name = \"B\"\n", "b.toml, line 1: name is missing; add name = \"BGA256 0.8\""),
        (GRID, "body_mm = [14.0, 14.0]\n", "b.toml, line 1: body_mm is missing; add body_mm = [14.0, 14.0]"),
        (GRID, "rows = 4\n", "b.toml, line 4: [grid] rows is missing; add rows = 16"),
        (GRID, "columns = 4\n", "b.toml, line 4: [grid] columns is missing; add columns = 16"),
        (GRID, "pitch_mm = [0.8, 0.8]\n", "b.toml, line 4: [grid] pitch_mm is missing; add pitch_mm = [0.8, 0.8]"),
        (GRID, "terminal = { round_mm = 0.45 }\n", "b.toml, line 4: [grid] terminal is missing; add terminal = { round_mm = 0.45 }"),
        (GRID, "land = { round_mm = 0.36 }\n", "b.toml, line 4: [grid] land is missing; add land = { round_mm = 0.36 }"),
        (SITE, "id = \"1\"\n", "b.toml, line 4: [[site]] id is missing; add id = \"17\""),
        (SITE, "at_mm = [-7.7, 6.25]\n", "b.toml, line 4: [[site]] at_mm is missing; add at_mm = [-7.7, 6.25]"),
        (
            SITE,
            "terminal = { rect_mm = [0.22, 0.75] }\n",
            "b.toml, line 4: [[site]] terminal is missing; add terminal = { rect_mm = [0.22, 0.75] }",
        ),
        (SITE, "land = { rect_mm = [0.28, 1.40] }\n", "b.toml, line 4: [[site]] land is missing; add land = { rect_mm = [0.28, 1.40] }"),
        (SITE, "side = \"part\"\n", "b.toml, line 10: [[mark]] side is missing; add side = \"part\""),
        (SITE, "at_mm = [-6.3, 6.3]\n", "b.toml, line 10: [[mark]] at_mm is missing; add at_mm = [-6.3, 6.3]"),
        (SITE, "shape = { round_mm = 0.3 }\n", "b.toml, line 10: [[mark]] shape is missing; add shape = { round_mm = 0.3 }"),
    ] {
        assert_eq!(changed(good, line, ""), expected);
    }
}

#[test]
fn wrong_types_and_numbers_that_cannot_be_meant_are_refused() {
    for (good, line, to, expected) in [
        (GRID, "name = \"B\"", "name = 3", "line 1: name must be a text of one line in quotation marks, not 3"),
        (GRID, "name = \"B\"", "name = \" \"", "line 1: name must be a text of one line, not empty"),
        (
            GRID,
            "body_mm = [14.0, 14.0]",
            "body_mm = 14.0",
            "line 2: body_mm must be two sizes in mm, [x, y], not 14.0; e.g. body_mm = [14.0, 14.0]",
        ),
        (GRID, "body_mm = [14.0, 14.0]", "body_mm = [14.0, -1]", "line 2: body_mm must be a number of mm above 0 and at most 1000, not -1"),
        (GRID, "rows = 4", "rows = 4.5", "line 5: [grid] rows must be a whole number from 1 to 500, not 4.5"),
        (GRID, "rows = 4", "rows = -1", "line 5: [grid] rows must be a whole number from 1 to 500, not -1"),
        (GRID, "columns = 4", "columns = 501", "line 6: [grid] columns must be a whole number from 1 to 500, not 501"),
        (
            GRID,
            "pitch_mm = [0.8, 0.8]",
            "pitch_mm = [0.8, 0]",
            "line 7: [grid] pitch_mm must be a number of mm above 0 and at most 1000, not 0",
        ),
        (
            GRID,
            "pitch_mm = [0.8, 0.8]",
            "pitch_mm = [nan, 0.8]",
            "line 7: [grid] pitch_mm must be a number of mm above 0 and at most 1000, not nan",
        ),
        (
            GRID,
            "pitch_mm = [0.8, 0.8]",
            "pitch_mm = [0.8, inf]",
            "line 7: [grid] pitch_mm must be a number of mm above 0 and at most 1000, not inf",
        ),
        (
            GRID,
            "pitch_mm = [0.8, 0.8]",
            "pitch_mm = [0.8, 0.8, 1]",
            "line 7: [grid] pitch_mm must be two distances in mm, [x, y], not [0.8, 0.8, 1]",
        ),
        (
            GRID,
            "terminal = { round_mm = 0.45 }",
            "terminal = 0.45",
            "line 8: [grid] terminal must be a table {…} or a list of tables, not 0.45",
        ),
        (
            GRID,
            "terminal = { round_mm = 0.45 }",
            "terminal = { round_mm = 0 }",
            "line 8: [grid] terminal.round_mm must be a number of mm above 0",
        ),
        (
            GRID,
            "absent = []",
            "absent = \"A1\"",
            "line 10: [grid] absent must be a list of sites (\"A1\") and blocks (\"G7:K10\"), not \"A1\"",
        ),
        (SITE, "id = \"1\"", "id = 1", "line 5: [[site]] id must be a text of one line in quotation marks, not 1"),
        (
            SITE,
            "at_mm = [-7.7, 6.25]",
            "at_mm = [-7700.0, 6.25]",
            "line 6: [[site]] at_mm must be a number of mm within ±1000, not -7700.0",
        ),
        (SITE, "side = \"part\"", "side = \"top\"", "line 11: [[mark]] side must be \"part\" or \"board\", not \"top\""),
        (SITE, "[[mark]]", "[mark]", "line 10: mark is a list: write [[mark]] instead of [mark]"),
        (SITE, "[[site]]", "[site]", "line 4: site is a list: write [[site]] instead of [site]"),
        (GRID, "[grid]", "[[grid]]", "line 4: grid may be there once: write [grid] instead of [[grid]]"),
    ] {
        let text = changed(good, line, to);
        assert!(text.starts_with(&format!("b.toml, {expected}")), "{text}");
    }
    let angle = changed(SITE, "id = \"1\"", "id = \"1\"\nangle_deg = nan");
    assert!(angle.starts_with("b.toml, line 6: [[site]] angle_deg must be a number of degrees within ±720, not nan"), "{angle}");
    let miss = error(&format!("{GRID}[accept]\nmiss_mm = -0.1\n"));
    assert!(miss.starts_with("b.toml, line 12: [accept] miss_mm must be a number of mm above 0"), "{miss}");
}

#[test]
fn a_wrong_number_is_found_on_its_own_line_of_a_long_list() {
    let text = changed(GRID, "absent = []", "absent = [\n  \"A1\",\n  \"B99\",\n]");
    assert_eq!(text, "b.toml, line 12: [grid] absent cannot be meant: \"B99\" lies outside the grid, whose last site is D4");
}

#[test]
fn absent_sites_that_are_none_are_refused_with_the_reason() {
    for (absent, reason) in [
        ("\"I4\"", "\"I4\": no row is called I; row letters leave out I, O, Q, S, X and Z"),
        ("\"4A\"", "\"4A\" is no site's name; a site is called by row letters and column number, like C4"),
        ("\"E1\"", "\"E1\" lies outside the grid, whose last site is D4"),
        ("\"A1:A5\"", "\"A5\" lies outside the grid, whose last site is D4"),
    ] {
        assert_eq!(
            changed(GRID, "absent = []", &format!("absent = [{absent}]")),
            format!("b.toml, line 10: [grid] absent cannot be meant: {reason}")
        );
    }
}

#[test]
fn shapes_that_are_none_or_two_or_impossible_are_refused() {
    let terminal = |shape: &str| changed(GRID, "terminal = { round_mm = 0.45 }", &format!("terminal = {shape}"));
    let at = "b.toml, line 8: [grid] terminal";
    assert_eq!(
        terminal("{ shift_mm = [0, 1] }"),
        format!("{at} has no shape; write one of round_mm, rect_mm, rounded_mm, oval_mm, outline_mm")
    );
    assert!(terminal("{ round_mm = 1, rect_mm = [1, 1] }").starts_with(&format!("{at} has more than one shape (round_mm, rect_mm)")));
    assert_eq!(
        terminal("{ rounded_mm = [0.3, 0.8, 0.2] }"),
        format!("{at}.rounded_mm has a corner radius of 0.2 mm, which is more than half the shorter side (0.15 mm)")
    );
    assert_eq!(terminal("{ outline_mm = [[0, 0], [1, 0]] }"), format!("{at}.outline_mm has 2 corners; an outline needs at least 3"));
    assert!(
        terminal("{ outline_mm = [[0, 0], [1, 1], [1, 0], [0, 1]] }")
            .contains("crosses or touches itself: the edges after corners 1 and 3 meet")
    );
    assert!(terminal("{ outline_mm = [[0, 0], [1, 0], [2, 0]] }").contains("encloses no area"));
}

#[test]
fn a_second_site_of_one_name_is_refused_with_both_lines() {
    let twice = format!("{SITE}\n[[site]]\nid = \"1\"\nat_mm = [0, 0]\nterminal = {{ round_mm = 1 }}\nland = {{ round_mm = 1 }}\n");
    assert_eq!(error(&twice), "b.toml, line 16: [[site]] id is \"1\" a second time (first in line 5); every site needs a name of its own");
    let in_grid = format!("{GRID}\n[[site]]\nid = \"B2\"\nat_mm = [0, 0]\nterminal = {{ round_mm = 1 }}\nland = {{ round_mm = 1 }}\n");
    assert!(error(&in_grid).contains("line 13: [[site]] id is \"B2\" a second time (first in line 4)"));
    let in_gap = in_grid.replace("absent = []", "absent = [\"B2\"]");
    assert_eq!(parse(&in_gap, "b.toml").expect("an absent site's name is free").sites.len(), 16);
}

#[test]
fn a_file_without_any_site_is_refused_and_a_misspelt_table_is_suspected() {
    let head = "name = \"B\"\nbody_mm = [14.0, 14.0]\n";
    assert_eq!(error(head), "b.toml, line 1: [grid] and [[site]] leave no site at all; add a [grid] or [[site]] tables");
    assert!(error(&GRID.replace("[grid]", "[gird]")).contains("the table \"gird\" in line 4 is not known: is grid meant?"));
    assert!(error(&GRID.replace("absent = []", "absent = [\"A1:D4\"]")).contains("leave no site at all"));
}

#[test]
fn a_newer_form_is_refused_and_a_missing_one_is_the_first() {
    assert!(parse(GRID, "b.toml").is_ok(), "no schema means 1");
    assert_eq!(
        error(&format!("schema = 2\n{GRID}")),
        "b.toml, line 1: schema is 2: the file was written for a newer landfit; this one reads schema 1"
    );
    assert!(error(&format!("schema = 0\n{GRID}")).contains("schema must be a whole number"));
}

#[test]
fn more_sites_than_any_part_has_are_refused() {
    let big = GRID.replace("rows = 4", "rows = 142").replace("columns = 4", "columns = 142");
    assert_eq!(error(&big), "b.toml, line 4: [grid] rows times columns leaves 20164 sites; a part has at most 20000");
    let wreath = big.replace("absent = []", "absent = [\"G7:AA100\"]");
    assert!(parse(&wreath, "b.toml").is_ok(), "absent sites do not count");
}

#[test]
fn the_most_sites_a_part_may_have_are_read_in_no_square_of_time() {
    let site = |i: usize| {
        format!(
            "[[site]]\nid = \"{i}\"\nat_mm = [{}, {}]\nterminal = {{ round_mm = 0.3 }}\nland = {{ round_mm = 0.3 }}\n",
            i % 150,
            i / 150
        )
    };
    let text = format!("name = \"B\"\nbody_mm = [200, 200]\n{}", (0..MOST_SITES).map(site).collect::<String>());
    let started = std::time::Instant::now();
    assert_eq!(parse(&text, "b.toml").expect("part").sites.len(), MOST_SITES);
    // Counting the lines anew for each of 20,000 sites of a 1.8 MB file would be 2·10¹⁰ steps.
    assert!(started.elapsed().as_secs() < 10, "{:?}", started.elapsed());
    assert!(
        error(&format!("{text}{}", site(MOST_SITES))).contains("line 100003: [[site]] is one too many: a part has at most 20000 sites")
    );
}

#[test]
fn an_empty_file_and_text_that_is_no_toml_are_refused() {
    assert_eq!(error(""), "b.toml, line 1: name is missing; add name = \"BGA256 0.8\"");
    assert!(error("GIF89a rubbish\n").starts_with("b.toml, line 1: not TOML: "));
    let cut = &EXAMPLE[..EXAMPLE.find("0.45").expect("in the example")];
    assert!(error(cut).starts_with("b.toml, line 10: not TOML: "), "{}", error(cut));
}

#[test]
fn cutting_the_file_anywhere_never_panics() {
    for (at, _) in EXAMPLE.char_indices() {
        let _ = parse(&EXAMPLE[..at], "b.toml");
    }
}

#[test]
fn a_part_that_could_not_be_read_back_is_not_written() {
    let folder = tempfile::tempdir().expect("folder");
    let path = folder.path().join("b.toml");
    let mut part = parse(GRID, "b.toml").expect("part");
    part.sites[1].id = "A1".into();
    let text = write(&path, &part, crate::Existing::Replace).expect_err("two of one name").to_string();
    assert!(text.contains("\"A1\" a second time"), "{text}");
    part.sites[1].id = "A2".into();
    part.body_mm[0] = f64::NAN;
    assert!(write(&path, &part, crate::Existing::Replace).is_err());
    assert!(!path.exists());
    part.body_mm[0] = 14.0;
    write(&path, &part, crate::Existing::Keep).expect("written");
    assert_eq!(read(&path).expect("read"), part);
}

#[test]
fn a_grid_is_written_as_a_grid_and_odd_sites_after_it_one_by_one() {
    let mut part = parse(GRID, "b.toml").expect("part");
    let mut odd = part.sites[0].clone();
    odd.id = "EP".into();
    part.sites.push(odd);
    let text = to_toml(&part);
    assert!(text.contains("[grid]") && text.matches("[[site]]").count() == 1, "{text}");
    assert_eq!(round_trip(&part), part);
    part.sites[3].terminal = vec![Piece::round(0.6)];
    assert_eq!(round_trip(&part), part);
}

fn size() -> impl Strategy<Value = f64> {
    prop_oneof![(1u32..2000).prop_map(|n| f64::from(n) / 1000.0), 1e-3..10.0f64]
}

fn place() -> impl Strategy<Value = PointMm> {
    (-50.0..50.0f64, -50.0..50.0f64).prop_map(|(x, y)| PointMm::new(x, y))
}

fn shape() -> impl Strategy<Value = Shape> {
    prop_oneof![
        size().prop_map(|diameter_mm| Shape::Round { diameter_mm }),
        (size(), size()).prop_map(|(width_mm, length_mm)| Shape::Rect { width_mm, length_mm }),
        (size(), size(), 0.01..1.0f64).prop_map(|(w, l, share)| Shape::Rounded {
            width_mm: w,
            length_mm: l,
            radius_mm: w.min(l) / 2.0 * share
        }),
        (size(), size()).prop_map(|(width_mm, length_mm)| Shape::Oval { width_mm, length_mm }),
        (place(), size(), size())
            .prop_map(|(p, w, l)| Shape::Outline { corners_mm: vec![p, p + PointMm::new(w, 0.0), p + PointMm::new(0.0, l)] }),
    ]
}

fn pieces() -> impl Strategy<Value = Vec<Piece>> {
    prop::collection::vec((shape(), place()).prop_map(|(shape, shift_mm)| Piece { shape, shift_mm }), 1..3)
}

/// Angles as a file gives them.
fn angle() -> impl Strategy<Value = f64> {
    (-3600i32..3600).prop_map(|tenths| (f64::from(tenths) / 10.0).to_radians())
}

fn any_grid() -> impl Strategy<Value = Vec<Site>> {
    (1..12u32, 1..12u32, size(), size(), pieces(), pieces(), prop::collection::btree_set((0..12u32, 0..12u32), 0..20)).prop_map(
        |(rows, columns, x, y, terminal, land, absent)| {
            let absent = absent.into_iter().map(|(row, column)| Place { row, column }).collect();
            Grid { rows, columns, pitch_mm: [x, y], terminal, land, absent }.sites()
        },
    )
}

fn any_sites() -> impl Strategy<Value = Vec<Site>> {
    let site = (place(), angle(), pieces(), pieces());
    prop::collection::vec(site, 0..6).prop_map(|sites| {
        let name =
            |(i, (at_mm, angle_rad, terminal, land))| Site { id: format!("{} \"x\\{i}\" ü", i + 1), at_mm, angle_rad, terminal, land };
        sites.into_iter().enumerate().map(name).collect()
    })
}

fn any_part() -> impl Strategy<Value = Part> {
    let mark = (any::<bool>(), place(), angle(), shape(), place()).prop_map(|(part, at_mm, angle_rad, shape, shift_mm)| Mark {
        side: if part { Side::Part } else { Side::Board },
        at_mm,
        angle_rad,
        piece: Piece { shape, shift_mm },
    });
    let name = "[a-z\"'\\\\#=é ]{0,20}x";
    (any_grid(), any_sites(), prop::collection::vec(mark, 0..3), name, size(), size(), place(), prop::option::of(size())).prop_filter_map(
        "a part has sites",
        |(mut sites, others, marks, name, w, l, body_centre_mm, accept_miss_mm)| {
            sites.extend(others);
            (!sites.is_empty()).then_some(Part { name, body_mm: [w, l], body_centre_mm, sites, marks, accept_miss_mm })
        },
    )
}

proptest! {
    #[test]
    fn every_part_reads_back_as_it_was_written(part in any_part()) {
        let text = to_toml(&part);
        let again = parse(&text, "p.toml").map_err(|e| TestCaseError::fail(format!("{e}\n{text}")))?;
        prop_assert_eq!(again, part);
    }

    #[test]
    fn no_text_makes_the_reader_panic(text in "\\PC{0,200}") {
        let _ = parse(&text, "p.toml");
    }

    #[test]
    fn no_change_of_a_good_file_makes_the_reader_panic(at in 0..EXAMPLE.len(), with in "\\PC{0,3}") {
        let at = (at..=EXAMPLE.len()).find(|i| EXAMPLE.is_char_boundary(*i)).unwrap_or(0);
        let mut text = EXAMPLE.to_owned();
        text.insert_str(at, &with);
        if let Err(error) = parse(&text, "p.toml") {
            prop_assert!(error.to_string().starts_with("p.toml, line "), "{}", error);
        }
    }
}
