//! What to ask of `ffmpeg` for each preset.
//!
//! Knows its options. Does not run it. The number of threads is fixed, since the pictures of some coders differ with it.

use crate::deliver::levels::{Coding, Sampling};
use crate::deliver::target::{Colour, Preset, Target};

/// The name of a pixel format as the program knows it.
pub fn pixels(coding: &Coding) -> &'static str {
    match (coding.sampling, coding.bits) {
        (Sampling::Rgb, _) => "gbrp16le",
        (Sampling::Half, _) => "yuv422p10le",
        (Sampling::QuarterLeft | Sampling::QuarterTopLeft, 8) => "yuv420p",
        (Sampling::QuarterLeft | Sampling::QuarterTopLeft, _) => "yuv420p10le",
    }
}

/// Primaries, transfer, matrix and range by the program's names.
pub fn colour(colour: Colour, coding: &Coding) -> [&'static str; 4] {
    let (primaries, transfer) = match colour {
        Colour::Bt709 => ("bt709", "bt709"),
        Colour::Pq => ("bt2020", "smpte2084"),
        Colour::Hlg => ("bt2020", "arib-std-b67"),
    };
    match (coding.sampling, colour) {
        (Sampling::Rgb, _) => [primaries, transfer, "gbr", "pc"],
        (_, Colour::Bt709) => [primaries, transfer, "bt709", "tv"],
        (_, Colour::Pq | Colour::Hlg) => [primaries, transfer, "bt2020nc", "tv"],
    }
}

/// Coders that make a preset's stream, the best first.
pub fn coders(preset: Preset) -> &'static [&'static str] {
    match preset {
        Preset::Vc3 => &["dnxhd"],
        Preset::Rdd36 => &["prores_ks"],
        Preset::Ffv1 => &["ffv1"],
        Preset::H264 => &["libx264"],
        Preset::Av1 => &["libsvtav1", "libaom-av1"],
    }
}

/// The coder of a preset's sound.
pub fn sound_coder(preset: Preset) -> &'static str {
    match preset {
        Preset::Vc3 | Preset::Rdd36 => "pcm_s24le",
        // Matroska does not tell the channels of plain samples; RFC 9639's own order of them is that of WAV.
        Preset::Ffv1 => "flac",
        Preset::H264 | Preset::Av1 => "aac",
    }
}

fn words(out: &mut Vec<String>, list: &[&str]) {
    out.extend(list.iter().map(|word| (*word).to_string()));
}

/// Arguments that take frames from standard input and the sound from `sound`, and write to `to`.
pub fn encode(
    target: &Target,
    preset: Preset,
    quality: Option<u8>,
    coder: &str,
    sound: Option<&str>,
    to: &str,
) -> Vec<String> {
    let coding = Coding::of(preset, target.colour);
    let [primaries, transfer, matrix, range] = colour(target.colour, &coding);
    // The program writes R'G'B' as "rgb" among its options and as "gbr" among its answers.
    let matrix = if matrix == "gbr" { "rgb" } else { matrix };
    let tags =
        ["-color_primaries", primaries, "-color_trc", transfer, "-colorspace", matrix, "-color_range", range];
    let rate = format!("{}/{}", target.rate.frames, target.rate.seconds);
    let size = format!("{}x{}", target.size.0, target.size.1);
    let mut out = Vec::new();
    words(&mut out, &["-hide_banner", "-nostats", "-loglevel", "error", "-y", "-f", "rawvideo"]);
    words(&mut out, &["-pixel_format", pixels(&coding), "-video_size", &size, "-framerate", &rate]);
    words(&mut out, &tags);
    words(&mut out, &["-i", "pipe:0"]);
    if let Some(sound) = sound {
        words(&mut out, &["-protocol_whitelist", "file", "-f", "wav", "-i"]);
        out.push(format!("file:{sound}"));
    }
    words(&mut out, &["-map", "0:v:0"]);
    words(&mut out, if sound.is_some() { &["-map", "1:a:0"] } else { &["-an"] });
    words(
        &mut out,
        &["-map_metadata", "-1", "-fflags", "+bitexact", "-flags:v", "+bitexact", "-flags:a", "+bitexact"],
    );
    words(&mut out, &["-c:v", coder, "-pix_fmt", pixels(&coding), "-threads", "4"]);
    words(&mut out, &tags);
    match coding.sampling {
        Sampling::Rgb => {}
        Sampling::QuarterTopLeft => words(&mut out, &["-chroma_sample_location", "topleft"]),
        Sampling::Half | Sampling::QuarterLeft => words(&mut out, &["-chroma_sample_location", "left"]),
    }
    picture(&mut out, target, coder, quality);
    if let (Some(_), Some(spec)) = (sound, target.sound) {
        words(&mut out, &["-c:a", sound_coder(preset)]);
        if preset == Preset::Ffv1 {
            // The coder takes 24 bits in words of 32.
            words(&mut out, &["-sample_fmt", "s32", "-bits_per_raw_sample:a", "24"]);
        }
        if !preset.keeps_samples() {
            // Bits a second that leave nothing to hear (common practice, no source).
            words(&mut out, &["-b:a", &format!("{}k", 160 * spec.layout.channels())]);
        }
    }
    container(&mut out, target, preset);
    out.push(format!("file:{to}"));
    out
}

fn picture(out: &mut Vec<String>, target: &Target, coder: &str, quality: Option<u8>) {
    // A place to begin from every two seconds (common practice, no source).
    let group = (2 * target.rate.nominal()).to_string();
    let quality = quality.map(|q| q.to_string());
    match coder {
        "dnxhd" => words(out, &["-profile:v", "dnxhr_hqx"]),
        "prores_ks" => words(out, &["-profile:v", "3"]),
        "ffv1" => words(out, &["-level", "3", "-g", "1", "-slices", "4", "-slicecrc", "1", "-coder", "1"]),
        "libx264" => {
            let quality = quality.as_deref().unwrap_or("18");
            words(out, &["-preset", "slow", "-profile:v", "high", "-crf", quality, "-g", &group]);
        }
        "libsvtav1" => {
            words(out, &["-preset", "6", "-crf", quality.as_deref().unwrap_or("24"), "-g", &group]);
        }
        "libaom-av1" => {
            let quality = quality.as_deref().unwrap_or("24");
            words(out, &["-cpu-used", "6", "-crf", quality, "-b:v", "0", "-g", &group]);
        }
        _ => {}
    }
}

fn container(out: &mut Vec<String>, target: &Target, preset: Preset) {
    if let Some(label) = &target.timecode {
        match preset {
            Preset::Ffv1 => words(out, &["-metadata", &format!("timecode={label}")]),
            _ => words(out, &["-timecode", label]),
        }
    }
    if preset == Preset::Ffv1 {
        words(out, &["-f", "matroska"]);
        return;
    }
    // Ticks that every frame falls on.
    words(
        out,
        &[
            "-video_track_timescale",
            &(target.rate.frames * if target.rate.frames < 1000 { 1000 } else { 1 }).to_string(),
        ],
    );
    match preset.ending() {
        "mov" => words(out, &["-movflags", "+write_colr", "-f", "mov"]),
        _ => words(out, &["-movflags", "+write_colr+faststart", "-f", "mp4"]),
    }
}
