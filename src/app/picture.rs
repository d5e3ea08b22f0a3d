//! `settled picture`: a picture of a session as an SVG file.
//!
//! The modules below are pure functions from data to the text of an SVG. Dark ink on white, so
//! that paper shows them as a screen does; names stand at the lines, and nothing is told by colour
//! alone.

pub mod canvas;
pub mod changes;
pub mod pressure_enthalpy;
pub mod runs;
pub mod strip;
pub mod thin;
pub mod time;
pub mod traces;

use std::fs;
use std::io::{self, IsTerminal, Write};
use std::path::{Path, PathBuf};

use clap::ValueEnum;
use serde_json::json;

use crate::app::account::{Account, Trace};
use crate::app::exit::{Exit, Failure};
use crate::app::picture::canvas::Drawn;
use crate::app::picture::time::TimeAxis;
use crate::app::picture::traces::{Line, Panel, Traces};
use crate::app::trend::MEASURES;
use crate::app::wording;
use crate::engine::channel::{Channel, Position};
use crate::engine::columns::{Shown, Units};
use crate::units::quantity::QuantityKind;
use crate::units::time::Elapsed;

/// Draws a session as an SVG file.
#[derive(Debug, clap::Args)]
#[command(after_help = "Example:\n  \
    settled picture sessions/2031-06-04T19-05-12Z-harbour-bakery --of run -o run.svg")]
pub struct Args {
    /// The session's folder.
    session: PathBuf,
    /// What is drawn.
    #[arg(long, value_enum, default_value_t = Of::Run)]
    of: Of,
    /// The measure, for --of trend: evaporator-split, condenser-split, superheat, subcooling or
    /// approach.
    #[arg(long, default_value = "evaporator-split")]
    measure: String,
    /// The file [default: standard output].
    #[arg(short, long, value_name = "FILE")]
    output: Option<PathBuf>,
    /// A job to use in place of the recorded one.
    #[arg(long)]
    job: Option<PathBuf>,
}

/// What can be drawn.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
enum Of {
    /// The run of the last settled set.
    Run,
    /// All of the visit.
    Visit,
    /// Runs and pauses, with what happened beside them.
    Night,
    /// Share of each hour that the compressor ran, against outdoor temperature.
    Duty,
    /// A measure from run to run.
    Trend,
    /// The last settled set on pressure and enthalpy.
    PressureEnthalpy,
}

/// Draws what was asked for.
///
/// # Errors
/// A session that cannot be read or has nothing to draw, or a disk that says no.
pub fn run(args: &Args, json: bool, out: &mut dyn Write) -> Result<Exit, Failure> {
    let measure = args.measure.replace('-', "_");
    if !MEASURES.contains(&measure.as_str()) {
        let known = MEASURES.join(", ").replace('_', "-");
        let word = &args.measure;
        return Err(Failure::usage(format!("no measure is called `{word}`; use one of {known}")));
    }
    let account = account(&args.session, args.job.as_deref())?;
    let nothing = |why: &str| {
        Failure::bad_input(format!("{}: {why}; nothing to draw", args.session.display()))
    };
    let units = account.file.units;
    let text = match args.of {
        Of::Run => {
            let run = account.run.as_ref().ok_or_else(|| nothing("the compressor never ran"))?;
            lines(&account, run, "The run").map(Some)
        }
        Of::Visit => lines(&account, &account.visit, "The visit").map(Some),
        Of::Night => strip::strip(&account.night).map(Some),
        Of::Duty => runs::duty(&account.night, units),
        Of::Trend => runs::settled(&account.night, &measure, units),
        Of::PressureEnthalpy => {
            let diagram = account.diagram.as_ref().map_err(|why| nothing(why))?;
            pressure_enthalpy::pressure_enthalpy(diagram, units).map(Some)
        }
    };
    let text = text.map_err(Failure::world)?.ok_or_else(|| match args.of {
        Of::Duty => nothing("duty and outdoor temperature are known for too few hours"),
        _ => nothing("no run gave that measure"),
    })?;
    deliver(&text, args.output.as_deref(), "picture", json, out)?;
    Ok(Exit::Done)
}

/// How far a long reading is, on standard error where that is a terminal.
#[derive(Debug)]
struct Progress {
    shown: bool,
    said: bool,
}

impl Progress {
    fn new() -> Self {
        Self { shown: io::stderr().is_terminal(), said: false }
    }

    /// So many rows were heard. A word that nobody takes does no harm.
    fn say(&mut self, rows: u64) {
        if self.shown {
            self.said = true;
            drop(write!(io::stderr(), "\r{rows} rows heard again …"));
        }
    }
}

impl Drop for Progress {
    fn drop(&mut self) {
        if self.said {
            drop(write!(io::stderr(), "\r{:40}\r", ""));
        }
    }
}

/// Hears the record in `path` once more, and says how far it is.
///
/// # Errors
/// A session that cannot be read.
pub(super) fn account(path: &Path, job: Option<&Path>) -> Result<Account, Failure> {
    let mut progress = Progress::new();
    Account::of(path, job, &mut |rows| progress.say(rows))
}

