use super::positioning::evaluate_run;
use super::reading::Thimble;
use super::rotation::fit_rotation;
use super::run::{Extent, Planned, plan};
use super::shift::{SightUncertainty, fit_shift};
use super::*;
use landfit_part::PointMm;
use std::f64::consts::TAU;

/// Deviates of standard deviation 1 from a fixed sequence.
struct Noise(u64);

impl Noise {
    fn next(&mut self) -> f64 {
        let mut uniform = || {
            self.0 = self.0.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
            (self.0 >> 11) as f64 / (1u64 << 53) as f64
        };
        (0..12).map(|_| uniform()).sum::<f64>() - 6.0
    }
}

const STEP: PointMm = PointMm { x: 0.5012, y: 0.0043 };
const PLAY: f64 = 0.031;
const SURE: SightUncertainty = SightUncertainty { scale_relative: 0.0, angle_rad: 0.0 };
const MM: Graduation = Graduation::Turning { division_turns: 0.02 };

/// A screw of 0.5 mm with play and 3 µm once per turn, set to ±1 µm, seen to ±0.3 µm.
fn run(readings: &[Planned], seed: u64) -> Vec<Stop> {
    let mut noise = Noise(seed);
    readings
        .iter()
        .map(|p| {
            let t = p.reading_turns;
            let play = if p.approach == Approach::Down { PLAY } else { 0.0 };
            let periodic = 0.003 * (TAU * t + 0.7).cos() + 0.001 * noise.next();
            let along = STEP * ((t + play) + periodic / STEP.norm());
            let pose = Pose::new(0.2 + along.x + 3e-4 * noise.next(), -0.1 + along.y + 3e-4 * noise.next(), 0.01);
            Stop { reading_turns: t, approach: p.approach, pose }
        })
        .collect()
}

#[test]
fn a_short_run_tells_step_play_and_once_per_turn_error() {
    let found = fit_shift(&run(&plan(Extent::Short, 0.0, 10.4, &Thimble::MM), 3), MM, SURE).expect("a fit");
    assert!((found.step_mm.norm() / STEP.norm() - 1.0).abs() < 5e-4, "{found:?}");
    assert!((found.backlash_turns - PLAY).abs() < 0.004);
    let wave = found.once_per_turn.expect("a thimble");
    assert!((wave.amplitude() - 0.003).abs() < 1e-3 && found.misnoted.is_empty(), "{wave:?}");
    assert!((0.0006..0.0016).contains(&found.sd_along_mm) && found.sd_across_mm < 0.0006);
}

#[test]
fn a_reading_wrong_by_a_division_or_half_a_turn_is_named_and_not_averaged_in() {
    for (stop, slip) in [(4, 0.02), (13, -0.02), (7, 0.5), (0, -0.5), (19, 1.0)] {
        for seed in 0..20 {
            let mut stops = run(&plan(Extent::Short, 0.0, 10.4, &Thimble::MM), 100 + seed);
            let truth = stops[stop].reading_turns;
            stops[stop].reading_turns += slip;
            let found = fit_shift(&stops, MM, SURE).expect("a fit");
            assert_eq!(found.misnoted.len(), 1, "stop {stop} by {slip}, seed {seed}: {:?}", found.misnoted);
            assert_eq!(found.misnoted[0].stop, stop);
            assert!((found.misnoted[0].likely_turns - truth).abs() < 0.01, "{:?}", found.misnoted);
            assert!((found.step_mm.norm() / STEP.norm() - 1.0).abs() < 8e-4);
        }
    }
}

/// Error once per turn, and how closely a hand sets a reading, as shares of a turn's way: 3 µm and 1 µm at half a millimetre a
/// turn, half as much on a screw half as steep. The same 1 µm on the finest thimble would be a fifth of a division, and then two
/// scatters of it leave the nearest division open: landfit tells the distance instead.
const WAVE: f64 = 0.006;
const SETTING: f64 = 0.002;

