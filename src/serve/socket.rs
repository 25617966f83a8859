//! A listener that takes only so many connections at a time.
//!
//! Knows places and who holds one. Does not know what is said on a connection.

use std::io;
use std::net::SocketAddr;
use std::pin::Pin;
use std::sync::Arc;
use std::task::{Context, Poll};

use tokio::io::{AsyncRead, AsyncWrite, ReadBuf};
use tokio::net::{TcpListener, TcpStream};
use tokio::sync::{OwnedSemaphorePermit, Semaphore};

/// Connections at a time; more wait with the system.
const MOST: usize = 64;

/// The places that all listeners share.
#[derive(Clone)]
pub struct Places(Arc<Semaphore>);

impl Places {
    /// All free.
    pub fn new() -> Self {
        Self(Arc::new(Semaphore::new(MOST)))
    }
}

/// A listener that waits for a free place.
pub struct Limited {
    listener: TcpListener,
    places: Places,
}

impl Limited {
    /// This one, within these places.
    pub fn new(listener: TcpListener, places: &Places) -> Self {
        Self { listener, places: places.clone() }
    }
}

/// A connection in its place.
pub struct Placed {
    stream: TcpStream,
    _place: Option<OwnedSemaphorePermit>,
}

impl axum::serve::Listener for Limited {
    type Io = Placed;
    type Addr = SocketAddr;

    async fn accept(&mut self) -> (Placed, SocketAddr) {
        // The semaphore is never closed, so that a place always comes.
        let place = Arc::clone(&self.places.0).acquire_owned().await.ok();
        let (stream, from) = axum::serve::Listener::accept(&mut self.listener).await;
        (Placed { stream, _place: place }, from)
    }

    fn local_addr(&self) -> io::Result<SocketAddr> {
        self.listener.local_addr()
    }
}

impl AsyncRead for Placed {
    fn poll_read(
        mut self: Pin<&mut Self>,
        cx: &mut Context<'_>,
        buf: &mut ReadBuf<'_>,
    ) -> Poll<io::Result<()>> {
        Pin::new(&mut self.stream).poll_read(cx, buf)
    }
}

impl AsyncWrite for Placed {
    fn poll_write(mut self: Pin<&mut Self>, cx: &mut Context<'_>, buf: &[u8]) -> Poll<io::Result<usize>> {
        Pin::new(&mut self.stream).poll_write(cx, buf)
    }

    fn poll_flush(mut self: Pin<&mut Self>, cx: &mut Context<'_>) -> Poll<io::Result<()>> {
        Pin::new(&mut self.stream).poll_flush(cx)
    }

    fn poll_shutdown(mut self: Pin<&mut Self>, cx: &mut Context<'_>) -> Poll<io::Result<()>> {
        Pin::new(&mut self.stream).poll_shutdown(cx)
    }
}
