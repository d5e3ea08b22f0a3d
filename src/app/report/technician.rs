//! The technician's pages: conditions, probes, measures, suspects, what could not be determined,
//! cautions, and the probes to count back.

use maud::{Markup, html};

use crate::app::account::Account;
use crate::app::findings::{self, Measured};
use crate::app::picture;
use crate::app::picture::canvas::PictureError;
use crate::app::picture::pressure_enthalpy::pressure_enthalpy;
use crate::app::report::runs;
use crate::app::report::sheet::{blank, date, figure, length, span, tick};
use crate::app::wording;
use crate::engine::columns::{Shown, Units};
use crate::engine::diagnose::finding::{Diagnosis, Finding, Suspect};
use crate::engine::job::{AirflowBasis, Circuit, Metering, Mode, UnitKind};
use crate::engine::reading::{SettledSet, SettledValue, Verdict};
use crate::engine::snapshot::ProbeStatus;
use crate::physics::refrigerant::Refrigerant;
use crate::units::quantity::QuantityKind;
use crate::units::time::Elapsed;

/// Parts of a budget that are named.
const BUDGET_LINES: usize = 3;

/// The technician's pages.
///
/// # Errors
/// When a picture cannot be drawn.
pub fn pages(account: &Account) -> Result<Markup, PictureError> {
    let last = account.last.as_ref();
    let run = match &account.run {
        Some(run) => Some((picture::lines(account, run, "The run")?, run)),
        None => None,
    };
    let diagram = match &account.diagram {
        Ok(diagram) => Some((pressure_enthalpy(diagram, account.file.units)?, diagram)),
        Err(_) => None,
    };
    Ok(html! {
        section class="sheet technician" {
            h1 { "For the technician" }
            p class="where" {
                (account.file.site) " · " (span(&account.night, Elapsed::ZERO, account.night.end()))
            }
            p class="lead" { (verdict(last)) }
            (cautions(account))
            (suspects(last))
            (measures(account, last))
            @if let Some((svg, diagram)) = &diagram {
                h2 { "On pressure and enthalpy" }
                (figure(svg, &format!(
                    "The last settled set. Crosses: what holds the true value with 95 % \
                     probability. Where none shows, it is smaller than the \
                     point. Dashed: compression without loss. Low side from the {}, high \
                     side from the {}.{}",
                    diagram.pressures_from[0], diagram.pressures_from[1],
                    remarks(&diagram.remarks),
                )))
            }
            @if let Some((svg, trace)) = &run {
                h2 { "The run" }
                (figure(svg, &format!("{}, as read. Shaded: all of it was steady.",
                    span(&account.night, trace.from, trace.to))))
            }
            (conditions(account, last))
            (probes(account))
            (runs::section(account)?)
            (undetermined(account, last))
            (count_back(account))
            (by_hand())
            (source_notes(last))
            (origin(account))
        }
    })
}

fn verdict(last: Option<&(SettledSet, Diagnosis)>) -> String {
    match last {
        Some((_, diagnosis)) => findings::sentence(diagnosis),
        None => "No run settled; nothing can be said of the unit.".to_owned(),
    }
}

fn remarks(remarks: &[&str]) -> String {
    let notes: Vec<String> = remarks.iter().map(|remark| format!(" Note: {remark}.")).collect();
    notes.concat()
}

fn refrigerants(account: &Account) -> impl Iterator<Item = Refrigerant> + '_ {
    let circuits = account.file.job.unit.circuits.iter();
    circuits.filter_map(|circuit| Refrigerant::by_name(circuit.refrigerant.as_deref()?).ok())
}

fn cautions(account: &Account) -> Markup {
    let flammable: Vec<&str> =
        refrigerants(account).filter(|one| one.is_a2l()).map(Refrigerant::name).collect();
    html! {
        div class="caution" {
            p { strong { "Before hands go in" } }
            ul {
                li { strong { "Electricity: " } "disconnect, lock out, and test for absence of \
                    voltage. The thermostat can start the unit at any time; \u{201c}off\u{201d} in these pages \
                    is no proof of isolation. Capacitors hold their charge." }
                li { strong { "Pressure and refrigerant: " } "goggles and gloves; liquid freezes \
                    skin. Certified people only; nothing is vented." }
                @if !flammable.is_empty() {
                    li { strong { (flammable.join(", ")) " burns (A2L): " } "ventilate, keep \
                        sparks and flames away, use tools rated for it, watch for it at floor \
                        level." }
                }
                li { strong { "Moving and hot parts: " } "fans start without warning; discharge \
                    lines burn." }
            }
            p { "Local codes and the maker's instructions come before anything printed here." }
        }
    }
}

