//! What a set shows of the features that the patterns speak of, and what it should show.

use crate::engine::diagnose::conditions::Stops;
use crate::engine::diagnose::inputs::{Inputs, Role};
use crate::engine::diagnose::measure::Measures;
use crate::engine::diagnose::patterns::{self, FEATURES, Feature, SCALE, Table, WEATHER, Weather};
use crate::engine::diagnose::uncertain::{Source, Uncertain};
use crate::engine::job::{Circuit, Metering};
use crate::physics::uncertainty::Shape;

/// Growth (K per K) of what is not known for weather outside that of the patterns. Assumed.
const OUTSIDE: f64 = 0.3;
/// The weather taken where a reading is missing (°C) and its standard deviation (K). Assumed.
const USUAL: [(f64, f64); 3] = [(25.0, 2.0), (18.0, 2.5), (32.0, 6.0)];
/// The wet bulb below the dry bulb where no humidity is known (K), and its deviation. Assumed.
const DEPRESSION: (f64, f64) = (7.0, 2.2);

/// One observation: a sum of features with what it was read from.
#[derive(Debug, Clone)]
pub struct Observation {
    /// The features with their signs.
    pub parts: [(Feature, f64); 2],
    /// What was read (°C or K).
    pub value: Uncertain,
}

/// What the weighing needs of one set.
#[derive(Debug, Clone)]
pub struct Evidence {
    /// What was observed.
    pub observations: Vec<Observation>,
    /// Return dry and wet bulb, outdoor air (°C).
    pub weather: [Uncertain; 3],
    /// Whether the refrigerant is not the one that the patterns were computed for.
    pub other_refrigerant: bool,
    /// Extra variance for weather outside the patterns (K²).
    pub outside: f64,
    /// What the maker says that this unit shows in good order, exact.
    pub targets: Vec<Observation>,
    /// Drop along the liquid line between its two clamps (K), where both are there.
    pub line_drop: Option<Uncertain>,
}

impl Evidence {
    /// Gathers what is known on one circuit; `trusted` says which values may be used.
    pub fn new(
        inputs: &mut Inputs,
        measures: &Measures,
        other_refrigerant: bool,
        trusted: impl Fn(&Inputs, &Uncertain) -> bool,
    ) -> Self {
        let known = |inputs: &Inputs, value: Option<&Uncertain>| {
            value.filter(|value| trusted(inputs, value)).cloned()
        };
        let dry = known(inputs, inputs.entering_air());
        let outdoor = known(inputs, inputs.get(Role::OutdoorAir));
        let wet = known(inputs, measures.wet_bulb.as_ref());
        let mut usual = |what, (value, deviation): (f64, f64)| {
            let mut made = Uncertain::exact(value);
            let source = Source { value: None, what, shape: Shape::Normal };
            made.push(inputs.sources.add(source), deviation);
            made
        };
        let dry = dry.unwrap_or_else(|| usual("return air not measured", USUAL[0]));
        let wet = wet.unwrap_or_else(|| {
            let under = usual("humidity not measured", DEPRESSION);
            dry.minus(&under)
        });
        let outdoor = outdoor.unwrap_or_else(|| usual("outdoor air not measured", USUAL[2]));
        let weather = [dry, wet, outdoor];
        let beyond = |i: usize| {
            let (from, to) = WEATHER[i];
            (from - weather[i].value).max(weather[i].value - to).max(0.0)
        };
        let outside = (0..3).map(|i| OUTSIDE * beyond(i)).map(|k| k * k).sum();
        let drop = measures.get("liquid_line_drop").map(|measure| &measure.value);
        let line_drop = known(inputs, drop);
        let observations = observations(inputs, measures, known);
        Self { observations, weather, other_refrigerant, outside, targets: Vec::new(), line_drop }
    }

    /// Adds what the maker says of this circuit, where the tests that go by it hold.
    #[must_use]
    pub fn with_targets(mut self, circuit: &Circuit, stops: Stops) -> Self {
        let mut add = |parts, value: f64| {
            self.targets.push(Observation { parts, value: Uncertain::exact(value) });
        };
        if let Some(k) = circuit.target_superheat.filter(|_| !stops.superheat) {
            add([(Feature::SuctionLine, 1.0), (Feature::Evaporating, -1.0)], k.get());
        }
        // On a fixed orifice subcooling has no target.
        let valve = matches!(circuit.metering, Some(Metering::Txv | Metering::Eev));
        if let Some(k) = circuit.target_subcooling.filter(|_| valve && !stops.subcooling) {
            add([(Feature::Condensing, 1.0), (Feature::LiquidLine, -1.0)], k.get());
        }
        if let Some(k) = circuit.approach.filter(|_| !stops.subcooling) {
            let liquid = k.get() + self.weather[2].value;
            add([(Feature::LiquidLine, 1.0), (Feature::LiquidLine, 0.0)], liquid);
        }
        self
    }

    /// How many observations there are.
    pub fn len(&self) -> usize {
        self.observations.len()
    }

    /// Whether there are none.
    pub fn is_empty(&self) -> bool {
        self.observations.is_empty()
    }

    /// Whether a feature, or a sum that it is part of, was observed.
    pub fn has(&self, feature: Feature) -> bool {
        let has = |o: &Observation| o.parts.iter().any(|(f, w)| *f == feature && *w != 0.0);
        self.observations.iter().any(has)
    }

    /// The weather's values, kept to where the patterns hold.
    pub fn place(&self) -> Weather {
        core::array::from_fn(|i| self.weather[i].value.clamp(WEATHER[i].0, WEATHER[i].1))
    }
}

