//! What an event's channels hold.
//!
//! Knows their names in edit lists. Does not know events.

/// Whether channels hold picture; none when they are unknown. `B` is picture and sound, `AA` two
/// channels of sound, `NONE` neither.
pub fn picture(channels: &str) -> Option<bool> {
    let channels = channels.to_ascii_uppercase();
    let mut picture = false;
    for part in channels.split('/') {
        match part {
            "V" | "B" => picture = true,
            "NONE" | "AA" => {}
            _ => {
                let digits = part.strip_prefix('A')?;
                if !digits.bytes().all(|b| b.is_ascii_digit()) {
                    return None;
                }
            }
        }
    }
    Some(picture)
}
