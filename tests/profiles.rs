//! Every shipped profile is right, and the schema says all that open formats have been seen to do.
//!
//! The made-up profiles below carry examples, so that reading one is already its check; each case
//! also shows that a wrong example is noticed.
#![expect(clippy::unwrap_used, reason = "a test that cannot go on may panic")]

#[path = "profiles/commands.rs"]
mod commands;
#[path = "profiles/learning.rs"]
mod learning;

use std::time::Duration;

use settled::engine::decode::{DecodeError, decode};
use settled::engine::profile::{Delivery, Profile, ProfileError, Profiles, SHIPPED, Source, uuid};
use settled::engine::reading::{Payload, Via};

#[test]
fn all_shipped_profiles_read_and_their_examples_come_out() {
    let profiles = Profiles::parse(SHIPPED).unwrap_or_else(|errors| panic!("{}", lines(&errors)));
    assert!(profiles.iter().count() >= 20);
    assert!(profiles.iter().all(|profile| !profile.examples().is_empty()));
}

#[test]
fn each_example_is_matched_by_its_own_profile_and_no_other() {
    let profiles = Profiles::shipped();
    for (id, profile) in profiles.ids().zip(profiles.iter()) {
        for example in profile.examples().iter().filter(|e| e.fields.is_some()) {
            let probe = "02:00:00:00:00:01";
            let payload =
                Payload { probe, via: example.via, bytes: &example.bytes, rssi_dbm: None };
            let matched = profiles.all_that_match(&payload, example.name.as_deref());
            assert_eq!(matched, [id], "{}: {:02X?}", profile.name(), example.bytes);
        }
    }
}

fn lines(errors: &[ProfileError]) -> String {
    errors.iter().map(ToString::to_string).collect::<Vec<_>>().join("\n")
}

/// A profile of one layout with what the cases do not care about.
fn with_head(body: &str) -> String {
    let head = r#"
name = "made-up"
title = "made up"
published = "invented"
"#;
    let matching = if body.contains("[match]") { "" } else { "[match]\ncompany = 0xFFFF\n" };
    format!("{head}{body}\n{matching}")
}

fn errors(body: &str) -> String {
    let text = with_head(body);
    lines(&Profiles::parse([("made-up.toml", text.as_str())]).unwrap_err())
}

/// The examples of `body` come out; with a 9 before the marked one's last number, it does not.
fn right(body: &str) {
    let text = with_head(body);
    if let Err(errors) = Profiles::parse([("made-up.toml", text.as_str())]) {
        panic!("{}\n{text}", lines(&errors));
    }
    let marked = text.rfind("# change").expect("each case marks the example that is changed");
    let at = text[..marked].rfind("= ").unwrap() + 2;
    let mut changed = text.clone();
    changed.insert(at, '9');
    let errors = lines(&Profiles::parse([("made-up.toml", changed.as_str())]).unwrap_err());
    assert!(errors.contains("comes out as"), "{errors}");
}

#[test]
fn fields_of_some_bits_in_either_order() {
    right(
        r#"
layout = { kind = "fixed" }
field = [
  { name = "low", at = 0, bytes = 2, bits = 12 },
  { name = "high", at = 0, bytes = 2, low_bit = 12, bits = 4 },
  { name = "big", at = 0, bytes = 2, order = "big", bits = 12 },
  { name = "one", at = 0, bit = 5 },
  { name = "negative", at = 2, bits = 4, type = "signed" },
  { name = "wide", at = 0, bytes = 9, low_bit = 8, bits = 64 },
]
example = [
  # Bytes 34 12: 0x1234 little endian, 0x3412 big endian.
  { bytes = "34120F00000000000000", source = "by hand", fields = { low = 564, high = 1, big = 1042, one = 1, negative = -1, wide = 3858 } }, # change
]
"#,
    );
}

