//! The values of a set in their roles on one refrigerant circuit.

use crate::engine::channel::Position;
use crate::engine::diagnose::errors::{Errors, Instruments};
use crate::engine::diagnose::uncertain::{Source, Sources, Uncertain};
use crate::engine::job::{Job, Mode};
use crate::engine::reading::{SettledSet, SettledValue};
use crate::physics::uncertainty::Shape;
use crate::units::quantity::QuantityKind;

/// Which coil cools and which heats.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Roles {
    /// The indoor coil evaporates.
    #[default]
    Cooling,
    /// The indoor coil condenses.
    Heating,
}

impl Roles {
    /// What the job says, or, for `auto`, what return and supply air say.
    pub fn of(mode: Mode, return_air: Option<f64>, supply_air: Option<f64>) -> Self {
        match mode {
            Mode::Cooling => Self::Cooling,
            Mode::Heating => Self::Heating,
            Mode::Auto => match (return_air, supply_air) {
                (Some(back), Some(supply)) if supply > back => Self::Heating,
                _ => Self::Cooling,
            },
        }
    }
}

/// What can stand in a role; the index into [`Inputs`].
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Role {
    /// Return air (°C).
    ReturnAir,
    /// Air after an outdoor-air damper (°C).
    MixedAir,
    /// Relative humidity of the return (or mixed) air.
    ReturnHumidity,
    /// Wet bulb of the return (or mixed) air, as given (°C).
    ReturnWetBulb,
    /// Dew point of the return (or mixed) air, as given (°C).
    ReturnDewPoint,
    /// Supply air (°C).
    SupplyAir,
    /// Relative humidity of the supply air.
    SupplyHumidity,
    /// Wet bulb of the supply air, as given (°C).
    SupplyWetBulb,
    /// Dew point of the supply air, as given (°C).
    SupplyDewPoint,
    /// Outdoor air (°C).
    OutdoorAir,
    /// Air leaving the outdoor coil (°C).
    LeavingAir,
    /// Suction line at the compressor (°C).
    SuctionLine,
    /// Suction line at the outlet of the evaporator (°C).
    CoilOutlet,
    /// Discharge line (°C).
    DischargeLine,
    /// Liquid line leaving the condenser (°C).
    LiquidLine,
    /// Liquid line at the metering device (°C).
    LiquidLineFar,
    /// Middle of the evaporating coil (°C).
    EvaporatorCoil,
    /// Middle of the condensing coil (°C).
    CondenserCoil,
    /// Suction pressure (Pa).
    SuctionPressure,
    /// Pressure of the liquid line (Pa).
    LiquidPressure,
    /// Pressure of the discharge line (Pa).
    DischargePressure,
    /// Evaporating temperature, as given (°C).
    SuctionSaturation,
    /// Condensing temperature, as given (°C).
    LiquidSaturation,
    /// Superheat at the compressor, as given (K).
    Superheat,
    /// Superheat at the outlet of the evaporator, as given (K).
    CoilSuperheat,
    /// Subcooling, as given (K).
    Subcooling,
    /// Airflow over the indoor coil (m³/s).
    Airflow,
    /// Electrical power of the outdoor unit (W).
    OutdoorPower,
    /// Electrical power of the indoor unit (W).
    IndoorPower,
    /// Current of the outdoor unit (A).
    OutdoorCurrent,
    /// Static pressure across the indoor unit (Pa).
    StaticPressure,
}

/// How many roles there are.
const ROLES: usize = Role::StaticPressure as usize + 1;

/// The values of one circuit by their role.
#[derive(Debug, Clone, Default)]
pub struct Inputs {
    /// All sources of error.
    pub sources: Sources,
    /// Which coil cools.
    pub roles: Roles,
    /// The local barometer (Pa).
    pub barometer: Uncertain,
    values: [Option<Uncertain>; ROLES],
}

impl Inputs {
    /// The values of `set` on `circuit`.
    pub fn new(job: &Job, set: &SettledSet, instruments: Instruments<'_>, circuit: u8) -> Self {
        let air = |position| {
            let is = |value: &&SettledValue| {
                value.channel.place.position == position
                    && value.channel.kind == QuantityKind::Temperature
            };
            set.values.iter().find(is).map(|value| value.quantity.get())
        };
        let roles = Roles::of(job.mode, air(Position::ReturnAir), air(Position::SupplyAir));
        let mut made = Self { roles, ..Self::default() };
        made.barometer = barometer(job, &mut made.sources);
        let errors = Errors::new(set, instruments, &made.barometer, &mut made.sources);
        for (index, value) in set.values.iter().enumerate() {
            let place = &value.channel.place;
            let Some(role) = role(&place.position, value.channel.kind, roles) else { continue };
            if place.circuit == circuit || (place.circuit == 1 && is_shared(role)) {
                made.values[role as usize] = Some(errors.wrap(index, &mut made.sources));
            }
        }
        made
    }

    /// The value in this role.
    pub fn get(&self, role: Role) -> Option<&Uncertain> {
        self.values[role as usize].as_ref()
    }

    /// Air entering the indoor coil: mixed air where it is measured, else return air.
    pub fn entering_air(&self) -> Option<&Uncertain> {
        self.get(Role::MixedAir).or(self.get(Role::ReturnAir))
    }

