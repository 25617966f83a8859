//! `sweep --shared`: space in the shared store that no member's film uses.

use serde_json::json;

use super::arguments::{Arguments, Sweep};
use super::rebuild::{programs_saying, writer};
use super::{Answer, Exit, Failure, share};
use crate::project::Project;
use crate::project::sharing::members;
use crate::project::sharing::sweeping::{self, Found};
use crate::report::words::{self, Sizes};
use crate::store::shared::bucket::Held;
use crate::store::shared::sending::LATELY;

/// Says what would go, or removes it.
pub fn run(project: &Project, arguments: &Arguments, options: &Sweep) -> Answer {
    let (_runtime, programs) = programs_saying(share::STOPPING, None)?;
    let (status, _) = project.look_for_unused()?;
    if options.remove {
        share::may_change(&status.declared, None)?;
    }
    let share::Opened { store, bucket, .. } = share::bucket(project, &status.declared, &programs)?;
    let failed = share::failed(&store);
    let budget = options.budget.or(store.budget.as_ref().map(|budget| budget.value));
    let budget = budget.ok_or_else(|| {
        Failure::Usage(
            "say how much may stay: `--budget 200GB`, or `budget: 200GB` under `shared:` in the declaration"
                .into(),
        )
    })?;
    let mut now = jiff::Timestamp::now().as_second();
    let own = project.member_name(&status, &writer()).map_err(|error| Failure::System(error.to_string()))?;
    if options.remove {
        // What this film uses is told first; when that came there, by the service's own clock, is now.
        project.publish(&status, &*bucket, &writer(), true).map_err(&failed)?;
        let there = bucket.has(&format!("{}/{own}", members::FOLDER)).map_err(&failed)?;
        now = there.map_or(now, |held| held.sent.min(now));
    }
    let is_over = |packet: &str| status.packets.named(packet).is_some_and(|packet| !packet.is_open());
    let found = sweeping::look(&*bucket, &project.used_here(&status), &is_over, now).map_err(&failed)?;
    if options.remove && !found.has(&own) {
        return Err(Failure::System(format!(
            "nothing was removed: what {} shows has not the list that was just told there ({}), so that it cannot be \
             trusted to show those of others; try later, and ask who keeps it",
            store.at(),
            super::show::clean(&own)
        )));
    }
    let going = found.going(budget);
    let unreadable = found.unreadable();
    if options.remove && !unreadable.is_empty() && !going.is_empty() {
        let list: Vec<String> =
            unreadable.iter().map(|(who, why)| format!("{} ({why})", super::show::clean(who))).collect();
        return Err(Failure::System(format!(
            "nothing was removed: nobody knows what these use: {}; let them run `endboard share`, or take the \
             list away with `endboard share --forget WHO`",
            list.join(", ")
        )));
    }
    let (gone, records) = match options.remove {
        true => sweeping::remove(&*bucket, going).map_err(&failed)?,
        false => (going.iter().map(|(_, held)| held.clone()).collect(), 0),
    };
    if options.remove {
        let names: Vec<String> = found.over.iter().map(|held| held.name.clone()).collect();
        bucket.remove(&names).map_err(&failed)?;
    }
    let sum = |held: &[Held]| held.iter().map(|held| held.size).sum::<u64>();
    let (bytes, over) = (sum(&gone), sum(&found.over));
    if arguments.json {
        let all = json!({ "format": "endboard sweep 1", "shared": store.at(), "stored_bytes": found.total,
            "stored": found.renders, "used": found.used, "lately": found.late, "unused": found.unused.len(),
            "packet_bytes": found.packets, "packets": found.over.len(), "budget": budget, "removed": options.remove, "files": gone.len(),
            "bytes": bytes, "records": records, "members": share::members_json(&found.members) });
        say!("{all:#}");
        return Ok(Exit::Done);
    }
    as_text(&store.at(), &found, budget);
    let files = |n: usize| words::count(n as u64, "file");
    let (size, packets) = (Sizes::like(budget).bytes(bytes + over), files(found.over.len()));
    let packets = if found.over.is_empty() { String::new() } else { format!(", and {packets} of packets") };
    match (options.remove, gone.len()) {
        (_, 0) if found.over.is_empty() && found.total > budget => {
            flow!("nothing to remove: what is there is used, or was sent lately")
        }
        (_, 0) if found.over.is_empty() => say!("nothing to remove"),
        (true, n) => flow!("{} of renders{packets} removed, {size} free again", files(n)),
        (false, n) => {
            flow!("`endboard sweep --shared --remove` would remove {} of renders{packets}, {size}", files(n));
        }
    }
    Ok(Exit::Done)
}

fn as_text(at: &str, found: &Found, budget: u64) {
    let size = |bytes| Sizes::like(budget).bytes(bytes);
    let (all, left) = (size(found.total), size(budget));
    say!("{at}: {} of renders, {all} in all; {left} may stay", words::count(found.renders as u64, "file"));
    let days = LATELY.as_secs() / 86_400;
    say!("  {} used by somebody's film", found.used);
    flow!("  {} sent in the last {days} days and used by nobody, which stay too", found.late);
    say!("  {} unused", found.unused.len());
    if found.packets > 0 {
        let over = size(found.over.iter().map(|held| held.size).sum());
        let packets = size(found.packets);
        flow!(
            "packets take {packets}; {over} of them are of packets that are over, sent more than {days} days ago"
        );
    }
    share::tell_members(&found.members);
}
