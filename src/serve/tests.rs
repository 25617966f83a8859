//! Who may ask, and what is told of a change.

use axum::http::{HeaderMap, HeaderName, HeaderValue};

use super::guard::{self, Token};
use super::live::Live;
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

#[test]
fn a_page_that_is_the_same_is_no_new_version() {
    let page = Page {
        film: "The Brine Lamp".into(),
        shots: vec![Shot { name: "br010".into(), ..Shot::default() }],
        ..Page::default()
    };
    let live = Live::new(page.clone());
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
