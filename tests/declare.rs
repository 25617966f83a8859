//! The declaration as a person writes it: what is read, and every message with its place.

use std::collections::BTreeMap;

use endboard::base::frames::FrameRange;
use endboard::base::problem::{Problem, Sources};
use endboard::declare;
use endboard::declare::film::{Each, Film, From, Media, Work};

/// Reads `main` with some recipe files at hand.
fn read(main: &str, files: &[(&str, &str)]) -> (Option<Film>, Vec<Problem>, Sources) {
    let files: BTreeMap<&str, &str> = files.iter().copied().collect();
    let mut sources = Sources::new();
    let id = sources.add("endboard.yaml", main);
    let mut load =
        |path: &str| files.get(path).map(|text| text.to_string()).ok_or("no such file".to_string());
    let (film, problems) = declare::read(&mut sources, id, &mut load);
    (film, problems, sources)
}

/// Each problem as `place severity: message (help)`.
fn lines(problems: &[Problem], sources: &Sources) -> Vec<String> {
    let line = |problem: &Problem| {
        let place = problem.span.map_or("nowhere".to_string(), |span| sources.place(span));
        let help = problem.help.as_ref().map_or(String::new(), |help| format!(" ({help})"));
        format!("{place} {}: {}{help}", problem.severity, problem.message)
    };
    problems.iter().map(line).collect()
}

#[track_caller]
fn check(main: &str, expected: &[&str]) {
    check_with(main, &[], expected);
}

#[track_caller]
fn check_with(main: &str, files: &[(&str, &str)], expected: &[&str]) {
    let (_, problems, sources) = read(main, files);
    let got = lines(&problems, &sources);
    assert_eq!(got, expected, "\n{}\n", got.join("\n"));
}

#[track_caller]
fn sound(main: &str, files: &[(&str, &str)]) -> Film {
    let (film, problems, sources) = read(main, files);
    assert_eq!(lines(&problems, &sources), Vec::<String>::new());
    film.expect("a film")
}

/// A film of one plate (line 5) and one shot (line 7) with these further keys.
fn film(shot: &str) -> String {
    let head = "film: The Brine Lamp\nrate: 24\nframe_size: 960x540\n";
    let plate = "plates:\n  shed-a: { files: plates/a.####.exr, frames: 1001-1072 }\n";
    format!("{head}{plate}shots:\n  br030: {{ plate: shed-a, frames: 1009-1056, {shot} }}\n")
}

/// The same with further lines in front of `shots`, from line 6 on.
fn film_with(lines: &str, shot: &str) -> String {
    film(shot).replace("shots:", &format!("{lines}\nshots:"))
}

