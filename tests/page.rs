//! `page` and `serve` from outside: what is written, who may write, and what a real browser makes of it.
//!
//! Knows the built program and, where `chromedriver` and a browser are found, drives the browser by WebDriver (W3C). Where they
//! are not, says that nothing was compared.

mod project;

use std::io::{BufRead, BufReader, Read, Write};
use std::net::TcpStream;
use std::process::{Child, Command, Stdio};

use endboard::ledger::crew::Crew;
use endboard::ledger::file::Ledger;
use endboard::ledger::row::{Row, What};
use project::{Film, until};
use serde_json::{Value, json};

const SHOT: &str = "  br010:
    plate: shed
    frames: 1001-1008
    stages:
      colour: { operator: grade, from: { picture: plate }, exposure: 0.5 }
  br020:
    plate: shed
    frames: 1003-1006
    stages:
      colour: { operator: grade, from: { picture: plate }, exposure: 1.0 }
";

fn film() -> Film {
    let film = Film::new();
    film.declare(SHOT);
    film.write_plate("shed", 1);
    film
}

/// What an HTTP server answers: its status, its headers as they are, its body.
fn asked(port: u16, method: &str, path: &str, headers: &[(&str, &str)], body: &str) -> (u16, String, String) {
    let mut stream = TcpStream::connect(("127.0.0.1", port)).unwrap();
    stream.set_read_timeout(Some(project::PATIENCE)).unwrap();
    let mut text =
        format!("{method} {path} HTTP/1.1\r\nConnection: close\r\nContent-Length: {}\r\n", body.len());
    if !headers.iter().any(|(name, _)| name.eq_ignore_ascii_case("host")) {
        text += &format!("Host: 127.0.0.1:{port}\r\n");
    }
    headers.iter().for_each(|(name, value)| text += &format!("{name}: {value}\r\n"));
    stream.write_all(format!("{text}\r\n{body}").as_bytes()).unwrap();
    let mut reader = BufReader::new(stream);
    let mut head = String::new();
    while !head.ends_with("\r\n\r\n") {
        assert!(reader.read_line(&mut head).unwrap() > 0, "{head}");
    }
    let lower = head.to_ascii_lowercase();
    let length =
        lower.lines().find_map(|line| line.strip_prefix("content-length:")?.trim().parse::<usize>().ok());
    let mut bytes = Vec::new();
    match length {
        Some(length) => {
            bytes.resize(length, 0);
            reader.read_exact(&mut bytes).unwrap();
        }
        None => {
            let _ = reader.read_to_end(&mut bytes);
        }
    }
    let status = head.split(' ').nth(1).unwrap().parse().unwrap();
    (status, head, String::from_utf8_lossy(&bytes).into_owned())
}

/// `serve` on some port; ended when dropped.
struct Serving {
    child: Child,
    port: u16,
    token: String,
}

impl Serving {
    fn of(film: &Film) -> Self {
        Self::at(film, 0)
    }

    /// At this port; at any free one where it is 0.
    fn at(film: &Film, port: u16) -> Self {
        let words = ["serve", "--json", "--port", &port.to_string()];
        let mut child = film.command(&words).stdout(Stdio::piped()).stderr(Stdio::null()).spawn().unwrap();
        let mut line = String::new();
        BufReader::new(child.stdout.take().unwrap()).read_line(&mut line).unwrap();
        let said: Value = serde_json::from_str(&line).unwrap();
        assert_eq!(said["format"], "endboard serve 1");
        let port = said["address"]
            .as_str()
            .unwrap()
            .rsplit(':')
            .next()
            .unwrap()
            .trim_end_matches('/')
            .parse()
            .unwrap();
        Self { child, port, token: said["token"].as_str().unwrap().into() }
    }

    fn write(&self, what: &Value, more: &[(&str, &str)]) -> (u16, Value) {
        let mut headers = vec![("Content-Type", "application/json")];
        headers.extend(more);
        let (status, _, body) = asked(self.port, "POST", "/write", &headers, &what.to_string());
        (status, serde_json::from_str(&body).unwrap_or(Value::String(body)))
    }

    /// Ends it as Ctrl-C does; its exit code.
    fn end(&mut self) -> Option<i32> {
        let pid = rustix::process::Pid::from_child(&self.child);
        rustix::process::kill_process(pid, rustix::process::Signal::INT).unwrap();
        until("the end of serve", || self.child.try_wait().unwrap().is_some());
        self.child.wait().unwrap().code()
    }
}

