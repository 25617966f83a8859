//! Keys that are given in words: `NAME=NUMBERS@FRAME`.
//!
//! Knows which places and frames can be meant. Does not know how things are followed from them.

use std::collections::HashSet;

use crate::base::frames::{FRAME_LIMIT, FrameRange};
use crate::operators::shape::motion::way_round;
use crate::operators::track::course::Key;
use crate::operators::track::sheet::{self, Sheet, Thing};

/// What a thing is that is followed.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Kind {
    /// A place.
    Point,
    /// A flat patch.
    Plane,
    /// A rod.
    Rod,
}

impl Kind {
    /// `point`, `plane` or `rod`.
    pub fn word(self) -> &'static str {
        match self {
            Kind::Point => "point",
            Kind::Plane => "plane",
            Kind::Rod => "rod",
        }
    }

    /// The numbers of a key as they are written.
    pub fn form(self) -> &'static str {
        match self {
            Kind::Point => "X,Y",
            Kind::Plane => "X,Y,X,Y,X,Y,X,Y",
            Kind::Rod => "X,Y,X,Y",
        }
    }

    /// What the numbers are of.
    fn numbers(self) -> &'static str {
        match self {
            Kind::Point => "X,Y",
            Kind::Plane => "the four corners' X,Y,X,Y,X,Y,X,Y from the top left one round",
            Kind::Rod => "the base's and the tip's X,Y,X,Y",
        }
    }
}

/// Texts of keys, by what they are of.
#[derive(Clone, Debug, Default)]
pub struct Seeds {
    /// Places.
    pub points: Vec<String>,
    /// Flat patches.
    pub planes: Vec<String>,
    /// Rods.
    pub rods: Vec<String>,
}

/// Where things are followed.
#[derive(Clone, Copy, Debug)]
pub struct Ground<'a> {
    /// `SHOT/STAGE`.
    pub place: &'a str,
    /// Its frames that are followed.
    pub frames: FrameRange,
    /// Width and height of a frame.
    pub size: (u32, u32),
}

impl Seeds {
    /// Puts all keys into a sheet, and gives the things that they are of.
    ///
    /// # Errors
    /// Every text that cannot be meant, a line each.
    pub fn sow(&self, sheet: &mut Sheet, ground: Ground<'_>) -> Result<Vec<(Kind, String)>, String> {
        let (mut named, mut wrong) = (Vec::new(), self.doubled(sheet));
        let mut take = |kind, one: Result<String, String>| match one {
            Ok(name) => named.push((kind, name)),
            Err(words) => wrong.push(words),
        };
        let (point, plane, rod) = (Kind::Point, Kind::Plane, Kind::Rod);
        self.points.iter().for_each(|text| take(point, set(&mut sheet.points, text, point, ground)));
        self.planes.iter().for_each(|text| take(plane, set(&mut sheet.planes, text, plane, ground)));
        self.rods.iter().for_each(|text| take(rod, set(&mut sheet.rods, text, rod, ground)));
        if wrong.is_empty() { Ok(named) } else { Err(wrong.join("\n")) }
    }
}

impl Seeds {
    /// The text of a shapes file with all keys that can be meant, wherever and whenever they are.
    pub fn as_file(&self) -> String {
        let (mut sheet, frames) = (Sheet::default(), FrameRange::new(-FRAME_LIMIT, FRAME_LIMIT));
        // What cannot be meant is told when it is sown for good.
        let _ = self.sow(&mut sheet, Ground { place: "", frames, size: (u32::MAX, u32::MAX) });
        sheet::put("", &sheet).unwrap_or_default()
    }

    /// Texts of points and planes that one name would stand for, here or in the file: both move shapes, by their names. Rods
    /// have names of their own.
    fn doubled(&self, sheet: &Sheet) -> Vec<String> {
        let given = |texts: &[String]| -> Vec<String> {
            texts.iter().filter_map(|text| Some(text.split_once('=')?.0.to_string())).collect()
        };
        fn there<const N: usize>(things: &[Thing<N>]) -> impl Iterator<Item = String> + '_ {
            things.iter().map(|thing| thing.name.clone())
        }
        let kinds = [
            ("point", &self.points, there(&sheet.points).chain(given(&self.points)).collect::<HashSet<_>>()),
            ("plane", &self.planes, there(&sheet.planes).chain(given(&self.planes)).collect()),
        ];
        let mut wrong = Vec::new();
        for (kind, texts, _) in &kinds {
            for (text, name) in texts.iter().filter_map(|text| Some((text, text.split_once('=')?.0))) {
                let others = kinds.iter().filter(|(other, _, names)| other != kind && names.contains(name));
                wrong.extend(others.map(|(other, _, _)| {
                    format!("'{text}': '{name}' names a {other} too; give the {kind} another name")
                }));
            }
        }
        wrong
    }
}

