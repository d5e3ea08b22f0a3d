//! What each field of each probe read in a record, whether a job places it or not.

use std::fs::File;
use std::path::Path;

use crate::app::exit::Failure;
use crate::app::job::JobFile;
use crate::app::replay::Recorded;
use crate::edge::rows::Rows;
use crate::engine::channel::Place;
use crate::engine::decode::{self, Field, FieldValue};
use crate::engine::input::Input;
use crate::engine::job::{Job, ProbeRef};
use crate::engine::profile::Profiles;
use crate::engine::reading::{Instrument, Payload};
use crate::units::quantity::QuantityKind;
use crate::units::time::Elapsed;

/// One field of one probe over a record.
#[derive(Debug, Clone, PartialEq)]
pub struct FieldTrace {
    /// The probe's address; for imported values the channel's name.
    pub probe: String,
    /// The name that it told.
    pub name: Option<String>,
    /// The field's name in its profile.
    pub field: String,
    /// What it measures.
    pub kind: QuantityKind,
    /// Whether it is a pressure over the air's.
    pub gauge: bool,
    /// What its profile states.
    pub instrument: Instrument,
    /// When, and the value (SI; a gauge's pressure as it was sent).
    pub samples: Vec<(Elapsed, f64)>,
}

impl FieldTrace {
    /// Whether the job means this probe.
    pub fn is_of(&self, which: &ProbeRef) -> bool {
        match which {
            ProbeRef::Address(address) => *address == self.probe,
            ProbeRef::Name(name) => self.name.as_ref() == Some(name),
        }
    }

    /// Where the job places the field.
    pub fn place_in(&self, job: &Job) -> Option<Place> {
        let probe = job.probes.iter().find(|probe| self.is_of(&probe.which))?;
        let own = probe.fields.get(&self.field).and_then(|field| field.place.clone());
        own.or_else(|| probe.place.clone())
    }
}

/// A record's fields, and the job that it was recorded with.
#[derive(Debug)]
pub struct Record {
    /// All fields, in the order in which they were first heard.
    pub fields: Vec<FieldTrace>,
    /// The job, where the record is a session's.
    pub job: Option<JobFile>,
}

/// Reads the session folder or `received.csv` at `path`, from `from` up to `to`.
///
/// # Errors
/// Where it is no record, or cannot be read.
pub fn read(
    path: &Path,
    profiles: &Profiles,
    (from, to): (Option<Elapsed>, Option<Elapsed>),
) -> Result<Record, Failure> {
    let (mut rows, job) = if path.is_dir() {
        let recorded = Recorded::open(path, None)?;
        (recorded.rows, Some(recorded.file))
    } else {
        let name = path.display().to_string();
        let file = File::open(path).map_err(|error| {
            Failure::bad_input(format!("cannot read {name}: {error}; give a session's folder"))
        })?;
        (Rows::of_stream(Box::new(file), &name).map_err(Failure::bad_input)?, None)
    };
    let mut reader = Reader::new(profiles, job);
    while let Some(row) = rows.next_row().map_err(Failure::bad_input)? {
        let within = from.is_none_or(|from| row.at >= from) && to.is_none_or(|to| row.at <= to);
        reader.take(row.at, &row.input, within);
    }
    Ok(reader.finish())
}

/// Takes inputs one by one and keeps what each field read.
pub struct Reader<'a> {
    profiles: &'a Profiles,
    record: Record,
    decoded: Vec<Field>,
    /// The name that each probe told last.
    names: Vec<(String, String)>,
}

impl<'a> Reader<'a> {
    /// Nothing heard yet.
    pub fn new(profiles: &'a Profiles, job: Option<JobFile>) -> Self {
        let record = Record { fields: Vec::new(), job };
        Self { profiles, record, decoded: Vec::new(), names: Vec::new() }
    }

    /// All that was heard.
    pub fn finish(self) -> Record {
        let Self { mut record, names, .. } = self;
        for field in &mut record.fields {
            let name = names.iter().find(|(probe, _)| *probe == field.probe);
            field.name = name.map(|(_, name)| name.clone());
        }
        record
    }

    /// Takes an input; values count only where it is `within` what is looked at.
    pub fn take(&mut self, at: Elapsed, input: &Input<'_>, within: bool) {
        match input {
            Input::Payload(payload) if within => self.take_payload(at, payload),
            Input::Named { probe, name } => {
                self.names.retain(|(of, _)| of != probe);
                self.names.push(((*probe).to_owned(), (*name).to_owned()));
            }
            Input::Heard { probe, .. } if within => self.still(at, probe),
            Input::Value { channel, quantity, .. } if within => {
                let exact = Instrument { accuracy: 0.0, resolution: 0.0, time_constant_s: None };
                let of = (channel.place.to_string(), channel.kind.word().to_owned());
                self.push(of, (channel.kind, false), exact, (at, quantity.get()));
            }
            _ => {}
        }
    }

    fn take_payload(&mut self, at: Elapsed, payload: &Payload<'_>) {
        let name = self.names.iter().find(|(probe, _)| probe == payload.probe);
        let name = name.map(|(_, name)| name.as_str());
        let Some(id) = self.profiles.match_payload(payload, name) else { return };
        let profile = self.profiles.get(id);
        let mut decoded = std::mem::take(&mut self.decoded);
        if decode::decode(profile, payload.via, payload.bytes, &mut decoded).is_ok() {
            for field in &decoded {
                let info = &profile.fields()[usize::from(field.index)];
                if let (FieldValue::Number(value), Some(kind)) = (field.value, info.kind) {
                    let of = (payload.probe.to_owned(), info.numbered(field.repeat).into_owned());
                    let gauge = kind == QuantityKind::Pressure && info.gauge.unwrap_or(true);
                    self.push(of, (kind, gauge), info.instrument(), (at, value));
                }
            }
        }
        self.decoded = decoded;
    }

    /// A probe that sends what it sent before still reads what it read.
    fn still(&mut self, at: Elapsed, probe: &str) {
        for field in self.record.fields.iter_mut().filter(|field| field.probe == probe) {
            if let Some((_, value)) = field.samples.last().copied() {
                field.samples.push((at, value));
            }
        }
    }

    fn push(
        &mut self,
        (probe, field): (String, String),
        (kind, gauge): (QuantityKind, bool),
        instrument: Instrument,
        sample: (Elapsed, f64),
    ) {
        let fields = &mut self.record.fields;
        match fields.iter_mut().find(|of| of.probe == probe && of.field == field) {
            Some(known) => known.samples.push(sample),
            None => fields.push(FieldTrace {
                probe,
                name: None,
                field,
                kind,
                gauge,
                instrument,
                samples: vec![sample],
            }),
        }
    }
}