fn suspects(last: Option<&(SettledSet, Diagnosis)>) -> Markup {
    let Some((_, diagnosis)) = last else { return html! {} };
    let (full, brief): (Vec<&Suspect>, Vec<&Suspect>) = diagnosis
        .suspects
        .iter()
        .filter(|suspect| suspect.probability >= findings::SHOWN_MIN)
        .partition(|suspect| suspect.probability >= findings::FULL_MIN);
    html! {
        h2 { "Suspects" }
        @if full.is_empty() && brief.is_empty() {
            p { "None could be weighed; see what could not be determined." }
        }
        @for suspect in &full { (one_suspect(suspect, diagnosis)) }
        @if !brief.is_empty() { p { (findings::also_possible(&brief)) } }
    }
}

fn one_suspect(suspect: &Suspect, diagnosis: &Diagnosis) -> Markup {
    let rivals = findings::rivals(diagnosis, suspect, true);
    let several = findings::several(diagnosis);
    html! {
        div class="suspect" {
            h3 { (findings::percent(suspect.probability)) " – " (findings::suspect_name(suspect, several)) }
            @if !rivals.is_empty() { p { "Not ruled out by these readings: " (rivals.join("; ")) "." } }
            @if !suspect.evidence.is_empty() {
                p { "What speaks for and against it:" }
                ul { @for line in &suspect.evidence { li { (line) } } }
            }
            @if !suspect.check_next.is_empty() {
                div class="together" {
                    p { "Check next:" }
                    ul { @for line in &suspect.check_next { li { (line) } } }
                }
            }
        }
    }
}

fn measures(account: &Account, last: Option<&(SettledSet, Diagnosis)>) -> Markup {
    let Some((set, diagnosis)) = last else { return html! {} };
    html! {
        h2 { "Measured" }
        p { "Means over the settled stretch, " (span(&account.night, set.from, set.to)) ". ± holds \
            the true value with 95 % probability; below each, how it was found and what its \
            uncertainty is made of (standard, k = 1). Numbers in brackets name the source of an \
            expectation, at the end of these pages. " (findings::GENERAL_RANGE) }
        div class="scroll" tabindex="0" role="group" aria-label="table" {
            table class="measures" {
                thead { tr {
                    th { "measure" } th class="n" { "value" } th { "expected" } th { "verdict" }
                } }
                @for (group, members) in findings::groups(diagnosis) {
                    tbody {
                        tr class="group" { th colspan="4" { (first_up(group)) } }
                        @for finding in members { (measure(account, finding, diagnosis)) }
                    }
                }
            }
        }
    }
}

fn measure(account: &Account, finding: &Finding, diagnosis: &Diagnosis) -> Markup {
    let words = Measured::of(finding, findings::several(diagnosis), account.file.units);
    let Some(value) = &words.value else {
        return html! { tr { th { (words.name) } td colspan="3" { (finding.basis) } } };
    };
    let mut budget: Vec<_> = finding.budget.iter().collect();
    budget.sort_by(|a, b| b.uncertainty.total_cmp(&a.uncertainty));
    let parts: Vec<String> = budget
        .iter()
        .take(BUDGET_LINES)
        .map(|line| format!("{} {}", findings::part(finding, line, account.file.units), line.what))
        .collect();
    html! {
        tr class="open" {
            th scope="row" { (words.name) }
            td class="n" { (value) " ± " (words.half) (words.unit) }
            td { (words.expected.as_deref().unwrap_or("–")) (note(finding, diagnosis)) }
            td { (words.verdict) }
        }
        tr class="how" {
            td colspan="4" {
                (finding.basis) "."
                @if !parts.is_empty() { " Uncertainty: " (parts.join("; ")) "." }
            }
        }
    }
}

/// The sources of a diagnosis, each once, in the order of its findings.
fn sources(diagnosis: &Diagnosis) -> Vec<&str> {
    let mut sources: Vec<&str> = Vec::new();
    for finding in diagnosis.findings.iter().filter(|finding| !finding.source.is_empty()) {
        if !sources.contains(&finding.source.as_str()) {
            sources.push(&finding.source);
        }
    }
    sources
}

