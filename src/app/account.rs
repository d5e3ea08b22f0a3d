//! What a record tells when it is heard once more: the findings, the night, the probes, and lines
//! thin enough for a picture. A report and its pictures are made from it.

use std::path::Path;

use crate::app::exit::Failure;
use crate::app::job::JobFile;
use crate::app::night::Night;
use crate::app::picture::thin::Thin;
use crate::app::profile;
use crate::app::replay::Recorded;
use crate::edge::folder::Folder;
use crate::engine::diagnose::diagram::{Diagram, Missing, diagram};
use crate::engine::diagnose::finding::Diagnosis;
use crate::engine::output::{Moment, NewChannel, Output};
use crate::engine::reading::{Reading, SettledSet, State};
use crate::engine::session::Session;
use crate::engine::snapshot::{Counts, ProbeStatus};
use crate::units::time::Elapsed;

/// Rows between two words on how far it is.
const ROWS_A_WORD: u64 = 100_000;

/// What a record tells.
pub struct Account {
    /// The session's folder as it was named.
    pub folder: String,
    /// The program that recorded it.
    pub program: String,
    /// The profiles it was decoded with, each with its digest.
    pub profiles: Vec<(String, String)>,
    /// The job as run, or as given in its place.
    pub file: JobFile,
    /// The runs, marks and trends.
    pub night: Night,
    /// The channels by their ids, each with its probe's address.
    pub channels: Vec<(NewChannel, Option<String>)>,
    /// The probes as they stood at the end.
    pub probes: Vec<ProbeStatus>,
    /// The last settled set with what it says.
    pub last: Option<(SettledSet, Diagnosis)>,
    /// Its way round the circuit on pressure and enthalpy, or what that lacks.
    pub diagram: Result<Diagram, Missing>,
    /// All of the visit, a line a channel.
    pub visit: Trace,
    /// The run of the last settled set; else the last run that was heard.
    pub run: Option<Trace>,
    /// What was counted.
    pub counts: Counts,
    /// Rows of the record, and those of them that could not be read.
    pub rows: (u64, u64),
}

/// Lines over a stretch.
#[derive(Debug, Clone)]
pub struct Trace {
    /// Its beginning.
    pub from: Elapsed,
    /// Its end.
    pub to: Elapsed,
    /// The lines, by the channels' ids (SI).
    pub lines: Vec<Thin>,
    /// The settled stretches in it.
    pub settled: Vec<(Elapsed, Elapsed)>,
}

impl Trace {
    fn new(from: Elapsed) -> Self {
        Self { from, to: from, lines: Vec::new(), settled: Vec::new() }
    }

    /// A value as it was read.
    fn read(&mut self, reading: &Reading) {
        self.line(reading.channel.0.into()).push(reading.at, Some(reading.quantity.get()));
    }

    /// A moment: where nothing is known any more, the line breaks.
    fn take(&mut self, moment: &Moment) {
        self.to = moment.at;
        for (number, _) in moment.levels.iter().enumerate().filter(|(_, level)| level.is_none()) {
            self.line(number).push(moment.at, None);
        }
    }

    fn line(&mut self, number: usize) -> &mut Thin {
        if number >= self.lines.len() {
            self.lines.resize_with(number + 1, || Thin::new(self.from));
        }
        &mut self.lines[number]
    }

    /// A stretch that settled; those of one run follow one another, and the last grows.
    fn settle(&mut self, set: &SettledSet) {
        match self.settled.last_mut() {
            Some(last) if last.1 >= set.from => last.1 = set.to,
            _ => self.settled.push((set.from, set.to)),
        }
    }
}

impl Account {
    /// Hears the record in `path` once more, by `job` in place of its own where one is given.
    /// `progress` is told from time to time how many rows were heard.
    ///
    /// # Errors
    /// A session that cannot be read.
    pub fn of(
        path: &Path,
        job: Option<&Path>,
        progress: &mut dyn FnMut(u64),
    ) -> Result<Self, Failure> {
        let mut recorded = Recorded::open(path, job)?;
        let mut session = Session::new(recorded.file.job.clone(), profile::load(None)?, None);
        let mut heard = Heard::new(&recorded);
        while let Some(row) = recorded.rows.next_row().map_err(Failure::bad_input)? {
            heard.night.row(row.at, row.label);
            session.handle(row.at, row.input);
            heard.listen(&mut session);
            heard.rows += 1;
            if heard.rows.is_multiple_of(ROWS_A_WORD) {
                progress(heard.rows);
            }
        }
        session.finish();
        heard.listen(&mut session);
        Ok(heard.account(path, recorded, &session))
    }
}

