//! Prints as they are prepared and drawn. Knows small frames; glyphs are held against another library elsewhere.

use super::*;
use crate::base::problem::SourceId;
use crate::base::speed::Run;
use crate::base::yaml;
use crate::media::image::Image;
use crate::operators::WorkingSpace;
use crate::operators::image::trial;

const RATE: Rate = Rate::new(24, 1);
const SIZE: (u32, u32) = (320, 180);

fn slot(at: i64, shot: &str, first: i64, last: i64) -> Slot {
    let source = FrameRange::new(first, last);
    Slot {
        at,
        input: Some(0),
        run: Run::of(source),
        leaves: false,
        wipe: None,
        shot: shot.into(),
        stage: "colour".into(),
    }
}

fn ready_as(film: &str, settings: &str, cut: &[Slot]) -> Result<Box<dyn Prepared>, Problems> {
    let (value, problems) = yaml::parse(SourceId(0), settings);
    assert!(problems.is_empty(), "{problems:?}");
    let map = value.and_then(|v| v.map().cloned()).unwrap_or_default();
    let span = Span::new(SourceId(0), 0, 0);
    let numbers = Numbers::of(&map, span, RATE, None, 100).map_err(|problem| vec![problem])?;
    let setup = Setup {
        settings: &map,
        span,
        files: &Default::default(),
        frames: numbers.all,
        frame_size: SIZE,
        rate: RATE.per_second(),
        working_space: WorkingSpace::LinearRec709,
        inputs: &[trial::connected(0, "", &RGBA)],
        cut,
    };
    Print.ready(&setup, Told { film, rate: RATE, numbers: Ok(numbers) })
}

fn ready(settings: &str) -> Box<dyn Prepared> {
    ready_as("Brine", settings, &[slot(1, "br030", 1009, 1058), slot(61, "br040", 1001, 1040)]).unwrap()
}

fn grey(level: f32) -> Image {
    let mut image = Image::new(SIZE.0, SIZE.1, &RGBA);
    for channel in 0..4 {
        image.samples_mut(channel).fill(half::f16::from_f32(if channel == 3 { 1.0 } else { level }));
    }
    image
}

fn drawn(prepared: &dyn Prepared, frame: i64, level: f32) -> Image {
    let film_frame = prepared.reach(0, frame);
    let frames = vec![film_frame.iter().map(|n| (n, Arc::new(grey(level)))).collect()];
    prepared.apply(&Inputs { frames: &frames, raster: None }, frame).unwrap()
}

#[test]
fn frames_are_numbered_as_timecode_counts() {
    let of = |settings: &str, rate: Rate, starts| {
        let (value, _) = yaml::parse(SourceId(0), settings);
        let map = value.and_then(|v| v.map().cloned()).unwrap_or_default();
        Numbers::of(&map, Span::new(SourceId(0), 0, 0), rate, starts, 100)
    };
    let numbers = of("{ leader: 8, tail: 3 }", RATE, None).unwrap();
    assert_eq!(
        (numbers.pictures, numbers.all),
        (FrameRange::new(86_400, 86_499), FrameRange::new(86_208, 86_571))
    );
    assert_eq!(numbers.counting.label(numbers.all.first).to_string(), "00:59:52:00");
    // The cut says where it starts, unless the print does.
    assert_eq!(of("{}", RATE, Some((240, false))).unwrap().all, FrameRange::new(240, 339));
    assert_eq!(of("{ starts: '00:00:20:00' }", RATE, Some((240, false))).unwrap().all.first, 480);
    let ntsc = Rate::new(30_000, 1001);
    assert_eq!(of("{ starts: '01:00:00;00' }", ntsc, None).unwrap().pictures.first, 107_892);
    assert_eq!(
        of("{}", ntsc, Some((107_892, true))).unwrap().counting.label(107_892).to_string(),
        "01:00:00;00"
    );
    for (settings, rate, message) in [
        ("{ starts: noon }", RATE, "'noon' is no timecode at 24 frames a second"),
        ("{ starts: '01:00:00;00' }", RATE, "'01:00:00;00' is no timecode at 24 frames a second"),
        ("{ starts: '00:00:07:00', leader: 8 }", RATE, "the leader would begin before 00:00:00:00"),
    ] {
        assert_eq!(of(settings, rate, None).unwrap_err().message, message);
    }
}

