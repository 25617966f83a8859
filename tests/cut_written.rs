//! Cuts written as edit lists and OTIO, and read again: by this program, and by another library.
//!
//! Knows what a cut must keep on the way, and which of it each format cannot hold. What an edit list says by itself is the
//! matter of `cut.rs`.

mod outside;
mod project;

use endboard::base::frames::FrameRange;
use endboard::base::problem::{Severity, SourceId, Sources, Span};
use endboard::base::rate::Rate;
use endboard::base::speed::Speed;
use endboard::cut::finished::Finished;
use endboard::cut::{Cut, CutEvent, Dissolve, Grade, Note, SoundEvent, edl, otio};
use outside::outside;
use project::{Film, SIZE, code};
use proptest::prelude::*;
use serde_json::{Value, json};

const FILM: Rate = Rate::new(24, 1);
const NTSC: Rate = Rate::new(30_000, 1001);

fn nowhere() -> Span {
    Span::new(SourceId(0), 0, 0)
}

fn none(_: &str) -> Option<Finished> {
    None
}

/// A cut without its places, its numbers and the names of reels, with each frame that is seen.
fn plain(cut: &Cut) -> Value {
    let grade = |grade: &Grade| json!([grade.slope, grade.offset, grade.power, grade.saturation]);
    let events = cut.events.iter().map(|event| {
        let run = event.run();
        json!({ "shot": event.shot, "record": event.record_first, "frames": (0..run.frames).map(|n| run.at(n)).collect::<Vec<_>>(),
            "speed": run.speed.ratio(), "channels": event.channels, "grade": event.grade.as_ref().map(grade),
            "comments": event.comments })
    });
    let dissolves = cut.dissolves.iter().map(|dissolve| {
        let frames = dissolve.record.len() as i64;
        let from = dissolve.from.as_ref().map(|from| {
            let run = from.run(frames);
            json!([from.shot, (0..frames).map(|n| run.at(n)).collect::<Vec<_>>()])
        });
        json!({ "record": [dissolve.record.first, dissolve.record.last], "wipe": dissolve.wipe, "from": from })
    });
    let mut sounds: Vec<Value> = cut
        .sounds
        .iter()
        .map(|s| {
            json!([s.channels, s.record.0, s.record.1, s.source.0, s.source.1, s.clip, s.fade, s.comments])
        })
        .collect();
    sounds.sort_by_key(ToString::to_string);
    let notes = cut.notes.iter().map(|note| json!([note.record, note.text]));
    json!({ "title": cut.title, "drops": cut.drops, "record": cut.record.map(|r| (r.first, r.last)),
        "events": events.collect::<Vec<_>>(), "dissolves": dissolves.collect::<Vec<_>>(), "sounds": sounds,
        "notes": notes.collect::<Vec<_>>() })
}

/// What reading a text of a format gives, which must be without a fault.
#[track_caller]
fn read(kind: &str, text: &str, rate: Rate) -> Cut {
    let (cut, problems) = told(kind, text, rate);
    assert_eq!(problems, Vec::<String>::new(), "{text}");
    cut
}

fn told(kind: &str, text: &str, rate: Rate) -> (Cut, Vec<String>) {
    let mut sources = Sources::new();
    let id = sources.add(kind, text);
    let (cut, problems) =
        if kind == "edl" { edl::parse(id, text, rate) } else { otio::parse(id, text, rate) };
    let told = problems.iter().map(|p| {
        let (line, column) = sources.position(p.span.unwrap());
        assert!(
            p.help.is_some() || p.message.contains("more problems") || p.severity == Severity::Warning,
            "{}",
            p.message
        );
        let warning = if p.severity == Severity::Warning { "warning: " } else { "" };
        format!("{line}:{column} {warning}{}", p.message)
    });
    let told = told.collect();
    (cut, told)
}

fn written(kind: &str, cut: &Cut, rate: Rate) -> String {
    match kind {
        "edl" => edl::write::write(cut, rate, &none).unwrap().text,
        _ => otio::write::write(cut, rate, &none).text,
    }
}

