//! Where no answer is possible the answer still says which way and about how far, or why that cannot be told.

#![allow(clippy::unwrap_used, clippy::panic, clippy::print_stdout, reason = "a test fails by panicking, and tells its figures")]

use landfit_part::{Part, PointMm, Pose, Side};
use landfit_rehearsal::picture;
use landfit_rehearsal::scenario::Setting;
use landfit_rehearsal::screw::Mismatch;
use landfit_rehearsal::simulated::SimulatedBench;
use landfit_rehearsal::way_trial::{Told, trial};
use landfit_vision::Optics;
use landfit_vision::answer::{Outcome, ReasonCode, Refusal};
use landfit_vision::view::Sight;

/// The refusal of a bench whose part and board stand as told.
fn refused(part_at: Pose, board_at: Pose) -> (Refusal, Part, Optics) {
    let setting = Setting::named("rotation-under-board").unwrap();
    let (part, bench) = (setting.part().unwrap(), setting.bench().unwrap());
    let simulated = SimulatedBench::new(bench, part_at, board_at, &Mismatch::NONE, 1);
    let pictures = picture::exposures(&picture::render(&simulated, &part, 1).unwrap());
    let alignment = landfit_vision::align(&pictures, &part, &simulated.bench.optics).unwrap();
    let Outcome::Refused(refusal) = alignment.outcome else { panic!("an answer with the part at {part_at:?}") };
    (refusal, part, simulated.bench.optics)
}

/// The middle of the view of a side, bench frame.
fn middle(side: Side, optics: &Optics) -> PointMm {
    let view = optics.views.iter().find(|v| v.shows == side).unwrap();
    let [w, h] = optics.frame.size_px.map(f64::from);
    Sight::new(view, optics.lens).unwrap().mm(landfit_vision::PointPx::new((w - 1.0) / 2.0, (h - 1.0) / 2.0))
}

#[test]
fn of_a_side_that_shows_a_corner_only_the_way_to_the_middle_is_told() {
    for (at, side) in [((7.1, 5.5), Side::Part), ((-7.2, -5.6), Side::Part), ((7.9, -3.9), Side::Board)] {
        let lies = Pose::new(at.0, at.1, 0.01);
        let (part_at, board_at) = if side == Side::Part { (lies, Pose::IDENTITY) } else { (Pose::IDENTITY, lies) };
        let (refusal, _, optics) = refused(part_at, board_at);
        let way = refusal.way.unwrap();
        let wanted = middle(side, &optics) - lies.shift();
        assert_eq!(way.side, side);
        // "About": to two pitches.
        assert!(way.by_mm.distance(wanted) < 1.0, "{at:?} {side:?}: {way:?}, wanted {wanted:?}");
    }
}

#[test]
fn of_a_side_of_which_nothing_shows_no_way_is_made_up_but_how_far_off_it_is_at_least() {
    let far = Pose::new(0.0, 14.0, 0.0);
    let (refusal, ..) = refused(far, Pose::IDENTITY);
    assert!(refusal.code == ReasonCode::NoPart && refusal.way.is_none());
    assert!(refusal.text.contains("cannot be told") && refusal.text.contains("mm off the middle"), "{}", refusal.text);
    let (refusal, ..) = refused(Pose::IDENTITY, far);
    assert!(refusal.code == ReasonCode::NoLands && refusal.way.is_none() && refusal.text.contains("cannot be told"), "{}", refusal.text);
}

/// What is told of a side that is moved about by up to `reach_mm` on the bench of a folder of the demo pictures.
fn told_of(folder: &str, side: Side, reach_mm: [f64; 2], (seed, count): (u64, u64)) -> Told {
    let from = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("../../demo-images").join(folder);
    let part = landfit_part::file::read(&from.join("part.toml")).unwrap();
    let bench = landfit_calibration::bench_file::read(&from.join("bench.toml")).unwrap();
    trial((&part, &bench), side, reach_mm, (seed, count)).unwrap()
}

#[test]
fn two_exposures_and_corner_regions_tell_the_way_of_what_shows() {
    let mut all = Told::default();
    for (folder, reach_mm, count) in [("two-exposures", [9.0, 7.0], 30), ("corner-regions", [9.0, 9.0], 20)] {
        for side in [Side::Part, Side::Board] {
            let told = told_of(folder, side, reach_mm, (1, count));
            println!("{folder} {side:?}: {told:?}");
            assert_eq!(told.right, told.with_way, "{folder}, {side:?}: a way told wrongly");
            (all.shows, all.right) = (all.shows + told.shows, all.right + told.right);
        }
    }
    assert!(all.shows >= 35 && all.right * 10 >= all.shows * 9, "{all:?}");
}

/// In one light the two sides' rows lie in each other: one that lies farther off than is measured is told from what stands clear of the other.
#[test]
fn in_one_light_the_way_of_what_shows_is_told() {
    let told = [Side::Part, Side::Board].map(|side| told_of("one-light", side, [9.0, 7.0], (1, 12)));
    println!("one-light: {told:?}");
    let of = |get: fn(&Told) -> usize| told.iter().map(get).sum::<usize>();
    assert!(of(|t| t.right) == of(|t| t.with_way) && of(|t| t.right) * 5 >= of(|t| t.shows) * 4, "{told:?}");
}
