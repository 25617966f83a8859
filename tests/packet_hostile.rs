//! Packets that are meant to do harm, or came to harm: refused with a line that says why, nothing written, nothing changed.
//!
//! Knows how zips and bags are put together by hand, byte by byte. Whatever is refused here must leave the film's folder, and the
//! folder around it, as they were.

mod project;

use std::collections::BTreeMap;
use std::io::{Cursor, Write};
use std::os::unix::fs::symlink;
use std::path::{Path, PathBuf};

use endboard::media::exr::{self, Compression};
use endboard::media::image::{Image, RGBA};
use endboard::packet::open::Packet;
use endboard::packet::{bag, sums::Kind};
use project::packets::{declared, files, grey, hand_out, put, take_back};
use project::{Film, SIZE};

/// One entry of a zip as it is written, whatever it says.
#[derive(Clone)]
struct Piece {
    name: Vec<u8>,
    bytes: Vec<u8>,
    /// Name in the local header, when it is another one.
    local: Option<Vec<u8>>,
    flags: u16,
    mode: u32,
    /// Size as it is said to be.
    size: Option<u32>,
    /// Says to be where another one is.
    at: Option<u32>,
}

fn piece(name: impl AsRef<[u8]>, bytes: &[u8]) -> Piece {
    let name = name.as_ref().to_vec();
    Piece { name, bytes: bytes.into(), local: None, flags: 0x800, mode: 0o100_644, size: None, at: None }
}

/// A zip of stored entries (APPNOTE.TXT, section 4.3).
fn zip(pieces: &[Piece]) -> Vec<u8> {
    let (mut out, mut list, mut count) = (Vec::new(), Vec::new(), 0u16);
    for of in pieces {
        let at = of.at.unwrap_or(out.len() as u32);
        let (crc, len) = (crc32fast::hash(&of.bytes), of.bytes.len() as u32);
        let size = of.size.unwrap_or(len);
        let head = |out: &mut Vec<u8>, name: &[u8]| {
            for value in [20, of.flags, 0, 0, 0x21] {
                out.extend_from_slice(&value.to_le_bytes());
            }
            for value in [crc, len, size] {
                out.extend_from_slice(&value.to_le_bytes());
            }
            out.extend_from_slice(&(name.len() as u16).to_le_bytes());
            out.extend_from_slice(&0u16.to_le_bytes());
        };
        let local = of.local.as_ref().unwrap_or(&of.name);
        if of.at.is_none() {
            out.extend_from_slice(b"PK\x03\x04");
            head(&mut out, local);
            out.extend_from_slice(local);
            out.extend_from_slice(&of.bytes);
        }
        list.extend_from_slice(b"PK\x01\x02");
        list.extend_from_slice(&(3u16 << 8 | 20).to_le_bytes());
        head(&mut list, &of.name);
        list.extend_from_slice(&[0; 6]);
        list.extend_from_slice(&(of.mode << 16).to_le_bytes());
        list.extend_from_slice(&at.to_le_bytes());
        list.extend_from_slice(&of.name);
        count = count.wrapping_add(1);
    }
    let (at, len) = (out.len() as u32, list.len() as u32);
    out.extend_from_slice(&list);
    out.extend_from_slice(b"PK\x05\x06\0\0\0\0");
    out.extend_from_slice(&count.to_le_bytes());
    out.extend_from_slice(&count.to_le_bytes());
    out.extend_from_slice(&len.to_le_bytes());
    out.extend_from_slice(&at.to_le_bytes());
    out.extend_from_slice(&0u16.to_le_bytes());
    out
}

/// A film with a packet that is out, and a folder for what comes.
struct Scene {
    film: Film,
    name: String,
    place: PathBuf,
    post: tempfile::TempDir,
}

impl Scene {
    fn new() -> Self {
        let film = declared();
        let (name, place) = hand_out(&film, &["br050/cleanup", "--to", "ana"]);
        Self { film, name, place, post: tempfile::tempdir().unwrap() }
    }

    /// The file that tells which packet it is.
    fn told(&self) -> Piece {
        piece("return/packet.txt", self.name.as_bytes())
    }

