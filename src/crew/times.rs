//! Time that people worked, from the rows of clocks, of work and of corrections.
//!
//! Knows which clocks run, which row ends or corrects which, whatever the order in which two people's ledgers were merged, and
//! how time falls on days. Does not know the time of day: callers pass it in with the zone that days are counted in.

use std::collections::{BTreeMap, HashMap, HashSet};
use std::sync::Arc;
use std::time::Duration;

use jiff::civil::{Date, Time};
use jiff::tz::TimeZone;
use jiff::{SignedDuration, Timestamp};

use crate::base::frames::FrameSet;
use crate::crew::contest::Contest;
use crate::ledger::crew::{Crew, Worked};
use crate::ledger::id::RowId;
use crate::ledger::row::{Entry, What};

/// A clock that has run longer than this is taken for forgotten: nobody works so long in one go.
pub const LONG: Duration = Duration::from_secs(10 * 3600);
/// A clock that ran through [`NIGHT`] is taken for forgotten when it has run this long: one that began in the small hours is not.
pub const LATE: Duration = Duration::from_secs(4 * 3600);
/// When people sleep, whatever day they call it.
pub const NIGHT: Time = Time::constant(4, 0, 0, 0);
/// A stretch over more days than this is a slip of the pen, and is not spread over them.
const DAYS: i64 = 31;

/// A clock that runs: it was started, and nothing ends it.
#[derive(Clone, Copy, Debug)]
pub struct Clock<'a> {
    /// Its row, whose own time is when it began.
    pub entry: &'a Entry,
    /// Whose.
    pub person: &'a Arc<str>,
    /// The change that made the work necessary; may be empty.
    pub cause: &'a Arc<str>,
    /// In the person's words.
    pub note: &'a Arc<str>,
}

/// Why a clock is taken for forgotten.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Forgotten {
    /// It has run for longer than a working day.
    Day,
    /// It has run across a night.
    Night,
    /// It began later than now: a machine's date is or was wrong.
    Future,
}

impl Clock<'_> {
    /// `SHOT/STAGE`.
    pub fn place(&self) -> String {
        format!("{}/{}", self.entry.row.shot, self.entry.row.stage)
    }

    /// True of a clock on this stage.
    pub fn is_on(&self, shot: &str, stage: &str) -> bool {
        *self.entry.row.shot == *shot && *self.entry.row.stage == *stage
    }

    /// How long it has run; none when it began later than now.
    pub fn ran(&self, now: Timestamp) -> Option<Duration> {
        Duration::try_from(now.duration_since(self.entry.row.when)).ok()
    }

    /// Why it is taken for forgotten, when it is.
    pub fn forgotten(&self, now: Timestamp, zone: &TimeZone) -> Option<Forgotten> {
        let Some(ran) = self.ran(now) else { return Some(Forgotten::Future) };
        let began = self.entry.row.when;
        if ran > LONG {
            return Some(Forgotten::Day);
        }
        // Within ten hours there is one night at most, of this day or of the next.
        let day = zone.to_datetime(began).date();
        let nights = [Some(day), day.tomorrow().ok()];
        let is_crossed = nights.into_iter().flatten().any(|day| {
            zone.to_timestamp(day.to_datetime(NIGHT)).is_ok_and(|night| began < night && night <= now)
        });
        (is_crossed && ran > LATE).then_some(Forgotten::Night)
    }
}

/// Time that a person worked, as the rows have it now.
#[derive(Clone, Copy, Debug)]
pub struct Work<'a> {
    /// The row of [`Crew::Worked`].
    pub entry: &'a Entry,
    /// What it says.
    pub worked: &'a Worked,
    /// How long it took: what the last correction says, or else the row. Zero when it was taken away.
    pub took: Duration,
    /// The row that corrected it.
    pub corrected: Option<RowId>,
}

