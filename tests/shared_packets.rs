//! Large packets through the crew's shared store: little memory, from where they came to, whole or not at all.
//!
//! Knows that a packet of hundreds of MiB tells of one of 4 GiB: what is held in memory must not grow with it.

mod project;

use std::fs::File;
use std::io::{BufReader, Read, Write};
use std::os::unix::fs::FileExt;
use std::path::{Path, PathBuf};
use std::process::{Child, Output, Stdio};
use std::time::Duration;

use project::bucket::{Does, Server, command, put};
use project::disk::Mounted;
use project::{Film, until_late};
use serde_json::Value;

const MIB: usize = 1 << 20;
/// Bytes of a part, as services are sent them.
const PART: usize = 8 * MIB;
/// A large packet.
const LARGE: usize = 160 * MIB;
/// What the program may take in memory at most, whatever the packet, in MiB: about as much as it takes for everything else, and
/// some parts.
const MEMORY: u64 = 120;
/// What asks for what came back.
const RETURNS: &str = "GET /brine/film/returns/";

/// A film with a shared store, and a packet of it that was handed out as a zip.
struct Handed {
    film: Film,
    packet: String,
    zip: PathBuf,
}

impl Handed {
    fn of(server: &Server) -> Self {
        Self::on(server, None)
    }

    /// The same, with what the program keeps on a disk of its own.
    fn on(server: &Server, disk: Option<&Mounted>) -> Self {
        let film = project::packets::declared();
        film.write("endboard.yaml", film.text("endboard.yaml") + &server.declared());
        disk.iter().for_each(|disk| disk.hold(&film));
        assert!(command(&film, "ana", &["rebuild"]).output().unwrap().status.code().is_some());
        let words = ["handout", "br050", "--to", "ines", "--as", "png", "--zip", "--json"];
        let said = command(&film, "ana", &words).output().unwrap();
        let said: Value = serde_json::from_slice(&said.stdout).unwrap();
        let text = |name: &str| said[name].as_str().unwrap_or_else(|| panic!("{said}")).to_string();
        Self { packet: text("packet"), zip: text("place").into(), film }
    }

    /// Makes the zip larger by so many bytes: nobody looks at what else is in it on the way.
    fn grown_by(self, bytes: usize) -> Self {
        let file = File::options().read(true).write(true).open(&self.zip).unwrap();
        let mut zip = zip::ZipWriter::new_append(file).unwrap();
        let stored = zip::CompressionMethod::Stored;
        let name = format!("{}/more", self.packet);
        zip.start_file(name, zip::write::SimpleFileOptions::default().compression_method(stored)).unwrap();
        let mut dice = project::Dice(7);
        for _ in 0..bytes / MIB {
            zip.write_all(&noise(&mut dice, MIB)).unwrap();
        }
        zip.finish().unwrap();
        self
    }

    fn run(&self, words: &[&str]) -> Output {
        command(&self.film, "ana", words).output().unwrap()
    }

    fn begin(&self, words: &[&str]) -> Child {
        command(&self.film, "ana", words).stdout(Stdio::null()).stderr(Stdio::piped()).spawn().unwrap()
    }

    fn send(&self) -> [String; 3] {
        ["share", "--send", self.zip.to_str().unwrap()].map(String::from)
    }

    /// Begins to send the packet, and kills that once so many bytes went; gives the most memory that it took, in MiB.
    fn send_and_kill(&self, server: &Server, bytes: usize) -> u64 {
        server.does(Does::Stall(bytes));
        let mut run = self.begin(&self.send().each_ref().map(String::as_str));
        until_late("a part of the packet to be sent", || server.stalled());
        let peak = peak(&run);
        run.kill().unwrap();
        run.wait().unwrap();
        server.does(Does::Pass);
        server.forget();
        peak
    }

