//! Hours as JSON and CSV, for programs.
//!
//! Knows the two forms and their versions. Does not know how the sums come about.

use std::time::Duration;

use serde::Serialize;

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
    cpu_seconds: f64,
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
            cpu_seconds: seconds(tally.cpu),
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
struct Named<'a> {
    name: &'a str,
    #[serde(flatten)]
    sums: Sums,
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
    by_stage: Vec<Named<'a>>,
    by_shot: Vec<Named<'a>>,
    by_cause: Vec<Named<'a>>,
    by_machine: Vec<Named<'a>>,
}

fn named(parts: &[Part]) -> Vec<Named<'_>> {
    parts.iter().map(|part| Named { name: &part.name, sums: (&part.tally).into() }).collect()
}

/// Hours as one JSON object:
///
/// - `format`: `"endboard hours 1"`;
/// - `from`, `to`: when the earliest and latest row ended (RFC 3339, UTC), null without rows;
/// - `total`: sums of all rows: `rows`, `frames`, `failed_frames`, `wall_seconds`, `cpu_seconds`,
///   `first_pass_seconds`, `rework_seconds`, `failed_seconds` (these three make up
///   `wall_seconds`), `peak_memory_bytes` (null when unknown);
/// - `final_steps`: the same sums, with the `operators` counted and their `share` of `wall_seconds`, 0 to 1;
/// - `by_stage`, `by_shot`, `by_cause`, `by_machine`: lists of the same sums, each with its `name`,
///   longest time first.
pub fn json(hours: &Hours) -> String {
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
    };
    serde_json::to_string_pretty(&form).expect("texts and finite numbers are always JSON")
}

/// Hours as CSV (RFC 4180: comma, CR LF, quotes doubled) with a header line. Numbers have decimal
/// points. `group` is `total`, `final steps`, `stage`, `shot`, `cause` or `machine`; an unknown peak
/// memory is empty.
pub fn csv(hours: &Hours) -> String {
    let mut out = String::from(
        "group,name,rows,frames,failed_frames,wall_seconds,cpu_seconds,first_pass_seconds,\
         rework_seconds,failed_seconds,peak_memory_bytes\r\n",
    );
    line(&mut out, "total", "", &hours.total);
    line(&mut out, "final steps", "", &hours.final_steps);
    let groups = [
        ("stage", &hours.stages),
        ("shot", &hours.shots),
        ("cause", &hours.causes),
        ("machine", &hours.machines),
    ];
    for (group, parts) in groups {
        for part in parts {
            line(&mut out, group, &part.name, &part.tally);
        }
    }
    out
}

fn line(out: &mut String, group: &str, name: &str, tally: &Tally) {
    let sums = Sums::from(tally);
    let peak = sums.peak_memory_bytes.map(|bytes| bytes.to_string()).unwrap_or_default();
    let cells = [
        group.to_string(),
        quoted(name),
        sums.rows.to_string(),
        sums.frames.to_string(),
        sums.failed_frames.to_string(),
        sums.wall_seconds.to_string(),
        sums.cpu_seconds.to_string(),
        sums.first_pass_seconds.to_string(),
        sums.rework_seconds.to_string(),
        sums.failed_seconds.to_string(),
        peak,
    ];
    out.push_str(&cells.join(","));
    out.push_str("\r\n");
}

fn quoted(text: &str) -> String {
    if text.contains([',', '"', '\r', '\n']) {
        format!("\"{}\"", text.replace('"', "\"\""))
    } else {
        text.into()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::report::hours::tests::rows;

    #[test]
    fn json_holds_every_sum() {
        let value: serde_json::Value = serde_json::from_str(&json(&Hours::of(&rows()))).unwrap();
        assert_eq!(value["format"], "endboard hours 1");
        assert_eq!(value["from"], "2026-02-02T02:50:00Z");
        assert_eq!(value["total"]["wall_seconds"], 12_000.0);
        assert_eq!(value["total"]["failed_frames"], 10);
        assert_eq!(value["final_steps"]["share"], 0.5);
        assert_eq!(value["by_stage"][0]["name"], "blades");
        assert_eq!(value["by_stage"][0]["rework_seconds"], 1_800.0);
        assert_eq!(value["by_cause"][1]["name"], "new, \"warm\"");
        assert_eq!(value["by_machine"][0]["peak_memory_bytes"], 4_000u64 << 20);
        let empty: serde_json::Value = serde_json::from_str(&json(&Hours::default())).unwrap();
        assert_eq!(empty["from"], serde_json::Value::Null);
        assert_eq!(empty["total"]["peak_memory_bytes"], serde_json::Value::Null);
    }

    #[test]
    fn csv_follows_rfc_4180() {
        let text = csv(&Hours::of(&rows()));
        let lines: Vec<&str> = text.split("\r\n").collect();
        assert_eq!(lines.last(), Some(&""));
        assert_eq!(lines[1], "total,,5,40,10,12000,24000,9600,1800,600,4194304000");
        assert_eq!(lines[2], "final steps,,2,20,0,6000,12000,6000,0,0,4194304000");
        assert!(lines.contains(&"cause,\"new, \"\"warm\"\"\",1,10,0,4000,8000,4000,0,0,4194304000"));
        let columns = lines[0].split(',').count();
        assert!(lines[1..4].iter().all(|line| line.split(',').count() == columns));
        assert_eq!(seconds(Duration::from_micros(1_234_567)).to_string(), "1.234567");
    }
}
