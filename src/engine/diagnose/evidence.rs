//! What speaks for and against a fault, in plain words.

use crate::engine::diagnose::finding::Fault;
use crate::engine::diagnose::patterns::{Direction, Sign, Signature, signatures};
use crate::engine::diagnose::weigh::{Seen, Shown, Weighing};
use crate::engine::phrase::Phrase;

/// Weight of evidence (natural logarithm of odds) under which a reading is left unsaid.
const WEIGHT_MIN: f64 = 0.1;

/// The ledger of one fault: each reading that speaks for or against it, the weightiest first.
///
/// `said` is how temperatures are said.
pub fn ledger(weighing: &Weighing, fault: Fault, with: Option<Fault>, said: Phrase) -> Vec<String> {
    if fault == Fault::None {
        return good_order(weighing, said);
    }
    let index = place(fault);
    let other = with.map(place);
    let mut lines: Vec<(f64, String)> = Vec::with_capacity(weighing.shown.len() + 1);
    for shown in &weighing.shown {
        let shift = shown.shifts[index] + other.map_or(0.0, |other| shown.shifts[other]);
        let weight = weight(shown, shift);
        if weight.abs() >= WEIGHT_MIN {
            let known = signature(weighing, fault, shown.what);
            lines.push((weight, line(shown, shift, weight, known, said)));
        }
    }
    let restriction = Fault::LiquidLineRestriction;
    if let Some((drop, weight)) = weighing.line_drop
        && (fault == restriction || with == Some(restriction))
        && weight.abs() >= WEIGHT_MIN
    {
        let side = if weight > 0.0 { "for" } else { "against" };
        let fall = said.gap(drop);
        lines.push((
            weight,
            format!(
                "{side}: the liquid line cools by {fall} between its two clamps (assumed sizes)"
            ),
        ));
    }
    lines.sort_by(|a, b| b.0.abs().total_cmp(&a.0.abs()));
    let mut ledger: Vec<_> = lines.into_iter().map(|(_, line)| line).collect();
    if ledger.is_empty() {
        ledger.push("the readings at hand say nothing for or against it".to_owned());
    }
    if weighing.against_own {
        ledger.push("judged against the unit's own visit in good order".to_owned());
    }
    ledger
}

/// Place of a fault in [`Fault::ALL`].
pub fn place(fault: Fault) -> usize {
    Fault::ALL.iter().position(|f| *f == fault).unwrap_or(0)
}

/// Logarithm of the odds that one reading alone gives for a shift against none.
fn weight(shown: &Shown, shift: f64) -> f64 {
    (shown.residual * shift - 0.5 * shift * shift) / (shown.deviation * shown.deviation)
}

fn good_order(weighing: &Weighing, said: Phrase) -> Vec<String> {
    let far = |shown: &&Shown| shown.residual.abs() > 1.5 * shown.deviation;
    let mut lines: Vec<_> = weighing
        .shown
        .iter()
        .filter(far)
        .map(|shown| {
            let mut text = "against: ".to_owned();
            push_stands(&mut text, shown, said);
            text
        })
        .collect();
    if lines.is_empty() {
        lines.push(
            "for: every reading lies where a unit in good order may have it in this weather"
                .to_owned(),
        );
    }
    lines
}

/// What a source says of how this fault moves what was seen.
fn signature(weighing: &Weighing, fault: Fault, seen: Seen) -> Option<(Direction, Signature)> {
    let Seen::Sign(sign) = seen else { return None };
    let known = signatures(weighing.metering);
    let row = known.iter().find(|row| row.fault == fault)?;
    Some((row.directions[sign as usize], *row))
}

fn line(
    shown: &Shown,
    shift: f64,
    weight: f64,
    known: Option<(Direction, Signature)>,
    said: Phrase,
) -> String {
    let side = if weight > 0.0 { "for" } else { "against" };
    let moves = if shift > 0.0 { "raises" } else { "lowers" };
    let standing = match known {
        Some((Direction::Up, row)) if shift > 0.0 => row.standing.words(),
        Some((Direction::Down, row)) if shift < 0.0 => row.standing.words(),
        Some((Direction::Disputed, _)) => "sources dispute the direction",
        Some((Direction::Up | Direction::Down, _)) => "a source says otherwise",
        _ => "no source for the direction",
    };
    // One text, grown in place: a ledger has hundreds of pieces.
    let mut text = String::with_capacity(240);
    text.push_str(side);
    text.push_str(": ");
    push_stands(&mut text, shown, said);
    text.push_str("; this fault ");
    text.push_str(moves);
    text.push_str(" it, here by about ");
    said.push_gap(&mut text, shift.abs());
    text.push_str(" (computed; ");
    text.push_str(standing);
    text.push(')');
    text
}

/// Writes how a reading stands to what a unit in good order shows.
fn push_stands(text: &mut String, shown: &Shown, said: Phrase) {
    text.push_str(name(shown.what));
    if shown.residual.abs() < 0.4 * shown.deviation {
        text.push_str(" is about");
    } else {
        text.push_str(" is ");
        said.push_gap(text, shown.residual.abs());
        text.push_str(if shown.residual > 0.0 { " above" } else { " below" });
    }
    text.push_str(" what units in good order show in this weather (these differ by ± ");
    said.push_gap(text, 1.96 * shown.deviation);
    text.push(')');
}

/// The reading's name for people.
pub const fn name(seen: Seen) -> &'static str {
    match seen {
        Seen::Sign(Sign::Evaporating) => "evaporating temperature",
        Seen::Sign(Sign::Superheat) => "superheat",
        Seen::Sign(Sign::Condensing) => "condensing temperature",
        Seen::Sign(Sign::Subcooling) => "subcooling",
        Seen::Sign(Sign::Discharge) => "discharge line",
        Seen::Sign(Sign::CondenserSplit) => "rise of the air through the condenser",
        Seen::Sign(Sign::EvaporatorSplit) => "drop of the air over the indoor coil",
        Seen::SuctionLine => "suction line",
        Seen::LiquidLine => "liquid line",
    }
}
