//! An import map: which columns of a foreign log mean what.

use jiff::tz::TimeZone;
use serde::Deserialize;

use crate::engine::channel::Channel;
use crate::physics::atmosphere::pressure_at;
use crate::units::parse;
use crate::units::quantity::{CFM_M3_PER_S, PSI_PA, Pascals, QuantityKind, STANDARD_ATMOSPHERE_PA};

/// One conventional inch of water (Pa). Source: NIST SP 811, appendix B.8.
const IN_H2O_PA: f64 = 249.088_91;

/// A checked map.
#[derive(Debug, Clone)]
pub struct Map {
    /// Columns that together, joined by a space, hold the time.
    pub time_columns: Vec<String>,
    /// What the time looks like.
    pub format: TimeFormat,
    /// The year of the first stamp, when stamps have none.
    pub year: Option<i16>,
    /// The zone of stamps that do not say theirs.
    pub zone: TimeZone,
    /// What separates cells; found out where not given.
    pub delimiter: Option<u8>,
    /// Whether numbers have a decimal comma; found out where not given.
    pub decimal_comma: Option<bool>,
    /// Local barometer (Pa), for gauge pressures.
    pub barometer: Pascals,
    /// What is to be imported.
    pub channels: Vec<ChannelColumn>,
}

/// How a log writes time.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum TimeFormat {
    /// RFC 3339, zone included.
    Rfc3339,
    /// Seconds since 1970, fractions allowed.
    UnixS,
    /// Milliseconds since 1970.
    UnixMs,
    /// Seconds since the log began.
    ElapsedS,
    /// By a pattern of `strptime`.
    Pattern(String),
}

/// A column that is a channel, or part of one in long form.
#[derive(Debug, Clone, PartialEq)]
pub struct ChannelColumn {
    /// The column's name.
    pub column: String,
    /// What it measures.
    pub channel: Channel,
    /// How its numbers become SI.
    pub scale: Scale,
    /// Standard uncertainty of its values (SI).
    pub uncertainty: Option<f64>,
    /// In long form: only rows in which this column holds this text.
    pub only: Option<(String, String)>,
}

/// `si = (value + shift) · factor / divisor`, then plus the barometer for a gauge.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Scale {
    shift: f64,
    factor: f64,
    divisor: f64,
    /// Whether it is a pressure above the air's.
    pub gauge: bool,
}

impl Scale {
    const fn by(factor: f64) -> Self {
        Self { shift: 0.0, factor, divisor: 1.0, gauge: false }
    }

    const fn above_air(factor: f64) -> Self {
        Self { gauge: true, ..Self::by(factor) }
    }

    /// A value in SI.
    pub fn si(self, value: f64, barometer: Pascals) -> f64 {
        let si = (value + self.shift) * self.factor / self.divisor;
        if self.gauge { si + barometer.get() } else { si }
    }

    /// The width of an interval in SI.
    fn width(self, value: f64) -> f64 {
        value * self.factor / self.divisor
    }
}

