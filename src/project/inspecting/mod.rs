//! `inspect`: checks of picture, sound and safety of what is rendered.
//!
//! Knows where in the film each finding lies, and how they come together. What is wrong with a picture or a sound `inspect`
//! knows. Renders nothing: frames that are not there are findings themselves, with what makes them.

mod aim;
pub mod judged;
pub mod leaders;
mod pictures;
pub mod places;
pub mod sounds;
mod stills;
mod subjects;

use std::cmp::Reverse;
use std::path::PathBuf;
use std::sync::atomic::{AtomicUsize, Ordering};

use self::judged::Numbered;
use self::leaders::Pop;
use self::places::{Places, Shown};
use self::sounds::{Part, Reading};
use self::subjects::{Kind, Subject};
use super::frames::{Frames, Lack, LookError};
use super::{Project, Status};
use crate::base::frames::FrameRange;
use crate::declare::film::Film;
use crate::graph::NodeId;
use crate::inspect::finding::{self, PixelBox, Weight};
use crate::inspect::flash::CAUTION;
use crate::inspect::rules::Rules;
use crate::operators::sound::blocks::Blocks;

/// What is said wherever levels are given.
pub const HEARING: &str = "Levels are those of the files, not of a room: turn monitors and headphones down before you play them. Loud \
                           monitoring harms hearing, and a louder target is no reason to listen louder.";

/// What is wished for.
#[derive(Clone, Debug, Default)]
pub struct Wish {
    /// Stages and frames; none means the film.
    pub selectors: Vec<String>,
    /// The folder for pictures of findings.
    pub pictures: Option<PathBuf>,
}

/// A finding and where in the film it lies.
#[derive(Clone, Debug)]
pub struct Found {
    /// The stage's node.
    pub id: NodeId,
    /// How serious.
    pub weight: Weight,
    /// Its word.
    pub kind: &'static str,
    /// `SHOT/STAGE`.
    pub stage: String,
    /// Frames of the stage; of sound none.
    pub frames: Option<FrameRange>,
    /// The frame of the stage that shows it best.
    pub shows: Option<i64>,
    /// Frames of shots that show it; none where it is about a whole sound.
    pub shots: Vec<Shown>,
    /// Film frames.
    pub film: Option<FrameRange>,
    /// Record timecode of the first and the last frame.
    pub timecode: Option<[String; 2]>,
    /// What a person is told.
    pub says: String,
    /// The number that speaks for it, its limit, and their unit.
    pub amount: Option<(f64, f64, &'static str)>,
    /// Where in the frame.
    pub place: Option<PixelBox>,
    /// The picture that was written of it.
    pub picture: Option<PathBuf>,
}

impl Found {
    /// Where it lies and what it is, for people.
    pub fn place(&self) -> String {
        let mut place = match self.frames {
            Some(frames) => format!("{}@{frames}", self.stage),
            None => self.stage.clone(),
        };
        place.push_str(&format!("  {}", self.kind));
        let is_of_shot =
            self.shots.first().is_some_and(|shown| self.stage.starts_with(&format!("{}/", shown.shot)));
        if !is_of_shot && !self.shots.is_empty() {
            let all = self.shots.iter().take(4).map(|shown| format!("{}@{}", shown.shot, shown.frames));
            let more = if self.shots.len() > 4 { " …" } else { "" };
            place.push_str(&format!("  {}{more}", all.collect::<Vec<_>>().join(", ")));
        }
        if let Some(film) = self.film.filter(|&film| self.frames != Some(film)) {
            place.push_str(&format!("  film {film}"));
        }
        if let Some([first, last]) = &self.timecode {
            let to = if first == last { String::new() } else { format!(" – {last}") };
            place.push_str(&format!("  {first}{to}"));
        }
        place
    }
}

/// Frames of a stage that were looked at.
#[derive(Clone, Debug)]
pub struct Looked {
    /// `SHOT/STAGE`.
    pub stage: String,
    /// How many.
    pub frames: usize,
    /// How many could not be.
    pub lacking: usize,
}

/// Everything that came of it.
#[derive(Debug, Default)]
pub struct Inspected {
    /// What was looked at.
    pub looked: Vec<Looked>,
    /// What was listened to.
    pub heard: Vec<Reading>,
    /// Pops of prints.
    pub pops: Vec<Pop>,
    /// What was found, the most serious first, each kind of seriousness in the order of the film.
    pub found: Vec<Found>,
    /// What is to be known besides.
    pub remarks: Vec<String>,
}

impl Inspected {
    /// How many findings are so serious.
    pub fn count(&self, weight: Weight) -> usize {
        self.found.iter().filter(|found| found.weight == weight).count()
    }

