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
    say(format_args!("{}", flowing(&text.to_string(), console_width(&std::io::stdout()))));
}

/// Lines as a terminal so wide shows them, or whole where there is none.
fn flowing(text: &str, columns: Option<usize>) -> String {
    let Some(width) = columns.map(within) else { return format!("{text}\n") };
    let mut out = String::new();
    text.split('\n').for_each(|line| lines::hang(&mut out, line, width));
    out
}

fn ended(written: std::io::Result<()>) {
    if let Err(error) = written {
        if error.kind() == std::io::ErrorKind::BrokenPipe {
            std::process::exit(super::Exit::Done as i32);
        }
        tell(format_args!("endboard: the standard output could not be written: {error}"));
        std::process::exit(super::Exit::System as i32);
    }
}

/// Writes lines that may be long to the standard error, if it can be. On a terminal each goes on beneath itself.
pub fn tell(text: Arguments<'_>) {
    tell_so(format_args!("{}", flowing(&text.to_string(), console_width(&std::io::stderr()))));
}

/// Writes to the standard error, if it can be, just as it is.
pub fn tell_so(text: Arguments<'_>) {
    let _ = anstream::stderr().lock().write_fmt(text);
}

/// Takes what stands on the terminal's line away, such as a bar of progress.
pub fn clear_line() {
    if std::io::IsTerminal::is_terminal(&std::io::stderr()) {
        tell_so(format_args!("\r\x1b[K"));
    }
}

/// Tells a problem with its place, its line and what would be right. Only sentences go on beneath themselves: the line stays as it
/// is written.
pub fn tell_problem(sources: &Sources, of: &Problem) {
    tell_so(format_args!("{}", problem(sources, of, console_width(&std::io::stderr()))));
}

/// The same, as an answer.
pub fn say_problem(sources: &Sources, of: &Problem) {
    say(format_args!("{}", problem(sources, of, console_width(&std::io::stdout()))));
}

fn problem(sources: &Sources, problem: &Problem, columns: Option<usize>) -> String {
    let mut out = String::new();
    let place = problem.span.map_or(String::new(), |span| format!("{}: ", sources.place(span)));
    let word = match problem.severity {
        Severity::Error => "error".bold().to_string(),
        Severity::Warning => "warning".italic().to_string(),
    };
    out += &flowing(&format!("{place}{word}: {}", clean(&problem.message)), columns);
    if let Some(span) = problem.span {
        snippet(&mut out, sources, span, "");
    }
    if let Some((span, words)) = &problem.related {
        snippet(&mut out, sources, *span, words);
    }
    if let Some(help) = &problem.help {
        out += &flowing(&format!("      {} {}", "→".dimmed(), clean(help)), columns);
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
    let width = within(console_width(&std::io::stdout()).unwrap_or(100));
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

/// Columns of the terminal that a stream goes to, or those that are asked for.
fn console_width(stream: &impl std::os::fd::AsFd) -> Option<usize> {
    if let Some(columns) = std::env::var("COLUMNS").ok().and_then(|c| c.parse().ok()) {
        return Some(columns);
    }
    rustix::termios::tcgetwinsize(stream).ok().map(|size| usize::from(size.ws_col)).filter(|&w| w > 0)
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
