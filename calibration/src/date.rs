//! Days of the calendar, as bench files and commands write them: "2026-11-25".

use std::fmt;

/// A day.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub struct Date {
    year: i64,
    month: i64,
    day: i64,
}

impl Date {
    /// The day at the beginning of "2026-11-25" or "2026-11-25 10:40"; `None` where there is none.
    #[must_use]
    pub fn parse(text: &str) -> Option<Self> {
        let (day, rest) = text.split_at_checked(10)?;
        if !(rest.is_empty() || rest.starts_with(' ')) {
            return None;
        }
        let mut fields = day.split('-');
        let mut next =
            |digits: usize| fields.next().filter(|f| f.len() == digits && f.bytes().all(|b| b.is_ascii_digit()))?.parse::<i64>().ok();
        let (year, month, day) = (next(4)?, next(2)?, next(2)?);
        let one = Self { year, month, day };
        // A day that the calendar does not have comes back as another one.
        ((1..=12).contains(&month) && (1..=31).contains(&day) && Self::of_number(one.number()) == one).then_some(one)
    }

    /// Days from 0000-03-01 on, in the calendar of today (H. Hinnant's days_from_civil, public domain, restated).
    #[must_use]
    pub const fn number(self) -> i64 {
        let y = if self.month <= 2 { self.year - 1 } else { self.year };
        let era = y.div_euclid(400);
        let of_era = y - era * 400;
        let of_year = (153 * ((self.month + 9) % 12) + 2) / 5 + self.day - 1;
        era * 146_097 + of_era * 365 + of_era / 4 - of_era / 100 + of_year
    }

    /// The day of a number that [`Date::number`] gives (civil_from_days of the same source).
    #[must_use]
    pub const fn of_number(number: i64) -> Self {
        let era = number.div_euclid(146_097);
        let day_of_era = number - era * 146_097;
        let year_of_era = (day_of_era - day_of_era / 1460 + day_of_era / 36_524 - day_of_era / 146_096) / 365;
        let day_of_year = day_of_era - (365 * year_of_era + year_of_era / 4 - year_of_era / 100);
        let shifted = (5 * day_of_year + 2) / 153;
        let month = if shifted < 10 { shifted + 3 } else { shifted - 9 };
        let year = era * 400 + year_of_era + if month <= 2 { 1 } else { 0 };
        Self { year, month, day: day_of_year - (153 * shifted + 2) / 5 + 1 }
    }

    /// Days from an earlier day to this one; below zero where that day is yet to come.
    #[must_use]
    pub const fn days_since(self, earlier: Self) -> i64 {
        self.number() - earlier.number()
    }
}

impl fmt::Display for Date {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{:04}-{:02}-{:02}", self.year, self.month, self.day)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn days_are_counted_over_months_and_leap_years() {
        let days = |a: &str, b: &str| Date::parse(b).expect("a day").days_since(Date::parse(a).expect("a day"));
        assert_eq!(days("2026-11-25", "2026-12-01"), 6);
        assert_eq!(days("2024-02-28", "2024-03-01"), 2);
        assert_eq!(days("2025-02-28", "2025-03-01"), 1);
        assert_eq!(days("1999-12-31", "2000-01-01"), 1);
        assert_eq!(days("2026-12-01", "2026-11-25"), -6);
    }

    #[test]
    fn days_that_the_calendar_does_not_have_are_none() {
        for text in [
            "yesterday!",
            "2026-02-30",
            "2026-13-01",
            "2025-02-29",
            "26-11-25",
            "2026-1-25",
            "",
            "2026-00-10",
            "+026-01-01",
            "2026-11-2599",
        ] {
            assert_eq!(Date::parse(text), None, "{text}");
        }
        assert_eq!(Date::parse("2024-02-29 10:40").map(|d| d.to_string()).as_deref(), Some("2024-02-29"));
    }

    #[test]
    fn numbers_and_days_are_one_to_one() {
        for number in 730_000..741_000 {
            assert_eq!(Date::of_number(number).number(), number);
        }
    }
}
