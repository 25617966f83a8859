//! Tests of the Common LUT Format.

use super::*;
use crate::base::level::Level;
use crate::base::problem::SourceId;
use crate::operators::colour::chain::Chain;

pub(super) fn attached(text: &str) -> Attachment {
    Attachment { path: "looks/lamp.clf".into(), bytes: text.as_bytes().into(), source: Some(SourceId(0)) }
}

/// A list of these nodes, in the Academy's form.
pub(super) fn list(nodes: &str) -> String {
    format!(
        "<ProcessList id=\"lamp\" compCLFversion=\"3.0\" xmlns=\"urn:AMPAS:CLF:v3.0\">\n{nodes}\n</ProcessList>"
    )
}

/// A list of one node with floating-point numbers on both sides.
pub(super) fn node(name: &str, attributes: &str, inside: &str) -> String {
    list(&format!("<{name} inBitDepth=\"32f\" outBitDepth=\"32f\" {attributes}>{inside}</{name}>"))
}

fn colour(text: &str, colour: [f64; 3]) -> [f64; 3] {
    let look = read(&attached(text)).unwrap_or_else(|p| panic!("{text}: {p:?}"));
    let mut planes = colour.map(|v| [v as f32]);
    let [r, g, b] = &mut planes;
    Chain::new().look(&look).apply(Level::best(), [r, g, b]);
    planes.map(|p| p[0].into())
}

fn near(text: &str, from: [f64; 3], want: [f64; 3]) {
    let got = colour(text, from);
    for c in 0..3 {
        assert!((got[c] - want[c]).abs() <= 2e-6 * want[c].abs().max(1.0), "{text}: {got:?} not {want:?}");
    }
}

#[test]
fn numbers_are_scaled_by_the_depths_that_they_are_written_for() {
    // From 10 bits to 8: the same light, and 51 of 255 more.
    let scale = 255.0 / 1023.0;
    let rows = format!("{scale} 0 0 51  0 {scale} 0 0  0 0 {scale} -25.5");
    let text = list(&format!(
        "<Matrix inBitDepth=\"10i\" outBitDepth=\"8i\"><Array dim=\"3 4\">{rows}</Array></Matrix>"
    ));
    near(&text, [0.5, 1.5, -0.25], [0.7, 1.5, -0.35]);
    let old = text.replace("3 4", "3 4 3");
    near(&old, [0.5, 1.5, -0.25], [0.7, 1.5, -0.35]);
    let range = list(
        "<Range inBitDepth=\"16i\" outBitDepth=\"12i\"><minInValue>6553.5</minInValue><maxInValue>65535</maxInValue>\
         <minOutValue>0</minOutValue><maxOutValue>4095</maxOutValue></Range>",
    );
    near(&range, [0.55, 0.0, 2.0], [0.5, 0.0, 1.0]);
    let free = range.replace("<Range", "<Range style=\"noClamp\"");
    near(&free, [0.55, 0.0, 2.0], [0.5, -0.111_111_111, 2.111_111_111]);
    let low = list(
        "<Range inBitDepth=\"8i\" outBitDepth=\"32f\"><minInValue>25.5</minInValue><minOutValue>0.1</minOutValue></Range>",
    );
    near(&low, [0.05, 0.5, 9.0], [0.1, 0.5, 9.0]);
}

#[test]
fn matrices_mix() {
    let text = node("Matrix", "", "<Array dim=\"3 3\">0 1 0 <!-- green first --> 0.5 0 0.5\n-1 0 2</Array>");
    near(&text, [0.1, 0.2, 0.3], [0.2, 0.2, 0.5]);
}

