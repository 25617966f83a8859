//! Rows of several writers: whatever way their files were merged, copied or torn between, they come to the same.
//!
//! Knows the ledger's and the crew's public face. Runs no program; what the built program makes of it `together` tests.

use std::fs;
use std::path::Path;
use std::time::Duration;

use endboard::base::digest::Digest;
use endboard::crew::approvals::{Approvals, Present};
use endboard::crew::notes::notes;
use endboard::crew::packets::Packets;
use endboard::crew::times::Times;
use endboard::crew::twice::twice;
use endboard::ledger::crew::{Crew, Handout, Worked};
use endboard::ledger::file::{Ledger, read_all};
use endboard::ledger::holds::Holds;
use endboard::ledger::id::RowId;
use endboard::ledger::intake::{Intake, Wrong};
use endboard::ledger::row::{Entry, Row, What};
use jiff::{SignedDuration, Timestamp};
use proptest::prelude::*;
use proptest::sample::Index;

const NOW: &str = "2026-11-20T20:00:00Z";

fn row(by: &str, hours: i64, frames: &str, what: What) -> Row {
    let now: Timestamp = NOW.parse().unwrap();
    Row {
        when: now.checked_add(SignedDuration::from_hours(hours)).unwrap(),
        film: "The Brine Lamp".into(),
        shot: "br050".into(),
        stage: "cleanup".into(),
        frames: frames.parse().unwrap(),
        by: by.into(),
        what,
    }
}

fn crew(by: &str, hours: i64, what: Crew) -> Row {
    row(by, hours, "1001-1002", What::Crew(what))
}

fn two(seed: u8) -> Vec<Digest> {
    vec![Digest::of(&[seed, 1]), Digest::of(&[seed, 2])]
}

fn note(words: &str) -> Crew {
    Crew::Note { note: words.into() }
}

fn worked(person: &str, minutes: u64, ends: Option<RowId>) -> Crew {
    Crew::Worked(Worked {
        person: person.into(),
        took: Duration::from_secs(minutes * 60),
        began: None,
        round: None,
        cause: "".into(),
        ends,
        packet: "".into(),
        note: "".into(),
    })
}

/// What a step of a person's makes, where `seen` are ids of rows that were there.
fn what(kind: u8, seed: u8, by: &str, seen: &[RowId]) -> What {
    let some = |n: usize| seen.get((usize::from(seed) + n) % seen.len().max(1)).copied().unwrap_or(RowId(7));
    let packet = || format!("{by}-{}", seed % 3).into();
    What::Crew(match kind % 13 {
        0 => return What::Hold { digests: two(seed), note: "kept".into() },
        1 => return What::Release { note: "".into() },
        2 => Crew::Approval { digests: two(seed), note: "good".into() },
        3 => Crew::Withdrawal { note: "no".into() },
        4 => note("halo"),
        5 => Crew::Resolve { of: some(0), note: "softer".into() },
        6 => Crew::Begin { person: by.into(), cause: "".into(), note: "".into() },
        7 => worked(by, u64::from(seed), (seed.is_multiple_of(2)).then(|| some(1))),
        8 => Crew::Correct { of: some(2), took: Duration::from_secs(60 * u64::from(seed)), note: "".into() },
        9 => Crew::Handout(Handout {
            packet: packet(),
            person: by.into(),
            due: None,
            digests: two(seed),
            note: "".into(),
        }),
        10 => Crew::Takeback {
            packet: packet(),
            person: by.into(),
            version: u32::from(seed % 3) + 1,
            digests: two(seed),
            note: "".into(),
        },
        11 => Crew::Close { packet: packet(), note: "".into() },
        _ => Crew::Choose { version: u32::from(seed % 3) + 1, note: "".into() },
    })
}

/// All that rows come to, in words: holds, approvals, notes, packets, hours.
fn comes_to(entries: &[Entry]) -> String {
    let holds = Holds::after(entries);
    let held: Vec<_> = (1001..=1002)
        .map(|n| (holds.holding("br050", "cleanup", n).map(|e| e.id), holds.digest("br050", "cleanup", n)))
        .collect();
    let approvals = Approvals::after(entries);
    let approved: Vec<_> = (approvals.parts("br050", "cleanup", &|_| Present::Absent).iter())
        .map(|part| (part.entry.id, part.standing, part.frames.to_string()))
        .collect();
    let noted: Vec<_> = notes(entries).iter().map(|n| (n.entry.id, n.settled.map(|(e, _)| e.id))).collect();
    let packets = Packets::after(entries);
    let returns = packets.returns("br050", "cleanup");
    let current: Vec<_> = (1001..=1002)
        .map(|n| (returns.and_then(|r| r.current(n)).cloned(), returns.is_some_and(|r| r.is_out(n))))
        .collect();
    let both: Vec<_> = twice(&packets).iter().map(|one| one.frames.to_string()).collect();
    let times = Times::of(entries);
    let hours: Vec<_> =
        times.works.iter().chain(&times.doubled).map(|w| (w.entry.id, w.took, w.corrected)).collect();
    let running: Vec<_> = times.running.iter().map(|clock| clock.entry.id).collect();
    let contested: Vec<_> = times.contested.iter().map(|one| (one.of.id, one.holds.id)).collect();
    format!(
        "{held:?} {approved:?} {noted:?} {:?} {current:?} {both:?} {hours:?} {running:?} {contested:?}",
        packets.all()
    )
}

