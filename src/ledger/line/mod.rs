//! One row ↔ one line of a ledger file.
//!
//! A line is a JSON object (RFC 8259) whose last member is `"check"`: the CRC-32 (IEEE 802.3), as
//! eight hexadecimal digits, of every byte before the comma in front of it. Knows the line's form
//! and its versions; `crew` knows the members of rows of people's work. Does not know files.

mod crew;

use std::borrow::Cow;
use std::collections::HashSet;
use std::fmt::Write as _;
use std::sync::Arc;
use std::time::Duration;

use jiff::Timestamp;
use serde::{Deserialize, Serialize};

use crate::base::digest::Digest;
use crate::base::frames::{FrameRange, FrameSet};
use crate::ledger::id::RowId;
use crate::ledger::row::{Outcome, Render, Round, Row, What};

/// The version of the form that this program writes, and the newest that it reads.
pub const FORMAT: u32 = 1;
/// The longest line in bytes, line feed included. Longer ones are neither written nor read.
pub const LINE_LIMIT: usize = 1 << 20;
/// Every line starts so. Inside a JSON text the quotes would be escaped, so a row that lost the
/// line feed before it can still be found in the middle of a line.
const START: &[u8] = b"{\"ledger\":";
const CHECK: &[u8] = b",\"check\":\"";
const CHECK_LEN: usize = CHECK.len() + 8 + 2;
/// The longest time that one row may claim, in seconds: some thirty years.
const TIME_LIMIT: f64 = 1e9;

/// The members of a line. An empty text stands for an absent one.
#[derive(Default, Serialize, Deserialize)]
struct Fields<'a> {
    ledger: u32,
    #[serde(borrow)]
    id: Cow<'a, str>,
    #[serde(borrow)]
    kind: Cow<'a, str>,
    #[serde(borrow)]
    when: Cow<'a, str>,
    #[serde(borrow)]
    film: Cow<'a, str>,
    #[serde(borrow)]
    shot: Cow<'a, str>,
    #[serde(borrow)]
    stage: Cow<'a, str>,
    #[serde(borrow)]
    frames: Cow<'a, str>,
    #[serde(borrow)]
    by: Cow<'a, str>,
    #[serde(borrow, default, skip_serializing_if = "str::is_empty")]
    cause: Cow<'a, str>,
    #[serde(borrow, default, skip_serializing_if = "str::is_empty")]
    round: Cow<'a, str>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    wall: Option<f64>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    cpu: Option<f64>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    peak_memory: Option<u64>,
    #[serde(borrow, default, skip_serializing_if = "str::is_empty")]
    machine: Cow<'a, str>,
    #[serde(borrow, default, skip_serializing_if = "str::is_empty")]
    result: Cow<'a, str>,
    #[serde(borrow, default, skip_serializing_if = "str::is_empty")]
    reason: Cow<'a, str>,
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    digests: Vec<String>,
    #[serde(borrow, default, skip_serializing_if = "str::is_empty")]
    note: Cow<'a, str>,
    #[serde(borrow, default, skip_serializing_if = "str::is_empty")]
    person: Cow<'a, str>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    took: Option<f64>,
    #[serde(borrow, default, skip_serializing_if = "str::is_empty")]
    began: Cow<'a, str>,
    #[serde(borrow, default, skip_serializing_if = "str::is_empty")]
    of: Cow<'a, str>,
    #[serde(borrow, default, skip_serializing_if = "str::is_empty")]
    packet: Cow<'a, str>,
    #[serde(borrow, default, skip_serializing_if = "str::is_empty")]
    due: Cow<'a, str>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    version: Option<u32>,
}

/// The members that every version has.
#[derive(Deserialize)]
struct Head<'a> {
    ledger: u32,
    #[serde(borrow)]
    kind: Cow<'a, str>,
}

/// Texts that occur again and again, kept once.
#[derive(Debug, Default)]
pub struct Names(HashSet<Arc<str>>);

impl Names {
    fn take(&mut self, text: &str) -> Arc<str> {
        if let Some(name) = self.0.get(text) {
            return name.clone();
        }
        let name: Arc<str> = text.into();
        self.0.insert(name.clone());
        name
    }
}

