//! What single frames show, put together over frames that follow each other.
//!
//! Knows findings of one frame. Does not know what they are about.

use super::finding::{Finding, Kind};

/// A finding that goes on as long as each next frame has it too.
#[derive(Default)]
pub struct Open(Option<Finding>);

impl Open {
    /// Takes in what the next frame shows of this kind; what does not go on with it has ended.
    pub fn take(&mut self, seen: Option<Finding>, found: &mut Vec<Finding>) {
        let goes_on = match (&self.0, &seen) {
            (Some(open), Some(seen)) => {
                seen.frames.first == open.frames.last + 1 && is_same(&open.kind, &seen.kind)
            }
            _ => false,
        };
        match (&mut self.0, seen) {
            (Some(open), Some(seen)) if goes_on => {
                open.frames.last = seen.frames.last;
                open.place = match (open.place, seen.place) {
                    (Some(a), Some(b)) => Some(a.hull(b)),
                    (a, b) => a.or(b),
                };
                if seen.amount > open.amount {
                    (open.kind, open.amount, open.shows) = (seen.kind, seen.amount, seen.shows);
                    open.weight = open.weight.max(seen.weight);
                }
            }
            (_, seen) => found.extend(std::mem::replace(&mut self.0, seen)),
        }
    }

    /// The film is over.
    pub fn end(&mut self, found: &mut Vec<Finding>) {
        found.extend(self.0.take());
    }
}

/// True when the two can be one finding; numbers may differ, sizes and sides may not.
fn is_same(a: &Kind, b: &Kind) -> bool {
    match (a, b) {
        (Kind::Size { found: a, .. }, Kind::Size { found: b, .. }) => a == b,
        (Kind::SeeThrough { side: a, .. }, Kind::SeeThrough { side: b, .. }) => a == b,
        _ => std::mem::discriminant(a) == std::mem::discriminant(b),
    }
}
