//! The register: accounts, devices and sessions in one private file, written whole.

use std::collections::{BTreeMap, BTreeSet};
use std::fs::OpenOptions;
use std::io::Write as _;
use std::os::unix::fs::OpenOptionsExt as _;
use std::path::{Path, PathBuf};
use std::sync::{Mutex, MutexGuard, PoisonError};

use anyhow::Context as _;
use axum::http::StatusCode;
use chrono::{DateTime, TimeDelta, Utc};
use facts::{PersonId, StationId};
use names::{Kind, UnknownName};
use serde::{Deserialize, Serialize};

use super::secret::{hash, secret};
use super::{Account, Device, Moment, Pin, Role, Session, SignIn, Signed, Wishes, proof};
use crate::disk;
use crate::trouble::Trouble;

/// Ended sessions are remembered for so long: scans made in them may still come in from a
/// device that was out of reach.
const REMEMBERED: TimeDelta = TimeDelta::days(14);

/// Wrong PINs in a row before a badge is locked.
const TRIES: u32 = 5;

/// The first lock; each further wrong PIN doubles it.
const FIRST_LOCK: TimeDelta = TimeDelta::minutes(1);

/// Browsers and stations at which somebody is known to have signed in.
const KNOWN: usize = 12;

/// No lock is longer.
const LONGEST_LOCK: TimeDelta = TimeDelta::hours(1);

#[derive(Debug, Clone, Default, Serialize, Deserialize)]
struct Book {
    accounts: BTreeMap<PersonId, Account>,
    devices: BTreeMap<StationId, Device>,
    /// By the hash of the key in the cookie, so that the file lets nobody in.
    sessions: BTreeMap<String, Session>,
    /// Hashes of badges whose people were erased: the facts under them stay theirs.
    #[serde(default)]
    erased: BTreeSet<String>,
}

/// The register. All its work is short, but what it writes waits for the disk.
#[derive(Debug)]
pub struct Register {
    path: PathBuf,
    book: Mutex<Book>,
    /// Held while the file is written, so that nobody who only looks waits for the disk.
    writing: Mutex<()>,
}

impl Register {
    /// Opens the register in this folder. A damaged one is put aside, and nobody can sign in: the
    /// pages say so and alarm (`edge` tells of it), where one that did not start could do neither.
    ///
    /// # Errors
    /// When its file cannot be read; the text says what to do.
    pub fn open(dir: &Path) -> anyhow::Result<Self> {
        let path = dir.join("people.json");
        let book = bus::kept::read(&path, |json| {
            serde_json::from_slice(&json).map_err(|error| error.to_string())
        })?;
        Ok(Self {
            path,
            book: Mutex::new(book.unwrap_or_default()),
            writing: Mutex::default(),
        })
    }

