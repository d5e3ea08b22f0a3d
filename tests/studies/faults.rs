//! How often the faults of the virtual unit are named.
//!
//! Every unit is drawn with ±10 % on coil conductances, orifice, displacement, both fans and
//! charge; probes err with 0.5 K and 12 and 24 kPa (k = 1). All rates are at one and the same
//! prior. The tables that the program weighs with were computed by another model with constants of
//! its own and were fixed before these seeds were drawn. Still, a model that agrees with a model is
//! no proof from outside.

use settled::engine::channel::Channel;
use settled::engine::diagnose::finding::{Diagnosis, Fault};
use settled::engine::diagnose::{Context, diagnose};
use settled::engine::job::{Circuit, Job, Metering, Unit};
use settled::engine::reading::{SettledSet, SettledValue};
use settled::physics::refrigerant::Refrigerant;
use settled::units::quantity::{Celsius, Quantity};
use settled::units::time::Elapsed;
use settled::virtual_unit::cycle_model::{Conditions, SteadyState, steady, steady_near};
use settled::virtual_unit::design::{self, Design, UnitParameters};
use settled::virtual_unit::faults::{Fault as Cause, Severity};
use settled::virtual_unit::random::Random as UnitRandom;

use crate::random::Random;

/// What is at hand: pressures, and a baseline of the same unit.
const AT_HAND: [(&str, bool, bool); 4] = [
    ("temperatures", false, false),
    ("and pressures", true, false),
    ("and baseline", false, true),
    ("and both", true, true),
];

/// What came of one visit with one choice of what is at hand.
#[derive(Clone)]
struct Outcome {
    /// Probability of each of `Fault::ALL`, alone.
    single: [f64; 8],
    first: Fault,
    first_fault: Fault,
    set: Vec<Fault>,
}

/// One visit: what is true, and what came of it for each of [`AT_HAND`].
struct Visit {
    truth: Fault,
    severity: Option<Severity>,
    outcomes: Vec<Outcome>,
}

fn fault(cause: Cause) -> Fault {
    Fault::ALL.into_iter().find(|f| f.word().replace('_', "-") == cause.word()).unwrap()
}

fn index(fault: Fault) -> usize {
    Fault::ALL.iter().position(|f| *f == fault).unwrap()
}

/// Readings of a state, probes put on anew.
fn set(state: &SteadyState, weather: &Weather, pressures: bool, random: &mut Random) -> SettledSet {
    let mut values = Vec::new();
    let mut add = |name: &str, value: f64, error: f64| {
        let channel: Channel = name.parse().unwrap();
        let quantity = Quantity::new(channel.kind, value + error * random.normal()).unwrap();
        values.push(SettledValue {
            channel,
            quantity,
            spread: 0.0,
            uncertainty: error,
            probe: None,
        });
    };
    add("return-air.temperature", weather.indoor, 0.5);
    add("return-air.wet-bulb", weather.wet_bulb, 0.5);
    add("outdoor-air.temperature", weather.outdoor, 0.5);
    add("supply-air.temperature", state.supply_air.get(), 0.5);
    add("condenser-leaving-air.temperature", state.condenser_leaving_air.get(), 0.5);
    add("suction-line.temperature", state.suction_line.get(), 0.5);
    add("liquid-line.temperature", state.liquid_line.get(), 0.5);
    add("discharge-line.temperature", state.discharge_line.get(), 0.5);
    if pressures {
        add("suction-line.pressure", state.suction_pressure.get(), 12e3);
        add("liquid-line.pressure", state.head_pressure.get(), 24e3);
    }
    let (from, to) = (Elapsed::ZERO, Elapsed::from_secs(300));
    SettledSet { number: 1, cycle: None, from, to, run_s: Some(1_800.0), values }
}

#[derive(Clone, Copy)]
struct Weather {
    indoor: f64,
    wet_bulb: f64,
    outdoor: f64,
}

impl Weather {
    fn draw(random: &mut Random) -> Self {
        let between = |random: &mut Random, a: f64, b: f64| a + (b - a) * random.uniform();
        let indoor = between(random, 21.5, 27.5);
        let wet_bulb = indoor - between(random, 3.5, 9.0);
        Self { indoor, wet_bulb, outdoor: between(random, 24.0, 41.0) }
    }

    fn conditions(&self, design: &Design) -> Conditions {
        let c = |t| Celsius::new(t).unwrap();
        let airflow = design.rated_airflow().unwrap();
        Conditions::from_wet_bulb(c(self.indoor), c(self.wet_bulb), c(self.outdoor), airflow)
            .unwrap()
    }

