//! Commands and their options, once, for parsing, help, completions and the man page.

pub mod crew;
pub mod cut;
pub mod measure;
pub mod packets;
pub mod page;
pub mod render;
pub mod share;

use std::path::PathBuf;

use clap::error::{ContextKind, ContextValue, ErrorKind};
use clap::{Args, CommandFactory, Parser, Subcommand};

use super::{Failure, amounts, today};
use crate::base::problem::nearest;
use crate::base::selector::Selection;
use crate::graph::Graph;
use crate::project::naming;
use crew::{Approvals, Approve, Clock, Notes};
use cut::{Cut, Recut};
use measure::{Match, Register, Track};
use packets::{Handout, Outstanding, Takeback};
use page::{Page, Serve};
pub use render::{On, Part, Rebuild};
use share::Share;

/// Takes a short film from locked cut to delivered film: declare shots and stages, rebuild only what
/// changed, and see where the hours went.
#[derive(Debug, Parser)]
#[command(name = "endboard", version, max_term_width = 100, after_help = EXIT_CODES)]
pub struct Arguments {
    /// Work in this folder, or the film that it lies in
    #[arg(short = 'C', value_name = "FOLDER", default_value = ".", global = true, hide_default_value = true)]
    pub folder: PathBuf,
    /// Print JSON instead of text
    #[arg(long, global = true)]
    pub json: bool,
    /// What to do
    #[command(subcommand)]
    pub verb: Verb,
}

const EXIT_CODES: &str = "Exit codes: 0 done; 1 the declaration has errors, or frames failed, are blocked or left to a cluster; 2 the \
 command line is not understood, a selector matches nothing, there is no declaration, or what was asked cannot be done; 3 another process \
 works on the film, or a run on a cluster has to end first; 4 the system refused; 130 interrupted.\n\
Selectors name shots, stages and frames: br030, br030/blades, br030/blades@1012-1019, 'br*/colour', '*/colour'.\n\
Paths on the command line begin at the folder that the command is started in, with -C too. A DAY is YYYY-MM-DD, yesterday, today \
or tomorrow.\n\
Safety: what was made may flash and be loud. Read Safety in the README before you watch or listen.";

/// The commands.
#[derive(Debug, Subcommand)]
pub enum Verb {
    /// Read the declaration and everything it points at; report every problem at once, each at its line
    Check(Check),
    /// Show what is fresh, stale, absent, out, failed or blocked, as ribbons of frames, and what comes next
    Status(Status),
    /// Follow a stale frame down to the input that changed
    Why(Why),
    /// Render what is stale or absent
    Rebuild(Rebuild),
    /// Show the cut in use, event by event; write the film as it stands as an edit list or OTIO
    Cut(Cut),
    /// Say what a new cut would do and cost before it is taken up; take it up, or go back to the one before
    Recut(Recut),
    /// Follow places, flat patches and rods through a shot, from keys set by hand
    Track(Track),
    /// List where blades clash, by the names that settings use
    Clashes(Clashes),
    /// Write cues of blade sound from the picture: hums, swings and clashes, to keep, move, drop or replace
    Hum(Hum),
    /// Measure how each take of a shot lies against its clean plate, and write the register file that `passes` applies
    Register(Register),
    /// Keep a person's time on a shot and stage: start, stop, add, correct; without a word, what runs and what was worked
    Clock(Clock),
    /// Show where finishing time went, of hands and of machines: by stage, shot, person, week and cause, first pass against rework
    Hours(Hours),
    /// Pin a person's approval to renders as they are; it lapses by itself when their pixels change
    Approve(Approve),
    /// List approvals that hold and those that lapsed, and why, and what is not approved yet
    Approvals(Approvals),
    /// Note what is to be done on frames, list what is open, and settle it
    Notes(Notes),
    /// Forecast when the film will be done, what delays it, and what would help
    Forecast(super::forecast::Options),
    /// Write a contact sheet: one picture file of frames that are made, with their names
    Sheet(Sheet),
    /// Write a picture file of two stages at one frame: before and after
    Compare(Compare),
    /// Check picture, sound and safety of what is rendered: gaps, repeats, black, flashes, levels, loudness
    Inspect(Inspect),
    /// Write a first-pass grade, an ASC CDL, that brings a shot to its reference shot
    Match(Match),
    /// Make what leaves the house: frames, movies and stems, checked, listed with digests, each in a folder that appears only when it is complete
    Deliver(Deliver),
    /// Hand frames of a hand stage to a person: a packet with inputs, a brief and a time sheet
    Handout(Handout),
    /// Take a packet back: checked as a whole, put in place as a whole, hours noted; or go back to an earlier return
    Takeback(Takeback),
    /// List packets that are out: who has what, since when, what is overdue; or close one
    Outstanding(Outstanding),
    /// Write one HTML file that shows the film as it stands: its strip, its shots, where the hours went
    Page(Page),
    /// Serve the same page to browsers of this machine, live, where a person may approve, add notes and keep time
    Serve(Serve),
    /// Send what the film has to the crew's shared store, and tell what it uses; show who uses what
    Share(Share),
    /// Reclaim the space of renders that nothing current uses
    Sweep(Sweep),
    /// Write the demo film's plates and sounds, rebuild it, change one keyframe and show what ran
    Demo(Demo),
    /// Make one part of a run on a cluster; started by its tasks
    #[command(hide = true)]
    Part(Part),
    /// Print completions for a shell
    Completions {
        /// The shell
        shell: clap_complete::Shell,
    },
    /// Print the man page
    Man,
}