/// Words that YAML takes for something else than a name.
const NO_NAMES: [&str; 3] = ["null", "true", "false"];

/// Takes a key from `NAME=NUMBERS@FRAME`, or only the name of a thing whose keys stand in the file.
fn set<const N: usize>(
    things: &mut Vec<Thing<N>>,
    text: &str,
    kind: Kind,
    ground: Ground<'_>,
) -> Result<String, String> {
    let wrong = |why: String| Err(format!("'{text}': {why}"));
    let Some((name, rest)) = text.split_once('=') else {
        return match things.iter().any(|thing| thing.name == *text) {
            true => Ok(text.to_string()),
            false => wrong(format!(
                "the file has no {} of that name; give it a key, {text}={}@FRAME",
                kind.word(),
                kind.form()
            )),
        };
    };
    let fine = |c: char| c.is_ascii_alphanumeric() || c == '-' || c == '_';
    if name.is_empty() || name.len() > 64 || !name.chars().all(fine) {
        return wrong("a name is of letters, digits, - and _, at most 64 of them".into());
    }
    if NO_NAMES.iter().any(|word| name.eq_ignore_ascii_case(word)) {
        return wrong(format!("'{name}' is no name in a shapes file; give another one"));
    }
    let Some((list, frame)) = rest.rsplit_once('@') else {
        return wrong("the key's frame is missing: …@FRAME".into());
    };
    let Ok(frame) = frame.trim().parse::<i64>() else {
        return wrong(format!("'{frame}' is not a frame number"));
    };
    let number = |text: &str| text.trim().parse().ok().filter(|n: &f64| n.abs() <= 1e6);
    let list: Option<Vec<f64>> = list.split(',').map(number).collect();
    let Some(at) = list.and_then(|list| <[f64; N]>::try_from(list).ok()) else {
        return wrong(format!("{} are wanted: {N} numbers with commas between", kind.numbers()));
    };
    if !ground.frames.contains(frame) {
        return wrong(format!(
            "{frame} is not among the frames that are followed: {}@{}",
            ground.place, ground.frames
        ));
    }
    if let Some(why) = fault(&at, ground.size) {
        return wrong(why);
    }
    let index = things.iter().position(|thing| thing.name == name).unwrap_or_else(|| {
        things.push(Thing { name: name.into(), keys: Vec::new() });
        things.len() - 1
    });
    let keys = &mut things[index].keys;
    match keys.iter().position(|key| key.frame == frame) {
        Some(i) if keys[i].sure.is_none() && keys[i].at != at => {
            return wrong(format!(
                "the file has a key of {name} at {frame} that was set by hand; change or remove it there"
            ));
        }
        Some(i) => keys[i] = Key { frame, at, sure: None },
        None => keys.push(Key { frame, at, sure: None }),
    }
    keys.sort_by_key(|key| key.frame);
    Ok(name.to_string())
}

/// Why nothing can be followed from a place, whatever the picture shows.
fn fault<const N: usize>(at: &[f64; N], (width, height): (u32, u32)) -> Option<String> {
    let (w, h) = (f64::from(width), f64::from(height));
    let inside = |x: f64, y: f64| (0.0..=w).contains(&x) && (0.0..=h).contains(&y);
    if let Ok(corners) = <[f64; 8]>::try_from(&at[..])
        && way_round(&corners).is_none()
    {
        return Some(
            "these corners make no flat patch: they cross over, lie in a line or enclose nothing; give them in this order: \
             top left, top right, bottom right, bottom left"
                .into(),
        );
    }
    let middle = [0, 1].map(|i| at.iter().skip(i).step_by(2).sum::<f64>() / (N / 2) as f64);
    let shows = inside(middle[0], middle[1]) || at.chunks(2).any(|p| inside(p[0], p[1]));
    (!shows).then(|| format!("it lies outside the frame, which is {width}x{height}"))
}
