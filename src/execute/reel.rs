//! Movies as pictures, through the ffmpeg and ffprobe programs, read from front to back.
//!
//! Knows how far each reader has come. A movie that is not the file that was looked at before the rebuild began is
//! not taken: its stat is compared after every picture, since what was written before a picture came out shows in it.

use std::collections::{BTreeMap, HashMap};
use std::io::ErrorKind;
use std::path::Path;
use std::process::{Command, Stdio};
use std::sync::{Arc, Mutex, OnceLock};
use std::time::Duration;

use super::Engine;
use super::make::{RestsOn, Trouble};
use super::source::changed;
use crate::declare::film::Media;
use crate::media::image::Raster;
use crate::media::movie::{self, Movie, Version};
use crate::observe;
use crate::programs::{Limits, Past, Printed, Runner, Stream};

/// How long a program may take to answer, or to give the next picture.
const LIMIT: Duration = Duration::from_secs(60);
/// How much longer for every picture that it decodes on the way.
const LIMIT_A_PICTURE: Duration = Duration::from_secs(1);
/// Bytes of an answer that are read.
const ANSWER: u64 = 1 << 20;
/// Pictures apart within which workers share a reader.
const NEAR: i64 = 16;

/// What ffprobe says of a movie, with the number of its pictures, all of which are decoded for it, and what it complained of.
///
/// # Errors
/// When the program is not installed or cannot read the movie.
pub fn answer(path: &str, programs: &Runner) -> Result<(String, Option<String>), String> {
    let answer = ask(programs, "ffprobe", &movie::probe_arguments(path, true), None);
    let (answer, said) = answer.map_err(|e| no_ffmpeg(&e))?.map_err(|why| unreadable(path, &why))?;
    Ok((answer, movie::complaint(&said)))
}

/// What a program answers and what it says beside, or what it fails with.
fn ask(
    programs: &Runner,
    program: &str,
    arguments: &[String],
    time: Option<Duration>,
) -> std::io::Result<Result<(String, String), String>> {
    let (answer, complaint) = (Printed::new()?, Printed::new()?);
    let mut command = Command::new(program);
    command.args(arguments).stdin(Stdio::null()).stdout(answer.end()?).stderr(complaint.end()?);
    let ended = programs.run(&mut command, &Limits { time, print: Some((complaint.file(), ANSWER)) })?;
    Ok(match ended.past {
        Some(Past::Time) => Err(format!("it did not answer within {} s", time.unwrap_or_default().as_secs())),
        _ if ended.status.success() => Ok((text(&answer.bytes(ANSWER)?), text(&complaint.bytes(ANSWER)?))),
        _ => Err(text(&complaint.bytes(ANSWER)?)),
    })
}

fn text(bytes: &[u8]) -> String {
    String::from_utf8_lossy(bytes).into_owned()
}

fn unreadable(path: &str, why: &str) -> String {
    format!("{path}: ffprobe cannot read it: {}", why.trim())
}

/// What is to be done about a damaged movie.
pub const DAMAGED: &str = "copy it again from where it came from; if it is damaged there too, write the pictures of it that are \
                           good as an image sequence, and name that as the plate";

/// A decoder runs ahead of the pictures that it gives, so that where it complained is known only about.
fn damaged(path: &str, from: i64, why: &str) -> Trouble {
    let picture = from + 1;
    Trouble::of_the_moment(format!(
        "{path}: the movie is damaged, at picture {picture} or soon after: ffmpeg says: {why}; {DAMAGED}"
    ))
}

fn no_ffmpeg(error: &std::io::Error) -> String {
    if error.kind() == ErrorKind::NotFound {
        "movies need the programs ffmpeg and ffprobe, which are not installed; an image sequence needs neither".into()
    } else {
        format!("ffmpeg could not be started: {error}")
    }
}

/// Movies being read.
#[derive(Default)]
pub(super) struct Movies {
    version: OnceLock<Version>,
    /// Readers of each source, with the picture that was asked for last and when.
    readers: Mutex<HashMap<usize, Vec<Reader>>>,
}

struct Reader {
    reel: Arc<Mutex<Reel>>,
    at: i64,
    asked: u64,
}

/// A movie being read from front to back.
#[derive(Default)]
struct Reel {
    movie: Option<Movie>,
    next: i64,
    /// What decodes it, and what that says.
    stream: Option<(Stream, Printed)>,
    /// The first picture before which a decoder complained, and its words.
    damage: Option<(i64, String)>,
    /// Pictures passed on the way to a later one.
    passed: BTreeMap<i64, Vec<u8>>,
}

impl Movies {
    /// The reader that is nearest to a picture, a new one, or when there are `most` the one that was idle longest.
    fn reader(&self, source: usize, index: i64, most: usize) -> Arc<Mutex<Reel>> {
        let mut all = self.readers.lock().expect("no worker panics with it");
        let readers = all.entry(source).or_default();
        let now = readers.iter().map(|r| r.asked).max().unwrap_or(0) + 1;
        let near = readers.iter().position(|r| (r.at - NEAR..=r.at + NEAR).contains(&index));
        let chosen = near.unwrap_or_else(|| {
            if readers.len() < most.max(1) {
                readers.push(Reader { reel: Arc::default(), at: index, asked: now });
                return readers.len() - 1;
            }
            (0..readers.len()).min_by_key(|&n| readers[n].asked).unwrap_or(0)
        });
        let reader = &mut readers[chosen];
        reader.asked = now;
        reader.at = if near.is_some() { reader.at.max(index) } else { index };
        Arc::clone(&reader.reel)
    }
}

