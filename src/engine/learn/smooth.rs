//! Whether bits move together as one number does: how much shorter a record becomes when they are
//! told as one number's small steps instead of bit by bit.

use crate::engine::decode::take;
use crate::engine::learn::shape::{BITS_MIN, Shape, bits_of};
use crate::engine::learn::stream::Stream;
use crate::engine::profile::layout::{Coding, Slice};

/// Steps that are looked at; a longer record says no more.
const STEPS_MAX: usize = 160;
/// Share of steps that are leaps: a probe moved, payloads lost.
const LEAPS: f64 = 0.01;

/// The steps of a stream, from which gains are told.
pub(super) struct Steps<'s> {
    pairs: Vec<(&'s [u8], &'s [u8])>,
    /// For each bit of the payload how much it takes to tell (nats in all).
    alone: Vec<f64>,
}

impl<'s> Steps<'s> {
    /// Steps spread over the stream.
    pub(super) fn of(stream: &'s Stream) -> Self {
        let payloads = &stream.payloads;
        let step = payloads.len().div_ceil(STEPS_MAX).max(1);
        let pairs: Vec<_> = payloads
            .windows(2)
            .step_by(step)
            .map(|pair| (pair[0].1.as_slice(), pair[1].1.as_slice()))
            .collect();
        let alone = |place: usize| {
            let (byte, bit) = (place / 8, place % 8);
            let turns = |(a, b): &&(&[u8], &[u8])| (a[byte] ^ b[byte]) >> bit & 1 == 1;
            let turned = pairs.iter().filter(turns).count() as f64;
            pairs.len() as f64 * entropy(turned / pairs.len().max(1) as f64)
        };
        let alone = (0..8 * stream.length_min).map(alone).collect();
        Self { pairs, alone }
    }

    /// What is gained by reading a shape's bits as one number (nats); `None` where its bits do not
    /// rise and fall with its value.
    pub(super) fn gain(&self, shape: &Shape) -> Option<f64> {
        self.can_tell(shape).then(|| self.gain_of(shape.plan.slice, shape.plan.coding))
    }

    /// Whether the shape's bits rise and fall with its value.
    pub(super) fn can_tell(&self, shape: &Shape) -> bool {
        let plan = &shape.plan;
        let rises = !matches!(plan.coding, Coding::Bcd | Coding::Digits | Coding::Medical);
        let alone = plan.sign.is_none() && plan.fraction.is_none() && plan.modulo == 0;
        rises && alone && !self.pairs.is_empty()
    }

    /// What is gained by reading some bits as one unsigned number (nats).
    pub(super) fn gain_of_bits(&self, slice: Slice) -> f64 {
        self.gain_of(slice, Coding::Unsigned)
    }

    /// The lowest bits may be noise: they are told alone where that is shorter.
    fn gain_of(&self, slice: Slice, coding: Coding) -> f64 {
        let read = |bytes: &[u8]| take(slice, bytes, 0).map(|raw| ordered(raw, slice.bits, coding));
        let pairs: Vec<(i64, i64)> =
            self.pairs.iter().filter_map(|(a, b)| Some((read(a)?, read(b)?))).collect();
        let alone: Vec<f64> =
            bits_of(slice).iter().filter_map(|place| self.alone.get(*place).copied()).collect();
        let kept = alone.len().saturating_sub(usize::from(BITS_MIN));
        let noisy = 0..=kept.min(NOISY_MAX);
        let gain = |noisy: usize| {
            let steps = pairs.iter().map(|(a, b)| (b >> noisy).abs_diff(a >> noisy));
            let bits = f64::from(slice.bits) - noisy as f64;
            alone[noisy.min(alone.len())..].iter().sum::<f64>() - together(steps, bits)
        };
        noisy.map(gain).fold(f64::MIN, f64::max)
    }
}

/// How many of a number's lowest bits may be noise.
const NOISY_MAX: usize = 20;

/// How much of a series is noise from one value to the next: 0 for a slow one, 1 for noise alone.
///
/// Source: the ratio of von Neumann, "Distribution of the ratio of the mean square successive
/// difference to the variance" (1941), halved.
pub(super) fn noise(values: &[f64]) -> f64 {
    let count = values.len() as f64;
    let mean = values.iter().sum::<f64>() / count;
    let variance = values.iter().map(|v| (v - mean) * (v - mean)).sum::<f64>() / count;
    let steps: f64 = values.windows(2).map(|pair| (pair[1] - pair[0]) * (pair[1] - pair[0])).sum();
    if variance > 0.0 { steps / (count - 1.0) / (2.0 * variance) } else { 0.0 }
}

