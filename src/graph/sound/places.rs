//! What cues hang on → where in the film they are heard.
//!
//! Knows the cut: which frames of which shots the film shows, and when. Times are film frames counted from 1, fractions allowed.

use std::collections::HashMap;

use indexmap::IndexMap;

use crate::base::problem::{Problem, Problems};
use crate::base::rate::Rate;
use crate::base::timecode::Counting;
use crate::declare::film::Film;
use crate::declare::sound::{Anchor, Cue};
use crate::graph::edit::Edit;

/// What the film shows when.
pub struct Places<'a> {
    film: &'a Film,
    edit: &'a Edit,
}

/// How many frames a cue lasts each time that it is heard, the last one at all further times too; none when it is no cue.
fn lasts(frames: &HashMap<&str, Vec<f64>>, name: &str, nth: usize) -> Option<f64> {
    let all = frames.get(name)?;
    all.get(nth).or(all.last()).copied()
}

impl<'a> Places<'a> {
    /// The film as it is cut.
    pub fn of(film: &'a Film, edit: &'a Edit) -> Self {
        Self { film, edit }
    }

    /// The times at which each cue begins, and what is to be said of cues that are heard nowhere. `frames` is the length of
    /// each cue in frames, each time that it is heard.
    pub fn all(
        &self,
        cues: &IndexMap<String, Cue>,
        frames: &HashMap<&str, Vec<f64>>,
        problems: &mut Problems,
    ) -> HashMap<String, Vec<f64>> {
        let mut found: HashMap<String, Vec<f64>> = HashMap::new();
        for name in cues.keys() {
            self.find(name, cues, frames, &mut found, problems);
        }
        found
    }

    fn find(
        &self,
        name: &str,
        cues: &IndexMap<String, Cue>,
        frames: &HashMap<&str, Vec<f64>>,
        found: &mut HashMap<String, Vec<f64>>,
        problems: &mut Problems,
    ) {
        // Cues that hang on one another are followed to the one that hangs on a frame, and come back from there.
        let mut chain = vec![name];
        while let Some(Anchor::With(other) | Anchor::After(other)) =
            chain.last().and_then(|n| Some(&cues.get(*n)?.at.value))
        {
            if found.contains_key(other) || chain.len() > cues.len() {
                break;
            }
            chain.push(other);
        }
        for name in chain.into_iter().rev() {
            if found.contains_key(name) {
                continue;
            }
            let Some(cue) = cues.get(name) else { continue };
            let times = match &cue.at.value {
                Anchor::Shot { shot, frame } => self.shot(name, cue, shot, *frame, problems),
                Anchor::Timecode(text) => self.timecode(name, cue, text, problems),
                Anchor::With(other) | Anchor::After(other) => {
                    let after = |nth| match cue.at.value {
                        Anchor::After(_) => lasts(frames, other, nth).unwrap_or(0.0),
                        _ => 0.0,
                    };
                    let others = found.get(other).into_iter().flatten().enumerate();
                    let times: Vec<f64> = others.map(|(nth, time)| time + after(nth)).collect();
                    if times.is_empty() {
                        let message = format!("cue {name}: it hangs on cue {other}, which is not heard");
                        let problem = Problem::error(cue.at.span, message).warning();
                        problems.push(problem.help("hang it on a frame, or bring that cue back"));
                    }
                    times
                }
            };
            let times: Vec<f64> = times.into_iter().map(|time| time + cue.plus).collect();
            // Of a cue with an error of its own nothing more is said.
            let beyond =
                |(nth, time): (usize, &f64)| self.beyond(name, cue, *time, lasts(frames, name, nth)?);
            problems.extend(times.iter().enumerate().filter_map(beyond));
            found.insert(name.to_string(), times);
        }
    }

    fn shot(&self, name: &str, cue: &Cue, shot: &str, frame: f64, problems: &mut Problems) -> Vec<f64> {
        let known = self.film.shots.keys().chain(&self.film.left_out);
        let Some(declared) = known.clone().find(|known| known.eq_ignore_ascii_case(shot)) else {
            let problem = Problem::error(cue.at.span, format!("cue {name}: the film has no shot '{shot}'"));
            problems.push(match crate::base::problem::nearest(shot, known.map(String::as_str)) {
                Some(near) => problem.help(format!("did you mean '{near}'?")),
                None => problem,
            });
            return Vec::new();
        };
        let shown = self.edit.uses(declared);
        let times: Vec<f64> =
            shown.iter().filter_map(|(at, run)| Some(*at as f64 + run.time_of(frame)?)).collect();
        match times.len() {
            0 => {
                let uses: Vec<String> = shown.iter().map(|(_, run)| run.shows().to_string()).collect();
                let shows = match uses.is_empty() {
                    true => format!("the cut has dropped {declared}"),
                    false => format!("the cut shows {declared}@{}", uses.join(" and ")),
                };
                let message =
                    format!("cue {name}: it hangs on {declared}@{frame}, and {shows}: it is not heard");
                let problem = Problem::error(cue.at.span, message).warning();
                problems.push(problem.help("hang it on a frame that is shown, or take it out"));
            }
            1 => {}
            n => {
                let message =
                    format!("cue {name}: {declared}@{frame} is shown {n} times, and it is heard at each");
                let problem = Problem::error(cue.at.span, message).warning();
                problems.push(problem.help("to hear it once, hang it on a record timecode"));
            }
        }
        times
    }

    fn timecode(&self, name: &str, cue: &Cue, text: &str, problems: &mut Problems) -> Vec<f64> {
        let (first, drops) = self.edit.starts.unwrap_or((0, false));
        let read = counting(self.film.rate, drops).and_then(|counting| counting.parse(text));
        match read {
            Ok(frame) => vec![(frame - first + 1) as f64],
            Err(why) => {
                problems
                    .push(Problem::error(cue.at.span, format!("cue {name}: '{text}' is no timecode: {why}")));
                Vec::new()
            }
        }
    }

    /// What is to be said of a cue that is not in the film, or not whole.
    fn beyond(&self, name: &str, cue: &Cue, time: f64, length: f64) -> Option<Problem> {
        let (first, end) = (1.0, self.edit.frames as f64 + 1.0);
        let over = (time + length - end).max(first - time);
        let message = match () {
            () if length <= 0.0 => "it has no length: it is not heard".to_string(),
            () if time >= end => {
                format!("it begins {:.1} frames after the film's end: it is not heard", time - end)
            }
            () if time + length <= first => "it ends before the film begins: it is not heard".to_string(),
            () if time < first => format!("its first {:.1} frames are before the film begins", first - time),
            // What rings out after the last frame by less than one is nobody's concern.
            () if over > 1.0 => format!("its last {over:.1} frames are after the film's end"),
            () => return None,
        };
        let problem = Problem::error(cue.at.span, format!("cue {name}: {message}")).warning();
        Some(problem.help("move it, or say how long it is heard with `for`"))
    }
}

fn counting(rate: Rate, drops: bool) -> Result<Counting, crate::base::timecode::BadTimecode> {
    if drops { Counting::drop_frame(rate) } else { Counting::non_drop(rate) }
}
