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
    /// A sound that is made, for a cue in a film of so many channels, and cautions: one sound, or where it follows what is
    /// seen, one for each time that the cue is heard.
    pub(super) fn voices(
        &self,
        settings: &Settings,
        cue: &Cue,
        (blocks, channels): (&Blocks, usize),
        edit: &Edit,
    ) -> Result<(Vec<Arc<dyn Voice>>, Problems), Problems> {
        let none = BTreeMap::new();
        let setup = self.setup_of(settings, blocks, &none);
        let (motions, told) = match voice::rod(&setup) {
            Some(rod) => {
                let (motions, told) = self.motions(rod, settings, cue, edit)?;
                (motions.into_iter().map(Some).collect(), told)
            }
            None => (vec![None], None),
        };
        let mut voices = Vec::with_capacity(motions.len());
        let mut cautions = Problems::new();
        for motion in motions {
            let (voice, said) = voice::read(&setup, blocks.sampling, channels, motion)?;
            // Of one cue's settings the same is said each time.
            cautions = said;
            voices.push(voice);
        }
        cautions.extend(told);
        Ok((voices, cautions))
    }

    /// The movement of the rod that a cue hums with as the film shows it, once for each time that it shows the frame which the
    /// cue hangs on, from there to the last frame that is shown with it, and a caution where pictures of several speeds meet.
    /// Where it is not shown, one that is over at once.
    fn motions(
        &self,
        rod: &str,
        settings: &Settings,
        cue: &Cue,
        edit: &Edit,
    ) -> Result<(Vec<Motion>, Option<Problem>), Problems> {
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
        let (width, height) = self.film.frame_size;
        let (rate, size) = (self.film.rate.per_second(), [height, width].map(f64::from));
        // From a time of the shot on, at the speed that the cut gives it, over so many film frames.
        let motion = |from: f64, speed: f64, lasts: f64| {
            let at = |step: i64| {
                let shown = from + speed * (step as f64 / STEPS as f64);
                prepared.stance(name, speeds.time(shown))
            };
            let steps = (lasts * STEPS as f64).floor() as i64;
            Motion::of(rate, size[0], size[1], (0..=steps).map(at))
        };
        let heard = edit.uses(shot).into_iter().filter_map(|(_, run)| {
            let begins = run.time_of(*frame)?;
            // What had begun before is followed from the picture on that it is first seen with.
            let from = if begins > 0.0 { *frame } else { run.time(0.0) };
            Some(motion(from, run.speed.number(), run.frames as f64 - begins))
        });
        let mut motions: Vec<Motion> = heard.collect();
        if motions.is_empty() {
            motions.push(motion(*frame, 1.0, 0.0));
        }
        Ok((motions, told))
    }

    /// The changes of speed between a stage of a shot and what the film shows of it.
    fn speeds(&self, shot: &str, stage: &str) -> Result<Speeds<'_>, String> {
        let shown = self.last_stage.iter().find(|(name, _)| name.eq_ignore_ascii_case(shot));
        let shown =
            shown.and_then(|(_, (stages, last))| Some((self.chosen(stages, *last)?, *stages.get(stage)?)));
        shown.map_or(Ok(Speeds::default()), |(shown, stage)| self.graph.speeds(shown, stage))
    }
}
