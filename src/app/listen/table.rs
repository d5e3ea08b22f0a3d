//! The table of probes on a terminal, drawn in place, and Ctrl-C.

use std::io::{self, Stdout};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};

use ratatui::backend::CrosstermBackend;
use ratatui::layout::{Constraint, Layout, Rect};
use ratatui::style::{Modifier, Style};
use ratatui::widgets::{Cell, Paragraph, Row as Line, Table};
use ratatui::{Terminal, TerminalOptions, Viewport};

use crate::app::listen::probes::{Probes, Row, Shown};
use crate::engine::columns::{self, Units};
use crate::engine::presence::{Presence, Standing};
use crate::units::quantity::QuantityKind;
use crate::units::time::Elapsed;

const BOLD: Style = Style::new().add_modifier(Modifier::BOLD);

/// Lines of the screen that stay as they were before.
const ROWS_KEPT: u16 = 3;
/// Most and fewest lines that are drawn.
const HEIGHT_MAX: u16 = 40;
const HEIGHT_MIN: u16 = 8;
/// On a narrower screen, name and profile share a column.
const WIDE: u16 = 110;

/// The part of the terminal that is drawn again and again.
pub(super) struct Screen {
    terminal: Terminal<CrosstermBackend<Stdout>>,
    units: Units,
}

impl Screen {
    pub fn open(units: Units) -> io::Result<Self> {
        let (_, rows) = ratatui::crossterm::terminal::size()?;
        let height = rows.saturating_sub(ROWS_KEPT).clamp(HEIGHT_MIN, HEIGHT_MAX);
        let options = TerminalOptions { viewport: Viewport::Inline(height) };
        let terminal = Terminal::with_options(CrosstermBackend::new(io::stdout()), options)?;
        Ok(Self { terminal, units })
    }

    /// Draws what is known; `event` is the last that happened to the radio.
    pub fn draw(&mut self, now: Elapsed, probes: &Probes<'_>, event: &str) -> io::Result<()> {
        let units = self.units;
        self.terminal.draw(|frame| {
            let area = frame.area();
            let [table, foot] =
                Layout::vertical([Constraint::Min(1), Constraint::Length(2)]).areas(area);
            let (lines, cut) = rows(now, probes, units, table);
            frame.render_widget(lines, table);
            let more = if cut > 0 { format!(" {cut} more below.") } else { String::new() };
            let summary = probes.summary();
            let foot_text = format!("{event}\n{}{more} Ctrl-C ends.", summary.trim_end());
            frame.render_widget(Paragraph::new(foot_text), foot);
        })?;
        Ok(())
    }
}

/// The table and how many of its lines have no room: probes with a profile, then apart from them the others.
fn rows(now: Elapsed, probes: &Probes<'_>, units: Units, area: Rect) -> (Table<'static>, usize) {
    let wide = area.width >= WIDE;
    let all = probes.sorted().into_iter();
    let (known, others): (Vec<_>, Vec<_>) = all.partition(|(_, r, _)| r.profile.is_some());
    let mut lines: Vec<Line<'static>> = Vec::new();
    for (probe, row, presence) in known {
        lines.push(line(now, probe, row, presence, units, wide));
    }
    if !others.is_empty() {
        let title = format!("no profile fits ({})", others.len());
        let columns = if wide { 9 } else { 8 };
        let mut cells = vec![Cell::from(title)];
        cells.resize(columns, Cell::from(""));
        lines.push(Line::new(cells).style(BOLD).top_margin(u16::from(!lines.is_empty())));
        for (probe, row, presence) in others {
            lines.push(line(now, probe, row, presence, units, wide));
        }
    }
    let (titles, widths): (&[&str], &[Constraint]) = if wide {
        (
            &["probe", "name", "profile", "reads", "in 30 s", "dBm", "batt.", "every", "heard"],
            &[
                Constraint::Length(18),
                Constraint::Length(15),
                Constraint::Length(20),
                Constraint::Fill(1),
                Constraint::Length(10),
                Constraint::Length(4),
                Constraint::Length(5),
                Constraint::Length(7),
                Constraint::Length(6),
            ],
        )
    } else {
        (
            &["probe", "profile", "reads", "in 30 s", "dBm", "batt.", "every", "heard"],
            &[
                Constraint::Length(17),
                Constraint::Length(12),
                Constraint::Fill(1),
                Constraint::Length(8),
                Constraint::Length(4),
                Constraint::Length(5),
                Constraint::Length(6),
                Constraint::Length(6),
            ],
        )
    };
    let header = Line::new(titles.iter().map(|title| Cell::from((*title).to_owned()))).style(BOLD);
    let room = usize::from(area.height.saturating_sub(1));
    let cut = lines.len().saturating_sub(room);
    (Table::new(lines, widths.to_vec()).header(header), cut)
}

