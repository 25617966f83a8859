//! The way to an S3-compatible service, with limits of time on everything.
//!
//! Knows the service's protocol through the crate `object_store`. Of what a service answers, only its status and the code of its
//! error go into words: the rest of an answer may repeat what was sent.

use std::future::Future;
use std::path::Path as FilePath;
use std::sync::Once;
use std::time::Duration;

use object_store::aws::{AmazonS3, AmazonS3Builder};
use object_store::client::{HttpError, HttpErrorKind};
use object_store::multipart::{MultipartStore, PartId};
use object_store::path::Path;
use object_store::signer::Signer;
use object_store::{BackoffConfig, ClientOptions, ObjectMeta, ObjectStore, ObjectStoreExt, RetryConfig};
use tokio::runtime::Runtime;
use tokio_stream::StreamExt;

use super::credentials::Credentials;
use super::memo::Memo;
use super::{Place, Stop};
use crate::base::digest::Digest;
use crate::store::shared::bucket::{Bucket, BucketError, Held};

/// How long to wait for a connection.
const CONNECT: Duration = Duration::from_secs(3);
/// How long to wait for the first or the next bytes of an answer.
const ANSWER: Duration = Duration::from_secs(4);
/// How slow a connection may be before it counts as none, in bytes a second.
const SLOWEST: u64 = 50_000;
/// How often it is looked whether the run is to end.
const LOOK: Duration = Duration::from_millis(25);
/// An object of more bytes goes in parts of as many, all but the last, as services want it.
const PART: usize = 8 << 20;

/// A bucket of a service.
pub struct Service {
    store: AmazonS3,
    prefix: Path,
    runtime: Runtime,
    stop: Stop,
}

impl Service {
    /// The bucket at `place`. Asks nothing yet.
    ///
    /// # Errors
    /// What is said of the place cannot be.
    pub fn open(place: &Place, credentials: &Credentials, stop: Stop) -> Result<Self, String> {
        static PROVIDER: Once = Once::new();
        PROVIDER.call_once(|| {
            // Where another was chosen already it does as well.
            let _ = rustls::crypto::ring::default_provider().install_default();
        });
        let options = ClientOptions::new()
            .with_connect_timeout(CONNECT)
            .with_read_timeout(ANSWER)
            .with_timeout_disabled()
            .with_allow_http(place.endpoint.as_ref().is_some_and(|url| url.starts_with("http://")));
        let retry = RetryConfig {
            backoff: BackoffConfig {
                init_backoff: Duration::from_millis(100),
                max_backoff: Duration::from_secs(1),
                base: 2.0,
            },
            max_retries: 1,
            retry_timeout: Duration::from_secs(4),
        };
        let mut builder = AmazonS3Builder::new()
            .with_bucket_name(&place.bucket)
            .with_region(&place.region)
            .with_access_key_id(&credentials.id)
            .with_secret_access_key(&credentials.secret)
            .with_client_options(options)
            .with_retry(retry);
        if let Some(token) = &credentials.token {
            builder = builder.with_token(token);
        }
        if let Some(endpoint) = &place.endpoint {
            builder = builder.with_endpoint(endpoint.trim_end_matches('/'));
        }
        let store = builder.build().map_err(|error| unopened(&error))?;
        let runtime = tokio::runtime::Builder::new_multi_thread()
            .worker_threads(2)
            .thread_name("bucket")
            .enable_all()
            .build()
            .map_err(|e| e.to_string())?;
        Ok(Self { store, prefix: Path::from(place.prefix.as_str()), runtime, stop })
    }

    fn path(&self, name: &str) -> Path {
        match self.prefix.as_ref() {
            "" => Path::from(name),
            prefix => Path::from(format!("{prefix}/{name}")),
        }
    }

    fn held(&self, meta: &ObjectMeta) -> Held {
        let whole = meta.location.as_ref();
        let name = whole.strip_prefix(self.prefix.as_ref()).unwrap_or(whole).trim_start_matches('/');
        Held { name: name.into(), size: meta.size, sent: meta.last_modified.timestamp() }
    }

    /// Waits for it as long as so many bytes may take, unless the run is to end before.
    fn wait<T>(
        &self,
        bytes: u64,
        work: impl Future<Output = Result<T, BucketError>>,
    ) -> Result<T, BucketError> {
        let stopped = async {
            while !(self.stop)() {
                tokio::time::sleep(LOOK).await;
            }
        };
        self.runtime.block_on(async {
            tokio::select! {
                done = tokio::time::timeout(patience(bytes), work) => {
                    done.unwrap_or_else(|_| Err(BucketError::Away("it did not answer in time".into())))
                }
                () = stopped => Err(BucketError::Stopped),
            }
        })
    }

