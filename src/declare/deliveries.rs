//! `deliveries:` as written → what leaves the house, by name.
//!
//! Knows the words that say what is made and of which picture and sound of the film. What a coding can hold is found out by
//! whoever makes it.

use indexmap::IndexMap;

use crate::base::problem::{Problem, Span};
use crate::base::value::{Fields, Value};
use crate::declare::film::{At, Stage};
use crate::declare::found::{Found, shortened};
use crate::declare::names::{self, Naming, Twins, path};
use crate::declare::places::own_folder;
use crate::declare::sound::Sound;

/// File formats of single frames.
pub const FRAMES: [&str; 4] = ["exr", "dpx", "png", "tiff"];
/// Codings of movies, by their standards.
pub const MOVIES: [&str; 5] = ["vc-3", "rdd-36", "ffv1", "h264", "av1"];
/// How a picture's values are coded for display; the first is the usual one.
pub const COLOURS: [&str; 3] = ["bt709", "pq", "hlg"];
/// Qualities of movies for looking at; the second is the usual one.
pub const QUALITIES: [&str; 3] = ["draft", "good", "fine"];
/// Most deliveries of a film.
const MOST: usize = 256;

/// A delivery.
#[derive(Clone, Debug)]
pub struct Delivery {
    /// Where it is named.
    pub span: Span,
    /// What is made.
    pub makes: Makes,
    /// The film's stage whose frames it shows: `assembly`, or a print.
    pub picture: At<String>,
    /// Whether the film's mix goes with it.
    pub sound: bool,
    /// Its folder, in the project.
    pub to: At<String>,
    /// One of [`COLOURS`].
    pub colour: At<String>,
    /// How closely a movie is kept.
    pub quality: Option<At<Quality>>,
    /// Number of the first frame's file; that of the film's stage when not said.
    pub first: Option<At<i64>>,
    /// What a movie must keep, in place of its coding's own limits.
    pub limits: Limits,
}

/// What is made.
#[derive(Clone, Debug)]
pub enum Makes {
    /// A file a frame, in one of [`FRAMES`].
    Frames(At<String>),
    /// One file, in one of [`MOVIES`].
    Movie(At<String>),
    /// A file a stem: those named, or all when none is.
    Stems(Vec<At<String>>),
}

/// How closely a movie is kept.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Quality {
    /// One of [`QUALITIES`], by its place.
    Word(usize),
    /// The coder's own number, less being better.
    Number(u8),
}

/// What a movie must keep of its source, in decibels.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Limits {
    /// The least ratio of peak to error of Y' in any frame.
    pub luma: Option<f64>,
    /// The same of all samples of the picture.
    pub picture: Option<f64>,
    /// The most by which a channel's level may differ.
    pub sound: Option<f64>,
}

/// What deliveries are made of.
pub struct Around<'a> {
    /// Whether the film's picture is put together.
    pub assembled: bool,
    /// Its prints.
    pub prints: &'a IndexMap<String, Stage>,
    /// Whether a sound is declared, sound or not.
    pub heard: bool,
    /// The sound.
    pub sound: Option<&'a Sound>,
}

/// Reads them.
pub fn read(value: &Value, around: &Around<'_>, found: &mut Found) -> IndexMap<String, Delivery> {
    let mut all = IndexMap::new();
    let map = found.keep("deliveries", value.map().ok_or_else(|| value.wrong("a map of deliveries by name")));
    let mut twins = Twins::default();
    for (key, value) in map.into_iter().flat_map(|map| &map.entries) {
        let named = names::check(key, "delivery", Naming::Plain, "deliveries", found);
        twins.check(key, "delivery", "deliveries", found);
        let delivery = one(&key.text, key.span, value, around, found);
        if let (true, Some(delivery)) = (named, delivery) {
            all.insert(key.text.clone(), delivery);
        }
    }
    if all.len() > MOST {
        let problem = Problem::error(value.span, format!("{} deliveries are too many", all.len()));
        found.push("deliveries", problem.help(format!("at most {MOST}")));
    }
    all
}

