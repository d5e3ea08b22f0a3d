//! The metering device: how much refrigerant passes it.

use crate::physics::refrigerant::Refrigerant;
use crate::virtual_unit::fluid::{Boiling, bubble_pressure, liquid_density};

/// Flow for each m² of opening times its coefficient (kg/(s m²)).
///
/// `√(2 ρ (p_up − max(p_down, k·p_sat(T_in))))`: the flow is choked where it flashes. A flashing
/// inlet has the homogeneous density.
///
/// Source: the form is after Aaron & Domanski 1990, from memory; `k` is tuned.
pub fn flux(
    refrigerant: Refrigerant,
    upstream: &Boiling,
    downstream_pa: f64,
    (enthalpy, liquid_c): (f64, f64),
    flashing: f64,
) -> Option<f64> {
    /// The driving pressure never falls to nothing, so that the solver keeps a slope (Pa).
    const DRIVING_MIN: f64 = 1e4;
    let x = ((enthalpy - upstream.liquid_enthalpy) / upstream.latent()).clamp(0.0, 0.9);
    let inlet = liquid_c.min(upstream.bubble);
    let density =
        1.0 / ((1.0 - x) / liquid_density(refrigerant, inlet)? + x / upstream.vapor_density);
    let back = downstream_pa.max(flashing * bubble_pressure(refrigerant, inlet)?);
    Some(libm::sqrt(2.0 * density * (upstream.pressure - back).max(DRIVING_MIN)))
}

/// Opening of a thermostatic valve (fraction) at a superheat `over` shut, of `span` (both K).
///
/// Linear between shut and wide open with smoothed corners; it never shuts below 3 %.
pub fn valve_opening(over: f64, span: f64) -> f64 {
    /// How sharp the corners are.
    const SHARPNESS: f64 = 25.0;
    const SHUT: f64 = 0.03;
    let u = SHARPNESS * over / span;
    ((softplus(u) - softplus(u - SHARPNESS)) / SHARPNESS).max(SHUT)
}

/// ln(1 + eˣ), without overflow.
fn softplus(x: f64) -> f64 {
    x.max(0.0) + libm::log1p(libm::exp(-x.abs()))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_valve_opens_in_proportion_between_shut_and_wide_open() {
        assert!((valve_opening(3.0, 6.0) - 0.5).abs() < 1e-3);
        assert!((valve_opening(20.0, 6.0) - 1.0).abs() < 1e-9);
        assert_eq!(valve_opening(-5.0, 6.0), 0.03);
    }
}
