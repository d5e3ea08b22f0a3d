//! Whether pressures can be what they say: gauge against absolute, altitude, refrigerant.
//!
//! A pressure alone never shows it. What does: a clamp on the middle of a coil, which must read near
//! the saturation there; and what no refrigerant does, such as boiling above the air that it cools.
//! On a high-pressure refrigerant one atmosphere more or less moves saturation by 1.5 to 3.5 K and
//! 300 m of altitude by a tenth of a kelvin: without a clamp on the coil the readings then go on
//! looking possible, and the measure's basis says by how much it would be wrong.

use crate::engine::columns::Units;
use crate::engine::diagnose::inputs::{Inputs, Role};
use crate::engine::diagnose::measure::Measures;
use crate::engine::diagnose::sanity::{Check, Doubt, RESERVE_K};
use crate::engine::diagnose::uncertain::Uncertain;
use crate::engine::job::Job;
use crate::engine::phrase::{self, Phrase};
use crate::physics::refrigerant::Refrigerant;
use crate::units::quantity::{Celsius, Pascals, QuantityKind, STANDARD_ATMOSPHERE_PA};

/// Highest and lowest barometer (Pa) where people have air conditioners: from well below sea level
/// in a high to 5,000 m. Assumed.
const BAROMETER_PA: [f64; 2] = [53e3, 109e3];
/// How near (Pa) to the air's own pressure a gauge that is not connected reads. Assumed.
const AT_ATMOSPHERE_PA: f64 = 5e3;
/// Absolute pressure (Pa) under which no air conditioner runs: a deep vacuum. Assumed.
const VACUUM_PA: f64 = 30e3;
/// How near (K) a saturation must come to its coil's clamp to explain a mismatch. Assumed.
const FITS_K: f64 = 2.5;
/// How far (K) it must be off to call for an explanation. Assumed.
const MISFIT_K: f64 = 4.0;
/// Errors of the barometer (Pa) that are held against the readings: 600 to 3,600 m of altitude.
const BAROMETER_STEPS: [f64; 6] = [6e3, 12e3, 18e3, 24e3, 30e3, 36e3];
/// Weight (Pa/m) of the air near the ground.
const AIR_PA_PER_M: f64 = 11.5;
/// An altitude (m) to be wrong by: 1,000 ft.
const FEET_1000_M: f64 = 304.8;
/// What it takes from the barometer (Pa): 101,325 − 97,717, the standard atmosphere.
const FEET_1000_PA: f64 = 3_608.0;
/// Refrigerants named at most.
const NAMED: usize = 4;

/// The pressures that a circuit can have.
const PRESSURES: [Role; 3] = [Role::SuctionPressure, Role::LiquidPressure, Role::DischargePressure];
/// All that tells saturation.
const SATURATIONS: [Role; 5] = [
    Role::SuctionPressure,
    Role::LiquidPressure,
    Role::DischargePressure,
    Role::SuctionSaturation,
    Role::LiquidSaturation,
];

/// What pressures show by themselves: a gauge that is not connected, a barometer of no place.
pub fn gauges(job: &Job, inputs: &Inputs) -> Vec<Doubt> {
    let mut found = Vec::new();
    let barometer = job.barometer.get();
    for role in PRESSURES {
        let Some(pressure) = inputs.get(role).map(|value| value.value) else { continue };
        let which = if role == Role::SuctionPressure { "suction" } else { "high-side" };
        if (pressure - barometer).abs() < AT_ATMOSPHERE_PA {
            let basis = format!(
                "the {which} gauge reads the air's own pressure: it is not connected or its valve \
                 is shut, or the circuit is open or empty"
            );
            found.push(Doubt::new("gauge_at_atmosphere", basis, &[role]));
        } else if pressure < VACUUM_PA {
            let basis = format!(
                "the {which} pressure is a vacuum, in which no air conditioner runs: a gauge \
                 pressure was taken as absolute"
            );
            found.push(Doubt::new("gauge_or_absolute", basis, &[role]));
        }
    }
    let there = PRESSURES.iter().any(|role| inputs.get(*role).is_some());
    if there && !(BAROMETER_PA[0]..=BAROMETER_PA[1]).contains(&barometer) {
        let basis = format!(
            "the job's altitude or barometer gives {} of air pressure, which is found nowhere \
             that people live: correct it, since every gauge pressure and humidity rests on it",
            Phrase::of(QuantityKind::Pressure, job.units).value(barometer)
        );
        found.push(Doubt { barometer: true, ..Doubt::new("wrong_altitude", basis, &PRESSURES) });
    }
    found
}

