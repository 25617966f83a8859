//! `passes`: joins several takes of one move into one picture.
//!
//! Knows its settings, which frames of which take a frame needs, and how takes and shadows lie over a clean plate. Where a
//! take lies is `place`'s, moving it `patch`'s, its shadow `shadow`'s, what of it is the set `bare`'s, a part of a frame `moment`'s.

mod bare;
mod lay;
pub mod moment;
pub mod patch;
pub mod place;
mod read;
mod shadow;
pub mod spec;

use std::sync::Arc;

use self::bare::bare;
use self::lay::joined;
use self::moment::{Between, Moment};
use self::patch::{Cutting, Patch, Shown, patch};
use self::place::Moves;
use self::read::{Take, order, takes};
use self::shadow::{Rules, shadow};
use self::spec::{CLEAN, SPEC};
use super::{matte, picture};
use crate::base::curve::Curve;
use crate::base::digest::{Digest, KeyHasher};
use crate::base::frames::FrameRange;
use crate::base::problem::{Problem, Problems, Span};
use crate::media::image::{Image, RGBA};
use crate::operators::{Connected, Inputs, Made, Operator, OperatorError, Prepared, Reader, Setup, Spec};

/// The operator.
pub struct Passes;

/// How bright a take may make the set, when that is kept.
const BRIGHTEST: f32 = 4.0;

impl Operator for Passes {
    fn spec(&self) -> &'static Spec {
        &SPEC
    }

    fn prepare(&self, setup: &Setup<'_>) -> Result<Box<dyn Prepared>, Problems> {
        let mut reader = Reader::new(&SPEC, setup);
        let soften = reader.curve("soften");
        let between = Between::ALL[reader.word("between")];
        let mut cautions = Problems::new();
        let (takes, moves) = takes(&mut reader, setup, between, &mut cautions);
        let order = order(&mut reader, &takes);
        let clean = setup.inputs.iter().position(|c| c.port == CLEAN);
        if clean.is_none() {
            let problem = Problem::error(setup.span, "passes needs a clean plate");
            reader.problems.push(problem.help("clean: plate"));
        }
        let ready = Joining {
            inputs: setup.inputs.to_vec(),
            clean: clean.unwrap_or_default(),
            takes,
            between,
            order,
            soften,
            shadow: reader.curve("shadow"),
            rules: Rules {
                kept: 1.0,
                soften: reader.number("shadow_soften"),
                least: reader.number("shadow_least") as f32,
                most: if reader.flag("brighten") { BRIGHTEST } else { 1.0 },
                slack: reader.number("shadow_slack") as f32,
            },
            residual_over: reader.number("residual_over"),
            moves,
            span: reader.value("register").or(reader.value("moved")).map_or(setup.span, |v| v.span),
            cautions,
        };
        if reader.problems.is_empty() {
            for (input, connected) in setup.inputs.iter().enumerate() {
                reader.problems.extend(ready.lacking(input, setup.frames, connected.frames));
            }
        }
        reader.finish(|| ready)
    }
}

struct Joining {
    inputs: Vec<Connected>,
    clean: usize,
    /// In the order written.
    takes: Vec<Take>,
    between: Between,
    order: Vec<(i64, Vec<usize>)>,
    soften: Curve<1>,
    shadow: Curve<1>,
    rules: Rules,
    residual_over: f64,
    /// What the register file says.
    moves: Option<Moves>,
    span: Span,
    cautions: Problems,
}

impl Joining {
    /// Takes from back to front at a frame. Before the first key that one holds.
    fn order(&self, frame: i64) -> &[usize] {
        let after = self.order.partition_point(|(from, _)| *from <= frame);
        &self.order[after.saturating_sub(1)].1
    }

    fn moment(&self, take: &Take, frame: i64) -> Moment {
        Moment::at(frame, take.said.ahead(frame), self.between)
    }

    /// How much of shadows is kept at a frame.
    fn kept(&self, frame: i64) -> f32 {
        self.shadow.at(frame as f64)[0] as f32
    }

    /// Whether any take throws a shadow at a frame.
    fn is_shaded(&self, frame: i64) -> bool {
        self.kept(frame) > 0.0 && self.takes.iter().any(|take| take.floor.is_some())
    }

    /// The part of a take that a frame needs.
    fn patch(
        &self,
        take: &Take,
        inputs: &Inputs<'_>,
        frame: i64,
        size: (u32, u32),
    ) -> Result<Patch, OperatorError> {
        let moment = self.moment(take, frame);
        let floor = take.floor.filter(|_| self.kept(frame) > 0.0);
        let marks: Vec<usize> = [Some(take.matte), floor].into_iter().flatten().collect();
        let pictures = moment.frames().iter().map(|n| {
            let image = inputs.frame(take.picture, n)?;
            if (image.width(), image.height()) != size {
                let message = format!("take '{}' is not {}x{} pixels", take.name, size.0, size.1);
                return Err(OperatorError::WrongInput(message));
            }
            Ok(image)
        });
        let pictures = pictures.collect::<Result<Vec<&Image>, _>>()?;
        let plane =
            |input: &usize, n: i64| matte::plane(&self.inputs[*input], inputs.frame(*input, n)?, size);
        let planes = moment.frames().iter().map(|n| marks.iter().map(|input| plane(input, n)).collect());
        let planes = planes.collect::<Result<Vec<Vec<Vec<f32>>>, _>>()?;
        let (image, marks) = moment.show(&pictures, planes);
        let mut marks = marks.into_iter();
        let shown = Shown { image, matte: marks.next().unwrap_or_default(), floor: marks.next() };
        let how = Cutting {
            place: take.said.place(frame),
            soften: self.soften.at(frame as f64)[0],
            around: (3.0 * self.rules.soften).ceil() as usize,
            margin: if self.is_shaded(frame) { bare::MARGIN } else { 0 },
        };
        let holdout = take.holdout.map(|input| plane(&input, frame)).transpose()?;
        patch(shown, &how, holdout.as_deref())
    }
}