    /// Sends the packet, and gives the link by which something may be put there in return.
    fn link(&self) -> String {
        let sent = self.run(&[&self.send().each_ref().map(String::as_str)[..], &["--json"]].concat());
        let json: Value = serde_json::from_slice(&sent.stdout).unwrap_or_else(|_| panic!("{}", told(&sent)));
        json["shared"]["back"].as_str().unwrap().into()
    }

    /// Puts a return of so many bytes there; the packet there is large, so that as much may come back.
    fn returned(&self, server: &Server, bytes: usize) {
        put(&self.link(), b"salt");
        let packet = server.files("/film/packets/").remove(0);
        File::options().append(true).open(packet).unwrap().set_len(LARGE as u64).unwrap();
        grow(&server.files("/film/returns/")[0], bytes);
    }

    /// Names of what lies where returns are fetched to.
    fn fetched(&self) -> Vec<String> {
        let entries = std::fs::read_dir(self.film.path().join(".endboard/fetched")).into_iter().flatten();
        entries.map(|entry| entry.unwrap().file_name().into_string().unwrap()).collect()
    }
}

/// Bytes that do not pack.
fn noise(dice: &mut project::Dice, bytes: usize) -> Vec<u8> {
    (0..bytes.div_ceil(8)).flat_map(|_| dice.roll().to_le_bytes()).take(bytes).collect()
}

/// Writes what does not pack behind a file until it has so many bytes.
fn grow(path: &Path, bytes: usize) {
    let mut dice = project::Dice(7);
    let mut file = File::options().append(true).open(path).unwrap();
    let mut lacks = bytes - file.metadata().unwrap().len() as usize;
    while lacks > 0 {
        let piece = noise(&mut dice, lacks.min(MIB));
        file.write_all(&piece).unwrap();
        lacks -= piece.len();
    }
}

/// The most memory that a process took so far, in MiB.
fn peak(run: &Child) -> u64 {
    let status = std::fs::read_to_string(format!("/proc/{}/status", run.id())).unwrap();
    let line = status.lines().find_map(|line| line.strip_prefix("VmHWM:")).unwrap();
    let peak = line.trim().trim_end_matches(" kB").parse::<u64>().unwrap() / 1024;
    println!("{peak} MiB at most");
    peak
}

/// Whether two files hold the same.
fn same(one: &Path, other: &Path) -> bool {
    let [mut one, mut other] =
        [one, other].map(|path| BufReader::with_capacity(MIB, File::open(path).unwrap()));
    loop {
        let (mut a, mut b) = (Vec::new(), Vec::new());
        (&mut one).take(MIB as u64).read_to_end(&mut a).unwrap();
        (&mut other).take(MIB as u64).read_to_end(&mut b).unwrap();
        if a != b || a.is_empty() {
            return a == b;
        }
    }
}

/// Numbers of the parts that were put.
fn parts(server: &Server) -> Vec<usize> {
    let number = |line: &String| line.split_once("partNumber=")?.1.split('&').next()?.parse().ok();
    let mut parts: Vec<usize> =
        server.requests().iter().filter(|line| line.starts_with("PUT")).filter_map(number).collect();
    parts.sort_unstable();
    parts
}

fn told(out: &Output) -> String {
    String::from_utf8_lossy(&[&out.stdout[..], &out.stderr].concat()).into_owned()
}

