//! A dairy for a test: broker, scheduler, gateway, and browsers that visit it.

use std::collections::BTreeMap;
use std::path::Path;
use std::time::Duration;

use bus::broker::ChildBroker;
use bus::retry::Backoff;
use bus::{Bus, Clock, Shutdown};
use chrono::{DateTime, TimeDelta, Utc};
use facts::wire::Read;
use facts::{
    Event, Fact, FactIdSource, StationId, WheelHeld, WheelLoaded, WheelMoved, WheelPortioned,
};
use hmac::{Hmac, Mac as _};
use serde_json::{Value, json};
use sha2::Sha256;
use site::Site;
use tempfile::TempDir;
use tokio::task::JoinHandle;

const SITE_FILE: &str = include_str!("../../../../deploy/demo/larkholm.toml");
const RECIPE_FILE: &str = include_str!("../../../../deploy/demo/larkholm-blue.toml");
const CUSTOMERS_FILE: &str = include_str!("../../../../deploy/demo/customers.toml");
const CREW_FILE: &str = include_str!("../../../../deploy/demo/crew.toml");

/// The first manager's badge and PIN.
pub const MANAGER: (&str, &str) = ("M1", "407193");

pub fn code<T: std::str::FromStr<Err = facts::BadCode>>(text: &str) -> T {
    text.parse().unwrap()
}

/// A dairy.
pub struct House {
    pub url: String,
    pub bus: Bus,
    pub site: Site,
    pub dir: TempDir,
    shutdown: Shutdown,
    gateway: Option<(Shutdown, JoinHandle<anyhow::Result<()>>)>,
    scheduler: Option<JoinHandle<anyhow::Result<()>>>,
    desks: Vec<JoinHandle<anyhow::Result<()>>>,
    _broker: ChildBroker,
}

impl House {
    /// Everything runs, and the manager M1 can sign in.
    pub async fn start() -> Self {
        Self::start_with("", |_| {}).await
    }

    /// The same where only this badge may release wheels from holds.
    pub async fn where_only(badge: &str) -> Self {
        let may_release = [code(badge)].into();
        let safety = |site: &mut Site| {
            site.safety = Some(site::Safety {
                file: "safety.toml".into(),
                may_release,
                tools: Default::default(),
                papers: None,
            });
        };
        Self::start_with("", safety).await
    }

    /// The same with a dispatch desk and a forecaster.
    pub async fn with_desk() -> Self {
        let mut house =
            Self::start_with("\n[dispatch]\ncustomers = \"customers.toml\"\n", |_| {}).await;
        let given = || {
            let data = house.dir.path().join("data");
            (
                house.site.clone(),
                house.bus.clone(),
                data,
                house.shutdown.clone(),
            )
        };
        let ((site, bus, data, stop), clock) = (given(), Clock::system());
        let desk = async move { dispatcher::run(site, bus, clock, &data, stop).await };
        let ((site, bus, data, stop), clock) = (given(), Clock::system());
        let forecasts = async move { forecaster::run(site, bus, clock, &data, stop).await };
        house.desks = vec![tokio::spawn(desk), tokio::spawn(forecasts)];
        house.answers("orders").await;
        house.answers("forecast").await;
        house
    }

    async fn start_with(more: &str, change: impl FnOnce(&mut Site)) -> Self {
        let dir = TempDir::new().unwrap();
        let broker = ChildBroker::start(&dir.path().join("broker"))
            .await
            .unwrap();
        let bus = Bus::connect(&broker.url(), "test").await.unwrap();
        bus.ready().await.unwrap();
        let listener = std::net::TcpListener::bind("127.0.0.1:0").unwrap();
        let address = listener.local_addr().unwrap();
        drop(listener);
        let mut site = site(dir.path(), &address.to_string(), more);
        change(&mut site);
        let shutdown = Shutdown::new();
        let scheduler = tokio::spawn({
            let (site, bus, shutdown) = (site.clone(), bus.clone(), shutdown.clone());
            let data = dir.path().join("data");
            async move { scheduler::run(site, bus, Clock::system(), &data, shutdown).await }
        });
        let mut house = Self {
            url: format!("http://{address}"),
            bus,
            site,
            dir,
            shutdown,
            gateway: None,
            scheduler: Some(scheduler),
            desks: Vec::new(),
            _broker: broker,
        };
        house.answers("due").await;
        house.open().await;
        house.set_up().await;
        house
    }

