//! Time of one person that is counted twice, because two of that person's clocks ran at once.
//!
//! Knows stretches of time. Does not know whether the person could have done both.

use std::sync::Arc;
use std::time::Duration;

use jiff::Timestamp;

use crate::crew::times::Times;
use crate::ledger::row::Entry;

/// Two stretches of one person that run side by side for a while.
#[derive(Clone, Debug)]
pub struct Overlap<'a> {
    /// Whose.
    pub person: &'a Arc<str>,
    /// The rows: the one that began first, then the other.
    pub rows: (&'a Entry, &'a Entry),
    /// How long both ran.
    pub both: Duration,
}

/// All overlaps, by person and time. A clock that still runs counts until `now`. Each stretch is held against the one before it
/// that ends last, so that there are at most as many overlaps as rows.
pub fn overlaps<'a>(times: &Times<'a>, now: Timestamp) -> Vec<Overlap<'a>> {
    let worked = times.counted().filter_map(|work| Some((&work.worked.person, work.stretch()?, work.entry)));
    let running = (times.running.iter())
        .map(|clock| (clock.person, (clock.entry.row.when, now.max(clock.entry.row.when)), clock.entry));
    let mut stretches: Vec<(&Arc<str>, (Timestamp, Timestamp), &Entry)> = worked.chain(running).collect();
    stretches.sort_by(|a, b| (a.0, a.1, a.2.id).cmp(&(b.0, b.1, b.2.id)));
    let mut found = Vec::new();
    let mut last: Option<(&Arc<str>, Timestamp, &Entry)> = None;
    for (person, (began, end), entry) in stretches {
        let before = last.filter(|(whose, until, _)| *whose == person && *until > began);
        if let Some((_, until, other)) = before {
            let both = Duration::try_from(until.min(end).duration_since(began)).unwrap_or_default();
            if !both.is_zero() {
                found.push(Overlap { person, rows: (other, entry), both });
            }
        }
        last = match before {
            Some(longer) if longer.1 >= end => Some(longer),
            _ => Some((person, end, entry)),
        };
    }
    found
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::crew::times::tests::{begin, entry, worked};

    #[test]
    fn two_clocks_of_one_person_at_once_are_found_and_of_two_people_are_not() {
        let at = |hour: u32| format!("2026-11-20T{hour:02}:00:00Z");
        let entries = [
            entry(1, &at(12), worked("ana", 120, Some(&at(10)), None)),
            entry(2, &at(12), worked("tomas", 120, Some(&at(10)), None)),
            // Begins when the first ends: no overlap.
            entry(3, &at(13), worked("ana", 60, Some(&at(12)), None)),
            // Within the first, and one that is known to the day only.
            entry(4, &at(11), worked("ana", 30, Some(&at(11)), None)),
            entry(5, &at(11), worked("ana", 300, None, None)),
            // A clock that still runs.
            entry(6, &at(9), begin("tomas")),
            // One from the future has not run.
            entry(7, &at(23), begin("tomas")),
        ];
        let times = Times::of(&entries);
        let found: Vec<(String, u128, u128, u64)> = overlaps(&times, at(11).parse().unwrap())
            .into_iter()
            .map(|o| (o.person.to_string(), o.rows.0.id.0, o.rows.1.id.0, o.both.as_secs() / 60))
            .collect();
        assert_eq!(found, [("ana".into(), 1, 4, 30), ("tomas".into(), 6, 2, 60)]);
        assert!(overlaps(&Times::of(&[]), at(11).parse().unwrap()).is_empty());
    }
}