impl<'a> Work<'a> {
    /// The frames.
    pub fn frames(&self) -> &'a FrameSet {
        &self.entry.row.frames
    }

    /// From when to when, where it is known when it began. A correction leaves the beginning and moves the end.
    pub fn stretch(&self) -> Option<(Timestamp, Timestamp)> {
        let began = self.worked.began?;
        Some((began, began.checked_add(self.took).ok()?))
    }

    /// When it was done: the end of its stretch, or the row's own time.
    pub fn ended(&self) -> Timestamp {
        self.stretch().map_or(self.entry.row.when, |(_, end)| end)
    }

    /// What of it falls on which day, in order; the parts add up to [`Work::took`]. Where only a day is known, all falls on it.
    pub fn days(&self, zone: &TimeZone) -> Vec<(Date, Duration)> {
        match self.stretch() {
            Some((began, end)) => spread(began, end, zone),
            None => vec![(zone.to_datetime(self.entry.row.when).date(), self.took)],
        }
    }
}

/// What of a stretch of time falls on which day.
fn spread(began: Timestamp, end: Timestamp, zone: &TimeZone) -> Vec<(Date, Duration)> {
    let between = |a: Timestamp, b: Timestamp| Duration::try_from(b.duration_since(a)).unwrap_or_default();
    let (first, last) = (zone.to_datetime(began).date(), zone.to_datetime(end).date());
    let is_long = first.until(last).is_ok_and(|span| i64::from(span.get_days()) > DAYS);
    let mut days = Vec::new();
    let (mut day, mut at) = (first, began);
    // A day begins when the zone says so: it has 23 or 25 hours where clocks are put forward or back.
    while day < last && !is_long {
        let Some((next, starts)) = day.tomorrow().ok().and_then(|next| Some((next, starts(next, zone)?)))
        else {
            break;
        };
        if starts > at {
            days.push((day, between(at, starts)));
        }
        (day, at) = (next, starts.max(at));
    }
    if end > at || days.is_empty() {
        days.push((day, between(at, end)));
    }
    days
}

/// The moment that stands for a whole day where no time of day is known: noon UTC, which is that day from twelve hours west of
/// Greenwich until almost twelve hours east of it, so that crews far apart read the same day. Where noon UTC is another day for the
/// person, who lives further east, it is the last hour of the person's own day.
pub fn on(day: Date, zone: &TimeZone) -> Option<Timestamp> {
    let noon = day.at(12, 0, 0, 0).to_zoned(TimeZone::UTC).ok()?.timestamp();
    let (begins, ends) = (starts(day, zone)?, starts(day.tomorrow().ok()?, zone)?);
    let last_hour = ends.checked_sub(SignedDuration::from_hours(1)).ok()?;
    Some(noon.min(last_hour).max(begins))
}

/// When a day begins in a zone.
fn starts(day: Date, zone: &TimeZone) -> Option<Timestamp> {
    day.to_zoned(zone.clone()).ok().map(|start| start.timestamp())
}

/// All clocks and all time of people.
#[derive(Debug, Default)]
pub struct Times<'a> {
    /// Clocks that run, in order of their rows.
    pub running: Vec<Clock<'a>>,
    /// Time worked, in order of rows. Those that were taken away are among them, with no time.
    pub works: Vec<Work<'a>>,
    /// The same time written down twice: rows that end a clock which an earlier row ended, as when it was stopped on two machines,
    /// and those that [`twice`] finds. They do not count.
    pub doubled: Vec<Work<'a>>,
    /// Rows whose last two corrections are of two people and say different times, as when both put it right before their
    /// ledgers were merged: the later one counts. Whoever has seen both puts an end to it by correcting the row twice.
    pub contested: Vec<Contest<'a>>,
    /// Rows that correct what this ledger does not have.
    pub astray: Vec<&'a Entry>,
}

