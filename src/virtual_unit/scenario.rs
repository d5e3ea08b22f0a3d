//! What is to be simulated: unit, faults, weather, house and probes.

use std::time::Duration;

use crate::units::quantity::{Celsius, Kelvins, RelativeHumidity};
use crate::virtual_unit::design::{Design, Metering};
use crate::virtual_unit::faults::{Fault, Severity};

/// A scenario; [`Scenario::default`] is that of `settled demo`. All of it is invented.
#[derive(Debug, Clone, PartialEq)]
pub struct Scenario {
    /// The same seed gives the same bytes.
    pub seed: u64,
    /// How long it lasts.
    pub length: Duration,
    /// Local time at the start (h, 0 to 24).
    pub start_hour: f64,
    /// The refrigerant's name.
    pub refrigerant: String,
    /// What meters it.
    pub metering: Metering,
    /// How the unit is built.
    pub design: Design,
    /// What is wrong with it; empty for a healthy unit.
    pub faults: Vec<(Fault, Severity)>,
    /// How far the unit may be from its design (fraction, evenly to both sides; 0.1 for studies).
    pub unit_spread: f64,
    /// Outdoor temperature over the day.
    pub outdoor_mean: Celsius,
    /// From the day's coldest to its warmest.
    pub outdoor_swing: Kelvins,
    /// How far wind and sun shift the outdoor air (standard deviation).
    pub weather_wander: Kelvins,
    /// What the thermostat is set to.
    pub setpoint: Celsius,
    /// Relative humidity in the rooms at the set point.
    pub humidity: RelativeHumidity,
    /// Load at the mean outdoor temperature, to the healthy unit's capacity there (fraction).
    pub load_fraction: f64,
    /// How much warmer than its start temperature the room is at first.
    pub pull_down: Kelvins,
    /// The thermostat is held back for this long at first.
    pub first_start: Duration,
    /// A technician holds the thermostat down until the first run has lasted this long.
    pub first_run_min: Duration,
    /// A first stage of 70 % capacity runs before the full one.
    pub two_stages: bool,
    /// A thermostatic valve that hunts.
    pub hunting: Option<Hunting>,
    /// When the indoor fan runs.
    pub fan: FanMode,
    /// How slowly the supply duct follows the coil (time constant of its fast share).
    pub duct_lag: Duration,
    /// How long air is on its way from the coil to the supply probe (0 to 2 min).
    pub duct_delay: Duration,
    /// Starts an hour at half load that the thermostat allows (1 to 20; 3 is usual, more a short
    /// cycling one).
    pub starts_per_hour_max: f64,
    /// Gauges are on: suction and liquid pressure.
    pub gauges: bool,
    /// A current clamp is on the outdoor unit.
    pub current: bool,
    /// How the probes are.
    pub probes: ProbeCare,
}

/// When the indoor fan runs.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum FanMode {
    /// With the compressor, and for this long after it.
    RunOn(Duration),
    /// All the time.
    Always,
}

/// A slow swing of suction superheat, as a valve that hunts gives.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Hunting {
    /// Amplitude of the superheat.
    pub amplitude: Kelvins,
    /// Time from peak to peak.
    pub period: Duration,
}

/// How good the probes and their radio are.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ProbeCare {
    /// Time between two payloads of one probe.
    pub interval: Duration,
    /// Scatter of each reading to the usual (ratio; 0 for none).
    pub noise: f64,
    /// Constant offset of each probe to the usual (ratio; 0 for none).
    pub offsets: f64,
    /// Coarsest step of temperatures; `None` for the format's own.
    pub resolution: Option<Kelvins>,
    /// Share of the payloads that is not heard (fraction).
    pub loss: f64,
    /// Share of the payloads that comes late (fraction), by up to 5 s.
    pub late: f64,
    /// How strongly a clamp reads the air around it (fraction of the difference to the pipe).
    pub clamp_effect: f64,
    /// Time constant of line clamps.
    pub clamp_lag: Duration,
    /// Battery at the start (fraction).
    pub battery: f64,
}

impl Default for ProbeCare {
    fn default() -> Self {
        Self {
            interval: Duration::from_secs(1),
            noise: 1.0,
            offsets: 1.0,
            resolution: None,
            loss: 0.03,
            late: 0.01,
            clamp_effect: 0.01,
            clamp_lag: Duration::from_secs(12),
            battery: 0.87,
        }
    }
}

impl Default for Scenario {
    fn default() -> Self {
        let celsius = |value| Celsius::new(value).expect("a summer temperature is possible");
        let kelvins = |value| Kelvins::new(value).expect("a few kelvins are possible");
        Self {
            seed: 1,
            length: Duration::from_hours(1),
            start_hour: 14.0,
            refrigerant: "R-410A".to_owned(),
            metering: Metering::FixedOrifice,
            design: Design::default(),
            faults: vec![(Fault::LowCharge, Severity::Middle)],
            unit_spread: 0.0,
            outdoor_mean: celsius(29.0),
            outdoor_swing: kelvins(9.0),
            weather_wander: kelvins(0.1),
            setpoint: celsius(25.5),
            humidity: RelativeHumidity::new(0.50).expect("0.5 lies between 0 and 1"),
            load_fraction: 0.38,
            pull_down: kelvins(0.0),
            first_start: Duration::from_secs(150),
            first_run_min: Duration::from_mins(25),
            two_stages: false,
            hunting: None,
            fan: FanMode::RunOn(Duration::from_secs(45)),
            duct_lag: Duration::from_secs(15),
            duct_delay: Duration::ZERO,
            starts_per_hour_max: 3.0,
            gauges: true,
            current: true,
            probes: ProbeCare::default(),
        }
    }
}

/// Why a scenario cannot be simulated.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum ScenarioError {
    /// No model of the refrigerant.
    #[error(transparent)]
    Refrigerant(#[from] crate::physics::refrigerant::RefrigerantError),
    /// The design cannot be built with this refrigerant.
    #[error("the virtual unit cannot be built with {refrigerant}; use R-410A")]
    Design {
        /// The refrigerant's name.
        refrigerant: String,
    },
    /// The unit has no steady state in this weather.
    #[error(
        "the virtual unit finds no steady state in this weather; bring outdoor and indoor \
         temperatures nearer to 35 and 26 °C"
    )]
    Weather,
}
