//! The units that a profile may give a field in, and how each becomes SI.

use crate::units::quantity::{CFM_M3_PER_S, PSI_PA, QuantityKind};

/// A linear way from one scale to another: `value · multiply / divide + add`.
///
/// Multiplication and division are kept apart since 2506 / 100 is 25.06, and 2506 · 0.01 is not.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Linear {
    pub multiply: f64,
    pub divide: f64,
    pub add: f64,
}

impl Linear {
    pub(crate) const SAME: Self = Self { multiply: 1.0, divide: 1.0, add: 0.0 };

    /// `value · scale + offset`, dividing where that is the exact way to say the scale.
    pub(crate) fn scaled(scale: f64, offset: f64) -> Self {
        let inverse = (1.0 / scale).round();
        let exact = scale.abs() < 1.0 && inverse.abs() <= 1e15 && 1.0 / inverse == scale;
        let (multiply, divide) = if exact { (1.0, inverse) } else { (scale, 1.0) };
        Self { multiply, divide, add: offset }
    }

    /// First `self`, then `next`.
    pub(super) fn then(self, next: Self) -> Self {
        Self {
            multiply: self.multiply * next.multiply,
            divide: self.divide * next.divide,
            add: next.apply(self.add),
        }
    }

    pub(crate) fn apply(self, value: f64) -> f64 {
        value * self.multiply / self.divide + self.add
    }

    /// What a difference becomes.
    pub(crate) fn apply_to_difference(self, value: f64) -> f64 {
        value * self.multiply / self.divide
    }

    /// The way back.
    pub(crate) fn undo(self, value: f64) -> f64 {
        (value - self.add) * self.divide / self.multiply
    }
}

/// A unit of one kind of quantity.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Unit {
    pub word: &'static str,
    pub to_si: Linear,
    /// For pressures: whether the word says gauge (`true`), absolute (`false`) or neither.
    pub gauge: Option<bool>,
}

const fn times(word: &'static str, multiply: f64) -> Unit {
    Unit { word, to_si: Linear { multiply, divide: 1.0, add: 0.0 }, gauge: None }
}

const fn over(word: &'static str, divide: f64) -> Unit {
    Unit { word, to_si: Linear { multiply: 1.0, divide, add: 0.0 }, gauge: None }
}

const fn pressure(word: &'static str, multiply: f64, gauge: Option<bool>) -> Unit {
    Unit { word, to_si: Linear { multiply, divide: 1.0, add: 0.0 }, gauge }
}

const FAHRENHEIT: Linear = Linear { multiply: 1.0, divide: 1.8, add: -32.0 / 1.8 };
const KELVIN: Linear = Linear { multiply: 1.0, divide: 1.0, add: -273.15 };
/// One inch of water (Pa). Source: NIST SP 811, appendix B.8, conventional.
const INCH_OF_WATER_PA: f64 = 249.088_9;
/// One millimetre of water (Pa). Source: NIST SP 811, appendix B.8, conventional.
const MILLIMETRE_OF_WATER_PA: f64 = 9.806_65;

const TEMPERATURE: [Unit; 3] = [
    times("degC", 1.0),
    Unit { word: "degF", to_si: FAHRENHEIT, gauge: None },
    Unit { word: "K", to_si: KELVIN, gauge: None },
];
const DIFFERENCE: [Unit; 2] = [times("delta_degC", 1.0), over("delta_degF", 1.8)];
const FRACTION: [Unit; 2] = [over("percent", 100.0), times("fraction", 1.0)];
const PRESSURE: [Unit; 16] = [
    pressure("Paa", 1.0, Some(false)),
    pressure("Pag", 1.0, Some(true)),
    pressure("Pa", 1.0, None),
    pressure("hPaa", 100.0, Some(false)),
    pressure("hPa", 100.0, None),
    pressure("kPaa", 1e3, Some(false)),
    pressure("kPag", 1e3, Some(true)),
    pressure("kPa", 1e3, None),
    pressure("bara", 1e5, Some(false)),
    pressure("barg", 1e5, Some(true)),
    pressure("bar", 1e5, None),
    pressure("mbar", 100.0, None),
    pressure("psia", PSI_PA, Some(false)),
    pressure("psig", PSI_PA, Some(true)),
    pressure("psi", PSI_PA, None),
    pressure("MPa", 1e6, None),
];
const STATIC_PRESSURE: [Unit; 6] = [
    times("Pa", 1.0),
    times("hPa", 100.0),
    times("kPa", 1e3),
    times("mbar", 100.0),
    times("inH2O", INCH_OF_WATER_PA),
    times("mmH2O", MILLIMETRE_OF_WATER_PA),
];
const AIRFLOW: [Unit; 4] = [
    times("m3_per_s", 1.0),
    over("m3_per_h", 3_600.0),
    over("L_per_s", 1_000.0),
    times("cfm", CFM_M3_PER_S),
];
const CURRENT: [Unit; 2] = [times("A", 1.0), over("mA", 1_000.0)];
const POWER: [Unit; 2] = [times("W", 1.0), times("kW", 1e3)];
const VOLTAGE: [Unit; 2] = [times("V", 1.0), over("mV", 1_000.0)];

/// The units that a field of this kind may be given in.
pub(crate) fn units_of(kind: QuantityKind) -> &'static [Unit] {
    match kind {
        QuantityKind::Temperature
        | QuantityKind::WetBulb
        | QuantityKind::DewPoint
        | QuantityKind::Saturation => &TEMPERATURE,
        QuantityKind::Superheat | QuantityKind::Subcooling => &DIFFERENCE,
        QuantityKind::Humidity | QuantityKind::Battery => &FRACTION,
        QuantityKind::Pressure => &PRESSURE,
        QuantityKind::StaticPressure => &STATIC_PRESSURE,
        QuantityKind::Airflow => &AIRFLOW,
        QuantityKind::Current => &CURRENT,
        QuantityKind::Power => &POWER,
        QuantityKind::Voltage => &VOLTAGE,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn decimal_scales_give_decimal_values() {
        assert_eq!(Linear::scaled(0.01, 0.0).apply(2506.0), 25.06);
        assert_eq!(Linear::scaled(0.001, 0.0).apply(13390.0), 13.39);
        assert_eq!(Linear::scaled(0.35, 0.0).apply(-22.0), -22.0 * 0.35);
        let percent = Linear::scaled(0.01, 0.0).then(FRACTION[0].to_si);
        assert_eq!(percent.apply(5055.0), 0.5055);
    }

    #[test]
    fn offsets_go_through_the_unit() {
        let half_degrees = Linear::scaled(0.5, -40.0).then(FAHRENHEIT);
        assert!((half_degrees.apply(144.0) - 0.0).abs() < 1e-12, "32 °F is 0 °C");
        assert!((half_degrees.undo(0.0) - 144.0).abs() < 1e-9);
        assert_eq!(FAHRENHEIT.apply_to_difference(18.0), 10.0);
    }
}
