//! A client's line to a station: which device has it, and since when.
//!
//! What a device has shown of its clock lies beside the outbox's facts, in the same batch as
//! what the scan that shows it records, so that it means the same after a restart.

use std::net::IpAddr;

use bus::{Note, Outbox};
use chrono::{DateTime, Utc};
use facts::StationId;
use station::{Claim, Device};

/// One visit of a client: a line that is open.
#[derive(Debug, Clone)]
pub(crate) struct Visit {
    station: StationId,
    /// Where its device's notes lie; none if it may be any of several.
    key: Option<Vec<u8>>,
    began: DateTime<Utc>,
}

impl Visit {
    /// A line was opened, from an address if it has one.
    pub(crate) fn begin(station: StationId, from: Option<IpAddr>, now: DateTime<Utc>) -> Self {
        let key = |from: IpAddr| [notes_of(station), from.to_string().into_bytes()].concat();
        Self {
            station,
            key: from.filter(|from| Device::is_one(*from)).map(key),
            began: now,
        }
    }

    /// Weighs a time that a scan bears: adds what shows that it was kept, and gives what is to
    /// be kept of the device beside what the scan records.
    pub(crate) fn weigh(
        &self,
        outbox: &Outbox,
        claim: &mut Claim,
        received: DateTime<Utc>,
    ) -> Vec<Note> {
        let Some(key) = &self.key else {
            return Vec::new();
        };
        let kept = outbox.note(key).ok().flatten();
        let before: Option<Device> = kept.and_then(|bytes| serde_json::from_slice(&bytes).ok());
        let device = before.unwrap_or_default();
        claim.kept = device.kept(claim.at, self.began, received);
        let after = device.after(*claim, received);
        if after == device {
            return Vec::new();
        }
        // Addresses are given out anew: those of long ago go when one comes.
        let mut notes = match before {
            Some(_) => Vec::new(),
            None => self.forgotten(outbox, received),
        };
        notes.push((key.clone(), serde_json::to_vec(&after).ok()));
        notes
    }

    fn forgotten(&self, outbox: &Outbox, now: DateTime<Utc>) -> Vec<Note> {
        let old = |bytes: &[u8]| {
            let device = serde_json::from_slice::<Device>(bytes);
            device.map_or(true, |device| device.is_forgotten(now))
        };
        let known = outbox.notes(&notes_of(self.station)).flatten();
        known
            .filter(|(_, bytes)| old(bytes))
            .map(|(key, _)| (key, None))
            .collect()
    }
}

fn notes_of(station: StationId) -> Vec<u8> {
    format!("device\0{station}\0").into_bytes()
}

#[cfg(test)]
mod tests {
    use station::Kept;

    use super::*;

    fn at(minute: i64) -> DateTime<Utc> {
        DateTime::from_timestamp(minute * 60, 0).unwrap()
    }

    #[test]
    fn what_a_device_has_shown_is_known_after_a_restart_and_forgotten_after_a_week() {
        let dir = tempfile::tempdir().unwrap();
        let station: StationId = "room-1".parse().unwrap();
        let visit = |from: &str, began| Visit::begin(station, from.parse().ok(), at(began));
        let scan = |outbox: &Outbox, visit: &Visit, made, received| {
            let mut claim = Claim {
                at: at(made),
                kept: Kept::Unshown,
            };
            let notes = visit.weigh(outbox, &mut claim, at(received));
            let many = notes.len();
            outbox
                .record_with(&station, Vec::new(), at(received), |_| notes)
                .unwrap();
            (claim.kept, many)
        };
        let opened = || Outbox::open(dir.path(), "larkholm".parse().unwrap()).unwrap();
        {
            let outbox = opened();
            let first = visit("10.0.0.7", 0);
            assert_eq!(scan(&outbox, &first, 10, 10), (Kept::Unshown, 1));
            // Nothing new to keep.
            assert_eq!(scan(&outbox, &first, 10, 10), (Kept::Unshown, 0));
            // Programs on this machine prove nothing and are not known.
            let local = visit("127.0.0.1", 0);
            assert_eq!(scan(&outbox, &local, 10, 10), (Kept::Unshown, 0));
        }
        let outbox = opened();
        let again = visit("10.0.0.7", 60);
        assert_eq!(scan(&outbox, &again, 30, 60), (Kept::LineDown, 1));
        // Another device, and this one once its clock has proved wrong.
        assert_eq!(
            scan(&outbox, &visit("10.0.0.8", 60), 30, 60),
            (Kept::Unshown, 0)
        );
        assert_eq!(scan(&outbox, &again, 90, 60), (Kept::Unshown, 1));
        assert_eq!(scan(&outbox, &again, 40, 60), (Kept::Unshown, 0));
        // A new one comes after more than a week.
        let later = visit("10.0.0.9", 20_000);
        assert_eq!(scan(&outbox, &later, 20_000, 20_000), (Kept::Unshown, 2));
        assert_eq!(outbox.notes(&notes_of(station)).count(), 1);
    }
}
