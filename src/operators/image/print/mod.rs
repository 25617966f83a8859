//! `print`: the film's picture with leaders before and after it, and words burned in, for review.
//!
//! A print's frames are numbered as its timecode counts: at 24 frames a second the picture that begins at 01:00:00:00 has the
//! numbers from 86400 on, and the frames of an eight-second leader those from 86208 (00:59:52:00) on. So the film's own frames keep
//! counting from 1, whatever its prints have before them. A frame of the picture on which nothing is written is the film's
//! stored picture, and costs no space.
//!
//! Knows numbers, timecode and which shot a film frame shows. `leader` draws leaders, `burn_in` writes.

mod burn_in;
pub mod leader;

use std::sync::Arc;

use self::burn_in::BurnIn;
use self::leader::Mark;
use crate::base::digest::KeyHasher;
use crate::base::frames::FrameRange;
use crate::base::problem::{Problem, Problems, Span};
use crate::base::rate::Rate;
use crate::base::timecode::{Counting, Label};
use crate::base::value::{Map, Value};
use crate::media::image::RGBA;
use crate::operators::lettering::Face;
use crate::operators::{
    Carries, Inputs, Kind, Made, Operator, OperatorError, Param, Port, Prepared, Reader, Setup, Slot, Spec,
};

/// The operator.
pub struct Print;

/// Most seconds of a leader.
pub const LEADER_LIMIT: i64 = 60;

static SPEC: Spec = Spec {
    name: "print",
    version: 1,
    summary: "The film's picture for review: leaders before and after it, and words burned in. Declared under `prints:`.",
    ports: &[Port {
        name: "picture",
        carries: Carries::Picture,
        required: true,
        doc: "The film's own picture; connected by the film.",
    }],
    params: &[
        Param {
            name: "leader",
            kind: Kind::Whole { min: 0, max: LEADER_LIMIT },
            unit: "s",
            default: "0",
            doc: "Seconds of countdown before the picture; from 2 on it has the 2-pop, one frame two seconds before the picture.",
        },
        Param {
            name: "tail",
            kind: Kind::Whole { min: 0, max: LEADER_LIMIT },
            unit: "s",
            default: "0",
            doc: "Seconds of black after the picture; from 2 on with a pop, one frame two seconds after its last frame.",
        },
        Param {
            name: "starts",
            kind: Kind::Text,
            unit: "",
            default: "",
            doc: "Timecode of the picture's first frame, HH:MM:SS:FF, with ; before the frames for drop-frame; when not said, the cut's, else 01:00:00:00.",
        },
        Param {
            name: "burn_in",
            kind: Kind::Structure,
            unit: "",
            default: "",
            doc: "Words by place (top-left, top, top-right, bottom-left, bottom, bottom-right) with the fields {film}, {shot}, {stage}, {frame} (the shot's own), {film_frame} (from 1) and {timecode}; in a dissolve they tell of what comes in, unless that is black.",
        },
        Param {
            name: "size",
            kind: Kind::Number { min: 0.5, max: 20.0 },
            unit: "%",
            default: "2.5",
            doc: "Height of capitals, in percent of the picture's height; smaller where a line would not fit.",
        },
        Param {
            name: "ground",
            kind: Kind::Number { min: 0.0, max: 1.0 },
            unit: "",
            default: "0.6",
            doc: "Opacity of the black under the words, where the picture's light is held to 1.",
        },
        Param {
            name: "margin",
            kind: Kind::Number { min: 0.0, max: 30.0 },
            unit: "%",
            default: "5",
            doc: "Distance of the words from the picture's sides, in percent of its width and height.",
        },
    ],
    source: "Countdown: public accounts of SMPTE ST 55. Timecode: SMPTE ST 12-1. Glyphs: exact area of the outlines (OpenType, ISO/IEC 14496-22). Over: Porter & Duff 1984.",
};

/// Which frames a print has.
#[derive(Clone, Debug)]
pub struct Numbers {
    /// How its timecode counts.
    pub counting: Counting,
    /// Frames that timecode counts in a second.
    pub nominal: i64,
    /// Frames of the film's picture.
    pub pictures: FrameRange,
    /// All, leaders among them.
    pub all: FrameRange,
}

