//! The probes around, as the radio hears them for some seconds.

use std::sync::mpsc::{RecvTimeoutError, sync_channel};
use std::time::Duration;

use crate::app::connect;
use crate::app::exit::Failure;
use crate::app::traces::{FieldTrace, Reader};
use crate::edge::bluetooth::{self, RadioMessage, RadioSettings, hook_panics};
use crate::edge::clock::SessionClock;
use crate::engine::input::Input;
use crate::engine::profile::Profiles;
use crate::engine::reading::Payload;
use crate::units::time::Elapsed;

/// Messages that wait; the radio drops and counts beyond.
const QUEUE_MAX: usize = 4096;
/// Longest wait for a message.
const WAIT: Duration = Duration::from_millis(250);

/// What was heard around.
#[derive(Debug)]
pub struct Around {
    /// Every field of every probe that a profile reads.
    pub fields: Vec<FieldTrace>,
    /// Why nothing may have been heard.
    pub fault: Option<String>,
}

/// Listens for `length`, and connects to probes that tell their values only so.
///
/// # Errors
/// Where the radio's thread cannot be started.
pub fn hear(profiles: &Profiles, adapters: &[String], length: Duration) -> Result<Around, Failure> {
    hook_panics();
    let (sender, inbox) = sync_channel(QUEUE_MAX);
    let (adapters, connect) = (adapters.to_vec(), connect::plans(profiles));
    let settings = RadioSettings { adapters, connect, ..RadioSettings::default() };
    let mut clock = SessionClock::start(Elapsed::ZERO);
    let radio = bluetooth::start(settings, sender).map_err(Failure::world)?;
    let mut reader = Reader::new(profiles, None);
    let mut fault = None;
    while clock.elapsed() < Elapsed::ZERO + length {
        let message = match inbox.recv_timeout(WAIT) {
            Ok(message) => message,
            Err(RecvTimeoutError::Timeout) => continue,
            Err(RecvTimeoutError::Disconnected) => break,
        };
        let at = clock.stamp().at;
        match &message {
            RadioMessage::Heard { probe, name, via, bytes, rssi_dbm } => {
                fault = None;
                if let Some(name) = name {
                    reader.take(at, &Input::Named { probe, name }, true);
                }
                let payload = Payload { probe, via: *via, bytes, rssi_dbm: *rssi_dbm };
                reader.take(at, &Input::Payload(payload), true);
            }
            RadioMessage::Named { probe, name } => {
                reader.take(at, &Input::Named { probe, name }, true);
            }
            RadioMessage::Event { event, detail, .. } if event == "radio-fault" => {
                fault = Some(detail.clone());
            }
            RadioMessage::Signal { .. } | RadioMessage::Event { .. } => {}
        }
    }
    radio.stop();
    Ok(Around { fields: reader.finish().fields, fault })
}
