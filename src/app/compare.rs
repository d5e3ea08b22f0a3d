//! `settled compare`: two sessions, or what came before and after a change, side by side.

mod page;

use std::collections::BTreeMap;
use std::io::{self, Write};
use std::path::{Path, PathBuf};

use serde_json::{Value, json};

use crate::app::exit::{Exit, Failure};
use crate::app::findings::{self, Shape};
use crate::app::job::JobFile;
use crate::app::night::Night;
use crate::app::picture;
use crate::app::profile;
use crate::app::replay::Recorded;
use crate::app::report::sheet::span;
use crate::edge::clock::Utc;
use crate::engine::columns::Units;
use crate::engine::compare::{Change, Difference, Measured, Pooled, difference, interval_95, pool};
use crate::engine::diagnose::finding::{Diagnosis, Fault, Finding, Limits};
use crate::engine::json::number;
use crate::engine::output::Output;
use crate::engine::phrase::Phrase;
use crate::engine::reading::SettledSet;
use crate::engine::session::Session;
use crate::units::quantity::QuantityKind;
use crate::units::time::Elapsed;

/// How far apart the air that enters the coils may be (K) for two values to be compared as they
/// are: 2.0 °F, what a laboratory's cooling test lets it vary within one test. From memory (ASHRAE
/// 37, test operating tolerance); not confirmed.
const CONDITION_K_MAX: f64 = 2.0 / 1.8;

/// The conditions that measures follow.
const CONDITIONS: [(&str, &str); 2] =
    [("outdoor-air.temperature", "outdoor air"), ("return-air.temperature", "return air")];

/// Compares two sessions, or what came before and after a marked change within one.
///
/// All settled sets of a side are pooled; in a session with marked changes, those since the last
/// one. A change is told where the interval of the difference leaves zero out.
#[derive(Debug, clap::Args)]
#[command(after_help = "Example:\n  \
    settled compare sessions/2031-06-04T19-05-12Z-harbour-bakery \
    sessions/2031-06-18T15-00-00Z-harbour-bakery\n  \
    settled compare sessions/2031-06-04T19-05-12Z-harbour-bakery")]
pub struct Args {
    /// The session before.
    before: PathBuf,
    /// The session after; without it, BEFORE is split at its last marked change
    /// (`settled note SESSION --changed "…"`).
    after: Option<PathBuf>,
    /// Writes an HTML file that prints: owner's page first, then the technician's.
    #[arg(short, long, value_name = "FILE")]
    output: Option<PathBuf>,
}

/// Compares what was named.
///
/// # Errors
/// A session that cannot be read or has nothing to compare.
pub fn run(args: &Args, json: bool, out: &mut dyn Write) -> Result<Exit, Failure> {
    let heard = Heard::of(&args.before)?;
    let (units, site) = (heard.units, heard.site.clone());
    let mut nights = vec![heard.night.clone()];
    let (before, after) = match &args.after {
        Some(after) => {
            let other = Heard::of(after)?;
            nights.push(other.night.clone());
            (heard.since_last_change(), other.since_last_change())
        }
        None => heard.around_last_change(&args.before)?,
    };
    let path = args.after.as_deref().unwrap_or(&args.before);
    for (sets, path, when) in [(&before, &*args.before, "before"), (&after, path, "after")] {
        if sets.is_empty() {
            return Err(Failure::bad_input(format!(
                "{}: nothing settled {when} the change; there is nothing to compare",
                path.display()
            )));
        }
    }
    let apart = apart(&before, &after, units);
    let lines = lines(&before, &after, &apart);
    let sides = [(&before, &nights[0]), (&after, &nights[nights.len() - 1])];
    let order = out_of_order(sides);
    if let Some(path) = &args.output {
        let text = page::page(&site, sides, (order.as_deref(), &apart), &lines, units)
            .map_err(Failure::world)?;
        picture::deliver(&text, Some(path), "comparison_report", json, out)?;
        return Ok(Exit::Done);
    }
    let written = if json {
        lines.iter().try_for_each(|line| writeln!(out, "{}", line.json()))
    } else {
        if let Some(order) = order {
            writeln!(out, "WARNING: {order}.\n").map_err(Failure::world)?;
        }
        write(sides, &apart, &lines, units, out)
    };
    written.map_err(Failure::world)?;
    Ok(Exit::Done)
}

