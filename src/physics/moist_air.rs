//! Moist air: humidity ratio, wet bulb, dew point, enthalpy and density.
//!
//! The ideal-gas formulas of the ASHRAE Handbook—Fundamentals 2017, chapter 1 (SI), from −100 to
//! 200 °C; over ice below the triple point. Against a real gas the humidity ratio comes out up to
//! 0.6 % lower and the wet bulb within 0.03 °C, up to 0.7 where it crosses 0 °C.

use crate::units::quantity::{
    Celsius, HumidityRatio, JoulesPerKilogram, KilogramsPerCubicMetre, Pascals, RelativeHumidity,
};

/// Mass of a mole of water to that of a mole of dry air.
const MOLE_MASS_RATIO: f64 = 0.621_945;
/// The triple point of water (°C): ice at it and below, liquid above.
const TRIPLE_POINT_C: f64 = 0.01;
/// What the saturation formulas cover (°C).
const RANGE_C: (f64, f64) = (-100.0, 200.0);
/// The last step of an iteration (K); what is left is about its square.
const CLOSE_K: f64 = 1e-6;

/// Pressure of saturated water vapour (Pa) at −100 to 200 °C, over ice up to 0.01 °C and over liquid
/// water above; `None` outside.
///
/// Source: ASHRAE Handbook—Fundamentals 2017, chapter 1, equations 5 (ice) and 6 (water).
///
/// ```
/// use settled::physics::moist_air::saturation_pressure;
/// use settled::units::quantity::Celsius;
/// // Table 3 of the same chapter: 3.1697 kPa at 25 °C.
/// let pressure = saturation_pressure(Celsius::new(25.0).unwrap()).unwrap();
/// assert!((pressure.get() / 3_169.7 - 1.0).abs() < 3e-4);
/// ```
pub fn saturation_pressure(temperature: Celsius) -> Option<Pascals> {
    if !(RANGE_C.0..=RANGE_C.1).contains(&temperature.get()) {
        return None;
    }
    Pascals::new(libm::exp(ln_saturation(temperature.kelvin()).0))
}

/// Humidity ratio (kg/kg) of air at `dry_bulb` (°C), `humidity` and `pressure` (Pa, absolute).
///
/// `W = 0.621945 · p_w / (p − p_w)` with `p_w = φ · p_ws`; `None` where water boils.
///
/// Source: ASHRAE Handbook—Fundamentals 2017, chapter 1, equations 20 and 22.
///
/// ```
/// use settled::physics::moist_air::humidity_ratio;
/// use settled::units::quantity::{Celsius, Pascals, RelativeHumidity};
/// // By hand: p_ws 3,169.7 Pa, half of it 1,584.9 Pa; 0.621945 · 1,584.9 / 99,740 = 0.00988.
/// let ratio = humidity_ratio(
///     Celsius::new(25.0).unwrap(),
///     RelativeHumidity::new(0.5).unwrap(),
///     Pascals::new(101_325.0).unwrap(),
/// );
/// assert!((ratio.unwrap().get() - 0.00988).abs() < 1e-5);
/// ```
pub fn humidity_ratio(
    dry_bulb: Celsius,
    humidity: RelativeHumidity,
    pressure: Pascals,
) -> Option<HumidityRatio> {
    let vapor = saturation_pressure(dry_bulb)?.get() * humidity.get();
    humidity_ratio_from_vapor_pressure(Pascals::new(vapor)?, pressure)
}

/// Humidity ratio (kg/kg) of air in which water vapour has the partial pressure `vapor` (Pa) of
/// `pressure` (Pa, absolute); `None` where nothing is left for the air.
///
/// Source: ASHRAE Handbook—Fundamentals 2017, chapter 1, equation 20.
pub fn humidity_ratio_from_vapor_pressure(
    vapor: Pascals,
    pressure: Pascals,
) -> Option<HumidityRatio> {
    let air = pressure.get() - vapor.get();
    if air <= 0.0 {
        return None;
    }
    HumidityRatio::new(MOLE_MASS_RATIO * vapor.get() / air)
}

/// Relative humidity of air at `dry_bulb` (°C) with this humidity ratio (kg/kg) at `pressure` (Pa,
/// absolute); `None` where the air cannot hold that much.
///
/// Source: ASHRAE Handbook—Fundamentals 2017, chapter 1, equations 20 and 22.
pub fn relative_humidity_from_ratio(
    dry_bulb: Celsius,
    ratio: HumidityRatio,
    pressure: Pascals,
) -> Option<RelativeHumidity> {
    // Saturated air's own ratio must come back as saturated, whatever the last bits say.
    const ROUNDING: f64 = 1e-9;
    let humidity = vapor_pressure(ratio, pressure) / saturation_pressure(dry_bulb)?.get();
    if humidity > 1.0 + ROUNDING {
        return None;
    }
    RelativeHumidity::new(humidity.min(1.0))
}

