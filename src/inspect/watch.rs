//! A film watched in the order of its frames: what lies between frames, and from where to where each finding goes.
//!
//! Knows looks and their order. Does not know pixels, nor which thread looked at which frame.

use crate::base::frames::FrameRange;

use super::black::{Black, is_black};
use super::finding::{Finding, Kind, PixelBox, Side, Weight};
use super::levels::Outside;
use super::look::{Look, Spots};
use super::odd::Odd;
use super::remedy::Flashing;
use super::repeats::{Change, Repeats};
use super::rules::Rules;
use super::runs::Open;
use super::sides::Sides;
use super::strays::Strays;

/// Kinds of findings that single frames show.
const SINGLE: usize = 6;
/// Share of a frame from which clipped or negative values are more than a note.
const SHOWS: f64 = 1e-4;

/// A look, with its cells as signals.
struct Seen {
    frame: i64,
    look: Look,
    tones: Vec<[f32; 3]>,
}

/// Takes looks in and gives findings.
pub struct Watch {
    rules: Rules,
    film: FrameRange,
    /// The last two frames, if they follow each other.
    past: [Option<Seen>; 2],
    found: Vec<Finding>,
    single: [Open; SINGLE],
    sides: [Sides; 4],
    black: Black,
    odd: Odd,
    strays: Strays,
    repeats: Repeats,
    flashing: Option<Flashing>,
}

impl Watch {
    /// For a film of frames `film`.
    pub fn new(rules: Rules, film: FrameRange) -> Self {
        Self {
            rules,
            film,
            past: [None, None],
            found: Vec::new(),
            single: Default::default(),
            sides: Side::ALL.map(Sides::new),
            black: Black::default(),
            odd: Odd::default(),
            strays: Strays::default(),
            repeats: Repeats::default(),
            flashing: None,
        }
    }

    /// Takes in what was seen in `frame`.
    ///
    /// # Panics
    /// When the frame does not come after the last one.
    pub fn take(&mut self, frame: i64, look: Look) {
        let last = self.past[1].as_ref().map(|seen| seen.frame);
        assert!(last.is_none_or(|last| frame > last), "frame {frame} after {last:?}");
        let expected = last.map_or(self.film.first, |last| last + 1);
        self.missing(FrameRange::new(expected, frame - 1));
        let same_size = self.past[1].as_ref().is_some_and(|seen| seen.look.size == look.size);
        let follows = last == Some(frame - 1) && same_size;
        if !follows {
            self.part();
        }
        self.single(frame, &look);
        let context = (&self.rules, self.film);
        self.black.take(frame, &look, follows, context, &mut self.found);
        for (i, side) in self.sides.iter_mut().enumerate() {
            let seen = (look.edges[i], look.dark.map(|dark| dark[i]));
            side.take(frame, look.size, seen, &self.rules, &mut self.found);
        }
        self.flash(frame, &look);
        let tones = look.cells.tones();
        let seen = Seen { frame, look, tones };
        self.between(&seen);
        let [_, last] = std::mem::take(&mut self.past);
        self.past = [last.filter(|_| follows), Some(seen)];
    }

    /// Everything that was found, in the order of frames.
    pub fn end(mut self) -> Vec<Finding> {
        let expected = self.past[1].as_ref().map_or(self.film.first, |seen| seen.frame + 1);
        self.missing(FrameRange::new(expected, self.film.last));
        self.part();
        self.black.end(&self.rules, self.film, &mut self.found);
        for open in &mut self.single {
            open.end(&mut self.found);
        }
        self.found.extend(self.flashing.into_iter().flat_map(Flashing::end));
        self.repeats.end(&self.rules, &mut self.found);
        // What is odd as a picture need not be told as a break of the movement too.
        let odd: Vec<i64> = self.found.iter().filter(|f| f.kind == Kind::Odd).map(|f| f.shows).collect();
        self.found.retain(|f| f.kind != Kind::Stray || !odd.contains(&f.shows));
        self.found.sort_by_key(|finding| (finding.frames, std::cmp::Reverse(finding.weight)));
        self.found
    }

