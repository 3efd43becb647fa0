use super::*;
use landfit_part::PointMm;

mod any;
mod updates;

/// The full example of the bench file's description, comments and all; px_from_mm stands for its dots.
const BENCH: &str = include_str!("tests/described.toml");

/// A short file with everything in its usual place.
const SMALL: &str = include_str!("tests/small.toml");

fn error(text: &str) -> String {
    let text = parse(text, "b.toml").expect_err("refused").to_string();
    assert!(!text.contains('\n'), "{text}");
    text
}

/// The error after one place of the small file is changed.
fn changed(from: &str, to: &str) -> String {
    assert_eq!(SMALL.matches(from).count(), 1, "{from}");
    error(&SMALL.replace(from, to))
}

fn good(from: &str, to: &str) -> Bench {
    assert_eq!(SMALL.matches(from).count(), 1, "{from}");
    parse(&SMALL.replace(from, to), "b.toml").expect("bench")
}

/// The small file with tables added at its end.
fn with(extra: &str) -> Result<Bench, FileError> {
    parse(&format!("{SMALL}\n{extra}"), "b.toml")
}

#[test]
fn the_full_example_is_read_with_every_key() {
    let bench = parse(BENCH, "bench.toml").expect("bench");
    assert_eq!(bench.optics.frame, Frame { size_px: [1280, 960], black: 0.0, white: Some(255.0), gamma: 1.0 });
    assert_eq!(bench.optics.lens, Some(Lens { k1: -0.03, k2: 0.0, centre_px: PointPx::new(639.5, 479.5), norm_px: 800.0 }));
    assert_eq!(bench.optics.views[0].region_px, Some(RegionPx { x: 0, y: 0, width: 640, height: 960 }));
    assert_eq!((bench.optics.views[0].shows, bench.optics.views[1].shows), (Side::Part, Side::Board));
    assert_eq!(bench.optics.views[0].px_from_mm[(1, 1)], -80.0);
    assert_eq!(bench.optics.views[0].px_from_mm[(0, 2)], 639.5);
    assert_eq!(bench.adjusters[0].turn, Motion::Shift { step_mm: PointMm::new(0.5, 0.003) });
    assert_eq!(bench.adjusters[2].turn, Motion::Rotation { step_rad: 1.5f64.to_radians(), pivot_mm: PointMm::new(0.4, -1.1) });
    assert_eq!(bench.adjusters[2].carries, Side::Part);
    assert_eq!((bench.adjusters[2].divisions, bench.adjusters[2].reads), (Some(30), Reads::Divisions));
    assert_eq!((bench.aim, bench.calibration), (Pose::IDENTITY, CalibrationState::Unsaid));
    assert_eq!(parse(&to_toml(&bench), "again.toml").expect("again"), bench);
}

#[test]
fn what_is_left_out_takes_the_described_values() {
    let bench = parse(SMALL, "b.toml").expect("bench");
    assert_eq!(bench.optics.frame, Frame { size_px: [640, 480], black: 0.0, white: None, gamma: 1.0 });
    assert_eq!((bench.optics.lens, bench.optics.scale), (None, ScaleSource::Bench));
    let x = &bench.adjusters[0];
    assert_eq!((x.divisions, x.backlash_turns, x.readable_divisions, x.reads), (None, 0.0, 1.0, Reads::None));
    assert_eq!((x.reading_rises, x.travel_turns, x.stands, x.rides_on.as_deref()), (Sense::Clockwise, None, None, None));
    assert_eq!(parse(&to_toml(&bench), "again.toml").expect("again"), bench);
}

