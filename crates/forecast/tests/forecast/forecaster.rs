//! Given facts, at this time, then these dates, and why.

use crate::given::{Given, after_start, clock, day, larkholm_blue};
use forecast::{
    Forecaster, Habit, Habits, Oddity, Scenario, Told, Warmer, calendar_ready_age_days,
};
use proptest::prelude::*;

fn median_age(forecast: &forecast::BatchForecast) -> f64 {
    after_start(forecast.ready.quantile(0.5))
}

fn oddities(forecast: &forecast::BatchForecast) -> Vec<Oddity> {
    forecast.flags.iter().map(|flag| flag.oddity).collect()
}

#[test]
fn without_any_data_the_calendar_stands() {
    let recipe = larkholm_blue();
    assert_eq!(calendar_ready_age_days(&recipe), 56);
    let forecast = Given::batch(6).forecast(6.0);
    assert!(
        (median_age(&forecast) - 56.0).abs() < 1.5,
        "{}",
        median_age(&forecast)
    );
    let (cover, when) = forecast.rind.as_ref().unwrap();
    assert_eq!(*cover, 30.0);
    // 30 % is asked for by the middle of a stay of 3 to 16 days.
    let covered = after_start(when.quantile(0.5));
    assert!((12.5..17.5).contains(&covered), "{covered}");
    assert_eq!(forecast.learnt_from, 0);
}

#[test]
fn the_calendar_habit_goes_through_the_calendars_own_days() {
    let recipe = larkholm_blue();
    let habit = Habit::by_calendar(&recipe);
    assert_eq!(habit.pierce_age_days, recipe.pierce.age.due as f64);
    let at_piercing = habit.blue.share_pct(0.0, 0.0, 0.0);
    assert!((at_piercing - 2.0).abs() < 0.01, "{at_piercing}");
}

#[test]
fn cores_move_the_date_and_make_it_surer() {
    let mut slow = Given::usual_way();
    slow.ironed(50.0, 0, 30.0)
        .ironed(50.1, 1, 34.0)
        .ironed(50.2, 2, 27.0);
    let mut fast = Given::usual_way();
    fast.ironed(50.0, 0, 74.0)
        .ironed(50.1, 1, 70.0)
        .ironed(50.2, 2, 77.0);
    let none = Given::usual_way().forecast(51.0);
    let (slow, fast) = (slow.forecast(51.0), fast.forecast(51.0));
    assert!(median_age(&slow) > median_age(&none) + 2.0);
    assert!(median_age(&fast) < median_age(&none) - 2.0);
    let width = |f: &forecast::BatchForecast| f.ready.quantile(0.9) - f.ready.quantile(0.1);
    assert!(
        width(&slow) < 0.7 * width(&none),
        "{} {}",
        width(&slow),
        width(&none)
    );
    assert!(
        slow.pace.1 > 1.05 && fast.pace.1 < 0.97,
        "{:?} {:?}",
        slow.pace,
        fast.pace
    );
}

#[test]
fn a_quick_rind_brings_the_blue_forward_a_little() {
    let mut quick = Given::usual_way();
    quick.rind(9.0, 40.0).rind(11.0, 65.0);
    let mut slow = Given::usual_way();
    slow.rind(12.0, 4.0).rind(18.0, 20.0);
    assert!(median_age(&quick.forecast(37.0)) < median_age(&slow.forecast(37.0)) - 0.5);
}

#[test]
fn an_ironed_wheel_has_its_own_date_the_others_share_one() {
    let mut given = Given::usual_way();
    given.ironed(52.0, 0, 85.0).ironed(52.1, 1, 40.0);
    let forecast = given.forecast(53.0);
    assert_eq!(forecast.groups.len(), 3);
    let date = |wheel: &str| {
        let group = forecast.group_of(wheel.parse().unwrap()).unwrap();
        after_start(group.ready.quantile(0.5))
    };
    assert!(date("B1-01") < date("B1-05") && date("B1-05") < date("B1-02"));
    assert_eq!(date("B1-05"), date("B1-12"));
    let outlook = forecast
        .wheel_outlook("B1-05".parse().unwrap(), &clock())
        .unwrap();
    assert!(outlook.blue_ready.from <= outlook.blue_ready.day);
    assert!(outlook.blue_ready.day <= outlook.blue_ready.until);
    assert!(outlook.rind_cover.is_none());
}

