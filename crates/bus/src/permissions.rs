//! The broker's accounts and permissions, made from [`authority::workers`].
//!
//! Workers are in one account, room sensors in another that shares nothing with it: neither the
//! facts nor the questions nor the broker's own calls. A fact's subject ends in its station, so
//! that a user may state facts of its own stations only.

use std::collections::BTreeMap;
use std::fmt::Write as _;

use authority::workers::{Asks, Duties, Names, OWN_NAMES, Topics, Worker};
use facts::{SiteId, StationId, TYPES};

use crate::health;

/// The account of the workers: the facts are in its part of the broker's folder.
pub const ACCOUNT: &str = "WHEELWARD";

/// The user of room sensors, over MQTT.
pub const SENSORS: &str = "sensors";

/// The user under which the climate-reader hears room sensors, over MQTT.
pub const SENSOR_READER: &str = "sensor-reader";

/// What the permissions of a dairy depend on.
#[derive(Debug, Clone)]
pub struct Grants {
    /// The site.
    pub site: SiteId,
    /// Its stations without a scale.
    pub scanners: Vec<StationId>,
    /// Its stations with a scale.
    pub scales: Vec<StationId>,
    /// The MQTT topics that its room sensors publish on.
    pub air: Vec<String>,
    /// Whether the demo plays on it.
    pub demo: bool,
}

impl Grants {
    /// Everyone who signs in.
    #[must_use]
    pub fn users(&self) -> Vec<&'static str> {
        let workers = self.workers().map(Worker::name);
        workers.chain([SENSORS, SENSOR_READER]).collect()
    }

    /// Those of them that are workers, or whoever types commands.
    pub fn workers(&self) -> impl Iterator<Item = Worker> + use<> {
        let demo = self.demo.then_some(Worker::Demo);
        Worker::ALL.into_iter().chain(demo)
    }

    /// The subjects on which a worker may state facts, and those of them that it may not.
    fn facts(&self, duties: &Duties) -> (Vec<String>, Vec<String>) {
        let (mut allow, mut deny) = (Vec::new(), Vec::new());
        let on = |topic: &str, station: &str| format!("floor.{}.{topic}.{station}", self.site);
        for (names, topics) in duties.states {
            let stations: Vec<&str> = match names {
                Names::Scanners => self.scanners.iter().map(StationId::as_str).collect(),
                Names::Scales => self.scales.iter().map(StationId::as_str).collect(),
                Names::Own(name) => vec![name],
                Names::Browsers | Names::Everyones => vec!["*"],
            };
            for station in stations {
                match topics {
                    Topics::These(topics) => {
                        allow.extend(topics.iter().map(|topic| on(topic, station)));
                    }
                    Topics::AllBut(topics) => {
                        allow.push(on("*.*", station));
                        deny.extend(topics.iter().map(|topic| on(topic, station)));
                    }
                }
            }
            if *names == Names::Browsers {
                let states = duties.states;
                let own = |name: &str| {
                    let own = |names: &Names| matches!(names, Names::Own(own) if *own == name);
                    states.iter().any(|(names, _)| own(names))
                };
                let others = OWN_NAMES.iter().copied().filter(|name| !own(name));
                let stations = self.scanners.iter().chain(&self.scales);
                let taken = others.chain(stations.map(StationId::as_str));
                deny.extend(taken.map(|name| on("*.*", name)));
            }
        }
        (allow, deny)
    }
}

/// The broker's accounts and permissions for a dairy, to include in its configuration.
/// Those whose public key is given sign in with their nkey; the others' passwords come from the
/// environment of the broker: see [`variable`].
#[must_use]
pub fn conf(grants: &Grants, nkeys: &BTreeMap<String, String>) -> String {
    let mut text = HEAD.to_owned();
    let _ = write!(
        text,
        "accounts {{\n    {ACCOUNT}: {{\n        jetstream: enabled\n        users: [\n"
    );
    for worker in grants.workers() {
        user(&mut text, grants, worker, nkeys.get(worker.name()));
    }
    text += "        ]\n    }\n";
    let air: Vec<_> = grants.air.iter().map(|topic| mqtt_subject(topic)).collect();
    let air = list(&air, 24);
    let _ = write!(
        text,
        r#"
    # Room sensors, over MQTT alone. What they say crosses to the workers in one place only:
    # the climate-reader hears it here, and states it there.
    SENSORS: {{
        # For the sessions of MQTT; apart from the facts, and small.
        jetstream: {{ max_memory: 64MB, max_file: 1GB }}
        users: [
            # They say what the air is like, and hear nothing.
            {{
                user: "{SENSORS}", password: ${sensors}
                allowed_connection_types: ["MQTT"]
                permissions: {{
                    publish: {{ allow: {air} }}
                    subscribe: {{ deny: [">"] }}
                }}
            }}
            {{
                user: "{SENSOR_READER}", password: ${reader}
                allowed_connection_types: ["MQTT"]
                permissions: {{
                    publish: {{ deny: [">"] }}
                    subscribe: {{ allow: {air} }}
                }}
            }}
        ]
    }}
}}
"#,
        sensors = variable(SENSORS),
        reader = variable(SENSOR_READER),
    );
    text
}