/// The units in which a kind may be imported.
fn units(kind: QuantityKind) -> &'static [(&'static str, Scale)] {
    const FAHRENHEIT: Scale = Scale { shift: -32.0, factor: 1.0, divisor: 1.8, gauge: false };
    const KELVIN: Scale = Scale { shift: -273.15, ..Scale::by(1.0) };
    const DELTA_F: Scale = Scale { divisor: 1.8, ..Scale::by(1.0) };
    match kind {
        QuantityKind::Temperature
        | QuantityKind::WetBulb
        | QuantityKind::DewPoint
        | QuantityKind::Saturation => {
            const { &[("degC", Scale::by(1.0)), ("degF", FAHRENHEIT), ("K", KELVIN)] }
        }
        QuantityKind::Superheat | QuantityKind::Subcooling => {
            const { &[("delta_degC", Scale::by(1.0)), ("delta_degF", DELTA_F), ("K", Scale::by(1.0))] }
        }
        QuantityKind::Humidity | QuantityKind::Battery => {
            const {
                &[
                    ("percent", Scale { divisor: 100.0, ..Scale::by(1.0) }),
                    ("fraction", Scale::by(1.0)),
                ]
            }
        }
        QuantityKind::Pressure => {
            const {
                &[
                    ("Paa", Scale::by(1.0)),
                    ("kPaa", Scale::by(1e3)),
                    ("bara", Scale::by(1e5)),
                    ("psia", Scale::by(PSI_PA)),
                    ("kPag", Scale::above_air(1e3)),
                    ("barg", Scale::above_air(1e5)),
                    ("psig", Scale::above_air(PSI_PA)),
                ]
            }
        }
        QuantityKind::StaticPressure => {
            const { &[("Pa", Scale::by(1.0)), ("kPa", Scale::by(1e3)), ("inH2O", Scale::by(IN_H2O_PA))] }
        }
        QuantityKind::Airflow => {
            const {
                &[
                    ("cfm", Scale::by(CFM_M3_PER_S)),
                    ("m3_per_s", Scale::by(1.0)),
                    ("m3_per_h", Scale { divisor: 3_600.0, ..Scale::by(1.0) }),
                ]
            }
        }
        QuantityKind::Current => const { &[("A", Scale::by(1.0))] },
        QuantityKind::Power => const { &[("W", Scale::by(1.0)), ("kW", Scale::by(1e3))] },
        QuantityKind::Voltage => const { &[("V", Scale::by(1.0))] },
    }
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct RawMap {
    time: RawTime,
    /// What separates cells: `,` `;` `|` or `tab`; by default the one that fits.
    delimiter: Option<String>,
    /// `.` or `,`; by default the one that fits.
    decimal: Option<String>,
    /// Local barometer with unit, for gauge pressures; by default the altitude's.
    barometer: Option<String>,
    /// Height above the sea with unit, for gauge pressures; by default sea level.
    altitude: Option<String>,
    #[serde(default)]
    channel: Vec<RawChannel>,
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct RawTime {
    /// The column, or several that are joined by a space.
    column: OneOrMore,
    /// `rfc3339`, `unix_s`, `unix_ms`, `elapsed_s`, or a pattern such as `%d.%m.%Y %H:%M`.
    format: String,
    /// The first stamp's year, when stamps have none (1970 to 9998).
    year: Option<i16>,
    /// The stamps' zone (IANA name; default UTC).
    zone: Option<String>,
}

#[derive(Debug, Deserialize)]
#[serde(untagged)]
enum OneOrMore {
    One(String),
    More(Vec<String>),
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct RawChannel {
    /// The column's name.
    column: String,
    /// Position and quantity.
    channel: String,
    /// The unit of its numbers.
    unit: String,
    /// Standard uncertainty, in `unit`.
    uncertainty: Option<f64>,
    /// In long form: the rows that are meant.
    only: Option<RawOnly>,
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct RawOnly {
    column: String,
    is: String,
}

impl Map {
    /// Reads a map from its text.
    ///
    /// # Errors
    /// All that is wrong with it, each on one line.
    pub fn parse(text: &str) -> Result<Self, Vec<String>> {
        let raw: RawMap = toml::from_str(text).map_err(|error| {
            let line = error.span().map_or(0, |at| text[..at.start].matches('\n').count() + 1);
            vec![format!("line {line}: {}", error.message().replace('\n', " "))]
        })?;
        let mut wrong = Vec::new();
        let map = raw.check(&mut wrong);
        if wrong.is_empty() { Ok(map) } else { Err(wrong) }
    }

    /// The names of all columns that are needed.
    pub fn columns(&self) -> impl Iterator<Item = &str> {
        let channels = self.channels.iter().flat_map(|channel| {
            [Some(&channel.column), channel.only.as_ref().map(|(column, _)| column)]
        });
        self.time_columns.iter().map(Some).chain(channels).flatten().map(String::as_str)
    }
}

impl RawMap {
    fn check(self, wrong: &mut Vec<String>) -> Map {
        let format = match self.time.format.as_str() {
            "rfc3339" => TimeFormat::Rfc3339,
            "unix_s" => TimeFormat::UnixS,
            "unix_ms" => TimeFormat::UnixMs,
            "elapsed_s" => TimeFormat::ElapsedS,
            pattern => TimeFormat::Pattern(pattern.to_owned()),
        };
        if let TimeFormat::Pattern(pattern) = &format {
            check_pattern(pattern, self.time.year, wrong);
        }
        if self.time.year.is_some_and(|year| !(1970..9999).contains(&year)) {
            wrong.push("time.year lies from 1970 to 9998".to_owned());
        }
        let zone = self.time.zone.as_deref().unwrap_or("UTC");
        let zone = TimeZone::get(zone).unwrap_or_else(|_| {
            wrong
                .push(format!("time.zone `{zone}` is not known; give a name like America/Chicago"));
            TimeZone::UTC
        });
        let delimiter = self.delimiter.as_deref().and_then(|word| match word {
            "tab" => Some(b'\t'),
            "," | ";" | "|" | "\t" => word.bytes().next(),
            _ => {
                wrong.push("delimiter is one of `,` `;` `|` `tab`".to_owned());
                None
            }
        });
        let decimal_comma = self.decimal.as_deref().and_then(|word| match word {
            "," => Some(true),
            "." => Some(false),
            _ => {
                wrong.push("decimal is `.` or `,`".to_owned());
                None
            }
        });
        let barometer = self.barometer(wrong);
        if self.channel.is_empty() {
            wrong.push("no [[channel]] says what is to be imported".to_owned());
        }
        let channels = self.channel.iter().filter_map(|raw| raw.check(wrong)).collect();
        let time_columns = match self.time.column {
            OneOrMore::One(column) => vec![column],
            OneOrMore::More(columns) => columns,
        };
        if time_columns.is_empty() {
            wrong.push("time.column names no column".to_owned());
        }
        let year = self.time.year;
        Map { time_columns, format, year, zone, delimiter, decimal_comma, barometer, channels }
    }

    fn barometer(&self, wrong: &mut Vec<String>) -> Pascals {
        let at_sea = Pascals::new(STANDARD_ATMOSPHERE_PA).expect("it is a possible pressure");
        let typed = match (&self.barometer, &self.altitude) {
            (Some(text), _) => match parse::pressure(text) {
                Ok(parse::TypedPressure::Absolute(pressure)) => Ok(pressure),
                Ok(parse::TypedPressure::Gauge(_)) => {
                    Err("barometer is absolute; write kPaa, bara or psia".to_owned())
                }
                Err(error) => Err(format!("barometer: {error}")),
            },
            (None, Some(text)) => {
                parse::altitude(text).map(pressure_at).map_err(|error| format!("altitude: {error}"))
            }
            (None, None) => Ok(at_sea),
        };
        typed.unwrap_or_else(|why| {
            wrong.push(why);
            at_sea
        })
    }
}

impl RawChannel {
    fn check(&self, wrong: &mut Vec<String>) -> Option<ChannelColumn> {
        let at = |why: &str| format!("column `{}`: {why}", self.column);
        let channel: Channel =
            self.channel.parse().map_err(|error| wrong.push(at(&format!("{error}")))).ok()?;
        let units = units(channel.kind);
        let Some((_, scale)) = units.iter().find(|(name, _)| *name == self.unit) else {
            let names: Vec<&str> = units.iter().map(|(name, _)| *name).collect();
            wrong.push(at(&format!("unit `{}` is not one of {}", self.unit, names.join(", "))));
            return None;
        };
        if self.uncertainty.is_some_and(|u| !(0.0..1e9).contains(&u)) {
            wrong.push(at("uncertainty is a number of 0 or more"));
        }
        Some(ChannelColumn {
            column: self.column.clone(),
            channel,
            scale: *scale,
            uncertainty: self.uncertainty.map(|u| scale.width(u)),
            only: self.only.as_ref().map(|only| (only.column.clone(), only.is.clone())),
        })
    }
}

/// Says what a pattern for the time lacks.
fn check_pattern(pattern: &str, year: Option<i16>, wrong: &mut Vec<String>) {
    if !pattern.contains('%') {
        wrong.push(format!(
            "time.format `{pattern}` is none of rfc3339, unix_s, unix_ms, elapsed_s and no pattern \
             like %d.%m.%Y %H:%M"
        ));
        return;
    }
    let has = |words: &[&str]| words.iter().any(|word| pattern.contains(word));
    let whole = ["%s", "%c", "%+"];
    if !has(&["%Y", "%y", "%F", "%D", "%G", "%C"]) && !has(&whole) && year.is_none() {
        wrong.push("time.format has no year; say the first stamp's as time.year".to_owned());
    }
    if !has(&["%H", "%I", "%T", "%R", "%k", "%l", "%r", "%X"]) && !has(&whole) {
        wrong.push("time.format has no hour".to_owned());
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn problems(text: &str) -> String {
        Map::parse(text).unwrap_err().join("; ")
    }

    #[test]
    fn the_units_of_a_map_become_si() {
        let air = Pascals::new(100_000.0).unwrap();
        let si = |kind, unit: &str, value| {
            let scale = units(kind).iter().find(|(name, _)| *name == unit).unwrap().1;
            scale.si(value, air)
        };
        assert_eq!(si(QuantityKind::Temperature, "degF", 212.0), 100.0);
        assert_eq!(si(QuantityKind::Temperature, "K", 273.15), 0.0);
        assert_eq!(si(QuantityKind::Superheat, "delta_degF", 9.0), 5.0);
        assert_eq!(si(QuantityKind::Humidity, "percent", 51.0), 0.51);
        assert_eq!(si(QuantityKind::Pressure, "barg", 8.0), 900_000.0);
        assert_eq!(si(QuantityKind::Pressure, "kPaa", 101.325), 101_325.0);
        // 100 psi are 689,475.7 Pa (NIST SP 811, appendix B.8).
        assert!((si(QuantityKind::Pressure, "psig", 100.0) - 789_475.73).abs() < 0.01);
        assert_eq!(si(QuantityKind::Airflow, "m3_per_h", 3_600.0), 1.0);
    }

    #[test]
    fn all_that_is_wrong_is_said_at_once() {
        let text = "delimiter = 'x'\n[time]\ncolumn = 't'\nformat = '%d.%m. %H:%M'\nzone = 'Mars'\n\
                    [[channel]]\ncolumn = 'a'\nchannel = 'supply.temperature'\nunit = 'degF'\n\
                    [[channel]]\ncolumn = 'b'\nchannel = 'supply-air.temperature'\nunit = 'F'\n";
        let problems = problems(text);
        for words in ["no year", "Mars", "delimiter", "supply-air", "degC, degF, K"] {
            assert!(problems.contains(words), "{words} in {problems}");
        }
        assert!(!problems.contains('\n'));
    }

    #[test]
    fn a_map_without_channels_or_with_a_strange_key_is_refused() {
        assert!(problems("[time]\ncolumn = 't'\nformat = 'unix_s'").contains("no [[channel]]"));
        assert!(
            problems("[time]\ncolumn = 't'\nform = 'unix_s'").contains("line 3: unknown field")
        );
    }
}
