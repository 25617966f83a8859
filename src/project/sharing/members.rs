//! Members' lists: what each working copy of a film uses, as it said last.
//!
//! Knows their form. A list protects what it names for as long as it lies there; that it is old is for a person to judge.

use std::collections::HashSet;

use base64::Engine as _;
use base64::engine::general_purpose::STANDARD;
use serde_json::json;

use crate::base::digest::Digest;
use crate::store::shared::bucket::{Bucket, BucketError};
use crate::store::shared::sealed;

/// Where lists lie.
pub const FOLDER: &str = "members";
/// The largest list that is read, in bytes: some 12 million renders.
const MOST: u64 = 256 << 20;
const FORMAT: &str = "endboard member 1";
/// Bytes of a render's digest in a list. Two renders that begin alike are both kept then, which does no harm.
const SHORT: usize = 16;

/// A render in a list.
pub type Short = [u8; SHORT];

/// The beginning of a digest.
pub fn short(digest: &Digest) -> Short {
    digest.0[..SHORT].try_into().expect("a digest is longer")
}

/// The name of a list: who writes, and the number of the working copy. A member with two of them has two lists.
pub fn name(writer: &str, copy: &str) -> String {
    format!("{writer}.{copy}")
}

/// What one working copy uses.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct List {
    /// The member, and which of the member's working copies.
    pub who: String,
    /// The film's name.
    pub film: String,
    /// Its renders.
    pub used: HashSet<Short>,
}

/// A list as it was found.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Member {
    /// The name of its list.
    pub who: String,
    /// When it was told, by the clock of the service, in seconds since 1970.
    pub told: i64,
    /// What it says, or why it cannot be read.
    pub list: Result<List, String>,
}

impl List {
    /// What a film uses in a working copy.
    pub fn of(who: String, film: &str, used: HashSet<Digest>) -> Self {
        let used = used.iter().filter(|digest| **digest != crate::base::made::NONE).map(short).collect();
        Self { who, film: film.to_string(), used }
    }

    /// Where it lies.
    pub fn name(&self) -> String {
        format!("{FOLDER}/{}", self.who)
    }

    fn sorted(&self) -> Vec<u8> {
        let mut used: Vec<&Short> = self.used.iter().collect();
        used.sort_unstable();
        used.into_iter().flatten().copied().collect()
    }

    /// By which it is known to be the same as one told before on the same day.
    pub fn mark(&self) -> String {
        let day = jiff::Timestamp::now().strftime("%F");
        format!("{} {} {day}\n", self.who, Digest::of(&self.sorted()))
    }

    /// As it lies there, [`sealed`].
    pub fn write(&self) -> Vec<u8> {
        let used = STANDARD.encode(self.sorted());
        sealed::write(&json!({ "format": FORMAT, "who": self.who, "film": self.film, "used": used }))
    }

    /// Reads the one of this name. Somebody's list that was copied to another's name would protect nothing of theirs.
    ///
    /// # Errors
    /// What is wrong with it, in words.
    pub fn read(who: &str, bytes: &[u8]) -> Result<Self, String> {
        let list = Self::whole(bytes)?;
        match list.who == who {
            true => Ok(list),
            false => Err(format!("it is the list of {}", list.who)),
        }
    }

    fn whole(bytes: &[u8]) -> Result<Self, String> {
        let value = sealed::read(bytes)?;
        let other = || "it is not a list that this version reads".to_string();
        if value["format"] != FORMAT {
            return Err(other());
        }
        let text = |name: &str| value[name].as_str().map(str::to_string).ok_or_else(other);
        let used = STANDARD.decode(text("used")?).map_err(|_| other())?;
        if used.len() % SHORT != 0 {
            return Err(other());
        }
        let used = used.chunks_exact(SHORT).map(|one| one.try_into().expect("of this length")).collect();
        Ok(Self { who: text("who")?, film: text("film")?, used })
    }
}

/// Whose list lies there.
fn who_of(path: &str) -> &str {
    path.trim_start_matches(FOLDER).trim_start_matches('/')
}

/// All members' lists, by name.
///
/// # Errors
/// The shared store cannot be read.
pub fn all(bucket: &dyn Bucket) -> Result<Vec<Member>, BucketError> {
    let mut found = Vec::new();
    bucket.list(FOLDER, &mut |held| {
        found.push(held);
        true
    })?;
    found.sort_by(|a, b| a.name.cmp(&b.name));
    let mut members = Vec::new();
    for held in found {
        let who = who_of(&held.name).to_string();
        // One that was withdrawn meanwhile protects nothing any more.
        let Some(bytes) = bucket.fetch(&held.name, MOST)? else { continue };
        let list = List::read(&who, &bytes);
        members.push(Member { who, told: held.sent, list });
    }
    Ok(members)
}

/// Removes lists of the working copy of this one that were told under other names, as when a person's name was put right. Who may
/// not remove leaves them: they go on protecting what they name.
///
/// # Errors
/// The shared store cannot be read.
pub fn replace(bucket: &dyn Bucket, own: &str) -> Result<(), BucketError> {
    let Some((_, copy)) = own.rsplit_once('.') else { return Ok(()) };
    let mut former = Vec::new();
    bucket.list(FOLDER, &mut |held| {
        let who = who_of(&held.name);
        if who != own && who.rsplit_once('.').is_some_and(|(_, of)| of == copy) {
            former.push(held.name);
        }
        true
    })?;
    match bucket.remove(&former) {
        Err(BucketError::Refused(_)) | Ok(()) => Ok(()),
        Err(error) => Err(error),
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    fn list(used: &[u8]) -> List {
        let used = used.iter().map(|&n| short(&Digest::of(&[n]))).collect();
        List { who: "ana@shed.0a1b2c3d".into(), film: "The Brine Lamp".into(), used }
    }

    #[test]
    fn a_list_comes_back_and_its_mark_tells_one_from_another() {
        let some = list(&[1, 2, 3]);
        let who = "ana@shed.0a1b2c3d";
        assert_eq!(List::read(who, &some.write()), Ok(some.clone()));
        assert_eq!(List::read(who, &list(&[]).write()), Ok(list(&[])));
        let copied = List::read("tomas@shed.0a1b2c3d", &some.write());
        assert_eq!(copied, Err("it is the list of ana@shed.0a1b2c3d".into()));
        assert_eq!(
            (some.mark() == list(&[3, 1, 2]).mark(), some.mark() == list(&[1, 2]).mark()),
            (true, false)
        );
    }

    proptest! {
        #[test]
        fn a_list_with_any_byte_changed_or_cut_off_is_none(at in 0usize..300, to: u8) {
            let bytes = list(&[1, 2]).write();
            let at = at % bytes.len();
            let mut other = bytes.clone();
            other[at] = to;
            prop_assert_eq!(List::whole(&other).is_ok(), other == bytes);
            prop_assert!(List::whole(&bytes[..at]).is_err());
        }
    }
}
