//! The ledger as files: written, torn, damaged, copied and read again.
//!
//! Knows only the library's public face. Tears and damages are made on bytes in memory; the few
//! tests that touch the disk use folders of their own.

use std::fs;
use std::path::Path;
use std::sync::Arc;
use std::time::Duration;

use endboard::base::digest::Digest;
use endboard::ledger::crew::{Crew, Handout, Worked};
use endboard::ledger::file::{Ledger, LedgerError, read_all};
use endboard::ledger::id::RowId;
use endboard::ledger::intake::{Intake, LedgerProblem, Wrong};
use endboard::ledger::row::{Entry, Outcome, Render, Round, Row, What};
use proptest::prelude::*;

fn row(shot: &str, frames: &str, what: What) -> Row {
    Row {
        when: "2026-02-03T20:15:00.125Z".parse().unwrap(),
        film: "The Brine Lamp".into(),
        shot: shot.into(),
        stage: "blades".into(),
        frames: frames.parse().unwrap(),
        by: "blades".into(),
        what,
    }
}

fn render(shot: &str, frames: &str) -> Row {
    let render = Render {
        cause: "roto/br030.yaml: \"keeper\" moved\n{\"ledger\": ,\"check\":\" µ".into(),
        round: Round::Rework,
        wall: Duration::from_micros(1_234_567),
        cpu: Duration::from_micros(2_000_001),
        peak_memory: Some(300 << 20),
        machine: "shed".into(),
        outcome: Outcome::Done,
    };
    row(shot, frames, What::Render(render))
}

fn failed(shot: &str) -> Row {
    let mut row = render(shot, "1009");
    if let What::Render(render) = &mut row.what {
        render.outcome = Outcome::Failed("out of memory".into());
        render.peak_memory = None;
        render.round = Round::First;
    }
    row
}

fn every_kind() -> Vec<Row> {
    let note: Arc<str> = "kept for the poster".into();
    let digests = vec![Digest::of(b"1"), Digest::of(b"2")];
    vec![
        render("br030", "1009-1012,1020"),
        failed("br031"),
        row("br032", "1001-1002", What::Hold { digests, note: note.clone() }),
        row("br033", "7", What::Hold { digests: Vec::new(), note: "".into() }),
        row("br034", "-5--2", What::Release { note: note.clone() }),
        row("br035", "1001", What::Delivery { note: note.clone() }),
    ]
    .into_iter()
    .chain(peoples(&note))
    .collect()
}

/// A row of every kind of people's work, with and without what may be left out.
fn peoples(note: &Arc<str>) -> Vec<Row> {
    let none: Arc<str> = "".into();
    let (packet, person, note): (Arc<str>, Arc<str>, _) =
        ("roto-tide-3".into(), "Ås <ana>".into(), note.clone());
    let two = vec![Digest::of(b"1"), Digest::of(b"2")];
    let worked = Worked {
        person: person.clone(),
        took: Duration::from_micros(5_400_000_001),
        began: Some("2026-02-03T20:15:00.123Z".parse().unwrap()),
        round: Some(Round::Rework),
        cause: "cut/lock-3.edl changed".into(),
        ends: Some(RowId(5)),
        packet: packet.clone(),
        note: note.clone(),
    };
    let least = Worked {
        began: None,
        round: None,
        cause: none.clone(),
        ends: None,
        packet: none.clone(),
        note: none.clone(),
        ..worked.clone()
    };
    let out = Handout {
        packet: packet.clone(),
        person: person.clone(),
        due: Some("2026-03-01".parse().unwrap()),
        digests: two.clone(),
        note: note.clone(),
    };
    let plain = Handout { due: None, digests: Vec::new(), note: none.clone(), ..out.clone() };
    let of = RowId(7);
    [
        Crew::Begin { person: person.clone(), cause: none.clone(), note: note.clone() },
        Crew::Worked(worked),
        Crew::Worked(least),
        Crew::Correct { of, took: Duration::ZERO, note: none.clone() },
        Crew::Handout(out),
        Crew::Handout(plain),
        Crew::Takeback {
            packet: packet.clone(),
            person,
            version: 2,
            digests: two.clone(),
            note: note.clone(),
        },
        Crew::Close { packet, note: none.clone() },
        Crew::Choose { version: 1, note: note.clone() },
        Crew::Approval { digests: two, note: note.clone() },
        Crew::Withdrawal { note: none },
        Crew::Note { note: note.clone() },
        Crew::Resolve { of, note },
    ]
    .into_iter()
    .map(|what| row("br036", "1001-1002", What::Crew(what)))
    .collect()
}

