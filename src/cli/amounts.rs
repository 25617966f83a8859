//! Amounts as people write them on the command line.
//!
//! Knows their units and limits. Does not know which option they belong to.

use crate::base::bytes;

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

/// Bytes of memory, with their unit.
///
/// # Errors
/// Words on what may be written.
pub fn memory(text: &str) -> Result<u64, String> {
    let bytes = bytes::parse(text).ok_or("write an amount with its unit, such as 800MB, 2GB or 1.5GiB")?;
    if bytes < LEAST_MEMORY { Err("at least 64MB".into()) } else { Ok(bytes) }
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
        assert!(jobs("0").is_err() && jobs("-1").is_err() && jobs("9999").is_err());
    }
}
