//! A made-up plant for the studies: every channel goes to its resting or running level by two
//! exponentials, through the probe's lag, noise, loss and rounding. All of it is invented.

use std::time::Duration;

use settled::engine::channel::Channel;
use settled::engine::job::{Job, Mode, Settle};
use settled::engine::reading::{ChannelId, Instrument, Reading};
use settled::engine::signals::{SignalEvent, Signals};
use settled::units::quantity::{Quantity, QuantityKind};
use settled::units::time::Elapsed;

/// A seeded generator (splitmix64).
pub struct Dice(u64);

impl Dice {
    pub fn new(seed: u64) -> Self {
        Self(seed)
    }

    pub fn next(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        z ^ (z >> 31)
    }

    /// Uniform from 0 to 1.
    pub fn share(&mut self) -> f64 {
        (self.next() >> 11) as f64 / (1_u64 << 53) as f64
    }

    pub fn between(&mut self, low: f64, high: f64) -> f64 {
        low + (high - low) * self.share()
    }

    pub fn pick<T: Copy>(&mut self, from: &[T]) -> T {
        from[(self.next() % from.len() as u64) as usize]
    }

    /// A standard normal number.
    pub fn normal(&mut self) -> f64 {
        let radius = (-2.0 * libm::log(1.0 - self.share())).sqrt();
        radius * libm::cos(std::f64::consts::TAU * self.share())
    }
}

/// How one channel behaves, and the probe that reads it.
#[derive(Debug, Clone)]
pub struct Spec {
    pub channel: &'static str,
    /// Level at rest and while running (°C).
    pub rest: f64,
    pub run: f64,
    /// Fast and slow time constant after a start (s), and the slow one's share.
    pub start: (f64, f64, f64),
    /// The same after a stop.
    pub stop: (f64, f64, f64),
    /// Seconds before a stop shows (a fan that runs on is not this).
    pub delay: f64,
    /// Drift while running (K/s).
    pub drift: f64,
    /// Swing of the running level (K, from the middle) and its period (s).
    pub swing: (f64, f64),
}

#[derive(Debug, Clone, Copy)]
pub struct Probe {
    pub interval: f64,
    pub loss: f64,
    pub noise: f64,
    /// Correlation time of the noise (s).
    pub correlation: f64,
    pub resolution: f64,
    pub lag: f64,
}

/// A reading as it is sent.
pub struct Sent {
    pub which: usize,
    pub at: f64,
    pub value: f64,
}

pub struct Record {
    pub sent: Vec<Sent>,
}

/// Runs the plant for `hours` on a schedule of (start, stop).
pub fn play(
    specs: &[Spec],
    probe: Probe,
    schedule: &[(f64, f64)],
    length: f64,
    dice: &mut Dice,
) -> Record {
    let mut sent = Vec::new();
    for (which, spec) in specs.iter().enumerate() {
        let (mut fast, mut slow) = (0.0, 0.0);
        let mut at_sensor = spec.rest;
        let mut next = dice.between(0.0, probe.interval);
        let mut noise = 0.0;
        for second in 0..length as usize {
            let t = second as f64;
            let runs = schedule.iter().find(|(start, stop)| t >= *start && t < *stop + spec.delay);
            let times = if runs.is_some() { spec.start } else { spec.stop };
            let aim = runs.map_or(0.0, |(start, _)| {
                let swing = spec.swing.0 * libm::sin(std::f64::consts::TAU * t / spec.swing.1);
                (spec.run - spec.rest) + spec.drift * (t - start) + swing
            });
            fast += (aim - fast) / times.0;
            slow += (aim - slow) / times.1;
            let air = spec.rest + (1.0 - times.2) * fast + times.2 * slow;
            at_sensor += (air - at_sensor) / probe.lag.max(1.0);
            if t >= next {
                let keep = libm::exp(-probe.interval / probe.correlation.max(1e-3));
                noise = keep * noise + (1.0 - keep * keep).sqrt() * probe.noise * dice.normal();
                let raw = at_sensor + noise;
                let value = if probe.resolution > 0.0 {
                    (raw / probe.resolution).round() * probe.resolution
                } else {
                    raw
                };
                if dice.share() >= probe.loss {
                    let jitter = 0.02 * probe.interval * dice.share();
                    sent.push(Sent { which, at: t + jitter, value });
                }
                next += probe.interval;
            }
        }
    }
    sent.sort_by(|a, b| a.at.total_cmp(&b.at));
    Record { sent }
}

