//! Programs of the user's: their words, their inputs as files, their limits, their outputs checked.
//!
//! A program runs as a process group of its own and is ended with all its children, whether it finished,
//! took too long or the run was stopped. Words were split before anything is filled in, so that a shot's
//! name can never become a word of its own.

use std::path::{Path, PathBuf};
use std::sync::atomic::Ordering;
use std::time::Duration;

use super::Engine;
use super::make::{Cost, Trouble};
use crate::base::braces;
use crate::base::frames::FrameRange;
use crate::declare::film::{Delivers, Each};
use crate::graph::{CommandWork, NodeId};
use crate::media::exr::{self, Compression};
use crate::media::image::Image;

impl Engine<'_> {
    /// Calls a command for `frames` and gives the images that it delivered, in order.
    pub(super) fn call(
        &self,
        id: NodeId,
        work: &CommandWork,
        frames: FrameRange,
    ) -> Result<(Vec<Image>, Cost), Trouble> {
        let mut tried = 0;
        loop {
            match self.call_once(id, work, frames) {
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
    ) -> Result<(Vec<Image>, Cost), Trouble> {
        self.reads.hold(&self.project, work)?;
        let node = &self.graph.nodes[id];
        let file = |e: std::io::Error| Trouble::from(format!("the command's folder could not be made: {e}"));
        let folder =
            tempfile::Builder::new().prefix("call-").tempdir_in(self.store.path("work")).map_err(file)?;
        let mut values = self.lay_out(id, frames, folder.path(), work)?;
        values.extend(work.told(frames));
        let words: Vec<String> = work
            .command
            .words
            .value
            .iter()
            .map(|word| filled(word, &values))
            .collect::<Result<_, String>>()?;
        let log = self.store.path("logs").join(format!("{}.{}.{frames}.log", node.shot, node.stage));
        let with_log = |reason: String| Trouble { reason, log: Some(log.clone()) };
        let cost = self
            .runtime
            .block_on(supervise(&words, &self.project, &log, work.command.time_limit, &|| {
                self.cancel.load(Ordering::Relaxed)
            }))
            .map_err(&with_log)?;
        self.reads.hold(&self.project, work).map_err(&with_log)?;
        let mut images = Vec::with_capacity(frames.len());
        for frame in frames.iter() {
            let path = folder.path().join(format!("out.{frame:04}.exr"));
            let image = read_output(&path, &work.command.delivers, self.graph.frame_size)
                .map_err(|reason| with_log(format!("frame {frame}: {reason}")))?;
            images.push(image);
        }
        Ok((images, cost))
    }

    /// Puts the inputs into the call's folder as EXR files and names them.
    fn lay_out(
        &self,
        id: NodeId,
        frames: FrameRange,
        folder: &Path,
        work: &CommandWork,
    ) -> Result<Vec<(String, String)>, Trouble> {
        let node = &self.graph.nodes[id];
        let file = |e: std::io::Error| Trouble::from(format!("inputs could not be laid out: {e}"));
        let single = work.command.each == Each::Frame;
        let mut written = std::collections::HashSet::new();
        for frame in frames.iter() {
            for (index, list) in self.inputs(id, frame)?.into_iter().enumerate() {
                for (n, image) in list {
                    let path = folder.join(format!("{}.{n:04}.exr", node.inputs[index].port));
                    if written.insert(path.clone()) {
                        let bytes = exr::encode(&image, Compression::None, &[]).map_err(|e| e.to_string())?;
                        std::fs::write(&path, bytes).map_err(file)?;
                    }
                }
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
}

/// A word with its names filled in.
fn filled(word: &str, values: &[(String, String)]) -> Result<String, String> {
    let value = |name: &str| values.iter().find(|(n, _)| n == name).map(|(_, value)| value.clone());
    braces::fill(word, value).map_err(|e| format!("'{word}': {e}"))
}

fn read_output(path: &Path, delivers: &Delivers, size: (u32, u32)) -> Result<Image, String> {
    let bytes = std::fs::read(path).map_err(|e| match e.kind() {
        std::io::ErrorKind::NotFound => "the command ended well but delivered no file".to_string(),
        _ => format!("what the command delivered cannot be read: {e}"),
    })?;
    let raster =
        exr::decode(&bytes).map_err(|e| format!("what the command delivered cannot be read: {e}"))?;
    if (raster.width, raster.height) != size {
        return Err(format!(
            "the command delivered {}x{}, and the film is {}x{}",
            raster.width, raster.height, size.0, size.1
        ));
    }
    match delivers {
        Delivers::Mattes(names) => super::source::mattes(&raster, names, size),
        Delivers::Picture => picture(&raster),
    }
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

/// Runs a program to its end, its output into `log`.
async fn supervise(
    words: &[String],
    project: &Path,
    log: &PathBuf,
    limit: Option<f64>,
    ending: &dyn Fn() -> bool,
) -> Result<Cost, String> {
    let (program, arguments) = words.split_first().ok_or("the command has no words")?;
    let file = std::fs::File::create(log).map_err(|e| format!("{}: {e}", log.display()))?;
    let both = file.try_clone().map_err(|e| e.to_string())?;
    let mut child = tokio::process::Command::new(program)
        .args(arguments)
        .current_dir(project)
        .stdin(std::process::Stdio::null())
        .stdout(file)
        .stderr(both)
        .process_group(0)
        .kill_on_drop(true)
        .spawn()
        .map_err(|e| format!("{program} could not be started: {e}"))?;
    let group = Group(child.id());
    let limit = limit.map_or(Duration::from_secs(u64::from(u32::MAX)), Duration::from_secs_f64);
    let deadline = tokio::time::Instant::now() + limit;
    let status = loop {
        tokio::select! {
            status = child.wait() => break status.map_err(|e| e.to_string())?,
            () = tokio::time::sleep_until(deadline) => {
                return Err(format!("{program} took longer than its time limit of {} s and was ended", limit.as_secs_f64()));
            }
            () = tokio::time::sleep(Duration::from_millis(50)) => if ending() {
                return Err("the run was stopped".into());
            },
        }
    };
    drop(group);
    if status.success() {
        return Ok(Cost::default());
    }
    use std::os::unix::process::ExitStatusExt;
    Err(match (status.code(), status.signal()) {
        (Some(code), _) => format!("{program} ended with exit code {code}"),
        (None, Some(signal)) => format!("{program} was ended by signal {signal}"),
        (None, None) => format!("{program} ended badly"),
    })
}

/// A process group, ended when dropped: a program's children do not outlive its call.
struct Group(Option<u32>);

impl Drop for Group {
    fn drop(&mut self) {
        if let Some(pid) = self.0.and_then(|id| rustix::process::Pid::from_raw(id as i32)) {
            let _ = rustix::process::kill_process_group(pid, rustix::process::Signal::KILL);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

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
