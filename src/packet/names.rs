//! Names of files that a stranger chose: which are taken, and which could be one another's on some system.
//!
//! Knows what no system, or not every system, can hold as a name. Does not know the disk.

use std::collections::HashMap;

use unicode_normalization::UnicodeNormalization;

/// Most bytes of one name (NAME_MAX of Linux).
const NAME: usize = 255;
/// Most bytes of a path.
const PATH: usize = 1024;
/// Most folders inside one another.
const DEPTH: usize = 16;
/// Names that stand for devices on Windows, whatever ending they have.
const DEVICES: [&str; 4] = ["con", "prn", "aux", "nul"];

/// A path by its bytes, parted by `/`, as text.
///
/// # Errors
/// In words, why it is not taken.
pub fn checked(bytes: &[u8]) -> Result<&str, String> {
    let path = std::str::from_utf8(bytes).map_err(|_| "its name is not UTF-8".to_string())?;
    match fault(path) {
        None => Ok(path),
        Some(why) => Err(why),
    }
}

/// What is wrong with a path, if anything.
pub fn fault(path: &str) -> Option<String> {
    // Marks and overrides of direction make a name look like another one (Unicode Standard Annex 9, section 2).
    let turns = |c: char| matches!(c, '\u{61c}' | '\u{200e}' | '\u{200f}' | '\u{202a}'..='\u{202e}' | '\u{2066}'..='\u{2069}' | '\u{feff}');
    let plain = |why: &str| Some(why.to_string());
    if path.is_empty() {
        return plain("it has no name");
    }
    if path.len() > PATH {
        return Some(format!("its path is longer than {PATH} bytes"));
    }
    if path.starts_with('/') {
        return plain("its path begins at the root of the disk");
    }
    if path.chars().any(|c| c.is_control() || turns(c)) {
        return plain("its name has a control character");
    }
    if path.contains('\\') {
        return plain("its name has a backslash, which parts folders on some systems");
    }
    if path.split('/').count() > DEPTH {
        return Some(format!("it lies more than {DEPTH} folders deep"));
    }
    path.split('/').find_map(part_fault)
}

fn part_fault(part: &str) -> Option<String> {
    let plain = |why: &str| Some(why.to_string());
    match part {
        "" | "." => return plain("its path has an empty part"),
        ".." => return plain("its path leads out of its folder"),
        _ => {}
    }
    if part.len() > NAME {
        return Some(format!("its name is longer than {NAME} bytes"));
    }
    if let Some(c) = part.chars().find(|c| "<>:\"|?*".contains(*c)) {
        return Some(format!("its name has '{c}', which not every system can hold"));
    }
    if part.ends_with(['.', ' ']) || part.starts_with(' ') {
        return plain("its name begins or ends with a space, or ends with a dot, which some systems drop");
    }
    let stem = part.split('.').next().unwrap_or(part).trim_end().to_lowercase();
    let numbered = |of: &str| {
        stem.strip_prefix(of).is_some_and(|rest| {
            rest.chars().count() == 1 && rest.chars().all(|c| "123456789\u{b9}\u{b2}\u{b3}".contains(c))
        })
    };
    if DEVICES.contains(&&*stem) || numbered("com") || numbered("lpt") {
        return plain("its name stands for a device on some systems");
    }
    None
}

/// One spelling for all that some system takes for the same path: capitals and ways of composing letters.
fn folded(path: &str) -> String {
    path.nfkc().collect::<String>().to_lowercase().nfkc().collect()
}

/// The paths of a packet, to find those that are one on some system.
#[derive(Debug, Default)]
pub struct Paths {
    /// By folded path, the path as it was first written, and whether it is a folder.
    seen: HashMap<String, (String, bool)>,
}

impl Paths {
    /// Adds a file or folder and the folders that it lies in.
    ///
    /// # Errors
    /// In words, with what it clashes.
    pub fn add(&mut self, path: &str, is_folder: bool) -> Result<(), String> {
        for (end, _) in path.match_indices('/') {
            self.put(&path[..end], true)?;
        }
        self.put(path, is_folder)
    }

