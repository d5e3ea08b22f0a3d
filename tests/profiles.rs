//! Every shipped profile is right: it reads, its examples come out, and none hides another.

use settled::engine::profile::{Profiles, SHIPPED};
use settled::engine::reading::Payload;

#[test]
fn all_shipped_profiles_read_and_their_examples_come_out() {
    let profiles = Profiles::parse(SHIPPED).unwrap_or_else(|errors| {
        let lines: Vec<String> = errors.iter().map(ToString::to_string).collect();
        panic!("{}", lines.join("\n"))
    });
    assert!(profiles.iter().count() >= 11);
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
