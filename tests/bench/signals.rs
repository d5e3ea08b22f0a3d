//! The signal chain: its stages one by one, then the whole (smoothing, settling, cycles) over 48
//! hours of twelve channels at 1 Hz through runs and pauses.

use std::time::Duration;

use settled::engine::cycle::Cycles;
use settled::engine::job::Job;
use settled::engine::reading::{ChannelId, Instrument, Reading};
use settled::engine::role::Role;
use settled::engine::settle::{self, Limits};
use settled::engine::signals::Signals;
use settled::engine::smooth::Smoother;
use settled::engine::turn::Course;
use settled::engine::window::Window;
use settled::units::quantity::{Quantity, QuantityKind};
use settled::units::time::Elapsed;

use crate::limit::Limit;
use crate::timing::{each, many, row, status, told, worked};

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

const HOURS: u64 = 48;
const INSTRUMENT: Instrument =
    Instrument { accuracy: 0.3, resolution: 0.01, time_constant_s: Some(10.0) };

pub fn run(limit: &Limit) {
    stages(limit);
    let mut signals = Signals::new(&Job::default());
    for name in NAMES {
        signals.add_channel(&name.parse().unwrap(), INSTRUMENT, None);
    }
    let (mut out, mut second, mut state) = (Vec::new(), 0, 7);
    let (mut count, mut took, mut held) = (0, Duration::ZERO, Vec::new());
    for hour in 0..HOURS {
        let readings = readings(hour, &mut state);
        took += worked(|| {
            for reading in &readings {
                while Elapsed::from_secs(second) < reading.at {
                    signals.tick(Elapsed::from_secs(second), &mut out);
                    second += 1;
                }
                signals.take(reading);
            }
        })
        .0;
        count += u32::try_from(readings.len()).unwrap();
        out.clear();
        if [2, HOURS - 1].contains(&hour) {
            held.push(format!("{} KiB after {} h", many(status("self", "VmRSS")), hour + 1));
        }
    }
    let time = took / count;
    row("one reading through the chain, ticks included", &told(time), &limit.beside(time));
    row("memory of that process", &held.join(", "), "");
}

/// Each stage alone, over an hour of its readings.
fn stages(limit: &Limit) {
    let hour = readings(0, &mut 7);
    let count = u32::try_from(hour.len()).unwrap();
    let roles = NAMES.map(|name| Role::of(&name.parse().unwrap(), Job::default().mode));
    let all = |name: &str, work: &mut dyn FnMut(usize, &Reading)| {
        let time = each(|| {
            for reading in &hour {
                work(usize::from(reading.channel.0), reading);
            }
        });
        row(&format!("{name}, one reading"), &told(time / count), &limit.beside(time / count));
    };
    // Later rounds go on in time, as stages know no reading of the past.
    let later = |rounds: &mut u64, which: usize, reading: &Reading| {
        *rounds += u64::from(which == 0 && reading.at == hour[0].at);
        Elapsed::from_ms(reading.at.as_ms() + 3_600_000 * *rounds)
    };
    let (mut smoothers, mut rounds) =
        (roles.map(|role| Smoother::new(INSTRUMENT, role.unit_per_k, role.course)), 0);
    all("smooth", &mut |which, reading| {
        let at = later(&mut rounds, which, reading);
        smoothers[which].take(at, reading.quantity.get());
    });
    let (mut courses, mut rounds) = (NAMES.map(|_| Course::new()), 0);
    all("turn: course of a channel", &mut |which, reading| {
        let at = later(&mut rounds, which, reading);
        courses[which].take(at.as_secs(), reading.quantity.get());
    });
    let (mut cycles, mut rounds) = (Cycles::new(), 0);
    for role in roles {
        cycles.add(role, INSTRUMENT.time_constant_s);
    }
    all("cycle: starts and stops, turns included", &mut |which, reading| {
        let at = later(&mut rounds, which, reading);
        cycles.take(which, (at.as_secs(), reading.quantity.get()), 1.0, 0.03);
    });

    // A window of an hour in blocks of ten seconds, as a track keeps it.
    let mut window = Window::new(10.0, 362);
    for reading in hour.iter().filter(|reading| reading.channel.0 == 1) {
        window.take(reading.at.as_secs(), reading.quantity.get());
    }
    let bounds = Limits { window_s: 300.0, drift_k_per_s_max: 0.1 / 60.0, spread_k_max: 0.3 };
    let time = each(|| settle::judge(window.blocks(), &bounds, 0.01));
    row("settle: one channel judged, an hour known", &told(time), &limit.beside(time));
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
