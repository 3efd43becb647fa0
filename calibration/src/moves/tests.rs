use super::*;
use crate::bench::{CalibrationState, ReadingScale, Stands};
use crate::judgement::judge;
use landfit_part::{Piece, Site};
use landfit_vision::{Frame, Optics, ScaleSource};
use nalgebra::Matrix3;
use proptest::prelude::*;

/// Row letters of ball grids: I, O, Q, S, X, Z are left out.
const ROWS: &str = "ABCDEFGHJKLMNPRT";

fn grid(columns: usize, rows: usize, pitch_mm: f64) -> Part {
    let mut sites = Vec::new();
    for (r, letter) in ROWS.chars().take(rows).enumerate() {
        for c in 0..columns {
            let x = (c as f64 - (columns - 1) as f64 / 2.0) * pitch_mm;
            let y = ((rows - 1) as f64 / 2.0 - r as f64) * pitch_mm;
            sites.push(Site {
                id: format!("{letter}{}", c + 1),
                at_mm: PointMm::new(x, y),
                angle_rad: 0.0,
                terminal: vec![Piece::round(0.45)],
                land: vec![Piece::round(0.36)],
            });
        }
    }
    Part { name: "grid".into(), body_mm: [14.0; 2], body_centre_mm: PointMm::ZERO, sites, marks: vec![], accept_miss_mm: None }
}

fn adjuster(name: &str, carries: Side, turn: Motion, divisions: Option<u32>) -> Adjuster {
    Adjuster {
        name: name.into(),
        carries,
        turn,
        divisions,
        backlash_turns: 0.02,
        readable_divisions: 1.0,
        reads: if divisions.is_some() { Reads::Divisions } else { Reads::None },
        reading_rises: Sense::Clockwise,
        scale: ReadingScale::TURNS,
        travel_turns: None,
        stands: Some(Stands::Right),
        rides_on: None,
    }
}

fn shift(x: f64, y: f64) -> Motion {
    Motion::Shift { step_mm: PointMm::new(x, y) }
}

fn rotation(deg: f64, x: f64, y: f64) -> Motion {
    Motion::Rotation { step_rad: deg.to_radians(), pivot_mm: PointMm::new(x, y) }
}

fn bench(adjusters: Vec<Adjuster>) -> Bench {
    let frame = Frame { size_px: [1280, 960], black: 0.0, white: None, gamma: 1.0 };
    let optics = Optics { frame, lens: None, views: vec![], scale: ScaleSource::Bench };
    Bench { name: "test".into(), optics, adjusters, aim: Pose::IDENTITY, calibration: CalibrationState::Unsaid }
}

/// The adjusters of the contract's bench file.
fn example_bench() -> Bench {
    bench(vec![
        adjuster("X", Side::Board, shift(0.5, 0.003), Some(50)),
        adjuster("Y", Side::Board, shift(0.0, 0.5), Some(50)),
        adjuster("R", Side::Part, rotation(1.5, 0.4, -1.1), Some(30)),
    ])
}

fn degrees(x_mm: f64, y_mm: f64, theta_deg: f64) -> Pose {
    Pose::new(x_mm, y_mm, theta_deg.to_radians())
}

fn example_offset() -> Pose {
    degrees(0.1234, -0.0561, 0.512)
}

fn knows(last: &[(&str, Sense)], readings: &[(&str, f64)]) -> Known {
    Known {
        last_sense: last.iter().map(|(n, s)| ((*n).to_owned(), *s)).collect(),
        reading_turns: readings.iter().map(|(n, r)| ((*n).to_owned(), *r)).collect(),
    }
}

fn plan_from(offset: &Pose, bench: &Bench, known: &Known) -> Result<MovePlan, MovesError> {
    plan(offset, &Pose::IDENTITY, &grid(16, 16, 0.8), bench, known)
}

fn found<'a>(plan: &'a MovePlan, name: &str) -> &'a Move {
    plan.moves.iter().find(|m| m.name == name).unwrap()
}

fn to_4(value: f64) -> f64 {
    (value * 1e4).round() / 1e4
}

/// Where every terminal stands over its land after `turns`, written out point by point and without [`Pose::after`].
fn worst_miss_by_points(part: &Part, at_part: &Pose, at_board: &Pose, bench: &Bench, turns: &[f64]) -> f64 {
    let moved = |mut q: PointMm, side: Side| {
        for rotations in [true, false] {
            for (a, t) in bench.adjusters.iter().zip(turns).filter(|(a, _)| a.carries == side) {
                match a.turn {
                    Motion::Rotation { step_rad, pivot_mm } if rotations => q = pivot_mm + (q - pivot_mm).rotated(step_rad * t),
                    Motion::Shift { step_mm } if !rotations => q = q + step_mm * *t,
                    _ => {}
                }
            }
        }
        q
    };
    // The aim is zero here: the miss is the distance of the two sides' places, in any rigid frame.
    part.sites
        .iter()
        .map(|s| moved(at_part.apply(s.at_mm), Side::Part).distance(moved(at_board.apply(s.at_mm), Side::Board)))
        .fold(0.0, f64::max)
}

