//! Rows of people's work ↔ the members of a line.
//!
//! Knows the names of their kinds and which members each has. Does not know the line around them.

use crate::base::digest::Digest;
use crate::base::frames::FrameSet;
use crate::ledger::crew::{Crew, Handout, Worked};
use crate::ledger::id::RowId;

use super::{Fields, Names, digests, round, round_of, seconds, time};

/// The kinds of row.
pub const KINDS: [&str; 11] = [
    "begin",
    "worked",
    "correct",
    "handout",
    "takeback",
    "close",
    "choose",
    "approval",
    "withdrawal",
    "note",
    "resolve",
];

/// Puts a row's own members in.
pub fn encode<'a>(fields: &mut Fields<'a>, crew: &'a Crew) {
    let (kind, note) = match crew {
        Crew::Begin { person, cause, note } => {
            fields.person = (&**person).into();
            fields.cause = (&**cause).into();
            ("begin", note)
        }
        Crew::Worked(worked) => {
            fields.person = (&*worked.person).into();
            fields.took = Some(seconds(worked.took));
            fields.began = worked.began.map(|began| format!("{began:.3}")).unwrap_or_default().into();
            fields.round = worked.round.map_or("", round).into();
            fields.cause = (&*worked.cause).into();
            fields.of = worked.ends.map(|of| of.to_string()).unwrap_or_default().into();
            fields.packet = (&*worked.packet).into();
            ("worked", &worked.note)
        }
        Crew::Correct { of, took, note } => {
            fields.of = of.to_string().into();
            fields.took = Some(seconds(*took));
            ("correct", note)
        }
        Crew::Handout(handout) => {
            fields.packet = (&*handout.packet).into();
            fields.person = (&*handout.person).into();
            fields.due = handout.due.map(|due| due.to_string()).unwrap_or_default().into();
            ("handout", &handout.note)
        }
        Crew::Takeback { packet, person, version, note, .. } => {
            fields.packet = (&**packet).into();
            fields.person = (&**person).into();
            fields.version = Some(*version);
            ("takeback", note)
        }
        Crew::Close { packet, note } => {
            fields.packet = (&**packet).into();
            ("close", note)
        }
        Crew::Choose { version, note } => {
            fields.version = Some(*version);
            ("choose", note)
        }
        Crew::Approval { note, .. } => ("approval", note),
        Crew::Withdrawal { note } => ("withdrawal", note),
        Crew::Note { note } => ("note", note),
        Crew::Resolve { of, note } => {
            fields.of = of.to_string().into();
            ("resolve", note)
        }
    };
    fields.kind = kind.into();
    fields.note = (&**note).into();
    fields.digests = crew.digests().unwrap_or_default().iter().map(Digest::to_string).collect();
}

/// What the members of a line of one of [`KINDS`] say.
pub fn decode(fields: &Fields, frames: &FrameSet, names: &mut Names) -> Result<Crew, String> {
    let note = names.take(&fields.note);
    Ok(match &*fields.kind {
        "begin" => Crew::Begin { person: person(fields, names)?, cause: names.take(&fields.cause), note },
        "worked" => Crew::Worked(Worked {
            person: person(fields, names)?,
            took: time(fields.took, "working")?,
            began: match &*fields.began {
                "" => None,
                text => Some(text.parse().map_err(|e| format!("when it began cannot be read: {e}"))?),
            },
            round: if fields.round.is_empty() { None } else { Some(round_of(&fields.round)?) },
            cause: names.take(&fields.cause),
            ends: if fields.of.is_empty() { None } else { Some(of(fields)?) },
            packet: names.take(&fields.packet),
            note,
        }),
        "correct" => Crew::Correct { of: of(fields)?, took: time(fields.took, "working")?, note },
        "handout" => Crew::Handout(Handout {
            packet: packet(fields, names)?,
            person: person(fields, names)?,
            due: match &*fields.due {
                "" => None,
                text => Some(text.parse().map_err(|e| format!("its day cannot be read: {e}"))?),
            },
            digests: digests(&fields.digests, frames.len())?,
            note,
        }),
        "takeback" => Crew::Takeback {
            packet: packet(fields, names)?,
            person: person(fields, names)?,
            version: version(fields)?,
            digests: digests(&fields.digests, frames.len())?,
            note,
        },
        "close" => Crew::Close { packet: packet(fields, names)?, note },
        "choose" => Crew::Choose { version: version(fields)?, note },
        "approval" => Crew::Approval { digests: digests(&fields.digests, frames.len())?, note },
        "withdrawal" => Crew::Withdrawal { note },
        "note" => Crew::Note { note },
        "resolve" => Crew::Resolve { of: of(fields)?, note },
        other => return Err(format!("its kind is {other}")),
    })
}

fn person(fields: &Fields, names: &mut Names) -> Result<std::sync::Arc<str>, String> {
    if fields.person.is_empty() { Err("it names no person".into()) } else { Ok(names.take(&fields.person)) }
}

fn packet(fields: &Fields, names: &mut Names) -> Result<std::sync::Arc<str>, String> {
    if fields.packet.is_empty() { Err("it names no packet".into()) } else { Ok(names.take(&fields.packet)) }
}

fn version(fields: &Fields) -> Result<u32, String> {
    fields.version.filter(|&version| version > 0).ok_or_else(|| "it lacks its version, from 1".into())
}

fn of(fields: &Fields) -> Result<RowId, String> {
    fields.of.parse().map_err(|e| format!("the row that it is about: {e}"))
}
