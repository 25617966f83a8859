//! Settings as written → numbers, words and files, checked against an operator's own table.
//!
//! Knows types, limits and defaults. Does not know what a setting is for.

use super::{Attachment, Kind, Param, Prepared, Setup, Spec};
use crate::base::problem::{Problem, Problems, Span};
use crate::base::value::Node;

/// Reads settings by an operator's own table of parameters, collecting every problem.
pub struct Reader<'a> {
    spec: &'static Spec,
    setup: &'a Setup<'a>,
    /// Problems so far.
    pub problems: Problems,
}

/// What has the settings, for people.
fn kind(spec: &Spec) -> String {
    let is_of_sound = super::sound::specs().iter().any(|of| of.name == spec.name);
    if is_of_sound { format!("a {}", spec.name) } else { format!("operator {}", spec.name) }
}

impl<'a> Reader<'a> {
    /// Starts; unknown settings are named at once, with the nearest known one.
    pub fn new(spec: &'static Spec, setup: &'a Setup<'a>) -> Self {
        let mut problems = Problems::new();
        for (key, value) in &setup.settings.entries {
            if !spec.params.iter().any(|p| p.name == key.text) {
                let problem =
                    Problem::error(key.span, format!("{} has no setting '{}'", kind(spec), key.text));
                // In braces, 0,5 is the number 0 and a key 5 that says nothing.
                if value.node == Node::Null && key.text.bytes().all(|b| b.is_ascii_digit()) {
                    problems.push(problem.help("numbers are written with a point: 0.5, not 0,5"));
                    continue;
                }
                let names: Vec<&str> = spec.params.iter().map(|p| p.name).collect();
                problems.push(match crate::base::problem::nearest(&key.text, names.iter().copied()) {
                    Some(name) => problem.help(format!("did you mean '{name}'?")),
                    None => problem.help(format!("settings of {}: {}", spec.name, names.join(", "))),
                });
            }
        }
        Self { spec, setup, problems }
    }

    /// Where the stage stands.
    pub fn span(&self) -> Span {
        self.setup.span
    }

