//! `roto`: mattes from shapes drawn by hand.
//!
//! Knows its settings, how a matte's layers join and what of them a frame's key holds. Times while the shutter is open are
//! `exposure`'s part. Reading shapes and computing their coverage is `operators::shape`'s.

mod exposure;

use std::collections::BTreeMap;
use std::sync::Arc;

use super::matte;
use crate::base::digest::{Digest, KeyHasher};
use crate::base::frames::FrameRange;
use crate::base::problem::{Problem, Problems, Span, nearest};
use crate::media::image::Image;
use crate::operators::shape::coverage::{Mask, Window};
use crate::operators::shape::{Layer, Matte, Mode, Motions, Shapes, Still, file};
use crate::operators::{
    Carries, Connected, Inputs, Kind, Made, Operator, OperatorError, Param, Port, Prepared, Reader, Setup,
    Spec,
};
use exposure::average;

/// The operator.
pub struct Roto;

static SPEC: Spec = Spec {
    name: "roto",
    version: 3,
    summary: "Draws mattes from shapes that were drawn by hand and move by keyframes, one channel a matte.",
    ports: &[Port {
        name: "mattes",
        carries: Carries::Many,
        required: false,
        doc: "Mattes that shapes files use by these names, such as those that people made by hand.",
    }],
    params: &[
        Param {
            name: "shapes",
            kind: Kind::File,
            unit: "",
            default: "",
            doc: "Shapes file: mattes of outlines and lines with keyframes, or of SVG path data, that add, subtract or \
                  intersect, with feather in px and what they follow.",
        },
        Param {
            name: "track",
            kind: Kind::File,
            unit: "",
            default: "",
            doc: "A file of points, planes and moves that shapes may follow; their names must differ from the shapes file's own.",
        },
        Param {
            name: "shutter",
            kind: Kind::Number { min: 0.0, max: 360.0 },
            unit: "degrees",
            default: "0",
            doc: "How long the shutter is open, 360 being a whole frame; the exposure is centred on the frame. Mattes are \
                  averaged over it.",
        },
    ],
    source: "Exact area of each pixel under the nonzero or even-odd rule; feather by a quadratic B-spline. Planes by \
             homography (Heckbert 1989). Path data by W3C SVG 2.",
};

impl Operator for Roto {
    fn spec(&self) -> &'static Spec {
        &SPEC
    }

    fn prepare(&self, setup: &Setup<'_>) -> Result<Box<dyn Prepared>, Problems> {
        let mut reader = Reader::new(&SPEC, setup);
        let shutter = reader.number("shutter") / 360.0;
        let mut read = |name: &str| {
            let attached = reader.file(name)?;
            file::read_bytes(attached.source, &attached.bytes, setup.span)
                .map_err(|problems| reader.problems.extend(problems))
                .ok()
        };
        let (shapes, track) = (read("shapes"), read("track"));
        let keyed = [&shapes, &track].into_iter().flatten().filter_map(|file| file.keyed).collect();
        let track = track.map(|track| track.motions);
        if reader.file("shapes").is_none() {
            let problem = Problem::error(setup.span, "roto needs a shapes file");
            reader.problems.push(problem.help("shapes: roto/SHOT.yaml"));
        }
        let is_lost = track.is_none() && reader.file("track").is_some();
        let Some(mut shapes) = shapes.filter(|_| !is_lost) else { return Err(reader.problems) };
        if shapes.mattes.is_empty() {
            let problem =
                Problem::error(setup.span, "the shapes file has no mattes, so roto has nothing to cut");
            reader
                .problems
                .push(problem.help("a file of rods alone goes to blades directly: `shapes: FILE`"));
        }
        if track.as_ref().is_some_and(Motions::is_empty) {
            let problem = Problem::error(setup.span, "the track file has nothing to follow");
            reader.problems.push(problem.help("a track has points, planes or moves"));
        }
        let digests = digests(&shapes, track.as_ref());
        reader.problems.extend(shapes.follow(track));
        let given = given(&shapes, setup, &mut reader.problems);
        let used = |input: usize| given.values().any(|&used| used == input);
        let unused = setup.inputs.iter().enumerate().filter(|(input, _)| !used(*input));
        let cautions = unused.map(|(_, connected)| {
            let message = format!("no matte of the shapes file uses '{}'", connected.name);
            Problem::error(setup.span, message).warning().help(format!("- {{ matte: {} }}", connected.name))
        });
        let cautions = cautions.collect();
        let (width, height) = setup.frame_size;
        let window = Window { x: 0, y: 0, width: width as usize, height: height as usize };
        let inputs = setup.inputs.to_vec();
        reader.finish(|| {
            let mattes = shapes.mattes;
            Cutting { mattes, window, shutter, inputs, given, cautions, keyed, digests }
        })
    }
}

