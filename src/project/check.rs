//! Everything that is wrong with a film as it lies on the disk: its declaration, its sources, the programs that its
//! stages call.
//!
//! Knows what is looked at. A rebuild does not ask this: what it lacks fails where it is needed.

use std::collections::HashSet;
use std::os::unix::fs::PermissionsExt;
use std::path::{Path, PathBuf};

use rayon::prelude::*;

use super::{Declared, Project, ProjectError};
use crate::base::digest::Digest;
use crate::base::frames::FrameRange;
use crate::base::problem::{Problem, Problems, nearest};
use crate::declare::film::{Command, Media};
use crate::declare::path_fault;
use crate::execute::reel;
use crate::graph::{Graph, Node, Source, Work};
use crate::media::movie::{self, Movie};
use crate::observe::{self, Closeness, Foreseen, Seen};
use crate::programs::Runner;
use crate::stale::SourceState;
use crate::store::facts::Facts;
use crate::store::{Store, file, write_own};

impl Project {
    /// Every problem of the declaration and of what it names. `programs` are the folders in which programs are looked
    /// for; `progress` is told how many files were read of how many.
    pub fn check(
        &self,
        programs: &[PathBuf],
        progress: &(dyn Fn(usize, usize) + Sync),
    ) -> Result<Declared, ProjectError> {
        let mut declared = self.read();
        if declared.film.is_some() {
            let store = Store::at(&self.folder)?;
            let mut facts = Facts::load(&store);
            let graph = &declared.graph;
            let sources = &graph.sources;
            let (folder, size) = (&self.folder, graph.frame_size);
            let nothing = Foreseen::default();
            let seen = observe::look(folder, sources, size, &mut facts, &nothing, Closeness::Stat, progress);
            let mut faults = observe::faults::of(&self.folder, sources, &seen, graph.frame_size);
            let movies =
                sources.par_iter().zip(&seen).map(|(source, seen)| self.movie(&store, source, seen, graph));
            faults.par_extend(movies.flatten_iter());
            faults.extend(self.commands(graph, programs));
            declared.problems.append(&mut faults);
            self.keep_facts(&store, &facts);
        }
        let mut together = self.together(&mut declared.sources);
        declared.problems.append(&mut together);
        declared.problems.sort_by_key(|p| p.span.map(|s| (s.source, s.start)));
        Ok(declared)
    }

    /// What is wrong with a movie that is there.
    fn movie(&self, store: &Store, source: &Source, seen: &Seen, graph: &Graph) -> Problems {
        let (Media::Movie { path, first }, Some(whole)) = (&source.media, hull(source)) else {
            return Problems::new();
        };
        let Some(SourceState::Known(digest)) = seen.iter().map(|(_, sight)| sight.state).next() else {
            return Problems::new();
        };
        let name = self.folder.join(&path.value);
        match described(store, digest, &name.to_string_lossy()) {
            Ok((movie, complaint)) => {
                let mut problems = wrong_movie(&movie, *first, whole, source, graph);
                problems.extend(complaint.map(|why| {
                    let message =
                        format!("plate {}: {} is damaged: ffprobe says: {why}", source.name, path.value);
                    Problem::error(source.span, message).help(reel::DAMAGED)
                }));
                problems
            }
            Err(reason) => {
                let reason = reason.replace(&*name.to_string_lossy(), &path.value);
                vec![Problem::error(source.span, format!("plate {}: {reason}", source.name))]
            }
        }
    }

    /// Programs and files that commands name and that are not there, each told once.
    fn commands(&self, graph: &Graph, programs: &[PathBuf]) -> Problems {
        let mut told = HashSet::new();
        let mut problems = Problems::new();
        for node in &graph.nodes {
            let Work::Command(work) = &node.work else { continue };
            if told.insert(work.command.words.span) {
                let name = node.name();
                let found =
                    self.program(&work.command, programs).into_iter().chain(self.files(&work.command));
                problems.extend(found.map(|p| Problem { message: format!("{name}: {}", p.message), ..p }));
            }
        }
        problems
    }

    fn program(&self, command: &Command, programs: &[PathBuf]) -> Option<Problem> {
        let words = &command.words;
        let program = words.value.first().filter(|word| !word.contains('{'))?;
        let at = words.span;
        if program.contains('/') {
            let path = self.folder.join(program);
            return (!is_program(&path)).then(|| {
                let problem = Problem::error(at, format!("'{program}' is no program that can be started"));
                problem.help("it must be a file in the film's folder that may be executed")
            });
        }
        if programs.iter().any(|folder| is_program(&folder.join(program))) {
            return None;
        }
        let entries = programs.iter().filter_map(|folder| std::fs::read_dir(folder).ok()).flatten().flatten();
        let names: Vec<String> = entries.filter_map(|entry| entry.file_name().into_string().ok()).collect();
        let problem = Problem::error(at, format!("there is no program '{program}' on this machine"));
        Some(match nearest(program, names.iter().map(String::as_str)) {
            Some(near) => problem.help(format!("did you mean '{near}'?")),
            None => problem
                .help("install it, or write its path in the film's folder; it is looked for along PATH"),
        })
    }

    /// Words that name a file of the project which is not there. The word after the program is taken for its script;
    /// any other may be a file that the command is yet to write, so it is only warned of.
    fn files(&self, command: &Command) -> Problems {
        let words = &command.words;
        let missing = |(at, word): (usize, &String)| {
            let is_script = at == 1;
            if !(names_a_file(word) && (is_script || word.contains('/')) && !self.folder.join(word).exists())
            {
                return None;
            }
            let problem =
                Problem::error(words.span, format!("its word '{word}' names no file in the film's folder"));
            let problem = problem.help("paths begin at the film's folder");
            Some(if is_script { problem } else { problem.warning() })
        };
        words.value.iter().enumerate().skip(1).filter_map(missing).collect()
    }
}

