//! The demo film's sounds, made from oscillators, noise and resonances.
//!
//! Knows samples at 48 kHz and how to put them into 24-bit WAV bytes. Does not know where they
//! are placed on picture.

use super::math::{clamp01, exp_minus, mix, most, sin_turns, smooth};
use super::noise::{chance, wander};

/// Samples a second.
pub const SAMPLE_RATE: u32 = 48_000;

/// One generated sound.
pub struct DemoSound {
    /// Its name; its file is `sounds/NAME.wav`.
    pub name: &'static str,
    /// What is heard.
    pub hears: &'static str,
    /// The whole file: RIFF WAVE, 48 kHz, 24-bit PCM, 1 or 2 channels.
    pub bytes: Vec<u8>,
}

/// All sounds of the demo film.
pub fn sounds() -> Vec<DemoSound> {
    let sound = |name, hears, channels: &[Vec<f32>]| DemoSound { name, hears, bytes: wave(channels) };
    vec![
        sound("room", "the empty shed: air, far water, drips", &[room(12.0, 1), room(12.0, 2)]),
        sound("hum", "a lit pole held still, to be played round and round", &[hum(4.0)]),
        sound("clash", "glass pole on glass pole", &[clash(1, 1.6)]),
        sound("clash-low", "the same, heavier", &[clash(7, 2.2)]),
        sound("steps", "six boot steps on wet stone", &[steps(4.5)]),
        sound(
            "answer",
            "how the shed answers a clap: its walls and roof",
            &[answer(1.3, 21), answer(1.3, 22)],
        ),
        sound(
            "bowed",
            "a low bowed chord that comes out of the dark and goes back",
            &[bowed(11.0, 0.0), bowed(11.0, 0.31)],
        ),
        sound("murmur", "the keeper mutters a sentence nobody can make out", &[murmur(3.2)]),
    ]
}

/// Samples of a length in seconds, each from its time.
fn samples(seconds: f32, mut sample: impl FnMut(usize, f32) -> f32) -> Vec<f32> {
    let count = (seconds * SAMPLE_RATE as f32) as usize;
    (0..count).map(|i| sample(i, i as f32 / SAMPLE_RATE as f32)).collect()
}

/// White noise between -1 and 1.
fn white(i: usize, seed: u32) -> f32 {
    chance(i as i32, 0, seed) * 2.0 - 1.0
}

/// A resonance of two poles: frequency in hertz and bandwidth in hertz.
#[derive(Clone, Copy, Default)]
struct Resonance {
    before: f32,
    earlier: f32,
}

impl Resonance {
    fn ring(&mut self, input: f32, frequency: f32, bandwidth: f32) -> f32 {
        let rate = SAMPLE_RATE as f32;
        let r = exp_minus(std::f32::consts::PI * bandwidth / rate);
        let turn = 2.0 * r * sin_turns(frequency / rate + 0.25);
        let gain = (1.0 - r) * (1.0 + r * r - turn * 0.98).max(1e-6).sqrt();
        let out = input * gain + turn * self.before - r * r * self.earlier;
        (self.earlier, self.before) = (self.before, out);
        out
    }
}

/// Air in a large wooden room, water under the floor, and a drip now and then.
fn room(seconds: f32, seed: u32) -> Vec<f32> {
    let (mut low, mut mid) = (0.0, 0.0);
    let mut water = Resonance::default();
    let mut drip = [Resonance::default(); 2];
    samples(seconds, |i, t| {
        let noise = white(i, seed);
        low += (noise - low) * 0.006;
        mid += (noise - mid) * 0.05;
        let trickle = water.ring(noise * (0.4 + 0.6 * wander(t * 5.0, seed + 9).abs()), 640.0, 500.0);
        // About every second and a half a drop falls, higher or lower each time.
        let beat = (t / 1.37) as i32;
        let since = t - beat as f32 * 1.37 - 0.9 * chance(beat, 1, seed);
        let struck = if (0.0..0.002).contains(&since) { 1.0 } else { 0.0 };
        let pitch = 900.0 + 900.0 * chance(beat, 2, seed);
        let fall = drip[0].ring(struck, pitch, 18.0) + drip[1].ring(struck, pitch * 1.53, 40.0) * 0.5;
        low * 0.30 * (1.0 + 0.3 * wander(t * 0.3, seed + 4)) + mid * 0.018 + trickle * 0.010 + fall * 0.5
    })
}

/// A steady hum of slightly detuned partials; it starts and ends at the same phase.
fn hum(seconds: f32) -> Vec<f32> {
    let partials = [(92.0, 0.50), (92.5, 0.35), (184.0, 0.22), (276.25, 0.12), (368.0, 0.07), (645.5, 0.02)];
    samples(seconds, |_, t| {
        let swell = 1.0 + 0.12 * sin_turns(t * 1.5) + 0.05 * sin_turns(t * 6.75);
        partials.iter().map(|&(hz, level)| sin_turns(hz * t) * level).sum::<f32>() * swell * 0.30
    })
}

