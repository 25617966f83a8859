//! Incremental rebuilds against clean ones, over a row of seeded edits: the same bytes, and no frame rendered
//! that the edit cannot have touched.
//!
//! Knows from the declaration alone how far each kind of edit can reach, and asks the program nothing about it.

mod project;

use std::collections::{BTreeMap, BTreeSet};

use project::{Dice, Film, PLATE};

/// Edits in the row.
const EDITS: usize = 24;

/// All that the film's files are written from.
#[derive(Clone, Debug, PartialEq)]
struct Story {
    /// Exposure of each shot, in hundredths of a stop.
    exposure: BTreeMap<&'static str, u64>,
    /// Horizontal place of the matte at each of its keys, in pixels.
    matte: BTreeMap<i64, u64>,
    /// Seeds of the plate's frames.
    plate: BTreeMap<i64, u64>,
    /// Whether the command stage comes before the blades.
    tool_first: bool,
    /// Percent.
    speed: u64,
    /// Last frame of br010.
    last: i64,
    has_br030: bool,
}

impl Story {
    fn new() -> Self {
        Self {
            exposure: [("br010", 10), ("br020", 20), ("br030", 30)].into(),
            matte: [(1001, 4), (1003, 8), (1005, 12)].into(),
            plate: (PLATE.0..=PLATE.1).map(|n| (n, n as u64)).collect(),
            tool_first: false,
            speed: 50,
            last: 1006,
            has_br030: true,
        }
    }

    fn shots(&self) -> Vec<(&'static str, i64, i64)> {
        let mut shots = vec![("br010", 1001, self.last), ("br020", 1003, 1008)];
        if self.has_br030 {
            shots.push(("br030", 1001, 1003));
        }
        shots
    }

    fn write(&self, film: &Film, before: Option<&Story>) {
        for (frame, seed) in &self.plate {
            if before.is_none_or(|b| b.plate[frame] != *seed) {
                film.write_plate_frame("shed", *frame, *seed);
            }
        }
        let keys: String = self
            .matte
            .iter()
            .map(|(n, x)| format!("          {n}: [[{x}, 2], [{}, 3], [{}, 15], [{x}, 14]]\n", x + 9, x + 8))
            .collect();
        film.write(
            "roto.yaml",
            format!(
                "mattes:\n  crew:\n    shapes:\n      - feather: 2\n        keys:\n{keys}rods:\n  keeper:\n    keys:\n      \
                 1001: {{ base: [4, 14], tip: [14, 4] }}\n      1006: {{ base: [10, 15], tip: [25, 5] }}\n"
            ),
        );
        let (tool, blades, graded) =
            if self.tool_first { ("plate", "tool", "blades") } else { ("blades", "plate", "tool") };
        let stages = [
            format!("      tool: {{ command: 'cp {{picture}} {{out}}', from: {{ picture: {tool} }} }}\n"),
            format!(
                "      blades: {{ operator: blades, from: {{ picture: {blades}, shapes: roto, holdout: roto.crew }}, width: 2 }}\n"
            ),
        ];
        let e = |shot| self.exposure[shot] as f64 / 100.0;
        let mut text = format!(
            "  br010:\n    plate: shed\n    frames: 1001-{}\n    stages:\n      \
             roto: {{ operator: roto, shapes: roto.yaml }}\n{}{}      \
             colour: {{ operator: grade, from: {{ picture: {graded} }}, exposure: {} }}\n  \
             br020:\n    plate: shed\n    frames: 1003-1008\n    stages:\n      \
             ramp: {{ operator: retime, from: {{ picture: plate }}, speed: {} }}\n      \
             colour: {{ operator: grade, from: {{ picture: ramp }}, exposure: {} }}\n",
            self.last,
            stages[usize::from(!self.tool_first)],
            stages[usize::from(self.tool_first)],
            e("br010"),
            self.speed,
            e("br020"),
        );
        if self.has_br030 {
            text += &format!(
                "  br030:\n    plate: shed\n    frames: 1001-1003\n    stages:\n      \
                 colour: {{ operator: grade, from: {{ picture: plate }}, exposure: {} }}\n",
                e("br030")
            );
        }
        text += "assembly: { from: colour }\n";
        film.declare(&text);
    }

    /// Places of these stages at some frames of a shot, and of the film's frames that show them.
    fn reach(&self, shot: &str, stages: &[&str], touched: impl Fn(i64) -> bool) -> BTreeSet<String> {
        let mut places = BTreeSet::new();
        let mut at = 1;
        for (name, first, last) in self.shots() {
            for frame in (first..=last).filter(|&n| name == shot && touched(n)) {
                places.extend(stages.iter().map(|stage| format!("{shot}/{stage}@{frame}")));
                if stages.contains(&"colour") {
                    places.insert(format!("film/assembly@{}", at + frame - first));
                }
            }
            at += last - first + 1;
        }
        places
    }

    /// The film's frames from the `first`.
    fn film_from(&self, first: i64) -> BTreeSet<String> {
        let length: i64 = self.shots().iter().map(|(_, first, last)| last - first + 1).sum();
        (first..=length).map(|n| format!("film/assembly@{n}")).collect()
    }
}