#[test]
fn tables_are_read_in_their_order() {
    let text = node("LUT1D", "", "<Array dim=\"3 3\">0 1 0  0.5 0.5 4  1 0 8</Array>");
    near(&text, [0.25, 0.25, 0.75], [0.25, 0.75, 6.0]);
    near(&text, [-1.0, 2.0, 2.0], [0.0, 0.0, 8.0]);
    let one = node("LUT1D", "interpolation=\"linear\"", "<Array dim=\"2 1\">1 0</Array>");
    near(&one, [0.25, 0.5, 1.0], [0.75, 0.5, 0.0]);
    // Blue changes fastest: only the last corner of each pair has blue.
    let corners = "0 0 0  0 0 1  0 1 0  0 1 1  1 0 0  1 0 1  1 1 0  1 1 1";
    let text = node("LUT3D", "", &format!("<Array dim=\"2 2 2 3\">{corners}</Array>"));
    near(&text, [0.1, 0.4, 0.9], [0.1, 0.4, 0.9]);
}

/// The table of the outside checks D, written blue fastest, with both ways between entries.
#[test]
fn both_ways_between_entries_are_those_of_the_outside_checks() {
    let all: serde_json::Value =
        serde_json::from_str(include_str!("../../../../tests/checks/cube.json")).unwrap();
    let cube = all["lut3d"]["cube"].as_str().unwrap();
    let rows: Vec<&str> = cube.lines().filter(|l| l.starts_with(|c: char| c.is_ascii_digit())).collect();
    assert_eq!(rows.len(), 27);
    let turned: Vec<&str> = (0..27).map(|i| rows[(i % 3) * 9 + (i / 3 % 3) * 3 + i / 9]).collect();
    let array = format!("<Array dim=\"3 3 3 3\">{}</Array>", turned.join("\n"));
    let cases = all["lut3d"]["cases"].as_array().unwrap();
    assert_eq!(cases.len(), 20);
    for (style, name) in [("trilinear", "trilinear"), ("tetrahedral", "tetrahedral"), ("", "trilinear")] {
        let style = if style.is_empty() { String::new() } else { format!("interpolation=\"{style}\"") };
        let text = node("LUT3D", &style, &array);
        for case in cases {
            let three = |v: &serde_json::Value| std::array::from_fn(|c| v[c].as_f64().unwrap());
            let got = colour(&text, three(&case["rgb"]));
            for name in [name.to_string(), format!("ocio_{name}")] {
                let want: [f64; 3] = three(&case[&name]);
                assert!((0..3).all(|c| (got[c] - want[c]).abs() < 3e-7), "{case} {name}: {got:?}");
            }
        }
    }
}

#[test]
fn tables_over_half_floats_go_straight_between_them() {
    use half::f16;
    use std::fmt::Write;
    let mut bits = String::new();
    let mut doubled = String::new();
    for i in 0..=u16::MAX {
        let _ = writeln!(bits, "{i}");
        let v = f16::from_bits(i).to_f32() * 2.0;
        let _ = writeln!(doubled, "{v}");
    }
    let raw = node(
        "LUT1D",
        "halfDomain=\"true\" rawHalfs=\"true\"",
        &format!("<Array dim=\"65536 1\">{bits}</Array>"),
    );
    // An identity: also between half floats, below nothing, and of the smallest numbers.
    for v in [0.1, -0.333, 3e-8, -1e-9, 0.0, 65504.0, 1.000_3] {
        let got = colour(&raw, [v; 3])[0];
        assert!((got - f64::from(v as f32)).abs() <= f64::from(v as f32).abs() * 1.3e-7, "{v}: {got}");
    }
    assert_eq!(colour(&raw, [1e9, -1e9, f64::NAN]), [65504.0, -65504.0, 0.0]);
    let text = node("LUT1D", "halfDomain=\"true\"", &format!("<Array dim=\"65536 1\">{doubled}</Array>"));
    near(&text, [0.3, -0.7, 1000.3], [0.6, -1.4, 2000.6]);
}