/// Glass on glass: a click, then partials that no string would have, dying away.
fn clash(seed: u32, heavy: f32) -> Vec<f32> {
    let partials: Vec<(f32, f32, f32)> = (0..14)
        .map(|k| {
            let spread = 1.0 + 0.06 * (chance(k, 1, seed) - 0.5);
            let hz = 410.0 / heavy * (1.0 + k as f32 * 0.83 + (k * k) as f32 * 0.11) * spread;
            (hz, 1.0 / (1.0 + k as f32 * 0.35), 2.2 + k as f32 * 1.1 + 2.0 * chance(k, 2, seed))
        })
        .collect();
    samples(1.4, |i, t| {
        let click = white(i, seed + 3) * exp_minus(t * 420.0) * 0.7;
        let ring: f32 = partials
            .iter()
            .map(|&(hz, level, decay)| sin_turns(hz * t) * level * exp_minus(t * decay * 3.2))
            .sum();
        let scrape = white(i, seed + 5) * exp_minus((t - 0.03).abs() * 60.0) * 0.12;
        (click + ring * 0.11 + scrape) * smooth(1.4, 1.2, t)
    })
}

/// A room's answer to an impulse, without the impulse itself: single walls first, then all of them at once, the high tones
/// dying first.
fn answer(seconds: f32, seed: u32) -> Vec<f32> {
    let mut low = 0.0;
    samples(seconds, |i, t| {
        let dense = smooth(0.004, 0.06, t);
        let single = if chance(i as i32, 3, seed) > 0.9985 { 1.0 - dense } else { 0.0 };
        let noise = white(i, seed) * (dense * 0.25 + single * 0.8);
        // Of what is left later, less and less is high.
        low += (noise - low) * mix(0.75, 0.12, clamp01(t / seconds));
        low * exp_minus(t * 5.2) * smooth(0.002, 0.004, t) * smooth(seconds, seconds - 0.2, t) * 0.32
    })
}

/// Three bowed strings, each a row of partials with an unsteady bow; `apart` moves their slow swells against one another.
fn bowed(seconds: f32, apart: f32) -> Vec<f32> {
    let strings = [(55.0, 0.5, 0.11), (82.4, 0.35, 0.17), (130.8, 0.22, 0.23)];
    samples(seconds, |i, t| {
        let chord: f32 = strings
            .iter()
            .map(|&(hz, level, swell)| {
                let bow =
                    0.7 + 0.3 * sin_turns(t * swell + apart + hz * 0.01) + 0.06 * wander(t * 7.0 + hz, 33);
                let row: f32 = (1..=9).map(|k| sin_turns(hz * k as f32 * t) / (k * k) as f32).sum();
                row * level * bow
            })
            .sum();
        let hair = white(i, 34) * 0.004 * (0.6 + 0.4 * sin_turns(t * 0.3));
        (chord * 0.4 + hair) * smooth(0.0, 2.5, t) * smooth(seconds, seconds - 2.0, t)
    })
}

/// Boots on wet stone: heel, then sole, then a little water.
fn steps(seconds: f32) -> Vec<f32> {
    let mut body = [Resonance::default(); 3];
    samples(seconds, |i, t| {
        let step = (t / 0.66) as i32;
        let since = t - step as f32 * 0.66 - 0.04 * chance(step, 1, 5);
        let on = step < 6 && since > 0.0;
        let heel = if on { exp_minus(since * 160.0) } else { 0.0 };
        let later = since - 0.085 - 0.02 * chance(step, 2, 5);
        let sole = if step < 6 && later > 0.0 { exp_minus(later * 90.0) * 0.55 } else { 0.0 };
        let noise = white(i, 61);
        let thud = body[0].ring(noise * (heel + sole), 95.0 + 20.0 * chance(step, 3, 5), 70.0) * 3.2;
        let knock = body[1].ring(noise * heel, 420.0, 220.0) * 1.1;
        let splash = body[2].ring(noise * sole * sole, 2600.0, 1800.0) * 0.8;
        thud + knock + splash
    })
}

/// Vowels as the first three resonances of a mouth, in hertz (values from memory).
const VOWELS: [[f32; 3]; 5] = [
    [730.0, 1090.0, 2440.0],
    [530.0, 1840.0, 2480.0],
    [270.0, 2290.0, 3010.0],
    [570.0, 840.0, 2410.0],
    [440.0, 1020.0, 2240.0],
];

