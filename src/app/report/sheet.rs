//! What all pages of a report share: the document, its style, figures, blanks and dates.

use maud::{DOCTYPE, Markup, PreEscaped, html};

use crate::app::night::Night;
use crate::units::time::Elapsed;

/// The style: for a screen, and for A4 and Letter.
const STYLE: &str = include_str!("sheet.css");

/// A whole document. It fetches nothing, and runs nothing: the policy in its head forbids both.
pub fn document(title: &str, body: &Markup) -> String {
    let policy = "default-src 'none'; style-src 'unsafe-inline'";
    let page = html! {
        (DOCTYPE)
        html lang="en" {
            head {
                meta charset="utf-8";
                meta http-equiv="Content-Security-Policy" content=(policy);
                meta name="viewport" content="width=device-width, initial-scale=1";
                meta name="generator" content=(concat!("settled ", env!("CARGO_PKG_VERSION")));
                title { (title) }
                style { (PreEscaped(STYLE)) }
            }
            body { main { (body) } }
        }
    };
    page.into_string()
}

/// A picture with what it shows in words, where its own do not suffice.
pub fn figure(svg: &str, caption: &str) -> Markup {
    html! {
        figure {
            (PreEscaped(svg))
            @if let Some((before, after)) = caption.split_once("Shaded:") {
                figcaption { (before) span class="swatch" {} "Shaded:" (after) }
            } @else if !caption.is_empty() {
                figcaption { (caption) }
            }
        }
    }
}

/// A line to write on by hand.
pub fn blank(name: &str) -> Markup {
    html! { div class="blank" { span { (name) } } }
}

/// A box to tick by hand.
pub fn tick() -> Markup {
    html! { span class="tick" {} }
}

/// The local date and time of a moment, `4 June 2031, 14:05`; since the beginning where no clock
/// told it.
pub fn date(night: &Night, at: Elapsed) -> String {
    match night.utc(at) {
        Some(utc) => {
            let local = utc.timestamp().to_zoned_datetime(night.zone().clone());
            local.strftime("%-d %B %Y, %H:%M").to_string()
        }
        None => format!("{at} after the beginning"),
    }
}

/// From when to when, with the date once where both are on one day.
pub fn span(night: &Night, from: Elapsed, to: Elapsed) -> String {
    let (Some(from_utc), Some(to_utc)) = (night.utc(from), night.utc(to)) else {
        return format!("{from} to {to} after the beginning");
    };
    let local =
        [from_utc, to_utc].map(|utc| utc.timestamp().to_zoned_datetime(night.zone().clone()));
    let [one, other] = &local;
    if one.date() == other.date() {
        format!(
            "{}, {} to {}",
            one.strftime("%-d %B %Y"),
            one.strftime("%H:%M"),
            other.strftime("%H:%M")
        )
    } else {
        format!("{} to {}", one.strftime("%-d %B %Y, %H:%M"), other.strftime("%-d %B %Y, %H:%M"))
    }
}

/// A length of time in words: `39 minutes`, `8 hours 5 minutes`, `3 days 4 hours`.
pub fn length(seconds: f64) -> String {
    let minutes = (seconds / 60.0).round() as u64;
    let count =
        |number: u64, word: &str| format!("{number} {word}{}", if number == 1 { "" } else { "s" });
    let (hours, days) = (minutes / 60, minutes / 1_440);
    let parts = match (days, hours) {
        (0, 0) => [(minutes, "minute"), (0, "")],
        (0, _) => [(hours, "hour"), (minutes % 60, "minute")],
        _ => [(days, "day"), (hours % 24, "hour")],
    };
    let words =
        parts.into_iter().enumerate().filter(|(place, (number, _))| *place == 0 || *number > 0);
    words.map(|(_, (number, word))| count(number, word)).collect::<Vec<_>>().join(" ")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_length_is_said_in_its_two_largest_parts() {
        for (seconds, expected) in [
            (0.0, "0 minutes"),
            (60.0, "1 minute"),
            (2_340.0, "39 minutes"),
            (3_600.0, "1 hour"),
            (29_100.0, "8 hours 5 minutes"),
            (273_600.0, "3 days 4 hours"),
        ] {
            assert_eq!(length(seconds), expected);
        }
    }

    #[test]
    fn a_hostile_title_stays_text() {
        let text = document("<script>alert(1)</script>", &html! {});
        assert!(!text.contains("<script"));
        assert!(text.starts_with("<!DOCTYPE html><html lang=\"en\">"));
    }
}
