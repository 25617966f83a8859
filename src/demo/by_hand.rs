//! What a person made of the demo film by hand: the keeper of the reshot ending, cut out frame by frame.
//!
//! Knows how much of each pixel somebody and their pole cover while the shutter is open. Does not know files.

use half::f16;

use super::body::Who;
use super::camera::{HEIGHT, WIDTH};
use super::cloth::Lighting;
use super::figure::Layer;
use super::frame::{bodies, halton, open};
use super::math::{Vec3, clamp01};
use super::plates::plates;
use super::pole;
use super::sight::Sight;
use super::smear::{Ways, spread};
use crate::base::frames::FrameRange;
use crate::media::image::Image;

/// The plate, whom it is of, and the shot's frames with their handles.
const PLATE: &str = "ending-2";
const OF: Who = Who::Keeper;
const FRAMES: FrameRange = FrameRange::new(1005, 1044);
/// How many instants of the open shutter are drawn: the keeper hardly moves.
const INSTANTS: usize = 4;

/// Frames of one hand stage that lie ready: its files are `hands/SHOT/STAGE.FRAME.exr`.
pub struct HandWork {
    /// Its shot.
    pub shot: &'static str,
    /// Its stage, which is its matte's name too.
    pub stage: &'static str,
    /// The frames that exist.
    pub frames: FrameRange,
}

/// The work of hands that comes with the film.
pub const BY_HAND: HandWork = HandWork { shot: "br080", stage: "figure", frames: FRAMES };

/// A frame of it: one matte, 960 × 540, 1 where the keeper and the pole cover all of a pixel.
pub fn figure(number: i64) -> Image {
    let plate = plates().iter().find(|plate| plate.name == PLATE).expect("a plate of the film");
    let index = plate.people.iter().position(|(who, _)| *who == OF).expect("the keeper is in it");
    let (time, share) = (plate.time(number), 1.0 / INSTANTS as f32);
    // Nothing of the set stands before the keeper, and light makes no difference to cover.
    let sight = Sight::nothing();
    let dark = vec![Lighting { beams: vec![], fill: (Vec3::default(), Vec3::default()) }; plate.people.len()];
    let mut layer = Layer::new();
    let mut sum = vec![[0.0_f32; 4]; WIDTH * HEIGHT];
    for instant in 0..INSTANTS {
        let at = time + ((instant as f32 + 0.5) * share - 0.5) * open(plate);
        let camera = plate.camera.at(at);
        layer.clear();
        let offset = (halton(instant + 1, 2), halton(instant + 1, 3));
        let alone = |time: f32| vec![bodies(plate, time).swap_remove(index)];
        layer.draw(&camera, offset, OF, &alone(at)[0], &dark[index]);
        let [begins, ends] = [-0.5, 0.5].map(|side| at + side * share * open(plate));
        let [before, after] = [begins, ends].map(|time| (plate.camera.at(time), alone(time)));
        Ways::new((&before.0, &before.1), (&after.0, &after.1)).add(&layer, &sight, share, &mut sum);
        let own = &plate.people[index..=index];
        pole::draw((plate, own), &dark, (at, open(plate) * share), share, &layer, &sight, &mut sum);
    }
    spread(&mut sum);
    let mut image = Image::new(WIDTH as u32, HEIGHT as u32, &[BY_HAND.stage]);
    let cover = image.samples_mut(0);
    for (cover, [.., a]) in cover.iter_mut().zip(sum) {
        // To 255 steps, as whoever paints a matte has it.
        *cover = f16::from_f32((clamp01(a) * 255.0).round() / 255.0);
    }
    image
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_keeper_is_within_and_the_rest_without() {
        let matte = figure(1024);
        let plane = matte.plane_f32(0);
        let part = plane.iter().filter(|v| **v > 0.5).count() as f32 / plane.len() as f32;
        assert!((0.01..0.10).contains(&part), "{part}");
        let rim = plane.iter().filter(|v| **v > 0.02 && **v < 0.98).count() as f32 / plane.len() as f32;
        assert!(rim < part * 0.4, "{rim}");
    }
}