/// The variable of the broker's environment that has a user's password.
#[must_use]
pub fn variable(user: &str) -> String {
    format!("{}_PASSWORD", user.to_uppercase().replace('-', "_"))
}

const HEAD: &str = r#"# Who may do what: one user a worker, and for a station only the facts it can witness.
# Include it from the broker's configuration. Passwords come from the broker's environment;
# at rest, keep them in a file that only the broker's service may read.
#
# This file is generated, here for the demo's site. Make your own with
#   wheelward broker permissions --site site.toml
# and again whenever stations or room sensors are added: a station that it does not name can
# state nothing.
#
# A worker signs in with its address, nats://move-recorder:<password>@host:4222, or with a key
# from a folder (`--keys`), and has an inbox of its own, _INBOX.<worker>.>, so that none sees
# another's answers. A fact's subject is floor.<site>.<noun>.<verb>.<station>. Every worker may
# look streams up. Only the scheduler makes them, and nobody deletes them: start it first.
#
# A denied message is never answered; the broker and the worker both log the denial, and a
# fact that was denied waits in the worker's outbox, where an alarm tells of it.

"#;

fn user(text: &mut String, grants: &Grants, worker: Worker, nkey: Option<&String>) {
    let duties = worker.duties();
    let site = grants.site;
    let (allow, deny) = publish(grants, &duties);
    let mut hears: Vec<_> = duties
        .answers
        .iter()
        .map(|question| format!("ask.{site}.{question}"))
        .collect();
    hears.push(format!("clock.{site}"));
    if duties.asks == Asks::Any {
        hears.push(format!("live.{site}.next"));
    }
    let name = worker.name();
    hears.push(format!("ask.{site}.{}.{name}", health::TOPIC));
    hears.push(format!("_INBOX.{name}.>"));
    let signs_in = match nkey {
        Some(public) => format!("nkey: {public}"),
        None => format!("user: \"{name}\", password: ${}", variable(name)),
    };
    let _ = write!(
        text,
        "            # {}\n            {{\n                {signs_in}\n                permissions: {{\n",
        duties.about,
    );
    let indent = 24;
    let _ = write!(
        text,
        "                    publish: {{\n{:indent$}allow: {}\n",
        "",
        list(&allow, indent)
    );
    if !deny.is_empty() {
        let _ = writeln!(text, "{:indent$}deny: {}", "", list(&deny, indent));
    }
    text.push_str("                    }\n");
    let _ = writeln!(
        text,
        "                    subscribe: {{ allow: {} }}",
        list(&hears, indent)
    );
    text.push_str("                    allow_responses: { max: 1024, expires: \"60s\" }\n");
    text.push_str("                }\n            }\n");
}

/// What a worker may publish, and what of that it may not.
fn publish(grants: &Grants, duties: &Duties) -> (Vec<String>, Vec<String>) {
    let site = grants.site;
    let (mut allow, deny) = grants.facts(duties);
    allow.extend(
        duties
            .derives
            .iter()
            .map(|tail| format!("derived.{site}.{tail}")),
    );
    match duties.asks {
        Asks::Any => allow.push(format!("ask.{site}.>")),
        Asks::These(names) => allow.extend(names.iter().map(|name| format!("ask.{site}.{name}"))),
    }
    allow.push("$JS.API.STREAM.INFO.*".to_owned());
    if duties.reads_floor {
        allow.extend(
            [
                "$JS.API.CONSUMER.CREATE.FLOOR",
                "$JS.API.CONSUMER.CREATE.FLOOR.>",
                "$JS.API.CONSUMER.INFO.FLOOR.*",
                "$JS.API.CONSUMER.MSG.NEXT.FLOOR.*",
                "$JS.API.STREAM.MSG.GET.FLOOR",
            ]
            .map(str::to_owned),
        );
    }
    for (durable, filter) in duties.does {
        allow.extend([
            format!("$JS.API.CONSUMER.CREATE.DERIVED.{durable}.derived.{site}.{filter}"),
            format!("$JS.API.CONSUMER.INFO.DERIVED.{durable}"),
            format!("$JS.API.CONSUMER.MSG.NEXT.DERIVED.{durable}"),
            format!("$JS.ACK.DERIVED.{durable}.>"),
        ]);
    }
    if !duties.reads_derived.is_empty() {
        let read = |tail: &&str| format!("$JS.API.CONSUMER.CREATE.DERIVED.*.derived.{site}.{tail}");
        allow.extend(duties.reads_derived.iter().map(read));
        allow.push("$JS.API.CONSUMER.INFO.DERIVED.*".to_owned());
        allow.push("$JS.API.CONSUMER.MSG.NEXT.DERIVED.*".to_owned());
    }
    if duties.keeps_the_log {
        allow.extend([
            format!("rejected.{site}.*"),
            format!("live.{site}.next"),
            "$JS.API.STREAM.CREATE.*".to_owned(),
        ]);
    }
    if duties
        .states
        .iter()
        .any(|(names, _)| *names == Names::Everyones)
    {
        allow.push(format!("clock.{site}"));
    }
    (allow, deny)
}

