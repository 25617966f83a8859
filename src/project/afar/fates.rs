//! What Slurm says of a task → words for a person, and a way on.
//!
//! Knows Slurm's states and reasons (slurm.schedmd.com, manual page of squeue, 'JOB STATE CODES' and 'JOB REASON CODES'). Asks nothing.

use std::collections::{BTreeMap, HashMap};

use crate::execute::slurm::Task;
use crate::report::words;

/// What to do for a task that ran out of memory.
const MEMORY: &str = "it ran out of memory; ask for more with 'memory' in 'slurm', then rebuild again";

/// What a task printed.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Log<'l> {
    /// The end of it.
    Says(&'l str),
    /// Nothing.
    Nothing,
    /// There is none where it should be.
    Lacking,
}

/// Whether a task's log says that its time was up: Slurm itself writes that there as it ends a task (`slurmstepd`, 22.05).
pub(super) fn is_time_up(log: &str) -> bool {
    log.contains("DUE TO TIME LIMIT")
}

/// What became of a task that found the disk full.
pub(super) fn full(place: &str) -> String {
    format!("the disk is full ({place}); make room, then rebuild again for what is left")
}

/// What became of a task, and a way on.
pub(super) fn fate(state: &str, reason: &str, log: Log<'_>) -> String {
    let words = match state {
        "CANCELLED" if reason.contains("Dependency") => {
            "what it needs did not come to its end; rebuild again once that is put right"
        }
        // Where no control group ends it Slurm itself does, calls that a failure, and says why in the log (`slurmstepd`, 22.05).
        "FAILED" if matches!(log, Log::Says(end) if end.contains("exceeded memory limit")) => MEMORY,
        "OUT_OF_MEMORY" => MEMORY,
        "TIMEOUT" => {
            "its time was up; allow more with 'time' in 'slurm', then rebuild again: parts with these stages are shorter then"
        }
        "CANCELLED" => "somebody cancelled it; rebuild again for what is left",
        "NODE_FAIL" | "BOOT_FAIL" => "its machine failed; rebuild again for what is left",
        "PREEMPTED" | "REVOKED" => "other work took its place; rebuild again for what is left",
        "DEADLINE" => "Slurm's deadline for it passed; rebuild again",
        "COMPLETED" => "it is said to be over, and the shared disk does not show what it did; rebuild again",
        _ => match log {
            Log::Says(_) => "it failed; its log says why",
            Log::Nothing => {
                "it was killed before it could say anything; `dmesg` of that machine may say why; rebuild again for what is left"
            }
            Log::Lacking => {
                "it could not begin and left no log: that machine does not see the film's folder under the name it had at the submission, or may not write there; rebuild again once that is put right"
            }
        },
    };
    let reason = match reason {
        "" | "None" | "(null)" => String::new(),
        reason => format!(", {reason}"),
    };
    format!("{words} ({state}{reason})")
}

/// Parts whose tasks were at work and wait again, or are at work elsewhere, by the machine that had them; `seen` has those machines
/// and is brought up to date.
pub(super) fn begun_again(
    seen: &mut HashMap<usize, String>,
    tasks: &BTreeMap<usize, Task>,
) -> BTreeMap<String, Vec<usize>> {
    let mut again: BTreeMap<String, Vec<usize>> = BTreeMap::new();
    for (&number, task) in tasks {
        let before = match task.state.as_str() {
            "RUNNING" => seen.insert(number, task.node.clone()).filter(|node| *node != task.node),
            "COMPLETING" | "SUSPENDED" | "STOPPED" | "SIGNALING" | "STAGE_OUT" => None,
            _ if task.is_over() => None,
            _ => seen.remove(&number),
        };
        if let Some(node) = before {
            again.entry(node).or_default().push(number);
        }
    }
    again
}

/// The same for whoever does not follow them.
pub(super) fn waits_unfollowed(tasks: &[Task]) -> Vec<String> {
    let told = waits(tasks.iter()).into_values();
    told.map(|line| line.replace("Ctrl-C cancels the run", "Ctrl-C while it is followed cancels the run"))
        .collect()
}

