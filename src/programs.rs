//! Programs of others, each as a process group of its own: started, waited for, ended with all its children, and
//! its cost.
//!
//! The one place that talks to the kernel about programs; it is written for Linux. Knows nothing of films, frames or
//! stages. A group is ended only while its leader has not been waited for, so that its number cannot have
//! become another program's.

mod log;
mod stream;

use std::collections::HashSet;
use std::fs::File;
use std::io::{self, Read, Seek};
use std::process::{Child, Command, ExitStatus, Stdio};
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::sync::{Arc, Mutex, RwLock};
use std::time::Duration;

use rustix::fs::{MemfdFlags, memfd_create};
use rustix::process::{Pid, Signal, WaitId, WaitIdOptions};
use tokio::runtime::{Builder, Handle, Runtime};

pub use log::{end_of_log, tells_of_full_disk};
pub use stream::Stream;

/// How often it is looked at how much memory a running program takes and how much it has printed.
const LOOK: Duration = Duration::from_millis(50);

/// What programs cost, beyond the time of the thread that waited for them.
#[derive(Clone, Copy, Debug, Default)]
pub struct Cost {
    /// Processor time.
    pub children: Duration,
    /// Peak memory in bytes.
    pub peak: Option<u64>,
}

impl Cost {
    /// Something more was run for the same purpose.
    pub fn add(&mut self, more: &Cost) {
        self.children += more.children;
        self.peak = self.peak.max(more.peak);
    }
}

/// Asks a run to stop, first to come to an end, then to end at once.
#[derive(Debug, Default)]
pub struct Halt {
    asked: AtomicBool,
    hurried: AtomicBool,
    /// Held for reading while a program is started, until its group is among those under way.
    starting: RwLock<()>,
    groups: Mutex<HashSet<Pid>>,
}

impl Halt {
    /// Asks: nothing new is begun; frames in hand and the programs under way come to their end.
    pub fn ask(&self) {
        self.asked.store(true, Ordering::SeqCst);
    }

    /// Asks, and ends the programs under way with all their children. When this returns, no program of the run is under
    /// way and none will be, so that the process may exit.
    pub fn hurry(&self) {
        self.ask();
        self.hurried.store(true, Ordering::SeqCst);
        let _none_starts = self.starting.write().expect("nothing panics with it");
        for &group in self.groups.lock().expect("nothing panics with it").iter() {
            end(group);
        }
    }

    /// Whether it was asked.
    pub fn is_asked(&self) -> bool {
        self.asked.load(Ordering::SeqCst)
    }

    /// Whether programs are ended too.
    pub fn is_hurried(&self) -> bool {
        self.hurried.load(Ordering::SeqCst)
    }

    /// Starts a program as a group of its own, unless programs are ended.
    fn start(&self, command: &mut Command) -> io::Result<Child> {
        use std::os::unix::process::CommandExt;
        let _starting = self.starting.read().expect("nothing panics with it");
        if self.is_hurried() {
            return Err(io::Error::new(io::ErrorKind::Interrupted, "the run was stopped"));
        }
        withhold(command);
        let child = command.process_group(0).spawn()?;
        self.groups.lock().expect("nothing panics with it").insert(Pid::from_child(&child));
        Ok(child)
    }

    /// Ends a group, unless its leader has ended and left.
    fn end(&self, group: Pid) {
        if self.groups.lock().expect("nothing panics with it").contains(&group) {
            end(group);
        }
    }

    fn leave(&self, group: Pid) {
        self.groups.lock().expect("nothing panics with it").remove(&group);
    }
}

/// What variables that open other people's storage begin with.
const KEYS: &str = "AWS_";

/// Keeps from a program the keys of this process: it may print what it was given, and a log or a cluster's database keeps that.
fn withhold(command: &mut Command) {
    for (name, _) in std::env::vars_os() {
        if name.as_encoded_bytes().starts_with(KEYS.as_bytes()) {
            command.env_remove(&name);
        }
    }
}