/// A list of the configuration, broken into lines.
fn list(subjects: &[String], indent: usize) -> String {
    const WIDE: usize = 72;
    let mut lines = vec![String::new()];
    for subject in subjects {
        let quoted = format!("\"{subject}\"");
        match lines.last_mut() {
            Some(line) if line.is_empty() => *line = quoted,
            Some(line) if line.len() + quoted.len() < WIDE => {
                line.push_str(", ");
                line.push_str(&quoted);
            }
            _ => lines.push(quoted),
        }
    }
    match lines.as_slice() {
        [one] => format!("[{one}]"),
        lines => {
            let inner = indent + 4;
            let mut text = "[\n".to_owned();
            for line in lines {
                let _ = writeln!(text, "{:inner$}{line}", "");
            }
            let _ = write!(text, "{:indent$}]", "");
            text
        }
    }
}

/// An MQTT topic as the subject that the broker makes of it.
fn mqtt_subject(topic: &str) -> String {
    let mut subject = String::with_capacity(topic.len() + 2);
    let levels: Vec<&str> = topic.split('/').collect();
    for (at, level) in levels.iter().enumerate() {
        if at > 0 {
            subject.push('.');
        }
        // An empty level is a slash; a dot within a level is two.
        match *level {
            "" => subject.push('/'),
            level => subject.push_str(&level.replace('.', "//")),
        }
    }
    subject
}

/// Every topic of the catalogue that a worker states under one of its names, with a station
/// that it may state it as: for trying each on a real broker.
#[must_use]
pub fn stated(grants: &Grants, worker: Worker) -> Vec<(String, &'static str)> {
    let mut all = Vec::new();
    for (names, topics) in worker.duties().states {
        let stations: Vec<String> = match names {
            Names::Scanners => grants.scanners.iter().map(ToString::to_string).collect(),
            Names::Scales => grants.scales.iter().map(ToString::to_string).collect(),
            Names::Own(name) => vec![(*name).to_owned()],
            Names::Browsers | Names::Everyones => vec!["browser-1".to_owned()],
        };
        for station in stations {
            for info in TYPES {
                let topic = format!("{}.{}", info.noun, info.verb);
                if topics.have(&topic) {
                    all.push((station.clone(), info.ty));
                }
            }
        }
    }
    all
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_topic_becomes_the_subject_that_the_broker_makes_of_it() {
        for (topic, subject) in [
            ("larkholm/air/R1", "larkholm.air.R1"),
            ("/air", "/.air"),
            ("air/", "air./"),
            ("air//R1", "air./.R1"),
            ("air/1.5", "air.1//5"),
        ] {
            assert_eq!(mqtt_subject(topic), subject);
        }
    }

    #[test]
    fn every_topic_of_the_table_is_one_of_the_catalogue() {
        let known: Vec<_> = TYPES
            .iter()
            .map(|t| format!("{}.{}", t.noun, t.verb))
            .collect();
        for worker in Worker::ALL.into_iter().chain([Worker::Demo]) {
            for (_, topics) in worker.duties().states {
                let (Topics::These(topics) | Topics::AllBut(topics)) = topics;
                for topic in *topics {
                    assert!(known.iter().any(|known| known == topic), "{topic}");
                }
            }
        }
    }

    #[test]
    fn only_the_gateway_releases_and_nobody_but_the_demo_states_another_workers_facts() {
        for worker in Worker::ALL {
            let releases = worker
                .duties()
                .states
                .iter()
                .any(|(_, t)| t.have("wheel.released"));
            assert_eq!(releases, worker == Worker::Gateway, "{worker:?}");
        }
    }
}
