//! A delivery's files as what a cut is written over.
//!
//! Knows which file of a delivery shows which frame of the film. Does not know how a delivery is made, nor formats of cuts.

use crate::base::frames::FrameRange;
use crate::base::problem::nearest;
use crate::base::rate::Rate;
use crate::base::timecode::{Counting, Label};
use crate::cut::finished::Finished;
use crate::deliver::frames;
use crate::deliver::target::Kind;
use crate::programs::Runner;
use crate::project::delivering::Standing;
use crate::project::delivering::targets::{Ready, Shown};
use crate::project::frames::LookError;
use crate::project::{Project, Status};

/// A delivery's files, and where the film begins in them.
pub struct Delivered {
    /// The files.
    pub files: Finished,
    /// The number of the film's first frame in them.
    pub first: i64,
}

impl Project {
    /// The files of a delivery that shows what the film is now.
    ///
    /// # Errors
    /// Words: there is none of that name, it shows no picture, or it is not fresh.
    pub(super) fn delivered_files(
        &self,
        status: &Status,
        name: &str,
        runner: &Runner,
    ) -> Result<Delivered, LookError> {
        let refused = |words: String| Err(LookError::Words(words));
        let declared = status.declared.film.iter().flat_map(|film| film.deliveries.keys());
        let all: Vec<&str> = declared.map(String::as_str).collect();
        if !all.contains(&name) {
            let way = match nearest(name, all.iter().copied()) {
                Some(near) => format!("did you mean '{near}'?"),
                None if all.is_empty() => "the film declares none".into(),
                None => format!("there are {}", all.join(", ")),
            };
            return refused(format!("no delivery is called '{name}'; {way}"));
        }
        let dues = self.deliveries(status, &[name.to_string()], false, false, runner);
        let Some(due) = dues.first() else {
            return refused(format!("delivery {name} cannot be made as the film is declared"));
        };
        let (ready, place) = (due.ready(), due.place.as_deref());
        let Some(shown) = ready.picture else {
            return refused(format!("delivery {name} holds no picture; name one that does"));
        };
        match place.filter(|_| due.standing == Standing::Fresh) {
            Some(place) => files(ready, shown, place).map_err(LookError::Words),
            None => refused(format!(
                "the files of delivery {name} are not what the film is now: {}; `endboard deliver {name}` makes them",
                due.why.join("; ")
            )),
        }
    }
}

/// Files of a delivery in a folder.
fn files(ready: &Ready, shown: Shown, place: &str) -> Result<Delivered, String> {
    let target = &ready.target;
    let folder = format!("{place}/");
    let (first, prefix, digits, suffix) = match target.kind {
        Kind::Frames { first, .. } => {
            let name = frames::name(target, 0).map_err(|error| error.to_string())?;
            let (prefix, digits, suffix) = numbered(&name);
            (first, prefix, digits, suffix)
        }
        Kind::Movie { preset, .. } => {
            let first = target.timecode.as_deref().and_then(|label| counted(label, target.rate)).unwrap_or(0);
            (first, target.name.clone(), 0, format!(".{}", preset.ending()))
        }
    };
    let frames = FrameRange::new(first, first + shown.frames.len() as i64 - 1);
    let reel = Some(ready.name.clone());
    let files = Finished { folder, prefix, digits, suffix, frames, reel };
    Ok(Delivered { files, first: first.saturating_add_unsigned(shown.leader.lead) })
}

/// `NAME.0001.exr` as what stands before the number, its digits, and what follows it.
pub fn numbered(name: &str) -> (String, u32, String) {
    let ending = name.rfind('.').unwrap_or(name.len());
    let head = name[..ending].trim_end_matches(|c: char| c.is_ascii_digit());
    (head.to_string(), (ending - head.len()) as u32, name[ending..].to_string())
}

/// The count that a label stands for.
fn counted(label: &str, rate: Rate) -> Option<i64> {
    let label: Label = label.parse().ok()?;
    let counting = if label.drop_mark { Counting::drop_frame(rate) } else { Counting::non_drop(rate) };
    counting.ok()?.count(label).ok()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names_are_parted_where_their_number_stands() {
        for (name, parts) in [
            ("The-Brine-Lamp-web.0001.exr", ("The-Brine-Lamp-web.", 4, ".exr")),
            ("renders/br010/colour/br010.0000.exr", ("renders/br010/colour/br010.", 4, ".exr")),
            ("lamp.86400.dpx", ("lamp.", 5, ".dpx")),
        ] {
            let (prefix, digits, suffix) = numbered(name);
            assert_eq!((prefix.as_str(), digits, suffix.as_str()), parts);
        }
    }

    #[test]
    fn a_movies_frames_count_as_its_timecode_does() {
        assert_eq!(counted("01:00:00:00", Rate::new(24, 1)), Some(86_400));
        // Two labels are left out in a minute, but in every tenth: 108 in an hour.
        assert_eq!(counted("01:00:00;00", Rate::new(30_000, 1001)), Some(108_000 - 108));
    }
}
