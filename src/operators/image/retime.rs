//! The retime operator: speed keyed against output frames decides which source frames are shown.
//!
//! Knows how speed becomes a position in the source. Does not know where frames come from, and never looks at
//! pixels to find motion.
//!
//! Frame n is sampled at time n. Its position is `start` plus the integral of speed from the frame at which `start` is
//! shown, in closed form for every ease (a sum of each frame's speed would be off by up to half the change of
//! speed at the end of a ramp). Positions are rounded to 2⁻³⁰ of a frame, so that no rounding error picks another frame.

use std::sync::Arc;

use crate::base::curve::{Curve, Ease};
use crate::base::digest::KeyHasher;
use crate::base::frames::{FRAME_LIMIT, FrameRange};
use crate::base::level::{Level, kernel};
use crate::base::problem::{Problem, Problems, Span};
use crate::media::image::Image;
use crate::operators::colour::block::{BLOCK, append_half, from_half};
use crate::operators::{
    Carries, Inputs, Kind, Operator, OperatorError, Param, Port, Prepared, Reader, Setup, Spec,
};

static SPEC: Spec = Spec {
    name: "retime",
    version: 2,
    summary: "Shows the source faster, slower, held or backwards, by speed keyed against output frames.",
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
            name: "start",
            kind: Kind::Number { min: -(FRAME_LIMIT as f64), max: FRAME_LIMIT as f64 },
            unit: "frames",
            default: "",
            doc: "Source frame shown at the frame start_at; when not said, that frame's own number.",
        },
        Param {
            name: "start_at",
            kind: Kind::Whole { min: -FRAME_LIMIT, max: FRAME_LIMIT },
            unit: "frames",
            default: "",
            doc: "Output frame at which start is shown; when not said, the first one, handles included.",
        },
        Param {
            name: "frames",
            kind: Kind::Word(&["whole", "mixed"]),
            unit: "",
            default: "whole",
            doc: "whole shows the nearest source frame as it is; mixed mixes the two on either side in linear light.",
        },
    ],
    source: "Position is the integral of speed over time; smooth speed is 3u² − 2u³ and its integral u³ − u⁴/2",
};

/// The operator.
pub struct Retime;

impl Operator for Retime {
    fn spec(&self) -> &'static Spec {
        &SPEC
    }

    fn prepare(&self, setup: &Setup<'_>) -> Result<Box<dyn Prepared>, Problems> {
        let mut reader = Reader::new(&SPEC, setup);
        let speed = reader.curve("speed");
        let said = |reader: &Reader<'_>, name: &str| reader.value(name).is_some();
        let anchor = if said(&reader, "start_at") { reader.whole("start_at") } else { setup.frames.first };
        let start = if said(&reader, "start") { reader.number("start") } else { anchor as f64 };
        let mixed = reader.word("frames") == 1;
        let map = Map { speed: Travel::new(speed), start, anchor };
        let input = setup.inputs.first();
        let channels = input.map_or_else(Vec::new, |input| input.channels.clone());
        let ready = Ready { map, mixed, channels };
        if let Some(input) = input.filter(|_| reader.problems.is_empty()) {
            let span = reader.value("speed").or(reader.value("start")).map_or(setup.span, |v| v.span);
            reader.problems.extend(ready.lacking(setup.frames, input.frames, span));
        }
        reader.finish(|| ready)
    }
}

/// A position as people read it.
fn shown(position: f64) -> String {
    let text = format!("{position:.3}");
    text.trim_end_matches('0').trim_end_matches('.').to_string()
}

/// The integral of speed keyed in time.
struct Travel {
    speed: Curve<1>,
    /// Percent × frames from the first key to each key.
    at_keys: Vec<f64>,
}

impl Travel {
    fn new(speed: Curve<1>) -> Self {
        let mut at_keys = vec![0.0];
        for pair in speed.keys().windows(2) {
            let ((from, [a]), (to, [b])) = (pair[0], pair[1]);
            let length = (to - from) as f64;
            let last = at_keys[at_keys.len() - 1];
            at_keys.push(last + part(speed.ease(), a, b, length, length));
        }
        Self { speed, at_keys }
    }

    /// Percent × frames from the first key to `frame`.
    fn until(&self, frame: i64) -> f64 {
        let keys = self.speed.keys();
        let after = keys.partition_point(|&(at, _)| at <= frame);
        let Some(before) = after.checked_sub(1) else {
            let (at, [first]) = keys[0];
            return first * (frame - at) as f64;
        };
        let (at, [a]) = keys[before];
        let passed = (frame - at) as f64;
        let gone = match keys.get(after) {
            Some(&(next, [b])) => part(self.speed.ease(), a, b, (next - at) as f64, passed),
            None => a * passed,
        };
        self.at_keys[before] + gone
    }
}

