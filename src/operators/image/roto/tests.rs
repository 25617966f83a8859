//! The operator whole: its mattes, its reach, its key.

use super::*;
use crate::operators::image::trial::{connected, key, prepare, prepare_from};

const NOTHING: Inputs<'_> = Inputs { frames: &[], raster: None };

fn sum(image: &Image, channel: usize) -> f32 {
    image.plane_f32(channel).iter().sum()
}

#[test]
fn shapes_join_in_order() {
    let file = "
mattes:
  ring:
    shapes:
      - keys: { 1: [[10, 10], [50, 10], [50, 50], [10, 50]] }
      - { mode: subtract, keys: { 1: [[20, 20], [40, 20], [40, 40], [20, 40]] } }
  corner:
    shapes:
      - keys: { 1: [[10, 10], [50, 10], [50, 50], [10, 50]] }
      - { mode: intersect, keys: { 1: [[-30, -30], [20, -30], [20, 30], [-30, 30]] } }
      - keys: { 1: [[100, 50], [110, 50], [110, 60], [100, 60]] }
  none: { shapes: [] }
";
    let roto = prepare(&Roto, "", Some(file), &[]).ok().unwrap();
    assert_eq!(roto.channels().iter().map(|c| c.to_string()).collect::<Vec<_>>(), ["ring", "corner", "none"]);
    assert!(roto.is_steady());
    let image = roto.apply(&NOTHING, 1).unwrap();
    assert_eq!([sum(&image, 0), sum(&image, 1), sum(&image, 2)], [1200.0, 300.0, 0.0]);
}

#[test]
fn soft_shapes_beside_the_frame_leave_it_empty() {
    for place in [
        "[[600, 10], [640, 10], [640, 50]]",
        "[[-90, 10], [-50, 10], [-50, 50]]",
        "[[10, 900], [50, 900], [50, 940]]",
    ] {
        for mode in ["add", "subtract", "intersect"] {
            let file = format!(
                "mattes: {{ a: {{ shapes: [ {{ mode: {mode}, feather: 5, keys: {{ 1: {place} }} }} ] }} }}"
            );
            let roto = prepare(&Roto, "", Some(&file), &[]).ok().unwrap();
            assert_eq!(sum(&roto.apply(&NOTHING, 1).unwrap(), 0), 0.0);
        }
    }
}

fn moving(at_forty: i32) -> String {
    format!(
        "mattes: {{ crew: {{ shapes: [ {{ ease: smooth, feather: 2, keys: {{
           30: [[10, 10], [50, 10], [30, 50]], 35: [[12, 10], [50, 10], [30, 50]],
           40: [[{at_forty}, 10], [50, 10], [30, 50]], 45: [[20, 10], [50, 10], [30, 50]] }} }} ] }} }}"
    )
}

#[test]
fn a_moved_key_changes_the_frames_between_its_neighbours_and_no_other() {
    let before = prepare(&Roto, "", Some(&moving(15)), &[]).ok().unwrap();
    let after = prepare(&Roto, "", Some(&moving(16)), &[]).ok().unwrap();
    let changed: Vec<i64> = (1..=60).filter(|&n| key(&*before, n) != key(&*after, n)).collect();
    assert_eq!(changed, (36..=44).collect::<Vec<_>>());
    for frame in [35, 38, 45] {
        let same = before.apply(&NOTHING, frame).unwrap() == after.apply(&NOTHING, frame).unwrap();
        assert_eq!(same, frame != 38);
    }
}

#[test]
fn problems_of_the_file_come_back() {
    assert!(prepare(&Roto, "", None, &[]).is_err());
    let rods = "rods: { keeper: { keys: { 1: { base: [1, 2], tip: [3, 4] } } } }";
    assert!(prepare(&Roto, "", Some(rods), &[]).err().unwrap()[0].message.contains("no mattes"));
    let bad = "mattes: { a: { shapes: [ { keys: { 1: [[1, 2]] } }, { keys: { 1: [[1, 2]] } } ] } }";
    assert_eq!(prepare(&Roto, "", Some(bad), &[]).err().unwrap().len(), 2);
}