#[test]
fn the_probability_of_being_ready_never_falls_and_agrees_with_the_dates() {
    let forecast = Given::usual_way().forecast(40.0);
    let each = forecast.readiness(&clock());
    assert!(each.windows(2).all(|pair| pair[0].1 <= pair[1].1));
    let told = Told::of(&forecast, &clock(), clock().day_of(day(40.0)));
    let p = forecast.p_ready_by(told.ready.p80.1, &clock());
    assert!((0.87..=0.96).contains(&p), "{p}");
    insta::assert_snapshot!(told.words);
}

#[test]
fn the_next_room_comes_with_the_cover_that_the_recipe_asks_for() {
    let mut given = Given::batch(12);
    given.air("R1", 0.0, 30.0, 12.5, 93.0).moved(5.3, "R1");
    given.rind(11.0, 12.0).rind(13.0, 24.0);
    let next = given.forecast(13.5).next_move.unwrap();
    assert_eq!((next.from.as_str(), next.to.as_str()), ("R1", "R2"));
    let age = next.dates.expected.days_since(clock().day_of(day(0.0)));
    assert!((14..=17).contains(&age), "{age}");
    // However slow, the longest stay of 16 days ends it.
    let mut slow = Given::batch(12);
    slow.air("R1", 0.0, 30.0, 12.5, 93.0).moved(5.3, "R1");
    slow.rind(17.0, 1.0).rind(19.0, 1.0);
    let next = slow.forecast(19.5).next_move.unwrap();
    let age = next.dates.p95.1.days_since(clock().day_of(day(0.0)));
    assert_eq!(age, 21);
}

#[test]
fn a_warm_week_brings_it_forward_and_a_late_piercing_puts_it_off() {
    let given = Given::usual_way();
    let history = given.history();
    let habits = Habits::new();
    let batch = "B1".parse().unwrap();
    let at = |days: f64| day(days).timestamp() as f64 / 86_400.0;
    let warmer = |room: &str| Scenario {
        warmer: vec![Warmer {
            room: room.parse().unwrap(),
            by_c: 2.0,
            from_days: at(40.0),
            until_days: at(47.0),
        }],
        pierce_later_days: 0.0,
    };
    let forecaster = Forecaster::new(&history, &habits, day(40.0));
    let (_, change) = forecaster.change(batch, &warmer("R3")).unwrap();
    // Seven days at 10 instead of 8 °C: 0.3556 / 0.2571 = 1.383 of a day each, 2.7 in all.
    assert!((-3.2..-1.5).contains(&change.by_days), "{}", change.by_days);
    assert!(
        change
            .words
            .contains("7 days in R3 at 10.0 instead of 8.0 °C"),
        "{}",
        change.words
    );
    let (_, change) = forecaster.change(batch, &warmer("R2")).unwrap();
    assert!(change.by_days.abs() < 0.01);
    assert_eq!(
        change.words,
        "ready on the same day: it is not in R2 during those days"
    );
    let later = Scenario {
        warmer: Vec::new(),
        pierce_later_days: 4.0,
    };
    let (_, change) = forecaster.change(batch, &later).unwrap();
    assert!(change.words.contains("pierced already"), "{}", change.words);
    let before = Forecaster::new(&history, &habits, day(30.0));
    let (_, change) = before.change(batch, &later).unwrap();
    assert!((change.by_days - 4.0).abs() < 0.3, "{}", change.by_days);
    assert!(
        change.words.contains("its air 4 days later"),
        "{}",
        change.words
    );
}

#[test]
fn the_wheel_to_iron_next_is_one_that_tells_something() {
    let mut given = Given::usual_way();
    let early = given.forecast(36.2);
    assert_eq!(early.worth_ironing, [], "not pierced yet");
    let fresh = given.forecast(50.0).worth_ironing;
    assert_eq!(fresh.len(), 2, "as many as the recipe irons");
    let fresh = &fresh[0];
    assert!(!fresh.opened_before && fresh.bits > 0.3, "{fresh:?}");
    given
        .ironed(50.0, 0, 52.0)
        .ironed(50.1, 1, 55.0)
        .ironed(50.2, 2, 50.0);
    let after = given.forecast(50.5).worth_ironing;
    assert!(after.iter().all(|worth| worth.opened_before), "{after:?}");
    assert!(
        after[0].bits < fresh.bits,
        "each core tells less than the one before"
    );
    let mut done = Given::usual_way();
    for place in 0..6 {
        done.ironed(70.0, place, 100.0);
    }
    assert_eq!(
        done.forecast(75.0).worth_ironing,
        [],
        "ready: a core tells nothing"
    );
}

