//! Programs of the user's: their words, their inputs as files, their limits, their outputs checked.
//!
//! Words were split before anything is filled in, so that a shot's name can never become a word of its own.
//! How a program is run and ended is known to `programs`.

use std::fs::{File, OpenOptions};
use std::io::ErrorKind;
use std::path::Path;
use std::process::{Command, Stdio};
use std::time::Duration;

use super::make::{RestsOn, Trouble};
use super::{Ending, Engine};
use crate::base::braces;
use crate::base::frames::{FrameRange, FrameSet};
use crate::declare::film::{Delivers, Each};
use crate::graph::{CommandWork, NodeId};
use crate::media::exr::{self, Compression};
use crate::media::image::Image;
use crate::programs::{Cost, Limits, Past, end_of_log, tells_of_full_disk};
use crate::store::StoreError;

/// Most bytes that a program may print; its log holds them.
const LOG: u64 = 256 << 20;

/// A disk with less room than this, in bytes, is full for any command that fails: hardly anything can be written there.
const NOTHING: u64 = 1 << 20;

/// A disk with less room than this, in bytes, may be why a command fails, whatever the command says.
const SCARCE: u64 = 64 << 20;

/// Bytes at the end of a log in which a program says why it ended.
const SAID: u64 = 4096;

/// Takes one of the images that a call delivered.
pub(super) type Take<'t> = dyn FnMut(i64, Image) -> Result<(), Trouble> + 't;

