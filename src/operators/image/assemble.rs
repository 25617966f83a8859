//! `assemble`: the cut as one picture. Knows straight cuts, dissolves and wipes, from and to black too, and speeds.
//!
//! Film frames count from 1. Outside dissolves each shows one frame of one shot, bit for bit, so that an assembled
//! frame is the same stored picture as the shot's own and costs no space. In a dissolve of n frames the share of what comes
//! in rises by n + 1 equal steps, from 0 on the frame before it to 1 on the frame after it: the first frame shows 1/(n + 1) of
//! it, the last n/(n + 1). (The length and its place are the edit list's; the steps are common practice, no source.) Pixels
//! are mixed as premultiplied linear light: out × (1 − share) + in × share. In a wipe the same share says how far its edge has
//! come, and each pixel's share is how much of it what comes in covers. An event at another speed shows the frame that is on
//! as each film frame begins (`base::speed`): none is blended or made.

use std::sync::Arc;

use crate::base::digest::KeyHasher;
use crate::base::frames::FrameRange;
use crate::base::problem::{Problem, Problems};
use crate::media::image::{Image, RGBA};
use crate::operators::image::wipe;
use crate::operators::{
    Carries, Inputs, Kind, Made, Operator, OperatorError, Param, Port, Prepared, Reader, Setup, Slot, Spec,
};

/// The operator.
pub struct Assemble;

/// The setting for wipes that are not drawn, and its words.
pub(crate) const OTHER_WIPES: &str = "other_wipes";
pub(crate) const AS_DISSOLVES: &str = "dissolve";
const REFUSED: &str = "refuse";

static SPEC: Spec = Spec {
    name: "assemble",
    version: 3,
    summary: "Puts the shots one after the other as the cut says, with its dissolves, wipes and speeds, and opaque black where the cut says black.",
    ports: &[Port {
        name: "shots",
        carries: Carries::Many,
        required: true,
        doc: "The finished stage of every shot; connected by the film's assembly.",
    }],
    params: &[Param {
        name: OTHER_WIPES,
        kind: Kind::Word(&[REFUSED, AS_DISSOLVES]),
        unit: "",
        default: REFUSED,
        doc: "What a wipe of a pattern that is not drawn is: refused, or a dissolve of the same length, with a warning.",
    }],
    source: "Edit events as of SMPTE ST 258: source frames against record frames, out points exclusive. Dissolves: linear interpolation of premultiplied light (plus, Porter & Duff 1984). Patterns of wipes: their numbers in SMPTE ST 258, as W3C SMIL 2.0 lists them.",
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
        reader.word(OTHER_WIPES);
        let mut slots = setup.cut.to_vec();
        slots.sort_by_key(|slot| slot.at);
        let (leaving, playing) = slots.into_iter().partition(|slot| slot.leaves);
        let size = setup.frame_size;
        reader.finish(|| Reel { playing, leaving, size })
    }
}

struct Reel {
    /// What plays, in the order of the film.
    playing: Vec<Slot>,
    /// What goes out in dissolves, in the order of the film.
    leaving: Vec<Slot>,
    /// Width and height of black, in pixels.
    size: (u32, u32),
}

/// An input and a frame of it; none for black.
type Shown = Option<(usize, i64)>;

/// What a film frame shows.
#[derive(Debug, PartialEq)]
enum Picture {
    /// One picture as it is.
    One(Shown),
    /// One going out, one coming in, the share of that, and the pattern if it is wiped in.
    Mix(Shown, Shown, f64, Option<u16>),
}

impl Reel {
    fn look_up(&self, frame: i64) -> Picture {
        let shown = |slots: &[Slot]| {
            let (slot, into) = Slot::playing(slots, frame)?;
            Some((slot.input?, slot.run.at(into)))
        };
        let comes = shown(&self.playing);
        match Slot::playing(&self.leaving, frame) {
            Some((slot, into)) => {
                let share = (into + 1) as f64 / (slot.run.frames + 1) as f64;
                Picture::Mix(shown(&self.leaving), comes, share, slot.wipe)
            }
            None => Picture::One(comes),
        }
    }
}

