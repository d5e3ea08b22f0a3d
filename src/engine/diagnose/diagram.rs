//! The refrigerant's way round the circuit on pressure and enthalpy, from one settled set.
//!
//! Pressures come from gauges or, where there are none, from clamps on the coils; enthalpies from
//! the lines' temperatures. Each point carries the uncertainty of both.

use crate::engine::diagnose::errors::Instruments;
use crate::engine::diagnose::inputs::{Inputs, Role};
use crate::engine::diagnose::measure::{Measures, measures};
use crate::engine::diagnose::uncertain::Uncertain;
use crate::engine::job::Job;
use crate::engine::reading::SettledSet;
use crate::physics::refrigerant::Refrigerant;
use crate::units::quantity::{Celsius, JoulesPerKilogram, Pascals};

/// A state of the refrigerant, with what is not known of it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct State {
    /// Where on the circuit.
    pub place: Place,
    /// Enthalpy (J/kg).
    pub enthalpy: f64,
    /// Half-width of the interval that holds the enthalpy with 95 % probability (J/kg).
    pub enthalpy_half: f64,
    /// Pressure (Pa, absolute).
    pub pressure: f64,
    /// Half-width of the interval that holds the pressure with 95 % probability (Pa).
    pub pressure_half: f64,
    /// The temperature from which the enthalpy comes (°C); `None` where it is another point's.
    pub temperature: Option<f64>,
}

/// Where on the circuit a state is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Place {
    /// Suction line at the compressor.
    Suction,
    /// Discharge line.
    Discharge,
    /// Liquid line as it leaves the condenser.
    Liquid,
    /// Behind the metering device: the liquid's enthalpy at the evaporator's pressure.
    Expanded,
}

impl Place {
    /// What people call it.
    pub const fn words(self) -> &'static str {
        match self {
            Self::Suction => "suction line",
            Self::Discharge => "discharge line",
            Self::Liquid => "liquid line",
            Self::Expanded => "after the metering device",
        }
    }
}

