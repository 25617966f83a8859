//! Edit lists read as cuts.
//!
//! Knows lists as text and what must come out; the outside lists and their values are in
//! `checks/edl.json`, whose `source` says where they are from.

use endboard::base::frames::FrameRange;
use endboard::base::problem::{Problems, Severity, Sources};
use endboard::base::rate::Rate;
use endboard::cut::{Cut, edl};
use proptest::prelude::*;
use serde_json::Value;

const FILM: Rate = Rate::new(24, 1);

/// The cut, and each problem as `line:column message`.
fn read(text: &str, rate: Rate) -> (Cut, Vec<String>) {
    let mut sources = Sources::new();
    let id = sources.add("cut.edl", text);
    let (cut, problems) = edl::parse(id, text, rate);
    (cut, told(&sources, &problems))
}

fn told(sources: &Sources, problems: &Problems) -> Vec<String> {
    problems
        .iter()
        .map(|p| {
            let (line, column) = sources.position(p.span.unwrap());
            let warning = if p.severity == Severity::Warning { "warning: " } else { "" };
            format!("{line}:{column} {warning}{}", p.message)
        })
        .collect()
}

#[test]
fn the_brine_lamp() {
    let text = "\
TITLE: THE BRINE LAMP
FCM: NON-DROP FRAME

001  SHEDA    V     C        00:00:42:01 00:00:44:01 01:00:00:00 01:00:02:00
* FROM CLIP NAME: br030
* lamp is lit here
002  BL       V     C        00:00:00:00 00:00:01:00 01:00:02:00 01:00:03:00
003  SHEDA    AA    C        00:00:42:01 00:00:44:01 01:00:00:00 01:00:02:00
* FROM CLIP NAME: hum
004  br040    B     C        00:00:41:17 00:00:42:17 01:00:03:00 01:00:04:00
";
    let (cut, problems) = read(text, FILM);
    assert_eq!(problems, Vec::<String>::new());
    assert_eq!(cut.title.as_deref(), Some("THE BRINE LAMP"));
    assert_eq!(cut.record, Some(FrameRange::new(86_400, 86_495)));
    let events: Vec<_> =
        cut.events.iter().map(|e| (e.number, e.shot.as_str(), e.source, e.record_first)).collect();
    assert_eq!(
        events,
        [
            (1, "br030", FrameRange::new(1009, 1056), 86_400),
            (4, "br040", FrameRange::new(1001, 1024), 86_472),
        ]
    );
    assert_eq!(cut.events[0].record(), FrameRange::new(86_400, 86_447));
    let span = cut.events[0].shot_span;
    assert_eq!(&text[span.start as usize..span.end as usize], "br030");
    let span = cut.events[1].span;
    assert!(text[span.start as usize..span.end as usize].starts_with("004  br040"));
}

fn case_rate(case: &Value) -> Rate {
    match &case["rate"] {
        rate if rate.as_i64().is_some() => Rate::new(rate.as_i64().unwrap() as u32, 1),
        rate if (rate.as_f64().unwrap() - 29.97).abs() < 0.01 => Rate::new(30_000, 1001),
        rate => panic!("{rate}"),
    }
}

/// Invented lists with the frame counts worked out by hand and cross-checked with a public reader
/// (`checks/edl.json`, SMPTE ST 258). Exact, no tolerance. Lists of cuts and dissolves give every event; of the
/// others every event that is one, and a problem for each that is not.
#[test]
fn outside_check_lists() {
    let all: Value = serde_json::from_str(include_str!("checks/edl.json")).unwrap();
    let cases = all["cases"].as_array().unwrap();
    assert_eq!(cases.len(), 9);
    let problems_of = |id: &str| -> Vec<&str> {
        match id {
            "b1_cuts_24" | "b4_dropframe_2997" | "b7_cdl_comment_24" | "b2_dissolve_wipe_25" => vec![],
            "b8_gap_24" => vec![
                "6:1 between event 1 at line 4 and event 2 at line 6 nothing fills frames 49-72 of the film",
            ],
            "b2w_wipe_25" | "b3_speed_24" => vec![],
            "b5_bad_record_24" => vec!["4:1 event 1 takes 96 frames of the source but 72 of the record side"],
            "b6_overlap_24" => vec!["6:1 events 1 and 2 overlap by 24 frames on the record side"],
            _ => panic!("{id}"),
        }
    };
    for case in cases {
        let id = case["id"].as_str().unwrap();
        let (cut, problems) = read(case["edl"].as_str().unwrap(), case_rate(case));
        assert_eq!(problems, problems_of(id), "{id}");
        let by_hand = case["by_hand_events"].as_array().unwrap();
        let int = |event: &Value, key: &str| event[key].as_i64().unwrap();
        let want: Vec<_> = by_hand
            .iter()
            .filter(|e| e["reel"] != "BL" && int(e, "src_dur") > 0)
            .filter(|e| e.get("m2_fps").is_some() || int(e, "src_dur") == int(e, "rec_dur"))
            .filter(|e| !(id == "b6_overlap_24" && e["event"] == "002"))
            .map(|e| {
                let mut source = FrameRange::new(int(e, "src_in"), int(e, "src_out_excl") - 1);
                if e["m2_fps"] == 48.0 {
                    // At twice the speed the last frame that is shown is the one before the last that is taken.
                    source.last -= 1;
                }
                let speed = e.get("m2_speed_ratio").map_or(1.0, |ratio| ratio.as_f64().unwrap());
                (
                    e["event"].as_str().unwrap().parse().unwrap(),
                    e.get("to_clip").unwrap_or(&e["from_clip"]).as_str().unwrap(),
                    source,
                    (int(e, "rec_in"), int(e, "rec_dur")),
                    speed,
                )
            })
            .collect();
        let got: Vec<_> = cut
            .events
            .iter()
            .map(|e| {
                let record = (e.record_first, e.frames);
                (e.number, e.shot.as_str(), e.source, record, e.speed.number())
            })
            .collect();
        assert_eq!(got, want, "{id}");
        if problems.is_empty() {
            assert_eq!(cut.record.unwrap().len() as i64, int(case, "programme_frames"), "{id}");
        }
    }
}

