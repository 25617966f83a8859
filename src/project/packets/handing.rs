//! Handing out: frames of a hand stage with what a person needs to make them, as a packet.
//!
//! Knows what goes into a packet and that the ledger learns what each frame rests on. Inputs that are not as declared are handed
//! out only when that is asked for.

use std::collections::{BTreeMap, BTreeSet};
use std::path::PathBuf;

use jiff::Timestamp;
use jiff::civil::Date;

use super::brief::{self, Shot, Told};
use super::inputs::{self, Source};
use super::{A_ROW, Hand, PACKETS, hand, in_rows, sheet};
use crate::base::digest::Digest;
use crate::base::frames::{FrameRange, FrameSet};
use crate::base::made::{MadeOf, NONE};
use crate::base::selector::Selection;
use crate::base::state::State;
use crate::declare::film::Delivers;
use crate::execute;
use crate::graph::{Edge, Graph};
use crate::ledger::crew::{Crew, Handout};
use crate::ledger::file::Ledger;
use crate::ledger::row::{Row, What};
use crate::media::exr::{self, Compression};
use crate::media::image::{Channel, Image, RGBA};
use crate::media::{jpeg, png};
use crate::operators::WorkingSpace;
use crate::operators::colour::display;
use crate::operators::colour::encoding::usual_encoding;
use crate::packet::write::Writer as Bag;
use crate::project::frames::{Lack, Lacking, LookError};
use crate::project::naming::is_named;
use crate::project::rebuild::Writer;
use crate::project::{Project, ProjectError, Status, chosen, wanted};
use crate::stale::Reason;
use crate::store::actions::Action;

/// How frames are handed out.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Form {
    /// As they are.
    Exr,
    /// As a screen shows them, without loss.
    Png,
    /// As a screen shows them, smaller.
    Jpeg,
}

impl Form {
    fn ending(self) -> &'static str {
        match self {
            Self::Exr => "exr",
            Self::Png => "png",
            Self::Jpeg => "jpg",
        }
    }
}

/// What is to be handed out, how and to whom.
pub struct Order<'a> {
    /// Shots of one hand stage, and frames of them.
    pub selection: &'a Selection,
    /// To whom.
    pub person: &'a str,
    /// By when.
    pub due: Option<Date>,
    /// What to do.
    pub words: &'a str,
    /// How frames are written.
    pub form: Form,
    /// Whether a zip is written, in place of a folder.
    pub as_zip: bool,
    /// The folder to write into.
    pub out: Option<PathBuf>,
    /// Frames at each end that are there to look at.
    pub handles: i64,
    /// Whether inputs go out that are not as declared.
    pub as_it_is: bool,
    /// Who hands out.
    pub writer: &'a Writer,
    /// When.
    pub now: Timestamp,
    /// The day of that.
    pub today: Date,
}

/// What was handed out.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct HandedOut {
    /// The packet's name.
    pub packet: String,
    /// Where it lies.
    pub place: PathBuf,
    /// `SHOT/STAGE@FRAMES`, and how many.
    pub parts: Vec<(String, usize)>,
    /// Frames that others have too, with who has them since when.
    pub overlaps: Vec<(String, String)>,
    /// What went out although it is not as declared.
    pub as_it_is: Vec<Lack>,
}

/// One shot's part of a packet.
struct Part<'a> {
    hand: Hand<'a>,
    frames: FrameSet,
    rests_on: BTreeMap<i64, (Digest, Vec<Digest>)>,
}