/// Makes one edit of a kind and gives what it can touch, and whether all of that must be made anew.
fn edit(story: &mut Story, kind: usize, fresh: u64, dice: &mut Dice) -> (BTreeSet<String>, bool) {
    match kind {
        0 => {
            let shots = story.shots();
            let shot = shots[dice.below(shots.len() as u64) as usize].0;
            story.exposure.insert(shot, 100 + fresh);
            (story.reach(shot, &["colour"], |_| true), true)
        }
        1 => {
            let key = [1001, 1003, 1005][dice.below(3) as usize];
            let place = story.matte[&key];
            story.matte.insert(key, (place + 1 + dice.below(5)) % 20);
            // Frames strictly between the keys on either side; before the first and after the last key all.
            let touched = |n: i64| (n - key).abs() < 2 || (key == 1005 && n > key);
            (story.reach("br010", &["roto", "blades", "tool", "colour"], touched), false)
        }
        2 => {
            let frame = PLATE.0 + dice.below(8) as i64;
            story.plate.insert(frame, 5000 + fresh);
            let mut places = story.reach("br010", &["blades", "tool", "colour"], |n| n == frame);
            // The ramp starts at its own first frame; half-way positions may show either neighbour.
            let shown = |n: i64| 1003.0 + (n - 1003) as f64 * story.speed as f64 / 100.0;
            places.extend(
                story.reach("br020", &["ramp", "colour"], |n| (shown(n) - frame as f64).abs() <= 0.5),
            );
            places.extend(story.reach("br030", &["colour"], |n| n == frame));
            (places, false)
        }
        3 => {
            story.tool_first = !story.tool_first;
            // The command copies, so what the blades and the grade see has the same pixels as before.
            (story.reach("br010", &["tool"], |_| true), false)
        }
        4 => {
            story.speed = if story.speed == 50 { 100 } else { 50 };
            (story.reach("br020", &["ramp", "colour"], |_| true), false)
        }
        5 => {
            story.last = if story.last == 1006 { 1005 } else { 1006 };
            let mut places = story.reach("br010", &["roto", "blades", "tool", "colour"], |n| n == 1006);
            places.extend(story.film_from(6));
            (places, false)
        }
        _ => {
            story.has_br030 = !story.has_br030;
            (story.reach("br030", &["colour"], |_| true), false)
        }
    }
}

#[test]
fn incremental_rebuilds_are_clean_rebuilds_that_render_no_more_than_they_must() {
    [0x1a3b, 0x2b4c, 0x3c5d, 0x4d6e, 0x5e7f].into_iter().for_each(row_of_edits);
}

fn row_of_edits(seed: u64) {
    let film = Film::new();
    let mut dice = Dice(seed);
    let mut story = Story::new();
    story.write(&film, None);
    film.rebuild(&[]).well();
    assert_eq!(film.renders().len(), 4 * 6 + 2 * 6 + 3 + 15);
    let mut past = vec![story.clone()];
    let mut rendered_in_all = 0;
    for step in 0..EDITS {
        let before = story.clone();
        // Every kind of edit comes by, and every third step goes back to some earlier state of the film.
        let goes_back = step % 3 == 2;
        let (may, must) = if goes_back {
            story = past[dice.below(past.len() as u64 - 1) as usize].clone();
            (BTreeSet::new(), true)
        } else {
            edit(&mut story, (step - step / 3) % 7, step as u64, &mut dice)
        };
        story.write(&film, Some(&before));
        let said = film.rebuild(&[]).well();
        let told = format!("seed {seed:#x}, step {step}, from {before:?} to {story:?}");
        let beyond: Vec<_> = said.rendered.difference(&may).collect();
        assert!(beyond.is_empty(), "{told}: rendered without need: {beyond:?}");
        // Frames that show the same source frame have the same key: one is rendered, the other put back.
        let made = said.rendered.len() as u64 + said.restored();
        assert!(!must || goes_back || made == may.len() as u64, "{told}: {} of {may:?}", said.json);
        rendered_in_all += said.rendered.len();

        let (renders, clean) = (film.renders(), film.clean());
        let wrong: Vec<_> =
            clean.iter().filter(|(path, bytes)| renders.get(*path) != Some(bytes)).map(|(p, _)| p).collect();
        assert!(wrong.is_empty(), "{told}: differ from a clean rebuild: {wrong:?}");
        let stages = BTreeMap::from([("br010", 4), ("br020", 2), ("br030", 1)]);
        let declared: i64 =
            story.shots().iter().map(|(s, first, last)| (stages[s] + 1) * (last - first + 1)).sum();
        assert_eq!(clean.len() as i64, declared, "{told}: files of a clean rebuild");

        let again = film.rebuild(&[]).well();
        assert!(again.rendered.is_empty() && again.restored() == 0, "{told}: not settled: {}", again.json);
        past.push(story.clone());
    }
    assert!(rendered_in_all > EDITS, "the edits changed next to nothing");
}

#[test]
fn a_cut_in_another_order_renders_nothing_that_was_shown_before() {
    let film = Film::new();
    film.write_plate("shed", 3);
    let declare = |shots: &[(&str, i64)]| {
        let shot = |(name, first): &(&str, i64)| {
            format!(
                "  {name}:\n    plate: shed\n    frames: {first}-{}\n    stages:\n      \
                 colour: {{ operator: grade, from: {{ picture: plate }}, exposure: 1 }}\n",
                first + 1
            )
        };
        let shots: String = shots.iter().map(shot).collect();
        film.declare(&(shots + "assembly: { from: colour }\n"));
    };
    let (a, b, c) = (("br010", 1001), ("br020", 1003), ("br005", 1005));
    declare(&[a, b]);
    film.rebuild(&[]).well();
    declare(&[b, a]);
    let said = film.rebuild(&[]).well();
    assert_eq!((said.rendered.len(), said.restored()), (0, 4), "{}", said.json);
    // A shot at the head of the cut moves all others: only its own pictures are new.
    declare(&[c, b, a]);
    let said = film.rebuild(&[]).well();
    let new = ["br005/colour@1005", "br005/colour@1006", "film/assembly@1", "film/assembly@2"];
    assert!(said.rendered.iter().eq(&new), "{:?}", said.rendered);
    assert_eq!(film.renders(), film.clean());
}
