//! Reads `.cube` look-up tables.
//!
//! Knows the text format (Cube LUT Specification 1.0, 2013) and the vendor variant that writes
//! `LUT_1D_INPUT_RANGE` and `LUT_3D_INPUT_RANGE` in place of `DOMAIN_MIN` and `DOMAIN_MAX`. Files come from
//! strangers: sizes are checked before memory is taken, which never exceeds a few times the file's own
//! size, and only finite numbers are accepted. Does not know interpolation.
//!
//! A file that gives both sizes holds a curve first and a table after it (the variant's order): all
//! entries of the curve, then all of the table. `DOMAIN_*` and the 1D range are then the curve's input range, and the
//! table's is the 3D range or 0 to 1.

use std::sync::Arc;

use super::look::Look;
use super::step::Step;
use super::table::{Curves, Lattice};
use super::{conflict_in, problem_in};
use crate::base::problem::{Problems, nearest};
use crate::operators::Attachment;

/// The largest file that is read, in bytes.
pub const SIZE_LIMIT: usize = 1 << 30;
/// Problems after which reading stops.
const PROBLEM_LIMIT: usize = 20;
const KEYWORDS: [&str; 7] = [
    "TITLE",
    "LUT_1D_SIZE",
    "LUT_3D_SIZE",
    "DOMAIN_MIN",
    "DOMAIN_MAX",
    "LUT_1D_INPUT_RANGE",
    "LUT_3D_INPUT_RANGE",
];

/// Reads a file, or names what is wrong in it, each problem at its place.
pub fn read(file: &Attachment) -> Result<Look, Problems> {
    if file.bytes.len() > SIZE_LIMIT {
        return Err(vec![
            problem_in(file, 0, 0, "the file is too large for a look").help("at most 1 GiB is read"),
        ]);
    }
    if let Some(problem) = conflict_in(file) {
        return Err(vec![problem]);
    }
    let mut cube = Cube::empty(file);
    let bytes: &[u8] = &file.bytes;
    let mut start = if bytes.starts_with(b"\xef\xbb\xbf") { 3 } else { 0 };
    while start < bytes.len() && cube.problems.len() < PROBLEM_LIMIT {
        let length = bytes[start..].iter().position(|&b| b == b'\n').unwrap_or(bytes.len() - start);
        cube.line(&bytes[start..start + length], start);
        start += length + 1;
    }
    cube.finish()
}

/// A keyword's value and its place.
type Said<T> = Option<(T, usize, usize)>;

struct Cube<'a> {
    file: &'a Attachment,
    problems: Problems,
    size_1d: Said<usize>,
    size_3d: Said<usize>,
    domain_min: Said<[f64; 3]>,
    domain_max: Said<[f64; 3]>,
    range_1d: Said<[f64; 2]>,
    range_3d: Said<[f64; 2]>,
    rows: Vec<[f32; 3]>,
}

impl<'a> Cube<'a> {
    fn empty(file: &'a Attachment) -> Self {
        Self {
            file,
            problems: Problems::new(),
            size_1d: None,
            size_3d: None,
            domain_min: None,
            domain_max: None,
            range_1d: None,
            range_3d: None,
            rows: Vec::new(),
        }
    }

    fn error(&mut self, start: usize, end: usize, message: impl Into<String>, help: &str) {
        let problem = problem_in(self.file, start, end, message);
        self.problems.push(if help.is_empty() { problem } else { problem.help(help) });
    }

    /// Entries that the sizes promise.
    fn wanted(&self) -> usize {
        let of_lattice = self.size_3d.map_or(0, |(n, ..)| n * n * n);
        self.size_1d.map_or(0, |(n, ..)| n) + of_lattice
    }

    fn line(&mut self, line: &[u8], start: usize) {
        let skipped = line.iter().take_while(|b| b.is_ascii_whitespace()).count();
        let line = line.trim_ascii();
        let (start, end) = (start + skipped, start + skipped + line.len());
        let Some(&first) = line.first() else { return };
        if first == b'#' {
            return;
        }
        if first.is_ascii_alphabetic() && !is_word_for_a_number(line) {
            return self.keyword(line, start, end);
        }
        match numbers::<3>(line) {
            Ok(row) => self.row(row, start, end),
            Err((at, length, message)) => {
                self.error(
                    start + at,
                    start + at + length,
                    message,
                    "an entry is three numbers: red, green, blue",
                );
            }
        }
    }