impl Engine<'_> {
    /// A picture of a movie, counted from 0.
    pub(super) fn movie_frame(&self, source: usize, path: &Path, index: i64) -> Result<Raster, Trouble> {
        let read = self.read_frame(source, &path.to_string_lossy(), index);
        let is_stopped = read.as_ref().is_err_and(|trouble| trouble.rests_on == RestsOn::End);
        let looked_at = self.seen[source].movie;
        // A movie that is not the same any more explains why there is no such picture in it, too.
        if !is_stopped && (looked_at.is_none() || observe::stat(path) != looked_at) {
            return Err(changed(path));
        }
        read
    }

    fn read_frame(&self, source: usize, name: &str, index: i64) -> Result<Raster, Trouble> {
        let reel = self.movies.reader(source, index, self.options.jobs);
        let mut reel = reel.lock().expect("no worker panics with it");
        let movie = match &reel.movie {
            Some(movie) => movie.clone(),
            None => reel.movie.insert(self.probe(name)?).clone(),
        };
        let of = &self.graph.sources[source];
        let last = match &of.media {
            Media::Movie { first, .. } => {
                of.wanted.runs().last().map_or(index, |run| (run.last - first).max(index))
            }
            Media::Files(_) | Media::Sound(_) => index,
        };
        let bytes = self.picture(&mut reel, &movie, name, index, last)?;
        drop(reel);
        Ok(movie::frame(&movie, &bytes).map_err(|e| format!("{name}: {e}"))?)
    }

    fn picture(
        &self,
        reel: &mut Reel,
        movie: &Movie,
        path: &str,
        index: i64,
        last: i64,
    ) -> Result<Vec<u8>, Trouble> {
        if let Some(bytes) = reel.passed.remove(&index) {
            return Ok(bytes);
        }
        if let Some((from, why)) = &reel.damage
            && index >= *from
        {
            return Err(damaged(path, *from, why));
        }
        // Whoever begins anew decodes from the movie's start, so that going on is better even over some distance.
        if reel.stream.is_none() || index < reel.next || index - reel.next > (index / 4).max(NEAR) {
            reel.stream = None;
            reel.stream = Some(self.begin(movie, path, index, last)?);
            reel.next = index;
        }
        let bytes = movie::frame_bytes(movie);
        // What waits for workers a little behind takes a part of the memory that pictures may take.
        let waiting =
            (self.options.memory / 8 / self.options.jobs.max(1) / bytes.max(1)).clamp(2, NEAR as usize);
        loop {
            let mut picture = vec![0; bytes];
            let (stream, said) = reel.stream.as_mut().ok_or_else(|| "the movie is not open".to_string())?;
            let limit = LIMIT + LIMIT_A_PICTURE * u32::try_from(reel.next).unwrap_or(u32::MAX);
            let read = stream.read(&mut picture, limit);
            // It complains before it gives the picture: one that was read without a complaint is sound. It may be some ahead.
            let complaint = said.so_far(ANSWER).ok().and_then(|said| movie::complaint(&text(&said)));
            if let Some(why) = complaint.filter(|_| !self.programs.halt.is_hurried()) {
                reel.stream = None;
                let (from, why) = reel.damage.insert((reel.next, why));
                return Err(damaged(path, *from, why));
            }
            if let Err(error) = read {
                reel.stream = None;
                return Err(match error.kind() {
                    _ if self.programs.halt.is_hurried() => Trouble::stopped(),
                    ErrorKind::TimedOut => {
                        format!("{path}: ffmpeg gave no picture within {} s", limit.as_secs()).into()
                    }
                    _ => format!("{path}: the movie ends before picture {}", index + 1).into(),
                });
            }
            let at = reel.next;
            reel.next += 1;
            if at == index {
                return Ok(picture);
            }
            reel.passed.insert(at, picture);
            if reel.passed.len() > waiting {
                reel.passed.pop_first();
            }
        }
    }

    fn begin(&self, movie: &Movie, path: &str, first: i64, last: i64) -> Result<(Stream, Printed), Trouble> {
        let version = match self.movies.version.get() {
            Some(&version) => version,
            None => {
                let answer = self.ask("ffmpeg", &["-version".into()])?;
                *self.movies.version.get_or_init(|| Version::parse(&answer.unwrap_or_default()))
            }
        };
        let (first, last) = (first.max(0) as u64, last.max(0) as u64);
        let mut command = Command::new("ffmpeg");
        command.args(movie::decode_arguments(path, movie, first, last, version));
        let said = Printed::new().map_err(|e| self.no_ffmpeg(&e))?;
        command.stdin(Stdio::null()).stderr(said.end().map_err(|e| self.no_ffmpeg(&e))?);
        let stream = self.programs.stream(&mut command).map_err(|e| self.no_ffmpeg(&e))?;
        Ok((stream, said))
    }

    /// Size of a movie, and how its colour is coded.
    fn probe(&self, path: &str) -> Result<Movie, Trouble> {
        let answer = self.ask("ffprobe", &movie::probe_arguments(path, false))?;
        let answer = answer.map_err(|why| unreadable(path, &why))?;
        Ok(movie::parse_probe(&answer).map_err(|e| format!("{path}: {e}"))?)
    }

    fn ask(&self, program: &str, arguments: &[String]) -> Result<Result<String, String>, Trouble> {
        let answer = ask(&self.programs, program, arguments, Some(LIMIT)).map_err(|e| self.no_ffmpeg(&e))?;
        if self.programs.halt.is_hurried() {
            Err(Trouble::stopped())
        } else {
            Ok(answer.map(|(answer, _)| answer))
        }
    }

    fn no_ffmpeg(&self, error: &std::io::Error) -> Trouble {
        if self.programs.halt.is_hurried() {
            return Trouble::stopped();
        }
        Trouble::of_the_moment(no_ffmpeg(error))
    }
}
