//! Actions recorded at once for each wheel or carrier scanned: turn, unhoop, rub up,
//! load, move, pierce, hold, release, return, dispatch, discard.

use facts::{
    Carrier, CustomerId, Event, Grade, HoldId, MarketId, OrderId, Sale, StillageId, ToolId,
    WheelDiscarded, WheelDispatched, WheelHeld, WheelId, WheelLoaded, WheelMoved, WheelPierced,
    WheelReleased, WheelReturned, WheelRubbedUp, WheelTurned, WheelUnhooped,
};

use authority::people::may_state;

use crate::code::{Action, Code, Reason};
use crate::floor::{Floor, Group, Step};
use crate::known;
use crate::leaving::Leaving;
use crate::scan::Reach;
use crate::session::kept_too_long;
use crate::track::{Left, Place};

/// One of these actions, and what was scanned for it.
#[derive(Debug, Clone)]
pub(crate) struct Things {
    action: Action,
    stillage: Option<StillageId>,
    place: Option<Place>,
    machine: Option<ToolId>,
    hold: Option<HoldId>,
    order: Option<OrderId>,
    sale: Option<(CustomerId, Reason)>,
    market: Option<MarketId>,
}

impl Things {
    pub(crate) const fn new(action: Action) -> Self {
        Self {
            action,
            stillage: None,
            place: None,
            machine: None,
            hold: None,
            order: None,
            sale: None,
            market: None,
        }
    }

    pub(crate) const fn action(&self) -> Action {
        self.action
    }

    pub(crate) fn take(&mut self, code: Code, floor: &Floor<'_>) -> Step {
        match (self.action, code) {
            (Action::Load, Code::Stillage(id)) => self.stillage = Some(id),
            (Action::Move, Code::Room(room, position)) => {
                if let Err(unknown) = known::place(floor, room, position) {
                    self.place = None;
                    return Step::wrong(unknown.then("Nothing recorded"));
                }
                self.place = Some(Place { room, position });
            }
            (Action::Pierce, Code::Tool(id)) => {
                self.machine = None;
                if let Err(unknown) = known::machine(floor, id) {
                    return Step::wrong(unknown.then("Nothing recorded"));
                }
                self.machine = Some(id);
            }
            (Action::Hold, Code::Hold(id)) => self.hold = Some(id),
            (Action::Release, Code::Hold(id)) => {
                self.hold = None;
                if let Some(step) = known::hold(floor, id) {
                    return step;
                }
                self.hold = Some(id);
            }
            (Action::Dispatch, Code::Order(id)) => {
                let named = Leaving {
                    order: Some(id),
                    ..Leaving::default()
                };
                if let Some(step) = self.named(named, floor) {
                    return step;
                }
                if !floor.setup.dispatch_desk
                    && let Err(unknown) = known::order(floor, id)
                {
                    self.order = None;
                    return Step::wrong(unknown.then("Nothing recorded"));
                }
                (self.order, self.sale) = (Some(id), None);
            }
            (Action::Dispatch, Code::Customer(customer, reason)) => {
                if let Err(refused) = may_state(&self.dispatched(&[], None), floor.proof) {
                    return Step::wrong(format!("DISPATCH without an order {refused}"));
                }
                let Some(reason) = reason else {
                    return Step::wrong(format!(
                        "{code} without an order: type the reason behind it, such as D.{customer} sold at the door"
                    ));
                };
                let named = Leaving {
                    customer: Some(customer),
                    market: self.market,
                    ..Leaving::default()
                };
                if let Some(step) = self.named(named, floor) {
                    return step;
                }
                (self.order, self.sale) = (None, Some((customer, reason)));
            }
            (Action::Dispatch, Code::Market(id)) => {
                let named = Leaving {
                    market: Some(id),
                    ..Leaving::default()
                };
                if let Some(step) = self.named(named, floor) {
                    return step;
                }
                if !floor.setup.dispatch_desk
                    && let Err(unknown) = known::market(floor, id)
                {
                    self.market = None;
                    return Step::wrong(unknown.then("Nothing recorded"));
                }
                self.market = Some(id);
            }
            _ => {
                return match floor.group(code) {
                    Some(Ok(group)) => self.record(&group, floor),
                    Some(Err(step)) => step,
                    None => Step::wrong(format!(
                        "{} takes a wheel, hoop, stack or stillage, not {code}",
                        self.action
                    )),
                };
            }
        }
        Step::next(format!("{}, {code}: scan the wheels", self.action))
    }