#[test]
fn every_optional_key_is_read_and_written() {
    let extra = "[[adjuster]]\nname = \"Y 2\"\ncarries = \"board\"\nturn = { mm = [0, 0.635] }\ndivisions = 25\nbacklash_turns = 0.1\nreadable_divisions = 0.5\nreads = \"divisions\"\nreading_rises = \"anticlockwise\"\nreading_per_turn = 0.025\nreading_unit = \"in\"\ntravel_turns = [-12, 12.5]\nstands = \"near\"\nrides_on = \"R\"\n\n[[adjuster]]\nname = \"T\"\ncarries = \"part\"\nturn = { tilt_deg = [0.1, -0.02] }\nreads = \"steps\"\nstands = \"top\"\n\n[scale]\nfrom = \"pattern\"\nmay_differ = 0.01\n\n[aim]\nx_mm = 0.01\ny_mm = -0.02\ntheta_deg = 0.3\n\n[calibration]\nstate = \"calibrated\"\ndate = 2026-01-02\n";
    let bench = with(extra).expect("bench");
    let y = &bench.adjusters[2];
    assert_eq!((y.readable_divisions, y.reading_rises, y.travel_turns), (0.5, Sense::Anticlockwise, Some([-12.0, 12.5])));
    assert_eq!(y.scale, ReadingScale { per_turn: 0.025, unit: "in".into() });
    assert_eq!((y.stands, y.rides_on.as_deref()), (Some(Stands::Near), Some("R")));
    assert_eq!(bench.adjusters[3].turn, Motion::Tilt { step_rad: [0.1f64.to_radians(), (-0.02f64).to_radians()] });
    assert_eq!(bench.adjusters[3].reads, Reads::Steps);
    assert_eq!(bench.optics.scale, ScaleSource::Pattern { may_differ: 0.01 });
    assert_eq!(bench.aim, Pose::new(0.01, -0.02, 0.3f64.to_radians()));
    assert_eq!(bench.calibration, CalibrationState::Calibrated);
    assert_eq!(parse(&to_toml(&bench), "again.toml").expect("again"), bench);
    assert_eq!(
        good("tint = [0, 1, 0]", "tint = [0, 1, 0]\nregion_px = [639, 479, 1, 1]").optics.views[1].region_px.map(|r| r.x),
        Some(639)
    );
}

#[test]
fn every_arrangement_of_views_is_read() {
    let same_light = SMALL.replace("exposure = 1", "exposure = 0").replace("[0, 1, 0]", "[1, 1, 1]");
    assert_eq!(parse(&same_light, "b.toml").expect("one light").optics.views.len(), 2);
    let corner = |side: &str, x: u32| {
        format!(
            "[[view]]\nshows = \"{side}\"\nexposure = 0\nregion_px = [{x}, 0, 320, 480]\ntint = [1, 1, 1]\npx_from_mm = [[40, 0, {x}], [0, -40, 0], [0, 0, 1]]\n"
        )
    };
    let corners = [("part", 0), ("board", 0), ("part", 320), ("board", 320)].map(|(side, x)| corner(side, x)).concat();
    let four = format!("name = \"corners\"\n[frame]\nsize_px = [640, 480]\n{corners}");
    assert_eq!(parse(&four, "b.toml").expect("corners").optics.views.len(), 4);
    assert!(parse(&four, "b.toml").expect("no adjusters").adjusters.is_empty());
}

#[test]
fn unknown_keys_are_refused_in_every_table_with_name_and_line() {
    for (before, extra, expected) in [
        ("name = \"small\"", "nam = 1", "line 1: nam is an unknown key; did you mean name?"),
        ("size_px = [640, 480]", "whites = 1", "line 4: [frame] whites is an unknown key; did you mean white?"),
        (
            "shows = \"part\"",
            "colour = 1",
            "line 7: [[view]] colour is an unknown key; known here: shows, exposure, region_px, tint, px_from_mm",
        ),
        ("name = \"X\"", "backlash = 1", "line 19: [[adjuster]] backlash is an unknown key; did you mean backlash_turns?"),
    ] {
        let text = changed(before, &format!("{extra}\n{before}"));
        assert!(text.starts_with(&format!("b.toml, {expected}")), "{text}");
    }
    let turn = changed("{ mm = [0.5, 0] }", "{ mm = [0.5, 0], degr = 1 }");
    assert!(turn.starts_with("b.toml, line 21: [[adjuster]] turn.degr is an unknown key; did you mean deg?"), "{turn}");
    for (table, key) in [("lens", "k3"), ("scale", "fom"), ("aim", "z_mm")] {
        let text = with(&format!("[{table}]\n{key} = 1\n")).expect_err("unknown").to_string();
        assert!(text.starts_with(&format!("b.toml, line 29: [{table}] {key} is an unknown key")), "{text}");
    }
    assert_eq!(with("[shop]\nshelf = 1\n"), parse(SMALL, "b.toml"), "tables of other writers are let be");
}

