//! A slow and plain reader of scans, which knows nothing of the simulation but the codes.

use std::collections::{BTreeMap, BTreeSet};

use chrono::{DateTime, NaiveDate, NaiveTime, Utc};
use floor_sim::{Doing, What};
use quantity::DairyClock;

/// What the reader has gathered about one wheel.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Wheel {
    pub hoop: Option<String>,
    pub stack: Option<String>,
    pub stillage: Option<String>,
    pub room: Option<String>,
    pub turns: Vec<DateTime<Utc>>,
    pub pierced: bool,
    pub grade: Option<String>,
    pub holds: BTreeSet<String>,
    pub dispatched: bool,
    pub discarded: bool,
    pub grams: u32,
}

/// What the reader makes of one station's scans.
#[derive(Debug, Default)]
struct Desk {
    person: String,
    action: String,
    /// Letter to value: everything scanned since the action.
    scanned: BTreeMap<char, String>,
    numbers: Vec<u32>,
    things: Vec<String>,
    grams: Option<u32>,
    /// What `A.UNDO` restores.
    before: Option<(BTreeMap<String, Wheel>, BTreeMap<String, usize>)>,
}

#[derive(Debug, Default)]
pub struct Reader {
    desks: BTreeMap<&'static str, Desk>,
    pub wheels: BTreeMap<String, Wheel>,
    /// Action to wheels acted on.
    pub counts: BTreeMap<String, usize>,
    /// Whatever could not be made sense of.
    pub rest: Vec<String>,
    pub voided: usize,
}

pub fn clock() -> DairyClock {
    let four = NaiveTime::from_hms_opt(4, 0, 0).unwrap();
    DairyClock::new(chrono_tz::Europe::London, four)
}

pub fn day_of(at: DateTime<Utc>) -> NaiveDate {
    clock().day_of(at).date()
}

impl Reader {
    pub fn read(&mut self, doing: &Doing) {
        let mut desk = self.desks.remove(doing.station).unwrap_or_default();
        match &doing.what {
            What::Climate { .. } => {}
            What::Release { hold, wheels, .. } => {
                for wheel in wheels {
                    let wheel = self.wheels.get_mut(wheel).expect("a wheel that was made");
                    assert!(wheel.holds.remove(hold), "released from no hold");
                }
                *self.counts.entry("RELEASE".to_owned()).or_default() += wheels.len();
            }
            What::Weight { grams } if desk.action == "CHECKWEIGHT" => {
                assert_eq!(desk.numbers, [*grams], "the check weight's own card");
                *self.counts.entry("CHECKED".to_owned()).or_default() += 1;
            }
            What::Weight { grams } => {
                assert_eq!(desk.action, "PORTION", "a weight at {}", doing.station);
                assert!(desk.grams.is_none(), "two weights for one hoop");
                desk.grams = Some(*grams);
                self.portion(&mut desk);
            }
            What::Scan(line) => self.scan(&mut desk, line, doing.at),
        }
        self.desks.insert(doing.station, desk);
    }

    fn scan(&mut self, desk: &mut Desk, line: &str, at: DateTime<Utc>) {
        let Some((letter, value)) = code(line) else {
            self.rest.push(line.to_owned());
            return;
        };
        match letter {
            'P' => desk.person = value.to_owned(),
            'A' if value == "UNDO" => {
                let (wheels, counts) = desk.before.take().expect("something to undo");
                // Nothing else happens between a slip and its undoing in these scripts
                // to the same wheels; restore only what differs at this desk.
                self.undo(wheels, counts);
            }
            'A' => {
                let person = std::mem::take(&mut desk.person);
                *desk = Desk {
                    person,
                    action: value.to_owned(),
                    ..Desk::default()
                };
            }
            'W' | 'H' | 'K' | 'S' => self.thing(desk, letter, value, at),
            'N' => {
                desk.numbers.push(value.parse().expect("a number"));
                self.number(desk);
            }
            'G' => {
                let things = std::mem::take(&mut desk.things);
                self.each("GRADE", &things, |wheel| {
                    wheel.grade = Some(value.to_owned())
                });
            }
            _ => {
                desk.scanned.insert(letter, value.to_owned());
            }
        }
    }

    fn undo(&mut self, wheels: BTreeMap<String, Wheel>, counts: BTreeMap<String, usize>) {
        for (id, wheel) in wheels {
            self.wheels.insert(id, wheel);
        }
        for (action, wheels) in counts {
            *self.counts.get_mut(&action).unwrap() -= wheels;
        }
        self.voided += 1;
    }