/// Whether Slurm has not said yet why a task waits: it looks at them some time after they were submitted.
pub(super) fn is_to_be_judged(task: &Task) -> bool {
    task.state == "PENDING" && matches!(task.reason.as_str(), "" | "None" | "(null)")
}

/// Why tasks wait, one line a way on, by that: Slurm may call one cause by several names, one after the other. What waits for others of
/// the run is not told, and what only asks for patience while nothing of the run is at work.
pub(super) fn waits<'t>(tasks: impl Iterator<Item = &'t Task> + Clone) -> BTreeMap<String, String> {
    let is_waiting = |task: &&Task| {
        matches!(task.state.as_str(), "PENDING" | "REQUEUE_HOLD" | "SPECIAL_EXIT" | "SUSPENDED" | "STOPPED")
    };
    let is_idle = !tasks.clone().any(|task| matches!(task.state.as_str(), "RUNNING" | "COMPLETING"));
    let mut all: BTreeMap<String, (usize, u64)> = BTreeMap::new();
    for task in tasks.filter(is_waiting) {
        let entry = all.entry(task.reason.clone()).or_insert((0, task.job));
        entry.0 += 1;
    }
    let mut ways: BTreeMap<String, (usize, Vec<String>)> = BTreeMap::new();
    for (reason, (count, job)) in all {
        let Some(way) = way(&reason, job, is_idle) else { continue };
        let entry = ways.entry(way).or_default();
        entry.0 += count;
        entry.1.push(reason);
    }
    let told = |(way, (count, reasons)): (String, (usize, Vec<String>))| {
        let tasks = words::count(count as u64, "task");
        let verb = if count == 1 { "waits" } else { "wait" };
        let line = format!("{tasks} {verb} ({}): {way}", reasons.join("; "));
        (way, line)
    };
    ways.into_iter().map(told).collect()
}

