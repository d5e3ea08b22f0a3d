//! The cycle at rest: what a unit settles to in given air.
//!
//! Four unknowns (both pressures, suction and liquid enthalpy), four equations: the metering
//! device passes what the compressor pumps, both coils balance, and the charge fits. Enthalpy and
//! not temperature, so that wet suction and flashing liquid need no second case.

use crate::units::quantity::{
    Celsius, CubicMetresPerSecond, HumidityRatio, Kelvins, Pascals, Watts,
};
use crate::virtual_unit::air::ratio_from_wet_bulb;
use crate::virtual_unit::coil::{
    Condenser, DRY_AIR_HEAT, Evaporator, IndoorAir, Resistances, WATER_LATENT, ZoneConductance,
    condense, evaporate, two_phase_density,
};
use crate::virtual_unit::design::{Metering, UnitParameters};
use crate::virtual_unit::fluid::{
    Boiling, Gas, bubble_pressure, dew_pressure, liquid_density, liquid_temperature,
};
use crate::virtual_unit::metering::{flux, valve_opening};
use crate::virtual_unit::newton;

/// Standard air (kg/m³): 0.075 lb/ft³, the air of the trade's factor 1.08.
pub(super) const STANDARD_AIR_DENSITY: f64 = 1.201_39;
/// Enthalpy that one unit of an unknown stands for (J/kg).
const ENTHALPY_SCALE: f64 = 2e4;

/// The air that a unit works in; sea level.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Conditions {
    /// Dry bulb of the return air.
    pub indoor: Celsius,
    /// Humidity ratio of the return air.
    pub humidity_ratio: HumidityRatio,
    /// Outdoor air.
    pub outdoor: Celsius,
    /// Indoor airflow by design, of standard air; a unit's factor multiplies it.
    pub airflow: CubicMetresPerSecond,
}

impl Conditions {
    /// Conditions by the wet bulb of the return air; `None` where it cannot be.
    pub fn from_wet_bulb(
        indoor: Celsius,
        wet_bulb: Celsius,
        outdoor: Celsius,
        airflow: CubicMetresPerSecond,
    ) -> Option<Self> {
        let humidity_ratio = ratio_from_wet_bulb(indoor, wet_bulb)?;
        Some(Self { indoor, humidity_ratio, outdoor, airflow })
    }
}

/// What a unit settles to.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SteadyState {
    /// Pressure at the compressor's inlet.
    pub suction_pressure: Pascals,
    /// Pressure in the condenser, non-condensable gas included.
    pub head_pressure: Pascals,
    /// Dew temperature at the suction pressure.
    pub evaporating: Celsius,
    /// Bubble temperature at the head pressure, as a gauge tells it.
    pub condensing: Celsius,
    /// Suction line over the evaporating temperature (0 where the suction is wet).
    pub superheat: Kelvins,
    /// Condensing temperature over the liquid line, as gauge and clamp tell it.
    pub subcooling: Kelvins,
    /// The same by the refrigerant's own pressure, without non-condensable gas.
    pub true_subcooling: Kelvins,
    /// Suction line at the compressor.
    pub suction_line: Celsius,
    /// Discharge line.
    pub discharge_line: Celsius,
    /// Liquid line.
    pub liquid_line: Celsius,
    /// Air that goes to the rooms, fan heat included.
    pub supply_air: Celsius,
    /// Humidity ratio of that air.
    pub supply_humidity_ratio: HumidityRatio,
    /// Air that leaves the condenser.
    pub condenser_leaving_air: Celsius,
    /// Return minus supply air.
    pub evaporator_split: Kelvins,
    /// Air leaving minus air entering the condenser.
    pub condenser_split: Kelvins,
    /// Gross cooling.
    pub cooling: Watts,
    /// Sensible part of it.
    pub sensible: Watts,
    /// Electric power of the compressor.
    pub power: Watts,
    /// Refrigerant flow (kg/s).
    pub flow_kg_per_s: f64,
    pub(super) unknowns: [f64; 4],
}

