//! Bad input, end to end: files that are not what they should be, and what a person is told about them.
//!
//! Knows the tiny film of `project`. Does not know the parts of the program; each has tests of its own beside it.

mod project;

use std::process::Command;

use endboard::media::exr::{self, Compression};
use endboard::media::image::{Image, RGBA};
use project::{Film, SIZE, picture};

/// One shot whose plate has this pattern of files, and what a rebuild and a check of it say.
fn film(files: &str, size: (u32, u32)) -> Film {
    let film = Film::new();
    film.write(
        "endboard.yaml",
        format!(
            "film: The Brine Lamp
rate: 24
frame_size: {}x{}
plates: {{ shed: {{ files: {files}, frames: 1001-1004, encoding: srgb }} }}
shots: {{ br010: {{ plate: shed, frames: 1001-1004, recipe: plain-grade }} }}
",
            size.0, size.1
        ),
    );
    film
}

/// What a command says on both streams, and its exit code.
#[test]
fn a_tiff_is_read_although_its_directory_lies_behind_a_megabyte_of_pixels() {
    let size = (700, 600);
    let film = film("plates/shed.####.tif", size);
    let mut file = std::io::Cursor::new(Vec::new());
    let data = vec![90u8; 3 * 700 * 600];
    let mut encoder = tiff::encoder::TiffEncoder::new(&mut file).unwrap();
    encoder.write_image::<tiff::encoder::colortype::RGB8>(size.0, size.1, &data).unwrap();
    for frame in 1001..=1004 {
        film.write(&format!("plates/shed.{frame}.tif"), file.get_ref());
    }
    assert_eq!(film.said(&["check"]).0, Some(0), "{:?}", film.said(&["check"]));
    film.rebuild(&[]).well();
}

#[test]
fn an_unreadable_frame_is_told_with_its_file_and_the_reason() {
    let film = film("plates/shed.####.exr", SIZE);
    for (frame, bytes, reason) in [
        (1001, Vec::new(), "plates/shed.1001.exr: the file is empty"),
        (1001, b"not a picture".to_vec(), "plates/shed.1001.exr: the EXR file is damaged"),
        (1001, picture(SIZE, 1)[..40].to_vec(), "plates/shed.1001.exr: the EXR file is truncated"),
    ] {
        (1002..=1004).for_each(|n| film.write(&format!("plates/shed.{n}.exr"), picture(SIZE, 1)));
        film.write(&format!("plates/shed.{frame}.exr"), &bytes);
        let (code, words) = film.said(&["check"]);
        assert_eq!(code, Some(1), "{words}");
        assert!(
            words.contains("frame 1001 cannot be read as a picture") && words.contains(reason),
            "{words}"
        );
    }
}

#[test]
fn a_folder_that_the_system_does_not_show_is_not_told_as_missing_files() {
    let film = film("plates/shed.####.exr", SIZE);
    let folder = film.path().join("plates");
    // A link that leads to itself is refused to every user of the system.
    std::os::unix::fs::symlink("plates", &folder).unwrap();
    let (code, words) = film.said(&["check"]);
    assert_eq!(code, Some(1), "{words}");
    let reason = std::fs::metadata(&folder).unwrap_err().to_string();
    assert!(
        words.contains(&format!("plates/shed.1001.exr: {reason}")) && !words.contains("missing"),
        "{words}"
    );
    std::fs::remove_file(&folder).unwrap();
    let (code, words) = film.said(&["check"]);
    assert!(code == Some(1) && words.contains("frames 1001-1004 are missing"), "{words}");
    let declared = std::fs::read_to_string(film.path().join("endboard.yaml")).unwrap();
    let movie = "movie: plates/shed.mov, first: 1001,";
    film.write("endboard.yaml", declared.replace("files: plates/shed.####.exr, frames: 1001-1004,", movie));
    std::os::unix::fs::symlink("plates", &folder).unwrap();
    let words = film.said(&["check"]).1;
    assert!(words.contains("its file cannot be read as a movie") && words.contains(&reason), "{words}");
}

