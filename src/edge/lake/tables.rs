//! Writes the tables of one session from what the engine says of its record.
//!
//! They are made in a folder of this machine: the engine waits for no network, and what goes into
//! the lake is whole before its first byte does. The counterpart of [`crate::edge::derived`].

use std::path::Path;

use jiff::tz::TimeZone;

use crate::edge::clock::Utc;
use crate::edge::lake::layout::Identity;
use crate::edge::lake::levels::Levels;
use crate::edge::lake::table::{TableError, TableFile, Written};
use crate::edge::times::Times;
use crate::engine::diagnose::finding::Diagnosis;
use crate::engine::lake::{self, ProbeFacts, Visit};
use crate::engine::output::Output;
use crate::engine::reading::{Cycle, SettledSet};
use crate::engine::session::Session;
use crate::units::time::Elapsed;

/// The words in the footer of `sessions` that name the other files of a session by their digests.
const FILES: &str = "settled.files";

/// The tables of a session while they are written.
pub struct Tables {
    zone: TimeZone,
    times: Times,
    /// The last settled set: its number and end.
    set: Option<(u32, Elapsed)>,
    probes: TableFile,
    readings: Levels,
    moments: TableFile,
    cycles: TableFile,
    sets: TableFile,
    findings: TableFile,
    suspects: TableFile,
    events: TableFile,
    sessions: TableFile,
}

impl Tables {
    /// Begins all tables in `folder`.
    ///
    /// # Errors
    /// Where the disk says no.
    pub fn create(folder: &Path, session: &Identity, zone: TimeZone) -> Result<Self, TableError> {
        let begin = |table| TableFile::create(folder, table, session);
        Ok(Self {
            zone,
            times: Times::default(),
            set: None,
            probes: begin(lake::PROBES)?,
            readings: Levels::create(folder, session)?,
            moments: begin(lake::MOMENTS)?,
            cycles: begin(lake::CYCLES)?,
            sets: begin(lake::SETS)?,
            findings: begin(lake::FINDINGS)?,
            suspects: begin(lake::SUSPECTS)?,
            events: begin(lake::EVENTS)?,
            sessions: begin(lake::SESSIONS)?,
        })
    }

    /// A row of the record was at `at` and bears `label`. Call it before the row's outputs are
    /// taken, for every row, in order.
    pub fn label(&mut self, at: Elapsed, label: Option<Utc>) {
        self.times.row(at, label);
    }

    /// Takes what `session` says, which has heard nothing since it said so.
    ///
    /// # Errors
    /// Where the disk says no.
    pub fn take(&mut self, output: &Output, session: &Session) -> Result<(), TableError> {
        match output {
            Output::Channel(new) => {
                self.readings.channel(new);
                Ok(())
            }
            Output::Moment(moment) => {
                let utc_ms = self.utc_ms(moment.at);
                self.moments.row(&lake::moment_row(moment, utc_ms))?;
                self.readings.moment(moment, utc_ms, session)
            }
            Output::Cycle(cycle) => self.cycle(cycle),
            Output::SettledSet(set) => self.set(set),
            Output::Diagnosis(diagnosis) => self.diagnosis(diagnosis),
            Output::Event(event) => {
                let utc_ms = self.utc_ms(event.at);
                self.events.row(&lake::event_row(event, utc_ms))
            }
            Output::Reading(_) | Output::Refused { .. } => Ok(()),
        }
    }

    /// Ends all tables with what is known of the session as a whole; in the order in which they
    /// go into the lake.
    ///
    /// # Errors
    /// Where the disk says no.
    pub fn finish(
        mut self,
        visit: &Visit<'_>,
        probes: &[ProbeFacts],
    ) -> Result<Vec<Written>, TableError> {
        for probe in probes {
            self.probes.row(&lake::probe_row(probe))?;
        }
        let mut written = vec![self.probes.finish(None)?, self.readings.finish()?];
        for table in
            [self.moments, self.cycles, self.sets, self.findings, self.suspects, self.events]
        {
            written.push(table.finish(None)?);
        }
        // So the file that says that the session is there says of what it is made, too.
        let digests = written.iter().map(|file| format!("{}={}", file.table, file.sha256));
        let digests = digests.collect::<Vec<_>>().join(" ");
        self.sessions.row(&lake::session_row(visit))?;
        written.push(self.sessions.finish(Some((FILES, digests)))?);
        Ok(written)
    }

    fn utc_ms(&self, at: Elapsed) -> Option<i64> {
        self.times.at(at).map(Utc::as_ms)
    }

    fn cycle(&mut self, cycle: &Cycle) -> Result<(), TableError> {
        let start = cycle.start.and_then(|at| self.utc_ms(at));
        let began = cycle.start.or(cycle.stop);
        let night = began.and_then(|at| self.times.is_night(at, &self.zone));
        self.cycles.row(&lake::cycle_row(cycle, start, night))
    }

    fn set(&mut self, set: &SettledSet) -> Result<(), TableError> {
        self.set = Some((set.number, set.to));
        let utc_ms = self.utc_ms(set.to);
        set.values.iter().try_for_each(|value| self.sets.row(&lake::set_row(set, value, utc_ms)))
    }

    fn diagnosis(&mut self, diagnosis: &Diagnosis) -> Result<(), TableError> {
        let number = diagnosis.set;
        for finding in &diagnosis.findings {
            let utc_ms = self.utc_ms(finding.to);
            self.findings.row(&lake::finding_row(number, finding, utc_ms))?;
        }
        let of = self.set.filter(|(set, _)| *set == number);
        let utc_ms = of.and_then(|(_, end)| self.utc_ms(end));
        for (place, suspect) in diagnosis.suspects.iter().enumerate() {
            let likelier = &diagnosis.suspects[..place];
            let before = likelier.iter().filter(|other| other.circuit == suspect.circuit).count();
            let row = lake::suspect_row(number, before as u32 + 1, suspect, utc_ms);
            self.suspects.row(&row)?;
        }
        Ok(())
    }
}
