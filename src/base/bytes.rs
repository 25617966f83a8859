//! Amounts of bytes as people write them: `800MB`, `2GB`, `1.5GiB`.
//!
//! Knows units. Does not know which amounts make sense.

/// Reads a number and its unit: kB, MB, GB and TB count by 1000, KiB, MiB, GiB and TiB by 1024 (IEC 80000-13, clause
/// not given). Capitals do not matter. None when it is no such amount, less than one byte, or more than 1024 TiB.
pub fn parse(text: &str) -> Option<u64> {
    let text = text.trim();
    let split = text.find(|c: char| c.is_ascii_alphabetic())?;
    let (number, unit) = text.split_at(split);
    let factor: f64 = match unit.to_ascii_lowercase().as_str() {
        "kb" => 1e3,
        "mb" => 1e6,
        "gb" => 1e9,
        "tb" => 1e12,
        "kib" => 1024.0,
        "mib" => 1_048_576.0,
        "gib" => 1_073_741_824.0,
        "tib" => 1_099_511_627_776.0,
        _ => return None,
    };
    let number = number.trim();
    let plain = number.bytes().all(|b| b.is_ascii_digit() || b == b'.');
    let amount = number.parse::<f64>().ok().filter(|_| plain)? * factor;
    let most = 1024.0 * 1_099_511_627_776.0;
    (1.0..=most).contains(&amount).then_some(amount as u64)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn thousands_and_powers_of_1024() {
        assert_eq!(parse("2GB"), Some(2_000_000_000));
        assert_eq!(parse("2 gb"), Some(2_000_000_000));
        assert_eq!(parse("1.5GiB"), Some(3 << 29));
        assert_eq!(parse("64KiB"), Some(1 << 16));
        for wrong in ["", "5", "0.5", "GB", "-1GB", "2parsecs", "1e3GB", "0.0001kB", "9999999TB", "2GBs", "é"]
        {
            assert_eq!(parse(wrong), None, "{wrong}");
        }
    }
}