#[test]
fn every_number_of_the_worked_example_comes_out() {
    let part = grid(16, 16, 0.8);
    let offset = example_offset();
    let judgement = judge(&part, &offset, &Matrix3::zeros(), 2.0, &Pose::IDENTITY).unwrap();
    assert_eq!(part.sites[judgement.site].id, "T1");
    assert_eq!(to_4(judgement.miss_mm), 0.2083);
    assert_eq!(judgement.allowance.miss_mm, 0.09);
    assert_eq!(judgement.decision.word(), "outside");

    let plan = plan_from(&offset, &example_bench(), &Known::default()).unwrap();
    let told: Vec<_> = plan.moves.iter().map(|m| (m.name.as_str(), to_4(m.turns), m.sense, m.amount)).collect();
    let thimble = |divisions| Amount::Thimble { whole: 0, divisions };
    assert_eq!(
        told,
        [
            ("R", -0.3413, Sense::Anticlockwise, thimble(10.0)),
            ("X", 0.2655, Sense::Clockwise, thimble(13.0)),
            ("Y", -0.1089, Sense::Anticlockwise, thimble(5.0)),
        ]
    );
    let left = plan.left_after;
    assert_eq!([to_4(left.offset.x_mm), to_4(left.offset.y_mm)], [0.0025, -0.0045]);
    assert_eq!((left.offset.theta_rad.to_degrees() * 1e3).round() / 1e3, 0.012);
    assert_eq!(to_4(left.worst_miss_mm), 0.0069);
    assert!(plan.warnings.is_empty());
}

/// Adjusters as benches may have them: carried sides, skew, far pivots, coarse and fine steps.
fn any_bench() -> impl Strategy<Value = Bench> {
    let side = || prop_oneof![Just(Side::Part), Just(Side::Board)];
    let divisions = || prop_oneof![Just(10_u32), Just(25), Just(30), Just(50)];
    let one = (side(), side(), side(), -0.5..0.5_f64, -0.5..0.5_f64, 0.3..0.7_f64, prop_oneof![-3.0..-0.5_f64, 0.5..3.0_f64]);
    (one, -30.0..30.0_f64, -30.0..30.0_f64, divisions(), divisions(), divisions()).prop_map(
        |((sx, sy, sr, skew_x, skew_y, mm, deg), px, py, dx, dy, dr)| {
            bench(vec![
                adjuster("X", sx, shift(mm, mm * skew_x), Some(dx)),
                adjuster("R", sr, rotation(deg, px, py), Some(dr)),
                adjuster("Y", sy, shift(skew_y * mm, -mm), Some(dy)),
            ])
        },
    )
}

fn any_pose() -> impl Strategy<Value = Pose> {
    (-1.2..1.2_f64, -1.2..1.2_f64, -8.0..8.0_f64).prop_map(|(x, y, t)| degrees(x, y, t))
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(200))]

    #[test]
    fn exact_moves_leave_nothing(at_part in any_pose(), at_board in any_pose(), bench in any_bench()) {
        let part = grid(8, 6, 0.8);
        let told = plan(&at_part, &at_board, &part, &bench, &Known::default()).unwrap();
        // Moves rounded to nothing are left out of the plan, so the exact turns come from a bench of bare knobs.
        let mut bare = bench.clone();
        for a in &mut bare.adjusters { a.reads = Reads::None; a.divisions = None; }
        let exact = plan(&at_part, &at_board, &part, &bare, &Known::default()).unwrap();
        let turns: Vec<f64> = (0..3).map(|i| exact.moves.iter().find(|m| m.adjuster == i).map_or(0.0, |m| m.turns)).collect();
        prop_assert!(worst_miss_by_points(&part, &at_part, &at_board, &bench, &turns) < 1e-9);
        for m in &told.moves {
            prop_assert!((m.turns - turns[m.adjuster]).abs() < 1e-9);
        }
    }

    #[test]
    fn no_neighbouring_rounding_leaves_less(at_part in any_pose(), at_board in any_pose(), bench in any_bench()) {
        let part = grid(8, 6, 0.8);
        let told = plan(&at_part, &at_board, &part, &bench, &Known::default()).unwrap();
        let set: Vec<f64> = (0..3).map(|i| told.moves.iter().find(|m| m.adjuster == i).map_or(0.0, |m| m.set_turns)).collect();
        let left = worst_miss_by_points(&part, &at_part, &at_board, &bench, &set);
        prop_assert!((left - told.left_after.worst_miss_mm).abs() < 1e-9);
        let step: Vec<f64> = bench.adjusters.iter().map(|a| 1.0 / f64::from(a.divisions.unwrap())).collect();
        for code in 0..125 {
            let by = [code % 5 - 2, code / 5 % 5 - 2, code / 25 - 2];
            let turns: Vec<f64> = (0..3).map(|i| set[i] + f64::from(by[i]) * step[i]).collect();
            let other = worst_miss_by_points(&part, &at_part, &at_board, &bench, &turns);
            prop_assert!(other >= left - 2e-9, "{by:?} leaves {other}, the plan {left}");
        }
    }
}

