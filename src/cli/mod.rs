//! The command line: the only code that prints, reads the environment or sets exit codes.
//!
//! Knows words and their layout. All work is done behind `project`.

/// Prints a line to the standard output, or ends the program when it takes no more.
macro_rules! say {
    ($($line:tt)*) => { $crate::cli::show::say(format_args!("{}\n", format_args!($($line)*))) };
}

/// Prints a line that may be long; on a terminal it goes on beneath itself.
macro_rules! flow {
    ($($line:tt)*) => { $crate::cli::show::flow(format_args!($($line)*)) };
}

/// Prints a line to the standard error, which goes on beneath itself on a terminal; where that takes none, there is nobody left to tell.
macro_rules! tell {
    ($($line:tt)*) => { $crate::cli::show::tell(format_args!($($line)*)) };
}

mod afar;
mod amounts;
mod approvals;
mod approve;
mod arguments;
mod check;
mod clashes;
mod clock;
mod clocks;
mod compare;
mod cut;
mod deliver;
mod demo;
mod forecast;
mod holding;
mod hours;
mod hum;
mod inspect;
mod man;
mod match_;
mod notes;
mod packets;
mod packets_shared;
mod page;
mod part;
mod paths;
mod people;
mod planned;
mod progress;
mod rebuild;
mod recut;
mod register;
mod serve;
mod share;
mod sheet;
mod show;
mod status;
mod sweep;
mod sweep_shared;
mod today;
mod track;
mod trouble;
mod why;

use clap::{CommandFactory, Parser};

use crate::project::frames::LookError;
use crate::project::{Project, ProjectError};
use crate::store::StoreError;
use arguments::{Arguments, Verb};

/// How a command ended, as an exit code.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Exit {
    /// 0: done.
    Done = 0,
    /// 1: the declaration has errors, frames failed or are blocked, or `inspect` found a fault.
    Unsound = 1,
    /// 2: the command line is not understood, a selector matches nothing, or there is no declaration.
    Usage = 2,
    /// 3: another process works on the film.
    Locked = 3,
    /// 4: the system refused: a file, the disk.
    System = 4,
    /// 130: interrupted.
    Interrupted = 130,
}

/// What a command gives back: an exit code, or an error that is printed once, here.
type Answer = Result<Exit, Failure>;

