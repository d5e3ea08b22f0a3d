//! Writes the table `readings`: within a row group by channel, then by time.
//!
//! A row group is a stretch of time that is held until it is full. Sorted so, a column of values
//! goes up and down with one probe and packs well, and an engine that asks for one channel reads
//! that channel's pages alone.

use std::collections::BTreeMap;
use std::path::Path;

use crate::edge::lake::layout::Identity;
use crate::edge::lake::table::{ROW_GROUP_ROWS, TableError, TableFile, Written};
use crate::engine::channel::Channel;
use crate::engine::lake::{self, Level};
use crate::engine::output::{Moment, NewChannel};
use crate::engine::session::Session;

/// The smoothed values of a session, while they are written.
pub struct Levels {
    file: TableFile,
    /// By the channels' names, as engines sort them.
    lanes: BTreeMap<String, Lane>,
    held: usize,
}

/// One channel.
struct Lane {
    channel: Channel,
    /// The channels under whose ids its levels come: several where probes share the place.
    members: Vec<NewChannel>,
    held: Vec<Level>,
}

impl Levels {
    /// Begins the file in `folder`.
    ///
    /// # Errors
    /// Where the disk says no.
    pub fn create(folder: &Path, session: &Identity) -> Result<Self, TableError> {
        let file = TableFile::create(folder, lake::READINGS, session)?;
        Ok(Self { file, lanes: BTreeMap::new(), held: 0 })
    }

    /// A channel is known.
    pub fn channel(&mut self, new: &NewChannel) {
        let lane = self.lanes.entry(new.channel.to_string()).or_insert_with(|| Lane {
            channel: new.channel.clone(),
            members: Vec::new(),
            held: Vec::new(),
        });
        lane.members.push(new.clone());
    }

    /// Takes what is known at a moment; `session` has heard nothing since.
    ///
    /// # Errors
    /// Where the disk says no.
    pub fn moment(
        &mut self,
        moment: &Moment,
        utc_ms: Option<i64>,
        session: &Session,
    ) -> Result<(), TableError> {
        if self.held + self.lanes.len() > ROW_GROUP_ROWS {
            self.write()?;
        }
        for lane in self.lanes.values_mut() {
            let levels = lane.members.iter().filter_map(|member| {
                let level = moment.levels.get(usize::from(member.id.0)).copied().flatten()?;
                // A typed value stands for itself, whatever probes say beside it.
                let sample = session.sample(member.id, moment.at);
                let sample = sample.filter(|sample| sample.level == level);
                Some((level, sample.map(|sample| sample.spread)))
            });
            if let Some((value, spread)) = lake::mean(levels) {
                lane.held.push(Level { at: moment.at, utc_ms, value, spread });
                self.held += 1;
            }
        }
        Ok(())
    }

    /// Ends the file.
    ///
    /// # Errors
    /// Where the disk says no.
    pub fn finish(mut self) -> Result<Written, TableError> {
        self.write()?;
        self.file.finish(None)
    }

    /// Writes what is held as one row group.
    fn write(&mut self) -> Result<(), TableError> {
        for (name, lane) in &mut self.lanes {
            for level in lane.held.drain(..) {
                self.file.row(&lake::reading_row(&lane.channel, name, &level))?;
            }
        }
        self.held = 0;
        self.file.end_group()
    }
}