#[test]
fn signs_in_their_three_ways() {
    right(
        r#"
layout = { kind = "fixed", order = "big" }
field = [
  { name = "complement", bytes = 3, type = "signed" },
  { name = "magnitude", bytes = 2, type = "sign-magnitude", scale = 0.1 },
  { name = "elsewhere", bytes = 1, sign = { at = 6, bit = 7 } },
]
example = [
  { bytes = "FFFFFE800A0780", source = "by hand", fields = { complement = -2, magnitude = -1, elsewhere = -7 } },
  { bytes = "000002000A0700", source = "by hand", fields = { complement = 2, magnitude = 1, elsewhere = 7 } }, # change
]
"#,
    );
}

#[test]
fn floating_point_numbers() {
    // IEEE 754: 1.5 is 3FC00000, −2 is C000000000000000, 1.0 is 3C00 as binary16, infinity 7F800000.
    right(
        r#"
layout = { kind = "fixed", order = "big" }
field = [
  { name = "single", bytes = 4, type = "float" },
  { name = "double", bytes = 8, type = "float" },
  { name = "half", bytes = 2, type = "float" },
]
example = [
  { bytes = "7F800000 C000000000000000 7E00", source = "by hand", fields = { single = "absent", double = -2, half = "absent" } },
  { bytes = "3FC00000 C000000000000000 3C00", source = "by hand", fields = { single = 1.5, double = -2, half = 1 } }, # change
]
"#,
    );
}

#[test]
fn medical_floats_and_fixed_point() {
    // SFLOAT 0xF16C is 364 · 10⁻¹; 0x07FF is not a number; 0x0802 is minus infinity.
    right(
        r#"
layout = { kind = "fixed" }
field = [
  { name = "sfloat", type = "ieee-11073-sfloat" },
  { name = "float", type = "ieee-11073-float" },
  { name = "point", type = "fixed-8.8", order = "big" },
]
example = [
  { bytes = "FF07 6C0100FF FF80", source = "by hand", fields = { sfloat = "absent", float = 36.4, point = -0.5 } },
  { bytes = "0208 6C0100FF FF80", source = "by hand", fields = { sfloat = "absent", float = 36.4, point = -0.5 } },
  { bytes = "6CF1 6C0100FF 1580", source = "by hand", fields = { sfloat = 36.4, float = 36.4, point = 21.5 } }, # change
]
"#,
    );
}

#[test]
fn numbers_written_in_digits() {
    right(
        r#"
layout = { kind = "fixed" }
field = [
  { name = "decimal", type = "bcd", bytes = 2, order = "big", scale = 0.1 },
  { name = "text", type = "digits", to_end = true, quantity = "temperature", unit = "degF" },
]
example = [
  # A nibble of F is no digit; dashes are no number.
  { bytes = "0F25 2D2D2D", source = "by hand", fields = { decimal = "absent", text = "absent" } },
  # "-40.0", which is the same in both units.
  { bytes = "1225 2D34302E30", source = "by hand", fields = { decimal = 122.5, text = -40 } },
  { bytes = "1225 2034312E35", source = "by hand", fields = { decimal = 122.5, text = 41.5 } }, # change
]
"#,
    );
}

#[test]
fn a_number_may_stand_in_pieces() {
    // Nine bits: 0x80 and the bit below it; twelve signed bits: F, then FE.
    right(
        r#"
layout = { kind = "fixed" }
field = [
  { name = "index", at = 0, lower = { at = 1, bit = 6 }, absent = 0x1FF },
  { name = "level", at = 1, bits = 4, lower = [{ at = 2, low_bit = 4, bits = 4 }, { at = 2, bits = 4 }], type = "signed", absent = -2048 },
]
example = [
  { bytes = "FF 48 00", source = "by hand", fields = { index = "absent", level = "absent" } },
  { bytes = "80 4F FE", source = "by hand", fields = { level = -2, index = 257 } }, # change
]
"#,
    );
    check_refused(
        &format!("{FIXED}field = {{ name = \"level\", absent = 256 }}\n{EXAMPLE}"),
        "does not fit into the field's 8 bits",
    );
}