impl Prepared for Reel {
    fn channels(&self) -> Vec<Arc<str>> {
        RGBA.iter().map(|&name| name.into()).collect()
    }

    fn reach(&self, input: usize, frame: i64) -> FrameRange {
        let mut reach = FrameRange::none();
        self.each_reach(0, frame, &mut |other, range| {
            if other == input {
                reach = range;
            }
        });
        reach
    }

    /// What goes out first: the key tells both apart by their order.
    fn each_reach(&self, _inputs: usize, frame: i64, visit: &mut dyn FnMut(usize, FrameRange)) {
        let both = match self.look_up(frame) {
            Picture::One(shown) => [shown, None],
            Picture::Mix(goes, comes, ..) => [goes, comes],
        };
        both.into_iter().flatten().for_each(|(input, source)| visit(input, FrameRange::one(source)));
    }

    /// The one frame that is shown is shown as it is. Inputs are numbered as the cut first names their shots, so that with
    /// their numbers another order of the shots would make the whole film anew.
    fn tells_inputs_apart(&self) -> bool {
        false
    }

    /// What is shown is in the key by its pixels, and the size of black is in every stage's identity. Of a dissolve it is
    /// the share, and on which side black is; of a wipe its pattern as well.
    fn at(&self, frame: i64, key: &mut KeyHasher) {
        if let Picture::Mix(goes, comes, share, wipe) = self.look_up(frame) {
            key.int(goes.is_some().into()).int(comes.is_some().into()).real(share);
            if let Some(pattern) = wipe {
                key.text("wipe").int(pattern.into());
            }
        }
    }

    fn is_steady(&self) -> bool {
        self.leaving.is_empty()
    }

    fn make(&self, inputs: &Inputs<'_>, frame: i64) -> Result<Made, OperatorError> {
        let of = |shown: Shown| shown.map(|(input, source)| inputs.frame(input, source)).transpose();
        let image = match self.look_up(frame) {
            Picture::One(None) => black(self.size),
            Picture::One(Some((input, source))) => inputs.frame(input, source)?.clone(),
            Picture::Mix(goes, comes, share, None) => {
                mixed(of(goes)?, of(comes)?, self.size, |_, row| row.fill(share as f32))
            }
            Picture::Mix(goes, comes, share, Some(pattern)) => {
                let wipe = wipe::Wipe::of(pattern, self.size, share);
                mixed(of(goes)?, of(comes)?, self.size, |y, row| wipe.row(y, row))
            }
        };
        Ok(image.into())
    }
}

/// `goes` × (1 − share) + `comes` × share, where none is opaque black. `shares` gives those of a row's pixels.
fn mixed(
    goes: Option<&Image>,
    comes: Option<&Image>,
    size: (u32, u32),
    shares: impl Fn(u32, &mut [f32]),
) -> Image {
    let mut image = Image::new(size.0, size.1, &RGBA);
    let width = size.0 as usize;
    let (mut a, mut b, mut out) = (vec![0.0; width], vec![0.0; width], vec![0.0f32; width]);
    let mut share = vec![0.0f32; width];
    let read = |side: Option<&Image>, channel: usize, y: u32, row: &mut [f32]| match side {
        Some(side) => side.read_row(channel, y, row),
        None => row.fill(if channel == 3 { 1.0 } else { 0.0 }),
    };
    for y in 0..size.1 {
        shares(y, &mut share);
        for channel in 0..RGBA.len() {
            read(goes, channel, y, &mut a);
            read(comes, channel, y, &mut b);
            for (((out, a), b), share) in out.iter_mut().zip(&a).zip(&b).zip(&share) {
                // Where one of them is not seen, what it holds must not be either, be it beyond all numbers.
                *out = match *share {
                    0.0 => *a,
                    1.0 => *b,
                    share => a * (1.0 - share) + b * share,
                };
            }
            image.write_row(channel, y, &out);
        }
    }
    image
}