/// A circuit on pressure and enthalpy.
#[derive(Debug, Clone, PartialEq)]
pub struct Diagram {
    /// The refrigerant.
    pub refrigerant: Refrigerant,
    /// The states that are known, in the order of the flow from the suction line.
    pub states: Vec<State>,
    /// Where compression without any loss would end, at the high pressure: enthalpy (J/kg).
    pub ideal_enthalpy: Option<f64>,
    /// How the pressures are known, in words; the low one, then the high one.
    pub pressures_from: [&'static str; 2],
    /// What a reader must know of it, in words.
    pub remarks: Vec<&'static str>,
}

/// Why there is no diagram, in words that say what is missing.
pub type Missing = &'static str;

/// The circuit of `set` on pressure and enthalpy.
///
/// # Errors
/// What is missing.
pub fn diagram(
    job: &Job,
    set: &SettledSet,
    instruments: Instruments<'_>,
    circuit: u8,
) -> Result<Diagram, Missing> {
    let described = job.unit.circuits.get(usize::from(circuit).saturating_sub(1));
    let named = described.and_then(|circuit| circuit.refrigerant.as_deref());
    let refrigerant = named
        .and_then(|name| Refrigerant::by_name(name).ok())
        .ok_or("the job names no refrigerant that has a table")?;
    let mut inputs = Inputs::new(job, set, instruments, circuit);
    let made = measures(job, Some(refrigerant), &mut inputs);
    let (low, low_from) = low_pressure(refrigerant, &inputs, &made)
        .ok_or("no suction pressure, and no clamp on the evaporating coil")?;
    let (high, high_from) = high_pressure(refrigerant, &inputs, &made)
        .ok_or("no high-side pressure, and no clamp on the condensing coil")?;
    if high.value <= low.value {
        return Err("the high side is not above the low side");
    }
    let mut remarks = Vec::new();
    let points = Points { refrigerant, inputs: &inputs };
    let suction = points.vapor(Place::Suction, Role::SuctionLine, &low, &mut remarks);
    let discharge = points.vapor(Place::Discharge, Role::DischargeLine, &high, &mut remarks);
    let liquid = points.liquid(&high, &mut remarks);
    let expanded = liquid.as_ref().map(|(_, enthalpy)| {
        let place = Place::Expanded;
        points.state(place, enthalpy, &low, None)
    });
    let states = [suction, discharge, liquid.map(|(state, _)| state), expanded];
    let states: Vec<State> = states.into_iter().flatten().collect();
    if states.iter().all(|state| state.place == Place::Expanded) || states.is_empty() {
        return Err("no clamp on the suction, discharge or liquid line");
    }
    let ideal_enthalpy = ideal(refrigerant, &states, high.value);
    Ok(Diagram {
        refrigerant,
        states,
        ideal_enthalpy,
        pressures_from: [low_from, high_from],
        remarks,
    })
}

/// The saturation line: `(enthalpy of bubble liquid, enthalpy of dew vapour, pressure)`, in J/kg
/// and Pa, from the lowest pressure to the highest in even steps of its logarithm.
pub fn dome(refrigerant: Refrigerant, steps: u32) -> Vec<(f64, f64, f64)> {
    let (low, high) = refrigerant.pressure_range();
    let (from, to) = (libm::log(low), libm::log(high));
    let one = |step: u32| {
        let share = f64::from(step) / f64::from(steps);
        // The ends must not leave the table by a rounding.
        let pressure = Pascals::new(libm::exp(from + (to - from) * share).clamp(low, high))?;
        let both = refrigerant.saturated(pressure)?;
        Some((both.liquid_enthalpy.get(), both.vapor_enthalpy.get(), pressure.get()))
    };
    (0..=steps).filter_map(one).collect()
}

/// A line of one temperature (°C) in the superheated vapour: `(enthalpy, pressure)`, J/kg and Pa,
/// from the dew line down to the lowest pressure.
pub fn isotherm(refrigerant: Refrigerant, temperature: f64, steps: u32) -> Vec<(f64, f64)> {
    let Some(temperature) = Celsius::new(temperature) else { return Vec::new() };
    let (low, high) = refrigerant.pressure_range();
    let dew = refrigerant.dew_pressure(temperature).map_or(high, Pascals::get);
    let (low, high) = (libm::log(low), libm::log(dew));
    let one = |step: u32| {
        let pressure =
            Pascals::new(libm::exp(high + (low - high) * f64::from(step) / f64::from(steps)))?;
        let vapor = refrigerant.vapor(pressure, temperature)?;
        Some((vapor.enthalpy.get(), pressure.get()))
    };
    (0..=steps).filter_map(one).collect()
}

/// Low-side pressure (Pa): of a gauge, or of the saturation temperature at hand.
fn low_pressure(
    refrigerant: Refrigerant,
    inputs: &Inputs,
    made: &Measures,
) -> Option<(Uncertain, &'static str)> {
    if let Some(pressure) = inputs.get(Role::SuctionPressure) {
        return Some((pressure.clone(), "suction pressure"));
    }
    let at = |t| Some(refrigerant.dew_pressure(Celsius::new(t)?)?.get());
    let from = if made.evaporating_by_clamp { "coil clamp" } else { "saturation as given" };
    Some((made.evaporating.as_ref()?.apply(at)?, from))
}

/// High-side pressure (Pa), likewise.
fn high_pressure(
    refrigerant: Refrigerant,
    inputs: &Inputs,
    made: &Measures,
) -> Option<(Uncertain, &'static str)> {
    if let Some((pressure, at_discharge)) = inputs.high_pressure() {
        let from = if at_discharge { "discharge pressure" } else { "liquid-line pressure" };
        return Some((pressure.clone(), from));
    }
    let at = |t| Some(refrigerant.bubble_pressure(Celsius::new(t)?)?.get());
    let from = if made.condensing_by_clamp { "coil clamp" } else { "saturation as given" };
    Some((made.condensing.as_ref()?.apply(at)?, from))
}

/// Makes states of one circuit.
struct Points<'a> {
    refrigerant: Refrigerant,
    inputs: &'a Inputs,
}