fn read(files: &[(String, Vec<u8>)]) -> (Vec<Entry>, usize) {
    let mut intake = Intake::new();
    for (name, bytes) in files {
        let mut file = intake.file(name);
        file.feed(bytes);
        file.finish();
    }
    let (entries, problems) = intake.finish();
    let faults = problems.iter().filter(|p| p.wrong != Wrong::Conflict).count();
    (entries, faults)
}

/// Lines of two sides of a file, merged as git's union does it, or with the marks left, or in any order.
fn merged(one: &[&str], other: &[&str], way: u8) -> Vec<u8> {
    let (one, other) = (one.join(""), other.join(""));
    match way % 4 {
        0 => one + &other,
        1 => other + &one,
        2 => format!("<<<<<<< HEAD\n{one}=======\n{other}>>>>>>> tomas\n"),
        _ => format!(
            "<<<<<<< HEAD\r\n{one}||||||| 1a2b3c4\n{one}=======\n{other}{one}>>>>>>> tomas (an evening)\n"
        ),
    }
    .into_bytes()
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(60))]

    /// Three writers work apart, each having seen a part of what the others wrote, with clocks that differ by hours.
    #[test]
    fn any_merge_of_three_ledgers_comes_to_the_same(
        steps in proptest::collection::vec((0usize..3, any::<u8>(), any::<u8>(), -5i64..5), 1..24),
        cuts in proptest::collection::vec((any::<Index>(), any::<Index>(), any::<u8>()), 6),
        turn in 0usize..6,
    ) {
        let folder = tempfile::tempdir().unwrap();
        let people = ["ana", "tomas", "ines"];
        let mut seen: Vec<RowId> = Vec::new();
        for (who, kind, seed, hours) in steps {
            let by = people[who];
            // A folder each: nobody sees the others' rows, but points at them.
            let mut ledger = Ledger::open(&folder.path().join(by), by).unwrap();
            seen.push(ledger.append(&row(by, hours, "1001-1002", what(kind, seed, by, &seen))).unwrap());
        }
        let texts: Vec<(String, String)> = people.iter()
            .filter_map(|by| Some((format!("{by}.jsonl"), fs::read_to_string(folder.path().join(by).join(format!("{by}.jsonl"))).ok()?)))
            .collect();
        let plain: Vec<(String, Vec<u8>)> = texts.iter().map(|(name, text)| (name.clone(), text.clone().into_bytes())).collect();
        let (entries, faults) = read(&plain);
        prop_assert_eq!((entries.len(), faults), (seen.len(), 0));
        let want = comes_to(&entries);
        // Each file in two overlapping parts, merged in some way, some of it beside under another name, in some order.
        let mut files = Vec::new();
        for ((name, text), (a, b, way)) in texts.iter().zip(&cuts) {
            let lines: Vec<&str> = text.split_inclusive('\n').collect();
            let (a, b) = (a.index(lines.len() + 1), b.index(lines.len() + 1));
            let (low, high) = (a.min(b), a.max(b));
            files.push((name.clone(), merged(&lines[..high], &lines[low..], *way)));
            files.push((name.replace(".jsonl", " (conflicted copy).jsonl"), lines[low..].concat().into_bytes()));
            files.push(("one.jsonl".to_string(), merged(&lines[low..], &lines[..low], way / 4)));
        }
        let long = files.len();
        files.rotate_left(turn % long);
        let (again, faults) = read(&files);
        prop_assert_eq!(faults, 0);
        prop_assert_eq!(again.iter().map(|e| &e.row).collect::<Vec<_>>(), entries.iter().map(|e| &e.row).collect::<Vec<_>>());
        let mut renamed = again;
        renamed.iter_mut().zip(&entries).for_each(|(e, as_written)| e.writer = as_written.writer.clone());
        prop_assert_eq!(comes_to(&renamed), want);
    }
}