/// A frame of black that hides what is under it.
pub(super) fn black((width, height): (u32, u32)) -> Image {
    let mut image = Image::new(width, height, &RGBA);
    image.samples_mut(3).fill(half::f16::ONE);
    image
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::base::speed::Run;
    use crate::operators::image::trial;

    fn slot(at: i64, input: Option<usize>, first: i64, last: i64, leaves: bool) -> Slot {
        let source = FrameRange::new(first, last);
        Slot { at, input, run: Run::of(source), leaves, wipe: None, shot: "".into(), stage: "".into() }
    }

    /// Four frames of input 1, then input 0 dissolves in over three, black after it.
    fn reel() -> Reel {
        Reel {
            playing: vec![slot(1, Some(1), 1009, 1012, false), slot(5, Some(0), 20, 24, false)],
            leaving: vec![slot(5, Some(2), 1013, 1015, true), slot(10, Some(3), 25, 26, true)],
            size: (3, 2),
        }
    }

    #[test]
    fn film_frames_find_their_shots() {
        let reel = reel();
        let found: Vec<_> = [0, 1, 4, 5, 7, 8, 9, 10, 11, 12].map(|n| reel.look_up(n)).into();
        let black = || Picture::One(None);
        let one = |input, frame| Picture::One(Some((input, frame)));
        let mix = |a, b, share| Picture::Mix(Some(a), b, share, None);
        assert_eq!(
            found,
            [
                black(),
                one(1, 1009),
                one(1, 1012),
                mix((2, 1013), Some((0, 20)), 0.25),
                mix((2, 1015), Some((0, 22)), 0.75),
                one(0, 23),
                one(0, 24),
                mix((3, 25), None, 1.0 / 3.0),
                mix((3, 26), None, 2.0 / 3.0),
                black(),
            ]
        );
        let mut visited = Vec::new();
        reel.each_reach(4, 6, &mut |input, range| visited.push((input, range)));
        assert_eq!(visited, [(2, FrameRange::one(1014)), (0, FrameRange::one(21))]);
        assert_eq!(reel.reach(0, 6), FrameRange::one(21));
        assert!(reel.reach(1, 6).is_empty() && reel.reach(0, 4).is_empty());
    }

    #[test]
    fn keys_hold_the_share_of_dissolves_and_nothing_else() {
        let reel = reel();
        let plain = KeyHasher::new().finish();
        for frame in [0, 1, 4, 8, 9, 12] {
            assert_eq!(trial::key(&reel, frame), plain, "{frame}");
        }
        let keys: std::collections::HashSet<_> = [5, 6, 7, 10, 11].map(|n| trial::key(&reel, n)).into();
        assert!(keys.len() == 5 && !keys.contains(&plain) && !reel.is_steady());
        // The same share to black is another picture than the same share from black.
        let fade =
            |goes, comes| Reel { playing: comes, leaving: vec![slot(1, goes, 1, 1, true)], size: (3, 2) };
        let (to, from) = (fade(Some(0), vec![]), fade(None, vec![slot(1, Some(0), 1, 1, false)]));
        assert_ne!(trial::key(&to, 1), trial::key(&from, 1));
    }

    fn flat(levels: [f32; 4]) -> Image {
        let mut image = Image::new(3, 2, &RGBA);
        for (channel, level) in levels.into_iter().enumerate() {
            image.samples_mut(channel).fill(half::f16::from_f32(level));
        }
        image
    }

    #[test]
    fn dissolves_mix_light_and_straight_frames_stay() {
        let reel = reel();
        let (a, b) = (Arc::new(flat([4.0, 0.5, 0.0, 1.0])), Arc::new(flat([0.0, 0.25, 8.0, 0.5])));
        let frames = [
            vec![(20, Arc::clone(&b)), (21, Arc::clone(&b)), (23, Arc::clone(&b))],
            vec![(1012, Arc::clone(&a))],
            vec![(1013, Arc::clone(&a)), (1014, Arc::clone(&a))],
            vec![(25, Arc::clone(&b))],
        ];
        let inputs = Inputs { frames: &frames, raster: None };
        let at = |frame| reel.apply(&inputs, frame).unwrap();
        assert_eq!(at(4), *a);
        assert_eq!(at(8), *b);
        assert_eq!(at(6), flat([2.0, 0.375, 4.0, 0.75]));
        assert_eq!(at(5), flat([3.0, 0.4375, 2.0, 0.875]));
        // To black, which is opaque: a third of it.
        let third = 1.0 / 3.0;
        assert_eq!(
            at(10),
            flat([0.0, 0.25 * (1.0 - third), 8.0 * (1.0 - third), 0.5 * (1.0 - third) + third])
        );
        assert_eq!(at(12), flat([0.0, 0.0, 0.0, 1.0]));
        // Of two alike pictures any mix is the picture.
        let flat = |share: f32| move |_, row: &mut [f32]| row.fill(share);
        assert_eq!(mixed(Some(&b), Some(&b), (3, 2), flat(1.0 / 7.0)), *b);
        // Backwards a dissolve is the same dissolve.
        let there = mixed(Some(&a), Some(&b), (3, 2), flat(0.25));
        assert_eq!(there, mixed(Some(&b), Some(&a), (3, 2), flat(0.75)));
    }

    #[test]
    fn a_wipe_shows_each_side_where_its_edge_says() {
        let leaving = Slot { wipe: Some(1), ..slot(1, Some(0), 20, 20, true) };
        let reel =
            Reel { playing: vec![slot(1, Some(1), 5, 9, false)], leaving: vec![leaving], size: (3, 2) };
        let (goes, comes) = (flat([4.0, 0.5, 0.0, 1.0]), flat([0.0, 0.25, 8.0, 0.5]));
        let frames = [vec![(20, Arc::new(goes.clone()))], vec![(5, Arc::new(comes.clone()))]];
        let made = reel.apply(&Inputs { frames: &frames, raster: None }, 1).unwrap();
        // Half way in three pixels: the first is what comes in, the last what goes out, the middle one half of each.
        for channel in 0..4 {
            let row = |image: &Image| {
                let mut row = [0.0; 3];
                image.read_row(channel, 1, &mut row);
                row
            };
            let ([out, ..], [into, ..]) = (row(&goes), row(&comes));
            assert_eq!(row(&made), [into, (out + into) / 2.0, out]);
        }
        // The pattern is in the key, and a dissolve's key is as it was without one.
        let dissolve = Reel {
            playing: reel.playing.clone(),
            leaving: vec![slot(1, Some(0), 20, 20, true)],
            size: (3, 2),
        };
        let other = Slot { wipe: Some(2), ..reel.leaving[0].clone() };
        let other = Reel { playing: reel.playing.clone(), leaving: vec![other], size: (3, 2) };
        let keys: std::collections::HashSet<_> =
            [&reel, &dissolve, &other].map(|reel| trial::key(reel, 1)).into();
        assert_eq!(keys.len(), 3);
    }

    #[test]
    fn a_speed_reaches_the_frames_that_it_shows() {
        let back =
            Run { first: 24, frames: 6, speed: crate::base::speed::Speed::new(-1, 2).unwrap(), played: 0 };
        let playing = vec![Slot { run: back, ..slot(1, Some(0), 0, 0, false) }];
        let reel = Reel { playing, leaving: vec![], size: (3, 2) };
        let shown: Vec<i64> = (1..=6).map(|frame| reel.reach(0, frame).first).collect();
        assert_eq!(shown, [24, 24, 23, 23, 22, 22]);
        assert!(reel.reach(0, 7).is_empty());
        // Straight frames are kept as they are, so two that show the same one are the same picture, of one key.
        assert_eq!(trial::key(&reel, 1), trial::key(&reel, 4));
    }
}