/// The bytes of a file with these rows.
fn written(rows: &[Row]) -> Vec<u8> {
    let dir = tempfile::tempdir().unwrap();
    let mut ledger = Ledger::open(dir.path(), "ana").unwrap();
    for row in rows {
        ledger.append(row).unwrap();
    }
    fs::read(ledger.path()).unwrap()
}

fn read(files: &[(&str, &[u8])], step: usize) -> (Vec<Entry>, Vec<LedgerProblem>) {
    let mut intake = Intake::new();
    for (name, bytes) in files {
        let mut file = intake.file(name);
        bytes.chunks(step).for_each(|piece| file.feed(piece));
        file.finish();
    }
    intake.finish()
}

fn rows(entries: Vec<Entry>) -> Vec<Row> {
    entries.into_iter().map(|entry| entry.row).collect()
}

fn wrongs(problems: &[LedgerProblem]) -> Vec<(usize, Wrong)> {
    problems.iter().map(|p| (p.line, p.wrong.clone())).collect()
}

#[test]
fn every_kind_of_row_reads_back_as_written() {
    let dir = tempfile::tempdir().unwrap();
    let folder = dir.path().join("ledger");
    let mut ledger = Ledger::open(&folder, "ana@shed").unwrap();
    let ids: Vec<_> = every_kind().iter().map(|row| ledger.append(row).unwrap()).collect();
    let (entries, problems) = read_all(&folder);
    assert_eq!(problems, []);
    assert_eq!(entries.iter().map(|e| e.id).collect::<Vec<_>>(), ids);
    assert!(entries.iter().all(|e| &*e.writer == "ana@shed"));
    assert_eq!(rows(entries), every_kind());
    assert_eq!(read_all(&dir.path().join("no such folder")), (Vec::new(), Vec::new()));
}

/// A line written by the first version must stay readable for good.
#[test]
fn the_first_form_stays_readable() {
    let line = concat!(
        r#"{"ledger":1,"id":"019c24f1-1d9d-7000-8000-000000000001","kind":"render","when":"2026-02-03T20:15:00.125Z","#,
        r#""film":"The Brine Lamp","shot":"br031","stage":"blades","frames":"1009","by":"blades","cause":"cut changed","#,
        r#""round":"first","wall":1.5,"cpu":2.25,"machine":"shed","result":"failed","reason":"out of memory""#
    );
    // The check sum is what zlib's crc32 gives for the line above.
    let text = format!("{line},\"check\":\"{FIRST_FORM_CHECK}\"}}\n");
    let (entries, problems) = read(&[("ana.jsonl", text.as_bytes())], 4096);
    assert_eq!(problems, []);
    let What::Render(render) = &entries[0].row.what else { panic!("not a render") };
    assert_eq!(render.outcome, Outcome::Failed("out of memory".into()));
    assert_eq!(render.cpu, Duration::from_millis(2250));
    assert_eq!(entries[0].id.to_string(), "019c24f1-1d9d-7000-8000-000000000001");
}
const FIRST_FORM_CHECK: &str = "b2edca4b";

#[test]
fn a_torn_last_line_is_named_and_the_next_row_is_safe() {
    let dir = tempfile::tempdir().unwrap();
    let whole = written(&every_kind());
    let path = dir.path().join("ana.jsonl");
    fs::write(&path, &whole[..whole.len() - 30]).unwrap();
    let (entries, problems) = read_all(dir.path());
    assert_eq!(entries.len(), 18);
    assert_eq!(wrongs(&problems), [(19, Wrong::Torn)]);
    assert_eq!(problems[0].to_string(), "ana.jsonl:19: the last line breaks off; it is left out");
    let mut ledger = Ledger::open(dir.path(), "ana").unwrap();
    let new = ledger.append(&render("br099", "1")).unwrap();
    let (entries, problems) = read_all(dir.path());
    assert_eq!(entries.last().unwrap().id, new);
    assert_eq!(entries.len(), 19);
    assert_eq!(wrongs(&problems), [(19, Wrong::NoCheck)]);
}