#[test]
fn a_mask_bit_says_what_is_there_and_what_moves_up() {
    right(
        r#"
layout = { kind = "fixed" }
field = [
  { name = "mask" },
  { name = "first", bytes = 2, present = { at = 0, bit = 0 } },
  { name = "second", bytes = 1, present = { at = 0, low_bit = 1, bits = 2, equals = [1, 3] } },
  { name = "third" },
  { name = "fourth", optional = true },
]
example = [
  { bytes = "00 09", source = "by hand", fields = { mask = 0, third = 9 } },
  { bytes = "01 0102 09", source = "by hand", fields = { mask = 1, first = 513, third = 9 } },
  { bytes = "06 07 09 0A", source = "by hand", fields = { mask = 6, second = 7, third = 9, fourth = 10 } },
  { bytes = "05 0102 09", source = "by hand", fields = { mask = 5, first = 513, third = 9 } },
  { bytes = "03 0102 07", refused = true, source = "by hand: ends before the third" },
  { bytes = "03 0102 07 09", source = "by hand", fields = { mask = 3, first = 513, second = 7, third = 9 } }, # change
]
"#,
    );
}

#[test]
fn two_numbers_packed_in_one_with_a_sign_in_front() {
    // 24 bits: the top one a sign, the rest temperature · 10 · 1000 + humidity · 10.
    // 215 · 1000 + 487 is 0x0349BF.
    right(
        r#"
layout = { kind = "fixed", order = "big" }
field = [
  { name = "temperature", at = 0, bytes = 3, bits = 23, sign = { at = 0, bit = 7 }, divide = 1000, scale = 0.1, quantity = "temperature", unit = "degC" },
  { name = "humidity", at = 0, bytes = 3, bits = 23, modulo = 1000, scale = 0.1, quantity = "humidity", unit = "percent" },
]
example = [
  { bytes = "8349BF", source = "by hand", fields = { temperature = -21.5, humidity = 48.7 } },
  { bytes = "0349BF", source = "by hand", fields = { temperature = 21.5, humidity = 48.7 } }, # change
]
"#,
    );
}

#[test]
fn a_number_and_what_stands_behind_its_point() {
    right(
        r#"
layout = { kind = "fixed" }
field = [
  { name = "temperature", at = 0, type = "sign-magnitude", fraction = { at = 1, over = 100 }, quantity = "temperature", unit = "degC" },
  { name = "after", at = 2 },
]
example = [
  { bytes = "80 45 01", source = "by hand", fields = { after = 1, temperature = -0.69 } },
  { bytes = "15 32 01", source = "by hand", fields = { after = 1, temperature = 21.5 } }, # change
]
"#,
    );
}

#[test]
fn a_bit_or_a_value_chooses_unit_scale_and_offset() {
    right(
        r#"
layout = { kind = "fixed" }
[[field]]
name = "temperature"
at = 1
bytes = 2
type = "signed"
scale = 0.1
quantity = "temperature"
unit = "degC"
case = [
  { at = 0, bits = 4, equals = 1, unit = "degF" },
  { at = 0, bits = 4, equals = 2, scale = 0.01, offset = 20 },
  { at = 0, bit = 7, absent = true },
]
[[field]]
name = "pressure"
at = 3
bytes = 2
quantity = "pressure"
unit = "psig"
case = { at = 0, bits = 4, equals = [3, 4], unit = "kPag" }
[[example]]
bytes = "00 D700 7600"
fields = { temperature = 21.5, pressure = 118 }
source = "by hand"
[[example]]
bytes = "02 9600 7600"
fields = { temperature = 21.5, pressure = 118 }
source = "by hand: 150 · 0.01 + 20"
[[example]]
bytes = "80 D700 7600"
fields = { temperature = "absent", pressure = 118 }
source = "by hand"
[[example]]
bytes = "04 D700 0000"
fields = { temperature = 21.5, pressure = 0 }
source = "by hand"
[[example]]
bytes = "01 4001 7600"
source = "by hand: 32 °F"
fields = { pressure = 118, temperature = 0 } # change
"#,
    );
}

