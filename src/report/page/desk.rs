//! Where a person approves, notes and clocks, on a page that is served.
//!
//! Knows the forms and the names of what they send. Does not know who may send it: `serve` asks for the token.

use maud::{Markup, html};

use crate::report::page::values::Page;

/// The stages that something can be said of, first come first.
fn stages(page: &Page) -> Vec<&str> {
    let mut all: Vec<&str> = Vec::new();
    for strip in page.shots.iter().flat_map(|shot| &shot.stages) {
        if !all.contains(&&*strip.stage) {
            all.push(&strip.stage);
        }
    }
    all
}

/// The forms. They work by the page's program, which holds the token.
pub fn desk(page: &Page) -> Markup {
    html! {
        p class="says" id="desk-lead" {
            "What is written here goes into the film's ledger under the name of whoever started this page, or the name that is given. \
             An approval or a note without frames is of those that the film shows."
        }
        div class="token" id="token-ask" {
            label for="token" { "Token" }
            input id="token" type="password" autocomplete="off" spellcheck="false" aria-describedby="token-says";
            span id="token-says" { "It stands at the end of the address that " code { "endboard serve" } " printed." }
        }
        form id="desk-form" {
            // Filled by the page's program, which has the names already.
            datalist id="known-shots" {}
            datalist id="known-stages" { @for stage in stages(page) { option value=(stage) {} } }
            div class="fields" {
                (field("shot", "Shot", "known-shots", true))
                (field("stage", "Stage", "known-stages", true))
                (field("frames", "Frames, where not all", "", false))
                (field("person", "Who", "", false))
                (field("says", "In words", "", false))
                (field("took", "Time, such as 1h30m", "", false))
            }
            div class="does" role="group" aria-label="What to write down" {
                button type="submit" name="does" value="note" { "Note" }
                button type="submit" name="does" value="approve" { "Approve" }
                button type="submit" name="does" value="begin" { "Start the clock" }
                button type="submit" name="does" value="stop" { "Stop the clock" }
                button type="submit" name="does" value="worked" { "Add time" }
                button type="submit" name="does" value="rebuild" { "Rebuild the film" }
            }
        }
        p id="desk-answer" role="status" aria-live="polite" {}
    }
}

fn field(name: &str, label: &str, list: &str, wanted: bool) -> Markup {
    html! {
        div {
            label for={ "desk-" (name) } { (label) }
            input id={ "desk-" (name) } name=(name) list=[(!list.is_empty()).then_some(list)] autocomplete="off"
                spellcheck=(if name == "says" { "true" } else { "false" }) required[wanted];
        }
    }
}
