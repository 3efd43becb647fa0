//! Leaks that no steps tell: where sites lie over one another with their middles together, hardly a step of either light has even places of
//! the other beside it. What leaks then pulls every land towards its ball, and the pattern's own shape does not show it; but light that is
//! not the features' own does not fit their look, and what the fits leave over is least where all of it is taken off.

use super::Leak;

/// What is left over grows with the square of the leak that is not taken off: three of these tell where it is least.
const TRIED: f64 = 0.12;
/// A leak is told by what it takes off what is left over (as light squared). Two rendered scenes with leaks of 14 and 16 % took off 56 and
/// 69 %.
const LEAST_TAKEN_OFF: f64 = 0.25;

/// Adds to `leaks` those of `open` (into the plane of one view, of the light of another) that what the fits leave over tells.
///
/// `left_over(into, leaks)` gives what the fits of the features of view `into` leave over, light squared, with these leaks taken off; `None`
/// where they cannot be fitted.
pub(crate) fn told_by_fits(mut leaks: Vec<Leak>, open: &[[usize; 2]], left_over: impl Fn(usize, &[Leak]) -> Option<f64>) -> Vec<Leak> {
    for &[into, of] in open {
        let with = |share: f64| leaks.iter().copied().chain([Leak { into, of, share }]).collect::<Vec<_>>();
        let told = least_left_over(|share| left_over(into, &with(share)));
        leaks = told.map_or(leaks.clone(), with);
    }
    leaks
}

/// The leak that leaves the least over, if it clearly leaves less than none.
fn least_left_over(left_over: impl Fn(f64) -> Option<f64>) -> Option<f64> {
    let [none, some, more] = [0.0, TRIED, 2.0 * TRIED].map(&left_over);
    let (none, some, more) = (none?, some?, more?);
    let bend = none - 2.0 * some + more;
    if bend <= 0.0 {
        return None;
    }
    let share = TRIED * (1.0 + 0.5 * (none - more) / bend);
    let is_told = share.abs() <= f64::from(super::MOST_LEAK) && left_over(share)? < (1.0 - LEAST_TAKEN_OFF) * none;
    is_told.then_some(share)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_leak_that_leaves_least_over_is_told_and_no_other() {
        let by = |leak: f64, noise: f64| move |share: f64| Some(noise + (share - leak).powi(2));
        assert!(least_left_over(by(0.16, 0.002)).is_some_and(|share| (share - 0.16).abs() < 1e-9));
        assert!(least_left_over(by(0.16, 0.2)).is_none(), "noise hides it");
        assert!(least_left_over(by(0.01, 0.002)).is_none(), "hardly any");
        assert!(least_left_over(|_| Some(0.002)).is_none(), "all the same");
        assert!(least_left_over(|share| (share < 0.2).then_some(0.1)).is_none(), "not to be fitted");
    }

    #[test]
    fn leaks_that_are_told_stay_while_others_are_looked_for() {
        let told = Leak { into: 0, of: 1, share: 0.1 };
        let left_over = |into: usize, leaks: &[Leak]| {
            assert!(into == 1 && leaks[0] == told);
            Some(0.001 + (leaks[1].share - 0.15).powi(2))
        };
        let leaks = told_by_fits(vec![told], &[[1, 0]], left_over);
        assert!(leaks.len() == 2 && leaks[1].into == 1 && (leaks[1].share - 0.15).abs() < 1e-9, "{leaks:?}");
        assert_eq!(told_by_fits(vec![told], &[], |_, _| None), [told]);
    }
}
