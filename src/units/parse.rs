//! How people type quantities: a number and its unit, as `27F`, `118psig`, `10delta_F`.
//!
//! A bare number is refused with the units that would do. Pressures of refrigerant always say gauge
//! or absolute. Upper and lower case are alike, and a space may stand before the unit.

use thiserror::Error;

use crate::units::quantity::{
    Amperes, CFM_M3_PER_S, Celsius, CubicMetresPerSecond, Kelvins, Metres, PSI_PA, Pascals,
    PascalsDifference, Quantity, QuantityKind, RelativeHumidity, TON_W, Volts, Watts,
};

/// What is wrong with a typed value; the message says what to write instead.
#[derive(Debug, Clone, PartialEq, Eq, Error)]
pub enum ParseError {
    /// It does not begin with a number.
    #[error("{text:?} is not a number and a unit: write for example {example}")]
    NotANumber {
        /// As typed.
        text: String,
        /// A value that would do.
        example: &'static str,
    },
    /// The unit is missing.
    #[error("{text:?} has no unit: write {choices}")]
    NoUnit {
        /// As typed.
        text: String,
        /// The number with each unit that would do.
        choices: String,
    },
    /// The unit is not one of this quantity.
    #[error("{text:?} is not {what}: use {units}")]
    WrongUnit {
        /// As typed.
        text: String,
        /// The quantity wanted.
        what: &'static str,
        /// The units that would do.
        units: String,
    },
    /// A pressure that says neither gauge nor absolute.
    #[error("{text:?} does not say gauge or absolute: write {text}g or {text}a")]
    GaugeOrAbsolute {
        /// As typed.
        text: String,
    },
    /// A temperature where a difference is wanted.
    #[error("{text:?} is a temperature, not a difference: write {number}delta_{scale}")]
    NotADifference {
        /// As typed.
        text: String,
        /// Its number.
        number: String,
        /// Its scale.
        scale: &'static str,
    },
    /// More or less than is possible.
    #[error("{text:?} is out of range: {what} is {range}")]
    OutOfRange {
        /// As typed.
        text: String,
        /// The quantity.
        what: &'static str,
        /// What is possible.
        range: &'static str,
    },
}

/// A pressure as typed: a gauge's reading needs a barometer to become absolute.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum TypedPressure {
    /// Above vacuum (Pa).
    Absolute(Pascals),
    /// Above the air around the gauge (Pa).
    Gauge(PascalsDifference),
}

impl TypedPressure {
    /// The absolute pressure (Pa) where the air has this pressure (Pa); `None` below vacuum.
    ///
    /// ```
    /// use settled::units::parse::pressure;
    /// use settled::units::quantity::Pascals;
    /// let air = Pascals::new(101_325.0).unwrap();
    /// let absolute = pressure("1barg").unwrap().absolute(air).unwrap();
    /// assert_eq!(absolute.get(), 201_325.0);
    /// ```
    pub fn absolute(self, barometer: Pascals) -> Option<Pascals> {
        match self {
            Self::Absolute(pressure) => Some(pressure),
            Self::Gauge(above) => Pascals::new(barometer.get() + above.get()),
        }
    }
}

/// A typed value of a kind known at run time.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Typed {
    /// All is known.
    Exact(Quantity),
    /// A gauge's reading of pressure (Pa above the air), which needs a barometer.
    Gauge(PascalsDifference),
}

/// A temperature: `27F`, `-2.8C`, `300K`.
///
/// # Errors
/// When it is not a number and one of these units, or below absolute zero.
///
/// ```
/// use settled::units::parse::temperature;
/// assert_eq!(temperature("32F").unwrap().get(), 0.0);
/// assert!(temperature("27").unwrap_err().to_string().contains("27F"));
/// ```
pub fn temperature(text: &str) -> Result<Celsius, ParseError> {
    read(&TEMPERATURE, text, Celsius::new)
}