#[test]
fn a_reading_may_stand_in_the_place_of_the_company_id() {
    right(
        r#"
layout = { kind = "fixed", count_from = "company-id" }
field = [
  { name = "temperature", at = 0, bytes = 2, type = "signed", scale = 0.01, quantity = "temperature", unit = "degC" },
  { name = "tail", at = 2, bytes = 1 },
  { name = "rest", at = 3, type = "bytes", to_end = true },
]
example = [
  # Company id 0xFF38 is −200 in the place of the first two bytes.
  { company = 0xFF38, name = "thing-1", bytes = "2A", source = "by hand", fields = { temperature = -2, tail = 42, rest = "" } },
  { company = 0x00C8, name = "thing-1", bytes = "2A0102", source = "by hand", fields = { rest = "0102", tail = 42, temperature = 2 } }, # change
]
[match]
any_company = true
name = "thing-?"
"#,
    );
}

#[test]
fn tagged_values_with_their_length_in_three_places() {
    right(
        r#"
layout = { kind = "tagged", length = "byte", unknown = "skip", tag_bytes = 2, order = "big" }
field = [
  { tag = 0x0102, name = "temperature", bytes = 2, type = "signed", scale = 0.01, quantity = "temperature", unit = "degC" },
  { tag = 0x0103, name = "flags" },
  { tag = 0x0103, name = "level", case = { at = 0, bit = 0, absent = true } },
]
example = [
  { bytes = "0999 03 AABBCC 0103 02 01 07", source = "by hand", fields = { flags = 1, level = "absent" } },
  { bytes = "0102 02 FF38 0103 02 00 07 0102 02 00C8", source = "by hand", fields = { temperature-1 = -2, flags = 0, level = 7, temperature-2 = 2 } }, # change
]
"#,
    );
    // As the structures of an advertisement: length, identifier, value; a length of 0 ends it.
    right(
        r#"
layout = { kind = "tagged", length = "byte-first", unknown = "skip" }
field = [
  { tag = 9, name = "label", type = "text", to_end = true },
  { tag = 10, name = "level", type = "signed" },
]
example = [
  { bytes = "02 0A FE 00 0000", source = "by hand", fields = { level = -2 } },
  { bytes = "04 09 616263 03 77 0000 02 0A 05", source = "by hand", fields = { label = "abc", level = 5 } }, # change
]
"#,
    );
    let refused = with_head(
        r#"
layout = { kind = "tagged", unknown = "refuse" }
field = { tag = 1, name = "level", bytes = 2 }
example = [
  { bytes = "01 0500", source = "by hand", fields = { level = 5 } },
  { bytes = "01 0500 02", source = "by hand", refused = true },
]
"#,
    );
    assert!(Profiles::parse([("refused.toml", refused.as_str())]).is_ok());
}

#[test]
fn a_header_bit_can_choose_within_a_tagged_value() {
    right(
        r#"
layout = { kind = "tagged" }
field = [
  { name = "header", at = 0 },
  { tag = 1, name = "temperature", quantity = "temperature", unit = "degC", case = { at = 0, bit = 7, of_payload = true, unit = "degF" } },
]
example = [
  { bytes = "80 01 32", source = "by hand: 50 °F is 10 °C", fields = { header = 128, temperature = 10 } },
  { bytes = "00 01 32", source = "by hand", fields = { header = 0, temperature = 50 } }, # change
]
"#,
    );
}

