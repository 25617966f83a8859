//! The text files of a bag: its declaration, what is said of it, its manifests (RFC 8493, section 2).
//!
//! Knows lines. Does not know which files there are.

use std::collections::BTreeMap;

use super::names;
use super::sums::Kind;

/// The version of a bag's form, such as 1.0.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub struct Version(pub u32, pub u32);

/// The oldest version that is read.
const OLDEST: Version = Version(0, 93);
/// The version that is written, and the newest one that is read.
pub const NEWEST: Version = Version(1, 0);

/// The declaration of a bag that is written.
pub const DECLARATION: &str = "BagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-8\n";

/// The lines of a text, whose ends may be LF, CR or both.
fn lines(text: &str) -> impl Iterator<Item = &str> {
    text.split('\n').flat_map(|line| line.strip_suffix('\r').unwrap_or(line).split('\r'))
}

/// Reads `bagit.txt` (section 2.1.1).
///
/// # Errors
/// In words, what it lacks.
pub fn declaration(text: &str) -> Result<Version, String> {
    if text.starts_with('\u{feff}') {
        return Err("it begins with a byte order mark".into());
    }
    let mut all = lines(text).filter(|line| !line.is_empty());
    let mut after = |label: &str| {
        let line = all.next().unwrap_or("");
        let value = line.strip_prefix(label).and_then(|rest| rest.strip_prefix(':')).map(str::trim);
        value.map(str::to_string).ok_or_else(|| format!("a line '{label}: …' is missing"))
    };
    let version = after("BagIt-Version")?;
    let encoding = after("Tag-File-Character-Encoding")?;
    let number = |text: &str| text.bytes().all(|b| b.is_ascii_digit()).then(|| text.parse().ok()).flatten();
    let parsed = version.split_once('.').and_then(|(a, b)| Some(Version(number(a)?, number(b)?)));
    if all.next().is_some() {
        return Err("it has more than its two lines".into());
    }
    if !encoding.eq_ignore_ascii_case("UTF-8") {
        return Err(format!("its text files are {encoding}, and only UTF-8 is read"));
    }
    match parsed {
        Some(version) if (OLDEST..=NEWEST).contains(&version) => Ok(version),
        _ => Err(format!("version {version} is not read: only 0.93 to 1.0 are")),
    }
}

/// Reads labels with their values, such as `bag-info.txt` (section 2.2.2). A line that begins with a space goes on with the
/// value before it.
///
/// # Errors
/// In words, the line that is none.
pub fn labels(text: &str) -> Result<Vec<(String, String)>, String> {
    let mut all: Vec<(String, String)> = Vec::new();
    for (at, line) in lines(text.trim_start_matches('\u{feff}')).enumerate() {
        if line.trim().is_empty() {
            continue;
        }
        if line.starts_with([' ', '\t']) {
            let last = all.last_mut().ok_or_else(|| format!("line {} goes on with nothing", at + 1))?;
            last.1 = format!("{} {}", last.1, line.trim());
            continue;
        }
        let (label, value) = line.split_once(':').ok_or_else(|| format!("line {} has no colon", at + 1))?;
        all.push((label.trim().to_string(), value.trim().to_string()));
    }
    Ok(all)
}

/// Reads the digests of a manifest, by path (sections 2.1.3 and 2.2.1).
///
/// # Errors
/// In words, the first line that is none, and its number.
pub fn manifest(
    text: &str,
    kind: Option<Kind>,
    version: Version,
) -> Result<BTreeMap<String, String>, String> {
    let mut all = BTreeMap::new();
    for (at, line) in lines(text.trim_start_matches('\u{feff}')).enumerate() {
        if line.trim().is_empty() {
            continue;
        }
        let wrong = |why: &str| format!("line {}: {why}", at + 1);
        let (sum, path) = line.split_once([' ', '\t']).ok_or_else(|| wrong("it is no digest and path"))?;
        let path = path.trim_start_matches([' ', '\t']);
        // Some tools mark every file as binary.
        let path = path.strip_prefix('*').unwrap_or(path);
        let is_sum =
            sum.bytes().all(|b| b.is_ascii_hexdigit()) && kind.is_none_or(|kind| sum.len() == kind.digits());
        if !is_sum {
            return Err(wrong("it begins with no digest of its kind"));
        }
        let path = decoded(path, version);
        names::checked(path.as_bytes()).map_err(|why| wrong(&format!("'{}': {why}", path.escape_debug())))?;
        if all.insert(path.clone(), sum.to_ascii_lowercase()).is_some() {
            return Err(wrong(&format!("'{path}' is there twice")));
        }
    }
    Ok(all)
}

