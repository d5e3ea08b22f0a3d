//! How texts for people say a quantity: in the units of the job, with as many figures as serve.
//!
//! Every text that the engine makes for people takes its numbers from here, so that a job with
//! `units = "us"` reads no kelvins. Columns and JSON have their own, fixed units.

use crate::engine::columns::{Shown, Units};
use crate::units::quantity::QuantityKind;

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

    /// A difference of two values (SI), a swing or a spread: `0.90 °F`, `2.50 psi`.
    pub fn difference(self, si: f64) -> String {
        let shown = Shown::of(self.kind, self.units);
        let size = si * shown.scale;
        let decimals = match size.abs() {
            100.0.. => 0,
            10.0.. => 1,
            _ => 2,
        };
        let unit = match shown.suffix {
            "psia" => "psi",
            "kpa_a" => "kPa",
            _ => short(shown),
        };
        format!("{size:.decimals$} {unit}")
    }

    /// A rate (SI a second): `0.27 °F a minute`.
    pub fn rate(self, si_per_s: f64) -> String {
        format!("{} a minute", self.difference(60.0 * si_per_s))
    }

    /// Decimals of a value that somebody reads off.
    const fn decimals(self) -> usize {
        match (self.kind, self.units) {
            (QuantityKind::Pressure, Units::Si)
            | (QuantityKind::Humidity | QuantityKind::Power, _) => 0,
            (QuantityKind::Current | QuantityKind::StaticPressure, Units::Us) => 2,
            _ => 1,
        }
    }
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
        check(Temperature, Units::Si, 10.0, "10.0 °C", "10.0 °C");
        check(Pressure, Units::Us, 914_906.0, "132.7 psia", "133 psi");
        check(Pressure, Units::Si, 914_906.0, "915 kPa abs", "915 kPa");
        check(Power, Units::Us, 1_621.7, "1622 W", "1622 W");
        let said = Phrase::of(Temperature, Units::Us);
        assert_eq!(said.rate(-0.15 / 60.0), "-0.27 °F a minute");
    }
}
