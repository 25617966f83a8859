//! Selectors: which shots, stages and frames a person means.
//!
//! Knows the form `SHOT/STAGE@FRAMES` and globs of `*` and `?`. Does not know which shots and
//! stages a film has.

use std::fmt;
use std::str::FromStr;

use crate::base::frames::{BadFrames, FrameRange, FrameSet};

/// The most characters other than `*` that a glob may have.
pub const GLOB_LIMIT: usize = 127;

/// Why a text is not a selector or a glob.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum BadSelector {
    /// Nothing written.
    #[error("a selector is empty: write SHOT, SHOT/STAGE, SHOT/STAGE@FRAMES or @FRAMES")]
    Empty,
    /// A slash with nothing before or after it.
    #[error("'{0}' lacks a name beside its slash: * stands for any shot or any stage, such as */colour")]
    LacksName(String),
    /// More than one slash.
    #[error("'{0}' has more than one slash: a selector is SHOT/STAGE@FRAMES")]
    Slashes(String),
    /// The frames are not frames.
    #[error("'{text}' selects no frames after its @: {why}")]
    Frames {
        /// The selector.
        text: String,
        /// What is wrong.
        why: BadFrames,
    },
    /// A character that no name can have.
    #[error("'{text}' holds {what}, which no shot or stage has in its name; only * and ? stand for others")]
    Character {
        /// The text.
        text: String,
        /// The character, named.
        what: String,
    },
    /// Too long.
    #[error("a pattern of names has at most {GLOB_LIMIT} characters")]
    TooLong,
}

/// A pattern of names: `*` stands for any run of characters, also none, and `?` for exactly one.
///
/// Matching takes one step a character of the name whatever the pattern, because all ways that the
/// pattern could have got this far are carried along at once, one bit each.
#[derive(Clone, Debug, PartialEq, Eq, Hash)]
pub struct Glob {
    text: String,
    /// Bit `i`: a `*` stands before the pattern's character `i`.
    stars: u128,
    /// Bit `i`: the pattern's character `i` is `?`.
    any: u128,
    /// For each character named in the pattern, the places it stands at; sorted.
    places: Vec<(char, u128)>,
    /// The bit after the last character.
    end: u128,
}

impl Glob {
    /// Reads a pattern.
    ///
    /// # Errors
    /// When it is empty, too long, or holds a character that no name has.
    pub fn parse(text: &str) -> Result<Self, BadSelector> {
        if text.is_empty() {
            return Err(BadSelector::Empty);
        }
        let mut glob = Self { text: text.into(), stars: 0, any: 0, places: Vec::new(), end: 0 };
        let mut at = 0;
        for c in text.chars() {
            if c.is_whitespace() || c.is_control() || "/@[]{}\\,!".contains(c) {
                let what =
                    if c.is_whitespace() { "a space".into() } else { format!("'{}'", c.escape_default()) };
                return Err(BadSelector::Character { text: text.into(), what });
            }
            if c == '*' {
                glob.stars |= 1 << at;
                continue;
            }
            if at == GLOB_LIMIT {
                return Err(BadSelector::TooLong);
            }
            if c == '?' {
                glob.any |= 1 << at;
            } else {
                match glob.places.binary_search_by_key(&c, |&(c, _)| c) {
                    Ok(i) => glob.places[i].1 |= 1 << at,
                    Err(i) => glob.places.insert(i, (c, 1 << at)),
                }
            }
            at += 1;
        }
        glob.end = 1 << at;
        Ok(glob)
    }

    /// The pattern as written.
    pub fn text(&self) -> &str {
        &self.text
    }

    /// True when the pattern has neither `*` nor `?`, so that it names exactly one thing.
    pub fn is_plain(&self) -> bool {
        self.stars == 0 && self.any == 0
    }

