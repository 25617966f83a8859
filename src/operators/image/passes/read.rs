//! The takes of a stage and what its settings say of them, with every problem.
//!
//! Knows names, the register file and the order. Does not know pixels.

use super::moment::Between;
use super::place::{self, Moves, Said};
use super::spec::{HOLDOUTS, MATTES, SHADOWS, TAKES};
use crate::base::frames::FrameRange;
use crate::base::problem::{Problem, Problems, Span, nearest};
use crate::base::value::{Node, Value};
use crate::operators::{Reader, Setup};

/// One take with all that belongs to it.
pub struct Take {
    /// Its name.
    pub name: String,
    /// The connected input of its picture.
    pub picture: usize,
    /// Of its matte.
    pub matte: usize,
    /// Of the matte of its shadow.
    pub floor: Option<usize>,
    /// Of what stands before it.
    pub holdout: Option<usize>,
    /// How it is moved.
    pub said: Said,
}

/// The takes in the order written, each with what belongs to it, and what the register file says.
pub fn takes(
    reader: &mut Reader<'_>,
    setup: &Setup<'_>,
    between: Between,
    cautions: &mut Problems,
) -> (Vec<Take>, Option<Moves>) {
    let on = |port: usize| setup.inputs.iter().enumerate().filter(move |(_, c)| c.port == port);
    let of = |port: usize, name: &str| on(port).find(|(_, m)| m.name == name).map(|(i, _)| i);
    let mut takes = Vec::new();
    for (picture, connected) in on(TAKES) {
        let name = &connected.name;
        let Some(matte) = of(MATTES, name) else {
            let problem = Problem::error(setup.span, format!("take '{name}' has no matte of its name"));
            let names = on(MATTES).map(|(_, m)| m.name.as_str());
            reader.problems.push(match nearest(name, names) {
                Some(name) => problem.help(format!("did you mean '{name}'?")),
                None => problem.help(format!("mattes: {{ {name}: STAGE.CHANNEL }}")),
            });
            continue;
        };
        let (floor, holdout) = (of(SHADOWS, name), of(HOLDOUTS, name));
        takes.push(Take { name: name.clone(), picture, matte, floor, holdout, said: Said::default() });
    }
    for (port, what) in [(MATTES, "matte"), (SHADOWS, "matte of shadows"), (HOLDOUTS, "holdout")] {
        for (_, connected) in on(port).filter(|(_, c)| !on(TAKES).any(|(_, t)| t.name == c.name)) {
            let message = format!("{what} '{}' belongs to no take of its name", connected.name);
            reader.problems.push(Problem::error(setup.span, message));
        }
    }
    let named = setup.inputs.iter().any(|c| c.port == TAKES);
    if !named {
        let problem = Problem::error(setup.span, "no take is connected, so that there is nothing to join");
        reader
            .problems
            .push(problem.help("from: { takes: { NAME: take.NAME }, mattes: { NAME: STAGE.CHANNEL } }"));
    }
    let told = moved(reader, &mut takes, setup, between, cautions);
    (takes, told)
}