/// Bad input: kept, told, and never decisive.
mod bad_input {
    use super::*;

    #[test]
    fn ironed_before_piercing() {
        let mut given = Given::usual_way();
        given.ironed(30.0, 0, 90.0);
        let forecast = given.forecast(40.0);
        assert!(oddities(&forecast).contains(&Oddity::IronedBeforePiercing));
        let without = Given::usual_way().forecast(40.0);
        assert_eq!(median_age(&forecast), median_age(&without));
    }

    #[test]
    fn falling_coverage_of_one_wheel() {
        let mut given = Given::usual_way();
        given.ironed(50.0, 0, 60.0).ironed(55.0, 0, 25.0);
        let forecast = given.forecast(56.0);
        assert!(oddities(&forecast).contains(&Oddity::FallingBlue));
        assert!(median_age(&forecast).is_finite());
    }

    #[test]
    fn contradictory_cores_of_one_wheel_move_it_less_than_either() {
        let date = |cores: &[f64]| {
            let mut given = Given::usual_way();
            for (n, core) in (0..).zip(cores) {
                given.ironed(50.0 + f64::from(n) / 100.0, 0, *core);
            }
            median_age(&given.forecast(51.0))
        };
        let (low, high, both) = (date(&[15.0]), date(&[80.0]), date(&[15.0, 80.0]));
        assert!(high < both && both < low, "{high} {both} {low}");
    }

    #[test]
    fn two_cores_of_one_wheel_that_cannot_both_be_right_are_told_whichever_came_first() {
        let odd = |first: f64, second: f64, days_later: f64| {
            let mut given = Given::usual_way();
            given
                .ironed(50.0, 0, first)
                .ironed(50.0 + days_later, 0, second);
            oddities(&given.forecast(60.0))
        };
        assert!(odd(80.0, 15.0, 0.01).contains(&Oddity::FallingBlue));
        assert!(odd(15.0, 80.0, 0.01).contains(&Oddity::CoresDisagree));
        assert!(!odd(45.0, 55.0, 0.01).contains(&Oddity::CoresDisagree));
        assert!(!odd(40.0, 70.0, 7.0).contains(&Oddity::CoresDisagree));
    }

    /// A wild core moves pace and date by no more than the plausible core that moves them
    /// most, whatever it says, as soon as there are two cores to hold it against.
    #[test]
    fn one_bad_core_moves_a_batch_by_no_more_than_a_good_one_could() {
        let expected = 54.0;
        for cores in [2, 4, 8] {
            let with = |bad: Option<f64>| {
                let mut given = Given::usual_way();
                for place in 0..cores {
                    given.ironed(50.0, place, expected + 2.0 * (place % 3) as f64 - 2.0);
                }
                if let Some(bad) = bad {
                    given.ironed(50.1, 11, bad);
                }
                let forecast = given.forecast(50.5);
                assert!(forecast.ready.quantile(0.5).is_finite());
                (forecast.pace.1.ln(), median_age(&forecast))
            };
            let (pace, age) = with(None);
            let moved = |core: f64| {
                let (with_pace, with_age) = with(Some(core));
                ((with_pace - pace).abs(), (with_age - age).abs())
            };
            let most = |cores: &[f64]| {
                let moves = cores.iter().map(|core| moved(*core));
                moves.fold((0.0, 0.0), |most: (f64, f64), it| {
                    (most.0.max(it.0), most.1.max(it.1))
                })
            };
            let plausible: Vec<f64> = (-6..=6).map(|n| expected + 5.0 * f64::from(n)).collect();
            let wild = [0.0, 0.4, 1.0, 5.0, 95.0, 99.0, 100.0];
            let (good, bad) = (most(&plausible), most(&wild));
            println!("{cores} cores: good {good:?} bad {bad:?}");
            assert!(
                bad.0 <= 1.05 * good.0,
                "pace, {cores} cores: {bad:?} {good:?}"
            );
            assert!(
                bad.1 <= 1.05 * good.1,
                "date, {cores} cores: {bad:?} {good:?}"
            );
        }
    }

