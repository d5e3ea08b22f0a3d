//! Damaged and hostile input: profiles, payloads, session files, jobs, import maps and logs, by a
//! seeded mutator. Nothing panics, nothing hangs, and memory stays within a stated bound.
//!
//! A sample here; `SETTLED_FULL=1` runs 10 million cases. `SETTLED_FUZZ_SEED=N` takes other ones.
//! Results are in `tests/results/fuzz.md`; what was found is kept as tests beside what was mended.

#![expect(clippy::unwrap_used, reason = "a test ends at what it does not expect")]

use std::fs;
use std::io::Cursor;
use std::panic::{AssertUnwindSafe, catch_unwind};

use settled::app::job::JobFile;
use settled::edge::clock::machine_ms;
use settled::edge::folder::{Folder, header_line};
use settled::edge::import::import;
use settled::edge::import_map::Map;
use settled::edge::rows::Rows;
use settled::engine::decode::decode;
use settled::engine::input::{Input, Origin};
use settled::engine::profile::{Profile, Profiles, SHIPPED};
use settled::engine::reading::Payload;
use settled::engine::record::write_row;
use settled::engine::session::Session;
use settled::units::quantity::{Quantity, QuantityKind};
use settled::units::time::Elapsed;

const SEED: u64 = 20_261_125;
/// Largest input (bytes).
const INPUT_MAX: usize = 16 * 1024;
/// Longest time that one case may take (ms): the slowest seen took a tenth on a busy machine.
const CASE_MS_MAX: u64 = 10_000;
/// Most memory that all cases together may ever have resident (kB).
const RESIDENT_KB_MAX: u64 = 400_000;

/// splitmix64.
struct Random(u64);

impl Random {
    fn next(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        z ^ (z >> 31)
    }

    fn below(&mut self, end: usize) -> usize {
        if end == 0 { 0 } else { (self.next() % end as u64) as usize }
    }

    fn pick<'a, T: ?Sized>(&mut self, from: &[&'a T]) -> &'a T {
        from[self.below(from.len())]
    }
}

/// What upsets parsers.
const TOKENS: [&str; 44] = [
    "",
    "0",
    "-1",
    "1e308",
    "-1e-308",
    "nan",
    "inf",
    "65536",
    "4294967296",
    "9223372036854775807",
    "18446744073709551615",
    "18446744073709551616",
    "0x",
    "\"",
    "'",
    "\"\"\"",
    "'''",
    "[",
    "]",
    "[[",
    "]]",
    "{",
    "}",
    "=",
    ",",
    ";",
    "\t",
    "\r\n",
    "\n",
    "\0",
    "é",
    "\u{FEFF}",
    "%",
    "%25",
    "%s",
    "24:00",
    "2031-06-04T19:05:12.345Z",
    "true",
    ".",
    "..",
    "#",
    "±",
    "psig",
    "\\u0000",
];

/// A damaged copy of one of these.
fn damaged(random: &mut Random, corpus: &[Vec<u8>]) -> Vec<u8> {
    let mut bytes = corpus[random.below(corpus.len())].clone();
    for _ in 0..=random.below(6) {
        let at = random.below(bytes.len() + 1);
        let end = at + random.below(24).min(bytes.len() - at);
        match random.below(9) {
            0 if at < bytes.len() => bytes[at] ^= 1 << random.below(8),
            1 if at < bytes.len() => bytes[at] = random.next() as u8,
            2 => drop(bytes.drain(at..end)),
            3 => {
                let copy = bytes[at..end].to_vec();
                let times = 1 + random.below(40);
                bytes.splice(at..at, copy.repeat(times));
            }
            4 | 5 => drop(bytes.splice(at..at, random.pick(&TOKENS).bytes())),
            6 => {
                // A number, or a word, becomes another.
                let is_part = |byte: &u8| byte.is_ascii_alphanumeric() || *byte == b'.';
                let from = bytes[..at].iter().rposition(|byte| !is_part(byte)).map_or(0, |n| n + 1);
                let to = bytes[at..].iter().position(|byte| !is_part(byte));
                let to = to.map_or(bytes.len(), |n| n + at);
                bytes.splice(from..to, random.pick(&TOKENS).bytes());
            }
            7 => {
                let other = &corpus[random.below(corpus.len())];
                let from = random.below(other.len() + 1);
                let piece = &other[from..(from + random.below(200)).min(other.len())];
                bytes.splice(at..end, piece.iter().copied());
            }
            _ => bytes.truncate(at),
        }
        bytes.truncate(INPUT_MAX);
    }
    bytes
}