#[test]
fn a_large_packet_takes_little_memory_and_goes_on_from_where_it_came_to() {
    let Some(server) = Server::start() else { return };
    let ana = Handed::of(&server).grown_by(LARGE);
    let peak = ana.send_and_kill(&server, 130 * MIB);
    assert!(peak < MEMORY, "{peak} MiB");
    assert_eq!(server.files("/film/packets/").len(), 0, "nothing by halves");
    let sent = ana.run(&ana.send().each_ref().map(String::as_str));
    assert!(sent.status.success(), "{}", told(&sent));
    // 15 parts were there for certain; which was under way when it was killed is sent once more.
    let size = std::fs::metadata(&ana.zip).unwrap().len() as usize;
    let (all, again) = (size.div_ceil(PART), parts(&server));
    let first = again[0];
    assert!((16..=all).contains(&first), "{again:?}");
    assert_eq!(again, (first..=all).collect::<Vec<_>>());
    let there = server.files("/film/packets/");
    assert!(there.len() == 1 && same(&there[0], &ana.zip), "{there:?}");
    assert!(told(&sent).contains("curl -T DONE.zip"), "{}", told(&sent));
    // New links of what is there cost no second sending; what was removed there meanwhile is sent once more.
    server.forget();
    ana.link();
    assert_eq!(parts(&server), Vec::<usize>::new());
    std::fs::remove_file(&there[0]).unwrap();
    ana.link();
    assert_eq!(parts(&server), (1..=all).collect::<Vec<_>>());
}

/// Longer than an answer is waited for to what takes no time to be sent.
const SLOW: Duration = Duration::from_secs(6);

#[test]
fn a_slow_line_takes_its_time_for_every_part_and_no_part_goes_twice() {
    let Some(server) = Server::start() else { return };
    let ana = Handed::of(&server).grown_by(PART + MIB);
    server.does(Does::Dawdle("partNumber=1", SLOW));
    let sent = ana.run(&ana.send().each_ref().map(String::as_str));
    assert!(sent.status.success(), "{}", told(&sent));
    assert_eq!(parts(&server), [1, 2]);
    assert!(same(&server.files("/film/packets/")[0], &ana.zip));
}

#[test]
fn a_packet_that_changed_between_two_tries_is_sent_anew_and_never_joined_of_two() {
    let Some(server) = Server::start() else { return };
    let ana = Handed::of(&server).grown_by(36 * MIB);
    ana.send_and_kill(&server, 20 * MIB);
    // In a part that is there already, with the file's size and time as they were.
    let when = std::fs::metadata(&ana.zip).unwrap().modified().unwrap();
    let file = File::options().write(true).open(&ana.zip).unwrap();
    file.write_all_at(b"pole", MIB as u64).unwrap();
    file.set_modified(when).unwrap();
    let sent = ana.run(&ana.send().each_ref().map(String::as_str));
    assert!(sent.status.success(), "{}", told(&sent));
    assert_eq!(parts(&server), [1, 2, 3, 4, 5]);
    let there = server.files("/film/packets/");
    assert!(there.len() == 1 && same(&there[0], &ana.zip), "{there:?}");
    // Nobody goes on with the parts of before, and the service is told so.
    assert!(server.requests().iter().any(|line| line.starts_with("DELETE")));
    assert_eq!(server.files("upload_id-"), Vec::<PathBuf>::new());
}

#[test]
fn what_came_back_is_fetched_with_little_memory_and_has_no_name_before_it_is_whole() {
    let Some(server) = Server::start() else { return };
    let ana = Handed::of(&server);
    ana.returned(&server, LARGE);
    server.does(Does::Hold(RETURNS, 130 * MIB));
    let run = ana.begin(&["takeback", "--shared", &ana.packet]);
    until_late("a part of what came back", || server.stalled());
    let peak = peak(&run);
    assert!(peak < MEMORY, "{peak} MiB");
    let under_way = ana.fetched();
    assert!(under_way.len() == 1 && under_way[0].ends_with(".part"), "{under_way:?}");
    let process = rustix::process::Pid::from_child(&run);
    rustix::process::kill_process(process, rustix::process::Signal::INT).unwrap();
    let out = project::ended(run);
    assert_eq!((out.status.code(), ana.fetched()), (Some(130), vec![]), "{}", told(&out));
    // What a kill leaves goes with the next.
    let mut run = ana.begin(&["takeback", "--shared", &ana.packet]);
    until_late("its file", || !ana.fetched().is_empty());
    run.kill().unwrap();
    run.wait().unwrap();
    assert_eq!(ana.fetched().len(), 1);
    server.does(Does::Pass);
    let out = ana.run(&["takeback", "--shared", &ana.packet]);
    let says = format!("returns/{}.zip in s3://brine/film: ", ana.packet);
    assert!(out.status.code() == Some(1) && told(&out).contains(&says), "{}", told(&out));
    assert_eq!(ana.fetched(), Vec::<String>::new());
}

