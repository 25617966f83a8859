//! `retime`: shows the source faster, slower, held or backwards.
//!
//! Knows the stage: its settings, which source frames it needs and what goes into a key. Where in the source an output frame
//! lies is `map`'s; what is shown there is mixed by `image::blend` or moved by `image::compensate`.

mod map;

use std::sync::Arc;

use self::map::{FrameMap, Shown, Travel};
use crate::base::digest::KeyHasher;
use crate::base::frames::{FRAME_LIMIT, FrameRange};
use crate::base::problem::{Problem, Problems, Span};
use crate::base::value::{Node, Value};
use crate::media::image::Image;
use crate::operators::image::blend::{Mixture, mix};
use crate::operators::image::compensate::{compensate, seen};
use crate::operators::image::flow::Motion;
use crate::operators::{
    Carries, Inputs, Kind, Made, Operator, OperatorError, Param, Port, Prepared, Reader, Setup, Spec,
};

static SPEC: Spec = Spec {
    name: "retime",
    version: 4,
    summary: "Shows the source faster, slower, held or backwards, by speed or by source frames, keyed against output frames.",
    ports: &[Port {
        name: "picture",
        carries: Carries::Picture,
        required: true,
        doc: "The picture to retime.",
    }],
    params: &[
        Param {
            name: "speed",
            kind: Kind::Keyed { min: -10_000.0, max: 10_000.0 },
            unit: "%",
            default: "100",
            doc: "Source frames passed in one output frame, in percent; 0 holds and below 0 runs backwards.",
        },
        Param {
            name: "source_frame",
            kind: Kind::Number { min: -(FRAME_LIMIT as f64), max: FRAME_LIMIT as f64 },
            unit: "frames",
            default: "",
            doc: "Source frame shown at the frame at_frame; when not said, that frame's own number.",
        },
        Param {
            name: "at_frame",
            kind: Kind::Whole { min: -FRAME_LIMIT, max: FRAME_LIMIT },
            unit: "frames",
            default: "",
            doc: "Output frame at which source_frame is shown; when not said, the first one, handles included.",
        },
        Param {
            name: "shows",
            kind: Kind::Keyed { min: -(FRAME_LIMIT as f64), max: FRAME_LIMIT as f64 },
            unit: "frames",
            default: "",
            doc: "In place of speed: source frames keyed against output frames. The source stands before the first key and \
                  after the last; smooth passes inner keys without a halt.",
        },
        Param {
            name: "between",
            kind: Kind::Word(&["nearest", "blended", "flow"]),
            unit: "",
            default: "nearest",
            doc: "Between two source frames: nearest shows the one nearer, blended mixes them in linear light, and flow moves \
                  what they show along its motion.",
        },
        Param {
            name: "shutter",
            kind: Kind::Number { min: 0.0, max: 360.0 },
            unit: "degrees",
            default: "180",
            doc: "Of blended, how long the shutter is open, of the source and of what comes out: faster than 100 % it gathers \
                  more of the source, centred on the frame. 0 never gathers.",
        },
    ],
    source: "Place is the integral of speed over time; smooth speed is 3u² − 2u³ and its integral u³ − u⁴/2. Smooth keys: \
             Fritsch & Butland 1984. Flow: Kroeger et al. 2016 refined by Brox et al. 2004, occlusions by Sundaram et al. \
             2010; fetched by Keys 1981",
};

/// The operator.
pub struct Retime;

/// What is shown between source frames.
#[derive(Clone, Copy, PartialEq)]
enum Between {
    Nearest,
    /// With so many frames of open shutter.
    Blended(f64),
    Flow,
}

