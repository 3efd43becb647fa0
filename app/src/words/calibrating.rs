//! Calibrations guided live, and the check of the day.

use crate::state::calibrating::TargetChoice;

pub const CALIBRATIONS: &str = "Calibrations";
pub const CALIBRATE_LIGHTS: &str = "Lights and camera";
pub const CALIBRATE_SCALE: &str = "Scale, lens, part view against board view";
pub const CALIBRATE_RUN: &str = "What a screw does";
pub const CHECK_OF_DAY: &str = "Check of the day";
pub const BEGIN: &str = "Begin";
pub const TAKE_PICTURE: &str = "Take this picture";
pub const PASS_OVER: &str = "Do without it";
pub const TAKE_BACK: &str = "Take the last one back";
pub const KEEP_IT: &str = "Write it into the bench file";
pub const LEAVE_IT: &str = "Leave without writing";
pub const UNDO: &str = "Bring back the bench as it was before the last calibration";
pub const WRITE_IT: &str = "Write it";
pub const WRITE_BENCH: &str = "Write this bench to a new file";
pub const SET_READING: &str = "reads";
pub const WHICH_CALIBRATION: &str = "Which";
pub const TARGET: &str = "Target";
pub const TARGETS: [&str; 6] = [
    "dots",
    "staggered dots",
    "checkerboard",
    "the part, each view its own side",
    "the part's terminals in every view",
    "the lands in every view",
];
pub const TARGET_PITCH: &str = "its pitch, mm";
pub const RULER_PERCENT: &str = "it may be off by, % (empty: not known)";
pub const ADJUSTER: &str = "Screw";
pub const THIMBLE: &str = "Thimble";
pub const AS_FILED: &str = "turns";
pub const FROM_READING: &str = "from reading";
pub const TO_READING: &str = "to reading";
pub const EXTENT: &str = "Run";
pub const EXTENTS: [&str; 2] = ["short", "full, five times both ways"];
pub const LIES: &str = "It lies";
pub const LIES_AS: [&str; 2] = ["anywhere", "against its stop"];

pub const BENCH_HAS_NO_FILE: &str = "This bench is built in and has no file that could be changed: write it to a new file first.";
pub const ONE_TARGET: &str = "Part view against board view is calibrated by one target that both see: choose one.";
pub const RULER_LIMIT: &str = "Write percent from 0 to 20 for what the target may be off by.";
pub const TARGET_MM: &str = "Write the target's pitch in mm, from 0.01 to 1000.";
pub const WHICH_SCREW: &str = "Choose the screw.";
pub const WHICH_THIMBLE: &str = "Choose what its thimble shows.";
pub const TWO_READINGS: &str = "Write two different readings for the ends of the run.";
pub const TILT_DOES_NOT_SHOW: &str = "A screw that tilts does not show in an offset: it has no run.";
pub const NOTHING_MORE: &str = "Nothing more is asked for.";
pub const NOT_STILL: &str = "Not taken: let the picture come to rest first.";
pub const TAKEN: &str = "Taken.";
pub const TAKEN_BACK: &str = "Taken back.";
pub const DAY_HOLDS: &str = "All that could be checked holds.";
pub const DAY_HOLDS_NOT: &str = "Something no longer holds: see below.";
/// The picture in the part's light, and the one in the board's.
pub const LIGHT_PICTURES: [&str; 2] = ["the picture in the part's light", "the picture in the board's light"];

/// What gives the scale.
#[must_use]
pub const fn ruler_of(choice: TargetChoice) -> &'static str {
    match choice {
        TargetChoice::OwnSides | TargetChoice::OneSide(_) => "the pattern's own pitch",
        TargetChoice::Dots(_) | TargetChoice::Staggered(_) | TargetChoice::Checkerboard(_) => "a target of unnamed origin",
    }
}

/// A picture that could not be used.
#[must_use]
pub fn not_taken(why: &str) -> String {
    format!("Not taken: {why}.")
}

/// Pictures of two formats.
#[must_use]
pub fn another_format(this: &str, first: &str) -> String {
    format!("this is an {this} picture, the first was an {first} one: take all of them in the format that you work in")
}

/// What a laying down of the target showed.
#[must_use]
pub fn laid_down(marks: &[usize], covered_share: f64) -> String {
    let marks: Vec<String> = marks.iter().map(ToString::to_string).collect();
    format!("Taken: {} marks, view by view; {:.0} % of the field is covered so far.", marks.join(" and "), 100.0 * covered_share)
}

/// A stop of a run.
#[must_use]
pub fn noted(stop: usize, of: usize, reading: &str) -> String {
    format!("Stop {stop} of {of} taken at {reading}.")
}

/// Which stop of a run is next.
#[must_use]
pub fn stop_of(stop: usize, of: usize) -> String {
    format!("stop {stop} of {of}")
}

/// What one may do besides.
#[must_use]
pub fn optional(wanted: &str) -> String {
    format!("{wanted} (The result stands without it.)")
}

/// The title of a run.
#[must_use]
pub fn calibrate_screw(name: &str) -> String {
    format!("{CALIBRATE_RUN}: {name}")
}

/// What a live picture is called in the bench's history.
#[must_use]
pub fn live_picture(number: usize, exposure: usize) -> String {
    format!("live picture {number}, exposure {}", exposure + 1)
}

/// A calibration was written.
#[must_use]
pub fn kept_in(file: &str) -> String {
    format!("Written into {file}; the former bench is in its history.")
}
