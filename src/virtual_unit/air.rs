//! Moist air at sea level, as bare numbers for the solver and the lags.

use crate::physics::moist_air;
use crate::units::quantity::{
    Celsius, HumidityRatio, Pascals, RelativeHumidity, STANDARD_ATMOSPHERE_PA,
};

/// The pressure that the virtual unit works at.
fn sea_level() -> Option<Pascals> {
    Pascals::new(STANDARD_ATMOSPHERE_PA)
}

/// Humidity ratio (kg/kg) at a relative humidity (fraction).
pub fn ratio_from_humidity(celsius: f64, humidity: f64) -> Option<f64> {
    let humidity = RelativeHumidity::new(humidity)?;
    Some(moist_air::humidity_ratio(Celsius::new(celsius)?, humidity, sea_level()?)?.get())
}

/// Relative humidity (fraction) at a humidity ratio (kg/kg); 1 where the air could not hold it.
pub fn humidity_from_ratio(celsius: f64, ratio: f64) -> Option<f64> {
    let saturated = ratio_from_humidity(celsius, 1.0)?;
    if ratio >= saturated {
        return Some(1.0);
    }
    let (dry_bulb, ratio) = (Celsius::new(celsius)?, HumidityRatio::new(ratio)?);
    Some(moist_air::relative_humidity_from_ratio(dry_bulb, ratio, sea_level()?)?.get())
}

/// Humidity ratio (kg/kg) from the wet bulb; `None` where it would be negative.
pub fn ratio_from_wet_bulb(dry_bulb: Celsius, wet_bulb: Celsius) -> Option<HumidityRatio> {
    moist_air::humidity_ratio_from_wet_bulb(dry_bulb, wet_bulb, sea_level()?)
}