/// The list's dissolve as a public reader has it: it begins with the incoming event (in_offset 0) and reaches 12 frames
/// into it (out_offset 12). Exact.
#[test]
fn outside_check_dissolve() {
    let all: Value = serde_json::from_str(include_str!("checks/edl.json")).unwrap();
    let case = all["cases"].as_array().unwrap().iter().find(|c| c["id"] == "b2_dissolve_wipe_25").unwrap();
    let items = case["otio"]["tracks"][0]["items"].as_array().unwrap();
    let at = items.iter().position(|item| item["kind"] == "Transition").unwrap();
    let (out, transition, into) = (&items[at - 1], &items[at], &items[at + 1]);
    let (cut, _) = read(case["edl"].as_str().unwrap(), Rate::new(25, 1));
    let [dissolve] = cut.dissolves.as_slice() else { panic!("{:?}", cut.dissolves) };
    let whole = |item: &Value, key: &str| item[key].as_f64().unwrap() as i64;
    let first = cut.record.unwrap().first + whole(into, "record_offset_frames");
    let length = whole(transition, "out_offset");
    assert_eq!(whole(transition, "in_offset"), 0);
    assert_eq!(dissolve.record, FrameRange::new(first, first + length - 1));
    let from = dissolve.from.as_ref().unwrap();
    let goes_on = whole(out, "source_start_frame") + whole(out, "duration_frames");
    assert_eq!((from.shot.as_str(), from.source_first), (out["name"].as_str().unwrap(), goes_on));
    assert_eq!(
        (cut.events[1].shot.as_str(), cut.events[1].record_first),
        (into["name"].as_str().unwrap(), first)
    );
}

/// Where a dissolve begins, how long it is, and the clip and frame that go out.
type Dissolve<'a> = (i64, i64, Option<(&'a str, i64)>);

/// Dissolves of a list in short: film frames from 1, what goes out from which frame.
fn dissolves(cut: &Cut) -> Vec<Dissolve<'_>> {
    let start = cut.record.map_or(0, |record| record.first) - 1;
    let from = |d: &'_ endboard::cut::Dissolve| (d.record.first - start, d.record.last - start);
    let list = cut.dissolves.iter();
    list.map(|d| (from(d).0, from(d).1, d.from.as_ref().map(|o| (o.shot.as_str(), o.source_first)))).collect()
}

#[test]
fn dissolves_and_fades() {
    let text = "\
001  BL       V     C        00:00:00:00 00:00:00:00 01:00:00:00 01:00:00:00
001  SHEDA    V     D    012 00:00:42:01 00:00:44:01 01:00:00:00 01:00:02:00
* TO CLIP NAME: br030
002  SHEDA    V     C        00:00:44:01 00:00:44:01 01:00:02:00 01:00:02:00
002  br040    V     D    006 00:00:41:17 00:00:42:17 01:00:02:00 01:00:03:00
003  br040    V     C        00:00:42:17 00:00:43:17 01:00:03:00 01:00:04:00
003  br040    V     D    8   00:00:41:17 00:00:42:17 01:00:04:00 01:00:05:00
004  br040    V     C        00:00:42:17 00:00:42:17 01:00:05:00 01:00:05:00
004  BL       V     D    024 00:00:00:00 00:00:02:00 01:00:05:00 01:00:07:00
";
    let (cut, problems) = read(text, FILM);
    assert_eq!(problems, Vec::<String>::new());
    assert_eq!(cut.record.unwrap().len(), 7 * 24);
    // Event 2 names the reel alone, whose clip event 1 has named; event 3 is a shot and its own dissolve in one number.
    assert_eq!(
        dissolves(&cut),
        [
            (1, 12, None),
            (49, 54, Some(("br030", 1057))),
            (97, 104, Some(("br040", 1049))),
            (121, 144, Some(("br040", 1025))),
        ]
    );
    let shots: Vec<_> =
        cut.events.iter().map(|e| (e.shot.as_str(), e.source.first, e.source.len())).collect();
    assert_eq!(shots, [("br030", 1009, 48), ("br040", 1001, 24), ("br040", 1025, 24), ("br040", 1001, 24)]);
}