    fn missing(&mut self, frames: FrameRange) {
        if frames.is_empty() {
            return;
        }
        self.found.push(Finding {
            kind: Kind::Missing,
            weight: Weight::Fault,
            frames,
            amount: frames.len() as f64,
            unit: "frames",
            limit: 0.0,
            place: None,
            shows: frames.first,
        });
    }

    /// What is compared with the frame before starts anew.
    fn part(&mut self) {
        self.repeats.part(&self.rules, &mut self.found);
        self.odd.end(&mut self.found);
        self.strays.end(&self.rules, &mut self.found);
        for side in &mut self.sides {
            side.end(&self.rules, &mut self.found);
        }
        self.past[0] = None;
    }

    fn flash(&mut self, frame: i64, look: &Look) {
        if self.flashing.as_ref().is_some_and(|flashing| !flashing.fits(look.cells.grid)) {
            self.found.extend(self.flashing.take().into_iter().flat_map(Flashing::end));
        }
        let flashing = self.flashing.get_or_insert_with(|| Flashing::new(look.cells.grid, &self.rules));
        self.found.extend(flashing.take(frame, &look.cells));
    }

    /// What lies between this frame and those before.
    fn between(&mut self, here: &Seen) {
        let [before, Some(last)] = &self.past else { return };
        if last.frame + 1 != here.frame || last.look.size != here.look.size {
            return;
        }
        let is_black = |seen: &Seen| is_black(&seen.look, &self.rules);
        let step = |from: &Seen| match from.look.print == here.look.print {
            true => Change::None,
            false => Change::Some(from.look.cells.step(&from.tones, &here.look.cells, &here.tones)),
        };
        let change = step(last);
        if is_black(last) && is_black(here) {
            // Black frames are all alike, and told as black.
            self.repeats.part(&self.rules, &mut self.found);
        } else {
            let [from, to] = [last, here].map(|seen| (&seen.look.cells, &seen.tones[..]));
            self.repeats.take(here.frame, change, from, to, &self.rules, &mut self.found);
        }
        if is_black(last) || is_black(here) {
            self.strays.end(&self.rules, &mut self.found);
        } else {
            let before =
                before.as_ref().filter(|before| !is_black(before)).map(|before| step(before).means());
            self.strays.take(here.frame, change.means(), before, &self.rules, &mut self.found);
        }
        if let Some(before) = before {
            let tones = [&before.tones[..], &last.tones, &here.tones];
            // A black frame between lit ones is told as black.
            if is_black(last) {
                self.odd.end(&mut self.found);
            } else {
                self.odd.take(last.frame, &here.look.cells.grid, tones, &self.rules, &mut self.found);
            }
        }
    }

