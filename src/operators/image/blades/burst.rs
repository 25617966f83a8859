//! The burst of light of a clash: a flash and sparks.
//!
//! Knows where every spark is at any time, and what a shutter sees of it. Which clashes burst is `edit`'s to say; what
//! they throw on surfaces is `spill`'s.
//!
//! Sparks fly in ballistic curves: they start fast, the air slows them (a speed that falls as `1 / (1 + kt)²`) and
//! gravity pulls them down. They come out white and cool to the colour of the rods. What an open shutter sees of one is a line as
//! bright as the time that it spends on each part. All chance is decided by the seed and the clash's name, so a clash that stays
//! keeps its sparks whatever happens to others.

use super::light::{self, Canvas};
use super::look::chance;
use super::spill::Lamp;
use super::sweep::{Ends, streak};
use crate::base::digest::{Digest, KeyHasher};
use crate::operators::shape::coverage::{Mask, Window};

/// How fast the air slows a spark, for each frame.
const DRAG: f64 = 0.3;
/// Speed of the fastest spark, in widths a frame.
const FASTEST: f64 = 8.0;
/// Frames over which sparks come out.
const BIRTH: f64 = 0.4;
/// How much brighter a spark is than a rod, and the flash's middle.
const SPARK_LIGHT: f64 = 3.0;
const FLASH_LIGHT: f64 = 6.0;
/// Radius of the flash's middle, in widths.
const FLASH_RADIUS: f64 = 1.6;
/// The flash's life as a share of the sparks', and in frames at most.
const FLASH_LIFE: f64 = 0.35;
const FLASH_FRAMES: f64 = 4.0;
/// Layers of the flash's middle: radius and light, as shares of the whole's; those within half are white hot.
const FLASH_LAYERS: [(f64, f64); 4] = [(1.0, 0.08), (0.7, 0.17), (0.45, 0.3), (0.25, 0.45)];
/// The force, in touching distances a frame, from which on a burst is as bright as can be; the least share of it.
const FULL_FORCE: f64 = 6.0;
const LEAST: f64 = 0.25;

/// A burst, with all that its settings say of it.
#[derive(Clone, Debug, PartialEq)]
pub struct Burst {
    /// Rods, by their places in the list.
    pub pair: [usize; 2],
    /// When and where it starts.
    pub time: f64,
    /// In pixels.
    pub at: [f64; 2],
    /// How bright, 1 being the usual.
    pub strength: f64,
    /// How many sparks.
    pub sparks: usize,
    /// Pixels a frame, for each frame.
    pub gravity: f64,
    /// Frames that the longest spark lives.
    pub life: f64,
    /// The rods' mean width, light, halo, its widest sigma in pixels, how much falls on surfaces, and colour.
    pub width: f64,
    /// 1 is diffuse white.
    pub light: f64,
    /// As of a rod.
    pub halo: f64,
    /// In pixels.
    pub halo_reach: f64,
    /// As of a rod.
    pub spill: f64,
    /// Linear, in the working space.
    pub colour: [f64; 3],
    /// What decides chance.
    pub seed: i64,
}

/// A spark: where it flies and how long.
struct Spark {
    birth: f64,
    life: f64,
    speed: [f64; 2],
    radius: f64,
    light: f64,
}

/// How strong a burst is by the force of its clash.
pub fn strength(force: f64) -> f64 {
    (force / FULL_FORCE).clamp(LEAST, 1.0)
}

/// A seed for a clash of some name.
pub fn seed(seed: i64, name: &str) -> i64 {
    let Digest(bytes) = Digest::of(name.as_bytes());
    seed.wrapping_add(i64::from_le_bytes(std::array::from_fn(|i| bytes[i])))
}

impl Burst {
    /// Whether a shutter open from `open` to `close` sees any of it.
    pub fn is_seen(&self, open: f64, close: f64) -> bool {
        self.strength > 0.0 && self.light > 0.0 && close > self.time && open < self.time + BIRTH + self.life
    }

    /// Feeds everything that the pixels of its own light depend on into a key.
    pub fn feed(&self, key: &mut KeyHasher) {
        key.int(self.sparks as i64).int(self.seed);
        let numbers = [self.time, self.at[0], self.at[1], self.strength, self.gravity, self.life, self.width];
        let rest = [self.light, self.halo, self.halo_reach];
        for number in numbers.iter().chain(&rest).chain(&self.colour) {
            key.real(*number);
        }
    }

    /// How bright the flash is through an exposure: its mean, where it falls off as the square of the time that is left.
    pub fn flash(&self, open: f64, close: f64) -> f64 {
        let life = (self.life * FLASH_LIFE).min(FLASH_FRAMES);
        let left = |time: f64| (1.0 - (time - self.time) / life).clamp(0.0, 1.0);
        if close <= open {
            return if open < self.time { 0.0 } else { self.strength * left(open).powi(2) };
        }
        let (from, to) = (left(open.max(self.time)), left(close.max(self.time)));
        self.strength * life / 3.0 * (from.powi(3) - to.powi(3)) / (close - open)
    }