    /// Whether nobody can sign in yet.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        self.book().accounts.is_empty()
    }

    /// Everyone, by badge.
    #[must_use]
    pub fn accounts(&self) -> Vec<Account> {
        self.book().accounts.values().cloned().collect()
    }

    /// Someone.
    #[must_use]
    pub fn account(&self, badge: PersonId) -> Option<Account> {
        self.book().accounts.get(&badge).cloned()
    }

    /// Every device, enrolled or sent away.
    #[must_use]
    pub fn devices(&self) -> Vec<Device> {
        self.book().devices.values().cloned().collect()
    }

    /// The device whose cookie holds this key.
    #[must_use]
    pub fn device(&self, key: &str) -> Option<Device> {
        let hash = hash(key);
        let book = self.book();
        book.devices
            .values()
            .find(|device| device.key.as_deref() == Some(hash.as_str()))
            .cloned()
    }

    /// Who is signed in by this key, if they still are.
    #[must_use]
    pub fn signed(&self, key: &str, now: DateTime<Utc>) -> Option<Signed> {
        let key = hash(key);
        let mut book = self.book();
        let session = book.sessions.get_mut(&key)?;
        if now >= session.ends() {
            return None;
        }
        session.used = session.used.max(now);
        let worth_writing = session.is_worth_writing();
        let session = session.clone();
        let account = book.accounts.get(&session.badge).cloned()?;
        drop(book);
        if worth_writing {
            self.write_as_it_is();
        }
        Some(Signed {
            account,
            session,
            key,
        })
    }

    /// The session in which someone was signed in at a station at an instant of the floor's
    /// clock, as far as is remembered.
    #[must_use]
    pub fn session_of(
        &self,
        badge: PersonId,
        station: StationId,
        at: DateTime<Utc>,
        now: Moment,
    ) -> Option<Session> {
        let book = self.book();
        let theirs = book.sessions.values().filter(|session| {
            session.badge == badge && session.station == Some(station) && session.was_open(at, now)
        });
        theirs.max_by_key(|session| session.began).cloned()
    }

    /// The last session that someone began at a station before an instant of the floor's clock,
    /// over or not, as far as is remembered.
    #[must_use]
    pub fn last_session(
        &self,
        badge: PersonId,
        station: StationId,
        at: DateTime<Utc>,
    ) -> Option<Session> {
        let book = self.book();
        let theirs = book.sessions.values().filter(|session| {
            session.badge == badge && session.station == Some(station) && session.had_begun(at)
        });
        theirs.max_by_key(|session| session.began).cloned()
    }

    /// Whether somebody else was signed in at a station at an instant of the floor's clock.
    #[must_use]
    pub fn someone_else(
        &self,
        badge: PersonId,
        station: StationId,
        at: DateTime<Utc>,
        now: Moment,
    ) -> bool {
        self.book().sessions.values().any(|session| {
            session.badge != badge && session.station == Some(station) && session.was_open(at, now)
        })
    }

    /// The session that signed a scan, if it was signed by one.
    #[must_use]
    pub fn signed_by(&self, id: &str, message: &[u8], signature: &str) -> Option<Session> {
        let book = self.book();
        let session = book.sessions.values().find(|session| session.id == id)?;
        proof::fits(&session.scan_key, message, signature).then(|| session.clone())
    }

    /// Whether a session began after another.
    #[must_use]
    pub fn is_later(&self, id: &str, than: &Session) -> bool {
        let book = self.book();
        let mut sessions = book.sessions.values();
        sessions.any(|session| session.id == id && session.began > than.began)
    }

    /// A scan that was signed in a session is taken: it was in use then.
    pub fn scanned(&self, id: &str, at: DateTime<Utc>) {
        let mut book = self.book();
        let mut sessions = book.sessions.values_mut();
        let Some(session) = sessions.find(|session| session.id == id) else {
            return;
        };
        session.scanned(at);
        let worth_writing = session.is_worth_writing();
        drop(book);
        if worth_writing {
            self.write_as_it_is();
        }
    }

    /// Signs someone in. Whoever was signed in at the same station, or by `instead`, no longer
    /// is: one device, one person. Takes as long as a hash: keep it off the runtime.
    ///
    /// `browser`, a secret of the browser's or a station's own name, tells those apart where the
    /// badge was signed in before: a stranger who tries PINs locks the badge for strangers alone
    /// (OWASP, "Slow Down Online Guessing Attacks with Device Cookies", from memory).
    ///
    /// # Errors
    /// [`Trouble`]: the same words for a wrong PIN as for a badge that does not exist.
    pub fn sign_in(
        &self,
        badge: PersonId,
        pin: &Pin,
        station: Option<StationId>,
        browser: &str,
        instead: Option<&Signed>,
        now: Moment,
    ) -> Result<SignIn, Trouble> {
        let account = self.account(badge);
        let browser = hash(browser);
        let is_known = |account: &Account| account.known.contains_key(&browser);
        if let Some(account) = account.as_ref().filter(|account| !is_known(account))
            && let Some(until) = account.locked_until
            && now.machine < until
        {
            return Err(locked(until - now.machine));
        }
        let fits = pin.fits(account.as_ref().map(|a| a.pin.as_str()));
        self.change(|book| {
            let wrong = Trouble::new(
                StatusCode::UNAUTHORIZED,
                "wrong_pin",
                "badge and PIN do not belong together: try again",
            );
            let Some(account) = book.accounts.get_mut(&badge) else {
                return Ok(Err(wrong));
            };
            if let Some(failures) = account.known.get_mut(&browser) {
                *failures = if fits { 0 } else { *failures + 1 };
                if *failures >= TRIES {
                    account.known.remove(&browser);
                }
                if !fits {
                    return Ok(Err(wrong));
                }
            } else if !fits {
                account.failures += 1;
                if account.failures < TRIES {
                    return Ok(Err(wrong));
                }
                let doublings = (account.failures - TRIES).min(10);
                let lock = (FIRST_LOCK * (1 << doublings)).min(LONGEST_LOCK);
                account.locked_until = Some(now.machine + lock);
                return Ok(Err(locked(lock)));
            } else {
                account.failures = 0;
                account.locked_until = None;
                while account.known.len() >= KNOWN {
                    account.known.pop_first();
                }
                account.known.insert(browser, 0);
            }
            let account = account.clone();
            let key = secret();
            for (key, session) in &mut book.sessions {
                let here = station.is_some() && session.station == station;
                if here || instead.is_some_and(|signed| signed.key == *key) {
                    session.end(now);
                }
            }
            let session = Session::begin(&account, station, now);
            book.sessions
                .retain(|_, session| now.machine - session.began < REMEMBERED);
            book.sessions.insert(hash(&key), session.clone());
            Ok(Ok(SignIn {
                key,
                browser: None,
                account,
                session,
            }))
        })?
    }

    /// Signs someone out.
    ///
    /// # Errors
    /// When the file cannot be written.
    pub fn sign_out(&self, signed: &Signed, now: Moment) -> Result<(), Trouble> {
        self.change(|book| {
            if let Some(session) = book.sessions.get_mut(&signed.key) {
                session.end(now);
            }
            Ok(())
        })
    }

    /// Lets someone in, or changes who they are; without a PIN an account keeps its own.
    /// Takes as long as a hash.
    ///
    /// # Errors
    /// A PIN that is not taken, no PIN for someone new, or the last manager made less.
    pub fn admit(
        &self,
        badge: PersonId,
        name: &str,
        role: Role,
        pin: Option<&Pin>,
        now: Moment,
    ) -> Result<(), Trouble> {
        let name: String = name.trim().chars().take(60).collect();
        if name.is_empty() {
            return Err(Trouble::bad("a name is missing: write it as on the badge"));
        }
        let pin = pin
            .map(|pin| pin.hash(role == Role::Manager))
            .transpose()
            .map_err(|bad| Trouble::bad(bad.to_string()))?;
        self.change(|book| {
            if book.erased.contains(&hash(badge.as_str())) {
                return Err(Trouble::bad(format!(
                    "badge {badge} was somebody else's, who was erased, and what was recorded under it stays theirs: give another badge"
                )));
            }
            match (book.accounts.get_mut(&badge), pin) {
                (None, None) => {
                    return Err(Trouble::bad("someone new needs a PIN: let them choose one"));
                }
                (None, Some(pin)) => {
                    let account = Account {
                        badge,
                        name,
                        role,
                        pin,
                        wishes: Wishes::default(),
                        failures: 0,
                        locked_until: None,
                        known: BTreeMap::new(),
                    };
                    book.accounts.insert(badge, account);
                }
                (Some(account), pin) => {
                    account.name = name;
                    // Else a scan kept in a session would have two roles to be judged by.
                    let becomes = account.role != role;
                    account.role = role;
                    if let Some(pin) = &pin {
                        account.pin.clone_from(pin);
                        account.failures = 0;
                        account.locked_until = None;
                        account.known.clear();
                    }
                    if becomes || pin.is_some() {
                        sign_out_everywhere(book, badge, now);
                    }
                }
            }
            manager_left(book)
        })
    }

    /// Erases someone: name, PIN's hash, sessions. Facts keep the badge.
    ///
    /// # Errors
    /// There is no such person, or it is the last manager, who cannot be erased.
    pub fn erase(&self, badge: PersonId) -> Result<(), Trouble> {
        self.change(|book| {
            if book.accounts.remove(&badge).is_none() {
                let codes = book.accounts.keys().map(ToString::to_string);
                return Err(UnknownName::among(Kind::Person, badge, codes).into());
            }
            book.sessions.retain(|_, session| session.badge != badge);
            book.erased.insert(hash(badge.as_str()));
            manager_left(book)
        })
    }

    /// Remembers how someone wants the pages.
    ///
    /// # Errors
    /// When the file cannot be written.
    pub fn wish(&self, badge: PersonId, wishes: Wishes) -> Result<(), Trouble> {
        self.change(|book| {
            if let Some(account) = book.accounts.get_mut(&badge) {
                account.wishes = wishes;
            }
            Ok(())
        })
    }

    /// Makes a device a station; the key is for its cookie. A device that was this station
    /// before no longer is, and nobody is signed in there but the manager who enrols it.
    ///
    /// # Errors
    /// When the name is missing or the file cannot be written.
    pub fn enrol(
        &self,
        station: StationId,
        name: &str,
        by: &Signed,
        now: Moment,
    ) -> Result<(String, Device), Trouble> {
        let name: String = name.trim().chars().take(60).collect();
        if name.is_empty() {
            return Err(Trouble::bad(
                "the station's name is missing: write where it stands",
            ));
        }
        let key = secret();
        let device = Device {
            station,
            name,
            by: by.account.badge,
            at: now.machine,
            enrolment: secret().chars().take(8).collect(),
            key: Some(hash(&key)),
        };
        self.change(|book| {
            book.devices.insert(station, device.clone());
            for (key, session) in &mut book.sessions {
                if *key == by.key {
                    session.station = Some(station);
                } else if session.station == Some(station) {
                    session.end(now);
                }
            }
            Ok(())
        })?;
        Ok((key, device))
    }

    /// Whether a device is this station.
    #[must_use]
    pub fn is_device(&self, station: StationId) -> bool {
        let book = self.book();
        book.devices
            .get(&station)
            .is_some_and(|device| device.key.is_some())
    }

    /// Sends a device away: it can scan no more.
    ///
    /// # Errors
    /// When there is no such device or the file cannot be written.
    pub fn send_away(&self, station: StationId) -> Result<(), Trouble> {
        self.change(|book| match book.devices.get_mut(&station) {
            Some(device) => {
                device.key = None;
                Ok(())
            }
            None => {
                let codes = book.devices.keys().map(ToString::to_string);
                Err(UnknownName::among(Kind::Station, station, codes).into())
            }
        })
    }

    fn book(&self) -> MutexGuard<'_, Book> {
        self.book.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Changes the register; what fails leaves it as it was.
    fn change<T>(
        &self,
        change: impl FnOnce(&mut Book) -> Result<T, Trouble>,
    ) -> Result<T, Trouble> {
        disk::waits(|| {
            let _writing = self.writing();
            let mut changed = self.book().clone();
            let done = change(&mut changed)?;
            self.write(&changed).map_err(|error| {
                tracing::error!("{error:#}");
                Trouble::away(format!("not done: {error:#}"))
            })?;
            // When sessions were used last, meanwhile, comes again with their next use.
            *self.book() = changed;
            Ok(done)
        })
    }

    /// Writes that sessions were used: what is lost of that ends a session early, and no more.
    fn write_as_it_is(&self) {
        let written = disk::waits(|| {
            let _writing = self.writing();
            let book = self.book().clone();
            self.write(&book)
        });
        if let Err(error) = written {
            tracing::warn!("{error:#}");
        }
    }

    fn writing(&self) -> MutexGuard<'_, ()> {
        self.writing.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Private, whole or not at all, and on the disk when it returns.
    fn write(&self, book: &Book) -> anyhow::Result<()> {
        let fresh = self.path.with_extension("new");
        let write = || {
            let mut file = OpenOptions::new()
                .create(true)
                .write(true)
                .truncate(true)
                .mode(0o600)
                .open(&fresh)?;
            file.write_all(&serde_json::to_vec_pretty(book)?)?;
            file.sync_all()?;
            std::fs::rename(&fresh, &self.path)
        };
        write().with_context(|| {
            format!(
                "people could not be kept in {}: see that the disk works and has room",
                self.path.display()
            )
        })
    }
}

