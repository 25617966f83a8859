//! Prepares operators for their tests: settings as YAML, files as text.
//!
//! Knows a frame size, a rate and frames that all tests share. Only compiled for tests.

use std::collections::BTreeMap;

use crate::base::digest::{Digest, KeyHasher};
use crate::base::frames::FrameRange;
use crate::base::problem::{Problems, SourceId, Span};
use crate::base::value::Map;
use crate::base::yaml;
use crate::operators::{Attachment, Connected, Operator, Prepared, Setup, WorkingSpace};

/// Width and height of the tests' frames.
pub const SIZE: (u32, u32) = (192, 108);

/// An operator made ready.
pub fn prepare(
    operator: &dyn Operator,
    settings: &str,
    shapes: Option<&str>,
    inputs: &[Connected],
) -> Result<Box<dyn Prepared>, Problems> {
    let files: Vec<(&str, &str)> = shapes.map(|text| ("shapes", text)).into_iter().collect();
    prepare_from(operator, settings, &files, inputs)
}

/// An operator made ready from files by the names of their parameters.
pub fn prepare_from(
    operator: &dyn Operator,
    settings: &str,
    texts: &[(&str, &str)],
    inputs: &[Connected],
) -> Result<Box<dyn Prepared>, Problems> {
    prepare_in(WorkingSpace::LinearRec709, operator, settings, texts, inputs)
}

/// An operator made ready in a film of this working space.
pub fn prepare_in(
    working_space: WorkingSpace,
    operator: &dyn Operator,
    settings: &str,
    texts: &[(&str, &str)],
    inputs: &[Connected],
) -> Result<Box<dyn Prepared>, Problems> {
    let (value, problems) = yaml::parse(SourceId(0), settings);
    assert!(problems.is_empty(), "{problems:?}");
    let map = value.and_then(|v| v.map().cloned()).unwrap_or_else(Map::default);
    let mut files = BTreeMap::new();
    for (i, (parameter, text)) in texts.iter().enumerate() {
        let source = Some(SourceId(1 + i as u32));
        let path = format!("roto/{parameter}.yaml");
        files.insert(parameter.to_string(), Attachment { path, bytes: text.as_bytes().into(), source });
    }
    operator.prepare(&Setup {
        settings: &map,
        span: Span::new(SourceId(0), 0, 0),
        files: &files,
        frames: FrameRange::new(1, 100),
        frame_size: SIZE,
        rate: 24.0,
        working_space,
        inputs,
        cut: &[],
    })
}

/// A connected input that gives frames 1 to 100.
pub fn connected(port: usize, name: &str, channels: &[&str]) -> Connected {
    Connected {
        port,
        name: name.into(),
        channels: channels.iter().map(|&c| c.into()).collect(),
        frames: FrameRange::new(1, 100),
    }
}

/// What a prepared stage feeds into the key of a frame.
pub fn key(prepared: &dyn Prepared, frame: i64) -> Digest {
    let mut hasher = KeyHasher::new();
    prepared.at(frame, &mut hasher);
    hasher.finish()
}