fn one(name: &str, span: Span, value: &Value, around: &Around<'_>, found: &mut Found) -> Option<Delivery> {
    let context = format!("delivery {name}");
    let mut fields = found.keep("deliveries", Fields::of(value, "a delivery"))?;
    let word = |value: &Value, words: &[&str], what: &str| word(value, words, what);
    let frames = fields.get("frames");
    let movie = fields.get("movie");
    let stems = fields.get("stems");
    let picture = fields.get("picture");
    let sound = fields.get("sound");
    let to = fields.read("to", folder);
    let colour = fields.read("colour", |value| word(value, &COLOURS, "a coding of colour"));
    let quality = fields.read("quality", quality);
    let first = fields.read("first", |value| {
        let first = value.int()?;
        let fits = (0..=9_999_999_999).contains(&first);
        let problem = || Problem::error(value.span, format!("frames cannot be numbered from {first}"));
        fits.then_some(At { value: first, span: value.span })
            .ok_or_else(|| problem().help("from 0 to 9999999999"))
    });
    let limits = fields.get("limits").map(|value| limits(value, &context, found));
    found.extend(&context, fields.finish());
    let kinds = [frames, movie, stems].into_iter().flatten().count();
    if kinds != 1 {
        let problem = Problem::error(value.span, "it says what is made exactly once: frames, movie or stems");
        found.push(&context, problem.help("such as `frames: exr`, `movie: h264` or `stems: all`"));
        return None;
    }
    let made = match (frames, movie, stems) {
        (Some(value), ..) => word(value, &FRAMES, "a format of frames").map(Makes::Frames),
        (_, Some(value), _) => word(value, &MOVIES, "a coding of movies").map(Makes::Movie),
        (.., stems) => Ok(Makes::Stems(stems.map(|value| named_stems(value, around, &context, found))?)),
    };
    let makes = found.keep(&context, made)?;
    let others =
        Others { picture, sound, quality: quality.as_ref(), first: first.as_ref(), colour: colour.as_ref() };
    others.check(&makes, &context, found);
    let own = At { value: "assembly".to_string(), span };
    let is_seen = !matches!(makes, Makes::Stems(_));
    let picture = picture.map(|value| shown(value, around)).unwrap_or(Ok(own));
    let picture = found.keep(&context, picture)?;
    if is_seen && !around.assembled {
        let problem = Problem::error(span, "it shows the film's picture, which is not put together");
        found.push(&context, problem.help("declare `assembly: {}` as well"));
    }
    let mixed = sound.map(|value| (word(value, &["mix", "none"], "a sound"), value.span));
    let sound = match mixed {
        Some((mixed, _)) => found.keep(&context, mixed)?.value == "mix",
        None => false,
    };
    if (sound || !is_seen) && !around.heard {
        let problem = Problem::error(span, "it has sound, and the film has none");
        found.push(&context, problem.help("declare `sound:` as well"));
    }
    Some(Delivery {
        span,
        makes,
        picture,
        sound,
        to: to.unwrap_or_else(|| At { value: format!("deliveries/{name}"), span }),
        colour: colour.unwrap_or_else(|| At { value: COLOURS[0].into(), span }),
        quality,
        first,
        limits: limits.unwrap_or_default(),
    })
}

/// Settings that belong to some kinds only.
struct Others<'a> {
    picture: Option<&'a Value>,
    sound: Option<&'a Value>,
    quality: Option<&'a At<Quality>>,
    first: Option<&'a At<i64>>,
    colour: Option<&'a At<String>>,
}

impl Others<'_> {
    /// Names those that say nothing here.
    fn check(&self, makes: &Makes, context: &str, found: &mut Found) {
        let mut idle = |name: &str, span: Option<Span>, of: &str| {
            if let Some(span) = span {
                let message = format!("'{name}' says nothing here: it is of {of}");
                found.push(context, Problem::error(span, message).help("leave it out"));
            }
        };
        if !matches!(makes, Makes::Movie(_)) {
            idle("quality", self.quality.map(|at| at.span), "movies");
        }
        if !matches!(makes, Makes::Frames(_)) {
            idle("first", self.first.map(|at| at.span), "frames");
        }
        if matches!(makes, Makes::Frames(format) if format.value == "exr") {
            idle("colour", self.colour.map(|at| at.span), "what is coded for display, and EXR holds light");
        }
        if matches!(makes, Makes::Stems(_)) {
            idle("picture", self.picture.map(|value| value.span), "frames and movies");
            idle("sound", self.sound.map(|value| value.span), "frames and movies");
            idle("colour", self.colour.map(|at| at.span), "frames and movies");
        }
    }
}

