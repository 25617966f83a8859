//! Sound files: written and read back, damaged, and beside ffmpeg's reading where it is installed.

use std::io::Cursor;
use std::process::Command;

use endboard::media::sound::wave::{Bext, Depth, write};
use endboard::media::sound::{Outline, Sound, SoundError, SoundFormat, outline, read};
use proptest::prelude::*;

fn noise(rate: u32, channels: usize, samples: usize) -> Sound {
    let at = |c: usize, i: usize| ((i * channels + c) as u32).wrapping_mul(2_654_435_761) >> 8;
    let plane = |c: usize| (0..samples).map(|i| at(c, i) as f32 / 16_777_216.0 * 1.6 - 0.8).collect();
    Sound { rate, channels: (0..channels).map(plane).collect() }
}

fn bytes(sound: &Sound, depth: Depth) -> Vec<u8> {
    let bext = Bext { time_reference: 172_800_000, description: "br030".into(), ..Bext::default() };
    let mut out = Cursor::new(Vec::new());
    assert_eq!(write(&mut out, sound, depth, &bext).unwrap(), 0);
    out.into_inner()
}

/// EBU Tech 3285: the time reference counts samples since midnight; 172,800,000 at 48 kHz is 01:00:00.
#[test]
fn what_is_written_is_read_back() {
    for (channels, rate) in [(1, 44_100), (2, 48_000), (6, 48_000), (3, 96_000)] {
        let sound = noise(rate, channels, 70_001);
        let file = bytes(&sound, Depth::Float);
        assert_eq!(read(Cursor::new(file.clone())).unwrap(), sound);
        let told = outline(Cursor::new(file)).unwrap();
        let since_midnight = Some(172_800_000);
        assert_eq!(
            told,
            Outline {
                format: SoundFormat::Wave,
                rate,
                channels,
                samples: Some(70_001),
                since_midnight,
                is_late: false
            }
        );
        let whole = read(Cursor::new(bytes(&sound, Depth::Bits24))).unwrap();
        let worst = whole.channels.iter().flatten().zip(sound.channels.iter().flatten());
        assert!(worst.map(|(a, b)| (a - b).abs()).fold(0f32, f32::max) <= 1.0 / 8_388_607.0);
    }
}

#[test]
fn what_is_beyond_full_scale_is_cut_off_and_counted() {
    let sound = Sound { rate: 48_000, channels: vec![vec![0.5, 1.5, -2.0, 0.0]] };
    let mut out = Cursor::new(Vec::new());
    assert_eq!(write(&mut out, &sound, Depth::Bits24, &Bext::default()).unwrap(), 2);
    let back = read(Cursor::new(out.into_inner())).unwrap();
    assert!((back.channels[0][1] - 1.0).abs() < 1e-6 && (back.channels[0][2] + 1.0).abs() < 1e-6);
}

/// Samples come out as the nearest step of 24 bits, above and below nought alike.
#[test]
fn samples_are_rounded_not_cut() {
    let step = 1.0 / 8_388_608.0;
    let sound = Sound {
        rate: 48_000,
        channels: vec![[0.4, 0.6, -0.4, -0.6, 1000.6, -1000.6].map(|v| v * step).to_vec()],
    };
    let back = read(Cursor::new(bytes(&sound, Depth::Bits24))).unwrap();
    assert_eq!(back.channels[0], [0.0, 1.0, 0.0, -1.0, 1001.0, -1001.0].map(|v| v * step));
}

#[test]
fn the_digest_is_of_samples_not_of_files() {
    let sound = noise(48_000, 2, 500);
    let again = read(Cursor::new(bytes(&sound, Depth::Float))).unwrap();
    assert_eq!(again.digest(), sound.digest());
    let mut other = sound.clone();
    other.channels[1][499] += 1e-7;
    assert_ne!(other.digest(), sound.digest());
    assert_ne!(Sound { rate: 44_100, ..sound.clone() }.digest(), sound.digest());
    assert_eq!(
        Sound::silent(48_000, 1, 3).digest(),
        Sound { rate: 48_000, channels: vec![vec![-0.0; 3]] }.digest()
    );
}