/// What was read from each file, so that a comment in it passes for no change.
fn digests(shapes: &Shapes, track: Option<&Motions>) -> BTreeMap<&'static str, Digest> {
    let mut hasher = KeyHasher::new();
    for matte in &shapes.mattes {
        hasher.text(&matte.name).list(matte.layers.len());
        matte.layers.iter().for_each(|layer| layer.feed(&mut hasher));
        let own = matte.shapes().map(|shape| &shape.follows);
        for follows in own.chain([&matte.follows]).flatten() {
            follows.feed(&mut hasher);
        }
    }
    shapes.motions.feed(&mut hasher);
    let mut out = BTreeMap::from([("shapes", hasher.finish())]);
    if let Some(track) = track {
        let mut hasher = KeyHasher::new();
        track.feed(&mut hasher);
        out.insert("track", hasher.finish());
    }
    out
}

/// The connected input of each name that the shapes file uses.
fn given(shapes: &Shapes, setup: &Setup<'_>, problems: &mut Problems) -> BTreeMap<Arc<str>, usize> {
    let mut out = BTreeMap::new();
    for layer in shapes.mattes.iter().flat_map(|matte| &matte.layers) {
        let Layer::Given { name, span, .. } = layer else { continue };
        match setup.inputs.iter().position(|connected| connected.name == **name) {
            Some(input) => {
                out.insert(name.clone(), input);
            }
            None => {
                let problem = Problem::error(*span, format!("no matte is connected as '{name}'"));
                let names = setup.inputs.iter().map(|connected| connected.name.as_str());
                problems.push(match nearest(name, names) {
                    Some(near) => problem.help(format!("did you mean '{near}'?")),
                    None => problem.help(format!("from: {{ mattes: {{ {name}: STAGE }} }}")),
                });
            }
        }
    }
    out
}

struct Cutting {
    mattes: Vec<Matte>,
    window: Window,
    /// Frames that the shutter is open.
    shutter: f64,
    inputs: Vec<Connected>,
    /// Connected inputs by the names that layers use.
    given: BTreeMap<Arc<str>, usize>,
    cautions: Problems,
    keyed: Vec<(Span, FrameRange)>,
    digests: BTreeMap<&'static str, Digest>,
}

impl Prepared for Cutting {
    fn channels(&self) -> Vec<Arc<str>> {
        self.mattes.iter().map(|m| m.name.clone()).collect()
    }

    fn reach(&self, input: usize, frame: i64) -> FrameRange {
        let is_used = self.given.values().any(|&used| used == input);
        if is_used { FrameRange::one(frame) } else { FrameRange::none() }
    }

    fn at(&self, frame: i64, key: &mut KeyHasher) {
        key.int(self.window.width as i64).int(self.window.height as i64).list(self.mattes.len());
        for matte in &self.mattes {
            key.text(&matte.name).list(matte.layers.len());
            for (layer, seen) in matte.layers.iter().zip(exposure::seen(matte, frame, self.shutter)) {
                match layer {
                    Layer::Given { name, mode, .. } => {
                        key.text("given").int(*mode as i64).int(self.given[name] as i64);
                    }
                    Layer::Drawn(_) => {
                        key.list(seen.len());
                        seen.iter().for_each(|still| still.feed(key));
                    }
                }
            }
        }
    }

    fn is_steady(&self) -> bool {
        self.mattes.iter().flat_map(|m| m.shapes()).all(|s| s.is_steady())
    }

    fn read_from(&self, parameter: &str) -> Option<Digest> {
        self.digests.get(parameter).copied()
    }

    fn keyed(&self) -> Vec<(Span, FrameRange)> {
        self.keyed.clone()
    }

    fn cautions(&self) -> Problems {
        self.cautions.clone()
    }

    fn make(&self, inputs: &Inputs<'_>, frame: i64) -> Result<Made, OperatorError> {
        let names: Vec<&str> = self.mattes.iter().map(|m| &*m.name).collect();
        let mut image = Image::new(self.window.width as u32, self.window.height as u32, &names);
        let mut plane = Joining { matte: Mask::new(self.window), rows: None };
        for (channel, matte) in self.mattes.iter().enumerate() {
            self.cut(matte, inputs, frame, &mut plane)?;
            let (from, to) = plane.rows.take().unwrap_or_default();
            for y in from..to {
                image.write_row(channel, y as u32, plane.matte.row(y));
                plane.matte.row_mut(y).fill(0.0);
            }
        }
        Ok(image.into())
    }
}