/// What `unit` settles to in `conditions`; `None` where the model has no answer.
///
/// ```
/// use settled::physics::refrigerant::Refrigerant;
/// use settled::units::quantity::Celsius;
/// use settled::virtual_unit::cycle_model::{Conditions, steady};
/// use settled::virtual_unit::design::{Design, Metering, UnitParameters};
///
/// let design = Design::default();
/// let refrigerant = Refrigerant::by_name("R-410A").unwrap();
/// let unit = UnitParameters::calibrated(refrigerant, Metering::FixedOrifice, &design).unwrap();
/// let [indoor, wet_bulb, outdoor] = [80.0, 67.0, 95.0].map(|f| Celsius::from_fahrenheit(f).unwrap());
/// let airflow = design.rated_airflow().unwrap();
/// let rating = Conditions::from_wet_bulb(indoor, wet_bulb, outdoor, airflow).unwrap();
/// let state = steady(&unit, &rating).unwrap();
/// assert!((state.superheat.get() - design.superheat_k).abs() < 0.01);
/// ```
pub fn steady(unit: &UnitParameters, conditions: &Conditions) -> Option<SteadyState> {
    let start = first_guess(unit, conditions)?;
    solve_from(unit, conditions, start)
        .or_else(|| from_other_sides(unit, conditions, start))
        .or_else(|| from_design(unit, conditions, start))
}

/// The same, from a state near by, which is faster.
pub fn steady_near(
    unit: &UnitParameters,
    conditions: &Conditions,
    near: &SteadyState,
) -> Option<SteadyState> {
    solve_from(unit, conditions, near.unknowns).or_else(|| steady(unit, conditions))
}

fn solve_from(unit: &UnitParameters, c: &Conditions, start: [f64; 4]) -> Option<SteadyState> {
    const STEP_MAX: [f64; 4] = [0.15, 0.12, 0.35, 0.35];
    let residual = |x: &[f64; 4]| Some(Trial::at(unit, c, x)?.residual(unit));
    let x = newton::solve(start, STEP_MAX, residual)?;
    Trial::at(unit, c, &x)?.state(unit, c, x)
}

/// Newton stalls at the kinks (flooded coil, no subcooling): it starts again from their sides.
fn from_other_sides(
    unit: &UnitParameters,
    conditions: &Conditions,
    start: [f64; 4],
) -> Option<SteadyState> {
    const SIDES: [(f64, f64); 6] =
        [(0.25, 0.15), (-0.5, -0.5), (0.9, 0.05), (-0.3, 0.1), (0.6, -0.15), (1.5, 0.3)];
    SIDES.into_iter().find_map(|(suction, liquid)| {
        solve_from(unit, conditions, [start[0], start[1], suction, liquid])
    })
}

/// The last resort: from the unit as designed, by small steps to the unit as it is.
fn from_design(
    unit: &UnitParameters,
    conditions: &Conditions,
    start: [f64; 4],
) -> Option<SteadyState> {
    const STEPS: u32 = 8;
    let mut between = *unit;
    let mut near = start;
    let mut found = None;
    for step in 0..=STEPS {
        between.factors = unit.factors.partly(f64::from(step) / f64::from(STEPS));
        let state = solve_from(&between, conditions, near)
            .or_else(|| from_other_sides(&between, conditions, near))?;
        near = state.unknowns;
        found = Some(state);
    }
    found
}

fn first_guess(unit: &UnitParameters, c: &Conditions) -> Option<[f64; 4]> {
    let (indoor, outdoor) = (c.indoor.get(), c.outdoor.get());
    let te = unit.design.evaporating_c + 0.35 * (indoor - 26.7) + 0.15 * (outdoor - 35.0);
    let tc = outdoor + unit.design.condensing_c - 35.0;
    let low = dew_pressure(unit.refrigerant, te.min(20.0))?;
    let high = bubble_pressure(unit.refrigerant, tc)?;
    Some([libm::log(low), libm::log(high), 0.25, -0.45])
}

