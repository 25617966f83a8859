//! One HTML file that shows the whole film: its strip, its shots, where the hours went, what people said of it.
//!
//! Knows the parts of the page and their order. The file holds its style, its program and its pictures, and asks nobody for
//! anything: its own rules for browsers forbid it. Pure; `project::paging` finds out what is shown, `serve` keeps it live.

mod charts;
mod desk;
mod lists;
mod packed;
mod ribbons;
mod shots;
pub mod strip;
mod textures;
pub mod values;

use base64::Engine as _;
use base64::engine::general_purpose::STANDARD;
use maud::{DOCTYPE, Markup, PreEscaped, html};
use sha2::{Digest as _, Sha256};

use crate::report::page::values::{Page, Spent};
use crate::report::states::Counts;
use crate::report::words;

const STYLE: &str = include_str!("page.css");
const PROGRAM: &str = include_str!("page.js");
const LIVE: &str = include_str!("live.js");

/// Who made the page, as it says of itself.
const GENERATOR: &str = "Endboard page";

/// True of a file that was written here, and may be written over.
pub fn is_own(text: &str) -> bool {
    let head: String = text.chars().take(4096).collect();
    head.contains(&format!("name=\"generator\" content=\"{GENERATOR}\""))
}

/// How a page reaches its reader.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Way {
    /// As a file, which never changes.
    File,
    /// Served, and changed while it is looked at; with the number of this version.
    Live(u64),
}

/// A part of the page that can be replaced by a later one.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Part {
    /// The id of its element.
    pub id: String,
    /// The element.
    pub html: String,
}

/// The id of a shot's place on the page. Names of shots hold letters, digits and marks that an id may have; others are written
/// as their numbers.
pub fn anchor(shot: &str) -> String {
    let plain = |c: char| c.is_ascii_alphanumeric() || matches!(c, '-' | '_' | '.');
    let of = |c: char| if plain(c) { c.to_string() } else { format!("~{:x}", c as u32) };
    format!("shot-{}", shot.chars().map(of).collect::<String>())
}

/// So many frames as seconds: `2.0 s`, or `3 m 05 s`.
fn seconds(frames: u64, rate: f64) -> String {
    let seconds = frames as f64 / rate.max(1.0);
    if seconds < 60.0 {
        format!("{seconds:.1} s")
    } else {
        words::time(std::time::Duration::from_secs_f64(seconds))
    }
}

/// What a browser may do with the page: nothing but show what it holds and, where it is live, talk to whoever served it.
pub fn policy(way: &Way) -> String {
    let allowed = |text: &str| format!("'sha256-{}'", STANDARD.encode(Sha256::digest(text)));
    let style = allowed(&style());
    let program = allowed(&program(way));
    let (pictures, talks) = match way {
        Way::File => ("data:", "'none'"),
        Way::Live(_) => ("'self' data:", "'self'"),
    };
    format!(
        "default-src 'none'; img-src {pictures}; style-src {style}; script-src {program}; connect-src {talks}; \
         base-uri 'none'; form-action 'none'"
    )
}

fn style() -> String {
    format!("{STYLE}\n{}", textures::rules())
}

fn program(way: &Way) -> String {
    match way {
        Way::File => PROGRAM.to_string(),
        Way::Live(_) => format!("{PROGRAM}\n{LIVE}"),
    }
}

/// A heading, its id and what stands under it.
struct Section {
    id: &'static str,
    title: &'static str,
    inside: Markup,
}

/// The whole page as HTML.
pub fn html(page: &Page, way: &Way) -> String {
    let sections = sections(page, way);
    let version = if let Way::Live(version) = way { Some(*version) } else { None };
    let markup = html! {
        (DOCTYPE)
        html lang="en" {
            head {
                meta charset="utf-8";
                meta http-equiv="Content-Security-Policy" content=(policy(way));
                meta name="viewport" content="width=device-width, initial-scale=1";
                meta name="generator" content=(GENERATOR);
                meta name="color-scheme" content="light dark";
                meta name="referrer" content="no-referrer";
                title { (page.film) ": the film as it stands" }
                link rel="icon" href="data:,";
                style { (PreEscaped(style())) }
            }
            body data-version=[version] {
                (textures::patterns())
                a class="skip" href="#main" { "To the film" }
                (head(page))
                (contents(&sections))
                main id="main" tabindex="-1" {
                    @for section in &sections { (section_html(section)) }
                }
                footer { p { "Made by Endboard " (env!("CARGO_PKG_VERSION")) ". " (page.made) } }
                script { (PreEscaped(program(way))) }
            }
        }
    };
    markup.into_string()
}

/// Everything on the page that may change, piece by piece, in the order of the page.
pub fn parts(page: &Page, way: &Way) -> Vec<Part> {
    let mut parts = vec![Part { id: "head".into(), html: head(page).into_string() }];
    let sections = sections(page, way);
    parts.push(Part { id: "contents".into(), html: contents(&sections).into_string() });
    for section in &sections {
        let id = section.id;
        if id == "desk" {
            continue;
        }
        if id == "shots" {
            let one = |shot: &values::Shot| Part {
                id: anchor(&shot.name),
                html: shots::one(page, shot).into_string(),
            };
            parts.extend(page.shots.iter().map(one));
            continue;
        }
        if id == "film" && shots::is_long(page) {
            parts.push(Part { id: "film-says".into(), html: film_says(page).into_string() });
            parts.extend(strip::reels(page).map(|(id, reel)| Part { id, html: reel.into_string() }));
            continue;
        }
        parts.push(Part { id: id.into(), html: section_html(section).into_string() });
    }
    parts
}

