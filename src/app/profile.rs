//! `settled profile`: which profiles there are, what one says, and whether they are right.

mod check;
mod learn;
mod record;

use std::fs;
use std::io::{self, Write};
use std::path::{Path, PathBuf};

use serde_json::json;

use crate::app::exit::{Exit, Failure};
use crate::engine::profile::{
    Connection, Delivery, Example, FieldInfo, Profile, Profiles, SHIPPED, Source, uuid,
};
use crate::units::quantity::QuantityKind;

/// Arguments of `settled profile`.
#[derive(Debug, clap::Args)]
#[command(after_help = "Example:\n  settled profile check my-probe.toml")]
pub struct Args {
    #[command(subcommand)]
    what: What,
}

#[derive(Debug, clap::Subcommand)]
enum What {
    /// List the profiles with what each listens to.
    #[command(after_help = "Example:\n  settled profile list --profiles my-profiles")]
    List {
        /// A folder with profiles of your own, which win over the shipped ones.
        #[arg(long, value_name = "DIR")]
        profiles: Option<PathBuf>,
    },
    /// Show one profile: match, source, fields, examples.
    #[command(after_help = "Example:\n  settled profile show plain-clamp --toml > my-probe.toml")]
    Show {
        /// The profile's name.
        name: String,
        /// A folder with profiles of your own, which win over the shipped ones.
        #[arg(long, value_name = "DIR")]
        profiles: Option<PathBuf>,
        /// Print the file of a shipped profile, to begin one of your own with.
        #[arg(long)]
        toml: bool,
    },
    /// Say all that is wrong with profiles, and run their examples.
    #[command(after_help = "Example:\n  settled profile check my-profiles")]
    Check {
        /// Files or folders; the shipped profiles where none is given.
        paths: Vec<PathBuf>,
    },
    /// Find out what an unknown probe's bytes mean, from a few values that you know.
    Learn(Box<learn::Args>),
}

/// Runs `settled profile`.
///
/// # Errors
/// Where a file cannot be read, a name is not known or, but for `check`, a profile is wrong.
pub fn run(args: &Args, json: bool, out: &mut dyn Write) -> Result<Exit, Failure> {
    match &args.what {
        What::List { profiles } => {
            let profiles = load(profiles.as_deref())?;
            list(&profiles, json, out).map_err(Failure::world)?;
            Ok(Exit::Done)
        }
        What::Show { name, profiles, toml } => {
            let profiles = load(profiles.as_deref())?;
            show(&profiles, name, *toml, json, out)
        }
        What::Check { paths } => check::check(paths, json, out),
        What::Learn(args) => learn::run(args, json, out),
    }
}

/// The shipped profiles and those of a folder, which win; where none is named, the user's own
/// folder, where there is one.
///
/// # Errors
/// Where the folder cannot be read or a profile in it is wrong.
pub fn load(folder: Option<&Path>) -> Result<Profiles, Failure> {
    let own = if folder.is_none() { own_folder().filter(|path| path.is_dir()) } else { None };
    let Some(folder) = folder.or(own.as_deref()) else { return Ok(Profiles::shipped()) };
    let files = read(folder)?;
    let texts = files.iter().map(|(name, text)| (name.as_str(), text.as_str()));
    Profiles::with_user(texts).map_err(|errors| {
        let first = errors.first().map(ToString::to_string).unwrap_or_default();
        let folder = folder.display();
        let more = match errors.len() {
            0 | 1 => String::new(),
            n => format!(" (and {} more: settled profile check {folder})", n - 1),
        };
        Failure::bad_input(format!("{first}{more}"))
    })
}

/// Where a user's own profiles are: `settled/profiles` under the configuration folder.
/// Source: XDG Base Directory Specification, `XDG_CONFIG_HOME`, by default `~/.config`.
fn own_folder() -> Option<PathBuf> {
    let given = std::env::var_os("XDG_CONFIG_HOME").map(PathBuf::from);
    let config = given.filter(|path| path.is_absolute());
    let home = || std::env::home_dir().map(|home| home.join(".config"));
    Some(config.or_else(home)?.join("settled").join("profiles"))
}

/// A file, or all `.toml` files of a folder in the order of their names: path and text.
fn read(path: &Path) -> Result<Vec<(String, String)>, Failure> {
    let cannot = |path: &Path, error: io::Error| {
        Failure::bad_input(format!("cannot read {}: {error}", path.display()))
    };
    let mut paths = vec![path.to_path_buf()];
    if path.is_dir() {
        let entries = fs::read_dir(path).map_err(|error| cannot(path, error))?;
        paths = entries
            .map(|entry| entry.map(|entry| entry.path()))
            .collect::<Result<Vec<_>, _>>()
            .map_err(|error| cannot(path, error))?;
        paths.retain(|path| path.extension().is_some_and(|end| end == "toml"));
        paths.sort();
    }
    let read = |path: PathBuf| match fs::read_to_string(&path) {
        Ok(text) => Ok((path.display().to_string(), text)),
        Err(error) => Err(cannot(&path, error)),
    };
    paths.into_iter().map(read).collect()
}

fn list(profiles: &Profiles, json: bool, out: &mut dyn Write) -> io::Result<()> {
    let longest = profiles.iter().map(|profile| profile.name().len()).max().unwrap_or(0);
    for profile in profiles.iter() {
        if json {
            writeln!(out, "{}", json_of(profile))?;
        } else {
            let (name, title) = (profile.name(), profile.title());
            let whose = if profile.is_users() { " (yours)" } else { "" };
            writeln!(out, "{name:longest$}  {title}{whose}")?;
            writeln!(out, "{:longest$}  {}", "", profile.match_in_words())?;
        }
    }
    Ok(())
}