/// Check values of "123456789": the usual way to tell one CRC from another. From memory.
#[test]
fn checksums_of_the_usual_kinds() {
    let digits = "31 32 33 34 35 36 37 38 39";
    for (sum, stored, wrong) in [
        ("kind = \"sum\", at = -1", "DD", "DE"),
        ("kind = \"sum\", at = -1, final_xor = 0xFF", "22", "23"),
        ("kind = \"xor\", at = -1", "31", "30"),
        ("kind = \"crc\", polynomial = 0x07, at = -1", "F4", "F5"),
        ("kind = \"crc\", polynomial = 0x31, reflected = true, at = -1", "A1", "A0"),
        (
            "kind = \"crc\", polynomial = 0x1021, initial = 0xFFFF, at = -2, bytes = 2, order = \"big\"",
            "29B1",
            "B129",
        ),
        (
            "kind = \"crc\", polynomial = 0x8005, initial = 0xFFFF, reflected = true, at = -2, bytes = 2",
            "374B",
            "4B37",
        ),
        (
            "kind = \"crc\", polynomial = 0x04C11DB7, initial = 0xFFFFFFFF, reflected = true, final_xor = 0xFFFFFFFF, at = -4, bytes = 4",
            "2639F4CB",
            "2639F4CC",
        ),
    ] {
        let text = with_head(&format!(
            r#"
layout = {{ kind = "fixed" }}
field = {{ name = "first", at = 0 }}
checksum = {{ {sum} }}
example = [
  {{ bytes = "{digits} {stored}", fields = {{ first = 49 }}, source = "check value" }},
  {{ bytes = "{digits} {wrong}", refused = true, source = "check value, changed" }},
]
"#
        ));
        let read = Profiles::parse([("made-up.toml", text.as_str())]);
        assert!(read.is_ok(), "{sum}: {}", lines(&read.unwrap_err()));
    }
}

#[test]
fn a_probe_that_must_be_asked_says_how() {
    let text = with_head(
        r#"
layout = { kind = "fixed" }
field = { name = "temperature", type = "digits", bytes = 4, quantity = "temperature", unit = "degC", time_constant_s = 8, accuracy = 0.3, resolution = 0.1 }
example = { bytes = "32312E35", fields = { temperature = 21.5 }, source = "by hand" }
[match]
characteristic = "0000abcd-1234-5678-9abc-def012345678"
length = 4
[source]
service = "0xABCD"
delivery = "notify-or-read"
every_s = 2
silence_s = 7
write_first = [{ characteristic = "0x2A00", bytes = "01 02", response = false }]
"#,
    );
    let profiles = Profiles::parse([("made-up.toml", text.as_str())]).unwrap();
    let profile = profiles.iter().next().unwrap();
    let Source::Connected(connection) = profile.source() else { panic!("not connected") };
    let (every, silence) = (Duration::from_secs(2), Duration::from_secs(7));
    assert_eq!(connection.delivery, Delivery::NotifyOrRead { every, silence });
    assert_eq!(connection.characteristic, 0x0000_abcd_1234_5678_9abc_def0_1234_5678);
    assert_eq!(connection.service, Some(uuid::full(0xABCD)));
    assert_eq!(connection.write_first[0].bytes, [1, 2]);
    let instrument = profile.fields()[0].instrument();
    assert_eq!((instrument.accuracy, instrument.resolution), (0.3, 0.1));
    assert_eq!(instrument.time_constant_s, Some(8.0));
}

#[test]
fn accuracy_and_resolution_become_si() {
    let text = with_head(
        r#"
layout = { kind = "fixed" }
field = { name = "line", bytes = 2, scale = 0.1, quantity = "temperature", unit = "degF", accuracy = 0.9, valid = [-40, 212] }
example = [
  { bytes = "4801", fields = { line = 32.8 }, source = "by hand" },
  { bytes = "4908", fields = { line = "out-of-range" }, source = "by hand: 212.1 °F" },
]
"#,
    );
    let profiles = Profiles::parse([("made-up.toml", text.as_str())]).unwrap();
    let line = &profiles.iter().next().unwrap().fields()[0];
    assert!((line.accuracy.unwrap() - 0.5).abs() < 1e-12);
    assert!((line.resolution - 0.1 / 1.8).abs() < 1e-12);
}

const FIXED: &str = "layout = { kind = \"fixed\" }\n";
const LEVEL: &str = "field = { name = \"level\" }\n";
const EXAMPLE: &str = "example = { bytes = \"01\", fields = { level = 1 }, source = \"x\" }\n";

