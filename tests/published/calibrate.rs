//! Offsets and time constants against numpy and scipy (`oracles/calibration.py`, versions there).

#![expect(clippy::unwrap_used, reason = "a test may panic")]

use settled::engine::calibrate::{self, Bathed, Reference};

const DATA: &str = include_str!("oracles/calibration.csv");

/// The numbers of the rows that begin with `kind`.
fn rows(kind: &str) -> impl Iterator<Item = Vec<f64>> {
    let numbers = |line: &str| -> Vec<f64> {
        line.split(',').skip(1).map(|cell| cell.parse().unwrap()).collect()
    };
    let of = format!("{kind},");
    DATA.lines().filter(move |line| line.starts_with(&of)).map(numbers)
}

#[test]
fn offsets_are_those_of_scipy() {
    let mut probes: Vec<Bathed> = [6.0, 15.0, 30.0]
        .map(|tau| Bathed {
            samples: Vec::new(),
            accuracy: 0.5,
            resolution: 0.0,
            time_constant_s: Some(tau),
        })
        .into();
    for row in rows("reading") {
        probes[row[0] as usize].samples.push((row[1], row[2]));
    }
    let bath = calibrate::bath(&probes, Reference::Mean, 0.02).unwrap();
    let rate = rows("rate").next().unwrap()[0];
    assert!((bath.drift_per_min - rate).abs() < 1e-9, "{} {rate}", bath.drift_per_min);
    let mut compared = 0;
    for row in rows("offset") {
        let told = &bath.offsets[row[0] as usize];
        // The same sums in another order: 1e-9. The quantile is rounded to 1e-6.
        let pairs = [
            (told.offset, row[1], 1e-9),
            (told.uncertainty, row[2], 1e-9),
            (told.freedom / row[3], 1.0, 1e-6),
            (told.half_width_95, row[4], 1e-6),
            (told.drift_per_min.0, row[5], 1e-9),
            (told.drift_per_min.1, row[6], 1e-6),
        ];
        for (ours, theirs, tolerance) in pairs {
            assert!((ours - theirs).abs() < tolerance, "{ours} {theirs}");
            compared += 1;
        }
    }
    assert_eq!(compared, 18);
}

#[test]
fn a_plunge_s_time_constant_is_that_of_scipy() {
    let samples: Vec<(f64, f64)> = rows("plunge").map(|row| (row[0], row[1])).collect();
    let told = calibrate::time_constant(&samples).unwrap();
    let row = rows("tau").next().unwrap();
    // The bath's end temperature is estimated here and known there: 0.02 K of noise in a step of 25 K.
    assert!((told.seconds - row[0]).abs() < 0.1, "{told:?} {row:?}");
    assert!((told.uncertainty / row[1] - 1.0).abs() < 0.5, "{told:?} {row:?}");
}
