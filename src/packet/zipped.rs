//! A packet that came as a zip.
//!
//! Knows what a zip may hold to be taken: plain and deflated files whose two headers agree, none over another, no more of them
//! and no larger than the limits allow. The count is read before the list is, as the list costs memory.

use std::fs::File;
use std::io::{BufReader, Read, Seek, SeekFrom};
use std::path::Path;
use std::sync::Mutex;

use zip::{CompressionMethod, ZipArchive};

use super::open::{Listed, stream};
use super::{Fault, MOST_ENTRIES, RATIO_LIMIT, SMALL};

/// The signature of the end of a zip's list (APPNOTE.TXT, section 4.3.16), and of its longer form's locator (4.3.15).
const END: [u8; 4] = *b"PK\x05\x06";
const LONG_LOCATOR: [u8; 4] = *b"PK\x06\x07";
/// Bytes of the end without its comment, and of the longest comment.
const END_SIZE: u64 = 22;
const LONGEST_COMMENT: u64 = 65_535;
/// Bytes of the locator.
const LOCATOR_SIZE: usize = 20;
/// Bits of a Unix mode that tell what a file is.
const KIND: u32 = 0o170_000;

/// A zip, open.
pub(super) struct Zip {
    archive: Mutex<ZipArchive<BufReader<File>>>,
}

impl std::fmt::Debug for Zip {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Zip").finish_non_exhaustive()
    }
}

impl Zip {
    /// Lists a zip.
    pub fn open(path: &Path) -> Result<(Self, Vec<Listed>), Fault> {
        let place = path.display().to_string();
        let fault =
            |why: String| Fault::new(&place, why, "have it sent once more, or give the folder unpacked");
        let mut file = File::open(path).map_err(|why| fault(why.to_string()))?;
        let size = file.metadata().map_err(|why| fault(why.to_string()))?.len();
        let count = count(&mut file, size).map_err(|why| fault(why.to_string()))?;
        let Some(count) = count else {
            return Err(fault("it is no zip, or one that is cut short or holds another zip".into()));
        };
        if count > MOST_ENTRIES as u64 {
            return Err(fault(format!(
                "it holds {count} files and folders, and at most {MOST_ENTRIES} are taken"
            )));
        }
        let damaged = |why: zip::result::ZipError| fault(format!("it is damaged: {why}"));
        let mut archive = ZipArchive::new(BufReader::new(file)).map_err(damaged)?;
        if archive.has_duplicate_names() {
            return Err(fault("one name is there twice".into()));
        }
        if archive.offset() != 0 {
            return Err(fault("something stands before its first file".into()));
        }
        let (mut listed, mut total) = (Vec::with_capacity(archive.len()), 0u64);
        for at in 0..archive.len() {
            let of = archive.by_index_raw(at).map_err(damaged)?;
            let shown = String::from_utf8_lossy(of.name_raw()).escape_debug().to_string();
            let of_file = |why: &str, way: &str| Fault::new(&shown, why, way);
            if of.encrypted() {
                return Err(of_file("it is encrypted", "have it sent without a password"));
            }
            if !matches!(of.compression(), CompressionMethod::Stored | CompressionMethod::Deflated) {
                let why = format!("it is packed in a way that is not read ({:?})", of.compression());
                return Err(of_file(&why, "have it sent as a common zip, or give the folder unpacked"));
            }
            total = total.saturating_add(of.size());
            let is_folder = of.name_raw().ends_with(b"/");
            let odd = match of.unix_mode().map_or(0, |mode| mode & KIND) {
                0 | 0o100_000 => None,
                0o040_000 if is_folder => None,
                0o120_000 => Some("a link"),
                _ => Some("a device, a pipe or a socket"),
            };
            let name = of.name_raw();
            let path = name.strip_suffix(b"/").unwrap_or(name).to_vec();
            listed.push(Listed { path, size: of.size(), is_folder, odd });
        }
        let most = size.saturating_mul(RATIO_LIMIT).saturating_add(SMALL);
        if total > most {
            let why = format!(
                "its {size} bytes would unpack to {total}, more than {RATIO_LIMIT} times as many; nothing was unpacked"
            );
            return Err(fault(why));
        }
        // Links and names out of the folder are told as such, and not as what is odd about their headers.
        if listed.iter().all(|of| of.odd.is_none()) {
            archive.validate_header_consistency().map_err(damaged)?;
        }
        Ok((Self { archive: Mutex::new(archive) }, listed))
    }

    /// Hands over the bytes of a file, whose check sum is looked at by the end.
    pub fn read(
        &self,
        at: usize,
        visit: &mut dyn FnMut(&[u8]) -> std::io::Result<()>,
    ) -> std::io::Result<()> {
        let mut archive = self.archive.lock().expect("no reader panics with it");
        let file = archive.by_index(at).map_err(std::io::Error::other)?;
        let most = file.size().saturating_add(1);
        stream(file.take(most), visit)
    }
}

/// How many entries the end of a zip says that there are; none where there is no such end, or more than one, of which readers
/// might take either.
fn count(file: &mut File, size: u64) -> std::io::Result<Option<u64>> {
    let from = size.saturating_sub(END_SIZE + LONGEST_COMMENT + LOCATOR_SIZE as u64);
    file.seek(SeekFrom::Start(from))?;
    let mut tail = Vec::new();
    file.by_ref().take(size - from).read_to_end(&mut tail)?;
    file.rewind()?;
    let ends: Vec<usize> = tail.windows(4).enumerate().filter(|(_, w)| *w == END).map(|(at, _)| at).collect();
    let &[at] = &ends[..] else { return Ok(None) };
    let short = |at: usize| tail.get(at..at + 2).map(|b| u64::from(u16::from_le_bytes([b[0], b[1]])));
    let (Some(entries), Some(comment)) = (short(at + 10), short(at + 20)) else { return Ok(None) };
    if at as u64 + END_SIZE + comment != tail.len() as u64 {
        return Ok(None);
    }
    let locator =
        at.checked_sub(LOCATOR_SIZE).map(|begin| &tail[begin..at]).filter(|l| l[..4] == LONG_LOCATOR);
    let Some(locator) = locator else { return Ok(Some(entries)) };
    // The longer form says it in 64 bits, at a place that the locator names.
    let place = u64::from_le_bytes(locator[8..16].try_into().expect("8 bytes"));
    file.seek(SeekFrom::Start(place))?;
    let mut long = [0; 56];
    let read = file.read_exact(&mut long);
    file.rewind()?;
    match read {
        Ok(()) => Ok(Some(u64::from_le_bytes(long[32..40].try_into().expect("8 bytes")))),
        Err(error) if error.kind() == std::io::ErrorKind::UnexpectedEof => Ok(None),
        Err(error) => Err(error),
    }
}
