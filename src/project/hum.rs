//! `hum`: a first sound of blades from the picture: cues for hums, swings and clashes, in a file that a person edits.
//!
//! Knows which rods shine where the film shows them, how fast they pass, and how cues are written. What they sound like is the
//! voices'. Nothing is listened to.

use std::fmt::Write;

use super::frames::LookError;
use super::inspecting::places::Places;
use super::sheet::finished;
use super::standing::Standing;
use super::{Declared, Project, ProjectError, chosen, wanted};
use crate::base::frames::FrameRange;
use crate::base::mark;
use crate::base::selector::Selection;
use crate::declare::film::{Film, Work as Declares};
use crate::declare::taken;
use crate::graph::times::Speeds;
use crate::graph::{Node, Work};
use crate::operators::Prepared;
use crate::operators::sound::voice::motion::{Motion, STEPS};

/// What is wished for.
#[derive(Clone, Debug)]
pub struct Wish {
    /// The bus that plays the cues; the film's only one, or the one called `effects`, when not said.
    pub bus: Option<String>,
    /// The cue file, below the project's folder.
    pub file: String,
    /// Speed from which a pass is a swing, in heights of the frame in a second.
    pub least: f64,
    /// Whether a file that a person changed is made anew.
    pub replace: bool,
}

/// What came of it.
#[derive(Clone, Debug, Default)]
pub struct Written {
    /// The file.
    pub file: String,
    /// Where a person's file is kept, when there was one.
    pub kept: Option<String>,
    /// For each stage of blades: its name, and how many hums, swings and clashes it gave.
    pub stages: Vec<(String, [usize; 3])>,
    /// Whether the declaration names the file among its cue files.
    pub is_named: bool,
    /// The bus.
    pub bus: String,
}

/// Speed at which a swing is as strong as can be, in heights of the frame in a second.
const FULL: f64 = 6.0;

impl Project {
    /// Writes cues for the blades of the shots selected.
    ///
    /// # Errors
    /// The declaration is unsound, there is nothing that shines, or a person's file stands there.
    pub fn hum(
        &self,
        selection: &dyn Fn(&Declared) -> Result<Selection, LookError>,
        wish: &Wish,
    ) -> Result<Written, LookError> {
        let declared = self.read();
        // A cue file that is declared and not there yet is what is to be written.
        let Some(film) =
            declared.film.as_ref().filter(|_| declared.is_sound() || self.lacks_only(&declared, &wish.file))
        else {
            return Err(ProjectError::Unsound(Box::new(declared)).into());
        };
        if let Some(fault) = crate::declare::path_fault(&wish.file) {
            return Err(LookError::Words(format!("{}: {fault}", wish.file)));
        }
        let is_cues = film.sound.iter().flat_map(|sound| &sound.files).any(|at| at.value == wish.file);
        let read = (0..).map_while(|n| declared.sources.path(n)).any(|path| path == wish.file);
        let other = taken(&wish.file, film)
            .or((read && !is_cues).then(|| format!("{}, which the film reads", wish.file)));
        if let Some(other) = other {
            return Err(LookError::Words(format!("cues cannot be written into {other}; name another file")));
        }
        let bus = bus(film, wish.bus.as_deref())?;
        let standing = Standing::of(&self.folder, &wish.file, wish.replace)?;
        let picked = wanted(&declared.graph, &selection(&declared)?);
        let mut text = format!(
            "# Cues of blades, from where their rods are and how they move. {}.\n\
             # Keep, move or drop them, or give one a clip in place of its voice; `endboard hum --replace` makes them anew and\n\
             # keeps what you changed under another name.\ncues:\n",
            mark::PLACE
        );
        let places = Places::of(film, &declared);
        let finished = finished(&declared.graph);
        let mut written = Written { bus: bus.clone(), ..Written::default() };
        for (id, node) in declared.graph.nodes.iter().enumerate() {
            let Work::Operator { prepared, .. } = &node.work else { continue };
            let frames = chosen(picked[id].as_ref(), node.frames);
            if prepared.rods().is_empty() || frames.is_empty() {
                continue;
            }
            let shows = finished.iter().copied().find(|&last| declared.graph.nodes[last].shot == node.shot);
            // Of one that is shown at several speeds at once `check` tells.
            let speeds = shows.and_then(|shows| declared.graph.speeds(shows, id).ok()).unwrap_or_default();
            let (prepared, counts) = (&**prepared, [0; 3]);
            let mut stage = Stage { node, places: &places, prepared, speeds, film, bus: &bus, counts };
            for (use_of, shown) in shown(&declared, film, node).into_iter().enumerate() {
                if shown.iter().any(|frame| frames.contains(stage.speeds.time(frame as f64).floor() as i64)) {
                    stage.write(shown, use_of, wish.least, &mut text);
                }
            }
            written.stages.push((node.name(), stage.counts));
        }
        if written.stages.is_empty() {
            return Err(LookError::Nothing("no stage of these shots has rods that shine".into()));
        }
        if written.stages.iter().all(|(_, counts)| *counts == [0; 3]) {
            return Err(LookError::Nothing(
                "no rod is lit where the film shows these shots, so that nothing is written".into(),
            ));
        }
        // Whoever asks for some shots keeps the cues of all others.
        text.push_str(&others(standing.text()?, &written.stages));
        written.kept = standing.put(&mark::sealed(&text))?;
        written.file = standing.file().to_string();
        written.is_named =
            film.sound.iter().flat_map(|sound| &sound.files).any(|at| at.value == written.file);
        Ok(written)
    }

