//! What `paint-out` is called, takes and can be told.
//!
//! Knows the table only; what settings do is told where they are used.

use crate::base::frames::FRAME_LIMIT;
use crate::operators::{Carries, Kind, Param, Port, Spec};

/// The port of the picture.
pub const PICTURE: usize = 0;
/// The port of what must go.
pub const MATTE: usize = 1;
/// The port of the clean plate.
pub const CLEAN: usize = 2;
/// The port of what passes in front.
pub const HOLDOUT: usize = 3;

/// The table.
pub static SPEC: Spec = Spec {
    name: "paint-out",
    version: 3,
    summary: "Removes what must not be seen, through a matte: from a clean plate, from other frames, or by filling in.",
    ports: &[
        Port {
            name: "picture",
            carries: Carries::Picture,
            required: true,
            doc: "The picture with what must go.",
        },
        Port {
            name: "matte",
            carries: Carries::Matte,
            required: true,
            doc: "What must go, with room around it; its soft edge is where the fill gives way to the picture.",
        },
        Port {
            name: "clean",
            carries: Carries::Picture,
            required: false,
            doc: "The clean plate: frames of the same numbers, or one still frame. Needed by fill: clean.",
        },
        Port {
            name: "holdout",
            carries: Carries::Matte,
            required: false,
            doc: "What passes in front and stays; no fill, level or grain is taken from it.",
        },
    ],
    params: PARAMS,
    source: "Seams: Pérez, Gangnet & Blake 2003. Filling in: Newson et al., IPOL 2017, by PatchMatch (Barnes et al. 2009). \
             Sub-pixel: Lanczos-3; planes by homography (Heckbert 1989). Grain: second differences after Immerkær 1996; evened \
             by Lee's sigma filter 1983.",
};

const PARAMS: &[Param] = &[
    Param {
        name: "fill",
        kind: Kind::Word(&["clean", "time", "around"]),
        unit: "",
        default: "around",
        doc: "Where the fill is from: clean, a clean plate; time, the median of the frames within reach where their mattes \
              let the background be seen; around, patches of the picture around. What the first two never show is filled \
              from around.",
    },
    Param {
        name: "clean_frame",
        kind: Kind::Whole { min: -FRAME_LIMIT, max: FRAME_LIMIT },
        unit: "frames",
        default: "",
        doc: "Frame of the clean plate that stands for all; when not said, the frame of the same number, or the only one \
              that it has.",
    },
    Param {
        name: "offset",
        kind: Kind::Structure,
        unit: "px",
        default: "[0, 0]",
        doc: "How far the background lies right and down, [x, y] or FRAME: [x, y]. Moves the clean plate into place; for \
              time, frames are laid over one another by the differences of their offsets. Comes on top of what is followed.",
    },
    Param {
        name: "track",
        kind: Kind::File,
        unit: "",
        default: "",
        doc: "A file of points, planes and moves, one of which the background follows.",
    },
    Param {
        name: "follows",
        kind: Kind::Structure,
        unit: "",
        default: "",
        doc: "What of the track the background goes along with: NAME, or [A, B] of two points. A clean plate that is held is \
              carried from its own view to each frame's; for time, the frames are laid over one another by it.",
    },
    Param {
        name: "clean_view",
        kind: Kind::Whole { min: -FRAME_LIMIT, max: FRAME_LIMIT },
        unit: "frames",
        default: "",
        doc: "Frame of the shot in whose view the clean plate was taken, from where it is carried along; when not said, \
              clean_frame, or each frame's own.",
    },
    Param {
        name: "evened",
        kind: Kind::Number { min: 0.0, max: 10.0 },
        unit: "",
        default: "",
        doc: "How much of a difference between neighbours in the clean plate passes for its grain and is evened out first, in \
              deviations of that grain; when not said, 2 for a still, whose grain would not move, and 0 for a sequence.",
    },
    Param {
        name: "reach",
        kind: Kind::Whole { min: 1, max: 200 },
        unit: "frames",
        default: "12",
        doc: "Frames before and after that time looks at.",
    },
    Param {
        name: "within",
        kind: Kind::Whole { min: 16, max: 4000 },
        unit: "px",
        default: "150",
        doc: "How far from the hole around looks for what to copy.",
    },
    Param {
        name: "seams",
        kind: Kind::Word(&["gradient", "plain"]),
        unit: "",
        default: "gradient",
        doc: "gradient keeps the fill's differences and takes its level from the picture at the hole's edge; plain lays the \
              fill in as it is.",
    },
    Param {
        name: "widen",
        kind: Kind::Keyed { min: 0.0, max: 100.0 },
        unit: "px",
        default: "0",
        doc: "How far the matte is grown outwards first.",
    },
    Param {
        name: "grain",
        kind: Kind::Keyed { min: 0.0, max: 1.0 },
        unit: "",
        default: "1",
        doc: "Share of the grain that the fill lacks beside the picture around it, in amplitude, that is added.",
    },
    Param {
        name: "seed",
        kind: Kind::Whole { min: i64::MIN, max: i64::MAX },
        unit: "",
        default: "1",
        doc: "Chooses among grains, which change from frame to frame, and among fills from around, which do not.",
    },
];
