//! Buckets of S3-compatible object storage, for the shared store: where they are, who asks, and the way there.
//!
//! Knows how a bucket is reached. Does not know what lies in it. Built without the feature `s3` it only says so.

#[cfg(feature = "s3")]
mod answers;
pub mod credentials;
#[cfg(feature = "s3")]
mod fetching;
#[cfg(feature = "s3")]
mod memo;
#[cfg(feature = "s3")]
mod s3;
#[cfg(feature = "s3")]
mod sending;
#[cfg(feature = "s3")]
mod trouble;

use std::sync::Arc;

use self::credentials::{Credentials, Said};
use crate::base::address;
use crate::store::shared::bucket::Bucket;

/// Says that the run is to end, so that nothing waits for the network any more.
pub type Stop = Arc<dyn Fn() -> bool + Send + Sync>;

/// Where a bucket is.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Place {
    /// Its name.
    pub bucket: Said,
    /// What stands in front of all names in it; may be empty.
    pub prefix: String,
    /// The service, as `https://HOST` or `http://HOST:PORT`; the region's own where none is named.
    pub endpoint: Option<Said>,
    /// The region.
    pub region: Said,
}

impl Place {
    /// The service's address, once it is known that it and the region can be.
    ///
    /// # Errors
    /// What is wrong with one of them, and where it was said.
    pub fn address(&self) -> Result<String, String> {
        let Said { value: region, from } = &self.region;
        if !address::is_region(region) {
            return Err(format!("{from}: it is not a region, such as eu-north-1"));
        }
        match &self.endpoint {
            None => Ok(format!("https://s3.{region}.amazonaws.com")),
            Some(Said { value, from }) => address::service(value)
                .map(str::to_string)
                .map_err(|why| format!("{from} is no service's address: {why}; {}", address::FORM)),
        }
    }
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
