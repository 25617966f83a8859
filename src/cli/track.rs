//! `track`: follows places, flat patches and rods through a shot.
//!
//! Knows the command's words and its report. The work is `project::track`'s.

use std::path::{Component, PathBuf};

use super::arguments::{self, Arguments, Track as Options};
use super::progress::Reading;
use super::{Answer, Exit, Failure, show};
use crate::base::frames::FrameRange;
use crate::base::problem::nearest;
use crate::graph::{Graph, NodeId};
use crate::operators::track::course::Key;
use crate::operators::track::sheet::Thing;
use crate::project::track::{Followed, TrackError, Wish, read_sheet, write_sheet};
use crate::project::{Project, chosen, wanted};

/// Follows, writes and reports.
pub fn run(project: &Project, arguments: &Arguments, options: &Options) -> Answer {
    let reading = Reading::new("following");
    let status = project.status(false, &|_, _| {})?;
    let graph = &status.declared.graph;
    let (node, frames) = stage(graph, &options.shot)?;
    let shot = graph.nodes[node].shot.to_string();
    let leaves = |file: &PathBuf| !file.components().all(|part| matches!(part, Component::Normal(_)));
    if options.file.as_ref().is_some_and(leaves) {
        return Err(Failure::Usage(
            "--file: a path in the project folder is wanted, such as tracks/br030.yaml".into(),
        ));
    }
    let path =
        project.folder.join(options.file.clone().unwrap_or_else(|| format!("tracks/{shot}.yaml").into()));
    let (text, mut sheet) = read_sheet(&path).or_else(failed)?;
    let mut only = Vec::new();
    for seed in &options.point {
        only.extend(set(&mut sheet.points, seed, "X,Y")?);
    }
    for seed in &options.plane {
        only.extend(set(
            &mut sheet.planes,
            seed,
            "the four corners' X,Y,X,Y,X,Y,X,Y from the top left one round",
        )?);
    }
    for seed in &options.blade {
        only.extend(set(&mut sheet.rods, seed, "the base's and the tip's X,Y,X,Y")?);
    }
    let holdout = options.holdout.as_deref().map(|name| matte(graph, &shot, name)).transpose()?;
    let wish = Wish { node, frames, holdout, threshold: options.sure, only };
    let is_any = !(sheet.points.is_empty() && sheet.planes.is_empty() && sheet.rods.is_empty());
    if !is_any {
        let words =
            "there is nothing to follow: give --point, --plane or --blade, or a file with keys set by hand";
        return Err(Failure::Usage(words.into()));
    }
    let followed = project.track(&status, &wish, &mut sheet, &|done, of| reading.at(done, of));
    reading.end();
    let followed = match followed {
        Ok(followed) => followed,
        Err(TrackError::NotMade { place, frames }) => {
            tell!(
                "endboard: {} not there to be looked at: {place}",
                if frames.len() == 1 { "a frame is" } else { "frames are" }
            );
            tell!("make them first: endboard rebuild {place}");
            return Ok(Exit::Unsound);
        }
        Err(error) => return failed(error),
    };
    if followed.is_empty() {
        let words = format!("{} has no keys set by hand on {frames}", path.display());
        return Err(Failure::Usage(words));
    }
    if !options.try_out {
        write_sheet(&path, &text, &sheet).or_else(failed)?;
    }
    let place = graph.nodes[node].name();
    let file = path.strip_prefix(&project.folder).unwrap_or(&path).display().to_string();
    report(&place, frames, &followed, (!options.try_out).then_some(&*file), arguments.json);
    let is_any = followed.iter().any(|f| !f.sound.is_empty() || f.lost.is_empty());
    Ok(if is_any { Exit::Done } else { Exit::Unsound })
}

/// What stands in the way, as other commands say it.
fn failed<T>(error: TrackError) -> Result<T, Failure> {
    Err(match error {
        TrackError::Project(error) => Failure::Project(error),
        other => Failure::Usage(other.to_string()),
    })
}

/// The one stage that is meant, and the frames of it.
fn stage(graph: &Graph, text: &str) -> Result<(NodeId, FrameRange), Failure> {
    let selection = arguments::selection(&[text.to_string()], Some(graph))?;
    let picked = wanted(graph, &selection);
    let is_named =
        |id: &NodeId| arguments::is_named(&selection, &graph.nodes[*id].shot, &graph.nodes[*id].stage);
    let all: Vec<NodeId> = (0..graph.nodes.len()).filter(|&id| picked[id].is_some()).collect();
    let named: Vec<NodeId> = all.iter().copied().filter(|id| is_named(id)).collect();
    let is_plate = |id: &NodeId| &*graph.nodes[*id].stage == "plate";
    let meant = if named.is_empty() { all.iter().copied().filter(is_plate).collect() } else { named };
    let [id] = meant[..] else {
        let names: Vec<String> = all.iter().take(12).map(|&id| graph.nodes[id].name()).collect();
        let words = format!("'{text}' is not one stage; say which: {}", names.join(", "));
        return Err(Failure::Usage(words));
    };
    let frames = chosen(picked[id].as_ref(), graph.nodes[id].frames);
    match frames.runs() {
        [range] => Ok((id, *range)),
        _ => Err(Failure::Usage(format!(
            "'{text}': things are followed through one range of frames, not {frames}"
        ))),
    }
}

