//! The page's files, embedded in the program: nothing is loaded from elsewhere.
//!
//! Plots are drawn by uPlot 1.6.32 (MIT; its licence stands beside it).

/// A file, and its media type.
pub type Asset = (&'static str, &'static str);

const SCRIPT: &str = "text/javascript; charset=utf-8";
const STYLE: &str = "text/css; charset=utf-8";

/// The file called `name`.
pub fn asset(name: &str) -> Option<Asset> {
    Some(match name {
        "page.css" => (include_str!("assets/page.css"), STYLE),
        "page.js" => (include_str!("assets/page.js"), SCRIPT),
        "plots.js" => (include_str!("assets/plots.js"), SCRIPT),
        "night.js" => (include_str!("assets/night.js"), SCRIPT),
        "theme.js" => (include_str!("assets/theme.js"), SCRIPT),
        "uplot.min.js" => (include_str!("assets/uplot.min.js"), SCRIPT),
        "uplot.min.css" => (include_str!("assets/uplot.min.css"), STYLE),
        "uplot.LICENSE" => (include_str!("assets/uplot.LICENSE"), "text/plain; charset=utf-8"),
        "icon.svg" => (include_str!("assets/icon.svg"), "image/svg+xml"),
        _ => return None,
    })
}