impl<'a> Times<'a> {
    /// What these rows come to, which are in order of id.
    pub fn of(entries: &'a [Entry]) -> Self {
        let mut times = Self::default();
        let mut ended: HashMap<RowId, ()> = HashMap::new();
        let twice = twice(entries);
        let mut corrections: Vec<(&'a Entry, RowId, Duration)> = Vec::new();
        let mut places: HashMap<RowId, Place> = HashMap::new();
        let mut begins: Vec<Clock<'a>> = Vec::new();
        for entry in entries {
            match &entry.row.what {
                What::Crew(Crew::Begin { person, cause, note }) => {
                    begins.push(Clock { entry, person, cause, note });
                }
                What::Crew(Crew::Worked(worked)) => {
                    let work = Work { entry, worked, took: worked.took, corrected: None };
                    let is_ended = worked.ends.is_some_and(|of| ended.insert(of, ()).is_some());
                    let is_double = is_ended || twice.contains(&entry.id);
                    let list = if is_double { &mut times.doubled } else { &mut times.works };
                    places.insert(entry.id, Place { is_double, at: list.len() });
                    list.push(work);
                }
                What::Crew(Crew::Correct { of, took, .. }) => corrections.push((entry, *of, *took)),
                _ => {}
            }
        }
        // A clock of another machine may lag, so that an end or a correction stands before what it is about.
        times.running = begins.into_iter().filter(|clock| !ended.contains_key(&clock.entry.id)).collect();
        let meant: HashMap<RowId, RowId> = corrections.iter().map(|(entry, of, _)| (entry.id, *of)).collect();
        let mut last: BTreeMap<RowId, Contest<'a>> = BTreeMap::new();
        for (entry, of, took) in corrections {
            let of = root(of, &meant);
            match places.get(&of) {
                Some(place) => {
                    let list = if place.is_double { &mut times.doubled } else { &mut times.works };
                    let work = &mut list[place.at];
                    (work.took, work.corrected) = (took, Some(entry.id));
                    let before = last.remove(&of).map(|contest| (contest.holds, contest.took));
                    last.insert(of, Contest { of: work.entry, holds: entry, took, before });
                }
                None => times.astray.push(entry),
            }
        }
        times.contested = last.into_values().filter(Contest::is_one).collect();
        times
    }

    /// The clocks of a person that run.
    pub fn running_of(&self, person: &str) -> impl Iterator<Item = &Clock<'a>> {
        self.running.iter().filter(move |clock| &**clock.person == person)
    }

    /// Time worked that was not taken away.
    pub fn counted(&self) -> impl Iterator<Item = &Work<'a>> {
        self.works.iter().filter(|work| !work.took.is_zero())
    }

    /// The row whose name stands for a piece of work: that of the clock which it ended, so that a clock keeps its name when it stops;
    /// its own where another ended the same clock and counts.
    pub fn name_of(&self, work: &Work<'a>) -> RowId {
        let own = work.entry.id;
        let is_doubled = self.doubled.iter().any(|other| other.entry.id == own);
        work.worked.ends.filter(|_| !is_doubled).unwrap_or(own)
    }

    /// The work that a row stands for: the clock that it ended, or the row itself.
    pub fn work_of(&self, id: RowId) -> Option<&Work<'a>> {
        let own = |work: &&Work<'a>| work.entry.id == id;
        let ended = self.works.iter().find(|work| work.worked.ends == Some(id));
        ended.or(self.works.iter().find(own)).or(self.doubled.iter().find(own))
    }

    /// Sums of time worked by what `name` says of each; the longest first, then by name.
    pub fn sums(&self, name: impl Fn(&Work<'a>) -> Arc<str>) -> Vec<(Arc<str>, Duration)> {
        let mut sums: HashMap<Arc<str>, Duration> = HashMap::new();
        for work in self.counted() {
            let sum = sums.entry(name(work)).or_default();
            *sum = sum.saturating_add(work.took);
        }
        let mut sums: Vec<_> = sums.into_iter().collect();
        sums.sort_unstable_by(|a, b| b.1.cmp(&a.1).then_with(|| a.0.cmp(&b.0)));
        sums
    }
}

