//! The probes: what they make of the truth, and when they send it.

use std::sync::Arc;

use crate::units::quantity::{Kelvins, STANDARD_ATMOSPHERE_PA};
use crate::units::time::Elapsed;
use crate::virtual_unit::air::humidity_from_ratio;
use crate::virtual_unit::lags::Lag;
use crate::virtual_unit::payload::{
    self, Bthome, Carrier, plain_clamp, plain_clamp_pair, plain_gauge, sensing_temperature,
};
use crate::virtual_unit::plant::Scene;
use crate::virtual_unit::random::Random;
use crate::virtual_unit::scenario::{ProbeCare, Scenario};

/// Bytes on air.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Emission {
    /// When they are heard.
    pub at: Elapsed,
    /// The address of the probe.
    pub probe: Arc<str>,
    /// The way they come.
    pub carrier: Carrier,
    /// The payload, without company id or UUID.
    pub bytes: Vec<u8>,
    /// Signal strength (dBm).
    pub rssi_dbm: i16,
}

/// What a job file needs to know of a simulated probe.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ProbeListing {
    /// Its address, a locally administered one.
    pub address: Arc<str>,
    /// Its name.
    pub name: &'static str,
    /// Its fields by the names of the shipped profiles, each with the position it sits at.
    pub fields: Vec<(&'static str, &'static str)>,
}

/// What one sensor looks at.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Sense {
    ReturnAir,
    ReturnHumidity,
    SupplyAir,
    SupplyHumidity,
    CondenserLeavingAir,
    OutdoorAir,
    SuctionLine,
    LiquidLine,
    DischargeLine,
    SuctionPressure,
    LiquidPressure,
    Current,
}

impl Sense {
    fn of(self, scene: &Scene) -> f64 {
        let humidity = |t: f64, ratio: f64| humidity_from_ratio(t, ratio).unwrap_or(f64::NAN);
        match self {
            Self::ReturnAir => scene.return_air,
            Self::ReturnHumidity => humidity(scene.return_air, scene.return_ratio),
            Self::SupplyAir => scene.supply_air,
            Self::SupplyHumidity => humidity(scene.supply_air, scene.supply_ratio),
            Self::CondenserLeavingAir => scene.condenser_leaving_air,
            Self::OutdoorAir => scene.outdoor_air,
            Self::SuctionLine => scene.suction_line,
            Self::LiquidLine => scene.liquid_line,
            Self::DischargeLine => scene.discharge_line,
            Self::SuctionPressure => scene.suction_pressure - STANDARD_ATMOSPHERE_PA,
            Self::LiquidPressure => scene.liquid_pressure - STANDARD_ATMOSPHERE_PA,
            Self::Current => scene.current,
        }
    }

    /// Scatter (standard deviation) and offset (half-width) of a usual sensor, in SI; tuned.
    const fn errors(self) -> (f64, f64) {
        match self {
            Self::SuctionLine | Self::LiquidLine | Self::DischargeLine => (0.04, 0.3),
            Self::ReturnHumidity | Self::SupplyHumidity => (0.002, 0.015),
            Self::SuctionPressure => (600.0, 3_000.0),
            Self::LiquidPressure => (1_500.0, 6_000.0),
            Self::Current => (0.02, 0.1),
            _ => (0.03, 0.2),
        }
    }

    const fn is_line(self) -> bool {
        matches!(self, Self::SuctionLine | Self::LiquidLine | Self::DischargeLine)
    }

    const fn is_temperature(self) -> bool {
        !matches!(
            self,
            Self::ReturnHumidity
                | Self::SupplyHumidity
                | Self::SuctionPressure
                | Self::LiquidPressure
                | Self::Current
        )
    }

    /// Time constant (s) of a usual sensor that is no clamp; tuned.
    const fn lag_s(self) -> f64 {
        match self {
            Self::SuctionPressure | Self::LiquidPressure | Self::Current => 0.5,
            Self::ReturnHumidity | Self::SupplyHumidity => 12.0,
            _ => 10.0,
        }
    }
}

#[derive(Debug, Clone)]
struct Sensor {
    sense: Sense,
    lag: Lag,
    lag_s: f64,
    clamp_effect: f64,
    offset: f64,
    scatter: f64,
    step: f64,
}

