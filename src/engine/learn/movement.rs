//! What the whole record says of a reading beside the known values: whether its bits move as one
//! number does, whether it is noise, and whether it ever gives what cannot be.

use std::collections::{BTreeSet, HashMap};

use crate::engine::decode::take;
use crate::engine::learn::shape::Shape;
use crate::engine::learn::smooth::{Steps, noise};
use crate::engine::learn::stream::Stream;
use crate::engine::learn::weigh::Hypothesis;
use crate::engine::profile::layout::{Coding, Slice};
use crate::units::quantity::QuantityKind;

/// Most that a reading loses by movement and noise together (nats).
pub(super) const LOSS_MAX: f64 = SMOOTH_MAX + NOISE_MAX;
/// What a reading loses for each payload that gives what cannot be (nats, times their share).
const IMPOSSIBLE: f64 = 25.0;
/// Most that a reading gains or loses by how its bits move (nats).
const SMOOTH_MAX: f64 = 20.0;
/// Weight of how bits move: steps that follow one another are not independent.
const SMOOTH_WEIGHT: f64 = 0.5;
/// Most that a reading gains or loses by keeping to decimal limits (nats).
const DECIMAL_MAX: f64 = 15.0;
/// Most that a reading loses for being noise from one payload to the next (nats).
const NOISE_MAX: f64 = 20.0;
/// What a reading loses whose bits cannot be judged by how they move (nats).
const NOT_JUDGED: f64 = 2.0;
/// Shapes that compete for the same bits.
const COMPETING: usize = 80;
/// Payloads on which noise and range are judged.
const SAMPLE: usize = 200;

/// Weighs in how the bits move in the whole record, and whether what they give can be.
pub(super) fn judge(stream: &Stream, kind: QuantityKind, found: &mut [Hypothesis]) {
    let steps = Steps::of(stream);
    let mut shapes: Vec<(Shape, Option<f64>)> = Vec::new();
    let mut gains: HashMap<(Slice, Coding), Option<f64>> = HashMap::new();
    for hypothesis in found.iter() {
        let shape = &hypothesis.shape;
        if shapes.iter().all(|(other, _)| other != shape) {
            let told = steps.can_tell(shape);
            let key = (shape.plan.slice, shape.plan.coding);
            let gain = told.then(|| *gains.entry(key).or_insert_with(|| steps.gain(shape)));
            shapes.push((shape.clone(), gain.flatten()));
        }
    }
    let rivals = rivals(&shapes);
    let mut pieces: HashMap<Slice, f64> = HashMap::new();
    let losses: Vec<f64> = shapes
        .iter()
        .map(|(shape, gain)| loss(shape, *gain, &rivals, &steps, &mut pieces))
        .collect();
    let sample: Vec<&[u8]> = stream.sample(SAMPLE).collect();
    for hypothesis in found {
        let known = shapes.iter().position(|(shape, _)| *shape == hypothesis.shape);
        hypothesis.ln -= known.map_or(SMOOTH_MAX, |place| losses[place]);
        let (low, high) = possible(kind);
        let values: Vec<f64> = sample.iter().filter_map(|bytes| hypothesis.read(bytes)).collect();
        let possible = values.iter().filter(|value| (low..=high).contains(*value)).count();
        // What cannot be read counts as what cannot be.
        let wrong = sample.len() - possible;
        hypothesis.ln -= IMPOSSIBLE * wrong as f64 / sample.len().max(1) as f64;
        hypothesis.ln += decimal(&hypothesis.shape, &sample);
        if values.len() >= 10 {
            hypothesis.ln -= NOISE_MAX * ((noise(&values) - 0.4) / 0.4).clamp(0.0, 1.0);
        }
    }
}

/// What probes of the trade may show (SI; common practice, no source).
fn possible(kind: QuantityKind) -> (f64, f64) {
    match kind {
        QuantityKind::Temperature => (-60.0, 300.0),
        QuantityKind::Pressure => (-1.1e5, 7e6),
        other => other.range(),
    }
}

