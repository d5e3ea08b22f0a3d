//! The measures of one set: values computed from the readings, each with all its sources of error.

use crate::engine::diagnose::inputs::{Inputs, Role, Roles};
use crate::engine::diagnose::measure_air;
use crate::engine::diagnose::uncertain::{Source, Uncertain};
use crate::engine::job::{AirflowBasis, Job};
use crate::physics::refrigerant::Refrigerant;
use crate::physics::uncertainty::Shape;
use crate::units::quantity::{Celsius, Pascals};

/// Half-width (K) by which a clamp on the middle of a coil misses the saturation there. Assumed:
/// the bend under the clamp may hold superheated gas or subcooled liquid, and the tube's wall and
/// the fins' air lie between.
const COIL_CLAMP_K: f64 = 2.5;
/// Half-width (fraction of the pressure) of the drop from the discharge line through the
/// condenser, which a pressure taken at the discharge line does not see. Assumed.
const CONDENSER_DROP: f64 = 0.02;
/// Half-width (fraction) by which an airflow that nobody measured may be off. Assumed.
const AIRFLOW_ASSUMED: f64 = 0.20;
/// Half-width (fraction) by which a measured airflow may be off. Assumed, as for a good flow grid.
const AIRFLOW_MEASURED: f64 = 0.07;

/// A measure's value, and how it was found.
#[derive(Debug, Clone)]
pub struct Measure {
    /// Its name in snake_case.
    pub name: &'static str,
    /// Its unit.
    pub unit: &'static str,
    /// The value with its sources of error.
    pub value: Uncertain,
    /// How it was found, in plain words.
    pub basis: &'static str,
}

/// All measures of one circuit, with what further steps need of them.
#[derive(Debug, Clone, Default)]
pub struct Measures {
    /// In the order in which people read them.
    pub list: Vec<Measure>,
    /// Evaporating temperature: dew at the suction pressure, or the coil's (°C).
    pub evaporating: Option<Uncertain>,
    /// Whether `evaporating` comes from a clamp on the coil.
    pub evaporating_by_clamp: bool,
    /// Condensing temperature: bubble at the high pressure, or the coil's (°C).
    pub condensing: Option<Uncertain>,
    /// Whether `condensing` comes from a clamp on the coil.
    pub condensing_by_clamp: bool,
    /// Wet bulb of the air entering the indoor coil (°C).
    pub wet_bulb: Option<Uncertain>,
    /// Airflow over the indoor coil (m³/s), and whether it was measured.
    pub airflow: Option<(Uncertain, AirflowBasis)>,
}

impl Measures {
    /// The measure of this name.
    pub fn get(&self, name: &str) -> Option<&Measure> {
        self.list.iter().find(|measure| measure.name == name)
    }

    pub(super) fn add(
        &mut self,
        name: &'static str,
        unit: &'static str,
        basis: &'static str,
        value: Option<Uncertain>,
    ) {
        if let Some(value) = value {
            self.list.push(Measure { name, unit, value, basis });
        }
    }
}

/// A difference of temperatures.
const DELTA: &str = "delta_degC";

/// All that can be computed from the inputs of one circuit.
pub fn measures(job: &Job, refrigerant: Option<Refrigerant>, inputs: &mut Inputs) -> Measures {
    let barometer = inputs.barometer.clone();
    let mut made = Measures::default();
    saturations(&mut made, inputs, refrigerant);
    made.airflow = airflow(job, inputs);
    splits(&mut made, inputs);
    charge(&mut made, inputs);
    coils(&mut made, inputs);
    compressor(&mut made, inputs, refrigerant);
    measure_air::add(&mut made, inputs, &barometer);
    made
}

/// Evaporating and condensing temperature, from pressure, from what was given, or from a clamp.
fn saturations(made: &mut Measures, inputs: &mut Inputs, refrigerant: Option<Refrigerant>) {
    let coil_clamp = |inputs: &mut Inputs, role: Role| {
        let clamp = inputs.get(role)?.clone();
        let what = "clamp on the coil instead of a pressure";
        let source = Source { value: None, what, shape: Shape::Rectangular };
        let mut unknown = Uncertain::exact(0.0);
        unknown.push(inputs.sources.add(source), COIL_CLAMP_K / 3f64.sqrt());
        Some(clamp.plus(&unknown))
    };
    let dew = |p| Some(refrigerant?.dew_temperature(Pascals::new(p)?)?.get());
    let bubble = |p| Some(refrigerant?.bubble_temperature(Pascals::new(p)?)?.get());
    let pressure = inputs.get(Role::SuctionPressure);
    made.evaporating = pressure
        .and_then(|pressure| pressure.apply(dew))
        .or_else(|| inputs.get(Role::SuctionSaturation).cloned());
    if made.evaporating.is_none() {
        made.evaporating = coil_clamp(inputs, Role::EvaporatorCoil);
        made.evaporating_by_clamp = made.evaporating.is_some();
    }
    if let Some((pressure, at_discharge)) = inputs.high_pressure() {
        let mut pressure = pressure.clone();
        if at_discharge {
            let what = "pressure drop of the condenser";
            let source = Source { value: None, what, shape: Shape::Rectangular };
            let half = CONDENSER_DROP * pressure.value;
            pressure.push(inputs.sources.add(source), half / 3f64.sqrt());
        }
        made.condensing = pressure.apply(bubble);
    }
    made.condensing = made.condensing.take().or(inputs.get(Role::LiquidSaturation).cloned());
    if made.condensing.is_none() {
        made.condensing = coil_clamp(inputs, Role::CondenserCoil);
        made.condensing_by_clamp = made.condensing.is_some();
    }
}

