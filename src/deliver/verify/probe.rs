//! What `ffprobe` says of a movie.
//!
//! Knows its JSON. Does not know what it should say.

use serde::Deserialize;
use std::collections::BTreeMap;

/// A movie as its file describes it. What it does not say is missing.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Described {
    /// Width and height in pixels.
    pub size: (u32, u32),
    /// Frames and seconds of the rate.
    pub rate: Option<(u32, u32)>,
    /// How samples lie, by the program's name.
    pub pixels: Option<String>,
    /// Primaries, transfer, matrix and range, by the program's names.
    pub colour: [Option<String>; 4],
    /// The label of the first frame.
    pub timecode: Option<String>,
    /// The sound.
    pub sound: Option<DescribedSound>,
}

/// Sound as a file describes it.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct DescribedSound {
    /// Samples a second, at least one.
    pub rate: u32,
    /// How many channels, at least one.
    pub channels: usize,
    /// Which, by the program's name.
    pub layout: Option<String>,
}

#[derive(Deserialize)]
struct Answer {
    #[serde(default)]
    streams: Vec<Stream>,
    #[serde(default)]
    format: Format,
}

#[derive(Default, Deserialize)]
struct Format {
    #[serde(default)]
    tags: BTreeMap<String, String>,
}

#[derive(Deserialize)]
struct Stream {
    codec_type: Option<String>,
    width: Option<u32>,
    height: Option<u32>,
    pix_fmt: Option<String>,
    r_frame_rate: Option<String>,
    color_primaries: Option<String>,
    color_transfer: Option<String>,
    color_space: Option<String>,
    color_range: Option<String>,
    sample_rate: Option<String>,
    channels: Option<usize>,
    channel_layout: Option<String>,
    #[serde(default)]
    tags: BTreeMap<String, String>,
}

/// Arguments that describe the movie at `path` as JSON.
pub fn arguments(path: &str) -> Vec<String> {
    let list =
        ["-v", "error", "-protocol_whitelist", "file", "-show_streams", "-show_format", "-of", "json", "-i"];
    list.iter().map(|word| (*word).to_string()).chain([format!("file:{path}")]).collect()
}

/// Reads the answer.
///
/// # Errors
/// When it is no such JSON, or describes no picture, or a sound that has no channels or no rate.
pub fn parse(json: &str) -> Result<Described, String> {
    let answer: Answer =
        serde_json::from_str(json).map_err(|e| format!("ffprobe's answer cannot be read: {e}"))?;
    let of = |kind: &str| answer.streams.iter().find(|stream| stream.codec_type.as_deref() == Some(kind));
    let picture = of("video").ok_or("the movie holds no picture")?;
    let said =
        |text: &Option<String>| text.clone().filter(|text| !matches!(&**text, "unknown" | "unspecified"));
    let sound = of("audio").map(|stream| {
        let rate = stream.sample_rate.as_deref().and_then(|rate| rate.parse().ok()).filter(|rate| *rate > 0);
        let channels = stream.channels.filter(|channels| *channels > 0);
        let (rate, channels) = rate.zip(channels).ok_or("its sound tells no channels, or no rate")?;
        Ok::<_, String>(DescribedSound { rate, channels, layout: said(&stream.channel_layout) })
    });
    let sound = sound.transpose()?;
    let tags = answer.streams.iter().map(|stream| &stream.tags).chain([&answer.format.tags]);
    let timecode = tags.flatten().find(|(name, _)| name.eq_ignore_ascii_case("timecode"));
    let rate = picture.r_frame_rate.as_deref().and_then(|text| text.split_once('/'));
    Ok(Described {
        size: (picture.width.unwrap_or(0), picture.height.unwrap_or(0)),
        rate: rate.and_then(|(frames, seconds)| Some((frames.parse().ok()?, seconds.parse().ok()?))),
        pixels: said(&picture.pix_fmt),
        colour: [
            &picture.color_primaries,
            &picture.color_transfer,
            &picture.color_space,
            &picture.color_range,
        ]
        .map(said),
        timecode: timecode.map(|(_, label)| label.clone()),
        sound,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn answers_are_read() {
        let json = r#"{"streams":[{"codec_type":"data","tags":{"timecode":"01:00:00;00"}},
            {"codec_type":"audio","sample_rate":"48000","channels":6,"channel_layout":"5.1"},
            {"codec_type":"video","width":96,"height":54,"pix_fmt":"yuv420p","r_frame_rate":"24000/1001",
             "color_primaries":"bt709","color_transfer":"unknown","color_range":"tv"}]}"#;
        let said = parse(json).unwrap();
        assert_eq!((said.size, said.rate), ((96, 54), Some((24_000, 1001))));
        assert_eq!(said.colour, [Some("bt709".into()), None, None, Some("tv".into())]);
        assert_eq!(said.timecode.as_deref(), Some("01:00:00;00"));
        let sound = DescribedSound { rate: 48_000, channels: 6, layout: Some("5.1".into()) };
        assert_eq!(said.sound, Some(sound));
        assert!(parse(r#"{"streams":[]}"#).unwrap_err().contains("no picture"));
        assert!(parse("[").is_err());
        for said in [
            "",
            r#","channels":0,"sample_rate":"48000""#,
            r#","channels":2"#,
            r#","channels":2,"sample_rate":"0""#,
        ] {
            let json = format!(r#"{{"streams":[{{"codec_type":"video"}},{{"codec_type":"audio"{said}}}]}}"#);
            assert!(parse(&json).unwrap_err().contains("no channels, or no rate"), "{said}");
        }
        let elsewhere =
            r#"{"streams":[{"codec_type":"video"}],"format":{"tags":{"TIMECODE":"00:00:00:01"}}}"#;
        assert_eq!(parse(elsewhere).unwrap().timecode.as_deref(), Some("00:00:00:01"));
    }
}
