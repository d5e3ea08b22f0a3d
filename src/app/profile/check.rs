//! `settled profile check`: what is wrong with profiles, and what can be proved of the right ones.

use std::io::{self, Write};
use std::path::PathBuf;

use serde_json::json;

use crate::app::exit::{Exit, Failure};
use crate::app::explain;
use crate::app::profile::read;
use crate::engine::profile::prove::{self, Overlap, Proof};
use crate::engine::profile::{Profile, ProfileError, Profiles};
use crate::engine::reading::Payload;

/// Says all that is wrong with files or folders of profiles; with none, with the shipped ones.
pub(super) fn check(paths: &[PathBuf], json: bool, out: &mut dyn Write) -> Result<Exit, Failure> {
    let mut files = Vec::new();
    for path in paths {
        let found = read(path)?;
        if found.is_empty() {
            return Err(Failure::bad_input(format!("no .toml file in {}", path.display())));
        }
        files.extend(found);
    }
    let texts = files.iter().map(|(name, text)| (name.as_str(), text.as_str()));
    let read = if paths.is_empty() { Ok(Profiles::shipped()) } else { Profiles::with_user(texts) };
    let written = match read {
        Ok(profiles) => tell_right(&profiles, paths.is_empty(), json, out).map(|()| Exit::Done),
        Err(errors) => errors
            .iter()
            .try_for_each(|error| tell_wrong(error, &files, json, out))
            .map(|()| Exit::BadInput),
    };
    written.map_err(Failure::world)
}

fn tell_right(
    profiles: &Profiles,
    shipped: bool,
    json: bool,
    out: &mut dyn Write,
) -> io::Result<()> {
    for profile in profiles.iter().filter(|profile| shipped || profile.is_users()) {
        let (name, count) = (profile.name(), profile.examples().len());
        let others = others_that_match(profiles, profile);
        let (proof, overlaps) = (prove::prove(profile), prove::overlaps(profiles, profile));
        if json {
            let overlaps = overlaps.iter().map(|o| json!({"with": o.other, "taken": o.taken}));
            let line = json!({"kind": "profile", "name": name, "fields": profile.fields().len(),
                "examples": count, "also_matched_by": others,
                "overlaps": overlaps.collect::<Vec<_>>(), "written_back": proof.written_back,
                "not_back": proof.not_back, "unread_bytes": proof.unread,
                "shared_bits": proof.shared});
            writeln!(out, "{line}")?;
            continue;
        }
        let back = match proof.written_back {
            0 => String::new(),
            n => format!(", and {n} value(s) of them written back give their bits again"),
        };
        writeln!(out, "{name}: right; {count} example(s) come out{back}")?;
        for (other, wins) in &others {
            let which = if *wins { name } else { other };
            writeln!(out, "  its examples are matched by {other} too; {which} is taken")?;
        }
        for overlap in overlaps.iter().filter(|o| others.iter().all(|(other, _)| *other != o.other))
        {
            writeln!(out, "  {}", overlap_in_words(overlap))?;
        }
        for line in proof_in_words(&proof) {
            writeln!(out, "  {line}")?;
        }
    }
    Ok(())
}

fn overlap_in_words(overlap: &Overlap) -> String {
    let other = &overlap.other;
    match &overlap.taken {
        Some(taken) => format!("some payloads could be matched by {other} too; {taken} is taken"),
        None => format!(
            "some payloads could be matched by {other} too, and neither asks for more: the one \
             whose file stands first is taken; ask for a length or more bytes in [match]"
        ),
    }
}

fn proof_in_words(proof: &Proof) -> Vec<String> {
    let mut lines = proof.not_back.clone();
    let shared = proof.shared.iter();
    lines
        .extend(shared.map(|(a, b)| format!("`{a}` and `{b}` read the same bits; is that meant?")));
    if !proof.unread.is_empty() {
        let bytes: Vec<String> = proof.unread.iter().map(ToString::to_string).collect();
        lines.push(format!("nothing reads byte {}", bytes.join(", ")));
    }
    lines
}

/// Other profiles that match an example of this one, and whether this one is taken before.
fn others_that_match(profiles: &Profiles, profile: &Profile) -> Vec<(String, bool)> {
    let mut others: Vec<(String, bool)> = Vec::new();
    for example in profile.examples().iter().filter(|example| example.fields.is_some()) {
        let payload =
            Payload { probe: "", via: example.via, bytes: &example.bytes, rssi_dbm: None };
        let matched = profiles.all_that_match(&payload, example.name.as_deref());
        let names: Vec<&str> = matched.iter().map(|id| profiles.get(*id).name()).collect();
        let wins = names.first() == Some(&profile.name());
        for name in names {
            if name != profile.name() && others.iter().all(|(other, _)| other != name) {
                others.push((name.to_owned(), wins));
            }
        }
    }
    others
}

/// The error, its line of the file and a pointer under what is wrong.
fn tell_wrong(
    error: &ProfileError,
    files: &[(String, String)],
    json: bool,
    out: &mut dyn Write,
) -> io::Result<()> {
    if json {
        return writeln!(out, "{}", explain::json("profile_error", error));
    }
    let text = files.iter().find(|(name, _)| *name == error.file).map_or("", |(_, text)| text);
    writeln!(out, "{}\n", explain::one(error, text, explain::Look::of_stdout()))
}
