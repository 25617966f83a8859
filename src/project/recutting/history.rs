//! Which cuts were taken up, in `recuts/history.jsonl`: a line each, so that going back knows where to.
//!
//! Knows the lines and which of them hold. A line is written before the declaration is changed: one whose change never came, as
//! when the machine stopped in between, holds nothing. Does not change the declaration.

use serde::{Deserialize, Serialize};

use crate::base::conflict;

/// Where they are kept, below the film's folder.
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
    /// A copy of the former list, below the film's folder.
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

/// Steps of a file, in the order of its lines.
///
/// # Errors
/// Words on a line that cannot be read; `file` names it.
fn steps(text: &str, file: &str) -> Result<Vec<Step>, String> {
    let mut steps: Vec<Step> = Vec::new();
    for (at, line) in text.lines().enumerate().filter(|(_, line)| !line.trim().is_empty()) {
        if conflict::mark(line.as_bytes()).is_some() {
            return Err(format!(
                "{file}:{}: {}; keep the lines of both sides, each once, and take the marks away",
                at + 1,
                conflict::LEFT
            ));
        }
        let step: Step = serde_json::from_str(line).map_err(|why| {
            format!("{file}:{}: the line cannot be read: {why}; mend it or take it out", at + 1)
        })?;
        if step.format != FORM {
            return Err(format!(
                "{file}:{}: it is of another form, '{}', and this version reads '{FORM}': use the version that wrote it, or \
                 take the line out",
                at + 1,
                step.format
            ));
        }
        steps.push(step);
    }
    Ok(steps)
}

/// A step forward, and whether it was gone back from.
#[derive(Debug)]
struct Taken {
    step: Step,
    /// The list that it led to, also under the names of copies that were gone back to.
    names: Vec<Option<String>>,
    is_undone: bool,
}

impl Taken {
    fn leads_to(&self, cut: Option<&str>) -> bool {
        !self.is_undone && self.names.iter().any(|name| name.as_deref() == cut)
    }
}

/// All that is known of which cuts were taken up, here and by others whose lines came together with these.
///
/// Two people may take up cuts apart, so that the steps are a tree and not one row. What counts is which step led to the cut in use,
/// wherever its line stands: going back from it leads down its own branch.
#[derive(Debug, Default)]
pub struct History(Vec<Taken>);

impl History {
    /// Of the film's own file, and of copies that a program put beside it, by their names; the film is cut as `now` says.
    ///
    /// # Errors
    /// Words on a line that cannot be read.
    pub fn of(text: &str, copies: &[(String, String)], now: Option<&str>) -> Result<Self, String> {
        let mut history = Self::default();
        let own = steps(text, FILE)?;
        history.add(&own, Some(now));
        for (file, text) in copies {
            let others: Vec<Step> =
                steps(text, file)?.into_iter().filter(|step| !own.contains(step)).collect();
            history.add(&others, None);
        }
        Ok(history)
    }

    /// Adds the steps of a file. `now` is what the film is cut by after the last of them, where that is known.
    fn add(&mut self, steps: &[Step], now: Option<Option<&str>>) {
        for (at, step) in steps.iter().enumerate() {
            if !step.back {
                self.0.push(Taken { step: step.clone(), names: vec![step.to.clone()], is_undone: false });
                continue;
            }
            // What the film was cut by when the next step began tells whether going back came about.
            let then = steps.get(at + 1).map(|next| next.from.as_deref()).or(now);
            let is_broken_off =
                then.is_some_and(|then| step.to.as_deref() != then && step.from.as_deref() == then);
            if !is_broken_off {
                self.undo(step);
            }
        }
    }

    /// Takes away the last step that led to where a step back began. The one before it led to the list that is in use now, be it
    /// a copy of what that was.
    fn undo(&mut self, back: &Step) {
        let Some(at) = self.to(back.from.as_deref()) else { return };
        self.0[at].is_undone = true;
        let from = self.0[at].step.from.clone();
        if let Some(before) = self.0[..at].iter_mut().rfind(|taken| taken.leads_to(from.as_deref())) {
            before.names.push(back.to.clone());
        }
    }

    /// The last step that led to a cut. Of one that somebody went back from, another may have gone on: from there the way back leads
    /// through it all the same.
    fn to(&self, cut: Option<&str>) -> Option<usize> {
        let named = |taken: &Taken| taken.names.iter().any(|name| name.as_deref() == cut);
        let goes_on = |taken: &Taken| self.0.iter().any(|next| taken.names.contains(&next.step.from));
        let standing = self.0.iter().rposition(|taken| taken.leads_to(cut));
        standing.or_else(|| self.0.iter().rposition(|taken| named(taken) && goes_on(taken)))
    }

    /// The step that going back from a cut undoes.
    pub fn last(&self, now: Option<&str>) -> Option<&Step> {
        self.to(now).map(|at| &self.0[at].step)
    }

