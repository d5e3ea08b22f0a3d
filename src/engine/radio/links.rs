//! Connections to probes that must be connected to: how many at once, whose turn it is, and when
//! one is given up.
//!
//! Pure like the supervisor. Slots are few (an adapter holds some five to ten connections), so a
//! probe that has had its turn makes room when another waits.

use std::collections::{BTreeMap, VecDeque};
use std::time::Duration;

use crate::engine::radio::backoff::Backoff;
use crate::units::time::Elapsed;

/// First wait after a connection failed or was lost.
const WAIT_FIRST: Duration = Duration::from_secs(1);
/// Longest wait between two tries.
const WAIT_LONGEST: Duration = Duration::from_mins(1);
/// How long a connection is kept while others wait for its slot.
const TURN: Duration = Duration::from_secs(30);
/// The shortest silence of a connection that counts as mute.
const MUTE_MIN: Duration = Duration::from_secs(30);

/// How many values of a probe show how often it gives one; until then the plan says it.
const VALUES_MIN: u32 = 8;

/// What the edge is to do about a connection.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum LinkAct {
    /// Connect, and do what the probe's plan says.
    Connect {
        /// The probe's address.
        probe: String,
        /// Whether to stop the scan while connecting: some adapters cannot do both at once.
        pause_scan: bool,
    },
    /// Disconnect.
    Disconnect {
        /// The probe's address.
        probe: String,
    },
    /// A row for `events.csv`.
    Tell {
        /// The event in kebab-case.
        event: &'static str,
        /// The probe's address.
        probe: String,
        /// The rest, in words.
        detail: String,
    },
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Phase {
    /// It may be connected to from then on.
    Ready {
        from: Elapsed,
    },
    Connecting,
    /// Connected; the last value came then.
    Up {
        since: Elapsed,
        heard: Elapsed,
    },
    /// Told to disconnect; its slot is free when it has.
    Leaving {
        next: Elapsed,
    },
}

#[derive(Debug)]
struct Link {
    phase: Phase,
    /// A value is due this often, by the plan.
    every: Duration,
    /// How many values came, and the longest wait for one.
    values: u32,
    longest: Duration,
    failures: u32,
    /// When it last got or left a slot, counted rather than timed: two that leave in the same
    /// moment must not change places by their addresses for ever.
    served: u64,
    /// Whether the connection's failure has been told.
    told: bool,
}

impl Link {
    /// The silence after which the connection is mute: four of the probe's own intervals.
    fn mute_after(&self) -> Duration {
        let own = if self.values >= VALUES_MIN { self.longest } else { self.every };
        (own * 4).max(MUTE_MIN)
    }
}

/// All connections, wanted and there.
#[derive(Debug)]
pub struct Links {
    now: Elapsed,
    slots: usize,
    backoff: Backoff,
    probes: BTreeMap<String, Link>,
    acts: VecDeque<LinkAct>,
    /// How often a slot was got or left.
    serves: u64,
}

impl Links {
    /// No connections yet; at most `slots` at once.
    pub fn new(slots: usize, seed: u64) -> Self {
        let backoff = Backoff::new(seed);
        let (probes, acts) = (BTreeMap::new(), VecDeque::new());
        Self { now: Elapsed::ZERO, slots: slots.max(1), backoff, probes, acts, serves: 0 }
    }

    /// A probe was heard that must be connected to; it gives a value at least every `every`.
    pub fn want(&mut self, now: Elapsed, probe: &str, every: Duration) {
        self.now = self.now.max(now);
        if !self.probes.contains_key(probe) {
            let phase = Phase::Ready { from: self.now };
            let (values, longest) = (0, Duration::ZERO);
            let link = Link { phase, every, values, longest, failures: 0, served: 0, told: false };
            self.probes.insert(probe.to_owned(), link);
            self.run();
        }
    }

    /// The connection is there and set up as planned.
    pub fn up(&mut self, now: Elapsed, probe: &str) {
        self.now = self.now.max(now);
        if let Some(link) = self.probes.get_mut(probe).filter(|l| l.phase == Phase::Connecting) {
            link.phase = Phase::Up { since: self.now, heard: self.now };
            link.told = false;
            self.tell("probe-connected", probe, "");
        }
    }

    /// A value came over the connection.
    pub fn heard(&mut self, now: Elapsed, probe: &str) {
        self.now = self.now.max(now);
        if let Some(link) = self.probes.get_mut(probe)
            && let Phase::Up { since, heard } = link.phase
        {
            link.values = link.values.saturating_add(1);
            link.longest = link.longest.max(self.now.since(heard));
            link.phase = Phase::Up { since, heard: self.now };
            link.failures = 0;
        }
    }

