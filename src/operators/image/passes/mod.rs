//! `passes`: joins several takes of one move into one picture.
//!
//! Knows its settings, which frames of which take a frame needs, and how takes and shadows lie over a clean plate. Where a
//! take lies is `place`'s, moving it `patch`'s, its shadow `shadow`'s, a part of a frame `moment`'s.

pub mod moment;
pub mod patch;
pub mod place;
mod shadow;
pub mod spec;

use std::sync::Arc;

use self::moment::{Between, Moment};
use self::patch::{Cutting, Patch, Shown, patch};
use self::place::Said;
use self::shadow::{Rules, Shadow, shadow};
use self::spec::{CLEAN, HOLDOUTS, MATTES, SHADOWS, SPEC, TAKES};
use super::matte;
use crate::base::curve::Curve;
use crate::base::digest::{Digest, KeyHasher};
use crate::base::frames::FrameRange;
use crate::base::problem::{Problem, Problems, Span, nearest};
use crate::base::value::{Node, Value};
use crate::media::image::{Image, RGBA};
use crate::operators::{Connected, Inputs, Operator, OperatorError, Prepared, Reader, Setup, Spec};

/// The operator.
pub struct Passes;

/// How bright a take may make the set, when that is kept.
const BRIGHTEST: f32 = 4.0;

/// One take with all that belongs to it.
struct Take {
    name: String,
    /// Connected inputs.
    picture: usize,
    matte: usize,
    floor: Option<usize>,
    holdout: Option<usize>,
    said: Said,
}