/// A cut of all there is: cuts, a dissolve, a wipe, speeds, a freeze, black, fades, a grade, sound, comments.
const LIST: &str = "\
TITLE: THE BRINE LAMP
FCM: NON-DROP FRAME
* second night
001  BL    V     C          00:00:00:00 00:00:00:00 01:00:00:00 01:00:00:00
001  br010 V     D    012   00:00:42:01 00:00:44:01 01:00:00:00 01:00:02:00
* TO CLIP NAME: br010
* ASC_SOP (1.1 0.95 1.02)(-0.02 0 0.01)(0.9 1 1.1)
* ASC_SAT 0.85
* the keeper enters
002  br010 V     C          00:00:44:01 00:00:44:01 01:00:02:00 01:00:02:00
002  br020 V     D    006   00:00:41:17 00:00:42:17 01:00:02:00 01:00:03:00
* FROM CLIP NAME: br010
* TO CLIP NAME: br020
003  br020 V     C          00:00:42:17 00:00:42:17 01:00:03:00 01:00:03:00
003  br030 V     W001 008   00:00:41:17 00:00:42:05 01:00:03:00 01:00:04:00
* FROM CLIP NAME: br020
* TO CLIP NAME: br030
M2   br030 012.0            00:00:41:17
004  br040 AA/V  C          00:00:42:00 00:00:44:00 01:00:04:00 01:00:05:00
M2   br040 048.0            00:00:42:00
005  br050 V     C          00:00:42:00 00:00:44:00 01:00:05:00 01:00:06:00
M2   br050 -048.0           00:00:42:00
006  br060 V     C          00:00:42:00 00:00:42:01 01:00:06:00 01:00:07:00
M2   br060 000.0            00:00:42:00
007  BL    V     C          00:00:00:00 00:00:01:00 01:00:07:00 01:00:08:00
* the lamp goes out
008  br070 V     C          00:00:42:00 00:00:43:00 01:00:08:00 01:00:09:00
009  br070 V     C          00:00:43:00 00:00:43:00 01:00:09:00 01:00:09:00
009  BL    V     D    024   00:00:00:00 00:00:02:00 01:00:09:00 01:00:11:00
010  WILD  A     C          00:00:00:00 00:00:01:00 01:00:00:12 01:00:01:12
* FROM CLIP NAME: salt
011  WILD  A2    D    012   00:00:03:00 00:00:04:00 01:00:02:00 01:00:03:00
* TO CLIP NAME: wind
";

#[test]
fn a_cut_of_all_there_is_comes_back_from_each_format() {
    let cut = read("edl", LIST, FILM);
    assert_eq!((cut.events.len(), cut.dissolves.len(), cut.sounds.len()), (7, 4, 2));
    for kind in ["edl", "otio"] {
        let text = written(kind, &cut, FILM);
        let again = read(kind, &text, FILM);
        assert_eq!(plain(&again), plain(&cut), "{text}");
        // What is written of it the second time is the same text.
        assert_eq!(written(kind, &again, FILM), text, "{kind}");
        let other = if kind == "edl" { "otio" } else { "edl" };
        assert_eq!(
            plain(&read(other, &written(other, &again, FILM), FILM)),
            plain(&cut),
            "{kind} to {other}"
        );
    }
}

fn cuts() -> impl Strategy<Value = Cut> {
    let speeds = prop::sample::select(vec![
        (1, 1),
        (1, 1),
        (1, 1),
        (1, 2),
        (2, 1),
        (-1, 1),
        (-1, 2),
        (5, 4),
        (0, 1),
        (37, 24),
    ]);
    let event = (0usize..6, 200i64..3_000, 1i64..60, speeds, 0u32..6, 1i64..40, 0i64..3);
    let grade = prop::option::of((0.5f64..2.0, -0.1f64..0.1, 0.5f64..2.0, 0.0f64..2.0));
    (
        prop::collection::vec((event, grade), 1..12),
        0i64..1_000_000,
        prop::collection::vec((1i64..50, 1i64..50), 0..4),
    )
        .prop_map(|(events, start, sounds)| cut_of(&events, start, &sounds))
}

type Drawn = ((usize, i64, i64, (i64, i64), u32, i64, i64), Option<(f64, f64, f64, f64)>);

fn cut_of(events: &[Drawn], start: i64, sounds: &[(i64, i64)]) -> Cut {
    let mut cut = Cut { title: Some("THE BRINE LAMP".into()), ..Cut::default() };
    let mut at = start;
    for ((shot, first, frames, speed, joins, long, black), graded) in events {
        let speed = Speed::new(speed.0, speed.1).unwrap();
        let mut event = CutEvent {
            number: cut.events.len() as u32 + 1,
            shot: format!("br0{}0", shot + 1),
            shot_span: nowhere(),
            source: FrameRange::new(*first, *first),
            speed,
            record_first: at,
            frames: *frames,
            reel: None,
            channels: None,
            grade: graded.map(|(slope, offset, power, saturation)| Grade {
                slope: [slope, 1.0, 0.5],
                offset: [offset, 0.0, 0.0],
                power: [power, 1.0, 1.0],
                saturation,
                span: nowhere(),
            }),
            comments: if *joins == 1 { vec!["at dusk".into()] } else { vec![] },
            span: nowhere(),
        };
        event.source = event.run().shows();
        let length = (*long).min(*frames);
        let before = cut.events.last().filter(|before| before.record_first + before.frames == at);
        if *joins > 2 {
            let from = before.map(|before| {
                let run = before.run().goes_on(length);
                let shot = before.shot.clone();
                endboard::cut::Outgoing {
                    shot,
                    shot_span: nowhere(),
                    source_first: run.first,
                    speed: run.speed,
                    played: run.played,
                }
            });
            let wipe = (*joins == 5).then_some(102);
            let record = FrameRange::new(at, at + length - 1);
            cut.dissolves.push(Dissolve { number: event.number, wipe, record, from, span: nowhere() });
        }
        at += frames;
        cut.events.push(event);
        at += if *black == 2 { *long } else { 0 };
    }
    cut.record = Some(FrameRange::new(start, at - 1));
    cut.notes.push(Note { record: None, text: "second night".into(), span: nowhere() });
    let mut heard = start;
    for (number, (wait, frames)) in (1..).zip(sounds) {
        let record = (heard + wait, heard + wait + frames);
        heard = record.1;
        cut.sounds.push(SoundEvent {
            number,
            clip: Some("salt".into()),
            reel: None,
            channels: if number % 2 == 0 { "A2".into() } else { "A".into() },
            fade: (number == 3).then_some(4),
            source: (100, 100 + frames),
            speed: Speed::OWN,
            record,
            comments: vec![],
            span: nowhere(),
        });
    }
    cut
}

