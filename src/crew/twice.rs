//! Frames that are out with several people at once, as when two handed them out before their ledgers were merged.
//!
//! Knows open packets and what they still want back. Does not know whether it was meant so.

use std::collections::BTreeMap;
use std::sync::Arc;

use crate::base::frames::FrameSet;
use crate::crew::packets::{Packet, Packets};

/// Frames of one stage that several people have.
#[derive(Clone, Debug)]
pub struct Twice<'a> {
    /// The shot.
    pub shot: Arc<str>,
    /// The stage.
    pub stage: Arc<str>,
    /// The frames that all of these packets want back.
    pub frames: FrameSet,
    /// The packets, in the order of handing out; of two people at least.
    pub packets: Vec<&'a Packet>,
}

/// All such frames, by shot, then stage, then packets.
pub fn twice(packets: &Packets) -> Vec<Twice<'_>> {
    type Place<'a> = (Arc<str>, Arc<str>, Vec<&'a str>);
    let mut all: BTreeMap<Place<'_>, Twice<'_>> = BTreeMap::new();
    for part in packets.open().into_iter().flat_map(|packet| &packet.parts) {
        for frame in part.left().iter() {
            let with: Vec<&Packet> = packets.out(&part.shot, &part.stage, frame).collect();
            if with.iter().all(|packet| packet.person == with[0].person) {
                continue;
            }
            let names = with.iter().map(|packet| &*packet.name).collect();
            let (shot, stage) = (part.shot.clone(), part.stage.clone());
            let one = all.entry((shot.clone(), stage.clone(), names)).or_insert_with(|| {
                let frames = FrameSet::new();
                Twice { shot, stage, frames, packets: with }
            });
            one.frames.insert(frame);
        }
    }
    all.into_values().collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::crew::times::tests::entry;
    use crate::ledger::crew::{Crew, Handout};
    use crate::ledger::row::Entry;

    fn out(n: u128, packet: &str, person: &str, frames: &str) -> Entry {
        let (packet, person) = (packet.into(), person.into());
        let what = Handout { packet, person, due: None, digests: Vec::new(), note: "".into() };
        let mut made = entry(n, "2026-11-20T10:00:00Z", Crew::Handout(what));
        made.row.frames = frames.parse().unwrap();
        made
    }

    fn told(rows: &[Entry]) -> Vec<String> {
        let packets = Packets::after(rows);
        let names =
            |one: &Twice<'_>| one.packets.iter().map(|p| p.name.to_string()).collect::<Vec<_>>().join("+");
        twice(&packets)
            .iter()
            .map(|one| format!("{}/{}@{} {}", one.shot, one.stage, one.frames, names(one)))
            .collect()
    }

    #[test]
    fn frames_of_two_people_are_told_until_one_sends_them_or_is_closed() {
        let mut rows = vec![
            out(1, "ana-1", "ana", "1001-1006"),
            out(2, "ines-1", "ines", "1004-1008"),
            // The same person with frames in two packets is rework, and no mistake.
            out(3, "ana-2", "ana", "1001-1002"),
        ];
        assert_eq!(told(&rows), ["br030/blades@1004-1006 ana-1+ines-1"]);
        let back = Crew::Takeback {
            packet: "ana-1".into(),
            person: "ana".into(),
            version: 1,
            digests: Vec::new(),
            note: "".into(),
        };
        let mut came = entry(4, "2026-11-21T10:00:00Z", back);
        came.row.frames = "1004".parse().unwrap();
        rows.push(came);
        assert_eq!(told(&rows), ["br030/blades@1005-1006 ana-1+ines-1"]);
        rows.push(entry(5, "2026-11-22T10:00:00Z", Crew::Close { packet: "ines-1".into(), note: "".into() }));
        assert!(told(&rows).is_empty());
    }
}
