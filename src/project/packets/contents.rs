//! What goes into a packet: input frames, earlier files, shapes, the brief, the folder that is sent back.
//!
//! Knows how each is written so that a person can open it. Does not know the ledger.

use std::collections::BTreeSet;

use super::brief::{self, Shot, Told};
use super::handing::{Content, Form, Order, Part};
use super::inputs::Source;
use super::sheet;
use crate::base::frames::FrameSet;
use crate::declare::film::Delivers;
use crate::execute;
use crate::graph::{Edge, Graph};
use crate::media::exr::{self, Compression};
use crate::media::image::{Image, RGBA};
use crate::media::{jpeg, png};
use crate::operators::WorkingSpace;
use crate::operators::colour::display;
use crate::operators::colour::encoding::usual_encoding;
use crate::packet::bag;
use crate::packet::write::{WriteError, Writer as Bag, Written};
use crate::project::frames::{Lacking, LookError};
use crate::project::{Project, ProjectError, Status};
use crate::stale::Reason;

/// The list of frames to be made, in the payload.
pub(super) const TOUCH: &str = "touch.csv";

impl Project {
    pub(super) fn write_packet(
        &self,
        status: &Status,
        order: &Order<'_>,
        name: &str,
        mut bag: Bag,
        parts: &[Part<'_>],
    ) -> Result<(Written, Vec<Content>), LookError> {
        let graph = &status.declared.graph;
        let mut touch = String::from("shot,frame,file,why\r\n");
        let mut shots = Vec::new();
        for part in parts {
            let shot = self.put_shot(&mut bag, status, order, part, &mut touch)?;
            shots.push(shot);
        }
        bag.payload(TOUCH, touch.as_bytes()).map_err(failed)?;
        let contents = shots.iter().flat_map(contents).collect();
        let rate = status.declared.film.as_ref().map(|film| film.rate.to_string()).unwrap_or_default();
        let told = Told {
            film: graph.film.clone(),
            rate,
            packet: name.into(),
            stage: parts[0].hand.node.stage.to_string(),
            person: order.person.into(),
            by: order.writer.name.clone(),
            today: order.today,
            due: order.due,
            words: order.words.into(),
            shots,
        };
        let page = brief::page(&told);
        bag.tag_file("BRIEF.txt", brief::text(&page).as_bytes()).map_err(failed)?;
        bag.tag_file("BRIEF.html", brief::html(&page).as_bytes()).map_err(failed)?;
        let names: Vec<&str> = parts.iter().map(|part| &*part.hand.node.shot).collect();
        bag.open_file("return/hours.csv", sheet::blank(&names).as_bytes()).map_err(failed)?;
        bag.open_file("return/packet.txt", format!("{name}\n").as_bytes()).map_err(failed)?;
        let day = order.today.to_string();
        let info = [
            ("Source-Organization", graph.film.as_str()),
            ("Contact-Name", &order.writer.name),
            ("Bagging-Date", &day),
            (bag::NAME, name),
            ("External-Description", order.words),
        ];
        Ok((bag.finish(&info).map_err(failed)?, contents))
    }

    /// Writes one shot's files, adds what is to be made to the list, and gives what is to be said of the shot.
    fn put_shot(
        &self,
        bag: &mut Bag,
        status: &Status,
        order: &Order<'_>,
        part: &Part<'_>,
        touch: &mut String,
    ) -> Result<Shot, LookError> {
        let mut shot = self.told_of(status, part);
        shot.inputs = self.put_inputs(bag, status, order, part)?;
        for n in part.frames.iter() {
            if let Ok(bytes) = std::fs::read(self.folder.join(part.hand.files.path(n))) {
                let path = format!("{}/earlier/{}", part.hand.node.shot, part.hand.name(n));
                bag.payload(&path, &bytes).map_err(failed)?;
            }
            let why = shot.why.iter().find(|(f, _)| f.parse::<FrameSet>().is_ok_and(|f| f.contains(n)));
            let why = why.map_or("", |(_, why)| why).replace('"', "\"\"");
            *touch += &format!("{},{n},{},\"{why}\"\r\n", part.hand.node.shot, part.hand.name(n));
        }
        if part.frames.iter().any(|n| self.folder.join(part.hand.files.path(n)).is_file()) {
            let path = format!("data/{}/earlier", part.hand.node.shot);
            shot.besides.push((path, "files that the stage had before".into()));
        }
        for path in self.shapes(&status.declared.graph, part) {
            if let Ok(bytes) = std::fs::read(self.folder.join(&path)) {
                bag.payload(&format!("{}/shapes/{path}", part.hand.node.shot), &bytes).map_err(failed)?;
                let path = format!("data/{}/shapes/{path}", part.hand.node.shot);
                shot.besides.push((path, "shapes as text".into()));
            }
        }
        Ok(shot)
    }

    fn told_of(&self, status: &Status, part: &Part<'_>) -> Shot {
        let hand = part.hand;
        let (width, height) = status.declared.graph.frame_size;
        let first = part.frames.iter().next().unwrap_or(0);
        let ending = hand.files.after.rsplit('.').next().unwrap_or("").to_string();
        let said = hand
            .node
            .ingredients
            .iter()
            .find(|i| i.name == "encoding")
            .and_then(|i| i.text.clone())
            .filter(|text| !text.is_empty());
        let encoding =
            said.or_else(|| usual_encoding(&ending, false).map(str::to_string)).unwrap_or_default();
        let holds = match hand.delivers {
            Delivers::Picture => format!(
                "{}, {width}x{height} pixels, whole and not scaled; red, green and blue, {encoding}; alpha in all files or in none",
                ending.to_uppercase()
            ),
            Delivers::Mattes(names) => format!(
                "{}, {width}x{height} pixels, whole and not scaled; mattes from 0 (out) to 1 (in), as channels {}{}",
                ending.to_uppercase(),
                names.iter().map(|name| &**name).collect::<Vec<_>>().join(", "),
                if names.len() == 1 { ", or as a grey picture" } else { "" }
            ),
        };
        let number = format!("{first:0width$}", width = hand.files.digits);
        let marked = hand.name(first).replacen(&number, &"#".repeat(hand.files.digits), 1);
        Shot {
            shot: hand.node.shot.to_string(),
            frames: part.frames.to_string(),
            count: part.frames.len(),
            why: self.reasons(status, part),
            inputs: Vec::new(),
            besides: Vec::new(),
            wanted: format!("return/{}/{marked}", hand.node.shot),
            example: format!("return/{}/{}", hand.node.shot, hand.name(first)),
            holds,
        }
    }

    /// Why each frame is to be made, those of one reason together.
    fn reasons(&self, status: &Status, part: &Part<'_>) -> Vec<(String, String)> {
        let frames: Vec<(usize, i64)> = part.frames.iter().map(|n| (part.hand.id, n)).collect();
        let mut all: Vec<(String, FrameSet)> = Vec::new();
        for (steps, &(id, n)) in self.why(status, &frames).iter().zip(&frames) {
            let reason = status.report.strips[id].get(n).map(|cell| cell.reason);
            let why = match reason {
                Some(Reason::FileMissing) => "to be made for the first time".to_string(),
                Some(Reason::Redo) => {
                    let from = steps.last().filter(|_| steps.len() > 1);
                    let from = from.map_or(String::new(), |step| {
                        format!(" ({})", step.place.split('@').next().unwrap_or(""))
                    });
                    format!(
                        "made before for another picture{from}: look at it again, and change what no longer fits"
                    )
                }
                Some(Reason::Out) if !self.folder.join(part.hand.files.path(n)).is_file() => {
                    "to be made for the first time; another person has it too".to_string()
                }
                Some(Reason::Out) => "another person has it too".to_string(),
                _ => "to be made better".to_string(),
            };
            match all.iter_mut().find(|(of, _)| *of == why) {
                Some((_, set)) => set.insert(n),
                None => all.push((why, [n].into_iter().collect())),
            }
        }
        all.into_iter().map(|(why, set)| (set.to_string(), why)).collect()
    }

    /// Shapes and tracks that the stage or what feeds it names.
    fn shapes(&self, graph: &Graph, part: &Part<'_>) -> BTreeSet<String> {
        let node = part.hand.node;
        let around = node.inputs.iter().map(|edge| &graph.nodes[edge.from]);
        let named = std::iter::once(node).chain(around).flat_map(|node| &node.ingredients);
        let is_shapes = |path: &&String| {
            [".yaml", ".yml", ".svg"].iter().any(|ending| path.ends_with(ending))
                && crate::declare::path_fault(path).is_none()
                && self.folder.join(path).is_file()
        };
        named.filter(|of| of.text.is_none()).map(|of| &of.name).filter(is_shapes).cloned().collect()
    }

    /// Writes the input frames; gives a path with `####`, its frames and what it is, an input each.
    fn put_inputs(
        &self,
        bag: &mut Bag,
        status: &Status,
        order: &Order<'_>,
        part: &Part<'_>,
    ) -> Result<Vec<(String, String, String)>, LookError> {
        let (graph, shot) = (&status.declared.graph, &part.hand.node.shot);
        let mut told = Vec::new();
        for (index, edge) in part.hand.node.inputs.iter().enumerate() {
            let source = Source::new(self, status, edge.from, order.as_it_is);
            let frames = with_more(&part.frames, order.around, &source);
            let like = part.hand.node.inputs[..index].iter().filter(|of| of.port == edge.port).count();
            let port = if like == 0 { edge.port.clone() } else { format!("{}-{}", edge.port, like + 1) };
            let mut shown = String::new();
            for n in frames.iter() {
                let image = source.image(n)?;
                let image = channel_of(image, graph, edge, n)?;
                for (suffix, what, bytes) in encoded(graph, &image, order.form)? {
                    let path =
                        format!("{shot}/{port}{suffix}/{shot}.{port}{suffix}.{n:04}.{}", order.form.ending());
                    bag.payload(&path, &bytes).map_err(failed)?;
                    shown = what;
                }
            }
            let path = format!("data/{shot}/{port}/{shot}.{port}.####.{}", order.form.ending());
            told.push((path, frames.to_string(), shown));
        }
        Ok(told)
    }
}

/// What a person finds of one shot.
fn contents(shot: &Shot) -> Vec<Content> {
    let input = |(path, frames, says): &(String, String, String)| Content {
        path: path.clone(),
        frames: frames.clone(),
        says: says.clone(),
    };
    let besides = |(path, says): &(String, String)| Content {
        path: path.clone(),
        frames: String::new(),
        says: says.clone(),
    };
    shot.inputs.iter().map(input).chain(shot.besides.iter().map(besides)).collect()
}

pub(super) fn failed(why: WriteError) -> LookError {
    match why {
        taken @ WriteError::Taken(_) => LookError::Words(taken.to_string()),
        other => ProjectError::System(other.to_string()).into(),
    }
}

fn space_name(space: WorkingSpace) -> &'static str {
    match space {
        WorkingSpace::LinearRec709 => "linear-rec709",
        WorkingSpace::AcesCg => "acescg",
    }
}

