//! What another recipe would change for the wheels on a floor.

use facts::WheelId;
use quantity::DairyClock;
use recipe::Recipe;
use ripening::{Action, Blocked, Floor, NextAction, Urgency, Window};
use serde::Serialize;

use crate::show;
use crate::table::Table;

/// What goes otherwise on a floor when its wheels go by another recipe.
#[derive(Serialize)]
pub struct OnTheFloor {
    at_local: String,
    /// The recipe that is replaced.
    recipe: String,
    on_floor: usize,
    by_a: usize,
    changed: usize,
    changes: Vec<Change>,
}

/// One way in which an action goes otherwise, and for which wheels.
#[derive(Serialize)]
struct Change {
    #[serde(flatten)]
    what: Otherwise,
    wheels: Vec<WheelId>,
}

/// How an action goes otherwise.
#[derive(PartialEq, Serialize)]
struct Otherwise {
    action: String,
    rule: &'static str,
    /// How it stands now; none when that recipe does not ask for it.
    a: Option<Standing>,
    b: Option<Standing>,
    /// How far its window moves, when both ask for it.
    moves: Option<Moves>,
}

/// How an action stands.
#[derive(Clone, Copy, PartialEq, Serialize)]
struct Standing {
    urgency: Urgency,
    waits: Option<Blocked>,
}

/// How far a window moves, in dairy days; later is positive.
#[derive(Clone, Copy, PartialEq, Serialize)]
struct Moves {
    opens: i64,
    due: i64,
    closes: i64,
    /// It moves, if only within its days.
    at_all: bool,
}

impl OnTheFloor {
    /// Compares a floor with itself by another recipe; `by`: the one that is replaced.
    pub fn between(a: &Floor, b: &Floor, by: &Recipe) -> Self {
        let goes_by_a = |wheel: &ripening::Wheel| {
            let recipe = wheel.state().batch.and_then(|batch| a.recipe_of(batch));
            recipe.is_some_and(|recipe| (recipe.id, recipe.version) == (by.id, by.version))
        };
        let on_floor: Vec<_> = a.wheels().filter(|(_, w)| w.state().on_floor()).collect();
        let mut wheels: Vec<_> = on_floor.iter().filter(|(_, w)| goes_by_a(w)).collect();
        wheels.sort_unstable_by_key(|(id, _)| **id);
        let mut found = Self {
            at_local: a.practice().clock.local(a.now()),
            recipe: format!("{} v{}", by.id, by.version),
            on_floor: on_floor.len(),
            by_a: wheels.len(),
            changed: 0,
            changes: Vec::new(),
        };
        for (id, wheel) in wheels {
            let then = b.wheel(**id).map_or(&[][..], ripening::Wheel::actions);
            found.changed += usize::from(found.wheel(**id, a, wheel.actions(), then));
        }
        // What presses most by B comes first.
        found.changes.sort_by_key(|change| {
            let urgency = change.what.b.map(|standing| standing.urgency);
            std::cmp::Reverse((urgency, change.wheels.len()))
        });
        found
    }

    /// Notes what goes otherwise for a wheel; `false` when nothing does.
    fn wheel(&mut self, id: WheelId, floor: &Floor, a: &[NextAction], b: &[NextAction]) -> bool {
        let same = |x: &NextAction, y: &NextAction| {
            (x.action, x.because.rule) == (y.action, y.because.rule)
        };
        let both = a.iter().map(|x| (Some(x), b.iter().find(|y| same(x, y))));
        let only_b = b.iter().filter(|y| !a.iter().any(|x| same(x, y)));
        let all = both.chain(only_b.map(|y| (None, Some(y))));
        let mut changed = false;
        for what in all.filter_map(|(x, y)| Otherwise::between(floor, x, y)) {
            changed = true;
            match self.changes.iter_mut().find(|change| change.what == what) {
                Some(change) => change.wheels.push(id),
                None => self.changes.push(Change {
                    what,
                    wheels: vec![id],
                }),
            }
        }
        changed
    }