/// Runs so many cases of one kind, each from a seed of its own; a thousandth of them in the sample.
fn run(what: &str, full: u64, mut case: impl FnMut(&mut Random) -> Vec<u8>) {
    let is_full = std::env::var_os("SETTLED_FULL").is_some();
    let count = if is_full { full } else { full / 1_000 };
    let seed = std::env::var("SETTLED_FUZZ_SEED").ok().map_or(SEED, |seed| seed.parse().unwrap());
    let (begin_ms, mut longest_ms) = (machine_ms(), 0);
    for number in 0..count {
        let case_ms = machine_ms();
        let mut random = Random(seed ^ number.wrapping_mul(0x2545_f491_4f6c_dd1d));
        let outcome = catch_unwind(AssertUnwindSafe(|| case(&mut random)));
        let Ok(input) = outcome else { panic!("{what}: case {number} of seed {seed} panicked") };
        let took_ms = machine_ms() - case_ms;
        longest_ms = longest_ms.max(took_ms);
        let text = String::from_utf8_lossy(&input);
        assert!(took_ms < CASE_MS_MAX, "{what}: case {number} took {took_ms} ms: {text}");
    }
    let (took_s, most) = ((machine_ms() - begin_ms) as f64 / 1e3, most_resident_kb());
    println!("{what}: {count} cases in {took_s:.1} s, the longest {longest_ms} ms, {most:?} kB");
    assert!(most.is_none_or(|kb| kb < RESIDENT_KB_MAX), "{what}: {most:?} kB");
}

/// The most that this process ever had resident (kB), where the system tells it.
fn most_resident_kb() -> Option<u64> {
    let status = fs::read_to_string("/proc/self/status").ok()?;
    let line = status.lines().find(|line| line.starts_with("VmHWM:"))?;
    line.split_whitespace().nth(1)?.parse().ok()
}

fn corpus(texts: &[&str]) -> Vec<Vec<u8>> {
    texts.iter().map(|text| text.as_bytes().to_vec()).collect()
}

const JOB: &str = include_str!("fuzz/job.toml");
const MAP: &str = include_str!("fuzz/map.toml");
const LOG: &str = include_str!("fuzz/log.csv");

#[test]
fn profiles() {
    let texts: Vec<&str> = SHIPPED.iter().map(|(_, text)| *text).collect();
    let corpus = corpus(&texts);
    let shipped = Profiles::shipped();
    let examples: Vec<_> = shipped.iter().flat_map(Profile::examples).collect();
    run("profiles", 400_000, |random| {
        let input = damaged(random, &corpus);
        let text = String::from_utf8_lossy(&input);
        // One that is still in order must decode whatever comes.
        if let Ok(profiles) = Profiles::parse([("damaged.toml", &*text)]) {
            for profile in profiles.iter() {
                let example = examples[random.below(examples.len())];
                decode(profile, example.via, &example.bytes, &mut Vec::new()).ok();
            }
        }
        input
    });
}

#[test]
fn payloads() {
    let profiles = Profiles::shipped();
    let examples: Vec<_> = profiles.iter().flat_map(Profile::examples).collect();
    let corpus: Vec<Vec<u8>> = examples.iter().map(|example| example.bytes.clone()).collect();
    let job = JobFile::parse(JOB).unwrap().job;
    let mut session = Session::new(job, profiles.clone(), None);
    let mut at_ms = 0;
    run("payloads", 7_000_000, |random| {
        let mut input = damaged(random, &corpus);
        input.truncate(600);
        let via = examples[random.below(examples.len())].via;
        for profile in profiles.iter() {
            if profile.accepts(via, &input, None) {
                decode(profile, via, &input, &mut Vec::new()).ok();
            }
        }
        at_ms += 1 + random.next() % 50;
        let probe = random.pick(&["C4:7C:8D:00:00:01", "C4:7C:8D:00:00:02", "somebody"]);
        let payload = Payload { probe, via, bytes: &input, rssi_dbm: Some(-60) };
        session.handle(Elapsed::from_ms(at_ms), Input::Payload(payload));
        while session.poll().is_some() {}
        input
    });
}