#[test]
fn a_line_that_breaks_costs_what_was_under_way_and_no_more() {
    let Some(server) = Server::start() else { return };
    let ana = Handed::of(&server);
    let link = ana.link();
    // The packet itself with one picture in it, and beside the bag what an application may leave there.
    let mut packet = std::io::Cursor::new(std::fs::read(&ana.zip).unwrap());
    let first = zip::ZipArchive::new(&mut packet).unwrap().by_index(0).unwrap().name().unwrap().to_string();
    let top = if first.starts_with(&ana.packet) { format!("{}/", ana.packet) } else { String::new() };
    let mut zip = zip::ZipWriter::new_append(packet).unwrap();
    let options = zip::write::SimpleFileOptions::default().compression_method(zip::CompressionMethod::Stored);
    zip.start_file(format!("{top}return/br050/cleanup.1001.png"), options).unwrap();
    zip.write_all(&project::packets::grey(9)).unwrap();
    zip.start_file(format!("{top}scene.bak"), options).unwrap();
    zip.write_all(&vec![7; 40 * MIB]).unwrap();
    put(&link, &zip.finish().unwrap().into_inner());
    server.forget();
    server.does(Does::Cut(RETURNS, 9 * MIB, 3));
    let out = ana.run(&["takeback", "--shared", &ana.packet, "--json"]);
    assert!(out.status.success(), "{}", told(&out));
    let came: Value = serde_json::from_slice(&out.stdout).unwrap();
    assert_eq!(came["came"][0]["frames"], "1001", "{came}");
    let asked = server.requests().iter().filter(|line| line.starts_with(RETURNS)).count();
    assert!(server.cut() == 3 && asked > 3, "{asked}");
    assert_eq!(ana.fetched(), Vec::<String>::new());
}

#[test]
fn what_is_replaced_while_it_is_fetched_is_not_joined_of_two() {
    let Some(server) = Server::start() else { return };
    let ana = Handed::of(&server);
    let (link, bytes) = (ana.link(), vec![7; 3 * MIB]);
    let mut other = bytes.clone();
    other[2 * MIB] = 8;
    // One of the same size, and one that ends before what came already.
    for other in [&other[..], &bytes[..MIB / 2]] {
        put(&link, &bytes);
        let cut = server.cut();
        server.does(Does::Cut(RETURNS, MIB, usize::MAX));
        let run = ana.begin(&["takeback", "--shared", &ana.packet]);
        until_late("the line to break", || server.cut() > cut);
        put(&link, other);
        is_refused(&ana, run);
    }
}

/// What came of a takeback of what was replaced meanwhile.
#[track_caller]
fn is_refused(ana: &Handed, run: Child) {
    let out = project::ended(run);
    let is_told = told(&out).contains("it was replaced or taken away while it was fetched; fetch it again");
    assert!(out.status.code() == Some(4) && is_told, "{}", told(&out));
    assert_eq!(ana.fetched(), Vec::<String>::new());
}