impl Drop for Serving {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

#[test]
fn a_page_holds_the_film_and_replaces_only_a_page() {
    let film = film();
    film.rebuild(&[]).well();
    let out = film.path().join("page.html");
    let out = out.to_str().unwrap();
    let said = film.json(&["page", "--out", out]);
    assert_eq!((&said["format"], &said["shots"]), (&json!("endboard page 1"), &json!(2)));
    let html = film.text("page.html");
    assert_eq!(said["bytes"], html.len());
    // Two pieces in the strip, and plate and colour of each shot.
    assert_eq!((said["pictures"].as_u64().unwrap() >= 6, html.matches("<article").count()), (true, 2));
    for part in ["The Brine Lamp", "Where the hours went", "shot-br020", "12 fresh"] {
        assert!(html.contains(part), "{part}");
    }
    assert_eq!(film.run(&["page", "--out", out]).status.code(), Some(0));
    film.write("page.html", "<!doctype html><p>Somebody's own.");
    let (code, words) = film.said(&["page", "--out", out]);
    assert!(code == Some(2) && words.contains("no page of this kind"), "{words}");
    let (code, words) = film.said(&["page", "--out", film.path().join("endboard.yaml").to_str().unwrap()]);
    assert!(code == Some(2) && words.contains(".html"), "{words}");
    let few = film.path().join("few.html");
    let said = film.json(&["page", "--pictures", "3", "--out", few.to_str().unwrap()]);
    assert!(said["pictures"].as_u64().unwrap() <= 3, "{said}");
}

#[test]
fn whoever_has_the_token_writes_and_nobody_else() {
    let film = film();
    film.rebuild(&[]).well();
    let mut serving = Serving::of(&film);
    let (port, token) = (serving.port, serving.token.clone());
    let note = json!({ "does": "note", "shot": "br010", "stage": "colour", "frames": "1002-1003", "person": "ana", "says": "<b>too dark</b>" });
    assert_eq!(serving.write(&note, &[]).0, 401);
    assert_eq!(serving.write(&note, &[("X-Endboard-Token", "wrong")]).0, 401);
    let with = ("X-Endboard-Token", token.as_str());
    assert_eq!(serving.write(&note, &[with, ("Origin", "http://salt.example")]).0, 403);
    assert_eq!(serving.write(&note, &[with, ("Host", "salt.example")]).0, 403);
    assert_eq!(asked(port, "GET", "/", &[("Host", "salt.example")], "").0, 403);
    assert_eq!(asked(port, "OPTIONS", "/write", &[], "").0, 405);
    let form = [with, ("Content-Type", "text/plain")];
    assert_eq!(asked(port, "POST", "/write", &form, &note.to_string()).0, 400);
    let long = "x".repeat(40_000);
    let headers = [with, ("Content-Type", "application/json")];
    assert_eq!(asked(port, "POST", "/write", &headers, &long).0, 413);
    let before = std::fs::read_dir(film.path().join("ledger")).unwrap().count();
    let rows = || {
        let files = std::fs::read_dir(film.path().join("ledger")).unwrap();
        files.map(|f| std::fs::read_to_string(f.unwrap().path()).unwrap().lines().count()).sum::<usize>()
    };
    let none = rows();
    for wrong in [
        json!({ "does": "note", "shot": "br090", "stage": "colour", "says": "x" }),
        json!({ "does": "note", "shot": "br010", "stage": "colour", "frames": "1-99999999999", "says": "x" }),
        json!({ "does": "note", "shot": "br010", "stage": "colour" }),
        json!({ "does": "stop" , "shot": "br010", "stage": "colour", "person": "tomas" }),
        json!({ "does": "worked", "shot": "br010", "stage": "colour", "took": "1e9h" }),
        json!({ "does": "worked", "shot": "br010", "stage": "colour", "took": "0" }),
        json!({ "does": "approve", "shot": "br010", "stage": "colour" }),
        json!({ "does": "approve", "shot": "br010", "stage": "colour", "shown": "0123456789abcdef" }),
        json!({ "does": "resolve", "note": "nothing" }),
        json!({ "does": "note", "other": 1 }),
    ] {
        assert_eq!(serving.write(&wrong, &[with]).0, 400, "{wrong}");
    }
    assert_eq!((rows(), before), (none, 1));
    let place = json!({ "shot": "br010", "stage": "colour", "person": "ana" });
    let said = |does: &str, more: Value| {
        let mut what = place.clone();
        what["does"] = does.into();
        more.as_object().unwrap().iter().for_each(|(key, value)| what[key] = value.clone());
        what
    };
    for what in [
        note,
        said("approve", json!({ "frames": "1001-1004", "shown": shown(port, "br010/colour") })),
        said("begin", json!({})),
        said("stop", json!({})),
        said("worked", json!({ "took": "1:30" })),
    ] {
        let (status, says) = serving.write(&what, &[with]);
        assert_eq!(status, 200, "{what} {says}");
    }
    assert_eq!(rows(), none + 5);
    until("the note on the page", || {
        asked(port, "GET", "/", &[], "").2.contains("&lt;b&gt;too dark&lt;/b&gt;")
    });
    let (_, head, html) = asked(port, "GET", "/", &[], "");
    assert!(html.contains("ana") && html.contains("approved") && !html.contains("<b>too dark"));
    for header in ["frame-ancestors 'none'", "nosniff", "no-referrer", "same-origin", "no-store"] {
        assert!(head.contains(header), "{header}: {head}");
    }
    assert!(!head.to_ascii_lowercase().contains("access-control"), "{head}");
    let picture = html.split("/picture/").nth(1).unwrap().split('"').next().unwrap();
    assert_eq!(asked(port, "GET", &format!("/picture/{picture}"), &[], "").0, 200);
    assert_eq!(asked(port, "GET", "/picture/..%2f..%2fendboard.yaml", &[], "").0, 404);
    assert_eq!(serving.end(), Some(0));
}

/// A page that is open while its program ends is put in order anew by the next one at the same address, with what a reader looks for
/// and folded up left as it is.
#[test]
fn a_browser_goes_on_with_the_next_program_and_keeps_what_was_looked_for() {
    let Some(browser) = Browser::start(&[]) else { return };
    let film = Film::new();
    film.write_plate("shed", 1);
    let shots: String = (1..=9)
        .map(|n| {
            format!(
                "  br0{n}0:\n    plate: shed\n    frames: 1001-1002\n    stages:\n      colour: {{ operator: grade, from: {{ picture: plate }} }}\n"
            )
        })
        .collect();
    film.declare(&shots);
    let mut serving = Serving::of(&film);
    let port = serving.port;
    browser.open(&format!("http://127.0.0.1:{port}/"));
    let look_for = "const f = document.getElementById('find-shot'); f.value = 'br03'; f.dispatchEvent(new Event('input')); \
                    document.querySelector('#shot-br050 details').open = false; return true";
    browser.run(look_for);
    let kept = "return [document.getElementById('find-shot').value, document.querySelectorAll('.finder').length, \
                [...document.querySelectorAll('.shot')].filter((s) => !s.hidden).map((s) => s.id).join(), \
                document.querySelector('#shot-br050 details').open]";
    let want = json!(["br03", 1, "shot-br030", false]);
    assert_eq!(browser.run(kept), want);
    let counts = |shot: &str| {
        browser
            .run(&format!("return document.querySelector('#shot-{shot}').textContent"))
            .as_str()
            .unwrap()
            .to_string()
    };
    // A change of a shot by itself, and one by which parts come and go.
    film.rebuild(&[]).well();
    until("the renders", || counts("br030").contains("2 fresh") && counts("br090").contains("2 fresh"));
    assert_eq!(browser.run(kept), want);
    film.json(&["notes", "add", "br030", "hold the lamp longer"]);
    until("the note", || browser.run("return document.getElementById('notes') !== null") == json!(true));
    assert_eq!(browser.run(kept), want);
    // While no program answers, the film changes.
    let version = browser.run("return document.body.dataset.version");
    assert_eq!(serving.end(), Some(0));
    until("word of it", || {
        browser
            .run("return document.getElementById('running').textContent")
            .as_str()
            .unwrap()
            .contains("No word")
    });
    film.declare(&shots.replace("grade, from", "grade, exposure: 1, from"));
    let mut next = Serving::at(&film, port);
    until("the film as the next one sees it", || {
        counts("br030").contains("2 stale") && counts("br090").contains("2 stale")
    });
    assert_ne!(browser.run("return document.body.dataset.version"), version);
    assert_eq!(browser.run(kept), want);
    assert_eq!(next.end(), Some(0));
}

/// What the page carries of the renders that it shows of a stage.
fn shown(port: u16, stage: &str) -> String {
    let (_, _, html) = asked(port, "GET", "/", &[], "");
    let of = format!("data-of=\"{stage}\" data-shown=\"");
    html.split_once(&of).unwrap_or_else(|| panic!("no {of}")).1.split('"').next().unwrap().to_string()
}

#[test]
fn nobody_approves_what_came_after_the_page_was_shown() {
    let film = film();
    film.rebuild(&[]).well();
    let mut serving = Serving::of(&film);
    let before = shown(serving.port, "br010/colour");
    let token = serving.token.clone();
    let approve = |serving: &Serving, shown: &str, frames: &str| {
        let what = json!({ "does": "approve", "shot": "br010", "stage": "colour", "frames": frames, "shown": shown });
        let (status, says) = serving.write(&what, &[("X-Endboard-Token", token.as_str())]);
        (status, says["says"].as_str().unwrap().to_string())
    };
    // Two frames of the eight come out otherwise while somebody looks at the page as it was.
    film.write_plate_frame("shed", 1003, 77);
    film.write_plate_frame("shed", 1005, 78);
    film.rebuild(&[]).well();
    let (status, says) = approve(&serving, &before, "");
    assert!(status == 400 && says.contains("br010/colour@1003,1005 came out otherwise"), "{status} {says}");
    assert_eq!(film.json(&["approvals"])["approvals"], json!([]));
    // Those that are as they were shown may be approved by the same page.
    let (status, says) = approve(&serving, &before, "1006-1008");
    assert!(status == 200 && says == "keeper approves br010/colour@1006-1008.", "{status} {says}");
    until("the page as it is now", || shown(serving.port, "br010/colour") != before);
    let (status, says) = approve(&serving, &shown(serving.port, "br010/colour"), "");
    assert!(status == 200 && says.contains("1001-1008"), "{status} {says}");
    let (status, says) = approve(&serving, &shown(serving.port, "br010/colour"), "");
    assert!(status == 400 && says.contains("is approved already by keeper"), "{status} {says}");
    // Of two presses at once one approves.
    let now = shown(serving.port, "br020/colour");
    let what =
        json!({ "does": "approve", "shot": "br020", "stage": "colour", "shown": now, "person": "ines" });
    let press = || serving.write(&what, &[("X-Endboard-Token", token.as_str())]).0;
    let mut both = std::thread::scope(|scope| {
        [scope.spawn(press), scope.spawn(press)].map(|thread| thread.join().unwrap())
    });
    both.sort_unstable();
    assert_eq!(both, [200, 400]);
    assert_eq!(film.json(&["approvals", "br020"])["approvals"].as_array().unwrap().len(), 1);
    // Of two presses at once one starts the clock, and the other one is refused.
    let begin = json!({ "does": "begin", "shot": "br010", "stage": "colour", "person": "ines" });
    let press = || serving.write(&begin, &[("X-Endboard-Token", token.as_str())]).0;
    let mut both = std::thread::scope(|scope| {
        [scope.spawn(press), scope.spawn(press)].map(|thread| thread.join().unwrap())
    });
    both.sort_unstable();
    assert_eq!(both, [200, 400]);
    assert_eq!(serving.end(), Some(0));
}

/// Approvals and notes mean the same at the page as on the command line: what the film shows, all of it or nothing.
#[test]
fn the_page_and_the_command_approve_by_one_rule() {
    let film = Film::new();
    film.write_plate("shed", 1);
    film.declare(&SHOT.replace("frames: 1001-1008", "frames: 1002-1007\n    handles: 1"));
    film.rebuild(&[]).well();
    let mut serving = Serving::of(&film);
    let token = serving.token.clone();
    let does = |does: &str, more: Value| {
        let mut what = json!({ "does": does, "shot": "br010", "stage": "colour" });
        more.as_object().unwrap().iter().for_each(|(key, value)| what[key] = value.clone());
        let (status, says) = serving.write(&what, &[("X-Endboard-Token", token.as_str())]);
        (status, says["says"].as_str().unwrap().to_string())
    };
    let (status, says) = does("note", json!({ "says": "too dark" }));
    assert!(status == 200 && says == "Noted on br010/colour@1002-1007.", "{says}");
    // Where part of what is asked for is not fresh, neither approves any of it, and both say which part.
    film.write_plate_frame("shed", 1003, 77);
    until("the page as it is now", || asked(serving.port, "GET", "/", &[], "").2.contains("1003 stale"));
    let now = || shown(serving.port, "br010/colour");
    let (status, says) = does("approve", json!({ "shown": now() }));
    let part = "nothing was approved: br010/colour@1003: stale; rebuild them, or write down the frames that are fresh: \
                1002,1004-1007";
    assert!(status == 400 && says == part, "{says}");
    let (code, said) = film.said(&["approve", "br010"]);
    assert!(
        code == Some(1) && said.contains("br010/colour@1003: stale") && said.contains("nothing was approved"),
        "{said}"
    );
    assert_eq!(film.json(&["approvals"])["approvals"], json!([]));
    let (status, says) = does("approve", json!({ "frames": "1002", "shown": now() }));
    assert!(status == 200 && says == "keeper approves br010/colour@1002.", "{says}");
    film.rebuild(&[]).well();
    until("the page as it is now", || !asked(serving.port, "GET", "/", &[], "").2.contains("1003 stale"));
    let (status, says) = does("approve", json!({ "shown": now() }));
    assert!(status == 200 && says == "keeper approves br010/colour@1002-1007.", "{says}");
    assert_eq!(film.json(&["approve", "br010"])["already"][0]["frames"], "1002-1007");
    assert_eq!(serving.end(), Some(0));
}

/// What was found on a render that is another one now is not told as found on the film as it is.
#[test]
fn findings_of_frames_that_changed_are_told_apart() {
    let film = film();
    let black =
        endboard::media::image::Image::new(project::SIZE.0, project::SIZE.1, &endboard::media::image::RGBA);
    let black = endboard::media::exr::encode(&black, endboard::media::exr::Compression::None, &[]).unwrap();
    film.declare(&format!("{SHOT}assembly: {{}}\n"));
    film.write("plates/shed.1002.exr", &black);
    film.write("plates/shed.1007.exr", &black);
    film.rebuild(&[]).well();
    let out = film.path().join("page.html");
    film.json(&["page", "--out", out.to_str().unwrap()]);
    const UNKNOWN: &str = "Not inspected yet: flashing and loudness are not known.";
    assert!(film.text("page.html").contains(UNKNOWN));
    let found = film.json(&["inspect"]);
    let count = found["findings"].as_array().unwrap().len();
    assert!(count >= 2, "{found}");
    let page = || {
        film.json(&["page", "--out", out.to_str().unwrap()]);
        let html = film.text("page.html");
        assert!(!html.contains(UNKNOWN));
        let findings =
            html.split_once("<section id=\"findings\"").unwrap().1.split_once("</section>").unwrap().0;
        let (now, earlier) =
            findings.split_once("Found on what was made anew since").unwrap_or((findings, ""));
        [now, earlier].map(|part| ["@1002)", "@1007)"].map(|frame| part.contains(frame)))
    };
    assert_eq!(page(), [[true, true], [false, false]]);
    film.write_plate_frame("shed", 1007, 5);
    // The render is as it was looked at until it is made anew.
    assert_eq!(page(), [[true, true], [false, false]]);
    film.rebuild(&[]).well();
    assert_eq!(page(), [[true, false], [false, true]]);
    film.json(&["inspect"]);
    assert_eq!(page(), [[true, false], [false, false]]);
}

/// The page's clocks are refused what the command's are, and say the way on at the page.
#[test]
fn clocks_of_the_page_go_through_the_door_of_the_command() {
    let film = film();
    film.rebuild(&[]).well();
    let begin = |person: &str, stage: &str, hours: i64| {
        let what = What::Crew(Crew::Begin { person: person.into(), cause: "".into(), note: "".into() });
        let when = jiff::Timestamp::now() - jiff::SignedDuration::from_hours(hours);
        let (film_name, shot, by) = ("The Brine Lamp".into(), "br010".into(), person.into());
        let row = Row {
            when,
            film: film_name,
            shot,
            stage: stage.into(),
            frames: "1001-1008".parse().unwrap(),
            by,
            what,
        };
        Ledger::open(&film.path().join("ledger"), person).unwrap().append(&row).unwrap();
    };
    begin("ana", "colour", 30);
    begin("tomas", "colour", -5);
    let mut serving = Serving::of(&film);
    let token = serving.token.clone();
    let does = |does: &str, person: &str, more: Value| {
        let mut what = json!({ "does": does, "shot": "br010", "stage": "colour", "person": person });
        more.as_object().unwrap().iter().for_each(|(key, value)| what[key] = value.clone());
        let (status, says) = serving.write(&what, &[("X-Endboard-Token", token.as_str())]);
        (status, says["says"].as_str().unwrap().to_string())
    };
    let refused = |(status, says): (u16, String), part: &str| {
        assert!(status == 400 && says.contains(part), "{status} {says}")
    };
    refused(does("stop", "ana", json!({})), "most likely forgotten; write under Time");
    refused(does("stop", "tomas", json!({})), "yet to come");
    let (status, says) = does("stop", "ana", json!({ "took": "2:30" }));
    assert!(status == 200 && says.contains("ana worked 2 h 30 m"), "{says}");
    assert_eq!(does("begin", "ines", json!({})).0, 200);
    refused(does("begin", "ines", json!({})), "already runs on br010/colour");
    let (status, says) = does("begin", "ines", json!({ "shot": "br020" }));
    assert!(status == 200 && says.contains("the same minutes count for both"), "{says}");
    refused(does("stop", "ines", json!({ "stage": "other" })), "name the shot and the stage");
    assert_eq!(does("stop", "ines", json!({ "shot": "br020" })).0, 200);
    // What stands in the form from before stops no other clock than its own.
    refused(does("stop", "ines", json!({ "shot": "br020" })), "the one that runs is br010/colour since");
    refused(does("stop", "ines", json!({ "took": "3h" })), "cannot have taken 3 h 00 m");
    assert_eq!(film.json(&["clock", "list", "--person", "ines"])["running"].as_array().unwrap().len(), 1);
    assert_eq!(does("stop", "ines", json!({ "shot": "", "stage": "" })).0, 200);
    // Who is meant when nobody is named, is whom the command means.
    assert_eq!(does("begin", "", json!({})).0, 200);
    assert_eq!(film.json(&["clock", "stop"])["person"], "keeper");
    assert_eq!(serving.end(), Some(0));
}

/// How deliveries stand is found out with programs that are waited for, which must not be among the tasks that answer.
#[test]
fn a_film_with_deliveries_is_served() {
    let film = film();
    film.declare(&format!("{SHOT}assembly: {{}}\ndeliveries:\n  master: {{ frames: exr }}\n"));
    let mut serving = Serving::of(&film);
    let (status, _, html) = asked(serving.port, "GET", "/", &[], "");
    assert!(status == 200 && html.contains("id=\"deliveries\""), "{status}");
    assert_eq!(serving.end(), Some(0));
}

/// A browser, driven by WebDriver; ended when dropped.
struct Browser {
    driver: Child,
    port: u16,
    session: String,
    _folder: tempfile::TempDir,
}

impl Browser {
    /// None where there is no browser.
    fn start(more: &[&str]) -> Option<Self> {
        let found = Command::new("chromedriver").arg("--version").stdout(Stdio::null()).status().is_ok();
        if !found {
            eprintln!("no chromedriver: nothing was compared");
            return None;
        }
        let mut driver = Command::new("chromedriver")
            .arg("--port=0")
            .stdout(Stdio::piped())
            .stderr(Stdio::null())
            .spawn()
            .unwrap();
        let mut lines = BufReader::new(driver.stdout.take().unwrap()).lines();
        let port = lines.find_map(|line| {
            let line = line.ok()?;
            line.split_once("on port ")?
                .1
                .trim_end_matches('.')
                .trim()
                .parse()
                .ok()
                .filter(|port: &u16| *port > 0)
        });
        std::thread::spawn(move || lines.for_each(drop));
        let folder = tempfile::tempdir().unwrap();
        let mut flags: Vec<String> = "--headless --no-sandbox --disable-gpu --disable-quic --no-first-run \
             --disable-background-networking --disable-component-update --disable-sync --hide-scrollbars"
            .split_whitespace()
            .map(str::to_string)
            .collect();
        flags.push(format!("--user-data-dir={}", folder.path().display()));
        flags.extend(more.iter().map(|flag| flag.to_string()));
        let wanted = json!({ "capabilities": { "alwaysMatch": {
            "goog:chromeOptions": { "args": flags }, "goog:loggingPrefs": { "performance": "ALL", "browser": "ALL" } } } });
        let mut browser = Self { driver, port: port.unwrap(), session: String::new(), _folder: folder };
        let made = browser.call("POST", "/session", &wanted);
        browser.session =
            format!("/session/{}", made["sessionId"].as_str().unwrap_or_else(|| panic!("{made}")));
        Some(browser)
    }