fn json_of(profile: &Profile) -> serde_json::Value {
    let field = |field: &FieldInfo| {
        json!({
            "field": field.name,
            "quantity": field.kind.map(|kind| kind.word().replace('-', "_")),
            "unit": field.kind.map_or(field.unit.as_str(), |kind| kind.unit()),
            "gauge": field.gauge,
            "accuracy": field.accuracy,
            "resolution": field.resolution,
            "time_constant_s": field.time_constant_s,
        })
    };
    json!({
        "kind": "profile",
        "name": profile.name(),
        "title": profile.title(),
        "matches": profile.match_in_words(),
        "published": profile.published(),
        "fields": profile.fields().iter().map(field).collect::<Vec<_>>(),
        "examples": profile.examples().len(),
        "yours": profile.is_users(),
    })
}

fn show(
    profiles: &Profiles,
    name: &str,
    toml: bool,
    json: bool,
    out: &mut dyn Write,
) -> Result<Exit, Failure> {
    let Some(id) = profiles.by_name(name) else {
        let known: Vec<&str> = profiles.iter().map(Profile::name).collect();
        let known = known.join(", ");
        return Err(Failure::bad_input(format!(
            "no profile is called `{name}`; there are {known}"
        )));
    };
    let profile = profiles.get(id);
    let written = if toml {
        let quoted = format!("name = \"{name}\"");
        let file = SHIPPED.iter().find(|(_, text)| text.lines().any(|line| line == quoted));
        let Some((_, text)) = file.filter(|_| !profile.is_users()) else {
            return Err(Failure::bad_input(format!(
                "`{name}` is yours; its file is in your folder"
            )));
        };
        out.write_all(text.as_bytes())
    } else if json {
        writeln!(out, "{}", json_of(profile))
    } else {
        describe(profile, out)
    };
    written.map_err(Failure::world)?;
    Ok(Exit::Done)
}

fn describe(profile: &Profile, out: &mut dyn Write) -> io::Result<()> {
    writeln!(out, "{}: {}", profile.name(), profile.title())?;
    writeln!(out, "  matches   {}", profile.match_in_words())?;
    writeln!(out, "  source    {}", source_in_words(profile.source()))?;
    if profile.seal().is_some() {
        writeln!(out, "  encrypted frames are opened with the key that the job names")?;
    }
    for address in profile.published() {
        writeln!(out, "  published {address}")?;
    }
    writeln!(out, "  fields")?;
    for field in profile.fields() {
        writeln!(out, "    {}", field_in_words(field))?;
    }
    writeln!(out, "  examples")?;
    for example in profile.examples() {
        writeln!(out, "    {}", example_in_words(example))?;
    }
    Ok(())
}

fn source_in_words(source: &Source) -> String {
    let Source::Connected(Connection { service, characteristic, delivery, write_first }) = source
    else {
        return "broadcast; no connection".to_owned();
    };
    let way = match delivery {
        Delivery::Notify => "notified".to_owned(),
        Delivery::Indicate => "indicated".to_owned(),
        Delivery::Read { every } => format!("read every {} s", every.as_secs()),
        Delivery::NotifyOrRead { every, silence } => format!(
            "notified, or after {} s of silence read every {} s",
            silence.as_secs(),
            every.as_secs()
        ),
    };
    let service = service.map_or(String::new(), |id| format!(" of service {}", uuid::short(id)));
    let first = match write_first.len() {
        0 => String::new(),
        n => format!(", after {n} write(s)"),
    };
    format!("characteristic {}{service}, {way}{first}", uuid::short(*characteristic))
}

fn field_in_words(field: &FieldInfo) -> String {
    let mut words = vec![match field.kind {
        Some(kind) if kind.word() == field.name => field.name.clone(),
        Some(kind) => format!("{}: {}", field.name, kind.word()),
        None => format!("{}: decoded, no reading", field.name),
    }];
    if !field.unit.is_empty() {
        words.push(format!("in {}", field.unit));
    }
    match field.gauge {
        Some(true) => words.push("gauge".to_owned()),
        Some(false) => words.push("absolute".to_owned()),
        None if field.kind == Some(QuantityKind::Pressure) => {
            words.push("gauge or absolute as the job says".to_owned());
        }
        None => {}
    }
    if let (Some(kind), Some(accuracy)) = (field.kind, field.accuracy) {
        words.push(format!("within {accuracy} {}", kind.unit()));
    }
    words.extend(field.time_constant_s.map(|seconds| format!("time constant {seconds} s")));
    words.join(", ")
}

fn example_in_words(example: &Example) -> String {
    use crate::engine::profile::Expected;
    let bytes = hex::encode_upper(&example.bytes);
    let Some(fields) = &example.fields else { return format!("{bytes} is refused") };
    let tell = |(name, expected): &(String, Expected)| match expected {
        Expected::Number(number) => format!("{name} {number}"),
        Expected::Absent => format!("{name} not known"),
        Expected::OutOfRange => format!("{name} out of range"),
        Expected::Bytes(bytes) => format!("{name} {}", hex::encode_upper(bytes)),
    };
    let fields: Vec<String> = fields.iter().map(tell).collect();
    format!(
        "{bytes} gives {}",
        if fields.is_empty() { "nothing".into() } else { fields.join(", ") }
    )
}
