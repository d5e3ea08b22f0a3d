//! The live page: pure functions from what is known to markup.
//!
//! The order is that of a look: what is going on, the values with their way to settled, what they
//! say, the plots, what happened. The words are the terminal's.

use maud::{DOCTYPE, Markup, html};

use super::history::{History, Source};
use super::sheet::Pen;
use crate::app::findings::{self, Measured};
use crate::app::serve::when::When;
use crate::app::view::{Row, View};
use crate::engine::columns::Units;
use crate::engine::diagnose::finding::{Diagnosis, Suspect};
use crate::engine::output::Event;
use crate::engine::reading::State;
use crate::units::time::Elapsed;

/// Events shown on the live page, the latest first.
const HAPPENED: usize = 6;
/// Lines of evidence shown for a suspect.
const EVIDENCE: usize = 3;

/// What the page shows beside the view.
#[derive(Debug, Clone)]
pub struct Scene {
    /// The site, as people call it.
    pub site: String,
    /// Where the inputs come from.
    pub source: Source,
    /// Whether notes are taken.
    pub takes_notes: bool,
    /// The latest events, each with its time and words.
    pub happened: Vec<(String, String)>,
    /// How moments are labelled.
    pub when: When,
    /// Outputs that are missing on the page.
    pub missed: u64,
    /// Whether some of the record is of a night.
    pub has_night: bool,
}

impl From<&History> for Scene {
    fn from(history: &History) -> Self {
        let latest = history.night.marks().rev().filter(|event| is_told(event)).take(HAPPENED);
        Self {
            site: history.site.clone(),
            source: history.source,
            takes_notes: history.folder.is_some(),
            happened: latest
                .map(|event| (history.when.clock(event.at), history.event_words(event)))
                .collect(),
            when: history.when.clone(),
            missed: history.missed,
            has_night: history.night.has_night(),
        }
    }
}

/// Whether an event is for people; a second statistic's opinion is for those who tune the first.
pub fn is_told(event: &Event) -> bool {
    event.event != "r_statistic_disagrees"
}

/// The same text, in which no line ends between a number and its unit.
fn tied(text: &str) -> String {
    [" °", " min", " psi", " kPa", " %", " A", " W"]
        .iter()
        .fold(text.to_owned(), |text, unit| text.replace(unit, &unit.replace(' ', "\u{a0}")))
}

/// The parts of the live page that follow the session.
pub struct Live {
    /// What is going on, the readings, what they say.
    pub now: Markup,
    /// What happened.
    pub happened: Markup,
}

/// Draws what follows the session.
pub fn live(scene: &Scene, view: &View, units: Units, pen: &mut Pen) -> Live {
    let now = html! {
        @if let Some(notice) = &view.notice {
            p.notice role="alert" { span.sign aria-hidden="true" { "!" } " " (pen.text("notice", notice)) }
        }
        section.now aria-label="What is going on" {
            h1 { (pen.text("sentence", &tied(&view.sentence))) }
            @if let Some(diagnosis) = &view.diagnosis {
                p.verdict { (pen.text("verdict", &verdict(scene, view, diagnosis))) }
            }
            @let missing = view.missing();
            @if !missing.is_empty() {
                p.lost {
                    span.sign aria-hidden="true" { "!" } " Missing: "
                    (pen.text("lost", &missing.join("; ")))
                }
            }
            p.whole {
                @if let Some(share) = view.share {
                    (pen.bar("whole-bar", share, "Whole run until steady"))
                    (pen.text("whole", &steadiness(share)))
                }
                (pen.text("at", &moment(scene, view.at)))
            }
        }
        section.readings aria-labelledby="readings" {
            h2 #readings { "Readings" }
            (readings(&view.rows, pen))
            p.basis { "Change is that of this moment, and swings; \u{201c}steady\u{201d} is judged over minutes." }
        }
        section.says aria-labelledby="says" {
            h2 #says { "What they say" }
            @match &view.diagnosis {
                Some(diagnosis) => (says(scene, diagnosis, units, pen)),
                None => p { "Nothing yet: it takes a settled run to judge the unit." },
            }
        }
    };
    let happened = html! {
        section.happened aria-labelledby="happened" {
            h2 #happened { "What happened" }
            @if scene.happened.is_empty() { p { "Alarms, lost probes, notes: none." } }
            @if scene.missed > 0 {
                p { "This page could not keep up and misses some of the visit; the record is whole." }
            }
            ol.events {
                @for (time, words) in &scene.happened {
                    li { span.time { (time) } " " (words) }
                }
            }
        }
    };
    Live { now, happened }
}

