//! Published open formats, learnt again from bytes alone: payloads written here from each format's
//! text, four known values, and then the shipped profile beside the learnt one on payloads that
//! neither has seen.

use settled::engine::decode::{FieldValue, decode};
use settled::engine::learn::{Heard, Known, Subject, Sureness, learn};
use settled::engine::profile::{Profiles, uuid};
use settled::engine::reading::{Payload, Via};
use settled::units::quantity::QuantityKind;
use settled::units::time::Elapsed;

use super::formats::{ADDRESS, State, decoded};
use super::random::Random;

type Writer = fn(f64, &State, &mut Random) -> Vec<u8>;

/// The formats, each with the way that it comes. Sources: those that the shipped profiles name.
fn formats() -> [(&'static str, Via, Writer); 6] {
    [
        ("rawv2", Via::Manufacturer(0x0499), rawv2),
        ("rawv1", Via::Manufacturer(0x0499), rawv1),
        ("bthome-v2", Via::Service(uuid::full(0xFCD2)), bthome),
        ("eddystone-tlm", Via::Service(uuid::full(0xFEAA)), eddystone),
        ("health-thermometer", Via::Characteristic(uuid::full(0x2A1C)), health_thermometer),
        ("ess-temperature", Via::Characteristic(uuid::full(0x2A6E)), ess_temperature),
    ]
}

#[test]
fn published_formats_are_learnt_again_from_bytes_alone() {
    let shipped = Profiles::shipped();
    for (name, via, write) in formats() {
        let mut random = Random::new(42);
        let (text, sureness) = learnt(via, write, &mut random);
        assert_eq!(sureness, Sureness::Sure, "{name}\n{text}");
        for step in 0..=40 {
            let celsius = -10.0 + 1.5 * f64::from(step);
            let bytes = write(celsius, &State::new(&mut random), &mut random);
            let one = decoded(&text, &(via, bytes.clone()))
                .unwrap_or_else(|why| panic!("{name}: {why}\n{text}"));
            let other = by_shipped(&shipped, via, &bytes);
            assert!((one - other).abs() < 1e-6, "{name}: {one} and {other}\n{text}");
        }
        println!("| {name} | {} |", sureness.word());
    }
}

/// The profile learnt from an ice bath, cold water, a room and a hand, half a degree Fahrenheit off.
fn learnt(via: Via, write: Writer, random: &mut Random) -> (String, Sureness) {
    let mut state = State::new(random);
    let (mut heard, mut known) = (Vec::new(), Vec::new());
    let mut celsius = 22.0;
    for second in 0..720 {
        let bath = [0.0, 11.0, 22.0, 33.0][second / 180];
        celsius += (bath - celsius) / 20.0;
        state.go_on(true, random);
        let at = Elapsed::from_secs(second as u64);
        let bytes = write(celsius + 0.02 * random.normal(), &state, random);
        heard.push(Heard { at, via, bytes });
        if second % 180 == 165 {
            let value = bath + if random.uniform() < 0.5 { 0.28 } else { -0.28 };
            let kind = QuantityKind::Temperature;
            known.push(Known { at, kind, value, gauge: false, half_width: 1.0 / 1.8 });
        }
    }
    let subject = Subject { profile: "again", address: ADDRESS, name: None };
    let learnt = learn(&subject, &heard, &known).unwrap();
    (learnt.profile.unwrap_or_default(), learnt.answers[0].sureness)
}

fn by_shipped(profiles: &Profiles, via: Via, bytes: &[u8]) -> f64 {
    let payload = Payload { probe: ADDRESS, via, bytes, rssi_dbm: None };
    let profile = profiles.get(profiles.match_payload(&payload, None).unwrap());
    let mut fields = Vec::new();
    decode(profile, via, bytes, &mut fields).unwrap();
    let is_temperature =
        |index: u16| profile.fields()[usize::from(index)].kind == Some(QuantityKind::Temperature);
    let field = fields.iter().find(|field| is_temperature(field.index)).unwrap();
    let FieldValue::Number(value) = field.value else { panic!("{field:?}") };
    value
}

/// Data format 5: temperature · 0.005 °C, humidity · 0.0025 %, pressure + 50 000 Pa, acceleration,
/// battery and power, movements, sequence, address; all with the high byte first.
fn rawv2(celsius: f64, state: &State, random: &mut Random) -> Vec<u8> {
    let mut bytes = vec![5];
    bytes.extend(((celsius / 0.005).round() as i16).to_be_bytes());
    bytes.extend(((state.humidity() / 0.0025) as u16).to_be_bytes());
    bytes.extend((51_325 + (20.0 * random.uniform()) as u16).to_be_bytes());
    for axis in [4, -4, 1_036] {
        bytes.extend((axis + (8.0 * random.uniform()) as i16).to_be_bytes());
    }
    bytes.extend([0xAC, 0x36, 0x42]);
    bytes.extend((state.count() as u16).to_be_bytes());
    bytes.extend([0x02, 0x00, 0x00, 0x00, 0x00, 0x07]);
    bytes
}

/// Data format 3: humidity · 0.5 %, sign and whole degrees, hundredths, pressure, acceleration,
/// battery.
fn rawv1(celsius: f64, state: &State, random: &mut Random) -> Vec<u8> {
    let hundredths = (celsius * 100.0).round() as i32;
    let whole = hundredths.unsigned_abs();
    let sign = u8::from(hundredths < 0) << 7;
    let mut bytes = vec![3, (state.humidity() * 2.0) as u8];
    bytes.extend([(whole / 100) as u8 | sign, (whole % 100) as u8]);
    bytes.extend((51_325 + (20.0 * random.uniform()) as u16).to_be_bytes());
    for axis in [4, -4, 1_036] {
        bytes.extend((axis + (8.0 * random.uniform()) as i16).to_be_bytes());
    }
    bytes.extend([0x0B, 0x53]);
    bytes
}

/// Packet id, battery, temperature · 0.01 °C, humidity · 0.01 %.
fn bthome(celsius: f64, state: &State, _: &mut Random) -> Vec<u8> {
    let mut bytes = vec![0x40, 0x00, state.count() as u8, 0x01, 0x61, 0x02];
    bytes.extend(((celsius * 100.0).round() as i16).to_le_bytes());
    bytes.push(0x03);
    bytes.extend(((state.humidity() * 100.0) as u16).to_le_bytes());
    bytes
}

/// Version, mV, 8.8 fixed point, advertisements, tenths of seconds; the high byte first.
fn eddystone(celsius: f64, state: &State, random: &mut Random) -> Vec<u8> {
    let mut bytes = vec![0x20, 0x00];
    bytes.extend((2_990 + (4.0 * random.uniform()) as u16).to_be_bytes());
    bytes.extend(((celsius * 256.0).round() as i16).to_be_bytes());
    bytes.extend((state.count() as u32).to_be_bytes());
    bytes.extend((10 * state.count() as u32).to_be_bytes());
    bytes
}

/// Flags (Celsius, nothing else), then an IEEE 11073 FLOAT with two decimals.
fn health_thermometer(celsius: f64, _: &State, _: &mut Random) -> Vec<u8> {
    let mut bytes = vec![0x00];
    bytes.extend(&((celsius * 100.0).round() as i32).to_le_bytes()[..3]);
    bytes.push(0xFE);
    bytes
}

/// The Temperature characteristic: 0.01 °C.
fn ess_temperature(celsius: f64, _: &State, _: &mut Random) -> Vec<u8> {
    ((celsius * 100.0).round() as i16).to_le_bytes().to_vec()
}
