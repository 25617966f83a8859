//! Where and when two rods meet.
//!
//! Knows lit rods as lines that move, their distance and their speeds. Does not know light or pictures, nor what
//! becomes of a clash.
//!
//! Two rods touch while the shortest way between them in the picture is no longer than their radii together. They are in
//! contact from the first touch until they have been farther apart than [`PART`] times that for [`REST`] frames, so a
//! contact that trembles or lasts for many frames is one. In depth they may pass each other, which a picture does not
//! tell; but a blow stops them. So the clash of a contact is where the places that touch lose most speed towards
//! each other within half a frame to either side, and any further such blow at least [`REST`] frames later; rods
//! that cross without losing any clash where they first touch.

use std::collections::BTreeMap;

/// How far apart rods must be, in touching distances, for a contact to end.
const PART: f64 = 2.0;
/// Frames between two contacts, and between two blows of one.
const REST: f64 = 4.0;
/// Parts of a frame in which rods are looked at.
const STEPS: i64 = 16;
/// Time to either side over which speeds are compared, in steps.
const SIDE: i64 = 8;
/// The least loss of speed that is a blow, in touching distances a frame.
const BLOW: f64 = 0.75;
/// Halvings by which a first touch is found.
const HALVINGS: usize = 24;

/// Base x, base y, tip x, tip y, radius, and the share from the base on that is lit.
pub type Line = [f64; 6];

/// A rod as far as meeting others goes.
pub struct Course<'a> {
    /// Its name.
    pub name: &'a str,
    /// Frames between which it moves; it rests before and after.
    pub moves: [i64; 2],
    /// Where its lit part is at a time, none while it is dark.
    pub at: Box<dyn Fn(f64) -> Option<Line> + 'a>,
}

/// Two rods that met.
#[derive(Clone, Debug, PartialEq)]
pub struct Clash {
    /// `keeper+raker@1017`: the rods in the order of the alphabet, and the nearest whole frame.
    pub name: String,
    /// Places of the rods in the list.
    pub pair: [usize; 2],
    /// Time in frames.
    pub time: f64,
    /// Place in pixels.
    pub at: [f64; 2],
    /// Speed that was lost, or if none that they had towards each other, in touching distances a frame.
    pub force: f64,
}

impl Clash {
    /// The rods' names, without the frame.
    pub fn rods(&self) -> &str {
        self.name.split_once('@').map_or(&self.name, |(rods, _)| rods)
    }
}

/// All clashes of some rods in order of time. `touch` is the touching distance as a share of the radii.
pub fn clashes(rods: &[Course<'_>], touch: f64) -> Vec<Clash> {
    let mut out = Vec::new();
    for (i, a) in rods.iter().enumerate() {
        for (j, b) in rods.iter().enumerate().skip(i + 1) {
            let pair = if a.name <= b.name { [i, j] } else { [j, i] };
            Pair { a: &rods[pair[0]], b: &rods[pair[1]], touch }.meet(pair, &mut out);
        }
    }
    out.sort_by(|a, b| a.time.total_cmp(&b.time).then_with(|| a.name.cmp(&b.name)));
    out
}

struct Pair<'a> {
    a: &'a Course<'a>,
    b: &'a Course<'a>,
    touch: f64,
}

/// Two rods at one time: their gap in touching distances, where it is, as shares along both, and the touching distance.
#[derive(Clone, Copy)]
struct Gap {
    size: f64,
    at: [f64; 2],
    shares: [f64; 2],
    touch: f64,
}

/// A time, in steps, at which rods touch, and the speed lost there.
#[derive(Clone, Copy)]
struct Touch {
    step: i64,
    lost: f64,
}

