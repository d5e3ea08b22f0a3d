//! Whether the readings can be what they say: probes swapped, a clamp off its pipe, gauge taken as
//! absolute. What is found is named, and nothing that rests on it is judged.

use crate::engine::diagnose::inputs::{Inputs, Role, Roles};
use crate::engine::diagnose::measure::Measures;
use crate::engine::diagnose::uncertain::{Sources, Uncertain};
use crate::engine::job::{Job, Mode};
use crate::physics::refrigerant::Refrigerant;
use crate::units::quantity::{Celsius, Pascals, STANDARD_ATMOSPHERE_PA};

/// Current (A) under which no compressor of an air conditioner runs. Assumed.
const CURRENT_MIN_A: f64 = 0.5;
/// Pressure ratio under which the compressor moves nothing. Assumed.
const RATIO_MIN: f64 = 1.25;
/// Difference (K) under which a clamp reads as the air around it. Assumed.
const FOLLOWS_AIR_K: f64 = 1.0;
/// Superheat (K) over which a suction line as warm as the air is not believed. Assumed.
const SUPERHEAT_MAX_K: f64 = 25.0;
/// Least reserve (K) beyond the readings' own errors before something is called impossible.
/// Assumed.
const RESERVE_K: f64 = 1.0;
/// How near (K) a saturation must come to its coil's clamp to explain a mismatch. Assumed.
const FITS_K: f64 = 2.5;
/// How far (K) it must be off to call for an explanation. Assumed.
const MISFIT_K: f64 = 4.0;

/// Highest temperature (°C) of air in a room that is cooled. Assumed.
const ROOM_MAX_C: f64 = 32.0;

/// Something that cannot be.
#[derive(Debug, Clone, PartialEq)]
pub struct Doubt {
    /// Its name in snake_case.
    pub name: &'static str,
    /// What was seen and what it means.
    pub basis: String,
    /// The roles whose values are not to be trusted; empty for all.
    pub roles: Vec<Role>,
}

/// Which values of a set are not to be trusted.
#[derive(Debug, Clone, Default)]
pub struct Distrust {
    /// Nothing of the set may be judged.
    pub all: bool,
    values: Vec<usize>,
}

impl Distrust {
    /// What these doubts take away.
    pub fn new(doubts: &[Doubt], inputs: &Inputs) -> Self {
        let mut values = Vec::new();
        for role in doubts.iter().flat_map(|doubt| &doubt.roles) {
            let Some(value) = inputs.get(*role) else { continue };
            for (source, _) in value.terms() {
                let index = inputs.sources.get(*source).value;
                values.extend(index.filter(|index| !values.contains(index)));
            }
        }
        Self { all: doubts.iter().any(|doubt| doubt.roles.is_empty()), values }
    }

    /// Whether a value rests on something that is not to be trusted.
    pub fn touches(&self, sources: &Sources, value: &Uncertain) -> bool {
        let bad = |index: Option<usize>| index.is_some_and(|index| self.values.contains(&index));
        self.all
            || (!self.values.is_empty() && value.depends_on(sources, |source| bad(source.value)))
    }
}

/// All that cannot be in the readings of one circuit.
pub fn doubts(
    job: &Job,
    refrigerant: Option<Refrigerant>,
    inputs: &Inputs,
    measures: &Measures,
) -> Vec<Doubt> {
    let check = Check { inputs, measures };
    let mut found = Vec::new();
    if let Some(doubt) = check.not_running() {
        return vec![doubt];
    }
    found.extend(check.air_over_indoor_coil(job.mode));
    if !found.iter().any(|doubt| doubt.roles.is_empty()) && inputs.roles == Roles::Cooling {
        found.extend(check.lines());
        found.extend(check.pressures(refrigerant));
    }
    found
}

struct Check<'a> {
    inputs: &'a Inputs,
    measures: &'a Measures,
}