impl Engine<'_> {
    /// Calls a command for `frames` and hands what it delivered for the `wanted` ones to `take`, one image at a time;
    /// from the first again when it is tried again. What all its tries cost, failed ones too, is added to `cost`.
    pub(super) fn call(
        &self,
        id: NodeId,
        work: &CommandWork,
        frames: FrameRange,
        wanted: &[i64],
        cost: &mut Cost,
        take: &mut Take<'_>,
    ) -> Result<(), Trouble> {
        let mut tried = 0;
        loop {
            match self.call_once(id, work, frames, wanted, cost, take) {
                Err(_) if tried < work.command.retries && !self.is_ending() => tried += 1,
                done => return done,
            }
        }
    }

    fn call_once(
        &self,
        id: NodeId,
        work: &CommandWork,
        frames: FrameRange,
        wanted: &[i64],
        cost: &mut Cost,
        take: &mut Take<'_>,
    ) -> Result<(), Trouble> {
        let hold = || self.reads.hold(&self.project, work).map_err(Trouble::of_the_moment);
        hold()?;
        let node = &self.graph.nodes[id];
        let calls = self.store.path("work");
        let folder = tempfile::Builder::new().prefix("call-").tempdir_in(&calls);
        let folder = folder.map_err(|e| self.refused(&StoreError::file(&calls)(e)))?;
        if folder.path().to_str().is_none() {
            let reason = "the name of the film's folder is not UTF-8, so no program can be told of its files; rename it";
            return Err(Trouble::of_the_moment(reason.into()));
        }
        let mut values = self.lay_out(id, frames, folder.path(), work, cost)?;
        values.extend(work.told(frames));
        let words: Vec<String> = work
            .command
            .words
            .value
            .iter()
            .map(|word| filled(word, &values))
            .collect::<Result<_, String>>()?;
        let log = self.store.path("logs").join(format!("{}.{}.{frames}.log", node.shot, node.stage));
        let with_log = |trouble: Trouble| {
            self.unless_full(id, frames, Trouble { log: Some(log.clone()), ..trouble }, &log)
        };
        let ran = {
            let _room = self.occupy(id)?;
            self.supervise(&words, &log, work.command.time_limit, cost)
        };
        // A file that changed under a program explains whatever came of it.
        if !ran.as_ref().is_err_and(|trouble| trouble.rests_on == RestsOn::End) {
            hold().map_err(&with_log)?;
        }
        ran.map_err(&with_log)?;
        for &frame in wanted {
            let path = folder.path().join(format!("out.{frame:04}.exr"));
            let image = read_output(&path, &work.command.delivers, self.graph.frame_size);
            // A call of several frames says which one it was; else the failure has the frame in its place.
            let of = if frames.len() > 1 { format!("frame {frame}: ") } else { String::new() };
            let with_frame =
                |trouble: Trouble| Trouble { reason: format!("{of}{}", trouble.reason), ..trouble };
            take(frame, image.map_err(|trouble| with_log(with_frame(trouble)))?)?;
        }
        Ok(())
    }

    /// The trouble of a call, or the end of the run where a full disk explains it: that says nothing of the frame. Where it only may
    /// explain it, the frame failed for this run. Asked while what the call wrote still lies there.
    fn unless_full(&self, id: NodeId, frames: FrameRange, trouble: Trouble, log: &Path) -> Trouble {
        if trouble.rests_on != RestsOn::Key {
            return trouble;
        }
        let end = end_of_log(log, SAID).unwrap_or_default();
        let is_told = tells_of_full_disk(&end);
        let (width, height) = self.graph.frame_size;
        let pixels = u64::from(width) * u64::from(height);
        // Four pictures of floats as nothing packs them: others that were at work may have given back what they could not use.
        let pictures = pixels * 16 * 4;
        let scarce = pictures.max(SCARCE);
        let is_scarce = self.store.has_less_room(scarce);
        // A program may find another disk full: this one must be about to be.
        let is_this = is_told && self.store.has_less_room(pictures.max(NOTHING));
        // What ends without a word had no room for what it makes where one picture of halves finds none.
        let says_else = !is_told && !end.trim().is_empty();
        let needed = if says_else { NOTHING } else { (pixels * 8).max(NOTHING) };
        let tried = if is_this {
            Err(StoreError::file(&self.store.path("work"))(rustix::io::Errno::NOSPC.into()))
        } else {
            self.store.try_room(needed)
        };
        if let Err(error) = tried {
            let node = &self.graph.nodes[id];
            let log = log.strip_prefix(&self.project).unwrap_or(log).display();
            let (shot, stage, reason) = (&node.shot, &node.stage, &trouble.reason);
            self.end(Ending::Full(format!(
                "{error}; {shot}/{stage}@{frames} failed then: {reason}, log: {log}"
            )));
            return Trouble::stopped();
        }
        // Another worker may have found it full and ended the run, so that room came back meanwhile.
        if self.programs.halt.is_hurried() {
            return Trouble::stopped();
        }
        // Programs that take away what they could not finish leave room; and there are other disks.
        let why = if is_told {
            "as a disk was full by its log; the next rebuild tries again once there is room".to_string()
        } else if is_scarce {
            let left = scarce.div_ceil(1 << 20);
            format!(
                "and the film's disk has less than {left} MiB left, which may be why; the next rebuild tries again"
            )
        } else {
            return trouble;
        };
        Trouble { reason: format!("{}, {why}", trouble.reason), rests_on: RestsOn::Moment, ..trouble }
    }

    /// Puts the inputs into the call's folder as EXR files and names them.
    fn lay_out(
        &self,
        id: NodeId,
        frames: FrameRange,
        folder: &Path,
        work: &CommandWork,
        cost: &mut Cost,
    ) -> Result<Vec<(String, String)>, Trouble> {
        let node = &self.graph.nodes[id];
        let single = work.command.each == Each::Frame;
        // Each input frame once, whichever frames of the call need it, and one at a time.
        let mut wanted = vec![FrameSet::new(); node.inputs.len()];
        for frame in frames.iter() {
            self.graph.each_need(id, frame, &mut |_, index, range| wanted[index].insert_range(range));
            if work.command.each == Each::Shot {
                // Every frame of a shot needs the same.
                break;
            }
        }
        for (edge, frames) in node.inputs.iter().zip(&wanted) {
            for n in frames.iter() {
                let image = self.input(edge, n, cost)?;
                let bytes = exr::encode(&image, Compression::None, self.objects.facts())
                    .map_err(|e| e.to_string())?;
                let path = folder.join(format!("{}.{n:04}.exr", edge.port));
                std::fs::write(&path, bytes).map_err(|e| self.refused(&StoreError::file(&path)(e)))?;
            }
        }
        let named = |name: &str| {
            let number = if single { format!("{:04}", frames.first) } else { "####".to_string() };
            folder.join(format!("{name}.{number}.exr")).to_string_lossy().into_owned()
        };
        let mut values: Vec<(String, String)> =
            node.inputs.iter().map(|edge| (edge.port.clone(), named(&edge.port))).collect();
        values.push(("out".into(), named("out")));
        Ok(values)
    }

    /// Runs a program to its end, its output into `log`.
    fn supervise(
        &self,
        words: &[String],
        log: &Path,
        limit: Option<f64>,
        cost: &mut Cost,
    ) -> Result<(), Trouble> {
        use std::os::unix::process::ExitStatusExt;
        let (program, arguments) =
            words.split_first().ok_or_else(|| "the command has no words".to_string())?;
        let file = log_file(log).map_err(|e| self.refused(&StoreError::file(log)(e)))?;
        let end = || file.try_clone().map_err(|e| Trouble::of_the_moment(e.to_string()));
        let mut command = Command::new(program);
        command.args(arguments).current_dir(&self.project);
        command.stdin(Stdio::null()).stdout(end()?).stderr(end()?);
        let limits = Limits { time: limit.map(Duration::from_secs_f64), print: Some((&file, LOG)) };
        let ended = match self.programs.run(&mut command, &limits) {
            Ok(ended) => ended,
            Err(_) if self.programs.halt.is_hurried() => return Err(Trouble::stopped()),
            Err(e) => return Err(Trouble::of_the_moment(format!("{program} could not be started: {e}"))),
        };
        cost.add(&ended.cost);
        let status = ended.status;
        let reason = match (status.code(), status.signal(), ended.past) {
            (Some(0), _, None) => return Ok(()),
            _ if self.programs.halt.is_hurried() => return Err(Trouble::stopped()),
            (code, signal, None) if self.was_told_with_us(code, signal) => return Err(Trouble::stopped()),
            (_, _, Some(Past::Time)) => format!(
                "{program} took longer than its time limit of {} s and was ended",
                limit.unwrap_or_default()
            ),
            (_, _, Some(Past::Print)) => {
                format!("{program} printed more than {} MiB and was ended", LOG >> 20)
            }
            (Some(code), ..) => format!("{program} ended with exit code {code}"),
            (None, Some(signal), _) => format!("{program} was ended by signal {signal}"),
            (None, None, _) => format!("{program} ended badly"),
        };
        Err(reason.into())
    }
}

