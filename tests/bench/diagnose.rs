//! One diagnosis, one moment's derived measures, and the look-ups that they stand on.

use std::hint::black_box;

use settled::engine::channel::Channel;
use settled::engine::diagnose::derive::Layout;
use settled::engine::diagnose::{Context, diagnose};
use settled::engine::job::{Circuit, Job, Metering, Unit};
use settled::engine::reading::{Instrument, ProbeId, SettledSet, SettledValue};
use settled::physics::moist_air::wet_bulb;
use settled::physics::refrigerant::Refrigerant;
use settled::units::quantity::{Celsius, Pascals, Quantity, RelativeHumidity};
use settled::units::time::Elapsed;

use crate::limit::Limit;
use crate::timing::{each, row, told};

const READINGS: [(&str, f64, u16); 12] = [
    ("return-air.temperature", 25.6, 1),
    ("return-air.humidity", 0.50, 1),
    ("supply-air.temperature", 14.7, 2),
    ("supply-air.humidity", 0.86, 2),
    ("outdoor-air.temperature", 33.0, 3),
    ("condenser-leaving-air.temperature", 43.6, 4),
    ("suction-line.temperature", 16.0, 5),
    ("liquid-line.temperature", 40.4, 5),
    ("discharge-line.temperature", 76.0, 6),
    ("suction-line.pressure", 0.98e6, 7),
    ("liquid-line.pressure", 2.65e6, 8),
    ("outdoor-unit.current", 9.0, 4),
];

pub fn run(limit: &Limit) {
    let circuit = Circuit {
        refrigerant: Some("R-410A".to_owned()),
        metering: Some(Metering::FixedOrifice),
        ..Circuit::default()
    };
    let job = Job { unit: Unit { circuits: vec![circuit], ..Unit::default() }, ..Job::default() };
    let channels: Vec<Channel> = READINGS.iter().map(|(name, ..)| name.parse().unwrap()).collect();
    let values = READINGS.iter().zip(&channels).map(|((_, value, probe), channel)| SettledValue {
        channel: channel.clone(),
        quantity: Quantity::new(channel.kind, *value).unwrap(),
        spread: 0.1,
        uncertainty: (0.01 * value).clamp(0.01, 300.0),
        probe: Some(ProbeId(*probe)),
    });
    let set = SettledSet {
        number: 1,
        cycle: Some(1),
        from: Elapsed::ZERO,
        to: Elapsed::from_secs(300),
        run_s: Some(1_800.0),
        values: values.collect(),
    };
    let instruments: Vec<_> = channels
        .iter()
        .map(|c| {
            let known = Instrument { accuracy: 0.01, resolution: 0.0, time_constant_s: None };
            (c.clone(), known)
        })
        .collect();
    let context = Context { instruments: &instruments, ..Context::default() };
    let tell = |what: &str, time| row(what, &told(time), &limit.beside(time));
    tell("one diagnosis", each(|| diagnose(black_box(&job), black_box(&set), &context)));
    let layout = Layout::new(&job, &channels);
    let levels: Vec<_> = READINGS.iter().map(|(_, value, _)| Some(*value)).collect();
    tell("derived measures of one moment", each(|| layout.derive(black_box(&levels))));

    let refrigerant = Refrigerant::by_name("R-410A").unwrap();
    let pressure = Pascals::new(0.98e6).unwrap();
    let dew = each(|| refrigerant.dew_temperature(black_box(pressure)));
    tell("saturation look-up", dew);
    let air = (Celsius::new(25.6).unwrap(), RelativeHumidity::new(0.5).unwrap());
    let sea_level = Pascals::new(101_325.0).unwrap();
    let wet = each(|| wet_bulb(black_box(air.0), black_box(air.1), sea_level));
    tell("wet bulb", wet);
}
