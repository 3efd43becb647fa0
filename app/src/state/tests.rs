//! The job as hands would meet it: simulated screws, looks that tell the truth but for noise.

use super::desk::expected_corner;
use super::guided::{Look, follow, worst_mm};
use super::job::{Job, JobState};
use super::units::Turns;
use landfit_calibration::bench::Sense;
use landfit_calibration::moves::noticed::Noticed;
use landfit_calibration::moves::{Known, Play};
use landfit_part::{Pose, Side};
use landfit_rehearsal::scenario::{self, BENCHES, DEFAULT};
use landfit_rehearsal::screw::Mismatch;
use landfit_rehearsal::simulated::{Hands, SimulatedBench, Slip};
use landfit_vision::answer::{Alignment, Fit, Orientation, Outcome, ReasonCode, Refusal, SideFindings};
use nalgebra::{Matrix3, Vector3};
use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;
use std::sync::Arc;

/// A look that tells the truth but for noise of 0.3 µm and 0.05 mrad.
fn look(bench: &SimulatedBench, rng: &mut ChaCha8Rng) -> Alignment {
    // A sum of twelve is normal enough, and has no far tail.
    let mut off = |sd: f64| sd * ((0..12).map(|_| rng.random_range(0.0..1.0)).sum::<f64>() - 6.0);
    let at = bench.bench_from_part;
    let part = Pose::new(at.x_mm + off(3e-4), at.y_mm + off(3e-4), at.theta_rad + off(5e-5));
    let board = bench.bench_from_board;
    let covariance = Matrix3::from_diagonal(&Vector3::new(9e-8, 9e-8, 2.5e-9));
    let fit = Fit { bench_from_part: part, bench_from_board: board, offset: board.inverse().after(&part), covariance, k: 2.0 };
    settled(Outcome::Fit(fit))
}

fn settled(outcome: Outcome) -> Alignment {
    let none = SideFindings::default();
    Alignment { outcome, warnings: vec![], orientation: Orientation::Settled, terminals: none.clone(), lands: none }
}

fn refused(code: ReasonCode) -> Alignment {
    settled(Outcome::Refused(Refusal::new(code, None, "no".into())))
}

/// A job over a simulated bench, its time counted.
struct Table {
    bench: SimulatedBench,
    job: Job,
    rng: ChaCha8Rng,
    now_s: f64,
}

impl Table {
    fn new(offset: Pose) -> Self {
        let board = Pose::new(0.2, -0.1, 0.01);
        let bench = SimulatedBench::new(scenario::default_bench().unwrap(), board.after(&offset), board, &Mismatch::NONE, 5);
        let job = Job::new(Arc::new(scenario::default_part().unwrap()), Arc::new(scenario::default_bench().unwrap()), Known::default());
        Self { bench, job, rng: ChaCha8Rng::seed_from_u64(1), now_s: 0.0 }
    }

    fn look(&mut self, times: usize) {
        for _ in 0..times {
            self.now_s += 0.3;
            let alignment = look(&self.bench, &mut self.rng);
            self.job.look(&alignment, true, self.now_s);
        }
    }

    /// What is told next: adjuster and what is left of it.
    fn next(&self) -> (usize, f64) {
        let told = self.job.to_turn();
        let (one, left) = told.iter().find(|(m, left)| !self.job.is_done(m, *left)).expect("something to turn");
        (one.adjuster, *left + one.play.take_up_turns().unwrap_or(0.0) * left.signum())
    }

    /// Turns what is told until nothing more is.
    fn finish(&mut self) {
        self.look(2);
        for _ in 0..12 {
            if self.job.state() == JobState::GoodToPlace {
                return;
            }
            let (adjuster, turns) = self.next();
            self.bench.turn(adjuster, turns);
            self.look(2);
        }
    }
}

fn start() -> Table {
    Table::new(Pose::new(0.12, -0.056, 0.009))
}

#[test]
fn nothing_is_told_before_the_first_look() {
    let table = start();
    assert_eq!(table.job.state(), JobState::Looking);
    assert!(table.job.to_turn().is_empty());
}

#[test]
fn following_what_is_told_ends_good_to_place() {
    let mut table = start();
    table.finish();
    assert_eq!(table.job.state(), JobState::GoodToPlace);
    assert!(worst_mm(&table.job.part, &table.bench) < 0.02);
}

