//! C4 identifiers (SMPTE ST 2114:2017): `c4`, then SHA-512 as a number in base 58, 88 digits long.
//!
//! Knows the digits. Does not know where the SHA-512 comes from.

/// The digits, from 0 to 57.
const DIGITS: &[u8; 58] = b"123456789ABCDEFGHJKLMNPQRSTUVWXYZabcdefghijkmnopqrstuvwxyz";
/// Digits of an identifier, which are as many as 2^512 - 1 has.
const LENGTH: usize = 88;

/// The identifier of a SHA-512, most significant byte first.
pub fn identifier(sha512: &[u8]) -> String {
    let mut number = sha512.to_vec();
    let mut digits = [DIGITS[0]; LENGTH];
    for digit in digits.iter_mut().rev() {
        let mut rest = 0u32;
        for byte in &mut number {
            let value = rest << 8 | u32::from(*byte);
            *byte = (value / 58) as u8;
            rest = value % 58;
        }
        *digit = DIGITS[rest as usize];
    }
    format!("c4{}", String::from_utf8_lossy(&digits))
}

/// The SHA-512 of an identifier; nothing when the text is none.
pub fn parse(text: &str) -> Option<[u8; 64]> {
    let digits = text.strip_prefix("c4").filter(|digits| digits.len() == LENGTH)?;
    let mut number = [0u8; 64];
    for digit in digits.bytes() {
        let mut carry = DIGITS.iter().position(|&d| d == digit)? as u32;
        for byte in number.iter_mut().rev() {
            let value = u32::from(*byte) * 58 + carry;
            *byte = value as u8;
            carry = value >> 8;
        }
        // More than 512 bits.
        if carry > 0 {
            return None;
        }
    }
    Some(number)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn least_and_greatest() {
        assert_eq!(identifier(&[0; 64]), format!("c4{}", "1".repeat(88)));
        let greatest = identifier(&[255; 64]);
        assert_eq!(parse(&greatest), Some([255; 64]));
        assert_eq!(parse(&format!("c4{}", "z".repeat(88))), None);
        assert_eq!(parse(&greatest[..89]), None);
        assert_eq!(parse(&greatest.replace('2', "0")), None);
    }
}
