//! Voices of cues, and the rods that they follow.
//!
//! Knows where a rod's movement is to be had: from the stage of its shot that makes it shine. Does not know how it sounds.

use std::collections::BTreeMap;
use std::sync::Arc;

use crate::base::problem::{Problem, Problems};
use crate::declare::sound::{Anchor, Cue, Settings};
use crate::graph::Work;
use crate::graph::build::Builder;
use crate::graph::edit::Edit;
use crate::graph::times::Speeds;
use crate::operators::sound::blocks::Blocks;
use crate::operators::sound::cue::Voice;
use crate::operators::sound::voice;
use crate::operators::sound::voice::motion::{Motion, STEPS};

impl Builder<'_> {
    /// A sound that is made, for a cue in a film of so many channels, and cautions.
    pub(super) fn voice(
        &self,
        settings: &Settings,
        cue: &Cue,
        (blocks, channels): (&Blocks, usize),
        edit: &Edit,
    ) -> Result<(Arc<dyn Voice>, Problems), Problems> {
        let none = BTreeMap::new();
        let setup = self.setup_of(settings, blocks, &none);
        let (motion, told) = match voice::rod(&setup) {
            Some(rod) => {
                let (motion, told) = self.motion(rod, settings, cue, edit)?;
                (Some(motion), told)
            }
            None => (None, None),
        };
        let (voice, mut cautions) = voice::read(&setup, blocks.sampling, channels, motion)?;
        cautions.extend(told);
        Ok((voice, cautions))
    }

    /// The movement of the rod that a cue hums with as the film shows it, from the frame that the cue hangs on to the last that
    /// is shown with it, and a caution where it is shown at several speeds at once.
    fn motion(
        &self,
        rod: &str,
        settings: &Settings,
        cue: &Cue,
        edit: &Edit,
    ) -> Result<(Motion, Option<Problem>), Problems> {
        let span = settings.map.get("hum").map_or(settings.span, |value| value.span);
        let wrong = |message: String, help: &str| Err(vec![Problem::error(span, message).help(help)]);
        let Anchor::Shot { shot, frame } = &cue.at.value else {
            return wrong("a hum hangs on a frame of its rod's shot".into(), "at: SHOT@FRAME");
        };
        let parts = rod.split_once('/').and_then(|(of, rest)| Some((of, rest.split_once('.')?)));
        let Some((of, (stage, name))) = parts.filter(|(of, _)| of.eq_ignore_ascii_case(shot)) else {
            return wrong(
                format!("'{rod}' is no rod of {shot}"),
                "SHOT/STAGE.ROD, of the shot that the cue hangs on",
            );
        };
        let node = self.graph.nodes.iter().find(|n| n.shot.eq_ignore_ascii_case(of) && &*n.stage == stage);
        let Some(Work::Operator { prepared, .. }) = node.map(|node| &node.work) else {
            return wrong(format!("{of} has no stage {stage} of rods"), "name its stage of blades");
        };
        let rods = prepared.rods();
        if !rods.iter().any(|rod| &**rod == name) {
            let known = rods.iter().map(|rod| &**rod).collect::<Vec<_>>().join(", ");
            return wrong(format!("{of}/{stage} has no rod '{name}'"), &format!("its rods: {known}"));
        }
        // As long as the longest time that it is shown: what a shorter one does not show is not cut off.
        let shown = edit.shows(shot).into_iter().filter(|range| range.contains(frame.floor() as i64));
        let last = shown.map(|range| range.last).max().map_or(*frame, |last| last as f64 + 1.0);
        let steps = ((last - frame) * STEPS as f64).floor() as i64;
        // What is seen of it moves as the changes of speed between it and the film let it move.
        let (speeds, told) = match self.speeds(of, stage) {
            Ok(speeds) => (speeds, None),
            Err(met) => {
                let message = format!(
                    "pictures of this rod at different speeds meet in {met}, and the hum follows none of them"
                );
                let help = "let what changes the speed come before the blades, or move its cues by hand";
                (Speeds::default(), Some(Problem::error(span, message).help(help).warning()))
            }
        };
        let at = |step: i64| prepared.stance(name, speeds.time(frame + step as f64 / STEPS as f64));
        let (width, height) = self.film.frame_size;
        let motion =
            Motion::of(self.film.rate.per_second(), height.into(), width.into(), (0..=steps).map(at));
        Ok((motion, told))
    }

    /// The changes of speed between a stage of a shot and what the film shows of it.
    fn speeds(&self, shot: &str, stage: &str) -> Result<Speeds<'_>, String> {
        let shown = self.last_stage.iter().find(|(name, _)| name.eq_ignore_ascii_case(shot));
        let shown =
            shown.and_then(|(_, (stages, last))| Some((self.chosen(stages, *last)?, *stages.get(stage)?)));
        shown.map_or(Ok(Speeds::default()), |(shown, stage)| self.graph.speeds(shown, stage))
    }
}
