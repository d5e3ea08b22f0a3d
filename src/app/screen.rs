//! The terminal's picture of a session: a sentence, a table that updates in place, bars.
//!
//! No raw mode and no alternate screen: what was shown stays in the scroll-back, Ctrl-C is an
//! ordinary signal, and it works over ssh. Nothing is told by colour alone; `NO_COLOR` is obeyed.
//! Where it is narrow, columns are left out rather than cut.

use std::io::{self, IsTerminal, Stdout};

use ratatui::backend::CrosstermBackend;
use ratatui::layout::{Constraint, Layout};
use ratatui::style::{Color, Modifier, Style};
use ratatui::text::Line;
use ratatui::widgets::{Paragraph, Row, Table, Widget, Wrap};
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
const BAR: usize = 10;
/// Blue of the Okabe-Ito set, which people with any colour vision tell from black and white.
const BAR_COLOUR: Color = Color::Rgb(0, 114, 178);
/// The nearest to it that every terminal with colours has.
const BAR_COLOUR_PLAIN: Color = Color::Cyan;
/// Width from which all columns have room, and from which all but the change have.
const WIDE: u16 = 80;
const MIDDLE: u16 = 62;

/// A picture on the terminal.
pub struct Screen {
    terminal: Terminal<CrosstermBackend<Stdout>>,
    units: Units,
    bar: Style,
}

impl Screen {
    /// A picture on standard output, or `None` where that is no terminal, or one that can only
    /// take lines (`TERM=dumb`).
    ///
    /// # Errors
    /// The terminal does not answer.
    pub fn open(units: Units) -> io::Result<Option<Self>> {
        let dumb = std::env::var_os("TERM").is_some_and(|term| term == "dumb");
        if !io::stdout().is_terminal() || dumb {
            return Ok(None);
        }
        let options = TerminalOptions { viewport: Viewport::Inline(HEIGHT) };
        let terminal = Terminal::with_options(CrosstermBackend::new(io::stdout()), options)?;
        Ok(Some(Self { terminal, units, bar: bar_style() }))
    }

    /// Shows the session as it is; `lost` says since when and why, where nothing is
    /// recorded.
    ///
    /// # Errors
    /// The terminal does not take it.
    pub fn show(&mut self, snapshot: &Snapshot, lost: Option<&NotRecording>) -> io::Result<()> {
        let view = View::of(snapshot, lost, self.units);
        let bar = self.bar;
        self.terminal.draw(|frame| draw(frame, &view, bar))?;
        Ok(())
    }