/// The number of a finding's source, ` [3]`; nothing where it has none.
fn note(finding: &Finding, diagnosis: &Diagnosis) -> String {
    let place = sources(diagnosis).iter().position(|source| *source == finding.source);
    place.map_or(String::new(), |place| format!(" [{}]", place + 1))
}

fn source_notes(last: Option<&(SettledSet, Diagnosis)>) -> Markup {
    let sources = last.map_or(Vec::new(), |(_, diagnosis)| sources(diagnosis));
    html! {
        @if !sources.is_empty() {
            h2 { "Sources of what is expected" }
            ol class="sources" { @for source in sources { li { (first_up(source)) "." } } }
        }
    }
}

fn first_up(text: &str) -> String {
    let mut letters = text.chars();
    letters.next().map_or(String::new(), |first| first.to_uppercase().chain(letters).collect())
}

/// The conditions: what the air was, and what the job says of the unit.
fn conditions(account: &Account, last: Option<&(SettledSet, Diagnosis)>) -> Markup {
    let job = &account.file.job;
    let units = account.file.units;
    let shown = |kind: QuantityKind, si: f64| {
        let shown = Shown::of(kind, units);
        format!("{} {}", shown.text(si), wording::short(shown))
    };
    let kind = match job.unit.kind {
        UnitKind::Package => "package",
        UnitKind::Split => "split",
        UnitKind::Ductless => "ductless",
    };
    let mode = match job.mode {
        Mode::Cooling => "cooling",
        Mode::Heating => "heating",
        Mode::Auto => "as the data tell",
    };
    html! {
        h2 { "Conditions" }
        dl class="facts" {
            dt { "Unit" } dd { (kind) ", " (mode)
                @if job.unit.stages > 1 { ", " (job.unit.stages) " stages" }
                @if job.unit.variable_speed { ", variable speed" }
                @if job.unit.economizer { ", outdoor-air damper" } }
            @for (index, circuit) in job.unit.circuits.iter().enumerate() {
                dt { "Circuit " (index + 1) } dd { (self::circuit(circuit, account)) }
            }
            @if let Some(rated) = job.unit.rated_cooling {
                dt { "Rated cooling" } dd { (findings::shown("W", rated.get(), units)) }
            }
            @if let Some((flow, basis)) = job.unit.airflow {
                dt { "Indoor airflow" }
                dd { (shown(QuantityKind::Airflow, flow.get())) @match basis {
                    AirflowBasis::Measured => ", measured",
                    AirflowBasis::Assumed => ", assumed: capacity rests on it",
                } }
            }
            dt { "Barometer" } dd { (shown(QuantityKind::Pressure, job.barometer.get())) " ± "
                (barometer(job.barometer_uncertainty_pa, units)) }
            @if let Some((set, _)) = last {
                @if let Some(run_s) = set.run_s {
                    dt { "Had run for" } dd { (length(run_s)) " at the end of the settled stretch" }
                }
            }
        }
        @if let Some((set, diagnosis)) = last {
            div class="scroll" tabindex="0" role="group" aria-label="table" { table class="whole" {
                caption { "The settled set, channel by channel" }
                thead { tr { th { "channel" } th class="n" { "mean" } th class="n" { "scatter" }
                    th class="n" { "uncertainty (k = 1)" } } }
                tbody { @for value in sorted(set) {
                    @let shown = Shown::of(value.channel.kind, units);
                    tr { th scope="row" { (wording::name(&value.channel)) }
                        td class="n" { (wording::value(value.channel.kind, value.quantity.get(), units)) }
                        td class="n" { (shown.width().text(value.spread)) }
                        td class="n" { (shown.width().text(value.uncertainty)) } }
                } }
            } }
            @let limits: Vec<&Finding> = diagnosis.findings.iter().filter(|f| !findings::is_measure(f)).collect();
            @if !limits.is_empty() {
                h3 { "What limits this reading" }
                ul { @for finding in limits { li { (findings::condition(finding, findings::several(diagnosis)))
                    (note(finding, diagnosis)) } } }
            }
        }
    }
}

