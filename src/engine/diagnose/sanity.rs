//! Whether the readings can be what they say: probes swapped, a clamp off its pipe, pressures that
//! cannot be. What is found is named, and nothing that rests on it is judged.

use crate::engine::columns::Units;
use crate::engine::diagnose::inputs::{BAROMETER, Inputs, Role, Roles};
use crate::engine::diagnose::measure::Measures;
use crate::engine::diagnose::pressure_sanity;
use crate::engine::diagnose::uncertain::{Source, Sources, Uncertain};
use crate::engine::job::{Job, Mode};
use crate::engine::phrase::Phrase;
use crate::physics::refrigerant::Refrigerant;
use crate::units::quantity::QuantityKind;

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
pub(super) const RESERVE_K: f64 = 1.0;
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
    /// Whether the barometer is in doubt, and with it all that was computed with it.
    pub barometer: bool,
}

impl Doubt {
    /// A doubt about the values in these roles.
    pub fn new(name: &'static str, basis: impl Into<String>, roles: &[Role]) -> Self {
        Self { name, basis: basis.into(), roles: roles.to_vec(), barometer: false }
    }
}

/// Which values of a set are not to be trusted.
#[derive(Debug, Clone, Default)]
pub struct Distrust {
    /// Nothing of the set may be judged.
    pub all: bool,
    values: Vec<usize>,
    barometer: bool,
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
        let all = doubts.iter().any(|doubt| doubt.roles.is_empty());
        Self { all, values, barometer: doubts.iter().any(|doubt| doubt.barometer) }
    }

    /// Whether a value rests on something that is not to be trusted.
    pub fn touches(&self, sources: &Sources, value: &Uncertain) -> bool {
        let bad = |source: Source| match source.value {
            Some(index) => self.values.contains(&index),
            None => self.barometer && source.what == BAROMETER,
        };
        let any = self.barometer || !self.values.is_empty();
        self.all || (any && value.depends_on(sources, bad))
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
    let mut found = pressure_sanity::gauges(job, inputs);
    if found.is_empty()
        && let Some(doubt) = check.not_running(job.units)
    {
        return vec![doubt];
    }
    found.extend(check.air_over_indoor_coil(job.mode));
    if !found.iter().any(|doubt| doubt.roles.is_empty()) && inputs.roles == Roles::Cooling {
        found.extend(check.lines());
        if found.iter().all(|doubt| !doubt.roles.contains(&Role::SuctionPressure)) {
            found.extend(pressure_sanity::saturations(job, refrigerant, inputs, measures, &found));
        }
    }
    found
}

/// The readings of one circuit, held against each other.
pub(super) struct Check<'a> {
    inputs: &'a Inputs,
    measures: &'a Measures,
}

impl Check<'_> {
    fn value(&self, role: Role) -> Option<f64> {
        self.inputs.get(role).map(|value| value.value)
    }

    /// Whether `a` is below `b` beyond doubt.
    pub(super) fn below(a: Option<&Uncertain>, b: Option<&Uncertain>) -> bool {
        let (Some(a), Some(b)) = (a, b) else { return false };
        let difference = a.minus(b);
        difference.value < -(RESERVE_K + 2.0 * difference.uncertainty())
    }

    fn roles_below(&self, a: Role, b: Role) -> bool {
        Self::below(self.inputs.get(a), self.inputs.get(b))
    }

    fn not_running(&self, units: Units) -> Option<Doubt> {
        let current = self.value(Role::OutdoorCurrent).filter(|a| *a < CURRENT_MIN_A);
        let ratio = self.measures.get("pressure_ratio").map(|m| m.value.value);
        let ratio = ratio.filter(|ratio| *ratio < RATIO_MIN);
        let discharge = self.value(Role::DischargeLine);
        let flat = discharge.zip(self.value(Role::SuctionLine)).is_some_and(|(d, s)| d < s + 3.0);
        let no_split = self.measures.get("evaporator_split").map(|m| m.value.value.abs() < 2.0);
        let what = if let Some(current) = current {
            let said = Phrase::of(QuantityKind::Current, units);
            format!("the outdoor unit draws {}", said.value(current))
        } else if ratio.is_some() {
            "high-side and suction pressure are nearly equal".to_owned()
        } else if flat && no_split == Some(true) {
            "the discharge line is no warmer than the suction line and the air is not cooled"
                .to_owned()
        } else {
            return None;
        };
        let basis = format!("{what}: the compressor is not running, or moves nothing");
        Some(Doubt::new("compressor_not_running", basis, &[]))
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
            let roles = &[Role::ReturnAir, Role::SupplyAir];
            return Some(Doubt::new("probes_swapped", basis, roles));
        }
        let basis = "supply air reads warmer than return air: the unit heats while the job says \
                     cooling, or the two probes are swapped";
        Some(Doubt::new("heating_while_cooling", basis, &[]))
    }

    /// The lines against each other and against the air.
    fn lines(&self) -> Vec<Doubt> {
        let mut found = Vec::new();
        let mut add =
            |name, basis: &str, roles: &[Role]| found.push(Doubt::new(name, basis, roles));
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
            let basis = "the suction line reads warmer than all air around it: its clamp is in the \
                         sun or touches something hot";
            found.push(Doubt::new("clamp_in_the_sun", basis, &[Role::SuctionLine]));
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
        Some(Doubt::new("clamp_off_pipe", basis, &[Role::SuctionLine]))
    }
}