/// How far a program may go before it is ended.
#[derive(Debug, Default)]
pub struct Limits<'l> {
    /// How long it may take.
    pub time: Option<Duration>,
    /// How many bytes a file may come to hold that it prints to.
    pub print: Option<(&'l File, u64)>,
}

/// Which limit a program went past.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Past {
    /// It took too long.
    Time,
    /// It printed too much.
    Print,
}

/// How a program ended.
#[derive(Debug)]
pub struct Ended {
    /// As the system tells it.
    pub status: ExitStatus,
    /// The limit for which it was ended.
    pub past: Option<Past>,
    /// Of the program and of the children that it waited for.
    pub cost: Cost,
}

/// What a program prints, kept in memory until it has ended.
#[derive(Debug)]
pub struct Printed(File);

impl Printed {
    /// Nothing so far.
    ///
    /// # Errors
    /// When the system has no more memory or open files to give.
    pub fn new() -> io::Result<Self> {
        Ok(Self(File::from(memfd_create("printed", MemfdFlags::CLOEXEC)?)))
    }

    /// An end to print to. What is printed to several of them stands in the order in which it came.
    ///
    /// # Errors
    /// As for `new`.
    pub fn end(&self) -> io::Result<Stdio> {
        Ok(self.0.try_clone()?.into())
    }

    /// For a limit.
    pub fn file(&self) -> &File {
        &self.0
    }

    /// The first bytes so far, at most so many, while programs still print.
    ///
    /// # Errors
    /// When the system cannot read them.
    pub fn so_far(&self, most: u64) -> io::Result<Vec<u8>> {
        use std::os::unix::fs::FileExt;
        // Whoever prints shares the place at which this file is read and written, so that it must not be moved.
        let mut bytes = vec![0; self.0.metadata()?.len().min(most) as usize];
        self.0.read_exact_at(&mut bytes, 0)?;
        Ok(bytes)
    }

    /// The first bytes, at most so many.
    ///
    /// # Errors
    /// When the system cannot read them.
    pub fn bytes(mut self, most: u64) -> io::Result<Vec<u8>> {
        let mut bytes = Vec::new();
        self.0.rewind()?;
        self.0.take(most).read_to_end(&mut bytes)?;
        Ok(bytes)
    }
}

/// Starts programs and watches them.
#[derive(Debug)]
pub struct Runner {
    /// Asked from outside, or by a run itself, to end it.
    pub halt: Arc<Halt>,
    watching: Handle,
    _own: Option<Runtime>,
}

impl Runner {
    /// Programs that end when `halt` says so; they are watched from `watching`.
    pub fn new(halt: Arc<Halt>, watching: Handle) -> Self {
        Self { halt, watching, _own: None }
    }

    /// Programs that only their limits end.
    ///
    /// # Errors
    /// When the system gives no thread to watch them from.
    pub fn alone() -> io::Result<Self> {
        let runtime = Builder::new_multi_thread().worker_threads(1).enable_time().build()?;
        Ok(Self { halt: Arc::default(), watching: runtime.handle().clone(), _own: Some(runtime) })
    }

    /// Runs a program to its end, or to one of its limits, or until the run is asked to end at once.
    ///
    /// # Errors
    /// When it could not be started; of kind `Interrupted` because the run was asked to end.
    pub fn run(&self, command: &mut Command, limits: &Limits<'_>) -> io::Result<Ended> {
        let print = limits.print.map(|(file, most)| Ok::<_, io::Error>((file.try_clone()?, most)));
        let print = print.transpose()?;
        let group = Pid::from_child(&self.halt.start(command)?);
        let own_peak = own_peak();
        let seen = Arc::new(Seen { peak: AtomicU64::new(0), past: Mutex::new(None) });
        let watch =
            self.watching.spawn(watch(group, limits.time, print, Arc::clone(&self.halt), Arc::clone(&seen)));
        let ended = wait(group);
        watch.abort();
        self.halt.leave(group);
        end(group);
        ended?;
        let (status, children, peak) = reap(group)?;
        // What a program shows as its peak is at least what this process had at the start of it: the kernel counts
        // the memory that the two share until the program is loaded. Only more than that is the program's own.
        let is_its_own = peak > own_peak + own_peak / 16 + (1 << 20);
        let (looked, past) =
            (seen.peak.load(Ordering::Relaxed), *seen.past.lock().expect("nothing panics with it"));
        let peak = if is_its_own { Some(peak) } else { (looked > 0).then_some(looked) };
        Ok(Ended { status, past, cost: Cost { children, peak } })
    }

