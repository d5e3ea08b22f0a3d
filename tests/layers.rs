//! The layering holds: `units <- physics <- engine <- edge <- app <- main`, with the virtual unit
//! beside the engine, and the pure layers touch no clock, file, thread, network, log or async.

#![expect(clippy::unwrap_used, reason = "a test")]

use std::fs;
use std::path::{Path, PathBuf};

/// Each layer with the layers that it may use, itself included.
const LAYERS: [(&str, &[&str]); 6] = [
    ("units", &["units"]),
    ("physics", &["units", "physics"]),
    ("engine", &["units", "physics", "engine"]),
    ("virtual_unit", &["units", "physics", "virtual_unit"]),
    ("edge", &["units", "physics", "engine", "edge"]),
    ("app", &["units", "physics", "engine", "edge", "virtual_unit", "app"]),
];

const PURE: [&str; 4] = ["units", "physics", "engine", "virtual_unit"];

/// What no pure layer may name.
const IMPURE: [&str; 17] = [
    "std::fs",
    "std::net",
    "std::thread",
    "std::env",
    "std::io",
    "std::process",
    "std::time::Instant",
    "std::time::SystemTime",
    "std::sync::Mutex",
    "tokio",
    "btleplug",
    "tracing",
    "rustix",
    "jiff",
    "axum",
    "println!",
    "async fn",
];

fn rust_files(dir: &Path, found: &mut Vec<PathBuf>) {
    for entry in fs::read_dir(dir).unwrap() {
        let path = entry.unwrap().path();
        if path.is_dir() {
            rust_files(&path, found);
        } else if path.extension().is_some_and(|e| e == "rs") {
            found.push(path);
        }
    }
}

/// The code of a file without comments and without its test module.
fn code(path: &Path) -> String {
    let text = fs::read_to_string(path).unwrap();
    let product = text.split("#[cfg(test)]").next().unwrap_or_default();
    let lines = product.lines().filter(|line| !line.trim_start().starts_with("//"));
    lines.collect::<Vec<_>>().join("\n")
}

/// What breaks the rules in a file of `layer`.
fn breaches(layer: &str, code: &str) -> Vec<String> {
    let (_, allowed) = LAYERS.iter().find(|(name, _)| *name == layer).unwrap();
    let mut found = Vec::new();
    for (other, _) in LAYERS {
        if !allowed.contains(&other) && code.contains(&format!("crate::{other}")) {
            found.push(format!("{layer} uses {other}"));
        }
    }
    if PURE.contains(&layer) {
        found.extend(
            IMPURE.iter().filter(|name| code.contains(**name)).map(|n| format!("{layer} uses {n}")),
        );
    }
    found
}

#[test]
fn every_file_keeps_to_its_layer() {
    let mut seen = 0;
    let mut found = Vec::new();
    for (layer, _) in LAYERS {
        let mut files = Vec::new();
        rust_files(&Path::new("src").join(layer), &mut files);
        for file in files {
            seen += 1;
            let broken = breaches(layer, &code(&file));
            found.extend(broken.into_iter().map(|what| format!("{}: {what}", file.display())));
        }
    }
    assert!(seen > 10, "only {seen} files were read");
    assert!(found.is_empty(), "{}", found.join("\n"));
}

#[test]
fn a_breach_is_seen() {
    assert_eq!(breaches("units", "use crate::engine::job;"), ["units uses engine"]);
    assert_eq!(breaches("engine", "use crate::virtual_unit;"), ["engine uses virtual_unit"]);
    assert_eq!(breaches("engine", "std::fs::read(path)"), ["engine uses std::fs"]);
    assert!(breaches("app", "use crate::edge::clock;").is_empty());
}