impl Prepared for Joining {
    fn channels(&self) -> Vec<Arc<str>> {
        RGBA.map(Arc::from).to_vec()
    }

    fn at(&self, frame: i64, key: &mut KeyHasher) {
        key.real(self.soften.at(frame as f64)[0]).int(self.clean as i64).list(self.takes.len());
        let kept = self.kept(frame);
        for &at in self.order(frame) {
            let take = &self.takes[at];
            key.int(take.picture as i64).int(take.matte as i64);
            take.said.place(frame).feed(key);
            self.moment(take, frame).feed(key);
            // A place of 0 is that of the clean plate or of a take, so that it stands for none here.
            let input = |input: Option<usize>| input.map_or(-1, |i| i as i64);
            key.int(input(take.floor.filter(|_| kept > 0.0))).int(input(take.holdout));
        }
        if self.is_shaded(frame) {
            let Rules { soften, least, most, slack, .. } = self.rules;
            key.real(kept.into()).real(soften).real(least.into()).real(most.into()).real(slack.into());
        }
    }

    fn is_steady(&self) -> bool {
        self.soften.is_steady()
            && self.shadow.is_steady()
            && self.order.len() == 1
            && self.takes.iter().all(|take| take.said.is_steady())
    }

    fn read_from(&self, parameter: &str) -> Option<Digest> {
        self.moves.as_ref().filter(|_| parameter == "register").map(Moves::digest)
    }

    fn keyed(&self) -> Vec<(Span, FrameRange)> {
        self.moves.as_ref().and_then(Moves::keyed).into_iter().collect()
    }

    fn cautions(&self) -> Problems {
        self.cautions.clone()
    }

    fn reach(&self, input: usize, frame: i64) -> FrameRange {
        if input == self.clean {
            return FrameRange::one(frame);
        }
        for take in &self.takes {
            let is_floor = take.floor == Some(input);
            if input == take.picture || input == take.matte || (is_floor && self.kept(frame) > 0.0) {
                return self.moment(take, frame).frames();
            }
            if take.holdout == Some(input) {
                return FrameRange::one(frame);
            }
        }
        FrameRange::none()
    }

    fn lacking(&self, input: usize, frames: FrameRange, has: FrameRange) -> Option<Problem> {
        let first = frames.iter().find(|n| {
            let reach = self.reach(input, *n);
            !reach.is_empty() && !has.covers(reach)
        })?;
        // A frame's own number is the frame's to have.
        if self.reach(input, first) == FrameRange::one(first) {
            return None;
        }
        let connected = &self.inputs[input];
        let what = format!(
            "{} '{}'",
            ["plate", "take", "matte", "shadow", "holdout"][connected.port],
            connected.name
        );
        let reach = self.reach(input, first);
        let message = format!("frame {first} needs frames {reach} of {what}, which has {has}");
        let problem = Problem::error(self.span, message);
        Some(problem.help("a take's offset in time is less the nearer its frames are to the clean plate's; use fewer frames or handles"))
    }

    fn make(&self, inputs: &Inputs<'_>, frame: i64) -> Result<Made, OperatorError> {
        let clean = inputs.frame(self.clean, frame)?;
        let size = (clean.width(), clean.height());
        let mut out = picture::copy(clean)?;
        let takes = self.order(frame).iter().map(|&at| self.patch(&self.takes[at], inputs, frame, size));
        let mut patches = takes.collect::<Result<Vec<Patch>, _>>()?;
        let rules = Rules { kept: self.kept(frame), ..self.rules };
        let shadows = patches.iter().map(|patch| {
            if patch.floor.is_empty() {
                return Ok(None);
            }
            Ok(Some(shadow(patch, &patch::copied(&out, &patch.part)?, &rules)))
        });
        let shadows = shadows.collect::<Result<Vec<_>, OperatorError>>()?;
        for (at, patch) in patches.iter_mut().enumerate() {
            // Where the shadow of another falls on a take, it must be known what of it is the set.
            let shadows =
                shadows.iter().enumerate().filter(|(i, _)| *i != at).filter_map(|(_, s)| s.as_ref());
            if shadows.into_iter().any(|shadow| shadow.part.meets(&patch.part)) {
                patch.bare = bare(patch, &patch::copied(&out, &patch.part)?, self.rules.slack);
            }
        }
        joined(&mut out, &patches, &shadows);
        let over = |take: &Take| {
            let left = take.said.residual.as_ref()?.at(frame as f64)[0];
            (left > self.residual_over).then(|| format!("take '{}' lies {left:.2} px off", take.name))
        };
        let all: Vec<String> = self.takes.iter().filter_map(over).collect();
        let remark =
            (!all.is_empty()).then(|| format!("measured against the clean plate, {}", all.join(", ")));
        Ok(Made { image: out, remark })
    }
}

#[cfg(test)]
mod tests;
