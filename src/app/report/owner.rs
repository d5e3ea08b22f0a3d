//! The owner's page: what was looked at, what was found, how sure, what it means. One sheet, in
//! plain words.

use maud::{Markup, html};

use crate::app::account::Account;
use crate::app::findings::Shape;
use crate::app::picture;
use crate::app::picture::canvas::PictureError;
use crate::app::report::plain;
use crate::app::report::sheet::{blank, figure, length, span};
use crate::app::trend::measured;
use crate::engine::diagnose::finding::{Diagnosis, Fault, Suspect};
use crate::engine::job::{Mode, UnitKind};
use crate::engine::reading::Verdict;
use crate::physics::refrigerant::Refrigerant;
use crate::units::time::Elapsed;

/// Shares of the runs are told from so many on.
const RUNS_TOLD_MIN: usize = 3;

/// The owner's page.
///
/// # Errors
/// When the picture cannot be drawn.
pub fn page(account: &Account) -> Result<Markup, PictureError> {
    let night = &account.night;
    let air = picture::felt(account, &account.visit, "Air temperatures during the visit")?;
    let diagnosis = account.last.as_ref().map(|(_, diagnosis)| diagnosis);
    let seen = span(night, Elapsed::ZERO, night.end());
    Ok(html! {
        section class="sheet owner" {
            h1 { "How your " (machine(account)) " is doing" }
            p class="where" { (account.file.site) " · " (seen) }
            p class="finding" { (found(diagnosis)) }
            h2 { "What was looked at" }
            p { (looked_at(account)) }
            @if let Some(text) = diagnosis.and_then(|diagnosis| felt(account, diagnosis)) {
                p { (text) }
            }
            h2 { "How sure this is" }
            p { (how_sure(account, diagnosis)) }
            @if let Some(first) = diagnosis.and_then(|diagnosis| diagnosis.suspects.first()) {
                h2 { "What it means" }
                p { (plain::meaning(first.fault)) }
                @if let Some(second) = first.with { p { (plain::meaning(second)) } }
                h2 { "What comes next" }
                p { (plain::next(first.fault)) }
            }
            (figure(&air, "Temperatures of the air. Shaded: the readings held steady, so that the \
                           numbers could be trusted."))
            div class="caution" {
                p { "Please leave the unit's panels closed. There is high voltage and pressure \
                     inside, and it can start by itself at any time." @if burns(account) {
                     " Its refrigerant can burn: if you hear it hiss or suspect a leak, keep \
                      flames and sparks away, let fresh air in, and call for help." } }
            }
            div class="blanks" {
                (blank("Looked at by"))
                (blank("Date"))
                (blank("Signature"))
                (blank("Received by"))
            }
            p class="pale" { small { "What a fault does to a building is the trade's common \
                experience, not a measurement. This page judges readings of a few hours; it does \
                not rate the unit." } }
        }
    })
}

/// What kind of machine it is, to people.
fn machine(account: &Account) -> &'static str {
    match account.file.job.mode {
        Mode::Cooling => "air conditioner",
        Mode::Heating => "heat pump",
        Mode::Auto => "air conditioner or heat pump",
    }
}

fn burns(account: &Account) -> bool {
    let circuits = account.file.job.unit.circuits.iter();
    let named = circuits.filter_map(|circuit| circuit.refrigerant.as_deref());
    named.filter_map(|name| Refrigerant::by_name(name).ok()).any(Refrigerant::is_a2l)
}

/// What was found, in a sentence for an owner.
pub fn found(diagnosis: Option<&Diagnosis>) -> String {
    let Some(diagnosis) = diagnosis else {
        return "Nothing can be said yet: the unit did not run long and evenly enough for its \
                readings to become steady."
            .to_owned();
    };
    let Some(first) = diagnosis.suspects.first() else {
        return "It cannot be said from these readings whether something is wrong: too little was \
                measured, or something measured is in doubt."
            .to_owned();
    };
    let how = plain::likelihood(first.probability);
    if first.fault == Fault::None {
        return format!("Most readings look as they should: {how} nothing is wrong.");
    }
    format!("The unit {how} has {}.", both(first))
}

fn both(suspect: &Suspect) -> String {
    match suspect.with {
        Some(other) => format!("{}, and {}", plain::fault(suspect.fault), plain::fault(other)),
        None => plain::fault(suspect.fault).to_owned(),
    }
}