#[test]
fn dissolves_that_cannot_be_are_told() {
    let lead = "001  a V C 00:00:00:00 00:00:01:00 01:00:00:00 01:00:01:00\n";
    let told = |rest: &str| read(&format!("{lead}{rest}"), FILM).1;
    let point = "002  a V C 00:00:01:00 00:00:01:00 01:00:01:00 01:00:01:00\n";
    for (rest, problem) in [
        (
            "002  b V D 012 00:00:00:00 00:00:01:00 01:00:01:00 01:00:02:00\n".to_string(),
            "2:10 event 2 is a dissolve, and no line before it says what goes out",
        ),
        (
            format!("{point}002  b V D 025 00:00:00:00 00:00:01:00 01:00:01:00 01:00:02:00\n"),
            "3:10 event 2 lasts 24 frames, less than its dissolve of 25",
        ),
        (
            format!("{point}002  b V D x 00:00:00:00 00:00:01:00 01:00:01:00 01:00:02:00\n"),
            "3:12 'x' is no length of a dissolve in frames",
        ),
        (
            format!("{point}002  b V D 00:00:00:00 00:00:01:00 01:00:01:00 01:00:02:00\n"),
            "3:1 event 2 must have four timecodes, not 3",
        ),
        (
            format!("{point}002  b V D 012 00:00:00:00 00:00:00:12 01:00:01:12 01:00:02:00\n"),
            "3:10 what goes out in event 2 ends 12 frames before the dissolve begins",
        ),
        (
            format!("{point}002  b V KB 012 00:00:00:00 00:00:01:00 01:00:01:00 01:00:02:00\n"),
            "3:10 event 2 is a key, which is not drawn",
        ),
        (
            format!("{point}002  b V W001 025 00:00:00:00 00:00:01:00 01:00:01:00 01:00:02:00\n"),
            "3:10 event 2 lasts 24 frames, less than its wipe of 25",
        ),
        (
            format!("{point}002  b V W1000 012 00:00:00:00 00:00:01:00 01:00:01:00 01:00:02:00\n"),
            "3:10 event 2 has the unknown transition 'W1000'",
        ),
        (
            "002  a V C 00:00:01:02 00:00:01:02 01:00:01:00 01:00:01:00\n\
             002  b V D 012 00:00:00:00 00:00:01:00 01:00:01:00 01:00:02:00\n"
                .to_string(),
            "3:10 warning: the picture jumps: event 2 dissolves from frame 26 of a, but event 1 ends just before frame 24 of a",
        ),
    ] {
        assert_eq!(told(&rest), [problem]);
    }
    // A dissolve of no frames is a cut.
    let (cut, problems) =
        read(&format!("{lead}{point}002  b V D 000 00:00:00:00 00:00:01:00 01:00:01:00 01:00:02:00\n"), FILM);
    assert_eq!((problems.len(), cut.dissolves.len(), cut.events.len()), (0, 0, 2));
}

#[test]
fn a_fault_leaves_a_dissolve_the_name_of_what_goes_out() {
    let list = |record: &str| {
        format!(
            "\
001  AX  V C     00:00:42:01 00:00:44:01 01:00:00:00 {record}
* FROM CLIP NAME: br030
002  AX  V C     00:00:44:01 00:00:44:01 01:00:02:00 01:00:02:00
002  AX  V D 006 00:00:41:17 00:00:42:17 01:00:02:00 01:00:03:00
* TO CLIP NAME: br040
003  AX  V C     00:00:42:17 00:00:43:18 01:00:03:00 01:00:04:00
"
        )
    };
    // What goes out is named by its reel, once by an event that can be used and once by one that cannot.
    for (record, faults) in [("01:00:02:00", 1), ("01:00:01:00", 2)] {
        let (cut, problems) = read(&list(record), FILM);
        assert_eq!(problems.len(), faults, "{problems:?}");
        assert!(problems.iter().all(|p| p.contains("of the source but")), "{problems:?}");
        let from = dissolves(&cut)[0].2;
        assert_eq!(from, Some(("br030", 1057)), "{record}");
    }
    // Where the line that tells it cannot be read, nothing is said of the reel.
    let (cut, problems) =
        read(&list("01:00:02:00").replace("001  AX  V C     00", "001  AX  V C     x0"), FILM);
    assert!(!problems.is_empty() && cut.dissolves.is_empty(), "{problems:?}");
}

