//! What stages may be connected to: pictures to pictures, mattes to mattes, and frames that are there.
//!
//! Knows small declarations. Does not know how they are read.

mod project;

use project::Film;

const ROTO: &str = "mattes:\n  mark:\n    shapes: [ { keys: { 1001: [[4, 4], [20, 4], [20, 12], [4, 12]] } } ]\n  post:\n    shapes: [ { keys: { 1001: [[0, 0], [2, 0], [2, 18], [0, 18]] } } ]\n";

/// What `check` says of a shot with these stages.
fn checked(plates: &str, stages: &str) -> (Option<i32>, String) {
    let film = Film::new();
    film.write_plate("shed", 1);
    film.write("roto/br010.yaml", ROTO);
    let text = format!(
        "film: The Brine Lamp
rate: 24
frame_size: 32x18
plates:
  shed: {{ files: plates/shed.####.exr, frames: 1001-1008, encoding: linear-rec709 }}
{plates}shots:
  br010:
    takes: {{ left: shed, clean: {} }}
    frames: 1002-1006
    stages:
      roto: {{ operator: roto, shapes: roto/br010.yaml }}
{stages}",
        if plates.is_empty() { "shed" } else { "still" }
    );
    film.write("endboard.yaml", text);
    let output = film.run(&["check"]);
    (output.status.code(), String::from_utf8_lossy(&output.stdout).into_owned())
}

#[test]
fn one_channel_is_no_picture_and_several_mattes_are_not_one() {
    for (stages, line, says) in [
        ("grade, from: { picture: roto.mark }", 14, "a picture is wanted, and roto.mark is one channel"),
        ("grade, from: { picture: take.left.R }", 14, "a picture is wanted, and take.left.R is one channel"),
        ("grade, from: { picture: roto }", 14, "a picture is wanted, and roto gives mattes"),
        (
            "passes, from: { clean: take.clean, takes: { left: roto.mark }, mattes: { left: roto.mark } }",
            14,
            "a picture is wanted, and roto.mark is one channel",
        ),
        (
            "passes, from: { clean: take.clean, takes: { left: take.left }, mattes: { left: roto } }",
            14,
            "one matte is wanted, and roto has several",
        ),
        (
            "paint-out, from: { picture: take.left, matte: roto.mark, clean: roto.mark }",
            14,
            "a picture is wanted, and roto.mark is one channel",
        ),
    ] {
        let (code, text) = checked("", &format!("      out: {{ operator: {stages} }}\n"));
        assert_eq!(code, Some(1), "{stages}: {text}");
        assert!(
            text.contains(&format!("endboard.yaml:{}", line - 2)) && text.contains(says),
            "{stages}: {text}"
        );
    }
    let whole = "      out: { operator: passes, from: { clean: take.clean, takes: { left: take.left }, mattes: { left: roto.mark } } }\n";
    assert_eq!(checked("", whole).0, Some(0), "{}", checked("", whole).1);
}

#[test]
fn a_still_gives_its_one_frame_and_no_other() {
    let still = "  still: { files: plates/shed.####.exr, frames: 1005-1005, encoding: linear-rec709 }\n";
    let joined = "      out: { operator: passes, from: { clean: take.left, takes: { a: take.clean }, mattes: { a: roto.mark } } }\n";
    let (code, text) = checked(still, joined);
    assert!(
        code == Some(1) && text.contains("br010/out@1002 needs 1002 of br010/take.clean, which has 1005"),
        "{text}"
    );
    let filled = "      out: { operator: paint-out, from: { picture: take.left, matte: roto.mark, clean: take.clean }, fill: clean, clean_frame: 1005 }\n";
    let (code, text) = checked(still, filled);
    assert_eq!(code, Some(0), "{text}");
}
