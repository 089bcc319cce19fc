//! From a stream of frames to one weight a wheel.

use quantity::Grams;

use crate::line::Frame;
use crate::weight::Weight;

/// When a weight counts as settled.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Settling {
    /// The scale interval that weights are rounded to; `None` keeps whole grams.
    pub interval: Option<Weight>,
    /// The least weight accepted.
    pub minimum: Weight,
    /// At or below this the scale counts as empty, so that crumbs do not block it.
    pub near_zero: Weight,
    /// How many frames in a row must agree on a scale that does not say `stable`.
    pub frames: usize,
    /// How far apart those frames may be.
    pub tolerance: Weight,
    /// After how many moving frames the person is told to let go of the wheel.
    pub patience: usize,
}

impl Settling {
    /// The rule for a scale with this interval and minimum: empty at ten intervals or
    /// less, settled when five frames agree within one interval.
    #[must_use]
    pub fn new(interval: Weight, minimum: Weight) -> Self {
        let crumbs = interval.times(10);
        Self {
            interval: Some(interval),
            minimum,
            near_zero: if crumbs < minimum {
                crumbs
            } else {
                Weight::ZERO
            },
            frames: 5,
            tolerance: interval,
            patience: 40,
        }
    }
}

impl Default for Settling {
    /// A scale with an interval of 5 g and a minimum of 20 of them, as OIML R 76-1 gives
    /// for class III.
    fn default() -> Self {
        let interval = Weight::grams(5);
        Self::new(interval, interval.times(20))
    }
}

/// Why what lies on the scale is no wheel's weight. Its words say what to do.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
pub enum Refusal {
    /// The scale shows less than nothing.
    #[error("the scale shows {0}: empty it and zero it")]
    Negative(Weight),
    /// Less than the scale may weigh.
    #[error("{weight} is below the scale's minimum of {minimum}: nothing weighed")]
    TooLight {
        /// What it shows.
        weight: Weight,
        /// The least it may weigh.
        minimum: Weight,
    },
    /// More than anything in the trade.
    #[error("{0} is more than a wheel can weigh: check the scale's unit")]
    TooHeavy(Weight),
    /// It does not come to rest.
    #[error("the scale does not come to rest: let go of the wheel")]
    Unsteady,
    /// Something lay on the scale before it was watched, so it may have been weighed already.
    #[error("empty the scale first: what lies on it may be weighed already")]
    NotEmptied,
}

/// What one frame means.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Verdict {
    /// Nothing is on the scale: it is ready for a wheel.
    Empty,
    /// Something is on it and has not settled.
    Moving,
    /// A wheel's weight, given once.
    Settled(Grams),
    /// The wheel already weighed is still on it.
    Weighed,
    /// No weight, and why.
    Refused(Refusal),
}

/// Watches one scale. It never gives a wheel two weights: after a weight the scale
/// must have been empty before it gives another, and so it must after a start.
#[derive(Debug, Clone)]
pub struct StableWeight {
    settling: Settling,
    state: State,
    recent: Vec<Weight>,
    moving: usize,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum State {
    Unknown,
    Ready,
    Weighed,
}

impl StableWeight {
    /// Watches a scale that has not been seen empty yet.
    #[must_use]
    pub const fn new(settling: Settling) -> Self {
        Self {
            settling,
            state: State::Unknown,
            recent: Vec::new(),
            moving: 0,
        }
    }

    /// Takes the next frame.
    pub fn take(&mut self, frame: Frame) -> Verdict {
        let weight = frame.weight;
        let settled = self.settled(frame);
        if weight <= self.settling.near_zero {
            self.state = State::Ready;
            self.moving = 0;
            let below = weight < Weight::ZERO && weight.abs() > self.settling.near_zero;
            return if below && settled {
                Verdict::Refused(Refusal::Negative(weight))
            } else {
                Verdict::Empty
            };
        }
        match self.state {
            State::Weighed => Verdict::Weighed,
            State::Unknown if settled => Verdict::Refused(Refusal::NotEmptied),
            State::Ready if settled => self.weigh(weight),
            State::Unknown | State::Ready => {
                self.moving = self.moving.saturating_add(1);
                if self.moving > self.settling.patience {
                    Verdict::Refused(Refusal::Unsteady)
                } else {
                    Verdict::Moving
                }
            }
        }
    }

    /// Whether this frame, with those before it, is at rest.
    fn settled(&mut self, frame: Frame) -> bool {
        if let Some(stable) = frame.stable {
            return stable;
        }
        let weight = frame.weight;
        if self
            .recent
            .iter()
            .any(|&before| before.apart(weight) > self.settling.tolerance)
        {
            self.recent.clear();
        }
        if self.recent.len() + 1 >= self.settling.frames {
            return true;
        }
        self.recent.push(weight);
        false
    }

