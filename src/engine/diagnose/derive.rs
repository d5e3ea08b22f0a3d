//! The measures worth a column at every moment: fast, and without a single allocation.

use crate::engine::channel::{Channel, Position};
use crate::engine::diagnose::inputs::Roles;
use crate::engine::job::{Job, Mode};
use crate::engine::output::Derived;
use crate::physics::moist_air;
use crate::physics::refrigerant::Refrigerant;
use crate::units::quantity::{Celsius, Pascals, QuantityKind, RelativeHumidity};

/// Where each channel that a derived measure needs stands among a session's levels.
///
/// Made anew whenever a channel becomes known; circuit 1 only.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Layout {
    mode: Mode,
    refrigerant: Option<Refrigerant>,
    barometer: Option<Pascals>,
    return_air: Option<usize>,
    mixed_air: Option<usize>,
    supply_air: Option<usize>,
    outdoor_air: Option<usize>,
    leaving_air: Option<usize>,
    return_humidity: Option<usize>,
    return_wet_bulb: Option<usize>,
    supply_humidity: Option<usize>,
    supply_wet_bulb: Option<usize>,
    suction_line: Option<usize>,
    vapor_line: Option<usize>,
    coil_outlet: Option<usize>,
    liquid_line: Option<usize>,
    liquid_line_indoor: Option<usize>,
    indoor_coil: Option<usize>,
    outdoor_coil: Option<usize>,
    suction_pressure: Option<usize>,
    vapor_pressure: Option<usize>,
    liquid_pressure: Option<usize>,
    discharge_pressure: Option<usize>,
    superheat: Option<usize>,
    subcooling: Option<usize>,
}

impl Layout {
    /// The layout for these channels, by their ids.
    pub fn new(job: &Job, channels: &[Channel]) -> Self {
        let at = |position: Position, kind| {
            let wanted = Channel::new(position, kind);
            channels.iter().position(|channel| *channel == wanted)
        };
        let temperature = |position| at(position, QuantityKind::Temperature);
        let pressure = |position| at(position, QuantityKind::Pressure);
        let any = |kind| {
            channels.iter().position(|channel| channel.kind == kind && channel.place.circuit == 1)
        };
        let named = job.unit.circuits.first().and_then(|circuit| circuit.refrigerant.as_deref());
        Self {
            mode: job.mode,
            refrigerant: named.and_then(|name| Refrigerant::by_name(name).ok()),
            barometer: Some(job.barometer),
            return_air: temperature(Position::ReturnAir),
            mixed_air: temperature(Position::MixedAir),
            supply_air: temperature(Position::SupplyAir),
            outdoor_air: temperature(Position::OutdoorAir),
            leaving_air: temperature(Position::CondenserLeavingAir),
            return_humidity: at(Position::ReturnAir, QuantityKind::Humidity),
            return_wet_bulb: at(Position::ReturnAir, QuantityKind::WetBulb),
            supply_humidity: at(Position::SupplyAir, QuantityKind::Humidity),
            supply_wet_bulb: at(Position::SupplyAir, QuantityKind::WetBulb),
            suction_line: temperature(Position::SuctionLine),
            vapor_line: temperature(Position::VaporLine),
            coil_outlet: temperature(Position::SuctionLineIndoor),
            liquid_line: temperature(Position::LiquidLine),
            liquid_line_indoor: temperature(Position::LiquidLineIndoor),
            indoor_coil: temperature(Position::IndoorCoil),
            outdoor_coil: temperature(Position::OutdoorCoil),
            suction_pressure: pressure(Position::SuctionLine)
                .or(pressure(Position::SuctionLineIndoor)),
            vapor_pressure: pressure(Position::VaporLine),
            liquid_pressure: pressure(Position::LiquidLine)
                .or(pressure(Position::LiquidLineIndoor)),
            discharge_pressure: pressure(Position::DischargeLine),
            superheat: any(QuantityKind::Superheat),
            subcooling: any(QuantityKind::Subcooling),
        }
    }

    /// What follows from the levels of one moment, each at its place in [`Derived::ALL`] (SI).
    ///
    /// `levels` holds a level for each channel, by its id; `None` where nothing is known now.
    pub fn derive(&self, levels: &[Option<f64>]) -> [Option<f64>; Derived::ALL.len()] {
        let get = |index: Option<usize>| levels.get(index?).copied().flatten();
        let (back, supply) = (get(self.return_air), get(self.supply_air));
        let entering = get(self.mixed_air).or(back);
        let (outdoor, leaving) = (get(self.outdoor_air), get(self.leaving_air));
        let heating = Roles::of(self.mode, entering, supply) == Roles::Heating;
        let indoor_drop = minus(entering, supply);
        let outdoor_rise = minus(leaving, outdoor);
        let (evaporator, condenser) = if heating {
            (outdoor_rise.map(|k| -k), indoor_drop.map(|k| -k))
        } else {
            (indoor_drop, outdoor_rise)
        };
        let wet_bulb = |given, dry: Option<f64>, humidity| {
            get(given).or_else(|| self.wet_bulb(dry?, get(humidity)?))
        };
        [
            evaporator,
            condenser,
            get(self.superheat).or_else(|| self.superheat(&get, heating)),
            get(self.subcooling).or_else(|| self.subcooling(&get, heating)),
            if heating { None } else { minus(get(self.liquid_line), outdoor) },
            wet_bulb(self.return_wet_bulb, back, self.return_humidity),
            wet_bulb(self.supply_wet_bulb, supply, self.supply_humidity),
        ]
    }

    fn wet_bulb(&self, dry_bulb: f64, humidity: f64) -> Option<f64> {
        let humidity = RelativeHumidity::new(humidity)?;
        Some(moist_air::wet_bulb(Celsius::new(dry_bulb)?, humidity, self.barometer?)?.get())
    }

    fn superheat(&self, get: &impl Fn(Option<usize>) -> Option<f64>, heating: bool) -> Option<f64> {
        let refrigerant = self.refrigerant?;
        let vapor_line = if heating { None } else { self.vapor_line };
        let vapor_pressure = if heating { None } else { self.vapor_pressure };
        let line = get(self.suction_line).or(get(vapor_line)).or(get(self.coil_outlet))?;
        let pressure = get(self.suction_pressure).or(get(vapor_pressure));
        let dew = |p| Some(refrigerant.dew_temperature(Pascals::new(p)?)?.get());
        let coil = if heating { self.outdoor_coil } else { self.indoor_coil };
        let saturation = match pressure {
            Some(p) => dew(p),
            None => get(coil),
        };
        Some(line - saturation?)
    }

    fn subcooling(
        &self,
        get: &impl Fn(Option<usize>) -> Option<f64>,
        heating: bool,
    ) -> Option<f64> {
        let refrigerant = self.refrigerant?;
        let (near, far, coil) = if heating {
            (self.liquid_line_indoor, self.liquid_line, self.indoor_coil)
        } else {
            (self.liquid_line, self.liquid_line_indoor, self.outdoor_coil)
        };
        let line = get(near).or(get(far))?;
        let vapor_pressure = if heating { self.vapor_pressure } else { None };
        let pressure =
            get(self.liquid_pressure).or(get(self.discharge_pressure)).or(get(vapor_pressure));
        let bubble = |p| Some(refrigerant.bubble_temperature(Pascals::new(p)?)?.get());
        let saturation = match pressure {
            Some(p) => bubble(p),
            None => get(coil),
        };
        Some(saturation? - line)
    }
}

fn minus(a: Option<f64>, b: Option<f64>) -> Option<f64> {
    Some(a? - b?)
}
