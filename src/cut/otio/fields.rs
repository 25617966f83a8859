//! What an object of an OTIO file says: its schema, times and ranges, grades, media.
//!
//! Knows the schemas by name and version, and how a time becomes frames of the film. Does not know what follows what.

use crate::base::problem::{Problem, Span};
use crate::base::speed::{Run, Speed};
use crate::base::value::{Map, Node, Value};
use crate::cut::Grade;
use crate::cut::otio::Reader;
use crate::cut::otio::piece::Said;
use crate::cut::otio::write::OWN;

/// Schemas that are read, and the newest version of each.
const KNOWN: [(&str, u32); 22] = [
    ("Timeline", 1),
    ("Stack", 1),
    ("Track", 1),
    ("Sequence", 1),
    ("Clip", 2),
    ("Gap", 1),
    ("Filler", 1),
    ("Transition", 1),
    ("LinearTimeWarp", 1),
    ("FreezeFrame", 1),
    ("TimeEffect", 1),
    ("Effect", 1),
    ("ExternalReference", 1),
    ("MissingReference", 1),
    ("ImageSequenceReference", 1),
    ("GeneratorReference", 1),
    ("MediaReference", 1),
    ("Marker", 2),
    ("RationalTime", 1),
    ("TimeRange", 1),
    ("SerializableCollection", 1),
    ("Composition", 1),
];

/// The largest count of frames that a time may come to.
const FRAMES: f64 = 100_000_000.0;

/// An object of a known schema.
#[derive(Clone)]
pub struct Object<'v> {
    /// Name of its schema, without the version.
    pub schema: &'static str,
    /// Its place.
    pub span: Span,
    map: &'v Map,
}

impl<'v> Object<'v> {
    /// An object by its `OTIO_SCHEMA`.
    pub fn of(value: &'v Value) -> Result<Self, Problem> {
        let Some(map) = value.map() else { return Err(value.wrong("an object of OTIO")) };
        // An object can be long, and its place is where it begins.
        let span = Span { end: value.span.start + 1, ..value.span };
        let Some(schema) = map.get("OTIO_SCHEMA") else {
            let problem = Problem::error(span, "this object does not say its OTIO_SCHEMA");
            return Err(problem.help("a cut is a file of OpenTimelineIO (.otio) or an edit list (.edl)"));
        };
        let text = schema.text()?;
        let (name, version) = text.split_once('.').unwrap_or((text, ""));
        let version = version.parse::<u32>().ok();
        match (KNOWN.iter().find(|(known, _)| *known == name), version) {
            (Some((name, newest)), Some(version)) if version <= *newest && version > 0 => {
                // Two schemas had other names once.
                let schema = match *name {
                    "Sequence" => "Track",
                    "Filler" => "Gap",
                    name => name,
                };
                Ok(Self { schema, span, map })
            }
            (Some((name, newest)), _) => {
                let message = format!(
                    "'{text}' is a version that is not known: {name}.{newest} is the newest that is read"
                );
                Err(Problem::error(schema.span, message)
                    .help("export the file for an older version of OpenTimelineIO"))
            }
            (None, _) => {
                let message = format!("'{text}' is no schema that is known");
                Err(Problem::error(schema.span, message)
                    .help("take it out in the edit, or flatten it into clips"))
            }
        }
    }

    /// The value of a key, unless it is null.
    pub fn get(&self, key: &str) -> Option<&'v Value> {
        self.map.get(key).filter(|value| value.node != Node::Null)
    }

    /// A text.
    pub fn text(&self, key: &str) -> Option<&'v str> {
        self.get(key)?.text().ok()
    }

    /// Its name.
    pub fn name(&self) -> Option<String> {
        self.text("name").map(String::from)
    }

    /// False of what is switched off.
    pub fn is_enabled(&self) -> bool {
        self.get("enabled").and_then(|value| value.flag().ok()).unwrap_or(true)
    }

    /// What it is called in problems.
    pub fn called(&self) -> String {
        match self.text("name").filter(|name| !name.is_empty()) {
            Some(name) => format!("the {} '{}'", self.schema, short(name)),
            None => format!("a {}", self.schema),
        }
    }

    /// That a key is missing.
    pub fn lacks(&self, key: &str) -> Problem {
        Problem::error(self.span, format!("{} has no '{key}'", self.called())).help("export the file again")
    }

    fn own(&self, key: &str) -> Option<&'v Value> {
        self.get("metadata")?.map()?.get(OWN)?.map()?.get(key)
    }
}

