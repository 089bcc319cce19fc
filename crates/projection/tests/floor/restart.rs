//! A restart is a rebuild: whatever happens, and wherever the scheduler is stopped or killed,
//! every answer is that of one that folded the log anew, and a rebuild tells nobody anything
//! a second time.

use std::collections::BTreeSet;

use chrono::{DateTime, TimeDelta, Utc};
use facts::{Event, Fact, Voided};
use projection::floor;
use projection::{Batch, Store};
use proptest::prelude::*;
use ripening::{Alert, Floor, Folding, Step, alert, answer};
use ripening::{Needs, Practice};

use crate::drawn::{any_event, id, start};
use crate::story::{self, seen};
use crate::{load, open};

/// A site at which whatever has left is closed by the next day.
fn practice() -> Practice {
    Practice {
        closed_after_days: 1,
        ..story::practice()
    }
}

/// Handhelds take back what keeps nobody safe; what is stated at the pages, managers do.
const STATIONS: [&str; 5] = ["st-0", "st-1", "gateway", "st-2", "office-1"];

/// What happens to a scheduler between two facts.
#[derive(Debug, Clone, Copy)]
enum Then {
    Nothing,
    /// It looks at the clock, so many hours later, tells and writes.
    Looks(u8),
    /// It is stopped: it writes, and starts again.
    Stops,
    /// It is killed: what it has not written is gone.
    Killed,
    /// Its disk is lost: it folds the log anew.
    Rebuilt,
}

fn any_life() -> impl Strategy<Value = Vec<(Fact, Then)>> {
    let then = prop_oneof![
        4 => Just(Then::Nothing),
        4 => (1u8..30).prop_map(Then::Looks),
        1 => Just(Then::Stops),
        1 => Just(Then::Killed),
        1 => Just(Then::Rebuilt),
    ];
    let voids = prop::option::weighted(0.15, any::<prop::sample::Index>());
    // Some facts come late.
    let stated = (any_event(), 0i64..20, 0i64..72, voids, then);
    prop::collection::vec(stated, 1..50).prop_map(|stated| {
        let mut at = start();
        let count = stated.len();
        let stated = stated.into_iter().enumerate();
        let facts = stated.map(|(n, (event, hours, late, voids, then))| {
            at += TimeDelta::hours(hours);
            let event = match voids.map(|target| target.index(count)) {
                Some(target) if target < n => Event::Voided(Voided {
                    fact: id(target),
                    reason: "wrong".into(),
                }),
                _ => event,
            };
            let fact = Fact {
                id: id(n),
                site: "testdairy".parse().unwrap(),
                station: STATIONS[n % STATIONS.len()].parse().unwrap(),
                // A number is left out now and then.
                station_seq: (n / STATIONS.len()) as u64 + 1 + u64::from(late > 60),
                person: (n % 4 > 0).then(|| "09".parse().unwrap()),
                occurred_at: at - TimeDelta::hours(late % 24),
                claimed_at: None,
                recorded_at: at,
                event,
            };
            (fact, then)
        });
        facts.collect()
    })
}

/// A scheduler in miniature: what it folds, where it writes, what it has published.
struct Scheduler {
    store: Option<Store>,
    folder: tempfile::TempDir,
    folding: Folding,
    position: usize,
    now: DateTime<Utc>,
    published: Vec<Alert>,
}

impl Scheduler {
    fn new() -> Self {
        let folder = tempfile::tempdir().unwrap();
        let store = open(folder.path()).unwrap();
        Self {
            folding: load(&store, practice()).unwrap().floor,
            store: Some(store),
            folder,
            position: 0,
            now: start(),
            published: Vec::new(),
        }
    }

    fn store(&self) -> &Store {
        self.store.as_ref().unwrap()
    }

    /// Folds what the log has, looks at the clock, writes state and what to tell, tells it.
    fn looks(&mut self, log: &[Fact]) {
        for fact in &log[self.position..] {
            let store = self.store.as_ref().unwrap();
            floor::bring_back_for(store, &mut self.folding, fact).unwrap();
            self.folding.apply(fact);
        }
        self.position = log.len();
        let floor = self.folding.refresh(self.now);
        let told = floor.tell();
        let mut batch = Batch::default();
        floor::write_keeping(&mut batch, floor, 0).unwrap();
        batch.position(&(self.position as u64)).unwrap();
        self.store().write(&batch).unwrap();
        self.published.extend(told);
    }

