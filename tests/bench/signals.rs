//! How long the whole chain (smoothing, settling, cycles) takes a reading: twelve channels at 1 Hz
//! through runs and pauses, and whether its memory grows with the record. Run with
//! `cargo bench --bench signals`.

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

/// Time on a processor so far, where the kernel tells it: what else runs on the machine does not
/// count. Elsewhere the time on the wall.
fn spent(begun: std::time::Instant) -> Duration {
    let told = std::fs::read_to_string("/proc/self/schedstat").ok();
    let ns = told.and_then(|text| text.split(' ').next()?.parse().ok());
    ns.map_or_else(|| begun.elapsed(), Duration::from_nanos)
}

/// Memory in use (KiB), where the kernel tells it.
fn memory_kib() -> Option<u64> {
    let status = std::fs::read_to_string("/proc/self/status").ok()?;
    let line = status.lines().find(|line| line.starts_with("VmRSS:"))?;
    line.split_whitespace().nth(1)?.parse().ok()
}

/// The readings of one hour from `hour` on, as invented probes on a unit that cycles send them.
fn readings(hour: u64, state: &mut u64) -> Vec<Reading> {
    const SWINGS: [f64; 12] =
        [0.0, -12.0, 0.0, 10.0, -18.0, 40.0, 8.0, -15.0, 8.0, -14.0, 10.0, 0.0];
    let mut readings = Vec::with_capacity(3_600 * NAMES.len());
    for second in hour * 3_600..(hour + 1) * 3_600 {
        for (which, swing) in SWINGS.iter().enumerate() {
            *state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1);
            let noise = 0.1 * ((*state >> 40) as f64 / f64::from(1 << 24) - 0.5);
            let since = (second % 2_400) as f64;
            let rise = if since < 1_500.0 {
                1.0 - libm::exp(-since / 180.0)
            } else {
                libm::exp(-(since - 1_500.0) / 300.0)
            };
            let value = 28.0 + swing * rise + noise;
            readings.push(Reading {
                at: Elapsed::from_ms(second * 1_000 + which as u64 * 50),
                channel: ChannelId(which as u16),
                quantity: Quantity::new(QuantityKind::Temperature, value).unwrap(),
            });
        }
    }
    readings
}

#[expect(clippy::disallowed_methods, reason = "a benchmark reads the clock")]
fn main() {
    const HOURS: u64 = 48;
    let mut signals = Signals::new(&Job::default());
    let instrument = Instrument { accuracy: 0.3, resolution: 0.01, time_constant_s: Some(10.0) };
    for name in NAMES {
        signals.add_channel(&name.parse().unwrap(), instrument, None);
    }
    let begun = std::time::Instant::now();
    let (mut out, mut second, mut state) = (Vec::new(), 0, 7_u64);
    let (mut count, mut events, mut took) = (0_u32, 0, Duration::ZERO);
    for hour in 0..HOURS {
        let readings = readings(hour, &mut state);
        let before = spent(begun);
        for reading in &readings {
            while Elapsed::from_secs(second) < reading.at {
                signals.tick(Elapsed::from_secs(second), &mut out);
                second += 1;
            }
            signals.take(reading);
        }
        took += spent(begun).saturating_sub(before);
        count += u32::try_from(readings.len()).unwrap();
        events += out.drain(..).count();
        if [2, HOURS - 1].contains(&hour)
            && let Some(kib) = memory_kib()
        {
            println!("after {} h: {kib} KiB in use", hour + 1);
        }
    }
    let each = took / count;
    println!("{count} readings, {each:?} each, ticks included; {events} events");
    assert!(each < Duration::from_micros(1), "the bound is 1 µs a reading");
}
