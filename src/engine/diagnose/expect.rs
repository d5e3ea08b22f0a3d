//! What is expected of each measure, with its source and where it holds.

use std::borrow::Cow;

use crate::engine::diagnose::charts;
use crate::engine::diagnose::conditions::Stops;
use crate::engine::diagnose::finding::Limits;
use crate::engine::diagnose::inputs::{Inputs, Role};
use crate::engine::diagnose::measure::Measures;
use crate::engine::diagnose::uncertain::Uncertain;
use crate::engine::job::{Circuit, Job, Metering};
use crate::engine::phrase::Phrase;
use crate::units::quantity::{CFM_M3_PER_S, Celsius, Kelvins, QuantityKind, TON_W};

/// Band around a superheat target (K): ±5 °F. Source: RA3.2.2 and chart B.
const SUPERHEAT_BAND_K: f64 = 5.0 / 1.8;
/// Band around a subcooling target (K): ±3 °F. Source: RA3.2.2; ENERGY STAR rater checklist Rev 07.
const SUBCOOLING_BAND_K: f64 = 3.0 / 1.8;
/// Band around a target split (K): ±3 °F. Source: the maker's chart; RA3.2.2.
const SPLIT_BAND_K: f64 = 3.0 / 1.8;
/// Band around a maker's approach (K): ±1 °F. Source: the makers' approach method.
const APPROACH_BAND_K: f64 = 1.0 / 1.8;
/// Superheat with which a valve is taken to work (K): 4 to 25 °F. Source: RA3.2.2, page 16.
const VALVE_SUPERHEAT_K: [f64; 2] = [4.0 / 1.8, 25.0 / 1.8];
/// Rise of the air through the condenser (K): 15 to 30 °F. Common practice, no source.
const CONDENSER_SPLIT_K: [f64; 2] = [15.0 / 1.8, 30.0 / 1.8];
/// Drop of the air over the indoor coil (K): about 20 °F, taken as 15 to 25. Common practice, no
/// source.
const EVAPORATOR_SPLIT_K: [f64; 2] = [15.0 / 1.8, 25.0 / 1.8];
/// Condensing temperature over outdoor air (K): 10 to 30 °F. Common practice, no source.
const OVER_OUTDOOR_K: [f64; 2] = [10.0 / 1.8, 30.0 / 1.8];
/// Drop along the liquid line (K): more than 3 °F says that something narrows it. Common practice,
/// no source.
pub(super) const LINE_DROP_K: f64 = 3.0 / 1.8;
/// Highest discharge temperature (°C): 225 °F. Source: achrnews 133927.
const DISCHARGE_MAX_C: f64 = (225.0 - 32.0) / 1.8;
/// Temperature (°C) under which a coil gathers frost: 32 °F.
const FROST_C: f64 = 0.0;
/// Band around the capacity by regression (fraction). Assumed: the regressions speak of a typical
/// unit, and the nameplate of a net capacity.
const CAPACITY_BAND: f64 = 0.15;
/// Band around the sensible heat ratio by regression. Assumed.
const SHR_BAND: f64 = 0.08;
/// Static pressure across an indoor unit (Pa): up to 0.5 inH2O, for which most are rated. Common
/// practice, no source.
const STATIC_MAX_PA: f64 = 124.5;

/// What is expected of one measure.
#[derive(Debug, Clone, PartialEq)]
pub struct Expected {
    /// The limits, in the measure's unit.
    pub range: Limits,
    /// The target within them, where it was looked up from readings and so is uncertain itself.
    pub target: Option<Uncertain>,
    /// Where it comes from.
    pub source: Cow<'static, str>,
}

impl Expected {
    const fn fixed([low, high]: [f64; 2], source: &'static str) -> Self {
        Self { range: [Some(low), Some(high)], target: None, source: Cow::Borrowed(source) }
    }

    const fn at_most(high: f64, source: &'static str) -> Self {
        Self { range: [None, Some(high)], target: None, source: Cow::Borrowed(source) }
    }

