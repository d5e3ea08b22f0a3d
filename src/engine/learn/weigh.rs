//! Weighs all readings of the bytes against the known values, and says how sure the best one is.

use crate::engine::decode::read_number;
use crate::engine::learn::behaviour::{Behaviour, slice_in_words};
use crate::engine::learn::scale::{self, Map, Point, ln_normal, ln_sum};
use crate::engine::learn::shape::{self, Shape, bits_of};
use crate::engine::learn::stream::Stream;
use crate::engine::learn::{Answer, Candidate, Known};
use crate::engine::learn::{movement, next};
use crate::engine::profile::layout::Coding;
use crate::units::quantity::QuantityKind;

/// Odds below which the best reading is not called sure.
const SURE: f64 = 0.99;
/// Odds below which it is not even called likely.
const LIKELY: f64 = 0.8;
/// Fewest known values that make a reading sure.
const KNOWN_MIN: usize = 3;
/// Prior share of probes that do not send the quantity at all, in any way that can be found.
const NONE: f64 = 0.03;
/// What a reading loses where its bits are told otherwise, by their behaviour (nats).
const TAKEN: f64 = 15.0;
/// Hypotheses kept, of what may be a hundred thousand.
const KEPT: usize = 600;
/// Scales of one shape that are so far behind its best one are dropped (nats).
const MAPS_BEHIND: f64 = 9.0;
/// A hypothesis so far behind the best by the known values alone is dropped (nats): no movement of
/// the bits makes up for more.
const DROPPED: f64 = movement::LOSS_MAX + 10.0;
/// Payloads on which two readings are compared.
const COMPARED: usize = 48;
/// Readings that differ by less than so many standard uncertainties of a known value are one.
const ALIKE: f64 = 0.35;

/// How sure the best reading is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Sureness {
    /// No other reading is left.
    Sure,
    /// Others are left, but not likely.
    Likely,
    /// The data do not decide.
    Undecided,
    /// No field gives the known values.
    Nothing,
}

impl Sureness {
    /// The word for people and in JSON.
    pub const fn word(self) -> &'static str {
        match self {
            Self::Sure => "sure",
            Self::Likely => "likely",
            Self::Undecided => "undecided",
            Self::Nothing => "nothing",
        }
    }
}

/// One way to read a quantity, and how likely it is.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Hypothesis {
    pub stream: usize,
    pub shape: Shape,
    pub map: Map,
    /// Logarithm of its evidence and prior.
    pub ln: f64,
}

impl Hypothesis {
    /// The value (SI) in a payload.
    pub(super) fn read(&self, bytes: &[u8]) -> Option<f64> {
        read_number(&self.shape.plan, bytes).map(|x| self.map.si(x))
    }

    /// It in words.
    pub(super) fn in_words(&self) -> String {
        let plan = &self.shape.plan;
        let place = if plan.to_end {
            format!("from byte {} to the end", plan.slice.at)
        } else {
            slice_in_words(plan.slice)
        };
        let mut words = vec![place];
        words.push(
            match plan.coding {
                Coding::Signed => "signed",
                Coding::SignMagnitude => "sign and magnitude",
                Coding::Float => "IEEE 754",
                Coding::Medical => "IEEE 11073",
                Coding::Bcd => "decimal digits in half bytes",
                Coding::Digits => "written in digits",
                _ => "unsigned",
            }
            .to_owned(),
        );
        words.extend(plan.sign.map(|sign| format!("sign in {}", slice_in_words(sign))));
        words.extend(plan.fraction.map(|(slice, over)| format!("byte {} over {over}", slice.at)));
        if plan.divide != 1 {
            words.push(format!("divided by {}", plan.divide));
        }
        if plan.modulo != 0 {
            words.push(format!("the rest by {}", plan.modulo));
        }
        let Map { unit, scale, offset, .. } = self.map;
        let offset = match offset {
            0.0 => String::new(),
            below if below < 0.0 => format!(" − {}", -below),
            above => format!(" + {above}"),
        };
        words.push(format!("· {scale}{offset} {}", unit.word));
        words.join(", ")
    }
}

/// Hypotheses that give the same values in all that was heard.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Class {
    pub probability: f64,
    pub best: Hypothesis,
    /// Its share of the class.
    pub others: Vec<(Hypothesis, f64)>,
}

/// What was found for one quantity.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Weighed<'s> {
    pub kind: QuantityKind,
    pub known: Vec<Known>,
    pub classes: Vec<Class>,
    pub none: f64,
    pub sureness: Sureness,
    streams: &'s [Stream],
}

