//! Every word of the window, in one place: a translation is this file in another language.
//!
//! Words of the trade and of the contract; no verdict that a machine could be taken to obey. Help tells of the job and its reasons.

use crate::align_text::verdict;
use crate::sentences;
use crate::state::calibrating::TargetChoice;
use crate::state::job::JobState;
use crate::state::shown::PictureState;
use crate::state::units::Lengths;
use landfit_calibration::judgement::Decision;
use landfit_camera::Wanted;
use landfit_part::{Pose, Side};

/// The window's title.
pub const TITLE: &str = "landfit";
/// The pages, in the order of the work, then what is beside it.
pub const PAGES: [&str; 6] = ["Part", "Align", "After", "Bench", "Settings", "Help"];

/// The state of the picture.
#[must_use]
pub const fn picture_state(state: PictureState) -> &'static str {
    match state {
        PictureState::Looking => "looking",
        PictureState::CannotTell => "cannot tell",
        PictureState::Still => "still",
        PictureState::Old => "old picture",
    }
}

/// The state of the job.
#[must_use]
pub const fn job_state(state: JobState) -> &'static str {
    match state {
        JobState::Looking => "looking",
        JobState::Coarse => "coarse",
        JobState::Turn => "turn",
        JobState::Nearly => "nearly",
        JobState::GoodToPlace => "good to place",
        JobState::Moved => "moved, look again",
        JobState::Placed => "placed",
    }
}

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
pub const NOT_ACCEPTABLE_MOVING: &str = "not at rest yet";

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

pub const REHEARSAL: &str = "Rehearsal: your hands on the screws. The small words are keys; with Shift ten at a time";
/// The keys that turn the first three screws, anticlockwise and clockwise, as they are printed on key tops.
pub const SCREW_KEYS: [[&str; 2]; 3] = [["Home", "End"], ["Ins", "Del"], ["Pg Up", "Pg Dn"]];
pub const OPTICS_OUT: &str = "Swing optics out";
pub const OPTICS_IN: &str = "Swing optics in";
pub const PUT_DOWN_ANOTHER: &str = "Put another part down";
pub const PICTURE: &str = "Picture with what was found";
pub const ENLARGE: &str = "Enlarge";
pub const REDUCE: &str = "Reduce";
pub const WHOLE: &str = "Whole picture";
pub const MARKS: &str = "Marks";
pub const LANDING: &str = "Landing plot";

pub const AWAY: &str = "away from you";

/// What the ring of the landing plot is.
#[must_use]
pub fn ring(worst: &str) -> String {
    format!("ring: {worst}")
}

/// What its circle is.
#[must_use]
pub fn circle(allowed: &str) -> String {
    format!("circle: {allowed}")
}

/// The legend of the miss lines.
#[must_use]
pub fn miss_lines(magnification: u32) -> String {
    format!("miss lines x{magnification}")
}

pub const PART_FILE: &str = "Part file";
pub const BENCH_FILE: &str = "Bench file";
pub const TAKE_IT: &str = "Take it";
pub const MAKE_GRID: &str = "Make a ball grid";
pub const MY_PART: &str = "My part";
pub const MY_PART_FILE: &str = "my-part.toml";
pub const GRID_NAME: &str = "name";
pub const GRID_ROWS: &str = "rows";
pub const GRID_COLUMNS: &str = "columns";
pub const GRID_PITCH: &str = "pitch, mm";
pub const GRID_BALL: &str = "ball, mm (empty: the usual one)";
pub const GRID_FILE: &str = "file to write";

/// What was typed is no number.
#[must_use]
pub fn write_a_number(what: &str) -> String {
    format!("{what}: write a number, as in 0.8")
}

/// What was typed is no whole number.
#[must_use]
pub fn write_a_whole_number(what: &str) -> String {
    format!("{what}: write a whole number, as in 10")
}

/// "132 balls, body 11.6 x 11.6 mm".
#[must_use]
pub fn part_size(count: usize, thing: &str, [w, h]: [f64; 2]) -> String {
    format!("{count} {thing}s, body {w} x {h} mm")
}

/// "pitch 0.800 mm".
#[must_use]
pub fn pitch(mm: f64) -> String {
    format!("pitch {mm:.3} mm")
}

/// "largest allowed miss 90 µm, from the part file".
#[must_use]
pub fn allowance(miss: &str, source: &str) -> String {
    format!("largest allowed miss {miss}, {source}")
}

/// Sizes as measured over those of the part file: the middle one, the least, the most.
#[must_use]
pub fn sizes(thing: &str, ratios: [f64; 3]) -> String {
    let [middle, least, most] = ratios.map(|r| format!("{:.0} %", 100.0 * r));
    format!("Sizes of {thing}s: {middle} of the part file's in the middle, from {least} to {most}.")
}

/// "pictures of 1280 x 960 px".
#[must_use]
pub fn picture_size([w, h]: [u32; 2]) -> String {
    format!("pictures of {w} x {h} px")
}

/// "view 1: part view, exposure 1".
#[must_use]
pub fn view(number: usize, shows: Side, exposure: usize) -> String {
    format!("view {number}: {} view, exposure {exposure}", shows.word())
}

pub const THIS_PICTURE: &str = "this";
pub const SEEN_OF_THIS: &str = "Seen of this part and board";
pub const NOTHING_SEEN: &str = "Nothing was measured yet.";
pub const NOTHING_ODD: &str = "Every terminal and land in view is as it should be.";
pub const DROP_HINT: &str = "A file may also be dropped on the window; a scanned code chooses the part file of that name.";
pub const SOURCE: &str = "Pictures from";
pub const CALIBRATED: &str = "The bench file says that it is calibrated.";
pub const CALIBRATION_UNSAID: &str = "The bench file says nothing of its calibration.";

