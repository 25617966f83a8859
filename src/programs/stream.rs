//! A program whose output is read while it runs.
//!
//! Knows how long to wait for it, and how it ended. What is done with a group, and how it is started, is the folder's.

use std::io::{self, Read};
use std::process::{Child, ChildStdout, ExitStatus};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::Duration;

use rustix::process::Pid;
use tokio::runtime::Handle;

use super::{Halt, end, reap, wait};

/// A program whose output is read as it comes; ended with all its children when dropped.
#[derive(Debug)]
pub struct Stream {
    group: Pid,
    out: ChildStdout,
    halt: Arc<Halt>,
    watching: Handle,
    is_reaped: bool,
}

impl Stream {
    /// Of a program that was started with a pipe for its output.
    pub(super) fn of(mut child: Child, halt: Arc<Halt>, watching: Handle) -> Self {
        let (group, out) = (Pid::from_child(&child), child.stdout.take().expect("its output was asked for"));
        Self { group, out, halt, watching, is_reaped: false }
    }

    /// Fills `bytes`, waiting for them until `limit` has passed, which ends the program.
    ///
    /// # Errors
    /// Of kind `TimedOut` when it has, `UnexpectedEof` when the program ended first.
    pub fn read(&mut self, bytes: &mut [u8], limit: Duration) -> io::Result<()> {
        (self.fill(bytes, limit)? == bytes.len()).then_some(()).ok_or(io::ErrorKind::UnexpectedEof.into())
    }

    /// As [`read`](Self::read), but fewer bytes come where the program's output ends.
    ///
    /// # Errors
    /// Of kind `TimedOut` when the limit has passed.
    pub fn fill(&mut self, bytes: &mut [u8], limit: Duration) -> io::Result<usize> {
        let late = Arc::new(AtomicBool::new(false));
        let (group, halt, flag) = (self.group, Arc::clone(&self.halt), Arc::clone(&late));
        let watch = self.watching.spawn(async move {
            tokio::time::sleep(limit).await;
            flag.store(true, Ordering::Relaxed);
            halt.end(group);
        });
        let mut count = 0;
        let done = loop {
            match self.out.read(&mut bytes[count..]) {
                Ok(more) if more > 0 => count += more,
                Err(error) if error.kind() == io::ErrorKind::Interrupted => {}
                done => break done.map(|_| count),
            }
        };
        watch.abort();
        let is_late = count < bytes.len() && late.load(Ordering::Relaxed);
        if is_late { Err(io::ErrorKind::TimedOut.into()) } else { done }
    }

    /// How the program ended, once its output has: it has until `limit` has passed to end by itself.
    ///
    /// # Errors
    /// When the system does not tell.
    pub fn ended(mut self, limit: Duration) -> io::Result<ExitStatus> {
        let (group, halt) = (self.group, Arc::clone(&self.halt));
        let watch = self.watching.spawn(async move {
            tokio::time::sleep(limit).await;
            halt.end(group);
        });
        let ended = wait(self.group);
        watch.abort();
        ended?;
        self.reap().map(|(status, ..)| status)
    }

    /// Takes the program, with what is left of its group, out of the table.
    fn reap(&mut self) -> io::Result<(ExitStatus, Duration, u64)> {
        self.is_reaped = true;
        self.halt.leave(self.group);
        end(self.group);
        reap(self.group)
    }
}

impl Drop for Stream {
    fn drop(&mut self) {
        if !self.is_reaped {
            let _ = self.reap();
        }
    }
}
