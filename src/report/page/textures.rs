//! Textures of frame states and of kinds of time: SVG patterns, and the signs that go with them.
//!
//! Knows how each is drawn. Their inks are the ribbons' own; a state's texture draws the sign that stands for it in a terminal.
//! Does not know where they are used.

use maud::{Markup, html};

use crate::base::state::{FrameState, State};
use crate::report::page::values::Kind;
use crate::report::ribbon;

/// The name of a state's texture.
pub fn of_state(shown: FrameState) -> &'static str {
    match shown.state {
        State::Fresh if shown.held => "fresh-held",
        State::Fresh => "fresh",
        State::Stale if shown.is_held() => "held",
        State::Stale => "stale",
        State::Absent => "absent",
        State::Out => "out",
        State::Failed => "failed",
        State::Blocked => "blocked",
    }
}

/// A state's sign in its ink, as in a terminal's legend; not read aloud, as the word stands beside it.
pub fn sign(shown: FrameState) -> Markup {
    html! { span class={ "sign s-" (of_state(shown)) } aria-hidden="true" { (ribbon::sign(shown, false)) } }
}

/// Style rules that give every texture to whatever has its class, and every sign its ink.
pub fn rules() -> String {
    let hex = |shown| ribbon::ink(shown).rgb.iter().map(|code| format!("{code:02x}")).collect::<String>();
    let mut rules = String::new();
    for shown in ribbon::told() {
        let (name, ink) = (of_state(shown), hex(shown));
        rules += &format!(".f-{name}{{fill:url(#t-{name})}}.s-{name},#t-{name}{{color:#{ink}}}\n");
    }
    for kind in Kind::ALL {
        let name = kind.texture();
        rules += &format!(".f-{name}{{fill:url(#t-{name})}}\n");
    }
    rules
}

/// One texture: a tile of so many pixels, with a wash of the ink below what `drawn` puts into it.
fn tile(name: &str, side: u32, wash: bool, drawn: &Markup) -> Markup {
    html! {
        pattern id={ "t-" (name) } width=(side) height=(side) patternUnits="userSpaceOnUse" {
            @if wash { rect class="wash" width=(side) height=(side) {} }
            (drawn)
        }
    }
}

/// A part of a tile in its ink.
fn path(d: &str) -> Markup {
    html! { path d=(d) fill="currentColor" {} }
}

/// A line of a tile in its ink.
fn line(d: &str, width: &str) -> Markup {
    html! { path d=(d) fill="none" stroke="currentColor" stroke-width=(width) {} }
}

/// All textures, to stand once at the start of a page's body.
pub fn patterns() -> Markup {
    html! {
        svg class="textures" width="0" height="0" aria-hidden="true" focusable="false" {
            defs {
                (tile("fresh", 8, false, &path("M0 0H8V8H0Z")))
                (tile("fresh-held", 8, false, &path("M0 0H8V4H4V8H0Z")))
                (tile("stale", 4, true, &path("M0 0H2V2H0ZM2 2H4V4H2Z")))
                (tile("held", 6, true, &path("M0 0H6V3H0Z")))
                (tile("absent", 6, true, &path("M0 4H6V5H0Z")))
                (tile("out", 10, true, &line("M-2 12L12 -2M-2 2L2 -2M8 12L12 8", "3")))
                (tile("failed", 8, true, &line("M0 0L8 8M8 0L0 8", "2")))
                (tile("blocked", 6, true, &path("M0 0H3V6H0Z")))
                (tile("people-first", 8, false, &path("M0 0H8V8H0Z")))
                (tile("people-rework", 6, true, &line("M-1 7L7 -1M-1 1L1 -1M5 7L7 5", "2")))
                (tile("people", 4, true, &path("M0 0H4V2H0Z")))
                (tile("machine-first", 8, false, &path("M0 0H8V8H0Z")))
                (tile("machine-rework", 6, true, &line("M-1 7L7 -1M-1 1L1 -1M5 7L7 5", "2")))
                (tile("machine-failed", 8, true, &line("M0 0L8 8M8 0L0 8", "2")))
            }
        }
    }
}
