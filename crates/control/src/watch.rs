//! The live watch over portions: fed with facts, asked what people should be told.
//!
//! It keeps nothing that the floor does not know: who portioned what is read from the floor
//! that folded the same facts, so that late, repeated and voided facts count as they should.
//! Only what people have been told is its own, and must be stored with the floor
//! ([`Watch::told`], [`Watch::restore`]): then a restart tells nobody anything twice.

use std::collections::{BTreeMap, BTreeSet};

use chrono::{DateTime, Utc};
use facts::stored::instant;
use facts::{BatchId, Event, Fact, RecipeId, WheelId, stored_struct};
use quantity::DairyDay;
use ripening::{Floor, Severity, Step};
use serde::{Deserialize, Serialize};

use crate::gather::gathered;
use crate::{Finding, Lean, Monitor, Portion, Size, What, day_of_batch, rules_for};

/// The portions of a dairy day by one recipe and version.
type Key = (RecipeId, u32);

/// Looks on over a whole site.
#[derive(Debug)]
pub struct Watch {
    size: Size,
    /// The dairy day that the lines are of.
    day: Option<DairyDay>,
    lines: BTreeMap<Key, Line>,
    told: BTreeMap<Key, Told>,
    /// Vats with new portions.
    touched: BTreeSet<BatchId>,
    /// Something may have changed that no vat is named for.
    anything: bool,
}

/// A line of portions, and how far it has been judged.
#[derive(Debug)]
struct Line {
    batches: BTreeSet<BatchId>,
    judged: Vec<Portion>,
    monitor: Monitor,
}

/// What people were told and not yet told is over.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Told {
    /// The recipe.
    pub recipe: RecipeId,
    /// Its version.
    pub version: u32,
    /// The alert's name, the same from raised to cleared.
    pub alert: String,
    /// To which side the portions were off.
    pub lean: Lean,
    /// The vat that showed it.
    pub batch: BatchId,
    /// Since when.
    pub since: DateTime<Utc>,
}

/// A message to people. Its fields are those of every alert.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Notice {
    /// The alert's name, the same from raised to cleared.
    pub alert: String,
    /// What this message says of it.
    pub step: Step,
    /// How much it matters.
    pub severity: Severity,
    /// The kind of trouble.
    pub situation: &'static str,
    /// The vat.
    pub subject: About,
    /// One or two sentences for a chat.
    pub text: String,
    /// How many wheels it concerns.
    pub wheel_count: usize,
    /// The wheels.
    pub wheels: Vec<WheelId>,
    /// Since when.
    pub since: DateTime<Utc>,
}

/// A notice as it was told: enough to know that it was.
#[derive(Debug, Clone, PartialEq, Deserialize)]
pub struct Said {
    /// The alert's name.
    pub alert: String,
    /// What the message said of it.
    pub step: Step,
    /// The vat.
    pub subject: About,
    /// Since when.
    pub since: DateTime<Utc>,
}

/// What a notice is about.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum About {
    /// A vat.
    Batch(BatchId),
}

impl Notice {
    /// The message's own name: one a step, the same if it is made again.
    #[must_use]
    pub fn id(&self) -> String {
        format!("{}-{}", self.alert, self.step.as_str())
    }
}

impl Watch {
    /// Nothing was told yet.
    #[must_use]
    pub const fn new(size: Size) -> Self {
        Self {
            size,
            day: None,
            lines: BTreeMap::new(),
            told: BTreeMap::new(),
            touched: BTreeSet::new(),
            anything: false,
        }
    }

    /// Takes up what was stored.
    pub fn restore(&mut self, told: Vec<Told>) {
        let keyed = told.into_iter().map(|t| ((t.recipe, t.version), t));
        self.told = keyed.collect();
    }

    /// Takes up what people were told, as it was published, oldest first: for a floor that was
    /// folded anew. The floor must have folded the facts.
    pub fn recall(&mut self, said: &[Said], floor: &Floor) {
        self.told.clear();
        for said in said {
            let About::Batch(batch) = said.subject;
            if said.step == Step::Cleared {
                self.told.retain(|_, told| told.alert != said.alert);
            } else if let Some(recipe) = floor.recipe_of(batch) {
                let told = Told {
                    recipe: recipe.id,
                    version: recipe.version,
                    alert: said.alert.clone(),
                    lean: lean_of(&said.alert),
                    batch,
                    since: said.since,
                };
                self.told.insert((recipe.id, recipe.version), told);
            }
        }
    }

    /// What people were told and not yet told is over: to be stored with the floor.
    pub fn told(&self) -> impl Iterator<Item = &Told> {
        self.told.values()
    }

    /// Takes note of a fact that the floor has folded or is about to fold.
    pub fn fact(&mut self, fact: &Fact) {
        match &fact.event {
            Event::WheelPortioned(portioned) => {
                self.touched.insert(portioned.batch);
            }
            // A vat may go by another recipe now, or a portion may count no more.
            Event::VatStarted(_) | Event::VatRecipeChanged(_) | Event::Voided(_) => {
                self.anything = true;
            }
            _ => {}
        }
    }

    /// What people should be told now, as told. The floor must have folded the facts.
    pub fn tell(&mut self, floor: &Floor) -> Vec<Notice> {
        let today = floor.practice().clock.day_of(floor.now());
        let touched = std::mem::take(&mut self.touched);
        if std::mem::take(&mut self.anything) || self.day != Some(today) {
            self.open(floor, today);
        } else if !touched.is_empty() {
            self.join(floor, &touched, today);
        } else {
            return Vec::new();
        }
        let keys: BTreeSet<Key> = self.lines.keys().chain(self.told.keys()).copied().collect();
        keys.into_iter()
            .flat_map(|key| self.settle(floor, key))
            .collect()
    }