#[test]
fn logarithms_have_their_styles() {
    near(&node("Log", "style=\"log10\"", ""), [1.0, 10.0, 0.01], [0.0, 1.0, -2.0]);
    near(&node("Log", "style=\"antiLog10\"", ""), [0.0, 1.0, -2.0], [1.0, 10.0, 0.01]);
    near(&node("Log", "style=\"log2\"", ""), [1.0, 8.0, 0.25], [0.0, 3.0, -2.0]);
    near(&node("Log", "style=\"antiLog2\"", ""), [0.0, 3.0, -2.0], [1.0, 8.0, 0.25]);
    // The smallest normal number stands for what has no logarithm.
    near(&node("Log", "style=\"log2\"", ""), [0.0, -1.0, 1.0], [-126.0, -126.0, 0.0]);
    let params = "<LogParams base=\"10\" logSideSlope=\"0.3\" logSideOffset=\"0.6\" linSideSlope=\"0.9\" linSideOffset=\"0.1\"/>";
    let log = |x: f64| 0.3 * (0.9 * x + 0.1).log10() + 0.6;
    let wanted = [0.18, 1.0, 3.0].map(log);
    near(&node("Log", "style=\"linToLog\"", params), [0.18, 1.0, 3.0], wanted);
    near(&node("Log", "style=\"logToLin\"", params), wanted, [0.18, 1.0, 3.0]);
    // ACEScct (Academy S-2016-001) and its values of the outside checks E.
    let cct = "<LogParams logSideSlope=\"0.0570776255707763\" logSideOffset=\"0.554794520547945\" linSideBreak=\"0.0078125\"/>";
    near(
        &node("Log", "style=\"cameraLinToLog\"", cct),
        [0.18, 0.001, -0.01],
        [0.413588402, 0.0834457719, -0.0324968432],
    );
    near(
        &node("Log", "style=\"cameraLogToLin\"", cct),
        [0.413588402, 0.0834457719, -0.0324968432],
        [0.18, 0.001, -0.01],
    );
    let straight = cct.replace("/>", " linearSlope=\"5\"/>");
    let at_cut = 0.0570776255707763 * 0.0078125f64.log2() + 0.554794520547945;
    near(
        &node("Log", "style=\"cameraLinToLog\"", &straight),
        [0.0, 0.0078125, 1.0],
        [at_cut - 0.0390625, at_cut, 0.554794520547945],
    );
    let each = "<LogParams channel=\"G\" base=\"4\"/><LogParams channel=\"R\" base=\"2\"/><LogParams channel=\"B\" base=\"16\"/>";
    near(&node("Log", "style=\"linToLog\"", each), [16.0; 3], [4.0, 2.0, 1.0]);
}

#[test]
fn exponents_have_their_styles() {
    let params = "<ExponentParams exponent=\"2\"/>";
    for (style, from, want) in [
        ("basicFwd", [0.5, -0.5, 3.0], [0.25, 0.0, 9.0]),
        ("basicRev", [0.25, -0.25, 9.0], [0.5, 0.0, 3.0]),
        ("basicMirrorFwd", [0.5, -0.5, 3.0], [0.25, -0.25, 9.0]),
        ("basicMirrorRev", [0.25, -0.25, 9.0], [0.5, -0.5, 3.0]),
        ("basicPassThruFwd", [0.5, -0.5, 3.0], [0.25, -0.5, 9.0]),
        ("basicPassThruRev", [0.25, -0.5, 9.0], [0.5, -0.5, 3.0]),
    ] {
        near(&node("Exponent", &format!("style=\"{style}\""), params), from, want);
    }
    let curve = "<ExponentParams exponent=\"2.4\" offset=\"0.055\"/>";
    // IEC 61966-2-1 from its own numbers, above its toe; the toe is the tangent, 1/12.923.
    let (v, l) = ([0.5, 0.9, 0.02], [0.214041140482, 0.787412289395, 0.02 / 12.923_210_180_8]);
    near(&node("Exponent", "style=\"monCurveFwd\"", curve), v, l);
    near(&node("Exponent", "style=\"monCurveRev\"", curve), l, v);
    near(&node("Exponent", "style=\"monCurveMirrorFwd\"", curve), v.map(|v| -v), l.map(|l| -l));
    near(&node("Exponent", "style=\"monCurveMirrorRev\"", curve), l.map(|l| -l), v.map(|v| -v));
    let straight = "<ExponentParams exponent=\"1\" offset=\"0\"/>";
    near(&node("Exponent", "style=\"monCurveFwd\"", straight), [0.5, -0.2, 3.0], [0.5, -0.2, 3.0]);
    // Channels that are not said are let through.
    let red = "<ExponentParams channel=\"R\" exponent=\"3\" offset=\"0.16\"/>";
    let got = colour(&node("Exponent", "style=\"monCurveFwd\"", red), [0.5; 3]);
    assert!((got[0] - (0.66f64 / 1.16).powi(3)).abs() < 1e-6 && (got[1] - 0.5).abs() < 1e-5, "{got:?}");
}

