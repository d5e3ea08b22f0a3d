//! What a finding means to people who do not work on air conditioners.
//!
//! What each fault does to a building is the trade's common experience (common practice, no
//! source), and the report says so.

use crate::engine::diagnose::finding::Fault;

/// What a fault is, in plain words.
pub const fn fault(fault: Fault) -> &'static str {
    match fault {
        Fault::None => "nothing wrong",
        Fault::LowCharge => "too little refrigerant (the fluid that carries the heat)",
        Fault::OverCharge => "too much refrigerant (the fluid that carries the heat)",
        Fault::LowIndoorAirflow => "too little air flowing through the indoor part",
        Fault::CondenserFouling => "too little air flowing through the outdoor part",
        Fault::LiquidLineRestriction => "a narrow place in the path of the refrigerant",
        Fault::CompressorValveLeakage => "a compressor (the pump at its heart) that leaks inside",
        Fault::NonCondensables => "air trapped in the refrigerant",
    }
}

/// What it does, and what is usually done about it.
pub const fn meaning(fault: Fault) -> &'static str {
    match fault {
        Fault::None => {
            "The unit does what a unit of its kind is expected to do under these conditions. \
             Nothing needs to be repaired on the strength of these readings."
        }
        Fault::LowCharge => {
            "Refrigerant is not used up: where some is missing, it has leaked out or was never \
             filled in. The unit cools less, runs longer, and can come to harm over time. The \
             leak is found and mended first; only then is refrigerant added."
        }
        Fault::OverCharge => {
            "Too much refrigerant makes the unit work against itself: it uses more power and \
             wears faster. The surplus is drawn off and kept, not let into the air."
        }
        Fault::LowIndoorAirflow => {
            "The unit cannot hand its cold to the rooms as it should; ice can form inside. The \
             cause is often simple: a filter that is full, a closed grille, or a fan that turns \
             too slowly."
        }
        Fault::CondenserFouling => {
            "The unit cannot get rid of the heat outdoors. It uses more power and wears faster, \
             most of all on hot days. Cleaning often helps; sometimes a fan or its motor has to \
             be replaced."
        }
        Fault::LiquidLineRestriction => {
            "The refrigerant cannot flow freely, so part of the unit gets too little of it. It \
             cools less and runs longer. The narrow place is found and the part that causes it is \
             replaced."
        }
        Fault::CompressorValveLeakage => {
            "The pump moves less refrigerant than it should: the unit cools less and runs longer. \
             This cannot be mended from outside, so it is confirmed by further tests before \
             anything is replaced."
        }
        Fault::NonCondensables => {
            "Air got into the refrigerant, mostly when the unit was opened at some time. It uses \
             more power and wears faster. The refrigerant is taken out and clean refrigerant put \
             in."
        }
    }
}

/// What comes next, as far as the owner is concerned.
pub const fn next(fault: Fault) -> &'static str {
    match fault {
        Fault::None => "No work follows from this. Keep this sheet: it says what is usual here.",
        Fault::LowIndoorAirflow => {
            "See whether the filter is clean and all grilles are open. If they are, ask your \
             technician to check the indoor fan and coil."
        }
        Fault::CondenserFouling => {
            "Keep the space around the outdoor part free of leaves and things that lean on it. \
             If it still is not right, ask your technician to check the outdoor coil \
             and fan."
        }
        _ => {
            "This is work for licensed people. Ask your technician to check for simpler causes \
             that look alike before anything is added or replaced."
        }
    }
}

/// A probability in words, by the scale that the Intergovernmental Panel on Climate Change gives
/// its authors (guidance note on uncertainties, 2010; from memory).
pub fn likelihood(probability: f64) -> &'static str {
    match probability {
        p if p > 0.99 => "almost certainly",
        p if p > 0.9 => "very likely",
        p if p > 0.66 => "likely",
        p if p > 0.33 => "possibly",
        _ => "perhaps, with other causes nearly as likely,",
    }
}

/// A probability as people count: `97 in 100`; never quite none or all.
pub fn odds(probability: f64) -> String {
    format!("{:.0} in 100", (100.0 * probability).round().clamp(1.0, 99.0))
}

/// Words that an owner cannot be expected to know, and that the owner's page must not use.
pub const JARGON: [&str; 22] = [
    "superheat",
    "subcool",
    "enthalpy",
    "evaporat",
    "condens",
    "dew point",
    "wet bulb",
    "bubble",
    "saturat",
    "metering",
    "orifice",
    "txv",
    "psig",
    "psia",
    "kpa",
    "suction",
    "discharge",
    "liquid line",
    "k = 1",
    "sigma",
    "approach",
    "settled set",
];

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn plain_words_hold_no_jargon() {
        for one in Fault::ALL {
            let text = [fault(one), meaning(one), next(one)].join(" ").to_lowercase();
            for word in JARGON {
                assert!(!text.contains(word), "{word} in {text}");
            }
        }
    }

    #[test]
    fn nobody_is_told_that_it_is_certain() {
        assert_eq!(odds(1.0), "99 in 100");
        assert_eq!(odds(0.0), "1 in 100");
        assert_eq!(odds(0.973), "97 in 100");
        assert_eq!(likelihood(0.97), "very likely");
    }
}
