//! `settled air`: moist air from its dry bulb and one thing more.

use std::io::{self, Write};

use serde_json::json;

use crate::app::barometer::Barometer;
use crate::app::exit::{Exit, Failure};
use crate::engine::json::number;
use crate::physics::moist_air;
use crate::units::parse;
use crate::units::quantity::{
    Celsius, HumidityRatio, JoulesPerKilogram, KilogramsPerCubicMetre, PSI_PA, Pascals,
    RelativeHumidity,
};

/// Arguments of `settled air`.
#[derive(Debug, clap::Args)]
#[command(after_help = "Example:\n  settled air --dry-bulb 80F --humidity 51% --altitude 450ft")]
#[group(skip)]
#[command(group(clap::ArgGroup::new("moisture").required(true)))]
pub struct Args {
    /// Dry-bulb temperature, as 80F or 26.7C.
    #[arg(long, value_name = "TEMPERATURE", allow_hyphen_values = true)]
    dry_bulb: String,
    /// Relative humidity, as 51%.
    #[arg(long, value_name = "PERCENT", group = "moisture")]
    humidity: Option<String>,
    /// Wet-bulb temperature, as 67F.
    #[arg(long, value_name = "TEMPERATURE", group = "moisture", allow_hyphen_values = true)]
    wet_bulb: Option<String>,
    /// Dew point, as 60F.
    #[arg(long, value_name = "TEMPERATURE", group = "moisture", allow_hyphen_values = true)]
    dew_point: Option<String>,
    #[command(flatten)]
    air: Barometer,
}

/// All that is known of the air.
struct Air {
    dry_bulb: Celsius,
    humidity: RelativeHumidity,
    wet_bulb: Celsius,
    /// None in wholly dry air.
    dew_point: Option<Celsius>,
    ratio: HumidityRatio,
    enthalpy: JoulesPerKilogram,
    density: KilogramsPerCubicMetre,
    pressure: Pascals,
}

/// Runs `settled air`.
///
/// # Errors
/// Where a value cannot be read, or there is no such air.
pub fn run(args: &Args, json: bool, out: &mut dyn Write) -> Result<Exit, Failure> {
    let (pressure, whence) = args.air.read()?;
    let dry_bulb = parse::temperature(&args.dry_bulb).map_err(Failure::bad_input)?;
    if moist_air::saturation_pressure(dry_bulb).is_none() {
        return Err(Failure::bad_input(format!(
            "{:?} is outside what is known of moist air: -100 to 200 C (-148 to 392 F)",
            args.dry_bulb
        )));
    }
    let humidity = humidity(args, dry_bulb, pressure)?;
    let air = air(dry_bulb, humidity, pressure).ok_or_else(|| {
        Failure::bad_input(format!(
            "no air is left at {} and {:.1} kPa: its water alone has that pressure",
            args.dry_bulb,
            pressure.get() / 1e3
        ))
    })?;
    let printed = if json { print_json(&air, out) } else { print_text(&air, &whence, out) };
    printed.map_err(Failure::world)?;
    Ok(Exit::Done)
}

