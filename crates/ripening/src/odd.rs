//! What cannot be right about a wheel once its recipe, and who may release it, is known.

use holds::{By, Moment, Over, Says};

use crate::rule::Case;
use crate::{Flag, FlagKind, State};

/// Writes everything that cannot be right about a wheel into `flags`: what its notes say
/// by themselves, and what its recipe and the holds over it add.
pub(crate) fn flags(state: &State, case: Option<&Case<'_>>, over: Over<'_>, flags: &mut Vec<Flag>) {
    flags.extend(&state.flags);
    let releases = state.holds.notes().iter();
    for release in releases.filter(|note| note.says == Says::Released && !note.ends(over.rights)) {
        let kind = match release.person {
            None => FlagKind::ReleasedByNobody,
            Some(_) => FlagKind::ReleasedWithoutRight,
        };
        flags.push(odd(kind, release.moment));
    }
    for release in state.holds.needless(over) {
        flags.push(odd(FlagKind::ReleasedNotHeld, release.moment));
    }
    for left in &state.left {
        // Whether a hold that nobody has traced yet kept it then is not known.
        let mut kept = state.holds.holds_before(over, *left).into_iter();
        if kept.any(|standing| !matches!(standing.by, By::Untraced(_))) {
            flags.push(odd(FlagKind::DispatchedWhileHeld, *left));
        }
    }
    if let Some(case) = case {
        at_dispatch(case, flags);
    }
    // In the order in which facts were stated; of one fact, as found.
    flags.sort_by_key(|flag| flag.fact);
}

fn odd(kind: FlagKind, moment: Moment) -> Flag {
    Flag {
        kind,
        fact: moment.fact,
    }
}

fn at_dispatch(case: &Case<'_>, flags: &mut Vec<Flag>) {
    let Some(left) = case.state.dispatched else {
        return;
    };
    let Some(market) = left.value.and_then(|market| case.recipe.market(market)) else {
        return;
    };
    let arrives = case.clock.day_of(left.moment.at).plus(market.transit_days);
    let age = arrives.days_since(case.made);
    if market.legal_least_age_days.is_some_and(|least| age < least) {
        flags.push(odd(FlagKind::TooYoungForMarket, left.moment));
    }
    if case.state.grade.is_some_and(|g| !market.takes(g.value)) {
        flags.push(odd(FlagKind::WrongGradeForMarket, left.moment));
    }
}