proptest! {
    #[test]
    fn cuts_come_back_from_each_format(cut in cuts()) {
        for kind in ["edl", "otio"] {
            let text = written(kind, &cut, FILM);
            prop_assert_eq!(plain(&read(kind, &text, FILM)), plain(&cut), "{}", text);
        }
    }

    /// Whatever is done to a file, reading it ends, and gives events that can be used.
    #[test]
    fn no_spoilt_file_panics(at in prop::collection::vec((0usize..20_000, "[\\x00-\\x7f]{0,6}"), 1..8), cut_at in 0usize..20_000) {
        for kind in ["edl", "otio"] {
            let mut text = written(kind, &read("edl", LIST, FILM), FILM);
            for (at, spoilt) in &at {
                let at = at % text.len();
                if text.is_char_boundary(at) && text.is_char_boundary(at + 1) {
                    text.replace_range(at..=at, spoilt);
                }
            }
            text.truncate(cut_at.max(1) % text.len().max(1));
            for rate in [FILM, NTSC] {
                let cut = told(kind, &text, rate).0;
                for pair in cut.events.windows(2) {
                    prop_assert!(pair[0].record().last < pair[1].record_first);
                }
                for event in &cut.events {
                    prop_assert!(event.frames > 0 && !event.source.is_empty());
                    prop_assert!(cut.record.unwrap().covers(event.record()));
                }
            }
        }
    }
}

fn answered(kind: &str, text: &str, rate: &str) -> Option<Value> {
    let answer = outside("cut_check.py", &[kind, rate], text.as_bytes())?;
    Some(serde_json::from_slice(&answer).unwrap())
}

/// OpenTimelineIO 0.18.1 and its adapter for edit lists read what is written with the same ranges, speeds, transitions and
/// grades. Exact. As `checks/edl.json` tells of the adapter, it loses a speed line where both sides are as long, and names
/// black by its number.
#[test]
fn outside_check_of_what_is_written() {
    let cut = read("edl", LIST, FILM);
    for kind in ["edl", "otio"] {
        let text = written(kind, &cut, FILM);
        // The adapter takes a list's cross-fade of sound for a fault where nothing goes out; sound is compared in OTIO.
        // Nor does it take a comment before the first event, nor a film that begins with a fade.
        let text = match kind {
            "edl" => text[..text.find("  WILD").unwrap() - 3]
                .replacen("* second night\n", "", 1)
                .replacen(
                    "001  BL       V     C        00:00:00:00 00:00:00:00 01:00:00:00 01:00:00:00\n",
                    "",
                    1,
                )
                .replacen("001  br010    V     D    012 ", "001  br010    V     C        ", 1)
                .replacen("* TO CLIP NAME: br010", "* FROM CLIP NAME: br010", 1),
            _ => text,
        };
        let Some(answer) = answered(kind, &text, "24") else { return };
        let items = answer["tracks"][0]["items"].as_array().unwrap();
        // It calls black, whose frames begin at nought, by the name of what goes out into it.
        let named = |item: &&Value| {
            item["kind"] == "clip"
                && item["start"] != 0.0
                && item["name"].as_str().unwrap().starts_with("br0")
        };
        let clips: Vec<Value> = items
            .iter()
            .filter(named)
            .map(|item| {
                json!([
                    item["name"].as_str().unwrap().trim_end_matches(" FF"),
                    item["start"],
                    item["frames"],
                    item["scalar"]
                ])
            })
            .collect();
        let want: Vec<Value> = cut
            .events
            .iter()
            .map(|event| {
                let low = if event.speed.is_backwards() { 1008.0 } else { event.source.first as f64 };
                json!([event.shot, low, event.frames as f64, event.speed.number()])
            })
            .collect();
        assert_eq!(clips, want, "{kind} {answer:#}");
        let at: Vec<f64> = items.iter().filter(named).map(|item| item["at"].as_f64().unwrap()).collect();
        let first = cut.record.unwrap().first;
        let record: Vec<f64> = cut.events.iter().map(|event| (event.record_first - first) as f64).collect();
        assert_eq!(at, record, "{kind}");
        let changes: Vec<Value> = items
            .iter()
            .filter(|item| item["kind"] == "transition")
            .map(|item| json!([item["type"], item["before"], item["after"]]))
            .collect();
        let dissolve = |frames: f64| json!(["SMPTE_Dissolve", 0.0, frames]);
        let all = [dissolve(12.0), dissolve(6.0), json!(["SMPTE_Wipe", 0.0, 8.0]), dissolve(24.0)];
        assert_eq!(changes, all[usize::from(kind == "edl")..], "{kind}");
        let graded = items.iter().find(|item| item["name"] == "br010").unwrap();
        assert_eq!(graded["cdl"], json!({ "sat": 0.85, "slope": [1.1, 0.95, 1.02] }), "{kind}");
        let frozen = items.iter().filter(|item| item["frozen"] == true).count();
        assert_eq!(frozen, 1, "{kind}");
        if kind == "otio" {
            assert_eq!((&answer["start"], &answer["name"]), (&json!(86_400.0), &json!("THE BRINE LAMP")));
            let sound = |at: usize| answer["tracks"][at]["items"].as_array().unwrap().last().unwrap().clone();
            assert_eq!((sound(1)["at"].as_f64(), sound(1)["frames"].as_f64()), (Some(12.0), Some(24.0)));
            assert_eq!((sound(2)["at"].as_f64(), sound(2)["frames"].as_f64()), (Some(48.0), Some(24.0)));
        }
    }
}