impl Operator for Retime {
    fn spec(&self) -> &'static Spec {
        &SPEC
    }

    fn prepare(&self, setup: &Setup<'_>) -> Result<Box<dyn Prepared>, Problems> {
        let mut reader = Reader::new(&SPEC, setup);
        let map = map(&mut reader, setup);
        let shutter = reader.number("shutter") / 360.0;
        let between = match reader.word("between") {
            0 => Between::Nearest,
            1 => Between::Blended(shutter),
            _ => Between::Flow,
        };
        let mut cautions = Problems::new();
        if let Some(value) = reader.value("shutter").filter(|_| !matches!(between, Between::Blended(_))) {
            let problem = Problem::error(value.span, "shutter says nothing here").warning();
            cautions.push(problem.help("it is for between: blended"));
        }
        let span = reader.value("shows").or(reader.value("speed")).or(reader.value("source_frame"));
        let line = span.map_or_else(|| Line::of(None, setup.span), |value| Line::of(Some(value), value.span));
        let input = setup.inputs.first();
        let channels = input.map_or_else(Vec::new, |input| input.channels.clone());
        let ready = Ready { map, between, channels, cautions, line };
        if let Some(input) = input.filter(|_| reader.problems.is_empty()) {
            reader.problems.extend(ready.lacking(0, setup.frames, input.frames));
        }
        reader.finish(|| ready)
    }
}

/// The map as set.
fn map(reader: &mut Reader<'_>, setup: &Setup<'_>) -> FrameMap {
    let said = |reader: &Reader<'_>, name: &str| reader.value(name).map(|value| value.span);
    let anchor = match said(reader, "at_frame") {
        Some(_) => reader.whole("at_frame"),
        None => setup.frames.first,
    };
    let start = match said(reader, "source_frame") {
        Some(_) => reader.number("source_frame"),
        None => anchor as f64,
    };
    let travel = Travel::new(reader.curve("speed"));
    if said(reader, "shows").is_none() {
        return FrameMap::Speed { travel, start, anchor };
    }
    for name in ["speed", "source_frame", "at_frame"] {
        if let Some(span) = said(reader, name) {
            let problem =
                Problem::error(span, format!("{name} and shows both say which source frames are shown"));
            reader.problems.push(problem.help("leave one of them out"));
        }
    }
    FrameMap::Keyed(Shown::new(reader.curve("shows")))
}

/// Where the setting that says what a frame shows stands: at the key in force, when it is keyed.
struct Line {
    whole: Span,
    keys: Vec<(i64, Span)>,
}

impl Line {
    fn of(value: Option<&Value>, whole: Span) -> Self {
        let keys = match value.map(|value| &value.node) {
            Some(Node::Map(map)) => map
                .entries
                .iter()
                .filter_map(|(key, value)| Some((key.text.parse().ok()?, value.span)))
                .collect(),
            _ => Vec::new(),
        };
        Self { whole, keys }
    }

    fn at(&self, frame: i64) -> Span {
        let before = self.keys.iter().filter(|(key, _)| *key <= frame).max_by_key(|(key, _)| *key);
        let key = before.or(self.keys.iter().min_by_key(|(key, _)| *key));
        key.map_or(self.whole, |(_, span)| *span)
    }
}

/// A number as people read it.
fn shown(number: f64) -> String {
    let text = format!("{number:.3}");
    text.trim_end_matches('0').trim_end_matches('.').to_string()
}

struct Ready {
    map: FrameMap,
    between: Between,
    channels: Vec<Arc<str>>,
    cautions: Problems,
    line: Line,
}

/// What one frame is made of.
#[derive(Debug, PartialEq)]
enum Sample {
    /// Source frames mixed; one alone is a copy.
    Mixed(Mixture),
    /// Made between this source frame and the next one, at a share of the way.
    Moved(i64, f64),
}

impl Ready {
    fn sample(&self, frame: i64) -> Sample {
        let place = self.map.place(frame as f64);
        let (floor, share) = (place.floor(), place - place.floor());
        match self.between {
            Between::Nearest => Sample::Mixed(Mixture::one((place + 0.5).floor() as i64)),
            Between::Flow if share > 0.0 => Sample::Moved(floor as i64, share),
            Between::Flow => Sample::Mixed(Mixture::one(floor as i64)),
            Between::Blended(open) => {
                let time = |side: f64| self.map.place(frame as f64 + side * open / 2.0);
                // What the source's own shutter gathered is in its frames already.
                let more = (time(1.0) - time(-1.0)).abs() - open;
                Sample::Mixed(Mixture::around(place, if more > 1e-6 { more } else { 0.0 }))
            }
        }
    }
}

impl Prepared for Ready {
    fn channels(&self) -> Vec<Arc<str>> {
        self.channels.clone()
    }

    fn cautions(&self) -> Problems {
        self.cautions.clone()
    }

