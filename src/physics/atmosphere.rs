//! The standard atmosphere.

use crate::units::quantity::{Metres, Pascals};

/// Pressure (Pa) of the standard atmosphere at a height above sea level (−5,000 to 11,000 m).
///
/// `p = 101,325 Pa · (1 − 2.25577e−5 · z)^5.2559`
///
/// Source: ASHRAE Handbook—Fundamentals 2017, chapter 1, equation 3.
///
/// ```
/// use settled::physics::atmosphere::pressure_at;
/// use settled::units::quantity::Metres;
/// // Table 1 of the same chapter: 95.461 kPa at 500 m.
/// let pressure = pressure_at(Metres::new(500.0).unwrap());
/// assert!((pressure.get() - 95_461.0).abs() < 1.0);
/// ```
///
/// # Panics
/// Never: heights that can be held give 22 to 178 kPa.
pub fn pressure_at(height: Metres) -> Pascals {
    const SEA_LEVEL_PA: f64 = 101_325.0;
    const PER_METRE: f64 = 2.255_77e-5;
    const EXPONENT: f64 = 5.2559;
    let pressure = SEA_LEVEL_PA * libm::pow(1.0 - PER_METRE * height.get(), EXPONENT);
    Pascals::new(pressure).expect("a height up to 11,000 m keeps the base above 0.75")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn pressure_falls_with_height_over_all_heights_that_can_be_held() {
        let at = |z| pressure_at(Metres::new(z).unwrap()).get();
        assert_eq!(at(0.0), 101_325.0);
        let mut before = f64::INFINITY;
        for z in (-5_000..=11_000).step_by(100) {
            let now = at(f64::from(z));
            assert!(now < before && now > 20_000.0, "{z} m: {now} Pa");
            before = now;
        }
    }
}