/// Drop-frame labels at 29.97 across a minute, as the other library counts them. Exact.
#[test]
fn outside_check_of_drop_frame() {
    let all: Value = serde_json::from_str(include_str!("checks/edl.json")).unwrap();
    let case =
        all["cases"].as_array().unwrap().iter().find(|case| case["id"] == "b4_dropframe_2997").unwrap();
    let cut = read("edl", case["edl"].as_str().unwrap(), NTSC);
    let text = written("edl", &cut, NTSC);
    assert!(text.contains("FCM: DROP FRAME") && text.contains("00:00:57;00 00:01:02;02"), "{text}");
    assert_eq!(plain(&read("edl", &text, NTSC)), plain(&cut));
    let Some(answer) = answered("edl", &text, "29.97") else { return };
    let clips = answer["tracks"][0]["items"].as_array().unwrap();
    let ranges: Vec<_> = clips
        .iter()
        .map(|clip| (clip["start"].as_f64().unwrap(), clip["frames"].as_f64().unwrap()))
        .collect();
    assert_eq!(ranges, [(109_632.0, 150.0), (215_784.0, 30.0)]);
}

/// What another library writes of the catalogue's lists is read with the same events.
#[test]
fn outside_check_of_what_is_read() {
    let all: Value = serde_json::from_str(include_str!("checks/edl.json")).unwrap();
    for id in ["b1_cuts_24", "b2_dissolve_wipe_25", "b3_speed_24", "b8_gap_24"] {
        let case = all["cases"].as_array().unwrap().iter().find(|case| case["id"] == id).unwrap();
        let rate = Rate::new(case["rate"].as_u64().unwrap() as u32, 1);
        // The timeline as `checks/edl.json` tells of it, track starts below nought and all.
        let mut children = Vec::new();
        let time =
            |value: &Value| json!({ "OTIO_SCHEMA": "RationalTime.1", "rate": case["rate"], "value": value });
        for item in case["otio"]["tracks"][0]["items"].as_array().unwrap() {
            if item["kind"] == "Transition" {
                children.push(json!({ "OTIO_SCHEMA": "Transition.1", "transition_type": item["type"], "name": item["name"],
                    "in_offset": time(&item["in_offset"]), "out_offset": time(&item["out_offset"]) }));
                continue;
            }
            let range = json!({ "OTIO_SCHEMA": "TimeRange.1", "start_time": time(&item["source_start_frame"]),
                "duration": time(&item["duration_frames"]) });
            let schema = if item["kind"] == "Gap" || item["name"] == "003" { "Gap.1" } else { "Clip.1" };
            let effects: Vec<Value> = item["effects"].as_array().into_iter().flatten().map(|effect| {
                json!({ "OTIO_SCHEMA": "LinearTimeWarp.1", "time_scalar": effect["time_scalar"] })
            }).collect();
            children.push(json!({ "OTIO_SCHEMA": schema, "name": item["name"], "source_range": range, "effects": effects }));
        }
        let length = case["programme_frames"].clone();
        let first = case["by_hand_events"][0]["rec_in"].as_f64().unwrap();
        let range = json!({ "OTIO_SCHEMA": "TimeRange.1", "start_time": time(&json!(-first)), "duration": time(&length) });
        let track =
            json!({ "OTIO_SCHEMA": "Track.1", "kind": "Video", "source_range": range, "children": children });
        let stack = json!({ "OTIO_SCHEMA": "Stack.1", "children": [track] });
        let text = json!({ "OTIO_SCHEMA": "Timeline.1", "tracks": stack }).to_string();
        let cut = read("otio", &text, rate);
        let list = told("edl", case["edl"].as_str().unwrap(), rate).0;
        let of = |cut: &Cut, backwards: bool| -> Vec<Value> {
            let events = cut.events.iter().filter(|event| backwards || event.shot != "SH090_REVERSE");
            events
                .map(|event| {
                    json!([
                        event.shot,
                        event.record_first,
                        event.source.first,
                        event.source.last,
                        event.speed.ratio()
                    ])
                })
                .collect()
        };
        // The other library has lost the list's reverse at its own speed.
        assert_eq!(of(&cut, false), of(&list, false), "{id}");
        assert_eq!(cut.record, list.record.map(|r| FrameRange::new(r.first, r.last)), "{id}");
        assert_eq!(cut.dissolves.len(), list.dissolves.len(), "{id}");
    }
}