/// A name for a closure that looks a value up and drops what is not to be trusted.
trait Known: Fn(&Inputs, Option<&Uncertain>) -> Option<Uncertain> {}
impl<F: Fn(&Inputs, Option<&Uncertain>) -> Option<Uncertain>> Known for F {}

fn observations(inputs: &mut Inputs, measures: &Measures, known: impl Known) -> Vec<Observation> {
    let mut made = Vec::with_capacity(FEATURES);
    let one = |feature| [(feature, 1.0), (feature, 0.0)];
    let get = |inputs: &Inputs, name| known(inputs, measures.get(name).map(|m| &m.value));
    let evaporating = known(inputs, measures.evaporating.as_ref());
    let condensing = known(inputs, measures.condensing.as_ref());
    let suction = known(inputs, inputs.get(Role::SuctionLine));
    let suction = suction.or_else(|| {
        let outlet = known(inputs, inputs.get(Role::CoilOutlet))?;
        Some(elsewhere(inputs, &outlet, "suction line's own warming", 1.2))
    });
    let liquid = known(inputs, inputs.get(Role::LiquidLine));
    let liquid = liquid.or_else(|| {
        let far = known(inputs, inputs.get(Role::LiquidLineFar))?;
        Some(elsewhere(inputs, &far, "liquid line's own cooling", 1.0))
    });
    let mut add = |parts, value: Option<Uncertain>| {
        made.extend(value.map(|value| Observation { parts, value }));
    };
    let given = evaporating.is_none() || suction.is_none();
    let superheat = given.then(|| get(inputs, "superheat")).flatten();
    add([(Feature::SuctionLine, 1.0), (Feature::Evaporating, -1.0)], superheat);
    let given = condensing.is_none() || liquid.is_none();
    let subcooling = given.then(|| get(inputs, "subcooling")).flatten();
    add([(Feature::Condensing, 1.0), (Feature::LiquidLine, -1.0)], subcooling);
    add(one(Feature::Evaporating), evaporating);
    add(one(Feature::Condensing), condensing);
    add(one(Feature::SuctionLine), suction);
    add(one(Feature::LiquidLine), liquid);
    add(one(Feature::DischargeLine), known(inputs, inputs.get(Role::DischargeLine)));
    add(one(Feature::CondenserSplit), get(inputs, "condenser_split"));
    add(one(Feature::EvaporatorSplit), get(inputs, "evaporator_split"));
    made
}

/// A value taken at another place than the patterns mean, with a deviation (K) for that.
fn elsewhere(inputs: &mut Inputs, value: &Uncertain, what: &'static str, k: f64) -> Uncertain {
    let mut unknown = Uncertain::exact(0.0);
    let source = Source { value: None, what, shape: Shape::Normal };
    unknown.push(inputs.sources.add(source), k);
    value.plus(&unknown)
}

impl Evidence {
    /// Observed minus what a unit in good order shows in this weather; the weather's own errors
    /// come along with the slope of the expectation.
    pub fn residual(&self, observation: &Observation, table: &Table) -> Uncertain {
        let at = self.place();
        let basis = patterns::basis(at);
        let [a, b, o] = patterns::place(at);
        let slopes = |c: &[f64; 10]| {
            [
                (c[1] + 2.0 * c[4] * a + c[7] * b + c[8] * o) / SCALE[0],
                (c[2] + 2.0 * c[5] * b + c[7] * a + c[9] * o) / SCALE[1],
                (c[3] + 2.0 * c[6] * o + c[8] * a + c[9] * b) / SCALE[2],
            ]
        };
        let (mut expected, mut slope) = (0.0, [0.0; 3]);
        for (feature, weight) in observation.parts {
            let coefficients = &table.mean[feature as usize];
            let value: f64 = coefficients.iter().zip(basis).map(|(c, x)| c * x).sum();
            expected += weight * value;
            for (slope, s) in slope.iter_mut().zip(slopes(coefficients)) {
                *slope += weight * s;
            }
        }
        let mut left = observation.value.clone();
        left.value -= expected;
        for ((weather, slope), at) in self.weather.iter().zip(slope).zip(at) {
            // Beyond the patterns' weather the expectation goes on along its slope.
            let value = left.value - slope * (weather.value - at);
            left = left.mix(1.0, weather, -slope, value);
        }
        left
    }
}

/// The baseline's observation of the same thing.
pub fn partner<'a>(own: &'a Evidence, observation: &Observation) -> Option<&'a Observation> {
    own.observations.iter().find(|other| other.parts == observation.parts)
}

/// Deviation (K) of the drop along a free liquid line. Assumed.
const FREE_LINE_K: f64 = 0.8;
/// Share of restrictions that lie between the two clamps. Assumed.
const BETWEEN_CLAMPS: f64 = 0.5;
/// Drop (K) up to which such a restriction may cool the liquid, all drops alike. Assumed.
const DROP_MAX_K: f64 = 20.0;
/// Largest odds that this one pair of clamps may give: one of them can be bad. Assumed.
const DROP_ODDS_MAX: f64 = 30.0;

/// Logarithm of the odds that a drop along the liquid line gives a restriction.
pub fn drop_weight(drop: &Uncertain) -> f64 {
    let variance = drop.variance() + FREE_LINE_K * FREE_LINE_K;
    let free = libm::exp(-0.5 * drop.value * drop.value / variance)
        / (2.0 * core::f64::consts::PI * variance).sqrt();
    let between = if (0.0..=DROP_MAX_K).contains(&drop.value) { 1.0 / DROP_MAX_K } else { 0.0 };
    let odds = (1.0 - BETWEEN_CLAMPS) + BETWEEN_CLAMPS * between / free.max(1e-12);
    libm::log(odds.min(DROP_ODDS_MAX))
}
