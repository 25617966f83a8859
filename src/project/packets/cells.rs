//! Tables as spreadsheets save them → rows of cells (RFC 4180), with the numbers of their lines.
//!
//! Knows in which bytes spreadsheets write text, and how they part cells. Does not know what a table says.

/// A table.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Table {
    /// Its rows, without empty ones.
    pub rows: Vec<Cells>,
    /// The line where a quote opens that is never closed.
    pub open: Option<usize>,
}

impl Table {
    /// Of a text. Cells are parted as its first line says, `sep=;`, where a spreadsheet wrote one, or else by what its heads are
    /// parted by.
    pub fn of(text: &str) -> Self {
        let text = text.trim_start_matches('\u{feff}');
        let (head, rest) = text.split_once('\n').unwrap_or((text, ""));
        let (rows, open) = match told(head) {
            Some(part) => cells(rest, part, 2),
            None => {
                let parts = [',', ';', '\t'].into_iter().max_by_key(|&c| head.matches(c).count());
                cells(text, parts.unwrap_or(','), 1)
            }
        };
        Self { rows, open }
    }
}

/// What parts cells, where a line says so: what follows `sep=`.
fn told(line: &str) -> Option<char> {
    let line = line.trim_end_matches('\r').trim_matches('"');
    let (name, part) = line.split_at_checked(4)?;
    let mut all = part.chars();
    let part = all.next().filter(|&c| !c.is_alphanumeric() && c != '"')?;
    // Other columns that a spreadsheet left empty.
    (name.eq_ignore_ascii_case("sep=") && all.all(|c| c == part)).then_some(part)
}

/// The text of a file: UTF-8, or UTF-16 where its first two bytes say so (Unicode 16.0, chapter 23.8, byte order mark).
///
/// # Errors
/// The line of the first byte that is none, and why.
pub fn decoded(bytes: &[u8]) -> Result<String, (usize, &'static str)> {
    let wide = |unit: fn([u8; 2]) -> u16| -> Result<String, (usize, &'static str)> {
        let (pairs, mut text) = (bytes[2..].chunks_exact(2), String::new());
        let is_whole = pairs.remainder().is_empty();
        for c in char::decode_utf16(pairs.map(|pair| unit([pair[0], pair[1]]))) {
            text.push(c.map_err(|_| (line_of(&text), "has half a letter of UTF-16"))?);
        }
        match is_whole {
            true => Ok(text),
            false => Err((line_of(&text), "breaks off within a letter of UTF-16")),
        }
    };
    match bytes {
        [0xff, 0xfe, ..] => wide(u16::from_le_bytes),
        [0xfe, 0xff, ..] => wide(u16::from_be_bytes),
        _ => match std::str::from_utf8(bytes) {
            Ok(text) if text.contains('\0') => {
                let before = text.split('\0').next().unwrap_or("");
                Err((line_of(before), "has a byte 0, as of UTF-16 without its mark"))
            }
            Ok(text) => Ok(text.to_string()),
            Err(wrong) => {
                let before = String::from_utf8_lossy(&bytes[..wrong.valid_up_to()]);
                Err((line_of(&before), "has a letter that is not UTF-8"))
            }
        },
    }
}

/// The number of the line on which what follows a text stands.
fn line_of(before: &str) -> usize {
    before.matches('\n').count() + 1
}

/// A row of a table, with the number of the line that it begins on.
pub type Cells = (usize, Vec<String>);

