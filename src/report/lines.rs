//! Sentences → lines of a width.
//!
//! Knows where a line may be broken: at spaces, but neither between a number and its unit, nor within a time such as `3 h 10 m`, nor
//! within a command that is to be copied. Colours, and whatever else only commands a terminal, take no room. The only code that breaks lines.

/// Appends a sentence in lines of at most `width` characters. What is too long for a line by itself stands whole on its own.
pub fn wrap(out: &mut String, text: &str, width: usize) {
    fold(out, text, ["", ""], width);
}

/// Appends a line; where it is longer than `width` characters, it goes on in lines that begin four characters further in.
pub fn hang(out: &mut String, line: &str, width: usize) {
    let begins = line.len() - line.trim_start_matches(' ').len();
    // What begins far to the right would have no room to go on in.
    let first = " ".repeat(begins.min(width / 2));
    fold(out, line.trim_start_matches(' '), [&first, &format!("{first}    ")], width);
}

/// Appends a text in lines that begin with `begins`, the first and the others.
pub fn fold(out: &mut String, text: &str, begins: [&str; 2], width: usize) {
    let [first, next] = begins.map(wide);
    let room = width.saturating_sub(next).max(1);
    out.push_str(begins[0]);
    let (mut column, mut is_begun) = (first, false);
    for chunk in chunks(text).into_iter().flat_map(|chunk| parted(chunk, room)) {
        let Chunk { text, is_joined } = chunk;
        let gap = usize::from(is_begun && !is_joined);
        if is_begun && column + gap + wide(&text) > width {
            out.truncate(out.trim_end_matches(' ').len());
            out.push('\n');
            out.push_str(begins[1]);
            (column, is_begun) = (next, false);
        } else if gap > 0 {
            out.push(' ');
            column += 1;
        }
        let text = if is_begun { &*text } else { text.trim_start_matches(' ') };
        out.push_str(text);
        column += wide(text);
        is_begun = is_begun || !text.is_empty();
    }
    out.push('\n');
}

/// What stays together in a line.
struct Chunk {
    text: String,
    /// It follows what is before it without a space.
    is_joined: bool,
}

fn chunks(text: &str) -> Vec<Chunk> {
    let mut chunks: Vec<Chunk> = Vec::new();
    let is_paired = text.matches('`').count().is_multiple_of(2);
    let (mut is_number, mut is_command, mut is_time) = (false, false, false);
    for word in text.split(' ') {
        match chunks.last_mut() {
            // What follows a time's hours is its minutes, when it is a number.
            Some(chunk) if is_number || is_command || (is_time && counts(word)) => {
                chunk.text.push(' ');
                chunk.text.push_str(word);
            }
            _ => chunks.push(Chunk { text: word.into(), is_joined: false }),
        }
        is_command ^= is_paired && word.matches('`').count() % 2 == 1;
        is_time = is_number && ["d", "h", "m"].contains(&word);
        is_number = word.is_empty() || word == "<" || counts(word);
    }
    chunks
}

/// Whether a word is a number, so that its unit follows.
fn counts(word: &str) -> bool {
    let number = word.trim_start_matches(['(', '+', '-']);
    number.starts_with(|c: char| c.is_ascii_digit())
        && number.bytes().all(|b| b.is_ascii_digit() || b == b'.')
}

/// What of a text a terminal takes as a command (ECMA-48, sections 5.3, 5.4 and 5.6).
#[derive(Clone, Copy, PartialEq, Eq)]
enum Takes {
    /// Nothing: it is shown.
    Nothing,
    /// What follows an escape.
    Escape,
    /// A sequence, such as one that sets colours; its end is the first character from `@` to `~`.
    Sequence,
    /// A string, such as an address behind words; a bell or an escape with a backslash ends it.
    String,
}

/// Columns that a text takes: what only commands a terminal, such as to set colours, takes none.
fn wide(text: &str) -> usize {
    let mut columns = 0;
    let mut takes = Takes::Nothing;
    for c in text.chars() {
        takes = match (takes, c) {
            (_, '\u{1b}') => Takes::Escape,
            (Takes::Nothing, _) => {
                columns += 1;
                Takes::Nothing
            }
            (Takes::Escape, '[') => Takes::Sequence,
            (Takes::Escape, ']' | 'P' | 'X' | '^' | '_') => Takes::String,
            // Some have a sign between the escape and their end.
            (Takes::Escape, ' '..='/') => Takes::Escape,
            (Takes::Escape, _) | (Takes::Sequence, '@'..='~') | (Takes::String, '\u{7}') => Takes::Nothing,
            (Takes::Sequence | Takes::String, _) => takes,
        };
    }
    columns
}

