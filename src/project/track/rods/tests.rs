//! Checks of rods on frames drawn by formula: room for frames, and bases that are no surer than they are right.

use super::*;
use crate::operators::track::course::Key;
use crate::operators::track::picture::Picture;

#[test]
fn frames_without_room_are_refused_with_a_part_that_has_it() {
    let mut looks = Looks::default();
    looks.see(&Picture::new(&vec![0.5; 1920 * 1080], 1920, 1080), None);
    let range = |last| FrameRange::new(1001, last);
    assert!(room(&looks, range(1400)).is_ok());
    let said = room(&looks, range(2000)).unwrap_err().to_string();
    let part = said.split("such as on 1001-").nth(1).unwrap().split(',').next().unwrap();
    let last: i64 = part.parse().unwrap();
    assert!(room(&looks, range(last)).is_ok() && room(&looks, range(last + 1)).is_err(), "{said}");
}

const SIZE: (usize, usize) = (240, 192);
const FRAMES: FrameRange = FrameRange { first: 1, last: 20 };

/// What stands at a rod's base.
#[derive(Clone, Copy, Debug, PartialEq)]
enum Grip {
    /// Nothing.
    Plain,
    /// A dark hand over so many pixels of the rod, on frames from the first to the last.
    Hand(f64, i64, i64),
    /// A hand that is as bright as the rod, held below it.
    Glove(f64),
    /// A bright wall behind the lower half of the frame.
    Wall,
}

/// A rod that swings, and whose hand goes along.
#[derive(Clone, Copy, Debug)]
struct Swing {
    grip: Grip,
    /// Its length on a frame, as a share of the whole.
    length: fn(f64) -> f64,
    /// Radians a frame.
    turn: f64,
    keys: &'static [i64],
}

impl Swing {
    /// Base and tip.
    fn at(&self, n: f64) -> [f64; 4] {
        let t = n - 1.0;
        let base = [90.0 + 1.6 * t, 140.0 + 14.0 * (0.3 * t).sin()];
        let turn = 0.5 + self.turn * 10.0 * (1.0 - (std::f64::consts::PI * t / 19.0).cos());
        let long = 90.0 * (self.length)(t / 19.0);
        [base[0], base[1], base[0] + long * turn.cos(), base[1] - long * turn.sin()]
    }

    fn light(&self, n: i64, x: f64, y: f64) -> f64 {
        let t = n as f64;
        let [u, v] = [x - 0.7 * t, y - 0.4 * (t * 0.8).sin()];
        let wave = |a: f64, b: f64, p: f64| (a * u + b * v + p).sin();
        let mut set = 0.14
            + 0.02 * wave(0.6, 0.3, 0.0) * wave(-0.2, 0.7, 1.0)
            + 0.03 * wave(0.2, -0.2, 2.0)
            + 0.02 * wave(0.1, 0.15, 4.0);
        if self.grip == Grip::Wall && v > 140.0 {
            set += 0.45 + 0.1 * wave(0.05, 0.02, 0.0);
        }
        // The shutter is open for half of the frame's time.
        let mut rod = 0.0;
        for k in 0..5 {
            let [a, b, c, d] = self.at(t + 0.1 * (f64::from(k) - 2.0));
            let long = (c - a).hypot(d - b);
            let (dx, dy) = ((c - a) / long, (d - b) / long);
            let along = (x - a) * dx + (y - b) * dy;
            let across = ((x - a) * dy - (y - b) * dx).abs();
            let inside = (along + 0.5).min(long - along + 0.5).clamp(0.0, 1.0);
            rod += 0.2 * inside * (2.5 - across).clamp(0.0, 1.0);
        }
        let light = set + (0.75 - set) * rod;
        let [a, b, c, d] = self.at(t);
        let long = (c - a).hypot(d - b);
        let blob = |off: f64, size: f64| {
            let (x, y) = (x - a - off * (c - a) / long, y - b - off * (d - b) / long);
            (size + 0.5 - x.hypot(y)).clamp(0.0, 1.0)
        };
        match self.grip {
            Grip::Hand(size, first, last) if (first..=last).contains(&n) => {
                light + (0.2 - light) * blob(0.0, size)
            }
            Grip::Glove(size) => light + (0.7 - light) * blob(-size, size),
            _ => light,
        }
    }

