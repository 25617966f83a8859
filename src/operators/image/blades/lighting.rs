//! One frame of `blades`: which rods and bursts shine, what its key holds, and all their light together.
//!
//! Knows frames and keys. Does not know how settings are written.

use std::sync::{Arc, OnceLock};

use super::burst::Burst;
use super::clash::{Clash, clashes};
use super::course::course;
use super::edit::Style;
use super::hold::{Hold, Mattes};
use super::light::{self, Canvas};
use super::look::{Look, Shine};
use super::rods::Read;
use super::spill::{self, Caught, Lamp, Surface};
use super::sweep::{Ends, Moment, exposure};
use crate::base::curve::Curve;
use crate::base::digest::{Digest, KeyHasher};
use crate::base::frames::FrameRange;
use crate::base::problem::{Problems, Span};
use crate::media::image::RGBA;
use crate::operators::colour::block::told_beyond;
use crate::operators::image::picture::copy;
use crate::operators::shape::Rod;
use crate::operators::shape::coverage::{Mask, Window};
use crate::operators::{Connected, Found, Inputs, Made, OperatorError, Prepared};

/// A rod that shines.
pub struct Lit {
    /// Where it is.
    pub rod: Rod,
    /// How it shines.
    pub look: Look,
    /// What hides it.
    pub holds: Vec<Hold>,
}

/// A rod on one frame.
struct Beam {
    path: Vec<Moment>,
    shine: Shine,
    /// Inputs that hide it, and how much of each counts.
    holds: Vec<(usize, f64)>,
}

/// A burst on one frame.
struct Blaze<'a> {
    burst: &'a Burst,
    /// Whether it throws light on surfaces.
    spills: bool,
    /// What hides either of its rods, none where one of them is in front of everything, for then so is the burst.
    holds: [Vec<(usize, f64)>; 2],
}

/// The stage made ready.
pub struct Lighting {
    rods: Vec<Lit>,
    inputs: Vec<Connected>,
    picture: usize,
    surfaces: Vec<Surface>,
    /// How clashes burst.
    pub style: Style,
    /// Open time in degrees.
    pub shutter: Curve<1>,
    /// Light that the picture was taken in.
    pub ambient: Curve<1>,
    /// The share of the halo over what holds it out.
    pub wrap: f64,
    /// What a person should know.
    pub cautions: Problems,
    /// What was read from which file.
    pub files: Vec<Read>,
    frames: FrameRange,
    clashes: OnceLock<Vec<Clash>>,
    bursts: OnceLock<Vec<Burst>>,
}

impl Lit {
    /// Base and lit end at a time that the shutter of `frame` sees.
    fn ends(&self, time: f64, frame: i64) -> Ends {
        let e = self.rod.during(frame as f64, time);
        let length = self.look.length(time, frame);
        if length == 1.0 {
            return e;
        }
        [e[0], e[1], e[0] + (e[2] - e[0]) * length, e[1] + (e[3] - e[1]) * length]
    }

    /// Its way through an exposure.
    fn path(&self, frame: i64, [open, close]: [f64; 2], width: f64) -> Vec<Moment> {
        // A rod that jumps from key to key sweeps over nothing in between.
        let mut path = exposure(|t| self.ends(t, frame), open, close);
        for moment in &mut path {
            let share = self.look.length(open + moment.time * (close - open), frame);
            if share < 1.0 {
                let e = moment.ends;
                let length = ((e[2] - e[0]).powi(2) + (e[3] - e[1]).powi(2)).sqrt();
                // A rod shorter than it is wide is a spot that dims until it is gone.
                moment.lit = (share.max(length / width)).min(1.0);
                if share <= 0.0 {
                    moment.lit = 0.0;
                }
                moment.surge = (6.0 * share).min(6.0 * (1.0 - share)).min(1.0) * moment.lit;
            }
        }
        path
    }

    /// Inputs that hide it on a frame.
    fn held(&self, frame: i64, shine: &Shine) -> Vec<(usize, f64)> {
        let amount = |hold: &Hold| hold.amount.as_ref().map_or(shine.held, |curve| curve.at(frame as f64)[0]);
        self.holds.iter().map(|hold| (hold.input, amount(hold))).filter(|(_, amount)| *amount > 0.0).collect()
    }
}

impl Lighting {
    /// A stage of these rods and inputs.
    pub fn new(
        rods: Vec<Lit>,
        inputs: Vec<Connected>,
        picture: usize,
        surfaces: Vec<Surface>,
        style: Style,
        frames: FrameRange,
    ) -> Self {
        Self {
            rods,
            inputs,
            picture,
            surfaces,
            style,
            shutter: Curve::steady([180.0]),
            ambient: Curve::steady([1.0]),
            wrap: 0.0,
            cautions: Problems::new(),
            files: Vec::new(),
            frames,
            clashes: OnceLock::new(),
            bursts: OnceLock::new(),
        }
    }

    /// When the shutter opens and closes.
    fn exposure(&self, frame: i64) -> [f64; 2] {
        let half = self.shutter.at(frame as f64)[0] / 720.0;
        [frame as f64 - half, frame as f64 + half]
    }

