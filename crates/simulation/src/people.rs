//! What people do: each has a plan of cards to scan, and now and then another one.

use std::collections::VecDeque;

use authority::Role;
use facts::PersonId;

use crate::dice::Dice;

/// One thing that a person does at a station.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) enum Deed {
    /// Scans a card.
    Scan(String),
    /// Puts so many grams on the scale.
    Weigh(u32),
}

/// Somebody who works here.
#[derive(Debug, Clone)]
pub(crate) struct Person {
    pub(crate) badge: PersonId,
    pub(crate) role: Role,
    /// At which device they stand.
    pub(crate) at: usize,
    /// What they are about to do there.
    pub(crate) plan: VecDeque<Deed>,
}

impl Person {
    pub(crate) fn new(badge: &str, role: Role) -> Self {
        Self {
            badge: badge.parse().unwrap(),
            role,
            at: 0,
            plan: VecDeque::new(),
        }
    }
}

pub(crate) const WHEELS: [&str; 8] = [
    "311-01", "311-02", "311-03", "311-04", "311-05", "312-01", "312-02", "399-01",
];

/// Cards in order, with `#` before grams.
pub(crate) fn deeds(text: &str) -> VecDeque<Deed> {
    let deed = |card: &str| match card.strip_prefix('#') {
        Some(grams) => Deed::Weigh(grams.parse().unwrap()),
        None => Deed::Scan(card.to_owned()),
    };
    text.split_whitespace().map(deed).collect()
}

/// A morning's work, so that there is something to go wrong with.
pub(crate) const MORNING: [&str; 3] = [
    "P.02 A.VAT V.V1 B.311 C.practice-blue N.500 A.VAT V.V2 B.312 C.tested-blue N.300",
    "A.PORTION B.311 K.K1 H.H1 #10880 H.H2 #10850 H.H3 #10900 B.312 H.H4 #10870",
    "P.07 A.UNHOOP W.311-01 W.311-02 A.RUBUP W.311-01 W.311-02 A.LOAD S.S1 W.311-01 W.311-02 A.GRADE S.S1 G.A W.311-03 G.B W.312-01 G.A",
];

/// What somebody may take it into their head to do. Most of it makes sense.
pub(crate) fn plan(dice: &mut Dice, person: &Person, scale: bool) -> VecDeque<Deed> {
    let wheel = |dice: &mut Dice| format!("W.{}", dice.pick(&WHEELS));
    let thing = |dice: &mut Dice| match dice.below(6) {
        0 => "S.S1".to_owned(),
        1 => "S.S2".to_owned(),
        2 => "K.K1".to_owned(),
        3 => format!("H.H{}", dice.below(5) + 1),
        _ => format!("W.{}", dice.pick(&WHEELS)),
    };
    let hold = |dice: &mut Dice| format!("Q.{}", dice.pick(&["Q1", "Q2", "Q9"]));
    let kind = dice.below(if scale { 18 } else { 16 });
    let text = match kind {
        0 | 1 => format!("A.TURN {} {}", thing(dice), thing(dice)),
        2 => format!("A.UNHOOP {}", thing(dice)),
        3 => format!("A.LOAD S.S{} {}", dice.below(2) + 1, wheel(dice)),
        4 => format!("A.MOVE R.R{} {}", dice.below(3) + 1, thing(dice)),
        5 | 6 => format!("A.HOLD {} {}", hold(dice), thing(dice)),
        7 if person.role == Role::Manager => format!("A.RELEASE {} {}", hold(dice), thing(dice)),
        7 | 8 => format!(
            "A.GRADE {} G.{}",
            thing(dice),
            dice.pick(&["A", "B", "REJECT"])
        ),
        9..=11 => format!("A.DISPATCH O.O1 {} {}", thing(dice), wheel(dice)),
        12 => format!("A.RETURN {}", wheel(dice)),
        13 => format!("A.PIERCE T.PM1 {}", thing(dice)),
        14 => format!("A.NEEDLES T.PM1 N.48 N.{}", 46 + dice.below(3)),
        15 => match dice.below(4) {
            0 => format!("A.DISCARD {}", wheel(dice)),
            1 => "A.UNDO A.UNDO".to_owned(),
            2 => "A.RIND S.S1 N.40".to_owned(),
            _ => "X.nonsense P.ZZZ A.TURN Q.Q1 A.DISPATCH W.311-01".to_owned(),
        },
        16 => format!(
            "A.PORTION B.31{} H.H{} #{}",
            1 + dice.below(2),
            1 + dice.below(5),
            10_800 + 10 * dice.below(20)
        ),
        _ => format!("A.WEIGH {} #{}", wheel(dice), 10_000 + 10 * dice.below(40)),
    };
    let mut plan = deeds(&text);
    if dice.chance(800) {
        plan.push_front(Deed::Scan(format!("P.{}", person.badge)));
    }
    if dice.chance(120) {
        plan.push_back(Deed::Scan("A.UNDO".to_owned()));
    }
    plan
}