    /// The connection failed or is lost.
    pub fn down(&mut self, now: Elapsed, probe: &str, why: &str) {
        self.now = self.now.max(now);
        let Some(link) = self.probes.get_mut(probe) else { return };
        let from = match link.phase {
            Phase::Ready { .. } => return,
            Phase::Leaving { next } => next,
            Phase::Connecting | Phase::Up { .. } => {
                link.failures += 1;
                self.now + self.backoff.wait(link.failures, WAIT_FIRST, WAIT_LONGEST)
            }
        };
        let left = matches!(link.phase, Phase::Leaving { .. });
        link.phase = Phase::Ready { from };
        self.serves += 1;
        link.served = self.serves;
        let tell = !left && !link.told;
        link.told |= tell;
        if tell {
            self.tell("connection-lost", probe, why);
        }
        self.run();
    }

    /// All connections are gone: the adapter, the service or the library's manager is.
    pub fn all_down(&mut self, now: Elapsed) {
        self.now = self.now.max(now);
        for link in self.probes.values_mut() {
            link.phase = Phase::Ready { from: self.now + WAIT_FIRST };
        }
    }

    /// Runs what is due at `now`.
    pub fn tick(&mut self, now: Elapsed) {
        self.now = self.now.max(now);
        self.run();
    }

    /// The next thing to do.
    pub fn poll(&mut self) -> Option<LinkAct> {
        self.acts.pop_front()
    }

    /// When [`Self::tick`] is to be called even if nothing happens.
    pub fn deadline(&self) -> Option<Elapsed> {
        let free = self.taken() < self.slots;
        let waiting = self.waiting().is_some();
        let due = |link: &Link| match link.phase {
            Phase::Ready { from } => (free || from > self.now).then_some(from),
            Phase::Up { since, heard } => {
                let turn = (waiting && !free).then_some(since + TURN);
                turn.into_iter().chain([heard + link.mute_after()]).min()
            }
            Phase::Connecting | Phase::Leaving { .. } => None,
        };
        self.probes.values().filter_map(due).min()
    }

    /// Whether `probe` is connected or about to be, so that it does not advertise.
    pub fn holds(&self, probe: &str) -> bool {
        self.probes.get(probe).is_some_and(|link| !matches!(link.phase, Phase::Ready { .. }))
    }

    fn taken(&self) -> usize {
        self.probes.values().filter(|l| !matches!(l.phase, Phase::Ready { .. })).count()
    }

    /// The ready probe that has waited longest for a slot.
    fn waiting(&self) -> Option<&str> {
        let ready = |l: &Link| matches!(l.phase, Phase::Ready { from } if from <= self.now);
        let all = self.probes.iter().filter(|(_, link)| ready(link));
        all.min_by_key(|(_, link)| link.served).map(|(probe, _)| probe.as_str())
    }

    fn run(&mut self) {
        let now = self.now;
        let mute = |l: &Link| match l.phase {
            Phase::Up { heard, .. } => now.since(heard) >= l.mute_after(),
            _ => false,
        };
        let mutes: Vec<String> =
            self.probes.iter().filter(|(_, l)| mute(l)).map(|(probe, _)| probe.clone()).collect();
        for probe in mutes {
            self.tell("connection-mute", &probe, "the connection is up and nothing comes");
            if let Some(link) = self.probes.get_mut(&probe) {
                link.failures += 1;
                let wait = self.backoff.wait(link.failures, WAIT_FIRST, WAIT_LONGEST);
                link.phase = Phase::Leaving { next: now + wait };
            }
            self.acts.push_back(LinkAct::Disconnect { probe });
        }
        while self.taken() < self.slots
            && let Some(probe) = self.waiting().map(str::to_owned)
        {
            let Some(link) = self.probes.get_mut(&probe) else { break };
            link.phase = Phase::Connecting;
            self.serves += 1;
            link.served = self.serves;
            let pause_scan = link.failures % 2 == 1;
            self.acts.push_back(LinkAct::Connect { probe, pause_scan });
        }
        if self.waiting().is_some() {
            self.make_room();
        }
    }

    /// The connection that has been up longest goes, if it has had its turn.
    fn make_room(&mut self) {
        if self.probes.values().any(|l| matches!(l.phase, Phase::Leaving { .. })) {
            return;
        }
        let up = self.probes.iter_mut().filter_map(|(probe, link)| match link.phase {
            Phase::Up { since, .. } => Some((since, probe, link)),
            _ => None,
        });
        if let Some((since, probe, link)) = up.min_by_key(|(since, _, link)| (*since, link.served))
            && self.now.since(since) >= TURN
        {
            link.phase = Phase::Leaving { next: self.now };
            self.acts.push_back(LinkAct::Disconnect { probe: probe.clone() });
        }
    }

