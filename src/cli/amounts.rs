//! Amounts as people write them on the command line.
//!
//! Knows their units and limits. Does not know which option they belong to.

use crate::base::{bytes, spent};

/// Least memory that pictures between stages may be given: a few frames of a small film.
const LEAST_MEMORY: u64 = 64_000_000;
/// Most workers.
const MOST_JOBS: usize = 1024;

/// A number of workers.
///
/// # Errors
/// Words on what may be written.
pub fn jobs(text: &str) -> Result<usize, String> {
    let jobs = text.parse().ok().filter(|n| (1..=MOST_JOBS).contains(n));
    jobs.ok_or_else(|| format!("from 1 to {MOST_JOBS} workers"))
}

/// A part of the frame: left, top, width and height in pixels.
///
/// # Errors
/// Words on what may be written.
pub fn part(text: &str) -> Result<[u32; 4], String> {
    let numbers: Option<Vec<u32>> = text.split(',').map(|n| n.trim().parse().ok()).collect();
    let part = numbers.and_then(|n| <[u32; 4]>::try_from(n).ok());
    part.ok_or_else(|| "write four whole numbers with commas: left, top, width, height".into())
}

/// A share, from 0 to 1.
///
/// # Errors
/// Words on what may be written.
pub fn share(text: &str) -> Result<f64, String> {
    let share = text.parse().ok().filter(|n| (0.0..=1.0).contains(n));
    share.ok_or_else(|| "from 0 to 1".to_string())
}

/// Speed of a rod's tip, in heights of the frame in a second.
///
/// # Errors
/// Words on what may be written.
pub fn speed(text: &str) -> Result<f64, String> {
    let speed = text.parse().ok().filter(|n| (0.05..=100.0).contains(n));
    speed.ok_or_else(|| "from 0.05 to 100 heights of the frame in a second".to_string())
}

/// Most stops that a picture is shown brighter or darker by: from the least half float to the largest there are 40.
const MOST_STOPS: f64 = 40.0;
/// Most pixels that something may be off by: the longest side of a frame.
const MOST_PIXELS: f64 = 32_768.0;

/// Stops, brighter or darker.
///
/// # Errors
/// Words on what may be written.
pub fn stops(text: &str) -> Result<f64, String> {
    let stops = text.parse().ok().filter(|n: &f64| n.abs() <= MOST_STOPS);
    stops.ok_or_else(|| format!("from -{MOST_STOPS} to {MOST_STOPS} stops"))
}

/// A distance in pixels.
///
/// # Errors
/// Words on what may be written.
pub fn pixels(text: &str) -> Result<f64, String> {
    let pixels = text.parse().ok().filter(|n| (0.0..=MOST_PIXELS).contains(n));
    pixels.ok_or_else(|| format!("from 0 to {MOST_PIXELS} pixels"))
}

/// Time that a person spent.
///
/// # Errors
/// Words on what may be written.
pub fn spent(text: &str) -> Result<std::time::Duration, String> {
    spent::parse(text).map_err(|no| no.to_string())
}

/// A time of day, as the clock on the wall shows it.
///
/// # Errors
/// Words on what may be written.
pub fn wall(text: &str) -> Result<jiff::civil::Time, String> {
    let short = |text: &str| jiff::civil::Time::strptime("%H:%M", text);
    short(text.trim()).map_err(|_| "write hours and minutes, such as 19:30".into())
}

/// Bytes of memory, with their unit.
///
/// # Errors
/// Words on what may be written.
pub fn memory(text: &str) -> Result<u64, String> {
    let bytes = bytes::parse(text).ok_or("write an amount with its unit, such as 800MB, 2GB or 1.5GiB")?;
    if bytes < LEAST_MEMORY { Err("at least 64MB".into()) } else { Ok(bytes) }
}

/// Most characters of a person's name.
const LONGEST_NAME: usize = 60;

/// A person's name.
///
/// # Errors
/// Words on what may be written.
pub fn person(text: &str) -> Result<String, String> {
    let text = text.trim();
    let is_sound =
        !text.is_empty() && text.chars().count() <= LONGEST_NAME && !text.chars().any(char::is_control);
    if is_sound { Ok(text.into()) } else { Err(format!("a name of 1 to {LONGEST_NAME} letters")) }
}

/// Bytes, with their unit, or 0.
///
/// # Errors
/// Words on what may be written.
pub fn budget(text: &str) -> Result<u64, String> {
    match text {
        "0" => Ok(0),
        _ => Ok(bytes::parse(text).ok_or("write an amount with its unit, such as 20GB or 1.5TiB, or 0")?),
    }
}

/// A stage and how many times as fast it goes.
///
/// # Errors
/// Words on what may be written.
pub fn times(text: &str) -> Result<(String, f64), String> {
    let (stage, times) = text.split_once('=').unwrap_or((text, "2"));
    let times = times.parse().ok().filter(|times| (0.01..=1000.0).contains(times));
    match times {
        Some(times) if !stage.is_empty() => Ok((stage.to_string(), times)),
        _ => Err("written STAGE=TIMES, such as colour=2, with 0.01 to 1000 times".to_string()),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn amounts_that_make_no_sense_are_refused() {
        assert_eq!(memory("2GB"), Ok(2_000_000_000));
        assert_eq!(memory("1GiB"), Ok(1 << 30));
        assert!(memory("5").is_err() && memory("5kB").is_err() && memory("2parsecs").is_err());
        assert_eq!(budget("0"), Ok(0));
        assert_eq!(budget("20GB"), Ok(20_000_000_000));
        assert!(budget("0.5").is_err() && budget("-1GB").is_err());
        assert_eq!(jobs("3"), Ok(3));
        assert_eq!((stops("-2.5"), pixels("0.5")), (Ok(-2.5), Ok(0.5)));
        for text in ["nan", "-nan", "inf", "1e9", ""] {
            assert!(stops(text).is_err() && pixels(text).is_err() && share(text).is_err(), "{text}");
        }
        assert!(person(" ").is_err() && person("a\nb").is_err());
        assert_eq!(person(" ana maría "), Ok("ana maría".into()));
        assert_eq!(wall("19:30"), Ok(jiff::civil::time(19, 30, 0, 0)));
        assert!(wall("25:00").is_err() && wall("7pm").is_err() && spent("90").is_err());
        assert!(pixels("-1").is_err());
        assert!(jobs("0").is_err() && jobs("-1").is_err() && jobs("9999").is_err());
    }
}