/// A difference of temperatures: `10delta_F`, `5.6delta_C`, `5.6delta_K`.
///
/// # Errors
/// When it is not a number and one of these units.
pub fn difference(text: &str) -> Result<Kelvins, ParseError> {
    if let Some((number, unit)) = split(text) {
        let scale = TEMPERATURE.units.iter().find(|known| known.is(unit));
        if let Some(scale) = scale {
            return Err(ParseError::NotADifference {
                text: text.trim().to_owned(),
                number: number.to_owned(),
                scale: scale.names[0],
            });
        }
    }
    read(&DIFFERENCE, text, Kelvins::new)
}

/// A pressure of refrigerant or of the air: `118psig`, `8.14barg`, `915kPaa`.
///
/// # Errors
/// When it is not a number and one of `psig psia barg bara kPag kPaa MPag MPaa Pag Paa`, or says
/// neither gauge nor absolute.
pub fn pressure(text: &str) -> Result<TypedPressure, ParseError> {
    if split(text).is_some_and(|(_, unit)| UNCLEAR.iter().any(|u| u.eq_ignore_ascii_case(unit))) {
        return Err(ParseError::GaugeOrAbsolute { text: text.trim().to_owned() });
    }
    let gauge = split(text).is_some_and(|(_, unit)| unit.ends_with(['g', 'G']));
    if gauge {
        read(&PRESSURE, text, PascalsDifference::new).map(TypedPressure::Gauge)
    } else {
        read(&PRESSURE, text, Pascals::new).map(TypedPressure::Absolute)
    }
}

/// A volume flow of air: `1050cfm`, `0.5m3/s`, `1800m3/h`, `500L/s`.
///
/// # Errors
/// When it is not a number and one of these units, or below zero.
pub fn airflow(text: &str) -> Result<CubicMetresPerSecond, ParseError> {
    read(&AIRFLOW, text, CubicMetresPerSecond::new)
}

/// A capacity of cooling or heating: `3ton`, `10.5kW`, `36000Btu/h`.
///
/// # Errors
/// When it is not a number and one of these units.
pub fn capacity(text: &str) -> Result<Watts, ParseError> {
    read(&CAPACITY, text, Watts::new)
}

/// A height above sea level: `450ft`, `137m`.
///
/// # Errors
/// When it is not a number and one of these units, or not between −5,000 and 11,000 m.
pub fn altitude(text: &str) -> Result<Metres, ParseError> {
    read(&ALTITUDE, text, Metres::new)
}

/// A relative humidity: `51%`.
///
/// # Errors
/// When it is not a number and `%`, or not between 0 and 100.
pub fn humidity(text: &str) -> Result<RelativeHumidity, ParseError> {
    read(&HUMIDITY, text, RelativeHumidity::new)
}

/// An electric power: `2.4kW`, `350W`.
///
/// # Errors
/// When it is not a number and one of these units.
pub fn power(text: &str) -> Result<Watts, ParseError> {
    read(&POWER, text, Watts::new)
}

/// An electric current: `12.5A`, `300mA`.
///
/// # Errors
/// When it is not a number and one of these units.
pub fn current(text: &str) -> Result<Amperes, ParseError> {
    read(&CURRENT, text, Amperes::new)
}

/// An electric tension: `238V`.
///
/// # Errors
/// When it is not a number and one of `V mV kV`.
pub fn voltage(text: &str) -> Result<Volts, ParseError> {
    read(&VOLTAGE, text, Volts::new)
}

/// A difference of air pressures, as across a filter: `0.5inH2O`, `125Pa`.
///
/// # Errors
/// When it is not a number and one of these units.
pub fn static_pressure(text: &str) -> Result<PascalsDifference, ParseError> {
    read(&STATIC_PRESSURE, text, PascalsDifference::new)
}