/// The clock's time, where it is known, and the time since the beginning.
fn moment(scene: &Scene, at: Elapsed) -> String {
    match scene.when.wall(at) {
        Some(clock) => format!("{clock}, {} into the record", into(at)),
        None => format!("{} into the record", into(at)),
    }
}

/// A time since the beginning: `45 s`, `40 min`, `8 h 5 min`.
fn into(at: Elapsed) -> String {
    let minutes = at.as_ms() / 60_000;
    match (minutes / 60, minutes % 60) {
        (0, 0) => format!("{} s", at.as_ms() / 1_000),
        (0, minutes) => format!("{minutes} min"),
        (hours, minutes) => format!("{hours} h {minutes} min"),
    }
}

/// How far the whole run is from steady, in words.
fn steadiness(share: f64) -> String {
    if share >= 1.0 { "all steady".to_owned() } else { format!("steady: {:.0} %", share * 100.0) }
}

fn readings(rows: &[Row], pen: &mut Pen) -> Markup {
    html! {
        table {
            thead { tr {
                th scope="col" { "Position" }
                th.number scope="col" { "Value" }
                th.number scope="col" { "Change" }
                th scope="col" { "Until steady" }
            } }
            tbody {
                @for (n, row) in rows.iter().enumerate() {
                    tr.missing[row.missing] {
                        th scope="row" {
                            @if row.missing { span.sign aria-hidden="true" { "!" } " " }
                            (row.name)
                        }
                        td.number.value { (pen.text(&format!("r{n}v"), &row.value)) }
                        td.number.rate { (pen.text(&format!("r{n}c"), &row.rate)) }
                        td.way {
                            @if let (Some(share), false) = (row.share, row.missing) {
                                (pen.bar(&format!("r{n}b"), share, &format!("{} until steady", row.name)))
                            }
                            " " (pen.text(&format!("r{n}m"), &row.remark))
                        }
                    }
                }
            }
        }
    }
}

/// The verdict; where it is not of now, of when it is.
fn verdict(scene: &Scene, view: &View, diagnosis: &Diagnosis) -> String {
    let words = findings::sentence(diagnosis);
    match diagnosis.findings.first() {
        Some(finding) if !matches!(view.state, State::Settled | State::Hunting) => {
            format!("When it was steady last, at {}: {words}", scene.when.clock(finding.to))
        }
        _ => words,
    }
}

/// What a diagnosis says: the suspects, what limits it, the measures.
pub fn says(scene: &Scene, diagnosis: &Diagnosis, units: Units, pen: &mut Pen) -> Markup {
    let several = findings::several(diagnosis);
    let shown = diagnosis.suspects.iter().filter(|s| s.probability >= findings::SHOWN_MIN);
    let (full, brief): (Vec<&Suspect>, Vec<&Suspect>) =
        shown.partition(|s| s.probability >= findings::FULL_MIN);
    let conditions: Vec<_> =
        diagnosis.findings.iter().filter(|finding| !findings::is_measure(finding)).collect();
    html! {
        @if let Some(finding) = diagnosis.findings.first() {
            p.basis { (pen.text("basis", &rests_on(scene, finding.from, finding.to))) }
        }
        @for (n, one) in full.iter().enumerate() { (suspect(n, one, diagnosis, pen)) }
        @if !brief.is_empty() {
            p { (pen.text("brief", &findings::also_possible(&brief))) }
        }
        @if !conditions.is_empty() {
            h3 { "What limits this reading" }
            ul {
                @for (n, finding) in conditions.iter().enumerate() {
                    li { (pen.text(&format!("l{n}"), &findings::condition(finding, several))) }
                }
            }
        }
        h3 { "Measured" }
        p.basis {
            "The true value lies within the ± in 95 of 100 cases. " (findings::GENERAL_RANGE)
        }
        (measures(diagnosis, several, units, pen))
    }
}