#[test]
fn missing_keys_are_named_with_what_to_add() {
    for (line, expected) in [
        ("name = \"small\"\n", "line 1: name is missing; add name = \"bench 2\""),
        ("size_px = [640, 480]\n", "line 3: [frame] size_px is missing; add size_px = [1280, 960]"),
        ("shows = \"part\"\n", "line 6: [[view]] shows is missing; add shows = \"part\""),
        ("exposure = 1\n", "line 12: [[view]] exposure is missing; add exposure = 0"),
        ("tint = [0, 1, 0]\n", "line 12: [[view]] tint is missing; add tint = [0.80, 0.55, 0.08]"),
        (
            "px_from_mm = [[41, 0, 319.5], [0, -41, 239.5], [0, 0, 1]]\n",
            "line 12: [[view]] px_from_mm is missing; add px_from_mm = [[80.0, 0.0, 639.5], [0.0, -80.0, 479.5], [0.0, 0.0, 1.0]]",
        ),
        ("name = \"R\"\n", "line 23: [[adjuster]] name is missing; add name = \"X\""),
        ("turn = { mm = [0.5, 0] }\n", "line 18: [[adjuster]] turn is missing; add turn = { mm = [0.5, 0.0] }"),
        (", pivot_mm = [0, 0]", "line 26: [[adjuster]] turn.pivot_mm is missing; add pivot_mm = [0.4, -1.1]"),
    ] {
        assert_eq!(changed(line, ""), format!("b.toml, {expected}"));
    }
    assert_eq!(error("name = \"x\"\n"), "b.toml, line 1: frame is missing; add [frame]");
    let lens = with("[lens]\nk1 = 0.1\n").expect_err("missing").to_string();
    assert_eq!(lens, "b.toml, line 28: [lens] centre_px is missing; add centre_px = [639.5, 479.5]");
}

#[test]
fn both_sides_must_be_seen() {
    let text = changed("shows = \"board\"", "shows = \"part\"");
    assert_eq!(
        text,
        "b.toml, line 1: [[view]] is missing: there is no view that shows the board; a bench needs a [[view]] that shows the part and one that shows the board"
    );
    let none = SMALL.replace("[[view]]", "[[views]]");
    assert!(
        error(&none).contains("there is no [[view]] at all; the table \"views\" in line 6 is not known: is view meant?"),
        "{}",
        error(&none)
    );
}

#[test]
fn exposures_are_counted_from_zero_without_gaps() {
    assert_eq!(
        changed("exposure = 1", "exposure = 2"),
        "b.toml, line 14: [[view]] exposure is 2, but no view has exposure 1; count from 0 without gaps"
    );
    assert_eq!(
        changed("exposure = 0", "exposure = 1"),
        "b.toml, line 8: [[view]] exposure is 1, but no view has exposure 0; count from 0 without gaps"
    );
    assert!(changed("exposure = 1", "exposure = -1").contains("exposure must be a whole number from 0 to 99, not -1"));
}

#[test]
fn levels_and_sizes_that_cannot_be_meant_are_refused() {
    let frame = |keys: &str| changed("size_px = [640, 480]", &format!("size_px = [640, 480]\n{keys}"));
    assert_eq!(
        frame("black = 16\nwhite = 16"),
        "b.toml, line 6: [frame] white is 16, which is not above black (16); white is the raw value of full scale"
    );
    assert!(frame("black = -1").starts_with("b.toml, line 5: [frame] black must be a raw value from 0 to 65535, not -1"));
    assert!(frame("white = nan").starts_with("b.toml, line 5: [frame] white must be a raw value"));
    assert!(frame("gamma = 0").starts_with("b.toml, line 5: [frame] gamma must be a number from 0.1 to 10, not 0"));
    assert!(changed("[640, 480]", "[640, 0]").starts_with("b.toml, line 4: [frame] size_px must be a whole number from 1 to 65535, not 0"));
    assert!(
        changed("[640, 480]", "640").starts_with("b.toml, line 4: [frame] size_px must be two numbers of px, [width, height], not 640")
    );
}

#[test]
fn regions_lie_inside_the_picture() {
    let region = |values: &str| changed("tint = [0, 1, 0]", &format!("region_px = {values}\ntint = [0, 1, 0]"));
    assert_eq!(
        region("[320, 0, 321, 480]"),
        "b.toml, line 15: [[view]] region_px reaches to column 641 and row 480, outside the picture of 640 x 480 px; it is [x, y, width, height]"
    );
    assert!(region("[0, 0, 0, 480]").starts_with("b.toml, line 15: [[view]] region_px is empty"));
    assert!(region("[0, 0, 640]").contains("region_px must be four whole numbers of px, [x, y, width, height], not [0, 0, 640]"));
    assert!(region("[-1, 0, 640, 480]").contains("not -1"));
}

