//! A payload from bytes to fields, and how matching grows with the number of profiles.

use std::fmt::Write as _;

use settled::engine::decode::decode;
use settled::engine::profile::{Profiles, uuid};
use settled::engine::reading::{Payload, Via};

use crate::limit::Limit;
use crate::timing::{each, row, told};

pub fn run(limit: &Limit) {
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
        let bytes = hex::decode(digits).unwrap();
        let payload = Payload { probe: "02:00:00:00:00:01", via, bytes: &bytes, rssi_dbm: None };
        let mut fields = Vec::with_capacity(16);
        let time = each(|| {
            let id = profiles.match_payload(&payload, None).unwrap();
            decode(profiles.get(id), via, &bytes, &mut fields).is_ok()
        });
        row(&format!("match and decode {what}"), &told(time), &limit.beside(time));
    }
    for number in [5, 50, 500] {
        let profiles = invented(number);
        let bytes = hex::decode("434C010761F608").unwrap();
        let payload =
            Payload { probe: "02:00:00:00:00:01", via: company, bytes: &bytes, rssi_dbm: None };
        let time = each(|| profiles.match_payload(&payload, None));
        let what = format!("match, {number} more profiles, a tenth of them of the same company");
        row(&what, &told(time), &limit.beside(time));
    }
}

/// The shipped profiles and so many invented ones, each of a company of its own; every tenth shares
/// a company with the plain formats.
pub fn invented(number: u16) -> Profiles {
    let mut text = String::new();
    for n in 0..number {
        let company = if n % 10 == 0 { 0xFFFF } else { 0x4000 + n };
        let _ = write!(
            text,
            "[[profile]]\nname = \"invented-{n}\"\ntitle = \"invented\"\npublished = \"invented\"\n\
             match = {{ company = {company}, first_bytes = \"{n:04X}\", length = 5 }}\n\
             layout = {{ kind = \"fixed\" }}\n\
             [[profile.field]]\nname = \"counter\"\nat = 2\n\
             [[profile.field]]\nname = \"temperature\"\nat = 3\nbytes = 2\ntype = \"signed\"\n\
             scale = 0.01\nquantity = \"temperature\"\nunit = \"degC\"\n\
             [[profile.example]]\nbytes = \"{n:04X} 01 F608\"\nsource = \"invented\"\n\
             fields = {{ counter = 1, temperature = 22.94 }}\n"
        );
    }
    Profiles::with_user([("invented.toml", &*text)]).unwrap()
}
