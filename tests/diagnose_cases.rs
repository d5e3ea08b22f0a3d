//! Invented service cases, each with the verdict that the trade would expect, written before the
//! program was run on them. All names and numbers are made up for these tests.

#![expect(clippy::unwrap_used, reason = "a test that cannot go on may panic")]

use settled::engine::channel::Channel;
use settled::engine::diagnose::finding::{Diagnosis, Fault, Finding, Suspect};
use settled::engine::diagnose::{Context, diagnose};
use settled::engine::job::{Circuit, Job, Metering, Unit};
use settled::engine::reading::{SettledSet, SettledValue, Verdict};
use settled::physics::refrigerant::Refrigerant;
use settled::units::quantity::{Celsius, Kelvins, Quantity};
use settled::units::time::Elapsed;

fn job(metering: Metering) -> Job {
    let circuit = Circuit {
        refrigerant: Some("R-410A".to_owned()),
        metering: Some(metering),
        target_subcooling: (metering == Metering::Txv)
            .then(|| Kelvins::from_fahrenheit(10.0).unwrap()),
        ..Circuit::default()
    };
    Job { unit: Unit { circuits: vec![circuit], ..Unit::default() }, ..Job::default() }
}

/// Readings in °F: channels, and `low`/`high` as saturation temperatures to put on gauges.
fn set(refrigerant: &str, readings: &[(&str, f64)]) -> SettledSet {
    let refrigerant = Refrigerant::by_name(refrigerant).unwrap();
    let mut values = Vec::new();
    for (name, fahrenheit) in readings {
        let t = Celsius::from_fahrenheit(*fahrenheit).unwrap();
        let (channel, value, uncertainty) = match *name {
            "low" => ("suction-line.pressure", refrigerant.dew_pressure(t).unwrap().get(), 12e3),
            "high" => ("liquid-line.pressure", refrigerant.bubble_pressure(t).unwrap().get(), 24e3),
            "return-wet-bulb" => ("return-air.wet-bulb", t.get(), 0.4),
            name => (name, t.get(), 0.4),
        };
        let channel: Channel = if channel.contains('.') {
            channel.parse().unwrap()
        } else {
            format!("{channel}.temperature").parse().unwrap()
        };
        let quantity = Quantity::new(channel.kind, value).unwrap();
        values.push(SettledValue { channel, quantity, spread: 0.0, uncertainty, probe: None });
    }
    SettledSet {
        number: 0,
        cycle: None,
        from: Elapsed::ZERO,
        to: Elapsed::from_secs(300),
        run_s: None,
        values,
    }
}

fn run(metering: Metering, readings: &[(&str, f64)]) -> Diagnosis {
    run_job(&job(metering), readings)
}

fn run_job(job: &Job, readings: &[(&str, f64)]) -> Diagnosis {
    let refrigerant = job.unit.circuits[0].refrigerant.as_deref().unwrap();
    let diagnosis = diagnose(job, &set(refrigerant, readings), &Context::default());
    for finding in &diagnosis.findings {
        println!(
            "{:28} {:8.2?} ± {:5.2?} {:?} {:?} {}",
            finding.measure,
            finding.value,
            finding.uncertainty,
            finding.expected,
            finding.verdict,
            finding.basis
        );
    }
    for suspect in &diagnosis.suspects {
        println!("{suspect:#?}");
    }
    diagnosis
}

fn finding<'a>(diagnosis: &'a Diagnosis, name: &str) -> &'a Finding {
    diagnosis.findings.iter().find(|f| f.measure == name).unwrap_or_else(|| panic!("no {name}"))
}

fn first(diagnosis: &Diagnosis) -> &Suspect {
    &diagnosis.suspects[0]
}

/// Weather of most cases: 78 °F and 65 °F wet bulb inside, 90 °F outside. The charts then ask for
/// 11 °F of superheat (9 and 13 beside it) and a split of 19 °F.
const WEATHER: [(&str, f64); 3] =
    [("return-air", 78.0), ("return-wet-bulb", 65.0), ("outdoor-air", 90.0)];

