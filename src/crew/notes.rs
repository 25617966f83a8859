//! Notes on frames, open or settled.
//!
//! Knows which row settles which note. Does not know whether what a note asked for was done.

use std::collections::HashMap;
use std::sync::Arc;

use crate::ledger::crew::Crew;
use crate::ledger::id::RowId;
use crate::ledger::row::{Entry, What};

/// A note and how it stands.
#[derive(Clone, Copy, Debug)]
pub struct Noted<'a> {
    /// Its row: shot, stage, frames, and who wrote it.
    pub entry: &'a Entry,
    /// What it says.
    pub words: &'a Arc<str>,
    /// The row that settles it, with its words.
    pub settled: Option<(&'a Entry, &'a Arc<str>)>,
}

/// All notes, by shot, then stage, first frame and time. The first row that settles one counts, wherever it stands.
pub fn notes(entries: &[Entry]) -> Vec<Noted<'_>> {
    let mut settled: HashMap<RowId, (&Entry, &Arc<str>)> = HashMap::new();
    for entry in entries {
        if let What::Crew(Crew::Resolve { of, note }) = &entry.row.what {
            settled.entry(*of).or_insert((entry, note));
        }
    }
    let noted = entries.iter().filter_map(|entry| match &entry.row.what {
        What::Crew(Crew::Note { note }) => {
            Some(Noted { entry, words: note, settled: settled.get(&entry.id).copied() })
        }
        _ => None,
    });
    let mut all: Vec<Noted<'_>> = noted.collect();
    all.sort_by(|a, b| {
        let place = |noted: &Noted<'_>| noted.entry.row.frames.runs().first().map(|run| run.first);
        let (x, y) = (&a.entry.row, &b.entry.row);
        (&x.shot, &x.stage, place(a), a.entry.id).cmp(&(&y.shot, &y.stage, place(b), b.entry.id))
    });
    all
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::crew::times::tests::entry;

    #[test]
    fn notes_stand_by_place_and_the_first_that_settles_one_counts() {
        let when = "2026-11-20T10:00:00Z";
        let note = |n: u128, shot: &str, frames: &str| {
            let mut made = entry(n, when, Crew::Note { note: format!("note {n}").into() });
            (made.row.shot, made.row.frames) = (shot.into(), frames.parse().unwrap());
            made
        };
        let settle = |n: u128, of: u128| entry(n, when, Crew::Resolve { of: RowId(of), note: "done".into() });
        let entries = [
            // A machine's clock lags: the row that settles stands first. Another is about a note that is not here.
            settle(1, 4),
            settle(2, 99),
            note(3, "br040", "1009"),
            note(4, "br030", "1020-1022"),
            note(5, "br030", "1012"),
            note(6, "br030", "1012"),
            settle(7, 4),
            settle(8, 6),
        ];
        let all = notes(&entries);
        let found: Vec<(u128, Option<u128>)> =
            all.iter().map(|noted| (noted.entry.id.0, noted.settled.map(|(by, _)| by.id.0))).collect();
        assert_eq!(found, [(5, None), (6, Some(8)), (4, Some(1)), (3, None)]);
        assert_eq!(&**all[0].words, "note 5");
    }
}
