//! From a design to a unit: what must be solved for so that it meets its rating.

use crate::physics::refrigerant::Refrigerant;
use crate::units::quantity::Celsius;
use crate::virtual_unit::cycle_model::{Conditions, Trial};
use crate::virtual_unit::design::{Design, Factors, Metering, Solved, UnitParameters};
use crate::virtual_unit::fluid::{Boiling, bubble_pressure, dew_pressure};
use crate::virtual_unit::newton;
use crate::virtual_unit::random::Random;

impl UnitParameters {
    /// The unit of this design with displacement, opening, coil resistances and charge such that
    /// it meets its rating exactly; `None` where no such unit exists.
    pub fn calibrated(
        refrigerant: Refrigerant,
        metering: Metering,
        design: &Design,
    ) -> Option<Self> {
        let solved = Solved {
            flow: 1.0,
            displacement: 1.0,
            orifice_area: 1.0,
            valve_area: 1.0,
            static_superheat: design.superheat_k - design.valve_opening * design.valve_span_k,
            indoor_air: 1e-3,
            indoor_refrigerant: 1e-3,
            outdoor: 1e-3,
            charge: 1.0,
        };
        let mut unit =
            Self { refrigerant, metering, design: *design, factors: Factors::default(), solved };
        let rating = rating(design)?;
        let x = rated_state(refrigerant, design)?;
        unit.size_flows(&rating, &x)?;
        unit.size_coils(&rating, &x)?;
        unit.solved.charge = Trial::at(&unit, &rating, &x)?.charge;
        Some(unit)
    }

    /// The same unit as it might have been built: coil conductances, opening, displacement, both
    /// airflows and charge each within ± `spread` (fraction, evenly).
    #[must_use]
    pub fn varied(mut self, random: &mut Random, spread: f64) -> Self {
        let f = &mut self.factors;
        for factor in [
            &mut f.indoor_conductance,
            &mut f.outdoor_conductance,
            &mut f.orifice,
            &mut f.displacement,
            &mut f.indoor_airflow,
            &mut f.outdoor_airflow,
            &mut f.charge,
        ] {
            *factor *= random.between(1.0 - spread, 1.0 + spread);
        }
        self
    }

    /// Displacement and opening follow from the rated state alone.
    fn size_flows(&mut self, rating: &Conditions, x: &[f64; 4]) -> Option<()> {
        let trial = Trial::at(self, rating, x)?;
        let flow = self.design.rated_cooling_w / (trial.suction_enthalpy - trial.liquid_enthalpy);
        self.solved.displacement = flow / trial.pumped.flow;
        self.solved.flow = flow;
        let flux = trial.flux(self, &trial.top)?;
        self.solved.orifice_area = flow / flux;
        self.solved.valve_area = flow / flux / self.design.valve_opening;
        Some(())
    }

    /// Resistances such that both coils balance and the sensible share is met.
    fn size_coils(&mut self, rating: &Conditions, x: &[f64; 4]) -> Option<()> {
        /// From the 3 ton unit (K/W, as logarithms), where the search begins.
        const START: [f64; 3] = [9e-4, 1.72e-4, 3.77e-4];
        const STEP_MAX: [f64; 3] = [0.5, 0.5, 0.5];
        let sized = |v: &[f64; 3]| {
            let mut unit = *self;
            unit.solved.indoor_air = libm::exp(v[0]);
            unit.solved.indoor_refrigerant = libm::exp(v[1]);
            unit.solved.outdoor = libm::exp(v[2]);
            unit
        };
        let miss = |v: &[f64; 3]| {
            let unit = sized(v);
            let trial = Trial::at(&unit, rating, x)?;
            let [_, evaporator, condenser, _] = trial.residual(&unit);
            let (cooling, sensible) = trial.cooling();
            Some([evaporator, condenser, (sensible / cooling - unit.design.sensible_share) * 5.0])
        };
        let start = START.map(|r| libm::log(r / self.design.size()));
        let found = newton::solve(start, STEP_MAX, miss)?;
        *self = sized(&found);
        Some(())
    }
}

/// Rating: 80 °F dry bulb and 67 °F wet bulb indoors, 95 °F outdoors, 400 cfm a ton.
fn rating(design: &Design) -> Option<Conditions> {
    Conditions::from_wet_bulb(
        Celsius::from_fahrenheit(80.0)?,
        Celsius::from_fahrenheit(67.0)?,
        Celsius::from_fahrenheit(95.0)?,
        design.rated_airflow()?,
    )
}

/// The solver's unknowns at the state that the design asks for.
fn rated_state(refrigerant: Refrigerant, design: &Design) -> Option<[f64; 4]> {
    let low = Boiling::at(refrigerant, dew_pressure(refrigerant, design.evaporating_c)?)?;
    let high = Boiling::at(refrigerant, bubble_pressure(refrigerant, design.condensing_c)?)?;
    let suction = low.enthalpy_at(refrigerant, design.evaporating_c + design.superheat_k)?;
    let subcooled = Celsius::new(high.bubble - design.subcooling_k)?;
    let liquid = refrigerant.liquid_enthalpy(subcooled)?.get();
    Some([
        libm::log(low.pressure),
        libm::log(high.pressure),
        (suction - low.vapor_enthalpy) / 2e4,
        (liquid - high.liquid_enthalpy) / 2e4,
    ])
}