/// Wet bulb (°C, thermodynamic) of air at `dry_bulb` (°C), `humidity` and `pressure` (Pa, absolute).
///
/// Source: ASHRAE Handbook—Fundamentals 2017, chapter 1, equations 33 and 35, solved for t*.
///
/// ```
/// use settled::physics::moist_air::wet_bulb;
/// use settled::units::quantity::{Celsius, Pascals, RelativeHumidity};
/// // PsychroLib 2.5.0 gives 3.92667 °C for 7 °C, 61 %, 100 kPa.
/// let wet_bulb = wet_bulb(
///     Celsius::new(7.0).unwrap(),
///     RelativeHumidity::new(0.61).unwrap(),
///     Pascals::new(1e5).unwrap(),
/// );
/// assert!((wet_bulb.unwrap().get() - 3.92667).abs() < 0.001);
/// ```
pub fn wet_bulb(
    dry_bulb: Celsius,
    humidity: RelativeHumidity,
    pressure: Pascals,
) -> Option<Celsius> {
    let ratio = humidity_ratio(dry_bulb, humidity, pressure)?;
    wet_bulb_of(dry_bulb.get(), humidity, ratio.get(), pressure.get())
}

/// Wet bulb (°C, thermodynamic) of air at `dry_bulb` (°C) with this humidity ratio (kg/kg) at
/// `pressure` (Pa, absolute); `None` where the air cannot hold that much.
///
/// Over ice below 0 °C. Ice at 0 °C gives a higher ratio than water at 0 °C; between the two both
/// equations have a solution, and that over water is given.
///
/// Source: ASHRAE Handbook—Fundamentals 2017, chapter 1, equations 33 and 35, solved for t*.
pub fn wet_bulb_from_ratio(
    dry_bulb: Celsius,
    ratio: HumidityRatio,
    pressure: Pascals,
) -> Option<Celsius> {
    let humidity = relative_humidity_from_ratio(dry_bulb, ratio, pressure)?;
    wet_bulb_of(dry_bulb.get(), humidity, ratio.get(), pressure.get())
}

/// Humidity ratio (kg/kg) of air at `dry_bulb` and `wet_bulb` (°C) and `pressure` (Pa, absolute);
/// `None` where the wet bulb is above the dry bulb or lower than wholly dry air can give.
///
/// Source: ASHRAE Handbook—Fundamentals 2017, chapter 1, equations 33 (water) and 35 (ice).
///
/// ```
/// use settled::physics::moist_air::humidity_ratio_from_wet_bulb;
/// use settled::units::quantity::{Celsius, Pascals};
/// // Example 1 of the same chapter: 0.0065 at 40 °C, wet bulb 20 °C.
/// let ratio = humidity_ratio_from_wet_bulb(
///     Celsius::new(40.0).unwrap(),
///     Celsius::new(20.0).unwrap(),
///     Pascals::new(101_325.0).unwrap(),
/// );
/// assert!((ratio.unwrap().get() - 0.0065).abs() < 1e-4);
/// ```
pub fn humidity_ratio_from_wet_bulb(
    dry_bulb: Celsius,
    wet_bulb: Celsius,
    pressure: Pascals,
) -> Option<HumidityRatio> {
    let within = (RANGE_C.0..=RANGE_C.1).contains(&wet_bulb.get()) && wet_bulb <= dry_bulb;
    if !within || dry_bulb.get() > RANGE_C.1 {
        return None;
    }
    let wet = wet_bulb.get();
    HumidityRatio::new(ratio_at_wet_bulb(dry_bulb.get(), wet, wet < 0.0, pressure.get()).0)
}

