//! The terminal's picture of a session: a sentence, a table that updates in place, bars.
//!
//! No raw mode and no alternate screen: what was shown stays in the scroll-back, Ctrl-C is an
//! ordinary signal, and it works over ssh. Nothing is told by colour alone; `NO_COLOR` is obeyed.

use std::io::{self, IsTerminal, Stdout};

use ratatui::backend::CrosstermBackend;
use ratatui::layout::{Constraint, Layout};
use ratatui::style::{Color, Modifier, Style};
use ratatui::text::Line;
use ratatui::widgets::{Paragraph, Row, Table, Wrap};
use ratatui::{Frame, Terminal, TerminalOptions, Viewport};

use crate::app::view::View;
use crate::app::wording;
use crate::edge::journal::NotRecording;
use crate::engine::columns::Units;
use crate::engine::snapshot::Snapshot;

/// Lines of the picture: fits a terminal of 24 lines with room for a prompt.
const HEIGHT: u16 = 22;
/// Probability under which a suspect is not shown here.
const SHOWN_MIN: f64 = 0.05;
/// Cells of a bar.
const BAR: usize = 12;
/// Blue of the Okabe-Ito set, which people with any colour vision tell from black and white.
const BAR_COLOUR: Color = Color::Rgb(0, 114, 178);

/// A picture on the terminal.
pub struct Screen {
    terminal: Terminal<CrosstermBackend<Stdout>>,
    units: Units,
    colour: bool,
}

impl Screen {
    /// A picture on standard output, or `None` where that is no terminal.
    ///
    /// # Errors
    /// The terminal does not answer.
    pub fn open(units: Units) -> io::Result<Option<Self>> {
        if !io::stdout().is_terminal() {
            return Ok(None);
        }
        let options = TerminalOptions { viewport: Viewport::Inline(HEIGHT) };
        let terminal = Terminal::with_options(CrosstermBackend::new(io::stdout()), options)?;
        let colour = std::env::var_os("NO_COLOR").is_none_or(|value| value.is_empty());
        Ok(Some(Self { terminal, units, colour }))
    }

    /// Shows the session as it is; `lost` says since when and why, where nothing is
    /// recorded.
    ///
    /// # Errors
    /// The terminal does not take it.
    pub fn show(&mut self, snapshot: &Snapshot, lost: Option<&NotRecording>) -> io::Result<()> {
        let view = View::of(snapshot, lost, self.units);
        let colour = self.colour;
        self.terminal.draw(|frame| draw(frame, &view, colour))?;
        Ok(())
    }

    /// Leaves the last picture where it is and the cursor below it.
    ///
    /// # Errors
    /// The terminal does not take it.
    pub fn close(mut self) -> io::Result<()> {
        let area = self.terminal.get_frame().area();
        self.terminal.set_cursor_position((0, area.bottom().saturating_sub(1)))?;
        self.terminal.show_cursor()?;
        println!();
        Ok(())
    }
}

fn draw(frame: &mut Frame<'_>, view: &View, colour: bool) {
    let rows = view.rows.len() as u16 + 1;
    let [top, table, whole, below] = Layout::vertical([
        Constraint::Length(if view.notice.is_some() { 4 } else { 3 }),
        Constraint::Length(rows),
        Constraint::Length(1),
        Constraint::Min(0),
    ])
    .areas(frame.area());
    frame.render_widget(Paragraph::new(heading(view)).wrap(Wrap { trim: true }), top);
    frame.render_widget(channel_table(view, colour), table);
    frame.render_widget(Line::from(whole_line(view)), whole);
    frame.render_widget(Paragraph::new(lower(view)).wrap(Wrap { trim: true }), below);
}

fn heading(view: &View) -> Vec<Line<'static>> {
    let bold = Style::new().add_modifier(Modifier::BOLD);
    let reversed = bold.add_modifier(Modifier::REVERSED);
    let mut lines: Vec<Line<'static>> = Vec::new();
    if let Some(notice) = &view.notice {
        lines.push(Line::styled(format!(" {notice} "), reversed));
    }
    lines.push(Line::styled(view.sentence.clone(), bold));
    lines
}

fn channel_table(view: &View, colour: bool) -> Table<'static> {
    let bar = if colour { Style::new().fg(BAR_COLOUR) } else { Style::new() };
    let rows = view.rows.iter().map(|row| {
        Row::new([
            Line::from(row.name.clone()),
            Line::from(row.value.clone()).right_aligned(),
            Line::from(row.rate.clone()).right_aligned(),
            Line::styled(row.share.map_or(String::new(), bar_text), bar),
            Line::from(row.remark.clone()),
        ])
    });
    let widths = [
        Constraint::Length(23),
        Constraint::Length(11),
        Constraint::Length(14),
        Constraint::Length(BAR as u16),
        Constraint::Min(4),
    ];
    let head = Row::new([
        Line::from("position"),
        Line::from("value").right_aligned(),
        Line::from("change").right_aligned(),
        Line::from("to settled"),
    ]);
    let dim = Style::new().add_modifier(Modifier::DIM);
    Table::new(rows, widths).header(head.style(dim)).column_spacing(1)
}

/// A bar of [`BAR`] cells.
fn bar_text(share: f64) -> String {
    let full = (share.clamp(0.0, 1.0) * BAR as f64).round() as usize;
    format!("{}{}", "█".repeat(full), "·".repeat(BAR - full))
}

fn whole_line(view: &View) -> String {
    let run = view.share.map_or(String::new(), |share| {
        format!("whole run {} {:>3.0} %   ", bar_text(share), share * 100.0)
    });
    format!("{run}at {}", view.at)
}

fn lower(view: &View) -> Vec<Line<'static>> {
    let Some(diagnosis) = &view.diagnosis else { return Vec::new() };
    let likely = diagnosis.suspects.iter().filter(|s| s.probability >= SHOWN_MIN).take(3);
    likely.map(|suspect| Line::from(wording::suspect(suspect))).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_bar_is_as_long_as_its_share() {
        assert_eq!(bar_text(0.0).matches('█').count(), 0);
        assert_eq!(bar_text(0.5).matches('█').count(), BAR / 2);
        assert_eq!(bar_text(7.0).matches('█').count(), BAR);
    }
}
