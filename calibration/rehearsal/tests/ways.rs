//! Where no answer is possible the answer still says which way and about how far, or why that cannot be told.

#![allow(clippy::unwrap_used, clippy::panic, reason = "a test fails by panicking")]

use landfit_part::{Part, PointMm, Pose, Side};
use landfit_rehearsal::picture;
use landfit_rehearsal::scenario::Setting;
use landfit_rehearsal::screw::Mismatch;
use landfit_rehearsal::simulated::SimulatedBench;
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