    fn call(&self, method: &str, path: &str, body: &Value) -> Value {
        let body = if method == "GET" || method == "DELETE" { String::new() } else { body.to_string() };
        let host = format!("localhost:{}", self.port);
        let (_, _, text) =
            asked(self.port, method, path, &[("Host", &host), ("Content-Type", "application/json")], &body);
        serde_json::from_str::<Value>(&text).unwrap_or_else(|e| panic!("{e}: {text}"))["value"].clone()
    }

    fn of(&self, method: &str, path: &str, body: Value) -> Value {
        self.call(method, &format!("{}{path}", self.session), &body)
    }

    fn open(&self, address: &str) {
        self.of("POST", "/url", json!({ "url": address }));
    }

    fn size(&self, width: u32, height: u32) {
        let metrics = json!({ "width": width, "height": height, "deviceScaleFactor": 1, "mobile": false });
        self.devtools("Emulation.setDeviceMetricsOverride", metrics);
    }

    fn devtools(&self, what: &str, with: Value) -> Value {
        self.of("POST", "/goog/cdp/execute", json!({ "cmd": what, "params": with }))
    }

    fn run(&self, script: &str) -> Value {
        self.of("POST", "/execute/sync", json!({ "script": script, "args": [] }))
    }

    /// Presses a key, as WebDriver names it.
    fn press(&self, key: &str) {
        let keys = json!([{ "type": "keyDown", "value": key }, { "type": "keyUp", "value": key }]);
        self.of("POST", "/actions", json!({ "actions": [{ "type": "key", "id": "keys", "actions": keys }] }));
    }
}

impl Drop for Browser {
    fn drop(&mut self) {
        if !self.session.is_empty() && !std::thread::panicking() {
            self.of("DELETE", "", Value::Null);
        }
        let _ = self.driver.kill();
        let _ = self.driver.wait();
    }
}

const TAB: &str = "\u{e004}";

#[test]
fn a_browser_shows_the_page_to_eyes_keys_and_readers() {
    let Some(browser) = Browser::start(&[]) else { return };
    let film = film();
    film.rebuild(&[]).well();
    let out = film.path().join("page.html");
    film.json(&["page", "--out", out.to_str().unwrap()]);
    browser.open(&format!("file://{}", out.display()));
    assert_eq!(browser.run("return document.querySelectorAll('.piece a').length"), 2);
    // The policy let the page's own style and program in, and nothing was refused.
    assert_eq!(browser.run("return getComputedStyle(document.querySelector('.strip')).display"), "flex");
    // Sliders are made when a shot comes near.
    browser.run("document.querySelector('.shot').scrollIntoView()");
    until("the slider", || {
        browser.run("return document.querySelectorAll('.wiper input[type=range]').length") == 2
    });
    let log = browser.of("POST", "/se/log", json!({ "type": "browser" }));
    assert_eq!(log, json!([]));
    for width in [320, 768, 1280] {
        browser.size(width, 800);
        let wide = browser.run("return document.documentElement.scrollWidth");
        assert!(wide.as_u64().unwrap() <= width.into(), "{width}: {wide}");
    }
    let ground = "return getComputedStyle(document.body).backgroundColor";
    let mut grounds = Vec::new();
    for scheme in ["light", "dark"] {
        let features = json!([{ "name": "prefers-color-scheme", "value": scheme }]);
        browser.devtools("Emulation.setEmulatedMedia", json!({ "features": features }));
        grounds.push(browser.run(ground));
    }
    assert_eq!(grounds, [json!("rgb(252, 250, 245)"), json!("rgb(17, 24, 27)")]);
    // Every control is reached by the Tab key, in the order of the page, and what has the focus is seen.
    let all = "return [...document.querySelectorAll('a[href], button, input, select, summary, [tabindex=\"0\"]')]\
               .filter((e) => e.checkVisibility()).length";
    let all = browser.run(all).as_u64().unwrap();
    let mut reached = 0;
    for _ in 0..all {
        browser.press(TAB);
        let seen = "const e = document.activeElement; if (e === document.body || e.dataset.reached) return false; \
                    e.dataset.reached = 'yes'; const s = getComputedStyle(e); return s.outlineStyle !== 'none' && s.outlineWidth !== '0px'";
        reached += u64::from(browser.run(seen) == json!(true));
    }
    assert_eq!(reached, all);
    let moved = "document.querySelector('.piece a').focus(); return document.activeElement.dataset.shot";
    assert_eq!(browser.run(moved), "br010");
    browser.press("\u{e014}");
    assert_eq!(browser.run("return document.activeElement.dataset.shot"), "br020");
    // What a screen reader is told.
    let tree = browser.devtools("Accessibility.getFullAXTree", json!({}));
    let nodes = tree["nodes"].as_array().unwrap();
    let has = |role: &str, part: &str| {
        nodes.iter().any(|node| {
            let name = node["name"]["value"].as_str().unwrap_or("");
            (node["role"]["value"] == role || (role == "image" && node["role"]["value"] == "img"))
                && name.contains(part)
                && node["ignored"] != true
        })
    };
    for (role, name) in [
        ("heading", "The Brine Lamp"),
        ("link", "br010"),
        ("image", "colour: all fresh"),
        ("slider", "br010: where the picture before ends"),
        ("navigation", "Parts of this page"),
        ("main", ""),
        ("region", "The film"),
    ] {
        assert!(has(role, name), "no {role} called {name}");
    }
    // Nothing was asked of anybody but the file itself.
    let log = browser.of("POST", "/se/log", json!({ "type": "performance" }));
    for entry in log.as_array().unwrap() {
        let entry: Value = serde_json::from_str(entry["message"].as_str().unwrap()).unwrap();
        let message = &entry["message"];
        if message["method"] == "Network.requestWillBeSent" {
            let to = message["params"]["request"]["url"].as_str().unwrap();
            assert!(["file:", "data:", "chrome:"].iter().any(|own| to.starts_with(own)), "{to}");
        }
    }
}

/// Of a long film what is out of sight is packed; it is drawn where a reader goes, by pointer, by keys or by an address.
#[test]
fn a_browser_draws_a_long_film_where_its_reader_is() {
    let Some(browser) = Browser::start(&[]) else { return };
    let film = Film::new();
    film.write_plate("shed", 1);
    let shots: String = (1..=60)
        .map(|n| {
            format!(
                "  br{n:02}0:\n    plate: shed\n    frames: 1001-1002\n    stages:\n      colour: {{ operator: grade, from: {{ picture: plate }} }}\n"
            )
        })
        .collect();
    film.declare(&shots);
    film.rebuild(&[]).well();
    let mut serving = Serving::of(&film);
    browser.size(800, 600);
    browser.open(&format!("http://127.0.0.1:{}/#shot-br400", serving.port));
    let drawn = "return document.querySelectorAll('#shot-br400 .ribbon').length";
    until("the shot in the address", || browser.run(drawn) == json!(1));
    assert_eq!(browser.run("return document.querySelectorAll('.shot .ribbon').length"), 1);
    browser.run("document.querySelector('#shot-br590 summary').click()");
    until("the shot unfolded", || {
        browser.run("return document.querySelectorAll('#shot-br590 .to-desk').length") == json!(1)
    });
    browser.run("scrollTo(0, 0)");
    until("the strip", || browser.run("return document.querySelectorAll('.piece svg').length") == json!(60));
    // Keys go from drawn lengths of the strip to the next one.
    browser.run("document.querySelectorAll('.piece a')[49].focus()");
    browser.press("\u{e014}");
    assert_eq!(browser.run("return document.activeElement.dataset.shot"), "br510");
    // A change arrives where nothing is drawn yet as well, and what is unfolded stays so.
    let counts = |shot: &str| {
        browser.run(&format!("return document.querySelector('#shot-{shot} summary').textContent"))
    };
    assert!(counts("br590").as_str().unwrap().contains("all fresh"));
    film.declare(&shots.replace("grade, from", "grade, exposure: 1, from"));
    until("the change", || counts("br010").as_str().unwrap().contains("2 stale"));
    until("the change of the shot unfolded", || counts("br590").as_str().unwrap().contains("2 stale"));
    until("its ribbon", || {
        browser
            .run("return document.querySelector('#shot-br590 .ribbon')?.getAttribute('aria-label') ?? ''")
            .as_str()
            .unwrap()
            .contains("stale")
    });
    assert_eq!(browser.run("return document.querySelector('#shot-br590 details').open"), json!(true));
    assert_eq!(serving.end(), Some(0));
}

#[test]
fn a_browser_sees_changes_arrive_and_writes_with_the_token() {
    let Some(browser) = Browser::start(&[]) else { return };
    let film = film();
    let mut serving = Serving::of(&film);
    let address = format!("http://127.0.0.1:{}/", serving.port);
    browser.open(&address);
    let shot = "return document.getElementById('shot-br010').textContent";
    assert!(browser.run(shot).as_str().unwrap().contains("8 absent"));
    // Without the token a note is refused, and the page asks for it.
    let noted = "const f = document.getElementById('desk-form'); f.elements.shot.value = 'br010'; \
                 f.elements.stage.value = 'colour'; f.elements.says.value = 'hold the lamp longer'; \
                 f.querySelector('[value=note]').click(); return true";
    browser.run(noted);
    let says = "return document.getElementById('desk-answer').textContent";
    until("the refusal", || browser.run(says).as_str().unwrap().contains("token"));
    // A rebuild elsewhere shows on the page by itself.
    film.rebuild(&[]).well();
    until("the renders", || browser.run(shot).as_str().unwrap().contains("8 fresh"));
    browser.open("about:blank");
    browser.open(&format!("{address}#token={}", serving.token));
    assert_eq!(browser.run("return location.hash"), "");
    // With the token nobody is asked for it any more.
    assert_eq!(browser.run("return document.getElementById('token').checkVisibility()"), json!(false));
    browser.run(noted);
    until("the answer", || browser.run(says).as_str().unwrap().contains("Noted"));
    // A second press while the first is under way says nothing twice.
    let twice = "const f = document.getElementById('desk-form'); f.elements.says.value = 'said once'; \
                 const b = f.querySelector('[value=note]'); b.click(); b.click(); return b.disabled";
    assert_eq!(browser.run(twice), json!(true));
    until("the button again", || {
        browser.run("return document.querySelector('#desk-form [value=note]').disabled") == json!(false)
    });
    let all = film.json(&["notes"])["notes"].as_array().unwrap().len();
    assert_eq!(all, 2);
    let notes = "return document.getElementById('notes')?.textContent ?? ''";
    until("the note", || browser.run(notes).as_str().unwrap().contains("hold the lamp longer"));
    browser.run("document.querySelector('#desk-form [value=approve]').click()");
    until("the approval", || browser.run(says).as_str().unwrap().contains("approves br010/colour@1001-1008"));
    browser.run("document.querySelector('#notes [data-note] button').click()");
    until("the note is settled", || browser.run(notes).as_str().unwrap().contains("1 settled note"));
    assert_eq!(serving.end(), Some(0));
    let gone = "return document.getElementById('running').textContent";
    until("the page says so", || browser.run(gone).as_str().unwrap().contains("No word"));
}