impl Engine<'_> {
    /// True where a task far apart is being ended: its programs are told at the same instant as it is itself, so that one of them may
    /// end before this process has heard. That is no failure of its frame.
    fn was_told_with_us(&self, code: Option<i32>, signal: Option<i32>) -> bool {
        const TOLD: [i32; 2] = [2, 15];
        /// How long hearing of it may take.
        const HEARD: Duration = Duration::from_millis(500);
        let by = signal.or(code.map(|code| code - 128));
        if !self.is_apart() || !by.is_some_and(|by| TOLD.contains(&by)) {
            return false;
        }
        let since = std::time::Instant::now();
        while !self.programs.halt.is_asked() && since.elapsed() < HEARD {
            std::thread::sleep(HEARD / 50);
        }
        self.programs.halt.is_asked()
    }
}

/// A new file for what a program prints. One of its name may be a command's that outlived a run which was killed, and
/// goes on printing: it keeps that file, without its name.
fn log_file(path: &Path) -> std::io::Result<File> {
    match std::fs::remove_file(path) {
        Err(error) if error.kind() != ErrorKind::NotFound => return Err(error),
        _ => {}
    }
    OpenOptions::new().write(true).create_new(true).open(path)
}

/// A word with its names filled in.
fn filled(word: &str, values: &[(String, String)]) -> Result<String, String> {
    let value = |name: &str| values.iter().find(|(n, _)| n == name).map(|(_, value)| value.clone());
    braces::fill(word, value).map_err(|e| format!("'{word}': {e}"))
}