impl Project {
    /// Hands frames out.
    ///
    /// # Errors
    /// Nothing that a person is to make is selected, inputs are not there or not as declared, or the disk refuses.
    pub fn hand_out(&self, order: &Order<'_>) -> Result<HandedOut, LookError> {
        let _lock = self.lock(order.writer)?;
        self.finish_taking(order.writer)?;
        let status = self.status(false, &|_, _| {})?;
        let picked = pick(&status, order.selection)?;
        let mut as_it_is = Vec::new();
        let mut parts = Vec::new();
        for (hand, frames) in picked {
            as_it_is.extend(self.sound(&status, hand, &frames, order)?);
            let resting = inputs::rest_on(self, &status, hand, &frames, order.as_it_is);
            let rests_on =
                resting.into_iter().filter_map(|(n, on)| Some((n, on?))).collect::<BTreeMap<_, _>>();
            if let Some(n) = frames.iter().find(|n| !rests_on.contains_key(n)) {
                let place = crate::stale::place(hand.node, n);
                let (why, way) =
                    ("an input of it cannot be read".into(), format!("`endboard why {place}` says more"));
                return Err(Lacking(vec![Lack { place, why, way }]).into());
            }
            parts.push(Part { hand, frames, rests_on });
        }
        let overlaps = overlaps(&status, &parts);
        let within = order.out.clone().unwrap_or_else(|| self.folder.join(PACKETS));
        let name = free_name(&status, &within, order);
        let place = self.write_packet(&status, order, &name, &within, &parts)?;
        let noted = self.note(&status, order, &name, &parts);
        noted.map_err(|why| {
            let place = place.display();
            ProjectError::System(format!(
                "{place} is written, but the film does not know of it: {why}; take it away and hand out once more"
            ))
        })?;
        let told =
            |part: &Part<'_>| (format!("{}@{}", part.hand.node.name(), part.frames), part.frames.len());
        Ok(HandedOut { packet: name, place, parts: parts.iter().map(told).collect(), overlaps, as_it_is })
    }

    /// Whether the inputs of frames are there and as declared; gives those that are not and go out all the same.
    fn sound(
        &self,
        status: &Status,
        hand: Hand<'_>,
        frames: &FrameSet,
        order: &Order<'_>,
    ) -> Result<Vec<Lack>, LookError> {
        let (mut lacking, mut kept) = (Vec::new(), Vec::new());
        for from in hand.node.inputs.iter().map(|edge| edge.from).collect::<BTreeSet<_>>() {
            let source = Source::new(self, status, from, order.as_it_is);
            lacking.extend(source.lacking(frames));
            let odd = source.kept(frames);
            if !odd.is_empty() {
                let place = format!("{}@{odd}", status.declared.graph.nodes[from].name());
                let way = "rebuild it first, or hand it out so with --as-it-is".into();
                kept.push(Lack { place, why: "not as declared".into(), way });
            }
        }
        if !order.as_it_is {
            lacking.append(&mut kept);
        }
        if lacking.is_empty() { Ok(kept) } else { Err(Lacking(lacking).into()) }
    }

