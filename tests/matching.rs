//! `match`: what it writes, what it leaves alone, and what it says when there is nothing to compare.
//!
//! Knows a small film. How good a first pass is, the tests of `operators::colour::matching` know.

mod project;

use project::Film;

fn film() -> Film {
    let film = Film::new();
    film.write_plate("shed", 3);
    film.declare(
        "  br010:
    plate: shed
    frames: 1001-1003
    stages:
      push: { operator: grade, from: { picture: plate }, slope: [1.5, 1, 0.7] }
      colour: { operator: grade, from: { picture: push } }
  br020:
    plate: shed
    frames: 1001-1003
    stages:
      colour: { operator: grade, from: { picture: plate } }
",
    );
    film
}

fn told(output: &std::process::Output) -> String {
    String::from_utf8_lossy(&output.stderr).into_owned()
}

#[test]
fn a_grade_is_written_and_a_persons_hand_is_kept() {
    let film = film();
    let early = film.run(&["match", "br010/push", "--to", "br020"]);
    assert_eq!(early.status.code(), Some(2));
    assert!(told(&early).contains("endboard rebuild br010/push"), "{}", told(&early));
    film.rebuild(&[]).well();
    let said = film.json(&["match", "br010/push", "--to", "br020"]);
    assert_eq!(said["file"], "grades/br010.cc");
    assert_eq!(said["to"]["stage"], "br020/plate");
    let slope = |c: usize| said["slope"][c].as_f64().unwrap();
    // The same frames: the push comes back.
    for (c, wanted) in [(0, 1.0 / 1.5), (1, 1.0), (2, 1.0 / 0.7)] {
        assert!((slope(c) - wanted).abs() < 0.06 * wanted, "{said}");
    }
    let (before, after) =
        (said["difference_before"].as_f64().unwrap(), said["difference_after"].as_f64().unwrap());
    assert!(after < before / 4.0, "{said}");
    let path = film.path().join("grades/br010.cc");
    let text = std::fs::read_to_string(&path).unwrap();
    // Its own file it writes again, to the same bytes.
    film.json(&["match", "br010/push", "--to", "br020"]);
    assert_eq!(std::fs::read_to_string(&path).unwrap(), text);
    let edited = text.replace("<Saturation>", "<Saturation> ");
    std::fs::write(&path, &edited).unwrap();
    let refused = film.run(&["match", "br010/push", "--to", "br020"]);
    assert_eq!(refused.status.code(), Some(2));
    assert!(told(&refused).contains("--replace"), "{}", told(&refused));
    assert_eq!(std::fs::read_to_string(&path).unwrap(), edited);
    let again = film.json(&["match", "br010/push", "--to", "br020", "--replace"]);
    assert_eq!(again["moved"], "grades/br010.1.cc");
    assert_eq!(std::fs::read_to_string(film.path().join("grades/br010.1.cc")).unwrap(), edited);
    assert_eq!(std::fs::read_to_string(&path).unwrap(), text);
}

#[test]
fn what_cannot_be_compared_is_said() {
    let film = film();
    for (words, wanted) in [
        (&["match", "br01*", "--to", "br020"][..], "does not name one shot"),
        (&["match", "br030", "--to", "br020"], "no shot 'br030'"),
        (&["match", "br020/paint", "--to", "br010"], "no stage 'paint'"),
        (&["match", "br020", "--to", "br020", "--within", "roto"], "STAGE.CHANNEL"),
        (&["match", "br020", "--to", "br020", "--space", "raw"], "is not a space"),
    ] {
        let output = film.run(words);
        assert_eq!(output.status.code(), Some(2), "{words:?}");
        assert!(told(&output).contains(wanted), "{words:?}: {}", told(&output));
    }
    assert!(!film.path().join("grades").exists());
}
