//! From a stream of frames to one weight a wheel.

use quantity::Grams;

use crate::line::Frame;
use crate::plate::Plate;
use crate::weight::Weight;

/// The heaviest weight that a label carries: six digits of grams in a GS1 element string
/// with AI 3103 (GS1 General Specifications, 3.6: AI 310n is n6).
const MOST_LABELLED: Weight = Weight::grams(999_999);

/// When a weight counts as settled, and which weights count.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Settling {
    /// The scale's interval e, which weights are rounded to.
    pub interval: Weight,
    /// The least weight accepted: the scale's Min.
    pub least: Weight,
    /// The most weight accepted: the scale's Max.
    pub most: Weight,
    /// At or below this the scale counts as empty, so that crumbs do not block it.
    pub empty: Weight,
    /// How many frames in a row must agree on a scale that does not say `stable`.
    pub frames: usize,
    /// How far apart those frames may be.
    pub within: Weight,
    /// After how many moving frames the person is told to let go of the wheel.
    pub patience: usize,
}

impl Settling {
    /// The rule for a scale: empty at ten intervals or less, settled when five frames agree
    /// within one interval.
    #[must_use]
    pub fn of(plate: &Plate) -> Self {
        let crumbs = plate.e().times(10);
        Self {
            interval: plate.e(),
            least: plate.min(),
            most: plate.max(),
            empty: if crumbs < plate.min() {
                crumbs
            } else {
                Weight::ZERO
            },
            frames: 5,
            within: plate.e(),
            patience: 40,
        }
    }
}

/// A wheel's weight.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Settled {
    /// Rounded to the scale's interval, then to whole grams.
    pub weight: Grams,
    /// Whether the scale has taken a tare off already, if it says so.
    pub net: Option<bool>,
}

impl From<Grams> for Settled {
    /// From a scale that does not say whether a tare is off.
    fn from(weight: Grams) -> Self {
        Self { weight, net: None }
    }
}

/// Why what lies on the scale is no wheel's weight. Its words say what to do.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
pub enum Refusal {
    /// The scale shows less than nothing.
    #[error("the scale shows {0}: empty it and zero it")]
    Negative(Weight),
    /// Less than the scale may weigh.
    #[error("{weight} is below the scale's minimum of {least}: nothing weighed")]
    TooLight {
        /// What it shows.
        weight: Weight,
        /// The least it may weigh.
        least: Weight,
    },
    /// More than the scale may weigh.
    #[error("{weight} is above the scale's maximum of {most}: nothing weighed. Take it off")]
    TooHeavy {
        /// What it shows.
        weight: Weight,
        /// The most it may weigh.
        most: Weight,
    },
    /// More than a label can say.
    #[error(
        "{0} is more than a label can say, 999.999 kg: nothing weighed. Check the scale's unit"
    )]
    Unlabelled(Weight),
    /// It does not come to rest.
    #[error("the scale does not come to rest: let go of the wheel")]
    Unsteady,
    /// Something lay on the scale before it was watched, so it may have been weighed already.
    #[error("empty the scale first: what lies on it may be weighed already")]
    NotEmptied,
}

/// What one frame means.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Verdict {
    /// Nothing is on the scale: it is ready for a wheel.
    Empty,
    /// Something is on it and has not settled.
    Moving,
    /// A wheel's weight, given once.
    Settled(Settled),
    /// The wheel already weighed is still on it.
    Weighed,
    /// No weight, and why.
    Refused(Refusal),
}