/// What a movie is. It is decoded whole for that, so that the answer is kept under a digest that
/// follows from its bytes, unless the decoder complained: that is told each time.
fn described(store: &Store, digest: Digest, path: &str) -> Result<(Movie, Option<String>), String> {
    let kept = store.path("movies").join(digest.to_string());
    let answer = file::read(&kept).ok().flatten().and_then(|answer| String::from_utf8(answer).ok());
    if let Some(movie) = answer.and_then(|answer| movie::parse_probe(&answer).ok()) {
        return Ok((movie, None));
    }
    let programs = Runner::alone().map_err(|e| e.to_string())?;
    let (answer, complaint) = reel::answer(path, &programs)?;
    let movie = movie::parse_probe(&answer).map_err(|e| format!("{path}: {e}"))?;
    // What cannot be kept is asked for again.
    if complaint.is_none() {
        let _ = std::fs::create_dir_all(store.path("movies")).map(|()| write_own(&kept, answer.as_bytes()));
    }
    Ok((movie, complaint))
}

/// From the first to the last frame that is wanted of a source.
fn hull(source: &Source) -> Option<FrameRange> {
    let runs = source.wanted.runs();
    Some(FrameRange::new(runs.first()?.first, runs.last()?.last))
}

fn wrong_movie(movie: &Movie, first: i64, wanted: FrameRange, source: &Source, graph: &Graph) -> Problems {
    let size = graph.frame_size;
    let mut problems = Problems::new();
    if (movie.width, movie.height) != size {
        let message = format!("plate {}: the movie is {}x{}", source.name, movie.width, movie.height);
        problems.push(
            Problem::error(source.span, message)
                .help(format!("the film's frame_size is {}x{}", size.0, size.1)),
        );
    }
    let Some(frames) = movie.frames else {
        let message = format!("plate {}: the movie has no frames that can be decoded", source.name);
        problems.push(Problem::error(source.span, message));
        return problems;
    };
    let has = FrameRange::new(first, first.saturating_add_unsigned(frames - 1));
    if !has.covers(wanted) {
        // A stage that maps frames is to blame where its own frames are there, and tells at which of its settings.
        let (maps, others) = takers(graph, source, has);
        if !others {
            problems.extend(maps);
            return problems;
        }
        let message = format!("plate {}: the movie has frames {has}, and {wanted} are needed", source.name);
        let help = "is it cut short? else give its shots fewer frames, or fewer handles";
        problems.push(Problem::error(source.span, message).help(help));
    }
    problems
}

/// Problems of stages that map frames of a source which has not all that they ask for; and whether any other stage
/// asks for a frame that is not there.
fn takers(graph: &Graph, source: &Source, has: FrameRange) -> (Problems, bool) {
    let mut problems = Problems::new();
    let mut others = false;
    for node in &graph.nodes {
        for (input, edge) in node.inputs.iter().enumerate() {
            let is_taken = |of: usize| std::ptr::eq(&raw const graph.sources[of], source);
            if !graph.nodes[edge.from].source().is_some_and(is_taken) {
                continue;
            }
            let lacking = match &node.work {
                Work::Operator { prepared, .. } => prepared.lacking(input, node.frames, has),
                _ => None,
            };
            match lacking {
                Some(problem) => {
                    let message = format!("{}: {}", node.name(), problem.message);
                    problems.push(Problem { message, ..problem });
                }
                None => others |= asks_beyond(graph, node, input, has),
            }
        }
    }
    (problems, others)
}

/// Whether any frame of a node needs a frame of an input that is not among those it has.
fn asks_beyond(graph: &Graph, node: &Node, input: usize, has: FrameRange) -> bool {
    node.frames.iter().any(|frame| {
        let mut beyond = false;
        node.each_reach(frame, &|id| graph.nodes[id].frames, &mut |of, range| {
            beyond |= of == input && !has.covers(range);
        });
        beyond
    })
}

fn is_program(path: &Path) -> bool {
    std::fs::metadata(path).is_ok_and(|file| file.is_file() && file.permissions().mode() & 0o111 != 0)
}

/// True of a word that can only be meant as a file of the project: `tools/copy.py`, but not `-o`, `1.5` or `{out}`.
fn names_a_file(word: &str) -> bool {
    let ending = word.rsplit('/').next().and_then(|name| name.rsplit_once('.'));
    let is_ending = |text: &str| {
        (1..=5).contains(&text.len())
            && text.starts_with(|c: char| c.is_ascii_alphabetic())
            && text.bytes().all(|b| b.is_ascii_alphanumeric())
    };
    path_fault(word).is_none()
        && !word.starts_with('-')
        && !word.contains(['{', '}', '*', '?', '=', ' '])
        && ending.is_some_and(|(stem, ending)| !stem.is_empty() && is_ending(ending))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn files_are_told_from_other_words() {
        for file in ["tools/copy.py", "copy.sh", "a.b/c.EXR"] {
            assert!(names_a_file(file), "{file}");
        }
        for other in
            ["-o", "1.5", "{out}", "a/b", "tools/{shot}.py", "/bin/x.sh", "../x.py", "-i/x.py", "--to=x.py"]
        {
            assert!(!names_a_file(other), "{other}");
        }
    }
}
