//! A delivery as declared → what is made, of which stages, and all that stands against it.
//!
//! Knows the film's graph and what codings can hold. Looks at no render.

use super::leader::Leader;
use crate::base::frames::FrameRange;
use crate::base::problem::{Problem, Problems};
use crate::base::rate::Rate;
use crate::base::timecode::Counting;
use crate::declare::deliveries::{Delivery, Makes, Quality};
use crate::declare::film::Film;
use crate::declare::sound::Sound;
use crate::deliver::target::{Colour, FrameFormat, Kind, Limits, Preset, SoundSpec, Target};
use crate::graph::edit::Edit;
use crate::graph::{ASSEMBLY, BUS, FILM, Graph, LEVEL, MIX, NodeId, STEM};
use crate::operators::image::print::Numbers;
use crate::project::Declared;
use crate::project::inspecting::judged;
use crate::project::inspecting::sounds::Target as Aim;

/// A delivery, ready to be made once all that goes in is there.
#[derive(Clone, Debug)]
pub struct Ready {
    /// Its name.
    pub name: String,
    /// Its folder, in the project.
    pub to: String,
    /// What is made.
    pub target: Target,
    /// The film's picture, when it shows any.
    pub picture: Option<Shown>,
    /// The film's mix, when it goes with the picture.
    pub mix: Option<NodeId>,
    /// Stems by name.
    pub stems: Vec<(String, NodeId)>,
    /// What the film's mix is to measure, where its declaration says so.
    pub asked: Option<Asked>,
    /// The stage whose one sample is the mix's gain, where stems go with it.
    pub level: Option<NodeId>,
}

/// What a mix is to measure.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Asked {
    /// Integrated loudness, in LUFS.
    pub loudness: f64,
    /// True peak, in dBTP.
    pub true_peak: f64,
    /// How far its loudness may lie off, in LU.
    pub off: f64,
}

/// Goes up when deliveries of the same settings come out otherwise.
const VERSION: u32 = 1;

impl Ready {
    /// Frames of the delivery that have a pop, counted from 0.
    pub fn pops(&self) -> Vec<u64> {
        self.picture.map_or_else(Vec::new, |shown| shown.leader.pops.into_iter().flatten().collect())
    }

    /// All that is set, in words. They go into the key, so that other words make every delivery anew.
    pub fn says(&self) -> String {
        let target = &self.target;
        let colour = if self.stems.is_empty() { self.colour() } else { "no picture" };
        let ((width, height), limits) = (target.size, target.limits);
        format!(
            "{}; {colour}; {width} x {height} at {}; first frame {}; {}; keeps Y' to {} dB, the picture to {} dB, levels \
             within {} dB; in {}, files {}; version {VERSION}",
            self.kind(),
            target.rate,
            self.label(),
            self.sound(),
            limits.luma,
            limits.all,
            limits.sound_level,
            self.to,
            target.name
        )
    }

    /// All that is set as a person is told it, of what lies in a folder, which may have got a number. What there is none of is left
    /// out. No key takes these words, so that they may change.
    pub fn told_in(&self, folder: &str) -> String {
        let target = &self.target;
        let mut parts = vec![self.kind()];
        let mut keeps = Vec::new();
        if self.stems.is_empty() {
            let (width, height) = target.size;
            parts.push(self.colour().into());
            parts.push(format!("{width} x {height} at {}", target.rate));
            let limits = target.limits;
            if limits.luma.is_infinite() && limits.all.is_infinite() {
                keeps.push("the picture exactly".to_string());
            } else {
                let to = |limit: f64| {
                    if limit.is_infinite() { "exactly".into() } else { format!("to {limit} dB") }
                };
                keeps.push(format!("Y' {}, the picture {}", to(limits.luma), to(limits.all)));
            }
        }
        parts.push(format!("first frame {}", self.label()));
        parts.push(self.sound());
        if target.sound.is_some() {
            keeps.push(match target.limits.sound_level {
                0.0 => "the sound exactly".into(),
                level => format!("its levels within {level} dB"),
            });
        }
        parts.push(format!("keeps {}", keeps.join(", ")));
        parts.push(format!("in {folder}, files {}", target.name));
        parts.push(format!("version {VERSION}"));
        parts.join("; ")
    }

    /// What it is.
    fn kind(&self) -> String {
        match self.target.kind {
            _ if !self.stems.is_empty() => {
                let names: Vec<&str> = self.stems.iter().map(|(name, _)| name.as_str()).collect();
                format!("stems {}", names.join(", "))
            }
            Kind::Frames { format, first } => format!("frames {}, numbered from {first}", word(format)),
            Kind::Movie { preset, quality } => {
                let usual = if preset.qualities().is_some() { "good" } else { "its own" };
                let quality = quality.map_or(usual.to_string(), |quality| quality.to_string());
                format!("movie {preset}, quality {quality}")
            }
        }
    }