fn check_refused(body: &str, wanted: &str) {
    let found = errors(body);
    assert!(found.contains(wanted), "wanted {wanted:?}, found {found:?} for\n{body}");
    assert!(found.starts_with("made-up.toml:"), "{found}");
}

#[test]
fn wrong_fields_are_refused_with_what_is_right() {
    for (key, wanted) in [
        ("byte = 1", "did you mean `bytes`?"),
        ("type = \"singed\"", "did you mean `signed`?"),
        ("quantity = \"temprature\"", "did you mean `temperature`?"),
        ("quantity = \"pressure\"", "lacks `unit`; use one of Paa"),
        ("quantity = \"pressure\", unit = \"psgi\"", "did you mean `psi"),
        ("low_bit = 6, bits = 3", "do not fit into 8"),
        ("bytes = 9", "say with `low_bit` and `bits`"),
        ("type = \"float\"", "float has 16, 32 or 64"),
        ("type = \"fixed-8.8\", bytes = 4", "this type takes 2 bytes"),
        ("type = \"text\", bit = 1", "have no single bits"),
        ("type = \"float\", bytes = 4, divide = 10", "are for whole numbers"),
        ("fraction = { at = 1 }", "lacks `over`"),
        ("quantity = \"temperature\", unit = \"F\"", "use one of degC, degF, K"),
        ("scale = 0", "`scale` must lie from"),
        ("scale = \"0.1\"", "expected a number, found string"),
        ("accuracy = -1", "must be 0 or more"),
        ("time_constant_s = 4000", "from 0 to 3600"),
        ("valid = [5, 1]", "lowest value must stand first"),
        ("valid = [5]", "expected the lowest and the highest"),
        ("absent = -129", "does not fit into the field's 8 bits"),
        ("tag = 1", "which only layout \"tagged\" knows"),
        ("length_byte = true", "is for fields with `tag`"),
        ("to_end = true", "is for bytes, text and digits"),
        ("present = { bit = 1 }", "lacks `at`"),
        ("case = { at = 0, unit = \"degF\" }", "only a field with `quantity`"),
    ] {
        check_refused(&format!("{FIXED}{EXAMPLE}field = {{ name = \"level\", {key} }}"), wanted);
    }
    check_refused(&format!("{FIXED}{EXAMPLE}field = {{ name = \"Level\" }}"), "lower-case letters");
    let twice = "field = [{ name = \"level\" }, { name = \"level\" }]";
    check_refused(&format!("{FIXED}{EXAMPLE}{twice}"), "two fields called `level`");
}

#[test]
fn wrong_examples_are_refused_with_what_is_right() {
    for (example, wanted) in [
        ("", "lacks `[[example]]`; a profile without a worked example"),
        ("bytes = \"01\", refused = true, source = \"x\"", "only examples that are refused"),
        ("bytes = \"01\", source = \"x\"", "either `fields"),
        ("bytes = \"01\", fields = { level = 1 }", "lacks `source`"),
        ("bytes = \"01\", fields = { level = 2 }, source = \"x\"", "comes out as 1"),
        ("bytes = \"01\", fields = { level = \"absent\" }, source = \"x\"", "comes out as 1"),
        ("bytes = \"01\", fields = {}, source = \"x\"", "does not list `level`"),
        ("bytes = \"01\", fields = { levle = 1 }, source = \"x\"", "did you mean `level`?"),
        ("bytes = \"1\", fields = { level = 1 }, source = \"x\"", "pairs of hex digits"),
        ("bytes = \"\", fields = { level = 1 }, source = \"x\"", "end before `level`"),
    ] {
        let example =
            if example.is_empty() { String::new() } else { format!("example = {{ {example} }}") };
        check_refused(&format!("{FIXED}{LEVEL}{example}"), wanted);
    }
    let decodes = "example = [{ bytes = \"01\", fields = { level = 1 }, source = \"x\" }, { bytes = \"02\", refused = true, source = \"x\" }]";
    check_refused(&format!("{FIXED}{LEVEL}{decodes}"), "is to be refused, but it decodes");
}

