//! Declared sound → its nodes: clips, buses, stems, their sum, what it measures, the level and the mix.
//!
//! Knows which cues a bus plays and what feeds what. Frames of these nodes are blocks; a clip is whole in one.

mod places;
mod voices;

use std::collections::{BTreeMap, HashMap};

use indexmap::IndexMap;

use self::places::Places;
use super::build::{Builder, ingredient};
use super::edit::Edit;
use super::stages::written;
use super::{BUS, CLIPS, Edge, FILM, Ingredient, LEVEL, METER, MIX, NodeId, STEM, SUM, Work};
use crate::base::digest::KeyHasher;
use crate::base::frames::FrameRange;
use crate::base::problem::{Problem, Problems, Span};
use crate::declare::film::{At, Media};
use crate::declare::sound::{Anchor, Bus, Cue, Hears, Settings, Sound};
use crate::media::sound::{CLIP, Outline, SoundFormat};
use crate::operators::sound::PreparedSound;
use crate::operators::sound::blocks::Blocks;
use crate::operators::sound::bus::{self, Others, Placed};
use crate::operators::sound::cue::{self, Plays};
use crate::operators::sound::master::{self, Level, Meter, Mix, Target, Together};
use crate::operators::{self, Setup, Spec};

/// Samples that coders put before a sound, about: 1105 of Layer III's (528 + 1 of decoding, 576 of coding), 1024 and more of
/// AAC's (ISO/IEC 14496-3).
const CODER: f64 = 1100.0;

/// A cue as it is heard, and what `why` compares of it.
struct Ready {
    /// Where it begins, once for each time that it is heard.
    times: Vec<f64>,
    /// How it is heard each time; the last one at all further times too.
    cues: Vec<cue::Cue>,
    /// Its clip.
    clip: Option<NodeId>,
    says: Ingredient,
}

/// Clips by path.
type Clips = HashMap<String, (NodeId, Outline)>;