fn sign_out_everywhere(book: &mut Book, badge: PersonId, now: Moment) {
    let theirs = book.sessions.values_mut().filter(|s| s.badge == badge);
    theirs.for_each(|session| session.end(now));
}

fn manager_left(book: &Book) -> Result<(), Trouble> {
    let manager = |account: &Account| account.role == Role::Manager;
    if book.accounts.values().any(manager) {
        Ok(())
    } else {
        Err(Trouble::bad(
            "this is the last manager: make someone else a manager first",
        ))
    }
}

fn locked(for_so_long: TimeDelta) -> Trouble {
    let seconds = for_so_long.num_seconds().max(1);
    let minutes = (seconds + 59) / 60;
    let mut trouble = Trouble::new(
        StatusCode::TOO_MANY_REQUESTS,
        "locked",
        format!(
            "too many wrong PINs: this badge is locked for {minutes} min. A manager can set a new PIN"
        ),
    );
    trouble.retry_after = u64::try_from(seconds).ok();
    trouble
}

#[cfg(test)]
mod tests {
    use super::*;

    fn badge(text: &str) -> PersonId {
        PersonId::new(text).unwrap()
    }

    fn at(minutes: i64) -> DateTime<Utc> {
        let start: DateTime<Utc> = "2026-03-03T06:00:00Z".parse().unwrap();
        start + TimeDelta::minutes(minutes)
    }