#[test]
fn wrong_matches_and_layouts_are_refused_with_what_is_right() {
    for (rest, wanted) in [
        ("seal = \"rot13\"", "use one of bthome-v2"),
        ("[match]\ncompany = 1\nservice = \"0xFCD2\"", "must say one of"),
        ("[match]\nany_company = true", "say also `name`"),
        ("[match]\ncharacteristic = \"0x2A6E\"", "lacks `[source]`"),
        ("[match]\nservice = \"0xFCD\"", "expected a UUID"),
        ("[match]\ncompany = 70000", "from 0 to 65535"),
        ("[match]\ncompany = 1\nlength = 2", "does not match"),
        ("[match]\ncompany = 1\nlength_min = 2\nlength_max = 1", "is above"),
        ("[match]\ncompany = 1\nbytes = { is = \"01\", mask = \"FFFF\" }", "as many bytes"),
        ("source = { delivery = \"read\" }", "is for characteristics"),
        ("checksum = { kind = \"crc\", at = -1 }", "needs `polynomial`"),
        ("checksum = { kind = \"sum\", at = -1, bits = 4 }", "takes whole bytes"),
    ] {
        check_refused(&format!("{FIXED}{EXAMPLE}{LEVEL}{rest}"), wanted);
    }
    check_refused(&format!("{FIXED}{EXAMPLE}"), "lacks `[[field]]`");
    check_refused(&format!("{LEVEL}{EXAMPLE}"), "lacks `[layout]`");
    let skip = "layout = { kind = \"tagged\", unknown = \"skip\" }\n";
    check_refused(&format!("{skip}{LEVEL}{EXAMPLE}"), "needs length = \"byte\"");
    check_refused(&format!("{skip}{LEVEL}{EXAMPLE}"), "at least one field with `tag`");
    check_refused("layout = fixed", "made-up.toml:5:");
}

#[test]
fn all_errors_of_all_files_are_told_at_once() {
    let wrong = with_head("field = { nam = \"level\", scale = \"a\" }");
    let errors =
        Profiles::parse([("a.toml", wrong.as_str()), ("b.toml", wrong.as_str())]).unwrap_err();
    let found = lines(&errors);
    for wanted in ["did you mean `name`?", "expected a number, found string", "lacks `[layout]`"] {
        for file in ["a.toml", "b.toml"] {
            let lines: Vec<&str> = found.lines().filter(|line| line.starts_with(file)).collect();
            assert!(lines.iter().any(|line| line.contains(wanted)), "{wanted}: {found}");
        }
    }
}

#[test]
fn a_users_profile_wins_over_a_shipped_one() {
    let mine = SHIPPED.iter().find(|(name, _)| *name == "plain-clamp.toml").unwrap().1;
    let wide = mine.replace("name = \"plain-clamp\"", "name = \"my-clamp\"");
    let wide = wide.replace("first_bytes = \"43 4C 01\"", "first_bytes = \"43\"");
    let profiles = Profiles::with_user([("my.toml", wide.as_str())]).unwrap();
    let bytes = hex::decode("434C010761F608").unwrap();
    let via = Via::Manufacturer(0xFFFF);
    let payload = Payload { probe: "02:00:00:00:00:01", via, bytes: &bytes, rssi_dbm: None };
    let taken = profiles.match_payload(&payload, None).unwrap();
    assert_eq!(profiles.get(taken).name(), "my-clamp");
    assert_eq!(profiles.all_that_match(&payload, None).len(), 2);
    // Under the same name it takes the shipped one's place.
    let replaced = Profiles::with_user([("my.toml", mine)]).unwrap();
    assert_eq!(replaced.iter().count(), Profiles::shipped().iter().count());
}

