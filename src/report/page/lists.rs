//! Findings, notes, approvals, packets and deliveries as lists.
//!
//! Knows their order and their words. Does not know who wrote them.

use maud::{Markup, html};

use crate::report::page::packed::entries;
use crate::report::page::values::{Approval, Finding, Findings, Note, Packet, Page};
use crate::report::page::{anchor, worded};
use crate::report::states::{Delivery, Passed};
use crate::report::words;

/// A place, which leads to its shot where the page has it.
fn place(page: &Page, shot: Option<&str>, text: &str) -> Markup {
    let known = shot.filter(|name| page.shots.iter().any(|shot| shot.name == **name));
    html! {
        @match known {
            Some(name) => a class="place" href={ "#" (anchor(name)) } { (text) },
            None => span class="place" { (text) },
        }
    }
}

/// What an inspection found.
pub fn findings(page: &Page, found: &Findings) -> Markup {
    let (earlier, now): (Vec<&Finding>, Vec<&Finding>) = found.all.iter().partition(|one| one.earlier);
    let listed = |all: &[&Finding]| entries(&all.iter().map(|one| finding(page, one)).collect::<Vec<_>>());
    html! {
        p { (worded(&found.of)) }
        @if found.all.is_empty() { p { "Nothing was found." } }
        @else if now.is_empty() { p { "Nothing of it is of the film as it is now." } }
        (listed(&now))
        @if !earlier.is_empty() {
            h3 { "Found on what was made anew since" }
            (listed(&earlier))
        }
        @for caution in &found.cautions { p class="caution" { (worded(caution)) } }
    }
}

/// What stands there before an inspection.
pub fn uninspected() -> Markup {
    html! { p class="caution" { "Not inspected yet: flashing and loudness are not known." } }
}

fn finding(page: &Page, Finding { weight, place: at, shot, says, .. }: &Finding) -> Markup {
    html! {
        li class={ "w-" (weight) } {
            strong { (weight) } " " (place(page, shot.as_deref(), at)) " " span class="says" { (worded(says)) }
        }
    }
}

/// A note; within a shot's own part, without `page`, its place leads nowhere.
fn note(page: Option<&Page>, note: &Note) -> Markup {
    html! {
        li class={ @if note.resolved.is_some() { "note done" } @else { "note" } } data-note=[note.resolved.is_none().then_some(&note.id)] {
            @match page {
                Some(page) => (place(page, Some(&note.shot), &note.place)),
                None => span class="place" { (note.place) },
            }
            " " q { (note.says) }
            " " span class="who" { (note.by) ", " (note.when) }
            @if let Some(resolved) = &note.resolved { " " span class="who" { "settled " (resolved) } }
        }
    }
}

fn approval(page: Option<&Page>, one: &Approval) -> Markup {
    html! {
        li class={ @if one.lapsed.is_empty() { "approval" } @else { "approval lapsed" } } {
            @match page {
                Some(page) => (place(page, Some(&one.shot), &one.place)),
                None => span class="place" { (one.place) },
            }
            " approved"
            @if !one.says.is_empty() { ": " q { (one.says) } }
            " " span class="who" { (one.by) ", " (one.when) }
            @if !one.in_doubt.is_empty() { " in doubt on " (one.in_doubt) ": stale, a rebuild decides" }
            @if !one.lapsed.is_empty() { " " strong class="lapses" { "lapsed on " (one.lapsed) ": the pixels changed" } }
            @if !one.lost.is_empty() { " without a render now on " (one.lost) }
        }
    }
}

/// Notes and approvals of one shot.
pub fn of_shot(notes: &[&Note], approvals: &[&Approval]) -> Markup {
    html! {
        @if !notes.is_empty() || !approvals.is_empty() {
            ul class="entries" {
                @for one in notes { (note(None, one)) }
                @for one in approvals { (approval(None, one)) }
            }
        }
    }
}

/// Notes of the whole film, open ones first.
pub fn notes(page: &Page) -> Markup {
    let open = page.notes.iter().filter(|note| note.resolved.is_none());
    let settled: Vec<&Note> = page.notes.iter().filter(|note| note.resolved.is_some()).collect();
    html! {
        (entries(&open.map(|one| note(Some(page), one)).collect::<Vec<_>>()))
        @if !settled.is_empty() {
            details {
                summary { (words::count(settled.len() as u64, "settled note")) }
                (entries(&settled.iter().map(|one| note(Some(page), one)).collect::<Vec<_>>()))
            }
        }
    }
}

/// Approvals of the whole film, lapsed ones first.
pub fn approvals(page: &Page) -> Markup {
    let (lapsed, hold): (Vec<&Approval>, Vec<&Approval>) =
        page.approvals.iter().partition(|one| !one.lapsed.is_empty());
    let all = lapsed.into_iter().chain(hold);
    entries(&all.map(|one| approval(Some(page), one)).collect::<Vec<_>>())
}

/// What is with whom.
pub fn packets(packets: &[Packet]) -> Markup {
    html! {
        ul class="entries" {
            @for Packet { name, person, places, due, late, says } in packets {
                li class=[late.then_some("late")] {
                    strong { (person) } " has " span class="place" { (places.join(", ")) }
                    @if !due.is_empty() { ", due " (due) @if *late { " " strong { "late" } } }
                    @if !says.is_empty() { ": " (says) }
                    " " span class="who" { "packet " (name) }
                }
            }
        }
    }
}

/// How deliveries stand.
pub fn deliveries(all: &[Delivery]) -> Markup {
    html! {
        ul class="entries" {
            @for Delivery { name, state, place, delivered_as_it_is, why } in all {
                li {
                    strong { (name) } ": " (state)
                    @if let Some(place) = place { ", in " span class="place" { (place) } }
                    @if !why.is_empty() { ": " (why.join("; ")) }
                    @for Passed { place, says } in delivered_as_it_is {
                        br; strong { "Delivered as it is: " } span class="place" { (place) } ": " (says)
                    }
                }
            }
        }
    }
}
