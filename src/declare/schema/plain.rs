//! What several keys of the schema share: names, paths, frames, references.
//!
//! Knows their patterns and limits. Does not know which keys take them.

use serde_json::{Value, json};

use crate::declare::header::POOL_LIMIT;
use crate::declare::names::{NAME_LIMIT, PATH_LIMIT};
use crate::declare::shots::HANDLES_LIMIT;

/// Values that several keys share.
pub fn plain() -> Value {
    let folder_name = |dots: &str| format!("^[A-Za-z0-9_]([A-Za-z0-9_{dots}-]*[A-Za-z0-9_-])?$");
    let name = |dots: &str, what: &str| json!({ "type": "string", "pattern": folder_name(dots), "maxLength": NAME_LIMIT, "description": what });
    // One path segment that is neither empty, nor . or .. (checked from the left, without look-behind).
    let path = r"^(?!/)(?![A-Za-z]:)(?!.*(^|/)\.{0,2}(/|$))[^\\\u0000-\u001f]+$";
    let files = r"^(?!/)(?![A-Za-z]:)(?!.*(^|/)\.{1,2}(/|$))[^\\#\u0000-\u001f]*#+[^\\#/\u0000-\u001f]*$";
    json!({
        "name": name(".", "Letters a to z, digits, -, _ and dots; it becomes the name of a folder."),
        "stage_name": name("", "Letters a to z, digits, - and _; it becomes the name of a folder."),
        "path": { "type": "string", "pattern": path, "maxLength": PATH_LIMIT,
            "description": "Path relative to the film's folder, parted by /." },
        "files": { "type": "string", "pattern": files, "maxLength": PATH_LIMIT,
            "description": "Path with one run of # in the file's name, where the frame number stands." },
        "frames": { "description": "FIRST-LAST, both included, or one frame.", "anyOf": [
            { "type": "string", "pattern": "^-?[0-9]+(--?[0-9]+|-[0-9]+)?$" }, { "type": "integer" } ] },
        "handles": { "type": "integer", "minimum": 0, "maximum": HANDLES_LIMIT,
            "description": "Frames rendered beyond each end of a shot, as far as its plates go." },
        "number_in_time": { "anyOf": [ { "type": "number" }, { "type": "object",
            "properties": { "ease": { "enum": ["hold", "linear", "smooth"] } },
            "patternProperties": { "^-?[0-9]+$": { "type": "number" } },
            "additionalProperties": false, "minProperties": 1 } ] },
        "reference": { "type": "string",
            "pattern": r"^(take\.[A-Za-z0-9_][A-Za-z0-9_-]*|[A-Za-z0-9_][A-Za-z0-9_-]*)(\.[A-Za-z0-9_][A-Za-z0-9_-]*)?$",
            "description": "A stage, STAGE.CHANNEL, plate, or take.NAME." },
        "from": { "description": "What feeds each input; when not said, the stage before or the plate.",
            "type": "object", "propertyNames": { "$ref": "#/$defs/stage_name" },
            "additionalProperties": { "anyOf": [ { "$ref": "#/$defs/reference" }, { "type": "null" },
                { "type": "object", "propertyNames": { "$ref": "#/$defs/stage_name" },
                  "additionalProperties": { "anyOf": [ { "$ref": "#/$defs/reference" }, { "type": "null" } ] } } ] } },
        "keep": { "type": "boolean", "default": true,
            "description": "Whether renders stay on disk; false hands them on in memory only." },
        "places": { "type": "object", "propertyNames": { "$ref": "#/$defs/stage_name" },
            "additionalProperties": { "type": "integer", "minimum": 1, "maximum": POOL_LIMIT },
            "description": "Pools and the number of places in each." },
        "primaries": { "type": "string", "description": "Primaries of the files' colour, such as rec709, rec2020, ap1, where they are not those that belong to the encoding." },
        "encoding": { "type": "string", "description": "How pixels are encoded, such as linear-rec709, srgb, rec709, acescct." },
        "delivers": { "description": "What is delivered: a picture, or mattes of these names.",
            "anyOf": [ { "const": "picture" }, { "type": "array", "minItems": 1, "uniqueItems": true,
                "items": { "$ref": "#/$defs/stage_name" } } ] },
        "settings": { "type": ["object", "null"],
            "description": "Settings of this stage, on top of the recipe's." },
    })
}