/// Saturation against clamps on the coils, and against what cannot be.
///
/// `known` are the doubts found before: what they explain is not explained again.
pub fn saturations(
    job: &Job,
    refrigerant: Option<Refrigerant>,
    inputs: &Inputs,
    measures: &Measures,
    known: &[Doubt],
) -> Vec<Doubt> {
    let trusted = |role: Role| {
        inputs.get(role).filter(|_| known.iter().all(|doubt| !doubt.roles.contains(&role)))
    };
    let Some(refrigerant) = refrigerant else { return impossible(measures, &trusted, None) };
    let pressures = Pressures { refrigerant, inputs, units: job.units, trusted: &trusted };
    let said = Phrase::of(QuantityKind::Saturation, job.units);
    let (low, high) = (pressures.gap(true), pressures.gap(false));
    let what = match (low, high) {
        (Some(gap), _) => gap.words(true, said),
        // Gas that does not condense holds the pressure above what the coil's temperature says.
        (None, Some(gap)) if gap.pressure > gap.clamp => return vec![above_coil(gap, said)],
        (None, Some(gap)) => gap.words(false, said),
        (None, None) => return impossible(measures, &trusted, Some(&pressures)),
    };
    pressures.explained(&what).unwrap_or_else(|| {
        let basis = format!(
            "{what}; neither another refrigerant, nor gauge for absolute, nor altitude explains \
             that: the clamp sits wrong on the coil, or the gauge reads wrong"
        );
        vec![Doubt::new("saturation_impossible", basis, &SATURATIONS)]
    })
}

/// What a saturation cannot show of itself: by how much a mistaken atmosphere and a mistaken
/// altitude would move it. `None` where a clamp on the coil shows it.
pub fn blind_spot(
    refrigerant: Option<Refrigerant>,
    inputs: &Inputs,
    low: bool,
    units: Units,
) -> Option<String> {
    let pressure = if low {
        inputs.get(Role::SuctionPressure)
    } else {
        inputs.high_pressure().map(|(pressure, _)| pressure)
    }?;
    if inputs.get(Pressures::coil(low)).is_some() {
        return None;
    }
    let here = saturation(refrigerant?, pressure.value, low)?;
    let moved = |pa: f64| saturation(refrigerant?, pressure.value + pa, low).map(|t| t - here);
    let said = Phrase::of(QuantityKind::Saturation, units);
    let atmosphere = said.gap(moved(STANDARD_ATMOSPHERE_PA)?);
    let by_altitude = said.gap(moved(FEET_1000_PA)?);
    let altitude = phrase::altitude(FEET_1000_M, units);
    Some(format!(
        "nothing at hand shows gauge taken for absolute, which would move it by {atmosphere}, or \
         {altitude} of wrong altitude: {by_altitude}; a clamp on the middle of the coil would"
    ))
}

/// The high-side pressure says more than the clamp on its coil, and the low side is in order.
fn above_coil(gap: Gap, said: Phrase) -> Doubt {
    let basis = format!(
        "{}: air or nitrogen in the refrigerant does that, and so does a clamp on a part of the \
         coil that is full of liquid",
        gap.words(false, said)
    );
    Doubt::new("pressure_over_coil_clamp", basis, &[Role::CondenserCoil])
}