/// Copies everything of one ledger folder into another.
fn copy(from: &Path, to: &Path) {
    fs::create_dir_all(to).unwrap();
    for entry in fs::read_dir(from).unwrap() {
        let entry = entry.unwrap();
        fs::copy(entry.path(), to.join(entry.file_name())).unwrap();
    }
}

#[test]
fn what_a_person_says_of_what_they_see_counts_though_their_clock_lags() {
    let root = tempfile::tempdir().unwrap();
    let (ahead, behind) = (root.path().join("ahead"), root.path().join("behind"));
    // Hours, days and years ahead.
    for hours in [3, 200, 9000] {
        let mut ana = Ledger::open(&ahead, "ana").unwrap();
        let kept = What::Hold { digests: two(1), note: "for the poster".into() };
        ana.append(&row("ana", hours, "1001-1002", kept)).unwrap();
        ana.append(&crew("ana", hours, Crew::Approval { digests: two(1), note: "good".into() })).unwrap();
        copy(&ahead, &behind);
        let mut tomas = Ledger::open(&behind, "tomas").unwrap();
        tomas.append(&row("tomas", 0, "1001-1002", What::Release { note: "".into() })).unwrap();
        tomas.append(&crew("tomas", 0, Crew::Withdrawal { note: "the pole is off".into() })).unwrap();
        let (entries, problems) = read_all(&behind);
        assert_eq!(problems, []);
        assert!(Holds::after(&entries).holding("br050", "cleanup", 1001).is_none(), "{hours}");
        assert_eq!(Approvals::after(&entries).of("br050", "cleanup").len(), 0, "{hours}");
        copy(&behind, &ahead);
        // The rows' own times stay what the machines said.
        let times: Vec<Timestamp> = entries.iter().rev().take(2).map(|e| e.row.when).collect();
        assert_eq!(times, [NOW.parse().unwrap(), NOW.parse().unwrap()]);
    }
}

#[test]
fn of_two_who_have_not_seen_each_other_the_later_clock_counts_everywhere() {
    let root = tempfile::tempdir().unwrap();
    let (one, other) = (root.path().join("one"), root.path().join("other"));
    let kept = What::Hold { digests: two(1), note: "".into() };
    Ledger::open(&one, "ana").unwrap().append(&row("ana", 3, "1001-1002", kept)).unwrap();
    let freed = What::Release { note: "".into() };
    Ledger::open(&other, "tomas").unwrap().append(&row("tomas", 0, "1001-1002", freed)).unwrap();
    copy(&one, &other);
    copy(&other, &one);
    for folder in [&one, &other] {
        let (entries, _) = read_all(folder);
        assert!(Holds::after(&entries).holding("br050", "cleanup", 1002).is_some());
    }
}

#[test]
fn after_a_merge_in_any_order_the_latest_row_is_gone_on_from() {
    let root = tempfile::tempdir().unwrap();
    let mut keeper = Ledger::open(root.path(), "keeper").unwrap();
    let ids: Vec<RowId> = (0..6).map(|n| keeper.append(&crew("keeper", n, note("halo"))).unwrap()).collect();
    let path = root.path().join("keeper.jsonl");
    let text = fs::read_to_string(&path).unwrap();
    let mut lines: Vec<&str> = text.split_inclusive('\n').collect();
    lines.reverse();
    fs::write(&path, format!("<<<<<<< HEAD\n{}=======\n>>>>>>> tomas\n", lines.concat())).unwrap();
    let next =
        Ledger::open(root.path(), "keeper").unwrap().append(&crew("keeper", -9, note("soft"))).unwrap();
    assert!(ids.iter().all(|id| *id < next));
}

#[test]
fn rows_go_into_the_file_that_stands_there_now() {
    let root = tempfile::tempdir().unwrap();
    let mut keeper = Ledger::open(root.path(), "keeper").unwrap();
    keeper.append(&crew("keeper", 0, note("before"))).unwrap();
    // A merge puts another file in its place, which ends without a line feed; then the folder goes and comes back.
    let path = root.path().join("keeper.jsonl");
    let merged = fs::read_to_string(&path).unwrap();
    fs::write(root.path().join("beside"), merged.trim_end()).unwrap();
    fs::rename(root.path().join("beside"), &path).unwrap();
    keeper.append(&crew("keeper", 0, note("after"))).unwrap();
    let said = |entries: &[Entry]| notes(entries).iter().map(|n| n.words.to_string()).collect::<Vec<_>>();
    let (entries, problems) = read_all(root.path());
    assert_eq!((said(&entries), problems), (vec!["before".to_string(), "after".into()], vec![]));
    fs::remove_file(&path).unwrap();
    keeper.append(&crew("keeper", 0, note("later"))).unwrap();
    assert_eq!(said(&read_all(root.path()).0), ["later"]);
}
