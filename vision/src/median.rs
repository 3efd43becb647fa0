//! The usual one of many numbers.

/// The upper median; `None` of none.
pub(crate) fn upper_median(values: impl IntoIterator<Item = f64>) -> Option<f64> {
    let mut values: Vec<f64> = values.into_iter().collect();
    let middle = values.len() / 2;
    (middle < values.len()).then(|| *values.select_nth_unstable_by(middle, f64::total_cmp).1)
}

#[cfg(test)]
mod tests {
    use super::upper_median;

    #[test]
    fn of_an_even_number_it_is_the_upper_of_both_in_the_middle() {
        assert_eq!(upper_median([3.0, 1.0, 2.0]), Some(2.0));
        assert_eq!(upper_median([4.0, 1.0, 3.0, 2.0]), Some(3.0));
        assert_eq!(upper_median([]), None);
    }
}