/// Dew point, or below 0.01 °C frost point (°C), of air at `dry_bulb` (°C) and `humidity`.
///
/// The temperature at which `φ · p_ws(dry_bulb)` saturates, by Newton's method in ln p over 1/T.
/// `None` when the air is wholly dry or the point is below −100 °C.
///
/// Source: ASHRAE Handbook—Fundamentals 2017, chapter 1, equations 5 and 6.
///
/// ```
/// use settled::physics::moist_air::dew_point;
/// use settled::units::quantity::{Celsius, RelativeHumidity};
/// let saturated = dew_point(Celsius::new(21.0).unwrap(), RelativeHumidity::new(1.0).unwrap());
/// assert!((saturated.unwrap().get() - 21.0).abs() < 1e-6);
/// ```
pub fn dew_point(dry_bulb: Celsius, humidity: RelativeHumidity) -> Option<Celsius> {
    /// Heat of evaporation over water's gas constant, about (K).
    const HEAT_K: f64 = 5_500.0;
    let saturated = saturation_pressure(dry_bulb)?.get();
    let vapor = saturated * humidity.get();
    if vapor <= 0.0 || vapor < saturation_pressure(Celsius::new(RANGE_C.0)?)?.get() {
        return None;
    }
    let wanted = libm::log(vapor);
    let off = |t: f64| {
        let (ln, slope) = ln_saturation(t + 273.15);
        (ln - wanted, slope)
    };
    // Clausius and Clapeyron with a constant heat of evaporation, to begin near it.
    let guess = 1.0 / (1.0 / dry_bulb.kelvin() - libm::log(humidity.get()) / HEAT_K) - 273.15;
    Celsius::new(root((RANGE_C.0, dry_bulb.get()), guess, off).unwrap_or(RANGE_C.0))
}

/// Relative humidity of air at `dry_bulb` with this `dew_point` (°C); `None` where the dew point is
/// above the dry bulb.
///
/// Source: ASHRAE Handbook—Fundamentals 2017, chapter 1, equation 22 with 5 and 6.
pub fn relative_humidity_from_dew_point(
    dry_bulb: Celsius,
    dew_point: Celsius,
) -> Option<RelativeHumidity> {
    let vapor = saturation_pressure(dew_point)?.get();
    RelativeHumidity::new(vapor / saturation_pressure(dry_bulb)?.get())
}

/// Enthalpy (J for each kg of dry air; 0 for dry air at 0 °C) of air at `dry_bulb` (°C).
///
/// `h = 1006 · t + W · (2,501,000 + 1860 · t)`
///
/// Source: ASHRAE Handbook—Fundamentals 2017, chapter 1, equation 30.
///
/// ```
/// use settled::physics::moist_air::enthalpy;
/// use settled::units::quantity::{Celsius, HumidityRatio};
/// // By hand: 1006 · 30 + 0.02 · (2,501,000 + 55,800) = 30,180 + 51,136 = 81,316.
/// let h = enthalpy(Celsius::new(30.0).unwrap(), HumidityRatio::new(0.02).unwrap());
/// assert!((h.get() - 81_316.0).abs() < 1e-6);
/// ```
///
/// Capped at 1e8 J/kg, which only air above 3,000 °C and mostly water could reach.
///
/// # Panics
/// Never.
pub fn enthalpy(dry_bulb: Celsius, ratio: HumidityRatio) -> JoulesPerKilogram {
    const AIR_J_PER_KG_K: f64 = 1006.0;
    const VAPOR_J_PER_KG_K: f64 = 1860.0;
    const EVAPORATION_J_PER_KG: f64 = 2_501_000.0;
    let t = dry_bulb.get();
    let h = AIR_J_PER_KG_K * t + ratio.get() * (EVAPORATION_J_PER_KG + VAPOR_J_PER_KG_K * t);
    JoulesPerKilogram::new(h.min(1e8)).expect("at least −273.15 · 1006 J/kg, and capped at 1e8")
}

/// Density (kg of moist air for each m³) of air at `dry_bulb` (°C) with this humidity ratio (kg/kg)
/// at `pressure` (Pa, absolute); `None` in a vacuum or at absolute zero.
///
/// `ρ = (1 + W) · p / (287.042 · T · (1 + 1.607858 · W))`
///
/// Source: ASHRAE Handbook—Fundamentals 2017, chapter 1, equations 9b and 26.
///
/// ```
/// use settled::physics::moist_air::density;
/// use settled::units::quantity::{Celsius, HumidityRatio, Pascals};
/// // By hand: 1.02 · 95,461 / (287.042 · 303.15 · 1.032157) = 1.0841.
/// let density = density(
///     Celsius::new(30.0).unwrap(),
///     HumidityRatio::new(0.02).unwrap(),
///     Pascals::new(95_461.0).unwrap(),
/// );
/// assert!((density.unwrap().get() - 1.0841).abs() < 1e-4);
/// ```
pub fn density(
    dry_bulb: Celsius,
    ratio: HumidityRatio,
    pressure: Pascals,
) -> Option<KilogramsPerCubicMetre> {
    const GAS_J_PER_KG_K: f64 = 287.042;
    const VAPOR_TO_AIR: f64 = 1.607_858;
    let w = ratio.get();
    let volume = GAS_J_PER_KG_K * dry_bulb.kelvin() * (1.0 + VAPOR_TO_AIR * w) / pressure.get();
    KilogramsPerCubicMetre::new((1.0 + w) / volume)
}

