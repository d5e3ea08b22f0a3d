//! The pressure of the air around, from `--altitude` or `--barometer`.

use crate::app::exit::Failure;
use crate::physics::atmosphere;
use crate::units::parse::{self, TypedPressure};
use crate::units::quantity::{Pascals, STANDARD_ATMOSPHERE_PA};

/// Where the air's pressure comes from.
#[derive(Debug, Clone, Default, clap::Args)]
pub struct Barometer {
    /// Height above sea level, as 450ft or 137m; the standard atmosphere gives the air's pressure.
    #[arg(long, value_name = "HEIGHT", allow_hyphen_values = true, conflicts_with = "barometer")]
    pub altitude: Option<String>,
    /// The air's pressure as read on site, absolute and not reduced to sea level, as 98.9kPaa.
    #[arg(long, value_name = "PRESSURE")]
    pub barometer: Option<String>,
}

impl Barometer {
    /// The air's pressure (Pa), and in words where it comes from.
    ///
    /// # Errors
    /// When what was typed is not a height or an absolute pressure.
    pub fn read(&self) -> Result<(Pascals, String), Failure> {
        if let Some(text) = &self.barometer {
            return match parse::pressure(text).map_err(Failure::bad_input)? {
                TypedPressure::Absolute(pressure) => Ok((pressure, "as given".to_owned())),
                TypedPressure::Gauge(_) => Err(Failure::bad_input(format!(
                    "{text:?} is a gauge pressure: a barometer is absolute, as 98.9kPaa"
                ))),
            };
        }
        if let Some(text) = &self.altitude {
            let height = parse::altitude(text).map_err(Failure::bad_input)?;
            let pressure = atmosphere::pressure_at(height);
            return Ok((pressure, format!("standard atmosphere at {text}")));
        }
        let sea_level = Pascals::new(STANDARD_ATMOSPHERE_PA)
            .ok_or_else(|| Failure::usage("the standard atmosphere is no pressure"))?;
        Ok((sea_level, "sea level assumed; --altitude or --barometer tells better".to_owned()))
    }
}
