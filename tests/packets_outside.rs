//! Packets held against RFC 8493, section by section, and against other readers and writers of bags and zips.
//!
//! Knows small bags, those of `checks/integrity.json` and what `outside/packet_check.py` says.

mod outside;
mod project;

use std::path::Path;

use endboard::packet::bag::{Bag, check};
use endboard::packet::open::Packet;
use endboard::packet::sums::Kind;
use endboard::packet::write::{WriteError, Writer};
use outside::outside;
use project::packets::{declared, files, grey, hand_out, put, take_back};
use serde_json::Value;

/// Writes a folder of these files.
fn write(folder: &Path, all: &[(&str, &str)]) {
    for (path, text) in all {
        let to = folder.join(path);
        std::fs::create_dir_all(to.parent().unwrap()).unwrap();
        std::fs::write(to, text).unwrap();
    }
}

fn checked(folder: &Path) -> Result<Option<Bag>, String> {
    let said = |faults: Vec<endboard::packet::Fault>| {
        faults.iter().map(|f| f.to_string()).collect::<Vec<_>>().join("\n")
    };
    check(&Packet::open(folder).map_err(said)?).map_err(said)
}

/// A section and what of it, files besides or instead, and what is said when it is no bag then.
type Case<'a> = (&'a str, Vec<(&'a str, &'a str)>, Option<&'a str>);

const DECLARATION: &str = "BagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-8\n";

/// RFC 8493, "The BagIt File Packaging Format (V1.0)", October 2018. A change to a small bag, and whether it is a bag still.
#[test]
fn bags_by_the_sections_of_the_standard() {
    let a = Kind::Sha256.of(b"slate\n");
    let line = |sum: &str, path: &str| format!("{sum}  {path}\n");
    let sound = line(&a, "data/slate.txt");
    let tagged = format!("{}  bagit.txt\n", Kind::Sha256.of(DECLARATION.as_bytes()));
    let upper = line(&a.to_uppercase(), "data/slate.txt");
    let tab = sound.replace("  ", "\t");
    let (crlf, twice) = (sound.replace('\n', "\r\n"), sound.repeat(2));
    let (dotted, stray) = (line(&a, "./data/slate.txt"), line(&a, "slate.txt"));
    let percent = format!("{sound}{}", line(&a, "data/a%25b.txt"));
    let listed = format!("{tagged}{}", line(&a, "manifest-sha256.txt"));
    let listed_1 = format!("{sound}{}", line(&a, "data/a/b.txt"));
    let listed_2 = line(&Kind::Md5.of(b"slate\n"), "data/slate.txt");
    let listed_3 = format!("{sound}{}", line(&a, "data/b.txt"));
    // Section, files besides or instead, and what is said when it is none; nothing when it is one.
    let cases: Vec<Case<'_>> = vec![
        ("1.3: as small as one can be", vec![], None),
        (
            "2.1.1: the declaration is two lines",
            vec![("bagit.txt", "BagIt-Version: 1.0\n")],
            Some("Tag-File"),
        ),
        (
            "2.1.1: no byte order mark",
            vec![("bagit.txt", "\u{feff}BagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-8\n")],
            Some("byte order"),
        ),
        (
            "2.1.2: payload in folders",
            vec![("data/a/b.txt", "slate\n"), ("manifest-sha256.txt", &listed_1)],
            None,
        ),
        ("2.1.3: capital digits", vec![("manifest-sha256.txt", &upper)], None),
        ("2.1.3: a tab parts digest and path", vec![("manifest-sha256.txt", &tab)], None),
        ("2.1.3: lines end in CR LF", vec![("manifest-sha256.txt", &crlf)], None),
        ("2.1.3: a file is listed once", vec![("manifest-sha256.txt", &twice)], Some("twice")),
        ("2.1.3: paths begin with data/", vec![("manifest-sha256.txt", &dotted)], Some("empty part")),
        (
            "2.1.3: paths lie below data/",
            vec![("manifest-sha256.txt", &stray), ("slate.txt", "slate\n")],
            Some("not below data/"),
        ),
        (
            "2.1.3: a percent sign is escaped",
            vec![("data/a%b.txt", "slate\n"), ("manifest-sha256.txt", &percent)],
            None,
        ),
        ("2.2.1: tag files are what tag manifests say", vec![("tagmanifest-sha256.txt", &tagged)], None),
        ("2.2.1: and else it is none", vec![("tagmanifest-sha256.txt", &listed)], Some("its sha256 is")),
        (
            "2.2.2: what is said of it",
            vec![("bag-info.txt", "Contact-Name: keeper\nContact-Name: raker\nPayload-Oxum: 6.1\n")],
            None,
        ),
        (
            "2.2.2: the count of bytes and files",
            vec![("bag-info.txt", "Payload-Oxum: 7.1\n")],
            Some("Payload-Oxum"),
        ),
        ("2.2.3: files elsewhere are not fetched", vec![("fetch.txt", "")], Some("nothing is fetched")),
        (
            "2.2.4: other tag files, in folders too",
            vec![("return/hours.csv", "date"), ("notes/a.txt", "a")],
            None,
        ),
        ("2.4: another digest besides", vec![("manifest-md5.txt", &listed_2)], None),
        ("2.4: and each lists all", vec![("manifest-md5.txt", "")], Some("does not list it")),
        ("3: complete, no file too many", vec![("data/more.txt", "more")], Some("no manifest lists it")),
        ("3: complete, none lacking", vec![("manifest-sha256.txt", &listed_3)], Some("it is not there")),
        ("3: valid, every digest right", vec![("data/slate.txt", "slat3\n")], Some("its sha256 is")),
    ];
    for (name, besides, says) in cases {
        let folder = tempfile::tempdir().unwrap();
        write(
            folder.path(),
            &[("bagit.txt", DECLARATION), ("data/slate.txt", "slate\n"), ("manifest-sha256.txt", &sound)],
        );
        write(folder.path(), &besides);
        match (checked(folder.path()), says) {
            (Ok(Some(_)), None) => {}
            (Err(said), Some(says)) if said.contains(says) => {}
            (said, _) => panic!("{name}: {said:?}"),
        }
    }
    let folder = tempfile::tempdir().unwrap();
    write(folder.path(), &[("data/slate.txt", "slate\n")]);
    assert_eq!(checked(folder.path()), Ok(None));
}