/// A power cut may leave the store's format empty: there is a way on, and what cannot be printed is not.
#[test]
fn a_format_that_was_cut_short_is_told_as_damaged() {
    let film = film("plates/shed.####.exr", SIZE);
    std::fs::create_dir(film.path().join(".endboard")).unwrap();
    let noise: String = "\u{1b}[2J".repeat(90);
    for (text, says) in
        [("", "it is empty"), ("endboard sto", "it says 'endboard sto'"), (&noise, "it says '[2J[2J")]
    {
        film.write(".endboard/format", text);
        let (code, words) = film.said(&["status"]);
        assert_eq!(code, Some(4), "{words}");
        assert!(words.contains(says) && words.contains("delete the folder .endboard"), "{words}");
        assert!(!words.contains('\u{1b}') && words.matches("[2J").count() <= 14, "{words}");
    }
    // Another version's is no damage.
    film.write(".endboard/format", "endboard store 9\n");
    let (code, words) = film.said(&["status"]);
    assert!(code == Some(4) && words.contains("another version"), "{words}");
}

/// The film's own picture stands under a name that no shot can have.
#[test]
fn no_shot_is_called_as_the_film_is() {
    for name in ["film", "Film"] {
        let film = film("plates/shed.####.exr", SIZE);
        let declared = std::fs::read_to_string(film.path().join("endboard.yaml")).unwrap();
        assert!(declared.contains("{ br010:"), "{declared}");
        film.write("endboard.yaml", declared.replace("{ br010:", &format!("{{ {name}:")));
        let (code, words) = film.said(&["check"]);
        assert!(code == Some(1) && words.contains(&format!("no shot can be called '{name}'")), "{words}");
    }
}

#[test]
fn what_stands_in_the_place_of_a_plates_files_is_told() {
    let film = film("plates/shed.####.exr", SIZE);
    (1001..=1002).for_each(|n| film.write(&format!("plates/shed.{n}.exr"), "no picture"));
    film.write("plates/shed.1004.exr", "");
    std::fs::create_dir(film.path().join("plates/shed.1003.exr")).unwrap();
    let (code, words) = film.said(&["check"]);
    assert_eq!(code, Some(1), "{words}");
    assert!(
        words.contains("a folder stands in the place of frame 1003") && !words.contains("missing"),
        "{words}"
    );
    // Each file that cannot be read is told of, with its own reason.
    assert!(
        words.contains("frames 1001-1002, 1004 cannot be read")
            || words.contains("frames 1001,1002,1004")
            || words.contains("frames 1001-1002,1004"),
        "{words}"
    );
    assert!(
        words.contains("plates/shed.1001.exr: ") && words.contains("(the like of frame 1002)"),
        "{words}"
    );
    assert!(words.contains("plates/shed.1004.exr: the file is empty"), "{words}");
}

#[test]
fn a_plate_frame_that_is_asked_for_and_missing_fails_the_rebuild() {
    let film = film("plates/shed.####.exr", SIZE);
    (1001..=1003).for_each(|n| film.write(&format!("plates/shed.{n}.exr"), picture(SIZE, n)));
    let (code, words) = film.said(&["rebuild", "br010/plate@1004"]);
    assert_eq!(code, Some(1), "{words}");
    assert!(words.contains("br010/plate@1004") && words.contains("1 blocked"), "{words}");
    let (code, words) = film.said(&["rebuild", "br010/plate@1001-1003"]);
    assert_eq!(code, Some(0), "{words}");
}

#[test]
fn hours_of_what_the_ledger_does_not_know_are_told_so() {
    let film = film("plates/shed.####.exr", SIZE);
    (1001..=1004).for_each(|n| film.write(&format!("plates/shed.{n}.exr"), picture(SIZE, n)));
    film.rebuild(&[]).well();
    let (code, words) = film.said(&["hours", "br099"]);
    // As of any selector that matches nothing.
    assert_eq!(code, Some(2), "{words}");
    assert!(words.starts_with("endboard: "), "{words}");
    assert!(
        words.contains("no time of 'br099'; it has that of br010") && !words.contains("empty"),
        "{words}"
    );
    assert_eq!(film.said(&["hours", "br010"]).0, Some(0));
}

#[test]
fn a_ledger_that_cannot_be_opened_stops_no_render() {
    let film = film_of_channels();
    film.write("ledger", "not a folder");
    let said = film.rebuild(&[]).well();
    assert!(said.errors.contains("the ledger could not be written"), "{}", said.errors);
    assert_eq!(film.renders(), film.clean());
}

