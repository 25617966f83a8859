//! Movies made through ffmpeg and held against their source, and what happens when something goes wrong on the way.
//!
//! Knows small made-up frames and sounds. Passes without checking where there is no ffmpeg.

use std::fs;
use std::os::unix::fs::PermissionsExt;
use std::path::{Path, PathBuf};
use std::process::Command;

use endboard::base::layout::Layout;
use endboard::base::rate::Rate;
use endboard::deliver::encode::{MovieError, Source, Step, Tools, encode, make};
use endboard::deliver::target::{Colour, Kind, Preset, SoundSpec, Target};
use endboard::deliver::verify::{self, Report};
use endboard::media::image::Raster;
use endboard::media::sound::Sound;
use endboard::programs::Runner;

const FRAMES: u64 = 12;

fn has_ffmpeg() -> bool {
    let found = ["ffmpeg", "ffprobe"].iter().all(|name| Command::new(name).arg("-version").output().is_ok());
    if !found {
        eprintln!("there is no ffmpeg: nothing checked");
    }
    found
}

/// Soft colours that move, with a hard edge.
fn frame((width, height): (u32, u32), index: u64) -> Raster {
    let value = |p: usize, i: u32| {
        let (x, y) = ((i % width) as f32 / width as f32, (i / width) as f32 / height as f32);
        let wave = (6.3 * (x * (1.0 + p as f32) + y + index as f32 / 12.0)).sin();
        if x > 0.7 && y > 0.6 { 0.9 } else { 0.5 + 0.35 * wave }
    };
    let plane = |p: usize| (0..width * height).map(|i| value(p, i)).collect();
    let planes = ["R", "G", "B"].iter().zip(0..).map(|(n, p)| (n.to_string(), plane(p))).collect();
    Raster { width, height, planes, straight_alpha: false }
}

/// A tone of its own in each channel, louder from one to the next, so that none can be taken for another.
fn tones(target: &Target) -> Option<Sound> {
    let spec = target.sound?;
    let mut sound =
        Sound::silent(spec.rate, spec.layout.channels(), target.samples(FRAMES, spec.rate) as usize);
    for (c, channel) in sound.channels.iter_mut().enumerate() {
        // Low enough for the fourth channel, which coders cut off above a few hundred hertz at most.
        let step = (50.0 + 20.0 * c as f32) * 6.283_185_5 / spec.rate as f32;
        let level = 0.1 + 0.05 * c as f32;
        channel.iter_mut().enumerate().for_each(|(n, v)| *v = level * (step * n as f32).sin());
    }
    Some(sound)
}

fn target(preset: Preset) -> Target {
    Target {
        name: "film".into(),
        kind: Kind::Movie { preset, quality: None },
        colour: Colour::Bt709,
        size: match preset {
            Preset::Vc3 => (256, 120),
            Preset::Av1 => (96, 64),
            _ => (96, 54),
        },
        rate: Rate::new(24, 1),
        timecode: Some("00:59:52:00".into()),
        sound: Some(SoundSpec { layout: Layout::Stereo, rate: 48_000 }),
        limits: preset.limits(),
    }
}

fn run(target: &Target, folder: &Path, tools: &Tools) -> Result<(PathBuf, Report), MovieError> {
    let sound = tones(target);
    let mut picture = |index| Ok(frame(target.size, index));
    let mut source = Source { frames: FRAMES, picture: &mut picture, sound: sound.as_ref() };
    make(target, &mut source, folder, tools, &Runner::alone().unwrap(), &mut |_| {})
}

fn names(folder: &Path) -> Vec<String> {
    let entries = fs::read_dir(folder).unwrap();
    entries.map(|entry| entry.unwrap().file_name().into_string().unwrap()).collect()
}

/// Makes a movie twice and looks at everything that is told of it.
fn check(target: &Target) -> (tempfile::TempDir, PathBuf, Report) {
    let folder = tempfile::tempdir().unwrap();
    let (path, report) =
        run(target, folder.path(), &Tools::default()).unwrap_or_else(|error| panic!("{target:?}: {error}"));
    assert_eq!(report.faults, Vec::<String>::new());
    assert_eq!(report.frames, FRAMES);
    assert_eq!(names(folder.path()), [path.file_name().unwrap().to_str().unwrap()], "nothing else is left");
    assert_eq!(fs::metadata(&path).unwrap().permissions().mode() & 0o444, 0o444);
    let again = tempfile::tempdir().unwrap();
    let (second, _) = run(target, again.path(), &Tools::default()).unwrap();
    assert_eq!(fs::read(&path).unwrap(), fs::read(second).unwrap(), "the same bytes");
    (folder, path, report)
}