pub(super) const SOP: &str = "<SOPNode><Slope>1.2 1 0.8</Slope><Offset>0.1 0 -0.1</Offset><Power>1.1 1 0.9</Power></SOPNode>\
                   <SatNode><Saturation>1.3</Saturation></SatNode>";

#[test]
fn cdls_have_their_styles_and_lead_back() {
    let from = [0.4, 0.3, 0.5];
    let clamped = colour(&node("ASC_CDL", "style=\"FwdNoClamp\"", SOP), from);
    near(&node("ASC_CDL", "", SOP), from, clamped);
    for (there, back) in [("FwdNoClamp", "RevNoClamp"), ("Fwd", "Rev"), ("noClampFwd", "noClampRev")] {
        let graded = colour(&node("ASC_CDL", &format!("style=\"{there}\""), SOP), from);
        near(&node("ASC_CDL", &format!("style=\"{back}\""), SOP), graded, from);
    }
    let bright = colour(&node("ASC_CDL", "style=\"Fwd\"", SOP), [3.0, 2.0, -1.0]);
    assert!(bright.iter().all(|v| (0.0..=1.0).contains(v)));
    assert!(colour(&node("ASC_CDL", "style=\"FwdNoClamp\"", SOP), [3.0, 2.0, -1.0])[0] > 3.0);
}

/// The way back of the outside checks C.
#[test]
fn the_way_back_is_that_of_the_outside_checks() {
    let all: serde_json::Value =
        serde_json::from_str(include_str!("../../../../tests/checks/cdl.json")).unwrap();
    let cases = all["inverse_ocio_no_clamp"].as_array().unwrap();
    assert_eq!(cases.len(), 2);
    let warm = &all["grades"]["warm"];
    let three = |v: &serde_json::Value| [0, 1, 2].map(|c| v[c].as_f64().unwrap());
    let words = |name: &str| three(&warm[name]).map(|v| v.to_string()).join(" ");
    let sop = format!(
        "<SOPNode><Slope>{}</Slope><Offset>{}</Offset><Power>{}</Power></SOPNode><SatNode><Saturation>{}</Saturation></SatNode>",
        words("slope"),
        words("offset"),
        words("power"),
        warm["sat"]
    );
    for case in cases {
        near(&node("ASC_CDL", "style=\"FwdNoClamp\"", &sop), three(&case["rgb"]), three(&case["forward"]));
        near(&node("ASC_CDL", "style=\"RevNoClamp\"", &sop), three(&case["forward"]), three(&case["back"]));
    }
}

#[test]
fn nodes_follow_one_another() {
    let text = list(
        "<Description>Two nodes &amp; a word.</Description><InputDescriptor>light</InputDescriptor><Info><Any>1</Any></Info>\
         <Matrix inBitDepth=\"32f\" outBitDepth=\"8i\" name=\"double\"><Description>x</Description>\
         <Array dim=\"3 3\">510 0 0 0 510 0 0 0 510</Array></Matrix>\n\
         <Exponent inBitDepth=\"8i\" outBitDepth=\"16f\" style=\"basicFwd\"><ExponentParams exponent=\"2\"/></Exponent>",
    );
    near(&text, [0.25, 0.5, 1.0], [0.25, 1.0, 4.0]);
}

