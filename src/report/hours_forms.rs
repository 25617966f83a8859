//! Hours as JSON and CSV, for programs.
//!
//! Knows the two forms and their versions. Does not know how the sums come about.

use std::time::Duration;

use jiff::civil::Date;
use serde::Serialize;

use crate::crew::waiting::{Packet, Waited};
use crate::report::hands::{Side, Sides, Spent};
use crate::report::hours::{FINAL_OPERATORS, Hours, Part, Tally};
use crate::report::words;

/// The version of the JSON form, as it stands under `format`.
pub const FORMAT: &str = "endboard hours 1";

/// Sums of some rows.
#[derive(Serialize)]
struct Sums {
    /// Render rows.
    rows: u64,
    /// Frames rendered, each as often as it was.
    frames: u64,
    /// Frames of rows that failed.
    failed_frames: u64,
    /// Seconds on the clock: first pass, rework and failed together.
    wall_seconds: f64,
    /// Seconds of processor time.
    processor_seconds: f64,
    /// Seconds on the clock for frames never rendered before.
    first_pass_seconds: f64,
    /// Seconds on the clock for frames rendered before.
    rework_seconds: f64,
    /// Seconds on the clock that ended in failure.
    failed_seconds: f64,
    /// The largest peak memory, null when no row knows it.
    peak_memory_bytes: Option<u64>,
}

impl From<&Tally> for Sums {
    fn from(tally: &Tally) -> Self {
        Self {
            rows: tally.rows,
            frames: tally.frames,
            failed_frames: tally.failed_frames,
            wall_seconds: seconds(tally.wall),
            processor_seconds: seconds(tally.cpu),
            first_pass_seconds: seconds(tally.first_pass),
            rework_seconds: seconds(tally.rework),
            failed_seconds: seconds(tally.failed),
            peak_memory_bytes: tally.peak_memory,
        }
    }
}

/// To the microsecond, as the ledger keeps it.
fn seconds(time: Duration) -> f64 {
    time.as_micros() as f64 / 1e6
}

#[derive(Serialize)]
struct Named<'a, S: Serialize> {
    name: &'a str,
    #[serde(flatten)]
    sums: S,
}

#[derive(Serialize)]
struct FinalSteps {
    operators: [&'static str; 6],
    share: f64,
    #[serde(flatten)]
    sums: Sums,
}

#[derive(Serialize)]
struct Form<'a> {
    format: &'static str,
    from: Option<String>,
    to: Option<String>,
    total: Sums,
    final_steps: FinalSteps,
    by_stage: Vec<Named<'a, Sums>>,
    by_shot: Vec<Named<'a, Sums>>,
    by_cause: Vec<Named<'a, Sums>>,
    by_machine: Vec<Named<'a, Sums>>,
    by_week: Vec<Named<'a, Sums>>,
    hands: HandsForm<'a>,
    change: Change,
    waiting: Vec<WaitForm<'a>>,
    packets: Vec<PacketForm<'a>>,
}

/// Time of people.
#[derive(Serialize)]
struct HandSums {
    rows: u64,
    seconds: f64,
    first_pass_seconds: f64,
    rework_seconds: f64,
}

impl From<&Spent> for HandSums {
    fn from(spent: &Spent) -> Self {
        Self {
            rows: spent.rows,
            seconds: seconds(spent.all()),
            first_pass_seconds: seconds(spent.first_pass),
            rework_seconds: seconds(spent.rework),
        }
    }
}

#[derive(Serialize)]
struct HandsForm<'a> {
    total: HandSums,
    running: usize,
    final_steps: Vec<Named<'a, HandSums>>,
    by_stage: Vec<Named<'a, HandSums>>,
    by_shot: Vec<Named<'a, HandSums>>,
    by_person: Vec<Named<'a, HandSums>>,
    by_week: Vec<Named<'a, HandSums>>,
    by_cause: Vec<Named<'a, HandSums>>,
}

#[derive(Serialize)]
struct Change {
    from: String,
    before_from: String,
    hands_seconds: [f64; 2],
    hands_rework_seconds: [f64; 2],
    machine_seconds: [f64; 2],
}

#[derive(Serialize)]
struct WaitForm<'a> {
    shot: &'a str,
    stage: &'a str,
    ready: String,
    touched: Option<String>,
    person: Option<&'a str>,
    seconds: f64,
}

#[derive(Serialize)]
struct PacketForm<'a> {
    name: &'a str,
    person: &'a str,
    out: String,
    back: Option<String>,
    seconds: f64,
}

