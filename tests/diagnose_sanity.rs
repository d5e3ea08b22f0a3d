//! Readings that cannot be, and units that the expectations do not hold for: found, named, and
//! nothing that rests on them judged. All numbers are invented.

#![expect(clippy::unwrap_used, reason = "a test that cannot go on may panic")]

use settled::engine::channel::Channel;
use settled::engine::columns::Units;
use settled::engine::diagnose::finding::{Diagnosis, Fault};
use settled::engine::diagnose::{Context, diagnose};
use settled::engine::job::{Circuit, Job, Metering, Mode, Unit};
use settled::engine::reading::{SettledSet, SettledValue, Verdict};
use settled::physics::refrigerant::Refrigerant;
use settled::units::quantity::{Celsius, Kelvins, Pascals, Quantity};
use settled::units::time::Elapsed;

fn circuit() -> Circuit {
    Circuit {
        refrigerant: Some("R-410A".to_owned()),
        metering: Some(Metering::FixedOrifice),
        ..Circuit::default()
    }
}

fn job() -> Job {
    Job { unit: Unit { circuits: vec![circuit()], ..Unit::default() }, ..Job::default() }
}

/// Absolute pressure of R-410A (Pa) at a dew (low) or bubble (high) temperature (°C).
fn low(t: f64) -> f64 {
    let r = Refrigerant::by_name("R-410A").unwrap();
    r.dew_pressure(Celsius::new(t).unwrap()).unwrap().get()
}

fn high(t: f64) -> f64 {
    let r = Refrigerant::by_name("R-410A").unwrap();
    r.bubble_pressure(Celsius::new(t).unwrap()).unwrap().get()
}

/// A unit in good order, in SI.
fn good() -> Vec<(&'static str, f64)> {
    vec![
        ("return-air.temperature", 25.6),
        ("return-air.wet-bulb", 18.3),
        ("supply-air.temperature", 15.0),
        ("outdoor-air.temperature", 32.2),
        ("condenser-leaving-air.temperature", 42.8),
        ("suction-line.temperature", 14.0),
        ("liquid-line.temperature", 40.0),
        ("discharge-line.temperature", 71.0),
        ("suction-line.pressure", low(7.8)),
        ("liquid-line.pressure", high(45.0)),
    ]
}