    /// Starts from what is written.
    fn starts(&mut self) {
        self.store = None;
        let store = open(self.folder.path()).unwrap();
        let loaded = load(&store, practice()).unwrap();
        self.folding = loaded.floor;
        self.position = usize::try_from(loaded.position.unwrap_or(0)).unwrap();
        if loaded.position.is_none() {
            self.recalls();
        }
        self.store = Some(store);
    }

    /// Takes up what it told in an earlier life.
    fn recalls(&mut self) {
        let (open, over) = alert::recall(&self.published);
        self.folding.restore_told(open, over);
    }

    fn rebuilt(&mut self) {
        self.store().empty().unwrap();
        self.starts();
    }

    /// What there is to see of the floor while what is closed is away.
    fn glance(&self) -> String {
        of_today(self.folding.floor().unwrap())
    }

    /// The floor with everything that was put away.
    fn whole(&mut self) -> &Floor {
        let store = self.store.as_ref().unwrap();
        let needs = Needs {
            wheels: floor::closed_wheels_after(store, None, usize::MAX).unwrap(),
            ..Needs::default()
        };
        floor::bring_back(store, &mut self.folding, &needs).unwrap();
        self.folding.refresh(self.now)
    }
}

/// Everything that can be asked, and what people know of.
fn everything(floor: &Floor) -> String {
    let open: Vec<_> = floor.open_alerts().map(|o| (o.name(), o.level)).collect();
    let missing: Vec<_> = floor.stations().collect();
    format!(
        "{}\n{:#?}\n{open:#?}\n{missing:#?}",
        seen(floor),
        answer::census(floor)
    )
}

/// What people look at all day.
fn of_today(floor: &Floor) -> String {
    let open: Vec<_> = floor.open_alerts().map(|o| (o.name(), o.level)).collect();
    let due = answer::due(floor, &answer::DueQuery::default());
    format!("{:#?}\n{due:#?}\n{open:#?}", answer::floor(floor, &[]))
}

/// The first lines in which two answers differ.
fn differ(is: &str, was: &str) -> Option<String> {
    let same = is.lines().zip(was.lines());
    let same = same.take_while(|(is, was)| is == was).count();
    let from = same.saturating_sub(12);
    let part = |text: &str| {
        text.lines()
            .skip(from)
            .take(24)
            .collect::<Vec<_>>()
            .join("\n")
    };
    (is != was).then(|| format!("\n{}\n--- was ---\n{}", part(is), part(was)))
}

proptest! {
    #![proptest_config(ProptestConfig {
        cases: std::env::var("PROPTEST_CASES").ok().and_then(|n| n.parse().ok()).unwrap_or(96),
        ..ProptestConfig::default()
    })]

    #[test]
    fn every_answer_after_any_stop_kill_or_loss_is_that_of_a_rebuild_which_tells_nothing_again(
        life in any_life(),
    ) {
        let mut scheduler = Scheduler::new();
        let mut log = Vec::new();
        for (fact, then) in life {
            scheduler.now = scheduler.now.max(fact.recorded_at);
            log.push(fact);
            match then {
                Then::Nothing => {}
                Then::Looks(hours) => {
                    scheduler.now += TimeDelta::hours(hours.into());
                    scheduler.looks(&log);
                }
                Then::Stops => {
                    scheduler.looks(&log);
                    scheduler.starts();
                }
                Then::Killed => scheduler.starts(),
                Then::Rebuilt => scheduler.rebuilt(),
            }
        }
        scheduler.looks(&log);
        scheduler.starts();
        scheduler.looks(&log);
        let glance = scheduler.glance();
        let survived = everything(scheduler.whole());

        // Nobody was told a thing twice.
        let ids: Vec<String> = scheduler.published.iter().map(Alert::id).collect();
        let once: BTreeSet<&String> = ids.iter().collect();
        prop_assert_eq!(once.len(), ids.len(), "{:#?}", ids);

        // A rebuild tells nothing, and answers the same.
        scheduler.rebuilt();
        scheduler.looks(&log);
        prop_assert_eq!(scheduler.published.len(), ids.len());
        prop_assert_eq!(differ(&everything(scheduler.whole()), &survived), None);

        // Also one that never was on a disk, and looks at the clock but once.
        let mut plain = Folding::new(practice());
        log.iter().for_each(|fact| plain.apply(fact));
        let (open, over) = alert::recall(&scheduler.published);
        plain.restore_told(open, over);
        let floor = plain.refresh(scheduler.now);
        prop_assert!(floor.tell().is_empty());
        prop_assert_eq!(differ(&everything(floor), &survived), None);
        // What stands on the floor is the same whether what is closed was put away or not.
        prop_assert_eq!(differ(&of_today(floor), &glance), None);
    }

    // Names of what is told are made of facts and rules alone: whoever looks from nothing at
    // the same facts and the same time tells the same names.
    #[test]
    fn what_is_told_goes_by_the_same_name_for_whoever_looks(life in any_life(), more in 0u8..60) {
        let told = |looks: bool| {
            let mut folding = Folding::new(practice());
            let mut now = start();
            for (fact, _) in &life {
                folding.apply(fact);
                now = now.max(fact.recorded_at);
                if looks {
                    folding.refresh(now);
                }
            }
            let floor = folding.refresh(now + TimeDelta::hours(more.into()));
            let told = floor.tell().into_iter().filter(|alert| alert.step != Step::Cleared);
            told.map(|alert| alert.id()).collect::<BTreeSet<_>>()
        };
        prop_assert_eq!(told(true), told(false));
    }
}

