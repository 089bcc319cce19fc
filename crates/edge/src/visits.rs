//! When clients of a station were there: what shows that a scan with an older time was kept
//! because its device could not send it.

use std::collections::VecDeque;
use std::net::IpAddr;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

use chrono::{DateTime, Utc};
use station::Kept;

/// Visits remembered: weeks of handhelds that come and go.
const REMEMBERED: usize = 2_000;

/// The visits of all clients of one station, oldest first.
#[derive(Debug, Default)]
pub(crate) struct Visits(Mutex<VecDeque<Known>>);

/// What is known of a visit of a device.
#[derive(Debug, Clone, Copy)]
struct Known {
    number: u64,
    from: IpAddr,
    began: DateTime<Utc>,
    /// When it was last heard. What came after that may have been lost on its way.
    heard: DateTime<Utc>,
}

/// One visit: a line that is open.
#[derive(Debug)]
pub(crate) struct Visit {
    visits: Arc<Visits>,
    number: u64,
    from: Option<IpAddr>,
    began: DateTime<Utc>,
}

impl Visits {
    fn known(&self) -> MutexGuard<'_, VecDeque<Known>> {
        self.0.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

impl Visit {
    /// A line was opened, from an address if it has one. Programs on this machine share one
    /// address and may be different devices, so each of their lines stands for itself.
    pub(crate) fn begin(visits: &Arc<Visits>, from: Option<IpAddr>, now: DateTime<Utc>) -> Self {
        let from = from.filter(|from| !from.is_loopback());
        let mut known = visits.known();
        let number = known.back().map_or(1, |last| last.number + 1);
        if let Some(from) = from {
            if known.len() == REMEMBERED {
                known.pop_front();
            }
            known.push_back(Known {
                number,
                from,
                began: now,
                heard: now,
            });
        }
        drop(known);
        Self {
            visits: Arc::clone(visits),
            number,
            from,
            began: now,
        }
    }

    /// Something was heard from the device.
    pub(crate) fn heard(&self, now: DateTime<Utc>) {
        if let Some(from) = self.from {
            let mut known = self.visits.known();
            let mine = |known: &&mut Known| known.number == self.number && known.from == from;
            if let Some(mine) = known.iter_mut().rev().find(mine) {
                mine.heard = now;
            }
        }
    }

    /// What shows that a scan of that time was kept: that this device had no line then.
    pub(crate) fn kept(&self, at: DateTime<Utc>) -> Kept {
        let was_there = |from: IpAddr| {
            let known = self.visits.known();
            let there =
                |known: &Known| known.from == from && known.began <= at && at <= known.heard;
            known.iter().any(there)
        };
        if at >= self.began || self.from.is_some_and(was_there) {
            Kept::Unshown
        } else {
            Kept::LineDown
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at(minute: i64) -> DateTime<Utc> {
        DateTime::from_timestamp(minute * 60, 0).unwrap()
    }

    #[test]
    fn a_scan_was_kept_where_its_device_had_no_line() {
        let visits = Arc::<Visits>::default();
        let (one, other) = ("10.0.0.7".parse().ok(), "10.0.0.8".parse().ok());
        let first = Visit::begin(&visits, one, at(10));
        first.heard(at(20));
        assert_eq!(first.kept(at(9)), Kept::LineDown);
        assert_eq!(first.kept(at(10)), Kept::Unshown);
        assert_eq!(first.kept(at(15)), Kept::Unshown);
        // Another device is there all the time: that shows nothing of this one.
        let elsewhere = Visit::begin(&visits, other, at(5));
        elsewhere.heard(at(60));
        drop(first);
        let again = Visit::begin(&visits, one, at(40));
        assert_eq!(again.kept(at(15)), Kept::Unshown);
        // After it was last heard its line may have been dead.
        assert_eq!(again.kept(at(21)), Kept::LineDown);
        assert_eq!(again.kept(at(39)), Kept::LineDown);
        assert_eq!(again.kept(at(41)), Kept::Unshown);
    }

    #[test]
    fn programs_on_this_machine_are_a_device_each() {
        let visits = Arc::<Visits>::default();
        let local = "127.0.0.1".parse().ok();
        let first = Visit::begin(&visits, local, at(10));
        first.heard(at(60));
        let late = Visit::begin(&visits, local, at(50));
        assert_eq!(late.kept(at(20)), Kept::LineDown);
        assert_eq!(first.kept(at(20)), Kept::Unshown);
    }

    #[test]
    fn only_so_many_visits_are_remembered() {
        let visits = Arc::<Visits>::default();
        for minute in 0..3_000 {
            Visit::begin(&visits, "10.0.0.7".parse().ok(), at(minute)).heard(at(minute));
        }
        assert_eq!(visits.known().len(), REMEMBERED);
    }
}