/// Bits as a number that rises with what they mean.
fn ordered(raw: u64, bits: u8, coding: Coding) -> i64 {
    let top = 1 << (bits - 1);
    match coding {
        Coding::Signed => ((raw ^ top) as i64).wrapping_sub(top as i64),
        Coding::SignMagnitude | Coding::Float if raw & top != 0 => -((raw & (top - 1)) as i64),
        _ => (raw >> u32::from(bits == 64)) as i64,
    }
}

/// Nats to tell these steps of a number of so many bits.
///
/// Most of the time a probe holds still, sometimes it moves, and now and then it leaps: three
/// two-sided geometric distributions, each four times as wide as the one before, and any step.
fn together(steps: impl Iterator<Item = u64>, bits: f64) -> f64 {
    const SHARES: [f64; 3] = [0.7, 0.2, 0.09];
    let steps: Vec<f64> = steps.map(|step| step as f64).collect();
    if steps.iter().all(|step| *step == 0.0) {
        return 0.0;
    }
    let mut sorted = steps.clone();
    sorted.sort_by(f64::total_cmp);
    let quiet = &sorted[..(sorted.len() * 7).div_ceil(10)];
    let mean = (quiet.iter().sum::<f64>() / quiet.len() as f64).max(0.05);
    let geometric = [1.0, 4.0, 16.0].map(|wider| {
        let mean = mean * wider;
        // Two-sided geometric with this mean of the step without its sign.
        let ratio = (libm::sqrt(1.0 + mean * mean) - 1.0) / mean;
        ((1.0 - ratio) / (1.0 + ratio), libm::log(ratio))
    });
    let leap = LEAPS * libm::exp(-bits * core::f64::consts::LN_2);
    let cost = |step: &f64| {
        let parts = geometric.iter().zip(SHARES);
        let sum: f64 = parts.map(|((first, fall), w)| w * first * libm::exp(fall * step)).sum();
        -libm::log(sum + leap)
    };
    steps.iter().map(cost).sum()
}

/// Of a bit that turns with this probability (nats).
fn entropy(p: f64) -> f64 {
    if p <= 0.0 || p >= 1.0 {
        return 0.0;
    }
    -(p * libm::log(p) + (1.0 - p) * libm::log(1.0 - p))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::engine::learn::Heard;
    use crate::engine::learn::stream;
    use crate::engine::reading::Via;
    use crate::units::time::Elapsed;

    /// Two bytes of a slow number, low byte first, then one of noise.
    fn heard() -> Vec<Heard> {
        let payload = |n: u64| {
            let slow = (1000.0 + 300.0 * libm::sin(n as f64 / 20.0)) as u16 + (n * 7 % 5) as u16;
            let mixed = n.wrapping_mul(0x9E37_79B9_7F4A_7C15);
            let noise = ((mixed ^ (mixed >> 31)).wrapping_mul(0xBF58_476D_1CE4_E5B9) >> 56) as u8;
            let [low, high] = slow.to_le_bytes();
            Heard {
                at: Elapsed::from_secs(n),
                via: Via::Manufacturer(1),
                bytes: vec![low, high, noise],
            }
        };
        (0..200).map(payload).collect()
    }

    #[test]
    fn a_number_s_bits_are_told_shorter_together_and_noise_is_not() {
        let streams = stream::split(&heard());
        let steps = Steps::of(&streams[0]);
        let gain = |at, bytes: u8, big| {
            steps.gain_of_bits(Slice { at, bytes, big, low_bit: 0, bits: 8 * bytes })
        };
        let gains = [gain(0, 2, false), gain(0, 1, false), gain(1, 1, false), gain(0, 2, true)];
        let [number, low, high, reversed] = gains;
        assert!(number > 50.0 && number > low + high + 10.0, "{gains:?}");
        // The wrong order gains nothing over the byte that is then in front.
        assert!(reversed < low.max(high) + 1.0, "{gains:?}");
        assert!(gain(2, 1, false) < 0.0, "{}", gain(2, 1, false));
        let read = |at: usize| {
            let numbers = streams[0].payloads.iter().map(|(_, bytes)| f64::from(bytes[at]));
            numbers.collect::<Vec<f64>>()
        };
        assert!(noise(&read(1)) < 0.1 && noise(&read(2)) > 0.7);
    }
}
