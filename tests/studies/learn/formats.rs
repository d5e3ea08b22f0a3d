//! Made formats: forty kinds of field among counters, batteries, noise and checksums. What a
//! payload holds is written here bit by bit, from the definition of each coding.

use settled::engine::decode::{FieldValue, decode};
use settled::engine::profile::Profiles;
use settled::engine::reading::{Payload, Via};

use super::random::Random;

/// The probe's address.
pub const ADDRESS: &str = "02:00:00:00:00:07";
/// Kinds of field.
pub const KINDS: usize = 40;

/// How the temperature is told.
#[derive(Debug, Clone, Copy, PartialEq)]
enum Told {
    /// A whole number of so many bytes: number = (value − offset) / scale.
    Whole { bytes: usize, big: bool, signed: bool, scale: f64, offset: f64, fahrenheit: bool },
    /// Twelve bits of temperature (0.1 °C above −40), then twelve of humidity.
    Twelve,
    /// Twelve signed bits of 1/16 °C under four bits that count.
    UnderCounter,
    /// Fourteen bits of 1/64 °C above two of status.
    AboveStatus,
    /// IEEE 754 of four bytes.
    Float { big: bool, fahrenheit: bool },
    /// IEEE 11073 FLOAT with two decimals, or SFLOAT with one.
    Medical { short: bool },
    /// Five ASCII characters: `021.5`.
    Digits,
    /// `T=` and as many characters as it takes.
    Text,
    /// Sign and whole degrees, then hundredths.
    Fraction,
    /// 24 bits: a sign, then temperature · 10 · 1000 + humidity · 10.
    Packed,
    /// A magnitude in 0.1 °C, the sign in bit 7 of a byte before it.
    SignElsewhere,
    /// Sign and magnitude in 0.1 °C.
    SignMagnitude,
    /// Four decimal digits in two bytes, 0.1 °C.
    Bcd,
    /// In the company id's place, 0.01 °C.
    CompanyPlace,
}

const fn whole(bytes: usize, big: bool, scale: f64) -> Told {
    Told::Whole { bytes, big, signed: true, scale, offset: 0.0, fahrenheit: false }
}

const fn fahrenheit(big: bool, scale: f64) -> Told {
    Told::Whole { bytes: 2, big, signed: true, scale, offset: 0.0, fahrenheit: true }
}

const fn above(bytes: usize, big: bool, scale: f64, offset: f64) -> Told {
    Told::Whole { bytes, big, signed: false, scale, offset, fahrenheit: false }
}

const TOLD: [Told; KINDS] = [
    whole(2, false, 0.01),
    whole(2, true, 0.01),
    whole(2, false, 0.1),
    whole(2, true, 0.1),
    fahrenheit(false, 0.1),
    fahrenheit(true, 0.01),
    above(1, false, 1.0, -40.0),
    whole(1, false, 1.0),
    whole(2, true, 1.0 / 256.0),
    whole(2, false, 1.0 / 256.0),
    whole(2, false, 1.0 / 16.0),
    whole(2, true, 1.0 / 128.0),
    Told::Float { big: false, fahrenheit: false },
    Told::Float { big: true, fahrenheit: true },
    Told::Medical { short: false },
    Told::Medical { short: true },
    Told::Digits,
    Told::Text,
    Told::Twelve,
    Told::UnderCounter,
    Told::AboveStatus,
    Told::Fraction,
    Told::Packed,
    Told::SignElsewhere,
    Told::SignMagnitude,
    Told::Bcd,
    above(2, false, 0.01, -273.15),
    above(2, true, 0.1, -273.15),
    above(2, true, 175.72 / 65_536.0, -46.85),
    above(2, false, 0.037, -31.7),
    above(2, true, 0.01, -100.0),
    whole(3, false, 0.001),
    whole(4, false, 0.001),
    whole(4, true, 0.01),
    whole(2, false, 0.05),
    whole(2, true, 0.02),
    whole(2, false, 0.005),
    fahrenheit(true, 0.5),
    Told::CompanyPlace,
    whole(1, false, 0.5),
];

/// Another field.
#[derive(Debug, Clone, Copy, PartialEq)]
enum Other {
    Constant(u8),
    Counter,
    LongCounter,
    Battery,
    BatteryMv,
    Humidity,
    Ambient,
    Noise,
    Flag,
}

