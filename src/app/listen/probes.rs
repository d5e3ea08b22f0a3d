//! The probes in range, by what was heard of them.

use std::collections::{BTreeMap, VecDeque};
use std::fmt::Write as _;
use std::time::Duration;

use crate::edge::bluetooth::RadioMessage;
use crate::engine::decode::{Field, FieldValue, decode};
use crate::engine::presence::{Presence, Roll, SILENCE_MIN};
use crate::engine::profile::{Profile, Profiles};
use crate::engine::reading::{Payload, Via};
use crate::units::quantity::QuantityKind;
use crate::units::time::Elapsed;

/// Over how long a value's change is shown: long enough to warm a clamp in the hand.
pub(super) const CHANGE_OVER: Duration = Duration::from_secs(30);
/// Least time between two values kept for the change.
const KEEP_EVERY: Duration = Duration::from_millis(500);
/// Two devices are heard beside each other once one is heard so long after the other's first.
const BOTH_WITHIN: Duration = Duration::from_secs(1);
/// Probes kept; in a busy street those with changing addresses would fill the memory.
const PROBES_MAX: usize = 4096;

/// Something that a message told.
#[derive(Debug, Clone, PartialEq)]
pub(super) enum Told {
    Reading {
        probe: String,
        profile: String,
        field: String,
        value: f64,
        unit: String,
        rssi_dbm: Option<i16>,
    },
    /// Bytes that no profile reads, and why.
    Payload {
        probe: String,
        via: Via,
        bytes: Vec<u8>,
        why: String,
        rssi_dbm: Option<i16>,
    },
    Event {
        event: String,
        subject: String,
        detail: String,
    },
}

/// One value of a probe.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Shown {
    /// The last value, in `unit`.
    pub value: f64,
    pub unit: String,
    pub kind: Option<QuantityKind>,
    /// Whether it is a pressure above the atmosphere's.
    pub gauge: bool,
    recent: VecDeque<(Elapsed, f64)>,
}

impl Shown {
    /// The change over the last half minute, in `unit`.
    pub fn change(&self) -> f64 {
        self.recent.front().map_or(0.0, |(_, oldest)| self.value - oldest)
    }

    /// The change in steps of half a kelvin, 2.5 % humidity and so on, so that noise moves nothing.
    pub fn stir(&self) -> f64 {
        let step = match self.kind {
            Some(QuantityKind::Temperature) => 0.5,
            Some(QuantityKind::Humidity) => 0.025,
            Some(QuantityKind::Pressure) => 25_000.0,
            Some(QuantityKind::Battery) | None => return 0.0,
            Some(_) => 5.0,
        };
        (self.change().abs() / step).floor()
    }

    fn take(&mut self, at: Elapsed, value: f64) {
        self.value = value;
        if self.recent.back().is_none_or(|(last, _)| at.since(*last) >= KEEP_EVERY) {
            self.recent.push_back((at, value));
        }
        while self.recent.len() > 1
            && self.recent.front().is_some_and(|(first, _)| at.since(*first) > CHANGE_OVER)
        {
            self.recent.pop_front();
        }
    }
}

/// A probe as last heard.
#[derive(Debug, Clone, Default)]
pub(super) struct Row {
    pub name: Option<String>,
    /// The profile that reads it; none for a probe shown by its bytes.
    pub profile: Option<String>,
    pub values: BTreeMap<String, Shown>,
    pub rssi_dbm: Option<i16>,
    pub last: Option<(Via, Vec<u8>)>,
    /// When it was first heard.
    first: Option<Elapsed>,
    /// Whether another device of its name has been told.
    name_told: bool,
}

impl Row {
    /// How much it changes: that of the value that stirs most.
    pub fn stir(&self) -> f64 {
        self.values.values().map(Shown::stir).fold(0.0, f64::max)
    }
}

/// All probes heard.
pub(super) struct Probes<'a> {
    profiles: &'a Profiles,
    rows: BTreeMap<String, Row>,
    roll: Roll,
    fields: Vec<Field>,
    payloads: u64,
}

impl<'a> Probes<'a> {
    pub fn new(profiles: &'a Profiles) -> Self {
        let (rows, roll, fields) = (BTreeMap::new(), Roll::new(SILENCE_MIN), Vec::new());
        Self { profiles, rows, roll, fields, payloads: 0 }
    }

    pub fn is_empty(&self) -> bool {
        self.rows.is_empty()
    }

