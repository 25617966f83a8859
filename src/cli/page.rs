//! `page`: one HTML file that shows the film as it stands.

use std::fs;
use std::io::ErrorKind;
use std::path::Path;

use jiff::Zoned;

use super::arguments::{self, Arguments};
use super::progress::Reading;
use super::rebuild::end_when_told;
use super::{Answer, Exit, Failure, deliver, people};
use crate::project::Project;
use crate::project::forecasting::Kept;
use crate::project::paging::gallery::{Gallery, Hung};
use crate::report::page::{self, Way};
use crate::report::words;

/// Looks, gathers and writes.
pub fn run(project: &Project, arguments: &Arguments, options: &arguments::page::Page) -> Answer {
    may_be_written(&options.out)?;
    let told = end_when_told()?;
    let reading = Reading::new("reading plates");
    let status = project.status(false, &|done, of| reading.at(done, of))?;
    reading.end();
    people::tell_ledger(&status.ledger.1);
    let dues = deliver::standing(project, &status)?;
    let gallery = Gallery::new(options.pictures as usize, Hung::Within);
    let selection = arguments::selection(&options.selectors, Some(&status.declared.graph))?;
    let page = project.page(&status, &selection, &dues, &gallery, &Kept::default(), &Zoned::now());
    let html = page::html(&page, &Way::File);
    drop(told);
    // Looked at once more, as making a page of a large film takes its time.
    may_be_written(&options.out)?;
    crate::store::write_whole(&options.out, html.as_bytes()).map_err(|e| Failure::System(e.to_string()))?;
    let strip: usize = page.pieces.iter().map(|piece| piece.pictures.len()).sum();
    let pictures = strip + page.shots.iter().map(|shot| shot.pictures.len()).sum::<usize>();
    if arguments.json {
        say!(
            "{:#}",
            serde_json::json!({ "format": "endboard page 1", "film": page.film, "file": options.out.display().to_string(),
                "bytes": html.len(), "shots": page.shots.len(), "pictures": pictures })
        );
    } else {
        flow!(
            "{}: {} and {} in {}",
            options.out.display(),
            words::count(page.shots.len() as u64, "shot"),
            words::count(pictures as u64, "picture"),
            words::bytes(html.len() as u64)
        );
    }
    Ok(Exit::Done)
}

/// Whether a page may stand there: it replaces only a page, never anything else.
///
/// # Errors
/// Something stands in the way, or cannot be read.
fn may_be_written(file: &Path) -> Result<(), Failure> {
    let name = file.display();
    let html = file
        .extension()
        .is_some_and(|end| end.eq_ignore_ascii_case("html") || end.eq_ignore_ascii_case("htm"));
    if !html {
        return Err(Failure::Usage(format!("{name}: HTML is written, into a file whose name ends in .html")));
    }
    let refused = |error: std::io::Error| {
        Failure::System(format!("{name} is there already and cannot be read: {error}"))
    };
    // What is no regular file is not opened: a named pipe would be waited for without end.
    let meta = match fs::symlink_metadata(file) {
        Ok(meta) => meta,
        Err(error) if error.kind() == ErrorKind::NotFound => return Ok(()),
        Err(error) => return Err(refused(error)),
    };
    let is_page = meta.is_file() && page::is_own(&String::from_utf8_lossy(&fs::read(file).map_err(refused)?));
    match is_page {
        true => Ok(()),
        false => Err(Failure::Usage(format!(
            "{name} is there already and is no page of this kind; give another name with --out"
        ))),
    }
}