/// One event line with these four timecodes.
fn one(times: &str) -> String {
    format!("001  br030    V     C        {times}\n")
}

#[test]
fn each_wrong_line_is_told_at_its_place() {
    let mut text = String::from("FCM: SOMETIMES\nFCM: DROP FRAME\nsome note\n* FROM CLIP NAME: early\n");
    text.push_str("001  a V C 00:00:01:00 00:00:02:24 01:00:00:00 01:00:01:00\n"); // 5
    text.push_str("002  a V C 00:00:01:00 00:00:00:12 01:00:00:00 01:00:01:00\n");
    text.push_str("003  a V C 00:00:01;00 00:00:02;00 01:00:00:00 01:00:01:00\n");
    text.push_str("004  a V C 00:00:01:00 00:00:02:00 01:00:00:00\n");
    text.push_str("005  a V C 00:00:01:00 00:00:01:00 01:00:00:00 01:00:00:00\n"); // 9
    text.push_str("006  a X C 00:00:01:00 00:00:02:00 01:00:00:00 01:00:01:00\n");
    text.push_str("007  a V Q 00:00:01:00 00:00:02:00 01:00:00:00 01:00:01:00\n");
    text.push_str("99999999999 a V C 00:00:01:00 00:00:02:00 01:00:00:00 01:00:01:00\n");
    text.push_str("009\n");
    text.push_str("010  a V K B 00:00:01:00 00:00:02:00 01:00:00:00 01:00:01:00\n"); // 14
    text.push_str("011  a V C 00:00:01:00 00:00:02:00 01:00:00:00 01:00:01:00\n");
    text.push_str(
        "* FROM CLIP NAME:\n* FROM CLIP NAME: one\n* from clip name: two\nM2   a  024.0  00:00:01:00\n",
    );
    let (cut, problems) = read(&text, FILM);
    assert_eq!(
        problems,
        [
            "1:6 'SOMETIMES' is no way to count frames",
            "2:6 drop-frame counting exists at 29.97, 59.94 and 119.88 frames a second, not at 24",
            "3:1 warning: 'some note' is no line of an edit list",
            "4:3 warning: a clip name stands before the first event",
            "5:24 '00:00:02:24' is no timecode at 24 frames a second",
            "7:12 '00:00:01;00' is no timecode at 24 frames a second",
            "7:24 '00:00:02;00' is no timecode at 24 frames a second",
            "8:1 event 4 must have four timecodes, not 3",
            "10:8 event 6 has unknown channels 'X'",
            "11:10 event 7 has the unknown transition 'Q'",
            "12:1 '99999999999' is no event number",
            "13:1 an event line has eight fields",
            "14:10 event 10 is a key, which is not drawn",
            "16:3 the clip name is missing",
            "18:19 event 11 has two clip names",
            "6:24 event 2 ends before it starts on the source side",
            "9:1 event 5 lasts no frame: the second timecode is one past the last frame",
        ]
    );
    assert_eq!(cut.events.len(), 1);
    assert_eq!(cut.events[0].shot, "one");
}

#[test]
fn counting_is_stated_or_marked() {
    let ntsc = Rate::new(30_000, 1001);
    let first = |text: &str| read(text, ntsc).0.events[0].source.first;
    let marked = one("00:01:00;02 00:01:01;02 00:00:00:00 00:00:01:00");
    assert_eq!(first(&marked), 1800);
    let stated = format!("FCM: DROP FRAME\n{}", one("00:01:00:02 00:01:01:02 00:00:00:00 00:00:01:00"));
    assert_eq!(first(&stated), 1800);
    let plain = one("00:01:00:02 00:01:01:02 00:00:00:00 00:00:01:00");
    assert_eq!(first(&plain), 1802);
    let against = format!("FCM: NON-DROP FRAME\n{marked}");
    assert_eq!(read(&against, ntsc).1.len(), 2);
}

#[test]
fn an_end_at_midnight_is_the_end_of_the_day() {
    let (cut, problems) = read(&one("23:59:59:00 00:00:00:00 23:59:59:00 00:00:00:00"), FILM);
    assert_eq!(problems, Vec::<String>::new());
    assert_eq!(cut.events[0].source.len(), 24);
}