    /// Takes a message and says what it told.
    pub fn take(&mut self, now: Elapsed, message: &RadioMessage) -> Vec<Told> {
        if self.rows.len() >= PROBES_MAX {
            (self.rows, self.roll) = (BTreeMap::new(), Roll::new(SILENCE_MIN));
        }
        match message {
            RadioMessage::Heard { probe, name, via, bytes, rssi_dbm } => {
                self.payloads += 1;
                let row = self.rows.entry(probe.clone()).or_default();
                let same = row.last.as_ref().is_some_and(|(v, b)| v == via && b == bytes);
                self.roll.hear(now, probe, !same);
                row.last = Some((*via, bytes.clone()));
                row.rssi_dbm = rssi_dbm.or(row.rssi_dbm);
                if name.is_some() {
                    row.name.clone_from(name);
                }
                let payload = Payload { probe, via: *via, bytes, rssi_dbm: *rssi_dbm };
                let mut told = self.read(now, &payload);
                told.extend(self.name_shared(now, probe));
                told
            }
            RadioMessage::Signal { probe, rssi_dbm } => {
                self.roll.hear(now, probe, false);
                self.rows.entry(probe.clone()).or_default().rssi_dbm = Some(*rssi_dbm);
                Vec::new()
            }
            RadioMessage::Named { probe, name } => {
                self.rows.entry(probe.clone()).or_default().name = Some(name.clone());
                Vec::new()
            }
            RadioMessage::Event { event, subject, detail } => {
                let (event, subject, detail) = (event.clone(), subject.clone(), detail.clone());
                vec![Told::Event { event, subject, detail }]
            }
        }
    }

    /// Tells, once, that two devices have one name, which a job cannot tell apart by it. One that
    /// changes its address is not heard under both in turn.
    fn name_shared(&mut self, now: Elapsed, probe: &str) -> Option<Told> {
        let row = self.rows.get_mut(probe)?;
        let first = *row.first.get_or_insert(now);
        if row.name.is_none() || row.name_told {
            return None;
        }
        let name = row.name.clone();
        let twin = self.rows.iter().find(|(other, twin)| {
            let heard = self.roll.get(other).map(|presence| presence.heard);
            let after = heard.is_some_and(|heard| heard.since(first) >= BOTH_WITHIN);
            **other != *probe && twin.name == name && !twin.name_told && after
        });
        let twin = twin.map(|(other, _)| other.clone())?;
        for both in [probe, &twin] {
            self.rows.get_mut(both)?.name_told = true;
        }
        let detail = format!(
            "{twin} has the same name, {}; a job tells them apart by their addresses",
            name.unwrap_or_default()
        );
        Some(Told::Event { event: "name-shared".into(), subject: probe.to_owned(), detail })
    }

    /// The rows: those that a profile reads, what stirs most first, and then the others.
    pub fn sorted(&self) -> Vec<(&str, &Row, Option<&Presence>)> {
        let mut rows: Vec<_> = self.rows.iter().collect();
        rows.sort_by(|(a, row_a), (b, row_b)| {
            let known = row_b.profile.is_some().cmp(&row_a.profile.is_some());
            known.then(row_b.stir().total_cmp(&row_a.stir())).then(a.cmp(b))
        });
        rows.into_iter().map(|(probe, row)| (probe.as_str(), row, self.roll.get(probe))).collect()
    }

    /// What was heard in all, for the end.
    pub fn summary(&self) -> String {
        let known = self.rows.values().filter(|row| row.profile.is_some()).count();
        let others = self.rows.len() - known;
        let mut text = String::new();
        // Writing to a String cannot fail.
        let _ = writeln!(
            text,
            "{} payloads from {known} probes with a profile and {others} without.",
            self.payloads
        );
        text
    }

    fn read(&mut self, now: Elapsed, payload: &Payload<'_>) -> Vec<Told> {
        let (probe, via, bytes) = (payload.probe.to_owned(), payload.via, payload.bytes.to_vec());
        let rssi_dbm = payload.rssi_dbm;
        let Some(row) = self.rows.get_mut(payload.probe) else { return Vec::new() };
        let unread = |why: &str| {
            let why = why.to_owned();
            vec![Told::Payload { probe: probe.clone(), via, bytes: bytes.clone(), why, rssi_dbm }]
        };
        let Some(id) = self.profiles.match_payload(payload, row.name.as_deref()) else {
            return unread("no profile fits");
        };
        let profile = self.profiles.get(id);
        row.profile = Some(profile.name().to_owned());
        self.fields.clear();
        if decode(profile, via, payload.bytes, &mut self.fields).is_err() {
            return unread("a profile fits, but the bytes are not as it says");
        }
        let fields = &self.fields;
        fields
            .iter()
            .filter_map(|field| reading(now, row, profile, field, &probe, rssi_dbm))
            .collect()
    }
}

fn reading(
    now: Elapsed,
    row: &mut Row,
    profile: &Profile,
    field: &Field,
    probe: &str,
    rssi_dbm: Option<i16>,
) -> Option<Told> {
    let FieldValue::Number(value) = field.value else { return None };
    let info = profile.fields().get(usize::from(field.index))?;
    let name = info.numbered(field.repeat).into_owned();
    // SI where the field has a kind; otherwise the format's own unit.
    let unit = info.kind.map_or(info.unit.clone(), |kind| kind.unit().to_owned());
    let shown = row.values.entry(name.clone()).or_insert_with(|| Shown {
        value,
        unit: unit.clone(),
        kind: info.kind,
        gauge: info.gauge == Some(true),
        recent: VecDeque::new(),
    });
    shown.take(now, value);
    let (probe, profile) = (probe.to_owned(), profile.name().to_owned());
    Some(Told::Reading { probe, profile, field: name, value, unit, rssi_dbm })
}
