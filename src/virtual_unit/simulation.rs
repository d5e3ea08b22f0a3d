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
        let house = House::new(scenario, sensible).ok_or(ScenarioError::Weather)?;
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
    let ratio = ratio_from_humidity(scenario.setpoint.get(), scenario.humidity.get())?;
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

#[cfg(test)]
mod tests {
    use super::*;
    use std::time::Duration;

    use crate::units::quantity::{Kelvins, STANDARD_ATMOSPHERE_PA};
    use crate::virtual_unit::design::Metering;
    use crate::virtual_unit::faults::{Fault, Severity};
    use crate::virtual_unit::payload::Carrier;
    use crate::virtual_unit::scenario::{Hunting, ProbeCare};

    fn hours(hours: u64) -> Scenario {
        Scenario { length: Duration::from_hours(hours), ..Scenario::default() }
    }

    /// Slow probes, for tests of the house and the unit alone.
    fn truths(scenario: Scenario) -> (Vec<Truth>, Vec<Run>) {
        let care =
            ProbeCare { interval: Duration::from_secs(5), loss: 0.0, late: 0.0, ..scenario.probes };
        let mut simulation = Simulation::new(&Scenario { probes: care, ..scenario }).unwrap();
        let mut truths = Vec::new();
        while simulation.next().is_some() {
            let truth = simulation.truth().unwrap();
            if truths.last().is_none_or(|last: &Truth| last.at != truth.at) {
                truths.push(truth);
            }
        }
        (truths, simulation.runs().to_vec())
    }

    #[test]
    fn emissions_come_in_time_order_and_about_as_many_as_promised() {
        let scenario = hours(1);
        let heard: Vec<Emission> = Simulation::new(&scenario).unwrap().collect();
        assert!(heard.windows(2).all(|pair| pair[0].at <= pair[1].at));
        // Nine probes at one a second, 3 % lost: 31,428 with a standard deviation of 31.
        let expected = 9.0 * 3600.0 * (1.0 - scenario.probes.loss);
        assert!((heard.len() as f64 - expected).abs() < 130.0, "{}", heard.len());
    }

    #[test]
    fn three_shipped_formats_are_spoken() {
        let mut carriers: Vec<Carrier> =
            Simulation::new(&hours(1)).unwrap().take(200).map(|e| e.carrier).collect();
        carriers.sort_by_key(|carrier| format!("{carrier:?}"));
        carriers.dedup();
        assert_eq!(carriers, [Carrier::SENSING_TEMPERATURE, Carrier::PLAIN, Carrier::BTHOME]);
    }

    #[test]
    fn the_same_seed_gives_the_same_bytes_and_another_does_not() {
        let of = |seed| {
            let scenario = Scenario { seed, ..Scenario::default() };
            Simulation::new(&scenario).unwrap().take(500).collect::<Vec<_>>()
        };
        assert_eq!(of(5), of(5));
        assert_ne!(of(5), of(6));
    }

    #[test]
    fn without_gauges_the_other_probes_send_the_same() {
        let of = |gauges| {
            let simulation = Simulation::new(&Scenario { gauges, ..hours(1) }).unwrap();
            let kept = |e: &Emission| !e.probe.ends_with("08") && !e.probe.ends_with("09");
            simulation.filter(kept).take(2000).collect::<Vec<_>>()
        };
        assert_eq!(of(true), of(false));
        let places =
            |gauges| Simulation::new(&Scenario { gauges, ..hours(1) }).unwrap().probes().count();
        assert_eq!((places(true), places(false)), (9, 7));
    }

    #[test]
    fn demos_first_run_has_settled_by_minute_fifteen_and_lasts_on() {
        let (truths, runs) = truths(Scenario::default());
        let stop = runs[0].stop.expect("the first run ends within the hour");
        assert!(stop.since(runs[0].start) >= Duration::from_mins(25), "{runs:?}");
        assert!(runs.len() > 1, "there is no second start");
        let minute = |m: u64| {
            let at = runs[0].start + Duration::from_mins(m);
            truths.iter().find(|t| t.at >= at).unwrap()
        };
        let (fifteen, twenty) = (minute(15), minute(20));
        for (early, late) in [
            (fifteen.supply_air, twenty.supply_air),
            (fifteen.suction_line, twenty.suction_line),
            (fifteen.liquid_line, twenty.liquid_line),
            (fifteen.discharge_line, twenty.discharge_line),
        ] {
            assert!((late - early).get().abs() / 5.0 < 0.1, "{early:?} {late:?}");
        }
        // And it has arrived where the steady model says.
        assert!((twenty.suction_line - twenty.steady.suction_line).get().abs() < 0.2);
    }

    #[test]
    fn any_fault_and_none_give_a_first_run_of_twenty_five_minutes() {
        for metering in [Metering::FixedOrifice, Metering::Txv] {
            let faults = Fault::ALL.map(|fault| vec![(fault, Severity::Severe)]);
            for faults in faults.into_iter().chain([Vec::new()]) {
                let scenario = Scenario { metering, faults, ..hours(1) };
                let (_, runs) = truths(scenario.clone());
                let stop = runs[0].stop.unwrap_or(Elapsed::from_secs(3600));
                let length = stop.since(runs[0].start);
                assert!(length >= Duration::from_mins(25), "{:?} {length:?}", scenario.faults);
            }
        }
    }

