//! What people say of themselves and of their work: a name, a sentence, as they may stand in the ledger.
//!
//! Knows what may be written. Does not know who writes it.

/// The most characters of a person's name.
const NAME: usize = 60;
/// The most characters of what a person says in one go.
const WORDS: usize = 2000;

/// Marks and overrides of direction (Unicode Standard Annex 9, section 2): they make a text read as another one.
pub fn turns(c: char) -> bool {
    matches!(c, '\u{61c}' | '\u{200e}' | '\u{200f}' | '\u{202a}'..='\u{202e}' | '\u{2066}'..='\u{2069}')
}

/// A person's name.
///
/// # Errors
/// Words on what may be written.
pub fn name(text: &str) -> Result<String, String> {
    let text = text.trim();
    if text.is_empty() || text.chars().count() > NAME || text.chars().any(|c| c.is_control() || turns(c)) {
        return Err(format!(
            "a person's name has 1 to {NAME} characters, none of which turns the way of reading"
        ));
    }
    Ok(text.into())
}

/// A sentence; it may be empty.
///
/// # Errors
/// Words on what may be written.
pub fn words(text: &str) -> Result<String, String> {
    let text = text.trim();
    match text.chars().count() {
        n if n > WORDS => Err(format!("at most {WORDS} characters, and these are {n}")),
        _ if text.chars().any(char::is_control) => {
            Err("in one line, without tabs and control characters".into())
        }
        _ => Ok(text.into()),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names_and_sentences_that_could_do_harm_are_refused() {
        assert_eq!(name(" Inês da Maré "), Ok("Inês da Maré".into()));
        assert!(
            name(" ").is_err()
                && name("a\u{1b}[2J").is_err()
                && name("ana\u{202e}").is_err()
                && name(&"a".repeat(61)).is_err()
        );
        assert_eq!(words(" halo on the pole "), Ok("halo on the pole".into()));
        assert!(words("two\nlines").is_err() && words(&"é".repeat(2001)).is_err());
        assert!(words(&"é".repeat(2000)).is_ok() && words("") == Ok(String::new()));
    }
}
