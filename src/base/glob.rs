//! Globs over names: `*` stands for any run of characters, `?` for one.
//!
//! Knows plain text only. Does not know what is being selected, nor folders.

/// True when `pattern` fits the whole of `name`. Takes time in proportion to the product of
/// both lengths at worst, whatever the pattern.
pub fn fits(pattern: &str, name: &str) -> bool {
    let (pattern, name) = (pattern.as_bytes(), name.as_bytes());
    let (mut p, mut n) = (0, 0);
    // Where to go on when a mismatch follows a star: after the star, one more byte swallowed.
    let mut retry: Option<(usize, usize)> = None;
    while n < name.len() {
        match pattern.get(p) {
            Some(b'*') => {
                retry = Some((p + 1, n));
                p += 1;
            }
            Some(b'?') => {
                p += 1;
                n += char_len(name, n);
            }
            Some(&byte) if byte == name[n] => {
                p += 1;
                n += 1;
            }
            _ => {
                let Some((after, swallowed)) = retry else { return false };
                let next = swallowed + char_len(name, swallowed);
                retry = Some((after, next));
                (p, n) = (after, next);
            }
        }
    }
    pattern[p..].iter().all(|&byte| byte == b'*')
}

/// True when `pattern` holds a `*` or `?`, so that it may fit several names.
pub fn is_glob(pattern: &str) -> bool {
    pattern.contains(['*', '?'])
}

/// Bytes of the UTF-8 character that starts at `at`.
fn char_len(text: &[u8], at: usize) -> usize {
    let more = text[at + 1..].iter().take_while(|&&byte| byte & 0xC0 == 0x80).count();
    1 + more
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn stars_and_question_marks() {
        for (pattern, name) in [
            ("br0*", "br030"),
            ("*", ""),
            ("*", "x"),
            ("b*3?", "br030"),
            ("*a*b*", "xxaxxbxx"),
            ("?", "é"),
            ("*é", "aéé"),
            ("br030", "br030"),
        ] {
            assert!(fits(pattern, name), "{pattern} {name}");
        }
        for (pattern, name) in [("br0", "br030"), ("?", ""), ("*a", "ab"), ("a?c", "ac"), ("", "x")] {
            assert!(!fits(pattern, name), "{pattern} {name}");
        }
    }

    proptest::proptest! {
        #[test]
        fn agrees_with_the_definition(pattern in "[ab*?]{0,8}", name in "[abé]{0,8}") {
            fn plain(pattern: &[char], name: &[char]) -> bool {
                match pattern.split_first() {
                    None => name.is_empty(),
                    Some(('*', rest)) => (0..=name.len()).any(|skip| plain(rest, &name[skip..])),
                    Some((c, rest)) => name.split_first().is_some_and(|(n, tail)| (*c == '?' || c == n) && plain(rest, tail)),
                }
            }
            let (p, n): (Vec<char>, Vec<char>) = (pattern.chars().collect(), name.chars().collect());
            proptest::prop_assert_eq!(fits(&pattern, &name), plain(&p, &n));
        }
    }
}
