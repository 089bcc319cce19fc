//! The worker's picture of the floor on its disk: the placement, and how much of the log
//! is in it.

use std::path::Path;

use anyhow::Context as _;
use bus::{Position, kept};
use chrono::{DateTime, Duration, Utc};
use facts::stored::{borsh, instant};
use facts::stored_struct;
use holds::Rights;
use station::Placement;

/// Raised when the file's form changes; an older file is then read anew from the log. The
/// golden bytes below fail when the one changes without the other.
const FORM: u8 = 9;

/// How long what has left the dairy is kept: longer than any handheld keeps a scan.
const KEPT: Duration = Duration::days(60);

/// How long turns are kept: a scan that a handheld kept is told of the turn before it. Every
/// wheel is turned daily, so that of all that is known of it these would take the most room.
const TURNS_KEPT: Duration = Duration::days(14);

/// How often, by the log's own time, it is forgotten while the log is read.
const STEP: Duration = Duration::days(14);

/// The placement, and the place in the log up to which it holds every fact.
#[derive(Debug)]
pub(crate) struct Picture {
    /// Which types of facts the build knew that read them. What another passed over is read
    /// anew by a build that knows it.
    known: u64,
    pub(crate) position: Option<Position>,
    pub(crate) placement: Placement,
    /// When it was kept, by the clock: what was recorded here before is in it.
    pub(crate) kept: Option<KeptAt>,
    /// When the placement last forgot what is old, by the clock.
    forgot: Option<DateTime<Utc>>,
    /// How far the log was read when it last did, by the log's own time. Apart from the other:
    /// what is read of the past after a picture was kept is forgotten all the same.
    forgot_behind: Option<DateTime<Utc>>,
    /// It is an older one again: the log has to be read from its position.
    again: bool,
    /// Of what the outbox had when it had taken back facts so often: see [`Outbox::taken_back`].
    of: u64,
}

stored_struct!(Picture {
    known,
    position,
    placement,
    kept
} skip { forgot, forgot_behind, again, of });

/// An instant.
#[derive(Debug, Clone, Copy)]
pub(crate) struct KeptAt {
    pub(crate) at: DateTime<Utc>,
}

stored_struct!(KeptAt { at via instant });

impl Default for Picture {
    fn default() -> Self {
        Self {
            known: known(facts::TYPES.iter().map(|info| info.ty)),
            position: None,
            placement: Placement::default(),
            kept: None,
            forgot: None,
            forgot_behind: None,
            again: false,
            of: 0,
        }
    }
}

/// A number that changes with the types of facts (FNV-1a, 64 bit).
fn known<'t>(types: impl Iterator<Item = &'t str>) -> u64 {
    let bytes = types.flat_map(|ty| ty.bytes().chain([b'\n']));
    bytes.fold(0xcbf2_9ce4_8422_2325, |hash, byte| {
        (hash ^ u64::from(byte)).wrapping_mul(0x0100_0000_01b3)
    })
}

impl Picture {
    /// The last picture kept, at a site where these may release. When there is none, or none
    /// that can be read, an empty one: the log has it all.
    pub(crate) fn load(path: &Path, rights: Rights) -> Self {
        let mut picture = Self::kept(path);
        picture.placement = picture.placement.kept_under(rights);
        picture
    }

    fn kept(path: &Path) -> Self {
        let read = kept::read(path, |bytes| match bytes.split_first() {
            Some((&FORM, picture)) => {
                let picture: Self =
                    borsh::from_slice(picture).map_err(|error| error.to_string())?;
                if picture.known == Self::default().known {
                    return Ok(picture);
                }
                tracing::info!(
                    "this version knows other types of facts than the one that kept the picture of the floor: reading the log"
                );
                Ok(Self::default())
            }
            Some(_) => {
                tracing::info!("the picture of the floor is of another version: reading the log");
                Ok(Self::default())
            }
            None => Err("it is empty".to_owned()),
        });
        match read {
            Ok(picture) => picture.unwrap_or_default(),
            // It is replaced at the next minute, and nothing rests on it until then.
            Err(error) => {
                tracing::warn!("{error}. Reading the log from its beginning");
                Self::default()
            }
        }
    }

    /// The log is another one and is read from its beginning: it is added to what is known.
    pub(crate) fn read_anew(&mut self) {
        (self.position, self.forgot_behind) = (None, None);
    }

