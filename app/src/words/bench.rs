//! The Bench page: where pictures come from, lights, readings.

use landfit_camera::Wanted;
use landfit_part::Side;

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

/// What was typed as a reading and is none.
#[must_use]
pub fn no_reading(adjuster: &str, typed: &str) -> String {
    format!("\"{typed}\" is no reading of {adjuster}, which counts as unknown now: write a number, as in 3.27.")
}

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

/// Of a bench that lights part and board in turn, before the first look.
pub const GO_ON_TAKES_A_LOOK: &str = "Go on, and a picture is taken in each light";

/// What the person is to do for the next look; `asked`: it was asked for and waits for rest.
#[must_use]
pub fn light_wanted(wanted: &Wanted, asked: bool) -> Option<String> {
    match wanted {
        Wanted::Nothing => asked.then(|| "Let it rest: the next look is taken then.".to_owned()),
        Wanted::Soon => Some("The next look follows at once: lights change no oftener than once a second.".to_owned()),
        Wanted::Light { name, .. } => Some(format!("Switch on {name}, and every other one off.")),
        Wanted::Switching { name } => Some(format!("Your program switches on {name}.")),
        Wanted::Settling => Some("The light settles.".to_owned()),
    }
}

pub const LIGHT_COMMANDS_WHEN: &str = "For a bench that lights part and board in turn; in force when its camera is taken anew.";
pub const LIGHT_COMMANDS: [&str; 2] =
    ["Program that switches on the first light of a look (empty: you are asked to)", "Program that switches on its second light"];
