//! The way to an S3-compatible service, with limits of time on everything.
//!
//! Knows the service's protocol through the crate `object_store`. How large objects go in parts and come in pieces stands beside; what an
//! error says is not known here.

use std::future::Future;
use std::path::Path as FilePath;
use std::sync::Once;
use std::time::Duration;

use md5::Digest as _;
use object_store::aws::{AmazonS3, AmazonS3Builder};
use object_store::path::Path;
use object_store::signer::Signer;
use object_store::{BackoffConfig, ClientOptions, ObjectMeta, ObjectStore, ObjectStoreExt, RetryConfig};
use tokio::runtime::Runtime;
use tokio_stream::StreamExt;

use super::answers::{Looking, is_page};
use super::credentials::Credentials;
use super::trouble::{From, found, is_silent, is_told, no_store, said};
use super::{Place, Stop};
use crate::store::shared::bucket::{Bucket, BucketError, Does, Held, PART, Source};
use crate::store::shared::incoming::Incoming;

/// How long to wait for a connection.
const CONNECT: Duration = Duration::from_secs(3);
/// How long to wait for the first or the next bytes of an answer.
const ANSWER: Duration = Duration::from_secs(4);
/// How long a service may join the parts of a large file before it says anything.
const JOINING: Duration = Duration::from_secs(600);
/// How slow a connection may be before it counts as none, in bytes a second.
const SLOWEST: u64 = 50_000;
/// How often it is looked whether the run is to end.
const LOOK: Duration = Duration::from_millis(25);
/// How long to wait before what broke off in the middle of a large file is gone on with, once after the other.
pub(super) const PAUSES: [Duration; 3] =
    [Duration::from_secs(1), Duration::from_secs(3), Duration::from_secs(9)];

/// A bucket of a service.
pub struct Service {
    pub(super) store: AmazonS3,
    /// The same for questions of which the answer may take long.
    patient: AmazonS3Builder,
    prefix: Path,
    /// The service's address, the bucket and the prefix.
    place: String,
    /// Where it is said what a service may find wrong.
    from: From,
    runtime: Runtime,
    stop: Stop,
}

impl Service {
    /// The bucket at `place`. Asks nothing yet.
    ///
    /// # Errors
    /// What is said of the place cannot be.
    pub fn open(place: &Place, credentials: &Credentials, stop: Stop) -> Result<Self, String> {
        let address = place.address()?;
        let endpoint = place.endpoint.as_ref().map_or(&place.region.from, |said| &said.from);
        // What the crate makes of it is taken apart again for every request, and must be an address then.
        reqwest::Url::parse(&address).map_err(|_| format!("{endpoint} gives no address that can be"))?;
        static PROVIDER: Once = Once::new();
        PROVIDER.call_once(|| {
            // Where another was chosen already it does as well.
            let _ = rustls::crypto::ring::default_provider().install_default();
        });
        let options = |answer| {
            ClientOptions::new()
                .with_connect_timeout(CONNECT)
                .with_read_timeout(answer)
                .with_timeout_disabled()
                .with_allow_http(address.starts_with("http://"))
        };
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
            .with_bucket_name(&place.bucket.value)
            .with_region(&place.region.value)
            .with_access_key_id(&credentials.id.value)
            .with_secret_access_key(&credentials.secret.value)
            .with_http_connector(Looking { sending: patience(PART as u64) })
            .with_client_options(options(ANSWER))
            .with_retry(retry);
        if let Some(token) = &credentials.token {
            builder = builder.with_token(&token.value);
        }
        if place.endpoint.is_some() {
            builder = builder.with_endpoint(&address);
        }
        let patient = builder.clone().with_client_options(options(JOINING));
        let store = builder.build().map_err(|error| unopened(&error))?;
        let runtime = tokio::runtime::Builder::new_multi_thread()
            .worker_threads(2)
            .thread_name("bucket")
            .enable_all()
            .build()
            .map_err(|e| e.to_string())?;
        let from = From {
            id: credentials.id.from.clone(),
            secret: credentials.secret.from.clone(),
            token: credentials.token.as_ref().map(|token| token.from.clone()),
            bucket: place.bucket.from.clone(),
            region: place.region.from.clone(),
            endpoint: endpoint.clone(),
            has_folders: address.split_once("://").is_some_and(|(_, place)| place.contains('/')),
        };
        let whole = format!("{address}/{}/{}", place.bucket.value, place.prefix);
        Ok(Self {
            store,
            patient,
            prefix: Path::from(place.prefix.as_str()),
            place: whole,
            from,
            runtime,
            stop,
        })
    }

    /// The store for questions of which the answer may take long.
    pub(super) fn patient(&self) -> Result<AmazonS3, BucketError> {
        self.patient.clone().build().map_err(|error| BucketError::Away(unopened(&error)))
    }

