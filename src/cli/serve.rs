//! `serve`: the page, live, for browsers of this machine.

use std::collections::BTreeSet;
use std::path::PathBuf;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex, PoisonError};

use jiff::Zoned;
use tokio::runtime::Handle;

use super::arguments::Arguments;
use super::arguments::page::Serve;
use super::rebuild::{self, signals};
use super::{Answer, Exit, Failure, deliver, share};
use crate::base::digest::Digest;
use crate::base::problem::Severity;
use crate::base::selector::Selection;
use crate::execute::Options;
use crate::programs::{Halt, Runner};
use crate::project::forecasting::Kept;
use crate::project::paging::desk::{Refused, Said};
use crate::project::paging::gallery::{Gallery, Hung};
use crate::project::paging::shown::Shown;
use crate::project::rebuild::Writer;
use crate::project::{Project, ProjectError};
use crate::report::page::values::Page;
use crate::serve::{self, Film};

/// Serves until it is told to end.
pub fn run(project: &Project, arguments: &Arguments, options: &Serve) -> Answer {
    let system = |error: std::io::Error| Failure::System(error.to_string());
    let runtime =
        tokio::runtime::Builder::new_multi_thread().worker_threads(2).enable_all().build().map_err(system)?;
    let (mut asked, mut told, left) = signals(&runtime).map_err(system)?;
    // The film is looked at before anybody is told that it is served.
    let status = project.status(false, &|_, _| {})?;
    let bound = runtime.block_on(serve::bind(options.port)).map_err(|error| {
        Failure::System(format!(
            "port {} cannot be listened to: {error}; give another one with --port",
            options.port
        ))
    })?;
    let token = serve::token(random()?);
    let halt = Arc::new(Halt::default());
    let rebuilding = Arc::new(Rebuilding::default());
    let film = Served {
        project: project.clone(),
        writer: rebuild::writer(),
        seen: Mutex::new((project.texts(&status), None)),
        writing: Mutex::default(),
        shown: Shown::default(),
        rebuilding: Arc::clone(&rebuilding),
        runner: (Arc::clone(&halt), runtime.handle().clone()),
        forecast: Kept::default(),
    };
    let address = format!("http://127.0.0.1:{}/", bound.port);
    if arguments.json {
        say!("{}", serde_json::json!({ "format": "endboard serve 1", "address": address, "token": token }));
    } else {
        say!("{address}#token={token}");
        tell!(
            "for browsers of this machine; whoever has the whole address may approve, note, clock and rebuild; Ctrl-C ends it"
        );
    }
    let end = async move {
        let left = async {
            match left {
                Some(mut left) => left.recv().await,
                None => std::future::pending().await,
            }
        };
        tokio::select! { _ = asked.recv() => {} _ = told.recv() => {} _ = left => {} }
        halt.hurry();
    };
    let gallery = Gallery::new(options.pictures as usize, Hung::At("/picture/"));
    let served = runtime.block_on(serve::serve(bound, Box::new(film), gallery, &token, end));
    // Frames in hand come to their end, and the ledger is written.
    rebuilding.wait();
    served.map_err(|why| Failure::Answered(Box::new(Failure::System(why))))?;
    Ok(Exit::Done)
}

/// Bytes from the system that nobody can guess.
fn random() -> Result<[u8; 24], Failure> {
    let mut bytes = [0; 24];
    let mut filled = 0;
    while filled < bytes.len() {
        let more = rustix::rand::getrandom(&mut bytes[filled..], rustix::rand::GetRandomFlags::empty());
        filled += more.map_err(|error| Failure::System(error.to_string()))?;
    }
    Ok(bytes)
}

/// The rebuild that was asked for at the page, if one runs.
#[derive(Default)]
struct Rebuilding {
    runs: AtomicBool,
    thread: Mutex<Option<std::thread::JoinHandle<()>>>,
    /// What went wrong with the last one.
    trouble: Mutex<Option<String>>,
}

impl Rebuilding {
    /// Begins one, unless one runs.
    fn begin(
        self: &Arc<Self>,
        work: impl FnOnce() -> Result<(), String> + Send + 'static,
    ) -> Result<String, String> {
        if self.runs.swap(true, Ordering::SeqCst) {
            return Err("a rebuild runs already".into());
        }
        self.set_trouble(None);
        let run =
            Run { of: Arc::clone(self), came_to: Err("it broke off by a fault of this program".into()) };
        *self.thread.lock().expect("nothing panics with it") = Some(std::thread::spawn(move || {
            let mut run = run;
            run.came_to = work();
            drop(run);
        }));
        Ok("A rebuild began.".into())
    }

    fn set_trouble(&self, trouble: Option<String>) {
        *self.trouble.lock().expect("nothing panics with it") = trouble;
    }

    /// Waits for the one that runs.
    fn wait(&self) {
        let thread = self.thread.lock().expect("nothing panics with it").take();
        if let Some(thread) = thread {
            let _ = thread.join();
        }
    }
}

/// A rebuild that runs: over when it is dropped, also by a panic.
struct Run {
    of: Arc<Rebuilding>,
    came_to: Result<(), String>,
}