/// The integral over the first `passed` frames of a move from `a` to `b` in `length` frames.
fn part(ease: Ease, a: f64, b: f64, length: f64, passed: f64) -> f64 {
    let u = passed / length;
    match ease {
        Ease::Hold => a * passed,
        Ease::Linear => a * passed + (b - a) * passed * passed / (2.0 * length),
        Ease::Smooth => a * passed + (b - a) * length * u * u * u * (1.0 - u / 2.0),
    }
}

/// From output frame to position in the source.
struct Map {
    speed: Travel,
    /// Source position shown at `anchor`.
    start: f64,
    anchor: i64,
}

impl Map {
    fn position(&self, frame: i64) -> f64 {
        const STEPS: f64 = (1u64 << 30) as f64;
        let exact = self.start + (self.speed.until(frame) - self.speed.until(self.anchor)) / 100.0;
        (exact * STEPS).round() / STEPS
    }
}

struct Ready {
    map: Map,
    mixed: bool,
    channels: Vec<Arc<str>>,
}

impl Ready {
    /// The problem of the first output frame, if any, that reaches outside of the input's frames.
    fn lacking(&self, frames: FrameRange, input: FrameRange, span: Span) -> Option<Problem> {
        let frame = frames.iter().find(|&n| !input.covers(self.reach(0, n)))?;
        let position = shown(self.map.position(frame));
        let message = format!("output frame {frame} shows source frame {position}, which the input has not");
        Some(Problem::error(span, message).help(format!("the input has frames {input}")))
    }

    /// The source frame at or before a position, and the weight of the next one; whole frames have no weight.
    fn sample(&self, frame: i64) -> (i64, f64) {
        let position = self.map.position(frame);
        if self.mixed {
            (position.floor() as i64, position - position.floor())
        } else {
            ((position + 0.5).floor() as i64, 0.0)
        }
    }
}

impl Prepared for Ready {
    fn channels(&self) -> Vec<Arc<str>> {
        self.channels.clone()
    }

    fn reach(&self, _input: usize, frame: i64) -> FrameRange {
        let (source, weight) = self.sample(frame);
        FrameRange::new(source, source.saturating_add(i64::from(weight > 0.0)))
    }

    /// The weight says all: 0 is a copy of the one frame in reach and anything else mixes the two. Which frames they are
    /// is in the key by their digests, so a frame that shows the same source as before keeps its key.
    fn at(&self, frame: i64, key: &mut KeyHasher) {
        key.real(self.sample(frame).1);
    }

    fn is_steady(&self) -> bool {
        !self.mixed
    }

    fn apply(&self, inputs: &Inputs<'_>, frame: i64) -> Result<Image, OperatorError> {
        let (source, weight) = self.sample(frame);
        let first = inputs.frame(0, source)?;
        if weight == 0.0 {
            return Ok(first.clone());
        }
        let next = inputs.frame(0, source.saturating_add(1))?;
        let size = |image: &Image| (image.width(), image.height());
        let names = |image: &Image| image.channels().iter().map(|c| c.name.clone()).collect::<Vec<_>>();
        if size(first) != size(next) || names(first) != names(next) {
            let text = format!("frames {source} and {} differ in size or channels", source + 1);
            return Err(OperatorError::WrongInput(format!("frame {frame}: {text}")));
        }
        Ok(mix(first, next, weight as f32))
    }
}

/// `(1 − weight)·a + weight·b`, in linear light. Both have the same size and channels.
fn mix(a: &Image, b: &Image, weight: f32) -> Image {
    let level = Level::best();
    let (mut left, mut right) = ([0.0f32; BLOCK], [0.0f32; BLOCK]);
    let channels = a
        .channels()
        .iter()
        .zip(b.channels())
        .map(|(a, b)| {
            let mut out = a.clone();
            out.samples.clear();
            for (a, b) in a.samples.chunks(BLOCK).zip(b.samples.chunks(BLOCK)) {
                let (left, right) = (&mut left[..a.len()], &mut right[..a.len()]);
                from_half(a, left);
                from_half(b, right);
                blend(level, left, right, weight);
                append_half(level, left, &mut out.samples);
            }
            out
        })
        .collect();
    Image::from_channels(a.width(), a.height(), channels)
}

