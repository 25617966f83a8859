//! Commands in incremental rebuilds against clean ones: whatever a program is told must be in its frames' keys.
//!
//! The programs of this film write a check sum of all that they are told and read into the picture that they
//! deliver, so that a frame whose key misses any of it differs from a clean rebuild. Two shots on one plate with
//! one recipe and equal plate frames see to it that nothing but the words tells frames apart.

mod project;

use std::collections::{BTreeMap, BTreeSet};
use std::path::Path;

use endboard::media::exr::{self, Compression};
use endboard::media::image::Image;
use project::{Dice, Film, picture};

/// Edits in a row.
const EDITS: usize = 18;
/// Kinds of edits.
const KINDS: usize = 12;
const SHOTS: [&str; 2] = ["br010", "br020"];

/// All that the film's files are written from.
#[derive(Clone, Debug, PartialEq)]
struct Story {
    film: u64,
    /// Under `with`, a plain value.
    note: u64,
    /// Under `with`, keyed at the first and the third frame.
    amount: [u64; 2],
    /// In the file that a value under `with` names.
    list: u64,
    /// In the file that a word names after its `=`.
    look: u64,
    /// In the files that `tools/{stage}.txt` names.
    left: u64,
    right: u64,
    /// In the file under `depends`.
    extra: u64,
    /// What `version_from` prints.
    version: u64,
    /// Seeds of the plate's frames.
    plate: [u64; 3],
    size: (u32, u32),
    matte: &'static str,
    last: i64,
}

