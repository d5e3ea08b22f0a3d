//! All fields that a payload could hold: where, how wide, in which order, and how it is read.

use crate::engine::decode::take;
use crate::engine::learn::stream::Stream;
use crate::engine::profile::layout::{Coding, FieldPlan, Slice};
use crate::engine::profile::unit::Linear;

/// Fewest bits that a measured value has.
pub(super) const BITS_MIN: u8 = 6;
/// Payloads that are looked at for digits and bits that turn.
const SAMPLE: usize = 64;

/// A way to read a number from a payload, before scale and offset.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Shape {
    pub plan: FieldPlan,
    /// Logarithm of how usual it is.
    pub prior: f64,
}

impl Shape {
    /// Whether what is read is already the value: a float, digits, a number with its fraction.
    pub(super) fn scales_itself(&self) -> bool {
        let coded = matches!(self.plan.coding, Coding::Float | Coding::Medical | Coding::Digits);
        coded || self.plan.fraction.is_some()
    }

    /// Whether it is read as whole numbers.
    pub(super) fn is_whole(&self) -> bool {
        !matches!(self.plan.coding, Coding::Float | Coding::Medical | Coding::Digits)
            && self.plan.fraction.is_none()
    }

    /// The bits that it reads, as places in the payload (8 · byte + bit), the lowest first.
    pub(super) fn bits(&self) -> Vec<usize> {
        bits_of(self.plan.slice)
    }
}

/// The bits of a slice, as places in the payload (8 · byte + bit), the lowest first.
pub(super) fn bits_of(slice: Slice) -> Vec<usize> {
    let from = usize::try_from(slice.at).unwrap_or(0);
    let place = |bit: u8| {
        let byte = usize::from(bit / 8);
        let byte = if slice.big { usize::from(slice.bytes) - 1 - byte } else { byte };
        8 * (from + byte) + usize::from(bit % 8)
    };
    (slice.low_bit..slice.low_bit + slice.bits).map(place).collect()
}

/// A plan with nothing but its bits and what they mean.
pub(super) fn plain(slice: Slice, coding: Coding) -> FieldPlan {
    FieldPlan {
        index: 0,
        slice,
        coding,
        to_end: false,
        lower: Box::default(),
        sign: None,
        present: None,
        optional: false,
        fraction: None,
        divide: 1,
        modulo: 0,
        absent: Box::default(),
        linear: Linear::SAME,
        cases: Box::default(),
        valid: (f64::MIN, f64::MAX),
    }
}

/// All shapes in payloads of the stream.
pub(super) fn all(stream: &Stream) -> Vec<Shape> {
    let length = stream.length_min;
    let mut shapes = Vec::new();
    for at in 0..length {
        for bytes in 1..=8_usize.min(length - at) {
            for big in if bytes == 1 { &[false][..] } else { &[false, true] } {
                let slice = Slice {
                    at: at as i16,
                    bytes: bytes as u8,
                    big: *big,
                    low_bit: 0,
                    bits: 8 * bytes as u8,
                };
                whole_numbers(slice, &mut shapes);
                floats(slice, &mut shapes);
                packed(slice, &mut shapes);
            }
        }
        fractions(at, length, &mut shapes);
    }
    digits(stream, &mut shapes);
    signs_elsewhere(stream, &mut shapes);
    let places = libm::log(length.max(1) as f64);
    for shape in &mut shapes {
        shape.prior -= places;
    }
    shapes
}

fn add(shapes: &mut Vec<Shape>, plan: FieldPlan, share: f64) {
    shapes.push(Shape { plan, prior: libm::log(share) });
}

/// Two's complement, unsigned and sign and magnitude, with bits left out at either end.
///
/// How usual each is: common practice of open formats, no source.
fn whole_numbers(slice: Slice, shapes: &mut Vec<Shape>) {
    let order = if slice.bytes == 1 { 1.0 } else { 0.5 };
    let aligned = match slice.bytes {
        1 => 0.12,
        2 => 0.5,
        3 => 0.04,
        4 => 0.06,
        8 => 0.005,
        _ => 0.001,
    };
    let cuts = if slice.bytes <= 4 { 8 } else { 1 };
    for low in 0..cuts {
        for top in 0..cuts {
            let bits = slice.bits.saturating_sub(low + top);
            if bits < BITS_MIN {
                continue;
            }
            let share = match (slice.bytes, low, top) {
                (_, 0, 0) => aligned,
                (2, 0, 4) | (2, 4, 0) => 0.02,
                (1 | 2, 0, _) | (1 | 2, _, 0) => 0.003,
                (2, ..) => 0.000_5,
                (_, 0 | 4, 4) | (_, 4, 0) => 0.001,
                _ => 0.000_05,
            };
            let slice = Slice { low_bit: low, bits, ..slice };
            for (coding, part) in
                [(Coding::Signed, 0.62), (Coding::Unsigned, 0.33), (Coding::SignMagnitude, 0.05)]
            {
                add(shapes, plain(slice, coding), share * order * part);
            }
        }
    }
    if (2..=3).contains(&slice.bytes) {
        add(shapes, plain(slice, Coding::Bcd), 0.005);
    }
}