    fn reach(&self, _input: usize, frame: i64) -> FrameRange {
        match self.sample(frame) {
            Sample::Mixed(mixture) => FrameRange::new(mixture.first, mixture.last()),
            Sample::Moved(first, _) => FrameRange::new(first, first.saturating_add(1)),
        }
    }

    /// How the frames in reach are put together says all: one alone is a copy, however it was come by. Which frames they
    /// are is in the key by their digests, so a frame that shows the same source as before keeps its key.
    fn at(&self, frame: i64, key: &mut KeyHasher) {
        match self.sample(frame) {
            Sample::Mixed(mixture) => {
                key.text("mixed").list(mixture.weights.len());
                for weight in mixture.weights {
                    key.real(weight);
                }
            }
            Sample::Moved(_, share) => {
                key.text("moved").real(share);
            }
        }
    }

    /// As it moves, whatever is shown between two source frames.
    fn source_time(&self, time: f64) -> Option<f64> {
        Some(self.map.place(time))
    }

    fn is_steady(&self) -> bool {
        self.between == Between::Nearest
    }

    fn lacking(&self, _input: usize, frames: FrameRange, has: FrameRange) -> Option<Problem> {
        let leaves = |n: &i64| !has.covers(self.reach(0, *n));
        let first = frames.iter().find(leaves)?;
        let count = frames.iter().filter(leaves).count();
        let place = shown(self.map.place(first as f64));
        let speed = shown(self.map.speed(first));
        let others = match count - 1 {
            0 => String::new(),
            1 => ", and so does 1 frame more".to_string(),
            more => format!(", and so do {more} frames more"),
        };
        let message = format!(
            "output frame {first}, at {speed} %, leaves the source: it shows source frame {place}{others}"
        );
        let problem = Problem::error(self.line.at(first), message);
        Some(
            problem.help(format!(
                "the source has frames {has}; change the speed, or use fewer frames or handles"
            )),
        )
    }

    fn make(&self, inputs: &Inputs<'_>, frame: i64) -> Result<Made, OperatorError> {
        match self.sample(frame) {
            Sample::Mixed(mixture) => {
                let list = (mixture.first..).zip(&mixture.weights);
                let frames: Vec<(i64, &Image, f32)> = list
                    .map(|(n, weight)| Ok((n, inputs.frame(0, n)?, *weight as f32)))
                    .collect::<Result<_, OperatorError>>()?;
                if let [(_, only, _)] = frames[..] {
                    return Ok(only.clone().into());
                }
                for pair in frames.windows(2) {
                    alike(frame, (pair[0].0, pair[0].1), (pair[1].0, pair[1].1))?;
                }
                let weighed: Vec<_> = frames.iter().map(|(_, image, weight)| (*image, *weight)).collect();
                Ok(mix(&weighed).into())
            }
            Sample::Moved(first, share) => {
                let (a, b) = (inputs.frame(0, first)?, inputs.frame(0, first.saturating_add(1))?);
                alike(frame, (first, a), (first + 1, b))?;
                let (width, height) = (a.width() as usize, a.height() as usize);
                if let Some(motion) = Motion::between(&seen(a), &seen(b), width, height) {
                    return Ok(compensate(a, b, &motion, share as f32).into());
                }
                let (image, shown) = if share < 0.5 { (a, first) } else { (b, first + 1) };
                let next = first + 1;
                let remark = format!(
                    "source frames {first} and {next} show no common motion, as at a cut: frame {shown} is shown as it is"
                );
                Ok(Made { image: image.clone(), remark: Some(remark) })
            }
        }
    }
}

/// Frames that are put together must be of one form.
fn alike(frame: i64, (n, a): (i64, &Image), (m, b): (i64, &Image)) -> Result<(), OperatorError> {
    let size = |image: &Image| (image.width(), image.height());
    let names = |image: &Image| image.channels().iter().map(|c| c.name.clone()).collect::<Vec<_>>();
    if size(a) == size(b) && names(a) == names(b) {
        return Ok(());
    }
    let text = format!("frames {n} and {m} differ in size or channels");
    Err(OperatorError::WrongInput(format!("frame {frame}: {text}")))
}

#[cfg(test)]
mod flow_tests;
#[cfg(test)]
mod tests;
