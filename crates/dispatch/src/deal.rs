//! From numbers of wheels to wheels: each lot is dealt out in walking order to the lines it
//! goes to, the first to leave first.

use std::collections::{BTreeMap, BTreeSet};

use facts::WheelId;

use crate::allocate::{Problem, Settled};
use crate::allocation::{Allocation, Assigned, KeptBack, LeftOver, LineOutcome};
use crate::explain;
use crate::fit::Fit;
use crate::model::last_day;
use crate::stock::{Lot, Source};
use crate::wanted::{Amount, LineKey, Shipment};

/// Wheels of one lot for one line by one way.
#[derive(Debug, Clone)]
pub(crate) struct Share {
    pub(crate) lot: usize,
    pub(crate) line: usize,
    pub(crate) count: i64,
    pub(crate) way: Shipment,
    pub(crate) fit: Fit,
    pub(crate) locked: bool,
}

impl Share {
    pub(crate) fn wheels(&self) -> usize {
        usize::try_from(self.count).unwrap_or_default()
    }
}

pub(crate) fn deal(problem: &Problem<'_>, mut settled: Settled) -> Allocation {
    let lots = &problem.stock.lots;
    settled.shares.sort_by(|a, b| {
        let key = |share: &Share| {
            (
                share.way.leave_on,
                problem.lines[share.line].key,
                lots[share.lot].key,
            )
        };
        key(a).cmp(&key(b)).then(b.locked.cmp(&a.locked))
    });
    let mut wheels = name_wheels(problem, &settled.shares);
    let mut assigned: Vec<Vec<Assigned>> = vec![Vec::new(); problem.lines.len()];
    for (place, share) in settled.shares.iter().enumerate() {
        let (lot, wanted) = (&lots[share.lot], &problem.lines[share.line]);
        let named = std::mem::take(&mut wheels[place]);
        let grams = if named.is_empty() {
            u64::from(lot.mean_g) * share.wheels() as u64
        } else {
            let weights = named
                .iter()
                .map(|place| problem.cheeses[*place as usize].weight_g);
            weights.map(u64::from).sum()
        };
        let arrive_on = share.way.arrivals.likely().unwrap_or(share.way.leave_on);
        assigned[share.line].push(Assigned {
            source: lot.key.source,
            grade: lot.key.grade,
            graded: lot.key.graded,
            class: lot.key.class,
            awaits: lot.key.awaits,
            count: share.wheels(),
            wheels: named
                .iter()
                .map(|place| problem.cheeses[*place as usize].wheel)
                .collect(),
            grams,
            lane: share.way.lane,
            leave_on: share.way.leave_on,
            arrive_on,
            age_days: arrive_on.days_since(lot.made),
            ready: share.fit.ready,
            on_time: share.fit.on_time,
            in_window: share.fit.in_window,
            locked: share.locked,
            because: explain::because(lot, wanted, share),
        });
    }
    let sure = |line: usize| {
        let shares = settled.shares.iter().filter(|share| share.line == line);
        certainty(shares.map(|share| (lots[share.lot].key.source, &share.way, share.fit)))
    };
    let left = left_overs(problem, &settled);
    let explainer = explain::Explainer::new(problem, &settled);
    let lines = problem.lines.iter().zip(assigned).enumerate();
    let lines = lines.map(|(place, (wanted, assigned))| {
        let short = usize::try_from(settled.short[place].max(0)).unwrap_or_default();
        let shortage = (short > 0).then(|| explainer.shortage(place, short, &assigned));
        LineOutcome {
            key: wanted.key,
            customer: wanted.customer,
            market: wanted.market,
            recipe: wanted.recipe,
            grade: wanted.grade,
            amount: wanted.amount,
            window: wanted.window,
            told: wanted.is_told(),
            certainty: if short > 0 { 0.0 } else { sure(place) },
            assigned,
            short,
            shortage,
            trouble: wanted.trouble.clone(),
        }
    });
    Allocation {
        today: problem.now.today,
        until: problem.until,
        lines: lines.collect(),
        left,
        kept: kept_back(problem),
        objective: settled.objective,
        bound: settled.bound,
        size: settled.size,
    }
}

/// The probability that all of a line comes as it was asked for, from where its parts come
/// and how they go. Wheels of one batch get ready together, batches and shipments
/// independently of each other.
pub(crate) fn certainty<'s>(parts: impl Iterator<Item = (Source, &'s Shipment, Fit)>) -> f64 {
    let mut ready: BTreeMap<Source, f64> = BTreeMap::new();
    let mut roads: BTreeMap<_, f64> = BTreeMap::new();
    for (source, way, fit) in parts {
        let batch = ready.entry(source).or_insert(1.0);
        *batch = batch.min(fit.ready);
        let road = roads.entry((way.leave_on, way.lane)).or_insert(1.0);
        *road = road.min(fit.kept() / fit.ready.max(f64::MIN_POSITIVE));
    }
    ready.values().product::<f64>() * roads.values().product::<f64>()
}