impl Drop for Screen {
    fn drop(&mut self) {
        // What cannot be mended at the end is left as it is.
        drop(self.terminal.show_cursor());
        println!();
    }
}

fn line(
    now: Elapsed,
    probe: &str,
    row: &Row,
    presence: Option<&Presence>,
    units: Units,
    wide: bool,
) -> Line<'static> {
    let (reads, change) = values(row, units);
    let rssi = row.rssi_dbm.map(|rssi| rssi.to_string()).unwrap_or_default();
    let every = presence.and_then(|p| p.interval_s).map(|s| format!("{s:.1} s"));
    let heard = presence.map(|p| format!("{} s", now.since(p.heard).as_secs()));
    let silent = presence.is_some_and(|p| p.standing(now) == Standing::Silent);
    let dim = if silent { Style::new().add_modifier(Modifier::DIM) } else { Style::new() };
    let name = row.name.clone().unwrap_or_default();
    let profile = row.profile.clone().unwrap_or_default();
    let who = match (wide, profile.is_empty()) {
        (true, _) => vec![name, profile],
        (false, true) => vec![name],
        (false, false) => vec![profile],
    };
    let rest = [
        reads,
        change,
        rssi,
        battery(row),
        every.unwrap_or_default(),
        if silent { "silent".into() } else { heard.unwrap_or_default() },
    ];
    let cells = [probe.to_owned()].into_iter().chain(who).chain(rest);
    Line::new(cells.map(Cell::from)).style(dim)
}

/// What a probe reads and by how much the most stirring value changed; its bytes where no profile
/// reads it. Counters and the like are left out: they change, and are no reading.
fn values(row: &Row, units: Units) -> (String, String) {
    if row.values.is_empty() {
        let bytes = row.last.as_ref().map(|(_, bytes)| hex::encode_upper(bytes));
        return (bytes.unwrap_or_default(), String::new());
    }
    let is_reading = |shown: &&Shown| shown.kind.is_some_and(|k| k != QuantityKind::Battery);
    let all: Vec<&Shown> = row.values.values().filter(is_reading).collect();
    let in_words: Vec<String> = all.iter().map(|shown| shown_as(shown, units, false)).collect();
    // Of several that are as still, the first.
    let most = all.into_iter().rev().max_by(|a, b| a.stir().total_cmp(&b.stir()));
    (in_words.join(", "), most.map(|shown| shown_as(shown, units, true)).unwrap_or_default())
}

/// The battery in percent, of which some probes tell no more than a voltage.
fn battery(row: &Row) -> String {
    let level = row.values.values().find(|shown| shown.kind == Some(QuantityKind::Battery));
    level.map(|shown| format!("{:.0} %", shown.value * 100.0)).unwrap_or_default()
}

/// A value, or its change, as people see it.
fn shown_as(shown: &Shown, units: Units, change: bool) -> String {
    let Some(kind) = shown.kind else {
        return format!("{} {}", shown.value, shown.unit).trim_end().to_owned();
    };
    let how = columns::Shown::of(kind, units);
    let unit = match how.suffix {
        "f" => "°F",
        "c" => "°C",
        "percent" => "%",
        "psia" if shown.gauge => "psig",
        suffix => suffix,
    };
    if change {
        return format!("{:+.1} {unit}", shown.change() * how.scale);
    }
    // A gauge's reading is shown as one, though the engine reckons in absolute pressure.
    format!("{:.1} {unit}", shown.value * how.scale + how.offset)
}

/// Whether Ctrl-C was pressed.
pub(super) struct CtrlC(Arc<AtomicBool>);

impl CtrlC {
    pub fn pressed(&self) -> bool {
        self.0.load(Ordering::Relaxed)
    }
}

/// From now on, Ctrl-C is noticed instead of ending the program.
pub(super) fn ctrl_c() -> io::Result<CtrlC> {
    let pressed = Arc::new(AtomicBool::new(false));
    let noticed = Arc::clone(&pressed);
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build()?;
    std::thread::Builder::new().name("ctrl-c".into()).spawn(move || {
        // Without a signal handler, Ctrl-C ends the program as ever.
        if runtime.block_on(tokio::signal::ctrl_c()).is_ok() {
            noticed.store(true, Ordering::Relaxed);
        }
    })?;
    Ok(CtrlC(pressed))
}
