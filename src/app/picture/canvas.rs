//! What all pictures share: the sheet, its colours and letters, and names at lines.

use plotters::coord::Shift;
use plotters::drawing::DrawingAreaErrorKind;
use plotters::prelude::*;
use plotters::style::text_anchor::{HPos, Pos, VPos};

/// Why a picture could not be drawn.
#[derive(Debug, thiserror::Error)]
#[error("cannot draw {what}: {why}")]
pub struct PictureError {
    what: String,
    why: String,
}

/// The text of a picture.
pub type Drawn = Result<String, PictureError>;

/// A sheet while it is drawn on.
pub type Sheet<'a> = DrawingArea<SVGBackend<'a>, Shift>;

/// What drawing on a sheet gives.
pub type Done = Result<(), DrawingAreaErrorKind<std::io::Error>>;

/// Width of every sheet (units of its own; a page shows it as wide as its text).
pub const WIDTH: u32 = 1_440;
/// Height of letters.
pub const LETTERS: u32 = 31;
/// Height of the letters of names that stand out.
pub const LARGE: u32 = 35;
/// Space right of a plot for names at lines.
pub const NAMES: u32 = 330;
/// Space left of a plot for numbers.
pub const NUMBERS: u32 = 120;

/// Ink.
pub const INK: RGBColor = RGBColor(20, 20, 20);
/// Ink for what stands behind: axes and borders.
pub const PALE: RGBColor = RGBColor(110, 110, 110);
/// Lines of the grid.
pub const GRID: RGBColor = RGBColor(222, 222, 222);
/// A stretch that is marked.
pub const SHADE: RGBColor = RGBColor(236, 236, 236);

/// Colours of lines, for people with any colour vision: from the set of Okabe and Ito (*Color
/// Universal Design*, 2008; reprinted in Wong, *Nature Methods* 8:441, 2011) those that stand out
/// from white paper by 3 to 1, and black.
pub const LINES: [RGBColor; 5] = [
    RGBColor(0, 114, 178),
    RGBColor(213, 94, 0),
    RGBColor(0, 0, 0),
    RGBColor(0, 140, 105),
    RGBColor(186, 98, 148),
];

/// Draws on a sheet of [`WIDTH`] by `height`. `title` and `about` are what a screen reader says.
///
/// # Errors
/// When the drawing is refused, which data of a session cannot bring about.
pub fn sheet(
    title: &str,
    about: &str,
    height: u32,
    draw: impl FnOnce(&Sheet<'_>) -> Done,
) -> Drawn {
    let mut text = String::new();
    {
        let root = SVGBackend::with_string(&mut text, (WIDTH, height)).into_drawing_area();
        let drawn = root.fill(&WHITE).and_then(|()| draw(&root)).and_then(|()| root.present());
        drawn.map_err(|error| PictureError { what: title.to_owned(), why: error.to_string() })?;
    }
    // The crate's head has a fixed size in pixels and no name.
    let body = text.split_once('>').map_or("", |(_, body)| body);
    Ok(format!(
        "<svg viewBox=\"0 0 {WIDTH} {height}\" xmlns=\"http://www.w3.org/2000/svg\" role=\"img\">\n\
         <title>{}</title>\n<desc>{}</desc>{body}",
        escaped(title),
        escaped(about)
    ))
}

/// Text as it may stand in XML.
pub fn escaped(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    for c in text.chars() {
        match c {
            '<' => out.push_str("&lt;"),
            '>' => out.push_str("&gt;"),
            '&' => out.push_str("&amp;"),
            '"' => out.push_str("&quot;"),
            '\'' => out.push_str("&#39;"),
            // Not allowed in XML at all.
            c if c.is_control() && !matches!(c, '\n' | '\t') => out.push(' '),
            c => out.push(c),
        }
    }
    out
}

/// Letters of a size in a colour, anchored at a side.
pub fn letters(size: u32, colour: RGBColor, across: HPos, down: VPos) -> TextStyle<'static> {
    ("sans-serif", size).into_font().color(&colour).pos(Pos::new(across, down))
}

/// A name that belongs to the end of a line.
#[derive(Debug, Clone, PartialEq)]
pub struct Name {
    /// Where the line ends (px on the sheet).
    pub end: (i32, i32),
    /// The name.
    pub text: String,
    /// The line's colour.
    pub colour: RGBColor,
    /// Whether the line is dashed.
    pub dashed: bool,
}