    /// What must be said, whatever came out.
    pub fn cautions(&self) -> Vec<&'static str> {
        let mut cautions = Vec::new();
        cautions.extend((!self.looked.is_empty()).then_some(CAUTION));
        cautions.extend((!self.heard.is_empty()).then_some(HEARING));
        cautions
    }
}

/// Called with how much of how much is done.
pub type Progress<'a> = &'a (dyn Fn(usize, usize) + Sync);

impl Project {
    /// Inspects the film, or the stages that are named.
    ///
    /// # Errors
    /// Nothing that is named can be inspected, or a picture cannot be written.
    pub fn inspect(
        &self,
        status: &Status,
        wish: &Wish,
        progress: Progress<'_>,
    ) -> Result<Inspected, LookError> {
        let declared = &status.declared;
        let Some(film) = &declared.film else { return Err(LookError::Words("there is no film".into())) };
        let places = Places::of(film, declared);
        let (subjects, remarks) = subjects::of(film, &places, status, &wish.selectors)?;
        let total = subjects.iter().map(|subject| subject.frames.len()).sum();
        let (rules, done) = (judged::of_film(film), AtomicUsize::new(0));
        let tick = || progress(done.fetch_add(1, Ordering::Relaxed) + 1, total);
        let mut work = Work {
            project: self,
            status,
            film,
            rules,
            places,
            out: Inspected { remarks, ..Inspected::default() },
            length: None,
        };
        for subject in &subjects {
            match &subject.kind {
                Kind::Mix | Kind::Stem => work.listen(subject, &tick),
                Kind::Film | Kind::Print(_) | Kind::Shot => work.look(subject, &tick),
            }
        }
        let mut out = work.out;
        out.found
            .sort_by_key(|found| (Reverse(found.weight), found.film.map_or(0, |film| film.first), found.id));
        if let Some(folder) = &wish.pictures {
            stills::write(self, status, folder, &mut out.found)?;
        }
        Ok(out)
    }
}

/// An inspection under way.
struct Work<'a> {
    project: &'a Project,
    status: &'a Status,
    film: &'a Film,
    rules: Rules,
    places: Places,
    out: Inspected,
    /// Frames of the film's picture, once it was looked at.
    length: Option<i64>,
}