fn airflow(job: &Job, inputs: &mut Inputs) -> Option<(Uncertain, AirflowBasis)> {
    if let Some(measured) = inputs.get(Role::Airflow) {
        return Some((measured.clone(), AirflowBasis::Measured));
    }
    let (flow, basis) = job.unit.airflow?;
    let (half, what) = match basis {
        AirflowBasis::Measured => (AIRFLOW_MEASURED, "airflow as measured"),
        AirflowBasis::Assumed => (AIRFLOW_ASSUMED, "airflow is assumed"),
    };
    let source = Source { value: None, what, shape: Shape::Rectangular };
    let mut value = Uncertain::exact(flow.get());
    value.push(inputs.sources.add(source), half * flow.get() / 3f64.sqrt());
    Some((value, basis))
}

/// What the air does over both coils.
fn splits(made: &mut Measures, inputs: &Inputs) {
    let between = |warm: Option<&Uncertain>, cool: Option<&Uncertain>| Some(warm?.minus(cool?));
    let (entering, supply) = (inputs.entering_air(), inputs.get(Role::SupplyAir));
    let (outdoor, leaving) = (inputs.get(Role::OutdoorAir), inputs.get(Role::LeavingAir));
    let mixed = inputs.get(Role::MixedAir).is_some();
    let (evaporator, condenser) = match inputs.roles {
        Roles::Cooling => (between(entering, supply), between(leaving, outdoor)),
        Roles::Heating => (between(outdoor, leaving), between(supply, entering)),
    };
    let basis = match (inputs.roles, mixed) {
        (Roles::Cooling, true) => "mixed air minus supply air",
        (Roles::Cooling, false) => "return air minus supply air",
        (Roles::Heating, _) => "outdoor air minus the air leaving the outdoor coil",
    };
    made.add("evaporator_split", DELTA, basis, evaporator);
    let basis = match inputs.roles {
        Roles::Cooling => "air leaving the condenser minus outdoor air",
        Roles::Heating => "supply air minus return air",
    };
    made.add("condenser_split", DELTA, basis, condenser);
}

/// What tells about charge: superheat, subcooling, approach, the liquid line.
fn charge(made: &mut Measures, inputs: &Inputs) {
    let line = inputs.get(Role::SuctionLine);
    let over_dew = |line: Option<&Uncertain>, dew: Option<&Uncertain>| Some(line?.minus(dew?));
    let dew = made.evaporating.as_ref();
    let superheat = inputs.get(Role::Superheat).cloned().or_else(|| over_dew(line, dew));
    let given_at_coil = inputs.get(Role::CoilSuperheat).cloned();
    let by_clamp = made.evaporating_by_clamp;
    let basis = match (inputs.get(Role::Superheat).is_some(), by_clamp) {
        (true, _) => "as given",
        (false, false) => "suction line at the compressor minus dew point at the suction pressure",
        (false, true) => {
            "suction line at the compressor minus the evaporating coil's own \
             temperature, for want of a pressure"
        }
    };
    made.add("superheat", DELTA, basis, superheat);
    let basis = match (given_at_coil.is_some(), by_clamp) {
        (true, _) => "as given",
        (false, false) => "suction line at the coil's outlet minus dew point",
        (false, true) => {
            "suction line at the coil's outlet minus the coil's own temperature, for want of a \
             pressure"
        }
    };
    let dew = made.evaporating.as_ref();
    let at_coil = given_at_coil.or_else(|| over_dew(inputs.get(Role::CoilOutlet), dew));
    made.add("superheat_at_coil", DELTA, basis, at_coil);
    let liquid = inputs.get(Role::LiquidLine);
    let liquid = liquid.or(inputs.get(Role::LiquidLineFar));
    let given = inputs.get(Role::Subcooling).cloned();
    let basis = match (given.is_some(), made.condensing_by_clamp) {
        (true, _) => "as given",
        (false, false) => "bubble point at the high-side pressure minus liquid line",
        (false, true) => {
            "the condensing coil's own temperature minus liquid line, for want of a pressure"
        }
    };
    let subcooling = given.or_else(|| over_dew(made.condensing.as_ref(), liquid));
    made.add("subcooling", DELTA, basis, subcooling);
    if inputs.roles == Roles::Cooling {
        let approach = over_dew(inputs.get(Role::LiquidLine), inputs.get(Role::OutdoorAir));
        made.add("approach", DELTA, "liquid line minus outdoor air", approach);
    }
    let drop = over_dew(inputs.get(Role::LiquidLine), inputs.get(Role::LiquidLineFar));
    let basis = "liquid line at the condenser minus liquid line at the metering device";
    made.add("liquid_line_drop", DELTA, basis, drop);
}