/// Positions of the 2-pop for common rates, counted by hand: two seconds of timecode before the first frame.
#[test]
fn outside_check_pops() {
    for (rate, drops, start, pop) in [
        (RATE, false, "01:00:00:00", "00:59:58:00"),
        (Rate::new(25, 1), false, "10:00:00:00", "09:59:58:00"),
        (Rate::new(30_000, 1001), true, "01:00:00;00", "00:59:58;00"),
        (RATE, false, "01:00:08:00", "01:00:06:00"),
    ] {
        let counting = if drops { Counting::drop_frame(rate) } else { Counting::non_drop(rate) }.unwrap();
        let first = counting.parse(start).unwrap();
        let [head, tail] = leader::pops(FrameRange::new(first, first + 999), rate.nominal().into());
        assert_eq!(head, counting.parse(pop).unwrap(), "{start}");
        assert_eq!(tail - (first + 999), first - head);
    }
}

#[test]
fn an_eight_second_leader_counts_from_eight_and_is_black_after_its_two() {
    let pictures = FrameRange::new(86_400, 86_499);
    let mark = |before: i64| Mark::of(86_400 - before, 86_208, pictures, 24);
    assert_eq!(mark(192), Mark::Start);
    assert_eq!(mark(191), Mark::Count(8, 2));
    assert_eq!(mark(169), Mark::Count(8, 24));
    assert_eq!(mark(168), Mark::Count(7, 1));
    assert_eq!(mark(49), Mark::Count(3, 24));
    assert_eq!(mark(48), Mark::Head);
    for before in 1..48 {
        assert_eq!(mark(before), Mark::Black);
    }
    let after = |frame: i64| Mark::of(86_499 + frame, 86_208, pictures, 24);
    assert_eq!(
        (after(1), after(47), after(48), after(49)),
        (Mark::Black, Mark::Black, Mark::Tail, Mark::Black)
    );
}

/// Relative luminance's share of the field that changes stays far below what counts as a flash (a quarter of any ten
/// degrees of the field, and a tenth of full white; WCAG 2.2, general flash).
#[test]
fn no_leader_frame_flashes() {
    let print = ready("{ leader: 8, tail: 3 }");
    let leaders: Vec<i64> = (86_208..86_400).chain(86_500..86_572).collect();
    let mut before = grey(0.0).plane_f32(1);
    for frame in leaders {
        let now = drawn(&*print, frame, 0.0).plane_f32(1);
        let changed = now.iter().zip(&before).filter(|(a, b)| (*a - *b).abs() >= 0.1).count();
        let share = changed as f64 / now.len() as f64;
        assert!(share < 0.12, "{frame}: {share}");
        before = now;
    }
}

#[test]
fn keys_hold_the_words_of_their_frame() {
    let print = ready("{ leader: 3, burn_in: { bottom-left: \"{shot}/{stage} {frame}\" } }");
    let key = |print: &dyn Prepared, frame| trial::key(print, frame);
    // Ten frames of black between the shots are alike, and so is the black of the leader.
    assert_eq!(key(&*print, 86_450), key(&*print, 86_459));
    assert_eq!(key(&*print, 86_399), key(&*print, 86_398));
    assert_ne!(key(&*print, 86_400), key(&*print, 86_401));
    // Another name of the film changes what shows it and nothing else.
    let cut = [slot(1, "br030", 1009, 1058), slot(61, "br040", 1001, 1040)];
    let settings = "{ leader: 3, burn_in: { bottom-left: \"{shot}/{stage} {frame}\" } }";
    let other = ready_as("Salt", settings, &cut).unwrap();
    let changed: Vec<i64> = (86_328..86_500).filter(|&n| key(&*print, n) != key(&*other, n)).collect();
    assert_eq!(changed, (86_328..=86_352).collect::<Vec<_>>());
    // Another shot's new name changes that shot's frames.
    let renamed = ready_as("Brine", settings, &[cut[0].clone(), slot(61, "br041", 1001, 1040)]).unwrap();
    let changed: Vec<i64> = (86_328..86_500).filter(|&n| key(&*print, n) != key(&*renamed, n)).collect();
    assert_eq!(changed, (86_460..86_500).collect::<Vec<_>>());
}