    /// Starts a program and holds the other end of its output.
    ///
    /// # Errors
    /// As for `run`.
    pub fn stream(&self, command: &mut Command) -> io::Result<Stream> {
        let child = self.halt.start(command.stdout(Stdio::piped()))?;
        Ok(Stream::of(child, Arc::clone(&self.halt), self.watching.clone()))
    }
}

/// What was seen of a program while it ran.
struct Seen {
    /// The most memory, in bytes.
    peak: AtomicU64,
    past: Mutex<Option<Past>>,
}

/// Looks at a group now and then, and ends it when it goes past a limit.
async fn watch(
    group: Pid,
    time: Option<Duration>,
    print: Option<(File, u64)>,
    halt: Arc<Halt>,
    seen: Arc<Seen>,
) {
    let up = async {
        match time {
            Some(limit) => tokio::time::sleep(limit).await,
            None => std::future::pending().await,
        }
    };
    let look = async {
        loop {
            tokio::time::sleep(LOOK).await;
            seen.peak.fetch_max(peak_of(group, 0).unwrap_or(0), Ordering::Relaxed);
            let is_past = |(file, most): &(File, u64)| file.metadata().is_ok_and(|data| data.len() > *most);
            if print.as_ref().is_some_and(is_past) {
                return;
            }
        }
    };
    let past = tokio::select! {
        () = up => Past::Time,
        () = look => Past::Print,
    };
    *seen.past.lock().expect("nothing panics with it") = Some(past);
    halt.end(group);
}

/// Waits until the leader of a group has ended. It stays in the table, so that its number is nobody else's until its children
/// are ended.
fn wait(group: Pid) -> io::Result<()> {
    loop {
        match rustix::process::waitid(WaitId::Pid(group), WaitIdOptions::EXITED | WaitIdOptions::NOWAIT) {
            Err(rustix::io::Errno::INTR) => {}
            done => return done.map(drop).map_err(io::Error::from),
        }
    }
}

/// Ends a whole group. One that is gone already is what was wanted.
fn end(group: Pid) {
    let _ = rustix::process::kill_process_group(group, Signal::KILL);
}

/// Takes an ended program out of the table: how it ended, the processor time and the peak memory in bytes of it
/// and of the children that it waited for.
fn reap(pid: Pid) -> io::Result<(ExitStatus, Duration, u64)> {
    use std::os::unix::process::ExitStatusExt;
    let mut status = 0;
    let mut usage = std::mem::MaybeUninit::<libc::rusage>::zeroed();
    loop {
        // SAFETY: both places are ours and as large as the call expects.
        match unsafe { libc::wait4(pid.as_raw_nonzero().get(), &mut status, 0, usage.as_mut_ptr()) } {
            -1 if io::Error::last_os_error().kind() == io::ErrorKind::Interrupted => {}
            -1 => return Err(io::Error::last_os_error()),
            _ => break,
        }
    }
    // SAFETY: it is plain numbers, all of which were zero before the call filled them in.
    let usage = unsafe { usage.assume_init() };
    let time = time(usage.ru_utime) + time(usage.ru_stime);
    Ok((ExitStatus::from_raw(status), time, memory(usage.ru_maxrss)))
}

/// The most memory that this process has had so far, in bytes.
fn own_peak() -> u64 {
    let mut usage = std::mem::MaybeUninit::<libc::rusage>::zeroed();
    // SAFETY: the place is ours and as large as the call expects; plain numbers, zero when the call fails.
    let usage = unsafe {
        libc::getrusage(libc::RUSAGE_SELF, usage.as_mut_ptr());
        usage.assume_init()
    };
    memory(usage.ru_maxrss)
}