/// What a shape gains where its bytes keep to decimal limits that chance would break: hundredths
/// below 100, half bytes below 10.
fn decimal(shape: &Shape, sample: &[&[u8]]) -> f64 {
    if let Some((slice, over)) = shape.plan.fraction {
        let values: BTreeSet<u64> =
            sample.iter().filter_map(|bytes| take(slice, bytes, 0)).collect();
        let most = values.last().map_or(0.0, |most| *most as f64);
        return match () {
            () if most >= over => -DECIMAL_MAX,
            // A limit that is never come near says nothing.
            () if most < 0.8 * over => 0.0,
            () => (values.len() as f64 * libm::log(256.0 / over)).min(DECIMAL_MAX),
        };
    }
    if shape.plan.coding != Coding::Bcd {
        return 0.0;
    }
    let digit = |place: u8| {
        let values: BTreeSet<u64> = sample
            .iter()
            .filter_map(|bytes| take(shape.plan.slice, bytes, 0))
            .map(|raw| raw >> (4 * place) & 0xF)
            .collect();
        // Half bytes that take few values say nothing.
        if values.len() < 6 { 0.0 } else { values.len() as f64 * libm::log(1.6) }
    };
    (0..shape.plan.slice.bits / 4).map(digit).sum::<f64>().min(DECIMAL_MAX)
}

/// The shapes with the most gain, one for each place.
fn rivals(shapes: &[(Shape, Option<f64>)]) -> Vec<(Shape, f64)> {
    let mut rivals: Vec<(Shape, f64)> = shapes
        .iter()
        .filter(|(shape, _)| shape.is_whole())
        .filter_map(|(shape, gain)| gain.map(|gain| (shape.clone(), gain)))
        .collect();
    rivals.sort_by(|a, b| b.1.total_cmp(&a.1));
    let mut places: Vec<Slice> = Vec::new();
    rivals.retain(|(shape, _)| {
        let new = places.len() < COMPETING && !places.contains(&shape.plan.slice);
        if new {
            places.push(shape.plan.slice);
        }
        new
    });
    rivals
}

/// What a shape loses because others that share bits with it tell the record shorter.
fn loss(
    shape: &Shape,
    gain: Option<f64>,
    rivals: &[(Shape, f64)],
    steps: &Steps<'_>,
    pieces: &mut HashMap<Slice, f64>,
) -> f64 {
    let Some(gain) = gain else { return NOT_JUDGED };
    let own = shape.bits();
    let mut most = 0.0_f64;
    for (rival, rival_gain) in rivals {
        // They stand in the order of their gains.
        if *rival_gain <= gain + most {
            break;
        }
        let bits = rival.bits();
        if !bits.iter().any(|bit| own.contains(bit)) {
            continue;
        }
        // What is left of the rival's bits may be another number beside this one.
        let mut left = 0.0;
        for piece in pieces_without(rival.plan.slice, &bits, &own) {
            left += pieces.entry(piece).or_insert_with(|| steps.gain_of_bits(piece)).max(0.0);
        }
        most = most.max(rival_gain - gain - left);
    }
    (SMOOTH_WEIGHT * most).min(SMOOTH_MAX)
}

/// The runs of a slice's bits that are not among `without`.
fn pieces_without(slice: Slice, bits: &[usize], without: &[usize]) -> Vec<Slice> {
    let mut pieces: Vec<Slice> = Vec::new();
    let mut run: Option<Slice> = None;
    for (place, bit) in bits.iter().enumerate() {
        if without.contains(bit) {
            pieces.extend(run.take());
            continue;
        }
        let low_bit = slice.low_bit + place as u8;
        let piece = run.get_or_insert(Slice { low_bit, bits: 0, ..slice });
        piece.bits += 1;
    }
    pieces.extend(run);
    pieces
}