    /// Waits for the worker that answers a question: a page that asks before is told that it
    /// is away.
    pub async fn answers(&self, question: &str) {
        let mut backoff = Backoff::new(Duration::from_millis(5), Duration::from_millis(100));
        for _ in 0..600 {
            match self.bus.ask::<Value>(&self.site.id, question, &()).await {
                Err(error) if error.may_pass() => backoff.wait().await,
                // What it says of a question without its parameters is an answer too.
                _ => return,
            }
        }
        panic!("waited in vain for an answer to {question:?}");
    }

    /// Starts the gateway.
    pub async fn open(&mut self) {
        let stop = Shutdown::new();
        let (site, bus, shutdown) = (self.site.clone(), self.bus.clone(), stop.clone());
        let data = self.dir.path().join("data");
        let run = async move { gateway::run(site, bus, Clock::system(), &data, shutdown).await };
        self.gateway = Some((stop, tokio::spawn(run)));
        let mut browser = self.browser();
        let mut backoff = Backoff::new(Duration::from_millis(5), Duration::from_millis(100));
        while browser
            .try_call("GET", "/api/v1/openapi.json", None)
            .is_none()
        {
            if self.gateway.as_ref().unwrap().1.is_finished() {
                let (_, run) = self.gateway.take().unwrap();
                panic!("{:?}", run.await);
            }
            backoff.wait().await;
        }
    }

    /// Stops the gateway, in order.
    pub async fn close(&mut self) {
        let (stop, run) = self.gateway.take().unwrap();
        stop.request();
        run.await.unwrap().unwrap();
    }

    async fn set_up(&self) {
        let file = self.dir.path().join("data/gateway/set-up-link.txt");
        let link = std::fs::read_to_string(file).unwrap();
        let word = link.trim().split_once("word=").unwrap().1.to_owned();
        let (badge, pin) = MANAGER;
        let form = format!("word={word}&badge={badge}&name=Mo+Nager&pin={pin}");
        let answer = self.browser().form("/setup", &form);
        assert_eq!(answer.status, 303, "{}", answer.text);
    }

    /// Lets someone in.
    pub fn admit(&self, badge: &str, role: &str, pin: &str) {
        let mut manager = self.manager();
        let form = format!("badge={badge}&name=Name+{badge}&role={role}&pin={pin}");
        let answer = manager.form("/people", &form);
        assert_eq!(answer.status, 303, "{}", answer.text);
    }

    /// A browser where nobody is signed in.
    pub fn browser(&self) -> Browser {
        Browser {
            agent: agent(Duration::from_secs(30)),
            url: self.url.clone(),
            cookies: BTreeMap::new(),
            token: None,
            badge: String::new(),
            scans: Value::Null,
        }
    }

    /// A browser where the manager is signed in.
    pub fn manager(&self) -> Browser {
        let mut browser = self.browser();
        browser.sign_in(MANAGER.0, MANAGER.1);
        browser
    }

    /// A browser that is a station, where someone is signed in.
    pub fn tablet(&self, station: &str, badge: &str, pin: &str) -> Browser {
        let mut browser = self.manager();
        let answer = browser.form("/stations", &format!("station={station}&name=Here"));
        assert_eq!(answer.status, 303, "{}", answer.text);
        browser.sign_in(badge, pin);
        browser
    }

