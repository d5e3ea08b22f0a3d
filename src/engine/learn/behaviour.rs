//! What bytes are by their behaviour alone: counters, clocks, checksums, batteries, the probe's own
//! address, and what never changes.

use crate::engine::decode::take;
use crate::engine::learn::shape::bits_of;
use crate::engine::learn::stream::Stream;
use crate::engine::learn::sums;
use crate::engine::profile::layout::{Slice, Sum};

/// Fewest steps that tell a counter.
const STEPS_MIN: usize = 12;
/// Fewest payloads after which a byte that never changed is called constant.
const CONSTANT_MIN: usize = 3;

/// What was found in a stream.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Behaviour {
    /// A number that counts payloads up.
    pub counter: Option<Slice>,
    /// A number that counts time.
    pub clock: Option<Slice>,
    pub checksum: Option<sums::Found>,
    /// A byte in percent that only falls.
    pub battery: Option<Slice>,
    /// A number in mV that falls a little.
    pub battery_mv: Option<Slice>,
    /// Where the probe's own address stands, and whether its last byte comes first.
    pub address: Option<(usize, bool)>,
    /// For each byte the value that it always has.
    pub constant: Vec<Option<u8>>,
}

impl Behaviour {
    /// The bits that are told by behaviour, as places in the payload: no reading is there.
    pub(super) fn taken(&self) -> Vec<usize> {
        let checksum = self.checksum.map(|found| found.stored);
        let slices = [self.counter, self.clock, checksum];
        let mut bits: Vec<usize> = slices.into_iter().flatten().flat_map(bits_of).collect();
        if let Some((at, _)) = self.address {
            bits.extend(8 * at..8 * (at + 6));
        }
        bits
    }

    /// One line for each thing found.
    pub(super) fn in_words(&self) -> Vec<String> {
        let mut lines = Vec::new();
        if let Some(slice) = self.counter {
            lines.push(format!("{} count the payloads", slice_in_words(slice)));
        }
        if let Some(slice) = self.clock {
            lines.push(format!("{} count the time", slice_in_words(slice)));
        }
        if let Some(found) = self.checksum {
            let how = match found.sum {
                Sum::Add { .. } => "the sum",
                Sum::Xor { .. } => "the exclusive or",
                Sum::Crc { .. } => "a CRC",
            };
            let (stored, from) = (slice_in_words(found.stored), found.from);
            lines.push(format!("{stored} hold {how} of the others from byte {from}"));
        }
        if let Some(slice) = self.battery {
            let place = slice_in_words(slice);
            lines.push(format!("{place} only fall, as a battery in percent does"));
        }
        if let Some(slice) = self.battery_mv {
            let place = slice_in_words(slice);
            lines.push(format!("{place} fall a little, as a battery in mV does"));
        }
        if let Some((at, _)) = self.address {
            lines.push(format!("bytes {at} to {} hold the probe's own address", at + 5));
        }
        let constant = self.constant.iter().enumerate().filter_map(|(at, value)| {
            let own = self.address.is_some_and(|(from, _)| (from..from + 6).contains(&at));
            value.filter(|_| !own).map(|value| format!("{at} ({value:02X})"))
        });
        let constant: Vec<String> = constant.collect();
        if !constant.is_empty() {
            lines.push(format!("never changed: byte {}", constant.join(", ")));
        }
        lines
    }
}

/// The place of some bits in words.
pub(super) fn slice_in_words(slice: Slice) -> String {
    let last = slice.at + i16::from(slice.bytes) - 1;
    let place = match slice.bytes {
        1 => format!("byte {}", slice.at),
        2 => format!("bytes {} and {last}", slice.at),
        _ => format!("bytes {} to {last}", slice.at),
    };
    let order = match (slice.bytes, slice.big) {
        (1, _) => "",
        (_, true) => ", high byte first",
        (_, false) => ", low byte first",
    };
    if slice.bits == 8 * slice.bytes {
        return format!("{place}{order}");
    }
    let high = slice.low_bit + slice.bits - 1;
    if slice.bits == 1 {
        return format!("{place}{order}, bit {high}");
    }
    format!("{place}{order}, bits {} to {high}", slice.low_bit)
}

