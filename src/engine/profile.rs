//! Probe profiles: what a payload's bytes mean, from TOML text to a checked decoder.
//!
//! A profile is data: no code, no expressions, nothing that can loop or allocate without bound.
//! Each carries worked examples, and one whose examples do not come out is refused.

mod example;
pub(crate) mod layout;
mod matching;
pub mod prove;
mod read;
mod read_field;
mod read_source;
pub(crate) mod unit;
pub mod uuid;

use std::borrow::Cow;
use std::collections::HashMap;
use std::time::Duration;

use foldhash::fast::RandomState;

use crate::engine::decode::{Field, FieldValue};
use crate::engine::reading::{Instrument, Payload, Via};
use crate::units::quantity::QuantityKind;

pub use crate::engine::document::TextError as ProfileError;
pub use example::{Example, Expected};

#[cfg(test)]
pub(crate) use read::read_unproved;

use layout::{Coding, Layout};
use matching::{Key, Match};
use unit::Linear;

/// The profiles shipped with the program: file name and text.
pub const SHIPPED: [(&str, &str); 13] = [
    ("battery-service.toml", include_str!("../../probe-profiles/battery-service.toml")),
    ("bthome-v2.toml", include_str!("../../probe-profiles/bthome-v2.toml")),
    ("data-format-6.toml", include_str!("../../probe-profiles/data-format-6.toml")),
    ("eddystone-tlm.toml", include_str!("../../probe-profiles/eddystone-tlm.toml")),
    ("environmental-sensing.toml", include_str!("../../probe-profiles/environmental-sensing.toml")),
    ("health-thermometer.toml", include_str!("../../probe-profiles/health-thermometer.toml")),
    ("open-thermometer.toml", include_str!("../../probe-profiles/open-thermometer.toml")),
    ("plain-clamp.toml", include_str!("../../probe-profiles/plain-clamp.toml")),
    ("plain-clamp-pair.toml", include_str!("../../probe-profiles/plain-clamp-pair.toml")),
    ("plain-gauge.toml", include_str!("../../probe-profiles/plain-gauge.toml")),
    ("rawv1.toml", include_str!("../../probe-profiles/rawv1.toml")),
    ("rawv2.toml", include_str!("../../probe-profiles/rawv2.toml")),
    ("service-thermometer.toml", include_str!("../../probe-profiles/service-thermometer.toml")),
];

/// A profile's number among [`Profiles`].
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct ProfileId(pub u16);

/// All profiles at hand, with an index by company id and UUID.
#[derive(Debug, Clone, Default)]
pub struct Profiles {
    all: Vec<Profile>,
    index: HashMap<Key, Vec<ProfileId>, RandomState>,
    /// Those for manufacturer data under any company id.
    any_company: Vec<ProfileId>,
}