    fn row(&mut self, row: [f64; 3], start: usize, end: usize) {
        let wanted = self.wanted();
        if wanted == 0 {
            // One problem says it: without a size nothing after this can be judged.
            if !self.problems.is_empty() {
                return;
            }
            return self.error(
                start,
                end,
                "an entry stands before the table's size",
                "LUT_3D_SIZE n or LUT_1D_SIZE n comes first",
            );
        }
        if self.rows.len() == wanted {
            self.error(start, end, format!("more entries than the {wanted} that the size promises"), "");
            // The rest of the file would repeat this for every line.
            self.problems.truncate(PROBLEM_LIMIT - 1);
            self.rows.push([0.0; 3]);
            return;
        }
        if self.rows.len() > wanted {
            return;
        }
        if self.rows.is_empty() {
            // An entry takes six bytes at least, so that a false size takes no more memory than the file could fill.
            self.rows.reserve_exact(wanted.min((self.file.bytes.len() - start) / 6 + 1));
        }
        let single = row.map(|v| v as f32);
        if single.iter().all(|v| v.is_finite()) {
            self.rows.push(single);
        } else {
            self.error(start, end, "the number is too large for single precision", "");
        }
    }

    fn keyword(&mut self, line: &[u8], start: usize, end: usize) {
        let length = line.iter().position(u8::is_ascii_whitespace).unwrap_or(line.len());
        let (word, rest) = line.split_at(length);
        let offset = start + length;
        if !self.rows.is_empty() {
            return self.error(
                start,
                end,
                "a keyword after the first entry",
                "keywords stand before the entries",
            );
        }
        match word {
            b"TITLE" => {}
            b"LUT_1D_SIZE" => {
                if let Some(size) = self.size(rest, offset, 65_536, self.size_1d.is_some()) {
                    self.size_1d = Some((size, start, end));
                }
            }
            b"LUT_3D_SIZE" => {
                if let Some(size) = self.size(rest, offset, 256, self.size_3d.is_some()) {
                    self.size_3d = Some((size, start, end));
                }
            }
            b"DOMAIN_MIN" => {
                let value = self.values(rest, offset, self.domain_min.is_some());
                self.domain_min = value.map(|v| (v, start, end)).or(self.domain_min);
            }
            b"DOMAIN_MAX" => {
                let value = self.values(rest, offset, self.domain_max.is_some());
                self.domain_max = value.map(|v| (v, start, end)).or(self.domain_max);
            }
            b"LUT_1D_INPUT_RANGE" => {
                let value = self.values(rest, offset, self.range_1d.is_some());
                self.range_1d = value.map(|v| (v, start, end)).or(self.range_1d);
            }
            b"LUT_3D_INPUT_RANGE" => {
                let value = self.values(rest, offset, self.range_3d.is_some());
                self.range_3d = value.map(|v| (v, start, end)).or(self.range_3d);
            }
            _ => {
                let word: String = String::from_utf8_lossy(word).chars().take(40).collect();
                let help = match nearest(&word, KEYWORDS) {
                    Some(near) => format!("did you mean {near}?"),
                    None => format!("known keywords: {}", KEYWORDS.join(", ")),
                };
                self.error(start, start + length, format!("'{word}' is not a keyword of this format"), &help);
            }
        }
    }

    fn size(&mut self, rest: &[u8], offset: usize, most: usize, again: bool) -> Option<usize> {
        let text = std::str::from_utf8(rest.trim_ascii()).unwrap_or("");
        let end = offset + rest.len();
        if again {
            self.error(offset, end, "this size is given twice", "keep one of them");
            return None;
        }
        match text.parse::<usize>() {
            Ok(size) if (2..=most).contains(&size) => Some(size),
            _ => {
                let shown: String = text.chars().take(40).collect();
                self.error(
                    offset,
                    end,
                    format!("'{shown}' cannot be a size"),
                    &format!("a whole number from 2 to {most}"),
                );
                None
            }
        }
    }

    fn values<const N: usize>(&mut self, rest: &[u8], offset: usize, again: bool) -> Option<[f64; N]> {
        if again {
            self.error(offset, offset + rest.len(), "this range is given twice", "keep one of them");
            return None;
        }
        match numbers::<N>(rest) {
            Ok(values) => Some(values),
            Err((at, length, message)) => {
                self.error(offset + at, offset + at + length, message, "");
                None
            }
        }
    }