/// The rows of a text whose first line has this number, and the line where a quote opens that is never closed.
fn cells(text: &str, part: char, first: usize) -> (Vec<Cells>, Option<usize>) {
    let (mut rows, mut row, mut cell) = (Vec::new(), Vec::new(), String::new());
    let (mut quoted, mut line, mut begin, mut opened) = (false, first, first, first);
    let mut chars = text.chars().peekable();
    let mut end = |row: &mut Vec<String>, cell: &mut String, begin: usize| {
        row.push(std::mem::take(cell));
        let row = std::mem::take(row);
        if row.iter().any(|cell| !cell.trim().is_empty()) {
            rows.push((begin, row));
        }
    };
    while let Some(c) = chars.next() {
        match c {
            '"' if quoted && chars.peek() == Some(&'"') => {
                chars.next();
                cell.push('"');
            }
            '"' if quoted => quoted = false,
            '"' if cell.trim().is_empty() => (quoted, opened) = (true, line),
            '\n' | '\r' if !quoted => {
                if c == '\r' && chars.peek() == Some(&'\n') {
                    chars.next();
                }
                end(&mut row, &mut cell, begin);
                line += 1;
                begin = line;
            }
            c if c == part && !quoted => row.push(std::mem::take(&mut cell)),
            c => {
                line += usize::from(c == '\n');
                cell.push(c);
            }
        }
    }
    end(&mut row, &mut cell, begin);
    (rows, quoted.then_some(opened))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn utf16(text: &str, bytes: fn(u16) -> [u8; 2]) -> Vec<u8> {
        std::iter::once(0xfeff).chain(text.encode_utf16()).flat_map(bytes).collect()
    }

    #[test]
    fn a_text_is_the_same_in_whatever_bytes_it_came() {
        let text = "date;note\r\n5.12.;brüchig 🪵\r\n";
        assert_eq!(decoded(text.as_bytes()).as_deref(), Ok(text));
        assert_eq!(decoded(&utf16(text, u16::to_le_bytes)).as_deref(), Ok(text));
        assert_eq!(decoded(&utf16(text, u16::to_be_bytes)).as_deref(), Ok(text));
        assert_eq!(Table::of(&format!("\u{feff}{text}")), Table::of(text));
        assert_eq!(decoded(b"").as_deref(), Ok(""));
    }

    #[test]
    fn what_is_no_text_is_told_by_its_line() {
        // As a spreadsheet saves the letters of one country, eight bits each.
        assert_eq!(decoded(b"date\nbr\xfcchig\n"), Err((2, "has a letter that is not UTF-8")));
        let mut odd = utf16("a\nb", u16::to_le_bytes);
        odd.push(0);
        assert_eq!(decoded(&odd), Err((2, "breaks off within a letter of UTF-16")));
        let half = utf16("a\n\nb", u16::to_le_bytes).into_iter().chain([0, 0xd8]).collect::<Vec<_>>();
        assert_eq!(decoded(&half), Err((3, "has half a letter of UTF-16")));
        let bare: Vec<u8> = "date\n".encode_utf16().flat_map(u16::to_le_bytes).collect();
        assert_eq!(decoded(&bare), Err((1, "has a byte 0, as of UTF-16 without its mark")));
    }

    #[test]
    fn a_first_line_may_say_what_parts_cells() {
        let rows = |text: &str| Table::of(text).rows;
        let want = vec![(2, vec!["a,b".to_string(), "c".to_string()])];
        for first in ["sep=;", "SEP=;", "\"sep=;\"", "sep=;\r", "sep=;;;;"] {
            assert_eq!(rows(&format!("{first}\na,b;c\n")), want, "{first}");
        }
        assert_eq!(rows("sep=\t\na,b\tc"), want);
        // A note may begin so.
        assert_eq!(rows("sep=x,y\n"), [(1, vec!["sep=x".to_string(), "y".to_string()])]);
        assert_eq!(Table::of("a\n\"b").open, Some(2));
    }

    proptest::proptest! {
        #[test]
        fn no_bytes_make_it_panic(bytes in proptest::collection::vec(proptest::num::u8::ANY, 0..80)) {
            for mark in [&[][..], &[0xff, 0xfe], &[0xfe, 0xff]] {
                let _ = decoded(&[mark, &bytes].concat()).map(|text| Table::of(&text));
            }
        }
    }
}