impl Points<'_> {
    fn state(
        &self,
        place: Place,
        enthalpy: &Uncertain,
        pressure: &Uncertain,
        temperature: Option<f64>,
    ) -> State {
        let sources = &self.inputs.sources;
        State {
            place,
            enthalpy: enthalpy.value,
            enthalpy_half: enthalpy.half_width(sources),
            pressure: pressure.value,
            pressure_half: pressure.half_width(sources),
            temperature,
        }
    }

    fn vapor(
        &self,
        place: Place,
        role: Role,
        pressure: &Uncertain,
        remarks: &mut Vec<&'static str>,
    ) -> Option<State> {
        let line = self.inputs.get(role)?;
        let enthalpy = |p, t| {
            let (p, t) = (Pascals::new(p)?, Celsius::new(t)?);
            Some(self.refrigerant.vapor(p, t)?.enthalpy.get())
        };
        let Some(found) = pressure.apply_two(line, enthalpy) else {
            remarks.push(match place {
                Place::Suction => {
                    "the suction line is at its dew point or below: the vapour may be wet, and its \
                     enthalpy cannot be told from a temperature"
                }
                _ => "the discharge line lies outside what the refrigerant's table covers",
            });
            return None;
        };
        Some(self.state(place, &found, pressure, Some(line.value)))
    }

    fn liquid(
        &self,
        pressure: &Uncertain,
        remarks: &mut Vec<&'static str>,
    ) -> Option<(State, Uncertain)> {
        let line = self.inputs.get(Role::LiquidLine)?;
        let bubble = |p| Some(self.refrigerant.bubble_temperature(Pascals::new(p)?)?.get());
        let wet = bubble(pressure.value).is_some_and(|bubble| line.value >= bubble);
        let enthalpy = |p: f64, t: f64| {
            // Above bubble the line's temperature says nothing of how much has boiled.
            let t = t.min(bubble(p)?);
            let (p, t) = (Pascals::new(p)?, Celsius::new(t)?);
            self.refrigerant.subcooled_enthalpy(p, t).map(JoulesPerKilogram::get)
        };
        let found = pressure.apply_two(line, enthalpy)?;
        if wet {
            remarks.push(
                "the liquid line is at its bubble point or above: it is drawn on the bubble line, \
                 and may hold some vapour",
            );
        }
        Some((self.state(Place::Liquid, &found, pressure, Some(line.value)), found))
    }
}