impl Builder<'_> {
    /// Adds the nodes of the film's sound.
    pub(super) fn sound(&mut self, sound: &Sound, edit: &Edit) {
        let blocks = Blocks { rate: self.film.rate, sampling: sound.rate, frames: edit.frames };
        if edit.frames < 1 {
            return;
        }
        self.graph.blocks = Some(blocks);
        let mut clips = Clips::new();
        for cue in sound.cues.values() {
            if let Hears::Clip(path) = &cue.hears {
                self.clip(path, &blocks, path.span, &mut clips);
            }
        }
        for path in sound.buses.values().filter_map(|bus| bus.room.as_ref()) {
            self.clip(path, &blocks, path.span, &mut clips);
        }
        let cues = self.cues(sound, edit, &blocks, &clips);
        let mut buses: HashMap<&str, NodeId> = HashMap::new();
        for name in in_order(&sound.buses) {
            if let Some(node) = self.bus(name, sound, &blocks, &cues, &clips, &buses) {
                buses.insert(name, node);
            }
        }
        if buses.len() < sound.buses.len() {
            return;
        }
        let mut parts: Vec<(String, NodeId)> = Vec::new();
        for (name, stem) in &sound.stems {
            let from: Vec<(String, NodeId)> =
                stem.buses.iter().map(|bus| (bus.value.clone(), buses[bus.value.as_str()])).collect();
            let node = self.together(&format!("{STEM}{name}"), &from, &blocks, sound, stem.span);
            parts.push((name.clone(), node));
        }
        if sound.stems.is_empty() {
            parts = sound.buses.keys().map(|bus| (bus.clone(), buses[bus.as_str()])).collect();
        }
        self.mixed(sound, &parts, &blocks);
    }

    /// From the parts to the mix.
    fn mixed(&mut self, sound: &Sound, parts: &[(String, NodeId)], blocks: &Blocks) {
        let sum = self.together(SUM, parts, blocks, sound, sound.span);
        self.graph.nodes[sum].keep = false;
        let target = match &sound.target {
            None => None,
            Some(settings) => {
                let none = BTreeMap::new();
                let setup = self.setup_of(settings, blocks, &none);
                match Target::read(&setup) {
                    Ok(target) => Some((target, settings)),
                    Err(problems) => return self.problems.extend(problems),
                }
            }
        };
        let (channels, blocks) = (sound.layout.channels(), *blocks);
        let mut edges = vec![(SUM.to_string(), sum)];
        if let Some((target, settings)) = target {
            let meter: Box<dyn PreparedSound> = Box::new(Meter { blocks, channels });
            let node = self.heard(METER, blocks.all(), (&master::PLAIN, meter), &edges, sound.span);
            let level: Box<dyn PreparedSound> = Box::new(Level { blocks, target });
            let from = [(METER.to_string(), node)];
            let node = self.heard(LEVEL, FrameRange::one(CLIP), (&master::SPEC, level), &from, settings.span);
            self.graph.nodes[node].ingredients.extend(written(&settings.map));
            edges.push((LEVEL.to_string(), node));
        }
        let mix: Box<dyn PreparedSound> =
            Box::new(Mix { blocks, channels, target: target.map(|(target, _)| target) });
        let node = self.heard(MIX, blocks.all(), (&master::SPEC, mix), &edges, sound.span);
        if let Some(settings) = &sound.target {
            self.graph.nodes[node].ingredients.extend(written(&settings.map));
        }
    }

    /// A clip's node and what its file holds. Of one that cannot be read nothing is known, so that it counts as long as the
    /// film: whatever would play it is blocked, and `check` tells of the file.
    fn clip(&mut self, at: &At<String>, blocks: &Blocks, span: Span, clips: &mut Clips) {
        if clips.contains_key(&at.value) {
            return;
        }
        let unknown = Outline {
            format: SoundFormat::Wave,
            rate: blocks.sampling,
            channels: 1,
            samples: Some(blocks.film().end as u64),
            since_midnight: None,
            is_late: false,
        };
        let outline = self.files.sound(&at.value).unwrap_or(unknown);
        if outline.is_late {
            let message = format!(
                "{} does not tell what its coder put before the sound, which begins late by it: about {:.0} ms",
                at.value,
                CODER * 1000.0 / f64::from(outline.rate)
            );
            let help = "put it in place by ear with `from`, or take WAV, FLAC, or AAC in MP4";
            self.problems.push(Problem::error(at.span, message).help(help).warning());
        }
        // No plate's name holds a folder's mark.
        let name = if at.value.contains('/') { at.value.clone() } else { format!("./{}", at.value) };
        let source = self.source(name, Media::Sound(at.clone()), at.span, false);
        let mut stage = format!("{CLIPS}{}", at.value.replace('/', "."));
        while self.graph.nodes.iter().any(|node| *node.stage == *stage) {
            stage.push('+');
        }
        let mut node = self.node(&FILM.into(), &stage, FrameRange::one(CLIP), Work::Clip { source }, span);
        node.keep = false;
        node.channels = Vec::new();
        node.identity = KeyHasher::new().text("clip").int(1).finish();
        node.ingredients = vec![ingredient("clip", &at.value)];
        self.graph.nodes.push(node);
        self.available.push(FrameRange::one(CLIP));
        clips.insert(at.value.clone(), (self.graph.nodes.len() - 1, outline));
    }

    /// All cues that are sound, by name.
    fn cues(
        &mut self,
        sound: &Sound,
        edit: &Edit,
        blocks: &Blocks,
        clips: &Clips,
    ) -> IndexMap<String, Ready> {
        let none = BTreeMap::new();
        let mut read: IndexMap<String, (Vec<cue::Cue>, Option<NodeId>)> = IndexMap::new();
        for (name, declared) in &sound.cues {
            let setup = self.setup_of(&declared.settings, blocks, &none);
            let (plays, clip) = match &declared.hears {
                Hears::Clip(path) => {
                    let (node, outline) = &clips[&path.value];
                    (vec![Plays::Clip(outline.clone())], Some(*node))
                }
                Hears::Voice(settings) => {
                    match self.voices(settings, declared, (blocks, sound.layout.channels()), edit) {
                        Ok((voices, cautions)) => {
                            self.problems.extend(told(name, cautions));
                            (voices.into_iter().map(Plays::Voice).collect(), None)
                        }
                        Err(problems) => {
                            self.problems.extend(told(name, problems));
                            continue;
                        }
                    }
                }
            };
            let cue = |plays| cue::Cue::read(&setup, *blocks, sound.layout.channels(), plays);
            let cues: Result<Vec<(cue::Cue, Problems)>, Problems> = plays.into_iter().map(cue).collect();
            match cues {
                Ok(cues) => {
                    let (cues, cautions): (Vec<cue::Cue>, Vec<Problems>) = cues.into_iter().unzip();
                    // Of one cue's settings the same is said each time.
                    self.problems.extend(told(name, cautions.into_iter().next().unwrap_or_default()));
                    read.insert(name.clone(), (cues, clip));
                }
                Err(problems) => self.problems.extend(told(name, problems)),
            }
        }
        let lasts = |cues: &[cue::Cue]| cues.iter().map(|cue| blocks.span(cue.length())).collect();
        let frames: HashMap<&str, Vec<f64>> =
            read.iter().map(|(name, (cues, _))| (name.as_str(), lasts(cues))).collect();
        let mut problems = Problems::new();
        let mut times = Places::of(self.film, edit).all(&sound.cues, &frames, &mut problems);
        self.problems.extend(problems);
        self.graph.heard =
            sound.cues.keys().filter_map(|name| Some((name.clone(), times.get(name)?.clone()))).collect();
        let ready = |(name, (cues, clip)): (String, (Vec<cue::Cue>, Option<NodeId>))| {
            let times = times.remove(&name).unwrap_or_default();
            let says = said(&name, &sound.cues[&name], &times);
            (name, Ready { times, cues, clip, says })
        };
        read.into_iter().map(ready).collect()
    }

    fn bus(
        &mut self,
        name: &str,
        sound: &Sound,
        blocks: &Blocks,
        cues: &IndexMap<String, Ready>,
        clips: &Clips,
        buses: &HashMap<&str, NodeId>,
    ) -> Option<NodeId> {
        let bus = &sound.buses[name];
        let own: Vec<(&String, &Ready)> =
            cues.iter().filter(|(cue, _)| sound.cues[*cue].bus.value == name).collect();
        let mut edges: Vec<(String, NodeId)> = Vec::new();
        let mut input = |port: String, node: NodeId| {
            let at = edges.iter().position(|(_, other)| *other == node);
            at.unwrap_or_else(|| {
                edges.push((port, node));
                edges.len() - 1
            })
        };
        let mut placed = Vec::new();
        for (_, ready) in &own {
            for (nth, time) in ready.times.iter().enumerate() {
                let input = ready.clip.map(|node| input("clip".into(), node));
                let Some(cue) = ready.cues.get(nth).or(ready.cues.last()).cloned() else { continue };
                placed.push(Placed { start: blocks.place(*time), input, cue });
            }
        }
        let room = bus.room.as_ref().map(|room| &clips[&room.value]);
        let under = match &bus.under {
            Some(by) => Some(*buses.get(by.value.as_str())?),
            None => None,
        };
        let others = Others {
            room: room.map(|(node, outline)| (input("room".into(), *node), outline.clone())),
            under: under.map(|node| input("by".into(), node)),
        };
        let none = BTreeMap::new();
        let setup = self.setup_of(&bus.settings, blocks, &none);
        match bus::Bus::read(&setup, *blocks, sound.layout.channels(), placed, &others) {
            Ok((ready, cautions)) => {
                self.problems.extend(told(&format!("bus {name}"), cautions));
                let stage = format!("{BUS}{name}");
                let made: Box<dyn PreparedSound> = Box::new(ready);
                let node = self.heard(&stage, blocks.all(), (&bus::SPEC, made), &edges, bus.settings.span);
                let ingredients = &mut self.graph.nodes[node].ingredients;
                ingredients.extend(written(&bus.settings.map));
                ingredients.extend(own.iter().map(|(_, ready)| ready.says.clone()));
                Some(node)
            }
            Err(problems) => {
                self.problems.extend(told(&format!("bus {name}"), problems));
                None
            }
        }
    }

    /// Several nodes together.
    fn together(
        &mut self,
        stage: &str,
        from: &[(String, NodeId)],
        blocks: &Blocks,
        sound: &Sound,
        span: Span,
    ) -> NodeId {
        let (blocks, channels) = (*blocks, sound.layout.channels());
        let made: Box<dyn PreparedSound> = Box::new(Together { blocks, channels, inputs: from.len() });
        self.heard(stage, blocks.all(), (&master::PLAIN, made), from, span)
    }

    /// A node of sound.
    fn heard(
        &mut self,
        stage: &str,
        frames: FrameRange,
        (spec, prepared): (&'static Spec, Box<dyn PreparedSound>),
        from: &[(String, NodeId)],
        span: Span,
    ) -> NodeId {
        let mut node = self.node(&FILM.into(), stage, frames, Work::Sound { spec, prepared }, span);
        let edge = |(port, from): &(String, NodeId)| Edge { from: *from, channel: None, port: port.clone() };
        node.inputs = from.iter().map(edge).collect();
        node.channels = Vec::new();
        node.identity = KeyHasher::new().digest(&operators::identity(spec)).text(stage_kind(stage)).finish();
        let version = format!("version {}", spec.version);
        node.ingredients = vec![ingredient(&format!("sound {}", spec.name), &version)];
        self.graph.nodes.push(node);
        self.available.push(frames);
        self.graph.nodes.len() - 1
    }

    fn setup_of<'s>(
        &self,
        settings: &'s Settings,
        blocks: &Blocks,
        none: &'s BTreeMap<String, operators::Attachment>,
    ) -> Setup<'s> {
        self.setup(&settings.map, settings.span, blocks.all(), &[], &[], none)
    }
}

