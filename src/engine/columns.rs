//! How people see a quantity in the files: unit, name of the column, decimals.
//!
//! Rounding is the same for every file and part of the format (half away from zero):
//!
//! | kind | `us` | `si` |
//! | --- | --- | --- |
//! | temperature, wet bulb, dew point, saturation | °F, 2 decimals | °C, 2 decimals |
//! | superheat, subcooling, splits | delta °F, 2 | delta °C, 2 |
//! | humidity, battery | percent, 1 | percent, 1 |
//! | pressure | psia, 2 | kPa absolute, 1 |
//! | static pressure | inch of water, 4 | Pa, 1 |
//! | airflow | cfm, 1 | m³/h, 1 |
//! | current, voltage, power | A, 3; V, 2; W, 1 | the same |

use crate::engine::channel::Channel;
use crate::engine::output::Derived;
use crate::engine::record::push_u64;
use crate::units::quantity::{CFM_M3_PER_S, PSI_PA, QuantityKind};

/// One conventional inch of water (Pa). Source: NIST SP 811, appendix B.8.
const IN_H2O_PA: f64 = 249.088_91;

/// How people see numbers.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Default)]
pub enum Units {
    /// °F, psia, cfm.
    #[default]
    Us,
    /// °C, kPa, m³/h.
    Si,
}

impl Units {
    /// The word in a job: `us` or `si`.
    pub const fn word(self) -> &'static str {
        match self {
            Self::Us => "us",
            Self::Si => "si",
        }
    }

    /// The units that `word` names.
    pub fn from_word(word: &str) -> Option<Self> {
        [Self::Us, Self::Si].into_iter().find(|units| units.word() == word)
    }
}

/// How a number is shown: `shown = si · scale + offset`, then rounded.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Shown {
    /// The last word of the column's name: `f`, `delta_f`, `psia`.
    pub suffix: &'static str,
    /// The unit in words, for the metadata and the page.
    pub unit: &'static str,
    /// Factor from SI.
    pub scale: f64,
    /// What is added after scaling.
    pub offset: f64,
    /// Decimals.
    pub decimals: u8,
}

impl Shown {
    const fn new(suffix: &'static str, unit: &'static str, scale: f64, decimals: u8) -> Self {
        Self { suffix, unit, scale, offset: 0.0, decimals }
    }

    /// How a value of `kind` is shown.
    pub const fn of(kind: QuantityKind, units: Units) -> Self {
        let us = matches!(units, Units::Us);
        match kind {
            QuantityKind::Temperature
            | QuantityKind::WetBulb
            | QuantityKind::DewPoint
            | QuantityKind::Saturation => Self::temperature(units),
            QuantityKind::Superheat | QuantityKind::Subcooling => Self::difference(units),
            QuantityKind::Humidity | QuantityKind::Battery => {
                Self::new("percent", "percent", 100.0, 1)
            }
            QuantityKind::Pressure if us => Self::new("psia", "psi absolute", 1.0 / PSI_PA, 2),
            QuantityKind::Pressure => Self::new("kpa_a", "kPa absolute", 1e-3, 1),
            QuantityKind::StaticPressure if us => {
                Self::new("in_h2o", "inches of water", 1.0 / IN_H2O_PA, 4)
            }
            QuantityKind::StaticPressure => Self::new("pa", "Pa", 1.0, 1),
            QuantityKind::Airflow if us => {
                Self::new("cfm", "cubic feet a minute", 1.0 / CFM_M3_PER_S, 1)
            }
            QuantityKind::Airflow => Self::new("m3_per_h", "m³ an hour", 3_600.0, 1),
            QuantityKind::Current => Self::new("a", "A", 1.0, 3),
            QuantityKind::Power => Self::new("w", "W", 1.0, 1),
            QuantityKind::Voltage => Self::new("v", "V", 1.0, 2),
        }
    }

    /// How a temperature is shown.
    pub const fn temperature(units: Units) -> Self {
        match units {
            Units::Us => Self { suffix: "f", unit: "°F", scale: 1.8, offset: 32.0, decimals: 2 },
            Units::Si => Self::new("c", "°C", 1.0, 2),
        }
    }

    /// How a difference of temperatures is shown.
    pub const fn difference(units: Units) -> Self {
        match units {
            Units::Us => Self::new("delta_f", "°F (difference)", 1.8, 2),
            Units::Si => Self::new("delta_c", "°C (difference)", 1.0, 2),
        }
    }

    /// How a derived measure is shown.
    pub const fn derived(measure: Derived, units: Units) -> Self {
        if measure.is_temperature() { Self::temperature(units) } else { Self::difference(units) }
    }

    /// How a spread or an uncertainty of what is shown like this is shown: without the offset,
    /// and with one decimal more.
    #[must_use]
    pub const fn width(self) -> Self {
        Self { offset: 0.0, decimals: self.decimals + 1, ..self }
    }

    /// Appends an SI value as it is shown.
    pub fn push(self, out: &mut Vec<u8>, si: f64) {
        push_fixed(out, si * self.scale + self.offset, self.decimals);
    }

