//! Parts of so few terminals that one of them, taken for another thing, is not told by the others.

#![allow(clippy::expect_used, clippy::panic, reason = "a test fails by panicking")]

use landfit_rehearsal::kind;
use landfit_vision::align::align;
use landfit_vision::answer::Outcome;

#[test]
fn three_terminals_of_which_one_lies_elsewhere_are_refused() {
    // One foot is taken half a length up its shank: the answer was 36 µm off with 6 stated.
    let kind = kind::named("three-terminals").expect("a kind");
    let look = kind::draw(kind, 13_706_294_762_860_173_335).expect("a scene").look;
    match align(&look.pictures, &look.part, &look.optics).expect("a measurable bench").outcome {
        Outcome::Refused(refusal) => assert!(refusal.text.contains("nothing tells which of them is off"), "{}", refusal.text),
        outcome => panic!("the picture does not settle it: {outcome:?}"),
    }
}