#[test]
fn events_come_in_film_order() {
    let text = [
        "001 b V C 00:00:00:00 00:00:01:00 00:00:01:00 00:00:02:00\r",
        "002 a V C 00:00:00:00 00:00:01:00 00:00:00:00 00:00:01:00\r",
        "003 c V C 00:00:00:00 00:00:01:00 00:00:01:12 00:00:02:12\r",
    ]
    .join("\n");
    let (cut, problems) = read(&format!("\u{feff}{text}"), FILM);
    assert_eq!(cut.events.iter().map(|e| e.shot.as_str()).collect::<String>(), "ab");
    assert_eq!(problems, ["3:1 events 1 and 3 overlap by 12 frames on the record side"]);
}

#[test]
fn hostile_lists_end_in_few_problems() {
    let (_, problems) = read(&"nonsense\n".repeat(100_000), FILM);
    assert_eq!(problems.len(), 201);
    // Warnings alone do not make the list unusable, however many they are.
    assert_eq!(problems[200], "1:1 warning: 99800 more problems in this list");
    let (_, problems) = read(&("nonsense\n".repeat(300) + "001 a V\n"), FILM);
    assert_eq!(problems[200], "1:1 101 more problems in this list");
    let (_, problems) = read(&"x".repeat(edl::SIZE_LIMIT + 1), FILM);
    assert_eq!(problems, ["1:1 an edit list is at most 16777216 bytes long"]);
    let (_, problems) = read("", Rate::new(49, 2));
    assert_eq!(
        problems,
        ["1:1 timecode counts 24, 25, 30 … frames a second or 1000/1001 of that; 49/2 has none"]
    );
    let (cut, problems) = read("", FILM);
    assert_eq!((cut, problems), (Cut::default(), vec![]));
}

proptest! {
    #[test]
    fn no_list_panics(lines in proptest::collection::vec(
        prop_oneof![
            Just("001  br030 V C 00:00:42:01 00:00:44:01 01:00:00:00 01:00:02:00".to_string()),
            "[0-9]{1,4} [A-Z]{1,3} (V|A|B|AA/V|é) (C|D|W001|K) [0-9:;é ]{0,50}",
            "00[12] (br030|BL) V C 00:00:0[12]:00 00:00:02:00 01:00:0[12]:00 01:00:02:00",
            "00[12] (br040|BL) V D [0-9]{1,2} 00:00:00:00 00:00:01:00 01:00:02:00 01:00:03:00",
            "(TITLE:|FCM:|M2|\\*|\\* FROM CLIP NAME:|\\* TO CLIP NAME:) ?.{0,20}",
            ".{0,60}",
        ], 0..12), ntsc in any::<bool>())
    {
        let text = lines.join("\n");
        let (cut, _) = read(&text, if ntsc { Rate::new(30_000, 1001) } else { FILM });
        for pair in cut.events.windows(2) {
            prop_assert!(pair[0].record().last < pair[1].record_first);
        }
        for dissolve in &cut.dissolves {
            prop_assert!(!dissolve.record.is_empty() && cut.record.unwrap().covers(dissolve.record));
        }
        for event in &cut.events {
            prop_assert!(!event.source.is_empty());
            prop_assert!(text.get(event.span.start as usize..event.span.end as usize).is_some());
            prop_assert_eq!(&text[event.shot_span.start as usize..event.shot_span.end as usize], event.shot.as_str());
        }
    }

    #[test]
    fn what_is_written_is_read(first in 0i64..2_000_000, len in 1i64..5_000, record in 0i64..2_000_000) {
        use endboard::base::timecode::Counting;
        let film = Counting::non_drop(FILM).unwrap();
        let label = |frame: i64| film.label(frame).to_string();
        let times = [first, first + len, record, record + len].map(label).join(" ");
        let (cut, problems) = read(&one(&times), FILM);
        prop_assert_eq!(problems, Vec::<String>::new());
        prop_assert_eq!(cut.events[0].source, FrameRange::new(first, first + len - 1));
        prop_assert_eq!(cut.events[0].record_first, record);
    }
}

/// An event whose number cannot be read must not drop out of the film with a warning; a note may.
#[test]
fn an_event_with_a_spoilt_number_is_an_error() {
    let times = "00:00:00:00 00:00:01:00 01:00:01:00 01:00:02:00";
    let (cut, problems) = read(
        &format!(
            "{}O02  a V C {times}\nRENDERED 01:00:00:00\n",
            one("00:00:00:00 00:00:01:00 01:00:00:00 01:00:01:00")
        ),
        FILM,
    );
    assert_eq!(cut.events.len(), 1);
    assert_eq!(problems.len(), 2, "{problems:?}");
    assert!(problems[0].starts_with("2:1 'O02  a V C "), "{problems:?}");
    assert!(problems[1].starts_with("3:1 warning: 'RENDERED"), "{problems:?}");
}

