//! `settled diagnose`: findings and suspects from typed values, or from a settled set on file.

use std::fs;
use std::io::Write;
use std::path::{Path, PathBuf};

use crate::app::exit::{Exit, Failure};
use crate::app::findings;
use crate::app::job::JobFile;
use crate::engine::channel::{Channel, Place, Position};
use crate::engine::columns::Units;
use crate::engine::diagnose::inputs::{self, Roles};
use crate::engine::diagnose::{Context, diagnose};
use crate::engine::job::Job;
use crate::engine::json;
use crate::engine::reading::{SettledSet, SettledValue};
use crate::units::parse::{self, Typed};
use crate::units::quantity::{Pascals, PascalsDifference, Quantity, QuantityKind};
use crate::units::time::Elapsed;

/// Says what is right, what is wrong, how sure that is, and what to check next.
#[derive(Debug, clap::Args)]
#[command(after_help = "Example:\n  \
    settled diagnose bakery.toml --at return-air=78F --at return-air.humidity=51% \\\n      \
    --at supply-air=59F --at outdoor-air=90F --at suction-line=57F \\\n      \
    --at suction-line=132psig --at liquid-line=101F --at discharge-line=160F --why")]
pub struct Args {
    /// The job file: it says what the unit is.
    pub job: PathBuf,
    /// A reading: POSITION[.QUANTITY]=VALUE with its unit, as in suction-line=118psig; the unit
    /// tells the quantity when it is left out. May be given many times.
    #[arg(long = "at", value_name = "POSITION[.QUANTITY]=VALUE")]
    pub at: Vec<String>,
    /// A settled set: a session's sets.csv (its last set), or its folder.
    #[arg(long, value_name = "FILE")]
    pub set: Option<PathBuf>,
    /// A session of the same unit in good order, to compare with: its folder or its sets.csv.
    #[arg(long, value_name = "SESSION")]
    pub baseline: Option<PathBuf>,
    /// Prints each measure's budget and each suspect's ledger.
    #[arg(long)]
    pub why: bool,
}

/// Runs the command.
///
/// # Errors
/// When the job or a value cannot be read, or `out` does not take the answer.
pub fn run(args: &Args, json: bool, out: &mut dyn Write) -> Result<Exit, Failure> {
    let file = JobFile::read(&args.job)?;
    run_on(&file.job, file.units, args, json, out)
}

/// Runs the command on a job that has been read.
///
/// # Errors
/// When a value cannot be read, or `out` does not take the answer.
pub fn run_on(
    job: &Job,
    units: Units,
    args: &Args,
    json: bool,
    out: &mut dyn Write,
) -> Result<Exit, Failure> {
    let mut set = match &args.set {
        Some(path) => read_set(path)?,
        None => empty_set(),
    };
    for typed in &args.at {
        let value = reading(typed, job.barometer).map_err(Failure::bad_input)?;
        set.values.retain(|other| other.channel != value.channel);
        set.values.push(value);
    }
    if set.values.is_empty() {
        let error = "nothing to diagnose; give readings by --at POSITION=VALUE, or --set FILE";
        return Err(Failure::usage(error));
    }
    let baseline = args.baseline.as_deref().map(read_set).transpose()?;
    let context = Context { baseline: baseline.as_ref(), ..Context::default() };
    let diagnosis = diagnose(job, &set, &context);
    let written = if json {
        let findings = diagnosis.findings.iter().map(json::finding);
        let mut lines = findings.chain(diagnosis.suspects.iter().map(json::suspect));
        lines.try_for_each(|line| writeln!(out, "{line}"))
    } else {
        findings::write(&diagnosis, units, args.why, out).and_then(|()| match unused(job, &set) {
            names if names.is_empty() => Ok(()),
            names => writeln!(out, "\nNot used by any measure: {}.", names.join(", ")),
        })
    };
    written.map_err(Failure::world)?;
    Ok(Exit::Done)
}

/// The channels of a set that no measure on any circuit of the job reads.
fn unused(job: &Job, set: &SettledSet) -> Vec<String> {
    let channels = set.values.iter().map(|value| &value.channel);
    let unknown = channels.filter(|channel| {
        let Place { position, circuit } = &channel.place;
        usize::from(*circuit) > job.unit.circuits.len()
            || [Roles::Cooling, Roles::Heating]
                .iter()
                .all(|roles| inputs::role(position, channel.kind, *roles).is_none())
    });
    unknown.map(ToString::to_string).collect()
}

fn empty_set() -> SettledSet {
    SettledSet {
        number: 0,
        cycle: None,
        from: Elapsed::ZERO,
        to: Elapsed::ZERO,
        run_s: None,
        values: Vec::new(),
    }
}

