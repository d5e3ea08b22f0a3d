//! Conditions under which a test does not hold. They are findings of their own and come first.

use crate::engine::diagnose::charts::{NoTarget, target_superheat};
use crate::engine::diagnose::finding::Limits;
use crate::engine::diagnose::inputs::{Inputs, Role, Roles};
use crate::engine::diagnose::measure::Measures;
use crate::engine::job::{Circuit, Job, Metering, UnitKind};
use crate::engine::phrase::Phrase;
use crate::engine::reading::{SettledSet, Verdict};
use crate::units::quantity::{Celsius, QuantityKind};

/// Outdoor air (°C) under which no charge test holds: 55 °F. Source: RA3.2.2, energycodeace.com.
const OUTDOOR_MIN_C: f64 = (55.0 - 32.0) / 1.8;
/// Outdoor air (°C) under which a subcooling check does not hold: 65 °F. Source: a maker's manual,
/// manualshive.com/en/manual/lennox/hsxa12-018/1876906?page=17.
const SUBCOOLING_OUTDOOR_MIN_C: f64 = (65.0 - 32.0) / 1.8;
/// Run (s) before any reading: 15 minutes. Source: RA3.2.2.5, manualshelf.com ra3 page 14.
const RUN_MIN_S: f64 = 900.0;
/// Return air (°C) under which the coil may freeze: 68 °F. From memory, a rule of the trade.
const RETURN_MIN_C: f64 = 20.0;

/// Source of the run and outdoor limits.
const RA3: &str =
    "California RA3.2.2: manualshelf.com/manual/airflow/ra3/specifications-english/page-14.html";