/// A profile of one byte under an invented company.
fn of_company(name: &str, asked: &str) -> String {
    let head = "title = \"x\"\npublished = \"invented\"\nlayout = { kind = \"fixed\" }\n";
    let body = format!("field = {{ name = \"level\" }}\n{EXAMPLE}");
    format!("name = \"{name}\"\n{head}{body}[match]\ncompany = 0x1234\n{asked}")
}

#[test]
fn where_a_name_may_matter_none_is_matched_beforehand() {
    let (wide, narrow) = (of_company("wide", ""), of_company("narrow", "first_bytes = \"01\""));
    let called = of_company("called", "name = \"clamp-*\"")
        .replace("{ bytes =", "{ name = \"clamp-7\", bytes =");
    let via = Via::Manufacturer(0x1234);
    let matched = |texts: &[&String], bytes: &[u8]| {
        let payload = Payload { probe: "02:00:00:00:00:01", via, bytes, rssi_dbm: None };
        let profiles = Profiles::parse(texts.iter().map(|text| ("x.toml", text.as_str()))).unwrap();
        profiles.match_unnamed(&payload).map(|id| profiles.get(id).name().to_owned())
    };
    assert_eq!(matched(&[&wide, &narrow], &[1]).as_deref(), Some("narrow"));
    assert_eq!(matched(&[&wide, &narrow], &[2]).as_deref(), Some("wide"));
    assert_eq!(matched(&[&narrow], &[2]), None);
    // The one with a name asks for more than the wide one, and is asked first.
    assert_eq!(matched(&[&wide, &called], &[1]), None);
}

#[test]
fn of_two_profiles_that_match_the_one_that_asks_for_more_is_taken() {
    let named = of_company;
    let (wide, narrow) = (named("wide", ""), named("narrow", "first_bytes = \"01\""));
    let via = Via::Manufacturer(0x1234);
    let payload = Payload { probe: "02:00:00:00:00:01", via, bytes: &[1], rssi_dbm: None };
    for files in [[&wide, &narrow], [&narrow, &wide]] {
        let profiles = Profiles::parse(files.map(|text| ("x.toml", text.as_str()))).unwrap();
        let taken = profiles.match_payload(&payload, None).unwrap();
        assert_eq!(profiles.get(taken).name(), "narrow");
        let digests: Vec<u64> = profiles.iter().map(Profile::digest).collect();
        assert_ne!(digests[0], digests[1]);
    }
}

#[test]
fn equal_sequence_numbers_are_one_message() {
    let profiles = Profiles::shipped();
    let clamp = profiles.get(profiles.by_name("plain-clamp").unwrap());
    let mut fields = Vec::new();
    let via = Via::Manufacturer(0xFFFF);
    decode(clamp, via, &[0x43, 0x4C, 1, 200, 97, 0, 0], &mut fields).unwrap();
    assert_eq!(clamp.sequence(&fields), Some(200));
    let short = decode(clamp, via, &[0x43, 0x4C, 1, 200, 97, 0], &mut fields);
    assert_eq!(short, Err(DecodeError::Short { field: 2, at: 5, has: 6 }));
    assert!(fields.is_empty());
}

/// The guide as it stands in DEVELOPERS.md, or before it is merged there.
fn guide() -> String {
    let texts = ["DEVELOPERS.md", "DEVELOPERS-profiles.md"].map(std::fs::read_to_string);
    let guides = texts.into_iter().flatten().filter(|text| text.contains("profile in ten minutes"));
    guides.into_iter().next().unwrap()
}

#[test]
fn the_guides_examples_are_right() {
    let guide = guide();
    let guide = guide.split("profile in ten minutes").nth(1).unwrap();
    let blocks = guide.split("```toml\n").skip(1).map(|rest| rest.split("```").next().unwrap());
    let blocks: Vec<&str> = blocks.filter(|block| block.contains("[[example]]")).collect();
    assert_eq!(blocks.len(), 6);
    for block in blocks {
        let read = Profiles::parse([("guide.toml", block)]);
        assert!(read.is_ok(), "{}", lines(&read.unwrap_err()));
    }
}