/// A line that is whole.
#[derive(Debug, PartialEq)]
pub enum Line {
    /// A row, with its check sum.
    Row(RowId, u32, Box<Row>),
    /// A row of a kind or form that a later version of this program writes, named in words.
    Later(String),
}

/// Why a line is not a row.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum BadLine {
    /// It does not end in a check sum.
    NoCheck,
    /// The check sum is of other bytes.
    CheckDiffers,
    /// Whole, but it does not say what a row must say.
    NotARow(String),
}

/// The line of a row, line feed included.
pub fn encode(id: RowId, row: &Row) -> String {
    let mut fields = Fields {
        ledger: FORMAT,
        id: id.to_string().into(),
        when: format!("{:.3}", row.when).into(),
        film: (&*row.film).into(),
        shot: (&*row.shot).into(),
        stage: (&*row.stage).into(),
        frames: row.frames.to_string().into(),
        by: (&*row.by).into(),
        ..Fields::default()
    };
    match &row.what {
        What::Render(render) => encode_render(&mut fields, render),
        What::Hold { digests, note } => {
            fields.kind = "hold".into();
            fields.digests = digests.iter().map(Digest::to_string).collect();
            fields.note = (&**note).into();
        }
        What::Release { note } => {
            fields.kind = "release".into();
            fields.note = (&**note).into();
        }
        What::Delivery { note } => {
            fields.kind = "delivery".into();
            fields.note = (&**note).into();
        }
        What::Crew(what) => crew::encode(&mut fields, what),
    }
    let mut line = serde_json::to_string(&fields).expect("texts and finite numbers are always JSON");
    line.pop();
    let check = crc32fast::hash(line.as_bytes());
    writeln!(line, ",\"check\":\"{check:08x}\"}}").expect("writing to a String cannot fail");
    line
}

fn encode_render<'a>(fields: &mut Fields<'a>, render: &'a Render) {
    fields.kind = "render".into();
    fields.cause = (&*render.cause).into();
    fields.round = round(render.round).into();
    fields.wall = Some(seconds(render.wall));
    fields.cpu = Some(seconds(render.cpu));
    fields.peak_memory = render.peak_memory;
    fields.machine = (&*render.machine).into();
    match &render.outcome {
        Outcome::Done => fields.result = "ok".into(),
        Outcome::Failed(reason) => {
            fields.result = "failed".into();
            fields.reason = (&**reason).into();
        }
    }
}

fn round(round: Round) -> &'static str {
    match round {
        Round::First => "first",
        Round::Rework => "rework",
    }
}

fn round_of(text: &str) -> Result<Round, String> {
    match text {
        "first" => Ok(Round::First),
        "rework" => Ok(Round::Rework),
        _ => Err("its round is neither first nor rework".into()),
    }
}

fn seconds(time: Duration) -> f64 {
    (time.as_micros() as f64 / 1e6).min(TIME_LIMIT)
}

/// Reads a line without its line feed.
pub fn decode(line: &[u8], names: &mut Names) -> Result<Line, BadLine> {
    let check = checked(line)?;
    let text = std::str::from_utf8(line).map_err(|_| BadLine::NotARow("it is not UTF-8".into()))?;
    let fields: Fields = match serde_json::from_str(text) {
        Ok(fields) => fields,
        Err(e) => {
            // A later form may well lack members, or hold others of another type.
            let head = serde_json::from_str::<Head>(text).ok();
            let later = head.and_then(|head| later(head.ledger, &head.kind));
            return later.ok_or_else(|| BadLine::NotARow(e.to_string()));
        }
    };
    if let Some(later) = later(fields.ledger, &fields.kind) {
        return Ok(later);
    }
    let (id, row) = row(&fields, names).map_err(BadLine::NotARow)?;
    Ok(Line::Row(id, check, Box::new(row)))
}

/// The check sum of a line, when it is that of its bytes.
fn checked(line: &[u8]) -> Result<u32, BadLine> {
    let at = line.len().checked_sub(CHECK_LEN).ok_or(BadLine::NoCheck)?;
    let (content, tail) = line.split_at(at);
    let digits = tail.strip_prefix(CHECK).and_then(|rest| rest.strip_suffix(b"\"}"));
    let mut check: u32 = 0;
    for &byte in digits.ok_or(BadLine::NoCheck)? {
        let digit = match byte {
            b'0'..=b'9' => byte - b'0',
            b'a'..=b'f' => byte - b'a' + 10,
            _ => return Err(BadLine::NoCheck),
        };
        check = (check << 4) | u32::from(digit);
    }
    if check == crc32fast::hash(content) { Ok(check) } else { Err(BadLine::CheckDiffers) }
}

