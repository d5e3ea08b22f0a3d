//! How long one diagnosis and one moment's derived measures take.
//!
//! Run: `cargo bench --bench diagnose`. One set with all measures and suspects must stay under
//! 50 µs, one moment near 1 µs.

use std::hint::black_box;
use std::time::{Duration, Instant};

use settled::engine::channel::Channel;
use settled::engine::diagnose::derive::Layout;
use settled::engine::diagnose::{Context, diagnose};
use settled::engine::job::{Circuit, Job, Metering, Unit};
use settled::engine::reading::{Instrument, ProbeId, SettledSet, SettledValue};
use settled::units::quantity::Quantity;
use settled::units::time::Elapsed;

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

#[expect(clippy::disallowed_methods, reason = "a benchmark measures time")]
fn time(name: &str, limit: Duration, mut work: impl FnMut()) {
    for _ in 0..2_000 {
        work();
    }
    let best = (0..20)
        .map(|_| {
            let start = Instant::now();
            for _ in 0..500 {
                work();
            }
            start.elapsed() / 500
        })
        .min()
        .expect("there are twenty rounds");
    let stands = if best <= limit { "kept" } else { "NOT kept" };
    println!("{name}: {best:?}; bound {limit:?} {stands}");
}

fn main() {
    let circuit = Circuit {
        refrigerant: Some("R-410A".to_owned()),
        metering: Some(Metering::FixedOrifice),
        ..Circuit::default()
    };
    let job = Job { unit: Unit { circuits: vec![circuit], ..Unit::default() }, ..Job::default() };
    let channels: Vec<Channel> =
        READINGS.iter().map(|(name, ..)| name.parse().expect("the channels are ours")).collect();
    let values = READINGS.iter().zip(&channels).map(|((_, value, probe), channel)| SettledValue {
        channel: channel.clone(),
        quantity: Quantity::new(channel.kind, *value).expect("the values are possible"),
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
    time("one diagnosis", Duration::from_micros(50), || {
        black_box(diagnose(black_box(&job), black_box(&set), &context));
    });
    let layout = Layout::new(&job, &channels);
    let levels: Vec<_> = READINGS.iter().map(|(_, value, _)| Some(*value)).collect();
    time("one moment", Duration::from_micros(5), || {
        black_box(layout.derive(black_box(&levels)));
    });
}