#[test]
fn rounding_each_move_alone_is_sometimes_worse_and_never_better() {
    // Skewed screws: the joint choice must win somewhere, or the search would be for nothing.
    let part = grid(16, 16, 0.8);
    let bench = bench(vec![
        adjuster("X", Side::Board, shift(0.5, 0.25), Some(10)),
        adjuster("Y", Side::Board, shift(0.2, 0.5), Some(10)),
        adjuster("R", Side::Part, rotation(1.5, 12.0, -9.0), Some(10)),
    ]);
    let mut wins = 0;
    for n in 0..50 {
        let offset = degrees(0.1 + 0.013 * f64::from(n), -0.2 + 0.007 * f64::from(n), 0.3 - 0.029 * f64::from(n));
        let told = plan(&offset, &Pose::IDENTITY, &part, &bench, &Known::default()).unwrap();
        let mut alone = [0.0; 3];
        for m in &told.moves {
            alone[m.adjuster] = (m.turns * 10.0).round() / 10.0;
        }
        let worst = worst_miss_by_points(&part, &offset, &Pose::IDENTITY, &bench, &alone);
        assert!(told.left_after.worst_miss_mm <= worst + 1e-9);
        wins += i32::from(told.left_after.worst_miss_mm < worst - 1e-4);
    }
    assert!(wins >= 5, "joint rounding won {wins} of 50");
}

#[test]
fn worst_miss_and_moves_work_on_offset_minus_aim() {
    let mut bench = example_bench();
    bench.aim = degrees(0.02, -0.01, 0.1);
    let told = plan_from(&bench.aim.clone(), &bench, &Known::default()).unwrap();
    assert!(told.moves.is_empty());
    assert!(told.left_after.worst_miss_mm < 1e-9);
    let far = plan_from(&example_offset(), &bench, &Known::default()).unwrap();
    assert!((found(&far, "R").turns * 1.5 + 0.412).abs() < 1e-9);
}

#[test]
fn an_absurdly_far_part_gets_many_turns_and_no_panic() {
    let told = plan_from(&Pose::new(9e5, -9e5, 3.0), &example_bench(), &Known::default()).unwrap();
    assert_eq!(told.moves.len(), 3);
    let fine = bench(vec![adjuster("X", Side::Board, shift(1e-8, 0.0), Some(1_000_000))]);
    assert!(plan_from(&Pose::new(9e5, 0.0, 0.0), &fine, &Known::default()).is_ok());
}

#[test]
fn a_board_that_lies_turned_on_the_bench_is_moved_in_the_benchs_frame() {
    // The board is turned by 90°: an offset along the board's x lies along the bench's y, so Y has to be turned.
    let board = degrees(1.0, 2.0, 90.0);
    let at_part = board.after(&Pose::new(0.1, 0.0, 0.0));
    let told = plan(&at_part, &board, &grid(16, 16, 0.8), &example_bench(), &Known::default()).unwrap();
    assert_eq!(told.moves.len(), 1);
    assert!((found(&told, "Y").turns - 0.2).abs() < 1e-9);
}

#[test]
fn a_rounded_turn_carries_into_the_next_whole_turn() {
    // 49.6 of 50 divisions are one whole turn and no division.
    let told =
        plan_from(&Pose::new(0.496, 0.0, 0.0), &bench(vec![adjuster("X", Side::Board, shift(0.5, 0.0), Some(50))]), &Known::default());
    assert_eq!(found(&told.unwrap(), "X").amount, Amount::Thimble { whole: 1, divisions: 0.0 });
}

#[test]
fn half_divisions_are_told_where_the_hand_can_set_them() {
    let mut x = adjuster("X", Side::Board, shift(0.5, 0.0), Some(50));
    x.readable_divisions = 0.5;
    let told = plan_from(&Pose::new(0.1352, 0.0, 0.0), &bench(vec![x]), &Known::default()).unwrap();
    assert_eq!(found(&told, "X").amount, Amount::Thimble { whole: 0, divisions: 13.5 });
    assert!((found(&told, "X").set_turns - 0.27).abs() < 1e-12);
}