#[derive(Debug, Clone, Copy, PartialEq)]
enum Sum {
    Add,
    Xor,
    Crc8,
    Crc16,
}

/// A made format.
#[derive(Debug, Clone)]
pub struct Format {
    told: Told,
    before: Vec<Other>,
    after: Vec<Other>,
    sum: Option<Sum>,
    via: Via,
    every_s: u64,
}

/// What the probe's other fields say.
#[derive(Debug, Clone)]
pub struct State {
    count: u64,
    humidity: f64,
    ambient: f64,
    battery: f64,
}

impl State {
    pub fn new(random: &mut Random) -> Self {
        let count = (random.uniform() * 60_000.0) as u64;
        let (humidity, ambient) = (40.0 + 20.0 * random.uniform(), 20.0 + 6.0 * random.uniform());
        Self { count, humidity, ambient, battery: 60.0 + 38.0 * random.uniform() }
    }

    /// One second goes by, and a payload is sent or not.
    pub fn go_on(&mut self, sends: bool, random: &mut Random) {
        self.humidity = (self.humidity + 0.08 * random.normal()).clamp(5.0, 95.0);
        self.ambient += 0.01 * random.normal();
        self.battery -= 0.004;
        self.count += u64::from(sends);
    }

    /// How many payloads were sent.
    pub fn count(&self) -> u64 {
        self.count
    }

    /// Relative humidity (%).
    pub fn humidity(&self) -> f64 {
        self.humidity
    }

    fn any(random: &mut Random) -> Self {
        let mut state = Self::new(random);
        state.ambient = 40.0 * random.uniform();
        state.humidity = 5.0 + 90.0 * random.uniform();
        state
    }
}

impl Format {
    /// The format of this kind, what stands around the field as chance has it.
    pub fn made(kind: usize, random: &mut Random) -> Self {
        let told = TOLD[kind];
        let uuid = 0x0000_181A_0000_1000_8000_0080_5F9B_34FB_u128;
        let via = match (told, (random.uniform() * 4.0) as u8) {
            (Told::CompanyPlace, _) => Via::Manufacturer(0),
            (_, 0) => Via::Service(uuid),
            (_, 1) => Via::Characteristic(uuid + 1),
            _ => Via::Manufacturer(0xFFFF),
        };
        let mut others = vec![Other::Constant((random.uniform() * 256.0) as u8)];
        let choices = [
            Other::Counter,
            Other::LongCounter,
            Other::Battery,
            Other::BatteryMv,
            Other::Humidity,
            Other::Ambient,
            Other::Noise,
            Other::Flag,
            Other::Constant(0),
        ];
        // One counter and one battery at most.
        let skipped = [(random.uniform() * 2.0) as usize, 2 + (random.uniform() * 2.0) as usize];
        for (place, other) in choices.into_iter().enumerate() {
            if !skipped.contains(&place) && random.uniform() < 0.6 {
                others.push(other);
            }
        }
        for n in (2..others.len()).rev() {
            others.swap(n, 1 + (random.uniform() * n as f64) as usize);
        }
        let mut before = others;
        let keep = (random.uniform() * (before.len() + 1) as f64) as usize;
        let after = before.split_off(keep.min(before.len()));
        let sums = [Sum::Add, Sum::Xor, Sum::Crc8, Sum::Crc16];
        let sum = (random.uniform() < 0.5).then(|| sums[(random.uniform() * 4.0) as usize]);
        let open_ended = matches!(told, Told::Text);
        let (after, sum) = if open_ended { (Vec::new(), None) } else { (after, sum) };
        let (before, sum) =
            if told == Told::CompanyPlace { (Vec::new(), None) } else { (before, sum) };
        let every_s = 1 + (random.uniform() * 2.0) as u64;
        Self { told, before, after, sum, via, every_s }
    }

    pub fn what(&self) -> String {
        format!("{self:?}")
    }

    pub fn every_s(&self) -> u64 {
        self.every_s
    }

    pub fn has_counter(&self) -> bool {
        self.others().any(|o| matches!(o, Other::Counter | Other::LongCounter))
    }