/// Options of `check`.
#[derive(Debug, Args)]
pub struct Check {
    /// Print the JSON Schema of declarations for editors
    #[arg(long)]
    pub schema: bool,
}

/// Options of `status`.
#[derive(Debug, Args)]
pub struct Status {
    /// Shots, stages and frames; all when not given
    pub selectors: Vec<String>,
    /// Read every source and every render again, instead of trusting their times
    #[arg(long)]
    pub thorough: bool,
}

/// Options of `why`.
#[derive(Debug, Args)]
pub struct Why {
    /// Shots, stages and frames
    #[arg(required = true)]
    pub selectors: Vec<String>,
}

/// Options of `clashes`.
#[derive(Debug, Args)]
pub struct Clashes {
    /// Shots, stages and frames; all when not given
    pub selectors: Vec<String>,
}

/// Options of `hum`.
#[derive(Debug, Args)]
pub struct Hum {
    /// Shots and stages of blades; all when not given
    pub selectors: Vec<String>,
    /// The bus that plays the cues; the film's only one, or `effects`, when not given
    #[arg(long, value_name = "BUS")]
    pub bus: Option<String>,
    /// The cue file to write, in the film's folder; the film's cues/blades.yaml when not given
    #[arg(long, value_name = "FILE")]
    pub file: Option<PathBuf>,
    /// How fast a tip must pass to be a swing, in heights of the frame in a second
    #[arg(long, value_name = "SPEED", default_value = "1.5", value_parser = amounts::speed, allow_negative_numbers = true)]
    pub least: f64,
    /// Make it anew though a person changed it, and keep that under another name
    #[arg(long)]
    pub replace: bool,
}

/// Options of `hours`.
#[derive(Debug, Args)]
pub struct Hours {
    /// Shots, stages and frames; all when not given
    pub selectors: Vec<String>,
    /// Print comma-separated values, for a spreadsheet
    #[arg(long, conflicts_with = "json")]
    pub csv: bool,
    /// Count only what was done from this day on: YYYY-MM-DD, yesterday or today; all of it when not given
    #[arg(long, value_name = "DAY", value_parser = today::day)]
    pub since: Option<jiff::civil::Date>,
    /// Count only this week, from Monday on
    #[arg(long, conflicts_with = "since")]
    pub week: bool,
}

/// How frames are shown in a picture file.
#[derive(Debug, Args)]
pub struct Shown {
    /// Show this part of the frame only: left, top, width and height in pixels of the film; all of it when not given
    #[arg(long, value_name = "X,Y,W,H", value_parser = amounts::part, allow_hyphen_values = true)]
    pub part: Option<[u32; 4]>,
    /// Make it brighter or darker by this many stops
    #[arg(
        long,
        value_name = "STOPS",
        default_value_t = 0.0,
        allow_negative_numbers = true,
        value_parser = amounts::stops
    )]
    pub stops: f64,
    /// Leave the names out
    #[arg(long)]
    pub unnamed: bool,
}

/// Options of `sheet`.
#[derive(Debug, Args)]
pub struct Sheet {
    /// Shots, stages and frames, or one channel of a stage such as br055/roto.near@1010, shown in this order; when not given, what the
    /// film shows of each shot. A stage of several mattes shows the strongest of them at each pixel
    pub selectors: Vec<String>,
    /// Show every Nth frame; when not given, those named one by one, or else the middle one of each stage
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(u32).range(1..), allow_negative_numbers = true)]
    pub every: Option<u32>,
    /// Frames side by side; when not given, as many as make the sheet about square
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(u32).range(1..=1000), allow_negative_numbers = true)]
    pub across: Option<u32>,
    /// The picture file, PNG
    #[arg(long, value_name = "FILE", default_value = "sheet.png")]
    pub out: PathBuf,
    /// Width of one frame in the file, in pixels, 8 to 8192
    #[arg(long, value_name = "PIXELS", default_value = "320", value_parser = clap::value_parser!(u32).range(8..=8192), allow_negative_numbers = true)]
    pub width: u32,
    /// How they are shown
    #[command(flatten)]
    pub shown: Shown,
}

