//! Now and here: the time and the zone that a command was given in, and days as people write them.

use jiff::civil::Date;
use jiff::tz::TimeZone;
use jiff::{Timestamp, ToSpan, Zoned};

use crate::report::words;

/// The time and the zone that a command was given in.
pub struct Now {
    /// Now.
    pub at: Timestamp,
    /// Where days begin at midnight.
    pub zone: TimeZone,
}

impl Now {
    /// Now, here.
    pub fn here() -> Self {
        Self { at: Timestamp::now(), zone: TimeZone::system() }
    }

    /// Both in one.
    pub fn zoned(&self) -> Zoned {
        self.at.to_zoned(self.zone.clone())
    }

    /// The day it is.
    pub fn day(&self) -> Date {
        self.zone.to_datetime(self.at).date()
    }

    /// A time as the clock on the wall shows it.
    pub fn clock(&self, at: Timestamp) -> String {
        words::clock(at, &self.zone)
    }
}

/// A day: `2026-11-20`, `today`, `yesterday`; none that is yet to come.
pub fn day(text: &str, today: Date) -> Result<Date, String> {
    let day = match text {
        "today" => today,
        "yesterday" => today.saturating_sub(1.day()),
        _ => text.parse().map_err(|_| {
            format!("'{text}' is no day: write YYYY-MM-DD, such as {today}, today or yesterday")
        })?,
    };
    if day > today { Err(format!("{day} is yet to come; today is {today}")) } else { Ok(day) }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn days_are_read_and_none_that_is_yet_to_come() {
        let today: Date = "2026-03-01".parse().unwrap();
        let said = |text: &str| day(text, today).map(|day| day.to_string());
        assert_eq!(said("yesterday"), Ok("2026-02-28".into()));
        assert_eq!(said("today"), Ok("2026-03-01".into()));
        assert_eq!(said("2025-12-31"), Ok("2025-12-31".into()));
        assert!(said("2026-03-02").unwrap_err().contains("yet to come"));
        assert!(said("1.3.2026").unwrap_err().contains("YYYY-MM-DD") && said("2026-02-30").is_err());
    }
}