    /// Whether all that is wrong with a declaration is that a cue file is not there.
    fn lacks_only(&self, declared: &Declared, file: &str) -> bool {
        let of_file = "cue file ";
        let errors = declared.problems.iter().filter(|p| p.severity == crate::base::problem::Severity::Error);
        !self.folder.join(file).exists()
            && errors.clone().all(|p| p.message.contains(of_file) && p.message.contains(" cannot be read: "))
    }
}

/// The lines of cues in a file that are of none of these stages' shots.
fn others(before: &str, stages: &[(String, [usize; 3])]) -> String {
    let shots: Vec<&str> = stages.iter().filter_map(|(stage, _)| stage.split('/').next()).collect();
    let is_of = |line: &&str| {
        let name = line.trim_start();
        line.starts_with("  ") && !shots.iter().any(|shot| name.starts_with(&format!("{shot}.")))
    };
    before.lines().filter(|line| line.contains(": {")).filter(is_of).map(|line| format!("{line}\n")).collect()
}

/// The bus for the cues.
fn bus(film: &Film, wish: Option<&str>) -> Result<String, LookError> {
    let Some(sound) = &film.sound else {
        let words =
            "the film declares no sound; write `sound: { buses: { effects: {} } }` into endboard.yaml first";
        return Err(LookError::Words(words.into()));
    };
    let names: Vec<&str> = sound.buses.keys().map(String::as_str).collect();
    match (wish, &names[..]) {
        (Some(bus), _) if names.contains(&bus) => Ok(bus.into()),
        (None, [only]) => Ok((*only).into()),
        (None, _) if names.contains(&"effects") => Ok("effects".into()),
        (Some(bus), _) => {
            Err(LookError::Words(format!("there is no bus '{bus}'; there are: {}", names.join(", "))))
        }
        (None, _) => {
            Err(LookError::Words(format!("say which bus plays them: --bus one of {}", names.join(", "))))
        }
    }
}

/// The frames of a node's shot that the film shows, once for each time.
fn shown(declared: &Declared, film: &Film, node: &Node) -> Vec<FrameRange> {
    match &declared.edit {
        Some(edit) => {
            let of_shot =
                edit.events.iter().filter(|event| event.shot.value.eq_ignore_ascii_case(&node.shot));
            let mut shown: Vec<FrameRange> = of_shot.map(|event| event.run.shows()).collect();
            // A frame that is shown twice has its cues once: they are heard at each.
            shown.sort_by_key(|range| (range.first, -range.last));
            shown.dedup_by(|later, before| before.covers(*later));
            shown
        }
        None => film.shots.get(&*node.shot).map(|shot| shot.frames.value).into_iter().collect(),
    }
}