    /// Sends one object in parts, from where the memo says it came to.
    async fn send_parts(
        &self,
        name: &str,
        bytes: Vec<u8>,
        memo: Option<&FilePath>,
    ) -> Result<(), BucketError> {
        let (path, digest) = (self.path(name), Digest::of(&bytes));
        let begun = memo.and_then(|memo| Memo::read(memo, name, &digest));
        let was_begun = begun.is_some();
        match self.go_on(&path, name, digest, &bytes, begun, memo).await {
            // The service may have forgotten what was begun long ago.
            Err(BucketError::Failed(_)) if was_begun => {
                self.go_on(&path, name, digest, &bytes, None, memo).await
            }
            done => done,
        }
    }

    async fn go_on(
        &self,
        path: &Path,
        name: &str,
        digest: Digest,
        bytes: &[u8],
        begun: Option<Memo>,
        at: Option<&FilePath>,
    ) -> Result<(), BucketError> {
        let mut memo = match begun {
            Some(memo) => memo,
            None => {
                let upload = in_time(0, self.store.create_multipart(path)).await?;
                Memo { name: name.into(), bytes: digest, upload, parts: Vec::new() }
            }
        };
        for (n, part) in bytes.chunks(PART).enumerate().skip(memo.parts.len()) {
            let put = self.store.put_part(path, &memo.upload, n, part.to_vec().into());
            memo.parts.push(in_time(part.len() as u64, put).await?.content_id);
            if let Some(at) = at {
                memo.keep(at);
            }
        }
        let parts = memo.parts.iter().map(|id| PartId { content_id: id.clone() }).collect();
        in_time(bytes.len() as u64, self.store.complete_multipart(path, &memo.upload, parts)).await?;
        Ok(())
    }
}