/// A murmur that is nearly speech: a buzzing source through moving resonances, with breaths of
/// noise where consonants would be.
fn murmur(seconds: f32) -> Vec<f32> {
    let mut mouth = [Resonance::default(); 3];
    let mut hiss = Resonance::default();
    let mut phase = 0.0_f32;
    samples(seconds, |i, t| {
        let (syllable, share) = ((t / 0.21) as i32, t / 0.21 - (t / 0.21).floor());
        let pick = |s: i32| VOWELS[(chance(s, 1, 77) * 4.999) as usize];
        let (from, to) = (pick(syllable), pick(syllable + 1));
        let slide = smooth(0.45, 1.0, share);
        let pause = if chance(syllable, 4, 77) > 0.86 { 0.0 } else { 1.0 };
        let hz = 104.0 + 14.0 * wander(t * 2.3, 78) - 8.0 * clamp01(t / seconds);
        phase += hz / SAMPLE_RATE as f32;
        phase -= phase.floor();
        // A glottal pulse: opens slowly, shuts fast.
        let pulse = if phase < 0.6 { phase * phase * (1.0 - phase / 0.6) * 6.0 } else { 0.0 } - 0.16;
        let voiced = smooth(0.05, 0.25, share) * smooth(1.0, 0.85, share) * pause;
        let noise = white(i, 79);
        let source = pulse * voiced + noise * 0.02 * pause;
        let levels = [1.0, 0.6, 0.25];
        let voice: f32 = (0..3)
            .map(|k| mouth[k].ring(source, mix(from[k], to[k], slide), 70.0 + 40.0 * k as f32) * levels[k])
            .sum();
        let sibilant = if chance(syllable, 5, 77) > 0.6 { smooth(0.88, 1.0, share) } else { 0.0 };
        let breath = hiss.ring(noise * sibilant * pause, 4700.0, 1600.0) * 0.10;
        (voice * 3.2 + breath) * smooth(0.0, 0.1, t) * smooth(seconds, seconds - 0.2, t)
    })
}

/// Channels as a WAV file of 24-bit PCM, scaled down only when they would clip.
fn wave(channels: &[Vec<f32>]) -> Vec<u8> {
    let peak = channels.iter().flatten().fold(0.0_f32, |peak, v| most(peak, v.abs()));
    let gain = if peak > 0.89 { 0.89 / peak } else { 1.0 };
    let (count, frames) = (channels.len(), channels[0].len());
    let data = (count * frames * 3) as u32;
    let mut bytes = Vec::with_capacity(data as usize + 44);
    bytes.extend(b"RIFF");
    bytes.extend((36 + data + (data & 1)).to_le_bytes());
    bytes.extend(b"WAVEfmt ");
    bytes.extend(16_u32.to_le_bytes());
    bytes.extend(1_u16.to_le_bytes());
    bytes.extend((count as u16).to_le_bytes());
    bytes.extend(SAMPLE_RATE.to_le_bytes());
    bytes.extend((SAMPLE_RATE * count as u32 * 3).to_le_bytes());
    bytes.extend((count as u16 * 3).to_le_bytes());
    bytes.extend(24_u16.to_le_bytes());
    bytes.extend(b"data");
    bytes.extend(data.to_le_bytes());
    for frame in 0..frames {
        for channel in channels {
            let value = (channel[frame] * gain * 8_388_607.0) as i32;
            bytes.extend(&value.to_le_bytes()[..3]);
        }
    }
    if data & 1 == 1 {
        bytes.push(0);
    }
    bytes
}

#[cfg(test)]
mod tests {
    use super::*;

    fn level(samples: &[f32]) -> f32 {
        (samples.iter().map(|v| v * v).sum::<f32>() / samples.len() as f32).sqrt()
    }

    #[test]
    fn files_say_how_long_they_are() {
        for sound in sounds() {
            let at = |i: usize| u32::from_le_bytes(sound.bytes[i..i + 4].try_into().unwrap());
            assert_eq!(at(4) as usize + 8, sound.bytes.len(), "{}", sound.name);
            assert_eq!(at(24), SAMPLE_RATE);
            assert!(at(40) as usize + 44 <= sound.bytes.len());
        }
    }

    #[test]
    fn a_clash_dies_away_and_a_hum_joins_its_own_start() {
        let clash = clash(1, 1.6);
        assert!(level(&clash[..4800]) > 20.0 * level(&clash[clash.len() - 4800..]));
        let hum = hum(4.0);
        let step = (hum[1] - hum[0]).abs();
        assert!((hum[hum.len() - 1] - hum[0]).abs() < 2.0 * step + 1e-4);
    }

    #[test]
    fn nothing_is_silent_and_nothing_clips() {
        for (name, sound) in [("room", room(2.0, 1)), ("steps", steps(2.0)), ("murmur", murmur(1.5))] {
            let peak = sound.iter().fold(0.0_f32, |peak, v| peak.max(v.abs()));
            assert!(level(&sound) > 0.002, "{name}: {}", level(&sound));
            assert!(peak.is_finite() && peak < 4.0, "{name}: {peak}");
        }
    }
}