    pub(super) fn path(&self, name: &str) -> Path {
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
                    done.unwrap_or_else(|_| Err(silent())).map_err(|error| self.from.with_way_on(error))
                }
                () = stopped => Err(BucketError::Stopped),
            }
        })
    }

    /// What is known of an object. An answer to this has no words, so that of a refusal is asked for once more in a way that has.
    async fn head(&self, path: &Path) -> object_store::Result<ObjectMeta> {
        match self.store.head(path).await {
            Err(error) if is_silent(&error) => match self.store.get_range(path, 0..1).await {
                Err(told) if is_told(&told) => Err(told),
                _ => Err(error),
            },
            done => done,
        }
    }

    /// Fails unless so many bytes are there under a name: that they were sent says nothing.
    pub(super) async fn confirm(&self, path: &Path, size: u64) -> Result<(), BucketError> {
        let there = found(self.head(path).await)?.map(|meta| meta.size);
        match there == Some(size) {
            true => Ok(()),
            false => Err(BucketError::Failed("it says that it took what it has not got".into())),
        }
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
pub(super) fn patience(bytes: u64) -> Duration {
    ANSWER * 2 + Duration::from_secs(bytes / SLOWEST)
}

/// Waits for a part of the work as long as its bytes may take.
pub(super) async fn in_time<T>(
    bytes: u64,
    work: impl Future<Output = object_store::Result<T>>,
) -> Result<T, BucketError> {
    match tokio::time::timeout(patience(bytes), work).await {
        Ok(done) => done.map_err(|error| said(&error)),
        Err(_) => Err(silent()),
    }
}

/// It said nothing for too long.
pub(super) fn silent() -> BucketError {
    BucketError::Away("it did not answer in time".into())
}

impl Bucket for Service {
    fn place(&self) -> &str {
        &self.place
    }

    fn has(&self, name: &str) -> Result<Option<Held>, BucketError> {
        let path = self.path(name);
        self.wait(0, async {
            Ok(found(self.head(&path).await)?.map(|meta| Held { name: name.into(), ..self.held(&meta) }))
        })
    }

    fn fetch(&self, name: &str, most: u64) -> Result<Option<Vec<u8>>, BucketError> {
        let path = self.path(name);
        self.wait(most, async {
            let got = tokio::time::timeout(patience(0), self.store.get(&path)).await;
            let got = got.map_err(|_| silent())?;
            let Some(got) = found(got)? else { return Ok(None) };
            let size = got.meta.size;
            let too_large = |size| BucketError::TooLarge { name: name.into(), size };
            if size > most {
                return Err(too_large(size));
            }
            let whole = async {
                let mut bytes = Vec::with_capacity(size as usize);
                let mut stream = got.into_stream();
                while let Some(piece) = stream.next().await {
                    bytes.extend_from_slice(&piece.map_err(|error| said(&error))?);
                    if bytes.len() as u64 > most {
                        return Err(too_large(bytes.len() as u64));
                    }
                }
                if is_page(&bytes) { Err(no_store()) } else { Ok(Some(bytes)) }
            };
            let done = tokio::time::timeout(patience(size), whole).await;
            done.unwrap_or_else(|_| Err(BucketError::Away("it is too slow".into())))
        })
    }

    fn fetch_into(&self, name: &str, most: u64, into: &mut Incoming<'_>) -> Result<bool, BucketError> {
        self.wait(most, self.fetch_pieces(name, most, into))
    }

    fn send(&self, name: &str, what: Source<'_>, memo: Option<&FilePath>) -> Result<(), BucketError> {
        let size = what.size();
        if size > PART as u64 {
            return self.wait(size * 2, self.send_parts(name, &what, memo));
        }
        let bytes = what.whole()?;
        let path = self.path(name);
        let sum: String = md5::Md5::digest(&bytes).iter().map(|byte| format!("{byte:02x}")).collect();
        self.wait(size, async {
            let put = self.store.put(&path, bytes.into()).await.map_err(|error| said(&error))?;
            // Most services name an object by the MD5 of its bytes, and so show that they have them.
            match put.e_tag.is_some_and(|tag| tag.trim_matches('"') == sum) {
                true => Ok(()),
                false => self.confirm(&path, size).await,
            }
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

    fn link(&self, name: &str, does: Does, days: u32) -> Result<Option<String>, BucketError> {
        let method = match does {
            Does::Fetch => reqwest::Method::GET,
            Does::Put => reqwest::Method::PUT,
        };
        let path = self.path(name);
        let lasts = Duration::from_secs(u64::from(days) * 86_400);
        self.wait(0, async {
            let link = self.store.signed_url(method, &path, lasts).await;
            Ok(Some(link.map_err(|error| said(&error))?.to_string()))
        })
    }
}

impl std::fmt::Debug for Service {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Service").finish_non_exhaustive()
    }
}
