//! The part of the schema that describes sound: buses, stems, target and cues.
//!
//! Knows their keys; settings come from plain tables that the caller fills, by name.

use serde_json::{Map, Value, json};

use super::{OperatorTable, setting};
use crate::base::layout::Layout;
use crate::declare::sound::RATES;

/// The settings of one of the tables.
pub(super) fn settings(sounds: &[OperatorTable], name: &str) -> Map<String, Value> {
    let params = sounds.iter().filter(|table| table.name == name).flat_map(|table| &table.params);
    params.map(|param| (param.name.clone(), setting(param))).collect()
}

fn closed(properties: Map<String, Value>) -> Value {
    json!({ "type": ["object", "null"], "properties": properties, "additionalProperties": false })
}

/// Definitions of the film's sound, a cue, and a cue file.
pub fn sound(sounds: &[OperatorTable]) -> Value {
    let mut cue = settings(sounds, "cue");
    let own = json!({
        "at": { "type": "string", "description": "Where it begins: SHOT@FRAME, or a record timecode." },
        "with": { "$ref": "#/$defs/name", "description": "A cue with which it begins." },
        "after": { "$ref": "#/$defs/name", "description": "A cue after whose end it begins." },
        "plus": { "type": "number", "description": "Frames after that; before it when negative." },
        "bus": { "$ref": "#/$defs/stage_name", "description": "The bus that plays it." },
        "clip": { "$ref": "#/$defs/path", "description": "A sound file: WAV, FLAC, MP3, Ogg Vorbis or AAC." },
        "voice": closed(settings(sounds, "voice")),
    });
    if let Value::Object(own) = own {
        cue.extend(own);
    }
    let one_of =
        |names: &[&str]| -> Vec<Value> { names.iter().map(|name| json!({ "required": [name] })).collect() };
    // A layout that reads as a number may be written as one.
    let plain = |name: &str| name.parse::<f64>().ok().map(|number| json!(number));
    let names = Layout::ALL.map(Layout::name);
    let layouts: Vec<Value> =
        names.iter().map(|name| json!(name)).chain(names.iter().filter_map(|name| plain(name))).collect();
    let cues = json!({ "type": "object", "propertyNames": { "$ref": "#/$defs/name" },
        "additionalProperties": { "$ref": "#/$defs/cue" }, "description": "Cues by name." });
    json!({
        "cue": { "type": "object", "required": ["bus"], "properties": cue, "additionalProperties": false,
            "allOf": [ { "oneOf": one_of(&["at", "with", "after"]) }, { "oneOf": one_of(&["clip", "voice"]) } ] },
        "cues": cues,
        "cue_file": { "type": "object", "required": ["cues"], "additionalProperties": false,
            "properties": { "cues": { "$ref": "#/$defs/cues" } } },
        "sound": { "type": ["object", "null"], "required": ["buses"], "additionalProperties": false,
            "description": "The film's sound.",
            "properties": {
                "rate": { "enum": RATES, "default": RATES[0], "description": "Samples a second." },
                "layout": { "enum": layouts, "default": Layout::Stereo.name(),
                    "description": "Channels of the mix." },
                "buses": { "type": "object", "propertyNames": { "$ref": "#/$defs/stage_name" },
                    "additionalProperties": closed(settings(sounds, "bus")), "description": "Buses by name." },
                "stems": { "type": "object", "propertyNames": { "$ref": "#/$defs/stage_name" },
                    "additionalProperties": { "type": "array", "items": { "$ref": "#/$defs/stage_name" } },
                    "description": "Stems by name, each with its buses; when not said, each bus is one." },
                "target": closed(settings(sounds, "target")),
                "cues": { "$ref": "#/$defs/cues" },
                "cue_files": { "type": "array", "items": { "$ref": "#/$defs/path" },
                    "description": "Files of more cues." },
            } },
    })
}
