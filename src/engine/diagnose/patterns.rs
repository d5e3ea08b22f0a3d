//! How faults show: the published directions, and the sizes computed for a wide family of units.

use crate::engine::diagnose::finding::Fault;
use crate::engine::diagnose::pattern_tables;
use crate::engine::job::Metering;

/// Number of levels of severity that a fault is computed at.
pub const LEVELS: usize = 4;

/// Number of features.
pub const FEATURES: usize = 7;

/// What the patterns speak of, each a temperature (°C) or a difference (K).
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Feature {
    /// Evaporating temperature.
    Evaporating,
    /// Condensing temperature, as the high-side pressure tells it.
    Condensing,
    /// Suction line at the compressor.
    SuctionLine,
    /// Liquid line leaving the condenser.
    LiquidLine,
    /// Discharge line.
    DischargeLine,
    /// Rise of the outdoor air through the condenser.
    CondenserSplit,
    /// Drop of the indoor air over the evaporator.
    EvaporatorSplit,
}

/// Lower triangle of a symmetric matrix, row by row (K²).
pub type Triangle = [f64; FEATURES * (FEATURES + 1) / 2];

/// One level of severity of one fault.
#[derive(Debug, Clone, PartialEq)]
pub struct Level {
    /// For each feature, its shift against a unit in good order (K): constant, and slopes with
    /// return dry bulb, return wet bulb and outdoor air, each scaled as in [`place`].
    pub shift: [[f64; 4]; FEATURES],
    /// How far units of this family differ from that.
    pub spread: Triangle,
    /// How far one unit differs from that, against its own visit in good order.
    pub spread_against_own: Triangle,
}

/// The patterns of one metering device.
#[derive(Debug, Clone, PartialEq)]
pub struct Table {
    /// For each feature, what a unit in good order shows: coefficients of [`basis`].
    pub mean: [[f64; 10]; FEATURES],
    /// How far units in good order differ from that.
    pub none: Triangle,
    /// How far one unit in good order differs from that, between two visits.
    pub none_against_own: Triangle,
    /// The levels of each fault, mild first, in the order of [`Fault::ALL`] without `None`.
    pub levels: [[Level; LEVELS]; 7],
}

impl Table {
    /// The patterns for this metering device; an electronic valve is taken as a thermostatic one.
    pub const fn of(metering: Metering) -> &'static Self {
        match metering {
            Metering::FixedOrifice => &pattern_tables::FIXED_ORIFICE,
            Metering::Txv | Metering::Eev => &pattern_tables::TXV,
        }
    }
}

/// The weather that a unit is judged in: return dry and wet bulb, outdoor air (°C).
pub type Weather = [f64; 3];

/// The weather that the patterns were computed for: limits of each (°C).
pub const WEATHER: [(f64, f64); 3] = [(20.0, 29.0), (11.0, 26.0), (19.0, 44.0)];

/// The weather on the scale of the patterns.
pub fn place(weather: Weather) -> [f64; 3] {
    [(weather[0] - 25.0) / 3.0, (weather[1] - 18.0) / 3.0, (weather[2] - 33.0) / 6.0]
}

/// What [`place`] divides by (K).
pub const SCALE: [f64; 3] = [3.0, 3.0, 6.0];

/// The terms of the regression for units in good order.
pub fn basis(weather: Weather) -> [f64; 10] {
    let [a, b, o] = place(weather);
    [1.0, a, b, o, a * a, b * b, o * o, a * b, a * o, b * o]
}

/// How well a row of directions is known.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Standing {
    /// Read in the source.
    Read,
    /// Read in a practitioner's list; low authority.
    Practitioner,
    /// Recalled, not read.
    FromMemory,
}

impl Standing {
    /// In words, for people.
    pub const fn words(self) -> &'static str {
        match self {
            Self::Read => "direction published",
            Self::Practitioner => "direction from a practitioners' list",
            Self::FromMemory => "direction from memory",
        }
    }
}

/// The direction in which a fault moves what technicians look at.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Direction {
    /// It falls.
    Down,
    /// It stays, or barely moves.
    Still,
    /// It rises.
    Up,
    /// Sources contradict each other.
    Disputed,
    /// No source says.
    Unsaid,
}

/// What a technician looks at, in the order of a [`Signature`]'s columns.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Sign {
    /// Evaporating temperature.
    Evaporating,
    /// Superheat at the compressor.
    Superheat,
    /// Condensing temperature.
    Condensing,
    /// Subcooling, as it appears from the high-side pressure.
    Subcooling,
    /// Discharge temperature.
    Discharge,
    /// Rise of the outdoor air.
    CondenserSplit,
    /// Drop of the indoor air.
    EvaporatorSplit,
}

impl Sign {
    /// All, in the order of a [`Signature`]'s columns.
    pub const ALL: [Self; 7] = [
        Self::Evaporating,
        Self::Superheat,
        Self::Condensing,
        Self::Subcooling,
        Self::Discharge,
        Self::CondenserSplit,
        Self::EvaporatorSplit,
    ];