impl Sensor {
    fn new(sense: Sense, care: &ProbeCare, scene: &Scene, random: &mut Random) -> Self {
        let (scatter, offset) = sense.errors();
        let clamp_effect = if sense.is_line() { care.clamp_effect } else { 0.0 };
        let lag_s = if sense.is_line() { care.clamp_lag.as_secs_f64() } else { sense.lag_s() };
        let step = care.resolution.filter(|_| sense.is_temperature()).map_or(0.0, Kelvins::get);
        Self {
            sense,
            lag: Lag::at(sense.of(scene)),
            lag_s,
            clamp_effect,
            offset: care.offsets * random.between(-offset, offset),
            scatter: care.noise * scatter,
            step,
        }
    }

    fn follow(&mut self, scene: &Scene, step_s: f64) {
        let there = self.sense.of(scene);
        let around = scene.outdoor_air - there;
        self.lag.follow(there + self.clamp_effect * around, self.lag_s, step_s);
    }

    fn read(&self, random: &mut Random) -> f64 {
        let value = self.lag.get() + self.offset + self.scatter * random.normal();
        if self.step > 0.0 { (value / self.step).round() * self.step } else { value }
    }
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Format {
    Bthome,
    SensingTemperature,
    PlainClamp,
    PlainClampPair,
    PlainGauge,
}

/// One probe with its clock, battery and sensors.
#[derive(Debug, Clone)]
pub(super) struct Probe {
    listing: ProbeListing,
    format: Format,
    sensors: Vec<Sensor>,
    random: Random,
    next_ms: f64,
    interval_ms: f64,
    sequence: u8,
    battery: f64,
    rssi_dbm: f64,
    loss: f64,
    late: f64,
}

impl Probe {
    /// What a job file needs to know of it.
    pub fn listing(&self) -> &ProbeListing {
        &self.listing
    }

    /// Follows the truth for `step_s` (s).
    pub fn follow(&mut self, scene: &Scene, step_s: f64) {
        for sensor in &mut self.sensors {
            sensor.follow(scene, step_s);
        }
    }

    /// What it sends up to `now` (ms) and is heard.
    pub fn send(&mut self, now_ms: u64, heard: &mut impl FnMut(Emission)) {
        /// The Bluetooth specification delays each advertisement by up to this (ms).
        const ADVERTISING_DELAY_MS: f64 = 10.0;
        /// How long a late payload may take (ms; tuned).
        const LATE_MS: (f64, f64) = (300.0, 5_000.0);
        while self.next_ms <= now_ms as f64 {
            let bytes = self.bytes();
            let random = &mut self.random;
            let delay = random.between(0.0, ADVERTISING_DELAY_MS);
            let late = random.chance(self.late);
            let held = if late { random.between(LATE_MS.0, LATE_MS.1) } else { 0.0 };
            let rssi_dbm = (self.rssi_dbm + 3.0 * random.normal()).round() as i16;
            if !random.chance(self.loss) {
                heard(Emission {
                    at: Elapsed::from_ms((self.next_ms + delay + held) as u64),
                    probe: Arc::clone(&self.listing.address),
                    carrier: self.format.carrier(),
                    bytes,
                    rssi_dbm,
                });
            }
            self.next_ms += self.interval_ms;
        }
    }

