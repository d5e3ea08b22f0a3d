//! How a unit is built: the numbers that do not change from day to day.

use crate::physics::refrigerant::Refrigerant;
use crate::units::quantity::{CFM_M3_PER_S, CubicMetresPerSecond, TON_W};

/// What meters the refrigerant into the indoor coil.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Metering {
    /// A fixed orifice.
    FixedOrifice,
    /// A thermostatic expansion valve.
    Txv,
}

impl Metering {
    /// The word in job files: `fixed-orifice`, `txv`.
    pub const fn word(self) -> &'static str {
        match self {
            Self::FixedOrifice => "fixed-orifice",
            Self::Txv => "txv",
        }
    }
}

/// The choices that make one unit's design; flows and volumes are those of a 3 ton unit and
/// scale with `rated_cooling_w`.
///
/// All sizes are tuned, unless a source is named, so that the published checks hold.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Design {
    /// Rated gross cooling (W; at 80 °F dry bulb and 67 °F wet bulb indoors, 95 °F outdoors).
    pub rated_cooling_w: f64,
    /// Evaporating temperature at rating (°C, dew).
    pub evaporating_c: f64,
    /// Condensing temperature at rating (°C, bubble).
    pub condensing_c: f64,
    /// Superheat at rating (K).
    pub superheat_k: f64,
    /// Subcooling at rating (K).
    pub subcooling_k: f64,
    /// Sensible share of the cooling at rating (fraction).
    pub sensible_share: f64,
    /// Condenser air (kg/s).
    pub outdoor_air_kg_per_s: f64,
    /// Air-side conductance goes as flow to this power (0.5 to 0.65 for finned tubes, from
    /// memory).
    pub air_exponent: f64,
    /// Refrigerant-side conductance goes as flow to this power (0.8, from memory).
    pub refrigerant_exponent: f64,
    /// Refrigerant's share of the condenser's resistance (fraction).
    pub condenser_refrigerant_share: f64,
    /// Conductance of the desuperheating to that of the condensing zone (ratio).
    pub desuperheating_conductance: f64,
    /// Conductance of the subcooling to that of the condensing zone (ratio).
    pub subcooling_conductance: f64,
    /// Conductance of the superheating to that of the evaporating zone (ratio).
    pub superheating_conductance: f64,
    /// Volumetric efficiency at pressure ratio 0 (fraction).
    pub volumetric: f64,
    /// Volumetric efficiency lost for each 1 of pressure ratio (fraction).
    pub volumetric_slope: f64,
    /// Best isentropic efficiency (fraction).
    pub isentropic: f64,
    /// Isentropic efficiency lost with the squared distance from the best ratio (fraction).
    pub isentropic_curvature: f64,
    /// Pressure ratio of the best isentropic efficiency.
    pub isentropic_ratio: f64,
    /// Share of the compressor's power that its shell gives to the condenser air (fraction).
    pub shell_loss: f64,
    /// Flashing pressure in the orifice to saturation at its inlet (ratio).
    pub flashing: f64,
    /// Refrigerant volume of the condenser (m³).
    pub condenser_m3: f64,
    /// Refrigerant volume of the evaporator (m³).
    pub evaporator_m3: f64,
    /// Volume of liquid line and drier (m³).
    pub liquid_line_m3: f64,
    /// Volume of suction line and shell (m³).
    pub suction_m3: f64,
    /// What the indoor fan's heat adds to the supply air (K).
    pub fan_rise_k: f64,
    /// Superheat from shut to wide open of a thermostatic valve (K).
    pub valve_span_k: f64,
    /// Opening of a thermostatic valve at rating (fraction).
    pub valve_opening: f64,
}

impl Default for Design {
    /// The design that meets the published checks.
    fn default() -> Self {
        Self {
            rated_cooling_w: 3.0 * TON_W,
            evaporating_c: 10.0,
            condensing_c: 46.8,
            superheat_k: 7.0,
            subcooling_k: 4.6,
            sensible_share: 0.7175,
            outdoor_air_kg_per_s: 1.15,
            air_exponent: 0.60,
            refrigerant_exponent: 0.8,
            condenser_refrigerant_share: 0.32,
            desuperheating_conductance: 0.42,
            subcooling_conductance: 0.92,
            superheating_conductance: 0.37,
            volumetric: 1.0,
            volumetric_slope: 0.06,
            isentropic: 0.72,
            isentropic_curvature: 0.033,
            isentropic_ratio: 2.8,
            shell_loss: 0.10,
            flashing: 0.74,
            condenser_m3: 4.2e-3,
            evaporator_m3: 1.5e-3,
            liquid_line_m3: 0.5e-3,
            suction_m3: 0.6e-3,
            fan_rise_k: 0.8,
            valve_span_k: 3.4,
            valve_opening: 0.70,
        }
    }
}

