//! Words that the core says in English, in the reader's language where there is a message
//! for them, and marked as English where there is none.

use chrono::{DateTime, Utc};
use maud::{Markup, html};
use names::{Kind, UnknownName};
use ripening::Urgency;
use ripening::answer::Face;

use crate::gateway::Gateway;
use crate::trouble::{Trouble, UNANSWERED, UNREAD};
use crate::words::Tongue;

/// A sentence of the core.
pub fn core(t: Tongue, words: &str) -> Markup {
    match t {
        Tongue::En => html! { (words) },
        Tongue::De => html! { span lang="en" { (words) } },
    }
}

/// Why something was not done: a code that nobody knows, and an answer that did not come, in
/// the reader's language.
pub fn trouble(t: Tongue, trouble: &Trouble) -> Markup {
    match (&trouble.unknown, trouble.code) {
        (Some(name), _) => html! { (unknown(t, name)) },
        (None, _) if trouble.in_tongue => html! { (trouble.words) },
        (None, UNREAD) => html! { (t.say("trouble-unread")) },
        (None, UNANSWERED) => html! { (t.say("trouble-unanswered")) },
        (None, _) => core(t, &trouble.words),
    }
}

/// There is no such thing, and what may have been meant.
pub fn unknown(t: Tongue, name: &UnknownName) -> String {
    let kind = match name.kind {
        Kind::Check => "unknown-check-of-plan".to_owned(),
        kind => format!("unknown-{}", kind.word().replace(' ', "-")),
    };
    let none = t.with(&kind, [("code", name.asked.clone().into())]);
    if !name.nearest.is_empty() {
        let near = name.choice(&t.say("unknown-or"));
        return t.with(
            "unknown-near",
            [("none", none.into()), ("near", near.into())],
        );
    }
    let key = if name.any {
        "unknown-check"
    } else {
        "unknown-empty"
    };
    t.with(key, [("none", none.into())])
}

/// What is to be done, as the scheduler names it.
pub fn deed(t: Tongue, action: &str) -> String {
    for (begin, key) in [("bring to ", "do-bring"), ("move to ", "do-move")] {
        if let Some(room) = action.strip_prefix(begin) {
            return t.with(key, [("room", room.into())]);
        }
    }
    let key = format!("do-{}", action.replace(' ', "-"));
    if t.knows(&key) {
        t.say(&key)
    } else {
        action.to_owned()
    }
}

/// The class of an urgency.
pub const fn class(urgency: Urgency) -> &'static str {
    match urgency {
        Urgency::Ahead => "ahead",
        Urgency::Due => "due",
        Urgency::Overdue => "overdue",
        Urgency::Missed => "missed",
    }
}

/// How late.
pub fn urgency(t: Tongue, urgency: Urgency) -> String {
    t.say(&format!("urgency-{}", class(urgency)))
}

/// A mark of an urgency: a shape and a word.
pub fn mark(t: Tongue, late: Urgency) -> Markup {
    html! { span.mark.(class(late)) { (urgency(t, late)) } }
}

/// So many wheels.
pub fn wheels(t: Tongue, many: usize) -> String {
    t.with("wheels", [("count", many.into())])
}

/// Which face is up.
pub fn face(t: Tongue, face: Face) -> String {
    t.say(match face {
        Face::MakeDay => "face-make-day",
        Face::Other => "face-other",
    })
}

/// Local time of day on today's dairy day, else date and time.
pub fn time(gateway: &Gateway, at: DateTime<Utc>) -> String {
    let clock = gateway.site().clock;
    if clock.day_of(at) == clock.day_of(gateway.now()) {
        clock.at_home(at).format("%H:%M").to_string()
    } else {
        clock.local(at)
    }
}

/// A dairy day: `2026-03-03` to be read by everyone alike.
pub fn day(t: Tongue, day: quantity::DairyDay) -> String {
    use chrono::Datelike as _;
    let date = day.date();
    let week = t.say(&format!("weekday-{}", date.weekday().number_from_monday()));
    let month = t.say(&format!("month-{}", date.month()));
    t.with(
        "day",
        [
            ("week", week.into()),
            ("day", date.day().to_string().into()),
            ("month", month.into()),
            ("year", date.year().to_string().into()),
        ],
    )
}

/// The page of what wheels stand on.
pub fn stand_path(carrier: facts::Carrier) -> String {
    match carrier {
        facts::Carrier::Stillage(id) => format!("/stands/stillage/{id}"),
        facts::Carrier::Stack(id) => format!("/stands/stack/{id}"),
        facts::Carrier::Hoop(id) => format!("/stands/hoop/{id}"),
    }
}

/// What wheels stand on, in words.
pub fn stand(t: Tongue, carrier: facts::Carrier) -> String {
    let (key, id) = match carrier {
        facts::Carrier::Stillage(id) => ("stillage", id.to_string()),
        facts::Carrier::Stack(id) => ("stack", id.to_string()),
        facts::Carrier::Hoop(id) => ("hoop", id.to_string()),
    };
    t.with(key, [("id", id.into())])
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_code_that_nobody_knows_is_told_in_every_language() {
        for kind in Kind::ALL {
            for t in Tongue::ALL {
                for known in [&["X8"][..], &[]] {
                    let name = UnknownName::among(*kind, "X9", known);
                    let words = unknown(t, &name);
                    assert!(
                        words.contains("X9") && !words.contains("unknown-"),
                        "{words}"
                    );
                    assert_eq!(words.contains("X8"), !known.is_empty(), "{words}");
                }
            }
        }
        let name = UnknownName::among(Kind::Lot, "CUL2027", ["CUL2026W10"]);
        let said = unknown(Tongue::En, &name);
        assert_eq!(said, "There is no lot CUL2027; did you mean CUL2026W10?");
        assert_eq!(
            unknown(Tongue::De, &name),
            "Es gibt kein Los CUL2027; meinten Sie CUL2026W10?"
        );
    }

    #[test]
    fn of_what_was_only_read_nobody_is_asked_to_look_whether_it_was_done() {
        let doing = || "asking \"floor\"".to_owned();
        let said = |t, error: bus::BusError| trouble(t, &Trouble::from(error)).into_string();
        let read = || bus::BusError::Unread { doing: doing() };
        let asked = || bus::BusError::Unanswered { doing: doing() };
        assert!(said(Tongue::En, read()).contains("Nothing was changed"));
        assert!(said(Tongue::De, read()).contains("Es wurde nichts geändert"));
        assert!(said(Tongue::En, asked()).contains("unknown whether it was done"));
        assert!(said(Tongue::De, asked()).contains("unbekannt, ob es getan wurde"));
    }
}