    fn bytes(&mut self) -> Vec<u8> {
        /// A full battery lasts this many payloads (tuned: some weeks at one a second).
        const PAYLOADS_PER_BATTERY: f64 = 2e6;
        self.sequence = self.sequence.wrapping_add(1);
        self.battery = (self.battery - 1.0 / PAYLOADS_PER_BATTERY).max(0.0);
        let (sequence, battery) = (self.sequence, self.battery);
        let random = &mut self.random;
        let mut read = |i: usize| self.sensors.get(i).map_or(f64::NAN, |s| s.read(random));
        match self.format {
            Format::Bthome => {
                let mut said = Bthome { packet: sequence, battery, ..Bthome::default() };
                for (i, sensor) in self.sensors.iter().enumerate() {
                    let value = read(i);
                    match sensor.sense {
                        Sense::Current => said.current = Some(value.max(0.0)),
                        Sense::ReturnHumidity | Sense::SupplyHumidity => {
                            said.humidity = Some(value.clamp(0.0, 1.0));
                        }
                        _ => said.temperature = Some(value),
                    }
                }
                payload::bthome(&said)
            }
            Format::SensingTemperature => sensing_temperature(read(0)),
            Format::PlainClamp => plain_clamp(sequence, battery, read(0)),
            Format::PlainClampPair => plain_clamp_pair(sequence, battery, [read(0), read(1)]),
            Format::PlainGauge => plain_gauge(sequence, battery, read(0)),
        }
    }
}

impl Format {
    const fn carrier(self) -> Carrier {
        match self {
            Self::Bthome => Carrier::BTHOME,
            Self::SensingTemperature => Carrier::SENSING_TEMPERATURE,
            Self::PlainClamp | Self::PlainClampPair | Self::PlainGauge => Carrier::PLAIN,
        }
    }
}

/// One line of the kit: name, format, and each sensor with the field and place it stands for.
type KitLine = (&'static str, Format, &'static [(Sense, &'static str, &'static str)]);

const KIT: [KitLine; 9] = [
    (
        "return",
        Format::Bthome,
        &[
            (Sense::ReturnAir, "temperature", "return-air"),
            (Sense::ReturnHumidity, "humidity", "return-air"),
        ],
    ),
    (
        "supply",
        Format::Bthome,
        &[
            (Sense::SupplyAir, "temperature", "supply-air"),
            (Sense::SupplyHumidity, "humidity", "supply-air"),
        ],
    ),
    (
        "condenser-outlet",
        Format::Bthome,
        &[(Sense::CondenserLeavingAir, "temperature", "condenser-leaving-air")],
    ),
    ("outdoor", Format::SensingTemperature, &[(Sense::OutdoorAir, "temperature", "outdoor-air")]),
    (
        "two-clamps",
        Format::PlainClampPair,
        &[
            (Sense::SuctionLine, "temperature-1", "suction-line"),
            (Sense::LiquidLine, "temperature-2", "liquid-line"),
        ],
    ),
    ("one-clamp", Format::PlainClamp, &[(Sense::DischargeLine, "temperature", "discharge-line")]),
    ("current-clamp", Format::Bthome, &[(Sense::Current, "current", "outdoor-unit")]),
    ("low-gauge", Format::PlainGauge, &[(Sense::SuctionPressure, "pressure", "suction-line")]),
    ("high-gauge", Format::PlainGauge, &[(Sense::LiquidPressure, "pressure", "liquid-line")]),
];

/// The probes of a scenario, at rest in `scene`.
///
/// Each has a random stream of its own, so that one probe less changes nothing on the others.
pub(super) fn kit(scenario: &Scenario, scene: &Scene) -> Vec<Probe> {
    /// Streams below this belong to house and unit.
    const FIRST_STREAM: u64 = 16;
    let wanted = |line: &KitLine| match line.2[0].0 {
        Sense::SuctionPressure | Sense::LiquidPressure => scenario.gauges,
        Sense::Current => scenario.current,
        _ => true,
    };
    let numbered = (1_u64..).zip(&KIT).filter(|(_, line)| wanted(line));
    numbered
        .map(|(number, line)| {
            let random = Random::new(scenario.seed, FIRST_STREAM + number);
            // A random static address, locally administered: no maker's.
            let address = format!("F2:00:00:00:00:{number:02X}").into();
            probe(line, address, &scenario.probes, scene, random)
        })
        .collect()
}

fn probe(
    (name, format, fields): &KitLine,
    address: Arc<str>,
    care: &ProbeCare,
    scene: &Scene,
    mut random: Random,
) -> Probe {
    /// How far a probe's clock may be off (fraction; usual crystals).
    const CLOCK_ERROR: f64 = 40e-6;
    let interval_ms = care.interval.as_secs_f64().max(0.01) * 1000.0;
    let sensors = fields.iter().map(|(sense, ..)| Sensor::new(*sense, care, scene, &mut random));
    let sensors = sensors.collect();
    Probe {
        listing: ProbeListing {
            address,
            name,
            fields: fields.iter().map(|(_, field, place)| (*field, *place)).collect(),
        },
        format: *format,
        sensors,
        next_ms: random.between(0.0, interval_ms),
        interval_ms: interval_ms * (1.0 + random.between(-CLOCK_ERROR, CLOCK_ERROR)),
        sequence: (random.bits() & 0xFF) as u8,
        battery: (care.battery * random.between(0.9, 1.1)).clamp(0.0, 1.0),
        rssi_dbm: random.between(-78.0, -52.0),
        loss: care.loss,
        late: care.late,
        random,
    }
}
