//! Corrections of one row by two people, as when both put it right before their ledgers were merged.
//!
//! Knows the last two corrections of a row and whether they differ. Does not know which is right: the later counts.

use std::time::Duration;

use crate::ledger::row::Entry;

/// The last two corrections of one row.
#[derive(Clone, Copy, Debug)]
pub struct Contest<'a> {
    /// The row that both correct.
    pub of: &'a Entry,
    /// The later one, which counts.
    pub holds: &'a Entry,
    /// What it says.
    pub took: Duration,
    /// The one before it, and what it says.
    pub before: Option<(&'a Entry, Duration)>,
}

impl Contest<'_> {
    /// Whether two people said two things.
    pub fn is_one(&self) -> bool {
        self.before.is_some_and(|(before, took)| before.row.by != self.holds.row.by && took != self.took)
    }
}

#[cfg(test)]
mod tests {
    use crate::crew::times::Times;
    use crate::crew::times::tests::{EVENING, correct, entry, minutes_of, worked};

    #[test]
    fn corrections_of_two_people_are_told_and_the_later_counts() {
        let by = |n, person: &str, minutes| {
            let mut made = entry(n, EVENING, correct(1, minutes));
            made.row.by = person.into();
            made
        };
        let mut entries =
            vec![entry(1, EVENING, worked("ana", 90, None, None)), by(2, "ana", 45), by(3, "tomas", 60)];
        let times = Times::of(&entries);
        assert_eq!(times.works[0].took, minutes_of(60));
        let told: Vec<_> =
            times.contested.iter().map(|one| (one.of.id.0, one.holds.id.0, one.took)).collect();
        assert_eq!(told, [(1, 3, minutes_of(60))]);
        assert_eq!(
            times.contested[0].before.map(|(entry, took)| (entry.id.0, took)),
            Some((2, minutes_of(45)))
        );
        // Who has seen both says so; and two who say the same do not differ.
        entries.push(by(4, "tomas", 50));
        assert!(Times::of(&entries).contested.is_empty());
        entries.push(by(5, "ana", 50));
        assert!(Times::of(&entries).contested.is_empty());
    }
}
