//! A picture file of a finding: the frame that shows it best, with its place framed.
//!
//! Knows where files go and what they are called. How light becomes codes is `operators::colour::display`'s.

use std::collections::HashMap;
use std::path::Path;

use super::Found;
use crate::inspect::finding::PixelBox;
use crate::media::png;
use crate::operators::colour::display;
use crate::project::frames::{Frames, LookError};
use crate::project::sheet::may_be_written;
use crate::project::{Project, ProjectError, Status};

/// Codes of the frame round a place, and of the line beside it that makes it show on bright ground.
const LINE: [u8; 3] = [255, 190, 0];
const BESIDE: [u8; 3] = [0, 0, 0];

/// Writes a file for each finding that a frame shows, into `folder`, which is made.
///
/// # Errors
/// A file stands in the way that was not written by this, or the system refuses.
pub fn write(
    project: &Project,
    status: &Status,
    folder: &Path,
    found: &mut [Found],
) -> Result<(), LookError> {
    let refused = |what: String| LookError::from(ProjectError::System(what));
    let mut names: HashMap<String, usize> = HashMap::new();
    for finding in found {
        let Some(frame) = finding.shows else { continue };
        let frames = Frames::new(project, status, finding.id);
        let Ok(image) = frames.image(frame) else { continue };
        let size = (image.width(), image.height());
        let mut codes = display::codes(&image, frames.space(), 0.0);
        drop(image);
        if let Some(place) = finding.place {
            outline(&mut codes, size, place);
        }
        let stage = finding.stage.replace('/', "-");
        let name = format!("{stage}.{frame:04}.{}", finding.kind);
        let count = names.entry(name.clone()).and_modify(|n| *n += 1).or_insert(1);
        let more = if *count > 1 { format!("-{count}") } else { String::new() };
        let file = folder.join(format!("{name}{more}.png"));
        may_be_written(&file, "--out")?;
        std::fs::create_dir_all(folder).map_err(|why| refused(format!("{}: {why}", folder.display())))?;
        let bytes = png::encode(size.0, size.1, &codes);
        crate::store::write_whole(&file, &bytes).map_err(|why| refused(why.to_string()))?;
        finding.picture = Some(file);
    }
    Ok(())
}

/// Draws two lines round a place, outside it where the frame has room.
fn outline(codes: &mut [u8], (width, height): (u32, u32), place: PixelBox) {
    for (out, colour) in [(2, BESIDE), (1, LINE)] {
        let (left, top) = (place.left.saturating_sub(out), place.top.saturating_sub(out));
        let right = (place.left + place.width - 1 + out).min(width - 1);
        let bottom = (place.top + place.height - 1 + out).min(height - 1);
        let mut put = |x: u32, y: u32| {
            let at = (y as usize * width as usize + x as usize) * 3;
            codes[at..at + 3].copy_from_slice(&colour);
        };
        (left..=right).for_each(|x| [top, bottom].into_iter().for_each(|y| put(x, y)));
        (top..=bottom).for_each(|y| [left, right].into_iter().for_each(|x| put(x, y)));
    }
}
