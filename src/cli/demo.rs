//! `demo`: the demo film from nothing to ribbons, with one key moved on the way.

use std::collections::BTreeMap;
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

/// The text with the first point of one key moved by four pixels, the key's frame, and the frames of the keys on
/// either side: of the matte keys with neighbours as far away as [`BETWEEN`] says, the one with most frames between.
fn nudged(text: &str) -> Option<(String, i64, (i64, i64))> {
    // Keys of one shape lie on neighbouring lines; any other line parts shapes.
    let mut shapes: Vec<Vec<(usize, i64)>> = vec![vec![]];
    let mut at = 0;
    for line in text.split_inclusive('\n') {
        let key = line.trim().split_once(": [[").and_then(|(frame, _)| frame.parse().ok());
        match (key, shapes.last_mut()) {
            (Some(frame), Some(shape)) => shape.push((at, frame)),
            _ => shapes.push(vec![]),
        }
        at += line.len();
    }
    let between = |three: &&[(usize, i64)]| three[2].1 - three[0].1 - 1;
    let threes = shapes.iter().flat_map(|shape| shape.windows(3));
    let three = threes.filter(|three| BETWEEN.contains(&between(three))).max_by_key(between)?;
    let [(_, first), (at, key), (_, last)] = *three else { return None };
    let start = at + text[at..].find("[[")? + 2;
    let end = start + text[start..].find(',')?;
    let x: f64 = text[start..end].trim().parse().ok()?;
    Some((format!("{}{}{}", &text[..start], x - 4.0, &text[end..]), key, (first, last)))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn one_number_of_one_key_moves() {
        let text = "mattes:\n  a:\n    shapes:\n      - keys:\n          1: [[10, 2]]\n";
        assert_eq!(nudged(text), None);
        let text = "m:
  a:
    keys:
      1: [[10, 2], [3, 4]]
      2: [[11.5, 2], [3, 4]]
      3: [[12, 2], [3, 4]]
  b:
    keys:
      1: [[10, 2], [3, 4]]
      5: [[13.5, 2], [3, 4]]
      9: [[12, 2], [3, 4]]
      40: [[12, 2], [3, 4]]
";
        let (after, key, between) = nudged(text).unwrap();
        assert_eq!((key, between), (5, (1, 9)));
        assert_eq!(after, text.replace("13.5", "9.5"));
    }

    /// The demo's own text has such a key, and it is in the cut.
    #[test]
    fn the_demos_shapes_have_a_key_to_move() {
        let text = include_str!("../../demo-project/roto/br050.yaml");
        let (_, key, (first, last)) = nudged(text).unwrap();
        assert!(
            BETWEEN.contains(&(last - first - 1)) && first >= 1008 && last <= 1033,
            "{first} {key} {last}"
        );
    }
}
