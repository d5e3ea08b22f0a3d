//! The invented fleet: units at sites, crews with their probes, the visits of a season, and what is
//! wrong where. All of it follows from the seed.

use std::time::Duration;

use jiff::civil::{Date, Time, date};
use jiff::tz::TimeZone;
use jiff::{ToSpan, ZonedDateTime};
use serde_json::{Value, json};
use settled::units::quantity::{Celsius, Kelvins, RelativeHumidity};
use settled::virtual_unit::design::{Design, Metering};
use settled::virtual_unit::faults::{Fault, Severity};
use settled::virtual_unit::random::Random;
use settled::virtual_unit::scenario::{ProbeCare, Scenario};

/// From this number of sessions the fleet is the large one.
const LARGE_FROM: usize = 400;
/// Units of the large fleet and of the small one.
const UNITS: (usize, usize) = (40, 10);
/// Weeks of the season.
const WEEKS_MAX: usize = 26;
/// The season's last day, whose night is "last night".
const LAST_DAY: Date = date(2031, 9, 26);
/// Length of a visit, before and after a repair (min).
const VISIT_MIN: u64 = 40;
/// Length of a night that is watched (min).
const NIGHT_MIN: u64 = 150;
/// Days that crews calibrated on: most, and the one who did not.
const CALIBRATED: (&str, &str) = ("2031-03-10", "2029-06-18");
/// What the miscalibrated probe reads too high (0.01 °C, its format's own step).
const READS_HIGH: i16 = 150;
/// Crews of the fleet; the first two have one bad probe each.
const CREWS: usize = 5;

/// What the season brings to a unit.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Fate {
    /// Nothing is wrong.
    Healthy,
    /// It loses charge over the season, and so its air split.
    Shrinking,
    /// On the last night its thermostat starts it far too often.
    ShortCycling,
    /// In the season's last part the same fault is there at each visit.
    Repeated(Fault),
    /// Faulty until it is repaired in the middle of the season.
    Repaired(Fault),
}

/// A unit at its site.
#[derive(Debug, Clone)]
pub struct Unit {
    /// The site's name.
    pub site: String,
    /// Its time zone.
    pub zone: &'static str,
    /// What it meters with.
    pub metering: Metering,
    /// What the season brings.
    pub fate: Fate,
    /// The crew that visits it.
    pub crew: usize,
    design: Design,
}

/// One session to be made.
#[derive(Debug, Clone)]
pub struct Planned {
    /// Which unit.
    pub unit: usize,
    /// When it begins.
    pub began: ZonedDateTime,
    /// What is simulated.
    pub scenario: Scenario,
    /// What a technician changes at the end of it, and what is simulated from there on.
    pub change: Option<(&'static str, Scenario)>,
}

/// Units and visits.
#[derive(Debug)]
pub struct Fleet {
    /// The units.
    pub units: Vec<Unit>,
    /// The visits, unit by unit.
    pub visits: Vec<Planned>,
}

impl Fleet {
    /// The fleet of so many sessions.
    pub fn new(sessions: usize, seed: u64) -> Result<Self, jiff::Error> {
        let count = if sessions >= LARGE_FROM { UNITS.0 } else { UNITS.1 };
        let units: Vec<Unit> =
            (0..count).map(|number| unit(number, &mut Random::new(seed, number as u64))).collect();
        let mut visits = Vec::new();
        for (number, unit) in units.iter().enumerate() {
            let of_unit = sessions / count + usize::from(number < sessions % count);
            for visit in 0..of_unit {
                let mut random = Random::new(seed, (1_000 * (1 + number) + visit) as u64);
                visits.push(plan(number, unit, (visit, of_unit), &mut random)?);
            }
        }
        Ok(Self { units, visits })
    }

    /// What the queries must find.
    pub fn truth(&self, seed: u64) -> Value {
        let sites = |wanted: &dyn Fn(Fate) -> bool| -> Vec<&str> {
            self.units.iter().filter(|unit| wanted(unit.fate)).map(|unit| &*unit.site).collect()
        };
        let visits: Vec<Value> = self.visits.iter().map(|visit| self.told(visit)).collect();
        json!({
            "invented": true,
            "seed": seed,
            "shrinking": sites(&|fate| fate == Fate::Shrinking),
            "short_cycling": sites(&|fate| fate == Fate::ShortCycling),
            "repeated": sites(&|fate| matches!(fate, Fate::Repeated(_))),
            "repaired": sites(&|fate| matches!(fate, Fate::Repaired(_))),
            "never_faulty": sites(&|fate| matches!(fate, Fate::Healthy | Fate::ShortCycling)),
            "out_of_calibration": {address(1, OLD_PROBE): "old", address(2, HIGH_PROBE): "beyond"},
            "visits": visits,
        })
    }