    /// Why wheels cannot leave under a name that was scanned, or that the dispatch desk, which
    /// knows orders, customers and markets, is asked first. Without a desk nobody keeps them:
    /// they are as the paper has them.
    fn named(&mut self, named: Leaving, floor: &Floor<'_>) -> Option<Step> {
        if floor.kept {
            return Some(kept_too_long(self.action));
        }
        if !floor.setup.dispatch_desk {
            return None;
        }
        let step = match floor.asked.filter(|asked| asked.leaving == named) {
            _ if floor.reach == Reach::Away => Step::stop(
                "the dispatch desk cannot be asked while the broker is away: nothing recorded, nothing may leave. Wait until it is back",
                Vec::new(),
            ),
            None => return Some(Step::ask(named)),
            Some(asked) => match &asked.said {
                None => Step::stop(asked.stays()?, Vec::new()),
                Some(stays) => Step::wrong(stays.reasons.first()?.as_str()),
            },
        };
        // What was scanned before is not what was meant now.
        (self.order, self.sale, self.market) = (None, None, None);
        Some(step)
    }

    fn record(&self, group: &Group, floor: &Floor<'_>) -> Step {
        let Some(event) = self.event(group, floor) else {
            return Step::wrong(format!("{} first: {}", group.words, self.action.ask()));
        };
        if self.action == Action::Release && floor.person.is_none() {
            return Step::wrong("scan your badge first: only a named person can release");
        }
        let rights = floor.setup.holds.rights();
        if self.action == Action::Release && !rights.may_release(floor.person) {
            return Step::wrong(format!(
                "your release would not count: {} may release here. Nothing recorded",
                rights.words()
            ));
        }
        if self.action == Action::Release && floor.kept {
            return kept_too_long(self.action);
        }
        if self.action == Action::Dispatch
            && let Some(step) = self.stays(group, floor, &event)
        {
            return step;
        }
        let done = format!("{} {}", group.words, self.did());
        let wrong = |wheel| {
            floor
                .unsound(wheel)
                .or_else(|| self.contradicts(wheel, group, floor))
        };
        if let Some(flag) = floor.flag(&group.wheels, wrong) {
            return Step::flagged(&done, &flag, vec![event]);
        }
        let step = Step::ok(done, vec![event]);
        match self.aside(group, floor) {
            Some(aside) => step.aside(&aside),
            None => step,
        }
    }

    /// The fact. `None` while something it needs was not scanned.
    fn event(&self, group: &Group, floor: &Floor<'_>) -> Option<Event> {
        let (wheels, via) = (group.wheels.clone(), group.via);
        let reason = format!("set at station {}", floor.station);
        Some(match self.action {
            Action::Turn => WheelTurned { wheels, via }.into(),
            Action::Unhoop => WheelUnhooped { wheels, via }.into(),
            Action::RubUp => WheelRubbedUp { wheels, via }.into(),
            Action::Load => WheelLoaded {
                wheels,
                stillage: self.stillage?,
            }
            .into(),
            Action::Move => {
                let Place { room, position } = self.place?;
                WheelMoved {
                    wheels,
                    via,
                    room,
                    position,
                }
                .into()
            }
            Action::Pierce => WheelPierced {
                wheels,
                via,
                machine: self.machine?,
            }
            .into(),
            Action::Hold => WheelHeld {
                wheels,
                hold: self.hold?,
                reason,
            }
            .into(),
            Action::Release => WheelReleased {
                wheels,
                hold: self.hold?,
                reason,
            }
            .into(),
            Action::Dispatch => self.dispatched(&wheels, via),
            Action::Return => WheelReturned { wheels, reason }.into(),
            Action::Discard => WheelDiscarded { wheels, reason }.into(),
            _ => return None,
        })
    }

