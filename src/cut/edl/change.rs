//! The mark of an event line that says how one event follows another: `C`, `D`, `W` and a pattern.
//!
//! Does not know what a pattern looks like.

/// How one event follows another.
#[derive(Clone, Copy, PartialEq)]
pub enum Change {
    /// At once.
    Cut,
    /// One over the other.
    Dissolve,
    /// With the number of its pattern.
    Wipe(u16),
}

impl Change {
    /// From the mark in an event line; none for keys and marks that mean nothing.
    pub fn of(mark: &str) -> Option<Self> {
        if mark.eq_ignore_ascii_case("C") {
            return Some(Self::Cut);
        }
        if mark.eq_ignore_ascii_case("D") {
            return Some(Self::Dissolve);
        }
        let digits = mark.strip_prefix(['W', 'w'])?;
        let sound = (1..=3).contains(&digits.len()) && digits.bytes().all(|b| b.is_ascii_digit());
        if sound { Some(Self::Wipe(digits.parse().ok()?)) } else { None }
    }

    /// What it is called in problems.
    pub fn word(self) -> &'static str {
        if matches!(self, Self::Wipe(_)) { "wipe" } else { "dissolve" }
    }
}