fn section_html(section: &Section) -> Markup {
    html! {
        section id=(section.id) data-part aria-labelledby={ (section.id) "-t" } {
            h2 id={ (section.id) "-t" } { (section.title) }
            (section.inside)
        }
    }
}

fn head(page: &Page) -> Markup {
    let frames: u64 = page.pieces.iter().map(|piece| piece.length).sum();
    let (left, shown): (Vec<&values::Shot>, Vec<_>) = page.shots.iter().partition(|shot| shot.left_out);
    let [left_out, shots] = [left.len(), shown.len()].map(|count| words::count(count as u64, "shot"));
    let mut beside = Counts::default();
    left.iter().for_each(|shot| beside.add(Counts::of_all(&shot.stages)));
    html! {
        header id="head" data-part {
            p class="kind" { "The film as it stands" }
            h1 { (page.film) }
            p class="sum" {
                (shots) ", " (seconds(frames, page.rate)) ". "
                (ribbons::counted(page.counts))
            }
            @if !left.is_empty() {
                p class="sum" { "The cut leaves " (left_out) " out: " (ribbons::counted(beside)) }
            }
        }
    }
}

fn contents(sections: &[Section]) -> Markup {
    html! {
        nav id="contents" data-part aria-label="Parts of this page" {
            ul { @for section in sections { li { a href={ "#" (section.id) } { (section.title) } } } }
        }
    }
}

fn sections(page: &Page, way: &Way) -> Vec<Section> {
    let mut sections = vec![film(page)];
    let mut add = |id, title, inside| sections.push(Section { id, title, inside });
    if !page.next.is_empty() || !page.trouble.is_empty() {
        add("next", "What comes next", sentences(&page.next, &page.trouble));
    }
    if matches!(way, Way::Live(_)) {
        add("desk", "Approve, note, clock", desk::desk(page));
    }
    if !page.packets.is_empty() {
        add("packets", "Out with people", lists::packets(&page.packets));
    }
    if !page.notes.is_empty() {
        add("notes", "Notes", lists::notes(page));
    }
    if !page.approvals.is_empty() {
        add("approvals", "Approvals", lists::approvals(page));
    }
    match &page.findings {
        Some(found) => add("findings", "Findings", lists::findings(page, found)),
        None if page.is_uninspected => add("findings", "Findings", lists::uninspected()),
        None => {}
    }
    add("shots", "The shots", html! { div id="all-shots" { (shots::shots(page)) } });
    if !page.whole.is_empty() {
        add("whole", "Stages of the film as a whole", shots::ribbons(page, &page.whole));
    }
    if !page.hours.charts.is_empty() {
        add("hours", "Where the hours went", hours(&page.hours));
    }
    if let Some(of) = &page.forecast {
        let inside = html! {
            p id="forecast-q" { (charts::quantiles(of)) }
            (sentences(&of.says, &[]))
            @if !of.unknown.is_empty() {
                h3 { "What this does not know" }
                (sentences(&of.unknown, &[]))
            }
            (charts::distribution(of))
        };
        add("forecast", "When it will be done", inside);
    }
    if !page.deliveries.is_empty() {
        add("deliveries", "Deliveries", lists::deliveries(&page.deliveries));
    }
    sections
}

/// How the strip is to be read.
fn film_says(page: &Page) -> Markup {
    let order =
        if page.is_cut { "in the order of the cut" } else { "in the order in which they are declared" };
    html! {
        p class="says" id="film-says" data-part {
            "Its shots " (order) "; each shot's width follows its length, except for very short and very long ones. Beneath each picture \
             lie the ribbons of its stages, first stage on top."
        }
    }
}

fn film(page: &Page) -> Section {
    let inside = html! {
        (film_says(page))
        (ribbons::legend())
        a class="skip" href="#after-film" { "Past the strip" }
        (strip::strip(page))
        div id="after-film" tabindex="-1" {}
    };
    Section { id: "film", title: "The film", inside }
}

/// A sentence, with what it has between backticks as code.
fn worded(text: &str) -> Markup {
    let is_paired = text.matches('`').count().is_multiple_of(2);
    html! {
        @if is_paired {
            @for (n, part) in text.split('`').enumerate() { @if n % 2 == 1 { code { (part) } } @else { (part) } }
        } @else { (text) }
    }
}

fn sentences(first: &[String], then: &[String]) -> Markup {
    html! {
        @if !first.is_empty() { ul class="sentences" { @for says in first { li { (worded(says)) } } } }
        @if !then.is_empty() { ul class="sentences trouble" { @for says in then { li { (worded(says)) } } } }
    }
}

fn hours(spent: &Spent) -> Markup {
    html! {
        (sentences(&spent.says, &[]))
        div class="charts" {
            @for (n, chart) in spent.charts.iter().enumerate() { (charts::bars(chart, &format!("chart-{n}"))) }
        }
    }
}

#[cfg(test)]
mod tests;