    const fn at_least(low: f64, source: &'static str) -> Self {
        Self { range: [Some(low), None], target: None, source: Cow::Borrowed(source) }
    }

    fn around(target: Uncertain, band: f64, source: impl Into<Cow<'static, str>>) -> Self {
        let range = [Some(target.value - band), Some(target.value + band)];
        Self { range, target: Some(target), source: source.into() }
    }
}

/// What is expected, or a word on why nothing is.
pub type Expectation = Result<Expected, &'static str>;

const NOTHING: Expectation = Err("");

/// The source of common practice.
const PRACTICE: &str = "common practice, no source";
/// The makers' superheat charts.
const CHARTS: &str = "two makers' charging charts, ±5 °F: \
    manuals.online/carrier/heat-pump/38vta040/dimensions-and-installation-guide/19xq4; \
    homeappliance.manualsonline.com/manuals/mfg/lennox_international_inc/merit_series_14acx_units.html?p=26";
/// The maker's split chart.
const SPLIT_CHART: &str = "a maker's coil temperature-drop chart, ±3 °F: \
    manualshive.com/en/manual/lennox/t-class-tsa-h4-series, page 20";
/// The published procedure.
const RA3_CHARGE: &str =
    "California RA3.2.2: manualshelf.com/manual/airflow/ra3/specifications-english/page-16.html";
/// The regressions.
const REGRESSION: &str = "California compliance-model regression (github bigladder/resdx, \
    resdx/models/title24.py @17ad73a); band assumed";

/// What is expected of the measure of this name.
///
/// # Errors
/// Where nothing is, with the reason in words; empty where no reason is worth a word.
pub fn expectation(
    name: &str,
    job: &Job,
    circuit: &Circuit,
    inputs: &Inputs,
    measures: &Measures,
    stops: Stops,
) -> Expectation {
    // Frost and the discharge limit hold for any unit and mode.
    match name {
        "discharge_temperature" => {
            return Ok(Expected::at_most(
                DISCHARGE_MAX_C,
                "225 to 250 °F is considered the maximum: achrnews.com 133927",
            ));
        }
        "static_pressure" => return Ok(Expected::at_most(STATIC_MAX_PA, PRACTICE)),
        _ if stops.expectations => return NOTHING,
        _ => {}
    }
    match name {
        "evaporator_split" => split(inputs, measures),
        "condenser_split" => Ok(Expected::fixed(CONDENSER_SPLIT_K, PRACTICE)),
        "condensing_over_outdoor" => Ok(Expected::fixed(OVER_OUTDOOR_K, PRACTICE)),
        "liquid_line_drop" => Ok(Expected::at_most(LINE_DROP_K, PRACTICE)),
        "evaporating_temperature" => Ok(Expected::at_least(
            FROST_C,
            "the coil must stay above 32 °F: achrnews.com/articles/142476",
        )),
        "superheat" => superheat(job, circuit, inputs, measures, stops),
        "subcooling" => subcooling(circuit, stops),
        "approach" => match circuit.approach {
            Some(k) => Ok(Expected::around(
                Uncertain::exact(k.get()),
                APPROACH_BAND_K,
                "the maker's approach from the job, ±1 °F: \
                 manualshive.com/en/manual/lennox/hsxa12-018/1876906?page=17",
            )),
            None => Err("the job gives no approach of the maker's"),
        },
        "total_capacity" => regression(job, inputs, measures, false),
        "sensible_heat_ratio" => regression(job, inputs, measures, true),
        _ => NOTHING,
    }
}