impl Operator for Passes {
    fn spec(&self) -> &'static Spec {
        &SPEC
    }

    fn prepare(&self, setup: &Setup<'_>) -> Result<Box<dyn Prepared>, Problems> {
        let mut reader = Reader::new(&SPEC, setup);
        let soften = reader.curve("soften");
        let between = Between::ALL[reader.word("between")];
        let mut cautions = Problems::new();
        let (takes, told) = takes(&mut reader, setup, between, &mut cautions);
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
            told,
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

/// The takes in the order written, each with what belongs to it, and a digest of what the file of moves says.
fn takes(
    reader: &mut Reader<'_>,
    setup: &Setup<'_>,
    between: Between,
    cautions: &mut Problems,
) -> (Vec<Take>, Option<Digest>) {
    let on = |port: usize| setup.inputs.iter().enumerate().filter(move |(_, c)| c.port == port);
    let of = |port: usize, name: &str| on(port).find(|(_, m)| m.name == name).map(|(i, _)| i);
    let mut takes = Vec::new();
    for (picture, connected) in on(TAKES) {
        let name = &connected.name;
        let Some(matte) = of(MATTES, name) else {
            let problem = Problem::error(setup.span, format!("take '{name}' has no matte of its name"));
            let names = on(MATTES).map(|(_, m)| m.name.as_str());
            reader.problems.push(match nearest(name, names) {
                Some(name) => problem.help(format!("did you mean '{name}'?")),
                None => problem.help(format!("mattes: {{ {name}: STAGE.CHANNEL }}")),
            });
            continue;
        };
        let (floor, holdout) = (of(SHADOWS, name), of(HOLDOUTS, name));
        takes.push(Take { name: name.clone(), picture, matte, floor, holdout, said: Said::default() });
    }
    for (port, what) in [(MATTES, "matte"), (SHADOWS, "matte of shadows"), (HOLDOUTS, "hold-out")] {
        for (_, connected) in on(port).filter(|(_, c)| !on(TAKES).any(|(_, t)| t.name == c.name)) {
            let message = format!("{what} '{}' belongs to no take of its name", connected.name);
            reader.problems.push(Problem::error(setup.span, message));
        }
    }
    let told = moved(reader, &mut takes, setup, between, cautions);
    (takes, told)
}

/// Puts what the file and the settings say of moves to the takes.
fn moved(
    reader: &mut Reader<'_>,
    takes: &mut [Take],
    setup: &Setup<'_>,
    between: Between,
    cautions: &mut Problems,
) -> Option<Digest> {
    let names: Vec<String> =
        setup.inputs.iter().filter(|c| c.port == TAKES).map(|c| c.name.clone()).collect();
    let unknown = |name: &str, span: Span| {
        let problem = Problem::error(span, format!("there is no take '{name}'"));
        match nearest(name, names.iter().map(String::as_str)) {
            Some(near) => problem.help(format!("did you mean '{near}'?")),
            None => problem.help(format!("takes: {}", names.join(", "))),
        }
    };
    let by_hand = reader.value("moved").map(|value| place::named(value, false, &mut reader.problems));
    for (name, (span, said)) in by_hand.unwrap_or_default() {
        match takes.iter_mut().find(|take| take.name == name) {
            Some(take) => take.said = said,
            None if names.contains(&name) => {}
            None => reader.problems.push(unknown(&name, span)),
        }
    }
    let (file, span) = (reader.file("register")?, reader.value("register").map_or(setup.span, |v| v.span));
    let moves = place::read(file, span).map_err(|problems| reader.problems.extend(problems)).ok()?;
    let others = moves.between.as_deref().filter(|word| *word != between.word());
    if let Some(word) = others {
        let message = format!("the moves were measured with between: {word}, and takes are joined otherwise");
        cautions.push(Problem::error(span, message).warning().help("measure them again: endboard register"));
    }
    for (name, (span, said)) in moves.takes {
        match takes.iter_mut().find(|take| take.name == name) {
            Some(take) => take.said = std::mem::take(&mut take.said).over(said),
            None if names.contains(&name) => {}
            // A take may have gone since they were measured.
            None => cautions.push(unknown(&name, span).warning()),
        }
    }
    let mut digest = KeyHasher::new();
    digest.text(&format!("{:?}", takes.iter().map(|take| &take.said).collect::<Vec<_>>()));
    Some(digest.finish())
}

/// Takes from back to front, from frames on.
fn order(reader: &mut Reader<'_>, takes: &[Take]) -> Vec<(i64, Vec<usize>)> {
    let as_written = vec![(i64::MIN, (0..takes.len()).collect())];
    let Some(value) = reader.value("order") else { return as_written };
    let entries: Vec<(i64, &Value)> = match &value.node {
        Node::Map(map) => {
            let keys = map.entries.iter().map(|(key, value)| match key.text.parse() {
                Ok(frame) => Ok((frame, value)),
                Err(_) => Err(Problem::error(key.span, format!("'{}' is not a frame number", key.text))
                    .help("order: { FRAME: [NAME, NAME] }, from back to front")),
            });
            let keys: Vec<_> = keys.filter_map(|key| key.map_err(|p| reader.problems.push(p)).ok()).collect();
            keys
        }
        _ => vec![(i64::MIN, value)],
    };
    let mut orders: Vec<(i64, Vec<usize>)> = Vec::new();
    for (frame, value) in entries {
        let named = value.list().and_then(|list| list.iter().map(Value::text).collect::<Result<Vec<_>, _>>());
        let found = named.map(|names| {
            let at = |name: &&str| takes.iter().position(|take| take.name == *name);
            let found: Vec<usize> = names.iter().filter_map(at).collect();
            let mut all = found.clone();
            all.sort_unstable();
            all.dedup();
            (found.len() == names.len() && all.len() == takes.len()).then_some(found)
        });
        match found {
            Ok(Some(found)) => orders.push((frame, found)),
            Ok(None) => {
                let problem = Problem::error(value.span, "an order names every take once");
                let names: Vec<&str> = takes.iter().map(|take| take.name.as_str()).collect();
                reader.problems.push(problem.help(format!("[{}], from back to front", names.join(", "))));
            }
            Err(problem) => reader.problems.push(problem),
        }
    }
    orders.sort_by_key(|(frame, _)| *frame);
    if orders.is_empty() { as_written } else { orders }
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
    told: Option<Digest>,
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
        Moment::at(take.said.when(frame), self.between)
    }

    /// How much of shadows is kept at a frame.
    fn kept(&self, frame: i64) -> f32 {
        self.shadow.at(frame as f64)[0] as f32
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
        };
        let holdout = take.holdout.map(|input| plane(&input, frame)).transpose()?;
        patch(shown, &how, holdout.as_deref())
    }

    /// Takes one after another laid over the set, which their shadows fell on.
    fn joined(&self, out: &mut Image, patches: &[Patch], shadows: &[Option<Shadow>]) {
        let shade = |at: usize, others: bool, x: usize, y: usize| -> [f32; 3] {
            let mut all = [1.0; 3];
            for (i, shadow) in shadows.iter().enumerate().filter(|(i, _)| !(others && *i == at)) {
                let Some(shadow) = shadow else { continue };
                let (columns, rows) = (&shadow.part.columns, &shadow.part.rows);
                if columns.contains(&x) && rows.contains(&y) {
                    let _ = i;
                    let factor = shadow.factors[(y - rows.start) * columns.len() + x - columns.start];
                    (0..3).for_each(|c| all[c] *= factor[c]);
                }
            }
            all
        };
        let width = out.width() as usize;
        let mut rows = vec![vec![0.0f32; width]; 4];
        let shaded = |y: usize| shadows.iter().flatten().any(|s| s.part.rows.contains(&y));
        for y in 0..out.height() as usize {
            let is_shaded = shaded(y);
            let over: Vec<(usize, &Patch)> = patches
                .iter()
                .enumerate()
                .filter(|(_, p)| p.part.rows.contains(&y) && p.row(&p.matte, y).iter().any(|m| *m > 0.0))
                .collect();
            // A row without takes keeps its bits.
            if over.is_empty() && !is_shaded {
                continue;
            }
            rows.iter_mut().enumerate().for_each(|(c, row)| out.read_row(c, y as u32, row));
            for x in (0..width).filter(|_| is_shaded) {
                let factors = shade(usize::MAX, false, x, y);
                (0..3).filter(|c| factors[*c] != 1.0).for_each(|c| rows[c][x] *= factors[c]);
            }
            for (at, patch) in over {
                let (pixels, shares) = (patch.row(&patch.pixels, y), patch.row(&patch.matte, y));
                for ((x, pixel), share) in patch.part.columns.clone().zip(pixels).zip(shares) {
                    let others = match is_shaded && *share > 0.0 && *share < 1.0 {
                        true => shade(at, true, x, y),
                        false => [1.0; 3],
                    };
                    for c in 0..4 {
                        // What is seen of the set through a take's edge lies in the shadow of the others.
                        let dimmed = if c < 3 { share + (1.0 - share) * others[c] } else { 1.0 };
                        mix(
                            &mut rows[c][x],
                            if dimmed == 1.0 { pixel[c] } else { pixel[c] * dimmed },
                            *share,
                        );
                    }
                }
            }
            rows.iter().enumerate().for_each(|(c, row)| out.write_row(c, y as u32, row));
        }
    }
}