    /// Steps, not gone back from, to cuts that the one in use does not come from, each the last of its branch: what somebody took
    /// up apart from it.
    pub fn apart(&self, now: Option<&str>) -> Vec<&Step> {
        // Down from the cut in use, along the branch.
        let (mut below, mut at) = (vec![false; self.0.len()], now);
        while let Some(found) = (0..self.0.len()).rfind(|&i| !below[i] && self.0[i].leads_to(at)) {
            below[found] = true;
            at = self.0[found].step.from.as_deref();
        }
        let is_seen = |cut: Option<&str>| {
            cut == now || self.0.iter().zip(&below).any(|(taken, is)| *is && taken.leads_to(cut))
        };
        let goes_on = |at: usize, taken: &Taken| {
            self.0[at + 1..].iter().any(|next| {
                !next.is_undone && taken.names.contains(&next.step.from) && !is_seen(next.step.to.as_deref())
            })
        };
        let mut apart: Vec<&Step> = Vec::new();
        for (at, taken) in self.0.iter().enumerate().filter(|(_, taken)| !taken.is_undone) {
            let is_told = apart.iter().any(|told| told.to == taken.step.to);
            if !is_seen(taken.step.to.as_deref()) && !goes_on(at, taken) && !is_told {
                apart.push(&taken.step);
            }
        }
        apart
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The step that going back undoes.
    fn last(text: &str, now: Option<&str>) -> Result<Option<Step>, String> {
        History::of(text, &[], now).map(|history| history.last(now).cloned())
    }

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
    fn whoever_went_back_from_a_cut_closes_nobodys_way_back() {
        let to = |from: &str, to: &str| step(Some(from), Some(to), false);
        let shared = format!("{}{}", step(None, Some("a"), false), to("a", "b"));
        let (ana, tomas) = (step(Some("b"), Some("a"), true), to("b", "c"));
        let from = |text: &str, now: &str| last(text, Some(now)).unwrap().map(|step| step.from);
        for merged in [format!("{shared}{ana}{tomas}"), format!("{shared}{tomas}{ana}")] {
            assert_eq!(from(&merged, "c"), Some(Some("b".into())));
            let merged = merged + &step(Some("c"), Some("b"), true);
            assert_eq!(from(&merged, "b"), Some(Some("a".into())));
            assert_eq!(from(&(merged + &step(Some("b"), Some("a"), true)), "a"), Some(None));
        }
        // A branch that came round to where it was is told as well.
        let round = format!("{shared}{}{}{}", to("a", "c"), to("c", "d"), to("d", "c"));
        let history = History::of(&round, &[], Some("b")).unwrap();
        let apart: Vec<_> = history.apart(Some("b")).into_iter().map(|step| step.to.clone()).collect();
        assert_eq!(apart, [Some("c".into())]);
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

    #[test]
    fn two_branches_have_each_a_way_back_whichever_lines_come_first() {
        let first = step(None, Some("a"), false);
        let ana = [step(Some("a"), Some("b"), false), step(Some("b"), Some("b2"), false)].concat();
        let tomas = step(Some("a"), Some("c"), false);
        for text in [format!("{first}{ana}{tomas}"), format!("{first}{tomas}{ana}")] {
            let from = |now: &str| last(&text, Some(now)).unwrap().map(|step| step.from.unwrap_or_default());
            for (now, wanted) in [("b2", "b"), ("b", "a"), ("c", "a"), ("a", "")] {
                assert_eq!(from(now).as_deref(), Some(wanted), "{now}:\n{text}");
            }
            let apart = |now: &str| -> Vec<String> {
                let history = History::of(&text, &[], Some(now)).unwrap();
                history.apart(Some(now)).iter().filter_map(|step| step.to.clone()).collect()
            };
            assert_eq!((apart("b2"), apart("c")), (vec!["c".to_string()], vec!["b2".to_string()]), "{text}");
        }
        // What somebody went back from is nothing apart.
        let text = format!("{first}{tomas}{}{ana}", step(Some("c"), Some("a"), true));
        assert!(History::of(&text, &[], Some("b2")).unwrap().apart(Some("b2")).is_empty());
    }

    #[test]
    fn lines_of_a_copy_beside_it_count_once() {
        let (one, two, three) = (
            step(None, Some("a"), false),
            step(Some("a"), Some("b"), false),
            step(Some("a"), Some("c"), false),
        );
        let copy = ("recuts/history (conflict).jsonl".to_string(), format!("{one}{three}"));
        let history = History::of(&format!("{one}{two}"), &[copy], Some("c")).unwrap();
        assert_eq!(history.last(Some("c")).unwrap().from.as_deref(), Some("a"));
        assert_eq!(history.0.len(), 3);
        assert_eq!(history.apart(Some("c")).len(), 1);
    }
}
