//! A line of JSON and, on the next, its BLAKE3 digest: how small things lie in a bucket.
//!
//! Knows whether it is whole. Does not know what it says.

use serde_json::Value;

use crate::base::digest::Digest;

/// The line and its digest.
pub fn write(value: &Value) -> Vec<u8> {
    let line = value.to_string();
    let sum = Digest::of(line.as_bytes());
    format!("{line}\n{sum}\n").into_bytes()
}

/// What the line says.
///
/// # Errors
/// What is wrong with it, in words.
pub fn read(bytes: &[u8]) -> Result<Value, String> {
    let text = std::str::from_utf8(bytes).map_err(|_| "it is not text")?;
    let (line, sum) = text.split_once('\n').ok_or("it is cut off")?;
    if sum.strip_suffix('\n') != Some(&Digest::of(line.as_bytes()).to_string()) {
        return Err("its check sum is not of what it says".into());
    }
    serde_json::from_str(line).map_err(|e| e.to_string())
}