/// A shot whose blades take one channel of its mattes.
fn film_of_channels() -> Film {
    let film = film("plates/shed.####.exr", SIZE);
    let declared = std::fs::read_to_string(film.path().join("endboard.yaml")).unwrap();
    let recipe = "recipe: blade-duel, roto: { shapes: roto/br010.yaml }";
    film.write("endboard.yaml", declared.replace("recipe: plain-grade", recipe));
    (1001..=1004).for_each(|n| film.write(&format!("plates/shed.{n}.exr"), picture(SIZE, n)));
    film.write(
        "roto/br010.yaml",
        "mattes: { actors: { shapes: [{ keys: { 1001: [[3, 3], [20, 4], [10, 15]] } }] } }
rods: { keeper: { keys: { 1001: { base: [4, 15], tip: [20, 3] } } } }
",
    );
    film
}

#[test]
fn what_made_the_renders_may_be_lost_and_is_found_out_anew() {
    records_lost("keep: true");
    records_lost("keep: false");
}

fn records_lost(keep: &str) {
    let film = film_of_channels();
    let declared = std::fs::read_to_string(film.path().join("endboard.yaml")).unwrap();
    film.write("endboard.yaml", declared.replace("roto: {", &format!("roto: {{ {keep},")));
    film.rebuild(&[]).well();
    let before = film.renders();
    std::fs::remove_dir_all(film.path().join(".endboard/actions")).unwrap();
    film.rebuild(&[]).well();
    assert_eq!(film.renders(), before);
    // What was found out is kept.
    assert!(film.rebuild(&[]).well().rendered.is_empty());
    let shapes = std::fs::read_to_string(film.path().join("roto/br010.yaml")).unwrap();
    film.write("roto/br010.yaml", shapes.replace("[3, 3]", "[5, 3]"));
    film.rebuild(&[]).well();
    assert_eq!(film.renders(), film.clean());
}

#[test]
fn a_decimal_comma_is_told() {
    let film = film_of_channels();
    let declared = std::fs::read_to_string(film.path().join("endboard.yaml")).unwrap();
    film.write("endboard.yaml", declared.replace("roto:", "colour: { exposure: 0,5 }, roto:"));
    let (code, words) = film.said(&["check"]);
    assert_eq!(code, Some(1));
    assert!(words.contains("operator grade has no setting '5'") && words.contains("0.5, not 0,5"), "{words}");
    film.write("endboard.yaml", declared.replace("roto:", "colour: { expsure: ~ }, roto:"));
    assert!(film.said(&["check"]).1.contains("did you mean 'exposure'?"));
    film.write("endboard.yaml", declared.replace("roto:", "colour: { exposure: ~ }, roto:"));
    assert_eq!(film.said(&["check"]).0, Some(0));
}

#[test]
fn a_selector_is_not_blamed_for_an_unsound_declaration() {
    let film = film_of_channels();
    let declared = std::fs::read_to_string(film.path().join("endboard.yaml")).unwrap();
    film.write("endboard.yaml", declared.replace("frames: 1001-1004, recipe", "frames: 1001-9, recipe"));
    let (code, words) = film.said(&["rebuild", "br010"]);
    assert_eq!(code, Some(1), "{words}");
    assert!(words.contains("'1001-9' is not a range of frames"), "{words}");
}

#[test]
fn what_stands_in_the_place_of_a_declaration_is_not_passed_over() {
    let film = film_of_channels();
    let inner = film.path().join("inner");
    std::fs::create_dir(&inner).unwrap();
    let inside = inner.to_str().unwrap();
    let check = || {
        let output =
            Command::new(env!("CARGO_BIN_EXE_endboard")).args(["-C", inside, "check"]).output().unwrap();
        (output.status.code(), String::from_utf8_lossy(&output.stderr).into_owned())
    };
    assert_eq!(check().0, Some(0));
    std::os::unix::fs::symlink("gone.yaml", inner.join("endboard.yaml")).unwrap();
    let (code, words) = check();
    assert!(
        code == Some(4) && words.contains("inner/endboard.yaml is a link that leads to no file"),
        "{words}"
    );
    std::fs::remove_file(inner.join("endboard.yaml")).unwrap();
    std::fs::create_dir(inner.join("endboard.yaml")).unwrap();
    let (code, words) = check();
    assert!(code == Some(4) && words.contains("inner/endboard.yaml is not a file"), "{words}");
}

