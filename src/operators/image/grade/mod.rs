//! The grade operator: everything that is done to a picture's colour before it is shown.
//!
//! Knows in which order its steps run, and blocks of pixels on their way through them. Does not know what the steps do
//! (`operators::colour`), how settings are read (`settings`) nor where files lie.
//!
//! # The order of the steps
//!
//! It is fixed, and this is the one place that says it; `order` builds it. Steps that are not asked for are left out.
//!
//! 1. **In**: from the space `picture_in` to the working space, which is linear light.
//! 2. **Exposure**, in linear light.
//! 3. **White balance**, in linear light: from the light of the scene, `white_from`, to `white_to`.
//! 4. **CDL**, in the space `grade_in`: slope, offset, power, saturation.
//! 5. **Corrections** in the order written, each within its matte: its exposure in linear light, then its CDL in the space
//!    `grade_in`. What it makes is mixed with what came to it by the matte, in linear light, as light mixes at an edge.
//! 6. **Vignette**, in linear light, so that what follows takes it for a scene darker at its rim.
//! 7. **Look**, from the space `look_in` to the space `look_out`.
//! 8. **Soft clip**, in linear light.
//! 9. **Out**: from the working space to the space `picture_out`.
//!
//! Between steps of different spaces the picture is taken from one to the other. Colour is divided by alpha before the
//! first step that is not linear and multiplied after the last. Where alpha is 0 the picture is light that covers
//! nothing, such as a glow: its own change is kept and what the grade would make of black is not added.

mod corrected;
mod limited;
mod order;
#[cfg(test)]
mod part_tests;
mod settings;
mod shade;
mod spec;
#[cfg(test)]
mod tests;

use std::sync::Arc;

use half::f16;

use super::matte;
use crate::base::digest::{Digest, KeyHasher};
use crate::base::frames::FrameRange;
use crate::base::level::Level;
use crate::base::problem::Problems;
use crate::media::image::{Channel, Image, RGBA};
use crate::operators::colour::block::{
    BLOCK, all_one, any_clear, append_half, from_half, repremultiply, take_black, told_beyond, unpremultiply,
};
use crate::operators::colour::chain::Chain;
use crate::operators::{Connected, Inputs, Made, Operator, OperatorError, Prepared, Setup, Spec};
use order::{Graded, Part};
use settings::Settings;
use spec::{PICTURE, SPEC};

/// The operator.
pub struct Grade;

impl Operator for Grade {
    fn spec(&self) -> &'static Spec {
        &SPEC
    }

    fn prepare(&self, setup: &Setup<'_>) -> Result<Box<dyn Prepared>, Problems> {
        let mut reader = crate::operators::Reader::new(&SPEC, setup);
        let settings = Settings::read(&mut reader, setup);
        let picture = setup.inputs.iter().position(|c| c.port == PICTURE).unwrap_or_default();
        let (inputs, size) = (setup.inputs.to_vec(), setup.frame_size);
        reader.finish(|| {
            let steady = settings.is_steady().then(|| settings.at(0, size));
            Ready { settings, inputs, picture, size, steady }
        })
    }
}

struct Ready {
    settings: Settings,
    inputs: Vec<Connected>,
    /// The input that is graded.
    picture: usize,
    size: (u32, u32),
    /// The steps of every frame, when they are the same.
    steady: Option<Graded>,
}

impl Ready {
    /// Asks something of the steps of a frame.
    fn of<T>(&self, frame: i64, ask: impl FnOnce(&Graded) -> T) -> T {
        match &self.steady {
            Some(graded) => ask(graded),
            None => ask(&self.settings.at(frame, self.size)),
        }
    }
}

impl Prepared for Ready {
    fn channels(&self) -> Vec<Arc<str>> {
        RGBA.iter().map(|&name| name.into()).collect()
    }

    /// A matte is needed by frames of which a correction within it changes something.
    fn reach(&self, input: usize, frame: i64) -> FrameRange {
        let is_needed = input == self.picture || self.of(frame, |graded| graded.needs(input));
        if is_needed { FrameRange::one(frame) } else { FrameRange::none() }
    }

    fn at(&self, frame: i64, key: &mut KeyHasher) {
        self.of(frame, |graded| graded.feed(key));
    }

    fn before_cdl(&self, frame: i64) -> Chain {
        self.settings.before_cdl(frame as f64)
    }

    fn is_steady(&self) -> bool {
        self.steady.is_some()
    }

    fn read_from(&self, parameter: &str) -> Option<Digest> {
        self.settings.read_from(parameter)
    }

    fn cautions(&self) -> Problems {
        self.settings.cautions.clone()
    }

