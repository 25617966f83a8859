//! Which clock a person means: by its shot and stage, or by saying nothing where only one runs.
//!
//! Knows clocks that run. Does not know how callers name them, nor what becomes of the one that is meant.

use crate::crew::times::{Clock, Times};
use crate::report::words;

/// Why no one clock is meant.
#[derive(Clone, Debug)]
pub struct NotOne<'t, 'e> {
    person: String,
    on: Option<String>,
    /// Those among which the person has to choose; none when no clock of the person runs.
    pub running: Vec<&'t Clock<'e>>,
    several: bool,
}

impl NotOne<'_, '_> {
    /// In words, with a clock as `name` names it.
    pub fn words(&self, name: impl Fn(&Clock<'_>) -> String) -> String {
        let on = self.on.as_ref().map_or(String::new(), |on| format!(" on {on}"));
        let (person, count) = (&self.person, self.running.len());
        let names = self.running.iter().map(|clock| name(clock)).collect::<Vec<_>>().join(", ");
        match (self.several, count) {
            (_, 0) => format!("no clock of {person} runs"),
            (true, _) => format!("{count} clocks of {person} run{on}; say which: {names}"),
            (false, 1) => format!("no clock of {person} runs{on}; the one that runs is {names}"),
            (false, _) => format!("no clock of {person} runs{on}; those that run are {names}"),
        }
    }
}

/// The clock of a person that runs on the shot and stage that are named, either of which may be left out; without both, the
/// person's only one. Who names another stage than the one that runs is mistaken, and stops none.
///
/// # Errors
/// None is meant, or several.
pub fn one_of<'t, 'e>(
    times: &'t Times<'e>,
    person: &str,
    (shot, stage): (&str, &str),
) -> Result<&'t Clock<'e>, NotOne<'t, 'e>> {
    let running: Vec<&Clock<'e>> = times.running_of(person).collect();
    let is_named = |clock: &&Clock<'e>| {
        let row = &clock.entry.row;
        (shot.is_empty() || *row.shot == *shot) && (stage.is_empty() || *row.stage == *stage)
    };
    let named: Vec<&Clock<'e>> = running.iter().copied().filter(is_named).collect();
    let on = match (shot, stage) {
        ("", "") => None,
        (shot, "") => Some(shot.to_string()),
        ("", stage) => Some(format!("*/{stage}")),
        (shot, stage) => Some(format!("{shot}/{stage}")),
    };
    let (person, on) = (person.to_string(), on.map(|on| words::fit(&on, 80, false)));
    match named[..] {
        [one] => Ok(one),
        [] => Err(NotOne { person, on, running, several: false }),
        _ => Err(NotOne { person, on, running: named, several: true }),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::crew::times::tests::{begin, entry};

    #[test]
    fn a_clock_on_another_stage_is_never_meant() {
        let mut rows = vec![
            entry(1, "2026-11-27T09:00:00Z", begin("ana")),
            entry(2, "2026-11-27T10:00:00Z", begin("tomas")),
            entry(3, "2026-11-27T11:00:00Z", begin("tomas")),
        ];
        rows[2].row.stage = "colour".into();
        let times = Times::of(&rows);
        let said = |person: &str, on: (&str, &str)| {
            one_of(&times, person, on).map(Clock::place).map_err(|none| none.words(|clock| clock.place()))
        };
        let runs = |place: &str| Ok(place.to_string());
        assert_eq!(said("ana", ("", "")), runs("br030/blades"));
        assert_eq!(said("ana", ("br030", "")), runs("br030/blades"));
        assert_eq!(said("ana", ("", "blades")), runs("br030/blades"));
        assert_eq!(said("tomas", ("br030", "colour")), runs("br030/colour"));
        let not = |words: &str| Err(words.to_string());
        let one = "no clock of ana runs on br030/colour; the one that runs is br030/blades";
        assert_eq!(said("ana", ("br030", "colour")), not(one));
        let two = "2 clocks of tomas run on br030; say which: br030/blades, br030/colour";
        assert_eq!(said("tomas", ("br030", "")), not(two));
        let other = "no clock of tomas runs on br010; those that run are br030/blades, br030/colour";
        assert_eq!(said("tomas", ("br010", "")), not(other));
        assert_eq!(said("ines", ("br030", "blades")), not("no clock of ines runs"));
    }
}
