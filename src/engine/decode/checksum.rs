//! Whether a payload's checksum agrees.

use crate::engine::decode::take;
use crate::engine::profile::layout::{Checksum, Sum};

/// Whether the checksum agrees; a payload too short to have one does not.
pub(super) fn agrees(checksum: &Checksum, bytes: &[u8]) -> bool {
    let end = |at: i16| match usize::try_from(at) {
        Ok(at) if at > 0 => Some(at),
        _ => bytes.len().checked_sub(usize::from(at.unsigned_abs())),
    };
    let from = match usize::try_from(checksum.from) {
        Ok(at) => Some(at),
        Err(_) => bytes.len().checked_sub(usize::from(checksum.from.unsigned_abs())),
    };
    let (Some(from), Some(to)) = (from, end(checksum.to)) else { return false };
    let (Some(summed), Some(stored)) = (bytes.get(from..to), take(checksum.stored, bytes, 0))
    else {
        return false;
    };
    sum(checksum.sum, u32::from(checksum.stored.bits), summed) == stored
}

/// The sum over `bytes`, of so many bits.
pub(crate) fn sum(kind: Sum, bits: u32, bytes: &[u8]) -> u64 {
    let mask = u64::MAX >> (64 - bits);
    match kind {
        Sum::Add { initial, xor } => {
            let add = |sum: u64, byte: &u8| sum.wrapping_add(u64::from(*byte));
            (bytes.iter().fold(initial, add) ^ xor) & mask
        }
        Sum::Xor { initial } => {
            bytes.iter().fold(initial, |sum, byte| sum ^ u64::from(*byte)) & mask
        }
        Sum::Crc { polynomial, initial, reflected, xor } => {
            let crc = if reflected {
                crc_reflected(polynomial.reverse_bits() >> (64 - bits), initial, bytes)
            } else {
                crc_forward(polynomial, bits, initial, bytes)
            };
            (crc ^ xor) & mask
        }
    }
}

fn crc_forward(polynomial: u64, bits: u32, initial: u64, bytes: &[u8]) -> u64 {
    let top = 1_u64 << (bits - 1);
    bytes.iter().fold(initial, |crc, byte| {
        let mut crc = crc ^ u64::from(*byte) << (bits - 8);
        for _ in 0..8 {
            crc = if crc & top == 0 { crc << 1 } else { crc << 1 ^ polynomial };
        }
        crc
    })
}

fn crc_reflected(polynomial: u64, initial: u64, bytes: &[u8]) -> u64 {
    bytes.iter().fold(initial, |crc, byte| {
        let mut crc = crc ^ u64::from(*byte);
        for _ in 0..8 {
            crc = if crc & 1 == 0 { crc >> 1 } else { crc >> 1 ^ polynomial };
        }
        crc
    })
}