/// Partial pressure (Pa) of water vapour in air of this humidity ratio.
fn vapor_pressure(ratio: HumidityRatio, pressure: Pascals) -> f64 {
    pressure.get() * ratio.get() / (MOLE_MASS_RATIO + ratio.get())
}

/// Wet bulb of air at `dry` (°C) with this humidity and ratio at `pressure` (Pa).
fn wet_bulb_of(dry: f64, humidity: RelativeHumidity, ratio: f64, pressure: f64) -> Option<Celsius> {
    let off = |frozen| {
        move |wet| {
            let (at_wet, slope) = ratio_at_wet_bulb(dry, wet, frozen, pressure);
            (at_wet - ratio, slope)
        }
    };
    // A rule of thumb from the formulas themselves, to begin within some 2 K of it.
    let guess = dry - (1.0 - humidity.get()) * (6.0 + 0.33 * dry);
    let over_water = if dry < 0.0 { None } else { root((0.0, dry), guess, off(false)) };
    let over_ice = || root((RANGE_C.0, dry.min(0.0)), guess, off(true)).unwrap_or(RANGE_C.0);
    Celsius::new(over_water.unwrap_or_else(over_ice))
}

/// ln of the pressure (Pa) of saturated water vapour at this temperature (K), and its slope (1/K).
fn ln_saturation(kelvin: f64) -> (f64, f64) {
    let t = kelvin;
    if t <= TRIPLE_POINT_C + 273.15 {
        let ln = -5.674_535_9e3 / t
            + 6.392_524_7
            + t * (-9.677_843e-3
                + t * (6.221_570_1e-7 + t * (2.074_782_5e-9 + t * -9.484_024e-13)))
            + 4.163_501_9 * libm::log(t);
        let slope = (5.674_535_9e3 / t + 4.163_501_9) / t
            + (-9.677_843e-3 + t * (1.244_314_02e-6 + t * (6.224_347_5e-9 + t * -3.793_609_6e-12)));
        (ln, slope)
    } else {
        let ln = -5.800_220_6e3 / t
            + 1.391_499_3
            + t * (-4.864_023_9e-2 + t * (4.176_476_8e-5 + t * -1.445_209_3e-8))
            + 6.545_967_3 * libm::log(t);
        let slope = (5.800_220_6e3 / t + 6.545_967_3) / t
            + (-4.864_023_9e-2 + t * (8.352_953_6e-5 + t * -4.335_627_9e-8));
        (ln, slope)
    }
}

/// Humidity ratio (kg/kg) of air at `dry` with wet bulb `wet` (°C), over ice where `frozen`, and how
/// it rises with `wet` (1/K); huge where water boils at `wet`.
fn ratio_at_wet_bulb(dry: f64, wet: f64, frozen: bool, pressure: f64) -> (f64, f64) {
    const BOILS: f64 = 1e3;
    let (ln, ln_slope) = ln_saturation(wet + 273.15);
    let vapor = libm::exp(ln);
    let air = pressure - vapor;
    if air <= 0.0 {
        return (BOILS, 0.0);
    }
    let saturated = MOLE_MASS_RATIO * vapor / air;
    let saturated_slope = saturated * ln_slope * pressure / air;
    // Heat of evaporation, and heat capacities of vapour and of what evaporates; kJ/kg and
    // kJ/(kg·K), as in the source.
    let (heat, less, liquid) = if frozen { (2830.0, 0.24, 2.1) } else { (2501.0, 2.326, 4.186) };
    let over = heat + 1.86 * dry - liquid * wet;
    let ratio = ((heat - less * wet) * saturated - 1.006 * (dry - wet)) / over;
    let rises = (heat - less * wet) * saturated_slope - less * saturated + 1.006;
    (ratio, (rises + liquid * ratio) / over)
}