#[test]
fn without_words_the_picture_is_the_films_own() {
    let print = ready("{ leader: 2, ground: 0.5 }");
    assert_eq!(drawn(&*print, 86_400, 0.3), grey(0.3));
    assert_eq!(print.reach(0, 86_400), FrameRange::one(1));
    assert_eq!(print.reach(0, 86_499), FrameRange::one(100));
    assert!(print.reach(0, 86_399).is_empty());
    let plain = trial::key(&*ready("{ leader: 2 }"), 86_400);
    assert_eq!(trial::key(&*print, 86_400), plain);
}

#[test]
fn words_can_be_read_on_any_picture_and_stay_in_their_corner() {
    let settings = "{ size: 8, burn_in: { top-right: \"{timecode}\" } }";
    for level in [0.0, 0.2, 1.0, 50.0] {
        let image = drawn(&*ready(settings), 86_410, level);
        let plane = image.plane_f32(1);
        let width = SIZE.0 as usize;
        let inside: Vec<f32> = (9..38).flat_map(|y| plane[y * width + 160..][..144].to_vec()).collect();
        let (low, high) = inside.iter().fold((f32::MAX, 0.0f32), |(l, h), &v| (l.min(v), h.max(v)));
        assert!(high > 0.7 && low <= 0.4 * level.min(1.0) + 1e-3, "{level}: {low} {high}");
        // Contrast by WCAG 2.2's formula, at least 1.7 : 1 on a clipped picture and far more on any other.
        assert!((0.75 + 0.05) / (low + 0.05) > 1.7, "{level}");
        let elsewhere = plane.iter().enumerate().filter(|(i, _)| i / width > 45 || i % width < 100);
        assert!(elsewhere.map(|(_, v)| *v).all(|v| v == half::f16::from_f32(level).to_f32()));
        assert!(image.plane_f32(3).iter().all(|&a| a == 1.0));
    }
}

#[test]
fn long_lines_are_made_to_fit() {
    let words = "brine ".repeat(30);
    let image = drawn(&*ready(&format!("{{ size: 10, burn_in: {{ bottom: \"{words}\" }} }}")), 86_410, 0.2);
    let plane = image.plane_f32(1);
    let level = half::f16::from_f32(0.2).to_f32();
    let width = SIZE.0 as usize;
    let columns: Vec<usize> = (0..plane.len()).filter(|&i| plane[i] != level).map(|i| i % width).collect();
    assert!(*columns.iter().min().unwrap() >= 15 && *columns.iter().max().unwrap() <= 305);
}

#[test]
fn wrong_settings_are_told_all_at_once() {
    let settings = "{ leader: 90, sise: 3, ground: 2, burn_in: { middle: x, top: \"{shto} {x} {\", bottom: [1], top-left: \"{shto}\" } }";
    let problems = ready_as("Brine", settings, &[]).err().unwrap();
    let said: Vec<&str> = problems.iter().map(|p| p.message.as_str()).collect();
    assert_eq!(said.len(), 7, "{said:?}");
    for words in
        ["90 is out of range", "no setting 'sise'", "2 is out of range", "'middle' is no place", "{shto}"]
    {
        assert!(said.iter().any(|message| message.contains(words)), "{words}: {said:?}");
    }
    assert!(problems.iter().any(|p| p.help.as_deref() == Some("did you mean {shot}?")));
    let cautions = ready_as("塩", "{ burn_in: { top: \"{film}\" } }", &[]).unwrap().cautions();
    assert_eq!(cautions.len(), 1);
    assert!(trial::prepare(&Print, "{}", None, &[]).err().unwrap()[0].message.contains("no stage of a shot"));
}
