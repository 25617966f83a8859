//! Damage to what a film keeps: any file under `.endboard` or `renders/` cut short, changed by a bit, emptied or removed. A
//! thorough look and a rebuild then leave the same pictures as a clean build, and nothing wrong is taken as a render.
//!
//! Knows files as bytes, and of renders what they show.

mod project;

use std::path::{Path, PathBuf};

use project::{Dice, Film};

const BLOWS: usize = 60;

const ROTO: &str =
    "mattes:\n  crew:\n    shapes:\n      - keys:\n          1001: [[4, 3], [20, 3], [20, 14], [4, 14]]\n";

fn film() -> Film {
    let film = Film::new();
    film.write_plate("shed", 3);
    film.write("roto.yaml", ROTO);
    film.declare(
        "  br010:
    plate: shed
    frames: 1001-1006
    stages:
      roto: { operator: roto, shapes: roto.yaml }
      tool: { command: \"cp {picture} {out}\", each: frame, from: { picture: plate, matte: roto.crew } }
      colour: { operator: grade, from: { picture: tool }, exposure: 0.5 }
assembly: { from: colour }
",
    );
    film
}

fn files(under: &Path) -> Vec<PathBuf> {
    let mut found = Vec::new();
    let mut folders = vec![under.to_path_buf()];
    while let Some(folder) = folders.pop() {
        for entry in std::fs::read_dir(folder).into_iter().flatten() {
            let path = entry.unwrap().path();
            if path.is_dir() { folders.push(path) } else { found.push(path) }
        }
    }
    found.sort();
    found
}

/// Damages a file where it lies, without making another of it, as a disk does: its other names show the same.
fn strike(path: &Path, dice: &mut Dice) -> &'static str {
    use std::os::unix::fs::PermissionsExt;
    let mut bytes = std::fs::read(path).unwrap();
    let permissions = std::fs::metadata(path).unwrap().permissions();
    std::fs::set_permissions(path, std::fs::Permissions::from_mode(0o644)).unwrap();
    let at = dice.below(bytes.len().max(1) as u64) as usize;
    let what = match dice.below(4) {
        0 => {
            // Its other names, if it has some, stay read-only.
            std::fs::set_permissions(path, permissions).unwrap();
            std::fs::remove_file(path).unwrap();
            return "removed";
        }
        1 => {
            bytes.clear();
            "emptied"
        }
        2 => {
            bytes.truncate(at);
            "cut short"
        }
        _ => {
            if let Some(byte) = bytes.get_mut(at) {
                *byte ^= 1 << dice.below(8);
            }
            "changed by a bit"
        }
    };
    std::fs::write(path, bytes).unwrap();
    std::fs::set_permissions(path, permissions).unwrap();
    what
}

/// The digest of what a render shows.
fn pixels(bytes: &[u8]) -> Option<endboard::base::digest::Digest> {
    Some(endboard::media::exr::decode_image(bytes).ok()?.digest().whole)
}

#[test]
fn whatever_is_damaged_is_found_and_made_again() {
    let film = film();
    let clean = film.clean();
    film.rebuild(&[]).well();
    let mut dice = Dice(0xb41e);
    for blow in 0..BLOWS {
        let kept = [film.path().join(".endboard"), film.path().join("renders")]
            .map(|folder| files(&folder))
            .concat();
        let path = &kept[dice.below(kept.len() as u64) as usize];
        let name = path.strip_prefix(film.path()).unwrap().display().to_string();
        let what = strike(path, &mut dice);
        let context = format!("blow {blow}: {name} was {what}");
        if name == ".endboard/format" && what != "removed" {
            // The store counts as another version's and is refused; a person removes the file.
            let refused = film.run(&["rebuild"]);
            if !refused.status.success() {
                std::fs::remove_file(path).unwrap();
            }
        }
        let look = film.run(&["status", "--thorough"]);
        assert!(look.status.success(), "{context}: {}", String::from_utf8_lossy(&look.stderr));
        let said = film.rebuild(&[]);
        assert_eq!(said.code, Some(0), "{context}: {}\n{}", said.json, said.errors);
        let renders = film.renders();
        let names =
            |of: &std::collections::BTreeMap<PathBuf, Vec<u8>>| of.keys().cloned().collect::<Vec<_>>();
        assert_eq!(names(&renders), names(&clean), "{context}");
        for (at, bytes) in &clean {
            // A bit of the header that plays no part in the picture, such as the centre of a window, is not looked for.
            let same = renders[at] == *bytes || pixels(&renders[at]) == pixels(bytes);
            assert!(same, "{context}: {} is not what a clean build makes", at.display());
        }
        let after = film.json(&["status", "--thorough"]);
        let counts = &after["counts"];
        assert_eq!(counts["fresh"], 24, "{context}: {after}");
    }
}

