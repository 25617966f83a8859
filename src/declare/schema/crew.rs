//! The part of the schema that describes `crew:` and `due:`.
//!
//! Knows their keys and limits. Does not know the film's stages: the reader checks names.

use serde_json::{Value, json};

use crate::declare::crew::{DAYS, GUESS_LIMIT, SIDE_LIMIT, WEEK};

/// Their definitions.
pub fn crew() -> Value {
    let day = "[0-9]{4}-[0-9]{2}-[0-9]{2}";
    let date = |what: &str| json!({ "type": "string", "pattern": format!("^{day}$"), "description": what });
    let hours = |what: &str| json!({ "type": "number", "minimum": 0, "maximum": WEEK, "description": what });
    let stages = |what: &str| json!({ "type": "array", "items": { "type": "string", "minLength": 1 }, "description": what });
    let guess = |what: &str| {
        let one = json!({ "type": "number", "exclusiveMinimum": 0 });
        let three = json!({ "type": "array", "minItems": 3, "maxItems": 3, "items": { "type": "number", "minimum": 0 } });
        json!({ "anyOf": [one, three], "description": what })
    };
    let person = json!({
        "type": "object", "required": ["hours", "does"], "additionalProperties": false,
        "properties": {
            "hours": hours("Hours a week for this film."),
            "does": stages("Stages that this person can do, by name or pattern; '*' is any."),
            "days": { "type": "array", "minItems": 1, "items": { "enum": DAYS },
                "description": "Days of the week over which the hours are spread; all seven when not said." },
            "off": { "type": "array", "items": { "type": "string", "pattern": format!("^{day}(/{day})?$") },
                "description": "Days off: single ones, or FIRST/LAST." },
            "from": date("The first day of work."),
            "until": date("The last day of work."),
        }
    });
    let machine = json!({
        "type": "object", "additionalProperties": false,
        "properties": {
            "hours": hours("Hours a week in which it renders; all when not said."),
            "side_by_side": { "type": "integer", "minimum": 1, "maximum": SIDE_LIMIT, "default": 1,
                "description": "Frames that it renders side by side." },
        }
    });
    let most = format!("at most {GUESS_LIMIT}");
    let estimate = json!({
        "type": "object", "additionalProperties": false,
        "properties": {
            "hours": guess(&format!("Hours of a person: one guess, or least, likeliest and most; {most}.")),
            "minutes": guess("The same in minutes."),
            "each": { "enum": ["shot", "frame"], "default": "shot", "description": "What takes so long." },
        },
        "oneOf": [ { "required": ["hours"] }, { "required": ["minutes"] } ],
    });
    let named =
        |of: Value, what: &str| json!({ "type": "object", "additionalProperties": of, "description": what });
    json!({
        "date": date("A day, YEAR-MONTH-DAY."),
        "crew": { "type": "object", "additionalProperties": false,
            "description": "Who works on the film and with what, for `endboard forecast`.",
            "properties": {
                "people": named(person, "People by name."),
                "machines": named(machine, "Machines by name; one that renders day and night when not said."),
                "estimates": named(estimate, "What stages take of a person's hours, until it is measured."),
                "approved": stages("Stages that count as done only when a person approved them."),
            } },
    })
}
