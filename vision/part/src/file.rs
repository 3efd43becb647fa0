//! Reads and writes the part file (TOML).