    /// How its picture is coded for display.
    fn colour(&self) -> &'static str {
        match (self.target.kind, self.target.colour) {
            (Kind::Frames { format: FrameFormat::ExrHalf, .. }, _) => "light in the film's working space",
            (_, Colour::Bt709) => "BT.709, for a display of BT.1886",
            (_, Colour::Pq) => "BT.2100 PQ",
            (_, Colour::Hlg) => "BT.2100 HLG",
        }
    }

    /// The timecode of its first frame.
    fn label(&self) -> &str {
        self.target.timecode.as_deref().unwrap_or("no timecode")
    }

    /// Its sound, and the pops in it.
    fn sound(&self) -> String {
        let Some(sound) = self.target.sound else { return "no sound".into() };
        let says = format!("sound of {} channels at {} Hz", sound.layout.channels(), sound.rate);
        match self.pops().as_slice() {
            [] => says,
            pops => {
                let frames: Vec<String> = pops.iter().map(|frame| (frame + 1).to_string()).collect();
                format!("{says}, a pop beside frame {} of the file", frames.join(" and "))
            }
        }
    }
}

fn word(format: FrameFormat) -> &'static str {
    match format {
        FrameFormat::ExrHalf => "exr",
        FrameFormat::Dpx10 => "dpx",
        FrameFormat::Png16 => "png",
        FrameFormat::Tiff16 => "tiff",
    }
}

/// The film's picture as a delivery shows it.
#[derive(Clone, Copy, Debug)]
pub struct Shown {
    /// The stage.
    pub id: NodeId,
    /// Its frames.
    pub frames: FrameRange,
    /// What comes before the film's first and after its last.
    pub leader: Leader,
}

/// All that stands against the film's deliveries, each at its line.
pub fn problems(declared: &Declared) -> Problems {
    let Some(film) = &declared.film else { return Problems::new() };
    let of = |(name, delivery): (&String, &Delivery)| -> Vec<Problem> {
        let said =
            ready(declared, film, name, delivery).map_or_else(Vec::new, |ready| ready.target.problems());
        let problem = |text: String| Problem::error(delivery.span, format!("delivery {name}: {text}"));
        said.into_iter().map(problem).collect()
    };
    film.deliveries.iter().flat_map(of).collect()
}

/// A delivery, unless the film lacks what it shows because of another problem.
pub fn ready(declared: &Declared, film: &Film, name: &str, delivery: &Delivery) -> Option<Ready> {
    let graph = &declared.graph;
    let edit = declared.edit.as_ref();
    let mut starts = beginning(film.rate, edit);
    let mut picture = None;
    if !matches!(delivery.makes, Makes::Stems(_)) {
        let (shown, counted) = shown(graph, film, edit, &delivery.picture.value)?;
        starts = counted.or(starts);
        picture = Some(shown);
    }
    let heard = delivery.sound || picture.is_none();
    let mix = if heard { Some(graph.find(FILM, MIX)?) } else { None };
    let stems = stems(graph, film, &delivery.makes)?;
    let sound = film.sound.as_ref().filter(|_| heard);
    let first =
        picture.map_or(0, |shown: Shown| delivery.first.as_ref().map_or(shown.frames.first, |at| at.value));
    let kind = kind(delivery, first);
    Some(Ready {
        name: name.into(),
        to: delivery.to.value.clone(),
        target: Target {
            name: file_name(&film.name, name),
            colour: colour(&delivery.colour.value),
            size: film.frame_size,
            rate: film.rate,
            timecode: starts.map(|(counting, frame)| counting.label(frame).to_string()),
            sound: sound.map(|sound| SoundSpec { layout: sound.layout, rate: sound.rate }),
            limits: limits(delivery, kind),
            kind,
        },
        level: if stems.is_empty() { None } else { graph.find(FILM, LEVEL) },
        mix: mix.filter(|_| stems.is_empty()),
        asked: film.sound.as_ref().filter(|_| stems.is_empty()).and_then(|sound| asked(film, sound)),
        picture,
        stems,
    })
}

/// What a mix is to measure, and how far it may lie from it by the film's limits.
fn asked(film: &Film, sound: &Sound) -> Option<Asked> {
    let target = Aim::of(sound.target.as_ref()?);
    Some(Asked {
        loudness: target.loudness,
        true_peak: target.true_peak,
        off: judged::of_film(film).loudness_off(),
    })
}

/// How the film's timecode counts, and the count of its first frame: one hour where the cut does not say.
fn beginning(rate: Rate, edit: Option<&Edit>) -> Option<(Counting, i64)> {
    let plain = Counting::non_drop(rate).ok()?;
    Some(match edit.and_then(|edit| edit.starts) {
        Some((first, true)) => (Counting::drop_frame(rate).unwrap_or(plain), first),
        Some((first, false)) => (plain, first),
        None => (plain, i64::from(rate.nominal()) * 3600),
    })
}