fn superheat(
    job: &Job,
    circuit: &Circuit,
    inputs: &Inputs,
    measures: &Measures,
    stops: Stops,
) -> Expectation {
    if stops.superheat && !matches!(circuit.metering, Some(Metering::Txv | Metering::Eev)) {
        return Err("the conditions for a target are not met");
    }
    if let Some(target) = circuit.target_superheat {
        let target = Uncertain::exact(target.get());
        let band = Phrase::of(QuantityKind::Superheat, job.units).limit_gap(SUPERHEAT_BAND_K);
        let source = format!("the maker's target from the job, ± {band}");
        return Ok(Expected::around(target, SUPERHEAT_BAND_K, source));
    }
    match circuit.metering {
        Some(Metering::FixedOrifice) => {
            let (Some(outdoor), Some(wet_bulb)) =
                (inputs.get(Role::OutdoorAir), measures.wet_bulb.as_ref())
            else {
                return Err("outdoor air and return wet bulb are needed for a target");
            };
            let look_up = |outdoor: f64, wet_bulb: f64| {
                let (outdoor, wet_bulb) = (Celsius::new(outdoor)?, Celsius::new(wet_bulb)?);
                charts::target_superheat(outdoor, wet_bulb).ok().map(Kelvins::get)
            };
            outdoor
                .apply_two(wet_bulb, look_up)
                .map(|target| Expected::around(target, SUPERHEAT_BAND_K, CHARTS))
                .ok_or("the charts give no target here")
        }
        Some(Metering::Txv | Metering::Eev) => Ok(Expected::fixed(
            VALVE_SUPERHEAT_K,
            "a valve works with 4 to 25 °F; it says nothing about charge. California RA3.2.2: \
             manualshelf.com/manual/airflow/ra3/specifications-english/page-16.html",
        )),
        None => Err("the job does not say what meters the refrigerant"),
    }
}

fn subcooling(circuit: &Circuit, stops: Stops) -> Expectation {
    match (circuit.metering, circuit.target_subcooling) {
        (Some(Metering::FixedOrifice), _) => {
            Err("on a fixed orifice subcooling has no target: charge goes by superheat")
        }
        (_, Some(target)) if !stops.subcooling => {
            Ok(Expected::around(Uncertain::exact(target.get()), SUBCOOLING_BAND_K, RA3_CHARGE))
        }
        (_, Some(_)) => Err("the conditions for a target are not met"),
        (_, None) => Err("the job gives no subcooling target; it stands on the nameplate"),
    }
}

fn split(inputs: &Inputs, measures: &Measures) -> Expectation {
    let rule = Ok(Expected::fixed(EVAPORATOR_SPLIT_K, PRACTICE));
    let (Some(dry), Some(wet)) = (inputs.entering_air(), measures.wet_bulb.as_ref()) else {
        return rule;
    };
    let look_up = |dry: f64, wet: f64| {
        let target = charts::target_split(Celsius::new(dry)?, Celsius::new(wet)?);
        target.ok().map(Kelvins::get)
    };
    match dry.apply_two(wet, look_up) {
        Some(target) => Ok(Expected::around(target, SPLIT_BAND_K, SPLIT_CHART)),
        None => rule,
    }
}

fn regression(job: &Job, inputs: &Inputs, measures: &Measures, ratio: bool) -> Expectation {
    let Some(rated) = job.unit.rated_cooling else {
        return Err("the job gives no rated capacity");
    };
    let (Some(dry), Some(wet), Some(outdoor), Some((flow, _))) = (
        inputs.entering_air(),
        measures.wet_bulb.as_ref(),
        inputs.get(Role::OutdoorAir),
        measures.airflow.as_ref(),
    ) else {
        return Err("air, humidity, outdoor air and airflow are needed for an expectation");
    };
    let cfm_per_ton = flow.value / CFM_M3_PER_S / (rated.get() / TON_W);
    let place = |t: &Uncertain| Celsius::new(t.value);
    let (Some(dry), Some(wet), Some(outdoor)) = (place(dry), place(wet), place(outdoor)) else {
        return NOTHING;
    };
    let Some(typical) = charts::performance(dry, wet, outdoor, cfm_per_ton) else {
        return Err("the weather or the airflow lies outside the regressions");
    };
    let range = if ratio {
        let shr = typical.sensible_heat_ratio;
        [shr - SHR_BAND, (shr + SHR_BAND).min(1.0)]
    } else {
        let full = typical.capacity * rated.get();
        [full * (1.0 - CAPACITY_BAND), full * (1.0 + CAPACITY_BAND)]
    };
    Ok(Expected::fixed(range, REGRESSION))
}