    /// Tells the ledger what is out and what it rests on, and the store what that is made of.
    fn note(
        &self,
        status: &Status,
        order: &Order<'_>,
        name: &str,
        parts: &[Part<'_>],
    ) -> Result<(), ProjectError> {
        let mut ledger = Ledger::open(&self.folder.join("ledger"), &order.writer.name)?;
        let graph = &status.declared.graph;
        let sentence: String = order.words.split_whitespace().collect::<Vec<_>>().join(" ");
        let sentence: String = sentence.chars().take(400).collect();
        for part in parts {
            let frames: Vec<i64> = part.frames.iter().collect();
            for (begin, set) in in_rows(&frames) {
                let of_row = &frames[begin..(begin + A_ROW).min(frames.len())];
                let handout = Handout {
                    packet: name.into(),
                    person: order.person.into(),
                    due: order.due,
                    digests: of_row.iter().map(|n| part.rests_on[n].0).collect(),
                    note: sentence.as_str().into(),
                };
                ledger.append(&Row {
                    when: order.now,
                    film: graph.film.as_str().into(),
                    shot: part.hand.node.shot.clone(),
                    stage: part.hand.node.stage.clone(),
                    frames: set,
                    by: order.writer.name.as_str().into(),
                    what: What::Crew(Crew::Handout(handout)),
                })?;
            }
            for (rests_on, inputs) in part.rests_on.values().filter(|(on, _)| !status.actions.has(on)) {
                let identity = part.hand.node.identity;
                let made_of =
                    MadeOf { identity, parameters: NONE, ingredients: NONE, inputs: inputs.clone() };
                status.actions.put(&Action { key: *rests_on, pixels: NONE, planes: Vec::new(), made_of })?;
            }
        }
        Ok(())
    }

    fn write_packet(
        &self,
        status: &Status,
        order: &Order<'_>,
        name: &str,
        within: &std::path::Path,
        parts: &[Part<'_>],
    ) -> Result<PathBuf, LookError> {
        let failed = |why: crate::packet::write::WriteError| match why {
            taken @ crate::packet::write::WriteError::Taken(_) => LookError::Words(taken.to_string()),
            other => ProjectError::System(other.to_string()).into(),
        };
        let mut bag = Bag::begin(within, name, order.as_zip).map_err(failed)?;
        let graph = &status.declared.graph;
        let mut touch = String::from("shot,frame,file,why\r\n");
        let mut shots = Vec::new();
        for part in parts {
            let mut shot = self.told_of(status, part);
            shot.inputs = self.put_inputs(&mut bag, status, order, part)?;
            for n in part.frames.iter() {
                if let Ok(bytes) = std::fs::read(self.folder.join(part.hand.files.path(n))) {
                    let path = format!("{}/earlier/{}", part.hand.node.shot, part.hand.name(n));
                    bag.payload(&path, &bytes).map_err(failed)?;
                }
                let why = shot.why.iter().find(|(f, _)| f.parse::<FrameSet>().is_ok_and(|f| f.contains(n)));
                let why = why.map_or("", |(_, why)| why).replace('"', "\"\"");
                touch += &format!("{},{n},{},\"{why}\"\r\n", part.hand.node.shot, part.hand.name(n));
            }
            if part.frames.iter().any(|n| self.folder.join(part.hand.files.path(n)).is_file()) {
                shot.besides.push(format!("data/{}/earlier, your files of before", part.hand.node.shot));
            }
            for path in self.shapes(graph, part) {
                if let Ok(bytes) = std::fs::read(self.folder.join(&path)) {
                    bag.payload(&format!("{}/shapes/{path}", part.hand.node.shot), &bytes).map_err(failed)?;
                    shot.besides.push(format!("data/{}/shapes/{path}", part.hand.node.shot));
                }
            }
            shots.push(shot);
        }
        bag.payload("touch.csv", touch.as_bytes()).map_err(failed)?;
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
            handles: order.handles,
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
            ("External-Identifier", name),
            ("External-Description", order.words),
        ];
        bag.finish(&info).map_err(failed)
    }

    fn told_of(&self, status: &Status, part: &Part<'_>) -> Shot {
        let hand = part.hand;
        let (width, height) = status.declared.graph.frame_size;
        let first = part.frames.iter().next().unwrap_or(0);
        let ending = hand.files.after.rsplit('.').next().unwrap_or("").to_string();
        let said = hand.node.ingredients.iter().find(|i| i.name == "encoding").and_then(|i| i.text.clone());
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
        let failed =
            |why: crate::packet::write::WriteError| LookError::from(ProjectError::System(why.to_string()));
        let (graph, shot) = (&status.declared.graph, &part.hand.node.shot);
        let mut told = Vec::new();
        for (index, edge) in part.hand.node.inputs.iter().enumerate() {
            let source = Source::new(self, status, edge.from, order.as_it_is);
            let frames = with_handles(&part.frames, order.handles, graph.nodes[edge.from].frames, &source);
            let like = part.hand.node.inputs[..index].iter().filter(|of| of.port == edge.port).count();
            let port = if like == 0 { edge.port.clone() } else { format!("{}-{}", edge.port, like + 1) };
            let mut shown = String::new();
            for n in frames.iter() {
                let image = source.image(n)?;
                let image = channel_of(image, edge);
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

fn space_name(space: WorkingSpace) -> &'static str {
    match space {
        WorkingSpace::LinearRec709 => "linear-rec709",
        WorkingSpace::AcesCg => "acescg",
    }
}

/// The frames to be made and those around them that are there.
fn with_handles(frames: &FrameSet, handles: i64, whole: FrameRange, source: &Source<'_>) -> FrameSet {
    let mut all = FrameSet::new();
    for run in frames.runs() {
        all.insert_range(run.widen(handles).meet(whole));
    }
    all.iter().filter(|&n| frames.contains(n) || source.has(n)).collect()
}

/// The picture, or the one channel of it that the stage takes.
fn channel_of(image: Image, edge: &Edge) -> Image {
    let Some(channel) = &edge.channel else { return image };
    let (width, height) = (image.width(), image.height());
    let one: Vec<Channel> = image.channels().iter().filter(|of| of.name == *channel).cloned().collect();
    Image::from_channels(width, height, one)
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
        Form::Jpeg => jpeg::encode(width, height, codes).map_err(|why| failed(why.to_string())),
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

/// The hand stages and frames that a selection means.
fn pick<'a>(status: &'a Status, selection: &Selection) -> Result<Vec<(Hand<'a>, FrameSet)>, LookError> {
    let graph = &status.declared.graph;
    let picked = wanted(graph, selection);
    let mut all: Vec<(Hand<'_>, FrameSet)> = Vec::new();
    for (id, node) in graph.nodes.iter().enumerate() {
        let Some(of) = hand(status, id) else {
            if picked[id].is_some() && is_named(selection, &node.shot, &node.stage) {
                return Err(LookError::Words(format!(
                    "{} is not made by hand; name a hand stage",
                    node.name()
                )));
            }
            continue;
        };
        let frames = chosen(picked[id].as_ref(), node.frames);
        let names_frames = selection
            .selectors
            .iter()
            .any(|s| s.frames().is_some() && s.matches(&node.shot, &node.stage).is_some());
        let waits = |n: &i64| {
            let cell = status.report.strips[id].get(*n);
            names_frames || cell.is_some_and(|cell| cell.state != State::Fresh)
        };
        let frames: FrameSet = frames.iter().filter(waits).collect();
        if !frames.is_empty() {
            all.push((of, frames));
        }
    }
    let mut stages: Vec<&str> = all.iter().map(|(hand, _)| &*hand.node.stage).collect();
    stages.sort_unstable();
    stages.dedup();
    match stages[..] {
        [] => Err(LookError::Nothing(
            "nothing that is selected waits for a person; name frames, such as br050/cleanup@1001-1004, to hand them out all the same"
                .into(),
        )),
        [_] => Ok(all),
        _ => Err(LookError::Words(format!(
            "a packet is of one stage, and these are {}; name one, such as {}",
            stages.join(", "),
            all[0].0.node.name()
        ))),
    }
}

/// Frames that others have as well.
fn overlaps(status: &Status, parts: &[Part<'_>]) -> Vec<(String, String)> {
    let mut all: Vec<(String, FrameSet, String)> = Vec::new();
    for part in parts {
        let node = part.hand.node;
        for n in part.frames.iter() {
            for packet in status.packets.out(&node.shot, &node.stage, n) {
                let who = crate::project::past::with_whom(packet);
                match all.iter_mut().find(|(of, _, other)| *of == node.name() && *other == who) {
                    Some((_, set, _)) => set.insert(n),
                    None => all.push((node.name(), [n].into_iter().collect(), who)),
                }
            }
        }
    }
    all.into_iter().map(|(name, set, who)| (format!("{name}@{set}"), who)).collect()
}

/// The first free name: of the person, the day and a number.
fn free_name(status: &Status, within: &std::path::Path, order: &Order<'_>) -> String {
    let person: String = order
        .person
        .chars()
        .map(|c| if c.is_ascii_alphanumeric() { c.to_ascii_lowercase() } else { '-' })
        .collect();
    let person = person.trim_matches('-');
    let person = if person.is_empty() { "packet" } else { person };
    let name = |number: u32| format!("{person}-{}-{number}", order.today.strftime("%Y%m%d"));
    let is_there = |name: &str| {
        status.packets.named(name).is_some()
            || [name.to_string(), format!("{name}.zip")]
                .iter()
                .any(|file| within.join(file).symlink_metadata().is_ok())
    };
    (1..).map(name).find(|name| !is_there(name)).expect("there is no end of numbers")
}
