//! Digests, folders and manifests against `checks/integrity.json`, whose sources it names. Exact.
//!
//! Knows which values to try. Does not know how they were computed.

use std::collections::{BTreeMap, BTreeSet};

use endboard::deliver::hashes::{Hash, Kind, of_reader};
use endboard::deliver::mhl::history::{seal, verify};
use endboard::deliver::mhl::{Author, Creator, Process, read, tree, write};
use serde_json::Value;

fn checks() -> Value {
    serde_json::from_str(include_str!("checks/integrity.json")).unwrap()
}

fn text(value: &Value) -> &str {
    value.as_str().unwrap()
}

fn content(name: &str) -> Vec<u8> {
    match name {
        "empty" => Vec::new(),
        "abc" => b"abc".to_vec(),
        "fox" => b"The quick brown fox jumps over the lazy dog".to_vec(),
        "bytes_0_to_255" => (0..=255).collect(),
        "film_line" => b"SH010_v003 00:59:58:00\n".to_vec(),
        "zeros_1MiB" => vec![0; 1 << 20],
        other => panic!("{other}"),
    }
}

#[test]
fn digests_are_those_of_other_programs() {
    let checks = checks();
    let all = checks["digests"].as_object().unwrap();
    assert_eq!(all.len(), 6);
    for (name, expect) in all {
        let bytes = content(name);
        let hashed = of_reader(&bytes[..], &Kind::ALL).unwrap();
        assert_eq!(hashed.size, expect["length"].as_u64().unwrap());
        for hash in hashed.hashes {
            let key = match hash.kind {
                Kind::Xxh3 => "xxh3_64",
                Kind::Xxh128 => "xxh3_128",
                kind => kind.name(),
            };
            assert_eq!(hash.to_string(), text(&expect[key]), "{name} {key}");
        }
    }
}

/// The digests of all folders of a tree of files, by path.
fn folders(kind: Kind, files: &BTreeMap<String, Hash>) -> BTreeMap<String, (String, String)> {
    let digests = tree::digests(kind, files, &BTreeSet::new());
    digests.into_iter().map(|d| (d.path, (d.content.to_string(), d.structure.to_string()))).collect()
}

fn pair(value: &Value) -> (String, String) {
    (text(&value["content"]).into(), text(&value["structure"]).into())
}

#[test]
fn folders_have_the_digests_of_the_reference_example() {
    let example = &checks()["asc_mhl"]["reference_example"];
    let paths = ["Clips/A002C006_141024_R2EC.mov", "Clips/A002C007_141024_R2EC.mov", "Sidecar.txt"];
    let hashes = example["xxh64"]["files"].as_array().unwrap();
    let files = paths.iter().zip(hashes);
    let files: BTreeMap<String, Hash> =
        files.map(|(path, hash)| (path.to_string(), Hash::parse(Kind::Xxh64, text(hash)).unwrap())).collect();
    let found = folders(Kind::Xxh64, &files);
    assert_eq!(found["Clips"], pair(&example["xxh64"]["clips"]));
    assert_eq!(found[""], pair(&example["xxh64"]["root"]));
    assert_eq!(found.len(), 2);
}

#[test]
fn folders_have_the_digests_that_were_derived_elsewhere() {
    let mhl = &checks()["asc_mhl"];
    for kind in [Kind::Xxh64, Kind::Xxh128, Kind::Md5] {
        let tree = mhl["invented_tree"].as_object().unwrap();
        let hash = |(path, content): (&String, &Value)| (path.clone(), kind.of(text(content).as_bytes()));
        let found = folders(kind, &tree.iter().map(hash).collect());
        let expect = &mhl["invented_hashes"][kind.name()];
        assert_eq!(found[""], pair(&expect["root"]), "{kind}");
        for (path, expect) in expect["folders"].as_object().unwrap() {
            assert_eq!(found[path], pair(expect), "{kind} {path}");
        }
    }
}

fn creator(date: &str) -> Creator {
    Creator {
        date: date.parse().unwrap(),
        host: "example".into(),
        tool: "example".into(),
        version: "0.1".into(),
        authors: Vec::<Author>::new(),
        location: None,
        comment: None,
    }
}

/// The manifest and the chain in the checks are valid against the ASC's schemas; the same folder gives the same bytes here.
#[test]
fn a_folder_is_listed_as_the_checked_manifest_lists_it() {
    let checks = checks();
    let mhl = &checks["asc_mhl"];
    let above = tempfile::tempdir().unwrap();
    let root = above.path().join("LANTERN");
    for (path, content) in mhl["invented_tree"].as_object().unwrap() {
        let path = root.join(path);
        std::fs::create_dir_all(path.parent().unwrap()).unwrap();
        std::fs::write(path, text(content)).unwrap();
    }
    let sealed =
        seal(&root, &[Kind::Xxh128], creator("2026-01-01T12:00:00Z"), Process::InPlace, &[]).unwrap();
    assert_eq!(std::fs::read_to_string(&sealed.path).unwrap(), text(&mhl["manifest"]));
    assert_eq!(std::fs::read_to_string(root.join("ascmhl/ascmhl_chain.xml")).unwrap(), text(&mhl["chain"]));
    assert!(verify(&root).unwrap().is_none());
    let read = read::manifest(text(&mhl["manifest"]).as_bytes()).unwrap();
    assert_eq!(String::from_utf8(write::manifest(&read)).unwrap(), text(&mhl["manifest"]));
}
