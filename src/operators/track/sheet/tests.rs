//! Checks of tracks as text: what is read, what stays, what is put where.

use proptest::prelude::*;

use super::*;

const TEXT: &str = "# The duel.\nmattes:\n  crew:\n    shapes:\n      - keys: { 1: [[0, 0], [1, 0], [1, 1]] }\n\
                    points:\n  hook:\n    keys: { 1009: { at: [412.25, 300.5] }, 1010: { at: [1, 2], sure: 0.9 } }\n\
                    # Moves.\nmoves: { lean: { about: [0, 0], rotate: 3 } }\nrods:\n  keeper:\n    ease: linear\n    follows: hook\n    keys:\n      \
                    1009: { base: [1, 2], tip: [3, 4.5] }\n";

fn sheet(text: &str) -> Sheet {
    let (sheet, problems) = read(SourceId(0), text);
    assert!(problems.is_empty(), "{text}\n{problems:?}");
    sheet
}

fn followed(frame: i64) -> Key<2> {
    Key { frame, at: [-0.5, 7.0], sure: Some(0.5.into()) }
}

#[test]
fn what_is_not_a_followed_key_stays_to_the_letter() {
    let mut sheet = sheet(TEXT);
    assert_eq!(sheet.points[0].keys[1], Key { frame: 1010, at: [1.0, 2.0], sure: Some(0.9.into()) });
    assert_eq!((sheet.rods[0].keys[0].at, sheet.rods[0].keys[0].sure), ([1.0, 2.0, 3.0, 4.5], None));
    assert_eq!(put(TEXT, &sheet).unwrap(), TEXT);
    sheet.points[0].keys.push(followed(1011));
    let text = put(TEXT, &sheet).unwrap();
    let (head, tail) = TEXT.split_once("    keys: { 1009: { at").unwrap();
    let tail = tail.split_once('\n').unwrap().1;
    assert!(text.starts_with(head) && text.ends_with(tail), "{text}");
    assert_eq!(put(&text, &sheet).unwrap(), text);
    assert!(put("{ points: { hook: { keys: { 1: { at: [1, 2] } } } } }", &sheet).is_none());
}

#[test]
fn remarks_stay_beside_the_keys_that_they_speak_of() {
    let own = "points:\n  hook:   # the iron one\n    keys:\n      # From here.\n      1001: { at: [1, 2] }   # by eye\n\
               \x20     1002: { at: [3, 2], sure: 0.4 }   # too far left\n      1003: { at: [4, 4], sure: 0.5 }\n      1005: { at: [9, 9] }   # sure of it\n\
               # The end.\n";
    let mut sheet = sheet(own);
    let keys = &mut sheet.points[0].keys;
    (keys[1], keys[2]) = (followed(1002), followed(1004));
    keys.push(followed(1006));
    let wanted = "points:\n  hook:   # the iron one\n    keys:\n      # From here.\n      1001: { at: [1, 2] }   # by eye\n\
                  \x20     1002: { at: [-0.5, 7], sure: 0.5 }   # too far left\n      1004: { at: [-0.5, 7], sure: 0.5 }\n      1005: { at: [9, 9] }   # sure of it\n\
                  \x20     1006: { at: [-0.5, 7], sure: 0.5 }\n# The end.\n";
    assert_eq!(put(own, &sheet).unwrap(), wanted);
}

#[test]
fn things_find_a_place_in_every_form_of_a_file() {
    for text in [
        "",
        "# Nothing yet.",
        "points:\n",
        "points: {}\nmoves: { lean: { rotate: 3, about: [0, 0] } }\n",
        "points: { hook: { keys: { 1: { at: [1, 2] } } } }\n",
        "points:\n  hook: { keys: { 1: { at: [1, 2] } } }",
        "points:\n    hook:\n        keys:\n            1:\n                at: [1, 2]\nrods:\n    pole: { keys: { 1: { tip: [1, 2], base: [3, 4] } } }\n",
        "points:\n  hook:\n    keys: {\n      1: { at: [1, 2] },   # here }\n    }\n",
        "points:\n  hook:\n    keys:\n      1: { at: [1,\n             2] }\n      3: { at: [1, 1], sure: 0 }",
    ] {
        let mut all = read(SourceId(0), text).0;
        match all.points.first_mut() {
            Some(hook) => hook.keys = vec![Key { frame: 1, at: [1.0, 2.0], sure: None }, followed(2)],
            None => all.points.push(Thing { name: "hook".into(), keys: vec![followed(2)] }),
        }
        all.points.push(Thing { name: "lamp".into(), keys: vec![followed(2)] });
        all.rods
            .push(Thing { name: "keeper".into(), keys: vec![Key { frame: 2, at: [1.0; 4], sure: None }] });
        let put = put(text, &all).unwrap_or_else(|| panic!("no place in {text:?}"));
        assert_eq!(sheet(&put), all, "{put}");
    }
}