/// Standard uncertainty (SI) of a value that somebody typed.
///
/// Temperatures and pressures: the accuracies that California asks of instruments, ±(0.1 % +
/// 1.3 °F), ±3.5 psi on the suction and ±7 psi on the liquid side, taken as rectangular; source
/// RA3.2.2.2, manualshelf.com and energycodeace.com. The others are assumed.
fn typed_uncertainty(channel: &Channel, value: f64) -> f64 {
    let half_width = match channel.kind {
        QuantityKind::Temperature | QuantityKind::WetBulb | QuantityKind::DewPoint => {
            (1.3 + 0.001 * (value * 1.8 + 32.0).abs()) / 1.8
        }
        QuantityKind::Pressure => match channel.place.position {
            Position::SuctionLine | Position::SuctionLineIndoor => 3.5 * 6_894.757,
            _ => 7.0 * 6_894.757,
        },
        QuantityKind::Humidity => 0.03,
        QuantityKind::Saturation | QuantityKind::Superheat | QuantityKind::Subcooling => 1.5,
        QuantityKind::Airflow => 0.07 * value,
        QuantityKind::StaticPressure => 5.0,
        QuantityKind::Current | QuantityKind::Power | QuantityKind::Voltage => 0.02 * value.abs(),
        QuantityKind::Battery => 0.1,
    };
    half_width / 3f64.sqrt()
}

/// Reads `suction-line.pressure=118psig` or `suction-line=118psig`.
pub(super) fn reading(typed: &str, barometer: Pascals) -> Result<SettledValue, String> {
    let Some((name, value)) = typed.split_once('=') else {
        return Err(format!(
            "`{typed}` has no value; write POSITION=VALUE, as in suction-line=52F"
        ));
    };
    let (name, value) = (name.trim(), value.trim());
    let (channel, quantity) = if let Ok(channel) = name.parse::<Channel>() {
        let quantity = quantity(channel.kind, value, barometer)?;
        (channel, quantity)
    } else {
        // A quantity that is named but wrong is told so, not guessed.
        let place: Place = match (name.parse::<Place>(), name.parse::<Channel>()) {
            (Ok(place), _) => place,
            (Err(_), Err(error)) if name.contains('.') => return Err(error.to_string()),
            (Err(error), _) => return Err(error.to_string()),
        };
        let (kind, quantity) = guessed(&place, value, barometer)?;
        (Channel { place, kind }, quantity)
    };
    let uncertainty = typed_uncertainty(&channel, quantity.get());
    Ok(SettledValue { channel, quantity, spread: 0.0, uncertainty, probe: None })
}

fn quantity(kind: QuantityKind, text: &str, barometer: Pascals) -> Result<Quantity, String> {
    match parse::value(kind, text).map_err(|error| error.to_string())? {
        Typed::Exact(quantity) => Ok(quantity),
        Typed::Gauge(gauge) => absolute(gauge, barometer)
            .ok_or_else(|| format!("`{text}` is below a vacuum at this barometer")),
    }
}

fn absolute(gauge: PascalsDifference, barometer: Pascals) -> Option<Quantity> {
    Quantity::new(QuantityKind::Pressure, gauge.get() + barometer.get())
}

/// The quantity that the unit tells.
fn guessed(
    place: &Place,
    text: &str,
    barometer: Pascals,
) -> Result<(QuantityKind, Quantity), String> {
    let difference = match place.position {
        Position::LiquidLine | Position::LiquidLineIndoor => QuantityKind::Subcooling,
        _ => QuantityKind::Superheat,
    };
    let kind = match parse::kind_of(text) {
        Some(kind) => kind,
        None if text.contains("delta") => difference,
        None => {
            return Err(format!(
                "`{text}` cannot be read; write a number and a unit that tells what it is, as in \
                 52F, 118psig, 51%, 1050cfm, 10delta_F"
            ));
        }
    };
    quantity(kind, text, barometer).map(|quantity| (kind, quantity))
}

/// The last settled set of a session's `sets.csv`.
fn read_set(path: &Path) -> Result<SettledSet, Failure> {
    let file = if path.is_dir() { path.join("sets.csv") } else { path.to_owned() };
    let shown = file.display().to_string();
    let text = fs::read_to_string(&file)
        .map_err(|error| Failure::bad_input(format!("{shown} cannot be read: {error}")))?;
    parse_set(&text).map_err(|error| Failure::bad_input(format!("{shown}: {error}")))
}