/// A name as quoted in messages.
fn short(name: &str) -> String {
    let text: String = name.chars().take(40).flat_map(char::escape_debug).collect();
    if name.chars().nth(40).is_some() { format!("{text}…") } else { text }
}

impl Reader {
    /// Frames of the film that a time comes to; a problem where it lies between two.
    pub(super) fn frames(&mut self, value: &Value, what: &str) -> Option<i64> {
        let exact = self.time(value)?;
        let frames = exact.round();
        if (exact - frames).abs() > 1e-4 {
            let message = format!("{what} lies between frames: it is {exact:.4} frames at {}", self.rate);
            let problem = Problem::error(value.span, message);
            self.tell(problem.help(
                "does the declaration's rate match the cut's? If so, move it to a whole frame in the edit",
            ));
            return None;
        }
        Some(frames as i64)
    }

    /// A time in frames of the film, parts of frames with it.
    pub(super) fn time(&mut self, value: &Value) -> Option<f64> {
        let object = self.object(value)?;
        let number = |key: &str| object.get(key).ok_or_else(|| object.lacks(key)).and_then(Value::number);
        let (count, rate) = match (number("value"), number("rate")) {
            (Ok(count), Ok(rate)) => (count, rate),
            (count, rate) => {
                [count, rate].into_iter().filter_map(Result::err).for_each(|problem| self.tell(problem));
                return None;
            }
        };
        if !(rate > 0.0 && rate <= 1e6) {
            self.tell(Problem::error(value.span, format!("{rate} is no rate")).help("export the file again"));
            return None;
        }
        // Rates are written as decimals, rounded more or less: 23.98 is 24000/1001.
        let film = self.rate.per_second();
        let frames = if (rate - film).abs() < 0.01 { count } else { count / rate * film };
        if !frames.is_finite() || frames.abs() > FRAMES {
            let message = format!("{count} at {rate} a second is beyond {FRAMES} frames");
            self.tell(Problem::error(value.span, message).help("export the file again"));
            return None;
        }
        Some(frames)
    }

    /// First frame and count of frames of a range.
    pub(super) fn range(&mut self, value: &Value, what: &str) -> Option<(i64, i64)> {
        let object = self.object(value)?;
        let (Some(start), Some(duration)) = (object.get("start_time"), object.get("duration")) else {
            self.tell(object.lacks(if object.get("duration").is_some() { "start_time" } else { "duration" }));
            return None;
        };
        let start = self.frames(start, &format!("the start of {what}"));
        let frames = self.frames(duration, &format!("the length of {what}"))?;
        if frames < 0 {
            let message = format!("the length of {what} is below nought");
            self.tell(Problem::error(duration.span, message).help("export the file again"));
            return None;
        }
        Some((start?, frames))
    }

