//! Incremental rebuilds against clean ones where commands are called for runs and whole shots, people deliver files
//! and the cut moves: the same bytes, and no frame rendered that the edit cannot have touched.
//!
//! Knows from the story alone how far each edit reaches and which deliveries were made for another plate.

mod project;

use std::collections::{BTreeMap, BTreeSet};

use project::calls::{RUNS, Story, WHOLE};
use project::{Dice, Film, PLATE};
use serde_json::{Value, json};

/// Edits in the row.
const EDITS: usize = 21;

type Places = BTreeSet<String>;

/// Which delivery was taken in at each frame, and the plate that it was made for.
#[derive(Default)]
struct Taken {
    last: BTreeMap<i64, (u64, u64)>,
    ever: BTreeSet<(i64, u64, u64)>,
}

impl Taken {
    /// A rebuild takes files in that are not those it has, and gives what it never took in like this.
    fn rebuild(&mut self, story: &Story) -> Places {
        let mut new = Places::new();
        for (&frame, &hand) in &story.hands {
            let pair = (hand, story.plate[&frame]);
            if self.last.get(&frame).is_none_or(|last| last.0 != hand) {
                self.last.insert(frame, pair);
                if self.ever.insert((frame, pair.0, pair.1)) {
                    new.insert(format!("br020/cleanup@{frame}"));
                }
            }
        }
        new
    }

    /// Frames that a person must look at again: delivered for another plate.
    fn redo(&self, story: &Story) -> BTreeSet<i64> {
        let others = self.last.iter().filter(|(frame, last)| last.1 != story.plate[*frame]);
        others.map(|(&frame, _)| frame).collect()
    }
}

fn places(shot: &str, stage: &str, frames: impl IntoIterator<Item = i64>) -> Places {
    frames.into_iter().map(|n| format!("{shot}/{stage}@{n}")).collect()
}

/// The grade of a shot's frames, and the film's frames that show them.
fn graded(story: &Story, shot: &str, touched: impl Fn(i64) -> bool) -> Places {
    let (first, last) = if shot == "br010" { RUNS } else { WHOLE };
    let mut all = places(shot, "colour", (first..=last).filter(|&n| touched(n)));
    let film = (1..).zip(story.shown()).filter(|&(_, (of, n))| of == shot && touched(n));
    all.extend(film.map(|(at, _)| format!("film/assembly@{at}")));
    all
}

/// Puts another file in the place of the plate's.
fn replace_plate(story: &mut Story, frame: i64, fresh: u64) -> (Places, Places) {
    story.plate.insert(frame, 5000 + fresh);
    // The command sees one frame either side; of what it makes, the one that shows this frame differs.
    // The hand stage of br020 goes on with the files that it has.
    let runs = places("br010", "runs", (RUNS.0..=RUNS.1).filter(|n| (n - frame).abs() <= 1));
    let mut may = runs.clone();
    may.extend(graded(story, "br010", |n| n + story.push == frame));
    (may, runs)
}

/// A person puts a file in place.
fn deliver(story: &mut Story, frame: i64, fresh: u64) -> (Places, Places) {
    story.hands.insert(frame, 9000 + fresh);
    // Taking it in makes the whole shot, of which one frame comes out otherwise.
    let mut must = places("br020", "whole", WHOLE.0..=WHOLE.1);
    must.insert(format!("br020/cleanup@{frame}"));
    let mut may = must.clone();
    let shows = if story.turn == 0 { frame } else { WHOLE.0 + WHOLE.1 - frame };
    let graded = graded(story, "br020", |n| n == shows);
    must.extend(graded.iter().filter(|place| place.starts_with("br020")).cloned());
    may.extend(graded);
    (may, must)
}

/// Makes one edit of a kind, and gives what may and what must be rendered for it.
fn edit(story: &mut Story, kind: usize, fresh: u64, dice: &mut Dice) -> (Places, Places) {
    let mut may = Places::new();
    match kind {
        0 => replace_plate(story, PLATE.0 + dice.below(8) as i64, fresh),
        1 => deliver(story, WHOLE.0 + dice.below(6) as i64, fresh),
        2 => {
            story.push = 1 - story.push;
            may.extend(places("br010", "runs", RUNS.0..=RUNS.1));
            may.extend(graded(story, "br010", |_| true));
            (may, Places::new())
        }
        3 => {
            story.turn = 1 - story.turn;
            may.extend(places("br020", "whole", WHOLE.0..=WHOLE.1));
            may.extend(graded(story, "br020", |_| true));
            (may, Places::new())
        }
        4 => {
            let shot = dice.below(2) as usize;
            story.exposure[shot] = 100 + fresh;
            let all = graded(story, ["br010", "br020"][shot], |_| true);
            let must = all.iter().filter(|place| !place.starts_with("film")).cloned().collect();
            (all, must)
        }
        5 => {
            // A person repaints a frame while its plate is replaced under it.
            let frame = WHOLE.0 + dice.below(6) as i64;
            let (mut may, mut must) = deliver(story, frame, fresh);
            let (more, runs) = replace_plate(story, frame, fresh);
            may.extend(more);
            must.extend(runs);
            (may, must)
        }
        _ => {
            // An event's in and out points move; the film shows other frames from there on.
            let before: BTreeSet<_> = story.shown().into_iter().collect();
            let event = dice.below(3) as usize;
            let (first, last) = if story.cut[event].0 == "br010" { RUNS } else { WHOLE };
            let from = first + dice.below((last - first + 1) as u64) as i64;
            let to = from + dice.below((last - from + 1) as u64) as i64;
            (story.cut[event].1, story.cut[event].2) = (from, to);
            let new = (1..).zip(story.shown()).filter(|(_, shown)| !before.contains(shown));
            may.extend(new.map(|(at, _)| format!("film/assembly@{at}")));
            (may, Places::new())
        }
    }
}

