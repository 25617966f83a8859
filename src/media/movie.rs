//! What to ask of the `ffmpeg` and `ffprobe` programs about a movie, and how to read their answers.
//!
//! Knows arguments, the description in JSON and raw frames. Does not run programs: `execute` does, and hands
//! the bytes back.

use serde::Deserialize;

use super::image::Raster;
use super::{Format, MediaError, checked_size};

/// A movie as `ffprobe` describes it: the first video stream.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Movie {
    /// Width in pixels as shown, after any rotation that the file asks for.
    pub width: u32,
    /// Height in pixels as shown.
    pub height: u32,
    /// Number of frames, when they were counted by decoding them.
    pub frames: Option<u64>,
    /// True when the file does not say by which matrix its colour was coded.
    pub matrix_unknown: bool,
}

/// A release of the programs, as their first line of `-version` names it.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub struct Version {
    /// First number.
    pub major: u32,
    /// Second number.
    pub minor: u32,
}

impl Version {
    /// Reads the output of `ffmpeg -version`. A build without a release's number is taken for the newest.
    pub fn parse(output: &str) -> Self {
        let word = output.split_whitespace().nth(2).unwrap_or("");
        let mut numbers = word.trim_start_matches('n').split(|c: char| !c.is_ascii_digit());
        let major = numbers.next().and_then(|n| n.parse().ok());
        let minor = numbers.next().and_then(|n| n.parse().ok()).unwrap_or(0);
        match major {
            Some(major) if major < 1000 => Self { major, minor },
            _ => Self { major: u32::MAX, minor: 0 },
        }
    }

    /// Frames go out as they come in, none doubled or dropped to keep a rate. The option changed its name
    /// in 5.1 (release notes of FFmpeg 5.1).
    pub fn every_frame_once(self) -> &'static str {
        if self >= (Self { major: 5, minor: 1 }) { "-fps_mode" } else { "-vsync" }
    }
}

/// The path as the programs' file protocol takes it, so that no name can be mistaken for an option or for
/// an address on the network.
fn file_url(path: &str) -> String {
    format!("file:{path}")
}

fn words(list: &[&str]) -> Vec<String> {
    list.iter().map(|&w| w.to_string()).collect()
}

/// Arguments of `ffprobe` that describe the movie at `path` as JSON on its standard output. With
/// `count` it decodes the whole movie, since the number of frames that containers claim is often wrong.
pub fn probe_arguments(path: &str, count: bool) -> Vec<String> {
    let mut arguments = words(&["-v", "error", "-protocol_whitelist", "file", "-select_streams", "v:0"]);
    arguments.extend(count.then(|| "-count_frames".to_string()));
    arguments.extend(words(&["-show_streams", "-of", "json", "-i"]));
    arguments.push(file_url(path));
    arguments
}

#[derive(Deserialize)]
struct Answer {
    #[serde(default)]
    streams: Vec<Stream>,
}

#[derive(Deserialize)]
struct Stream {
    width: Option<u64>,
    height: Option<u64>,
    nb_read_frames: Option<String>,
    color_space: Option<String>,
    #[serde(default)]
    side_data_list: Vec<SideData>,
    tags: Option<Tags>,
}

#[derive(Deserialize)]
struct SideData {
    rotation: Option<f64>,
}

#[derive(Deserialize)]
struct Tags {
    rotate: Option<String>,
}

fn wrong(what: impl Into<String>) -> MediaError {
    MediaError::Movie { what: what.into() }
}

/// Reads the JSON that [`probe_arguments`] asks for.
///
/// # Errors
/// When it is no such JSON, there is no video stream, or the size is beyond the limits.
pub fn parse_probe(json: &str) -> Result<Movie, MediaError> {
    let answer: Answer =
        serde_json::from_str(json).map_err(|e| wrong(format!("cannot be described: {e}")))?;
    let stream = answer.streams.first().ok_or_else(|| wrong("has no video stream"))?;
    let (Some(width), Some(height)) = (stream.width, stream.height) else {
        return Err(wrong("has a video stream without a size"));
    };
    let (width, height) = checked_size(Format::Png, width, height, 3)
        .map_err(|_| wrong(format!("is {width} x {height} pixels, which is empty or beyond the limits")))?;
    let turned = stream.side_data_list.iter().find_map(|s| s.rotation);
    let tagged = || stream.tags.as_ref().and_then(|t| t.rotate.as_deref()).and_then(|r| r.parse().ok());
    let quarters = (turned.or_else(tagged).unwrap_or(0.0) / 90.0).round();
    let (width, height) = if quarters.rem_euclid(2.0) == 1.0 { (height, width) } else { (width, height) };
    let matrix_unknown = matches!(stream.color_space.as_deref(), None | Some("unknown" | "unspecified"));
    let frames = stream.nb_read_frames.as_deref().and_then(|n| n.parse().ok()).filter(|&n| n > 0);
    Ok(Movie { width, height, frames, matrix_unknown })
}

