//! A rod followed by hand: from its keys to where it is at any time.
//!
//! Knows how a stick moves from key to key, and how fast it passes each of them. Does not know files or pictures.
//!
//! People key a fast rod on every frame, and an open shutter looks to both sides of each. Were the rod's speed to jump
//! at its keys, it would jump in the middle of every exposure, and the swept light would fall into two halves with an
//! edge between them. So a flowing rod passes a key with one speed: that of the parabola through the key and its
//! neighbours, at most three times the slower neighbour's, and none where the way turns back or rests on one side
//! (J. M. Hyman, "Accurate Monotonicity Preserving Cubic Interpolation", SIAM J. Sci. Stat. Comput. 4, 1983). Between
//! two keys base, direction and length then never leave the range that the two give them, and a rod whose keys are
//! alike rests.

use std::sync::Arc;

use super::motion::{Matrix, Motion, carried};
use super::motions::Follows;
use super::sure::Sure;
use crate::base::curve::Ease;
use crate::base::digest::KeyHasher;
use crate::base::problem::Span;

/// How a rod moves from key to key.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Pace {
    /// Through the keys without a jump of speed.
    #[default]
    Flowing,
    /// From each key to the next by itself.
    Eased(Ease),
}

/// A rod: a straight stick from base to tip.
#[derive(Clone, Debug, PartialEq)]
pub struct Rod {
    /// Its name.
    pub name: Arc<str>,
    /// Where its name stands.
    pub span: Span,
    /// How it moves between keys.
    pub pace: Pace,
    /// Base x, base y, tip x, tip y in pixels, at frames in rising order; at least one. Between keys [`Rod::at`] says
    /// where they are.
    pub keys: Vec<(i64, Ends)>,
    /// Of each key. It changes no pixels.
    pub sure: Vec<Sure>,
    /// What it says that it follows.
    pub follows: Option<Follows>,
    /// What it follows, once that is found.
    pub motion: Option<Arc<Motion>>,
}

/// Base x, base y, tip x, tip y in pixels.
type Ends = [f64; 4];

/// Parts of a pixel to which a turned rod's tip is rounded.
const TIP_PARTS: f64 = 65_536.0;

/// What changes along a rod's way.
#[derive(Clone, Copy)]
enum Part {
    BaseX,
    BaseY,
    Length,
    Turn,
}

impl Rod {
    /// A rod that follows nothing and whose keys are all sure.
    pub fn new(name: Arc<str>, span: Span, pace: Pace, keys: Vec<(i64, Ends)>) -> Self {
        let sure = vec![Sure::from(1.0); keys.len()];
        Self { name, span, pace, keys, sure, follows: None, motion: None }
    }

    /// Base x, base y, tip x, tip y in pixels at a time in frames. Before the first key and after the last it stays, but for
    /// what it follows: keys are as seen on their own frames, and carried to the view of the key before `time` to find the
    /// way between them.
    pub fn at(&self, time: f64) -> Ends {
        self.during(time, time)
    }

    /// The same at a time that the shutter of a frame sees: what is held is the frame's own.
    pub fn during(&self, shown: f64, to: f64) -> Ends {
        let time = if self.pace == Pace::Eased(Ease::Hold) { shown } else { to };
        let Some(motion) = &self.motion else { return self.by_itself(time) };
        let carry = |matrix: Matrix, [a, b, c, d]: Ends| {
            let (([a, b], _), ([c, d], _)) = (carried(&matrix, [a, b]), carried(&matrix, [c, d]));
            [a, b, c, d]
        };
        let after = self.keys.partition_point(|&(frame, _)| (frame as f64) <= time);
        let here = after.saturating_sub(1);
        let view = self.keys[here].0 as f64;
        // A key's speed needs its neighbours, and the span from `here` on has two keys.
        let near = &self.keys[here.saturating_sub(1)..self.keys.len().min(here + 3)];
        let keys = near
            .iter()
            .map(|&(frame, key)| (frame, carry(motion.between(frame as f64, view), key)))
            .collect();
        let own = Rod::new(self.name.clone(), self.span, self.pace, keys).by_itself(time);
        carry(motion.during(view, shown, to), own)
    }

