//! The part: what a component's terminals and its lands on the board are by design. No pixels here.
//!
//! Frame of everything in this crate: the part frame, millimetres, x right, y away from the operator, angles
//! counter-clockwise, all as seen from above the board. Angles are radians here and degrees in files and texts.
//!
//! * [`Part`] is the model every stage speaks: a flat list of [`Site`]s and [`Mark`]s.
//! * [`mod@file`] reads and writes the part file (TOML) and says what is wrong with one, by line.
//! * [`grid`] names the sites of ball grids and says where they lie.
//! * [`strict_toml`] and [`text_file`] are what reading and writing such files strictly takes; the bench file uses them, too.
//! * [`defaults`] holds the published ball and land sizes by pitch.
//! * [`generate`] makes a part from its drawing values; [`check`] says what in one can hardly be meant.
//! * [`symmetry`] tells under which turns, mirrors and shifts a pattern looks the same.

mod geometry;
mod model;

pub use geometry::{Motion, PointMm, Pose, wrap_angle_rad};
pub use model::{Allowance, AllowanceSource, Mark, Part, Piece, Shape, Side, Site};

pub mod check;
pub mod defaults;
pub mod file;
pub mod generate;
pub mod grid;
pub mod strict_toml;
pub mod symmetry;
pub mod text_file;

pub use text_file::{Existing, FileError};