    pub fn has_battery(&self) -> bool {
        self.others().any(|o| matches!(o, Other::Battery | Other::BatteryMv))
    }

    pub fn has_checksum(&self) -> bool {
        self.sum.is_some()
    }

    fn others(&self) -> impl Iterator<Item = &Other> {
        self.before.iter().chain(&self.after)
    }

    /// Whether scale and offset are none of the usual ones.
    pub fn is_odd(&self) -> bool {
        matches!(self.told, Told::Whole { scale, .. } if scale == 0.037)
    }

    /// The smallest step (K).
    pub fn quantum_k(&self) -> f64 {
        match self.told {
            Told::Whole { scale, fahrenheit: true, .. } => scale / 1.8,
            Told::Whole { scale, .. } => scale,
            _ => 0.1,
        }
    }

    /// The lowest of the four baths (°C).
    pub fn lowest_c(&self, random: &mut Random) -> f64 {
        let from = if self.told == Told::Bcd { 6.0 } else { -5.0 };
        from + (25.0 - from) * random.uniform()
    }

    /// A payload with all other fields as chance has them; `None` where it cannot be told.
    pub fn fresh(&self, celsius: f64, random: &mut Random) -> Option<(Via, Vec<u8>)> {
        if self.told == Told::Bcd && celsius < 0.0 {
            return None;
        }
        let state = State::any(random);
        Some(self.payload(celsius, &state, random))
    }

    /// The payload.
    pub fn payload(&self, celsius: f64, state: &State, random: &mut Random) -> (Via, Vec<u8>) {
        let mut bytes = Vec::new();
        for other in &self.before {
            write_other(*other, state, random, &mut bytes);
        }
        write_told(self.told, celsius, state, random, &mut bytes);
        for other in &self.after {
            write_other(*other, state, random, &mut bytes);
        }
        match self.sum {
            Some(Sum::Add) => bytes.push(bytes.iter().fold(0, |sum, b| sum.wrapping_add(*b))),
            Some(Sum::Xor) => bytes.push(bytes.iter().fold(0, |sum, b| sum ^ b)),
            Some(Sum::Crc8) => bytes.push(crc(&bytes, 8, 0x07, 0) as u8),
            Some(Sum::Crc16) => {
                bytes.extend((crc(&bytes, 16, 0x1021, 0xFFFF) as u16).to_be_bytes());
            }
            None => {}
        }
        if self.told == Told::CompanyPlace {
            let company = u16::from_le_bytes([bytes[0], bytes[1]]);
            return (Via::Manufacturer(company), bytes[2..].to_vec());
        }
        (self.via, bytes)
    }
}

/// A CRC with the high bit first.
fn crc(bytes: &[u8], bits: u32, polynomial: u32, initial: u32) -> u32 {
    let mut crc = initial;
    for byte in bytes {
        for bit in (0..8).rev() {
            let top = crc >> (bits - 1) & 1;
            crc = crc << 1 & ((1 << bits) - 1);
            if top ^ u32::from(byte >> bit & 1) == 1 {
                crc ^= polynomial;
            }
        }
    }
    crc
}

fn write_other(other: Other, state: &State, random: &mut Random, bytes: &mut Vec<u8>) {
    match other {
        Other::Constant(byte) => bytes.push(byte),
        Other::Counter => bytes.push(state.count as u8),
        Other::LongCounter => bytes.extend((state.count as u16).to_le_bytes()),
        Other::Battery => bytes.push(state.battery as u8),
        Other::BatteryMv => {
            let mv = 2_000.0 + 10.0 * state.battery + random.normal();
            bytes.extend((mv as u16).to_le_bytes());
        }
        Other::Humidity => bytes.extend(((state.humidity * 100.0) as u16).to_le_bytes()),
        Other::Ambient => {
            let hundredths = 100.0 * (state.ambient + 0.02 * random.normal());
            bytes.extend((hundredths as i16).to_le_bytes());
        }
        Other::Noise => bytes.push((random.uniform() * 256.0) as u8),
        Other::Flag => bytes.push(0x10 | u8::from(random.uniform() < 0.02)),
    }
}