    /// Shows it to a person.
    pub fn show(&self) {
        let Self {
            at_local,
            recipe,
            on_floor,
            by_a,
            changed,
            changes,
        } = self;
        println!("On the floor at {at_local}: {by_a} of {on_floor} wheels go by {recipe}.");
        if changes.is_empty() {
            println!("By B nothing changes for them.");
            return;
        }
        println!("By B, {changed} of them need something else, or at another time:\n");
        let mut table = Table::new(&["do", "rule", "by A", "by B", "what changes", "wheels"]);
        for Change { what, wheels } in changes {
            table.row([
                what.action.clone(),
                what.rule.to_owned(),
                Standing::word(what.a),
                Standing::word(what.b),
                what.words(),
                show::some(wheels),
            ]);
        }
        table.print();
        println!("\nNothing was changed: wheels keep the recipe they were made under.");
    }
}

impl Otherwise {
    fn between(floor: &Floor, a: Option<&NextAction>, b: Option<&NextAction>) -> Option<Self> {
        let standing = |action: &NextAction| Standing {
            urgency: action.window.urgency(floor.now()),
            waits: action.because.blocked,
        };
        let moves = a
            .zip(b)
            .map(|(a, b)| Moves::between(&floor.practice().clock, &a.window, &b.window));
        let NextAction {
            action, because, ..
        } = a.or(b)?;
        let what = Self {
            action: Action::to_string(action),
            rule: because.rule,
            a: a.map(standing),
            b: b.map(standing),
            moves,
        };
        let changed = what.a != what.b || what.moves.is_some_and(|moves| moves.at_all);
        changed.then_some(what)
    }

    fn words(&self) -> String {
        let (Some(a), Some(b)) = (self.a, self.b) else {
            let only = if self.a.is_some() {
                "no longer asked for"
            } else {
                "asked for"
            };
            return only.to_owned();
        };
        let mut words: Vec<String> = self.moves.map(Moves::words).into_iter().flatten().collect();
        if a.waits != b.waits {
            words.push(match b.waits {
                Some(blocked) => format!("waits: {}", blocked.words()),
                None => "waits no longer".to_owned(),
            });
        }
        words.join("; ")
    }
}

impl Standing {
    fn word(standing: Option<Self>) -> String {
        match standing {
            None => String::new(),
            Some(Self { waits: Some(_), .. }) => "waits".to_owned(),
            Some(Self { urgency, .. }) => urgency.to_string(),
        }
    }
}

impl Moves {
    fn between(clock: &DairyClock, a: &Window, b: &Window) -> Self {
        let days = |a, b| clock.day_of(b).days_since(clock.day_of(a));
        Self {
            opens: days(a.earliest, b.earliest),
            due: days(a.due, b.due),
            closes: days(a.latest, b.latest),
            at_all: a != b,
        }
    }

    fn words(self) -> Option<String> {
        let Self {
            opens,
            due,
            closes,
            at_all,
        } = self;
        if !at_all {
            return None;
        }
        let by = |days: i64| {
            let n = days.unsigned_abs();
            let s = if n == 1 { "" } else { "s" };
            let way = if days < 0 { "earlier" } else { "later" };
            format!("{n} day{s} {way}")
        };
        let mut moved: Vec<(String, i64)> = Vec::new();
        for (edge, days) in [("opens", opens), ("due", due), ("closes", closes)] {
            match moved.last_mut() {
                Some((edges, by)) if *by == days => *edges = format!("{edges} and {edge}"),
                _ => moved.push((edge.to_owned(), days)),
            }
        }
        if let [(_, days)] = moved[..]
            && days != 0
        {
            return Some(by(days));
        }
        moved.retain(|(_, days)| *days != 0);
        let moved: Vec<String> = moved
            .iter()
            .map(|(edges, days)| format!("{edges} {}", by(*days)))
            .collect();
        Some(if moved.is_empty() {
            "other hours of the same days".to_owned()
        } else {
            moved.join(", ")
        })
    }
}
