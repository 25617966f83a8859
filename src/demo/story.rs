//! The demo film as its edit has it: shots in order, and the texts of its cut and its look.
//!
//! Knows which frames of which plate each shot uses. Does not know pixels.

use std::fmt::Write;

use super::gamut::shown;
use super::math::{clamp01, mix, smooth};
use crate::base::frames::FrameRange;

/// A shot of the film.
#[derive(Clone, Copy, Debug)]
pub struct DemoShot {
    /// Its name.
    pub name: &'static str,
    /// Frames that the film shows.
    pub frames: FrameRange,
    /// How many of the last ones go on under what comes in after them: the next shot, or black after the last one.
    pub under: i64,
    /// Plates that it is made of.
    pub plates: &'static [&'static str],
}

const fn shot(name: &'static str, first: i64, last: i64, plates: &'static [&'static str]) -> DemoShot {
    DemoShot { name, frames: FrameRange::new(first, last), under: 0, plates }
}

const fn under(under: i64, shot: DemoShot) -> DemoShot {
    DemoShot { under, ..shot }
}

/// The shots in the order of the film.
pub const SHOTS: [DemoShot; 9] = [
    shot("br010", 1009, 1048, &["shed-wide"]),
    shot("br020", 1009, 1040, &["duel-a"]),
    shot("br030", 1009, 1044, &["duel-b", "duel-b-clean"]),
    shot("br040", 1009, 1032, &["duel-close"]),
    shot("br050", 1009, 1032, &["rake-clean", "rake-left", "rake-right"]),
    shot(
        "br055",
        1009,
        1028,
        &["five-clean", "five-far", "five-left", "five-right", "five-middle", "five-near"],
    ),
    shot("br060", 1009, 1052, &["swing"]),
    under(8, shot("br070", 1009, 1028, &["brine"])),
    under(12, shot("br080", 1009, 1040, &["ending-2"])),
];

/// Frames a second.
const RATE: i64 = 24;

/// A count of frames as timecode.
fn timecode(frames: i64) -> String {
    let (seconds, rest) = (frames / RATE, frames % RATE);
    format!("{:02}:{:02}:{:02}:{rest:02}", seconds / 3600, seconds / 60 % 60, seconds % 60)
}

/// The text of the locked cut, `cut/lock-1.edl`: cuts, a dissolve into the ending and a fade out. Source timecode is the
/// shot's frame number counted from 00:00:00:00, so that frame 1009 is 00:00:42:01; record timecode starts at 01:00:00:00.
pub fn cut_file() -> String {
    let mut text = String::from("TITLE: THE BRINE LAMP\nFCM: NON-DROP FRAME\n");
    let mut record = 3600 * RATE;
    let mut before: Option<DemoShot> = None;
    for (index, shot) in SHOTS.iter().enumerate() {
        let (first, last) = (shot.frames.first, shot.frames.last + 1 - shot.under);
        let how = came_from(&mut text, index + 1, before, record);
        let length = last - first;
        line(&mut text, index + 1, shot.name, &how, [first, last, record, record + length]);
        match before.filter(|shot| shot.under > 0) {
            None => {
                let _ = writeln!(text, "* FROM CLIP NAME: {}", shot.name);
            }
            Some(out) => {
                let _ = writeln!(text, "* FROM CLIP NAME: {}\n* TO CLIP NAME: {}", out.name, shot.name);
            }
        }
        record += length;
        before = Some(*shot);
    }
    if let Some(shot) = before.filter(|shot| shot.under > 0) {
        let event = SHOTS.len() + 1;
        let how = came_from(&mut text, event, Some(shot), record);
        line(&mut text, event, "BL", &how, [0, shot.under, record, record + shot.under]);
    }
    text
}

/// Begins an event: with a line of what goes out, where it goes on under what comes in. Gives the word for the change.
fn came_from(text: &mut String, event: usize, before: Option<DemoShot>, record: i64) -> String {
    let _ = writeln!(text);
    match before.filter(|shot| shot.under > 0) {
        None => "C".into(),
        Some(shot) => {
            let out = shot.frames.last + 1 - shot.under;
            line(text, event, shot.name, "C", [out, out, record, record]);
            format!("D    {:03}", shot.under)
        }
    }
}

fn line(text: &mut String, event: usize, reel: &str, how: &str, times: [i64; 4]) {
    let times = times.map(timecode).join(" ");
    let _ = writeln!(text, "{event:03}  {:<8} V     {how:<8} {times}", reel.to_uppercase());
}

/// Samples a side of the look.
const LOOK: usize = 33;

/// The text of the film's look, `grades/lamp-night.cube`, for ACEScct in and out: a soft curve
/// about the middle grey, shadows a little towards the cold and lights towards the lamp. No colour of it is richer than
/// Rec.709 shows, so that light of a blade is not cut off in one of its channels.
pub fn look_file() -> String {
    let mut text = String::from("TITLE \"Lamp night, for ACEScct\"\n");
    let _ = writeln!(text, "LUT_3D_SIZE {LOOK}");
    let at = |i: usize| i as f32 / (LOOK - 1) as f32;
    for b in 0..LOOK {
        for g in 0..LOOK {
            for r in 0..LOOK {
                let [r, g, b] = look([at(r), at(g), at(b)]);
                let _ = writeln!(text, "{r:.5} {g:.5} {b:.5}");
            }
        }
    }
    text
}

/// The look of one colour.
fn look(colour: [f32; 3]) -> [f32; 3] {
    // Middle grey of 0.18 lies at 0.4136 of ACEScct (Academy S-2016-001).
    const GREY: f32 = 0.4136;
    // And no light at 0.0729. What lies below the second samples above it stays as it is, so that nothing falls below black
    // on the straight lines between samples.
    const DARK: f32 = 4.0 / 32.0;
    let light = 0.27 * colour[0] + 0.67 * colour[1] + 0.06 * colour[2];
    let warm = smooth(0.30, 0.62, light);
    let tint = [mix(-0.010, 0.012, warm), mix(0.002, 0.001, warm), mix(0.012, -0.014, warm)];
    let coloured = std::array::from_fn(|c| {
        let rich = light + (colour[c] - light) * 1.10;
        let away = rich - GREY;
        // Steeper about the grey, back to even where it is dark and at the brightest lamps.
        let steep = 0.16 * smooth(GREY - DARK, 0.0, away.abs());
        let curved = GREY + away * (1.0 + steep);
        let shade = smooth(DARK, 0.20, light) * smooth(1.0, 0.8, light);
        curved + tint[c] * shade
    });
    shown(coloured).map(clamp01)
}

#[cfg(test)]
mod tests {
    use super::super::plates::plates;
    use super::*;

    #[test]
    fn every_shot_has_its_handles_in_its_plates() {
        for shot in SHOTS {
            for name in shot.plates {
                let plate = plates().iter().find(|plate| plate.name == *name).unwrap();
                assert!(plate.frames.covers(shot.frames.widen(4)), "{name} for {}", shot.name);
            }
        }
    }

    #[test]
    fn timecode_counts_as_the_edit_does() {
        assert_eq!(timecode(1009), "00:00:42:01");
        assert_eq!(timecode(3600 * 24), "01:00:00:00");
    }

    #[test]
    fn the_look_leaves_black_and_middle_grey_in_place_and_never_folds() {
        assert!(look([0.0; 3]).iter().all(|v| *v < 1e-5));
        let grey = look([0.4136; 3]);
        assert!(grey.iter().all(|v| (v - 0.4136).abs() < 0.02));
        for i in 1..200 {
            let (a, b) = (look([(i - 1) as f32 / 199.0; 3]), look([i as f32 / 199.0; 3]));
            assert!((0..3).all(|c| b[c] >= a[c]), "at {i}");
        }
    }
}