    fn post_zip(&self, bytes: &[u8]) -> PathBuf {
        let path = self.post.path().join("sent.zip");
        std::fs::write(&path, bytes).unwrap();
        path
    }

    /// A copy of the packet as it went out, to be harmed.
    fn copy(&self) -> PathBuf {
        let to = self.post.path().join("copy");
        let _ = std::fs::remove_dir_all(&to);
        for (path, bytes) in files(&self.place) {
            let at = to.join(path.strip_prefix(&self.place).unwrap());
            std::fs::create_dir_all(at.parent().unwrap()).unwrap();
            std::fs::write(at, bytes).unwrap();
        }
        to
    }

    /// Fails the test unless the packet is refused for this, and nothing changed anywhere.
    #[track_caller]
    fn refuses(&self, path: &Path, says: &str) {
        let world = || {
            let mut all = files(self.film.path());
            all.extend(files(self.post.path()));
            let around = std::fs::read_dir(self.film.path().parent().unwrap()).unwrap();
            let names = around.map(|e| e.unwrap().file_name().to_string_lossy().into_owned());
            let evil: Vec<String> = names.filter(|name| name.contains("evil")).collect();
            (all, evil)
        };
        let before = world();
        let (code, said) = self.film.said(&["takeback", path.to_str().unwrap()]);
        assert!(matches!(code, Some(1 | 2)) && said.contains(says), "{code:?}, wanted {says:?}: {said}");
        assert!(code == Some(2) || said.contains("nothing was taken"), "{said}");
        assert!(!said.contains("panicked"), "{said}");
        assert!(world() == before, "something changed after: {said}");
        let left = std::fs::read_dir(self.film.path().join(".endboard/work")).into_iter().flatten().count();
        assert_eq!(left, 0, "the intake was left behind");
    }

    #[track_caller]
    fn refuses_zip(&self, pieces: &[Piece], says: &str) {
        self.refuses(&self.post_zip(&zip(pieces)), says);
    }
}

#[test]
fn the_zip_that_is_put_together_here_is_one_that_is_taken() {
    let scene = Scene::new();
    let path = scene.post_zip(&zip(&[scene.told(), piece("return/br050/cleanup.1001.png", &grey(7))]));
    let came = take_back(&scene.film, &path, &[]);
    assert_eq!(came["came"][0]["good"], "1001");
}

#[test]
fn names_that_lead_elsewhere_or_are_none() {
    let scene = Scene::new();
    let good = piece("return/br050/cleanup.1001.png", &grey(7));
    for (name, says) in [
        (&b"../evil.png"[..], "leads out of its folder"),
        (b"return/../../evil.png", "leads out of its folder"),
        (b"/tmp/evil.png", "root of the disk"),
        (b"..\\evil.png", "backslash"),
        (b"C:evil.png", "':'"),
        (b"return/a\nb.png", "control character"),
        (b"return/a\0b.png", "control character"),
        (b"return/a\x1b[2J.png", "control character"),
        (b"return/gnp.\xe2\x80\xae.exe", "control character"),
        (b"return/CON.png", "device"),
        (b"return/aux", "device"),
        (b"return/a.png.", "dot"),
        (b"return/a\xff.png", "UTF-8"),
        (b"return//a.png", "empty part"),
        (b"", "no name"),
    ] {
        scene.refuses_zip(&[scene.told(), good.clone(), piece(name, &grey(1))], says);
    }
    let deep = "a/".repeat(40) + "evil.png";
    scene.refuses_zip(&[scene.told(), piece(deep, &grey(1))], "folders deep");
    let long = "a".repeat(300);
    scene.refuses_zip(&[scene.told(), piece(long, &grey(1))], "longer than 255");
}

