//! Frames that are out with several people at once, told.

use serde_json::Value;

use crate::cli::show;
use crate::crew::twice::Twice;

/// Says who has them, and the way on.
pub fn say(one: &Twice<'_>) {
    let with: Vec<String> =
        one.packets.iter().map(|packet| format!("{} ({})", packet.person, packet.name)).collect();
    let place = format!("{}/{}@{}", one.shot, one.stage, one.frames);
    let text = format!(
        "{place} is out with several people: {}; agree who makes it, and `endboard outstanding --close PACKET` ends the other",
        with.join(", ")
    );
    flow!("{}", show::clean(&text));
}

/// The same as JSON.
pub fn json(one: &Twice<'_>) -> Value {
    let with: Vec<Value> = (one.packets.iter())
        .map(|packet| serde_json::json!({ "packet": packet.name, "person": packet.person, "by": packet.by }))
        .collect();
    serde_json::json!({ "shot": one.shot, "stage": one.stage, "frames": one.frames.to_string(), "packets": with })
}
