//! What a channel is to the settling and the cycles: how its values compare with kelvins, whether
//! it must hold still, and which way it goes when the compressor starts.

use crate::engine::channel::{Channel, Position};
use crate::engine::job::Mode;
use crate::engine::smooth::Course;
use crate::units::quantity::QuantityKind;

/// A channel's part in deciding.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Role {
    /// How much of the channel's SI unit weighs as much as 1 K.
    pub unit_per_k: f64,
    /// How it goes from one value to another.
    pub course: Course,
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

// A saturated refrigerant's pressure per kelvin at a dew of 5 °C and 45 °C, by our tables (CoolProp
// 8.0.0): R-410A 28.7 and 64.5 kPa/K, R-32 29.3 and 66.2, R-454B 26.4 and 59.8. These two lie among
// them, so that for those a pressure which holds within the limit holds its saturation temperature
// too. Others are less steep: R-22 18.3 and 40.9, so its saturation temperature may drift 1.5 times
// as fast as the limit; R-134a 12.2 and 30.1, 2.3 times; R-600a 6.4 and 15.4, 4.4 times.
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
            course: course(channel.kind),
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

/// Electricity follows its switch, and what a fan moves follows the fan within seconds. A
/// refrigerant's pressure moves as fast at a start, but as the circuit fills and empties: its rate
/// carries on.
const fn course(kind: QuantityKind) -> Course {
    match kind {
        QuantityKind::Current
        | QuantityKind::Power
        | QuantityKind::Voltage
        | QuantityKind::StaticPressure
        | QuantityKind::Airflow => Course::Switched,
        _ => Course::Trend,
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

#[cfg(test)]
mod tests {
    use super::*;
    use crate::physics::refrigerant::Refrigerant;
    use crate::units::quantity::Celsius;

    /// Pressure per kelvin (kPa/K) on the dew side, over two kelvins.
    fn slope(name: &str, celsius: f64) -> f64 {
        let refrigerant = Refrigerant::by_name(name).unwrap();
        let at = |t: f64| refrigerant.dew_pressure(Celsius::new(t).unwrap()).unwrap().get();
        (at(celsius + 1.0) - at(celsius - 1.0)) / 2_000.0
    }

    #[test]
    fn a_pressure_s_kelvin_is_that_of_the_saturation_tables() {
        for (name, low, high) in [
            ("R-410A", 28.7, 64.5),
            ("R-32", 29.3, 66.2),
            ("R-454B", 26.4, 59.8),
            ("R-22", 18.3, 40.9),
            ("R-134a", 12.2, 30.1),
            ("R-600a", 6.4, 15.4),
        ] {
            // The remark rounds to 0.1 kPa/K, and 1 % of the smallest is about that.
            let near = |found: f64, stated: f64| (found - stated).abs() < 0.01 * stated + 0.05;
            let found = (slope(name, 5.0), slope(name, 45.0));
            assert!(near(found.0, low) && near(found.1, high), "{name}: {found:?}");
        }
        let ours = (LOW_SIDE_PA_PER_K / 1_000.0, HIGH_SIDE_PA_PER_K / 1_000.0);
        for name in ["R-410A", "R-32", "R-454B"] {
            let found = (slope(name, 5.0), slope(name, 45.0));
            assert!((ours.0 / found.0 - 1.0).abs() < 0.08, "{name}: {found:?}");
            assert!((ours.1 / found.1 - 1.0).abs() < 0.08, "{name}: {found:?}");
        }
    }

    #[test]
    fn while_the_mode_is_not_known_only_what_does_not_depend_on_it_tells() {
        let role = |name: &str, mode| Role::of(&name.parse().unwrap(), mode);
        let supply = "supply-air.temperature";
        assert_eq!(role(supply, Mode::Cooling).start_sign, -1.0);
        assert_eq!(role(supply, Mode::Heating).start_sign, 1.0);
        assert_eq!(role(supply, Mode::Auto).weight, 0.0);
        for mode in [Mode::Cooling, Mode::Heating, Mode::Auto] {
            let discharge = role("discharge-line.temperature", mode);
            assert_eq!((discharge.start_sign, discharge.weight), (1.0, 3.0));
        }
    }
}
