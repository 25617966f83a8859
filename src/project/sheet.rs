//! Contact sheets and comparisons: frames that are made, as one picture for people.
//!
//! Knows which frames can be shown and how they are laid out. Renders nothing: what is not made is named, and shown as an empty
//! field. How light becomes codes is `operators::colour::display`'s.

use std::collections::BTreeMap;
use std::path::Path;
use std::sync::Arc;

use super::frames::{Frames, Lack, Lacking, LookError};
use super::{Project, ProjectError, Status};
use crate::graph::{ASSEMBLY, FILM, Graph, NodeId};
use crate::media::image::{Image, RGBA};
use crate::media::{png, scale};
use crate::operators::WorkingSpace;
use crate::operators::colour::display;
use crate::operators::lettering::{Face, ink};
use crate::operators::shape::coverage::Window;
use crate::stale::place;

/// The largest width or height of a sheet, in pixels.
pub const SIDE: u32 = 16_384;

/// How frames are shown.
#[derive(Clone, Debug)]
pub struct View {
    /// Width of one frame, in pixels.
    pub width: u32,
    /// Only this part of a frame: left, top, width, height.
    pub part: Option<[u32; 4]>,
    /// Stops brighter.
    pub stops: f64,
    /// Whether names are written.
    pub named: bool,
}

/// A frame of a stage, or one channel of it, which is shown as grey.
#[derive(Clone, Debug, PartialEq, Eq, Hash)]
pub struct Place {
    /// The stage.
    pub id: NodeId,
    /// The frame.
    pub frame: i64,
    /// The channel's name.
    pub channel: Option<Arc<str>>,
}

impl Place {
    /// `SHOT/STAGE@FRAME` or `SHOT/STAGE.CHANNEL@FRAME`.
    fn name(&self, graph: &Graph) -> String {
        let node = &graph.nodes[self.id];
        match &self.channel {
            None => place(node, self.frame),
            Some(channel) => format!("{}.{}@{}", node.name(), channel, self.frame),
        }
    }

    /// What is shown.
    fn image(&self, frames: &Frames<'_>) -> Result<Image, Lacking> {
        match &self.channel {
            None => frames.image(self.frame),
            Some(channel) => frames.channel(self.frame, channel),
        }
    }
}

/// How two frames are laid out.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Layout {
    /// In one frame, the first up to this share of its width and the second from there on.
    Split(f64),
    /// Both whole, beside each other.
    Beside,
}

/// A picture file, and the frames that it lacks with why.
pub struct Sheet {
    /// PNG.
    pub bytes: Vec<u8>,
    /// How many frames are shown.
    pub shown: usize,
    /// The others.
    pub lacking: Vec<Lack>,
    /// What is to be known of those that are shown.
    pub remarks: Vec<String>,
}

/// Light of the sheet's ground, of an empty field and of writing.
const GROUND: f32 = 0.012;
const EMPTY: f32 = 0.03;
const WRITING: f32 = 0.6;

impl View {
    /// The part that is shown of frames of this size.
    ///
    /// # Errors
    /// When the part is empty or lies outside.
    fn part(&self, (width, height): (u32, u32)) -> Result<[u32; 4], LookError> {
        let part = self.part.unwrap_or([0, 0, width, height]);
        let [left, top, wide, high] = part.map(u64::from);
        if wide == 0 || high == 0 || left + wide > u64::from(width) || top + high > u64::from(height) {
            let words = format!("the part does not lie within the film's frame of {width}x{height}");
            return Err(LookError::Words(words));
        }
        Ok(part)
    }

    /// Width and height of one frame as shown.
    fn size(&self, part: [u32; 4]) -> (u32, u32) {
        let height = (f64::from(self.width) * f64::from(part[3]) / f64::from(part[2])).round();
        (self.width, (height as u32).max(1))
    }

    /// Height of capitals in names.
    fn capitals(&self) -> f64 {
        if self.named { (f64::from(self.width) * 0.02).clamp(7.0, 24.0).round() } else { 0.0 }
    }
}

