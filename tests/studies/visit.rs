//! A visit to the virtual unit: what its probes send, decoded here and not by the engine, beside
//! the noise-free values at the sensors.

use std::time::Duration;

use settled::engine::reading::Instrument;
use settled::units::quantity::{Celsius, Kelvins, QuantityKind};
use settled::virtual_unit::design::Metering;
use settled::virtual_unit::faults::{Fault, Severity};
use settled::virtual_unit::payload::Carrier;
use settled::virtual_unit::scenario::{FanMode, Hunting, ProbeCare, Scenario};
use settled::virtual_unit::simulation::{Run, Simulation};

use crate::plant::Dice;

/// One value as heard.
#[derive(Debug, Clone, Copy)]
pub struct Heard {
    pub which: usize,
    pub at_ms: u64,
    pub value: f64,
}

pub struct Visit {
    /// Channel names with the instrument that a profile would state.
    pub channels: Vec<(String, Instrument)>,
    pub heard: Vec<Heard>,
    pub runs: Vec<Run>,
}

pub const ATMOSPHERE_PA: f64 = 101_325.0;

/// Plays a scenario through.
pub fn visit(scenario: &Scenario) -> Option<Visit> {
    // Some units have no steady state in some weather; those are left out.
    let mut simulation = Simulation::new(scenario).ok()?;
    let mut channels = Vec::new();
    let mut first = Vec::new();
    for probe in simulation.probes() {
        first.push((probe.address.clone(), channels.len()));
        for (field, place) in &probe.fields {
            let kind = field.split('-').next().unwrap();
            channels.push((format!("{place}.{kind}"), instrument(kind, scenario)));
        }
    }
    let mut heard = Vec::new();
    for emission in simulation.by_ref() {
        let (_, base) = first.iter().find(|(address, _)| *address == emission.probe).unwrap();
        for (offset, value) in decode(emission.carrier, &emission.bytes).into_iter().enumerate() {
            heard.push(Heard { which: base + offset, at_ms: emission.at.as_ms(), value });
        }
    }
    Some(Visit { channels, heard, runs: simulation.runs().to_vec() })
}

/// The noise-free value at each sensor, second by second: the same visit with perfect probes.
pub fn truth(scenario: &Scenario) -> Vec<Vec<f64>> {
    let probes = ProbeCare {
        interval: Duration::from_secs(1),
        noise: 0.0,
        offsets: 0.0,
        resolution: None,
        loss: 0.0,
        late: 0.0,
        ..scenario.probes
    };
    let perfect = visit(&Scenario { probes, ..scenario.clone() }).unwrap();
    let length = scenario.length.as_secs() as usize;
    let mut values = vec![vec![f64::NAN; length + 2]; perfect.channels.len()];
    for heard in &perfect.heard {
        let second = (heard.at_ms / 1000) as usize;
        values[heard.which][second.min(length + 1)] = heard.value;
    }
    for channel in &mut values {
        let mut last = channel.iter().copied().find(|value| value.is_finite()).unwrap_or(0.0);
        for value in channel.iter_mut() {
            if value.is_finite() {
                last = *value;
            } else {
                *value = last;
            }
        }
    }
    values
}

fn instrument(kind: &str, scenario: &Scenario) -> Instrument {
    let coarse = scenario.probes.resolution.map_or(0.01, Kelvins::get);
    let (accuracy, resolution) = match kind {
        "temperature" => (0.5, coarse.max(0.01)),
        "humidity" => (0.02, 0.0001),
        "pressure" => (7_000.0, 1.0),
        _ => (0.2, 0.001),
    };
    Instrument { accuracy, resolution, time_constant_s: None }
}

fn decode(carrier: Carrier, bytes: &[u8]) -> Vec<f64> {
    let signed = |at: usize| f64::from(i16::from_le_bytes([bytes[at], bytes[at + 1]]));
    let unsigned = |at: usize| f64::from(u16::from_le_bytes([bytes[at], bytes[at + 1]]));
    if carrier == Carrier::SENSING_TEMPERATURE {
        return vec![signed(0) * 0.01];
    }
    if carrier == Carrier::PLAIN {
        // Magic (2), kind, sequence, battery, values.
        return match bytes[2] {
            1 => vec![signed(5) * 0.01],
            2 => vec![signed(5) * 0.01, signed(7) * 0.01],
            _ => {
                let gauge = i32::from_le_bytes([bytes[5], bytes[6], bytes[7], bytes[8]]);
                vec![f64::from(gauge) + ATMOSPHERE_PA]
            }
        };
    }
    let (mut at, mut values) = (1, Vec::new());
    while at < bytes.len() {
        match bytes[at] {
            0x00 | 0x01 => at += 2,
            0x02 => {
                values.push(signed(at + 1) * 0.01);
                at += 3;
            }
            0x03 => {
                values.push(unsigned(at + 1) * 0.0001);
                at += 3;
            }
            0x43 => {
                values.push(unsigned(at + 1) * 0.001);
                at += 3;
            }
            other => panic!("object {other:#x} is not sent here"),
        }
    }
    values
}

pub fn kind_of(channel: &str) -> QuantityKind {
    QuantityKind::from_word(channel.rsplit('.').next().unwrap()).unwrap()
}

/// Any unit in any weather with any probes.
pub fn any(dice: &mut Dice, seed: u64) -> Scenario {
    let faults = Fault::ALL;
    let severities = [Severity::Mild, Severity::Middle, Severity::Severe];
    let celsius = |value| Celsius::new(value).unwrap();
    let kelvins = |value| Kelvins::new(value).unwrap();
    Scenario {
        seed,
        length: Duration::from_mins(70),
        start_hour: dice.between(0.0, 24.0),
        metering: dice.pick(&[Metering::FixedOrifice, Metering::Txv]),
        faults: if dice.share() < 0.25 {
            Vec::new()
        } else {
            vec![(dice.pick(&faults), dice.pick(&severities))]
        },
        unit_spread: 0.1,
        outdoor_mean: celsius(dice.between(26.0, 35.0)),
        outdoor_swing: kelvins(dice.between(4.0, 10.0)),
        load_fraction: dice.between(0.3, 0.9),
        pull_down: kelvins(dice.pick(&[0.0, 0.0, 1.0, 3.0])),
        first_start: Duration::from_secs(dice.pick(&[150, 300, 500])),
        hunting: (dice.share() < 0.1).then(|| Hunting {
            amplitude: kelvins(dice.between(1.5, 4.0)),
            period: Duration::from_secs(dice.pick(&[90, 150, 240])),
        }),
        fan: dice.pick(&[FanMode::Always, FanMode::RunOn(Duration::from_secs(45))]),
        gauges: dice.share() < 0.5,
        probes: ProbeCare {
            interval: Duration::from_millis(
                dice.pick(&[200, 1_000, 1_000, 1_000, 5_000, 30_000, 300_000]),
            ),
            noise: dice.pick(&[0.5, 1.0, 2.0, 4.0]),
            resolution: dice.pick(&[None, None, Some(0.1), Some(0.5)]).and_then(Kelvins::new),
            loss: dice.pick(&[0.03, 0.1, 0.3]),
            ..ProbeCare::default()
        },
        ..Scenario::default()
    }
}