    /// True when the whole name fits the pattern.
    pub fn matches(&self, name: &str) -> bool {
        let mut reached: u128 = 1;
        for c in name.chars() {
            let named = self.places.binary_search_by_key(&c, |&(c, _)| c).map_or(0, |i| self.places[i].1);
            reached = ((reached & (named | self.any)) << 1) | (reached & self.stars);
            if reached == 0 {
                return false;
            }
        }
        reached & self.end != 0
    }
}

impl fmt::Display for Glob {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.text)
    }
}

/// What a person asked for: `br030`, `br030/blades`, `br030/blades@1012-1019`, `br*/colour`,
/// `*/colour`, `br030@1012,1020-1030`, `@1012`.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Selector {
    text: String,
    shot: Option<Glob>,
    stage: Option<Glob>,
    frames: Option<FrameSet>,
}

/// The frames that a selector means of a stage it matches.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Chosen {
    /// All that the stage has.
    All,
    /// These, as far as the stage has them.
    Frames(FrameSet),
}

impl Chosen {
    /// The chosen frames of a stage that has `whole`.
    pub fn within(&self, whole: FrameRange) -> FrameSet {
        match self {
            Chosen::All => whole.into(),
            Chosen::Frames(set) => {
                let mut met = FrameSet::new();
                for run in set.runs() {
                    met.insert_range(run.meet(whole));
                }
                met
            }
        }
    }

    /// True when `frame` is meant.
    pub fn contains(&self, frame: i64) -> bool {
        match self {
            Chosen::All => true,
            Chosen::Frames(set) => set.contains(frame),
        }
    }
}

impl Selector {
    /// The text as written.
    pub fn text(&self) -> &str {
        &self.text
    }

    /// The pattern of shots; none means any.
    pub fn shot(&self) -> Option<&Glob> {
        self.shot.as_ref()
    }

    /// The pattern of stages; none means any.
    pub fn stage(&self) -> Option<&Glob> {
        self.stage.as_ref()
    }

    /// The frames; none means all.
    pub fn frames(&self) -> Option<&FrameSet> {
        self.frames.as_ref()
    }

    /// True when it means this shot, whatever the stage and the frames. Lists of cuts write names in capitals as well.
    pub fn names_shot(&self, shot: &str) -> bool {
        let small = shot.to_ascii_lowercase();
        self.shot.as_ref().is_none_or(|glob| glob.matches(shot) || glob.matches(&small))
    }

    /// True when it names one stage by its whole name.
    pub fn spells_stage(&self) -> bool {
        self.stage.as_ref().is_some_and(Glob::is_plain)
    }

    /// The frames meant of a shot's stage; `None` when that stage is not meant at all.
    pub fn matches(&self, shot: &str, stage: &str) -> Option<Chosen> {
        let fits = |glob: &Option<Glob>, name: &str| glob.as_ref().is_none_or(|glob| glob.matches(name));
        (fits(&self.shot, shot) && fits(&self.stage, stage))
            .then(|| self.frames.clone().map_or(Chosen::All, Chosen::Frames))
    }
}

impl FromStr for Selector {
    type Err = BadSelector;

    fn from_str(text: &str) -> Result<Self, BadSelector> {
        let text = text.trim();
        if text.is_empty() {
            return Err(BadSelector::Empty);
        }
        let (names, frames) = match text.split_once('@') {
            Some((names, frames)) => (names, Some(parse_frames(text, frames)?)),
            None => (text, None),
        };
        let (shot, stage) = match names.split_once('/') {
            Some((_, rest)) if rest.contains('/') => return Err(BadSelector::Slashes(text.into())),
            Some((shot, stage)) if shot.is_empty() || stage.is_empty() => {
                return Err(BadSelector::LacksName(text.into()));
            }
            Some((shot, stage)) => (Some(Glob::parse(shot)?), Some(Glob::parse(stage)?)),
            None if names.is_empty() => (None, None),
            None => (Some(Glob::parse(names)?), None),
        };
        Ok(Self { text: text.into(), shot, stage, frames })
    }
}

impl fmt::Display for Selector {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.text)
    }
}

