//! A film whose shots are cleaned up by hand, and what volunteers send back.
//!
//! Knows how a packet's `return` folder is filled in. Does not know what a test is after.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

use endboard::media::png;
use serde_json::Value;

use super::{Film, SIZE};

/// Two shots, each with a stage of hands and a grade over it.
pub fn declared() -> Film {
    let film = Film::new();
    film.write_plate("shed", 3);
    let shot = |name: &str, frames: &str| {
        format!(
            "  {name}:
    plate: shed
    frames: {frames}
    stages:
      cleanup: {{ by_hand: {{ files: \"hands/{{shot}}/cleanup.####.png\" }} }}
      colour: {{ operator: grade, from: {{ picture: cleanup }}, exposure: 0.5 }}
"
        )
    };
    film.declare(&(shot("br050", "1001-1004") + &shot("br060", "1005-1008")));
    film
}

/// A picture of one level of grey.
pub fn grey(level: u8) -> Vec<u8> {
    png::encode(SIZE.0, SIZE.1, &vec![level; (SIZE.0 * SIZE.1 * 3) as usize])
}

/// Hands out; gives the packet's name and where it lies.
#[track_caller]
pub fn hand_out(film: &Film, words: &[&str]) -> (String, PathBuf) {
    let said = film.json(&[&["handout"], words].concat());
    let text = |name: &str| said[name].as_str().unwrap_or_else(|| panic!("{said}")).to_string();
    (text("packet"), text("place").into())
}

/// Puts one file into a packet's folder `return`.
pub fn put(packet: &Path, shot: &str, frame: i64, bytes: &[u8]) {
    let folder = packet.join("return").join(shot);
    std::fs::create_dir_all(&folder).unwrap();
    std::fs::write(folder.join(format!("cleanup.{frame}.png")), bytes).unwrap();
}

/// Fills the time sheet in.
pub fn sheet(packet: &Path, lines: &[&str]) {
    let text = format!("date,shot,frames,hours,note\r\n{}\r\n", lines.join("\r\n"));
    std::fs::write(packet.join("return/hours.csv"), text).unwrap();
}

/// Takes back; fails the test unless that went well.
#[track_caller]
pub fn take_back(film: &Film, packet: &Path, more: &[&str]) -> Value {
    let output = film.command(&["takeback", packet.to_str().unwrap(), "--json"]).args(more).output().unwrap();
    let text = String::from_utf8_lossy(&output.stdout).into_owned();
    assert!(output.status.success(), "{text}{}", String::from_utf8_lossy(&output.stderr));
    serde_json::from_str(&text).unwrap()
}

/// Every file of a folder by its path, with its bytes; links are not followed. What the store keeps for itself is left out.
pub fn files(folder: &Path) -> BTreeMap<PathBuf, Vec<u8>> {
    let mut all = BTreeMap::new();
    let mut folders = vec![folder.to_path_buf()];
    while let Some(at) = folders.pop() {
        for entry in std::fs::read_dir(&at).into_iter().flatten() {
            let entry = entry.unwrap();
            let path = entry.path();
            if entry.file_name() == ".endboard" {
                continue;
            }
            if entry.file_type().unwrap().is_dir() {
                folders.push(path);
            } else if entry.file_type().unwrap().is_file() {
                all.insert(path.clone(), std::fs::read(&path).unwrap());
            }
        }
    }
    all
}

/// The ledger's rows of a kind.
pub fn rows(film: &Film, kind: &str) -> Vec<Value> {
    let mut rows = Vec::new();
    for entry in std::fs::read_dir(film.path().join("ledger")).into_iter().flatten() {
        let path = entry.unwrap().path();
        if path.is_file() {
            let text = std::fs::read_to_string(path).unwrap();
            rows.extend(text.lines().filter_map(|line| serde_json::from_str::<Value>(line).ok()));
        }
    }
    rows.retain(|row| row["kind"] == kind);
    rows
}