    fn single(&mut self, frame: i64, look: &Look) {
        let rules = &self.rules;
        let pixels = f64::from(look.size.0) * f64::from(look.size.1);
        let one = |kind, weight, amount, limit, place: Option<PixelBox>| Finding {
            kind,
            weight,
            frames: FrameRange::one(frame),
            amount,
            unit: "of the frame",
            limit,
            place,
            shows: frame,
        };
        let spots = |spots: &Option<Spots>, kind: fn(&Spots) -> Kind, heavy: Weight| {
            spots.as_ref().map(|spots| {
                let share = spots.pixels as f64 / pixels;
                let weight = if share < SHOWS { heavy.min(Weight::Hint) } else { heavy };
                one(kind(spots), weight, share, 0.0, Some(spots.place))
            })
        };
        let size = rules.size.filter(|&declared| declared != look.size).map(|declared| {
            let kind = Kind::Size { found: look.size, declared };
            Finding { unit: "pixels", ..one(kind, Weight::Fault, pixels, 0.0, None) }
        });
        let broken = spots(&look.broken, |_| Kind::NotANumber, Weight::Fault);
        let broken = broken.map(|finding| Finding { weight: Weight::Fault, ..finding });
        let negative =
            spots(&look.negative, |s| Kind::Negative { worst: s.worst, at: s.at }, Weight::Suspect);
        let above = spots(&look.above, |s| Kind::AboveWhite { worst: s.worst, at: s.at }, Weight::Suspect);
        let holes = look.holes.as_ref().map(|holes| {
            let kind = Kind::SeeThrough { least: holes.spots.worst, side: holes.side };
            let share = holes.spots.pixels as f64 / pixels;
            one(kind, Weight::Fault, share, 0.0, Some(holes.spots.place))
        });
        let levels = look.levels.and_then(|Outside { pixels: outside, place, low, high }| {
            let share = outside as f64 / pixels;
            let kind = Kind::Levels { low, high, filtered: rules.filter };
            (share > rules.level_share())
                .then(|| one(kind, Weight::Fault, share, rules.level_share(), Some(place)))
        });
        for (open, seen) in self.single.iter_mut().zip([size, broken, negative, above, holes, levels]) {
            open.take(seen, &mut self.found);
        }
    }
}