fn with_weather(readings: &[(&'static str, f64)]) -> Vec<(&'static str, f64)> {
    WEATHER.iter().chain(readings).copied().collect()
}

/// A unit in good order: all within, nothing suspected.
#[test]
fn case_1_a_unit_in_good_order_is_let_alone() {
    let diagnosis = run(
        Metering::FixedOrifice,
        &with_weather(&[
            ("low", 46.0),
            ("suction-line", 57.0),
            ("high", 113.0),
            ("liquid-line", 104.0),
            ("discharge-line", 160.0),
            ("condenser-leaving-air", 109.0),
            ("supply-air", 59.0),
        ]),
    );
    assert_eq!(finding(&diagnosis, "superheat").verdict, Verdict::Within);
    assert_ne!(finding(&diagnosis, "evaporator_split").verdict, Verdict::Low);
    assert_eq!(first(&diagnosis).fault, Fault::None);
    assert!(first(&diagnosis).probability > 0.6);
}

/// Starved coil, hot suction line, little subcooling, cool condenser: low charge.
#[test]
fn case_2_low_charge_on_an_orifice() {
    let diagnosis = run(
        Metering::FixedOrifice,
        &with_weather(&[
            ("low", 34.0),
            ("suction-line", 66.0),
            ("high", 104.0),
            ("liquid-line", 101.0),
            ("discharge-line", 185.0),
            ("condenser-leaving-air", 104.0),
            ("supply-air", 65.0),
        ]),
    );
    assert_eq!(finding(&diagnosis, "superheat").verdict, Verdict::High);
    assert_eq!(first(&diagnosis).fault, Fault::LowCharge);
    // Refrigerant is never advised, even with gauges on.
    assert!(first(&diagnosis).check_next.iter().all(|s| !s.contains("add refrigerant")));
}

/// A filter full of dust: cold coil, little superheat, a split well over its target.
#[test]
fn case_3_low_indoor_airflow_on_an_orifice() {
    let diagnosis = run(
        Metering::FixedOrifice,
        &with_weather(&[
            ("low", 41.0),
            ("suction-line", 45.0),
            ("high", 111.0),
            ("liquid-line", 102.0),
            ("discharge-line", 143.0),
            ("condenser-leaving-air", 107.0),
            ("supply-air", 52.0),
        ]),
    );
    assert_eq!(finding(&diagnosis, "evaporator_split").verdict, Verdict::High);
    assert_eq!(first(&diagnosis).fault, Fault::LowIndoorAirflow);
    assert!(first(&diagnosis).check_next[0].contains("filter"));
}

/// Cottonwood on the outdoor coil: high head, the air through it very warm.
#[test]
fn case_4_a_fouled_condenser_on_a_valve() {
    let diagnosis = run(
        Metering::Txv,
        &with_weather(&[
            ("low", 48.0),
            ("suction-line", 60.0),
            ("high", 130.0),
            ("liquid-line", 119.0),
            ("discharge-line", 185.0),
            ("condenser-leaving-air", 122.0),
            ("supply-air", 60.0),
        ]),
    );
    assert_eq!(finding(&diagnosis, "condensing_over_outdoor").verdict, Verdict::High);
    assert_eq!(finding(&diagnosis, "subcooling").verdict, Verdict::CannotTell);
    assert_eq!(first(&diagnosis).fault, Fault::CondenserFouling);
}

/// Liquid stacked in the condenser: subcooling far over the nameplate's.
#[test]
fn case_5_over_charge_on_a_valve() {
    let diagnosis = run(
        Metering::Txv,
        &with_weather(&[
            ("low", 47.0),
            ("suction-line", 57.0),
            ("high", 121.0),
            ("liquid-line", 97.0),
            ("discharge-line", 176.0),
            ("condenser-leaving-air", 109.0),
            ("supply-air", 59.0),
        ]),
    );
    assert_eq!(finding(&diagnosis, "subcooling").verdict, Verdict::High);
    assert_eq!(first(&diagnosis).fault, Fault::OverCharge);
}

/// No subcooling on a valve that still holds its superheat: low charge.
#[test]
fn case_6_low_charge_on_a_valve() {
    let diagnosis = run(
        Metering::Txv,
        &with_weather(&[
            ("low", 45.0),
            ("suction-line", 57.0),
            ("high", 107.0),
            ("liquid-line", 106.0),
            ("discharge-line", 160.0),
            ("condenser-leaving-air", 107.0),
            ("supply-air", 60.0),
        ]),
    );
    assert_eq!(finding(&diagnosis, "subcooling").verdict, Verdict::Low);
    assert_eq!(first(&diagnosis).fault, Fault::LowCharge);
}

/// A drier that is cold at its outlet: low suction, high superheat, subcooling kept.
#[test]
fn case_7_a_plugged_drier() {
    let diagnosis = run(
        Metering::FixedOrifice,
        &with_weather(&[
            ("low", 33.0),
            ("suction-line", 66.0),
            ("high", 110.0),
            ("liquid-line", 98.0),
            ("liquid-line-indoor", 84.0),
            ("discharge-line", 190.0),
            ("condenser-leaving-air", 106.0),
            ("supply-air", 65.0),
        ]),
    );
    assert_eq!(finding(&diagnosis, "liquid_line_drop").verdict, Verdict::High);
    assert_eq!(first(&diagnosis).fault, Fault::LiquidLineRestriction);
}

/// Clamps and air only, a starved coil: low charge and a restriction look alike, and the trade
/// would not add refrigerant without gauges.
#[test]
fn case_8_a_starved_coil_without_gauges() {
    let diagnosis = run(
        Metering::FixedOrifice,
        &with_weather(&[
            ("suction-line", 67.0),
            ("liquid-line", 100.0),
            ("discharge-line", 188.0),
            ("condenser-leaving-air", 106.0),
            ("supply-air", 65.0),
        ]),
    );
    let named: Vec<_> = diagnosis.suspects.iter().take(3).map(|s| s.fault).collect();
    assert!(named.contains(&Fault::LowCharge), "{named:?}");
    assert!(named.contains(&Fault::LiquidLineRestriction), "{named:?}");
    let low_charge = diagnosis.suspects.iter().find(|s| s.fault == Fault::LowCharge).unwrap();
    assert!(low_charge.cannot_tell_from.contains(&Fault::LiquidLineRestriction));
    let advice = low_charge.check_next.join("\n");
    assert!(advice.contains("line temperatures alone do not justify"), "{advice}");
    assert!(advice.contains("one more probe"), "{advice}");
}

/// A valve on R-22 whose nameplate asks for 10 °F of subcooling.
fn r22_valve() -> Job {
    let mut job = job(Metering::Txv);
    job.unit.circuits[0].refrigerant = Some("R-22".to_owned());
    job
}

/// 22 °F of subcooling where the nameplate asks for 10: the trade says too much refrigerant, and
/// in no case that nothing is wrong.
#[test]
fn case_9_subcooling_far_over_the_nameplate_on_r22() {
    let diagnosis = run_job(
        &r22_valve(),
        &with_weather(&[
            ("low", 43.0),
            ("suction-line", 54.0),
            ("high", 119.0),
            ("liquid-line", 97.0),
            ("discharge-line", 185.0),
            ("condenser-leaving-air", 108.0),
            ("supply-air", 59.0),
        ]),
    );
    assert_eq!(finding(&diagnosis, "subcooling").verdict, Verdict::High);
    assert_ne!(first(&diagnosis).fault, Fault::None);
    let named: Vec<_> = diagnosis.suspects.iter().take(3).map(|s| s.fault).collect();
    assert!(named.contains(&Fault::OverCharge), "{named:?}");
}

/// A third of the charge gone: no subcooling, a starved and hot suction line, a hot discharge, air
/// that is hardly cooled. Low charge, with no doubt.
#[test]
fn case_10_severe_low_charge_on_r22() {
    let diagnosis = run_job(
        &r22_valve(),
        &with_weather(&[
            ("low", 24.0),
            ("suction-line", 68.0),
            ("high", 98.0),
            ("liquid-line", 97.0),
            ("discharge-line", 215.0),
            ("condenser-leaving-air", 99.0),
            ("supply-air", 68.0),
        ]),
    );
    assert_eq!(finding(&diagnosis, "subcooling").verdict, Verdict::Low);
    assert_eq!(first(&diagnosis).fault, Fault::LowCharge);
}