    /// Weather in which the unit as designed has superheat and subcooling, as a charge test asks.
    fn testable(unit: &UnitParameters, random: &mut Random) -> Self {
        loop {
            let weather = Self::draw(random);
            let Some(state) = steady(unit, &weather.conditions(&unit.design)) else { continue };
            if state.superheat.get() > 3.0 && state.subcooling.get() > 3.0 {
                return weather;
            }
        }
    }
}

fn job(metering: Metering) -> Job {
    let circuit = Circuit {
        refrigerant: Some("R-410A".to_owned()),
        metering: Some(metering),
        ..Circuit::default()
    };
    Job { unit: Unit { circuits: vec![circuit], ..Unit::default() }, ..Job::default() }
}

fn outcome(diagnosis: &Diagnosis) -> Outcome {
    // Two faults at once count for the one that they are listed under.
    let (mut single, mut all) = ([0.0; 8], [0.0; 8]);
    for suspect in &diagnosis.suspects {
        all[index(suspect.fault)] += suspect.probability;
        if suspect.with.is_none() {
            single[index(suspect.fault)] = suspect.probability;
        }
    }
    // The set that is named: the first suspect and what it cannot be told from.
    let first = &diagnosis.suspects[0];
    let mut set = vec![first.fault];
    set.extend(first.with);
    set.extend(&first.cannot_tell_from);
    let mut ranked = diagnosis.suspects.iter().map(|suspect| suspect.fault);
    Outcome {
        single,
        first: diagnosis.suspects[0].fault,
        first_fault: ranked.find(|fault| *fault != Fault::None).unwrap_or(Fault::None),
        set,
    }
}

/// All visits of one metering device: `each` for every fault and severity, and healthy ones.
fn visits(metering: Metering, each: usize, healthy: usize, seed: u64) -> Vec<Visit> {
    let design = Design::default();
    let refrigerant = Refrigerant::by_name("R-410A").unwrap();
    let device = match metering {
        Metering::FixedOrifice => design::Metering::FixedOrifice,
        _ => design::Metering::Txv,
    };
    let designed = UnitParameters::calibrated(refrigerant, device, &design).unwrap();
    let job = job(metering);
    let mut random = Random::new(seed);
    let mut units = UnitRandom::new(seed, 5);
    let mut cases: Vec<Option<(Cause, Severity)>> = vec![None; healthy];
    for cause in Cause::ALL {
        for severity in Severity::ALL {
            cases.extend(vec![Some((cause, severity)); each]);
        }
    }
    let mut visits = Vec::new();
    for case in cases {
        loop {
            let unit = designed.varied(&mut units, 0.10);
            let (now, before) = (
                Weather::testable(&designed, &mut random),
                Weather::testable(&designed, &mut random),
            );
            let faulty = case.map_or(unit, |(cause, severity)| unit.with_fault(cause, severity));
            let Some(own) = steady(&unit, &before.conditions(&design)) else { continue };
            let Some(state) = steady_near(&faulty, &now.conditions(&design), &own) else {
                continue;
            };
            let (seen, own) =
                (set(&state, &now, true, &mut random), set(&own, &before, true, &mut random));
            let outcomes = AT_HAND.map(|(_, pressures, baseline)| {
                let strip = |set: &SettledSet| {
                    let mut set = set.clone();
                    set.values.retain(|value| {
                        pressures || !value.channel.to_string().ends_with("pressure")
                    });
                    set
                };
                let own = strip(&own);
                let context = Context { baseline: baseline.then_some(&own), ..Context::default() };
                outcome(&diagnose(&job, &strip(&seen), &context))
            });
            visits.push(Visit {
                truth: case.map_or(Fault::None, |(cause, _)| fault(cause)),
                severity: case.map(|(_, severity)| severity),
                outcomes: outcomes.to_vec(),
            });
            break;
        }
    }
    visits
}

/// Share of the visits that `wanted` picks for which `is` holds.
fn share(visits: &[Visit], wanted: impl Fn(&Visit) -> bool, is: impl Fn(&Visit) -> bool) -> f64 {
    let picked: Vec<_> = visits.iter().filter(|visit| wanted(visit)).collect();
    picked.iter().filter(|visit| is(visit)).count() as f64 / picked.len().max(1) as f64
}

fn upper(visit: &Visit) -> bool {
    matches!(visit.severity, Some(Severity::Middle | Severity::Severe))
}