    fn with_manager(dir: &Path) -> Register {
        let register = Register::open(dir).unwrap();
        let pin = Pin::typed("407193");
        register
            .admit(
                badge("M1"),
                "Mo",
                Role::Manager,
                Some(&pin),
                Moment::of(at(0)),
            )
            .unwrap();
        register
    }

    #[test]
    fn a_session_outlives_a_restart_and_ends_after_four_idle_hours() {
        let dir = tempfile::tempdir().unwrap();
        let register = with_manager(dir.path());
        let pin = Pin::typed("407193");
        let signed = register
            .sign_in(badge("M1"), &pin, None, "hers", None, Moment::of(at(0)))
            .unwrap();
        let register = Register::open(dir.path()).unwrap();
        assert!(register.signed(&signed.key, at(239)).is_some());
        assert!(register.signed(&signed.key, at(239 + 240)).is_none());
        assert!(register.signed("forged", at(1)).is_none());
    }

    #[test]
    fn five_wrong_pins_lock_a_badge_for_longer_and_longer() {
        let dir = tempfile::tempdir().unwrap();
        let register = with_manager(dir.path());
        let (right, wrong) = (Pin::typed("407193"), Pin::typed("999999"));
        let try_at = |pin: &Pin, minute| {
            let now = Moment::of(at(minute));
            let tried = register.sign_in(badge("M1"), pin, None, "a browser", None, now);
            tried.map(|_| ()).map_err(|trouble| trouble.code)
        };
        for _ in 0..4 {
            assert_eq!(try_at(&wrong, 0), Err("wrong_pin"));
        }
        assert_eq!(try_at(&wrong, 0), Err("locked"));
        assert_eq!(try_at(&right, 0), Err("locked"));
        assert_eq!(try_at(&wrong, 1), Err("locked"));
        assert_eq!(try_at(&right, 2), Err("locked"));
        assert_eq!(try_at(&right, 3), Ok(()));
        assert_eq!(try_at(&wrong, 4), Err("wrong_pin"));
    }

