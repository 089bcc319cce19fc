//! What is said about a lift.

use lifting::{Caution, Coupling, Duration, Lift, advise};
use proptest::prelude::*;

fn turning() -> Lift {
    Lift {
        reach_cm: 40.0,
        height_cm: 140.0,
        travel_cm: 25.0,
        twist_deg: 30.0,
        coupling: Coupling::Poor,
        lifts_per_minute: 4.0,
        duration: Duration::UpToEightHours,
    }
}

#[test]
fn a_light_lift_asks_for_nothing() {
    let advice = advise(&turning(), 2.0).unwrap();
    assert_eq!(advice.caution, Caution::None);
    assert!(advice.remedies.is_empty());
}

#[test]
fn above_an_index_of_one_a_caution_says_what_lowers_it() {
    let advice = advise(&turning(), 8.0).unwrap();
    assert_eq!(advice.caution, Caution::Caution);
    let words: Vec<_> = advice.remedies.iter().map(|r| r.words.as_str()).collect();
    assert_eq!(words[0], "lift with two people");
    assert!(words.iter().any(|w| w.starts_with("rotate people")));
    assert!(words.iter().any(|w| w.starts_with("use a lower shelf")));
}

#[test]
fn above_three_the_caution_is_strong() {
    assert_eq!(advise(&turning(), 18.0).unwrap().caution, Caution::Strong);
}

#[test]
fn no_acceptable_weight_is_a_strong_caution_with_a_way_out() {
    let hectic = Lift {
        lifts_per_minute: 12.0,
        ..turning()
    };
    let advice = advise(&hectic, 4.0).unwrap();
    assert_eq!((advice.index, advice.caution), (None, Caution::Strong));
    assert!(!advice.remedies.is_empty());
}

#[test]
fn a_figure_that_no_lift_has_is_refused_by_name() {
    let lift = Lift {
        reach_cm: f64::NAN,
        ..turning()
    };
    assert!(
        lift.limit()
            .unwrap_err()
            .to_string()
            .starts_with("reach_cm is NaN cm")
    );
}

proptest! {
    #[test]
    fn the_limit_lies_between_nothing_and_23_kg_and_remedies_help(
        reach_cm in 0.0..100.0_f64, height_cm in 0.0..250.0_f64, travel_cm in 0.0..250.0_f64,
        twist_deg in 0.0..180.0_f64, lifts_per_minute in 0.0..20.0_f64, load in 0.1..60.0_f64,
    ) {
        let lift = Lift {
            reach_cm, height_cm, travel_cm, twist_deg, lifts_per_minute,
            coupling: Coupling::Fair, duration: Duration::UpToTwoHours,
        };
        let advice = advise(&lift, load).unwrap();
        prop_assert!((0.0..=23.0).contains(&advice.limit.recommended_kg));
        prop_assert_eq!(advice.limit.none.is_some(), advice.index.is_none());
        for remedy in &advice.remedies {
            prop_assert!(advice.index.is_none_or(|index| remedy.index < index));
        }
    }
}
