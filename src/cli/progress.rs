//! Progress on a terminal as a bar with time left; in a pipe as a line now and then.

use std::io::IsTerminal;
use std::sync::Mutex;
use std::time::{Duration, Instant};

use indicatif::{ProgressBar, ProgressDrawTarget, ProgressStyle};

use crate::events::{Event, How};

/// How often a line goes into a pipe.
const EVERY: Duration = Duration::from_secs(5);

/// Files being read.
pub struct Reading {
    bar: ProgressBar,
}

impl Reading {
    /// Shown once there is anything to read.
    pub fn new(what: &'static str) -> Self {
        let bar = bar(0);
        bar.set_message(what);
        Self { bar }
    }

    /// So many of so many.
    pub fn at(&self, done: usize, of: usize) {
        self.bar.set_length(of as u64);
        self.bar.set_position(done as u64);
    }

    /// Takes it off the screen.
    pub fn end(&self) {
        self.bar.finish_and_clear();
    }
}

/// A rebuild going on.
pub struct Rebuilding {
    bar: ProgressBar,
    is_terminal: bool,
    quiet: bool,
    inner: Mutex<(Instant, u64, u64, Instant)>,
}

impl Rebuilding {
    /// `quiet` shows nothing at all.
    pub fn new(quiet: bool) -> Self {
        let now = Instant::now();
        let bar = if quiet { ProgressBar::hidden() } else { bar(0) };
        Self { bar, is_terminal: std::io::stderr().is_terminal(), quiet, inner: Mutex::new((now, 0, 0, now)) }
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
                inner.2 = *frames as u64;
                inner.3 = Instant::now();
            }
            Event::Frame { shot, stage, frame, how } => {
                inner.1 += 1;
                self.bar.set_position(inner.1);
                self.bar.set_message(format!("{shot}/{stage}@{frame}"));
                if let How::Failed(reason) = how
                    && !self.quiet
                {
                    let line = format!("failed: {shot}/{stage}@{frame}: {reason}");
                    self.bar.suspend(|| anstream::eprintln!("{line}"));
                }
            }
        }
        if !self.is_terminal && !self.quiet && inner.2 > 0 && inner.0.elapsed() > EVERY {
            inner.0 = Instant::now();
            let spent = inner.3.elapsed().as_secs_f64();
            let left = spent / inner.1.max(1) as f64 * inner.2.saturating_sub(inner.1) as f64;
            anstream::eprintln!("{} of {} frames, about {:.0} s left", inner.1, inner.2, left);
        }
    }

    /// Takes it off the screen.
    pub fn end(&self) {
        self.bar.finish_and_clear();
    }
}

fn bar(length: u64) -> ProgressBar {
    let style = ProgressStyle::with_template("  {bar:32} {pos}/{len}  {eta} left  {wide_msg}");
    let style = style.map(|s| s.progress_chars("▰▱")).unwrap_or_else(|_| ProgressStyle::default_bar());
    ProgressBar::with_draw_target(Some(length), ProgressDrawTarget::stderr()).with_style(style)
}
