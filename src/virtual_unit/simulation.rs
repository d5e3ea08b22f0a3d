//! The whole: house, unit and probes, second by second, as bytes in time order.

use std::cmp::Reverse;
use std::collections::BinaryHeap;

use crate::physics::refrigerant::Refrigerant;
use crate::units::quantity::{Amperes, Celsius, HumidityRatio, Pascals};
use crate::units::time::Elapsed;
use crate::virtual_unit::air::ratio_from_humidity;
use crate::virtual_unit::cycle_model::{Conditions, SteadyState, steady};
use crate::virtual_unit::design::UnitParameters;
use crate::virtual_unit::house::House;
use crate::virtual_unit::plant::{Plant, Scene};
use crate::virtual_unit::probes::{Emission, Probe, ProbeListing, kit};
use crate::virtual_unit::random::Random;
use crate::virtual_unit::scenario::{Scenario, ScenarioError};

/// A simulated visit: an iterator of what the probes send, in the order it is heard.
///
/// ```
/// use settled::virtual_unit::scenario::Scenario;
/// use settled::virtual_unit::simulation::Simulation;
/// let first = |n| Simulation::new(&Scenario::default()).unwrap().take(n).collect::<Vec<_>>();
/// assert_eq!(first(20), first(20));
/// assert!(first(20).windows(2).all(|pair| pair[0].at <= pair[1].at));
/// ```
#[derive(Debug, Clone)]
pub struct Simulation {
    length_ms: u64,
    now_ms: u64,
    house: House,
    plant: Plant,
    probes: Vec<Probe>,
    on_air: BinaryHeap<Reverse<OnAir>>,
    sent: u64,
    runs: Vec<Run>,
}

/// A run of the compressor, as it truly was.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Run {
    /// When it started.
    pub start: Elapsed,
    /// When it stopped; `None` while it goes on.
    pub stop: Option<Elapsed>,
}

/// The truth at one moment, free of every probe's errors.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Truth {
    /// The moment.
    pub at: Elapsed,
    /// The compressor runs.
    pub compressor: bool,
    /// The indoor fan runs.
    pub fan: bool,
    /// Return air.
    pub return_air: Celsius,
    /// Its humidity ratio.
    pub return_humidity_ratio: HumidityRatio,
    /// Supply air.
    pub supply_air: Celsius,
    /// Its humidity ratio.
    pub supply_humidity_ratio: HumidityRatio,
    /// Outdoor air.
    pub outdoor_air: Celsius,
    /// Air that leaves the condenser.
    pub condenser_leaving_air: Celsius,
    /// Suction line.
    pub suction_line: Celsius,
    /// Discharge line.
    pub discharge_line: Celsius,
    /// Liquid line.
    pub liquid_line: Celsius,
    /// Pressure in the suction line.
    pub suction_pressure: Pascals,
    /// Pressure in the liquid line.
    pub liquid_pressure: Pascals,
    /// Current of the outdoor unit.
    pub current: Amperes,
    /// What the unit settles to; as last solved, while it rests.
    pub steady: SteadyState,
}

impl Simulation {
    /// House, unit and probes at the beginning of `scenario`.
    ///
    /// # Errors
    /// When the refrigerant has no model, or no unit or steady state can be found.
    pub fn new(scenario: &Scenario) -> Result<Self, ScenarioError> {
        let refrigerant = Refrigerant::by_name(&scenario.refrigerant)?;
        let built = UnitParameters::calibrated(refrigerant, scenario.metering, &scenario.design);
        let nominal = built
            .ok_or_else(|| ScenarioError::Design { refrigerant: scenario.refrigerant.clone() })?;
        let sensible = taken_from_rooms(&nominal, scenario).ok_or(ScenarioError::Weather)?;
        let mut unit = nominal.varied(&mut Random::new(scenario.seed, 2), scenario.unit_spread);
        for (fault, severity) in &scenario.faults {
            unit = unit.with_fault(*fault, *severity);
        }
        let house = House::new(scenario, sensible);
        let plant = Plant::at_rest(&unit, scenario, &house).ok_or(ScenarioError::Weather)?;
        let probes = kit(scenario, &plant.scene(&house));
        Ok(Self {
            length_ms: u64::try_from(scenario.length.as_millis()).unwrap_or(u64::MAX),
            now_ms: 0,
            house,
            plant,
            probes,
            on_air: BinaryHeap::new(),
            sent: 0,
            runs: Vec::new(),
        })
    }

