//! Physical quantities: checked when made, so that what holds one need not check again.
//!
//! Every constructor takes SI (°C for temperatures) and returns `None` for what is not possible;
//! NaN and infinity are never possible. Full precision is kept inside; rounding is for people.

use std::ops::{Add, Neg, Sub};

/// Makes a newtype around an SI value that lies in a closed range.
macro_rules! quantity {
    ($(#[$doc:meta])* $name:ident, $from:expr, $to:expr) => {
        $(#[$doc])*
        #[derive(Debug, Clone, Copy, PartialEq, PartialOrd)]
        pub struct $name(f64);

        impl $name {
            /// The quantity with this value, or `None` outside what is possible.
            pub fn new(value: f64) -> Option<Self> {
                ($from..=$to).contains(&value).then_some(Self(value))
            }

            /// The value, in the unit that the type's doc names.
            pub const fn get(self) -> f64 {
                self.0
            }
        }
    };
}

quantity!(
    /// A temperature (°C, −273.15 to 5,000).
    Celsius, -273.15, 5_000.0
);
quantity!(
    /// A difference of two temperatures (K).
    Kelvins, -10_000.0, 10_000.0
);
quantity!(
    /// An absolute pressure (Pa, 0 to 100 MPa).
    Pascals, 0.0, 1e8
);
quantity!(
    /// A difference of two pressures, as across a duct or filter, or a gauge's reading (Pa).
    PascalsDifference, -1e8, 1e8
);
quantity!(
    /// Relative humidity (fraction, 0 to 1).
    RelativeHumidity, 0.0, 1.0
);
quantity!(
    /// Mass of water vapour to mass of dry air (kg/kg, 0 to 10).
    HumidityRatio, 0.0, 10.0
);
quantity!(
    /// Specific enthalpy, of moist air for each kilogram of dry air (J/kg).
    JoulesPerKilogram, -1e8, 1e8
);
quantity!(
    /// Specific entropy or heat capacity (J/(kg·K)).
    JoulesPerKilogramKelvin, -1e6, 1e6
);
quantity!(
    /// Density (kg/m³, above 0).
    KilogramsPerCubicMetre, f64::MIN_POSITIVE, 1e5
);
quantity!(
    /// Volume flow of air (m³/s).
    CubicMetresPerSecond, 0.0, 1e4
);
quantity!(
    /// Power, electrical or thermal (W).
    Watts, -1e9, 1e9
);
quantity!(
    /// Electric current (A).
    Amperes, -1e5, 1e5
);
quantity!(
    /// Electric tension (V).
    Volts, -1e6, 1e6
);
quantity!(
    /// A height above sea level (m, −5,000 to 11,000: the standard atmosphere's lowest layer).
    Metres, -5_000.0, 11_000.0
);

impl Celsius {
    /// The temperature that is `value` °F.
    ///
    /// ```
    /// use settled::units::quantity::Celsius;
    /// assert_eq!(Celsius::from_fahrenheit(212.0).unwrap().get(), 100.0);
    /// ```
    pub fn from_fahrenheit(value: f64) -> Option<Self> {
        Self::new((value - 32.0) / 1.8)
    }

    /// This temperature in °F.
    pub fn fahrenheit(self) -> f64 {
        self.0 * 1.8 + 32.0
    }

    /// This temperature above absolute zero (K).
    pub fn kelvin(self) -> f64 {
        self.0 + 273.15
    }
}

impl Kelvins {
    /// The difference that is `value` °F.
    pub fn from_fahrenheit(value: f64) -> Option<Self> {
        Self::new(value / 1.8)
    }

    /// This difference in °F.
    pub fn fahrenheit(self) -> f64 {
        self.0 * 1.8
    }
}

impl Sub for Celsius {
    type Output = Kelvins;
    fn sub(self, other: Self) -> Kelvins {
        Kelvins(self.0 - other.0)
    }
}

impl Add<Kelvins> for Celsius {
    type Output = Celsius;
    fn add(self, difference: Kelvins) -> Celsius {
        Celsius(self.0 + difference.0)
    }
}

impl Sub<Kelvins> for Celsius {
    type Output = Celsius;
    fn sub(self, difference: Kelvins) -> Celsius {
        Celsius(self.0 - difference.0)
    }
}

impl Add for Kelvins {
    type Output = Kelvins;
    fn add(self, other: Self) -> Kelvins {
        Kelvins(self.0 + other.0)
    }
}

impl Sub for Kelvins {
    type Output = Kelvins;
    fn sub(self, other: Self) -> Kelvins {
        Kelvins(self.0 - other.0)
    }
}

impl Neg for Kelvins {
    type Output = Kelvins;
    fn neg(self) -> Kelvins {
        Kelvins(-self.0)
    }
}

/// One standard atmosphere (Pa). Source: ISO 2533, by definition.
pub const STANDARD_ATMOSPHERE_PA: f64 = 101_325.0;
/// One pound-force per square inch (Pa). Source: NIST SP 811, appendix B.8.
pub const PSI_PA: f64 = 6_894.757_293_168;
/// One cubic foot per minute (m³/s). Source: the foot is 0.3048 m by definition.
pub const CFM_M3_PER_S: f64 = 0.028_316_846_592 / 60.0;
/// One ton of refrigeration, 12,000 Btu/h (W). Source: NIST SP 811 (Btu of the International Table).
pub const TON_W: f64 = 3_516.852_842_067;

/// What kind of thing a channel measures.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum QuantityKind {
    /// Temperature (°C).
    Temperature,
    /// Relative humidity (fraction).
    Humidity,
    /// Absolute pressure (Pa).
    Pressure,
    /// Differential pressure of air (Pa).
    StaticPressure,
    /// Volume flow of air (m³/s).
    Airflow,
    /// Electric current (A).
    Current,
    /// Electric power (W).
    Power,
    /// Electric tension (V).
    Voltage,
    /// What is left in a probe's battery (fraction).
    Battery,
    /// Wet-bulb temperature, typed or imported (°C).
    WetBulb,
    /// Dew point, typed or imported (°C).
    DewPoint,
    /// Saturation temperature, typed or imported (°C).
    Saturation,
    /// Superheat, typed or imported (K).
    Superheat,
    /// Subcooling, typed or imported (K).
    Subcooling,
}

impl QuantityKind {
    /// All kinds, in the order of the enum.
    pub const ALL: [Self; 14] = [
        Self::Temperature,
        Self::Humidity,
        Self::Pressure,
        Self::StaticPressure,
        Self::Airflow,
        Self::Current,
        Self::Power,
        Self::Voltage,
        Self::Battery,
        Self::WetBulb,
        Self::DewPoint,
        Self::Saturation,
        Self::Superheat,
        Self::Subcooling,
    ];

    /// The word in files and on the command line: `static-pressure`.
    pub const fn word(self) -> &'static str {
        match self {
            Self::Temperature => "temperature",
            Self::Humidity => "humidity",
            Self::Pressure => "pressure",
            Self::StaticPressure => "static-pressure",
            Self::Airflow => "airflow",
            Self::Current => "current",
            Self::Power => "power",
            Self::Voltage => "voltage",
            Self::Battery => "battery",
            Self::WetBulb => "wet-bulb",
            Self::DewPoint => "dew-point",
            Self::Saturation => "saturation",
            Self::Superheat => "superheat",
            Self::Subcooling => "subcooling",
        }
    }

    /// The kind that `word` names.
    pub fn from_word(word: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|kind| kind.word() == word)
    }

    /// The SI unit as JSON and CSV write it: `degC`, `delta_degC`, `Pa`, `fraction`.
    pub const fn unit(self) -> &'static str {
        match self {
            Self::Temperature | Self::WetBulb | Self::DewPoint | Self::Saturation => "degC",
            Self::Superheat | Self::Subcooling => "delta_degC",
            Self::Humidity | Self::Battery => "fraction",
            Self::Pressure | Self::StaticPressure => "Pa",
            Self::Airflow => "m3_per_s",
            Self::Current => "A",
            Self::Power => "W",
            Self::Voltage => "V",
        }
    }

    /// What is possible at all, in SI.
    pub const fn range(self) -> (f64, f64) {
        match self {
            Self::Temperature | Self::WetBulb | Self::DewPoint | Self::Saturation => {
                (-273.15, 5_000.0)
            }
            Self::Superheat | Self::Subcooling => (-1_000.0, 1_000.0),
            Self::Humidity | Self::Battery => (0.0, 1.0),
            Self::Pressure => (0.0, 1e8),
            Self::StaticPressure | Self::Voltage => (-1e6, 1e6),
            Self::Airflow => (0.0, 1e4),
            Self::Current => (-1e5, 1e5),
            Self::Power => (-1e9, 1e9),
        }
    }
}

