//! Under which turns, mirrors and shifts a pattern looks the same.
