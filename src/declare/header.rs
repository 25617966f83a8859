//! The declaration's first lines: name, rate, size, working space, cut, handles, pools.
//!
//! Knows these keys' types and limits. Does not know plates, recipes or shots.

use indexmap::IndexMap;

use crate::base::problem::{Problem, Span};
use crate::base::rate::Rate;
use crate::base::value::{Fields, Node, Value};
use crate::declare::film::At;
use crate::declare::found::{Found, shortened};
use crate::declare::names::{self, Naming, path};
use crate::declare::shots::handles;

/// Working spaces by name; the first is the usual one.
pub const WORKING_SPACES: [&str; 2] = ["linear-rec709", "acescg"];
/// Largest width and height of a frame, in pixels.
pub const SIZE_LIMIT: u32 = 32_768;
/// Most places in a pool.
pub const POOL_LIMIT: i64 = 65_535;

/// What the first lines say.
#[derive(Debug)]
pub struct Header {
    /// The film's name, empty when it could not be read.
    pub name: String,
    /// Frames a second.
    pub rate: Option<Rate>,
    /// Width and height.
    pub frame_size: Option<(u32, u32)>,
    /// Working space by name.
    pub working_space: At<String>,
    /// The edit's file.
    pub cut: Option<At<String>>,
    /// Handles of shots that say none.
    pub handles: i64,
    /// Pools.
    pub pools: IndexMap<String, At<u32>>,
}

/// Reads them; problems that only concern one key are put behind its name.
pub fn read(fields: &mut Fields<'_>, span: Span, found: &mut Found) -> Header {
    let name = fields.need("film").and_then(|value| found.keep("film", film_name(value)));
    let rate = fields.need("rate").and_then(|value| found.keep("rate", rate(value)));
    let frame_size = fields.need("frame_size").and_then(|value| found.keep("frame_size", frame_size(value)));
    let working_space = fields.get("working_space").and_then(|value| working_space(value, found));
    let cut = fields.get("cut").and_then(|value| {
        found.keep("cut", path(value)).map(|file| At { value: file.to_string(), span: value.span })
    });
    let handles = fields.get("handles").and_then(|value| found.keep("handles", handles(value)));
    let pools = fields.get("pools").map(|value| pools(value, found));
    Header {
        name: name.unwrap_or_default(),
        rate,
        frame_size,
        working_space: working_space.unwrap_or_else(|| At { value: WORKING_SPACES[0].into(), span }),
        cut,
        handles: handles.unwrap_or(0),
        pools: pools.unwrap_or_default(),
    }
}

fn film_name(value: &Value) -> Result<String, Problem> {
    let text = value.text()?.trim();
    let sound = !text.is_empty() && text.chars().count() <= 200 && !text.chars().any(char::is_control);
    if sound {
        return Ok(text.to_string());
    }
    Err(Problem::error(value.span, "a film's name is 1 to 200 characters on one line"))
}

fn rate(value: &Value) -> Result<Rate, Problem> {
    let text = value.text().map_err(|_| value.wrong("a rate"))?;
    text.parse().map_err(|rule| {
        Problem::error(value.span, format!("'{}' is not a rate", shortened(text, 40))).help(format!("{rule}"))
    })
}

fn frame_size(value: &Value) -> Result<(u32, u32), Problem> {
    let wrong = || value.wrong("a width and height in pixels").help("written WIDTHxHEIGHT, such as 960x540");
    let text = value.text().map_err(|_| wrong())?;
    let (width, height) = text.split_once('x').ok_or_else(wrong)?;
    let side = |text: &str| {
        let digits = !text.is_empty() && text.bytes().all(|b| b.is_ascii_digit());
        if digits { Ok(text.parse::<u32>().unwrap_or(u32::MAX)) } else { Err(wrong()) }
    };
    let size = (side(width)?, side(height)?);
    if [size.0, size.1].iter().all(|side| (1..=SIZE_LIMIT).contains(side)) {
        return Ok(size);
    }
    let message = format!("frames of '{}' pixels cannot be made", shortened(text, 40));
    Err(Problem::error(value.span, message).help(format!("each side is from 1 to {SIZE_LIMIT}")))
}

fn working_space(value: &Value, found: &mut Found) -> Option<At<String>> {
    let text = found.keep("working_space", value.text())?;
    if WORKING_SPACES.contains(&text) {
        return Some(At { value: text.to_string(), span: value.span });
    }
    let problem = Problem::error(value.span, format!("'{}' is not a working space", shortened(text, 40)));
    let otherwise = format!("one of: {}", WORKING_SPACES.join(", "));
    let problem = found.suggest(problem, text, WORKING_SPACES, &otherwise);
    found.push("", problem);
    None
}

fn pools(value: &Value, found: &mut Found) -> IndexMap<String, At<u32>> {
    let mut out = IndexMap::new();
    let Node::Map(map) = &value.node else {
        found.push("pools", value.wrong("a map of pools and their places"));
        return out;
    };
    for (key, value) in &map.entries {
        names::check(key, "pool", Naming::Plain, "", found);
        let span: Span = key.span;
        // A pool whose places are wrong counts as wide enough, so that nothing else is said of it.
        let places = found.keep("pools", value.int()).unwrap_or(POOL_LIMIT);
        let is_right = (1..=POOL_LIMIT).contains(&places);
        let value_of = if is_right { places } else { POOL_LIMIT };
        out.insert(key.text.clone(), At { value: value_of as u32, span });
        if !is_right {
            let message = format!("a pool cannot have {places} places");
            found.push("pools", Problem::error(value.span, message).help(format!("from 1 to {POOL_LIMIT}")));
        }
    }
    out
}
