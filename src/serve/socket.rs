//! Connections: how many at a time, and how long a browser may take over each.
//!
//! Knows places and who holds one. Does not know what is said on a connection.

use std::io;
use std::pin::{Pin, pin};
use std::sync::Arc;
use std::task::{Context, Poll};
use std::time::Duration;

use axum::Router;
use hyper::server::conn::http1;
use hyper_util::rt::{TokioIo, TokioTimer};
use hyper_util::service::TowerToHyperService;
use tokio::io::{AsyncRead, AsyncReadExt as _, AsyncWrite, AsyncWriteExt as _, ReadBuf};
use tokio::net::{TcpListener, TcpStream};
use tokio::sync::{Semaphore, watch};
use tokio::time::{Instant, Sleep, sleep_until, timeout};

/// How long open connections may take to come to their end.
const GRACE: Duration = Duration::from_secs(2);
/// Rest after the system refused a connection, as when no more files may be open.
const REST: Duration = Duration::from_millis(200);
/// Connections that are told at the same time that there is no place; more are closed without a word.
const TURNED_AWAY: usize = 32;
/// The most bytes of a question that are heard before it is told so.
const HEARD: usize = 8 * 1024;

/// What a browser may take.
#[derive(Clone, Copy, Debug)]
pub struct Limits {
    /// Connections at a time; more are told so and closed.
    pub connections: usize,
    /// How many of them may follow changes without end, so that there is always room for questions.
    pub followers: usize,
    /// How long a question's head may take to arrive; also how long a connection may be kept without one.
    pub head: Duration,
    /// How long the rest of a question may take.
    pub body: Duration,
    /// How long a browser may take nothing of an answer.
    pub stall: Duration,
}

impl Limits {
    /// For people at this machine: more than all their pages need, and less than a program by mistake could take.
    pub const USUAL: Self = Self {
        connections: 64,
        followers: 32,
        head: Duration::from_secs(20),
        body: Duration::from_secs(10),
        stall: Duration::from_secs(30),
    };
}

/// Takes connections, each in a place of its own, until it is told to stop; then those that are open come to their end.
pub async fn answer(
    listener: TcpListener,
    (places, limits): (Arc<Semaphore>, Limits),
    router: Router,
    stopped: watch::Receiver<bool>,
) {
    let mut open = tokio::task::JoinSet::new();
    let mut told = stopped.clone();
    let doors = Arc::new(Semaphore::new(TURNED_AWAY));
    loop {
        let stream = tokio::select! {
            stream = listener.accept() => stream,
            _ = told.wait_for(|stopped| *stopped) => break,
        };
        while open.try_join_next().is_some() {}
        let Ok((stream, _)) = stream else {
            tokio::time::sleep(REST).await;
            continue;
        };
        // Nobody holds a place before there is a connection for it: the other address would have one less. Whoever finds none free
        // is told at once, as a browser that waits in vain looks as if this program had ended.
        let Ok(place) = Arc::clone(&places).try_acquire_owned() else {
            if let Ok(door) = Arc::clone(&doors).try_acquire_owned() {
                open.spawn(async move {
                    let _ = timeout(GRACE, turn_away(stream)).await;
                    drop(door);
                });
            }
            continue;
        };
        let (router, stopped) = (router.clone(), stopped.clone());
        open.spawn(async move {
            connection(stream, limits, router, stopped).await;
            drop(place);
        });
    }
    while open.join_next().await.is_some() {}
}

/// Hears a question and answers that there is no place. What is left unread when a connection is closed would take the answer with
/// it.
async fn turn_away(mut stream: TcpStream) -> io::Result<()> {
    let (mut heard, mut some) = (Vec::new(), [0; 1024]);
    while heard.len() < HEARD && !heard.windows(4).any(|end| end == b"\r\n\r\n") {
        match stream.read(&mut some).await? {
            0 => break,
            n => heard.extend_from_slice(&some[..n]),
        }
    }
    let words = "so many connections to this film are open already; close some pages of it and try again";
    let answer = format!(
        "HTTP/1.1 503 Service Unavailable\r\nContent-Type: text/plain; charset=utf-8\r\nContent-Length: {}\r\n\
         Retry-After: 2\r\nCache-Control: no-store\r\nConnection: close\r\n\r\n{words}",
        words.len()
    );
    stream.write_all(answer.as_bytes()).await?;
    stream.shutdown().await
}

/// All questions of one connection. What goes wrong on it is the browser's to see.
async fn connection(stream: TcpStream, limits: Limits, router: Router, mut stopped: watch::Receiver<bool>) {
    let io = TokioIo::new(Patient { stream, stall: limits.stall, waits: None });
    let answering = http1::Builder::new()
        .timer(TokioTimer::new())
        .header_read_timeout(limits.head)
        .serve_connection(io, TowerToHyperService::new(router));
    let mut answering = pin!(answering);
    tokio::select! {
        _ = answering.as_mut() => return,
        _ = stopped.wait_for(|stopped| *stopped) => {}
    }
    answering.as_mut().graceful_shutdown();
    let _ = timeout(GRACE, answering).await;
}

/// A connection whose other end may be slow to take what is written, but not for ever.
struct Patient {
    stream: TcpStream,
    stall: Duration,
    /// Until when what could not be written is tried.
    waits: Option<Pin<Box<Sleep>>>,
}

impl AsyncRead for Patient {
    fn poll_read(
        mut self: Pin<&mut Self>,
        cx: &mut Context<'_>,
        buf: &mut ReadBuf<'_>,
    ) -> Poll<io::Result<()>> {
        Pin::new(&mut self.stream).poll_read(cx, buf)
    }
}

impl AsyncWrite for Patient {
    fn poll_write(mut self: Pin<&mut Self>, cx: &mut Context<'_>, buf: &[u8]) -> Poll<io::Result<usize>> {
        let written = Pin::new(&mut self.stream).poll_write(cx, buf);
        if written.is_ready() {
            self.waits = None;
            return written;
        }
        let until = Instant::now() + self.stall;
        let waits = self.waits.get_or_insert_with(|| Box::pin(sleep_until(until)));
        waits.as_mut().poll(cx).map(|()| Err(io::ErrorKind::TimedOut.into()))
    }

    fn poll_flush(mut self: Pin<&mut Self>, cx: &mut Context<'_>) -> Poll<io::Result<()>> {
        Pin::new(&mut self.stream).poll_flush(cx)
    }

    fn poll_shutdown(mut self: Pin<&mut Self>, cx: &mut Context<'_>) -> Poll<io::Result<()>> {
        Pin::new(&mut self.stream).poll_shutdown(cx)
    }
}