    /// An SI value as it is shown.
    pub fn text(self, si: f64) -> String {
        let mut out = Vec::new();
        self.push(&mut out, si);
        String::from_utf8(out).unwrap_or_default()
    }
}

/// The name of a channel's column: `suction_line_temperature_f`, `suction_line_2_temperature_f`.
///
/// ```
/// use settled::engine::columns::{Units, column};
/// let channel = "suction-line@2.temperature".parse().unwrap();
/// assert_eq!(column(&channel, Units::Us), "suction_line_2_temperature_f");
/// ```
pub fn column(channel: &Channel, units: Units) -> String {
    let place = channel.place.to_string();
    let name = format!("{place}_{}_{}", channel.kind.word(), Shown::of(channel.kind, units).suffix);
    name.replace([':', '@', '-'], "_")
}

/// The name of a derived measure's column: `evaporator_split_delta_f`.
pub fn derived_column(measure: Derived, units: Units) -> String {
    format!("{}_{}", measure.word(), Shown::derived(measure, units).suffix)
}

/// Appends `value` with so many decimals (at most 9), rounded half away from zero. Never `-0`.
///
/// ```
/// use settled::engine::columns::push_fixed;
/// let mut out = Vec::new();
/// push_fixed(&mut out, -2.345, 1);
/// assert_eq!(out, b"-2.3");
/// ```
pub fn push_fixed(out: &mut Vec<u8>, value: f64, decimals: u8) {
    const POWERS: [u64; 10] =
        [1, 10, 100, 1_000, 10_000, 100_000, 1_000_000, 10_000_000, 100_000_000, 1_000_000_000];
    /// Above this, not every whole number has a double of its own.
    const EXACT_MAX: f64 = 9_007_199_254_740_992.0;

    let power = POWERS[usize::from(decimals.min(9))];
    let scaled = (value * power as f64).round();
    if scaled.is_nan() || scaled.abs() >= EXACT_MAX {
        // Beyond all quantities; kept right rather than fast.
        out.extend_from_slice(format!("{value:.*}", usize::from(decimals)).as_bytes());
        return;
    }
    if scaled < 0.0 {
        out.push(b'-');
    }
    let size = scaled.abs() as u64;
    push_u64(out, size / power);
    if power > 1 {
        out.push(b'.');
        let mut rest = size % power;
        let from = out.len();
        out.resize(from + usize::from(decimals.min(9)), b'0');
        for digit in out[from..].iter_mut().rev() {
            *digit = b'0' + (rest % 10) as u8;
            rest /= 10;
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn check(value: f64, decimals: u8, expected: &str) {
        let mut out = Vec::new();
        push_fixed(&mut out, value, decimals);
        assert_eq!(String::from_utf8(out).unwrap(), expected);
    }

    #[test]
    fn numbers_are_rounded_half_away_from_zero() {
        check(0.0, 2, "0.00");
        check(-0.004, 2, "0.00");
        check(-0.005, 2, "-0.01");
        check(0.125, 2, "0.13");
        check(-12.3456, 3, "-12.346");
        check(1_000.0, 0, "1000");
        check(99.995, 1, "100.0");
        check(1e18, 1, "1000000000000000000.0");
    }

    #[test]
    fn values_are_shown_in_the_units_of_people() {
        let shown = |kind, units, si| Shown::of(kind, units).text(si);
        // 35 °C is 95 °F and 6,894.757 Pa are one psi, by definition (NIST SP 811).
        assert_eq!(shown(QuantityKind::Temperature, Units::Us, 35.0), "95.00");
        assert_eq!(shown(QuantityKind::Temperature, Units::Si, 35.0), "35.00");
        assert_eq!(shown(QuantityKind::Superheat, Units::Us, 5.0), "9.00");
        assert_eq!(shown(QuantityKind::Pressure, Units::Us, 689_475.729_316_8), "100.00");
        assert_eq!(shown(QuantityKind::Pressure, Units::Si, 101_325.0), "101.3");
        assert_eq!(shown(QuantityKind::Humidity, Units::Us, 0.515), "51.5");
        assert_eq!(shown(QuantityKind::StaticPressure, Units::Us, 124.544_455), "0.5000");
        // 0.4719474432 m³/s are 1,000 cfm by the definition of the foot.
        assert_eq!(shown(QuantityKind::Airflow, Units::Us, 0.471_947_443_2), "1000.0");
        let width = Shown::of(QuantityKind::Temperature, Units::Us).width();
        assert_eq!(width.text(0.5), "0.900");
    }

    #[test]
    fn every_kind_has_a_column_in_both_units() {
        for kind in QuantityKind::ALL {
            for units in [Units::Us, Units::Si] {
                let channel = format!("other:a-b.{}", kind.word()).parse().unwrap();
                let column = column(&channel, units);
                let plain = |c: char| c.is_ascii_alphanumeric() || c == '_';
                assert!(column.chars().all(plain), "{column}");
                assert!(column.ends_with(Shown::of(kind, units).suffix), "{column}");
            }
        }
        assert_eq!(derived_column(Derived::EvaporatorSplit, Units::Us), "evaporator_split_delta_f");
        assert_eq!(derived_column(Derived::ReturnAirWetBulb, Units::Us), "return_air_wet_bulb_f");
    }
}
