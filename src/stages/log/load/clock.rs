//! Clock time to seconds. Passing midnight goes on into the next day.

use chrono::format::{Item, Parsed, StrftimeItems};
use chrono::{NaiveDate, Timelike};

const DAY: f64 = 86_400.0;

/// Reads the cells of a clock column in file order.
#[derive(Debug)]
pub struct Clock<'a> {
    items: Vec<Item<'a>>,
    first_date: Option<NaiveDate>,
    days: f64,
    last: Option<f64>,
}

impl<'a> Clock<'a> {
    /// For a format in the notation of POSIX strftime; `None` where it is not one.
    pub fn new(format: &'a str) -> Option<Self> {
        let items = StrftimeItems::new(format).parse().ok()?;
        Some(Self { items, first_date: None, days: 0.0, last: None })
    }

    /// Seconds since midnight before the first cell; `None` where the text does not have the format.
    pub fn seconds(&mut self, text: &str) -> Option<f64> {
        let mut parsed = Parsed::new();
        chrono::format::parse(&mut parsed, text.trim(), self.items.iter()).ok()?;
        let time = parsed.to_naive_time().ok()?;
        let of_day = f64::from(time.num_seconds_from_midnight()) + f64::from(time.nanosecond()) * 1e-9;
        if let Ok(date) = parsed.to_naive_date() {
            let first = *self.first_date.get_or_insert(date);
            return Some((date - first).num_days() as f64 * DAY + of_day);
        }
        // Half a day back is midnight; less is time that runs back, which is refused later.
        if self.last.is_some_and(|last| of_day + self.days < last - DAY / 2.0) {
            self.days += DAY;
        }
        self.last = Some(of_day + self.days);
        self.last
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn midnight_goes_on() {
        let mut clock = Clock::new("%H:%M:%S%.f").unwrap();
        assert_eq!(clock.seconds("23:59:59.95"), Some(86_399.95));
        assert_eq!(clock.seconds("00:00:00.05"), Some(86_400.05));
        assert_eq!(clock.seconds(" 00:00:01 "), Some(86_401.0));
        assert_eq!(clock.seconds("soon"), None);
    }

    #[test]
    fn a_step_back_stays_a_step_back() {
        let mut clock = Clock::new("%H:%M:%S").unwrap();
        assert_eq!(clock.seconds("14:00:10"), Some(50_410.0));
        assert_eq!(clock.seconds("14:00:09"), Some(50_409.0));
    }

    #[test]
    fn dates_count() {
        let mut clock = Clock::new("%Y-%m-%d %H:%M:%S%.f").unwrap();
        assert_eq!(clock.seconds("2031-12-31 23:59:59.5"), Some(86_399.5));
        assert_eq!(clock.seconds("2032-01-01 00:00:00.5"), Some(86_400.5));
        assert!(Clock::new("%Q").is_none());
    }
}