#[test]
fn a_file_that_ends_early_says_how_much_it_holds() {
    let file = bytes(&noise(48_000, 2, 5000), Depth::Bits24);
    let cut = file[..file.len() - 6 * 1000].to_vec();
    match read(Cursor::new(cut)) {
        Err(SoundError::Truncated { told: 5000, held, .. }) => assert!(held <= 4000, "{held}"),
        other => panic!("{other:?}"),
    }
    assert!(matches!(read(Cursor::new(b"brine".to_vec())), Err(SoundError::System(_))));
    let mut wrong = bytes(&Sound { rate: 48_000, channels: vec![vec![f32::NAN; 9]] }, Depth::Float);
    assert!(matches!(read(Cursor::new(wrong.clone())), Err(SoundError::Damaged { .. })));
    wrong[24..28].copy_from_slice(&1_000_000_000u32.to_le_bytes());
    assert!(matches!(outline(Cursor::new(wrong)), Err(SoundError::Damaged { .. })));
}

/// Coded files, made by ffmpeg where it is installed: what it decodes and what this reader does are the same samples, to the
/// last bit for FLAC, to 1e-4 for codecs whose decoders may round otherwise.
#[test]
fn coded_files_are_what_ffmpeg_reads() {
    let folder = tempfile::tempdir().unwrap();
    let at = |name: &str| folder.path().join(name).to_string_lossy().into_owned();
    let runs = |words: &[&str]| {
        Command::new("ffmpeg").args(["-hide_banner", "-loglevel", "error", "-y"]).args(words).output()
    };
    let tone = "sine=frequency=440:sample_rate=48000:duration=1.5,volume=4";
    if !runs(&["-f", "lavfi", "-i", tone, "-ac", "2", &at("a.wav")]).is_ok_and(|out| out.status.success()) {
        eprintln!("ffmpeg is not installed: nothing compared");
        return;
    }
    for (name, codec, tolerance) in [
        ("a.flac", "flac", 0.0),
        ("a.mp3", "libmp3lame", 1e-4),
        ("a.ogg", "libvorbis", 1e-4),
        ("a.aac", "aac", 1e-4),
        // What the coder put before the sound is in the file's edit list, and not heard.
        ("a.m4a", "aac", 1e-4),
    ] {
        if !runs(&["-i", &at("a.wav"), "-c:a", codec, &at(name)]).unwrap().status.success() {
            eprintln!("ffmpeg has no {codec}: not compared");
            continue;
        }
        assert!(runs(&["-i", &at(name), "-c:a", "pcm_f32le", &at("b.wav")]).unwrap().status.success());
        let open = |name: &str| {
            read(std::fs::File::open(at(name)).unwrap()).unwrap_or_else(|e| panic!("{name}: {e}"))
        };
        let (ours, theirs) = (open(name), open("b.wav"));
        assert_eq!((ours.rate, ours.channels.len()), (48_000, 2), "{name}");
        // What it put behind the sound, to fill its last frame, may be left.
        let spare = if name == "a.m4a" { 1023 } else { 0 };
        assert!(ours.len() >= theirs.len() && ours.len() - theirs.len() <= spare, "{name}");
        assert!((ours.peak() - theirs.peak()).abs() < 1e-3, "{name}");
        let worst = ours.channels.iter().flatten().zip(theirs.channels.iter().flatten());
        let worst = worst.map(|(a, b)| (a - b).abs()).fold(0f32, f32::max);
        assert!(worst <= tolerance, "{name}: {worst}");
        let told = outline(std::fs::File::open(at(name)).unwrap()).unwrap();
        assert_eq!((told.rate, told.channels), (48_000, 2), "{name}");
        // ADTS has no head that could tell what the coder put before the sound; the others' heads do, or there is none.
        assert_eq!(told.is_late, name == "a.aac", "{name}");
        let whole = std::fs::read(at(name)).unwrap();
        let _ = read(Cursor::new(whole[..whole.len() / 2].to_vec()));
    }
}