impl Numbers {
    /// The frames of a print of a film of so many frames. `starts` is what the cut says of its first frame's timecode. Wrong
    /// lengths of leaders count as none here; [`Print::ready`] tells of them.
    ///
    /// # Errors
    /// When the rate has no timecode, `starts` is none, or the leader would begin before 00:00:00:00.
    pub fn of(
        settings: &Map,
        span: Span,
        rate: Rate,
        starts: Option<(i64, bool)>,
        frames: i64,
    ) -> Result<Self, Problem> {
        let plain = Counting::non_drop(rate).map_err(|why| Problem::error(span, why.to_string()))?;
        let (first, counting) = match settings.get("starts") {
            Some(value) => first_frame(value, rate, plain)?,
            None => match starts {
                Some((first, true)) => (first, Counting::drop_frame(rate).unwrap_or(plain)),
                Some((first, false)) => (first, plain),
                None => (i64::from(rate.nominal()) * 3600, plain),
            },
        };
        let nominal = i64::from(rate.nominal());
        let seconds = |name: &str| {
            let written = settings.get(name).and_then(|value| value.int().ok());
            written.filter(|n| (0..=LEADER_LIMIT).contains(n)).unwrap_or(0)
        };
        let pictures = FrameRange::new(first, first + frames - 1);
        let all =
            FrameRange::new(first - seconds("leader") * nominal, pictures.last + seconds("tail") * nominal);
        if all.first < 0 {
            let place = settings.get("leader").map_or(span, |value| value.span);
            let problem = Problem::error(place, "the leader would begin before 00:00:00:00");
            return Err(problem.help("let the picture start later, such as `starts: \"01:00:00:00\"`"));
        }
        Ok(Self { counting, nominal, pictures, all })
    }
}

fn first_frame(value: &Value, rate: Rate, plain: Counting) -> Result<(i64, Counting), Problem> {
    let text = value.text()?;
    let wrong = |why: String| {
        let message = format!("'{text}' is no timecode at {rate} frames a second");
        Problem::error(value.span, message).help(why)
    };
    let label: Label =
        text.parse().map_err(|why: crate::base::timecode::BadTimecode| wrong(why.to_string()))?;
    let counting = match label.drop_mark {
        true => Counting::drop_frame(rate).map_err(|why| wrong(why.to_string()))?,
        false => plain,
    };
    Ok((counting.count(label).map_err(|why| wrong(why.to_string()))?, counting))
}

/// What the film tells a print of itself.
pub struct Told<'a> {
    /// The film's name.
    pub film: &'a str,
    /// Its frames a second.
    pub rate: Rate,
    /// The print's frames, or why there are none.
    pub numbers: Result<Numbers, Problem>,
}

impl Print {
    /// Checks the settings of a print and makes it ready. `setup.cut` says what each film frame shows.
    ///
    /// # Errors
    /// Every problem of the settings.
    pub fn ready(&self, setup: &Setup<'_>, told: Told<'_>) -> Result<Box<dyn Prepared>, Problems> {
        let mut reader = Reader::new(&SPEC, setup);
        let numbers = told.numbers.map_err(|problem| reader.problems.push(problem)).ok();
        reader.whole("leader");
        reader.whole("tail");
        let mut words = BurnIn::read(reader.value("burn_in"), &mut reader.problems);
        words.size = reader.number("size");
        words.ground = reader.number("ground");
        words.margin = reader.number("margin");
        let (mut leaving, mut slots): (Vec<Slot>, Vec<Slot>) =
            setup.cut.iter().cloned().partition(|slot| slot.leaves);
        slots.sort_by_key(|slot| slot.at);
        leaving.sort_by_key(|slot| slot.at);
        let (width, height) = setup.frame_size;
        let labels = [told.film.to_string(), format!("{width}x{height}  {} fps", told.rate)];
        let shown = slots.iter().flat_map(|slot| [&*slot.shot, &*slot.stage]);
        let all = words.texts().chain(labels.iter().map(String::as_str)).chain(shown);
        let face = Face::of(all.chain([leader::WRITTEN, "0123456789:;-black"]));
        let mut cautions = Problems::new();
        for text in words.texts().chain([told.film]) {
            if let Some(c) = face.lacks(text) {
                let span = reader.value("burn_in").map_or(setup.span, |value| value.span);
                let message = format!("the font has no {c:?}, and a box stands for it: {text:?}");
                cautions.push(Problem::error(span, message).warning());
            }
        }
        let size = setup.frame_size;
        reader.finish(|| {
            let numbers = numbers.expect("without its frames there is a problem, and no end to come to");
            Reviewed { numbers, slots, leaving, words, labels, face, size, cautions }
        })
    }
}