#[test]
fn half_floats_hold_the_area_of_a_soft_shape() {
    let file = "mattes: { a: { shapes: [ { feather: 6, keys: { 1:
      [[60, 50, 0, -11.045695, 0, 11.045695], [40, 70, 11.045695, 0, -11.045695, 0],
       [20, 50, 0, 11.045695, 0, -11.045695], [40, 30, -11.045695, 0, 11.045695, 0]] } } ] } }";
    let image = prepare(&Roto, "", Some(file), &[]).ok().unwrap().apply(&NOTHING, 1).unwrap();
    let area = std::f32::consts::PI * 400.0 * 1.00028;
    assert!((sum(&image, 0) - area).abs() < 0.3, "{}", sum(&image, 0));
}

const TRACK: &str = "
planes: { wall: { keys: { 1: { corners: [[20, 20], [100, 20], [100, 80], [20, 80]] },
                          11: { corners: [[40, 24], [120, 24], [120, 84], [40, 84]] } } } }
points: { hook: { keys: { 1: { at: [0, 0] }, 21: { at: [40, 0] } } } }
";
const RIDING: &str = "mattes: { sign: { follows: wall, shapes: [ { keys: { 1: [[30, 30], [60, 30], [60, 60], [30, 60]] } } ] } }";

fn value(image: &Image, x: usize, y: u32) -> f32 {
    image.row(0, y)[x].to_f32()
}

#[test]
fn a_matte_rides_on_a_track() {
    let roto = prepare_from(&Roto, "", &[("shapes", RIDING), ("track", TRACK)], &[]).unwrap();
    assert!(!roto.is_steady());
    for (frame, right, down) in [(1, 0.0, 0.0), (6, 10.0, 2.0), (11, 20.0, 4.0), (40, 20.0, 4.0)] {
        let image = roto.apply(&NOTHING, frame).unwrap();
        assert_eq!(sum(&image, 0), 900.0);
        let (x, y) = (30 + right as usize, 30 + down as u32);
        assert_eq!(
            [value(&image, x, y), value(&image, x - 1, y), value(&image, x, y - 1)],
            [1.0, 0.0, 0.0],
            "{frame}"
        );
    }
    assert_eq!(key(&*roto, 11), key(&*roto, 40));
    let twice = TRACK.replace("hook", "wall");
    let clash = format!("{RIDING}\npoints: {{ wall: {{ keys: {{ 1: {{ at: [1, 1] }} }} }} }}");
    for (shapes, track, wanted) in [
        (RIDING, twice.as_str(), "'wall' is the name of two motions"),
        (&clash, TRACK, "'wall' is the name of two motions"),
        (RIDING, "rods: {}", "the track file has nothing to follow"),
    ] {
        let problems = prepare_from(&Roto, "", &[("shapes", shapes), ("track", track)], &[]).err().unwrap();
        assert_eq!(problems[0].message, wanted);
    }
    let lost = prepare(&Roto, "", Some(RIDING), &[]).err().unwrap();
    assert_eq!(lost[0].message, "there is no motion 'wall' to follow");
}

#[test]
fn a_moved_key_of_a_track_changes_the_frames_either_side_and_no_other() {
    let roto = |at: &str| {
        let track = format!(
            "points: {{ hook: {{ keys: {{ 1: {{ at: [9, 9], sure: 0.5 }}, 10: {{ at: [3, 4] }}, 20: {{ at: {at} }}, 30: {{ at: [8, 7] }} }} }} }}"
        );
        let shapes = RIDING.replace("wall", "hook").replace("{ 1: [[30", "{ 9: [[30");
        prepare_from(&Roto, "", &[("shapes", &shapes), ("track", &track)], &[]).unwrap()
    };
    let (before, after) = (roto("[5, 5]"), roto("[6, 5]"));
    let changed: Vec<i64> = (1..=60).filter(|&n| key(&*before, n) != key(&*after, n)).collect();
    assert_eq!(changed, (11..=29).collect::<Vec<_>>());
    assert_ne!(before.read_from("track"), after.read_from("track"));
    assert_eq!(before.read_from("shapes"), after.read_from("shapes"));
}

