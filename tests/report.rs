//! Reports and pictures of the built program: what an owner reads, that nothing is fetched or run,
//! that hostile names stay text, and that nothing that was measured is missing.
//!
//! How they look on paper is for `tests/report/run.sh`, which wants a browser.

#![expect(clippy::unwrap_used, reason = "a test may panic")]

use std::fs;
use std::path::Path;
use std::process::Command;

use settled::app::report::plain::JARGON;

/// Runs the program and gives what it wrote into `file`.
#[track_caller]
fn written(arguments: &[&str], file: &Path) -> String {
    let output = Command::new(env!("CARGO_BIN_EXE_settled"))
        .args(arguments)
        .args(["-o", file.to_str().unwrap()])
        .output()
        .unwrap();
    let errors = String::from_utf8_lossy(&output.stderr);
    assert_eq!(output.status.code(), Some(0), "{arguments:?}: {errors}");
    fs::read_to_string(file).unwrap()
}

/// What the program says to wrong input, which ends it with `code`.
#[track_caller]
fn refused(arguments: &[&str], code: i32) -> String {
    let output = Command::new(env!("CARGO_BIN_EXE_settled")).args(arguments).output().unwrap();
    let errors = String::from_utf8(output.stderr).unwrap();
    assert_eq!(output.status.code(), Some(code), "{arguments:?}: {errors}");
    errors
}

/// A report of a fixture for one reader.
#[track_caller]
fn report(fixture: &str, reader: &str) -> String {
    let temp = tempfile::tempdir().unwrap();
    written(&["report", fixture, "--for", reader], &temp.path().join("report.html"))
}

/// What of a document a person reads: no tags, no style.
fn text(html: &str) -> String {
    let body = html.split_once("<main>").unwrap().1;
    let mut out = String::new();
    let mut inside = false;
    for c in body.chars() {
        match c {
            '<' => inside = true,
            '>' => {
                inside = false;
                out.push(' ');
            }
            c if !inside => out.push(c),
            _ => {}
        }
    }
    out
}

/// Addresses that a document would fetch from, or scripts that it would run.
fn reaches(html: &str) -> Vec<&str> {
    let marks = ["src=", "href=", "<script", "@import", "url(", "<link", "<iframe", "javascript:"];
    let mut found: Vec<&str> = marks.into_iter().filter(|mark| html.contains(mark)).collect();
    // The name of the SVG vocabulary is no address; sources are printed as plain text.
    let names = html.matches("http").count();
    let allowed = html.matches("xmlns=\"http://www.w3.org/2000/svg\"").count()
        + html.matches("http-equiv").count();
    if names > allowed {
        found.push("http");
    }
    found
}

const BAKERY: &str = "fixtures/bakery-low-charge";
const LABORATORY: &str = "fixtures/laboratory-day";

#[test]
fn the_owner_s_page_uses_no_jargon_and_says_what_how_sure_and_what_it_means() {
    for fixture in [BAKERY, LABORATORY] {
        let page = report(fixture, "owner");
        let said = text(&page).to_lowercase();
        for word in JARGON {
            assert!(!said.contains(word), "{fixture}: {word}");
        }
        for heading in ["what was looked at", "how sure this is", "signature"] {
            assert!(said.contains(heading), "{fixture}: {heading}");
        }
        assert!(!said.contains("for the technician"));
    }
    let said = text(&report(BAKERY, "owner"));
    assert!(said.contains("very likely has too little refrigerant"), "{said}");
    assert!(said.contains("about 97 would have this"), "{said}");
    assert!(said.contains("What it means") && said.contains("high voltage"), "{said}");
}

#[test]
fn both_parts_stand_in_one_file_that_reaches_for_nothing() {
    for fixture in [BAKERY, LABORATORY] {
        let page = report(fixture, "both");
        assert_eq!(reaches(&page), Vec::<&str>::new(), "{fixture}");
        let (owner, technician) = page.split_once("For the technician").unwrap();
        assert!(owner.contains("How your air conditioner is doing"));
        assert!(technician.contains("Where this comes from"));
        assert!(page.contains("default-src 'none'"));
    }
}

#[test]
fn every_measure_and_suspect_of_the_last_set_is_in_the_technician_s_pages() {
    let findings = fs::read_to_string(format!("{BAKERY}/findings.json")).unwrap();
    let findings: serde_json::Value = serde_json::from_str(&findings).unwrap();
    let last = findings["sets"].as_array().unwrap().last().unwrap().clone();
    let said = text(&report(BAKERY, "technician"));
    for finding in last["findings"].as_array().unwrap() {
        let measure = finding["measure"].as_str().unwrap();
        let name = match measure {
            // Those that people read under other words.
            "return_over_evaporating" => "return air over evaporating".to_owned(),
            "isentropic_efficiency" => "compressor efficiency".to_owned(),
            "condensing_over_outdoor" => "condensing over outdoor air".to_owned(),
            "superheat_at_coil" => "superheat at coil outlet".to_owned(),
            "efficiency_ratio" => "cooling per electric power".to_owned(),
            measure => measure.replace('_', " "),
        };
        assert!(said.contains(&name), "{name}");
    }
    // In degrees Fahrenheit: 21.0549 K ± half of 20.3033 to 21.8065 K.
    assert!(said.contains("37.9 ± 1.4 °F"), "{said}");
    for part in [
        "too little refrigerant",
        "Check next",
        "Before hands go in",
        "What could not be determined",
        "Count the probes back",
        "Uncertainty: ",
        "Sources of what is expected",
        "F2:00:00:00:00:01",
        "On pressure and enthalpy",
        "By hand",
    ] {
        assert!(said.contains(part), "{part}");
    }
}

