//! Every answer that the workers of a dairy give, and how answers are compared.

use std::collections::{BTreeMap, BTreeSet};
use std::net::SocketAddr;

use chrono::TimeDelta;
use facts::{BatchId, Scope, WheelId, Window};
use serde::Serialize;
use serde_json::{Value, json};

use crate::{Browser, Floor};

/// Asks every worker everything: about every wheel, batch, room and order, about what is held,
/// expected, allocated, traced and written for others, and the pages' own calls. Nothing while
/// one of them still reads.
///
/// # Panics
/// When a page refuses.
pub async fn every_answer(floor: &Floor, pages: SocketAddr) -> Option<BTreeMap<String, Value>> {
    let mut all = Answers {
        floor,
        given: BTreeMap::new(),
    };
    all.of_the_scheduler().await?;
    all.of_the_dispatcher().await?;
    all.of_the_forecaster().await?;
    all.of_the_records().await?;
    all.put("label.queue", &()).await?;
    let mut manager = Browser::manager(pages, &floor.dir.path().join("data"))?;
    for path in [
        "standing",
        "floor",
        "due",
        "wheels",
        "plan",
        "rooms",
        "told",
        "forecasts",
        "orders",
        "allocation",
        "picks",
        "promise?customer=HARBOUR&recipe=larkholm-blue&grade=C&wheels=3&by=2026-05-01",
    ] {
        let (status, text) = manager.get(&format!("/api/v1/{path}"))?;
        if status == 503 {
            return None;
        }
        assert_eq!(status, 200, "{path}: {text}");
        let answer = serde_json::from_str(&text).unwrap();
        all.given.insert(format!("page {path}"), answer);
    }
    Some(all.given)
}

/// Answers as they are gathered.
struct Answers<'d> {
    floor: &'d Floor,
    given: BTreeMap<String, Value>,
}