#[test]
fn a_disk_without_room_for_what_came_back_is_told_with_its_place_before_anything_is_fetched() {
    let (Some(server), Some(disk)) = (Server::start(), Mounted::of("48m")) else { return };
    let ana = Handed::on(&server, Some(&disk));
    ana.returned(&server, 64 * MIB);
    let out = ana.run(&["takeback", "--shared", &ana.packet]);
    let place = ana.film.path().join(".endboard/fetched");
    let says =
        format!("is 64 MiB, and this machine has no room for it in {}; make room there", place.display());
    assert!(out.status.code() == Some(4) && told(&out).contains(&says), "{}", told(&out));
    assert_eq!(ana.fetched(), Vec::<String>::new());
    // Once there is room it is fetched, and judged.
    File::create(server.files("/film/returns/").remove(0)).unwrap().set_len(MIB as u64).unwrap();
    assert_eq!(ana.run(&["takeback", "--shared", &ana.packet]).status.code(), Some(1));
}

#[test]
fn what_is_not_the_packet_never_takes_its_place() {
    let Some(server) = Server::start() else { return };
    let ana = Handed::of(&server);
    ana.link();
    let there = server.files("/film/packets/").remove(0);
    let other = Handed::of(&server);
    let (folder, file) = (tempfile::tempdir().unwrap(), ana.zip.file_name().unwrap());
    let path = folder.path().join(file);
    let whole = std::fs::read(&ana.zip).unwrap();
    let cases: [(&[u8], &str); 4] = [
        (b"", "it is no zip"),
        (&project::packets::grey(9), "it is no zip"),
        (&whole[..whole.len() / 2], "it is no zip"),
        (&std::fs::read(&other.zip).unwrap(), "named otherwise"),
    ];
    for (bytes, says) in cases {
        std::fs::write(&path, bytes).unwrap();
        let out = ana.run(&["share", "--send", path.to_str().unwrap()]);
        assert!(out.status.code() == Some(2) && told(&out).contains(says), "{says}: {}", told(&out));
        assert!(same(&there, &ana.zip));
    }
}

#[test]
fn what_cannot_be_sent_is_told_with_the_way_on() {
    let Some(server) = Server::start() else { return };
    let ana = Handed::of(&server);
    let words = ana.send();
    let words = words.each_ref().map(String::as_str);
    // A service that refuses: the words lead to what the next try is.
    server.does(Does::Refuse("PUT", 507, "InsufficientStorage"));
    let out = ana.run(&["handout", "br060", "--to", "ines", "--as", "png", "--shared"]);
    assert!(out.status.code() == Some(4) && told(&out).contains("InsufficientStorage"), "{}", told(&out));
    let way =
        told(&out).split("`endboard share --send ").nth(1).unwrap().split('`').next().unwrap().to_string();
    server.does(Does::Pass);
    let sent = ana.run(&["share", "--send", &way, "--json"]);
    let json: Value = serde_json::from_slice(&sent.stdout).unwrap();
    let name = format!("packets/{}.zip", json["packet"].as_str().unwrap());
    assert_eq!((json["shared"]["name"].as_str(), server.files(&name).len()), (Some(&*name), 1), "{json}");
    // What is no packet of this film, is not there, or must not be sent.
    server.forget();
    ana.film.write("scene.zip", "salt");
    let out = ana.run(&["share", "--send", "scene.zip"]);
    assert!(out.status.code() == Some(2) && told(&out).contains("no packet of that name"), "{}", told(&out));
    let out = command(&ana.film, "ana", &words).env("ENDBOARD_SHARED", "take").output().unwrap();
    assert_eq!(out.status.code(), Some(2), "{}", told(&out));
    // Larger than may travel; the file has holes and takes no disk.
    File::options().append(true).open(&ana.zip).unwrap().set_len((4 << 30) + 1).unwrap();
    let out = ana.run(&words);
    let is_told = told(&out).contains("is larger than 4 GiB") && told(&out).contains("send it another way");
    assert!(out.status.code() == Some(4) && is_told && !told(&out).contains("--send"), "{}", told(&out));
    std::fs::remove_file(&ana.zip).unwrap();
    let out = ana.run(&words);
    assert!(out.status.code() == Some(2) && told(&out).contains("there is no such file"), "{}", told(&out));
    assert_eq!(server.requests(), Vec::<String>::new());
}