/// A span of days and the one before it.
pub struct Spans<'a> {
    /// Sums of this one.
    pub now: &'a Sides,
    /// Sums of the one before.
    pub before: &'a Sides,
    /// The first day of this one.
    pub from: Date,
    /// The first day of the one before, which ends where this one begins.
    pub before_from: Date,
}

/// What waited.
pub struct Waits<'a> {
    /// Stages.
    pub waited: &'a [Waited],
    /// Packets.
    pub packets: &'a [Packet],
}

/// Those of a list on which people spent time.
fn hands_of(sides: &[Side]) -> Vec<Named<'_, HandSums>> {
    let some = sides.iter().filter(|side| side.hands.rows > 0);
    some.map(|side| Named { name: &side.name, sums: (&side.hands).into() }).collect()
}

fn machines_of(sides: &[Side]) -> Vec<Named<'_, Sums>> {
    let some = sides.iter().filter(|side| side.machines.rows > 0);
    some.map(|side| Named { name: &side.name, sums: (&side.machines).into() }).collect()
}

fn named(parts: &[Part]) -> Vec<Named<'_, Sums>> {
    parts.iter().map(|part| Named { name: &part.name, sums: (&part.tally).into() }).collect()
}

/// Hours as one JSON object:
///
/// - `format`: `"endboard hours 1"`;
/// - `from`, `to`: when the earliest and latest row ended (RFC 3339, UTC), null without rows;
/// - `total`: sums of all rows: `rows`, `frames`, `failed_frames`, `wall_seconds`, `processor_seconds`,
///   `first_pass_seconds`, `rework_seconds`, `failed_seconds` (these three make up
///   `wall_seconds`), `peak_memory_bytes` (null when unknown);
/// - `final_steps`: the same sums, with the `operators` counted and their `share` of `wall_seconds`, 0 to 1;
/// - `by_stage`, `by_shot`, `by_cause`, `by_machine`: lists of the same sums, each with its `name`,
///   longest time first; `by_week` in order of time, by weeks of ISO 8601 such as `2026-W48`;
/// - `hands`: people's time, in sums of `rows`, `seconds`, `first_pass_seconds`, `rework_seconds`: `total`, and lists with a `name`
///   each: `final_steps`, `by_stage`, `by_shot`, `by_person`, `by_week`, `by_cause`; `running`: how many clocks run, uncounted;
/// - `change`: this week, or the days since the one asked for, and the span before: first days `from` and `before_from`, and pairs of
///   `hands_seconds`, `hands_rework_seconds`, `machine_seconds`;
/// - `waiting`: stages with `shot`, `stage`, `ready`, `touched`, `person`, `seconds`; `packets` with `name`, `person`, `out`, `back`,
///   `seconds`. `touched`, `person` and `back` are null while that has not happened.
pub fn json(hours: &Hours, sides: &Sides, spans: &Spans<'_>, waits: &Waits<'_>, running: usize) -> String {
    let pair = |of: &dyn Fn(&Sides) -> Duration| [seconds(of(spans.now)), seconds(of(spans.before))];
    let form = Form {
        format: FORMAT,
        from: hours.span.map(|(first, _)| first.to_string()),
        to: hours.span.map(|(_, last)| last.to_string()),
        total: (&hours.total).into(),
        final_steps: FinalSteps {
            operators: FINAL_OPERATORS,
            share: words::share(hours.final_steps.wall, hours.total.wall),
            sums: (&hours.final_steps).into(),
        },
        by_stage: named(&hours.stages),
        by_shot: named(&hours.shots),
        by_cause: named(&hours.causes),
        by_machine: named(&hours.machines),
        by_week: machines_of(&sides.weeks),
        hands: HandsForm {
            total: (&sides.total.hands).into(),
            running,
            final_steps: hands_of(&sides.finals),
            by_stage: hands_of(&sides.stages),
            by_shot: hands_of(&sides.shots),
            by_person: hands_of(&sides.people),
            by_week: hands_of(&sides.weeks),
            by_cause: hands_of(&sides.causes),
        },
        change: Change {
            from: spans.from.to_string(),
            before_from: spans.before_from.to_string(),
            hands_seconds: pair(&|sides| sides.total.hands.all()),
            hands_rework_seconds: pair(&|sides| sides.total.hands.rework),
            machine_seconds: pair(&|sides| sides.total.machines.wall),
        },
        waiting: waits.waited.iter().map(wait).collect(),
        packets: waits.packets.iter().map(packet).collect(),
    };
    serde_json::to_string_pretty(&form).expect("texts and finite numbers are always JSON")
}