/// A screw of this thimble: mm of a turn (of a step: 0.02 mm, set to 1 µm), with play and an error once per turn where it turns.
fn run_on(thimble: &Thimble, seed: u64) -> Vec<Stop> {
    let mut noise = Noise(seed);
    let (per_turn_mm, travel) = match thimble.unit {
        super::reading::Unit::Step => (0.02, 60.0),
        super::reading::Unit::Inch => (25.4 * thimble.per_turn, 10.4),
        super::reading::Unit::Millimetre => (thimble.per_turn, 10.4),
        super::reading::Unit::Turn => (0.5, 10.4),
    };
    let (wave_mm, setting_mm) = if thimble.whole_turns_only() { (0.0, 0.001) } else { (WAVE * per_turn_mm, SETTING * per_turn_mm) };
    let of = |p: &Planned| {
        let t = p.reading_turns;
        let play = if p.approach == Approach::Down { PLAY } else { 0.0 };
        let along = per_turn_mm * (t + play) + wave_mm * (TAU * t + 0.7).cos() + setting_mm * noise.next();
        Stop { reading_turns: t, approach: p.approach, pose: Pose::new(along, 3e-4 * noise.next(), 0.01) }
    };
    plan(Extent::Short, 0.0, travel, thimble).iter().map(of).collect()
}

#[test]
fn every_thimble_knob_and_jog_control_has_its_slips_named() {
    for (word, thimble) in Thimble::NAMES {
        let half = if thimble.whole_turns_only() { 3.0 } else { 0.5 };
        for seed in 0..10 {
            let good = run_on(&thimble, 500 + seed);
            let fit = |stops: &[Stop]| fit_shift(stops, thimble.graduation(), SURE).unwrap_or_else(|e| panic!("{word}: {e}"));
            assert_eq!(fit(&good).misnoted, [], "{word}, seed {seed}");
            for slip in [thimble.division_turns(), -thimble.division_turns(), half, -half] {
                let mut stops = good.clone();
                stops[6].reading_turns += slip;
                let named = fit(&stops).misnoted;
                assert!(named.len() == 1 && named[0].stop == 6, "{word} by {slip}, seed {seed}: {named:?}");
                assert!((named[0].likely_turns - good[6].reading_turns).abs() < 0.3 * thimble.division_turns(), "{word}: {named:?}");
                let words = thimble.slip(named[0].noted_turns, named[0].likely_turns);
                let way = if slip > 0.0 { "too high" } else { "too low" };
                let what = match (thimble.whole_turns_only(), slip.abs() == half) {
                    (true, true) => "3 steps",
                    (true, false) => "one step",
                    (false, true) => "half a turn",
                    (false, false) => "one division",
                };
                assert_eq!(words, format!("{what} {way}"), "{word}, seed {seed}: {named:?}");
            }
        }
    }
}

#[test]
fn good_readings_are_not_named() {
    let named: usize = (0..300)
        .map(|seed| {
            let stops = run(&plan(Extent::Short, 0.0, 10.4, &Thimble::MM), 9000 + seed);
            fit_shift(&stops, MM, SURE).expect("a fit").misnoted.len()
        })
        .sum();
    assert_eq!(named, 0);
}

#[test]
fn runs_that_cannot_tell_are_refused_with_words() {
    let all = run(&plan(Extent::Short, 0.0, 10.4, &Thimble::MM), 5);
    let refused = |stops: &[Stop]| fit_shift(stops, MM, SURE).expect_err("a refusal");
    assert!(matches!(refused(&all[..2]), RunError::TooFew { found: 2, .. }));
    let same: Vec<Stop> = all.iter().map(|s| Stop { reading_turns: 2.5, ..*s }).collect();
    assert_eq!(refused(&same), RunError::AllEqual { turns: 2.5 });
    let whole: Vec<Planned> = (0..20)
        .map(|i| Planned { reading_turns: 0.25 + f64::from(i % 10), approach: if i < 10 { Approach::Up } else { Approach::Down } })
        .collect();
    let told = refused(&run(&whole, 5)).to_string();
    assert!(told.contains("one place of the turn") && told.contains("0.25"), "{told}");
    let halves: Vec<Planned> =
        whole.iter().enumerate().map(|(i, p)| Planned { reading_turns: p.reading_turns + 0.5 * (i % 2) as f64, ..*p }).collect();
    assert_eq!(refused(&run(&halves, 5)), RunError::TwoPhases);
    assert_eq!(refused(&all[..10]), RunError::OneWay);
    let mut odd = all.clone();
    odd[3].pose.x_mm = f64::NAN;
    assert_eq!(refused(&odd), RunError::NotANumber { stop: 3 });
    let still: Vec<Stop> = all.iter().map(|s| Stop { pose: Pose::IDENTITY, ..*s }).collect();
    assert!(matches!(refused(&still), RunError::NothingMoved { .. }));
    let mut shuffled = all.clone();
    for i in 0..10 {
        shuffled[i].reading_turns = all[(i * 7) % 10].reading_turns;
    }
    assert!(matches!(refused(&shuffled), RunError::Contradicted { .. } | RunError::NothingMoved { .. }));
}

