//! `serve`: the page, live, for browsers of this machine.

use std::collections::BTreeSet;
use std::path::PathBuf;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex};

use jiff::{Timestamp, Zoned};
use tokio::runtime::Handle;

use super::arguments::Arguments;
use super::arguments::page::Serve;
use super::rebuild::{self, signals};
use super::{Answer, Exit, Failure, deliver};
use crate::base::digest::Digest;
use crate::base::selector::Selection;
use crate::execute::Options;
use crate::programs::{Halt, Runner};
use crate::project::forecasting::Kept;
use crate::project::paging::desk::{Refused, Said};
use crate::project::paging::gallery::{Gallery, Hung};
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
    project.status(false, &|_, _| {})?;
    let bound = runtime.block_on(serve::bind(options.port)).map_err(|error| {
        Failure::System(format!(
            "port {} cannot be listened to: {error}; give another one with --port",
            options.port
        ))
    })?;
    let token = serve::token(random()?);
    let halt = Arc::new(Halt::default());
    let rebuilding = Arc::new(Rebuilding::default());
    let film = Shown {
        project: project.clone(),
        writer: rebuild::writer(),
        seen: Mutex::default(),
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
    if let Some(thread) = rebuilding.thread.lock().expect("nothing panics with it").take() {
        let _ = thread.join();
    }
    served.map_err(Failure::System)?;
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
}

/// The film as it is served.
struct Shown {
    project: Project,
    writer: Writer,
    /// The texts that the film is declared by, and what all files looked like, at the last look.
    seen: Mutex<(BTreeSet<PathBuf>, Option<Digest>)>,
    rebuilding: Arc<Rebuilding>,
    runner: (Arc<Halt>, Handle),
    /// The last forecast, which stands until something that it rests on changes.
    forecast: Kept,
}

impl Shown {
    fn page(&self, gallery: &Gallery) -> Result<Page, ProjectError> {
        let status = self.project.status(false, &|_, _| {})?;
        let dues = deliver::standing(&self.project, &status).unwrap_or_default();
        self.seen.lock().expect("nothing panics with it").0 = self.project.texts(&status);
        Ok(self.project.page(&status, &dues, gallery, &self.forecast, &Zoned::now()))
    }
}

impl Film for Shown {
    fn look(&self, gallery: &Gallery) -> Result<Page, String> {
        // What changes while it is looked at shows at the next question.
        let texts = self.seen.lock().expect("nothing panics with it").0.clone();
        let trace = self.project.trace(&texts);
        let page = self.page(gallery).map_err(|error| error.to_string());
        let mut seen = self.seen.lock().expect("nothing panics with it");
        seen.1 = Some(if seen.0 == texts { trace } else { self.project.trace(&seen.0) });
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
        self.project.write_down(said, Timestamp::now(), &self.writer)
    }

    fn rebuild(&self) -> Result<String, String> {
        if self.rebuilding.runs.swap(true, Ordering::SeqCst) {
            return Err("a rebuild runs already".into());
        }
        if let Some(who) = self.worked_on() {
            self.rebuilding.runs.store(false, Ordering::SeqCst);
            return Err(format!("this film is being worked on by {who}"));
        }
        let (project, writer, rebuilding) =
            (self.project.clone(), self.writer.clone(), Arc::clone(&self.rebuilding));
        let runner = Runner::new(Arc::clone(&self.runner.0), self.runner.1.clone());
        let work = move || {
            let options =
                Options { jobs: rebuild::processors(), memory: rebuild::usual_memory(), again: false };
            let declared = project.read();
            let done = project.rebuild(declared, &Selection::default(), options, &writer, runner, &|_| {});
            if let Err(error) = done {
                tell!("endboard: the rebuild that was asked for at the page: {error}");
            }
            rebuilding.runs.store(false, Ordering::SeqCst);
        };
        *self.rebuilding.thread.lock().expect("nothing panics with it") = Some(std::thread::spawn(work));
        Ok("A rebuild began.".into())
    }
}
