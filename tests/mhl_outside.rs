//! Holds manifests against lxml, with a grammar of their form, and against Python's hashlib, which reads the files itself.
//!
//! Knows which files to list. Does not know how they are judged: `outside/mhl_check.py` does. Runs when `ENDBOARD_PYTHON` names a
//! Python that has lxml; otherwise it says so and checks nothing. With `ENDBOARD_MHL_SCHEMA` the ASC's own schemas judge too.

mod outside;

use std::fs;

use endboard::deliver::hashes::Kind;
use endboard::deliver::mhl::history::seal;
use endboard::deliver::mhl::{Author, Creator, Process};
use outside::outside;
use serde_json::Value;

#[test]
fn manifests_are_sound_to_others() {
    let folder = tempfile::tempdir().unwrap();
    let root = folder.path().join("The Brine Lamp & <others>");
    for (path, text) in [
        ("picture/br010 & <a> 'b' \"c\".0001.exr", "one"),
        ("picture/ünder wäter/深.0002.exr", "two"),
        (" sound ]]>.wav", "three"),
        ("picture/nothing", ""),
    ] {
        let path = root.join(path);
        fs::create_dir_all(path.parent().unwrap()).unwrap();
        fs::write(path, text).unwrap();
    }
    fs::create_dir(root.join("empty")).unwrap();
    let creator = Creator {
        date: "2026-02-03T04:05:06.789Z".parse().unwrap(),
        host: "lamp & <hook>".into(),
        tool: "endboard".into(),
        version: "0.1.0".into(),
        authors: vec![Author {
            name: "the keeper".into(),
            email: Some("keeper@brine.example".into()),
            phone: Some("+00 0000".into()),
            role: Some("finishing \"all\"".into()),
        }],
        location: Some("the shed".into()),
        comment: Some("a\u{b}b <c>".into()),
    };
    for (expect, process) in [(4, Process::InPlace), (5, Process::Transfer)] {
        seal(&root, &Kind::ALL, creator.clone(), process, &["*.tmp".into()]).unwrap();
        let Some(answer) = outside("mhl_check.py", &[root.to_str().unwrap()], b"") else { return };
        let answer: Value = serde_json::from_slice(&answer).unwrap();
        assert_eq!(answer["problems"].as_array().unwrap(), &Vec::<Value>::new());
        assert_eq!(answer["files"], expect * 3);
        assert_eq!(answer["folders"], 4 * 3, "the root, picture, what lies in it, and the empty one");
        fs::write(root.join("picture/later"), "four").unwrap();
    }
}
