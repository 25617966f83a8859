//! The header of an EXR file, read and written.
//!
//! Knows the file layout that the OpenEXR project publishes ("OpenEXR File Layout", openexr.com): magic
//! number, version flags, attributes, channel lists and windows. Does not know pixels.

use crate::media::image::SIDE_LIMIT;
use crate::media::{Format, MediaError, checked_size};

const MAGIC: u32 = 0x0131_2f76;
const FLAG_TILED: u32 = 0x200;
const FLAG_LONG_NAMES: u32 = 0x400;
const FLAG_DEEP: u32 = 0x800;
const FLAG_PARTS: u32 = 0x1000;

/// Attributes that every header holds, whose names nothing else may take.
const REQUIRED: [&str; 8] = [
    "channels",
    "compression",
    "dataWindow",
    "displayWindow",
    "lineOrder",
    "pixelAspectRatio",
    "screenWindowCenter",
    "screenWindowWidth",
];

/// Something that a header says besides what every header must say.
#[derive(Clone, Debug, PartialEq)]
pub enum Fact {
    /// A text.
    Text(String),
    /// CIE 1931 x, y of red, green, blue and white.
    Chromaticities([[f32; 2]; 4]),
}

/// How samples are stored in the file.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum SampleKind {
    Uint,
    Half,
    Float,
}

impl SampleKind {
    /// Bytes of one sample.
    pub(super) fn bytes(self) -> usize {
        if self == Self::Half { 2 } else { 4 }
    }
}

/// One channel of the file, in the file's order (by name).
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) struct FileChannel {
    pub(super) name: String,
    pub(super) kind: SampleKind,
}

/// A rectangle of pixels; both corners belong to it. Held wide, so that no size can overflow.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Window {
    pub(super) left: i64,
    pub(super) top: i64,
    pub(super) right: i64,
    pub(super) bottom: i64,
}

impl Window {
    pub(super) fn width(&self) -> u64 {
        (self.right - self.left + 1).max(0) as u64
    }

    pub(super) fn height(&self) -> u64 {
        (self.bottom - self.top + 1).max(0) as u64
    }
}

/// What a header says of the file's first part.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) struct Header {
    pub(super) channels: Vec<FileChannel>,
    /// The compression's number in the file.
    pub(super) compression: u8,
    pub(super) data: Window,
    pub(super) display: Window,
    /// Scan lines in one part: what the fast reader can do, if the compression suits.
    pub(super) plain: bool,
    /// Number of chunks at full size, of all parts.
    pub(super) chunks: u64,
    /// Where this part's header ends; in a file of one part the table of chunk offsets begins here.
    pub(super) end: usize,
}

/// Walks through bytes; every step checks that they are there.
pub(super) struct Steps<'a> {
    bytes: &'a [u8],
    at: usize,
}

impl<'a> Steps<'a> {
    pub(super) fn new(bytes: &'a [u8], at: usize) -> Self {
        Self { bytes, at }
    }

    pub(super) fn take(&mut self, count: usize, what: &str) -> Result<&'a [u8], MediaError> {
        let end = self.at.checked_add(count).filter(|&end| end <= self.bytes.len());
        let Some(end) = end else {
            return Err(Format::Exr.truncated(format!("it ends within {what}")));
        };
        let taken = &self.bytes[self.at..end];
        self.at = end;
        Ok(taken)
    }

    pub(super) fn u32(&mut self, what: &str) -> Result<u32, MediaError> {
        let b = self.take(4, what)?;
        Ok(u32::from_le_bytes([b[0], b[1], b[2], b[3]]))
    }

    pub(super) fn i32(&mut self, what: &str) -> Result<i32, MediaError> {
        Ok(self.u32(what)? as i32)
    }

    /// Text up to a zero byte, at most 255 bytes.
    fn name(&mut self, what: &str) -> Result<&'a str, MediaError> {
        let rest = &self.bytes[self.at.min(self.bytes.len())..];
        let Some(length) = rest.iter().take(256).position(|&b| b == 0) else {
            return Err(if rest.len() > 255 {
                Format::Exr.damaged(format!("{what} is longer than 255 bytes"))
            } else {
                Format::Exr.truncated(format!("it ends within {what}"))
            });
        };
        self.at += length + 1;
        std::str::from_utf8(&rest[..length])
            .map_err(|_| Format::Exr.damaged(format!("{what} is not UTF-8 text")))
    }
}

/// Attributes as they are found, before it is known that all are there.
#[derive(Default)]
struct Found {
    channels: Option<Vec<FileChannel>>,
    compression: Option<u8>,
    data: Option<Window>,
    display: Option<Window>,
    part_kind: Option<String>,
    tile: Option<(u32, u32)>,
}