/// Every error says a way on.
#[test]
fn every_problem_of_a_list_has_a_help() {
    let line = |n: u32, rest: &str| format!("{n:03}  a V {rest}\n");
    let text = [
        "M2 a 24 00:00:00:00\n* FROM CLIP NAME: early\n".to_string(),
        line(1, "C 00:00:00:00 00:00:01:00 01:00:00:00 01:00:01:00"),
        "* FROM CLIP NAME:\n* FROM CLIP NAME: b\n* FROM CLIP NAME: c\nM2 a 012.0 00:00:00:00\n".to_string(),
        line(2, "C 00:00:00:00 00:00:00:00 01:00:01:00 01:00:01:00"),
        line(3, "C 00:00:00:00 00:00:01:00 01:00:01:00 01:00:01:12"),
        line(4, "C 00:00:00:00 00:00:01:00 01:00:02:00 01:00:03:00"),
        line(5, "C 00:00:00:00 00:00:01:00 01:00:02:12 01:00:03:12"),
        line(6, "C 00:00:01:00 00:00:01:00 01:00:03:00 01:00:03:00"),
        line(6, "D 030 00:00:00:00 00:00:01:00 01:00:03:00 01:00:04:00"),
        "99999999999 a V C 00:00:00:00 00:00:01:00 01:00:00:00 01:00:01:00\n".to_string(),
    ];
    let (_, problems) = edl::parse(Sources::new().add("cut.edl", ""), &text.concat(), FILM);
    assert!(problems.len() >= 10, "{problems:?}");
    for problem in problems {
        assert!(problem.help.is_some(), "{}", problem.message);
    }
}

/// What each film frame of an event shows.
fn frames(event: &endboard::cut::CutEvent) -> Vec<i64> {
    (0..event.frames).map(|into| event.run().at(into)).collect()
}

#[test]
fn speeds_play_the_frames_that_are_on() {
    let list = |source: &str, record: &str, m2: &str| format!("001  br030 V C {source} {record}\n{m2}\n");
    let shown = |source: &str, record: &str, m2: &str| {
        let (cut, problems) = read(&list(source, record, m2), FILM);
        assert_eq!(problems, Vec::<String>::new(), "{m2}");
        frames(&cut.events[0])
    };
    let six = "01:00:00:00 01:00:00:06";
    assert_eq!(shown("00:00:01:00 00:00:01:03", six, "M2 br030 012.0 00:00:01:00"), [24, 24, 25, 25, 26, 26]);
    assert_eq!(shown("00:00:01:00 00:00:01:12", six, "M2 br030 048.0 00:00:01:00"), [24, 26, 28, 30, 32, 34]);
    let back = [29, 28, 27, 26, 25, 24];
    assert_eq!(shown("00:00:01:00 00:00:01:06", six, "M2 br030 -024.0 00:00:01:00"), back);
    // In the order of play, and beginning at the frame that is shown first: the same frames.
    assert_eq!(shown("00:00:01:06 00:00:01:00", six, "M2 br030 -024.0 00:00:01:05"), back);
    assert_eq!(shown("00:00:01:00 00:00:01:01", six, "M2 br030 000.0 00:00:01:00"), [24; 6]);
    // A freeze may name no frame of length at all, or be told by a comment.
    assert_eq!(shown("00:00:01:00 00:00:01:00", six, "M2 000.0 00:00:01:00"), [24; 6]);
    assert_eq!(shown("00:00:01:00 00:00:01:01", six, "* FREEZE FRAME"), [24; 6]);
    // Where the number's digits leave it open, the lengths say: 2000 frames in 1440 are 33.333 a second.
    let (cut, problems) =
        read(&list("00:00:00:00 00:01:23:08", "00:00:00:00 00:01:00:00", "M2 br030 033.3 00:00:00:00"), FILM);
    assert_eq!((problems.len(), cut.events[0].speed.ratio()), (0, (25, 18)));
    // At 23.976 a list's 12 is half the labels' seconds, and its own speed changes nothing.
    let film = Rate::new(24_000, 1001);
    for (m2, source, ratio) in [("012.0", "03", (1, 2)), ("023.976", "06", (1, 1)), ("24", "06", (1, 1))] {
        let text =
            list(&format!("00:00:01:00 00:00:01:{source}"), six, &format!("M2 br030 {m2} 00:00:01:00"));
        let (cut, problems) = read(&text, film);
        assert_eq!((problems, cut.events[0].speed.ratio()), (vec![], ratio), "{m2}");
    }
}

