//! The shots one by one: their stages' ribbons, and pictures of their stages, before and after.
//!
//! Knows how a shot is laid out. What a reader does with the pictures is `page.js`'s; without it they stand beside each other.

use maud::{Markup, html};

use crate::base::state::{FrameState, State};
use crate::report::page::ribbons::{counted, ribbon, whole};
use crate::report::page::values::{Approval, Note, Page, Picture, Shot};
use crate::report::page::{anchor, lists};
use crate::report::states::{Counts, Strip};

/// Films of more shots than this have them folded up.
const OPEN: usize = 40;

/// All shots.
pub fn shots(page: &Page) -> Markup {
    html! {
        @for shot in &page.shots { (one(page, shot)) }
    }
}

/// A shot by itself; its markup changes when anything of the shot does, and only then.
pub fn one(page: &Page, shot: &Shot) -> Markup {
    let counts = Counts::of_all(&shot.stages);
    let unsettled = counts.fresh != counts.total();
    let notes: Vec<&Note> = page.notes.iter().filter(|note| note.shot == shot.name).collect();
    let approvals: Vec<&Approval> = page.approvals.iter().filter(|one| one.shot == shot.name).collect();
    let asked = unsettled || notes.iter().any(|note| note.resolved.is_none());
    html! {
        article class="shot" id=(anchor(&shot.name)) data-part data-name=(shot.name) data-asks[asked] {
            details open[page.shots.len() <= OPEN] {
                summary {
                    h3 { (shot.name) }
                    " " (counted(counts))
                }
                div class="inside" {
                    (stages(shot))
                    (pictures(&shot.pictures))
                    (lists::of_shot(&notes, &approvals))
                }
            }
        }
    }
}

/// A shot's stages as a list of ribbons on one scale.
pub fn stages(shot: &Shot) -> Markup {
    ribbons(&shot.stages)
}

/// Stages as a list of ribbons; those without a frame in common have scales of their own.
pub fn ribbons(strips: &[Strip]) -> Markup {
    let apart = |a: &Strip, b: &Strip| a.whole().meet(b.whole()).is_empty();
    html! {
        ul class="stages" {
            @for together in strips.chunk_by(|a, b| !apart(a, b)) {
                @let whole = whole(together);
                @for strip in together {
                    @let counts = Counts::of(&strip.runs);
                    li {
                        span class="stage" { (strip.stage) }
                        (ribbon(strip, whole))
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