fn time(value: f64, rate: f64) -> Value {
    json!({ "OTIO_SCHEMA": "RationalTime.1", "rate": rate, "value": value })
}

fn range(first: f64, frames: f64) -> Value {
    json!({ "OTIO_SCHEMA": "TimeRange.1", "start_time": time(first, 24.0), "duration": time(frames, 24.0) })
}

fn clip(name: &str, first: f64, frames: f64) -> Value {
    json!({ "OTIO_SCHEMA": "Clip.2", "name": name, "source_range": range(first, frames) })
}

fn gap(frames: f64) -> Value {
    json!({ "OTIO_SCHEMA": "Gap.1", "source_range": range(0.0, frames) })
}

fn holds(schema: &str, children: &[Value]) -> Value {
    json!({ "OTIO_SCHEMA": schema, "kind": "Video", "name": "t", "children": children })
}

fn timeline(tracks: &[Value]) -> String {
    json!({ "OTIO_SCHEMA": "Timeline.1", "name": "b", "tracks": holds("Stack.1", tracks) }).to_string()
}

/// Shots of a cut, where they begin in the film, and the frames that play.
fn shown(text: &str) -> Vec<(String, i64, i64, i64)> {
    let cut = read("otio", text, FILM);
    cut.events.into_iter().map(|e| (e.shot.clone(), e.record_first, e.source.first, e.source.last)).collect()
}

fn at(shot: &str, record: i64, first: i64, last: i64) -> (String, i64, i64, i64) {
    (shot.to_string(), record, first, last)
}

#[test]
fn the_topmost_track_is_seen_and_gaps_let_through() {
    let low = holds("Track.1", &[clip("br010", 1001.0, 48.0), clip("br020", 1001.0, 24.0)]);
    let high = holds("Track.1", &[gap(12.0), clip("br030", 1009.0, 24.0)]);
    let want = [
        at("br010", 0, 1001, 1012),
        at("br030", 12, 1009, 1032),
        at("br010", 36, 1037, 1048),
        at("br020", 48, 1001, 1024),
    ];
    assert_eq!(shown(&timeline(&[low.clone(), high.clone()])), want);
    // What is switched off is not seen, and keeps its time.
    let mut off = high.clone();
    off["enabled"] = json!(false);
    let only = [at("br010", 0, 1001, 1048), at("br020", 48, 1001, 1024)];
    assert_eq!(shown(&timeline(&[low.clone(), off])), only);
    let mut dark = clip("br040", 1.0, 12.0);
    dark["enabled"] = json!(false);
    let after = holds("Track.1", &[dark, clip("br050", 5.0, 12.0)]);
    assert_eq!(shown(&timeline(&[after])), [at("br050", 12, 5, 16)]);
    // A stack within a track is flattened, and trimmed by its own range.
    let mut nested = holds("Stack.1", &[low, high]);
    nested["source_range"] = range(6.0, 36.0);
    let outer = holds("Track.1", &[clip("br060", 1.0, 10.0), nested]);
    let want = [
        at("br060", 0, 1, 10),
        at("br010", 10, 1007, 1012),
        at("br030", 16, 1009, 1032),
        at("br010", 40, 1037, 1042),
    ];
    assert_eq!(shown(&timeline(&[outer])), want);
}

#[test]
fn a_transition_reaches_both_ways() {
    let mut change = json!({ "OTIO_SCHEMA": "Transition.1", "transition_type": "SMPTE_Dissolve",
        "in_offset": time(4.0, 24.0), "out_offset": time(6.0, 24.0) });
    let track = |change: &Value| {
        timeline(&[holds(
            "Track.1",
            &[clip("br010", 1001.0, 24.0), change.clone(), clip("br020", 1011.0, 24.0)],
        )])
    };
    let cut = read("otio", &track(&change), FILM);
    assert_eq!(shown(&track(&change)), [at("br010", 0, 1001, 1020), at("br020", 20, 1007, 1034)]);
    let [dissolve] = cut.dissolves.as_slice() else { panic!("{cut:?}") };
    let from = dissolve.from.as_ref().unwrap();
    assert_eq!((dissolve.record, from.source_first), (FrameRange::new(20, 29), 1021));
    change["metadata"] = json!({ "any": { "transition": "W023" } });
    change["transition_type"] = json!("Custom_Transition");
    assert_eq!(read("otio", &track(&change), FILM).dissolves[0].wipe, Some(23));
    change["metadata"] = json!({});
    let (_, problems) = told("otio", &track(&change), FILM);
    assert!(problems[0].contains("is of the kind 'Custom_Transition', which is not known"), "{problems:?}");
}