#[test]
fn a_jog_control_counts_steps_and_a_bare_knob_is_not_rounded() {
    let mut jog = adjuster("R", Side::Part, rotation(0.1, 0.0, 0.0), None);
    jog.reads = Reads::Steps;
    let bare = |name, turn| adjuster(name, Side::Board, turn, None);
    let bench = bench(vec![bare("X", shift(0.5, 0.0)), jog, bare("Y", shift(0.0, 0.5))]);
    let told = plan_from(&degrees(0.1234, -0.0561, 0.512), &bench, &Known::default()).unwrap();
    assert_eq!(found(&told, "R").amount, Amount::Steps { count: 5 });
    // The five steps turn the part about the bench's origin, and with it the offset that X has to take out.
    let x_turns = PointMm::new(0.1234, -0.0561).rotated(-0.5_f64.to_radians()).x / 0.5;
    assert!(matches!(found(&told, "X").amount, Amount::Bare { turns } if (turns - x_turns).abs() < 1e-9));
    let left = told.left_after.offset;
    assert!(left.shift().norm() < 1e-9, "bare knobs take out what the rounded turn leaves");
    assert!((left.theta_rad.to_degrees() - 0.012).abs() < 1e-9);
}

#[test]
fn a_pattern_off_its_origin_is_turned_about_its_own_middle() {
    // All sites lie 20 mm from the origin: what is left of the turn must be spread over the pattern, not over the origin.
    let mut part = grid(4, 4, 0.8);
    for site in &mut part.sites {
        site.at_mm = site.at_mm + PointMm::new(20.0, 0.0);
    }
    let fine = |name, turn| adjuster(name, Side::Board, turn, Some(1000));
    let bench =
        bench(vec![fine("X", shift(0.5, 0.0)), fine("Y", shift(0.0, 0.5)), adjuster("R", Side::Part, rotation(1.5, 0.0, 0.0), Some(30))]);
    let told = plan(&degrees(0.0, 0.0, 0.025), &Pose::IDENTITY, &part, &bench, &Known::default()).unwrap();
    let rim_mm = 1.2 * 2.0_f64.sqrt();
    assert!(told.left_after.worst_miss_mm < 0.025_f64.to_radians() * rim_mm + 0.0004, "{}", told.left_after.worst_miss_mm);
}

#[test]
fn play_is_taken_up_only_where_the_sense_is_known_to_reverse() {
    let last = knows(&[("X", Sense::Clockwise), ("Y", Sense::Clockwise)], &[]);
    let told = plan_from(&example_offset(), &example_bench(), &last).unwrap();
    assert_eq!(found(&told, "X").play, Play::None);
    assert_eq!(found(&told, "Y").play, Play::TakeUp { turns: 0.02 });
    assert_eq!(found(&told, "Y").play.take_up_turns(), Some(0.02));
    assert_eq!(found(&told, "R").play, Play::Unknown { up_to_turns: 0.02 });
    let mut free = example_bench();
    free.adjusters.iter_mut().for_each(|a| a.backlash_turns = 0.0);
    assert!(plan_from(&example_offset(), &free, &last).unwrap().moves.iter().all(|m| m.play == Play::None));
}

#[test]
fn readings_go_where_the_thimble_must_stand() {
    let mut bench = example_bench();
    bench.adjusters[1].reading_rises = Sense::Anticlockwise;
    let known = knows(&[("Y", Sense::Clockwise)], &[("X", 3.27), ("Y", 1.0)]);
    let told = plan_from(&example_offset(), &bench, &known).unwrap();
    assert!((found(&told, "X").reading.unwrap().then_turns - 3.53).abs() < 1e-9);
    // Y goes anticlockwise by 5 divisions and 0.02 turns of play; its reading rises that way.
    assert!((found(&told, "Y").reading.unwrap().then_turns - 1.12).abs() < 1e-9);
    assert_eq!(found(&told, "R").reading, None);
}

#[test]
fn a_move_past_the_end_of_its_travel_stops_there_and_says_so() {
    let mut bench = example_bench();
    bench.adjusters[0].travel_turns = Some([-12.0, 12.0]);
    let told = plan_from(&Pose::new(1.0, 0.0, 0.0), &bench, &knows(&[], &[("X", 11.5)])).unwrap();
    assert!((found(&told, "X").reading.unwrap().then_turns - 12.0).abs() < 1e-9);
    assert!((told.left_after.offset.x_mm - 0.75).abs() < 1e-3);
    let warning = told.warnings.join("\n");
    // Two turns are needed, half a turn is there; from the middle of the travel the board must go 13.5 turns to the right.
    for piece in ["X ends its travel at 12", "1.50 turns short", "move the board by hand about 6.8 mm to the right"] {
        assert!(warning.contains(piece), "{piece:?} in {warning:?}");
    }
    let inside = plan_from(&Pose::new(1.0, 0.0, 0.0), &bench, &knows(&[], &[("X", 9.9)])).unwrap();
    assert!(inside.warnings.is_empty());
    assert!((found(&inside, "X").set_turns - 2.0).abs() < 1e-9);
    let none_left = plan_from(&Pose::new(1.0, 0.0, 0.0), &bench, &knows(&[], &[("X", 12.0)])).unwrap();
    assert!(none_left.moves.iter().all(|m| m.name != "X") && none_left.warnings.len() == 1);
}

