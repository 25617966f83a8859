//! The cut → an edit decision list (SMPTE ST 258).
//!
//! Source timecode counts the shot's own frames, as the reader has it; a reel is a shot, by a name of at most eight letters,
//! digits and `_`. Knows what a list cannot hold, and tells it. Does not know files.

use std::collections::HashMap;
use std::fmt::Write;

use crate::base::mark;
use crate::base::rate::Rate;
use crate::base::speed::{Run, Speed};
use crate::base::timecode::Counting;
use crate::cut::channels;
use crate::cut::edl::motion;
use crate::cut::finished::{Finished, Stretch, Written, goes_on, line, stretches, takes};
use crate::cut::{Cut, CutEvent, Outgoing, SoundEvent};

/// The most events that a list numbers with its three digits.
const EVENTS: u32 = 999;
/// The longest dissolve or wipe that its three digits are read for everywhere.
const LONGEST: usize = 255;
/// The longest name of a reel.
const REEL: usize = 8;

/// Writes a list. `finished` gives the finished frames of a shot, which its reel then stands for.
///
/// # Errors
/// When a frame has no label within the day, or the rate has no timecode: in words.
pub fn write(cut: &Cut, rate: Rate, finished: &dyn Fn(&str) -> Option<Finished>) -> Result<Written, String> {
    let counting = if cut.drops { Counting::drop_frame(rate) } else { Counting::non_drop(rate) };
    let counting = counting.map_err(|why| why.to_string())?;
    let mut writer = Writer {
        rate,
        counting,
        finished,
        reels: Reels::of(cut, finished),
        out: Written::default(),
        number: 0,
    };
    if let Some(title) = &cut.title {
        writer.put(&format!("TITLE: {}", line(title)));
    }
    writer.put(if cut.drops { "FCM: DROP FRAME" } else { "FCM: NON-DROP FRAME" });
    cut.notes.iter().filter(|note| note.record.is_none()).for_each(|note| writer.comment(&note.text));
    writer.put("");
    let all = stretches(cut);
    for (at, stretch) in all.iter().enumerate() {
        writer.number += 1;
        writer.stretch(stretch, at.checked_sub(1).map(|before| &all[before]))?;
        if stretch.event.is_none() {
            let under = cut.notes.iter().filter(|note| note.record == Some(stretch.first));
            under.for_each(|note| writer.comment(&note.text));
        }
    }
    let mut before = None;
    for sound in &cut.sounds {
        // Lines of one number stay together.
        writer.number += u32::from(before != Some(sound.number));
        before = Some(sound.number);
        writer.sound(sound)?;
    }
    // The last comment is the mark by which the list is told from one that a person changed, once it is sealed: not every
    // reader takes a comment before the first event.
    writer.put(&format!("* {}", mark::PLACE));
    if writer.number > EVENTS {
        let told = format!(
            "{} events, and a list numbers {EVENTS} with its three digits: not every reader takes more",
            writer.number
        );
        writer.out.told.push(told);
    }
    let reels = std::mem::take(&mut writer.reels.told);
    writer.out.told.extend(reels);
    Ok(writer.out)
}

struct Writer<'a> {
    rate: Rate,
    counting: Counting,
    finished: &'a dyn Fn(&str) -> Option<Finished>,
    reels: Reels,
    out: Written,
    number: u32,
}