fn wait(waited: &Waited) -> WaitForm<'_> {
    WaitForm {
        shot: &waited.shot,
        stage: &waited.stage,
        ready: waited.ready.to_string(),
        touched: waited.touched.as_ref().map(|(at, _)| at.to_string()),
        person: waited.touched.as_ref().map(|(_, person)| &**person),
        seconds: seconds(waited.time),
    }
}

fn packet(packet: &Packet) -> PacketForm<'_> {
    PacketForm {
        name: &packet.name,
        person: &packet.person,
        out: packet.out.to_string(),
        back: packet.back.map(|back| back.to_string()),
        seconds: seconds(packet.time),
    }
}

/// Hours as CSV (RFC 4180: comma, CR LF, quotes doubled) with a header line. Numbers have decimal
/// points. `group` is `total`, `final steps`, `stage`, `shot`, `person`, `week`, `cause` or `machine`; an unknown peak
/// memory is empty. Times of hands come after those of machines, and both once more in hours. A name that a spreadsheet could take
/// for a formula has an apostrophe before it.
pub fn csv(hours: &Hours, sides: &Sides) -> String {
    let mut out = String::from(
        "group,name,rows,frames,failed_frames,wall_seconds,processor_seconds,first_pass_seconds,\
         rework_seconds,failed_seconds,peak_memory_bytes,hands_rows,hands_seconds,hands_first_pass_seconds,\
         hands_rework_seconds,machine_hours,hands_hours,hands_rework_hours\r\n",
    );
    line(&mut out, "total", "", &hours.total, &sides.total.hands);
    line(&mut out, "final steps", "", &hours.final_steps, &sides.all_finals().hands);
    let groups = [
        ("stage", &sides.stages),
        ("shot", &sides.shots),
        ("person", &sides.people),
        ("week", &sides.weeks),
        ("cause", &sides.causes),
    ];
    for (group, list) in groups {
        for side in list {
            line(&mut out, group, &side.name, &side.machines, &side.hands);
        }
    }
    for part in &hours.machines {
        line(&mut out, "machine", &part.name, &part.tally, &Spent::default());
    }
    out
}

fn line(out: &mut String, group: &str, name: &str, tally: &Tally, hands: &Spent) {
    let sums = Sums::from(tally);
    let spent = HandSums::from(hands);
    let peak = sums.peak_memory_bytes.map(|bytes| bytes.to_string()).unwrap_or_default();
    let hours = |seconds: f64| ((seconds / 3.6).round() / 1000.0).to_string();
    let cells = [
        group.to_string(),
        quoted(name),
        sums.rows.to_string(),
        sums.frames.to_string(),
        sums.failed_frames.to_string(),
        sums.wall_seconds.to_string(),
        sums.processor_seconds.to_string(),
        sums.first_pass_seconds.to_string(),
        sums.rework_seconds.to_string(),
        sums.failed_seconds.to_string(),
        peak,
        spent.rows.to_string(),
        spent.seconds.to_string(),
        spent.first_pass_seconds.to_string(),
        spent.rework_seconds.to_string(),
        hours(sums.wall_seconds),
        hours(spent.seconds),
        hours(spent.rework_seconds),
    ];
    out.push_str(&cells.join(","));
    out.push_str("\r\n");
}