#[test]
fn the_take_up_of_a_reversal_counts_as_travel() {
    let mut bench = example_bench();
    bench.adjusters[0].travel_turns = Some([-12.0, 12.0]);
    let known = knows(&[("X", Sense::Anticlockwise)], &[("X", 11.5)]);
    let told = plan_from(&Pose::new(1.0, 0.0, 0.0), &bench, &known).unwrap();
    assert!(found(&told, "X").reading.unwrap().then_turns <= 12.0 + 1e-9);
}

#[test]
fn what_no_adjuster_reaches_stays_with_a_warning() {
    let [x, y, r] = <[Adjuster; 3]>::try_from(example_bench().adjusters).unwrap();
    let shifts = plan_from(&example_offset(), &bench(vec![x.clone(), y.clone()]), &Known::default()).unwrap();
    assert!((shifts.left_after.offset.theta_rad.to_degrees() - 0.512).abs() < 1e-9);
    assert_eq!(shifts.warnings.len(), 1);
    assert!(shifts.warnings[0].contains("turn of 0.512° anticlockwise"), "{}", shifts.warnings[0]);
    let no_y = plan_from(&example_offset(), &bench(vec![x, r]), &Known::default()).unwrap();
    assert!(no_y.left_after.offset.y_mm.abs() > 0.02);
    assert!(no_y.warnings[0].contains("towards you"), "{}", no_y.warnings[0]);
    let nothing = plan_from(&example_offset(), &bench(vec![]), &Known::default()).unwrap();
    assert!(nothing.moves.is_empty() && nothing.warnings.len() == 2);
    assert_eq!(to_4(nothing.left_after.worst_miss_mm), 0.2083);
}

#[test]
fn adjusters_that_depend_on_each_other_are_refused_by_name() {
    let mut twice = example_bench();
    twice.adjusters[1].turn = shift(-0.25, 0.0);
    let error = plan_from(&example_offset(), &twice, &Known::default()).unwrap_err();
    assert_eq!(error, MovesError::Dependent { names: "X and Y".into() });
    let [x, y, r] = <[Adjuster; 3]>::try_from(example_bench().adjusters).unwrap();
    let third = adjuster("Z", Side::Part, shift(0.3, 0.3), Some(50));
    let error = plan_from(&example_offset(), &bench(vec![x.clone(), y.clone(), third.clone()]), &Known::default()).unwrap_err();
    assert!(matches!(&error, MovesError::Dependent { names } if names == "X, Y, Z"), "{error}");
    // With a rotation besides, the three shifts leave nothing unreached: the least total of turns chooses.
    assert!(plan_from(&example_offset(), &bench(vec![x.clone(), y, r.clone(), third]), &Known::default()).is_ok());
    let x_again = adjuster("X 2", Side::Part, shift(-0.3, 0.0), Some(50));
    let error = plan_from(&example_offset(), &bench(vec![x.clone(), x_again.clone(), r.clone()]), &Known::default()).unwrap_err();
    assert_eq!(error, MovesError::Dependent { names: "X and X 2".into() });
    let no_y = bench(vec![x, x_again, r, adjuster("X 3", Side::Part, shift(0.1, 0.0), Some(50))]);
    assert!(matches!(plan_from(&example_offset(), &no_y, &Known::default()), Err(MovesError::Dependent { .. })));
}

#[test]
fn two_rotations_about_pivots_apart_stand_for_a_rotation_and_a_shift() {
    let turning = |name, x, y| adjuster(name, Side::Part, rotation(1.5, x, y), None);
    let x = adjuster("X", Side::Board, shift(0.5, 0.0), None);
    // Pivots apart along x: what the two do against each other is a shift along y, which X lacks.
    let apart = bench(vec![x.clone(), turning("R1", -30.0, 0.0), turning("R2", 30.0, 0.0)]);
    assert!(plan_from(&example_offset(), &apart, &Known::default()).unwrap().left_after.worst_miss_mm < 1e-9);
    let along_y = bench(vec![x.clone(), turning("R1", 0.0, -30.0), turning("R2", 0.0, 30.0)]);
    assert!(matches!(plan_from(&example_offset(), &along_y, &Known::default()), Err(MovesError::Dependent { .. })));
    let same = bench(vec![x, turning("R1", 5.0, 5.0), turning("R2", 5.0, 5.0)]);
    assert_eq!(plan_from(&example_offset(), &same, &Known::default()), Err(MovesError::Dependent { names: "R1 and R2".into() }));
}

