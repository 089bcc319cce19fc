//! What laboratories write, read or refused in words.

use facts::{Event, Fact, LabResulted, LabSampled, Scope, Verdict};
use proptest::prelude::*;
use safety::{Count, Found, Limits, Sampling, Unjudged, hold_for, judge};

use crate::given::{Log, id, plan};

#[test]
fn the_usual_ways_of_writing_are_read_in_one_unit() {
    let count = |n| Found::Count(Count::Exactly(n));
    for (text, found) in [
        ("120 cfu/g", count(120.0)),
        (
            " 120 CFU / g".trim().replace(" / ", "/").as_str(),
            count(120.0),
        ),
        ("1,5 cfu/g", count(1.5)),
        ("2 x 10^4 cfu/g", count(20_000.0)),
        ("1.2e3 cfu/g", count(1_200.0)),
        ("3 log10 cfu/g", count(1_000.0)),
        ("2,0 log cfu/g", count(100.0)),
        ("50 cfu/25 g", count(2.0)),
        ("<10 cfu/g", Found::Count(Count::Below(10.0))),
        ("> 300 cfu/g", Found::Count(Count::Above(300.0))),
        (
            "Not detected in 25 g",
            Found::NotDetected { in_g: Some(25.0) },
        ),
        ("absent / 25 g", Found::NotDetected { in_g: Some(25.0) }),
        ("not detected", Found::NotDetected { in_g: None }),
        ("Detected in 25g", Found::Detected { in_g: Some(25.0) }),
    ] {
        assert_eq!(text.parse::<Found>(), Ok(found), "{text}");
    }
}

#[test]
fn mixed_units_are_refused_in_words() {
    for (text, words) in [
        (
            "",
            "no value: write what the laboratory wrote, for example \"<10 cfu/g\"",
        ),
        (
            "120",
            "\"120\" has no unit: is it cfu/g or log10 cfu/g? 2 and 100 are the same count in these two",
        ),
        (
            "many",
            "\"many\" is no count: write a number with its unit, \"not detected in 25 g\" or \"detected in 25 g\"",
        ),
        (
            "30 cfu/ml",
            "\"30 cfu/ml\" is in cfu/ml, which is not a count in a gram of cheese: it is of a liquid: ask for a count in a gram",
        ),
        (
            "30 cfu/cm²",
            "\"30 cfu/cm²\" is in cfu/cm², which is not a count in a gram of cheese: it is of a surface: judge it by the plan for swabs",
        ),
        (
            "30 MPN/g",
            "\"30 MPN/g\" is in mpn/g, which is not a count in a gram of cheese: it is an estimate by another method than the limit is written for: ask the laboratory",
        ),
        (
            "400 log10 cfu/g",
            "\"400 log10 cfu/g\" is in log10 cfu/g, which is not a count in a gram of cheese: write it in cfu/g or log10 cfu/g",
        ),
    ] {
        assert_eq!(text.parse::<Found>().unwrap_err().to_string(), words);
    }
}

fn staph() -> Sampling {
    Sampling {
        id: "x".to_owned(),
        test: "staphylococci".to_owned(),
        n: 5,
        c: 2,
        limits: Limits::Counts {
            m: 100.0,
            big_m: 1_000.0,
        },
        source: None,
    }
}

fn units(values: &[&str]) -> Vec<String> {
    values.iter().map(|value| (*value).to_owned()).collect()
}

#[test]
fn log_units_and_plain_ones_may_be_mixed_in_one_sample() {
    let judged = judge(
        &staph(),
        &units(&[
            "2.9 log10 cfu/g",
            "90 cfu/g",
            "<10 cfu/g",
            "2 log10 cfu/g",
            "1e2 cfu/g",
        ]),
    );
    let judged = judged.unwrap();
    assert_eq!((judged.verdict, judged.between), (Verdict::Acceptable, 1));
}