    fn tell(&mut self, event: &'static str, probe: &str, detail: &str) {
        let (probe, detail) = (probe.to_owned(), detail.to_owned());
        self.acts.push_back(LinkAct::Tell { event, probe, detail });
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const SECOND: Duration = Duration::from_secs(1);

    fn connects(links: &mut Links) -> Vec<String> {
        let acts = std::iter::from_fn(|| links.poll());
        acts.filter_map(|act| match act {
            LinkAct::Connect { probe, .. } => Some(probe),
            _ => None,
        })
        .collect()
    }

    #[test]
    fn three_probes_share_two_slots_fairly() {
        let mut links = Links::new(2, 1);
        for probe in ["a", "b", "c"] {
            links.want(Elapsed::ZERO, probe, SECOND);
        }
        let mut served = connects(&mut links);
        assert_eq!(served, ["a", "b"]);
        for probe in ["a", "b"] {
            links.up(Elapsed::ZERO, probe);
        }
        for s in 1..200 {
            let now = Elapsed::from_secs(s);
            for probe in ["a", "b", "c"] {
                links.heard(now, probe);
            }
            links.tick(now);
            while let Some(act) = links.poll() {
                match act {
                    LinkAct::Connect { probe, .. } => {
                        links.up(now, &probe);
                        served.push(probe);
                    }
                    LinkAct::Disconnect { probe } => links.down(now, &probe, ""),
                    LinkAct::Tell { .. } => {}
                }
                assert!(links.taken() <= 2);
            }
        }
        let count = |name| served.iter().filter(|probe| *probe == name).count();
        let counts = [count("a"), count("b"), count("c")];
        assert!(counts.iter().max().unwrap() - counts.iter().min().unwrap() <= 1, "{counts:?}");
        assert!(counts[2] >= 2, "{counts:?}");
    }

    #[test]
    fn a_mute_connection_is_given_up_and_tried_again() {
        let mut links = Links::new(2, 1);
        links.want(Elapsed::ZERO, "a", SECOND);
        assert_eq!(connects(&mut links), ["a"]);
        links.up(Elapsed::ZERO, "a");
        while links.poll().is_some() {}
        assert_eq!(links.deadline(), Some(Elapsed::from_secs(30)));
        links.tick(Elapsed::from_secs(30));
        let acts: Vec<_> = std::iter::from_fn(|| links.poll()).collect();
        assert!(matches!(&acts[0], LinkAct::Tell { event: "connection-mute", .. }), "{acts:?}");
        assert_eq!(acts[1], LinkAct::Disconnect { probe: "a".into() });
        links.down(Elapsed::from_secs(30), "a", "");
        links.tick(Elapsed::from_secs(31));
        assert_eq!(connects(&mut links), ["a"]);
    }

    #[test]
    fn a_probe_that_only_notifies_is_mute_by_its_own_interval() {
        let mut links = Links::new(2, 1);
        // The plan can say no more than that a value comes every minute.
        links.want(Elapsed::ZERO, "a", 60 * SECOND);
        links.up(Elapsed::ZERO, "a");
        links.heard(Elapsed::from_secs(2), "a");
        assert_eq!(links.deadline(), Some(Elapsed::from_secs(2 + 240)));
        for s in 1..=8 {
            links.heard(Elapsed::from_secs(2 + 10 * s), "a");
        }
        assert_eq!(links.deadline(), Some(Elapsed::from_secs(82 + 40)));
    }

    #[test]
    fn a_refused_connection_waits_longer_each_time_and_pauses_the_scan_every_other() {
        let mut links = Links::new(1, 1);
        links.want(Elapsed::ZERO, "a", SECOND);
        let mut tries = Vec::new();
        while tries.len() < 8 {
            let now = links.deadline().unwrap_or_default().max(links.now);
            links.tick(now);
            while let Some(act) = links.poll() {
                if let LinkAct::Connect { probe, pause_scan } = act {
                    tries.push((now, pause_scan));
                    links.down(now, &probe, "refused");
                }
            }
        }
        let paused: Vec<bool> = tries.iter().map(|(_, paused)| *paused).collect();
        assert_eq!(paused, [false, true, false, true, false, true, false, true]);
        let gap = |n: usize| tries[n].0.since(tries[n - 1].0);
        assert!(gap(6) > gap(3) && gap(7) <= WAIT_LONGEST, "{tries:?}");
    }
}
