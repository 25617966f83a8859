//! The crew's shared store against a real server: members with folders of their own, a way that breaks, objects that rot.

mod project;

use std::io::{BufRead, BufReader, Read, Write};
use std::net::TcpStream;
use std::path::PathBuf;
use std::process::{Command, Output, Stdio};

use project::bucket::{Does, KEY, Server, age, put};
use project::{Film, Said, until};
use serde_json::Value;

/// Two stages of eight frames, of which the first leaves no renders, and one by a command of eight in one call.
const SHOTS: &str = "  br010:
    plate: shed
    frames: 1001-1008
    stages:
      ground: { operator: grade, exposure: 0.5, keep: false }
      colour: { operator: grade, saturation: 0.5, from: { picture: ground } }
      tool: { command: \"sh tool.sh {picture} {out}\", each: shot, from: { picture: colour } }
";

/// Frames that a member renders.
const FRAMES: u64 = 24;
/// Pictures among them: `ground` leaves none, and the command's are the same as what it was given.
const PICTURES: usize = 8;

/// A member's folder.
struct Member {
    film: Film,
    name: &'static str,
}

impl Member {
    fn of(server: &Server, name: &'static str) -> Self {
        let film = Film::new();
        film.declare(&(SHOTS.to_string() + &server.declared()));
        film.write_plate("shed", 7);
        film.write("tool.sh", project::COPY);
        Self { film, name }
    }

    fn command(&self, words: &[&str]) -> Command {
        project::bucket::command(&self.film, self.name, words)
    }

    fn run(&self, words: &[&str]) -> Output {
        self.command(words).output().unwrap()
    }

    #[track_caller]
    fn json(&self, words: &[&str]) -> (Value, String) {
        let out = self.command(words).arg("--json").output().unwrap();
        let errors = String::from_utf8_lossy(&out.stderr).into_owned();
        let json = serde_json::from_slice(&out.stdout);
        (json.unwrap_or_else(|e| panic!("{e}: {}{errors}", String::from_utf8_lossy(&out.stdout))), errors)
    }

    #[track_caller]
    fn rebuild(&self) -> Said {
        self.rebuild_with(self.command(&["rebuild", "--json"]))
    }

    #[track_caller]
    fn rebuild_with(&self, mut command: Command) -> Said {
        let out = command.output().unwrap();
        let errors = String::from_utf8_lossy(&out.stderr).into_owned();
        let json: Value = serde_json::from_slice(&out.stdout)
            .unwrap_or_else(|e| panic!("{e}: {}{errors}", String::from_utf8_lossy(&out.stdout)));
        let places = json["rendered"].as_array().into_iter().flatten();
        let places = places.map(|place| place.as_str().unwrap().to_string());
        let rendered = places.filter(|place| !place.contains("/plate@")).collect();
        Said { code: out.status.code(), rendered, json, errors }
    }
}

/// What was taken from the shared store.
fn taken(said: &Said) -> u64 {
    said.json["shared"].as_u64().unwrap()
}

#[test]
fn what_one_member_rendered_another_takes_byte_for_byte() {
    let Some(server) = Server::start() else { return };
    let (ana, tomas) = (Member::of(&server, "ana"), Member::of(&server, "tomas"));
    let first = ana.rebuild().well();
    assert_eq!((taken(&first), first.errors.as_str()), (0, ""));
    assert_eq!(server.files("/objects/").len(), PICTURES);
    let second = tomas.rebuild().well();
    assert_eq!((second.rendered.len(), second.errors.as_str()), (0, ""), "{}", second.json);
    assert!(taken(&second) == FRAMES, "{}", second.json);
    let clean = tomas.film.clean();
    assert_eq!(ana.film.renders(), tomas.film.renders());
    assert_eq!(tomas.film.renders(), clean);
    // Nobody's machine worked for it.
    let (hours, _) = tomas.json(&["hours"]);
    assert!(!hours.to_string().contains("\"colour\""), "{hours}");
    // What was taken is a render like any other.
    let third = tomas.rebuild().well();
    assert_eq!((third.rendered.len(), taken(&third)), (0, 0));
    let status = tomas.film.status_of("br010/tool");
    assert_eq!(status[0][1], "fresh", "{status}");
    // So is one that was lost here since.
    for lost in ["renders", ".endboard/objects"] {
        std::fs::remove_dir_all(tomas.film.path().join(lost)).unwrap();
    }
    let fourth = tomas.rebuild().well();
    assert_eq!((fourth.rendered.len(), tomas.film.renders()), (0, clean), "{}", fourth.json);
    assert!(taken(&fourth) >= PICTURES as u64, "{}", fourth.json);
    // A look goes to no network.
    server.forget();
    for words in
        [&["status"][..], &["rebuild", "--plan"], &["why", "br010/colour"], &["rebuild", "--sharing", "off"]]
    {
        assert_eq!(tomas.run(words).status.code(), Some(0));
    }
    assert_eq!(server.requests(), Vec::<String>::new());
}

#[test]
fn more_is_fetched_at_once_than_there_are_workers_and_is_not_too_much() {
    let Some(server) = Server::start() else { return };
    let (ana, tomas) = (Member::of(&server, "ana"), Member::of(&server, "tomas"));
    ana.rebuild().well();
    server.forget();
    // No file is given out before six are asked for; one worker alone would have asked for one.
    server.does(Does::Together("/objects/", 6));
    let said = tomas.rebuild_with(tomas.command(&["rebuild", "--jobs", "1", "--json"])).well();
    assert_eq!((taken(&said), said.rendered.len(), said.errors.as_str()), (FRAMES, 0, ""));
    assert!((6..=32).contains(&server.most()), "{}", server.most());
    assert_eq!(tomas.film.renders(), ana.film.renders());
    // A record is asked for once for every frame, and a file for every picture.
    let asked = |part: &str| {
        let requests = server.requests();
        requests.iter().filter(|line| line.starts_with("GET") && line.contains(part)).count()
    };
    assert_eq!((asked("/actions/"), asked("/objects/")), (FRAMES as usize, PICTURES));
}

/// Rebuilds a member's film at the page of `serve`, and waits until `is_over`; gives what it told.
fn at_the_page(member: &Member, is_over: &dyn Fn() -> bool) -> String {
    let mut command = member.command(&["serve", "--json"]);
    let mut serving = command.stdout(Stdio::piped()).stderr(Stdio::piped()).spawn().unwrap();
    let mut line = String::new();
    BufReader::new(serving.stdout.take().unwrap()).read_line(&mut line).unwrap();
    let said: Value = serde_json::from_str(&line).unwrap();
    let (port, body) =
        (said["address"].as_str().unwrap().split(':').nth(2).unwrap(), "{\"does\":\"rebuild\"}");
    let mut way = TcpStream::connect(("127.0.0.1", port.trim_end_matches('/').parse().unwrap())).unwrap();
    let (token, length) = (said["token"].as_str().unwrap(), body.len());
    write!(
        way,
        "POST /write HTTP/1.1\r\nHost: 127.0.0.1:{port}\r\nContent-Type: application/json\r\n\
         X-Endboard-Token: {token}\r\nContent-Length: {length}\r\nConnection: close\r\n\r\n{body}",
        port = port.trim_end_matches('/')
    )
    .unwrap();
    let mut answer = String::new();
    way.read_to_string(&mut answer).unwrap();
    assert!(answer.starts_with("HTTP/1.1 200"), "{answer}");
    until("the rebuild", is_over);
    let process = rustix::process::Pid::from_child(&serving);
    rustix::process::kill_process(process, rustix::process::Signal::INT).unwrap();
    String::from_utf8_lossy(&project::ended(serving).stderr).into_owned()
}

#[test]
fn a_rebuild_at_the_page_takes_and_sends_like_any_other() {
    let Some(server) = Server::start() else { return };
    let (ana, tomas, ines) =
        (Member::of(&server, "ana"), Member::of(&server, "tomas"), Member::of(&server, "ines"));
    let lists = || server.files("/members/").len();
    at_the_page(&ana, &|| lists() == 1);
    assert_eq!(
        (server.files("/objects/").len(), server.files("/actions/").len()),
        (PICTURES, FRAMES as usize)
    );
    at_the_page(&tomas, &|| lists() == 2);
    assert_eq!(tomas.film.renders(), ana.film.renders());
    let (hours, _) = tomas.json(&["hours"]);
    assert!(!hours.to_string().contains("\"colour\""), "nobody's machine worked for it: {hours}");
    // Where it cannot be had the film is rendered all the same, and that is told once.
    server.kill();
    let want = ana.film.renders();
    let told = at_the_page(&ines, &|| ines.film.renders().len() == want.len());
    assert_eq!((told.matches("is not to be had").count(), ines.film.renders() == want), (1, true), "{told}");
}

#[test]
fn whatever_the_way_does_the_film_is_rendered_and_sent_later() {
    let Some(server) = Server::start() else { return };
    let member = Member::of(&server, "ana");
    let want = member.film.clean();
    let ways = [
        (Does::Refuse("", 500, "InternalError"), "status 500, InternalError"),
        (Does::Refuse("PUT", 507, "InsufficientStorage"), "status 507, InsufficientStorage"),
        (Does::Refuse("", 403, "AccessDenied"), "AccessDenied"),
        (Does::Silent, "did not answer in time"),
        (Does::Stall(100), "s3://brine/film"),
    ];
    for (does, words) in ways {
        let ana = Member::of(&server, "ana");
        server.does(does.clone());
        let said = ana.rebuild().well();
        assert_eq!(said.rendered.len() as u64, FRAMES, "{does:?}: {}", said.json);
        assert!(said.errors.contains(words), "{does:?}: {}", said.errors);
        assert!(said.errors.contains("still to be sent") || words == "AccessDenied", "{}", said.errors);
        let told = said.errors.matches("going on with what is here").count();
        assert!(told <= 2, "{does:?} told too often: {}", said.errors);
        assert_eq!(ana.film.renders(), want);
        server.does(Does::Pass);
        let (later, errors) = ana.json(&["share"]);
        assert_eq!(later["left"], 0, "{does:?}: {later} {errors}");
        let files = server.files("/film/");
        assert!(files.len() > 8 + 16, "{does:?}: {files:?}");
        files.iter().for_each(|file| std::fs::remove_file(file).unwrap());
    }
    server.kill();
    let ana = Member::of(&server, "ana");
    let said = ana.rebuild().well();
    assert!(said.errors.contains("is not to be had"), "{}", said.errors);
    assert_eq!(ana.film.renders(), want);
}

#[test]
fn a_slow_way_is_only_slow() {
    let Some(server) = Server::start() else { return };
    let (ana, tomas) = (Member::of(&server, "ana"), Member::of(&server, "tomas"));
    server.does(Does::Slow);
    ana.rebuild().well();
    let said = tomas.rebuild().well();
    assert_eq!((said.rendered.len(), said.errors.as_str()), (0, ""));
}

#[test]
fn a_server_whose_disk_takes_no_more_is_told_and_holds_nothing_by_halves() {
    let Some(server) = Server::start() else { return };
    let ana = Member::of(&server, "ana");
    server.kill();
    // Files of more than one block are refused, as on a disk that is full.
    server.go("trap '' XFSZ; ulimit -f 1;");
    let said = ana.rebuild().well();
    assert!(said.errors.contains("takes nothing now"), "{}", said.errors);
    assert!(said.errors.contains("still to be sent"), "{}", said.errors);
    let tomas = Member::of(&server, "tomas");
    let second = tomas.rebuild().well();
    assert_eq!(second.rendered.len() as u64, FRAMES, "{}", second.json);
    server.kill();
    server.go("");
    assert_eq!(ana.json(&["share"]).0["left"], 0);
    let ines = Member::of(&server, "ines");
    assert_eq!(ines.rebuild().well().rendered.len(), 0);
    assert_eq!(ines.film.renders(), ana.film.renders());
}

#[test]
fn what_rots_in_the_store_is_never_taken_and_made_good_by_who_renders_it() {
    let Some(server) = Server::start() else { return };
    let ana = Member::of(&server, "ana");
    ana.rebuild().well();
    let want = ana.film.renders();
    let (objects, records) = (server.files("/objects/"), server.files("/actions/"));
    let bytes = |path: &PathBuf| std::fs::read(path).unwrap();
    let flipped = |path: &PathBuf| {
        let mut bytes = bytes(path);
        let at = bytes.len() / 2;
        bytes[at] ^= 0x20;
        bytes
    };
    let rots: [(&PathBuf, Vec<u8>); 6] = [
        (&objects[0], flipped(&objects[0])),
        (&objects[1], bytes(&objects[1])[..100].to_vec()),
        (&objects[2], bytes(&objects[3])),
        (&records[0], flipped(&records[0])),
        (&records[1], bytes(&records[2])),
        (&records[3], Vec::new()),
    ];
    for (path, bytes) in &rots {
        std::fs::write(path, bytes).unwrap();
    }
    let tomas = Member::of(&server, "tomas");
    let said = tomas.rebuild().well();
    assert_eq!(tomas.film.renders(), want);
    // One line tells of all of them.
    let is_one = said.errors.lines().count() == 1 && said.errors.contains("frames there are damaged: br010/");
    assert!(is_one && said.errors.trim_end().ends_with("rendered anew and replaced"), "{}", said.errors);
    assert!(!said.rendered.is_empty() && taken(&said) > 0, "{}", said.json);
    let ines = Member::of(&server, "ines");
    let said = ines.rebuild().well();
    assert_eq!((said.rendered.len(), said.errors.as_str()), (0, ""), "{}", said.json);
    assert_eq!(ines.film.renders(), want);
}

/// A film of two large frames, whose renders go in parts.
fn large(server: &Server, name: &'static str) -> Member {
    let film = Film::new();
    let shots = "  br010:\n    plate: shed\n    frames: 1001-1001\n    stages:\n      colour: { operator: grade, saturation: 0.5, from: { picture: plate } }\n";
    let declared = format!(
        "film: The Brine Lamp\nrate: 24\nframe_size: 2560x1440\nplates:\n  shed: {{ files: plates/shed.####.exr, \
         frames: 1001-1001, encoding: linear-rec709 }}\nshots:\n{shots}{}",
        server.declared()
    );
    film.write("endboard.yaml", declared);
    film.write("plates/shed.1001.exr", project::picture((2560, 1440), 3));
    Member { film, name }
}

#[test]
fn a_server_or_a_member_killed_in_the_middle_of_sending_costs_only_what_was_under_way() {
    let Some(server) = Server::start() else { return };
    let ana = large(&server, "ana");
    // The first part of 8 MiB is there; the second never comes to its end.
    server.does(Does::Stall(10 << 20));
    let mut run = ana.command(&["rebuild"]).stdout(Stdio::null()).stderr(Stdio::null()).spawn().unwrap();
    until("half of a render to be sent", || server.stalled());
    until("the memo of it", || {
        let entries = std::fs::read_dir(ana.film.path().join(".endboard/uploads")).unwrap();
        entries.flatten().any(|entry| entry.path().extension().is_some_and(|ending| ending == "parts"))
    });
    server.kill();
    run.kill().unwrap();
    run.wait().unwrap();
    assert_eq!(server.files("/objects/").len(), 0, "nothing by halves");
    server.go("");
    server.does(Does::Pass);
    server.forget();
    let said = ana.rebuild().well();
    assert_eq!(said.rendered.len(), 0);
    let firsts = server.requests().iter().filter(|line| line.contains("partNumber=1&")).count();
    let seconds = server.requests().iter().filter(|line| line.contains("partNumber=2&")).count();
    assert_eq!((firsts, seconds), (0, 1), "{:#?}", server.requests());
    let tomas = large(&server, "tomas");
    assert_eq!(tomas.rebuild().well().rendered.len(), 0);
    assert_eq!(ana.film.renders(), tomas.film.renders());
}

#[test]
fn ctrl_c_waits_for_no_network() {
    let Some(server) = Server::start() else { return };
    let ana = Member::of(&server, "ana");
    server.does(Does::Silent);
    let run = ana.command(&["rebuild"]).stdout(Stdio::null()).stderr(Stdio::piped()).spawn().unwrap();
    until("a request", || !server.requests().is_empty());
    let process = rustix::process::Pid::from_raw(run.id() as i32).unwrap();
    let began = std::time::Instant::now();
    rustix::process::kill_process(process, rustix::process::Signal::INT).unwrap();
    let out = project::ended(run);
    assert_eq!(out.status.code(), Some(130), "{}", String::from_utf8_lossy(&out.stderr));
    // Far below the eight seconds that an answer is waited for.
    assert!(began.elapsed().as_secs() < 6, "{:?}", began.elapsed());
    server.does(Does::Pass);
    assert_eq!(ana.rebuild().well().errors, "");
}

#[test]
fn keys_come_from_profiles_too_and_are_told_to_nobody() {
    let Some(server) = Server::start() else { return };
    let ana = Member::of(&server, "ana");
    let secret = "lamp/oil/nobody+may=read";
    let profiles = format!(
        "[default]\naws_access_key_id = NOBODY\naws_secret_access_key = {secret}\n[keeper]\naws_access_key_id = {}\n\
         aws_secret_access_key = {}\n",
        KEY.0, KEY.1
    );
    ana.film.write(".aws/credentials", profiles);
    let run = |profile: Option<&str>, home: bool| {
        let mut command = ana.command(&["rebuild", "--json"]);
        command.env_remove("AWS_ACCESS_KEY_ID").env_remove("AWS_SECRET_ACCESS_KEY");
        command.env("ENDBOARD_LOG", "trace").env("RUST_LOG", "trace");
        if let Some(name) = profile {
            command.env("AWS_PROFILE", name);
        }
        if !home {
            command.env("HOME", "/nowhere");
        }
        ana.rebuild_with(command).well()
    };
    for (profile, home, words) in [
        (None, true, "may not be"),
        (Some("raker"), true, "AWS_PROFILE names the profile 'raker', which is in no profile file"),
        (None, false, "there is no access key"),
    ] {
        let said = run(profile, home);
        assert!(said.errors.contains(words), "{words}: {}", said.errors);
        assert_eq!(server.files("/film/").len(), 0);
    }
    let said = run(Some("keeper"), true);
    assert!(!said.errors.contains("may not"), "{}", said.errors);
    // What was rendered while nothing could be sent is found again.
    let out = ana
        .command(&["share"])
        .env("AWS_PROFILE", "keeper")
        .env_remove("AWS_ACCESS_KEY_ID")
        .env_remove("AWS_SECRET_ACCESS_KEY")
        .output()
        .unwrap();
    assert_eq!(out.status.code(), Some(0), "{}", String::from_utf8_lossy(&out.stderr));
    assert_eq!(server.files("/objects/").len(), PICTURES);
    let wrong = run(None, true);
    for said in [said, wrong] {
        let all = said.errors + &said.json.to_string();
        for hidden in [secret, KEY.1, KEY.0, "NOBODY", "Signature="] {
            assert!(!all.contains(hidden), "{hidden} in {all}");
        }
    }
    // Nor does it stand in any file that the program wrote.
    let out =
        Command::new("grep").args(["-rlF", "-e", secret, "-e", KEY.1]).arg(ana.film.path()).output().unwrap();
    let found = String::from_utf8_lossy(&out.stdout).into_owned();
    assert_eq!(found.lines().count(), 1, "{found}");
}

#[test]
fn a_member_may_only_take() {
    let Some(server) = Server::start() else { return };
    let (ana, tomas) = (Member::of(&server, "ana"), Member::of(&server, "tomas"));
    let mut command = ana.command(&["rebuild", "--json"]);
    command.env("ENDBOARD_SHARED", "take");
    ana.rebuild_with(command).well();
    assert_eq!(server.files("/film/").len(), 0);
    assert!(server.requests().iter().all(|line| !line.starts_with("PUT")));
    let said = tomas.run(&["rebuild", "--sharing", "take"]);
    assert_eq!((said.status.code(), server.files("/film/").len()), (Some(0), 0));
    // A server that refuses writing says so once.
    let ines = Member::of(&server, "ines");
    server.does(Does::Refuse("PUT", 403, "AccessDenied"));
    let said = ines.rebuild().well();
    assert_eq!(said.errors.matches("may not be written (AccessDenied)").count(), 1, "{}", said.errors);
    assert_eq!(ines.run(&["rebuild", "--sharing", "both"]).status.code(), Some(0));
    let mut wrong = ines.command(&["rebuild"]);
    let wrong = wrong.env("ENDBOARD_SHARED", "some").output().unwrap();
    assert_eq!(wrong.status.code(), Some(2));
}

#[test]
fn a_sweep_keeps_what_any_members_film_uses_and_what_was_sent_lately() {
    let Some(server) = Server::start() else { return };
    let (ana, tomas) = (Member::of(&server, "ana"), Member::of(&server, "tomas"));
    ana.rebuild().well();
    tomas.rebuild().well();
    let old = ana.film.renders();
    // Ana's film goes on; Tomas still has the grade of before.
    let text = ana.film.text("endboard.yaml").replace("saturation: 0.5", "saturation: 0.9");
    ana.film.write("endboard.yaml", &text);
    ana.rebuild().well();
    assert_eq!(server.files("/objects/").len(), 16);
    let sweep = |more: &[&str]| {
        let words = [&["sweep", "--shared", "--budget", "1kB"][..], more].concat();
        let (json, errors) = ana.json(&words);
        assert_eq!(errors, "");
        json
    };
    let all_files = |days| server.files("/objects/").iter().for_each(|file| age(file, days));
    all_files(3);
    assert_eq!((sweep(&[])["files"].clone(), sweep(&[])["used"].clone()), (0.into(), 16.into()));
    // A third way that nobody's film has any more.
    let third = ana.film.text("endboard.yaml").replace("saturation: 0.9", "saturation: 0.2");
    ana.film.write("endboard.yaml", third);
    ana.rebuild().well();
    ana.film.write("endboard.yaml", &text);
    ana.rebuild().well();
    assert_eq!(server.files("/objects/").len(), 24);
    assert_eq!((sweep(&[])["files"].clone(), sweep(&[])["lately"].clone()), (0.into(), 8.into()));
    all_files(9);
    let look = sweep(&[]);
    assert_eq!((look["files"].clone(), server.files("/objects/").len()), (8.into(), 24), "{look}");
    // Sizes are told as the budget was written.
    for (budget, told) in [("1MB", "; 1 MB may stay"), ("64KiB", "; 64 KiB may stay")] {
        let out = ana.run(&["sweep", "--shared", "--budget", budget]);
        let says = String::from_utf8_lossy(&out.stdout).into_owned();
        let unit = if budget == "1MB" { " kB in all" } else { " KiB in all" };
        assert!(says.contains(told) && says.contains(unit), "{says}");
    }
    let records = server.files("/actions/").len();
    let gone = sweep(&["--remove"]);
    assert_eq!((gone["files"].clone(), server.files("/objects/").len()), (8.into(), 16), "{gone}");
    assert_eq!(records - server.files("/actions/").len(), 16, "two records name each of the pictures");
    // Nobody knows what a member uses whose list is damaged; it is told, and nothing goes.
    let list = server.files("/members/tomas").remove(0);
    let sound = std::fs::read(&list).unwrap();
    std::fs::write(&list, &sound[..sound.len() / 2]).unwrap();
    let out = ana.run(&["sweep", "--shared", "--budget", "1kB", "--remove"]);
    let says = String::from_utf8_lossy(&out.stderr).into_owned();
    // Ana's own film and Tomas' are the same pictures only where the grade is.
    assert!(out.status.code() == Some(4) && says.contains("--forget"), "{says}");
    assert_eq!(server.files("/objects/").len(), 16);
    // An old list is told, and goes on protecting.
    std::fs::write(&list, &sound).unwrap();
    age(&list, 40);
    let out = ana.run(&["sweep", "--shared", "--budget", "1kB", "--remove"]);
    let says = String::from_utf8_lossy(&out.stdout).into_owned();
    assert!(says.contains("OLD: `endboard share --forget tomas."), "{says}");
    assert_eq!(server.files("/objects/").len(), 16);
    let who = list.file_name().unwrap().to_string_lossy().into_owned();
    assert_eq!(ana.run(&["share", "--forget", &who]).status.code(), Some(0));
    assert_eq!(ana.run(&["share", "--forget", &who]).status.code(), Some(2));
    assert_eq!(sweep(&["--remove"])["files"], 8);
    // What is gone there is no loss to who has it, and comes back when it is asked to.
    assert_eq!(tomas.film.renders(), old);
    let (again, _) = tomas.json(&["share"]);
    assert_eq!((again["left"].clone(), server.files("/objects/").len()), (0.into(), 16), "{again}");
    let ines = Member::of(&server, "ines");
    assert_eq!(ines.rebuild().well().rendered.len(), 0);
}

#[test]
fn a_film_without_a_shared_store_says_how_it_gets_one() {
    let film = Film::new();
    film.declare(SHOTS);
    film.write_plate("shed", 7);
    film.write("tool.sh", project::COPY);
    for words in [&["share"][..], &["sweep", "--shared"]] {
        let (code, said) = film.said(words);
        assert!(code == Some(2) && said.contains("shared: { at: s3://BUCKET/PREFIX }"), "{code:?} {said}");
    }
}

/// What a link gives to whoever has it.
fn fetched(link: &str) -> Vec<u8> {
    let rest = link.strip_prefix("http://").unwrap();
    let (host, path) = rest.split_once('/').unwrap();
    let mut way = std::net::TcpStream::connect(host).unwrap();
    write!(way, "GET /{path} HTTP/1.1\r\nhost: {host}\r\nconnection: close\r\n\r\n").unwrap();
    let mut all = Vec::new();
    way.read_to_end(&mut all).unwrap();
    let body = all.windows(4).position(|four| four == b"\r\n\r\n").unwrap() + 4;
    assert!(all.starts_with(b"HTTP/1.1 200"), "{}", String::from_utf8_lossy(&all[..body]));
    all[body..].to_vec()
}

/// A packet's zip with one more file.
fn with(zip: &[u8], name: &str, bytes: &[u8]) -> Vec<u8> {
    let mut out = zip::ZipWriter::new_append(std::io::Cursor::new(zip.to_vec())).unwrap();
    out.start_file(name, zip::write::SimpleFileOptions::default()).unwrap();
    out.write_all(bytes).unwrap();
    out.finish().unwrap().into_inner()
}

#[test]
fn packets_travel_through_the_store_and_are_judged_as_always() {
    let Some(server) = Server::start() else { return };
    let film = project::packets::declared();
    film.write("endboard.yaml", film.text("endboard.yaml") + &server.declared());
    let ana = Member { film, name: "ana" };
    ana.rebuild().but_for_hands();
    let (handed, _) = ana.json(&["handout", "br050", "--to", "ines", "--as", "png", "--shared"]);
    let packet = handed["packet"].as_str().unwrap().to_string();
    assert_eq!(handed["shared"]["name"], format!("packets/{packet}.zip"), "{handed}");
    let zip = fetched(handed["shared"]["link"].as_str().unwrap());
    assert_eq!(zip, std::fs::read(handed["place"].as_str().unwrap()).unwrap());
    let mut opened = zip::ZipArchive::new(std::io::Cursor::new(zip.clone())).unwrap();
    let first = opened.by_index(0).unwrap().name().unwrap().to_string();
    let top = if first.starts_with(&packet) { format!("{packet}/") } else { String::new() };
    // Nothing came back yet; our own packet is none that did.
    let none = String::from_utf8_lossy(&ana.run(&["takeback", "--shared", &packet]).stderr).into_owned();
    assert!(none.contains(&format!("nothing came back of {packet} yet")), "{none}");
    let good = with(&zip, &format!("{top}return/br050/cleanup.1001.png"), &project::packets::grey(9));
    put(handed["shared"]["back"].as_str().unwrap(), &good);
    let there = server.files("/film/returns/").remove(0).parent().unwrap().to_path_buf();
    // Somebody else's hands: a file that leads out of the folder, and a name that does.
    std::fs::write(there.join("bad.zip"), with(&zip, "../../outside.txt", b"out")).unwrap();
    let bad = ana.run(&["takeback", "--shared", "bad.zip"]);
    let says = String::from_utf8_lossy(&bad.stderr).into_owned();
    assert_eq!(bad.status.code(), Some(1), "{says}");
    std::fs::write(there.join("bad.zip"), "salt").unwrap();
    let says = String::from_utf8_lossy(&ana.run(&["takeback", "--shared", "bad"]).stderr).into_owned();
    assert!(says.starts_with("returns/bad.zip in s3://brine/film: "), "{says}");
    for name in ["../members/ana", "none.zip", ""] {
        let bad = ana.run(&["takeback", "--shared", name]);
        assert_eq!(bad.status.code(), Some(4), "{name}: {}", String::from_utf8_lossy(&bad.stderr));
    }
    let none = String::from_utf8_lossy(&ana.run(&["takeback", "--shared", "none"]).stderr).into_owned();
    assert!(none.contains(&format!("what came back: bad, {packet}")), "{none}");
    // Whoever has the link can put anything there: what is far larger than what was asked for is not fetched.
    let return_of = there.join(format!("{packet}.zip"));
    std::fs::rename(&return_of, there.join("kept")).unwrap();
    std::fs::File::create(&return_of).unwrap().set_len(80 << 20).unwrap();
    let large = ana.run(&["takeback", "--shared", &packet]);
    let says = String::from_utf8_lossy(&large.stderr).into_owned();
    assert!(large.status.code() == Some(4) && says.contains("the packet asks for 4 files"), "{says}");
    std::fs::rename(there.join("kept"), &return_of).unwrap();
    let (came, errors) = ana.json(&["takeback", "--shared", &packet]);
    assert_eq!(came["came"][0]["frames"], "1001", "{came} {errors}");
    assert_eq!(ana.film.status_of("br050/cleanup@1001")[0][0], "1001");
    // Packets go once nothing more is expected of them and their links are of no use any more.
    let sweep = |packets: u64| {
        let gone = ana.json(&["sweep", "--shared", "--remove"]).0;
        assert_eq!(gone["packets"], packets, "{gone}");
        [server.files("/film/packets/").len(), server.files("/film/returns/").len()]
    };
    let all = || [server.files("/film/packets/"), server.files("/film/returns/")].concat();
    all().iter().for_each(|file| age(file, 8));
    assert_eq!(sweep(0), [1, 2]);
    assert_eq!(ana.run(&["outstanding", "--close", &packet]).status.code(), Some(0));
    all().iter().for_each(|file| age(file, 1));
    assert_eq!(sweep(0), [1, 2]);
    all().iter().for_each(|file| age(file, 8));
    assert_eq!(sweep(2), [0, 1]);
    // Keys of a session say so, and promise no days.
    let mut command = ana.command(&["handout", "br050", "--to", "joren", "--as", "png", "--shared"]);
    let out = command.env("AWS_SESSION_TOKEN", "lamp").output().unwrap();
    let says = String::from_utf8_lossy(&out.stdout).into_owned();
    assert!(says.contains("both show its token (AWS_SESSION_TOKEN)") && says.contains("curl -T "), "{says}");
}

/// What a command said, and its exit code.
fn said(out: &Output) -> (Option<i32>, String) {
    let all = [&out.stdout[..], &out.stderr].concat();
    (out.status.code(), String::from_utf8_lossy(&all).into_owned())
}

/// Runs it, and gives the same.
fn said_by(command: &mut Command) -> (Option<i32>, String) {
    said(&command.output().unwrap())
}

#[test]
fn an_address_or_key_that_cannot_be_is_named_and_breaks_nothing() {
    let film = |name, shared: &str| {
        let film = Film::new();
        film.declare(&(SHOTS.to_string() + shared));
        film.write_plate("shed", 7);
        film.write("tool.sh", project::COPY);
        Member { film, name }
    };
    let ana = film("ana", "shared: { at: s3://brine/film }\n");
    for (variable, value) in [
        ("AWS_ENDPOINT_URL", "127.0.0.1:9"),
        ("AWS_ENDPOINT_URL", "http://127.0.0.1:99999"),
        ("AWS_ENDPOINT_URL_S3", "http://[::1"),
        ("AWS_ENDPOINT_URL", "http://a:b:c"),
        ("AWS_REGION", "eu north"),
        ("AWS_ACCESS_KEY_ID", "SALT\r"),
        ("AWS_SECRET_ACCESS_KEY", "lamp\n"),
        ("AWS_SESSION_TOKEN", "po\x07le"),
    ] {
        let mut command = ana.command(&["rebuild", "--json"]);
        command.env(variable, value);
        let told = ana.rebuild_with(command).well();
        let is_told = told.errors.contains(variable) && told.errors.contains("going on without it");
        assert!(is_told && told.errors.lines().count() == 1, "{variable}: {}", told.errors);
        let out = ana.command(&["share"]).env(variable, value).output().unwrap();
        let (code, words) = said(&out);
        assert!(code == Some(4) && words.contains(variable) && !words.contains("panicked"), "{words}");
    }
    for endpoint in
        ["http://127.0.0.1:99999", "http://a:b:c", "http://[::1", "https://[]", "http://:", "http://a:-1"]
    {
        let tomas = film("tomas", &format!("shared: {{ at: s3://brine/film, endpoint: '{endpoint}' }}\n"));
        let (code, words) = said(&tomas.run(&["check"]));
        let line = tomas.film.text("endboard.yaml").lines().count();
        let is_told =
            words.contains(&format!("endboard.yaml:{line}:")) && words.contains("no service's address");
        assert!(code == Some(1) && is_told, "{endpoint}: {words}");
    }
}

#[test]
fn a_page_for_people_is_no_object_store_and_is_told_of_once() {
    let Some(server) = Server::start() else { return };
    server.does(Does::Page(""));
    let ana = Member::of(&server, "ana");
    let told = ana.rebuild().well();
    assert_eq!(told.rendered.len() as u64, FRAMES);
    let lines: Vec<&str> = told.errors.lines().collect();
    assert!(lines.len() == 2 && lines[0].contains("that is no object store"), "{}", told.errors);
    assert!(lines[1].contains("24 frames still to be sent"), "{}", told.errors);
    assert!(lines[0].contains("endboard.yaml:"), "{}", told.errors);
    for words in [&["share"][..], &["sweep", "--shared", "--remove"], &["takeback", "--shared", "x"]] {
        let (code, words) = said(&ana.run(words));
        assert!(code == Some(4) && words.contains("that is no object store"), "{words}");
    }
    // Nothing counts as sent: the next run sends all of it.
    server.does(Does::Pass);
    ana.rebuild().well();
    assert_eq!(server.files("/objects/").len(), PICTURES);
}

#[test]
fn what_is_only_said_to_be_taken_counts_as_not_sent() {
    let Some(server) = Server::start() else { return };
    server.does(Does::Swallow);
    let ana = Member::of(&server, "ana");
    let told = ana.rebuild().well();
    assert!(told.errors.contains("it says that it took what it has not got"), "{}", told.errors);
    assert!(
        told.errors.contains("still to be sent") && !told.errors.contains("frames sent to"),
        "{}",
        told.errors
    );
    // What waits already is not counted twice.
    assert_eq!(ana.json(&["share"]).0["left"], FRAMES);
    server.does(Does::Pass);
    assert_eq!(ana.json(&["share"]).0["left"], 0);
    assert_eq!(server.files("/objects/").len(), PICTURES);
}

#[test]
fn a_sweep_believes_no_list_that_is_another_ones_and_no_listing_without_its_own() {
    let Some(server) = Server::start() else { return };
    let (ana, tomas) = (Member::of(&server, "ana"), Member::of(&server, "tomas"));
    ana.rebuild().well();
    let text = tomas.film.text("endboard.yaml").replace("saturation: 0.5", "saturation: 0.9");
    tomas.film.write("endboard.yaml", &text);
    tomas.rebuild().well();
    server.files("/objects/").iter().for_each(|file| age(file, 20));
    let sweep = || said(&ana.run(&["sweep", "--shared", "--budget", "0", "--remove"]));
    let (own, his) = (server.files("/members/ana.").remove(0), server.files("/members/tomas.").remove(0));
    let kept = std::fs::read(&his).unwrap();
    // Her list under his name would give all of his away.
    std::fs::copy(&own, &his).unwrap();
    let (code, words) = sweep();
    assert!(code == Some(4) && words.contains("it is the list of ana."), "{words}");
    assert_eq!(server.files("/objects/").len(), 16);
    std::fs::write(&his, kept).unwrap();
    // A page where the lists should be listed, and a list of lists without her own.
    server.does(Does::Page("prefix=film%2Fmembers"));
    let (code, words) = sweep();
    assert!(code == Some(4) && words.contains("that is no object store"), "{words}");
    server.does(Does::Refuse("GET /brine?list-type=2&prefix=film%2Fmembers", 200, "NoSuchList"));
    let (code, words) = sweep();
    assert!(code == Some(4), "{words}");
    server.does(Does::Empty("prefix=film%2Fmembers"));
    let (code, words) = sweep();
    assert!(code == Some(4) && words.contains("has not the list that was just told"), "{words}");
    assert_eq!(server.files("/objects/").len(), 16);
    server.does(Does::Pass);
    assert_eq!(sweep().0, Some(0));
}

#[test]
fn who_only_takes_changes_nothing_there_by_any_command() {
    let Some(server) = Server::start() else { return };
    let film = project::packets::declared();
    film.write("endboard.yaml", film.text("endboard.yaml") + &server.declared());
    let ana = Member { film, name: "ana" };
    ana.rebuild().but_for_hands();
    let list = server.files("/members/").remove(0).file_name().unwrap().to_string_lossy().into_owned();
    let before = server.files("/film/");
    let all: [&[&str]; 3] = [
        &["share", "--forget", &list],
        &["sweep", "--shared", "--budget", "0", "--remove"],
        &["handout", "br050", "--to", "ines", "--as", "png", "--shared"],
    ];
    server.forget();
    for way in ["take", "off"] {
        for words in all {
            let (code, told) = said(&ana.command(words).env("ENDBOARD_SHARED", way).output().unwrap());
            assert!(
                code == Some(2) && told.contains(&format!("ENDBOARD_SHARED is '{way}'")),
                "{words:?}: {told}"
            );
        }
        let (code, told) = said(&ana.run(&["share", "--forget", &list, "--sharing", way]));
        assert!(code == Some(2) && told.contains(&format!("`--sharing {way}` was said")), "{told}");
    }
    let text = ana.film.text("endboard.yaml").replace("budget: 1GB", "budget: 1GB, read_only: true");
    ana.film.write("endboard.yaml", &text);
    let line = text.lines().position(|line| line.contains("read_only")).unwrap() + 1;
    for words in all {
        let (code, told) = said(&ana.run(words));
        let is_told = told.contains(&format!("endboard.yaml:{line}:")) && told.contains("`read_only: true`");
        assert!(code == Some(2) && is_told, "{words:?}: {told}");
    }
    ana.rebuild().but_for_hands();
    let (code, told) = said(&ana.run(&["share"]));
    let why = format!("endboard.yaml:{line}:");
    assert!(
        code == Some(0)
            && told.contains(&why)
            && told.contains("`read_only: true`, so that nothing is sent or told there"),
        "{told}"
    );
    assert_eq!(server.files("/film/"), before);
    assert!(server.requests().iter().all(|line| line.starts_with("GET") || line.starts_with("HEAD")));
    // Nothing was handed out that could not be sent.
    assert_eq!(ana.json(&["outstanding"]).0["packets"].as_array().unwrap().len(), 0);
}

#[test]
fn a_list_is_told_to_each_store_again_after_it_was_withdrawn_and_once_for_each_copy() {
    let Some(server) = Server::start() else { return };
    let ana = Member::of(&server, "ana");
    ana.rebuild().well();
    let names = |part: &str| -> Vec<String> {
        let name = |path: &PathBuf| path.file_name().unwrap().to_string_lossy().into_owned();
        server.files(part).iter().map(name).collect()
    };
    let first = names("/film/members/");
    assert_eq!(first.len(), 1);
    assert_eq!(ana.run(&["share", "--forget", &first[0]]).status.code(), Some(0));
    assert_eq!(names("/film/members/").len(), 0);
    let (told, _) = ana.json(&["share"]);
    assert_eq!(
        (told["members"][0]["uses"].as_u64(), names("/film/members/")),
        (Some(PICTURES as u64), first.clone())
    );
    // Another name of the same person's folder takes the place of the former.
    let named = |name: &str| {
        let out = ana.command(&["share"]).env("ENDBOARD_WRITER", name).output().unwrap();
        assert_eq!(out.status.code(), Some(0), "{}", String::from_utf8_lossy(&out.stderr));
    };
    named("anna");
    let second = names("/film/members/");
    assert!(second.len() == 1 && second[0].starts_with("anna."), "{second:?}");
    assert_eq!(second[0].split_once('.').unwrap().1, first[0].split_once('.').unwrap().1);
    // Another machine, on which all is called alike, has a number of its own.
    std::fs::remove_file(ana.film.path().join(".endboard/copy")).unwrap();
    named("anna");
    assert_eq!(names("/film/members/").len(), 2);
    // Another place in the bucket is told too.
    let text = ana.film.text("endboard.yaml").replace("s3://brine/film", "s3://brine/other");
    ana.film.write("endboard.yaml", text);
    ana.rebuild().well();
    named("anna");
    assert_eq!(names("/other/members/").len(), 1);
}

#[test]
fn programs_and_clusters_are_not_given_the_keys() {
    let Some(server) = Server::start() else { return };
    let ana = Member::of(&server, "ana");
    ana.film.write("tool.sh", format!("env > env.tool\n{}", project::COPY));
    // A cluster that says nothing of itself and takes nothing.
    for (name, does) in [("scontrol", "exit 0"), ("sbatch", "env > \"$KEEP\"; exit 1")] {
        use std::os::unix::fs::PermissionsExt;
        ana.film.write(&format!("bin/{name}"), format!("#!/bin/sh\n{does}\n"));
        let program = ana.film.path().join("bin").join(name);
        std::fs::set_permissions(program, std::fs::Permissions::from_mode(0o755)).unwrap();
    }
    let command = |words: &[&str]| {
        let mut command = ana.command(words);
        command
            .env("AWS_SESSION_TOKEN", "pole")
            .env("AWS_PROFILE", "")
            .env("KEEP", ana.film.path().join("env.sbatch"));
        let path = std::env::var("PATH").unwrap();
        command.env("PATH", format!("{}:{path}", ana.film.path().join("bin").display()));
        command
    };
    let far = said(&command(&["rebuild", "--on", "slurm"]).output().unwrap()).1;
    assert!(far.contains("sbatch"), "{far}");
    command(&["rebuild", "--sharing", "off"]).output().unwrap();
    for file in ["env.sbatch", "env.tool"] {
        let text = ana.film.text(file);
        assert!(text.contains("KEEP=") && !text.contains("AWS_") && !text.contains(KEY.1), "{file}: {text}");
    }
}

#[test]
fn what_the_service_finds_wrong_comes_with_where_to_look() {
    let Some(server) = Server::start() else { return };
    let ana = Member::of(&server, "ana");
    let line = ana.film.text("endboard.yaml").lines().count();
    let declared = format!("see endboard.yaml:{line}:");
    for (status, code, way) in [
        (403, "SignatureDoesNotMatch", "see AWS_SECRET_ACCESS_KEY"),
        (403, "InvalidAccessKeyId", "see the key, AWS_ACCESS_KEY_ID"),
        (403, "NotSignedUp", "see the key, AWS_ACCESS_KEY_ID"),
        (404, "NoSuchBucket", declared.as_str()),
        (400, "InvalidRequest", "see the region, AWS_REGION"),
        (400, "AuthorizationHeaderMalformed", "see the region, AWS_REGION"),
    ] {
        server.does(Does::Refuse("", status, code));
        let (exit, words) = said(&ana.command(&["share"]).env("AWS_REGION", "eu-1").output().unwrap());
        assert!(exit == Some(4) && words.contains(code) && words.contains(way), "{words}");
    }
}

#[test]
fn a_wrong_clock_key_or_place_is_told_once_and_by_its_cause() {
    let Some(server) = Server::start() else { return };
    for (status, code, way) in [
        (403, "RequestTimeTooSkewed", "have this machine's clock set by the network"),
        (403, "SignatureDoesNotMatch", "the secret is not the key's: see AWS_SECRET_ACCESS_KEY"),
        (400, "ExpiredToken", "see AWS_SESSION_TOKEN"),
        (400, "AuthorizationHeaderMalformed", "see the region, "),
        (404, "NoSuchBucket", "see endboard.yaml:"),
    ] {
        let ana = Member::of(&server, "ana");
        server.does(Does::Refuse("", status, code));
        let rebuilt = || {
            let mut command = ana.command(&["rebuild", "--json"]);
            command.env("AWS_SESSION_TOKEN", "pole");
            ana.rebuild_with(command).well()
        };
        // The first asks for renders and sends its own; the second only sends what is left, and looks first what is there.
        for rendered in [FRAMES, 0] {
            let said = rebuilt();
            assert_eq!(said.rendered.len() as u64, rendered, "{code}: {}", said.json);
            let lines: Vec<&str> = said.errors.lines().collect();
            let is_told =
                lines[0].contains("may not be used (") && lines[0].contains(code) && lines[0].contains(way);
            assert!(lines.len() == 2 && is_told && !lines[0].contains("see the key"), "{}", said.errors);
            assert!(lines[1].contains("24 frames still to be sent"), "{}", said.errors);
        }
        // Once that is put right all of it goes by itself.
        server.does(Does::Pass);
        assert_eq!(ana.rebuild().well().errors, "");
        assert_eq!(server.files("/objects/").len(), PICTURES);
        server.files("/film/").iter().for_each(|file| std::fs::remove_file(file).unwrap());
    }
}

#[test]
fn half_a_key_is_a_slip_and_asks_as_nobody_else() {
    let Some(server) = Server::start() else { return };
    let ana = Member::of(&server, "ana");
    let profile = format!("[default]\naws_access_key_id = {}\naws_secret_access_key = {}\n", KEY.0, KEY.1);
    ana.film.write(".aws/credentials", profile);
    for (lacking, set) in
        [("AWS_SECRET_ACCESS_KEY", "AWS_ACCESS_KEY_ID"), ("AWS_ACCESS_KEY_ID", "AWS_SECRET_ACCESS_KEY")]
    {
        let words = format!("{set} is set and {lacking} is not");
        let mut command = ana.command(&["rebuild", "--json"]);
        command.env_remove(lacking);
        let said = ana.rebuild_with(command).well();
        assert!(said.errors.lines().count() == 1 && said.errors.contains(&words), "{}", said.errors);
        let (code, told) = said_by(ana.command(&["share"]).env_remove(lacking));
        assert!(code == Some(4) && told.contains(&words), "{told}");
    }
    assert!(server.requests().is_empty(), "{:?}", server.requests());
}

#[test]
fn sending_that_comes_to_nothing_is_no_success_and_goes_on_with_nothing() {
    let Some(server) = Server::start() else { return };
    let ana = Member::of(&server, "ana");
    assert_eq!(ana.run(&["rebuild", "--sharing", "off"]).status.code(), Some(0));
    for (status, code, words) in [
        (403, "AccessDenied", "s3://brine/film may not be written (AccessDenied)\n"),
        (507, "InsufficientStorage", "s3://brine/film takes nothing now (status 507, InsufficientStorage)\n"),
    ] {
        server.does(Does::Refuse("PUT", status, code));
        let (exit, told) = said_by(&mut ana.command(&["share"]));
        assert!(exit == Some(4) && told.contains(words) && !told.contains("this run"), "{told}");
        // A look, and a member that only takes, want nothing sent.
        for words in [&["share", "--plan"][..], &["share", "--sharing", "take"]] {
            assert_eq!(said_by(&mut ana.command(words)).0, Some(0));
        }
    }
    server.does(Does::Silent);
    server.forget();
    let run = ana.command(&["share"]).stdout(Stdio::null()).stderr(Stdio::piped()).spawn().unwrap();
    until("a request", || !server.requests().is_empty());
    let process = rustix::process::Pid::from_child(&run);
    rustix::process::kill_process(process, rustix::process::Signal::INT).unwrap();
    let (code, told) = said(&project::ended(run));
    assert_eq!((code, told.as_str()), (Some(130), "stopping; press Ctrl-C again to stop at once\n"));
    server.does(Does::Pass);
    assert_eq!(said_by(&mut ana.command(&["share"])).0, Some(0));
    assert_eq!(server.files("/objects/").len(), PICTURES);
}

#[test]
fn an_address_at_which_nothing_is_understood_is_told_by_its_line() {
    let Some(server) = Server::start() else { return };
    let usual = server.declared();
    let ana = Member::of(&server, "ana");
    let whole = ana.film.text("endboard.yaml");
    let line = whole.lines().count();
    let (http, port) = (format!("http://127.0.0.1:{}", server.port), server.behind);
    for (address, words) in [
        // A name that nobody has (RFC 2606).
        ("https://lamp.invalid".to_string(), "nobody knows its host"),
        (format!("https://127.0.0.1:{port}"), "speaks http:// and not https://"),
        (format!("{http}/store"), "which has folders behind its host"),
    ] {
        let declared = whole.replace(&usual, &usual.replace(&http, &address));
        ana.film.write("endboard.yaml", declared);
        // Whoever is asked for a name that is nowhere may take their time to say so.
        let (code, told) = said_by(ana.command(&["share"]).env("RES_OPTIONS", "timeout:1 attempts:1"));
        let is_told = told.contains(words) && told.contains(&format!("address, endboard.yaml:{line}:"));
        assert!(code == Some(4) && is_told, "{address}: {told}");
    }
    assert_eq!(server.files("/film/").len(), 0);
}

#[test]
fn a_render_whose_head_was_changed_is_taken_as_it_would_have_been_written() {
    let Some(server) = Server::start() else { return };
    let (ana, tomas) = (Member::of(&server, "ana"), Member::of(&server, "tomas"));
    ana.rebuild().well();
    for (n, file) in server.files("/objects/").iter().enumerate() {
        let mut bytes = std::fs::read(file).unwrap();
        match n {
            0 => bytes.extend([7; 100]),
            _ => {
                let name = [&b"chromaticities\0chromaticities\0"[..], b"pixelAspectRatio\0float\0"][n % 2];
                let at = bytes.windows(name.len()).position(|w| w == name).unwrap() + name.len() + 4;
                bytes[at + 1] ^= 0x20;
            }
        }
        std::fs::write(file, bytes).unwrap();
    }
    let told = tomas.rebuild().well();
    assert_eq!((taken(&told), told.errors.as_str()), (FRAMES, ""));
    assert_eq!(tomas.film.renders(), ana.film.renders());
}
