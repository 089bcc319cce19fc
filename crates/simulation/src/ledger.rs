//! What people were told, kept apart from everything that could forget it.

use std::collections::{BTreeMap, BTreeSet};

use facts::{Fact, FactId, PersonId};
use ripening::{Alert, Situation, Step, Subject};

use crate::Failure;

/// What people were told.
#[derive(Debug, Default)]
pub(crate) struct Ledger {
    /// Facts of which somebody heard that they are stored.
    pub(crate) promised: BTreeSet<FactId>,
    /// Those of them that were not seen in the log yet.
    pub(crate) open: BTreeSet<FactId>,
    /// Scans that were refused for good.
    refused: BTreeSet<u64>,
    /// Scans that recorded something.
    recorded: BTreeSet<u64>,
    /// Alerts that were raised and are not over, by what and where: the name, and how bad.
    pub(crate) alarms: BTreeMap<(Situation, Subject), (String, Step)>,
    /// Every message about an alert, by its own name.
    heard: BTreeSet<String>,
}

impl Ledger {
    pub(crate) fn promise(&mut self, facts: &[FactId]) {
        for fact in facts {
            if self.promised.insert(*fact) {
                self.open.insert(*fact);
            }
        }
    }

    pub(crate) fn refuse(&mut self, scan: u64) {
        self.refused.insert(scan);
    }

    /// A scan of a device that numbers its scans has recorded facts.
    pub(crate) fn recorded(
        &mut self,
        scan: u64,
        facts: &[Fact],
        by: PersonId,
    ) -> Result<(), Failure> {
        if facts.is_empty() {
            return Ok(());
        }
        if self.refused.contains(&scan) {
            return Err(Failure::new(format!(
                "what was refused stays refused: scan {scan} was refused and has now recorded {}",
                facts[0].event.ty()
            )));
        }
        if !self.recorded.insert(scan) {
            return Err(Failure::new(format!(
                "exactly once: scan {scan} has recorded a second {}",
                facts[0].event.ty()
            )));
        }
        match facts.iter().find(|fact| fact.person != Some(by)) {
            Some(fact) => Err(Failure::new(format!(
                "who did it: {by} scanned, and {:?} is in the fact",
                fact.person
            ))),
            None => Ok(()),
        }
    }

    /// Somebody is told of an alert.
    pub(crate) fn hear(&mut self, alert: &Alert) -> Result<(), Failure> {
        let fail = |what: &str| {
            Err(Failure::new(format!(
                "nobody is told twice: {what}: {} {:?}",
                alert.id(),
                alert.text
            )))
        };
        // Made and published again after a crash: the notifier knows by its name what it has
        // delivered.
        if !self.heard.insert(alert.id()) {
            return Ok(());
        }
        let key = (alert.situation, alert.subject);
        let open = self.alarms.get(&key);
        match (alert.step, open) {
            (Step::Cleared, None) => return fail("over, and nobody was told that it began"),
            (Step::Raised, Some(_)) => return fail("raised, and it was raised already"),
            (_, Some((name, _))) if *name != alert.alert => {
                return fail("the same trouble under another name");
            }
            (Step::Escalated, Some((_, Step::Escalated))) => return fail("worse, as told already"),
            _ => {}
        }
        if alert.step == Step::Cleared {
            self.alarms.remove(&key);
        } else {
            self.alarms.insert(key, (alert.alert.clone(), alert.step));
        }
        Ok(())
    }
}