impl Pair<'_> {
    fn gap(&self, time: f64) -> Option<Gap> {
        let (a, b) = ((self.a.at)(time)?, (self.b.at)(time)?);
        let touch = self.touch * (a[4] + b[4]);
        let (shares, way) = closest(&a, &b);
        let (p, q) = (along(&a, shares[0]), along(&b, shares[1]));
        let at = [(p[0] + q[0]) / 2.0, (p[1] + q[1]) / 2.0];
        Some(Gap { size: way / touch, at, shares, touch })
    }

    /// Whether the rods might touch between a whole frame and the next: a bound that costs little.
    fn may_touch(&self, frame: i64) -> bool {
        let boxed = |rod: &Course<'_>| {
            let mut bounds = [f64::INFINITY, f64::INFINITY, f64::NEG_INFINITY, f64::NEG_INFINITY];
            let (mut lit, mut widest) = (false, 0.0f64);
            for quarter in 0..=4 {
                let Some(line) = (rod.at)(frame as f64 + f64::from(quarter) / 4.0) else { continue };
                lit = true;
                widest = widest.max(line[4]);
                for (k, &place) in line[..4].iter().enumerate() {
                    let (low, high) = (k % 2, 2 + k % 2);
                    bounds[low] = bounds[low].min(place);
                    bounds[high] = bounds[high].max(place);
                }
            }
            // Between the quarters an end may go farther out than they show: as far again, to be safe.
            let slack = (bounds[2] - bounds[0]).max(bounds[3] - bounds[1]) / 4.0 + PART * self.touch * widest;
            lit.then_some([bounds[0] - slack, bounds[1] - slack, bounds[2] + slack, bounds[3] + slack])
        };
        let (Some(a), Some(b)) = (boxed(self.a), boxed(self.b)) else { return false };
        a[0] <= b[2] && b[0] <= a[2] && a[1] <= b[3] && b[1] <= a[3]
    }

    fn meet(&self, pair: [usize; 2], out: &mut Vec<Clash>) {
        let first = self.a.moves[0].min(self.b.moves[0]) - 1;
        let last = self.a.moves[1].max(self.b.moves[1]) + 1;
        let mut contact: Vec<Touch> = Vec::new();
        // Rods that touch before anything moves never met.
        let mut is_met = self.gap(first as f64).is_some_and(|gap| gap.size <= PART);
        let mut apart = 0;
        for frame in first..last {
            if !is_met && contact.is_empty() && !self.may_touch(frame) {
                continue;
            }
            let mut sizes = [-1, 0, 1].map(|by| self.size((frame * STEPS + by) as f64));
            for step in frame * STEPS..(frame + 1) * STEPS {
                let size = self.nearest(step, sizes);
                sizes = [sizes[1], sizes[2], self.size((step + 2) as f64)];
                apart = if size <= PART { 0 } else { apart + 1 };
                let ended = apart as f64 > REST * STEPS as f64;
                if size <= 1.0 && !is_met {
                    contact.push(Touch { step, lost: self.lost(step) });
                } else if ended {
                    self.settle(pair, &std::mem::take(&mut contact), out);
                    is_met = false;
                }
            }
        }
        self.settle(pair, &contact, out);
    }

    /// The gap at a time in steps.
    fn size(&self, step: f64) -> f64 {
        self.gap(step / STEPS as f64).map_or(f64::INFINITY, |gap| gap.size)
    }

    /// The smallest gap near a step, given it there and on either side: a quick touch may lie between two steps.
    fn nearest(&self, step: i64, [before, here, after]: [f64; 3]) -> f64 {
        if here <= 1.0 || here > before || here > after || here == f64::INFINITY {
            return here;
        }
        let (mut low, mut high) = ((step - 1) as f64, (step + 1) as f64);
        for _ in 0..HALVINGS {
            let (a, b) = (low + (high - low) / 3.0, high - (high - low) / 3.0);
            if self.size(a) <= self.size(b) { high = b } else { low = a }
        }
        here.min(self.size((low + high) / 2.0))
    }

    /// How much speed the places that touch lose around a step in the way that they were going, relative to each other, in
    /// touching distances a frame; nothing when more than half of it stays.
    fn lost(&self, step: i64) -> f64 {
        let time = |step: i64| step as f64 / STEPS as f64;
        let Some(gap) = self.gap(time(step)) else { return 0.0 };
        let speed = |from: i64, to: i64| {
            let lines = [from, to].map(|s| Some([(self.a.at)(time(s))?, (self.b.at)(time(s))?]));
            let [Some([a, b]), Some([c, d])] = lines else { return [0.0; 2] };
            let way = |from: &Line, to: &Line, share: f64| {
                let (p, q) = (along(from, share), along(to, share));
                [q[0] - p[0], q[1] - p[1]]
            };
            let (u, v) = (way(&a, &c, gap.shares[0]), way(&b, &d, gap.shares[1]));
            [0, 1].map(|i| (u[i] - v[i]) / gap.touch / time(to - from))
        };
        let (before, after) = (speed(step - SIDE, step), speed(step, step + SIDE));
        let was = before[0].hypot(before[1]);
        if was == 0.0 {
            return 0.0;
        }
        let left = (before[0] * after[0] + before[1] * after[1]) / was;
        if left <= was / 2.0 { was - left } else { 0.0 }
    }

    /// The clashes of one contact.
    fn settle(&self, pair: [usize; 2], contact: &[Touch], out: &mut Vec<Clash>) {
        let Some(first) = contact.first() else { return };
        let mut blows: Vec<Touch> = contact.iter().copied().filter(|touch| touch.lost >= BLOW).collect();
        blows.sort_by(|a, b| b.lost.total_cmp(&a.lost).then(a.step.cmp(&b.step)));
        let mut kept: Vec<Touch> = Vec::new();
        for blow in blows {
            let is_near = |other: &Touch| ((other.step - blow.step).abs() as f64) < REST * STEPS as f64;
            if !kept.iter().any(is_near) {
                kept.push(blow);
            }
        }
        let name = |time: f64| format!("{}+{}@{}", self.a.name, self.b.name, (time + 0.5).floor() as i64);
        let found: Vec<(f64, f64)> = if kept.is_empty() {
            let time = self.first_touch(first.step);
            let before = self.gap(time - 0.25).map_or(0.0, |gap| (gap.size - 1.0).max(0.0) * 4.0);
            vec![(time, before)]
        } else {
            kept.iter().map(|blow| (blow.step as f64 / STEPS as f64, blow.lost)).collect()
        };
        for (time, force) in found {
            let Some(gap) = self.gap(time) else { continue };
            out.push(Clash { name: name(time), pair, time, at: gap.at, force });
        }
    }

    /// The time at which rods that touch at a step first did.
    fn first_touch(&self, step: i64) -> f64 {
        let touches = |time: f64| self.gap(time).is_some_and(|gap| gap.size <= 1.0);
        let (mut low, mut high) = ((step - 1) as f64 / STEPS as f64, step as f64 / STEPS as f64);
        if !touches(high) {
            // A touch between two steps: near enough.
            return high;
        }
        for _ in 0..HALVINGS {
            let middle = (low + high) / 2.0;
            if touches(middle) { high = middle } else { low = middle }
        }
        high
    }
}