#[test]
fn a_last_line_that_lacks_only_its_line_feed_counts() {
    let whole = written(&every_kind());
    let (entries, problems) = read(&[("a.jsonl", &whole[..whole.len() - 1])], 64);
    assert_eq!((rows(entries), problems), (every_kind(), Vec::new()));
}

#[test]
fn rows_of_a_later_version_are_left_out_with_a_notice() {
    let mut bytes = written(&every_kind()[..1]);
    for content in [r#"{"ledger":1,"id":"x","kind":"clock","hours":[2]"#, r#"{"ledger":2,"kind":"render""#] {
        let check = crc32fast::hash(content.as_bytes());
        bytes.extend_from_slice(format!("{content},\"check\":\"{check:08x}\"}}\n").as_bytes());
    }
    let (entries, problems) = read(&[("a.jsonl", &bytes)], 7);
    assert_eq!(entries.len(), 1);
    let want = [(2, Wrong::Later("kind 'clock'".into())), (3, Wrong::Later("form 2 of the ledger".into()))];
    assert_eq!(wrongs(&problems), want);
    assert!(problems.iter().all(LedgerProblem::is_notice));
}

#[test]
fn false_claims_under_a_right_check_sum_are_refused() {
    let line = String::from_utf8(written(&[render("br030", "1009")])).unwrap();
    let content = line.rsplit_once(",\"check\"").unwrap().0;
    for (from, to, said) in [
        ("\"wall\":1.234567", "\"wall\":-1.0", "its wall time is not between 0 and 1e9 seconds"),
        ("\"wall\":1.234567", "\"wall\":1e300", "its wall time is not between 0 and 1e9 seconds"),
        ("\"wall\":1.234567,", "", "it lacks its wall time"),
        ("\"1009\"", "\"none\"", "its frames cannot be read"),
        ("\"1009\"", "\"9-1\"", "its frames cannot be read"),
        ("\"rework\"", "\"second\"", "its round is neither first nor rework"),
        ("\"ok\"", "\"fine\"", "its result is neither ok nor failed"),
        ("\"2026-", "\"yesterday-", "its time cannot be read"),
        ("\"id\":\"", "\"id\":\"0", "a row id has the form"),
        ("\"kind\":\"render\"", "\"kind\":7", "invalid type"),
    ] {
        let content = content.replace(from, to);
        let check = crc32fast::hash(content.as_bytes());
        let bytes = format!("{content},\"check\":\"{check:08x}\"}}\n");
        let (entries, problems) = read(&[("a.jsonl", bytes.as_bytes())], 4096);
        assert!(entries.is_empty(), "{to}");
        assert!(problems[0].to_string().contains(said), "{to}: {}", problems[0]);
    }
}

#[test]
fn hostile_files_end_in_few_problems() {
    let good = written(&every_kind());
    let mut bytes = vec![b'x'; 5 << 20];
    bytes.push(b'\n');
    bytes.extend_from_slice(&good);
    bytes.extend_from_slice(&[0xff, 0xfe, b'\n'].repeat(1000));
    bytes.extend_from_slice(&[0; 100]);
    let (entries, problems) = read(&[("a.jsonl", &bytes)], 4096);
    assert_eq!(rows(entries), every_kind());
    assert_eq!(problems.len(), 101);
    assert_eq!(wrongs(&problems)[0], (1, Wrong::TooLong));
    assert_eq!(wrongs(&problems)[100], (1002 + every_kind().len(), Wrong::More(902)));
    // Carriage returns and a byte order mark come from editors and take nothing away.
    let text = format!("\u{feff}{}", String::from_utf8(good).unwrap().replace('\n', "\r\n"));
    let (entries, problems) = read(&[("a.jsonl", text.as_bytes())], 4096);
    assert_eq!((rows(entries), problems), (every_kind(), Vec::new()));
}