/// Rates of one metering device and one choice of what is at hand.
#[derive(Debug, Clone, Copy)]
struct Rates {
    /// True fault first among the faults, upper two severities, faults weighted equally.
    first: f64,
    /// The same without the restriction.
    first_but_restriction: f64,
    /// The set named (the first suspect and what it cannot be told from) holds the true fault,
    /// upper two severities; for a valve without the restriction, which it hides.
    held: f64,
    /// Median size of the set, upper two severities.
    size: usize,
    /// Median size at the middle severity.
    size_middle: usize,
    /// Healthy: `none` in the set.
    none_held: f64,
    /// Healthy: `none` first.
    none_first: f64,
    /// Healthy: one fault alone over 90 %.
    accused: f64,
}

fn rates(visits: &[Visit], hand: usize, metering: Metering) -> Rates {
    let counts = |f: Fault| metering == Metering::FixedOrifice || f != Fault::LiquidLineRestriction;
    let each = |wanted: &dyn Fn(Fault) -> bool, is: &dyn Fn(&Visit) -> bool| {
        let faults: Vec<_> = Fault::ALL[1..].iter().copied().filter(|f| wanted(*f)).collect();
        let sum: f64 =
            faults.iter().map(|f| share(visits, |v| v.truth == *f && upper(v), is)).sum();
        sum / faults.len() as f64
    };
    let first = |v: &Visit| v.outcomes[hand].first_fault == v.truth;
    let held = |v: &Visit| v.outcomes[hand].set.contains(&v.truth);
    let median = |wanted: &dyn Fn(&Visit) -> bool| {
        let mut sizes: Vec<_> = visits
            .iter()
            .filter(|v| wanted(v) && counts(v.truth))
            .map(|v| v.outcomes[hand].set.len())
            .collect();
        sizes.sort_unstable();
        sizes[sizes.len() / 2]
    };
    let healthy = |v: &Visit| v.truth == Fault::None;
    Rates {
        first: each(&|_| true, &first),
        first_but_restriction: each(&|f| f != Fault::LiquidLineRestriction, &first),
        held: each(&counts, &held),
        size: median(&upper),
        size_middle: median(&|v: &Visit| v.severity == Some(Severity::Middle)),
        none_held: share(visits, healthy, held),
        none_first: share(visits, healthy, |v| v.outcomes[hand].first == Fault::None),
        accused: share(visits, healthy, |v| v.outcomes[hand].single[1..].iter().any(|p| *p > 0.9)),
    }
}

fn print_confusion(visits: &[Visit], hand: usize) {
    println!("  first of 8, % (rows: true; columns: {})", Fault::ALL.map(Fault::word).join(", "));
    for severity in [Some(Severity::Mild), Some(Severity::Middle), Some(Severity::Severe)] {
        for truth in Fault::ALL {
            if truth == Fault::None && severity != Some(Severity::Mild) {
                continue;
            }
            let wanted =
                |v: &Visit| v.truth == truth && (truth == Fault::None || v.severity == severity);
            let row = Fault::ALL.map(|named| {
                format!(
                    "{:4.0}",
                    100.0 * share(visits, wanted, |v| v.outcomes[hand].first == named)
                )
            });
            let among = share(visits, wanted, |v| v.outcomes[hand].first_fault == truth);
            let held = share(visits, wanted, |v| v.outcomes[hand].set.contains(&truth));
            let word = severity.filter(|_| truth != Fault::None).map_or("", Severity::word);
            println!(
                "  {word:7}{:26}{}   first among faults {:4.0}  in set {:4.0}",
                truth.word(),
                row.join(""),
                100.0 * among,
                100.0 * held
            );
        }
    }
    // The outcome rates by which diagnostic protocols are compared (Yuill & Braun 2012, Purdue
    // e-Pubs iracc/1307). There is always an answer here, so `no response` stays 0.
    let faulty = |v: &Visit| v.truth != Fault::None;
    let first = |v: &Visit| v.outcomes[hand].first;
    println!(
        "  no response 0 %, false alarm {:.1} %, misdiagnosis {:.1} %, missed detection {:.1} %",
        100.0 * share(visits, |v| !faulty(v), |v| first(v) != Fault::None),
        100.0 * share(visits, faulty, |v| first(v) != Fault::None && first(v) != v.truth),
        100.0 * share(visits, faulty, |v| first(v) == Fault::None),
    );
}

/// Probabilities as they stand, or as they would be were the share of good units in the prior (one
/// half) that of the mix: a prior that does not fit the mix shows as over-confidence in `none`.
#[derive(Clone, Copy)]
enum Prior {
    AsBuilt,
    OfTheMix,
}