impl Drop for Run {
    fn drop(&mut self) {
        if let Err(words) = &self.came_to {
            tell!("endboard: the rebuild that was asked for at the page: {words}");
            self.of
                .set_trouble(Some(format!("The rebuild that was asked for here did not end well: {words}.")));
        }
        self.of.runs.store(false, Ordering::SeqCst);
    }
}

/// The film as it is served.
struct Served {
    project: Project,
    writer: Writer,
    /// The texts that the film is declared by, and what all files looked like, at the last look.
    seen: Mutex<(BTreeSet<PathBuf>, Option<Digest>)>,
    /// Held from the look at the ledger until what follows from it is written: of two presses, the second one sees the first's row.
    writing: Mutex<()>,
    shown: Shown,
    rebuilding: Arc<Rebuilding>,
    runner: (Arc<Halt>, Handle),
    /// The last forecast, which stands until something that it rests on changes.
    forecast: Kept,
}

impl Served {
    fn page(&self, gallery: &Gallery) -> Result<Page, ProjectError> {
        let status = self.project.status(false, &|_, _| {})?;
        let dues = deliver::standing(&self.project, &status).unwrap_or_default();
        self.seen.lock().expect("nothing panics with it").0 = self.project.texts(&status);
        let everything = Selection::default();
        let mut page = self.project.page(&status, &everything, &dues, gallery, &self.forecast, &Zoned::now());
        self.shown.mark(&status, &mut page);
        Ok(page)
    }
}

/// What stands in the way, where, and the way on.
fn wrong(error: &ProjectError) -> String {
    let ProjectError::Unsound(declared) = error else { return error.to_string() };
    let Some(first) = declared.problems.iter().find(|problem| problem.severity == Severity::Error) else {
        return error.to_string();
    };
    let place = first.span.map_or(String::new(), |span| format!("{}: ", declared.sources.place(span)));
    let help = first.help.as_ref().map_or(String::new(), |help| format!("; {help}"));
    format!("{place}{}{help}. `endboard check` tells all that is wrong.", first.message)
}

impl Film for Served {
    fn look(&self, gallery: &Gallery) -> Result<Page, String> {
        // The trace is taken before, so that what changes while it is looked at shows at the next question. Of texts that only this
        // look found there is none from before: the next question looks once more.
        let texts = self.seen.lock().expect("nothing panics with it").0.clone();
        let trace = self.project.trace(&texts);
        let page = self.page(gallery).map_err(|error| wrong(&error));
        let mut seen = self.seen.lock().expect("nothing panics with it");
        seen.1 = (seen.0 == texts).then_some(trace);
        page
    }

    fn has_changed(&self) -> bool {
        let seen = self.seen.lock().expect("nothing panics with it").clone();
        seen.1 != Some(self.project.trace(&seen.0))
    }

    fn worked_on(&self) -> Option<String> {
        self.project.worked_on()
    }

    fn write_down(&self, said: &Said) -> Result<String, Refused> {
        // A writer that broke off left whole rows, or none.
        let _alone = self.writing.lock().unwrap_or_else(PoisonError::into_inner);
        self.project.write_down(said, &self.shown, &Zoned::now(), &self.writer)
    }

    fn trouble(&self) -> Option<String> {
        self.rebuilding.trouble.lock().expect("nothing panics with it").clone()
    }

    fn rebuild(&self) -> Result<String, String> {
        if let Some(who) = self.worked_on() {
            return Err(format!("this film is being worked on by {who}"));
        }
        let (project, writer) = (self.project.clone(), self.writer.clone());
        let runner = Runner::new(Arc::clone(&self.runner.0), self.runner.1.clone());
        self.rebuilding.begin(move || {
            let (jobs, memory) = (rebuild::processors(), rebuild::usual_memory());
            let halt = Arc::clone(&runner.halt);
            let done = share::around(&project, project.read(), None, &halt, true, |declared, shared| {
                let options = Options {
                    jobs,
                    memory,
                    again: false,
                    way: Default::default(),
                    shared,
                    was: Arc::default(),
                };
                project.rebuild(declared, &Selection::default(), options, &writer, runner, &|_| {})
            });
            done.map(drop).map_err(|error| error.to_string())
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_rebuild_that_broke_off_is_told_and_another_one_may_begin() {
        let rebuilding = Arc::new(Rebuilding::default());
        let trouble = |of: &Rebuilding| of.trouble.lock().unwrap().clone();
        // A panic is told on the standard error of the test, as it would be on the terminal.
        rebuilding.begin(|| panic!("on purpose")).unwrap();
        rebuilding.wait();
        assert!(trouble(&rebuilding).unwrap().contains("broke off"));
        rebuilding.begin(|| Err("the store is locked".into())).unwrap();
        rebuilding.wait();
        assert!(trouble(&rebuilding).unwrap().contains("the store is locked"));
        let (go, gone) = std::sync::mpsc::channel::<()>();
        rebuilding.begin(move || gone.recv().map_err(|e| e.to_string())).unwrap();
        assert_eq!(rebuilding.begin(|| Ok(())), Err("a rebuild runs already".into()));
        go.send(()).unwrap();
        rebuilding.wait();
        assert_eq!((trouble(&rebuilding), rebuilding.runs.load(Ordering::SeqCst)), (None, false));
    }
}