impl Answers<'_> {
    /// Asks; a refusal is an answer too. Nothing while whoever is asked reads, or is away.
    async fn put(&mut self, question: &str, about: &impl Serialize) -> Option<Value> {
        let asked = self
            .floor
            .bus
            .ask::<Value>(&self.floor.site.id, question, about)
            .await;
        let answer = match asked {
            Ok(answer) => answer,
            Err(bus::BusError::Refused(sentence)) => Value::String(sentence),
            Err(bus::BusError::Unknown(name)) => Value::String(name.to_string()),
            Err(_) => return None,
        };
        let name = format!("{question} {}", serde_json::to_string(about).unwrap());
        self.given.insert(name, answer.clone());
        Some(answer)
    }

    fn wheels(&self) -> Vec<Value> {
        let pages = self
            .given
            .iter()
            .filter(|(name, _)| name.starts_with("census "));
        pages
            .flat_map(|(_, rows)| rows.as_array().unwrap().clone())
            .collect()
    }

    async fn of_the_scheduler(&mut self) -> Option<()> {
        self.put("standing", &()).await?;
        self.put("floor", &()).await?;
        self.put("due", &json!({ "room": null, "by": null }))
            .await?;
        let by = self.floor.now + TimeDelta::days(14);
        self.put("due", &json!({ "room": null, "by": by })).await?;
        for room in &self.floor.site.rooms {
            self.put("due", &json!({ "room": room.id, "by": null }))
                .await?;
        }
        let mut after = Value::Null;
        loop {
            let rows = self.put("census", &json!({ "after": after })).await?;
            match rows.as_array().unwrap().last() {
                Some(last) => after = last["wheel"].clone(),
                None => break,
            }
        }
        let rows = self.wheels();
        let batches: BTreeSet<String> = rows
            .iter()
            .filter_map(|row| row["batch"].as_str().map(str::to_owned))
            .collect();
        for batch in batches {
            self.put("batch", &batch).await?;
            self.put("portioned", &batch).await?;
            self.put("portions", &batch).await?;
            self.put("corrections", &json!({ "batch": batch })).await?;
        }
        for days in [-3, 0, 7] {
            self.put("places", &days).await?;
        }
        for code in ["HARBOUR", "S00", "nothing-of-this-name"] {
            self.put("find", &code).await?;
        }
        self.put("corrections", &"everything").await?;
        self.put("name", &json!({ "kind": "person", "code": "nobody" }))
            .await?;
        for row in rows {
            self.put("wheel", &row["wheel"]).await?;
            self.put("happened", &row["wheel"]).await?;
            self.put("label", &row["wheel"]).await?;
        }
        Some(())
    }

    async fn of_the_dispatcher(&mut self) -> Option<()> {
        for question in ["orders", "allocation"] {
            self.put(question, &()).await?;
        }
        for query in [
            json!({ "Open": 0 }),
            json!({ "Over": 0 }),
            json!({ "One": "PAGE1" }),
        ] {
            self.put("order-list", &query).await?;
        }
        for days in 0..4 {
            let day = (self.floor.now + TimeDelta::days(days)).date_naive();
            self.put("picks", &json!({ "day": day })).await?;
        }
        let wheels: Vec<Value> = self
            .wheels()
            .iter()
            .map(|row| row["wheel"].clone())
            .collect();
        let leaving = json!({
            "after_seq": 0, "order": "PAGE1", "customer": null, "market": null, "wheels": wheels,
        });
        self.put(station::LEAVING, &leaving).await?;
        Some(())
    }

    async fn of_the_forecaster(&mut self) -> Option<()> {
        let all = self.put("forecast", &json!({})).await?;
        for short in all.as_array()? {
            self.put("forecast", &json!({ "what": short["batch"] }))
                .await?;
        }
        for row in self.wheels().iter().step_by(40) {
            self.put("forecast", &json!({ "what": row["wheel"] }))
                .await?;
        }
        Some(())
    }

    async fn of_the_records(&mut self) -> Option<()> {
        for question in ["records", "holds"] {
            self.put(question, &()).await?;
        }
        let rows = self.wheels();
        let row = rows.iter().find(|row| row["batch"].is_string())?;
        let batch: BatchId = row["batch"].as_str()?.parse().unwrap();
        let wheel: WheelId = row["wheel"].as_str()?.parse().unwrap();
        let now = self.floor.now;
        let window = Window {
            from: now - TimeDelta::days(20),
            to: Some(now - TimeDelta::days(18)),
        };
        let (room, tool) = ("R1".parse().unwrap(), "PM1".parse().unwrap());
        for about in [
            Scope::Batch(batch),
            Scope::Wheels(vec![wheel]),
            Scope::Lot(format!("M{batch}").parse().unwrap()),
            Scope::Lot("CUL1".parse().unwrap()),
            Scope::Room { room, window },
            Scope::Tool { tool, window },
            Scope::Made(window),
        ] {
            for sideways in [false, true] {
                let query = json!({ "about": about, "sideways": sideways, "lost_after_days": 7 });
                self.put("recall", &query).await?;
            }
            for paper in [json!("Notices"), json!("Epcis"), json!({ "Batch": batch })] {
                let query = json!({ "about": about, "sideways": false, "paper": paper });
                self.put("papers", &query).await?;
            }
            self.put("known", &about).await?;
        }
        self.put("check-named", &"cleaning").await?;
        Some(())
    }
}

/// Fails when answers differ, and says which do.
///
/// # Panics
/// Then.
pub fn are_the_same(is: &BTreeMap<String, Value>, should: &BTreeMap<String, Value>, whose: &str) {
    let names: BTreeSet<&String> = is.keys().chain(should.keys()).collect();
    let names: Vec<&String> = names
        .into_iter()
        .filter(|n| is.get(*n) != should.get(*n))
        .collect();
    let mut shown = BTreeSet::new();
    for name in &names {
        println!("differs: {name}");
        let text = |answers: &BTreeMap<String, Value>| {
            format!("{:#}", answers.get(*name).unwrap_or(&Value::Null))
        };
        // Of each question, one answer line by line.
        if shown.insert(name.split(' ').next()) {
            let (is, should) = (text(is), text(should));
            let lines = is.lines().zip(should.lines()).filter(|(a, b)| a != b);
            for (is, should) in lines.take(12) {
                println!("    is     {is}\n    should {should}");
            }
        }
    }
    assert!(
        names.is_empty(),
        "{whose}: {} answers differ: {names:?}",
        names.len()
    );
}