    #[test]
    fn a_stranger_who_tries_pins_locks_nobody_out_where_they_signed_in_before() {
        let dir = tempfile::tempdir().unwrap();
        let register = with_manager(dir.path());
        let (right, wrong) = (Pin::typed("407193"), Pin::typed("999999"));
        let try_at = |pin: &Pin, browser: &str, minute| {
            let now = Moment::of(at(minute));
            let tried = register.sign_in(badge("M1"), pin, None, browser, None, now);
            tried.map(|_| ()).map_err(|trouble| trouble.code)
        };
        assert_eq!(try_at(&right, "hers", 0), Ok(()));
        for nth in 0..20 {
            assert!(try_at(&wrong, &format!("a stranger's {nth}"), 1).is_err());
        }
        assert_eq!(try_at(&right, "a stranger's", 1), Err("locked"));
        assert_eq!(try_at(&right, "hers", 1), Ok(()));
        // Her success gives a stranger no further tries.
        assert_eq!(try_at(&wrong, "a stranger's", 2), Err("locked"));
        // Who has her browser has five tries there, and is a stranger then.
        for _ in 0..5 {
            assert_eq!(try_at(&wrong, "hers", 3), Err("wrong_pin"));
        }
        assert_eq!(try_at(&right, "hers", 3), Err("locked"));
        assert_eq!(try_at(&right, "hers", 200), Ok(()));
    }