#[test]
fn rotation_comes_first_and_what_is_left_of_it_runs_while_the_hand_turns() {
    let mut table = start();
    table.look(2);
    let (adjuster, whole) = table.next();
    assert_eq!(table.job.bench.adjusters[adjuster].name, "R");
    // One look while it turns: not at rest, so the plan stays and only what is left changes.
    table.bench.turn(adjuster, 0.5 * whole + 0.02 * whole.signum());
    table.look(1);
    let (same, left) = table.next();
    assert_eq!(same, adjuster);
    assert!((left - 0.5 * whole).abs() < 0.035, "{left} of {whole}");
}

#[test]
fn the_wrong_sense_is_noticed_with_the_first_measurement() {
    let mut table = start();
    table.look(2);
    let (adjuster, turns) = table.next();
    table.bench.turn(adjuster, -turns);
    table.look(1);
    assert_eq!(table.job.noticed(), [Noticed::WrongSense { adjuster }]);
    table.look(1);
    assert!(table.job.noticed().contains(&Noticed::WrongSense { adjuster }), "{:?}", table.job.noticed());
}

#[test]
fn a_part_of_the_way_in_the_wrong_sense_is_the_wrong_sense() {
    let mut table = start();
    table.look(2);
    let (adjuster, turns) = table.next();
    table.bench.turn(adjuster, -0.4 * turns);
    table.look(2);
    assert_eq!(table.job.noticed(), [Noticed::WrongSense { adjuster }]);
}

#[test]
fn the_wrong_screw_is_noticed_within_two_measurements() {
    let mut table = start();
    table.look(2);
    let (told, turns) = table.next();
    let turned = table.job.bench.adjusters.iter().position(|a| a.name == "X").unwrap();
    table.bench.turn(turned, turns);
    table.look(2);
    assert_eq!(table.job.noticed(), [Noticed::WrongScrew { told, turned }]);
}

#[test]
fn past_the_mark_and_back_is_never_called_the_wrong_sense() {
    for seed in 0..20 {
        let mut table = start();
        table.rng = ChaCha8Rng::seed_from_u64(seed);
        table.look(2);
        let (adjuster, turns) = table.next();
        let past = 0.2 * turns.signum();
        table.bench.turn(adjuster, turns + past);
        table.bench.turn(adjuster, -past);
        table.look(2);
        assert!(!table.job.noticed().contains(&Noticed::WrongSense { adjuster }), "{:?}", table.job.noticed());
    }
}

#[test]
fn a_small_move_of_another_screw_that_is_told_later_is_the_wrong_screw() {
    let mut table = start();
    table.look(2);
    let (told, _) = table.next();
    let later = table.job.to_turn()[1].0.clone();
    assert!(later.adjuster != told && later.set_turns.abs() > 0.08);
    table.bench.turn(later.adjuster, 0.05 * later.set_turns.signum());
    table.look(2);
    assert_eq!(table.job.noticed(), [Noticed::WrongScrew { told, turned: later.adjuster }]);
}

#[test]
fn a_side_that_only_several_screws_could_have_put_there_has_strayed() {
    let mut table = start();
    table.look(2);
    table.bench.bench_from_board = Pose::new(-0.06, 0.09, 0.0).after(&table.bench.bench_from_board);
    let (adjuster, turns) = table.next();
    table.bench.turn(adjuster, turns);
    table.look(2);
    assert_eq!(table.job.noticed(), [Noticed::Strayed { side: Side::Board }]);
}

#[test]
fn a_move_that_is_only_begun_is_nothing_to_be_scolded_for() {
    let mut table = start();
    table.look(2);
    let (adjuster, turns) = table.next();
    table.bench.turn(adjuster, 0.5 * turns);
    table.look(3);
    assert!(table.job.noticed().is_empty(), "{:?}", table.job.noticed());
    assert_eq!(table.next().0, adjuster);
}

#[test]
fn moves_in_another_order_are_nothing_to_be_scolded_for() {
    let mut table = start();
    table.look(2);
    let second = table.job.to_turn()[1].0.clone();
    assert_ne!(second.adjuster, table.next().0);
    table.bench.turn(second.adjuster, second.set_turns);
    table.look(2);
    assert!(table.job.noticed().is_empty(), "{:?}", table.job.noticed());
}

#[test]
fn a_screw_past_its_mark_is_told_back_with_its_play_taken_up() {
    let mut table = start();
    table.look(2);
    // The first turn makes its sense known.
    let (adjuster, turns) = table.next();
    table.bench.turn(adjuster, turns * 1.0 + 6.0 / 30.0 * turns.signum());
    table.look(2);
    let told = table.job.to_turn();
    let back = told.iter().find(|(m, _)| m.adjuster == adjuster).unwrap().0;
    assert!(back.set_turns * turns < 0.0);
    assert!(matches!(back.play, Play::TakeUp { turns } if turns > 0.0), "{:?}", back.play);
}

