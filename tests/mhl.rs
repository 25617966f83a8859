//! Folders that are listed, changed, listed again and held against their lists.
//!
//! Knows what happens to files. Does not know the XML: `integrity_checks` and `mhl_outside` do.

use std::fs;
use std::path::Path;

use endboard::deliver::hashes::Kind;
use endboard::deliver::mhl::history::{Differences, MhlError, Sealed, load, seal, verify};
use endboard::deliver::mhl::{Action, Creator, Process};

fn creator(second: u32) -> Creator {
    Creator {
        date: format!("2026-02-03T04:05:{second:02}Z").parse().unwrap(),
        host: "lamp".into(),
        tool: "endboard".into(),
        version: "0.1.0".into(),
        authors: Vec::new(),
        location: None,
        comment: None,
    }
}

fn list(root: &Path, second: u32, kinds: &[Kind]) -> Sealed {
    seal(root, kinds, creator(second), Process::InPlace, &["*.tmp".into()]).unwrap()
}

fn folder() -> tempfile::TempDir {
    let folder = tempfile::tempdir().unwrap();
    let root = folder.path().join("The Brine Lamp");
    for (path, text) in [
        ("picture/br010 & <a>.0001.exr", "one"),
        ("picture/ünder wäter.0002.exr", "two"),
        ("sound/film.wav", "three"),
        ("sound/left.tmp", "passed over"),
    ] {
        let path = root.join(path);
        fs::create_dir_all(path.parent().unwrap()).unwrap();
        fs::write(path, text).unwrap();
    }
    fs::create_dir(root.join("empty")).unwrap();
    folder
}

fn actions(root: &Path, generation: usize) -> Vec<(String, Action)> {
    let history = load(root).unwrap();
    let files = &history.manifests[generation - 1].files;
    files.iter().map(|file| (file.path.clone(), file.hashes[0].action.unwrap())).collect()
}

#[test]
fn each_generation_tells_what_became_of_every_file() {
    let folder = folder();
    let root = folder.path().join("The Brine Lamp");
    assert!(matches!(verify(&root), Err(MhlError::Unlisted(_))));
    let first = list(&root, 1, &[Kind::C4, Kind::Xxh128]);
    assert_eq!(first.number, 1);
    assert_eq!(first.differences.new.len(), 3);
    assert!(first.path.ends_with("ascmhl/0001_The Brine Lamp_2026-02-03_040501Z.mhl"));
    assert_eq!(verify(&root).unwrap(), Differences { same: 3, ..Differences::default() });

    fs::write(root.join("sound/film.wav"), "THREE").unwrap();
    fs::remove_file(root.join("picture/ünder wäter.0002.exr")).unwrap();
    fs::write(root.join("new.txt"), "four").unwrap();
    let differ = Differences {
        same: 1,
        missing: vec!["picture/ünder wäter.0002.exr".into()],
        changed: vec!["sound/film.wav".into()],
        new: vec!["new.txt".into()],
        ..Differences::default()
    };
    assert_eq!(verify(&root).unwrap(), differ);
    // Another kind of digest is no way round: a file must still be what it was by the kind that is known.
    let second = list(&root, 2, &[Kind::Md5]);
    assert_eq!((second.number, second.differences), (2, differ));
    let expect = [
        ("new.txt", Action::Original),
        ("picture/br010 & <a>.0001.exr", Action::Verified),
        ("sound/film.wav", Action::Failed),
    ];
    assert_eq!(actions(&root, 2), expect.map(|(path, action)| (path.to_string(), action)));
    // What was found wrong does not become right by having been listed.
    let third = list(&root, 3, &[Kind::Md5]);
    assert_eq!(third.differences.changed, ["sound/film.wav"]);
    assert_eq!(third.differences.missing.len(), 1);
    fs::write(root.join("sound/film.wav"), "three").unwrap();
    fs::write(root.join("picture/ünder wäter.0002.exr"), "two").unwrap();
    assert_eq!(verify(&root).unwrap(), Differences { same: 4, ..Differences::default() });
}

#[test]
fn changed_lists_are_refused_and_strays_told() {
    let folder = folder();
    let root = folder.path().join("The Brine Lamp");
    let sealed = list(&root, 1, &[Kind::Sha1]);
    fs::write(root.join("ascmhl/0002_x.mhl"), "left by a crash").unwrap();
    let found = verify(&root).unwrap();
    assert_eq!(found.stray, ["0002_x.mhl"]);
    assert!(!found.is_none());
    let text = fs::read_to_string(&sealed.path).unwrap();
    fs::write(&sealed.path, text.replace("size=\"3\"", "size=\"4\"")).unwrap();
    let error = verify(&root).unwrap_err();
    assert!(matches!(&error, MhlError::Changed(path) if *path == sealed.path), "{error}");
    fs::remove_file(&sealed.path).unwrap();
    assert!(matches!(verify(&root), Err(MhlError::Disk { .. })));
    fs::write(root.join("ascmhl/ascmhl_chain.xml"), "<ascmhldirectory>").unwrap();
    assert!(matches!(verify(&root), Err(MhlError::Xml { .. })));
    assert!(matches!(
        seal(&root, &[Kind::Md5], creator(4), Process::InPlace, &[]),
        Err(MhlError::Xml { .. })
    ));
}

/// Whoever opened it to read would wait for a writer for ever.
#[test]
fn a_pipe_in_the_place_of_a_list_is_refused_and_not_waited_for() {
    let folder = folder();
    let root = folder.path().join("The Brine Lamp");
    let sealed = list(&root, 1, &[Kind::C4]);
    for path in [sealed.path.clone(), root.join("ascmhl/ascmhl_chain.xml")] {
        let kept = fs::read(&path).unwrap();
        fs::remove_file(&path).unwrap();
        assert!(std::process::Command::new("mkfifo").arg(&path).status().unwrap().success());
        let said = verify(&root).unwrap_err().to_string();
        assert!(said.contains("it is no file"), "{said}");
        fs::remove_file(&path).unwrap();
        fs::write(&path, kept).unwrap();
    }
    assert!(verify(&root).unwrap().is_none());
}

#[test]
fn links_are_neither_listed_nor_followed() {
    let folder = folder();
    let root = folder.path().join("The Brine Lamp");
    list(&root, 1, &[Kind::Xxh3]);
    let outside = folder.path().join("outside.wav");
    fs::rename(root.join("sound/film.wav"), &outside).unwrap();
    std::os::unix::fs::symlink(&outside, root.join("sound/film.wav")).unwrap();
    let found = verify(&root).unwrap();
    assert_eq!(found.missing, ["sound/film.wav"]);
    assert_eq!(found.odd[0].0, "sound/film.wav");
    assert!(matches!(
        seal(&root, &[Kind::Md5], creator(2), Process::InPlace, &[]),
        Err(MhlError::Odd { .. })
    ));
    assert!(matches!(seal(&root, &[], creator(2), Process::InPlace, &[]), Err(MhlError::NoKind)));
}

/// A pattern that covers a listed file hides nothing.
#[test]
fn listed_files_are_looked_at_whatever_patterns_say() {
    let folder = folder();
    let root = folder.path().join("The Brine Lamp");
    list(&root, 1, &[Kind::Md5]);
    seal(&root, &[Kind::Md5], creator(2), Process::InPlace, &["sound/".into()]).unwrap();
    fs::write(root.join("sound/film.wav"), "THREE").unwrap();
    assert_eq!(verify(&root).unwrap().changed, ["sound/film.wav"]);
}
