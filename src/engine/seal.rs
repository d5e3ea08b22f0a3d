//! Opening encrypted broadcasts: BTHome v2, AES-CCM.
//!
//! The key comes from the job and never leaves this file. A frame counts only where its counter is
//! above the last one's, so that nobody can send an old frame again.

use std::fmt;

use aes::Aes128;
use ccm::Ccm;
use ccm::aead::{AeadInOut, KeyInit};
use ccm::consts::{U4, U13};

/// The UUID of BTHome, as the nonce has it. Source: bthome.io/encryption.
const UUID: [u8; 2] = [0xD2, 0xFC];
/// The bits of the information byte. Source: bthome.io/format; bit 1 from the reference parser.
const ENCRYPTED: u8 = 0x01;
const ADDRESS_INCLUDED: u8 = 0x02;
const VERSION: u8 = 0xE0;
const VERSION_2: u8 = 0x40;
/// Counter and authentication tag at the end (bytes each).
const COUNTER: usize = 4;
const TAG: usize = 4;
const ADDRESS: usize = 6;
/// How near to its end a counter must be to begin again, and how near to 0 it may begin.
/// A sensor that sends ten frames a second takes 54 minutes for as many.
const WRAP_WITHIN: u32 = 32_768;
/// Longest service data (bytes): the reach of an advertisement's length byte.
const FRAME_MAX: usize = 254;

/// A probe's key: 16 bytes that are never printed.
#[derive(Clone, Copy, PartialEq, Eq)]
pub struct SealKey([u8; 16]);

impl SealKey {
    /// The key that 32 hex digits write.
    ///
    /// ```
    /// use settled::engine::seal::SealKey;
    /// assert!(SealKey::parse("231d39c1d7cc1ab1aee224cd096db932").is_some());
    /// assert!(SealKey::parse("231d39").is_none());
    /// ```
    pub fn parse(text: &str) -> Option<Self> {
        let mut key = [0; 16];
        hex::decode_to_slice(text.trim(), &mut key).ok()?;
        Some(Self(key))
    }
}

impl fmt::Debug for SealKey {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("key withheld")
    }
}

/// Why a frame from a probe with a key is refused.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
pub enum SealError {
    /// It is not encrypted, so anybody may have sent it.
    #[error("a plain frame from a probe that has a key; refused, since anybody could send it")]
    Plain,
    /// It is not of version 2.
    #[error("the frame is of another version of the format")]
    Version,
    /// It is too short to have a counter and a tag, or longer than any.
    #[error("an encrypted frame cannot be {0} bytes long")]
    Length(usize),
    /// Its address is not the probe's.
    #[error("the address within the frame is not the probe's")]
    Address,
    /// It does not agree with the key.
    #[error("the frame does not agree with the key; check the key in the job")]
    Key,
    /// The same frame was heard before: a sensor sends each several times.
    #[error("the frame was heard before")]
    Repeated,
    /// Its counter is below the last one's.
    #[error(
        "the frame's counter {counter} does not follow {last}; an old frame sent again, \
             or the probe's battery was changed: then start again"
    )]
    Replayed {
        /// The frame's counter.
        counter: u32,
        /// The last good one.
        last: u32,
    },
}

/// Opens one probe's frames and keeps its counter.
pub struct Opener {
    cipher: Ccm<Aes128, U4, U13>,
    address: [u8; ADDRESS],
    last: Option<u32>,
}

impl fmt::Debug for Opener {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("Opener").field("last", &self.last).finish_non_exhaustive()
    }
}

impl Opener {
    /// For the probe with this key and address (`A4:C1:38:8D:18:B2`); `None` where the address is
    /// not six bytes.
    pub fn new(key: &SealKey, address: &str) -> Option<Self> {
        let cipher = Ccm::new(&key.0.into());
        Some(Self { cipher, address: parse_address(address)?, last: None })
    }

    /// The counter of the last frame that was opened.
    pub fn last_counter(&self) -> Option<u32> {
        self.last
    }