    /// Of every frame that has a key that was followed: how far its base lies off, and how sure it is.
    fn bases(&self) -> Vec<(i64, f64, f64)> {
        let mut looks = Looks::default();
        for n in FRAMES.iter() {
            let light = (0..SIZE.0 * SIZE.1)
                .map(|i| self.light(n, (i % SIZE.0) as f64 + 0.5, (i / SIZE.0) as f64 + 0.5) as f32);
            looks.see(&Picture::new(&light.collect::<Vec<_>>(), SIZE.0, SIZE.1), None);
        }
        let keys = self.keys.iter().map(|&frame| Key { frame, at: self.at(frame as f64), sure: None });
        let rod = Thing { name: "keeper".into(), keys: keys.collect() };
        let wish = Wish { node: 0, frames: FRAMES, holdout: None, threshold: 0.35, only: Vec::new() };
        let track = found(&Arc::new(looks.scene()), &[&rod], &wish, &|_| {}).unwrap().remove(0);
        let off = |key: &Key<4>| {
            let at = self.at(key.frame as f64);
            (key.frame, (key.at[0] - at[0]).hypot(key.at[1] - at[1]), key.sure.unwrap().base)
        };
        track.keys.iter().filter(|key| key.sure.is_some()).map(off).collect()
    }
}

/// What a rod's length is multiplied with, by the share of the way.
type Turned = fn(f64) -> f64;

#[test]
fn a_base_is_no_surer_than_it_is_right() {
    let even: Turned = |_| 1.0;
    let turned: Turned = |s| 1.0 - 0.25 * (std::f64::consts::PI * s).sin();
    let swings: [(Grip, Turned, f64, &[i64]); 10] = [
        (Grip::Plain, even, 0.06, &[1, 20]),
        (Grip::Plain, turned, 0.02, &[1, 20]),
        (Grip::Plain, turned, 0.06, &[1, 10, 20]),
        (Grip::Hand(10.0, 5, 15), even, 0.04, &[1, 20]),
        (Grip::Hand(10.0, 5, 15), turned, 0.04, &[1, 20]),
        (Grip::Hand(14.0, 1, 20), even, 0.04, &[1]),
        (Grip::Hand(22.0, 4, 18), turned, 0.04, &[1, 10, 20]),
        (Grip::Glove(9.0), even, 0.04, &[1, 20]),
        (Grip::Wall, even, 0.06, &[1, 20]),
        (Grip::Wall, turned, 0.04, &[1, 20]),
    ];
    let mut all = Vec::new();
    for (grip, length, turn, keys) in swings {
        let bases = Swing { grip, length, turn, keys }.bases();
        let list: Vec<String> =
            bases.iter().map(|(n, off, sure)| format!("{n}:{off:.1}/{sure:.2}")).collect();
        eprintln!("{grip:?}, to {} of its length, keys {keys:?}: {}", length(0.5), list.join(" "));
        all.extend(bases);
    }
    let sure: Vec<_> = all.iter().filter(|(.., sure)| *sure >= 0.5).collect();
    let right = sure.iter().filter(|(_, off, _)| *off <= 4.0).count();
    let wrong: Vec<_> = all.iter().filter(|(_, off, sure)| *off > 8.0 && *sure >= 0.4).collect();
    let near = all.iter().filter(|(_, off, _)| *off <= 4.0).count();
    eprintln!(
        "{} bases, {near} of them right, {} sure, {right} of them right, {} far off and sure",
        all.len(),
        sure.len(),
        wrong.len()
    );
    assert!(right as f64 >= 0.9 * sure.len() as f64, "{right} of {} are right", sure.len());
    assert!(wrong.is_empty(), "{wrong:?}");
    // It is not by doubting everything: where a rod is in plain sight and stays as long, most bases are believed.
    let plain = &all[..18];
    let believed = plain.iter().filter(|(_, off, sure)| *off <= 4.0 && *sure >= 0.5).count();
    assert!(believed >= 12, "{believed}: {plain:?}");
}