#[test]
fn speeds_that_cannot_be_are_told() {
    let list = |source: &str, m2: &str| {
        read(&format!("001  br030 V C {source} 01:00:00:00 01:00:00:12\n{m2}\n"), FILM).1
    };
    for (source, m2, problem) in [
        (
            "00:00:01:00 00:00:02:00",
            "M2 br030 012.0 00:00:01:00",
            "2:1 event 1 takes 24 frames of the source but 12 of the record side, and its speed is 12 frames a second",
        ),
        (
            "00:00:01:00 00:00:02:00",
            "M2 br030 048.0 00:00:01:12",
            "2:16 event 1 changes its speed at frame 36, within the event",
        ),
        (
            "00:00:01:00 00:00:02:00",
            "M2 br030 048.0 00:00:00:00",
            "2:16 warning: the speed of event 1 begins at frame 0, which is none of its frames",
        ),
        (
            "00:00:01:00 00:00:02:00",
            "M2 br030 048.0 00:00:01:24",
            "2:16 '00:00:01:24' is no timecode at 24 frames a second",
        ),
        ("00:00:01:00 00:00:01:12", "M2 br030 fast", "2:1 'M2 br030 fast' has no speed that can be read"),
        ("00:00:01:00 00:00:01:12", "M2 br030 024.0\nM2 br030 012.0", "3:1 event 1 has two speeds"),
        ("00:00:02:00 00:00:01:12", "", "1:28 event 1 ends before it starts on the source side"),
    ] {
        let problems = list(source, m2);
        assert_eq!(problems[0], problem);
    }
}

#[test]
fn wipes_have_patterns_and_what_goes_out_goes_on_at_its_speed() {
    let text = "\
001  br030 V C        00:00:01:00 00:00:01:03 01:00:00:00 01:00:00:06
M2   br030 012.0      00:00:01:00
002  br030 V C        00:00:01:03 00:00:01:03 01:00:00:06 01:00:00:06
002  br040 V W021 004 00:00:02:00 00:00:02:12 01:00:00:06 01:00:01:06
* FROM CLIP NAME: br030
* TO CLIP NAME: br040
M2   br040 012.0      00:00:02:00
003  br040 V C        00:00:02:12 00:00:02:12 01:00:01:06 01:00:01:06
003  BL    V D    003 00:00:00:00 00:00:01:00 01:00:01:06 01:00:02:06
";
    let (cut, problems) = read(text, FILM);
    assert_eq!(problems, Vec::<String>::new());
    let [wipe, fade] = cut.dissolves.as_slice() else { panic!("{:?}", cut.dissolves) };
    let goes = |d: &endboard::cut::Dissolve| {
        let run = d.from.as_ref().unwrap().run(d.record.len() as i64);
        (0..run.frames).map(|into| run.at(into)).collect::<Vec<_>>()
    };
    assert_eq!((wipe.wipe, goes(wipe)), (Some(21), vec![27, 27, 28, 28]));
    assert_eq!((fade.wipe, goes(fade)), (None, vec![60, 60, 61]));
    assert_eq!(cut.events[1].speed.ratio(), (1, 2));
    // After both lines a speed line is of the side whose reel it names.
    let text = text.replace(
        "M2   br040 012.0      00:00:02:00",
        "M2   br040 012.0 00:00:02:00\nM2 br030 024.0 00:00:01:03",
    );
    let (cut, problems) = read(&text, FILM);
    assert_eq!(problems, Vec::<String>::new());
    assert_eq!(goes(&cut.dissolves[0]), [27, 28, 29, 30]);
}

#[test]
fn what_a_list_says_beside_the_picture_is_kept() {
    let text = "\
TITLE: BRINE
* cut of the second night
001  SHEDA V     C     00:00:42:01 00:00:44:01 01:00:00:00 01:00:02:00
* FROM CLIP NAME: br030
* SOURCE FILE: shed-a
* ASC_SOP (1.1 0.95 1.02)(-0.02 0 0.01)(0.9 1 1.1)
* ASC_SAT: 0.85
002  WILD  A2    C     00:00:00:00 00:00:01:00 01:00:00:00 01:00:01:00
* FROM CLIP NAME: salt
* found on the roof
003  WILD  A     D 012 00:00:01:00 00:00:02:00 01:00:01:00 01:00:02:00
004  BL    V     C     00:00:00:00 00:00:01:00 01:00:02:00 01:00:03:00
* the lamp goes out
005  br040 AA/V  C     00:00:41:17 00:00:42:17 01:00:03:00 01:00:04:00
";
    let (cut, problems) = read(text, FILM);
    assert_eq!(problems, Vec::<String>::new());
    let grade = cut.events[0].grade.unwrap();
    assert_eq!((grade.slope, grade.offset), ([1.1, 0.95, 1.02], [-0.02, 0.0, 0.01]));
    assert_eq!((grade.power, grade.saturation), ([0.9, 1.0, 1.1], 0.85));
    assert_eq!(cut.events[0].comments, ["SOURCE FILE: shed-a"]);
    assert_eq!((cut.events[0].reel.as_deref(), cut.events[0].channels.as_deref()), (Some("SHEDA"), None));
    assert_eq!(cut.events[1].channels.as_deref(), Some("AA/V"));
    let sounds: Vec<_> = cut
        .sounds
        .iter()
        .map(|s| (s.number, s.clip.as_deref(), &*s.channels, s.fade, s.source, s.record))
        .collect();
    assert_eq!(
        sounds,
        [
            (2, Some("salt"), "A2", None, (0, 24), (86_400, 86_424)),
            (3, None, "A", Some(12), (24, 48), (86_424, 86_448)),
        ]
    );
    assert_eq!(cut.sounds[0].comments, ["found on the roof"]);
    let notes: Vec<_> = cut.notes.iter().map(|note| (note.record, &*note.text)).collect();
    assert_eq!(notes, [(None, "cut of the second night"), (Some(86_448), "the lamp goes out")]);
}