    /// What a clip says of itself.
    pub(super) fn said(&mut self, clip: &Object<'_>, media: Option<&Object<'_>>) -> Option<Said> {
        let named = |object: &Object<'_>| {
            let value = object.get("name")?;
            let name = value.text().ok()?.trim();
            (!name.is_empty()).then(|| (name.to_string(), value.span))
        };
        let file = || {
            let value = media.as_ref()?.get("target_url")?;
            let name = value.text().ok()?.rsplit(['/', '\\']).next()?;
            let stem = name.split('.').next().filter(|stem| !stem.is_empty())?;
            Some((stem.to_string(), value.span))
        };
        let Some((shot, shot_span)) = named(clip).or_else(|| named(media?)).or_else(file) else {
            let problem = Problem::error(clip.span, "this clip has no name, and its media has none");
            self.tell(problem.help("name it after its shot in the edit"));
            return None;
        };
        let mut comments: Vec<String> = Vec::new();
        for comment in clip.own("comments").and_then(|value| value.list().ok()).into_iter().flatten() {
            comments.extend(comment.text().ok().map(String::from));
        }
        for marker in clip.get("markers").and_then(|value| value.list().ok()).into_iter().flatten() {
            let Some(marker) = self.object(marker) else { continue };
            let words = ["name", "comment"].map(|key| marker.text(key).unwrap_or("").trim());
            let text = words.join(" ").replace(['\n', '\r'], " ");
            comments.push(format!("MARKER: {}", text.trim()));
        }
        let own =
            |key: &str| clip.own(key).filter(|value| value.node != Node::Null)?.text().ok().map(String::from);
        let (reel, channels) = (own("reel"), own("channels"));
        Some(Said { shot, shot_span, reel, channels, grade: self.grade(clip), comments, span: clip.span })
    }

    /// A clip's first-pass grade, as edit lists that become OTIO carry it: `cdl` among the metadata.
    fn grade(&mut self, clip: &Object<'_>) -> Option<Grade> {
        let cdl = clip.get("metadata")?.map()?.get("cdl")?;
        let map = cdl.map()?;
        let mut grade = Grade::none(Span { end: cdl.span.start + 1, ..cdl.span });
        let mut sound = true;
        if let Some(sop) = map.get("asc_sop").and_then(Value::map) {
            let three = |key: &str| sop.get(key).and_then(|value| value.numbers::<3>().ok());
            match (three("slope"), three("offset"), three("power")) {
                (Some(slope), Some(offset), Some(power)) => {
                    (grade.slope, grade.offset, grade.power) = (slope, offset, power);
                }
                _ => sound = false,
            }
        }
        if let Some(value) = map.get("asc_sat") {
            match value.number() {
                Ok(saturation) => grade.saturation = saturation,
                Err(_) => sound = false,
            }
        }
        sound &= grade.slope.iter().all(|n| *n >= 0.0) && grade.power.iter().all(|n| *n > 0.0);
        sound &= grade.saturation >= 0.0;
        if !sound {
            let problem =
                Problem::error(grade.span, format!("the grade of {} cannot be read", clip.called()));
            self.tell(
                problem
                    .warning()
                    .help("it is an ASC CDL: slope, offset and power of three numbers each, and saturation"),
            );
            return None;
        }
        Some(grade)
    }

    /// The speed that effects give a clip.
    pub(super) fn speed(&mut self, clip: &Object<'_>) -> Option<Speed> {
        let mut speed = Speed::OWN;
        let effects = clip.get("effects").and_then(|value| value.list().ok()).unwrap_or(&[]);
        for effect in effects {
            let object = self.object(effect)?;
            if !object.is_enabled() {
                continue;
            }
            let scalar = match object.schema {
                "FreezeFrame" => Speed::FREEZE,
                "LinearTimeWarp" => {
                    let number = object.get("time_scalar").map_or(Ok(1.0), Value::number);
                    match number.map(Speed::near) {
                        Ok(Some(speed)) => speed,
                        Ok(None) => {
                            let message = format!("the speed of {} is out of all bounds", clip.called());
                            self.tell(
                                Problem::error(object.span, message).help("write it as a number such as 0.5"),
                            );
                            return None;
                        }
                        Err(problem) => {
                            self.tell(problem);
                            return None;
                        }
                    }
                }
                "TimeEffect" => {
                    let message = format!("{} changes its speed in a way that is not known", clip.called());
                    let help = "steady speeds and freezes are read: bake it in the edit, or retime the shot in the declaration \
                                (operator: retime)";
                    self.tell(Problem::error(object.span, message).help(help));
                    return None;
                }
                _ => {
                    let message = format!("an effect on {} is not played", clip.called());
                    let help = "what a shot looks like is the declaration's: give it a stage there";
                    self.tell(Problem::error(object.span, message).warning().help(help));
                    continue;
                }
            };
            let ((a, b), (c, d)) = (speed.ratio(), scalar.ratio());
            let product =
                a.checked_mul(c).zip(b.checked_mul(d)).and_then(|(frames, over)| Speed::new(frames, over));
            let Some(product) = product else {
                let message = format!("the speeds of {} together are out of all bounds", clip.called());
                self.tell(Problem::error(object.span, message).help("leave one of them in the edit"));
                return None;
            };
            speed = product;
        }
        Some(speed)
    }

    /// A clip's media in use.
    pub(super) fn media<'v>(&mut self, clip: &Object<'v>) -> Option<Object<'v>> {
        let value = clip.get("media_reference").or_else(|| {
            let key = clip.text("active_media_reference_key").unwrap_or("DEFAULT_MEDIA");
            clip.get("media_references")?.map()?.get(key).filter(|value| value.node != Node::Null)
        });
        self.object(value?)
    }

    /// How a clip plays: first frame, count and speed. Backwards it plays its source range from its end, as what an edit list
    /// says of the lowest and highest frame becomes here.
    pub(super) fn run(&mut self, clip: &Object<'_>, media: Option<&Object<'_>>) -> Option<Run> {
        let available = media.and_then(|media| media.get("available_range"));
        let available = match available {
            Some(range) => Some(self.range(range, &format!("the media of {}", clip.called()))?),
            None => None,
        };
        let of = format!("the source of {}", clip.called());
        let (start, frames) = match (clip.get("source_range"), available) {
            (Some(range), _) => self.range(range, &of)?,
            (None, Some(available)) => available,
            (None, None) => {
                let message =
                    format!("{} has no source_range, and its media no available_range", clip.called());
                self.tell(Problem::error(clip.span, message).help("say in the edit which frames it shows"));
                return None;
            }
        };
        let speed = self.speed(clip)?;
        let mut run = Run { first: start, frames, speed, played: 0 };
        if speed.is_backwards() {
            let (parts, over) = speed.ratio();
            let takes = (i128::from(frames) * i128::from(-parts) + i128::from(over) - 1) / i128::from(over);
            run.first += (takes as i64 - 1).max(0);
        }
        let shows = run.shows();
        if let Some((first, count)) = available
            && frames > 0
            && (shows.first < first || shows.last >= first + count)
        {
            let message = format!(
                "{} shows frames {shows}, and its media has {first}-{}",
                clip.called(),
                first + count - 1
            );
            self.tell(
                Problem::error(clip.span, message)
                    .warning()
                    .help("the shot's frames in the declaration decide"),
            );
        }
        if let Some(media) = media.filter(|media| media.schema == "ImageSequenceReference") {
            run.first += self.numbering(clip, media, available)?;
        }
        Some(run)
    }

    /// What is added to a time to give the number of an image's file.
    fn numbering(
        &mut self,
        clip: &Object<'_>,
        media: &Object<'_>,
        available: Option<(i64, i64)>,
    ) -> Option<i64> {
        let step = media.get("frame_step").map_or(Ok(1), Value::int);
        let first = media.get("start_frame").map_or(Ok(1), Value::int);
        match (step, first) {
            (Ok(1), Ok(first)) if first.abs() <= FRAMES as i64 => {
                Some(available.map_or(0, |(start, _)| first - start))
            }
            (Err(problem), _) | (_, Err(problem)) => {
                self.tell(problem);
                None
            }
            _ => {
                let message = format!("the images of {} are not numbered one by one", clip.called());
                self.tell(Problem::error(media.span, message).help("number them one by one (frame_step: 1)"));
                None
            }
        }
    }
}
