//! Looks: steps of colour that a file holds.
//!
//! Knows which reader a file is for. Does not know the formats (`cube`, `clf`) nor what the steps do.

use std::sync::Arc;

use super::step::Step;
use super::{clf, cube};
use crate::base::digest::{Digest, KeyHasher};
use crate::base::problem::Problems;
use crate::operators::Attachment;

/// A file's steps, made ready. Clones share their tables.
#[derive(Clone, Debug)]
pub struct Look {
    steps: Arc<[Step]>,
}

impl Look {
    /// A look of these steps.
    pub fn new(steps: Vec<Step>) -> Self {
        Self { steps: steps.into() }
    }

    /// Its steps, in order.
    pub fn steps(&self) -> &[Step] {
        &self.steps
    }

    /// Digest of the numbers, not of the file: a changed comment or title changes nothing.
    pub fn digest(&self) -> Digest {
        let mut key = KeyHasher::new();
        key.list(self.steps.len());
        self.steps.iter().for_each(|step| step.feed(&mut key));
        key.finish()
    }
}

/// Reads a `.cube` or a CLF file, told apart by their first byte: only XML begins with `<`.
///
/// # Errors
/// What is wrong in it, each problem at its place.
pub fn read(file: &Attachment) -> Result<Look, Problems> {
    let bytes = file.bytes.strip_prefix(b"\xef\xbb\xbf").unwrap_or(&file.bytes);
    match bytes.trim_ascii_start().first() {
        Some(b'<') => clf::read(file),
        _ => cube::read(file),
    }
}
