//! The schema of what tasks on a Slurm cluster ask for.
//!
//! Knows the forms of its keys. The reader in `declare::slurm` judges them.

use serde_json::{Value, json};

/// Its definition.
pub fn slurm() -> Value {
    let word = |what: &str| json!({ "type": "string", "maxLength": 200, "pattern": "^[A-Za-z0-9_.:,=/@+][A-Za-z0-9_.:,=/@+-]*$", "description": what });
    let whole = |most: u32, what: &str| json!({ "type": "integer", "minimum": 1, "maximum": most, "description": what });
    let time = json!({ "anyOf": [whole(43_200, "Minutes."), { "type": "string", "pattern": "^[0-9]{1,3}:[0-5][0-9]$" }],
        "description": "The longest that a task may take: minutes, or \"HOURS:MINUTES\"." });
    let asks = json!({ "type": "object", "additionalProperties": false, "properties": {
        "gres": word("Generic resources, such as gpu:1."), "licenses": word("Licences, such as keying:1.") } });
    json!({
        "slurm": { "type": "object", "additionalProperties": false,
            "description": "What tasks ask for that `rebuild --on slurm` submits.",
            "properties": {
                "partition": word("The partition."),
                "account": word("The account that is charged."),
                "qos": word("The quality of service."),
                "memory": { "type": "string", "pattern": "^[0-9]+([.][0-9]*)? *([kK]B|[MGT]B|[KMGT]iB)$", "description": "Memory of a task with its unit, such as 8GB." },
                "processors": whole(4096, "Processors of a task."),
                "time": time,
                "frames": whole(1_000_000, "The most frames of a stage that one task takes."),
                "pools": { "type": "object", "additionalProperties": asks,
                    "description": "What a task asks for whose stages take places in a pool, by the pool's name." },
            } }
    })
}
