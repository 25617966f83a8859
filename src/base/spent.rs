//! Time that people spend, as they write it down: `1h30m`, `90m`, `1:30`, `0.5h`.
//!
//! Knows hours and minutes. Does not know what they were spent on.

use std::time::Duration;

/// The longest time that one entry may say: more is a slip of the pen.
pub const LONGEST: Duration = Duration::from_secs(1000 * 3600);

/// Why a text is no time.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
pub enum NoTime {
    /// It has none of the forms.
    #[error("write a time such as 1h30m, 90m, 1:30 or 0.5h")]
    Form,
    /// A number without its unit.
    #[error("say whether that is hours or minutes, such as {0}h or {0}m")]
    Unit(u32),
    /// Sixty minutes and more after hours.
    #[error("after hours there are at most 59 minutes")]
    Minutes,
    /// Longer than [`LONGEST`].
    #[error("at most 1000 hours in one go")]
    Long,
}

/// Reads hours and minutes. Spaces between the parts do not matter, a decimal comma is one, and `h`, `m`, `min` may be capitals.
///
/// # Errors
/// When it is not one of the forms, or too long.
pub fn parse(text: &str) -> Result<Duration, NoTime> {
    let text: String = text.chars().filter(|c| !c.is_whitespace()).collect::<String>().to_ascii_lowercase();
    let time = match (text.split_once(':'), text.split_once('h')) {
        (Some((hours, minutes)), _) => together(whole(hours)?, below_sixty(minutes)?)?,
        (None, Some((hours, ""))) => decimal(hours, 3600.0)?,
        (None, Some((hours, minutes))) => together(whole(hours)?, below_sixty(unit(minutes))?)?,
        (None, None) if unit(&text) != text => decimal(unit(&text), 60.0)?,
        (None, None) if text == "0" => Duration::ZERO,
        (None, None) => return Err(whole(&text).map_or(NoTime::Form, NoTime::Unit)),
    };
    if time > LONGEST { Err(NoTime::Long) } else { Ok(time) }
}

/// The text before the unit of minutes, if it stands there.
fn unit(text: &str) -> &str {
    ["min", "m"].iter().find_map(|unit| text.strip_suffix(unit)).unwrap_or(text)
}

fn whole(text: &str) -> Result<u32, NoTime> {
    let is_number = !text.is_empty() && text.len() <= 6 && text.bytes().all(|b| b.is_ascii_digit());
    if is_number { text.parse().map_err(|_| NoTime::Form) } else { Err(NoTime::Form) }
}

fn below_sixty(text: &str) -> Result<u32, NoTime> {
    match whole(text)? {
        minutes @ 0..60 => Ok(minutes),
        _ => Err(NoTime::Minutes),
    }
}

fn together(hours: u32, minutes: u32) -> Result<Duration, NoTime> {
    Ok(Duration::from_secs(u64::from(hours) * 3600 + u64::from(minutes) * 60))
}

/// A number with at most one decimal point or comma, times so many seconds; to the second.
fn decimal(text: &str, seconds: f64) -> Result<Duration, NoTime> {
    let text = text.replace(',', ".");
    let is_number = text.bytes().any(|b| b.is_ascii_digit())
        && text.len() <= 12
        && text.bytes().all(|b| b.is_ascii_digit() || b == b'.');
    let number: f64 =
        if is_number { text.parse().map_err(|_| NoTime::Form)? } else { return Err(NoTime::Form) };
    // Twelve digits of hours lie far within what a duration holds.
    Ok(Duration::from_secs((number * seconds).round() as u64))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn times_are_read_as_people_write_them() {
        let minutes = |text: &str| parse(text).map(|time| time.as_secs() as f64 / 60.0);
        for (text, want) in [
            ("1h30m", 90.0),
            ("1h30", 90.0),
            ("1 h 30 min", 90.0),
            ("90m", 90.0),
            ("90 MIN", 90.0),
            ("1:30", 90.0),
            ("0:05", 5.0),
            ("0.5h", 30.0),
            ("1,5h", 90.0),
            (".25h", 15.0),
            ("2h", 120.0),
            ("7.5m", 7.5),
            ("0", 0.0),
            ("0m", 0.0),
            ("1000h", 60_000.0),
        ] {
            assert_eq!(minutes(text), Ok(want), "{text}");
        }
        for (text, want) in [
            ("", NoTime::Form),
            ("h", NoTime::Form),
            ("m", NoTime::Form),
            ("1:", NoTime::Form),
            (":30", NoTime::Form),
            ("1:2:3", NoTime::Form),
            ("1.5.2h", NoTime::Form),
            ("-1h", NoTime::Form),
            ("1e3h", NoTime::Form),
            ("nanh", NoTime::Form),
            ("1h1h", NoTime::Form),
            ("½h", NoTime::Form),
            ("evening", NoTime::Form),
            ("90", NoTime::Unit(90)),
            ("1:60", NoTime::Minutes),
            ("1h75m", NoTime::Minutes),
            ("1000h01m", NoTime::Long),
            ("999999999999h", NoTime::Long),
        ] {
            assert_eq!(parse(text), Err(want), "{text}");
        }
        assert_eq!(NoTime::Unit(90).to_string(), "say whether that is hours or minutes, such as 90h or 90m");
    }

    proptest::proptest! {
        #[test]
        fn whatever_is_written_is_read_or_refused(text in "\\PC{0,12}") {
            let _ = parse(&text);
        }

        #[test]
        fn hours_and_minutes_read_back(hours in 0u64..1000, minutes in 0u64..60) {
            let want = Ok(Duration::from_secs(hours * 3600 + minutes * 60));
            proptest::prop_assert_eq!(parse(&format!("{hours}h{minutes}m")), want);
            proptest::prop_assert_eq!(parse(&format!("{hours}:{minutes:02}")), want);
        }
    }
}
