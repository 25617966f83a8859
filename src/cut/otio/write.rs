//! The cut → OTIO JSON (OpenTimelineIO).
//!
//! One track of picture, and one for each channel of sound. Finished shots are sequences of images, whose numbers are the
//! shots' own. What the standard has no place for stands among metadata, under this tool's name. Knows what cannot be held, and
//! tells it. Does not know files.

use serde_json::{Value, json};

use crate::base::mark;
use crate::base::rate::Rate;
use crate::cut::finished::{Finished, Stretch, Written, goes_on, line, stretches, takes};
use crate::cut::{Cut, CutEvent, Dissolve, SoundEvent};

/// The key of this tool's own metadata.
pub const OWN: &str = "endboard";

/// Writes a file. `finished` gives the finished frames of a shot.
pub fn write(cut: &Cut, rate: Rate, finished: &dyn Fn(&str) -> Option<Finished>) -> Written {
    let mut writer = Writer { rate: rate.per_second(), finished, told: Vec::new() };
    let all = stretches(cut);
    let mut children = Vec::new();
    for (at, stretch) in all.iter().enumerate() {
        if let Some(join) = stretch.join {
            children.push(writer.transition(join, at.checked_sub(1).map(|before| &all[before])));
        }
        children.push(match stretch.event {
            Some(event) => writer.clip(event),
            None => writer.gap(stretch.frames),
        });
    }
    let start = cut.record.map_or(0, |record| record.first);
    let mut tracks = vec![writer.track("V", "Video", children)];
    tracks.extend(writer.sounds(cut, start));
    let notes: Vec<Value> =
        cut.notes.iter().map(|note| json!({ "record": note.record, "text": note.text })).collect();
    let timeline = json!({
        "OTIO_SCHEMA": "Timeline.1",
        "metadata": { OWN: { "mark": mark::PLACE, "drop_frame": cut.drops, "notes": notes } },
        "name": cut.title.as_deref().map(line).unwrap_or_default(),
        "global_start_time": writer.time(start),
        "tracks": {
            "OTIO_SCHEMA": "Stack.1",
            "metadata": {},
            "name": "tracks",
            "source_range": null,
            "effects": [],
            "markers": [],
            "enabled": true,
            "children": tracks,
        },
    });
    Written { text: format!("{timeline:#}\n"), told: writer.told }
}

struct Writer<'a> {
    rate: f64,
    finished: &'a dyn Fn(&str) -> Option<Finished>,
    told: Vec<String>,
}

