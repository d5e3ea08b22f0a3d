//! `settled place`: where each probe seems to sit, told from the first minutes of a start.

use std::fmt::Write as _;
use std::io::{self, Write};
use std::path::PathBuf;

use serde_json::{Value, json};

use crate::app::exit::{Exit, Failure};
use crate::app::job::JobFile;
use crate::app::replay::moment;
use crate::app::traces::{self, FieldTrace, Record};
use crate::app::{profile, wording};
use crate::engine::channel::Position;
use crate::engine::columns::Units;
use crate::engine::job::Mode;
use crate::engine::place::gauges::{self, Side};
use crate::engine::place::{self, Placed, Question, Trace, features, model, start};
use crate::units::quantity::QuantityKind;
use crate::units::time::Elapsed;

/// Says where each probe seems to sit, told from the first minutes of a start.
///
/// Record a start with `settled listen --record DIR` or `settled watch`, with every probe in place
/// before it; ten minutes of running tell most. Nothing is changed by it: it proposes the
/// `[[probe]]` tables and says what speaks against those of a job.
#[derive(Debug, clap::Args)]
#[command(after_help = "Examples:\n  settled listen --record heard --seconds 900\n  \
    settled place heard/*\n  settled place sessions/2031-06-04T19-05-12Z-harbour-bakery --job bakery.toml")]
pub struct Args {
    /// Session folders, or a `received.csv`.
    #[arg(required = true, value_name = "SESSION|RECEIVED")]
    records: Vec<PathBuf>,
    /// Holds this job's places against the readings (default: the session's own job).
    #[arg(long, value_name = "JOB.toml")]
    job: Option<PathBuf>,
    /// Positions that come into question, with commas between (default: the job's, else the
    /// seven usual ones).
    #[arg(long, value_name = "POSITION,…", value_delimiter = ',')]
    positions: Vec<Position>,
    /// Looks at these probes only (address; may be given several times).
    #[arg(long, value_name = "ADDRESS")]
    probe: Vec<String>,
    /// Whether the unit cools or heats (default: as the job says, else cooling).
    #[arg(long, value_parser = ["cooling", "heating", "auto"])]
    mode: Option<String>,
    /// Begins at this time of the record, as minutes:seconds.
    #[arg(long, value_parser = moment)]
    from: Option<Elapsed>,
    /// Ends at this time of the record.
    #[arg(long, value_parser = moment)]
    to: Option<Elapsed>,
    /// Folder with further profiles; they win over shipped ones.
    #[arg(long, value_name = "DIR")]
    profiles: Option<PathBuf>,
}

/// Says where the probes of each record seem to sit.
///
/// # Errors
/// A record or job that cannot be read, or in which nothing starts.
pub fn run(args: &Args, json: bool, out: &mut dyn Write) -> Result<Exit, Failure> {
    let profiles = profile::load(args.profiles.as_deref())?;
    let job = args.job.as_deref().map(JobFile::read).transpose()?;
    for path in &args.records {
        let mut record = traces::read(path, &profiles, (args.from, args.to))?;
        let wanted = |field: &FieldTrace| {
            args.probe.is_empty() || args.probe.iter().any(|p| p.eq_ignore_ascii_case(&field.probe))
        };
        record.fields.retain(wanted);
        let job = job.as_ref().or(record.job.as_ref());
        let asked = Asked::of(&record, job, args);
        let placed = asked
            .place()
            .map_err(|error| Failure::bad_input(format!("{}: {error}", path.display())))?;
        if args.records.len() > 1 && !json {
            writeln!(out, "== {}", path.display()).map_err(Failure::world)?;
        }
        let told = Told { asked: &asked, placed: &placed, record: &record };
        let written = if json { told.json(out) } else { told.text(out) };
        written.map_err(Failure::world)?;
    }
    Ok(Exit::Done)
}

/// The temperatures of a record, and what is asked of them.
struct Asked<'r> {
    fields: Vec<&'r FieldTrace>,
    traces: Vec<Trace>,
    question: Question,
    units: Units,
}

impl<'r> Asked<'r> {
    fn of(record: &'r Record, job: Option<&JobFile>, args: &Args) -> Self {
        // What the job puts elsewhere (a second circuit, a name of the technician's) is left out.
        let kept = |field: &&FieldTrace| {
            let place = job.and_then(|file| field.place_in(&file.job));
            field.kind == QuantityKind::Temperature
                && place.is_none_or(|place| place.circuit == 1 && model::knows(&place.position))
        };
        let fields: Vec<&FieldTrace> = record.fields.iter().filter(kept).collect();
        let in_job: Vec<Option<Position>> = fields
            .iter()
            .map(|field| job.and_then(|file| field.place_in(&file.job)).map(|p| p.position))
            .collect();
        let mode = match (args.mode.as_deref(), job) {
            (Some("heating"), _) => Mode::Heating,
            (Some("auto"), _) => Mode::Auto,
            (None, Some(file)) => file.job.mode,
            _ => Mode::Cooling,
        };
        let mut question = Question::usual(mode, fields.len());
        let named: Vec<Position> = in_job.iter().flatten().cloned().collect();
        if !args.positions.is_empty() {
            question.positions.clone_from(&args.positions);
        } else if named.len() == fields.len() {
            question.positions = named;
        } else {
            let more = named.into_iter().filter(|p| !place::USUAL.contains(p));
            question.positions.extend(more);
        }
        question.job = in_job.iter().any(Option::is_some).then_some(in_job);
        let traces = fields.iter().map(|field| {
            let same = || record.fields.iter().filter(|other| other.probe == field.probe);
            let humid = same().any(|other| other.kind == QuantityKind::Humidity);
            let paired = same().filter(|other| other.kind == field.kind).count() > 1;
            Trace { samples: field.samples.clone(), humid, paired }
        });
        let units = job.map_or(Units::Us, |file| file.units);
        Self { traces: traces.collect(), fields, question, units }
    }

    fn place(&self) -> Result<Placed, place::PlaceError> {
        place::place(&self.traces, &self.question)
    }
}

/// What is said of one record.
struct Told<'a> {
    asked: &'a Asked<'a>,
    placed: &'a Placed,
    record: &'a Record,
}

impl Told<'_> {
    fn json(&self, out: &mut dyn Write) -> io::Result<()> {
        let Self { asked, placed, .. } = self;
        for (field, placement) in asked.fields.iter().zip(&placed.placements) {
            let all = placement.all.iter().filter(|(_, p)| *p >= 0.01);
            let all: Vec<Value> = all
                .map(|(position, p)| json!({"position": position.to_string(), "probability": rounded(*p)}))
                .collect();
            let line = json!({"kind": "placement", "probe": field.probe, "field": field.field,
                "position": placement.position.to_string(), "odds": rounded(placement.odds),
                "called": placement.is_called(), "all": all});
            writeln!(out, "{line}")?;
        }
        for (gauge, side, odds) in self.gauges() {
            let line = json!({"kind": "placement", "probe": gauge.probe, "field": gauge.field,
                "position": side_word(side), "odds": rounded(odds),
                "called": odds >= place::ODDS_MIN, "all": []});
            writeln!(out, "{line}")?;
        }
        for alike in &placed.alike {
            let (a, b) = alike.traces;
            let line = json!({"kind": "alike",
                "probes": [asked.fields[a].probe, asked.fields[b].probe],
                "fields": [asked.fields[a].field, asked.fields[b].field],
                "positions": [alike.positions.0.to_string(), alike.positions.1.to_string()],
                "tells": alike.tells});
            writeln!(out, "{line}")?;
        }
        for doubt in &placed.doubts {
            let field = asked.fields[doubt.trace];
            let line = json!({"kind": "placement_doubt", "probe": field.probe,
                "field": field.field, "job": doubt.job.to_string(),
                "position": doubt.seems.to_string(), "odds": rounded(doubt.odds)});
            writeln!(out, "{line}")?;
        }
        Ok(())
    }

    fn text(&self, out: &mut dyn Write) -> io::Result<()> {
        let Self { asked, placed, .. } = self;
        let ran = wording::minutes(placed.ran);
        match placed.start {
            Some(start) => writeln!(out, "A start at {start}; it ran {ran} in this record.\n")?,
            None => {
                writeln!(out, "It was running from the first, for {ran}; a start tells more.\n")?;
            }
        }
        if !placed.fits {
            writeln!(
                out,
                "This does not look like the start of a unit with these probes in place; nothing is \
                 called.\n"
            )?;
        }
        for (field, placement) in asked.fields.iter().zip(&placed.placements) {
            let name = self.name(field);
            if placement.is_called() {
                let position = placement.position.to_string();
                let levels = self.levels(field);
                writeln!(
                    out,
                    "  {name:<34} {position:<22} odds {:>3.0} to 1   {levels}",
                    placement.odds
                )?;
            } else {
                let open: Vec<String> = placement
                    .all
                    .iter()
                    .filter(|(_, p)| *p >= 0.05)
                    .map(|(position, p)| format!("{position} {:.0} %", p * 100.0))
                    .collect();
                writeln!(out, "  {name:<34} open: {}   {}", open.join(", "), self.levels(field))?;
            }
        }
        for (gauge, side, odds) in self.gauges() {
            let name = self.name(gauge);
            writeln!(out, "  {name:<34} {:<24} odds {odds:.0} to 1", side_word(side))?;
        }
        self.text_of_doubts(out)?;
        writeln!(out, "\nFor the job, where you agree:\n\n{}", self.tables())
    }

    /// What cannot be told apart, and what speaks against the job.
    fn text_of_doubts(&self, out: &mut dyn Write) -> io::Result<()> {
        let Self { asked, placed, .. } = self;
        for alike in &placed.alike {
            let (a, b) = alike.traces;
            let (a, b) = (self.name(asked.fields[a]), self.name(asked.fields[b]));
            let (p, q) = &alike.positions;
            writeln!(out, "\n{a} and {b} cannot be told apart: {p} and {q}. What would tell:")?;
            for tell in &alike.tells {
                writeln!(out, "  - {tell}")?;
            }
        }
        for doubt in &placed.doubts {
            let name = self.name(asked.fields[doubt.trace]);
            writeln!(
                out,
                "\nThe job puts {name} at {}; its start looks like {} (odds {:.0} to 1). See where \
                 it is clamped; nothing was changed.",
                doubt.job, doubt.seems, doubt.odds
            )?;
        }
        if asked.question.job.is_some() && placed.doubts.is_empty() {
            writeln!(out, "\nNothing here speaks against the job's places.")?;
        }
        Ok(())
    }

    /// What the field read before the start and at the end of what was looked at.
    fn levels(&self, field: &FieldTrace) -> String {
        let trace = Trace { samples: field.samples.clone(), humid: false, paired: false };
        let run = start::find(&self.asked.traces);
        let Some(found) = run.and_then(|run| features::of(&trace, &run)) else {
            return String::new();
        };
        let value = |si| wording::value(field.kind, si, self.asked.units);
        let rest = found.rest.map_or(String::new(), |rest| format!("{} to ", value(rest)));
        format!("{rest}{}", value(found.level))
    }

    /// The gauges with the side that each seems to be on.
    fn gauges(&self) -> Vec<(&FieldTrace, Side, f64)> {
        let Some(run) = start::find(&self.asked.traces) else { return Vec::new() };
        let pressures = self.record.fields.iter().filter(|f| f.kind == QuantityKind::Pressure);
        let each = pressures.filter_map(|field| {
            let (side, odds) = gauges::side(&field.samples, &run)?;
            Some((field, side, odds))
        });
        each.collect()
    }

    /// A field of a probe as people know it.
    fn name(&self, field: &FieldTrace) -> String {
        let called = field.name.as_ref().map_or(String::new(), |name| format!(" ({name})"));
        let temperatures = self.record.fields.iter();
        let several =
            temperatures.filter(|f| f.probe == field.probe && f.kind == field.kind).count() > 1;
        let which = if several { format!(" {}", field.field) } else { String::new() };
        format!("{}{called}{which}", field.probe)
    }

    /// The `[[probe]]` tables of all probes.
    fn tables(&self) -> String {
        let mut text = String::new();
        let mut seen: Vec<&str> = Vec::new();
        for field in &self.record.fields {
            if seen.contains(&field.probe.as_str()) {
                continue;
            }
            seen.push(&field.probe);
            let places = self.places_of(&field.probe);
            if !places.is_empty() {
                // Writing to a String cannot fail.
                let _ = writeln!(text, "[[probe]]\naddress = \"{}\"", field.probe);
                text += &places;
                text.push('\n');
            }
        }
        text
    }

    /// The lines that place one probe's fields.
    fn places_of(&self, probe: &str) -> String {
        let placements = self.asked.fields.iter().zip(&self.placed.placements);
        let own: Vec<_> = placements.filter(|(field, _)| field.probe == probe).collect();
        let single = own.len() == 1;
        let mut text = String::new();
        for (field, placement) in &own {
            let key = if single {
                "position".to_owned()
            } else {
                format!("field.{}.position", field.field)
            };
            let open = if placement.is_called() { "" } else { "    # open: see above" };
            let _ = writeln!(text, "{key} = \"{}\"{open}", placement.position);
        }
        for (gauge, side, odds) in self.gauges() {
            if gauge.probe == probe {
                let open = if odds >= place::ODDS_MIN { "" } else { "    # open" };
                let _ = writeln!(
                    text,
                    "field.{}.position = \"{}\"{open}",
                    gauge.field,
                    side_word(side)
                );
            }
        }
        text
    }
}

/// A gauge's place by its side.
const fn side_word(side: Side) -> &'static str {
    match side {
        Side::Low => "suction-line",
        Side::High => "liquid-line",
    }
}

/// Three digits that matter.
fn rounded(value: f64) -> f64 {
    if value == 0.0 {
        return 0.0;
    }
    let scale = libm::pow(10.0, 2.0 - libm::floor(libm::log10(value.abs())));
    (value * scale).round() / scale
}
