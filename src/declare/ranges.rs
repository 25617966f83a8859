//! Whether the frames that a shot needs are among those of its plates.
//!
//! Knows what is declared of frames. Does not know which files there are.

use indexmap::IndexMap;

use crate::base::frames::FrameRange;
use crate::base::problem::Problem;
use crate::declare::film::{From, Media, Plate, Shot, Stage, Work};
use crate::declare::found::Found;

/// Operators that say which frames of their input they show. They are prepared with the frames that there are, and say
/// themselves which setting asks for others.
const MAPS: [&str; 1] = ["retime"];

/// Checks a shot's frames, and its handles, against each of its plates.
pub fn check(who: &str, shot: &Shot, plates: &IndexMap<String, Plate>, found: &mut Found) {
    let frames = shot.frames.value;
    let wide = frames.widen(shot.handles);
    for (label, name) in &shot.plates {
        let Some(plate) = plates.get(&name.value) else { continue };
        let Some(has) = plate.reach_of_frames() else { continue };
        if shot.is_still(has) {
            continue;
        }
        let span = plate.frames.as_ref().map_or(plate.span, |at| at.span);
        if !has.covers(frames) {
            if shot.only_maps(label) {
                continue;
            }
            let message = format!("plate {} has no frames {}", name.value, outside(frames, has));
            let problem = Problem::error(shot.frames.span, message).related(span, "the plate's frames");
            let had = match plate.frames {
                Some(_) => format!("it has {has}"),
                None => format!("it begins with {}", has.first),
            };
            found.push(who, problem.help(had));
        } else if !has.covers(wide) {
            let (before, after) = (frames.first - has.first, has.last - frames.last);
            let (before, after) = (before.min(shot.handles), after.min(shot.handles));
            let message = format!("its {} handles reach beyond plate {}", shot.handles, name.value);
            let problem =
                Problem::error(shot.frames.span, message).warning().related(span, "the plate's frames");
            found.push(who, problem.help(format!("cut down to {before} before and {after} after")));
        }
    }
}

/// Frames of `wanted` that are not in `has`, in words: `1001-1008 and 1073-1080`.
fn outside(wanted: FrameRange, has: FrameRange) -> String {
    let before = FrameRange::new(wanted.first, wanted.last.min(has.first - 1));
    let after = FrameRange::new(wanted.first.max(has.last + 1), wanted.last);
    match (before.is_empty(), after.is_empty()) {
        (false, false) => format!("{before} and {after}"),
        (false, true) => before.to_string(),
        _ => after.to_string(),
    }
}

impl Plate {
    /// Frames that it is declared to have; of a movie that does not say, all from its first on. None
    /// when nothing is declared.
    fn reach_of_frames(&self) -> Option<FrameRange> {
        match (&self.frames, &self.media) {
            (Some(at), _) => Some(at.value),
            (None, Media::Movie { first, .. }) => Some(FrameRange::new(*first, i64::MAX / 4)),
            (None, Media::Files(_) | Media::Sound(_)) => None,
        }
    }
}

impl Shot {
    /// Whether a plate of frames `has` is a still among the shot's takes, such as a clean plate of one frame: it is not measured
    /// against the shot's frames, since whoever uses it asks for that one frame.
    fn is_still(&self, has: FrameRange) -> bool {
        self.plates.len() > 1 && has.len() == 1 && self.frames.value.len() > 1
    }

    /// Frames that are rendered: the shot's own, widened by its handles as far as every one of its
    /// plates goes that is no still. Whether a movie that does not say its frames is long enough is not known here.
    pub fn rendered(&self, plates: &IndexMap<String, Plate>) -> FrameRange {
        let wide = self.frames.value.widen(self.handles);
        let mut range = wide;
        for (label, name) in &self.plates {
            let Some(has) = plates.get(&name.value).and_then(Plate::reach_of_frames) else { continue };
            if self.is_still(has) {
                continue;
            }
            // Of a plate that is too short for the shot's own numbers some other frames are shown.
            if has.covers(self.frames.value) || !self.only_maps(label) {
                range = range.meet(has);
            }
        }
        range
    }

    /// True of a plate that is taken by stages alone that say themselves which of its frames they show.
    fn only_maps(&self, label: &str) -> bool {
        let takes = |(at, stage): (usize, &Stage)| {
            let named = stage.from.values().any(|from| match &from.value {
                From::One(reference) => reference.stage == label,
                From::Many(map) => map.values().any(|reference| reference.value.stage == label),
            });
            // The first stage takes the plate when it names none.
            let is_first = at == 0 && label == "plate" && !stage.from.contains_key("picture");
            named || is_first
        };
        let mut taking =
            self.stages.values().enumerate().filter(|(at, stage)| takes((*at, stage))).peekable();
        taking.peek().is_some()
            && taking
                .all(|(_, stage)| matches!(&stage.work, Work::Operator(name) if MAPS.contains(&&*name.value)))
    }
}