#[test]
fn bytes_of_another_encoding_are_told_with_their_line() {
    let film = film_of_channels();
    film.write("endboard.yaml", b"film: The Brine Lamp\n# caf\xe9\n");
    assert!(film.said(&["check"]).1.contains("endboard.yaml: it is not UTF-8 text: line 2"));
}

/// The exit code and the words on the standard error when what is printed goes to `out`.
fn printed_to(film: &Film, words: &[&str], out: impl Into<std::process::Stdio>) -> (Option<i32>, String) {
    let output = film.command(words).stdout(out).output().unwrap();
    (output.status.code(), String::from_utf8_lossy(&output.stderr).into_owned())
}

#[test]
fn a_full_disk_and_a_reader_that_has_enough_end_printing_without_a_panic() {
    let film = film_of_channels();
    film.rebuild(&[]).well();
    for words in [
        ["check"].as_slice(),
        &["check", "--schema"],
        &["status"],
        &["status", "--json"],
        &["why", "br010"],
        &["rebuild"],
        &["hours"],
        &["hours", "--csv"],
        &["sweep"],
        &["man"],
        &["completions", "bash"],
    ] {
        let full = std::fs::File::options().write(true).open("/dev/full").unwrap();
        let (code, said) = printed_to(&film, words, full);
        assert_eq!(code, Some(4), "{words:?}: {said}");
        assert!(said.starts_with("endboard: the standard output could not be written: "), "{said}");
        let (reader, writer) = std::io::pipe().unwrap();
        drop(reader);
        assert_eq!(printed_to(&film, words, writer), (Some(0), String::new()), "{words:?}");
    }
}

#[test]
fn failures_that_cannot_be_told_do_not_end_the_run() {
    let film = film_of_channels();
    let declared = std::fs::read_to_string(film.path().join("endboard.yaml")).unwrap();
    let stage = "stages: { wrong: { command: 'false {out}', from: { picture: plate } } }, roto:";
    film.write("endboard.yaml", declared.replace("roto:", stage));
    let full = std::fs::File::options().write(true).open("/dev/full").unwrap();
    let output = film.command(&["rebuild"]).stderr(full).output().unwrap();
    assert_eq!(output.status.code(), Some(1));
    assert!(String::from_utf8_lossy(&output.stdout).contains("4 failed"));
    assert!(film.path().join("renders/br010/colour/br010.1004.exr").exists());
}

#[test]
fn a_folder_whose_name_is_no_text_is_told_to_those_who_use_programs() {
    use std::os::unix::ffi::OsStrExt;
    let film = film_of_channels();
    let declared = std::fs::read_to_string(film.path().join("endboard.yaml")).unwrap();
    let stage = "stages: { copy: { command: 'cp {picture} {out}', from: { picture: plate } } }, roto:";
    film.write("endboard.yaml", declared.replace("roto:", stage));
    let folder = film.path().with_file_name(std::ffi::OsStr::from_bytes(b"endboard-mishap-\xff"));
    std::fs::rename(film.path(), &folder).unwrap();
    let output =
        Command::new(env!("CARGO_BIN_EXE_endboard")).arg("-C").arg(&folder).arg("rebuild").output().unwrap();
    std::fs::rename(&folder, film.path()).unwrap();
    let words = String::from_utf8_lossy(&output.stdout);
    assert!(words.contains("so no program can be told of its files; rename it"), "{words}");
    // What needs no program is made.
    assert!(film.path().join("renders/br010/colour/br010.1001.exr").exists());
}

