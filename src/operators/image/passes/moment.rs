//! A take at a time between its frames.
//!
//! Knows which of its frames are shown and how two are put together, mattes along with the picture. Does not know why a
//! take is shown at another time than the clean plate, nor where it lies.

use std::borrow::Cow;

use crate::base::digest::KeyHasher;
use crate::base::frames::FrameRange;
use crate::media::image::{Channel, Image};
use crate::operators::image::blend::mix;
use crate::operators::image::compensate::{compensate, seen};
use crate::operators::image::flow::Motion;
use crate::operators::image::passes::patch::planes_as_image;

/// What is shown of a take between two of its frames.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Between {
    /// The nearer one.
    Nearest,
    /// Both, mixed.
    Blended,
    /// What both show, moved along its motion.
    Flow,
}

impl Between {
    /// In the order of the setting's words.
    pub const ALL: [Between; 3] = [Between::Nearest, Between::Blended, Between::Flow];

    /// Its word.
    pub fn word(self) -> &'static str {
        ["nearest", "blended", "flow"][self as usize]
    }
}

/// What is shown of a take.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Moment {
    first: i64,
    /// Share of the way to the next frame.
    share: f64,
    between: Between,
}

/// A part of a frame as small as this is none: 2⁻²⁰.
const NO_PART: f64 = 1.0 / (1u64 << 20) as f64;

impl Moment {
    /// A take that is so many frames ahead, at a frame of the clean plate. The part of a frame is told from the offset alone,
    /// so that it is the same to the bit at every frame.
    pub fn at(frame: i64, ahead: f64, between: Between) -> Self {
        let (first, share) = (ahead.floor(), ahead - ahead.floor());
        if between == Between::Nearest || !(NO_PART..=1.0 - NO_PART).contains(&share) {
            return Self { first: frame + (ahead + 0.5).floor() as i64, share: 0.0, between };
        }
        Self { first: frame + first as i64, share, between }
    }

    /// The frames of the take that are needed.
    pub fn frames(&self) -> FrameRange {
        FrameRange::new(self.first, self.first + i64::from(self.share > 0.0))
    }

    /// Feeds how the frames are put together; which ones they are is in a key by their digests.
    pub fn feed(&self, key: &mut KeyHasher) {
        let is_one = self.share == 0.0;
        key.real(self.share).int(if is_one { -1 } else { self.between as i64 });
    }

    /// The picture and the marks of this moment, from those of the frames needed.
    pub fn show<'a>(
        &self,
        pictures: &[&'a Image],
        mut marks: Vec<Vec<Vec<f32>>>,
    ) -> (Cow<'a, Image>, Vec<Vec<f32>>) {
        let first = pictures[0];
        let Some(&second) = pictures.get(1).filter(|_| self.share > 0.0 && marks.len() > 1) else {
            return (Cow::Borrowed(first), marks.swap_remove(0));
        };
        let size = (first.width() as usize, first.height() as usize);
        let share = self.share as f32;
        if self.between == Between::Flow {
            let Some(motion) = Motion::between(&seen(first), &seen(second), size.0, size.1) else {
                let nearer = usize::from(share >= 0.5);
                return (Cow::Borrowed(pictures[nearer]), marks.swap_remove(nearer));
            };
            let names = (0..marks[0].len()).map(|i| format!("mark {i}")).collect::<Vec<_>>();
            let [a, b] =
                [(first, &marks[0]), (second, &marks[1])].map(|(image, marks)| marked(image, marks, size));
            let mut channels: Vec<Channel> = compensate(&a, &b, &motion, share).channels().to_vec();
            let moved = names.iter().filter_map(|name| {
                let at = channels.iter().position(|c| *c.name == **name)?;
                Some(channels.remove(at).samples.iter().map(|v| v.to_f32()).collect())
            });
            let moved = moved.collect();
            return (Cow::Owned(Image::from_channels(first.width(), first.height(), channels)), moved);
        }
        let image = mix(&[(first, 1.0 - share), (second, share)]);
        let second = marks.swap_remove(1);
        let mixed = marks
            .swap_remove(0)
            .into_iter()
            .zip(second)
            .map(|(a, b)| a.iter().zip(&b).map(|(a, b)| a * (1.0 - share) + b * share).collect());
        (Cow::Owned(image), mixed.collect())
    }
}

/// A picture with its marks as further channels, so that they are moved alike.
fn marked(image: &Image, marks: &[Vec<f32>], size: (usize, usize)) -> Image {
    let planes: Vec<&[f32]> = marks.iter().map(Vec::as_slice).collect();
    let marks = planes_as_image(&planes, size);
    let channels = image.channels().iter().chain(marks.channels()).cloned().collect();
    Image::from_channels(image.width(), image.height(), channels)
}