    /// One that was loaded while the log is followed: it is read again from its position.
    pub(crate) const fn read_again(mut self, of: u64) -> Self {
        (self.again, self.of) = (true, of);
        self
    }

    /// Whether it may have what the outbox has taken back since.
    pub(crate) const fn is_stale(&self, taken_back: u64) -> bool {
        self.of != taken_back
    }

    /// Whether it has everything that the log had up to a position; `None`: it had nothing.
    pub(crate) fn reaches(&self, upto: Option<&Position>) -> bool {
        upto.is_none_or(|upto| {
            let here = self.position.as_ref();
            !self.again && here.is_some_and(|at| at.created == upto.created && at.seq >= upto.seq)
        })
    }

    /// Whether the log has to be read again from its position; said once.
    pub(crate) const fn is_read_again(&mut self) -> bool {
        std::mem::replace(&mut self.again, false)
    }

    /// Forgets once a day what no scan will ask for.
    pub(crate) fn forget(&mut self, now: DateTime<Utc>) {
        if self.forgot.is_none_or(|at| now - at >= Duration::days(1)) {
            self.placement.forget_before(now - KEPT, now - TURNS_KEPT);
            self.forgot = Some(now);
        }
    }

    /// Forgets while the log is read, so that its past is never in memory as a whole. `at`: how
    /// far it was read, by the earliest of all clocks.
    pub(crate) fn forget_behind(&mut self, at: DateTime<Utc>) {
        if self.forgot_behind.is_none_or(|before| at - before >= STEP) {
            self.placement.forget_before(at - KEPT, at - TURNS_KEPT);
            self.forgot_behind = Some(at);
        }
    }

    /// The picture as its file has it.
    pub(crate) fn bytes(&self) -> anyhow::Result<Vec<u8>> {
        let mut bytes = vec![FORM];
        borsh::to_writer(&mut bytes, self)?;
        Ok(bytes)
    }
}

/// Puts a picture in place of the last, whole or not at all.
pub(crate) fn keep(path: &Path, bytes: &[u8]) -> anyhow::Result<()> {
    bus::write_whole(path, bytes).with_context(|| {
        format!(
            "cannot keep the picture of the floor in {}: make room there",
            path.display()
        )
    })
}

#[cfg(test)]
mod tests {
    use std::fmt::Write as _;
    use std::path::PathBuf;

    use facts::wire::{self, Read};

    use super::*;

    /// Every type of fact, fully filled and minimal.
    const GOLDEN: &str = include_str!("../../facts/tests/golden.ndjson");

    fn picture() -> Picture {
        let mut picture = Picture::default();
        for (number, line) in (1..).zip(GOLDEN.lines()) {
            let Ok(Read::Fact(mut fact)) = wire::from_line(line) else {
                panic!("{line}");
            };
            let id = format!("0190b6b0-0000-7000-8000-{number:012x}");
            fact.id = id.parse().unwrap();
            picture.placement.apply(&fact);
        }
        picture
    }

    #[test]
    fn the_form_of_this_number_is_the_one_that_is_written_down_for_it() {
        let mut picture = picture();
        picture.known = 0;
        picture.kept = Some(KeptAt {
            at: DateTime::UNIX_EPOCH + Duration::days(20_000),
        });
        picture.position = Some(Position {
            created: "2026-03-01T05:00:00.000000001Z".to_owned(),
            seq: 41,
            stored_ns: 1_772_341_200_000_000_001,
        });
        let bytes = picture.bytes().unwrap();
        let hex = bytes.iter().fold(String::new(), |mut hex, byte| {
            let _ = write!(hex, "{byte:02x}");
            hex
        });
        let name = format!("tests/picture-{FORM}.txt");
        let path = PathBuf::from(env!("CARGO_MANIFEST_DIR")).join(&name);
        let was = std::fs::read_to_string(&path).unwrap_or_default();
        if was.is_empty() && std::env::var("WHEELWARD_GOLDEN").is_ok_and(|what| what == "add") {
            std::fs::create_dir_all(path.parent().unwrap()).unwrap();
            std::fs::write(&path, hex + "\n").unwrap();
            return;
        }
        assert!(
            was.trim_end() == hex,
            "the picture lies otherwise than form {FORM} says: raise FORM, remove {name}, and run this with WHEELWARD_GOLDEN=add"
        );
    }