/// A list of frames that is longer than a line is parted after its commas.
fn parted(chunk: Chunk, room: usize) -> Vec<Chunk> {
    if wide(&chunk.text) <= room || chunk.text.contains('`') {
        return vec![chunk];
    }
    let pieces = chunk.text.split_inclusive(',').enumerate();
    pieces.map(|(n, text)| Chunk { text: text.into(), is_joined: n > 0 || chunk.is_joined }).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[track_caller]
    fn check(line: &str, width: usize, want: &[&str]) {
        let mut out = String::new();
        hang(&mut out, line, width);
        assert_eq!(out.lines().collect::<Vec<_>>(), want, "{out}");
    }

    #[test]
    fn a_line_goes_on_further_in() {
        check("short", 20, &["short"]);
        check("  br030  halo on the pole", 16, &["  br030  halo on", "      the pole"]);
        // A number keeps its unit, and a command stays whole so that it can be copied.
        check("stopped after 12 frames", 17, &["stopped after", "    12 frames"]);
        check(
            "say `endboard clock stop kdwz` to end it",
            24,
            &["say", "    `endboard clock stop kdwz`", "    to end it"],
        );
        check("it took 3 h 10 m of 4 hands", 14, &["it took", "    3 h 10 m", "    of 4 hands"]);
        check("a share of < 1 % of it", 13, &["a share of", "    < 1 % of", "    it"]);
        check("\u{1b}[1merror\u{1b}[0m: a word", 13, &["\u{1b}[1merror\u{1b}[0m: a word"]);
        check("a ` alone is a sign", 12, &["a ` alone is", "    a sign"]);
        check("", 20, &[""]);
    }

    #[test]
    fn what_commands_a_terminal_takes_no_room() {
        for (text, columns) in [
            ("\u{1b}[1;38;2;60;136;180mlamp\u{1b}[0m", 4),
            ("\u{1b}[2Klamp\u{1b}[3G\u{1b}[?25l", 4),
            ("\u{1b}[1 qlamp\u{1b}[K", 4),
            ("\u{1b}]8;;https://salt.example/\u{1b}\\lamp\u{1b}]8;;\u{7} m", 6),
            ("\u{1b}Pmany\u{1b}\\lamp\u{1b}(B", 4),
            ("mlamp [m", 8),
            ("lamp\u{1b}", 4),
        ] {
            assert_eq!(wide(text), columns, "{text:?}");
        }
        let line = "\u{1b}[2Ka lamp \u{1b}[1Klit \u{1b}]8;;x:y\u{7}at night";
        check(line, 12, &["\u{1b}[2Ka lamp \u{1b}[1Klit", "    \u{1b}]8;;x:y\u{7}at night"]);
    }

    #[test]
    fn a_long_list_of_frames_is_parted_after_commas() {
        check(
            "  br030/colour@1001,1003-1004,1006,1010 lapsed",
            24,
            &["  br030/colour@1001,", "      1003-1004,1006,", "      1010 lapsed"],
        );
        check("x 1001,1003 y", 11, &["x 1001,1003", "    y"]);
    }

    proptest::proptest! {
        #[test]
        fn nothing_is_lost_and_no_line_is_too_wide(text in "[a-z0-9,`(. -]{0,120}", width in 12_usize..60) {
            let mut out = String::new();
            hang(&mut out, &text, width);
            let plain = |text: &str| text.chars().filter(|c| !c.is_whitespace()).collect::<String>();
            assert_eq!(plain(&out), plain(&text));
            let longest = text.split([' ', ',']).map(str::len).max().unwrap_or(0);
            for line in out.lines().filter(|line| !line.contains('`')) {
                // A number and what follows it stay together, however long both are.
                let is_one = !line.trim_start().contains([' ', ',']) || line.contains(|c: char| c.is_ascii_digit());
                assert!(line.len() <= width || is_one || line.len() <= longest + 5 + width / 2, "{line}");
            }
        }
    }
}
