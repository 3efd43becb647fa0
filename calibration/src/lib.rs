//! The bench: its file, its adjusters, and what to turn by how much. No windows, no pictures opened, nothing printed.

pub mod bench;
pub mod bench_file;