/// What was looked at, and for how long.
fn looked_at(account: &Account) -> String {
    let unit = &account.file.job.unit;
    let kind = match unit.kind {
        UnitKind::Package => "a unit built as one box, which stands outdoors",
        UnitKind::Split => "a unit with one part indoors and one outdoors",
        UnitKind::Ductless => "a unit that blows straight into the room",
    };
    let probes = account.probes.iter().filter(|probe| probe.silent.is_some()).count();
    let probes_heard = probes > 0;
    let night = &account.night;
    let time = length(night.end().as_secs());
    let probes = match probes {
        0 => "The readings were taken over from the record of another instrument, which listened"
            .to_owned(),
        1 => "One small wireless thermometer stayed".to_owned(),
        more => format!("{more} small wireless probes, most of them thermometers, stayed"),
    };
    let whole = night.summary().whole;
    let runs = match (night.cycles().len(), night.settled().len()) {
        (0, _) => "It was not heard to run in that time.".to_owned(),
        (1, 0) => "It ran once, too short for its readings to be trusted.".to_owned(),
        (1, _) => "It ran once, long enough for its readings to be trusted.".to_owned(),
        (runs, settled) => format!(
            "It ran {runs} times; in {settled} of these runs its readings held steady, so that \
             they can be trusted."
        ),
    };
    let share = whole
        .duty()
        .map_or(String::new(), |duty| format!(" In all it ran {:.0} % of the time.", 100.0 * duty));
    let on_it = if probes_heard { " on it" } else { "" };
    format!("This is {kind}. {probes}{on_it} for {time}. {runs}{share}")
}

/// What the air did, which anyone can feel.
fn felt(account: &Account, diagnosis: &Diagnosis) -> Option<String> {
    let split = measured(diagnosis, "evaporator_split")?;
    let value = split.value?;
    let shape = Shape::of(split.unit, account.file.units);
    let (way, value) = if value >= 0.0 { ("cooler", value) } else { ("warmer", -value) };
    let unit = picture::difference_unit(account.file.units).replace('K', "°C");
    let mut text = format!(
        "The air that it blew into the rooms was {} {unit} {way} than the air it took in",
        shape.text(value)
    );
    if let (Some([Some(low), Some(high)]), "cooler") = (split.expected, way) {
        let said = match split.verdict {
            Verdict::Within => "which is what is expected",
            Verdict::Low => "less than is expected",
            Verdict::High => "more than is expected",
            Verdict::CannotTell if (low..=high).contains(&split.value.unwrap_or(low)) => {
                "about normal; it cannot be told more finely"
            }
            Verdict::CannotTell => "too close to the edge of what is expected to call it wrong",
            Verdict::None => "",
        };
        text = format!("{text}, {said} here ({} to {} {unit})", shape.text(low), shape.text(high));
    }
    Some(text + ".")
}

/// How sure it is: chance, what looks alike, and how many runs agree.
fn how_sure(account: &Account, diagnosis: Option<&Diagnosis>) -> String {
    let tolerance = "The tolerance of every probe is counted in.";
    let Some(first) = diagnosis.and_then(|diagnosis| diagnosis.suspects.first()) else {
        return format!("{tolerance} Where a number could not be trusted, it was left out.");
    };
    let mut text = format!(
        "Of 100 units whose readings look like these, about {} would have this.",
        plain::odds(first.probability).replace(" in 100", "")
    );
    let others: Vec<&str> = first
        .cannot_tell_from
        .iter()
        .filter(|fault| **fault != Fault::None)
        .map(|fault| plain::fault(*fault))
        .collect();
    if !others.is_empty() {
        text = format!(
            "{text} Not ruled out yet: {}. A closer look at the unit will tell.",
            others.join("; ")
        );
    }
    if first.cannot_tell_from.contains(&Fault::None) {
        text = format!("{text} It cannot be ruled out yet that nothing is wrong.");
    }
    let named = account.night.settled().filter_map(|run| run.suspect);
    let (same, all) = named.fold((0, 0), |(same, all), (fault, _)| {
        (same + usize::from(fault == first.fault), all + 1)
    });
    if all >= RUNS_TOLD_MIN {
        text = format!("{text} The same came out first in {same} of {all} runs.");
    }
    format!("{text} {tolerance}")
}