impl Check<'_> {
    fn value(&self, role: Role) -> Option<f64> {
        self.inputs.get(role).map(|value| value.value)
    }

    /// Whether `a` is below `b` beyond doubt.
    fn below(a: Option<&Uncertain>, b: Option<&Uncertain>) -> bool {
        let (Some(a), Some(b)) = (a, b) else { return false };
        let difference = a.minus(b);
        difference.value < -(RESERVE_K + 2.0 * difference.uncertainty())
    }

    fn roles_below(&self, a: Role, b: Role) -> bool {
        Self::below(self.inputs.get(a), self.inputs.get(b))
    }

    fn not_running(&self) -> Option<Doubt> {
        let current = self.value(Role::OutdoorCurrent).filter(|a| *a < CURRENT_MIN_A);
        let ratio = self.measures.get("pressure_ratio").map(|m| m.value.value);
        let ratio = ratio.filter(|ratio| *ratio < RATIO_MIN);
        let discharge = self.value(Role::DischargeLine);
        let flat = discharge.zip(self.value(Role::SuctionLine)).is_some_and(|(d, s)| d < s + 3.0);
        let no_split = self.measures.get("evaporator_split").map(|m| m.value.value.abs() < 2.0);
        let what = if let Some(current) = current {
            format!("the outdoor unit draws {current:.1} A")
        } else if ratio.is_some() {
            "high-side and suction pressure are nearly equal".to_owned()
        } else if flat && no_split == Some(true) {
            "the discharge line is no warmer than the suction line and the air is not cooled"
                .to_owned()
        } else {
            return None;
        };
        let basis = format!("{what}: the compressor is not running, or moves nothing");
        Some(Doubt { name: "compressor_not_running", basis, roles: Vec::new() })
    }

    /// Supply against return air.
    fn air_over_indoor_coil(&self, mode: Mode) -> Option<Doubt> {
        if mode != Mode::Cooling || !self.roles_below(Role::ReturnAir, Role::SupplyAir) {
            return None;
        }
        // What reads as supply is then the room's air, cooler than any heating would send.
        let room = self.value(Role::SupplyAir).is_some_and(|supply| supply < ROOM_MAX_C);
        let cold = |line| self.roles_below(line, Role::SupplyAir);
        let cold = cold(Role::SuctionLine) || cold(Role::CoilOutlet) || cold(Role::EvaporatorCoil);
        if room && cold {
            let basis = "supply air reads warmer than return air while the suction side is cold: \
                         the two probes are swapped";
            return Some(Doubt {
                name: "probes_swapped",
                basis: basis.to_owned(),
                roles: vec![Role::ReturnAir, Role::SupplyAir],
            });
        }
        let basis = "supply air reads warmer than return air: the unit heats while the job says \
                     cooling, or the two probes are swapped";
        Some(Doubt { name: "heating_while_cooling", basis: basis.to_owned(), roles: Vec::new() })
    }

    /// The lines against each other and against the air.
    fn lines(&self) -> Vec<Doubt> {
        let mut found = Vec::new();
        let mut add = |name, basis: &str, roles: &[Role]| {
            found.push(Doubt { name, basis: basis.to_owned(), roles: roles.to_vec() });
        };
        if self.roles_below(Role::LeavingAir, Role::OutdoorAir) {
            add(
                "probes_swapped",
                "the air leaving the condenser reads cooler than the air entering it: the two \
                 probes are swapped",
                &[Role::LeavingAir, Role::OutdoorAir],
            );
        }
        if self.roles_below(Role::LiquidLine, Role::SuctionLine) {
            add(
                "probes_swapped",
                "the liquid line reads colder than the suction line: the two clamps are swapped",
                &[Role::LiquidLine, Role::SuctionLine],
            );
            return found;
        }
        if self.roles_below(Role::DischargeLine, Role::SuctionLine) {
            add(
                "probes_swapped",
                "the discharge line reads colder than the suction line: the two clamps are \
                 swapped",
                &[Role::DischargeLine, Role::SuctionLine],
            );
            return found;
        }
        if self.roles_below(Role::LiquidLine, Role::OutdoorAir) {
            add(
                "liquid_colder_than_outdoor_air",
                "the liquid line reads colder than the air that cools it, which cannot be: its \
                 clamp is off, or the outdoor probe is warmed by sun or by the condenser's own air",
                &[Role::LiquidLine, Role::OutdoorAir],
            );
        }
        let condensing = self.measures.condensing.as_ref();
        let gas_from = condensing.or(self.inputs.get(Role::LiquidLine));
        if Self::below(self.inputs.get(Role::DischargeLine), gas_from) {
            add(
                "discharge_too_cool",
                "the discharge line reads cooler than condensing refrigerant, so it could not be \
                 gas: its clamp is off the pipe",
                &[Role::DischargeLine],
            );
        }
        if let Some(doubt) = self.suction_follows_air() {
            found.push(doubt);
        } else if Self::below(self.inputs.get(Role::ReturnAir), self.inputs.get(Role::SuctionLine))
            && Self::below(self.inputs.get(Role::OutdoorAir), self.inputs.get(Role::SuctionLine))
        {
            found.push(Doubt {
                name: "clamp_in_the_sun",
                basis: "the suction line reads warmer than all air around it: its clamp is in \
                        the sun or touches something hot"
                    .to_owned(),
                roles: vec![Role::SuctionLine],
            });
        }
        found
    }

    fn suction_follows_air(&self) -> Option<Doubt> {
        let (line, outdoor) = (self.value(Role::SuctionLine)?, self.value(Role::OutdoorAir)?);
        let superheat = line - self.measures.evaporating.as_ref()?.value;
        if (line - outdoor).abs() > FOLLOWS_AIR_K || superheat < SUPERHEAT_MAX_K {
            return None;
        }
        let basis = "the suction clamp reads as the outdoor air does: it has come off its pipe, \
                     or almost no refrigerant flows";
        Some(Doubt {
            name: "clamp_off_pipe",
            basis: basis.to_owned(),
            roles: vec![Role::SuctionLine],
        })
    }

    /// Saturation against clamps on the coils, and against what cannot be.
    fn pressures(&self, refrigerant: Option<Refrigerant>) -> Vec<Doubt> {
        let mut found = Vec::new();
        let Some(refrigerant) = refrigerant else { return found };
        let low = (Role::SuctionPressure, Role::EvaporatorCoil);
        let high = (Role::LiquidPressure, Role::CondenserCoil);
        for ((pressure, coil), is_low) in [(low, true), (high, false)] {
            let (Some(p), Some(clamp)) = (self.value(pressure), self.value(coil)) else { continue };
            let at = |r: Refrigerant, p: f64| saturation(r, p, is_low);
            let Some(here) = at(refrigerant, p) else { continue };
            if (here - clamp).abs() < MISFIT_K {
                continue;
            }
            let fits = |t: Option<f64>| t.is_some_and(|t| (t - clamp).abs() < FITS_K);
            let atmosphere = STANDARD_ATMOSPHERE_PA;
            if fits(at(refrigerant, p + atmosphere)) || fits(at(refrigerant, p - atmosphere)) {
                found.push(Doubt {
                    name: "gauge_or_absolute",
                    basis: format!(
                        "the pressure says {here:.1} °C of saturation, the clamp on the coil \
                         {clamp:.1} °C, and one atmosphere would close the gap: gauge and \
                         absolute pressure are mixed up"
                    ),
                    roles: vec![pressure],
                });
                continue;
            }
            let others = Refrigerant::all().filter(|r| fits(at(*r, p)));
            let names: Vec<_> = others.map(Refrigerant::name).collect();
            if !names.is_empty() {
                found.push(Doubt {
                    name: "wrong_refrigerant",
                    basis: format!(
                        "the pressure says {here:.1} °C of saturation for {}, the clamp on the \
                         coil {clamp:.1} °C; {} would fit: read the nameplate",
                        refrigerant.name(),
                        names.join(" or ")
                    ),
                    roles: vec![Role::SuctionPressure, Role::LiquidPressure],
                });
            }
        }
        if found.is_empty() {
            found.extend(self.impossible());
        }
        found
    }

    /// What no refrigerant does: boiling above the air that it cools, condensing below the air
    /// that cools it, a suction line colder than dew, a liquid line hotter than bubble.
    fn impossible(&self) -> Option<Doubt> {
        let (low, high) = (self.measures.evaporating.as_ref(), self.measures.condensing.as_ref());
        let what = if Self::below(high, self.inputs.get(Role::OutdoorAir)) {
            "the condensing temperature lies below the outdoor air"
        } else if Self::below(self.inputs.entering_air(), low) {
            "the evaporating temperature lies above the air that it cools"
        } else if Self::below(self.inputs.get(Role::SuctionLine), low) {
            "the suction line reads colder than the dew point at its pressure"
        } else if Self::below(high, self.inputs.get(Role::LiquidLine)) {
            "the liquid line reads hotter than the bubble point at its pressure"
        } else {
            return None;
        };
        Some(Doubt {
            name: "saturation_impossible",
            basis: format!(
                "{what}, which cannot be: gauge taken as absolute (or the other way round), a \
                 wrong altitude, another refrigerant than the job says, or a clamp that reads \
                 wrong"
            ),
            roles: vec![
                Role::SuctionPressure,
                Role::LiquidPressure,
                Role::DischargePressure,
                Role::SuctionSaturation,
                Role::LiquidSaturation,
            ],
        })
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