impl Writer<'_> {
    fn time(&self, frames: i64) -> Value {
        json!({ "OTIO_SCHEMA": "RationalTime.1", "rate": self.rate, "value": frames as f64 })
    }

    fn range(&self, first: i64, frames: i64) -> Value {
        json!({ "OTIO_SCHEMA": "TimeRange.1", "start_time": self.time(first), "duration": self.time(frames) })
    }

    fn track(&self, name: &str, kind: &str, children: Vec<Value>) -> Value {
        json!({
            "OTIO_SCHEMA": "Track.1",
            "metadata": {},
            "name": name,
            "source_range": null,
            "effects": [],
            "markers": [],
            "enabled": true,
            "children": children,
            "kind": kind,
        })
    }

    fn gap(&self, frames: i64) -> Value {
        json!({
            "OTIO_SCHEMA": "Gap.1",
            "metadata": {},
            "name": "",
            "source_range": self.range(0, frames),
            "effects": [],
            "markers": [],
            "enabled": true,
        })
    }

    fn transition(&mut self, join: &Dissolve, before: Option<&Stretch<'_>>) -> Value {
        if !goes_on(before, join) {
            let told = format!(
                "event {}: what goes out is not what played before, and OTIO has no such transition: what played before goes on",
                join.number
            );
            self.told.push(told);
        }
        let (kind, own) = match join.wipe {
            Some(pattern) => ("SMPTE_Wipe", json!({ "wipe": pattern })),
            None => ("SMPTE_Dissolve", json!({})),
        };
        json!({
            "OTIO_SCHEMA": "Transition.1",
            "metadata": { OWN: own },
            "name": "",
            "in_offset": self.time(0),
            "out_offset": self.time(join.record.len() as i64),
            "transition_type": kind,
        })
    }

    fn clip(&mut self, event: &CutEvent) -> Value {
        let run = event.run();
        let mut effects = Vec::new();
        if run.speed.is_freeze() {
            effects.push(json!({
                "OTIO_SCHEMA": "FreezeFrame.1", "metadata": {}, "name": "", "effect_name": "FreezeFrame", "time_scalar": 0.0,
                "enabled": true,
            }));
        } else if !run.speed.is_own() {
            effects.push(json!({
                "OTIO_SCHEMA": "LinearTimeWarp.1", "metadata": {}, "name": "", "effect_name": "LinearTimeWarp",
                "time_scalar": run.speed.number(), "enabled": true,
            }));
        }
        let mut metadata = json!({
            OWN: { "reel": event.reel, "channels": event.channels, "comments": event.comments }
        });
        if let Some(grade) = &event.grade {
            let sop = json!({ "slope": grade.slope, "offset": grade.offset, "power": grade.power });
            metadata["cdl"] = json!({ "asc_sop": sop, "asc_sat": grade.saturation });
        }
        json!({
            "OTIO_SCHEMA": "Clip.2",
            "metadata": metadata,
            "name": event.shot,
            "source_range": self.range(takes(&run).0, run.frames),
            "effects": effects,
            "markers": [],
            "enabled": true,
            "media_references": { "DEFAULT_MEDIA": self.media(&event.shot) },
            "active_media_reference_key": "DEFAULT_MEDIA",
        })
    }

    fn media(&self, shot: &str) -> Value {
        let Some(finished) = (self.finished)(shot) else {
            return json!({
                "OTIO_SCHEMA": "MissingReference.1", "metadata": {}, "name": "", "available_range": null,
                "available_image_bounds": null,
            });
        };
        if finished.digits == 0 {
            return json!({
                "OTIO_SCHEMA": "ExternalReference.1",
                "metadata": {},
                "name": "",
                "available_range": self.range(finished.frames.first, finished.frames.len() as i64),
                "available_image_bounds": null,
                "target_url": finished.pattern(),
            });
        }
        json!({
            "OTIO_SCHEMA": "ImageSequenceReference.1",
            "metadata": {},
            "name": "",
            "available_range": self.range(finished.frames.first, finished.frames.len() as i64),
            "available_image_bounds": null,
            "target_url_base": finished.folder,
            "name_prefix": finished.prefix,
            "name_suffix": finished.suffix,
            "start_frame": finished.frames.first,
            "frame_step": 1,
            "rate": self.rate,
            "frame_zero_padding": finished.digits,
            "missing_frame_policy": "error",
        })
    }

    /// Tracks of sound by channel, each event where it is heard.
    fn sounds(&mut self, cut: &Cut, start: i64) -> Vec<Value> {
        let mut rows: Vec<(&str, i64, Vec<Value>)> = Vec::new();
        let mut sounds: Vec<&SoundEvent> = cut.sounds.iter().collect();
        sounds.sort_by_key(|sound| sound.record.0);
        let mut left_out = 0;
        for sound in sounds {
            let (first, end) = sound.record;
            if first < start || end <= first {
                left_out += usize::from(end > first);
                continue;
            }
            // Where two events of one channel overlap the second goes to a track of its own.
            let at = rows.iter().position(|(channels, at, _)| *channels == sound.channels && *at <= first);
            let at = at.unwrap_or_else(|| {
                rows.push((&sound.channels, start, Vec::new()));
                rows.len() - 1
            });
            let (_, now, row) = &mut rows[at];
            if *now < first {
                row.push(self.gap(first - *now));
            }
            if let Some(frames) = sound.fade.filter(|frames| *frames > 0) {
                row.push(json!({
                    "OTIO_SCHEMA": "Transition.1", "metadata": {}, "name": "", "in_offset": self.time(0),
                    "out_offset": self.time(frames), "transition_type": "SMPTE_Dissolve",
                }));
            }
            *now = end;
            row.push(self.sound(sound));
        }
        if left_out > 0 {
            self.told.push(format!("{left_out} sound events begin before the film, and are left out"));
        }
        rows.into_iter().map(|(channels, _, row)| self.track(channels, "Audio", row)).collect()
    }

    fn sound(&self, sound: &SoundEvent) -> Value {
        let effects = match sound.speed.is_own() {
            true => json!([]),
            false => json!([{
                "OTIO_SCHEMA": "LinearTimeWarp.1", "metadata": {}, "name": "", "effect_name": "LinearTimeWarp",
                "time_scalar": sound.speed.number(), "enabled": true,
            }]),
        };
        json!({
            "OTIO_SCHEMA": "Clip.2",
            "metadata": { OWN: { "reel": sound.reel, "comments": sound.comments } },
            "name": sound.clip.clone().or_else(|| sound.reel.clone()).unwrap_or_default(),
            "source_range": self.range(sound.source.0, sound.record.1 - sound.record.0),
            "effects": effects,
            "markers": [],
            "enabled": true,
            "media_references": {
                "DEFAULT_MEDIA": {
                    "OTIO_SCHEMA": "MissingReference.1", "metadata": {}, "name": "", "available_range": null,
                    "available_image_bounds": null,
                }
            },
            "active_media_reference_key": "DEFAULT_MEDIA",
        })
    }
}
