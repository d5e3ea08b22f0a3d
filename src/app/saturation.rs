//! `settled saturation`: a refrigerant's bubble and dew point.

use std::io::{self, Write};

use serde_json::json;

use crate::app::barometer::Barometer;
use crate::app::exit::{Exit, Failure};
use crate::engine::json::number;
use crate::physics::refrigerant::{Refrigerant, SafetyClass};
use crate::units::parse::{self, TypedPressure};
use crate::units::quantity::{Celsius, PSI_PA, Pascals};

/// Arguments of `settled saturation`.
#[derive(Debug, clap::Args)]
#[command(after_help = "Example:\n  settled saturation R-410A --pressure 118psig --altitude 450ft")]
#[group(skip)]
#[command(group(clap::ArgGroup::new("known").required(true)))]
pub struct Args {
    /// The refrigerant, as R-410A.
    refrigerant: String,
    /// Pressure, gauge or absolute, as 118psig, 8.14barg or 915kPaa.
    #[arg(long, value_name = "PRESSURE", group = "known", allow_hyphen_values = true)]
    pressure: Option<String>,
    /// Temperature, as 40F or 4.4C: gives the pressures at which it is bubble and dew.
    #[arg(long, value_name = "TEMPERATURE", group = "known", allow_hyphen_values = true)]
    temperature: Option<String>,
    #[command(flatten)]
    air: Barometer,
}

/// One pressure and what saturates there.
struct Point {
    /// Why this pressure: `pressure` was asked for, or a temperature is its `bubble` or `dew`.
    at: &'static str,
    pressure: Pascals,
    bubble: Celsius,
    dew: Celsius,
}

/// Runs `settled saturation`.
///
/// # Errors
/// Where the refrigerant is not known, a value cannot be read, or it is outside the table.
pub fn run(args: &Args, json: bool, out: &mut dyn Write) -> Result<Exit, Failure> {
    let refrigerant = Refrigerant::by_name(&args.refrigerant).map_err(Failure::bad_input)?;
    let (air, whence) = args.air.read()?;
    let points = match (&args.pressure, &args.temperature) {
        (Some(text), _) => {
            let typed = parse::pressure(text).map_err(Failure::bad_input)?;
            vec![at_pressure(refrigerant, text, typed, air)?]
        }
        (None, Some(text)) => at_temperature(refrigerant, text)?,
        (None, None) => return Err(Failure::usage("give --pressure or --temperature")),
    };
    let printed = if json {
        points.iter().try_for_each(|point| print_json(refrigerant, point, air, out))
    } else {
        print_text(refrigerant, &points, air, &whence, out)
    };
    printed.map_err(Failure::world)?;
    Ok(Exit::Done)
}

fn at_pressure(
    refrigerant: Refrigerant,
    text: &str,
    typed: TypedPressure,
    air: Pascals,
) -> Result<Point, Failure> {
    let pressure = typed
        .absolute(air)
        .ok_or_else(|| Failure::bad_input(format!("{text:?} is below vacuum: check its sign")))?;
    let point = point(refrigerant, "pressure", pressure).ok_or_else(|| {
        let (low, high) = refrigerant.pressure_range();
        Failure::bad_input(format!(
            "{text:?} is {:.0} kPa absolute, outside the table of {}: {:.0} to {:.0} kPa absolute \
             ({:.1} to {:.1} psia)",
            pressure.get() / 1e3,
            refrigerant.name(),
            low / 1e3,
            high / 1e3,
            low / PSI_PA,
            high / PSI_PA,
        ))
    })?;
    Ok(point)
}

/// Where the temperature is bubble and where it is dew.
fn at_temperature(refrigerant: Refrigerant, text: &str) -> Result<Vec<Point>, Failure> {
    let temperature = parse::temperature(text).map_err(Failure::bad_input)?;
    let both = || {
        let bubble = refrigerant.bubble_pressure(temperature)?;
        let dew = refrigerant.dew_pressure(temperature)?;
        Some(vec![point(refrigerant, "bubble", bubble)?, point(refrigerant, "dew", dew)?])
    };
    both().ok_or_else(|| {
        let (bubble, dew) = (refrigerant.bubble_range_c(), refrigerant.dew_range_c());
        // Rounded inwards, so that what the message offers is accepted.
        let low = (bubble.0.max(dew.0) * 10.0).ceil() / 10.0;
        let high = (bubble.1.min(dew.1) * 10.0).floor() / 10.0;
        Failure::bad_input(format!(
            "{text:?} is outside the table of {}: {low:.1} to {high:.1} C ({:.0} to {:.0} F)",
            refrigerant.name(),
            (low * 1.8 + 32.0).ceil(),
            (high * 1.8 + 32.0).floor(),
        ))
    })
}

fn point(refrigerant: Refrigerant, at: &'static str, pressure: Pascals) -> Option<Point> {
    let bubble = refrigerant.bubble_temperature(pressure)?;
    let dew = refrigerant.dew_temperature(pressure)?;
    Some(Point { at, pressure, bubble, dew })
}

fn print_json(
    refrigerant: Refrigerant,
    point: &Point,
    air: Pascals,
    out: &mut dyn Write,
) -> io::Result<()> {
    let line = json!({
        "kind": "saturation",
        "refrigerant": refrigerant.name(),
        "pressure_pa": number(point.pressure.get()),
        "bubble_c": number(point.bubble.get()),
        "dew_c": number(point.dew.get()),
        "at": point.at,
        "barometer_pa": number(air.get()),
        "safety_class": refrigerant.safety_class().word(),
    });
    writeln!(out, "{line}")
}