#[test]
fn rows_that_could_not_be_read_back_are_not_written() {
    let dir = tempfile::tempdir().unwrap();
    let mut ledger = Ledger::open(dir.path(), "ana").unwrap();
    let mut empty = render("br030", "1");
    empty.frames = Default::default();
    assert!(matches!(ledger.append(&empty), Err(LedgerError::BadFrames { .. })));
    let digests = vec![Digest::of(b"1")];
    let two = row("br030", "1-2", What::Hold { digests, note: "".into() });
    assert!(matches!(ledger.append(&two), Err(LedgerError::BadFrames { .. })));
    let long = row("br030", "1", What::Release { note: "x".repeat(2 << 20).into() });
    assert!(matches!(ledger.append(&long), Err(LedgerError::TooLong { .. })));
    assert_eq!(fs::read(ledger.path()).unwrap(), b"");
    for bad in ["", "../up", "a/b", ".hidden", "a b", &"n".repeat(200)] {
        assert!(matches!(Ledger::open(dir.path(), bad), Err(LedgerError::BadWriter(_))), "{bad}");
    }
}

#[test]
fn folders_and_other_files_do_no_harm() {
    let dir = tempfile::tempdir().unwrap();
    Ledger::open(dir.path(), "ana").unwrap().append(&render("br030", "1")).unwrap();
    fs::create_dir(dir.path().join("folder.jsonl")).unwrap();
    fs::write(dir.path().join("notes.txt"), "not a ledger").unwrap();
    let (entries, problems) = read_all(dir.path());
    assert_eq!(entries.len(), 1);
    assert_eq!(problems.len(), 1);
    assert_eq!(problems[0].to_string(), "folder.jsonl: the file could not be read: it is not a plain file");
}

/// Two people's folders, copied into each other in any order, give the same rows.
#[test]
fn merging_is_copying() {
    let copy = |from: &Path, name: &str, to: &Path| fs::copy(from.join(name), to.join(name)).unwrap();
    let (a, b) = (tempfile::tempdir().unwrap(), tempfile::tempdir().unwrap());
    let mut ana = Ledger::open(a.path(), "ana").unwrap();
    let mut ben = Ledger::open(b.path(), "ben").unwrap();
    for n in 0..20 {
        let frame = n.to_string();
        ana.append(&render("br030", &frame)).unwrap();
        ben.append(&failed("br031")).unwrap();
    }
    copy(a.path(), "ana.jsonl", b.path());
    copy(b.path(), "ben.jsonl", a.path());
    // A sync folder's second copy, older than the file, adds nothing.
    fs::copy(a.path().join("ana.jsonl"), a.path().join("ana (second copy).jsonl")).unwrap();
    ana.append(&render("br030", "99")).unwrap();
    copy(a.path(), "ana.jsonl", b.path());
    let (here, there) = (read_all(a.path()), read_all(b.path()));
    assert_eq!(here.0.len(), 41);
    assert_eq!(rows(here.0), rows(there.0));
    assert_eq!((here.1, there.1), (Vec::new(), Vec::new()));
}

#[test]
fn the_same_id_with_other_content_counts_twice_and_is_named() {
    let line = String::from_utf8(written(&[render("br030", "1009")])).unwrap();
    let content = line.rsplit_once(",\"check\"").unwrap().0.replace("br030", "br040");
    let check = crc32fast::hash(content.as_bytes());
    let other = format!("{content},\"check\":\"{check:08x}\"}}\n");
    let (entries, problems) = read(&[("a.jsonl", line.as_bytes()), ("b.jsonl", other.as_bytes())], 4096);
    assert_eq!(entries.len(), 2);
    assert_eq!(problems.len(), 1);
    assert!(matches!(problems[0].wrong, Wrong::SameId(id) if id == entries[0].id));
}

