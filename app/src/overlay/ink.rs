//! The colours: those of Okabe and Ito (2008) on a dark ground, none of them the only carrier of a meaning.

use super::canvas::Ink;

/// The sheet itself.
pub const GROUND_RGB: [u8; 3] = [0x14, 0x16, 0x19];
/// Behind labels and under bright lines.
pub const SHADE: Ink = Ink::new([0x0A, 0x0B, 0x0D]);
/// Text that is to be read first.
pub const PAPER: Ink = Ink::new([0xF2, 0xEF, 0xE6]);
/// All other text; 7.0 : 1 against the ground by the WCAG 2.2 formula.
pub const QUIET: Ink = Ink::new([0xA6, 0xA5, 0x9E]);
/// Lines that only order the sheet.
pub const FAINT: Ink = Ink::new([0x50, 0x54, 0x59]);
/// Terminals: sky blue outlines.
pub const TERMINAL: Ink = Ink::new([0x56, 0xB4, 0xE9]);
/// Lands: orange crosses.
pub const LAND: Ink = Ink::new([0xE6, 0x9F, 0x00]);
/// Misses, and the turn that takes them away: yellow.
pub const MISS: Ink = Ink::new([0xF0, 0xE4, 0x42]);
/// What stands in the way: reddish purple, always with a shape and a word.
pub const IN_THE_WAY: Ink = Ink::new([0xCC, 0x79, 0xA7]);