fn rests_on(scene: &Scene, from: Elapsed, to: Elapsed) -> String {
    if from == to {
        return format!("Judged from what was read at {}.", scene.when.clock(to));
    }
    format!(
        "Judged from what held steady from {} to {}.",
        scene.when.clock(from),
        scene.when.clock(to)
    )
}

fn suspect(n: usize, suspect: &Suspect, all: &Diagnosis, pen: &mut Pen) -> Markup {
    let several = findings::several(all);
    let percent = findings::percent(suspect.probability);
    let name = findings::suspect_name(suspect, several);
    html! {
        article.suspect {
            h3 {
                (pen.text(&format!("s{n}p"), &percent)) " "
                (pen.text(&format!("s{n}n"), &name))
            }
            (pen.bar(&format!("s{n}b"), suspect.probability, &format!("Probability of suspect {}", n + 1)))
            ul.evidence {
                @for (line, text) in suspect.evidence.iter().take(EVIDENCE).enumerate() {
                    li { (pen.text(&format!("s{n}e{line}"), text)) }
                }
            }
            @let rivals = findings::rivals(all, suspect, false);
            @if !rivals.is_empty() {
                p { "Not ruled out: " (pen.text(&format!("s{n}r"), &rivals.join("; "))) "." }
            }
            @if !suspect.check_next.is_empty() {
                p.next { "Next:" }
                ul {
                    @for (line, text) in suspect.check_next.iter().enumerate() {
                        li { (pen.text(&format!("s{n}c{line}"), text)) }
                    }
                }
            }
        }
    }
}

fn measures(diagnosis: &Diagnosis, several: bool, units: Units, pen: &mut Pen) -> Markup {
    html! {
        table.measures {
            thead { tr {
                th scope="col" { "Measure" }
                th.number scope="col" { "Value" }
                th scope="col" { "Beside what is expected" }
            } }
            @for (g, (group, members)) in findings::groups(diagnosis).into_iter().enumerate() {
                tbody {
                    tr { th.group scope="rowgroup" colspan="3" { (group) } }
                    @for (n, finding) in members.into_iter().enumerate() {
                        @let told = Measured::of(finding, several, units);
                        tr {
                            th scope="row" { (told.name) }
                            @match &told.value {
                                Some(value) => {
                                    td.number {
                                        span.value {
                                            (pen.text(&format!("m{g}.{n}v"), &format!("{value}{}", told.unit)))
                                        }
                                        span.half {
                                            " ± " (pen.text(&format!("m{g}.{n}h"), &told.half))
                                        }
                                    }
                                    td {
                                        @if !told.verdict.is_empty() {
                                            strong { (pen.text(&format!("m{g}.{n}w"), told.verdict)) }
                                        }
                                        @if let Some(expected) = &told.expected {
                                            span.expected {
                                                " expected " (pen.text(&format!("m{g}.{n}x"), expected))
                                            }
                                        }
                                    }
                                }
                                None => td colspan="2" { (pen.text(&format!("m{g}.{n}o"), &finding.basis)) },
                            }
                        }
                    }
                }
            }
        }
    }
}

/// Who looks at a page, and which.
#[derive(Debug, Clone, Copy)]
pub struct Visitor {
    /// How values are shown.
    pub units: Units,
    /// Whether notes may be written.
    pub may_write: bool,
}