/// Rows of a packet's time sheet that say what an earlier row of another writer says, as when two people took the packet back, each
/// in a copy of the film, and their ledgers were merged. Who takes a packet back by themselves writes a line once, and lines that are
/// alike as often as they stand in the sheet: so a line counts as often as the writer has it who has it most often.
pub fn twice(entries: &[Entry]) -> HashSet<RowId> {
    let mut counted = HashMap::new();
    let mut written = HashMap::new();
    let mut twice = HashSet::new();
    for entry in entries {
        let What::Crew(Crew::Worked(worked)) = &entry.row.what else { continue };
        if worked.packet.is_empty() {
            continue;
        }
        // A sheet's day is the same one by the clocks of Greenwich ([`on`]), whoever took it back where.
        let day = entry.row.when.to_zoned(TimeZone::UTC).date();
        let place = (&entry.row.shot, &entry.row.stage, entry.row.frames.to_string());
        let line = (&worked.packet, &worked.person, day, place, worked.took, &worked.note);
        let of_writer: &mut usize = written.entry((&entry.writer, line.clone())).or_default();
        let all: &mut usize = counted.entry(line).or_default();
        *of_writer += 1;
        if *of_writer > *all {
            *all = *of_writer;
        } else {
            twice.insert(entry.id);
        }
    }
    twice
}

/// Where a row stands in its list.
struct Place {
    is_double: bool,
    at: usize,
}

/// The row that a correction is about in the end, when it names another correction. `meant` has of each correction the row that
/// it names.
pub fn root(of: RowId, meant: &HashMap<RowId, RowId>) -> RowId {
    let (mut at, mut seen) = (of, HashSet::new());
    while let Some(&next) = meant.get(&at).filter(|_| seen.insert(at)) {
        at = next;
    }
    at
}

#[cfg(test)]
pub mod tests {
    use super::*;
    use crate::ledger::row::Row;

    /// A row of people's work on br030/blades.
    pub fn entry(n: u128, when: &str, what: Crew) -> Entry {
        let row = Row {
            when: when.parse().unwrap(),
            film: "The Brine Lamp".into(),
            shot: "br030".into(),
            stage: "blades".into(),
            frames: "1009-1018".parse().unwrap(),
            by: "ana".into(),
            what: What::Crew(what),
        };
        Entry { id: RowId(n), writer: "ana".into(), row }
    }

    /// A clock of a person.
    pub fn begin(person: &str) -> Crew {
        Crew::Begin { person: person.into(), cause: "".into(), note: "".into() }
    }

    /// Minutes of a person, begun then.
    pub fn worked(person: &str, minutes: u64, began: Option<&str>, ends: Option<u128>) -> Crew {
        Crew::Worked(Worked {
            person: person.into(),
            took: minutes_of(minutes),
            began: began.map(|began| began.parse().unwrap()),
            round: None,
            cause: "".into(),
            ends: ends.map(RowId),
            packet: "".into(),
            note: "".into(),
        })
    }

    pub fn correct(of: u128, minutes: u64) -> Crew {
        Crew::Correct { of: RowId(of), took: minutes_of(minutes), note: "".into() }
    }

    pub fn minutes_of(minutes: u64) -> Duration {
        Duration::from_secs(minutes * 60)
    }

    pub const EVENING: &str = "2026-11-20T19:00:00Z";

    /// Zones from twelve hours west of Greenwich to fourteen east of it are in use.
    #[test]
    fn a_day_without_a_time_is_the_same_day_for_the_person_and_almost_everywhere() {
        let day: Date = "2026-11-20".parse().unwrap();
        let zone = |hours: i8| TimeZone::fixed(jiff::tz::offset(hours));
        for person in -12..=14 {
            let when = on(day, &zone(person)).unwrap();
            for reader in (-9..=11).chain([person]) {
                assert_eq!(zone(reader).to_datetime(when).date(), day, "{person} read at {reader}");
            }
        }
        // Where clocks are put back and forward in the same night.
        for name in ["America/St_Johns", "Pacific/Apia", "Europe/Brussels"] {
            let zone = TimeZone::get(name).unwrap();
            for day in ["2011-12-29", "2011-12-31", "2026-10-25", "2026-03-29"] {
                let day: Date = day.parse().unwrap();
                assert_eq!(zone.to_datetime(on(day, &zone).unwrap()).date(), day, "{name}");
            }
        }
    }

