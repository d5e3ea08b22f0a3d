//! The lake: sessions as Parquet files in a folder or an S3 bucket, for SQL engines.
//!
//! `LAKE/TABLE/site=SITE/date=YYYY-MM-DD/SESSION.parquet`. Of each session the file in `sessions`
//! is put last and taken away first: a session without it is not there.

pub mod layout;
pub mod levels;
pub mod store;
pub mod table;
pub mod tables;
