//! Files that are read and written, and what the program carries itself.

/// A file that goes with the program.
#[must_use]
pub fn built_in(name: &str) -> String {
    format!("{name} (built in)")
}

/// A result that could not be written.
#[must_use]
pub fn result_not_kept(folder: &str) -> String {
    format!("the result cannot be kept in {folder}; check the folder, its rights and the room on the disk")
}

pub const PICTURE_NOT_STORED: &str = "the picture cannot be stored as PNG";

/// No memory, or a side of zero.
#[must_use]
pub fn not_drawn(width_px: u32, height_px: u32) -> String {
    format!("a picture of {width_px} x {height_px} px cannot be drawn")
}

/// A file that is not written over.
#[must_use]
pub fn another_name(error: &str) -> String {
    format!("{error}; give it another name")
}

/// A folder where a file's name is wanted.
#[must_use]
pub fn is_a_folder(path: &str) -> String {
    format!("{path} is a folder; name a file for the marked picture")
}

/// The typefaces that the program carries, should one be broken.
pub const TYPEFACES: [&str; 2] = ["the typeface Ubuntu Light", "the typeface Hack"];

/// What should never be shown: a fit before there is a plan.
pub const NO_PLAN: &str = "no plan";
