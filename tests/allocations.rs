//! How often the steady path asks for memory: a payload read back from the record, written as a
//! row, through the session, to the rows of the derived files. What happens now and then (a cycle,
//! a settled set, a diagnosis, an event, the start of a run) may ask.

use std::path::Path;

use allocation_counter::measure;
use jiff::tz::TimeZone;
use settled::app::replay::Recorded;
use settled::edge::derived::{DerivedFiles, Settings};
use settled::engine::columns::Units;
use settled::engine::output::Output;
use settled::engine::profile::Profiles;
use settled::engine::record::write_row;
use settled::engine::session::Session;

/// Rows until all channels are known and every buffer has its size.
const WARM_UP_ROWS: usize = 6_000;
/// Of all payloads together: buffers that are fuller than ever before.
const GROWTHS_MAX: u64 = 32;
/// A moment of the grid, in the mean and at most: its levels, the set that is held back, the second
/// statistic.
const MOMENT_MEAN_MAX: u64 = 5;
const MOMENT_MAX: u64 = 200;
/// Moments beyond that: after a start it is weighed, once, whether each probe sits where the job
/// says.
const LOOKS_MAX: u64 = 2;

/// What rows of one sort asked for.
#[derive(Debug, Default)]
struct Asked {
    rows: u64,
    record: u64,
    session: u64,
    derived: u64,
}

#[test]
fn a_payload_asks_for_no_memory() {
    let fixture = Path::new(env!("CARGO_MANIFEST_DIR")).join("fixtures/bakery-low-charge");
    let mut recorded = Recorded::open(&fixture, None).unwrap();
    let mut session = Session::new(recorded.file.job.clone(), Profiles::shipped(), None);
    let folder = tempfile::tempdir().unwrap();
    let settings = Settings { units: Units::Us, zone: TimeZone::UTC };
    let mut files = DerivedFiles::create(folder.path(), settings).unwrap();
    let (mut line, mut outputs) = (Vec::new(), Vec::new());
    let (mut payloads, mut moments) = (Asked::default(), Asked::default());
    let (mut looks, mut rest) = (Asked::default(), Asked::default());
    for row in 0.. {
        let mut next = None;
        let mut record = measure(|| next = recorded.rows.next_row().unwrap());
        let Some(next) = next else { break };
        line.clear();
        record += measure(|| _ = write_row(&mut line, next.at, "", &next.input));
        let told = measure(|| session.handle(next.at, next.input));
        outputs.clear();
        outputs.extend(std::iter::from_fn(|| session.poll()));
        let derived = measure(|| {
            files.label(next.at, next.label);
            for output in &outputs {
                files.take(output).unwrap();
            }
        });
        let is = |what: fn(&Output) -> bool| outputs.iter().any(what);
        let moment = is(|output| matches!(output, Output::Moment(_)));
        let other = is(|output| !matches!(output, Output::Moment(_) | Output::Reading(_)));
        let sort = match (other, moment) {
            _ if row < WARM_UP_ROWS => continue,
            (true, _) => &mut rest,
            (_, true) if told.count_total > MOMENT_MAX => &mut looks,
            (_, true) => &mut moments,
            _ => &mut payloads,
        };
        sort.rows += 1;
        sort.record += record.count_total;
        sort.session += told.count_total;
        sort.derived += derived.count_total;
    }
    println!("payloads: {payloads:?}\nmoments: {moments:?}\nlooks: {looks:?}\nthe rest: {rest:?}");
    assert!(payloads.rows > 10_000 && moments.rows > 1_000);
    assert_eq!((payloads.record, moments.record), (0, 0));
    assert!(payloads.session <= GROWTHS_MAX, "{payloads:?}");
    assert!(payloads.derived + moments.derived <= GROWTHS_MAX, "{moments:?}");
    assert!(moments.session <= MOMENT_MEAN_MAX * moments.rows, "{moments:?}");
    assert!(looks.rows <= LOOKS_MAX, "{looks:?}");
}