    /// Where it is when nothing carries it.
    ///
    /// A rod is a stick in somebody's hand: from key to key its base moves straight while it turns about the base,
    /// the shorter way round, and its length changes. So a swing's tip goes round in an arc, which
    /// it also does where the keys are of every frame and a shutter looks between them; straight tip lines would
    /// cut the arc to facets and shorten the rod in between. A rod that keeps its direction moves straight, tip and
    /// all. One that is seen to pass end on, its tip through its base, wants a key there: with a length of nothing
    /// at a key it has no direction, and the tip goes straight.
    fn by_itself(&self, time: f64) -> Ends {
        let after = self.keys.partition_point(|&(frame, _)| (frame as f64) <= time);
        let Some(span) = after.checked_sub(1).filter(|_| after < self.keys.len()) else {
            return self.keys[after.saturating_sub(1)].1;
        };
        let ((first, from), (last, to)) = (self.keys[span], self.keys[after]);
        let u = (time - first as f64) / (last - first) as f64;
        if u == 0.0 || self.pace == Pace::Eased(Ease::Hold) {
            return from;
        }
        let gone = |part: Part| self.gone(part, span, u);
        let base = [from[0] + gone(Part::BaseX), from[1] + gone(Part::BaseY)];
        let (v, w) = (along(&from), along(&to));
        let (before, behind) = (length(&from), length(&to));
        let grown = gone(Part::Length);
        let turned = match turn(&from, &to) {
            Some(angle) if angle != 0.0 => gone(Part::Turn),
            _ => {
                let whole = behind - before;
                // Of two rods as long as each other that point the same way either is the other.
                let share = if whole == 0.0 { u } else { grown / whole };
                let tip = [0, 1].map(|i| base[i] + v[i] + (w[i] - v[i]) * share);
                return [base[0], base[1], tip[0], tip[1]];
            }
        };
        let (sin, cos) = turned.sin_cos();
        let longer = 1.0 + grown / before;
        // Mathematical libraries differ in a sine's last bit; rounded, the tip is the same on every machine, and so
        // are the keys of renders that depend on it.
        let round = |x: f64| (x * TIP_PARTS).round() / TIP_PARTS;
        let tip = [v[0] * cos - v[1] * sin, v[0] * sin + v[1] * cos];
        [base[0], base[1], round(base[0] + tip[0] * longer), round(base[1] + tip[1] * longer)]
    }

    /// Feeds its keys: everything that it is at any time.
    pub fn feed(&self, key: &mut KeyHasher) {
        let pace = match self.pace {
            Pace::Flowing => -1,
            Pace::Eased(ease) => ease as i64,
        };
        key.text(&self.name).int(pace).list(self.keys.len());
        for (frame, ends) in &self.keys {
            key.int(*frame);
            for number in ends {
                key.real(*number);
            }
        }
        if let Some(motion) = &self.motion {
            motion.feed(key);
        }
    }

    /// How far a part has gone since the key `span` began, after the share `u` of the time to the next key.
    fn gone(&self, part: Part, span: usize, u: f64) -> f64 {
        let whole = self.change(part, span).unwrap_or(0.0);
        let Pace::Eased(ease) = self.pace else {
            let time = self.time(span);
            let [start, end] = [span, span + 1].map(|key| self.speed(part, key).unwrap_or(0.0) * time);
            if start == whole && end == whole {
                return whole * u;
            }
            // The cubic with these speeds at its ends.
            let (square, cube) = (u * u, u * u * u);
            return start * (u - 2.0 * square + cube)
                + whole * (3.0 * square - 2.0 * cube)
                + end * (cube - square);
        };
        whole * ease.share(u)
    }

    /// Frames from a key to the next.
    fn time(&self, span: usize) -> f64 {
        (self.keys[span + 1].0 - self.keys[span].0) as f64
    }

