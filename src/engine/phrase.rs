//! How texts for people say a quantity: in the units of the job, with as many figures as serve.
//!
//! Every text that the engine makes for people takes its numbers from here, so that a job with
//! `units = "us"` reads no kelvins. Columns and JSON have their own, fixed units.

use crate::engine::columns::{Shown, Units};
use crate::units::quantity::QuantityKind;

/// A foot (m), exact.
const FOOT_M: f64 = 0.3048;

/// How values of one kind are said.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Phrase {
    kind: QuantityKind,
    units: Units,
}

impl Phrase {
    /// How values of `kind` are said to people who see `units`.
    pub const fn of(kind: QuantityKind, units: Units) -> Self {
        Self { kind, units }
    }

    /// A value (SI) with its unit: `68.0 °F`, `132.7 psia`.
    ///
    /// ```
    /// use settled::engine::columns::Units;
    /// use settled::engine::phrase::Phrase;
    /// use settled::units::quantity::QuantityKind;
    /// let said = Phrase::of(QuantityKind::Temperature, Units::Us);
    /// assert_eq!((said.value(20.0), said.difference(0.5)), ("68.0 °F".into(), "0.90 °F".into()));
    /// ```
    pub fn value(self, si: f64) -> String {
        let shown = Shown::of(self.kind, self.units);
        let decimals = self.decimals();
        format!("{:.decimals$} {}", si * shown.scale + shown.offset, short(shown))
    }

    /// A value (SI) that is a limit, without a decimal where none says anything: `55 °F`, `12.8 °C`.
    pub fn limit(self, si: f64) -> String {
        plain(self.value(si))
    }

    /// A difference of two values (SI), a swing or a spread: `0.90 °F`, `0.50 K`, `2.50 psi`.
    pub fn difference(self, si: f64) -> String {
        format!("{} {}", self.figures(si), self.unit_between())
    }

    /// A difference (SI) to the tenth, as far as a diagnosis knows it: `9.0 °F`, `5.0 K`.
    pub fn gap(self, si: f64) -> String {
        let mut text = String::with_capacity(12);
        self.push_gap(&mut text, si);
        text
    }

    /// Appends a difference (SI) to the tenth: `9.0 °F`, `5.0 K`.
    pub fn push_gap(self, text: &mut String, si: f64) {
        push_tenths(text, si * Shown::of(self.kind, self.units).scale);
        text.push(' ');
        text.push_str(self.unit_between());
    }

    /// A difference (SI) that is a limit, without a decimal where none says anything: `3 °F`.
    pub fn limit_gap(self, si: f64) -> String {
        plain(self.gap(si))
    }

    /// A rate (SI a second): `0.27 °F a minute`, `0.15 °C a minute`.
    pub fn rate(self, si_per_s: f64) -> String {
        format!("{} {} a minute", self.figures(60.0 * si_per_s), self.unit_of_change())
    }

    /// A difference (SI) as a number, with as many figures as serve.
    fn figures(self, si: f64) -> String {
        let size = si * Shown::of(self.kind, self.units).scale;
        let decimals = match size.abs() {
            100.0.. => 0,
            10.0.. => 1,
            _ => 2,
        };
        format!("{size:.decimals$}")
    }

    /// What stands behind a difference: temperatures that are read in °C lie kelvins apart.
    fn unit_between(self) -> &'static str {
        match self.unit_of_change() {
            "°C" => "K",
            unit => unit,
        }
    }

    /// The unit of what a value changes by in a given time: `°F`, `psi`.
    pub fn unit_of_change(self) -> &'static str {
        let shown = Shown::of(self.kind, self.units);
        match shown.suffix {
            "psia" => "psi",
            "kpa_a" => "kPa",
            _ => short(shown),
        }
    }

    /// Decimals of a value that somebody reads off.
    const fn decimals(self) -> usize {
        match (self.kind, self.units) {
            (QuantityKind::Pressure, Units::Si)
            | (QuantityKind::Humidity | QuantityKind::Power, _) => 0,
            (QuantityKind::Current, _) | (QuantityKind::StaticPressure, Units::Us) => 2,
            _ => 1,
        }
    }
}