fn find(bytes: &[u8], word: &[u8]) -> Option<usize> {
    bytes.windows(word.len()).position(|window| window == word)
}

/// What follows `colr` in the container: kind, primaries, transfer, matrix, and of `nclx` whether the range is full.
fn container_colour(bytes: &[u8]) -> (String, [u16; 3]) {
    let at = find(bytes, b"colr").expect("the container tells the colour") + 4;
    let word = |n: usize| u16::from_be_bytes([bytes[at + 4 + 2 * n], bytes[at + 5 + 2 * n]]);
    (String::from_utf8_lossy(&bytes[at..at + 4]).into_owned(), [word(0), word(1), word(2)])
}

/// What a stream tells of its colour when it is taken out of its container.
fn stream_colour(path: &Path, form: &str) -> Vec<String> {
    let bare = path.with_extension(form);
    let took = Command::new("ffmpeg")
        .args(["-v", "error", "-y", "-i"])
        .arg(path)
        .args(["-map", "0:v:0", "-c", "copy", "-f", form])
        .arg(&bare)
        .status()
        .unwrap();
    assert!(took.success());
    let said = Command::new("ffprobe")
        .args(["-v", "error", "-select_streams", "v:0", "-of", "default=nk=1:nw=1"])
        .args(["-show_entries", "stream=color_range,color_space,color_transfer,color_primaries", "-f", form])
        .arg(&bare)
        .output()
        .unwrap();
    String::from_utf8(said.stdout).unwrap().lines().map(str::to_string).collect()
}

#[test]
fn vc_3_goes_on_to_further_work() {
    if has_ffmpeg() {
        let (_folder, path, report) = check(&target(Preset::Vc3));
        assert!(report.luma.least > 45.0, "{:?}", report.luma);
        assert!(report.sound.unwrap().is_exact);
        let bytes = fs::read(path).unwrap();
        assert_eq!(container_colour(&bytes), ("nclc".into(), [1, 1, 1]));
        let wide = Target { colour: Colour::Pq, ..target(Preset::Vc3) };
        let (_folder, path, _) = check(&wide);
        assert_eq!(container_colour(&fs::read(path).unwrap()), ("nclc".into(), [9, 16, 9]));
    }
}

#[test]
fn rdd_36_goes_on_to_further_work() {
    if has_ffmpeg() {
        for (colour, numbers) in
            [(Colour::Bt709, [1, 1, 1]), (Colour::Pq, [9, 16, 9]), (Colour::Hlg, [9, 18, 9])]
        {
            let (_folder, path, report) = check(&Target { colour, ..target(Preset::Rdd36) });
            assert!(report.luma.least > 45.0, "{:?}", report.luma);
            let bytes = fs::read(path).unwrap();
            assert_eq!(container_colour(&bytes), ("nclc".into(), numbers));
            // RDD 36's frame header: primaries, transfer and matrix are its bytes 14 to 16, after size and mark.
            let at = find(&bytes, b"icpf").unwrap() + 4 + 14;
            assert_eq!([bytes[at], bytes[at + 1], bytes[at + 2]].map(u16::from), numbers);
        }
    }
}

#[test]
fn ffv1_keeps_every_bit() {
    if has_ffmpeg() {
        for colour in [Colour::Bt709, Colour::Pq, Colour::Hlg] {
            let (_folder, _, report) = check(&Target { colour, ..target(Preset::Ffv1) });
            assert_eq!(report.all.least, f64::INFINITY);
            assert!(report.sound.unwrap().is_exact);
        }
    }
}

#[test]
fn h264_plays_before_it_is_whole() {
    if has_ffmpeg() {
        let (_folder, path, report) = check(&target(Preset::H264));
        assert!(report.luma.least > 38.0, "{:?}", report.luma);
        let bytes = fs::read(&path).unwrap();
        assert!(find(&bytes, b"moov").unwrap() < find(&bytes, b"mdat").unwrap());
        assert_eq!(container_colour(&bytes), ("nclx".into(), [1, 1, 1]));
        assert_eq!(stream_colour(&path, "h264"), ["tv", "bt709", "bt709", "bt709"]);
        assert!(report.sound.unwrap().residues.iter().all(|residue| *residue < -40.0));
    }
}

