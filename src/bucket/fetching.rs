//! Large objects come from a service piece by piece, straight into a file.
//!
//! Knows that a way that breaks is gone on with only where the object is still the one that was begun. Does not know where the file
//! lies.

use object_store::{GetOptions, GetRange, ObjectStore};
use tokio::time::{Instant, sleep, timeout, timeout_at};
use tokio_stream::StreamExt;

use super::answers::is_page;
use super::s3::{PAUSES, Service, patience, silent};
use super::trouble::{found, no_store, said};
use crate::store::shared::bucket::{BucketError, PART};
use crate::store::shared::incoming::Incoming;

/// What is being fetched.
struct Begun {
    /// The service's name of just these bytes, where it has one.
    tag: Option<String>,
    size: u64,
    /// When it has taken too long.
    until: Instant,
}

impl Service {
    /// Writes an object into a file, and says whether there is one.
    pub(super) async fn fetch_pieces(
        &self,
        name: &str,
        most: u64,
        into: &mut Incoming<'_>,
    ) -> Result<bool, BucketError> {
        let mut begun = None;
        let (mut pauses, mut got_on) = (PAUSES.iter(), 0);
        loop {
            let error = match self.fetch_more(name, most, &mut begun, into).await {
                Err(error @ BucketError::Away(_)) => error,
                done => return done,
            };
            // As long as it gets on it is worth the while.
            if into.came() >= got_on + PART as u64 {
                (pauses, got_on) = (PAUSES.iter(), into.came());
            }
            let may_go_on =
                begun.as_ref().is_some_and(|of: &Begun| of.tag.is_some() && Instant::now() < of.until);
            match pauses.next() {
                Some(pause) if may_go_on => sleep(*pause).await,
                _ => return Err(error),
            }
        }
    }

    /// Writes what is not there yet.
    async fn fetch_more(
        &self,
        name: &str,
        most: u64,
        begun: &mut Option<Begun>,
        into: &mut Incoming<'_>,
    ) -> Result<bool, BucketError> {
        let (path, from) = (self.path(name), into.came());
        let range = (from > 0).then_some(GetRange::Offset(from));
        let asked = self.store.get_opts(&path, GetOptions { range, ..GetOptions::default() });
        let got = found(timeout(patience(0), asked).await.map_err(|_| silent())?).map_err(or_replaced)?;
        let Some(got) = got else { return if begun.is_some() { Err(replaced()) } else { Ok(false) } };
        let (tag, size) = (got.meta.e_tag.clone(), got.meta.size);
        let until = match begun {
            Some(begun) if begun.tag == tag && begun.size == size => begun.until,
            Some(_) => return Err(replaced()),
            None if size > most => return Err(BucketError::TooLarge { name: name.into(), size }),
            None => {
                into.expect(size)?;
                begun.insert(Begun { tag, size, until: Instant::now() + patience(size) }).until
            }
        };
        let mut stream = got.into_stream();
        while into.came() < size {
            let next = timeout_at(until, stream.next())
                .await
                .map_err(|_| BucketError::Away("it is too slow".into()))?;
            let broke_off = || BucketError::Away("its answer broke off".into());
            let piece = next.ok_or_else(broke_off)?.map_err(|error| or_replaced(said(&error)))?;
            into.write(&piece)?;
        }
        if is_page(into.begin()) { Err(no_store()) } else { Ok(true) }
    }
}

/// What a service says that has no such bytes of the object that was begun: its code of a range that cannot be, or of an object that
/// is another one (RFC 9110, sections 15.5.17 and 15.5.13).
fn or_replaced(error: BucketError) -> BucketError {
    let is_so = |why: &str| ["status 416", "status 412"].iter().any(|says| why.starts_with(says));
    match error {
        BucketError::Failed(why) if is_so(&why) => replaced(),
        error => error,
    }
}

/// Another object has its name by now, or none.
fn replaced() -> BucketError {
    BucketError::Failed("it was replaced or taken away while it was fetched; fetch it again".into())
}