/// A stack as it stands on a bench: each of `names` rides on the next, and the last stands on the bench.
fn stacked(mut bench: Bench, names: &[&str]) -> Bench {
    for pair in names.windows(2) {
        bench.adjusters.iter_mut().find(|a| a.name == pair[0]).unwrap().rides_on = Some(pair[1].to_owned());
    }
    bench
}

/// Worst miss after `turns`, written out point by point for a side whose adjusters are one stack, the rider first.
fn worst_miss_of_stack(part: &Part, at_part: &Pose, at_board: &Pose, bench: &Bench, stack: &[&str], turns: &[f64]) -> f64 {
    let moved = |mut q: PointMm, side: Side| {
        for name in stack {
            let index = bench.adjusters.iter().position(|a| a.name == *name).unwrap();
            let a = &bench.adjusters[index];
            match a.turn {
                _ if a.carries != side => {}
                Motion::Rotation { step_rad, pivot_mm } => q = pivot_mm + (q - pivot_mm).rotated(step_rad * turns[index]),
                Motion::Shift { step_mm } => q = q + step_mm * turns[index],
                Motion::Tilt { .. } => {}
            }
        }
        q
    };
    let miss = |s: &Site| moved(at_part.apply(s.at_mm), Side::Part).distance(moved(at_board.apply(s.at_mm), Side::Board));
    part.sites.iter().map(miss).fold(0.0, f64::max)
}

fn set_turns(plan: &MovePlan, count: usize) -> Vec<f64> {
    (0..count).map(|i| plan.moves.iter().find(|m| m.adjuster == i).map_or(0.0, |m| m.set_turns)).collect()
}

#[test]
fn a_rotation_under_the_board_and_what_rides_on_what_are_reckoned_with() {
    let part = grid(8, 6, 0.8);
    let all_on = |side: Side| {
        bench(vec![
            adjuster("X", side, shift(0.5, 0.01), None),
            adjuster("Y", side, shift(-0.02, 0.5), None),
            adjuster("R", side, rotation(1.5, 2.3, -1.7), None),
        ])
    };
    let (at_part, at_board) = (degrees(0.4, -0.3, 5.0), degrees(-0.2, 0.1, -2.0));
    for side in [Side::Part, Side::Board] {
        for stack in [["R", "X", "Y"], ["X", "Y", "R"], ["Y", "R", "X"]] {
            let bench = stacked(all_on(side), &stack);
            let told = plan(&at_part, &at_board, &part, &bench, &Known::default()).unwrap();
            let left = worst_miss_of_stack(&part, &at_part, &at_board, &bench, &stack, &set_turns(&told, 3));
            assert!(left < 1e-9, "{side:?} {stack:?}: {left} mm");
        }
    }
    // What rides on the rotation is carried round: the same turns without riding would miss.
    let riding = stacked(all_on(Side::Part), &["X", "Y", "R"]);
    let plain = plan(&at_part, &at_board, &part, &all_on(Side::Part), &Known::default()).unwrap();
    assert!(worst_miss_of_stack(&part, &at_part, &at_board, &riding, &["X", "Y", "R"], &set_turns(&plain, 3)) > 0.02);
}

#[test]
fn a_tilt_screw_is_left_alone() {
    let mut tilting = example_bench();
    tilting.adjusters.push(adjuster("T", Side::Board, Motion::Tilt { step_rad: [0.01, 0.0] }, Some(50)));
    let told = plan_from(&example_offset(), &tilting, &Known::default()).unwrap();
    assert_eq!(told, plan_from(&example_offset(), &example_bench(), &Known::default()).unwrap());
}

