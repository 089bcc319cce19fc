//! Who scanned: whoever was signed in on that device at that moment.

use std::ops::Not as _;

use chrono::TimeDelta;
use facts::PersonId;
use station::Kept;

use super::ScanIn;
use super::receipt;
use crate::people::{Device, Moment, Register, Role, Signed};

/// A session that lapses amid scans is noticed within this, and its person signs in again.
const AMID: TimeDelta = TimeDelta::minutes(15);

/// A device's clock is set now and then, so that its time goes back a little.
const BACK: TimeDelta = TimeDelta::seconds(2);

/// Who sends scans, and from which device.
#[derive(Debug, Clone, Copy)]
pub struct Scanner<'a> {
    /// Who is signed in.
    pub signed: &'a Signed,
    /// The device.
    pub device: &'a Device,
}

/// Who scanned.
#[derive(Debug, Clone)]
pub(super) struct Who {
    pub person: PersonId,
    /// What they were then.
    pub role: Role,
    /// The session in which they scanned.
    pub session: String,
    /// What shows when they scanned, if the device says another time than that of its receipt.
    pub shown: Kept,
    /// It was scanned in a session that is over: the device kept it.
    pub over: bool,
}

impl Who {
    /// Whoever a scan is said to be of, for its receipt.
    pub fn of(scanner: &Scanner<'_>, scan: &ScanIn) -> Self {
        Self {
            person: scan.person.unwrap_or(scanner.signed.account.badge),
            role: scanner.signed.account.role,
            session: String::new(),
            shown: Kept::Unsigned,
            over: false,
        }
    }

    /// Why nothing is taken from someone who only looks.
    pub fn only_looks(&self) -> Option<String> {
        (!self.role.records()).then(|| {
            "an inspector looks and records nothing: ask someone who works here".to_owned()
        })
    }
}

/// Finds who scanned: the session that signed the scan, if it was open then and the device has
/// sent nothing later; or whoever is signed in now, if they were then.
///
/// # Errors
/// Why nobody can be said to have scanned it, in words for whoever sends it.
pub(super) fn who(
    scanner: &Scanner<'_>,
    scan: &ScanIn,
    latest: Option<&receipt::Kept>,
    people: &Register,
    now: Moment,
) -> Result<Who, String> {
    let Scanner { signed, device } = scanner;
    let me = signed.account.badge;
    let named = scan.person.unwrap_or(me);
    let said = scan.occurred_at.unwrap_or(now.floor);
    let at = if now.driven {
        said.min(now.floor)
    } else {
        said
    };
    // Its counter goes on, and so does its time.
    let in_order =
        latest.is_none_or(|latest| latest.receipt.occurred_at.min(now.floor) - BACK <= at);
    let signed_by = || {
        let (id, signature) = (scan.session.as_ref()?, scan.signature.as_ref()?);
        let session = people.signed_by(id, &scan.message(), signature)?;
        let here = session.badge == named && session.station == Some(device.station);
        here.then_some(session)
    };
    let signed_by = signed_by();
    let mine = Who {
        person: me,
        role: signed.session.role.unwrap_or(signed.account.role),
        session: signed.session.id.clone(),
        // Whoever has the session open now could say any time since it began.
        shown: match (&signed_by, in_order) {
            (None, _) => Kept::Unsigned,
            (Some(_), false) => Kept::Unshown,
            (Some(_), true) => Kept::Counter,
        },
        over: false,
    };
    // A time to come is the station's to refuse: it is this session's all the same.
    if named == me && (signed.session.was_open(at, now) || at > now.floor) {
        return Ok(mine);
    }
    if let Some(session) = signed_by.filter(|session| session.was_open(at, now))
        && let Some(role) = session.role
    {
        let later = latest.is_some_and(|latest| people.is_later(&latest.session, &session));
        if later || !in_order {
            return Err(format!(
                "this device has sent later scans already, so nothing shows that badge {named} made this one: not recorded. If it was done, {named} must sign in and scan it again"
            ));
        }
        people.scanned(&session.id, at);
        return Ok(Who {
            person: named,
            role,
            session: session.id,
            shown: Kept::Counter,
            over: true,
        });
    }
    // Whoever is signed in again stands for what they scanned here before, and for the scans
    // amid which their session lapsed; they were then what that session says.
    if named == me && in_order {
        let before = people.session_of(me, device.station, at, now);
        let just_now = now.machine - signed.session.began + AMID >= now.floor - at;
        let amid = || {
            let lapsed = people.last_session(me, device.station, at)?;
            let alone = !people.someone_else(me, device.station, at, now);
            let lapsed = lapsed.was_ended(at).not().then_some(lapsed)?;
            (just_now && alone).then_some((lapsed.role, String::new()))
        };
        let found = before.map(|session| (session.role, session.id));
        if let Some((role, session)) = found.or_else(amid) {
            return Ok(Who {
                role: role.unwrap_or(mine.role),
                session,
                over: true,
                ..mine
            });
        }
    }
    Err(format!(
        "nothing shows that badge {named} was signed in here then: not recorded. {named} must sign in to send this scan, and scan it again"
    ))
}