#[test]
fn turned_past_and_back_between_two_rests_the_last_sense_counts() {
    let mut table = start();
    table.look(2);
    let (adjuster, turns) = table.next();
    let clockwise = turns > 0.0;
    table.bench.turn(adjuster, turns + 9.0 / 30.0 * turns.signum());
    table.look(1);
    table.bench.turn(adjuster, -9.0 / 30.0 * turns.signum());
    table.look(3);
    let sense = table.job.known.last_sense[&table.job.bench.adjusters[adjuster].name];
    assert_eq!(sense == Sense::Anticlockwise, clockwise, "the net turn was {turns}, the last one went back");
}

#[test]
fn a_bump_is_said_and_asks_for_another_look() {
    let mut table = start();
    table.look(2);
    table.bench.bench_from_part = Pose::new(0.05, 0.08, 0.01).after(&table.bench.bench_from_part);
    table.look(2);
    assert_eq!(table.job.state(), JobState::Moved);
    assert!(matches!(table.job.noticed(), [Noticed::Moved { .. }]));
    table.job.go_on(table.now_s);
    assert_ne!(table.job.state(), JobState::Moved);
}

#[test]
fn a_screw_that_changes_what_it_should_not_is_said() {
    let mut table = start();
    table.look(2);
    let rotation = table.job.bench.adjusters.iter().position(|a| a.name == "R").unwrap();
    for _ in 0..5 {
        let (adjuster, turns) = table.next();
        if adjuster == rotation {
            table.bench.turn(rotation, turns);
            table.look(2);
        }
    }
    assert!(table.job.noticed().is_empty(), "{:?}", table.job.noticed());
    // The next one shifts as it should, and drags the board round by a sixth of a degree.
    let (shift, turns) = table.next();
    assert_ne!(shift, rotation);
    table.bench.turn(shift, turns);
    table.bench.bench_from_board = Pose::new(0.0, 0.0, 0.003).after(&table.bench.bench_from_board);
    table.look(2);
    assert!(!table.job.noticed().is_empty());
}

#[test]
fn the_pedal_asks_after_a_screw_that_does_not_show_but_not_at_once() {
    let mut table = start();
    table.look(2);
    let (adjuster, _) = table.next();
    table.job.go_on(table.now_s);
    assert!(table.job.noticed().is_empty(), "a foot that meant the move before");
    table.now_s += 10.0;
    table.job.go_on(table.now_s);
    assert_eq!(table.job.noticed(), [Noticed::NotTurned { adjuster }]);
}

#[test]
fn after_accepting_a_third_of_the_allowance_is_too_far() {
    let mut table = start();
    table.finish();
    table.job.accept();
    let x = table.job.bench.adjusters.iter().position(|a| a.name == "X").unwrap();
    let accepted = table.job.accepted().unwrap().offset;
    // The allowance is 90 µm, a division of X 10 µm: one division is still near enough, five are not.
    table.bench.turn(x, 1.0 / 50.0);
    table.look(2);
    assert_eq!(table.job.state(), JobState::GoodToPlace);
    assert!(table.job.to_turn().is_empty(), "once accepted, hands are off");
    table.bench.turn(x, 4.0 / 50.0);
    table.look(2);
    assert_eq!(table.job.state(), JobState::Moved);
    assert_eq!(table.job.accepted().unwrap().offset, accepted);
    table.job.withdraw();
    assert_ne!(table.job.state(), JobState::Moved);
}

#[test]
fn when_the_optics_leave_an_accepted_part_is_placed_and_an_unaccepted_one_is_not() {
    let mut table = start();
    table.finish();
    table.job.look(&refused(ReasonCode::TooDark), true, 90.0);
    assert_eq!(table.job.state(), JobState::Looking);
    table.look(2);
    table.job.accept();
    table.job.look(&refused(ReasonCode::TooBlurred), true, 91.0);
    assert_eq!(table.job.state(), JobState::Looking, "blurred is not gone");
    table.job.look(&refused(ReasonCode::TooDark), true, 92.0);
    assert_eq!(table.job.state(), JobState::Placed);
}