/// What no refrigerant does: boiling above the air that it cools, condensing below the air that
/// cools it, a suction line colder than dew, a liquid line hotter than bubble.
fn impossible<'a>(
    measures: &Measures,
    trusted: &impl Fn(Role) -> Option<&'a Uncertain>,
    pressures: Option<&Pressures<'_>>,
) -> Vec<Doubt> {
    let (low, high) = (measures.evaporating.as_ref(), measures.condensing.as_ref());
    let entering = trusted(Role::MixedAir).or_else(|| trusted(Role::ReturnAir));
    let what = if Check::below(high, trusted(Role::OutdoorAir)) {
        "the condensing temperature lies below the outdoor air"
    } else if Check::below(entering, low) {
        "the evaporating temperature lies above the air that it cools"
    } else if Check::below(trusted(Role::SuctionLine), low) {
        "the suction line reads colder than the dew point at its pressure"
    } else if Check::below(high, trusted(Role::LiquidLine)) {
        "the liquid line reads hotter than the bubble point at its pressure"
    } else {
        return Vec::new();
    };
    let explained = pressures.and_then(|pressures| pressures.explained(what));
    explained.unwrap_or_else(|| {
        let basis = format!(
            "{what}, which cannot be: gauge taken as absolute (or the other way round), a wrong \
             altitude, another refrigerant than the job says, or a clamp that reads wrong"
        );
        vec![Doubt::new("saturation_impossible", basis, &SATURATIONS)]
    })
}

/// A saturation beside the clamp on its coil (°C).
#[derive(Debug, Clone, Copy)]
struct Gap {
    pressure: f64,
    clamp: f64,
}

impl Gap {
    fn words(self, low: bool, said: Phrase) -> String {
        let which = if low { "suction" } else { "high-side" };
        let (pressure, clamp) = (said.value(self.pressure), said.value(self.clamp));
        format!("the {which} pressure says {pressure} of saturation, the clamp on its coil {clamp}")
    }
}

/// The pressures of one circuit, held against what would explain them.
struct Pressures<'a> {
    refrigerant: Refrigerant,
    inputs: &'a Inputs,
    units: Units,
    trusted: &'a dyn Fn(Role) -> Option<&'a Uncertain>,
}

