//! The bench: its file, its adjusters, and what to turn by how much. No windows, no picture files opened, nothing printed.
//!
//! * [`mod@bench`] is the bench as its file describes it.
//! * [`bench_file`] reads and writes that file.
//! * [`judgement`] says whether an offset is good enough, guarded by its uncertainty.
//! * [`moves`] says how far to turn which adjuster.
//! * [`budget`] adds up what makes an offset uncertain.
//! * [`record`] and [`history`] are what calibrations leave in the bench file besides its values.
//! * [`scale`] fits views and lens to pictures of targets, and registers views that saw one target.
//! * [`lights`] learns of lights and camera, by [`tints`] and [`camera_check`]; [`day_check`] looks at whether a calibration still holds.
//! * [`target`] finds calibration targets in pictures, and draws them for printing.
//! * [`screws`] fits what an adjuster does to a run of readings.
//! * [`guide`] leads through each of these steps: what is wanted next, what was found, what came of it.

pub mod bench;
pub mod bench_file;
pub mod budget;
pub mod camera_check;
pub mod date;
pub mod day_check;
pub mod guide;
pub mod history;
pub mod judgement;
pub mod lights;
pub mod moves;
pub mod record;
pub mod scale;
pub mod screws;
pub mod target;
pub mod tints;