/// A path as a manifest writes it: CR, LF and, from version 1.0 on, the percent sign are escaped (section 2.1.3).
pub fn encoded(path: &str) -> String {
    path.replace('%', "%25").replace('\r', "%0D").replace('\n', "%0A")
}

fn decoded(path: &str, version: Version) -> String {
    let mut out = String::with_capacity(path.len());
    let mut rest = path;
    while let Some(at) = rest.find('%') {
        out.push_str(&rest[..at]);
        let code = rest.get(at + 1..at + 3).map(str::to_ascii_uppercase);
        let (c, used) = match code.as_deref() {
            Some("0D") => ('\r', 3),
            Some("0A") => ('\n', 3),
            Some("25") if version >= NEWEST => ('%', 3),
            _ => ('%', 1),
        };
        out.push(c);
        rest = &rest[at + used..];
    }
    out + rest
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_declaration_is_its_two_lines() {
        assert_eq!(declaration(DECLARATION), Ok(Version(1, 0)));
        // As an older library writes it, and with the ends of lines of another system.
        assert_eq!(
            declaration("BagIt-Version: 0.97\r\nTag-File-Character-Encoding: UTF-8\r\n"),
            Ok(Version(0, 97))
        );
        for (text, says) in [
            ("", "BagIt-Version"),
            ("BagIt-Version: 1.0\n", "Tag-File"),
            ("\u{feff}BagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-8\n", "byte order"),
            ("BagIt-Version: 1.1\nTag-File-Character-Encoding: UTF-8\n", "1.1"),
            ("BagIt-Version: one\nTag-File-Character-Encoding: UTF-8\n", "one"),
            ("BagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-16\n", "UTF-16"),
            ("BagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-8\nMore: x\n", "two lines"),
        ] {
            assert!(declaration(text).unwrap_err().contains(says), "{text:?}");
        }
    }

    #[test]
    fn labels_go_on_over_lines() {
        let all =
            labels("Source-Organization: The Brine Lamp\nExternal-Description: paint\n  the raker out\n")
                .unwrap();
        assert_eq!(all[1], ("External-Description".to_string(), "paint the raker out".to_string()));
        assert!(labels(" on\n").is_err() && labels("no colon\n").is_err());
    }

    #[test]
    fn manifests_escape_ends_of_lines_and_the_percent_sign() {
        let sum = "0".repeat(64);
        let read = |path: &str, version| {
            manifest(&format!("{sum}  {path}\n"), Some(Kind::Sha256), version)
                .map(|all| all.keys().next().cloned().unwrap())
        };
        assert_eq!(read(&encoded("data/100%.png"), NEWEST).unwrap(), "data/100%.png");
        assert_eq!(read("data/100%25.png", Version(0, 97)).unwrap(), "data/100%25.png");
        // A name with an end of line is one that is not taken.
        assert!(read("data/a%0Ab", NEWEST).unwrap_err().contains("control"));
        assert!(read("data/../../x", NEWEST).unwrap_err().contains("leads out"));
        assert!(
            read("data/a%", NEWEST).unwrap() == "data/a%" && read("data/%2", NEWEST).unwrap() == "data/%2"
        );
        assert_eq!(read("*data/a", NEWEST).unwrap(), "data/a");
        let bad = manifest("abc  data/a\n", Some(Kind::Sha256), NEWEST).unwrap_err();
        assert!(bad.contains("line 1"), "{bad}");
        let twice = format!("{sum} data/a\n{sum} data/a\n");
        assert!(manifest(&twice, Some(Kind::Sha256), NEWEST).unwrap_err().contains("twice"));
    }

    proptest::proptest! {
        #[test]
        fn what_is_written_is_read(path in "[a-z%0-9AD]{1,20}") {
            let text = format!("{}  data/{}\n", "a".repeat(128), encoded(&path));
            let read = manifest(&text, Some(Kind::Sha512), NEWEST).unwrap();
            proptest::prop_assert_eq!(read.keys().next().unwrap(), &format!("data/{path}"));
        }

        #[test]
        fn no_text_makes_it_panic(text in "\\PC{0,60}|[ \\r\\n%:*a0]{0,60}") {
            let _ = (declaration(&text), labels(&text), manifest(&text, None, NEWEST));
        }
    }
}
