//! What the virtual unit's probes send is understood by the shipped profiles, field by field.
//!
//! The unit writes its bytes itself; so this checks each of the two against the other.

#![expect(clippy::unwrap_used, reason = "a test that cannot go on may panic")]

use std::collections::BTreeMap;
use std::time::Duration;

use settled::engine::decode::decode;
use settled::engine::profile::Profiles;
use settled::engine::reading::{Payload, Via};
use settled::units::quantity::STANDARD_ATMOSPHERE_PA;
use settled::virtual_unit::scenario::Scenario;
use settled::virtual_unit::simulation::{Simulation, Truth};

/// The truth at a field's place, and how far a probe there may be off (SI): its offset, noise of a
/// mean, and the clamp's effect.
fn truth_at(truth: &Truth, field: &str, place: &str) -> Option<(f64, f64)> {
    let gauge = |pa: f64| pa - STANDARD_ATMOSPHERE_PA;
    let kind = field.split('-').next().unwrap();
    Some(match (kind, place) {
        ("temperature", "return-air") => (truth.return_air.get(), 0.25),
        ("temperature", "supply-air") => (truth.supply_air.get(), 0.25),
        ("temperature", "outdoor-air") => (truth.outdoor_air.get(), 0.25),
        ("temperature", "condenser-leaving-air") => (truth.condenser_leaving_air.get(), 0.25),
        ("temperature", "suction-line") => (truth.suction_line.get(), 0.5),
        ("temperature", "liquid-line") => (truth.liquid_line.get(), 0.5),
        ("temperature", "discharge-line") => (truth.discharge_line.get(), 1.0),
        ("pressure", "suction-line") => (gauge(truth.suction_pressure.get()), 5_000.0),
        ("pressure", "liquid-line") => (gauge(truth.liquid_pressure.get()), 8_000.0),
        ("current", "outdoor-unit") => (truth.current.get(), 0.15),
        // Humidity needs moist air; it is only asked to be what air can have.
        ("humidity", _) => (0.5, 0.5),
        _ => return None,
    })
}

#[test]
fn every_payload_is_decoded_and_tells_the_truth_of_its_place() {
    let profiles = Profiles::shipped();
    let mut simulation = Simulation::new(&Scenario::default()).unwrap();
    let listings: Vec<_> = simulation.probes().cloned().collect();
    let mut sums: BTreeMap<(String, String), (f64, f64, f64)> = BTreeMap::new();
    let mut fields = Vec::new();
    let mut heard = 0;
    while let Some(emission) = simulation.next() {
        let via = Via::from(emission.carrier);
        let payload =
            Payload { probe: &emission.probe, via, bytes: &emission.bytes, rssi_dbm: None };
        let profile = profiles.get(profiles.match_payload(&payload, None).unwrap());
        decode(profile, via, &emission.bytes, &mut fields).unwrap();
        heard += 1;
        let Some(run) = simulation.runs().first() else { continue };
        let ran = emission.at.since(run.start);
        if !(Duration::from_mins(15)..Duration::from_mins(20)).contains(&ran) {
            continue;
        }
        let listing = listings.iter().find(|l| l.address == emission.probe).unwrap();
        let truth = simulation.truth().unwrap();
        for (name, place) in &listing.fields {
            let field = fields
                .iter()
                .find(|f| profile.fields()[usize::from(f.index)].numbered(f.repeat) == *name)
                .unwrap_or_else(|| panic!("{} lacks {name}", profile.name()));
            let said = field.value.number().unwrap();
            let (value, slack) = truth_at(&truth, name, place).unwrap();
            let sum = sums.entry(((*name).to_owned(), (*place).to_owned())).or_default();
            *sum = (sum.0 + said - value, sum.1 + 1.0, slack);
        }
    }
    assert!(heard > 30_000, "{heard}");
    assert_eq!(sums.len(), 12, "{sums:?}");
    for (what, (sum, count, slack)) in sums {
        assert!(count > 250.0, "{what:?} {count}");
        assert!((sum / count).abs() <= slack, "{what:?} is off by {}", sum / count);
    }
}
