//! The Part page.

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

pub const THIS_PICTURE: &str = "this";
pub const SEEN_OF_THIS: &str = "Seen of this part and board";
pub const NOTHING_SEEN: &str = "Nothing was measured yet.";
pub const NOTHING_ODD: &str = "Every terminal and land in view is as it should be.";
pub const DROP_HINT: &str = "A file may also be dropped on the window; a scanned code chooses the part file of that name.";