fn time(value: libc::timeval) -> Duration {
    let seconds = u64::try_from(value.tv_sec).unwrap_or(0);
    Duration::from_secs(seconds) + Duration::from_micros(u64::try_from(value.tv_usec).unwrap_or(0))
}

/// True when this process was started so that the end of its terminal does not end it.
pub fn outlives_its_terminal() -> bool {
    let mut action = std::mem::MaybeUninit::<libc::sigaction>::zeroed();
    // SAFETY: without a new action nothing is changed; the place for the old one is ours, and zero is a sound one.
    let action = unsafe {
        libc::sigaction(libc::SIGHUP, std::ptr::null(), action.as_mut_ptr());
        action.assume_init()
    };
    action.sa_sigaction == libc::SIG_IGN
}

/// Bytes of a peak, which most systems give in KiB and some in bytes.
fn memory(peak: libc::c_long) -> u64 {
    let unit = if cfg!(target_vendor = "apple") { 1 } else { 1024 };
    u64::try_from(peak).unwrap_or(0).saturating_mul(unit)
}

/// The highest peak so far among a process and its descendants, in bytes, where `/proc` tells.
fn peak_of(pid: Pid, depth: usize) -> Option<u64> {
    /// Deeper than any program nests its children, and an end to what changes while it is read.
    const DEPTH: usize = 16;
    let pid = pid.as_raw_nonzero();
    let status = std::fs::read_to_string(format!("/proc/{pid}/status")).ok()?;
    let own =
        status.lines().find_map(|line| line.strip_prefix("VmHWM:")?.trim().strip_suffix(" kB")?.parse().ok());
    let own: Option<u64> = own.map(|kib: u64| kib.saturating_mul(1024));
    let children = std::fs::read_to_string(format!("/proc/{pid}/task/{pid}/children")).unwrap_or_default();
    let children = children.split_whitespace().filter(|_| depth < DEPTH);
    let peaks = children.filter_map(|child| peak_of(Pid::from_raw(child.parse().ok()?)?, depth + 1));
    own.into_iter().chain(peaks).max()
}

#[cfg(test)]
mod tests {
    use std::io::{BufRead, BufReader, Write};
    use std::process::Stdio;

    use super::*;

    fn shell(text: &str) -> Command {
        let mut command = Command::new("sh");
        command.args(["-c", text]).stdin(Stdio::null()).stdout(Stdio::null());
        command
    }

    fn ran(text: &str) -> Ended {
        Runner::alone().unwrap().run(&mut shell(text), &Limits::default()).unwrap()
    }

    #[test]
    fn a_stream_tells_how_its_program_ended() {
        let runner = Runner::alone().unwrap();
        for (text, code) in [("printf brine", 0), ("printf brine; exit 7", 7)] {
            let mut stream = runner.stream(&mut shell(text)).unwrap();
            let mut bytes = [0; 8];
            let long = Duration::from_secs(600);
            assert_eq!(stream.fill(&mut bytes, long).unwrap(), 5);
            assert_eq!(stream.ended(long).unwrap().code(), Some(code), "{text}");
        }
        // One that closes its output and goes on is ended.
        let mut stream = runner.stream(&mut shell("exec >&-; while :; do :; done")).unwrap();
        assert_eq!(stream.fill(&mut [0; 8], Duration::from_secs(600)).unwrap(), 0);
        assert_eq!(stream.ended(Duration::ZERO).unwrap().code(), None, "a signal ended it");
    }

    const BUSY: &str = "i=0; while [ $i -lt 200000 ]; do i=$((i+1)); done";

    #[test]
    fn processor_time_is_that_of_the_very_program_and_of_what_it_waited_for() {
        let folder = tempfile::tempdir().unwrap();
        let wait = folder.path().join("wait");
        assert!(Command::new("mkfifo").arg(&wait).status().unwrap().success());
        let idle = format!("read x < {}", wait.display());
        std::thread::scope(|scope| {
            let idle = scope.spawn(|| ran(&idle));
            // The busy ones begin and end while the idle one waits.
            let busy = ran(BUSY);
            let nested = ran(&format!("sh -c '{BUSY}'; true"));
            std::fs::OpenOptions::new().write(true).open(&wait).unwrap().write_all(b"go\n").unwrap();
            let idle = idle.join().unwrap();
            assert!(idle.status.success() && busy.status.success() && nested.status.success());
            for (name, cost) in [("busy", busy.cost), ("nested", nested.cost)] {
                assert!(cost.children > Duration::from_millis(10), "{name}: {cost:?}");
                assert!(cost.children > 3 * idle.cost.children, "{name}: {cost:?}, idle: {:?}", idle.cost);
            }
        });
    }