/// A value of this kind, in any unit that the kind has.
///
/// # Errors
/// When it is not a number and one of the kind's units, or not possible.
pub fn value(kind: QuantityKind, text: &str) -> Result<Typed, ParseError> {
    if kind == QuantityKind::Pressure {
        return match pressure(text)? {
            TypedPressure::Gauge(above) => Ok(Typed::Gauge(above)),
            TypedPressure::Absolute(pressure) => {
                exact(&PRESSURE, kind, text, pressure.get()).map(Typed::Exact)
            }
        };
    }
    let family = family(kind);
    let si = match kind {
        QuantityKind::Superheat | QuantityKind::Subcooling => difference(text)?.get(),
        _ => read(family, text, Some)?,
    };
    exact(family, kind, text, si).map(Typed::Exact)
}

/// The kind of quantity that the unit of this value tells: `27F` is a temperature, `51%` a humidity,
/// `0.5inH2O` a static pressure. A difference of temperatures tells none.
pub fn kind_of(text: &str) -> Option<QuantityKind> {
    const TOLD_BY_UNIT: [QuantityKind; 8] = [
        QuantityKind::Temperature,
        QuantityKind::Humidity,
        QuantityKind::Pressure,
        QuantityKind::StaticPressure,
        QuantityKind::Airflow,
        QuantityKind::Current,
        QuantityKind::Power,
        QuantityKind::Voltage,
    ];
    let (_, unit) = split(text)?;
    TOLD_BY_UNIT.into_iter().find(|kind| family(*kind).units.iter().any(|known| known.is(unit)))
}

/// Units that people use for one quantity.
struct Family {
    /// In a sentence, with its article.
    what: &'static str,
    /// What is possible, in words.
    range: &'static str,
    /// A value that would do.
    example: &'static str,
    units: &'static [Unit],
}

/// One unit: its names, the usual one first, and how to get to SI from it.
struct Unit {
    names: &'static [&'static str],
    si: fn(f64) -> f64,
}

impl Unit {
    fn is(&self, text: &str) -> bool {
        self.names.iter().any(|name| name.eq_ignore_ascii_case(text))
    }
}

const fn unit(names: &'static [&'static str], si: fn(f64) -> f64) -> Unit {
    Unit { names, si }
}

/// One inch of water (Pa). Source: NIST SP 811, appendix B.8 (conventional).
const INCH_OF_WATER_PA: f64 = 249.088_91;

/// Pressures that leave open whether they are gauge or absolute.
const UNCLEAR: [&str; 6] = ["psi", "bar", "kPa", "Pa", "MPa", "mbar"];