#[test]
fn times_names_and_media_are_read_as_they_are_meant() {
    // Twice the film's rate, and images numbered otherwise than their times.
    let doubled = json!({ "OTIO_SCHEMA": "Clip.1", "name": "br010", "source_range": { "OTIO_SCHEMA": "TimeRange.1",
        "start_time": time(96.0, 48.0), "duration": time(48.0, 48.0) } });
    let images = json!({ "OTIO_SCHEMA": "Clip.2", "name": "", "active_media_reference_key": "fine", "media_references": { "fine": {
        "OTIO_SCHEMA": "ImageSequenceReference.1", "name": "br020", "start_frame": 1001, "frame_step": 1, "rate": 24.0,
        "available_range": range(86_400.0, 24.0) } }, "source_range": range(86_412.0, 12.0) });
    let whole = json!({ "OTIO_SCHEMA": "Clip.2", "media_references": { "DEFAULT_MEDIA": { "OTIO_SCHEMA": "ExternalReference.1",
        "target_url": "file:///reels/br030.mov", "available_range": range(5.0, 7.0) } } });
    let text = timeline(&[holds("Track.1", &[doubled, images, whole])]);
    assert_eq!(shown(&text), [at("br010", 0, 48, 71), at("br020", 24, 1013, 1024), at("br030", 36, 5, 11)]);
    // A rate that is rounded is the film's, and a start time is the film's first frame.
    let close = json!({ "OTIO_SCHEMA": "Clip.1", "name": "br010", "source_range": { "OTIO_SCHEMA": "TimeRange.1",
        "start_time": time(1001.0, 23.98), "duration": time(5.0, 23.976) } });
    let text = json!({ "OTIO_SCHEMA": "Timeline.1", "global_start_time": time(86_400.0, 23.976),
        "tracks": holds("Stack.1", &[holds("Track.1", &[close])]) })
    .to_string();
    let cut = read("otio", &text, Rate::new(24_000, 1001));
    assert_eq!(
        (cut.events[0].source, cut.record),
        (FrameRange::new(1001, 1005), Some(FrameRange::new(86_400, 86_404)))
    );
}

#[test]
fn what_cannot_be_read_is_told_at_its_place() {
    let track = |child: Value| timeline(&[holds("Track.1", &[child])]);
    let mut odd = clip("br010", 1001.0, 24.0);
    odd["source_range"]["duration"] = time(24.5, 24.0);
    let mut warped = clip("br010", 1001.0, 24.0);
    warped["effects"] = json!([{ "OTIO_SCHEMA": "TimeEffect.1" }]);
    let mut far = clip("br010", 1001.0, 24.0);
    far["source_range"]["duration"] = time(1e300, 24.0);
    let mut rate = clip("br010", 1001.0, 24.0);
    rate["source_range"]["duration"] = time(24.0, 0.0);
    for (text, problem) in [
        (track(odd), "lies between frames: it is 24.5000 frames at 24"),
        (track(warped), "the Clip 'br010' changes its speed in a way that is not known"),
        (track(far), "is beyond 100000000 frames"),
        (track(rate), "0 is no rate"),
        (
            track(json!({ "OTIO_SCHEMA": "Clip.3" })),
            "'Clip.3' is a version that is not known: Clip.2 is the newest",
        ),
        (track(json!({ "OTIO_SCHEMA": "Lens.1" })), "'Lens.1' is no schema that is known"),
        (track(json!({ "name": "br010" })), "this object does not say its OTIO_SCHEMA"),
        (track(json!([])), "an object of OTIO is wanted here"),
        (track(clip("br010", 1.0, 0.0)), "the Clip 'br010' lasts no frame"),
        (
            track(clip("br010", 1.0, 90_000_000.0)),
            "the cut is 90000000 frames long, and a film lasts at most a day",
        ),
        (
            track(json!({ "OTIO_SCHEMA": "Clip.1", "name": "br010" })),
            "has no source_range, and its media no available_range",
        ),
        (track(json!({ "OTIO_SCHEMA": "Clip.1", "source_range": range(1.0, 2.0) })), "this clip has no name"),
        (
            json!({ "OTIO_SCHEMA": "SerializableCollection.1" }).to_string(),
            "this file holds a SerializableCollection, and a cut is a Timeline",
        ),
        (json!({ "OTIO_SCHEMA": "Timeline.1" }).to_string(), "a Timeline has no 'tracks'"),
        ("{\"OTIO_SCHEMA\": \"Timeline.1\",".to_string(), "a key in double quotes must stand here"),
    ] {
        let (cut, problems) = told("otio", &text, FILM);
        assert!(problems.iter().any(|told| told.contains(problem)), "{problem}: {problems:?}");
        assert!(cut.events.is_empty(), "{problem}");
    }
    let text =
        format!("{:#}", serde_json::from_str::<Value>(&track(json!({ "OTIO_SCHEMA": "Lens.1" }))).unwrap());
    let line = text.lines().position(|line| line.contains("Lens.1")).unwrap() + 1;
    let column = text.lines().nth(line - 1).unwrap().find("\"Lens").unwrap() + 1;
    assert_eq!(
        told("otio", &text, FILM).1[0],
        format!("{line}:{column} 'Lens.1' is no schema that is known")
    );
    // Depth, and more tracks than anyone has.
    let deep = "{\"OTIO_SCHEMA\":\"Stack.1\",\"children\":[".repeat(100_000);
    assert_eq!(told("otio", &deep, FILM).1.len(), 1);
    let many = timeline(&vec![holds("Track.1", &[]); 300]);
    assert!(told("otio", &many, FILM).1[0].contains("there are 300 tracks of picture"));
    // A file of faults is told in few words.
    let faulty = timeline(&[holds("Track.1", &vec![json!({ "OTIO_SCHEMA": "Lens.1" }); 1000])]);
    let (_, problems) = told("otio", &faulty, FILM);
    assert_eq!((problems.len(), problems[200].as_str()), (201, "1:1 800 more problems in this file"));
}