/// All that follows from one set of unknowns, whether or not the equations are met.
pub(super) struct Trial {
    pub low: Boiling,
    pub high: Boiling,
    /// The condenser's state by total pressure.
    pub top: Boiling,
    pub suction: Gas,
    pub suction_enthalpy: f64,
    pub liquid_enthalpy: f64,
    pub liquid_c: f64,
    pub pumped: Pumped,
    pub condenser: Condenser,
    pub evaporator: Evaporator,
    air: IndoorAir,
    outdoor_capacity: f64,
    metered: f64,
    pub charge: f64,
}

/// What the compressor does.
#[derive(Debug, Clone, Copy)]
pub(super) struct Pumped {
    /// kg/s.
    pub flow: f64,
    /// Enthalpy that leaves (J/kg).
    pub enthalpy: f64,
    /// Temperature that leaves (°C).
    pub temperature: f64,
    /// W.
    pub power: f64,
}

impl Trial {
    /// At `x`: ln of both pressures, suction enthalpy over dew, liquid enthalpy over bubble.
    pub fn at(unit: &UnitParameters, c: &Conditions, x: &[f64; 4]) -> Option<Self> {
        let (design, factors, fluid) = (&unit.design, &unit.factors, unit.refrigerant);
        let low = Boiling::at(fluid, libm::exp(x[0]))?;
        let high = Boiling::at(fluid, libm::exp(x[1]))?;
        let top = if factors.non_condensables_pa > 0.0 {
            // The gas adds its partial pressure (Dalton).
            Boiling::at(fluid, high.pressure + factors.non_condensables_pa)?
        } else {
            high
        };
        let suction_enthalpy = low.vapor_enthalpy + ENTHALPY_SCALE * x[2];
        let liquid_enthalpy = high.liquid_enthalpy + ENTHALPY_SCALE * x[3];
        let liquid_c = liquid_temperature(fluid, liquid_enthalpy, high.bubble)?;
        let suction = low.gas(fluid, suction_enthalpy)?;
        let pumped = pump(unit, &low, &top, &suction, suction_enthalpy)?;
        let relative = (pumped.flow / unit.solved.flow).max(0.01);

        let outdoor_flow = design.outdoor_air_kg_per_s * design.size() * factors.outdoor_airflow;
        let outdoor_capacity = outdoor_flow * DRY_AIR_HEAT;
        let hot = (pumped.flow, pumped.enthalpy, pumped.temperature);
        let condenser = condense(
            &high,
            (c.outdoor.get(), outdoor_capacity),
            outdoor_resistances(unit, relative),
            ZoneConductance {
                desuperheating: design.desuperheating_conductance,
                subcooling: design.subcooling_conductance,
            },
            hot,
            |t| Some(fluid.liquid_enthalpy(Celsius::new(t)?)?.get()),
        )?;
        let air = IndoorAir {
            dry_bulb: c.indoor.get(),
            ratio: c.humidity_ratio.get(),
            flow: c.airflow.get() * STANDARD_AIR_DENSITY * factors.indoor_airflow,
        };
        let evaporator = evaporate(
            &low,
            &air,
            indoor_resistances(unit, air.flow, relative),
            (pumped.flow, liquid_enthalpy),
            design.superheating_conductance,
        );
        let mut trial = Self {
            low,
            high,
            top,
            suction,
            suction_enthalpy,
            liquid_enthalpy,
            liquid_c,
            pumped,
            condenser,
            evaporator,
            air,
            outdoor_capacity,
            metered: 0.0,
            charge: 0.0,
        };
        trial.metered = trial.metered(unit, relative, x[2])?;
        trial.charge = trial.mass(unit)?;
        Some(trial)
    }