impl Patch {
    /// The samples of a row of the joined picture.
    fn row<'a, T>(&self, samples: &'a [T], y: usize) -> &'a [T] {
        let width = self.part.columns.len();
        &samples[(y - self.part.rows.start) * width..][..width]
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
        if kept > 0.0 && self.takes.iter().any(|take| take.floor.is_some()) {
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
        self.told.filter(|_| parameter == "register")
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
            ["plate", "take", "matte", "shadow", "hold-out"][connected.port],
            connected.name
        );
        let reach = self.reach(input, first);
        let message = format!("frame {first} needs frames {reach} of {what}, which has {has}");
        let problem = Problem::error(self.span, message);
        Some(problem.help("a take's offset in time is less the nearer its frames are to the clean plate's; use fewer frames or handles"))
    }

    fn remark(&self, _: &Inputs<'_>, frame: i64) -> Option<String> {
        let over = |take: &Take| {
            let left = take.said.residual.as_ref()?.at(frame as f64)[0];
            (left > self.residual_over).then(|| format!("take '{}' lies {left:.2} px off", take.name))
        };
        let all: Vec<String> = self.takes.iter().filter_map(over).collect();
        (!all.is_empty()).then(|| format!("measured against the clean plate, {}", all.join(", ")))
    }

    fn apply(&self, inputs: &Inputs<'_>, frame: i64) -> Result<Image, OperatorError> {
        let clean = inputs.frame(self.clean, frame)?;
        let size = (clean.width(), clean.height());
        let mut out = Image::new(size.0, size.1, &RGBA);
        for (i, name) in RGBA.iter().enumerate() {
            let channel = clean
                .channel(name)
                .ok_or_else(|| OperatorError::WrongInput(format!("a picture lacks its channel '{name}'")))?;
            out.samples_mut(i).copy_from_slice(&clean.channels()[channel].samples);
        }
        let takes = self.order(frame).iter().map(|&at| self.patch(&self.takes[at], inputs, frame, size));
        let patches = takes.collect::<Result<Vec<Patch>, _>>()?;
        let rules = Rules { kept: self.kept(frame), ..self.rules };
        let shadows = patches.iter().map(|patch| {
            if patch.floor.is_empty() {
                return Ok(None);
            }
            Ok(Some(shadow(patch, &patch::copied(&out, &patch.part)?, &rules)))
        });
        let shadows = shadows.collect::<Result<Vec<_>, OperatorError>>()?;
        self.joined(&mut out, &patches, &shadows);
        Ok(out)
    }
}

/// `over × share + under × (1 − share)`. At 0 and 1 one side alone counts, so that a NaN or an infinity which is
/// not to be seen is not.
#[inline(always)]
fn mix(under: &mut f32, over: f32, share: f32) {
    let m = share.clamp(0.0, 1.0);
    *under = if m == 0.0 {
        *under
    } else if m == 1.0 {
        over
    } else {
        over * m + *under * (1.0 - m)
    };
}

#[cfg(test)]
mod tests;