impl Design {
    /// Another design that meets rated pressures and capacities, for studies that must not know
    /// only one unit.
    #[must_use]
    pub fn second() -> Self {
        Self {
            evaporating_c: 8.8,
            condensing_c: 46.0,
            superheat_k: 6.7,
            subcooling_k: 5.6,
            outdoor_air_kg_per_s: 1.35,
            air_exponent: 0.55,
            condenser_refrigerant_share: 0.25,
            desuperheating_conductance: 0.55,
            subcooling_conductance: 0.70,
            superheating_conductance: 0.45,
            volumetric_slope: 0.022,
            isentropic: 0.70,
            isentropic_curvature: 0.025,
            shell_loss: 0.08,
            flashing: 0.90,
            condenser_m3: 3.6e-3,
            evaporator_m3: 2.6e-3,
            liquid_line_m3: 0.25e-3,
            suction_m3: 1.0e-3,
            ..Self::default()
        }
    }

    /// Rated cooling to that of the 3 ton unit (ratio).
    pub(super) fn size(&self) -> f64 {
        self.rated_cooling_w / (3.0 * TON_W)
    }

    /// The indoor airflow that goes with the rating: 400 cfm a ton of standard air.
    pub fn rated_airflow(&self) -> Option<CubicMetresPerSecond> {
        CubicMetresPerSecond::new(400.0 * CFM_M3_PER_S * self.rated_cooling_w / TON_W)
    }
}

/// How one unit stands to its design; 1 and 0 are as designed.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Factors {
    /// Conductance of the indoor coil (ratio).
    pub indoor_conductance: f64,
    /// Conductance of the outdoor coil (ratio).
    pub outdoor_conductance: f64,
    /// Area of the metering device (ratio).
    pub orifice: f64,
    /// Volume that the compressor delivers (ratio).
    pub displacement: f64,
    /// Isentropic efficiency of the compressor (ratio).
    pub isentropic: f64,
    /// Indoor airflow (ratio).
    pub indoor_airflow: f64,
    /// Condenser airflow (ratio).
    pub outdoor_airflow: f64,
    /// Mass of refrigerant (ratio).
    pub charge: f64,
    /// Further pressure drop in the liquid line at rated flow (Pa).
    pub liquid_line_drop_pa: f64,
    /// Partial pressure of non-condensable gas in the condenser (Pa).
    pub non_condensables_pa: f64,
}

impl Default for Factors {
    fn default() -> Self {
        Self {
            indoor_conductance: 1.0,
            outdoor_conductance: 1.0,
            orifice: 1.0,
            displacement: 1.0,
            isentropic: 1.0,
            indoor_airflow: 1.0,
            outdoor_airflow: 1.0,
            charge: 1.0,
            liquid_line_drop_pa: 0.0,
            non_condensables_pa: 0.0,
        }
    }
}

impl Factors {
    /// This `share` (fraction) of the way from the design to these factors.
    pub(super) fn partly(self, share: f64) -> Self {
        let ratio = |factor: f64| 1.0 + share * (factor - 1.0);
        Self {
            indoor_conductance: ratio(self.indoor_conductance),
            outdoor_conductance: ratio(self.outdoor_conductance),
            orifice: ratio(self.orifice),
            displacement: ratio(self.displacement),
            isentropic: ratio(self.isentropic),
            indoor_airflow: ratio(self.indoor_airflow),
            outdoor_airflow: ratio(self.outdoor_airflow),
            charge: ratio(self.charge),
            liquid_line_drop_pa: share * self.liquid_line_drop_pa,
            non_condensables_pa: share * self.non_condensables_pa,
        }
    }
}

/// One unit: its design with what calibration solved for, and how it stands to it.
///
/// Made by [`UnitParameters::calibrated`].
#[derive(Debug, Clone, Copy)]
pub struct UnitParameters {
    /// The refrigerant inside.
    pub refrigerant: Refrigerant,
    /// What meters it.
    pub metering: Metering,
    /// The design.
    pub design: Design,
    /// How this unit stands to it.
    pub factors: Factors,
    pub(super) solved: Solved,
}

/// What calibration solves for, so that the rating state is met exactly.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Solved {
    /// Refrigerant flow at rating (kg/s).
    pub flow: f64,
    /// Compressor displacement (m³/s).
    pub displacement: f64,
    /// Area of the fixed orifice times its coefficient (m²).
    pub orifice_area: f64,
    /// Area of the valve wide open times its coefficient (m²).
    pub valve_area: f64,
    /// Superheat at which the valve shuts (K).
    pub static_superheat: f64,
    /// Air-side resistance of the indoor coil at rated airflow (K/W).
    pub indoor_air: f64,
    /// Refrigerant-side resistance of the indoor coil at rated flow (K/W).
    pub indoor_refrigerant: f64,
    /// Resistance of the condensing zone at rated flows (K/W).
    pub outdoor: f64,
    /// Mass of refrigerant (kg).
    pub charge: f64,
}
