//! Slurm's own programs: submitting arrays of tasks, asking after them, cancelling them.
//!
//! Knows how these programs are called and how their answers are read (slurm.schedmd.com, manual pages of sbatch, squeue,
//! scancel, scontrol and sacct). Does not know what tasks do.

mod forms;
mod last;
mod logs;
pub mod record;

use std::collections::{BTreeMap, BTreeSet};
use std::io;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::time::Duration;

use crate::programs::{Limits, Printed, Runner};

/// How long one of the programs may take. They wait for a controller that is busy, and give up by themselves.
const PATIENCE: Duration = Duration::from_secs(120);
/// How long it may take to say how tasks are, which is asked again and again.
const SOON: Duration = Duration::from_secs(20);
/// How long it may take where that is only a word more.
const AT_ONCE: Duration = Duration::from_secs(3);
/// The most that one may print.
const PRINT: u64 = 256 << 20;

/// Why Slurm did not do what it was asked.
#[derive(Debug, thiserror::Error)]
pub enum Trouble {
    /// A program is not installed.
    #[error(
        "{0} is not on this machine: install Slurm's programs here, or render here, without '--on slurm'"
    )]
    Lacking(&'static str),
    /// It refused.
    #[error("{program} refused: {words}")]
    Refused {
        /// The program.
        program: &'static str,
        /// What it said.
        words: String,
    },
    /// Nobody answers.
    #[error("Slurm does not answer: {0}")]
    Away(String),
    /// What tasks print cannot be told to go there.
    #[error(
        "{} has a backslash in its name, and Slurm puts no log of a task there: rename the folder, or render here, without '--on slurm'",
        .0.display()
    )]
    Unnamed(PathBuf),
}

/// What a cluster takes.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Bounds {
    /// One above the highest number of a task in an array.
    pub array: usize,
    /// Tasks and jobs that the controller knows at one time.
    pub jobs: usize,
}

/// An array to be submitted.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Submission {
    /// The job's name, the same for all arrays of a run.
    pub name: String,
    /// Which array of the run it is.
    pub number: usize,
    /// How many tasks.
    pub tasks: usize,
    /// Jobs that are to be over first, however they ended.
    pub after: Vec<u64>,
    /// Arrays of as many tasks, of which each task waits for the one of its own number, and does not run where that one failed.
    pub beside: Vec<u64>,
    /// Options such as `--partition=night`.
    pub asks: Vec<String>,
    /// How many of its tasks run at once at most.
    pub at_once: Option<usize>,
}

/// One task as Slurm tells of it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Task {
    /// The array's job.
    pub job: u64,
    /// Which array of the run.
    pub array: usize,
    /// Its number in the array; none where several wait that are not told apart.
    pub index: Option<usize>,
    /// Its state, as Slurm calls it.
    pub state: String,
    /// The machine, where it has one.
    pub node: String,
    /// Why it is in that state.
    pub reason: String,
}

impl Task {
    /// True when nothing more comes of it unless it is submitted once more.
    pub fn is_over(&self) -> bool {
        !matches!(
            self.state.as_str(),
            "PENDING"
                | "RUNNING"
                | "CONFIGURING"
                | "COMPLETING"
                | "SUSPENDED"
                | "STOPPED"
                | "RESIZING"
                | "SIGNALING"
                | "STAGE_OUT"
                | "REQUEUED"
                | "REQUEUE_FED"
                | "REQUEUE_HOLD"
                | "SPECIAL_EXIT"
                | "RESV_DEL_HOLD"
        )
    }
}

/// A cluster, by the programs of this machine.
#[derive(Debug)]
pub struct Cluster {
    /// Started beside a run's own programs: a run that was told to end still cancels what it submitted.
    runner: Runner,
}

impl Cluster {
    /// The cluster that the programs of this machine speak to.
    ///
    /// # Errors
    /// When the system gives no thread to watch programs from.
    pub fn here() -> io::Result<Self> {
        Ok(Self { runner: Runner::alone()? })
    }

    /// What it takes.
    ///
    /// # Errors
    /// It does not answer.
    pub fn bounds(&self) -> Result<Bounds, Trouble> {
        Ok(bounds(&self.ask("scontrol", &["show", "config"])?))
    }

    /// Submits an array of tasks that each run `script`; what they print goes to `log`, behind which stands a task's number and
    /// `.log`. Gives the job.
    ///
    /// # Errors
    /// It refuses, or does not answer, or no log can be there.
    pub fn submit(
        &self,
        array: &Submission,
        folder: &Path,
        script: &Path,
        log: &Path,
    ) -> Result<u64, Trouble> {
        let mut words = submission(array);
        words.push(format!("--chdir={}", folder.display()));
        words.push(format!("--output={}-%a.log", plainly(log)?));
        words.push(script.display().to_string());
        words.push(array.number.to_string());
        let words: Vec<&str> = words.iter().map(String::as_str).collect();
        let said = self.ask("sbatch", &words)?;
        // With --parsable: the job's number, and the cluster's name behind a semicolon where there are several.
        let number = said.trim().split(';').next().and_then(|n| n.parse().ok());
        number.ok_or_else(|| Trouble::Refused {
            program: "sbatch",
            words: format!("it said {:?}", said.trim()),
        })
    }

