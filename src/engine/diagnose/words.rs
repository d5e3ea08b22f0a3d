//! Numbers within sentences, in both units: a sentence is read by people of either.

/// A temperature: `45.0 °F (7.2 °C)`.
pub fn temperature(celsius: f64) -> String {
    let mut text = String::with_capacity(20);
    push_tenths(&mut text, celsius * 1.8 + 32.0);
    text.push_str(" °F (");
    push_tenths(&mut text, celsius);
    text.push_str(" °C)");
    text
}

/// A difference of temperatures: `9.0 °F (5.0 K)`.
pub fn difference(k: f64) -> String {
    let mut text = String::with_capacity(20);
    push_difference(&mut text, k);
    text
}

/// Writes a difference of temperatures: `9.0 °F (5.0 K)`.
pub fn push_difference(text: &mut String, k: f64) {
    push_tenths(text, k * 1.8);
    text.push_str(" °F (");
    push_tenths(text, k);
    text.push_str(" K)");
}

/// Writes a number with one decimal; a ledger has hundreds, and the general way is slow.
fn push_tenths(text: &mut String, value: f64) {
    let tenths = (value.abs() * 10.0).round() as u64;
    if value < 0.0 && tenths > 0 {
        text.push('-');
    }
    let (mut digits, mut at, mut whole) = ([0_u8; 20], 20, tenths / 10);
    loop {
        at -= 1;
        digits[at] = b'0' + (whole % 10) as u8;
        whole /= 10;
        if whole == 0 {
            break;
        }
    }
    text.extend(digits[at..].iter().map(|digit| char::from(*digit)));
    text.push('.');
    text.push(char::from(b'0' + (tenths % 10) as u8));
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn tenths_read_as_usual() {
        for value in [0.0, 0.04, 0.05, -0.04, 1.0, -12.34, 99.96, 1234.5] {
            let mut text = String::new();
            push_tenths(&mut text, value);
            assert!((text.parse::<f64>().unwrap() - value).abs() < 0.0501, "{value}: {text}");
            assert!(!text.starts_with("-0.0"));
        }
        let mut text = String::new();
        push_difference(&mut text, 5.0);
        assert_eq!(text, "9.0 °F (5.0 K)");
        assert_eq!(temperature(7.2222), "45.0 °F (7.2 °C)");
    }
}