#[test]
fn names_that_are_one_another() {
    let scene = Scene::new();
    let picture = |name: &str| piece(name, &grey(7));
    let frame = "return/br050/cleanup.1001.png";
    scene.refuses_zip(&[scene.told(), picture(frame), picture(frame)], "twice");
    scene.refuses_zip(
        &[scene.told(), picture(frame), picture("return/br050/Cleanup.1001.png")],
        "the same as",
    );
    scene.refuses_zip(
        &[scene.told(), picture(frame), picture("return/BR050/cleanup.1002.png")],
        "the same as",
    );
    scene.refuses_zip(
        &[scene.told(), picture("return/ros\u{e9}.png"), picture("return/rose\u{301}.png")],
        "the same as",
    );
    scene.refuses_zip(&[scene.told(), picture("return/a"), picture("return/a/b.png")], "at once");
    scene.refuses_zip(
        &[scene.told(), picture(frame), picture("return/x/cleanup.1001.png")],
        "the same frame as",
    );
}

#[test]
fn what_is_no_file() {
    let scene = Scene::new();
    for (mode, says) in
        [(0o120_777, "a link"), (0o020_644, "a device"), (0o010_644, "a device"), (0o140_644, "a device")]
    {
        let odd = Piece { mode, ..piece("return/br050/cleanup.1001.png", b"/etc/passwd") };
        scene.refuses_zip(&[scene.told(), odd], says);
    }
    // The same in a folder.
    let folder = scene.copy();
    let frame = folder.join("return/br050/cleanup.1001.png");
    std::fs::create_dir_all(frame.parent().unwrap()).unwrap();
    let clear = || std::fs::remove_file(&frame).unwrap();
    symlink("/etc/hostname", &frame).unwrap();
    scene.refuses(&folder, "a link");
    clear();
    let secret = scene.post.path().join("secret.png");
    std::fs::write(&secret, grey(9)).unwrap();
    std::fs::hard_link(&secret, &frame).unwrap();
    scene.refuses(&folder, "hard links");
    clear();
    let (fifo, any) = (rustix::fs::FileType::Fifo, rustix::fs::Mode::RWXU);
    rustix::fs::mknodat(rustix::fs::CWD, &frame, fifo, any, 0).unwrap();
    scene.refuses(&folder, "a device, a pipe or a socket");
    clear();
    symlink(scene.film.path(), folder.join("return/br060")).unwrap();
    scene.refuses(&folder, "a link");
    scene.refuses(Path::new("/dev/zero"), "neither a folder nor a file");
}

#[test]
fn zips_that_are_damaged_locked_or_lie() {
    let scene = Scene::new();
    let good = piece("return/br050/cleanup.1001.png", &grey(7));
    let whole = zip(&[scene.told(), good.clone()]);
    for cut in [0, 3, 30, whole.len() / 2, whole.len() - 30, whole.len() - 1] {
        scene.refuses(&scene.post_zip(&whole[..cut]), "no zip, or one that is cut short");
    }
    scene.refuses(&scene.post_zip(&[b"#!/bin/sh\n".to_vec(), whole.clone()].concat()), "");
    scene.refuses(&scene.post_zip(&[whole.clone(), b"PK\x05\x06".to_vec(), vec![0; 18]].concat()), "no zip");
    scene.refuses_zip(&[scene.told(), Piece { flags: 0x801, ..good.clone() }], "encrypted");
    scene.refuses_zip(
        &[scene.told(), Piece { local: Some(b"return/br050/cleanup.1002.png".to_vec()), ..good.clone() }],
        "damaged",
    );
    // Two entries over the same bytes, as bombs that look small are made.
    let first = scene.told().bytes.len() as u32 + 30 + "return/packet.txt".len() as u32;
    let over = Piece { at: Some(first), ..good.clone() };
    scene.refuses_zip(
        &[scene.told(), good.clone(), Piece { name: b"return/br050/cleanup.1002.png".to_vec(), ..over }],
        "damaged",
    );
    scene.refuses_zip(
        &[scene.told(), Piece { size: Some(4_000_000_000), ..good.clone() }],
        "more than 200 times",
    );
    let mut wrong = whole.clone();
    let at = wrong.windows(4).position(|w| w == b"IDAT").unwrap();
    wrong[at + 8] ^= 1;
    scene.refuses(&scene.post_zip(&wrong), "cleanup.1001.png");
    // A method that is not read.
    let mut odd = zip(&[good]);
    let list = odd.windows(4).position(|w| w == b"PK\x01\x02").unwrap();
    odd[list + 10] = 12;
    scene.refuses(&scene.post_zip(&odd), "not read");
}

