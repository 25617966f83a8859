//! The page's HTML: well-formed, escaped, asking nobody, with a table beside each chart, in colours that can be told apart.

use std::collections::{BTreeSet, HashMap};
use std::time::Duration;

use super::values::{
    Approval, Bar, Chart, Distribution, Finding, Findings, Kind, Note, Packet, Page, Picture, Piece, Shot,
    Spent,
};
use super::*;
use crate::base::frames::FrameRange;
use crate::base::state::{FrameState, State};
use crate::report::ribbon;
use crate::report::states::{Counts, Delivery, Passed, Strip};

/// A text that does harm wherever it is not escaped.
const HOSTILE: &str = "\"'><script>alert(1)</script><img src=x onerror=alert(1)>&amp;\u{202e}";

/// A page with something in every part, all texts `says`.
fn page(says: &str) -> Page {
    let s = || says.to_string();
    let run = |first, last, state: FrameState| (FrameRange::new(first, last), state);
    let runs = vec![
        run(1, 10, State::Fresh.into()),
        run(11, 14, State::Stale.into()),
        run(15, 15, FrameState::HELD),
        run(16, 16, FrameState::FRESH_HELD),
        run(17, 18, State::Absent.into()),
        run(19, 20, State::Out.into()),
        run(21, 21, State::Failed.into()),
        run(22, 24, State::Blocked.into()),
    ];
    let strip = Strip { shot: s(), stage: s(), runs };
    let picture = |stage: &str| Picture {
        stage: stage.into(),
        frame: 12,
        source: "data:image/jpeg;base64,AAAA".into(),
        size: (32, 18),
    };
    let piece = Piece {
        shot: Some(s()),
        frames: Some(FrameRange::new(1, 24)),
        length: 24,
        at: "00:00:00:00".into(),
        pictures: vec!["data:image/jpeg;base64,AAAA".into()],
    };
    let bar =
        Bar { name: s(), parts: Kind::ALL.into_iter().map(|kind| (kind, Duration::from_secs(90))).collect() };
    Page {
        film: s(),
        made: s(),
        rate: 24.0,
        pieces: vec![piece, Piece { length: 12, at: s(), ..Piece::default() }],
        is_cut: true,
        shots: vec![Shot {
            name: s(),
            left_out: false,
            stages: vec![strip.clone()],
            pictures: vec![picture("plate"), picture(says)],
        }],
        whole: vec![strip.clone()],
        counts: Counts::of(&strip.runs),
        next: vec![s()],
        trouble: vec![s()],
        hours: Spent { says: vec![s()], charts: vec![Chart { title: s(), of: s(), bars: vec![bar] }] },
        deliveries: vec![Delivery {
            name: s(),
            state: s(),
            place: Some(s()),
            delivered_as_it_is: vec![Passed { place: s(), says: s() }],
            why: vec![s()],
        }],
        ..people(says)
    }
}

/// What people and their work have on it.
fn people(says: &str) -> Page {
    let s = || says.to_string();
    let day = |text: &str| text.parse().unwrap();
    let note = Note { id: "1".into(), shot: s(), place: s(), by: s(), when: s(), says: s(), resolved: None };
    Page {
        forecast: Some(Distribution {
            days: vec![(day("2026-12-01"), 3), (day("2026-12-24"), 1)],
            quantiles: vec![(s(), day("2026-12-01")), ("P95".into(), day("2026-12-24"))],
            says: vec![s()],
            unknown: vec![s()],
        }),
        findings: Some(Findings {
            of: s(),
            all: vec![Finding {
                weight: "fault".into(),
                place: s(),
                shot: Some(s()),
                says: s(),
                earlier: false,
            }],
            cautions: vec![s()],
        }),
        notes: vec![note.clone(), Note { resolved: Some(s()), ..note }],
        approvals: vec![Approval {
            shot: s(),
            place: s(),
            by: s(),
            when: s(),
            says: s(),
            in_doubt: s(),
            lapsed: s(),
            lost: s(),
        }],
        packets: vec![Packet { name: s(), person: s(), places: vec![s()], due: s(), late: true, says: s() }],
        ..Page::default()
    }
}

/// Names of elements that have no end tag (HTML Standard, 13.1.2, void elements).
const VOID: [&str; 5] = ["meta", "link", "img", "input", "br"];

