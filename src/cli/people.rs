//! People as the command line names them: whose time, whose word, and what they say.
//!
//! Knows what may stand for a person and for a sentence. Does not know what they do.

use super::{Failure, rebuild};
use crate::base::problem::nearest;

/// The most characters of a person's name.
const NAME: usize = 60;
/// The most characters of what a person says in one go.
const WORDS: usize = 2000;

/// A person's name from the command line.
///
/// # Errors
/// Words on what may be written.
pub fn name(text: &str) -> Result<String, String> {
    let text = text.trim();
    if text.is_empty() || text.chars().count() > NAME || text.chars().any(char::is_control) {
        return Err(format!("a person's name has 1 to {NAME} characters"));
    }
    Ok(text.into())
}

/// A sentence from the command line.
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

/// Who is meant: the person named, or the one at this machine, whose ledger file it is.
pub fn who(named: Option<&str>) -> String {
    let own = || rebuild::writer().name.split('@').next().unwrap_or_default().to_string();
    named.map_or_else(own, str::to_string)
}

/// Says so when a person is named of whom the ledger knows nothing, and who may be meant: time under a name that is off by a letter
/// is lost from sight.
pub fn tell_if_new<'a>(person: &str, known: impl IntoIterator<Item = &'a str>) {
    let known: Vec<&str> = known.into_iter().collect();
    if known.is_empty() || known.contains(&person) {
        return;
    }
    if let Some(near) = nearest(person, known) {
        tell!(
            "the ledger knows no '{person}' so far; if you mean {near}, say --person {near} and take this one away"
        );
    }
}

/// A failure of the command line.
pub fn usage<T>(words: impl std::fmt::Display) -> Result<T, Failure> {
    Err(Failure::Usage(words.to_string()))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names_and_sentences_that_could_do_harm_are_refused() {
        assert_eq!(name(" Inês da Maré "), Ok("Inês da Maré".into()));
        assert!(name(" ").is_err() && name("a\u{1b}[2J").is_err() && name(&"a".repeat(61)).is_err());
        assert_eq!(words(" halo on the pole "), Ok("halo on the pole".into()));
        assert!(words("two\nlines").is_err() && words(&"é".repeat(2001)).is_err());
        assert!(words(&"é".repeat(2000)).is_ok() && words("") == Ok(String::new()));
        assert_eq!(who(Some("ana")), "ana");
    }
}
