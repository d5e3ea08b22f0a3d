//! `settled service`: a systemd unit that watches a job.

use std::io::Write;
use std::path::{Path, PathBuf};

use crate::app::exit::{Exit, Failure};
use crate::app::job::JobFile;

/// The state folder that systemd makes for the service; relative log folders lie in it.
const STATE: &str = "/var/lib/settled";

/// What every such unit says: nothing but the record may be written, and nothing gained.
const HARDENING: &str = "\
CapabilityBoundingSet=
AmbientCapabilities=
NoNewPrivileges=yes
ProtectSystem=strict
PrivateTmp=yes
PrivateDevices=yes
ProtectClock=yes
ProtectControlGroups=yes
ProtectHostname=yes
ProtectKernelLogs=yes
ProtectKernelModules=yes
ProtectKernelTunables=yes
ProtectProc=invisible
RestrictNamespaces=yes
RestrictRealtime=yes
RestrictSUIDSGID=yes
RemoveIPC=yes
LockPersonality=yes
MemoryDenyWriteExecute=yes
SystemCallArchitectures=native
SystemCallFilter=@system-service
SystemCallFilter=~@privileged @resources
SystemCallErrorNumber=EPERM
UMask=0027
";

/// Prints a systemd unit that watches a job from the machine's start on.
///
/// It runs without root, may write the sessions only, is started again when it fails, and when it
/// no longer answers. It reaches the radio through the system's Bluetooth service.
#[derive(Debug, clap::Args)]
#[command(after_help = "Example:\n  \
    settled service /etc/settled/bakery.toml | sudo tee /etc/systemd/system/settled.service\n  \
    sudo systemctl daemon-reload && sudo systemctl enable --now settled")]
pub struct Args {
    /// The job file, where the service will find it.
    #[arg(required_unless_present = "template")]
    job: Option<PathBuf>,
    /// Prints a template for any job instead: settled@bakery.service watches
    /// /etc/settled/bakery.toml and keeps its sessions in /var/lib/settled/bakery.
    #[arg(long, conflicts_with_all = ["job", "user"])]
    template: bool,
    /// Run as this user, who must exist; without it the system makes one for the service.
    #[arg(long, value_name = "NAME")]
    user: Option<String>,
}

/// Prints the unit.
///
/// # Errors
/// A job that is wrong, or a path that cannot be told to the service.
pub fn run(args: &Args, _json: bool, out: &mut dyn Write) -> Result<Exit, Failure> {
    let program = std::env::current_exe().map_err(Failure::world)?;
    let text = match &args.job {
        None => template(&program),
        Some(job) => {
            let file = JobFile::read(job)?;
            let job = std::path::absolute(job).map_err(Failure::world)?;
            let user = args.user.as_deref();
            if user.is_some_and(|name| !is_user_name(name)) {
                let error = "--user must be a user's name: letters, digits, - and _, as in settled";
                return Err(Failure::usage(error));
            }
            unit(&file, &program, &job, user)
        }
    };
    let text = text.map_err(Failure::bad_input)?;
    out.write_all(text.as_bytes()).map_err(Failure::world)?;
    Ok(Exit::Done)
}

fn is_user_name(name: &str) -> bool {
    let plain = |c: char| c.is_ascii_alphanumeric() || c == '-' || c == '_';
    !name.is_empty() && !name.starts_with('-') && name.chars().all(plain)
}

/// The unit of one job.
fn unit(file: &JobFile, program: &Path, job: &Path, user: Option<&str>) -> Result<String, String> {
    let site: String = file.site.chars().filter(|c| !c.is_control()).collect();
    let folder = &file.log.folder;
    let writable = if folder.is_absolute() && !folder.starts_with(STATE) {
        format!(
            "# This folder must exist and belong to the user.\nReadWritePaths={}\n",
            word(folder)?
        )
    } else {
        String::new()
    };
    let home = ["/home", "/root", "/run/user"];
    let at_home = |path: &Path| home.iter().any(|home| path.starts_with(home));
    let unit = Unit {
        file: "settled.service",
        site: site.replace('%', "%%"),
        command: format!("{} watch --continue {}", word(program)?, word(job)?),
        state: "settled",
        user: match user {
            Some(name) => format!("User={name}\n"),
            None => "DynamicUser=yes\n".to_owned(),
        },
        writable,
        home: if at_home(job) || at_home(folder) { "read-only" } else { "yes" },
        local: file.web.listen.ip().is_loopback() && !publishes(file),
    };
    Ok(unit.text())
}

