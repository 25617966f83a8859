//! Ribbons on the page: the strip of a render's frames, first to last, as SVG, textured by state.
//!
//! Knows how runs of frames are placed; all lengths are shares of the whole, so that a ribbon is as wide as there is room and
//! its textures keep their shape. Does not know how states are found.

use maud::{Markup, html};

use crate::base::frames::FrameRange;
use crate::base::state::{FrameState, State};
use crate::report::page::textures::{of_state, sign};
use crate::report::ribbon::{self, SHOWN};
use crate::report::states::{Counts, Strip};

/// Where a stretch of frames lies in a whole, as two percentages: begin and width.
pub fn share(part: FrameRange, whole: FrameRange) -> (String, String) {
    let of = whole.len().max(1) as f64;
    let begin = (part.first - whole.first) as f64 / of;
    (percent(begin), percent(part.len() as f64 / of))
}

/// A share as a percentage with as few digits as place it to a thousandth of the whole.
pub fn percent(share: f64) -> String {
    let text = format!("{:.2}", share * 100.0);
    format!("{}%", text.trim_end_matches('0').trim_end_matches('.'))
}

/// Runs of a strip as rectangles at `top`, `height` pixels high.
pub fn runs(strip: &Strip, whole: FrameRange, top: u32, height: u32, told: bool) -> Markup {
    let seen = strip.runs.iter().map(|(range, state)| (range.meet(whole), *state));
    html! {
        @for (range, state) in seen.filter(|(range, _)| !range.is_empty()) {
            @let (x, width) = share(range, whole);
            rect class={ "f-" (of_state(state)) } x=(x) y=(top) width=(width) height=(height) {
                @if told && state != State::Fresh.into() { title { (range) ": " (state.legend()) } }
            }
        }
    }
}

/// A whole ribbon with its words for those who do not see it.
pub fn drawn(strip: &Strip, whole: FrameRange) -> Markup {
    let counts = Counts::of(&strip.runs).words();
    html! {
        svg class="ribbon" height="18" role="img" aria-label={ (strip.stage) ": " (said(strip)) } {
            title { (strip.stage) ": " (counts) }
            (runs(strip, whole, 0, 18, true))
        }
    }
}

/// Runs told one by one are at most so many; more are only counted.
const TOLD: usize = 12;

/// A ribbon in words: `1009-1020 fresh, 1021-1030 stale`.
pub fn said(strip: &Strip) -> String {
    let counts = Counts::of(&strip.runs);
    if counts.fresh == counts.total() || strip.runs.len() > TOLD {
        return counts.words();
    }
    let runs = strip.runs.iter().map(|(range, state)| format!("{range} {}", state.legend()));
    runs.collect::<Vec<_>>().join(", ")
}

/// Counts with the sign of each state before its number.
pub fn counted(counts: Counts) -> Markup {
    let some: Vec<FrameState> = SHOWN.into_iter().filter(|&state| counts.get(state) > 0).collect();
    html! {
        span class="counts" {
            @if some.is_empty() { span { "no frames" } }
            @for state in some {
                span { (sign(state)) " " (counts.get(state)) " " (state.word()) }
            }
        }
    }
}

/// The legend of all states.
pub fn legend() -> Markup {
    html! {
        ul class="legend" aria-label="What the textures mean" {
            @for state in ribbon::told() {
                li {
                    svg width="28" height="14" aria-hidden="true" focusable="false" {
                        rect class={ "f-" (of_state(state)) } width="28" height="14" {}
                    }
                    " " (sign(state)) " " (state.legend())
                }
            }
        }
    }
}

/// The frames that all these strips span together.
pub fn whole(strips: &[Strip]) -> FrameRange {
    let wholes = strips.iter().map(Strip::whole).filter(|range| !range.is_empty());
    wholes.reduce(FrameRange::hull).unwrap_or_else(FrameRange::none)
}