    /// Whether its flash throws light on surfaces in an exposure.
    pub fn spills(&self, open: f64, close: f64) -> bool {
        self.spill > 0.0 && self.flash(open, close) > 0.0
    }

    fn spark(&self, index: usize) -> Spark {
        let mut number = index as i64 * 64;
        let mut next = || {
            number += 1;
            chance(self.seed, number)
        };
        // A direction without trigonometry, whose last bit differs between machines: a place in a disc.
        let mut way = [0.0, -1.0];
        for _ in 0..16 {
            let [x, y] = [2.0 * next() - 1.0, 2.0 * next() - 1.0];
            let square = x * x + y * y;
            if square <= 1.0 && square > 1e-4 {
                way = [x, y].map(|v| v / square.sqrt());
                break;
            }
        }
        let (quick, long, thick, bright) = (next(), next(), next(), next());
        let fast = FASTEST * self.width * (0.12 + 0.88 * quick * quick) * self.strength.min(1.0).sqrt();
        Spark {
            birth: self.time + BIRTH * next() * next(),
            life: self.life * (0.3 + 0.7 * long * (1.0 - 0.4 * quick)),
            speed: [way[0] * fast, (way[1] - 0.25) * fast],
            radius: self.width * (0.08 + 0.10 * thick),
            light: SPARK_LIGHT * (0.25 + 1.5 * bright * bright),
        }
    }

    fn place(&self, spark: &Spark, age: f64) -> [f64; 2] {
        let gone = age / (1.0 + DRAG * age);
        let fall = self.gravity * age * age / 2.0;
        [self.at[0] + spark.speed[0] * gone, self.at[1] + spark.speed[1] * gone + fall]
    }

    /// Calls `draw` with all sparks' ways through an exposure, from where they are to where they were: ends, radius,
    /// light and how hot.
    fn ways(&self, open: f64, close: f64, draw: &mut dyn FnMut(&Ends, f64, f64, f64)) {
        for index in 0..self.sparks {
            let spark = self.spark(index);
            let (from, to) = (open.max(spark.birth), close.min(spark.birth + spark.life));
            if from > to {
                continue;
            }
            // A spark of glass glints: its light changes from frame to frame.
            let glint =
                0.55 + 0.45 * chance(self.seed ^ 0x5A5A, index as i64 * 4096 + (open - self.time) as i64);
            let ages = [from - spark.birth, to - spark.birth];
            let left = 1.0 - (ages[0] + ages[1]) / 2.0 / spark.life;
            let share = if close > open { (to - from) / (close - open) } else { 1.0 };
            let [tail, head] = ages.map(|age| self.place(&spark, age));
            let light = spark.light * self.strength.min(1.0) * left.max(0.0) * glint * share;
            let ends = [head[0], head[1], tail[0], tail[1]];
            draw(&ends, spark.radius * (0.5 + 0.5 * left), light, left * left);
        }
    }

    /// Adds what a shutter sees of it to the canvas, held out by `held`; of its halo the share `wrap` lies over that.
    pub fn shine(&self, open: f64, close: f64, held: Option<&Mask>, wrap: f64, canvas: &mut Canvas) {
        let frame = canvas.frame;
        let sigmas = light::sigmas(self.halo_reach, self.width / 2.0, &frame);
        let reach = sigmas.first().map_or(0, |sigma| (3.0 * sigma).ceil() as usize);
        let around = frame.widened(reach);
        let window = around.touched(self.bounds(open, close));
        if window.is_empty() {
            return;
        }
        let size = window.width * window.height;
        let (mut hot, mut warm) = (vec![0.0f64; size], vec![0.0f64; size]);
        let [x, y] = self.at;
        let flash = FLASH_LIGHT * self.flash(open, close);
        for (size, part) in FLASH_LAYERS {
            let radius = size * FLASH_RADIUS * self.width;
            streak(
                &[x, y, x, y],
                radius,
                flash * part,
                &window,
                if size < 0.5 { &mut hot } else { &mut warm },
            );
        }
        self.ways(open, close, &mut |ends, radius, light, heat| {
            streak(ends, radius, light * heat, &window, &mut hot);
            streak(ends, radius, light * (1.0 - heat), &window, &mut warm);
        });
        let mask = |sums: Vec<f64>| Mask { window, samples: sums.into_iter().map(|s| s as f32).collect() };
        let (mut hot, mut warm) = (mask(hot), mask(warm));
        if let Some(held) = held {
            light::dim(&mut hot, held, 1.0);
            light::dim(&mut warm, held, 1.0);
        }
        let tint = |white: f64, light: f64| {
            self.colour.map(|c| ((c + (1.0 - c) * white) * self.light * light) as f32)
        };
        canvas.add(&hot, tint(0.8, 1.0));
        canvas.add(&warm, tint(0.1, 1.0));
        warm.samples.iter_mut().zip(&hot.samples).for_each(|(w, h)| *w += h);
        drop(hot);
        if let Some(mut halo) = light::halo(warm, &sigmas, &frame) {
            if let Some(held) = held {
                light::dim(&mut halo, held, (1.0 - wrap) as f32);
            }
            canvas.add(&halo, tint(0.25, self.halo));
        }
    }