    /// How far the equations are from being met, each on its own scale.
    pub fn residual(&self, unit: &UnitParameters) -> [f64; 4] {
        [
            (self.metered - self.pumped.flow) / unit.solved.flow,
            (self.evaporator.leaving - self.suction_enthalpy) / ENTHALPY_SCALE,
            (self.condenser.leaving - self.liquid_enthalpy) / ENTHALPY_SCALE,
            self.charge / unit.solved.charge - unit.factors.charge,
        ]
    }

    /// Gross cooling (W) and its sensible part.
    pub fn cooling(&self) -> (f64, f64) {
        let boiling = self.evaporator.boiling.min(1.0);
        let superheating = (self.suction_enthalpy - self.low.vapor_enthalpy).max(0.0);
        (
            self.pumped.flow * (self.suction_enthalpy - self.liquid_enthalpy),
            self.evaporator.sensible * boiling + self.pumped.flow * superheating,
        )
    }

    fn metered(&self, unit: &UnitParameters, relative: f64, suction: f64) -> Option<f64> {
        let drop = unit.factors.liquid_line_drop_pa * relative * relative;
        let upstream = if drop > 0.0 {
            Boiling::at(unit.refrigerant, self.top.pressure - drop)?
        } else {
            self.top
        };
        let area = match unit.metering {
            Metering::FixedOrifice => unit.solved.orifice_area,
            Metering::Txv => {
                // Wetness counts as superheat below zero, so that the valve goes on shutting.
                let superheat =
                    (self.suction.temperature - self.low.dew).max(0.0) + 5.0 * suction.min(0.0);
                let over = superheat - unit.solved.static_superheat;
                unit.solved.valve_area * valve_opening(over, unit.design.valve_span_k)
            }
        };
        Some(area * unit.factors.orifice * self.flux(unit, &upstream)?)
    }

    /// Flow for each m² of the metering device's opening (kg/(s m²)).
    pub fn flux(&self, unit: &UnitParameters, upstream: &Boiling) -> Option<f64> {
        let inlet = (self.liquid_enthalpy, self.liquid_c);
        flux(unit.refrigerant, upstream, self.low.pressure, inlet, unit.design.flashing)
    }

    /// Mass of refrigerant that the zones hold (kg).
    fn mass(&self, unit: &UnitParameters) -> Option<f64> {
        let (design, high, low) = (&unit.design, &self.high, &self.low);
        let zone = &self.condenser;
        let leaving =
            ((self.condenser.leaving - high.liquid_enthalpy) / high.latent()).clamp(0.0, 1.0);
        let over = (zone.desuperheating + zone.condensing).max(1.0);
        let subcooled = if zone.subcooling > 0.0 {
            0.5 * (high.liquid_density + liquid_density(unit.refrigerant, zone.liquid)?)
        } else {
            0.0
        };
        let condenser = 0.8 * high.vapor_density * zone.desuperheating / over
            + two_phase_density(high, leaving, 1.0) * zone.condensing / over
            + subcooled * zone.subcooling;
        let boiling = self.evaporator.boiling.min(1.0);
        let entering =
            ((self.liquid_enthalpy - low.liquid_enthalpy) / low.latent()).clamp(0.0, 0.95);
        let evaporator = two_phase_density(low, entering, self.evaporator.quality) * boiling
            + 0.95 * low.vapor_density * (1.0 - boiling);
        let held = design.condenser_m3 * condenser
            + design.evaporator_m3 * evaporator
            + design.liquid_line_m3 * high.mixed_density(leaving)
            + design.suction_m3 * self.suction.density;
        Some(held * design.size())
    }

