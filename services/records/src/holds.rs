//! What results and holds ask to be stated, as facts not stated yet. Pure: the worker states
//! them.

use std::collections::BTreeSet;

use facts::{Event, Fact, HoldPlaced, SampleId, Scope};
use safety::{Plan, hold_for};
use trace::Trace;

/// Holds that laboratory results ask for and nobody has placed, then the facts that standing
/// holds owe to wheels, then that all of them have been told. After these are stated, and no
/// others, there are none.
///
/// `asking`: the samples whose results may ask for a hold; those that do stay in it.
///
/// `refused`: what was stated, and the broker did not take. It goes again by itself; what else
/// is owed must not wait for it.
#[must_use]
pub fn owed(
    trace: &Trace<'_>,
    asking: &mut BTreeSet<SampleId>,
    plan: Option<&Plan>,
    refused: &[Event],
) -> Vec<Event> {
    let news = |event: &Event| !refused.contains(event);
    let mut owed: Vec<Event> = Vec::new();
    asking.retain(|sample| {
        let holds = ask_for(trace, *sample, plan);
        let asks = !holds.is_empty();
        owed.extend(holds.into_iter().map(Event::from));
        asks
    });
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

/// Holds that results of a sample ask for and nobody has placed.
fn ask_for(trace: &Trace<'_>, sample: SampleId, plan: Option<&Plan>) -> Vec<HoldPlaced> {
    let (results, sampled) = trace.results(sample);
    let named = sampled.as_ref().and_then(|sampled| sampled.plan.as_deref());
    let sampling = plan.zip(named).and_then(|(plan, id)| plan.sampling(id));
    let mut asked = Vec::new();
    for fact in results {
        let Event::LabResulted(resulted) = &fact.event else {
            continue;
        };
        let hold = |scope| hold_for(&fact, resulted, sampled.as_ref(), scope, sampling);
        // Over what is worked out only for those few that hold anything.
        if hold(Some(Scope::Wheels(Vec::new()))).is_some() && !trace.is_cause_of_a_hold(fact.id) {
            asked.extend(hold(trace.sample_scope(sample)));
        }
    }
    asked
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