/// What tells about the coils: saturation against the air.
fn coils(made: &mut Measures, inputs: &Inputs) {
    let (evaporating, condensing) = (made.evaporating.clone(), made.condensing.clone());
    let basis = if made.evaporating_by_clamp {
        "clamp on the evaporating coil"
    } else {
        "dew point at the suction pressure"
    };
    made.add("evaporating_temperature", "degC", basis, evaporating.clone());
    let basis = if made.condensing_by_clamp {
        "clamp on the condensing coil"
    } else {
        "bubble point at the high-side pressure"
    };
    made.add("condensing_temperature", "degC", basis, condensing.clone());
    let (warm, cold) = match inputs.roles {
        Roles::Cooling => (inputs.get(Role::OutdoorAir), inputs.entering_air()),
        Roles::Heating => (inputs.entering_air(), inputs.get(Role::OutdoorAir)),
    };
    let (over, basis) = match inputs.roles {
        Roles::Cooling => ("condensing_over_outdoor", "condensing temperature minus outdoor air"),
        Roles::Heating => ("condensing_over_return", "condensing temperature minus return air"),
    };
    let value = condensing.as_ref().zip(warm).map(|(t, air)| t.minus(air));
    made.add(over, DELTA, basis, value);
    let (under, basis) = match inputs.roles {
        Roles::Cooling => ("return_over_evaporating", "return air minus evaporating temperature"),
        Roles::Heating => ("outdoor_over_evaporating", "outdoor air minus evaporating temperature"),
    };
    let value = evaporating.as_ref().zip(cold).map(|(t, air)| air.minus(t));
    made.add(under, DELTA, basis, value);
}

/// What tells about the compressor.
fn compressor(made: &mut Measures, inputs: &mut Inputs, refrigerant: Option<Refrigerant>) {
    let discharge = inputs.get(Role::DischargeLine).cloned();
    made.add("discharge_temperature", "degC", "clamp on the discharge line", discharge.clone());
    let over = discharge.as_ref().zip(made.condensing.as_ref()).map(|(d, c)| d.minus(c));
    let basis = "discharge line minus condensing temperature";
    made.add("discharge_superheat", DELTA, basis, over);
    let (Some(low), Some((high, _))) = (inputs.get(Role::SuctionPressure), inputs.high_pressure())
    else {
        return;
    };
    let ratio = high.apply_two(low, |high, low| (low > 0.0).then(|| high / low));
    let basis = "high-side pressure to suction pressure, both absolute";
    made.add("pressure_ratio", "fraction", basis, ratio);
    let (Some(refrigerant), Some(suction), Some(discharge)) =
        (refrigerant, inputs.get(Role::SuctionLine), discharge)
    else {
        return;
    };
    let basis = "work of a loss-free compressor to the rise of enthalpy from suction to discharge; \
                 heat lost from the shell makes it read high";
    let value = efficiency(refrigerant, low, high, suction, &discharge);
    made.add("isentropic_efficiency", "fraction", basis, value);
}

/// Isentropic efficiency from the states at both ends of the compressor.
fn efficiency(
    refrigerant: Refrigerant,
    low: &Uncertain,
    high: &Uncertain,
    suction: &Uncertain,
    discharge: &Uncertain,
) -> Option<Uncertain> {
    let of = |low: f64, high: f64, suction: f64, discharge: f64| {
        let (low, high) = (Pascals::new(low)?, Pascals::new(high)?);
        let inlet = refrigerant.vapor(low, Celsius::new(suction)?)?;
        let outlet = refrigerant.vapor(high, Celsius::new(discharge)?)?;
        let (_, ideal) = refrigerant.vapor_at_entropy(high, inlet.entropy)?;
        let from = inlet.enthalpy.get();
        let rise = outlet.enthalpy.get() - from;
        (rise > 0.0).then(|| (ideal.enthalpy.get() - from) / rise)
    };
    let (l, h, s, d) = (low.value, high.value, suction.value, discharge.value);
    let pressures = low.apply_two(high, |low, high| of(low, high, s, d))?;
    let lines = suction.apply_two(discharge, |suction, discharge| of(l, h, suction, discharge))?;
    Some(pressures.mix(1.0, &lines, 1.0, lines.value))
}
