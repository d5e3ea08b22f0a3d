//! How long a payload takes from bytes to fields, matching included: `cargo bench --bench decode`.

use std::hint::black_box;
use std::time::Instant;

use settled::engine::decode::decode;
use settled::engine::profile::{Profiles, uuid};
use settled::engine::reading::{Payload, Via};

const ROUNDS: u32 = 1_000_000;

#[expect(clippy::disallowed_methods, reason = "a benchmark is what reads the clock")]
fn time(what: &str, mut once: impl FnMut()) {
    (0..ROUNDS / 10).for_each(|_| once());
    let start = Instant::now();
    (0..ROUNDS).for_each(|_| once());
    let each = start.elapsed() / ROUNDS;
    println!("{what}: {} ns", each.as_nanos());
}

fn main() {
    let profiles = Profiles::shipped();
    let bthome = Via::Service(uuid::full(0xFCD2));
    let company = Via::Manufacturer(0xFFFF);
    for (what, via, digits) in [
        ("plain-clamp, 3 fields", company, "434C010761F608"),
        ("plain-clamp-pair, 4 fields", company, "434C020864E8FD9C0F"),
        ("bthome-v2, 2 fields", bthome, "4002CA0903BF13"),
        ("bthome-v2, 4 fields", bthome, "400009015D025D0903B718"),
        ("ess-temperature, 1 field", Via::Characteristic(uuid::full(0x2A6E)), "DB03"),
        ("health-thermometer, 1 field", Via::Characteristic(uuid::full(0x2A1C)), "006C0100FF"),
    ] {
        let bytes = hex::decode(digits).expect("the digits above are hex");
        let payload = Payload { probe: "02:00:00:00:00:01", via, bytes: &bytes, rssi_dbm: None };
        let id = profiles.match_payload(&payload, None).expect("a shipped profile fits");
        let profile = profiles.get(id);
        let mut fields = Vec::with_capacity(16);
        time(&format!("match  {what}"), || {
            black_box(profiles.match_payload(black_box(&payload), None));
        });
        time(&format!("decode {what}"), || {
            let read = decode(profile, via, black_box(&bytes), &mut fields);
            black_box((&read, &fields));
        });
    }
}
