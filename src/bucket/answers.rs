//! What a service answers, looked at before it is believed: a page for people is no answer of object storage.
//!
//! Knows how such pages and lists of objects begin. A network that wants its guests to log in first, or a wrong address, answers
//! everything with a page and says that all is well: taken at its word, nothing would be in the store, and all that was sent.

use std::future::Future;
use std::pin::Pin;
use std::time::Duration;

use object_store::ClientOptions;
use object_store::client::{
    HttpClient, HttpConnector, HttpError, HttpErrorKind, HttpRequest, HttpResponse, HttpService,
    ReqwestConnector,
};

/// The answer is none of object storage.
#[derive(Debug, thiserror::Error)]
#[error("that is no object store: it answers with a page for people, or with no list")]
pub struct NoStore;

impl NoStore {
    fn error() -> HttpError {
        HttpError::new(HttpErrorKind::Decode, Self)
    }
}

/// What is larger takes its time to be sent, in bytes.
const SMALL: usize = 64 << 10;

/// Makes clients that look at answers.
#[derive(Debug)]
pub struct Looking {
    /// How long an answer to what takes its time to be sent may take: a client counts from when it begins to send, and nothing that
    /// it sends on the way begins that time anew.
    pub sending: Duration,
}

impl HttpConnector for Looking {
    fn connect(&self, options: &ClientOptions) -> object_store::Result<HttpClient> {
        let client = |options: &ClientOptions| ReqwestConnector::default().connect(options);
        let sends = client(&options.clone().with_read_timeout(self.sending))?;
        Ok(HttpClient::new(Look { asks: client(options)?, sends }))
    }
}

#[derive(Debug)]
struct Look {
    asks: HttpClient,
    sends: HttpClient,
}

type Answer<'a> = Pin<Box<dyn Future<Output = Result<HttpResponse, HttpError>> + Send + 'a>>;

impl HttpService for Look {
    // As the trait's attribute writes it out.
    fn call<'life0, 'async_trait>(&'life0 self, request: HttpRequest) -> Answer<'async_trait>
    where
        'life0: 'async_trait,
        Self: 'async_trait,
    {
        let asks_list = |query: &str| query.split('&').any(|word| word == "list-type=2");
        let is_list = request.method() == "GET" && request.uri().query().is_some_and(asks_list);
        Box::pin(async move {
            let is_small = request.body().content_length() <= SMALL;
            let client = if is_small { &self.asks } else { &self.sends };
            let answer = client.execute(request).await?;
            if !answer.status().is_success() {
                return Ok(answer);
            }
            let kind = answer.headers().get("content-type").map(|kind| kind.as_bytes().to_ascii_lowercase());
            if kind.is_some_and(|kind| kind.starts_with(b"text/html")) {
                return Err(NoStore::error());
            }
            if !is_list {
                return Ok(answer);
            }
            let (head, body) = answer.into_parts();
            let bytes = body.bytes().await?;
            match begins_as_list(&bytes) {
                true => Ok(HttpResponse::from_parts(head, bytes.into())),
                false => Err(NoStore::error()),
            }
        })
    }
}

/// Whether a list of objects begins so: its element is the first, after what XML may begin with.
fn begins_as_list(bytes: &[u8]) -> bool {
    let begin = String::from_utf8_lossy(&bytes[..bytes.len().min(1000)]).into_owned();
    let mut rest = begin.trim_start_matches('\u{feff}').trim_start();
    while let Some(after) = rest.strip_prefix("<?").and_then(|rest| rest.split_once("?>")) {
        rest = after.1.trim_start();
    }
    let name = rest.strip_prefix('<').unwrap_or_default();
    let name = name.split(|c: char| c.is_whitespace() || c == '>' || c == '/').next().unwrap_or_default();
    name.rsplit(':').next() == Some("ListBucketResult")
}

/// Whether these are the first bytes of a page for people.
pub fn is_page(bytes: &[u8]) -> bool {
    let begin = bytes.trim_ascii_start();
    let begin = begin[..begin.len().min(15)].to_ascii_lowercase();
    begin.starts_with(b"<!doctype html") || begin.starts_with(b"<html")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn lists_and_pages_are_told_apart() {
        let xml = "<?xml version=\"1.0\" encoding=\"UTF-8\"?>\n";
        for list in [
            "<ListBucketResult/>",
            "<ListBucketResult xmlns=\"x\"><Name>brine</Name>",
            "<a:ListBucketResult>",
        ] {
            assert!(
                begins_as_list(list.as_bytes()) && begins_as_list(format!("{xml}{list}").as_bytes()),
                "{list}"
            );
        }
        for other in [
            "",
            "<",
            "<html><ListBucketResult>",
            "<?xml",
            "<ListBucketResultOfNobody>",
            "{}",
            "<Error><Code>",
        ] {
            assert!(!begins_as_list(other.as_bytes()), "{other}");
        }
        for page in ["<html>", " \n<!DOCTYPE HTML PUBLIC>", "<HTML lang=en>"] {
            assert!(is_page(page.as_bytes()), "{page}");
        }
        assert!(!is_page(b"v/1\x01\x02") && !is_page(b"{\"format\":1}") && !is_page(b""));
    }
}
