//! Times, sizes, shares and names in the words of a report.
//!
//! Knows how quantities are written for people. Does not know what they measure.

use std::time::Duration;

use jiff::Timestamp;
use jiff::tz::TimeZone;

/// How a text report is laid out.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Look {
    /// Columns at hand. Reports stay readable from 40 on.
    pub width: usize,
    /// True to use ASCII characters only.
    pub ascii: bool,
    /// The most rows of one table; the rest is summed up in one more.
    pub rows: usize,
}

impl Default for Look {
    fn default() -> Self {
        Self { width: 100, ascii: false, rows: 12 }
    }
}

/// A time: `340 ms`, `4.2 s`, `42 s`, `2 m 05 s`, `3 h 10 m`.
pub fn time(time: Duration) -> String {
    // Every step rounds before it decides, so that 59.7 s reads "1 m 00 s" and never "60 s".
    let ms = (time.as_micros() + 500) / 1000;
    let tenths = (ms + 50) / 100;
    let seconds = (ms + 500) / 1000;
    let minutes = (seconds + 30) / 60;
    if time.is_zero() {
        "0 s".into()
    } else if ms == 0 {
        "under 1 ms".into()
    } else if ms < 1000 {
        format!("{ms} ms")
    } else if tenths < 100 {
        format!("{}.{} s", tenths / 10, tenths % 10)
    } else if seconds < 60 {
        format!("{seconds} s")
    } else if seconds < 3600 {
        format!("{} m {:02} s", seconds / 60, seconds % 60)
    } else {
        format!("{} h {:02} m", minutes / 60, minutes % 60)
    }
}

/// A moment as the clock on the wall of a zone shows it: `2026-11-28 19:30`.
pub fn clock(at: Timestamp, zone: &TimeZone) -> String {
    at.to_zoned(zone.clone()).strftime("%F %H:%M").to_string()
}

/// The day of a moment by that clock: `2026-11-28`.
pub fn day(at: Timestamp, zone: &TimeZone) -> String {
    zone.to_datetime(at).date().to_string()
}

/// A moment as that clock shows it, to the second and with how far it is ahead of UTC: for what is read elsewhere or later.
pub fn clock_told(at: Timestamp, zone: &TimeZone) -> String {
    at.to_zoned(zone.clone()).strftime("%F %H:%M:%S UTC%:z").to_string()
}

/// A long time, by days from two days on: `3 d 4 h`; else as [`time`] has it.
pub fn days(span: Duration) -> String {
    let hours = (span.as_secs() + 1800) / 3600;
    if hours < 48 { time(span) } else { format!("{} d {} h", hours / 24, hours % 24) }
}

/// A size in memory: `800 B`, `12 KiB`, `512 MiB`, `1.5 GiB`.
pub fn bytes(bytes: u64) -> String {
    let (kib, mib, gib) = (1u64 << 10, 1u64 << 20, 1u64 << 30);
    if bytes < kib {
        format!("{bytes} B")
    } else if bytes < mib {
        format!("{} KiB", bytes / kib)
    } else if bytes < gib {
        format!("{} MiB", bytes / mib)
    } else {
        format!("{:.1} GiB", bytes as f64 / gib as f64)
    }
}

/// How amounts of bytes are written beside one that a person wrote: by 1000 (kB, MB, GB, TB) where theirs is round so, else by 1024 as
/// [`bytes`] has it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Sizes {
    /// `1.5 TB`.
    By1000,
    /// `1.5 GiB`.
    By1024,
}

impl Sizes {
    /// As a person's amount is most likely written.
    pub fn like(amount: u64) -> Self {
        if amount > 0 && amount.is_multiple_of(1000) { Self::By1000 } else { Self::By1024 }
    }

    /// An amount so.
    pub fn bytes(self, amount: u64) -> String {
        if self == Self::By1024 {
            return bytes(amount);
        }
        let units = [(1_000_000_000_000u64, "TB"), (1_000_000_000, "GB"), (1_000_000, "MB"), (1000, "kB")];
        let Some((of, unit)) = units.into_iter().find(|(of, _)| amount >= *of) else {
            return format!("{amount} B");
        };
        let number = format!("{:.1}", amount as f64 / of as f64);
        format!("{} {unit}", number.strip_suffix(".0").unwrap_or(&number))
    }
}

/// Part of a whole, 0 to 1; 0 when there is no whole.
pub fn share(part: Duration, whole: Duration) -> f64 {
    if whole.is_zero() { 0.0 } else { part.as_secs_f64() / whole.as_secs_f64() }
}

/// A share in percent: `54 %`; a little is `< 1 %`, never `0 %`.
pub fn percent(share: f64) -> String {
    match share * 100.0 {
        p if p > 0.0 && p < 1.0 => "< 1 %".into(),
        p => format!("{p:.0} %"),
    }
}