    /// Prints lines above the picture, where they stay.
    ///
    /// # Errors
    /// The terminal does not take it.
    pub fn say(&mut self, text: &str) -> io::Result<()> {
        let width = usize::from(self.terminal.size()?.width).max(1);
        let lines: Vec<Line<'static>> =
            text.lines().flat_map(|line| folded(line, width)).map(Line::from).collect();
        let height = lines.len() as u16;
        self.terminal.insert_before(height, |buffer| {
            Paragraph::new(lines).render(buffer.area, buffer);
        })
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

/// How bars look: without colour where `NO_COLOR` says so, and in one that the terminal has.
fn bar_style() -> Style {
    let set = |name: &str| std::env::var_os(name).filter(|value| !value.is_empty());
    if set("NO_COLOR").is_some() {
        return Style::new();
    }
    let fine = set("COLORTERM").is_some_and(|term| term == "truecolor" || term == "24bit");
    Style::new().fg(if fine { BAR_COLOUR } else { BAR_COLOUR_PLAIN })
}

/// A line cut at words so that it fits; what goes on is set in.
fn folded(line: &str, width: usize) -> Vec<String> {
    const SET_IN: &str = "        ";
    let mut folded = vec![String::new()];
    for word in line.split(' ') {
        let last = folded.len() - 1;
        let used = folded[last].chars().count();
        if used > SET_IN.len() && used + 1 + word.chars().count() > width {
            folded.push(format!("{SET_IN}{word}"));
        } else {
            if !(used == 0 && last == 0) || word.is_empty() {
                folded[last].push(' ');
            }
            folded[last].push_str(word);
        }
    }
    folded
}

fn draw(frame: &mut Frame<'_>, view: &View, bar: Style) {
    let rows = view.rows.len() as u16 + 1;
    let [top, table, whole, below] = Layout::vertical([
        Constraint::Length(if view.notice.is_some() { 4 } else { 3 }),
        Constraint::Length(rows),
        Constraint::Length(1),
        Constraint::Min(0),
    ])
    .areas(frame.area());
    frame.render_widget(Paragraph::new(heading(view)).wrap(Wrap { trim: true }), top);
    frame.render_widget(channel_table(view, bar, frame.area().width), table);
    frame.render_widget(Line::from(whole_line(view)), whole);
    frame.render_widget(Paragraph::new(lower(view)).wrap(Wrap { trim: true }), below);
    // Left visible, below all that is shown: whoever ends the program finds the prompt there.
    frame.set_cursor_position((0, frame.area().bottom().saturating_sub(1)));
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

fn channel_table(view: &View, bar: Style, width: u16) -> Table<'static> {
    let (change, bars) = (width >= WIDE, width >= MIDDLE);
    let shown = |[name, value, rate, share, remark]: [Line<'static>; 5]| {
        let columns = [(true, name), (true, value), (change, rate), (bars, share), (true, remark)];
        Row::new(columns.into_iter().filter(|(has_room, _)| *has_room).map(|(_, line)| line))
    };
    let rows = view.rows.iter().map(|row| {
        shown([
            Line::from(row.name.clone()),
            Line::from(row.value.clone()).right_aligned(),
            Line::from(row.rate.clone()).right_aligned(),
            Line::styled(row.share.map_or(String::new(), bar_text), bar),
            Line::from(row.remark.clone()),
        ])
    });
    let widths = [
        (true, Constraint::Length(23)),
        (true, Constraint::Length(12)),
        (change, Constraint::Length(18)),
        (bars, Constraint::Length(BAR as u16)),
        (true, Constraint::Min(4)),
    ];
    let widths = widths.into_iter().filter(|(has_room, _)| *has_room).map(|(_, width)| width);
    let head = shown([
        Line::from("position"),
        Line::from("value").right_aligned(),
        Line::from("change").right_aligned(),
        Line::from("until steady"),
        Line::from(if bars { "" } else { "until steady" }),
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
        format!("steady {} {:>3.0} %   ", bar_text(share), share * 100.0)
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
    use ratatui::backend::TestBackend;

    use crate::app::view;
    use crate::engine::reading::State;
    use crate::units::time::Elapsed;

    /// What a terminal of this size shows of a view with one channel, line by line.
    fn drawn(width: u16, height: u16, notice: Option<&str>) -> Vec<String> {
        let row = view::Row {
            name: "Suction line pressure".to_owned(),
            channel: None,
            value: "132.5 psia".to_owned(),
            rate: "+10.36 psia/min".to_owned(),
            share: Some(0.5),
            remark: "about 9 min".to_owned(),
            missing: false,
        };
        let view = View {
            at: Elapsed::from_secs(60),
            state: State::Settling,
            sentence: "Running 9 min. Discharge line still rises 1.29 °F a minute; about 10 min \
                       left (7 to 14)."
                .to_owned(),
            gist: String::new(),
            notice: notice.map(str::to_owned),
            rows: vec![row],
            share: Some(0.5),
            diagnosis: None,
        };
        let mut terminal = Terminal::new(TestBackend::new(width, height)).unwrap();
        terminal.draw(|frame| draw(frame, &view, Style::new())).unwrap();
        let buffer = terminal.backend().buffer().clone();
        let line = |y| (0..width).map(|x| buffer[(x, y)].symbol().to_owned()).collect::<String>();
        (0..height).map(line).collect()
    }

    #[test]
    fn where_it_is_narrow_columns_are_left_out_and_none_is_cut() {
        let shown = |width| drawn(width, 12, None).join("\n");
        let wide = shown(80);
        for part in ["132.5 psia", "about 9 min", "+10.36 psia/min", "█████·····", "(7", "14)."]
        {
            assert!(wide.contains(part), "{part} in {wide}");
        }
        let middle = shown(70);
        assert!(!middle.contains("psia/min") && middle.contains("█████·····"), "{middle}");
        assert!(middle.contains("about 9 min"), "{middle}");
        let narrow = drawn(50, 12, None);
        let row = narrow.iter().find(|line| line.contains("Suction line pressure")).unwrap();
        assert!(row.contains("132.5 psia") && row.contains("about 9 min"), "{row}");
        assert!(!row.contains('█'), "{row}");
    }

    #[test]
    fn not_recording_stands_on_top() {
        let shown = drawn(80, 12, Some("NOT RECORDING since 1:00: disk full"));
        assert!(shown[0].contains("NOT RECORDING"), "{shown:?}");
        assert!(shown[1].contains("Running 9 min."), "{shown:?}");
    }

    #[test]
    fn a_bar_is_as_long_as_its_share() {
        assert_eq!(bar_text(0.0).matches('█').count(), 0);
        assert_eq!(bar_text(0.5).matches('█').count(), BAR / 2);
        assert_eq!(bar_text(7.0).matches('█').count(), BAR);
    }
}
