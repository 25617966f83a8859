//! The steps of one frame, in their order.
//!
//! Knows the order that this folder's opening tells, and where spaces change on the way. Does not know pixels.

use super::limited::Limited;
use super::settings::Settings;
use super::shade::Shade;
use crate::base::digest::KeyHasher;
use crate::operators::colour::chain::Chain;
use crate::operators::colour::encoding::Encoding;
use crate::operators::colour::white;

/// What one frame is taken through.
#[derive(Clone, Debug)]
pub struct Graded {
    /// Steps of linear light that come first, which need not know alpha.
    pub light: Chain,
    /// What follows them.
    pub parts: Vec<Part>,
}

/// A part of a grade.
#[derive(Clone, Debug)]
pub enum Part {
    /// Steps of colour, alike for every pixel.
    Steps(Chain),
    /// Steps within a matte.
    Limited(Limited),
    /// The vignette.
    Shade(Shade),
}

impl Graded {
    /// True when twice the light gives twice the light, so that alpha need not be known.
    pub fn is_linear(&self) -> bool {
        self.parts.iter().all(|part| match part {
            Part::Steps(chain) => chain.is_linear(),
            Part::Limited(limited) => limited.steps.is_linear(),
            Part::Shade(_) => true,
        })
    }

    /// Whether a correction looks at this input.
    pub fn needs(&self, input: usize) -> bool {
        self.parts.iter().any(|part| matches!(part, Part::Limited(limited) if limited.input == input))
    }

    /// Feeds every number that may change a pixel into a key.
    pub fn feed(&self, key: &mut KeyHasher) {
        self.light.feed(key);
        key.list(self.parts.len());
        for part in &self.parts {
            match part {
                Part::Steps(chain) => chain.feed(key.text("steps")),
                Part::Limited(limited) => limited.feed(key.text("limited")),
                Part::Shade(shade) => shade.feed(key.text("shade")),
            }
        }
    }
}

/// Parts being put together, and the space that they have led to.
struct Row {
    parts: Vec<Part>,
    steps: Chain,
    here: Encoding,
}

impl Row {
    fn go(&mut self, to: Encoding) -> &mut Chain {
        self.steps.convert(self.here, to);
        self.here = to;
        &mut self.steps
    }

    /// Ends the steps so far, for a part that is not alike for every pixel.
    fn part(&mut self, part: Part) {
        self.close();
        self.parts.push(part);
    }

    fn close(&mut self) {
        let steps = std::mem::take(&mut self.steps);
        if !steps.is_empty() {
            self.parts.push(Part::Steps(steps));
        }
    }
}

impl Settings {
    /// The steps of frame `frame` for a picture of `size`.
    pub fn at(&self, frame: i64, size: (u32, u32)) -> Graded {
        let time = frame as f64;
        let working = self.working;
        let mut row = Row { parts: Vec::new(), steps: Chain::new(), here: self.picture_in };
        let light = self.light(time);
        let is_first = self.picture_in == working;
        if !is_first && !light.is_empty() {
            row.go(working).append(&light);
        }
        let cdl = self.cdl.at(time);
        if !cdl.is_neutral(self.style) {
            row.go(self.grade_in).cdl(cdl, self.style);
        }
        for correction in &self.corrections {
            let amount = correction.amount.at(time)[0] as f32;
            let cdl = correction.cdl.at(time);
            let mut steps = Chain::new();
            steps.gain(correction.gain(time));
            if !cdl.is_neutral(self.style) {
                steps.convert(working, self.grade_in).cdl(cdl, self.style).convert(self.grade_in, working);
            }
            if amount > 0.0 && !steps.is_empty() {
                row.go(working);
                row.part(Part::Limited(Limited {
                    input: correction.input,
                    elsewhere: correction.elsewhere,
                    amount,
                    steps,
                }));
            }
        }
        let v = &self.vignette;
        let number = |curve: &crate::base::curve::Curve<1>| curve.at(time)[0];
        let (radius, softness, aspect) = (number(&v.radius), number(&v.softness), number(&v.aspect));
        if let Some(shade) = Shade::new(number(&v.stops), v.centre.at(time), radius, softness, aspect, size) {
            row.go(working);
            row.part(Part::Shade(shade));
        }
        if let Some(look) = &self.look {
            row.go(self.look_in).look(look);
            row.here = self.look_out;
        }
        if let Some(knee) = &self.knee {
            row.go(working).soft_clip(number(knee), number(&self.limit));
        }
        row.go(self.picture_out);
        row.close();
        Graded { light: if is_first { light } else { Chain::new() }, parts: row.parts }
    }

    /// What comes before the CDL: from the picture's space to the working space, exposure and white balance.
    pub fn before_cdl(&self, time: f64) -> Chain {
        let mut chain = Chain::new();
        chain.convert(self.picture_in, self.working).append(&self.light(time));
        chain
    }

    /// Exposure and white balance.
    fn light(&self, time: f64) -> Chain {
        let mut chain = Chain::new();
        chain.gain(self.gain(time));
        if let Some((from, to)) = &self.white {
            let tint = self.tint.at(time)[0];
            let (from, to) = (from.at(time, tint), to.at(time, 0.0));
            if from != to {
                chain.matrix(self.working.primaries.adapted(from, to));
            }
        }
        chain
    }
}

impl super::settings::Light {
    /// CIE x, y at a time.
    fn at(&self, time: f64, tint: f64) -> [f64; 2] {
        match self {
            Self::Kelvin(curve) => white::chromaticity(curve.at(time)[0], tint),
            Self::Place(curve) => curve.at(time),
        }
    }
}