#[test]
fn what_cannot_be_told_from_the_limits_gives_no_verdict() {
    let bad = judge(
        &staph(),
        &units(&["<10000 cfu/g", "1 cfu/g", "1 cfu/g", "1 cfu/g", "1 cfu/g"]),
    );
    assert_eq!(
        bad.unwrap_err().to_string(),
        "unit 1, <10000 cfu/g: it cannot be told from 100 and 1000 cfu/g: ask for another dilution"
    );
    assert_eq!(
        judge(&staph(), &units(&["1 cfu/g"; 4])),
        Err(Unjudged::TooFew { found: 4, n: 5 })
    );
    let early = judge(&staph(), &units(&["2000 cfu/g"])).unwrap();
    assert_eq!(
        early.verdict,
        Verdict::Unsatisfactory,
        "more units cannot mend it"
    );
}

fn result(verdict: Verdict, values: &[&str]) -> (Fact, LabResulted) {
    let resulted = LabResulted {
        sample: id("Q-17"),
        test: "L. monocytogenes".to_owned(),
        value: values.first().copied().unwrap_or_default().to_owned(),
        verdict,
        units: units(values),
        report: None,
    };
    let mut log = Log::default();
    log.fact("5 09:00", Event::from(resulted.clone()));
    (log.0.remove(0), resulted)
}

#[test]
fn a_bad_result_holds_what_the_sample_stands_for_and_a_good_one_nothing() {
    let sampled = LabSampled {
        sample: id("Q-17"),
        batch: Some(id("311")),
        wheels: vec![id("311-04")],
        test: "L. monocytogenes".to_owned(),
        plan: Some("listeria-cheese".to_owned()),
        scope: None,
        taken_g: None,
    };
    let plan = plan();
    let sampling = plan.sampling("listeria-cheese");
    let held = |verdict, values: &[&str]| {
        let (fact, resulted) = result(verdict, values);
        hold_for(&fact, &resulted, Some(&sampled), None, sampling)
    };
    let good = ["not detected in 25 g"; 5];
    assert_eq!(held(Verdict::Satisfactory, &good), None);
    let mut one_bad = good;
    one_bad[3] = "detected in 25 g";
    let hold = held(Verdict::Satisfactory, &one_bad).unwrap();
    assert_eq!(
        (hold.hold, hold.scope),
        (id("LAB-Q-17"), Scope::Batch(id("311")))
    );
    assert!(
        hold.reason.contains("1 of 5 units above the upper limit"),
        "{}",
        hold.reason
    );
    assert!(
        held(Verdict::Unsatisfactory, &good).is_some(),
        "the worse of the two stands"
    );
    let unread = held(Verdict::Satisfactory, &["not detected"]).unwrap();
    assert!(
        unread.reason.contains("no verdict yet"),
        "{}",
        unread.reason
    );
}

#[test]
fn a_result_for_an_unknown_sample_holds_nothing_by_itself() {
    let (fact, resulted) = result(Verdict::Unsatisfactory, &[]);
    assert_eq!(hold_for(&fact, &resulted, None, None, None), None);
    let swabbed = Scope::Batch(id("311"));
    assert!(hold_for(&fact, &resulted, None, Some(swabbed), None).is_some());
}

proptest! {
    #[test]
    fn any_text_is_read_or_refused(text in any::<String>()) {
        if let Err(refused) = text.parse::<Found>() {
            prop_assert!(!refused.to_string().is_empty());
        }
    }

    // Worse units never make a better verdict.
    #[test]
    fn more_colonies_are_never_better(
        counts in prop::collection::vec(0.0f64..3_000.0, 5),
        which in 0usize..5,
        more in 0.0f64..3_000.0,
    ) {
        let rank = |counts: &[f64]| {
            let units: Vec<String> = counts.iter().map(|c| format!("{c} cfu/g")).collect();
            match judge(&staph(), &units).unwrap().verdict {
                Verdict::Satisfactory => 0,
                Verdict::Acceptable => 1,
                Verdict::Unsatisfactory => 2,
            }
        };
        let before = rank(&counts);
        let mut worse = counts.clone();
        worse[which] += more;
        prop_assert!(rank(&worse) >= before);
    }
}