    /// High-side pressure, and whether it was taken ahead of the condenser.
    pub fn high_pressure(&self) -> Option<(&Uncertain, bool)> {
        let liquid = self.get(Role::LiquidPressure).map(|pressure| (pressure, false));
        liquid.or(self.get(Role::DischargePressure).map(|pressure| (pressure, true)))
    }
}

/// What the barometer's uncertainty is called.
pub const BAROMETER: &str = "barometer";

/// The barometer with its uncertainty.
fn barometer(job: &Job, sources: &mut Sources) -> Uncertain {
    let mut barometer = Uncertain::exact(job.barometer.get());
    let source = Source { value: None, what: BAROMETER, shape: Shape::Normal };
    barometer.push(sources.add(source), job.barometer_uncertainty_pa);
    barometer
}

/// Whether the circuits of a unit share what stands in this role.
fn is_shared(role: Role) -> bool {
    matches!(
        role,
        Role::ReturnAir
            | Role::MixedAir
            | Role::ReturnHumidity
            | Role::ReturnWetBulb
            | Role::ReturnDewPoint
            | Role::SupplyAir
            | Role::SupplyHumidity
            | Role::SupplyWetBulb
            | Role::SupplyDewPoint
            | Role::OutdoorAir
            | Role::LeavingAir
            | Role::Airflow
            | Role::OutdoorPower
            | Role::IndoorPower
            | Role::OutdoorCurrent
            | Role::StaticPressure
    )
}

/// The role of a quantity at a position. In heating the coils change places.
pub fn role(position: &Position, kind: QuantityKind, roles: Roles) -> Option<Role> {
    let cooling = roles == Roles::Cooling;
    Some(match (kind, position) {
        (QuantityKind::Temperature, position) => return temperature_role(position, cooling),
        (QuantityKind::Humidity, Position::ReturnAir | Position::MixedAir) => Role::ReturnHumidity,
        (QuantityKind::Humidity, Position::SupplyAir) => Role::SupplyHumidity,
        (QuantityKind::WetBulb, Position::ReturnAir | Position::MixedAir) => Role::ReturnWetBulb,
        (QuantityKind::WetBulb, Position::SupplyAir) => Role::SupplyWetBulb,
        (QuantityKind::DewPoint, Position::ReturnAir | Position::MixedAir) => Role::ReturnDewPoint,
        (QuantityKind::Pressure, position) => return pressure_role(position, cooling),
        (QuantityKind::DewPoint, Position::SupplyAir) => Role::SupplyDewPoint,
        (QuantityKind::Saturation, Position::SuctionLine | Position::SuctionLineIndoor) => {
            Role::SuctionSaturation
        }
        (
            QuantityKind::Saturation,
            Position::LiquidLine | Position::LiquidLineIndoor | Position::DischargeLine,
        ) => Role::LiquidSaturation,
        (QuantityKind::Superheat, Position::SuctionLineIndoor) if cooling => Role::CoilSuperheat,
        (QuantityKind::Superheat, _) => Role::Superheat,
        (QuantityKind::Subcooling, _) => Role::Subcooling,
        (QuantityKind::Airflow, _) => Role::Airflow,
        (QuantityKind::Power, Position::IndoorUnit) => Role::IndoorPower,
        (QuantityKind::Power, _) => Role::OutdoorPower,
        (QuantityKind::Current, Position::OutdoorUnit) => Role::OutdoorCurrent,
        (QuantityKind::StaticPressure, _) => Role::StaticPressure,
        _ => return None,
    })
}

fn pressure_role(position: &Position, cooling: bool) -> Option<Role> {
    Some(match position {
        Position::VaporLine if cooling => Role::SuctionPressure,
        Position::VaporLine | Position::DischargeLine => Role::DischargePressure,
        Position::SuctionLine | Position::SuctionLineIndoor => Role::SuctionPressure,
        Position::LiquidLine | Position::LiquidLineIndoor => Role::LiquidPressure,
        _ => return None,
    })
}

fn temperature_role(position: &Position, cooling: bool) -> Option<Role> {
    Some(match position {
        Position::ReturnAir => Role::ReturnAir,
        Position::MixedAir => Role::MixedAir,
        Position::SupplyAir => Role::SupplyAir,
        Position::OutdoorAir => Role::OutdoorAir,
        Position::CondenserLeavingAir => Role::LeavingAir,
        Position::SuctionLine => Role::SuctionLine,
        Position::VaporLine if cooling => Role::SuctionLine,
        Position::VaporLine | Position::DischargeLine => Role::DischargeLine,
        Position::SuctionLineIndoor if cooling => Role::CoilOutlet,
        Position::LiquidLine if cooling => Role::LiquidLine,
        Position::LiquidLine => Role::LiquidLineFar,
        Position::LiquidLineIndoor if cooling => Role::LiquidLineFar,
        Position::LiquidLineIndoor => Role::LiquidLine,
        Position::IndoorCoil if cooling => Role::EvaporatorCoil,
        Position::IndoorCoil => Role::CondenserCoil,
        Position::OutdoorCoil if cooling => Role::CondenserCoil,
        Position::OutdoorCoil => Role::EvaporatorCoil,
        _ => return None,
    })
}
