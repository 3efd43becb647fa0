//! The program landfit.

fn main() {}
