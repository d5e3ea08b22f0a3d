//! How long the whole chain (smoothing, settling, cycles) takes a reading: twelve channels at 1 Hz
//! through two hours of runs and pauses. Run with `cargo bench --bench signals`.

#![expect(clippy::unwrap_used, reason = "a test may panic")]

use std::time::Duration;

use settled::engine::job::Job;
use settled::engine::reading::{ChannelId, Instrument, Reading};
use settled::engine::signals::Signals;
use settled::units::quantity::{Quantity, QuantityKind};
use settled::units::time::Elapsed;

const NAMES: [&str; 12] = [
    "return-air.temperature",
    "supply-air.temperature",
    "outdoor-air.temperature",
    "condenser-leaving-air.temperature",
    "suction-line.temperature",
    "discharge-line.temperature",
    "liquid-line.temperature",
    "suction-line-indoor.temperature",
    "liquid-line-indoor.temperature",
    "indoor-coil.temperature",
    "outdoor-coil.temperature",
    "space.temperature",
];

#[expect(clippy::disallowed_methods, reason = "a benchmark reads the clock")]
fn now() -> std::time::Instant {
    std::time::Instant::now()
}

fn main() {
    let mut signals = Signals::new(&Job::default());
    let instrument = Instrument { accuracy: 0.3, resolution: 0.01, time_constant_s: Some(10.0) };
    for name in NAMES {
        signals.add_channel(&name.parse().unwrap(), instrument, None);
    }
    let mut readings = Vec::new();
    let mut state = 7_u64;
    for second in 0..7_200_u64 {
        for which in 0..NAMES.len() {
            state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1);
            let noise = 0.1 * ((state >> 40) as f64 / f64::from(1 << 24) - 0.5);
            let since = (second % 2_400) as f64;
            let swing = [0.0, -12.0, 0.0, 10.0, -18.0, 40.0, 8.0, -15.0, 8.0, -14.0, 10.0, 0.0];
            let on = since < 1_500.0;
            let rise = if on {
                1.0 - libm::exp(-since / 180.0)
            } else {
                libm::exp(-(since - 1_500.0) / 300.0)
            };
            readings.push(Reading {
                at: Elapsed::from_ms(second * 1_000 + which as u64 * 50),
                channel: ChannelId(which as u16),
                quantity: Quantity::new(
                    QuantityKind::Temperature,
                    28.0 + swing[which] * rise + noise,
                )
                .unwrap(),
            });
        }
    }
    let (mut out, mut second) = (Vec::new(), 0);
    let begun = now();
    for reading in &readings {
        while Elapsed::from_secs(second) < reading.at {
            signals.tick(Elapsed::from_secs(second), &mut out);
            second += 1;
        }
        signals.take(reading);
    }
    let each: Duration = begun.elapsed() / u32::try_from(readings.len()).unwrap();
    println!("{} readings, {each:?} each, ticks included; {} events", readings.len(), out.len());
    assert!(each < Duration::from_micros(1), "the bound is 1 µs a reading");
}
