//! Limits on mixing batches: no more than so many batches on a line, no fewer than so many
//! wheels of each.
//!
//! A flow cannot say either, and finding the best allocation with them is a knapsack at
//! least as hard as any. So batches are shut out of a line, or given their least number,
//! until the limits hold, each time solving again; then one batch is exchanged for another
//! as long as that is cheaper. What is found keeps every limit; how far it may be from the
//! best is bounded by the flow without limits.

use std::collections::{BTreeMap, BTreeSet};

use crate::allocate::{Problem, Run};
use crate::deal::Share;
use crate::model::Model;
use crate::stock::Source;

/// Arcs that are looked at, over all exchanges that are tried: it bounds the time.
const EFFORT: usize = 2_000_000;

/// Most exchanges that are tried.
const EXCHANGES: usize = 300;

pub(crate) struct Mixer<'a> {
    problem: &'a Problem<'a>,
    /// Wheels of each batch that a line has in any case.
    fixed: BTreeMap<usize, BTreeMap<Source, i64>>,
    limited: Vec<usize>,
    shut_out: BTreeSet<(usize, Source)>,
    forced: BTreeMap<(usize, Source), Vec<(usize, i64)>>,
}

/// What came of trying an exchange.
enum Tried {
    Better,
    Worse,
    Useless,
}

/// What a limit asks for next.
enum Step {
    ShutOut(Vec<Source>),
    Force(Source, i64),
}

impl<'a> Mixer<'a> {
    pub(crate) fn new(problem: &'a Problem<'a>, fixed: &[Share]) -> Self {
        let lines = problem.lines.iter().enumerate();
        let limited = lines.filter(|(_, line)| line.mixing.is_some());
        let mut all: BTreeMap<usize, BTreeMap<Source, i64>> = BTreeMap::new();
        for share in fixed {
            let source = problem.stock.lots[share.lot].key.source;
            *all.entry(share.line)
                .or_default()
                .entry(source)
                .or_default() += share.count;
        }
        Self {
            problem,
            fixed: all,
            limited: limited.map(|(line, _)| line).collect(),
            shut_out: BTreeSet::new(),
            forced: BTreeMap::new(),
        }
    }

    /// Makes the limits hold.
    pub(crate) fn limit(&mut self, model: &mut Model, run: &mut Run) {
        self.settle(model, run);
        self.exchange(model, run);
    }

    /// Each round shuts a batch out of a line or gives it its least: so it ends.
    fn settle(&mut self, model: &mut Model, run: &mut Run) {
        loop {
            let steps = self.limited.iter();
            let steps: Vec<(usize, Step)> = steps
                .filter_map(|line| Some((*line, self.next(model, run, *line)?)))
                .collect();
            if steps.is_empty() {
                return;
            }
            for (line, step) in steps {
                match step {
                    Step::ShutOut(sources) => {
                        for source in sources {
                            self.shut_out(model, line, source, true);
                        }
                    }
                    Step::Force(source, least) => self.force(model, run, line, source, least),
                }
            }
            run.again(model);
        }
    }

    /// Tries other batches in the place of those that a line has, while that is cheaper.
    fn exchange(&mut self, model: &mut Model, run: &mut Run) {
        let mut tries = (EFFORT / model.network.arcs.len().max(1)).min(EXCHANGES);
        let mut better = true;
        while std::mem::take(&mut better) {
            for (line, comes) in self.shut_out.clone() {
                let here = self.sources(model, run, line).into_keys();
                let goes = here.filter(|source| !self.is_fixed(line, *source));
                let mut goes: Vec<Option<Source>> = goes.map(Some).collect();
                goes.insert(0, None);
                for goes in goes {
                    if tries == 0 {
                        return;
                    }
                    tries -= 1;
                    match self.try_exchange(model, run, line, comes, goes) {
                        Tried::Better => {
                            better = true;
                            break;
                        }
                        Tried::Useless => break,
                        Tried::Worse => {}
                    }
                }
            }
        }
    }

    fn try_exchange(
        &mut self,
        model: &mut Model,
        run: &mut Run,
        line: usize,
        comes: Source,
        goes: Option<Source>,
    ) -> Tried {
        let before = (
            model.state(),
            self.shut_out.clone(),
            self.forced.clone(),
            run.flow.clone(),
        );
        let cost = model.cost(&run.flow);
        self.shut_out(model, line, comes, false);
        if let Some(goes) = goes {
            self.release(model, line, goes);
            self.shut_out(model, line, goes, true);
        }
        run.again(model);
        // The flow alone is a bound for what keeps the limits again.
        let may_be_better = model.cost(&run.flow) < cost;
        if may_be_better {
            self.settle(model, run);
            if model.cost(&run.flow) < cost {
                return Tried::Better;
            }
        }
        let state;
        (state, self.shut_out, self.forced, run.flow) = before;
        model.set_state(state);
        // If letting it in is of no use, neither is letting it in for another.
        if goes.is_none() && !may_be_better {
            Tried::Useless
        } else {
            Tried::Worse
        }
    }

    fn pairs(&self, model: &Model, line: usize, source: Source) -> Vec<usize> {
        let lots = &self.problem.stock.lots;
        let pairs = model.of_line[line].iter().copied();
        pairs
            .filter(|pair| lots[model.pairs[*pair].lot].key.source == source)
            .collect()
    }

