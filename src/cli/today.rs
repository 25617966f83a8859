//! Now and here: the time and the zone that a command was given in, and days as people write them.

use jiff::civil::{Date, Time};
use jiff::tz::{AmbiguousOffset, TimeZone};
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

/// The day of a moment, here.
pub fn day_of(at: Timestamp) -> String {
    words::day(at, &TimeZone::system())
}

/// The moment of a time of day, and how it was read where the clock on the wall shows it twice that day.
///
/// # Errors
/// In words, when the clock on the wall never shows it that day: it is put forward past it.
pub fn moment(day: Date, time: Time, zone: &TimeZone) -> Result<(Timestamp, Option<String>), String> {
    let shown = |at: Timestamp| zone.to_datetime(at).strftime("%H:%M").to_string();
    let civil = day.to_datetime(time);
    let lies = |offset: jiff::tz::Offset| offset.to_timestamp(civil).map_err(|e| format!("{civil}: {e}"));
    let time = time.strftime("%H:%M");
    match zone.to_ambiguous_timestamp(civil).offset() {
        AmbiguousOffset::Unambiguous { offset } => Ok((lies(offset)?, None)),
        AmbiguousOffset::Gap { before, after } => {
            let (earlier, later) = (shown(lies(after)?), shown(lies(before)?));
            Err(format!(
                "there is no {time} on {day}: clocks are put forward past it; say {earlier} or {later}, whichever it was"
            ))
        }
        AmbiguousOffset::Fold { before, .. } => {
            let words =
                format!("clocks show {time} twice on {day}; it is read as the first time, at UTC{before}");
            Ok((lies(before)?, Some(words)))
        }
    }
}

/// A day as the command line takes it everywhere: `2026-11-20`, `today`, `yesterday` or `tomorrow`.
///
/// # Errors
/// Words on what may be written.
pub fn day(text: &str) -> Result<Date, String> {
    read(text, Now::here().day())
}

fn read(text: &str, today: Date) -> Result<Date, String> {
    match text.trim() {
        "today" => Ok(today),
        "yesterday" => Ok(today.saturating_sub(1.day())),
        "tomorrow" => Ok(today.saturating_add(1.day())),
        other => other
            .parse()
            .map_err(|_| format!("write YYYY-MM-DD, such as {today}, or yesterday, today or tomorrow")),
    }
}

/// A day on which something was done: none that is yet to come. `option` is where it was said.
///
/// # Errors
/// Words on what may be written.
pub fn past(day: Date, today: Date, option: &str) -> Result<Date, String> {
    if day > today { Err(format!("{option}: {day} is yet to come; today is {today}")) } else { Ok(day) }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// By the IANA time zone database clocks in Brussels went forward at 2026-03-29 01:00 UTC and go back at 2026-10-25 01:00 UTC.
    #[test]
    fn times_that_clocks_skip_or_show_twice_are_told() {
        let zone = TimeZone::get("Europe/Brussels").unwrap();
        let said = |day: &str, time: &str| {
            let read = moment(day.parse().unwrap(), time.parse().unwrap(), &zone);
            read.map(|(at, words)| (at.to_string(), words))
        };
        assert_eq!(said("2026-03-28", "02:30"), Ok(("2026-03-28T01:30:00Z".into(), None)));
        let no = said("2026-03-29", "02:30").unwrap_err();
        assert!(
            no.starts_with("there is no 02:30 on 2026-03-29") && no.contains("say 01:30 or 03:30"),
            "{no}"
        );
        assert_eq!(said("2026-03-29", "03:00"), Ok(("2026-03-29T01:00:00Z".into(), None)));
        let (at, words) = said("2026-10-25", "02:30").unwrap();
        assert_eq!(at, "2026-10-25T00:30:00Z");
        assert_eq!(
            words.unwrap(),
            "clocks show 02:30 twice on 2026-10-25; it is read as the first time, at UTC+02"
        );
        assert_eq!(said("2026-10-25", "03:00"), Ok(("2026-10-25T02:00:00Z".into(), None)));
    }

    #[test]
    fn days_are_read_in_one_way_and_past_ones_are_none_that_are_yet_to_come() {
        let today: Date = "2026-03-01".parse().unwrap();
        let said = |text: &str| read(text, today).map(|day| day.to_string());
        assert_eq!(said("yesterday"), Ok("2026-02-28".into()));
        assert_eq!(said(" today"), Ok("2026-03-01".into()));
        assert_eq!(said("tomorrow"), Ok("2026-03-02".into()));
        assert_eq!(said("2025-12-31"), Ok("2025-12-31".into()));
        assert!(said("1.3.2026").unwrap_err().contains("YYYY-MM-DD") && said("2026-02-30").is_err());
        let past = |text: &str| past(read(text, today).unwrap(), today, "--day");
        assert!(
            past("today").is_ok()
                && past("tomorrow").unwrap_err().contains("--day: 2026-03-02 is yet to come")
        );
    }
}