/// Cuts a file short where it lies, so that its other names show the same.
fn cut_short(path: &Path) {
    use std::os::unix::fs::PermissionsExt;
    let permissions = std::fs::metadata(path).unwrap().permissions();
    std::fs::set_permissions(path, std::fs::Permissions::from_mode(0o644)).unwrap();
    let file = std::fs::File::options().write(true).open(path).unwrap();
    file.set_len(file.metadata().unwrap().len() / 2).unwrap();
    std::fs::set_permissions(path, permissions).unwrap();
}

fn said(film: &Film, words: &[&str]) -> String {
    String::from_utf8_lossy(&film.run(words).stdout).into_owned()
}

#[test]
fn a_damaged_render_is_not_promised_back_without_rendering() {
    let film = film();
    film.rebuild(&[]).well();
    cut_short(&film.path().join("renders/br010/colour/br010.1003.exr"));
    let look = said(&film, &["status", "--thorough"]);
    assert!(look.contains("damaged, to be rendered again: br010/colour@1003"), "{look}");
    assert!(look.contains("next: `endboard rebuild` makes up to 2 frames\n"), "{look}");
    let why = film.json(&["why", "br010/colour@1003"])["chains"][0]["steps"][0]["says"].to_string();
    assert!(why.contains("its stored picture is gone"), "{why}");
    let said = film.rebuild(&[]).well();
    // The film's frame is the same picture.
    assert_eq!((said.rendered.len(), said.restored()), (1, 1), "{}", said.json);
    let causes = film.json(&["hours"])["by_cause"].to_string();
    assert!(causes.contains("earlier render lost"), "{causes}");
    assert_eq!(film.renders(), film.clean());
}

#[test]
fn a_damaged_render_that_a_person_holds_is_told_of() {
    let film = film();
    film.rebuild(&[]).well();
    assert!(film.run(&["rebuild", "--hold", "br010/colour@1003"]).status.success());
    let text = std::fs::read_to_string(film.path().join("endboard.yaml")).unwrap();
    film.write("endboard.yaml", text.replace("exposure: 0.5", "exposure: 1"));
    film.rebuild(&[]).well();
    assert!(!said(&film, &["status", "--thorough"]).contains("damaged"));
    cut_short(&film.path().join("renders/br010/colour/br010.1003.exr"));
    let look = said(&film, &["status", "--thorough"]);
    let told = look.lines().find(|line| line.starts_with("damaged") && line.contains("br010/colour@1003"));
    assert!(told.is_some_and(|line| line.contains("--let-go br010/colour@1003")), "{look}");
}

/// Looks until a stage is found fresh for good.
fn sealed(film: &Film) {
    let kept = film.path().join(".endboard/seals");
    project::until("a look that finds the stage fresh for good", || {
        film.run(&["status"]);
        std::fs::metadata(&kept).is_ok_and(|meta| meta.len() > 16)
    });
}

#[test]
fn what_any_command_finds_damaged_is_made_again_by_the_command_that_it_names() {
    let film = film();
    film.rebuild(&[]).well();
    sealed(&film);
    cut_short(&film.path().join("renders/br010/colour/br010.1003.exr"));
    let look = ["compare", "br010/plate", "br010/colour@1003", "--out", "look.png"];
    let seen = film.run(&look);
    let told = String::from_utf8_lossy(&seen.stderr).into_owned();
    assert!(told.contains("`endboard rebuild br010/colour@1003` makes it again"), "{told}");
    let status = film.status_of("br010/colour");
    assert_eq!(
        status,
        serde_json::json!([["1001-1002", "fresh"], ["1003", "stale"], ["1004-1006", "fresh"]])
    );
    let again = film.rebuild(&["br010/colour@1003"]).well();
    assert_eq!(again.rendered, ["br010/colour@1003".to_string()].into());
    assert!(film.run(&look).status.success());
    film.rebuild(&[]).well();
    // The damaged file itself may be set aside, as whatever else stands in a render's place.
    let now = film.renders();
    assert!(film.clean().iter().all(|(path, bytes)| now.get(path) == Some(bytes)));
}