    /// The input range of the curve or lattice, from the words that may give it.
    fn domain(&mut self, range: Said<[f64; 2]>, with_domain: bool) -> [[f64; 2]; 3] {
        let (min, max) = if with_domain { (self.domain_min, self.domain_max) } else { (None, None) };
        if let (Some((_, start, end)), Some(_)) = (range, min.or(max)) {
            self.error(
                start,
                end,
                "the input range is given in two ways",
                "keep DOMAIN_MIN and DOMAIN_MAX, or the range",
            );
        }
        let place = range.map(|(_, s, e)| (s, e)).or(max.or(min).map(|(_, s, e)| (s, e)));
        let domain: [[f64; 2]; 3] = match range {
            Some((range, ..)) => [range; 3],
            None => {
                let (low, high) = (min.map_or([0.0; 3], |(v, ..)| v), max.map_or([1.0; 3], |(v, ..)| v));
                std::array::from_fn(|c| [low[c], high[c]])
            }
        };
        let sound = |[low, high]: &[f64; 2]| low.abs() < 1e9 && high.abs() < 1e9 && high - low > 1e-9;
        if let Some((start, end)) = place.filter(|_| !domain.iter().all(sound)) {
            self.error(
                start,
                end,
                "the input range is empty or too large",
                "its end lies above its start, within a billion of 0",
            );
        }
        domain
    }

    fn finish(mut self) -> Result<Look, Problems> {
        let (size_1d, size_3d) = (self.size_1d.map(|(n, ..)| n), self.size_3d.map(|(n, ..)| n));
        if size_1d.is_none() && size_3d.is_none() && self.problems.is_empty() {
            self.error(0, 0, "the file gives no size", "LUT_3D_SIZE n or LUT_1D_SIZE n is wanted");
        }
        let (range_1d, range_3d) = (self.range_1d, self.range_3d);
        let curve_domain = size_1d.map(|_| self.domain(range_1d, true));
        let lattice_domain = size_3d.map(|_| self.domain(range_3d, size_1d.is_none()));
        for (range, size, name) in [(range_1d, size_1d, "LUT_1D"), (range_3d, size_3d, "LUT_3D")] {
            if let (Some((_, start, end)), None) = (range, size) {
                self.error(start, end, format!("an input range, but no {name}_SIZE"), "");
            }
        }
        let wanted = self.wanted();
        if self.rows.len() < wanted && self.problems.is_empty() {
            let end = self.file.bytes.len();
            let both =
                if size_1d.is_some() && size_3d.is_some() { " (the curve's and the table's)" } else { "" };
            self.error(
                end,
                end,
                format!("the file ends after {} of {wanted} entries{both}", self.rows.len()),
                "",
            );
        }
        if !self.problems.is_empty() {
            return Err(self.problems);
        }
        let (curve_rows, lattice_rows) = self.rows.split_at(size_1d.unwrap_or(0));
        let curves = curve_domain.map(|domain| Curves::new(domain, curve_rows));
        let lattice = lattice_domain.zip(size_3d).map(|(domain, n)| Lattice::new(domain, n, lattice_rows));
        let steps = curves.map(|curves| Step::Curves(Arc::new(curves))).into_iter();
        Ok(Look::new(steps.chain(lattice.map(|lattice| Step::Lattice(Arc::new(lattice)))).collect()))
    }
}

/// True of `nan`, `inf` and the like, which are bad numbers rather than keywords.
fn is_word_for_a_number(line: &[u8]) -> bool {
    let word = line.split(u8::is_ascii_whitespace).next().unwrap_or(line);
    [&b"nan"[..], b"inf", b"infinity"].iter().any(|w| word.eq_ignore_ascii_case(w))
}