/// Options of `compare`.
#[derive(Debug, Args)]
pub struct Compare {
    /// A shot's stage, such as br030/plate; the frame is the other's when it says none
    pub before: String,
    /// A shot's stage, with a frame such as br030/colour@1020; the middle one when neither says any
    pub after: String,
    /// Where the line between before and after stands, from 0 at the left to 1 at the right
    #[arg(long, value_name = "SHARE", default_value = "0.5", value_parser = amounts::share, allow_negative_numbers = true)]
    pub split: f64,
    /// Show both whole, beside each other
    #[arg(long, conflicts_with = "split")]
    pub beside: bool,
    /// The picture file, PNG
    #[arg(long, value_name = "FILE", default_value = "compare.png")]
    pub out: PathBuf,
    /// Width of one frame in the file, in pixels, 8 to 8192
    #[arg(long, value_name = "PIXELS", default_value = "960", value_parser = clap::value_parser!(u32).range(8..=8192), allow_negative_numbers = true)]
    pub width: u32,
    /// How they are shown
    #[command(flatten)]
    pub shown: Shown,
}

/// Options of `inspect`.
#[derive(Debug, Args)]
pub struct Inspect {
    /// Shots, stages and frames; the film's picture and sound when not given
    pub selectors: Vec<String>,
    /// Write a picture of each finding into this folder, its place framed; no pictures when not given
    #[arg(long, value_name = "FOLDER")]
    pub out: Option<PathBuf>,
}

/// Options of `deliver`.
#[derive(Debug, Args)]
pub struct Deliver {
    /// Deliveries by name; all when not given
    pub names: Vec<String>,
    /// Say what would be made and why, and make nothing
    #[arg(long)]
    pub plan: bool,
    /// Deliver last renders of what is stale, and what is held; it is said in the report and in the manifest
    #[arg(long)]
    pub as_it_is: bool,
    /// Check a delivered folder by its manifest: what is missing, changed or new
    #[arg(long, value_name = "FOLDER", conflicts_with_all = ["names", "plan", "as_it_is"])]
    pub check: Option<PathBuf>,
}

/// Options of `sweep`.
#[derive(Debug, Args)]
pub struct Sweep {
    /// Bytes that stored renders may take, such as 20GB; when not given, 0, and with --shared what the declaration says. What
    /// the film uses now always stays
    #[arg(long, value_name = "SIZE", value_parser = amounts::budget)]
    pub budget: Option<u64>,
    /// Sweep the crew's shared store in place of this machine's: only what no member's film uses and nobody sent lately
    #[arg(long)]
    pub shared: bool,
    /// Remove; without it, only say what would go
    #[arg(long)]
    pub remove: bool,
}

/// Options of `demo`.
#[derive(Debug, Args)]
pub struct Demo {
    /// Where the demo film goes
    #[arg(value_name = "FOLDER", default_value = "demo-film")]
    pub target: PathBuf,
    /// Write plates and sounds, and stop
    #[arg(long)]
    pub only_plates: bool,
}

/// An error of the command line that suggests a command only where the word is near enough to be a slip of the hand, and
/// for an option that there is not only what helps.
pub(super) fn suggested(mut error: clap::Error) -> clap::Error {
    if error.kind() == ErrorKind::UnknownArgument && error.get(ContextKind::Suggested).is_some() {
        // That it may be passed as a value: nobody calls a shot or a file so.
        error.remove(ContextKind::Suggested);
        let usage = error.get(ContextKind::Usage).map(ToString::to_string).unwrap_or_default();
        for verb in ["notes settle NAME", "notes add PLACE"] {
            let (command, _) = verb.rsplit_once(' ').expect("two words and a name");
            if usage.contains(command) {
                let tip = format!("the words of a note stand without an option: `endboard {verb} 'WORDS'`");
                error.insert(ContextKind::Suggested, ContextValue::StyledStrs(vec![tip.into()]));
            }
        }
    }
    let Some(ContextValue::String(word)) = error.get(ContextKind::InvalidSubcommand) else { return error };
    let command = Arguments::command();
    let shown = command.get_subcommands().filter(|verb| !verb.is_hide_set());
    let near = nearest(word, shown.map(clap::Command::get_name)).map(str::to_string);
    error.remove(ContextKind::SuggestedSubcommand);
    if let Some(near) = near {
        error.insert(ContextKind::SuggestedSubcommand, ContextValue::Strings(vec![near]));
    }
    error
}