fn stale_of(film: &Film, place: &str) -> BTreeSet<i64> {
    let runs = film.status_of(place);
    let stale = runs.as_array().unwrap().iter().filter(|run| run[1] == "stale");
    let ends = |run: &Value| -> (i64, i64) {
        let text = run[0].as_str().unwrap();
        let (first, last) = text.split_once('-').unwrap_or((text, text));
        (first.parse().unwrap(), last.parse().unwrap())
    };
    stale.map(ends).flat_map(|(first, last)| first..=last).collect()
}

#[test]
fn calls_hands_and_cuts_come_out_like_clean_and_render_no_more_than_they_must() {
    [0x6f80, 0x7a91, 0x8ba2].into_iter().for_each(row_of_edits);
}

fn row_of_edits(seed: u64) {
    let film = Film::new();
    film.write("exclusive", "");
    let mut dice = Dice(seed);
    let mut story = Story::delivered();
    story.write(&film, None);
    film.rebuild(&["--jobs", "2"]).well();
    let mut taken = Taken::default();
    taken.rebuild(&story);
    let mut past = vec![story.clone()];
    let mut kinds = BTreeSet::new();
    for step in 0..EDITS {
        let before = story.clone();
        let goes_back = step % 3 == 2;
        let (may, must) = if goes_back {
            story = past[dice.below(past.len() as u64 - 1) as usize].clone();
            (Places::new(), Places::new())
        } else {
            let kind = (step - step / 3 + seed as usize) % 7;
            kinds.insert(kind);
            edit(&mut story, kind, step as u64, &mut dice)
        };
        story.write(&film, Some(&before));
        let said = film.rebuild(&["--jobs", "2"]).well();
        let told = format!("seed {seed:#x}, step {step}, from {before:?} to {story:?}");
        let mut may = may;
        may.extend(taken.rebuild(&story));
        let beyond: Vec<_> = said.rendered.difference(&may).collect();
        assert!(beyond.is_empty(), "{told}: rendered without need: {beyond:?}");
        let missed: Vec<_> = must.difference(&said.rendered).collect();
        assert!(missed.is_empty(), "{told}: not rendered: {missed:?}");

        let (renders, clean) = (film.renders(), film.clean());
        let wrong: Vec<_> =
            clean.iter().filter(|(path, bytes)| renders.get(*path) != Some(bytes)).map(|(p, _)| p).collect();
        assert!(wrong.is_empty(), "{told}: differ from a clean rebuild: {wrong:?}");
        assert_eq!(clean.len(), 2 * 6 + 3 * 6 + story.shown().len(), "{told}");
        assert_eq!(stale_of(&film, "br020/cleanup"), taken.redo(&story), "{told}: to be looked at again");
        let again = film.rebuild(&[]).well();
        assert!(again.rendered.is_empty() && again.restored() == 0, "{told}: not settled: {}", again.json);
        past.push(story.clone());
    }
    assert_eq!(kinds.len(), 7, "every kind of edit came by");
}

#[test]
fn a_whole_shot_waits_for_every_delivery_and_a_run_does_not() {
    let film = Film::new();
    let (mut story, all) = (Story::new(), Story::delivered());
    story.write(&film, None);
    let said = film.rebuild(&[]).but_for_hands();
    let mut wanted = places("br010", "runs", RUNS.0..=RUNS.1);
    wanted.extend(graded(&story, "br010", |_| true));
    assert_eq!(said.rendered, wanted);
    for frame in WHOLE.0..=WHOLE.1 {
        let before = story.clone();
        story.hands.insert(frame, all.hands[&frame]);
        story.write(&film, Some(&before));
        let said = film.rebuild(&[]);
        let said = if frame == WHOLE.1 { said.well() } else { said.but_for_hands() };
        let mut wanted = places("br020", "cleanup", [frame]);
        if frame == WHOLE.1 {
            wanted.extend(places("br020", "whole", WHOLE.0..=WHOLE.1));
            wanted.extend(graded(&story, "br020", |_| true));
        } else {
            assert_eq!(film.status_of("br020/whole"), json!([["1003-1008", "blocked"]]), "until {frame}");
        }
        assert_eq!(said.rendered, wanted, "delivered up to {frame}");
    }
    assert_eq!(story, all);
    assert_eq!(film.renders(), film.clean());
}