    /// Source: N = 4·N_max·X·(1−X) with N_max 3, EnergyPlus CoilCoolingDXCurveFitSpeed.cc. Within
    /// 20 %, since start-up losses raise the share.
    #[test]
    fn starts_follow_the_conventional_thermostat_curve() {
        for (load, expected) in [(0.25, 2.25), (0.5, 3.0), (0.75, 2.25)] {
            let scenario = Scenario {
                faults: Vec::new(),
                load_fraction: load,
                first_run_min: Duration::ZERO,
                outdoor_swing: Kelvins::new(0.0).unwrap(),
                ..hours(9)
            };
            let (_, runs) = truths(scenario);
            let (first, last) = (runs[0].start, runs[runs.len() - 1].start);
            let rate = (runs.len() - 1) as f64 / (last.since(first).as_secs_f64() / 3600.0);
            assert!((rate / expected - 1.0).abs() < 0.2, "{load}: {rate} against {expected}");
        }
    }

    #[test]
    fn after_the_stop_the_duct_stays_cold_lines_warm_and_pressures_meet() {
        let (truths, runs) = truths(Scenario::default());
        let stop = runs[0].stop.unwrap();
        let after = |m| *truths.iter().find(|t| t.at >= stop + Duration::from_mins(m)).unwrap();
        let (at_stop, later) = (after(0), after(5));
        assert!((later.return_air - later.supply_air).get() > 2.0, "{later:?}");
        assert!((later.suction_line - at_stop.suction_line).get() > 2.0);
        let apart = later.liquid_pressure.get() - later.suction_pressure.get();
        assert!(apart < 0.05 * STANDARD_ATMOSPHERE_PA, "{apart}");
        assert!(later.current.get() < 0.01);
    }

    #[test]
    fn air_in_the_circuit_shows_at_rest_as_pressure_over_saturation() {
        let excess = |faults: Vec<(Fault, Severity)>| {
            let (truths, runs) = truths(Scenario { faults, ..hours(1) });
            let at = runs[0].stop.unwrap() + Duration::from_mins(5);
            let rest = truths.iter().find(|t| t.at >= at).unwrap();
            rest.liquid_pressure.get() - rest.suction_pressure.get()
        };
        assert!((excess(vec![(Fault::NonCondensables, Severity::Middle)]) - 1.5e5).abs() < 5e3);
        assert!(excess(Vec::new()).abs() < 5e3);
    }

    #[test]
    fn probes_without_errors_tell_the_truth() {
        let care = ProbeCare {
            noise: 0.0,
            offsets: 0.0,
            loss: 0.0,
            late: 0.0,
            clamp_effect: 0.0,
            clamp_lag: Duration::ZERO,
            ..ProbeCare::default()
        };
        let mut simulation = Simulation::new(&Scenario { probes: care, ..hours(1) }).unwrap();
        let clamp = simulation.probes().find(|p| p.name == "one-clamp").unwrap().address.clone();
        let mut compared = 0;
        while let Some(emission) = simulation.next() {
            if emission.probe == clamp {
                let truth = simulation.truth().unwrap().discharge_line.get();
                let said = i16::from_le_bytes([emission.bytes[5], emission.bytes[6]]);
                // Half the format's step, and what the line changes in the one step between.
                assert!((f64::from(said) * 0.01 - truth).abs() < 0.5, "{said} {truth}");
                compared += 1;
            }
        }
        assert!(compared > 3500, "{compared}");
    }

    #[test]
    fn a_hunting_valve_swings_the_suction_line() {
        let hunting =
            Hunting { amplitude: Kelvins::new(3.0).unwrap(), period: Duration::from_mins(2) };
        let spread = |hunting| {
            let scenario =
                Scenario { metering: Metering::Txv, hunting, faults: vec![], ..hours(1) };
            let (truths, runs) = truths(scenario);
            let from = runs[0].start + Duration::from_mins(10);
            let window =
                truths.iter().filter(|t| t.at >= from && t.at < from + Duration::from_mins(4));
            let lines: Vec<f64> = window.map(|t| t.suction_line.get()).collect();
            lines.iter().copied().fold(f64::MIN, f64::max)
                - lines.iter().copied().fold(f64::MAX, f64::min)
        };
        assert!((spread(Some(hunting)) - 6.0).abs() < 0.7, "{}", spread(Some(hunting)));
        assert!(spread(None) < 0.5, "{}", spread(None));
    }

    #[test]
    fn two_stages_start_low_and_go_on_full() {
        let (truths, runs) = truths(Scenario { two_stages: true, faults: vec![], ..hours(2) });
        let current = |m| {
            let at = runs[0].start + Duration::from_mins(m);
            truths.iter().find(|t| t.at >= at).unwrap().current.get()
        };
        let (low, high) = (current(8), current(14));
        assert!(low < 0.85 * high, "{low} {high}");
    }

    #[test]
    fn a_scenario_that_cannot_be_is_refused_with_what_to_do() {
        let refused = |scenario: &Scenario| Simulation::new(scenario).unwrap_err().to_string();
        let scenario = Scenario { refrigerant: "R-999".to_owned(), ..Scenario::default() };
        assert!(refused(&scenario).contains("R-999"));
        let outdoor_mean = Celsius::new(75.0).unwrap();
        let scenario = Scenario { outdoor_mean, ..Scenario::default() };
        assert!(refused(&scenario).contains("no steady state"), "{}", refused(&scenario));
    }
}