/// Reads `1012-1019,1025`. Runs are sorted first, so that a long list in falling order stays cheap.
fn parse_frames(selector: &str, text: &str) -> Result<FrameSet, BadSelector> {
    let mut runs = text
        .split(',')
        .map(str::parse::<FrameRange>)
        .collect::<Result<Vec<_>, _>>()
        .map_err(|why| BadSelector::Frames { text: selector.into(), why })?;
    runs.sort_unstable();
    let mut set = FrameSet::new();
    for run in runs {
        set.insert_range(run);
    }
    Ok(set)
}

/// Several selectors together; no selector at all means everything.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Selection {
    /// The selectors.
    pub selectors: Vec<Selector>,
}

impl Selection {
    /// Reads several selectors and reports every one that is wrong.
    ///
    /// # Errors
    /// Why each wrong one is not a selector.
    pub fn parse<'a>(texts: impl IntoIterator<Item = &'a str>) -> Result<Self, Vec<BadSelector>> {
        let mut selectors = Vec::new();
        let mut wrong = Vec::new();
        for text in texts {
            match text.parse() {
                Ok(selector) => selectors.push(selector),
                Err(e) => wrong.push(e),
            }
        }
        if wrong.is_empty() { Ok(Self { selectors }) } else { Err(wrong) }
    }

    /// True when everything is meant.
    pub fn is_everything(&self) -> bool {
        self.selectors.is_empty()
    }

    /// The frames that any of the selectors means of a shot's stage; `None` when none does.
    pub fn matches(&self, shot: &str, stage: &str) -> Option<Chosen> {
        self.chosen(|selector| selector.matches(shot, stage))
    }

    /// True when any of the selectors means one of these frames of a shot, whatever the stage.
    pub fn takes(&self, shot: &str, frames: &FrameSet) -> bool {
        let is_meant = |selector: &Selector| {
            selector.names_shot(shot)
                && selector.frames.as_ref().is_none_or(|wanted| !wanted.meet(frames).is_empty())
        };
        self.is_everything() || self.selectors.iter().any(is_meant)
    }

    /// The frames that any of the selectors means, each as `of` has it.
    pub fn chosen(&self, of: impl Fn(&Selector) -> Option<Chosen>) -> Option<Chosen> {
        if self.is_everything() {
            return Some(Chosen::All);
        }
        let mut together: Option<FrameSet> = None;
        for selector in &self.selectors {
            match of(selector) {
                Some(Chosen::All) => return Some(Chosen::All),
                Some(Chosen::Frames(set)) => {
                    let sum = together.get_or_insert_with(FrameSet::new);
                    for &run in set.runs() {
                        sum.insert_range(run);
                    }
                }
                None => {}
            }
        }
        together.map(Chosen::Frames)
    }

    /// The selectors that match no shot and stage of `pairs`, so that a slip of the hand is not
    /// taken for "nothing to do".
    pub fn unmatched<'a>(&self, pairs: impl IntoIterator<Item = (&'a str, &'a str)>) -> Vec<&Selector> {
        let mut left: Vec<&Selector> = self.selectors.iter().collect();
        for (shot, stage) in pairs {
            if left.is_empty() {
                break;
            }
            left.retain(|selector| selector.matches(shot, stage).is_none());
        }
        left
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn selector(text: &str) -> Selector {
        text.parse().unwrap()
    }

    fn said(text: &str) -> String {
        text.parse::<Selector>().unwrap_err().to_string()
    }

    #[test]
    fn the_forms() {
        let frames = |text: &str| Some(Chosen::Frames(text.parse().unwrap()));
        for (text, shot, stage, want) in [
            ("br030", "br030", "blades", Some(Chosen::All)),
            ("br030", "br031", "blades", None),
            ("br030/blades", "br030", "blades", Some(Chosen::All)),
            ("br030/blades", "br030", "colour", None),
            ("br030/blades@1012-1019", "br030", "blades", frames("1012-1019")),
            ("br*/colour", "br120", "colour", Some(Chosen::All)),
            ("br*/colour", "sh120", "colour", None),
            ("*/colour", "x", "colour", Some(Chosen::All)),
            ("br0?0@1012,1009,1010", "br040", "roto", frames("1009-1010,1012")),
            ("@1012", "any", "thing", frames("1012")),
        ] {
            assert_eq!(selector(text).matches(shot, stage), want, "{text}");
            assert_eq!(selector(text).to_string(), text);
        }
    }

    #[test]
    fn errors_say_what_is_right() {
        assert_eq!(said(" "), "a selector is empty: write SHOT, SHOT/STAGE, SHOT/STAGE@FRAMES or @FRAMES");
        assert_eq!(
            said("/blades"),
            "'/blades' lacks a name beside its slash: * stands for any shot or any stage, such as */colour"
        );
        assert_eq!(said("a/b/c"), "'a/b/c' has more than one slash: a selector is SHOT/STAGE@FRAMES");
        assert_eq!(
            said("br030@"),
            "'br030@' selects no frames after its @: frames are written FIRST-LAST, such as 1001-1072, or one number"
        );
        assert_eq!(
            said("br030@1020-1010"),
            "'br030@1020-1010' selects no frames after its @: the last frame comes before the first"
        );
        assert_eq!(
            said("br[01]0"),
            "'br[01]0' holds '[', which no shot or stage has in its name; only * and ? stand for others"
        );
        assert_eq!(said(&"a".repeat(200)), "a pattern of names has at most 127 characters");
    }

    #[test]
    fn several_add_up() {
        let both = Selection::parse(["br030/blades@1012-1015", "*/blades@1016,1020", "zz"]).unwrap();
        assert_eq!(both.matches("br030", "blades"), Some(Chosen::Frames("1012-1016,1020".parse().unwrap())));
        assert_eq!(both.matches("br030", "colour"), None);
        let unmatched = both.unmatched([("br030", "blades"), ("br030", "colour")]);
        assert_eq!(unmatched.iter().map(|s| s.text()).collect::<Vec<_>>(), ["zz"]);
        assert_eq!(Selection::default().matches("a", "b"), Some(Chosen::All));
        assert_eq!(Selection::parse(["", "ok", "a//b"]).unwrap_err().len(), 2);
        let chosen = Chosen::Frames("1000-1005,1010".parse().unwrap());
        assert_eq!(chosen.within(FrameRange::new(1004, 1020)).to_string(), "1004-1005,1010");
    }

    /// The plain definition of the two signs, for comparison: exponential, so for short texts only.
    fn fits(pattern: &[char], name: &[char]) -> bool {
        match pattern {
            [] => name.is_empty(),
            ['*', rest @ ..] => (0..=name.len()).any(|skip| fits(rest, &name[skip..])),
            ['?', rest @ ..] => !name.is_empty() && fits(rest, &name[1..]),
            [c, rest @ ..] => name.first() == Some(c) && fits(rest, &name[1..]),
        }
    }

    #[test]
    fn the_longest_pattern_of_stars_still_matches() {
        let pattern = "*a".repeat(GLOB_LIMIT);
        let glob = Glob::parse(&pattern).unwrap();
        assert!(glob.matches(&"ba".repeat(GLOB_LIMIT)));
        assert!(!glob.matches(&"ba".repeat(GLOB_LIMIT - 1)));
        assert!(!glob.matches(&format!("{}c", "a".repeat(5000))));
    }

    proptest::proptest! {
        #[test]
        fn globs_mean_what_they_say(pattern in "[abé?*]{1,8}", name in "[abé]{0,9}") {
            let glob = Glob::parse(&pattern).unwrap();
            let chars = |text: &str| text.chars().collect::<Vec<_>>();
            proptest::prop_assert_eq!(glob.matches(&name), fits(&chars(&pattern), &chars(&name)));
        }

        #[test]
        fn no_text_panics(text in ".{0,40}", name in ".{0,20}") {
            if let Ok(selector) = text.parse::<Selector>() {
                let _ = selector.matches(&name, &name);
            }
        }
    }
}