#[test]
fn what_a_thorough_look_finds_is_not_hidden_by_what_an_earlier_look_found() {
    let film = Film::new();
    film.write_plate("shed", 3);
    film.write("roto.yaml", ROTO);
    film.declare(
        "  br010:
    plate: shed
    frames: 1001-1003
    stages:
      roto: { operator: roto, shapes: roto.yaml }
",
    );
    film.rebuild(&[]).well();
    sealed(&film);
    cut_short(&film.path().join("renders/br010/roto/br010.1001.exr"));
    assert_eq!(film.json(&["status", "--thorough"])["counts"]["stale"], 3);
    film.rebuild(&[]).well();
    assert_eq!(film.renders(), film.clean());
}

#[test]
fn a_person_who_paints_over_a_render_finds_it_again() {
    // Files that are copied from a share often come read-only, as renders are.
    [false, true].into_iter().for_each(paint_over);
}

fn paint_over(is_read_only: bool) {
    let film = film();
    film.rebuild(&[]).well();
    film.status_of("br010/colour");
    let path = film.path().join("renders/br010/colour/br010.1003.exr");
    let ours = std::fs::read(&path).unwrap();
    let theirs = project::picture(project::SIZE, 99);
    std::fs::remove_file(&path).unwrap();
    std::fs::write(&path, &theirs).unwrap();
    if is_read_only {
        use std::os::unix::fs::PermissionsExt;
        std::fs::set_permissions(&path, std::fs::Permissions::from_mode(0o444)).unwrap();
    }
    assert_eq!(
        film.status_of("br010/colour"),
        serde_json::json!([["1001-1002", "fresh"], ["1003", "stale"], ["1004-1006", "fresh"]])
    );
    let said = film.rebuild(&[]).well();
    assert_eq!((said.rendered.len(), said.restored()), (0, 1));
    assert_eq!(std::fs::read(&path).unwrap(), ours);
    let aside: Vec<_> = files(path.parent().unwrap())
        .into_iter()
        .filter(|p| p.to_string_lossy().contains("set-aside"))
        .collect();
    assert_eq!(aside.len(), 1, "{aside:?}");
    assert_eq!(std::fs::read(&aside[0]).unwrap(), theirs);
}

#[test]
fn a_look_without_care_sees_what_was_taken_out_of_the_tree() {
    let film = film();
    film.rebuild(&[]).well();
    for _ in 0..2 {
        assert_eq!(film.status_of("br010/colour"), serde_json::json!([["1001-1006", "fresh"]]));
    }
    std::fs::remove_file(film.path().join("renders/br010/colour/br010.1006.exr")).unwrap();
    assert_eq!(
        film.status_of("br010/colour"),
        serde_json::json!([["1001-1005", "fresh"], ["1006", "stale"]])
    );
    let said = film.rebuild(&[]).well();
    assert_eq!((said.rendered.len(), said.restored()), (0, 1));
}

#[test]
fn sweeping_gives_back_the_space_of_a_shot_that_is_gone() {
    let film = film();
    film.rebuild(&[]).well();
    let text = std::fs::read_to_string(film.path().join("endboard.yaml")).unwrap();
    film.write("endboard.yaml", text.replace("frames: 1001-1006", "frames: 1001-1004"));
    film.rebuild(&[]).well();
    let swept = film.run(&["sweep", "--remove", "--budget", "0"]);
    assert!(swept.status.success(), "{}", String::from_utf8_lossy(&swept.stderr));
    let colour = files(&film.path().join("renders/br010/colour"));
    assert_eq!(colour.len(), 4, "{colour:?}");
    assert_eq!(film.rebuild(&[]).well().rendered.len(), 0);
}