/// The nodes whose frames the film shows, one of each shot; of a film that is not put together, each shot's last.
pub fn finished(graph: &Graph) -> Vec<NodeId> {
    let mut nodes: Vec<NodeId> = match graph.find(FILM, ASSEMBLY) {
        Some(film) => graph.nodes[film].inputs.iter().map(|edge| edge.from).collect(),
        None => {
            let last = |id: &NodeId| {
                let shot = &graph.nodes[*id].shot;
                !graph.nodes[id + 1..].iter().any(|later| later.shot == *shot)
            };
            (0..graph.nodes.len()).filter(last).filter(|id| !graph.nodes[*id].is_heard()).collect()
        }
    };
    nodes.sort_unstable();
    nodes.dedup();
    nodes
}

impl Project {
    /// One picture of all these frames, row by row, `across` of them side by side.
    ///
    /// # Errors
    /// When the sheet would be too large or shows a part that is none.
    pub fn sheet(
        &self,
        status: &Status,
        places: &[Place],
        across: Option<u32>,
        view: &View,
    ) -> Result<Sheet, LookError> {
        let graph = &status.declared.graph;
        let part = view.part(graph.frame_size)?;
        let (width, height) = view.size(part);
        let count = places.len() as u32;
        let square = (f64::from(count) * f64::from(height) / f64::from(width)).sqrt().ceil() as u32;
        let across = across.unwrap_or(square).clamp(1, count.max(1));
        let capitals = view.capitals();
        let (gap, words) = ((width / 40).max(2), (capitals * 2.0) as u32);
        let side = |fields: u32, each: u64| u64::from(gap) + u64::from(fields) * (each + u64::from(gap));
        let (each_wide, each_high) = (u64::from(width), u64::from(height) + u64::from(words));
        let [wide, high] = [side(across, each_wide), side(count.div_ceil(across), each_high)];
        let (what, way) = match count {
            1 => ("1 frame makes a sheet".to_string(), "show it smaller, or another part"),
            n => (format!("{n} frames make a sheet"), "show fewer, or smaller ones"),
        };
        drawn(&what, [wide, high], way)?;
        let mut sheet = field((wide as u32, high as u32), GROUND);
        let names: Vec<String> = places.iter().map(|place| place.name(graph)).collect();
        let face = Face::of(names.iter().map(String::as_str));
        let (mut lacking, mut remarks) = (Vec::new(), Vec::new());
        let mut stages: BTreeMap<NodeId, Frames<'_>> = BTreeMap::new();
        for (i, (place, name)) in places.iter().zip(&names).enumerate() {
            let (column, row) = (i as u32 % across, i as u32 / across);
            let at = [gap + column * (width + gap), gap + row * (height + words + gap)];
            let frames = stages.entry(place.id).or_insert_with(|| Frames::new(self, status, place.id));
            match place.image(frames) {
                Ok(image) => {
                    lay(&mut sheet, &scale::area_average(&image, part, (width, height)), at);
                    remarks.extend(frames.remark([place.frame]));
                }
                Err(Lacking(why)) => {
                    lay(&mut sheet, &field((width, height), EMPTY), at);
                    lacking.extend(why);
                }
            }
            let room = f64::from(width) / face.width(name, 1.0);
            let size = face.size_of_capitals(capitals).min(room);
            let origin = [f64::from(at[0]), f64::from(at[1] + height) + capitals * 1.5];
            let window = ink::whole(&sheet);
            ink::lay(&mut sheet, &face.cover(name, size, origin, window), WRITING);
        }
        remarks.extend(stages.values().filter_map(Frames::found));
        Ok(finish(&sheet, view, graph, (count as usize - lacking.len(), lacking), remarks))
    }

