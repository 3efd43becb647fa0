//! The marked picture: its legend, its plot, its columns of sentences.

pub const LAND_AS_MEASURED: &str = "land as measured";
pub const LOUD: &str = "bolder: its miss nears the allowance";
pub const MARK_ABSENT: &str = "absent";
/// Short, for a label in the picture.
pub const SITE_HIDDEN: &str = "hidden";
pub const MARK_HIDDEN: &str = "hidden: cannot be judged";
pub const MARK_BRIDGE: &str = "bridge";
pub const MARK_SIZE: &str = "small or large; dashed: as designed";
pub const MARK_DISPLACED: &str = "displaced; dashed: its place in the lattice";
pub const MARK_ODD: &str = "odd: unlike its neighbours";

/// What a terminal's outline is.
#[must_use]
pub fn as_measured(thing: &str) -> String {
    format!("{thing} as measured")
}

/// What the miss lines are.
#[must_use]
pub fn miss_lines_between(magnification: u32, thing: &str) -> String {
    format!("miss lines x{magnification}, from land to {thing}, each as measured")
}

/// "balls E6 and E7 bridge", with at most four named.
#[must_use]
pub fn bridge(thing: &str, first: &str, others: &[&str]) -> String {
    match others {
        // Its partner is in another view, or could not be judged.
        [] => format!("{thing} {first} bridges"),
        [few @ .., last] if few.len() < 3 => {
            let named: Vec<&str> = std::iter::once(first).chain(few.iter().copied()).collect();
            format!("{thing}s {} and {last} bridge", named.join(", "))
        }
        many => format!("{thing}s {first} and {} more bridge", many.len()),
    }
}

/// Beside the corner of the first terminal, where the pattern looks the same turned.
#[must_use]
pub fn look_at(first: &str) -> String {
    format!("look at {first}")
}

/// What a picture shows: the part, the board.
#[must_use]
pub const fn views_of(part: bool, board: bool) -> &'static str {
    match (part, board) {
        (true, true) => "part view and board view",
        (true, false) => "part view",
        (false, true) => "board view",
        (false, false) => "no view of the bench file",
    }
}

/// "Picture 1 of 2: part view", counted from one.
#[must_use]
pub fn picture_of(number: usize, of: usize, views: &str) -> String {
    if of > 1 { format!("Picture {number} of {of}: {views}") } else { format!("The picture: {views}") }
}

/// The plot's circle.
#[must_use]
pub fn circle_allowed(allowed: &str) -> String {
    format!("circle: allowed {allowed}")
}

/// The plot's ring.
#[must_use]
pub fn ring_worst(site: &str) -> String {
    format!("ring: worst, {site}")
}

/// The plot's dashed ring: after the moves.
#[must_use]
pub fn dashed_then(left: &str) -> String {
    format!("dashed: then, {left}")
}

/// The first of the moves; the window, which tells one at a time, has a word of its own.
pub const MOVE_FIRST: &str = "first";

/// The site that is farthest off.
#[must_use]
pub fn worst_site(site_and_miss: &str) -> String {
    format!("worst: {site_and_miss}")
}

/// What the digits of a bare knob count.
pub const OF_A_TURN: &str = "of a turn";

/// "turns + divisions".
#[must_use]
pub fn both(turns: &str, divisions: &str) -> String {
    format!("{turns} + {divisions}")
}

pub const SEEN: &str = "Seen";
pub const TO_DO: &str = "To do";
pub const TO_DO_IN_ORDER: &str = "To do, in this order";

/// Where the allowance comes from.
#[must_use]
pub fn allowance_is(source: &str) -> String {
    format!("The allowance is {source}.")
}

/// Where the part sits.
#[must_use]
pub fn part_sits(offset: &str) -> String {
    format!("The part sits {offset}")
}

/// The bench's own learned bias.
#[must_use]
pub fn aim(offset: &str) -> String {
    format!("Aim: {offset} (from the bench file)")
}

/// No answer, with the reason's word.
#[must_use]
pub fn no_answer(code: &str) -> String {
    format!("No answer ({code})")
}

/// What is to be known besides.
#[must_use]
pub fn note(text: &str) -> String {
    format!("Note: {text}")
}
