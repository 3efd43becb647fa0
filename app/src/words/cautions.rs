//! Cautions, each at its step; they defer to local rules and trained people.

/// Before the head comes down.
pub const CAUTION_PLACE: &str =
    "Before the head comes down: optics fully out, fingers clear. Your local rules and trained people come first.";
/// While the hands turn.
pub const CAUTION_TURN: &str = "Fingers clear of the holder while you turn; check that the vacuum still holds.";
/// While the light is on.
pub const CAUTION_LIGHT: &str = "Do not look into the ring light or into the optics' exit.";
/// When parts are taken in hand.
pub const CAUTION_ESD: &str = "Wrist strap on, as your ESD rules say, before part or board is touched.";
/// When it is soldered.
pub const CAUTION_HOT: &str = "Soldering comes next: board, part and nozzle stay hot, and flux fumes belong into the extraction.";