/// An account while the record is heard.
struct Heard {
    night: Night,
    set: Option<SettledSet>,
    last: Option<(SettledSet, Diagnosis)>,
    visit: Trace,
    /// The run that is heard, and whether it has settled.
    running: Option<(Trace, bool)>,
    kept: Option<Trace>,
    rows: u64,
}

impl Heard {
    fn new(recorded: &Recorded) -> Self {
        Self {
            night: Night::new(recorded.zone.clone()),
            set: None,
            last: None,
            visit: Trace::new(Elapsed::ZERO),
            running: None,
            kept: None,
            rows: 0,
        }
    }

    fn listen(&mut self, session: &mut Session) {
        while let Some(output) = session.poll() {
            self.night.take(&output);
            match output {
                Output::Moment(moment) => self.moment(&moment),
                Output::Reading(reading) => {
                    self.visit.read(&reading);
                    if let Some((run, _)) = &mut self.running {
                        run.read(&reading);
                    }
                }
                Output::SettledSet(set) => {
                    self.visit.settle(&set);
                    if let Some((run, settled)) = &mut self.running {
                        run.settle(&set);
                        *settled = true;
                    }
                    self.set = Some(*set);
                }
                Output::Diagnosis(diagnosis) => {
                    let set = self.set.take_if(|set| set.number == diagnosis.set);
                    if let Some(set) = set {
                        self.last = Some((set, diagnosis));
                    }
                }
                _ => {}
            }
        }
    }

    fn moment(&mut self, moment: &Moment) {
        self.visit.take(moment);
        let runs = !matches!(moment.state, State::Off | State::FanOnly | State::Unknown);
        match (&mut self.running, runs) {
            (Some((run, _)), true) => run.take(moment),
            (None, true) => {
                let mut run = Trace::new(moment.at);
                run.take(moment);
                self.running = Some((run, false));
            }
            (Some(_), false) => self.keep(),
            (None, false) => {}
        }
    }

    /// The run is over: it is kept where it settled, or where none did before it.
    fn keep(&mut self) {
        let Some((run, settled)) = self.running.take() else { return };
        let before = self.kept.as_ref().is_some_and(|kept| !kept.settled.is_empty());
        if settled || !before {
            self.kept = Some(run);
        }
    }

    fn account(mut self, path: &Path, recorded: Recorded, session: &Session) -> Account {
        self.keep();
        let channels: Vec<(NewChannel, Option<String>)> = session
            .channels()
            .iter()
            .map(|known| {
                let address = known.probe.map(|probe| session.address(probe).to_owned());
                (known.clone(), address)
            })
            .collect();
        let instruments: Vec<_> =
            channels.iter().map(|(known, _)| (known.channel.clone(), known.instrument)).collect();
        let job = &recorded.file.job;
        let diagram = self
            .last
            .as_ref()
            .ok_or("no run settled")
            .and_then(|(set, _)| diagram(job, set, &instruments, 1));
        let (skipped, _) = recorded.rows.skipped();
        let manifest = Folder::open(path).ok().map(|(_, manifest)| manifest);
        let profiles = manifest.iter().flat_map(|manifest| &manifest.profiles);
        Account {
            folder: path.display().to_string(),
            program: manifest.as_ref().map_or(String::new(), |m| m.program.clone()),
            profiles: profiles.map(|p| (p.name.clone(), p.digest.clone())).collect(),
            probes: session.snapshot().probes,
            counts: session.counts(),
            rows: (self.rows, skipped),
            file: recorded.file,
            night: self.night,
            channels,
            last: self.last,
            diagram,
            visit: self.visit,
            run: self.kept,
        }
    }
}