    /// The same for a look at the rind.
    #[test]
    fn one_bad_look_at_the_rind_moves_a_batch_by_no_more_than_a_good_one_could() {
        let with = |last: Option<f64>| {
            let mut given = Given::usual_way();
            given.rind(9.0, 9.0).rind(11.0, 17.0).rind(13.0, 27.0);
            if let Some(last) = last {
                given.rind(13.1, last);
            }
            let forecast = given.forecast(13.5);
            (forecast.pace.0.ln(), median_age(&forecast))
        };
        let (pace, age) = with(None);
        let most = |looks: &[f64]| {
            let moves = looks.iter().map(|look| with(Some(*look)));
            moves.fold((0.0, 0.0), |most: (f64, f64), it| {
                (
                    most.0.max((it.0 - pace).abs()),
                    most.1.max((it.1 - age).abs()),
                )
            })
        };
        let plausible: Vec<f64> = (-4..=6).map(|n| 27.0 + 5.0 * f64::from(n)).collect();
        let (good, bad) = (most(&plausible), most(&[0.0, 0.3, 70.0, 95.0, 100.0]));
        println!("good {good:?} bad {bad:?}");
        assert!(bad.0 <= 1.05 * good.0, "{bad:?} {good:?}");
        assert!(bad.1 <= 1.05 * good.1, "{bad:?} {good:?}");
    }

    #[test]
    fn a_rind_whose_cover_falls_is_told() {
        let mut given = Given::usual_way();
        given.rind(9.0, 10.0).rind(13.0, 45.0).rind(14.0, 12.0);
        let forecast = given.forecast(14.5);
        assert!(oddities(&forecast).contains(&Oddity::FallingRind));
        assert!(median_age(&forecast).is_finite());
    }

    /// A fact can hold no share above 100 %; what cannot be read is the scheduler's to reject.
    #[test]
    fn a_core_of_140_percent_is_no_share() {
        assert!(quantity::Percent::new(140.0).is_err());
        assert!(forecast::seen::Seen::of(140.0).is_err());
        assert!(forecast::seen::Seen::of(f64::NAN).is_err());
    }

    #[test]
    fn a_core_far_from_its_batch_is_told() {
        let mut given = Given::usual_way();
        for place in 0..6 {
            given.ironed(52.0, place, 60.0 + place as f64);
        }
        given.ironed(52.1, 6, 3.0);
        let forecast = given.forecast(53.0);
        let far: Vec<_> = forecast
            .flags
            .iter()
            .filter(|flag| flag.oddity == Oddity::FarOff)
            .map(|flag| flag.wheel.unwrap().to_string())
            .collect();
        assert_eq!(far, ["B1-07"]);
    }

    #[test]
    fn rind_on_a_wheel_in_its_hoop() {
        let mut given = Given::batch(4);
        given.rind(3.0, 40.0);
        let forecast = given.forecast(6.0);
        assert_eq!(oddities(&forecast), [Oddity::RindInHoop]);
    }

    #[test]
    fn a_sensor_at_85_degrees_changes_nothing() {
        let mut given = Given::usual_way();
        for n in 0..20 {
            given.read(38.0 + f64::from(n) / 10.0 + 0.011, "R3", 85.0, 93.0);
        }
        let usual = Given::usual_way().forecast(45.0);
        let forecast = given.forecast(45.0);
        assert!((median_age(&forecast) - median_age(&usual)).abs() < 0.05);
    }

    #[test]
    fn a_month_without_readings_is_told_and_makes_the_date_less_sure() {
        let mut given = Given::batch(12);
        given.air("R3", 0.0, 25.0, 8.0, 93.0);
        given
            .moved(5.3, "R1")
            .moved(15.0, "R2")
            .moved(20.0, "R3")
            .pierced(36.3);
        let forecast = given.forecast(55.0);
        assert!(oddities(&forecast).contains(&Oddity::NoReadings));
        let usual = Given::usual_way().forecast(55.0);
        let width = |f: &forecast::BatchForecast| f.ready.quantile(0.9) - f.ready.quantile(0.1);
        assert!(width(&forecast) > 1.05 * width(&usual));
        assert!((median_age(&forecast) - median_age(&usual)).abs() < 1.0);
    }

    #[test]
    fn no_cores_although_the_first_is_overdue() {
        assert!(oddities(&Given::usual_way().forecast(70.0)).contains(&Oddity::NoIrons));
        assert!(!oddities(&Given::usual_way().forecast(57.0)).contains(&Oddity::NoIrons));
    }

    #[test]
    fn a_batch_of_an_unknown_recipe_is_named() {
        let mut given = Given::batch(4);
        given.recipes = recipe::RecipeBook::default();
        let history = given.history();
        assert_eq!(history.without_recipe, ["B1".parse().unwrap()]);
        assert!(history.batches.is_empty());
    }
}