/// Half the width of the barometer's 95 % interval, with the decimals of a pressure.
fn barometer(uncertainty_pa: f64, units: Units) -> String {
    let shown = Shown::of(QuantityKind::Pressure, units);
    Shown { offset: 0.0, ..shown }.text(1.96 * uncertainty_pa)
}

/// The values of a set in the order of places.
fn sorted(set: &SettledSet) -> Vec<&SettledValue> {
    let mut values: Vec<_> = set.values.iter().collect();
    values.sort_by(|a, b| a.channel.cmp(&b.channel));
    values
}

fn circuit(circuit: &Circuit, account: &Account) -> String {
    let units = account.file.units;
    let mut words = vec![circuit.refrigerant.clone().unwrap_or("refrigerant not given".to_owned())];
    words.push(
        match circuit.metering {
            Some(Metering::FixedOrifice) => "fixed orifice",
            Some(Metering::Txv) => "thermostatic expansion valve",
            Some(Metering::Eev) => "electronic expansion valve",
            None => "metering device not given",
        }
        .to_owned(),
    );
    for (name, target) in [
        ("target subcooling", circuit.target_subcooling),
        ("target superheat", circuit.target_superheat),
        ("approach by the maker", circuit.approach),
    ] {
        if let Some(target) = target {
            words.push(format!("{name} {}", findings::shown("delta_degC", target.get(), units)));
        }
    }
    words.join(", ")
}

fn probes(account: &Account) -> Markup {
    if account.probes.is_empty() {
        return html! {
            h2 { "Probes and their places" }
            p { "None: the values were imported or typed." }
        };
    }
    html! {
        h2 { "Probes and their places" }
        div class="scroll" tabindex="0" role="group" aria-label="table" { table {
            thead { tr { th { "place" } th { "probe" } th class="n" { "every" } th class="n" { "signal" }
                th class="n" { "battery" } th { "at the end" } } }
            tbody { @for probe in account.probes.iter().filter(|p| p.awaited || !p.places.is_empty()) {
                tr {
                    th scope="row" { (places(probe)) @if let Some(accuracy) = accuracy(account, probe) { small { (accuracy) } } }
                    td { (probe.name.as_deref().unwrap_or("")) small { (probe.address) } }
                    td class="n" { (probe.interval_s.map_or("–".to_owned(), |s| format!("{s:.1} s"))) }
                    td class="n" { (probe.rssi_dbm.map_or("–".to_owned(), |dbm| format!("{dbm} dBm"))) }
                    td class="n" { (probe.battery.map_or("–".to_owned(), |b| format!("{:.0} %", 100.0 * b))) }
                    td { (ending(probe)) }
                }
            } }
        } }
    }
}

fn places(probe: &ProbeStatus) -> String {
    if probe.places.is_empty() {
        "no place given".to_owned()
    } else {
        probe.places.join(", ").replace('-', " ")
    }
}

/// What the profile says of the probe's accuracy, channel by channel.
fn accuracy(account: &Account, probe: &ProbeStatus) -> Option<String> {
    let units = account.file.units;
    let mine =
        account.channels.iter().filter(|(_, address)| address.as_deref() == Some(&probe.address));
    let each: Vec<String> = mine
        .map(|(known, _)| {
            let shown = Shown::of(known.channel.kind, units);
            let half = known.instrument.accuracy * shown.scale;
            format!(
                "{} ± {half:.2} {}",
                known.channel.kind.word().replace('-', " "),
                wording::short(shown)
            )
        })
        .collect();
    (!each.is_empty()).then(|| each.join(", "))
}

fn ending(probe: &ProbeStatus) -> String {
    match probe.silent {
        None => "never heard".to_owned(),
        Some(silent) if probe.lost => format!("lost, silent {}", length(silent.as_secs_f64())),
        Some(_) => "heard".to_owned(),
    }
}

/// What a measure needs that is not found among the findings.
const NEEDS: [(&str, &str); 7] = [
    ("evaporator_split", "probes in return (or mixed) and supply air"),
    ("condenser_split", "probes in the air entering and leaving the outdoor coil"),
    (
        "superheat",
        "a clamp on the suction line, and suction pressure or a clamp on the indoor coil",
    ),
    (
        "subcooling",
        "a clamp on the liquid line, and high-side pressure or a clamp on the outdoor coil",
    ),
    ("approach", "a clamp on the liquid line and a probe in the outdoor air"),
    ("discharge_temperature", "a clamp on the discharge line"),
    ("total_capacity", "temperature and humidity of return and supply air, and the airflow"),
];

