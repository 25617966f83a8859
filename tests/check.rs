//! What `check` says of a film as it lies on the disk, and how the command line answers what makes no sense.
//!
//! Knows the tiny film of `project` with mistakes put into it.

mod project;

use project::{Film, SIZE, picture};

/// Two shots with their grades; `more` are further lines of the film, `first` and `second` settings of the shots.
fn film(more: &str, first: &str, second: &str) -> Film {
    let film = Film::new();
    film.write_plate("shed", 3);
    declare(&film, more, first, second);
    film
}

fn declare(film: &Film, more: &str, first: &str, second: &str) {
    film.write(
        "endboard.yaml",
        format!(
            "film: The Brine Lamp
rate: 24
frame_size: 32x18
{more}
plates:
  shed: {{ files: plates/shed.####.exr, frames: 1001-1008 }}
  ride: {{ movie: plates/ride.mp4, first: 1001 }}
shots:
  br010: {{ plate: shed, frames: 1001-1004, recipe: plain-grade{first} }}
  br020: {{ plate: shed, frames: 1005-1008, {second} }}
assembly: {{ from: colour }}
"
        ),
    );
}

const GRADE: &str = "recipe: plain-grade";

/// Errors and warnings as `line message`, without places outside `endboard.yaml` and the cut.
#[track_caller]
fn said(film: &Film) -> Vec<String> {
    let answer = film.json(&["check"]);
    let problems = answer["problems"].as_array().unwrap();
    let line = |p: &serde_json::Value| {
        let warning = if p["severity"] == "warning" { "warning: " } else { "" };
        format!("{}:{} {warning}{}", p["file"].as_str().unwrap(), p["line"], p["message"].as_str().unwrap())
    };
    problems.iter().map(line).collect()
}

fn words(film: &Film, arguments: &[&str]) -> (Option<i32>, String) {
    let output = film.run(arguments);
    let text = [output.stdout, output.stderr].map(|bytes| String::from_utf8(bytes).unwrap()).concat();
    (output.status.code(), text)
}

/// An edit list of both shots; the second begins `late` frames late.
fn list(names: [&str; 2], late: i64) -> String {
    let label = |frame: i64| format!("00:00:{:02}:{:02}", frame / 24, frame % 24);
    let line = |n: usize, source: i64, record: i64| {
        let times = [source, source + 4, record, record + 4].map(label).join(" ");
        format!("00{}  {}  V  C  {times}\n", n + 1, names[n])
    };
    format!("{}{}", line(0, 1001, 0), line(1, 1005, 4 + late))
}

#[test]
fn a_gap_in_the_cut_is_an_error_unless_it_is_black() {
    let film = film("cut: cut.edl", "", GRADE);
    film.write("cut.edl", list(["br010", "br020"], 2));
    let gap =
        "cut.edl:2 between event 1 at line 1 and event 2 at line 2 nothing fills frames 5-6 of the film";
    assert_eq!(said(&film), [gap]);
    assert_eq!(words(&film, &["rebuild"]).0, Some(1));
    let black = "003  BL  V  C  00:00:00:00 00:00:00:02 00:00:00:04 00:00:00:06\n";
    film.write("cut.edl", list(["br010", "br020"], 2) + black);
    assert_eq!(said(&film), Vec::<String>::new());
    film.rebuild(&[]).well();
    let shown = film.renders();
    let frame = |n: i64| shown.get(std::path::Path::new(&format!("film/assembly/film.{n:04}.exr")));
    assert!(frame(4).is_some() && frame(5).is_some() && frame(10).is_some() && frame(11).is_none());
    let image = endboard::media::exr::decode(frame(5).unwrap()).unwrap();
    let sums: Vec<f32> = image.planes.iter().map(|(_, samples)| samples.iter().sum()).collect();
    let whole = (SIZE.0 * SIZE.1) as f32;
    assert_eq!((sums.iter().sum::<f32>(), sums.contains(&whole)), (whole, true), "opaque black");
    assert!(film.rebuild(&[]).well().rendered.is_empty());
}

#[test]
fn capitals_of_shots_in_the_cut_do_not_matter() {
    let film = film("cut: cut.edl", "", GRADE);
    film.write("cut.edl", list(["BR010", "Br020"], 0));
    assert_eq!(said(&film), Vec::<String>::new());
    film.write("cut.edl", list(["BR010", "BR021"], 0));
    assert_eq!(said(&film), ["cut.edl:2 the cut names shot 'BR021', but the film has no such shot"]);
}

#[test]
fn nothing_is_said_that_follows_from_another_error() {
    // A shot with a mistake of its own is not missing from the film.
    let film = film("cut: cut.edl", "", "recpie: plain-grade");
    film.write("cut.edl", list(["br010", "br020"], 0));
    let all = said(&film);
    assert!(all.iter().all(|p| p.contains("br020") && !p.contains("the cut names")), "{all:?}");

    // A bad shapes file is one mistake, though blades and grade rest on it.
    let duel = "recipe: blade-duel, roto: { shapes: roto/br020.yaml }";
    declare(&film, "", "", duel);
    film.write("roto/br020.yaml", "mattes: { actors: { shapes: [ { keys: { 1005: [[1, 2]] } } ] } }\n");
    let all = said(&film);
    assert_eq!(all.len(), 1, "{all:?}");
    assert!(all[0].starts_with("roto/br020.yaml:1 br020/roto: "), "{all:?}");

    // Settings are checked all the same while the file is missing.
    std::fs::remove_file(film.path().join("roto/br020.yaml")).unwrap();
    declare(
        &film,
        "",
        "",
        &format!("{duel}, blades: {{ widht: 3, flicker: 4, rods: {{ keeper: {{ white: 7 }} }} }}"),
    );
    let all = said(&film);
    assert_eq!(all.len(), 4, "{all:?}");
    for part in ["roto/br020.yaml cannot be read", "no setting 'widht'", "'flicker'", "'white'"] {
        assert_eq!(all.iter().filter(|p| p.contains(part)).count(), 1, "{part}: {all:?}");
    }
}

#[test]
fn one_mistake_for_many_shots_is_said_once() {
    let film = film("across: { 'br*': { colour: { exposure: bright, look: x.cube } } }", "", GRADE);
    film.write("x.cube", "LUT_3D_SIZE 2\n0 0 0\n");
    let all = said(&film);
    assert_eq!(all.len(), 2, "{all:?}");
    assert!(all.iter().all(|p| p.contains(" br010/colour, br020/colour: ")), "{all:?}");
}

#[test]
fn strong_flicker_is_a_warning() {
    let film = film("", "", "recipe: blade-duel, roto: { shapes: roto.yaml }, blades: { flicker: 0.6 }");
    let rods = "rods: { keeper: { keys: { 1005: { base: [1, 2], tip: [9, 9] } } } }";
    film.write("roto.yaml", format!("mattes: {{ actors: {{ shapes: [] }} }}\n{rods}\n"));
    let all = said(&film);
    assert_eq!(all.len(), 1, "{all:?}");
    assert!(all[0].contains("warning: br020/blades: flicker of 0.6 flashes"), "{all:?}");
    let (code, text) = words(&film, &["check"]);
    assert!(code == Some(0) && text.ends_with("\n1 warning: 2 shots, 5 stages\n"), "{text}");
}

#[test]
fn programs_and_scripts_that_are_not_there_are_named() {
    let stage = |command: &str| {
        format!("stages: {{ streek: {{ command: '{command}' }}, colour: {{ operator: grade }} }}")
    };
    let film = film("", "", &stage("sh tools/streek.sh {picture} {out} tools/list.txt"));
    assert_eq!(
        said(&film),
        [
            "endboard.yaml:10 br020/streek: its word 'tools/streek.sh' names no file in the film's folder",
            "endboard.yaml:10 warning: br020/streek: its word 'tools/list.txt' names no file in the film's folder",
        ]
    );
    film.write("tools/streek.sh", "cp $1 $2\n");
    film.write("tools/list.txt", "");
    assert_eq!(said(&film), Vec::<String>::new());
    declare(&film, "", "", &stage("no-such-program-here {picture} {out}"));
    let message = "br020/streek: there is no program 'no-such-program-here' on this machine";
    assert_eq!(said(&film), [format!("endboard.yaml:10 {message}")]);
    declare(&film, "", "", &stage("tools/streek.sh {picture} {out}"));
    assert_eq!(
        said(&film),
        ["endboard.yaml:10 br020/streek: 'tools/streek.sh' is no program that can be started"]
    );
}

#[test]
fn missing_and_unfit_sources_are_named_in_plain_words() {
    let film = film("", "", GRADE);
    std::fs::remove_file(film.path().join("plates/shed.1007.exr")).unwrap();
    film.write("plates/shed.1002.exr", picture((16, 9), 1));
    let at = "endboard.yaml:6 plate shed: frame";
    assert_eq!(said(&film), [format!("{at} 1007 is missing"), format!("{at} 1002 is 16x9")]);

    declare(&film, "", "", "stages: { colour: { operator: grade } }");
    let text = std::fs::read_to_string(film.path().join("endboard.yaml")).unwrap();
    film.write("endboard.yaml", text.replace("br020: { plate: shed", "br020: { plate: ride"));
    film.write_plate("shed", 3);
    assert_eq!(said(&film), ["endboard.yaml:7 plate ride: there is no movie file plates/ride.mp4"]);
    // A file that is no movie is found by the program that reads movies; without it, that is said.
    film.write("plates/ride.mp4", "cut short");
    let all = said(&film);
    assert!(all.len() == 1 && all[0].starts_with("endboard.yaml:7 plate ride: "), "{all:?}");
}

#[test]
fn a_movie_of_another_size_or_too_short_is_found() {
    let film = film("", "", "stages: { colour: { operator: grade } }");
    let text = std::fs::read_to_string(film.path().join("endboard.yaml")).unwrap();
    film.write("endboard.yaml", text.replace("br020: { plate: shed", "br020: { plate: ride"));
    if !project::draw_movie(&film.path().join("plates/ride.mp4"), "color=size=64x36:rate=24", 6) {
        println!("not checked: no movie can be made here");
        return;
    }
    let at = "endboard.yaml:7 plate ride: the movie";
    assert_eq!(
        said(&film),
        [format!("{at} is 64x36"), format!("{at} has frames 1001-1006, and 1005-1008 are needed")]
    );
}

#[test]
fn a_retimed_shot_is_held_against_its_plate_by_its_map() {
    let film = Film::new();
    // A cut after the fourth frame: motion is looked for on both sides of it, and not across.
    for n in 1001..=1008 {
        film.write_plate_frame("shed", n, if n <= 1004 { 3 } else { 5 });
    }
    let declare = |plate: &str, frames: &str, ramp: &str| {
        let text = format!(
            "film: The Brine Lamp\nrate: 24\nframe_size: 32x18\nplates:\n  shed: {{ {plate} }}\nshots:\n  \
             br010:\n    plate: shed\n    frames: {frames}\n    recipe: speed-ramp\n    ramp:\n      {ramp}\n"
        );
        film.write("endboard.yaml", text);
    };
    // Eight frames of the plate make fifteen of the shot; its numbers are not the plate's.
    let files = "files: plates/shed.####.exr, frames: 1001-1008";
    declare(files, "2001-2015", "{ speed: 50, source_frame: 1001, between: flow }");
    assert_eq!(said(&film), Vec::<String>::new());
    let answer = film.json(&["rebuild"]);
    let remarks: Vec<&str> =
        answer["remarks"].as_array().unwrap().iter().map(|r| r["place"].as_str().unwrap()).collect();
    assert_eq!((remarks, &answer["failures"]), (vec!["br010/ramp@2008"], &serde_json::json!([])));
    declare(files, "2001-2016", "{ source_frame: 1001, between: flow, speed: 50 }");
    let beyond = "br010/ramp: output frame 2016, at 50 %, leaves the source: it shows source frame 1008.5";
    assert_eq!(said(&film), [format!("endboard.yaml:12 {beyond}")]);
    // A movie that does not say its frames is asked for them.
    if ffmpeg_draws(&film) {
        declare("movie: plates/ride.mp4, first: 1001", "2001-2016", "{ source_frame: 1003, speed: 25 }");
        let beyond =
            "br010/ramp: output frame 2015, at 25 %, leaves the source: it shows source frame 1006.5";
        assert_eq!(said(&film), [format!("endboard.yaml:12 {beyond}, and so does 1 frame more")]);
    }
}

/// Draws a movie of six frames; false where ffmpeg is not installed.
fn ffmpeg_draws(film: &Film) -> bool {
    project::draw_movie(&film.path().join("plates/ride.mp4"), "color=size=32x18:rate=24", 6)
}

#[test]
fn the_command_line_refuses_what_makes_no_sense() {
    let film = film("", "", GRADE);
    for (arguments, right) in [
        (["rebuild", "--jobs", "0"], "from 1 to"),
        (["rebuild", "--memory", "5"], "such as 800MB"),
        (["rebuild", "--memory", "5kB"], "at least 64MB"),
        (["sweep", "--budget", "0.5"], "such as 20GB"),
    ] {
        let (code, text) = words(&film, &arguments);
        assert!(code == Some(2) && text.contains(right), "{arguments:?}: {text}");
    }
    for (arguments, right) in [
        (
            &["notes", "settle", "abcd", "--note", "done"][..],
            "tip: the words of a note stand without an option: `endboard notes settle NAME 'WORDS'`",
        ),
        (
            &["notes", "add", "br010/colour", "--note", "wet"],
            "stand without an option: `endboard notes add PLACE 'WORDS'`",
        ),
        (&["status", "--bogus"], "unexpected argument '--bogus'"),
    ] {
        let (code, text) = words(&film, arguments);
        assert!(
            code == Some(2) && text.contains(right) && !text.contains("as a value"),
            "{arguments:?}: {text}"
        );
    }
    let (code, text) = words(&film, &["bogus"]);
    assert!(code == Some(2) && !text.contains("similar"), "{text}");
    std::fs::remove_file(film.path().join("endboard.yaml")).unwrap();
    let (code, text) = words(&film, &["status"]);
    assert!(code == Some(2) && text.contains("there is no endboard.yaml"), "{text}");
}

#[test]
fn what_goes_wrong_is_one_object_where_json_is_asked_for() {
    let film = film("", "", GRADE);
    let error = |arguments: &[&str]| {
        let output = film.run(arguments);
        let object: serde_json::Value = serde_json::from_slice(&output.stdout)
            .unwrap_or_else(|e| panic!("{arguments:?}: {e}: {}", String::from_utf8_lossy(&output.stdout)));
        assert_eq!(object["format"], "endboard error 1", "{object}");
        assert_eq!(object["exit_code"].as_i64(), output.status.code().map(i64::from), "{object}");
        let words = object["error"].as_str().unwrap().to_string();
        let told = String::from_utf8_lossy(&output.stderr).into_owned();
        assert!(told.starts_with(&format!("endboard: {words}")), "{words}\n{told}");
        (output.status.code().unwrap(), words)
    };
    let (code, words) = error(&["status", "nosuch", "--json"]);
    assert_eq!((code, &*words), (2, "'nosuch' matches no shot and stage of this film"));
    for unknown in [
        &["--json", "bogus"][..],
        &["rebuild", "--json", "--jobs", "0"],
        &["approve", "br010", "--withdraw", "--json"],
        &["rebuild", "--hold", "br010/colour", "--json"],
        &["rebuild", "--let-go", "br010/colour", "--json"],
    ] {
        assert_eq!(error(unknown).0, 2, "{unknown:?}");
    }
    // A page that cannot be served at all has no address to tell.
    let taken = std::net::TcpListener::bind("127.0.0.1:0").unwrap();
    let port = taken.local_addr().unwrap().port().to_string();
    assert_eq!(error(&["serve", "--port", &port, "--json"]).0, 4);
    // Behind `--`, it is a name like any.
    let output = film.run(&["bogus", "--", "--json"]);
    assert_eq!((output.status.code(), output.stdout.len()), (Some(2), 0));
    // What makes a store is a file.
    std::fs::remove_dir_all(film.path().join(".endboard")).unwrap_or_default();
    film.write(".endboard", "");
    let (code, words) = error(&["status", "--json"]);
    assert!(code == 4 && words.contains(".endboard"), "{code}: {words}");
    std::fs::remove_file(film.path().join("endboard.yaml")).unwrap();
    let (code, words) = error(&["status", "--json"]);
    assert!(code == 2 && words.contains("there is no endboard.yaml"), "{words}");
}

#[test]
fn rubbish_in_place_of_a_cut_is_an_error_at_its_line() {
    let film = film("cut: cut.edl", "", GRADE);
    film.write("cut.edl", "TITLE: BRINE\nthe salt is wet\n");
    let all = said(&film);
    assert_eq!(all.len(), 2, "{all:?}");
    assert_eq!(all[0], "endboard.yaml:4 the cut cut.edl shows no shot");
    assert!(all[1].starts_with("cut.edl:2 warning: 'the salt is wet' is no line"), "{all:?}");
    let (code, text) = words(&film, &["rebuild"]);
    assert!(code == Some(1) && text.contains("cut.edl:2"), "{text}");
}

#[test]
fn a_byte_order_mark_is_no_part_of_any_text() {
    let film = film(
        "cut: cut.edl",
        "",
        "recipe: blade-duel, roto: { shapes: roto/br020.yaml }, colour: { cdl: g.cc, look: l.cube }",
    );
    let marked = |name: &str, text: &str| film.write(name, format!("\u{feff}{text}"));
    marked("cut.edl", &list(["br010", "br020"], 0));
    marked(
        "roto/br020.yaml",
        "mattes: { actors: { shapes: [ { keys: { 1005: [[1, 2], [9, 2], [9, 9]] } } ] } }\n\
         rods: { keeper: { keys: { 1005: { base: [1, 2], tip: [3, 4] } } } }\n",
    );
    marked(
        "g.cc",
        "<ColorCorrection id=\"a\"><SOPNode><Slope>1 1 1</Slope><Offset>0 0 0</Offset><Power>1 1 1</Power></SOPNode></ColorCorrection>",
    );
    marked("l.cube", "LUT_1D_SIZE 2\n0 0 0\n1 1 1\n");
    let text = std::fs::read_to_string(film.path().join("endboard.yaml")).unwrap();
    marked("endboard.yaml", &text);
    assert_eq!(said(&film), Vec::<String>::new());
    film.rebuild(&[]).well();
}

#[test]
fn a_film_of_mattes_is_refused_at_its_line() {
    let duel = "recipe: blade-duel, roto: { shapes: roto/br020.yaml }";
    let film = film("", "", duel);
    film.write("roto/br020.yaml", "mattes: { actors: { shapes: [ { keys: { 1005: [[1, 2], [9, 2], [9, 9]] } } ] } }\nrods: { k: { keys: { 1005: { base: [1, 2], tip: [3, 4] } } } }\n");
    let text = std::fs::read_to_string(film.path().join("endboard.yaml")).unwrap();
    let text = text.replace(
        "br010: { plate: shed, frames: 1001-1004, recipe: plain-grade }",
        &format!("br010: {{ plate: shed, frames: 1001-1004, {duel} }}"),
    );
    film.write("endboard.yaml", text.replace("{ from: colour }", "{ from: roto }"));
    let all = said(&film);
    assert_eq!(all, ["endboard.yaml:11 stage 'roto' makes mattes and no picture, in br010, br020"]);
}

#[test]
fn keys_that_all_lie_elsewhere_are_warned_of() {
    let film = film("", "", "recipe: blade-duel, roto: { shapes: roto/br020.yaml }");
    let shapes = |at: [i64; 2]| {
        let key = |n: i64| format!("{n}: [[1, 2], [9, 2], [9, {n}]]");
        film.write(
            "roto/br020.yaml",
            format!(
                "mattes:\n  actors: {{ shapes: [ {{ keys: {{ {}, {} }} }} ] }}\nrods: {{ k: {{ keys: {{ {}: {{ base: [1, 2], tip: [3, 4] }} }} }} }}\n",
                key(at[0]),
                key(at[1]),
                at[1]
            ),
        );
    };
    shapes([5, 8]);
    let all = said(&film);
    assert_eq!(all.len(), 1, "{all:?}");
    assert!(
        all[0].starts_with(
            "roto/br020.yaml:2 warning: br020/roto, br020/blades: all keys of this file lie outside"
        ),
        "{all:?}"
    );
    assert!(all[0].contains("1005-1008") && all[0].ends_with("they are on 5-8"), "{all:?}");
    shapes([5, 1005]);
    assert_eq!(said(&film), Vec::<String>::new());
}

#[test]
fn a_missing_file_of_moves_says_what_writes_it() {
    let film = film(
        "",
        "",
        "stages: { join: { operator: passes, from: { clean: plate, takes: { a: plate }, mattes: { a: plate } }, register: takes/br020.yaml }, colour: { operator: grade } }",
    );
    let answer = film.json(&["check"]);
    let problem = &answer["problems"][0];
    assert_eq!(problem["help"], "`endboard register br020` writes it", "{answer}");
    // One that lacks the take, and one that is empty, are not passed over.
    for text in ["takes: {}\n", "", "takes: { b: { time: 1 } }\n"] {
        film.write("takes/br020.yaml", text);
        let all = said(&film);
        let told = all
            .iter()
            .filter(|p| {
                p.contains("warning: br020/join: the register file takes/br020.yaml says nothing of take a")
            })
            .count();
        assert_eq!(told, 1, "{all:?}");
        let helps = film.json(&["check"])["problems"].to_string();
        assert!(helps.contains("`endboard register br020` measures all takes"), "{helps}");
    }
    film.write("takes/br020.yaml", "takes: { a: { time: 0 } }\n");
    assert_eq!(said(&film), Vec::<String>::new());
}

#[test]
fn a_cluster_whose_configuration_is_not_there_is_told_before_it_is_asked() {
    let film = film("", "", GRADE);
    for more in [&[][..], &["--plan"]] {
        let mut command = film.command(&["rebuild", "--on", "slurm"]);
        let output = command.args(more).env("SLURM_CONF", "salt/slurm.conf").output().unwrap();
        let told = String::from_utf8_lossy(&output.stderr).into_owned();
        let says = "SLURM_CONF names salt/slurm.conf, and there is no such file";
        assert!(output.status.code() == Some(2) && told.contains(says), "{told}");
    }
}
