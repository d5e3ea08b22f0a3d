//! Moist air at sea level, as bare numbers for the solver and the lags.

use crate::units::quantity::STANDARD_ATMOSPHERE_PA;

/// Molar mass of water to that of dry air.
const MASS_RATIO: f64 = 0.621_945;

/// Saturation pressure over water (Pa) at −50 to 100 °C.
///
/// Source: Hyland & Wexler 1983, as the ASHRAE Handbook—Fundamentals prints it.
pub fn saturation_pressure(celsius: f64) -> f64 {
    let t = celsius + 273.15;
    let poly = -4.864_023_9e-2 * t + 4.176_476_8e-5 * t * t - 1.445_209_3e-8 * t * t * t;
    libm::exp(-5.800_220_6e3 / t + 1.391_499_3 + poly + 6.545_967_3 * libm::log(t))
}

/// Humidity ratio (kg/kg) at a vapour pressure (Pa).
fn ratio_at(pressure: f64) -> f64 {
    MASS_RATIO * pressure / (STANDARD_ATMOSPHERE_PA - pressure)
}

/// Humidity ratio (kg/kg) of saturated air.
pub fn saturated_ratio(celsius: f64) -> f64 {
    ratio_at(saturation_pressure(celsius))
}

/// Humidity ratio (kg/kg) at a relative humidity (fraction).
pub fn ratio_from_humidity(celsius: f64, humidity: f64) -> f64 {
    ratio_at(humidity * saturation_pressure(celsius))
}

/// Relative humidity (fraction, at most 1) at a humidity ratio (kg/kg).
pub fn humidity_from_ratio(celsius: f64, ratio: f64) -> f64 {
    let pressure = STANDARD_ATMOSPHERE_PA * ratio / (MASS_RATIO + ratio);
    (pressure / saturation_pressure(celsius)).min(1.0)
}

/// Humidity ratio (kg/kg) from the wet bulb, above freezing; `None` where it would be negative.
pub fn ratio_from_wet_bulb(celsius: f64, wet_bulb: f64) -> Option<f64> {
    let saturated = saturated_ratio(wet_bulb);
    let over = celsius - wet_bulb;
    let ratio = ((2501.0 - 2.326 * wet_bulb) * saturated - 1.006 * over)
        / (2501.0 + 1.86 * celsius - 4.186 * wet_bulb);
    (over >= 0.0 && ratio >= 0.0).then_some(ratio)
}
