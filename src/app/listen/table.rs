//! The table of probes on a terminal, drawn in place, and Ctrl-C.

use std::io::{self, Stdout};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};

use ratatui::backend::CrosstermBackend;
use ratatui::layout::Constraint;
use ratatui::style::{Modifier, Style};
use ratatui::widgets::{Cell, Row as Line, Table};
use ratatui::{Terminal, TerminalOptions, Viewport};

use crate::app::listen::probes::{Probes, Row, Shown};
use crate::engine::columns::{self, Units};
use crate::engine::presence::{Presence, Standing};
use crate::units::time::Elapsed;

/// Lines of the table; a screen of 24 lines keeps what was on it before.
const HEIGHT: u16 = 20;

/// The part of the terminal that is drawn again and again.
pub(super) struct Screen(Terminal<CrosstermBackend<Stdout>>);

impl Screen {
    pub fn open() -> io::Result<Self> {
        let options = TerminalOptions { viewport: Viewport::Inline(HEIGHT) };
        Ok(Self(Terminal::with_options(CrosstermBackend::new(io::stdout()), options)?))
    }

    pub fn draw(&mut self, now: Elapsed, probes: &Probes<'_>) -> io::Result<()> {
        let rows = probes.sorted();
        let lines = rows.iter().map(|(probe, row, presence)| line(now, probe, row, *presence));
        let titles = ["probe", "name", "profile", "reads", "in 30 s", "dBm", "every", "heard"];
        let widths = [17, 14, 18, 34, 10, 4, 6, 6].map(Constraint::Max);
        let header = Line::new(titles).style(Style::new().add_modifier(Modifier::BOLD));
        let table = Table::new(lines, widths).header(header);
        self.0.draw(|frame| frame.render_widget(table, frame.area()))?;
        Ok(())
    }
}

impl Drop for Screen {
    fn drop(&mut self) {
        // What cannot be mended at the end is left as it is.
        drop(self.0.show_cursor());
        println!();
    }
}

fn line<'a>(now: Elapsed, probe: &str, row: &Row, presence: Option<&Presence>) -> Line<'a> {
    let (reads, change) = values(row);
    let rssi = row.rssi_dbm.map(|rssi| rssi.to_string()).unwrap_or_default();
    let every = presence.and_then(|p| p.interval_s).map(|s| format!("{s:.1} s"));
    let heard = presence.map(|p| format!("{} s", now.since(p.heard).as_secs()));
    let silent = presence.is_some_and(|p| p.standing(now) == Standing::Silent);
    let dim = if silent { Style::new().add_modifier(Modifier::DIM) } else { Style::new() };
    Line::new([
        Cell::from(probe.to_owned()),
        Cell::from(row.name.clone().unwrap_or_default()),
        Cell::from(row.profile.clone().unwrap_or_else(|| "none fits".into())),
        Cell::from(reads),
        Cell::from(change),
        Cell::from(rssi),
        Cell::from(every.unwrap_or_default()),
        Cell::from(if silent { "silent".into() } else { heard.unwrap_or_default() }),
    ])
    .style(dim)
}

/// What a probe reads and by how much the most stirring value changed; its bytes where no profile
/// reads it.
fn values(row: &Row) -> (String, String) {
    if row.values.is_empty() {
        let bytes = row.last.as_ref().map(|(_, bytes)| hex::encode_upper(bytes));
        return (bytes.unwrap_or_default(), String::new());
    }
    let in_words: Vec<String> = row.values.values().map(|shown| shown_as(shown, false)).collect();
    let changes = row.values.values().filter(|shown| shown.kind.is_some());
    let most = changes.max_by(|a, b| a.stir().total_cmp(&b.stir()));
    (in_words.join(", "), most.map(|shown| shown_as(shown, true)).unwrap_or_default())
}

/// A value, or its change, as people see it.
fn shown_as(shown: &Shown, change: bool) -> String {
    let Some(kind) = shown.kind else { return format!("{} {}", shown.value, shown.unit) };
    let how = columns::Shown::of(kind, Units::Us);
    let unit = match how.suffix {
        "f" => "°F",
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
