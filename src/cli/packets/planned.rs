//! What a packet would hold, told before it is written.

use serde_json::Value;

use crate::cli::arguments::packets::Handout;
use crate::cli::show;
use crate::project::packets::handing::HandedOut;
use crate::report::words;

/// Says what a person would find in it, how large it would be, and where it would lie.
pub fn say(handed: &HandedOut, options: &Handout) {
    for of in &handed.contents {
        let frames = if of.frames.is_empty() { String::new() } else { format!(" {}", of.frames) };
        flow!("  {}{frames}: {}", show::clean(&of.path), show::clean(&of.says));
    }
    let form = if options.zip || options.shared { "zip" } else { "folder" };
    let sent = if options.shared { ", which would be put into the shared store too" } else { "" };
    flow!(
        "{}, {}, as a {form} in {}{sent}; nothing was written",
        words::count(handed.files, "file"),
        words::bytes(handed.bytes),
        handed.place.display()
    );
}

/// What a person finds in it, for programs.
pub fn json(handed: &HandedOut) -> Vec<Value> {
    let one = |of: &crate::project::packets::handing::Content| {
        let frames = Some(&of.frames).filter(|frames| !frames.is_empty());
        serde_json::json!({ "path": of.path, "frames": frames, "says": of.says })
    };
    handed.contents.iter().map(one).collect()
}
