//! A restart is a rebuild: whatever happens, and wherever the scheduler is stopped or killed,
//! every answer is that of one that folded the log anew, and a rebuild tells nobody anything
//! a second time.

use std::collections::BTreeSet;

use chrono::{DateTime, TimeDelta, Utc};
use facts::{Carrier, Event, ExpectedOn, Fact, FactId, ForecastTold, Voided, WheelId};
use proptest::prelude::*;
use quantity::{Celsius, Grams, Litres, Percent, Ppm};
use ripening::{Alert, Floor, Folding, Step, alert, answer};
use store::{Batch, Store};

use crate::story::{practice, seen};

fn start() -> DateTime<Utc> {
    "2026-02-02T06:00:00Z".parse().unwrap()
}

fn day(n: u64) -> chrono::NaiveDate {
    start().date_naive() + chrono::Days::new(n)
}

/// Few things, so that facts meet, collide and contradict; every kind of fact that a floor,
/// an order or a laboratory states, with fields left out and filled.
fn any_event() -> impl Strategy<Value = Event> {
    let wheel = || (1u8..5).prop_map(|n| format!("318-{n:02}").parse::<WheelId>().unwrap());
    let wheels = || prop::collection::vec(wheel(), 1..4);
    let via = || {
        (0u8..3)
            .prop_map(|n| (n > 0).then(|| Carrier::Stillage(format!("S{n:02}").parse().unwrap())))
    };
    let percent = || (0u8..=100).prop_map(|n| Percent::new(n.into()).unwrap());
    let room = || (1u8..4).prop_map(|n| format!("R{n}").parse::<facts::RoomId>().unwrap());
    let hold = || (1u8..3).prop_map(|n| format!("Q{n}").parse::<facts::HoldId>().unwrap());
    let on = |n: u64| ExpectedOn {
        day: day(n),
        from: day(n - n % 3),
        until: day(n + n % 5),
    };
    let wheel_facts = prop_oneof![
        (wheel(), 317u16..319).prop_map(|(wheel, batch)| facts::WheelPortioned {
            wheel,
            batch: batch.to_string().parse().unwrap(),
            weight_g: Grams::new(10_000).unwrap(),
            scale: None,
            tare_g: None,
            mixer: None,
        }
        .into()),
        (wheel(), 1u8..4, any::<bool>()).prop_map(|(wheel, n, stack)| facts::WheelHooped {
            wheel,
            hoop: format!("H{n}").parse().unwrap(),
            stack: stack.then(|| "K1".parse().unwrap()),
        }
        .into()),
        (wheels(), via()).prop_map(|(wheels, via)| facts::WheelTurned { wheels, via }.into()),
        wheels().prop_map(|wheels| facts::WheelUnhooped { wheels, via: None }.into()),
        wheels().prop_map(|wheels| facts::WheelRubbedUp { wheels, via: None }.into()),
        (wheels(), 1u8..3).prop_map(|(wheels, n)| facts::WheelLoaded {
            wheels,
            stillage: format!("S{n:02}").parse().unwrap(),
        }
        .into()),
        (wheels(), room(), via()).prop_map(|(wheels, room, via)| facts::WheelMoved {
            wheels,
            via,
            room,
            position: None,
        }
        .into()),
        (wheels(), percent()).prop_map(|(wheels, cover_pct)| facts::RindObserved {
            wheels,
            via: None,
            cover_pct,
        }
        .into()),
        wheels().prop_map(|wheels| facts::WheelPierced {
            wheels,
            via: None,
            machine: "PM1".parse().unwrap(),
        }
        .into()),
        (wheel(), percent(), any::<bool>()).prop_map(|(wheel, blue_coverage_pct, noted)| {
            facts::WheelIroned {
                wheel,
                blue_coverage_pct,
                iron: None,
                note: noted.then(String::new),
            }
            .into()
        }),
        wheels().prop_map(|wheels| facts::WheelGraded {
            wheels,
            via: None,
            grade: facts::Grade::B,
        }
        .into()),
        (wheel(), 8_000u32..11_000).prop_map(|(wheel, grams)| facts::WheelWeighed {
            wheel,
            weight_g: Grams::new(grams).unwrap(),
            scale: None,
            tare_g: None,
        }
        .into()),
    ];
    let safety = prop_oneof![
        (wheels(), hold()).prop_map(|(wheels, hold)| facts::WheelHeld {
            wheels,
            hold,
            reason: "swab".into(),
        }
        .into()),
        (wheels(), hold()).prop_map(|(wheels, hold)| facts::WheelReleased {
            wheels,
            hold,
            reason: "clean".into(),
        }
        .into()),
        (46u32..49).prop_map(|counted| facts::ToolChecked {
            tool: "PM1".parse().unwrap(),
            check: facts::ToolCheck::Needles {
                expected: 48,
                counted
            },
        }
        .into()),
        any::<bool>().prop_map(|whole| facts::ToolChecked {
            tool: "I1".parse().unwrap(),
            check: facts::ToolCheck::Iron { whole },
        }
        .into()),
        wheels().prop_map(|wheels| facts::LabSampled {
            sample: "L1".parse().unwrap(),
            batch: None,
            wheels,
            test: "listeria".into(),
            plan: None,
            scope: None,
            taken_g: None,
        }
        .into()),
        (room(), 0u8..25).prop_map(|(room, t)| facts::RoomClimateRead {
            room,
            sensor: None,
            temperature_c: Celsius::new(t.into()).unwrap(),
            humidity_pct: None,
            co2_ppm: None,
            nh3_ppm: None,
        }
        .into()),
        (room(), 0u16..50_000).prop_map(|(room, ppm)| facts::RoomGasRead {
            room,
            sensor: None,
            co2_ppm: Ppm::new(ppm.into()).ok(),
            nh3_ppm: None,
        }
        .into()),
    ];
    let office = prop_oneof![
        (
            317u16..319,
            room(),
            0u64..90,
            prop::collection::vec(wheel(), 0..3)
        )
            .prop_map(move |(batch, room, n, worth_ironing)| ForecastTold {
                batch: batch.to_string().parse().unwrap(),
                cover_pct: (n % 3 == 0).then(|| Percent::new(60.0).unwrap()),
                covered: (n % 2 == 0).then(|| on(n)),
                leaves: Some(room),
                moved_on: Some(on(n)),
                ready: on(n),
                rind_looks: 1,
                cores: 0,
                learnt_from: 0,
                worth_ironing,
            }
            .into()),
        (1u32..4).prop_map(|recipe_version| facts::VatRecipeChanged {
            batch: "318".parse().unwrap(),
            recipe: "practice-blue".parse().unwrap(),
            recipe_version,
            reason: "too dry".into(),
        }
        .into()),
        any::<bool>().prop_map(|lots| facts::VatStarted {
            batch: "318".parse().unwrap(),
            vat: "V1".parse().unwrap(),
            recipe: "practice-blue".parse().unwrap(),
            recipe_version: 1,
            milk_l: Litres::new(500.0).unwrap(),
            milk_lots: if lots {
                vec!["M1".parse().unwrap()]
            } else {
                Vec::new()
            },
        }
        .into()),
        wheels().prop_map(|wheels| facts::WheelAllocated {
            wheels,
            order: "A1".parse().unwrap(),
        }
        .into()),
        (wheels(), any::<bool>()).prop_map(|(wheels, order)| facts::WheelDispatched {
            wheels,
            via: None,
            order: order.then(|| "A1".parse().unwrap()),
            market: None,
            sale: None,
        }
        .into()),
        wheels().prop_map(|wheels| facts::WheelReturned {
            wheels,
            reason: "late".into()
        }
        .into()),
        wheels().prop_map(|wheels| facts::WheelDiscarded {
            wheels,
            reason: "fell".into()
        }
        .into()),
    ];
    prop_oneof![4 => wheel_facts, 3 => safety, 2 => office]
}

