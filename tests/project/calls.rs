//! A tiny film of commands called for runs and for whole shots, in a pool of one, with a person's deliveries and a cut.
//!
//! Knows how its files follow from a story, and nothing of what a rebuild makes of them.

use std::collections::BTreeMap;

use super::{Film, PLATE, SIZE, picture};

/// Frames of br010, whose command is called for runs.
pub const RUNS: (i64, i64) = (1001, 1006);
/// Frames of br020, whose command is called for the whole shot.
pub const WHOLE: (i64, i64) = (1003, 1008);

/// Called for a run: shows each frame, or with `push` 1 the one after it.
const RUN: &str = "n=$3
while [ $n -le $4 ]; do
  cp \"$d/picture.$((n + $5)).exr\" \"$d/out.$n.exr\"
  n=$((n + 1))
done
";

/// Called for a shot: shows it forwards, or with `turn` 1 backwards.
const SHOT: &str = "n=$3
while [ $n -le $4 ]; do
  from=$n
  [ $5 = 0 ] || from=$(($3 + $4 - n))
  cp \"$d/picture.$from.exr\" \"$d/out.$n.exr\"
  n=$((n + 1))
done
";

/// All that the film's files are written from.
#[derive(Clone, Debug, PartialEq)]
pub struct Story {
    /// Seeds of the plate's frames.
    pub plate: BTreeMap<i64, u64>,
    /// Seeds of the files that a person delivered.
    pub hands: BTreeMap<i64, u64>,
    /// How far ahead br010's command looks, 0 or 1.
    pub push: i64,
    /// Whether br020's command turns it round, 0 or 1.
    pub turn: i64,
    /// Exposure of each shot, in hundredths of a stop.
    pub exposure: [u64; 2],
    /// The cut: shot, first and last frame of each event, one after the other.
    pub cut: Vec<(&'static str, i64, i64)>,
}

impl Story {
    /// Nothing delivered yet.
    pub fn new() -> Self {
        Self {
            plate: (PLATE.0..=PLATE.1).map(|n| (n, n as u64)).collect(),
            hands: BTreeMap::new(),
            push: 0,
            turn: 0,
            exposure: [10, 20],
            cut: vec![("br010", 1001, 1004), ("br020", 1004, 1008), ("br010", 1005, 1006)],
        }
    }

    /// Everything delivered.
    pub fn delivered() -> Self {
        Self { hands: (WHOLE.0..=WHOLE.1).map(|n| (n, 300 + n as u64)).collect(), ..Self::new() }
    }

    /// The shot's frame at each frame of the film, from film frame 1.
    pub fn shown(&self) -> Vec<(&'static str, i64)> {
        self.cut.iter().flat_map(|&(shot, first, last)| (first..=last).map(move |n| (shot, n))).collect()
    }

    /// Writes the film's files; of plates and hands those that are not as they were `before`.
    pub fn write(&self, film: &Film, before: Option<&Story>) {
        for (frame, seed) in &self.plate {
            if before.is_none_or(|b| b.plate[frame] != *seed) {
                film.write_plate_frame("shed", *frame, *seed);
            }
        }
        for frame in WHOLE.0..=WHOLE.1 {
            let file = format!("hands/br020/cleanup.{frame}.exr");
            match self.hands.get(&frame) {
                Some(seed) if before.is_some_and(|b| b.hands.get(&frame) == Some(seed)) => {}
                Some(seed) => film.write(&file, picture(SIZE, *seed)),
                None => drop(std::fs::remove_file(film.path().join(file))),
            }
        }
        // Where a file `exclusive` lies, two calls at once fail: the pool has one place.
        let head = "[ ! -e exclusive ] || mkdir place || exit 9\nd=${1%/*}\n";
        let foot = "[ ! -e exclusive ] || rmdir place\n";
        film.write("tools/run.sh", format!("{head}{RUN}{foot}"));
        film.write("tools/shot.sh", format!("{head}{SHOT}{foot}"));
        film.write("cut/lock.edl", self.edl());
        film.write("endboard.yaml", self.declaration());
    }

    fn declaration(&self) -> String {
        let [first, second] = self.exposure.map(|e| e as f64 / 100.0);
        let command = |script: &str, each: &str, name: &str, value: i64| {
            format!(
                "command: 'sh tools/{script}.sh {{picture}} {{out}} {{first}} {{last}} {{{name}}}', each: {each}, \
                 with: {{ {name}: {value} }}, pools: {{ licence: 1 }}"
            )
        };
        format!(
            "film: The Brine Lamp
rate: 24
frame_size: 32x18
working_space: linear-rec709
cut: cut/lock.edl
pools: {{ licence: 1 }}
plates:
  shed: {{ files: plates/shed.####.exr, frames: 1001-1008, encoding: linear-rec709 }}
shots:
  br010:
    plate: shed
    frames: {}-{}
    stages:
      runs: {{ from: {{ picture: plate }}, reach: 1, {} }}
      colour: {{ operator: grade, from: {{ picture: runs }}, exposure: {first} }}
  br020:
    plate: shed
    frames: {}-{}
    stages:
      cleanup: {{ by_hand: {{ files: 'hands/{{shot}}/cleanup.####.exr' }}, from: {{ picture: plate }} }}
      whole: {{ from: {{ picture: cleanup }}, {} }}
      colour: {{ operator: grade, from: {{ picture: whole }}, exposure: {second} }}
assembly: {{ from: colour }}
",
            RUNS.0,
            RUNS.1,
            command("run", "run", "push", self.push),
            WHOLE.0,
            WHOLE.1,
            command("shot", "shot", "turn", self.turn),
        )
    }

    /// The cut as a list at 24 frames a second, out points not included.
    fn edl(&self) -> String {
        let timecode = |frame: i64| {
            let (seconds, frames) = (frame / 24, frame % 24);
            format!("{:02}:{:02}:{:02}:{frames:02}", seconds / 3600, seconds / 60 % 60, seconds % 60)
        };
        let mut text = "TITLE: THE BRINE LAMP\nFCM: NON-DROP FRAME\n".to_string();
        let mut at = 86_400;
        for (i, &(shot, first, last)) in self.cut.iter().enumerate() {
            let end = at + last - first + 1;
            let times = [first, last + 1, at, end].map(timecode).join(" ");
            text += &format!("{:03}  {shot:8} V     C        {times}\n", i + 1);
            at = end;
        }
        text
    }
}