    /// One picture of two frames, before and after.
    ///
    /// # Errors
    /// When one of them cannot be shown, or the part is none.
    pub fn compare(
        &self,
        status: &Status,
        [before, after]: [Place; 2],
        layout: Layout,
        view: &View,
    ) -> Result<Sheet, LookError> {
        let graph = &status.declared.graph;
        let part = view.part(graph.frame_size)?;
        let (width, height) = view.size(part);
        let gap = (width / 40).max(2);
        let wide = match layout {
            Layout::Split(_) => u64::from(width),
            Layout::Beside => 2 * u64::from(width) + u64::from(gap),
        };
        drawn(
            "this makes a picture",
            [wide, u64::from(height)],
            "give a smaller --width, or another --part",
        )?;
        let (mut both, mut remarks, mut lacking) = (Vec::new(), Vec::new(), Vec::new());
        let mut stages: BTreeMap<NodeId, Frames<'_>> = BTreeMap::new();
        for place in [before, after] {
            let frames = stages.entry(place.id).or_insert_with(|| Frames::new(self, status, place.id));
            remarks.extend(frames.remark([place.frame]));
            match place.image(frames) {
                Ok(image) => {
                    let name = place.name(graph);
                    both.push((scale::area_average(&image, part, (width, height)), name));
                }
                Err(Lacking(why)) => lacking.extend(why),
            }
        }
        if !lacking.is_empty() {
            return Err(Lacking(lacking).into());
        }
        remarks.extend(stages.values().filter_map(Frames::found));
        let (mut sheet, seam) = match layout {
            Layout::Split(share) => {
                let seam = (f64::from(width) * share.clamp(0.0, 1.0)).round() as u32;
                let mut sheet = field((width, height), GROUND);
                lay(&mut sheet, &both[1].0, [0, 0]);
                if seam > 0 {
                    let left = scale::area_average(&both[0].0, [0, 0, seam, height], (seam, height));
                    lay(&mut sheet, &left, [0, 0]);
                }
                let line = (width / 400).max(1);
                lay(&mut sheet, &field((line, height), 1.0), [seam.saturating_sub(line / 2), 0]);
                (sheet, seam)
            }
            Layout::Beside => {
                let mut sheet = field((2 * width + gap, height), GROUND);
                lay(&mut sheet, &both[0].0, [0, 0]);
                lay(&mut sheet, &both[1].0, [width + gap, 0]);
                (sheet, width + gap)
            }
        };
        let face = Face::of(both.iter().map(|(_, name)| name.as_str()));
        let capitals = view.capitals();
        let right = f64::from(sheet.width());
        let needs: Vec<f64> = both
            .iter()
            .map(|(_, name)| face.width(name, face.size_of_capitals(capitals)) + capitals)
            .collect();
        // Beside each other each name stands in its picture's corner; split, the second keeps to the right side.
        let starts = match layout {
            Layout::Beside => [0.0, f64::from(seam)],
            Layout::Split(_) => [0.0, (right - needs[1]).max(0.0)],
        };
        for ((name, start), need) in both.iter().map(|(_, name)| name).zip(starts).zip(needs) {
            if view.named {
                write(&mut sheet, name, start, need, capitals, &face);
            }
        }
        Ok(finish(&sheet, view, graph, (2, Vec::new()), remarks))
    }
}

/// Refuses what is larger than is drawn.
fn drawn(what: &str, [wide, high]: [u64; 2], way: &str) -> Result<(), LookError> {
    if wide.max(high) <= u64::from(SIDE) {
        return Ok(());
    }
    Err(LookError::Words(format!(
        "{what} of {wide}x{high} pixels, and at most {SIDE} a side are drawn: {way}"
    )))
}

fn finish(
    sheet: &Image,
    view: &View,
    graph: &Graph,
    (shown, lacking): (usize, Vec<Lack>),
    remarks: Vec<String>,
) -> Sheet {
    let codes = display::codes(sheet, graph.space, view.stops);
    Sheet { bytes: png::encode(sheet.width(), sheet.height(), &codes), shown, lacking, remarks }
}

/// A frame at a width of at most `width` pixels, as codes for a screen, red, green and blue; a matte as grey. With its size.
pub fn small(image: &Image, width: u32, space: WorkingSpace) -> (Vec<u8>, (u32, u32)) {
    let (wide, high) = (image.width(), image.height());
    let width = width.min(wide);
    let size = (width, ((f64::from(width) * f64::from(high) / f64::from(wide)).round() as u32).max(1));
    let mut shown = field(size, 0.0);
    lay(&mut shown, &scale::area_average(image, [0, 0, wide, high], size), [0, 0]);
    (display::codes(&shown, space, 0.0), size)
}

/// A field of one grey.
fn field((width, height): (u32, u32), level: f32) -> Image {
    let mut image = Image::new(width, height, &RGBA[..3]);
    (0..3).for_each(|channel| image.samples_mut(channel).fill(half::f16::from_f32(level)));
    image
}

