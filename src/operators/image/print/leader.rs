//! The leaders before and after a print's picture, and where their pops are.
//!
//! A countdown runs in seconds, as SMPTE's universal leader does: the number is of the second that is passing, a mark goes
//! round once in it, the 2 is there for one frame exactly two seconds before the picture, and black follows. (Public
//! accounts of SMPTE ST 55; that the tail has a pop two seconds after the last frame is from memory.) The drawing is this
//! program's own: small and dim on a dark field, so that no frame of it flashes.
//!
//! Knows frames of leaders. Does not know the film.

use std::f64::consts::TAU;

use crate::base::digest::KeyHasher;
use crate::base::frames::FrameRange;
use crate::media::image::{Image, RGBA};
use crate::operators::image::assemble::black;
use crate::operators::lettering::{Face, ink};
use crate::operators::shape::Fill;
use crate::operators::shape::coverage::cover;

/// Seconds between a pop and the picture: the one place that says so, for picture and sound.
pub const POP: i64 = 2;

/// The frames of a print's two pops, whether or not its leaders reach that far: one frame each. `pictures` are the frames of the
/// picture itself, `nominal` the frames that timecode counts in a second.
pub fn pops(pictures: FrameRange, nominal: i64) -> [i64; 2] {
    [pictures.first - POP * nominal, pictures.last + POP * nominal]
}

/// One frame of a leader.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Mark {
    /// The first frame of a countdown.
    Start,
    /// The number of the second, and how many of its frames have begun, this one among them.
    Count(i64, i64),
    /// The head's pop.
    Head,
    /// The tail's pop.
    Tail,
    /// Nothing.
    Black,
}

impl Mark {
    /// What a frame outside the pictures shows, of a countdown that begins at `first`.
    pub fn of(frame: i64, first: i64, pictures: FrameRange, nominal: i64) -> Self {
        let [head, tail] = pops(pictures, nominal);
        let left = pictures.first - frame;
        match frame {
            _ if frame == head => Mark::Head,
            _ if frame == tail => Mark::Tail,
            _ if frame > head => Mark::Black,
            _ if frame == first => Mark::Start,
            _ => Mark::Count((left + nominal - 1) / nominal, nominal - (left - 1) % nominal),
        }
    }

    /// Feeds what it shows.
    pub fn feed(self, key: &mut KeyHasher) {
        let [kind, number, begun] = match self {
            Mark::Start => [0, 0, 0],
            Mark::Count(number, begun) => [1, number, begun],
            Mark::Head => [2, 0, 0],
            Mark::Tail => [3, 0, 0],
            Mark::Black => [4, 0, 0],
        };
        key.int(kind).int(number).int(begun);
    }
}

/// Characters that marks are written with.
pub const WRITTEN: &str = "PICTURE START TAIL 0123456789";

/// Levels of light.
const FIELD: f32 = 0.02;
const LINES: f32 = 0.07;
const SWEEP: f32 = 0.3;
const WRITING: f32 = 0.5;

/// The picture of a mark. `labels` stand at the lower left and right.
pub fn draw(mark: Mark, size: (u32, u32), nominal: i64, labels: [&str; 2], face: &Face) -> Image {
    if mark == Mark::Black {
        return black(size);
    }
    let mut image = Image::new(size.0, size.1, &RGBA);
    for channel in 0..4 {
        image.samples_mut(channel).fill(half::f16::from_f32(if channel == 3 { 1.0 } else { FIELD }));
    }
    let (width, height) = (f64::from(size.0), f64::from(size.1));
    let unit = height.min(width);
    let (x, y, thin) = (width / 2.0, height / 2.0, unit * 0.002);
    let window = ink::whole(&image);
    let bar = |[left, top, right, bottom]: [f64; 4]| {
        vec![[left, top], [right, top], [right, bottom], [left, bottom]]
    };
    let radii = [unit * 0.34, unit * 0.36];
    let lines = [
        bar([0.0, y - thin, x - radii[1], y + thin]),
        bar([x + radii[1], y - thin, width, y + thin]),
        bar([x - thin, 0.0, x + thin, y - radii[1]]),
        bar([x - thin, y + radii[1], x + thin, height]),
        arc([x, y], radii, 1.0),
    ];
    ink::lay(&mut image, &cover(&lines, Fill::Nonzero, window), LINES);
    let (text, high, share) = match mark {
        Mark::Start => ("PICTURE START".to_string(), 0.05, 0.0),
        Mark::Count(number, begun) => (number.to_string(), 0.3, begun as f64 / nominal as f64),
        Mark::Head => (POP.to_string(), 0.3, 1.0),
        Mark::Tail | Mark::Black => ("TAIL".to_string(), 0.1, 1.0),
    };
    ink::lay(&mut image, &cover(&[arc([x, y], radii, share)], Fill::Nonzero, window), SWEEP);
    let mut write = |text: &str, capitals: f64, place: f64, baseline: f64| {
        let size = face.size_of_capitals(capitals);
        let origin = [place - face.width(text, size) / 2.0, baseline];
        ink::lay(&mut image, &face.cover(text, size, origin, window), WRITING);
    };
    write(&text, unit * high, x, y + unit * high / 2.0);
    let small = |label: &str| {
        let room = width * 0.44 / face.width(label, 1.0).max(1.0);
        (unit * 0.025).min(room / face.size_of_capitals(1.0))
    };
    write(labels[0], small(labels[0]), width * 0.25, height * 0.94);
    write(labels[1], small(labels[1]), width * 0.75, height * 0.94);
    image
}

/// The part of a ring from the top clockwise, `share` of the whole, as one polygon.
fn arc([x, y]: [f64; 2], [inner, outer]: [f64; 2], share: f64) -> Vec<[f64; 2]> {
    // So many that corners lie within a hundredth of a pixel of the circle at any size of frame.
    const STEPS: i32 = 720;
    let side = |radius: f64| {
        (0..=STEPS).map(move |i| {
            let (sine, cosine) = (TAU * share * f64::from(i) / f64::from(STEPS)).sin_cos();
            [x + radius * sine, y - radius * cosine]
        })
    };
    side(outer).chain(side(inner).collect::<Vec<_>>().into_iter().rev()).collect()
}