/// A text as a cell. What begins like a formula is none: names come from other people's ledgers.
fn quoted(text: &str) -> String {
    let text = match text.starts_with(['=', '+', '-', '@', '\t', '\r']) {
        true => format!("'{text}"),
        false => text.to_string(),
    };
    if text.contains([',', '"', '\r', '\n']) { format!("\"{}\"", text.replace('"', "\"\"")) } else { text }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::crew::times::Times;
    use crate::ledger::id::RowId;
    use crate::ledger::row::Entry;
    use crate::report::hands::tests::{all, entries};
    use crate::report::hours::tests::rows;
    use jiff::tz::TimeZone;

    fn of(entries: &[Entry]) -> (Hours, Sides) {
        let zone = TimeZone::UTC;
        let sides = Sides::of(entries, &Times::of(entries), &all(&zone, None, None));
        (Hours::of(entries.iter().map(|entry| &entry.row)), sides)
    }

    fn machines() -> Vec<Entry> {
        let entry = |(n, row)| Entry { id: RowId(n as u128), writer: "shed".into(), row };
        rows().into_iter().enumerate().map(entry).collect()
    }

    fn json_of(entries: &[Entry]) -> serde_json::Value {
        let (hours, sides) = of(entries);
        let (from, before_from) = ("2026-12-28".parse().unwrap(), "2026-12-21".parse().unwrap());
        let empty = Sides::default();
        let spans = Spans { now: &sides, before: &empty, from, before_from };
        let at: jiff::Timestamp = "2026-12-28T10:00:00Z".parse().unwrap();
        let waited = [Waited {
            shot: "br030".into(),
            stage: "paint".into(),
            ready: at,
            touched: None,
            time: Duration::from_secs(60),
        }];
        let packets = [Packet {
            name: "p".into(),
            person: "ines".into(),
            out: at,
            back: Some(at),
            time: Duration::ZERO,
        }];
        let waits = Waits { waited: &waited, packets: &packets };
        serde_json::from_str(&json(&hours, &sides, &spans, &waits, 2)).unwrap()
    }

    #[test]
    fn json_holds_every_sum() {
        let value = json_of(&machines());
        assert_eq!(value["format"], "endboard hours 1");
        assert_eq!(value["from"], "2026-02-02T02:50:00Z");
        assert_eq!(value["total"]["wall_seconds"], 12_000.0);
        assert_eq!(value["total"]["failed_frames"], 10);
        assert_eq!(value["final_steps"]["share"], 0.5);
        assert_eq!(value["by_stage"][0]["name"], "blades");
        assert_eq!(value["by_stage"][0]["rework_seconds"], 1_800.0);
        assert_eq!(value["by_cause"][1]["name"], "new, \"warm\"");
        assert_eq!(value["by_machine"][0]["peak_memory_bytes"], 4_000u64 << 20);
        assert_eq!(value["by_week"][0]["name"], "2026-W06");
        assert_eq!(value["hands"]["total"]["seconds"], 0.0);
        let empty = json_of(&[]);
        assert_eq!(empty["from"], serde_json::Value::Null);
        assert_eq!(empty["total"]["peak_memory_bytes"], serde_json::Value::Null);
    }

    #[test]
    fn json_holds_peoples_time_and_what_waited() {
        let value = json_of(&entries());
        let hands = &value["hands"];
        assert_eq!((&hands["total"]["seconds"], &hands["running"]), (&52_200.0.into(), &2.into()));
        assert_eq!(hands["by_person"][0]["name"], "tomas");
        assert_eq!(hands["by_person"][0]["rework_seconds"], 36_000.0);
        assert_eq!(hands["by_week"][2]["name"], "2027-W01");
        assert_eq!(hands["final_steps"][1]["name"], "last by hand");
        assert_eq!(value["change"]["hands_seconds"], serde_json::json!([52_200.0, 0.0]));
        assert_eq!(value["waiting"][0]["touched"], serde_json::Value::Null);
        assert_eq!(value["packets"][0]["back"], "2026-12-28T10:00:00Z");
    }

    #[test]
    fn csv_follows_rfc_4180() {
        let (hours, sides) = of(&machines());
        let text = csv(&hours, &sides);
        let lines: Vec<&str> = text.split("\r\n").collect();
        assert_eq!(lines.last(), Some(&""));
        assert_eq!(lines[1], "total,,5,40,10,12000,24000,9600,1800,600,4194304000,0,0,0,0,3.333,0,0");
        assert_eq!(lines[2], "final steps,,2,20,0,6000,12000,6000,0,0,4194304000,0,0,0,0,1.667,0,0");
        let cause = "cause,\"new, \"\"warm\"\"\",1,10,0,4000,8000,4000,0,0,4194304000,0,0,0,0,1.111,0,0";
        assert!(lines.contains(&cause), "{text}");
        let columns = lines[0].split(',').count();
        assert!(lines[1..4].iter().all(|line| line.split(',').count() == columns));
        assert_eq!(seconds(Duration::from_micros(1_234_567)).to_string(), "1.234567");
        let (hours, sides) = of(&entries());
        let text = csv(&hours, &sides);
        assert!(text.contains("\r\nperson,tomas,0,0,0,0,0,0,0,0,,2,39600,3600,36000,0,11,10\r\n"), "{text}");
        assert!(text.contains("\r\nweek,2026-W53,"), "{text}");
    }

    #[test]
    fn names_are_no_formulas() {
        for (name, want) in [
            ("=1+1", "'=1+1"),
            ("@SUM(A1)", "'@SUM(A1)"),
            ("-2", "'-2"),
            ("+1,2", "\"'+1,2\""),
            ("\tx", "'\tx"),
            ("br030", "br030"),
        ] {
            assert_eq!(quoted(name), want);
        }
    }
}