static TEMPERATURE: Family = Family {
    what: "a temperature",
    range: "-273.15C to 5000C",
    example: "27F or -2.8C",
    units: &[
        unit(&["F", "degF", "°F"], |v| (v - 32.0) / 1.8),
        unit(&["C", "degC", "°C"], |v| v),
        unit(&["K"], |v| v - 273.15),
    ],
};
static DIFFERENCE: Family = Family {
    what: "a temperature difference",
    range: "-1000delta_C to 1000delta_C",
    example: "10delta_F or 5.6delta_C",
    units: &[
        unit(&["delta_F", "delta_degF"], |v| v / 1.8),
        unit(&["delta_C", "delta_degC", "delta_K"], |v| v),
    ],
};
static PRESSURE: Family = Family {
    what: "a pressure",
    range: "from vacuum, 0Paa, to 100MPaa",
    example: "118psig or 8.14barg",
    units: &[
        unit(&["psig"], |v| v * PSI_PA),
        unit(&["psia"], |v| v * PSI_PA),
        unit(&["barg"], |v| v * 1e5),
        unit(&["bara"], |v| v * 1e5),
        unit(&["kPag"], |v| v * 1e3),
        unit(&["kPaa"], |v| v * 1e3),
        unit(&["MPag", "MPaa"], |v| v * 1e6),
        unit(&["Pag", "Paa"], |v| v),
    ],
};
static AIRFLOW: Family = Family {
    what: "an airflow",
    range: "0m3/s to 10000m3/s",
    example: "1050cfm or 0.5m3/s",
    units: &[
        unit(&["cfm"], |v| v * CFM_M3_PER_S),
        unit(&["m3/s"], |v| v),
        unit(&["m3/h"], |v| v / 3600.0),
        unit(&["L/s"], |v| v / 1000.0),
    ],
};
static CAPACITY: Family = Family {
    what: "a capacity",
    range: "-1000000kW to 1000000kW",
    example: "3ton or 10.5kW",
    units: &[
        unit(&["ton", "tons"], |v| v * TON_W),
        unit(&["kW"], |v| v * 1e3),
        unit(&["W"], |v| v),
        unit(&["Btu/h"], |v| v * (TON_W / 12_000.0)),
    ],
};
static ALTITUDE: Family = Family {
    what: "an altitude",
    range: "-5000m to 11000m",
    example: "450ft or 137m",
    units: &[unit(&["ft"], |v| v * 0.3048), unit(&["m"], |v| v)],
};
static HUMIDITY: Family = Family {
    what: "a share in percent",
    range: "0% to 100%",
    example: "51%",
    units: &[unit(&["%", "percent", "%RH"], |v| v / 100.0)],
};
static POWER: Family = Family {
    what: "a power",
    range: "-1000000kW to 1000000kW",
    example: "2.4kW or 350W",
    units: &[unit(&["W"], |v| v), unit(&["kW"], |v| v * 1e3)],
};
static CURRENT: Family = Family {
    what: "a current",
    range: "-100000A to 100000A",
    example: "12.5A",
    units: &[unit(&["A"], |v| v), unit(&["mA"], |v| v / 1e3)],
};
static VOLTAGE: Family = Family {
    what: "a voltage",
    range: "-1000kV to 1000kV",
    example: "238V",
    units: &[unit(&["V"], |v| v), unit(&["mV"], |v| v / 1e3), unit(&["kV"], |v| v * 1e3)],
};
static STATIC_PRESSURE: Family = Family {
    what: "a static pressure",
    range: "-1000kPa to 1000kPa",
    example: "0.5inH2O or 125Pa",
    units: &[
        unit(&["inH2O", "inWC", "inWG"], |v| v * INCH_OF_WATER_PA),
        unit(&["Pa"], |v| v),
        unit(&["kPa"], |v| v * 1e3),
    ],
};

fn family(kind: QuantityKind) -> &'static Family {
    match kind {
        QuantityKind::Temperature
        | QuantityKind::WetBulb
        | QuantityKind::DewPoint
        | QuantityKind::Saturation => &TEMPERATURE,
        QuantityKind::Superheat | QuantityKind::Subcooling => &DIFFERENCE,
        QuantityKind::Humidity | QuantityKind::Battery => &HUMIDITY,
        QuantityKind::Pressure => &PRESSURE,
        QuantityKind::StaticPressure => &STATIC_PRESSURE,
        QuantityKind::Airflow => &AIRFLOW,
        QuantityKind::Current => &CURRENT,
        QuantityKind::Power => &POWER,
        QuantityKind::Voltage => &VOLTAGE,
    }
}

/// The value in SI, made into what holds it.
fn read<T>(
    family: &'static Family,
    text: &str,
    make: impl Fn(f64) -> Option<T>,
) -> Result<T, ParseError> {
    let text = text.trim();
    let not_a_number = || ParseError::NotANumber { text: text.to_owned(), example: family.example };
    let (number, unit) = split(text).ok_or_else(not_a_number)?;
    let value: f64 = number.parse().map_err(|_| not_a_number())?;
    let usual = family.units.iter().filter_map(|unit| unit.names.first());
    if unit.is_empty() {
        let choices = join(usual.map(|name| format!("{number}{name}")));
        return Err(ParseError::NoUnit { text: text.to_owned(), choices });
    }
    let known = family.units.iter().find(|known| known.is(unit)).ok_or_else(|| {
        let units = join(usual.map(|&name| name.to_owned()));
        ParseError::WrongUnit { text: text.to_owned(), what: family.what, units }
    })?;
    make((known.si)(value)).ok_or_else(|| out_of_range(family, text))
}

