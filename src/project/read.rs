//! The declaration and everything it names, short of pictures, read from the film's folder.
//!
//! Knows which files are asked for and in which order. What is in them others know.

use std::path::Path;

use super::{DECLARATION, Declared, Project, attach, cutting, delivering, inspecting};
use crate::base::frames::FrameRange;
use crate::base::problem::{Problem, Severity, Span};
use crate::base::speed::Speed;
use crate::cut::{self, Cut};
use crate::declare;
use crate::declare::film::{At, Film};
use crate::graph::build::build;
use crate::graph::edit::{Dissolve, Edit, Event};

impl Project {
    /// Reads the declaration and everything it names, short of pictures.
    pub fn read(&self) -> Declared {
        self.read_as(None)
    }

    /// Reads the declaration as it would be with a text for a file that it names, whatever stands there. The cut is left out
    /// then: it says nothing of what a stage is given.
    pub(super) fn read_as(&self, instead: Option<(&str, &str)>) -> Declared {
        self.read_with(None, instead, &mut |film, declared| match (&film.cut, instead) {
            (Some(cut), None) => self.cut(cut, film, declared),
            _ => None,
        })
    }

    /// Reads a text as if it were the declaration's, and its cut.
    pub(super) fn read_text_as(&self, text: &str) -> Declared {
        let mut cut = |film: &Film, declared: &mut Declared| self.cut(film.cut.as_ref()?, film, declared);
        self.read_with(Some(text), None, &mut cut)
    }

    /// Reads the declaration, or a text as if it were the declaration's, with the edit that `edit` gives.
    pub(super) fn read_with(
        &self,
        text: Option<&str>,
        instead: Option<(&str, &str)>,
        edit: &mut dyn FnMut(&Film, &mut Declared) -> Option<Edit>,
    ) -> Declared {
        let mut declared = Declared::default();
        let text = match text.map_or_else(|| self.declaration(), |text| Ok(text.into())) {
            Ok(text) => text,
            Err(reason) => {
                declared.problems.push(Problem::bare(format!("{DECLARATION}: {reason}")));
                return declared;
            }
        };
        let main = declared.sources.add(DECLARATION, text);
        let folder = self.folder.clone();
        let mut load = move |path: &str| read_text(&folder.join(path));
        let (film, problems) = declare::read(&mut declared.sources, main, &mut load);
        declared.problems = problems;
        let Some(film) = film else { return declared };
        let edit = edit(&film, &mut declared);
        let mut files = attach::Folder::new(&self.folder, &mut declared.sources);
        if let Some((path, text)) = instead {
            files.put(path, text);
        }
        let (graph, mut problems) = build(&film, edit.as_ref(), &mut files);
        declared.problems.append(&mut problems);
        if let Some(inspect) = &film.inspect {
            declared.problems.append(&mut inspecting::judged::read(inspect).1);
        }
        declared.graph = graph;
        declared.edit = edit;
        declared.film = Some(film);
        if instead.is_none() {
            let mut problems = delivering::problems(&declared);
            declared.problems.append(&mut problems);
        }
        declared
    }

    /// The declaration's text, or why it cannot be had.
    pub(super) fn declaration(&self) -> Result<String, String> {
        read_text(&self.folder.join(DECLARATION))
    }