/// Elements with their attributes, in order; fails where tags do not match.
fn elements(html: &str) -> Vec<(String, HashMap<String, String>)> {
    let (mut open, mut all, mut rest) = (Vec::<String>::new(), Vec::new(), html);
    while let Some(at) = rest.find('<') {
        rest = &rest[at + 1..];
        if rest.starts_with('!') {
            rest = &rest[rest.find('>').unwrap() + 1..];
            continue;
        }
        if let Some(end) = rest.strip_prefix('/') {
            let name = &end[..end.find('>').unwrap()];
            assert_eq!(open.pop().as_deref(), Some(name), "near {}", &end[..end.len().min(120)]);
            rest = &end[name.len() + 1..];
            continue;
        }
        let (name, attributes, after) = tag(rest);
        rest = after;
        if ["script", "style"].contains(&&*name) {
            rest = &rest[rest.find(&format!("</{name}>")).unwrap()..];
        }
        if !VOID.contains(&&*name) {
            open.push(name.clone());
        }
        all.push((name, attributes));
    }
    assert!(open.is_empty(), "{open:?}");
    all
}

/// A start tag: its name, its attributes, and what follows it.
fn tag(text: &str) -> (String, HashMap<String, String>, &str) {
    let end = text.find([' ', '>']).unwrap();
    let (name, mut rest, mut attributes) = (text[..end].to_string(), &text[end..], HashMap::new());
    while let Some(more) = rest.strip_prefix(' ') {
        let end = more.find(['=', ' ', '>']).unwrap();
        let key = more[..end].to_string();
        rest = &more[end..];
        let value = match rest.strip_prefix("=\"") {
            Some(quoted) => {
                let end = quoted.find('"').unwrap();
                rest = &quoted[end + 1..];
                quoted[..end].to_string()
            }
            None => String::new(),
        };
        assert!(attributes.insert(key.clone(), value).is_none(), "{key} twice in {name}");
    }
    let rest = rest.strip_prefix('>').unwrap_or_else(|| panic!("{name} does not end"));
    (name, attributes, rest)
}

#[test]
fn tags_match_and_hostile_texts_stay_texts() {
    for way in [Way::File, Way::Live(7)] {
        let plain = elements(&html(&page("plain"), &way));
        let hostile = html(&page(HOSTILE), &way);
        let found = elements(&hostile);
        let names = |all: &[(String, HashMap<String, String>)]| {
            all.iter().map(|(n, _)| n.clone()).collect::<Vec<_>>()
        };
        // A place of a note leads to a shot with the same text either way, so that both pages have the same elements.
        assert_eq!(names(&plain), names(&found));
        assert!(!hostile.contains("<script>alert") && !hostile.contains("<img src=x"));
        assert!(found.iter().all(|(_, a)| a.keys().all(|key| !key.starts_with("on") && key != "style")));
    }
}

#[test]
fn ids_are_unique_and_all_that_is_named_is_there() {
    let all = elements(&html(&page("br010"), &Way::Live(1)));
    let ids: Vec<&String> = all.iter().filter_map(|(_, a)| a.get("id")).collect();
    let unique: BTreeSet<&String> = ids.iter().copied().collect();
    assert_eq!(ids.len(), unique.len(), "{ids:?}");
    for (name, attributes) in &all {
        for key in ["aria-labelledby", "aria-describedby", "for", "list"] {
            let named = attributes.get(key).into_iter().flat_map(|ids| ids.split(' '));
            named.for_each(|id| assert!(unique.contains(&id.to_string()), "{name} {key} names {id}"));
        }
        if let Some(id) = attributes.get("href").and_then(|to| to.strip_prefix('#')) {
            assert!(unique.contains(&id.to_string()), "a link to #{id}");
        }
        let is_drawn = name == "svg" && attributes.get("aria-hidden").is_none();
        let is_named = attributes.contains_key("aria-label") || attributes.contains_key("aria-labelledby");
        assert!(
            !is_drawn || (attributes.get("role").is_some_and(|r| r == "img") && is_named),
            "{attributes:?}"
        );
        assert!(name != "img" || attributes.contains_key("alt"));
    }
    let count = |wanted: &str| all.iter().filter(|(name, _)| name == wanted).count();
    assert_eq!((count("h1"), count("main"), count("nav"), count("header"), count("footer")), (1, 1, 1, 1, 1));
    // The chart of hours and the one of the forecast have a table each.
    assert_eq!(count("table"), 2);
}