#[test]
fn facts_in_any_order_and_twice_give_the_same_forecast() {
    let mut given = Given::usual_way();
    given
        .rind(11.0, 20.0)
        .ironed(50.0, 0, 50.0)
        .ironed(50.1, 3, 61.0);
    let once = given.forecast(52.0);
    let mut shuffled = given.clone();
    shuffled.facts.reverse();
    let again: Vec<_> = shuffled.facts.iter().step_by(3).cloned().collect();
    shuffled.facts.extend(again);
    assert_eq!(shuffled.forecast(52.0), once);
}

#[test]
fn later_facts_do_not_reach_back() {
    let mut given = Given::usual_way();
    given.ironed(50.0, 0, 50.0);
    let then = given.forecast(52.0);
    given.ironed(60.0, 0, 99.0).moved(61.0, "R4");
    let all = given.wheels.clone();
    given.dispatched(70.0, &all);
    given.air("R3", 52.2, 53.0, 30.0, 50.0);
    let mut again = given.forecast(52.0);
    // Wheels that part ways later are told apart before: that is no other date.
    again.groups.clone_from(&then.groups);
    assert_eq!(again, then);
}

#[derive(Debug, Clone)]
enum Act {
    Moved(u8, u8),
    Pierced,
    Rind(f64),
    Ironed(u8, f64),
    Weighed(u8, u32),
    Gone(u8),
    Read(u8, f64, f64),
}

fn any_act() -> impl Strategy<Value = (f64, Act)> {
    let act = prop_oneof![
        (0..4u8, 0..6u8).prop_map(|(wheel, room)| Act::Moved(wheel, room)),
        Just(Act::Pierced),
        (0.0..=100.0_f64).prop_map(Act::Rind),
        (0..4u8, 0.0..=100.0_f64).prop_map(|(wheel, blue)| Act::Ironed(wheel, blue)),
        (0..4u8, 1..9000u32).prop_map(|(wheel, grams)| Act::Weighed(wheel, grams)),
        (0..4u8).prop_map(Act::Gone),
        (0..6u8, -60.0..150.0_f64, 0.0..=100.0_f64).prop_map(|(r, t, h)| Act::Read(r, t, h)),
    ];
    (-5.0..90.0_f64, act)
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(40))]

    /// Whatever is scanned, read and weighed, in whatever order: every number is one, and
    /// every date is a date.
    #[test]
    fn nothing_that_happens_breaks_a_forecast(
        acts in prop::collection::vec(any_act(), 0..60),
        at in 0.5..120.0_f64,
    ) {
        let mut given = Given::batch(4);
        for (at, act) in acts {
            match act {
                Act::Moved(wheel, room) => {
                    let wheel = given.wheels[usize::from(wheel)];
                    given.moved_some(at, &[wheel], &format!("R{room}"));
                }
                Act::Pierced => { given.pierced(at); }
                Act::Rind(cover) => { given.rind(at, cover); }
                Act::Ironed(wheel, blue) => { given.ironed(at, usize::from(wheel), blue); }
                Act::Weighed(wheel, grams) => { given.weighed(at, usize::from(wheel), grams); }
                Act::Gone(wheel) => {
                    let wheel = given.wheels[usize::from(wheel)];
                    given.dispatched(at, &[wheel]);
                }
                Act::Read(room, t, h) => { given.read(at, &format!("R{room}"), t, h); }
            }
        }
        let history = given.history();
        let habits = forecast::habits(&history, day(at), &Habits::new(), 1);
        for habit in habits.values() {
            prop_assert!(habit.blue.half_days.is_finite() && habit.stretch.is_finite());
        }
        let forecaster = Forecaster::new(&history, &habits, day(at));
        if let Some(forecast) = forecaster.batch("B1".parse().unwrap()) {
            for p in [0.0, 0.025, 0.5, 0.975, 1.0] {
                let age = after_start(forecast.ready.quantile(p));
                prop_assert!(age.is_finite() && (-10.0..2000.0).contains(&age), "{age}");
            }
            prop_assert!((0.0..=100.0).contains(&forecast.rind_now_pct));
            prop_assert!(forecast.blue_now_pct.is_none_or(|b| (0.0..=100.0).contains(&b)));
            prop_assert!(forecast.pace.0.is_finite() && forecast.pace.1.is_finite());
            let told = Told::of(&forecast, &clock(), clock().day_of(day(at)));
            prop_assert!(!told.words.contains("NaN"));
        }
    }
}
