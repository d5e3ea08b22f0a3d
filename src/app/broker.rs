//! From the job's `[broker]` to what the edge needs: files are read and judged here.

use std::fs;
use std::path::Path;

use crate::app::exit::Failure;
use crate::app::job::{BrokerTable, JobFile};
use crate::edge::broker::tls::{self, Files};
use crate::edge::broker::{self, Login, Settings, topic};
use crate::edge::folder;

/// The settings, where the job publishes; the paths in it are relative to the job's `folder`.
///
/// # Errors
/// A file that cannot be read, does not hold what it should, or is open to everybody.
pub fn settings(file: &JobFile, folder: &Path) -> Result<Option<Settings>, Failure> {
    let Some(table) = &file.broker else { return Ok(None) };
    read(table, file, folder).map(Some).map_err(Failure::bad_input)
}

fn read(table: &BrokerTable, file: &JobFile, folder: &Path) -> Result<Settings, String> {
    let files = Files {
        authority: table.ca_file.as_ref().map(|path| folder.join(path)),
        own: table.certificate.as_ref().map(|(own, key)| (folder.join(own), folder.join(key))),
    };
    let login = table.login.as_ref().map(|(user, path)| login(user, &folder.join(path)));
    let slug = folder::slug(&file.site);
    let client = table.client.clone().unwrap_or_else(|| format!("settled-{slug}"));
    Ok(Settings {
        host: table.host.clone(),
        port: table.port,
        tls: if table.tls { Some(tls::config(&files)?) } else { None },
        login: login.transpose()?,
        topic: format!("{}/{}", table.topic, topic::level(&file.site)),
        gone_after: table.gone_after,
        reconnect_max: table.reconnect_max,
        folder: broker::backlog_folder(&file.log.folder, &client),
        backlog_bytes_max: table.backlog_bytes,
        client,
    })
}

fn login(user: &str, path: &Path) -> Result<Login, String> {
    let text = tls::read_secret("password file", path)?;
    let password = text.lines().next().unwrap_or_default().to_owned();
    if password.is_empty() {
        let path = path.display();
        return Err(format!("{path} holds no password; write it in the file's first line"));
    }
    Ok(Login { user: user.to_owned(), password })
}

/// What a technician should know of the table though nothing is wrong with it.
pub fn warnings(file: &JobFile) -> Vec<String> {
    let Some(table) = &file.broker else { return Vec::new() };
    let near = ["localhost", "127.0.0.1", "::1"].contains(&table.host.as_str());
    if table.tls || near {
        return Vec::new();
    }
    let what = if table.login.is_some() { "the password and all" } else { "all" };
    vec![format!(
        "broker.tls is false: {what} that is published to {} can be read on the way",
        table.host
    )]
}

/// The name under which a session is published: that of its folder when it was published first. It
/// stays though the folder is renamed once the clock is known.
///
/// # Errors
/// Where the disk says no.
pub fn published_as(session: &Path) -> Result<String, Failure> {
    let path = session.join("published-as.txt");
    if let Ok(name) = fs::read_to_string(&path)
        && !name.trim().is_empty()
    {
        return Ok(name.trim().to_owned());
    }
    let name = session.file_name().map_or_else(String::new, |name| name.display().to_string());
    folder::replace(&path, name.as_bytes()).map_err(Failure::world)?;
    Ok(name)
}