#[test]
fn a_shutter_spreads_what_moves_by_how_long_it_is_there() {
    // 8 px a frame; half a frame open is 4 px of blur, centred on where it is.
    let file = "mattes: { crew: { shapes: [ { keys: {
        1: [[20, 20], [60, 20], [60, 60], [20, 60]], 11: [[100, 20], [140, 20], [140, 60], [100, 60]] } } ] } }";
    let open = prepare(&Roto, "shutter: 180", Some(file), &[]).unwrap();
    let image = open.apply(&NOTHING, 5).unwrap();
    assert!((sum(&image, 0) - 1600.0).abs() < 0.5, "{}", sum(&image, 0));
    // The left edge is at 52; pixels 50 to 53 are uncovered for 1/8, 3/8, 5/8 and 7/8 of the exposure.
    for (x, wanted) in
        [(49, 0.0), (50, 0.125), (51, 0.375), (52, 0.625), (53, 0.875), (54, 1.0), (89, 1.0), (90, 0.875)]
    {
        assert!((value(&image, x, 40) - wanted).abs() < 2e-3, "{x}: {}", value(&image, x, 40));
    }
    let shut = prepare(&Roto, "", Some(file), &[]).unwrap();
    assert_eq!(value(&shut.apply(&NOTHING, 5).unwrap(), 52, 40), 1.0);
    // Standing still after its last key it is as if the shutter were shut; on the key it has moved half as far.
    assert_eq!(open.apply(&NOTHING, 12).unwrap(), shut.apply(&NOTHING, 12).unwrap());
    assert_ne!(open.apply(&NOTHING, 11).unwrap(), shut.apply(&NOTHING, 11).unwrap());
}

#[test]
fn shapes_that_move_together_are_joined_before_they_are_averaged() {
    // A hole that goes along with its shape: averaged by themselves the two would leave a veil.
    let file = "mattes: { ring: { shapes: [
        { keys: { 1: [[20, 20], [60, 20], [60, 60], [20, 60]], 11: [[100, 20], [140, 20], [140, 60], [100, 60]] } },
        { mode: subtract, keys: { 1: [[20, 20], [60, 20], [60, 60], [20, 60]], 11: [[100, 20], [140, 20], [140, 60], [100, 60]] } } ] } }";
    let open = prepare(&Roto, "shutter: 360", Some(file), &[]).unwrap();
    assert!(sum(&open.apply(&NOTHING, 5).unwrap(), 0) < 16.0);
    let apart = file.replace("mode: subtract, keys: { 1: [[20, 20], [60, 20], [60, 60], [20, 60]], 11: [[100, 20], [140, 20], [140, 60], [100, 60]] }",
        "mode: subtract, keys: { 1: [[30, 30], [50, 30], [50, 50], [30, 50]], 11: [[110, 30], [130, 30], [130, 50], [110, 50]] }");
    let image = prepare(&Roto, "shutter: 360", Some(&apart), &[]).unwrap().apply(&NOTHING, 5).unwrap();
    assert!((sum(&image, 0) - 1200.0).abs() < 1.0, "{}", sum(&image, 0));
}

#[test]
fn mattes_by_hand_join_in_order() {
    let mut by_hand = Image::new(192, 108, &["A"]);
    (0..108).for_each(|y| by_hand.write_row(0, y, &[0.25; 192]));
    let file = "mattes: { crew: { shapes: [
        { matte: by-hand }, { keys: { 1: [[20, 20], [60, 20], [60, 60], [20, 60]] } }, { matte: by-hand, mode: subtract },
        { mode: intersect, keys: { 1: [[20, 20], [60, 20], [60, 108], [20, 108]] } } ] } }";
    let inputs = [connected(0, "by-hand", &["A"]), connected(0, "spare", &["A"])];
    let roto = prepare(&Roto, "", Some(file), &inputs).unwrap();
    assert_eq!((roto.reach(0, 7), roto.reach(1, 7)), (FrameRange::one(7), FrameRange::none()));
    assert_eq!(roto.cautions()[0].message, "no matte of the shapes file uses 'spare'");
    let frames = [vec![(7, Arc::new(by_hand))], vec![]];
    let image = roto.apply(&Inputs { frames: &frames, raster: None }, 7).unwrap();
    // 1 × (1 − 1/4) in the square, 1/4 × (1 − 1/4) below it.
    assert_eq!([value(&image, 40, 40), value(&image, 40, 90), value(&image, 90, 40)], [0.75, 0.1875, 0.0]);
    let wrong = prepare(&Roto, "", Some(file), &inputs[1..]).err().unwrap();
    assert_eq!(wrong.len(), 2);
    assert_eq!(wrong[0].message, "no matte is connected as 'by-hand'");
}