/// The `n`th fact of a station, stated as it happened.
fn stated(station: &str, n: usize, at: DateTime<Utc>, event: Event) -> Fact {
    Fact {
        id: id(n),
        site: "testdairy".parse().unwrap(),
        station: station.parse().unwrap(),
        station_seq: n as u64,
        person: None,
        occurred_at: at,
        claimed_at: None,
        recorded_at: at,
        event,
    }
}

#[test]
fn a_batch_that_left_is_away_after_a_restart_and_comes_back_with_what_went_into_it() {
    let wheel: facts::WheelId = "318-01".parse().unwrap();
    let fact = |n, days, event| stated("here", n, start() + TimeDelta::days(days), event);
    let portioned = |wheel: &str, batch: &str| facts::WheelPortioned {
        wheel: wheel.parse().unwrap(),
        batch: batch.parse().unwrap(),
        weight_g: quantity::Grams::new(4_000).unwrap(),
        scale: None,
        tare_g: None,
        mixer: None,
    };
    let left = facts::WheelDispatched {
        wheels: vec![wheel, "317-01".parse().unwrap()],
        via: None,
        order: None,
        market: None,
        sale: None,
    };
    let reworked = facts::VatReworked {
        batch: "318".parse().unwrap(),
        from: facts::ReworkSource::Batch("317".parse().unwrap()),
        weight_g: quantity::Grams::new(2_000).unwrap(),
    };
    let log = [
        fact(1, 0, portioned("317-01", "317").into()),
        fact(2, 1, reworked.into()),
        fact(3, 1, portioned("318-01", "318").into()),
        fact(4, 2, left.into()),
    ];
    let mut scheduler = Scheduler::new();
    scheduler.now = start() + TimeDelta::days(4);
    scheduler.looks(&log);
    scheduler.starts();
    let floor = scheduler.folding.refresh(scheduler.now);
    assert_eq!((floor.wheels().count(), floor.away().len()), (0, 2));
    let needs = Needs {
        wheels: vec![wheel],
        ..Needs::default()
    };
    let store = scheduler.store.as_ref().unwrap();
    floor::bring_back(store, &mut scheduler.folding, &needs).unwrap();
    let floor = scheduler.folding.refresh(scheduler.now);
    // A hold over the curd of the one is a hold over the other.
    assert_eq!((floor.wheels().count(), floor.away().len()), (2, 0));
    let survived = everything(scheduler.whole());
    scheduler.rebuilt();
    scheduler.looks(&log);
    assert_eq!(differ(&everything(scheduler.whole()), &survived), None);
}

#[test]
fn an_alarm_that_was_over_by_mistake_is_told_again_when_the_mistake_is_voided() {
    let fact = |n, hours, event| stated("pierce", n, start() + TimeDelta::hours(hours), event);
    let needles = |counted| {
        Event::from(facts::ToolChecked {
            tool: "PM1".parse().unwrap(),
            check: facts::ToolCheck::Needles {
                expected: 48,
                counted,
            },
        })
    };
    let wrong = Voided {
        fact: id(2),
        reason: "counted another machine's".into(),
    };
    let log = [
        fact(1, 0, needles(47)),
        fact(2, 1, needles(48)),
        fact(3, 2, wrong.into()),
    ];
    let mut scheduler = Scheduler::new();
    for n in 1..=log.len() {
        scheduler.now = log[n - 1].recorded_at;
        scheduler.looks(&log[..n]);
    }
    scheduler.rebuilt();
    scheduler.looks(&log);
    let ids: Vec<_> = scheduler.published.iter().map(Alert::id).collect();
    let name = format!("CheckFailed-PM1-{}", start().timestamp());
    let again = format!("{name}-again-2-raised");
    assert_eq!(
        ids,
        [format!("{name}-raised"), format!("{name}-cleared"), again]
    );
}