/// Writes a text into a file, in whole or not at all, or to standard output.
pub(super) fn deliver(
    text: &str,
    path: Option<&Path>,
    kind: &str,
    json: bool,
    out: &mut dyn Write,
) -> Result<(), Failure> {
    let Some(path) = path.filter(|path| path.as_os_str() != "-") else {
        return out.write_all(text.as_bytes()).map_err(Failure::world);
    };
    let cannot =
        |error: io::Error| Failure::world(format!("cannot write {}: {error}", path.display()));
    let mut name = path.file_name().unwrap_or_default().to_owned();
    name.push(".new");
    let new = path.with_file_name(name);
    fs::write(&new, text).and_then(|()| fs::rename(&new, path)).map_err(cannot)?;
    let line = if json {
        json!({"kind": kind, "file": path.display().to_string(), "bytes": text.len()}).to_string()
    } else {
        format!("{} ({} kB)", path.display(), text.len().div_ceil(1_000))
    };
    writeln!(out, "{line}").map_err(Failure::world)
}

/// Draws the lines of a stretch, a panel a kind.
///
/// # Errors
/// As [`canvas::sheet`].
pub fn lines(account: &Account, trace: &Trace, title: &str) -> Drawn {
    let name = |channel: &Channel| Some(name(channel));
    let panels = Group::ALL.iter().filter_map(|group| panel(account, trace, *group, &name));
    traces::traces(&plot(account, trace, title, panels.collect()))
}

/// Draws the temperatures of the air that people feel, in words that anyone knows.
///
/// # Errors
/// As [`canvas::sheet`].
pub fn felt(account: &Account, trace: &Trace, title: &str) -> Drawn {
    let name = |channel: &Channel| match channel.place.position {
        Position::ReturnAir | Position::MixedAir => Some("Air taken in".to_owned()),
        Position::SupplyAir => Some("Air blown out".to_owned()),
        Position::OutdoorAir => Some("Outdoors".to_owned()),
        Position::Space => Some("In the room".to_owned()),
        _ => None,
    };
    let panels = panel(account, trace, Group::Air, &name).into_iter().collect();
    traces::traces(&Traces { shaded: "steady", ..plot(account, trace, title, panels) })
}

fn plot(account: &Account, trace: &Trace, title: &str, panels: Vec<Panel>) -> Traces {
    let began = account.night.utc(trace.from);
    let began = began.and_then(|utc| utc.plus_ms(-(trace.from.as_ms() as i64)));
    let axis = TimeAxis::new((trace.from, trace.to), began, account.night.zone());
    let (settled, shaded) = (trace.settled.clone(), "steady");
    Traces { title: title.to_owned(), axis, panels, settled, shaded }
}

/// What shares a panel.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Group {
    Air,
    Lines,
    Humidity,
    Pressure,
    Electricity,
    Power,
}

impl Group {
    const ALL: [Self; 6] =
        [Self::Air, Self::Lines, Self::Pressure, Self::Electricity, Self::Power, Self::Humidity];

    fn of(channel: &Channel) -> Option<Self> {
        Some(match channel.kind {
            QuantityKind::Temperature if channel.place.position.is_air() => Self::Air,
            QuantityKind::Temperature => Self::Lines,
            QuantityKind::Humidity => Self::Humidity,
            QuantityKind::Pressure => Self::Pressure,
            QuantityKind::Current => Self::Electricity,
            QuantityKind::Power => Self::Power,
            _ => return None,
        })
    }

    const fn words(self) -> &'static str {
        match self {
            Self::Air => "Air",
            Self::Lines => "Lines and coils",
            Self::Humidity => "Relative humidity",
            Self::Pressure => "Pressure",
            Self::Electricity => "Current",
            Self::Power => "Power",
        }
    }
}

/// The lines of one group that have a name; `None` where nothing was known of any.
fn panel(
    account: &Account,
    trace: &Trace,
    group: Group,
    name: &dyn Fn(&Channel) -> Option<String>,
) -> Option<Panel> {
    let units = account.file.units;
    let mut unit = "";
    let mut lines = Vec::new();
    for (known, _) in &account.channels {
        if Group::of(&known.channel) != Some(group) {
            continue;
        }
        let Some(name) = name(&known.channel) else { continue };
        let shown = Shown::of(known.channel.kind, units);
        unit = wording::short(shown);
        let Some(thin) = trace.lines.get(usize::from(known.id.0)) else { continue };
        let scaled = |(at, si): (Elapsed, f64)| (at, si * shown.scale + shown.offset);
        let stretches: Vec<Vec<(Elapsed, f64)>> =
            thin.stretches().into_iter().map(|s| s.into_iter().map(scaled).collect()).collect();
        if !stretches.is_empty() {
            lines.push(Line { name, stretches });
        }
    }
    let title = format!("{}, {unit}", group.words());
    (!lines.is_empty()).then_some(Panel { title, lines })
}

/// A channel's name where its panel says the quantity.
fn name(channel: &Channel) -> String {
    let place = Channel { place: channel.place.clone(), kind: QuantityKind::Temperature };
    wording::name(&place).replace("Condenser leaving air", "Condenser leaving")
}

/// The difference's unit as a table shows it.
pub(super) const fn difference_unit(units: Units) -> &'static str {
    match units {
        Units::Us => "°F",
        Units::Si => "K",
    }
}
