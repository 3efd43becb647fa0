//! Filled by the next commit.