fn set(readings: &[(&'static str, f64)]) -> SettledSet {
    let values = readings.iter().map(|(name, value)| {
        let channel: Channel = name.parse().unwrap();
        let uncertainty = if name.ends_with("pressure") { 14e3 } else { 0.3 };
        let quantity = Quantity::new(channel.kind, *value).unwrap();
        SettledValue { channel, quantity, spread: 0.0, uncertainty, probe: None }
    });
    SettledSet {
        number: 1,
        cycle: Some(1),
        from: Elapsed::ZERO,
        to: Elapsed::from_secs(300),
        run_s: Some(1_800.0),
        values: values.collect(),
    }
}

/// The good unit with some readings changed or added.
fn changed(changes: &[(&'static str, f64)]) -> Vec<(&'static str, f64)> {
    let mut readings = good();
    for (name, value) in changes {
        readings.retain(|(other, _)| other != name);
        readings.push((name, *value));
    }
    readings
}

fn has(diagnosis: &Diagnosis, name: &str) -> bool {
    diagnosis.findings.iter().any(|finding| finding.measure == name)
}

fn withheld(diagnosis: &Diagnosis, measure: &str) -> bool {
    let found = diagnosis.findings.iter().find(|f| f.measure == measure).unwrap();
    found.value.is_none() && found.basis.contains("withheld")
}

/// These changes lead to this doubt, and to these measures being withheld.
fn check(changes: &[(&'static str, f64)], doubt: &str, measures: &[&str]) {
    let diagnosis = diagnose(&job(), &set(&changed(changes)), &Context::default());
    let names: Vec<_> = diagnosis.findings.iter().map(|f| f.measure.as_str()).collect();
    assert_eq!(names[0], doubt, "a doubt comes first: {names:?}");
    for measure in measures {
        assert!(withheld(&diagnosis, measure), "{measure} after {doubt}");
    }
}

#[test]
fn a_set_in_good_order_raises_no_doubt() {
    let diagnosis = diagnose(&job(), &set(&good()), &Context::default());
    let first = &diagnosis.findings[0];
    assert!(["airflow_unknown", "evaporator_split"].contains(&first.measure.as_str()), "{first:?}");
    assert!(!diagnosis.suspects.is_empty());
    assert!(diagnosis.findings.iter().all(|f| !f.basis.contains("withheld")));
}

#[test]
fn swapped_probes_are_found() {
    check(
        &[("return-air.temperature", 15.0), ("supply-air.temperature", 25.6)],
        "probes_swapped",
        &["evaporator_split"],
    );
    check(
        &[("outdoor-air.temperature", 42.8), ("condenser-leaving-air.temperature", 32.2)],
        "probes_swapped",
        &["condenser_split", "condensing_over_outdoor"],
    );
    check(
        &[("suction-line.temperature", 40.0), ("liquid-line.temperature", 14.0)],
        "probes_swapped",
        &["superheat", "subcooling", "approach"],
    );
    check(
        &[("suction-line.temperature", 71.0), ("discharge-line.temperature", 14.0)],
        "probes_swapped",
        &["superheat"],
    );
}

#[test]
fn a_clamp_off_its_pipe_is_found() {
    check(&[("suction-line.temperature", 33.0)], "clamp_off_pipe", &["superheat"]);
    check(&[("suction-line.temperature", 38.0)], "clamp_in_the_sun", &["superheat"]);
    check(
        &[("discharge-line.temperature", 37.0)],
        "discharge_too_cool",
        &["discharge_temperature", "discharge_superheat"],
    );
    check(
        &[("liquid-line.temperature", 28.0)],
        "liquid_colder_than_outdoor_air",
        &["approach", "subcooling"],
    );
}

/// R-134a in good order, in SI: a low-pressure refrigerant, on which an atmosphere moves saturation
/// by 7 K and an altitude by a few.
fn r134a(changes: &[(&'static str, f64)]) -> (Job, Vec<(&'static str, f64)>) {
    let at = |t: f64| {
        let r = Refrigerant::by_name("R-134a").unwrap();
        r.dew_pressure(Celsius::new(t).unwrap()).unwrap().get()
    };
    let mut job = job();
    job.unit.circuits[0].refrigerant = Some("R-134a".to_owned());
    let mut readings = changed(&[
        ("suction-line.pressure", at(7.8)),
        ("liquid-line.pressure", at(45.0)),
        ("indoor-coil.temperature", 8.0),
        ("outdoor-coil.temperature", 44.8),
    ]);
    for (name, value) in changes {
        readings.retain(|(other, _)| other != name);
        // A change of a pressure is added to the right one.
        let right = match *name {
            "suction-line.pressure" => at(7.8),
            "liquid-line.pressure" => at(45.0),
            _ => 0.0,
        };
        readings.push((name, right + value));
    }
    (job, readings)
}

/// These readings of R-134a lead to this doubt.
fn check_r134a(changes: &[(&'static str, f64)], doubt: &str, measures: &[&str]) {
    let (job, readings) = r134a(changes);
    let diagnosis = diagnose(&job, &set(&readings), &Context::default());
    assert_eq!(diagnosis.findings[0].measure, doubt, "{:?}", diagnosis.findings[0]);
    for measure in measures {
        assert!(withheld(&diagnosis, measure), "{measure} after {doubt}");
    }
}

#[test]
fn gauge_taken_for_absolute_is_found_by_the_clamp_on_the_coil() {
    const ATM: f64 = 101_325.0;
    let (job, readings) = r134a(&[]);
    let right = diagnose(&job, &set(&readings), &Context::default());
    assert!(right.findings.iter().all(|f| !f.basis.contains("withheld")), "{right:?}");
    let both = [("suction-line.pressure", -ATM), ("liquid-line.pressure", -ATM)];
    check_r134a(&both, "gauge_or_absolute", &["superheat", "subcooling"]);
    let both = [("suction-line.pressure", ATM), ("liquid-line.pressure", ATM)];
    check_r134a(&both, "gauge_or_absolute", &["superheat", "subcooling"]);
    // One probe of the two: what the other says stands.
    let (job, readings) = r134a(&both[..1]);
    let one = diagnose(&job, &set(&readings), &Context::default());
    assert_eq!(one.findings[0].measure, "gauge_or_absolute");
    assert!(withheld(&one, "superheat") && !withheld(&one, "subcooling"));
}

#[test]
fn gauge_taken_for_absolute_is_found_without_the_clamp_where_it_makes_nonsense() {
    // With an atmosphere too much R-134a would boil at 14.7 °C: colder than its suction line.
    let (job, mut readings) =
        r134a(&[("suction-line.pressure", 101_325.0), ("suction-line.temperature", 10.0)]);
    readings.retain(|(name, _)| !name.contains("coil"));
    let diagnosis = diagnose(&job, &set(&readings), &Context::default());
    let first = &diagnosis.findings[0];
    assert!(first.basis.contains("gauge and absolute pressure are mixed up"), "{first:?}");
    assert!(withheld(&diagnosis, "superheat"));
}

/// Where nothing at hand can show it, the measure itself says by how much it would be wrong.
#[test]
fn where_gauge_and_altitude_cannot_be_checked_that_is_said() {
    let basis = |readings: &[(&'static str, f64)]| {
        let diagnosis = diagnose(&job(), &set(readings), &Context::default());
        let is = |f: &&settled::engine::diagnose::finding::Finding| {
            f.measure == "evaporating_temperature"
        };
        diagnosis.findings.iter().find(is).unwrap().basis.clone()
    };
    let unseen = basis(&good());
    assert!(unseen.contains("nothing at hand shows"), "{unseen}");
    let seen = basis(&changed(&[("indoor-coil.temperature", 8.0)]));
    assert!(!seen.contains("nothing at hand shows"), "{seen}");
}

#[test]
fn a_wrong_altitude_is_found_where_the_data_can_show_it() {
    // The job says sea level; at 6,000 ft the air is 20 kPa lighter, and so is every absolute
    // pressure made from a gauge. On R-134a that is 1.6 K, within the clamp's errors: not seen.
    let (job, readings) = r134a(&[("suction-line.pressure", 20e3), ("liquid-line.pressure", 20e3)]);
    let unseen = diagnose(&job, &set(&readings), &Context::default());
    assert!(!has(&unseen, "wrong_altitude"));
    // R-600a boils at 0.18 MPa: 36 kPa too much are 5.6 K.
    let r600a = Refrigerant::by_name("R-600a").unwrap();
    let at = |t: f64| r600a.dew_pressure(Celsius::new(t).unwrap()).unwrap().get();
    let mut job = job;
    job.unit.circuits[0].refrigerant = Some("R-600a".to_owned());
    let readings = changed(&[
        ("suction-line.pressure", at(5.0) + 36e3),
        ("liquid-line.pressure", at(45.0) + 36e3),
        ("indoor-coil.temperature", 5.0),
        ("outdoor-coil.temperature", 45.0),
    ]);
    let diagnosis = diagnose(&job, &set(&readings), &Context::default());
    assert_eq!(diagnosis.findings[0].measure, "wrong_altitude", "{:?}", diagnosis.findings[0]);
    assert!(withheld(&diagnosis, "superheat") && withheld(&diagnosis, "subcooling"));

    // A barometer that no place has is the job's own mistake, whatever the readings.
    job.barometer = Pascals::new(40e3).unwrap();
    let diagnosis = diagnose(&job, &set(&good()), &Context::default());
    assert_eq!(diagnosis.findings[0].measure, "wrong_altitude");
    assert!(withheld(&diagnosis, "superheat") && !withheld(&diagnosis, "evaporator_split"));
}

#[test]
fn a_gauge_that_is_not_connected_is_found() {
    check(&[("suction-line.pressure", 102e3)], "gauge_at_atmosphere", &["pressure_ratio"]);
    // A gauge probe declared absolute, open to the air: nothing has that saturation.
    check(&[("liquid-line.pressure", 1e3)], "gauge_or_absolute", &[]);
}

#[test]
fn a_wrong_refrigerant_is_found() {
    // R-22 boils at 7.8 °C under 0.62 MPa; read as R-410A that is −5 °C.
    check(
        &[("suction-line.pressure", 622e3), ("indoor-coil.temperature", 7.8)],
        "wrong_refrigerant",
        &["superheat", "subcooling"],
    );
    check(&[("liquid-line.pressure", high(28.0))], "saturation_impossible", &["subcooling"]);
    check(&[("suction-line.pressure", low(19.0))], "saturation_impossible", &["superheat"]);
}

/// A pressure above what the coil's clamp says is how air in the refrigerant shows: it is named,
/// and no finding is lost by it.
#[test]
fn a_high_pressure_over_the_coils_clamp_is_no_error() {
    let gas = changed(&[("liquid-line.pressure", high(51.0)), ("outdoor-coil.temperature", 45.0)]);
    let diagnosis = diagnose(&job(), &set(&gas), &Context::default());
    assert_eq!(diagnosis.findings[0].measure, "pressure_over_coil_clamp");
    assert!(diagnosis.findings[0].basis.contains("air or nitrogen"));
    assert!(!withheld(&diagnosis, "subcooling"));
}

#[test]
fn a_unit_that_rests_or_heats_is_not_judged() {
    for changes in [
        vec![("outdoor-unit.current", 0.1)],
        vec![("suction-line.pressure", high(31.0)), ("liquid-line.pressure", high(32.0))],
        vec![("discharge-line.temperature", 15.0), ("supply-air.temperature", 25.0)],
    ] {
        let diagnosis = diagnose(&job(), &set(&changed(&changes)), &Context::default());
        assert_eq!(diagnosis.findings[0].measure, "compressor_not_running");
        assert!(diagnosis.suspects.is_empty());
        assert!(withheld(&diagnosis, "evaporator_split"));
    }
    let warm = [("supply-air.temperature", 40.0), ("suction-line.temperature", 30.0)];
    let diagnosis = diagnose(&job(), &set(&changed(&warm)), &Context::default());
    assert_eq!(diagnosis.findings[0].measure, "heating_while_cooling");
    assert!(diagnosis.suspects.is_empty());
}

#[test]
fn heating_is_measured_with_the_coils_changed_and_not_judged() {
    let readings = [
        ("return-air.temperature", 20.0),
        ("supply-air.temperature", 35.0),
        ("outdoor-air.temperature", 5.0),
        ("condenser-leaving-air.temperature", 1.0),
        ("suction-line.temperature", 3.0),
        ("liquid-line-indoor.temperature", 28.0),
        ("vapor-line.temperature", 60.0),
        ("suction-line.pressure", low(-3.0)),
        ("liquid-line.pressure", high(38.0)),
    ];
    for mode in [Mode::Heating, Mode::Auto] {
        let job = Job { mode, ..job() };
        let diagnosis = diagnose(&job, &set(&readings), &Context::default());
        let value = |name: &str| {
            diagnosis.findings.iter().find(|f| f.measure == name).and_then(|f| f.value).unwrap()
        };
        assert!(has(&diagnosis, "heating"));
        assert!((value("condenser_split") - 15.0).abs() < 1e-9);
        assert!((value("evaporator_split") - 4.0).abs() < 1e-9);
        assert!((value("superheat") - 6.0).abs() < 0.05);
        assert!((value("subcooling") - 10.0).abs() < 0.05);
        assert!(diagnosis.suspects.is_empty(), "silence where no source exists");
    }
}

#[test]
fn a_variable_speed_unit_is_compared_with_itself_only() {
    let mut job = job();
    job.unit.variable_speed = true;
    let alone = diagnose(&job, &set(&good()), &Context::default());
    assert!(has(&alone, "variable_speed"));
    assert!(alone.suspects.is_empty());
    let split = alone.findings.iter().find(|f| f.measure == "evaporator_split").unwrap();
    assert_eq!((split.expected, split.verdict), (None, Verdict::None));

    let baseline = set(&good());
    let context = Context { baseline: Some(&baseline), ..Context::default() };
    let beside = diagnose(&job, &set(&good()), &context);
    assert_eq!(beside.suspects[0].fault, Fault::None);
    let split = beside.findings.iter().find(|f| f.measure == "evaporator_split").unwrap();
    assert_eq!(split.verdict, Verdict::Within);
}

#[test]
fn cold_weather_a_short_run_and_an_open_damper_come_first() {
    let mut cold = set(&changed(&[
        ("outdoor-air.temperature", 10.0),
        ("condenser-leaving-air.temperature", 19.0),
        ("liquid-line.temperature", 18.0),
        ("liquid-line.pressure", high(24.0)),
        ("discharge-line.temperature", 50.0),
    ]));
    cold.run_s = Some(400.0);
    let mut job = job();
    job.unit.economizer = true;
    let diagnosis = diagnose(&job, &cold, &Context::default());
    for name in ["run_too_short", "outdoor_too_cool", "outdoor_air_damper"] {
        assert!(has(&diagnosis, name), "{name}");
    }
    assert!(diagnosis.suspects.is_empty(), "no charge test holds under 55 °F");
    let superheat = diagnosis.findings.iter().find(|f| f.measure == "superheat").unwrap();
    assert_eq!(superheat.verdict, Verdict::None);
    let first = diagnosis.findings.iter().position(|f| f.interval_95.is_some()).unwrap();
    assert!(first >= 3, "conditions stand before measures");
}

#[test]
fn a_dash_in_the_charts_is_refused_with_its_reason() {
    let hot = changed(&[
        ("return-air.wet-bulb", 13.0),
        ("outdoor-air.temperature", 38.0),
        ("condenser-leaving-air.temperature", 48.0),
        ("liquid-line.temperature", 45.0),
        ("liquid-line.pressure", high(51.0)),
    ]);
    let diagnosis = diagnose(&job(), &set(&hot), &Context::default());
    let refused = diagnosis.findings.iter().find(|f| f.measure == "superheat_target_refused");
    assert!(refused.unwrap().basis.contains("dash"));
    let superheat = diagnosis.findings.iter().find(|f| f.measure == "superheat").unwrap();
    assert_eq!((superheat.expected, superheat.verdict), (None, Verdict::None));
}

#[test]
fn each_circuit_has_findings_of_its_own() {
    let mut job = job();
    job.unit.circuits = vec![
        circuit(),
        Circuit {
            metering: Some(Metering::Txv),
            target_subcooling: Kelvins::new(5.6),
            ..circuit()
        },
    ];
    let mut readings = good();
    readings.extend([
        ("suction-line@2.temperature", 13.0),
        ("liquid-line@2.temperature", 44.0),
        ("discharge-line@2.temperature", 72.0),
        ("suction-line@2.pressure", low(6.5)),
        ("liquid-line@2.pressure", high(44.5)),
    ]);
    let diagnosis = diagnose(&job, &set(&readings), &Context::default());
    let subcooling = |circuit| {
        let found =
            diagnosis.findings.iter().find(|f| f.measure == "subcooling" && f.circuit == circuit);
        found.unwrap()
    };
    assert!((subcooling(1).value.unwrap() - 5.0).abs() < 0.05);
    assert_eq!(subcooling(1).verdict, Verdict::None, "no target on a fixed orifice");
    assert!((subcooling(2).value.unwrap() - 0.5).abs() < 0.05);
    assert_eq!(subcooling(2).verdict, Verdict::Low);
    let first = |circuit| diagnosis.suspects.iter().find(|s| s.circuit == circuit).unwrap().fault;
    assert_eq!(first(1), Fault::None);
    assert_eq!(first(2), Fault::LowCharge);
}

#[test]
fn what_a_note_names_counts_as_looked_at() {
    let dusty = changed(&[
        ("supply-air.temperature", 10.5),
        ("suction-line.temperature", 6.0),
        ("suction-line.pressure", low(4.5)),
        ("discharge-line.temperature", 61.0),
    ]);
    let next = |notes: &[String]| {
        let context = Context { notes, ..Context::default() };
        let diagnosis = diagnose(&job(), &set(&dusty), &context);
        assert_eq!(diagnosis.suspects[0].fault, Fault::LowIndoorAirflow);
        diagnosis.suspects[0].check_next.join("\n")
    };
    assert!(next(&[]).contains("right size? (not checked)"));
    let notes = ["Filter is new.".to_owned()];
    assert!(next(&notes).contains("right size? (noted)"));
}

/// All that a diagnosis says to people, the sources of what is expected aside.
fn texts(diagnosis: &Diagnosis) -> Vec<String> {
    let bases = diagnosis.findings.iter().map(|finding| finding.basis.clone());
    let suspects = diagnosis.suspects.iter();
    bases.chain(suspects.flat_map(|s| s.evidence.iter().chain(&s.check_next)).cloned()).collect()
}

#[test]
fn all_texts_are_in_the_units_of_the_job() {
    let bent = [
        changed(&[("liquid-line.pressure", high(36.0)), ("suction-line.temperature", 22.0)]),
        changed(&[("liquid-line.temperature", 39.0), ("liquid-line-indoor.temperature", 33.0)]),
        changed(&[("outdoor-air.temperature", 16.0), ("return-air.temperature", 19.0)]),
        changed(&[("outdoor-air.temperature", 8.0)]),
        changed(&[("return-air.wet-bulb", 11.0)]),
        changed(&[("indoor-coil.temperature", 20.0)]),
        changed(&[("indoor-coil.temperature", 7.8), ("outdoor-coil.temperature", 38.0)]),
        changed(&[("suction-line.pressure", low(7.8) + 30e3), ("indoor-coil.temperature", 2.0)]),
        changed(&[("outdoor-unit.current", 0.2)]),
    ];
    let nowhere = Pascals::new(125e3).unwrap();
    let mut said = [String::new(), String::new()];
    for (units, said) in [Units::Us, Units::Si].into_iter().zip(&mut said) {
        for barometer in [Job::default().barometer, nowhere] {
            for readings in &bent {
                let job = Job { units, barometer, ..job() };
                let texts = texts(&diagnose(&job, &set(readings), &Context::default()));
                said.push_str(&texts.join("\n"));
                said.push('\n');
            }
        }
    }
    // A unit is what stands behind a number.
    let has = |said: &str, unit: &str| {
        said.match_indices(unit).any(|(at, _)| {
            let before = said[..at].ends_with(|c: char| c.is_ascii_digit());
            before && !said[at + unit.len()..].starts_with(char::is_alphanumeric)
        })
    };
    let [us, si] = &said;
    for (mine, other) in [("°F", "°C"), ("°F", "K"), ("psia", "kPa abs"), ("ft", "m")] {
        let (mine, other) = (format!(" {mine}"), format!(" {other}"));
        assert!(has(us, &mine) && !has(us, &other), "us, {mine} and {other}:\n{us}");
        assert!(has(si, &other) && !has(si, &mine), "si, {mine} and {other}:\n{si}");
    }
}
