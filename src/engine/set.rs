//! A settled set: the mean of every channel over the stretch in which all held still.

use std::collections::VecDeque;

use crate::engine::channel::Channel;
use crate::engine::reading::{Instrument, ProbeId, SettledSet, SettledValue};
use crate::engine::settle::lay;
use crate::engine::window::Block;
use crate::units::quantity::Quantity;
use crate::units::time::Elapsed;

/// One channel that may be part of a set.
#[derive(Debug, Clone, Copy)]
pub struct Part<'a> {
    /// The channel.
    pub channel: &'a Channel,
    /// Its blocks, the newest last (K).
    pub blocks: &'a VecDeque<Block>,
    /// Its probe.
    pub instrument: &'a Instrument,
    /// How much of its SI unit weighs as much as 1 K.
    pub unit_per_k: f64,
    /// Scatter of its readings (K).
    pub scatter_k: f64,
    /// The probe's number.
    pub probe: Option<ProbeId>,
}

/// The set over the stretch from `span.0` to `span.1` (s), of a run that began at `started_s`.
///
/// A channel without a reading in the stretch is left out. Two probes of one channel are averaged:
/// their own errors are independent, so each counts by half.
pub fn settled_set(
    number: u32,
    cycle: Option<u32>,
    span: (f64, f64),
    started_s: Option<f64>,
    parts: &[Part<'_>],
) -> SettledSet {
    let (from_s, to_s) = span;
    let mut values: Vec<SettledValue> = Vec::with_capacity(parts.len());
    let mut counts: Vec<f64> = Vec::with_capacity(parts.len());
    for part in parts {
        let Some(value) = value_of(part, from_s) else { continue };
        if let Some(place) = values.iter().position(|known| known.channel == value.channel) {
            pool(&mut values[place], &value, counts[place]);
            counts[place] += 1.0;
        } else {
            values.push(value);
            counts.push(1.0);
        }
    }
    SettledSet {
        number,
        cycle,
        from: Elapsed::from_ms((from_s * 1000.0).round() as u64),
        to: Elapsed::from_ms((to_s * 1000.0).round() as u64),
        run_s: started_s.map(|started| to_s - started),
        values,
    }
}

/// The mean of a channel with what is not known of it: scatter, and the probe's accuracy as the
/// half-width of a rectangle (JCGM 100, 4.3.7: a/√3).
fn value_of(part: &Part<'_>, from_s: f64) -> Option<SettledValue> {
    let blocks = part.blocks;
    let first = blocks.partition_point(|block| block.t < from_s);
    let count = blocks.len() - first;
    let (mean, scatter, spread) = match count {
        0 => return None,
        1..=3 => {
            let n = count as f64;
            let mean = blocks.range(first..).map(|block| block.x).sum::<f64>() / n;
            (mean, part.scatter_k / n.sqrt(), part.scatter_k)
        }
        _ => {
            let stretch = lay(blocks, first, 0.0);
            (stretch.mean, stretch.mean_uncertainty, stretch.spread)
        }
    };
    let unit = part.unit_per_k;
    let accuracy = part.instrument.accuracy / 3.0_f64.sqrt();
    let rounding = part.instrument.resolution / 12.0_f64.sqrt();
    // An accuracy that is stated includes the rounding; where none is, the rounding remains.
    let own = accuracy.max(rounding);
    Some(SettledValue {
        channel: part.channel.clone(),
        quantity: Quantity::new(part.channel.kind, mean * unit)?,
        spread: spread * unit,
        uncertainty: ((scatter * unit) * (scatter * unit) + own * own).sqrt(),
        probe: part.probe,
    })
}

/// Takes another probe's value into the mean of `count` probes.
fn pool(known: &mut SettledValue, other: &SettledValue, count: f64) {
    let mean = (known.quantity.get() * count + other.quantity.get()) / (count + 1.0);
    if let Some(quantity) = Quantity::new(known.quantity.kind(), mean) {
        known.quantity = quantity;
    }
    let (a, b) = (known.uncertainty * count, other.uncertainty);
    known.uncertainty = (a * a + b * b).sqrt() / (count + 1.0);
    known.spread = known.spread.max(other.spread);
}