impl Pressures<'_> {
    fn value(&self, role: Role) -> Option<f64> {
        (self.trusted)(role).map(|value| value.value)
    }

    fn low(&self) -> Option<f64> {
        self.value(Role::SuctionPressure)
    }

    fn high(&self) -> Option<f64> {
        self.inputs.high_pressure().map(|(pressure, _)| pressure.value)
    }

    fn coil(low: bool) -> Role {
        if low { Role::EvaporatorCoil } else { Role::CondenserCoil }
    }

    /// Where saturation and the coil's clamp disagree beyond doubt.
    fn gap(&self, low: bool) -> Option<Gap> {
        let pressure = if low { self.low() } else { self.high() }?;
        let clamp = (self.trusted)(Self::coil(low))?;
        let here = saturation(self.refrigerant, pressure, low)?;
        let far = MISFIT_K.max(RESERVE_K + 2.0 * clamp.uncertainty());
        let gap = Gap { pressure: here, clamp: clamp.value };
        ((here - clamp.value).abs() >= far).then_some(gap)
    }

    /// Whether all readings could be, were the refrigerant this and the pressures off by so much.
    fn fits(&self, refrigerant: Refrigerant, off_low: f64, off_high: f64) -> bool {
        let at = |p: Option<f64>, off: f64, low| match p {
            Some(p) => saturation(refrigerant, p + off, low).map(Some),
            None => Some(None),
        };
        let (Some(low), Some(high)) =
            (at(self.low(), off_low, true), at(self.high(), off_high, false))
        else {
            return false;
        };
        let near = |t: Option<f64>, coil| match (t, self.value(coil)) {
            (Some(t), Some(clamp)) => (t - clamp).abs() < FITS_K,
            _ => true,
        };
        let above = |a: Option<f64>, b: Option<f64>| match (a, b) {
            (Some(a), Some(b)) => a > b,
            _ => true,
        };
        near(low, Role::EvaporatorCoil)
            && near(high, Role::CondenserCoil)
            && above(high, self.value(Role::OutdoorAir))
            && above(self.value(Role::ReturnAir), low)
            && above(self.value(Role::SuctionLine), low)
            && above(high, self.value(Role::LiquidLine))
    }

    /// The pressures that are wrong if gauge and absolute are mixed up, the fewest first.
    fn atmosphere(&self) -> Option<Vec<Role>> {
        const ATM: f64 = STANDARD_ATMOSPHERE_PA;
        let (low, high) = (&[Role::SuctionPressure][..], &PRESSURES[1..]);
        let cases = [
            (ATM, 0.0, low),
            (-ATM, 0.0, low),
            (0.0, ATM, high),
            (0.0, -ATM, high),
            (ATM, ATM, &PRESSURES[..]),
            (-ATM, -ATM, &PRESSURES[..]),
        ];
        let here = self.refrigerant;
        let there = |roles: &[Role]| roles.iter().any(|role| self.inputs.get(*role).is_some());
        let fit = cases.iter().find(|(l, h, roles)| there(roles) && self.fits(here, *l, *h));
        fit.map(|(_, _, roles)| roles.to_vec())
    }

    /// The least error of the barometer (Pa) that would do.
    fn barometer(&self) -> Option<f64> {
        let both = BAROMETER_STEPS.iter().flat_map(|pa| [*pa, -*pa]);
        both.into_iter().find(|off| self.fits(self.refrigerant, *off, *off))
    }

    /// What would explain the readings; where more than one thing does, all of it is named.
    fn explained(&self, what: &str) -> Option<Vec<Doubt>> {
        let mut would = Vec::new();
        if let Some(roles) = self.atmosphere() {
            let basis = "gauge and absolute pressure are mixed up: one atmosphere closes the gap";
            would.push(Doubt::new("gauge_or_absolute", basis, &roles));
        }
        if let Some(off) = self.barometer() {
            let basis = format!(
                "the job's altitude is about {} too {}, or its barometer as far off",
                phrase::altitude(off.abs() / AIR_PA_PER_M, self.units),
                if off > 0.0 { "high" } else { "low" }
            );
            let doubt = Doubt::new("wrong_altitude", basis, &PRESSURES);
            would.push(Doubt { barometer: true, ..doubt });
        }
        let others = Refrigerant::all().filter(|other| self.fits(*other, 0.0, 0.0));
        let names: Vec<_> = others.map(Refrigerant::name).take(NAMED).collect();
        if !names.is_empty() {
            let basis = format!(
                "the refrigerant is not {} as the job says; {} would fit: read the nameplate",
                self.refrigerant.name(),
                names.join(" or ")
            );
            would.push(Doubt::new("wrong_refrigerant", basis, &PRESSURES));
        }
        let texts: Vec<_> = would.iter().map(|doubt| doubt.basis.as_str()).collect();
        let basis = format!("{what}: {}", texts.join("; or "));
        match would.len() {
            0 => None,
            1 => Some(
                would.into_iter().map(|doubt| Doubt { basis: basis.clone(), ..doubt }).collect(),
            ),
            _ => Some(vec![Doubt::new("saturation_impossible", basis, &SATURATIONS)]),
        }
    }
}

/// Dew (`low`) or bubble temperature (°C) at this absolute pressure (Pa).
fn saturation(refrigerant: Refrigerant, pressure: f64, low: bool) -> Option<f64> {
    let pressure = Pascals::new(pressure)?;
    let temperature = if low {
        refrigerant.dew_temperature(pressure)
    } else {
        refrigerant.bubble_temperature(pressure)
    };
    temperature.map(Celsius::get)
}