#[test]
fn bombs() {
    let scene = Scene::new();
    // 128 MiB of nothing, which deflate to a thousandth.
    let mut writer = zip::ZipWriter::new(Cursor::new(Vec::new()));
    let options =
        zip::write::SimpleFileOptions::default().compression_method(zip::CompressionMethod::Deflated);
    for n in 1001..=1008 {
        writer.start_file(format!("return/br050/cleanup.{n}.png"), options).unwrap();
        writer.write_all(&vec![0; 16 << 20]).unwrap();
    }
    let bytes = writer.finish().unwrap().into_inner();
    assert!(bytes.len() < 1 << 18);
    scene.refuses(&scene.post_zip(&bytes), "more than 200 times");
    // The count is told by the end alone, so that the list is never made.
    let mut many = zip(&[scene.told()]);
    let end = many.len() - 22;
    many.splice(end..end, long_end(5_000_000, many.len() as u64));
    scene.refuses(&scene.post_zip(&many), "5000000 files and folders");
    let pieces: Vec<Piece> = (0..65_000).map(|n| piece(format!("return/{n}"), b"")).collect();
    let path = scene.post_zip(&zip(&pieces));
    // So many are not too many; there is only nothing in them to take.
    scene.refuses(&path, "does not tell which packet");
}

/// The longer end of a zip and its locator (APPNOTE.TXT, sections 4.3.14 and 4.3.15).
fn long_end(count: u64, at: u64) -> Vec<u8> {
    let mut out = b"PK\x06\x06".to_vec();
    out.extend_from_slice(&44u64.to_le_bytes());
    out.extend_from_slice(&[45, 0, 45, 0, 0, 0, 0, 0, 0, 0, 0, 0]);
    for value in [count, count, 46, 0] {
        out.extend_from_slice(&value.to_le_bytes());
    }
    out.extend_from_slice(b"PK\x06\x07\0\0\0\0");
    out.extend_from_slice(&(at - 22).to_le_bytes());
    out.extend_from_slice(&1u32.to_le_bytes());
    out
}

#[test]
fn bags_that_are_not_what_they_say() {
    let scene = Scene::new();
    let harmed = |says: &str, harm: &dyn Fn(&Path)| {
        let folder = scene.copy();
        put(&folder, "br050", 1001, &grey(7));
        harm(&folder);
        scene.refuses(&folder, says);
    };
    let input = "data/br050/picture/br050.picture.1001.exr";
    let write = |folder: &Path, name: &str, text: &str| std::fs::write(folder.join(name), text).unwrap();
    let edit = |folder: &Path, name: &str, from: &str, to: &str| {
        let text = std::fs::read_to_string(folder.join(name)).unwrap();
        assert!(text.contains(from), "{text}");
        std::fs::write(folder.join(name), text.replace(from, to)).unwrap();
    };
    harmed("and it is not there", &|f| std::fs::remove_file(f.join(input)).unwrap());
    harmed("its sha256 is", &|f| {
        let mut bytes = std::fs::read(f.join(input)).unwrap();
        *bytes.last_mut().unwrap() ^= 1;
        std::fs::write(f.join(input), bytes).unwrap();
    });
    harmed("no manifest lists it", &|f| write(f, "data/more.txt", "more"));
    harmed("Payload-Oxum", &|f| edit(f, "bag-info.txt", "Payload-Oxum: ", "Payload-Oxum: 1"));
    harmed("its sha256 is", &|f| edit(f, "BRIEF.txt", "ana", "ines"));
    harmed("nothing is fetched", &|f| write(f, "fetch.txt", "http://localhost/evil - data/evil\n"));
    harmed("leads out of its folder", &|f| {
        edit(f, "manifest-sha512.txt", "data/touch.csv", "data/../../evil")
    });
    harmed("not below data/", &|f| edit(f, "manifest-sha512.txt", "data/touch.csv", "bagit.txt"));
    harmed("does not list it", &|f| {
        let text = std::fs::read_to_string(f.join("manifest-sha256.txt")).unwrap();
        let lines: Vec<&str> = text.lines().filter(|line| !line.ends_with("touch.csv")).collect();
        write(f, "manifest-sha256.txt", &(lines.join("\n") + "\n"));
    });
    harmed("version 9.9", &|f| edit(f, "bagit.txt", "1.0", "9.9"));
    harmed("UTF-7", &|f| edit(f, "bagit.txt", "UTF-8", "UTF-7"));
    harmed("no payload manifest", &|f| {
        std::fs::remove_file(f.join("manifest-sha256.txt")).unwrap();
        std::fs::rename(f.join("manifest-sha512.txt"), f.join("manifest-rot13.txt")).unwrap();
    });
    harmed("it is not text", &|f| std::fs::write(f.join("bag-info.txt"), b"\xff\xfe").unwrap());
    harmed("return/packet.txt says 'joren-1'", &|f| write(f, "return/packet.txt", "joren-1\n"));
}

