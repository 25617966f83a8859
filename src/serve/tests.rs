//! Who may ask, how much and for how long, and what is told of a change.

use std::io::{BufRead, BufReader, Read, Write};
use std::net::TcpStream;
use std::sync::{Arc, Mutex};
use std::time::Duration;

use axum::http::{HeaderMap, HeaderName, HeaderValue};
use tokio::sync::Semaphore;

use super::guard::{self, Token};
use super::live::{Live, Watched};
use super::socket::Limits;
use super::{Film, Served};
use crate::project::paging::desk::{Refused, Said};
use crate::project::paging::gallery::{Gallery, Hung};
use crate::report::page::values::{Page, Shot};

fn headers(all: &[(&'static str, &str)]) -> HeaderMap {
    let one = |(name, value): &(&'static str, &str)| {
        (HeaderName::from_static(name), HeaderValue::from_str(value).unwrap())
    };
    all.iter().map(one).collect()
}

#[test]
fn other_names_and_other_sites_are_refused() {
    let is_let_in = |all: &[(&'static str, &str)]| guard::refusal(&headers(all), 4520).is_none();
    for host in ["127.0.0.1:4520", "localhost:4520", "[::1]:4520", "LOCALHOST:4520"] {
        assert!(is_let_in(&[("host", host)]), "{host}");
    }
    for host in ["127.0.0.1", "127.0.0.1:4521", "salt.example:4520", "127.0.0.1.salt.example:4520", ""] {
        assert!(!is_let_in(&[("host", host)]), "{host}");
    }
    assert!(!is_let_in(&[]));
    let own = ("host", "127.0.0.1:4520");
    assert!(is_let_in(&[own, ("origin", "http://127.0.0.1:4520")]));
    for origin in [
        "http://salt.example",
        "null",
        "http://localhost:4520",
        "https://127.0.0.1:4520",
        "http://127.0.0.1:45200",
    ] {
        assert!(!is_let_in(&[own, ("origin", origin)]), "{origin}");
    }
    assert!(!is_let_in(&[own, ("sec-fetch-site", "cross-site")]));
    assert!(!is_let_in(&[own, ("sec-fetch-site", "same-site"), ("sec-fetch-mode", "cors")]));
    assert!(is_let_in(&[own, ("sec-fetch-site", "same-origin")]));
    assert!(is_let_in(&[own, ("sec-fetch-site", "cross-site"), ("sec-fetch-mode", "navigate")]));
}

#[test]
fn only_the_token_itself_lets_write() {
    let made = super::token([7; 24]);
    assert!(made.len() == 32 && made.bytes().all(|b| b.is_ascii_alphanumeric() || b"-_".contains(&b)));
    let token = Token::of(&made);
    assert!(token.is_in(&headers(&[(guard::HEADER, &made)])));
    for wrong in ["", &made[1..], &format!("{made} ")[..], &made.to_lowercase()] {
        assert!(!token.is_in(&headers(&[(guard::HEADER, wrong)])), "{wrong}");
    }
    assert!(!token.is_in(&headers(&[])));
}

/// A page that was served by the program before is told of another version, whatever it last was.
#[test]
fn another_program_begins_at_another_version() {
    let [before, after] = ["salt", "brine"].map(|text| Token::of(text).number());
    assert!(before.abs_diff(after) > 1_000_000, "{before} {after}");
    assert!(before.max(after) < 1 << 48);
}

#[test]
fn a_page_that_is_the_same_is_no_new_version() {
    let page = Page {
        film: "The Brine Lamp".into(),
        shots: vec![Shot { name: "br010".into(), ..Shot::default() }],
        ..Page::default()
    };
    let live = Live::new(page.clone(), 1);
    live.put(Page { made: "later".into(), ..page.clone() });
    assert_eq!(live.now().number, 1);
    live.put(Page { next: vec!["Nothing is to be rendered.".into()], ..page.clone() });
    // A part came, so that the whole page is fetched anew.
    assert_eq!((live.now().number, live.now().change.is_none()), (2, true));
    live.put(Page { next: vec!["A rebuild makes up to 2 frames.".into()], ..page });
    let change: serde_json::Value = serde_json::from_str(live.now().change.as_ref().unwrap()).unwrap();
    assert_eq!((&change["from"], &change["to"]), (&2.into(), &3.into()));
    let parts = change["parts"].as_array().unwrap();
    assert!(
        parts.len() == 1
            && parts[0]["id"] == "next"
            && parts[0]["html"].as_str().unwrap().contains("2 frames")
    );
}

/// A film that says what it is told to.
#[derive(Default)]
struct Told {
    looks: Mutex<Vec<Result<Page, String>>>,
    changed: Mutex<bool>,
}

impl Film for Arc<Told> {
    fn look(&self, _: &Gallery) -> Result<Page, String> {
        self.looks.lock().unwrap().pop().unwrap_or_else(|| Ok(Page::default()))
    }

    fn has_changed(&self) -> bool {
        std::mem::take(&mut self.changed.lock().unwrap())
    }

    fn worked_on(&self) -> Option<String> {
        None
    }

    fn trouble(&self) -> Option<String> {
        None
    }

    fn write_down(&self, _: &Said) -> Result<String, Refused> {
        Ok("Noted.".into())
    }

    fn rebuild(&self) -> Result<String, String> {
        Err("not here".into())
    }
}

fn gallery() -> Gallery {
    Gallery::new(0, Hung::At("/picture/"))
}

#[test]
fn what_is_wrong_is_said_until_it_is_put_right() {
    let film = Arc::new(Told::default());
    let served = Served {
        film: Box::new(Arc::clone(&film)),
        gallery: gallery(),
        token: Token::of("token"),
        live: Live::new(Page::default(), 1),
        port: 0,
        limits: Limits::USUAL,
        followers: Arc::new(Semaphore::new(1)),
    };
    let (_, said) = served.live.follow();
    let said = || said.borrow().clone();
    let change = || *film.changed.lock().unwrap() = true;
    let mut watched = Watched::new();
    film.looks.lock().unwrap().push(Err("endboard.yaml:7: no such plate".into()));
    change();
    watched.turn(&served);
    let wrong = "The film cannot be looked at: endboard.yaml:7: no such plate";
    assert_eq!(said(), wrong);
    // Nothing changed since, so that it is as wrong as it was.
    watched.turn(&served);
    watched.turn(&served);
    assert_eq!(said(), wrong);
    change();
    watched.turn(&served);
    assert_eq!(said(), "");
}

/// Serves within limits while `with` talks to the port.
fn serving(limits: Limits, with: impl FnOnce(u16) + Send + 'static) {
    let runtime = tokio::runtime::Builder::new_multi_thread().worker_threads(1).enable_all().build().unwrap();
    runtime.block_on(async {
        let bound = super::bind(0).await.unwrap();
        let port = bound.port;
        let talk = tokio::task::spawn_blocking(move || with(port));
        let (over, ends) = tokio::sync::oneshot::channel::<()>();
        let end = async move {
            let _ = ends.await;
        };
        let film: Box<dyn Film> = Box::new(Arc::new(Told::default()));
        let served = tokio::spawn(super::within(limits, bound, (film, gallery()), "token", end));
        let talked = talk.await;
        drop(over);
        served.await.unwrap().unwrap();
        talked.unwrap();
    });
}

fn ask(port: u16, text: &str) -> TcpStream {
    let mut stream = TcpStream::connect(("127.0.0.1", port)).unwrap();
    // A test that waits in vain fails, and does not hang.
    stream.set_read_timeout(Some(Duration::from_secs(30))).unwrap();
    stream.write_all(text.replace("PORT", &port.to_string()).as_bytes()).unwrap();
    stream
}

/// The first line of an answer.
fn status(stream: &TcpStream) -> String {
    let mut line = String::new();
    BufReader::new(stream).read_line(&mut line).unwrap();
    line.trim().to_string()
}

const WHOLE: &str = "GET / HTTP/1.1\r\nHost: 127.0.0.1:PORT\r\n\r\n";
const EVENTS: &str = "GET /events HTTP/1.1\r\nHost: 127.0.0.1:PORT\r\n\r\n";

/// Asks until the place of somebody who left has come back, which is as soon as it is seen that they left.
fn answered(port: u16, text: &str) -> bool {
    (0..100_000).any(|_| status(&ask(port, text)) == "HTTP/1.1 200 OK")
}

#[test]
fn followers_leave_room_for_questions_and_their_places_come_back() {
    let limits = Limits { connections: 3, followers: 2, ..Limits::USUAL };
    serving(limits, |port| {
        let mut follow: Vec<TcpStream> = (0..2).map(|_| ask(port, EVENTS)).collect();
        follow.iter().for_each(|stream| assert_eq!(status(stream), "HTTP/1.1 200 OK"));
        let more = ask(port, EVENTS);
        assert_eq!(status(&more), "HTTP/1.1 503 Service Unavailable");
        drop(more);
        // The last place serves everybody else, one after the other.
        for _ in 0..4 {
            assert!(answered(port, WHOLE));
        }
        follow.pop();
        assert!(answered(port, EVENTS));
    });
}

#[test]
fn all_places_are_for_connections_and_none_for_listening() {
    let limits = Limits { connections: 1, followers: 1, ..Limits::USUAL };
    serving(limits, |port| {
        for _ in 0..8 {
            assert!(answered(port, WHOLE));
        }
    });
}

#[test]
fn whoever_finds_no_place_is_told_at_once() {
    let limits = Limits { connections: 2, followers: 2, ..Limits::USUAL };
    serving(limits, |port| {
        let held: Vec<TcpStream> = (0..2).map(|_| ask(port, EVENTS)).collect();
        held.iter().for_each(|stream| assert_eq!(status(stream), "HTTP/1.1 200 OK"));
        // Many more than there are places, all at the same time, by both addresses where there are two.
        let more: Vec<TcpStream> = (0..24).map(|_| ask(port, WHOLE)).collect();
        for mut stream in more {
            let mut said = String::new();
            stream.read_to_string(&mut said).unwrap();
            assert!(said.starts_with("HTTP/1.1 503 ") && said.ends_with("try again"), "{said}");
        }
        // More than are told are closed; none is left to wait.
        let silent: Vec<TcpStream> =
            (0..200).map(|_| TcpStream::connect(("127.0.0.1", port)).unwrap()).collect();
        for mut stream in silent {
            stream.set_read_timeout(Some(Duration::from_secs(30))).unwrap();
            let _ = stream.shutdown(std::net::Shutdown::Write);
            let mut said = Vec::new();
            // A connection that is closed with a question unread may end in an error.
            let ended = stream.read_to_end(&mut said);
            let waits = ended.is_err_and(|e| {
                matches!(e.kind(), std::io::ErrorKind::WouldBlock | std::io::ErrorKind::TimedOut)
            });
            assert!(!waits, "somebody waits");
        }
        drop(held);
        assert!(answered(port, WHOLE));
    });
}

#[test]
fn whoever_takes_too_long_is_let_go_of() {
    let short = Duration::from_millis(200);
    let limits = Limits { connections: 1, head: short, body: short, ..Limits::USUAL };
    serving(limits, |port| {
        // A head that never ends, and a connection without any, are closed by the other side, and the next one has the place.
        for begun in ["GET / HTTP/1.1\r\nHost: 127.0.0.1:PORT\r\nX-Slow: ", ""] {
            let mut rest = Vec::new();
            ask(port, begun).read_to_end(&mut rest).unwrap();
            assert!(!String::from_utf8_lossy(&rest).contains("200 OK"), "{begun}");
        }
        let slow = "POST /write HTTP/1.1\r\nHost: 127.0.0.1:PORT\r\nX-Endboard-Token: token\r\n\
                    Content-Type: application/json\r\nContent-Length: 100\r\n\r\n{";
        // The place of whoever asked before comes back as soon as it is seen that they left.
        let late = (0..100_000).map(|_| status(&ask(port, slow))).find(|said| !said.contains(" 503 "));
        assert_eq!(late.as_deref(), Some("HTTP/1.1 408 Request Timeout"));
        assert!(answered(port, WHOLE));
    });
}
