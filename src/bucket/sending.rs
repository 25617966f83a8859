//! Large objects go to a service in parts, from where they came to before.
//!
//! Knows that one upload may only have parts of the same bytes, and that a service keeps what was begun until it is told to forget it.
//! Does not know whether bytes or a file are sent.

use std::path::Path as FilePath;

use md5::Digest as _;
use object_store::aws::AmazonS3;
use object_store::multipart::{MultipartStore, PartId};
use object_store::path::Path;
use object_store::{MultipartId, ObjectStoreExt, PutPayload};

use super::memo::Memo;
use super::s3::{PAUSES, Service, in_time};
use crate::base::digest::Digest;
use crate::store::shared::bucket::{BucketError, Source};

impl Service {
    /// Sends one object in parts, from where the memo says it came to.
    pub(super) async fn send_parts(
        &self,
        name: &str,
        what: &Source<'_>,
        at: Option<&FilePath>,
    ) -> Result<(), BucketError> {
        let (path, digest) = (self.path(name), what.digest());
        let mut begun = at.and_then(Memo::read);
        if let Some(other) = begun.take_if(|memo| !memo.is_of(name, &digest)) {
            self.forget(&other).await;
        }
        match (self.go_on(&path, name, digest, what, begun.clone(), at).await, begun) {
            (Err(error), Some(old)) if is_forgotten(&error) => {
                // Where it is there all the same, nobody goes on with it.
                self.forget(&old).await;
                self.go_on(&path, name, digest, what, None, at).await
            }
            (done, _) => done,
        }
    }

    async fn go_on(
        &self,
        path: &Path,
        name: &str,
        digest: Digest,
        what: &Source<'_>,
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
        for n in memo.parts.len()..what.parts() {
            let part = self.put_part(path, &memo.upload, n, what).await?;
            memo.parts.push(part);
            if let Some(at) = at {
                memo.keep(at);
            }
        }
        match what {
            Source::Bytes(_) => self.complete(&self.store, path, &memo, what.size()).await,
            Source::File(_) => self.complete_file(path, &memo, what.size()).await,
        }
    }

    /// Has the parts joined, and fails unless the service has the whole then.
    async fn complete(
        &self,
        store: &AmazonS3,
        path: &Path,
        memo: &Memo,
        size: u64,
    ) -> Result<(), BucketError> {
        let parts = memo.parts.iter().map(|id| PartId { content_id: id.clone() }).collect();
        in_time(size, store.complete_multipart(path, &memo.upload, parts)).await?;
        self.confirm(path, size).await
    }

    /// The same of a large file: a service may join it for long before it says anything, and may have done so although its answer did
    /// not come. A file of hours is not sent again for that.
    async fn complete_file(&self, path: &Path, memo: &Memo, size: u64) -> Result<(), BucketError> {
        let patient = self.patient()?;
        let mut pauses = PAUSES.iter();
        loop {
            let Err(error) = self.complete(&patient, path, memo, size).await else { return Ok(()) };
            let held = in_time(0, self.store.head(path)).await;
            if held.is_ok_and(|held| held.e_tag.is_some() && held.e_tag == joined(&memo.parts)) {
                return Ok(());
            }
            match pauses.next() {
                Some(pause) if matches!(error, BucketError::Away(_)) => tokio::time::sleep(*pause).await,
                _ => return Err(error),
            }
        }
    }

    /// Puts one part, and gives the service's name of it. A file has come a long way by then, so that its parts wait out a break of
    /// the line; a render goes with the next that is sent.
    async fn put_part(
        &self,
        path: &Path,
        upload: &MultipartId,
        n: usize,
        what: &Source<'_>,
    ) -> Result<String, BucketError> {
        let part = what.part(n)?;
        let (size, part) = (part.len() as u64, PutPayload::from(part));
        let pauses = if matches!(what, Source::File(_)) { &PAUSES[..] } else { &[] };
        let mut pauses = pauses.iter();
        loop {
            let put = in_time(size, self.store.put_part(path, upload, n, part.clone())).await;
            match (put, pauses.next()) {
                (Err(BucketError::Away(_)), Some(pause)) => tokio::time::sleep(*pause).await,
                (put, _) => return put.map(|part| part.content_id),
            }
        }
    }

    /// Has the service let go of the parts of an upload of other bytes, which nobody goes on with. Where it does not, they are as
    /// much in the way as before.
    async fn forget(&self, memo: &Memo) {
        let path = self.path(&memo.name);
        if let Err(error) = in_time(0, self.store.abort_multipart(&path, &memo.upload)).await {
            tracing::info!(%error, "an upload that nobody goes on with is still there");
        }
    }
}

/// Whether a service means that it has forgotten what was begun long ago, or may: some refuse what they do not know. Where it only
/// has trouble or too much to do, what is there is still of use.
fn is_forgotten(error: &BucketError) -> bool {
    const SAYS: [&str; 4] = ["NoSuchUpload", "InvalidPart", "InvalidPartOrder", "status 404"];
    match error {
        BucketError::Failed(why) => SAYS.iter().any(|says| why.ends_with(says)),
        error => matches!(error, BucketError::Refused(_)),
    }
}

/// What most services call an object of these parts, where they call parts by the MD5 of their bytes: the MD5 of those, and how many
/// they are.
fn joined(parts: &[String]) -> Option<String> {
    let mut sum = md5::Md5::new();
    for part in parts {
        let part = part.trim_matches('"');
        let is_sum = part.len() == 32 && part.bytes().all(|byte| byte.is_ascii_hexdigit());
        let digits = is_sum.then(|| u128::from_str_radix(part, 16).ok()).flatten()?;
        sum.update(digits.to_be_bytes());
    }
    let sum: String = sum.finalize().iter().map(|byte| format!("{byte:02x}")).collect();
    Some(format!("\"{sum}-{}\"", parts.len()))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_a_service_forgot_is_told_from_trouble() {
        let failed = |why: &str| is_forgotten(&BucketError::Failed(why.into()));
        assert!(
            failed("status 404, NoSuchUpload") && failed("status 400, InvalidPart") && failed("status 404")
        );
        assert!(is_forgotten(&BucketError::Refused("AccessDenied".into())));
        for trouble in ["status 429", "status 503, SlowDown", "its answer is not understood"] {
            assert!(!failed(trouble), "{trouble}");
        }
        assert!(!is_forgotten(&BucketError::Away("there is no connection".into())));
    }

    #[test]
    fn an_object_of_parts_is_called_by_the_sums_of_its_parts() {
        // MD5 of "" and "abc" as RFC 1321 has them; of both one after the other, and of the first, as Python's hashlib has them.
        let (empty, abc) = ("d41d8cd98f00b204e9800998ecf8427e", "900150983cd24fb0d6963f7d28e17f72");
        let parts =
            |parts: &[&str]| joined(&parts.iter().map(|part| format!("\"{part}\"")).collect::<Vec<_>>());
        assert_eq!(parts(&[empty, abc]).unwrap(), "\"66027c6d92d43d01c4f2aa8759629be3-2\"");
        assert_eq!(parts(&[empty]).unwrap(), "\"59adb24ef3cdbe0297f05b395827453f-1\"");
        // What is no such sum says nothing.
        assert_eq!(parts(&[empty, "+41d8cd98f00b204e9800998ecf8427e"]), None);
        assert_eq!(parts(&["part-1"]), None);
    }
}
