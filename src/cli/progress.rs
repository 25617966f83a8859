//! Progress on a terminal as a bar with time left; in a pipe as a line now and then.

use std::io::IsTerminal;
use std::sync::Mutex;
use std::time::{Duration, Instant};

use indicatif::{ProgressBar, ProgressDrawTarget, ProgressStyle};

use crate::events::{Event, How};

/// How often a line goes into a pipe.
const EVERY: Duration = Duration::from_secs(5);

/// Files being read, or other work of which so much is done.
pub struct Reading {
    bar: ProgressBar,
    what: &'static str,
    /// When a line was last written, where no terminal shows a bar.
    told: Option<Mutex<Instant>>,
}

impl Reading {
    /// Shown once there is anything to read.
    pub fn new(what: &'static str) -> Self {
        let bar = bar(0);
        bar.set_message(what);
        let told = (!std::io::stderr().is_terminal()).then(|| Mutex::new(Instant::now()));
        Self { bar, what, told }
    }

    /// So many of so many.
    pub fn at(&self, done: usize, of: usize) {
        self.bar.set_length(of as u64);
        self.bar.set_position(done as u64);
        let Some(told) = &self.told else { return };
        if is_due(&mut told.lock().expect("nothing panics with it"), Instant::now()) {
            tell!("{}: {done} of {of}", self.what);
        }
    }

    /// Takes it off the screen.
    pub fn end(&self) {
        self.bar.finish_and_clear();
    }
}

/// Whether a line is due once more; takes note of it.
fn is_due(told: &mut Instant, now: Instant) -> bool {
    let is_due = now.duration_since(*told) > EVERY;
    if is_due {
        *told = now;
    }
    is_due
}

/// A rebuild going on.
pub struct Rebuilding {
    bar: ProgressBar,
    is_terminal: bool,
    quiet: bool,
    /// Whether what is done so far says when the rest will be.
    foresees: bool,
    inner: Mutex<Going>,
}

/// How far a rebuild is.
struct Going {
    /// When a line was last written.
    told: Instant,
    /// When the first frame was taken up.
    began: Instant,
    done: u64,
    of: u64,
    failed: u64,
}

impl Rebuilding {
    /// `quiet` shows nothing at all.
    pub fn new(quiet: bool) -> Self {
        let now = Instant::now();
        let bar = if quiet { ProgressBar::hidden() } else { bar(0) };
        let going = Going { told: now, began: now, done: 0, of: 0, failed: 0 };
        let is_terminal = std::io::stderr().is_terminal();
        Self { bar, is_terminal, quiet, foresees: true, inner: Mutex::new(going) }
    }

    /// Of frames that others make, who begin when they may: nothing says when they are done.
    pub fn of_others(quiet: bool) -> Self {
        let going = Self::new(quiet);
        going.bar.set_style(style("  {bar:32} {pos}/{len}  {wide_msg}"));
        Self { foresees: false, ..going }
    }

    /// Takes an event in.
    pub fn take(&self, event: &Event) {
        let mut inner = self.inner.lock().expect("nothing panics here");
        match event {
            Event::Reading(done, of) => {
                self.bar.set_message("reading plates");
                self.bar.set_length(*of as u64);
                self.bar.set_position(*done as u64);
            }
            Event::Began(frames) => {
                self.bar.reset();
                self.bar.set_length(*frames as u64);
                self.bar.set_position(0);
                self.bar.set_message("");
                inner.of = *frames as u64;
                inner.began = Instant::now();
            }
            Event::Told(words) => {
                // What befalls a run that others make is told in any case: whoever waits for it would wait for nothing.
                if !self.quiet || !self.foresees {
                    self.bar.suspend(|| tell!("{words}"));
                }
            }
            Event::Frame { shot, stage, frame, how } => {
                inner.done += 1;
                // Reasons are told at the end, once each; until then it is enough to know that there are some.
                inner.failed += u64::from(matches!(how, How::Failed(_)));
                self.bar.set_position(inner.done.min(inner.of));
                self.bar.set_message(format!("{}{shot}/{stage}@{frame}", failed(inner.failed)));
            }
        }
        let may_tell = !self.is_terminal && !self.quiet && inner.of > 0;
        if may_tell && is_due(&mut inner.told, Instant::now()) {
            let (done, spent) = (inner.done.min(inner.of), inner.began.elapsed().as_secs_f64());
            let left = left(done, inner.of, spent).filter(|_| self.foresees);
            let left = left.map_or(String::new(), |left| format!(", about {left:.0} s left"));
            let failed = failed(inner.failed);
            tell!("{failed}{done} of {} frames{left}", inner.of);
        }
    }

    /// Takes it off the screen.
    pub fn end(&self) {
        self.bar.finish_and_clear();
    }
}

fn failed(count: u64) -> String {
    if count == 0 { String::new() } else { format!("{count} failed; ") }
}

/// Seconds left after so many; none where nothing is done yet.
fn left(done: u64, of: u64, spent: f64) -> Option<f64> {
    (done > 0).then(|| spent / done as f64 * of.saturating_sub(done) as f64)
}

fn style(template: &str) -> ProgressStyle {
    let style = ProgressStyle::with_template(template);
    style.map(|s| s.progress_chars("▰▱")).unwrap_or_else(|_| ProgressStyle::default_bar())
}

fn bar(length: u64) -> ProgressBar {
    let style = style("  {bar:32} {pos}/{len}  {eta} left  {wide_msg}");
    ProgressBar::with_draw_target(Some(length), ProgressDrawTarget::stderr()).with_style(style)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_line_goes_into_a_pipe_now_and_then() {
        let began = Instant::now();
        let mut told = began;
        let seconds = [1, 4, 6, 7, 11, 12, 30];
        let due: Vec<u64> =
            seconds.into_iter().filter(|&n| is_due(&mut told, began + Duration::from_secs(n))).collect();
        assert_eq!(due, [6, 12, 30]);
    }

    #[test]
    fn time_left_is_told_of_what_was_measured_only() {
        assert_eq!(super::left(0, 32, 9.0), None);
        assert_eq!(super::left(8, 32, 9.0), Some(27.0));
    }
}