impl Found {
    fn put(&mut self, name: &str, kind: &str, value: &[u8]) -> Result<(), MediaError> {
        let mut steps = Steps::new(value, 0);
        match (name, kind) {
            ("channels", "chlist") => self.channels = Some(channel_list(value)?),
            ("compression", "compression") => {
                self.compression = Some(steps.take(1, "the compression attribute")?[0]);
            }
            ("dataWindow", "box2i") => self.data = Some(window(&mut steps, name)?),
            ("displayWindow", "box2i") => self.display = Some(window(&mut steps, name)?),
            ("tiles", "tiledesc") => self.tile = Some((steps.u32(name)?, steps.u32(name)?)),
            ("type", "string") => self.part_kind = Some(String::from_utf8_lossy(value).into_owned()),
            _ => {}
        }
        Ok(())
    }
}

/// Reads the headers and gives the first part's. Sizes are checked against the limits in all of them.
pub(super) fn read(bytes: &[u8]) -> Result<Header, MediaError> {
    let mut steps = Steps::new(bytes, 0);
    if steps.u32("the magic number")? != MAGIC {
        return Err(Format::Exr.damaged("it does not begin with the magic number"));
    }
    let version = steps.u32("the version")?;
    if version & 0xff != 2 {
        return Err(Format::Exr.unsupported(format!("file version {}", version & 0xff)));
    }
    let mut first = read_part(&mut steps, version)?;
    if version & FLAG_PARTS != 0 {
        // A header that begins with its end marks the end of all headers.
        while steps.bytes.get(steps.at).is_some_and(|&b| b != 0) {
            first.chunks += read_part(&mut steps, version)?.chunks;
        }
    }
    Ok(first)
}

fn read_part(steps: &mut Steps<'_>, version: u32) -> Result<Header, MediaError> {
    let mut found = Found::default();
    loop {
        let name = steps.name("an attribute's name")?;
        if name.is_empty() {
            break;
        }
        let kind = steps.name("an attribute's type")?;
        let size = steps.u32("an attribute's size")?;
        let value = steps.take(size as usize, "an attribute's value")?;
        found.put(name, kind, value)?;
    }
    let missing = |name: &str| Format::Exr.damaged(format!("the header has no {name:?} attribute"));
    let channels = found.channels.ok_or_else(|| missing("channels"))?;
    let data = found.data.ok_or_else(|| missing("dataWindow"))?;
    let display = found.display.ok_or_else(|| missing("displayWindow"))?;
    let compression = found.compression.ok_or_else(|| missing("compression"))?;
    if version & FLAG_DEEP != 0 || found.part_kind.as_deref().is_some_and(|k| k.starts_with("deep")) {
        return Err(Format::Exr.unsupported("deep data"));
    }
    match compression {
        0..=9 => {}
        10 | 11 => return Err(Format::Exr.unsupported("HTJ2K compression")),
        12 => return Err(Format::Exr.unsupported("LJ2K compression")),
        13 => return Err(Format::Exr.unsupported("ZSTD compression")),
        other => return Err(Format::Exr.unsupported(format!("compression number {other}"))),
    }
    let count = channels.len() as u64;
    checked_size(Format::Exr, display.width(), display.height(), count)?;
    checked_size(Format::Exr, data.width(), data.height(), count)?;
    let tiled = version & FLAG_TILED != 0 || found.part_kind.as_deref() == Some("tiledimage");
    let (across, down) = match found.tile.filter(|_| tiled) {
        Some((0, _) | (_, 0)) => return Err(Format::Exr.damaged("its tiles have no size")),
        Some((across, down)) if across.max(down) > SIDE_LIMIT => {
            return Err(Format::Exr.damaged(format!("its tiles are {across} x {down} pixels")));
        }
        Some((across, down)) => (u64::from(across), u64::from(down)),
        None if tiled => return Err(missing("tiles")),
        None => (data.width(), lines_per_chunk(compression) as u64),
    };
    let chunks = data.width().div_ceil(across) * data.height().div_ceil(down);
    let plain = !tiled && version & FLAG_PARTS == 0;
    Ok(Header { channels, compression, data, display, chunks, plain, end: steps.at })
}

/// Scan lines that are compressed together, by the compression's number.
pub(super) fn lines_per_chunk(compression: u8) -> usize {
    match compression {
        3 | 5 => 16,
        4 | 6..=8 => 32,
        9 => 256,
        _ => 1,
    }
}

/// Fails when the file is too short to hold the chunks that its header promises, so that nothing is
/// allocated for them: each has an entry of eight bytes in the offset table and a head of eight bytes.
pub(super) fn check_length(header: &Header, bytes: &[u8]) -> Result<(), MediaError> {
    if header.chunks * 16 > bytes.len() as u64 {
        return Err(Format::Exr.truncated(format!(
            "{} chunks do not fit in {} bytes",
            header.chunks,
            bytes.len()
        )));
    }
    Ok(())
}

