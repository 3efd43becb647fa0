//! The picture and the landing plot beside it.

pub const PICTURE: &str = "Picture with what was found";
pub const ENLARGE: &str = "Enlarge";
pub const REDUCE: &str = "Reduce";
pub const WHOLE: &str = "Whole picture";
pub const MARKS: &str = "Marks";
pub const LANDING: &str = "Landing plot";

/// A corner picture of a large part, by the site that is farthest off in it.
#[must_use]
pub fn corner_picture(label: &str) -> String {
    format!("Corner picture: {label}")
}

pub const AWAY: &str = "away from you";
pub const RIGHT: &str = "right";

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