/// A value with its kind, for where the kind is only known at run time (SI, as the kind says).
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Quantity {
    kind: QuantityKind,
    value: f64,
}

impl Quantity {
    /// The quantity of `kind` with this SI value, or `None` outside what is possible.
    pub fn new(kind: QuantityKind, value: f64) -> Option<Self> {
        let (from, to) = kind.range();
        (from..=to).contains(&value).then_some(Self { kind, value })
    }

    /// What kind of quantity it is.
    pub const fn kind(self) -> QuantityKind {
        self.kind
    }

    /// The value in SI, in the unit of its kind.
    pub const fn get(self) -> f64 {
        self.value
    }

    /// As a temperature, where it is one.
    pub fn celsius(self) -> Option<Celsius> {
        (self.kind.unit() == "degC").then_some(Celsius(self.value))
    }

    /// As an absolute pressure, where it is one.
    pub fn pascals(self) -> Option<Pascals> {
        (self.kind == QuantityKind::Pressure).then_some(Pascals(self.value))
    }

    /// As a relative humidity, where it is one.
    pub fn relative_humidity(self) -> Option<RelativeHumidity> {
        (self.kind == QuantityKind::Humidity).then_some(RelativeHumidity(self.value))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn nothing_impossible_can_be_held() {
        for bad in [f64::NAN, f64::INFINITY, -273.16] {
            assert_eq!(Celsius::new(bad), None);
            assert_eq!(Quantity::new(QuantityKind::Temperature, bad), None);
        }
        assert_eq!(RelativeHumidity::new(1.000_001), None);
        assert_eq!(Pascals::new(-1.0), None);
        assert_eq!(KilogramsPerCubicMetre::new(0.0), None);
    }

    #[test]
    fn a_kind_is_found_by_its_word() {
        for kind in QuantityKind::ALL {
            assert_eq!(QuantityKind::from_word(kind.word()), Some(kind));
        }
        assert_eq!(QuantityKind::from_word("colour"), None);
    }
}