/// Looks at a stream from a probe of this address.
pub(super) fn of(stream: &Stream, address: &str) -> Behaviour {
    let constant = (0..stream.length_min).map(|at| always(stream, at)).collect();
    let checksum = sums::find(stream);
    let stored = checksum.map_or_else(Vec::new, |found| bits_of(found.stored));
    let free: Vec<Slice> = slices(stream.length_min)
        .filter(|slice| !bits_of(*slice).iter().any(|bit| stored.contains(bit)))
        .collect();
    let counter = free.iter().rev().find(|slice| counts(stream, **slice)).copied();
    let clock = free.iter().rev().find(|slice| tells_time(stream, **slice)).copied();
    let clock = clock.filter(|_| counter.is_none());
    let rest = || {
        let own = counter.or(clock).map_or_else(Vec::new, bits_of);
        free.iter().filter(move |slice| !bits_of(**slice).iter().any(|bit| own.contains(bit)))
    };
    let battery = rest().find(|slice| only_falls(stream, **slice)).copied();
    let battery_mv = rest().find(|slice| falls_a_little(stream, **slice)).copied();
    let address = own_address(stream, address);
    Behaviour { counter, clock, checksum, battery, battery_mv, address, constant }
}

/// The value that the byte has in every payload.
fn always(stream: &Stream, at: usize) -> Option<u8> {
    let first = *stream.payloads.first()?.1.get(at)?;
    let same = stream.payloads.iter().all(|(_, bytes)| bytes[at] == first);
    (same && stream.payloads.len() >= CONSTANT_MIN).then_some(first)
}

/// Bytes, half bytes and pairs and fours of bytes in either order, the narrow ones first.
fn slices(length: usize) -> impl Iterator<Item = Slice> {
    let whole = |bytes: usize, big: bool| {
        (0..(length + 1).saturating_sub(bytes)).map(move |at| Slice {
            at: at as i16,
            bytes: bytes as u8,
            big,
            low_bit: 0,
            bits: 8 * bytes as u8,
        })
    };
    let half = |low_bit| whole(1, false).map(move |slice| Slice { low_bit, bits: 4, ..slice });
    half(0)
        .chain(half(4))
        .chain(whole(1, false))
        .chain(whole(2, false))
        .chain(whole(2, true))
        .chain(whole(4, false))
        .chain(whole(4, true))
}

/// The steps of some bits, each by as much as it goes up, the bits taken as a ring.
fn steps(stream: &Stream, slice: Slice) -> Vec<u64> {
    let mask = u64::MAX >> (64 - u32::from(slice.bits));
    let read = |bytes: &[u8]| take(slice, bytes, 0).unwrap_or(0);
    let up = |pair: &[(crate::units::time::Elapsed, Vec<u8>)]| {
        read(&pair[1].1).wrapping_sub(read(&pair[0].1)) & mask
    };
    stream.payloads.windows(2).map(up).collect()
}

/// Whether the bits go up by one, or by a few where payloads were lost, and by nothing else.
fn counts(stream: &Stream, slice: Slice) -> bool {
    let steps = steps(stream, slice);
    let few = |most: u64| steps.iter().filter(|step| (1..=most).contains(*step)).count();
    steps.len() >= STEPS_MIN
        && 50 * few(1) >= 35 * steps.len()
        && 50 * few(6) >= 49 * steps.len()
        && (slice.bits <= 8 || carries(stream, slice, &steps))
}

/// Whether the top byte of a wider counter moves, and then because the bytes below it went round:
/// else nobody knows that it belongs.
fn carries(stream: &Stream, slice: Slice, whole: &[u64]) -> bool {
    let top = Slice { low_bit: slice.bits - 8, bits: 8, ..slice };
    let of_top = self::steps(stream, top);
    let moved: Vec<u64> =
        of_top.iter().zip(whole).filter(|(top, _)| **top != 0).map(|(_, step)| *step).collect();
    !moved.is_empty() && moved.iter().all(|step| (1..=6).contains(step))
}