/// The unit of any job in `/etc/settled`, by its name.
fn template(program: &Path) -> Result<String, String> {
    let unit = Unit {
        file: "settled@.service",
        site: "%i".to_owned(),
        command: format!("{} watch --continue /etc/settled/%i.toml", word(program)?),
        state: "settled/%i",
        user: "DynamicUser=yes\n".to_owned(),
        writable: String::new(),
        home: "yes",
        // Any job may publish, where the program can.
        local: !cfg!(feature = "mqtt"),
    };
    Ok(unit.text())
}

#[cfg(feature = "mqtt")]
const fn publishes(file: &JobFile) -> bool {
    file.broker.is_some()
}

#[cfg(not(feature = "mqtt"))]
const fn publishes(_file: &JobFile) -> bool {
    false
}

/// What differs from unit to unit.
struct Unit {
    file: &'static str,
    site: String,
    command: String,
    /// The folder that is made for it, under `/var/lib`.
    state: &'static str,
    user: String,
    writable: String,
    home: &'static str,
    /// The page is for this machine only.
    local: bool,
}

impl Unit {
    fn text(&self) -> String {
        let Self { file, site, command, state, user, writable, home, local } = self;
        let network = if *local {
            "# The page is for this machine only.\nIPAddressDeny=any\nIPAddressAllow=localhost\n"
        } else {
            ""
        };
        format!(
            "# Made by `settled service`; put it into /etc/systemd/system/{file}.\n\
             # A changed job is taken up by itself: it is checked, and a new session begins.\n\
             [Unit]\n\
             Description=Watches the probes at {site}\n\
             Wants=bluetooth.service\n\
             After=dbus.service bluetooth.service\n\
             \n\
             [Service]\n\
             Type=notify\n\
             ExecStart={command}\n\
             StateDirectory={state}\n\
             WorkingDirectory=/var/lib/{state}\n\
             # A job or a command line that is wrong is no better the next time.\n\
             Restart=on-failure\n\
             RestartSec=2\n\
             RestartPreventExitStatus=2 3\n\
             WatchdogSec=30\n\
             TimeoutStopSec=10\n\
             \n\
             {user}\
             # Who may speak to the Bluetooth service; leave it out where there is no such group.\n\
             SupplementaryGroups=bluetooth\n\
             {writable}\
             ProtectHome={home}\n\
             RestrictAddressFamilies=AF_UNIX AF_INET AF_INET6\n\
             {network}\
             {HARDENING}\
             \n\
             [Install]\n\
             WantedBy=multi-user.target\n"
        )
    }
}

/// A path as one word of a unit file (systemd.syntax(7), systemd.service(5)).
fn word(path: &Path) -> Result<String, String> {
    let text = path.to_str().filter(|text| !text.chars().any(char::is_control));
    let text = text.ok_or_else(|| {
        format!("{} holds what a unit file cannot say; give it a plain name", path.display())
    })?;
    let plain = |c: char| c.is_alphanumeric() || "/._-+@:".contains(c);
    if text.chars().all(plain) {
        return Ok(text.to_owned());
    }
    let text = text.replace('\\', "\\\\").replace('"', "\\\"");
    Ok(format!("\"{}\"", text.replace('%', "%%").replace('$', "$$")))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn made(job: &str, user: Option<&str>) -> String {
        let file = JobFile::parse(job).unwrap();
        let job = Path::new("/etc/settled/job.toml");
        unit(&file, Path::new("/usr/bin/settled"), job, user).unwrap()
    }

    #[test]
    fn only_the_record_may_be_written() {
        let text = made("site = \"Bench (invented)\"\n", None);
        assert!(text.contains("ExecStart=/usr/bin/settled watch --continue /etc/settled/job.toml"));
        assert!(text.contains("DynamicUser=yes") && !text.contains("ReadWritePaths"));
        assert!(text.contains("IPAddressDeny=any"));
        let text =
            made("site = \"Bench (invented)\"\n[log]\nfolder = \"/data/a b\"\n", Some("crew"));
        assert!(text.contains("User=crew\n") && !text.contains("DynamicUser"));
        assert!(text.contains("ReadWritePaths=\"/data/a b\"\n"), "{text}");
    }

    #[test]
    fn a_template_keeps_the_sessions_of_each_job_apart() {
        let text = template(Path::new("/usr/bin/settled")).unwrap();
        assert!(text.contains("watch --continue /etc/settled/%i.toml\n"), "{text}");
        assert!(text.contains("StateDirectory=settled/%i\nWorkingDirectory=/var/lib/settled/%i\n"));
    }

    #[test]
    fn what_the_manager_would_expand_is_escaped() {
        assert_eq!(word(Path::new("/a/b-1.toml")).unwrap(), "/a/b-1.toml");
        assert_eq!(word(Path::new("/a b/%n $x\"")).unwrap(), "\"/a b/%%n $$x\\\"\"");
        assert!(word(Path::new("/a\nb")).is_err());
    }
}