    /// The vat that the six wheels are from.
    pub async fn vat_started(&self) {
        let then = utc_now() - TimeDelta::days(11);
        let started = facts::VatStarted {
            batch: code("311"),
            vat: code("V1"),
            recipe: code("larkholm-blue"),
            recipe_version: 1,
            milk_l: quantity::Litres::new(240.0).unwrap(),
            milk_lots: Vec::new(),
        };
        let fact = Fact {
            id: FactIdSource::default().next(then),
            site: self.site.id,
            station: code("vat-1"),
            station_seq: 1,
            person: None,
            occurred_at: then,
            claimed_at: None,
            recorded_at: then,
            event: started.into(),
        };
        self.bus.publish_facts(&[fact]).await.unwrap();
    }

    /// Six wheels of batch 311 stand on stillage S07 in room R1.
    pub async fn six_wheels(&self) {
        let ids = FactIdSource::default();
        let then = utc_now() - TimeDelta::days(10);
        let wheels: Vec<facts::WheelId> = (1..=6).map(|n| code(&format!("311-0{n}"))).collect();
        let portioned = wheels.clone().into_iter().map(|wheel| {
            Event::from(WheelPortioned {
                wheel,
                batch: code("311"),
                weight_g: quantity::Grams::new(4_200).unwrap(),
                scale: None,
                tare_g: None,
                mixer: None,
            })
        });
        let loaded = WheelLoaded {
            wheels: wheels.clone(),
            stillage: code("S07"),
        };
        let moved = WheelMoved {
            wheels: wheels.clone(),
            via: Some(facts::Carrier::Stillage(code("S07"))),
            room: code("R1"),
            position: Some(code("P03")),
        };
        let unhooped = facts::WheelUnhooped { wheels, via: None };
        let events = portioned.chain([unhooped.into(), loaded.into(), moved.into()]);
        let facts: Vec<Fact> = (1..)
            .zip(events)
            .map(|(seq, event)| Fact {
                id: ids.next(then),
                site: self.site.id,
                station: code::<StationId>("past"),
                station_seq: seq,
                person: None,
                occurred_at: then + TimeDelta::minutes(i64::try_from(seq).unwrap()),
                claimed_at: None,
                recorded_at: then,
                event,
            })
            .collect();
        self.bus.publish_facts(&facts).await.unwrap();
    }

    /// One of the wheels is held.
    pub async fn hold(&self, wheel: &str, hold: &str) {
        let now = utc_now();
        let fact = Fact {
            id: FactIdSource::default().next(now),
            site: self.site.id,
            station: code::<StationId>("lab"),
            station_seq: 1,
            person: None,
            occurred_at: now,
            claimed_at: None,
            recorded_at: now,
            event: WheelHeld {
                wheels: vec![code(wheel)],
                hold: code(hold),
                reason: "sampled".to_owned(),
            }
            .into(),
        };
        self.bus.publish_facts(&[fact]).await.unwrap();
    }

    /// A customer ordered, and wheels are promised to the order.
    pub async fn promise(&self, order: &str, customer: &str, wheels: &[&str]) {
        let now = utc_now();
        let ids = FactIdSource::default();
        let placed = facts::OrderPlaced {
            order: code(order),
            customer: customer.to_owned(),
            market: code("local"),
            arrive_on: now.date_naive() + TimeDelta::days(60),
            lines: Vec::new(),
            standing: None,
        };
        let allocated = facts::WheelAllocated {
            wheels: wheels.iter().map(|wheel| code(wheel)).collect(),
            order: code(order),
        };
        let facts: Vec<Fact> = (1..)
            .zip([Event::from(placed), allocated.into()])
            .map(|(seq, event)| Fact {
                id: ids.next(now),
                site: self.site.id,
                station: code::<StationId>("office"),
                station_seq: seq,
                person: None,
                occurred_at: now,
                claimed_at: None,
                recorded_at: now,
                event,
            })
            .collect();
        self.bus.publish_facts(&facts).await.unwrap();
    }

