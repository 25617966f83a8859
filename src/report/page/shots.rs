//! The shots one by one: their stages' ribbons, and pictures of their stages, before and after.
//!
//! Knows how a shot is laid out, and when a film is long. What a reader does with the pictures is `page.js`'s; without it they stand beside each other.

use maud::{Markup, html};

use crate::base::state::{FrameState, State};
use crate::report::page::packed::{TOGETHER, pack};
use crate::report::page::ribbons::{counted, drawn, whole};
use crate::report::page::values::{Approval, Note, Page, Picture, Shot};
use crate::report::page::{anchor, lists};
use crate::report::states::{Counts, Strip};

/// Films of more shots than this are long.
const OPEN: usize = 40;

/// True of a film whose page holds so much that it is drawn where a reader comes near; its shots are folded up.
pub fn is_long(page: &Page) -> bool {
    page.shots.len() > OPEN
}

/// All shots. Of a long film each has its name and its counts, and what is inside is packed.
pub fn shots(page: &Page) -> Markup {
    html! {
        @if is_long(page) {
            @for shots in page.shots.chunks(TOGETHER) {
                div class="group" {
                    @for shot in shots { (article(page, shot, None)) }
                    (pack(&html! { @for shot in shots { (inside(page, shot)) } }))
                }
            }
        } @else {
            @for shot in &page.shots { (one(page, shot)) }
        }
    }
}

/// A shot by itself, with all that is inside; its markup changes when anything of the shot does, and only then.
pub fn one(page: &Page, shot: &Shot) -> Markup {
    article(page, shot, Some(inside(page, shot)))
}

/// Notes and approvals of a shot.
fn said<'a>(page: &'a Page, shot: &Shot) -> (Vec<&'a Note>, Vec<&'a Approval>) {
    let notes = page.notes.iter().filter(|note| note.shot == shot.name).collect();
    (notes, page.approvals.iter().filter(|one| one.shot == shot.name).collect())
}

fn article(page: &Page, shot: &Shot, inside: Option<Markup>) -> Markup {
    let counts = Counts::of_all(&shot.stages);
    let unsettled = counts.fresh != counts.total();
    let asked = unsettled || said(page, shot).0.iter().any(|note| note.resolved.is_none());
    html! {
        article class="shot" id=(anchor(&shot.name)) data-part data-name=(shot.name) data-asks[asked] {
            details open[!is_long(page)] {
                summary {
                    h3 { (shot.name) }
                    " "
                    @if shot.left_out { span class="beside" { "left out by the cut" } " " }
                    @if is_long(page) { (counts.words()) } @else { (counted(counts)) }
                }
                @if let Some(inside) = inside { (inside) }
            }
        }
    }
}

/// What is told of a shot besides its counts.
fn inside(page: &Page, shot: &Shot) -> Markup {
    let (notes, approvals) = said(page, shot);
    html! {
        div class="inside" {
            (ribbons(page, &shot.stages))
            (pictures(&shot.pictures))
            (lists::of_shot(&notes, &approvals))
        }
    }
}

/// Stages as a list of ribbons; those without a frame in common have scales of their own.
pub fn ribbons(page: &Page, strips: &[Strip]) -> Markup {
    let apart = |a: &Strip, b: &Strip| a.whole().meet(b.whole()).is_empty();
    html! {
        ul class="stages" {
            @for together in strips.chunk_by(|a, b| !apart(a, b)) {
                @let whole = whole(together);
                @for strip in together {
                    @let counts = Counts::of(&strip.runs);
                    @let of = format!("{}/{}", strip.shot, strip.stage);
                    @let shown = page.shown.get(&of);
                    li data-of=[shown.map(|_| &of)] data-shown=[shown] {
                        span class="stage" { (strip.stage) }
                        (drawn(strip, whole))
                        (counted(counts))
                        @if let Some(first) = worst(strip) { span class="runs" { (first) } }
                    }
                }
                @if !whole.is_empty() { li class="ends" aria-hidden="true" { span { (whole.first) } span { (whole.last) } } }
            }
        }
    }
}

/// Frames that are neither fresh nor kept, as far as they have room.
fn worst(strip: &Strip) -> Option<String> {
    const TOLD: usize = 3;
    let settled = |state: FrameState| state.state == State::Fresh;
    let runs: Vec<String> = strip
        .runs
        .iter()
        .filter(|(range, state)| !settled(*state) && *range != strip.whole())
        .map(|(range, state)| format!("{range} {}", state.word()))
        .collect();
    let more =
        if runs.len() > TOLD { format!(" and {} more runs", runs.len() - TOLD) } else { String::new() };
    (!runs.is_empty()).then(|| format!("{}{more}", runs[..runs.len().min(TOLD)].join(", ")))
}

/// Pictures of stages.
fn pictures(pictures: &[Picture]) -> Markup {
    html! {
        @if !pictures.is_empty() {
            ul class="stills" aria-label="Pictures of the stages" {
                @for Picture { stage, frame, source, size } in pictures {
                    li {
                        figure {
                            img src=(source) width=(size.0) height=(size.1) loading="lazy" decoding="async"
                                alt={ (stage) ", frame " (frame) } data-stage=(stage);
                            figcaption { (stage) " " span class="frame" { (frame) } }
                        }
                    }
                }
            }
        }
    }
}