/// Whether words that are no command line ask for JSON all the same.
pub(super) fn ask_for_json(words: impl Iterator<Item = std::ffi::OsString>) -> bool {
    { words }.skip(1).take_while(|word| word != "--").any(|word| word == "--json")
}

/// Reads selectors and checks that each means something in this film.
pub(super) fn selection(texts: &[String], graph: Option<&Graph>) -> Result<Selection, Failure> {
    naming::selection(texts, graph).map_err(Failure::Usage)
}

#[cfg(test)]
mod tests {
    use super::*;
    #[test]
    fn the_command_line_is_consistent() {
        Arguments::command().debug_assert();
    }

    /// One option has one meaning, whichever command takes it: it takes the same thing everywhere, or nothing.
    #[test]
    fn an_option_takes_the_same_everywhere() {
        use std::collections::BTreeMap;
        // A file or a folder, as the command writes one or many.
        const TWO: [&str; 1] = ["out"];
        fn gather(command: &clap::Command, all: &mut BTreeMap<String, BTreeMap<String, String>>) {
            for argument in command.get_arguments().filter(|argument| !argument.is_global_set()) {
                let Some(long) = argument.get_long() else { continue };
                let takes = match argument.get_action().takes_values() {
                    true => argument
                        .get_value_names()
                        .unwrap_or_default()
                        .iter()
                        .map(ToString::to_string)
                        .collect(),
                    false => String::new(),
                };
                all.entry(long.into()).or_default().insert(takes, command.get_name().into());
            }
            command.get_subcommands().for_each(|sub| gather(sub, all));
        }
        let mut all = BTreeMap::new();
        gather(&Arguments::command(), &mut all);
        assert!(all.len() > 50, "{all:?}");
        for (option, takes) in &all {
            assert!(takes.len() == 1 || TWO.contains(&option.as_str()), "--{option}: {takes:?}");
        }
        assert!(TWO.iter().all(|option| all[*option].len() == 2), "{all:?}");
    }

    /// What holds without an option that takes a value, a reader of its help is told.
    #[test]
    fn every_option_tells_what_holds_without_it() {
        // Words that a person may add, files that are written only where they are named, and what else is nothing without it.
        const NOTHING: [&str; 17] = [
            "note",
            "brief",
            "brief-file",
            "edl",
            "otio",
            "point",
            "plane",
            "blade",
            "check",
            "forget",
            "close",
            "drop",
            "more",
            "faster",
            "delivery",
            "packet",
            "C",
        ];
        fn look(command: &clap::Command, count: &mut usize) {
            let takes =
                |argument: &&clap::Arg| argument.get_action().takes_values() && !argument.is_positional();
            for argument in command.get_arguments().filter(takes) {
                let name = argument.get_long().unwrap_or("C");
                let shows =
                    !argument.get_default_values().is_empty() && !argument.is_hide_default_value_set();
                let help = argument.get_help().map(ToString::to_string).unwrap_or_default();
                let is_told = shows || argument.is_required_set() || help.contains("when not given");
                assert!(is_told || NOTHING.contains(&name), "{} --{name}: {help}", command.get_name());
                *count += 1;
            }
            command.get_subcommands().for_each(|sub| look(sub, count));
        }
        let mut count = 0;
        look(&Arguments::command(), &mut count);
        assert!(count > 60, "{count}");
    }

    #[test]
    fn the_demos_folder_is_not_the_folder_to_work_in() {
        for (words, folder, target) in [
            (&["endboard", "demo"][..], ".", "demo-film"),
            (&["endboard", "-C", "shed", "demo", "lamp"], "shed", "lamp"),
        ] {
            let arguments = Arguments::parse_from(words);
            let Verb::Demo(demo) = &arguments.verb else { panic!("{words:?}") };
            assert_eq!(
                (arguments.folder.as_path(), demo.target.as_path()),
                (folder.as_ref(), target.as_ref())
            );
        }
    }

    #[test]
    fn only_near_commands_are_suggested() {
        let said =
            |word: &str| suggested(Arguments::try_parse_from(["endboard", word]).unwrap_err()).to_string();
        assert!(!said("bogus").contains("similar"), "{}", said("bogus"));
        assert!(said("statsu").contains("'status'"), "{}", said("statsu"));
    }
}