/// The bag of `checks/integrity.json`, made with another library (version 0.97), and its digests.
#[test]
fn the_bag_of_the_catalogue() {
    let all: Value = serde_json::from_str(include_str!("checks/integrity.json")).unwrap();
    let bag = &all["bagit"];
    let folder = tempfile::tempdir().unwrap();
    for (path, text) in all["asc_mhl"]["invented_tree"].as_object().unwrap() {
        write(folder.path(), &[(&format!("data/{path}"), text.as_str().unwrap())]);
    }
    for (name, text) in
        bag["example_files"].as_object().unwrap().iter().filter(|(name, _)| name.ends_with(".txt"))
    {
        write(folder.path(), &[(name, text.as_str().unwrap())]);
    }
    let found = checked(folder.path()).unwrap().unwrap();
    assert_eq!(found.label("payload-oxum"), Some("45.4"));
    let paths: Vec<String> =
        bag["payload"].as_array().unwrap().iter().map(|p| format!("data/{}", p.as_str().unwrap())).collect();
    assert_eq!(found.sums.keys().cloned().collect::<Vec<_>>(), paths);
    let sha512 = bag["example_files"]["manifest-sha512_first_line"].as_str().unwrap();
    assert!(
        sha512.starts_with(&Kind::Sha512.of(&std::fs::read(folder.path().join("data/slate.txt")).unwrap()))
    );
    let slate = folder.path().join("data/slate.txt");
    let longer = [std::fs::read(&slate).unwrap(), b"x".to_vec()].concat();
    std::fs::write(&slate, longer).unwrap();
    assert!(
        checked(folder.path())
            .unwrap_err()
            .contains("Payload-Oxum says 45.4 (bytes.files), and there are 46.4")
    );
}