/// Arguments of `ffmpeg` that write the frames `first..=last` (counted from 0) to its standard output, one
/// after the other, each as rows of R, G, B in little-endian 16-bit words, full range.
///
/// Decoding begins at the movie's start and frames are picked by their number, since seeking is by time and
/// lands beside the frame in many files. Where the file does not name its colour matrix, pictures of 720
/// lines or more are taken for ITU-R BT.709 and smaller ones for BT.601 (common practice, no source).
pub fn decode_arguments(path: &str, movie: &Movie, first: u64, last: u64, version: Version) -> Vec<String> {
    let pick = format!("select=between(n\\,{first}\\,{last})");
    let matrix = match (movie.matrix_unknown, movie.width.min(movie.height)) {
        (false, _) => "",
        (true, 720..) => "in_color_matrix=bt709:",
        (true, _) => "in_color_matrix=bt601:",
    };
    let flags = "flags=bicubic+accurate_rnd+full_chroma_int+full_chroma_inp+bitexact";
    let filters = format!("{pick},scale={matrix}out_range=full:{flags},format=rgb48le");
    let mut arguments = words(&["-v", "error", "-nostdin", "-protocol_whitelist", "file,pipe", "-i"]);
    arguments.push(file_url(path));
    arguments.extend(words(&["-map", "0:v:0", "-vf", &filters, version.every_frame_once(), "passthrough"]));
    arguments.push("-frames:v".into());
    arguments.push(last.saturating_sub(first).saturating_add(1).to_string());
    arguments.extend(words(&["-f", "rawvideo", "-pix_fmt", "rgb48le", "pipe:1"]));
    arguments
}

/// Words that are taken of what a program complains of.
const WORDS: usize = 200;

/// What `ffmpeg` or `ffprobe`, asked for errors alone, complain of in a movie; nothing where they say nothing of what they read.
pub fn complaint(said: &str) -> Option<String> {
    // What is said of the frames that go out is no fault of the file.
    let outward = ["[rawvideo", "[out#", "[swscaler", "[auto_scale", "Last message repeated"];
    let lines = said.lines().map(str::trim).filter(|line| !line.is_empty());
    let mut told: Vec<String> = Vec::new();
    for line in lines.filter(|line| !outward.iter().any(|word| line.starts_with(word))) {
        // `[mpeg4 @ 0x55d0c0] words`: the number differs from run to run.
        let parts = line.strip_prefix('[').and_then(|line| line.split_once(" @ "));
        let parts = parts.and_then(|(who, rest)| Some((who, rest.split_once("] ")?.1)));
        let words = parts.map_or_else(|| line.to_string(), |(who, words)| format!("{who}: {words}"));
        if !told.contains(&words) {
            told.push(words);
        }
        if told.len() == 3 {
            break;
        }
    }
    let told: String = told.join("; ").chars().filter(|c| !c.is_control()).take(WORDS).collect();
    (!told.is_empty()).then_some(told)
}

/// Bytes of one frame as [`decode_arguments`] asks for.
pub fn frame_bytes(movie: &Movie) -> usize {
    movie.width as usize * movie.height as usize * 6
}

