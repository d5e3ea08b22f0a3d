//! What the engine is told of a visit: the unit, its probes and the limits, all checked.
//!
//! `app::job` reads it from a job file; tests and the demo build it directly.

use std::collections::BTreeMap;
use std::time::Duration;

use crate::engine::channel::Place;
use crate::engine::columns::Units;
use crate::engine::presence::SILENCE_MIN;
use crate::units::quantity::{
    Celsius, CubicMetresPerSecond, Kelvins, Pascals, STANDARD_ATMOSPHERE_PA, Watts,
};

/// A visit, as the engine needs it.
#[derive(Debug, Clone, PartialEq)]
pub struct Job {
    /// Whether the unit cools or heats.
    pub mode: Mode,
    /// Local barometer (Pa), typed or from the altitude.
    pub barometer: Pascals,
    /// Standard uncertainty of the barometer (Pa).
    pub barometer_uncertainty_pa: f64,
    /// The unit.
    pub unit: Unit,
    /// The probes, in the job's order.
    pub probes: Vec<Probe>,
    /// What is known of single probes from baths.
    pub calibrations: Vec<Calibration>,
    /// When a reading counts as settled.
    pub settle: Settle,
    /// How often a moment is written down (1 s to 1 h; default 1 s).
    pub interval: Duration,
    /// How people see numbers in texts; nothing is decided by it.
    pub units: Units,
}

impl Default for Job {
    /// A package unit at sea level of which nothing else is known, and no probes.
    fn default() -> Self {
        Self {
            mode: Mode::Cooling,
            barometer: Pascals::new(STANDARD_ATMOSPHERE_PA)
                .expect("a standard atmosphere is possible"),
            barometer_uncertainty_pa: 1_000.0,
            unit: Unit::default(),
            probes: Vec::new(),
            calibrations: Vec::new(),
            settle: Settle::default(),
            interval: Duration::from_secs(1),
            units: Units::default(),
        }
    }
}

/// Whether the unit cools or heats.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Default)]
pub enum Mode {
    /// The indoor coil cools.
    #[default]
    Cooling,
    /// The indoor coil heats; the coils change places.
    Heating,
    /// The data tell.
    Auto,
}

/// How the unit is built.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Default)]
pub enum UnitKind {
    /// All in one case.
    #[default]
    Package,
    /// Indoor and outdoor unit with lines between.
    Split,
    /// Indoor unit without ducts.
    Ductless,
}

/// What meters the refrigerant into the indoor coil.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Metering {
    /// An orifice or a capillary tube.
    FixedOrifice,
    /// A thermostatic expansion valve.
    Txv,
    /// An electronic expansion valve.
    Eev,
}

/// How the airflow is known.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum AirflowBasis {
    /// Somebody measured it.
    Measured,
    /// It is taken as usual.
    Assumed,
}

/// One refrigerant circuit.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Circuit {
    /// The refrigerant by its ASHRAE designation, as the tables know it: `R-410A`.
    pub refrigerant: Option<String>,
    /// The metering device.
    pub metering: Option<Metering>,
    /// The nameplate's subcooling.
    pub target_subcooling: Option<Kelvins>,
    /// A superheat that the maker asks for.
    pub target_superheat: Option<Kelvins>,
    /// The maker's approach: liquid line over outdoor air.
    pub approach: Option<Kelvins>,
}

/// The unit, as far as the technician knows it.
#[derive(Debug, Clone, PartialEq)]
pub struct Unit {
    /// How it is built.
    pub kind: UnitKind,
    /// Its circuits; at least one, the first is circuit 1.
    pub circuits: Vec<Circuit>,
    /// Nameplate cooling capacity.
    pub rated_cooling: Option<Watts>,
    /// Nameplate heating capacity.
    pub rated_heating: Option<Watts>,
    /// Indoor airflow, and how it is known.
    pub airflow: Option<(CubicMetresPerSecond, AirflowBasis)>,
    /// Number of compressor stages (1 to 4).
    pub stages: u8,
    /// Whether the compressor's speed varies.
    pub variable_speed: bool,
    /// Whether there is an outdoor-air damper.
    pub economizer: bool,
}