/// A settled set and what it says.
type Judged = (SettledSet, Diagnosis);

/// One side: its settled sets, and the session that they are of.
type Side<'a> = (&'a Vec<Judged>, &'a Night);

fn last((sets, _): Side<'_>) -> Option<&Diagnosis> {
    sets.last().map(|(_, diagnosis)| diagnosis)
}

/// From the first to the last settled stretch of a side, with the date.
fn stretch((sets, night): Side<'_>) -> String {
    match (sets.first(), sets.last()) {
        (Some((first, _)), Some((last, _))) => span(night, first.from, last.to),
        _ => String::new(),
    }
}

/// That After does not lie after Before, in words; `None` where it does, or no clock tells.
fn out_of_order([(before, first), (after, second)]: [Side<'_>; 2]) -> Option<String> {
    let at = |night: &Night, at: Elapsed| night.utc(at).map(Utc::timestamp);
    let before_from = at(first, before.first()?.0.from)?;
    let before_to = at(first, before.last()?.0.to)?;
    let after_from = at(second, after.first()?.0.from)?;
    let after_to = at(second, after.last()?.0.to)?;
    if after_to <= before_from {
        Some(
            "what is called After was recorded before what is called Before; give the two the \
              other way round"
                .to_owned(),
        )
    } else if after_from < before_to {
        Some(
            "the stretches of the two sides overlap in time, so no change lies between them"
                .to_owned(),
        )
    } else {
        None
    }
}

/// A fault that comes first after the change and did not before, and what to do about it.
fn newcomer([before, after]: [Side<'_>; 2]) -> Option<String> {
    let (old, new) = (last(before)?.suspects.first()?, last(after)?.suspects.first()?);
    if new.fault == Fault::None || new.fault == old.fault {
        return None;
    }
    let next = new.check_next.first().map_or(String::new(), |next| format!(" Next: {next}."));
    Some(format!(
        "New in the first place after the change: {}. Whether it was hidden before, came with the \
         change, or was always there cannot be told from these readings.{next}",
        findings::both(new)
    ))
}

/// What a record says.
struct Heard {
    site: String,
    units: Units,
    night: Night,
    sets: Vec<Judged>,
    changes: Vec<Elapsed>,
}

impl Heard {
    /// Replays the record in `path`.
    fn of(path: &Path) -> Result<Self, Failure> {
        let mut recorded = Recorded::open(path, None)?;
        let mut session = Session::new(recorded.file.job.clone(), profile::load(None)?, None);
        let (mut sets, mut last, mut changes) = (Vec::new(), None, Vec::new());
        let mut night = Night::new(recorded.zone.clone());
        let mut listen = |session: &mut Session, night: &mut Night| {
            while let Some(output) = session.poll() {
                night.take(&output);
                match output {
                    Output::SettledSet(set) => last = Some(*set),
                    Output::Diagnosis(diagnosis) => {
                        let set = last.take_if(|set| set.number == diagnosis.set);
                        sets.extend(set.map(|set| (set, diagnosis)));
                    }
                    Output::Event(event) if event.event == "changed" => changes.push(event.at),
                    _ => {}
                }
            }
        };
        while let Some(row) = recorded.rows.next_row().map_err(Failure::bad_input)? {
            night.row(row.at, row.label);
            session.handle(row.at, row.input);
            listen(&mut session, &mut night);
        }
        session.finish();
        listen(&mut session, &mut night);
        let JobFile { site, units, .. } = recorded.file;
        Ok(Self { site, units, night, sets, changes })
    }

    fn since_last_change(self) -> Vec<Judged> {
        let from = self.changes.last().copied().unwrap_or(Elapsed::ZERO);
        self.sets.into_iter().filter(|(set, _)| set.from >= from).collect()
    }

    fn around_last_change(self, path: &Path) -> Result<(Vec<Judged>, Vec<Judged>), Failure> {
        let Some(change) = self.changes.last().copied() else {
            return Err(Failure::bad_input(format!(
                "{}: no change is marked in it; give a second session, or mark one with `settled \
                 note SESSION --changed`",
                path.display()
            )));
        };
        let earlier = self.changes.iter().rev().nth(1).copied().unwrap_or(Elapsed::ZERO);
        let sets = self.sets.into_iter().filter(|(set, _)| set.from >= earlier);
        Ok(sets.partition(|(set, _)| set.from < change))
    }
}

/// The conditions that differ by more than what is let pass, in words.
fn apart(before: &[Judged], after: &[Judged], units: Units) -> Vec<String> {
    let said = Phrase::of(QuantityKind::Temperature, units);
    let mut apart = Vec::new();
    for (channel, words) in CONDITIONS {
        let mean = |sets: &[Judged]| {
            let values: Vec<f64> = sets
                .iter()
                .flat_map(|(set, _)| &set.values)
                .filter(|value| value.channel.to_string() == channel)
                .map(|value| value.quantity.get())
                .collect();
            (!values.is_empty()).then(|| values.iter().sum::<f64>() / values.len() as f64)
        };
        match (mean(before), mean(after)) {
            (Some(before), Some(after)) if (after - before).abs() <= CONDITION_K_MAX => {}
            (Some(before), Some(after)) => apart.push(format!(
                "{words} was {} before and {} after",
                said.value(before),
                said.value(after)
            )),
            _ => apart.push(format!("{words} was not measured on both sides")),
        }
    }
    apart
}

/// One measure on both sides.
struct Line {
    measure: String,
    circuit: u8,
    unit: &'static str,
    before: Pooled,
    after: Pooled,
    difference: Difference,
    /// The difference is that of departures from what is expected under each side's conditions.
    adjusted: bool,
    comparable: bool,
}

/// All measures that both sides have.
fn lines(before: &[Judged], after: &[Judged], apart: &[String]) -> Vec<Line> {
    let (before, after) = (measures(before), measures(after));
    let both = before.iter().filter_map(|(key, one)| Some((key, one, after.get(key)?)));
    both.filter_map(|((circuit, measure), one, other)| {
        let values = |found: &[&Finding]| pool(&measured(found, |_| Some(0.0)));
        let (pooled_before, pooled_after) = (values(one)?, values(other)?);
        let departures = |found: &[&Finding]| {
            let departures = measured(found, |finding| finding.expected.and_then(middle));
            (departures.len() == found.len()).then(|| pool(&departures)).flatten()
        };
        let means =
            [one, other].map(|found| found.iter().filter_map(|f| f.expected.and_then(middle)));
        let [mut low, mut high] = means;
        // What is expected alike on both sides does not say how the measure follows conditions.
        let follows = !apart.is_empty() && low.next() != high.next();
        let adjusted = departures(one).zip(departures(other)).filter(|_| follows);
        let (from, to) = adjusted.unwrap_or((pooled_before, pooled_after));
        Some(Line {
            measure: measure.clone(),
            circuit: *circuit,
            unit: one.first()?.unit,
            before: pooled_before,
            after: pooled_after,
            difference: difference(&from, &to),
            adjusted: adjusted.is_some(),
            comparable: apart.is_empty() || adjusted.is_some(),
        })
    })
    .collect()
}

/// The middle of what is expected; a limit at one end only has none.
fn middle([low, high]: Limits) -> Option<f64> {
    Some(f64::midpoint(low?, high?))
}

/// The measures of all sets, by circuit and name.
fn measures(sets: &[Judged]) -> BTreeMap<(u8, String), Vec<&Finding>> {
    let mut measures: BTreeMap<_, Vec<&Finding>> = BTreeMap::new();
    for finding in sets.iter().flat_map(|(_, diagnosis)| &diagnosis.findings) {
        if finding.value.is_some() && finding.uncertainty.is_some() {
            measures.entry((finding.circuit, finding.measure.clone())).or_default().push(finding);
        }
    }
    measures
}

/// Values less what `from` gives, of those findings for which it gives something.
fn measured(found: &[&Finding], from: impl Fn(&Finding) -> Option<f64>) -> Vec<Measured> {
    let one = |finding: &&Finding| {
        let value = finding.value? - from(finding)?;
        Some(Measured { value, uncertainty: finding.uncertainty? })
    };
    found.iter().filter_map(one).collect()
}

impl Line {
    fn json(&self) -> Value {
        let side = |side: &Pooled| {
            json!({
                "value": number(side.value),
                "uncertainty": number(side.uncertainty),
                "interval_95": interval_95(side).map(number),
                "sets": side.sets,
            })
        };
        json!({
            "kind": "comparison",
            "measure": self.measure,
            "circuit": self.circuit,
            "unit": self.unit,
            "before": side(&self.before),
            "after": side(&self.after),
            "difference": number(self.difference.value),
            "uncertainty": number(self.difference.uncertainty),
            "interval_95": self.difference.interval_95.map(number),
            "adjusted": self.adjusted,
            "comparable": self.comparable,
            "change": if self.comparable { self.difference.change.word() } else { "cannot_tell" },
        })
    }

    fn verdict(&self) -> &'static str {
        match (self.comparable, self.difference.change) {
            (false, _) => "not comparable",
            (true, Change::Up) => "HIGHER",
            (true, Change::Down) => "LOWER",
            (true, Change::None) => "no change seen",
        }
    }
}

fn write(
    sides: [Side<'_>; 2],
    apart: &[String],
    lines: &[Line],
    units: Units,
    out: &mut dyn Write,
) -> io::Result<()> {
    for (name, side) in ["Before", "After"].into_iter().zip(sides) {
        let sentence = last(side).map(findings::sentence).unwrap_or_default();
        writeln!(out, "{name}, {} settled sets, {}: {sentence}", side.0.len(), stretch(side))?;
    }
    if let Some(words) = newcomer(sides) {
        writeln!(out, "\n{words}")?;
    }
    if !apart.is_empty() {
        writeln!(out, "\nThe conditions differ:")?;
    }
    for words in apart {
        writeln!(out, "  {words}")?;
    }
    writeln!(out, "\n  {:26} {:>16} {:>16} {:>16}", "", "before", "after", "difference")?;
    for line in lines {
        let shape = Shape::of(line.unit, units);
        let half = |[low, high]: [f64; 2]| shape.width((high - low) / 2.0);
        let side =
            |side: &Pooled| format!("{} ± {}", shape.text(side.value), half(interval_95(side)));
        let difference = &line.difference;
        let change =
            format!("{} ± {}", shape.width(difference.value), half(difference.interval_95));
        let (one, other) = (side(&line.before), side(&line.after));
        let circuit = if line.circuit > 1 { format!(" ({})", line.circuit) } else { String::new() };
        let name = format!("{}{circuit}", line.measure.replace('_', " "));
        let star = if line.adjusted { " *" } else { "" };
        let (unit, verdict) = (shape.unit, line.verdict());
        writeln!(out, "  {name:26} {one:>16} {other:>16} {change:>16}{unit}  {verdict}{star}")?;
    }
    if lines.iter().any(|line| line.adjusted) {
        writeln!(out, "\n* less what is expected under each side's conditions.")?;
    }
    if lines.iter().any(|line| !line.comparable) {
        writeln!(out, "\nNot comparable: no source says how it follows what differs.")?;
    }
    writeln!(out, "\n± holds the true value with 95 % probability.")
}