#[test]
fn an_imported_record_says_what_it_lacks() {
    let said = text(&report(LABORATORY, "both"));
    assert!(said.contains("taken over from the record of another instrument"), "{said}");
    assert!(said.contains("the job names no refrigerant that has a table"), "{said}");
    assert!(said.contains("superheat") && said.contains("it needs a clamp on the suction line"));
    assert!(!said.contains("Count the probes back"));
    assert!(said.contains("Run by run"));
}

/// A copy of a fixture in which `from` reads `to` in the files named.
fn changed(fixture: &str, folder: &Path, files: &[&str], from: &str, to: &str) -> String {
    for file in ["session.toml", "received.csv"] {
        let text = fs::read_to_string(Path::new(fixture).join(file)).unwrap();
        let text = if files.contains(&file) { text.replace(from, to) } else { text };
        fs::write(folder.join(file), text).unwrap();
    }
    folder.to_str().unwrap().to_owned()
}

#[test]
fn a_hostile_site_stays_text() {
    let temp = tempfile::tempdir().unwrap();
    let evil = "<script>alert(1)</script><img src=x onerror=alert(1)>";
    let site = "Harbour bakery, rooftop 2 (invented, simulated)";
    let session = changed(BAKERY, temp.path(), &["session.toml"], site, evil);
    let page = written(&["report", &session], &temp.path().join("report.html"));
    assert!(!page.contains("<script") && !page.contains("<img"));
    assert!(page.contains("&lt;script&gt;alert(1)&lt;/script&gt;"));
}

#[test]
fn a_refrigerant_that_burns_is_cautioned_against_to_both_readers() {
    let temp = tempfile::tempdir().unwrap();
    let session = changed(BAKERY, temp.path(), &["session.toml"], "\"R-410A\"", "\"R-454B\"");
    let said = text(&written(&["report", &session], &temp.path().join("report.html")));
    let (owner, technician) = said.split_once("For the technician").unwrap();
    assert!(owner.contains("refrigerant can burn"), "{owner}");
    assert!(technician.contains("R-454B burns (A2L)"), "{technician}");
    let plain = text(&report(BAKERY, "both"));
    assert!(!plain.contains("can burn") && !plain.contains("A2L)"), "{plain}");
}

#[test]
fn the_same_record_gives_the_same_report_byte_for_byte() {
    assert_eq!(report(BAKERY, "both"), report(BAKERY, "both"));
}

#[test]
fn a_comparison_is_a_report_too() {
    let temp = tempfile::tempdir().unwrap();
    let page = written(&["compare", BAKERY, BAKERY], &temp.path().join("compare.html"));
    assert_eq!(reaches(&page), Vec::<&str>::new());
    let said = text(&page);
    let (owner, technician) = said.split_once("For the technician").unwrap();
    for word in JARGON {
        assert!(!owner.to_lowercase().contains(word), "{word}");
    }
    assert!(owner.contains("not larger than the probes"), "{owner}");
    assert!(technician.contains("superheat") && technician.contains("no change seen"));
}

#[test]
fn pictures_are_drawn_or_it_is_said_why_not() {
    let temp = tempfile::tempdir().unwrap();
    let file = temp.path().join("picture.svg");
    for of in ["run", "visit", "night", "duty", "trend"] {
        let svg = written(&["picture", LABORATORY, "--of", of], &file);
        assert!(svg.starts_with("<svg ") && svg.trim_end().ends_with("</svg>"), "{of}");
        assert!(!svg.contains("NaN"), "{of}");
    }
    let svg = written(&["picture", BAKERY, "--of", "pressure-enthalpy"], &file);
    assert!(svg.contains("R-410A") && svg.contains("suction line"));
    let why = refused(&["picture", LABORATORY, "--of", "pressure-enthalpy"], 3);
    assert!(why.contains("the job names no refrigerant"), "{why}");
    let why = refused(&["picture", LABORATORY, "--of", "trend", "--measure", "warmth"], 2);
    assert!(why.contains("evaporator-split"), "{why}");
    let why = refused(&["report", "no-such-session"], 3);
    assert!(why.contains("give the folder of a session"), "{why}");
    let nowhere = ["report", BAKERY, "-o", "/no/such/folder/report.html"];
    assert!(refused(&nowhere, 4).contains("cannot write"));
}