#[test]
fn every_problem_is_named() {
    let text = "points:\n  hook: { keys: { x: { at: [1, 2] }, 3: { at: [1] }, 4: { at: [1, 2], sure: 2 } } }\n\
                planes: { wall: { keys: { 1: { corners: [[0, 0]] } } }, bow: { keys: { 1: { corners: [[0, 0], [9, 9], [9, 0], [0, 9]] } } } }\n\
                rods: { keeper: { keys: { 1: { base: [0, 0] } } } }\n";
    let said: Vec<String> = read(SourceId(0), text).1.into_iter().map(|p| p.message).collect();
    assert_eq!(said.len(), 6, "{said:?}");
    // What the reader of shapes files refuses is refused here.
    let eased = "points: { hook: { ease: smooth, keys: { 1: { at: [1, 2] } } } }";
    assert!(read(SourceId(0), eased).1[0].message.contains("no setting 'ease'"));
}

proptest! {
    #[test]
    fn what_is_written_reads_back(
        places in proptest::collection::vec(-3000f64..3000.0, 8), sures in proptest::collection::vec(0f64..=1.0, 3), hand in any::<bool>(),
    ) {
        let sure = |i: usize| (!hand).then_some(Sure::from(sures[i]));
        let at = [0.0, 0.0, 90.0, 2.0, 95.0, 80.0, -2.0, 77.5].map(|v: f64| v + places[0] * 0.5);
        let key = |frame| rounded(Key { frame, at, sure: sure(1) });
        let point = rounded(Key { frame: 5, at: [places[3], places[4]], sure: sure(2) });
        let rod = rounded(Key { frame: 5, at: [places[3], places[4], places[5], places[6]], sure: sure(1) });
        let sheet = Sheet {
            points: vec![Thing { name: "hook".into(), keys: vec![point] }],
            planes: vec![Thing { name: "wall".into(), keys: vec![key(-3), key(1009)] }],
            rods: vec![Thing { name: "keeper".into(), keys: vec![rod] }],
        };
        let text = put("", &sheet).unwrap();
        prop_assert_eq!(read(SourceId(0), &text).0, sheet);
    }
}

#[test]
fn a_rods_base_is_read_and_written_with_a_sureness_of_its_own() {
    let text = "rods:\n  keeper:\n    keys:\n      1: { base: [1, 2], tip: [3, 4], sure: [0.4, 0.9] }\n      2: { base: [1, 2], tip: [3, 4], sure: 0.7 }\n";
    let (mut found, problems) = read(SourceId(0), text);
    assert!(problems.is_empty(), "{problems:?}");
    let sure = |sheet: &Sheet| sheet.rods[0].keys.iter().map(|key| key.sure.unwrap()).collect::<Vec<_>>();
    assert_eq!(sure(&found), [Sure { base: 0.4, whole: 0.9 }, Sure::from(0.7)]);
    // Whoever leaves it as it is finds it so to the letter, and what is followed says both where they differ.
    assert_eq!(put(text, &found).as_deref(), Some(text));
    found.rods[0].keys[1].sure = Some(Sure { base: 0.1, whole: 0.7 });
    assert!(put(text, &found).unwrap().contains("2: { base: [1, 2], tip: [3, 4], sure: [0.1, 0.7] }"));
    let said = |sure: &str, key: &str| {
        let (_, problems) = file::read(SourceId(0), &format!("{key}, sure: {sure} }} }} }} }}"));
        problems.first().map(|p| p.message.clone()).unwrap_or_default()
    };
    let rod = "rods: { keeper: { keys: { 1: { base: [1, 2], tip: [3, 4]";
    assert_eq!(said("[0.1, 1.2]", rod), "a key cannot be 1.2 sure");
    assert_eq!(said("[0.1]", rod), "how sure a rod's key is takes one number, or two");
    // A point has no base.
    assert!(said("[0.1, 0.2]", "points: { hook: { keys: { 1: { at: [1, 2]").contains("a number"));
}
