//! The measures of the air: its moisture, the heat that it takes or gives, and what that cost.

use crate::engine::diagnose::inputs::{Inputs, Role};
use crate::engine::diagnose::measure::Measures;
use crate::engine::diagnose::uncertain::Uncertain;
use crate::engine::job::AirflowBasis;
use crate::physics::moist_air;
use crate::units::quantity::{
    Celsius, HumidityRatio, JoulesPerKilogram, Pascals, RelativeHumidity,
};

/// What tells about the air: moisture, enthalpy, heat moved, electricity.
pub(super) fn add(made: &mut Measures, inputs: &Inputs, barometer: &Uncertain) {
    let entering = Moist::new(
        inputs.entering_air(),
        inputs.get(Role::ReturnHumidity),
        inputs.get(Role::ReturnWetBulb),
        inputs.get(Role::ReturnDewPoint),
        barometer,
    );
    let leaving = Moist::new(
        inputs.get(Role::SupplyAir),
        inputs.get(Role::SupplyHumidity),
        inputs.get(Role::SupplyWetBulb),
        inputs.get(Role::SupplyDewPoint),
        barometer,
    );
    made.wet_bulb = entering.as_ref().map(|air| air.wet_bulb.clone());
    let both = [
        (entering.as_ref(), ["return_air_wet_bulb", "return_air_dew_point", "return_air_enthalpy"]),
        (leaving.as_ref(), ["supply_air_wet_bulb", "supply_air_dew_point", "supply_air_enthalpy"]),
    ];
    for (air, [wet_bulb, dew_point, enthalpy]) in both {
        let Some(air) = air else { continue };
        let basis = "from temperature and humidity at the local barometer";
        made.add(wet_bulb, "degC", basis, Some(air.wet_bulb.clone()));
        made.add(dew_point, "degC", basis, air.dew_point.clone());
        made.add(enthalpy, "J_per_kg", basis, Some(air.enthalpy.clone()));
    }
    capacity(made, inputs, entering.as_ref(), leaving.as_ref(), barometer);
    let pressure = inputs.get(Role::StaticPressure).cloned();
    made.add("static_pressure", "Pa", "measured across the indoor unit", pressure);
}

/// Heat moved by the indoor air, and what it cost.
fn capacity(
    made: &mut Measures,
    inputs: &Inputs,
    entering: Option<&Moist>,
    leaving: Option<&Moist>,
    barometer: &Uncertain,
) {
    let (Some((flow, basis)), Some(warm), Some(cool)) =
        (made.airflow.clone(), inputs.entering_air(), inputs.get(Role::SupplyAir))
    else {
        return;
    };
    let ratio = leaving.or(entering).map_or(0.009, |air| air.ratio.value);
    // Dry air moved (kg/s): the flow is taken at the supply air's state.
    let density = |t: f64, p: f64| {
        let (t, w) = (Celsius::new(t)?, HumidityRatio::new(ratio)?);
        Some(moist_air::density(t, w, Pascals::new(p)?)?.get() / (1.0 + ratio))
    };
    let Some(density) = cool.apply_two(barometer, density) else { return };
    let Some(mass) = flow.apply_two(&density, |flow, density| Some(flow * density)) else {
        return;
    };
    // J/(kg·K) of air with its vapour, by the constants of the ASHRAE enthalpy formula.
    let heat = 1_006.0 + 1_860.0 * ratio;
    let drop = warm.minus(cool);
    let sensible = mass.apply_two(&drop, |mass, drop| Some(mass * heat * drop));
    let text = match basis {
        AirflowBasis::Measured => "airflow as measured, times the drop of temperature",
        AirflowBasis::Assumed => "with an assumed airflow, times the drop of temperature",
    };
    made.add("sensible_capacity", "W", text, sensible.clone());
    let (Some(entering), Some(leaving)) = (entering, leaving) else { return };
    let fall = entering.enthalpy.minus(&leaving.enthalpy);
    let total = mass.apply_two(&fall, |mass, fall| Some(mass * fall));
    let text = match basis {
        AirflowBasis::Measured => "airflow as measured, times the drop of enthalpy",
        AirflowBasis::Assumed => "with an assumed airflow, times the drop of enthalpy",
    };
    made.add("total_capacity", "W", text, total.clone());
    let share = drop.apply_two(&fall, |drop, fall| (fall > 0.0).then(|| heat * drop / fall));
    made.add("sensible_heat_ratio", "fraction", "sensible heat to total heat", share);
    let power = match (inputs.get(Role::OutdoorPower), inputs.get(Role::IndoorPower)) {
        (Some(outdoor), Some(indoor)) => outdoor.plus(indoor),
        (Some(outdoor), None) => outdoor.clone(),
        _ => return,
    };
    let ratio = total.and_then(|t| t.apply_two(&power, |q, p| (p > 0.0).then(|| q / p)));
    let basis = "total capacity to electrical power, W/W; times 3.412 it is the EER in Btu/h per W";
    made.add("efficiency_ratio", "fraction", basis, ratio);
}

