//! The film's plates: where each one's frames come from.
//!
//! Knows the keys of a plate. Does not know which encodings there are, and never looks at the disk.

use indexmap::IndexMap;

use crate::base::frames::{FRAME_LIMIT, FrameRange};
use crate::base::problem::{Problem, Severity};
use crate::base::value::{Fields, Key, Value};
use crate::declare::film::{At, Media, Plate};
use crate::declare::found::Found;
use crate::declare::names::{self, Naming, Twins, path};
use crate::declare::stages::{coding, pattern};

/// Most frames that one plate or shot may have: more than eleven hours at 24 frames a second.
pub const FRAMES_LIMIT: usize = 1_000_000;

/// Reads all plates. A plate that could not be read is left out of the result, but its name is among
/// the second list, so that nothing else is said of it.
pub fn read(value: &Value, found: &mut Found) -> (IndexMap<String, Plate>, Vec<String>) {
    let (mut plates, mut unsound) = (IndexMap::new(), Vec::new());
    let Some(map) = value.map() else {
        found.push("plates", value.wrong("a map of plates by name"));
        return (plates, unsound);
    };
    let mut twins = Twins::default();
    for (key, value) in &map.entries {
        let context = format!("plate {}", key.text);
        let named = names::check(key, "plate", Naming::Dotted, "", found);
        twins.check(key, "plate", "", found);
        match read_one(key, value, &context, found) {
            Some(plate) if named => drop(plates.insert(key.text.clone(), plate)),
            _ => unsound.push(key.text.clone()),
        }
    }
    (plates, unsound)
}

fn read_one(key: &Key, value: &Value, context: &str, found: &mut Found) -> Option<Plate> {
    let mut fields = found.keep(context, Fields::of(value, "the plate"))?;
    let (files, movie, first) = (fields.get("files"), fields.get("movie"), fields.get("first"));
    let frames = fields.read("frames", |v| v.frames().map(|value| At { value, span: v.span }));
    let says_frames = fields.get("frames").is_some();
    let coding = coding(&mut fields);
    let media = match (files, movie) {
        (Some(files), None) => {
            if let Some(first) = first {
                let problem = Problem::error(first.span, "'first' is the number of a movie's first frame");
                fields.problems.push(problem.help("files carry their numbers; say which with 'frames'"));
            }
            if !says_frames {
                let problem = Problem::error(key.span, "the plate lacks 'frames'");
                fields.problems.push(problem.help("say which files there are, such as frames: 1001-1072"));
            }
            let span = files.span;
            fields.keep(pattern(files)).map(|value| Media::Files(At { value, span }))
        }
        (None, Some(movie)) => read_movie(&mut fields, movie, first, frames.as_ref()),
        (Some(files), Some(movie)) => {
            let problem = Problem::error(movie.span, "the plate says both 'files' and 'movie'");
            fields.problems.push(problem.related(files.span, "the other one").help("keep one of them"));
            None
        }
        (None, None) => {
            let problem = Problem::error(key.span, "the plate does not say where its frames come from");
            fields.problems.push(problem.help("give it files: PATH.####.exr, or movie: PATH"));
            None
        }
    };
    if let Some(at) = frames.as_ref().filter(|at| at.value.len() > FRAMES_LIMIT) {
        let problem =
            Problem::error(at.span, format!("{} frames are too many for one plate", at.value.len()));
        fields.problems.push(problem.help(format!("at most {FRAMES_LIMIT}")));
    }
    let problems = fields.finish();
    let sound = !problems.iter().any(|problem| problem.severity == Severity::Error);
    found.extend(context, problems);
    media.filter(|_| sound).map(|media| Plate { span: key.span, media, frames, coding })
}

fn read_movie(
    fields: &mut Fields<'_>,
    movie: &Value,
    first: Option<&Value>,
    frames: Option<&At<FrameRange>>,
) -> Option<Media> {
    let number = match first {
        None => 1,
        Some(value) => match fields.keep(value.int())? {
            n if n.abs() <= FRAME_LIMIT => n,
            n => {
                let problem = Problem::error(value.span, format!("{n} cannot be the number of a frame"));
                fields.problems.push(problem.help("frame numbers lie between -100000000 and 100000000"));
                return None;
            }
        },
    };
    if let Some(at) = frames.filter(|at| at.value.first < number) {
        let message = format!("frames {} begin before the movie's first frame, {number}", at.value);
        let problem = Problem::error(at.span, message);
        fields
            .problems
            .push(problem.help("'first' gives the number of the movie's first frame (1 when not said)"));
    }
    let file = fields.keep(path(movie))?;
    if file.contains('#') {
        let problem = Problem::error(movie.span, "a movie is one file, without # for a frame number");
        fields.problems.push(problem.help("for one file a frame, write files: instead of movie:"));
    }
    Some(Media::Movie { path: At { value: file.to_string(), span: movie.span }, first: number })
}
