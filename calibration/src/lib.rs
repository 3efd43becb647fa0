//! The bench: its file, its adjusters, and what to turn by how much. No windows, no pictures opened, nothing printed.
//!
//! * [`mod@bench`] is the bench as its file describes it.
//! * [`bench_file`] reads and writes that file.
//! * [`judgement`] says whether an offset is good enough, guarded by its uncertainty.
//! * [`moves`] says how far to turn which adjuster.
//! * [`scale`] fits views and lens to pictures of targets.

pub mod bench;
pub mod bench_file;
pub mod judgement;
pub mod moves;
pub mod scale;
