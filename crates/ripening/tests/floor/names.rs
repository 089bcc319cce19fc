//! A code is the same in any case, and is shown as it was first written.

use facts::{Ingredient, VatDosed, VatStarted};
use quantity::Litres;
use ripening::answer;

use crate::given::{Given, portioned, time, wheel};

fn given() -> Given {
    let started = VatStarted {
        batch: "318B".parse().unwrap(),
        vat: "V1".parse().unwrap(),
        recipe: "practice-blue".parse().unwrap(),
        recipe_version: 1,
        milk_l: Litres::new(200.0).unwrap(),
        milk_lots: vec!["MILK-1".parse().unwrap()],
    };
    let dosed = VatDosed {
        batch: "318b".parse().unwrap(),
        ingredient: Ingredient::Culture,
        lot: "CUL2026W10".parse().unwrap(),
        amount: 2.0,
    };
    Given::default()
        .at("2026-03-02 06:00", started)
        .at("2026-03-02 06:30", dosed)
        .at("2026-03-02 12:00", portioned("318b-A1"))
        .at("2026-03-02 12:01", portioned("318B-A2"))
        .at(
            "2026-03-03 06:00",
            facts::WheelTurned {
                wheels: vec![wheel("318B-a1")],
                via: None,
            },
        )
}

#[test]
fn a_log_with_both_cases_folds_to_one_thing() {
    let given = given();
    let floor = given.floor("2026-03-03 07:00");
    assert_eq!(floor.batches().count(), 1);
    assert_eq!(floor.wheels().count(), 2);
    let life = answer::wheel(&floor, wheel("318B-A1")).unwrap();
    assert_eq!(life.wheel.turns, 1);
    assert_eq!(
        life.wheel.wheel.as_str(),
        "318b-A1",
        "as it was first written"
    );
    let batch = answer::batch(&floor, "318b".parse().unwrap()).unwrap();
    assert_eq!(batch.batch.as_str(), "318B");
    assert_eq!(batch.wheels.len(), 2);
    // Any order gives the same floor.
    let mut backwards = given;
    backwards.facts.reverse();
    let backwards = backwards.floor("2026-03-03 07:00");
    let all = |floor: &ripening::Floor| (answer::census(floor), answer::floor(floor, &[]));
    assert_eq!(all(&backwards), all(&floor));
}

#[test]
fn the_make_record_prints_codes_as_they_were_entered() {
    let floor = given().floor("2026-03-03 07:00");
    let batch = answer::batch(&floor, "318B".parse().unwrap()).unwrap();
    let words: Vec<&str> = batch
        .record
        .iter()
        .map(|line| line.words.as_str())
        .collect();
    assert_eq!(words[1], "culture added: 2 of lot CUL2026W10");
}

#[test]
fn what_is_not_there_is_answered_with_what_may_be_meant() {
    let floor = given().floor("2026-03-03 07:00");
    let said = answer::wheel(&floor, wheel("318B-A3")).unwrap_err();
    assert_eq!(
        said.to_string(),
        "there is no wheel 318B-A3; did you mean 318B-A2 or 318b-A1?"
    );
    let said = answer::batch(&floor, "319".parse().unwrap()).unwrap_err();
    assert_eq!(
        said.to_string(),
        "there is no batch 319; did you mean 318B?"
    );
    let own = ["R1".parse().unwrap()];
    let said = answer::room_named(&floor, &own, "X9".parse().unwrap()).unwrap_err();
    assert_eq!(said.to_string(), "there is no room X9; did you mean R1?");
    assert!(answer::room_named(&floor, &own, "r1".parse().unwrap()).is_ok());
    assert_eq!(floor.now(), time("2026-03-03 07:00"));
}
