//! What the bits of a number mean: integers, IEEE 754, IEEE 11073, decimal digits.

/// The number in two's complement of so many bits.
pub(super) const fn sign_extended(raw: u64, bits: u32) -> i64 {
    let unused = 64 - bits;
    (raw << unused).cast_signed() >> unused
}

/// IEEE 754; not-a-number and the infinities are not known.
pub(super) fn float(raw: u64, bits: u32) -> Option<f64> {
    let value = match bits {
        16 => half(raw as u16),
        32 => f64::from(f32::from_bits(raw as u32)),
        _ => f64::from_bits(raw),
    };
    value.is_finite().then_some(value)
}

/// IEEE 754 binary16: sign, 5 bits of exponent (bias 15), 10 of fraction.
fn half(raw: u16) -> f64 {
    let fraction = f64::from(raw & 0x3FF) / 1024.0;
    let magnitude = match i32::from(raw >> 10 & 0x1F) {
        0 => fraction * libm::exp2(-14.0),
        31 => f64::NAN,
        exponent => (1.0 + fraction) * libm::exp2(f64::from(exponent - 15)),
    };
    if raw & 0x8000 == 0 { magnitude } else { -magnitude }
}

/// IEEE 11073-20601 FLOAT (exponent 8 bit, mantissa 24) and SFLOAT (4 and 12), base ten.
///
/// With an exponent of 0 the mantissas around the lowest one are not-a-number, not at this
/// resolution, the infinities and one that is reserved: none of them is a reading.
pub(super) fn medical(raw: u64, bits: u32) -> Option<f64> {
    let mantissa_bits = if bits == 16 { 12 } else { 24 };
    let mantissa = sign_extended(raw, mantissa_bits);
    let exponent = sign_extended(raw >> mantissa_bits, bits - mantissa_bits) as i32;
    let limit = 1_i64 << (mantissa_bits - 1);
    let special = mantissa >= limit - 2 || mantissa <= -limit + 2;
    if exponent == 0 && special {
        return None;
    }
    let mantissa = mantissa as f64;
    let power = power_of_ten(exponent.unsigned_abs());
    let value = if exponent < 0 { mantissa / power } else { mantissa * power };
    value.is_finite().then_some(value)
}

fn power_of_ten(exponent: u32) -> f64 {
    match exponent {
        0 => 1.0,
        1 => 10.0,
        2 => 100.0,
        3 => 1e3,
        4 => 1e4,
        more => libm::pow(10.0, f64::from(more)),
    }
}

/// Four bits a digit; `None` where one is no digit.
pub(super) fn bcd(raw: u64) -> Option<u64> {
    let mut value = 0;
    for place in (0..16).rev() {
        let digit = raw >> (4 * place) & 0xF;
        if digit > 9 {
            return None;
        }
        value = value * 10 + digit;
    }
    Some(value)
}

/// The decimal number that is written there: spaces, a sign, digits with at most one point or comma.
pub(super) fn digits(text: &[u8]) -> Option<f64> {
    let text = text.trim_ascii();
    let (negative, text) = match text.first()? {
        b'-' => (true, &text[1..]),
        b'+' => (false, &text[1..]),
        _ => (false, text),
    };
    let (mut value, mut decimals, mut point, mut seen) = (0_u64, 0, false, false);
    for byte in text {
        match byte {
            b'0'..=b'9' => {
                seen = true;
                decimals += u32::from(point);
                value = value.checked_mul(10)?.checked_add(u64::from(byte - b'0'))?;
            }
            b'.' | b',' if !point => point = true,
            _ => return None,
        }
    }
    let value = value as f64 / power_of_ten(decimals);
    seen.then_some(if negative { -value } else { value })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn half_precision_numbers_are_those_of_ieee_754() {
        // Source: IEEE 754-2008 binary16 by its definition, worked by hand.
        for (raw, value) in [
            (0x3C00, 1.0),
            (0xC000, -2.0),
            (0x3555, 0.333_251_953_125),
            (0x7BFF, 65_504.0),
            (0x0001, 1.0 / 16_777_216.0),
            (0x0400, 1.0 / 16_384.0),
        ] {
            assert_eq!(float(raw, 16), Some(value), "{raw:04X}");
        }
        assert_eq!(float(0x7C00, 16), None);
        assert_eq!(float(0xFE00, 16), None);
    }

    #[test]
    fn medical_special_values_are_no_numbers_and_their_neighbours_are() {
        // Source: IEEE 11073-20601 as in the published rows of tests/published/ble-vectors.csv.
        for special in [0x07FE, 0x07FF, 0x0800, 0x0801, 0x0802] {
            assert_eq!(medical(special, 16), None, "{special:04X}");
        }
        assert_eq!(medical(0x07FD, 16), Some(2_045.0));
        assert_eq!(medical(0x0803, 16), Some(-2_045.0));
        // With an exponent they are numbers like others.
        assert_eq!(medical(0xF7FF, 16), Some(204.7));
        assert_eq!(medical(0x7F00_0001, 32), Some(1e127));
        assert_eq!(medical(0xFEFF_FFFF, 32), Some(-0.01));
    }

    #[test]
    fn digits_are_read_as_people_write_them() {
        for (text, value) in
            [("21.5", 21.5), (" -40 ", -40.0), ("+.5", 0.5), ("21,5", 21.5), ("007.", 7.0)]
        {
            assert_eq!(digits(text.as_bytes()), Some(value), "{text}");
        }
        let long = "9".repeat(40);
        for text in ["", "-", ".", "1e5", "1.2.3", "--1", "1 2", long.as_str()] {
            assert_eq!(digits(text.as_bytes()), None, "{text}");
        }
    }

    #[test]
    fn two_s_complement_of_any_width() {
        assert_eq!(sign_extended(0xF, 4), -1);
        assert_eq!(sign_extended(0x7, 4), 7);
        assert_eq!(sign_extended(u64::MAX, 64), -1);
        assert_eq!(sign_extended(1, 1), -1);
    }
}