    #[test]
    fn the_last_correction_holds_and_no_time_takes_a_row_away() {
        let entries = [
            entry(1, EVENING, worked("ana", 90, None, None)),
            entry(2, EVENING, worked("ana", 30, None, None)),
            entry(3, EVENING, worked("tomas", 20, None, None)),
            entry(4, EVENING, correct(1, 45)),
            entry(5, EVENING, correct(2, 0)),
            entry(6, EVENING, correct(1, 60)),
            // A correction of a correction is about the row itself.
            entry(7, EVENING, correct(4, 50)),
            // Of nothing that this ledger has, and in a circle.
            entry(8, EVENING, correct(99, 50)),
            entry(9, EVENING, correct(9, 50)),
        ];
        let times = Times::of(&entries);
        let took: Vec<(u128, u64, Option<u128>)> = (times.works.iter())
            .map(|w| (w.entry.id.0, w.took.as_secs() / 60, w.corrected.map(|id| id.0)))
            .collect();
        assert_eq!(took, [(1, 50, Some(7)), (2, 0, Some(5)), (3, 20, None)]);
        assert_eq!(times.counted().count(), 2);
        assert_eq!(times.astray.iter().map(|e| e.id.0).collect::<Vec<_>>(), [8, 9]);
        let sums = times.sums(|work| work.worked.person.clone());
        assert_eq!(sums, [("ana".into(), minutes_of(50)), ("tomas".into(), minutes_of(20))]);
    }

    #[test]
    fn a_clock_runs_until_a_row_ends_it_wherever_that_row_stands() {
        let entries = [
            // Tomas' machine is behind: his end stands before his beginning.
            entry(1, EVENING, worked("tomas", 20, Some(EVENING), Some(4))),
            entry(2, EVENING, begin("ana")),
            entry(3, EVENING, worked("ana", 10, Some(EVENING), Some(2))),
            entry(4, EVENING, begin("tomas")),
            entry(5, EVENING, begin("ana")),
            // Ana stopped the first clock on her other machine as well, hours later.
            entry(6, EVENING, worked("ana", 400, Some(EVENING), Some(2))),
            // This ends a clock of a ledger that is not here.
            entry(7, EVENING, worked("ines", 5, None, Some(77))),
            entry(8, EVENING, correct(6, 300)),
        ];
        let times = Times::of(&entries);
        assert_eq!(times.running.iter().map(|clock| clock.entry.id.0).collect::<Vec<_>>(), [5]);
        assert_eq!(times.running_of("ana").count(), 1);
        assert_eq!(times.running_of("tomas").count(), 0);
        assert_eq!(times.works.iter().map(|work| work.entry.id.0).collect::<Vec<_>>(), [1, 3, 7]);
        assert_eq!(times.doubled.iter().map(|work| work.entry.id.0).collect::<Vec<_>>(), [6]);
        assert!(times.astray.is_empty());
        assert!(Times::of(&[]).running.is_empty());
    }

