//! `inspect:` as written → what is still or black on purpose, where the picture lies, and limits by name.
//!
//! Knows shots' names and the form of frames. Does not know which limits there are: they stay located values.

use indexmap::IndexMap;

use crate::base::problem::{Problem, Span};
use crate::base::selector::Selector;
use crate::base::value::{Fields, Map, Node, Value};
use crate::declare::film::{At, Shot};
use crate::declare::found::{Found, shortened};

/// The name under which frames of the film itself are meant.
pub(super) const FILM: &str = "film";
/// Keys that are no limits.
pub const OWN: [&str; 3] = ["stills", "blacks", "picture"];

/// By what the film is to be judged.
#[derive(Clone, Debug)]
pub struct Inspect {
    /// Where it is declared.
    pub span: Span,
    /// Frames that are meant to stand still.
    pub stills: Vec<At<Selector>>,
    /// Frames that are meant to be black.
    pub blacks: Vec<At<Selector>>,
    /// The part of the frame that the picture fills: left, top, width, height.
    pub picture: Option<At<[u32; 4]>>,
    /// Limits by name.
    pub limits: Map,
}

/// Reads it. `shots` are the film's, those with errors not among them.
pub fn read(
    value: &Value,
    shots: &IndexMap<String, Shot>,
    size: Option<(u32, u32)>,
    found: &mut Found,
) -> Option<Inspect> {
    let mut fields = found.keep("", Fields::of(value, "inspect"))?;
    let [stills, blacks] = ["stills", "blacks"].map(|key| {
        let list = fields.get(key).and_then(|value| found.keep("inspect", value.list()));
        list.into_iter().flatten().filter_map(|item| frames(item, shots, found)).collect()
    });
    let picture = fields.get("picture").and_then(|value| {
        let read = found.keep("inspect", picture(value, size))?;
        Some(At { value: read, span: value.span })
    });
    let entries = value.map().into_iter().flat_map(|map| &map.entries);
    let limits = entries.filter(|(key, value)| !OWN.contains(&key.text.as_str()) && value.node != Node::Null);
    Some(Inspect {
        span: value.span,
        stills,
        blacks,
        picture,
        limits: Map { entries: limits.cloned().collect() },
    })
}

/// Frames of shots, or of the film.
fn frames(value: &Value, shots: &IndexMap<String, Shot>, found: &mut Found) -> Option<At<Selector>> {
    let form = "written SHOT@FRAMES, such as br040@1009-1020, or film@FRAMES for frames of the film";
    let text = found.keep("inspect", value.text().map_err(|_| value.wrong("frames of a shot").help(form)))?;
    let wrong = |why: String| Problem::error(value.span, why).help(form);
    let selector: Selector = found.keep(
        "inspect",
        text.parse().map_err(|why: crate::base::selector::BadSelector| wrong(why.to_string())),
    )?;
    let name = shortened(text, 40);
    let Some(shot) = selector.shot().filter(|_| selector.stage().is_none()) else {
        let what =
            if selector.shot().is_none() { "names no shot" } else { "names a stage; name its shot alone" };
        found.push("inspect", wrong(format!("'{name}' {what}")));
        return None;
    };
    if !shot.matches(FILM) && !shots.keys().any(|name| shot.matches(name)) {
        let problem = Problem::error(value.span, format!("'{name}' matches no shot"));
        let names = shots.keys().map(String::as_str).chain([FILM]);
        let problem = found.suggest(problem, shot.text(), names, form);
        found.push("inspect", problem);
        return None;
    }
    Some(At { value: selector, span: value.span })
}

/// A part of the frame.
fn picture(value: &Value, size: Option<(u32, u32)>) -> Result<[u32; 4], Problem> {
    let part =
        value.numbers::<4>().map_err(|problem| problem.help("left, top, width and height in pixels"))?;
    let [left, top, width, height] = part;
    let is_whole = part.iter().all(|n| n.fract() == 0.0 && (0.0..=1e6).contains(n));
    let fits = |(wide, high): (u32, u32)| left + width <= f64::from(wide) && top + height <= f64::from(high);
    if is_whole && width >= 1.0 && height >= 1.0 && size.is_none_or(fits) {
        return Ok(part.map(|n| n as u32));
    }
    let frame = size.map_or(String::new(), |(wide, high)| format!(" of {wide}x{high}"));
    Err(Problem::error(value.span, format!("the picture does not lie within the frame{frame}"))
        .help("left, top, width and height in whole pixels"))
}