fn floats(slice: Slice, shapes: &mut Vec<Shape>) {
    let share = match slice.bytes {
        2 => 0.004,
        4 => 0.04,
        8 => 0.01,
        _ => return,
    };
    add(shapes, plain(slice, Coding::Float), 0.5 * share);
    if slice.bytes != 8 {
        add(shapes, plain(slice, Coding::Medical), if slice.big { 0.003 } else { 0.015 });
    }
}

/// A number that holds two: the greater part by division, the smaller as the rest.
fn packed(slice: Slice, shapes: &mut Vec<Shape>) {
    if !(2..=4).contains(&slice.bytes) {
        return;
    }
    let under_sign = Slice { bits: slice.bits - 1, ..slice };
    for (digits, by) in [(1, 10), (2, 100), (3, 1_000), (4, 10_000)] {
        let share = if digits == 3 { 0.002 } else { 0.000_5 };
        for (coding, part) in
            [(Coding::SignMagnitude, 0.6), (Coding::Unsigned, 0.3), (Coding::Signed, 0.1)]
        {
            add(shapes, FieldPlan { divide: by, ..plain(slice, coding) }, share * part);
        }
        for slice in [slice, under_sign] {
            let plan = FieldPlan { modulo: by, ..plain(slice, Coding::Unsigned) };
            add(shapes, plan, 0.5 * share);
        }
    }
}

/// Whole degrees in one byte and what stands behind the point in the next or the one before.
fn fractions(at: usize, length: usize, shapes: &mut Vec<Shape>) {
    let byte = |at: usize| Slice { at: at as i16, bytes: 1, big: false, low_bit: 0, bits: 8 };
    let beside = [at.checked_sub(1), (at + 1 < length).then_some(at + 1)];
    for other in beside.into_iter().flatten() {
        let share = if other > at { 0.003 } else { 0.001 };
        for coding in [Coding::SignMagnitude, Coding::Signed, Coding::Unsigned] {
            for over in [100.0, 10.0] {
                let fraction = Some((byte(other), over));
                add(shapes, FieldPlan { fraction, ..plain(byte(at), coding) }, share / 3.0);
            }
        }
    }
}

/// Numbers written in ASCII, where all payloads could have one.
fn digits(stream: &Stream, shapes: &mut Vec<Shape>) {
    let is = |byte: &u8| byte.is_ascii_digit() || b"+-. ".contains(byte);
    let written = |at: usize, to: Option<usize>| {
        stream.sample(SAMPLE).all(|bytes| {
            let found = bytes.get(at..to.unwrap_or(bytes.len()));
            found.is_some_and(|found| !found.is_empty() && found.iter().all(is))
        })
    };
    for at in 0..stream.length_min {
        let slice = |bytes: usize| Slice {
            at: at as i16,
            bytes: bytes as u8,
            big: false,
            low_bit: 0,
            bits: 8,
        };
        let lengths = (2..=8).filter(|bytes| written(at, Some(at + bytes)));
        for bytes in lengths {
            add(shapes, plain(slice(bytes), Coding::Digits), 0.004);
        }
        if written(at, None) {
            let plan = FieldPlan { to_end: true, ..plain(slice(1), Coding::Digits) };
            add(shapes, plan, 0.005);
        }
    }
}

/// A magnitude whose sign is a bit elsewhere; only bits that turn now and then can be one.
fn signs_elsewhere(stream: &Stream, shapes: &mut Vec<Shape>) {
    let length = stream.length_min;
    let sample: Vec<&[u8]> = stream.sample(SAMPLE).collect();
    let bit = |place: usize| Slice {
        at: (place / 8) as i16,
        bytes: 1,
        big: false,
        low_bit: (place % 8) as u8,
        bits: 1,
    };
    let turning: Vec<Slice> = (0..8 * length)
        .map(bit)
        .filter(|bit| {
            let of = |bytes: &&[u8]| take(*bit, bytes, 0);
            let turns = sample.windows(2).filter(|pair| of(&pair[0]) != of(&pair[1])).count();
            turns > 0 && 6 * turns <= sample.len()
        })
        .collect();
    for at in 0..length {
        for (bytes, big) in [(1, false), (2, false), (2, true)] {
            for low_bits in [8 * bytes as u8, 8 * bytes as u8 - 1] {
                if at + bytes > length {
                    continue;
                }
                let slice =
                    Slice { at: at as i16, bytes: bytes as u8, big, low_bit: 0, bits: low_bits };
                let own = bits_of(slice);
                for sign in &turning {
                    if !own.contains(&bits_of(*sign)[0]) {
                        let plan =
                            FieldPlan { sign: Some(*sign), ..plain(slice, Coding::Unsigned) };
                        add(shapes, plan, 0.002 / turning.len() as f64);
                    }
                }
            }
        }
    }
}