/// The relative humidity, from whatever tells it.
fn humidity(
    args: &Args,
    dry_bulb: Celsius,
    pressure: Pascals,
) -> Result<RelativeHumidity, Failure> {
    if let Some(text) = &args.humidity {
        return parse::humidity(text).map_err(Failure::bad_input);
    }
    let above = |name: &str, text: &str| {
        Failure::bad_input(format!(
            "{name} {text} is above the dry bulb {}: were the two swapped?",
            args.dry_bulb
        ))
    };
    if let Some(text) = &args.wet_bulb {
        let wet_bulb = parse::temperature(text).map_err(Failure::bad_input)?;
        if wet_bulb > dry_bulb {
            return Err(above("wet bulb", text));
        }
        return moist_air::humidity_ratio_from_wet_bulb(dry_bulb, wet_bulb, pressure)
            .and_then(|ratio| moist_air::relative_humidity_from_ratio(dry_bulb, ratio, pressure))
            .ok_or_else(|| {
                Failure::bad_input(format!(
                    "wet bulb {text} is lower than even dry air of {} can give: check both",
                    args.dry_bulb
                ))
            });
    }
    let Some(text) = &args.dew_point else {
        return Err(Failure::usage("give --humidity, --wet-bulb or --dew-point"));
    };
    let dew_point = parse::temperature(text).map_err(Failure::bad_input)?;
    if dew_point > dry_bulb {
        return Err(above("dew point", text));
    }
    moist_air::relative_humidity_from_dew_point(dry_bulb, dew_point).ok_or_else(|| {
        Failure::bad_input(format!("dew point {text} is out of range: -100 to 200 C"))
    })
}

fn air(dry_bulb: Celsius, humidity: RelativeHumidity, pressure: Pascals) -> Option<Air> {
    let ratio = moist_air::humidity_ratio(dry_bulb, humidity, pressure)?;
    Some(Air {
        dry_bulb,
        humidity,
        wet_bulb: moist_air::wet_bulb_from_ratio(dry_bulb, ratio, pressure)?,
        dew_point: moist_air::dew_point(dry_bulb, humidity),
        ratio,
        enthalpy: moist_air::enthalpy(dry_bulb, ratio),
        density: moist_air::density(dry_bulb, ratio, pressure)?,
        pressure,
    })
}

fn print_json(air: &Air, out: &mut dyn Write) -> io::Result<()> {
    let line = json!({
        "kind": "air",
        "dry_bulb_c": number(air.dry_bulb.get()),
        "humidity": number(air.humidity.get()),
        "wet_bulb_c": number(air.wet_bulb.get()),
        "dew_point_c": number(air.dew_point.map(Celsius::get)),
        "humidity_ratio": number(air.ratio.get()),
        "enthalpy_j_per_kg": number(air.enthalpy.get()),
        "density_kg_per_m3": number(air.density.get()),
        "barometer_pa": number(air.pressure.get()),
    });
    writeln!(out, "{line}")
}

fn print_text(air: &Air, whence: &str, out: &mut dyn Write) -> io::Result<()> {
    /// Grains in a pound, by definition.
    const GRAINS: f64 = 7_000.0;
    /// One pound for each cubic foot (kg/m³). Source: NIST SP 811, appendix B.8.
    const LB_PER_FT3: f64 = 16.018_463;
    /// One Btu (International Table) for each pound (J/kg), by definition.
    const BTU_PER_LB: f64 = 2_326.0;
    /// Dry air from 0 °F, where the imperial scale has its zero, to 0 °C (J/kg): 1006 · 32/1.8.
    const FROM_0_F: f64 = 1_006.0 * 32.0 / 1.8;
    let mut temperature = |name: &str, t: Celsius| {
        writeln!(out, "{name:<15} {:>8.2} °F       {:>8.2} °C", t.fahrenheit(), t.get())
    };
    temperature("dry bulb", air.dry_bulb)?;
    temperature("wet bulb", air.wet_bulb)?;
    match air.dew_point {
        Some(t) => temperature("dew point", t)?,
        None => {
            writeln!(out, "{:<15} none: the air is dry, or it lies below -100 °C", "dew point")?;
        }
    }
    writeln!(out, "{:<15} {:>8.1} %", "humidity", air.humidity.get() * 100.0)?;
    let (w, h) = (air.ratio.get(), air.enthalpy.get());
    writeln!(
        out,
        "{:<15} {:>8.1} gr/lb    {:>8.2} g/kg of dry air",
        "humidity ratio",
        w * GRAINS,
        w * 1e3
    )?;
    writeln!(
        out,
        "{:<15} {:>8.2} Btu/lb   {:>8.2} kJ/kg of dry air; dry air counts from 0 °F and 0 °C",
        "enthalpy",
        (h + FROM_0_F) / BTU_PER_LB,
        h / 1e3
    )?;
    let density = air.density.get();
    writeln!(out, "{:<15} {:>8.4} lb/ft3   {density:>8.4} kg/m3", "density", density / LB_PER_FT3)?;
    writeln!(
        out,
        "{:<15} {:>8.2} psia     {:>8.2} kPa, {whence}",
        "air pressure",
        air.pressure.get() / PSI_PA,
        air.pressure.get() / 1e3
    )
}