fn window(steps: &mut Steps<'_>, what: &str) -> Result<Window, MediaError> {
    let mut side = || steps.i32(what).map(i64::from);
    Ok(Window { left: side()?, top: side()?, right: side()?, bottom: side()? })
}

fn channel_list(value: &[u8]) -> Result<Vec<FileChannel>, MediaError> {
    let mut steps = Steps::new(value, 0);
    let mut channels: Vec<FileChannel> = Vec::new();
    loop {
        let name = steps.name("a channel's name")?;
        if name.is_empty() {
            return Ok(channels);
        }
        let kind = match steps.u32("the channel list")? {
            0 => SampleKind::Uint,
            1 => SampleKind::Half,
            2 => SampleKind::Float,
            other => {
                return Err(Format::Exr.damaged(format!("channel {name:?} has the unknown type {other}")));
            }
        };
        steps.take(4, "the channel list")?;
        if (steps.u32("the channel list")?, steps.u32("the channel list")?) != (1, 1) {
            return Err(Format::Exr.unsupported(format!("sub-sampling (in channel {name:?})")));
        }
        if channels.last().is_some_and(|last| last.name.as_str() >= name) {
            return Err(Format::Exr.damaged("its channels are not in the order of their names"));
        }
        channels.push(FileChannel { name: name.to_string(), kind });
    }
}

fn checked_name(name: &str, what: &str) -> Result<(), MediaError> {
    let refuse = |why: &str| {
        Err(MediaError::Name { format: Format::Exr, name: name.to_string(), why: format!("{what} {why}") })
    };
    match name {
        "" => refuse("may not be empty"),
        _ if name.contains('\0') => refuse("may not contain a zero byte"),
        _ if name.len() > 255 => refuse("may be at most 255 bytes long"),
        _ => Ok(()),
    }
}

fn attribute(out: &mut Vec<u8>, name: &str, kind: &str, value: &[u8]) {
    for text in [name, kind] {
        out.extend_from_slice(text.as_bytes());
        out.push(0);
    }
    out.extend_from_slice(&(value.len() as u32).to_le_bytes());
    out.extend_from_slice(value);
}

/// Writes the header of a scan-line file of half channels. `names` are in the order of names; facts become
/// string attributes, in the order given.
pub(super) fn write(
    out: &mut Vec<u8>,
    (width, height): (u32, u32),
    names: &[&str],
    compression: u8,
    facts: &[(String, Fact)],
) -> Result<(), MediaError> {
    for name in names {
        checked_name(name, "a channel's name")?;
    }
    if let Some(pair) = names.windows(2).find(|pair| pair[0] == pair[1]) {
        let why = "two channels have it".to_string();
        return Err(MediaError::Name { format: Format::Exr, name: pair[0].to_string(), why });
    }
    for (i, (name, _)) in facts.iter().enumerate() {
        checked_name(name, "an attribute's name")?;
        if REQUIRED.contains(&name.as_str()) || facts[..i].iter().any(|(n, _)| n == name) {
            let why = "another attribute has it".to_string();
            return Err(MediaError::Name { format: Format::Exr, name: name.clone(), why });
        }
    }
    let long = names.iter().copied().chain(facts.iter().map(|(n, _)| n.as_str())).any(|n| n.len() > 31);
    out.extend_from_slice(&MAGIC.to_le_bytes());
    out.extend_from_slice(&(2 | if long { FLAG_LONG_NAMES } else { 0 }).to_le_bytes());

    let mut list = Vec::new();
    for name in names {
        list.extend_from_slice(name.as_bytes());
        list.push(0);
        // Type half, perceptual linearity with three reserved bytes, sampling across and down.
        for word in [1u32, 0, 1, 1] {
            list.extend_from_slice(&word.to_le_bytes());
        }
    }
    list.push(0);
    let corners = [0, 0, width as i32 - 1, height as i32 - 1];
    let window: Vec<u8> = corners.iter().flat_map(|c: &i32| c.to_le_bytes()).collect();
    attribute(out, "channels", "chlist", &list);
    attribute(out, "compression", "compression", &[compression]);
    attribute(out, "dataWindow", "box2i", &window);
    attribute(out, "displayWindow", "box2i", &window);
    attribute(out, "lineOrder", "lineOrder", &[0]);
    attribute(out, "pixelAspectRatio", "float", &1f32.to_le_bytes());
    attribute(out, "screenWindowCenter", "v2f", &[0; 8]);
    attribute(out, "screenWindowWidth", "float", &1f32.to_le_bytes());
    for (name, value) in facts {
        match value {
            Fact::Text(text) => attribute(out, name, "string", text.as_bytes()),
            Fact::Chromaticities(places) => {
                let numbers: Vec<u8> = places.iter().flatten().flat_map(|v| v.to_le_bytes()).collect();
                attribute(out, name, "chromaticities", &numbers);
            }
        }
    }
    out.push(0);
    Ok(())
}