impl Writer<'_> {
    fn put(&mut self, text: &str) {
        self.out.text.push_str(text);
        self.out.text.push('\n');
    }

    /// A comment of the list's own, never read as one that means something.
    fn comment(&mut self, text: &str) {
        let text = line(text);
        let means = ["FROM CLIP NAME:", "TO CLIP NAME:", "ASC_SOP", "ASC_SAT", "FREEZE FRAME"];
        let starts = |word: &&str| text.get(..word.len()).is_some_and(|head| head.eq_ignore_ascii_case(word));
        match means.iter().any(starts) {
            true => self.put(&format!("* NOTE: {text}")),
            false if text.is_empty() => {}
            false => self.put(&format!("* {text}")),
        }
    }

    /// Four labels; the second and fourth are one past the last frame.
    fn labels(&self, source: (i64, i64), record: (i64, i64)) -> Result<String, String> {
        let day = self.counting.frames_in_a_day();
        let mut text = String::new();
        for (frame, may_be_end) in [(source.0, false), (source.1, true), (record.0, false), (record.1, true)]
        {
            let most = if may_be_end { day } else { day - 1 };
            if frame < 0 || frame > most {
                let what = format!("event {}: frame {frame} has no timecode within a day", self.number);
                return Err(format!(
                    "{what}, so that no list can name it; write OTIO, or number its frames otherwise"
                ));
            }
            let _ = write!(text, " {}", self.counting.label(frame));
        }
        Ok(text)
    }

    fn line(
        &mut self,
        reel: &str,
        channels: &str,
        change: (&str, Option<usize>),
        source: (i64, i64),
        record: (i64, i64),
    ) -> Result<(), String> {
        let labels = self.labels(source, record)?;
        let length = change.1.map_or(String::new(), |frames| format!("{frames:03}"));
        let text = format!("{:03}  {reel:<8} {channels:<5} {:<4} {length:>3}{labels}", self.number, change.0);
        self.put(&text);
        Ok(())
    }

    fn stretch(&mut self, stretch: &Stretch<'_>, before: Option<&Stretch<'_>>) -> Result<(), String> {
        let record = (stretch.first, stretch.first + stretch.frames);
        let change = match stretch.join {
            None => ("C".to_string(), None),
            Some(join) => {
                let frames = join.record.len();
                if frames > LONGEST {
                    let told = format!(
                        "event {}: {frames} frames, and lists hold {LONGEST} in a transition: not every reader takes more",
                        self.number
                    );
                    self.out.told.push(told);
                }
                let (reel, source) = match &join.from {
                    Some(from) => (self.reels.outgoing(from), (from.source_first, from.source_first)),
                    None => (BLACK.to_string(), (0, 0)),
                };
                self.line(&reel, "V", ("C", None), source, (stretch.first, stretch.first))?;
                let mark = join.wipe.map_or("D".to_string(), |pattern| format!("W{pattern:03}"));
                (mark, Some(frames))
            }
        };
        let change = (change.0.as_str(), change.1);
        match stretch.event {
            None => self.line(BLACK, "V", change, (0, stretch.frames), record)?,
            Some(event) => {
                let channels = event.channels.as_deref().filter(|text| channels::picture(text) == Some(true));
                let reel = self.reels.event(event);
                self.line(&reel, channels.unwrap_or("V"), change, takes(&event.run()), record)?;
            }
        }
        if let Some(from) = stretch.join.and_then(|join| join.from.as_ref()) {
            self.put(&format!("* FROM CLIP NAME: {}", line(&from.shot)));
        }
        if let Some(event) = stretch.event {
            let to = if stretch.join.is_some() { "TO" } else { "FROM" };
            self.put(&format!("* {to} CLIP NAME: {}", line(&event.shot)));
            let reel = self.reels.event(event);
            self.speed(&reel, &event.run());
            self.says(event);
        }
        if let Some((join, from)) = stretch.join.and_then(|join| Some((join, join.from.as_ref()?)))
            && !goes_on(before, join)
        {
            let reel = self.reels.outgoing(from);
            if !from.speed.is_own() {
                // A reader takes the first line of two that could be of either for that of what comes in.
                let comes = stretch.event.map(|event| (self.reels.event(event), event.run()));
                if let Some((_, run)) = comes.filter(|(comes, run)| {
                    *comes == reel && run.speed.is_own() && takes(run).0 == from.source_first
                }) {
                    self.own_speed(&reel, takes(&run).0);
                }
                self.outgoing_speed(&reel, from)?;
            }
        }
        Ok(())
    }

    /// Says that the event goes at its own speed.
    fn own_speed(&mut self, reel: &str, first: i64) {
        let number = format!("{:05.1}", f64::from(self.rate.nominal()));
        let label = self.counting.label(first);
        self.put(&format!("M2   {reel:<8}             {number:<21} {label}"));
    }

    /// The speed of what goes out without having played before.
    fn outgoing_speed(&mut self, reel: &str, from: &Outgoing) -> Result<(), String> {
        let film = 1000 * i64::from(self.rate.nominal());
        let source = (film as f64 * from.speed.number().abs()).round() as i64;
        let (number, _) = motion::written(from.speed, source, film, self.rate);
        let label = self.counting.label(from.source_first);
        self.put(&format!("M2   {reel:<8}             {number:<21} {label}"));
        Ok(())
    }

    fn speed(&mut self, reel: &str, run: &Run) {
        if run.speed.is_own() {
            return;
        }
        let (first, end) = takes(run);
        let (number, is_exact) = motion::written(run.speed, end - first, run.frames, self.rate);
        let label = self.counting.label(first);
        self.put(&format!("M2   {reel:<8}             {number:<21} {label}"));
        if run.speed.is_freeze() {
            self.put("* FREEZE FRAME");
        }
        if !is_exact {
            let told = format!(
                "event {}: its speed of {} is written as {number} frames a second",
                self.number, run.speed
            );
            self.out.told.push(told);
        }
    }

    /// What else is said of an event.
    fn says(&mut self, event: &CutEvent) {
        let finished = (self.finished)(&event.shot);
        if let Some(finished) = &finished {
            self.put(&format!("* SOURCE FILE: {}", line(&finished.pattern())));
        }
        if let Some(grade) = &event.grade {
            let three = |[r, g, b]: [f64; 3]| format!("({r} {g} {b})");
            let [slope, offset, power] = [grade.slope, grade.offset, grade.power].map(three);
            self.put(&format!("* ASC_SOP {slope}{offset}{power}"));
            self.put(&format!("* ASC_SAT {}", grade.saturation));
        }
        for comment in &event.comments {
            let is =
                |word: &str| comment.get(..word.len()).is_some_and(|head| head.eq_ignore_ascii_case(word));
            // The file is now the finished one, and a freeze has said so.
            if (is("SOURCE FILE:") && finished.is_some()) || (is("FREEZE FRAME") && event.speed.is_freeze()) {
                continue;
            }
            self.comment(comment);
        }
    }

    fn sound(&mut self, sound: &SoundEvent) -> Result<(), String> {
        let change = match sound.fade {
            Some(frames) => ("D", Some(frames.max(0) as usize)),
            None => ("C", None),
        };
        let reel = sound.reel.as_deref().and_then(sound_reel).unwrap_or_else(|| "AX".to_string());
        let channels = Some(sound.channels.as_str()).filter(|text| channels::picture(text) == Some(false));
        self.line(&reel, channels.unwrap_or("A"), change, sound.source, sound.record)?;
        if let Some(clip) = &sound.clip {
            let to = if sound.fade.is_some() { "TO" } else { "FROM" };
            self.put(&format!("* {to} CLIP NAME: {}", line(clip)));
        }
        let (source, film) = (sound.source.1 - sound.source.0, sound.record.1 - sound.record.0);
        if sound.speed != Speed::OWN && film > 0 {
            let (number, _) = motion::written(sound.speed, source, film, self.rate);
            let label = self.counting.label(sound.source.0);
            self.put(&format!("M2   {reel:<8}             {number:<21} {label}"));
        }
        sound.comments.iter().for_each(|comment| self.comment(comment));
        Ok(())
    }
}

