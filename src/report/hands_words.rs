//! What people's and machines' time comes to, in sentences: the final steps, what changed since the week before, what waited.
//!
//! Knows how such things are said. Does not know where they come from.

use std::time::Duration;

use crate::crew::waiting::{Packet, Waited};
use crate::report::hands::{Side, Sides};
use crate::report::words::{self, percent, share, time};

/// Entries told of one list.
const TOLD: usize = 5;

/// The final steps' part of all time, and which of them took longest.
pub fn finals(sides: &Sides) -> Option<String> {
    let all = sides.all_finals();
    if sides.finals.is_empty() {
        return None;
    }
    let names: Vec<&str> = sides.finals.iter().map(|side| &*side.name).collect();
    let hands = all.hands.all();
    let mut text = format!(
        "The final steps ({}) took {} of hands and {} of machines",
        names.join(", "),
        time(hands),
        time(all.machines.wall)
    );
    if !sides.total.hands.all().is_zero() {
        text += &format!(": {} of all time of hands", percent(share(hands, sides.total.hands.all())));
    }
    let slowest = sides.finals.iter().max_by_key(|side| (side.hands.all(), side.machines.wall));
    if let Some(side) = slowest.filter(|side| sides.finals.len() > 1 && !side.all().is_zero()) {
        text += &format!(
            "; the slowest is {}, with {} of hands and {} of machines",
            side.name,
            time(side.hands.all()),
            time(side.machines.wall)
        );
    }
    Some(text + ".")
}

/// `4 h 00 m more`, `20 m 00 s less`, `as much`.
fn against(now: Duration, before: Duration) -> String {
    match now.cmp(&before) {
        std::cmp::Ordering::Equal => "as much".into(),
        std::cmp::Ordering::Greater => format!("{} more", time(now - before)),
        std::cmp::Ordering::Less => format!("{} less", time(before - now)),
    }
}

/// What changed from one span of days to the next, in sentences. `span` names this one, such as `this week`, and `last` the one before.
pub fn change(now: &Sides, before: &Sides, span: &str, last: &str) -> Vec<String> {
    let (hands, machines) = (now.total.hands.all(), now.total.machines.wall);
    let (hands_then, machines_then) = (before.total.hands.all(), before.total.machines.wall);
    if [hands, machines, hands_then, machines_then].iter().all(Duration::is_zero) {
        return vec![format!("Nothing was worked or rendered {span} or {last}.")];
    }
    let mut said = vec![format!(
        "Hands {span} {}, {} than {last}; machines {}, {}.",
        time(hands),
        against(hands, hands_then).replace("as much", "no more and no less"),
        time(machines),
        against(machines, machines_then)
    )];
    let rework = (now.total.hands.rework, before.total.hands.rework);
    if rework != (Duration::ZERO, Duration::ZERO) {
        let part = |of: Duration, all: Duration| percent(share(of, all));
        said.push(format!(
            "Rework was {} of hands' time, and {last} {}.",
            part(rework.0, hands),
            part(rework.1, hands_then)
        ));
    }
    for (what, list, then) in [("stage", &now.stages, &before.stages), ("cause", &now.causes, &before.causes)]
    {
        let (more, less) = moved(list, then);
        let told = |(name, by): &(String, Duration)| format!("{name} ({})", time(*by));
        let (more, less): (Vec<String>, Vec<String>) =
            (more.iter().map(told).collect(), less.iter().map(told).collect());
        let parts: Vec<String> = [("more on", more), ("less on", less)]
            .into_iter()
            .filter(|(_, names)| !names.is_empty())
            .map(|(word, names)| format!("{word} {}", names.join(", ")))
            .collect();
        if !parts.is_empty() {
            said.push(format!("By {what}, hands and machines together: {}.", parts.join("; ")));
        }
    }
    let new = |list: &[Side], then: &[Side]| -> Vec<String> {
        let is_new = |side: &&Side| !side.all().is_zero() && !then.iter().any(|t| t.name == side.name);
        list.iter().filter(is_new).take(TOLD).map(|side| words::fit(&side.name, 40, false)).collect()
    };
    for (word, names) in
        [("People", new(&now.people, &before.people)), ("Shots", new(&now.shots, &before.shots))]
    {
        if !names.is_empty() {
            said.push(format!("{word} that were not there {last}: {}.", names.join(", ")));
        }
    }
    said
}

/// Names, and by how much each differs.
type Differences = Vec<(String, Duration)>;

