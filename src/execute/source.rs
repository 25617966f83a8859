//! Source files as rasters: image files by their codec, movies through the ffmpeg program, deliveries of people.
//!
//! A file's bytes are digested again as they are read: a file that changed after it was looked at is not taken.

use std::collections::HashMap;
use std::io::Read;
use std::process::{Child, ChildStdout, Command, Stdio};
use std::sync::{Arc, Mutex};

use super::Engine;
use super::make::Trouble;
use crate::base::digest::Digest;
use crate::declare::film::{Delivers, Media};
use crate::media::image::{Channel, Image, Raster};
use crate::media::movie::{self, Movie};
use crate::media::{self, Format};
use crate::observe;
use crate::operators::{Inputs, Prepared};
use crate::stale::SourceState;

/// Movies being read, one reader each.
#[derive(Default)]
pub(super) struct Movies {
    open: Mutex<HashMap<usize, Arc<Mutex<Reel>>>>,
}

/// A movie being read from front to back.
struct Reel {
    movie: Movie,
    next: i64,
    child: Option<(Child, ChildStdout)>,
    /// Pictures passed on the way to a later one.
    passed: HashMap<i64, Vec<u8>>,
}

impl Engine<'_> {
    /// The raster of a source's frame.
    pub(super) fn raster(&self, source: usize, frame: i64) -> Result<Raster, Trouble> {
        let source_of = &self.graph.sources[source];
        let path = observe::path(&self.project, source_of, frame);
        if let Media::Movie { first, .. } = &source_of.media {
            return self.movie_frame(source, &path.to_string_lossy(), frame - first);
        }
        let name = path.display();
        let bytes = std::fs::read(&path).map_err(|e| format!("{name}: {e}"))?;
        let expected = self.seen[source].get(frame).map(|s| s.state);
        if expected != Some(SourceState::Known(Digest::of(&bytes))) {
            return Err(format!("{name}: the file changed during the rebuild; rebuild once more").into());
        }
        let format = Format::of_path(&path.to_string_lossy())
            .ok_or_else(|| format!("{name}: no picture format that is read"))?;
        Ok(media::decode(format, &bytes).map_err(|e| format!("{name}: {e}"))?)
    }

    fn movie_frame(&self, source: usize, path: &str, index: i64) -> Result<Raster, Trouble> {
        let reel = {
            let mut open = self.movies.open.lock().expect("no worker panics with it");
            match open.get(&source) {
                Some(reel) => Arc::clone(reel),
                None => {
                    let reel = Arc::new(Mutex::new(Reel {
                        movie: probe(path)?,
                        next: 0,
                        child: None,
                        passed: HashMap::new(),
                    }));
                    open.insert(source, Arc::clone(&reel));
                    reel
                }
            }
        };
        let mut reel = reel.lock().expect("no worker panics with it");
        let last = self.graph.sources[source].wanted.runs().last().map_or(0, |run| run.last);
        let first = match &self.graph.sources[source].media {
            Media::Movie { first, .. } => *first,
            Media::Files(_) => 0,
        };
        let bytes = reel.read(path, index, last - first)?;
        Ok(movie::frame(&reel.movie, &bytes).map_err(|e| format!("{path}: {e}"))?)
    }
}

/// Size, rate and length of a movie.
pub fn probe(path: &str) -> Result<Movie, String> {
    let output = apart("ffprobe")
        .args(movie::probe_arguments(path))
        .stdin(Stdio::null())
        .output()
        .map_err(no_ffmpeg)?;
    if !output.status.success() {
        return Err(format!(
            "{path}: ffprobe cannot read it: {}",
            String::from_utf8_lossy(&output.stderr).trim()
        ));
    }
    movie::parse_probe(&String::from_utf8_lossy(&output.stdout)).map_err(|e| format!("{path}: {e}"))
}

/// A program in a process group of its own: Ctrl-C at the terminal is meant for this process, which goes on to the end
/// of the frames in hand, and a reader that dies of it would make a sound movie fail its frames.
fn apart(program: &str) -> Command {
    use std::os::unix::process::CommandExt;
    let mut command = Command::new(program);
    command.process_group(0);
    command
}

