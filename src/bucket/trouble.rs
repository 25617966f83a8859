//! What a service finds wrong → words, with the variable or the line that says it.
//!
//! Of what a service answers, only its status and the code of its error go into words: the rest of an answer may repeat what was
//! sent. Does not know what was asked.

use std::error::Error as _;

use object_store::client::{HttpError, HttpErrorKind};

use super::answers::NoStore;
use crate::store::shared::bucket::BucketError;

/// Where it is said what a service may find wrong.
pub struct From {
    /// The key.
    pub id: String,
    /// Its secret.
    pub secret: String,
    /// Its token, where it is a session's.
    pub token: Option<String>,
    /// The bucket.
    pub bucket: String,
    /// The region.
    pub region: String,
    /// The address.
    pub endpoint: String,
    /// Whether the address has folders behind its host.
    pub has_folders: bool,
}

/// Codes of who asks, when, or where being wrong: of what is read and of what is written alike, until a person puts it right.
const WRONG: [&str; 16] = [
    "SignatureDoesNotMatch",
    "InvalidAccessKeyId",
    "NotSignedUp",
    "AccountProblem",
    "InvalidToken",
    "ExpiredToken",
    "TokenRefreshRequired",
    "RequestTimeTooSkewed",
    "RequestExpired",
    "NoSuchBucket",
    "InvalidBucketName",
    "AuthorizationHeaderMalformed",
    "InvalidRegion",
    "PermanentRedirect",
    "IllegalLocationConstraintException",
    "status 401",
];
/// Said of a service whose host nobody knows.
const NO_HOST: &str = "there is no connection: nobody knows its host, or this machine has no network";
/// Said of a service that is asked in TLS and does not speak it.
const NO_TLS: &str = "what answers there speaks http:// and not https://";
/// Said of a service that is asked without TLS and speaks nothing else.
const NO_HTTP: &str = "what answers there speaks no http://; is it https://?";

impl From {
    /// Where to look when a service gives this code.
    fn of(&self, code: &str) -> Option<String> {
        Some(match code {
            "SignatureDoesNotMatch" => format!("the secret is not the key's: see {}", self.secret),
            "InvalidAccessKeyId" | "NotSignedUp" | "AccountProblem" | "403 Forbidden" => {
                format!("see the key, {}", self.id)
            }
            "InvalidToken" | "ExpiredToken" | "TokenRefreshRequired" => {
                format!("see {}", self.token.as_ref().unwrap_or(&self.id))
            }
            "NoSuchBucket" | "InvalidBucketName" if self.has_folders => format!(
                "see the bucket, {}, and the address, {}, which has folders behind its host: most services have none",
                self.bucket, self.endpoint
            ),
            "NoSuchBucket" | "InvalidBucketName" => format!("see {}", self.bucket),
            "AuthorizationHeaderMalformed"
            | "InvalidRegion"
            | "InvalidRequest"
            | "PermanentRedirect"
            | "TemporaryRedirect"
            | "IllegalLocationConstraintException" => {
                format!("see the region, {}", self.region)
            }
            "status 401" => format!("see the key, {}", self.id),
            "NoSuchKey" if self.has_folders => format!(
                "see the address, {}, which has folders behind its host: most services have none",
                self.endpoint
            ),
            "NoSuchKey" | "status 301" | "status 302" | "status 307" | "status 308" | "status 400"
            | "status 404" => {
                format!("see the address, {}, and the bucket, {}", self.endpoint, self.bucket)
            }
            "RequestTimeTooSkewed" => "have this machine's clock set by the network".into(),
            _ => return None,
        })
    }

    /// An error, with where to look where that is known.
    pub fn with_way_on(&self, error: BucketError) -> BucketError {
        let told = |words: String| {
            let way = self.of(code_in(&words));
            way.map_or(words.clone(), |way| format!("{words}; {way}"))
        };
        match error {
            BucketError::Refused(words) | BucketError::Failed(words) if WRONG.contains(&code_in(&words)) => {
                BucketError::Wrong(told(words))
            }
            BucketError::Refused(words) => BucketError::Refused(told(words)),
            BucketError::Away(words) if [NO_HOST, NO_TLS, NO_HTTP].contains(&words.as_str()) => {
                BucketError::Away(format!("{words}; see the address, {}", self.endpoint))
            }
            BucketError::Failed(words) => BucketError::Failed(told(words)),
            BucketError::NoStore(words) => {
                BucketError::NoStore(format!("{words}; see the address, {}", self.endpoint))
            }
            other => other,
        }
    }
}

/// The code in the words of an error, or its status where it has none.
fn code_in(words: &str) -> &str {
    words.rsplit(", ").next().unwrap_or_default()
}

/// Whether a service refuses and does not say why, as its answers to questions about what is there have no words.
pub fn is_silent(error: &object_store::Error) -> bool {
    let is_refusal = match error {
        object_store::Error::PermissionDenied { .. } | object_store::Error::Unauthenticated { .. } => true,
        object_store::Error::NotFound { .. } => false,
        other => status(other).is_some_and(|status| status.starts_with("status 4")),
    };
    is_refusal && code(error).is_none()
}

/// Whether a service refuses and says why.
pub fn is_told(error: &object_store::Error) -> bool {
    !matches!(error, object_store::Error::NotFound { .. }) && code(error).is_some()
}

/// Not there is no error.
pub fn found<T>(result: object_store::Result<T>) -> Result<Option<T>, BucketError> {
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
pub fn said(error: &object_store::Error) -> BucketError {
    let code = code(error);
    if let object_store::Error::PermissionDenied { .. } | object_store::Error::Unauthenticated { .. } = error
    {
        let is_unknown = matches!(error, object_store::Error::Unauthenticated { .. });
        let bare = if is_unknown { "status 401" } else { "403 Forbidden" };
        return BucketError::Refused(code.unwrap_or_else(|| bare.into()));
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
            if causes(http).any(|error| error.is::<NoStore>()) {
                return no_store();
            }
            if let Some(words) = causes(http).find_map(|error| distrusted(&error.to_string())) {
                return BucketError::Away(words);
            }
            if let Some(words) = causes(http).find_map(|error| misaddressed(&error.to_string())) {
                return BucketError::Away(words.into());
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

/// What answers there is no object store.
pub fn no_store() -> BucketError {
    BucketError::NoStore(NoStore.to_string())
}

/// What lies behind an error, the nearest first.
fn causes(error: &HttpError) -> impl Iterator<Item = &(dyn std::error::Error + 'static)> {
    std::iter::successors(error.source(), |error| (*error).source())
}

/// What is wrong with an address at which nothing was understood, where that is what an error says: the words of the standard
/// library of a host, of `rustls` of an answer without TLS, of `hyper` of one with it.
fn misaddressed(error: &str) -> Option<&'static str> {
    [
        ("failed to lookup address information", NO_HOST),
        ("corrupt message of type InvalidContentType", NO_TLS),
        ("invalid HTTP version parsed", NO_HTTP),
    ]
    .into_iter()
    .find_map(|(part, words)| error.contains(part).then_some(words))
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
