//! The motions of a shapes file by name, and what is said to follow them.
//!
//! Knows names, where they stand, and which of them rests on which. What a motion does is `motion`'s part.

use std::collections::BTreeMap;
use std::sync::Arc;

use super::motion::Motion;
use crate::base::curve::Curve;
use crate::base::digest::KeyHasher;
use crate::base::problem::{Problem, Problems, Span, nearest};

/// Two points that come closer than this give no direction, in pixels.
const CLOSEST: f64 = 1e-3;

/// What a thing says that it follows: one name, or two of points.
#[derive(Clone, Debug, PartialEq)]
pub struct Follows {
    /// One or two names and where they stand.
    pub names: Vec<(Arc<str>, Span)>,
}

/// A motion, where its name stands, and what it goes on top of until that is found.
#[derive(Clone, Debug, PartialEq)]
struct Entry {
    span: Span,
    motion: Arc<Motion>,
    follows: Option<Follows>,
}

/// The motions of a file, by name.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Motions {
    entries: BTreeMap<Arc<str>, Entry>,
}

impl Follows {
    /// Feeds the names.
    pub fn feed(&self, key: &mut KeyHasher) {
        key.list(self.names.len());
        self.names.iter().for_each(|(name, _)| {
            key.text(name);
        });
    }
}

impl Motions {
    /// Feeds everything that is said of any motion.
    pub fn feed(&self, key: &mut KeyHasher) {
        key.list(self.entries.len());
        for (name, entry) in &self.entries {
            entry.motion.feed(key.text(name).flag(entry.follows.is_some()));
            if let Some(follows) = &entry.follows {
                follows.feed(key);
            }
        }
    }

    /// True when there is none.
    pub fn is_empty(&self) -> bool {
        self.entries.is_empty()
    }

    /// The motion of that name.
    pub fn named(&self, name: &str) -> Option<&Arc<Motion>> {
        self.entries.get(name).map(|entry| &entry.motion)
    }

    /// The names, in the order of the alphabet.
    pub fn names(&self) -> impl Iterator<Item = &str> {
        self.entries.keys().map(|name| &**name)
    }

    /// Adds a motion; a name that is taken is a problem.
    pub fn add(
        &mut self,
        name: Arc<str>,
        span: Span,
        motion: Motion,
        follows: Option<Follows>,
    ) -> Option<Problem> {
        if let Some(other) = self.entries.get(&name) {
            let problem = Problem::error(span, format!("'{name}' is the name of two motions"));
            return Some(problem.related(other.span, "the other one").help("give one of them another name"));
        }
        self.entries.insert(name, Entry { span, motion: Arc::new(motion), follows });
        None
    }

    /// Takes in the motions of another file, whose names must be others.
    pub fn join(&mut self, other: Motions) -> Problems {
        let mut problems = Problems::new();
        for (name, entry) in other.entries {
            match self.entries.get(&name) {
                Some(mine) => {
                    let problem = Problem::error(mine.span, format!("'{name}' is the name of two motions"));
                    problems.push(
                        problem.related(entry.span, "the other one").help("give one of them another name"),
                    );
                }
                None => {
                    self.entries.insert(name, entry);
                }
            }
        }
        problems
    }

    /// Puts moves on top of what they follow. To be called once all files are joined.
    pub fn settle(&mut self) -> Problems {
        let mut problems = Problems::new();
        let names: Vec<Arc<str>> = self.entries.keys().cloned().collect();
        for name in names {
            self.put_on(name, &mut problems);
        }
        problems
    }

    /// Puts one move on top of what it follows, going down to where the ground is known.
    fn put_on(&mut self, name: Arc<str>, problems: &mut Problems) {
        let mut way: Vec<Arc<str>> = vec![name];
        loop {
            let top = &way[way.len() - 1];
            let Some(follows) = self.entries.get(top).and_then(|entry| entry.follows.clone()) else { break };
            let (next, span) = follows.names[0].clone();
            if way.contains(&next) {
                let problem = Problem::error(span, format!("'{next}' follows itself"));
                problems.push(problem.help("a move may follow what does not follow it"));
                // Cut here, so that the circle is named once.
                self.entries.get_mut(top).expect("it was just found").follows = None;
                break;
            }
            if follows.names.len() > 1 || !self.entries.contains_key(&next) {
                break;
            }
            way.push(next);
        }
        for name in way.into_iter().rev() {
            let Some(follows) = self.entries.get_mut(&name).and_then(|entry| entry.follows.take()) else {
                continue;
            };
            match self.find(&follows) {
                Ok(under) => {
                    let entry = self.entries.get_mut(&name).expect("it was just found");
                    if let Motion::Move(by_hand) = &*entry.motion {
                        entry.motion = Arc::new(Motion::Onto(under, by_hand.clone()));
                    }
                }
                Err(problem) => problems.push(problem),
            }
        }
    }

    /// The motion that a thing says it follows.
    ///
    /// # Errors
    /// When there is none, or two names are not of points that stay apart.
    pub fn find(&self, follows: &Follows) -> Result<Arc<Motion>, Problem> {
        let one = |(name, span): &(Arc<str>, Span)| {
            self.named(name).ok_or_else(|| {
                let problem = Problem::error(*span, format!("there is no motion '{name}' to follow"));
                match nearest(name, self.names()) {
                    Some(near) => problem.help(format!("did you mean '{near}'?")),
                    None if self.entries.is_empty() => problem
                        .help("points, planes and moves of this file, or of the one that `track:` names"),
                    None => problem
                        .help(format!("known: {}", self.names().take(20).collect::<Vec<_>>().join(", "))),
                }
            })
        };
        let [first, second] = &follows.names[..] else { return one(&follows.names[0]).cloned() };
        let (a, b) = (one(first)?, one(second)?);
        let (Motion::Point(a), Motion::Point(b)) = (&**a, &**b) else {
            let (name, span) = if matches!(**a, Motion::Point(_)) { second } else { first };
            return Err(Problem::error(
                *span,
                format!("'{name}' is no point, and two are followed together only if both are"),
            ));
        };
        match meeting(&a.places, &b.places) {
            Some(frame) => {
                let message = format!(
                    "'{}' and '{}' meet after frame {frame}, where they give no direction",
                    first.0, second.0
                );
                Err(Problem::error(first.1, message).help("follow two points that stay apart"))
            }
            None => Ok(Arc::new(Motion::Pair(a.places.clone(), b.places.clone()))),
        }
    }
}

/// Frames between which two places come so close that they give no direction.
fn meeting(a: &Curve<2>, b: &Curve<2>) -> Option<i64> {
    let mut frames: Vec<i64> = a.keys().iter().chain(b.keys()).map(|key| key.0).collect();
    frames.sort_unstable();
    let apart = |frame: i64| {
        let (a, b) = (a.at(frame as f64), b.at(frame as f64));
        [b[0] - a[0], b[1] - a[1]]
    };
    frames.iter().zip(frames.iter().skip(1).chain(frames.last())).find_map(|(&first, &last)| {
        let (from, to) = (apart(first), apart(last));
        let way = [to[0] - from[0], to[1] - from[1]];
        let length = way[0] * way[0] + way[1] * way[1];
        let u = if length > 0.0 {
            (-(from[0] * way[0] + from[1] * way[1]) / length).clamp(0.0, 1.0)
        } else {
            0.0
        };
        ((from[0] + u * way[0]).hypot(from[1] + u * way[1]) < CLOSEST).then_some(first)
    })
}