    fn shut_out(&mut self, model: &mut Model, line: usize, source: Source, out: bool) {
        for pair in self.pairs(model, line, source) {
            model.set_open(pair, !out);
        }
        if out {
            self.shut_out.insert((line, source));
        } else {
            self.shut_out.remove(&(line, source));
        }
    }

    /// Gives a line so many wheels of a batch: those it has, then those that nobody was
    /// given.
    fn force(&mut self, model: &mut Model, run: &Run, line: usize, source: Source, least: i64) {
        let mut missing = least;
        for spare in [false, true] {
            for pair in self.pairs(model, line, source) {
                let there = if spare {
                    model.left(&model.pairs[pair], &run.flow)
                } else {
                    model.through(&model.pairs[pair], &run.flow)
                };
                let take = missing.min(there);
                if take > 0 {
                    missing -= take;
                    self.force_pair(model, line, source, pair, take);
                }
            }
        }
    }

    fn force_pair(
        &mut self,
        model: &mut Model,
        line: usize,
        source: Source,
        pair: usize,
        wheels: i64,
    ) {
        model.force(pair, wheels);
        self.forced
            .entry((line, source))
            .or_default()
            .push((pair, wheels));
    }

    fn release(&mut self, model: &mut Model, line: usize, source: Source) {
        for (pair, wheels) in self.forced.remove(&(line, source)).unwrap_or_default() {
            model.force(pair, -wheels);
        }
    }

    fn is_fixed(&self, line: usize, source: Source) -> bool {
        let fixed = self.fixed.get(&line);
        fixed.is_some_and(|fixed| fixed.contains_key(&source))
    }

    /// Wheels by batch that a line has.
    fn sources(&self, model: &Model, run: &Run, line: usize) -> BTreeMap<Source, i64> {
        let mut sources = self.fixed.get(&line).cloned().unwrap_or_default();
        for pair in &model.of_line[line] {
            let pair = &model.pairs[*pair];
            let wheels = model.through(pair, &run.flow);
            if wheels > 0 {
                let source = self.problem.stock.lots[pair.lot].key.source;
                *sources.entry(source).or_default() += wheels;
            }
        }
        sources
    }

    /// Wheels by batch that a line could have without taking any from another line.
    fn could_have(&self, model: &Model, run: &Run, line: usize) -> BTreeMap<Source, i64> {
        let mut sources = self.fixed.get(&line).cloned().unwrap_or_default();
        for pair in &model.of_line[line] {
            let pair = &model.pairs[*pair];
            let source = self.problem.stock.lots[pair.lot].key.source;
            if !self.shut_out.contains(&(line, source)) {
                let wheels = model.through(pair, &run.flow) + model.left(pair, &run.flow);
                *sources.entry(source).or_default() += wheels;
            }
        }
        sources
    }

    /// What a line's limit asks for next; `None` when it holds.
    fn next(&self, model: &Model, run: &Run, line: usize) -> Option<Step> {
        let mixing = self.problem.lines[line].mixing?;
        let has = self.sources(model, run, line);
        let all: i64 = has.values().sum();
        if let Some(most) = mixing.most_batches
            && has.len() > usize::from(most.max(1))
        {
            let could = self.could_have(model, run, line);
            let keep = self.keep(line, usize::from(most.max(1)), all, &has, &could);
            let out: Vec<Source> = could
                .into_keys()
                .filter(|source| !keep.contains(source))
                .collect();
            let matters = out.iter().any(|source| has.contains_key(source));
            return matters.then_some(Step::ShutOut(out));
        }
        let least = i64::from(mixing.least_per_batch?).min(all);
        let few = has
            .iter()
            .filter(|(source, wheels)| **wheels < least && !self.is_fixed(line, **source));
        let (few, _) = few.min_by_key(|(_, wheels)| **wheels)?;
        let could = self.could_have(model, run, line);
        let others = could
            .iter()
            .filter(|(source, wheels)| *source != few && **wheels >= least);
        let others: i64 = others.map(|(_, wheels)| wheels).sum();
        let enough =
            could.get(few).is_some_and(|wheels| *wheels >= least) && model.need(line) >= least;
        Some(
            if enough && others < all && !self.forced.contains_key(&(line, *few)) {
                Step::Force(*few, least)
            } else {
                Step::ShutOut(vec![*few])
            },
        )
    }

    /// Batches to keep on a line: those it has in any case, then those that bring most of
    /// what is missing.
    fn keep(
        &self,
        line: usize,
        most: usize,
        all: i64,
        has: &BTreeMap<Source, i64>,
        could: &BTreeMap<Source, i64>,
    ) -> BTreeSet<Source> {
        let fixed = self.fixed.get(&line);
        let mut keep: BTreeSet<Source> = fixed
            .into_iter()
            .flat_map(|fixed| fixed.keys().copied())
            .collect();
        let sum = |keep: &BTreeSet<Source>| {
            keep.iter()
                .map(|source| could.get(source).unwrap_or(&0))
                .sum::<i64>()
        };
        while keep.len() < most {
            let missing = all - sum(&keep);
            let next = could
                .iter()
                .filter(|(source, _)| !keep.contains(source))
                .max_by_key(|(source, wheels)| {
                    let has = has.get(source).copied().unwrap_or(0);
                    ((**wheels).min(missing), has, std::cmp::Reverse(**source))
                });
            let Some((source, _)) = next else {
                break;
            };
            keep.insert(*source);
        }
        keep
    }
}