/// The pieces of a damaged line that could be rows: each from a row's start to the end of the
/// first check sum after it.
pub fn pieces(line: &[u8]) -> impl Iterator<Item = &[u8]> {
    let mut rest = line;
    std::iter::from_fn(move || {
        let start = find(rest, START)?;
        let row = &rest[start..];
        let next = find(&row[START.len()..], START).map_or(row.len(), |at| at + START.len());
        rest = &row[next..];
        let end = find(&row[..next], CHECK).map_or(next, |at| (at + CHECK_LEN).min(next));
        Some(&row[..end])
    })
}

fn find(bytes: &[u8], what: &[u8]) -> Option<usize> {
    bytes.windows(what.len()).position(|window| window == what)
}

fn later(format: u32, kind: &str) -> Option<Line> {
    if format > FORMAT {
        return Some(Line::Later(format!("form {format} of the ledger")));
    }
    let known = ["render", "hold", "release", "delivery"].contains(&kind) || crew::KINDS.contains(&kind);
    let name = || kind.chars().take(40).collect::<String>();
    (!known).then(|| Line::Later(format!("kind '{}'", name().escape_debug())))
}

fn row(fields: &Fields, names: &mut Names) -> Result<(RowId, Row), String> {
    let id = fields.id.parse::<RowId>().map_err(|e| e.to_string())?;
    let when = fields.when.parse::<Timestamp>().map_err(|e| format!("its time cannot be read: {e}"))?;
    let frames = frames(&fields.frames)?;
    let note = &fields.note;
    let what = match &*fields.kind {
        "hold" => What::Hold { digests: digests(&fields.digests, frames.len())?, note: names.take(note) },
        "release" => What::Release { note: names.take(note) },
        "delivery" => What::Delivery { note: names.take(note) },
        "render" => What::Render(render(fields, names)?),
        _ => What::Crew(crew::decode(fields, &frames, names)?),
    };
    let row = Row {
        when,
        film: names.take(&fields.film),
        shot: names.take(&fields.shot),
        stage: names.take(&fields.stage),
        frames,
        by: names.take(&fields.by),
        what,
    };
    Ok((id, row))
}

fn render(fields: &Fields, names: &mut Names) -> Result<Render, String> {
    Ok(Render {
        cause: names.take(&fields.cause),
        round: round_of(&fields.round)?,
        wall: time(fields.wall, "wall")?,
        cpu: time(fields.cpu, "cpu")?,
        peak_memory: fields.peak_memory,
        machine: names.take(&fields.machine),
        outcome: match &*fields.result {
            "ok" => Outcome::Done,
            "failed" => Outcome::Failed(names.take(&fields.reason)),
            _ => return Err("its result is neither ok nor failed".into()),
        },
    })
}

/// Seconds to a time, to the microsecond.
fn time(seconds: Option<f64>, name: &str) -> Result<Duration, String> {
    match seconds {
        Some(s) if (0.0..=TIME_LIMIT).contains(&s) => Ok(Duration::from_micros((s * 1e6).round() as u64)),
        Some(_) => Err(format!("its {name} time is not between 0 and {TIME_LIMIT:e} seconds")),
        None => Err(format!("it lacks its {name} time")),
    }
}

/// Reads runs of frames. They are sorted first, so that a long list in falling order stays cheap.
fn frames(text: &str) -> Result<FrameSet, String> {
    let mut runs = text
        .split(',')
        .map(str::parse::<FrameRange>)
        .collect::<Result<Vec<_>, _>>()
        .map_err(|e| format!("its frames cannot be read: {e}"))?;
    runs.sort_unstable();
    let mut set = FrameSet::new();
    for run in runs {
        set.insert_range(run);
    }
    Ok(set)
}

fn digests(texts: &[String], frames: usize) -> Result<Vec<Digest>, String> {
    if !texts.is_empty() && texts.len() != frames {
        return Err(format!("it has {} digests for {frames} frames", texts.len()));
    }
    texts.iter().map(|text| text.parse().map_err(|e| format!("{e}"))).collect()
}
