//! `sweep --shared`: space in the shared store that no member's film uses.

use serde_json::json;

use super::arguments::{Arguments, Sweep};
use super::rebuild::{programs, writer};
use super::{Answer, Exit, Failure, share};
use crate::project::Project;
use crate::project::sharing::members;
use crate::project::sharing::sweeping::{self, Found};
use crate::report::words;
use crate::store::shared::sending::LATELY;

/// Says what would go, or removes it.
pub fn run(project: &Project, arguments: &Arguments, options: &Sweep) -> Answer {
    let (_runtime, programs) = programs()?;
    let (status, _) = project.look_for_unused()?;
    let (store, bucket) = share::bucket(project, status.declared.film.as_ref(), &programs)?;
    let failed = share::failed(&store);
    let budget = options.budget.or(store.budget.as_ref().map(|budget| budget.value));
    let budget = budget.ok_or_else(|| {
        Failure::Usage(
            "say how much may stay: `--budget 200GB`, or `budget: 200GB` under `shared:` in the declaration"
                .into(),
        )
    })?;
    let mut now = jiff::Timestamp::now().as_second();
    if options.remove {
        // What this film uses is told first; when that came there, by the service's own clock, is now.
        project.publish(&status, &*bucket, &writer()).map_err(&failed)?;
        let own = project.member_name(&status, &writer());
        let there = bucket.has(&format!("{}/{own}", members::FOLDER)).map_err(&failed)?;
        now = there.map_or(now, |held| held.sent.min(now));
    }
    let found = sweeping::look(&*bucket, &project.used_here(&status), now).map_err(&failed)?;
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
    let bytes: u64 = gone.iter().map(|held| held.size).sum();
    if arguments.json {
        let all = json!({ "format": "endboard sweep 1", "shared": store.at(), "stored_bytes": found.total,
            "stored": found.renders, "used": found.used, "lately": found.late, "unused": found.unused.len(),
            "packet_bytes": found.packets, "budget": budget, "removed": options.remove, "files": gone.len(),
            "bytes": bytes, "records": records, "members": share::members_json(&found.members) });
        say!("{all:#}");
        return Ok(Exit::Done);
    }
    as_text(&store.at(), &found, budget);
    match (options.remove, gone.len()) {
        (_, 0) if found.total > budget => {
            say!("nothing to remove: what is there is used, or was sent lately")
        }
        (_, 0) => say!("nothing to remove"),
        (true, n) => say!("{n} removed, {} free again", words::bytes(bytes)),
        (false, n) => {
            say!("`endboard sweep --shared --remove` would remove {n}, {}", words::bytes(bytes));
        }
    }
    Ok(Exit::Done)
}

fn as_text(at: &str, found: &Found, budget: u64) {
    let renders = |n: usize| words::count(n as u64, "render");
    let (all, left) = (words::bytes(found.total), words::bytes(budget));
    say!("{at}: {}, {all} in all; {left} may stay", renders(found.renders));
    let days = LATELY.as_secs() / 86_400;
    say!("  {} used by somebody's film", found.used);
    say!("  {} sent in the last {days} days and used by nobody, which stay too", found.late);
    say!("  {} unused", found.unused.len());
    if found.packets > 0 {
        say!("packets take {}, and stay", words::bytes(found.packets));
    }
    share::tell_members(&found.members);
}
