//! A checked layout: where each field's bits lie and what they mean. Only `decode` reads it.

use crate::engine::profile::unit::Linear;

/// Most fields that a profile may have.
pub(super) const FIELDS_MAX: usize = 250;

/// How a payload is laid out.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Layout {
    /// Bytes are counted from the company id, which stands first, low byte first.
    pub from_company: bool,
    pub checksum: Option<Checksum>,
    /// Fields at fixed places; their indices are those of the profile's fields from 0.
    pub fixed: Box<[FieldPlan]>,
    pub tagged: Option<Tagged>,
    /// For each field the number of its name: fields of one name are numbered together.
    pub groups: Box<[u8]>,
}

impl Layout {
    /// The number of the field's name.
    pub(crate) fn group_of(&self, index: u16) -> u8 {
        self.groups.get(usize::from(index)).copied().unwrap_or(0)
    }
}

/// What follows the fixed fields: an identifier, then its value, again and again.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Tagged {
    /// Where the first identifier stands, all optional fixed fields being there.
    pub at: usize,
    /// Bytes of an identifier: 1 or 2.
    pub tag_bytes: usize,
    pub big: bool,
    /// A length byte stands before each identifier and counts it in.
    pub length_first: bool,
    /// The identifiers, sorted.
    pub tags: Box<[Tag]>,
    pub unknown: Unknown,
}

impl Tagged {
    /// The bytes of an identifier that stands at `at`.
    pub(crate) fn identifier(&self, at: usize) -> Slice {
        let bytes = self.tag_bytes as u8;
        let at = i16::try_from(at).unwrap_or(i16::MAX);
        Slice { at, bytes, big: self.big, low_bit: 0, bits: 8 * bytes }
    }
}

/// What an identifier stands for.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Tag {
    pub id: u64,
    /// Bytes of the value; `None` where a length byte stands before it.
    pub bytes: Option<usize>,
    /// Its fields, counted from the value's first byte.
    pub fields: Box<[FieldPlan]>,
}

/// What to do at an identifier that the profile does not know.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Unknown {
    /// What came before stands; the rest is not read.
    Stop,
    /// A length byte follows it, so that it can be passed over.
    Skip,
    /// The payload is refused.
    Refuse,
}

/// How one field is read.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct FieldPlan {
    /// The field's index in the profile.
    pub index: u16,
    pub slice: Slice,
    pub coding: Coding,
    /// It goes on to the end of the payload or value.
    pub to_end: bool,
    /// Lower bits of the same number that stand elsewhere, the highest first.
    pub lower: Box<[Slice]>,
    /// Where the sign stands, if not with the number; 1 is minus.
    pub sign: Option<Slice>,
    /// The field is there only so; those after it move up if not.
    pub present: Option<Condition>,
    /// A payload may end before it.
    pub optional: bool,
    /// What stands behind the point, in other bits, and how many of it make one.
    pub fraction: Option<(Slice, f64)>,
    pub divide: u64,
    /// 0 for none.
    pub modulo: u64,
    /// Bit patterns that mean "not known".
    pub absent: Box<[u64]>,
    pub linear: Linear,
    pub cases: Box<[Case]>,
    /// What is possible, in SI.
    pub valid: (f64, f64),
}

impl FieldPlan {
    /// How many bits the number has, wherever they stand.
    pub(crate) fn bits(&self) -> u32 {
        u32::from(self.slice.bits) + self.lower.iter().map(|part| u32::from(part.bits)).sum::<u32>()
    }
}

/// Some bits of the payload, read as one number.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub(crate) struct Slice {
    /// First byte; from the end where negative.
    pub at: i16,
    /// Bytes taken together as one number, 1 to 16.
    pub bytes: u8,
    pub big: bool,
    /// The lowest bit that counts, from 0.
    pub low_bit: u8,
    /// How many bits count, 1 to 64.
    pub bits: u8,
}

/// What the bits of a number mean.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub(crate) enum Coding {
    Unsigned,
    /// Two's complement.
    Signed,
    SignMagnitude,
    /// IEEE 754 of 16, 32 or 64 bit.
    Float,
    /// IEEE 11073 FLOAT (32 bit) or SFLOAT (16 bit).
    Medical,
    /// Decimal digits in four bits each.
    Bcd,
    /// A decimal number written in ASCII.
    Digits,
    /// Bytes as they are.
    Bytes,
    /// UTF-8.
    Text,
}

/// Some bits have one of these values.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct Condition {
    pub slice: Slice,
    /// Counted from the payload's first byte even for a tagged value.
    pub of_payload: bool,
    pub equals: Box<[u64]>,
}

/// What changes when a condition holds.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Case {
    pub when: Condition,
    /// The scale that then applies; `None` for a value that is not known then.
    pub linear: Option<Linear>,
}

/// A sum over some bytes that must agree with bytes of the payload.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct Checksum {
    pub sum: Sum,
    /// First byte summed; from the end where negative.
    pub from: i16,
    /// First byte no longer summed; from the end where 0 or negative.
    pub to: i16,
    pub stored: Slice,
}

/// How the sum is made.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Sum {
    /// All bytes added up, the stored width kept, then changed by `xor`.
    Add { initial: u64, xor: u64 },
    /// All bytes combined by exclusive or.
    Xor { initial: u64 },
    /// A cyclic redundancy check as the usual parameters give it.
    Crc { polynomial: u64, initial: u64, reflected: bool, xor: u64 },
}