/// A stage's channel by `STAGE.CHANNEL`.
fn matte(graph: &Graph, shot: &str, name: &str) -> Result<(NodeId, usize), Failure> {
    let wrong = |words: String| Failure::Usage(format!("--holdout {name}: {words}"));
    let (stage, channel) =
        name.rsplit_once('.').ok_or_else(|| wrong("write STAGE.CHANNEL, such as roto.crew".into()))?;
    let id = graph.find(shot, stage).ok_or_else(|| wrong(format!("{shot} has no stage '{stage}'")))?;
    let channels = &graph.nodes[id].channels;
    let at = channels.iter().position(|c| **c == *channel).ok_or_else(|| {
        let near = nearest(channel, channels.iter().map(|c| &**c));
        let hint = near.map(|near| format!("; did you mean {stage}.{near}?")).unwrap_or_default();
        wrong(format!("{shot}/{stage} has no channel '{channel}'{hint}"))
    })?;
    Ok((id, at))
}

/// Takes a key from `NAME=NUMBERS@FRAME`, or only the name of a thing whose keys stand in the file.
fn set<const N: usize>(
    things: &mut Vec<Thing<N>>,
    text: &str,
    numbers: &str,
) -> Result<Option<String>, Failure> {
    let wrong = |why: String| Failure::Usage(format!("'{text}': {why}"));
    let Some((name, rest)) = text.split_once('=') else {
        return match things.iter().any(|thing| thing.name == *text) {
            true => Ok(Some(text.to_string())),
            false => Err(wrong(
                format!("the file has nothing of that name; write NAME={numbers}@FRAME")
                    .replace("NAME=the", "NAME= with the"),
            )),
        };
    };
    let fine = |c: char| c.is_ascii_alphanumeric() || c == '-' || c == '_';
    if name.is_empty() || name.len() > 64 || !name.chars().all(fine) {
        return Err(wrong("a name is of letters, digits, - and _, at most 64 of them".into()));
    }
    let (list, frame) =
        rest.rsplit_once('@').ok_or_else(|| wrong("the key's frame is missing: …@FRAME".into()))?;
    let frame: i64 = frame.trim().parse().map_err(|_| wrong(format!("'{frame}' is not a frame number")))?;
    let number = |text: &str| text.trim().parse().ok().filter(|n: &f64| n.abs() <= 1e6);
    let list: Option<Vec<f64>> = list.split(',').map(number).collect();
    let at: [f64; N] = list
        .and_then(|list| list.try_into().ok())
        .ok_or_else(|| wrong(format!("{numbers} are wanted: {N} numbers with commas between")))?;
    let new = Thing { name: name.into(), ease: None, keys: Vec::new() };
    let index = things.iter().position(|thing| thing.name == name).unwrap_or_else(|| {
        things.push(new);
        things.len() - 1
    });
    let keys = &mut things[index].keys;
    match keys.iter().position(|key| key.frame == frame) {
        Some(i) if keys[i].sure.is_none() && keys[i].at != at => {
            let words = format!(
                "the file has a key of {name} at {frame} that was set by hand; change or remove it there"
            );
            return Err(wrong(words));
        }
        Some(i) => keys[i] = Key { frame, at, sure: None },
        None => keys.push(Key { frame, at, sure: None }),
    }
    keys.sort_by_key(|key| key.frame);
    Ok(Some(name.to_string()))
}

fn report(place: &str, frames: FrameRange, followed: &[Followed], file: Option<&str>, json: bool) {
    if json {
        let list = followed.iter().map(|f| {
            serde_json::json!({
                "kind": f.kind, "name": f.name, "set_by_hand": f.by_hand, "followed": f.sound.to_string(),
                "lost": f.lost.to_string(), "mean": f.sure.0, "least": f.sure.1,
            })
        });
        let list: Vec<_> = list.collect();
        let all = serde_json::json!({
            "format": "endboard track 1", "place": place, "frames": frames.to_string(), "file": file, "things": list,
        });
        say!("{all:#}");
        return;
    }
    for f in followed {
        let by_hand = format!("{} set by hand", f.by_hand);
        let (mean, least) = f.sure;
        let followed = match f.sound.len() {
            0 => "none followed".to_string(),
            n => format!("{} followed, sure {mean:.2}, least {least:.2}", show::frames(n)),
        };
        say!("{} {}: {by_hand}, {followed}", f.kind, f.name);
        if !f.lost.is_empty() {
            say!("  lost, without a key: {place}@{}", f.lost);
        }
    }
    match file {
        Some(file) => say!("written to {file}; a key without 'sure' is yours and stays as it is"),
        None => say!("nothing written"),
    }
}