/// The state of moist air.
#[derive(Debug, Clone)]
struct Moist {
    wet_bulb: Uncertain,
    dew_point: Option<Uncertain>,
    ratio: Uncertain,
    enthalpy: Uncertain,
}

impl Moist {
    /// From the dry bulb and whichever of humidity, wet bulb and dew point is there.
    fn new(
        dry_bulb: Option<&Uncertain>,
        humidity: Option<&Uncertain>,
        wet_bulb: Option<&Uncertain>,
        dew_point: Option<&Uncertain>,
        barometer: &Uncertain,
    ) -> Option<Self> {
        let dry = dry_bulb?;
        let p = Pascals::new(barometer.value)?;
        let enthalpy = |t: f64, w: f64| {
            let h: JoulesPerKilogram =
                moist_air::enthalpy(Celsius::new(t)?, HumidityRatio::new(w.max(0.0))?);
            Some(h.get())
        };
        if let Some(humidity) = humidity {
            let rh = |h: f64| RelativeHumidity::new(h.clamp(0.0, 1.0));
            let ratio = |t: f64, h: f64| {
                Some(moist_air::humidity_ratio(Celsius::new(t)?, rh(h)?, p)?.get())
            };
            let wet =
                |t: f64, h: f64| Some(moist_air::wet_bulb(Celsius::new(t)?, rh(h)?, p)?.get());
            let dew = |t: f64, h: f64| Some(moist_air::dew_point(Celsius::new(t)?, rh(h)?)?.get());
            let enthalpy = |t: f64, h: f64| enthalpy(t, ratio(t, h)?);
            return Some(Self {
                wet_bulb: dry.apply_two(humidity, wet)?,
                dew_point: dry.apply_two(humidity, dew),
                ratio: dry.apply_two(humidity, ratio)?,
                enthalpy: dry.apply_two(humidity, enthalpy)?,
            });
        }
        if let Some(wet) = wet_bulb {
            let ratio = |t: f64, wb: f64| {
                let (t, wb) = (Celsius::new(t)?, Celsius::new(wb)?);
                Some(moist_air::humidity_ratio_from_wet_bulb(t, wb, p)?.get())
            };
            let dew = |t: f64, wb: f64| {
                let w = HumidityRatio::new(ratio(t, wb)?)?;
                let rh = moist_air::relative_humidity_from_ratio(Celsius::new(t)?, w, p)?;
                Some(moist_air::dew_point(Celsius::new(t)?, rh)?.get())
            };
            return Some(Self {
                wet_bulb: wet.clone(),
                dew_point: dry.apply_two(wet, dew),
                ratio: dry.apply_two(wet, ratio)?,
                enthalpy: dry.apply_two(wet, |t, wb| enthalpy(t, ratio(t, wb)?))?,
            });
        }
        let dew = dew_point?;
        // Air holds at its dew point what it holds when saturated there.
        let full = RelativeHumidity::new(1.0)?;
        let ratio = |d: f64| Some(moist_air::humidity_ratio(Celsius::new(d)?, full, p)?.get());
        let wet = |t: f64, d: f64| {
            let w = HumidityRatio::new(ratio(d)?)?;
            Some(moist_air::wet_bulb_from_ratio(Celsius::new(t)?, w, p)?.get())
        };
        Some(Self {
            wet_bulb: dry.apply_two(dew, wet)?,
            dew_point: Some(dew.clone()),
            ratio: dew.apply(ratio)?,
            enthalpy: dry.apply_two(dew, |t, d| enthalpy(t, ratio(d)?))?,
        })
    }
}