#[test]
fn what_is_wrong_with_a_shot_is_told_at_the_shot_and_not_in_a_shipped_recipe() {
    let film = film("plates/shed.####.exr", SIZE);
    let declared = std::fs::read_to_string(film.path().join("endboard.yaml")).unwrap();
    film.write(
        "roto/br010.yaml",
        "mattes: { crew: { shapes: [{ keys: { 1001: [[1, 1], [9, 1], [9, 9]] } }] } }\n",
    );
    for (words, place, says) in [
        // It lacks what the recipe cannot say, with words of its own for the stage and without.
        ("", "endboard.yaml:5:59: error: br010/roto: ", "needs a shapes file"),
        (", roto: { seed: 7 }", "endboard.yaml:5:71: error: br010/roto: ", "shapes"),
        // What the recipe takes is not in the shot's file.
        (
            ", roto: { shapes: roto/br010.yaml }",
            "endboard.yaml:5:59: error: br010/blades: ",
            "no channel 'actors'",
        ),
        (
            ", colour: { operator: }",
            "endboard.yaml:5:71: error: shot br010, stage colour: ",
            "how it is made",
        ),
    ] {
        film.write(
            "endboard.yaml",
            declared.replace("recipe: plain-grade", &format!("recipe: blade-duel{words}")),
        );
        let (code, said) = film.said(&["check"]);
        assert_eq!(code, Some(1), "{said}");
        let line = said.lines().find(|line| line.starts_with(place)).unwrap_or_default();
        assert!(line.contains(says), "{words}: {said}");
        assert!(!said.contains("shipped recipe"), "{words}: {said}");
    }
}

/// A picture of the film's size with these values at the start of its red plane.
fn with_values(values: &[f32]) -> Vec<u8> {
    let mut image = Image::new(SIZE.0, SIZE.1, &RGBA);
    let mut row = vec![0.25; SIZE.0 as usize];
    row[..values.len()].copy_from_slice(values);
    image.write_row(0, 0, &row);
    exr::encode(&image, Compression::None, &[]).unwrap()
}

#[test]
fn a_sheet_tells_of_what_is_no_number_and_of_what_is_no_file() {
    let film = film("plates/shed.####.exr", SIZE);
    for (n, values) in
        [(1001, &[0.5][..]), (1002, &[f32::NAN]), (1003, &[f32::NAN]), (1004, &[f32::INFINITY])]
    {
        film.write(&format!("plates/shed.{n}.exr"), with_values(values));
    }
    let sheet = ["sheet", "br010/plate", "--every", "1", "--out", "a.png"];
    let compare = ["compare", "br010/plate", "br010/plate@1003", "--out", "b.png"];
    let out = |words: &[&str]| {
        let mut command = film.command(words);
        let out = command.current_dir(film.path()).output().unwrap();
        String::from_utf8_lossy(&out.stderr).into_owned()
    };
    let told = out(&sheet);
    let lines: Vec<&str> = told.lines().filter(|line| line.contains("no finite number")).collect();
    assert!(
        lines.len() == 1 && lines[0].starts_with("br010/plate@1002: plates/shed.1002.exr has 1 pixel"),
        "{told}"
    );
    assert!(lines[0].ends_with("(the like on 1003-1004)"), "{told}");
    let told = out(&compare);
    assert!(told.contains("plates/shed.1003.exr has 1 pixel"), "{told}");
    std::fs::remove_file(film.path().join("plates/shed.1001.exr")).unwrap();
    std::fs::create_dir(film.path().join("plates/shed.1001.exr")).unwrap();
    let told = out(&sheet);
    assert!(
        told.contains("br010/plate@1001 is not shown: a folder stands in the place of plates/shed.1001.exr"),
        "{told}"
    );
}

#[test]
fn what_is_too_bright_for_a_render_is_told_with_its_frame() {
    let film = film("plates/shed.####.exr", SIZE);
    let declared = std::fs::read_to_string(film.path().join("endboard.yaml")).unwrap();
    let graded = declared
        .replace("srgb", "linear-rec709")
        .replace("plain-grade", "plain-grade, colour: { exposure: 2 }");
    film.write("endboard.yaml", graded);
    (1001..=1004).for_each(|n| {
        film.write(&format!("plates/shed.{n}.exr"), with_values(&[if n == 1003 { 2e4 } else { 1.0 }]))
    });
    let said = film.rebuild(&[]).well();
    let remarks = said.json["remarks"].as_array().unwrap().clone();
    assert_eq!(remarks.len(), 1, "{remarks:?}");
    assert_eq!(remarks[0]["place"], "br010/colour@1003");
    let text = remarks[0]["text"].as_str().unwrap();
    assert!(text.starts_with("comes to 1 value beyond 65504"), "{text}");
}