    /// Every fact in the log that a station stated, once there are so many.
    pub async fn stated(&self, station: &str, many: usize) -> Vec<Fact> {
        let mut backoff = Backoff::new(Duration::from_millis(5), Duration::from_millis(100));
        for _ in 0..600 {
            let facts = self.facts_of(station).await;
            if facts.len() >= many {
                return facts;
            }
            backoff.wait().await;
        }
        panic!("waited in vain for {many} facts of {station}");
    }

    async fn facts_of(&self, station: &str) -> Vec<Fact> {
        let end = self.bus.floor_end().await.unwrap();
        let mut log = self.bus.floor_after(None).await.unwrap();
        let mut facts = Vec::new();
        while log.position().seq < end {
            for message in log.next_chunk(1_000).await.unwrap() {
                if let Ok(Read::Fact(fact)) = message.read()
                    && fact.station.as_str() == station
                {
                    facts.push(fact);
                }
            }
        }
        facts
    }

    /// Looks again until a page or call shows what is waited for.
    pub async fn until(&self, browser: &mut Browser, path: &str, shows: &str) -> Answer {
        let mut backoff = Backoff::new(Duration::from_millis(5), Duration::from_millis(100));
        let mut last = String::new();
        for _ in 0..600 {
            let answer = browser.get(path);
            if answer.text.contains(shows) {
                return answer;
            }
            last = answer.text;
            backoff.wait().await;
        }
        panic!("waited in vain for {shows:?} on {path}: {last}");
    }

    /// Stops everything.
    pub async fn end(mut self) {
        if self.gateway.is_some() {
            self.close().await;
        }
        self.shutdown.request();
        self.scheduler.take().unwrap().await.unwrap().unwrap();
        for desk in std::mem::take(&mut self.desks) {
            desk.await.unwrap().unwrap();
        }
    }
}

#[allow(clippy::disallowed_methods)] // a test owns a clock
pub fn utc_now() -> DateTime<Utc> {
    Utc::now()
}

fn site(dir: &Path, address: &str, more: &str) -> Site {
    let mut text = SITE_FILE.to_owned();
    text.push_str(&format!(
        "\n[gateway]\nlisten = \"{address}\"\ncrew = \"crew.toml\"\n{more}"
    ));
    std::fs::write(dir.join("customers.toml"), CUSTOMERS_FILE).unwrap();
    std::fs::write(dir.join("crew.toml"), CREW_FILE).unwrap();
    let origin = recipe::Origin {
        file: "larkholm.toml",
        text: &text,
    };
    Site::parse(&origin, dir, |_| Ok(RECIPE_FILE.to_owned())).unwrap()
}

/// A browser, or a program: it keeps cookies and its session's token.
#[derive(Clone)]
pub struct Browser {
    agent: ureq::Agent,
    url: String,
    pub cookies: BTreeMap<String, String>,
    pub token: Option<String>,
    badge: String,
    scans: Value,
}

/// What it got.
#[derive(Debug, Clone)]
pub struct Answer {
    pub status: u16,
    pub text: String,
    pub headers: BTreeMap<String, String>,
}

impl Answer {
    pub fn json(&self) -> Value {
        serde_json::from_str(&self.text).unwrap_or_else(|e| panic!("{e}: {}", self.text))
    }
}

fn agent(patience: Duration) -> ureq::Agent {
    ureq::Agent::config_builder()
        .timeout_global(Some(patience))
        .http_status_as_error(false)
        .max_redirects(0)
        .build()
        .into()
}

impl Browser {
    /// Waits for an answer so long.
    pub fn patience(&mut self, patience: Duration) {
        self.agent = agent(patience);
    }

    pub fn get(&mut self, path: &str) -> Answer {
        self.try_call("GET", path, None).expect("an answer")
    }

    pub fn post(&mut self, path: &str, body: &Value) -> Answer {
        let body = ("application/json", body.to_string().into_bytes());
        self.try_call("POST", path, Some(body)).expect("an answer")
    }

    pub fn send(&mut self, method: &str, path: &str, kind: &str, body: &[u8]) -> Answer {
        let body = (kind, body.to_vec());
        self.try_call(method, path, Some(body)).expect("an answer")
    }

