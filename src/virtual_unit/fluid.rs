//! The refrigerant as the solver wants it: bare numbers, and wet suction beside the dry.

use crate::physics::refrigerant::Refrigerant;
use crate::units::quantity::{Celsius, JoulesPerKilogram, JoulesPerKilogramKelvin, Pascals};

/// The saturated state at one pressure (°C, J/kg, J/(kg K), kg/m³).
#[derive(Debug, Clone, Copy)]
pub struct Boiling {
    pub pressure: f64,
    pub bubble: f64,
    pub dew: f64,
    pub liquid_enthalpy: f64,
    pub vapor_enthalpy: f64,
    pub vapor_entropy: f64,
    pub liquid_density: f64,
    pub vapor_density: f64,
    pub liquid_heat: f64,
    pub vapor_heat: f64,
}

/// A state of vapour, or of a homogeneous mixture where it is wet.
#[derive(Debug, Clone, Copy)]
pub struct Gas {
    pub temperature: f64,
    pub density: f64,
    pub entropy: f64,
}

impl Boiling {
    /// At `pressure` (Pa); `None` outside the refrigerant's range.
    pub fn at(refrigerant: Refrigerant, pressure: f64) -> Option<Self> {
        let s = refrigerant.saturated(Pascals::new(pressure)?)?;
        Some(Self {
            pressure,
            bubble: s.bubble.get(),
            dew: s.dew.get(),
            liquid_enthalpy: s.liquid_enthalpy.get(),
            vapor_enthalpy: s.vapor_enthalpy.get(),
            vapor_entropy: s.vapor_entropy.get(),
            liquid_density: s.liquid_density.get(),
            vapor_density: s.vapor_density.get(),
            liquid_heat: s.liquid_heat_capacity.get(),
            vapor_heat: s.vapor_heat_capacity.get(),
        })
    }

    /// Heat of evaporation (J/kg).
    pub fn latent(&self) -> f64 {
        self.vapor_enthalpy - self.liquid_enthalpy
    }

    /// Density at quality `x` (0 to 1), liquid and vapour moving alike (kg/m³).
    pub fn mixed_density(&self, x: f64) -> f64 {
        1.0 / (x / self.vapor_density + (1.0 - x) / self.liquid_density)
    }

    /// The state at `enthalpy` (J/kg), wet below the dew line.
    pub fn gas(&self, refrigerant: Refrigerant, enthalpy: f64) -> Option<Gas> {
        let over = enthalpy - self.vapor_enthalpy;
        if over <= 0.0 {
            let x = (1.0 + over / self.latent()).clamp(0.05, 1.0);
            return Some(Gas {
                temperature: self.dew,
                density: self.mixed_density(x),
                entropy: self.vapor_entropy + over / (self.dew + 273.15),
            });
        }
        let (temperature, vapor) = refrigerant
            .vapor_at_enthalpy(Pascals::new(self.pressure)?, JoulesPerKilogram::new(enthalpy)?)?;
        Some(Gas {
            temperature: temperature.get(),
            density: vapor.density.get(),
            entropy: vapor.entropy.get(),
        })
    }

    /// Enthalpy of vapour at a temperature (°C) above dew (J/kg).
    pub fn enthalpy_at(&self, refrigerant: Refrigerant, temperature: f64) -> Option<f64> {
        let pressure = Pascals::new(self.pressure)?;
        Some(refrigerant.vapor(pressure, Celsius::new(temperature)?)?.enthalpy.get())
    }

    /// Enthalpy at `entropy` (J/(kg K)), wet below the dew line (J/kg).
    pub fn enthalpy_at_entropy(&self, refrigerant: Refrigerant, entropy: f64) -> Option<f64> {
        let over = entropy - self.vapor_entropy;
        if over <= 0.0 {
            return Some(self.vapor_enthalpy + over * (self.dew + 273.15));
        }
        let (_, vapor) = refrigerant.vapor_at_entropy(
            Pascals::new(self.pressure)?,
            JoulesPerKilogramKelvin::new(entropy)?,
        )?;
        Some(vapor.enthalpy.get())
    }
}

/// Temperature of liquid with this enthalpy (J/kg), saturated at its temperature (°C).
pub fn liquid_temperature(refrigerant: Refrigerant, enthalpy: f64, guess: f64) -> Option<f64> {
    const NEAR: f64 = 0.5;
    let at = |t: f64| Some(refrigerant.liquid_enthalpy(Celsius::new(t)?)?.get());
    let mut t = guess;
    for _ in 0..4 {
        let h = at(t)?;
        let slope = (h - at(t - NEAR)?) / NEAR;
        let step = (enthalpy - h) / slope;
        t += step;
        if step.abs() < 1e-9 {
            break;
        }
    }
    Some(t)
}

/// Density of liquid, saturated at its temperature (kg/m³).
pub fn liquid_density(refrigerant: Refrigerant, temperature: f64) -> Option<f64> {
    Some(refrigerant.liquid_density(Celsius::new(temperature)?)?.get())
}

/// Bubble pressure (Pa) at a temperature (°C).
pub fn bubble_pressure(refrigerant: Refrigerant, temperature: f64) -> Option<f64> {
    Some(refrigerant.bubble_pressure(Celsius::new(temperature)?)?.get())
}

/// Dew pressure (Pa) at a temperature (°C).
pub fn dew_pressure(refrigerant: Refrigerant, temperature: f64) -> Option<f64> {
    Some(refrigerant.dew_pressure(Celsius::new(temperature)?)?.get())
}