fn print_text(
    refrigerant: Refrigerant,
    points: &[Point],
    air: Pascals,
    whence: &str,
    out: &mut dyn Write,
) -> io::Result<()> {
    writeln!(out, "{}, safety class {}", refrigerant.name(), refrigerant.safety_class().word())?;
    for point in points {
        let (absolute, above) = (point.pressure.get(), point.pressure.get() - air.get());
        writeln!(
            out,
            "{:<9} {:>8.1} psig  {:>8.1} psia  {:>8.3} barg  {:>9.1} kPa absolute",
            point.at,
            above / PSI_PA,
            absolute / PSI_PA,
            above / 1e5,
            absolute / 1e3,
        )?;
        for (name, t, use_) in [
            ("bubble", point.bubble, "subcooling counts from here"),
            ("dew", point.dew, "superheat counts from here"),
        ] {
            writeln!(
                out,
                "  {name:<7} {:>8.2} °F    {:>8.2} °C    {use_}",
                t.fahrenheit(),
                t.get()
            )?;
        }
    }
    writeln!(
        out,
        "air       {:>8.2} psia  {:>8.2} kPa, {whence}",
        air.get() / PSI_PA,
        air.get() / 1e3
    )?;
    match refrigerant.safety_class() {
        SafetyClass::A1 => Ok(()),
        SafetyClass::A2L => writeln!(
            out,
            "Flammable (A2L): no sources of ignition near, ventilate, tools rated for it."
        ),
        SafetyClass::A3 => writeln!(
            out,
            "Highly flammable (A3): a leak can explode; no sources of ignition, ventilate, tools \
             rated for it."
        ),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn args(refrigerant: &str, pressure: Option<&str>, temperature: Option<&str>) -> Args {
        Args {
            refrigerant: refrigerant.to_owned(),
            pressure: pressure.map(str::to_owned),
            temperature: temperature.map(str::to_owned),
            air: Barometer::default(),
        }
    }

    fn said(args: &Args, json: bool) -> String {
        let mut out = Vec::new();
        assert_eq!(run(args, json, &mut out).unwrap(), Exit::Done);
        String::from_utf8(out).unwrap()
    }

    fn refused(args: &Args, part: &str) {
        let failure = run(args, false, &mut Vec::new()).unwrap_err();
        assert_eq!(failure.exit, Exit::BadInput);
        assert!(failure.line().contains(part), "{}", failure.line());
    }

    #[test]
    fn json_has_the_keys_that_others_rely_on() {
        let line = said(&args("R-410A", Some("118psig"), None), true);
        let value: serde_json::Value = serde_json::from_str(&line).unwrap();
        assert_eq!(value["kind"], "saturation");
        assert_eq!(value["refrigerant"], "R-410A");
        assert_eq!(value["pressure_pa"], 914_906.0);
        // 4.25 and 4.36 °C are the design's own figures for 118 psig.
        assert!((value["bubble_c"].as_f64().unwrap() - 4.25).abs() < 0.005, "{line}");
        assert!((value["dew_c"].as_f64().unwrap() - 4.36).abs() < 0.005, "{line}");
    }

    #[test]
    fn a_gauge_s_reading_means_more_where_the_air_is_thin() {
        let mut at_height = args("R-134a", Some("2barg"), None);
        let dew = |args: &Args| {
            let value: serde_json::Value = serde_json::from_str(&said(args, true)).unwrap();
            value["dew_c"].as_f64().unwrap()
        };
        let sea_level = dew(&at_height);
        at_height.air.altitude = Some("1500m".to_owned());
        // 15.5 to 17 kPa less absolute; the curve rises 0.09 to 0.1 K a kPa here.
        let off = sea_level - dew(&at_height);
        assert!((1.3..1.8).contains(&off), "{off}");
        at_height.air = Barometer { altitude: None, barometer: Some("1barg".to_owned()) };
        refused(&at_height, "a barometer is absolute");
    }

    #[test]
    fn a_temperature_gives_the_pressures_that_lead_back_to_it() {
        let text = said(&args("R-454B", None, Some("45F")), true);
        let lines: Vec<serde_json::Value> =
            text.lines().map(|line| serde_json::from_str(line).unwrap()).collect();
        assert_eq!(lines.len(), 2);
        assert!((lines[0]["bubble_c"].as_f64().unwrap() - 7.222_22).abs() < 1e-3);
        assert!((lines[1]["dew_c"].as_f64().unwrap() - 7.222_22).abs() < 1e-3);
    }

    #[test]
    fn text_has_both_systems_and_warns_of_what_burns() {
        let text = said(&args("r32", Some("8barg"), None), false);
        for part in ["psig", "kPa absolute", "°F", "°C", "sea level assumed", "Flammable (A2L)"] {
            assert!(text.contains(part), "{part} is not in {text}");
        }
    }

    #[test]
    fn each_wrong_input_is_one_line_that_says_what_to_do() {
        refused(&args("R-411A", Some("118psig"), None), "did you mean");
        refused(&args("R-438A", Some("118psig"), None), "no property model for R-438A");
        refused(&args("R-410A", Some("118"), None), "has no unit: write 118psig");
        refused(&args("R-410A", Some("118psi"), None), "write 118psig or 118psia");
        refused(&args("R-410A", Some("900psig"), None), "outside the table of R-410A: 1");
        refused(&args("R-410A", None, Some("90C")), "outside the table of R-410A: -50.1 to 68.8 C");
        refused(&args("R-410A", Some("-3barg"), None), "below vacuum");
    }
}
