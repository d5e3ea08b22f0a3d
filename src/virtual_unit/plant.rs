//! The unit in motion: steady states of the moment, reached through the lags of metal and ducts.
//!
//! Time constants and shares are tuned to look like a small package unit; none is from a source.

use std::collections::VecDeque;

use crate::units::quantity::{Celsius, CubicMetresPerSecond, HumidityRatio};
use crate::virtual_unit::coil::IndoorAir;
use crate::virtual_unit::cycle_model::{
    Conditions, STANDARD_AIR_DENSITY, SteadyState, steady, steady_near,
};
use crate::virtual_unit::design::{Metering, UnitParameters};
use crate::virtual_unit::fluid::bubble_pressure;
use crate::virtual_unit::house::{Call, House};
use crate::virtual_unit::lags::{Answer, Lag, TwoLags};
use crate::virtual_unit::scenario::{FanMode, Hunting, Scenario};

/// How long a steady state serves before the conditions are looked at again (s).
const SOLVE_EVERY_S: f64 = 30.0;
/// Mains of the outdoor unit (V), its power factor, and its fan's current (A); usual values.
const MAINS_V: f64 = 230.0;
const POWER_FACTOR: f64 = 0.95;
const OUTDOOR_FAN_A: f64 = 1.1;

/// The low side is pulled down too far at first and comes back.
const LOW_SIDE: Answer = Answer { fast_share: 1.2, fast_s: 15.0, slow_s: 120.0 };
const HIGH_SIDE: Answer = Answer { fast_share: 0.7, fast_s: 25.0, slow_s: 150.0 };
const SUCTION_LINE: Answer = Answer { fast_share: 0.6, fast_s: 45.0, slow_s: 170.0 };
const DISCHARGE_LINE: Answer = Answer { fast_share: 0.4, fast_s: 60.0, slow_s: 180.0 };
const LIQUID_LINE: Answer = Answer { fast_share: 0.6, fast_s: 40.0, slow_s: 160.0 };
const COIL_AIR: Answer = Answer { fast_share: 0.65, fast_s: 30.0, slow_s: 140.0 };
const CONDENSER_AIR: Answer = Answer { fast_share: 0.7, fast_s: 30.0, slow_s: 150.0 };
const CURRENT: Answer = Answer { fast_share: 0.85, fast_s: 2.0, slow_s: 120.0 };

/// All that a probe could read, without any probe's errors (°C, Pa, kg/kg, A).
#[derive(Debug, Clone, Copy)]
pub struct Scene {
    pub return_air: f64,
    pub return_ratio: f64,
    pub supply_air: f64,
    pub supply_ratio: f64,
    pub outdoor_air: f64,
    pub condenser_leaving_air: f64,
    pub suction_line: f64,
    pub discharge_line: f64,
    pub liquid_line: f64,
    pub suction_pressure: f64,
    pub liquid_pressure: f64,
    pub current: f64,
}

/// The unit with its lags.
#[derive(Debug, Clone)]
pub struct Plant {
    unit: UnitParameters,
    airflow_kg_per_s: f64,
    steady: SteadyState,
    solved_ago_s: f64,
    call: Call,
    since_s: f64,
    elapsed_s: f64,
    fan: FanMode,
    duct_s: f64,
    /// Coil air on its way through the duct, the oldest first; whole seconds.
    in_duct: VecDeque<f64>,
    hunting: Option<Hunting>,
    lags: Lags,
}

#[derive(Debug, Clone)]
struct Lags {
    low: TwoLags,
    high: TwoLags,
    suction: TwoLags,
    discharge: TwoLags,
    liquid: TwoLags,
    coil_air: TwoLags,
    coil_ratio: TwoLags,
    condenser_air: TwoLags,
    current: TwoLags,
    supply: TwoLags,
    return_air: Lag,
}