    #[test]
    fn a_line_of_a_sheet_that_two_people_took_back_counts_once() {
        let of = |n: u128, writer: &str, minutes: u64| {
            let Crew::Worked(worked) = worked("ines", minutes, None, None) else { unreachable!() };
            let worked = Worked { packet: "ines-1".into(), ..worked };
            Entry { writer: writer.into(), ..entry(n, EVENING, Crew::Worked(worked)) }
        };
        // Two lines of the sheet are alike; the keeper took it back when there was one of them only.
        let entries = [
            of(1, "ana", 60),
            of(2, "keeper", 60),
            of(3, "ana", 60),
            of(4, "keeper", 30),
            entry(5, EVENING, worked("ines", 60, None, None)),
            Entry { writer: "keeper".into(), ..entry(6, EVENING, worked("ines", 60, None, None)) },
        ];
        let times = Times::of(&entries);
        let ids = |list: &[Work<'_>]| list.iter().map(|work| work.entry.id.0).collect::<Vec<_>>();
        assert_eq!((ids(&times.works), ids(&times.doubled)), (vec![1, 3, 4, 5, 6], vec![2]));
        // What is put right of a row that does not count stays without effect.
        let times_of = [entries[0].clone(), entries[1].clone(), entry(7, EVENING, correct(2, 90))];
        assert_eq!(
            Times::of(&times_of).sums(|work| work.worked.person.clone()),
            [("ines".into(), minutes_of(60))]
        );
    }

    fn zone(name: &str) -> TimeZone {
        TimeZone::get(name).unwrap()
    }

    #[test]
    fn a_clock_of_a_long_day_a_night_or_the_future_is_forgotten() {
        let forgotten = |began: &str, now: &str| {
            let entries = [entry(1, began, begin("ana"))];
            let times = Times::of(&entries);
            times.running[0].forgotten(now.parse().unwrap(), &zone("Europe/Lisbon"))
        };
        // An evening past midnight is an evening.
        assert_eq!(forgotten("2026-11-20T21:00:00Z", "2026-11-21T02:30:00Z"), None);
        assert_eq!(forgotten("2026-11-20T21:00:00Z", "2026-11-21T04:00:00Z"), Some(Forgotten::Night));
        // The small hours alone are no night that was slept through.
        assert_eq!(forgotten("2026-11-21T03:30:00Z", "2026-11-21T06:00:00Z"), None);
        assert_eq!(forgotten("2026-11-21T08:00:00Z", "2026-11-21T18:00:00Z"), None);
        assert_eq!(forgotten("2026-11-21T08:00:00Z", "2026-11-21T18:00:01Z"), Some(Forgotten::Day));
        assert_eq!(forgotten("2026-11-21T08:00:00Z", "2026-11-21T07:59:59Z"), Some(Forgotten::Future));
    }

    #[test]
    fn time_falls_on_the_days_that_it_was_worked_on() {
        let days = |minutes: u64, began: Option<&str>, zone: &TimeZone| {
            let entries = [entry(1, EVENING, worked("ana", minutes, began, None))];
            let days = Times::of(&entries).works[0].days(zone);
            days.into_iter().map(|(day, took)| (day.to_string(), took.as_secs() / 60)).collect::<Vec<_>>()
        };
        let day = |day: &str, minutes: u64| (day.to_string(), minutes);
        let utc = TimeZone::UTC;
        assert_eq!(days(90, None, &utc), [day("2026-11-20", 90)]);
        assert_eq!(
            days(90, Some("2026-11-20T23:00:00Z"), &utc),
            [day("2026-11-20", 60), day("2026-11-21", 30)]
        );
        assert_eq!(days(60, Some("2026-11-20T23:00:00Z"), &utc), [day("2026-11-20", 60)]);
        assert_eq!(days(0, Some("2026-11-20T23:00:00Z"), &utc), [day("2026-11-20", 0)]);
        // On 25 October 2026 clocks in the European Union go back at 01:00 UTC (Directive 2000/84/EC), so that the day has 25 hours.
        let brussels = zone("Europe/Brussels");
        let night = Some("2026-10-24T21:00:00Z");
        let long = days(27 * 60, night, &brussels);
        assert_eq!(long, [day("2026-10-24", 60), day("2026-10-25", 25 * 60), day("2026-10-26", 60)]);
        // On 28 March 2027 they go forward, and the day has 23.
        let long = days(25 * 60, Some("2027-03-27T22:00:00Z"), &brussels);
        assert_eq!(long, [day("2027-03-27", 60), day("2027-03-28", 23 * 60), day("2027-03-29", 60)]);
        // Years in one go are a slip, and stand on the day that they begin on.
        assert_eq!(days(60 * 24 * 365, night, &brussels), [day("2026-10-24", 60 * 24 * 365)]);
        assert_eq!(days(u64::MAX / 60, night, &brussels).len(), 1);
    }
}