#[test]
fn the_page_asks_nobody_for_anything() {
    let html = html(&page("br010"), &Way::File);
    for (name, attributes) in elements(&html) {
        for key in ["href", "src", "action"] {
            let Some(to) = attributes.get(key) else { continue };
            assert!(to.starts_with('#') || to.starts_with("data:"), "{name} {key}={to}");
        }
    }
    let policy = policy(&Way::File);
    assert!(policy.starts_with("default-src 'none'; img-src data:;"), "{policy}");
    assert!(policy.contains("connect-src 'none'") && !policy.contains("unsafe"), "{policy}");
    assert!(!STYLE.contains("url(") && !STYLE.contains("@import"));
}

#[test]
fn parts_with_nothing_in_them_are_left_out() {
    let bare = Page { film: "The Brine Lamp".into(), ..Page::default() };
    let html = html(&bare, &Way::File);
    let all = elements(&html);
    let sections: Vec<&String> =
        all.iter().filter(|(n, _)| n == "section").filter_map(|(_, a)| a.get("id")).collect();
    assert_eq!(sections, ["film", "shots"]);
}

#[test]
fn a_change_of_one_shot_changes_its_part_only() {
    let before = page("br010");
    let mut after = before.clone();
    after.shots.push(Shot { name: "br020".into(), ..Shot::default() });
    let mut changed = after.clone();
    changed.shots[1].stages = changed.shots[0].stages.clone();
    let ids = |a: &Page, b: &Page| {
        let (a, b) = (parts(a, &Way::Live(1)), parts(b, &Way::Live(2)));
        assert_eq!(a.len(), b.len());
        a.into_iter().zip(b).filter(|(a, b)| a != b).map(|(a, _)| a.id).collect::<Vec<_>>()
    };
    assert_eq!(ids(&after, &after), Vec::<String>::new());
    assert_eq!(ids(&after, &changed), ["shot-br020"]);
}

#[test]
fn shots_that_the_cut_leaves_out_are_counted_apart() {
    let mut page = page("br010");
    let strip = page.shots[0].stages[0].clone();
    let half = Strip { runs: strip.runs[..1].to_vec(), shot: "br020".into(), ..strip };
    let left = page.shots.len();
    page.shots.push(Shot {
        name: "br020".into(),
        left_out: true,
        stages: vec![half.clone()],
        ..Shot::default()
    });
    let head = parts(&page, &Way::File)[0].html.clone();
    assert!(head.contains(&format!("{left} shot, ")), "{head}");
    let apart = head.split_once("The cut leaves 1 shot out: ").expect("it is told").1;
    assert!(apart.contains(&Counts::of(&half.runs).total().to_string()), "{head}");
    assert!(shots::one(&page, &page.shots[1]).into_string().contains("left out by the cut"));
    assert!(!shots::one(&page, &page.shots[0]).into_string().contains("left out by the cut"));
}

/// A film of so many shots that its page is packed.
fn long() -> Page {
    let one = page("br010");
    let name = |n: usize| format!("br{:03}", (n + 1) * 10);
    let shot = |n: usize| {
        let stages =
            one.shots[0].stages.iter().map(|strip| Strip { shot: name(n), ..strip.clone() }).collect();
        Shot { name: name(n), left_out: false, stages, pictures: one.shots[0].pictures.clone() }
    };
    let piece = |n: usize| Piece { shot: Some(name(n)), ..one.pieces[0].clone() };
    Page { shots: (0..120).map(shot).collect(), pieces: (0..120).map(piece).collect(), ..one }
}

#[test]
fn a_long_films_page_is_packed_and_still_names_everything() {
    let long = long();
    let html = html(&long, &Way::File);
    let all = elements(&html);
    let count = |wanted: &str| all.iter().filter(|(name, _)| name == wanted).count();
    assert_eq!(all.iter().filter(|(_, a)| a.contains_key("data-packed")).count(), 3 + 3);
    // Without the page's program every shot is led to from the strip, and has its heading and its counts.
    assert_eq!((count("article"), count("image")), (120, 0));
    for shot in &long.shots {
        assert!(html.contains(&format!("<a href=\"#{}\">{}</a>", anchor(&shot.name), shot.name)));
        assert!(html.contains(&format!("<h3>{}</h3> 11 fresh", shot.name)));
    }
    let ids: Vec<&String> = all.iter().filter_map(|(_, a)| a.get("id")).collect();
    assert_eq!(ids.iter().collect::<BTreeSet<_>>().len(), ids.len());
    assert!(html.len() < long.shots.len() * shots::one(&long, &long.shots[0]).into_string().len() / 4);
}

