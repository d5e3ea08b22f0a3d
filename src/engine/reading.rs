//! The types that flow: `Payload -> Reading -> Sample -> SettledSet -> Finding`.
//!
//! Plain data, each made only from the one before. None derives `Serialize`: every file and page
//! has a small format of its own.

use crate::engine::channel::Channel;
use crate::units::quantity::Quantity;
use crate::units::time::Elapsed;

/// The way a probe's bytes came.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Via {
    /// Manufacturer data of an advertisement, under this company id.
    Manufacturer(u16),
    /// Service data of an advertisement, under this UUID (128 bit).
    Service(u128),
    /// Service data that came encrypted and has been opened; the counter that came with it.
    ServiceOpened(u128, u32),
    /// A characteristic of a connected probe, read or notified.
    Characteristic(u128),
}

/// Bytes that a probe sent.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Payload<'a> {
    /// The probe's address as the system tells it (upper case, colons).
    pub probe: &'a str,
    /// The way it came.
    pub via: Via,
    /// The bytes, without company id or UUID.
    pub bytes: &'a [u8],
    /// Signal strength (dBm), where known.
    pub rssi_dbm: Option<i16>,
}

/// A channel's number within one session.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct ChannelId(pub u16);

/// A probe's number within one session.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct ProbeId(pub u16);

/// What is known of a channel's probe before it is read.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Instrument {
    /// Half-width of the stated accuracy (SI), taken as rectangular.
    pub accuracy: f64,
    /// Smallest step of the value (SI); 0 where not known.
    pub resolution: f64,
    /// First-order time constant (s), where the profile states it.
    pub time_constant_s: Option<f64>,
}

/// One decoded value.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Reading {
    /// When the payload came.
    pub at: Elapsed,
    /// The channel.
    pub channel: ChannelId,
    /// The value, in SI, offset applied.
    pub quantity: Quantity,
}

/// One smoothed value: level and rate with what is not known of them.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Sample {
    /// The moment that it is true for.
    pub at: Elapsed,
    /// The channel.
    pub channel: ChannelId,
    /// The level (SI).
    pub level: f64,
    /// Standard uncertainty of the level, from scatter alone (SI).
    pub level_uncertainty: f64,
    /// The rate of change (SI per second).
    pub rate: f64,
    /// Standard uncertainty of the rate (SI per second); infinite where a level alone is followed.
    pub rate_uncertainty: f64,
    /// Robust scatter of the readings around the level (SI).
    pub spread: f64,
}

/// What the unit is doing.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum State {
    /// The data do not say.
    Unknown,
    /// The compressor rests, and so does the indoor fan as far as is known.
    Off,
    /// The indoor fan runs and the compressor does not.
    FanOnly,
    /// The compressor has run for too short a time to judge anything.
    Starting,
    /// The compressor runs and something still drifts.
    Settling,
    /// All channels that matter hold still.
    Settled,
    /// The readings swing slowly around a level that holds.
    Hunting,
    /// A heat pump melts the frost off its outdoor coil.
    Defrost,
}

impl State {
    /// The word in `readings.csv`.
    pub const fn word(self) -> &'static str {
        match self {
            Self::Unknown => "unknown",
            Self::Off => "off",
            Self::FanOnly => "fan-only",
            Self::Starting => "starting",
            Self::Settling => "settling",
            Self::Settled => "settled",
            Self::Hunting => "hunting",
            Self::Defrost => "defrost",
        }
    }
}

/// One channel's value in a settled set.
#[derive(Debug, Clone, PartialEq)]
pub struct SettledValue {
    /// The channel.
    pub channel: Channel,
    /// The mean over the set (SI).
    pub quantity: Quantity,
    /// Standard deviation of the readings over the set (SI).
    pub spread: f64,
    /// Standard uncertainty of the mean, probe accuracy and offset included (SI).
    pub uncertainty: f64,
    /// The probe it came from; two values of one probe share its error.
    pub probe: Option<ProbeId>,
}

/// All channels, over a stretch in which they held still.
#[derive(Debug, Clone, PartialEq)]
pub struct SettledSet {
    /// Number within the session, from 1.
    pub number: u32,
    /// The run that it belongs to, from 1; `None` for typed values.
    pub cycle: Option<u32>,
    /// Start of the stretch.
    pub from: Elapsed,
    /// End of the stretch.
    pub to: Elapsed,
    /// How long the compressor had run at `to` (s), where known.
    pub run_s: Option<f64>,
    /// A value for each channel.
    pub values: Vec<SettledValue>,
}

impl SettledSet {
    /// The value of `channel`, where the set has it.
    pub fn value(&self, channel: &Channel) -> Option<&SettledValue> {
        self.values.iter().find(|value| value.channel == *channel)
    }
}

/// A run of the compressor and the pause after it.
#[derive(Debug, Clone, PartialEq)]
pub struct Cycle {
    /// Number within the session, from 1.
    pub number: u32,
    /// When the compressor started; `None` where it ran before anyone listened, or nobody heard.
    pub start: Option<Elapsed>,
    /// When it stopped; `None` while it runs, or where nobody heard.
    pub stop: Option<Elapsed>,
    /// Standard uncertainty of the start (s).
    pub start_uncertainty_s: Option<f64>,
    /// Standard uncertainty of the stop (s).
    pub stop_uncertainty_s: Option<f64>,
    /// When the next run started, which ends the pause.
    pub next_start: Option<Elapsed>,
    /// Whether start, stop and next start were all heard.
    pub complete: bool,
    /// Whether the unit defrosted in this run.
    pub defrost: bool,
    /// Whether a settled set was taken in it.
    pub settled: bool,
    /// How start and stop were told, in words: `outdoor-unit.current`, `discharge-line, supply-air`.
    pub how: String,
}

impl Cycle {
    /// How long the compressor ran (s), where start and stop are known.
    pub fn run_s(&self) -> Option<f64> {
        between_s(self.start, self.stop)
    }

    /// How long it then paused (s), where that is known.
    pub fn pause_s(&self) -> Option<f64> {
        between_s(self.stop, self.next_start)
    }
}

fn between_s(from: Option<Elapsed>, to: Option<Elapsed>) -> Option<f64> {
    from.zip(to).map(|(from, to)| (to - from).as_secs_f64())
}

/// How a measured value stands to what is expected.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Verdict {
    /// The whole interval lies within the limits.
    Within,
    /// The whole interval lies below the lower limit.
    Low,
    /// The whole interval lies above the upper limit.
    High,
    /// The interval contains a limit.
    CannotTell,
    /// Nothing is expected.
    None,
}

impl Verdict {
    /// The word in JSON.
    pub const fn word(self) -> &'static str {
        match self {
            Self::Within => "within",
            Self::Low => "low",
            Self::High => "high",
            Self::CannotTell => "cannot_tell",
            Self::None => "none",
        }
    }
}