    /// The rectangle that flash and sparks touch.
    fn bounds(&self, open: f64, close: f64) -> [f64; 4] {
        let [x, y] = self.at;
        let flash = FLASH_RADIUS * self.width + 2.0;
        let mut out = [x - flash, y - flash, x + flash, y + flash];
        self.ways(open, close, &mut |ends, radius, _, _| {
            let reach = radius + 2.0;
            for [x, y] in [[ends[0], ends[1]], [ends[2], ends[3]]] {
                out = [
                    out[0].min(x - reach),
                    out[1].min(y - reach),
                    out[2].max(x + reach),
                    out[3].max(y + reach),
                ];
            }
        });
        out
    }

    /// The burst as a point that throws light on surfaces.
    pub fn lamp(&self, open: f64, close: f64) -> Lamp {
        let [x, y] = self.at;
        let radius = FLASH_RADIUS * self.width;
        // The flash's middle seen from its front; sparks add little to it.
        let area = flash_area(radius);
        let flash = FLASH_LIGHT * self.flash(open, close) * area * self.light * self.spill;
        let power = self.colour.map(|c| (c + (1.0 - c) * 0.4) * flash / std::f64::consts::PI);
        Lamp { moments: vec![([x, y, x, y], 1.0)], power, width: self.width, behind: Vec::new() }
    }

    /// The share of a frame in which the flash at its brightest, with its halo, adds light that counts as a flash.
    pub fn flash_area(&self, least: f64, frame: &Window) -> f64 {
        let sigmas = light::sigmas(self.halo_reach, self.width / 2.0, frame);
        let radius = FLASH_RADIUS * self.width;
        let energy = flash_area(radius) * FLASH_LIGHT * self.strength * self.light;
        let each = energy * self.halo / sigmas.len().max(1) as f64 / std::f64::consts::TAU;
        let glow =
            |r: f64| -> f64 { sigmas.iter().map(|s| each / (s * s) * (-r * r / (2.0 * s * s)).exp()).sum() };
        let (mut near, mut far) = (radius, 4.0 * self.halo_reach.max(radius));
        for _ in 0..40 {
            let middle = (near + far) / 2.0;
            if glow(middle) >= least { near = middle } else { far = middle }
        }
        std::f64::consts::PI * near * near / (frame.width * frame.height) as f64
    }
}

/// The area of a flash's layers, each as bright as its share.
fn flash_area(radius: f64) -> f64 {
    let layers: f64 = FLASH_LAYERS.iter().map(|(size, part)| size * size * part).sum();
    0.75 * std::f64::consts::PI * radius * radius * layers
}

#[cfg(test)]
mod tests {
    use super::*;

    fn burst() -> Burst {
        Burst {
            pair: [0, 1],
            time: 10.25,
            at: [96.0, 54.0],
            strength: 1.0,
            sparks: 40,
            gravity: 1.5,
            life: 8.0,
            width: 4.0,
            light: 10.0,
            halo: 0.5,
            halo_reach: 30.0,
            spill: 1.0,
            colour: [1.0, 0.4, 0.1],
            seed: 7,
        }
    }

    #[test]
    fn the_flash_of_many_exposures_adds_up_to_the_flash() {
        let whole = burst().flash(10.0, 20.0) * 10.0;
        let parts: f64 =
            (0..40).map(|i| burst().flash(10.0 + f64::from(i) / 4.0, 10.25 + f64::from(i) / 4.0) / 4.0).sum();
        assert!((whole - parts).abs() < 1e-9 && whole > 0.5, "{whole} {parts}");
        assert_eq!(burst().flash(9.0, 10.25), 0.0);
        assert!(!burst().is_seen(9.75, 10.25) && burst().is_seen(9.75, 10.3));
        assert!(!burst().is_seen(10.25 + BIRTH + 8.0, 30.0));
    }

    #[test]
    fn sparks_fall_and_never_outlive_their_burst() {
        let burst = burst();
        let mut lowest = f64::NEG_INFINITY;
        for frame in 10..40 {
            let mut lights = 0.0;
            burst.ways(frame as f64 - 0.25, frame as f64 + 0.25, &mut |ends, radius, light, heat| {
                assert!(radius > 0.0 && light >= 0.0 && (0.0..=1.0).contains(&heat));
                lights += light;
                lowest = lowest.max(ends[1]);
            });
            let is_seen = burst.is_seen(frame as f64 - 0.25, frame as f64 + 0.25);
            assert!(is_seen || lights == 0.0, "{frame}");
            assert!(lights > 0.0 || !(11..15).contains(&frame), "{frame}");
        }
        // In seven frames a spark at rest falls by 1.5 * 49 / 2.
        assert!(lowest > 54.0 + 20.0, "{lowest}");
    }
}
