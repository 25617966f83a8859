//! The part of the schema that describes the shared store.
//!
//! Knows its keys and their form.

use serde_json::{Value, json};

/// Its definition.
pub fn shared() -> Value {
    json!({ "shared": {
        "type": "object",
        "required": ["at"],
        "additionalProperties": false,
        "description": "Object storage in which the crew shares renders: what one member rendered, another takes.",
        "properties": {
            "at": { "type": "string", "pattern": "^s3://[a-z0-9][a-z0-9.-]{1,61}[a-z0-9](/[A-Za-z0-9._-]+)*/*$",
                "description": "s3://BUCKET/PREFIX." },
            "endpoint": { "type": "string", "pattern": "^https?://[A-Za-z0-9._:/\\[\\]-]+$",
                "description": "The service's address, https://HOST:PORT; the region's own when not said." },
            "region": { "type": "string", "pattern": "^[A-Za-z0-9-]{1,40}$" },
            "budget": { "type": "string", "pattern": "^ *[0-9.]+ *([kKmMgGtT][iI]?[bB]) *$",
                "description": "What it may hold, such as 200GB; `endboard sweep --shared` keeps it." },
            "read_only": { "type": "boolean", "default": false, "description": "Members take from it and send nothing." },
        }
    } })
}