    /// The probes, for a job file.
    pub fn probes(&self) -> impl Iterator<Item = &ProbeListing> {
        self.probes.iter().map(Probe::listing)
    }

    /// All runs of the compressor so far.
    pub fn runs(&self) -> &[Run] {
        &self.runs
    }

    /// The truth, at most a second after the last emission.
    pub fn truth(&self) -> Option<Truth> {
        let scene: Scene = self.plant.scene(&self.house);
        Some(Truth {
            at: Elapsed::from_ms(self.now_ms),
            compressor: self.plant.runs(),
            fan: self.plant.fan_runs(),
            return_air: Celsius::new(scene.return_air)?,
            return_humidity_ratio: HumidityRatio::new(scene.return_ratio)?,
            supply_air: Celsius::new(scene.supply_air)?,
            supply_humidity_ratio: HumidityRatio::new(scene.supply_ratio)?,
            outdoor_air: Celsius::new(scene.outdoor_air)?,
            condenser_leaving_air: Celsius::new(scene.condenser_leaving_air)?,
            suction_line: Celsius::new(scene.suction_line)?,
            discharge_line: Celsius::new(scene.discharge_line)?,
            liquid_line: Celsius::new(scene.liquid_line)?,
            suction_pressure: Pascals::new(scene.suction_pressure)?,
            liquid_pressure: Pascals::new(scene.liquid_pressure)?,
            current: Amperes::new(scene.current)?,
            steady: *self.plant.steady(),
        })
    }

    fn advance(&mut self) {
        const STEP_MS: u64 = 1000;
        const STEP_S: f64 = 1.0;
        self.now_ms += STEP_MS;
        let ran = self.plant.runs();
        let taken = self.plant.advance(&self.house, STEP_S);
        self.house.advance(taken, STEP_S);
        let now = Elapsed::from_ms(self.now_ms);
        match (ran, self.plant.runs()) {
            (false, true) => self.runs.push(Run { start: now, stop: None }),
            (true, false) => {
                if let Some(last) = self.runs.last_mut() {
                    last.stop = Some(now);
                }
            }
            _ => {}
        }
        let scene = self.plant.scene(&self.house);
        for probe in &mut self.probes {
            probe.follow(&scene, STEP_S);
            probe.send(self.now_ms, &mut |emission| {
                self.sent += 1;
                self.on_air.push(Reverse(OnAir { order: (emission.at, self.sent), emission }));
            });
        }
    }
}

impl Iterator for Simulation {
    type Item = Emission;

    fn next(&mut self) -> Option<Emission> {
        loop {
            let heard =
                self.on_air.peek().is_some_and(|Reverse(next)| next.order.0.as_ms() < self.now_ms);
            if heard {
                return self.on_air.pop().map(|Reverse(next)| next.emission);
            }
            if self.now_ms >= self.length_ms {
                return None;
            }
            self.advance();
        }
    }
}

/// An emission on its way, ordered by when it is heard.
#[derive(Debug, Clone)]
struct OnAir {
    order: (Elapsed, u64),
    emission: Emission,
}

impl PartialEq for OnAir {
    fn eq(&self, other: &Self) -> bool {
        self.order == other.order
    }
}

impl Eq for OnAir {}

impl PartialOrd for OnAir {
    fn partial_cmp(&self, other: &Self) -> Option<std::cmp::Ordering> {
        Some(self.cmp(other))
    }
}

impl Ord for OnAir {
    fn cmp(&self, other: &Self) -> std::cmp::Ordering {
        self.order.cmp(&other.order)
    }
}

/// Sensible heat that the healthy unit takes from the rooms in the scenario's mean weather (W).
fn taken_from_rooms(unit: &UnitParameters, scenario: &Scenario) -> Option<f64> {
    let ratio = ratio_from_humidity(scenario.setpoint.get(), scenario.humidity.get());
    let state = steady(
        unit,
        &Conditions {
            indoor: scenario.setpoint,
            humidity_ratio: HumidityRatio::new(ratio)?,
            outdoor: scenario.outdoor_mean,
            airflow: unit.design.rated_airflow()?,
        },
    )?;
    Some(
        state.sensible.get() * state.evaporator_split.get()
            / (state.evaporator_split.get() + unit.design.fan_rise_k),
    )
}
