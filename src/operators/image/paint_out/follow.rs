//! What the background of a shot goes along with.
//!
//! Knows the settings `track`, `follows` and `offset`, and where a motion and an offset lay a picture. Does not know pictures.

use std::sync::Arc;

use crate::base::curve::Curve;
use crate::base::digest::{Digest, KeyHasher};
use crate::base::frames::FrameRange;
use crate::base::problem::{Problem, Problems, Span};
use crate::base::value::Value;
use crate::operators::shape::motion::{STILL, product};
use crate::operators::shape::{Matrix, Motion, Shapes, file};
use crate::operators::{Reader, Setup};

/// Farthest that a background is moved, in pixels.
const FARTHEST: f64 = 32_768.0;

/// A motion from a track, or none.
#[derive(Default)]
pub struct Followed {
    motion: Option<(Arc<Motion>, Span)>,
    digest: Option<Digest>,
    keyed: Option<(Span, FrameRange)>,
}

impl Followed {
    /// Reads both settings.
    pub fn read(reader: &mut Reader<'_>, setup: &Setup<'_>) -> Self {
        let Some(value) = reader.value("follows") else {
            if reader.file("track").is_some() {
                let problem = Problem::error(setup.span, "a track is named and nothing of it is followed");
                reader.problems.push(problem.help("follows: NAME, a point, plane or move of the track"));
            }
            return Self::default();
        };
        let Some(attached) = reader.file("track") else {
            let problem = Problem::error(value.span, "there is no track to follow");
            reader.problems.push(problem.help("track: FILE, with points, planes or moves"));
            return Self::default();
        };
        let read = file::read_bytes(attached.source, &attached.bytes, setup.span);
        let track = read.and_then(|mut shapes| match shapes.follow(None) {
            problems if problems.is_empty() => Ok(shapes),
            problems => Err(problems),
        });
        let find = |track: Shapes| -> Result<Self, Problems> {
            let mut hasher = KeyHasher::new();
            track.motions.feed(&mut hasher);
            let motion = file::follows(value).and_then(|follows| track.motions.find(&follows));
            let motion = motion.map_err(|problem| vec![problem])?;
            let digest = Some(hasher.finish());
            Ok(Self { motion: Some((motion, value.span)), digest, keyed: track.keyed })
        };
        track.and_then(find).unwrap_or_else(|problems| {
            reader.problems.extend(problems);
            Self::default()
        })
    }

    /// Where what is seen on one frame lies on another, and moved by an offset.
    pub fn between(&self, from: i64, to: i64, offset: [f64; 2]) -> Matrix {
        let by = [[1.0, 0.0, offset[0]], [0.0, 1.0, offset[1]], STILL[2]];
        match &self.motion {
            Some((motion, _)) => product(&by, &motion.between(from as f64, to as f64)),
            None => by,
        }
    }

    /// True when nothing that follows ever moves.
    pub fn is_steady(&self) -> bool {
        self.motion.as_ref().is_none_or(|(motion, _)| motion.is_steady())
    }

    /// Digest of what was read from the track.
    pub fn read_from(&self) -> Option<Digest> {
        self.digest
    }

    /// Where the track's first key stands, and the frames that all lie in.
    pub fn keyed(&self) -> Option<(Span, FrameRange)> {
        self.keyed
    }

    /// A warning that it makes no difference, if something is followed.
    pub fn unused(&self, why: &str) -> Option<Problem> {
        let (_, span) = self.motion.as_ref()?;
        let problem = Problem::error(*span, format!("nothing follows: {why}")).warning();
        Some(problem.help("clean_frame: FRAME holds a clean plate that is carried along; fill: time lays frames over one another"))
    }
}

/// Feeds a matrix.
pub fn feed(matrix: &Matrix, key: &mut KeyHasher) {
    matrix.iter().flatten().for_each(|&part| {
        key.real(part);
    });
}

/// The offset in time.
pub fn offset(reader: &mut Reader<'_>) -> Curve<2> {
    let steady = Curve::steady([0.0, 0.0]);
    let Some(value) = reader.value("offset") else { return steady };
    match value.keyed(Value::numbers::<2>) {
        Ok(curve) => {
            if curve.keys().iter().any(|(_, at)| at.iter().any(|n| n.abs() > FARTHEST)) {
                let problem = Problem::error(value.span, "an offset lies farther than any frame is wide");
                reader.problems.push(problem.help(format!("from -{FARTHEST} to {FARTHEST} px")));
            }
            curve
        }
        Err(problem) => {
            let problem =
                if problem.help.is_none() { problem.help("[x, y], or FRAME: [x, y]") } else { problem };
            reader.problems.push(problem);
            steady
        }
    }
}
