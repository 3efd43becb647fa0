//! The After page.

pub const READ_AGAIN: &str = "Measure";
pub const AFTER_PICTURES: &str = "Stored pictures, in the order of exposure";
pub const AFTER_LIVE: &str = "Measure the live picture again";
pub const AFTER_INTRO: &str =
    "Once the part is down, its pictures can be measured again: with the same part and bench file, to the same rules.";
pub const KEPT: &str = "Kept in this sitting";
pub const NOTHING_KEPT: &str = "Nothing yet.";