    #[test]
    fn peak_memory_is_the_programs_own() {
        const TAKES: u64 = 128 << 20;
        let large = format!("dd if=/dev/zero of=/dev/null bs={TAKES} count=1 2> /dev/null");
        let peak = ran(&large).cost.peak.expect("it takes more than this test");
        assert!((TAKES..TAKES + (32 << 20)).contains(&peak), "{peak}");
        // A program started by a large process is not large for that.
        let held = vec![1u8; 256 << 20];
        std::hint::black_box(&held);
        let small = ran("true").cost.peak;
        assert!(small.is_none_or(|peak| peak < 64 << 20), "{small:?}");
        let more = format!("dd if=/dev/zero of=/dev/null bs={} count=1 2> /dev/null", 4 * TAKES);
        assert!(ran(&more).cost.peak.is_some_and(|peak| peak >= 4 * TAKES));
    }

    #[test]
    fn a_running_programs_memory_is_seen_in_its_children_too() {
        let text = "x=$(head -c 8000000 /dev/zero | tr '\\0' a); echo ready; read y; echo ${#x}";
        for text in [text.to_string(), format!("sh -c \"{}\"; true", text.replace('$', "\\$"))] {
            let mut command = shell(&text);
            let mut child = command.stdin(Stdio::piped()).stdout(Stdio::piped()).spawn().unwrap();
            let mut line = String::new();
            BufReader::new(child.stdout.as_mut().unwrap()).read_line(&mut line).unwrap();
            let peak = peak_of(Pid::from_child(&child), 0);
            drop(child.stdin.take());
            child.wait().unwrap();
            if std::path::Path::new("/proc/self/status").exists() {
                assert!(peak.is_some_and(|peak| peak > 8_000_000), "{line}: {peak:?}");
            }
        }
    }

    #[test]
    fn a_run_in_a_hurry_ends_its_programs_and_starts_no_more() {
        let folder = tempfile::tempdir().unwrap();
        let begun = folder.path().join("begun");
        assert!(Command::new("mkfifo").arg(&begun).status().unwrap().success());
        // Opening a pipe for reading lasts until somebody writes, which nobody does to the second.
        let never = folder.path().join("never");
        assert!(Command::new("mkfifo").arg(&never).status().unwrap().success());
        let lasting = format!("echo begun > {}; read x < {}", begun.display(), never.display());
        let runner = Runner::alone().unwrap();
        std::thread::scope(|scope| {
            let program = scope.spawn(|| runner.run(&mut shell(&lasting), &Limits::default()).unwrap());
            assert_eq!(std::fs::read_to_string(&begun).unwrap(), "begun\n");
            runner.halt.hurry();
            let ended = program.join().unwrap();
            assert!(!ended.status.success() && ended.past.is_none(), "{ended:?}");
        });
        assert!(runner.halt.groups.lock().unwrap().is_empty());
        let late = runner.run(&mut shell(&format!("read x < {}", never.display())), &Limits::default());
        assert_eq!(late.unwrap_err().kind(), io::ErrorKind::Interrupted);
    }

    #[test]
    fn a_program_that_prints_without_end_is_ended() {
        let printed = Printed::new().unwrap();
        let mut command = shell("while :; do echo brine; done");
        command.stdout(printed.end().unwrap());
        let limits = Limits { print: Some((printed.file(), 1 << 20)), time: None };
        let ended = Runner::alone().unwrap().run(&mut command, &limits).unwrap();
        assert_eq!(ended.past, Some(Past::Print));
        assert_eq!(printed.bytes(11).unwrap(), b"brine\nbrine");
    }
}