#[test]
fn lines_paths_and_own_feathers_are_cut() {
    let file = r#"mattes:
  rope: { shapes: [ { width: { 1: 4, 5: 8 }, ends: flat, keys: { 1: [[20, 30], [80, 30]] } } ] }
  disc: { shapes: [ { fill: even-odd, path: "M 60 20 a 30 30 0 0 1 0 60 a 30 30 0 0 1 0 -60 z M 60 40 a 10 10 0 1 1 0 20 10 10 0 1 1 0 -20 z" } ] }
  soft: { shapes: [ { keys: { 1: [[40, 30, { feather: 0 }], [140, 30], [140, 80, { feather: 20 }], [40, 80, { feather: 20 }]] }, feather: 2 } ] }
"#;
    let image = prepare(&Roto, "", Some(file), &[]).unwrap().apply(&NOTHING, 3).unwrap();
    assert_eq!(sum(&image, 0), 360.0);
    let ring = std::f32::consts::PI * (900.0 - 100.0);
    assert!((sum(&image, 1) - ring).abs() < 0.3, "{}", sum(&image, 1));
    assert!((sum(&image, 2) - 5000.0).abs() < 25.0, "{}", sum(&image, 2));
    let at = |x: usize, y: u32| image.row(2, y)[x].to_f32();
    assert!(at(90, 27) < 0.05 && at(90, 33) > 0.95, "{} {}", at(90, 27), at(90, 33));
    assert!(at(90, 83) > 0.1 && at(90, 77) < 0.9, "{} {}", at(90, 83), at(90, 77));
}

/// What is held jumps between frames: no exposure sees two of it, be it an outline, a feather, a width or a move.
#[test]
fn what_is_held_does_not_jump_while_the_shutter_is_open() {
    let square = |x: i32| format!("[[{x}, 10], [{}, 10], [{}, 30], [{x}, 30]]", x + 20, x + 20);
    let held = format!(
        "
moves:
  lean: {{ translate: {{ 1: [0, 0], 5: [40, 0], ease: hold }} }}
mattes:
  outline: {{ shapes: [ {{ ease: hold, keys: {{ 1: {0}, 5: {1} }} }} ] }}
  feather: {{ shapes: [ {{ feather: {{ 1: 0, 5: 12, ease: hold }}, keys: {{ 1: {0} }} }} ] }}
  line: {{ shapes: [ {{ width: {{ 1: 2, 5: 9, ease: hold }}, closed: false, keys: {{ 1: [[10, 10], [50, 30]] }} }} ] }}
  moved: {{ follows: lean, shapes: [ {{ keys: {{ 1: {0} }} }} ] }}
",
        square(10),
        square(60)
    );
    let exposed =
        |shutter: i32| prepare(&Roto, &format!("shutter: {shutter}"), Some(&held), &[]).ok().unwrap();
    let sharp = exposed(0);
    for shutter in [180, 360] {
        let roto = exposed(shutter);
        for frame in 3..8 {
            let (got, wanted) = (roto.apply(&NOTHING, frame).unwrap(), sharp.apply(&NOTHING, frame).unwrap());
            for channel in 0..4 {
                assert_eq!(got.plane_f32(channel), wanted.plane_f32(channel), "{channel} at {frame}");
            }
        }
    }
    let moving = held.replace(", ease: hold }", " }");
    let roto = prepare(&Roto, "shutter: 180", Some(&moving), &[]).ok().unwrap();
    let blurred = roto.apply(&NOTHING, 4).unwrap();
    assert!(blurred.plane_f32(3).iter().filter(|m| (0.1..0.9).contains(*m)).count() > 100);
}