/// Small benches of every kind: stacks on either side, thimbles, jog steps and bare knobs, one to four adjusters.
fn any_small_bench() -> impl Strategy<Value = (Bench, Vec<&'static str>)> {
    let side = || prop_oneof![Just(Side::Part), Just(Side::Board)];
    let reads = || prop_oneof![3 => Just(Some(10_u32)), 2 => Just(Some(0)), 1 => Just(None)];
    let stack = prop_oneof![Just(vec![]), Just(vec!["R", "X", "Y"]), Just(vec!["X", "Y", "R"])];
    let values = (-0.3..0.3_f64, -0.3..0.3_f64, prop_oneof![-2.0..-0.7_f64, 0.7..2.0_f64], -15.0..15.0_f64, -15.0..15.0_f64);
    ((side(), side(), side()), (reads(), reads(), reads()), stack, values, 1..5_usize).prop_map(|(sides, reads, stack, values, count)| {
        let (skew_x, skew_y, deg, px, py) = values;
        // A thimble of ten divisions, a jog control whose step is as long as a division, or a bare knob.
        let one = |name, side, turn: fn(f64, f64, f64) -> Motion, (a, b, c): (f64, f64, f64), reads: Option<u32>| {
            let share = if reads == Some(0) { 0.1 } else { 1.0 };
            let mut made = adjuster(name, side, turn(a * share, b * if deg == a { 1.0 } else { share }, c), reads.filter(|n| *n > 0));
            made.reads = match reads {
                Some(0) => Reads::Steps,
                Some(_) => Reads::Divisions,
                None => Reads::None,
            };
            made
        };
        let side = if stack.is_empty() { sides } else { (sides.0, sides.0, sides.0) };
        let line: fn(f64, f64, f64) -> Motion = |x, y, _| shift(x, y);
        let mut adjusters = vec![
            one("X", side.0, line, (0.5, 0.5 * skew_x, 0.0), reads.0),
            one("R", side.2, rotation, (deg, px, py), reads.2),
            one("Y", side.1, line, (0.5 * skew_y, 0.5, 0.0), reads.1),
        ];
        adjusters.truncate(count);
        if count == 4 {
            adjusters.push(one("Z", sides.1, line, (0.05, 0.03, 0.0), Some(10)));
        }
        let whole = count < 4 && stack.iter().all(|name| adjusters.iter().any(|a| a.name == *name));
        let made = bench(adjusters);
        if whole { (stacked(made, &stack), stack) } else { (made, vec![]) }
    })
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(150))]

    #[test]
    fn no_setting_within_reach_of_the_hand_leaves_less((bench, stack) in any_small_bench(), at_part in any_pose(), at_board in any_pose()) {
        let part = grid(6, 5, 0.8);
        let told = plan(&at_part, &at_board, &part, &bench, &Known::default()).unwrap();
        let set = set_turns(&told, bench.adjusters.len());
        let worst = |turns: &[f64]| if stack.is_empty() {
            worst_miss_by_points(&part, &at_part, &at_board, &bench, turns)
        } else {
            worst_miss_of_stack(&part, &at_part, &at_board, &bench, &stack, turns)
        };
        let left = worst(&set);
        prop_assert!((left - told.left_after.worst_miss_mm).abs() < 1e-9, "{left} against {}", told.left_after.worst_miss_mm);
        // Every setting of the turning adjusters up to five steps away, all together; bare knobs as they are.
        let steps: Vec<(usize, f64)> = (0..bench.adjusters.len())
            .filter(|i| bench.adjusters.len() < 4 || set[*i] != 0.0)
            .filter_map(|i| Some((i, step_turns(&bench.adjusters[i])?)))
            .collect();
        for code in 0..11_i32.pow(steps.len() as u32) {
            let mut turns = set.clone();
            let mut digits = code;
            for (i, step) in &steps {
                turns[*i] += f64::from(digits % 11 - 5) * step;
                digits /= 11;
            }
            let other = worst(&turns);
            // Where fewer than three adjusters trade off, bare knobs are settled to a micro-turn.
            prop_assert!(other >= left - 2e-6, "{turns:?} leaves {other}, the plan {set:?} {left}");
        }
    }

    #[test]
    fn of_more_than_three_adjusters_those_of_the_least_total_turns_are_taken(
        ways in prop::collection::vec((0.2..1.0_f64, 0.0..6.3_f64), 3..5), deg in 0.5..3.0_f64, px in -10.0..10.0_f64, at_part in any_pose()
    ) {
        let mut adjusters = vec![adjuster("R", Side::Part, rotation(deg, px, 2.0), None)];
        for (n, (mm, angle)) in ways.iter().enumerate() {
            adjusters.push(adjuster(&format!("S{n}"), Side::Board, shift(mm * angle.cos(), mm * angle.sin()), None));
        }
        let bench = bench(adjusters);
        let part = grid(6, 5, 0.8);
        let Ok(told) = plan(&at_part, &Pose::IDENTITY, &part, &bench, &Known::default()) else { return Ok(()) };
        prop_assert!(told.left_after.worst_miss_mm < 1e-9 && told.moves.len() <= 3);
        // The rotation is alone in turning, so it is fixed; what is left is shared by two shifts of the least total.
        let total: f64 = told.moves.iter().filter(|m| m.name != "R").map(|m| m.turns.abs()).sum();
        let after_turn = told.moves.iter().filter(|m| m.name == "R").fold(at_part, |at, m| {
            motion::carried_by(&bench.adjusters[0].turn, m.turns).after(&at)
        });
        let to_go = after_turn.shift();
        let step = |i: usize| match bench.adjusters[i].turn { Motion::Shift { step_mm } => step_mm, _ => PointMm::ZERO };
        // Any other sharing of it: so many turns of one, the rest by two others (Cramer's rule).
        for i in 1..bench.adjusters.len() {
            for j in 1..i {
                for k in 1..bench.adjusters.len() {
                    for by in [-1.0, -0.3, 0.0, 0.2, 0.7, 1.5] {
                        let rest = to_go - step(k) * by;
                        let (a, b) = (step(i), step(j));
                        let det = a.x * b.y - a.y * b.x;
                        if det.abs() < 1e-6 || k == i || k == j { continue; }
                        let (s, t) = ((rest.x * b.y - rest.y * b.x) / det, (a.x * rest.y - a.y * rest.x) / det);
                        let other = s.abs() + t.abs() + f64::abs(by);
                        prop_assert!(other >= total - 1e-6, "{other} turns would do, the plan takes {total}");
                    }
                }
            }
        }
    }
}

