//! Words with names in braces, such as `{picture}`, that are filled in later.
//!
//! Knows the syntax only: a name in braces is a place to fill, `{{` and `}}` are braces.
//! Does not know which names there are.

/// A piece of a word.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Piece<'a> {
    /// Text that stays.
    Text(&'a str),
    /// A name in braces.
    Name(&'a str),
}

/// A brace without its partner, or a name that is none.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum BadBraces {
    /// `{` that nothing closes.
    #[error("a {{ is not closed; write {{{{ for a brace that is meant as such")]
    Open,
    /// `}` that nothing opened.
    #[error("a }} closes nothing; write }}}} for a brace that is meant as such")]
    Close,
    /// Nothing, or no name, between braces.
    #[error("{{{0}}} is no name; write {{{{ and }}}} for braces that are meant as such")]
    Name(String),
}

/// Splits a word at its braces.
pub fn pieces(word: &str) -> Result<Vec<Piece<'_>>, BadBraces> {
    let mut out = Vec::new();
    let mut rest = word;
    while let Some(at) = rest.find(['{', '}']) {
        let (before, tail) = rest.split_at(at);
        if !before.is_empty() {
            out.push(Piece::Text(before));
        }
        if tail.starts_with("{{") || tail.starts_with("}}") {
            out.push(Piece::Text(&tail[..1]));
            rest = &tail[2..];
            continue;
        }
        let inside = tail.strip_prefix('{').ok_or(BadBraces::Close)?;
        let (name, after) = inside.split_once('}').ok_or(BadBraces::Open)?;
        let sound = |c: char| c.is_ascii_alphanumeric() || matches!(c, '_' | '-' | '.');
        if name.is_empty() || !name.chars().all(sound) {
            return Err(BadBraces::Name(name.chars().take(40).collect()));
        }
        out.push(Piece::Name(name));
        rest = after;
    }
    if !rest.is_empty() {
        out.push(Piece::Text(rest));
    }
    Ok(out)
}

/// Fills a word in. `value` gives the text of each name; the first name without one is the error.
pub fn fill<'a>(
    word: &'a str,
    mut value: impl FnMut(&str) -> Option<String>,
) -> Result<String, Unfilled<'a>> {
    let mut out = String::with_capacity(word.len());
    for piece in pieces(word).map_err(Unfilled::Bad)? {
        match piece {
            Piece::Text(text) => out.push_str(text),
            Piece::Name(name) => out.push_str(&value(name).ok_or(Unfilled::Unknown(name))?),
        }
    }
    Ok(out)
}

/// Why a word could not be filled in.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum Unfilled<'a> {
    /// Its braces are wrong.
    #[error("{0}")]
    Bad(BadBraces),
    /// No such name.
    #[error("nothing is called {{{0}}} here")]
    Unknown(&'a str),
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn words_split_at_braces() {
        assert_eq!(
            pieces("a{x}b{{c}}").unwrap(),
            [
                Piece::Text("a"),
                Piece::Name("x"),
                Piece::Text("b"),
                Piece::Text("{"),
                Piece::Text("c"),
                Piece::Text("}"),
            ]
        );
        assert_eq!(pieces("").unwrap(), []);
        assert_eq!(pieces("{x"), Err(BadBraces::Open));
        assert_eq!(pieces("x}"), Err(BadBraces::Close));
        assert_eq!(pieces("{}"), Err(BadBraces::Name(String::new())));
        assert_eq!(pieces("{a b}"), Err(BadBraces::Name("a b".into())));
        assert_eq!(
            BadBraces::Open.to_string(),
            "a { is not closed; write {{ for a brace that is meant as such"
        );
    }

    #[test]
    fn names_are_filled_in() {
        let value = |name: &str| (name == "shot").then(|| "br030 ; rm -r x".to_string());
        assert_eq!(fill("out/{shot}.exr", value).unwrap(), "out/br030 ; rm -r x.exr");
        assert_eq!(fill("{who}", value), Err(Unfilled::Unknown("who")));
    }

    proptest::proptest! {
        #[test]
        fn no_word_is_too_odd(word in "\\PC{0,40}") {
            if let Ok(list) = pieces(&word) {
                let doubled = |text: &str| text.replace('{', "{{").replace('}', "}}");
                let back: String = list
                    .iter()
                    .map(|piece| match piece {
                        Piece::Text(text) => doubled(text),
                        Piece::Name(name) => format!("{{{name}}}"),
                    })
                    .collect();
                proptest::prop_assert_eq!(back, word);
            }
        }
    }
}
