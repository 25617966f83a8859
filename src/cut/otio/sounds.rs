//! Tracks of sound → sound events, kept as they stand.
//!
//! Knows clips, gaps and cross-fades one after the other; the channel is the track's place. Times between frames are rounded
//! to the nearest and counted. What nests in a track of sound is told. Does not know what is heard.

use crate::base::problem::Problem;
use crate::base::speed::Speed;
use crate::cut::channels;
use crate::cut::otio::Reader;
use crate::cut::otio::fields::Object;
use crate::cut::{Cut, SoundEvent};

impl Reader {
    /// Adds the events of the tracks of sound; record frames count from `start`.
    pub(super) fn sounds(&mut self, tracks: &[Object<'_>], start: i64, cut: &mut Cut) {
        for (index, track) in tracks.iter().enumerate() {
            let named = track.text("name").filter(|name| channels::picture(name) == Some(false));
            let numbered = || if index == 0 { "A".to_string() } else { format!("A{}", index + 1) };
            let channels = named.map_or_else(numbered, String::from);
            let begins = track.get("source_range").and_then(|range| {
                let range = self.object(range)?;
                let first = self.nearest(range.get("start_time"))?;
                (first < 0).then_some(-first)
            });
            self.sound_track(track, &channels, begins.unwrap_or(start), cut);
        }
    }

    /// A time to the nearest frame.
    fn nearest(&mut self, time: Option<&crate::base::value::Value>) -> Option<i64> {
        let exact = self.time(time?)?;
        self.rounded += usize::from((exact - exact.round()).abs() > 1e-4);
        Some(exact.round() as i64)
    }

    fn lasts(&mut self, object: &Object<'_>) -> Option<(i64, i64)> {
        let media = if object.schema == "Clip" { self.media(object) } else { None };
        let range = object.get("source_range").or_else(|| media?.get("available_range"))?;
        let range = self.object(range)?;
        let start = self.nearest(range.get("start_time")).unwrap_or(0);
        let frames = self.nearest(range.get("duration"))?;
        (frames >= 0).then_some((start, frames))
    }

    fn sound_track(&mut self, track: &Object<'_>, channels: &str, start: i64, cut: &mut Cut) {
        let children = track.get("children").and_then(|children| children.list().ok()).unwrap_or(&[]);
        let mut at = start;
        let mut fade: Option<(i64, i64)> = None;
        for child in children {
            let Some(object) = self.object(child) else { continue };
            if object.schema == "Transition" {
                let [before, after] =
                    ["in_offset", "out_offset"].map(|key| self.nearest(object.get(key)).unwrap_or(0));
                fade = Some((before.max(0), after.max(0)));
                continue;
            }
            let Some((first, frames)) = self.lasts(&object) else {
                let message = format!("{} among the sound is passed over: it has no length", object.called());
                self.tell(
                    Problem::error(object.span, message).warning().help("flatten the sound in the edit"),
                );
                continue;
            };
            match object.schema {
                "Clip" if object.is_enabled() && frames > 0 => {
                    let speed = self.speed(&object).unwrap_or(Speed::OWN);
                    let (before, after) = fade.take().unwrap_or_default();
                    let takes = (frames as f64 * speed.number().abs()).round().max(1.0) as i64;
                    let said = self.said(&object, None);
                    cut.sounds.push(SoundEvent {
                        number: cut.sounds.len() as u32 + 1,
                        clip: said.as_ref().map(|said| said.shot.clone()),
                        reel: said.as_ref().and_then(|said| said.reel.clone()),
                        channels: channels.into(),
                        fade: (before + after > 0).then_some(before + after),
                        source: (first - before, first + takes),
                        speed,
                        record: (at - before, at + frames),
                        comments: said.map(|said| said.comments).unwrap_or_default(),
                        span: object.span,
                    });
                }
                "Clip" | "Gap" => fade = None,
                _ => {
                    let message = format!("{} among the sound is passed over", object.called());
                    self.tell(
                        Problem::error(object.span, message).warning().help("flatten the sound in the edit"),
                    );
                }
            }
            at += frames;
        }
    }
}
