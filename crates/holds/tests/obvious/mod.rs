//! Which facts count as never having happened, slowly and obviously: every fact is looked at
//! again for every question. Tests of every place that answers it compare with this one.

use facts::{Event, Fact, FactId};
use holds::Rights;

/// Whether what a fact says lets a wheel go once the fact is taken back, and once that is
/// taken back in turn.
fn lets_go(fact: &Fact) -> (bool, bool) {
    match &fact.event {
        Event::WheelHeld(_) | Event::HoldPlaced(_) => (true, false),
        Event::ToolChecked(checked) if !checked.check.passed() => (true, false),
        Event::WheelReleased(_) | Event::HoldLifted(_) | Event::HoldTraced(_) => (false, true),
        Event::VatRecipeChanged(_) => (true, true),
        _ => (false, false),
    }
}

/// Milliseconds from the receipt of one fact to that of another, as their names say; none where
/// one says nothing.
fn millis_between(first: &Fact, then: &Fact) -> Option<i64> {
    let millis = |fact: &Fact| {
        let name = fact.id.to_string().replace('-', "");
        let says = name.as_bytes()[12] == b'7';
        i64::from_str_radix(&name[..12], 16).ok().filter(|_| says)
    };
    Some(millis(then)? - millis(first)?)
}

/// Whether a fact counts as never having happened, by all of these.
pub fn never_happened(fact: &Fact, all: &[&Fact], rights: &Rights) -> bool {
    taken_back(fact, lets_go(fact), all, rights, &mut Vec::new())
}

fn taken_back(
    fact: &Fact,
    (now, then): (bool, bool),
    all: &[&Fact],
    rights: &Rights,
    path: &mut Vec<FactId>,
) -> bool {
    let voiders: Vec<&Fact> = all
        .iter()
        .copied()
        .filter(|by| matches!(&by.event, Event::Voided(voided) if voided.fact == fact.id))
        .collect();
    if voiders.is_empty() {
        return false;
    }
    if path.contains(&fact.id) {
        return true;
    }
    path.push(fact.id);
    let of_nobodys_concern =
        !matches!(fact.event, Event::Voided(_)) && !authority::workers::keeps_safe(&fact.event);
    let void = voiders.into_iter().any(|by| {
        // Ten minutes, and one on either side for what lies between a scan and the disk.
        let in_time = millis_between(fact, by).is_some_and(|ms| (-60_000..=660_000).contains(&ms));
        let own = of_nobodys_concern && by.station == fact.station && in_time;
        let office = by.station.as_str() == authority::workers::OFFICE;
        let may = !now || rights.may_release(by.person);
        (own || (office && may)) && !taken_back(by, (then, now), all, rights, path)
    });
    path.pop();
    void
}