/// Writes names right of `x`, each at its line's end or as near as the others let it, within
/// `top` to `bottom`, with a leader to the line.
///
/// # Errors
/// When the sheet does not take it.
pub fn names(sheet: &Sheet<'_>, names: &[Name], x: i32, (top, bottom): (i32, i32)) -> Done {
    let mut order: Vec<&Name> = names.iter().collect();
    order.sort_by_key(|name| name.end.1);
    let wanted: Vec<i32> = order.iter().map(|name| name.end.1).collect();
    let places = apart(&wanted, LETTERS as i32, (top, bottom));
    for (name, y) in order.into_iter().zip(places) {
        let leader = [name.end, (x + 4, name.end.1), (x + 22, y), (x + 40, y)];
        sheet.draw(&PathElement::new(leader.to_vec(), name.colour.stroke_width(3)))?;
        let style = letters(LETTERS, INK, HPos::Left, VPos::Center);
        let text = if name.dashed { format!("{} (dashed)", name.text) } else { name.text.clone() };
        sheet.draw(&Text::new(short(&text, 19), (x + 48, y), style))?;
    }
    Ok(())
}

/// At most so many letters of a text.
pub fn short(text: &str, most: usize) -> String {
    if text.chars().count() <= most {
        return text.to_owned();
    }
    let cut: String = text.chars().take(most - 1).collect();
    format!("{}…", cut.trim_end())
}

/// Places for labels that are wanted at rising places, at least `gap` apart and within the
/// bounds as far as they fit.
fn apart(wanted: &[i32], gap: i32, (low, high): (i32, i32)) -> Vec<i32> {
    let mut places: Vec<i32> = Vec::with_capacity(wanted.len());
    for place in wanted {
        let least = places.last().map_or(low, |last| last + gap);
        places.push((*place).max(least));
    }
    let mut most = high;
    for place in places.iter_mut().rev() {
        *place = (*place).min(most);
        most = *place - gap;
    }
    places
}

/// A range with a little room at both ends; of what is not finite nothing is taken.
pub fn range(values: impl IntoIterator<Item = f64>, least: f64) -> std::ops::Range<f64> {
    let finite = values.into_iter().filter(|value| value.is_finite());
    let (low, high) = finite.fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), value| {
        (low.min(value), high.max(value))
    });
    if low > high {
        return 0.0..1.0;
    }
    let room = (0.06 * (high - low)).max((least - (high - low)) / 2.0);
    low - room..high + room
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names_keep_apart_and_inside() {
        assert_eq!(apart(&[10, 12, 100], 20, (0, 200)), [10, 30, 100]);
        assert_eq!(apart(&[10, 190, 195], 20, (0, 200)), [10, 180, 200]);
        assert_eq!(apart(&[], 20, (0, 200)), Vec::<i32>::new());
        assert_eq!(apart(&[-50], 20, (0, 200)), [0]);
    }

    #[test]
    fn what_a_probe_is_called_cannot_end_a_tag() {
        let drawn = sheet("<script>&", "\"'\u{0}", 100, |_| Ok(())).unwrap();
        assert!(drawn.contains("<title>&lt;script&gt;&amp;</title>"));
        assert!(drawn.contains("<desc>&quot;&#39; </desc>"));
        assert!(drawn.starts_with("<svg viewBox=\"0 0 1440 100\""));
        assert!(drawn.trim_end().ends_with("</svg>"));
    }

    #[test]
    fn a_range_has_room_and_needs_no_data() {
        assert_eq!(range([f64::NAN], 1.0), 0.0..1.0);
        assert_eq!(range([5.0], 2.0), 4.0..6.0);
        let wide = range([0.0, 100.0], 1.0);
        assert!(wide.start < 0.0 && wide.end > 100.0);
    }

    #[test]
    fn every_line_stands_out_from_white_paper() {
        // Contrast as WCAG 2.2 has it; 3 to 1 is what it asks of graphics.
        let channel = |c: u8| {
            let c = f64::from(c) / 255.0;
            if c <= 0.04045 { c / 12.92 } else { libm::pow((c + 0.055) / 1.055, 2.4) }
        };
        for RGBColor(r, g, b) in LINES {
            let light = 0.2126 * channel(r) + 0.7152 * channel(g) + 0.0722 * channel(b);
            let contrast = 1.05 / (light + 0.05);
            assert!(contrast >= 3.0, "{r},{g},{b}: {contrast}");
        }
    }
}
