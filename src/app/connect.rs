//! Which probes are connected to, and what is asked of them there.

use std::time::Duration;

use crate::edge::bluetooth::{ConnectPlan, ValuePlan, Who};
use crate::engine::job::{Job, ProbeRef};
use crate::engine::profile::{Connection, Delivery, Profiles, Source};

/// What the profiles say about probes that must be connected to.
pub fn plans(profiles: &Profiles) -> Vec<ConnectPlan> {
    let connected = profiles.iter().filter_map(|profile| match profile.source() {
        Source::Connected(connection) => connection.service.map(|service| (service, connection)),
        Source::Broadcast => None,
    });
    let mut plans: Vec<ConnectPlan> = Vec::new();
    for (service, connection) in connected {
        let who = Who::Advertises(service);
        let plan = plan(who, connection);
        // Several characteristics of one service are taken over one connection.
        match plans.iter_mut().find(|other| other.who == plan.who) {
            Some(other) => {
                other.write_first.extend(plan.write_first);
                other.values.extend(plan.values);
            }
            None => plans.push(plan),
        }
    }
    plans
}

/// The probes that a job names, which `watch` may connect to.
pub fn named(job: &Job) -> Vec<Who> {
    let which = job.probes.iter().map(|probe| match &probe.which {
        ProbeRef::Address(address) => Who::Address(address.clone()),
        ProbeRef::Name(name) => Who::Name(name.clone()),
    });
    which.collect()
}

fn plan(who: Who, connection: &Connection) -> ConnectPlan {
    let (subscribe, read_every, silence) = match connection.delivery {
        Delivery::Notify | Delivery::Indicate => (true, None, Duration::ZERO),
        Delivery::Read { every } => (false, Some(every), Duration::ZERO),
        Delivery::NotifyOrRead { every, silence } => (true, Some(every), silence),
    };
    let writes = connection.write_first.iter();
    let value =
        ValuePlan { characteristic: connection.characteristic, subscribe, read_every, silence };
    ConnectPlan {
        who,
        write_first: writes.map(|w| (w.characteristic, w.bytes.clone())).collect(),
        values: vec![value],
    }
}