    fn param(&self, name: &str) -> &'static Param {
        self.spec.params.iter().find(|p| p.name == name).expect("a parameter of this operator's own table")
    }

    /// The written value of a parameter.
    pub fn value(&self, name: &str) -> Option<&'a crate::base::value::Value> {
        debug_assert!(self.spec.params.iter().any(|p| p.name == name));
        self.setup.settings.get(name).filter(|v| v.node != Node::Null)
    }

    /// The file of a parameter of kind `File`.
    pub fn file(&self, name: &str) -> Option<&'a Attachment> {
        self.setup.files.get(name)
    }

    /// A number (`Kind::Number`); its default when not written or wrong.
    pub fn number(&mut self, name: &str) -> f64 {
        let default = self.param(name).default.parse().unwrap_or(0.0);
        let Some(value) = self.value(name) else { return default };
        match value.number() {
            Ok(n) => {
                self.range(name, n, value.span);
                n
            }
            Err(problem) => {
                self.problems.push(problem);
                default
            }
        }
    }

    /// A number that may be keyed (`Kind::Keyed`); its default when not written or wrong.
    pub fn curve(&mut self, name: &str) -> crate::base::curve::Curve<1> {
        let default = self.param(name).default.parse().unwrap_or(0.0);
        let steady = crate::base::curve::Curve::steady([default]);
        let Some(value) = self.value(name) else { return steady };
        match value.curve() {
            Ok(curve) => {
                for &(_, [n]) in curve.keys() {
                    self.range(name, n, value.span);
                }
                curve
            }
            Err(problem) => {
                self.problems.push(problem);
                steady
            }
        }
    }

    /// A whole number (`Kind::Whole`).
    pub fn whole(&mut self, name: &str) -> i64 {
        let default = self.param(name).default.parse().unwrap_or(0);
        let Some(value) = self.value(name) else { return default };
        match value.int() {
            Ok(n) => {
                self.range(name, n as f64, value.span);
                n
            }
            Err(problem) => {
                self.problems.push(problem);
                default
            }
        }
    }

    /// true or false (`Kind::Flag`).
    pub fn flag(&mut self, name: &str) -> bool {
        let default = self.param(name).default == "true";
        let read = self.value(name).map(crate::base::value::Value::flag);
        self.or_problem(read, default)
    }

    /// One of the words of `Kind::Word`, as its index in the list.
    pub fn word(&mut self, name: &str) -> usize {
        let Kind::Word(words) = self.param(name).kind else { unreachable!("{name} is not a word") };
        let default = words.iter().position(|w| *w == self.param(name).default).unwrap_or(0);
        let Some(value) = self.value(name) else { return default };
        let text = match value.text() {
            Ok(text) => text,
            Err(problem) => {
                self.problems.push(problem);
                return default;
            }
        };
        words.iter().position(|w| *w == text).unwrap_or_else(|| {
            let problem = Problem::error(value.span, format!("'{text}' is not a choice for '{name}'"));
            self.problems.push(problem.help(format!("one of: {}", words.join(", "))));
            default
        })
    }

    /// Exactly `N` numbers (`Kind::Numbers(N)`), or `default` when not written or wrong.
    pub fn numbers<const N: usize>(&mut self, name: &str, default: [f64; N]) -> [f64; N] {
        let read = self.value(name).map(crate::base::value::Value::numbers::<N>);
        self.or_problem(read, default)
    }

    /// `N` numbers that may be keyed (`Kind::KeyedNumbers(N)`), or `default` when not written or wrong.
    pub fn curve_of<const N: usize>(
        &mut self,
        name: &str,
        default: [f64; N],
    ) -> crate::base::curve::Curve<N> {
        let read = self.value(name).map(|value| value.keyed(crate::base::value::Value::numbers::<N>));
        self.or_problem(read, crate::base::curve::Curve::steady(default))
    }

    /// Says what is wrong with a parameter that is written, and what would be right.
    pub fn wrong(&mut self, name: &str, message: String, help: &str) {
        if let Some(value) = self.value(name) {
            self.problems.push(Problem::error(value.span, message).help(help));
        }
    }

    /// Says what a person should know of a parameter that is written.
    pub fn caution(&mut self, name: &str, message: String, help: &str) {
        if let Some(value) = self.value(name) {
            self.problems.push(Problem::error(value.span, message).help(help).warning());
        }
    }

    /// Ends with what was made of the settings when there was no error.
    pub fn done<T>(self, made: T) -> Result<(T, Problems), Problems> {
        let is_wrong = |p: &Problem| p.severity == crate::base::problem::Severity::Error;
        if self.problems.iter().any(is_wrong) { Err(self.problems) } else { Ok((made, self.problems)) }
    }

    /// Ends with the operator when there was no problem.
    pub fn finish<P: Prepared + 'static>(
        self,
        make: impl FnOnce() -> P,
    ) -> Result<Box<dyn Prepared>, Problems> {
        if self.problems.iter().any(|p| p.severity == crate::base::problem::Severity::Error) {
            Err(self.problems)
        } else {
            Ok(Box::new(make()))
        }
    }

    fn or_problem<T>(&mut self, read: Option<Result<T, Problem>>, default: T) -> T {
        match read {
            None => default,
            Some(Ok(value)) => value,
            Some(Err(problem)) => {
                self.problems.push(problem);
                default
            }
        }
    }

    fn range(&mut self, name: &str, n: f64, span: Span) {
        let param = self.param(name);
        let (min, max) = match param.kind {
            Kind::Number { min, max } | Kind::Keyed { min, max } => (min, max),
            Kind::Whole { min, max } => (min as f64, max as f64),
            _ => return,
        };
        if n < min || n > max {
            let unit = if param.unit.is_empty() { String::new() } else { format!(" {}", param.unit) };
            let problem = Problem::error(span, format!("{n} is out of range for '{name}'"));
            self.problems.push(problem.help(format!("from {min} to {max}{unit}")));
        }
    }
}