/// Puts a picture into the sheet; mattes as grey, the strongest of them.
fn lay(sheet: &mut Image, image: &Image, [x, y]: [u32; 2]) {
    let width = image.width().min(sheet.width().saturating_sub(x)) as usize;
    let mut row = vec![0.0; sheet.width() as usize];
    let mut new = vec![0.0; image.width() as usize];
    let is_picture = RGBA[..3].iter().all(|name| image.channel(name).is_some());
    for (channel, colour) in RGBA[..3].iter().enumerate() {
        for line in 0..image.height().min(sheet.height().saturating_sub(y)) {
            match image.channel(colour).filter(|_| is_picture) {
                Some(own) => image.read_row(own, line, &mut new),
                None => strongest(image, line, &mut new),
            }
            sheet.read_row(channel, y + line, &mut row);
            row[x as usize..][..width].copy_from_slice(&new[..width]);
            sheet.write_row(channel, y + line, &row);
        }
    }
}

/// The strongest channel at each pixel of a row.
fn strongest(image: &Image, line: u32, most: &mut [f32]) {
    let mut row = vec![0.0; most.len()];
    most.fill(0.0);
    for channel in 0..image.channels().len() {
        image.read_row(channel, line, &mut row);
        most.iter_mut().zip(&row).for_each(|(most, value)| *most = most.max(*value));
    }
}

/// Writes a name on a dark ground at the bottom.
fn write(sheet: &mut Image, name: &str, start: f64, need: f64, capitals: f64, face: &Face) {
    let high = capitals * 2.0;
    let top = (f64::from(sheet.height()) - high).max(0.0).floor();
    let ground = Window {
        x: start.floor() as i64,
        y: top as i64,
        width: need.ceil() as usize,
        height: high.ceil() as usize,
    };
    ink::darken(sheet, ground, 0.6);
    let origin = [start.floor() + capitals / 2.0, top + capitals * 1.5];
    let window = ink::whole(sheet);
    let mask = face.cover(name, face.size_of_capitals(capitals), origin, window);
    ink::lay(sheet, &mask, WRITING);
}

/// Whether a picture file may stand there: pictures replace only those that were written alike, never a plate or a text.
/// `option` is the one by which another name is given.
///
/// # Errors
/// Something stands in the way, or cannot be read.
pub fn may_be_written(file: &Path, option: &str) -> Result<(), LookError> {
    let name = file.display();
    if !file.extension().is_some_and(|end| end.eq_ignore_ascii_case("png")) {
        return Err(LookError::Words(format!("{name}: a PNG is written, whose name ends in .png")));
    }
    let refused = |error: std::io::Error| {
        LookError::from(ProjectError::System(format!("{name} is there already and cannot be read: {error}")))
    };
    // What is no regular file is not opened: a named pipe would be waited for without end.
    let meta = match file.symlink_metadata() {
        Ok(meta) => meta,
        Err(error) if error.kind() == std::io::ErrorKind::NotFound => return Ok(()),
        Err(error) => return Err(refused(error)),
    };
    if !meta.is_file() {
        return Err(LookError::Words(format!(
            "{name} is there already and is no regular file; give another name with {option}"
        )));
    }
    if png::is_own(&std::fs::read(file).map_err(refused)?) {
        return Ok(());
    }
    Err(LookError::Words(format!(
        "{name} is there already and was not written by this, or was changed since; give another name with {option}"
    )))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_pipe_a_folder_and_a_link_are_no_place_for_a_picture() {
        let folder = tempfile::tempdir().unwrap();
        let at = |name: &str| folder.path().join(name);
        let kind = rustix::fs::FileType::Fifo;
        rustix::fs::mknodat(rustix::fs::CWD, at("pipe.png"), kind, rustix::fs::Mode::RWXU, 0).unwrap();
        std::fs::create_dir(at("folder.png")).unwrap();
        std::os::unix::fs::symlink("nothing", at("link.png")).unwrap();
        for name in ["pipe.png", "folder.png", "link.png"] {
            let said = may_be_written(&at(name), "--out").unwrap_err().to_string();
            assert!(said.contains("no regular file") && said.contains("--out"), "{said}");
        }
        assert!(may_be_written(&at("free.png"), "--out").is_ok());
        std::fs::write(at("file"), "").unwrap();
        let refused = may_be_written(&at("file/sheet.png"), "--out").unwrap_err();
        assert!(matches!(refused, LookError::Project(ProjectError::System(_))), "{refused}");
    }
}