fn read_output(path: &Path, delivers: &Delivers, size: (u32, u32)) -> Result<Image, Trouble> {
    // A named pipe would be waited for without end, and a device has no end.
    if std::fs::metadata(path).is_ok_and(|found| !found.is_file()) {
        return Err("what the command delivered is not a plain file".to_string().into());
    }
    let bytes = std::fs::read(path).map_err(|e| match e.kind() {
        ErrorKind::NotFound => Trouble::from("the command ended well but delivered no file".to_string()),
        _ => Trouble::of_the_moment(format!("what the command delivered cannot be read: {e}")),
    })?;
    let raster =
        exr::decode(&bytes).map_err(|e| format!("what the command delivered cannot be read: {e}"))?;
    if (raster.width, raster.height) != size {
        return Err(format!(
            "the command delivered {}x{}, and the film is {}x{}",
            raster.width, raster.height, size.0, size.1
        )
        .into());
    }
    Ok(match delivers {
        Delivers::Mattes(names) => super::source::mattes(&raster, names, size)?,
        Delivers::Picture => picture(&raster)?,
    })
}

/// R, G, B and A of an EXR, in the working space already; A is 1 where there is none.
fn picture(raster: &crate::media::image::Raster) -> Result<Image, String> {
    let mut image = Image::new(raster.width, raster.height, &crate::media::image::RGBA);
    let width = raster.width as usize;
    for (index, name) in crate::media::image::RGBA.iter().enumerate() {
        match raster.planes.iter().find(|(n, _)| n == name) {
            Some((_, samples)) => {
                for y in 0..raster.height {
                    image.write_row(index, y, &samples[y as usize * width..][..width]);
                }
            }
            None if *name == "A" => image.samples_mut(index).fill(half::f16::ONE),
            None => return Err(format!("the command delivered a file without its channel {name}")),
        }
    }
    Ok(image)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_no_plain_file_is_not_waited_for() {
        let folder = tempfile::tempdir().unwrap();
        let (pipe, device) = (folder.path().join("pipe.exr"), folder.path().join("device.exr"));
        let mode = rustix::fs::Mode::RWXU;
        rustix::fs::mknodat(rustix::fs::CWD, &pipe, rustix::fs::FileType::Fifo, mode, 0).unwrap();
        std::os::unix::fs::symlink("/dev/zero", &device).unwrap();
        for path in [&pipe, &device, &folder.path().to_path_buf()] {
            let said = read_output(path, &Delivers::Picture, (4, 4)).unwrap_err().reason;
            assert_eq!(said, "what the command delivered is not a plain file");
        }
        let gone =
            read_output(&folder.path().join("gone.exr"), &Delivers::Picture, (4, 4)).unwrap_err().reason;
        assert_eq!(gone, "the command ended well but delivered no file");
    }

    #[test]
    fn words_are_filled_and_never_split() {
        let values = vec![("shot".to_string(), "a b; rm".to_string())];
        assert_eq!(filled("--x={shot}", &values), Ok("--x=a b; rm".into()));
        assert_eq!(filled("{{{shot}}}", &values), Ok("{a b; rm}".into()));
        assert!(filled("{what}", &values).is_err());
        assert!(filled("{shot", &values).is_err());
        assert!(filled("}", &values).is_err());
    }
}
