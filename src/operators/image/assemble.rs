//! `assemble`: the cut as one picture. Knows straight cuts.
//!
//! Film frames count from 1. Each shows one frame of one shot, bit for bit, so that an assembled
//! frame is the same stored picture as the shot's own and costs no space.

use std::sync::Arc;

use crate::base::digest::KeyHasher;
use crate::base::frames::FrameRange;
use crate::base::problem::{Problem, Problems};
use crate::media::image::{Image, RGBA};
use crate::operators::{Carries, Inputs, Operator, OperatorError, Port, Prepared, Reader, Setup, Slot, Spec};

/// The operator.
pub struct Assemble;

static SPEC: Spec = Spec {
    name: "assemble",
    version: 3,
    summary: "Puts the shots one after the other as the cut says, and opaque black where the cut says black.",
    ports: &[Port {
        name: "shots",
        carries: Carries::Many,
        required: true,
        doc: "The finished stage of every shot; connected by the film's assembly.",
    }],
    params: &[],
    source: "Edit events as of SMPTE ST 258: source frames against record frames, out points exclusive.",
};

impl Operator for Assemble {
    fn spec(&self) -> &'static Spec {
        &SPEC
    }

    fn prepare(&self, setup: &Setup<'_>) -> Result<Box<dyn Prepared>, Problems> {
        let mut reader = Reader::new(&SPEC, setup);
        if setup.cut.is_empty() {
            let problem = Problem::error(
                setup.span,
                "there is nothing to assemble: the cut has no events and the film no shots",
            );
            reader.problems.push(problem);
        }
        let mut slots = setup.cut.to_vec();
        slots.sort_by_key(|slot| slot.at);
        let size = setup.frame_size;
        reader.finish(|| Reel { slots, size })
    }
}

struct Reel {
    slots: Vec<Slot>,
    /// Width and height of black, in pixels.
    size: (u32, u32),
}

impl Reel {
    fn look_up(&self, frame: i64) -> Option<(usize, i64)> {
        let after = self.slots.partition_point(|slot| slot.at <= frame);
        let slot = self.slots[..after].last()?;
        let source = slot.source.first + (frame - slot.at);
        slot.source.contains(source).then_some((slot.input, source))
    }
}

impl Prepared for Reel {
    fn channels(&self) -> Vec<Arc<str>> {
        RGBA.iter().map(|&name| name.into()).collect()
    }

    fn reach(&self, input: usize, frame: i64) -> FrameRange {
        match self.look_up(frame) {
            Some((active, source)) if active == input => FrameRange::one(source),
            _ => FrameRange::none(),
        }
    }

    fn each_reach(&self, _inputs: usize, frame: i64, visit: &mut dyn FnMut(usize, FrameRange)) {
        if let Some((input, source)) = self.look_up(frame) {
            visit(input, FrameRange::one(source));
        }
    }

    /// The one frame that is shown is shown as it is. Inputs are numbered as the cut first names their shots, so that with
    /// their numbers another order of the shots would make the whole film anew.
    fn tells_inputs_apart(&self) -> bool {
        false
    }

    /// What is shown is in the key by its pixels, and the size of black is in every stage's identity.
    fn at(&self, _frame: i64, _key: &mut KeyHasher) {}

    fn is_steady(&self) -> bool {
        true
    }

    fn apply(&self, inputs: &Inputs<'_>, frame: i64) -> Result<Image, OperatorError> {
        match self.look_up(frame) {
            Some((input, source)) => inputs.frame(input, source).cloned(),
            None => Ok(black(self.size)),
        }
    }
}

/// A frame of black that hides what is under it.
fn black((width, height): (u32, u32)) -> Image {
    let mut image = Image::new(width, height, &RGBA);
    image.samples_mut(3).fill(half::f16::ONE);
    image
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn film_frames_find_their_shot() {
        let reel = Reel {
            slots: vec![
                Slot { at: 1, input: 1, source: FrameRange::new(1009, 1012) },
                Slot { at: 5, input: 0, source: FrameRange::new(20, 21) },
            ],
            size: (3, 2),
        };
        let found: Vec<_> = (0..8).map(|n| reel.look_up(n)).collect();
        assert_eq!(
            found,
            [
                None,
                Some((1, 1009)),
                Some((1, 1010)),
                Some((1, 1011)),
                Some((1, 1012)),
                Some((0, 20)),
                Some((0, 21)),
                None
            ]
        );
        assert_eq!(reel.reach(0, 5), FrameRange::one(20));
        assert!(reel.reach(1, 5).is_empty());
        let image = reel.apply(&Inputs { frames: &[], raster: None }, 7).unwrap();
        assert_eq!((image.width(), image.height()), (3, 2));
        assert_eq!([0, 3].map(|channel| image.plane_f32(channel)[5]), [0.0, 1.0]);
    }
}
