//! Where a session lies in the lake, and what it is called there.

use std::fmt::Write as _;

use jiff::tz::TimeZone;
use sha2::{Digest, Sha256};

use crate::edge::clock::Utc;

/// What stands in a path where a value is not known; engines read it as none.
/// Source: Apache Hive, `hive.exec.default.partition.name`.
const UNKNOWN: &str = "__HIVE_DEFAULT_PARTITION__";

/// Longest site in a path (bytes). A file's name ends at 255 in most file systems.
const SITE_LEN_MAX: usize = 200;

/// How many hexadecimal digits of an identity tell the record, and how many more the job.
const HALF: usize = 16;

/// What a session is called in the lake: 32 hexadecimal digits, of SHA-256. The first half comes
/// of the first row of its record alone, so that one record under two jobs shows.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Identity(String);

impl Identity {
    /// The identity of a session whose record begins with `first_row`, under the job `job`. Both
    /// stay as they are while a session grows.
    pub fn new(first_row: &[u8], job: &str) -> Self {
        let row = Sha256::digest(first_row);
        let both = Sha256::new().chain_update(row).chain_update(job).finalize();
        let (row, both) = (hex::encode(row), hex::encode(both));
        Self([&row[..HALF], &both[..HALF]].concat())
    }

    /// The identity that a file's name tells, if it is a session's.
    pub fn of_file(name: &str) -> Option<Self> {
        let stem = name.strip_suffix(".parquet")?;
        let digits = |byte: u8| byte.is_ascii_digit() || (b'a'..=b'f').contains(&byte);
        (stem.len() == 2 * HALF && stem.bytes().all(digits)).then(|| Self(stem.to_owned()))
    }

    /// Its digits.
    pub fn as_str(&self) -> &str {
        &self.0
    }

    /// Whether two are of one record under different jobs.
    pub fn is_other_job_of(&self, other: &Self) -> bool {
        self != other && self.0[..HALF] == other.0[..HALF]
    }
}

/// Where the files of a session lie in each table: `site=…/date=…`.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Partition(String);

impl Partition {
    /// The partition of a visit to `site` that began at `began`, by the calendar of `zone`.
    pub fn new(site: &str, began: Option<Utc>, zone: &TimeZone) -> Self {
        let site = if site.is_empty() { UNKNOWN.to_owned() } else { encoded(site) };
        let date = began.map(|utc| utc.timestamp().to_zoned_datetime(zone.clone()).date());
        let date = date.map_or_else(|| UNKNOWN.to_owned(), |date| date.to_string());
        Self(format!("site={site}/date={date}"))
    }

    /// The partition that a path within a table begins with, if it is one of ours.
    pub fn of_path(path: &str) -> Option<Self> {
        let (partition, _) = path.rsplit_once('/')?;
        let (site, date) = partition.split_once('/')?;
        (site.starts_with("site=") && date.starts_with("date=") && !date.contains('/'))
            .then(|| Self(partition.to_owned()))
    }

    /// The path of a session's file in a table, from the lake.
    pub fn file(&self, table: &str, session: &Identity) -> String {
        format!("{table}/{}/{}.parquet", self.0, session.0)
    }

    /// `site=…/date=…`.
    pub fn as_str(&self) -> &str {
        &self.0
    }
}

/// A site as a part of a path: what of ASCII is no letter, digit, `-`, `_` or `.` is `%XX`, and all else
/// stands as it is: Spark reads each `%XX` as a character, so that two for one letter would be two
/// letters. One that is too long is cut and ends in `~` and eight digits of its SHA-256.
fn encoded(site: &str) -> String {
    let mut text = String::new();
    for c in site.chars() {
        let from = text.len();
        if c.is_ascii_alphanumeric() || matches!(c, '-' | '_' | '.') || !c.is_ascii() {
            text.push(c);
        } else {
            // Writing to a string cannot fail.
            let _ = write!(text, "%{:02X}", u32::from(c));
        }
        if text.len() > SITE_LEN_MAX {
            text.truncate(from);
            let digest = hex::encode(Sha256::digest(site));
            let _ = write!(text, "%7E{}", &digest[..8]);
            break;
        }
    }
    text
}

#[cfg(test)]
mod tests {
    use super::*;

    fn site(site: &str) -> String {
        let partition = Partition::new(site, None, &TimeZone::UTC);
        let (site, _) = partition.as_str().split_once('/').unwrap();
        site.strip_prefix("site=").unwrap().to_owned()
    }

    #[test]
    fn whatever_a_site_is_called_it_is_one_folder() {
        for (name, expected) in [
            ("Bakery-2_b.c", "Bakery-2_b.c"),
            ("a/b, \"x\"=1", "a%2Fb%2C%20%22x%22%3D1"),
            ("..", ".."),
            ("100 %", "100%20%25"),
            ("Café\n", "Café%0A"),
            ("", UNKNOWN),
        ] {
            assert_eq!(site(name), expected);
        }
        let long = |last: &str| site(&format!("{}{last}", "é".repeat(150)));
        assert!(long("a").len() <= SITE_LEN_MAX + 11 && long("a") != long("b"));
        // No `%XX` is cut in two.
        let spaces = site(&" ".repeat(150));
        assert_eq!(spaces.split("%7E").next().unwrap().len() % 3, 0);
    }

    #[test]
    fn the_day_is_the_site_s_own() {
        let chicago = TimeZone::get("America/Chicago").unwrap();
        let late = Utc::from_ms(1_938_394_800_000); // 2031-06-05T03:00:00Z
        let date = |zone: &TimeZone| Partition::new("a", late, zone).as_str().to_owned();
        assert_eq!(date(&chicago), "site=a/date=2031-06-04");
        assert_eq!(date(&TimeZone::UTC), "site=a/date=2031-06-05");
    }

    #[test]
    fn an_identity_tells_record_and_job() {
        let first = Identity::new(b"row", "job");
        assert_eq!(first, Identity::new(b"row", "job"));
        assert!(first.is_other_job_of(&Identity::new(b"row", "other")));
        assert!(!first.is_other_job_of(&Identity::new(b"other", "job")));
        assert!(!first.is_other_job_of(&first));
        let file = Partition::new("a", None, &TimeZone::UTC).file("sets", &first);
        let (path, name) = file.rsplit_once('/').unwrap();
        assert_eq!(Identity::of_file(name), Some(first));
        assert_eq!(path, format!("sets/site=a/date={UNKNOWN}"));
        for other in ["x.parquet", "0123456789abcdef0123456789abcdeg.parquet", "a.csv"] {
            assert_eq!(Identity::of_file(other), None);
        }
    }

    #[test]
    fn a_partition_reads_back_from_a_path() {
        let partition = Partition::new("a b", None, &TimeZone::UTC);
        let path = format!("{}/x.parquet", partition.as_str());
        assert_eq!(Partition::of_path(&path), Some(partition));
        for other in ["x.parquet", "site=a/x.parquet", "site=a/date=b/c/x.parquet", "a/b/c"] {
            assert_eq!(Partition::of_path(other), None, "{other}");
        }
    }
}
