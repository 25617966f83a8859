//! Signs on the picture of two cuts: transitions on its strips, and the legend of everything.
//!
//! Knows what each is drawn as. Where strips and uses lie, the picture knows.

use super::{CAPITALS, GROUND, MOVED, RIBBON, ROW, SIDE, Sheet, Texture, USES, WRITING};
use crate::cut::compare::{Comparison, DISSOLVE, Side, Transition};

impl Sheet {
    /// A transition, as it is drawn on paper: what goes out gives way along a diagonal to what comes in, a whole one of a
    /// dissolve and a broken one of a wipe; of a fade the picture opens from black as a wedge, or closes to it.
    pub(super) fn transition(&mut self, side: &Side, transition: &Transition, [high, low]: [f64; 2]) {
        let [left, right] = [transition.at, transition.at + transition.frames].map(|frame| self.x(frame));
        let middle = (high + low) / 2.0;
        let goes = side.uses.iter().rposition(|used| match used.leaves {
            true => used.record.first == transition.at,
            false => used.record.last + 1 == transition.at,
        });
        let tone = goes.map_or(GROUND, |at| USES[at % 2]);
        let (fill, lines) = match (&transition.from, &transition.into) {
            (None, _) => (
                vec![
                    (vec![[left, high], [right, high], [left, middle]], GROUND),
                    (vec![[left, middle], [right, low], [left, low]], GROUND),
                ],
                vec![[[left, middle], [right, high]], [[left, middle], [right, low]]],
            ),
            (_, None) => (
                vec![
                    (vec![[left, high], [right, high], [right, low], [left, low]], GROUND),
                    (vec![[left, high], [right, middle], [left, low]], tone),
                ],
                vec![[[left, high], [right, middle]], [[left, low], [right, middle]]],
            ),
            _ => (
                vec![(vec![[left, high], [right, low], [left, low]], tone)],
                vec![[[left, high], [right, low]]],
            ),
        };
        for (outline, level) in fill {
            self.fill(outline, level, 1.0, Texture::Plain);
        }
        let dashes = if transition.kind == DISSOLVE { 1 } else { 4 };
        for line in lines {
            self.line(line, dashes);
        }
    }

    /// A line, whole or in so many dashes.
    fn line(&mut self, [from, to]: [[f64; 2]; 2], dashes: usize) {
        let along = |share: f64| [from[0] + (to[0] - from[0]) * share, from[1] + (to[1] - from[1]) * share];
        let length = (to[0] - from[0]).hypot(to[1] - from[1]).max(1e-6);
        // Half of its width, across it.
        let across = [-(to[1] - from[1]) / length, (to[0] - from[0]) / length];
        let parts = (2 * dashes - 1) as f64;
        for dash in 0..dashes {
            let [a, b] = [2 * dash, 2 * dash + 1].map(|part| along(part as f64 / parts));
            let beside = |p: [f64; 2], by: f64| [p[0] + across[0] * by, p[1] + across[1] * by];
            let outline = vec![beside(a, 1.0), beside(b, 1.0), beside(b, -1.0), beside(a, -1.0)];
            self.fill(outline, WRITING, 1.0, Texture::Plain);
        }
    }

    /// What everything in it means; of transitions those that are there.
    pub(super) fn legend(&mut self, comparison: &Comparison) {
        let mut at = [SIDE, f64::from(self.image.height()) - SIDE - 12.0 - 1.5 * ROW];
        for (words, ink, texture) in [
            ("in both cuts", None, Texture::Plain),
            ("only in the old cut", Some(GROUND), Texture::Struck),
            ("only in the new cut", Some(WRITING), Texture::Dotted),
        ] {
            let [x, y] = self.entry(&mut at, words);
            let sides = [x, y, x + MARK, y + 14.0];
            self.patch(sides, USES[1], Texture::Plain);
            if let Some(ink) = ink {
                self.patch(sides, ink, texture);
            }
        }
        for (words, level) in
            [("joins the same frames", RIBBON), ("joins the same frames, in another order", MOVED)]
        {
            let [x, y] = self.entry(&mut at, words);
            self.fill(slant([x, y]), level, 1.0, Texture::Plain);
        }
        let all = || comparison.old.transitions.iter().chain(&comparison.new.transitions);
        for sign in [Sign::Dissolve, Sign::Wipe, Sign::Fade].into_iter().filter(|s| all().any(|t| s.is_of(t)))
        {
            let [x, y] = self.entry(&mut at, sign.words());
            self.patch([x, y, x + MARK, y + 14.0], USES[1], Texture::Plain);
            let [left, right, high, low] = [x, x + MARK, y, y + 14.0];
            match sign {
                Sign::Fade => {
                    let middle = (high + low) / 2.0;
                    for corner in [high, low] {
                        let outline = vec![[left, corner], [right, corner], [left, middle]];
                        self.fill(outline, GROUND, 1.0, Texture::Plain);
                        self.line([[left, middle], [right, corner]], 1);
                    }
                }
                _ => {
                    self.fill(vec![[left, high], [right, low], [left, low]], USES[0], 1.0, Texture::Plain);
                    self.line([[left, high], [right, low]], if sign == Sign::Dissolve { 1 } else { 3 });
                }
            }
        }
    }

    /// Writes an entry's words, in the next row where this one has no room left, and gives the place of its mark.
    fn entry(&mut self, at: &mut [f64; 2], words: &str) -> [f64; 2] {
        let wide = MARK + 8.0 + self.wide(words, CAPITALS);
        if at[0] > SIDE && at[0] + wide > f64::from(self.image.width()) - SIDE {
            *at = [SIDE, at[1] + 1.5 * ROW];
        }
        let place = *at;
        self.write(words, [place[0] + MARK + 8.0, place[1] + 7.0 + CAPITALS / 2.0], CAPITALS, WRITING);
        at[0] += wide + 28.0;
        place
    }
}

/// Width of a mark of the legend.
const MARK: f64 = 34.0;

/// A piece of a ribbon, as a mark of the legend.
fn slant([x, y]: [f64; 2]) -> Vec<[f64; 2]> {
    vec![[x, y], [x + MARK - 14.0, y], [x + MARK, y + 14.0], [x + 14.0, y + 14.0]]
}

/// What a transition is drawn as.
#[derive(Clone, Copy, PartialEq)]
enum Sign {
    Dissolve,
    Wipe,
    Fade,
}

impl Sign {
    fn is_of(self, transition: &Transition) -> bool {
        let is_fade = transition.from.is_none() || transition.into.is_none();
        match self {
            Self::Fade => is_fade,
            Self::Dissolve => !is_fade && transition.kind == DISSOLVE,
            Self::Wipe => !is_fade && transition.kind != DISSOLVE,
        }
    }

    fn words(self) -> &'static str {
        match self {
            Self::Dissolve => "dissolve",
            Self::Wipe => "wipe",
            Self::Fade => "fade from black or to it",
        }
    }
}