/// The frames to be made and those around them that are there.
fn with_more(frames: &FrameSet, around: i64, source: &Source<'_>) -> FrameSet {
    let mut all = FrameSet::new();
    for run in frames.runs() {
        all.insert_range(run.widen(around));
    }
    all.iter().filter(|&n| frames.contains(n) || source.has(n)).collect()
}

/// The picture, or the one channel of it that the stage takes.
fn channel_of(image: Image, graph: &Graph, edge: &Edge, frame: i64) -> Result<Image, Lacking> {
    match &edge.channel {
        None => Ok(image),
        Some(name) => image.only(name).ok_or_else(|| Lacking::channel(&graph.nodes[edge.from], frame, name)),
    }
}

/// A picture's files: what follows the name, what it is, in words, and the bytes.
fn encoded(graph: &Graph, image: &Image, form: Form) -> Result<Vec<(String, String, Vec<u8>)>, LookError> {
    let failed = |why: String| LookError::from(ProjectError::System(why));
    let is_picture = RGBA[..3].iter().all(|name| image.channel(name).is_some());
    let (width, height) = (image.width(), image.height());
    if form == Form::Exr {
        let facts = [("chromaticities".to_string(), execute::colour(graph.space))];
        let bytes = exr::encode(image, Compression::Zip, &facts).map_err(|why| failed(why.to_string()))?;
        let names: Vec<&str> = image.channels().iter().map(|of| &*of.name).collect();
        let what = match is_picture {
            true => format!("EXR, light as it is ({}), premultiplied", space_name(graph.space)),
            false => format!("EXR, mattes from 0 to 1: {}", names.join(", ")),
        };
        return Ok(vec![(String::new(), what, bytes)]);
    }
    let kind = if form == Form::Png { "PNG" } else { "JPEG" };
    let file = |codes: &[u8]| match form {
        Form::Jpeg => jpeg::encode((width, height), codes, jpeg::FINE).map_err(|why| failed(why.to_string())),
        _ => Ok(png::encode(width, height, codes)),
    };
    if is_picture {
        let what = format!(
            "{kind} of 8 bits as a screen shows it (sRGB); only to look at and to trace, as what is brighter than white is cut off"
        );
        return Ok(vec![(String::new(), what, file(&display::codes(image, graph.space, 0.0))?)]);
    }
    let mut files = Vec::new();
    for (at, channel) in image.channels().iter().enumerate() {
        let codes = image
            .plane_f32(at)
            .iter()
            .flat_map(|v| [(v.clamp(0.0, 1.0) * 255.0).round() as u8; 3])
            .collect::<Vec<_>>();
        let suffix = if image.channels().len() == 1 { String::new() } else { format!(".{}", channel.name) };
        files.push((suffix, format!("{kind} of 8 bits, a matte: black is out, white is in"), file(&codes)?));
    }
    Ok(files)
}