/// What took more and what took less than before, the largest differences first.
fn moved(now: &[Side], before: &[Side]) -> (Differences, Differences) {
    let then = |name: &str| before.iter().find(|side| &*side.name == name).map_or(Duration::ZERO, Side::all);
    let name = |side: &Side| words::fit(&side.name, 40, false);
    let mut more: Differences =
        now.iter().map(|side| (name(side), side.all().saturating_sub(then(&side.name)))).collect();
    let is_now = |name: &str| now.iter().find(|side| &*side.name == name).map_or(Duration::ZERO, Side::all);
    let mut less: Differences =
        before.iter().map(|side| (name(side), side.all().saturating_sub(is_now(&side.name)))).collect();
    for list in [&mut more, &mut less] {
        list.retain(|(_, by)| !by.is_zero());
        list.sort_by(|a, b| b.1.cmp(&a.1).then_with(|| a.0.cmp(&b.0)));
        list.truncate(3);
    }
    (more, less)
}

/// What waited for a person, and which packets are or were out, a line each.
pub fn waiting(waited: &[Waited], packets: &[Packet]) -> Vec<String> {
    let mut said = Vec::new();
    if !waited.is_empty() {
        let all = waited.iter().fold(Duration::ZERO, |sum, one| sum.saturating_add(one.time));
        let mean = all / u32::try_from(waited.len()).unwrap_or(u32::MAX);
        said.push(format!(
            "Waiting for a first hand, since all that a stage rests on was there: {}, on average {}",
            words::count(waited.len() as u64, "stage"),
            words::days(mean)
        ));
    }
    for one in waited.iter().take(TOLD) {
        let place = words::fit(&format!("{}/{}", one.shot, one.stage), 40, false);
        said.push(match &one.touched {
            Some((_, person)) => {
                format!("  {place}  {}, then {}", words::days(one.time), words::fit(person, 30, false))
            }
            None => format!("  {place}  {} so far, and nobody has touched it", words::days(one.time)),
        });
    }
    let (out, back): (Vec<&Packet>, Vec<&Packet>) = packets.iter().partition(|packet| packet.back.is_none());
    let one = |packet: &&Packet| {
        let name = words::fit(&packet.name, 40, false);
        format!("  {name}  {}, {}", words::days(packet.time), words::fit(&packet.person, 30, false))
    };
    for (title, list) in
        [("Packets that are out", out), ("Packets that came back, and how long they were out", back)]
    {
        if !list.is_empty() {
            said.push(format!("{title}: {}", list.len()));
            said.extend(list.iter().take(TOLD).map(one));
        }
    }
    said
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::crew::times::Times;
    use crate::report::hands::tests::{all, entries};
    use jiff::tz::TimeZone;

    fn sides(from: &str, until: &str) -> Sides {
        let (entries, zone) = (entries(), TimeZone::UTC);
        let day = |text: &str| Some(text.parse().unwrap());
        Sides::of(&entries, &Times::of(&entries), &all(&zone, day(from), day(until)))
    }

    #[test]
    fn the_final_steps_are_called_out_with_peoples_time() {
        let all = sides("2026-01-01", "2028-01-01");
        assert_eq!(
            finals(&all).unwrap(),
            "The final steps (colour, last by hand) took 14 h 00 m of hands and 30 m 00 s of machines: 97 % of all time of hands; \
             the slowest is colour, with 11 h 00 m of hands and 30 m 00 s of machines."
        );
        assert_eq!(finals(&Sides::default()), None);
    }

    #[test]
    fn one_week_is_set_against_the_one_before() {
        let (last, this) = (sides("2026-12-28", "2027-01-04"), sides("2027-01-04", "2027-01-11"));
        let said = change(&this, &last, "this week", "last week");
        assert_eq!(
            said,
            [
                "Hands this week 30 m 00 s, 12 h 00 m less than last week; machines 1 h 00 m, 30 m 00 s more.",
                "Rework was 0 % of hands' time, and last week 80 %.",
                "By stage, hands and machines together: more on blades (1 h 00 m), roto (30 m 00 s); less on look (11 h 30 m), paint (1 h 30 m).",
                "By cause, hands and machines together: less on keeper moved (9 h 30 m), first pass (2 h 00 m).",
            ]
        );
        let none = change(&Sides::default(), &Sides::default(), "this week", "last week");
        assert_eq!(none, ["Nothing was worked or rendered this week or last week."]);
        let same = change(&this, &this, "this week", "last week");
        assert_eq!(
            same[0],
            "Hands this week 30 m 00 s, no more and no less than last week; machines 1 h 00 m, as much."
        );
        let first = change(&this, &Sides::default(), "this week", "last week");
        assert!(first.iter().any(|line| line.ends_with("not there last week: ana.")), "{first:?}");
    }
}
