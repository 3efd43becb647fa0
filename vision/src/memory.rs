//! Memory of picture size, kept from one picture to the next: live pictures are measured one after the other, all of one size,
//! and getting memory anew from the system for each costs as much as separating its lights.

use std::cell::RefCell;
use std::ops::Deref;
use std::sync::Arc;

/// Values of light, row by row. Clones share them until one is written to; once none is left, their memory is kept for the next picture.
#[derive(Debug, Clone, PartialEq)]
pub struct Light(Arc<Kept>);

#[derive(Debug, PartialEq)]
struct Kept(Vec<f32>);

impl Light {
    /// The values, to be written to; where clones share them, they are copied first.
    pub fn to_mut(&mut self) -> &mut [f32] {
        &mut Arc::make_mut(&mut self.0).0
    }
}

impl From<Vec<f32>> for Light {
    fn from(values: Vec<f32>) -> Self {
        Self(Arc::new(Kept(values)))
    }
}

impl Deref for Light {
    type Target = [f32];

    #[inline]
    fn deref(&self) -> &[f32] {
        &self.0.0
    }
}

impl Clone for Kept {
    fn clone(&self) -> Self {
        let mut memory = take(self.0.len());
        memory.copy_from_slice(&self.0);
        Self(memory)
    }
}

impl Drop for Kept {
    fn drop(&mut self) {
        give_back(std::mem::take(&mut self.0));
    }
}

thread_local! {
    static SPARE: RefCell<Vec<Vec<f32>>> = const { RefCell::new(Vec::new()) };
}

/// Pieces kept for each thread: the planes and blocks of two views, some rows and copies of both, and the votes of one.
const MOST_SPARE: usize = 10;
/// Smaller pieces, values, are not kept: below 128 KiB the allocator has its own.
const LEAST_KEPT: usize = 1 << 15;

/// Memory for `n` values; what it holds is to be overwritten.
pub(crate) fn take(n: usize) -> Vec<f32> {
    let spare = SPARE.with_borrow_mut(|spare| spare.iter().position(|v| v.len() == n).map(|i| spare.swap_remove(i)));
    spare.unwrap_or_else(|| vec![0.0; n])
}

/// Memory for `n` zeros: the smallest kept piece that holds them, or the largest, which grows. Other sizes come next as a rule, and one
/// piece is enough for all of them.
pub(crate) fn take_zeros(n: usize) -> Vec<f32> {
    let distance = |memory: &Vec<f32>| (memory.capacity() < n, memory.capacity().abs_diff(n));
    let nearest = |spare: &Vec<Vec<f32>>| (0..spare.len()).min_by_key(|&i| distance(&spare[i]));
    let mut memory = SPARE.with_borrow_mut(|spare| nearest(spare).map(|i| spare.swap_remove(i))).unwrap_or_default();
    memory.clear();
    memory.resize(n, 0.0);
    memory
}

/// Keeps memory that is done with for the next picture.
pub(crate) fn give_back(memory: Vec<f32>) {
    if memory.capacity() < LEAST_KEPT {
        return;
    }
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

    const N: usize = LEAST_KEPT;

    #[test]
    fn memory_of_the_same_size_is_used_again() {
        let first = take(N + 1);
        let at = first.as_ptr();
        give_back(first);
        assert_eq!(take(N).len(), N);
        let again = take(N + 1);
        assert_eq!(again.as_ptr(), at);
    }

    #[test]
    fn zeros_of_any_size_use_one_piece_again() {
        give_back(vec![1.0; N + 20]);
        let small = take_zeros(10);
        assert_eq!(small, [0.0; 10]);
        give_back(small);
        let large = take_zeros(3 * N);
        let at = large.as_ptr();
        assert!(large.len() == 3 * N && large.iter().all(|v| *v == 0.0));
        give_back(large);
        assert_eq!(SPARE.with_borrow(Vec::len), 1);
        let again = take_zeros(7);
        assert_eq!(again.as_ptr(), at);
    }

    #[test]
    fn light_is_copied_only_when_it_is_written_to_while_shared() {
        let first = Light::from(vec![1.0, 2.0]);
        let mut second = first.clone();
        assert_eq!(second.as_ptr(), first.as_ptr());
        second.to_mut()[0] = 3.0;
        assert_eq!((&first[..], &second[..]), ([1.0, 2.0].as_slice(), [3.0, 2.0].as_slice()));
        let at = second.as_ptr();
        drop(first);
        second.to_mut()[1] = 4.0;
        assert_eq!(second.as_ptr(), at);
    }

    #[test]
    fn only_so_much_is_kept_and_nothing_small() {
        (0..3 * MOST_SPARE).for_each(|i| give_back(vec![0.0; N + i]));
        assert_eq!(SPARE.with_borrow(Vec::len), MOST_SPARE);
        SPARE.with_borrow_mut(Vec::clear);
        give_back(vec![0.0; N - 1]);
        assert_eq!(SPARE.with_borrow(Vec::len), 0);
    }
}
