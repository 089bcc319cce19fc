//! What people have to hear of: checks missed or out of limits with nothing decided, results
//! for samples that nobody took, releases without the right to them. Each is told once.

use bus::telling::Telling;
use chrono::{DateTime, TimeDelta, Utc};
use facts::Window;
use quantity::{DairyClock, calendar};
use safety::{About, Check, Diary, Plan, Standing};
use trace::Trace;

use crate::holds;

/// What alerts about checks begin with.
pub const CHECK: &str = "check-";

/// How long after it was due a check is still told of: a site that begins to keep records
/// is not flooded with what lies behind.
const TELL_WITHIN: TimeDelta = TimeDelta::hours(48);

/// Readings and handling older than this can change no check that is still told of: the
/// longest time that a plan may give a check is 100 days.
const ROUTINE_KEPT: TimeDelta = TimeDelta::days(120);

/// A sample's own fact may come in later than its result: so long it is waited for.
const SAMPLE_MAY_FOLLOW: TimeDelta = TimeDelta::minutes(30);

/// Results that hold nothing because nobody took their sample. Pure.
#[must_use]
pub fn of_no_sample(trace: &Trace<'_>, now: DateTime<Utc>) -> Vec<Telling> {
    let window = Window {
        from: calendar::earlier(now, TELL_WITHIN),
        to: Some(calendar::later(now, TimeDelta::milliseconds(1))),
    };
    let results = trace.results_within(window).into_iter();
    let waited = results.filter(|fact| now - fact.occurred_at >= SAMPLE_MAY_FOLLOW);
    let unknown = waited.filter_map(|fact| {
        let text = holds::trouble(trace, &fact)?;
        let name = format!("result-{}-of-no-sample", fact.id);
        Some(Telling::alarm(name, text))
    });
    unknown.collect()
}

/// Releases by somebody without the right to them. Pure.
#[must_use]
pub fn without_right(trace: &Trace<'_>) -> Vec<Telling> {
    let standing = trace.standing_holds().into_iter();
    let released = standing.flat_map(|over| {
        let hold = over.hold;
        over.released_without_right.into_iter().map(move |wheel| {
            let text = format!(
                "{wheel} was released from hold {hold} by somebody whom the safety file does not name: the hold stands"
            );
            Telling::alarm(format!("hold-{hold}-{wheel}-without-right"), text)
        })
    });
    released.collect()
}

/// Checks that are not as they should be: those to tell of, then older ones. Pure.
#[must_use]
pub fn alerts(
    plan: &Plan,
    diary: &Diary,
    clock: &DairyClock,
    now: DateTime<Utc>,
) -> (Vec<Telling>, Vec<Telling>) {
    let checks = safety::checks(plan, diary, clock, now);
    let (mut fresh, mut old) = (Vec::new(), Vec::new());
    for check in &checks {
        let (word, since) = match (&check.standing, check.done) {
            (Standing::Missed, _) => ("missed", check.due),
            (Standing::Out { decided: false }, Some((done, ..))) => ("out", done),
            _ => continue,
        };
        if let Some(text) = safety::alerts(std::slice::from_ref(check)).pop() {
            let told = if now - since <= TELL_WITHIN {
                &mut fresh
            } else {
                &mut old
            };
            told.push(alert(check, word, text));
        }
    }
    (fresh, old)
}

fn alert(check: &Check, word: &str, text: String) -> Telling {
    let about = match check.about {
        About::Batch(batch) => format!("batch-{batch}"),
        About::MilkLot(lot) => format!("lot-{lot}"),
        About::Day(day) => day.date().to_string(),
    };
    let name = format!("{CHECK}{}-{about}-{word}", check.control);
    Telling::alarm(name, text)
}

/// From when on readings and handling may still be needed for an alert.
pub(crate) fn routine_kept_from(now: DateTime<Utc>) -> DateTime<Utc> {
    calendar::earlier(now, ROUTINE_KEPT)
}