impl Weighed<'_> {
    /// The reading to write down.
    pub(super) fn best(&self) -> Option<&Hypothesis> {
        let first = self.classes.first().filter(|class| class.probability > self.none)?;
        Some(&first.best)
    }

    /// The stream that it is read from.
    pub(super) fn stream(&self) -> Option<usize> {
        self.best().map(|best| best.stream)
    }

    /// The numbers around each known value, and the value.
    fn residual(&self, hypothesis: &Hypothesis) -> f64 {
        let stream = &self.streams[hypothesis.stream];
        let points = points(stream, &hypothesis.shape, &self.known);
        let left = points.iter().map(|point| point.y - hypothesis.map.si(point.x));
        (left.map(|r| r * r).sum::<f64>() / points.len().max(1) as f64).sqrt()
    }

    /// The answer for people.
    pub(super) fn answer(&self) -> Answer {
        let candidate = |class: &Class| Candidate {
            probability: class.probability,
            words: class.best.in_words(),
            residual: self.residual(&class.best),
        };
        let readings = self.classes.iter().take(5).filter(|class| class.probability >= 1e-4);
        Answer {
            kind: self.kind,
            sureness: self.sureness,
            readings: readings.map(candidate).collect(),
            none: self.none,
            next: next::next(self, self.streams),
            open: next::open(self),
        }
    }
}

/// Weighs all readings of `kind` in all streams.
pub(super) fn weigh<'s>(
    streams: &'s [Stream],
    behaviours: &[Behaviour],
    kind: QuantityKind,
    known: &[Known],
) -> Weighed<'s> {
    let (centre, width) = scale::anywhere(kind, known);
    let by_chance = |known: &Known| {
        let variance = width * width + scale::sd(known) * scale::sd(known);
        ln_normal(known.value - centre, variance)
    };
    let mut all: Vec<Hypothesis> = Vec::new();
    for (place, (stream, behaviour)) in streams.iter().zip(behaviours).enumerate() {
        let heard = |k: &&Known| stream.near(k.at).next().is_some();
        let covered: Vec<Known> = known.iter().filter(heard).copied().collect();
        if covered.is_empty() {
            continue;
        }
        let missed: f64 = known.iter().filter(|k| !heard(k)).map(by_chance).sum();
        // A stream that is a part of another, or that mixes lengths, must earn it.
        let odd = f64::from(u8::from(stream.form.is_some()) + u8::from(stream.length.is_none()));
        let mut found = hypotheses(stream, place, behaviour, kind, &covered);
        for hypothesis in &mut found {
            hypothesis.ln += missed - 2.0 * odd;
        }
        movement::judge(stream, kind, &mut found);
        all.extend(found);
    }
    keep_best(&mut all);
    let none = libm::log(NONE) + known.iter().map(by_chance).sum::<f64>();
    let logs: Vec<f64> = all.iter().map(|h| h.ln).chain([none]).collect();
    let total = ln_sum(&logs);
    let none = libm::exp(none - total);
    let classes = classes(streams, all, total, known);
    let mut weighed = Weighed {
        kind,
        known: known.to_vec(),
        classes,
        none,
        sureness: Sureness::Nothing,
        streams,
    };
    weighed.sureness = sureness(&weighed);
    weighed
}

fn sureness(weighed: &Weighed<'_>) -> Sureness {
    let Some(first) = weighed.classes.first().filter(|first| first.probability > weighed.none)
    else {
        return Sureness::Nothing;
    };
    let stream = &weighed.streams[first.best.stream];
    let points = points(stream, &first.best.shape, &weighed.known);
    let mut values: Vec<f64> = points.iter().map(|point| point.x).collect();
    values.sort_by(f64::total_cmp);
    values.dedup();
    match first.probability {
        p if p >= SURE && values.len() >= KNOWN_MIN => Sureness::Sure,
        p if p >= LIKELY => Sureness::Likely,
        _ => Sureness::Undecided,
    }
}

/// The numbers that a shape gives around each known value.
pub(super) fn points(stream: &Stream, shape: &Shape, known: &[Known]) -> Vec<Point> {
    let near: Vec<Vec<&[u8]>> = known.iter().map(|k| stream.near(k.at).collect()).collect();
    points_of(&near, shape, known)
}

fn points_of(near: &[Vec<&[u8]>], shape: &Shape, known: &[Known]) -> Vec<Point> {
    let point = |(payloads, known): (&Vec<&[u8]>, &Known)| {
        let (mut count, mut sum, mut squares) = (0.0, 0.0, 0.0);
        for x in payloads.iter().filter_map(|bytes| read_number(&shape.plan, bytes)) {
            count += 1.0;
            sum += x;
            squares += x * x;
        }
        if count == 0.0 {
            return None;
        }
        let mean: f64 = sum / count;
        let scatter = (squares / count - mean * mean).max(0.0);
        mean.is_finite().then(|| Point {
            x: mean,
            scatter,
            count,
            y: known.value,
            sd: scale::sd(known),
        })
    };
    near.iter().zip(known).filter_map(point).collect()
}