/// A byte that was flipped anywhere in a coded file never makes the sound shorter or moves it: it is refused with the time into the
/// file, or it is as long as it was. FLAC's frames have check sums, Ogg's pages too: there the samples are those that were written.
#[test]
fn a_flipped_byte_loses_no_sound_in_silence() {
    let folder = tempfile::tempdir().unwrap();
    let at = |name: &str| folder.path().join(name).to_string_lossy().into_owned();
    let tone = "aevalsrc=0.3*sin(2765*t*(1+t))+0.05*random(0):s=48000:d=1";
    for (name, codec) in [
        ("a.flac", "flac"),
        ("a.mp3", "libmp3lame"),
        ("bare.mp3", "libmp3lame"),
        ("a.ogg", "libvorbis"),
        ("a.aac", "aac"),
        ("a.m4a", "aac"),
    ] {
        let bare: &[&str] = if name == "bare.mp3" { &["-write_xing", "0"] } else { &[] };
        let mut made = Command::new("ffmpeg");
        made.args(["-v", "error", "-y", "-f", "lavfi", "-i", tone, "-c:a", codec]).args(bare).arg(at(name));
        if !made.output().is_ok_and(|out| out.status.success()) {
            eprintln!("ffmpeg or its {codec} is not installed: nothing flipped");
            continue;
        }
        let file = std::fs::read(at(name)).unwrap();
        let clean = read(Cursor::new(file.clone())).unwrap_or_else(|e| panic!("{name}: {e}"));
        let mut kept = 0;
        // The last quarter of an MP4 is its head.
        for place in (file.len() / 4..file.len() * 3 / 4).step_by(file.len() / 140) {
            let mut flipped = file.clone();
            flipped[place] ^= 0xff;
            match read(Cursor::new(flipped)) {
                Err(error) => {
                    assert!(error.to_string().contains(" s into it"), "{name}, byte {place}: {error}");
                }
                Ok(sound) => {
                    assert_eq!(sound.len(), clean.len(), "{name}, byte {place}");
                    kept += 1;
                }
            }
        }
        if ["a.flac", "a.ogg"].contains(&name) {
            assert_eq!(kept, 0, "{name}");
        }
    }
}

/// A frame whose head was damaged is passed over by a decoder; what follows would be heard too early.
#[test]
fn a_frame_that_is_passed_over_is_told_of() {
    let folder = tempfile::tempdir().unwrap();
    for (name, codec, head) in [("a.mp3", "libmp3lame", [0xff, 0xfb]), ("a.aac", "aac", [0xff, 0xf1])] {
        let path = folder.path().join(name);
        let mut made = Command::new("ffmpeg");
        made.args([
            "-v",
            "error",
            "-y",
            "-f",
            "lavfi",
            "-i",
            "sine=frequency=440:sample_rate=48000:duration=1",
        ]);
        if !made.args(["-c:a", codec]).arg(&path).output().is_ok_and(|out| out.status.success()) {
            eprintln!("ffmpeg or its {codec} is not installed: nothing damaged");
            continue;
        }
        let file = std::fs::read(&path).unwrap();
        let place = (file.len() / 2..).find(|&at| file[at..at + 2] == head).unwrap();
        let mut damaged = file.clone();
        damaged[place] = 0;
        match read(Cursor::new(damaged)) {
            Err(SoundError::Damaged { what, .. }) => {
                let seconds = what.strip_prefix("a part of it cannot be decoded, ").unwrap();
                let seconds: f64 = seconds.strip_suffix(" s into it").unwrap().parse().unwrap();
                assert!((seconds - 0.5).abs() < 0.1, "{name}: {what}");
            }
            other => panic!("{name}: {:?}", other.map(|sound| sound.len())),
        }
        // What people's programs write behind the sound is none.
        let mut tagged = file.clone();
        tagged.extend(b"TAG");
        tagged.extend([b' '; 125]);
        let whole = read(Cursor::new(file)).unwrap();
        if name == "a.mp3" {
            assert_eq!(read(Cursor::new(tagged)).unwrap().digest(), whole.digest());
        }
    }
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 200, ..ProptestConfig::default() })]

    /// Whatever a file holds, reading ends with samples or words.
    #[test]
    fn damaged_files_never_break_the_reader(
        places in proptest::collection::vec((0usize..600, any::<u8>()), 1..8),
        kept in 0usize..700,
        kind in 0usize..5,
    ) {
        let heads: [&[u8]; 4] = [b"fLaC\0\0\0\x22", b"OggS\0\x02", b"\0\0\0\x20ftypM4A ", b"\xff\xfb\x90\x64"];
        let mut file = bytes(&noise(48_000, 2, 16), Depth::Bits24);
        if kind > 0 {
            file.splice(0..heads[kind - 1].len(), heads[kind - 1].iter().copied());
        }
        for (place, value) in places {
            let place = place % file.len();
            file[place] = value;
        }
        file.truncate(kept);
        let _ = outline(Cursor::new(file.clone()));
        if let Ok(sound) = read(Cursor::new(file)) {
            prop_assert!(sound.channels.iter().flatten().all(|v| v.is_finite()));
        }
    }
}