/// Calibration: of all probabilities near p, how many were true; with a 95 % interval (Wilson).
fn print_calibration(visits: &[Visit], hand: usize, healthy: f64, prior: Prior) {
    const EDGES: [f64; 7] = [0.0, 0.05, 0.2, 0.4, 0.6, 0.8, 1.0 + 1e-9];
    let faulty = visits.iter().filter(|v| v.truth != Fault::None).count() as f64;
    let well = visits.len() as f64 - faulty;
    let word = match prior {
        Prior::AsBuilt => "",
        Prior::OfTheMix => ", so in the prior",
    };
    print!("  {:.0} % healthy{word}:", 100.0 * healthy);
    for edge in EDGES.windows(2) {
        let (mut weight, mut squares, mut hits, mut said) = (0.0, 0.0, 0.0, 0.0);
        for visit in visits {
            let own =
                if visit.truth == Fault::None { healthy / well } else { (1.0 - healthy) / faulty };
            let single = visit.outcomes[hand].single;
            let (good, bad) = match prior {
                Prior::AsBuilt => (1.0, 1.0),
                Prior::OfTheMix => (healthy / 0.5, (1.0 - healthy) / 0.5),
            };
            let whole = good * single[0] + bad * (1.0 - single[0]);
            for (fault, p) in Fault::ALL.into_iter().zip(single) {
                let p = p * if fault == Fault::None { good } else { bad } / whole;
                if (edge[0]..edge[1]).contains(&p) {
                    weight += own;
                    squares += own * own;
                    said += own * p;
                    hits += if fault == visit.truth { own } else { 0.0 };
                }
            }
        }
        if weight > 0.0 {
            let (n, p, z) = (weight * weight / squares, hits / weight, 1.96);
            let middle = (p + z * z / (2.0 * n)) / (1.0 + z * z / n);
            let half = z / (1.0 + z * z / n) * (p * (1.0 - p) / n + z * z / (4.0 * n * n)).sqrt();
            print!(
                "  said {:.2} true {:.2} ({:.2}-{:.2})",
                said / weight,
                p,
                (middle - half).max(0.0),
                (middle + half).min(1.0)
            );
        }
    }
    println!();
}

fn study(metering: Metering, seed: u64) -> Vec<Rates> {
    let (each, healthy) = if crate::full() { (1_000, 10_000) } else { (40, 400) };
    // Another seed than the committed one can be tried without touching it.
    let other = std::env::var("SETTLED_STUDY_SEED").ok();
    let seed = other.map_or(seed, |text| text.parse().unwrap());
    let visits = visits(metering, each, healthy, seed);
    AT_HAND
        .iter()
        .enumerate()
        .map(|(hand, (name, ..))| {
            let rates = rates(&visits, hand, metering);
            println!("\n{metering:?}, {name}: {rates:.3?}");
            print_confusion(&visits, hand);
            for prior in [Prior::AsBuilt, Prior::OfTheMix] {
                print_calibration(&visits, hand, 0.125, prior);
                print_calibration(&visits, hand, 0.6, prior);
            }
            rates
        })
        .collect()
}

/// A rate reaches its bound; the sample is given what chance may do to it.
fn reaches(what: &str, rate: f64, bound: f64) {
    let slack = if crate::full() { 0.0 } else { 0.03 };
    assert!(rate >= bound - slack, "{what}: {rate:.3} is under {bound}");
}

fn common(rates: &[Rates]) {
    for (rates, (name, ..)) in rates.iter().zip(AT_HAND) {
        reaches(&format!("healthy: none in the set, {name}"), rates.none_held, 0.95);
        reaches(&format!("healthy: none first, {name}"), rates.none_first, 0.85);
        reaches(&format!("healthy: nobody accused, {name}"), 1.0 - rates.accused, 0.98);
    }
}

#[test]
fn faults_of_a_fixed_orifice_are_named() {
    let rates = study(Metering::FixedOrifice, 8_402_921);
    common(&rates);
    reaches("first, pressures alone", rates[1].first, 0.75);
    reaches("first, pressures and baseline", rates[3].first, 0.90);
    reaches("true fault in the set, temperatures alone", rates[0].held, 0.95);
    assert!(rates[0].size <= 3 && rates[0].size_middle <= 4, "{:?}", rates[0]);
}

#[test]
fn faults_of_a_valve_are_named() {
    let rates = study(Metering::Txv, 8_402_922);
    common(&rates);
    reaches("first but restriction, pressures alone", rates[1].first_but_restriction, 0.75);
    reaches("first but restriction, pressures and baseline", rates[3].first_but_restriction, 0.90);
    reaches("true fault in the set, temperatures alone", rates[0].held, 0.95);
    assert!(rates[0].size <= 3 && rates[0].size_middle <= 4, "{:?}", rates[0]);
}