#[test]
fn digests_of_the_catalogue() {
    let all: Value = serde_json::from_str(include_str!("checks/integrity.json")).unwrap();
    for (name, bytes) in
        [("empty", &b""[..]), ("abc", b"abc"), ("fox", b"The quick brown fox jumps over the lazy dog")]
    {
        for kind in Kind::ALL {
            assert_eq!(
                kind.of(bytes),
                all["digests"][name][kind.name()].as_str().unwrap(),
                "{name} {}",
                kind.name()
            );
        }
    }
}

#[test]
fn others_take_our_packets_and_we_take_theirs() {
    let film = declared();
    let (name, folder) = hand_out(&film, &["br050", "--to", "ana", "--as", "png"]);
    let (_, zip) = hand_out(&film, &["br060", "--to", "ines", "--zip"]);
    let plain = film.path().join("plain");
    std::fs::create_dir(&plain).unwrap();
    (1001..=1003).for_each(|n| put(&plain, "br050", n, &grey(n as u8)));
    // What a person fills in does not make the bag another one.
    put(&folder, "br050", 1004, &grey(4));
    std::fs::write(folder.join("return/hours.csv"), "date,shot,frames,hours,note\n2026-01-05,br050,,1,\n")
        .unwrap();
    let arguments = [&folder, &zip, &plain].map(|path| path.to_str().unwrap());
    let Some(answer) = outside("packet_check.py", &arguments, b"") else { return };
    let said: Value = serde_json::from_slice(&answer).unwrap();
    assert_eq!((&said["bad"], &said["dates"]), (&Value::Null, &serde_json::json!(["(1980, 1, 1, 0, 0, 0)"])));
    for of in ["folder", "zip"] {
        assert_eq!(said[of]["version"], "1.0");
        assert_eq!(said[of]["algorithms"], serde_json::json!(["sha256", "sha512"]));
    }
    assert_eq!(said["folder"]["info"]["External-Identifier"], name);
    let payload = files(&folder.join("data")).len();
    assert_eq!(said["folder"]["payload"].as_array().unwrap().len(), payload);
    // Theirs, of version 0.97 with four kinds of digests.
    let came = take_back(&film, &plain, &["--packet", &name]);
    assert_eq!(came["came"][0]["good"], "1001-1003");
    let came = take_back(&film, &folder, &[]);
    assert_eq!(
        (&came["came"][0]["good"], &came["open"]),
        (&serde_json::json!("1004"), &serde_json::json!(false))
    );
}

#[test]
fn the_same_packet_has_the_same_bytes_and_nothing_is_written_over() {
    let post = tempfile::tempdir().unwrap();
    let written = |within: &str, as_zip: bool| {
        let mut bag = Writer::begin(&post.path().join(within), "ana-1", as_zip)?;
        bag.payload("br050/picture/one 100%.png", &grey(1))?;
        bag.tag_file("BRIEF.txt", b"The raker goes.\n")?;
        bag.open_file("return/hours.csv", b"date\n")?;
        let written =
            bag.finish(&[("Source-Organization", "The Brine Lamp"), ("External-Description", "two\nlines")])?;
        Ok::<_, WriteError>(written.place)
    };
    let bytes = |within: &str| std::fs::read(written(within, true).unwrap()).unwrap();
    let (one, two) = (bytes("one"), bytes("two"));
    assert_eq!(one, two);
    let folder = written("one", false).unwrap();
    assert!(
        checked(&folder).unwrap().is_some() && checked(&post.path().join("one/ana-1.zip")).unwrap().is_some()
    );
    let info = std::fs::read_to_string(folder.join("bag-info.txt")).unwrap();
    assert!(info.contains("External-Description: two lines\n"), "{info}");
    for as_zip in [false, true] {
        let said = written("one", as_zip).unwrap_err().to_string();
        assert!(said.contains("is not written over"), "{said}");
    }
    let mut bag = Writer::begin(&post.path().join("one"), "ana-2", false).unwrap();
    let said = bag.payload("../evil.png", b"x").unwrap_err().to_string();
    assert!(said.contains("leads out of its folder"), "{said}");
    drop(bag);
    // One that came to no end leaves nothing.
    assert_eq!(std::fs::read_dir(post.path().join("one")).unwrap().count(), 2);
}
