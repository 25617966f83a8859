//! The program that decodes, and what it has to say when it is done.
//!
//! Knows how it is started, asked for more, stopped, and how it ends. Does not know what its bytes mean.

use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::time::Duration;

use crate::deliver::encode::{self, COMPLAINT, MovieError, Tools};
use crate::programs::{Printed, Runner, Stream};

/// How long the decoder may take for a frame or a piece of sound, and to end.
const LIMIT: Duration = Duration::from_secs(120);

/// A stream of a file on its way.
pub struct Decoder<'d> {
    stream: Stream,
    complaint: Printed,
    program: PathBuf,
    runner: &'d Runner,
}

impl<'d> Decoder<'d> {
    /// Starts decoding: `out` says what of the file at `text`, and how.
    ///
    /// # Errors
    /// When the program cannot be started.
    pub fn start(text: &str, out: &[&str], tools: &Tools, runner: &'d Runner) -> Result<Self, MovieError> {
        let refused = MovieError::disk(Path::new(text));
        let complaint = Printed::new().map_err(&refused)?;
        let mut command = Command::new(&tools.ffmpeg);
        command.args(["-hide_banner", "-nostdin", "-nostats", "-loglevel", "error"]);
        command.args(["-protocol_whitelist", "file,pipe", "-i"]).arg(format!("file:{text}")).args(out);
        command.stdin(Stdio::null()).stderr(complaint.end().map_err(&refused)?);
        let program = tools.ffmpeg.clone();
        let stream = runner.stream(&mut command).map_err(|error| encode::unstarted(&program, &error))?;
        Ok(Self { stream, complaint, program, runner })
    }

    /// Fills `bytes`, or as many of them as there are left. Frame `frame` of `frames` is told where it fails; sound has none.
    ///
    /// # Errors
    /// When the run is asked to stop, the program takes too long, or it complains without end.
    pub fn fill(&mut self, bytes: &mut [u8], (frame, frames): (u64, u64)) -> Result<usize, MovieError> {
        if self.runner.halt.is_asked() {
            return Err(MovieError::Stopped);
        }
        let filled = self.stream.fill(bytes, LIMIT);
        if self.runner.halt.is_hurried() {
            return Err(MovieError::Stopped);
        }
        let failed = |said| self.failed(frame, frames, said);
        if self.complaint.file().metadata().is_ok_and(|data| data.len() > COMPLAINT) {
            return Err(failed("it complained without end".into()));
        }
        filled.map_err(|error| failed(format!("it gave nothing more: {error}")))
    }

    /// Hears it out, once all that it gave was taken. Gives what it complained of, if it did and made its way all the same.
    ///
    /// # Errors
    /// When it did not end well.
    pub fn end(self, at: (u64, u64)) -> Result<Option<String>, MovieError> {
        let Self { stream, complaint, program, runner } = self;
        let ended = stream.ended(LIMIT).map_err(MovieError::disk(&program))?;
        if runner.halt.is_hurried() {
            return Err(MovieError::Stopped);
        }
        let said = complaint.bytes(COMPLAINT).unwrap_or_default();
        let said = encode::last_words(&String::from_utf8_lossy(&said));
        if ended.success() {
            return Ok(said);
        }
        let said = said.unwrap_or_else(|| format!("it said nothing and ended with {ended}"));
        let (program, (frame, frames)) = (program.display().to_string(), at);
        Err(MovieError::Failed { program, frame, frames, said })
    }

    fn failed(&self, frame: u64, frames: u64, said: String) -> MovieError {
        MovieError::Failed { program: self.program.display().to_string(), frame, frames, said }
    }
}

#[cfg(test)]
mod tests {
    use std::os::unix::fs::PermissionsExt;

    use super::*;

    /// A program in place of the decoder, that does what `text` says.
    fn decoder(folder: &Path, text: &str) -> Tools {
        let path = folder.join("ffmpeg");
        std::fs::write(&path, format!("#!/bin/sh\n{text}\n")).unwrap();
        std::fs::set_permissions(&path, std::fs::Permissions::from_mode(0o755)).unwrap();
        Tools { ffmpeg: path, ffprobe: "ffprobe".into() }
    }

    /// How it ends after eight bytes were asked for: how many came, and what it said or why it failed.
    fn ends(text: &str) -> (usize, Result<Option<String>, String>) {
        let (folder, runner) = (tempfile::tempdir().unwrap(), Runner::alone().unwrap());
        let tools = decoder(folder.path(), text);
        let mut decoder = Decoder::start("film.mp4", &["pipe:1"], &tools, &runner).unwrap();
        let count = decoder.fill(&mut [0; 8], (3, 12)).unwrap();
        (count, decoder.end((3, 12)).map_err(|error| error.to_string()))
    }

    #[test]
    fn how_the_decoder_ended_and_what_it_said_is_read() {
        assert_eq!(ends("printf 12345678"), (8, Ok(None)));
        assert_eq!(ends("printf 1234; echo torn >&2"), (4, Ok(Some("torn".into()))));
        let (count, why) = ends("printf 1234; echo torn >&2; exit 3");
        let why = why.unwrap_err();
        assert!(count == 4 && why.ends_with("failed at frame 3 of 12: torn"), "{why}");
        let (_, why) = ends("kill -9 $$");
        assert!(why.unwrap_err().contains("it said nothing and ended with signal: 9"));
    }

    #[test]
    fn a_run_that_is_asked_to_stop_takes_no_more_of_it() {
        let (folder, runner) = (tempfile::tempdir().unwrap(), Runner::alone().unwrap());
        let tools = decoder(folder.path(), "cat /dev/zero");
        let mut decoder = Decoder::start("film.mp4", &[], &tools, &runner).unwrap();
        assert_eq!(decoder.fill(&mut [0; 64], (0, 0)).unwrap(), 64);
        runner.halt.ask();
        assert!(matches!(decoder.fill(&mut [0; 64], (0, 0)), Err(MovieError::Stopped)));
    }

    #[test]
    fn complaints_without_end_are_an_end() {
        let (folder, runner) = (tempfile::tempdir().unwrap(), Runner::alone().unwrap());
        let tools = decoder(folder.path(), "head -c 100000 /dev/zero >&2; printf 12345678");
        let mut decoder = Decoder::start("film.mp4", &[], &tools, &runner).unwrap();
        let why = decoder.fill(&mut [0; 8], (0, 0)).unwrap_err().to_string();
        assert!(why.contains("complained without end"), "{why}");
    }
}
