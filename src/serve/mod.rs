//! The page of `report::page`, served to browsers of this machine and kept live while the film changes.
//!
//! Knows addresses, who may ask for what, and how changes reach a browser. Does not know how the film is looked at, which callers
//! say, nor how the page is drawn. Listens to loopback addresses only; whatever changes something needs the token.

mod guard;
mod live;
mod routes;
mod socket;

use std::io;
use std::net::{Ipv4Addr, Ipv6Addr, SocketAddr};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};

use tokio::net::TcpListener;
use tokio::sync::Semaphore;

use self::guard::Token;
use self::live::Live;
use self::socket::Limits;
use crate::project::paging::desk::{Refused, Said};
use crate::project::paging::gallery::Gallery;
use crate::report::page::values::Page;

/// What the page is about: how the film is looked at, and what may be done with it.
pub trait Film: Send + Sync + 'static {
    /// Looks at the film; in words why it cannot be.
    ///
    /// # Errors
    /// The film is not as it can be looked at.
    fn look(&self, gallery: &Gallery) -> Result<Page, String>;
    /// True once when something changed since the last look.
    fn has_changed(&self) -> bool;
    /// Who works on the film at the moment.
    fn worked_on(&self) -> Option<String>;
    /// What went wrong with something that was asked for at the page, until it is put right.
    fn trouble(&self) -> Option<String>;
    /// Writes down what a person says.
    ///
    /// # Errors
    /// It cannot be meant, or cannot be written.
    fn write_down(&self, said: &Said) -> Result<String, Refused>;
    /// Starts a rebuild, unless one runs; in words what came of it.
    ///
    /// # Errors
    /// One runs already.
    fn rebuild(&self) -> Result<String, String>;
}

/// All that answering needs.
struct Served {
    film: Box<dyn Film>,
    gallery: Gallery,
    token: Token,
    live: Live,
    port: u16,
    limits: Limits,
    /// Places of those who follow changes.
    followers: Arc<Semaphore>,
}

/// Sockets that listen, before anything is answered.
pub struct Bound {
    listeners: Vec<TcpListener>,
    /// The port of all of them.
    pub port: u16,
}

/// Listens to a port of the loopback addresses; to any free one where it is 0. IPv6 is left out where the machine has none.
///
/// # Errors
/// The port is taken.
pub async fn bind(port: u16) -> io::Result<Bound> {
    let first = TcpListener::bind(SocketAddr::from((Ipv4Addr::LOCALHOST, port))).await?;
    let port = first.local_addr()?.port();
    let mut listeners = vec![first];
    listeners.extend(TcpListener::bind(SocketAddr::from((Ipv6Addr::LOCALHOST, port))).await.ok());
    Ok(Bound { listeners, port })
}

/// Bytes that are hard to guess, as letters that may stand in an address.
pub fn token(random: [u8; 24]) -> String {
    use base64::Engine as _;
    base64::engine::general_purpose::URL_SAFE_NO_PAD.encode(random)
}

/// Answers until `end` comes. Then no more is taken on, what is under way comes to its end, and browsers are let go of.
///
/// # Errors
/// The film cannot be looked at in the beginning.
pub async fn serve(
    bound: Bound,
    film: Box<dyn Film>,
    gallery: Gallery,
    token: &str,
    end: impl Future<Output = ()> + Send + 'static,
) -> Result<(), String> {
    within(Limits::USUAL, bound, (film, gallery), token, end).await
}

/// As [`serve`], within these limits.
async fn within(
    limits: Limits,
    bound: Bound,
    (film, gallery): (Box<dyn Film>, Gallery),
    token: &str,
    end: impl Future<Output = ()> + Send + 'static,
) -> Result<(), String> {
    // A look takes its time, and may itself wait for programs that it starts: not among the tasks that answer.
    let looking = tokio::task::spawn_blocking(move || {
        let first = film.look(&gallery);
        (film, gallery, first)
    });
    let (film, gallery, first) = looking.await.map_err(|error| error.to_string())?;
    let first = first?;
    let followers = Arc::new(Semaphore::new(limits.followers));
    let (token, port) = (Token::of(token), bound.port);
    let live = Live::new(first, token.number());
    let served = Arc::new(Served { film, gallery, token, live, port, limits, followers });
    let ended = Arc::new(AtomicBool::new(false));
    let watching = {
        let (served, ended) = (Arc::clone(&served), Arc::clone(&ended));
        std::thread::spawn(move || live::watch(&served, &ended))
    };
    let (stop, stopped) = tokio::sync::watch::channel(false);
    let places = Arc::new(Semaphore::new(limits.connections));
    let mut tasks = Vec::new();
    for listener in bound.listeners {
        let (places, router) = (Arc::clone(&places), routes::router(Arc::clone(&served)));
        tasks.push(tokio::spawn(socket::answer(listener, (places, limits), router, stopped.clone())));
    }
    end.await;
    ended.store(true, Ordering::Relaxed);
    served.live.close();
    let _ = stop.send(true);
    for task in tasks {
        let _ = task.await;
    }
    let _ = tokio::task::spawn_blocking(move || watching.join()).await;
    Ok(())
}

#[cfg(test)]
mod tests;
