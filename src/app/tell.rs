//! What a session says, line by line: text for people in a pipe or log, JSON Lines for programs.

use std::io::{self, Write};

use serde_json::{Value, json};

use crate::app::exit::{Exit, Failure};
use crate::app::findings;
use crate::app::visit::Ended;
use crate::app::wording;
use crate::engine::columns::Units;
use crate::engine::diagnose::finding::Diagnosis;
use crate::engine::json;
use crate::engine::output::Output;
use crate::engine::reading::{Cycle, SettledSet, State};
use crate::engine::session::Session;
use crate::engine::snapshot::Counts;
use crate::units::time::Elapsed;

/// Prints outputs as they come.
#[derive(Debug)]
pub struct Teller {
    units: Units,
    json: bool,
    readings: bool,
    lines: bool,
    state: Option<State>,
}

impl Teller {
    /// A teller of JSON Lines, or else of `lines` for people, or of nothing.
    pub fn new(units: Units, json: bool, lines: bool) -> Self {
        Self { units, json, readings: json, lines, state: None }
    }

    /// The same, which does not print each reading.
    #[must_use]
    pub fn without_readings(mut self) -> Self {
        self.readings = false;
        self
    }

    /// Prints what an output says, where it says something new.
    ///
    /// # Errors
    /// When `out` does not take it.
    pub fn tell(
        &mut self,
        session: &Session,
        output: &Output,
        out: &mut dyn Write,
    ) -> io::Result<()> {
        if self.json {
            return self.tell_json(session, output, out);
        }
        if !self.lines {
            return Ok(());
        }
        match output {
            Output::Moment(moment) if self.state != Some(moment.state) => {
                self.state = Some(moment.state);
                line(out, moment.at, &wording::sentence(&session.snapshot(), self.units))
            }
            Output::Cycle(cycle) => line(out, cycle_at(cycle), &cycle_words(cycle)),
            Output::SettledSet(set) => line(out, set.to, &set_words(set)),
            Output::Diagnosis(diagnosis) => {
                writeln!(out, "{:>8}  {}", "", findings::sentence(diagnosis))
            }
            Output::Event(event) => line(out, event.at, &wording::event(event)),
            _ => Ok(()),
        }
    }

    fn tell_json(&self, session: &Session, output: &Output, out: &mut dyn Write) -> io::Result<()> {
        match output {
            Output::Reading(reading) if self.readings => {
                let channel = &session.channels()[usize::from(reading.channel.0)];
                let probe = channel.probe.map_or("", |probe| session.address(probe));
                writeln!(out, "{}", json::reading(reading, channel, probe))
            }
            Output::Cycle(cycle) => writeln!(out, "{}", json::cycle(cycle)),
            Output::SettledSet(set) => writeln!(out, "{}", json::settled_set(set)),
            Output::Event(event) => writeln!(out, "{}", json::event(event)),
            Output::Diagnosis(diagnosis) => {
                let findings = diagnosis.findings.iter().map(json::finding);
                let mut lines = findings.chain(diagnosis.suspects.iter().map(json::suspect));
                lines.try_for_each(|line| writeln!(out, "{line}"))
            }
            _ => Ok(()),
        }
    }
}

/// `{"kind":"summary",…}`: what was counted.
pub fn summary(counts: Counts) -> Value {
    json!({
        "kind": "summary",
        "payloads": counts.payloads,
        "readings": counts.readings,
        "refused": counts.refused,
        "repeated": counts.repeated,
        "cycles": counts.cycles,
        "settled_sets": counts.settled_sets,
    })
}

/// Says what a visit came to, and how that ends the program.
///
/// # Errors
/// When `out` does not take it.
pub fn finish(
    ended: &Ended,
    last: Option<&Diagnosis>,
    units: Units,
    json: bool,
    out: &mut dyn Write,
) -> Result<Exit, Failure> {
    let written = if json {
        writeln!(out, "{}", summary(ended.session.counts()))
    } else {
        result(ended, last, units, out)
    };
    written.map_err(Failure::world)?;
    Ok(if ended.recorded { Exit::Done } else { Exit::NotRecorded })
}

/// Writes what a visit came to: the last diagnosis, the counts, and where the files are.
fn result(
    ended: &Ended,
    last: Option<&Diagnosis>,
    units: Units,
    out: &mut dyn Write,
) -> io::Result<()> {
    writeln!(out)?;
    match last {
        Some(diagnosis) => findings::write(diagnosis, units, false, out)?,
        None => writeln!(out, "No run settled; nothing can be said of the unit.")?,
    }
    let counts = ended.session.counts();
    writeln!(
        out,
        "\n{} payloads, {} readings, {} runs, {} settled sets. The session is in\n  {}\n\
         received.csv holds all that was heard; readings.csv, cycles.csv, sets.csv, events.csv and\n\
         findings.json are made from it.",
        counts.payloads,
        counts.readings,
        counts.cycles,
        counts.settled_sets,
        ended.folder.display(),
    )?;
    if !ended.recorded {
        writeln!(out, "NOT ALL WAS RECORDED: see events.csv.")?;
    }
    if !ended.derived {
        writeln!(out, "The files beside received.csv are not whole; make them again:")?;
    }
    writeln!(
        out,
        "Try: settled replay {}{}",
        ended.folder.display(),
        if ended.derived { "" } else { " --rebuild" }
    )
}

fn line(out: &mut dyn Write, at: Elapsed, words: &str) -> io::Result<()> {
    writeln!(out, "{:>8}  {}", at.to_string(), words.trim_end())
}

fn cycle_at(cycle: &Cycle) -> Elapsed {
    cycle.next_start.or(cycle.stop).or(cycle.start).unwrap_or(Elapsed::ZERO)
}

fn cycle_words(cycle: &Cycle) -> String {
    let run = match (cycle.start, cycle.stop) {
        (Some(start), Some(stop)) => wording::minutes(stop - start),
        (Some(_), None) => "its end was not heard".to_owned(),
        (None, _) => "its start was not heard".to_owned(),
    };
    let pause = cycle.stop.zip(cycle.next_start).map_or(String::new(), |(stop, next)| {
        format!(", then a pause of {}", wording::minutes(next - stop))
    });
    let settled = if cycle.settled { "settled" } else { "never settled" };
    format!("run {}: {run}{pause}; {settled}", cycle.number)
}

fn set_words(set: &SettledSet) -> String {
    format!(
        "settled set {}: {} channels held still from {} to {}",
        set.number,
        set.values.len(),
        set.from,
        set.to
    )
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The words for a run that was heard to start, stop and start again at these seconds.
    #[track_caller]
    fn check(start: Option<u64>, stop: Option<u64>, next: Option<u64>, expected: &str) {
        let at = |s: Option<u64>| s.map(Elapsed::from_secs);
        let cycle = Cycle {
            number: 3,
            start: at(start),
            stop: at(stop),
            start_uncertainty_s: None,
            stop_uncertainty_s: None,
            next_start: at(next),
            complete: false,
            defrost: false,
            settled: true,
            how: String::new(),
        };
        assert_eq!(cycle_words(&cycle), expected);
    }

    #[test]
    fn what_was_not_heard_of_a_run_is_said() {
        check(Some(0), Some(1_200), Some(1_800), "run 3: 20 min, then a pause of 10 min; settled");
        check(Some(0), Some(1_200), None, "run 3: 20 min; settled");
        check(Some(0), None, None, "run 3: its end was not heard; settled");
        check(
            None,
            Some(60),
            Some(400),
            "run 3: its start was not heard, then a pause of 5 min; settled",
        );
    }
}