/// A record with every kind of row.
fn record() -> Vec<u8> {
    let mut record = header_line();
    let profiles = Profiles::shipped();
    let examples: Vec<_> = profiles.iter().flat_map(Profile::examples).collect();
    let value = |origin| Input::Value {
        channel: "supply-air.temperature".parse().unwrap(),
        quantity: Quantity::new(QuantityKind::Temperature, 12.5).unwrap(),
        uncertainty: Some(0.5),
        origin,
    };
    for (n, example) in examples.iter().take(24).enumerate() {
        let probe = ["C4:7C:8D:00:00:01", "C4:7C:8D:00:00:02"][n % 2];
        let payload =
            Payload { probe, via: example.via, bytes: &example.bytes, rssi_dbm: Some(-60) };
        let inputs = [
            Input::Payload(payload),
            Input::Heard { probe, rssi_dbm: Some(-70) },
            Input::Named { probe, name: "clamp" },
            value(Origin::Typed),
            value(Origin::Import),
            Input::Note("filter was grey"),
            Input::Changed("coil washed"),
            Input::Event { event: "radio-fault", subject: "hci0", detail: "gone" },
            Input::RecordingResumed { lost_from: Elapsed::from_secs(3), lost_rows: 7 },
            Input::Restarted { pause: None },
        ];
        let input = &inputs[if n % 3 == 0 { (n / 3) % inputs.len() } else { 0 }];
        let label = "2031-06-04T19:05:12.345Z";
        write_row(&mut record, Elapsed::from_ms(n as u64 * 700), label, input);
    }
    record
}

#[test]
fn records() {
    let corpus = vec![record()];
    let profiles = Profiles::shipped();
    let job = JobFile::parse(&format!("{JOB}\n[log]\ninterval_s = 60\n")).unwrap().job;
    run("records", 800_000, |random| {
        let input = damaged(random, &corpus);
        let stream = Box::new(Cursor::new(input.clone()));
        if let Ok(mut rows) = Rows::of_stream(stream, "damaged") {
            let mut session = Session::new(job.clone(), profiles.clone(), None);
            while let Ok(Some(row)) = rows.next_row() {
                session.handle(row.at, row.input);
                while session.poll().is_some() {}
            }
            session.finish();
            while session.poll().is_some() {}
            session.snapshot();
        }
        input
    });
}

#[test]
fn session_files() {
    let temp = tempfile::tempdir().unwrap();
    let path = temp.path().join("session.toml");
    let session = "format = 1\nprogram = \"settled 0.1.0\"\nzone = \"America/Chicago\"\n[clock]\n\
         boot_id = \"b\"\nzero_ms = -5\n[[profile]]\nname = \"plain-clamp\"\ndigest = \"x\"\n\
         [job]\nsite = \"Bench (invented)\"\n";
    let corpus = corpus(&[session]);
    run("session files", 50_000, |random| {
        let input = damaged(random, &corpus);
        fs::write(&path, &input).unwrap();
        if let Ok((folder, manifest)) = Folder::open(temp.path()) {
            assert!(folder.rows().is_err());
            let job = toml::to_string(&manifest.job).unwrap_or_default();
            JobFile::parse(&job).ok();
        }
        input
    });
}

#[test]
fn jobs() {
    let corpus = corpus(&[JOB]);
    run("jobs", 750_000, |random| {
        let input = damaged(random, &corpus);
        JobFile::parse(&String::from_utf8_lossy(&input)).ok();
        input
    });
}

#[test]
fn import_maps() {
    let (maps, log) = (corpus(&[MAP]), LOG.as_bytes().to_vec());
    run("import maps", 500_000, |random| {
        let input = damaged(random, &maps);
        if let Ok(map) = Map::parse(&String::from_utf8_lossy(&input)) {
            import(Cursor::new(&log), &map, &mut |_, _, _| Ok(())).ok();
        }
        input
    });
}

#[test]
fn import_logs() {
    let logs = corpus(&[LOG]);
    let map = Map::parse(MAP).unwrap();
    run("import logs", 500_000, |random| {
        let input = damaged(random, &logs);
        import(Cursor::new(&input), &map, &mut |_, _, _| Ok(())).ok();
        input
    });
}
