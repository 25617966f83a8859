//! Source files as rasters: image files by their codec, deliveries of people; movies are `reel`'s.
//!
//! An image file's bytes are digested again as they are read: one that changed after it was looked at is not taken.

use std::path::Path;
use std::sync::Arc;

use super::Engine;
use super::make::Trouble;
use crate::base::digest::Digest;
use crate::declare::film::{Delivers, Media};
use crate::media::image::{Channel, Image, Raster};
use crate::media::sound::{self, CLIP, Sound};
use crate::media::{self, Format};
use crate::observe;
use crate::operators::{Inputs, Made, Prepared};
use crate::stale::SourceState;

impl Engine<'_> {
    /// The raster of a source's frame.
    pub(super) fn raster(&self, source: usize, frame: i64) -> Result<Raster, Trouble> {
        let source_of = &self.graph.sources[source];
        let path = observe::path(&self.project, source_of, frame);
        if let Media::Movie { first, .. } = &source_of.media {
            return self.movie_frame(source, &path, frame - first);
        }
        let bytes = self.as_looked_at(source, frame, &path)?;
        Ok(decoded(&path.to_string_lossy(), &bytes)?)
    }

    /// A clip of sound, whole.
    pub(super) fn clip(&self, source: usize) -> Result<Sound, Trouble> {
        let path = observe::path(&self.project, &self.graph.sources[source], CLIP);
        let bytes = self.as_looked_at(source, CLIP, &path)?;
        Ok(sound::read(std::io::Cursor::new(bytes)).map_err(|why| format!("{}: {why}", path.display()))?)
    }

    /// The bytes of a source's file, if they are still those that were looked at.
    fn as_looked_at(&self, source: usize, frame: i64, path: &Path) -> Result<Vec<u8>, Trouble> {
        let refused = |e: std::io::Error| Trouble::of_the_moment(format!("{}: {e}", path.display()));
        let bytes = std::fs::read(path).map_err(refused)?;
        let sight = self.seen[source].get(frame).map(|sight| sight.state);
        if sight == Some(SourceState::Known(Digest::of(&bytes))) { Ok(bytes) } else { Err(changed(path)) }
    }
}

/// The raster of an image file's bytes.
fn decoded(name: &str, bytes: &[u8]) -> Result<Raster, String> {
    let format = Format::of_path(name).ok_or_else(|| format!("{name}: no picture format that is read"))?;
    media::decode(format, bytes).map_err(|why| format!("{name}: {why}"))
}

/// A file is not the one that was looked at before the rebuild began.
pub(super) fn changed(path: &Path) -> Trouble {
    let name = path.display();
    Trouble::of_the_moment(format!("{name}: the file changed during the rebuild; rebuild once more"))
}

/// What a person or a command delivered, as the stage promises it: a picture, or mattes by name.
pub fn delivered(
    raster: Raster,
    delivers: &Delivers,
    decode: &dyn Prepared,
    frame: i64,
    size: (u32, u32),
) -> Result<Made, String> {
    match delivers {
        Delivers::Picture => {
            decode.make(&Inputs { frames: &[], raster: Some(&raster) }, frame).map_err(|e| e.to_string())
        }
        Delivers::Mattes(names) => Ok(mattes(&raster, names, size)?.into()),
    }
}

/// Mattes by name; one matte may also come as a grey picture or as a picture's red plane.
pub(super) fn mattes(raster: &Raster, names: &[Arc<str>], size: (u32, u32)) -> Result<Image, String> {
    if (raster.width, raster.height) != size {
        return Err(format!(
            "the file is {}x{}, and the film {}x{}",
            raster.width, raster.height, size.0, size.1
        ));
    }
    let mut channels = Vec::new();
    for name in names {
        let plane = raster.planes.iter().find(|(n, _)| *n == **name);
        let plane =
            plane.or_else(|| raster.planes.iter().find(|(n, _)| names.len() == 1 && (n == "Y" || n == "R")));
        let (_, samples) = plane.ok_or_else(|| format!("the file has no channel '{name}'"))?;
        let samples = samples.iter().map(|&s| half::f16::from_f32(s)).collect();
        channels.push(Channel { name: Arc::clone(name), samples });
    }
    Ok(Image::from_channels(raster.width, raster.height, channels))
}