#[test]
fn pictures_that_are_not_what_was_asked_for() {
    let scene = Scene::new();
    let sent = |name: &str, bytes: &[u8], says: &str| {
        scene.refuses_zip(&[scene.told(), piece(format!("return/br050/{name}"), bytes)], says);
    };
    let small = endboard::media::png::encode(8, 8, &[9; 8 * 8 * 3]);
    sent("cleanup.1001.png", &small, "it is 8x8, and the film 32x18");
    sent("cleanup.1001.png", b"no picture at all", "it cannot be read");
    sent("cleanup.1001.png", &grey(7)[..60], "it cannot be read");
    sent("cleanup.1001.png", &[], "it cannot be read");
    sent("cleanup.1009.png", &grey(7), "frame 1009 of br050 is not in the packet");
    sent("cleanup.01001.png", &grey(7), "frame 1001 is written otherwise; name it cleanup.1001.png");
    sent("clean_up_1001.png", &grey(7), "its name is none that was asked for; name it as cleanup.1001.png");
    sent("all.zip", b"packed", "a packed file inside of a packet is not opened");
    sent("all.zip", &zip(&[]), "holds another zip");
    scene.refuses_zip(&[scene.told(), piece("return/br060/cleanup.1001.png", &grey(7))], "no shot br060");
    scene.refuses_zip(&[scene.told()], "nothing in it to take");
    scene.refuses_zip(&[piece("return/br050/cleanup.1001.png", &grey(7))], "does not tell which packet");
    scene.refuses_zip(
        &[piece("return/packet.txt", b"../../evil"), piece("return/br050/cleanup.1001.png", &grey(7))],
        "no packet '../../evil'",
    );
    let other = [
        piece("return/packet.txt", b"cid-20260105-saltpan"),
        piece("return/br050/cleanup.1001.png", &grey(7)),
    ];
    scene.refuses_zip(
        &other,
        "if another copy of the film handed it out, bring the files of that one's ledger here",
    );
    let sheet = piece("return/hours.csv", b"date,shot,frames,hours,note\n2026-01-05,br050,,99,\n");
    scene.refuses_zip(&[scene.told(), sheet], "hours.csv:2: '99' is no number of hours");
    // One that is wrong keeps all others out.
    let good = piece("return/br050/cleanup.1001.png", &grey(7));
    scene.refuses_zip(&[scene.told(), good, piece("return/br050/cleanup.1002.png", &small)], "it is 8x8");
}