/// What the signals told, with the moment of the tick that told it.
pub fn run(
    specs: &[Spec],
    probe: Probe,
    record: &Record,
    settle: Settle,
) -> Vec<(f64, SignalEvent)> {
    let channels: Vec<&str> = specs.iter().map(|spec| spec.channel).collect();
    let instrument = Instrument {
        accuracy: 0.3,
        resolution: probe.resolution,
        time_constant_s: (probe.lag > 1.0).then_some(probe.lag),
    };
    let readings = record.sent.iter().map(|sent| (sent.which, sent.at, sent.value));
    feed(&channels, instrument, readings, settle, &mut |_, _| ())
}

pub fn feed(
    channels: &[&str],
    instrument: Instrument,
    readings: impl Iterator<Item = (usize, f64, f64)>,
    settle: Settle,
    each: &mut dyn FnMut(f64, &Signals),
) -> Vec<(f64, SignalEvent)> {
    let job =
        Job { mode: Mode::Cooling, settle, interval: Duration::from_secs(1), ..Job::default() };
    let mut signals = Signals::new(&job);
    for name in channels {
        let channel: Channel = name.parse().unwrap();
        signals.add_channel(&channel, instrument, None);
    }
    let mut told = Vec::new();
    let mut out = Vec::new();
    let mut next_tick = 1_u64;
    for (which, at, value) in readings {
        while (next_tick as f64) < at {
            signals.tick(Elapsed::from_secs(next_tick), &mut out);
            each(next_tick as f64, &signals);
            told.extend(out.drain(..).map(|event| (next_tick as f64, event)));
            next_tick += 1;
        }
        signals.take(&Reading {
            at: Elapsed::from_ms((at * 1000.0).round() as u64),
            channel: ChannelId(which as u16),
            quantity: Quantity::new(QuantityKind::Temperature, value).unwrap(),
        });
    }
    signals.finish(Elapsed::from_secs(next_tick), &mut out);
    told.extend(out.drain(..).map(|event| (next_tick as f64, event)));
    told
}

/// The usual channels with levels and speeds that differ from house to house.
pub fn specs(names: &[&'static str], dice: &mut Dice, fan_stops: bool) -> Vec<Spec> {
    let outdoor = dice.between(24.0, 38.0);
    let room = dice.between(22.0, 27.0);
    names
        .iter()
        .map(|name| {
            let pace = dice.between(0.7, 1.4);
            let plain = |rest: f64, run: f64, start: (f64, f64, f64), stop: (f64, f64, f64)| Spec {
                channel: name,
                rest,
                run,
                start: (start.0 * pace, start.1 * pace, start.2),
                stop: (stop.0 * pace, stop.1 * pace, stop.2),
                delay: 0.0,
                drift: 0.0,
                swing: (0.0, 100.0),
            };
            match *name {
                "suction-line.temperature" => plain(
                    outdoor - 2.0,
                    dice.between(6.0, 14.0),
                    (30.0, 150.0, 0.3),
                    (150.0, 700.0, 0.6),
                ),
                "discharge-line.temperature" => plain(
                    outdoor + 1.0,
                    outdoor + dice.between(35.0, 50.0),
                    (60.0, 240.0, 0.5),
                    (240.0, 900.0, 0.6),
                ),
                "liquid-line.temperature" => plain(
                    outdoor,
                    outdoor + dice.between(5.0, 12.0),
                    (40.0, 180.0, 0.4),
                    (120.0, 600.0, 0.5),
                ),
                "supply-air.temperature" => plain(
                    room - 2.0,
                    room - dice.between(9.0, 13.0),
                    (35.0, 150.0, 0.3),
                    if fan_stops { (600.0, 1_200.0, 0.5) } else { (40.0, 400.0, 0.4) },
                ),
                "condenser-leaving-air.temperature" => plain(
                    outdoor,
                    outdoor + dice.between(8.0, 14.0),
                    (20.0, 120.0, 0.4),
                    (60.0, 400.0, 0.5),
                ),
                "return-air.temperature" => {
                    plain(room, room - 1.0, (600.0, 900.0, 0.5), (600.0, 900.0, 0.5))
                }
                _ => plain(outdoor, outdoor, (60.0, 60.0, 0.5), (60.0, 60.0, 0.5)),
            }
        })
        .collect()
}

pub const CLAMPS: [&str; 6] = [
    "return-air.temperature",
    "supply-air.temperature",
    "outdoor-air.temperature",
    "suction-line.temperature",
    "discharge-line.temperature",
    "liquid-line.temperature",
];

pub const AIR: [&str; 4] = [
    "return-air.temperature",
    "supply-air.temperature",
    "outdoor-air.temperature",
    "condenser-leaving-air.temperature",
];

pub const SPLIT: [&str; 3] =
    ["return-air.temperature", "supply-air.temperature", "outdoor-air.temperature"];