#[test]
fn both_bodies_namespaces_are_read() {
    let array = "<Array dim=\"2 1\">0 1</Array>";
    let lut = format!("<LUT1D inBitDepth=\"16f\" outBitDepth=\"16f\">{array}</LUT1D>");
    for head in [
        "xmlns=\"urn:AMPAS:CLF:v3.0\" id=\"a\" compCLFversion=\"3.0\"",
        "xmlns=\"urn:AMPAS:CLF:v2.0\" id=\"a\" compCLFversion=\"2.0\"",
        "id=\"a\" compCLFversion=\"3\"",
        "xmlns=\"http://www.smpte-ra.org/ns/2136-1/2024\" compCLFversion=\"ST2136-1:2024\"",
        "xmlns=\"http://www.smpte-ra.org/ns/2136-1/2024\" compCLFversion=\"3.0\"",
        "xmlns=\"http://www.smpte-ra.org/ns/2136-1/2024\"",
    ] {
        near(
            &format!("<?xml version=\"1.0\"?>\n<ProcessList {head}>{lut}</ProcessList>"),
            [0.5; 3],
            [0.5; 3],
        );
    }
    let prefixed = "<clf:ProcessList xmlns:clf=\"http://www.smpte-ra.org/ns/2136-1/2024\" \
                    xmlns:ds=\"http://www.w3.org/2000/09/xmldsig#\">\
                    <clf:Id>urn:uuid:1f3a</clf:Id>\
                    <clf:LUT1D inBitDepth=\"16f\" outBitDepth=\"16f\"><clf:Array dim=\"2 1\">0 2</clf:Array></clf:LUT1D>\
                    </clf:ProcessList>";
    near(prefixed, [0.5; 3], [1.0; 3]);
}

#[test]
fn talk_changes_no_digest_and_a_number_does() {
    let text = node("Matrix", "", "<Array dim=\"3 3\">1 0 0 0 1 0 0 0 1</Array>");
    let digest = |text: &str| read(&attached(text)).unwrap().digest();
    let talk =
        text.replace("<Array", "<Description>salt</Description>\n<Array").replace("1 0 0 0", "1.0 0 -0 0");
    assert_eq!(digest(&text), digest(&talk));
    assert_ne!(digest(&text), digest(&text.replace("0 0 1<", "0 0 2<")));
    let table = node("LUT3D", "", &format!("<Array dim=\"2 2 2 3\">{}</Array>", "0 1 2 ".repeat(8)));
    let other = table.replace("outBitDepth=\"32f\" ", "outBitDepth=\"32f\" interpolation=\"tetrahedral\" ");
    assert_ne!(digest(&table), digest(&other));
}

proptest::proptest! {
    #[test]
    fn no_bytes_make_it_panic(bytes in proptest::collection::vec(proptest::prelude::any::<u8>(), 0..300)) {
        let _ = read(&Attachment { path: "a.clf".into(), bytes: bytes.into(), source: Some(SourceId(0)) });
    }

    #[test]
    fn no_damage_makes_it_panic(at in 0usize..600, byte in proptest::prelude::any::<u8>(), cut in 0usize..600) {
        let text = list(&format!(
            "<Log inBitDepth=\"32f\" outBitDepth=\"32f\" style=\"cameraLinToLog\"><LogParams linSideBreak=\"0.01\"/></Log>\
             <LUT1D inBitDepth=\"32f\" outBitDepth=\"32f\"><Array dim=\"2 1\">0 1</Array></LUT1D>\
             <ASC_CDL inBitDepth=\"32f\" outBitDepth=\"32f\">{SOP}</ASC_CDL>"
        ));
        let mut bytes = text.into_bytes();
        let at = at % bytes.len();
        bytes[at] = byte;
        bytes.truncate(if cut > 300 { bytes.len() } else { cut.max(1) });
        let file = Attachment { path: "a.clf".into(), bytes: bytes.into(), source: Some(SourceId(0)) };
        if let Ok(look) = read(&file) {
            let mut planes = [[0.3f32], [-1.0], [1e20]];
            let [r, g, b] = &mut planes;
            Chain::new().look(&look).apply(Level::best(), [r, g, b]);
        }
    }
}