#[test]
fn what_a_list_cannot_hold_is_told() {
    let mut cut = read("edl", LIST, FILM);
    let names = ["the-keeper-and-the-raker", "the-keeper-at-dusk", "bl", "ax", "br050", "br060", "br070"];
    for (event, name) in cut.events.iter_mut().zip(names) {
        event.shot = name.into();
        event.reel = None;
    }
    cut.dissolves.clear();
    let written = edl::write::write(&cut, FILM, &none).unwrap();
    assert_eq!(written.told.len(), 4, "{:?}", written.told);
    assert!(written.told[0].starts_with("reel the_keep is the-keeper-and-the-raker:"), "{:?}", written.told);
    let again = read("edl", &written.text, FILM);
    assert_eq!(again.events.iter().map(|e| e.shot.as_str()).collect::<Vec<_>>(), names);
    let reels: std::collections::HashSet<_> = again.events.iter().map(|e| e.reel.clone().unwrap()).collect();
    assert!(
        reels.len() == 7 && reels.iter().all(|reel| reel.len() <= 8 && reel != "bl" && reel != "ax"),
        "{reels:?}"
    );
    // A thousand events, a long transition, and a frame beyond the day.
    let event = cut.events[4].clone();
    let events = (0..1000).map(|n| CutEvent {
        record_first: n,
        frames: 1,
        speed: Speed::OWN,
        source: FrameRange::one(n),
        ..event.clone()
    });
    let many = Cut { events: events.collect(), record: Some(FrameRange::new(0, 999)), ..Cut::default() };
    let written = edl::write::write(&many, FILM, &none).unwrap();
    assert!(written.told[0].starts_with("1000 events, and a list numbers 999"), "{:?}", written.told);
    assert_eq!(read("edl", &written.text, FILM).events.len(), 1000);
    let mut late = many.clone();
    late.events[3].source = FrameRange::one(3_000_000);
    let refused = edl::write::write(&late, FILM, &none).unwrap_err();
    assert!(refused.starts_with("event 4: frame 3000000 has no timecode within a day"), "{refused}");
}

/// One line of a list, and its speed.
fn line(number: u32, reel: &str, how: &str, source: (i64, i64), record: (i64, i64), speed: &str) -> String {
    let times = [source.0, source.1, record.0, record.1].map(code).join(" ");
    let m2 = if speed.is_empty() { String::new() } else { format!("M2 {reel} {speed} {}\n", code(source.0)) };
    format!("{number:03}  {reel}  V  {how}  {times}\n{m2}")
}

/// br010 backwards, held, at half its speed; a wipe over two frames into br020.
fn list(pattern: &str) -> String {
    [
        "TITLE: LOCK\n".to_string(),
        line(1, "br010", "C", (1001, 1005), (0, 4), "-024.0"),
        line(2, "br010", "C", (1002, 1003), (4, 6), "000.0"),
        "* ASC_SAT 0.5\n".to_string(),
        line(3, "br010", "C", (1001, 1003), (6, 10), "012.0"),
        line(4, "br010", "C", (1003, 1003), (10, 10), ""),
        line(4, "br020", pattern, (1001, 1005), (10, 14), ""),
    ]
    .concat()
}

fn film(pattern: &str, more: &str, cut: &str) -> Film {
    let film = Film::new();
    film.write_plate("shed", 3);
    film.write("lock.edl", list(pattern));
    declare(&film, more, cut);
    film
}

fn declare(film: &Film, more: &str, cut: &str) {
    let (width, height) = SIZE;
    let shot = |name: &str, exposure: f64| {
        format!(
            "  {name}: {{ plate: shed, frames: 1001-1005, recipe: plain-grade, colour: {{ exposure: {exposure} }} }}\n"
        )
    };
    film.write(
        "endboard.yaml",
        format!(
            "film: The Brine Lamp\nrate: 24\nframe_size: {width}x{height}\ncut: {cut}\nplates:\n  shed: {{ files: \
             plates/shed.####.exr, frames: 1001-1008, encoding: linear-rec709 }}\nshots:\n{}{}assembly: {{{more}}}\n",
            shot("br010", 0.0),
            shot("br020", 1.0),
        ),
    );
}