/// `1 frame`, `2 frames`.
pub fn count(n: u64, thing: &str) -> String {
    if n == 1 { format!("1 {thing}") } else { format!("{n} {thing}s") }
}

/// A name or a sentence from a file, fit to be shown: control characters, which could command a
/// terminal, are replaced, and what is longer than `width` characters is cut with a sign that says so.
pub fn fit(text: &str, width: usize, ascii: bool) -> String {
    let mut out: String = text.chars().take(width + 1).map(|c| shown(c, ascii)).collect();
    if out.chars().count() > width {
        let sign = if ascii { ".." } else { "…" };
        let keep = width.saturating_sub(sign.chars().count());
        out = out.chars().take(keep).chain(sign.chars()).take(width).collect();
    }
    out
}

/// The same, however long it is.
pub fn plain(text: &str, ascii: bool) -> String {
    text.chars().map(|c| shown(c, ascii)).collect()
}

fn shown(c: char, ascii: bool) -> char {
    let strange =
        c.is_control() || ('\u{200b}'..='\u{200f}').contains(&c) || ('\u{202a}'..='\u{202e}').contains(&c);
    if strange || ('\u{2066}'..='\u{2069}').contains(&c) || (ascii && !c.is_ascii()) { '?' } else { c }
}

/// Text padded with spaces on the right to `width` characters.
pub fn left(text: &str, width: usize) -> String {
    format!("{text:<width$}")
}

/// Text padded with spaces on the left to `width` characters.
pub fn right(text: &str, width: usize) -> String {
    format!("{text:>width$}")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn times_round_before_they_change_unit() {
        for (micros, want) in [
            (0, "0 s"),
            (300, "under 1 ms"),
            (340_000, "340 ms"),
            (999_700, "1.0 s"),
            (4_240_000, "4.2 s"),
            (9_960_000, "10 s"),
            (59_700_000, "1 m 00 s"),
            (125_000_000, "2 m 05 s"),
            (3_599_600_000, "1 h 00 m"),
            (11_400_000_000, "3 h 10 m"),
            (360_000_000_000, "100 h 00 m"),
        ] {
            assert_eq!(time(Duration::from_micros(micros)), want);
        }
        assert!(time(Duration::MAX).ends_with(" m"));
        assert_eq!(days(Duration::from_secs(3600 * 76 + 1799)), "3 d 4 h");
        assert_eq!(days(Duration::from_secs(3600 * 47)), "47 h 00 m");
    }

    #[test]
    fn a_moment_is_of_the_readers_clock() {
        let at: Timestamp = "2026-11-27T23:30:05Z".parse().unwrap();
        let east = TimeZone::get("Africa/Nairobi").unwrap();
        assert_eq!((&*clock(at, &east), &*day(at, &east)), ("2026-11-28 02:30", "2026-11-28"));
        assert_eq!(clock_told(at, &east), "2026-11-28 02:30:05 UTC+03:00");
        assert_eq!(clock_told(at, &TimeZone::UTC), "2026-11-27 23:30:05 UTC+00:00");
    }

    #[test]
    fn names_cannot_command_a_terminal() {
        assert_eq!(fit("br030", 10, false), "br030");
        assert_eq!(fit("\u{1b}[2Jgone\u{202e}", 20, false), "?[2Jgone?");
        assert_eq!(fit("a long cause", 7, false), "a long…");
        assert_eq!(fit("a long cäuse", 9, true), "a long ..");
        assert_eq!(fit("é", 5, true), "?");
        assert_eq!(fit("abc", 0, false), "");
        assert_eq!(fit("abc", 1, true), ".");
    }

    #[test]
    fn shares_and_sizes() {
        assert_eq!(percent(0.004), "< 1 %");
        assert_eq!(percent(0.0), "0 %");
        assert_eq!(percent(0.536), "54 %");
        assert_eq!(share(Duration::from_secs(1), Duration::ZERO), 0.0);
        assert_eq!(bytes(800), "800 B");
        assert_eq!(bytes(12 << 10), "12 KiB");
        assert_eq!(bytes(512 << 20), "512 MiB");
        for (amount, written) in [
            (1_000_000, "1 MB"),
            (200_000_000_000, "200 GB"),
            (1_500_000_000_000, "1.5 TB"),
            (64_000, "64 kB"),
            (512 << 30, "512.0 GiB"),
            (64 << 20, "64 MiB"),
            (0, "0 B"),
        ] {
            assert_eq!(Sizes::like(amount).bytes(amount), written);
        }
        assert_eq!(Sizes::By1000.bytes(1_234_567), "1.2 MB");
        assert_eq!(Sizes::By1000.bytes(999), "999 B");
        assert_eq!(bytes(3 << 29), "1.5 GiB");
        assert_eq!(count(1, "frame"), "1 frame");
        assert_eq!(count(0, "row"), "0 rows");
    }
}
