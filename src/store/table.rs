//! Rows of one stage of one shot, frame after frame, and how they lie in a file.
//!
//! Knows neither shots nor files. Frames far apart cost no more than frames side by side.

use super::record::Take;
use crate::base::made::Row;

/// Bytes of a row in a file.
const ROW: usize = 96;
/// A gap of this many frames or more begins another run.
const GAP: i64 = 256;

/// Rows by frame.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Table {
    /// In order of frames, with gaps between them.
    runs: Vec<Run>,
}

#[derive(Clone, Debug, PartialEq, Eq)]
struct Run {
    first: i64,
    rows: Vec<Row>,
}

impl Run {
    fn end(&self) -> i64 {
        self.first + self.rows.len() as i64
    }
}

impl Table {
    /// The rows that [`Table::to_bytes`] gave; nothing when these bytes are of another form.
    pub fn of_bytes(bytes: &[u8]) -> Option<Self> {
        let mut take = Take(bytes);
        let mut table = Self::default();
        while !take.0.is_empty() {
            let (first, len) = (take.int()?, usize::try_from(take.int()?).ok()?);
            let rows = take.bytes(len.checked_mul(ROW)?)?.chunks_exact(ROW);
            let rows = rows.filter_map(|bytes| Self::take(&mut Take(bytes))).collect();
            table.runs.push(Run { first, rows });
        }
        Some(table)
    }

    /// Bytes of all rows.
    pub fn to_bytes(&self) -> Vec<u8> {
        let rows: usize = self.runs.iter().map(|run| run.rows.len()).sum();
        let mut out = Vec::with_capacity(rows * ROW + self.runs.len() * 16);
        for run in &self.runs {
            out.extend_from_slice(&run.first.to_le_bytes());
            out.extend_from_slice(&(run.rows.len() as i64).to_le_bytes());
            run.rows.iter().for_each(|row| Self::put(&mut out, row));
        }
        out
    }

    /// What is known of a frame.
    pub fn get(&self, frame: i64) -> Option<&Row> {
        let run = &self.runs[self.runs.partition_point(|run| run.first <= frame).checked_sub(1)?];
        run.rows.get((frame - run.first) as usize).filter(|row| **row != Row::EMPTY)
    }

    /// Every row that holds something.
    pub fn rows(&self) -> impl Iterator<Item = (i64, &Row)> {
        let all = self.runs.iter().flat_map(|run| (run.first..).zip(&run.rows));
        all.filter(|(_, row)| **row != Row::EMPTY)
    }

    /// Puts a row in its place.
    pub fn set(&mut self, frame: i64, row: Row) {
        let after = self.runs.partition_point(|run| run.first <= frame);
        // A run never reaches the next one, as a frame at or behind the next one's first belongs to that.
        match after.checked_sub(1).map(|at| &mut self.runs[at]).filter(|run| frame < run.end() + GAP) {
            Some(run) => {
                let at = (frame - run.first) as usize;
                if at >= run.rows.len() {
                    run.rows.resize(at + 1, Row::EMPTY);
                }
                run.rows[at] = row;
            }
            None => self.runs.insert(after, Run { first: frame, rows: vec![row] }),
        }
    }

    /// Puts one row's bytes at the end of `out`.
    pub fn put(out: &mut Vec<u8>, row: &Row) {
        [&row.key, &row.pixels, &row.failed].iter().for_each(|digest| out.extend_from_slice(&digest.0));
    }

    /// Takes one row.
    pub fn take(take: &mut Take<'_>) -> Option<Row> {
        Some(Row { key: take.digest()?, pixels: take.digest()?, failed: take.digest()? })
    }
}

#[cfg(test)]
mod tests {
    use std::collections::BTreeMap;

    use super::*;
    use crate::base::digest::Digest;
    use crate::base::made::NONE;

    proptest::proptest! {
        #[test]
        fn it_is_a_map_by_frame(frames in proptest::collection::vec((-600i64..600, 0u8..255, 0i64..3), 0..80)) {
            let mut table = Table::default();
            let mut map = BTreeMap::new();
            for (frame, n, far) in frames {
                let frame = frame + far * 40_000_000;
                let row = Row { key: Digest::of(&[n]), pixels: NONE, failed: NONE };
                table.set(frame, row);
                map.insert(frame, row);
            }
            let back = Table::of_bytes(&table.to_bytes()).unwrap();
            proptest::prop_assert_eq!(&back, &table);
            let rows: Vec<_> = back.rows().map(|(n, row)| (n, *row)).collect();
            proptest::prop_assert_eq!(rows, map.into_iter().collect::<Vec<_>>());
        }
    }
}