impl Cutting {
    /// Cuts one matte.
    fn cut(
        &self,
        matte: &Matte,
        inputs: &Inputs<'_>,
        frame: i64,
        out: &mut Joining,
    ) -> Result<(), OperatorError> {
        let seen = exposure::seen(matte, frame, self.shutter);
        // Each way of joining is even in the shape that joins: while only one moves, its average gives that of the matte.
        if seen.iter().filter(|stills| stills.len() > 1).count() <= 1 {
            for (layer, stills) in matte.layers.iter().zip(&seen) {
                out.join(&self.mask(layer, stills, inputs, frame)?, layer.mode());
            }
            return Ok(());
        }
        let count = seen.iter().map(Vec::len).max().unwrap_or(1);
        let mut still = Vec::with_capacity(seen.len());
        for (layer, stills) in matte.layers.iter().zip(&seen) {
            still.push(if stills.len() > 1 { None } else { Some(self.mask(layer, stills, inputs, frame)?) });
        }
        let mut moment = Joining { matte: Mask::new(self.window), rows: None };
        for i in 0..count {
            for ((layer, stills), mask) in matte.layers.iter().zip(&seen).zip(&still) {
                match mask {
                    Some(mask) => moment.join(mask, layer.mode()),
                    None => moment.join(&average(&stills[i..=i], &self.window), layer.mode()),
                }
            }
            out.add(&mut moment);
        }
        let (from, to) = out.rows.unwrap_or_default();
        for y in from..to {
            out.matte.row_mut(y).iter_mut().for_each(|sample| *sample /= count as f32);
        }
        Ok(())
    }

    /// A layer's own matte.
    fn mask(
        &self,
        layer: &Layer,
        stills: &[Still],
        inputs: &Inputs<'_>,
        frame: i64,
    ) -> Result<Mask, OperatorError> {
        let Layer::Given { name, .. } = layer else { return Ok(average(stills, &self.window)) };
        let input = self.given[name];
        let size = (self.window.width as u32, self.window.height as u32);
        let samples = matte::plane(&self.inputs[input], inputs.frame(input, frame)?, size)?;
        Ok(Mask { window: self.window, samples })
    }
}

/// A matte that is put together.
struct Joining {
    matte: Mask,
    /// The rows (from, to) that may be other than zero; none when nothing may.
    rows: Option<(usize, usize)>,
}

impl Joining {
    /// Joins a shape to the matte so far.
    fn join(&mut self, shape: &Mask, mode: Mode) {
        let part = shape.window;
        let (x, y) = (part.x as usize, part.y as usize);
        match mode {
            Mode::Add | Mode::Subtract => {
                for row in 0..part.height {
                    let under = &mut self.matte.row_mut(y + row)[x..x + part.width];
                    for (m, s) in under.iter_mut().zip(shape.row(row)) {
                        *m = if mode == Mode::Add { *m + s - *m * s } else { *m * (1.0 - s) };
                    }
                }
            }
            Mode::Intersect => {
                let (from, to) = self.rows.unwrap_or_default();
                for row in from..to {
                    let under = self.matte.row_mut(row);
                    if row < y || row >= y + part.height {
                        under.fill(0.0);
                        continue;
                    }
                    under[..x].fill(0.0);
                    under[x + part.width..].fill(0.0);
                    under[x..x + part.width].iter_mut().zip(shape.row(row - y)).for_each(|(m, s)| *m *= s);
                }
            }
        }
        if mode == Mode::Add && !part.is_empty() {
            self.widen((y, y + part.height));
        }
    }

    fn widen(&mut self, (from, to): (usize, usize)) {
        let (first, last) = self.rows.unwrap_or((from, to));
        self.rows = Some((first.min(from), last.max(to)));
    }

    /// Adds another matte, plainly, and clears it.
    fn add(&mut self, other: &mut Joining) {
        let Some((from, to)) = other.rows.take() else { return };
        self.widen((from, to));
        for y in from..to {
            let row = other.matte.row_mut(y);
            self.matte.row_mut(y).iter_mut().zip(row.iter()).for_each(|(sum, sample)| *sum += sample);
            row.fill(0.0);
        }
    }
}

#[cfg(test)]
mod tests;