impl Profiles {
    /// Reads profiles from the texts of files (name, text).
    ///
    /// A file holds one profile, or several as `[[profile]]` tables.
    ///
    /// # Errors
    /// All that is wrong in all files: shape, range, overlap of names, examples that do not come
    /// out.
    pub fn parse<'a>(
        files: impl IntoIterator<Item = (&'a str, &'a str)>,
    ) -> Result<Self, Vec<ProfileError>> {
        let mut profiles: Vec<Profile> = Vec::new();
        let mut errors = Vec::new();
        for (file, text) in files {
            match read::read_file(file, text, &profiles) {
                Ok(found) => profiles.extend(found),
                Err(found) => errors.extend(found),
            }
        }
        if errors.is_empty() { Ok(Self::indexed(profiles)) } else { Err(errors) }
    }

    /// The profiles that come with the program.
    ///
    /// ```
    /// use settled::engine::profile::Profiles;
    /// assert!(Profiles::shipped().by_name("plain-clamp").is_some());
    /// ```
    ///
    /// # Panics
    /// Never: a test reads all of them.
    pub fn shipped() -> Self {
        Self::parse(SHIPPED).expect("the shipped profiles are right, as tests/profiles.rs shows")
    }

    /// The shipped profiles and a user's, which win: over a shipped one of the same name, and
    /// where both match a payload.
    ///
    /// # Errors
    /// All that is wrong in the user's files.
    pub fn with_user<'a>(
        files: impl IntoIterator<Item = (&'a str, &'a str)>,
    ) -> Result<Self, Vec<ProfileError>> {
        let mut profiles = Self::parse(files)?.all;
        for profile in &mut profiles {
            profile.user = true;
        }
        for shipped in Self::shipped().all {
            if profiles.iter().all(|profile| profile.name != shipped.name) {
                profiles.push(shipped);
            }
        }
        Ok(Self::indexed(profiles))
    }

    fn indexed(profiles: Vec<Profile>) -> Self {
        let mut index: HashMap<Key, Vec<ProfileId>, RandomState> = HashMap::default();
        let mut any_company = Vec::new();
        for (number, profile) in profiles.iter().enumerate() {
            let id = ProfileId(u16::try_from(number).unwrap_or(u16::MAX));
            match profile.matching.key {
                Some(key) => index.entry(key).or_default().push(id),
                None => any_company.push(id),
            }
        }
        // A user's profile first, then the more particular one.
        let rank = |id: &ProfileId| {
            let profile = &profiles[usize::from(id.0)];
            (std::cmp::Reverse((profile.user, profile.matching.particular())), *id)
        };
        for ids in index.values_mut() {
            ids.sort_by_key(rank);
        }
        any_company.sort_by_key(rank);
        Self { all: profiles, index, any_company }
    }

    /// The profile that fits the payload of a probe called `name`.
    ///
    /// Looks only at profiles of the payload's company id or UUID, however many others there are.
    pub fn match_payload(&self, payload: &Payload<'_>, name: Option<&str>) -> Option<ProfileId> {
        let fits = |id: &ProfileId| self.get(*id).accepts(payload.via, payload.bytes, name);
        self.candidates(payload.via).find(fits)
    }

    /// The profile that fits the payload whatever its probe is called; `None` where a name may matter.
    pub fn match_unnamed(&self, payload: &Payload<'_>) -> Option<ProfileId> {
        let mut candidates = self.candidates(payload.via);
        let decides = |id: &ProfileId| {
            let profile = self.get(*id);
            profile.matching.name.is_some() || profile.accepts(payload.via, payload.bytes, None)
        };
        candidates.find(decides).filter(|id| self.get(*id).matching.name.is_none())
    }

    /// The profiles of a way, in the order in which they are asked.
    fn candidates(&self, via: Via) -> impl Iterator<Item = ProfileId> {
        let of_key = self.index.get(&Key::of(via)).map_or(&[][..], Vec::as_slice);
        let others = match via {
            Via::Manufacturer(_) => self.any_company.as_slice(),
            _ => &[],
        };
        of_key.iter().chain(others).copied()
    }

    /// All profiles that fit the payload, the one that [`Self::match_payload`] takes first.
    pub fn all_that_match(&self, payload: &Payload<'_>, name: Option<&str>) -> Vec<ProfileId> {
        let first = self.match_payload(payload, name);
        let fits = |id: &ProfileId| self.get(*id).accepts(payload.via, payload.bytes, name);
        let rest = self.ids().filter(|id| Some(*id) != first && fits(id));
        first.into_iter().chain(rest).collect()
    }

    /// The profile with this number.
    ///
    /// # Panics
    /// Where the number comes from other [`Profiles`].
    pub fn get(&self, id: ProfileId) -> &Profile {
        &self.all[usize::from(id.0)]
    }

    /// The profile of this name.
    pub fn by_name(&self, name: &str) -> Option<ProfileId> {
        self.ids().find(|id| self.get(*id).name == name)
    }

    /// All numbers, in order.
    pub fn ids(&self) -> impl Iterator<Item = ProfileId> + use<> {
        (0..self.all.len()).map(|n| ProfileId(u16::try_from(n).unwrap_or(u16::MAX)))
    }

    /// All profiles, in the order of their numbers.
    pub fn iter(&self) -> impl Iterator<Item = &Profile> {
        self.all.iter()
    }
}

/// One checked profile.
#[derive(Debug, Clone, PartialEq)]
pub struct Profile {
    name: String,
    title: String,
    published: Vec<String>,
    user: bool,
    digest: u64,
    matching: Match,
    source: Source,
    fields: Box<[FieldInfo]>,
    layout: Layout,
    sequence: Option<u16>,
    seal: Option<Seal>,
    examples: Vec<Example>,
}

impl Profile {
    /// Its name, in kebab-case.
    pub fn name(&self) -> &str {
        &self.name
    }

    /// What it is, in a few words.
    pub fn title(&self) -> &str {
        &self.title
    }

    /// Where the format is published.
    pub fn published(&self) -> &[String] {
        &self.published
    }

    /// Whether it comes from a user's folder.
    pub fn is_users(&self) -> bool {
        self.user
    }

    /// A number that changes with the text of the profile's file, for the record: FNV-1a, 64 bit.
    /// It tells versions apart; it is no proof against forgery.
    pub fn digest(&self) -> u64 {
        self.digest
    }

    /// How the probe's bytes are to be had.
    pub fn source(&self) -> &Source {
        &self.source
    }

    /// What is known of each field, by its index.
    pub fn fields(&self) -> &[FieldInfo] {
        &self.fields
    }

    /// The encryption that the format knows.
    pub fn seal(&self) -> Option<Seal> {
        self.seal
    }

    /// The worked examples.
    pub fn examples(&self) -> &[Example] {
        &self.examples
    }

    /// What a payload must be to match, in words.
    pub fn match_in_words(&self) -> String {
        self.matching.in_words()
    }

    /// The company id or UUID that it listens under; `None` for manufacturer data of any company.
    pub fn listens_to(&self) -> Option<Via> {
        self.matching.key.map(Key::via)
    }

    /// Whether a payload is of this format.
    pub fn accepts(&self, via: Via, bytes: &[u8], name: Option<&str>) -> bool {
        self.matching.accepts(via, bytes, name)
    }