#[test]
fn a_coarse_screw_gets_help_from_a_fine_one_where_the_part_needs_it() {
    let mut bench = example_bench();
    bench.adjusters[0].divisions = Some(2);
    bench.adjusters.push(adjuster("fine X", Side::Board, shift(0.05, 0.0), Some(50)));
    let told = plan_from(&Pose::new(0.62, 0.0, 0.0), &bench, &Known::default()).unwrap();
    let names: Vec<&str> = told.moves.iter().map(|m| m.name.as_str()).collect();
    assert_eq!(names, ["X", "fine X"]);
    assert!((found(&told, "X").set_turns.abs() - 1.0).abs() < 0.51 && told.left_after.worst_miss_mm < 0.011);
    bench.adjusters[0].divisions = Some(50);
    let alone = plan_from(&Pose::new(0.62, 0.0, 0.0), &bench, &Known::default()).unwrap();
    assert_eq!(alone.moves.len(), 1, "the coarse screw alone is fine enough");
}

#[test]
fn where_one_of_several_ends_its_travel_another_takes_the_rest() {
    let mut bench = example_bench();
    bench.adjusters.push(adjuster("part X", Side::Part, shift(0.25, 0.0), Some(50)));
    bench.adjusters[0].travel_turns = Some([-12.0, 12.0]);
    let known = knows(&[], &[("X", 11.0)]);
    // Two turns of X are wanted, one is there; four of the other would do it alone and stay within their travel.
    let told = plan_from(&Pose::new(1.0, 0.0, 0.0), &bench, &known).unwrap();
    assert!((found(&told, "part X").set_turns + 4.0).abs() < 0.02 && told.warnings.is_empty());
    bench.adjusters[3].travel_turns = Some([-3.0, 3.0]);
    let both = plan_from(&Pose::new(1.0, 0.0, 0.0), &bench, &knows(&[], &[("X", 11.0), ("part X", 0.0)])).unwrap();
    assert!((found(&both, "X").set_turns - 0.5).abs() < 0.51 && both.left_after.worst_miss_mm < 0.01, "{both:?}");
    assert!(both.warnings.is_empty(), "{:?}", both.warnings);
}

#[test]
fn bad_input_is_an_error_and_never_a_move() {
    let ok = example_bench();
    let fails = |offset: &Pose, bench: &Bench, known: &Known| plan_from(offset, bench, known).unwrap_err();
    assert!(matches!(fails(&Pose::new(f64::NAN, 0.0, 0.0), &ok, &Known::default()), MovesError::NotFinite { .. }));
    assert!(matches!(fails(&Pose::new(1e300, 0.0, 0.0), &ok, &Known::default()), MovesError::NotFinite { .. }));
    let mut still = ok.clone();
    still.adjusters[1].turn = shift(0.0, 0.0);
    assert_eq!(fails(&example_offset(), &still, &Known::default()), MovesError::NoEffect { adjuster: "Y".into() });
    let mut nan = ok.clone();
    nan.adjusters[2].turn = rotation(1.5, f64::INFINITY, 0.0);
    assert!(matches!(fails(&example_offset(), &nan, &Known::default()), MovesError::NotFinite { .. }));
    let mut no_steps = ok.clone();
    no_steps.adjusters[0].readable_divisions = 0.0;
    assert!(matches!(fails(&example_offset(), &no_steps, &Known::default()), MovesError::NoSteps { .. }));
    let mut no_divisions = ok.clone();
    no_divisions.adjusters[0].divisions = Some(0);
    assert!(matches!(fails(&example_offset(), &no_divisions, &Known::default()), MovesError::NoSteps { .. }));
    assert!(matches!(fails(&example_offset(), &ok, &knows(&[("Q", Sense::Clockwise)], &[])), MovesError::UnknownAdjuster { .. }));
    assert!(matches!(fails(&example_offset(), &ok, &knows(&[], &[("X", f64::NAN)])), MovesError::NotFinite { .. }));
    let mut short = ok.clone();
    short.adjusters[0].travel_turns = Some([0.0, 5.0]);
    assert!(matches!(fails(&example_offset(), &short, &knows(&[], &[("X", 6.0)])), MovesError::PastTravel { .. }));
    let empty = Part { sites: vec![], ..grid(2, 2, 0.8) };
    assert_eq!(plan(&Pose::IDENTITY, &Pose::IDENTITY, &empty, &ok, &Known::default()), Err(MovesError::NoSites));
}
