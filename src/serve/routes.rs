//! What is answered to which address.
//!
//! Knows the addresses of the page, its pictures, its changes and what is written down. Whether somebody may ask is `guard`'s.

use std::convert::Infallible;
use std::sync::Arc;

use axum::Router;
use axum::body::{Body, to_bytes};
use axum::extract::{Path, Request, State};
use axum::http::{HeaderMap, HeaderValue, StatusCode, header};
use axum::middleware::{self, Next};
use axum::response::sse::{Event, KeepAlive, Sse};
use axum::response::{IntoResponse, Response};
use axum::routing::{get, post};
use serde_json::json;
use tokio_stream::StreamExt;
use tokio_stream::wrappers::WatchStream;

use super::live::Version;
use super::{Served, guard};
use crate::project::paging::desk::{Refused, Said};
use crate::report::page::{self, Way};

/// The most bytes of what is written down.
const MOST: usize = 16 * 1024;
type App = State<Arc<Served>>;

/// All addresses.
pub fn router(served: Arc<Served>) -> Router {
    Router::new()
        .route("/", get(whole))
        .route("/picture/{name}", get(picture))
        .route("/events", get(events))
        .route("/write", post(write))
        .layer(middleware::from_fn_with_state(Arc::clone(&served), guarded))
        .with_state(served)
}

async fn guarded(State(served): App, request: Request, next: Next) -> Response {
    let mut answer = match guard::refusal(request.headers(), served.port) {
        Some(words) => (StatusCode::FORBIDDEN, words).into_response(),
        None => next.run(request).await,
    };
    guard::manners(answer.headers_mut());
    answer
}

async fn whole(State(served): App) -> Response {
    let version = served.live.now();
    let way = Way::Live(version.number);
    // What a page's own words cannot forbid stands in the header only.
    let policy = format!("{}; frame-ancestors 'none'", page::policy(&way));
    let html = tokio::task::spawn_blocking(move || page::html(&version.page, &way)).await;
    let Ok(html) = html else { return StatusCode::INTERNAL_SERVER_ERROR.into_response() };
    let mut answer = ([(header::CONTENT_TYPE, "text/html; charset=utf-8")], html).into_response();
    if let Ok(policy) = HeaderValue::from_str(&policy) {
        answer.headers_mut().insert(header::CONTENT_SECURITY_POLICY, policy);
    }
    answer
}

async fn picture(State(served): App, Path(name): Path<String>) -> Response {
    let found = name.strip_suffix(".jpg").and_then(|name| served.gallery.named(name));
    let Some(made) = found else { return StatusCode::NOT_FOUND.into_response() };
    // A picture's name is its digest, so that it never changes.
    let headers =
        [(header::CONTENT_TYPE, "image/jpeg"), (header::CACHE_CONTROL, "private, max-age=86400, immutable")];
    (headers, Body::from(made.bytes.clone())).into_response()
}

/// What of a version a browser is told that has the one before.
fn told(version: &Version) -> Event {
    match &version.change {
        Some(change) => Event::default().event("parts").data(change),
        None => Event::default().event("version").data(version.number.to_string()),
    }
}

async fn events(State(served): App) -> Response {
    let Ok(place) = Arc::clone(&served.followers).try_acquire_owned() else {
        let words = "so many pages follow this film already; close some of them";
        return (StatusCode::SERVICE_UNAVAILABLE, words).into_response();
    };
    let (versions, running) = served.live.follow();
    // The first one of each is the current one: a browser that missed some is told which it should have.
    let first =
        tokio_stream::once(Event::default().event("version").data(versions.borrow().number.to_string()));
    let changes = WatchStream::from_changes(versions).map(|version| told(&version));
    let running = WatchStream::new(running)
        .map(|words| Event::default().event("running").data(json!(words).to_string()));
    // The place is held for as long as the stream is.
    let all = first.chain(changes).merge(running).map(move |event| {
        let _held = &place;
        Ok::<_, Infallible>(event)
    });
    Sse::new(all).keep_alive(KeepAlive::default()).into_response()
}

fn says(status: StatusCode, words: &str) -> Response {
    (status, [(header::CONTENT_TYPE, "application/json")], json!({ "says": words }).to_string())
        .into_response()
}

async fn write(State(served): App, headers: HeaderMap, body: Body) -> Response {
    if !served.token.is_in(&headers) {
        return says(
            StatusCode::UNAUTHORIZED,
            "This needs the token that stands at the end of the address which `endboard serve` printed.",
        );
    }
    let is_json = headers
        .get(header::CONTENT_TYPE)
        .is_some_and(|kind| kind.as_bytes().starts_with(b"application/json"));
    // Whoever sends a word an hour is not waited for.
    let body = match tokio::time::timeout(served.limits.body, to_bytes(body, MOST)).await {
        Ok(Ok(body)) => body,
        Ok(Err(_)) => return says(StatusCode::PAYLOAD_TOO_LARGE, "That is too long, or broke off."),
        Err(_) => return says(StatusCode::REQUEST_TIMEOUT, "That took too long to arrive."),
    };
    let said = if is_json { serde_json::from_slice::<Said>(&body).ok() } else { None };
    let Some(said) = said else { return says(StatusCode::BAD_REQUEST, "That is not understood.") };
    let done = tokio::task::spawn_blocking(move || match &*said.does {
        "rebuild" => served.film.rebuild().map_err(Refused::Words),
        _ => served.film.write_down(&said),
    });
    match done.await {
        Ok(Ok(words)) => says(StatusCode::OK, &words),
        Ok(Err(error @ Refused::Words(_))) => says(StatusCode::BAD_REQUEST, &error.to_string()),
        Ok(Err(error)) => says(StatusCode::INTERNAL_SERVER_ERROR, &error.to_string()),
        Err(_) => says(StatusCode::INTERNAL_SERVER_ERROR, "It could not be written down."),
    }
}
