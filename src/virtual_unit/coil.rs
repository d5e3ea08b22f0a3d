//! The two coils: air on one side, refrigerant in zones on the other.

use std::sync::LazyLock;

use crate::virtual_unit::air::ratio_from_humidity;
use crate::virtual_unit::fluid::Boiling;

/// Heat capacity of dry air (J/(kg K)).
pub const DRY_AIR_HEAT: f64 = 1006.0;
/// Heat capacity of water vapour (J/(kg K)).
const VAPOR_HEAT: f64 = 1860.0;
/// Heat of evaporation of water at 0 °C (J/kg).
pub const WATER_LATENT: f64 = 2.501e6;

/// Air entering the indoor coil.
#[derive(Debug, Clone, Copy)]
pub struct IndoorAir {
    /// Dry bulb (°C).
    pub dry_bulb: f64,
    /// Humidity ratio (kg/kg).
    pub ratio: f64,
    /// Dry air (kg/s).
    pub flow: f64,
}

impl IndoorAir {
    /// Heat capacity of the stream (W/K).
    pub fn capacity(&self) -> f64 {
        self.flow * (DRY_AIR_HEAT + VAPOR_HEAT * self.ratio)
    }

    fn enthalpy(&self) -> f64 {
        air_enthalpy(self.dry_bulb, self.ratio)
    }
}

/// Resistances between air and refrigerant (K/W).
#[derive(Debug, Clone, Copy)]
pub struct Resistances {
    pub air: f64,
    pub refrigerant: f64,
}

impl Resistances {
    fn whole(&self) -> f64 {
        self.air + self.refrigerant
    }
}

/// Heat that the whole indoor coil would take at one refrigerant temperature (W): total and
/// sensible.
///
/// Wet by enthalpy effectiveness, sensible from the effective surface; dry by effectiveness; the
/// larger total is the coil's. Source: Braun, Klein & Mitchell 1989, from memory.
pub fn evaporating_heat(te: f64, air: &IndoorAir, r: Resistances) -> (f64, f64) {
    let capacity = air.capacity();
    let dry = capacity * (1.0 - libm::exp(-1.0 / (r.whole() * capacity))) * (air.dry_bulb - te);
    let (entering, saturated) = (air.enthalpy(), SATURATED_AIR.enthalpy(te));
    let mut surface = te + 3.0;
    let mut total = 0.0;
    for _ in 0..4 {
        let slope = (SATURATED_AIR.enthalpy(surface) - saturated) / (surface - te).max(0.2);
        let conductance = 1.0 / (capacity / air.flow * r.air + slope * r.refrigerant);
        let effectiveness = 1.0 - libm::exp(-conductance / air.flow);
        total = air.flow * effectiveness * (entering - saturated);
        surface = te + (total * r.refrigerant).clamp(0.2, 25.0);
    }
    if dry > total {
        return (dry, dry);
    }
    let contact = 1.0 - libm::exp(-1.0 / (r.air * capacity));
    let effective = SATURATED_AIR.temperature(entering - total / air.flow / contact);
    (total, (capacity * (air.dry_bulb - effective) * contact).min(total))
}

/// What the indoor coil does with a refrigerant flow.
#[derive(Debug, Clone, Copy)]
pub struct Evaporator {
    /// Share of the coil that boils (fraction; above 1 the coil floods over).
    pub boiling: f64,
    /// Enthalpy that leaves (J/kg).
    pub leaving: f64,
    /// Quality that leaves (0 to 1).
    pub quality: f64,
    /// Sensible heat (W).
    pub sensible: f64,
}

/// The indoor coil with `flow` (kg/s) entering at `inlet` (J/kg).
pub fn evaporate(
    low: &Boiling,
    air: &IndoorAir,
    r: Resistances,
    (flow, inlet): (f64, f64),
    superheating: f64,
) -> Evaporator {
    let (total, sensible) = evaporating_heat(low.dew, air, r);
    let boiling = flow * (low.vapor_enthalpy - inlet) / total;
    let capacity = air.capacity();
    let conductance = capacity * (1.0 - libm::exp(-superheating / (r.whole() * capacity)));
    let dry = (1.0 - boiling).max(0.0);
    let approach = libm::exp(-conductance * dry / (flow * low.vapor_heat));
    let superheat = (air.dry_bulb - low.dew) * (1.0 - approach);
    let leaving = if boiling < 1.0 {
        low.vapor_enthalpy + low.vapor_heat * superheat
    } else {
        inlet + total / flow
    };
    let quality = (1.0 + (leaving - low.vapor_enthalpy) / low.latent()).clamp(0.0, 1.0);
    Evaporator { boiling, leaving, quality, sensible }
}

/// What the condenser does with a refrigerant flow.
#[derive(Debug, Clone, Copy)]
pub struct Condenser {
    /// Share of the coil that desuperheats (fraction).
    pub desuperheating: f64,
    /// Share that condenses (fraction).
    pub condensing: f64,
    /// Share that subcools (fraction, 0 where none is left).
    pub subcooling: f64,
    /// Enthalpy that leaves (J/kg).
    pub leaving: f64,
    /// Temperature of the liquid that leaves (°C).
    pub liquid: f64,
}

/// How the condenser's zones conduct, to its condensing zone (ratios).
#[derive(Debug, Clone, Copy)]
pub struct ZoneConductance {
    pub desuperheating: f64,
    pub subcooling: f64,
}