/// Why a service cannot be asked at all.
fn unopened(error: &object_store::Error) -> String {
    let first: &(dyn std::error::Error + 'static) = error;
    let mut causes = std::iter::successors(Some(first), |error| error.source());
    if causes.any(|error| error.to_string().contains("CA certificates")) {
        return "this machine has no certificates of anybody who is trusted; SSL_CERT_FILE can name a file of them"
            .into();
    }
    "its bucket, endpoint or region cannot be".into()
}

/// How long so many bytes may take.
fn patience(bytes: u64) -> Duration {
    ANSWER * 2 + Duration::from_secs(bytes / SLOWEST)
}

/// Waits for a part of the work as long as its bytes may take.
async fn in_time<T>(
    bytes: u64,
    work: impl Future<Output = object_store::Result<T>>,
) -> Result<T, BucketError> {
    match tokio::time::timeout(patience(bytes), work).await {
        Ok(done) => done.map_err(|error| said(&error)),
        Err(_) => Err(BucketError::Away("it did not answer in time".into())),
    }
}

/// Not there is no error.
fn found<T>(result: object_store::Result<T>) -> Result<Option<T>, BucketError> {
    match result {
        Ok(found) => Ok(Some(found)),
        // A bucket that is not there is not the same as a thing in it that is not there.
        Err(error @ object_store::Error::NotFound { .. }) => match code(&error) {
            Some(code) if code == "NoSuchBucket" => Err(said(&error)),
            _ => Ok(None),
        },
        Err(error) => Err(said(&error)),
    }
}

/// What an error says that may be repeated.
fn said(error: &object_store::Error) -> BucketError {
    let code = code(error);
    if let object_store::Error::PermissionDenied { .. } | object_store::Error::Unauthenticated { .. } = error
    {
        return BucketError::Refused(code.unwrap_or_else(|| "403 Forbidden".into()));
    }
    if let Some(status) = status(error) {
        return BucketError::Failed(match code {
            Some(code) => format!("{status}, {code}"),
            None => status,
        });
    }
    let mut cause: Option<&(dyn std::error::Error + 'static)> = Some(error);
    while let Some(error) = cause {
        if let Some(words) = distrusted(&error.to_string()) {
            return BucketError::Away(words);
        }
        if let Some(http) = error.downcast_ref::<HttpError>() {
            if let Some(words) = std::iter::successors(error.source(), |error| error.source())
                .find_map(|error| distrusted(&error.to_string()))
            {
                return BucketError::Away(words);
            }
            return BucketError::Away(
                match http.kind() {
                    HttpErrorKind::Connect => "there is no connection",
                    HttpErrorKind::Timeout => "it did not answer in time",
                    HttpErrorKind::Interrupted | HttpErrorKind::Request => "the connection broke",
                    _ => "its answer broke off",
                }
                .into(),
            );
        }
        cause = error.source();
    }
    BucketError::Failed(code.unwrap_or_else(|| "its answer is not understood".into()))
}

/// Why the certificate of a service is not accepted, where that is what an error says (the words of `rustls`).
fn distrusted(error: &str) -> Option<String> {
    let (_, why) = error.split_once("invalid peer certificate: ")?;
    // Some are said in words, as "certificate not valid for name …", others by their names, as "UnknownIssuer".
    let of_date = ["certificate expired", "certificate not valid yet", "Expired", "NotValidYet"];
    if of_date.iter().any(|words| why.starts_with(words)) {
        return Some("its certificate does not hold at this machine's date".into());
    }
    if why.starts_with("certificate not valid for name") || why.starts_with("NotValidForName") {
        return Some("its certificate is of another name than its address".into());
    }
    let why: String = why.chars().take_while(|c| !",;:)\n".contains(*c)).take(80).collect();
    Some(match why.as_str() {
        "UnknownIssuer" | "CaUsedAsEndEntity" | "BadSignature" => {
            "its certificate is of nobody who is trusted here; SSL_CERT_FILE can name a file of those who are"
                .into()
        }
        _ => format!("its certificate is not accepted: {why}"),
    })
}

/// The code of a service's error.
fn code(error: &object_store::Error) -> Option<String> {
    let text = error.to_string();
    let code = text.split_once("<Code>")?.1.split_once("</Code>")?.0;
    let is_word = !code.is_empty() && code.len() < 60 && code.bytes().all(|b| b.is_ascii_alphanumeric());
    is_word.then(|| code.to_string())
}

/// The status of an answer.
fn status(error: &object_store::Error) -> Option<String> {
    let text = error.to_string();
    let rest = text.split_once("status code: ")?.1;
    let number: u16 = rest.get(..3)?.parse().ok()?;
    Some(format!("status {number}"))
}

impl Bucket for Service {
    fn has(&self, name: &str) -> Result<Option<Held>, BucketError> {
        let path = self.path(name);
        self.wait(0, async {
            Ok(found(self.store.head(&path).await)?
                .map(|meta| Held { name: name.into(), ..self.held(&meta) }))
        })
    }

    fn fetch(&self, name: &str, most: u64) -> Result<Option<Vec<u8>>, BucketError> {
        let path = self.path(name);
        self.wait(most, async {
            let got = tokio::time::timeout(patience(0), self.store.get(&path)).await;
            let got = got.map_err(|_| BucketError::Away("it did not answer in time".into()))?;
            let Some(got) = found(got)? else { return Ok(None) };
            let size = got.meta.size;
            let too_large = || BucketError::Failed(format!("{name} is too large"));
            if size > most {
                return Err(too_large());
            }
            let whole = async {
                let mut bytes = Vec::with_capacity(size as usize);
                let mut stream = got.into_stream();
                while let Some(piece) = stream.next().await {
                    bytes.extend_from_slice(&piece.map_err(|error| said(&error))?);
                    if bytes.len() as u64 > most {
                        return Err(too_large());
                    }
                }
                Ok(Some(bytes))
            };
            let done = tokio::time::timeout(patience(size), whole).await;
            done.unwrap_or_else(|_| Err(BucketError::Away("it is too slow".into())))
        })
    }

    fn send(&self, name: &str, bytes: Vec<u8>, memo: Option<&FilePath>) -> Result<(), BucketError> {
        let size = bytes.len() as u64;
        if bytes.len() > PART {
            return self.wait(size * 2, self.send_parts(name, bytes, memo));
        }
        let path = self.path(name);
        self.wait(size, async {
            self.store.put(&path, bytes.into()).await.map(drop).map_err(|error| said(&error))
        })
    }

    fn list(&self, under: &str, each: &mut dyn FnMut(Held) -> bool) -> Result<(), BucketError> {
        let path = self.path(under);
        let mut stream = self.store.list(Some(&path));
        loop {
            let next =
                self.wait(0, async { stream.next().await.transpose().map_err(|error| said(&error)) })?;
            match next {
                Some(meta) if each(self.held(&meta)) => {}
                _ => return Ok(()),
            }
        }
    }

    fn remove(&self, names: &[String]) -> Result<(), BucketError> {
        for name in names {
            let path = self.path(name);
            self.wait(0, async { found(self.store.delete(&path).await).map(drop) })?;
        }
        Ok(())
    }

    fn link(&self, name: &str, days: u32) -> Result<Option<String>, BucketError> {
        let path = self.path(name);
        let lasts = Duration::from_secs(u64::from(days) * 86_400);
        self.wait(0, async {
            let link = self.store.signed_url(reqwest::Method::GET, &path, lasts).await;
            Ok(Some(link.map_err(|error| said(&error))?.to_string()))
        })
    }
}

impl std::fmt::Debug for Service {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Service").finish_non_exhaustive()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_wrong_with_a_certificate_is_told_in_words() {
        let told = |why: &str| distrusted(&format!("error: invalid peer certificate: {why}"));
        assert!(told("UnknownIssuer").unwrap().contains("SSL_CERT_FILE"));
        let other = "certificate not valid for name \"lamp.example\"; certificate is only valid for …";
        assert!(told(other).unwrap().contains("another name"));
        // As rustls 0.23 words them.
        assert!(
            told("certificate expired: verification time 3 (UNIX), but certificate is not valid after 2")
                .unwrap()
                .contains("date")
        );
        assert!(told("certificate not valid yet: verification time 3 (UNIX)").unwrap().contains("date"));
        assert!(told("BadEncoding").unwrap().contains("BadEncoding"));
        assert_eq!(distrusted("connection refused"), None);
    }
}