/// Reads exactly `N` finite numbers, or says at which byte and over how many what is wrong.
fn numbers<const N: usize>(line: &[u8]) -> Result<[f64; N], (usize, usize, String)> {
    let mut out = [0.0; N];
    let mut count = 0;
    let mut at = 0;
    while at < line.len() {
        if line[at].is_ascii_whitespace() {
            at += 1;
            continue;
        }
        let length = line[at..].iter().position(u8::is_ascii_whitespace).unwrap_or(line.len() - at);
        let word = &line[at..at + length];
        let plausible = word.iter().all(|b| b.is_ascii_digit() || b"+-.eE".contains(b));
        let text = std::str::from_utf8(word).unwrap_or("");
        match text.parse::<f64>().ok().filter(|n| plausible && n.is_finite()) {
            Some(number) if count < N => out[count] = number,
            Some(_) => {}
            None => {
                let shown: String = String::from_utf8_lossy(word).chars().take(40).collect();
                return Err((at, length, format!("'{shown}' is not a number")));
            }
        }
        count += 1;
        at += length;
    }
    if count == N {
        Ok(out)
    } else {
        Err((0, line.len(), format!("{N} numbers are wanted here, not {count}")))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::base::level::Level;
    use crate::base::problem::{SourceId, Sources};
    use crate::operators::colour::chain::Chain;

    fn attached(text: &str) -> Attachment {
        Attachment {
            path: "looks/lamp.cube".into(),
            bytes: text.as_bytes().into(),
            source: Some(SourceId(0)),
        }
    }

    fn checks() -> serde_json::Value {
        serde_json::from_str(include_str!("../../../tests/checks/cube.json")).unwrap()
    }

    fn colour(look: &Look, value: &serde_json::Value) -> [f64; 3] {
        let mut planes: [[f32; 1]; 3] = std::array::from_fn(|c| [value[c].as_f64().unwrap() as f32]);
        let [r, g, b] = &mut planes;
        Chain::new().look(look).apply(Level::best(), [r, g, b]);
        planes.map(|p| p[0].into())
    }

    fn agree(group: &str, exact: &str, library: &str, least: usize) {
        let all = checks();
        let look = read(&attached(all[group]["cube"].as_str().unwrap())).unwrap();
        let cases = all[group]["cases"].as_array().unwrap();
        assert!(cases.len() >= least);
        for case in cases {
            let got = colour(&look, &case["rgb"]);
            for c in 0..3 {
                for name in [exact, library] {
                    let want = case[name][c].as_f64().unwrap();
                    assert!((got[c] - want).abs() < 3e-7, "{group} {case}: {name} {c}: {}", got[c]);
                }
            }
        }
    }

    #[test]
    fn tables_are_those_of_the_outside_checks() {
        agree("lut3d", "tetrahedral", "ocio_tetrahedral", 20);
        agree("lut3d_domain", "tetrahedral", "ocio_tetrahedral", 6);
        agree("lut1d", "linear", "ocio_linear", 7);
    }

    #[test]
    fn red_runs_fastest() {
        let all = checks();
        let look = read(&attached(all["lut3d"]["cube"].as_str().unwrap())).unwrap();
        for case in all["order_trap"].as_array().unwrap() {
            let got = colour(&look, &case["rgb"]);
            let wrong = case["wrong_blue_fastest_tetrahedral"].as_array().unwrap();
            assert!((0..3).any(|c| (got[c] - wrong[c].as_f64().unwrap()).abs() > 1e-3));
        }
    }

    /// All five malformed files of the checks are refused: also the one with both sizes, which has not the entries
    /// of both.
    #[test]
    fn malformed_files_are_refused_at_their_place() {
        let all = checks();
        let wanted = [
            ("too_few", "ends after 26 of 27"),
            ("size_1", "cannot be a size"),
            ("no_size", "before the table's size"),
            ("both_sizes", "ends after 8 of 10 entries (the curve's and the table's)"),
            ("nan", "'x' is not a number"),
        ];
        for (case, (id, words)) in all["malformed"].as_array().unwrap().iter().zip(wanted) {
            assert_eq!(case["id"].as_str().unwrap(), id);
            let problems = read(&attached(case["text"].as_str().unwrap())).unwrap_err();
            assert!(problems[0].message.contains(words), "{id}: {}", problems[0].message);
        }
        let text = "LUT_1D_SIZE 2\n0 0 0\n1 inf 1\n";
        let mut sources = Sources::new();
        sources.add("a.cube", text);
        let problems = read(&attached(text)).unwrap_err();
        assert_eq!(sources.place(problems[0].span.unwrap()), "a.cube:3:3");
    }

    #[test]
    fn other_mistakes_are_named() {
        let say = |text: &str| read(&attached(text)).unwrap_err()[0].message.clone();
        assert!(say("LUT_3D_SIZE 257\n").contains("cannot be a size"));
        assert!(say("LUT_3D_SIZE 18446744073709551616\n").contains("cannot be a size"));
        assert!(say("LUT_1D_SIZE 2\nLUT_1D_SIZE 2\n").contains("twice"));
        assert!(say("LUT_1D_SIZ 2\n").contains("not a keyword"));
        assert!(say("LUT_1D_SIZE 2\n0 0 0\n1 1 1\n2 2 2\n").contains("more entries than the 2"));
        assert!(say("LUT_1D_SIZE 2\n0 0 0\nDOMAIN_MIN 0 0 0\n1 1 1\n").contains("after the first entry"));
        assert!(say("LUT_1D_SIZE 2\nDOMAIN_MAX 0 1 1\n0 0 0\n1 1 1\n").contains("empty"));
        assert!(say("LUT_1D_SIZE 2\n0 0\n1 1 1\n").contains("3 numbers are wanted"));
        assert!(say("LUT_1D_SIZE 2\n1e39 0 0\n1 1 1\n").contains("too large"));
        assert!(say("LUT_1D_SIZE 2\nNaN 0 0\n1 1 1\n").contains("not a number"));
        assert!(say("LUT_1D_SIZE 2\nLUT_3D_INPUT_RANGE 0 1\n0 0 0\n1 1 1\n").contains("no LUT_3D_SIZE"));
        assert!(say("").contains("no size"));
        let many = format!("LUT_1D_SIZE 2\n{}", "x\n".repeat(100_000));
        assert_eq!(read(&attached(&many)).unwrap_err().len(), PROBLEM_LIMIT);
    }

    #[test]
    fn a_comment_or_title_changes_no_digest_and_a_number_does() {
        let plain = read(&attached("LUT_1D_SIZE 2\n0 0 0\n1 1 1\n")).unwrap();
        let talkative =
            read(&attached("\u{feff}# lamp\r\nTITLE \"x\"\r\nLUT_1D_SIZE 2\r\n0.0 -0 0\r\n1 1.0 1e0\r\n"))
                .unwrap();
        let other = read(&attached("LUT_1D_SIZE 2\n0 0 0\n1 1 1.1\n")).unwrap();
        let wider = read(&attached("LUT_1D_SIZE 2\nDOMAIN_MAX 2 2 2\n0 0 0\n1 1 1\n")).unwrap();
        assert_eq!(plain.digest(), talkative.digest());
        assert_ne!(plain.digest(), other.digest());
        assert_ne!(plain.digest(), wider.digest());
    }

    #[test]
    fn a_curve_before_a_table_shapes_its_input() {
        let corners = "0 0 0\n1 0 0\n0 1 0\n1 1 0\n0 0 1\n1 0 1\n0 1 1\n1 1 1\n";
        let text = format!(
            "LUT_1D_SIZE 3\nLUT_1D_INPUT_RANGE 0 4\nLUT_3D_SIZE 2\nLUT_3D_INPUT_RANGE 0 2\n0 0 0\n1 1 1\n2 2 2\n{corners}"
        );
        let look = read(&attached(&text)).unwrap();
        let got = colour(&look, &serde_json::json!([2.0, 1.0, 4.0]));
        assert_eq!(got, [0.5, 0.25, 1.0]);
    }

    proptest::proptest! {
        #[test]
        fn no_bytes_make_it_panic(bytes in proptest::collection::vec(proptest::prelude::any::<u8>(), 0..400)) {
            let _ = read(&Attachment { path: "a.cube".into(), bytes: bytes.into(), source: Some(SourceId(0)) });
        }

        #[test]
        fn no_lines_make_it_panic(lines in proptest::collection::vec(
            "(LUT_[13]D_SIZE|DOMAIN_(MIN|MAX)|LUT_[13]D_INPUT_RANGE|TITLE|#)? ?[-+0-9.eE na]{0,12}", 0..12)) {
            if let Ok(look) = read(&attached(&lines.join("\n"))) {
                let mut planes = [[0.3f32], [f32::NAN], [1e30]];
                let [r, g, b] = &mut planes;
                Chain::new().look(&look).apply(Level::best(), [r, g, b]);
                proptest::prop_assert!(planes.iter().all(|p| p[0].is_finite()));
            }
        }
    }
}
