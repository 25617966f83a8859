//! Which cuts were taken up, in `recuts/history.jsonl`: a line each, so that going back knows where to.
//!
//! Knows the lines and which of them hold. A line is written before the declaration is changed: one whose change never came, as
//! when the machine stopped in between, holds nothing. Does not change the declaration.

use serde::{Deserialize, Serialize};

use crate::base::conflict;

/// Where they are kept, below the project's folder.
pub const FILE: &str = "recuts/history.jsonl";
/// The form of a line.
const FORM: &str = "endboard recuts 1";

/// One change of the cut.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Step {
    format: String,
    /// When, UTC.
    pub when: String,
    /// By whom.
    pub by: String,
    /// The cut that was in use; none where shots followed one another as declared.
    pub from: Option<String>,
    /// The one in use from then on.
    pub to: Option<String>,
    /// Digest of the former list's bytes.
    pub digest: Option<String>,
    /// A copy of the former list, below the project's folder.
    pub copy: Option<String>,
    /// Shots whose frames were changed with it.
    pub frames: Vec<Frames>,
    /// True of going back.
    pub back: bool,
}

/// A shot's frames, as written in the declaration.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Frames {
    /// The shot.
    pub shot: String,
    /// Before.
    pub from: String,
    /// From then on.
    pub to: String,
}

impl Step {
    /// A step that is about to be taken.
    pub fn new(when: String, by: &str, from: Option<String>, to: Option<String>) -> Self {
        let (digest, copy, frames) = (None, None, Vec::new());
        Self { format: FORM.into(), when, by: by.into(), from, to, digest, copy, frames, back: false }
    }

    /// Its line.
    pub fn line(&self) -> String {
        serde_json::to_string(self).expect("a step is plain data") + "\n"
    }
}

/// The step that going back undoes, when the film is cut as `now` says; none when there is none.
///
/// # Errors
/// Words on a line that cannot be read.
pub fn last(text: &str, now: Option<&str>) -> Result<Option<Step>, String> {
    let mut steps: Vec<Step> = Vec::new();
    for (at, line) in text.lines().enumerate().filter(|(_, line)| !line.trim().is_empty()) {
        if conflict::mark(line.as_bytes()).is_some() {
            return Err(format!(
                "{FILE}:{}: {}; keep the lines of both sides, in order of 'when', and take the marks away",
                at + 1,
                conflict::LEFT
            ));
        }
        let step: Step = serde_json::from_str(line).map_err(|why| {
            format!("{FILE}:{}: the line cannot be read: {why}; mend it or take it out", at + 1)
        })?;
        if step.format != FORM {
            return Err(format!("{FILE}:{}: it is of another form, '{}'", at + 1, step.format));
        }
        steps.push(step);
    }
    let mut taken: Vec<Step> = Vec::new();
    for (at, step) in steps.iter().enumerate() {
        // What the film was cut by when the next step began tells whether this one came about, forward or back.
        let then = steps.get(at + 1).map_or(now, |next| next.from.as_deref());
        if step.to.as_deref() != then && step.from.as_deref() == then {
            continue;
        }
        match step.back {
            false => taken.push(step.clone()),
            true => undo(&mut taken, step),
        }
    }
    Ok(taken.pop().filter(|step| step.to.as_deref() == now))
}

/// Takes the last step away. The one before it led to the list that is in use now, be it a copy of what that was.
fn undo(taken: &mut Vec<Step>, back: &Step) {
    let Some(undone) = taken.pop_if(|last| last.to == back.from) else { return };
    if let Some(before) = taken.last_mut().filter(|before| before.to == undone.from) {
        before.to.clone_from(&back.to);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn step(from: Option<&str>, to: Option<&str>, back: bool) -> String {
        let new =
            Step::new("2026-03-01T20:00:00Z".into(), "keeper", from.map(Into::into), to.map(Into::into));
        Step { back, ..new }.line()
    }

    #[test]
    fn marks_of_a_merge_are_told_at_their_line() {
        let said = last("\n<<<<<<< HEAD\n=======\n>>>>>>> tomas\n", None).unwrap_err();
        assert!(said.starts_with("recuts/history.jsonl:2: merge conflict left in the file"), "{said}");
    }

    #[test]
    fn steps_are_undone_one_by_one() {
        let (one, two) = (step(None, Some("a"), false), step(Some("a"), Some("b"), false));
        let back = step(Some("b"), Some("a"), true);
        let from = |text: &str, now: Option<&str>| last(text, now).unwrap().map(|step| step.from);
        assert_eq!(from("", Some("a")), None);
        assert_eq!(from(&format!("{one}{two}"), Some("b")), Some(Some("a".into())));
        assert_eq!(from(&format!("{one}{two}{back}"), Some("a")), Some(None));
        assert_eq!(from(&format!("{one}{two}{back}{}", step(Some("a"), None, true)), None), None);
        // A person named another list since: that was no step.
        assert_eq!(from(&format!("{one}{two}"), Some("c")), None);
        // The second step never came about.
        assert_eq!(from(&format!("{one}{two}"), Some("a")), Some(None));
        assert_eq!(from(&format!("{one}{two}{two}"), Some("b")), Some(Some("a".into())));
    }

    #[test]
    fn a_step_back_that_never_came_about_is_taken_again() {
        let (one, two) = (step(None, Some("a"), false), step(Some("a"), Some("b"), false));
        let back = step(Some("b"), Some("a"), true);
        let from = |text: &str, now: Option<&str>| last(text, now).unwrap().map(|step| step.from);
        // Its line was written, and the film is cut as before: once more it is the same step that is undone.
        assert_eq!(from(&format!("{one}{two}{back}"), Some("b")), Some(Some("a".into())));
        assert_eq!(from(&format!("{one}{two}{back}{back}"), Some("b")), Some(Some("a".into())));
        // The second try came about.
        assert_eq!(from(&format!("{one}{two}{back}{back}"), Some("a")), Some(None));
        // Another cut was taken up after it.
        let three = step(Some("b"), Some("c"), false);
        assert_eq!(from(&format!("{one}{two}{back}{three}"), Some("c")), Some(Some("b".into())));
        let back = step(Some("c"), Some("b"), true);
        assert_eq!(
            from(&format!("{one}{two}{}{three}{back}", self::step(Some("b"), Some("a"), true)), Some("b")),
            Some(Some("a".into()))
        );
    }

    #[test]
    fn from_a_copy_the_way_back_goes_on() {
        let (one, two) = (step(None, Some("a"), false), step(Some("a"), Some("b"), false));
        let back = step(Some("b"), Some("recuts/a.1"), true);
        let from = |text: &str, now: Option<&str>| last(text, now).unwrap().map(|step| step.from);
        assert_eq!(from(&format!("{one}{two}{back}"), Some("recuts/a.1")), Some(None));
        // A list that a person named in between is where a way back ends.
        let two = step(Some("by-hand"), Some("b"), false);
        assert_eq!(from(&format!("{one}{two}{}", step(Some("b"), Some("copy"), true)), Some("copy")), None);
    }

    #[test]
    fn a_line_that_cannot_be_read_is_named() {
        let text = format!("{}\n{{torn\n", step(None, Some("a"), false));
        assert!(last(&text, Some("a")).unwrap_err().starts_with("recuts/history.jsonl:3: "));
        let other = step(None, Some("a"), false).replace("recuts 1", "recuts 9");
        assert!(last(&other, Some("a")).unwrap_err().contains("another form"));
    }
}