#[test]
fn the_film_plays_speeds_and_wipes_and_only_what_changes_runs() {
    let film = film("W001 002", "", "lock.edl");
    film.rebuild(&["film/assembly"]).well();
    let renders = film.renders();
    let at = |path: String| renders.get(std::path::Path::new(&path)).unwrap_or_else(|| panic!("{path}"));
    let shown = |n: i64| at(format!("film/assembly/film.{n:04}.exr"));
    let played = [1004, 1003, 1002, 1001, 1002, 1002, 1001, 1001, 1002, 1002];
    for (n, frame) in (1..).zip(played) {
        assert_eq!(shown(n), at(format!("br010/colour/br010.{frame}.exr")), "{n}");
    }
    assert_ne!(shown(11), at("br020/colour/br020.1001.exr".into()));
    assert_eq!(shown(13), at("br020/colour/br020.1003.exr".into()));
    // Another pattern makes the frames of the wipe anew, another speed those that show something else.
    film.write("lock.edl", list("W002 002"));
    let said = film.rebuild(&["film/assembly"]).well();
    assert_eq!(
        said.rendered.iter().map(String::as_str).collect::<Vec<_>>(),
        ["film/assembly@11", "film/assembly@12"]
    );
    film.write("lock.edl", list("W002 002").replace("-024.0", "024.0"));
    let said = film.rebuild(&["film/assembly"]).well();
    // Those are pictures that the film has shown before, so that they are put back.
    assert_eq!((said.rendered.len(), said.restored()), (0, 4), "{}", said.json);
    let renders = film.renders();
    for n in 1..5 {
        let of = |path: String| renders.get(std::path::Path::new(&path)).unwrap();
        assert_eq!(
            of(format!("film/assembly/film.{n:04}.exr")),
            of(format!("br010/colour/br010.{}.exr", 1000 + n))
        );
    }
}

#[test]
fn a_pattern_that_is_not_drawn_needs_the_declaration() {
    let film = film("W300 002", "", "lock.edl");
    let (code, said) = film.said(&["check"]);
    assert!(
        code == Some(1) && said.contains("event 4 is a wipe of pattern 300, which is not drawn"),
        "{said}"
    );
    assert!(said.contains("lock.edl:") && said.contains("001 002 003"), "{said}");
    declare(&film, " other_wipes: dissolve ", "lock.edl");
    let (code, said) = film.said(&["check"]);
    assert!(code == Some(0) && said.contains("it is a dissolve, as"), "{said}");
}

#[test]
fn the_film_is_written_as_it_stands() {
    let film = film("W001 002", "", "lock.edl");
    let (code, said) = film.said(&["check"]);
    assert!(code == Some(0) && said.contains("the cut carries a grade for br010"), "{said}");
    let (code, table) = film.said(&["cut"]);
    assert_eq!(code, Some(0), "{table}");
    for part in [
        "speed -100 %",
        "freeze, grade",
        "speed 50 %",
        "wipe 001 from br010 over 2",
        "14 frames, 4 events of 2 shots",
    ] {
        assert!(table.contains(part), "{part}: {table}");
    }
    let all = film.json(&["cut"]);
    assert_eq!((&all["format"], &all["frames"]), (&json!("endboard cut 1"), &json!(14)));
    assert_eq!(all["events"][0]["speed"], json!(-1.0));
    let (code, said) = film.said(&["cut", "--edl", "out/film.edl", "--otio", "out/film.otio", "--grades"]);
    assert!(code == Some(0) && said.contains("finished: 0 of 2 shots"), "{said}");
    let text = film.text("out/film.edl");
    assert!(text.contains("* SOURCE FILE: renders/br010/colour/br010.####.exr"), "{text}");
    assert!(film.text("grades/br010.cc").contains("0.5"));
    let otio = film.text("out/film.otio");
    assert!(otio.contains("\"target_url_base\": \"renders/br010/colour/\""), "{otio}");
    if let Some(answer) = answered("otio", &otio, "24") {
        let first = &answer["tracks"][0]["items"][0];
        assert_eq!(first["first_file"], json!("renders/br010/colour/br010.1001.exr"), "{answer:#}");
    }
    // Each is a cut for the same film: nothing runs.
    film.rebuild(&["film/assembly"]).well();
    for cut in ["out/film.edl", "out/film.otio"] {
        declare(&film, "", cut);
        let said = film.rebuild(&["film/assembly"]).well();
        assert!(said.rendered.is_empty(), "{cut}: {:?}", said.rendered);
        // The cut in use is never written over.
        let (code, said) = film.said(&["cut", "--otio", cut, "--replace"]);
        assert!(code == Some(2) && said.contains("which is the cut in use"), "{said}");
    }
    // Written again it is replaced; a person's stays, and is kept under another name when it is to go.
    declare(&film, "", "lock.edl");
    assert_eq!(film.said(&["cut", "--edl", "out/film.edl"]).0, Some(0));
    film.write("out/film.edl", text.replace("LOCK", "MINE"));
    let (code, said) = film.said(&["cut", "--edl", "out/film.edl"]);
    assert!(code == Some(2) && said.contains("stays as it is"), "{said}");
    let (code, said) = film.said(&["cut", "--edl", "out/film.edl", "--replace"]);
    assert!(code == Some(0) && said.contains("out/film.1.edl"), "{said}");
    assert!(film.text("out/film.1.edl").contains("MINE"));
}

#[test]
fn a_film_without_a_cut_can_be_written() {
    let film = Film::new();
    film.write_plate("shed", 3);
    film.declare("  br010: { plate: shed, frames: 1001-1004, recipe: plain-grade }\n");
    let all = film.json(&["cut", "--edl", "film.edl"]);
    assert_eq!((&all["start"], &all["events"][0]["shot"]), (&json!("01:00:00:00"), &json!("br010")));
    let cut = read("edl", &film.text("film.edl"), FILM);
    assert_eq!(
        (cut.record, cut.events[0].source),
        (Some(FrameRange::new(86_400, 86_403)), FrameRange::new(1001, 1004))
    );
}