#[test]
fn tints_are_finite_and_not_all_dark() {
    let tint = |values: &str| changed("tint = [0, 1, 0]", &format!("tint = {values}"));
    assert_eq!(
        tint("[0, 0, 0]"),
        "b.toml, line 15: [[view]] tint is all zero: such a light is not seen; a monochrome camera's is [1.0, 1.0, 1.0]"
    );
    for bad in ["[0, -0.1, 1]", "[0, nan, 1]", "[inf, 0, 1]"] {
        assert!(tint(bad).starts_with("b.toml, line 15: [[view]] tint must be a number from 0 to 1000000, not"), "{}", tint(bad));
    }
    assert!(tint("[1, 1]").contains("tint must be three numbers, [red, green, blue], not [1, 1]"));
}

#[test]
fn a_px_from_mm_that_cannot_be_inverted_is_refused_with_the_reason() {
    let matrix = |values: &str| changed("[[41, 0, 319.5], [0, -41, 239.5], [0, 0, 1]]", values);
    for (values, why) in [
        ("[[0, 0, 0], [0, 0, 0], [0, 0, 0]]", "all nine numbers are zero"),
        ("[[41, 0, 319.5], [82, 0, 239.5], [0, 0, 1]]", "its determinant is zero"),
        ("[[41, 0, 319.5], [0, -41, 239.5], [0, 0, 0]]", "its determinant is zero"),
        ("[[41, 0, 319.5], [0, -0.0001, 239.5], [0, 0, 1]]", "it squeezes the plane to a line"),
        ("[[41, 0, 319.5], [0, -41, 239.5], [0.2, 0, 1]]", "the horizon of its plane runs through the picture (look at its third row)"),
    ] {
        assert_eq!(
            matrix(values),
            format!("b.toml, line 16: [[view]] px_from_mm is singular: {why}; it maps bench mm to px, and must be invertible"),
            "{values}"
        );
    }
    assert!(matrix("[[41e6, 0, 319.5], [0, -41e6, 239.5], [0, 0, 1]]").contains("makes 1 mm 4.100e7 px long"));
    assert!(matrix("[[41, 0], [0, -41], [0, 0]]").starts_with("b.toml, line 16: [[view]] px_from_mm must be three rows of three numbers"));
    assert!(matrix("[[41, 0, nan], [0, -41, 239.5], [0, 0, 1]]").contains("px_from_mm must be a number, not nan"));
    let mild = "[[41, 1, 319.5], [2, -39, 239.5], [1e-3, -2e-3, 1]]";
    assert_eq!(good("[[41, 0, 319.5], [0, -41, 239.5], [0, 0, 1]]", mild).optics.views[1].px_from_mm[(2, 1)], -2e-3);
}

#[test]
fn a_lens_that_folds_the_picture_is_refused() {
    let lens = |k1: &str| with(&format!("[lens]\nk1 = {k1}\ncentre_px = [319.5, 239.5]\nnorm_px = 400\n"));
    assert!(lens("-0.1").is_ok() && lens("0.5").is_ok());
    let text = lens("-0.9").expect_err("folds").to_string();
    assert!(text.starts_with("b.toml, line 28: [lens] k1 and k2 fold the picture over "), "{text}");
    assert!(with("[lens]\nk1 = nan\ncentre_px = [0, 0]\nnorm_px = 1\n").is_err());
    assert!(with("[lens]\ncentre_px = [0, 0]\nnorm_px = 0\n").is_err());
}

