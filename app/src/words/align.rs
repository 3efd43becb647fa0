//! The Align page: what to turn, what was found, accepting.

use super::answer::verdict;
use super::sentences;
use crate::state::units::Lengths;
use landfit_calibration::judgement::Decision;
use landfit_part::{Pose, Side};

pub const NO_LOOK_YET: &str = "Waiting for the first picture";
pub const CANNOT_TELL: &str = "The picture does not settle it";
pub const PLACED: &str = "Placed";
pub const MOVED: &str = "Moved: look again";
pub const ACCEPTED: &str = "Accepted";
pub const GOOD_TO_PLACE: &str = "Good to place";
pub const TURN_NEXT: &str = "Turn";
pub const NOTHING_TO_TURN: &str = "Nothing left to turn";
pub const IN_THE_WAY: &str = "Something stands in the way";
pub const LET_IT_REST: &str = "Let it rest";
pub const EXPECTED_NOT_KNOWN: &str = "Expected on the board: not yet known for this bench.";
pub const TURN_BACK: &str = "If this came with the last turn, turn that back.";

pub const NO_TURN_MENDS: &str = "No turn of a screw mends this.";

/// By which screws what is wanting comes into view.
#[must_use]
pub fn by_screws(turns: &str) -> String {
    format!("By the screws that is roughly: {turns}.")
}

/// What is wanting is moved by hand only.
#[must_use]
pub fn no_screw_moves(side: Side) -> String {
    let mend = match side {
        Side::Part => "pick it up anew, or move its holder by hand",
        Side::Board => "move it by hand",
    };
    format!("No screw of this bench moves the {} that way: {mend}.", side.word())
}

/// Where the part was before the pictures settled nothing any more.
#[must_use]
pub fn last_seen(to_go: &Pose, units: Lengths) -> String {
    format!("When last made out, the part was off: {}.", sentences::offset_text_in(to_go, &|mm| units.text(mm)))
}

/// What the hands had turned by then, the other way round.
#[must_use]
pub fn back_by(turns: &str) -> String {
    format!("What had been turned by then comes back by {turns}.")
}

pub const NOT_ACCEPTABLE_OLD: &str = "the picture is old";
pub const NOT_ACCEPTABLE_NO_ANSWER: &str = "there is no answer";
pub const NOT_ACCEPTABLE_OUTSIDE: &str = "outside the allowance";
pub const NOT_ACCEPTABLE_UNDECIDED: &str = "undecided";
pub const NOT_ACCEPTABLE_IN_THE_WAY: &str = "something stands in the way";
pub const NOT_ACCEPTABLE_MOVING: &str = "not at rest yet: it takes two looks that agree";

pub const ABSENT: &str = "absent";
pub const HIDDEN: &str = "cannot be judged";
pub const STAYS: &str = "stays";
pub const DONE: &str = "done";
pub const FIRST: &str = "now";
pub const THEN: &str = "then";

/// "then X 13 divisions clockwise".
#[must_use]
pub fn then(line: &str) -> String {
    format!("then {line}")
}

/// "Within: the worst is ball A14, 12 µm ± 0.9 µm off; allowed 90 µm."
#[must_use]
pub fn worst(thing: &str, site: &str, miss: &str, u: &str, allowed: &str, decision: Decision) -> String {
    format!("{}: the worst is {thing} {site}, {miss} ± {u} off; allowed {allowed}.", verdict(decision))
}

/// What will be left after the moves.
#[must_use]
pub fn left_after(left: &str) -> String {
    format!("After these turns the worst will be {left} off.")
}

/// "The part sits 120 µm right and 56 µm towards you, turned 0.512° anticlockwise."
#[must_use]
pub fn offset(offset: &Pose, units: Lengths) -> String {
    format!("The part sits {}.", sentences::offset_text_in(offset, &|mm| units.text(mm)))
}

/// What goes ahead where the sense reverses.
#[must_use]
pub fn take_up(count: &str) -> String {
    format!("plus {count} first, to take up its play: it reverses")
}

/// The last sense is not known.
#[must_use]
pub fn play_unknown(count: &str) -> String {
    format!("up to {count} may be lost as play")
}

/// Where the thimble stands at the end.
#[must_use]
pub fn to_reading(reading: &str) -> String {
    format!("to {reading} on the thimble")
}

/// A look that cannot be taken in.
#[must_use]
pub fn picture_does_not_fit(error: &str) -> String {
    format!("These pictures do not go with this bench: {error}.")
}

/// An old picture.
#[must_use]
pub fn old_for(seconds: f64) -> String {
    if seconds.is_finite() && seconds < 1e6 { format!("old picture, {seconds:.0} s") } else { "no picture".to_owned() }
}

/// What was accepted.
#[must_use]
pub fn accepted(thing: &str, site: &str, miss: &str, u: &str, time: &str) -> String {
    format!("Accepted at {time}: the worst, {thing} {site}, was {miss} ± {u} off.")
}

/// What was accepted with a reason.
#[must_use]
pub fn accepted_with(reason: &str) -> String {
    format!("Accepted with a reason: {reason}")
}

/// Without a sound card.
#[must_use]
pub fn no_sound(error: &str) -> String {
    format!("There is no sound here: {error}.")
}

pub const HOLD_TO_ACCEPT: &str = "Hold to accept";
pub const KEEP_HOLDING: &str = "Keep holding";
pub const GO_ON: &str = "Go on";
pub const WITHDRAW: &str = "Withdraw";
pub const NEXT_PART: &str = "Next part";
pub const REASON: &str = "Reason for accepting all the same";
pub const SERIAL: &str = "Serial number";
pub const INITIALS: &str = "Initials";
pub const CANCEL: &str = "Not now";
pub const WHERE_LOOK: &str = "Nothing in the picture tells how the part is turned. Look at the part itself.";
pub const CORNERS: [&str; 4] = ["left, far", "right, far", "left, near", "right, near"];

/// "Where do you see A1?"
#[must_use]
pub fn where_seen(first: &str) -> String {
    format!("Where do you see {first}?")
}

/// "Check A1 with your own eyes: the pattern looks the same turned."
#[must_use]
pub fn check_first(first: &str) -> String {
    format!("Check {first}: the pattern looks the same turned, and no mark settled it.")
}

/// The person saw it elsewhere.
#[must_use]
pub fn turned_round(first: &str, seen: &str, expected: &str) -> String {
    format!(
        "{first} belongs {expected}, you saw it {seen}: the part is turned round. Put it down, pick it up the right way, and look again."
    )
}