/// When a bench was calibrated.
#[must_use]
pub fn calibrated_on(date: &str) -> String {
    format!("Calibrated on {date}.")
}

pub const READINGS: &str = "What each thimble reads now";

/// "reading of X".
#[must_use]
pub fn reading_of(adjuster: &str) -> String {
    format!("reading of {adjuster}")
}

pub const READ_AGAIN: &str = "Measure";
pub const AFTER_PICTURES: &str = "Stored pictures, in the order of exposure";
pub const AFTER_LIVE: &str = "Measure the live picture again";
pub const AFTER_INTRO: &str =
    "Once the part is down, its pictures can be measured again: with the same part and bench file, to the same rules.";
pub const KEPT: &str = "Kept in this sitting";
pub const NOTHING_KEPT: &str = "Nothing yet.";

/// Help: the job and its reasons.
pub const HELP: [(&str, &str); 8] = [
    (
        "Why measure",
        "By eye the far corners of a part are the hardest, and nobody can say how good \"good\" was. A grid can also sit a whole pitch over, or turned round, and look right. The program measures every terminal against its land and says how sure it is.",
    ),
    (
        "The order of the turns",
        "Rotation goes first, because turning the part about the nozzle also shifts it. Then the two screws, each in its own direction as it was calibrated. After each turn, let things come to rest: the next number is worked out from where everything really stands.",
    ),
    (
        "Play",
        "A screw that reverses turns a little before anything moves. Where the last sense is known, the play to take up is told; where it is not, end each turn in the sense that is told, and come up to the mark again if you went past it.",
    ),
    (
        "Within, outside, undecided",
        "The uncertainty counts against you: \"within\" means that even the far end of the interval lies inside the allowance. \"Undecided\" means that the interval reaches across it: a steadier picture may settle it.",
    ),
    (
        "What stands in the way",
        "A missing or bridged ball does not move when you turn. It is named and enlarged so that you decide before the part is down, when it can still be lifted.",
    ),
    (
        "A1",
        "A full square grid looks the same turned by a quarter. Where no mark and no missing ball tells, only your eyes can: you are asked where you saw it.",
    ),
    (
        "Accepting",
        "The program measures and records; you decide. What is not within and clear can be accepted only with a reason, and the reason is kept. After accepting, the picture is watched until the optics leave: should the part move, you are told.",
    ),
    (
        "What is kept",
        "Picture, answer, part and bench file go into one folder, with a hash of each, so that it can be measured again by anyone.",
    ),
];

pub const GROUND: &str = "Ground";
pub const GROUNDS: [&str; 2] = ["dark", "light"];
pub const TEXT_SIZE: &str = "Text";
pub const LENGTHS: &str = "Lengths";
pub const MOVES_AS: &str = "Moves as";
pub const MOVES: [&str; 2] = ["divisions", "readings"];
pub const SOUND: &str = "Sound: two notes that draw together as the part comes to its place";
pub const PEDAL: &str = "Key that goes on (a pedal)";
pub const ACCEPT_KEY: &str = "Key to hold for accepting";
pub const PRESS_KEY: &str = "press a key …";
pub const RESULTS: &str = "Folder for results";
pub const PARTS: &str = "Folder of part files, for scanned codes";

pub const REHEARSAL_BENCH: &str = "rehearsal bench";
pub const CAMERA: &str = "camera";
pub const LOOK_FOR_CAMERAS: &str = "Look for cameras";
pub const NO_CAMERAS: &str = "No camera is connected.";
pub const FOLDER: &str = "Folder";
pub const WATCH_IT: &str = "Watch it";
pub const SHOW_ITS_PICTURES: &str = "Show its pictures";

pub const CAMERA_FORMAT: &str = "Pictures as";

/// "YUYV 1280 x 960".
#[must_use]
pub fn camera_format(pixels: &str, [w, h]: [usize; 2]) -> String {
    format!("{pixels} {w} x {h}")
}

/// What a camera does not change by itself any more.
#[must_use]
pub fn held(held: &[&str]) -> String {
    format!("Switched off, so that two pictures can be compared: {}.", held.join(", "))
}

/// The lights, as the person is asked for them.
pub const LIGHTS_ON: [&str; 2] = ["the light on the part", "the light on the board"];

/// The light by which a side is seen.
#[must_use]
pub const fn light_on(side: Side) -> &'static str {
    match side {
        Side::Part => LIGHTS_ON[0],
        Side::Board => LIGHTS_ON[1],
    }
}

/// What the person is to do for the next look; `asked`: it was asked for and waits for rest.
#[must_use]
pub fn light_wanted(wanted: &Wanted, asked: bool) -> Option<String> {
    match wanted {
        Wanted::Nothing => asked.then(|| "Let it rest: the next look is taken then.".to_owned()),
        Wanted::Soon => Some("The next look follows at once: lights change no oftener than once a second.".to_owned()),
        Wanted::Light { name, .. } => Some(format!("Switch on {name}, and every other one off.")),
        Wanted::Settling => Some("The light settles.".to_owned()),
    }
}

pub const LIGHT_COMMANDS_WHEN: &str = "For a bench that lights part and board in turn; in force when its camera is taken anew.";
pub const LIGHT_COMMANDS: [&str; 2] =
    ["Program that switches on the first light of a look (empty: you are asked to)", "Program that switches on its second light"];

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