/// What kind of stage it is, whatever it is called.
fn stage_kind(stage: &str) -> &str {
    stage.split('.').next().unwrap_or(stage)
}

/// Buses with those first that others go down under. A circle was told of when they were read, and is not entered.
fn in_order(buses: &IndexMap<String, Bus>) -> Vec<&str> {
    let mut out: Vec<&str> = Vec::new();
    while out.len() < buses.len() {
        let before = out.len();
        for (name, bus) in buses {
            let is_ready = bus.under.as_ref().is_none_or(|by| out.contains(&by.value.as_str()));
            if is_ready && !out.contains(&name.as_str()) {
                out.push(name);
            }
        }
        if out.len() == before {
            break;
        }
    }
    out
}

/// Problems with the name of what has them in front.
fn told(name: &str, problems: Problems) -> Problems {
    let cue = if name.starts_with("bus ") { name.to_string() } else { format!("cue {name}") };
    problems
        .into_iter()
        .map(|mut problem| {
            problem.message = format!("{cue}: {}", problem.message);
            problem
        })
        .collect()
}

/// What `why` compares of a cue: all that is written of it, and where that puts it.
fn said(name: &str, cue: &Cue, times: &[f64]) -> Ingredient {
    let hangs = match &cue.at.value {
        Anchor::Shot { shot, frame } => format!("at: {shot}@{frame}"),
        Anchor::Timecode(text) => format!("at: '{text}'"),
        Anchor::With(other) => format!("with: {other}"),
        Anchor::After(other) => format!("after: {other}"),
    };
    let hears = match &cue.hears {
        Hears::Clip(path) => format!("clip: {}", path.value),
        Hears::Voice(settings) => format!("voice: {}", line(&written(&settings.map))),
    };
    let times: Vec<String> = times.iter().map(f64::to_string).collect();
    let mut parts = vec![hangs, hears, format!("film frame: [{}]", times.join(", "))];
    if cue.plus != 0.0 {
        parts.push(format!("plus: {}", cue.plus));
    }
    parts.extend(
        written(&cue.settings.map)
            .iter()
            .filter_map(|of| Some(format!("{}: {}", of.name, of.text.as_ref()?))),
    );
    ingredient(&format!("cue {name}"), &format!("{{{}}}", parts.join(", ")))
}

fn line(all: &[Ingredient]) -> String {
    let parts: Vec<String> =
        all.iter().filter_map(|of| Some(format!("{}: {}", of.name, of.text.as_ref()?))).collect();
    format!("{{{}}}", parts.join(", "))
}
