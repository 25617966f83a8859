//! Short names of rows, by which a person points at one.
//!
//! Knows a row's id and its letters. Does not know what rows say.

use crate::base::digest::Digest;
use crate::ledger::id::RowId;

/// No vowels, so that no name is a word; no digits, so that none is a number or a length of time; no `l`, which is read as 1.
const LETTERS: &[u8; 20] = b"bcdfghjkmnpqrstvwxyz";
/// Letters of a whole name: 20^12 names, so that two rows of one film do not share one.
const WHOLE: usize = 12;
/// The fewest letters that a listing shows.
const SHOWN: usize = 4;

/// The whole name of a row: letters from the digest of its id, as ids of rows of one evening begin alike.
pub fn whole(id: RowId) -> String {
    letters(&id.0.to_be_bytes(), WHOLE)
}

/// So many letters from the digest of some bytes, at most twelve.
fn letters(bytes: &[u8], count: usize) -> String {
    let digest = Digest::of(bytes).to_string();
    let mut number = u64::from_str_radix(&digest[..16], 16).unwrap_or_default();
    let letter = |_| {
        let letter = LETTERS[(number % LETTERS.len() as u64) as usize];
        number /= LETTERS.len() as u64;
        char::from(letter)
    };
    (0..count.min(WHOLE)).map(letter).collect()
}

/// Why a text names no one row.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum NoRow {
    /// None of the rows begins so.
    #[error("no row is called '{0}'")]
    None(String),
    /// Several begin so.
    #[error("'{text}' begins the names of {count} rows; write one more letter, such as {longer}")]
    Several {
        /// As written.
        text: String,
        /// How many.
        count: usize,
        /// What would name one of them.
        longer: String,
    },
}

/// The names of some rows, long enough that each names one of them.
#[derive(Debug, Default)]
pub struct Names {
    /// Whole names in order.
    rows: Vec<(String, RowId)>,
}

impl Names {
    /// Names for these rows.
    pub fn of(ids: impl IntoIterator<Item = RowId>) -> Self {
        let mut rows: Vec<(String, RowId)> = ids.into_iter().map(|id| (whole(id), id)).collect();
        rows.sort_unstable();
        rows.dedup();
        Self { rows }
    }

    /// The shortest name of a row, of at least four letters, that no other of the rows shares.
    pub fn short(&self, id: RowId) -> String {
        let whole = whole(id);
        let at = self.rows.partition_point(|(name, _)| *name < whole);
        let beside = [at.checked_sub(1), Some(at), Some(at + 1)];
        let others = beside.into_iter().flatten().filter_map(|i| self.rows.get(i)).filter(|row| row.1 != id);
        let shared =
            others.map(|(name, _)| name.bytes().zip(whole.bytes()).take_while(|(a, b)| a == b).count());
        let length = shared.max().unwrap_or(0) + 1;
        whole[..length.clamp(SHOWN, WHOLE)].to_string()
    }

    /// The row that a text names: the beginning of its name, or its whole id.
    ///
    /// # Errors
    /// When no row or more than one is called so.
    pub fn find(&self, text: &str) -> Result<RowId, NoRow> {
        let text = text.trim().to_ascii_lowercase();
        if let Ok(id) = text.parse::<RowId>() {
            return self.rows.iter().find(|row| row.1 == id).map(|row| row.1).ok_or(NoRow::None(text));
        }
        let from = self.rows.partition_point(|(name, _)| *name < text);
        let found = self.rows[from..].iter().take_while(|(name, _)| name.starts_with(&text)).count();
        match found {
            0 => Err(NoRow::None(text)),
            _ if text.is_empty() => Err(NoRow::None(text)),
            1 => Ok(self.rows[from].1),
            count => Err(NoRow::Several { longer: self.short(self.rows[from].1), text, count }),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_row_is_found_by_its_short_name_and_by_its_id() {
        let ids: Vec<RowId> = (0..2000).map(|n| RowId((1_770_000_000_000 << 80) | n)).collect();
        let names = Names::of(ids.iter().copied());
        for &id in &ids {
            let short = names.short(id);
            assert!(short.len() >= 4 && !short.contains(['a', 'e', 'i', 'o', 'u', '0', '1']), "{short}");
            assert_eq!(names.find(&short), Ok(id));
            assert_eq!(names.find(&format!(" {} ", short.to_uppercase())), Ok(id));
            assert_eq!(names.find(&id.to_string()), Ok(id));
            // One letter less names several, as far as names are longer than the fewest letters.
            if short.len() > 4 {
                assert!(matches!(names.find(&short[..short.len() - 1]), Err(NoRow::Several { .. })));
            }
        }
        assert!(
            ids.iter().any(|&id| names.short(id).len() > 4)
                && ids.iter().any(|&id| names.short(id).len() == 4)
        );
    }

    #[test]
    fn what_names_nothing_or_several_says_so() {
        let names = Names::of((0..400).map(RowId));
        assert_eq!(names.find(""), Err(NoRow::None(String::new())));
        assert_eq!(names.find("aaaa"), Err(NoRow::None("aaaa".into())));
        assert_eq!(names.find("é"), Err(NoRow::None("é".into())));
        assert_eq!(Names::of([]).find("bcd"), Err(NoRow::None("bcd".into())));
        let Err(NoRow::Several { count, longer, .. }) = names.find("b") else {
            panic!("one letter names one of 400")
        };
        assert!(count > 1 && longer.starts_with('b') && names.find(&longer).is_ok());
        let unknown = RowId(5000).to_string();
        assert_eq!(names.find(&unknown), Err(NoRow::None(unknown)));
    }
}