impl Default for Unit {
    fn default() -> Self {
        Self {
            kind: UnitKind::default(),
            circuits: vec![Circuit::default()],
            rated_cooling: None,
            rated_heating: None,
            airflow: None,
            stages: 1,
            variable_speed: false,
            economizer: false,
        }
    }
}

/// What a bath told of one field of a probe.
#[derive(Debug, Clone, PartialEq)]
pub struct Calibration {
    /// The probe's address (upper case, colons).
    pub address: String,
    /// The field's name.
    pub field: String,
    /// The day (UTC), as 2031-06-04.
    pub date: String,
    /// Whether it was held against a known temperature, and not only against other probes.
    pub absolute: bool,
    /// One point, or two.
    pub points: Vec<CalibrationPoint>,
}

/// The correction at one temperature.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct CalibrationPoint {
    /// The temperature (°C).
    pub at_c: f64,
    /// To be added to a reading (K).
    pub offset_k: f64,
    /// Its standard uncertainty (K).
    pub uncertainty_k: f64,
}

impl Calibration {
    /// What is added to a reading (°C): a constant (K), and a share of the reading.
    pub fn correction(&self) -> (f64, f64) {
        match self.points.as_slice() {
            [a, b] => {
                crate::engine::calibrate::two_points((a.at_c, a.offset_k), (b.at_c, b.offset_k))
                    .unwrap_or((f64::midpoint(a.offset_k, b.offset_k), 0.0))
            }
            [a, ..] => (a.offset_k, 0.0),
            [] => (0.0, 0.0),
        }
    }

    /// The largest standard uncertainty of its points (K).
    pub fn uncertainty_k(&self) -> f64 {
        self.points.iter().map(|point| point.uncertainty_k).fold(0.0, f64::max)
    }
}

/// How a job tells which probe it means.
#[derive(Debug, Clone, PartialEq, Eq, Hash)]
pub enum ProbeRef {
    /// By address (upper case, colons).
    Address(String),
    /// By the name that it sends, where addresses change or are hidden.
    Name(String),
}

/// Where the fields of one probe belong.
#[derive(Debug, Clone, PartialEq)]
pub struct Probe {
    /// Which probe.
    pub which: ProbeRef,
    /// The place of all fields that have no place of their own.
    pub place: Option<Place>,
    /// Places of single fields, by the field's name.
    pub fields: BTreeMap<String, FieldPlace>,
    /// Added to every temperature of the probe.
    pub offset: Option<Kelvins>,
    /// Averaged with others at its place.
    pub average: bool,
    /// Says, where the profile does not, that its pressures are gauge (`Some(true)`) or absolute.
    pub gauge: Option<bool>,
}

/// The place of one field of a probe.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct FieldPlace {
    /// Where; `None` leaves the field without a channel.
    pub place: Option<Place>,
    /// Added to the field's temperature.
    pub offset: Option<Kelvins>,
}

/// When a reading counts as settled.
#[derive(Debug, Clone, PartialEq)]
pub struct Settle {
    /// How long readings must hold still (30 s to 1 h; default 300 s).
    pub window: Duration,
    /// Largest drift of a temperature (K per minute, 0.005 to 5; default 0.1).
    pub drift_k_per_min_max: f64,
    /// Largest standard deviation of a temperature about its drift over the window (K, 0.01 to 10;
    /// default 0.5).
    pub spread_k_max: f64,
    /// Shortest run that can be settled (0 s to 1 h; default 300 s).
    pub run_min: Duration,
    /// Least time between settled sets of one run (10 s to 24 h; default 1,800 s).
    pub set_interval: Duration,
    /// Silence after which a probe is lost, at the least (5 s to 1 h; default 60 s).
    pub silence: Duration,
    /// Temperature that a suction line must not reach (default 0 °C).
    pub frost: Celsius,
}

impl Default for Settle {
    fn default() -> Self {
        Self {
            window: Duration::from_secs(300),
            drift_k_per_min_max: 0.1,
            spread_k_max: 0.5,
            run_min: Duration::from_secs(300),
            set_interval: Duration::from_secs(1_800),
            silence: SILENCE_MIN,
            frost: Celsius::new(0.0).expect("0 °C is possible"),
        }
    }
}