fn word(value: &Value, words: &[&str], what: &str) -> Result<At<String>, Problem> {
    let text = value.text().map_err(|_| value.wrong(what))?;
    if words.contains(&text) {
        return Ok(At { value: text.to_string(), span: value.span });
    }
    let problem = Problem::error(value.span, format!("'{}' is not {what}", shortened(text, 40)));
    Err(problem.help(format!("one of: {}", words.join(", "))))
}

fn folder(value: &Value) -> Result<At<String>, Problem> {
    let text = path(value)?;
    let problem = |message: String| Problem::error(value.span, message);
    if let Some(own) = own_folder(text) {
        return Err(problem(format!("a delivery cannot be put into {own}")).help("such as deliveries/web"));
    }
    let last = text.rsplit('/').next().unwrap_or(text);
    match names::fault(last, Naming::Dotted) {
        None => Ok(At { value: text.to_string(), span: value.span }),
        Some(rule) => {
            Err(problem(format!("'{}' cannot be a delivery's folder", shortened(last, 40))).help(rule))
        }
    }
}

fn quality(value: &Value) -> Result<At<Quality>, Problem> {
    if let Ok(number) = value.int() {
        let number = u8::try_from(number).map_err(|_| {
            Problem::error(value.span, format!("{number} is no quality"))
                .help("from 1 to 63, less being better")
        });
        return number.map(|number| At { value: Quality::Number(number), span: value.span });
    }
    let at = word(value, &QUALITIES, "a quality").map_err(|problem| {
        let help = format!("one of: {}, or the coder's own number, less being better", QUALITIES.join(", "));
        problem.help(help)
    })?;
    let place = QUALITIES.iter().position(|word| *word == at.value).unwrap_or(1);
    Ok(At { value: Quality::Word(place), span: at.span })
}

fn limits(value: &Value, context: &str, found: &mut Found) -> Limits {
    let Some(mut fields) = found.keep(context, Fields::of(value, "limits")) else { return Limits::default() };
    let limits = Limits {
        luma: fields.within("luma", 0.0..=120.0, "dB"),
        picture: fields.within("picture", 0.0..=120.0, "dB"),
        sound: fields.within("sound", 0.0..=20.0, "dB"),
    };
    found.extend(context, fields.finish());
    limits
}

/// The film's stage that a delivery shows.
fn shown(value: &Value, around: &Around<'_>) -> Result<At<String>, Problem> {
    let text = value.text().map_err(|_| value.wrong("film/assembly or a print of the film"))?;
    let stage = text.strip_prefix("film/").unwrap_or_default();
    if stage == "assembly" || around.prints.contains_key(stage) {
        return Ok(At { value: stage.to_string(), span: value.span });
    }
    let all: Vec<String> = ["assembly"]
        .into_iter()
        .chain(around.prints.keys().map(String::as_str))
        .map(|name| format!("film/{name}"))
        .collect();
    let problem = Problem::error(value.span, format!("the film has no picture '{}'", shortened(text, 40)));
    Err(problem.help(format!("one of: {}", shortened(&all.join(", "), 200))))
}

/// The stems that are named; none for all.
fn named_stems(value: &Value, around: &Around<'_>, context: &str, found: &mut Found) -> Vec<At<String>> {
    if value.text() == Ok("all") {
        return Vec::new();
    }
    let items = found.keep(context, value.list().map_err(|_| value.wrong("`all`, or a list of stems")));
    let mut out: Vec<At<String>> = Vec::new();
    for item in items.into_iter().flatten() {
        let Some(text) = found.keep(context, item.text()) else { continue };
        let known: Option<Vec<&str>> = around.sound.map(|sound| match sound.stems.is_empty() {
            true => sound.buses.keys().map(String::as_str).collect(),
            false => sound.stems.keys().map(String::as_str).collect(),
        });
        if let Some(known) = known.filter(|known| !known.contains(&text)) {
            let problem = Problem::error(item.span, format!("there is no stem '{}'", shortened(text, 40)));
            let problem =
                found.suggest(problem, text, known.iter().copied(), &format!("stems: {}", known.join(", ")));
            found.push(context, problem);
        } else if out.iter().any(|other| other.value == text) {
            found.push(
                context,
                Problem::error(item.span, format!("stem {text} is named twice")).help("name it once"),
            );
        } else {
            out.push(At { value: text.to_string(), span: item.span });
        }
    }
    if items.is_some_and(<[Value]>::is_empty) {
        found.push(
            context,
            Problem::error(value.span, "no stem is named").help("`stems: all`, or leave the delivery out"),
        );
    }
    out
}
