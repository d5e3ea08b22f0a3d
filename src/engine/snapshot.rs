//! What a screen shows: the session as it is at one moment.

use std::time::Duration;

use crate::engine::channel::Channel;
use crate::engine::diagnose::finding::Diagnosis;
use crate::engine::progress::{ChannelProgress, Progress};
use crate::engine::reading::{Sample, State};
use crate::units::time::Elapsed;

/// The session as it is now.
#[derive(Debug, Clone, PartialEq)]
pub struct Snapshot {
    /// Now.
    pub at: Elapsed,
    /// What the unit is doing.
    pub state: State,
    /// How long the compressor has run; `None` where it rests or nobody knows.
    pub run: Option<Duration>,
    /// The probes: the job's first.
    pub probes: Vec<ProbeStatus>,
    /// The channels, by their ids.
    pub channels: Vec<ChannelStatus>,
    /// How far all of it is from settled.
    pub progress: Progress,
    /// What the stretch that holds now says, or else the last settled set.
    pub diagnosis: Option<Diagnosis>,
    /// What was counted.
    pub counts: Counts,
}

/// One probe.
#[derive(Debug, Clone, PartialEq)]
pub struct ProbeStatus {
    /// Its address, or what the job calls it while it has not been heard.
    pub address: String,
    /// Its name, where it told one.
    pub name: Option<String>,
    /// Where the job puts it.
    pub places: Vec<String>,
    /// Whether the job names it.
    pub awaited: bool,
    /// Time since it was last heard; `None` where it never was.
    pub silent: Option<Duration>,
    /// Whether it counts as lost.
    pub lost: bool,
    /// Mean time between its payloads (s).
    pub interval_s: Option<f64>,
    /// What is left in its battery (fraction).
    pub battery: Option<f64>,
    /// Signal strength (dBm).
    pub rssi_dbm: Option<i16>,
}

/// One channel.
#[derive(Debug, Clone, PartialEq)]
pub struct ChannelStatus {
    /// Its place and kind.
    pub channel: Channel,
    /// Its level and rate; `None` where nothing is known now.
    pub sample: Option<Sample>,
    /// How far it is from settled.
    pub progress: Option<ChannelProgress>,
    /// How long its probe has been silent, where it is lost.
    pub silent: Option<Duration>,
}

/// What was counted since the session began.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Counts {
    /// Payloads heard, typed and imported values included.
    pub payloads: u64,
    /// Readings made.
    pub readings: u64,
    /// Payloads and values refused.
    pub refused: u64,
    /// Payloads dropped because their sequence number had been seen.
    pub repeated: u64,
    /// Runs ended.
    pub cycles: u64,
    /// Settled sets taken.
    pub settled_sets: u64,
}