    /// Reads an edit list. A list that shows nothing is a problem, told at `at` where the declaration names it.
    ///
    /// # Errors
    /// Words on why it cannot be read.
    pub(super) fn list(
        &self,
        (file, path): (&Path, &str),
        at: Option<Span>,
        film: &Film,
        declared: &mut Declared,
    ) -> Result<Cut, String> {
        let text = read_text(file)?;
        let id = declared.sources.add(path, text.clone());
        let (cut, mut problems) = match file.extension().and_then(|ending| ending.to_str()) {
            Some(ending) if ending.eq_ignore_ascii_case("otio") => cut::otio::parse(id, &text, film.rate),
            _ => cut::edl::parse(id, &text, film.rate),
        };
        if cut.events.is_empty() && !problems.iter().any(|p| p.severity == Severity::Error) {
            let span = at.unwrap_or(Span::new(id, 0, 0));
            let problem = Problem::error(span, format!("the cut {path} shows no shot"));
            let problem = match problems.first().and_then(|first| first.span) {
                Some(first) => problem.related(first, "the first line that is none of an edit list"),
                None => problem,
            };
            let help = "it is to be an edit decision list (.edl) or OTIO JSON (.otio); without 'cut' the shots follow one another as declared";
            problems.insert(0, problem.help(help));
        }
        problems.extend(cutting::unused_grades(&cut, film));
        problems.extend(cutting::unheard(&cut, film, at.unwrap_or(Span::new(id, 0, 0))));
        declared.problems.append(&mut problems);
        Ok(cut)
    }

    fn cut(&self, at: &At<String>, film: &Film, declared: &mut Declared) -> Option<Edit> {
        let file = self.folder.join(&at.value);
        match self.list((&file, &at.value), Some(at.span), film, declared) {
            Ok(cut) => {
                let edit = edit(&cut);
                declared.cut = Some(cut);
                Some(edit)
            }
            Err(reason) => {
                let message = format!("the cut {} cannot be read: {reason}", at.value);
                declared.problems.push(Problem::error(at.span, message));
                None
            }
        }
    }
}

/// A cut as the graph takes it.
pub(super) fn edit(cut: &Cut) -> Edit {
    let start = cut.record.map_or(0, |r| r.first);
    let events = cut.events.iter().map(|e| Event {
        shot: At { value: held(&e.shot, e.speed).into(), span: e.shot_span },
        run: e.run(),
        at: e.record_first - start + 1,
    });
    let dissolves = cut.dissolves.iter().map(|d| Dissolve {
        number: d.number,
        frames: FrameRange::new(d.record.first - start + 1, d.record.last - start + 1),
        wipe: d.wipe,
        from: d
            .from
            .as_ref()
            .map(|o| (At { value: o.shot.clone(), span: o.shot_span }, o.run(d.record.len() as i64))),
        span: d.span,
    });
    Edit {
        events: events.collect(),
        dissolves: dissolves.collect(),
        starts: cut.record.map(|record| (record.first, cut.drops)),
        frames: cut.record.map_or(0, |r| r.len() as i64),
    }
}

/// The shot of an event: lists put ` FF` after the name of what they freeze (common practice, no source).
fn held(name: &str, speed: Speed) -> &str {
    if speed.is_freeze() { name.strip_suffix(" FF").unwrap_or(name) } else { name }
}

fn read_text(path: &Path) -> Result<String, String> {
    let bytes = without_mark(read_limited(path)?);
    String::from_utf8(bytes).map_err(|e| {
        let sound = &e.as_bytes()[..e.utf8_error().valid_up_to()];
        let line = sound.iter().filter(|&&b| b == b'\n').count() + 1;
        format!("it is not UTF-8 text: line {line} has bytes of another encoding")
    })
}

/// A text without the byte order mark that some editors begin it with, so that no reader needs to know of it.
pub(super) fn without_mark(mut bytes: Vec<u8>) -> Vec<u8> {
    if bytes.starts_with("\u{feff}".as_bytes()) {
        bytes.drain(..3);
    }
    bytes
}

/// The largest file that a declaration or a setting may name.
const FILE_LIMIT: u64 = 256 << 20;

pub(super) fn read_limited(path: &Path) -> Result<Vec<u8>, String> {
    let size = std::fs::metadata(path).map_err(|e| e.to_string())?;
    if !size.is_file() {
        return Err("it is not a file".into());
    }
    if size.len() > FILE_LIMIT {
        return Err(format!("it is larger than {} MiB", FILE_LIMIT >> 20));
    }
    std::fs::read(path).map_err(|e| e.to_string())
}
