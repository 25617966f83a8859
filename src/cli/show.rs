//! How things look on a terminal: problems with their lines, coloured pieces, widths.

use crate::base::said::turns;
use std::fmt::{Arguments, Write};
use std::io::Write as _;

use owo_colors::OwoColorize;

use crate::base::problem::{Problem, Severity, Sources, Span};
use crate::report::lines;
use crate::report::ribbon::{self, Piece};
use crate::report::words::Look;

/// Writes to the standard output. A reader that has read enough, such as `head`, ends the program quietly; any
/// other refusal ends it with a word why.
pub fn say(text: Arguments<'_>) {
    ended(anstream::stdout().lock().write_fmt(text));
}

/// Writes lines that may be long. On a terminal each goes on beneath itself; in a file, or for another program, a line is a line.
pub fn flow(text: Arguments<'_>) {
    let text = text.to_string();
    let Some(width) = console_width().map(within) else { return say(format_args!("{text}\n")) };
    let mut out = String::new();
    text.split('\n').for_each(|line| lines::hang(&mut out, line, width));
    say(format_args!("{out}"));
}

fn ended(written: std::io::Result<()>) {
    if let Err(error) = written {
        if error.kind() == std::io::ErrorKind::BrokenPipe {
            std::process::exit(super::Exit::Done as i32);
        }
        tell(format_args!("endboard: the standard output could not be written: {error}\n"));
        std::process::exit(super::Exit::System as i32);
    }
}

/// Writes to the standard error, if it can be.
pub fn tell(text: Arguments<'_>) {
    let _ = anstream::stderr().lock().write_fmt(text);
}

/// Takes what stands on the terminal's line away, such as a bar of progress.
pub fn clear_line() {
    if std::io::IsTerminal::is_terminal(&std::io::stderr()) {
        tell(format_args!("\r\x1b[K"));
    }
}

/// A problem with its place, its line and what would be right.
pub fn problem(sources: &Sources, problem: &Problem) -> String {
    let mut out = String::new();
    let place = problem.span.map_or(String::new(), |span| format!("{}: ", sources.place(span)));
    let word = match problem.severity {
        Severity::Error => "error".bold().to_string(),
        Severity::Warning => "warning".italic().to_string(),
    };
    let _ = writeln!(out, "{place}{word}: {}", clean(&problem.message));
    if let Some(span) = problem.span {
        snippet(&mut out, sources, span, "");
    }
    if let Some((span, words)) = &problem.related {
        snippet(&mut out, sources, *span, words);
    }
    if let Some(help) = &problem.help {
        let _ = writeln!(out, "      {} {}", "→".dimmed(), clean(help));
    }
    out
}

/// Text of a person's file, without anything that could command a terminal or turn the order of what is read.
pub fn clean(text: &str) -> String {
    text.chars().map(|c| if c.is_control() && c != '\n' || turns(c) { '�' } else { c }).collect()
}

fn snippet(out: &mut String, sources: &Sources, span: Span, words: &str) {
    let (line, column) = sources.position(span);
    let text = &sources.get(span.source).text;
    let Some(whole) = text.lines().nth(line - 1) else { return };
    // Long lines are shown around the place only.
    let from = column.saturating_sub(60);
    let shown: String = whole.chars().skip(from).take(100).collect();
    let wide = text
        .get(span.start as usize..span.end as usize)
        .map_or(1, |t| t.lines().next().unwrap_or("").trim_end().chars().count());
    let marks = "^".repeat(wide.clamp(1, 100usize.saturating_sub(column - from - 1).max(1)));
    let _ = writeln!(out, "{line:>5} │ {}", clean(&shown));
    let _ = writeln!(out, "      │ {}{} {words}", " ".repeat(column - 1 - from), marks.bold());
}

/// Whether the standard output takes colours.
pub fn takes_colour() -> bool {
    anstream::stdout().current_choice() != anstream::ColorChoice::Never
}

/// Writes lines whose colours were left out where none are taken, so that nobody need look for them in a long text.
pub fn say_whole(text: &str) {
    if takes_colour() {
        say(format_args!("{text}"))
    } else {
        ended(std::io::stdout().lock().write_all(text.as_bytes()))
    }
}

/// Pieces of a ribbon as one line, with colours if they are taken.
pub fn pieces(pieces: &[Piece], in_colour: bool) -> String {
    let mut out = String::new();
    for piece in pieces {
        match piece.state.filter(|_| in_colour) {
            Some(state) => {
                let [r, g, b] = ribbon::ink(state).rgb;
                let _ = write!(out, "{}", piece.text.truecolor(r, g, b));
            }
            None => out.push_str(&piece.text),
        }
    }
    out
}

/// Layout for the terminal at hand.
pub fn look() -> Look {
    let width = within(console_width().unwrap_or(100));
    let ascii = ["LC_ALL", "LC_CTYPE", "LANG"]
        .iter()
        .find_map(|name| std::env::var(name).ok().filter(|v| !v.is_empty()));
    let ascii = ascii.is_some_and(|value| value == "C" || value == "POSIX");
    Look { width, ascii, ..Look::default() }
}

/// Columns that reports are laid out for.
fn within(columns: usize) -> usize {
    columns.clamp(40, 160)
}

fn console_width() -> Option<usize> {
    if let Some(columns) = std::env::var("COLUMNS").ok().and_then(|c| c.parse().ok()) {
        return Some(columns);
    }
    rustix::termios::tcgetwinsize(std::io::stdout())
        .ok()
        .map(|size| usize::from(size.ws_col))
        .filter(|&w| w > 0)
}

/// `one frame`, `12 frames`.
pub fn frames(n: usize) -> String {
    if n == 1 { "one frame".into() } else { format!("{n} frames") }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn nothing_commands_the_terminal() {
        assert_eq!(clean("a\u{1b}[31mb\u{202e}c\td\ne\u{7f}"), "a�[31mb�c�d\ne�");
    }
}
