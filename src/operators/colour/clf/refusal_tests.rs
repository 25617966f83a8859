//! Tests of what the Common LUT Format forbids.

use super::tests::{SOP, attached, list, node};
use super::*;
use crate::base::problem::Sources;

/// Each is refused with these words, at this line and column.
#[test]
fn what_the_format_forbids_is_refused_at_its_place() {
    let array = |dim: &str, numbers: &str| format!("<Array dim=\"{dim}\">\n{numbers}</Array>");
    let sop = |from: &str, to: &str| node("ASC_CDL", "", &SOP.replace(from, to));
    let params = |text: &str| node("Exponent", "style=\"basicFwd\"", text);
    let range = |inside: &str| node("Range", "", inside);
    let low = "<minInValue>0</minInValue><minOutValue>0</minOutValue>";
    let high = "<maxInValue>1</maxInValue><maxOutValue>1</maxOutValue>";
    let cases = [
        (node("Matrix", "", &array("3 3", "1 0 0 0 1 0 0 0")), "9 numbers are wanted here, not 8", "2:"),
        (node("Matrix", "", &array("3 3", "1 0 0 0 1 0 0 0 1 2")), "more numbers than the 9", "3:19"),
        (node("Matrix", "", &array("3 3", "1 0 0 x 1 0 0 0 1")), "'x' is not a number", "3:7"),
        (node("Matrix", "", &array("4 4", "1")), "a matrix of these dimensions", "2:"),
        (node("Matrix", "", &array("three", "1")), "are not the dimensions", "2:"),
        (node("Matrix", "", ""), "lacks its Array", "2:1"),
        (node("Matrix", "", &array("3 3", "1 0 0 0 1 0 0 0 1").repeat(2)), "a second Array", "3:"),
        (node("LUT1D", "", &array("1 3", "1 1 1")), "a table of 1 entries", "2:"),
        (node("LUT1D", "", &array("2 2", "1 1 1 1")), "of these dimensions", "2:"),
        (node("LUT1D", "halfDomain=\"false\"", &array("2 1", "0 1")), "'halfDomain' can only be true", "2:1"),
        (node("LUT1D", "rawHalfs=\"false\"", &array("2 1", "0 1")), "'rawHalfs' can only be true", "2:1"),
        (node("LUT1D", "halfDomain=\"true\"", &array("2 1", "0 1")), "65536 entries, not 2", "2:"),
        (node("LUT1D", "rawHalfs=\"true\"", &array("2 1", "0 65536")), "not the bits of a half float", "3:3"),
        (node("LUT1D", "interpolation=\"cubic\"", &array("2 1", "0 1")), "not a choice", "2:1"),
        (node("LUT1D", "", &array("2 1", "0 nan")), "'nan' is not a number", "3:3"),
        (node("LUT3D", "", &array("2 2 3 3", "0")), "of these sizes", "2:"),
        (node("LUT3D", "", &array("2 2 2", "0")), "of these dimensions", "2:"),
        (node("LUT3D", "interpolation=\"linear\"", &array("2 2 2 3", "0")), "not a choice", "2:1"),
        (range(""), "no limit", "2:1"),
        (range("<minInValue>0</minInValue>"), "has no partner", "2:1"),
        (range("<minInValue>0</minInValue><minOutValue>0.5</minOutValue>"), "limits differ", "2:1"),
        (
            range(&format!("{low}<maxInValue>0</maxInValue><maxOutValue>1</maxOutValue>")),
            "below its start",
            "2:1",
        ),
        (node("Range", "style=\"noClamp\"", low), "neither scales nor holds", "2:1"),
        (node("Range", "style=\"soft\"", &format!("{low}{high}")), "not a choice", "2:1"),
        (node("Log", "", ""), "lacks its 'style'", "2:1"),
        (node("Log", "style=\"log3\"", ""), "not a choice", "2:1"),
        (node("Log", "style=\"log2\"", "<LogParams/>"), "takes no LogParams", "2:"),
        (node("Log", "style=\"linToLog\"", ""), "wants LogParams", "2:1"),
        (node("Log", "style=\"linToLog\"", "<LogParams base=\"1\"/>"), "no logarithm to this base", "2:"),
        (node("Log", "style=\"linToLog\"", "<LogParams gamma=\"1\"/>"), "'gamma' is not a parameter", "2:"),
        (node("Log", "style=\"linToLog\"", "<LogParams logSideSlope=\"0\"/>"), "a slope of 0", "2:"),
        (node("Log", "style=\"linToLog\"", "<LogParams linSideBreak=\"0.1\"/>"), "belongs to a camera", "2:"),
        (node("Log", "style=\"cameraLinToLog\"", "<LogParams/>"), "lacks its linSideBreak", "2:"),
        (node("Log", "style=\"cameraLinToLog\"", "<LogParams linSideBreak=\"-1\"/>"), "does not rise", "2:"),
        (node("Log", "style=\"linToLog\"", "<LogParams channel=\"R\"/>"), "lacks its LogParams", "2:1"),
        (params(""), "lacks its ExponentParams", "2:1"),
        (params("<ExponentParams/>"), "lacks its 'exponent'", "2:"),
        (params("<ExponentParams exponent=\"x\"/>"), "not a number for 'exponent'", "2:"),
        (params("<ExponentParams exponent=\"0\"/>"), "out of range", "2:"),
        (params("<ExponentParams exponent=\"2\" offset=\"0.1\"/>"), "has no offset", "2:"),
        (params("<ExponentParams exponent=\"2\" gain=\"1\"/>"), "'gain' is not a parameter", "2:"),
        (
            params("<ExponentParams exponent=\"2\"/>").replace("basicFwd", "monCurveFwd"),
            "lacks its 'offset'",
            "2:",
        ),
        (
            params(&"<ExponentParams exponent=\"2\" channel=\"R\"/>".repeat(2)),
            "second set of parameters",
            "2:",
        ),
        (params(&"<ExponentParams exponent=\"2\"/>".repeat(2)), "parameters of no channel", "2:"),
        (node("ASC_CDL", "style=\"forth\"", SOP), "not a choice", "2:1"),
        (node("ASC_CDL", "", ""), "neither SOPNode nor SatNode", "2:1"),
        (sop("<Offset>0.1 0 -0.1</Offset>", ""), "lacks Offset", "2:"),
        (sop("1.1 1 0.9", "0 1 1"), "a power is above 0", "2:"),
        (sop("1.2 1 0.8", "-1 1 1"), "a slope is at least 0", "2:"),
        (sop("1.3", "1 2"), "1 numbers are wanted here, not 2", "2:"),
        (node("ASC_CDL", "style=\"Rev\"", &SOP.replace("1.2 1 0.8", "0 1 1")), "no way back", "2:1"),
        (node("Matrx", "", ""), "is not a node of this format", "2:1"),
        (node("IndexMap", "", ""), "is not a node of this format", "2:1"),
        (
            node("Matrix", "bypass=\"true\"", &array("3 3", "1 0 0 0 1 0 0 0 1")),
            "'bypass' is not an attribute",
            "2:1",
        ),
        (
            node("Matrix", "", &format!("{}<Row/>", array("3 3", "1 0 0 0 1 0 0 0 1"))),
            "<Row> does not belong",
            "3:",
        ),
        (list("<Log outBitDepth=\"32f\" style=\"log2\"/>"), "lacks 'inBitDepth'", "2:1"),
        (list("<Log inBitDepth=\"32f\" style=\"log2\"/>"), "lacks 'outBitDepth'", "2:1"),
        (
            list("<Log inBitDepth=\"32f\" outBitDepth=\"14i\" style=\"log2\"/>"),
            "'14i' is not a bit depth",
            "2:1",
        ),
        (
            list(
                "<Log inBitDepth=\"32f\" outBitDepth=\"8i\" style=\"log2\"/>\n<Log inBitDepth=\"10i\" outBitDepth=\"8i\" style=\"log2\"/>",
            ),
            "takes 10i, and the one before it gives 8i",
            "3:1",
        ),
        (list(""), "holds no node", "1:1"),
        ("<ProcessList compCLFversion=\"3.0\"/>".into(), "lacks an 'id'", "1:1"),
        ("<ProcessList id=\"\" compCLFversion=\"3.0\"/>".into(), "lacks an 'id'", "1:1"),
        ("<ProcessList id=\"a\"/>".into(), "lacks 'compCLFversion'", "1:1"),
        ("<ProcessList id=\"a\" compCLFversion=\"3.1\"/>".into(), "'3.1' is not known", "1:1"),
        ("<ProcessList id=\"a\" compCLFversion=\"new\"/>".into(), "'new' is not known", "1:1"),
        (
            "<ProcessList xmlns=\"http://www.smpte-ra.org/ns/2136-1/2031\" compCLFversion=\"3.0\"/>".into(),
            "edition 2031",
            "1:1",
        ),
        (
            "<ProcessList xmlns=\"urn:other\" id=\"a\" compCLFversion=\"3.0\"/>".into(),
            "not a namespace",
            "1:1",
        ),
        ("<Look/>".into(), "not a Common LUT Format file", "1:1"),
        (list("<Matrix"), "not sound XML", "2:"),
        (list("<Matrix inBitDepth=\"32f\" outBitDepth=\"32f\">"), "not sound XML", "3:"),
        ("<ProcessList id=\"a\" compCLFversion=\"3.0\">".into(), "ends inside <ProcessList>", "1:1"),
        ("<!DOCTYPE a>\n<ProcessList/>".into(), "a document type is not accepted", "1:1"),
    ];
    for (text, words, place) in cases {
        let problems = match read(&attached(&text)) {
            Ok(_) => panic!("{text} is taken"),
            Err(problems) => problems,
        };
        assert!(problems[0].message.contains(words), "{text}: {} not {words}", problems[0].message);
        let mut sources = Sources::new();
        sources.add("a.clf", text.as_str());
        let at = sources.place(problems[0].span.unwrap());
        assert!(at.starts_with(&format!("a.clf:{place}")), "{text}: {at} not {place}");
    }
}

#[test]
fn every_problem_is_named_in_one_run() {
    let text = list(
        "<Log inBitDepth=\"32f\" outBitDepth=\"8i\" style=\"logs\"/>\n<Matrix inBitDepth=\"10i\" outBitDepth=\"8i\"/>\n<Other/>",
    );
    let problems = read(&attached(&text)).unwrap_err();
    assert_eq!(problems.len(), 4, "{problems:?}");
    let many = list(&"<Other/>\n".repeat(1000));
    assert_eq!(read(&attached(&many)).unwrap_err().len(), PROBLEM_LIMIT);
}
