//! The part of the schema that describes deliveries.
//!
//! Knows their keys, words and limits.

use serde_json::{Value, json};

use crate::declare::deliveries::{COLOURS, FRAMES, MOVIES, QUALITIES};

/// The definition of a delivery.
pub fn delivery() -> Value {
    let ratio = |doc: &str| json!({ "type": "number", "minimum": 0, "maximum": 120, "description": doc });
    let kinds: Vec<Value> =
        ["frames", "movie", "stems"].iter().map(|kind| json!({ "required": [kind] })).collect();
    json!({
        "type": "object",
        "additionalProperties": false,
        "oneOf": kinds,
        "properties": {
            "frames": { "enum": FRAMES, "description": "A file a frame, in this format." },
            "movie": { "enum": MOVIES, "description": "One file, in this coding." },
            "stems": { "description": "One broadcast WAV for each stem: all, or those named.",
                "anyOf": [ { "const": "all" },
                    { "type": "array", "minItems": 1, "uniqueItems": true, "items": { "$ref": "#/$defs/stage_name" } } ] },
            "picture": { "type": "string", "pattern": "^film/", "default": "film/assembly",
                "description": "The film's picture, or a print of it: film/NAME." },
            "sound": { "enum": ["mix", "none"], "default": "none", "description": "The sound that goes with it." },
            "to": { "$ref": "#/$defs/path", "description": "Its folder; deliveries/NAME when not said." },
            "colour": { "enum": COLOURS, "default": COLOURS[0], "description": "How it is coded for display." },
            "quality": { "description": "How closely a movie is kept: a word, or the coder's own number, less being better.",
                "anyOf": [ { "enum": QUALITIES }, { "type": "integer", "minimum": 0, "maximum": 255 } ] },
            "first": { "type": "integer", "minimum": 0, "maximum": 9_999_999_999_u64,
                "description": "Number of the first frame's file; the film's own when not said." },
            "limits": { "type": "object", "additionalProperties": false,
                "description": "What a movie must keep of its source, in place of what its coding is usually asked for.",
                "properties": {
                    "luma": ratio("Least ratio of peak to error of Y' in any frame, dB."),
                    "picture": ratio("The same of all samples of the picture, dB."),
                    "sound": { "type": "number", "minimum": 0, "maximum": 20,
                        "description": "Most that a channel's level may differ, dB." },
                } },
        }
    })
}