/// A program: copies the file in `$picture` and writes a check sum of its words, of the files that they name and
/// of `more` over the picture's last samples. Words that are paths of the call's own folder are not summed.
fn program(chosen: &str, more: &str) -> String {
    format!(
        r#"picture={chosen}
out=$2
shift 2
sum=$(for word in "$@"; do
    case $word in */work/*) ;; *) echo "$word" ;; esac
    file=${{word#*=}}
    if [ -f "$file" ]; then cat "$file"; fi
done | cat - {more} | cksum | cut -d ' ' -f 1)
head -c $(($(wc -c < "$picture") - 16)) "$picture" > "$out"
printf %016d "$sum" >> "$out"
"#
    )
}

impl Story {
    fn new() -> Self {
        Self {
            film: 0,
            note: 0,
            amount: [0, 8],
            list: 0,
            look: 0,
            left: 0,
            right: 1,
            extra: 0,
            version: 0,
            plate: [7; 3],
            size: (32, 18),
            matte: "crew",
            last: 1003,
        }
    }

    fn write(&self, film: &Film) {
        for (n, seed) in (1001..).zip(self.plate) {
            film.write(&format!("plates/shed.{n}.exr"), picture(self.size, seed));
        }
        film.write("tools/told.sh", program("$1", "extra.txt version.txt"));
        film.write("tools/number.sh", program("$1", ""));
        film.write("tools/mask.sh", program("blanks/$(($(wc -c < \"$1\"))).exr", ""));
        for (name, number) in [
            ("lists/a.txt", self.list),
            ("looks/a.txt", self.look),
            ("tools/left.txt", self.left),
            ("tools/right.txt", self.right),
            ("extra.txt", self.extra),
            ("version.txt", self.version),
        ] {
            film.write(name, format!("brine {number}\n"));
        }
        // The shape lies beside the frame: its matte is the same bytes whatever the frame's size and its name.
        film.write(
            "roto.yaml",
            format!(
                "mattes:\n  {}:\n    shapes:\n      - keys:\n          1001: [[90, 90], [95, 90], [95, 95]]\n",
                self.matte
            ),
        );
        film.write("recipe.yaml", self.recipe());
        let shots: String = SHOTS
            .iter()
            .map(|shot| format!("  {shot}: {{ plate: shed, frames: 1001-{}, recipe: signs }}\n", self.last))
            .collect();
        film.write(
            "endboard.yaml",
            format!(
                "film: The Brine Lamp {}\nrate: 24\nframe_size: {}x{}\nrecipes: [recipe.yaml]\nplates:\n  \
                 shed: {{ files: plates/shed.####.exr, frames: 1001-1003, encoding: linear-rec709 }}\nshots:\n{shots}",
                self.film, self.size.0, self.size.1
            ),
        );
    }

    fn recipe(&self) -> String {
        let told = format!(
            "{{ from: {{ picture: plate }}, command: \"sh tools/told.sh {{picture}} {{out}} {{shot}} {{stage}} {{film}} \
             {{note}} at={{amount}} {{list}} --look=looks/a.txt ./tools/{{stage}}.txt\", depends: [extra.txt], \
             version_from: 'cat version.txt', \
             with: {{ note: salt-{}, list: lists/a.txt, amount: {{ 1001: {}, 1003: {} }} }} }}",
            self.note, self.amount[0], self.amount[1]
        );
        format!(
            "recipe: signs\nstages:\n  roto: {{ operator: roto, shapes: roto.yaml }}\n  left: {told}\n  right: {told}\n  \
             number: {{ from: {{ picture: plate }}, command: 'sh tools/number.sh {{picture}} {{out}} from-{{first}}' }}\n  \
             frame: {{ from: {{ picture: plate }}, command: 'sh tools/number.sh {{picture}} {{out}} n{{frame}}-{{last}}' }}\n  \
             mask: {{ from: {{ matte: roto.{} }}, command: 'sh tools/mask.sh {{matte}} {{out}} {{matte}}' }}\n",
            self.matte
        )
    }

    /// Places of stages at some frames, in both shots.
    fn places(&self, stages: &[&str], touched: impl Fn(i64) -> bool) -> BTreeSet<String> {
        let frames: Vec<i64> = (1001..=self.last).filter(|&n| touched(n)).collect();
        let shots = SHOTS.iter().flat_map(|shot| stages.iter().map(move |stage| format!("{shot}/{stage}")));
        shots.flat_map(|place| frames.iter().map(move |n| format!("{place}@{n}"))).collect()
    }
}

/// Makes one edit of a kind and gives what it can touch.
fn edit(story: &mut Story, kind: usize, fresh: u64, dice: &mut Dice) -> BTreeSet<String> {
    let told = &["left", "right"][..];
    let number = match kind {
        0 => &mut story.film,
        1 => &mut story.note,
        2 => &mut story.list,
        3 => &mut story.look,
        4 => &mut story.extra,
        5 => &mut story.version,
        6 => {
            story.left = fresh;
            return story.places(&["left"], |_| true);
        }
        7 => {
            let at = dice.below(2) as usize;
            story.amount[at] = 10 * fresh;
            return story.places(told, |n| n != if at == 0 { 1003 } else { 1001 });
        }
        8 => {
            let at = dice.below(3) as usize;
            story.plate[at] = 100 + fresh;
            return story.places(&["left", "right", "number", "frame"], |n| n == 1001 + at as i64);
        }
        9 => {
            story.matte = if story.matte == "crew" { "cast" } else { "crew" };
            return story.places(&["roto", "mask"], |_| true);
        }
        10 => {
            story.size = (story.size.1, story.size.0);
            return story.places(&["roto", "left", "right", "number", "frame", "mask"], |_| true);
        }
        _ => {
            story.last = if story.last == 1003 { 1002 } else { 1003 };
            return story.places(&["roto", "left", "right", "number", "frame", "mask"], |n| n == 1003);
        }
    };
    *number = fresh;
    story.places(told, |_| true)
}

#[test]
fn whatever_a_command_is_told_is_in_its_keys() {
    [0x5a17, 0xb419].into_iter().for_each(row_of_edits);
}

fn row_of_edits(seed: u64) {
    let film = Film::new();
    let mut dice = Dice(seed);
    let mut story = Story::new();
    for size in [(32, 18), (18, 32)] {
        // As long as what a command finds, whose head says its colour.
        let said = [("chromaticities".to_string(), exr::Fact::Chromaticities([[0.0; 2]; 4]))];
        let matte = exr::encode(&Image::new(size.0, size.1, &["crew"]), Compression::None, &said).unwrap();
        film.write(&format!("blanks/{}.exr", matte.len()), picture(size, 1));
    }
    story.write(&film);
    film.rebuild(&[]).well();
    same_as_clean(&film, &format!("seed {seed:#x}, before all edits"));
    let mut past = vec![story.clone()];
    for step in 0..EDITS {
        let before = story.clone();
        let goes_back = step % 3 == 2;
        let may = if goes_back {
            story = past[dice.below(past.len() as u64 - 1) as usize].clone();
            BTreeSet::new()
        } else {
            edit(&mut story, (step - step / 3) % KINDS, 100 + step as u64, &mut dice)
        };
        story.write(&film);
        let said = film.rebuild(&[]).well();
        let told = format!("seed {seed:#x}, step {step}, from {before:?} to {story:?}");
        let beyond: Vec<_> = said.rendered.difference(&may).collect();
        assert!(beyond.is_empty(), "{told}: rendered without need: {beyond:?}");
        same_as_clean(&film, &told);
        let again = film.rebuild(&[]).well();
        assert!(again.rendered.is_empty() && again.restored() == 0, "{told}: not settled: {}", again.json);
        past.push(story.clone());
    }
}

#[track_caller]
fn same_as_clean(film: &Film, told: &str) {
    let (renders, clean) = (film.renders(), film.clean());
    assert!(!clean.is_empty());
    let wrong: Vec<_> =
        clean.iter().filter(|(path, bytes)| renders.get(*path) != Some(bytes)).map(|(p, _)| p).collect();
    assert!(wrong.is_empty(), "{told}: differ from a clean rebuild: {wrong:?}");
    // A clean rebuild may err like an incremental one where two of its own frames share a key; but no two of
    // these were told the same.
    let mut seen: BTreeMap<(i64, &[u8]), &Path> = BTreeMap::new();
    for (path, bytes) in &clean {
        let frame = path.file_stem().and_then(|n| n.to_str()).and_then(|n| n.rsplit('.').next()).unwrap();
        let stage = path.iter().nth(1).unwrap();
        let group = match stage.to_str().unwrap() {
            // Told apart by shot and stage.
            "left" | "right" => frame.parse().unwrap(),
            // Told apart by their numbers, of one shot.
            "number" | "frame" if path.starts_with(SHOTS[0]) => 0,
            _ => continue,
        };
        let other = seen.insert((group, bytes), path);
        assert!(other.is_none(), "{told}: {other:?} and {} show the same", path.display());
    }
}
