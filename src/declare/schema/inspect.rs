//! The part of the schema that describes `inspect:`.
//!
//! Knows its own keys; limits come from a plain table that the caller fills.

use serde_json::{Value, json};

use super::{OperatorTable, sound};

/// Its definition, from the table called `inspect` among these.
pub fn inspect(tables: &[OperatorTable]) -> Value {
    let mut properties = sound::settings(tables, "inspect");
    let frames = |what: &str| {
        json!({ "type": "array", "items": { "type": "string", "pattern": "^[^/@]+(@.+)?$" },
            "description": format!("Frames that are meant to {what}: SHOT@FRAMES, or film@FRAMES.") })
    };
    properties.insert("stills".into(), frames("stand still"));
    properties.insert("blacks".into(), frames("be black"));
    properties.insert(
        "picture".into(),
        json!({ "type": "array", "items": { "type": "integer", "minimum": 0 }, "minItems": 4, "maxItems": 4,
            "description": "The part of the frame that the picture fills: left, top, width, height in pixels." }),
    );
    json!({ "inspect": { "type": ["object", "null"], "properties": properties, "additionalProperties": false,
        "description": "By what `endboard inspect` judges the film." } })
}