/// A whole page: its head, what all pages have on top, and its content.
pub fn whole(scene: &Scene, here: &str, units: Units, content: &Markup) -> Markup {
    let query = match units {
        Units::Us => "?units=us",
        Units::Si => "?units=si",
    };
    let link = |path: &str, words: &str| {
        let current = (path == here).then_some("page");
        html! { a href={ (path) (query) } aria-current=[current] { (words) } }
    };
    let unit = |which: Units, words: &str, name: &str| {
        let current = (which == units).then_some("true");
        let href = format!("{here}?units={}", which.word());
        html! { a href=(href) aria-current=[current] aria-label=(name) { (words) } }
    };
    html! {
        (DOCTYPE)
        html lang="en" data-units=(units.word()) data-zero=[scene.when.zero_s()] {
            head {
                meta charset="utf-8";
                meta name="viewport" content="width=device-width, initial-scale=1";
                meta name="color-scheme" content="light dark";
                title { (scene.site) " – settled" }
                link rel="icon" href="/assets/icon.svg" type="image/svg+xml";
                link rel="stylesheet" href="/assets/uplot.min.css";
                link rel="stylesheet" href="/assets/page.css";
                script src="/assets/theme.js" {}
                script src="/assets/uplot.min.js" defer {}
                script src="/assets/plots.js" defer {}
                @if here == "/night" { script src="/assets/night.js" defer {} }
                script src="/assets/page.js" defer {}
            }
            body {
                a.skip href="#content" { "Skip to the content" }
                header {
                    p.site { (scene.site) }
                    p.source.unreal[scene.source != Source::Live] { (source_words(scene.source)) }
                    nav aria-label="Pages" {
                        (link("/", now_words(scene.source)))
                        (link("/night", if scene.has_night { "The night" } else { "The whole record" }))
                    }
                    div.switches {
                        span role="group" aria-label="Units" {
                            (unit(Units::Us, "°F", "°F and psi"))
                            (unit(Units::Si, "°C", "°C and kPa"))
                        }
                        button #theme type="button" hidden { "Theme" }
                    }
                }
                p #link.link role="status" hidden {}
                main #content { (content) }
                footer {
                    p {
                        "A unit can start at any time; \u{201c}off\u{201d} or \u{201c}rests\u{201d} on this page is no proof that it is isolated. \
                         What is said here is evidence for a licensed technician."
                    }
                }
            }
        }
    }
}

/// What the live page is called: what is replayed or simulated is not now.
const fn now_words(source: Source) -> &'static str {
    match source {
        Source::Live => "Now",
        Source::Record { .. } => "Replay",
        Source::Simulation { .. } => "Simulation",
    }
}

const fn source_words(source: Source) -> &'static str {
    match source {
        Source::Live => "Live",
        Source::Record { ended: false } => "Replay of a record: not what the unit does now",
        Source::Record { ended: true } => "A record, heard to its end: not what the unit does now",
        Source::Simulation { ended: false } => "Simulated unit: nothing here is a measurement",
        Source::Simulation { ended: true } => {
            "Simulated unit, at its end: nothing here is a measurement"
        }
    }
}

/// The live page.
pub fn now(scene: &Scene, view: &View, structure: &str, visitor: Visitor) -> Markup {
    let mut pen = Pen::default();
    let live = live(scene, view, visitor.units, &mut pen);
    let content = html! {
        p #gist.aside role="status" aria-live="polite" {}
        div #now data-structure=(structure) { (live.now) }
        section.plots aria-labelledby="plots" {
            h2 #plots { "Since the last start" }
            noscript { p { "The plots need JavaScript; the readings above do not." } }
            div #panels data-kind="run" {}
        }
        @if scene.takes_notes { (note_form(visitor)) }
        div #happened-part { (live.happened) }
    };
    whole(scene, "/", visitor.units, &content)
}

fn note_form(visitor: Visitor) -> Markup {
    html! {
        section.note aria-labelledby="note" {
            h2 #note { "Write a note" }
            @if visitor.may_write {
                form method="post" action={ "/note?units=" (visitor.units.word()) } {
                    p {
                        label for="note-text" { "Note, or what you changed" }
                        textarea #note-text name="text" rows="2" maxlength="2000" {}
                    }
                    p {
                        label { input type="checkbox" name="changed" value="yes"; " Something on the unit was changed: settling starts again" }
                    }
                    p {
                        label for="note-at" { "A reading taken by hand, with its unit" }
                        input #note-at name="at" maxlength="200" autocapitalize="off" placeholder="return-air.wet-bulb=66F";
                    }
                    p { button { "Add to the record" } }
                }
            } @else {
                p { "Open the address with the token that the terminal printed; then notes can be written here." }
            }
        }
    }
}

/// The answer to a note.
pub fn noted(scene: &Scene, units: Units, said: &Result<(), String>) -> Markup {
    let content = html! {
        section {
            @match said {
                Ok(()) => { h1 { "The note is left for the record." } p { "The watch takes it within a second." } }
                Err(why) => { h1 { "The note was not taken." } p { (why) } }
            }
            p { a href={ "/?units=" (units.word()) } { "Back to the page" } }
        }
    };
    whole(scene, "/note", units, &content)
}
