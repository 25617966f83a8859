//! What `passes` is called, takes and can be told.
//!
//! Knows the table only; what settings do is told where they are used.

use crate::operators::{Carries, Kind, Param, Port, Spec};

/// The port of the clean plate.
pub const CLEAN: usize = 0;
/// The port of the takes.
pub const TAKES: usize = 1;
/// The port of their mattes.
pub const MATTES: usize = 2;
/// The port of the mattes of their shadows.
pub const SHADOWS: usize = 3;
/// The port of what stands before them.
pub const HOLDOUTS: usize = 4;

/// The table.
pub static SPEC: Spec = Spec {
    name: "passes",
    version: 4,
    summary: "Lays takes of one move over a clean plate, each by its matte, moved in time and space onto it, with its shadows.",
    ports: &[
        Port {
            name: "clean",
            carries: Carries::Picture,
            required: true,
            doc: "The picture that shows where no matte covers; all takes are laid onto its frames.",
        },
        Port {
            name: "takes",
            carries: Carries::Pictures,
            required: true,
            doc: "Takes by name, as they were shot; later ones lie on top.",
        },
        Port {
            name: "mattes",
            carries: Carries::Mattes,
            required: true,
            doc: "One matte for each take, under the take's name, drawn on the take's own frames: it goes with the take.",
        },
        Port {
            name: "shadows",
            carries: Carries::Mattes,
            required: false,
            doc: "By a take's name, where its shadow falls, drawn on the take's own frames: the set is darkened there as the \
                  take is against the clean plate.",
        },
        Port {
            name: "holdouts",
            carries: Carries::Mattes,
            required: false,
            doc: "By a take's name, what stands before it, drawn on the clean plate's frames.",
        },
    ],
    params: PARAMS,
    source: "Coverage in premultiplied linear light, take × m + below × (1 − m). Shadows: quotients of normalised averages \
             (Knutsson & Westin 1993). Moved by Keys' cubic (1981); measured after Baker & Matthews 2004.",
};

const PARAMS: &[Param] = &[
    Param {
        name: "register",
        kind: Kind::File,
        unit: "",
        default: "",
        doc: "File of how each take is moved onto the clean plate, as `endboard register` writes it and a person may edit it.",
    },
    Param {
        name: "moved",
        kind: Kind::Structure,
        unit: "",
        default: "{}",
        doc: "The same by hand, in place of what the file says: TAKE: { time: frames, shift: [x, y] px, turn: degrees, scale: \
              factor, exposure: factor or [r, g, b] }, each of which may change in time.",
    },
    Param {
        name: "between",
        kind: Kind::Word(&["nearest", "blended", "flow"]),
        unit: "",
        default: "nearest",
        doc: "Of a take that started a part of a frame off: nearest shows its nearer frame, moved into place; blended mixes two, \
              mattes too; flow moves what two show along its motion.",
    },
    Param {
        name: "order",
        kind: Kind::Structure,
        unit: "",
        default: "",
        doc: "Names of the takes from back to front, [NAME, NAME] or FRAME: [NAME, NAME] from that frame on; as written under \
              takes when not said.",
    },
    Param {
        name: "soften",
        kind: Kind::Keyed { min: 0.0, max: 100.0 },
        unit: "px",
        default: "0",
        doc: "Standard deviation of a Gaussian that the mattes' edges are softened by.",
    },
    Param {
        name: "shadow",
        kind: Kind::Keyed { min: 0.0, max: 2.0 },
        unit: "",
        default: "1",
        doc: "How much of a take's shadow is kept where its matte of shadows covers.",
    },
    Param {
        name: "shadow_soften",
        kind: Kind::Number { min: 0.5, max: 100.0 },
        unit: "px",
        default: "3",
        doc: "Standard deviation of the Gaussian over which take and clean plate are averaged before one is divided by the other.",
    },
    Param {
        name: "shadow_least",
        kind: Kind::Number { min: 0.0, max: 1.0 },
        unit: "",
        default: "0.05",
        doc: "The darkest that a shadow may be, as a factor on light.",
    },
    Param {
        name: "shadow_slack",
        kind: Kind::Number { min: 0.0, max: 0.5 },
        unit: "",
        default: "0.02",
        doc: "A share of light this small counts as noise and is no shadow.",
    },
    Param {
        name: "brighten",
        kind: Kind::Flag,
        unit: "",
        default: "false",
        doc: "Whether light that a take throws on the set is kept as well as shadow, up to four times.",
    },
    Param {
        name: "residual_over",
        kind: Kind::Number { min: 0.0, max: 100.0 },
        unit: "px",
        default: "0.5",
        doc: "A rebuild remarks on frames of which the file says that more than this is left between a take and the clean plate.",
    },
];