#[test]
fn steps_of_a_jog_control_need_no_places_of_the_turn() {
    let stops: Vec<Stop> = (0..24)
        .map(|i| {
            let t = f64::from(if i < 12 { i } else { 23 - i });
            let approach = if i < 12 { Approach::Up } else { Approach::Down };
            let jitter = 1e-5 * f64::from((i * 7) % 5 - 2);
            Stop { reading_turns: t, approach, pose: Pose::new(0.02 * t + jitter, 0.0, 0.0) }
        })
        .collect();
    let found = fit_shift(&stops, Graduation::Steps, SURE).expect("a fit");
    assert!((found.step_mm.x - 0.02).abs() < 1e-5 && found.once_per_turn.is_none());
}

#[test]
fn a_full_run_is_evaluated_after_the_standard_and_a_short_one_is_not() {
    let stops = run(&plan(Extent::Full, 0.0, 10.4, &Thimble::MM), 8);
    let found = fit_shift(&stops, MM, SURE).expect("a fit");
    let p = evaluate_run(&stops, &found.deviations_mm, &[]).expect("a full run");
    assert_eq!(p.targets.len(), 5);
    assert!((p.mean_reversal + PLAY * STEP.norm()).abs() < 1e-3, "{}", p.mean_reversal);
    assert!((0.002..0.008).contains(&p.repeatability_one_way[0]), "{:?}", p.repeatability_one_way);
    let stops = run(&plan(Extent::Short, 0.0, 10.4, &Thimble::MM), 8);
    assert!(evaluate_run(&stops, &vec![0.0; stops.len()], &[]).is_err());
}

#[test]
fn a_rotation_tells_degrees_per_turn_and_its_pivot() {
    let (pivot, step) = (PointMm::new(0.4, -1.1), 1.5f64.to_radians());
    let mut covered = 0;
    for seed in 0..60 {
        let mut noise = Noise(40 + seed);
        let stops: Vec<Stop> = plan(Extent::Short, -3.3, 3.4, &Thimble::turns(30))
            .iter()
            .map(|p| {
                let t = p.reading_turns + if p.approach == Approach::Down { 0.02 } else { 0.0 } + 0.001 * noise.next();
                let angle = step * t;
                let arm = PointMm::new(0.3 - pivot.x, 0.2 - pivot.y).rotated(angle);
                let pose = Pose::new(
                    pivot.x + arm.x + 2e-4 * noise.next(),
                    pivot.y + arm.y + 2e-4 * noise.next(),
                    0.1 + angle + 1e-5 * noise.next(),
                );
                Stop { reading_turns: p.reading_turns, approach: p.approach, pose }
            })
            .collect();
        let found = fit_rotation(&stops, Graduation::Turning { division_turns: 1.0 / 30.0 }).expect("a fit");
        assert!((found.step_rad / step - 1.0).abs() < 2e-3 && (found.backlash_turns - 0.02).abs() < 0.004);
        assert!(found.pivot_mm.distance(pivot) < 0.01, "{:?}", found.pivot_mm);
        let u = found.pivot_covariance_mm2[(0, 0)].sqrt();
        covered += usize::from((found.pivot_mm.x - pivot.x).abs() < 2.0 * u);
    }
    assert!((51..=60).contains(&covered), "{covered} of 60");
}
