//! Words written into a print's picture, from templates with fields.
//!
//! Knows where words stand, what fields there are and how they are made readable. Does not know the film: who draws says
//! what the fields hold.

use crate::base::braces::{self, Piece};
use crate::base::digest::KeyHasher;
use crate::base::problem::{Problem, Problems, nearest};
use crate::base::value::Value;
use crate::media::image::Image;
use crate::operators::lettering::{Face, ink};
use crate::operators::shape::coverage::Window;

/// Where words may stand, and where that is: 0 for left and top, ½ for the middle, 1 for right and bottom.
const PLACES: [(&str, [f64; 2]); 6] = [
    ("top-left", [0.0, 0.0]),
    ("top", [0.5, 0.0]),
    ("top-right", [1.0, 0.0]),
    ("bottom-left", [0.0, 1.0]),
    ("bottom", [0.5, 1.0]),
    ("bottom-right", [1.0, 1.0]),
];

/// What a template may name.
pub const FIELDS: [&str; 6] = ["film", "shot", "stage", "frame", "film_frame", "timecode"];

/// Light of the writing: bright, and below the white that a monitor clips.
const LIGHT: f32 = 0.75;

/// Templates by place, and how they look.
#[derive(Clone, Debug, Default)]
pub struct BurnIn {
    /// Index in [`PLACES`] and the template.
    lines: Vec<(usize, String)>,
    /// Height of capitals, in percent of the picture's height.
    pub size: f64,
    /// Opacity of the dark ground under the words.
    pub ground: f64,
    /// Distance from the picture's sides, in percent of its width and height.
    pub margin: f64,
}

impl BurnIn {
    /// Reads templates.
    pub fn read(value: Option<&Value>, problems: &mut Problems) -> Self {
        let mut out = Self::default();
        let Some(value) = value else { return out };
        let Some(map) = value.map() else {
            let problem = value.wrong("words by place");
            problems
                .push(problem.help(
                    "write burn_in: { bottom-left: \"{shot} {frame}\", bottom-right: \"{timecode}\" }",
                ));
            return out;
        };
        for (key, value) in &map.entries {
            let Some(place) = PLACES.iter().position(|(name, _)| *name == key.text) else {
                let names = PLACES.map(|(name, _)| name);
                let problem = Problem::error(key.span, format!("'{}' is no place for words", key.text));
                problems.push(problem.help(format!("places: {}", names.join(", "))));
                continue;
            };
            match value.text() {
                Ok(text) if text.chars().count() > 200 => {
                    problems
                        .push(Problem::error(value.span, "words of a burn-in have at most 200 characters"));
                }
                Ok(text) => {
                    fault(text, value, problems);
                    out.lines.push((place, text.to_string()));
                }
                Err(problem) => problems.push(problem),
            }
        }
        // The order of drawing is that of places, not of writing.
        out.lines.sort();
        out
    }

    /// The templates' texts.
    pub fn texts(&self) -> impl Iterator<Item = &str> {
        self.lines.iter().map(|(_, text)| text.as_str())
    }

    /// The words of a frame by place; those that come out empty are left out.
    pub fn words(&self, field: impl Fn(&str) -> String) -> Vec<(usize, String)> {
        let filled = self.lines.iter().filter_map(|(place, text)| {
            let words = braces::fill(text, |name| Some(field(name))).ok()?;
            Some((*place, words.trim().to_string())).filter(|(_, words)| !words.is_empty())
        });
        filled.collect()
    }

    /// Feeds words and how they look.
    pub fn feed(&self, words: &[(usize, String)], key: &mut KeyHasher) {
        key.list(words.len());
        if words.is_empty() {
            return;
        }
        key.real(self.size).real(self.ground).real(self.margin);
        for (place, words) in words {
            key.text(PLACES[*place].0).text(words);
        }
    }

    /// Writes words into a picture. Where a line is wider than the picture has room for, it is made smaller.
    pub fn write(&self, image: &mut Image, words: &[(usize, String)], face: &Face) {
        let sides = [f64::from(image.width()), f64::from(image.height())];
        let margin = sides.map(|side| side * self.margin / 100.0);
        let window = ink::whole(image);
        for (place, words) in words {
            let [across, down] = PLACES[*place].1;
            let room = sides[0] - 2.0 * margin[0];
            let mut capitals = sides[1] * self.size / 100.0;
            // The ground reaches over half a capital beyond the words.
            let needs = face.width(words, face.size_of_capitals(capitals)) + capitals;
            capitals *= (room / needs).min(1.0);
            let size = face.size_of_capitals(capitals);
            let pad = (capitals * 0.5).round();
            let box_size = [face.width(words, size).ceil() + 2.0 * pad, capitals.ceil() + 2.0 * pad];
            // On whole pixels, so that the words look alike wherever they stand.
            let at = [0, 1].map(|i| {
                let share = [across, down][i];
                (margin[i] + share * (sides[i] - 2.0 * margin[i] - box_size[i])).round()
            });
            let ground = Window {
                x: at[0] as i64,
                y: at[1] as i64,
                width: box_size[0] as usize,
                height: box_size[1] as usize,
            };
            ink::darken(image, ground, self.ground as f32);
            let origin = [at[0] + pad, at[1] + pad + capitals.ceil()];
            ink::lay(image, &face.cover(words, size, origin, window), LIGHT);
        }
    }
}

/// Names what is wrong with a template.
fn fault(text: &str, value: &Value, problems: &mut Problems) {
    let pieces = match braces::pieces(text) {
        Ok(pieces) => pieces,
        Err(why) => return problems.push(Problem::error(value.span, why.to_string())),
    };
    for piece in pieces {
        let Piece::Name(name) = piece else { continue };
        if FIELDS.contains(&name) {
            continue;
        }
        let problem = Problem::error(value.span, format!("there is no field {{{name}}}"));
        problems.push(match nearest(name, FIELDS) {
            Some(near) => problem.help(format!("did you mean {{{near}}}?")),
            None => {
                problem.help(format!("fields: {}", FIELDS.map(|field| format!("{{{field}}}")).join(", ")))
            }
        });
    }
}
