//! The mark by which a text that was written here is told from one that a person changed.
//!
//! Knows how a text says that it was written and how a change of it shows. Does not know what such texts are about.

use super::digest::Digest;

/// How the mark in a text begins.
pub const OPENING: &str = "Written by endboard, mark ";
/// What stands in a text in the mark's place until it is [`sealed`]: the opening, and zeros for its letters.
pub const PLACE: &str = "Written by endboard, mark 000000000000";
/// Letters of a mark.
const LETTERS: usize = PLACE.len() - OPENING.len();

/// A text with its mark in the place of the first [`PLACE`].
pub fn sealed(text: &str) -> String {
    text.replacen(PLACE, &format!("{OPENING}{}", mark(text)), 1)
}

/// True of a text that was [`sealed`] and that nobody changed since.
pub fn is_as_written(text: &str) -> bool {
    let Some(at) = text.find(OPENING) else { return false };
    let Some(found) = text.get(at + OPENING.len()..at + PLACE.len()) else { return false };
    mark(&format!("{}{PLACE}{}", &text[..at], &text[at + PLACE.len()..])) == found
}

/// The mark of a text in whose place zeros stand.
fn mark(text: &str) -> String {
    Digest::of(text.as_bytes()).to_string()[..LETTERS].to_string()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_change_anywhere_shows_and_zeros_elsewhere_stay() {
        let text = sealed(&format!("id 000000000000\n# {PLACE}.\nslope: 1\n"));
        assert!(text.starts_with("id 000000000000\n") && is_as_written(&text), "{text}");
        for changed in [text.replace("id", "no"), text.replace("slope", "power"), format!("{text}\n")] {
            assert!(!is_as_written(&changed), "{changed}");
        }
        for none in ["slope: 1\n", OPENING, "Written by endboard, mark 00000\u{e9}"] {
            assert!(!is_as_written(none), "{none}");
        }
    }
}