    /// A form, with the token that its page would carry.
    pub fn form(&mut self, path: &str, fields: &str) -> Answer {
        let token = self.token.clone().unwrap_or_default();
        let body = format!("token={token}&{fields}").into_bytes();
        let body = ("application/x-www-form-urlencoded", body);
        self.try_call("POST", path, Some(body)).expect("an answer")
    }

    pub fn sign_in(&mut self, badge: &str, pin: &str) {
        let answer = self.post("/api/v1/session", &json!({ "badge": badge, "pin": pin }));
        assert_eq!(answer.status, 200, "{}", answer.text);
        let session = answer.json();
        self.token = Some(session["token"].as_str().unwrap().to_owned());
        self.badge = badge.to_owned();
        self.scans = session["scans"].clone();
    }

    /// A scan as a station page keeps it while the dairy is out of reach: signed in the session
    /// that is open now.
    pub fn kept_scan(
        &self,
        station: &str,
        seq: u64,
        line: &str,
        action: impl Into<Option<&'static str>>,
        at: DateTime<Utc>,
    ) -> Value {
        let action = action.into();
        let at = at.to_rfc3339_opts(chrono::SecondsFormat::Millis, true);
        let number = seq.to_string();
        let parts = [
            "wheelward scan 1",
            station,
            &number,
            &at,
            line,
            "",
            &self.badge,
            action.unwrap_or_default(),
        ];
        let signed: String = parts
            .iter()
            .map(|part| format!("{}:{part},", part.len()))
            .collect();
        let key = self.scans["key"].as_str().unwrap();
        let mut mac = Hmac::<Sha256>::new_from_slice(key.as_bytes()).unwrap();
        mac.update(signed.as_bytes());
        let signature: String = mac
            .finalize()
            .into_bytes()
            .iter()
            .map(|byte| format!("{byte:02x}"))
            .collect();
        json!({
            "station": station, "seq": seq, "line": line, "occurred_at": at, "action": action,
            "person": self.badge, "session": self.scans["session"], "signature": signature,
        })
    }

    /// A scan, sent as the station page does.
    pub fn scan(&mut self, station: &str, seq: u64, line: &str) -> Answer {
        let scan = json!({ "station": station, "seq": seq, "line": line });
        self.post("/api/v1/station/scan", &scan)
    }

    pub fn try_call(
        &mut self,
        method: &str,
        path: &str,
        body: Option<(&str, Vec<u8>)>,
    ) -> Option<Answer> {
        let mut request = ureq::http::Request::builder()
            .method(method)
            .uri(format!("{}{path}", self.url));
        let cookies: Vec<_> = self
            .cookies
            .iter()
            .map(|(k, v)| format!("{k}={v}"))
            .collect();
        if !cookies.is_empty() {
            request = request.header("cookie", cookies.join("; "));
        }
        if let Some(token) = &self.token {
            request = request.header("x-wheelward-token", token);
        }
        let agent = self.agent.clone();
        let answered = tokio::task::block_in_place(|| match body {
            Some((kind, body)) => {
                let request = request.header("content-type", kind).body(body).unwrap();
                agent.run(request)
            }
            None => agent.run(request.body(()).unwrap()),
        });
        let mut answered = answered.ok()?;
        let mut headers = BTreeMap::new();
        for (name, value) in answered.headers() {
            let value = value.to_str().unwrap().to_owned();
            if name == "set-cookie" {
                let (name, rest) = value.split_once('=').unwrap();
                let kept = rest.split(';').next().unwrap().to_owned();
                self.cookies.insert(name.to_owned(), kept);
            }
            headers.insert(name.to_string(), value);
        }
        let text = tokio::task::block_in_place(|| answered.body_mut().read_to_string().ok());
        Some(Answer {
            status: answered.status().as_u16(),
            text: text.unwrap_or_default(),
            headers,
        })
    }
}
