//! Whether the 95 % intervals hold the true value as often as they say, with errors drawn from the
//! budgets' own distributions; and what happens when errors are worse than the budgets know.

use settled::engine::channel::Channel;
use settled::engine::diagnose::inputs::{Inputs, Roles, role};
use settled::engine::diagnose::{Context, diagnose};
use settled::engine::job::{Circuit, Job, Metering, Unit};
use settled::engine::reading::{Instrument, ProbeId, SettledSet, SettledValue};
use settled::physics::uncertainty::Shape;
use settled::units::quantity::{Pascals, Quantity, QuantityKind};
use settled::units::time::Elapsed;

use crate::random::Random;

/// Invented truths (SI), with standard deviation of scatter and half-width of the accuracy.
const TRUTH: [(&str, f64, f64, f64, u16); 11] = [
    ("return-air.temperature", 25.6, 0.05, 0.3, 1),
    ("return-air.humidity", 0.50, 0.005, 0.03, 1),
    ("supply-air.temperature", 14.7, 0.08, 0.3, 2),
    ("supply-air.humidity", 0.86, 0.005, 0.03, 2),
    ("outdoor-air.temperature", 33.0, 0.1, 0.3, 3),
    ("condenser-leaving-air.temperature", 43.6, 0.2, 0.3, 4),
    ("suction-line.temperature", 14.0, 0.1, 0.5, 5),
    ("liquid-line.temperature", 40.4, 0.1, 0.5, 5),
    ("discharge-line.temperature", 72.0, 0.3, 0.5, 6),
    ("suction-line.pressure", 1.06e6, 2e3, 14e3, 7),
    ("liquid-line.pressure", 2.75e6, 5e3, 28e3, 8),
];

fn set(values: &[f64], exact: bool) -> SettledSet {
    let values = TRUTH.iter().zip(values).map(|((name, _, scatter, accuracy, probe), value)| {
        let channel: Channel = name.parse().unwrap();
        let uncertainty = (scatter * scatter + accuracy * accuracy / 3.0).sqrt();
        SettledValue {
            quantity: Quantity::new(channel.kind, *value).unwrap(),
            channel,
            spread: 0.0,
            uncertainty: if exact { 0.0 } else { uncertainty },
            probe: Some(ProbeId(*probe)),
        }
    });
    SettledSet {
        number: 1,
        cycle: None,
        from: Elapsed::ZERO,
        to: Elapsed::from_secs(300),
        run_s: Some(1_800.0),
        values: values.collect(),
    }
}

fn instruments() -> Vec<(Channel, Instrument)> {
    TRUTH
        .iter()
        .map(|(name, _, _, accuracy, _)| {
            let instrument =
                Instrument { accuracy: *accuracy, resolution: 0.0, time_constant_s: None };
            (name.parse().unwrap(), instrument)
        })
        .collect()
}

fn job() -> Job {
    let circuit = Circuit {
        refrigerant: Some("R-410A".to_owned()),
        metering: Some(Metering::FixedOrifice),
        ..Circuit::default()
    };
    Job { unit: Unit { circuits: vec![circuit], ..Unit::default() }, ..Job::default() }
}

/// What is wrong beyond the budgets, for one channel.
type Worse = Option<(usize, fn(f64) -> f64)>;

/// Share of intervals that hold the true value, by measure.
fn coverage(draws: usize, worse: Worse) -> Vec<(String, f64)> {
    let (job, instruments) = (job(), instruments());
    let context = Context { instruments: &instruments, ..Context::default() };
    let truth: Vec<f64> = TRUTH.iter().map(|row| row.1).collect();
    let right = diagnose(&job, &set(&truth, true), &context);
    let inputs = Inputs::new(&job, &set(&truth, false), &instruments, 1);
    let mut random = Random::new(5_470_213);
    let mut held: Vec<(String, f64)> = Vec::new();
    for _ in 0..draws {
        let errors: Vec<f64> = (0..inputs.sources.len())
            .map(|i| match inputs.sources.get(i as u16).shape {
                Shape::Normal => random.normal(),
                Shape::Rectangular => 3f64.sqrt() * (2.0 * random.uniform() - 1.0),
            })
            .collect();
        let read: Vec<f64> = TRUTH
            .iter()
            .enumerate()
            .map(|(i, (name, value, ..))| {
                let channel: Channel = name.parse().unwrap();
                let role = role(&channel.place.position, channel.kind, Roles::Cooling).unwrap();
                let terms = inputs.get(role).unwrap().terms();
                let error: f64 = terms.iter().map(|(s, u)| u * errors[usize::from(*s)]).sum();
                let error = match worse {
                    Some((channel, change)) if channel == i => change(error),
                    _ => error,
                };
                let read = value + error;
                if channel.kind == QuantityKind::Humidity { read.min(1.0) } else { read }
            })
            .collect();
        let mut drawn = job.clone();
        // The gauges were read against the same barometer, so its error is in both.
        let off: f64 = (inputs.barometer.terms().iter())
            .map(|(source, u)| u * errors[usize::from(*source)])
            .sum();
        let barometer = job.barometer.get() + off;
        drawn.barometer = Pascals::new(barometer).unwrap();
        let diagnosis = diagnose(&drawn, &set(&read, false), &context);
        for finding in diagnosis.findings {
            let Some([low, high]) = finding.interval_95 else { continue };
            let true_value = right.findings.iter().find(|f| f.measure == finding.measure);
            let true_value = true_value.unwrap().value.unwrap();
            let inside = f64::from(u8::from((low..=high).contains(&true_value)));
            match held.iter_mut().find(|(name, _)| *name == finding.measure) {
                Some((_, sum)) => *sum += inside,
                None => held.push((finding.measure, inside)),
            }
        }
    }
    for (_, sum) in &mut held {
        *sum /= draws as f64;
    }
    held
}

#[test]
fn intervals_hold_the_true_value_as_often_as_they_say() {
    let draws = if crate::full() { 10_000 } else { 1_500 };
    // Three standard deviations of the sample beside the 93 to 97 % asked for.
    let slack = 3.0 * (0.95_f64 * 0.05 / draws as f64).sqrt() - 0.0065;
    let held = coverage(draws, None);
    for (name, share) in &held {
        println!("{name:28} {:5.1} %", 100.0 * share);
    }
    assert!(held.len() >= 15, "{}", held.len());
    for (name, share) in held {
        let limits = 0.93 - slack.max(0.0)..=0.97 + slack.max(0.0);
        assert!(limits.contains(&share), "{name}: {share}");
    }
}

/// An interval knows only what the budget knows: this is what it is worth when a clamp is biased
/// or a probe is worse than it says.
#[test]
fn errors_beyond_the_budget_show_as_lost_coverage() {
    let draws = if crate::full() { 10_000 } else { 600 };
    let suction = 6;
    let share = |held: &[(String, f64)]| held.iter().find(|(n, _)| n == "superheat").unwrap().1;
    let biased = share(&coverage(draws, Some((suction, |error| error + 1.5))));
    let twice = share(&coverage(draws, Some((suction, |error| 2.0 * error))));
    println!("superheat, suction clamp 1.5 K too warm: {:.1} %", 100.0 * biased);
    println!("superheat, suction clamp twice as bad as stated: {:.1} %", 100.0 * twice);
    assert!(biased < 0.6, "{biased}");
    assert!((0.5..0.9).contains(&twice), "{twice}");
}
