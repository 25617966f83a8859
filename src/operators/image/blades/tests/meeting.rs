//! Tests of clashes and bursts as parts of a stage: names, keys, warnings, light.
//!
//! Knows only what a stage promises.

use super::*;
use crate::base::digest::Digest;
use crate::operators::WorkingSpace;
use crate::operators::image::trial::prepare_in;

/// Two rods whose tips rush at each other and stop crossed on frame 20.
fn duel(reach: f64) -> String {
    format!(
        "rods: {{ keeper: {{ keys: {{ 16: {{ base: [20, 90], tip: [20, 20] }}, 20: {{ base: [40, 90], tip: [{}, 30] }} }} }},
  raker: {{ keys: {{ 16: {{ base: [172, 90], tip: [172, 20] }}, 20: {{ base: [140, 90], tip: [{}, 30] }} }} }} }}",
        90.0 + reach,
        90.0 - reach
    )
}

#[test]
fn a_key_that_makes_rods_clash_changes_what_the_shutter_sees_of_the_burst() {
    let settings = "{ burst: 1, life: 6, flicker: 0 }";
    let keys = |settings: &str, shapes: &str| {
        let ready = stage(settings, shapes, &inputs(false));
        (1..=60).map(|n| key(&*ready, n)).collect::<Vec<_>>()
    };
    let differ = |a: &[Digest], b: &[Digest]| {
        (0..60).filter(|&i| a[i] != b[i]).map(|i| i as i64 + 1).collect::<Vec<_>>()
    };
    let meets = duel(12.0);
    let found = stage(settings, &meets, &inputs(false)).finds();
    assert_eq!(found.len(), 1, "{found:?}");
    let name = found[0].name.clone();
    let (with, without) = (keys(settings, &meets), keys("{ burst: 0, life: 6, flicker: 0 }", &meets));
    let seen = differ(&with, &without);
    // From the frame whose exposure ends after it, for the life of its sparks.
    let first = (found[0].time - 0.25).ceil() as i64;
    let last = (found[0].time + 0.6 + 6.0 + 0.25).ceil() as i64 - 1;
    assert_eq!(seen, (first..=last).collect::<Vec<_>>());
    let dropped = keys(&format!("{{ burst: 1, life: 6, flicker: 0, clashes: {{ {name}: drop }} }}"), &meets);
    assert_eq!(dropped, without);
    let moved = keys(
        &format!(
            "{{ burst: 1, life: 6, flicker: 0, clashes: {{ {name}: {{ move: [4, -2], frames: 2 }} }} }}"
        ),
        &meets,
    );
    assert_eq!(differ(&moved, &without), (first + 2..=last + 2).collect::<Vec<_>>());
    // Rods that stay apart do not burst.
    assert!(stage(settings, &duel(-20.0), &inputs(false)).finds().is_empty());
    // A small change of shape keeps the name's clash.
    let edited = meets.replace("20: { base: [40", "21: { base: [40");
    let ready = stage(&format!("{{ burst: 1, clashes: {{ {name}: drop }} }}"), &edited, &inputs(false));
    assert!(ready.cautions().is_empty() && ready.finds()[0].says.contains("dropped"), "{:?}", ready.finds());
}

#[test]
fn clashes_that_are_gone_and_bursts_that_flash_hard_are_told_of() {
    let warned = |settings: &str, shapes: &str| {
        let ready = stage(settings, shapes, &inputs(false));
        ready.cautions().iter().map(|p| p.message.clone()).collect::<Vec<_>>()
    };
    let gone = warned("{ clashes: { keeper+raker@20: drop } }", &duel(-20.0));
    assert_eq!(gone, ["the rods do not clash near 'keeper+raker@20'"]);
    let red = warned("{ burst: 0.5, colour: ember, halo: 0.05, width: 3 }", &duel(12.0));
    assert!(red.len() == 1 && red[0].contains("saturated red"), "{red:?}");
    // However the film writes its colours.
    for (colour, is_red) in [("ember", true), ("teal", false), ("[0, 0, 0]", false)] {
        let settings = format!("{{ burst: 0.5, colour: {colour}, halo: 0.05, width: 3 }}");
        let texts = [("shapes", &*duel(12.0))];
        let ready =
            prepare_in(WorkingSpace::AcesCg, &Blades, &settings, &texts, &inputs(false)).ok().unwrap();
        let told = ready.cautions().iter().any(|p| p.message.contains("saturated red"));
        assert_eq!(told, is_red, "{colour}: {:?}", ready.cautions());
    }
    let large = warned("{ burst: 4, light: 60, width: 9 }", &duel(12.0));
    assert!(large.iter().any(|m| m.contains("% of the frame")), "{large:?}");
    let many: Vec<String> = (0..5)
        .map(|i| format!("r{i}: {{ keys: {{ {}: {{ base: [{}, 90], tip: [{}, 20] }}, {}: {{ base: [96, 95], tip: [96, 25] }} }} }}", 20 + i, 10 + i, 10 + i, 24 + i))
        .collect();
    let crowd = warned("{ burst: 0.5, width: 2, halo: 0.01 }", &format!("rods: {{ {} }}", many.join(", ")));
    assert!(crowd.iter().any(|m| m.contains("within a second")), "{crowd:?}");
    let wrong =
        "{ clashes: { keeper: drop, keeper+raker@20: gone, raker+keeper@21: { move: [1] , hue: 2 } } }";
    assert_eq!(prepare(&Blades, wrong, Some(&duel(12.0)), &inputs(false)).err().unwrap().len(), 4);
}