/// The film's picture, and of a print how its timecode counts and where it begins.
fn shown(
    graph: &Graph,
    film: &Film,
    edit: Option<&Edit>,
    stage: &str,
) -> Option<(Shown, Option<(Counting, i64)>)> {
    let id = graph.find(FILM, stage)?;
    let frames = graph.nodes[id].frames;
    let Some(print) = film.prints.get(stage) else {
        return Some((
            Shown { id, frames, leader: Leader { film: frames.len() as u64, ..Leader::default() } },
            None,
        ));
    };
    let length = graph.find(FILM, ASSEMBLY).map_or(0, |film| graph.nodes[film].frames.len() as i64);
    let starts = edit.and_then(|edit| edit.starts);
    let numbers = Numbers::of(&print.settings, print.span, film.rate, starts, length).ok()?;
    Some((Shown { id, frames, leader: Leader::of(&numbers) }, Some((numbers.counting, frames.first))))
}

fn stems(graph: &Graph, film: &Film, makes: &Makes) -> Option<Vec<(String, NodeId)>> {
    let (Makes::Stems(named), Some(sound)) = (makes, &film.sound) else { return Some(Vec::new()) };
    let (begins, all): (&str, Vec<&String>) = match sound.stems.is_empty() {
        true => (BUS, sound.buses.keys().collect()),
        false => (STEM, sound.stems.keys().collect()),
    };
    let is_wanted = |name: &&&String| named.is_empty() || named.iter().any(|at| at.value == ***name);
    let found = all.iter().filter(is_wanted);
    found.map(|name| Some(((*name).clone(), graph.find(FILM, &format!("{begins}{name}"))?))).collect()
}

fn kind(delivery: &Delivery, first: i64) -> Kind {
    match &delivery.makes {
        Makes::Frames(format) => {
            let format = match format.value.as_str() {
                "dpx" => FrameFormat::Dpx10,
                "png" => FrameFormat::Png16,
                "tiff" => FrameFormat::Tiff16,
                _ => FrameFormat::ExrHalf,
            };
            Kind::Frames { format, first }
        }
        Makes::Movie(coding) => {
            let preset = Preset::ALL.into_iter().find(|preset| preset.name() == coding.value);
            let preset = preset.unwrap_or(Preset::H264);
            Kind::Movie {
                preset,
                quality: delivery.quality.as_ref().and_then(|at| quality(preset, at.value)),
            }
        }
        // Files of sound beside no frame.
        Makes::Stems(_) => Kind::Frames { format: FrameFormat::ExrHalf, first: 0 },
    }
}

/// A coder's number. Words stand for numbers that are common practice, without a source; `good` is the coding's own.
fn quality(preset: Preset, quality: Quality) -> Option<u8> {
    match (quality, preset) {
        (Quality::Number(number), _) => Some(number),
        (Quality::Word(0), Preset::H264) => Some(24),
        (Quality::Word(2), Preset::H264) => Some(14),
        (Quality::Word(0), Preset::Av1) => Some(34),
        (Quality::Word(2), Preset::Av1) => Some(16),
        (Quality::Word(_), Preset::H264 | Preset::Av1) => None,
        // Others have none to set, which is told by their own check.
        (Quality::Word(_), _) => Some(1),
    }
}

fn limits(delivery: &Delivery, kind: Kind) -> Limits {
    let own = match kind {
        Kind::Movie { preset, .. } => preset.limits(),
        Kind::Frames { .. } => Preset::Ffv1.limits(),
    };
    let said = delivery.limits;
    Limits {
        luma: said.luma.unwrap_or(own.luma),
        all: said.picture.unwrap_or(own.all),
        sound_level: said.sound.unwrap_or(own.sound_level),
    }
}

fn colour(name: &str) -> Colour {
    match name {
        "pq" => Colour::Pq,
        "hlg" => Colour::Hlg,
        _ => Colour::Bt709,
    }
}

/// `The-Brine-Lamp-web`: names that need no escape anywhere.
fn file_name(film: &str, delivery: &str) -> String {
    let mut plain = String::new();
    for c in film.chars() {
        match c {
            c if c.is_alphanumeric() => plain.push(c),
            _ if plain.ends_with('-') => {}
            _ => plain.push('-'),
        }
    }
    let short: String = plain.trim_matches('-').chars().take(30).collect();
    if short.is_empty() { delivery.to_string() } else { format!("{short}-{delivery}") }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::deliver::target::is_plain_name;

    #[test]
    fn files_have_plain_names_whatever_the_film_is_called() {
        assert_eq!(file_name("The Brine Lamp", "web"), "The-Brine-Lamp-web");
        assert_eq!(file_name("...", "web"), "web");
        for film in ["Ünter / den: Lampen?", "a\u{202e}b", &"länge".repeat(40), "-", "1"] {
            assert!(is_plain_name(&file_name(film, "web")), "{film}");
        }
    }

    #[test]
    fn words_of_quality_go_by_the_coding() {
        assert_eq!(quality(Preset::H264, Quality::Word(1)), None);
        let numbers = |preset| [0, 2].map(|word| quality(preset, Quality::Word(word)).unwrap());
        for preset in [Preset::H264, Preset::Av1] {
            let [draft, fine] = numbers(preset);
            assert!(draft > fine, "less is better");
        }
        assert!(quality(Preset::Vc3, Quality::Word(1)).is_some(), "which its own check refuses");
    }
}