    /// All clashes of the shot, found once.
    pub fn clashes(&self) -> &[Clash] {
        self.clashes.get_or_init(|| {
            let course = |lit| course(lit, self.frames);
            clashes(&self.rods.iter().map(course).collect::<Vec<_>>(), self.style.touch)
        })
    }

    /// All bursts of the shot.
    pub fn bursts(&self) -> &[Burst] {
        self.bursts.get_or_init(|| {
            if !self.style.is_lit() {
                return Vec::new();
            }
            let looks: Vec<&Look> = self.rods.iter().map(|lit| &lit.look).collect();
            self.style.bursts(self.clashes(), &looks)
        })
    }

    /// Every rod that shines on a frame.
    fn lit(&self, frame: i64) -> impl Iterator<Item = Beam> {
        let exposure = self.exposure(frame);
        self.rods.iter().filter_map(move |lit| {
            let shine = lit.look.at(frame);
            if shine.light <= 0.0 {
                return None;
            }
            let path = lit.path(frame, exposure, shine.width);
            let is_dark = path.iter().all(|moment| moment.lit <= 0.0);
            let holds = lit.held(frame, &shine);
            (!is_dark).then_some(Beam { path, shine, holds })
        })
    }

    /// Every burst that the shutter of a frame sees.
    fn blazing(&self, frame: i64) -> impl Iterator<Item = Blaze<'_>> {
        let [open, close] = self.exposure(frame);
        let seen = self.bursts().iter().filter(move |burst| burst.is_seen(open, close));
        seen.map(move |burst| {
            let held = |rod: usize| self.rods[rod].held(frame, &self.rods[rod].look.at(frame));
            let holds = burst.pair.map(held);
            let is_in_front = holds.iter().any(Vec::is_empty);
            let holds = if is_in_front { Default::default() } else { holds };
            Blaze { burst, spills: burst.spills(open, close), holds }
        })
    }

    /// Surfaces that catch light on a frame.
    fn caught(&self, frame: i64) -> Vec<Caught> {
        self.surfaces.iter().filter_map(|surface| surface.at(frame)).collect()
    }

    /// How much of its light each surface of the frame misses, because the rod is behind it: a matte of the same name hides
    /// it, or, of the common holdout, which has no name, the same channel.
    fn behind(&self, holds: &[(usize, f64)], frame: i64) -> Vec<(usize, f64)> {
        let caught = self.surfaces.iter().filter(|surface| surface.at(frame).is_some());
        let mut out = Vec::new();
        for (index, surface) in caught.enumerate() {
            let hides = |&&(input, _): &&(usize, f64)| {
                let (hold, lit) = (&self.inputs[input], &self.inputs[surface.input]);
                let is_matte = |c: &Connected| c.channels.len() == 1 && !RGBA.contains(&&*c.channels[0]);
                match hold.name.is_empty() {
                    true => is_matte(hold) && hold.channels == lit.channels,
                    false => hold.name == surface.name,
                }
            };
            out.extend(holds.iter().find(hides).map(|(_, amount)| (index, *amount)));
        }
        out
    }

    fn lamps(&self, beams: &[Beam], blazes: &[Blaze<'_>], caught: &[Caught], frame: i64) -> Vec<Lamp> {
        let [open, close] = self.exposure(frame);
        let nearest = caught.iter().map(Caught::nearest).fold(f64::INFINITY, f64::min);
        let mut lamps = Vec::new();
        for beam in beams.iter().filter(|beam| beam.shine.spill > 0.0) {
            let shine = &beam.shine;
            let each =
                shine.light * shine.width * (1.0 - shine.taper / 3.0) * shine.spill / std::f64::consts::PI;
            lamps.push(Lamp {
                moments: spill::moments(&beam.path, nearest * shine.width),
                power: shine.mean().map(|c| c * each),
                width: shine.width,
                behind: self.behind(&beam.holds, frame),
            });
        }
        for blaze in blazes.iter().filter(|blaze| blaze.spills) {
            let behind = blaze.holds.each_ref().map(|holds| self.behind(holds, frame));
            let [a, b] = behind;
            let both = a.into_iter().filter_map(|(at, share)| {
                b.iter().find(|(other, _)| *other == at).map(|(_, other)| (at, share.min(*other)))
            });
            lamps.push(Lamp { behind: both.collect(), ..blaze.burst.lamp(open, close) });
        }
        lamps
    }
}

impl Prepared for Lighting {
    fn cautions(&self) -> Problems {
        self.cautions.clone()
    }

    fn channels(&self) -> Vec<Arc<str>> {
        RGBA.map(Arc::from).to_vec()
    }

    fn reach(&self, input: usize, frame: i64) -> FrameRange {
        let mut used = input == self.picture;
        if !used && self.inputs.len() > 1 {
            let (beams, blazes) = (self.lit(frame), self.blazing(frame));
            let named = |holds: &[(usize, f64)]| holds.iter().any(|(i, _)| *i == input);
            let catches = self.caught(frame).iter().any(|caught| caught.input == input);
            used = beams.into_iter().any(|beam| named(&beam.holds) || catches && beam.shine.spill > 0.0);
            used |= blazes.into_iter().any(|b| b.holds.iter().any(|h| named(h)) || catches && b.spills);
        }
        if used { FrameRange::one(frame) } else { FrameRange::none() }
    }