#[test]
fn a_burst_lights_the_clash_and_is_the_same_every_time() {
    let settings = "{ burst: 1, flicker: 0 }";
    let ready = stage(settings, &duel(12.0), &inputs(false));
    let found = ready.finds()[0].clone();
    let frame = found.time.ceil() as i64;
    let (with, without) =
        (render(settings, &duel(12.0), None, frame), render("flicker: 0", &duel(12.0), None, frame));
    let (x, y) = (found.at[0] as usize, found.at[1] as u32);
    assert!(value(&with, 0, x, y) > value(&without, 0, x, y) + 5.0);
    assert_eq!(with, render(settings, &duel(12.0), None, frame));
    // A surface that nothing throws light on is not asked for.
    let list = [connected(0, "", &RGBA), connected(4, "floor", &["m"])];
    let ready = stage("{ burst: 1, flicker: 0, spill: 0 }", &duel(12.0), &list);
    assert!(ready.reach(1, frame).is_empty());
    let frames = [vec![(frame, grey())], Vec::new()];
    assert_eq!(ready.apply(&Inputs { frames: &frames, raster: None }, frame).unwrap(), with);
    assert_eq!(with.channels()[3], grey().channels()[3]);
}

#[test]
fn a_burst_needs_mattes_and_surfaces_on_frames_that_they_change() {
    let list = [connected(0, "", &RGBA), connected(3, "front", &["m"]), connected(4, "floor", &["m"])];
    let rods = "keeper: { holdout: front, light: { 1: 12, 21: 0, ease: hold } }";
    let one = stage(&format!("{{ burst: 1, flicker: 0, rods: {{ {rods} }} }}"), &duel(12.0), &list);
    // The rod that is held out goes dark, and the other is in front of everything: so is the burst.
    assert!(!one.reach(1, 20).is_empty() && one.reach(1, 22).is_empty());
    let both = format!("{{ burst: 1, flicker: 0, rods: {{ {rods}, raker: {{ holdout: front }} }} }}");
    assert!(!stage(&both, &duel(12.0), &list).reach(1, 22).is_empty());
    // What rods and bursts throw on surfaces changes nothing where none are, nor does a burst when its flash has passed.
    let dark = "light: { 1: 12, 21: 0, ease: hold }";
    let keys = |spill: f64, list: &[Connected]| {
        let ready = stage(&format!("{{ burst: 1, flicker: 0, spill: {spill}, {dark} }}"), &duel(12.0), list);
        (15..=35).map(|n| key(&*ready, n)).collect::<Vec<_>>()
    };
    assert_eq!(keys(1.0, &list[..1]), keys(2.0, &list[..1]));
    let list = [list[0].clone(), list[2].clone()];
    let changed: Vec<usize> =
        (15..=35).filter(|n| keys(1.0, &list)[n - 15] != keys(2.0, &list)[n - 15]).collect();
    assert!(changed.contains(&21) && changed.iter().all(|n| *n <= 25), "{changed:?}");
    let ready = stage(&format!("{{ burst: 1, flicker: 0, {dark} }}"), &duel(12.0), &list);
    assert!(!ready.reach(1, 21).is_empty() && ready.reach(1, 28).is_empty());
}

#[test]
fn the_light_of_a_rod_that_jumps_may_grow_into_another() {
    let crossed = "rods: { keeper: { ease: hold, keys: { 1: { base: [60, 90], tip: [60, 20] } } },
  raker: { keys: { 1: { base: [20, 50], tip: [100, 50] } } } }";
    let finds = |more: &str| {
        stage(&format!("{{ rods: {{ keeper: {{ {more} }} }} }}"), crossed, &inputs(false)).finds()
    };
    let found = finds("length: { 10: 0, 20: 1 }");
    assert!(found.len() == 1 && (10.0..20.0).contains(&found[0].time), "{found:?}");
    assert!(finds("length: 1").is_empty());
    // Rods that lie crossed, at rest, meet where one of them is lit or has grown wide enough.
    let rest = crossed.replace("ease: hold, ", "");
    for (shapes, more) in
        [(crossed, "light: { 10: 0, 20: 9, ease: hold }"), (&*rest, "light: { 10: 0, 20: 9 }")]
    {
        let ready = stage(&format!("{{ rods: {{ keeper: {{ {more} }} }} }}"), shapes, &inputs(false));
        let found = ready.finds();
        assert!(found.len() == 1 && (9.5..21.0).contains(&found[0].time), "{found:?}");
    }
}