impl Plant {
    /// The unit at rest in `house`; `None` where it has no steady state there.
    pub fn at_rest(unit: &UnitParameters, scenario: &Scenario, house: &House) -> Option<Self> {
        let airflow = unit.design.rated_airflow()?.get() * STANDARD_AIR_DENSITY;
        let steady = steady(unit, &conditions(unit, house, 1.0)?)?;
        let (room, outdoor) = (house.room, house.outdoor);
        let rest = libm::log(bubble_pressure(unit.refrigerant, room.min(outdoor))?);
        let duct_s = scenario.duct_lag.as_secs_f64();
        let supply = Answer { fast_share: 0.8, fast_s: duct_s, slow_s: 120.0 };
        Some(Self {
            unit: *unit,
            airflow_kg_per_s: airflow,
            steady,
            solved_ago_s: 0.0,
            call: Call::None,
            since_s: f64::INFINITY,
            elapsed_s: 0.0,
            fan: scenario.fan,
            duct_s,
            in_duct: VecDeque::from(vec![room; scenario.duct_delay.as_secs() as usize]),
            hunting: scenario.hunting,
            lags: Lags {
                low: TwoLags::at(rest, LOW_SIDE),
                high: TwoLags::at(rest, HIGH_SIDE),
                suction: TwoLags::at(outdoor, SUCTION_LINE),
                discharge: TwoLags::at(outdoor, DISCHARGE_LINE),
                liquid: TwoLags::at(outdoor, LIQUID_LINE),
                coil_air: TwoLags::at(room, COIL_AIR),
                coil_ratio: TwoLags::at(house.ratio, COIL_AIR),
                condenser_air: TwoLags::at(outdoor, CONDENSER_AIR),
                current: TwoLags::at(0.0, CURRENT),
                supply: TwoLags::at(room, supply),
                return_air: Lag::at(room),
            },
        })
    }

    /// Goes on by `step_s` (s); gives the sensible heat taken from the rooms (W).
    pub fn advance(&mut self, house: &House, step_s: f64) -> f64 {
        self.elapsed_s += step_s;
        self.since_s += step_s;
        self.solved_ago_s += step_s;
        if house.call != self.call {
            let stage_only = house.call != Call::None && self.call != Call::None;
            self.call = house.call;
            self.since_s = if stage_only { self.since_s } else { 0.0 };
            self.solved_ago_s = f64::INFINITY;
        }
        if self.runs() {
            self.run(house, step_s);
        } else {
            self.rest(house, step_s);
        }
        self.move_air(house, step_s)
    }

    /// Whether the compressor runs.
    pub fn runs(&self) -> bool {
        self.call != Call::None
    }

    /// Whether the indoor fan runs.
    pub fn fan_runs(&self) -> bool {
        let runs_on = match self.fan {
            FanMode::Always => true,
            FanMode::RunOn(length) => self.since_s < length.as_secs_f64(),
        };
        self.runs() || runs_on
    }

    /// What the unit would settle to, as last solved while it ran.
    pub fn steady(&self) -> &SteadyState {
        &self.steady
    }

    /// What there is to read.
    pub fn scene(&self, house: &House) -> Scene {
        let l = &self.lags;
        let swing = self.swing();
        Scene {
            return_air: l.return_air.get(),
            return_ratio: house.ratio,
            supply_air: l.supply.get() + 0.08 * swing,
            supply_ratio: l.coil_ratio.get(),
            outdoor_air: house.outdoor,
            condenser_leaving_air: l.condenser_air.get(),
            suction_line: l.suction.get() + swing,
            discharge_line: l.discharge.get() + 0.4 * swing,
            liquid_line: l.liquid.get(),
            suction_pressure: libm::exp(l.low.get()) * (1.0 - 0.006 * swing),
            liquid_pressure: libm::exp(l.high.get()),
            current: l.current.get().max(0.0),
        }
    }

    fn run(&mut self, house: &House, step_s: f64) {
        if self.solved_ago_s >= SOLVE_EVERY_S {
            self.solve(house);
        }
        let s = &self.steady;
        let current = s.power.get() / (MAINS_V * POWER_FACTOR) + OUTDOOR_FAN_A;
        let l = &mut self.lags;
        l.low.drive(libm::log(s.suction_pressure.get()), step_s);
        l.high.drive(libm::log(s.head_pressure.get()), step_s);
        l.suction.drive(s.suction_line.get(), step_s);
        l.discharge.drive(s.discharge_line.get(), step_s);
        l.liquid.drive(s.liquid_line.get(), step_s);
        l.coil_air.drive(s.supply_air.get(), step_s);
        l.coil_ratio.drive(s.supply_humidity_ratio.get(), step_s);
        l.condenser_air.drive(s.condenser_leaving_air.get(), step_s);
        l.current.drive(current, step_s);
    }