    fn at(&self, frame: i64, key: &mut KeyHasher) {
        let beams: Vec<Beam> = self.lit(frame).collect();
        let blazes: Vec<Blaze<'_>> = self.blazing(frame).collect();
        let feed = |holds: &[(usize, f64)], key: &mut KeyHasher| {
            key.list(holds.len());
            for (input, amount) in holds {
                key.int(*input as i64).real(*amount);
            }
        };
        let mut is_held = false;
        key.list(beams.len());
        for beam in &beams {
            key.list(beam.path.len());
            for moment in &beam.path {
                key.real(moment.time).real(moment.lit).real(moment.surge);
                moment.ends.iter().for_each(|value| {
                    key.real(*value);
                });
            }
            beam.shine.feed(key);
            feed(&beam.holds, key);
            is_held |= !beam.holds.is_empty();
        }
        key.list(blazes.len());
        for blaze in &blazes {
            blaze.burst.feed(key);
            // What is seen of it depends on the exposure too.
            self.exposure(frame).iter().for_each(|time| {
                key.real(*time);
            });
            blaze.holds.iter().for_each(|holds| feed(holds, key));
            is_held |= !blaze.holds[0].is_empty();
        }
        if is_held {
            key.real(self.wrap);
        }
        let caught = self.caught(frame);
        let spills = beams.iter().any(|b| b.shine.spill > 0.0) || blazes.iter().any(|b| b.spills);
        if !caught.is_empty() && spills {
            key.list(caught.len()).real(self.ambient.at(frame as f64)[0]);
            for surface in &caught {
                surface.feed(key);
            }
            for beam in &beams {
                key.real(beam.shine.spill);
                feed(&self.behind(&beam.holds, frame), key);
            }
            for blaze in &blazes {
                key.real(if blaze.spills { blaze.burst.spill } else { 0.0 });
                blaze.holds.iter().for_each(|holds| feed(&self.behind(holds, frame), key));
            }
        }
    }

    fn finds(&self) -> Vec<Found> {
        self.style.finds(self.clashes())
    }

    fn rods(&self) -> Vec<Arc<str>> {
        self.rods.iter().map(|lit| Arc::clone(&lit.rod.name)).collect()
    }

    fn stance(&self, rod: &str, time: f64) -> Option<([f64; 4], f64)> {
        let lit = self.rods.iter().find(|lit| *lit.rod.name == *rod)?;
        let frame = (time + 0.5).floor() as i64;
        let share = lit.look.length(time, frame);
        (share > 0.0 && lit.look.at(frame).light > 0.0).then(|| (lit.ends(time, frame), share))
    }

    fn read_from(&self, parameter: &str) -> Option<Digest> {
        self.files.iter().find(|file| file.parameter == parameter).map(|file| file.digest)
    }

    fn keyed(&self) -> Vec<(Span, FrameRange)> {
        self.files.iter().filter_map(|file| file.keyed).collect()
    }

    fn make(&self, inputs: &Inputs<'_>, frame: i64) -> Result<Made, OperatorError> {
        let picture = inputs.frame(self.picture, frame)?;
        let mut out = copy(picture)?;
        let beams: Vec<Beam> = self.lit(frame).collect();
        let blazes: Vec<Blaze<'_>> = self.blazing(frame).collect();
        if beams.is_empty() && blazes.is_empty() {
            return Ok(out.into());
        }
        let mut mattes = Mattes::new(inputs, &self.inputs, frame, picture);
        let mut canvas = Canvas::new(mattes.window());
        let caught = self.caught(frame);
        if !caught.is_empty() {
            let lamps = self.lamps(&beams, &blazes, &caught, frame);
            let ambient = self.ambient.at(frame as f64)[0];
            spill::throw(&lamps, &caught, ambient, &out, &mut mattes, &mut canvas)?;
        }
        for beam in &beams {
            let held = mattes.together(&beam.holds)?;
            light::shine(&beam.path, &beam.shine, held.as_deref(), self.wrap, &mut canvas);
        }
        for Blaze { burst, holds: [a, b], .. } in &blazes {
            let [open, close] = self.exposure(frame);
            let (a, b) = (mattes.together(a)?, mattes.together(b)?);
            let both = match (&a, &b) {
                (Some(a), Some(b)) if Arc::ptr_eq(a, b) => Some(a.clone()),
                (Some(a), Some(b)) => Some(Arc::new(lesser(a, b, mattes.window()))),
                _ => None,
            };
            burst.shine(open, close, both.as_deref(), self.wrap, &mut canvas);
        }
        let beyond = canvas.lay_on(&mut out);
        Ok(Made { image: out, remark: told_beyond(beyond) })
    }
}

/// What hides both of two rods.
fn lesser(a: &Mask, b: &Mask, window: Window) -> Mask {
    let samples = a.samples.iter().zip(&b.samples).map(|(a, b)| a.min(*b)).collect();
    Mask { window, samples }
}