/// A condition found.
#[derive(Debug, Clone, PartialEq)]
pub struct Condition {
    /// Its name in snake_case.
    pub name: &'static str,
    /// The value that it rests on (SI), with its unit.
    pub value: Option<(f64, &'static str)>,
    /// What the value should be.
    pub expected: Option<Limits>,
    /// How the value stands to it.
    pub verdict: Verdict,
    /// What it means.
    pub basis: String,
    /// Where the limit comes from.
    pub source: &'static str,
    /// What cannot be judged then.
    pub stops: Stops,
}

/// What a condition keeps from being judged.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
#[expect(clippy::struct_excessive_bools, reason = "five independent questions")]
pub struct Stops {
    /// Superheat against a target.
    pub superheat: bool,
    /// Subcooling against a target.
    pub subcooling: bool,
    /// All expectations of a unit that cools at one fixed speed.
    pub expectations: bool,
    /// The weighing of suspects, unless the unit's own baseline is there.
    pub suspects: bool,
    /// The weighing of suspects altogether.
    pub suspects_even_own: bool,
}

impl Stops {
    /// All that any of these stops.
    pub fn all(conditions: &[Condition]) -> Self {
        let any = |get: fn(&Self) -> bool| conditions.iter().any(|c| get(&c.stops));
        Self {
            superheat: any(|s| s.superheat),
            subcooling: any(|s| s.subcooling),
            expectations: any(|s| s.expectations),
            suspects: any(|s| s.suspects),
            suspects_even_own: any(|s| s.suspects_even_own),
        }
    }
}

/// All conditions of one circuit that keep something from being judged.
pub fn conditions(
    job: &Job,
    circuit: &Circuit,
    set: &SettledSet,
    inputs: &Inputs,
    measures: &Measures,
) -> Vec<Condition> {
    let said = Phrase::of(QuantityKind::Temperature, job.units);
    let mut found = Vec::new();
    found.extend(run_too_short(set));
    if inputs.roles == Roles::Heating {
        found.push(plain(
            "heating",
            "the unit heats: no published expectation was found, so measures are reported \
             without a verdict and no fault is weighed",
            Stops {
                expectations: true,
                suspects: true,
                suspects_even_own: true,
                ..Stops::default()
            },
        ));
        return found;
    }
    found.extend(outdoors(inputs, said));
    found.extend(indoors(inputs, said));
    if circuit.metering == Some(Metering::FixedOrifice) || circuit.metering.is_none() {
        found.extend(off_chart(inputs, measures, said));
    }
    found.extend(unit(job, inputs));
    found.extend(unknown(circuit, inputs, measures));
    found
}

fn plain(name: &'static str, basis: &str, stops: Stops) -> Condition {
    Condition {
        name,
        value: None,
        expected: None,
        verdict: Verdict::None,
        basis: basis.to_owned(),
        source: "",
        stops,
    }
}

fn run_too_short(set: &SettledSet) -> Option<Condition> {
    let run = set.run_s.filter(|run| *run < RUN_MIN_S)?;
    Some(Condition {
        name: "run_too_short",
        value: Some((run, "s")),
        expected: None,
        verdict: Verdict::Low,
        basis: format!(
            "the compressor had run for {:.0} min; published procedures ask for 15 min before a \
             charge reading, so charge is not judged against its target",
            run / 60.0
        ),
        source: RA3,
        stops: Stops { superheat: true, subcooling: true, ..Stops::default() },
    })
}

fn outdoors(inputs: &Inputs, said: Phrase) -> Option<Condition> {
    let Some(outdoor) = inputs.get(Role::OutdoorAir) else {
        return Some(plain(
            "outdoor_air_unknown",
            "outdoor air was not measured: targets that go by it cannot be looked up, and what is \
             expected of the lines is far less sure",
            Stops { superheat: true, ..Stops::default() },
        ));
    };
    let outdoor = outdoor.value;
    if outdoor >= SUBCOOLING_OUTDOOR_MIN_C {
        return None;
    }
    let cold = outdoor < OUTDOOR_MIN_C;
    Some(Condition {
        name: "outdoor_too_cool",
        value: Some((outdoor, "degC")),
        expected: Some([Some(SUBCOOLING_OUTDOOR_MIN_C), None]),
        verdict: Verdict::Low,
        basis: if cold {
            let limit = said.limit(OUTDOOR_MIN_C);
            format!("under {limit} outdoors no charge test holds: come back in warmer weather")
        } else {
            let limit = said.limit(SUBCOOLING_OUTDOOR_MIN_C);
            format!("under {limit} outdoors a subcooling check does not hold")
        },
        source: if cold {
            RA3
        } else {
            "manualshive.com/en/manual/lennox/hsxa12-018/1876906?page=17"
        },
        stops: Stops { superheat: cold, subcooling: true, suspects: cold, ..Stops::default() },
    })
}

fn indoors(inputs: &Inputs, said: Phrase) -> Option<Condition> {
    let entering = inputs.entering_air()?.value;
    (entering < RETURN_MIN_C).then(|| Condition {
        name: "indoor_too_cool",
        value: Some((entering, "degC")),
        expected: Some([Some(RETURN_MIN_C), None]),
        verdict: Verdict::Low,
        basis: format!(
            "the air entering the indoor coil is under {}: the coil may freeze, and charge targets \
             hardly hold; warm the rooms first",
            said.limit(RETURN_MIN_C)
        ),
        source: "from memory, a rule of the trade",
        stops: Stops { superheat: true, ..Stops::default() },
    })
}

/// A fixed orifice needs a target from the charts.
fn off_chart(inputs: &Inputs, measures: &Measures, said: Phrase) -> Option<Condition> {
    let outdoor = Celsius::new(inputs.get(Role::OutdoorAir)?.value)?;
    let Some(wet_bulb) = &measures.wet_bulb else {
        return Some(plain(
            "wet_bulb_unknown",
            "the return air's humidity is not known: the superheat target of a fixed orifice goes \
             by its wet bulb; hang a humidity probe in the return",
            Stops { superheat: true, ..Stops::default() },
        ));
    };
    let reason: NoTarget = target_superheat(outdoor, Celsius::new(wet_bulb.value)?).err()?;
    Some(Condition {
        name: "superheat_target_refused",
        value: Some((wet_bulb.value, "degC")),
        expected: None,
        verdict: Verdict::None,
        basis: format!("no superheat target: {}", reason.words(said)),
        source: "two makers' charts: manuals.online/carrier/heat-pump/38vta040, \
                 homeappliance.manualsonline.com merit_series_14acx_units",
        stops: Stops { superheat: true, ..Stops::default() },
    })
}

/// What kind of unit it is.
fn unit(job: &Job, inputs: &Inputs) -> Vec<Condition> {
    let mut found = Vec::new();
    let silent = Stops { expectations: true, suspects: true, ..Stops::default() };
    if job.unit.variable_speed {
        found.push(plain(
            "variable_speed",
            "the compressor's speed varies: expectations for fixed speed do not hold; compare \
             with the unit's own baseline at the same speed",
            silent,
        ));
    } else if job.unit.kind == UnitKind::Ductless {
        found.push(plain(
            "ductless",
            "a ductless unit: expectations for ducted fixed-speed units do not hold; compare with \
             its own baseline",
            silent,
        ));
    } else if job.unit.stages > 1 {
        found.push(plain(
            "stage_unknown",
            "the unit has several stages: expectations hold for full cooling only; make sure that \
             all stages ran",
            Stops::default(),
        ));
    }
    if job.unit.economizer && inputs.get(Role::MixedAir).is_none() {
        found.push(plain(
            "outdoor_air_damper",
            "there is an outdoor-air damper and no probe after it: the air entering the coil may \
             not be return air; close the damper or put a probe at mixed-air",
            Stops { superheat: true, ..Stops::default() },
        ));
    }
    found
}

/// What is not known that a test would need.
fn unknown(circuit: &Circuit, inputs: &Inputs, measures: &Measures) -> Vec<Condition> {
    let mut found = Vec::new();
    if circuit.metering.is_none() {
        found.push(plain(
            "metering_unknown",
            "the job does not say what meters the refrigerant: neither superheat nor subcooling \
             has a target; look whether there is an orifice or a valve at the indoor coil",
            Stops { superheat: true, subcooling: true, ..Stops::default() },
        ));
    }
    let pressure = inputs.get(Role::SuctionPressure).is_some() || inputs.high_pressure().is_some();
    if circuit.refrigerant.is_none() && pressure {
        found.push(plain(
            "refrigerant_unknown",
            "pressures are there and the job does not say which refrigerant: no saturation, so \
             no superheat or subcooling",
            Stops::default(),
        ));
    }
    if measures.airflow.is_none() {
        found.push(plain(
            "airflow_unknown",
            "airflow is neither measured nor assumed, so capacity is not computed; a charge reading \
             counts only with airflow in order, which the evaporator split tells in part",
            Stops::default(),
        ));
    }
    found
}