#[test]
fn av1_tells_its_colour_inside_and_outside() {
    if has_ffmpeg() {
        for (colour, numbers, words) in [
            (Colour::Bt709, [1, 1, 1], ["tv", "bt709", "bt709", "bt709"]),
            (Colour::Pq, [9, 16, 9], ["tv", "bt2020nc", "smpte2084", "bt2020"]),
            (Colour::Hlg, [9, 18, 9], ["tv", "bt2020nc", "arib-std-b67", "bt2020"]),
        ] {
            let (_folder, path, report) = check(&Target { colour, ..target(Preset::Av1) });
            assert!(report.luma.least > 36.0, "{:?}", report.luma);
            let bytes = fs::read(&path).unwrap();
            assert!(find(&bytes, b"moov").unwrap() < find(&bytes, b"mdat").unwrap());
            assert_eq!(container_colour(&bytes), ("nclx".into(), numbers));
            assert_eq!(stream_colour(&path, "obu"), words);
        }
    }
}

/// Six tones stay in their channels, through coders that keep another order inside.
#[test]
fn channels_keep_their_places() {
    if has_ffmpeg() {
        for preset in [Preset::Rdd36, Preset::Ffv1, Preset::H264] {
            for layout in [Layout::Mono, Layout::FiveOne] {
                let sound = Some(SoundSpec { layout, rate: 48_000 });
                let (_folder, _, report) = check(&Target { sound, ..target(preset) });
                let sound = report.sound.unwrap();
                assert_eq!(sound.differences.len(), layout.channels());
                assert_eq!(sound.is_exact, preset.keeps_samples());
                // A channel at another's place would leave as much as there was.
                assert!(
                    sound.residues.iter().all(|residue| *residue < -40.0),
                    "{preset} {layout:?} {sound:?}"
                );
            }
        }
    }
}

#[test]
fn rates_and_labels_of_the_trade_are_kept() {
    if has_ffmpeg() {
        for (rate, label) in [
            (Rate::new(25, 1), "10:00:00:24"),
            (Rate::new(24_000, 1001), "01:00:00:00"),
            (Rate::new(30_000, 1001), "00:59:58;28"),
        ] {
            for preset in [Preset::Rdd36, Preset::Ffv1, Preset::H264] {
                check(&Target { rate, timecode: Some(label.into()), ..target(preset) });
            }
        }
        check(&Target { timecode: None, sound: None, ..target(Preset::H264) });
    }
}

/// A program of one's own in the place of ffmpeg.
fn stand_in(folder: &Path, name: &str, text: &str) -> PathBuf {
    let path = folder.join(name);
    fs::write(&path, format!("#!/bin/sh\n{text}\n")).unwrap();
    fs::set_permissions(&path, fs::Permissions::from_mode(0o755)).unwrap();
    path
}

const CODERS: &str =
    "case \"$*\" in *-encoders*) echo ' V..... libx264 x'; echo ' A..... aac x'; exit 0;; esac";

/// What a run with such a program ends with, and that it leaves nothing.
fn fails(text: &str) -> MovieError {
    let folder = tempfile::tempdir().unwrap();
    let program = stand_in(folder.path(), "coder", text);
    let tools = Tools { ffmpeg: program, ..Tools::default() };
    let to = folder.path().join("to");
    fs::create_dir(&to).unwrap();
    let error = run(&target(Preset::H264), &to, &tools).unwrap_err();
    assert_eq!(names(&to), Vec::<String>::new());
    error
}

#[test]
fn a_program_that_fails_leaves_nothing_and_says_why() {
    let error = fails("exit 3");
    assert!(matches!(&error, MovieError::Failed { .. }), "{error}");
    let error = fails("echo ' V..... mpeg4 x'");
    assert!(matches!(&error, MovieError::NoCoder { coders, .. } if coders == "libx264"), "{error}");
    let error = fails(&format!("{CODERS}\nhead -c 9000 > /dev/null; echo 'the lamp went out' >&2; exit 1"));
    assert!(error.to_string().contains("the lamp went out"), "{error}");
    let error =
        fails(&format!("{CODERS}\nhead -c 9000 > /dev/null; echo 'x: No space left on device' >&2; exit 1"));
    assert!(matches!(&error, MovieError::Full(_)), "{error}");
    // It may say so and end well.
    let error = fails(&format!("{CODERS}\ncat > /dev/null; echo 'x: No space left on device' >&2"));
    assert!(matches!(&error, MovieError::Full(_)), "{error}");
    // One that ends well without having taken its frames has not made the movie.
    let error = fails(&format!("{CODERS}\nexit 0"));
    assert!(matches!(&error, MovieError::Failed { .. }), "{error}");
    let error = fails(&format!("{CODERS}\nwhile :; do echo complaint >&2; done"));
    assert!(error.to_string().contains("without end"), "{error}");
    let folder = tempfile::tempdir().unwrap();
    let tools = Tools { ffmpeg: folder.path().join("none"), ..Tools::default() };
    let error = run(&target(Preset::H264), folder.path(), &tools).unwrap_err();
    assert!(error.to_string().contains("not installed"), "{error}");
}