    /// Pressures equalise to saturation at the colder coil, lines go to the air around them.
    fn rest(&mut self, house: &House, step_s: f64) {
        /// An orifice lets pressures equalise faster than a valve that shuts (s).
        const THROUGH_ORIFICE_S: f64 = 45.0;
        const THROUGH_VALVE_S: f64 = 150.0;
        let equalise = match self.unit.metering {
            Metering::FixedOrifice => THROUGH_ORIFICE_S,
            Metering::Txv => THROUGH_VALVE_S,
        };
        let l = &mut self.lags;
        let coldest = house.room.min(house.outdoor);
        if let Some(rest) = bubble_pressure(self.unit.refrigerant, coldest) {
            // Gas that does not condense stays in the condenser and shows there.
            let high = rest + self.unit.factors.non_condensables_pa;
            l.low.drift(libm::log(rest), equalise, step_s);
            l.high.drift(libm::log(high), equalise, step_s);
        }
        l.suction.drift(house.outdoor, 420.0, step_s);
        l.discharge.drift(house.outdoor, 600.0, step_s);
        l.liquid.drift(house.outdoor, 400.0, step_s);
        l.condenser_air.drift(house.outdoor, 120.0, step_s);
        l.current.drift(0.0, 1.0, step_s);
    }

    /// Air through coil and ducts; gives the sensible heat taken from the rooms (W).
    fn move_air(&mut self, house: &House, step_s: f64) -> f64 {
        let (fan, runs) = (self.fan_runs(), self.runs());
        let (_, air_share, _) = stage_shares(self.call);
        let l = &mut self.lags;
        if !fan {
            // The duct stays cold for long, and the coil with it.
            let around = f64::midpoint(house.room, house.outdoor);
            l.coil_air.drift(around, 900.0, step_s);
            l.coil_ratio.drift(house.ratio, 600.0, step_s);
            l.supply.drift(house.room + 1.0, 900.0 + 10.0 * self.duct_s, step_s);
            l.return_air.follow(house.room + 0.05 * (house.outdoor - house.room), 600.0, step_s);
            return 0.0;
        }
        if !runs {
            l.coil_air.drift(house.room + self.unit.design.fan_rise_k, 80.0, step_s);
            l.coil_ratio.drift(house.ratio, 120.0, step_s);
        }
        l.return_air.follow(house.room, 15.0, step_s);
        self.in_duct.push_back(l.coil_air.get());
        let arrives = self.in_duct.pop_front().unwrap_or_else(|| l.coil_air.get());
        l.supply.drive(arrives, step_s);
        let air = IndoorAir {
            dry_bulb: house.room,
            ratio: house.ratio,
            flow: self.airflow_kg_per_s * self.unit.factors.indoor_airflow * air_share,
        };
        air.capacity() * (house.room - l.coil_air.get())
    }

    /// A state that cannot be found leaves the last one standing.
    fn solve(&mut self, house: &House) {
        let (displacement, indoor, outdoor) = stage_shares(self.call);
        let mut unit = self.unit;
        unit.factors.displacement *= displacement;
        unit.factors.outdoor_airflow *= outdoor;
        let found =
            conditions(&unit, house, indoor).and_then(|c| steady_near(&unit, &c, &self.steady));
        self.steady = found.unwrap_or(self.steady);
        self.solved_ago_s = 0.0;
    }

    /// The hunting valve's swing of superheat now (K).
    fn swing(&self) -> f64 {
        const CALM_AT_FIRST_S: f64 = 120.0;
        match self.hunting {
            Some(hunting) if self.runs() && self.since_s > CALM_AT_FIRST_S => {
                let turns = self.elapsed_s / hunting.period.as_secs_f64().max(1.0);
                hunting.amplitude.get() * libm::sin(std::f64::consts::TAU * turns)
            }
            _ => 0.0,
        }
    }
}

/// Displacement, indoor and outdoor airflow of a stage to the full one (ratios; usual values).
const fn stage_shares(call: Call) -> (f64, f64, f64) {
    match call {
        Call::FirstStage => (0.70, 0.75, 0.80),
        Call::None | Call::Full => (1.0, 1.0, 1.0),
    }
}

/// The air that the unit works in now, with this share of its rated airflow.
fn conditions(unit: &UnitParameters, house: &House, air_share: f64) -> Option<Conditions> {
    Some(Conditions {
        indoor: Celsius::new(house.room)?,
        humidity_ratio: HumidityRatio::new(house.ratio)?,
        outdoor: Celsius::new(house.outdoor)?,
        airflow: CubicMetresPerSecond::new(unit.design.rated_airflow()?.get() * air_share)?,
    })
}