const WHOLE: &str = r##"
film: The Brine Lamp
rate: 23.976
frame_size: 960x540
working_space: acescg
cut: cut/lock-1.edl
handles: 8
recipes: [pipelines/duel.yaml]
pools: { licence: 2 }
plates:
  shed-a: { files: plates/shed-a/shed-a.####.exr, frames: 1001-1072, encoding: linear-rec709 }
  shed-b: { files: plates/shed-b.####.exr, frames: 1001-1072 }
  ride:   { movie: plates/ride.mp4, first: 1001, encoding: rec709 }
shots:
  br030:
    plate: shed-a
    frames: 1009-1056
    recipe: duel
    roto: { shapes: roto/mine.yaml }
    colour: { cdl: ~ }
    stages:
      print: { operator: grade, from: { picture: colour } }
  br040:
    takes: { clean: shed-a, left: shed-a, right: shed-b }
    frames: 1012-1015
    handles: 2
    recipe: joined-takes
    colour: { exposure: -1, from: { picture: take.right } }
  cr010: { plate: ride, frames: 1001-1024, handles: 0, recipe: plain-grade }
across:
  "br0*": { colour: { exposure: 0.2, saturation: 1.1 } }
  "br04?": { colour: { saturation: 0.9 } }
assembly: { from: colour }
"##;

const DUEL: &str = r##"
recipe: duel
stages:
  roto: { operator: roto, shapes: "roto/{shot}.yaml" }
  cleanup: { by_hand: { files: "hands/{shot}/cleanup.####.exr" }, pools: { licence: 1 }, keep: false }
  denoise:
    command: "python3 'tools/de noise.py' {picture} {out} {strength}"
    each: run
    reach: 2
    with: { strength: 0.5 }
    time_limit: 90
    retries: 2
    memory: 1.5GiB
    depends: ["tools/{shot}.py"]
  colour: { operator: grade, from: { picture: denoise }, cdl: grades/all.cdl, gain: { 1009: 1, 1020: 2, ease: smooth } }
"##;

#[test]
fn a_whole_film_is_read() {
    let film = sound(WHOLE, &[("pipelines/duel.yaml", DUEL)]);
    assert_eq!((film.name.as_str(), film.rate.to_string().as_str()), ("The Brine Lamp", "23.976"));
    assert_eq!((film.frame_size, film.working_space.value.as_str()), ((960, 540), "acescg"));
    assert_eq!(film.cut.as_ref().unwrap().value, "cut/lock-1.edl");
    assert_eq!(film.pools["licence"].value, 2);
    assert_eq!(film.shots.keys().collect::<Vec<_>>(), ["br030", "br040", "cr010"]);
    assert!(matches!(&film.plates["ride"].media,
        Media::Movie { path, first: 1001 } if path.value == "plates/ride.mp4"));

    let shot = &film.shots["br030"];
    assert_eq!(shot.rendered(&film.plates), FrameRange::new(1001, 1064));
    assert_eq!(shot.stages.keys().collect::<Vec<_>>(), ["roto", "cleanup", "denoise", "colour", "print"]);
    assert_eq!(shot.stages["roto"].settings.get("shapes").unwrap().text().unwrap(), "roto/mine.yaml");
    let Work::ByHand(hand) = &shot.stages["cleanup"].work else { panic!() };
    assert_eq!(hand.files.value.path(1009), "hands/br030/cleanup.1009.exr");
    assert_eq!(shot.stages["cleanup"].pools[0].1, 1);
    let Work::Command(command) = &shot.stages["denoise"].work else { panic!() };
    assert_eq!(command.words.value, ["python3", "tools/de noise.py", "{picture}", "{out}", "{strength}"]);
    assert_eq!((command.each, command.reach, command.retries), (Each::Run, 2, 2));
    assert_eq!((command.memory, command.time_limit), (Some(1_610_612_736), Some(90.0)));
    assert_eq!(command.depends[0].value, "tools/br030.py");
    assert!(!shot.stages["cleanup"].keep && shot.stages["denoise"].keep);
    assert!(film.assembly.is_some());
    assert_eq!(film.assembly_from.as_ref().unwrap().value, "colour");
}

#[test]
fn recipe_then_globs_then_shot() {
    let film = sound(WHOLE, &[("pipelines/duel.yaml", DUEL)]);
    let setting = |shot: &str, name: &str| {
        film.shots[shot].stages["colour"].settings.get(name).map(|v| v.number().unwrap())
    };
    assert_eq!((setting("br030", "exposure"), setting("br030", "saturation")), (Some(0.2), Some(1.1)));
    assert_eq!((setting("br040", "exposure"), setting("br040", "saturation")), (Some(-1.0), Some(0.9)));
    assert_eq!((setting("cr010", "exposure"), setting("cr010", "saturation")), (None, None));
    // Nothing written takes a recipe's setting away, and only that one.
    // What is taken away says nothing, and stays for the operator to know it by.
    let taken_away = film.shots["br030"].stages["colour"].settings.get("cdl");
    assert_eq!(taken_away.map(|value| &value.node), Some(&endboard::base::value::Node::Null));
    assert!(film.shots["br030"].stages["colour"].settings.get("gain").is_some());
    let From::One(from) = &film.shots["br040"].stages["colour"].from["picture"].value else { panic!() };
    assert_eq!((from.stage.as_str(), &from.channel), ("take.right", &None));
}

#[test]
fn another_way_of_making_a_stage_drops_the_old_ways_settings() {
    let changed = "recipe: duel, cleanup: { operator: paint-out, radius: 3 }, denoise: { operator: soften }";
    let main = film_with("pools: { licence: 1 }\nrecipes: [duel.yaml]", changed);
    let film = sound(&main, &[("duel.yaml", DUEL)]);
    let stages = &film.shots["br030"].stages;
    assert!(matches!(&stages["cleanup"].work, Work::Operator(name) if name.value == "paint-out"));
    assert_eq!(stages["cleanup"].pools.len(), 1);
    assert!(matches!(&stages["denoise"].work, Work::Operator(_)));
    assert!(stages["denoise"].settings.entries.is_empty());
    assert!(!stages["cleanup"].keep);
}

#[test]
fn shipped_recipes_are_sound() {
    for (name, _) in declare::SHIPPED {
        let shot = film(&format!("recipe: {name}"));
        let shot = match name {
            "joined-takes" => {
                shot.replace("plate: shed-a", "takes: { clean: shed-a, left: shed-a, right: shed-a }")
            }
            _ => shot,
        };
        assert!(!sound(&shot, &[]).shots["br030"].stages.is_empty(), "{name}");
    }
}

#[test]
fn a_recipe_of_the_project_hides_the_shipped_one() {
    let recipe = "recipe: plain-grade\nstages:\n  mine: { operator: grade }\n";
    let film = sound(&film_with("recipes: [p.yaml]", "recipe: plain-grade"), &[("p.yaml", recipe)]);
    assert_eq!(film.shots["br030"].stages.keys().collect::<Vec<_>>(), ["mine"]);
}

#[test]
fn first_lines() {
    check(
        "",
        &[
            "endboard.yaml:1:1 error: the film lacks 'film'",
            "endboard.yaml:1:1 error: the film lacks 'rate'",
            "endboard.yaml:1:1 error: the film lacks 'frame_size'",
            "endboard.yaml:1:1 error: the film lacks 'shots'",
        ],
    );
    check("- a\n", &["endboard.yaml:1:1 error: the film is a map of settings, not a list"]);
    check(
        "film: [a]\nrate: 24fps\nframe_size: 960*540\nworking_space: acesgc\ncut: ../x.edl\nhandles: many\npools: { a: 0, 'b c': 1, d: two }\nshot: {}\n",
        &[
            "endboard.yaml:1:1 error: the film lacks 'shots'",
            "endboard.yaml:1:7 error: film: text is wanted here, not a list",
            "endboard.yaml:2:7 error: rate: '24fps' is not a rate (a rate is frames a second, such as 24, 25, 23.976, 29.97 or 24000/1001, from 1 to 240)",
            "endboard.yaml:3:13 error: frame_size: a width and height in pixels is wanted here, not '960*540' (written WIDTHxHEIGHT, such as 960x540)",
            "endboard.yaml:4:16 error: 'acesgc' is not a working space (did you mean 'acescg'?)",
            "endboard.yaml:5:6 error: cut: '../x.edl' is not a path in the film's folder (paths stay inside the film's folder, without ..)",
            "endboard.yaml:6:10 error: handles: a whole number is wanted here, not 'many'",
            "endboard.yaml:7:13 error: pools: a pool cannot have 0 places (from 1 to 65535)",
            "endboard.yaml:7:16 error: 'b c' cannot be the name of a pool (a name is made of the letters a to z, digits, - and _, not ' ')",
            "endboard.yaml:7:29 error: pools: a whole number is wanted here, not 'two'",
            "endboard.yaml:8:1 error: the film has no setting 'shot' (did you mean 'shots'?)",
        ],
    );
    check(
        "film: X\nrate: 24\nframe_size: 0x70000\nhandles: -1\nshots: {}\nplates: 7\nacross: 7\nrecipes: a.yaml\n",
        &[
            "endboard.yaml:3:13 error: frame_size: frames of '0x70000' pixels cannot be made (each side is from 1 to 32768)",
            "endboard.yaml:4:10 error: handles: there cannot be -1 handles (frames rendered beyond each end of a shot, from 0 to 10000)",
            "endboard.yaml:5:8 error: the film has no shots",
            "endboard.yaml:6:9 error: plates: a map of plates by name is wanted here, not '7'",
            "endboard.yaml:7:9 error: across: a map of globs and settings is wanted here, not '7'",
            "endboard.yaml:8:10 error: recipes: a list is wanted here, not 'a.yaml'",
        ],
    );
}

#[test]
fn plates() {
    let check = |plates: &str, expected: &[&str]| {
        check(&film("recipe: plain-grade").replace("shots:", &format!("{plates}\nshots:")), expected);
    };
    check(
        "  a: { files: x.####.exr }",
        &[
            "endboard.yaml:6:3 error: plate a: the plate lacks 'frames' (say which files there are, such as frames: 1001-1072)",
        ],
    );
    check(
        "  a: { files: x.exr, frames: 1-9 }\n  b: { files: 'x.##.##', frames: 9-1 }\n  c: { files: 'x#/y', frames: 1 }",
        &[
            "endboard.yaml:6:15 error: plate a: 'x.exr' is no pattern of files, one a frame (one run of # is wanted, where the frame number stands, as in plates/NAME.####.exr)",
            "endboard.yaml:7:15 error: plate b: 'x.##.##' is no pattern of files, one a frame (only one run of # may stand in a path, as in plates/NAME.####.exr)",
            "endboard.yaml:7:34 error: plate b: '9-1' is not a range of frames (the last frame comes before the first)",
            "endboard.yaml:8:15 error: plate c: 'x#/y' is no pattern of files, one a frame (the frame number stands in the file's name, not in a folder's, as in plates/NAME.####.exr)",
        ],
    );
    check(
        "  a: { movie: x.mp4, files: 'x.#', first: 3 }\n  b: {}\n  c: ~\n  d: { movie: 'x.#', first: x }",
        &[
            "endboard.yaml:6:15 error: plate a: the plate says both 'files' and 'movie' (keep one of them)",
            "endboard.yaml:7:3 error: plate b: the plate does not say where its frames come from (give it files: PATH.####.exr, or movie: PATH)",
            "endboard.yaml:8:6 error: plate c: the plate is a map of settings, not nothing",
            "endboard.yaml:9:29 error: plate d: a whole number is wanted here, not 'x'",
        ],
    );
    check(
        "  a: { movie: x.mp4, first: 9, frames: 1-20 }\n  b: { files: 'x.#', frames: 1-5, first: 4, encodnig: srgb, encoding: [a] }",
        &[
            "endboard.yaml:6:40 error: plate a: frames 1-20 begin before the movie's first frame, 9 ('first' gives the number of the movie's first frame (1 when not said))",
            "endboard.yaml:7:42 error: plate b: 'first' is the number of a movie's first frame (files carry their numbers; say which with 'frames')",
            "endboard.yaml:7:45 error: plate b: the plate has no setting 'encodnig' (did you mean 'encoding'?)",
            "endboard.yaml:7:71 error: plate b: the name of an encoding is wanted here, not a list",
        ],
    );
    check(
        "  a: { files: '/x.#', frames: 1-5 }\n  b: { files: 'a/../x.#', frames: 0-1000000 }\n  c: { movie: 'C:\\x' }\n  Shed-A: { movie: x }\n  nul: { movie: x }",
        &[
            "endboard.yaml:6:15 error: plate a: '/x.#' is not a path in the film's folder (paths are relative to the film's folder; a link in it may lead elsewhere)",
            "endboard.yaml:7:15 error: plate b: 'a/../x.#' is not a path in the film's folder (paths stay inside the film's folder, without ..)",
            "endboard.yaml:7:35 error: plate b: 1000001 frames are too many for one plate (at most 1000000)",
            r#"endboard.yaml:8:15 error: plate c: 'C:\x' is not a path in the film's folder (folders are parted by / on every system)"#,
            "endboard.yaml:9:3 error: plate 'Shed-A' and plate 'shed-a' differ only in capitals (they would be one folder on many disks; rename one)",
            "endboard.yaml:10:3 error: 'nul' cannot be the name of a plate ('NUL' is a reserved device name, which on some systems cannot be a folder)",
        ],
    );
}

#[test]
fn shots() {
    check(
        &film("recipe: plain-grad"),
        &[
            "endboard.yaml:7:54 error: shot br030: there is no recipe 'plain-grad' (did you mean 'plain-grade'?)",
        ],
    );
    check(
        &film("recipe: plain-grade, colur: {}, colour: 3, handels: 2"),
        &[
            "endboard.yaml:7:67 error: shot br030: the shot has no stage or setting 'colur' (did you mean 'colour'?)",
            "endboard.yaml:7:86 error: shot br030, stage colour: a map of settings is wanted here, not '3'",
            "endboard.yaml:7:89 error: shot br030: the shot has no stage or setting 'handels' (did you mean 'handles'?)",
        ],
    );
    check(
        &film("recipe: blade-duel").replace("plate: shed-a", "plate: shed-aa"),
        &["endboard.yaml:7:19 error: shot br030: there is no plate 'shed-aa' (did you mean 'shed-a'?)"],
    );
    check(
        &film("").replace("plate: shed-a, frames: 1009-1056, ", ""),
        &[
            "endboard.yaml:7:3 error: shot br030: the shot names no plate (give it plate: NAME, or takes: { left: NAME, right: NAME })",
            "endboard.yaml:7:3 error: shot br030: the shot has no stages (name a recipe, such as recipe: plain-grade, or give it stages)",
            "endboard.yaml:7:10 error: shot br030: the shot lacks 'frames'",
        ],
    );
    check(
        &film("takes: { left: shed-a }, recipe: plain-grade"),
        &[
            "endboard.yaml:7:53 error: shot br030: the shot says both 'plate' and 'takes' (a shot made of one plate says 'plate', of several 'takes')",
        ],
    );
    check(
        &film("recipe: plain-grade").replace("plate: shed-a", "takes: { 'a.b': shed-a, c: shed }"),
        &[
            "endboard.yaml:7:21 error: shot br030: 'a.b' cannot be the name of a take (a name is made of the letters a to z, digits, - and _, not '.')",
            "endboard.yaml:7:39 error: shot br030: there is no plate 'shed' (declare it under 'plates')",
        ],
    );
    check(
        &film("recipe: joined-takes")
            .replace("plate: shed-a", "takes: { clean: shed-a, left: shed-a, rihgt: shed-a }"),
        &[
            "endboard.yaml:7:3 error: shot br030 has no 'take.right', which its stage join takes (did you mean 'take.rihgt'?)",
        ],
    );
    check(
        &film("stages: { one: { command: 'x {out}' } }").replace("plate: shed-a", "takes: { a: shed-a }"),
        &[
            "endboard.yaml:7:3 error: shot br030 has takes, so its first stage one must say which it begins with (write from: { picture: take.a } in the stage)",
        ],
    );
    check(
        &film("recipe: plain-grade, stages: { colour: { operator: grade }, plate: { operator: x } }"),
        &[
            "endboard.yaml:7:77 error: shot br030: its recipe already has a stage 'colour' (to change that one write colour: { … } outside of 'stages', else give the new one another name)",
            "endboard.yaml:7:106 error: shot br030: a stage cannot be called 'plate' (the word means something else in a shot; give the stage another name)",
        ],
    );
    check(
        &film("recipe: plain-grade").replace("br030", "br/030"),
        &[
            "endboard.yaml:7:3 error: 'br/030' cannot be the name of a shot (a name is made of the letters a to z, digits, - _ and ., not '/')",
        ],
    );
    let two = "recipe: plain-grade }\n  BR030: { plate: shed-a, frames: 1009, recipe: plain-grade";
    check(
        &film(two),
        &[
            "endboard.yaml:8:3 error: shot 'BR030' and shot 'br030' differ only in capitals (they would be one folder on many disks; rename one)",
        ],
    );
}

#[test]
fn frames_of_shots() {
    let check = |frames: &str, expected: &[&str]| {
        check(&film("recipe: plain-grade").replace("1009-1056", frames), expected);
    };
    check("1001-1072", &[]);
    check(
        "990-1080",
        &[
            "endboard.yaml:7:35 error: shot br030: plate shed-a has no frames 990-1000 and 1073-1080 (it has 1001-1072)",
        ],
    );
    check(
        "1072-1073",
        &["endboard.yaml:7:35 error: shot br030: plate shed-a has no frames 1073 (it has 1001-1072)"],
    );
    check(
        "1056-1009",
        &[
            "endboard.yaml:7:35 error: shot br030: '1056-1009' is not a range of frames (the last frame comes before the first)",
        ],
    );
    check(
        "0-2000000",
        &["endboard.yaml:7:35 error: shot br030: 2000001 frames are too many (at most 1000000 in one shot)"],
    );
    check("[1, 2]", &["endboard.yaml:7:35 error: shot br030: a range of frames is wanted here, not a list"]);
    check(
        "1003-1070, handles: 4",
        &[
            "endboard.yaml:7:35 warning: shot br030: its 4 handles reach beyond plate shed-a (cut down to 2 before and 2 after)",
        ],
    );
    check(
        "1009-1056, handles: 100000",
        &[
            "endboard.yaml:7:55 error: shot br030: there cannot be 100000 handles (frames rendered beyond each end of a shot, from 0 to 10000)",
        ],
    );
}

#[test]
fn handles_are_cut_down_to_the_plate() {
    let main = film("recipe: plain-grade, handles: 10");
    let (film, problems, _) = read(&main, &[]);
    let film = film.unwrap();
    assert_eq!(problems.len(), 1);
    assert_eq!(film.shots["br030"].rendered(&film.plates), FrameRange::new(1001, 1066));
}

/// A clean plate may be one frame; the others still have to reach as far as the shot, and it limits no handles.
#[test]
fn a_take_of_one_frame_is_a_still() {
    let with = |takes: &str| {
        format!(
            "film: The Brine Lamp
rate: 24
frame_size: 960x540
plates:
  a: {{ files: plates/a.####.exr, frames: 1001-1072, encoding: linear-rec709 }}
  b: {{ files: plates/b.####.exr, frames: 1009-1010, encoding: linear-rec709 }}
  c: {{ files: plates/c.####.exr, frames: 7, encoding: linear-rec709 }}
shots:
  br030:
    takes: {takes}
    frames: 1009-1056
    stages:
      away:
        operator: paint-out
        fill: clean
        from: {{ picture: take.main, matte: take.main, clean: take.clean }}
"
        )
    };
    let film = sound(&with("{ main: a, clean: c }"), &[]);
    assert_eq!(film.shots["br030"].rendered(&film.plates), FrameRange::new(1009, 1056));
    let (_, problems, _) = read(&with("{ main: a, clean: b }"), &[]);
    assert_eq!(problems.len(), 1);
}

#[test]
fn the_film_has_an_end() {
    let mut main = String::from(
        "film: X\nrate: 24\nframe_size: 8x8\nplates:\n  p: { movie: p.mp4, first: 1 }\nshots:\n",
    );
    for i in 0..21 {
        main.push_str(&format!("  s{i}: {{ plate: p, frames: 1-1000000, recipe: plain-grade }}\n"));
    }
    check(
        &main,
        &[
            "endboard.yaml:7:3 error: all shots together have 21000000 frames, handles included (at most 20000000)",
        ],
    );
}

#[test]
fn stages() {
    let check = |stages: &str, expected: &[&str]| check(&film(&format!("stages: {{ {stages} }}")), expected);
    check(
        "a: {}, b: 7, c: { operator: x, command: 'y {out}' }, d: { operator: [x] }",
        &[
            "endboard.yaml:7:56 error: shot br030, stage a: the stage does not say how it is made (give it one of: operator, command, by_hand)",
            "endboard.yaml:7:66 error: shot br030, stage b: a map of settings is wanted here, not '7'",
            "endboard.yaml:7:96 error: shot br030, stage c: the stage says both 'operator' and 'command' (exactly one of: operator, command, by_hand)",
            "endboard.yaml:7:124 error: shot br030, stage d: text is wanted here, not a list",
        ],
    );
    check(
        "a: { operator: x, keep: no, pools: { gpu: 1 }, from: plate }",
        &[
            "endboard.yaml:7:80 error: shot br030, stage a: true or false is wanted here, not 'no'",
            "endboard.yaml:7:93 error: shot br030, stage a: there is no pool 'gpu' (declare it in the film: pools: { gpu: 1 })",
            "endboard.yaml:7:109 error: shot br030, stage a: 'from' is a map of ports, not a single value (write from: { picture: STAGE })",
        ],
    );
    check(
        "a: { by_hand: { files: 'h/{who}.#' } }, b: { by_hand: { fiels: 'h.#' }, echa: 1 }",
        &[
            "endboard.yaml:7:79 error: shot br030, stage a: only {shot} may stand in braces in the files of a hand stage (the stage's name is known where it is written)",
            "endboard.yaml:7:110 error: shot br030, stage b: by_hand lacks 'files'",
            "endboard.yaml:7:112 error: shot br030, stage b: by_hand has no setting 'fiels' (did you mean 'files'?)",
            "endboard.yaml:7:128 error: shot br030, stage b: the stage has no setting 'echa' (known here: from, keep, pools, operator, command, by_hand)",
        ],
    );
    check(
        "a: { by_hand: { files: 'plates/A.###.exr' } }",
        &[
            "endboard.yaml:7:79 error: shot br030, stage a: its files are those of plate shed-a as well (put what is made by hand elsewhere, such as hands/{shot}/NAME.####.exr)",
        ],
    );
    check(
        "a: { by_hand: { files: 'renders/a.#' } }",
        &[
            "endboard.yaml:7:79 error: shot br030, stage a: files made by hand cannot be put into renders/, which the tool itself writes (for example hands/{shot}/NAME.####.exr)",
        ],
    );
    check(
        "a: { by_hand: { files: 'h/a.#', delivers: [x, x, R, 'b.c'] } }, b: { by_hand: { files: 'h/a.##', delivers: all } }",
        &[
            "endboard.yaml:7:102 error: shot br030, stage a: matte 'x' is named twice",
            "endboard.yaml:7:105 error: shot br030, stage a: 'R' is a picture's channel and cannot be the name of a matte",
            "endboard.yaml:7:108 error: shot br030, stage a: 'b.c' cannot be the name of a matte (a name is made of the letters a to z, digits, - and _, not '.')",
            "endboard.yaml:7:163 error: shot br030, stage b: 'picture' or a list of mattes' names is wanted here, not 'all'",
        ],
    );
    // One matte is grey, whatever the file; several are told apart by the names of an EXR file's channels.
    check(
        "a: { by_hand: { files: 'h/a.#.png', delivers: [x] } }, b: { by_hand: { files: 'h/b.#.EXR', delivers: [x, y] } }, \
         c: { by_hand: { files: 'h/c.#.png', delivers: [x, y] } }",
        &[
            "endboard.yaml:7:192 error: shot br030, stage c: 2 mattes are to be in one file, and only OpenEXR names the channels that tell them apart: they could never come in (let the files end in .exr, or make a stage of each matte)",
        ],
    );
    check(
        "'a.b': { operator: x }, -c: { operator: x }, D: { operator: x }, d: { operator: x }",
        &[
            "endboard.yaml:7:56 error: shot br030: 'a.b' cannot be the name of a stage (a name is made of the letters a to z, digits, - and _, not '.')",
            "endboard.yaml:7:80 error: shot br030: '-c' cannot be the name of a stage (a name starts with a letter, digit or _ and does not end with a dot)",
            "endboard.yaml:7:121 error: shot br030: stage 'd' and stage 'D' differ only in capitals (they would be one folder on many disks; rename one)",
        ],
    );
}

#[test]
fn hand_stages_of_two_shots_need_their_own_files() {
    let recipe = "recipe: r\nstages:\n  fix: { by_hand: { files: hands/fix.####.exr } }\n";
    let two = "recipe: r }\n  br040: { plate: shed-a, frames: 1009, recipe: r }\n  br050: { plate: shed-a, frames: 1, recipe: r";
    check_with(
        &film_with("recipes: [r.yaml]", two).replace("frames: 1,", "frames: 1020,"),
        &[("r.yaml", recipe)],
        &[
            "r.yaml:3:28 error: shot br040, stage fix: its files are those of shot br030, stage fix as well (put {shot} into the path, so that each shot has its own)",
        ],
    );
}

#[test]
fn commands() {
    let check = |command: &str, expected: &[&str]| {
        check(&film(&format!("stages: {{ a: {{ {command} }} }}")), expected)
    };
    check(
        "command: 'x {picture} {out} {shot} {frame} {first} {last} {film} {width} {height} {stage} {{a}}'",
        &[],
    );
    check(
        "command: 'x {pictrue} {oot} {zzzzzzzz}'",
        &[
            "endboard.yaml:7:70 error: shot br030, stage a: the command names {pictrue}, which is unknown (did you mean {picture}?)",
            "endboard.yaml:7:70 error: shot br030, stage a: the command names {oot}, which is unknown (did you mean {out}?)",
            "endboard.yaml:7:70 error: shot br030, stage a: the command names {zzzzzzzz}, which is unknown (known here: {out} {shot} {stage} {frame} {first} {last} {film} {width} {height} {picture}; more values go under 'with')",
            "endboard.yaml:7:70 error: shot br030, stage a: the command never names {out}, the place it must write to (put {out} where the program takes its output)",
        ],
    );
    check(
        "command: 'x {picture} {out}', from: { plate: plate }",
        &[
            "endboard.yaml:7:70 error: shot br030, stage a: the command names {picture}, which is unknown (known here: {out} {shot} {stage} {frame} {first} {last} {film} {width} {height} {plate}; more values go under 'with')",
        ],
    );
    check(
        "command: 'x {many.a} {many} {out}', from: { many: { a: plate, b: plate.A } }",
        &[
            "endboard.yaml:7:70 error: shot br030, stage a: the command names {many}, which is unknown (known here: {out} {shot} {stage} {frame} {first} {last} {film} {width} {height} {many.a} {many.b}; more values go under 'with')",
        ],
    );
    check(
        "command: \"x 'y {out}\"",
        &[
            r#"endboard.yaml:7:70 error: shot br030, stage a: 'command' has a quote that is not closed (words are split as a shell does; write \' or \" for a quote that is meant as such)"#,
        ],
    );
    check(
        "command: ''",
        &[
            "endboard.yaml:7:70 error: shot br030, stage a: 'command' is empty (name a program and its arguments)",
        ],
    );
    check(
        "command: 'x {out} {', version_from: '\"'",
        &[
            "endboard.yaml:7:70 error: shot br030, stage a: in the command's word '{', a { is not closed; write {{ for a brace that is meant as such",
            r#"endboard.yaml:7:97 error: shot br030, stage a: 'version_from' has a quote that is not closed (words are split as a shell does; write \' or \" for a quote that is meant as such)"#,
        ],
    );
    check(
        "command: 'x {out}', each: shot, keep: false",
        &[
            "endboard.yaml:7:99 error: shot br030, stage a: renders of a call that makes several frames must be kept (leave out 'keep', or write each: frame)",
        ],
    );
    check(
        "command: 'x {out} {frame}', each: run",
        &[
            "endboard.yaml:7:70 error: shot br030, stage a: {frame} has no one value, for a call makes several frames (write {first} and {last}, or each: frame)",
        ],
    );
    check(
        "command: 'x {out}', each: frames, reach: -1, retries: 1000, memory: 2, time_limit: 5m, delivers: picturs, depends: [../x], tiem_limit: 3",
        &[
            "endboard.yaml:7:87 error: shot br030, stage a: frame, run or shot is wanted here, not 'frames' (frame: one call a frame; run: one call for neighbouring stale frames; shot: one call for all)",
            "endboard.yaml:7:102 error: shot br030, stage a: 'reach', in frames, cannot be -1 (from 0 to 10000)",
            "endboard.yaml:7:115 error: shot br030, stage a: 'retries' cannot be 1000 (from 0 to 100)",
            "endboard.yaml:7:129 error: shot br030, stage a: an amount of memory is wanted here, not '2' (write it with its unit, such as 800MB, 2GB or 1.5GiB)",
            "endboard.yaml:7:144 error: shot br030, stage a: a number of seconds is wanted here, not '5m' (write 300 for five minutes)",
            "endboard.yaml:7:158 error: shot br030, stage a: 'picture' or a list of mattes' names is wanted here, not 'picturs'",
            "endboard.yaml:7:177 error: shot br030, stage a: '../x' is not a path in the film's folder (paths stay inside the film's folder, without ..)",
            "endboard.yaml:7:184 error: shot br030, stage a: the stage has no setting 'tiem_limit' (did you mean 'time_limit'?)",
        ],
    );
    check(
        "command: 'x {out}', memory: 2gigs, time_limit: 0, reach: 1.5, delivers: [], depends: x, with: [a]",
        &[
            "endboard.yaml:7:89 error: shot br030, stage a: an amount of memory is wanted here, not '2gigs' (write it with its unit, such as 800MB, 2GB or 1.5GiB)",
            "endboard.yaml:7:108 error: shot br030, stage a: 'time_limit' cannot be 0 seconds (more than 0 and at most 2592000)",
            "endboard.yaml:7:118 error: shot br030, stage a: a whole number is wanted here, not '1.5'",
            "endboard.yaml:7:133 error: shot br030, stage a: 'delivers' names no matte (write picture, or [crew, props])",
            "endboard.yaml:7:146 error: shot br030, stage a: a list is wanted here, not 'x'",
            "endboard.yaml:7:155 error: shot br030, stage a: a map of names and values is wanted here, not a list",
        ],
    );
    check(
        "command: 'x {out} {b}', with: { out: 1, picture: 2, 'b c': 3, b: { 1009: x }, c: [1] }, from: { picture: plate }",
        &[
            "endboard.yaml:7:93 error: shot br030, stage a: {out} already stands for something else (give the value another name)",
            "endboard.yaml:7:101 error: shot br030, stage a: {picture} already stands for something else (give the value another name)",
            "endboard.yaml:7:113 error: shot br030, stage a: 'b c' cannot be the name of a value (a name is made of the letters a to z, digits, - and _, not ' ')",
            "endboard.yaml:7:134 error: shot br030, stage a: a number is wanted here, not 'x'",
            "endboard.yaml:7:142 error: shot br030, stage a: one value, or numbers keyed in time, is wanted here, not a list",
        ],
    );
    check(
        "command: 'x {out} {s}', with: { s: { 1009: 1 } }, each: shot, from: { picture: plate, shot: plate }",
        &[
            "endboard.yaml:7:96 error: shot br030, stage a: {s} has no one value, for a call makes several frames (write one value, or each: frame)",
            "endboard.yaml:7:153 error: shot br030, stage a: an input cannot be called 'shot', for {shot} stands for something else (give the input another name)",
        ],
    );
    check(
        "command: 'x {out} {s}', memory: 800MB, time_limit: 0.5, with: { s: { 1009: 1, 1020: 2 } }, version_from: 'x -V'",
        &[],
    );
}

#[test]
fn references() {
    let check = |stages: &str, expected: &[&str]| check(&film(&format!("stages: {{ {stages} }}")), expected);
    check(
        "roto: { operator: x }, b: { operator: y, from: { picture: rotoo, m: roto.a.b, n: take.left, o: [x], 'p q': roto } }",
        &[
            "endboard.yaml:7:3 error: shot br030 has no 'take.left', which its stage b takes (it has: plate)",
            "endboard.yaml:7:114 error: shot br030: stage b takes 'rotoo', but no stage is called that (did you mean 'roto'?)",
            "endboard.yaml:7:124 error: shot br030, stage b: 'roto.a.b' is no reference (write STAGE, STAGE.CHANNEL, plate or take.NAME; a channel may follow each)",
            "endboard.yaml:7:151 error: shot br030, stage b: a stage, 'plate' or 'take.NAME' is wanted here, not a list",
            "endboard.yaml:7:156 error: shot br030, stage b: 'p q' cannot be the name of an input (a name is made of the letters a to z, digits, - and _, not ' ')",
        ],
    );
    check(
        "a: { operator: x, from: { picture: a } }",
        &[
            "endboard.yaml:7:91 error: shot br030: stage a takes itself (a stage takes stages that come before it)",
        ],
    );
    check(
        "a: { operator: x, from: { picture: b } }, b: { operator: x, from: { picture: c } }, c: { operator: x, from: { picture: a } }",
        &[
            "endboard.yaml:7:91 error: shot br030: stages wait for each other: a -> b -> c -> a (read 'a -> b' as 'a takes b'; one of them must take something else)",
        ],
    );
    check(
        "a: { operator: x, from: { picture: b } }, b: { command: 'x {out}' }, c: { operator: x, from: { picture: d } }, d: { operator: x, from: { many: { e: c, f: plate } } }",
        &[
            "endboard.yaml:7:91 error: shot br030: stages wait for each other: a -> b -> a (read 'a -> b' as 'a takes b'; one of them must take something else)",
            "endboard.yaml:7:160 error: shot br030: stages wait for each other: c -> d -> c (read 'a -> b' as 'a takes b'; one of them must take something else)",
        ],
    );
    check(
        "a: { operator: x, from: { picture: ~ } }, b: { operator: x, from: { picture: a.R, matte: plate.A } }",
        &[],
    );
    // An operator may have no input at all, so that one that says none is in no loop.
    check("a: { operator: x, from: { picture: b } }, b: { operator: roto }", &[]);
}

#[test]
fn across_shots() {
    let check = |across: &str, expected: &[&str]| {
        check(&film_with(&format!("across: {{ {across} }}"), "recipe: plain-grade"), expected);
    };
    check("'br*': { colour: { exposure: 1 } }, br030: { colour: ~ }", &[]);
    check(
        "'cr*': { colour: { exposure: 1 } }, br031: { nothing: {} }, 'b/r': {}, 'b*': 3",
        &[
            "endboard.yaml:6:11 warning: across: 'cr*' fits no shot",
            "endboard.yaml:6:47 warning: across: 'br031' fits no shot (did you mean 'br030'?)",
            "endboard.yaml:6:71 error: across: 'b/r' cannot fit the name of any shot ('b/r' holds '/', which no shot or stage has in its name; only * and ? stand for others)",
            "endboard.yaml:6:88 error: across 'b*': a map of stages and settings is wanted here, not '3'",
        ],
    );
    check(
        "'br*': { colur: { exposure: 1 }, colour: 2, from: {} }",
        &[
            "endboard.yaml:6:20 error: across: no shot that 'br*' fits has a stage 'colur' (did you mean 'colour'?)",
            "endboard.yaml:6:52 error: across 'br*', stage colour: a map of settings is wanted here, not '2'",
            "endboard.yaml:6:55 error: across: no shot that 'br*' fits has a stage 'from' (their stages: colour)",
        ],
    );
    // A mistake in a glob's settings is one mistake, whatever the number of shots.
    check(
        "'br*': { colour: { keep: maybe } }",
        &["endboard.yaml:6:36 error: shot br030, stage colour: true or false is wanted here, not 'maybe'"],
    );
}

#[test]
fn recipes() {
    let main =
        film_with("recipes: [a.yaml, b.yaml, c.yaml, b.yaml, /d.yaml, e.yaml, f.yaml]", "recipe: duel");
    let files = [
        (
            "a.yaml",
            "recipe: duel\nstages:\n  roto: { operator: roto, keep: 3 }\n  colour: { operator: grade, from: { picture: rotoo, left: take.left } }\n",
        ),
        ("b.yaml", "recipe: duel\nstages: {}\n"),
        ("c.yaml", "recipe: ../x\nstage: {}\n"),
        ("e.yaml", "recipe: [\n"),
        (
            "f.yaml",
            "recipe: loop\nstages:\n  a: { operator: x, from: { picture: b } }\n  b: { operator: x, from: { picture: a } }\n  a: 3\n",
        ),
    ];
    check_with(
        &main,
        &files,
        &[
            "endboard.yaml:6:35 error: recipe file b.yaml is named twice",
            "endboard.yaml:6:43 error: recipes: '/d.yaml' is not a path in the film's folder (paths are relative to the film's folder; a link in it may lead elsewhere)",
            "endboard.yaml:8:3 error: shot br030 has no 'take.left', which its stage colour takes (it has: plate)",
            "a.yaml:3:33 error: recipe duel, stage roto: true or false is wanted here, not '3'",
            "a.yaml:4:47 error: recipe duel: stage colour takes 'rotoo', but no stage is called that (did you mean 'roto'?)",
            "b.yaml:1:9 error: there are two recipes 'duel' (give one another name)",
            "b.yaml:2:9 error: recipe duel: 'stages' names no stage",
            "c.yaml:1:1 error: a recipe file lacks 'stages'",
            "c.yaml:1:9 error: '../x' cannot be the name of a recipe (a name is made of the letters a to z, digits, - _ and ., not '/')",
            "c.yaml:2:1 error: a recipe file has no setting 'stage' (did you mean 'stages'?)",
            "e.yaml:1:9 error: this is not YAML that can be read: unclosed bracket '['",
            "f.yaml:3:38 error: recipe loop: stages wait for each other: a -> b -> a (read 'a -> b' as 'a takes b'; one of them must take something else)",
            "f.yaml:5:3 error: 'a' stands twice in this map (keep one of them)",
        ],
    );
}

#[test]
fn assembly() {
    let check = |assembly: &str, expected: &[&str]| {
        let two = "recipe: plain-grade }\n  br040: { plate: shed-a, frames: 1009, recipe: speed-ramp";
        check(&film_with(&format!("pools: {{ big: 1 }}\nassembly: {assembly}"), two), expected);
    };
    check("{}", &[]);
    check("{ from: colour, pools: { big: 1 } }", &[]);
    check(
        "{ from: colur, pools: { big: 2 } }",
        &[
            "endboard.yaml:7:19 error: assembly: no shot has a stage 'colur' (did you mean 'colour'?)",
            "endboard.yaml:7:40 error: assembly: 2 places cannot be taken in pool 'big' (from 1 to the 1 that it has)",
        ],
    );
    check(
        "{ from: ramp }",
        &[
            "endboard.yaml:7:19 error: assembly: these shots have no stage 'ramp': br030 (leave 'from' out to take each shot's last stage)",
        ],
    );
    check("colour", &["endboard.yaml:7:11 error: the assembly is a map of settings, not a single value"]);
}

/// Everything at once: what is wrong in one place hides nothing elsewhere.
#[test]
fn every_problem_in_one_run() {
    let main = r##"film: The Brine Lamp
rate: 24
rate: 25
frame_size: 960
recipes: [r.yaml, gone.yaml]
pools: { licence: 1 }
plates:
  shed-a: { files: plates/a.####.exr, frames: 1001-1072 }
  shed-b: { files: plates/b.exr, frames: 1001-1072 }
shots:
  br030:
    plate: shed-c
    frames: 1009-2000
    recipe: r
    rotto: { shapes: x }
  br040: { plate: shed-a, frames: 1000-1010, recipe: r, handles: 3, fix: { pools: { licence: 3 } } }
  br050: { plate: shed-b, recipe: q }
  "br 60": { plate: shed-a, frames: 1001, recipe: r }
across:
  "x*": { roto: {} }
  "br*": { rotor: {} }
assembly: { from: colour }
"##;
    let recipe = "recipe: r\nstages:\n  roto: { operator: roto, form: { a: b } }\n  fix: { command: 'fix {picture}', each: frame }\n";
    check_with(
        main,
        &[("r.yaml", recipe)],
        &[
            "endboard.yaml:3:1 error: 'rate' stands twice in this map (keep one of them)",
            "endboard.yaml:4:13 error: frame_size: a width and height in pixels is wanted here, not '960' (written WIDTHxHEIGHT, such as 960x540)",
            "endboard.yaml:5:19 error: recipe file gone.yaml cannot be read: no such file",
            "endboard.yaml:9:20 error: plate shed-b: 'plates/b.exr' is no pattern of files, one a frame (one run of # is wanted, where the frame number stands, as in plates/NAME.####.exr)",
            "endboard.yaml:12:12 error: shot br030: there is no plate 'shed-c' (did you mean 'shed-a'?)",
            "endboard.yaml:15:5 error: shot br030: the shot has no stage or setting 'rotto' (did you mean 'roto'?)",
            "endboard.yaml:16:35 error: shot br040: plate shed-a has no frames 1000 (it has 1001-1072)",
            "endboard.yaml:16:94 error: shot br040, stage fix: 3 places cannot be taken in pool 'licence' (from 1 to the 1 that it has)",
            "endboard.yaml:17:10 error: shot br050: the shot lacks 'frames'",
            "endboard.yaml:17:35 error: shot br050: there is no recipe 'q' (did you mean 'r'?)",
            "endboard.yaml:18:3 error: 'br 60' cannot be the name of a shot (a name is made of the letters a to z, digits, - _ and ., not ' ')",
            "endboard.yaml:20:3 warning: across: 'x*' fits no shot",
            "endboard.yaml:22:19 error: assembly: no shot has a stage 'colour' (stages of the shots: fix, roto)",
            "r.yaml:4:19 error: recipe r, stage fix: the command never names {out}, the place it must write to (put {out} where the program takes its output)",
        ],
    );
}

#[test]
fn hostile_texts_end_in_an_error() {
    let bombs = [
        "[".repeat(200_000),
        "{a: ".repeat(100_000),
        format!("film: {}\n", "x".repeat(1 << 20)),
        format!("film: X\n{}", "- ".repeat(50_000)),
        "film: \"a\u{0}b\"\nshots: {\u{0}: 1}\n".to_string(),
        format!("a: &a [x,x,x,x,x,x,x,x,x,x]\n{}", {
            let names = "abcdefghij".as_bytes();
            let level = |pair: &[u8]| {
                let (old, new) = (pair[0] as char, pair[1] as char);
                format!("{new}: &{new} [{}]\n", vec![format!("*{old}"); 10].join(","))
            };
            names.windows(2).map(level).collect::<String>()
        }),
        format!("film: X\nrate: 24\nframe_size: 8x8\nshots:\n{}", "  s: {}\n".repeat(20_000)),
        format!("shots:\n{}", (0..60_000).map(|i| format!("  s{i}: {{a: 1}}\n")).collect::<String>()),
        "x".repeat(17 << 20),
        // Many names against many names: each must be looked up, not searched for.
        film(&format!(
            "stages: {{ a: {{ command: '{}', with: {{ {} }} }} }}",
            (0..50_000).map(|i| format!("{{v{i}}} ")).collect::<String>(),
            (0..50_000).map(|i| format!("v{i}: 1, ")).collect::<String>()
        )),
        (0..200_000).map(|i| format!("some-key-{i}: 1\n")).collect(),
    ];
    for text in bombs {
        let (_, problems, _) = read(&text, &[]);
        assert!(!problems.is_empty());
        assert!(problems.len() <= 10_001);
    }
}

/// A long recipe in many shots must not be copied until memory is full.
#[test]
fn settings_have_a_limit_over_all_shots() {
    let recipe = format!("recipe: r\nstages:\n  a: {{ operator: x, text: {} }}\n", "y".repeat(1 << 20));
    let mut main = film_with("recipes: [r.yaml]", "recipe: r");
    for i in 0..400 {
        main.push_str(&format!("  s{i}: {{ plate: shed-a, frames: 1001, recipe: r }}\n"));
    }
    check_with(
        &main,
        &[("r.yaml", &recipe)],
        &[
            "endboard.yaml:263:3 error: all shots' settings together come to more than 256 MiB (put what is long into a file and name the file)",
        ],
    );
}

proptest::proptest! {
    #![proptest_config(proptest::prelude::ProptestConfig::with_cases(400))]

    /// A sound declaration with a piece cut out, doubled or replaced never makes the reader panic.
    #[test]
    fn damaged_declarations_never_panic(at in 0usize..1600, len in 0usize..40, with in "[\\PC\n]{0,6}", twice: bool) {
        let floor = |mut at: usize| {
            at = at.min(WHOLE.len());
            while !WHOLE.is_char_boundary(at) {
                at -= 1;
            }
            at
        };
        let (start, end) = (floor(at), floor(at + len));
        let tail = if twice { &WHOLE[start..] } else { &WHOLE[end..] };
        let main = format!("{}{with}{tail}", &WHOLE[..if twice { end } else { start }]);
        let (_, problems, sources) = read(&main, &[("pipelines/duel.yaml", DUEL)]);
        // Every place can be shown.
        proptest::prop_assert_eq!(lines(&problems, &sources).len(), problems.len());
    }

    /// The same of a recipe.
    #[test]
    fn damaged_recipes_never_panic(at in 0usize..700, with in "[\\PC\n]{0,12}") {
        let mut start = at.min(DUEL.len());
        while !DUEL.is_char_boundary(start) {
            start -= 1;
        }
        let recipe = format!("{}{with}{}", &DUEL[..start], &DUEL[start..]);
        let (_, problems, sources) = read(WHOLE, &[("pipelines/duel.yaml", &recipe)]);
        proptest::prop_assert_eq!(lines(&problems, &sources).len(), problems.len());
    }
}
