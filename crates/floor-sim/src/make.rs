//! Vats are filled in the morning, curd is portioned into hoops in the afternoon.

use chrono::NaiveDate;

use crate::calendar::local;
use crate::calendar::{later, seconds};
use crate::cheese::{self, Character, IRON_AGE};
use crate::dairy::Dairy;
use crate::deed::Act;
use crate::doing::{Doing, Expected, What};
use crate::floor::{Batch, Stack, Wheel};
use crate::ledger::Made;
use crate::nature;
use crate::visit::Visit;
use crate::{CHECK_WEIGHT_G, DRAIN, PORTION, RECIPE, ROOMS, STACK_HOLDS, VAT};

/// Letters that tell a day's batches apart.
const LETTERS: [char; 4] = ['A', 'B', 'C', 'D'];

impl Dairy {
    /// Fills today's vats and gives the batches begun.
    pub(crate) fn fill_vats(&mut self, day: NaiveDate) -> Vec<usize> {
        let mut begun = Vec::new();
        for (index, letter) in LETTERS.iter().enumerate().take(self.vats(day)) {
            let code = format!("{}{letter}", day.format("%y%m%d"));
            let litres = cheese::milk(self.size.wheels_a_vat, &mut self.chance);
            let visit = Visit::new(VAT, "07", "VAT")
                .scan(6, format!("V.V{}", index + 1))
                .scan(4, format!("B.{code}"))
                .scan(4, format!("C.{RECIPE}"));
            let act = Act::VatStarted {
                batch: code.clone(),
                litres,
            };
            let visit = visit.record(20, format!("N.{litres}"), act, &[]);
            self.visit(day, local(day, 5, 30 + 12 * index as i64), visit);
            let mut first_iron = IRON_AGE;
            if let Some(living) = &mut self.living {
                living.begin_batch();
                first_iron = nature::IRON_AGE;
            }
            begun.push(self.floor.batches.len());
            self.floor.batches.push(Batch {
                code,
                made: day,
                character: Character::new(&mut self.chance),
                wheels: Vec::new(),
                next_iron: later(day, first_iron),
                ready: false,
            });
        }
        begun
    }

    /// The scale is shown its check weight before the day's first weighing. Chance has no
    /// part in it, so that the days are what they would be without.
    pub(crate) fn check_scale(&mut self, day: NaiveDate) {
        let steps = [
            What::Scan("P.01".to_owned()),
            What::Scan("A.CHECKWEIGHT".to_owned()),
            What::Scan(format!("N.{CHECK_WEIGHT_G}")),
            What::Weight {
                grams: CHECK_WEIGHT_G,
            },
        ];
        let mut at = local(day, 5, 22);
        for what in steps {
            at += seconds(5);
            self.waiting.push(Doing {
                at,
                arrives_at: at,
                station: PORTION,
                what,
                answer: Expected::Fine,
            });
        }
    }

    /// Portions today's batches, hoops them and brings the stacks to the draining room.
    pub(crate) fn portion(&mut self, day: NaiveDate, batches: &[usize]) {
        for batch in batches {
            let mixer = if self.chance.happens(0.5) { "01" } else { "02" };
            let stacks = self.portion_batch(day, *batch, mixer);
            let done = self.busy.get(PORTION).copied();
            let wanted = done.unwrap_or_else(|| local(day, 14, 0)) + seconds(240);
            let mut visit = Visit::new(DRAIN, "03", "MOVE").scan(4, format!("R.{}", ROOMS[0]));
            for number in stacks {
                let Some(stack) = self.floor.stacks.get(&number) else {
                    continue;
                };
                let act = Act::Moved {
                    room: ROOMS[0],
                    position: None,
                };
                visit = visit.record(20, format!("K.{}", stack_code(number)), act, &stack.wheels);
            }
            self.visit(day, wanted, visit);
        }
    }

    fn portion_batch(&mut self, day: NaiveDate, index: usize, mixer: &'static str) -> Vec<u32> {
        let Some(batch) = self.floor.batches.get(index) else {
            return Vec::new();
        };
        let code = batch.code.clone();
        let aimed = self.size.wheels_a_vat as i64;
        let count = usize::try_from(aimed + self.chance.between(-1, 1)).unwrap_or(1);
        let mut visit = Visit::new(PORTION, mixer, "PORTION").scan(3, format!("B.{code}"));
        let mut stacks = Vec::new();
        for place in 0..count {
            if place % STACK_HOLDS == 0 {
                let number = self.floor.free_stacks.take(day);
                stacks.push(number);
                let stack = Stack {
                    made: day,
                    wheels: Vec::new(),
                    hoops: Vec::new(),
                };
                self.floor.stacks.insert(number, stack);
                visit = visit.scan(8, format!("K.{}", stack_code(number)));
            }
            let number = stacks.last().copied().unwrap_or_default();
            let hoop = self.floor.free_hoops.take(day);
            let grams = cheese::portion(mixer, &mut self.chance);
            let wheel = self.floor.wheels.len();
            let wheel_code = format!("{code}-{:02}", place + 1);
            self.ledger.wheels.push(Made {
                id: wheel_code.clone(),
                batch: code.clone(),
                day,
            });
            self.floor.wheels.push(Wheel {
                code: wheel_code,
                batch: index,
                stillage: None,
                dispatched: None,
                discarded: false,
                came_back: None,
                held: false,
            });
            if let Some(batch) = self.floor.batches.get_mut(index) {
                batch.wheels.push(wheel);
            }
            if let Some(living) = &mut self.living {
                living.begin_wheel(index, grams);
            }
            if let Some(stack) = self.floor.stacks.get_mut(&number) {
                stack.wheels.push(wheel);
                stack.hoops.push(hoop);
            }
            let line = format!("H.{}", hoop_code(hoop));
            let act = Act::Portioned {
                grams,
                hoop: hoop_code(hoop),
                stack: stack_code(number),
            };
            // Most weigh into the hoop they have just scanned; some scan it afterwards.
            visit = if self.chance.happens(0.8) {
                visit
                    .scan(14, line)
                    .weigh_and_record(22, grams, act, &[wheel])
            } else {
                visit.weigh(26, grams).record(9, line, act, &[wheel])
            };
        }
        self.visit(day, local(day, 13, 0), visit);
        stacks
    }
}

/// `K03`
pub(crate) fn stack_code(number: u32) -> String {
    format!("K{number:02}")
}

/// `H014`
fn hoop_code(number: u32) -> String {
    format!("H{number:03}")
}