/// A difference of altitudes (m, at least 0) to the nearest hundred: `1,700 ft`, `500 m`.
pub fn altitude(metres: f64, units: Units) -> String {
    let (length, unit) = match units {
        Units::Us => (metres / FOOT_M, "ft"),
        Units::Si => (metres, "m"),
    };
    match (length / 100.0).round() as u64 {
        0 => format!("0 {unit}"),
        hundreds @ ..10 => format!("{hundreds}00 {unit}"),
        hundreds => format!("{},{}00 {unit}", hundreds / 10, hundreds % 10),
    }
}

/// Without a decimal that is 0.
fn plain(said: String) -> String {
    match said.split_once(".0 ") {
        Some((whole, unit)) => format!("{whole} {unit}"),
        None => said,
    }
}

/// Writes a number with one decimal; evidence has hundreds, and the general way is slow.
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

/// The unit as it stands behind a number.
pub fn short(shown: Shown) -> &'static str {
    match shown.suffix {
        "f" | "delta_f" => "°F",
        "c" | "delta_c" => "°C",
        "percent" => "%",
        "kpa_a" => "kPa abs",
        "in_h2o" => "inH2O",
        "pa" => "Pa",
        "m3_per_h" => "m³/h",
        "a" => "A",
        "w" => "W",
        "v" => "V",
        other => other,
    }
}

#[cfg(test)]
mod tests {
    use QuantityKind::{Power, Pressure, Temperature};

    use super::*;

    #[test]
    fn numbers_are_said_in_the_units_of_the_job() {
        let check = |kind, units, si: f64, value: &str, difference: &str| {
            let said = Phrase::of(kind, units);
            assert_eq!((said.value(si), said.difference(si)), (value.into(), difference.into()));
        };
        check(Temperature, Units::Us, 10.0, "50.0 °F", "18.0 °F");
        check(Temperature, Units::Si, 10.0, "10.0 °C", "10.0 K");
        check(Pressure, Units::Us, 914_906.0, "132.7 psia", "133 psi");
        check(Pressure, Units::Si, 914_906.0, "915 kPa abs", "915 kPa");
        check(Power, Units::Us, 1_621.7, "1622 W", "1622 W");
        let said = Phrase::of(Temperature, Units::Us);
        assert_eq!(said.rate(-0.15 / 60.0), "-0.27 °F a minute");
        let said = Phrase::of(Temperature, Units::Si);
        assert_eq!(said.rate(-0.15 / 60.0), "-0.15 °C a minute");
    }

    #[test]
    fn a_limit_has_no_decimal_that_says_nothing() {
        let (us, si) = (Phrase::of(Temperature, Units::Us), Phrase::of(Temperature, Units::Si));
        let limit_c = (55.0 - 32.0) / 1.8;
        assert_eq!((us.limit(limit_c), si.limit(limit_c)), ("55 °F".into(), "12.8 °C".into()));
        let drop_k = 3.0 / 1.8;
        assert_eq!((us.limit_gap(drop_k), si.limit_gap(drop_k)), ("3 °F".into(), "1.7 K".into()));
        assert_eq!((us.gap(5.0), si.gap(5.0)), ("9.0 °F".into(), "5.0 K".into()));
    }

    #[test]
    fn altitudes_are_said_to_the_hundred() {
        for (metres, us, si) in
            [(10.0, "0 ft", "0 m"), (304.8, "1,000 ft", "300 m"), (3_130.0, "10,300 ft", "3,100 m")]
        {
            let said = (altitude(metres, Units::Us), altitude(metres, Units::Si));
            assert_eq!(said, (us.into(), si.into()));
        }
    }

    #[test]
    fn tenths_read_as_usual() {
        for value in [0.0, 0.04, 0.05, -0.04, 1.0, -12.34, 99.96, 1234.5] {
            let mut text = String::new();
            push_tenths(&mut text, value);
            assert!((text.parse::<f64>().unwrap() - value).abs() < 0.0501, "{value}: {text}");
            assert!(!text.starts_with("-0.0"));
        }
    }
}