    /// How much a part changes from a key to the next; none for the turn of a rod that has no direction.
    fn change(&self, part: Part, span: usize) -> Option<f64> {
        let (from, to) = (&self.keys[span].1, &self.keys.get(span + 1)?.1);
        match part {
            Part::BaseX => Some(to[0] - from[0]),
            Part::BaseY => Some(to[1] - from[1]),
            Part::Length => Some(length(to) - length(from)),
            Part::Turn => turn(from, to),
        }
    }

    /// How fast a part changes at a key, a frame. At the first and last key it is what the only neighbour gives.
    fn speed(&self, part: Part, key: usize) -> Option<f64> {
        let one = |span: usize| Some((self.change(part, span)? / self.time(span), self.time(span)));
        match (key.checked_sub(1).and_then(one), (key + 1 < self.keys.len()).then(|| one(key)).flatten()) {
            (Some((a, before)), Some((b, after))) => {
                if a * b <= 0.0 {
                    return Some(0.0);
                }
                if a == b {
                    return Some(a);
                }
                let speed = (a * after + b * before) / (before + after);
                let most = 3.0 * a.abs().min(b.abs());
                Some(speed.clamp(-most, most))
            }
            (one, other) => one.or(other).map(|(speed, _)| speed),
        }
    }
}

/// From base to tip.
fn along(ends: &Ends) -> [f64; 2] {
    [ends[2] - ends[0], ends[3] - ends[1]]
}

fn length(ends: &Ends) -> f64 {
    let [x, y] = along(ends);
    (x * x + y * y).sqrt()
}

