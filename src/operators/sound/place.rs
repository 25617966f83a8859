//! Where a sound is heard: how a clip's channels go into the film's.
//!
//! Knows layouts of one, two and six channels (L R C LFE Ls Rs). Fewer are made of more by Rec. ITU-R BS.775-3, Annex 4, table
//! 2; a mono sound is panned by equal power, in 5.1 between neighbouring loudspeakers.

use std::f64::consts::{FRAC_1_SQRT_2, FRAC_PI_2};

use super::law;
use crate::base::problem::{Problem, nearest};
use crate::operators::Reader;

/// Loudspeakers of a layout by name, in the order of the file.
pub fn speakers(channels: usize) -> &'static [&'static str] {
    match channels {
        1 => &["C"],
        2 => &["L", "R"],
        _ => &["L", "R", "C", "LFE", "Ls", "Rs"],
    }
}

/// True of clips whose channels have places of their own.
pub fn is_known(channels: usize) -> bool {
    matches!(channels, 1 | 2 | 6)
}

/// Factors from each of a clip's channels (rows) to each of the film's (columns), for a sound that stands at `pan`, -1 (left)
/// to 1 (right), and `back`, 0 (front) to 1 (surround; 5.1 only).
pub fn factors(clip: usize, film: usize, pan: f64, back: f64) -> Vec<Vec<f64>> {
    let half = FRAC_1_SQRT_2;
    match (clip, film) {
        (1, 1) => vec![vec![1.0]],
        (2, 1) => vec![vec![half], vec![half]],
        (6, 1) => [half, half, 1.0, 0.0, 0.5, 0.5].map(|v| vec![v]).to_vec(),
        (1, 2) => vec![law::pan(pan).to_vec()],
        (2, 2) => {
            let [left, right] = law::balance(pan);
            vec![vec![left, 0.0], vec![0.0, right]]
        }
        (6, 2) => {
            let [left, right] = law::balance(pan);
            let middle = vec![half * left, half * right];
            vec![
                vec![left, 0.0],
                vec![0.0, right],
                middle,
                vec![0.0, 0.0],
                vec![half * left, 0.0],
                vec![0.0, half * right],
            ]
        }
        (1, _) => vec![around(pan, back)],
        (2, _) => {
            let [left, right] = law::balance(pan);
            let (front, rear) = depth(back);
            vec![
                vec![left * front, 0.0, 0.0, 0.0, left * rear, 0.0],
                vec![0.0, right * front, 0.0, 0.0, 0.0, right * rear],
            ]
        }
        _ => (0..6).map(|i| (0..6).map(|k| f64::from(u8::from(i == k))).collect()).collect(),
    }
}

/// Shares of front and surround, of equal power.
fn depth(back: f64) -> (f64, f64) {
    let angle = back.clamp(0.0, 1.0) * FRAC_PI_2;
    (angle.cos(), angle.sin())
}

/// A mono sound in 5.1: in front between left and centre or centre and right, behind between both surrounds.
fn around(pan: f64, back: f64) -> Vec<f64> {
    let pan = pan.clamp(-1.0, 1.0);
    let (front, rear) = depth(back);
    let [near, far] = law::pan(2.0 * pan.abs() - 1.0);
    let (left, right) = if pan < 0.0 { (far, 0.0) } else { (0.0, far) };
    let [ls, rs] = law::pan(pan);
    vec![left * front, right * front, near * front, 0.0, ls * rear, rs * rear]
}

/// Names settings of a place that change nothing here.
pub fn idle(reader: &mut Reader<'_>, film: usize, clip: usize) {
    let why = match (film, clip) {
        _ if reader.value("speakers").is_some() => "its loudspeakers are named",
        (1, _) => "the film's sound is mono",
        (6, 6) => "each channel of its clip has a place of its own",
        _ => "",
    };
    for name in ["pan", "back"] {
        let why =
            if why.is_empty() && name == "back" && film != 6 { "the film has no surrounds" } else { why };
        if !why.is_empty() {
            reader.caution(name, format!("'{name}' changes nothing: {why}"), "leave it out");
        }
    }
}