#[cfg(test)]
mod tests {
    use super::*;

    fn args(dry: &str, rh: Option<&str>, wet: Option<&str>, dew: Option<&str>) -> Args {
        Args {
            dry_bulb: dry.to_owned(),
            humidity: rh.map(str::to_owned),
            wet_bulb: wet.map(str::to_owned),
            dew_point: dew.map(str::to_owned),
            air: Barometer::default(),
        }
    }

    fn said(args: &Args, json: bool) -> String {
        let mut out = Vec::new();
        assert_eq!(run(args, json, &mut out).unwrap(), Exit::Done);
        String::from_utf8(out).unwrap()
    }

    fn value(args: &Args) -> serde_json::Value {
        serde_json::from_str(&said(args, true)).unwrap()
    }

    fn refused(args: &Args, part: &str) {
        let failure = run(args, false, &mut Vec::new()).unwrap_err();
        assert_eq!(failure.exit, Exit::BadInput);
        assert!(failure.line().contains(part), "{}", failure.line());
    }

    #[test]
    fn whichever_way_moisture_is_told_the_air_is_the_same() {
        let by_humidity = value(&args("80F", Some("51%"), None, None));
        let told = |key: &str| format!("{}C", by_humidity[key].as_f64().unwrap());
        let by_wet_bulb = value(&args("80F", None, Some(&told("wet_bulb_c")), None));
        let by_dew_point = value(&args("80F", None, None, Some(&told("dew_point_c"))));
        for other in [by_wet_bulb, by_dew_point] {
            let (a, b) = (&by_humidity["humidity_ratio"], &other["humidity_ratio"]);
            // Six digits of a temperature are 0.00005 K, which is 3e-6 of the ratio.
            let off = a.as_f64().unwrap() / b.as_f64().unwrap() - 1.0;
            assert!(off.abs() < 2e-5, "{by_humidity} {other}");
        }
    }

    #[test]
    fn text_has_both_systems() {
        let text = said(&args("100F", None, Some("65F"), None), false);
        // ASHRAE Handbook—Fundamentals 2017, chapter 1, example 1: 13 %, 0.00523, 29.80 Btu/lb.
        for part in ["Btu/lb", "kJ/kg", "gr/lb", "100.00 °F", "37.78 °C", "12.8 %", "29.7"] {
            assert!(text.contains(part), "{part} is not in {text}");
        }
    }

    #[test]
    fn dry_air_has_no_dew_point() {
        assert!(value(&args("20C", Some("0%"), None, None))["dew_point_c"].is_null());
        assert!(said(&args("20C", Some("0%"), None, None), false).contains("none: the air is dry"));
    }

    #[test]
    fn each_wrong_input_is_one_line_that_says_what_to_do() {
        refused(&args("80", Some("51%"), None, None), "has no unit: write 80F");
        refused(&args("80F", Some("0.51"), None, None), "write 0.51%");
        refused(&args("80F", None, Some("81F"), None), "above the dry bulb 80F");
        refused(&args("80F", None, None, Some("81F")), "above the dry bulb 80F");
        refused(&args("100F", None, Some("30F"), None), "lower than even dry air");
        refused(&args("250C", Some("1%"), None, None), "-100 to 200 C");
        refused(&args("150C", Some("50%"), None, None), "no air is left");
    }
}