    /// All tasks of jobs of this name that are not forgotten.
    ///
    /// # Errors
    /// It does not answer.
    pub fn tasks(&self, name: &str) -> Result<Vec<Task>, Trouble> {
        self.tasks_within(name, SOON)
    }

    /// The same for whoever only has a look, and waits for little.
    ///
    /// # Errors
    /// It does not answer at once.
    pub fn glance(&self, name: &str) -> Result<Vec<Task>, Trouble> {
        self.tasks_within(name, AT_ONCE)
    }

    fn tasks_within(&self, name: &str, patience: Duration) -> Result<Vec<Task>, Trouble> {
        let name = format!("--name={name}");
        let words = ["--noheader", "--array", "--states=all", &name, "--format=%F|%K|%k|%T|%N|%r"];
        Ok(self.ask_for("squeue", &words, patience)?.lines().filter_map(task).collect())
    }

    /// Those of them that are not over.
    ///
    /// # Errors
    /// It does not answer, or refuses.
    pub fn live(&self, name: &str) -> Result<Vec<Task>, Trouble> {
        Ok(self.tasks(name)?.into_iter().filter(|task| !task.is_over()).collect())
    }

    /// Tasks of these jobs by array, of this name, that its accounting keeps, also long after they were over.
    ///
    /// # Errors
    /// It does not answer, or there is no accounting.
    pub fn past(&self, name: &str, jobs: &BTreeMap<usize, u64>) -> Result<Vec<Task>, Trouble> {
        if jobs.is_empty() {
            return Ok(Vec::new());
        }
        let numbers: Vec<String> = jobs.values().map(u64::to_string).collect();
        let numbers = format!("--jobs={}", numbers.join(","));
        let words = [
            "--noheader",
            "--parsable2",
            "--allocations",
            "--array",
            &numbers,
            "--format=JobID,State,NodeList,JobName",
        ];
        let said = self.ask_for("sacct", &words, SOON)?;
        Ok(said.lines().filter_map(|line| past(line, name, jobs)).collect())
    }

    /// Ends at once what is asked and not answered yet. Nothing can be asked afterwards.
    pub fn stop(&self) {
        self.runner.halt.hurry();
    }

    /// Cancels all jobs that it has under this name, and no other.
    ///
    /// # Errors
    /// It does not answer, or refuses.
    pub fn cancel(&self, name: &str) -> Result<(), Trouble> {
        let jobs: BTreeSet<u64> = self.live(name)?.iter().map(|task| task.job).collect();
        let words: Vec<String> = jobs.iter().map(u64::to_string).collect();
        let words: Vec<&str> = ["--quiet"].into_iter().chain(words.iter().map(String::as_str)).collect();
        if jobs.is_empty() { Ok(()) } else { self.ask("scancel", &words).map(drop) }
    }

    fn ask(&self, program: &'static str, words: &[&str]) -> Result<String, Trouble> {
        self.ask_for(program, words, PATIENCE)
    }

    fn ask_for(&self, program: &'static str, words: &[&str], patience: Duration) -> Result<String, Trouble> {
        let refused = |error: io::Error| match error.kind() {
            io::ErrorKind::NotFound => Trouble::Lacking(program),
            _ => Trouble::Away(format!("{program}: {error}")),
        };
        let (out, err) = (Printed::new().map_err(refused)?, Printed::new().map_err(refused)?);
        let mut command = Command::new(program);
        // Options in the environment would change what is asked, and names of tasks belong to whoever started this.
        for (name, _) in std::env::vars_os() {
            let text = name.to_string_lossy();
            if ["SBATCH_", "SQUEUE_", "SCANCEL_", "SACCT_", "SLURM_JOB", "SLURM_ARRAY"]
                .iter()
                .any(|begin| text.starts_with(begin))
            {
                command.env_remove(&name);
            }
        }
        command.args(words).stdin(Stdio::null());
        command.stdout(out.end().map_err(refused)?).stderr(err.end().map_err(refused)?);
        let limits = Limits { time: Some(patience), print: Some((out.file(), PRINT)) };
        let ended = self.runner.run(&mut command, &limits).map_err(refused)?;
        let text = |printed: Printed| printed.bytes(PRINT).map(|b| String::from_utf8_lossy(&b).into_owned());
        let (out, err) = (text(out).map_err(refused)?, text(err).map_err(refused)?);
        if ended.status.success() {
            return Ok(out);
        }
        let is_cut = ended.past.is_some() && !err.contains(NO_MUNGE);
        let words = if is_cut { "it took too long".to_string() } else { plain(&err) };
        Err(if is_away(&err) || ended.past.is_some() {
            Trouble::Away(format!("{program}: {words}"))
        } else {
            Trouble::Refused { program, words }
        })
    }
}