/// Whatever a later version wrote of a run on a cluster, the film goes on being rendered here.
#[test]
fn a_run_on_a_cluster_of_another_form_is_told_with_a_way_on_and_stops_no_rebuild() {
    let film = film("plates/shed.####.exr", SIZE);
    (1001..=1004).for_each(|n| film.write(&format!("plates/shed.{n}.exr"), picture(SIZE, n)));
    film.rebuild(&[]).well();
    let run = ".endboard/slurm/20261128T100000-7";
    for (text, part) in [
        (
            r#"{ "format": "endboard slurm 9", "version": "7.1", "parts": {} }"#,
            "by endboard 7.1 in the form 'endboard slurm 9'",
        ),
        ("{ torn", "run.json"),
    ] {
        film.write(&format!("{run}/run.json"), text);
        let (code, said) = film.said(&["rebuild"]);
        assert_eq!(code, Some(0), "{said}");
        assert!(said.contains(&format!("{run}/run.json: ")) && said.contains(part), "{said}");
        assert!(said.contains("squeue --name endboard-20261128T100000-7"), "{said}");
        assert!(said.contains(&format!("take {}", film.path().join(run).display())), "{said}");
        // It is left for whoever can read it.
        assert_eq!(film.text(&format!("{run}/run.json")), text);
    }
}

/// One word stands before what goes wrong, whoever found it.
#[test]
fn errors_begin_alike() {
    let film = film("plates/shed.####.exr", SIZE);
    for words in [
        &["statsu"][..],
        &["status", "--nonsense"],
        &["recut"],
        &["hours", "--since", "soon"],
        &["recut", "none.edl"],
    ] {
        let output = film.run(words);
        let said = String::from_utf8_lossy(&output.stderr).into_owned();
        assert!(output.status.code() == Some(2) && said.starts_with("endboard: "), "{words:?}: {said}");
        assert!(!said.contains("error: "), "{words:?}: {said}");
    }
    let output =
        Command::new(env!("CARGO_BIN_EXE_endboard")).args(["-C", "/nowhere", "status"]).output().unwrap();
    let said = String::from_utf8_lossy(&output.stderr).into_owned();
    assert!(
        output.status.code() == Some(2) && said.starts_with("endboard: ") && said.contains("-C FOLDER"),
        "{said}"
    );
}

#[test]
fn a_sheet_that_was_painted_over_is_not_replaced() {
    let film = film("plates/shed.####.exr", SIZE);
    (1001..=1004).for_each(|n| film.write(&format!("plates/shed.{n}.exr"), with_values(&[0.5])));
    let file = film.path().join("sheet.png");
    let out = file.to_string_lossy().into_owned();
    let words = ["sheet", "br010/plate", "--out", &out];
    assert_eq!(film.said(&words).0, Some(0));
    assert_eq!(film.said(&words).0, Some(0), "its own it replaces");
    // A program that keeps the file's texts, and changes a pixel.
    let bytes = std::fs::read(&file).unwrap();
    let mut reader = png::Decoder::new(std::io::Cursor::new(&bytes)).read_info().unwrap();
    let mut codes = vec![0; reader.output_buffer_size().unwrap()];
    reader.next_frame(&mut codes).unwrap();
    codes[0] ^= 1;
    let mut painted = Vec::new();
    let mut encoder = png::Encoder::new(&mut painted, reader.info().width, reader.info().height);
    encoder.set_color(png::ColorType::Rgb);
    encoder.set_depth(png::BitDepth::Eight);
    for text in &reader.info().uncompressed_latin1_text {
        encoder.add_text_chunk(text.keyword.clone(), text.text.clone()).unwrap();
    }
    encoder.write_header().and_then(|mut writer| writer.write_image_data(&codes)).unwrap();
    std::fs::write(&file, &painted).unwrap();
    let (code, said) = film.said(&words);
    assert!(code == Some(2) && said.contains("was not written by this"), "{code:?} {said}");
    assert_eq!(std::fs::read(&file).unwrap(), painted);
}
