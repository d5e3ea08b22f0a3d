//! What this machine says of itself: power, sleep, clock and room on the disk.

use std::fs;
use std::path::Path;

use crate::edge::store;

/// Where the power comes from.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Power {
    /// From the mains.
    Mains,
    /// From a battery, with what is left (percent), where it says so.
    Battery(Option<u8>),
    /// The system does not say, as on a board without a battery.
    Unknown,
}

/// Whether the machine may go to sleep by itself.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Sleep {
    /// It cannot, or sleep is masked.
    Never,
    /// It can; whether it will is set elsewhere.
    Possible,
    /// The system does not say.
    Unknown,
}

/// Whether the clock is kept right by a time service.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Clock {
    /// It is.
    Kept,
    /// It is not.
    Free,
    /// The system does not say.
    Unknown,
}

/// The machine at one moment.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Machine {
    /// Where the power comes from.
    pub power: Power,
    /// Whether it may sleep.
    pub sleep: Sleep,
    /// Whether the clock is kept right.
    pub clock: Clock,
    /// Room where the sessions go (bytes).
    pub free_bytes: Option<u64>,
}

/// Looks at this machine; the sessions go to `folder`, or the nearest folder above it that is there.
pub fn look(folder: &Path) -> Machine {
    look_under(Path::new("/"), folder)
}

/// The same, with the system's files under `root`.
fn look_under(root: &Path, folder: &Path) -> Machine {
    let there = folder.ancestors().find(|path| path.is_dir());
    let here = there.unwrap_or(Path::new("."));
    Machine {
        power: power(&root.join("sys/class/power_supply")),
        sleep: sleep(root),
        clock: clock(root),
        free_bytes: store::free_bytes(here),
    }
}

/// Power supplies as the kernel lists them: one that is on line wins over any battery.
fn power(folder: &Path) -> Power {
    let read = |path: &Path, name: &str| {
        fs::read_to_string(path.join(name)).map(|text| text.trim().to_owned()).unwrap_or_default()
    };
    let Ok(supplies) = fs::read_dir(folder) else { return Power::Unknown };
    let mut battery = None;
    for supply in supplies.flatten() {
        let path = supply.path();
        match read(&path, "type").as_str() {
            "Mains" | "USB" if read(&path, "online") == "1" => return Power::Mains,
            // A mouse's battery is no battery of the machine.
            "Battery" if read(&path, "scope") != "Device" => {
                if read(&path, "status") == "Charging" {
                    return Power::Mains;
                }
                battery = Some(read(&path, "capacity").parse().ok());
            }
            _ => {}
        }
    }
    battery.map_or(Power::Unknown, Power::Battery)
}

/// Whether the kernel can sleep and systemd may let it.
fn sleep(root: &Path) -> Sleep {
    let masked = |unit: &str| {
        ["etc/systemd/system", "run/systemd/system"].iter().any(|folder| {
            fs::read_link(root.join(folder).join(unit)).is_ok_and(|to| to == Path::new("/dev/null"))
        })
    };
    match fs::read_to_string(root.join("sys/power/state")) {
        Ok(states) if states.trim().is_empty() => Sleep::Never,
        Ok(_) if masked("sleep.target") || masked("suspend.target") => Sleep::Never,
        Ok(_) => Sleep::Possible,
        Err(_) => Sleep::Unknown,
    }
}

/// systemd's time service leaves a file when it has set the clock; chrony and ntpd leave others.
fn clock(root: &Path) -> Clock {
    const KEPT: [&str; 3] =
        ["run/systemd/timesync/synchronized", "run/chrony/chronyd.pid", "run/ntpd.pid"];
    if KEPT.iter().any(|file| root.join(file).exists()) {
        return Clock::Kept;
    }
    if root.join("run/systemd/system").is_dir() { Clock::Free } else { Clock::Unknown }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn write(root: &Path, file: &str, text: &str) {
        let path = root.join(file);
        fs::create_dir_all(path.parent().unwrap()).unwrap();
        fs::write(path, text).unwrap();
    }

    #[test]
    fn a_laptop_off_the_mains_that_may_sleep_is_told_from_a_board() {
        let root = tempfile::tempdir().unwrap();
        let root = root.path();
        let bare = look_under(root, root);
        assert_eq!(
            (bare.power, bare.sleep, bare.clock),
            (Power::Unknown, Sleep::Unknown, Clock::Unknown)
        );
        assert!(bare.free_bytes.is_some());

        write(root, "sys/class/power_supply/BAT0/type", "Battery\n");
        write(root, "sys/class/power_supply/BAT0/capacity", "71\n");
        write(root, "sys/class/power_supply/mouse/type", "Battery\n");
        write(root, "sys/class/power_supply/mouse/scope", "Device\n");
        write(root, "sys/class/power_supply/AC/type", "Mains\n");
        write(root, "sys/class/power_supply/AC/online", "0\n");
        write(root, "sys/power/state", "freeze mem disk\n");
        write(root, "run/systemd/system/x", "");
        let laptop = look_under(root, &root.join("not/there"));
        let expected = (Power::Battery(Some(71)), Sleep::Possible, Clock::Free);
        assert_eq!((laptop.power, laptop.sleep, laptop.clock), expected);

        write(root, "sys/class/power_supply/AC/online", "1\n");
        write(root, "run/systemd/timesync/synchronized", "");
        fs::create_dir_all(root.join("etc/systemd/system")).unwrap();
        #[cfg(unix)]
        std::os::unix::fs::symlink("/dev/null", root.join("etc/systemd/system/sleep.target"))
            .unwrap();
        let plugged = look_under(root, root);
        assert_eq!((plugged.power, plugged.clock), (Power::Mains, Clock::Kept));
        #[cfg(unix)]
        assert_eq!(plugged.sleep, Sleep::Never);
    }
}