    fn state(
        &self,
        unit: &UnitParameters,
        c: &Conditions,
        unknowns: [f64; 4],
    ) -> Option<SteadyState> {
        let (cooling, sensible) = self.cooling();
        let rejected = self.pumped.flow * (self.pumped.enthalpy - self.liquid_enthalpy)
            + unit.design.shell_loss * self.pumped.power;
        let condenser_split = rejected / self.outdoor_capacity;
        let evaporator_split = sensible / self.air.capacity() - unit.design.fan_rise_k;
        let liquid = self.liquid_c.min(self.high.bubble);
        let dried = (cooling - sensible).max(0.0) / (self.air.flow * WATER_LATENT);
        let evaporator_split = Kelvins::new(evaporator_split)?;
        let condenser_split = Kelvins::new(condenser_split)?;
        Some(SteadyState {
            suction_pressure: Pascals::new(self.low.pressure)?,
            head_pressure: Pascals::new(self.top.pressure)?,
            evaporating: Celsius::new(self.low.dew)?,
            condensing: Celsius::new(self.top.bubble)?,
            superheat: Kelvins::new((self.suction.temperature - self.low.dew).max(0.0))?,
            subcooling: Kelvins::new(self.top.bubble - liquid)?,
            true_subcooling: Kelvins::new(self.high.bubble - liquid)?,
            suction_line: Celsius::new(self.suction.temperature)?,
            discharge_line: Celsius::new(self.pumped.temperature)?,
            liquid_line: Celsius::new(liquid)?,
            supply_air: c.indoor - evaporator_split,
            supply_humidity_ratio: HumidityRatio::new((self.air.ratio - dried).max(0.0))?,
            condenser_leaving_air: c.outdoor + condenser_split,
            evaporator_split,
            condenser_split,
            cooling: Watts::new(cooling)?,
            sensible: Watts::new(sensible)?,
            power: Watts::new(self.pumped.power)?,
            flow_kg_per_s: self.pumped.flow,
            unknowns,
        })
    }
}

/// Volumetric efficiency falls with the pressure ratio, isentropic with its distance from the
/// best; part of the power leaves through the shell.
fn pump(
    unit: &UnitParameters,
    low: &Boiling,
    top: &Boiling,
    suction: &Gas,
    suction_enthalpy: f64,
) -> Option<Pumped> {
    let design = &unit.design;
    let ratio = top.pressure / low.pressure;
    let volumetric = design.volumetric - design.volumetric_slope * ratio;
    let delivered = volumetric * unit.factors.displacement * unit.solved.displacement;
    let flow = delivered.max(1e-9) * suction.density;
    let distance = ratio - design.isentropic_ratio;
    let efficiency = unit.factors.isentropic
        * (design.isentropic - design.isentropic_curvature * distance * distance).max(0.3);
    let ideal = top.enthalpy_at_entropy(unit.refrigerant, suction.entropy)? - suction_enthalpy;
    let work = ideal / efficiency;
    let enthalpy = suction_enthalpy + (1.0 - design.shell_loss) * work;
    let temperature = top.gas(unit.refrigerant, enthalpy)?.temperature;
    Some(Pumped { flow, enthalpy, temperature, power: work * flow })
}

fn outdoor_resistances(unit: &UnitParameters, relative: f64) -> Resistances {
    let (design, factors) = (&unit.design, &unit.factors);
    let whole = unit.solved.outdoor / factors.outdoor_conductance;
    let share = design.condenser_refrigerant_share;
    Resistances {
        air: whole * (1.0 - share) * libm::pow(factors.outdoor_airflow, -design.air_exponent),
        refrigerant: whole * share * libm::pow(relative, -design.refrigerant_exponent),
    }
}

fn indoor_resistances(unit: &UnitParameters, airflow: f64, relative: f64) -> Resistances {
    let (design, factors) = (&unit.design, &unit.factors);
    let rated = design.rated_airflow().map_or(airflow, |flow| flow.get() * STANDARD_AIR_DENSITY);
    let air = libm::pow(airflow / rated, -design.air_exponent);
    let refrigerant = libm::pow(relative, -design.refrigerant_exponent);
    Resistances {
        air: unit.solved.indoor_air * air / factors.indoor_conductance,
        refrigerant: unit.solved.indoor_refrigerant * refrigerant / factors.indoor_conductance,
    }
}