    /// Finds the lines of a day from the whole floor: once a day, and when it is not known
    /// what has changed.
    fn open(&mut self, floor: &Floor, day: DairyDay) {
        self.day = Some(day);
        self.lines.clear();
        let made = |batch: &BatchId| day_of_batch(floor, *batch) == Some(day);
        let batches = floor.batches().map(|(id, _)| *id).filter(made).collect();
        self.join(floor, &batches, day);
    }

    /// Judges what has come to some vats.
    fn join(&mut self, floor: &Floor, batches: &BTreeSet<BatchId>, day: DairyDay) {
        let mut changed: BTreeSet<Key> = BTreeSet::new();
        for batch in batches {
            let Some(recipe) = floor.recipe_of(*batch) else {
                continue;
            };
            if day_of_batch(floor, *batch) != Some(day) {
                continue;
            }
            let key = (recipe.id, recipe.version);
            let line = self.lines.entry(key).or_insert_with(|| Line {
                batches: BTreeSet::new(),
                judged: Vec::new(),
                monitor: Monitor::new(rules_for(floor, recipe, day, self.size)),
            });
            line.batches.insert(*batch);
            changed.insert(key);
        }
        for key in changed {
            if let Some(line) = self.lines.get_mut(&key) {
                line.judge(floor);
            }
        }
    }

    /// What has changed for one line since people were told.
    fn settle(&mut self, floor: &Floor, key: Key) -> Vec<Notice> {
        let line = self.lines.get(&key);
        let standing = line.and_then(|line| line.monitor.standing().copied());
        let told = self.told.get(&key);
        let same = |told: &Told| standing.is_some_and(|now| now.what.lean() == told.lean);
        if told.is_some_and(same) {
            return Vec::new();
        }
        let over = told.map(|told| {
            let why = match (line, standing) {
                (None, _) => "the day's portioning is over",
                (Some(_), None) => "portions are back on the aim",
                (Some(_), Some(_)) => "portions are now off in another way",
            };
            told.over(why)
        });
        let raised = line.zip(standing).map(|(line, now)| {
            let (recipe, version) = key;
            let told = Told {
                recipe,
                version,
                alert: name(&now),
                lean: now.what.lean(),
                batch: now.batch,
                since: now.since,
            };
            (told.raised(&now, line, floor), told)
        });
        self.told.remove(&key);
        let raised = raised.map(|(notice, told)| {
            self.told.insert(key, told);
            notice
        });
        over.into_iter().chain(raised).collect()
    }
}

impl Line {
    /// Goes on where it stopped, or from the start when what was judged has changed.
    fn judge(&mut self, floor: &Floor) {
        let portions = gathered(floor, self.batches.iter().copied());
        if !portions.starts_with(&self.judged) {
            self.monitor = Monitor::new(*self.monitor.rules());
            self.judged.clear();
        }
        for portion in &portions[self.judged.len()..] {
            self.monitor.push(*portion);
        }
        self.judged = portions;
    }
}

impl Told {
    fn over(&self, why: &str) -> Notice {
        Notice {
            alert: self.alert.clone(),
            step: Step::Cleared,
            severity: Severity::Notice,
            situation: SITUATION,
            subject: About::Batch(self.batch),
            text: format!("Vat {}: {why}", self.batch),
            wheel_count: 0,
            wheels: Vec::new(),
            since: self.since,
        }
    }

    fn raised(&self, finding: &Finding, line: &Line, floor: &Floor) -> Notice {
        let clock = &floor.practice().clock;
        let concerned = |p: &&Portion| finding.since <= p.at && p.at <= finding.at;
        let wheels = line.judged.iter().filter(concerned).map(|p| p.wheel);
        let wheels: Vec<WheelId> = wheels.collect();
        Notice {
            alert: self.alert.clone(),
            step: Step::Raised,
            severity: Severity::Warning,
            situation: SITUATION,
            subject: About::Batch(self.batch),
            text: format!(
                "Vat {}: {}. {}",
                self.batch,
                finding.says(clock),
                finding.advice(line.monitor.rules())
            ),
            wheel_count: wheels.len(),
            wheels: wheels.into_iter().take(NAMED).collect(),
            since: self.since,
        }
    }
}

/// The kind of trouble, as alerts name it.
const SITUATION: &str = "portions_off";

/// How many wheels a notice names.
const NAMED: usize = 50;

/// To which side, by the name that [`name`] gives.
fn lean_of(alert: &str) -> Lean {
    match alert.split('-').next() {
        Some("PortionsHeavy") => Lean::High,
        Some("PortionsLight") => Lean::Low,
        _ => Lean::Neither,
    }
}

/// The same whenever the same finding is made again from the same facts.
fn name(finding: &Finding) -> String {
    let kind = match finding.what {
        What::Apart { .. } => "Apart",
        _ if finding.what.lean() == Lean::High => "Heavy",
        _ => "Light",
    };
    let (batch, at) = (finding.batch, finding.at.timestamp());
    format!("Portions{kind}-batch-{batch}-{at}")
}

stored_struct!(Told {
    recipe,
    version,
    alert,
    lean,
    batch,
    since via instant,
});