    /// As a sum of features: each with its sign.
    pub const fn features(self) -> [(Feature, f64); 2] {
        match self {
            Self::Evaporating => [(Feature::Evaporating, 1.0), (Feature::Evaporating, 0.0)],
            Self::Superheat => [(Feature::SuctionLine, 1.0), (Feature::Evaporating, -1.0)],
            Self::Condensing => [(Feature::Condensing, 1.0), (Feature::Condensing, 0.0)],
            Self::Subcooling => [(Feature::Condensing, 1.0), (Feature::LiquidLine, -1.0)],
            Self::Discharge => [(Feature::DischargeLine, 1.0), (Feature::DischargeLine, 0.0)],
            Self::CondenserSplit => {
                [(Feature::CondenserSplit, 1.0), (Feature::CondenserSplit, 0.0)]
            }
            Self::EvaporatorSplit => {
                [(Feature::EvaporatorSplit, 1.0), (Feature::EvaporatorSplit, 0.0)]
            }
        }
    }
}

/// One fault's directions on one metering device.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Signature {
    /// The fault.
    pub fault: Fault,
    /// A direction for each of [`Sign::ALL`].
    pub directions: [Direction; 7],
    /// How well it is known.
    pub standing: Standing,
    /// Where it stands.
    pub source: &'static str,
}

use Direction::{Disputed as X, Down as D, Still as S, Unsaid as N, Up as U};

/// Address of Rossi & Braun's table as reprinted in a field report.
const ROSSI_BRAUN: &str = "Rossi & Braun 1997, reprinted at \
    yumpu.com/en/document/view/28133799/fault-detection-and-diagnostics-for-rooftop-air-conditioners/213";
/// Practitioners' list.
const PRACTITIONERS: &str = "refrigeration-engineer.com/forums/entry.php?355";
/// What the rows from memory go back to.
const MEMORY: &str = "recalled from the NIST SP 1087 / Kim, Payne & Domanski work and Chen & Braun \
    2001; not read";

/// Directions on a fixed orifice.
///
/// Disputed: leaking valves' superheat (a trade article has it rise, as it lets the room warm up)
/// and subcooling (one practitioners' list has it rise).
pub const FIXED_ORIFICE: [Signature; 7] = [
    row(Fault::LowCharge, [D, U, D, D, U, D, D], Standing::Read, ROSSI_BRAUN),
    row(Fault::OverCharge, [N, D, N, U, N, N, N], Standing::Practitioner, PRACTITIONERS),
    row(Fault::LowIndoorAirflow, [D, D, D, D, D, D, U], Standing::Read, ROSSI_BRAUN),
    row(Fault::CondenserFouling, [U, D, U, D, U, U, D], Standing::Read, ROSSI_BRAUN),
    row(Fault::LiquidLineRestriction, [D, U, D, U, U, D, D], Standing::Read, ROSSI_BRAUN),
    row(Fault::CompressorValveLeakage, [U, X, D, X, D, D, D], Standing::Read, ROSSI_BRAUN),
    row(
        Fault::NonCondensables,
        [N, D, N, U, N, N, N],
        Standing::Practitioner,
        "iheatcool.com/how-to-diognose-non-condensables; subcooling as it appears from pressure",
    ),
];

/// Directions on a thermostatic valve.
///
/// A restriction's row is of one that the valve cannot make up for; the two splits in it are from
/// memory. Disputed: leaking valves' discharge temperature was computed to fall where memory has it
/// rise.
pub const TXV: [Signature; 7] = [
    row(Fault::LowCharge, [X, X, D, D, X, D, X], Standing::FromMemory, MEMORY),
    row(Fault::OverCharge, [S, S, U, U, U, S, S], Standing::Read, "achrnews.com/articles/143822"),
    row(Fault::LowIndoorAirflow, [D, S, D, S, S, D, U], Standing::FromMemory, MEMORY),
    row(
        Fault::CondenserFouling,
        [S, S, U, S, U, U, S],
        Standing::Read,
        "achrnews.com/articles/91887",
    ),
    row(
        Fault::LiquidLineRestriction,
        [D, U, D, U, U, D, D],
        Standing::Read,
        "achrnews.com/articles/86873 (with a receiver)",
    ),
    row(Fault::CompressorValveLeakage, [U, S, D, S, X, D, D], Standing::FromMemory, MEMORY),
    row(Fault::NonCondensables, [S, S, U, U, U, S, S], Standing::FromMemory, MEMORY),
];

const fn row(
    fault: Fault,
    directions: [Direction; 7],
    standing: Standing,
    source: &'static str,
) -> Signature {
    Signature { fault, directions, standing, source }
}

/// The published directions for this metering device.
pub const fn signatures(metering: Metering) -> &'static [Signature; 7] {
    match metering {
        Metering::FixedOrifice => &FIXED_ORIFICE,
        Metering::Txv | Metering::Eev => &TXV,
    }
}

/// Prior probability of each of [`Fault::ALL`], before any reading.
///
/// *Assumed*: a unit that somebody looks at is in good order half of the time, and the seven
/// faults are equally common. No survey of faults was read.
pub const PRIOR: [f64; 8] = {
    let each = 0.5 * (1.0 - PRIOR_TWO) / 7.0;
    [0.5, each, each, each, each, each, each, each]
};

/// Share of faulty units that have two faults at once. *Assumed*.
pub const PRIOR_TWO: f64 = 0.1;