#[test]
fn light_that_is_no_number_and_headers_that_promise_too_much() {
    let film = Film::new();
    film.write_plate("shed", 3);
    film.declare(
        "  br050:
    plate: shed
    frames: 1001-1002
    stages: { cleanup: { by_hand: { files: \"hands/{shot}/cleanup.####.exr\" } } }
",
    );
    let (name, place) = hand_out(&film, &["br050", "--to", "ana"]);
    let scene = Scene { film, name, place, post: tempfile::tempdir().unwrap() };
    let picture = |channels: &[&str], put: &dyn Fn(&mut Image)| {
        let mut image = Image::new(SIZE.0, SIZE.1, channels);
        for channel in 0..channels.len() {
            image.samples_mut(channel).fill(half::f16::from_f32(0.5));
        }
        put(&mut image);
        exr::encode(&image, Compression::None, &[]).unwrap()
    };
    let sent = |bytes: &[u8], says: &str| {
        scene.refuses_zip(&[scene.told(), piece("return/br050/cleanup.1001.exr", bytes)], says);
    };
    sent(
        &picture(&RGBA, &|i| i.samples_mut(1)[37] = half::f16::NAN),
        "channel G is no number (NaN) at pixel 5, 1",
    );
    sent(
        &picture(&RGBA, &|i| i.samples_mut(0)[3] = half::f16::INFINITY),
        "channel R is infinite at pixel 3, 0",
    );
    sent(&picture(&RGBA, &|i| i.samples_mut(3).fill(half::f16::ZERO)), "its alpha is 0 everywhere");
    sent(&picture(&RGBA, &|i| i.samples_mut(3)[0] = half::f16::from_f32(4.0)), "its alpha reaches 4");
    sent(&picture(&["depth"], &|_| {}), "red, green and blue are wanted");
    // A header of a picture of a million by a million pixels: no room is made for it.
    let mut huge = picture(&RGBA, &|_| {});
    let windows: Vec<usize> = huge
        .windows(10)
        .enumerate()
        .filter(|(_, w)| w.starts_with(b"dataWindow"))
        .map(|(at, _)| at)
        .collect();
    let at = windows[0] + b"dataWindow\0box2i\0\x10\0\0\0".len();
    huge[at + 8..at + 12].copy_from_slice(&1_000_000i32.to_le_bytes());
    huge[at + 12..at + 16].copy_from_slice(&1_000_000i32.to_le_bytes());
    sent(&huge, "cleanup.1001.exr");
    // Some with alpha and some without.
    let pieces = [
        scene.told(),
        piece("return/br050/cleanup.1001.exr", &picture(&RGBA, &|_| {})),
        piece("return/br050/cleanup.1002.exr", &picture(&RGBA[..3], &|_| {})),
    ];
    scene.refuses_zip(&pieces, "these have no alpha");
}

#[test]
fn what_systems_leave_and_people_add_is_passed_over_and_told() {
    let scene = Scene::new();
    let pieces = [
        scene.told(),
        piece("return/br050/cleanup.1001.png", &grey(7)),
        piece("return/br050/.DS_Store", b"x"),
        piece("return/br050/._cleanup.1001.png", b"x"),
        piece("return/Thumbs.db", b"x"),
        piece("return/notes.txt", b"the raker was hard"),
        piece("cleanup.1002.png", &grey(8)),
    ];
    let came = take_back(&scene.film, &scene.post_zip(&zip(&pieces)), &[]);
    assert_eq!(came["came"][0]["frames"], "1001");
    let remarks = came["remarks"].as_array().unwrap();
    let said = |at: usize, says: &str| remarks[at].as_str().unwrap().starts_with(says);
    let is_told = said(0, "return/notes.txt is left") && said(1, "cleanup.1002.png is not taken");
    assert!(remarks.len() == 2 && is_told, "{remarks:?}");
    // A plain folder without anything else is taken when the packet is told.
    let folder = scene.post.path().join("plain");
    std::fs::create_dir(&folder).unwrap();
    [1002, 1004]
        .iter()
        .for_each(|n| std::fs::write(folder.join(format!("cleanup.{n}.png")), grey(8)).unwrap());
    scene.refuses(&folder, "does not tell which packet");
    let came = take_back(&scene.film, &folder, &["--packet", &scene.name, "--plan"]);
    assert_eq!(
        (&came["taken"], &came["came"][0]["gaps"]),
        (&serde_json::json!(false), &serde_json::json!("1003"))
    );
    assert!(!scene.film.path().join("hands/br050/cleanup.1002.png").exists());
    let came = take_back(&scene.film, &folder, &["--packet", &scene.name]);
    assert_eq!(came["came"][0]["left"], "1003");
}

/// The payload of a packet that is taken as a bag.
fn payload(path: &Path) -> Option<BTreeMap<String, Vec<u8>>> {
    let packet = Packet::open(path).ok()?;
    bag::check(&packet).ok()??;
    let data = packet.entries().iter().filter(|entry| entry.path.starts_with("data/"));
    Some(data.map(|entry| (entry.path.clone(), packet.bytes(entry, 1 << 20).unwrap())).collect())
}

/// A small bag as a zip.
fn bagged() -> Vec<u8> {
    let (a, b) = (b"slate\n".as_slice(), b"frame one\n".as_slice());
    let sums = |kind: Kind| format!("{}  data/slate.txt\n{}  data/br010/one.txt\n", kind.of(a), kind.of(b));
    zip(&[
        piece("ana-1/bagit.txt", b"BagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-8\n"),
        piece("ana-1/bag-info.txt", b"Payload-Oxum: 16.2\n"),
        piece("ana-1/manifest-sha256.txt", sums(Kind::Sha256).as_bytes()),
        piece("ana-1/manifest-sha512.txt", sums(Kind::Sha512).as_bytes()),
        piece("ana-1/data/slate.txt", a),
        piece("ana-1/data/br010/one.txt", b),
    ])
}

proptest::proptest! {
    #![proptest_config(proptest::prelude::ProptestConfig::with_cases(400))]

    /// Whatever bits fall over on the way, a bag that is taken has the payload that was sent.
    #[test]
    fn a_bag_that_is_taken_is_the_one_that_was_sent(flips in proptest::collection::vec((0usize..10_000, 1u8..=255), 1..4), cut in 0usize..40) {
        let post = tempfile::tempdir().unwrap();
        let path = post.path().join("sent.zip");
        let mut bytes = bagged();
        std::fs::write(&path, &bytes).unwrap();
        let sent = payload(&path).unwrap();
        for (at, flip) in flips {
            let at = at % bytes.len();
            bytes[at] ^= flip;
        }
        bytes.truncate(bytes.len() - cut / 30);
        std::fs::write(&path, &bytes).unwrap();
        if let Some(came) = payload(&path) {
            proptest::prop_assert_eq!(came, sent);
        }
    }

    /// The same of a folder, whose texts are changed as text.
    #[test]
    fn a_folder_whose_texts_are_changed_never_gives_another_payload(file in 0usize..4, at in 0usize..400, new in "[ -~\n\r%]{0,6}") {
        let post = tempfile::tempdir().unwrap();
        let place = post.path().join("bag");
        let packed = post.path().join("sent.zip");
        std::fs::write(&packed, bagged()).unwrap();
        let sent = payload(&packed).unwrap();
        let opened = Packet::open(&packed).unwrap();
        for entry in opened.entries() {
            let to = place.join(&entry.path);
            std::fs::create_dir_all(to.parent().unwrap()).unwrap();
            std::fs::write(to, opened.bytes(entry, 1 << 20).unwrap()).unwrap();
        }
        let name = ["bagit.txt", "bag-info.txt", "manifest-sha256.txt", "manifest-sha512.txt"][file];
        let mut text = std::fs::read(place.join(name)).unwrap();
        let at = at % text.len();
        text.splice(at..at + 1, new.bytes());
        std::fs::write(place.join(name), text).unwrap();
        if let Some(came) = payload(&place) {
            proptest::prop_assert_eq!(came, sent);
        }
    }

    #[test]
    fn no_bytes_make_the_reader_of_zips_panic(bytes in proptest::collection::vec(0u8..=255, 0..200)) {
        let post = tempfile::tempdir().unwrap();
        let path = post.path().join("sent.zip");
        std::fs::write(&path, [b"PK\x03\x04".as_slice(), &bytes, b"PK\x05\x06", &bytes[..bytes.len().min(18)]].concat()).unwrap();
        let _ = payload(&path);
    }
}
