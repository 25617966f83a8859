//! The film as a strip of its shots in the order of its cut: pictures, and beneath them the ribbons of each shot's stages.
//!
//! Knows how wide a piece is drawn and where its pictures stand. Does not know how pictures are made.

use std::collections::HashMap;

use maud::{Markup, html};

use crate::base::frames::FrameRange;
use crate::report::page::packed::{TOGETHER, pack};
use crate::report::page::ribbons::{percent, runs};
use crate::report::page::shots::is_long;
use crate::report::page::values::{Page, Piece, Shot};
use crate::report::page::{anchor, seconds};
use crate::report::states::{Counts, Strip};

/// Height of a picture in the strip, and width that a whole one takes, in pixels.
pub const HIGH: u32 = 72;
/// See [`HIGH`].
pub const WIDE: u32 = 128;
/// The least and the greatest width of a piece: the least can be pressed by a finger.
const WIDTHS: (f64, f64) = (44.0, 1024.0);
/// What a piece of middling length should be wide.
const MIDDLING: f64 = 150.0;
/// Height of one ribbon in the strip, with the space beneath it.
const RIBBON: u32 = 6;
/// Pixels a frame, so that the middle one of all lengths comes out middling.
pub fn scale(pieces: &[Piece]) -> f64 {
    let mut lengths: Vec<u64> =
        pieces.iter().filter(|p| p.shot.is_some()).map(|piece| piece.length.max(1)).collect();
    lengths.sort_unstable();
    MIDDLING / lengths.get(lengths.len() / 2).copied().unwrap_or(1) as f64
}

/// Width of a piece in pixels.
pub fn width(piece: &Piece, scale: f64) -> u32 {
    (piece.length as f64 * scale).clamp(WIDTHS.0, WIDTHS.1).round() as u32
}

/// The whole strip.
pub fn strip(page: &Page) -> Markup {
    let draw = Draw::of(page);
    html! {
        div class="film" id="pieces" {
            @if is_long(page) {
                @for (_, reel) in reels(page) { (reel) }
            } @else {
                @for (told, part) in lengths(page) {
                    @if page.pieces.len() > TOGETHER { h3 class="reach" { (told) } }
                    ol class="strip" aria-label=(told) { @for piece in part { (draw.one(piece)) } }
                }
            }
        }
    }
}

/// Lengths of a long film's strip with their ids. Each leads to its shots by name; as a reader comes near, it is drawn.
pub fn reels(page: &Page) -> impl Iterator<Item = (String, Markup)> {
    let draw = Draw::of(page);
    lengths(page).enumerate().map(move |(n, (told, part))| {
        let id = format!("reel-{n}");
        let markup = html! {
            div class="reel" id=(id) data-part {
                h3 class="reach" { (told) }
                ol class="strip" aria-label=(told) {
                    @for piece in part {
                        li class="piece" {
                            @match shots_of(&draw.shots, piece) {
                                Some(shot) => a href={ "#" (anchor(&shot.name)) } { (shot.name) },
                                None => (piece.shot.as_deref().unwrap_or("black")),
                            }
                        }
                    }
                }
                (pack(&html! { @for piece in part { (draw.one(piece)) } }))
            }
        };
        (id, markup)
    })
}

/// The pieces, so many under one heading that a long film has places to go to, with its words.
fn lengths(page: &Page) -> impl Iterator<Item = (String, &[Piece])> {
    let several = page.pieces.len() > TOGETHER;
    page.pieces.chunks(TOGETHER).enumerate().map(move |(n, part)| {
        let first = n * TOGETHER + 1;
        let told = match several {
            true => format!("Pieces {first} to {}, from {}", first + part.len() - 1, part[0].at),
            false => "Pieces of the film in order".to_string(),
        };
        (told, part)
    })
}

/// What drawing a piece needs of the film.
struct Draw<'a> {
    shots: HashMap<&'a str, &'a Shot>,
    /// See [`scale`].
    scale: f64,
    /// Stages of the shot that has most.
    stages: u32,
    rate: f64,
}

impl<'a> Draw<'a> {
    fn of(page: &'a Page) -> Self {
        Self {
            shots: page.shots.iter().map(|shot| (&*shot.name, shot)).collect(),
            scale: scale(&page.pieces),
            stages: page.shots.iter().map(|shot| shot.stages.len()).max().unwrap_or(0) as u32,
            rate: page.rate,
        }
    }

    fn one(&self, piece: &Piece) -> Markup {
        one(piece, shots_of(&self.shots, piece), width(piece, self.scale), self.stages, self.rate)
    }
}

fn shots_of<'a>(shots: &HashMap<&str, &'a Shot>, piece: &Piece) -> Option<&'a Shot> {
    piece.shot.as_deref().and_then(|name| shots.get(name).copied())
}

fn one(piece: &Piece, shot: Option<&Shot>, width: u32, stages: u32, rate: f64) -> Markup {
    let long = seconds(piece.length, rate);
    html! {
        li class="piece" {
            @match (&piece.shot, shot) {
                (Some(name), Some(shot)) => {
                    a href={ "#" (anchor(name)) } data-shot=(name) {
                        (picture(piece, shot, width, stages))
                        span class="name" { (name) }
                        " " span class="long" { (long) }
                        span class="aside" { ", " (piece_words(piece, shot)) }
                    }
                }
                (name, _) => {
                    span class="black" {
                        svg width=(width) height=(high(stages)) aria-hidden="true" focusable="false" {
                            rect class="unlit" width="100%" height=(HIGH) {}
                        }
                        span class="name" { (name.as_deref().unwrap_or("black")) } " " span class="long" { (long) }
                    }
                }
            }
        }
    }
}

fn high(stages: u32) -> u32 {
    HIGH + 6 + stages * RIBBON
}

/// Frames of a piece.
fn frames(piece: &Piece, shot: &Shot) -> FrameRange {
    piece.frames.unwrap_or_else(|| super::ribbons::whole(&shot.stages))
}

/// Counts of the frames that a piece shows, in words.
fn piece_words(piece: &Piece, shot: &Shot) -> String {
    let whole = frames(piece, shot);
    let cut = |strip: &Strip| {
        let runs = strip.runs.iter().map(|(range, state)| (range.meet(whole), *state));
        let runs = runs.filter(|(range, _)| !range.is_empty()).collect();
        Strip { shot: strip.shot.clone(), stage: strip.stage.clone(), runs }
    };
    let strips: Vec<Strip> = shot.stages.iter().map(cut).collect();
    Counts::of_all(&strips).words()
}

/// Pictures side by side as on a strip of film, and the ribbons beneath.
fn picture(piece: &Piece, shot: &Shot, width: u32, stages: u32) -> Markup {
    let whole = frames(piece, shot);
    let count = piece.pictures.len() as f64;
    html! {
        svg width=(width) height=(high(stages)) aria-hidden="true" focusable="false" {
            rect class="unlit" width="100%" height=(HIGH) {}
            @for (n, source) in piece.pictures.iter().enumerate() {
                image href=(source) x=(percent(n as f64 / count)) width=(percent(1.0 / count)) height=(HIGH)
                    preserveAspectRatio="xMidYMid slice" {}
            }
            @for (n, strip) in shot.stages.iter().enumerate() {
                (runs(strip, whole, HIGH + 6 + n as u32 * RIBBON, RIBBON - 1, false))
            }
        }
    }
}

/// How many pictures have room side by side in a piece of this width.
pub fn room(width: u32) -> usize {
    (f64::from(width) / f64::from(WIDE)).round().max(1.0) as usize
}