impl Operator for Print {
    fn spec(&self) -> &'static Spec {
        &SPEC
    }

    fn prepare(&self, setup: &Setup<'_>) -> Result<Box<dyn Prepared>, Problems> {
        let problem = Problem::error(setup.span, "a print is of the whole film, and no stage of a shot");
        Err(vec![problem.help("declare it as prints: { NAME: { … } } beside `assembly`")])
    }
}

struct Reviewed {
    numbers: Numbers,
    /// What plays, in the order of the film.
    slots: Vec<Slot>,
    /// What goes on under what comes in.
    leaving: Vec<Slot>,
    words: BurnIn,
    /// Of leaders: the film, its size and rate.
    labels: [String; 2],
    face: Face,
    size: (u32, u32),
    cautions: Problems,
}

impl Reviewed {
    /// The film frame that a frame shows; none of leaders.
    fn film_frame(&self, frame: i64) -> Option<i64> {
        let pictures = self.numbers.pictures;
        pictures.contains(frame).then(|| frame - pictures.first + 1)
    }

    fn mark(&self, frame: i64) -> Mark {
        let numbers = &self.numbers;
        Mark::of(frame, numbers.all.first, numbers.pictures, numbers.nominal)
    }

    fn words(&self, frame: i64, film_frame: i64) -> Vec<(usize, String)> {
        // What fades out is told of until it is gone: black has nothing to tell.
        let playing =
            Slot::playing(&self.slots, film_frame).or_else(|| Slot::playing(&self.leaving, film_frame));
        self.words.words(|field| match (field, playing) {
            ("film", _) => self.labels[0].clone(),
            ("timecode", _) => self.numbers.counting.label(frame).to_string(),
            ("film_frame", _) => film_frame.to_string(),
            ("shot", Some((slot, _))) => slot.shot.to_string(),
            ("stage", Some((slot, _))) => slot.stage.to_string(),
            ("frame", Some((slot, into))) => slot.run.at(into).to_string(),
            ("shot", None) => "black".to_string(),
            _ => String::new(),
        })
    }
}

impl Prepared for Reviewed {
    fn channels(&self) -> Vec<Arc<str>> {
        RGBA.iter().map(|&name| name.into()).collect()
    }

    fn reach(&self, _input: usize, frame: i64) -> FrameRange {
        self.film_frame(frame).map_or(FrameRange::none(), FrameRange::one)
    }

    fn at(&self, frame: i64, key: &mut KeyHasher) {
        match self.film_frame(frame) {
            Some(film_frame) => self.words.feed(&self.words(frame, film_frame), key),
            None => {
                let mark = self.mark(frame);
                mark.feed(key);
                if mark != Mark::Black {
                    key.int(self.numbers.nominal).text(&self.labels[0]).text(&self.labels[1]);
                }
            }
        }
    }

    fn cautions(&self) -> Problems {
        self.cautions.clone()
    }

    fn make(&self, inputs: &Inputs<'_>, frame: i64) -> Result<Made, OperatorError> {
        let Some(film_frame) = self.film_frame(frame) else {
            let [film, form] = [0, 1].map(|i| self.labels[i].as_str());
            return Ok(leader::draw(
                self.mark(frame),
                self.size,
                self.numbers.nominal,
                [film, form],
                &self.face,
            )
            .into());
        };
        let mut image = inputs.frame(0, film_frame)?.clone();
        self.words.write(&mut image, &self.words(frame, film_frame), &self.face);
        Ok(image.into())
    }
}

#[cfg(test)]
mod tests;