fn along(line: &Line, share: f64) -> [f64; 2] {
    [line[0] + (line[2] - line[0]) * share, line[1] + (line[3] - line[1]) * share]
}

/// The places at which two lines' lit parts are closest, as shares along the whole lines, and the way between (C. Ericson, "Real-Time Collision
/// Detection", 2005, section 5.1.9).
fn closest(a: &Line, b: &Line) -> ([f64; 2], f64) {
    let u = [(a[2] - a[0]) * a[5], (a[3] - a[1]) * a[5]];
    let v = [(b[2] - b[0]) * b[5], (b[3] - b[1]) * b[5]];
    let r = [a[0] - b[0], a[1] - b[1]];
    let dot = |p: [f64; 2], q: [f64; 2]| p[0] * q[0] + p[1] * q[1];
    let (uu, vv, uv, ur, vr) = (dot(u, u), dot(v, v), dot(u, v), dot(u, r), dot(v, r));
    let (s, t);
    if uu <= 1e-12 && vv <= 1e-12 {
        (s, t) = (0.0, 0.0);
    } else if uu <= 1e-12 {
        (s, t) = (0.0, (vr / vv).clamp(0.0, 1.0));
    } else if vv <= 1e-12 {
        (s, t) = ((-ur / uu).clamp(0.0, 1.0), 0.0);
    } else {
        let size = uu * vv - uv * uv;
        let free = if size > 1e-9 * uu * vv { ((uv * vr - ur * vv) / size).clamp(0.0, 1.0) } else { 0.0 };
        let other = (uv * free + vr) / vv;
        if other < 0.0 {
            (s, t) = ((-ur / uu).clamp(0.0, 1.0), 0.0);
        } else if other > 1.0 {
            (s, t) = (((uv - ur) / uu).clamp(0.0, 1.0), 1.0);
        } else {
            (s, t) = (free, other);
        }
    }
    let (s, t) = (s * a[5], t * b[5]);
    let (p, q) = (along(a, s), along(b, t));
    ([s, t], (p[0] - q[0]).hypot(p[1] - q[1]))
}

