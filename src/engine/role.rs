//! What a channel is to the settling and the cycles: how its values compare with kelvins, whether
//! it must hold still, and which way it goes when the compressor starts.

use crate::engine::channel::{Channel, Position};
use crate::engine::job::Mode;
use crate::units::quantity::QuantityKind;

/// A channel's part in deciding.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Role {
    /// How much of the channel's SI unit weighs as much as 1 K.
    pub unit_per_k: f64,
    /// Whether the run is settled only when this channel is.
    pub matters: bool,
    /// Which way it goes when the compressor starts: 1 up, −1 down, 0 not telling.
    pub start_sign: f64,
    /// How much its turn says about the compressor (0 to 3).
    pub weight: f64,
    /// How much later than the compressor it may turn (s): part of the moment's uncertainty.
    pub turn_delay_s: f64,
    /// Whether it tells the compressor by its level: the outdoor unit's current or power.
    pub electric: Option<Electric>,
}

/// What runs on the electricity that a channel measures.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Electric {
    /// The compressor (and the outdoor fan).
    Compressor,
    /// The indoor fan.
    IndoorFan,
}

// A saturated refrigerant's pressure per kelvin. R-410A at 5 °C: 28 kPa/K, at 45 °C: 62 kPa/K;
// R-32, R-454B and R-22 lie within a factor of two (CoolProp 8.0.0, differences of the saturation
// curve). So a pressure that holds within the limit holds its saturation temperature too.
const LOW_SIDE_PA_PER_K: f64 = 28_000.0;
const HIGH_SIDE_PA_PER_K: f64 = 62_000.0;
// At a fixed moisture relative humidity changes by about 6 % of itself a kelvin (the slope of the
// saturation curve near 20 °C), so at 50 % by 0.03. Humidity sensors drift and lag more than
// thermometers, so three times that counts as a kelvin; and no humidity holds up a run.
const HUMIDITY_PER_K: f64 = 0.09;
// The others hold up nothing; the numbers say what is a noticeable change of each.
const STATIC_PRESSURE_PA_PER_K: f64 = 5.0;
const AIRFLOW_M3_PER_S_PER_K: f64 = 0.02;
const CURRENT_A_PER_K: f64 = 0.2;
const POWER_W_PER_K: f64 = 40.0;
const VOLTAGE_V_PER_K: f64 = 2.0;

impl Role {
    /// The part of `channel` in a unit that runs in `mode`.
    pub fn of(channel: &Channel, mode: Mode) -> Self {
        let position = &channel.place.position;
        let (start_sign, weight) = turn(position, channel.kind, mode);
        Self {
            unit_per_k: unit_per_k(position, channel.kind),
            matters: matters(position, channel.kind),
            start_sign,
            weight,
            turn_delay_s: turn_delay_s(position, channel.kind),
            electric: electric(position, channel.kind),
        }
    }
}

fn unit_per_k(position: &Position, kind: QuantityKind) -> f64 {
    match kind {
        QuantityKind::Pressure => match position {
            Position::SuctionLine | Position::SuctionLineIndoor | Position::IndoorCoil => {
                LOW_SIDE_PA_PER_K
            }
            _ => HIGH_SIDE_PA_PER_K,
        },
        QuantityKind::Humidity => HUMIDITY_PER_K,
        QuantityKind::StaticPressure => STATIC_PRESSURE_PA_PER_K,
        QuantityKind::Airflow => AIRFLOW_M3_PER_S_PER_K,
        QuantityKind::Current => CURRENT_A_PER_K,
        QuantityKind::Power => POWER_W_PER_K,
        QuantityKind::Voltage => VOLTAGE_V_PER_K,
        QuantityKind::Battery => 0.01,
        _ => 1.0,
    }
}

/// Lines, coils, both pressures and the air of both coils must hold still. Outdoor air and the
/// room are what the unit stands in, not what it does: they are in the set and hold up nothing.
fn matters(position: &Position, kind: QuantityKind) -> bool {
    let coil = matches!(position, Position::IndoorCoil | Position::OutdoorCoil);
    let air = matches!(
        position,
        Position::ReturnAir
            | Position::MixedAir
            | Position::SupplyAir
            | Position::CondenserLeavingAir
    );
    match kind {
        QuantityKind::Temperature => position.is_line() || coil || air,
        QuantityKind::Pressure => position.is_line() || coil,
        _ => false,
    }
}

fn electric(position: &Position, kind: QuantityKind) -> Option<Electric> {
    match (position, kind) {
        (Position::OutdoorUnit, QuantityKind::Current | QuantityKind::Power) => {
            Some(Electric::Compressor)
        }
        (Position::IndoorUnit, QuantityKind::Current | QuantityKind::Power) => {
            Some(Electric::IndoorFan)
        }
        _ => None,
    }
}

/// Pressures turn with the compressor; a pipe under a clamp and the air of a coil some seconds
/// later, and a duct later still. Common practice, no source; the study of cycles bears it out.
fn turn_delay_s(position: &Position, kind: QuantityKind) -> f64 {
    match (position, kind) {
        (_, QuantityKind::Pressure) => 1.0,
        (Position::SupplyAir | Position::ReturnAir, _) => 12.0,
        (Position::CondenserLeavingAir, _) => 5.0,
        _ => 4.0,
    }
}

/// The way that a channel goes at a start, and what that is worth. The directions follow from
/// the circuit: the compressor draws the low side down and drives the high side up.
///
/// What depends on the mode tells nothing while the mode is not known.
fn turn(position: &Position, kind: QuantityKind, mode: Mode) -> (f64, f64) {
    let (indoor, known) = match mode {
        Mode::Cooling => (-1.0, 2.0),
        Mode::Heating => (1.0, 2.0),
        Mode::Auto => (0.0, 0.0),
    };
    match (position, kind) {
        (Position::DischargeLine, QuantityKind::Temperature | QuantityKind::Pressure)
        | (Position::LiquidLine | Position::LiquidLineIndoor, QuantityKind::Pressure) => (1.0, 3.0),
        (Position::SuctionLine | Position::SuctionLineIndoor, QuantityKind::Pressure) => {
            (-1.0, 3.0)
        }
        (Position::SuctionLine, QuantityKind::Temperature) => (-1.0, 2.0),
        (Position::SuctionLineIndoor, QuantityKind::Temperature) if mode == Mode::Cooling => {
            (-1.0, 2.0)
        }
        (
            Position::SupplyAir | Position::IndoorCoil | Position::VaporLine,
            QuantityKind::Temperature,
        ) => (indoor, known),
        (Position::CondenserLeavingAir | Position::OutdoorCoil, QuantityKind::Temperature) => {
            (-indoor, known)
        }
        (Position::LiquidLine, QuantityKind::Temperature) if mode == Mode::Cooling => (1.0, 1.0),
        _ => (0.0, 0.0),
    }
}
