//! What becomes of a run when a shared store does not do as it is asked: how long it is left alone, and what is told, once.
//!
//! Knows the kinds of trouble. Does not know where a person has to look: the words that it is given say that.

use std::time::{Duration, Instant};

use super::bucket::BucketError;
use super::{Shared, Side};

/// How long a store that could not be reached is left alone, at first and at most. Between, it doubles.
pub(super) const PAUSE: (Duration, Duration) = (Duration::from_secs(5), Duration::from_secs(60));
/// How long what is no store, or knows nobody here, is left alone: longer than any run.
const RUN: Duration = Duration::from_secs(30 * 24 * 3600);

impl Shared {
    /// It did as it was asked.
    pub(super) fn reached(&self, side: Side) {
        let mut way = self.lock();
        way.away[side as usize] = None;
        let (was_away, is_back) = &mut way.told[side as usize];
        let is_new = *was_away && !std::mem::replace(is_back, *was_away);
        drop(way);
        if is_new {
            (self.tell)(format!("{} is to be had again", self.at));
        }
    }

    /// It did not do as it was asked at that time.
    pub(super) fn met(&self, side: Side, error: &BucketError, began: Instant) {
        let words = match (error, side) {
            (BucketError::Stopped, _) => return,
            (BucketError::Refused(why), Side::Read) => {
                let was = std::mem::replace(&mut self.lock().unread, true);
                let words = format!("{} may not be read ({why})", self.at);
                (!was).then(|| self.going_on(words, "this run goes on without it"))
            }
            (BucketError::Refused(why), Side::Write) => {
                let mut way = self.lock();
                way.refused = true;
                let was = std::mem::replace(&mut way.unwritten, true);
                let words = format!("{} may not be written ({why})", self.at);
                (!was).then(|| self.going_on(words, "nothing is sent in this run"))
            }
            (BucketError::Away(why), _) => {
                let told = [Side::Read, Side::Write].map(|side| self.pause(side, began));
                let words = format!("{} is not to be had ({why})", self.at);
                (!told[0] && !told[1]).then(|| self.going_on(words, "going on with what is here"))
            }
            (BucketError::NoStore(_) | BucketError::Wrong(_), _) => {
                let mut way = self.lock();
                way.away = [Some((Instant::now() + RUN, PAUSE.1)); 2];
                // That it is there again is for the next run to find.
                let is_new = std::mem::replace(&mut way.told, [(true, true); 2]) != [(true, true); 2];
                let words = match error {
                    BucketError::Wrong(why) => format!("{} may not be used ({why})", self.at),
                    other => format!("{}: {other}", self.at),
                };
                is_new.then(|| self.going_on(words, "this run goes on without it"))
            }
            (
                BucketError::Failed(_)
                | BucketError::TooLarge { .. }
                | BucketError::Here(_)
                | BucketError::NoRoom { .. },
                _,
            ) => {
                let does = if side == Side::Read { "gives nothing" } else { "takes nothing" };
                let words = format!("{} {does} now ({error})", self.at);
                (!self.pause(side, began)).then(|| self.going_on(words, "going on with what is here"))
            }
        };
        words.into_iter().for_each(|words| (self.tell)(words));
    }

    /// What is told of trouble with it: also how a run goes on, unless there is nothing in it to go on with.
    fn going_on(&self, trouble: String, way: &str) -> String {
        if self.only_sends { trouble } else { format!("{trouble}: {way}") }
    }

    /// Leaves it alone for a while. Says whether that was told before.
    fn pause(&self, side: Side, began: Instant) -> bool {
        let mut way = self.lock();
        // Of many requests that end alike, all but the first were under way when that was found out.
        if way.found[side as usize].is_some_and(|found| found > began) && way.is_away(side) {
            return true;
        }
        way.found[side as usize] = Some(Instant::now());
        let away = &mut way.away[side as usize];
        let pause = away.map_or(PAUSE.0, |(_, last)| (last * 2).min(PAUSE.1));
        *away = Some((Instant::now() + pause, pause));
        std::mem::replace(&mut way.told[side as usize].0, true)
    }
}
