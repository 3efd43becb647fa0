//! Memory of picture size, kept from one picture to the next: live pictures are measured one after the other, all of one size,
//! and getting memory anew from the system for each costs as much as separating its lights.

use std::cell::RefCell;

thread_local! {
    static SPARE: RefCell<Vec<Vec<f32>>> = const { RefCell::new(Vec::new()) };
}

/// Pieces kept for each thread: the planes, blocks, votes and smoothed blocks of two views, and some rows of both.
const MOST_SPARE: usize = 10;

/// Memory for `n` values; what it holds is to be overwritten.
pub(crate) fn take(n: usize) -> Vec<f32> {
    let spare = SPARE.with_borrow_mut(|spare| spare.iter().position(|v| v.len() == n).map(|i| spare.swap_remove(i)));
    spare.unwrap_or_else(|| vec![0.0; n])
}

/// Keeps memory that is done with for the next picture.
pub(crate) fn give_back(memory: Vec<f32>) {
    // While a thread ends there is nothing to keep it for.
    let _ = SPARE.try_with(|spare| {
        let mut spare = spare.borrow_mut();
        if spare.len() >= MOST_SPARE {
            spare.remove(0);
        }
        spare.push(memory);
    });
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn memory_of_the_same_size_is_used_again() {
        let first = take(1001);
        let at = first.as_ptr();
        give_back(first);
        assert_eq!(take(1000).len(), 1000);
        let again = take(1001);
        assert_eq!(again.as_ptr(), at);
    }

    #[test]
    fn only_so_much_is_kept() {
        (0..3 * MOST_SPARE).for_each(|i| give_back(vec![0.0; 10 + i]));
        assert_eq!(SPARE.with_borrow(Vec::len), MOST_SPARE);
    }
}
