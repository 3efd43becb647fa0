//! The rehearsal: hands on simulated screws.

pub const NO_REHEARSAL_BENCH: &str = "there is no rehearsal bench here";
pub const REHEARSAL: &str = "Rehearsal: your hands on the screws. The small words are keys; with Shift ten at a time";
/// The keys that turn the first three screws, anticlockwise and clockwise, as they are printed on key tops.
pub const SCREW_KEYS: [[&str; 2]; 3] = [["Home", "End"], ["Ins", "Del"], ["Pg Up", "Pg Dn"]];
pub const OPTICS_OUT: &str = "Swing optics out";
pub const OPTICS_IN: &str = "Swing optics in";
pub const PUT_DOWN_ANOTHER: &str = "Put another part down";
