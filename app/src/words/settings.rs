//! The Settings page.

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
/// The file of settings, with what it takes to write it.
#[must_use]
pub fn settings_not_kept(file: &str) -> String {
    format!("the settings cannot be kept in {file}; check the folder and its rights")
}

/// The file of settings, as it cannot be read.
#[must_use]
pub fn settings_not_read(file: &str) -> String {
    format!("{file} cannot be read; check its rights")
}

/// The file of settings, as it was read.
#[must_use]
pub fn settings_damaged(file: &str) -> String {
    format!("{file} is damaged; mend or remove it to begin with the defaults")
}

pub const RESULTS: &str = "Folder for results";
pub const PARTS: &str = "Folder of part files, for scanned codes";