/// The angle from one direction to another, the shorter way round; none where either rod has no direction.
fn turn(from: &Ends, to: &Ends) -> Option<f64> {
    if length(from) == 0.0 || length(to) == 0.0 {
        return None;
    }
    let (v, w) = (along(from), along(to));
    let cross = v[0] * w[1] - v[1] * w[0];
    let dot = v[0] * w[0] + v[1] * w[1];
    Some(if cross == 0.0 && dot >= 0.0 { 0.0 } else { cross.atan2(dot) })
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn rod(keys: &[(i64, [f64; 4])]) -> Rod {
        let span = Span::new(crate::base::problem::SourceId(0), 0, 0);
        Rod::new("keeper".into(), span, Pace::Eased(Ease::Linear), keys.to_vec())
    }

    #[test]
    fn a_turning_rods_tip_goes_round_and_its_base_straight() {
        // A quarter turn from right to down, the base 8 px along and the length halved.
        let swing = rod(&[(10, [0.0, 0.0, 100.0, 0.0]), (20, [8.0, 0.0, 8.0, 50.0])]);
        assert_eq!(swing.at(10.0), [0.0, 0.0, 100.0, 0.0]);
        assert_eq!(swing.at(20.0), [8.0, 0.0, 8.0, 50.0]);
        let [x, y, tip_x, tip_y] = swing.at(15.0);
        assert_eq!([x, y], [4.0, 0.0]);
        let side = 75.0 * std::f64::consts::FRAC_1_SQRT_2;
        assert!((tip_x - 4.0 - side).abs() < 1e-4 && (tip_y - side).abs() < 1e-4, "{tip_x} {tip_y}");
    }

    #[test]
    fn a_rod_turns_the_shorter_way_and_keeps_straight_what_is_straight() {
        // From 170 to -170 degrees: through 180, not through 0.
        let (sin, cos) = 170f64.to_radians().sin_cos();
        let back = rod(&[(0, [0.0, 0.0, cos, sin]), (2, [0.0, 0.0, cos, -sin])]);
        assert!((back.at(1.0)[2] + 1.0).abs() < 1e-4);
        let straight = rod(&[(0, [0.0, 0.0, 10.0, 20.0]), (4, [40.0, 4.0, 60.0, 44.0])]);
        assert_eq!(straight.at(1.0), [10.0, 1.0, 22.5, 26.0]);
        let end_on = rod(&[(0, [5.0, 5.0, 5.0, 5.0]), (4, [5.0, 5.0, 45.0, 25.0])]);
        assert_eq!(end_on.at(1.0), [5.0, 5.0, 15.0, 10.0]);
        assert_eq!(rod(&[(3, [1.0, 2.0, 3.0, 4.0])]).at(-1e9), [1.0, 2.0, 3.0, 4.0]);
    }

    /// Frames of a swing that speeds up, slows down and rests, as a person would key it.
    fn swing() -> Rod {
        let degrees = [0.0, 0.0, 4.0, 18.0, 50.0, 96.0, 131.0, 142.0, 142.0, 142.0];
        let keys = degrees.iter().enumerate().map(|(i, d)| {
            let (sin, cos) = f64::to_radians(*d).sin_cos();
            let base = [40.0 + i as f64 * 3.0, 50.0];
            (i as i64, [base[0], base[1], base[0] + 170.0 * cos, base[1] + 170.0 * sin])
        });
        Rod { pace: Pace::Flowing, ..rod(&keys.collect::<Vec<_>>()) }
    }

    #[test]
    fn a_flowing_rod_passes_its_keys_without_a_jump_of_speed() {
        let (flowing, linear) = (swing(), Rod { pace: Pace::Eased(Ease::Linear), ..swing() });
        let speeds = |rod: &Rod, key: f64| {
            [-1.0, 1.0].map(|side| {
                let (a, b) = (rod.at(key), rod.at(key + side / 64.0));
                64.0 * ((a[2] - b[2]).powi(2) + (a[3] - b[3]).powi(2)).sqrt()
            })
        };
        for key in 1..9 {
            let [before, after] = speeds(&flowing, f64::from(key));
            assert!((before - after).abs() < 0.06 * before.max(after) + 3.0, "{key}: {before} {after}");
            assert_eq!(flowing.at(f64::from(key)), linear.at(f64::from(key)));
        }
        let [before, after] = speeds(&linear, 3.0);
        assert!(after > 2.0 * before, "{before} {after}");
        assert_eq!(flowing.at(8.5)[3], flowing.at(8.0)[3]);
    }

    #[test]
    fn a_moved_key_of_a_flowing_rod_reaches_two_keys_to_either_side() {
        let mut moved = swing();
        moved.keys[5].1[2] += 2.0;
        let reached = |time: f64| moved.at(time) != swing().at(time);
        assert!((0..=30).chain(70..=90).all(|tenth| !reached(f64::from(tenth) / 10.0)));
        assert!((31..70).filter(|tenth| tenth % 10 != 0).all(|tenth| reached(f64::from(tenth) / 10.0)));
        assert!(!reached(4.0) && reached(5.0) && !reached(6.0));
    }

    #[test]
    fn two_keys_of_a_flowing_rod_are_an_even_move() {
        let keys = [(10, [0.0, 0.0, 100.0, 0.0]), (20, [8.0, 0.0, 8.0, 50.0])];
        let flowing = Rod { pace: Pace::Flowing, ..rod(&keys) };
        (100..=200).for_each(|tenth| {
            assert_eq!(flowing.at(f64::from(tenth) / 10.0), rod(&keys).at(f64::from(tenth) / 10.0));
        });
    }

    proptest! {
        #[test]
        fn a_flowing_rods_base_and_length_stay_between_its_keys(
            ends in proptest::collection::vec(proptest::array::uniform4(-300f64..300.0), 2..8),
            gaps in proptest::collection::vec(1i64..9, 8), share in 0.0f64..1.0,
        ) {
            let mut frame = 0;
            let keys: Vec<_> = ends.into_iter().zip(gaps).map(|(e, gap)| { frame += gap; (frame, e) }).collect();
            let flowing = Rod { pace: Pace::Flowing, ..rod(&keys) };
            for pair in keys.windows(2) {
                let time = pair[0].0 as f64 + share * (pair[1].0 - pair[0].0) as f64;
                let at = flowing.at(time);
                let within = |v: f64, a: f64, b: f64| v >= a.min(b) - 1e-3 && v <= a.max(b) + 1e-3;
                prop_assert!(within(at[0], pair[0].1[0], pair[1].1[0]));
                prop_assert!(within(at[1], pair[0].1[1], pair[1].1[1]));
                prop_assert!(within(length(&at), length(&pair[0].1), length(&pair[1].1)));
            }
        }
    }
}