/// Reads the last set of `set,cycle,from_ms,to_ms,channel,value,unit,spread,uncertainty`.
fn parse_set(text: &str) -> Result<SettledSet, String> {
    let mut reader = csv::Reader::from_reader(text.as_bytes());
    let head = reader.headers().map_err(|error| error.to_string())?.clone();
    let column = |name: &str| {
        let found = head.iter().position(|column| column == name);
        found.ok_or_else(|| format!("there is no column `{name}`; give a session's sets.csv"))
    };
    let (number, from, to) = (column("set")?, column("from_ms")?, column("to_ms")?);
    let (channel, value, unit) = (column("channel")?, column("value")?, column("unit")?);
    let (spread, uncertainty) = (column("spread")?, column("uncertainty")?);
    let mut set = empty_set();
    for (line, row) in reader.records().enumerate() {
        let row = row.map_err(|error| error.to_string())?;
        let wrong = |what: &str| format!("row {}: {what}", line + 2);
        let digits = |i: usize| row.get(i).unwrap_or_default().parse::<u64>();
        let amount = |i: usize| row.get(i).unwrap_or_default().parse::<f64>();
        let this = digits(number).map_err(|_| wrong("`set` is not a number"))? as u32;
        if this != set.number || set.values.is_empty() {
            set.number = this;
            set.from = Elapsed::from_ms(digits(from).map_err(|_| wrong("`from_ms`"))?);
            set.to = Elapsed::from_ms(digits(to).map_err(|_| wrong("`to_ms`"))?);
            set.values.clear();
        }
        let channel: Channel =
            row.get(channel).unwrap_or_default().parse().map_err(|e| wrong(&format!("{e}")))?;
        if row.get(unit) != Some(channel.kind.unit()) {
            return Err(wrong(&format!("`unit` is not {}", channel.kind.unit())));
        }
        let value = amount(value).ok().and_then(|value| Quantity::new(channel.kind, value));
        let quantity = value.ok_or_else(|| wrong("`value` is not possible"))?;
        let spread = amount(spread).map_err(|_| wrong("`spread` is not a number"))?;
        let uncertainty =
            amount(uncertainty).map_err(|_| wrong("`uncertainty` is not a number"))?;
        set.values.push(SettledValue { channel, quantity, spread, uncertainty, probe: None });
    }
    if set.values.is_empty() { Err("there is no settled set in it".to_owned()) } else { Ok(set) }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn standard() -> Pascals {
        Job::default().barometer
    }

    fn check(typed: &str, channel: &str, si: f64) {
        let value = reading(typed, standard()).unwrap();
        assert_eq!(value.channel.to_string(), channel);
        assert!((value.quantity.get() - si).abs() < 1e-3 * si.abs().max(1.0), "{value:?}");
        assert!(value.uncertainty > 0.0);
    }

    #[test]
    fn the_unit_tells_the_quantity() {
        check("suction-line=50F", "suction-line.temperature", 10.0);
        check("suction-line=118psig", "suction-line.pressure", 914_906.4);
        check("return-air=51%", "return-air.humidity", 0.51);
        check("suction-line@2=10delta_F", "suction-line@2.superheat", 5.556);
        check("liquid-line=10delta_F", "liquid-line.subcooling", 5.556);
        check("return-air.wet-bulb=68F", "return-air.wet-bulb", 20.0);
        check("outdoor-unit=9.5A", "outdoor-unit.current", 9.5);
    }

    #[test]
    fn wrong_values_say_what_to_do() {
        for (typed, part) in [
            ("suction-line", "write POSITION=VALUE"),
            ("suction-line=52", "a number and a unit"),
            ("suctionline=52F", "no position is called"),
            ("suction-line.temp=52F", "no quantity is called"),
        ] {
            let error = reading(typed, standard()).unwrap_err();
            assert!(error.contains(part), "{typed}: {error}");
        }
    }

    #[test]
    fn the_last_set_of_a_file_is_read() {
        let text = "set,cycle,from_ms,to_ms,channel,value,unit,spread,uncertainty\n\
                    1,1,0,300000,supply-air.temperature,15,degC,0.1,0.3\n\
                    2,1,600000,900000,supply-air.temperature,14,degC,0.1,0.3\n\
                    2,1,600000,900000,return-air.temperature,25,degC,0.1,0.3\n";
        let set = parse_set(text).unwrap();
        assert_eq!((set.number, set.values.len()), (2, 2));
        assert_eq!(set.from, Elapsed::from_secs(600));
        assert!(parse_set("a,b\n1,2\n").unwrap_err().contains("sets.csv"));
        let wrong = text.replace("degC", "degF");
        assert!(parse_set(&wrong).unwrap_err().contains("row 2: `unit` is not degC"));
    }
}