/// Which of some clashes each wanted one is: the nearest of the same rods within `frames`, those that are nearest of all
/// first, and none twice.
pub fn matched(clashes: &[Clash], wanted: &[(&str, i64)], frames: f64) -> Vec<Option<usize>> {
    let mut near: Vec<(f64, usize, usize)> = Vec::new();
    for (w, (rods, frame)) in wanted.iter().enumerate() {
        for (c, clash) in clashes.iter().enumerate().filter(|(_, clash)| clash.rods() == *rods) {
            let off = (clash.time - *frame as f64).abs();
            if off <= frames + 0.5 {
                near.push((off, w, c));
            }
        }
    }
    near.sort_by(|a, b| a.0.total_cmp(&b.0).then((a.1, a.2).cmp(&(b.1, b.2))));
    let mut out = vec![None; wanted.len()];
    let mut taken: BTreeMap<usize, usize> = BTreeMap::new();
    for (_, w, c) in near {
        if out[w].is_none() && !taken.contains_key(&c) {
            out[w] = Some(c);
            taken.insert(c, w);
        }
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    /// A rod of 60 px that hangs from above and comes down from `y` to rest at frame 10; another lies across.
    fn pair(fall: impl Fn(f64) -> f64 + Copy + 'static) -> Vec<Clash> {
        let down = move |t: f64| Some([20.0, fall(t), 80.0, fall(t) + 10.0, 2.0, 1.0]);
        let still = |_: f64| Some([50.0, 20.0, 50.0, 90.0, 2.0, 1.0]);
        let rods = [
            Course { name: "raker", moves: [0, 30], at: Box::new(down) },
            Course { name: "keeper", moves: [0, 0], at: Box::new(still) },
        ];
        clashes(&rods, 1.0)
    }

    #[test]
    fn a_blow_that_stops_is_one_clash_where_it_stops() {
        let found = pair(|t| if t < 10.3 { -80.0 + 12.0 * t } else { 43.6 });
        assert_eq!(found.len(), 1, "{found:?}");
        let clash = &found[0];
        assert_eq!((&*clash.name, clash.rods(), clash.pair), ("keeper+raker@10", "keeper+raker", [1, 0]));
        assert!((clash.time - 10.3).abs() < 0.07 && (clash.force - 3.0).abs() < 0.1, "{clash:?}");
        assert!((clash.at[0] - 50.0).abs() < 0.5 && (clash.at[1] - 48.6).abs() < 1.0, "{clash:?}");
    }

    #[test]
    fn rods_that_pass_clash_where_they_first_touch() {
        let found = pair(|t| -80.0 + 12.0 * t);
        assert_eq!(found.len(), 1, "{found:?}");
        // The middle of the falling rod, 5 px lower than its base, comes within 4 px of the top of the other.
        let slope = (60f64 * 60.0 + 100.0).sqrt() / 60.0;
        let touch = (20.0 + 75.0 - 4.0 * slope) / 12.0;
        assert!((found[0].time - touch).abs() < 0.01, "{} for {touch}", found[0].time);
    }

    #[test]
    fn a_contact_that_trembles_is_one_and_a_second_blow_another() {
        let tremble =
            pair(|t| if t < 10.0 { -76.4 + 12.0 * t } else { 43.6 + ((t * 9.0) as i64 % 2) as f64 * 0.3 });
        assert_eq!(tremble.len(), 1, "{tremble:?}");
        let twice = pair(|t| match t {
            t if t < 10.0 => -76.4 + 12.0 * t,
            t if t < 15.0 => 43.6 - 30.0 * (t - 10.0),
            t if t < 20.0 => 43.6 - 30.0 * (20.0 - t),
            _ => 43.6,
        });
        assert_eq!(
            twice.iter().map(|c| &*c.name).collect::<Vec<_>>(),
            ["keeper+raker@10", "keeper+raker@20"]
        );
        assert!(pair(|_| 43.6).is_empty() && pair(|t| -200.0 + t).is_empty());
    }

    #[test]
    fn rods_that_are_lit_while_they_lie_crossed_meet_where_their_light_does() {
        let across = |_: f64| Some([20.0, 50.0, 80.0, 50.0, 2.0, 1.0]);
        let grows = |t: f64| Some([50.0, 100.0, 50.0, 0.0, 2.0, (t / 20.0).clamp(0.0, 1.0)]);
        let rods = [
            Course { name: "keeper", moves: [0, 20], at: Box::new(grows) },
            Course { name: "raker", moves: [0, 0], at: Box::new(across) },
        ];
        let found = clashes(&rods, 1.0);
        // Its light comes within 4 px of the other after 46 of 100 px; that it stops growing later is no blow.
        assert_eq!(found.len(), 1, "{found:?}");
        assert!((found[0].time - 9.2).abs() < 0.01, "{found:?}");
    }

    #[test]
    fn names_find_the_nearest_clash_and_none_twice() {
        let clash = |time: f64| Clash {
            name: format!("a+b@{}", time as i64),
            pair: [0, 1],
            time,
            at: [0.0; 2],
            force: 1.0,
        };
        let list = [clash(10.0), clash(14.2), clash(40.0)];
        let wanted = [("a+b", 13), ("a+b", 11), ("a+b", 30), ("a+c", 40)];
        assert_eq!(matched(&list, &wanted, 4.0), [Some(1), Some(0), None, None]);
        // Both mean the only one near: the nearer has it.
        assert_eq!(matched(&list[..1], &wanted[..2], 4.0), [None, Some(0)]);
    }

    proptest! {
        #[test]
        fn the_closest_places_are_no_farther_than_any_others(
            a in proptest::array::uniform6(-50f64..50.0), b in proptest::array::uniform6(-50f64..50.0),
        ) {
            let [a, b] = [a, b].map(|[x, y, u, v, r, lit]: Line| [x, y, u, v, r, (lit + 50.0) / 100.0]);
            let (_, way) = closest(&a, &b);
            for i in 0..=20 {
                for j in 0..=20 {
                    let (p, q) = (along(&a, f64::from(i) / 20.0 * a[5]), along(&b, f64::from(j) / 20.0 * b[5]));
                    prop_assert!(way <= (p[0] - q[0]).hypot(p[1] - q[1]) + 1e-6);
                }
            }
        }
    }
}