/// What a person can do about a reason to wait; none where there is nothing to do.
fn way(reason: &str, job: u64, is_idle: bool) -> Option<String> {
    let is = |part: &str| reason.contains(part);
    const OTHER: &str = "Ctrl-C cancels the run, and another 'partition' in 'slurm' may take it";
    Some(match reason {
        "" | "None" | "(null)" | "Dependency" | "JobArrayTaskLimit" | "BeginTime" | "Cleaning" => return None,
        "Resources" | "Priority" | "Licenses" if !is_idle => return None,
        "Resources" => "for machines that are at other work; `squeue` shows whose".into(),
        "Priority" => "for others' work that comes first; `squeue` shows whose".into(),
        "Licenses" => "for licences that others have; `scontrol show license` lists them".into(),
        _ if is("Held") || is("held") => {
            format!("somebody holds them back; `scontrol release {job}` lets them go, for whoever held them")
        }
        _ if is("PartitionDown") || is("PartitionInactive") => {
            format!("their partition takes nothing up; `sinfo` shows it; once it is up they go on; {OTHER}")
        }
        _ if is("DOWN") || is("DRAINED") || is("NotAvail") || is("NodeDown") => {
            format!("no machine for them is up; `sinfo -R` says why; once one is they go on; {OTHER}")
        }
        _ if is("PartitionConfig") || is("PartitionNodeLimit") || is("PartitionTimeLimit") => {
"their partition or its machines cannot give what they ask for; `scontrol show partition` shows its limits, `sinfo --format='%N %c %m %G'` its machines; Ctrl-C cancels the run; ask for less in 'slurm' (time, processors, memory), or for another partition, then rebuild again".into()
        }
        _ if is("BadConstraints") => {
            "no machine there has what they ask for; Ctrl-C cancels the run; ask for less in 'slurm' (processors, memory, time), or for another partition, then rebuild again".into()
        }
        _ if is("Assoc") || is("QOS") || is("Account") => {
            format!("by a limit of their account; whoever runs the cluster knows it; {OTHER}")
        }
        _ => format!("`scontrol show job {job}` says more; Ctrl-C cancels the run"),
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn task(state: &str, reason: &str) -> Task {
        let (state, reason) = (state.to_string(), reason.to_string());
        Task { job: 17, array: 0, index: Some(0), state, node: String::new(), reason }
    }

    #[test]
    fn a_reason_to_wait_is_told_with_a_way_on_and_patience_only_while_nothing_runs() {
        let told = |tasks: &[Task]| waits(tasks.iter()).into_values().collect::<Vec<_>>().join("\n");
        let held =
            told(&[task("PENDING", "JobHeldUser"), task("RUNNING", "None"), task("PENDING", "JobHeldUser")]);
        assert!(
            held.starts_with("2 tasks wait (JobHeldUser)") && held.contains("scontrol release 17"),
            "{held}"
        );
        for (reason, way) in [
            ("PartitionDown", "sinfo"),
            ("ReqNodeNotAvail, UnavailableNodes:n[1-2]", "sinfo -R"),
            (
                "Nodes required for job are DOWN, DRAINED or reserved for jobs in higher priority partitions",
                "sinfo -R",
            ),
            ("PartitionConfig", "their partition or its machines cannot give"),
            ("BadConstraints", "no machine there has what they ask for"),
            ("AssocGrpCpuLimit", "account"),
            ("launch failed requeued held", "scontrol release"),
            ("SomethingNew", "scontrol show job 17"),
        ] {
            let said = told(&[task("PENDING", reason), task("RUNNING", "None")]);
            assert!(said.contains(way) && said.contains(reason), "{said}");
        }
        // One cause by two names is one line, and has one name in what was told before.
        let limits = [task("PENDING", "PartitionTimeLimit"), task("PENDING", "PartitionConfig")];
        assert!(told(&limits).starts_with("2 tasks wait (PartitionConfig; PartitionTimeLimit)"));
        let keys = |task: &Task| waits([task].into_iter()).into_keys().collect::<Vec<_>>();
        assert_eq!(keys(&limits[0]), keys(&limits[1]));
        let left = waits_unfollowed(&limits);
        assert!(left.len() == 1 && left[0].contains("Ctrl-C while it is followed cancels"), "{left:?}");
        let patience = [
            task("PENDING", "Priority"),
            task("PENDING", "Dependency"),
            task("PENDING", "JobArrayTaskLimit"),
        ];
        assert!(told(&patience).starts_with("1 task waits (Priority)"), "{}", told(&patience));
        assert_eq!(told(&[&patience[..], &[task("RUNNING", "None")]].concat()), "");
    }

    #[test]
    fn a_task_that_waits_again_or_is_at_work_elsewhere_is_seen() {
        let mut seen = HashMap::new();
        let mut look = |state: &str, node: &str| {
            let task = Task { node: node.into(), ..task(state, "None") };
            begun_again(&mut seen, &BTreeMap::from([(3, task)])).into_iter().collect::<Vec<_>>()
        };
        let on = |node: &str| vec![(node.to_string(), vec![3])];
        assert!(
            look("PENDING", "").is_empty()
                && look("RUNNING", "n1").is_empty()
                && look("RUNNING", "n1").is_empty()
        );
        assert_eq!(look("PENDING", ""), on("n1"));
        assert!(look("PENDING", "").is_empty() && look("RUNNING", "n2").is_empty());
        assert_eq!(look("RUNNING", "n1"), on("n2"));
        assert!(look("COMPLETING", "n1").is_empty() && look("COMPLETED", "n1").is_empty());
    }

    #[test]
    fn a_task_that_left_nothing_is_told_so_with_a_way_on() {
        let says = |log| fate("FAILED", "JobLaunchFailure", log);
        assert!(says(Log::Lacking).contains("left no log") && says(Log::Lacking).contains("rebuild again"));
        assert!(says(Log::Nothing).contains("was killed") && says(Log::Nothing).contains("JobLaunchFailure"));
        assert!(says(Log::Says("error: exceeded memory limit")).contains("ran out of memory"));
        assert!(says(Log::Says("x")).contains("its log says why"));
        assert!(fate("TIMEOUT", "None", Log::Nothing).ends_with("shorter then (TIMEOUT)"));
    }
}