    #[test]
    fn the_badge_of_an_erased_person_is_given_to_nobody_else() {
        let dir = tempfile::tempdir().unwrap();
        let register = with_manager(dir.path());
        let pin = Pin::typed("8052");
        let admit = |register: &Register, name: &str| {
            let now = Moment::of(at(0));
            register.admit(badge("O1"), name, Role::Operator, Some(&pin), now)
        };
        admit(&register, "One").unwrap();
        register.erase(badge("O1")).unwrap();
        let register = Register::open(dir.path()).unwrap();
        let refused = admit(&register, "Another").unwrap_err();
        assert!(refused.words.contains("another badge"), "{refused:?}");
    }

    #[test]
    fn the_last_manager_stays_and_an_erased_person_leaves_nothing_behind() {
        let dir = tempfile::tempdir().unwrap();
        let register = with_manager(dir.path());
        assert!(register.erase(badge("M1")).is_err());
        let pin = Pin::typed("8052");
        register
            .admit(
                badge("O1"),
                "Odd Name",
                Role::Operator,
                Some(&pin),
                Moment::of(at(0)),
            )
            .unwrap();
        register
            .sign_in(badge("O1"), &pin, None, "hers", None, Moment::of(at(0)))
            .unwrap();
        register.erase(badge("O1")).unwrap();
        let text = std::fs::read_to_string(dir.path().join("people.json")).unwrap();
        // In quotes: a salt may have any two letters in it.
        assert!(
            !text.contains("Odd Name") && !text.contains("\"O1\""),
            "{text}"
        );
    }

    #[test]
    fn the_file_is_private_and_holds_no_key_that_lets_anyone_in() {
        use std::os::unix::fs::PermissionsExt as _;
        let dir = tempfile::tempdir().unwrap();
        let register = with_manager(dir.path());
        let pin = Pin::typed("407193");
        let signed = register
            .sign_in(badge("M1"), &pin, None, "hers", None, Moment::of(at(0)))
            .unwrap();
        let path = dir.path().join("people.json");
        let mode = std::fs::metadata(&path).unwrap().permissions().mode();
        assert_eq!(mode & 0o777, 0o600);
        let text = std::fs::read_to_string(&path).unwrap();
        assert!(!text.contains(&signed.key) && !text.contains("407193"));
    }
}
