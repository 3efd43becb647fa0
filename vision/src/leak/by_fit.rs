//! Leaks that no steps tell for sure: where sites lie over one another, few steps of either light have even places of the other beside them.
//! What leaks then pulls every land towards its ball, and the pattern's own shape does not show it; but light that is
//! not the features' own does not fit their look, and what the fits leave over is least where all of it is taken off.

use super::Leak;

/// What is left over grows with the square of the leak that is not taken off: three of these tell where it is least.
const TRIED: f64 = 0.12;
/// A leak is told by what it takes off what is left over (as light squared). Two rendered scenes with leaks of 14 and 16 % took off 56 and
/// 69 %.
const LEAST_TAKEN_OFF: f64 = 0.25;

/// Adds to `leaks` those of `open` that what the fits leave over tells: of what the steps say, and of what leaves least over.
///
/// `left_over(into, leaks)` gives what the fits of the features of view `into` leave over, light squared, with these leaks taken off; `None`
/// where they cannot be fitted.
pub(crate) fn told_by_fits(mut leaks: Vec<Leak>, open: &[Leak], left_over: impl Fn(usize, &[Leak]) -> Option<f64>) -> Vec<Leak> {
    for &perhaps in open {
        let with = |share: f64| leaks.iter().copied().chain([Leak { share, ..perhaps }]).collect::<Vec<_>>();
        let told = least_left_over(perhaps.share, |share| left_over(perhaps.into, &with(share)));
        leaks.extend(told.map(|share| Leak { share, ..perhaps }));
    }
    leaks
}

/// The leak that leaves the least over, if it clearly leaves less than none: `perhaps`, or where a parabola has its least.
fn least_left_over(perhaps: f64, left_over: impl Fn(f64) -> Option<f64>) -> Option<f64> {
    let [none, some, more] = [0.0, TRIED, 2.0 * TRIED].map(&left_over);
    let none = none?;
    let of_parabola = some.zip(more).and_then(|(some, more)| {
        let bend = none - 2.0 * some + more;
        (bend > 0.0).then(|| TRIED * (1.0 + 0.5 * (none - more) / bend))
    });
    let shares = [Some(perhaps), of_parabola].into_iter().flatten().filter(|share| share.abs() <= f64::from(super::MOST_LEAK));
    let (left, share) = shares.filter_map(|share| Some((left_over(share)?, share))).min_by(|a, b| a.0.total_cmp(&b.0))?;
    (left < (1.0 - LEAST_TAKEN_OFF) * none).then_some(share)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_leak_that_leaves_least_over_is_told_and_no_other() {
        let by = |leak: f64, noise: f64| move |share: f64| Some(noise + (share - leak).powi(2));
        assert!(least_left_over(0.0, by(0.16, 0.002)).is_some_and(|share| (share - 0.16).abs() < 1e-9));
        assert!(least_left_over(0.0, by(0.16, 0.2)).is_none(), "noise hides it");
        assert!(least_left_over(0.0, by(0.01, 0.002)).is_none(), "hardly any");
        assert!(least_left_over(0.0, |_| Some(0.002)).is_none(), "all the same");
        let jagged = |share: f64| Some(if share == 0.12 { 0.3 } else { 0.002 + (share - 0.16).powi(2) });
        assert_eq!(least_left_over(0.15, jagged), Some(0.15), "what the steps say");
        assert!(least_left_over(0.0, |share| (share < 0.2).then_some(0.1)).is_none(), "not to be fitted");
    }

    #[test]
    fn leaks_that_are_told_stay_while_others_are_looked_for() {
        let told = Leak { into: 0, of: 1, share: 0.1 };
        let left_over = |into: usize, leaks: &[Leak]| {
            assert!(into == 1 && leaks[0] == told);
            Some(0.001 + (leaks[1].share - 0.15).powi(2))
        };
        let leaks = told_by_fits(vec![told], &[Leak { into: 1, of: 0, share: 0.0 }], left_over);
        assert!(leaks.len() == 2 && leaks[1].into == 1 && (leaks[1].share - 0.15).abs() < 1e-9, "{leaks:?}");
        assert_eq!(told_by_fits(vec![told], &[], |_, _| None), [told]);
    }
}