kernel! {
    fn blend(a: &mut [f32], b: &[f32], weight: f32) {
        for (a, b) in a.iter_mut().zip(b) {
            *a = *a * (1.0 - weight) + *b * weight;
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::base::problem::SourceId;
    use crate::base::value::{Key, Map as Settings, Node, Scalar, Value};
    use crate::operators::{Connected, WorkingSpace};
    use std::collections::BTreeMap;

    const SPAN: Span = Span { source: SourceId(0), start: 3, end: 9 };

    fn scalar(text: &str) -> Value {
        Value { span: SPAN, node: Node::Scalar(Scalar { text: text.into(), quoted: false }) }
    }

    fn map(entries: Vec<(String, Value)>) -> Settings {
        Settings { entries: entries.into_iter().map(|(text, v)| (Key { text, span: SPAN }, v)).collect() }
    }

    fn keyed(keys: &[(i64, f64)], ease: &str) -> Value {
        let mut entries: Vec<(String, Value)> =
            keys.iter().map(|(frame, v)| (frame.to_string(), scalar(&v.to_string()))).collect();
        entries.push(("ease".into(), scalar(ease)));
        Value { span: SPAN, node: Node::Map(map(entries)) }
    }

    fn prepare(
        settings: Vec<(&str, Value)>,
        frames: FrameRange,
        input: FrameRange,
    ) -> Result<Box<dyn Prepared>, Problems> {
        let settings = map(settings.into_iter().map(|(k, v)| (k.to_string(), v)).collect());
        let connected =
            Connected { port: 0, name: String::new(), channels: vec!["R".into(), "A".into()], frames: input };
        Retime.prepare(&Setup {
            settings: &settings,
            span: SPAN,
            files: &BTreeMap::new(),
            cut: &[],
            frames,
            frame_size: (2, 1),
            rate: 24.0,
            working_space: WorkingSpace::LinearRec709,
            inputs: &[connected],
        })
    }

    fn key(ready: &dyn Prepared, frame: i64) -> crate::base::digest::Digest {
        let mut key = KeyHasher::new();
        ready.at(frame, &mut key);
        key.finish()
    }

    /// Speed keys of a case of the outside checks, in percent.
    fn speed_of(case: &serde_json::Value) -> Value {
        let frames = case["output_frames"].as_i64().unwrap();
        let ramp = |a: f64, b: f64, ease| keyed(&[(0, a), (frames, b)], ease);
        match case["id"].as_str().unwrap() {
            "const_1" => scalar("100"),
            "const_half" => scalar("50"),
            "const_240pct" => scalar("240"),
            "const_2997_to_24" => scalar("125"),
            "freeze" => scalar("0"),
            "reverse" => scalar("-100"),
            "reverse_fast" => scalar("-150"),
            "ramp_1_to_0.25" => ramp(100.0, 25.0, "linear"),
            "ramp_0.5_to_2" => ramp(50.0, 200.0, "linear"),
            "ramp_1_to_-1" => ramp(100.0, -100.0, "linear"),
            "smooth_1_to_0.25" => ramp(100.0, 25.0, "smooth"),
            "hold_24_frames" => keyed(&[(0, 100.0), (20, 0.0), (44, 100.0)], "hold"),
            "keys_piecewise" => {
                let keys: Vec<(i64, f64)> = case["speed_keys"]
                    .as_array()
                    .unwrap()
                    .iter()
                    .map(|k| (k[0].as_i64().unwrap(), k[1].as_f64().unwrap() * 100.0))
                    .collect();
                keyed(&keys, "linear")
            }
            other => panic!("the checks have a case {other} that this test does not know"),
        }
    }

    #[test]
    fn positions_are_those_of_the_outside_checks() {
        let text = include_str!("../../../tests/checks/retime.json");
        let all: serde_json::Value = serde_json::from_str(text).unwrap();
        let cases = all["cases"].as_array().unwrap();
        assert_eq!(cases.len(), 13);
        for case in cases {
            let id = &case["id"];
            let samples = case["samples"].as_array().unwrap();
            let start = case["source_start"].as_f64().unwrap();
            let curve = Travel::new(speed_of(case).curve().unwrap());
            let map = Map { speed: curve, start, anchor: 0 };
            let mut ready = Ready { map, mixed: false, channels: vec![] };
            for sample in samples {
                let n = sample["out_frame"].as_i64().unwrap();
                let want = sample["source_pos"].as_f64().unwrap();
                let got = ready.map.position(n);
                assert!((got - want).abs() < 1e-9, "{id} at {n}: {got} not {want}");
                if let Some(nearest) = sample["nearest_half_up"].as_i64() {
                    ready.mixed = false;
                    assert_eq!(ready.reach(0, n), FrameRange::one(nearest), "{id} at {n}");
                    ready.mixed = true;
                    let (floor, weight) = ready.sample(n);
                    assert_eq!(floor, sample["blend_floor"].as_i64().unwrap(), "{id} at {n}");
                    let want = sample["blend_weight_next"].as_f64().unwrap();
                    assert!((weight - want).abs() < 1e-9, "{id} at {n}: {weight} not {want}");
                    assert_eq!(ready.reach(0, n).len(), 1 + usize::from(want > 0.0), "{id} at {n}");
                }
            }
        }
    }

    #[test]
    fn normal_speed_shows_every_frame_itself_whatever_the_handles() {
        for first in [1001, 1009] {
            let frames = FrameRange::new(first, 1050);
            let ready = prepare(vec![], frames, FrameRange::new(1001, 1072)).unwrap();
            assert!(frames.iter().all(|n| ready.reach(0, n) == FrameRange::one(n)));
        }
        let anchored = |first| {
            let settings =
                vec![("speed", scalar("50")), ("start_at", scalar("1009")), ("start", scalar("1020"))];
            prepare(settings, FrameRange::new(first, 1050), FrameRange::new(1001, 1072)).unwrap()
        };
        assert_eq!(anchored(1001).reach(0, 1013), FrameRange::one(1022));
        assert_eq!(anchored(1009).reach(0, 1013), FrameRange::one(1022));
    }

    #[test]
    fn the_first_frame_that_the_input_lacks_is_named() {
        let settings = vec![("speed", scalar("200"))];
        let problems =
            prepare(settings, FrameRange::new(1001, 1040), FrameRange::new(1001, 1072)).err().unwrap();
        assert_eq!(problems[0].message, "output frame 1037 shows source frame 1073, which the input has not");
        assert_eq!(problems[0].help.as_deref(), Some("the input has frames 1001-1072"));
        // Between 1072 and 1073 a whole frame is still there, and a mixed one is not.
        let settings =
            |mode| vec![("start", scalar("1072.25")), ("speed", scalar("0")), ("frames", scalar(mode))];
        let range = (FrameRange::new(1, 2), FrameRange::new(1001, 1072));
        assert!(prepare(settings("whole"), range.0, range.1).is_ok());
        assert!(prepare(settings("mixed"), range.0, range.1).is_err());
    }

    #[test]
    fn only_frames_that_move_get_another_key() {
        let frames = FrameRange::new(0, 48);
        let input = FrameRange::new(-100, 200);
        let with = |keys: &[(i64, f64)]| {
            prepare(vec![("speed", keyed(keys, "linear")), ("frames", scalar("mixed"))], frames, input)
                .unwrap()
        };
        let before = with(&[(0, 100.0), (24, 100.0), (48, 25.0)]);
        let after = with(&[(0, 100.0), (24, 100.0), (48, 50.0)]);
        for n in frames.iter() {
            let same = key(&*before, n) == key(&*after, n) && before.reach(0, n) == after.reach(0, n);
            assert_eq!(same, n <= 24, "frame {n}");
        }
        let whole = prepare(vec![("speed", scalar("50"))], frames, input).unwrap();
        assert!(whole.is_steady());
        // A mixture of nothing is a copy, and has the key of one.
        assert_eq!(key(&*before, 7), key(&*whole, 7));
    }

    #[test]
    fn blends_mix_in_linear_light() {
        let image = |value: f32| {
            let mut image = Image::new(2, 1, &["R", "A"]);
            image.write_row(0, 0, &[value, -value]);
            image.write_row(1, 0, &[1.0, 0.5]);
            Arc::new(image)
        };
        let settings = || vec![("speed", scalar("25")), ("frames", scalar("mixed"))];
        let ready = prepare(settings(), FrameRange::new(0, 3), FrameRange::new(0, 4)).unwrap();
        let frames = vec![vec![(0, image(1.0)), (1, image(3.0))]];
        let inputs = Inputs { frames: &frames, raster: None };
        let out = ready.apply(&inputs, 1).unwrap();
        assert_eq!(out.plane_f32(0), [1.5, -1.5]);
        assert_eq!(out.plane_f32(1), [1.0, 0.5]);
        assert_eq!(ready.apply(&inputs, 0).unwrap(), *frames[0][0].1);
        let lacking = vec![vec![(0, image(1.0))]];
        let inputs = Inputs { frames: &lacking, raster: None };
        assert_eq!(ready.apply(&inputs, 1), Err(OperatorError::MissingInput { input: 0, frame: 1 }));
    }

    proptest::proptest! {
        #[test]
        fn the_integral_is_that_of_many_small_steps(
            keys in proptest::collection::btree_map(-40i64..40, -300.0f64..300.0, 1..6),
            ease in 0usize..3,
            frame in -60i64..60,
        ) {
            let ease = [Ease::Hold, Ease::Linear, Ease::Smooth][ease];
            let curve = Curve::new(keys.into_iter().map(|(n, v)| (n, [v])).collect(), ease);
            let travel = Travel::new(curve.clone());
            let steps = 2000;
            let sum: f64 = (0..steps)
                .map(|i| curve.at(frame as f64 + (f64::from(i) + 0.5) / f64::from(steps))[0] / f64::from(steps))
                .sum();
            let exact = travel.until(frame + 1) - travel.until(frame);
            proptest::prop_assert!((sum - exact).abs() < 1e-3, "{} not {}", sum, exact);
        }
    }
}
