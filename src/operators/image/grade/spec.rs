//! What the grade operator is called and takes.
//!
//! Knows names, limits, defaults and words. Does not know what becomes of them.

use crate::operators::colour::cdl::LIMIT;
use crate::operators::colour::encoding;
use crate::operators::{Carries, Kind, Param, Port, Spec};

/// The port of the picture.
pub const PICTURE: usize = 0;
/// The port of the mattes.
pub const MATTES: usize = 1;

/// Words for the space of a step: the working space, or an encoding.
const SPACES: [&str; encoding::NAMES.len() + 1] = with_first("working");
/// Words for the space that a look ends in: the one it starts in, the working space, or an encoding.
const ENDS: [&str; SPACES.len() + 1] = {
    let mut words = ["as-look-in"; SPACES.len() + 1];
    let mut i = 0;
    while i < SPACES.len() {
        words[i + 1] = SPACES[i];
        i += 1;
    }
    words
};

const fn with_first(first: &'static str) -> [&'static str; encoding::NAMES.len() + 1] {
    let mut words = [first; encoding::NAMES.len() + 1];
    let mut i = 0;
    while i < encoding::NAMES.len() {
        words[i + 1] = encoding::NAMES[i];
        i += 1;
    }
    words
}

const fn param(name: &'static str, kind: Kind, default: &'static str, doc: &'static str) -> Param {
    Param { name, kind, unit: "", default, doc }
}

const fn within(
    name: &'static str,
    min: f64,
    max: f64,
    unit: &'static str,
    default: &'static str,
    doc: &'static str,
) -> Param {
    Param { name, kind: Kind::Keyed { min, max }, unit, default, doc }
}

pub static SPEC: Spec = Spec {
    name: "grade",
    version: 1,
    summary: "Grades a picture: exposure, white balance, an ASC CDL, corrections within mattes, a vignette, a look, a soft \
              clip, in this order.",
    ports: &[
        Port { name: "picture", carries: Carries::Picture, required: true, doc: "The picture to grade." },
        Port {
            name: "mattes",
            carries: Carries::Mattes,
            required: false,
            doc: "Mattes by name, for the corrections.",
        },
    ],
    params: &[
        param("picture_in", Kind::Word(&SPACES), "working", "The space that the picture comes in."),
        within("exposure", -20.0, 20.0, "stops", "0", "Doubles linear light for every stop."),
        param(
            "white_from",
            Kind::Structure,
            "",
            "The light of the scene, which the picture shows as it was: a temperature from 1000 to 25000 K, or its place \
             [x, y] in CIE 1931; or FRAME: one of them. When not said, the working space's white.",
        ),
        param(
            "white_to",
            Kind::Structure,
            "",
            "What white of that light becomes, written alike. When not said, the working space's white.",
        ),
        within(
            "white_tint",
            -50.0,
            50.0,
            "Duv × 1000",
            "0",
            "How far white_from lies off the light of its temperature, in CIE 1960 u, v: above 0 it was greener, so that the \
             picture turns to magenta.",
        ),
        param("cdl", Kind::File, "", "A .cdl, .ccc or .cc file with the grade."),
        param("cdl_id", Kind::Text, "", "Which grade of the file, where it holds several."),
        param(
            "slope",
            Kind::KeyedNumbers(3),
            "[1, 1, 1]",
            "Slope of red, green and blue, in place of the file's.",
        ),
        param(
            "offset",
            Kind::KeyedNumbers(3),
            "[0, 0, 0]",
            "Offset of red, green and blue, in place of the file's.",
        ),
        param(
            "power",
            Kind::KeyedNumbers(3),
            "[1, 1, 1]",
            "Power of red, green and blue, in place of the file's.",
        ),
        within("saturation", 0.0, LIMIT, "", "1", "Saturation, in place of the file's."),
        param(
            "cdl_style",
            Kind::Word(&["no-clamp", "clamp"]),
            "no-clamp",
            "clamp holds values from 0 to 1 as the ASC's text does; no-clamp keeps light above 1.",
        ),
        param("grade_in", Kind::Word(&SPACES), "working", "The space that the CDL was made for."),
        param(
            "corrections",
            Kind::Structure,
            "",
            "A list of what changes within mattes only, done in its order. Each names a `matte`, and may give `elsewhere: true` \
             (what the matte leaves out changes), `amount` (0 to 1), `exposure` (stops), `slope`, `offset`, `power` and \
             `saturation`; all but the first two may change in time.",
        ),
        within(
            "vignette",
            -10.0,
            10.0,
            "stops",
            "0",
            "Change of light at the rim of the frame; below 0 it darkens.",
        ),
        param(
            "vignette_centre",
            Kind::KeyedNumbers(2),
            "[0.5, 0.5]",
            "Its middle, in widths and heights of the frame from the top left.",
        ),
        within("vignette_radius", 0.0, 10.0, "half diagonals", "0.5", "How far from the middle it begins."),
        within(
            "vignette_softness",
            0.0,
            10.0,
            "half diagonals",
            "0.7",
            "How far it takes from there to its full effect.",
        ),
        within("vignette_aspect", 0.1, 10.0, "", "1", "Its width over its height."),
        param("look", Kind::File, "", "A .cube file, 1D or 3D, or a .clf file (Common LUT Format)."),
        param("look_in", Kind::Word(&SPACES), "working", "The space that the look takes."),
        param("look_out", Kind::Word(&ENDS), "as-look-in", "The space that the look gives."),
        within(
            "soft_clip",
            0.0,
            1000.0,
            "",
            "",
            "Linear light from which on what is brighter is pressed together, to stay below soft_clip_limit; when not said, \
             nothing is.",
        ),
        within(
            "soft_clip_limit",
            0.0,
            10_000.0,
            "",
            "1",
            "Linear light that a soft clip comes near and never reaches.",
        ),
        param("picture_out", Kind::Word(&SPACES), "working", "The space that the picture leaves in."),
    ],
    source: "ASC CDL v1.2 (slope, offset, power, saturation by BT.709 luma); Cube LUT Specification 1.0 (2013); Common LUT Format, \
             Academy S-2014-006 and SMPTE ST 2136-1; tetrahedral interpolation, Kasson, Plouffe and Nin 1993; daylight, CIE \
             15:2004; black bodies, Krystek 1985; adaptation, Lam's Bradford matrix 1985; soft clip, x/(1 + x) of Reinhard \
             et al. 2002 above the knee; vignette, Perlin's curve of 2002 in stops",
};
