//! The simulated dairy: forecasts made again and compared with what truly came.

use floor_sim::{Dairy, Mistakes, Nature, Size};
use forecast::score::{ByCores, LeadScore, Outcome, Scoring, ready_by_cores, score};
use forecast::{History, Sensors};

#[path = "../../../floor-sim/tests/support/stations.rs"]
#[allow(dead_code)] // the simulation's own tests use all of it
mod stations;

/// Plays some days of a dairy with a varied nature; gives its history and when each batch
/// was truly ready.
fn played(seed: u64, days: usize) -> (History, Vec<Outcome>) {
    let start = chrono::NaiveDate::from_ymd_opt(2026, 1, 5).unwrap();
    let size = Size {
        vats_a_day: 2,
        wheels_a_vat: 6,
    };
    let mut dairy = Dairy::new(seed, start, size, Mistakes::none()).with_nature(Nature::Varied);
    let mut stations = stations::Stations::new();
    for _ in 0..days {
        for doing in dairy.next_day().doings {
            stations.take(&doing);
        }
    }
    let now = stations
        .facts
        .iter()
        .map(|fact| fact.occurred_at)
        .max()
        .unwrap();
    let site = &stations.site;
    let sensors = Sensors::default();
    let counts = holds::counting(&stations.facts, &site.rights());
    let history = History::of(&counts, site.clock, &site.recipes, &sensors, now);
    let outcomes = dairy.ripeness().into_iter().filter_map(|ripe| {
        Some(Outcome {
            batch: ripe.batch.parse().unwrap(),
            ready_days: ripe.ready?.timestamp() as f64 / 86_400.0,
        })
    });
    (history, outcomes.collect())
}

/// A few months only, so that it is quick: `wheelward forecast score --simulate` plays more.
#[test]
fn forecasts_beat_the_calendar_and_their_intervals_hold() {
    let (history, outcomes) = played(11, 170);
    let scoring = Scoring {
        leads_days: vec![21, 7],
        warm_up: 25,
        ..Scoring::default()
    };
    let score = score(&history, &outcomes, &scoring, 2);
    let at =
        |lead: i64| -> &LeadScore { score.by_lead.iter().find(|s| s.lead_days == lead).unwrap() };
    assert!(score.all.forecasts > 200, "{score:?}");
    assert!(
        at(21).error_days < 0.6 * at(21).calendar_error_days,
        "{score:?}"
    );
    assert!(at(21).error_days < at(21).usual_error_days, "{score:?}");
    assert!(at(7).error_days < 0.6 * at(7).usual_error_days, "{score:?}");
    assert!((0.68..0.92).contains(&score.all.within_80), "{score:?}");
    assert!(score.all.within_50 < score.all.within_80 && score.all.within_80 < score.all.within_95);
}

#[test]
fn the_day_read_off_the_cores_is_near_the_true_one() {
    let (history, outcomes) = played(12, 110);
    let mut off = Vec::new();
    for outcome in &outcomes {
        let batch = &history.batches[&outcome.batch];
        if let ByCores::Ready(day) = ready_by_cores(batch, f64::INFINITY) {
            off.push(day - outcome.ready_days);
        }
    }
    let n = off.len() as f64;
    let mean = off.iter().sum::<f64>() / n;
    let deviation = (off.iter().map(|x| (x - mean).powi(2)).sum::<f64>() / n).sqrt();
    assert!(
        off.len() > 40 && mean.abs() < 0.5,
        "{mean} of {}",
        off.len()
    );
    assert!(deviation < 1.6, "{deviation}");
}