    /// A wheel that was made 80 days before an instant and left then.
    fn gone(at: DateTime<Utc>) -> (facts::WheelId, [facts::Fact; 2]) {
        let fact = |number: u64, at: DateTime<Utc>, event: facts::Event| facts::Fact {
            id: format!("0190b6b0-0000-7000-8000-{number:012x}")
                .parse()
                .unwrap(),
            site: "larkholm".parse().unwrap(),
            station: "dispatch".parse().unwrap(),
            station_seq: number,
            person: None,
            occurred_at: at,
            claimed_at: None,
            recorded_at: at,
            event,
        };
        let wheel: facts::WheelId = "B1-01".parse().unwrap();
        let made = facts::WheelPortioned {
            wheel,
            batch: "B1".parse().unwrap(),
            weight_g: quantity::Grams::new(4_000).unwrap(),
            scale: None,
            tare_g: None,
            mixer: None,
        };
        let left = facts::WheelDispatched {
            wheels: vec![wheel],
            order: None,
            market: None,
            via: None,
            sale: None,
        };
        let made_at = at - Duration::days(80);
        (
            wheel,
            [fact(1, made_at, made.into()), fact(2, at, left.into())],
        )
    }

    #[test]
    fn only_a_picture_that_was_read_so_far_in_that_log_reaches_it() {
        let at = |created: &str, seq| Position {
            created: created.to_owned(),
            seq,
            stored_ns: 1,
        };
        let mut picture = Picture::default();
        assert!(picture.reaches(None));
        assert!(!picture.reaches(Some(&at("first", 1))));
        picture.position = Some(at("first", 5));
        assert!(picture.reaches(Some(&at("first", 5))));
        assert!(!picture.reaches(Some(&at("first", 6))));
        assert!(!picture.reaches(Some(&at("second", 5))));
        // The disk failed meanwhile: it is an older one, and of what was taken back nothing.
        assert!(picture.is_stale(1));
        let mut picture = picture.read_again(1);
        assert!(!picture.is_stale(1));
        assert!(!picture.reaches(Some(&at("first", 5))));
        assert!(picture.is_read_again());
        assert!(picture.reaches(Some(&at("first", 5))));
        picture.read_anew();
        assert!(!picture.reaches(Some(&at("first", 5))));
    }

    #[test]
    fn what_left_long_ago_is_forgotten_while_the_log_is_read() {
        let day = |days: i64| DateTime::UNIX_EPOCH + Duration::days(20_000 + days);
        let mut picture = Picture::default();
        let (wheel, facts) = gone(day(80));
        facts.iter().for_each(|fact| picture.placement.apply(fact));
        let knows = |picture: &Picture| picture.placement.knows(wheel);
        picture.forget_behind(day(90));
        assert!(knows(&picture));
        // Not again before two weeks of the log are over.
        picture.forget_behind(day(103));
        assert!(knows(&picture));
        picture.forget_behind(day(150));
        assert!(!knows(&picture));
        // Nor is it kept when the log is read anew, after its end was seen.
        facts.iter().for_each(|fact| picture.placement.apply(fact));
        picture.read_anew();
        picture.forget_behind(day(145));
        assert!(!knows(&picture));
    }

    #[test]
    fn what_is_read_after_a_picture_was_kept_is_forgotten_all_the_same() {
        let day = |days: i64| DateTime::UNIX_EPOCH + Duration::days(20_000 + days);
        let mut picture = Picture::default();
        picture.forget_behind(day(0));
        picture.forget(day(1_000)); // kept half-way through a long log
        let (wheel, facts) = gone(day(100));
        facts.iter().for_each(|fact| picture.placement.apply(fact));
        assert!(picture.placement.knows(wheel));
        picture.forget_behind(day(200));
        assert!(!picture.placement.knows(wheel));
    }

    #[test]
    fn a_picture_of_a_build_that_knew_other_facts_is_read_anew() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("picture");
        let mut picture = picture();
        keep(&path, &picture.bytes().unwrap()).unwrap();
        let any = Rights::AnyBadge;
        assert_eq!(
            Picture::load(&path, any.clone()).placement,
            picture.placement
        );
        picture.known = known(facts::TYPES.iter().skip(1).map(|info| info.ty));
        keep(&path, &picture.bytes().unwrap()).unwrap();
        assert_eq!(Picture::load(&path, any).placement, Placement::default());
    }
}
