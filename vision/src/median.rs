//! The usual one of many numbers, and others by their rank.

/// The upper median; `None` of none.
pub(crate) fn upper_median(values: impl IntoIterator<Item = f64>) -> Option<f64> {
    let mut values: Vec<f64> = values.into_iter().collect();
    let middle = values.len() / 2;
    (middle < values.len()).then(|| *values.select_nth_unstable_by(middle, f64::total_cmp).1)
}

/// The value that a share of all values is below; `None` of none, or at a share of 1. The values change places.
pub(crate) fn quantile(values: &mut [f32], share: f64) -> Option<f32> {
    let at = (values.len() as f64 * share) as usize;
    (at < values.len()).then(|| *values.select_nth_unstable_by(at, f32::total_cmp).1)
}

#[cfg(test)]
mod tests {
    use super::{quantile, upper_median};

    #[test]
    fn quantiles_are_told_in_any_order() {
        let mut values = [5.0, 1.0, 3.0, 2.0, 4.0];
        assert_eq!([0.9, 0.0, 0.5].map(|share| quantile(&mut values, share)), [Some(5.0), Some(1.0), Some(3.0)]);
        assert_eq!((quantile(&mut values, 1.0), quantile(&mut [], 0.5)), (None, None));
    }

    #[test]
    fn of_an_even_number_it_is_the_upper_of_both_in_the_middle() {
        assert_eq!(upper_median([3.0, 1.0, 2.0]), Some(2.0));
        assert_eq!(upper_median([4.0, 1.0, 3.0, 2.0]), Some(3.0));
        assert_eq!(upper_median([]), None);
    }
}
