//! Payload bytes as the simulated probes send them, written here and never by the engine.

/// The way a payload goes on air.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Carrier {
    /// Manufacturer data of an advertisement, under this company id.
    Manufacturer(u16),
    /// Service data of an advertisement, under this UUID (128 bit).
    Service(u128),
    /// A characteristic that is notified (128 bit UUID).
    Characteristic(u128),
}

/// Company id that the Bluetooth SIG keeps for tests.
const TEST_COMPANY: u16 = 0xFFFF;

impl Carrier {
    /// BTHome v2 service data, UUID 0xFCD2.
    pub const BTHOME: Self = Self::Service(from_short(0xFCD2));
    /// The characteristic Temperature of the Environmental Sensing Service, UUID 0x2A6E.
    pub const SENSING_TEMPERATURE: Self = Self::Characteristic(from_short(0x2A6E));
    /// The plain format of our own, under the company id for tests.
    pub const PLAIN: Self = Self::Manufacturer(TEST_COMPANY);
}

/// A 16 bit UUID on the base UUID of the Bluetooth SIG.
const fn from_short(short: u16) -> u128 {
    0x0000_0000_0000_1000_8000_0080_5F9B_34FB | (short as u128) << 96
}

/// What a BTHome v2 packet can say here; what is `None` is left out, as the format wants.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub struct Bthome {
    /// Packet counter, by which repeats are known.
    pub packet: u8,
    /// Battery (fraction).
    pub battery: f64,
    /// Temperature (°C).
    pub temperature: Option<f64>,
    /// Relative humidity (fraction).
    pub humidity: Option<f64>,
    /// Current (A).
    pub current: Option<f64>,
}

/// A BTHome v2 packet, unencrypted, its objects ascending by id.
///
/// Source: bthome.io/format. Temperature 0x02 sint16 0.01 °C, humidity 0x03 uint16 0.01 %,
/// current 0x43 uint16 0.001 A.
///
/// ```
/// use settled::virtual_unit::payload::{Bthome, bthome};
/// let said = Bthome { packet: 9, battery: 0.93, temperature: Some(25.0), ..Bthome::default() };
/// assert_eq!(bthome(&said), [0x40, 0x00, 9, 0x01, 93, 0x02, 0xC4, 0x09]);
/// ```
pub fn bthome(said: &Bthome) -> Vec<u8> {
    const VERSION_2_PLAIN: u8 = 0x40;
    let mut bytes = vec![VERSION_2_PLAIN, 0x00, said.packet, 0x01, percent(said.battery)];
    if let Some(value) = said.temperature.and_then(|t| signed_16(t, 0.01)) {
        bytes.push(0x02);
        bytes.extend(value.to_le_bytes());
    }
    if let Some(value) = said.humidity.and_then(|h| unsigned_16(h, 1e-4)) {
        bytes.push(0x03);
        bytes.extend(value.to_le_bytes());
    }
    if let Some(value) = said.current.and_then(|c| unsigned_16(c, 0.001)) {
        bytes.push(0x43);
        bytes.extend(value.to_le_bytes());
    }
    bytes
}

/// The characteristic Temperature 0x2A6E: sint16 0.01 °C, 0x8000 when not known.
///
/// Source: Bluetooth SIG, GATT Specification Supplement.
///
/// ```
/// assert_eq!(settled::virtual_unit::payload::sensing_temperature(-5.0), [0x0C, 0xFE]);
/// ```
pub fn sensing_temperature(celsius: f64) -> Vec<u8> {
    signed_16(celsius, 0.01).unwrap_or(i16::MIN).to_le_bytes().to_vec()
}

/// Our plain format, kind 1: one clamp (°C).
///
/// ```
/// let bytes = settled::virtual_unit::payload::plain_clamp(7, 0.5, 12.34);
/// assert_eq!(bytes, [0x43, 0x4C, 1, 7, 50, 0xD2, 0x04]);
/// ```
pub fn plain_clamp(sequence: u8, battery: f64, celsius: f64) -> Vec<u8> {
    let mut bytes = plain_head(1, sequence, battery);
    bytes.extend(signed_16(celsius, 0.01).unwrap_or(i16::MIN).to_le_bytes());
    bytes
}

/// Our plain format, kind 2: two clamps on one device (°C).
pub fn plain_clamp_pair(sequence: u8, battery: f64, celsius: [f64; 2]) -> Vec<u8> {
    let mut bytes = plain_head(2, sequence, battery);
    for t in celsius {
        bytes.extend(signed_16(t, 0.01).unwrap_or(i16::MIN).to_le_bytes());
    }
    bytes
}

/// Our plain format, kind 3: a gauge (Pa above the barometer); its own temperature not known.
pub fn plain_gauge(sequence: u8, battery: f64, gauge_pa: f64) -> Vec<u8> {
    let mut bytes = plain_head(3, sequence, battery);
    let whole = gauge_pa.round();
    let fits = whole.abs() < f64::from(i32::MAX);
    bytes.extend(if fits { whole as i32 } else { i32::MIN }.to_le_bytes());
    bytes.extend(i16::MIN.to_le_bytes());
    bytes
}

fn plain_head(kind: u8, sequence: u8, battery: f64) -> Vec<u8> {
    vec![0x43, 0x4C, kind, sequence, percent(battery)]
}

fn percent(fraction: f64) -> u8 {
    (fraction.clamp(0.0, 1.0) * 100.0).round() as u8
}

/// The count of `step` in `value`; `None` where 16 bit do not hold it or it would mean unknown.
fn signed_16(value: f64, step: f64) -> Option<i16> {
    let count = (value / step).round();
    (count.abs() <= f64::from(i16::MAX)).then_some(count as i16)
}

fn unsigned_16(value: f64, step: f64) -> Option<u16> {
    let count = (value / step).round();
    (0.0..f64::from(u16::MAX)).contains(&count).then_some(count as u16)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The published page's example, bthome.io/format: 25.00 °C and 50.55 %.
    #[test]
    fn bthome_objects_are_those_of_the_published_example() {
        let said = Bthome { temperature: Some(25.0), humidity: Some(0.5055), ..Bthome::default() };
        assert_eq!(bthome(&said)[5..], [0x02, 0xC4, 0x09, 0x03, 0xBF, 0x13]);
        let said = Bthome { current: Some(13.39), ..Bthome::default() };
        assert_eq!(bthome(&said)[5..], [0x43, 0x4E, 0x34]);
    }

    #[test]
    fn what_is_out_of_range_is_said_to_be_unknown() {
        assert_eq!(sensing_temperature(400.0), [0x00, 0x80]);
        assert_eq!(sensing_temperature(f64::NAN), [0x00, 0x80]);
        assert_eq!(plain_clamp(0, 1.0, -400.0)[5..], [0x00, 0x80]);
        assert_eq!(plain_gauge(0, 1.0, 1e12)[5..9], [0x00, 0x00, 0x00, 0x80]);
        let said = Bthome { temperature: Some(400.0), ..Bthome::default() };
        assert_eq!(bthome(&said).len(), 5);
    }

    #[test]
    fn short_uuids_stand_on_the_base() {
        let base = 0x0000_FCD2_0000_1000_8000_0080_5F9B_34FB_u128;
        assert_eq!(Carrier::BTHOME, Carrier::Service(base));
    }

    #[test]
    fn a_gauge_writes_pascals() {
        let bytes = plain_gauge(1, 0.8, 1_000_000.0);
        assert_eq!(bytes, [0x43, 0x4C, 3, 1, 80, 0x40, 0x42, 0x0F, 0x00, 0x00, 0x80]);
    }
}