    /// The payload's sequence number, where the format has one: equal numbers are one message.
    pub fn sequence(&self, fields: &[Field]) -> Option<u64> {
        let index = self.sequence?;
        let field = fields.iter().find(|field| field.index == index)?;
        let FieldValue::Number(number) = field.value else { return None };
        Some(number as u64)
    }

    /// The bytes as fields are counted in them, for [`FieldValue::bytes`]: with the company id in
    /// front, where the profile counts from it.
    pub fn counted<'b>(&self, via: Via, bytes: &'b [u8]) -> Cow<'b, [u8]> {
        match via {
            Via::Manufacturer(company) if self.layout.from_company => {
                Cow::Owned([&company.to_le_bytes(), bytes].concat())
            }
            _ => Cow::Borrowed(bytes),
        }
    }

    pub(crate) fn layout(&self) -> &Layout {
        &self.layout
    }
}

/// What is known of a field before any payload is read.
#[derive(Debug, Clone, PartialEq)]
pub struct FieldInfo {
    /// Its name; repeats within one payload are numbered: see [`FieldInfo::numbered`].
    pub name: String,
    /// What it measures; without it the field decodes and never becomes a reading.
    pub kind: Option<QuantityKind>,
    /// The unit as the format has it, for people; values are SI where there is a kind.
    pub unit: String,
    /// For pressures: gauge (`true`), absolute (`false`), or the format does not say.
    pub gauge: Option<bool>,
    /// Half-width of the stated accuracy (SI), where stated.
    pub accuracy: Option<f64>,
    /// Smallest step of the value (SI); 0 where not known.
    pub resolution: f64,
    /// First-order time constant (s), where stated.
    pub time_constant_s: Option<f64>,
    coding: Coding,
    /// From the format's unit to SI.
    to_si: Linear,
}

impl FieldInfo {
    /// The name within a payload: `temperature`, or `temperature-2` for the second of several.
    pub fn numbered(&self, repeat: u8) -> Cow<'_, str> {
        if repeat == 0 {
            return Cow::Borrowed(&self.name);
        }
        Cow::Owned(format!("{}-{repeat}", self.name))
    }

    /// The value in the format's own unit, for people.
    pub fn in_own_unit(&self, si: f64) -> f64 {
        self.to_si.undo(si)
    }

    /// Whether its bytes are text.
    pub fn is_text(&self) -> bool {
        self.coding == Coding::Text
    }

    /// What the engine needs to know of the field's instrument.
    ///
    /// Where the profile states no accuracy, that of a usual instrument of the trade is taken
    /// (common practice, no source).
    pub fn instrument(&self) -> Instrument {
        let accuracy = self.accuracy.unwrap_or_else(|| usual_accuracy(self.kind));
        let Self { resolution, time_constant_s, .. } = *self;
        Instrument { accuracy, resolution, time_constant_s }
    }
}

/// Half-width of a usual instrument's accuracy (SI). Common practice, no source.
const fn usual_accuracy(kind: Option<QuantityKind>) -> f64 {
    match kind {
        Some(QuantityKind::Humidity) => 0.03,
        Some(QuantityKind::Pressure) => 10_000.0,
        Some(QuantityKind::StaticPressure) => 2.5,
        Some(QuantityKind::Airflow) => 0.05,
        Some(QuantityKind::Current) => 0.3,
        Some(QuantityKind::Power) => 50.0,
        Some(QuantityKind::Voltage) => 2.0,
        Some(QuantityKind::Battery) => 0.1,
        _ => 0.5,
    }
}

/// How a probe's bytes are to be had.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Source {
    /// It broadcasts them; nobody need connect.
    Broadcast,
    /// It must be connected to.
    Connected(Connection),
}

/// What to do with a probe that must be connected to.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Connection {
    /// The service that holds the characteristic, where the profile says.
    pub service: Option<u128>,
    /// The characteristic that carries the bytes.
    pub characteristic: u128,
    /// How they come.
    pub delivery: Delivery,
    /// Bytes to write after connecting, in order.
    pub write_first: Vec<Write>,
}

/// How a characteristic's bytes come.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Delivery {
    /// The probe notifies.
    Notify,
    /// The probe indicates.
    Indicate,
    /// They are read.
    Read {
        /// How often (1 s to 1 h).
        every: Duration,
    },
    /// The probe notifies, perhaps; after a silence they are read.
    NotifyOrRead {
        /// How often to read then (1 s to 1 h).
        every: Duration,
        /// The silence (1 s to 1 h).
        silence: Duration,
    },
}

/// Bytes to write to a probe.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Write {
    /// The characteristic.
    pub characteristic: u128,
    /// The bytes, at most 512.
    pub bytes: Vec<u8>,
    /// Whether to wait for the probe's answer.
    pub response: bool,
}

/// An encryption that an open format has; the key is in the job.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Seal {
    /// BTHome v2: AES-CCM with a 128 bit key, a 4 byte counter and a 4 byte tag.
    BthomeV2,
}
