//! Accepting is a hold of one second: no click, no key repeat and no bouncing contact does it.

/// How long the hold lasts, s.
pub const HOLD_S: f64 = 1.0;

/// A contact that opens for less than this has bounced, s. Common practice for switches is 5 to 20 ms, no source; pedals are worse.
const BOUNCE_S: f64 = 0.06;

/// A hold under way. Time counts from any beginning.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub struct Hold {
    since_s: Option<f64>,
    open_since_s: Option<f64>,
    /// Held to its end; it must be let go before the next can begin.
    spent: bool,
}

impl Hold {
    /// Takes in whether it is held at `now_s`, and whether accepting is allowed; true once, when the second is full.
    pub fn held(&mut self, is_down: bool, is_allowed: bool, now_s: f64) -> bool {
        if !is_allowed {
            // What was begun before it was allowed counts for nothing: it must be pressed anew.
            *self = Self { since_s: None, open_since_s: None, spent: is_down };
            return false;
        }
        if is_down {
            self.open_since_s = None;
            if self.spent {
                return false;
            }
            let since = *self.since_s.get_or_insert(now_s);
            if now_s - since >= HOLD_S {
                *self = Self { since_s: None, open_since_s: None, spent: true };
                return true;
            }
            return false;
        }
        let open_since = *self.open_since_s.get_or_insert(now_s);
        if now_s - open_since >= BOUNCE_S {
            *self = Self { open_since_s: self.open_since_s, ..Self::default() };
        }
        false
    }

    /// How much of the second is over, 0 to 1.
    #[must_use]
    pub fn share(&self, now_s: f64) -> f32 {
        self.since_s.map_or(0.0, |since| ((now_s - since) / HOLD_S).clamp(0.0, 1.0)) as f32
    }

    /// Whether a hold is under way.
    #[must_use]
    pub const fn is_under_way(&self) -> bool {
        self.since_s.is_some()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Feeds (time, down) pairs; tells when it accepted.
    fn accepted(inputs: &[(f64, bool)]) -> Vec<f64> {
        let mut hold = Hold::default();
        inputs.iter().filter(|(at, down)| hold.held(*down, true, *at)).map(|(at, _)| *at).collect()
    }

    #[test]
    fn a_second_held_accepts_once_however_long_it_is_held() {
        let held: Vec<(f64, bool)> = (0..400).map(|i| (f64::from(i) * 0.01, true)).collect();
        assert_eq!(accepted(&held), [1.0]);
    }

    #[test]
    fn a_tap_and_many_taps_accept_nothing() {
        let taps: Vec<(f64, bool)> = (0..600).map(|i| (f64::from(i) * 0.01, i % 20 < 10)).collect();
        assert!(accepted(&taps).is_empty());
    }

    #[test]
    fn a_contact_that_bounces_is_held_all_the_same() {
        let bouncing: Vec<(f64, bool)> = (0..110).map(|i| (f64::from(i) * 0.01, i % 7 != 3)).collect();
        assert_eq!(accepted(&bouncing).len(), 1);
    }

    #[test]
    fn what_was_pressed_before_it_was_allowed_must_be_let_go_first() {
        let mut hold = Hold::default();
        assert!(!hold.held(true, false, 0.0));
        assert!((1..500).all(|i| !hold.held(true, true, f64::from(i) * 0.01)));
        let _ = (hold.held(false, true, 5.1), hold.held(false, true, 5.3));
        assert!(!hold.held(true, true, 5.4));
        assert!(hold.held(true, true, 6.41));
    }

    #[test]
    fn becoming_outside_in_mid_hold_ends_it() {
        let mut hold = Hold::default();
        assert!(!hold.held(true, true, 0.0) && !hold.held(true, true, 0.9));
        assert!(!hold.held(true, false, 0.95));
        assert!(!hold.held(true, true, 1.1) && hold.share(1.1) == 0.0);
    }
}