/// A path as nothing but itself in a pattern of sbatch. A backslash anywhere keeps it from putting in anything, also a task's number.
fn plainly(path: &Path) -> Result<String, Trouble> {
    let text = path.display().to_string();
    if text.contains('\\') { Err(Trouble::Unnamed(path.to_path_buf())) } else { Ok(text.replace('%', "%%")) }
}

/// What sbatch is told of an array, but for files.
fn submission(array: &Submission) -> Vec<String> {
    let mut words = vec![
        "--parsable".to_string(),
        format!("--job-name={}", array.name),
        format!("--comment={}", array.number),
        format!(
            "--array=0-{}{}",
            array.tasks.max(1) - 1,
            array.at_once.map_or(String::new(), |n| format!("%{n}"))
        ),
        "--ntasks=1".to_string(),
        // A task whose machine is lost is taken up by another one.
        "--requeue".to_string(),
        "--open-mode=append".to_string(),
    ];
    let waits = [("afterany", &array.after), ("aftercorr", &array.beside)].into_iter();
    let waits: Vec<String> = waits
        .filter(|(_, jobs)| !jobs.is_empty())
        .map(|(how, jobs)| jobs.iter().fold(how.to_string(), |words, job| format!("{words}:{job}")))
        .collect();
    if !waits.is_empty() {
        words.push(format!("--dependency={}", waits.join(",")));
    }
    if !array.beside.is_empty() {
        // What can never run would be known to the controller for ever.
        words.push("--kill-on-invalid-dep=yes".into());
    }
    words.extend(array.asks.iter().cloned());
    words
}

/// How Slurm's programs begin to say that munge does not answer them (`auth/munge`, 22.05).
const NO_MUNGE: &str = "Munge encode failed: ";

/// The last words of an error, without the program's name before each line.
fn plain(err: &str) -> String {
    if let Some(why) = err.lines().find_map(|line| line.split_once(NO_MUNGE)) {
        // What follows from it, and what Slurm guesses it is, only hide it.
        return format!(
            "munge on this machine, by which Slurm knows who asks, gives no credentials ({}); once its service runs Slurm is there again",
            why.1.trim()
        );
    }
    let lines = err.lines().map(|line| line.split_once("error: ").map_or(line, |(_, words)| words).trim());
    let lines: Vec<&str> = lines.filter(|line| !line.is_empty()).collect();
    if lines.is_empty() { "it said nothing".into() } else { lines.join("; ") }
}

/// True of the errors of a controller that cannot be reached (slurm_errno.h and the clients' messages, from memory).
fn is_away(err: &str) -> bool {
    const SAYS: [&str; 8] = [
        NO_MUNGE,
        "Unable to contact slurm controller",
        "Socket timed out",
        "Connection refused",
        "Connection reset by peer",
        "Connection timed out",
        "Zero Bytes were transmitted",
        "slurm_persist_conn_open",
    ];
    SAYS.iter().any(|says| err.contains(says))
}

fn bounds(config: &str) -> Bounds {
    let number = |name: &str| {
        let mut lines = config.lines().filter_map(|line| line.split_once('='));
        lines.find(|(key, _)| key.trim() == name).and_then(|(_, n)| n.trim().parse().ok())
    };
    // What Slurm has where its configuration says nothing (slurm.conf manual).
    Bounds { array: number("MaxArraySize").unwrap_or(1001), jobs: number("MaxJobCount").unwrap_or(10_000) }
}

fn task(line: &str) -> Option<Task> {
    let mut fields = line.splitn(6, '|');
    let mut next = || fields.next().map(str::trim);
    let (job, index, array) = (next()?.parse().ok()?, next()?.parse().ok(), next()?.parse().ok()?);
    let (state, node, reason) = (next()?.to_string(), next()?.to_string(), next()?.to_string());
    Some(Task { job, array, index, state, node, reason })
}