/// Puts what the file and the settings say of moves to the takes.
fn moved(
    reader: &mut Reader<'_>,
    takes: &mut [Take],
    setup: &Setup<'_>,
    between: Between,
    cautions: &mut Problems,
) -> Option<Moves> {
    let names: Vec<String> =
        setup.inputs.iter().filter(|c| c.port == TAKES).map(|c| c.name.clone()).collect();
    let unknown = |name: &str, span: Span| {
        let problem = Problem::error(span, format!("there is no take '{name}'"));
        match nearest(name, names.iter().map(String::as_str)) {
            Some(near) => problem.help(format!("did you mean '{near}'?")),
            None => problem.help(format!("takes: {}", names.join(", "))),
        }
    };
    let by_hand = reader.value("moved").map(|value| place::named(value, false, &mut reader.problems));
    for (name, (span, said)) in by_hand.unwrap_or_default() {
        match takes.iter_mut().find(|take| take.name == name) {
            Some(take) => take.said = said,
            None if names.contains(&name) => {}
            None => reader.problems.push(unknown(&name, span)),
        }
    }
    let (file, span) = (reader.file("register")?, reader.value("register").map_or(setup.span, |v| v.span));
    let moves = place::read(file, span).map_err(|problems| reader.problems.extend(problems)).ok()?;
    let others = moves.between.as_deref().filter(|word| *word != between.word());
    if let Some(word) = others {
        let message = format!("the moves were measured with between: {word}, and takes are joined otherwise");
        cautions.push(
            Problem::error(span, message).warning().help("`endboard register SHOT` measures them again"),
        );
    }
    let lacks: Vec<&str> =
        names.iter().filter(|n| !moves.takes.contains_key(*n)).map(String::as_str).collect();
    if !lacks.is_empty() {
        let message = format!(
            "the register file {} says nothing of {} {}, laid as shot but for what `moved` says",
            file.path,
            if lacks.len() == 1 { "take" } else { "takes" },
            lacks.join(", ")
        );
        let problem = Problem::error(span, message).warning();
        cautions.push(problem.help("`endboard register SHOT` measures all takes"));
    }
    cautions.extend(moves.takes.iter().filter_map(|(name, (span, said))| {
        short(name, said, setup.frames).map(|message| {
            let help =
                "measure them again: endboard register SHOT, or set keys up to the first and the last frame";
            Problem::error(*span, message).warning().help(help)
        })
    }));
    for (name, (span, said)) in moves.takes.clone() {
        match takes.iter_mut().find(|take| take.name == name) {
            Some(take) => take.said = std::mem::take(&mut take.said).over(said),
            None if names.contains(&name) => {}
            // A take may have gone since they were measured.
            None => cautions.push(unknown(&name, span).warning()),
        }
    }
    Some(moves)
}

/// Words on moves of a take whose keys do not reach over all frames. Of those that lie wholly beside them it is told otherwise,
/// and a single key says the same of all.
fn short(name: &str, said: &Said, frames: FrameRange) -> Option<String> {
    let keys = said.frames().filter(|keys| keys.len() > 1 && !keys.covers(frames))?;
    (!keys.meet(frames).is_empty()).then(|| {
        format!(
            "the moves of take '{name}' are keyed on {keys}, and the frames {frames} are made: beyond the keys they stay \
             as they are at the nearest"
        )
    })
}

/// Takes from back to front, from frames on.
pub fn order(reader: &mut Reader<'_>, takes: &[Take]) -> Vec<(i64, Vec<usize>)> {
    let as_written = vec![(i64::MIN, (0..takes.len()).collect())];
    let Some(value) = reader.value("order") else { return as_written };
    let entries: Vec<(i64, &Value)> = match &value.node {
        Node::Map(map) => {
            let keys = map.entries.iter().map(|(key, value)| match key.text.parse() {
                Ok(frame) => Ok((frame, value)),
                Err(_) => Err(Problem::error(key.span, format!("'{}' is not a frame number", key.text))
                    .help("order: { FRAME: [NAME, NAME] }, from back to front")),
            });
            let keys: Vec<_> = keys.filter_map(|key| key.map_err(|p| reader.problems.push(p)).ok()).collect();
            keys
        }
        _ => vec![(i64::MIN, value)],
    };
    let mut orders: Vec<(i64, Vec<usize>)> = Vec::new();
    for (frame, value) in entries {
        let named = value.list().and_then(|list| list.iter().map(Value::text).collect::<Result<Vec<_>, _>>());
        let found = named.map(|names| {
            let at = |name: &&str| takes.iter().position(|take| take.name == *name);
            let found: Vec<usize> = names.iter().filter_map(at).collect();
            let mut all = found.clone();
            all.sort_unstable();
            all.dedup();
            (found.len() == names.len() && all.len() == takes.len()).then_some(found)
        });
        match found {
            Ok(Some(found)) => orders.push((frame, found)),
            Ok(None) => {
                let problem = Problem::error(value.span, "an order names every take once");
                let names: Vec<&str> = takes.iter().map(|take| take.name.as_str()).collect();
                reader.problems.push(problem.help(format!("[{}], from back to front", names.join(", "))));
            }
            Err(problem) => reader.problems.push(problem),
        }
    }
    orders.sort_by_key(|(frame, _)| *frame);
    if orders.is_empty() { as_written } else { orders }
}
