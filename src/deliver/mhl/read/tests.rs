//! What the reader takes, and that no bytes upset it.

use proptest::prelude::*;

use super::*;
use crate::deliver::mhl::write;

fn sample() -> Manifest {
    let date: jiff::Timestamp = "2026-01-01T12:00:00Z".parse().unwrap();
    let recorded =
        |kind: Kind, action| Recorded { hash: kind.of(b"x"), action: Some(action), date: Some(date) };
    let entry = |path: &str| Entry {
        path: path.into(),
        size: Some(1),
        modified: Some(date),
        hashes: vec![recorded(Kind::C4, Action::Original), recorded(Kind::Xxh128, Action::Failed)],
    };
    let folder = |path: &str| Folder {
        path: path.into(),
        content: vec![Kind::Md5.of(b"a")],
        structure: vec![Kind::Md5.of(b"b")],
    };
    Manifest {
        creator: Creator {
            date,
            host: "lamp & \"hook\"".into(),
            tool: "endboard".into(),
            version: "0.1.0".into(),
            authors: vec![Author {
                name: "the keeper".into(),
                email: Some("k@brine.example".into()),
                ..Author::default()
            }],
            location: Some("the shed".into()),
            comment: Some("a <b> ]]> c".into()),
        },
        process: Process::Transfer,
        root: Some(folder("")),
        ignored: vec!["*.tmp".into(), "a&b".into()],
        files: vec![entry("br 010/ü & <x> 'y' \"z\".exr"), entry(" lead and trail ")],
        folders: vec![folder("br 010")],
    }
}

#[test]
fn a_manifest_is_read_as_it_was_written() {
    let manifest = sample();
    assert_eq!(super::manifest(&write::manifest(&manifest)).unwrap(), manifest);
}

#[test]
fn hostile_manifests_are_refused() {
    let good = String::from_utf8(write::manifest(&sample())).unwrap();
    let check = |from: &str, to: &str, says: &str| {
        assert!(good.contains(from), "{from}");
        let error = super::manifest(good.replacen(from, to, 1).as_bytes()).unwrap_err();
        assert!(error.what.contains(says), "{error}");
    };
    check("> lead and trail <", ">../keeper<", "stays in it");
    check("> lead and trail <", ">/etc/keeper<", "stays in it");
    check("> lead and trail <", "> a&#10;b<", "control");
    check("> lead and trail <", ">&keeper;<", "stands for nothing");
    check("<hashlist", "<!DOCTYPE x [<!ENTITY keeper \"x\">]><hashlist", "document type");
    check("version=\"2.0\"", "version=\"1.0\"", "version 2.0");
    check("size=\"1\"", "size=\"-1\"", "number of bytes");
    check("action=\"original\"", "action=\"lost\"", "no action");
    check("</hashlist>", "</hashlist><hashlist/>", "there is one");
    check("<hashes>", "<hashes><hash><md5>00</md5></hash>", "digest");
    check("a &lt;b&gt;", &"x".repeat(TEXT), "too much");
    check("<hashes>", &"<hashes>".repeat(40), "too deep");
    check("</hashlist>", "", "too early");
}

#[test]
fn what_others_add_is_passed_over() {
    let good = String::from_utf8(write::manifest(&sample())).unwrap();
    let more = good.replacen(
        "</hashes>",
        "</hashes><metadata><hash><path>../x</path></hash></metadata><references/>",
        1,
    );
    assert_eq!(super::manifest(more.as_bytes()).unwrap(), sample());
    let older = good.replacen("<xxh128", "<xxh32>00</xxh32><xxh128", 1);
    assert_eq!(super::manifest(older.as_bytes()).unwrap(), sample());
}

#[test]
fn a_chain_is_read_as_it_was_written_and_names_its_neighbours() {
    let link = |number, path: &str| Link { number, path: path.into(), c4: Kind::C4.of(b"x") };
    let links = vec![link(1, "0001_a.mhl"), link(3, "0003 & b.mhl")];
    assert_eq!(chain(&write::chain(&links)).unwrap(), links);
    for bad in [vec![link(1, "../a.mhl")], vec![link(1, "b/a.mhl")], vec![link(2, "a"), link(2, "b")]] {
        assert!(chain(&write::chain(&bad)).is_err(), "{bad:?}");
    }
}

proptest! {
    #[test]
    fn no_bytes_panic(at in 0usize..3000, bytes in proptest::collection::vec(any::<u8>(), 0..8), cut in 0usize..3000) {
        let mut text = write::manifest(&sample());
        let at = at.min(text.len());
        let end = (at + bytes.len()).min(text.len());
        text.splice(at..end, bytes);
        if let Ok(manifest) = super::manifest(&text) {
            prop_assert!(manifest.files.iter().all(|file| checked(&file.path).is_ok()));
        }
        text.truncate(cut);
        let _ = super::manifest(&text);
        let _ = chain(&text);
    }

    #[test]
    fn no_markup_panics(text in "(<|>|/|&|;|\"|=|hash|path|hashlist|\\]\\]>|<!\\[CDATA\\[|<!--| ){0,40}") {
        let _ = super::manifest(text.as_bytes());
        let _ = chain(text.as_bytes());
    }
}
