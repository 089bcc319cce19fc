//! What results and holds ask to be stated, as facts not stated yet. Pure: the worker states
//! them.

use facts::{Event, Fact};
use safety::{Plan, hold_for};
use trace::Trace;

/// Holds that laboratory results ask for and nobody has placed, then the facts that standing
/// holds owe to wheels, then that all of them have been told. After these are stated, and no
/// others, there are none.
///
/// `refused`: what was stated, and the broker did not take. It goes again by itself; what else
/// is owed must not wait for it.
#[must_use]
pub fn owed(trace: &Trace<'_>, plan: Option<&Plan>, refused: &[Event]) -> Vec<Event> {
    let news = |event: &Event| !refused.contains(event);
    let mut owed: Vec<Event> = Vec::new();
    for (fact, sampled) in trace.results() {
        let Event::LabResulted(resulted) = &fact.event else {
            continue;
        };
        if trace.is_cause_of_a_hold(fact.id) {
            continue;
        }
        let named = sampled.and_then(|sampled| sampled.plan.as_deref());
        let sampling = plan.zip(named).and_then(|(plan, id)| plan.sampling(id));
        let stands_for = trace.sample_scope(resulted.sample);
        owed.extend(hold_for(fact, resulted, sampled, stands_for, sampling).map(Event::from));
    }
    owed.retain(news);
    if owed.is_empty() {
        // A hold placed in this round is told to its wheels in the next.
        owed.extend(trace.owed_holds().into_iter().map(Event::from));
    }
    if owed.is_empty() {
        // So is that all of them were told: the log has to have what they were told.
        owed.extend(trace.untraced_holds().into_iter().map(Event::from));
    }
    owed
}

/// A result that cannot do its work, in words: for people.
#[must_use]
pub fn trouble(trace: &Trace<'_>, fact: &Fact) -> Option<String> {
    let Event::LabResulted(resulted) = &fact.event else {
        return None;
    };
    (!trace.knows_sample(resulted.sample)).then(|| {
        format!(
            "a result came in for sample {}, which nobody took: nothing is held by it. Find out what it is about",
            resulted.sample
        )
    })
}
