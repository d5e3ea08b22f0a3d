//! A settled set: the mean of every channel over the stretch in which all held still.

use std::collections::VecDeque;

use crate::engine::channel::Channel;
use crate::engine::reading::{Instrument, ProbeId, SettledSet, SettledValue};
use crate::engine::settle::Laid;
use crate::engine::window::Block;
use crate::units::quantity::Quantity;
use crate::units::time::Elapsed;

/// One channel that may be part of a set.
#[derive(Debug)]
pub struct Part<'a> {
    /// The channel.
    pub channel: &'a Channel,
    /// Its blocks, the newest last (K).
    pub blocks: &'a VecDeque<Block>,
    /// The line that was laid through them last.
    pub laid: &'a mut Laid,
    /// Its probe.
    pub instrument: &'a Instrument,
    /// How much of its SI unit weighs as much as 1 K.
    pub unit_per_k: f64,
    /// Scatter of its readings (K).
    pub scatter_k: f64,
    /// The shortest window that can hold (s): a drift within the limit is tolerated in it.
    pub window_s: f64,
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
    parts: &mut [Part<'_>],
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

/// The mean of a channel with what is not known of it: scatter, the drift through a stretch longer
/// than the shortest window, and the probe's accuracy, the latter two as half-widths of a rectangle
/// (JCGM 100, 4.3.7: a/√3).
fn value_of(part: &mut Part<'_>, from_s: f64) -> Option<SettledValue> {
    let blocks = part.blocks;
    let first = blocks.partition_point(|block| block.t < from_s);
    let count = blocks.len() - first;
    let (mean, scatter, spread, drifted) = match count {
        0 => return None,
        1..=3 => {
            let n = count as f64;
            let mean = blocks.range(first..).map(|block| block.x).sum::<f64>() / n;
            (mean, part.scatter_k / n.sqrt(), part.scatter_k, 0.0)
        }
        _ => {
            let stretch = part.laid.lay(blocks, first);
            // In a window that had to grow the channel is by its end off the mean.
            let grown_s = (stretch.to_s - stretch.from_s - part.window_s).max(0.0);
            let drifted = 0.5 * grown_s * stretch.drift / 3.0_f64.sqrt();
            (stretch.mean, stretch.mean_uncertainty, stretch.spread, drifted)
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
        uncertainty: libm::hypot(libm::hypot(scatter, drifted) * unit, own),
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

#[cfg(test)]
mod tests {
    use super::*;
    use crate::engine::window::Window;

    fn window(value: f64) -> Window {
        let mut window = Window::new(10.0, 40);
        for t in 0..301 {
            // A ripple of ±0.1 K that each block averages to nothing.
            let ripple = if t % 2 == 0 { 0.1 } else { -0.1 };
            window.take(f64::from(t), value + ripple);
        }
        window
    }

    fn made(parts: &[(&str, f64, Instrument, f64)]) -> SettledSet {
        let channels: Vec<Channel> = parts.iter().map(|part| part.0.parse().unwrap()).collect();
        let windows: Vec<Window> = parts.iter().map(|part| window(part.1)).collect();
        let mut laid = vec![Laid::default(); parts.len()];
        let mut parts: Vec<Part<'_>> = parts
            .iter()
            .zip(channels.iter().zip(&windows))
            .zip(&mut laid)
            .map(|(((_, _, instrument, unit), (channel, window)), laid)| Part {
                channel,
                blocks: window.blocks(),
                laid,
                instrument,
                unit_per_k: *unit,
                scatter_k: 0.1,
                window_s: 300.0,
                probe: None,
            })
            .collect();
        settled_set(3, Some(2), (100.0, 300.0), Some(40.0), &mut parts)
    }

    const fn instrument(accuracy: f64, resolution: f64) -> Instrument {
        Instrument { accuracy, resolution, time_constant_s: None }
    }

    #[test]
    fn a_value_is_the_mean_with_the_probe_s_accuracy_as_a_rectangle() {
        let set = made(&[("supply-air.temperature", 14.0, instrument(0.6, 0.1), 1.0)]);
        let value = &set.values[0];
        assert!((value.quantity.get() - 14.0).abs() < 1e-9);
        // 0.6/√3; the blocks' means do not scatter.
        assert!((value.uncertainty - 0.6 / 3.0_f64.sqrt()).abs() < 1e-6, "{value:?}");
        assert!((value.spread - 0.1).abs() < 0.001, "{value:?}");
        assert_eq!((set.number, set.cycle, set.run_s), (3, Some(2), Some(260.0)));
    }

    #[test]
    fn a_drift_through_a_window_that_has_grown_is_not_known_of_its_end() {
        let channel: Channel = "supply-air.temperature".parse().unwrap();
        let mut window = Window::new(10.0, 100);
        for t in 0..901 {
            window.take(f64::from(t), 14.0 + 0.001 * f64::from(t));
        }
        let value = |window_s: f64| {
            let instrument = instrument(0.0, 0.0);
            let mut part = Part {
                channel: &channel,
                blocks: window.blocks(),
                laid: &mut Laid::default(),
                instrument: &instrument,
                unit_per_k: 1.0,
                scatter_k: 0.1,
                window_s,
                probe: None,
            };
            value_of(&mut part, 0.0).unwrap().uncertainty
        };
        // 900 s are as long as asked for; of 300 s the other 600 s drift by 0.6 K, 0.3 K to each side.
        assert!(value(900.0) < 0.01, "{}", value(900.0));
        assert!((value(300.0) - 0.3 / 3.0_f64.sqrt()).abs() < 0.005, "{}", value(300.0));
    }

    #[test]
    fn without_a_stated_accuracy_the_rounding_remains() {
        let set = made(&[("supply-air.temperature", 14.0, instrument(0.0, 0.5), 1.0)]);
        assert!((set.values[0].uncertainty - 0.5 / 12.0_f64.sqrt()).abs() < 1e-6);
    }

    #[test]
    fn a_pressure_comes_back_in_pascals() {
        // 33 K of 28 kPa each.
        let set = made(&[("suction-line.pressure", 33.0, instrument(7_000.0, 0.0), 28_000.0)]);
        let value = &set.values[0];
        assert!((value.quantity.get() - 924_000.0).abs() < 1e-3, "{value:?}");
        assert!((value.uncertainty - 7_000.0 / 3.0_f64.sqrt()).abs() < 1.0, "{value:?}");
        assert!((value.spread - 2_800.0).abs() < 30.0, "{value:?}");
    }

    #[test]
    fn two_probes_of_one_channel_are_averaged_and_err_apart() {
        let probe = instrument(0.6, 0.0);
        let name = "supply-air.temperature";
        let set = made(&[(name, 14.0, probe, 1.0), (name, 15.0, probe, 1.0)]);
        assert_eq!(set.values.len(), 1);
        assert!((set.values[0].quantity.get() - 14.5).abs() < 1e-9);
        let expected = 0.6 / 3.0_f64.sqrt() / 2.0_f64.sqrt();
        assert!((set.values[0].uncertainty - expected).abs() < 1e-6, "{set:?}");
    }
}