fn undetermined(account: &Account, last: Option<&(SettledSet, Diagnosis)>) -> Markup {
    let mut lines: Vec<(String, String)> = Vec::new();
    if let Some((_, diagnosis)) = last {
        let find = |name: &str| diagnosis.findings.iter().find(|finding| finding.measure == name);
        for (measure, needs) in NEEDS {
            let name = measure.replace('_', " ");
            match find(measure) {
                None => lines.push((name, format!("not known: it needs {needs}"))),
                Some(finding) if finding.value.is_none() => {
                    lines.push((name, finding.basis.clone()));
                }
                Some(_) => {}
            }
        }
        for finding in &diagnosis.findings {
            if finding.verdict == Verdict::CannotTell && findings::is_measure(finding) {
                let why = "its interval contains a limit: more precise probes or a longer settled \
                           run would tell";
                lines.push((finding.measure.replace('_', " "), why.to_owned()));
            }
        }
        if let Some(first) = diagnosis.suspects.first() {
            let rivals: Vec<&str> =
                first.cannot_tell_from.iter().map(|fault| fault.words_as_rival()).collect();
            if !rivals.is_empty() {
                let why = format!("these readings cannot tell it from {}", rivals.join(" or "));
                lines.push((findings::both(first), why));
            }
        }
    } else {
        lines.push(("the unit's health".to_owned(), "no run settled".to_owned()));
    }
    if let Err(why) = account.diagram {
        lines.push(("the circuit on pressure and enthalpy".to_owned(), why.to_owned()));
    }
    if account.night.trends().found().next().is_none() {
        let why = "a trend is laid through five settled runs or more, at outdoor temperatures \
                   that do not simply rise or fall with time";
        lines.push(("change from run to run".to_owned(), why.to_owned()));
    }
    html! {
        h2 { "What could not be determined, and why" }
        div class="scroll" tabindex="0" role="group" aria-label="table" { table { tbody { @for (what, why) in lines {
            tr { th scope="row" { (what) } td { (why) } }
        } } } }
    }
}

/// The list to count probes back by.
fn count_back(account: &Account) -> Markup {
    let placed: Vec<&ProbeStatus> = account.probes.iter().filter(|p| p.awaited).collect();
    if placed.is_empty() {
        return html! {};
    }
    html! {
        h2 { "Count the probes back" }
        p { (placed.len()) @if placed.len() == 1 { " probe was" } @else { " probes were" }
            " put on for this visit. Tick each as it comes off; leave none behind." }
        div class="scroll" tabindex="0" role="group" aria-label="table" { table class="whole" {
            thead { tr { th { "off" } th { "place" } th { "probe" } th { "last heard" } } }
            tbody { @for probe in placed { tr {
                td { (tick()) }
                th scope="row" { (places(probe)) }
                td { (probe.name.as_deref().unwrap_or("")) " " (probe.address) }
                td { (probe.silent.map_or("never".to_owned(), |silent|
                    date(&account.night, account.night.end() - silent))) }
            } } }
        } }
    }
}

fn by_hand() -> Markup {
    html! {
        h2 { "By hand" }
        div class="blanks" {
            (blank("Technician"))
            (blank("Licence or certificate"))
            (blank("Model and serial number"))
            (blank("Date"))
            div class="wide" { (blank("Seen and done")) (blank("")) (blank("")) (blank("Signature")) }
        }
    }
}

fn origin(account: &Account) -> Markup {
    let counts = account.counts;
    let (rows, skipped) = account.rows;
    html! {
        h2 { "Where this comes from" }
        p { "Every number here was made again from the session's record: "
            (rows) " rows, " (counts.readings) " readings, " (counts.refused) " refused, "
            (counts.repeated) " repeats dropped"
            @if skipped > 0 { ", " (skipped) " rows that could not be read" }
            ". The same record gives the same report." }
        dl class="facts" {
            dt { "Session" } dd { (account.folder) }
            @if !account.program.is_empty() { dt { "Recorded by" } dd { (account.program) } }
            dt { "Reported by" } dd { "settled " (env!("CARGO_PKG_VERSION")) }
        }
    }
}
