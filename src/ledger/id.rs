//! Ids of ledger rows: unique without any agreement between writers, in order of time, and after what their writer could see.
//!
//! Knows the layout of UUID version 7 (RFC 9562, section 5.7). Does not know the time: callers pass it in.

use std::fmt;
use std::hash::{BuildHasher, RandomState};
use std::str::FromStr;

/// The id of one row. Ids sort by time, then by order of writing within one writer. A row whose writer's clock lags behind rows that
/// were there before it stands after them all the same, so that its id's time may be later than the row's.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub struct RowId(pub u128);

const TIME_BITS: u32 = 48;
const COUNTER_LIMIT: u64 = 1 << 12;
const NONCE_MASK: u64 = (1 << 62) - 1;
/// Rows follow a clock that was ahead, by any error that a machine's date is likely to have; farther off than this, in
/// milliseconds, it is damage.
const FOLLOWED_LEAD: u64 = 50 * 366 * 24 * 3600 * 1000;

impl RowId {
    fn build(millisecond: u64, counter: u64, nonce: u64) -> Self {
        let high = (millisecond << 16) | (7 << 12) | counter;
        let low = (2 << 62) | (nonce & NONCE_MASK);
        RowId((u128::from(high) << 64) | u128::from(low))
    }

    /// Milliseconds since 1970 at which the row was written.
    pub fn millisecond(self) -> u64 {
        (self.0 >> 80) as u64
    }

    fn counter(self) -> u64 {
        (self.0 >> 64) as u64 & (COUNTER_LIMIT - 1)
    }
}

impl fmt::Display for RowId {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let n = self.0;
        write!(
            f,
            "{:08x}-{:04x}-{:04x}-{:04x}-{:012x}",
            n >> 96,
            (n >> 80) & 0xffff,
            (n >> 64) & 0xffff,
            (n >> 48) & 0xffff,
            n & 0xffff_ffff_ffff
        )
    }
}

/// The text is not a row id.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error("a row id has the form xxxxxxxx-xxxx-7xxx-xxxx-xxxxxxxxxxxx in hexadecimal digits")]
pub struct NotARowId;

impl FromStr for RowId {
    type Err = NotARowId;

    fn from_str(text: &str) -> Result<Self, NotARowId> {
        if text.len() != 36 {
            return Err(NotARowId);
        }
        let mut value: u128 = 0;
        for (i, byte) in text.bytes().enumerate() {
            let digit = match (i, byte) {
                (8 | 13 | 18 | 23, b'-') => continue,
                (8 | 13 | 18 | 23, _) => return Err(NotARowId),
                (_, b'0'..=b'9') => byte - b'0',
                (_, b'a'..=b'f') => byte - b'a' + 10,
                _ => return Err(NotARowId),
            };
            value = (value << 4) | u128::from(digit);
        }
        Ok(RowId(value))
    }
}

/// Makes the ids of one writer, each later than the one before even when the clock is set back.
#[derive(Clone, Debug)]
pub struct Ids {
    nonce: u64,
    last: Option<(u64, u64)>,
}

impl Ids {
    /// Starts with a nonce that no other writer has: the standard library's random hashing keys
    /// are drawn from the system for every process and differ for every value made.
    pub fn new() -> Self {
        Self { nonce: RandomState::new().hash_one("ledger") & NONCE_MASK, last: None }
    }

    /// Goes on after an id that is already there, whoever wrote it: what a person says of what they see is to come after it in the
    /// order of ids, whatever the two machines' clocks say (a logical clock, after Lamport 1978, that keeps close to the time as in
    /// Kulkarni et al. 2014).
    pub fn after(mut self, id: RowId) -> Self {
        self.last = self.last.max(Some((id.millisecond(), id.counter())));
        self
    }

    /// The next id, of a row written at `millisecond` since 1970.
    pub fn next(&mut self, millisecond: u64) -> RowId {
        let now = millisecond.min((1 << TIME_BITS) - 1);
        let (ms, counter) = match self.last {
            Some((last, counter)) if last >= now && last - now <= FOLLOWED_LEAD => {
                if counter + 1 < COUNTER_LIMIT { (last, counter + 1) } else { (last + 1, 0) }
            }
            Some((last, _)) if last > now => {
                // Going back in time could meet an id given out before, so the nonce moves on.
                self.nonce = (self.nonce + 1) & NONCE_MASK;
                (now, 0)
            }
            _ => (now, 0),
        };
        self.last = Some((ms, counter));
        RowId::build(ms, counter, self.nonce)
    }
}

impl Default for Ids {
    fn default() -> Self {
        Self::new()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The layout of RFC 9562, appendix A.6: the example of a version 7 UUID.
    #[test]
    fn the_layout_is_uuid_version_7() {
        let id = RowId::build(0x017F_22E2_79B0, 0xCC3, 0x18C4_DC0C_0C07_398F);
        assert_eq!(id.to_string(), "017f22e2-79b0-7cc3-98c4-dc0c0c07398f");
        assert_eq!(id.to_string().parse(), Ok(id));
        assert_eq!(id.millisecond(), 0x017F_22E2_79B0);
        let long_bad = "é".repeat(18);
        for bad in
            ["", "017f22e2-79b0-7cc3-98c4-dc0c0c07398", "017f22e279b0-7cc3-98c4-dc0c0c07398f-", &long_bad]
        {
            assert_eq!(bad.parse::<RowId>(), Err(NotARowId), "{bad}");
        }
    }

    #[test]
    fn ids_rise_even_when_the_clock_is_set_back() {
        let mut ids = Ids::new();
        let mut last = ids.next(1_000_000);
        for now in [1_000_000, 999_000, 1_000_001, 5, 1_000_002].into_iter().chain([1_000_002; 9000]) {
            let id = ids.next(now);
            assert!(id > last);
            last = id;
        }
        assert!(Ids::new().after(last).next(0) > last);
    }

    #[test]
    fn a_clock_that_was_years_ahead_is_followed_and_damage_is_not() {
        let mut ids = Ids::new();
        let year = 365 * 24 * 3600 * 1000;
        let ahead = ids.next(3 * year);
        let after = ids.next(year);
        assert!(after > ahead && after.millisecond() == 3 * year);
        let mut seen = std::collections::HashSet::new();
        for now in [90 * year, 0, 90 * year, 0, 90 * year] {
            let id = ids.next(now);
            assert_eq!(id.millisecond(), now);
            assert!(seen.insert(id));
        }
    }

    #[test]
    fn of_several_ids_the_latest_is_gone_on_from() {
        let (early, late) = (RowId::build(5, 0, 1), RowId::build(9, 4095, 1));
        let next = Ids::new().after(late).after(early).next(0);
        assert!(next > late);
        assert_eq!((next.millisecond(), next.counter()), (10, 0));
    }

    #[test]
    fn two_writers_never_share_an_id() {
        assert_ne!(Ids::new().next(7), Ids::new().next(7));
    }
}