fn id(n: usize) -> FactId {
    FactId::from_uuid(format!("0190b6b0-0000-7000-8000-{n:012x}").parse().unwrap())
}

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
                station: format!("st-{}", n % 3).parse().unwrap(),
                // A number is left out now and then.
                station_seq: n as u64 / 3 + 1 + u64::from(late > 60),
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
        let store = Store::open(folder.path()).unwrap();
        Self {
            folding: store.load::<u64>(practice()).unwrap().floor,
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
            self.folding.apply(fact);
        }
        self.position = log.len();
        let floor = self.folding.refresh(self.now);
        let told = floor.tell();
        let batch = Batch::of(floor, &(self.position as u64), 1, &[]).unwrap();
        self.store().write(&batch).unwrap();
        self.published.extend(told);
    }

    /// Starts from what is written.
    fn starts(&mut self) {
        self.store = None;
        // sled lets go of its lock a moment after it was dropped.
        let store = loop {
            match Store::open(self.folder.path()) {
                Err(store::StoreError::InUse(_)) => std::thread::yield_now(),
                opened => break opened.unwrap(),
            }
        };
        let loaded = store.load::<u64>(practice()).unwrap();
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

    fn floor(&self) -> &Floor {
        self.folding.floor().unwrap()
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
        let survived = everything(scheduler.floor());

        // Nobody was told a thing twice.
        let ids: Vec<String> = scheduler.published.iter().map(Alert::id).collect();
        let once: BTreeSet<&String> = ids.iter().collect();
        prop_assert_eq!(once.len(), ids.len(), "{:#?}", ids);

        // A rebuild tells nothing, and answers the same.
        scheduler.rebuilt();
        scheduler.looks(&log);
        prop_assert_eq!(scheduler.published.len(), ids.len());
        prop_assert_eq!(everything(scheduler.floor()), survived.clone());

        // Also one that never was on a disk, and looks at the clock but once.
        let mut plain = Folding::new(practice());
        log.iter().for_each(|fact| plain.apply(fact));
        let (open, over) = alert::recall(&scheduler.published);
        plain.restore_told(open, over);
        let floor = plain.refresh(scheduler.now);
        prop_assert!(floor.tell().is_empty());
        prop_assert_eq!(everything(floor), survived);
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

#[test]
fn an_alarm_that_was_over_by_mistake_is_told_again_when_the_mistake_is_voided() {
    let fact = |n: usize, hours: i64, event: Event| Fact {
        id: id(n),
        site: "testdairy".parse().unwrap(),
        station: "pierce".parse().unwrap(),
        station_seq: n as u64,
        person: None,
        occurred_at: start() + TimeDelta::hours(hours),
        claimed_at: None,
        recorded_at: start() + TimeDelta::hours(hours),
        event,
    };
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
    let store = Store::open(folder.path()).unwrap();
    let mut old = Folding::new(practice());
    fold(&mut old, false);
    let floor = old.refresh(start());
    let missing: u64 = floor.stations().map(|(_, log)| log.missing_count()).sum();
    assert_eq!(missing, 0, "it has arrived, and is not understood");
    store
        .write(&Batch::of(floor, &3_u64, 1, &[]).unwrap())
        .unwrap();

    // The next release finds what was passed over, and folds the log anew.
    let loaded = store.load::<u64>(practice()).unwrap().floor;
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
    let batch = Batch::of(new.floor_mut().unwrap(), &3_u64, 1, &[]);
    store.write(&batch.unwrap()).unwrap();
    let mut rolled_back = store.load::<u64>(practice()).unwrap().floor;
    fold(&mut rolled_back, false);
    let floor = rolled_back.refresh(start());
    assert_eq!(turns(floor), 3);
    let missing: u64 = floor.stations().map(|(_, log)| log.missing_count()).sum();
    assert_eq!(missing, 0);
}