#[test]
fn turns_that_move_nothing_or_say_two_things_are_refused() {
    let turn = |value: &str| changed("{ mm = [0.5, 0] }", value);
    let nothing =
        "b.toml, line 21: [[adjuster]] turn moves nothing: one clockwise turn must do something; leave the adjuster out if it does not";
    for zero in ["{ mm = [0, 0] }", "{ deg = 0, pivot_mm = [0, 0] }", "{ tilt_deg = [0, 0.0] }"] {
        assert_eq!(turn(zero), nothing);
    }
    for unclear in ["{}", "{ mm = [1, 0], deg = 1 }", "{ pivot_mm = [0, 0] }"] {
        assert!(turn(unclear).starts_with("b.toml, line 21: [[adjuster]] turn must hold just one of mm"), "{}", turn(unclear));
    }
    assert!(turn("{ mm = [1, 0], pivot_mm = [0, 0] }").contains("turn.pivot_mm belongs to turn = { deg = …"));
    assert!(turn("{ mm = [inf, 0] }").contains("turn.mm must be a number of mm within ±1000, not inf"));
    assert!(turn("0.5").contains("turn must be a table, not 0.5"));
}

#[test]
fn what_adjusters_say_of_themselves_is_checked() {
    let adjuster = |line: &str| changed("name = \"X\"", &format!("name = \"X\"\n{line}"));
    for (line, expected) in [
        ("divisions = 0", "divisions must be a whole number from 1 to 100000, not 0"),
        ("divisions = 2.5", "divisions must be a whole number from 1 to 100000, not 2.5"),
        ("backlash_turns = -0.1", "backlash_turns must be a number of turns from 0 to 100, not -0.1"),
        ("backlash_turns = nan", "backlash_turns must be a number of turns from 0 to 100, not nan"),
        ("readable_divisions = 0", "readable_divisions must be a number of divisions above 0 and at most 1000, not 0"),
        (
            "reads = \"divisions\"",
            "reads is \"divisions\", but there is no divisions key; add divisions = 50, or read \"steps\" or \"none\"",
        ),
        ("reads = \"marks\"", "reads must be \"divisions\" or \"steps\" or \"none\", not \"marks\""),
        ("reading_rises = \"left\"", "reading_rises must be \"clockwise\" or \"anticlockwise\", not \"left\""),
        ("reading_per_turn = 0", "reading_per_turn must be a number above 0 and at most 1000: what one turn adds to the reading, not 0"),
        ("travel_turns = [3, -3]", "travel_turns runs from 3 to -3; write the lower end first, and some travel between"),
        ("travel_turns = [3, 3]", "travel_turns runs from 3 to 3; write the lower end first, and some travel between"),
        ("travel_turns = 3", "travel_turns must be two readings in turns, [lower end, upper end], not 3"),
        ("stands = \"under\"", "stands must be \"right\" or \"near\" or \"left\" or \"far\" or \"top\", not \"under\""),
    ] {
        let text = adjuster(line);
        assert!(text.starts_with(&format!("b.toml, line 20: [[adjuster]] {expected}")), "{text}");
    }
    assert!(changed("name = \"X\"", "name = \"X=\"").contains("name holds a =, which the command line needs"));
    assert!(changed("turn = { mm = [0.5, 0] }\n", "turn = { mm = [0.5, 0] }\ncarries = \"board\"\n").contains("duplicate key"));
}

#[test]
fn two_adjusters_of_one_name_are_refused() {
    assert_eq!(
        changed("name = \"R\"", "name = \"X\""),
        "b.toml, line 24: [[adjuster]] name is \"X\" a second time (first in the table of line 18); every adjuster needs a name of its own"
    );
}

#[test]
fn what_an_adjuster_rides_on_exists_carries_the_same_and_does_not_ride_on_it() {
    let rides = |line: &str| changed("name = \"X\"", &format!("name = \"X\"\nrides_on = \"{line}\""));
    assert_eq!(rides("Q"), "b.toml, line 20: [[adjuster]] rides_on is \"Q\", and there is no such adjuster; the others are R");
    assert_eq!(rides("X"), "b.toml, line 20: [[adjuster]] rides_on is \"X\", so that X would ride on itself");
    let circle = SMALL.replace("name = \"X\"", "name = \"X\"\nrides_on = \"R\"").replace("name = \"R\"", "name = \"R\"\nrides_on = \"X\"");
    assert!(error(&circle).contains("rides_on is \"R\", so that X would ride on itself"));
    let other_side = SMALL.replace("name = \"X\"\ncarries = \"board\"", "name = \"X\"\ncarries = \"part\"\nrides_on = \"R\"");
    assert!(error(&other_side).contains("rides_on is \"R\", which carries the board, while X carries the part"));
    // A circle further down must not catch one who only rides on it.
    let circle_below = format!("{circle}\n[[adjuster]]\nname = \"Y\"\ncarries = \"board\"\nrides_on = \"X\"\nturn = {{ mm = [0, 1] }}\n");
    assert!(parse(&circle_below, "b.toml").is_err());
}