const BLACK: &str = "BL";

/// A word that can stand for a reel.
fn sound_reel(reel: &str) -> Option<String> {
    let is_sound = (1..=128).contains(&reel.len()) && reel.bytes().all(|b| b.is_ascii_graphic());
    is_sound.then(|| reel.to_string())
}

/// Reels by shot.
struct Reels {
    /// By shot in small letters.
    names: HashMap<String, String>,
    told: Vec<String>,
}

impl Reels {
    /// Names for all shots: a finished one's is the shot's own; another's is what the list says.
    fn of(cut: &Cut, finished: &dyn Fn(&str) -> Option<Finished>) -> Self {
        let mut reels = Self { names: HashMap::new(), told: Vec::new() };
        let mut taken: HashMap<String, String> = HashMap::new();
        let going = cut.dissolves.iter().filter_map(|dissolve| Some(dissolve.from.as_ref()?.shot.as_str()));
        let shots = cut.events.iter().map(|event| (event.shot.as_str(), event.reel.as_deref()));
        for (shot, reel) in shots.chain(going.map(|shot| (shot, None))) {
            let key = shot.to_ascii_lowercase();
            if reels.names.contains_key(&key) {
                continue;
            }
            let is_finished = finished(shot);
            let listed = reel.filter(|_| is_finished.is_none()).and_then(sound_reel);
            let listed = listed.filter(|reel| !reel.eq_ignore_ascii_case(BLACK));
            // What several shots lie in is one reel.
            let one = is_finished.and_then(|finished| finished.reel);
            let (of, owner) = match &one {
                Some(one) => (one.as_str(), format!("of {one}")),
                None => (shot, key.clone()),
            };
            let name = listed.unwrap_or_else(|| {
                let name = short(of, &taken, &owner);
                if !name.eq_ignore_ascii_case(of) && !taken.contains_key(&name.to_ascii_lowercase()) {
                    reels.told.push(format!(
                        "reel {name} is {of}: the name of a reel has {REEL} letters, digits and _"
                    ));
                }
                name
            });
            taken.insert(name.to_ascii_lowercase(), owner);
            reels.names.insert(key, name);
        }
        reels
    }

    /// Of an event, whose list may give one shot several reels.
    fn event(&self, event: &CutEvent) -> String {
        self.names.get(&event.shot.to_ascii_lowercase()).cloned().unwrap_or_default()
    }

    fn outgoing(&self, from: &Outgoing) -> String {
        self.names.get(&from.shot.to_ascii_lowercase()).cloned().unwrap_or_default()
    }
}

/// A reel's name for a shot that no other shot has.
fn short(shot: &str, taken: &HashMap<String, String>, key: &str) -> String {
    let clean: String = shot.chars().map(|c| if c.is_ascii_alphanumeric() { c } else { '_' }).collect();
    let is_free = |name: &str| {
        let name = name.to_ascii_lowercase();
        !["bl", "ax", ""].contains(&name.as_str()) && taken.get(&name).is_none_or(|of| of == key)
    };
    let first: String = clean.chars().take(REEL).collect();
    if is_free(&first) {
        return first;
    }
    let numbered = (1..).map(|n: u32| {
        let number = n.to_string();
        let head: String = clean.chars().take(REEL.saturating_sub(number.len() + 1)).collect();
        format!("{head}_{number}")
    });
    numbered.into_iter().find(|name| is_free(name)).unwrap_or(first)
}