fn high_byte_moves(stream: &Stream, slice: Slice) -> bool {
    let top = Slice { low_bit: slice.bits - 8, bits: 8, ..slice };
    steps(stream, top).iter().any(|step| *step != 0)
}

/// Whether the bits go up steadily with time, and faster than by one a payload.
fn tells_time(stream: &Stream, slice: Slice) -> bool {
    if slice.bits < 16 {
        return false;
    }
    let steps = steps(stream, slice);
    let lengths = stream.payloads.windows(2).map(|pair| pair[1].0.since(pair[0].0).as_secs_f64());
    let rates: Vec<f64> = steps
        .iter()
        .zip(lengths)
        .filter(|(_, seconds)| *seconds >= 0.5)
        .map(|(step, seconds)| *step as f64 / seconds)
        .collect();
    if rates.len() < STEPS_MIN || !high_byte_moves(stream, slice) {
        return false;
    }
    let mean = rates.iter().sum::<f64>() / rates.len() as f64;
    let near = |rate: &&f64| (**rate - mean).abs() <= 0.3 * mean;
    let usual = [1.0, 10.0, 100.0, 1_000.0].iter().any(|rate| (mean / rate - 1.0).abs() < 0.05);
    usual && 10 * rates.iter().filter(near).count() >= 9 * rates.len()
}

/// Whether a byte between 1 and 100 falls, by one or two at a time, and never rises.
fn only_falls(stream: &Stream, slice: Slice) -> bool {
    if slice.bits != 8 {
        return false;
    }
    let values: Vec<u64> =
        stream.payloads.iter().filter_map(|(_, bytes)| take(slice, bytes, 0)).collect();
    let falls = values.windows(2).filter(|pair| pair[1] < pair[0]).count();
    values.iter().all(|value| (1..=100).contains(value))
        && values.windows(2).all(|pair| pair[1] <= pair[0] && pair[0] - pair[1] <= 2)
        && falls >= 1
        && 8 * falls <= values.len()
}

/// Whether a number between 1.5 and 4.5 V moves by a few millivolts and falls in all.
fn falls_a_little(stream: &Stream, slice: Slice) -> bool {
    if slice.bits != 16 {
        return false;
    }
    let values: Vec<f64> = stream
        .payloads
        .iter()
        .filter_map(|(_, bytes)| take(slice, bytes, 0))
        .map(|value| value as f64)
        .collect();
    let (low, high) =
        values.iter().fold((f64::MAX, f64::MIN), |(low, high), v| (low.min(*v), high.max(*v)));
    let third = values.len() / 3;
    if third < 5 || low < 1_500.0 || high > 4_500.0 || high == low || high - low > 150.0 {
        return false;
    }
    let mean = |part: &[f64]| part.iter().sum::<f64>() / part.len() as f64;
    let fall = mean(&values[..third]) - mean(&values[values.len() - third..]);
    fall > 0.2 * (high - low)
}

/// Where the probe's address stands in every payload.
fn own_address(stream: &Stream, address: &str) -> Option<(usize, bool)> {
    let bytes: Vec<u8> = address
        .split(':')
        .map(|pair| u8::from_str_radix(pair, 16))
        .collect::<Result<_, _>>()
        .ok()?;
    let backwards: Vec<u8> = bytes.iter().rev().copied().collect();
    let stands = |wanted: &[u8]| {
        let first = &stream.payloads.first()?.1;
        let at = first.windows(wanted.len()).position(|found| found == wanted)?;
        let everywhere =
            stream.payloads.iter().all(|(_, b)| b.get(at..at + wanted.len()) == Some(wanted));
        everywhere.then_some(at)
    };
    if bytes.len() != 6 {
        return None;
    }
    stands(&bytes).map(|at| (at, false)).or_else(|| stands(&backwards).map(|at| (at, true)))
}
