//! All that a session can ask for or tell.

use std::sync::Arc;

use crate::engine::channel::Channel;
use crate::engine::diagnose::derive::Layout;
use crate::engine::diagnose::finding::Diagnosis;
use crate::engine::reading::{ChannelId, Cycle, Instrument, ProbeId, Reading, SettledSet, State};
use crate::units::time::Elapsed;

/// One thing that the session says. Its times never depend on when a tick came.
#[derive(Debug, Clone, PartialEq)]
pub enum Output {
    /// A channel is known from now on; ids count up from 0 without gaps.
    Channel(Box<NewChannel>),
    /// A payload gave a reading.
    Reading(Reading),
    /// A payload was heard and gave nothing, and why.
    Refused {
        /// When.
        at: Elapsed,
        /// The probe's address.
        probe: String,
        /// Why, in words.
        reason: String,
    },
    /// A moment of the grid: one row of `readings.csv`.
    Moment(Box<Moment>),
    /// A run and the pause after it are over, or as over as they will be.
    Cycle(Box<Cycle>),
    /// All channels held still.
    SettledSet(Box<SettledSet>),
    /// What a settled set says.
    Diagnosis(Diagnosis),
    /// Something for `events.csv`.
    Event(Box<Event>),
}

/// A channel that has become known.
#[derive(Debug, Clone, PartialEq)]
pub struct NewChannel {
    /// Its number.
    pub id: ChannelId,
    /// Its place and kind.
    pub channel: Channel,
    /// The probe that it comes from; `None` for typed and imported values.
    pub probe: Option<ProbeId>,
    /// The name of the probe's field.
    pub field: String,
    /// What is known of the probe.
    pub instrument: Instrument,
}

/// What is known at one moment of the grid.
#[derive(Debug, Clone, PartialEq)]
pub struct Moment {
    /// The moment.
    pub at: Elapsed,
    /// What the unit is doing.
    pub state: State,
    /// The smoothed level of each channel by its id (SI); `None` where nothing is known now.
    pub levels: Vec<Option<f64>>,
    /// What follows from which of them.
    pub layout: Arc<Layout>,
}

impl Moment {
    /// What follows from the levels, each at its place in [`Derived::ALL`] (SI). It is worked out
    /// here, by who wants to know.
    pub fn derived(&self) -> [Option<f64>; Derived::ALL.len()] {
        self.layout.derive(&self.levels)
    }
}

/// A measure that is worth a column beside the channels.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Derived {
    /// Return (or mixed) air minus supply air (K).
    EvaporatorSplit,
    /// Air leaving minus air entering the condenser (K).
    CondenserSplit,
    /// Suction line over dew at the suction pressure (K).
    Superheat,
    /// Bubble at the liquid pressure over the liquid line (K).
    Subcooling,
    /// Liquid line over outdoor air (K).
    Approach,
    /// Wet bulb of return air (°C).
    ReturnAirWetBulb,
    /// Wet bulb of supply air (°C).
    SupplyAirWetBulb,
}

impl Derived {
    /// All of them, in the order of their columns.
    pub const ALL: [Self; 7] = [
        Self::EvaporatorSplit,
        Self::CondenserSplit,
        Self::Superheat,
        Self::Subcooling,
        Self::Approach,
        Self::ReturnAirWetBulb,
        Self::SupplyAirWetBulb,
    ];

    /// The word in columns and JSON, without the unit.
    pub const fn word(self) -> &'static str {
        match self {
            Self::EvaporatorSplit => "evaporator_split",
            Self::CondenserSplit => "condenser_split",
            Self::Superheat => "superheat",
            Self::Subcooling => "subcooling",
            Self::Approach => "approach",
            Self::ReturnAirWetBulb => "return_air_wet_bulb",
            Self::SupplyAirWetBulb => "supply_air_wet_bulb",
        }
    }

    /// Whether it is a temperature (°C) and not a difference (K).
    pub const fn is_temperature(self) -> bool {
        matches!(self, Self::ReturnAirWetBulb | Self::SupplyAirWetBulb)
    }
}

/// A row of `events.csv`.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Event {
    /// When.
    pub at: Elapsed,
    /// The event's name in snake_case: `probe_lost`.
    pub event: String,
    /// What it is about.
    pub subject: String,
    /// The rest, in words.
    pub detail: String,
}