    fn weigh(&mut self, weight: Weight) -> Verdict {
        self.moving = 0;
        let minimum = self.settling.minimum;
        if weight < minimum {
            return Verdict::Refused(Refusal::TooLight { weight, minimum });
        }
        let rounded = self
            .settling
            .interval
            .map_or(weight, |interval| weight.rounded_to(interval));
        match rounded.to_grams() {
            Some(grams) => {
                self.state = State::Weighed;
                Verdict::Settled(grams)
            }
            None => Verdict::Refused(Refusal::TooHeavy(weight)),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn flagged(grams: i32, stable: bool) -> Frame {
        Frame {
            weight: Weight::grams(grams),
            stable: Some(stable),
            net: None,
        }
    }

    fn bare(grams: i32) -> Frame {
        Frame {
            weight: Weight::grams(grams),
            stable: None,
            net: None,
        }
    }

    fn verdicts(frames: impl IntoIterator<Item = Frame>) -> Vec<Verdict> {
        let mut scale = StableWeight::new(Settling::default());
        frames.into_iter().map(|frame| scale.take(frame)).collect()
    }

    fn weights(frames: impl IntoIterator<Item = Frame>) -> Vec<u32> {
        let settled = |verdict| match verdict {
            Verdict::Settled(grams) => Some(grams.get()),
            _ => None,
        };
        verdicts(frames).into_iter().filter_map(settled).collect()
    }

    #[test]
    fn a_wheel_gives_one_weight_however_long_it_lies_there() {
        let mut frames = vec![flagged(0, true), flagged(6_000, false)];
        frames.extend([flagged(11_021, true); 50]);
        frames.extend([flagged(11_400, true), flagged(11_019, true)]);
        assert_eq!(weights(frames), [11_020]);
    }

    #[test]
    fn two_wheels_with_an_empty_scale_between_give_two_weights() {
        let frames = [0, 11_000, 40, 11_200, -10, 10_800].map(|g| flagged(g, true));
        assert_eq!(weights(frames), [11_000, 11_200, 10_800]);
    }

    #[test]
    fn a_wheel_changed_without_an_empty_scale_gives_no_second_weight() {
        let frames = [0, 11_000, 5_000, 11_200].map(|g| flagged(g, true));
        assert_eq!(weights(frames), [11_000]);
    }

    #[test]
    fn a_scale_without_a_flag_settles_after_five_frames_that_agree() {
        let frames = [
            0, 4_000, 9_000, 11_030, 11_020, 11_022, 11_024, 11_021, 11_020,
        ];
        assert_eq!(weights(frames.map(bare)), [11_020]);
        assert_eq!(weights(frames[..8].iter().copied().map(bare)), [0; 0]);
    }

    #[test]
    fn what_already_lies_there_at_the_start_must_come_off_first() {
        let frames = [
            flagged(11_000, true),
            flagged(0, true),
            flagged(11_000, true),
        ];
        assert_eq!(
            verdicts(frames),
            [
                Verdict::Refused(Refusal::NotEmptied),
                Verdict::Empty,
                Verdict::Settled(Grams::new(11_000).unwrap()),
            ]
        );
    }

    #[test]
    fn what_is_no_weight_says_why_and_what_to_do() {
        for (grams, words) in [
            (-200, "the scale shows -0.200 kg: empty it and zero it"),
            (
                80,
                "0.080 kg is below the scale's minimum of 0.100 kg: nothing weighed",
            ),
            (
                2_500_000,
                "2500.000 kg is more than a wheel can weigh: check the scale's unit",
            ),
        ] {
            let last = verdicts([flagged(0, true), flagged(grams, true)])[1];
            let Verdict::Refused(why) = last else {
                panic!("{grams} g gave {last:?}");
            };
            assert_eq!(why.to_string(), words);
        }
    }

    #[test]
    fn a_wheel_that_is_held_on_to_is_told_to_be_let_go() {
        let mut frames = vec![flagged(0, true)];
        frames.extend((0..41).map(|n| flagged(11_000 + n, false)));
        assert_eq!(
            verdicts(frames).last(),
            Some(&Verdict::Refused(Refusal::Unsteady))
        );
    }

    proptest! {
        #[test]
        fn never_more_weights_than_times_the_scale_was_empty(
            frames in proptest::collection::vec((-500i32..12_000, proptest::option::of(any::<bool>())), 0..200),
        ) {
            let near_zero = Settling::default().near_zero;
            let frames = frames.into_iter().map(|(grams, stable)| Frame { stable, ..bare(grams) });
            let frames: Vec<Frame> = frames.collect();
            let empties = frames.iter().filter(|frame| frame.weight <= near_zero).count();
            prop_assert!(weights(frames) .len() <= empties);
        }
    }
}