#[test]
fn a_store_of_a_build_that_passed_facts_over_knows_which_and_their_numbers_have_arrived() {
    let turned = |n: u64, ty: &str| {
        let line = format!(
            r#"{{"specversion":"1.0","id":"0190b6b0-0000-7000-8000-{n:012x}","source":"/sites/testdairy/stations/drain","type":"{ty}","time":"2026-02-02T06:00:00Z","sequence":"{n}","data":{{"wheels":["318-01"],"via":null}}}}"#
        );
        facts::wire::from_line(&line).unwrap()
    };
    let log = [
        turned(1, "floor.wheel.turned.v1"),
        turned(2, "floor.wheel.sung_to.v1"),
        turned(3, "floor.wheel.turned.v1"),
    ];
    let fold = |folding: &mut Folding, known: bool| {
        for (position, read) in (1..).zip(&log) {
            match read {
                facts::wire::Read::Fact(fact) => folding.apply(fact),
                // What the next release makes of it.
                facts::wire::Read::UnknownType(_) if known => {
                    let facts::wire::Read::Fact(fact) = turned(2, "floor.wheel.turned.v1") else {
                        panic!("a turn");
                    };
                    folding.apply(&fact);
                }
                facts::wire::Read::UnknownType(unknown) => folding.pass(position, unknown),
            }
        }
    };
    let folder = tempfile::tempdir().unwrap();
    let store = open(folder.path()).unwrap();
    let mut old = Folding::new(practice());
    fold(&mut old, false);
    let floor = old.refresh(start());
    let missing: u64 = floor.stations().map(|(_, log)| log.missing_count()).sum();
    assert_eq!(missing, 0, "it has arrived, and is not understood");
    store
        .write(&floor::batch(floor, &3_u64, 1, &[]).unwrap())
        .unwrap();

    // The next release finds what was passed over, and folds the log anew.
    let loaded = load(&store, practice()).unwrap().floor;
    let gaps: Vec<_> = loaded
        .gaps()
        .map(|(ty, gap)| (ty.to_owned(), gap.first, gap.count))
        .collect();
    assert_eq!(gaps, [("floor.wheel.sung_to.v1".to_owned(), 2, 1)]);
    let mut new = Folding::new(practice());
    fold(&mut new, true);
    let turns = |floor: &Floor| {
        floor
            .wheel("318-01".parse().unwrap())
            .unwrap()
            .state()
            .turns
    };
    assert_eq!(turns(new.refresh(start())), 3);

    // Back to the old release, on the new one's store: what is in it stands, what comes of the
    // new type is passed over, and no number is missed.
    store.empty().unwrap();
    let batch = floor::batch(new.floor_mut().unwrap(), &3_u64, 1, &[]);
    store.write(&batch.unwrap()).unwrap();
    let mut rolled_back = load(&store, practice()).unwrap().floor;
    fold(&mut rolled_back, false);
    let floor = rolled_back.refresh(start());
    assert_eq!(turns(floor), 3);
    let missing: u64 = floor.stations().map(|(_, log)| log.missing_count()).sum();
    assert_eq!(missing, 0);
}

#[test]
fn under_a_site_file_that_says_otherwise_of_what_is_closed_the_log_is_folded_anew() {
    let folder = tempfile::tempdir().unwrap();
    let position = |practice: &Practice| {
        let mut opened = floor::open::<u64, ()>(folder.path(), practice, |_| Ok(())).unwrap();
        let floor = opened.floor.refresh(start());
        let batch = floor::batch(floor, &7_u64, 1, &[]).unwrap();
        opened.store.write(&batch).unwrap();
        opened.position
    };
    let same = practice();
    assert_eq!(position(&same), None);
    assert_eq!(position(&same), Some(7));
    let others = [
        Practice {
            closed_after_days: 90,
            ..practice()
        },
        story::practice_in(chrono_tz::Pacific::Auckland),
    ];
    for other in others {
        assert_eq!(position(&other), None);
        assert_eq!(position(&other), Some(7));
    }
}
