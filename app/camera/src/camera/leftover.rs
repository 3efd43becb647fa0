//! Notices frames that are, in whole or in their end, left over from an earlier one.
//!
//! nokhwa hands out a driver's whole buffer and not how much of it is new: a frame that was cut short ends with the end of an
//! older one, and an empty frame is an older one. No camera makes the same noise twice, so both give themselves away.

use std::collections::VecDeque;

/// How many frames are remembered: drivers go round in 4 to 32 buffers, and what is left in one may be some rounds old.
const REMEMBERED: usize = 128;
/// Bytes at the end of a JPEG that are compared: by chance they are alike once in 2^128.
const JPEG_END: usize = 16;
/// A last row whose values differ by no more than this may be alike by right: dark, or glaring.
const FEATURELESS: u8 = 8;

/// What a frame's bytes have to do with earlier ones.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Leftover {
    /// Nothing.
    None,
    /// Its end is that of an earlier frame.
    End,
    /// It is an earlier frame.
    Whole,
}

/// Remembers the ends of frames.
#[derive(Debug, Default)]
pub struct Leftovers {
    seen: VecDeque<Seen>,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
struct Seen {
    bytes: usize,
    whole: u64,
    end: Option<u64>,
}

impl Leftovers {
    /// Compares a JPEG, cut at its end mark, with earlier ones.
    pub fn of_jpeg(&mut self, jpeg: &[u8]) -> Leftover {
        let end = jpeg.len().checked_sub(JPEG_END).map(|from| mixed(&jpeg[from..]));
        self.compare(Seen { bytes: jpeg.len(), whole: mixed(jpeg), end })
    }

    /// Compares packed pixels with earlier ones; `last_row` bytes make up the last row (the luma of `YUYV` every second one).
    pub fn of_rows(&mut self, frame: &[u8], last_row: usize) -> Leftover {
        let row = &frame[frame.len().saturating_sub(last_row)..];
        let luma = row.iter().step_by(2);
        let plain = luma.clone().max().zip(luma.min()).is_none_or(|(most, least)| most - least <= FEATURELESS);
        let end = (!plain).then(|| mixed(row));
        self.compare(Seen { bytes: frame.len(), whole: mixed(frame), end })
    }

    fn compare(&mut self, now: Seen) -> Leftover {
        let found = if self.seen.iter().any(|s| *s == now) {
            Leftover::Whole
        } else if now.end.is_some() && self.seen.iter().any(|s| (s.bytes, s.end) == (now.bytes, now.end)) {
            Leftover::End
        } else {
            Leftover::None
        };
        if self.seen.len() == REMEMBERED {
            self.seen.pop_front();
        }
        self.seen.push_back(now);
        found
    }
}

/// 64 bits that tell byte strings apart: multiply and rotate, eight bytes at a time (no cryptography; a camera does not cheat).
fn mixed(bytes: &[u8]) -> u64 {
    const ODD: u64 = 0x9e37_79b9_7f4a_7c15;
    let step = |sum: u64, word: u64| (sum ^ word).wrapping_mul(ODD).rotate_left(29);
    let words = bytes.chunks_exact(8);
    let rest = words.remainder().iter().fold(bytes.len() as u64, |sum, b| step(sum, u64::from(*b)));
    words.fold(rest, |sum, w| step(sum, u64::from_le_bytes([w[0], w[1], w[2], w[3], w[4], w[5], w[6], w[7]])))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn frame(seed: u64) -> Vec<u8> {
        (0..640).map(|i| (mixed(&[(seed * 640 + i).to_le_bytes()].concat()) >> 40) as u8).collect()
    }

    #[test]
    fn new_frames_are_new_an_old_one_is_known_and_so_is_an_old_end() {
        let mut leftovers = Leftovers::default();
        for seed in 0..20 {
            assert_eq!(leftovers.of_rows(&frame(seed), 64), Leftover::None);
        }
        assert_eq!(leftovers.of_rows(&frame(16), 64), Leftover::Whole);
        let mut cut = frame(20);
        cut[300..].copy_from_slice(&frame(17)[300..]);
        assert_eq!(leftovers.of_rows(&cut, 64), Leftover::End);
        assert_eq!(leftovers.of_rows(&frame(21), 64), Leftover::None);
    }

    #[test]
    fn rows_without_features_are_alike_by_right() {
        let mut leftovers = Leftovers::default();
        for seed in 0..20 {
            let mut dark_below = frame(seed);
            dark_below[576..].fill(16);
            assert_eq!(leftovers.of_rows(&dark_below, 64), Leftover::None);
        }
    }

    #[test]
    fn memory_is_bounded() {
        let mut leftovers = Leftovers::default();
        for seed in 0..1000 {
            leftovers.of_jpeg(&frame(seed));
        }
        assert_eq!(leftovers.seen.len(), REMEMBERED);
    }
}