    fn put(&mut self, path: &str, is_folder: bool) -> Result<(), String> {
        match self.seen.get(&folded(path)) {
            None => {
                self.seen.insert(folded(path), (path.to_string(), is_folder));
                Ok(())
            }
            Some((other, of)) if other == path && is_folder && *of => Ok(()),
            Some((other, of)) if other == path && *of != is_folder => {
                Err("it is a file and a folder at once".into())
            }
            Some((other, _)) if other == path => Err("it is there twice".into()),
            Some((other, _)) => Err(format!("on some systems it is the same as '{other}'")),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_leads_out_of_a_folder_or_no_system_can_hold_is_refused() {
        for (path, says) in [
            ("/etc/passwd", "root of the disk"),
            ("../up", "leads out"),
            ("data/../../up", "leads out"),
            ("data/..", "leads out"),
            ("data//a", "empty part"),
            ("./a", "empty part"),
            ("a/", "empty part"),
            ("", "no name"),
            ("a\\..\\b", "backslash"),
            ("C:/a", "':'"),
            ("a\nb", "control"),
            ("a\u{0}b", "control"),
            ("a\u{7f}", "control"),
            ("a\u{202e}gpj.exe", "control"),
            ("con", "device"),
            ("data/NUL.png", "device"),
            ("lpt1.exr", "device"),
            ("com\u{b9}", "device"),
            ("a.", "dot"),
            ("a ", "space"),
            ("what?", "'?'"),
        ] {
            let said = checked(path.as_bytes()).unwrap_err();
            assert!(said.contains(says), "{path:?}: {said}");
        }
        assert!(checked(b"a\xff").unwrap_err().contains("UTF-8"));
        assert!(fault(&"a".repeat(256)).unwrap().contains("255"));
        assert!(fault(&"aa/".repeat(500)).unwrap().contains("1024"));
        assert!(fault(&"a/".repeat(16)).is_some());
        for path in
            ["data/br050/cleanup.1001.png", "return/rose\u{301}.png", "a..b", "company", "com10", "100 %.png"]
        {
            assert_eq!(checked(path.as_bytes()), Ok(path));
        }
    }

    #[test]
    fn paths_that_are_one_on_some_system_clash() {
        let clash = |paths: &[&str]| {
            let mut all = Paths::default();
            paths.iter().map(|path| all.add(path, false)).find_map(Result::err)
        };
        assert_eq!(clash(&["a/b.png", "a/c.png", "ab"]), None);
        assert!(clash(&["a/B.png", "a/b.png"]).unwrap().contains("same as 'a/B.png'"));
        assert!(clash(&["A/x", "a/y"]).unwrap().contains("same as 'A'"));
        // One letter, composed and not (Unicode Standard Annex 15).
        assert!(clash(&["ros\u{e9}.png", "rose\u{301}.png"]).unwrap().contains("same as"));
        assert!(clash(&["a", "a"]).unwrap().contains("twice"));
        assert!(clash(&["a", "a/b"]).unwrap().contains("at once"));
        assert!(clash(&["a/b", "a"]).unwrap().contains("at once"));
        let mut all = Paths::default();
        assert_eq!((all.add("a", true), all.add("a", true), all.add("a/b", false)), (Ok(()), Ok(()), Ok(())));
    }

    proptest::proptest! {
        #[test]
        fn no_bytes_make_it_panic(bytes in proptest::collection::vec(0u8..=255, 0..60)) {
            if let Ok(path) = checked(&bytes) {
                let _ = Paths::default().add(path, false);
                let joined = std::path::Path::new("/packet").join(path);
                proptest::prop_assert!(joined.starts_with("/packet"));
                proptest::prop_assert!(joined.components().all(|c| c != std::path::Component::ParentDir));
            }
        }
    }
}