fn no_ffmpeg(error: std::io::Error) -> String {
    if error.kind() == std::io::ErrorKind::NotFound {
        "movies need the programs ffmpeg and ffprobe, which are not installed; an image sequence needs neither".into()
    } else {
        format!("ffmpeg could not be started: {error}")
    }
}

impl Reel {
    /// How many pictures may wait for a worker that is a little behind.
    const PASSED: usize = 16;

    fn read(&mut self, path: &str, index: i64, last: i64) -> Result<Vec<u8>, String> {
        if let Some(bytes) = self.passed.remove(&index) {
            return Ok(bytes);
        }
        if self.child.is_none() || index < self.next || index > self.next + Self::PASSED as i64 {
            self.start(path, index, last.max(index))?;
        }
        loop {
            let mut bytes = vec![0; movie::frame_bytes(&self.movie)];
            let (_, out) = self.child.as_mut().ok_or("the movie is not open")?;
            out.read_exact(&mut bytes)
                .map_err(|_| format!("{path}: the movie ends before picture {}", index + 1))?;
            let at = self.next;
            self.next += 1;
            if at == index {
                return Ok(bytes);
            }
            if self.passed.len() < Self::PASSED {
                self.passed.insert(at, bytes);
            }
        }
    }

    fn start(&mut self, path: &str, first: i64, last: i64) -> Result<(), String> {
        self.stop();
        let version = apart("ffmpeg").arg("-version").stdin(Stdio::null()).output().map_err(no_ffmpeg)?;
        let version = movie::Version::parse(&String::from_utf8_lossy(&version.stdout));
        let (first_picture, last_picture) = (first.max(0) as u64, last.max(0) as u64);
        let arguments = movie::decode_arguments(path, &self.movie, first_picture, last_picture, version);
        let mut child = apart("ffmpeg")
            .args(arguments)
            .stdin(Stdio::null())
            .stdout(Stdio::piped())
            .stderr(Stdio::null())
            .spawn()
            .map_err(no_ffmpeg)?;
        let out = child.stdout.take().ok_or("ffmpeg gave no output")?;
        self.child = Some((child, out));
        self.next = first;
        Ok(())
    }

    fn stop(&mut self) {
        if let Some((mut child, _)) = self.child.take() {
            let _ = child.kill();
            let _ = child.wait();
        }
    }
}

impl Drop for Reel {
    fn drop(&mut self) {
        self.stop();
    }
}

/// What a person or a command delivered, as the stage promises it: a picture, or mattes by name.
pub(super) fn delivered(
    raster: Raster,
    delivers: &Delivers,
    decode: &dyn Prepared,
    frame: i64,
    size: (u32, u32),
) -> Result<Image, String> {
    match delivers {
        Delivers::Picture => {
            decode.apply(&Inputs { frames: &[], raster: Some(&raster) }, frame).map_err(|e| e.to_string())
        }
        Delivers::Mattes(names) => mattes(&raster, names, size),
    }
}

/// Mattes by name; one matte may also come as a grey picture or as a picture's red plane.
pub(super) fn mattes(raster: &Raster, names: &[Arc<str>], size: (u32, u32)) -> Result<Image, String> {
    if (raster.width, raster.height) != size {
        return Err(format!(
            "the file is {}x{}, and the film {}x{}",
            raster.width, raster.height, size.0, size.1
        ));
    }
    let mut channels = Vec::new();
    for name in names {
        let plane = raster.planes.iter().find(|(n, _)| *n == **name);
        let plane =
            plane.or_else(|| raster.planes.iter().find(|(n, _)| names.len() == 1 && (n == "Y" || n == "R")));
        let (_, samples) = plane.ok_or_else(|| format!("the file has no channel '{name}'"))?;
        let samples = samples.iter().map(|&s| half::f16::from_f32(s)).collect();
        channels.push(Channel { name: Arc::clone(name), samples });
    }
    Ok(Image::from_channels(raster.width, raster.height, channels))
}