    fn make(&self, inputs: &Inputs<'_>, frame: i64) -> Result<Made, OperatorError> {
        let image = inputs.frame(self.picture, frame)?;
        let wrong = |text: String| OperatorError::WrongInput(format!("frame {frame}: {text}"));
        if (image.width(), image.height()) != self.size {
            let (width, height) = self.size;
            return Err(wrong(format!(
                "the picture is {}x{} and the film's frame {width}x{height}",
                image.width(),
                image.height()
            )));
        }
        let plane = |name: &str| {
            let index =
                image.channel(name).ok_or_else(|| wrong(format!("the picture has no channel {name}")))?;
            Ok(image.channels()[index].samples.as_slice())
        };
        let source = [plane("R")?, plane("G")?, plane("B")?, plane("A")?];
        let (colour, beyond) = self.of(frame, |graded| {
            let mattes = self.mattes(graded, inputs, frame)?;
            Ok(grade(graded, source, &mattes))
        })?;
        let planes = colour.into_iter().chain([source[3].to_vec()]);
        let channels =
            RGBA.iter().zip(planes).map(|(&name, samples)| Channel { name: name.into(), samples }).collect();
        let image = Image::from_channels(self.size.0, self.size.1, channels);
        Ok(Made { image, remark: told_beyond(beyond) })
    }
}

impl Ready {
    /// The matte of each correction of a frame, in order.
    fn mattes<'i>(
        &self,
        graded: &Graded,
        inputs: &Inputs<'i>,
        frame: i64,
    ) -> Result<Vec<&'i [f16]>, OperatorError> {
        let needed = graded.parts.iter().filter_map(|part| match part {
            Part::Limited(limited) => Some(limited.input),
            _ => None,
        });
        needed
            .map(|input| {
                let image = inputs.frame(input, frame)?;
                let channel = matte::channel(&self.inputs[input], image, self.size)?;
                Ok(image.channels()[channel].samples.as_slice())
            })
            .collect()
    }
}

/// Grades planes block by block; gives how many values come out larger than half floats can be.
fn grade(graded: &Graded, source: [&[f16]; 4], mattes: &[&[f16]]) -> ([Vec<f16>; 3], usize) {
    let level = Level::best();
    let samples = source[3].len();
    let mut planes: [Vec<f16>; 3] = std::array::from_fn(|_| Vec::with_capacity(samples));
    let mut block = [[0.0f32; BLOCK]; 4];
    let mut spare = [[0.0f32; BLOCK]; 4];
    let is_linear = graded.is_linear();
    let mut beyond = 0;
    for start in (0..samples).step_by(BLOCK) {
        let n = BLOCK.min(samples - start);
        let mut parts = block.each_mut().map(|plane| &mut plane[..n]);
        for (to, from) in parts.iter_mut().zip(source) {
            from_half(&from[start..start + n], to);
        }
        let [r, g, b, a] = parts;
        let divide = !is_linear && !all_one(a);
        graded.light.apply(level, [&mut *r, &mut *g, &mut *b]);
        if divide {
            [&mut *r, &mut *g, &mut *b].into_iter().for_each(|plane| unpremultiply(level, plane, a));
        }
        run(graded, level, [&mut *r, &mut *g, &mut *b], start, mattes, &mut spare);
        if divide {
            if any_clear(a) {
                let mut black = [[0.0f32; BLOCK]; 3];
                let [x, y, z] = black.each_mut().map(|plane| &mut plane[..n]);
                run(graded, level, [x, y, z], start, mattes, &mut spare);
                for (plane, black) in [&mut *r, &mut *g, &mut *b].into_iter().zip(&black) {
                    take_black(level, plane, a, &black[..n]);
                }
            }
            [&mut *r, &mut *g, &mut *b].into_iter().for_each(|plane| repremultiply(level, plane, a));
        }
        for (plane, samples) in planes.iter_mut().zip([r, g, b]) {
            beyond += append_half(level, samples, plane);
        }
    }
    (planes, beyond)
}

/// Takes a block, which begins at sample `start` of the frame, through all parts.
fn run(
    graded: &Graded,
    level: Level,
    [r, g, b]: [&mut [f32]; 3],
    start: usize,
    mattes: &[&[f16]],
    spare: &mut [[f32; BLOCK]; 4],
) {
    let mut mattes = mattes.iter();
    for part in &graded.parts {
        let planes = [&mut *r, &mut *g, &mut *b];
        match part {
            Part::Steps(chain) => chain.apply(level, planes),
            Part::Limited(limited) => {
                let Some(matte) = mattes.next() else { continue };
                limited.apply(level, planes, &matte[start..], spare);
            }
            Part::Shade(shade) => shade.apply(level, planes, start, &mut spare[0]),
        }
    }
}