#[test]
fn adjusters_that_depend_on_each_other_are_refused_with_both_names() {
    let adjuster = |name: &str, turn: &str| format!("[[adjuster]]\nname = \"{name}\"\ncarries = \"part\"\nturn = {{ {turn} }}\n");
    let refused = |tables: &[String]| with(&tables.concat()).expect_err("dependent").to_string();
    let same_way = refused(&[adjuster("Y", "mm = [-0.3, 0.001]")]);
    assert_eq!(
        same_way,
        "b.toml, line 31: [[adjuster]] turn of Y depends on X: both go the same way; leave one of them out or mend its direction"
    );
    let same_pivot = refused(&[adjuster("S", "deg = 2, pivot_mm = [0.05, 0]")]);
    assert!(same_pivot.contains("turn of S depends on R: both turn about the same pivot"), "{same_pivot}");
    // Two rotations about pivots one above the other shift to the right between them, as X does.
    let lever = refused(&[adjuster("S", "deg = 2, pivot_mm = [0, 30]")]);
    assert!(lever.contains("turn of S depends on X: both go the same way"), "{lever}");
    let third = refused(&[adjuster("S", "mm = [0.2, 0]"), adjuster("T", "mm = [0.1, 0]")]);
    assert!(third.contains("turn of S depends on X: both go the same way"), "{third}");
    let tilts = refused(&[adjuster("A", "tilt_deg = [0.1, 0]"), adjuster("B", "tilt_deg = [-0.2, 0]")]);
    assert!(tilts.contains("turn of B depends on A"), "{tilts}");
}

#[test]
fn adjusters_that_are_only_skewed_or_tilt_are_taken() {
    let adjuster = |name: &str, turn: &str| format!("[[adjuster]]\nname = \"{name}\"\ncarries = \"part\"\nturn = {{ {turn} }}\n");
    assert!(with(&adjuster("Y", "mm = [0.45, 0.1]")).is_ok());
    assert!(with(&adjuster("S", "deg = 2, pivot_mm = [30, 0]")).is_ok(), "a second rotation beside the first moves along y");
    let tilts = [adjuster("Y", "mm = [0, 1]"), adjuster("A", "tilt_deg = [0.1, 0]"), adjuster("B", "tilt_deg = [0, 0.1]")].concat();
    assert!(with(&tilts).is_ok());
    // More than enough is no fault: a fine screw beside a coarse one, a third foot.
    let many = [adjuster("Y", "mm = [0, 1]"), adjuster("fine X", "mm = [0.05, 0]"), adjuster("part Y", "mm = [0, 0.5]")].concat();
    assert!(with(&many).is_ok());
    let feet =
        [adjuster("A", "tilt_deg = [0.1, 0]"), adjuster("B", "tilt_deg = [0, 0.1]"), adjuster("C", "tilt_deg = [0.1, 0.1]")].concat();
    assert!(with(&feet).is_ok());
}

#[test]
fn scale_and_aim_are_checked() {
    for (table, expected) in [
        ("[scale]\nfrom = \"lens\"", "line 29: [scale] from must be \"bench\" or \"pattern\", not \"lens\""),
        ("[scale]\nmay_differ = 0", "line 29: [scale] may_differ must be a share above 0 and below 1 (0.02 is 2 %), not 0"),
        ("[aim]\nx_mm = nan", "line 29: [aim] x_mm must be a number of mm within ±1000, not nan"),
        ("[aim]\ntheta_deg = \"0\"", "line 29: [aim] theta_deg must be a number of degrees within ±720, not \"0\""),
    ] {
        let text = with(table).expect_err("refused").to_string();
        assert!(text.starts_with(&format!("b.toml, {expected}")), "{text}");
    }
    assert_eq!(with("[scale]\nfrom = \"pattern\"").expect("bench").optics.scale, ScaleSource::Pattern { may_differ: 0.02 });
    assert!(error(&format!("schema = 7\n{SMALL}")).contains("line 1: schema is 7: the file was written for a newer landfit"));
}

#[test]
fn cutting_the_file_anywhere_never_panics() {
    for (at, _) in BENCH.char_indices() {
        let _ = parse(&BENCH[..at], "b.toml");
    }
}