#[test]
fn what_does_not_fit_is_refused_before_anything_runs() {
    let folder = tempfile::tempdir().unwrap();
    let tools = Tools { ffmpeg: folder.path().join("none"), ..Tools::default() };
    let wrong = Target { size: (95, 54), ..target(Preset::H264) };
    let error = run(&wrong, folder.path(), &tools).unwrap_err();
    assert!(matches!(&error, MovieError::Unfit(problems) if problems.len() == 1), "{error}");
    let target = target(Preset::H264);
    let mut picture = |index| Ok(frame(target.size, index));
    let short = Sound::silent(48_000, 2, 100);
    let mut source = Source { frames: FRAMES, picture: &mut picture, sound: Some(&short) };
    let runner = Runner::alone().unwrap();
    let error = make(&target, &mut source, folder.path(), &tools, &runner, &mut |_| {}).unwrap_err();
    assert!(error.to_string().contains("make them one length"), "{error}");
    fs::write(folder.path().join("film.mp4"), "approved").unwrap();
    let sound = tones(&target);
    let mut source = Source { frames: FRAMES, picture: &mut picture, sound: sound.as_ref() };
    let error = make(&target, &mut source, folder.path(), &tools, &runner, &mut |_| {}).unwrap_err();
    assert!(matches!(error, MovieError::Disk { .. }));
    assert_eq!(fs::read(folder.path().join("film.mp4")).unwrap(), b"approved");
}

#[test]
fn a_frame_that_cannot_be_had_or_a_stop_ends_it_all() {
    if !has_ffmpeg() {
        return;
    }
    let folder = tempfile::tempdir().unwrap();
    let target = Target { sound: None, ..target(Preset::H264) };
    let mut picture =
        |index| if index == 5 { Err("it was never rendered".into()) } else { Ok(frame(target.size, index)) };
    let mut source = Source { frames: FRAMES, picture: &mut picture, sound: None };
    let runner = Runner::alone().unwrap();
    let error =
        make(&target, &mut source, folder.path(), &Tools::default(), &runner, &mut |_| {}).unwrap_err();
    assert_eq!(error.to_string(), "frame 6 of 12: it was never rendered");
    assert_eq!(names(folder.path()), Vec::<String>::new());
    let mut picture = |index| Ok(frame(target.size, index));
    let mut source = Source { frames: FRAMES, picture: &mut picture, sound: None };
    let mut steps = Vec::new();
    let mut tell = |step| {
        steps.push(step);
        if step == Step::Coded(3) {
            runner.halt.hurry();
        }
    };
    let error = make(&target, &mut source, folder.path(), &Tools::default(), &runner, &mut tell).unwrap_err();
    assert!(matches!(error, MovieError::Stopped), "{error}");
    assert_eq!(steps, [1, 2, 3].map(Step::Coded));
    assert_eq!(names(folder.path()), Vec::<String>::new());
}