/// A stage whose rods shine.
struct Stage<'a> {
    node: &'a Node,
    places: &'a Places,
    prepared: &'a dyn Prepared,
    /// Between the stage and what the film shows.
    speeds: Speeds<'a>,
    film: &'a Film,
    bus: &'a str,
    counts: [usize; 3],
}

impl Stage<'_> {
    /// Where a rod is seen at a time of what is shown.
    fn stance(&self, rod: &str, time: f64) -> Option<([f64; 4], f64)> {
        self.prepared.stance(rod, self.speeds.time(time))
    }

    fn motion(&self, rod: &str, shown: FrameRange) -> Motion {
        let steps = (shown.last + 1 - shown.first) * STEPS as i64;
        let at = |step: i64| self.stance(rod, shown.first as f64 + step as f64 / STEPS as f64);
        let (width, height) = self.film.frame_size;
        Motion::of(self.film.rate.per_second(), height.into(), width.into(), (0..=steps).map(at))
    }

    /// Writes the cues of frames that the film shows.
    fn write(&mut self, shown: FrameRange, use_of: usize, least: f64, text: &mut String) {
        let (shot, stage, bus) = (&self.node.shot, &self.node.stage, self.bus);
        let stages = self.film.shots.get(&**shot).map_or(0, |shot| {
            shot.stages
                .values()
                .filter(|stage| matches!(&stage.work, Declares::Operator(at) if at.value == "blades"))
                .count()
        });
        // A shot may have several stages of blades, and be shown several times.
        let mut of = shot.to_string();
        if stages > 1 {
            let _ = write!(of, ".{stage}");
        }
        if use_of > 0 {
            let _ = write!(of, ".{}", use_of + 1);
        }
        // The film's first frame is 1, and nothing is heard before it.
        let head = self.places.uses(shot, FrameRange::one(shown.first)).iter().map(|run| run.first).min();
        let into = |time: f64| head.unwrap_or(1) as f64 - 1.0 + time - shown.first as f64;
        let within = |time: f64| time.clamp(shown.first as f64, shown.last as f64 + 0.99);
        let rate = self.film.rate.per_second();
        for rod in self.prepared.rods() {
            let motion = self.motion(&rod, shown);
            if motion.moments.iter().all(|moment| moment.lit <= 0.0) {
                continue;
            }
            self.counts[0] += 1;
            let _ = writeln!(
                text,
                "  {of}.{rod}.hum: {{ bus: {bus}, at: {shot}@{}, gain: -10, voice: {{ hum: {shot}/{stage}.{rod} }} }}",
                shown.first
            );
            for (n, pass) in motion.passes(least).iter().enumerate() {
                self.counts[1] += 1;
                let seconds = (pass.frames / rate * 1.6).clamp(0.15, 1.2);
                let at = within(shown.first as f64 + pass.at);
                let _ = writeln!(
                    text,
                    "  {of}.{rod}.swing-{}: {{ bus: {bus}, at: {shot}@{:.2}, plus: {:.2}, gain: -8, voice: {{ swing: {:.2}, length: {seconds:.2}, pan: [{:.2}, {:.2}], seed: {} }} }}",
                    n + 1,
                    at,
                    (-seconds * rate / 2.0).max(-into(at)),
                    (pass.speed / FULL).min(1.0),
                    pass.pan[0],
                    pass.pan[1],
                    n + 1
                );
            }
        }
        let width = f64::from(self.film.frame_size.0);
        let found = self.prepared.finds();
        let (first, end) = (shown.first as f64, shown.last as f64 + 1.0);
        let here = found.iter().filter(|found| found.strength > 0.0).flat_map(|found| {
            let times = self.speeds.shown(found.time, first, end);
            times.into_iter().map(move |time| (found, time))
        });
        let here: Vec<_> = here.collect();
        for (n, (clash, time)) in here.into_iter().enumerate() {
            self.counts[2] += 1;
            let place = (2.0 * clash.at[0] / width - 1.0).clamp(-1.0, 1.0);
            let _ = writeln!(
                text,
                "  {of}.clash-{}: {{ bus: {bus}, at: {shot}@{:.2}, gain: -4, voice: {{ clash: {:.2}, pan: [{place:.2}, {place:.2}], seed: {} }} }}",
                n + 1,
                within(time),
                clash.strength,
                n + 1
            );
        }
    }
}