    fn thing(&mut self, desk: &mut Desk, letter: char, value: &str, at: DateTime<Utc>) {
        let wheels = self.on(letter, value);
        let action = desk.action.clone();
        match action.as_str() {
            "PORTION" if letter == 'H' => {
                desk.scanned.insert('H', value.to_owned());
                self.portion(desk);
                return;
            }
            "PORTION" | "LOAD" if matches!(letter, 'K' | 'S') => {
                desk.scanned.insert(letter, value.to_owned());
                return;
            }
            "RIND" | "IRON" | "GRADE" => {
                desk.things = wheels;
                return;
            }
            _ => {}
        }
        if wheels.is_empty() {
            self.rest.push(format!("{letter}.{value}"));
            return;
        }
        let saved: BTreeMap<String, Wheel> = wheels
            .iter()
            .map(|id| (id.clone(), self.wheels[id].clone()))
            .collect();
        desk.before = Some((saved, BTreeMap::from([(action.clone(), wheels.len())])));
        let scanned = desk.scanned.clone();
        self.each(&action, &wheels, |wheel| match action.as_str() {
            "TURN" => wheel.turns.push(at),
            "UNHOOP" => (wheel.hoop, wheel.stack) = (None, None),
            "RUBUP" => {}
            "LOAD" => wheel.stillage = Some(scanned[&'S'].clone()),
            "MOVE" => {
                let room = &scanned[&'R'];
                wheel.room = Some(room.split('.').next().unwrap().to_owned());
            }
            "PIERCE" => {
                assert!(scanned.contains_key(&'T'), "pierced with no machine");
                wheel.pierced = true;
            }
            "HOLD" => {
                wheel.holds.insert(scanned[&'Q'].clone());
            }
            "DISPATCH" if wheel.holds.is_empty() => {
                (wheel.dispatched, wheel.stillage, wheel.room) = (true, None, None);
            }
            "DISPATCH" => {}
            "RETURN" => wheel.dispatched = false,
            "DISCARD" => {
                (wheel.discarded, wheel.stillage, wheel.room) = (true, None, None);
            }
            other => panic!("{other} of {letter}.{value}"),
        });
        if action == "DISPATCH" && !self.wheels[&wheels[0]].dispatched {
            *self.counts.get_mut("DISPATCH").unwrap() -= 1;
            *self.counts.entry("STOPPED".to_owned()).or_default() += 1;
        }
    }

    fn number(&mut self, desk: &mut Desk) {
        match desk.action.as_str() {
            "VAT" => {
                assert!(['V', 'B', 'C'].iter().all(|l| desk.scanned.contains_key(l)));
                *self.counts.entry("VAT".to_owned()).or_default() += 1;
            }
            "CHECKWEIGHT" => assert_eq!(desk.numbers, [floor_sim::CHECK_WEIGHT_G]),
            "NEEDLES" => {
                if let [expected, counted] = desk.numbers[..] {
                    let short = usize::from(counted < expected);
                    *self.counts.entry("SHORT".to_owned()).or_default() += short;
                }
            }
            action @ ("RIND" | "IRON") => {
                let action = action.to_owned();
                let things = std::mem::take(&mut desk.things);
                assert!(!things.is_empty(), "{action}: a number for nothing");
                self.each(&action, &things, |_| {});
            }
            other => panic!("a number under {other}"),
        }
    }

    fn portion(&mut self, desk: &mut Desk) {
        let (Some(grams), Some(hoop)) = (desk.grams, desk.scanned.get(&'H').cloned()) else {
            return;
        };
        (desk.grams, _) = (None, desk.scanned.remove(&'H'));
        let batch = &desk.scanned[&'B'];
        let prefix = format!("{batch}-");
        let born = self
            .wheels
            .keys()
            .filter(|id| id.starts_with(&prefix))
            .count();
        let wheel = Wheel {
            hoop: Some(hoop),
            stack: desk.scanned.get(&'K').cloned(),
            grams,
            ..Wheel::default()
        };
        self.wheels
            .insert(format!("{prefix}{:02}", born + 1), wheel);
        *self.counts.entry("PORTION".to_owned()).or_default() += 1;
    }

    fn each(&mut self, action: &str, wheels: &[String], mut change: impl FnMut(&mut Wheel)) {
        *self.counts.entry(action.to_owned()).or_default() += wheels.len();
        for id in wheels {
            change(self.wheels.get_mut(id).expect("a known wheel"));
        }
    }

    /// The wheels that a scanned thing stands for now.
    fn on(&self, letter: char, value: &str) -> Vec<String> {
        let fits = |(id, wheel): &(&String, &Wheel)| match letter {
            'W' => id.as_str() == value,
            'H' => wheel.hoop.as_deref() == Some(value),
            'K' => wheel.stack.as_deref() == Some(value),
            _ => wheel.stillage.as_deref() == Some(value),
        };
        self.wheels
            .iter()
            .filter(fits)
            .map(|(id, _)| id.clone())
            .collect()
    }
}

/// `S.S007` as letter and value, if it is a code as the stations read them.
pub fn code(line: &str) -> Option<(char, &str)> {
    const ACTIONS: &str = " VAT PORTION HOOP TURN UNHOOP RUBUP LOAD MOVE RIND PIERCE IRON GRADE \
        WEIGH NEEDLES CHECKWEIGHT HOLD RELEASE RETURN DISPATCH DISCARD UNDO ";
    let (letter, value) = line.split_once('.')?;
    let letter = letter.chars().next().filter(|_| letter.len() == 1)?;
    let token = |text: &str| {
        let fits = |b: u8| b.is_ascii_alphanumeric() || b == b'-' || b == b'_';
        !text.is_empty() && text.len() <= 20 && text.bytes().all(fits)
    };
    let good = match letter {
        'A' => ACTIONS.contains(&format!(" {value} ")),
        'R' => value.split('.').all(token) && value.split('.').count() <= 2,
        'N' => value.parse::<u32>().is_ok(),
        'G' => ["A", "B", "C", "REJECT"].contains(&value),
        'P' | 'B' | 'W' | 'H' | 'K' | 'S' | 'T' | 'O' | 'M' | 'V' | 'C' | 'Q' | 'E' => token(value),
        _ => false,
    };
    good.then_some((letter, value))
}