#[test]
fn a_reopened_file_goes_on_after_its_last_id() {
    let dir = tempfile::tempdir().unwrap();
    let first = Ledger::open(dir.path(), "ana").unwrap().append(&render("br030", "1")).unwrap();
    let mut earlier = render("br030", "2");
    earlier.when = "2026-02-03T20:00:00Z".parse().unwrap();
    let second = Ledger::open(dir.path(), "ana").unwrap().append(&earlier).unwrap();
    assert!(second > first);
}

/// Lines start after these bytes.
fn line_of(bytes: &[u8], at: usize) -> usize {
    bytes[..at].iter().filter(|&&b| b == b'\n').count()
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(400))]

    #[test]
    fn one_flipped_bit_costs_at_most_its_own_row(at in any::<prop::sample::Index>(), bit in 0u8..8, step in 1usize..900) {
        let rows_written = every_kind();
        let mut bytes = written(&rows_written);
        let at = at.index(bytes.len());
        let hit = line_of(&bytes, at);
        bytes[at] ^= 1 << bit;
        let (entries, _) = read(&[("a.jsonl", &bytes)], step);
        let got = rows(entries);
        let mut without = rows_written.clone();
        without.remove(hit);
        prop_assert!(got == rows_written || got == without, "byte {} of line {}", at, hit + 1);
        // A changed row is never taken for a true one, so only whole rows can have come through.
        for row in &got {
            prop_assert!(rows_written.contains(row));
        }
    }

    #[test]
    fn a_tear_anywhere_costs_only_the_row_it_cuts(cut in any::<prop::sample::Index>(), step in 1usize..900) {
        let rows_written = every_kind();
        let bytes = written(&rows_written);
        let cut = cut.index(bytes.len());
        let whole = line_of(&bytes, cut);
        // Another process of the same writer may go on without noticing the tear.
        let after = written(&[render("br077", "5")]);
        let torn = [&bytes[..cut], &after].concat();
        let (entries, _) = read(&[("a.jsonl", &torn)], step);
        let got = rows(entries);
        prop_assert!(got.contains(&render("br077", "5")));
        for row in &rows_written[..whole] {
            prop_assert!(got.contains(row));
        }
    }

    #[test]
    fn order_of_files_does_not_matter(splits in proptest::collection::vec(0usize..4, every_kind().len()), turn in 0usize..4) {
        let bytes = written(&every_kind());
        let lines: Vec<&[u8]> = bytes.split_inclusive(|&b| b == b'\n').collect();
        let mut files: Vec<(String, Vec<u8>)> = (0..4).map(|n| (format!("w{n}.jsonl"), Vec::new())).collect();
        for (line, &file) in lines.iter().zip(&splits) {
            files[file].1.extend_from_slice(line);
            // And a copy of it in the file beside.
            files[(file + 1) % 4].1.extend_from_slice(line);
        }
        files[0].1.extend_from_slice(b"{\"ledger\":1,\"id\":\"tor");
        let view = |files: &[(String, Vec<u8>)]| {
            let files: Vec<(&str, &[u8])> = files.iter().map(|(n, b)| (n.as_str(), b.as_slice())).collect();
            read(&files, 100)
        };
        let straight = view(&files);
        files.rotate_left(turn);
        files.reverse();
        prop_assert_eq!(&view(&files), &straight);
        prop_assert_eq!(rows(straight.0), every_kind());
        prop_assert_eq!(straight.1.len(), 1);
    }

    #[test]
    fn no_bytes_panic(bytes in proptest::collection::vec(any::<u8>(), 0..400), step in 1usize..50) {
        let _ = read(&[("a.jsonl", &bytes)], step);
    }

    #[test]
    fn any_text_comes_back(cause in ".{0,60}", machine in ".{0,20}", frames in proptest::collection::btree_set(-2000i64..2000, 1..30)) {
        let mut row = render("br030", "1");
        row.frames = frames.into_iter().collect();
        if let What::Render(render) = &mut row.what {
            render.cause = cause.into();
            render.machine = machine.into();
        }
        let (entries, problems) = read(&[("a.jsonl", &written(std::slice::from_ref(&row)))], 4096);
        prop_assert_eq!((rows(entries), problems), (vec![row], Vec::new()));
    }
}
