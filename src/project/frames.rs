//! A stage's frames as they are there now: stored renders, or a plate's own files.
//!
//! Knows which frames can be looked at, by one rule for all commands that look and render nothing:
//!
//! - a fresh render is taken;
//! - one that goes on being used although it is stale is taken too, with a remark: a person holds it, or made it and is to
//!   look at it again;
//! - of a plate that leaves no renders, files are read that are still the ones that were looked at, or, where no stage uses
//!   them, as they are;
//! - all else is lacking, and it is said what makes it: the rebuild of just these frames, or the file that is missing.
//!
//! How many frames a command needs is its own to say. Renders nothing: what is not made yet is for `rebuild`.

use std::collections::BTreeMap;
use std::io::ErrorKind;
use std::sync::{Arc, Mutex};

pub use super::lack::{Lack, Lacking};
use super::{Declared, Project, ProjectError, Status, plates};
use crate::base::digest::Digest;
use crate::base::frames::{FrameRange, FrameSet};
use crate::base::made::NONE;
use crate::base::state::State;
use crate::declare::film::Media;
use crate::graph::{Edge, Node, NodeId};
use crate::media::image::Image;
use crate::media::render::Render;
use crate::media::sound::Sound;
use crate::observe::{self, faults};
use crate::operators::image::matte;
use crate::operators::{Connected, Made, WorkingSpace};
use crate::stale::{Reason, SourceState};
use crate::store::StoreError;
use crate::store::objects::Objects;

/// Why a command that looks at frames came to nothing.
#[derive(Debug, thiserror::Error)]
pub enum LookError {
    /// The film.
    #[error(transparent)]
    Project(#[from] ProjectError),
    /// Frames that are not there to be looked at.
    #[error(transparent)]
    Lacking(#[from] Lacking),
    /// The frames are there and tell nothing of what was asked.
    #[error("{0}")]
    Nothing(String),
    /// What was asked cannot be meant, or a file stands in its way.
    #[error("{0}")]
    Words(String),
}

/// How a frame stands.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Stand {
    /// It can be looked at.
    There,
    /// It can be, and is not what the declaration asks for.
    Kept,
    /// It cannot be.
    Lacks(Want),
}

/// What is the matter with a frame that cannot be looked at.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Want {
    /// The stage has no such frame.
    Frame,
    /// Its renders are not kept.
    Keeping,
    /// Its render is to be had again.
    Render(State),
    /// It failed.
    Success,
    /// Something stands in its way.
    Inputs,
    /// A person has it.
    Return,
    /// Its file is not there.
    File,
    /// This stands in its file's place.
    Instead(&'static str),
    /// Its file is no picture of the film.
    Fitness,
}

/// The frames of one stage.
pub struct Frames<'a> {
    project: &'a Project,
    status: &'a Status,
    id: NodeId,
    objects: Objects,
    /// What is to be known of files that were read, by frame.
    found: Mutex<BTreeMap<i64, String>>,
}

impl<'a> Frames<'a> {
    /// Those of a stage of the film as it was looked at.
    pub fn new(project: &'a Project, status: &'a Status, id: NodeId) -> Self {
        Self { project, status, id, objects: Objects::of(&status.store), found: Mutex::default() }
    }

