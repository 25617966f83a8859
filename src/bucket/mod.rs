//! Buckets of S3-compatible object storage, for the shared store: where they are, who asks, and the way there.
//!
//! Knows how a bucket is reached. Does not know what lies in it. Built without the feature `s3` it only says so.

pub mod credentials;
#[cfg(feature = "s3")]
mod memo;
#[cfg(feature = "s3")]
mod s3;

use std::sync::Arc;

use self::credentials::Credentials;
use crate::store::shared::bucket::Bucket;

/// Says that the run is to end, so that nothing waits for the network any more.
pub type Stop = Arc<dyn Fn() -> bool + Send + Sync>;

/// Where a bucket is.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Place {
    /// Its name.
    pub bucket: String,
    /// What stands in front of all names in it; may be empty.
    pub prefix: String,
    /// The service, as `https://HOST` or `http://HOST:PORT`; the region's own where none is named.
    pub endpoint: Option<String>,
    /// The region.
    pub region: String,
}

/// The bucket there.
///
/// # Errors
/// Words on what is in the way, without anything secret.
#[cfg(feature = "s3")]
pub fn open(place: &Place, credentials: &Credentials, stop: Stop) -> Result<Arc<dyn Bucket>, String> {
    Ok(Arc::new(s3::Service::open(place, credentials, stop)?))
}

/// The bucket there.
///
/// # Errors
/// Always: this program was built without the way there.
#[cfg(not(feature = "s3"))]
pub fn open(_: &Place, _: &Credentials, _: Stop) -> Result<Arc<dyn Bucket>, String> {
    Err("this endboard was built without shared stores; build it with `--features s3`".into())
}