/// A task that came to its end, as sacct tells of it: `17_3|CANCELLED by 0|n1|NAME`. Numbers of jobs begin anew some day, so that
/// the name counts as well.
fn past(line: &str, name: &str, jobs: &BTreeMap<usize, u64>) -> Option<Task> {
    let mut fields = line.splitn(4, '|');
    let mut next = || fields.next().map(str::trim);
    let (id, state, node, of) = (next()?, next()?, next()?, next()?);
    let (job, index) = id.split_once('_')?;
    let (job, index) = (job.parse().ok()?, index.parse().ok()?);
    let array = jobs.iter().find(|(_, of)| **of == job).map(|(array, _)| *array)?;
    let state = state.split(' ').next().unwrap_or_default().to_string();
    let task = Task { job, array, index: Some(index), state, node: node.into(), reason: String::new() };
    (of == name && task.is_over()).then_some(task)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_accounting_keeps_of_a_run_is_told_from_what_it_keeps_of_others() {
        let jobs = BTreeMap::from([(0, 17), (1, 21)]);
        let read = |line| past(line, "endboard-x", &jobs);
        let task = read("21_3|CANCELLED by 0|n1|endboard-x").unwrap();
        assert_eq!(
            (task.array, task.index, task.state.as_str(), task.node.as_str()),
            (1, Some(3), "CANCELLED", "n1")
        );
        assert_eq!(read("17_0|TIMEOUT|n2|endboard-x").unwrap().state, "TIMEOUT");
        for other in [
            "17_0|TIMEOUT|n2|endboard-y",
            "18_0|TIMEOUT|n2|endboard-x",
            "17_[1-4]|PENDING||endboard-x",
            "17_1|RUNNING|n1|endboard-x",
            "17|",
            "",
        ] {
            assert_eq!(read(other), None, "{other}");
        }
    }

    #[test]
    fn answers_are_read_and_what_is_no_answer_is_passed_over() {
        let line = "17|3|0|RUNNING|n1|None";
        let read = task(line).unwrap();
        assert_eq!((read.job, read.index, read.array, read.node.as_str()), (17, Some(3), 0, "n1"));
        assert!(!read.is_over());
        assert!(task("17|N/A|2|OUT_OF_MEMORY|n2|OutOfMemory").unwrap().is_over());
        for none in ["", "17", "x|1|0|RUNNING|n|r", "17|1|(null)|RUNNING|n|r"] {
            assert_eq!(task(none), None, "{none}");
        }
        let config = "MaxArraySize            = 1001\nMaxJobCount             = 20000\n";
        assert_eq!(bounds(config), Bounds { array: 1001, jobs: 20_000 });
        assert_eq!(bounds(""), Bounds { array: 1001, jobs: 10_000 });
    }

    #[test]
    fn an_array_waits_for_others_however_they_end_or_task_by_task_for_those_that_ended_well() {
        let array =
            Submission { name: "endboard-x".into(), tasks: 3, after: vec![7, 9], ..Submission::default() };
        let words = submission(&array);
        assert!(
            words.contains(&"--array=0-2".to_string())
                && words.contains(&"--dependency=afterany:7:9".to_string())
        );
        assert!(!words.iter().any(|word| word.starts_with("--kill")));
        let words = submission(&Submission { beside: vec![3, 4], ..array });
        assert!(words.contains(&"--dependency=afterany:7:9,aftercorr:3:4".to_string()));
        assert!(words.contains(&"--kill-on-invalid-dep=yes".to_string()));
        let words = submission(&Submission { tasks: 4, at_once: Some(2), ..Submission::default() });
        assert!(words.contains(&"--array=0-3%2".to_string()), "{words:?}");
    }

    #[test]
    fn names_that_sbatch_would_put_something_into_are_told_as_themselves_or_refused() {
        assert_eq!(plainly(Path::new("/salt%a/100%/x")).unwrap(), "/salt%%a/100%%/x");
        let refused = plainly(Path::new("/salt\\works")).unwrap_err().to_string();
        assert!(refused.contains("/salt\\works") && refused.contains("rename the folder"), "{refused}");
    }

    #[test]
    fn a_controller_that_is_away_is_told_from_one_that_refuses() {
        assert!(is_away("slurm_load_jobs error: Unable to contact slurm controller (connect failure)"));
        let refused = "sbatch: error: invalid partition specified: nights\nsbatch: error: Batch job submission failed: Invalid partition name specified\n";
        assert!(!is_away(refused));
        assert!(plain(refused).starts_with("invalid partition specified: nights; Batch job"));
        // As printed by squeue of 22.05 where munge's daemon has ended.
        let munge = "squeue: error: If munged is up, restart with --num-threads=10\nsqueue: error: Munge encode failed: Failed to access \"/run/munge/munge.socket.2\": No such file or directory\nsqueue: error: slurm_send_node_msg: auth_g_create: REQUEST_JOB_INFO has authentication error\nslurm_load_jobs error: Protocol authentication error\n";
        assert!(is_away(munge));
        let words = plain(munge);
        assert!(words.contains("gives no credentials (Failed to access \"/run/munge"), "{words}");
        assert!(!words.contains("num-threads") && words.contains("once its service runs"), "{words}");
    }

    proptest::proptest! {
        #[test]
        fn no_answer_makes_it_panic(text in ".{0,200}") {
            let _ = (task(&text), bounds(&text), plain(&text));
        }
    }
}
