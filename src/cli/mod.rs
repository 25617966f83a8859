//! The command line: the only code that prints, reads the environment or sets exit codes.
//!
//! Knows words and their layout. All work is done behind `project`.

mod arguments;
mod check;
mod demo;
mod hours;
mod man;
mod progress;
mod rebuild;
mod show;
mod status;
mod sweep;
mod trouble;
mod why;

use clap::{CommandFactory, Parser};

use crate::project::{Project, ProjectError};
use crate::store::StoreError;
use arguments::{Arguments, Verb};

/// How a command ended, as an exit code.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Exit {
    /// 0: done.
    Done = 0,
    /// 1: the declaration has errors, or frames failed or are blocked.
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
}

/// Runs the command line of this process.
pub fn main() -> std::process::ExitCode {
    tracing_subscriber::fmt()
        .with_env_filter(
            tracing_subscriber::EnvFilter::try_from_env("ENDBOARD_LOG").unwrap_or_else(|_| "warn".into()),
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
            let _ = error.print();
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
        Verb::Rebuild(a) => rebuild::run(&project()?, arguments, a),
        Verb::Hours(a) => hours::run(&project()?, arguments, a),
        Verb::Sweep(a) => sweep::run(&project()?, arguments, a),
        Verb::Demo(a) => demo::run(arguments, a),
        Verb::Completions { shell } => {
            clap_complete::generate(*shell, &mut Arguments::command(), "endboard", &mut std::io::stdout());
            Ok(Exit::Done)
        }
        Verb::Man => {
            man::page(&mut std::io::stdout()).map_err(|e| Failure::System(e.to_string()))?;
            Ok(Exit::Done)
        }
    }
}

/// Says what went wrong and gives the code for it.
fn explain(arguments: &Arguments, failure: Failure) -> Exit {
    match failure {
        Failure::Project(ProjectError::Unsound(declared)) => {
            check::refuse(&declared, arguments);
            Exit::Unsound
        }
        Failure::Project(ProjectError::Store(StoreError::Locked(words))) => {
            anstream::eprintln!("endboard: {words}; wait for it to end, or stop it");
            Exit::Locked
        }
        Failure::Usage(words) => {
            anstream::eprintln!("endboard: {words}");
            Exit::Usage
        }
        Failure::Project(none @ (ProjectError::NoDeclaration(_) | ProjectError::NoFolder(_))) => {
            anstream::eprintln!("endboard: {none}");
            anstream::eprintln!(
                "name the film's folder with -C DIR, or write an endboard.yaml as the README shows"
            );
            Exit::Usage
        }
        other => {
            anstream::eprintln!("endboard: {other}");
            Exit::System
        }
    }
}
