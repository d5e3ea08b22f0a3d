//! Baths made up from a seed: whether the 95 % intervals of the offsets hold the truth as often as they
//! say, with baths that drift and probes of unequal time constants.

#![expect(clippy::unwrap_used, reason = "a study that cannot go on must stop")]

#[path = "plant.rs"]
#[expect(dead_code, reason = "of the plant only the dice are used")]
mod plant;

use plant::Dice;
use settled::engine::calibrate::{self, Bathed, Reference};

/// A bath with its probes, and the corrections that are right.
struct Made {
    probes: Vec<Bathed>,
    /// What must be added to each probe's reading.
    truth: Vec<f64>,
    reference: Reference,
    uniformity: f64,
    taus: Vec<f64>,
}

/// All errors are drawn from the distributions that the program is told: offsets rectangular within
/// the accuracy, places in the bath and reference normal, scatter normal.
fn made(dice: &mut Dice) -> Made {
    let count = 2 + (dice.next() % 6) as usize;
    let uniformity = dice.pick(&[0.0, 0.01, 0.03, 0.1]);
    let drift = dice.between(-0.05, 0.05) / 60.0;
    let level = dice.pick(&[0.0, 22.0, 50.0]);
    let plunged = dice.share() < 0.7;
    let kind = dice.next() % 3;
    let known_u = 0.05;
    let told = level + known_u * dice.normal();
    let moment = dice.between(60.0, 840.0);
    let (mut probes, mut errors, mut taus) = (Vec::new(), Vec::new(), Vec::new());
    for _ in 0..count {
        let accuracy = dice.pick(&[0.2, 0.5, 1.0]);
        let tau = dice.between(4.0, 40.0);
        // A profile states a time constant that is off by 30 % (standard).
        let stated = (tau * (1.0 + 0.3 * dice.normal())).max(0.5);
        // The reference probe is as good as is told of it, which is better than its maker states.
        let is_reference = kind == 1 && probes.is_empty();
        let offset =
            if is_reference { known_u * dice.normal() } else { dice.between(-accuracy, accuracy) };
        let place = uniformity * dice.normal();
        let noise = dice.pick(&[0.005, 0.02, 0.05]);
        let resolution = dice.pick(&[0.0, 0.01, 0.0625]);
        let interval = dice.pick(&[1.0, 2.0, 5.0]);
        let mut at = dice.between(0.0, interval);
        let mut samples = Vec::new();
        let mut value = if plunged { level + 25.0 } else { level + place - drift * tau };
        let mut then = 0.0;
        while at < 840.0 {
            let step: f64 = 0.25;
            while then < at {
                // In the air until 60 s, then in the bath.
                let bath = level + drift * (then - moment) + place;
                let around = if plunged && then < 60.0 { level + 25.0 } else { bath };
                value += (around - value) * (1.0 - libm::exp(-step / tau));
                then += step;
            }
            let raw = value + offset + noise * dice.normal();
            let shown =
                if resolution > 0.0 { (raw / resolution).round() * resolution } else { raw };
            samples.push((at, shown));
            at += interval * (1.0 + 0.02 * dice.share());
        }
        let time_constant_s = (!plunged).then_some(stated);
        probes.push(Bathed { samples, accuracy, resolution, time_constant_s });
        errors.push(offset);
        taus.push(tau);
    }
    let truth = match kind {
        0 => {
            let mean = errors.iter().sum::<f64>() / count as f64;
            errors.iter().map(|e| mean - e).collect()
        }
        _ => errors.iter().map(|e| -e).collect(),
    };
    let reference = match kind {
        0 => Reference::Mean,
        1 => Reference::Probe(0, known_u),
        _ => Reference::Known(told, known_u),
    };
    Made { probes, truth, reference, uniformity, taus }
}

#[derive(Default)]
struct Count {
    offsets: usize,
    held: usize,
    refused: usize,
    constants: usize,
    constants_held: usize,
    by_kind: [(usize, usize); 3],
}

impl Count {
    fn take(&mut self, dice: &mut Dice) {
        let made = made(dice);
        let Ok(bath) = calibrate::bath(&made.probes, made.reference, made.uniformity) else {
            self.refused += 1;
            return;
        };
        let (kind, skipped) = match made.reference {
            Reference::Mean => (0, None),
            Reference::Probe(n, _) => (1, Some(n)),
            Reference::Known(..) => (2, None),
        };
        for (n, (told, truth)) in bath.offsets.iter().zip(&made.truth).enumerate() {
            if let Some(constant) = told.time_constant {
                self.constants += 1;
                let off = (constant.seconds - made.taus[n]).abs();
                self.constants_held += usize::from(off <= 0.1 * made.taus[n]);
            }
            if skipped == Some(n) {
                continue;
            }
            let held = usize::from((told.offset - truth).abs() <= told.half_width_95);
            self.offsets += 1;
            self.held += held;
            self.by_kind[kind].0 += 1;
            self.by_kind[kind].1 += held;
        }
    }

    fn report(&self) -> String {
        let share = |(of, held): (usize, usize)| 100.0 * held as f64 / of as f64;
        format!(
            "{} offsets, {:.2} % of the 95 % intervals hold the truth (against the mean {:.2}, a probe {:.2}, \
             a known temperature {:.2}); {} baths refused; {} time constants, {:.1} % within a tenth",
            self.offsets,
            share((self.offsets, self.held)),
            share(self.by_kind[0]),
            share(self.by_kind[1]),
            share(self.by_kind[2]),
            self.refused,
            self.constants,
            share((self.constants, self.constants_held)),
        )
    }
}

#[test]
fn intervals_hold_the_truth_as_often_as_they_say() {
    let full = std::env::var_os("SETTLED_FULL").is_some();
    let (seed, baths) = if full { (515_000, 6_000) } else { (11, 250) };
    let mut dice = Dice::new(seed);
    let mut count = Count::default();
    for _ in 0..baths {
        count.take(&mut dice);
    }
    println!("calibrating, seed {seed}, {baths} baths: {}", count.report());
    let share = count.held as f64 / count.offsets as f64;
    // 250 baths give some 1,000 offsets, not all independent: three standard deviations wider.
    let (low, high) = if full { (0.93, 0.97) } else { (0.91, 0.99) };
    assert!((low..=high).contains(&share), "{}", count.report());
    let within = count.constants_held as f64 / count.constants as f64;
    assert!(within > 0.9, "{}", count.report());
    assert!(count.refused * 20 < baths, "{}", count.report());
}

#[test]
fn a_bath_that_nobody_shares_is_refused_in_words() {
    let mut dice = Dice::new(3);
    let mut made = made(&mut dice);
    made.probes[0].samples.retain(|(t, _)| !(500.0..700.0).contains(t));
    let found = calibrate::bath(&made.probes, Reference::Mean, 0.0);
    assert!(found.unwrap_err().to_string().contains("silent"));
}