    fn told(&self, visit: &Planned) -> Value {
        let words: Vec<String> = visit
            .scenario
            .faults
            .iter()
            .map(|(fault, severity)| format!("{} {}", severity.word(), fault.word()))
            .collect();
        json!({
            "site": self.units[visit.unit].site,
            "began": visit.began.timestamp().to_string(),
            "faults": words,
            "changed": visit.change.as_ref().map(|(what, _)| *what),
        })
    }
}

fn unit(number: usize, random: &mut Random) -> Unit {
    // Names that a path cannot hold as they are belong to it: engines must see them as they were.
    const TOWNS: [&str; 10] = [
        "Quillhaven",
        "Brackmoor",
        "Ötterby",
        "Saltmarrow",
        "Fennwick",
        "Tarnholt",
        "Larkstead",
        "Dunmerrow",
        "Oxlea",
        "Wrenfold",
    ];
    const HOUSES: [&str; 4] =
        ["bakery, rooftop 2", "clinic, unit 3/4", "school hall", "print shop"];
    const ZONES: [&str; 4] =
        ["America/Chicago", "America/New_York", "America/Denver", "America/Los_Angeles"];
    const LASTING: [Fault; 4] =
        [Fault::CondenserFouling, Fault::LowIndoorAirflow, Fault::LowCharge, Fault::OverCharge];
    let (town, house) = (number % TOWNS.len(), number / TOWNS.len());
    let fate = match town {
        0 => Fate::Shrinking,
        1 => Fate::ShortCycling,
        2 => Fate::Repeated(LASTING[house]),
        3 => Fate::Repaired([Fault::LowCharge, Fault::CondenserFouling][house % 2]),
        _ => Fate::Healthy,
    };
    let valve = matches!(fate, Fate::Healthy | Fate::ShortCycling) && (town + house) % 2 == 0;
    Unit {
        site: format!("{} {} (invented)", TOWNS[town], HOUSES[(town + house) % HOUSES.len()]),
        zone: ZONES[(town + 3 * house) % ZONES.len()],
        metering: if valve { Metering::Txv } else { Metering::FixedOrifice },
        fate,
        crew: 1 + (town + house) % CREWS,
        design: design(town % 3 == 1, random),
    }
}

/// How this one unit is built: no two are alike, and each stays what it is over the season.
fn design(second: bool, random: &mut Random) -> Design {
    let base = if second { Design::second() } else { Design::default() };
    Design {
        evaporating_c: base.evaporating_c + random.between(-0.5, 0.5),
        condensing_c: base.condensing_c + random.between(-1.0, 1.0),
        superheat_k: base.superheat_k + random.between(-1.0, 1.0),
        subcooling_k: base.subcooling_k + random.between(-1.0, 1.0),
        outdoor_air_kg_per_s: base.outdoor_air_kg_per_s * random.between(0.95, 1.05),
        ..base
    }
}

fn plan(
    number: usize,
    unit: &Unit,
    (visit, of_unit): (usize, usize),
    random: &mut Random,
) -> Result<Planned, jiff::Error> {
    let last = visit + 1 == of_unit;
    // Units that cycle badly on the last night did not on an earlier one, and others do not.
    let watched_by_night = match unit.fate {
        Fate::ShortCycling => last || visit + 2 == of_unit,
        Fate::Healthy => last && number % 10 < 7,
        _ => false,
    };
    let weeks = of_unit.min(WEEKS_MAX);
    let week = visit * weeks / of_unit;
    let earlier = 7 * (weeks - 1 - week) as i64 + 3 * i64::from(visit * weeks % of_unit != 0);
    let today = |days: i64| LAST_DAY.checked_sub(days.days());
    let (day, hour) = match (watched_by_night, last) {
        (true, true) => (LAST_DAY, 23),
        (true, false) => (today(earlier)?, 23),
        (false, true) => (LAST_DAY, 9 + (random.bits() % 7) as i8),
        (false, false) => {
            (today(earlier + (random.bits() % 3) as i64)?, 9 + (random.bits() % 7) as i8)
        }
    };
    let minute = (random.bits() % 50) as i8;
    let time = Time::new(hour, minute, (number % 60) as i8, 0)?;
    let began = day.to_datetime(time).to_zoned_datetime(TimeZone::get(unit.zone)?)?;
    let healthy =
        scenario(unit, watched_by_night, f64::from(hour) + f64::from(minute) / 60.0, random);
    let faults = faults(unit.fate, (visit, of_unit));
    let scenario = Scenario { faults, ..healthy.clone() };
    let repair = matches!(unit.fate, Fate::Repaired(_)) && visit == of_unit / 2;
    let scenario = match unit.fate {
        Fate::ShortCycling if last => Scenario { starts_per_hour_max: 20.0, ..scenario },
        _ => scenario,
    };
    let mended = Scenario { seed: healthy.seed ^ 1, ..healthy };
    Ok(Planned {
        unit: number,
        began,
        scenario,
        change: repair.then_some(("repaired and put in order", mended)),
    })
}

fn faults(fate: Fate, (visit, of_unit): (usize, usize)) -> Vec<(Fault, Severity)> {
    use Severity::{Middle, Mild, Severe};
    match fate {
        Fate::Shrinking => {
            let growth: [&[Severity]; 6] =
                [&[], &[Mild], &[Middle], &[Severe], &[Severe, Mild], &[Severe, Middle]];
            let grade = growth[visit * growth.len() / of_unit];
            grade.iter().map(|severity| (Fault::LowCharge, *severity)).collect()
        }
        Fate::Repeated(fault) if 5 * visit >= 2 * of_unit => vec![(fault, Severe)],
        Fate::Repaired(fault) if visit <= of_unit / 2 => vec![(fault, Severe)],
        _ => Vec::new(),
    }
}

/// The unit in good order in some weather of the season.
fn scenario(unit: &Unit, by_night: bool, start_hour: f64, random: &mut Random) -> Scenario {
    let base = Scenario::default();
    let outdoor_mean = Celsius::new(random.between(27.0, 32.0)).unwrap_or(base.outdoor_mean);
    let humidity = RelativeHumidity::new(random.between(0.45, 0.55)).unwrap_or(base.humidity);
    let outdoor_swing = if by_night { Kelvins::new(4.0) } else { Kelvins::new(8.0) };
    Scenario {
        seed: random.bits(),
        length: Duration::from_mins(if by_night { NIGHT_MIN } else { VISIT_MIN }),
        start_hour,
        metering: unit.metering,
        design: unit.design,
        faults: Vec::new(),
        outdoor_mean,
        outdoor_swing: outdoor_swing.unwrap_or(base.outdoor_swing),
        humidity,
        load_fraction: 0.5,
        // A technician holds the thermostat down; by night nobody does.
        first_run_min: if by_night { Duration::ZERO } else { Duration::from_mins(VISIT_MIN) },
        probes: ProbeCare {
            interval: Duration::from_secs(if by_night { 10 } else { 5 }),
            // What a bath has left of a probe's offset.
            offsets: 0.2,
            ..base.probes
        },
        ..base
    }
}

/// The numbers of the two bad probes in their crews' kits: a clamp and the outdoor probe.
const OLD_PROBE: u8 = 6;
const HIGH_PROBE: u8 = 4;

/// The address of a probe of a crew: locally administered, no maker's.
fn address(crew: usize, number: u8) -> String {
    format!("F2:00:00:00:{crew:02X}:{number:02X}")
}

/// The address under which a crew's own probe sends what the kit's probe of `kit_address` does.
pub fn own_address(crew: usize, kit_address: &str) -> String {
    let number = kit_address.rsplit(':').next().and_then(|last| u8::from_str_radix(last, 16).ok());
    address(crew, number.unwrap_or_default())
}

/// What `own` reads too high (0.01 °C); its bytes are shifted by it.
pub fn reads_high(own: &str) -> Option<i16> {
    (own == address(2, HIGH_PROBE)).then_some(READS_HIGH)
}

/// What baths told of a probe's temperatures, as `watch` would have copied it into the job.
pub fn calibration(own: &str, field: &str) -> String {
    let date = if own == address(1, OLD_PROBE) { CALIBRATED.1 } else { CALIBRATED.0 };
    let offset_k = reads_high(own).map_or(0.0, |high| -0.01 * f64::from(high));
    format!(
        "\n[[calibration]]\naddress = \"{own}\"\nfield = \"{field}\"\ndate = \"{date}\"\n\
         absolute = true\npoints = [{{ at_c = 0.0, offset_k = {offset_k:?}, uncertainty_k = 0.05 }}]\n"
    )
}