#[test]
fn a_change_of_a_long_film_is_of_one_shot_and_one_length_of_its_strip() {
    let before = long();
    let mut after = before.clone();
    after.shots[70].stages[0].runs.truncate(1);
    let (a, b) = (parts(&before, &Way::Live(1)), parts(&after, &Way::Live(2)));
    assert_eq!(a.len(), b.len());
    let changed: Vec<String> = a.into_iter().zip(b).filter(|(a, b)| a != b).map(|(a, _)| a.id).collect();
    assert_eq!(changed, ["reel-1", "shot-br710"]);
}

#[test]
fn a_very_long_list_is_folded_up() {
    let mut page = page("br010");
    page.notes = vec![page.notes[0].clone(); 500];
    let html = html(&page, &Way::File);
    assert_eq!(html.matches("and 440 more").count(), 1);
}

/// Colours by name, of the light and of the dark scheme.
fn colours() -> [HashMap<String, [u8; 3]>; 2] {
    let read = |text: &str| {
        let mut all = HashMap::new();
        for (at, _) in text.match_indices("--") {
            let rest = &text[at + 2..];
            let Some((name, value)) = rest.split_once(": #") else { continue };
            if name.contains([';', '{', '}', ')']) {
                continue;
            }
            let code = |n: usize| u8::from_str_radix(&value[n..n + 2], 16).unwrap();
            all.insert(name.to_string(), [code(0), code(2), code(4)]);
        }
        all
    };
    let (light, rest) = STYLE.split_once("@media (prefers-color-scheme: dark)").unwrap();
    let dark = &rest[..rest.find("* {").unwrap()];
    [read(light), read(dark)]
}

/// Contrast by WCAG 2.2, from the relative luminance of sRGB codes.
fn contrast(a: [u8; 3], b: [u8; 3]) -> f64 {
    let linear = |code: u8| match f64::from(code) / 255.0 {
        c if c <= 0.04045 => c / 12.92,
        c => ((c + 0.055) / 1.055).powf(2.4),
    };
    let light = |[r, g, b]: [u8; 3]| 0.2126 * linear(r) + 0.7152 * linear(g) + 0.0722 * linear(b) + 0.05;
    light(a).max(light(b)) / light(a).min(light(b))
}

/// WCAG 2.2: 4.5 to 1 of texts (1.4.3), 3 to 1 of what carries meaning and of the frame around what has the focus (1.4.11).
#[test]
fn texts_and_textures_stand_out_in_both_schemes() {
    assert!((contrast([0, 0, 0], [255, 255, 255]) - 21.0).abs() < 1e-9);
    for colours in colours() {
        let of = |name: &str| *colours.get(name).unwrap_or_else(|| panic!("no colour {name} in {colours:?}"));
        for text in ["ink", "quiet", "lamp"] {
            for ground in ["ground", "sheet"] {
                let found = contrast(of(text), of(ground));
                assert!(found >= 4.5, "{text} on {ground}: {found}");
            }
        }
        for bar in ["people", "machine", "lamp"] {
            assert!(contrast(of(bar), of("ground")) >= 3.0, "{bar}: {}", contrast(of(bar), of("ground")));
            assert!(bar == "lamp" || contrast(of(bar), of("trough")) >= 3.0, "{bar} in its trough");
        }
        for shown in ribbon::SHOWN {
            let found = contrast(ribbon::ink(shown).rgb, of("ground"));
            assert!(found >= 3.0, "{:?}: {found}", ribbon::ink(shown).name);
        }
    }
}

/// Every texture that is used is drawn, and states and kinds of time have one each.
#[test]
fn every_texture_is_drawn_once() {
    let drawn: Vec<String> = elements(&textures::patterns().into_string())
        .iter()
        .filter_map(|(_, a)| a.get("id").cloned())
        .collect();
    let unique: BTreeSet<&String> = drawn.iter().collect();
    assert_eq!((drawn.len(), unique.len()), (14, 14));
    for shown in ribbon::told() {
        assert!(drawn.contains(&format!("t-{}", textures::of_state(shown))));
    }
    for kind in Kind::ALL {
        assert!(drawn.contains(&format!("t-{}", kind.texture())));
    }
}

#[test]
fn anchors_differ_as_names_do() {
    assert_eq!(anchor("br010"), "shot-br010");
    assert_ne!(anchor("a b"), anchor("a~20b"));
    assert!(anchor(HOSTILE).chars().all(|c| c.is_ascii_alphanumeric() || "-_.~".contains(c)));
}