/// Watches one scale. It never gives a wheel two weights: after a weight the scale
/// must have been empty before it gives another, and so it must after a start. One moving
/// frame is no empty scale: a wheel bounces.
#[derive(Debug, Clone)]
pub struct StableWeight {
    settling: Settling,
    state: State,
    recent: Vec<Weight>,
    moving: usize,
    was_empty: bool,
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
            was_empty: false,
        }
    }

    /// A line came that gives no weight: what agreed before it no longer counts.
    pub fn interrupted(&mut self) {
        self.recent.clear();
        self.was_empty = false;
    }

    /// Takes the next frame.
    pub fn take(&mut self, frame: Frame) -> Verdict {
        let weight = frame.weight;
        let settled = self.settled(frame);
        if weight <= self.settling.empty {
            return self.empty(frame, settled);
        }
        self.was_empty = false;
        match self.state {
            State::Weighed => Verdict::Weighed,
            State::Unknown if settled => Verdict::Refused(Refusal::NotEmptied),
            State::Ready if settled => self.weigh(frame),
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

    fn empty(&mut self, frame: Frame, settled: bool) -> Verdict {
        self.moving = 0;
        if settled || std::mem::replace(&mut self.was_empty, true) {
            self.state = State::Ready;
        }
        let weight = frame.weight;
        // With a tare taken off, less than nothing only means that the hoop is off too.
        let below = weight.abs() > self.settling.empty && frame.net != Some(true);
        if below && settled {
            Verdict::Refused(Refusal::Negative(weight))
        } else {
            Verdict::Empty
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
            .any(|&before| before.apart(weight) > self.settling.within)
        {
            self.recent.clear();
        }
        if self.recent.len() + 1 >= self.settling.frames {
            return true;
        }
        self.recent.push(weight);
        false
    }

    fn weigh(&mut self, frame: Frame) -> Verdict {
        self.moving = 0;
        let weight = frame.weight;
        let Settling {
            interval,
            least,
            most,
            ..
        } = self.settling;
        if weight < least {
            return Verdict::Refused(Refusal::TooLight { weight, least });
        }
        if weight > most {
            return Verdict::Refused(Refusal::TooHeavy { weight, most });
        }
        let rounded = weight.rounded_to(interval);
        let grams = rounded.to_grams().filter(|_| rounded <= MOST_LABELLED);
        match grams {
            Some(weight) => {
                self.state = State::Weighed;
                let net = frame.net;
                Verdict::Settled(Settled { weight, net })
            }
            None => Verdict::Refused(Refusal::Unlabelled(weight)),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::plate::Class;
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

    /// Class III, 2 000 intervals: Min is 100 g, empty is 50 g and less.
    fn settling() -> Settling {
        let weight = |text: &str| text.parse().unwrap();
        Settling::of(&Plate::new(Class::III, weight("20 kg"), None, weight("5 g")).unwrap())
    }

    fn verdicts(frames: impl IntoIterator<Item = Frame>) -> Vec<Verdict> {
        let mut scale = StableWeight::new(settling());
        frames.into_iter().map(|frame| scale.take(frame)).collect()
    }

    fn weights(frames: impl IntoIterator<Item = Frame>) -> Vec<u32> {
        let settled = |verdict| match verdict {
            Verdict::Settled(settled) => Some(settled.weight.get()),
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
    fn a_wheel_that_bounces_or_one_odd_frame_gives_no_second_weight() {
        let odd = [(0, true), (11_000, true), (-40, false), (11_000, true)];
        assert_eq!(weights(odd.map(|(g, stable)| flagged(g, stable))), [11_000]);
        let swapped = [
            (0, true),
            (11_000, true),
            (0, false),
            (0, false),
            (9_000, true),
        ];
        assert_eq!(
            weights(swapped.map(|(g, stable)| flagged(g, stable))),
            [11_000, 9_000]
        );
    }

    #[test]
    fn a_scale_without_a_flag_settles_after_five_frames_that_agree() {
        let frames = [
            0, 0, 4_000, 9_000, 11_030, 11_020, 11_022, 11_024, 11_021, 11_020,
        ];
        assert_eq!(weights(frames.map(bare)), [11_020]);
        assert_eq!(weights(frames[..9].iter().copied().map(bare)), [0; 0]);
        let mut scale = StableWeight::new(settling());
        let mut taken = frames.map(bare).map(|frame| {
            let verdict = scale.take(frame);
            if frame.weight == Weight::grams(11_024) {
                scale.interrupted();
            }
            verdict
        });
        assert_eq!(taken.last_mut(), Some(&mut Verdict::Moving));
    }

    #[test]
    fn what_already_lies_there_at_the_start_must_come_off_first() {
        let frames = [
            flagged(11_000, true),
            flagged(0, true),
            Frame {
                net: Some(true),
                ..flagged(11_000, true)
            },
        ];
        assert_eq!(
            verdicts(frames),
            [
                Verdict::Refused(Refusal::NotEmptied),
                Verdict::Empty,
                Verdict::Settled(Settled {
                    weight: Grams::new(11_000).unwrap(),
                    net: Some(true),
                }),
            ]
        );
    }

    #[test]
    fn what_is_no_weight_says_why_and_what_to_do() {
        let floor_scale = Plate::new(
            Class::III,
            "1500 kg".parse().unwrap(),
            None,
            "200 g".parse().unwrap(),
        );
        let floor_scale = Settling::of(&floor_scale.unwrap());
        for (settling, grams, words) in [
            (
                settling(),
                -200,
                "the scale shows -0.200 kg: empty it and zero it",
            ),
            (
                settling(),
                80,
                "0.080 kg is below the scale's minimum of 0.100 kg: nothing weighed",
            ),
            (
                settling(),
                20_005,
                "20.005 kg is above the scale's maximum of 20.000 kg: nothing weighed. Take it off",
            ),
            (
                floor_scale,
                999_950,
                "999.950 kg is more than a label can say, 999.999 kg: nothing weighed. Check the scale's unit",
            ),
        ] {
            let mut scale = StableWeight::new(settling);
            scale.take(flagged(0, true));
            let last = scale.take(flagged(grams, true));
            let Verdict::Refused(why) = last else {
                panic!("{grams} g gave {last:?}");
            };
            assert_eq!(why.to_string(), words);
        }
        let hoop_off = Frame {
            net: Some(true),
            ..flagged(-900, true)
        };
        assert_eq!(verdicts([hoop_off]), [Verdict::Empty]);
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
            let empty = settling().empty;
            let frames = frames.into_iter().map(|(grams, stable)| Frame { stable, ..bare(grams) });
            let frames: Vec<Frame> = frames.collect();
            let empties = frames.iter().filter(|frame| frame.weight <= empty).count();
            prop_assert!(weights(frames).len() <= empties);
        }

        #[test]
        fn every_wheel_gives_exactly_one_weight(
            wheels in proptest::collection::vec(
                (25u32..3_900, proptest::collection::vec(-2i32..=2, 5..30), 2usize..8), 1..12),
            says_stable in any::<bool>(),
        ) {
            let frame = |grams, stable| Frame {
                stable: says_stable.then_some(stable),
                ..bare(grams)
            };
            let mut frames = vec![frame(0, true), frame(0, true)];
            let mut wanted = Vec::new();
            for (intervals, wobble, empty) in wheels {
                let grams = intervals * 5;
                let load = i32::try_from(grams).unwrap();
                // Put on with a swing past its weight and a bounce that shows nothing.
                frames.extend([load / 2, load + 90, -30, load - 40].map(|g| frame(g, false)));
                frames.extend(wobble.iter().map(|off| frame(load + off, true)));
                frames.extend(std::iter::repeat_n(frame(20, false), empty));
                wanted.push(grams);
            }
            prop_assert_eq!(weights(frames), wanted);
        }
    }
}
