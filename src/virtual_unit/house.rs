//! The house: weather, rooms and thermostat.
//!
//! Rooms of one heat capacity, chosen so that a thermostat of this dead band starts the unit
//! `4·N_max·X·(1−X)` times an hour at the share `X` of its capacity that the load takes.
//!
//! Source: the conventional thermostat curve, EnergyPlus CoilCoolingDXCurveFitSpeed.cc; N_max 3
//! for cooling is attributed there to NEMA DC 3.

use crate::virtual_unit::air::ratio_from_humidity;
use crate::virtual_unit::random::Random;
use crate::virtual_unit::scenario::Scenario;

/// Room temperature between start and stop (K; common practice, no source).
const DEAD_BAND_K: f64 = 0.6;
/// The shortest pause and run (s). Source: two makers' manuals, 3 and 2 min.
const PAUSE_MIN_S: f64 = 180.0;
const RUN_MIN_S: f64 = 120.0;
/// How long the first stage may run before the second comes (s; common practice, no source).
const FIRST_STAGE_MAX_S: f64 = 600.0;

/// What the thermostat calls for.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Call {
    None,
    FirstStage,
    Full,
}

/// Weather, rooms and thermostat at one moment.
#[derive(Debug, Clone)]
pub struct House {
    /// Room temperature (°C).
    pub room: f64,
    /// Humidity ratio in the rooms (kg/kg).
    pub ratio: f64,
    /// Outdoor temperature (°C).
    pub outdoor: f64,
    pub call: Call,
    held_down: bool,
    since_s: f64,
    run_s: f64,
    elapsed_s: f64,
    capacity_j_per_k: f64,
    sensible_load_w: f64,
    rested_ratio: f64,
    wander: f64,
    random: Random,
    climate: Climate,
}

/// What a scenario says of weather and thermostat, as bare numbers.
#[derive(Debug, Clone, Copy)]
struct Climate {
    start_hour: f64,
    mean: f64,
    swing: f64,
    wander: f64,
    setpoint: f64,
    first_start_s: f64,
    first_run_min_s: f64,
    two_stages: bool,
}

impl House {
    /// The house of a scenario whose healthy unit takes `sensible_w` from it; `None` where such
    /// air cannot be.
    pub fn new(scenario: &Scenario, sensible_w: f64) -> Option<Self> {
        let climate = Climate {
            start_hour: scenario.start_hour,
            mean: scenario.outdoor_mean.get(),
            swing: scenario.outdoor_swing.get(),
            wander: scenario.weather_wander.get(),
            setpoint: scenario.setpoint.get(),
            first_start_s: scenario.first_start.as_secs_f64(),
            first_run_min_s: scenario.first_run_min.as_secs_f64(),
            two_stages: scenario.two_stages,
        };
        let ratio = ratio_from_humidity(climate.setpoint, scenario.humidity.get())?;
        Some(Self {
            room: climate.setpoint + DEAD_BAND_K / 2.0 + scenario.pull_down.get(),
            ratio,
            outdoor: climate.outdoor(0.0),
            call: Call::None,
            held_down: !scenario.first_run_min.is_zero(),
            since_s: PAUSE_MIN_S,
            run_s: 0.0,
            elapsed_s: 0.0,
            capacity_j_per_k: sensible_w * 3600.0
                / (4.0 * scenario.starts_per_hour_max)
                / DEAD_BAND_K,
            sensible_load_w: scenario.load_fraction * sensible_w,
            rested_ratio: ratio,
            wander: 0.0,
            random: Random::new(scenario.seed, 1),
            climate,
        })
    }

    /// Goes on by `step_s` (s) while the unit takes `sensible_w` (W).
    pub fn advance(&mut self, sensible_w: f64, step_s: f64) {
        self.elapsed_s += step_s;
        self.since_s += step_s;
        self.run_s += step_s;
        self.blow(step_s);
        let load = self.sensible_load_w * self.load_share();
        self.room += (load - sensible_w) / self.capacity_j_per_k * step_s;
        self.breathe(step_s);
        self.switch();
    }

    /// The wind shifts the air at the condenser a little, with a memory of ten minutes.
    fn blow(&mut self, step_s: f64) {
        const MEMORY_S: f64 = 600.0;
        let kept = libm::exp(-step_s / MEMORY_S);
        let fresh = libm::sqrt(1.0 - kept * kept) * self.climate.wander;
        self.wander = self.wander * kept + fresh * self.random.normal();
        self.outdoor = self.climate.outdoor(self.elapsed_s) + self.wander;
    }

    /// Load to that at the day's mean: it grows with the outdoor air above the balance point.
    fn load_share(&self) -> f64 {
        /// Sun and people carry this much of the outdoor difference (K; common practice, no
        /// source).
        const INNER_GAINS_K: f64 = 6.0;
        let drive = |outdoor: f64| outdoor - self.climate.setpoint + INNER_GAINS_K;
        (drive(self.outdoor) / drive(self.climate.mean).max(1.0)).max(0.0)
    }

    /// Runs dry the rooms a little, pauses let them recover.
    fn breathe(&mut self, step_s: f64) {
        const MEMORY_S: f64 = 1800.0;
        const DRIED: f64 = 0.96;
        const RESTED: f64 = 1.02;
        let share = if self.call == Call::None { RESTED } else { DRIED };
        let target = self.rested_ratio * share;
        self.ratio = target + (self.ratio - target) * libm::exp(-step_s / MEMORY_S);
    }

    fn switch(&mut self) {
        let (low, high) =
            (self.climate.setpoint - DEAD_BAND_K / 2.0, self.climate.setpoint + DEAD_BAND_K / 2.0);
        let wanted = match self.call {
            Call::None if self.room >= high && self.since_s >= PAUSE_MIN_S => {
                if self.climate.two_stages { Call::FirstStage } else { Call::Full }
            }
            Call::FirstStage if self.since_s >= FIRST_STAGE_MAX_S => Call::Full,
            Call::FirstStage | Call::Full if self.room <= low && !self.held() => Call::None,
            same => same,
        };
        if self.elapsed_s >= self.climate.first_start_s && wanted != self.call {
            self.held_down &= wanted != Call::None;
            if wanted == Call::None || self.call == Call::None {
                self.run_s = 0.0;
            }
            self.call = wanted;
            self.since_s = 0.0;
        }
    }

    /// Whether the run is too short yet to end.
    fn held(&self) -> bool {
        let least = if self.held_down { self.climate.first_run_min_s } else { 0.0 };
        self.run_s < least.max(RUN_MIN_S)
    }
}

impl Climate {
    /// Outdoor temperature by the hour: coldest at 4, warmest at 16.
    fn outdoor(&self, elapsed_s: f64) -> f64 {
        const WARMEST_HOUR: f64 = 16.0;
        let hour = self.start_hour + elapsed_s / 3600.0;
        let angle = (hour - WARMEST_HOUR) / 24.0 * std::f64::consts::TAU;
        self.mean + self.swing / 2.0 * libm::cos(angle)
    }
}
