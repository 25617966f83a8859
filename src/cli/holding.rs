//! `rebuild --hold` and `--let-go`: what a person keeps as it is.
//!
//! Knows how it is told. Does not know what can be held.

use serde_json::json;

use super::arguments::{Arguments, Rebuild};
use super::rebuild::writer;
use super::{Answer, Exit, Failure, show};
use crate::base::selector::Selection;
use crate::project::Project;

/// Keeps the renders that are selected, or lets go of them.
pub fn hold(project: &Project, arguments: &Arguments, selection: &Selection, options: &Rebuild) -> Answer {
    if selection.is_everything() {
        return Err(Failure::Usage("say which renders, such as br030/colour@1012-1019".into()));
    }
    if options.let_go {
        let count = project.let_go(selection, &options.note, &writer())?;
        match count {
            0 => return Err(Failure::Usage("nothing of this is held".into())),
            _ if arguments.json => {
                say!("{:#}", json!({ "format": "endboard hold 1", "did": "let go", "frames": count }));
            }
            n => say!("{} let go", show::frames(n)),
        }
        return Ok(Exit::Done);
    }
    let held = project.hold(selection, &options.note, &writer())?;
    let them = if held.frames == 1 { "it" } else { "them" };
    let later = format!("later changes will not render {them} until --let-go");
    match (held.frames, held.fresh) {
        (0, _) => return Err(Failure::Usage("nothing of this has a render that can be held".into())),
        (n, fresh) if arguments.json => {
            let all = json!({ "format": "endboard hold 1", "did": "held", "frames": n, "fresh": fresh });
            say!("{all:#}");
        }
        (1, 0) => say!("1 frame held as it is"),
        (n, 0) => say!("{} held as they are", show::frames(n)),
        (1, 1) => flow!("1 frame held, which is fresh now: {later}"),
        (n, fresh) if n == fresh => {
            flow!("{} held, all of them fresh now: {later}", show::frames(n))
        }
        (n, fresh) => flow!("{} held, {fresh} of them fresh now: {later}", show::frames(n)),
    }
    Ok(Exit::Done)
}