fn write_told(told: Told, celsius: f64, state: &State, random: &mut Random, bytes: &mut Vec<u8>) {
    let tenths = (celsius * 10.0).round() as i32;
    let hundredths = (celsius * 100.0).round() as i32;
    let humidity = (state.humidity * 10.0).round() as u32;
    let in_f = |fahrenheit: bool| if fahrenheit { celsius * 1.8 + 32.0 } else { celsius };
    match told {
        Told::Whole { bytes: count, big, scale, offset, fahrenheit, .. } => {
            let number = ((in_f(fahrenheit) - offset) / scale).round() as i64;
            let mut own = number.to_le_bytes()[..count].to_vec();
            if big {
                own.reverse();
            }
            bytes.extend(own);
        }
        Told::Twelve => {
            let both = ((tenths + 400) as u32) << 12 | humidity;
            bytes.extend(&both.to_be_bytes()[1..]);
        }
        Told::UnderCounter => {
            let number = (celsius * 16.0).round() as i16 as u16 & 0x0FFF;
            bytes.extend((number | (state.count as u16) << 12).to_le_bytes());
        }
        Told::AboveStatus => {
            let number = ((celsius * 64.0).round() as i16) << 2;
            let status = (random.uniform() * 4.0) as i16;
            bytes.extend((number | status).to_be_bytes());
        }
        Told::Float { big, fahrenheit } => {
            let number = in_f(fahrenheit) as f32;
            bytes.extend(if big { number.to_be_bytes() } else { number.to_le_bytes() });
        }
        Told::Medical { short: false } => {
            bytes.extend(&hundredths.to_le_bytes()[..3]);
            bytes.push(0xFE);
        }
        Told::Medical { short: true } => {
            bytes.extend((tenths as u16 & 0x0FFF | 0xF000).to_le_bytes());
        }
        Told::Digits => bytes.extend(format!("{celsius:05.1}").bytes()),
        Told::Text => bytes.extend(format!("T={celsius:.1}").bytes()),
        Told::Fraction => {
            let whole = hundredths.unsigned_abs();
            bytes
                .extend([(whole / 100) as u8 | u8::from(hundredths < 0) << 7, (whole % 100) as u8]);
        }
        Told::Packed => {
            let both = tenths.unsigned_abs() * 1_000 + humidity.min(999);
            let sign = u32::from(tenths < 0) << 23;
            bytes.extend(&(both | sign).to_be_bytes()[1..]);
        }
        Told::SignElsewhere => {
            bytes.push(0x21 | u8::from(tenths < 0) << 7);
            bytes.extend((tenths.unsigned_abs() as u16).to_le_bytes());
        }
        Told::SignMagnitude => {
            let sign = u16::from(tenths < 0) << 15;
            bytes.extend((tenths.unsigned_abs() as u16 | sign).to_le_bytes());
        }
        Told::Bcd => {
            let digit = |place: u32| (tenths.unsigned_abs() / 10_u32.pow(place) % 10) as u8;
            bytes.extend([digit(3) << 4 | digit(2), digit(1) << 4 | digit(0)]);
        }
        Told::CompanyPlace => bytes.extend((hundredths as i16).to_le_bytes()),
    }
}

/// The temperature (°C) that the profile reads from the payload.
pub fn decoded(profile: &str, (via, bytes): &(Via, Vec<u8>)) -> Result<f64, String> {
    let profiles = Profiles::parse([("learnt.toml", profile)]).map_err(|errors| {
        let lines: Vec<String> = errors.iter().map(ToString::to_string).collect();
        format!("the learnt profile is wrong: {}\n{profile}", lines.join("; "))
    })?;
    let payload = Payload { probe: ADDRESS, via: *via, bytes, rssi_dbm: None };
    let name = Some("made-1");
    let id = profiles.match_payload(&payload, name).ok_or("the learnt profile does not match")?;
    let profile = profiles.get(id);
    let mut fields = Vec::new();
    decode(profile, *via, bytes, &mut fields).map_err(|error| error.in_words(profile))?;
    let temperature =
        fields.iter().find(|f| profile.fields()[usize::from(f.index)].name == "temperature");
    match temperature.map(|field| field.value) {
        Some(FieldValue::Number(value)) => Ok(value),
        other => Err(format!("the temperature is {other:?}")),
    }
}