/// Reads which loudspeakers a clip's channels go to; none where their places are known.
pub fn read(reader: &mut Reader<'_>, film: usize, clip: usize) -> Option<Vec<usize>> {
    let names = speakers(film);
    let Some(value) = reader.value("speakers") else {
        if !is_known(clip) {
            let message = format!("its clip has {clip} channels, whose places are not known");
            let help = match clip <= names.len() {
                true => format!("say where they go, in order: speakers: [{}]", names[..clip].join(", ")),
                false => {
                    format!("make a file of 1, 2 or 6 channels of it: the film has {}", names.join(", "))
                }
            };
            reader.problems.push(Problem::error(reader.span(), message).help(help));
        }
        return None;
    };
    let items = value.list().map_err(|problem| reader.problems.push(problem)).ok()?;
    let mut out = Vec::new();
    for item in items {
        let text = match item.text() {
            Ok(text) => text,
            Err(problem) => {
                reader.problems.push(problem);
                continue;
            }
        };
        match names.iter().position(|name| name.eq_ignore_ascii_case(text)) {
            Some(at) => out.push(at),
            None => {
                let problem = Problem::error(item.span, format!("the film has no loudspeaker '{text}'"));
                reader.problems.push(match nearest(text, names.iter().copied()) {
                    Some(near) => problem.help(format!("did you mean '{near}'?")),
                    None => problem.help(format!("it has: {}", names.join(", "))),
                });
            }
        }
    }
    if out.len() == items.len() && out.len() != clip {
        let message = format!("{} loudspeakers are named for {clip} channels", out.len());
        reader.problems.push(Problem::error(value.span, message).help("one for each channel, in order"));
    }
    Some(out)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_mono_sound_has_the_same_power_wherever_it_stands() {
        for film in [2, 6] {
            for step in 0..=40 {
                for back in [0.0, 0.3, 1.0] {
                    let pan = f64::from(step) / 20.0 - 1.0;
                    let power: f64 = factors(1, film, pan, back)[0].iter().map(|v| v * v).sum();
                    assert!((power - 1.0).abs() < 1e-12, "{film} {pan} {back}: {power}");
                }
            }
        }
    }

    #[test]
    fn places_are_the_loudspeakers_own() {
        let at = |pan, back| factors(1, 6, pan, back)[0].clone();
        let is = |found: Vec<f64>, speaker: usize| {
            found.iter().enumerate().all(|(i, v)| (v - f64::from(u8::from(i == speaker))).abs() < 1e-9)
        };
        assert!(is(at(0.0, 0.0), 2) && is(at(-1.0, 0.0), 0) && is(at(1.0, 0.0), 1));
        assert!(is(at(-1.0, 1.0), 4) && is(at(1.0, 1.0), 5));
    }

    #[test]
    fn fewer_channels_are_those_of_bs_775() {
        // BS.775-3, table 2: stereo = L + 0.7071 C + 0.7071 Ls; mono = 0.7071 L + 0.7071 R + C + 0.5 Ls + 0.5 Rs.
        let half = std::f64::consts::FRAC_1_SQRT_2;
        let stereo = factors(6, 2, 0.0, 0.0);
        let left: Vec<f64> = stereo.iter().map(|row| row[0]).collect();
        let close = |a: &[f64], b: &[f64]| a.iter().zip(b).all(|(a, b)| (a - b).abs() < 1e-4);
        assert!(close(&left, &[1.0, 0.0, half, 0.0, half, 0.0]));
        let mono: Vec<f64> = factors(6, 1, 0.0, 0.0).iter().map(|row| row[0]).collect();
        assert!(close(&mono, &[half, half, 1.0, 0.0, 0.5, 0.5]));
    }
}