/// The condenser with `flow` (kg/s) entering at `hot` (J/kg, °C), into air of `outdoor` (°C) and
/// `capacity` (W/K).
///
/// Zones in series; each slice of coil meets fresh air (single-row cross-flow, closed form).
/// `liquid_enthalpy` gives J/kg of liquid from its temperature.
pub fn condense(
    high: &Boiling,
    (outdoor, capacity): (f64, f64),
    r: Resistances,
    zones: ZoneConductance,
    (flow, hot, hot_c): (f64, f64, f64),
    liquid_enthalpy: impl Fn(f64) -> Option<f64>,
) -> Option<Condenser> {
    let tc = f64::midpoint(high.dew, high.bubble);
    let conductance = |share: f64| capacity * (1.0 - libm::exp(-share / (r.whole() * capacity)));
    let over = (tc - outdoor).max(0.3);
    let sensible = (hot_c - tc).max(1.0);
    let desuperheating =
        flow * (hot - high.vapor_enthalpy) / sensible / conductance(zones.desuperheating)
            * libm::log1p(sensible / over);
    let condensing_w_per_share = conductance(1.0) * over;
    let condensing = flow * high.latent() / condensing_w_per_share;
    let left = 1.0 - desuperheating - condensing;
    let cooled =
        libm::exp(-conductance(zones.subcooling) * left.max(0.0) / (flow * high.liquid_heat));
    let liquid = outdoor + (tc - outdoor) * cooled;
    let leaving = if left > 0.0 {
        liquid_enthalpy(liquid.min(high.bubble))?
    } else {
        high.liquid_enthalpy - left * condensing_w_per_share / flow
    };
    Some(Condenser { desuperheating, condensing, subcooling: left.max(0.0), leaving, liquid })
}

/// Mean density between two qualities at even heat flux, with Zivi's slip (kg/m³).
///
/// Source: slip ratio (ρ_liquid/ρ_vapour)^⅓ after Zivi 1964, from memory; the integral is closed.
pub fn two_phase_density(state: &Boiling, from: f64, to: f64) -> f64 {
    let c = libm::pow(state.vapor_density / state.liquid_density, 2.0 / 3.0);
    let width = (to - from).max(1e-3);
    let integral =
        |x: f64| x / (1.0 - c) - c / ((1.0 - c) * (1.0 - c)) * libm::log(c + (1.0 - c) * x);
    let void = (integral(from + width) - integral(from)) / width;
    void * state.vapor_density + (1.0 - void) * state.liquid_density
}

/// Enthalpy of moist air for each kilogram of dry air (J/kg).
fn air_enthalpy(dry_bulb: f64, ratio: f64) -> f64 {
    DRY_AIR_HEAT * dry_bulb + ratio * (WATER_LATENT + VAPOR_HEAT * dry_bulb)
}

/// Enthalpy of saturated air over temperature, tabled: the coil asks both ways, often.
struct SaturatedAir {
    enthalpies: Vec<f64>,
}

static SATURATED_AIR: LazyLock<SaturatedAir> = LazyLock::new(SaturatedAir::table);

impl SaturatedAir {
    const FROM_C: f64 = -40.0;
    const STEP_K: f64 = 0.05;
    const NODES: u32 = 2001;

    fn table() -> Self {
        let enthalpy = |node: u32| {
            let t = Self::FROM_C + Self::STEP_K * f64::from(node);
            let ratio = ratio_from_humidity(t, 1.0);
            air_enthalpy(t, ratio.expect("-40 to 60 °C lies within the formula's range"))
        };
        Self { enthalpies: (0..Self::NODES).map(enthalpy).collect() }
    }

    /// At a temperature (°C); beyond the table its last slope goes on.
    fn enthalpy(&self, t: f64) -> f64 {
        let place = (t - Self::FROM_C) / Self::STEP_K;
        let node = (place.max(0.0) as usize).min(self.enthalpies.len() - 2);
        let (below, above) = (self.enthalpies[node], self.enthalpies[node + 1]);
        below + (above - below) * (place - node as f64)
    }

    /// The temperature (°C) of saturated air with this enthalpy.
    fn temperature(&self, enthalpy: f64) -> f64 {
        let above = self.enthalpies.partition_point(|h| *h < enthalpy);
        let node = above.clamp(1, self.enthalpies.len() - 1) - 1;
        let (low, high) = (self.enthalpies[node], self.enthalpies[node + 1]);
        Self::FROM_C + Self::STEP_K * (node as f64 + (enthalpy - low) / (high - low))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn saturated_air_is_found_both_ways() {
        for t in [-39.0, -3.3, 0.0, 10.02, 33.3] {
            let back = SATURATED_AIR.temperature(SATURATED_AIR.enthalpy(t));
            assert!((back - t).abs() < 1e-9, "{t} {back}");
        }
    }

    /// ASHRAE Handbook: saturated air at 20 °C has 57.56 kJ/kg (the ideal-gas form 57.4).
    #[test]
    fn saturated_air_at_20_degrees_has_the_handbooks_enthalpy() {
        assert!((SATURATED_AIR.enthalpy(20.0) - 57.5e3).abs() < 250.0);
    }

    #[test]
    fn dry_air_gives_up_sensible_heat_only() {
        let air = IndoorAir { dry_bulb: 26.7, ratio: 0.002, flow: 0.68 };
        let (total, sensible) =
            evaporating_heat(10.0, &air, Resistances { air: 9e-4, refrigerant: 1.7e-4 });
        assert_eq!(total, sensible);
        assert!(total > 0.0 && total < air.capacity() * 16.7);
    }
}
