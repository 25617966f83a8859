//! `demo`: the demo film from nothing to ribbons, with one key moved on the way.

use std::collections::BTreeMap;
use std::ops::Range;
use std::path::Path;
use std::sync::Once;
use std::sync::atomic::AtomicBool;

use super::arguments::{Arguments, Demo, Hours, Rebuild, Status};
use super::progress::Reading;
use super::{Answer, Exit, Failure, hours, rebuild, show, status};
use crate::base::frames::FrameSet;
use crate::base::selector::Selection;
use crate::project::Project;
use crate::project::demo as files;
use crate::project::rebuild::Rebuilt;

/// The shapes file in which a key is moved.
const MOVED: &str = "roto/br050.yaml";

/// Writes, rebuilds, moves a key, rebuilds, puts it back.
pub fn run(arguments: &Arguments, options: &Demo) -> Answer {
    // Joined to `.` the folder would be named with a needless `./` in all that is printed.
    let folder = match arguments.folder.as_path() {
        here if here == Path::new(".") => options.target.clone(),
        there => there.join(&options.target),
    };
    let reading = Reading::new("drawing the demo film's plates");
    let began = std::time::Instant::now();
    // Each step has a line before it, so that whoever reads a file or a pipe sees that it goes on.
    let first = Once::new();
    let written = files::write(&folder, &AtomicBool::new(false), &|done, of| {
        first.call_once(|| flow!("drawing {of} plate frames of The Brine Lamp into {}", folder.display()));
        reading.at(done, of);
    })?;
    reading.end();
    if written > 0 {
        say!("{written} plate frames drawn in {:.0} s", began.elapsed().as_secs_f64());
    }
    if options.only_plates {
        return Ok(Exit::Done);
    }
    let project = Project::find(&folder)?;
    say!("\nrebuilding what is stale or absent");
    let exit = rebuild::report(&again(&project)?, &Selection::default(), false, false);
    if exit != Exit::Done {
        return Ok(exit);
    }
    moved_key(&project)?;
    say!("");
    status::run(&project, arguments, &Status { selectors: Vec::new(), thorough: false })?;
    say!("");
    hours::run(&project, arguments, &Hours { selectors: Vec::new(), csv: false, since: None, week: false })?;
    let place = folder.display();
    say!("the film lies in:       {place}/");
    say!("its picture:            {place}/renders/film/assembly/");
    say!("a duel, stage by stage: {place}/renders/br030/");
    say!("read Safety in the README before you watch or listen: the pictures flash,");
    say!("and sounds may reach full level");
    say!("change something there, then ask:");
    let text = place.to_string();
    let word = shlex::try_quote(&text).map_or_else(|_| text.clone(), |quoted| quoted.into_owned());
    for verb in ["status", "why br030", "rebuild"] {
        say!("  endboard -C {word} {verb}");
    }
    Ok(Exit::Done)
}

fn again(project: &Project) -> Result<Rebuilt, Failure> {
    let options = Rebuild {
        selectors: Vec::new(),
        jobs: None,
        memory: None,
        plan: false,
        again: false,
        on: None,
        leave: false,
        here: false,
        hold: false,
        let_go: false,
        sharing: None,
        note: String::new(),
    };
    rebuild::rebuild(project, None, project.read(), &Selection::default(), &options, false)
}

/// Moves a key of a matte, rebuilds, shows what ran, and puts it back.
fn moved_key(project: &Project) -> Result<(), Failure> {
    let path = project.folder.join(MOVED);
    let failed = |e: std::io::Error| Failure::System(format!("{}: {e}", path.display()));
    let before = std::fs::read_to_string(&path).map_err(failed)?;
    let Some((after, key, between)) = nudged(&before) else {
        flow!("\n{MOVED} was changed by hand, so no keyframe is moved in it");
        return Ok(());
    };
    flow!(
        "\nmoving one keyframe at frame {key} of a matte in {MOVED}; its neighbours stand at {} and {}, so {}-{} run",
        between.0,
        between.1,
        between.0 + 1,
        between.1 - 1
    );
    std::fs::write(&path, &after).map_err(failed)?;
    let rebuilt = again(project);
    std::fs::write(&path, &before).map_err(failed)?;
    let rebuilt = rebuilt?;
    let graph = &rebuilt.status.declared.graph;
    let mut ran: BTreeMap<usize, FrameSet> = BTreeMap::new();
    for &(id, frame) in &rebuilt.outcome.ran {
        ran.entry(id).or_default().insert(frame);
    }
    for (id, frames) in &ran {
        flow!("  ran {}@{frames}: {}", graph.nodes[*id].name(), show::frames(frames.len()));
    }
    rebuild::report(&rebuilt, &Selection::default(), false, false);
    flow!("\nputting the keyframe back: every frame comes back from the store");
    rebuild::report(&again(project)?, &Selection::default(), false, false);
    Ok(())
}

/// Frames that the moved key's neighbours have between them, so that a wave runs which can be counted by eye.
const BETWEEN: std::ops::RangeInclusive<i64> = 5..=10;

