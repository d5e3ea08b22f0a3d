//! Bluetooth UUIDs of 16, 32 and 128 bit, as people write them.

/// The Bluetooth base UUID, which short ones are completed with.
/// Source: Bluetooth Core Specification, vol 3 part B 2.5.1.
const BASE: u128 = 0x0000_0000_0000_1000_8000_0080_5F9B_34FB;

/// The full UUID of a 16 or 32 bit one.
///
/// ```
/// use settled::engine::profile::uuid;
/// assert_eq!(uuid::full(0xFCD2), 0x0000_FCD2_0000_1000_8000_0080_5F9B_34FB);
/// ```
pub const fn full(short: u32) -> u128 {
    ((short as u128) << 96) | BASE
}

/// The UUID that `text` writes: `0xFCD2`, `FCD2`, eight digits, or all 32 with or without hyphens.
///
/// ```
/// use settled::engine::profile::uuid;
/// assert_eq!(uuid::parse("0x2a6e"), Some(uuid::full(0x2A6E)));
/// assert_eq!(uuid::parse("0000181a-0000-1000-8000-00805f9b34fb"), Some(uuid::full(0x181A)));
/// assert_eq!(uuid::parse("colour"), None);
/// ```
pub fn parse(text: &str) -> Option<u128> {
    let text = text.strip_prefix("0x").or_else(|| text.strip_prefix("0X")).unwrap_or(text);
    let digits: String = text.chars().filter(|c| *c != '-').collect();
    if !digits.chars().all(|c| c.is_ascii_hexdigit()) {
        return None;
    }
    match digits.len() {
        4 | 8 => u32::from_str_radix(&digits, 16).ok().map(full),
        32 => u128::from_str_radix(&digits, 16).ok(),
        _ => None,
    }
}

/// The UUID as short as it can be written: `0xFCD2`, `0x12345678`, or with all its digits.
pub fn short(uuid: u128) -> String {
    if uuid & !(u128::from(u32::MAX) << 96) != BASE {
        return uuid::Uuid::from_u128(uuid).to_string();
    }
    let short = (uuid >> 96) as u32;
    if short <= 0xFFFF { format!("0x{short:04X}") } else { format!("0x{short:08X}") }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_written_short_reads_back() {
        for uuid in [full(0xFCD2), full(0x1234_5678), 0x1234 << 64] {
            assert_eq!(parse(&short(uuid)), Some(uuid));
        }
        assert_eq!(short(full(0x2A6E)), "0x2A6E");
        assert_eq!(parse("0x2A6"), None);
    }
}