    fn dispatched(&self, wheels: &[WheelId], via: Option<Carrier>) -> Event {
        let sale = self.sale.map(|(customer, reason)| Sale {
            customer,
            reason: reason.to_string(),
        });
        Event::from(WheelDispatched {
            wheels: wheels.to_vec(),
            via,
            order: self.order,
            market: self.market,
            sale,
        })
    }

    /// What was done, in words.
    fn did(&self) -> String {
        let to = |id: Option<String>| id.unwrap_or_default();
        match self.action {
            Action::Turn => "turned".into(),
            Action::Unhoop => "unhooped".into(),
            Action::RubUp => "rubbed up".into(),
            Action::Load => format!("loaded on {}", to(self.stillage.map(|s| s.to_string()))),
            Action::Move => match self.place {
                Some(Place {
                    room,
                    position: Some(position),
                }) => format!("moved to {room} place {position}"),
                place => format!("moved to {}", to(place.map(|p| p.room.to_string()))),
            },
            Action::Pierce => format!("pierced on {}", to(self.machine.map(|m| m.to_string()))),
            Action::Hold => format!("held under {}", to(self.hold.map(|h| h.to_string()))),
            Action::Release => format!("released from {}", to(self.hold.map(|h| h.to_string()))),
            Action::Dispatch => match (self.order, self.sale) {
                (Some(order), _) => format!("dispatched for order {order}"),
                (None, Some((customer, _))) => format!("dispatched to {customer}"),
                (None, None) => "dispatched".into(),
            },
            Action::Return => "taken back".into(),
            _ => "thrown away".into(),
        }
    }

    /// What these wheels' records say against it.
    fn contradicts(&self, wheel: WheelId, group: &Group, floor: &Floor<'_>) -> Option<String> {
        let left = floor.left(wheel);
        match self.action {
            Action::Return => match left {
                Some(Left::Dispatched(_)) => None,
                Some(Left::Discarded(_)) => floor.gone(wheel),
                None => Some(format!("{wheel} never left")),
            },
            // A hold or a release of a wheel that has gone is news for a recall, so the
            // person hears of it; it is as true as ever.
            _ if left.is_some() => floor.gone(wheel),
            Action::Unhoop => {
                let hoop = floor.placement.standing(wheel).and_then(|s| s.hoop);
                hoop.is_none()
                    .then(|| format!("{wheel} is in no hoop by the records"))
            }
            Action::Release => {
                let hold = self.hold?;
                (self.outside(group, floor) == group.wheels.len())
                    .then(|| format!("{wheel} was not under {hold}"))
            }
            _ => None,
        }
    }

    /// What the person may want to know, though nothing is wrong.
    fn aside(&self, group: &Group, floor: &Floor<'_>) -> Option<String> {
        match self.action {
            Action::Turn => turned_already(group, floor),
            Action::Release => match self.outside(group, floor) {
                0 => None,
                others => Some(format!("{others} of them were not under it")),
            },
            _ => None,
        }
    }

    /// How many of these wheels the hold to be released does not keep.
    fn outside(&self, group: &Group, floor: &Floor<'_>) -> usize {
        let kept = |wheel: &WheelId| {
            let mut held = floor.held(*wheel).into_iter();
            self.hold
                .is_some_and(|hold| held.any(|held| held.hold == hold))
        };
        group.wheels.iter().filter(|wheel| !kept(wheel)).count()
    }