#[test]
fn a_reading_that_was_told_follows_the_hand() {
    let mut table = start();
    table.look(2);
    let (adjuster, turns) = table.next();
    let name = table.job.bench.adjusters[adjuster].name.clone();
    table.job.tell_as(Turns::Readings);
    table.job.set_reading(&name, Some(3.0));
    let one = table.job.to_turn()[0].0.clone();
    let told = one.reading.unwrap();
    assert!((told.now_turns - 3.0).abs() < 1e-12 && (told.then_turns - 3.0 - one.set_turns).abs() < 1e-9);
    table.bench.turn(adjuster, turns);
    table.look(2);
    assert!((table.job.known.reading_turns[&name] - 3.0 - turns).abs() < 0.03);
}

#[test]
fn a_reading_follows_the_hand_also_while_moves_are_told_as_divisions() {
    let mut table = start();
    table.look(2);
    let (adjuster, turns) = table.next();
    let name = table.job.bench.adjusters[adjuster].name.clone();
    table.job.set_reading(&name, Some(3.0));
    assert!(table.job.to_turn().iter().all(|(m, _)| m.reading.is_none()));
    table.bench.turn(adjuster, turns);
    table.look(2);
    table.job.tell_as(Turns::Readings);
    assert!((table.job.known.reading_turns[&name] - 3.0 - turns).abs() < 0.03);
}

#[test]
fn after_the_pedal_what_is_left_counts_from_where_the_screws_stand() {
    let mut table = start();
    table.look(2);
    let (adjuster, turns) = table.next();
    table.bench.turn(adjuster, 0.5 * turns);
    // One look, not at rest yet: the pedal plans from here.
    table.look(1);
    table.job.go_on(table.now_s);
    for (one, left) in table.job.to_turn() {
        assert!((one.set_turns - left).abs() < 1e-12, "{}: {left} of {}", one.name, one.set_turns);
    }
    let before = table.next();
    table.look(1);
    assert!(before.0 == table.next().0 && (before.1 - table.next().1).abs() < 0.04, "{before:?} {:?}", table.next());
}

#[test]
fn a_look_that_was_taken_at_rest_needs_no_second_one() {
    let mut table = start();
    table.look(2);
    let (adjuster, turns) = table.next();
    table.bench.turn(adjuster, turns);
    let alignment = look(&table.bench, &mut table.rng);
    table.job.look_at_rest(&alignment, table.now_s + 5.0);
    assert!(table.job.is_at_rest());
    assert!(table.job.known.last_sense.contains_key(&table.job.bench.adjusters[adjuster].name), "what was turned is known");
}

#[test]
fn the_first_ball_is_expected_where_the_part_lies_now() {
    let part = scenario::default_part().unwrap();
    let quarter = std::f64::consts::FRAC_PI_2;
    let seen: Vec<_> = (0..4).map(|n| expected_corner(&part, &Pose::new(0.3, 0.1, f64::from(n) * quarter)).unwrap()).collect();
    // Left far, then anticlockwise: left near, right near, right far.
    assert_eq!(seen, [0, 2, 3, 1]);
}

/// The sample of continuous integration: poses with noise, no pictures. `landfit rehearse --guided 200` measures pictures.
#[test]
fn clumsy_hands_that_follow_the_guidance_end_good_to_place_and_never_wrongly() {
    let settings: Vec<_> = std::iter::once(DEFAULT).chain(BENCHES).collect();
    let mut good = 0;
    let (mut can_show, mut noticed, mut without, mut said) = (0, 0, 0, 0);
    for seed in 0..100 {
        let mut rng = ChaCha8Rng::seed_from_u64(seed);
        let setting = &settings[seed as usize % settings.len()];
        let told = follow(setting, seed, &Hands::CLUMSY, &mut |bench, _| Ok(Look::Measured(Box::new(look(bench, &mut rng))))).unwrap();
        assert!(!told.wrongly_good && told.wrongly_good_on_the_way == 0, "{} seed {seed}: {told:?}", setting.name);
        good += usize::from(told.good);
        if !told.good {
            println!("{} seed {seed}: {told:?}", setting.name);
        }
        for made in &told.made {
            let is_wrong = made.slips.iter().any(|s| [Slip::WrongSense.word(), Slip::WrongScrew.word()].contains(s));
            if is_wrong && made.can_show() {
                can_show += 1;
                noticed += usize::from(!made.said.is_empty());
            }
            without += usize::from(made.slips.is_empty());
            said += usize::from(made.slips.is_empty() && !made.said.is_empty());
        }
    }
    assert!(good >= 99, "{good} of 100");
    assert!(can_show >= 20 && noticed * 100 >= can_show * 95, "of {can_show} wrong senses and screws {noticed} noticed");
    assert!(without >= 300 && said * 100 < without * 2, "of {without} moves without a slip {said} spoken of");
}
