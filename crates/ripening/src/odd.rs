//! What cannot be right about a wheel once its recipe is known.

use crate::rule::Case;
use crate::{Flag, FlagKind, Seen, State};

/// Writes everything that cannot be right about a wheel into `flags`: what its notes say
/// by themselves, and what its recipe adds.
pub(crate) fn flags(state: &State, case: Option<&Case<'_>>, flags: &mut Vec<Flag>) {
    flags.extend(&state.flags);
    let by_recipe = case.map_or(&[][..], |case| case.recipe.holds.as_slice());
    for (n, release) in state.released_unheld.iter().enumerate() {
        // The first release from a hold that every wheel of the recipe is born under.
        let first = || {
            let earlier = &state.released_unheld[..n];
            !earlier.iter().any(|other| other.value == release.value)
        };
        if !(by_recipe.iter().any(|hold| hold.id == release.value) && first()) {
            flags.push(odd(FlagKind::ReleasedNotHeld, *release));
        }
    }
    if let Some(case) = case {
        at_dispatch(case, flags);
    }
}

fn odd<T>(kind: FlagKind, seen: Seen<T>) -> Flag {
    Flag {
        kind,
        fact: seen.moment.fact,
    }
}

fn at_dispatch(case: &Case<'_>, flags: &mut Vec<Flag>) {
    let Some(left) = case.state.dispatched else {
        return;
    };
    let released_by_then = |hold| {
        let mut released = case.state.released.iter();
        released.any(|r| r.value == hold && r.moment < left.moment)
    };
    let known = flags
        .iter()
        .any(|f| f.kind == FlagKind::DispatchedWhileHeld && f.fact == left.moment.fact);
    if !known && !case.recipe.holds.iter().all(|h| released_by_then(h.id)) {
        flags.push(odd(FlagKind::DispatchedWhileHeld, left));
    }
    let Some(market) = left.value.and_then(|market| case.recipe.market(market)) else {
        return;
    };
    let arrives = case.clock.day_of(left.moment.at).plus(market.transit_days);
    let age = arrives.days_since(case.made);
    if market.legal_least_age_days.is_some_and(|least| age < least) {
        flags.push(odd(FlagKind::TooYoungForMarket, left));
    }
    if case.state.grade.is_some_and(|g| !market.takes(g.value)) {
        flags.push(odd(FlagKind::WrongGradeForMarket, left));
    }
}