    fn node(&self) -> &'a Node {
        &self.status.declared.graph.nodes[self.id]
    }

    /// `SHOT/STAGE`.
    pub fn name(&self) -> String {
        self.node().name()
    }

    /// What the numbers of pixels mean.
    pub fn space(&self) -> WorkingSpace {
        self.status.declared.graph.space
    }

    /// The frames that there can be.
    pub fn range(&self) -> FrameRange {
        range(&self.status.declared, self.id)
    }

    /// How a frame stands.
    fn stand(&self, frame: i64) -> Stand {
        let node = self.node();
        if !self.range().contains(frame) {
            return Stand::Lacks(Want::Frame);
        }
        if node.is_passed_on() {
            return self.plate(frame);
        }
        if !node.keep {
            return Stand::Lacks(Want::Keeping);
        }
        let Some(cell) = self.status.report.strips[self.id].get(frame) else {
            return Stand::Lacks(Want::Frame);
        };
        Stand::Lacks(match (cell.state, cell.reason) {
            (State::Fresh, _) if cell.pixels != NONE => return Stand::There,
            _ if cell.is_in_use() && cell.pixels != NONE => return Stand::Kept,
            (_, Reason::FileMissing) => self.gone(frame),
            (_, Reason::FileUnfit) => Want::Fitness,
            (State::Failed, _) => Want::Success,
            (State::Blocked, _) => Want::Inputs,
            (State::Out, _) => Want::Return,
            (state, _) => Want::Render(state),
        })
    }

    /// How a plate's frame stands that is read from its file.
    fn plate(&self, frame: i64) -> Stand {
        let Some(source) = self.node().source() else { return Stand::Lacks(Want::Frame) };
        let of = &self.status.declared.graph.sources[source];
        match self.status.seen[source].get(frame).map(|sight| sight.state) {
            Some(SourceState::Known(_)) => Stand::There,
            Some(SourceState::Missing) => Stand::Lacks(self.gone(frame)),
            Some(SourceState::Unfit) => Stand::Lacks(Want::Fitness),
            // No stage uses it, so that nobody has looked at it yet.
            None if observe::path(&self.project.folder, of, frame).is_file() => Stand::There,
            None => Stand::Lacks(self.gone(frame)),
        }
    }

    /// What is the matter with a file that is not there.
    fn gone(&self, frame: i64) -> Want {
        let source = self.node().source().map(|source| &self.status.declared.graph.sources[source]);
        let stands = source.and_then(|source| faults::instead(&self.project.folder, source, frame));
        stands.map_or(Want::File, Want::Instead)
    }

    /// The frames among these that cannot be looked at.
    pub fn lacking(&self, frames: impl IntoIterator<Item = i64>) -> Vec<Lack> {
        let mut all: Vec<(Want, FrameSet)> = Vec::new();
        for frame in frames {
            let Stand::Lacks(want) = self.stand(frame) else { continue };
            match all.iter_mut().find(|(other, _)| *other == want) {
                Some((_, frames)) => frames.insert(frame),
                None => all.push((want, [frame].into_iter().collect())),
            }
        }
        all.into_iter().map(|(want, frames)| self.told(want, &frames)).collect()
    }

    /// The same, by runs of neighbours for which one thing is the matter.
    pub fn lacking_runs(&self, frames: impl IntoIterator<Item = i64>) -> Vec<(FrameRange, Lack)> {
        let mut all: Vec<(Want, FrameRange)> = Vec::new();
        for frame in frames {
            let Stand::Lacks(want) = self.stand(frame) else { continue };
            match all.last_mut() {
                Some((other, run)) if *other == want && run.last + 1 == frame => run.last = frame,
                _ => all.push((want, FrameRange::one(frame))),
            }
        }
        all.into_iter().map(|(want, run)| (run, self.told(want, &run.iter().collect()))).collect()
    }

    /// Those among these that are looked at although they are stale.
    pub fn kept(&self, frames: impl IntoIterator<Item = i64>) -> FrameSet {
        frames.into_iter().filter(|&n| self.stand(n) == Stand::Kept).collect()
    }

    fn told(&self, want: Want, frames: &FrameSet) -> Lack {
        let place = format!("{}@{frames}", self.name());
        let (it, is) = if frames.len() == 1 { ("it", "is") } else { ("them", "are") };
        let files = || {
            let graph = &self.status.declared.graph;
            let source = self.node().source().map(|source| &graph.sources[source]);
            let first = frames.runs().first().map_or(0, |run| run.first);
            let first = source.map_or(String::new(), |source| source.file(first));
            match frames.len() {
                1 => first,
                2 => format!("{first} and 1 more file"),
                n => format!("{first} and {} more files", n - 1),
            }
        };
        let (why, way) = match want {
            Want::Frame => ("there is no such frame".into(), format!("the stage has {}", self.range())),
            Want::Keeping => {
                ("its renders are not kept".into(), "take its `keep: false` away, and rebuild it".into())
            }
            Want::Render(state) => (state.word().into(), format!("`endboard rebuild {place}` makes {it}")),
            Want::Success => ("failed".into(), format!("`endboard status {place}` says why")),
            Want::Return => ("out".into(), "`endboard outstanding` says who has it".into()),
            Want::Inputs => ("blocked".into(), format!("`endboard status {place}` says by what")),
            Want::File => (format!("{} {is} missing", files()), format!("put {it} there")),
            Want::Instead(what) => {
                let (file, belongs) = match frames.len() {
                    1 => ("a picture file", "belongs"),
                    _ => ("picture files", "belong"),
                };
                (format!("{what} stands in the place of {}", files()), format!("{file} {belongs} there"))
            }
            Want::Fitness => (format!("{} cannot be used", files()), "`endboard check` says why".into()),
        };
        Lack { place, why, way }
    }

    /// Whether a frame can be looked at.
    pub fn has(&self, frame: i64) -> bool {
        !matches!(self.stand(frame), Stand::Lacks(..))
    }

    /// What is to be known of frames that are looked at although they are stale.
    pub fn remark(&self, frames: impl IntoIterator<Item = i64>) -> Option<String> {
        let kept = self.kept(frames);
        (!kept.is_empty()).then(|| {
            format!(
                "{}@{kept}: stale, and looked at as kept: what is held, or to be redone by hand",
                self.name()
            )
        })
    }

    /// What was found in the files of the frames that were read so far, told at the first such frame.
    pub fn found(&self) -> Option<String> {
        let found = self.found.lock().expect("nothing panics with it");
        let (first, text) = found.first_key_value()?;
        let others: FrameSet = found.keys().skip(1).copied().collect();
        let like = if others.is_empty() { String::new() } else { format!(" (the like on {others})") };
        Some(format!("{}@{first}: {text}{like}", self.name()))
    }

    /// A frame's pixels.
    ///
    /// # Errors
    /// It is not there, or not sound.
    pub fn image(&self, frame: i64) -> Result<Image, Lacking> {
        if self.node().is_heard() {
            let place = crate::stale::place(self.node(), frame);
            let (why, way) =
                ("it is sound, and no picture".into(), "`endboard inspect` measures sound".into());
            return Err(Lacking(vec![Lack { place, why, way }]));
        }
        if let Some(lack) = self.lacking([frame]).pop() {
            return Err(Lacking(vec![lack]));
        }
        let place = crate::stale::place(self.node(), frame);
        let lost = |why: String, way: String| Lacking(vec![Lack { place: place.clone(), why, way }]);
        if self.node().is_passed_on() {
            let (graph, seen) = (&self.status.declared.graph, &self.status.seen);
            let read = plates::read(&self.project.folder, graph, seen, self.id, frame);
            let (file, Made { image, remark }) =
                read.map_err(|why| lost(why, "look at that file, and start again".into()))?;
            if let Some(text) = remark {
                let mut found = self.found.lock().expect("nothing panics with it");
                found.insert(frame, format!("{file} {text}"));
            }
            let ((w, h), size) = (graph.frame_size, (image.width(), image.height()));
            if size != graph.frame_size {
                let why = format!("it has {}x{} pixels, and the film {w}x{h}", size.0, size.1);
                return Err(lost(why, "give it the film's size".into()));
            }
            return Ok(image);
        }
        let pixels = self.pixels(frame);
        let found = self.objects.picture(&pixels).map(Arc::unwrap_or_clone);
        found.map_err(|why| self.lost(frame, why))
    }

    /// A block's samples.
    ///
    /// # Errors
    /// It is not there, or not sound.
    pub fn sound(&self, block: i64) -> Result<Arc<Sound>, Lacking> {
        if let Some(lack) = self.lacking([block]).pop() {
            return Err(Lacking(vec![lack]));
        }
        match self.objects.get(&self.pixels(block)) {
            Ok(Render::Sound(sound)) => Ok(sound),
            Ok(Render::Picture(_)) => {
                let path = self.objects.path(&self.pixels(block));
                let reason = "it is a picture, and no sound".into();
                Err(self.lost(block, StoreError::Damaged { path, reason }))
            }
            Err(why) => Err(self.lost(block, why)),
        }
    }

    /// The digest of what a frame shows.
    fn pixels(&self, frame: i64) -> Digest {
        self.status.report.strips[self.id].get(frame).map_or(NONE, |cell| cell.pixels)
    }

    /// What is told of a render that the store should have.
    fn lost(&self, frame: i64, why: StoreError) -> Lacking {
        let place = crate::stale::place(self.node(), frame);
        let held = self.status.report.strips[self.id].get(frame).is_some_and(|cell| cell.held);
        // Where the store keeps a render is no matter of whoever looks at it.
        let why = match why {
            StoreError::Damaged { reason, .. } => format!("its render is damaged: {reason}"),
            StoreError::File { source, .. } if source.kind() != ErrorKind::NotFound => {
                format!("its render cannot be read: {source}")
            }
            _ => "its render is lost".into(),
        };
        let first = match held {
            true => format!("it is held: let it go with `endboard rebuild --let-go {place}`, then "),
            false => String::new(),
        };
        let way = format!("{first}`endboard rebuild {place}` makes it again");
        Lacking(vec![Lack { place, why, way }])
    }

    /// A frame's matte as the stage gives it to an input under the name `name`: the channel that was picked, or a
    /// picture's alpha, as operators see it.
    ///
    /// # Errors
    /// It is not there, or has no such channel.
    pub fn matte(&self, edge: &Edge, frame: i64) -> Result<Vec<f32>, Lacking> {
        let channels = match &edge.channel {
            Some(one) => vec![Arc::clone(one)],
            None => self.node().channels.clone(),
        };
        let connected = Connected { port: 0, name: String::new(), channels, frames: self.node().frames };
        let image = self.image(frame)?;
        matte::plane(&connected, &image, self.status.declared.graph.frame_size).map_err(|why| {
            let place = crate::stale::place(self.node(), frame);
            Lacking(vec![Lack { place, why: why.to_string(), way: "name a channel, STAGE.CHANNEL".into() }])
        })
    }

    /// One channel of a frame, as a picture of it alone. It goes by its name, as a stored picture has its planes in another
    /// order than the stage lists them.
    ///
    /// # Errors
    /// It is not there; what is kept although it is stale may be without it.
    pub fn channel(&self, frame: i64, name: &str) -> Result<Image, Lacking> {
        self.image(frame)?.only(name).ok_or_else(|| Lacking::channel(self.node(), frame, name))
    }

    /// The same as a matte, held between 0 and 1.
    ///
    /// # Errors
    /// As of [`Frames::channel`].
    pub fn held_channel(&self, frame: i64, name: &str) -> Result<Vec<f32>, Lacking> {
        let mut plane = self.channel(frame, name)?.plane_f32(0);
        matte::hold(&mut plane);
        Ok(plane)
    }
}

/// The frames that there can be of a stage: of a plate that no stage uses, those of its shot with handles, as far as the plate
/// goes.
pub fn range(declared: &Declared, id: NodeId) -> FrameRange {
    let node = &declared.graph.nodes[id];
    let unused = || {
        let film = declared.film.as_ref()?;
        let shot = film.shots.get(&*node.shot)?;
        let plate = film.plates.get(&shot.plates.get(&*node.stage)?.value)?;
        let Media::Files(_) = plate.media else { return None };
        Some(shot.frames.value.widen(shot.handles).meet(plate.frames.as_ref()?.value))
    };
    if node.frames.is_empty() && node.is_passed_on() { unused().unwrap_or(node.frames) } else { node.frames }
}