/// One frame's bytes as planes `R`, `G` and `B`, scaled so that the largest code is 1.0.
///
/// # Errors
/// When there are not [`frame_bytes`] bytes.
pub fn frame(movie: &Movie, bytes: &[u8]) -> Result<Raster, MediaError> {
    let expect = frame_bytes(movie);
    if bytes.len() != expect {
        return Err(wrong(format!("gave a frame of {} bytes instead of {expect}", bytes.len())));
    }
    let codes: Vec<u16> = bytes.chunks_exact(2).map(|b| u16::from_le_bytes([b[0], b[1]])).collect();
    Ok(super::split_planes((movie.width, movie.height), 3, &codes, |code| f32::from(code) / 65535.0))
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    const MOVIE: Movie = Movie { width: 2, height: 1, frames: None, matrix_unknown: true };

    fn described(stream: &str) -> Result<Movie, MediaError> {
        parse_probe(&format!(r#"{{ "streams": [ {{ {stream} }} ] }}"#))
    }

    #[test]
    fn descriptions_are_read() {
        let plain = r#""width": 640, "height": 272, "nb_read_frames": "250", "index": 0"#;
        let movie = described(plain).unwrap();
        assert_eq!((movie.width, movie.height, movie.frames), (640, 272, Some(250)));
        for count in ["", r#", "nb_read_frames": "0""#, r#", "nb_read_frames": "N/A""#] {
            let movie = described(&format!(r#""width": 6, "height": 4{count}"#)).unwrap();
            assert_eq!(movie.frames, None, "{count}");
        }
        assert!(movie.matrix_unknown);
        let turned = format!(
            r#"{plain}, "color_space": "bt709", "side_data_list": [{{"x": 1}}, {{"rotation": -90}}]"#
        );
        let movie = described(&turned).unwrap();
        assert_eq!((movie.width, movie.height, movie.matrix_unknown), (272, 640, false));
        let tagged = format!(r#"{plain}, "tags": {{"rotate": "180"}}"#);
        assert_eq!(described(&tagged).unwrap().width, 640);
    }

    #[test]
    fn poor_descriptions_are_errors() {
        let check = |stream: &str, part: &str| {
            let message = described(stream).unwrap_err().to_string();
            assert!(message.contains(part), "{message}");
        };
        check(r#""width": 6"#, "without a size");
        check(r#""width": 60000, "height": 4"#, "beyond the limits");
        assert!(parse_probe("{}").unwrap_err().to_string().contains("no video stream"));
        assert!(parse_probe("oh").is_err());
    }

    #[test]
    fn complaints_of_what_is_read_are_told_once() {
        let said = "[mpeg4 @ 0x5566] ac-tex damaged at 5 3\n[mpeg4 @ 0x5599] ac-tex damaged at 5 3\n\
                    [rawvideo @ 0x77] Application provided invalid dts\n    Last message repeated 2 times\nmoov atom not found\n";
        assert_eq!(complaint(said).unwrap(), "mpeg4: ac-tex damaged at 5 3; moov atom not found");
        assert_eq!(complaint("\n[rawvideo @ 0x77] Application provided invalid dts\n"), None);
        assert_eq!(complaint(&"x".repeat(900)).unwrap().len(), WORDS);
    }

    #[test]
    fn releases_are_told_apart() {
        let check =
            |line: &str, expect: &str| assert_eq!(Version::parse(line).every_frame_once(), expect, "{line}");
        check("ffmpeg version 4.4.2-0ubuntu0.22.04.1 Copyright", "-vsync");
        check("ffmpeg version 5.0 Copyright", "-vsync");
        check("ffmpeg version 5.1.6-0+deb12u1 Copyright", "-fps_mode");
        check("ffmpeg version n7.1 Copyright", "-fps_mode");
        check("ffmpeg version n9.0.2-17-g2a571b6068-20260930 Copyright", "-fps_mode");
        check("ffmpeg version N-109542-g2ff0689d1f Copyright", "-fps_mode");
        check("ffmpeg version 2024-05-02-git-71669f2ad5 Copyright", "-fps_mode");
        check("", "-fps_mode");
    }

    #[test]
    fn arguments_pick_frames_by_number() {
        let arguments = decode_arguments("-odd name.mp4", &MOVIE, 3, 5, Version { major: 5, minor: 1 });
        let after = |flag: &str| &arguments[arguments.iter().position(|a| a == flag).unwrap() + 1];
        assert_eq!(after("-i"), "file:-odd name.mp4");
        assert_eq!(after("-frames:v"), "3");
        assert_eq!(after("-fps_mode"), "passthrough");
        assert!(after("-vf").starts_with("select=between(n\\,3\\,5),scale=in_color_matrix=bt601:"));
        assert_eq!(arguments.last().unwrap(), "pipe:1");
        assert_eq!(probe_arguments("a.mp4", false).last().unwrap(), "file:a.mp4");
        let counts = |count| probe_arguments("a.mp4", count).contains(&"-count_frames".to_string());
        assert!(counts(true) && !counts(false));
    }

    #[test]
    fn frames_become_planes() {
        let bytes: Vec<u8> = [0u16, 1, 65535, 2, 3, 4].iter().flat_map(|v| v.to_le_bytes()).collect();
        let raster = frame(&MOVIE, &bytes).unwrap();
        assert_eq!(raster.planes[2], ("B".to_string(), vec![1.0, 4.0 / 65535.0]));
        assert!(frame(&MOVIE, &bytes[1..]).is_err());
    }

    proptest! {
        #[test]
        fn no_text_panics(text in ".{0,200}", side in "[0-9-]{0,22}", turn in any::<f64>()) {
            let _ = parse_probe(&text);
            let _ = Version::parse(&text);
            let _ = described(&format!(
                r#""width": {side}, "height": 4, "side_data_list": [{{"rotation": {turn:e}}}]"#
            ));
        }
    }
}