/// Names the wheels of each share, as places in the list of wheels. Lots of which nobody
/// can say which wheels they are stay without names.
fn name_wheels(problem: &Problem<'_>, shares: &[Share]) -> Vec<Vec<u32>> {
    let mut named: Vec<Vec<u32>> = vec![Vec::new(); shares.len()];
    let mut of_lot: BTreeMap<usize, Vec<usize>> = BTreeMap::new();
    for (place, share) in shares.iter().enumerate() {
        of_lot.entry(share.lot).or_default().push(place);
    }
    let by_weight = |share: &Share| matches!(problem.lines[share.line].amount, Amount::Grams(_));
    for (lot, mut takers) in of_lot {
        let lot = &problem.stock.lots[lot];
        if lot.wheels.is_empty() {
            continue;
        }
        let mut free: BTreeSet<(usize, u32)> = lot.wheels.iter().copied().enumerate().collect();
        // Wheels stay with the line they were with yesterday.
        let mut were: BTreeMap<LineKey, Vec<(usize, u32)>> = BTreeMap::new();
        for wheel in &free {
            let id: WheelId = problem.cheeses[wheel.1 as usize].wheel;
            if let Some(line) = problem.yesterday.wheels.get(&id) {
                were.entry(*line).or_default().push(*wheel);
            }
        }
        for place in &takers {
            let share = &shares[*place];
            if by_weight(share) {
                continue;
            }
            let same = were
                .remove(&problem.lines[share.line].key)
                .unwrap_or_default();
            for wheel in same.into_iter().take(share.wheels()) {
                free.remove(&wheel);
                named[*place].push(wheel.1);
            }
        }
        // Lines that are ordered by weight choose before the others.
        takers.sort_by_key(|place| !by_weight(&shares[*place]));
        for place in takers {
            let share = &shares[place];
            let missing = share.wheels() - named[place].len().min(share.wheels());
            let chosen: Vec<(usize, u32)> = if by_weight(share) {
                let target = weight_target(problem, shares, &named, place);
                choose_by_weight(problem, &free, missing, target)
            } else {
                free.iter().copied().take(missing).collect()
            };
            for wheel in chosen {
                free.remove(&wheel);
                named[place].push(wheel.1);
            }
            named[place].sort_unstable();
        }
    }
    named
}

/// What the wheels of a share should weigh, g: its part of what the line still misses.
fn weight_target(problem: &Problem<'_>, shares: &[Share], named: &[Vec<u32>], place: usize) -> f64 {
    let share = &shares[place];
    let Amount::Grams(target) = problem.lines[share.line].amount else {
        return 0.0;
    };
    let (mut grams, mut open) = (f64::from(target), 0.0);
    for (other, wheels) in shares.iter().zip(named) {
        if other.line != share.line {
            continue;
        }
        let lot: &Lot = &problem.stock.lots[other.lot];
        if !wheels.is_empty() {
            let weights = wheels
                .iter()
                .map(|place| problem.cheeses[*place as usize].weight_g);
            grams -= weights.map(f64::from).sum::<f64>();
        } else if lot.wheels.is_empty() {
            grams -= other.count as f64 * f64::from(lot.mean_g);
        } else {
            open += other.count as f64;
        }
    }
    grams * share.count as f64 / open.max(1.0)
}

/// So many wheels whose weights come together near a target, g: neighbours in the order of
/// weight. Each step up that order weighs more, so the nearest is where the sum passes the
/// target.
fn choose_by_weight(
    problem: &Problem<'_>,
    free: &BTreeSet<(usize, u32)>,
    count: usize,
    target: f64,
) -> Vec<(usize, u32)> {
    let weigh = |wheel: &(usize, u32)| problem.cheeses[wheel.1 as usize].weight_g;
    let mut sorted: Vec<(usize, u32)> = free.iter().copied().collect();
    sorted.sort_by_key(|wheel| (weigh(wheel), *wheel));
    let off = |run: &&[(usize, u32)]| {
        let sum: f64 = run.iter().map(|wheel| f64::from(weigh(wheel))).sum();
        (sum - target).abs()
    };
    if count == 0 {
        return Vec::new();
    }
    let best = sorted
        .windows(count)
        .min_by(|a, b| off(a).total_cmp(&off(b)));
    best.map(<[_]>::to_vec).unwrap_or_default()
}

fn left_overs(problem: &Problem<'_>, settled: &Settled) -> Vec<LeftOver> {
    let mut left: BTreeMap<_, LeftOver> = BTreeMap::new();
    for (lot, count) in problem.stock.lots.iter().zip(&settled.left) {
        let count = usize::try_from(*count).unwrap_or_default();
        if count == 0 {
            continue;
        }
        let key = &lot.key;
        let last = last_day(lot);
        let same = (key.recipe, key.source, key.grade, key.graded, key.reserved);
        let over = left.entry(same).or_insert(LeftOver {
            source: key.source,
            recipe: key.recipe,
            grade: key.grade,
            graded: key.graded,
            reserved: key.reserved,
            count: 0,
            grams: 0,
            last_day: last,
            past_best: last < problem.until,
        });
        over.count += count;
        over.grams += u64::from(lot.mean_g) * count as u64;
    }
    left.into_values().collect()
}

fn kept_back(problem: &Problem<'_>) -> Vec<KeptBack> {
    let kept = problem.stock.kept.iter();
    kept.map(|((recipe, batch, grade, kept), count)| KeptBack {
        source: Source::Batch(*batch),
        recipe: *recipe,
        grade: *grade,
        count: *count,
        kept: *kept,
    })
    .collect()
}