/// The same movie against sources that are a little different.
#[test]
fn a_check_finds_what_is_wrong() {
    if !has_ffmpeg() {
        return;
    }
    let folder = tempfile::tempdir().unwrap();
    let (tools, runner) = (Tools::default(), Runner::alone().unwrap());
    let target = target(Preset::Ffv1);
    let sound = tones(&target).unwrap();
    let mut picture = |index| Ok(frame(target.size, index));
    let mut source = Source { frames: FRAMES, picture: &mut picture, sound: Some(&sound) };
    let movie = encode(&target, &mut source, folder.path(), &tools, &runner, &mut |_| {}).unwrap();
    let faults = |target: &Target, frames: u64, sound: &Sound, wrong: u64| {
        let mut picture = |index| {
            let mut picture = frame(target.size, index);
            if index == wrong {
                picture.planes[2].1[7] += 2.0 / 65535.0;
            }
            Ok(picture)
        };
        let mut source = Source { frames, picture: &mut picture, sound: Some(sound) };
        verify::movie(movie.path(), target, &mut source, &tools, &runner, &mut |_| {})
            .unwrap()
            .faults
            .join("\n")
    };
    assert_eq!(faults(&target, FRAMES, &sound, 99), "");
    assert!(faults(&target, FRAMES + 1, &sound, 99).contains("12 frames came out of 13"));
    assert!(faults(&target, FRAMES - 1, &sound, 99).contains("12 frames came out of 11"));
    assert!(faults(&target, FRAMES, &sound, 4).starts_with("frame 5 keeps"));
    let mut other = sound.clone();
    other.channels.swap(0, 1);
    assert!(faults(&target, FRAMES, &other, 99).contains("not those of its source"));
    other = sound.clone();
    other.channels.iter_mut().for_each(|channel| channel.truncate(23_000));
    assert!(faults(&target, FRAMES, &other, 99).contains("24000 samples came out of 23000"));
    for (other, says) in [
        (Target { colour: Colour::Pq, ..target.clone() }, "the transfer is bt709, not smpte2084"),
        (Target { rate: Rate::new(25, 1), ..target.clone() }, "the rate is 24/1, not 25/1"),
        (
            Target { timecode: Some("01:00:00:00".into()), ..target.clone() },
            "the timecode is 00:59:52:00, not 01:00:00:00",
        ),
        (Target { size: (96, 52), ..target.clone() }, "the size is 96 x 54, not 96 x 52"),
        (
            Target { kind: Kind::Movie { preset: Preset::Rdd36, quality: None }, ..target.clone() },
            "yuv422p10le",
        ),
        (
            Target { sound: Some(SoundSpec { layout: Layout::Mono, rate: 48_000 }), ..target.clone() },
            "the channels are",
        ),
    ] {
        let found = faults(&other, FRAMES, &sound, 99);
        let says = says.replace("the channels are", "the channels is stereo, not mono");
        assert!(found.contains(&says), "{found}");
    }
}

/// A decoder that gives all frames and then dies, or finds something wrong with the file, is heard.
#[test]
fn a_decoder_that_dies_or_complains_is_heard() {
    if !has_ffmpeg() {
        return;
    }
    for (after, says) in [
        ("head -c 20000; echo 'the lamp went out' >&2; exit 1", "failed at frame 2 of 12: the lamp went out"),
        ("cat; echo 'the lamp went out' >&2; exit 1", "failed at frame 12 of 12: the lamp went out"),
        ("cat; echo 'the lamp flickers' >&2", "decoded again, it is not sound: the lamp flickers"),
        ("cat; printf brine", "its picture ends within frame 13"),
    ] {
        let text = format!(
            "case \"$*\" in *rawvideo*pipe:1) ffmpeg \"$@\" | {{ {after}; }}; exit $?;; esac\nexec ffmpeg \"$@\""
        );
        let error = fails(&text).to_string();
        assert!(error.contains(says), "{after}: {error}");
    }
}

/// Sound as loud as its source in every channel, and yet another.
#[test]
fn another_sound_of_the_same_level_is_found() {
    if !has_ffmpeg() {
        return;
    }
    let folder = tempfile::tempdir().unwrap();
    let (tools, runner) = (Tools::default(), Runner::alone().unwrap());
    let target = target(Preset::H264);
    let sound = tones(&target).unwrap();
    let mut picture = |index| Ok(frame(target.size, index));
    let mut source = Source { frames: FRAMES, picture: &mut picture, sound: Some(&sound) };
    let movie = encode(&target, &mut source, folder.path(), &tools, &runner, &mut |_| {}).unwrap();
    let mut faults = |sound: &Sound| {
        let mut source = Source { frames: FRAMES, picture: &mut picture, sound: Some(sound) };
        verify::movie(movie.path(), &target, &mut source, &tools, &runner, &mut |_| {}).unwrap().faults
    };
    assert_eq!(faults(&sound), Vec::<String>::new());
    // Turned over it is as loud, and what is left is twice as much.
    let mut other = sound.clone();
    other.channels.iter_mut().flatten().for_each(|v| *v = -*v);
    let found = faults(&other);
    assert!(found.len() == 2 && found[1].starts_with("channel 2 differs from its source by "), "{found:?}");
    // Five milliseconds late.
    let mut late = sound.clone();
    late.channels[1].rotate_right(240);
    assert!(faults(&late).iter().any(|fault| fault.contains("comes at another time")));
    // What is not a number is not silence.
    let mut odd = sound;
    odd.channels[0][500] = f32::NAN;
    assert!(!faults(&odd).is_empty());
}
