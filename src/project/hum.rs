//! `hum`: a first sound of blades from the picture: cues for hums, swings and clashes, in a file that a person edits.
//!
//! Knows which rods shine where the film shows them, how fast they pass, and how cues are written. What they sound like is the
//! voices'. Nothing is listened to.

use std::fmt::Write;

use super::frames::LookError;
use super::sheet::finished;
use super::standing::Standing;
use super::{Declared, Project, ProjectError, chosen, wanted};
use crate::base::mark;
use crate::base::selector::Selection;
use crate::base::speed::Run;
use crate::declare::film::{Film, Work as Declares};
use crate::declare::taken;
use crate::graph::edit::Edit;
use crate::graph::times::Speeds;
use crate::graph::{Node, Work, assembly};
use crate::operators::Prepared;
use crate::operators::sound::voice::motion::{Motion, STEPS};

/// What is wished for.
#[derive(Clone, Debug)]
pub struct Wish {
    /// The bus that plays the cues; the film's only one, or the one called `effects`, when not said.
    pub bus: Option<String>,
    /// The cue file, below the film's folder.
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
        let edit = declared.edit.clone().unwrap_or_else(|| assembly::in_order(film));
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
            let mut stage = Stage { node, prepared, speeds, film, bus: &bus, counts };
            for (use_of, shown) in shown(&edit, node).into_iter().enumerate() {
                let is_picked = |frame: i64| frames.contains(stage.speeds.time(frame as f64).floor() as i64);
                if shown.run.shows().iter().any(is_picked) {
                    stage.write(&shown, use_of, wish.least, &mut text);
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

/// One time that the film shows a shot.
struct Shown {
    /// The film frame that it begins at.
    at: i64,
    run: Run,
}

impl Shown {
    /// The frame of the shot to hang a cue on that is heard so many film frames after the beginning, in hundredths, and what it
    /// lacks of that in film frames, where the cut has a speed of its own.
    fn anchor(&self, into: f64) -> (f64, f64) {
        let shows = self.run.shows();
        let frame = self.run.time(into).clamp(shows.first as f64, shows.last as f64 + 0.99);
        let frame = (frame * 100.0).round() / 100.0;
        let lacks = match self.run.speed.is_own() {
            true => 0.0,
            false => into - self.run.time_of(frame).unwrap_or(into),
        };
        (frame, lacks)
    }

    /// When, in film frames after the beginning, a time of the stage is come to: none when it is not shown.
    fn times(&self, time: f64, speeds: &Speeds<'_>) -> Vec<f64> {
        let [from, to] = [0.0, self.run.frames as f64].map(|into| self.run.time(into));
        let mut found = speeds.shown(time, from.min(to), from.max(to));
        // Between its ends the first one alone belongs to what plays backwards, or stands.
        if to <= from && speeds.time(from) == time {
            found.push(from);
        }
        found.into_iter().filter_map(|shown| self.run.time_of(shown)).collect()
    }
}

/// The times that the film shows a node's shot.
fn shown(edit: &Edit, node: &Node) -> Vec<Shown> {
    let mut shown: Vec<Shown> =
        edit.uses(&node.shot).into_iter().map(|(at, run)| Shown { at, run }).collect();
    // A frame that is shown twice has its cues once: they are heard at each.
    let frames = |shown: &Shown| shown.run.shows();
    shown.sort_by_key(|shown| (frames(shown).first, -frames(shown).last, shown.at));
    shown.dedup_by(|later, before| frames(before).covers(frames(later)));
    shown
}

/// A stage whose rods shine.
struct Stage<'a> {
    node: &'a Node,
    prepared: &'a dyn Prepared,
    /// Between the stage and what the film shows.
    speeds: Speeds<'a>,
    film: &'a Film,
    bus: &'a str,
    counts: [usize; 3],
}

impl Stage<'_> {
    /// How a rod moves as it is seen, from the first film frame of a use to its end.
    fn motion(&self, rod: &str, shown: &Shown) -> Motion {
        let at = |step: i64| {
            self.prepared.stance(rod, self.speeds.time(shown.run.time(step as f64 / STEPS as f64)))
        };
        let (width, height) = self.film.frame_size;
        let steps = shown.run.frames * STEPS as i64;
        Motion::of(self.film.rate.per_second(), height.into(), width.into(), (0..=steps).map(at))
    }

    /// Writes the cues of frames that the film shows.
    fn write(&mut self, shown: &Shown, use_of: usize, least: f64, text: &mut String) {
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
                shown.run.first
            );
            for (n, pass) in motion.passes(least).iter().enumerate() {
                self.counts[1] += 1;
                let seconds = (pass.frames / rate * 1.6).clamp(0.15, 1.2);
                let (at, lacks) = shown.anchor(pass.at);
                // The film's first frame is 1, and nothing is heard before it.
                let head = shown.at as f64 - 1.0 + pass.at;
                let _ = writeln!(
                    text,
                    "  {of}.{rod}.swing-{}: {{ bus: {bus}, at: {shot}@{:.2}, plus: {:.2}, gain: -8, voice: {{ swing: {:.2}, length: {seconds:.2}, pan: [{:.2}, {:.2}], seed: {} }} }}",
                    n + 1,
                    at,
                    (lacks - seconds * rate / 2.0).max(lacks - head),
                    (pass.speed / FULL).min(1.0),
                    pass.pan[0],
                    pass.pan[1],
                    n + 1
                );
            }
        }
        let width = f64::from(self.film.frame_size.0);
        let found = self.prepared.finds();
        let here = found.iter().filter(|found| found.strength > 0.0).flat_map(|found| {
            let times = shown.times(found.time, &self.speeds);
            times.into_iter().map(move |into| (found, into))
        });
        let here: Vec<_> = here.collect();
        for (n, (clash, into)) in here.into_iter().enumerate() {
            self.counts[2] += 1;
            let place = (2.0 * clash.at[0] / width - 1.0).clamp(-1.0, 1.0);
            let (at, lacks) = shown.anchor(into);
            let plus = if lacks.abs() < 0.005 { String::new() } else { format!(" plus: {lacks:.2},") };
            let _ = writeln!(
                text,
                "  {of}.clash-{}: {{ bus: {bus}, at: {shot}@{at:.2},{plus} gain: -4, voice: {{ clash: {:.2}, pan: [{place:.2}, {place:.2}], seed: {} }} }}",
                n + 1,
                clash.strength,
                n + 1
            );
        }
    }
}