/// The finding that the material runs at another rate than the film, if it does.
pub fn rate(
    found: crate::base::rate::Rate,
    declared: crate::base::rate::Rate,
    film: FrameRange,
) -> Option<Finding> {
    let same = u64::from(found.frames) * u64::from(declared.seconds)
        == u64::from(declared.frames) * u64::from(found.seconds);
    let [found, declared] = [found.per_second(), declared.per_second()];
    (!same).then_some(Finding {
        kind: Kind::Rate { found, declared },
        weight: Weight::Fault,
        frames: film,
        amount: found,
        unit: "frames a second",
        limit: declared,
        place: None,
        shows: film.first,
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::base::rate::Rate;
    use crate::inspect::look::look;
    use crate::inspect::trial::{drawn, normal, put, random};
    use crate::media::image::Image;

    const SIZE: (u32, u32) = (192, 108);
    const FILM: FrameRange = FrameRange::new(1001, 1040);

    /// A picture that moves to the right with something passing by, at frame `n`.
    fn colour(n: i64, x: f32, y: f32) -> [f32; 3] {
        let t = n as f32;
        let base = 0.4 + 0.18 * ((x - 2.0 * t) / 11.0).sin() * ((y + t) / 17.0).cos();
        let by = if (x - 20.0 - 3.0 * (t - 1000.0)).hypot(y - 50.0) < 12.0 { 0.2 } else { 0.0 };
        [base * 1.1 + by, base, base * 0.8 + 0.5 * by]
    }

    fn moving(n: i64) -> Image {
        drawn(SIZE.0, SIZE.1, |x, y| colour(n, x, y))
    }

    fn watch_by(rules: &Rules, film: FrameRange, frame: impl Fn(i64) -> Option<Image>) -> Vec<Finding> {
        let mut watch = Watch::new(rules.clone(), film);
        for n in film.iter() {
            if let Some(image) = frame(n) {
                watch.take(n, look(&image, rules));
            }
        }
        let found = watch.end();
        for finding in &found {
            let told = finding.sentence();
            assert!(told.ends_with('.') || told.ends_with('?'), "{told}");
            assert!(finding.frames.contains(finding.shows) || matches!(finding.kind, Kind::Flash { .. }));
        }
        found
    }

    fn watch(frame: impl Fn(i64) -> Image) -> Vec<Finding> {
        watch_by(&Rules::default(), FILM, |n| Some(frame(n)))
    }

    /// The only finding.
    fn one(found: Vec<Finding>) -> Finding {
        assert_eq!(found.len(), 1, "{found:#?}");
        found.into_iter().next().unwrap()
    }

    fn frames(first: i64, last: i64) -> FrameRange {
        FrameRange::new(first, last)
    }

    #[test]
    fn clean_motion_gives_no_finding() {
        assert_eq!(watch(moving), []);
    }

    #[test]
    fn clean_grain_dissolves_fades_and_stars_give_no_finding() {
        let still = |x: f32, y: f32| colour(1000, x, y);
        // A locked shot with grain, bright and very dark.
        for (level, grain) in [(1.0, 0.01), (0.06, 0.004)] {
            let frame = |n: i64| {
                drawn(SIZE.0, SIZE.1, |x, y| {
                    let g = grain * normal(x, y, n as u64);
                    still(x, y).map(|v| (v * level + g).max(0.0))
                })
            };
            assert_eq!(watch(frame), [], "{level}");
        }
        // A dissolve between two moving shots.
        let dissolve = |n: i64| {
            let w = ((n - 1008) as f32 / 24.0).clamp(0.0, 1.0);
            drawn(SIZE.0, SIZE.1, |x, y| {
                let (a, b) = (colour(n, x, y), colour(2 * n, y, x));
                [0, 1, 2].map(|c| a[c] * (1.0 - w) + b[c] * w)
            })
        };
        assert_eq!(watch(dissolve), []);
        // A hard cut between moving shots.
        let cut = |n: i64| if n < 1020 { moving(n) } else { drawn(SIZE.0, SIZE.1, |x, y| colour(-n, y, x)) };
        assert_eq!(watch(cut), []);
        // Stars that pass slowly: fine detail, most of it black.
        let stars = |n: i64| {
            drawn(SIZE.0, SIZE.1, |x, y| {
                let star = random((x as i64 + n) as u64, y as u64, 3) > 0.99;
                [if star { 0.2 + 0.7 * random((x as i64 + n) as u64, y as u64, 4) } else { 0.0 }; 3]
            })
        };
        assert_eq!(watch(stars), []);
        // A fade to black over the last frames: black at the tail is a note.
        let fade = |n: i64| {
            let w = ((1034 - n) as f32 / 20.0).clamp(0.0, 1.0);
            drawn(SIZE.0, SIZE.1, |x, y| colour(n, x, y).map(|v| v * w))
        };
        let found = one(watch(fade));
        assert_eq!((found.kind, found.weight, found.frames.last), (Kind::Black, Weight::Hint, 1040));
        assert!(found.frames.first >= 1033);
    }

    #[test]
    fn a_slow_fade_of_a_locked_shot_is_not_frozen() {
        let fade = |n: i64| {
            drawn(SIZE.0, SIZE.1, |x, y| colour(1000, x, y).map(|v| v * (1.0 - (n - 1001) as f32 * 0.003)))
        };
        assert_eq!(watch(fade), []);
    }

    #[test]
    fn missing_frames_are_named_at_head_middle_and_tail() {
        let gone = [frames(1001, 1002), frames(1010, 1012), frames(1040, 1040)];
        let found =
            watch_by(&Rules::default(), FILM, |n| (!gone.iter().any(|g| g.contains(n))).then(|| moving(n)));
        let told: Vec<_> = found.iter().map(|f| (f.kind.clone(), f.frames)).collect();
        assert_eq!(told, gone.map(|g| (Kind::Missing, g)));
        assert_eq!(found[1].sentence(), "Frames 1010-1012 are missing: render or copy them again.");
    }

    #[test]
    fn frozen_pictures_are_told_unless_they_are_declared() {
        let frozen = |n: i64| moving(if (1010..=1030).contains(&n) { 1010 } else { n });
        let found = one(watch(frozen));
        assert_eq!(
            (found.kind, found.frames, found.amount),
            (Kind::Frozen { exact: true }, frames(1010, 1030), 21.0)
        );
        let rules = Rules { stills: vec![frames(1005, 1030)], ..Rules::default() };
        assert_eq!(watch_by(&rules, FILM, |n| Some(frozen(n))), []);
        // The last bits differ from frame to frame, as an encoder leaves them.
        let nearly = |n: i64| {
            let held = if (1010..=1030).contains(&n) { 1010 } else { n };
            drawn(SIZE.0, SIZE.1, |x, y| {
                colour(held, x, y).map(|v| v + 0.002 * (random(x as u64, y as u64, n as u64) - 0.5))
            })
        };
        let found = one(watch(nearly));
        assert_eq!((found.kind, found.weight), (Kind::Frozen { exact: false }, Weight::Hint));
        assert_eq!(found.frames, frames(1010, 1030));
    }

    #[test]
    fn a_small_thing_that_moves_keeps_a_shot_from_being_frozen() {
        let small = |n: i64| {
            drawn(SIZE.0, SIZE.1, |x, y| {
                let on = (x as i64 - 40 - (n - 1001)).abs() < 2 && (y as i64 - 30).abs() < 2;
                if on { [0.6; 3] } else { [0.3; 3] }
            })
        };
        assert_eq!(watch(small), []);
    }

    #[test]
    fn a_single_repeat_in_motion_is_its_own_finding() {
        let found = one(watch(|n| moving(if n == 1015 { 1014 } else { n })));
        assert_eq!((found.kind, found.frames), (Kind::Repeat { exact: true }, frames(1015, 1015)));
        // Also where the movement is slow: less than a fiftieth of a wave a frame.
        let slow = |n: i64| {
            let t = n as f32;
            drawn(SIZE.0, SIZE.1, move |x, y| {
                [0.35 + 0.15 * ((x - t) / 9.0).sin() * ((y + 20.0) / 13.0).cos() * 0.7; 3]
            })
        };
        let found = one(watch(|n| slow(if n == 1015 { 1014 } else { n })));
        assert_eq!((found.kind, found.frames), (Kind::Repeat { exact: true }, frames(1015, 1015)));
        // Two, far apart, and one at the very end, which cannot be told from a shot that stops.
        let found = watch(|n| moving(if n == 1010 || n == 1023 || n == 1040 { n - 1 } else { n }));
        assert_eq!(found.len(), 2, "{found:#?}");
    }

    #[test]
    fn repeats_at_even_distances_are_one_finding() {
        // Four frames made into five.
        let found = one(watch(|n| moving(n - (n - 1000) / 5)));
        assert_eq!((found.kind, found.frames), (Kind::Cadence { every: 5 }, frames(1005, 1035)));
        assert_eq!(found.amount, 7.0);
    }

    #[test]
    fn black_frames_are_a_fault_where_they_are_brief() {
        let black = |n: i64| {
            if (1020..=1021).contains(&n) { drawn(SIZE.0, SIZE.1, |_, _| [0.0; 3]) } else { moving(n) }
        };
        let found = one(watch(black));
        assert_eq!(
            (found.kind, found.weight, found.frames),
            (Kind::Black, Weight::Fault, frames(1020, 1021))
        );
        let rules = Rules { blacks: vec![frames(1020, 1021)], ..Rules::default() };
        assert_eq!(watch_by(&rules, FILM, |n| Some(black(n))), []);
        let long = |n: i64| {
            if (1015..=1030).contains(&n) { drawn(SIZE.0, SIZE.1, |_, _| [0.01; 3]) } else { moving(n) }
        };
        assert_eq!(one(watch(long)).weight, Weight::Suspect);
    }

    #[test]
    fn a_wrong_frame_between_right_ones_is_found_with_its_place() {
        // A frame of another shot.
        let other =
            one(watch(
                |n| if n == 1018 { drawn(SIZE.0, SIZE.1, |x, y| colour(-n, y, x)) } else { moving(n) },
            ));
        assert_eq!((other.kind, other.frames), (Kind::Odd, frames(1018, 1018)));
        // A light that is missing in one frame only, over a part of the picture.
        let part = |n: i64| {
            drawn(SIZE.0, SIZE.1, |x, y| {
                let inside = (60.0..96.0).contains(&x) && (30.0..60.0).contains(&y);
                let dim = if n == 1018 && inside { 0.4 } else { 1.0 };
                colour(n, x, y).map(|v| v * dim)
            })
        };
        let found = one(watch(part));
        assert_eq!(found.kind, Kind::Odd);
        assert_eq!(found.place, Some(PixelBox::new(60, 30, 36, 30)));
    }

    #[test]
    fn a_frame_of_another_moment_breaks_the_movement() {
        // Slow enough that no place changes by much.
        let slow = |t: f32| {
            drawn(SIZE.0, SIZE.1, move |x, y| {
                [0.4 + 0.1 * ((x - 0.5 * t) / 9.0).sin() * ((y + 0.2 * t) / 7.0).cos(); 3]
            })
        };
        for wrong in [1002, 1018, 1039] {
            for away in [-6, 5] {
                let found = one(watch(|n| slow((if n == wrong { n + away } else { n }) as f32)));
                assert_eq!((found.kind, found.frames), (Kind::Stray, FrameRange::one(wrong)), "{away}");
            }
        }
        // Grain does not hide it.
        let grainy = |n: i64, t: f32| {
            let image = slow(t);
            drawn(SIZE.0, SIZE.1, |x, y| {
                let at = (y as u32 * SIZE.0 + x as u32) as usize;
                [image.channels()[0].samples[at].to_f32()
                    + 0.01 * (random(x as u64, y as u64, n as u64) - 0.5); 3]
            })
        };
        let found = one(watch(|n| grainy(n, (if n == 1018 { n - 6 } else { n }) as f32)));
        assert_eq!((found.kind, found.frames), (Kind::Stray, FrameRange::one(1018)));
        // Movement to and fro, and one that starts and stops, break nothing.
        assert_eq!(watch(|n| slow(8.0 * (n as f32 / 3.0).sin())), []);
        assert_eq!(watch(|n| slow((n as f32).clamp(1010.0, 1030.0))).len(), 0);
    }

    #[test]
    fn a_flash_of_several_frames_is_no_odd_frame() {
        let burst = |n: i64| {
            let light = match n {
                1018 => 0.35,
                1019 => 0.3,
                1020 => 0.2,
                1021 => 0.1,
                _ => 0.0,
            };
            drawn(SIZE.0, SIZE.1, |x, y| colour(n, x, y).map(|v| 0.6 * v + light))
        };
        assert_eq!(watch(burst), []);
    }

    #[test]
    fn values_that_are_wrong_are_counted_and_placed() {
        let spoilt = |n: i64, spots: &[((u32, u32), f32)]| {
            let mut image = moving(n);
            if (1010..=1012).contains(&n) {
                spots.iter().for_each(|&(at, v)| put(&mut image, at, v));
            }
            image
        };
        let found = one(watch(|n| {
            spoilt(n, &[((30, 40), f32::NAN), ((33, 42), f32::INFINITY), ((31, 41), f32::NEG_INFINITY)])
        }));
        assert_eq!(
            (found.kind.clone(), found.weight, found.frames),
            (Kind::NotANumber, Weight::Fault, frames(1010, 1012))
        );
        assert_eq!(found.place, Some(PixelBox::new(30, 40, 4, 3)));
        assert!((found.amount - 3.0 / f64::from(SIZE.0 * SIZE.1)).abs() < 1e-12);
        let found = one(watch(|n| spoilt(n, &[((5, 7), -0.02), ((9, 7), -0.04), ((7, 8), -0.01)])));
        let Kind::Negative { worst, at } = found.kind else { panic!("{found:?}") };
        assert!((worst + 0.04).abs() < 1e-4 && at == (9, 7), "{worst} {at:?}");
        assert_eq!(found.place, Some(PixelBox::new(5, 7, 5, 2)));
        let found = one(watch(|n| spoilt(n, &[((100, 7), 1.02), ((101, 9), 1.04)])));
        let Kind::AboveWhite { worst, at } = found.kind else { panic!("{found:?}") };
        assert!((worst - 1.04).abs() < 1e-3 && at == (101, 9));
        assert!(found.sentence().contains("column 101, row 9"), "{}", found.sentence());
    }

    #[test]
    fn lines_at_each_border_are_told() {
        let spoilt = |n: i64, side: Side, lines: u32, factor: f32| {
            drawn(SIZE.0, SIZE.1, |x, y| {
                let from = match side {
                    Side::Top => y as u32,
                    Side::Bottom => SIZE.1 - 1 - y as u32,
                    Side::Left => x as u32,
                    Side::Right => SIZE.0 - 1 - x as u32,
                };
                colour(n, x, y).map(|v| if from < lines { v * factor } else { v })
            })
        };
        for side in Side::ALL {
            for (count, factor, is_bright) in
                [(1, 0.0, false), (1, 0.5, false), (2, 0.02, false), (1, 1.4, true)]
            {
                let found = one(watch(|n| spoilt(n, side, count, factor)));
                let Kind::EdgeLines { side: at, lines, bright, ratio } = found.kind else {
                    panic!("{found:?}")
                };
                assert_eq!((at, lines, bright), (side, count, is_bright), "{side:?} {factor}");
                assert!((ratio - factor).abs() < 0.06, "{ratio} {factor}");
                assert_eq!(
                    (found.frames, found.place),
                    (FILM, Some(side.lines(PixelBox::new(0, 0, SIZE.0, SIZE.1), count)))
                );
            }
        }
        // For a few frames only: not told.
        let brief = watch(|n| if n < 1008 { spoilt(n, Side::Left, 1, 0.5) } else { moving(n) });
        assert_eq!(brief, []);
    }

    #[test]
    fn bars_are_told_unless_they_are_declared() {
        let bars = |n: i64, top: u32, bottom: u32| {
            drawn(SIZE.0, SIZE.1, |x, y| {
                let inside = (top..SIZE.1 - bottom).contains(&(y as u32));
                if inside { colour(n, x, y) } else { [0.0; 3] }
            })
        };
        let found = watch(|n| bars(n, 14, 12));
        let told: Vec<_> = found.iter().map(|f| f.kind.clone()).collect();
        let bar = |side, lines, declared| Kind::Bars { side, lines, declared };
        assert_eq!(told, [bar(Side::Top, 14, 0), bar(Side::Bottom, 12, 0)]);
        let picture = Some(PixelBox::new(0, 14, 192, 82));
        let rules = Rules { picture, ..Rules::default() };
        assert_eq!(watch_by(&rules, FILM, |n| Some(bars(n, 14, 12))), []);
        // One too wide, one with picture in it.
        let found = watch_by(&rules, FILM, |n| Some(bars(n, 18, 8)));
        let told: Vec<_> = found.iter().map(|f| (f.kind.clone(), f.weight)).collect();
        let want = [(bar(Side::Top, 18, 14), Weight::Fault), (bar(Side::Bottom, 8, 12), Weight::Fault)];
        assert_eq!(told, want);
        // A night with a dark, uneven sky has no bars.
        let night = |n: i64| {
            drawn(SIZE.0, SIZE.1, |x, y| {
                if y < 30.0 + 9.0 * (x / 20.0).sin() { [0.005; 3] } else { colour(n, x, y) }
            })
        };
        assert_eq!(watch(night), []);
    }

    #[test]
    fn what_shows_through_is_told_with_its_border() {
        let thin = |n: i64| {
            let mut image = moving(n);
            for y in 0..SIZE.1 {
                let at = (y * SIZE.0 + SIZE.0 - 1) as usize;
                image.samples_mut(3)[at] = half::f16::from_f32(0.5);
            }
            image
        };
        let found = one(watch(thin));
        assert_eq!(found.kind, Kind::SeeThrough { least: 0.5, side: Some(Side::Right) });
        assert_eq!((found.frames, found.place), (FILM, Some(PixelBox::new(191, 0, 1, 108))));
    }

    #[test]
    fn sizes_and_rates_that_differ_are_told() {
        let rules = Rules { size: Some(SIZE), ..Rules::default() };
        let small = |n: i64| drawn(160, 90, |x, y| colour(n, x, y));
        let found = one(watch_by(&rules, FILM, |n| Some(if n < 1010 { small(n) } else { moving(n) })));
        assert_eq!(found.kind, Kind::Size { found: (160, 90), declared: SIZE });
        assert_eq!(found.frames, frames(1001, 1009));
        assert_eq!(rate(Rate::new(48, 2), Rate::new(24, 1), FILM), None);
        let found = rate(Rate::new(24_000, 1001), Rate::new(24, 1), FILM).unwrap();
        assert!(found.sentence().contains("23.976"), "{}", found.sentence());
    }

    #[test]
    fn levels_outside_count_from_one_percent_on() {
        let bright = |n: i64, columns: f32| {
            drawn(SIZE.0, SIZE.1, |x, y| {
                if (90.0..90.0 + columns).contains(&x) { [1.08; 3] } else { colour(n, x, y) }
            })
        };
        let kinds = |found: Vec<Finding>| -> Vec<bool> {
            found
                .iter()
                .filter(|f| !matches!(f.kind, Kind::AboveWhite { .. }))
                .map(|f| matches!(f.kind, Kind::Levels { .. }))
                .collect()
        };
        // The low-pass brings the inner one of the columns within.
        assert_eq!(kinds(watch(|n| bright(n, 20.0))), [true]);
        assert_eq!(kinds(watch(|n| bright(n, 1.0))), Vec::<bool>::new());
    }

    #[test]
    fn a_strobe_is_told_as_flashing_and_not_as_odd_frames() {
        let strobe = |n: i64| {
            let light = if (1010..1034).contains(&n) && n % 2 == 0 { 1.6 } else { 1.0 };
            drawn(SIZE.0, SIZE.1, |x, y| colour(n, x, y).map(|v| v * 0.7 * light))
        };
        let found = one(watch(strobe));
        let Kind::Flash { red: false, changes, remedy: Some(remedy), .. } = found.kind else {
            panic!("{found:?}")
        };
        assert!(changes >= 20 && remedy.contrast < 1.0, "{changes} {remedy:?}");
        assert!(found.sentence().contains("Any one of these"), "{}", found.sentence());
        let red =
            |n: i64| {
                let on = n % 4 < 2;
                drawn(SIZE.0, SIZE.1, |_, y| {
                    if on { [0.7, 0.02 + y * 1e-4, 0.02] } else { [0.1, 0.3 + y * 1e-4, 0.3] }
                })
            };
        let found = watch(red);
        assert!(found.iter().any(|f| matches!(f.kind, Kind::Flash { red: true, .. })), "{found:#?}");
    }

    #[test]
    fn which_thread_looks_first_changes_nothing() {
        let rules = Rules::default();
        let frame =
            |n: i64| if n == 1018 { drawn(SIZE.0, SIZE.1, |x, y| colour(-n, y, x)) } else { moving(n) };
        let in_order: Vec<Look> = FILM.iter().map(|n| look(&frame(n), &rules)).collect();
        let mut by_two: Vec<(i64, Look)> = std::thread::scope(|scope| {
            let part = |odd: i64| {
                let (rules, frame) = (&rules, &frame);
                scope.spawn(move || {
                    FILM.iter()
                        .rev()
                        .filter(|n| n % 2 == odd)
                        .map(|n| (n, look(&frame(n), rules)))
                        .collect::<Vec<_>>()
                })
            };
            [part(1), part(0)].into_iter().flat_map(|thread| thread.join().unwrap()).collect()
        });
        by_two.sort_by_key(|(n, _)| *n);
        assert!(by_two.iter().map(|(_, look)| look).eq(&in_order));
    }
}