/// All readings that the known values allow, by those values alone.
fn hypotheses(
    stream: &Stream,
    place: usize,
    behaviour: &Behaviour,
    kind: QuantityKind,
    known: &[Known],
) -> Vec<Hypothesis> {
    let units = scale::units(kind, known.iter().any(|k| k.gauge));
    let near: Vec<Vec<&[u8]>> = known.iter().map(|k| stream.near(k.at).collect()).collect();
    let taken = behaviour.taken();
    let mut found: Vec<Hypothesis> = Vec::new();
    let mut best = f64::NEG_INFINITY;
    for shape in shape::all(stream) {
        let points = points_of(&near, &shape, known);
        let still = points.windows(2).all(|pair| pair[0].x == pair[1].x);
        if points.len() < known.len() || (points.len() > 1 && still) {
            continue;
        }
        let maps = scale::maps(&points, &units, shape.is_whole(), shape.scales_itself());
        if maps.is_empty() {
            continue;
        }
        let overlaps = !taken.is_empty() && shape.bits().iter().any(|bit| taken.contains(bit));
        let prior = shape.prior - if overlaps { TAKEN } else { 0.0 };
        let first = maps.iter().map(|(_, ln)| *ln).fold(f64::NEG_INFINITY, f64::max);
        for (map, evidence) in maps.into_iter().filter(|(_, ln)| *ln > first - MAPS_BEHIND) {
            let ln = prior + evidence;
            if ln > best - DROPPED {
                best = best.max(ln);
                found.push(Hypothesis { stream: place, shape: shape.clone(), map, ln });
            }
        }
    }
    keep_best(&mut found);
    found
}

fn keep_best(hypotheses: &mut Vec<Hypothesis>) {
    hypotheses.sort_by(|a, b| b.ln.total_cmp(&a.ln));
    hypotheses.truncate(KEPT);
}

/// Puts together what gives the same values in all that was heard.
fn classes(
    streams: &[Stream],
    hypotheses: Vec<Hypothesis>,
    total: f64,
    known: &[Known],
) -> Vec<Class> {
    let tolerance = ALIKE * known.iter().map(scale::sd).fold(f64::MAX, f64::min);
    let samples: Vec<Vec<&[u8]>> = streams
        .iter()
        .map(|stream| {
            let near = known.iter().flat_map(|known| stream.near(known.at));
            stream.sample(COMPARED).chain(near).collect()
        })
        .collect();
    let values = |hypothesis: &Hypothesis| -> Vec<Option<f64>> {
        samples[hypothesis.stream].iter().map(|bytes| hypothesis.read(bytes)).collect()
    };
    let mut classes: Vec<(Class, Vec<Option<f64>>)> = Vec::new();
    for hypothesis in hypotheses {
        let probability = libm::exp(hypothesis.ln - total);
        if probability < 1e-6 && !classes.is_empty() {
            continue;
        }
        let own = values(&hypothesis);
        let alike = classes.iter_mut().find(|(class, values)| {
            let same = class.best.stream == hypothesis.stream && agree(values, &own, tolerance);
            let elsewhere = class.best.shape.plan == hypothesis.shape.plan
                && class.best.map.scale == hypothesis.map.scale
                && class.best.map.offset == hypothesis.map.offset
                && class.best.map.unit.word == hypothesis.map.unit.word;
            same || elsewhere
        });
        match alike {
            Some((class, _)) => {
                class.probability += probability;
                class.others.push((hypothesis, probability));
            }
            None => {
                classes.push((Class { probability, best: hypothesis, others: Vec::new() }, own));
            }
        }
    }
    let mut classes: Vec<Class> = classes.into_iter().map(|(class, _)| class).collect();
    classes.sort_by(|a, b| b.probability.total_cmp(&a.probability));
    classes
}

fn agree(a: &[Option<f64>], b: &[Option<f64>], tolerance: f64) -> bool {
    a.iter().zip(b).all(|pair| match pair {
        (Some(a), Some(b)) => (a - b).abs() <= tolerance,
        (None, None) => true,
        _ => false,
    })
}

/// The bits that a hypothesis reads, its sign and fraction among them.
pub(super) fn all_bits(shape: &Shape) -> Vec<usize> {
    let mut bits = shape.bits();
    bits.extend(shape.plan.sign.map(bits_of).unwrap_or_default());
    bits.extend(shape.plan.fraction.map(|(slice, _)| bits_of(slice)).unwrap_or_default());
    bits
}