impl Work<'_> {
    /// Looks at the frames of a stage.
    fn look(&mut self, subject: &Subject, tick: &(dyn Fn() + Sync)) {
        let frames = Frames::new(self.project, self.status, subject.id);
        let shot = &*self.status.declared.graph.nodes[subject.id].shot;
        let numbered = match &subject.kind {
            Kind::Print(numbers) => Numbered::Film(numbers.pictures.first),
            Kind::Film => Numbered::Film(1),
            _ => Numbered::Shot(shot),
        };
        let rules = judged::of_stage(self.film, &self.rules, &self.places, numbered);
        let mut looked = Looked { stage: frames.name(), frames: 0, lacking: 0 };
        for &run in subject.frames.runs() {
            // A leader is still, black and of single frames on purpose: of it is only asked whether it is there.
            let pictures = match &subject.kind {
                Kind::Print(numbers) => numbers.pictures.meet(run),
                _ => run,
            };
            let mut seen = pictures::see(&frames, pictures, &rules, tick);
            let beside = run.iter().filter(|&frame| !pictures.contains(frame));
            seen.lacking.extend(frames.lacking_runs(beside));
            looked.frames += seen.looked_at;
            looked.lacking += seen.lacking.iter().map(|(run, _)| run.len()).sum::<usize>();
            for (frames, lack) in seen.lacking {
                let found = self.missing(subject, Some(frames), lack);
                self.out.found.push(found);
            }
            for finding in &seen.found {
                let found = self.seen(subject, finding);
                self.out.found.push(found);
            }
            for kept in frames.kept(run.iter()).runs() {
                let says = frames.remark(kept.iter()).unwrap_or_default();
                let found =
                    Found { kind: "kept", weight: Weight::Suspect, says, ..self.at(subject, Some(*kept)) };
                self.out.found.push(found);
            }
        }
        if let Kind::Print(numbers) = &subject.kind
            && subject.frames.contains(numbers.all.first)
            && let Some(pop) = leaders::look(&frames, numbers, self.film.rate, self.film.sound.as_ref())
        {
            if let Some(says) = pop.fault(numbers.all.first) {
                let at = self.at(subject, Some(FrameRange::one(pop.frame)));
                self.out.found.push(Found { kind: "sync", weight: Weight::Fault, says, ..at });
            }
            self.out.pops.push(pop);
        }
        if matches!(subject.kind, Kind::Film) {
            self.length = Some(self.status.declared.graph.nodes[subject.id].frames.len() as i64);
        }
        self.out.looked.push(looked);
    }

    /// Listens to a stage.
    fn listen(&mut self, subject: &Subject, tick: &(dyn Fn() + Sync)) {
        let Some(sound) = &self.film.sound else { return };
        let frames = Frames::new(self.project, self.status, subject.id);
        let stage = &*self.status.declared.graph.nodes[subject.id].stage;
        let blocks =
            Blocks { rate: self.film.rate, sampling: sound.rate, frames: self.places.film.len() as i64 };
        let is_mix = matches!(subject.kind, Kind::Mix);
        let run =
            subject.frames.runs().iter().copied().reduce(FrameRange::hull).unwrap_or(FrameRange::none());
        let is_whole = run == blocks.all();
        // Loudness and peak of a part are not those of the whole, which the target is about.
        let target = sound.target.as_ref().filter(|_| is_mix && is_whole);
        let part = Part { target, is_mix, is_dialogue: subjects::is_dialogue(stage) };
        let heard = sounds::listen(&frames, &blocks, run, part, &self.rules, tick);
        for (of, lack) in heard.lacking {
            let film = FrameRange::new(blocks.frames_of(of.first).first, blocks.frames_of(of.last).last);
            let found = Found { frames: Some(of), ..self.missing(subject, Some(film), lack) };
            self.out.found.push(found);
        }
        let length = self.length.filter(|_| is_mix && is_whole && heard.reading.is_some());
        let length = length.and_then(|pictures| sounds::length(heard.length, &blocks, pictures));
        for told in heard.told.into_iter().chain(length) {
            let film = told.samples.map(|samples| {
                let last = (samples.end - 1).max(samples.start);
                let frame = |sample: i64| blocks.time(sample).floor() as i64;
                FrameRange::new(frame(samples.start), frame(last)).meet(self.places.film)
            });
            let found = Found {
                kind: told.kind,
                weight: told.weight,
                says: told.says,
                amount: Some(told.amount),
                frames: None,
                ..self.at(subject, film.filter(|film| !film.is_empty()))
            };
            self.out.found.push(found);
        }
        self.out.heard.extend(heard.reading);
    }

    fn missing(&self, subject: &Subject, frames: Option<FrameRange>, lack: Lack) -> Found {
        let Lack { place, why, way } = lack;
        let says = format!("{place}: {why}; {way}.");
        let amount = frames.map(|frames| (frames.len() as f64, 0.0, "frames"));
        Found { kind: "missing", weight: Weight::Fault, says, amount, ..self.at(subject, frames) }
    }

    fn seen(&self, subject: &Subject, finding: &finding::Finding) -> Found {
        let caution = match finding.kind {
            finding::Kind::Flash { .. } => format!(" {CAUTION}"),
            _ => String::new(),
        };
        Found {
            kind: finding.kind.word(),
            weight: finding.weight,
            shows: Some(finding.shows),
            says: finding.sentence() + &caution,
            amount: Some((finding.amount, finding.limit, finding.unit)),
            place: finding.place,
            ..self.at(subject, Some(finding.frames))
        }
    }

    /// A finding of which only is known where it is. Frames are the stage's own; of sound, the film's.
    fn at(&self, subject: &Subject, frames: Option<FrameRange>) -> Found {
        let node = &self.status.declared.graph.nodes[subject.id];
        let first = match &subject.kind {
            Kind::Print(numbers) => numbers.pictures.first,
            _ => 1,
        };
        let counted = frames.map(|of| FrameRange::new(of.first - first + 1, of.last - first + 1));
        let film = match subject.kind {
            Kind::Shot => frames.and_then(|frames| self.places.first_use(&node.shot, frames)),
            _ => counted.map(|counted| counted.meet(self.places.film)).filter(|film| !film.is_empty()),
        };
        let shots = match (&subject.kind, frames) {
            (Kind::Shot, Some(frames)) => vec![Shown { shot: node.shot.to_string(), frames }],
            _ => film.map_or_else(Vec::new, |film| self.places.shots(film)),
        };
        let timecode = match (&subject.kind, frames) {
            (Kind::Print(numbers), Some(of)) => {
                Some([of.first, of.last].map(|frame| numbers.counting.label(frame).to_string()))
            }
            _ => film
                .and_then(|film| Some([self.places.timecode(film.first)?, self.places.timecode(film.last)?])),
        };
        Found {
            id: subject.id,
            weight: Weight::Hint,
            kind: "",
            stage: node.name(),
            frames,
            shows: None,
            shots,
            film,
            timecode,
            says: String::new(),
            amount: None,
            place: None,
            picture: None,
        }
    }
}