/// Why a command could not do its work.
#[derive(Debug, thiserror::Error)]
enum Failure {
    #[error(transparent)]
    Project(#[from] ProjectError),
    #[error("{0}")]
    Usage(String),
    #[error("{0}")]
    System(String),
    /// Frames to look at are not there, or tell nothing.
    #[error("{0}")]
    Unready(String),
    /// A person stopped it, who need not be told that, but may have to know how things stand.
    #[error("{}", .0.as_deref().unwrap_or("stopped"))]
    Stopped(Option<String>),
    /// It went wrong after the answer was given.
    #[error("{0}")]
    Answered(Box<Failure>),
}

impl From<LookError> for Failure {
    fn from(error: LookError) -> Self {
        match error {
            LookError::Project(error) => Failure::Project(error),
            LookError::Words(words) => Failure::Usage(words),
            LookError::Lacking(lacking) => Failure::Unready(lacking.to_string()),
            LookError::Nothing(words) => Failure::Unready(words),
        }
    }
}

/// Runs the command line of this process.
pub fn main() -> std::process::ExitCode {
    tracing_subscriber::fmt()
        .with_env_filter(
            tracing_subscriber::EnvFilter::try_from_env("ENDBOARD_LOG")
                .unwrap_or_else(|_| "warn,symphonia=off".into()),
        )
        .with_writer(std::io::stderr)
        .with_ansi(std::io::IsTerminal::is_terminal(&std::io::stderr()))
        .with_target(false)
        .without_time()
        .init();
    let arguments = match Arguments::try_parse() {
        Ok(arguments) => arguments,
        Err(error) => {
            let error = arguments::suggested(error);
            if error.use_stderr() {
                // One word stands before all that goes wrong, here as elsewhere.
                let words = error.render().to_string();
                let words = words.trim_start_matches("error: ").trim_end();
                tell!("endboard: {words}");
                if arguments::ask_for_json(std::env::args_os()) {
                    // What follows is on how commands are written, for people.
                    say_error(words.split("\n\n").next().unwrap_or(words), Exit::Usage);
                }
            } else {
                let _ = error.print();
            }
            return std::process::ExitCode::from(if error.use_stderr() { Exit::Usage as u8 } else { 0 });
        }
    };
    let exit = answer(&arguments).unwrap_or_else(|failure| explain(&arguments, failure));
    std::process::ExitCode::from(exit as u8)
}

fn answer(arguments: &Arguments) -> Answer {
    let project = || Project::find(&arguments.folder);
    match &arguments.verb {
        Verb::Check(a) if a.schema => check::schema(),
        Verb::Check(_) => check::run(&project()?, arguments),
        Verb::Status(a) => status::run(&project()?, arguments, a),
        Verb::Why(a) => why::run(&project()?, arguments, a),
        Verb::Clashes(a) => clashes::run(&project()?, arguments, a),
        Verb::Cut(a) => cut::run(&project()?, arguments, a),
        Verb::Hum(a) => hum::run(&project()?, arguments, a),
        Verb::Rebuild(a) => rebuild::run(&project()?, arguments, a),
        Verb::Part(a) => part::run(&project()?, a),
        Verb::Recut(a) => recut::run(&project()?, arguments, a),
        Verb::Register(a) => register::run(&project()?, arguments, a),
        Verb::Track(a) => track::run(&project()?, arguments, a),
        Verb::Clock(a) => clock::run(&project()?, arguments, a),
        Verb::Approve(a) => approve::run(&project()?, arguments, a),
        Verb::Approvals(a) => approvals::run(&project()?, arguments, a),
        Verb::Notes(a) => notes::run(&project()?, arguments, a),
        Verb::Hours(a) => hours::run(&project()?, arguments, a),
        Verb::Forecast(a) => forecast::run(&project()?, arguments, a),
        Verb::Sheet(a) => sheet::run(&project()?, arguments, a),
        Verb::Compare(a) => compare::run(&project()?, arguments, a),
        Verb::Inspect(a) => inspect::run(&project()?, arguments, a),
        Verb::Deliver(a) => match &a.check {
            Some(folder) => deliver::check(folder, arguments.json),
            None => deliver::run(&project()?, arguments, a),
        },
        Verb::Handout(a) => packets::handout(&project()?, arguments, a),
        Verb::Takeback(a) => packets::takeback(&project()?, arguments, a),
        Verb::Outstanding(a) => packets::outstanding(&project()?, arguments, a),
        Verb::Share(a) => share::run(&project()?, arguments, a),
        Verb::Sweep(a) if a.shared => sweep_shared::run(&project()?, arguments, a),
        Verb::Sweep(a) => sweep::run(&project()?, arguments, a),
        Verb::Match(a) => match_::run(&project()?, arguments, a),
        Verb::Page(a) => page::run(&project()?, arguments, a),
        Verb::Serve(a) => serve::run(&project()?, arguments, a),
        Verb::Demo(a) => demo::run(arguments, a),
        Verb::Completions { shell } => {
            let mut script = Vec::new();
            clap_complete::generate(*shell, &mut Arguments::command(), "endboard", &mut script);
            show::say(format_args!("{}", String::from_utf8_lossy(&script)));
            Ok(Exit::Done)
        }
        Verb::Man => {
            let mut page = Vec::new();
            man::page(&mut page).map_err(|e| Failure::System(e.to_string()))?;
            show::say(format_args!("{}", String::from_utf8_lossy(&page)));
            Ok(Exit::Done)
        }
    }
}

/// Says what went wrong and gives the code for it.
fn explain(arguments: &Arguments, failure: Failure) -> Exit {
    let (failure, is_answered) = match failure {
        Failure::Answered(failure) => (*failure, true),
        failure => (failure, false),
    };
    let is_known = matches!(failure, Failure::Stopped(None));
    let (words, exit) = match failure {
        Failure::Project(ProjectError::Unsound(declared)) => {
            check::refuse(&declared, arguments);
            return Exit::Unsound;
        }
        Failure::Project(ProjectError::Store(StoreError::Locked(words))) => {
            (format!("{words}; wait for it to end, or stop it"), Exit::Locked)
        }
        Failure::Project(ProjectError::Busy(words)) => (words, Exit::Locked),
        Failure::Usage(words) | Failure::Project(ProjectError::Cannot(words)) => (words, Exit::Usage),
        stopped @ Failure::Stopped(_) => (stopped.to_string(), Exit::Interrupted),
        Failure::Unready(words) => (words, Exit::Unsound),
        Failure::Project(none @ (ProjectError::NoDeclaration(_) | ProjectError::NoFolder(_))) => {
            let way = "name the film's folder with -C FOLDER, or write an endboard.yaml as the README shows";
            (format!("{none}; {way}"), Exit::Usage)
        }
        other => (other.to_string(), Exit::System),
    };
    if !is_known {
        tell!("endboard: {words}");
    }
    if arguments.json && !is_answered {
        say_error(&words, exit);
    }
    exit
}

/// What went wrong as an object, so that who reads JSON finds one however a command ended.
fn say_error(words: &str, exit: Exit) {
    let all = serde_json::json!({ "format": "endboard error 1", "error": words, "exit_code": exit as u8 });
    say!("{all:#}");
}
