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
    takes: { left: shed-a, right: shed-b }
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
  cleanup: { by_hand: { files: "hands/{shot}/cleanup.####.exr" }, pools: { licence: 1 } }
  denoise:
    command: "python3 'tools/de noise.py' {picture} {out} {strength}"
    each: run
    reach: 2
    with: { strength: 0.5 }
    time_limit: 90
    retries: 2
    memory: 1.5GiB
    keep: false
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
    assert!(!shot.stages["denoise"].keep);
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
    assert!(film.shots["br030"].stages["colour"].settings.get("cdl").is_none());
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
    assert!(!stages["denoise"].keep);
}

#[test]
fn shipped_recipes_are_sound() {
    for (name, _) in declare::SHIPPED {
        let shot = film(&format!("recipe: {name}"));
        let shot = match name {
            "joined-takes" => shot.replace("plate: shed-a", "takes: { left: shed-a, right: shed-a }"),
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
    check("", &[]);
    check("- a\n", &[]);
    check(
        "film: [a]\nrate: 24fps\nframe_size: 960*540\nworking_space: acesgc\ncut: ../x.edl\nhandles: many\npools: { a: 0, 'b c': 1, d: two }\nshot: {}\n",
        &[],
    );
    check(
        "film: X\nrate: 24\nframe_size: 0x70000\nhandles: -1\nshots: {}\nplates: 7\nacross: 7\nrecipes: a.yaml\n",
        &[],
    );
}

#[test]
fn plates() {
    let check = |plates: &str, expected: &[&str]| {
        check(&film("recipe: plain-grade").replace("shots:", &format!("{plates}\nshots:")), expected);
    };
    check("  a: { files: x.####.exr }", &[]);
    check(
        "  a: { files: x.exr, frames: 1-9 }\n  b: { files: 'x.##.##', frames: 9-1 }\n  c: { files: 'x#/y', frames: 1 }",
        &[],
    );
    check(
        "  a: { movie: x.mp4, files: 'x.#', first: 3 }\n  b: {}\n  c: ~\n  d: { movie: 'x.#', first: x }",
        &[],
    );
    check(
        "  a: { movie: x.mp4, first: 9, frames: 1-20 }\n  b: { files: 'x.#', frames: 1-5, first: 4, encodnig: srgb, encoding: [a] }",
        &[],
    );
    check(
        "  a: { files: '/x.#', frames: 1-5 }\n  b: { files: 'a/../x.#', frames: 0-1000000 }\n  c: { movie: 'C:\\x' }\n  Shed-A: { movie: x }\n  nul: { movie: x }",
        &[],
    );
}

#[test]
fn shots() {
    check(&film("recipe: plain-grad"), &[]);
    check(&film("recipe: plain-grade, colur: {}, colour: 3, handels: 2"), &[]);
    check(&film("recipe: blade-duel").replace("plate: shed-a", "plate: shed-aa"), &[]);
    check(&film("").replace("plate: shed-a, frames: 1009-1056, ", ""), &[]);
    check(&film("takes: { left: shed-a }, recipe: plain-grade"), &[]);
    check(&film("recipe: plain-grade").replace("plate: shed-a", "takes: { 'a.b': shed-a, c: shed }"), &[]);
    check(
        &film("recipe: joined-takes").replace("plate: shed-a", "takes: { left: shed-a, rihgt: shed-a }"),
        &[],
    );
    check(
        &film("stages: { one: { operator: grade } }").replace("plate: shed-a", "takes: { a: shed-a }"),
        &[],
    );
    check(&film("recipe: plain-grade, stages: { colour: { operator: grade }, plate: { operator: x } }"), &[]);
    check(&film("recipe: plain-grade").replace("br030", "br/030"), &[]);
    let two = "recipe: plain-grade }\n  BR030: { plate: shed-a, frames: 1009, recipe: plain-grade";
    check(&film(two), &[]);
}

#[test]
fn frames_of_shots() {
    let check = |frames: &str, expected: &[&str]| {
        check(&film("recipe: plain-grade").replace("1009-1056", frames), expected);
    };
    check("1001-1072", &[]);
    check("990-1080", &[]);
    check("1072-1073", &[]);
    check("1056-1009", &[]);
    check("0-2000000", &[]);
    check("[1, 2]", &[]);
    check("1003-1070, handles: 4", &[]);
    check("1009-1056, handles: 100000", &[]);
}

#[test]
fn handles_are_cut_down_to_the_plate() {
    let main = film("recipe: plain-grade, handles: 10");
    let (film, problems, _) = read(&main, &[]);
    let film = film.unwrap();
    assert_eq!(problems.len(), 1);
    assert_eq!(film.shots["br030"].rendered(&film.plates), FrameRange::new(1001, 1066));
}

#[test]
fn the_film_has_an_end() {
    let mut main = String::from(
        "film: X\nrate: 24\nframe_size: 8x8\nplates:\n  p: { movie: p.mp4, first: 1 }\nshots:\n",
    );
    for i in 0..21 {
        main.push_str(&format!("  s{i}: {{ plate: p, frames: 1-1000000, recipe: plain-grade }}\n"));
    }
    check(&main, &[]);
}

#[test]
fn stages() {
    let check = |stages: &str, expected: &[&str]| check(&film(&format!("stages: {{ {stages} }}")), expected);
    check("a: {}, b: 7, c: { operator: x, command: 'y {out}' }, d: { operator: [x] }", &[]);
    check("a: { operator: x, keep: no, pools: { gpu: 1 }, from: plate }", &[]);
    check("a: { by_hand: { files: 'h/{who}.#' } }, b: { by_hand: { fiels: 'h.#' }, echa: 1 }", &[]);
    check("a: { by_hand: { files: 'renders/a.#' } }, b: { by_hand: { files: 'plates/A.###.exr' } }", &[]);
    check(
        "a: { by_hand: { files: 'h/a.#', delivers: [x, x, R, 'b.c'] } }, b: { by_hand: { files: 'h/a.##', delivers: all } }",
        &[],
    );
    check("'a.b': { operator: x }, -c: { operator: x }, D: { operator: x }, d: { operator: x }", &[]);
}

#[test]
fn hand_stages_of_two_shots_need_their_own_files() {
    let recipe = "recipe: r\nstages:\n  fix: { by_hand: { files: hands/fix.####.exr } }\n";
    let two = "recipe: r }\n  br040: { plate: shed-a, frames: 1009, recipe: r }\n  br050: { plate: shed-a, frames: 1, recipe: r";
    check_with(
        &film_with("recipes: [r.yaml]", two).replace("frames: 1,", "frames: 1020,"),
        &[("r.yaml", recipe)],
        &[],
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
    check("command: 'x {pictrue} {oot} {zzzzzzzz}'", &[]);
    check("command: 'x {picture} {out}', from: { plate: plate }", &[]);
    check("command: 'x {many.a} {many} {out}', from: { many: { a: plate, b: plate.A } }", &[]);
    check("command: \"x 'y {out}\"", &[]);
    check("command: ''", &[]);
    check("command: 'x {out} {', version_from: '\"'", &[]);
    check("command: 'x {out} {frame}', each: run", &[]);
    check(
        "command: 'x {out}', each: frames, reach: -1, retries: 1000, memory: 2, time_limit: 5m, delivers: picturs, depends: [../x], tiem_limit: 3",
        &[],
    );
    check(
        "command: 'x {out}', memory: 2gigs, time_limit: 0, reach: 1.5, delivers: [], depends: x, with: [a]",
        &[],
    );
    check(
        "command: 'x {out} {b}', with: { out: 1, picture: 2, 'b c': 3, b: { 1009: x }, c: [1] }, from: { picture: plate }",
        &[],
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
        &[],
    );
    check("a: { operator: x, from: { picture: a } }", &[]);
    check(
        "a: { operator: x, from: { picture: b } }, b: { operator: x, from: { picture: c } }, c: { operator: x, from: { picture: a } }",
        &[],
    );
    check(
        "a: { operator: x, from: { picture: b } }, b: { operator: x }, c: { operator: x, from: { picture: d } }, d: { operator: x, from: { many: { e: c, f: plate } } }",
        &[],
    );
    check(
        "a: { operator: x, from: { picture: ~ } }, b: { operator: x, from: { picture: a.R, matte: plate.A } }",
        &[],
    );
}

#[test]
fn across_shots() {
    let check = |across: &str, expected: &[&str]| {
        check(&film_with(&format!("across: {{ {across} }}"), "recipe: plain-grade"), expected);
    };
    check("'br*': { colour: { exposure: 1 } }, br030: { colour: ~ }", &[]);
    check("'cr*': { colour: { exposure: 1 } }, br031: { nothing: {} }, 'b/r': {}, 'b*': 3", &[]);
    check("'br*': { colur: { exposure: 1 }, colour: 2, from: {} }", &[]);
    // A mistake in a glob's settings is one mistake, whatever the number of shots.
    check("'br*': { colour: { keep: maybe } }", &[]);
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
    check_with(&main, &files, &[]);
}

#[test]
fn assembly() {
    let check = |assembly: &str, expected: &[&str]| {
        let two = "recipe: plain-grade }\n  br040: { plate: shed-a, frames: 1009, recipe: speed-ramp";
        check(&film_with(&format!("pools: {{ big: 1 }}\nassembly: {assembly}"), two), expected);
    };
    check("{}", &[]);
    check("{ from: colour, pools: { big: 1 } }", &[]);
    check("{ from: colur, pools: { big: 2 } }", &[]);
    check("{ from: ramp }", &[]);
    check("colour", &[]);
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
    check_with(main, &[("r.yaml", recipe)], &[]);
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
    check_with(&main, &[("r.yaml", &recipe)], &[]);
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