fn exact(
    family: &'static Family,
    kind: QuantityKind,
    text: &str,
    si: f64,
) -> Result<Quantity, ParseError> {
    Quantity::new(kind, si).ok_or_else(|| out_of_range(family, text.trim()))
}

fn out_of_range(family: &'static Family, text: &str) -> ParseError {
    ParseError::OutOfRange { text: text.to_owned(), what: family.what, range: family.range }
}

/// The number at the front and the unit after it; `None` where it does not begin with a number.
fn split(text: &str) -> Option<(&str, &str)> {
    let text = text.trim();
    let unsigned = text.strip_prefix(['-', '+']).unwrap_or(text);
    let sign = text.len() - unsigned.len();
    let digits = unsigned.find(|c: char| !c.is_ascii_digit() && c != '.').unwrap_or(unsigned.len());
    let (number, unit) = text.split_at(sign + digits);
    number.parse::<f64>().ok()?;
    Some((number, unit.trim_start()))
}

/// `a, b or c`.
fn join(words: impl Iterator<Item = String>) -> String {
    let words: Vec<_> = words.collect();
    match words.split_last() {
        Some((last, [])) => last.clone(),
        Some((last, others)) => format!("{} or {last}", others.join(", ")),
        None => String::new(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn check(kind: QuantityKind, text: &str, expected: f64) {
        let Ok(Typed::Exact(got)) = value(kind, text) else { panic!("{text}") };
        let off = (got.get() - expected).abs();
        assert!(off <= 1e-9 * expected.abs().max(1.0), "{text}: {got:?}");
    }

    #[test]
    fn values_are_read_in_each_unit() {
        check(QuantityKind::Temperature, "27F", -5.0 / 1.8);
        check(QuantityKind::Temperature, "-2.8C", -2.8);
        check(QuantityKind::Temperature, "300 K", 26.85);
        check(QuantityKind::WetBulb, "67°F", 35.0 / 1.8);
        check(QuantityKind::Superheat, "10delta_F", 10.0 / 1.8);
        check(QuantityKind::Subcooling, "5.6delta_C", 5.6);
        check(QuantityKind::Pressure, "915kPaa", 915e3);
        check(QuantityKind::Pressure, "100psia", 100.0 * PSI_PA);
        check(QuantityKind::Airflow, "1800m3/h", 0.5);
        check(QuantityKind::Airflow, "1000cfm", 0.471_947_443_2);
        check(QuantityKind::Humidity, "51%", 0.51);
        check(QuantityKind::Battery, "7.5 %", 0.075);
        check(QuantityKind::Power, "2.4kW", 2400.0);
        check(QuantityKind::Current, "300mA", 0.3);
        check(QuantityKind::Voltage, "238v", 238.0);
        check(QuantityKind::StaticPressure, "0.5inH2O", 124.544_455);
        check(QuantityKind::StaticPressure, "-125Pa", -125.0);
        assert_eq!(capacity("3ton").unwrap().get(), 3.0 * TON_W);
        assert!((capacity("36000Btu/h").unwrap().get() - 3.0 * TON_W).abs() < 1e-6);
        assert!((altitude("450ft").unwrap().get() - 137.16).abs() < 1e-9);
    }

    #[test]
    fn a_gauge_needs_a_barometer() {
        let air = Pascals::new(101_325.0).unwrap();
        let typed = pressure("118psig").unwrap();
        let absolute = typed.absolute(air).unwrap().get();
        assert!((absolute - 914_906.36).abs() < 0.01, "{absolute}");
        assert_eq!(
            value(QuantityKind::Pressure, "118psig"),
            Ok(Typed::Gauge(match typed {
                TypedPressure::Gauge(above) => above,
                TypedPressure::Absolute(_) => panic!("not gauge"),
            }))
        );
        assert_eq!(pressure("-2barg").unwrap().absolute(air), None);
        assert!(matches!(pressure("100PAA"), Ok(TypedPressure::Absolute(_))));
    }

    fn refusal<T: std::fmt::Debug>(result: Result<T, ParseError>, expected: &str) {
        assert_eq!(result.unwrap_err().to_string(), expected);
    }

    #[test]
    fn what_is_refused_says_what_to_write() {
        refusal(temperature("27"), "\"27\" has no unit: write 27F, 27C or 27K");
        refusal(humidity("0.5"), "\"0.5\" has no unit: write 0.5%");
        refusal(temperature("27psig"), "\"27psig\" is not a temperature: use F, C or K");
        refusal(
            pressure("118psi"),
            "\"118psi\" does not say gauge or absolute: write 118psig or 118psia",
        );
        refusal(difference("10F"), "\"10F\" is a temperature, not a difference: write 10delta_F");
        refusal(
            temperature("warm"),
            "\"warm\" is not a number and a unit: write for example 27F or -2.8C",
        );
        refusal(
            temperature("-500F"),
            "\"-500F\" is out of range: a temperature is -273.15C to 5000C",
        );
        refusal(humidity("101%"), "\"101%\" is out of range: a share in percent is 0% to 100%");
        refusal(
            value(QuantityKind::Superheat, "2000delta_C"),
            "\"2000delta_C\" is out of range: a temperature difference is -1000delta_C to \
             1000delta_C",
        );
        for text in ["", "-", ".", "1.2.3C", "NaNC", "infF", "--3C", "°C"] {
            assert!(matches!(temperature(text), Err(ParseError::NotANumber { .. })), "{text}");
        }
    }

    #[test]
    fn the_unit_tells_the_kind() {
        assert_eq!(kind_of("27F"), Some(QuantityKind::Temperature));
        assert_eq!(kind_of("118psig"), Some(QuantityKind::Pressure));
        assert_eq!(kind_of("0.5inH2O"), Some(QuantityKind::StaticPressure));
        assert_eq!(kind_of("51%"), Some(QuantityKind::Humidity));
        assert_eq!(kind_of("12A"), Some(QuantityKind::Current));
        assert_eq!(kind_of("10delta_F"), None);
        assert_eq!(kind_of("27"), None);
        assert_eq!(kind_of("118psi"), None);
    }

    proptest! {
        #![proptest_config(ProptestConfig { failure_persistence: None, ..ProptestConfig::default() })]

        #[test]
        fn no_text_panics(text in "\\PC{0,12}", near in "[-+]?[0-9.]{0,6} ?[a-zA-Z%°/_0-9]{0,8}") {
            for text in [text, near] {
                for kind in QuantityKind::ALL {
                    let _ = value(kind, &text);
                }
                let _ = (capacity(&text), altitude(&text), kind_of(&text));
            }
        }

        #[test]
        fn what_is_written_in_si_is_read_back(share in 0.0..1.0) {
            for kind in QuantityKind::ALL {
                let (unit, scale) = match kind.unit() {
                    "degC" => ("C", 1.0),
                    "delta_degC" => ("delta_C", 1.0),
                    "fraction" => ("%", 100.0),
                    "Pa" if kind == QuantityKind::Pressure => ("Paa", 1.0),
                    "m3_per_s" => ("m3/s", 1.0),
                    other => (other, 1.0),
                };
                let (low, high) = kind.range();
                let si = low + share * (high - low);
                let Ok(Typed::Exact(back)) = value(kind, &format!("{}{unit}", si * scale)) else {
                    panic!("{si} {kind:?}")
                };
                let off: f64 = back.get() - si;
                prop_assert!(off.abs() <= 1e-12 * f64::abs(si).max(1.0), "{:?} {}", kind, si);
            }
        }
    }
}