    /// Why these wheels may not leave, or that the dispatch desk is asked first. Nothing is
    /// recorded then, and none may leave.
    fn stays(&self, group: &Group, floor: &Floor<'_>, event: &Event) -> Option<Step> {
        let stop = |words: String| Some(Step::stop(words, Vec::new()));
        if floor.kept {
            return Some(kept_too_long(self.action));
        }
        if floor.person.is_none() {
            return stop(
                "scan your badge first: who lets it leave is recorded. Nothing recorded, nothing may leave"
                    .to_owned(),
            );
        }
        if self.order.is_none() && self.sale.is_none() {
            return stop(format!(
                "{} for no order: nothing recorded, nothing may leave. Scan the order, then this again. Without an order a signed-in manager at a browser station types D.CUSTOMER and the reason",
                group.words
            ));
        }
        match floor.reach {
            Reach::Current => {}
            Reach::Away => {
                return stop(
                    "holds cannot be checked while the broker is away: nothing recorded, \
                     nothing may leave. Wait until it is back"
                        .to_owned(),
                );
            }
            Reach::Behind => {
                return stop(
                    "holds cannot be checked yet: nothing recorded, nothing may leave. \
                     Scan it again in a moment"
                        .to_owned(),
                );
            }
        }
        if let Some(held) = held(group, floor) {
            return stop(held);
        }
        let unfit = |wheel: &WheelId| self.unfit(*wheel, floor);
        let mut unfit = group.wheels.iter().filter_map(unfit);
        if let Some(why) = unfit.next() {
            let more = match unfit.count() {
                0 => String::new(),
                more => format!(" (and {more} wheels more)"),
            };
            return stop(format!(
                "{why}{more}: nothing recorded, none may leave. Set aside"
            ));
        }
        if !floor.setup.dispatch_desk {
            return None;
        }
        let leaving = Leaving::of(event)?;
        match floor.asked.filter(|asked| asked.leaving == leaving) {
            Some(asked) => stop(asked.stays()?),
            None => Some(Step::ask(leaving)),
        }
    }

    /// Why a wheel is not fit to leave, as far as a station can tell; the dispatch desk knows
    /// more.
    fn unfit(&self, wheel: WheelId, floor: &Floor<'_>) -> Option<String> {
        let standing = floor.placement.standing(wheel);
        let Some(standing) = standing.filter(|standing| standing.births > 0) else {
            return Some(format!("{wheel} is not known here"));
        };
        if let Some(gone) = floor.gone(wheel) {
            return Some(gone);
        }
        if let Some(hoop) = standing.hoop {
            return Some(format!("{wheel} is in hoop {hoop} by the records"));
        }
        match standing.grade {
            None => return Some(format!("{wheel} is not graded")),
            Some(Grade::Reject) => return Some(format!("{wheel} was graded REJECT")),
            Some(_) => {}
        }
        let recipe = floor.placement.recipe_of(standing.batch?)?;
        let markets = floor.setup.youngest.get(&recipe)?;
        let least = match self.market {
            Some(market) => match markets.get(&market) {
                Some(least) => Some(least),
                None => return Some(format!("the recipe of {wheel} has no market {market}")),
            },
            None => markets.values().min(),
        };
        let clock = floor.setup.clock;
        let age = clock
            .day_of(floor.at)
            .days_since(clock.day_of(standing.made?));
        least
            .filter(|least| age < **least)
            .map(|least| format!("{wheel} is {age} days old, and the law asks for {least}"))
    }
}

/// That a hold keeps any of these wheels.
fn held(group: &Group, floor: &Floor<'_>) -> Option<String> {
    // Of a wheel that is not known here, that is the news: see `Things::unfit`.
    let held = |wheel: &&WheelId| floor.placement.knows(**wheel) && !floor.held(**wheel).is_empty();
    let first = *group.wheels.iter().find(held)?;
    let all = floor.held(first);
    // One that is known to keep it says more than one that may.
    let known = all.iter().find(|held| !held.untraced);
    let hold = known.or_else(|| all.first())?.words();
    let held = group.wheels.iter().filter(held).count();
    let what = if group.wheels.len() == 1 {
        format!("{} is under hold {hold}", group.words)
    } else {
        let of = format!("{held} of {}", group.words);
        format!("{of} under hold {hold}, first {first}")
    };
    Some(format!(
        "{what}: nothing recorded, none may leave. Set aside"
    ))
}

fn turned_already(group: &Group, floor: &Floor<'_>) -> Option<String> {
    let clock = floor.setup.clock;
    let day = clock.day_of(floor.at);
    let (from, to) = (clock.start_of(day), clock.end_of(day));
    let turned = |wheel: &WheelId| floor.placement.turned_between(*wheel, from, to);
    let times: Vec<_> = group.wheels.iter().filter_map(turned).collect();
    let last = floor.time(*times.iter().max()?);
    Some(if times.len() == group.wheels.len() {
        format!("already turned {last}: recorded again")
    } else {
        format!("{} of them already turned {last}", times.len())
    })
}