    /// Takes up where an earlier run left off.
    pub fn set_last_counter(&mut self, last: Option<u32>) {
        self.last = last;
    }

    /// Opens `frame`, the service data without its UUID, into `plain`: the information byte with
    /// its bits for encryption and address cleared, then the objects.
    ///
    /// So what comes out decodes with the same profile as a plain frame. Gives the counter.
    ///
    /// # Errors
    /// Where the frame is plain, not of this key, or its counter does not rise. A counter that ran
    /// out and began again at 0 has risen.
    pub fn open(&mut self, frame: &[u8], plain: &mut Vec<u8>) -> Result<u32, SealError> {
        plain.clear();
        let (&info, rest) = frame.split_first().ok_or(SealError::Length(0))?;
        if info & VERSION != VERSION_2 {
            return Err(SealError::Version);
        }
        if info & ENCRYPTED == 0 {
            return Err(SealError::Plain);
        }
        let rest = self.without_address(info, rest, frame.len())?;
        let sealed = rest.len().checked_sub(COUNTER + TAG).filter(|n| *n > 0);
        let sealed = sealed.filter(|_| frame.len() <= FRAME_MAX);
        let (objects, end) = rest.split_at(sealed.ok_or(SealError::Length(frame.len()))?);
        let (counter_bytes, tag) = end.split_at(COUNTER);
        let mut number = [0; COUNTER];
        number.copy_from_slice(counter_bytes);
        let mut wanted_tag = [0; TAG];
        wanted_tag.copy_from_slice(tag);
        let counter = u32::from_le_bytes(number);

        let nonce = self.nonce(info, number);
        plain.push(info & !(ENCRYPTED | ADDRESS_INCLUDED));
        plain.extend_from_slice(objects);
        let within = plain[1..].as_mut().into();
        let opened =
            self.cipher.decrypt_inout_detached(&nonce.into(), &[], within, &wanted_tag.into());
        // The counter is looked at only now: before, anybody could have written it.
        let checked = opened.map_err(|_| SealError::Key).and_then(|()| self.rises(counter));
        if let Err(error) = checked {
            plain.clear();
            return Err(error);
        }
        self.last = Some(counter);
        Ok(counter)
    }

    fn without_address<'f>(
        &self,
        info: u8,
        rest: &'f [u8],
        length: usize,
    ) -> Result<&'f [u8], SealError> {
        if info & ADDRESS_INCLUDED == 0 {
            return Ok(rest);
        }
        // It stands there in the order of the air, last byte first.
        let mut reversed = self.address;
        reversed.reverse();
        let (address, rest) = rest.split_at_checked(ADDRESS).ok_or(SealError::Length(length))?;
        if address == reversed { Ok(rest) } else { Err(SealError::Address) }
    }

    /// Address, UUID, information byte and counter, as they are sent.
    fn nonce(&self, info: u8, counter: [u8; COUNTER]) -> [u8; 13] {
        let mut nonce = [0; 13];
        nonce[..6].copy_from_slice(&self.address);
        nonce[6..8].copy_from_slice(&UUID);
        nonce[8] = info;
        nonce[9..].copy_from_slice(&counter);
        nonce
    }

    fn rises(&self, counter: u32) -> Result<(), SealError> {
        let Some(last) = self.last else { return Ok(()) };
        let wrapped = last > u32::MAX - WRAP_WITHIN && counter < WRAP_WITHIN;
        if counter == last {
            Err(SealError::Repeated)
        } else if counter > last || wrapped {
            Ok(())
        } else {
            Err(SealError::Replayed { counter, last })
        }
    }
}

/// Whether BTHome service data is encrypted.
pub fn is_sealed(frame: &[u8]) -> bool {
    frame.first().is_some_and(|info| info & VERSION == VERSION_2 && info & ENCRYPTED != 0)
}

fn parse_address(text: &str) -> Option<[u8; ADDRESS]> {
    let digits: String = text.chars().filter(|c| *c != ':' && *c != '-').collect();
    let mut address = [0; ADDRESS];
    hex::decode_to_slice(&digits, &mut address).ok()?;
    Some(address)
}
