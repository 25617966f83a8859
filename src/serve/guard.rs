//! Who may ask: requests to this machine's own addresses, from pages that were served here, and for what changes something with
//! the token.
//!
//! Knows headers. A browser that was led here under another name (DNS rebinding) says that name under `Host`; another site's page
//! says itself under `Origin` and cannot send the token's header without being allowed to, which nobody is.

use axum::http::{HeaderMap, HeaderName, HeaderValue, header};

/// The header that carries the token.
pub const HEADER: &str = "x-endboard-token";

/// The token, as a digest of it: two digests are compared in the same time wherever they differ.
pub struct Token(blake3::Hash);

impl Token {
    /// Of its text.
    pub fn of(text: &str) -> Self {
        Self(blake3::hash(text.as_bytes()))
    }

    /// A number that no other token is likely to come to, and that a browser can count on from.
    pub fn number(&self) -> u64 {
        // A browser's numbers are whole up to 53 bits.
        self.0.as_bytes().iter().take(6).fold(0, |number, &byte| number << 8 | u64::from(byte))
    }

    /// True of headers that carry it.
    pub fn is_in(&self, headers: &HeaderMap) -> bool {
        // `blake3::Hash` compares in constant time.
        headers.get(HEADER).is_some_and(|given| blake3::hash(given.as_bytes()) == self.0)
    }
}

/// Why a request is not answered; none where it may be.
pub fn refusal(headers: &HeaderMap, port: u16) -> Option<&'static str> {
    let ours = ["127.0.0.1", "localhost", "[::1]"].map(|name| format!("{name}:{port}"));
    let text = |name: HeaderName| headers.get(name).map(|value| value.to_str().unwrap_or("?"));
    if !text(header::HOST).is_some_and(|host| ours.iter().any(|own| own.eq_ignore_ascii_case(host))) {
        return Some("this page is served to 127.0.0.1, localhost and [::1] only");
    }
    let from_here = |origin: &str| origin.strip_prefix("http://") == text(header::HOST);
    if text(header::ORIGIN).is_some_and(|origin| !from_here(origin)) {
        return Some("only the page itself may ask");
    }
    let site = text(HeaderName::from_static("sec-fetch-site"));
    // A link that leads here from elsewhere may show the page, and nothing else may come from there.
    let is_shown = text(HeaderName::from_static("sec-fetch-mode")) == Some("navigate");
    if site.is_some_and(|site| !matches!(site, "same-origin" | "none") && !is_shown) {
        return Some("only the page itself may ask");
    }
    None
}

/// What every answer says to browsers.
pub fn manners(headers: &mut HeaderMap) {
    let mut put = |name: &'static str, value: &'static str| {
        headers.insert(HeaderName::from_static(name), HeaderValue::from_static(value));
    };
    put("x-content-type-options", "nosniff");
    put("x-frame-options", "DENY");
    put("referrer-policy", "no-referrer");
    put("cross-origin-resource-policy", "same-origin");
    put("cross-origin-opener-policy", "same-origin");
    put("permissions-policy", "camera=(), microphone=(), geolocation=()");
    if !headers.contains_key(header::CACHE_CONTROL) {
        headers.insert(header::CACHE_CONTROL, HeaderValue::from_static("no-store"));
    }
}