/// The least that the moved shape covers, in square pixels: what is folded up to nothing draws nothing wherever it is.
const COVERS: f64 = 100.0;

/// How far it is moved, in pixels.
const MOVE: f64 = 4.0;

/// The text with one key moved to the left by [`MOVE`], the key's frame, and the frames of the keys on either side: of
/// the matte keys with neighbours as far away as [`BETWEEN`] says, the one with most frames between, and of those
/// the smallest: a hand on a pole rather than a leg beside it.
fn nudged(text: &str) -> Option<(String, i64, (i64, i64))> {
    // Keys of one shape lie on neighbouring lines; any other line parts shapes.
    let mut shapes: Vec<Vec<Keyed>> = vec![vec![]];
    let mut at = 0;
    for line in text.split_inclusive('\n') {
        match (Keyed::read(line, at), shapes.last_mut()) {
            (Some(key), Some(shape)) => shape.push(key),
            _ => shapes.push(vec![]),
        }
        at += line.len();
    }
    let between = |three: &[Keyed]| three[2].frame - three[0].frame - 1;
    let threes = shapes.iter().flat_map(|shape| shape.windows(3));
    let three = threes
        .filter(|three| BETWEEN.contains(&between(three)) && three[1].area() >= COVERS)
        .min_by(|a, b| between(b).cmp(&between(a)).then(a[1].area().total_cmp(&b[1].area())))?;
    let Keyed { frame, points, place } = &three[1];
    let moved: Vec<String> = points.iter().map(|[x, y]| format!("[{}, {y}]", tenths(x - MOVE))).collect();
    let after = format!("{}[{}]{}", &text[..place.start], moved.join(", "), &text[place.end..]);
    Some((after, *frame, (three[0].frame, three[2].frame)))
}

/// As shapes files write it.
fn tenths(x: f64) -> f64 {
    (x * 10.0).round() / 10.0
}

/// A key of a shape as a line of text has it: `FRAME: [[x, y], …]`.
#[derive(Clone, Debug)]
struct Keyed {
    frame: i64,
    points: Vec<[f64; 2]>,
    /// Where its list of points lies in the text.
    place: Range<usize>,
}

impl Keyed {
    fn read(line: &str, at: usize) -> Option<Self> {
        let (frame, list) = line.split_once(": ").filter(|(_, list)| list.starts_with("[["))?;
        let list = list.trim_end();
        let points = serde_json::from_str(list).ok()?;
        let start = at + frame.len() + 2;
        Some(Self { frame: frame.trim().parse().ok()?, points, place: start..start + list.len() })
    }

    /// What its points enclose, in square pixels: the shoelace formula.
    fn area(&self) -> f64 {
        let next = self.points.iter().cycle().skip(1);
        let twice: f64 = self.points.iter().zip(next).map(|([ax, ay], [bx, by])| ax * by - bx * ay).sum();
        twice.abs() / 2.0
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A folded shape with most frames between, two that cover something, and a longer way off.
    #[test]
    fn the_smallest_key_that_covers_something_moves() {
        assert_eq!(nudged("mattes:\n  a:\n    shapes:\n      - keys:\n          1: [[10, 2]]\n"), None);
        let text = "m:
  a:
    keys:
      1: [[10, 2], [10, 2], [10, 2]]
      5: [[10, 2], [10, 2], [10, 2]]
      12: [[10, 2], [10, 2], [10, 2]]
  b:
    keys:
      1: [[10, 2], [60, 2], [60, 42]]
      5: [[13.5, 2], [33.5, 2], [33.5, 42.2]]
      9: [[12, 2], [50, 2], [50, 42]]
      40: [[12, 2], [50, 2], [50, 42]]
  c:
    keys:
      1: [[10, 2], [60, 2], [60, 42]]
      5: [[10, 2], [60, 2], [60, 42]]
      9: [[10, 2], [60, 2], [60, 42]]
";
        let (after, key, between) = nudged(text).unwrap();
        assert_eq!((key, between), (5, (1, 9)));
        assert_eq!(
            after,
            text.replace("[[13.5, 2], [33.5, 2], [33.5, 42.2]]", "[[9.5, 2], [29.5, 2], [29.5, 42.2]]")
        );
    }

    /// The demo's own text has such a key: a hand on the pole, on frames that the film shows.
    #[test]
    fn the_demos_shapes_have_a_key_to_move() {
        let text = include_str!("../../demo-project/roto/br050.yaml");
        let (after, key, (first, last)) = nudged(text).unwrap();
        assert!(BETWEEN.contains(&(last - first - 1)), "{first} {key} {last}");
        assert!((1008..1028).contains(&first) && last <= 1037, "{first} {key} {last}");
        let changed = text.lines().zip(after.lines()).position(|(a, b)| a != b).unwrap();
        let shape = text.lines().take(changed).filter_map(|line| line.trim().strip_prefix("- name: ")).last();
        assert!(shape.unwrap().ends_with("hand"), "{shape:?}");
    }
}