#[test]
fn grades_that_cannot_be_read_are_told() {
    let lead = one("00:00:00:00 00:00:01:00 01:00:00:00 01:00:01:00");
    for bad in [
        "ASC_SOP (1 1)(0 0 0)(1 1 1)",
        "ASC_SOP (1 1 1)(0 0 0)(1 1 0)",
        "ASC_SOP: 1 1 1",
        "ASC_SAT -1",
        "ASC_SAT nan",
    ] {
        let (cut, problems) = read(&format!("{lead}* {bad}\n"), FILM);
        assert_eq!(problems, [format!("2:3 warning: '{bad}' is no grade that can be read")]);
        assert_eq!(cut.events[0].grade, None);
    }
    let (cut, problems) = read(&format!("{lead}* ASC_SAT 0.5\n* ASC_SAT 0.7\n"), FILM);
    assert_eq!(problems, ["3:3 warning: event 1 has two grades"]);
    assert_eq!(cut.events[0].grade.unwrap().saturation, 0.5);
}

/// A film counts one way, as its list says first; what it says later is of sources.
#[test]
fn sources_may_count_otherwise_than_the_film() {
    let ntsc = Rate::new(30_000, 1001);
    let text = "\
FCM: NON-DROP FRAME
001  a V C 00:01:00:00 00:01:01:00 00:00:59:00 00:01:00:00
FCM: DROP FRAME
002  b V C 00:01:00:02 00:01:01:02 00:01:00:00 00:01:01:00
FCM: NON-DROP FRAME
003  c V C 00:01:00:02 00:01:01:02 00:01:01:00 00:01:02:00
";
    let (cut, problems) = read(text, ntsc);
    assert_eq!(problems, Vec::<String>::new());
    assert_eq!(cut.events.iter().map(|e| e.source.first).collect::<Vec<_>>(), [1800, 1800, 1802]);
    assert_eq!((cut.record, cut.drops), (Some(FrameRange::new(1770, 1859)), false));
    // Where nothing is said the first record label's mark says it.
    assert!(read(&one("00:00:00;00 00:00:01;00 01:00:00;00 01:00:01;00"), ntsc).0.drops);
}

/// Labels that do not exist are refused on both sides, with a mark of drop-frame or without (`checks/timecode.json`).
#[test]
fn outside_check_invalid_labels_are_refused() {
    let all: Value = serde_json::from_str(include_str!("checks/timecode.json")).unwrap();
    let invalid = all["invalid_labels"].as_array().unwrap();
    assert_eq!(invalid.len(), 22);
    for case in invalid {
        let (label, rate) = (case["tc"].as_str().unwrap(), case["rate"].as_str().unwrap());
        let drops = rate.ends_with("df") && !rate.ends_with("ndf");
        let film: Rate = rate.trim_end_matches("ndf").trim_end_matches("df").parse().unwrap();
        let fcm = if drops { "FCM: DROP FRAME" } else { "FCM: NON-DROP FRAME" };
        for event in [
            format!("001 a V C {label} 23:59:59:10 00:10:00:00 00:10:01:00"),
            format!("001 a V C 00:10:00:00 00:10:01:00 {label} 23:59:59:10"),
            format!("001 a A C {label} 23:59:59:10 00:10:00:00 00:10:01:00"),
        ] {
            let (cut, problems) = read(&format!("{fcm}\n{event}\n"), film);
            assert!(
                problems[0].contains(&format!("'{label}' is no timecode")),
                "{rate} {event}: {problems:?}"
            );
            assert!(cut.events.is_empty() && cut.sounds.is_empty());
        }
    }
}
