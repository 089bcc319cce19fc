//! NEEDLES: a piercing machine's needles are counted: machine, how many it should have,
//! how many are whole. A missing needle may be in a cheese.

use facts::{ToolCheck, ToolChecked, ToolId};

use crate::code::Code;
use crate::floor::{Floor, Step, whole};
use crate::known;

/// More needles than any machine has.
const MOST: u32 = 100_000;

/// What was scanned so far.
#[derive(Debug, Clone, Default)]
pub(crate) struct Needles {
    machine: Option<ToolId>,
    expected: Option<u32>,
}

impl Needles {
    pub(crate) fn take(&mut self, code: Code, floor: &Floor<'_>) -> Step {
        match code {
            Code::Tool(machine) => {
                *self = Self::default();
                if let Err(unknown) = known::machine(floor, machine) {
                    return Step::wrong(unknown.then("Nothing recorded"));
                }
                *self = Self {
                    machine: Some(machine),
                    expected: None,
                };
                Step::next(format!(
                    "machine {machine}: scan how many needles it should have"
                ))
            }
            Code::Number(number) => match whole(number).filter(|n| *n <= MOST) {
                Some(number) => self.count(number),
                None => Step::wrong(format!("{number} is no count of needles: scan it again")),
            },
            other => Step::wrong(format!(
                "NEEDLES takes a machine and two numbers, not {other}"
            )),
        }
    }

    fn count(&mut self, counted: u32) -> Step {
        let Some(tool) = self.machine else {
            return Step::wrong("scan the machine first, then the numbers");
        };
        let Some(expected) = self.expected.take() else {
            self.expected = Some(counted);
            return Step::next(format!("{counted} expected: scan how many are whole"));
        };
        let check = ToolCheck::Needles { expected, counted };
        let event = ToolChecked { tool, check };
        *self = Self::default();
        let words = format!("{counted} of {expected} needles on {tool}");
        if check.passed() {
            Step::ok(words, vec![event.into()])
        } else {
            Step::stop(
                format!(
                    "{words}: recorded. Stop piercing, keep the last wheels apart, call your supervisor"
                ),
                vec![event.into()],
            )
        }
    }

    pub(crate) fn left_open(&self) -> Option<String> {
        let machine = self.machine?;
        Some(format!("the needle check of {machine}"))
    }
}