/// Where compression from the suction line to `high` (Pa) without loss ends (J/kg).
fn ideal(refrigerant: Refrigerant, states: &[State], high: f64) -> Option<f64> {
    let suction = states.iter().find(|state| state.place == Place::Suction)?;
    let (low, line) = (Pascals::new(suction.pressure)?, Celsius::new(suction.temperature?)?);
    let entropy = refrigerant.vapor(low, line)?.entropy;
    let (_, vapor) = refrigerant.vapor_at_entropy(Pascals::new(high)?, entropy)?;
    Some(vapor.enthalpy.get())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::engine::job::Circuit;
    use crate::engine::reading::SettledValue;
    use crate::units::quantity::Quantity;
    use crate::units::time::Elapsed;

    fn job() -> Job {
        let mut job = Job::default();
        let refrigerant = Some("R-410A".to_owned());
        job.unit.circuits = vec![Circuit { refrigerant, ..Circuit::default() }];
        job
    }

    fn set(values: &[(&str, f64, f64)]) -> SettledSet {
        let value = |(name, value, uncertainty): &(&str, f64, f64)| {
            let channel: crate::engine::channel::Channel = name.parse().unwrap();
            SettledValue {
                quantity: Quantity::new(channel.kind, *value).unwrap(),
                channel,
                spread: 0.0,
                uncertainty: *uncertainty,
                probe: None,
            }
        };
        SettledSet {
            number: 1,
            cycle: None,
            from: Elapsed::ZERO,
            to: Elapsed::ZERO,
            run_s: None,
            values: values.iter().map(value).collect(),
        }
    }

    const FULL: [(&str, f64, f64); 5] = [
        ("suction-line.pressure", 915e3, 5e3),
        ("liquid-line.pressure", 2_550e3, 10e3),
        ("suction-line.temperature", 12.0, 0.3),
        ("discharge-line.temperature", 75.0, 0.5),
        ("liquid-line.temperature", 36.0, 0.3),
    ];

    /// The table itself is checked against CoolProp in `physics`; here, which point is which.
    #[test]
    fn the_points_lie_where_the_lines_and_pressures_say() {
        let found = diagram(&job(), &set(&FULL), &[], 1).unwrap();
        let places: Vec<Place> = found.states.iter().map(|state| state.place).collect();
        assert_eq!(places, [Place::Suction, Place::Discharge, Place::Liquid, Place::Expanded]);
        let [suction, discharge, liquid, expanded] = found.states[..] else { panic!() };
        assert!(suction.enthalpy < discharge.enthalpy && liquid.enthalpy < suction.enthalpy);
        assert_eq!(liquid.enthalpy, expanded.enthalpy);
        assert_eq!((suction.pressure, expanded.pressure), (915e3, 915e3));
        assert_eq!((discharge.pressure, liquid.pressure), (2_550e3, 2_550e3));
        // Real compression ends at more enthalpy than one without loss.
        let ideal = found.ideal_enthalpy.unwrap();
        assert!(suction.enthalpy < ideal && ideal < discharge.enthalpy, "{found:?}");
        // 0.3 K of vapour at some 1.1 kJ/(kg·K): about 0.7 kJ/kg at 95 %, pressure adds a little.
        assert!((500.0..1_100.0).contains(&suction.enthalpy_half), "{}", suction.enthalpy_half);
        assert!(found.remarks.is_empty());
        // Its own 5 kPa and the barometer's 1 kPa, both normal: 1.96 times their root sum of squares.
        assert!((suction.pressure_half - 9.994e3).abs() < 20.0, "{}", suction.pressure_half);
    }

    #[test]
    fn coil_clamps_stand_in_for_pressures_and_are_less_sure() {
        let clamps = [
            ("indoor-coil.temperature", 4.0, 0.3),
            ("outdoor-coil.temperature", 42.0, 0.3),
            FULL[2],
            FULL[3],
            FULL[4],
        ];
        let found = diagram(&job(), &set(&clamps), &[], 1).unwrap();
        assert_eq!(found.pressures_from, ["coil clamp", "coil clamp"]);
        assert!(found.states[0].pressure_half > 20e3, "{found:?}");
    }

    #[test]
    fn what_is_missing_is_said() {
        let nothing = diagram(&Job::default(), &set(&FULL), &[], 1).unwrap_err();
        assert!(nothing.contains("refrigerant"));
        let no_low = diagram(&job(), &set(&FULL[1..]), &[], 1).unwrap_err();
        assert!(no_low.contains("suction pressure"));
        let no_lines = diagram(&job(), &set(&FULL[..2]), &[], 1).unwrap_err();
        assert!(no_lines.contains("line"));
    }

    #[test]
    fn wet_states_are_not_guessed() {
        let mut wet = FULL;
        wet[2].1 = 2.0;
        wet[4].1 = 60.0;
        let found = diagram(&job(), &set(&wet), &[], 1).unwrap();
        assert!(found.states.iter().all(|state| state.place != Place::Suction));
        assert_eq!(found.remarks.len(), 2);
        assert_eq!(found.ideal_enthalpy, None);
    }

    #[test]
    fn the_dome_closes_upwards() {
        for refrigerant in Refrigerant::all() {
            let dome = dome(refrigerant, 60);
            assert_eq!(dome.len(), 61, "{}", refrigerant.name());
            let width = |(liquid, vapor, _): &(f64, f64, f64)| vapor - liquid;
            assert!(dome.windows(2).all(|pair| width(&pair[1]) < width(&pair[0])));
        }
    }
}
