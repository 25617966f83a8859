//! `demo`: the demo film from nothing to ribbons.

use super::arguments::{Arguments, Demo};
use super::{Answer, Failure};

/// Not here yet.
pub fn run(_arguments: &Arguments, _options: &Demo) -> Answer {
    Err(Failure::System("the demo film is not part of this build".into()))
}