/// Where `off`, which gives a value and its slope and rises from `low` to `high`, crosses zero;
/// `high` where it does so above, `None` where below.
///
/// Newton's steps from `guess`, kept between what is known to lie on either side, with a halving
/// now and then: `off` may bend strongly, and has a small step at the triple point.
fn root((low, high): (f64, f64), guess: f64, off: impl Fn(f64) -> (f64, f64)) -> Option<f64> {
    let (mut below, mut above) = (low, high);
    let mut at = guess.clamp(low, high);
    for step in 1..80 {
        let (value, slope) = off(at);
        if at == low && value >= 0.0 {
            return (value == 0.0).then_some(low);
        }
        *(if value > 0.0 { &mut above } else { &mut below }) = at;
        let newton = (at - value / slope).clamp(low, high);
        let inside = (below..=above).contains(&newton) && step % 8 != 0;
        let next = if inside { newton } else { f64::midpoint(below, above) };
        // The lower end itself is looked at before it is told.
        if (next - at).abs() < CLOSE_K && next > low {
            return Some(next);
        }
        at = next;
    }
    Some(f64::midpoint(below, above))
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn celsius(value: f64) -> Celsius {
        Celsius::new(value).unwrap()
    }

    fn pascals(value: f64) -> Pascals {
        Pascals::new(value).unwrap()
    }

    #[test]
    fn out_of_range_is_none() {
        let half = RelativeHumidity::new(0.5).unwrap();
        let air = pascals(101_325.0);
        for t in [-100.1, 200.1, -273.15, 5_000.0] {
            assert_eq!(saturation_pressure(celsius(t)), None);
            assert_eq!(humidity_ratio(celsius(t), half, air), None);
            assert_eq!(wet_bulb(celsius(t), half, air), None);
            assert_eq!(dew_point(celsius(t), half), None);
        }
        let dry = RelativeHumidity::new(0.0).unwrap();
        assert_eq!(dew_point(celsius(20.0), dry), None);
        // 150 °C steam at half its pressure is more than the atmosphere.
        assert_eq!(humidity_ratio(celsius(150.0), half, air), None);
        assert_eq!(humidity_ratio_from_wet_bulb(celsius(20.0), celsius(20.1), air), None);
        assert_eq!(humidity_ratio_from_wet_bulb(celsius(40.0), celsius(5.0), air), None);
        let wet = HumidityRatio::new(0.03).unwrap();
        assert_eq!(relative_humidity_from_ratio(celsius(20.0), wet, air), None);
        assert_eq!(wet_bulb_from_ratio(celsius(20.0), wet, air), None);
        assert_eq!(relative_humidity_from_dew_point(celsius(20.0), celsius(21.0)), None);
        assert_eq!(density(celsius(20.0), wet, pascals(0.0)), None);
    }

    #[test]
    fn where_ice_and_water_both_solve_the_wet_bulb_is_over_water() {
        let air = pascals(101_325.0);
        let ratio = |frozen| ratio_at_wet_bulb(6.0, 0.0, frozen, air.get()).0;
        let between = HumidityRatio::new(f64::midpoint(ratio(true), ratio(false))).unwrap();
        let wet = wet_bulb_from_ratio(celsius(6.0), between, air).unwrap();
        assert!(wet.get() > 0.0, "{wet:?}");
        let back = humidity_ratio_from_wet_bulb(celsius(6.0), wet, air).unwrap();
        assert!((back.get() - between.get()).abs() < 1e-9);
    }

    proptest! {
        #![proptest_config(ProptestConfig { failure_persistence: None, ..ProptestConfig::default() })]

        #[test]
        fn nothing_panics(t in -300.0..6e3, w in -1.0..11.0, rh in -0.1..1.1, p in -1.0..1e8) {
            let (Some(t), Some(p)) = (Celsius::new(t), Pascals::new(p)) else { return Ok(()) };
            if let Some(w) = HumidityRatio::new(w) {
                enthalpy(t, w);
                density(t, w, p);
                wet_bulb_from_ratio(t, w, p);
            }
            if let Some(rh) = RelativeHumidity::new(rh) {
                wet_bulb(t, rh, p);
                dew_point(t, rh);
            }
        }

        #[test]
        fn dew_point_is_below_wet_bulb_and_leads_back(
            t in -40.0..60.0, rh in 0.01..1.0, p in 6e4..1.1e5,
        ) {
            let (t, p) = (celsius(t), pascals(p));
            let rh = RelativeHumidity::new(rh).unwrap();
            let dew = dew_point(t, rh).unwrap();
            let wet = wet_bulb(t, rh, p).unwrap();
            // Over ice and water alike; around 0 °C the two formulas meet with a small step.
            prop_assert!(dew.get() <= wet.get() + 0.02 && wet <= t, "{dew:?} {wet:?} {t:?}");
            let back = relative_humidity_from_dew_point(t, dew).unwrap();
            prop_assert!((back.get() - rh.get()).abs() < 2e-3 * rh.get());
            if wet.get().abs() > 0.02 {
                let w = humidity_ratio_from_wet_bulb(t, wet, p).unwrap();
                let rh_back = relative_humidity_from_ratio(t, w, p).unwrap();
                prop_assert!((rh_back.get() - rh.get()).abs() < 1e-6);
            }
        }
    }
}
