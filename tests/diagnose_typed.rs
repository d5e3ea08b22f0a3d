//! Invented service calls as a technician would type them, by the built program: gauges, clamps, wet
//! bulbs, or superheat and subcooling from a meter. Beside each stands what the trade would say,
//! written down first. All numbers are made up for these tests.

#![expect(clippy::unwrap_used, reason = "a test that cannot go on may panic")]

use std::fs;
use std::process::Command;

use serde_json::Value;

/// What the trade would say.
#[derive(Clone, Copy)]
enum Trade {
    /// Nothing is wrong.
    Good,
    /// This, and nothing else.
    Is(&'static str),
    /// One of these, which such readings do not tell apart, or at the least among what is named.
    Among(&'static [&'static str]),
}

use Trade::{Among, Good, Is};

/// A service call: refrigerant, metering, the trade's verdict, readings.
type Call = (&'static str, &'static str, Trade, &'static str);

const LOW: &str = "low_charge";
const OVER: &str = "over_charge";
const AIR: &str = "low_indoor_airflow";
const DIRT: &str = "condenser_fouling";
const NARROW: &str = "liquid_line_restriction";
const VALVES: &str = "compressor_valve_leakage";
const GAS: &str = "non_condensables";

const ORIFICE: &str = "fixed-orifice";
const VALVE: &str = "txv";

const CALLS: [Call; 30] = [
    // An orifice on R-410A.
    (
        "R-410A",
        ORIFICE,
        Good,
        "return-air=76F return-air.wet-bulb=64F outdoor-air=90F suction-line=130psig suction-line=55F \
      liquid-line=365psig liquid-line=102F supply-air=57F",
    ),
    // Starved: little pressure on both sides, much superheat, hardly any subcooling.
    (
        "R-410A",
        ORIFICE,
        Is(LOW),
        "return-air=75F return-air.wet-bulb=63F outdoor-air=95F suction-line=100psig suction-line=65F \
      liquid-line=310psig liquid-line=96F supply-air=62F",
    ),
    (
        "R-410A",
        ORIFICE,
        Is(LOW),
        "return-air=80F return-air.wet-bulb=67F outdoor-air=95F suction-line=78psig suction-line=76F \
      liquid-line=285psig liquid-line=95F supply-air=69F",
    ),
    // Flooded: no superheat, much subcooling, high head.
    (
        "R-410A",
        ORIFICE,
        Among(&[OVER, GAS]),
        "return-air=76F return-air.wet-bulb=64F outdoor-air=90F suction-line=150psig suction-line=53F \
      liquid-line=425psig liquid-line=103F supply-air=58F",
    ),
    // Hot air off the condenser, high head, subcooling as ever.
    (
        "R-410A",
        ORIFICE,
        Is(DIRT),
        "return-air=76F return-air.wet-bulb=64F outdoor-air=90F suction-line=148psig suction-line=54F \
      liquid-line=470psig liquid-line=124F supply-air=59F condenser-leaving-air=121F",
    ),
    // A wide split, a cold suction line.
    (
        "R-410A",
        ORIFICE,
        Is(AIR),
        "return-air=74F return-air.wet-bulb=62F outdoor-air=85F suction-line=93psig suction-line=32F \
      liquid-line=285psig liquid-line=88F supply-air=46F",
    ),
    // A drier that is cold behind.
    (
        "R-410A",
        ORIFICE,
        Is(NARROW),
        "return-air=76F return-air.wet-bulb=63F outdoor-air=88F suction-line=75psig suction-line=66F \
      liquid-line=300psig liquid-line=86F liquid-line-indoor=65F supply-air=68F",
    ),
    // Starved, with liquid stacked in the condenser.
    (
        "R-410A",
        ORIFICE,
        Is(NARROW),
        "return-air=76F return-air.wet-bulb=63F outdoor-air=86F suction-line=75psig suction-line=66F \
      liquid-line=340psig liquid-line=88F supply-air=68F",
    ),
    // High head and subcooling by the gauge, air off the condenser as ever.
    (
        "R-410A",
        ORIFICE,
        Among(&[GAS, OVER]),
        "return-air=76F return-air.wet-bulb=64F outdoor-air=88F suction-line=135psig suction-line=58F \
      liquid-line=440psig liquid-line=98F supply-air=58F condenser-leaving-air=106F",
    ),
    // Both sides come together, little is cooled.
    (
        "R-410A",
        ORIFICE,
        Is(VALVES),
        "return-air=78F return-air.wet-bulb=66F outdoor-air=90F suction-line=175psig suction-line=68F \
      liquid-line=290psig liquid-line=93F supply-air=70F condenser-leaving-air=95F \
      discharge-line=135F",
    ),
    // A valve on R-410A, 10 °F of subcooling on the nameplate.
    (
        "R-410A",
        VALVE,
        Good,
        "return-air=75F return-air.wet-bulb=63F outdoor-air=95F suction-line=122psig suction-line=54F \
      liquid-line=390psig liquid-line=106F supply-air=56F",
    ),
    (
        "R-410A",
        VALVE,
        Is(LOW),
        "return-air=76F return-air.wet-bulb=63F outdoor-air=95F suction-line=112psig suction-line=52F \
      liquid-line=330psig liquid-line=103F supply-air=60F",
    ),
    (
        "R-410A",
        VALVE,
        Is(LOW),
        "return-air=78F return-air.wet-bulb=65F outdoor-air=90F suction-line=85psig suction-line=66F \
      liquid-line=270psig liquid-line=91F supply-air=66F",
    ),
    (
        "R-410A",
        VALVE,
        Is(OVER),
        "return-air=75F return-air.wet-bulb=63F outdoor-air=92F suction-line=125psig suction-line=53F \
      liquid-line=430psig liquid-line=100F supply-air=57F",
    ),
    (
        "R-410A",
        VALVE,
        Is(DIRT),
        "return-air=75F return-air.wet-bulb=63F outdoor-air=95F suction-line=135psig suction-line=57F \
      liquid-line=490psig liquid-line=126F supply-air=58F",
    ),
    (
        "R-410A",
        VALVE,
        Is(AIR),
        "return-air=74F return-air.wet-bulb=62F outdoor-air=85F suction-line=95psig suction-line=42F \
      liquid-line=290psig liquid-line=87F supply-air=47F",
    ),
    // Starved although the liquid is well subcooled: a valve nearly shut, or a plugged drier.
    (
        "R-410A",
        VALVE,
        Among(&[NARROW]),
        "return-air=78F return-air.wet-bulb=65F outdoor-air=85F suction-line=70psig suction-line=65F \
      liquid-line=300psig liquid-line=87F supply-air=68F",
    ),
    (
        "R-410A",
        VALVE,
        Among(&[GAS, OVER]),
        "return-air=75F return-air.wet-bulb=63F outdoor-air=85F suction-line=125psig suction-line=55F \
      liquid-line=420psig liquid-line=96F supply-air=57F condenser-leaving-air=101F",
    ),
    (
        "R-410A",
        VALVE,
        Is(VALVES),
        "return-air=80F return-air.wet-bulb=67F outdoor-air=90F suction-line=185psig suction-line=72F \
      liquid-line=280psig liquid-line=91F supply-air=72F discharge-line=130F",
    ),
    // R-22, as in older units.
    (
        "R-22",
        ORIFICE,
        Good,
        "return-air=75F return-air.wet-bulb=63F outdoor-air=95F suction-line=69psig suction-line=46F \
      liquid-line=250psig liquid-line=107F supply-air=57F",
    ),
    (
        "R-22",
        ORIFICE,
        Is(LOW),
        "return-air=75F return-air.wet-bulb=63F outdoor-air=95F suction-line=52psig suction-line=62F \
      liquid-line=185psig liquid-line=94F supply-air=63F",
    ),
    (
        "R-22",
        ORIFICE,
        Among(&[OVER, GAS]),
        "return-air=75F return-air.wet-bulb=63F outdoor-air=95F suction-line=82psig suction-line=49F \
      liquid-line=300psig liquid-line=108F supply-air=60F",
    ),
    (
        "R-22",
        ORIFICE,
        Is(AIR),
        "return-air=75F return-air.wet-bulb=63F outdoor-air=85F suction-line=52psig suction-line=31F \
      liquid-line=195psig liquid-line=92F supply-air=47F",
    ),
    (
        "R-22",
        VALVE,
        Is(VALVES),
        "return-air=80F return-air.wet-bulb=67F outdoor-air=90F suction-line=98psig suction-line=66F \
      liquid-line=165psig liquid-line=86F supply-air=71F",
    ),
    (
        "R-22",
        VALVE,
        Is(DIRT),
        "return-air=76F return-air.wet-bulb=64F outdoor-air=90F suction-line=75psig suction-line=56F \
      liquid-line=325psig liquid-line=132F supply-air=58F",
    ),
    (
        "R-22",
        VALVE,
        Is(OVER),
        "return-air=75F return-air.wet-bulb=63F outdoor-air=90F suction-line=70psig suction-line=52F \
      liquid-line=290psig liquid-line=100F supply-air=57F",
    ),
    // The newer ones.
    (
        "R-32",
        VALVE,
        Is(LOW),
        "return-air=76F return-air.wet-bulb=63F outdoor-air=95F suction-line=105psig suction-line=58F \
      liquid-line=330psig liquid-line=99F supply-air=62F",
    ),
    (
        "R-454B",
        VALVE,
        Is(DIRT),
        "return-air=76F return-air.wet-bulb=63F outdoor-air=95F suction-line=122psig suction-line=58F \
      liquid-line=450psig liquid-line=126F supply-air=58F",
    ),
    // From a meter that gives superheat and subcooling by itself.
    (
        "R-410A",
        ORIFICE,
        Is(LOW),
        "outdoor-air=95F return-air.wet-bulb=63F return-air=75F suction-line.superheat=30delta_F \
      liquid-line.subcooling=2delta_F",
    ),
    (
        "R-410A",
        VALVE,
        Among(&[NARROW]),
        "outdoor-air=90F return-air.wet-bulb=63F return-air=75F suction-line.superheat=35delta_F \
      liquid-line.subcooling=22delta_F suction-line.saturation=20F liquid-line.saturation=105F",
    ),
];

/// The suspects of one call, in JSON.
fn suspects(call: &Call, folder: &std::path::Path) -> Vec<Value> {
    let (refrigerant, metering, _, readings) = call;
    let target = if *metering == VALVE { "target_subcooling = \"10delta_F\"\n" } else { "" };
    let job = format!(
        "site = \"invented\"\nmode = \"cooling\"\naltitude = \"0ft\"\n[unit]\nkind = \"split\"\n\
         refrigerant = \"{refrigerant}\"\nmetering = \"{metering}\"\n{target}"
    );
    let path = folder.join("job.toml");
    fs::write(&path, job).unwrap();
    let mut command = Command::new(env!("CARGO_BIN_EXE_settled"));
    command.arg("diagnose").arg(&path).arg("--json");
    for reading in readings.split_whitespace() {
        command.args(["--at", reading]);
    }
    let output = command.output().unwrap();
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    let text = String::from_utf8(output.stdout).unwrap();
    let lines = text.lines().map(|line| serde_json::from_str::<Value>(line).unwrap());
    lines.filter(|line| line["kind"] == "suspect").collect()
}

/// Probability of a fault, alone or with another.
fn whole(suspects: &[Value], fault: &str) -> f64 {
    let has = |s: &&Value| s["fault"] == fault || s["with"] == fault;
    suspects.iter().filter(has).map(|s| s["probability"].as_f64().unwrap()).sum()
}

/// What is wrong with the program's verdict on this call, if anything.
fn wrong(call: &Call, folder: &std::path::Path) -> Option<String> {
    let suspects = suspects(call, folder);
    let faults = [LOW, OVER, AIR, DIRT, NARROW, VALVES, GAS];
    let likeliest =
        faults.into_iter().max_by(|a, b| whole(&suspects, a).total_cmp(&whole(&suspects, b)));
    let likeliest = likeliest.unwrap();
    let entry = suspects.iter().find(|s| s["fault"] == likeliest && s["with"].is_null());
    let mut named = vec![likeliest.to_owned()];
    if let Some(others) = entry.and_then(|s| s["cannot_tell_from"].as_array()) {
        named.extend(others.iter().map(|other| other.as_str().unwrap().to_owned()));
    }
    let good = whole(&suspects, "none");
    let right = match call.2 {
        Good => good > 0.5,
        Is(fault) => good < 0.5 && likeliest == fault,
        Among(faults) => good < 0.5 && faults.iter().any(|f| named.iter().any(|n| n == f)),
    };
    let brief: Vec<_> = suspects
        .iter()
        .map(|s| format!("{}+{} {:.2}", s["fault"], s["with"], s["probability"].as_f64().unwrap()))
        .collect();
    (!right).then(|| format!("{} {} {}: {}", call.0, call.1, call.3, brief.join(", ")))
}

#[test]
fn typed_service_calls_get_the_verdict_of_the_trade() {
    let folder = tempfile::tempdir().unwrap();
    let wrong: Vec<_> = CALLS.iter().filter_map(|call| wrong(call, folder.path())).collect();
    assert!(wrong.is_empty(), "{} of {}:\n{}", wrong.len(), CALLS.len(), wrong.join("\n"));
}
