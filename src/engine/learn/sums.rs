//! Checksums, found by trying the usual ones on every payload.

use std::collections::BTreeSet;

use crate::engine::decode::checksum::sum;
use crate::engine::decode::take;
use crate::engine::learn::stream::Stream;
use crate::engine::profile::layout::{Slice, Sum};

/// Fewest payloads with different bytes that prove a sum of one byte: by chance one in 256⁵.
const PAYLOADS_MIN: usize = 6;
/// Payloads that are tried.
const PAYLOADS_MAX: usize = 40;

/// CRCs in use: bits, polynomial (catalogue of parametrised CRC algorithms, from memory).
const POLYNOMIALS: [(u8, u64); 12] = [
    (8, 0x07),
    (8, 0x31),
    (8, 0x1D),
    (8, 0x2F),
    (8, 0x9B),
    (8, 0xD5),
    (8, 0x39),
    (16, 0x1021),
    (16, 0x8005),
    (16, 0x3D65),
    (16, 0x8BB7),
    (32, 0x04C1_1DB7),
];

/// A checksum that agrees in all payloads.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Found {
    pub sum: Sum,
    /// First byte summed.
    pub from: usize,
    /// Where it is stored.
    pub stored: Slice,
}

/// The checksum of the stream's payloads, stored in their last or first bytes.
pub(super) fn find(stream: &Stream) -> Option<Found> {
    let length = stream.length?;
    let different: BTreeSet<&[u8]> = stream.sample(4 * PAYLOADS_MAX).collect();
    let payloads: Vec<&[u8]> = different.into_iter().take(PAYLOADS_MAX).collect();
    if payloads.len() < PAYLOADS_MIN {
        return None;
    }
    for bytes in [4, 2, 1_usize] {
        if length < bytes + 2 {
            continue;
        }
        let ends = [(length - bytes, 0, length - bytes), (0, bytes, length)];
        for (at, from, to) in ends {
            for big in if bytes == 1 { &[false][..] } else { &[false, true] } {
                let bits = 8 * bytes as u8;
                let stored =
                    Slice { at: at as i16, bytes: bytes as u8, big: *big, low_bit: 0, bits };
                let starts = (from..to).take(4).filter(|start| start + 1 < to);
                for start in starts {
                    if let Some(sum) = agreeing(&payloads, stored, start, to) {
                        return Some(Found { sum, from: start, stored });
                    }
                }
            }
        }
    }
    None
}

/// The sum over bytes `from..to` that is stored there in all payloads.
fn agreeing(payloads: &[&[u8]], stored: Slice, from: usize, to: usize) -> Option<Sum> {
    let bits = u32::from(stored.bits);
    let mask = u64::MAX >> (64 - bits);
    let told: Vec<u64> =
        payloads.iter().map(|bytes| take(stored, bytes, 0)).collect::<Option<_>>()?;
    if told.iter().all(|sum| *sum == told[0]) {
        return None;
    }
    // What is added at the start or changed at the end stays the same in all payloads.
    let rest = |kind: Sum, left: fn(u64, u64) -> u64| {
        let of =
            |(bytes, told): (&&[u8], &u64)| left(*told, sum(kind, bits, &bytes[from..to])) & mask;
        let mut all = payloads.iter().zip(&told).map(of);
        let first = all.next()?;
        all.all(|other| other == first).then_some(first)
    };
    if let Some(initial) = rest(Sum::Add { initial: 0, xor: 0 }, u64::wrapping_sub) {
        return Some(Sum::Add { initial, xor: 0 });
    }
    if let Some(xor) = rest(Sum::Add { initial: 0, xor: 0 }, |told, sum| told ^ sum) {
        return Some(Sum::Add { initial: 0, xor });
    }
    if bits == 8
        && let Some(initial) = rest(Sum::Xor { initial: 0 }, |told, sum| told ^ sum)
    {
        return Some(Sum::Xor { initial });
    }
    for (_, polynomial) in POLYNOMIALS.into_iter().filter(|(width, _)| u32::from(*width) == bits) {
        for reflected in [false, true] {
            for initial in [0, mask] {
                let kind = Sum::Crc { polynomial, initial, reflected, xor: 0 };
                if let Some(xor) = rest(kind, |told, sum| told ^ sum)
                    && (initial == mask || xor == 0 || xor == mask)
                {
                    return Some(Sum::Crc { polynomial, initial, reflected, xor });
                }
            }
        }
    }
    None
}
