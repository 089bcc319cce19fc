//! Who scans: badges, sessions, refused cards, UNDO, and clocks of devices.

use authority::Role;
use chrono::Duration;
use facts::PersonId;
use station::Kept;

use crate::floor::{Floor, at, wheel};
use crate::session::conversation;

#[test]
fn the_badge_stays_and_signs_what_follows() {
    let mut floor = Floor::with_a_stillage();
    floor.scans(&["A.TURN", "S.S1", "P.17", "S.S1", "A.RUBUP", "S.S1"]);
    let people: Vec<_> = floor.facts.iter().map(|fact| fact.person).collect();
    assert_eq!(people, ["17".parse().ok(); 3]);
}

#[test]
fn an_unknown_badge_is_refused_and_nothing_is_recorded_under_the_person_before() {
    let unknown = "WRONG  badge ZZZ is not known here: nothing recorded. Scan your own badge, or have it added under [people] in the site file";
    let mut floor = conversation(
        Floor::with_a_stillage(),
        &[
            ("P.17", "NEXT  badge 17: scan an action card"),
            ("A.TURN", "NEXT  TURN: scan what you turned"),
            ("P.ZZZ", unknown),
            ("W.311-01", unknown),
            ("A.TURN", unknown),
            ("A.UNDO", unknown),
            ("P.18", "NEXT  badge 18: scan an action card"),
            (
                "W.311-01",
                "WRONG  wheel 311-01, but no action yet: scan an action card such as TURN, then scan this again",
            ),
        ],
        &[],
    );
    floor.scans(&["A.TURN", "W.311-01"]);
    assert_eq!(floor.facts[0].person, "18".parse().ok());
}

#[test]
fn what_one_person_armed_never_acts_for_another() {
    let mut floor = Floor::with_a_stillage();
    floor.scans(&["P.17", "A.HOLD", "Q.Q7", "P.18"]);
    assert!(floor.scan("W.311-01").contains("no action yet"));
    floor.sign_in("O1", Role::Operator);
    floor.scans(&["A.HOLD", "Q.Q7"]);
    floor.sign_in("O2", Role::Operator);
    assert!(floor.scan("W.311-01").contains("no action yet"));
    assert!(floor.facts.is_empty());
}

#[test]
fn where_people_sign_in_another_badge_waits_for_its_pin() {
    let mut floor = Floor::with_a_stillage();
    floor.sign_in("O1", Role::Operator);
    floor.scans(&["P.O1", "A.TURN"]);
    let wait = "NEXT  badge O2: type its PIN";
    assert_eq!(floor.scan("P.O2"), wait);
    assert_eq!(floor.scan("W.311-01"), wait);
    assert_eq!(floor.scan("A.TURN"), wait);
    assert!(floor.facts.is_empty());
    floor.sign_in("O2", Role::Operator);
    floor.scans(&["A.TURN", "W.311-01"]);
    assert_eq!(floor.facts[0].person, "O2".parse().ok());
    // Or who is signed in goes on, with their own badge.
    floor.scan("P.O1");
    floor.scan("P.O2");
    assert!(floor.scans(&["A.TURN", "W.311-01"]).starts_with("OK"));
}

#[test]
fn a_refused_card_leaves_nothing_armed() {
    for card in ["A.RELEASE", "A.FLY", "A.PORTION"] {
        let mut floor = Floor::with_a_stillage();
        let mut setup = crate::floor::setup();
        setup.scale = None;
        floor.restart_with(setup);
        floor.scans(&["P.17", "A.HOLD", "Q.Q7"]);
        assert!(floor.scan(card).starts_with("WRONG"), "{card}");
        assert_eq!(floor.session.action(), None, "{card}");
        assert!(floor.scan("W.311-01").contains("no action yet"), "{card}");
        assert!(floor.facts.is_empty(), "{card}");
    }
}

#[test]
fn a_card_that_does_not_read_leaves_no_earlier_one_in_force_where_wheels_may_leave_or_be_kept() {
    for set in [
        &["A.DISPATCH", "O.4"][..],
        &["A.HOLD", "Q.Q7"],
        &["A.RETURN"],
    ] {
        for card in ["O.", "Q.H10 1", "P.", "O.ä", "rubbish"] {
            let mut floor = Floor::with_a_stillage();
            floor.scan("P.17");
            floor.scans(set);
            assert!(floor.scan(card).starts_with("WRONG"), "{set:?} {card}");
            let answer = floor.scan("W.311-01");
            assert!(answer.contains("no action yet"), "{set:?} {card}: {answer}");
            assert!(floor.facts.is_empty(), "{set:?} {card}");
        }
    }
    // What decides nothing goes on: a smeared card is scanned again.
    let mut floor = Floor::with_a_stillage();
    floor.scans(&["P.17", "A.TURN", "rubbish"]);
    assert!(floor.scan("W.311-01").starts_with("OK"));
}

#[test]
fn a_rejected_wheel_is_graded_otherwise_only_by_a_signed_in_manager() {
    let mut floor = Floor::with_a_stillage();
    floor.scans(&["P.17", "A.GRADE", "W.311-01", "G.REJECT"]);
    assert!(
        floor
            .scans(&["W.311-01", "G.A"])
            .contains("was graded REJECT")
    );
    floor.sign_in("M1", Role::Manager);
    assert!(
        floor
            .scans(&["A.GRADE", "W.311-01", "G.A"])
            .starts_with("OK")
    );
    assert_eq!(floor.facts.len(), 2);
}

#[test]
fn the_role_is_asked_at_every_card() {
    let mut floor = Floor::with_a_stillage();
    floor.sign_in("O1", Role::Operator);
    assert_eq!(
        floor.scan("A.GRADE"),
        "WRONG  GRADE needs an ironer: ask one"
    );
    floor.sign_in("L1", Role::Inspector);
    assert_eq!(
        floor.scan("A.TURN"),
        "WRONG  TURN is not an inspector's to record: an inspector looks and changes nothing"
    );
    // And when it was another's card that was set before.
    floor.sign_in("I1", Role::Ironer);
    floor.scans(&["A.GRADE", "W.311-01"]);
    floor.sign_in("I1", Role::Operator);
    assert_eq!(
        floor.scan("G.A"),
        "WRONG  GRADE needs an ironer: ask one. Nothing recorded"
    );
    assert!(floor.facts.is_empty());
}

#[test]
fn undo_voids_the_last_record_then_the_one_before_and_each_once() {
    let floor = conversation(
        Floor::with_a_batch(),
        &[
            (
                "A.UNDO",
                "WRONG  nothing to undo here: if a record is wrong, a manager corrects it on the wheel's or batch's page",
            ),
            ("A.PORTION", "NEXT  PORTION: scan the batch"),
            ("B.311", "NEXT  batch 311: weigh, and scan the hoop"),
            ("= 11000", "NEXT  11.000 kg: scan its hoop"),
            ("H.H5", "OK  wheel 311-05, 11.000 kg, hoop H5"),
            ("A.TURN", "NEXT  TURN: scan what you turned"),
            ("K.K1", "OK  4 wheels in stack K1 turned"),
            ("A.UNDO", "OK  undone: 4 wheels in stack K1 turned"),
            ("K.K1", "OK  4 wheels in stack K1 turned"),
            ("A.UNDO", "OK  undone: 4 wheels in stack K1 turned"),
            ("A.UNDO", "OK  undone: wheel 311-05, 11.000 kg, hoop H5"),
            (
                "A.UNDO",
                "WRONG  nothing to undo here: if a record is wrong, a manager corrects it on the wheel's or batch's page",
            ),
            ("A.PORTION", "NEXT  PORTION: scan the batch"),
            ("B.311", "NEXT  batch 311: weigh, and scan the hoop"),
            ("H.H5", "NEXT  hoop H5: put the curd on the scale"),
            // A number is never given twice, even when its wheel was undone.
            ("= 11000", "OK  wheel 311-06, 11.000 kg, hoop H5"),
        ],
        &[
            "wheel.portioned 311-05",
            "wheel.hooped 311-05",
            "wheel.turned 311-01 311-02 311-03 311-04",
            "fact.voided",
            "wheel.turned 311-01 311-02 311-03 311-04",
            "fact.voided",
            "fact.voided",
            "fact.voided",
            "wheel.portioned 311-06",
            "wheel.hooped 311-06",
        ],
    );
    assert!(!floor.placement.knows(wheel("311-05")));
    assert_eq!(floor.placement.last_turned(wheel("311-01")), None);
}

fn undone_by(floor: &mut Floor, badge: &str) -> String {
    floor.scans(&[&format!("P.{badge}"), "A.UNDO"])
}

#[test]
fn a_record_is_undone_by_its_own_badge_in_its_own_session_for_ten_minutes() {
    let turned = || {
        let mut floor = Floor::with_a_stillage();
        floor.scans(&["P.17", "A.TURN", "S.S1"]);
        floor
    };
    let mut floor = turned();
    assert_eq!(
        undone_by(&mut floor, "18"),
        "WRONG  not undone: 4 wheels on S1 turned. somebody else recorded it: they undo it with their own badge, or a manager corrects it: open the wheel's or batch's page and choose \"This was wrong\""
    );
    assert!(undone_by(&mut floor, "17").starts_with("OK  undone"));
    let mut floor = turned();
    floor.now += Duration::minutes(9);
    assert!(floor.scan("A.UNDO").starts_with("OK  undone"));
    let mut floor = turned();
    floor.now += Duration::minutes(10);
    assert!(floor.scan("A.UNDO").starts_with(
        "WRONG  not undone: 4 wheels on S1 turned. it was recorded more than 10 minutes ago"
    ));
    // Another client of the same station has nothing to undo.
    let mut floor = turned();
    floor.restart();
    assert_eq!(
        undone_by(&mut floor, "17"),
        "WRONG  nothing to undo here: if a record is wrong, a manager corrects it on the wheel's or batch's page"
    );
}

#[test]
fn what_keeps_people_safe_is_not_undone_at_a_station_by_anybody() {
    for (lines, role) in [
        (&["A.HOLD", "Q.Q7", "W.311-01"][..], Role::Operator),
        (&["A.RELEASE", "Q.Q-BORN", "W.311-01"], Role::Manager),
        (&["A.DISPATCH", "O.77", "W.311-01"], Role::Operator),
        (&["A.NEEDLES", "T.PM1", "N.40", "N.39"], Role::Operator),
        (&["A.RETURN", "W.311-01"], Role::Operator),
    ] {
        let mut floor = Floor::with_a_stillage();
        floor.sign_in("17", role);
        floor.scans(lines);
        let recorded = floor.facts.len();
        assert!(recorded > 0, "{lines:?}");
        floor.sign_in("17", Role::Manager);
        let refused = floor.scan("A.UNDO");
        assert!(refused.starts_with("WRONG  not undone: "), "{refused}");
        assert!(
            refused.contains("only a manager takes it back, and says why"),
            "{refused}"
        );
        assert_eq!(floor.facts.len(), recorded);
    }
    // Held by one badge, undone by another, dispatched: the whole way that was open.
    let mut floor = Floor::with_a_stillage();
    floor.scans(&["P.17", "A.HOLD", "Q.Q7", "W.311-01", "P.18", "A.UNDO"]);
    assert!(
        floor
            .scans(&["A.DISPATCH", "O.77", "W.311-01"])
            .starts_with("STOP")
    );
}

#[test]
fn a_clock_that_is_wrong_is_told_and_the_scan_counts_from_its_receipt() {
    let mut floor = Floor::with_a_stillage();
    floor.scan("A.TURN");
    floor.now = at("2026-03-03T07:59:00Z");
    // In the words the first time, with an alarm; then only in the words.
    assert_eq!(
        floor.scan("@2026-03-03T09:00:00Z W.311-01"),
        "WRONG  wheel 311-01 turned. This scanner's clock is 60 min ahead: set it. It counts as scanned now"
    );
    assert_eq!(
        floor.scan("@2026-03-03T09:01:00Z W.311-01"),
        "OK  wheel 311-01 turned; already turned today at 08:00. This scanner's clock is 60 min ahead: set it. It counts as scanned now"
            .replace("08:00", "08:00: recorded again")
    );
    // Right within a minute: nothing is said, and a new fault is a new alarm.
    assert_eq!(
        floor.scan("@2026-03-03T08:02:30Z W.311-02"),
        "OK  wheel 311-02 turned"
    );
    assert_eq!(
        floor.scan("@2026-03-03T07:58:00Z W.311-03"),
        "WRONG  wheel 311-03 turned. This scanner's time is 5 min ago, and nothing shows that it kept the scan: set its clock. It counts as scanned now"
    );
    assert_eq!(
        floor.scan("@2001-01-01T00:05:00Z S.S1").split(". ").nth(1),
        Some("This scanner's clock says 2001-01-01 00:05: set it")
    );
    let times: Vec<_> = floor.facts.iter().map(|fact| fact.occurred_at).collect();
    let minutes =
        [0, 1, 2, 3, 4].map(|minute| at("2026-03-03T08:00:00Z") + Duration::minutes(minute));
    assert_eq!(times, minutes);
    // Each keeps what the scanner said.
    let said: Vec<_> = floor.facts.iter().map(|fact| fact.claimed()).collect();
    let stamps = [
        "2026-03-03T09:00:00Z",
        "2026-03-03T09:01:00Z",
        "2026-03-03T08:02:30Z",
        "2026-03-03T07:58:00Z",
        "2001-01-01T00:05:00Z",
    ];
    assert_eq!(said, stamps.map(at));
}

#[test]
fn a_scan_from_the_future_hides_nothing() {
    let mut floor = Floor::with_a_stillage();
    floor.scans(&["A.TURN", "@2036-01-01T00:00:00Z W.311-01"]);
    assert_eq!(
        floor.placement.last_turned(wheel("311-01")),
        Some(floor.now)
    );
    floor.scan("W.311-01");
    assert_eq!(
        floor.placement.last_turned(wheel("311-01")),
        Some(floor.now)
    );
}

#[test]
fn an_older_time_is_believed_only_where_something_shows_it() {
    for (kept, counts) in [
        (Kept::Unshown, "2026-03-03T08:00:00Z"),
        (Kept::LineDown, "2026-03-03T07:00:00Z"),
        (Kept::Counter, "2026-03-03T07:00:00Z"),
    ] {
        let mut floor = Floor::with_a_stillage();
        floor.scan("A.TURN");
        floor.kept = kept;
        floor.now = at("2026-03-03T07:59:00Z");
        floor.scan("@2026-03-03T07:00:00Z W.311-01");
        assert_eq!(floor.facts[0].occurred_at, at(counts), "{kept:?}");
    }
}

#[test]
fn a_badge_is_who_scanned_and_nobody_else() {
    let mut floor = Floor::with_a_stillage();
    floor.scans(&["P.17", "A.TURN", "W.311-01", "P.18", "A.TURN", "W.311-02"]);
    let people: Vec<Option<PersonId>> = floor.facts.iter().map(|fact| fact.person).collect();
    assert_eq!(people, ["17", "18"].map(|badge| badge.parse().ok()));
}

#[test]
fn nobody_records_anything_where_badges_are_named() {
    for (card, words) in [
        ("A.TURN", "WRONG  TURN needs a badge: scan your badge first"),
        ("A.HOLD", "WRONG  HOLD needs a badge: scan your badge first"),
        ("A.VAT", "WRONG  VAT needs a badge: scan your badge first"),
        (
            "A.RELEASE",
            "WRONG  RELEASE needs a signed-in manager: open the Holds page or a browser station",
        ),
        (
            "A.UNDO",
            "WRONG  nothing to undo here: if a record is wrong, a manager corrects it on the wheel's or batch's page",
        ),
    ] {
        let mut floor = Floor::with_a_stillage().nobodys();
        assert_eq!(floor.scan(card), words);
        assert!(floor.scans(&["Q.Q7", "W.311-01"]).starts_with("WRONG"));
        assert!(floor.facts.is_empty(), "{card}");
    }
}

/// Each action at a site that names no badges, and whether nobody may record with it.
#[test]
fn where_no_badge_is_named_only_plain_work_is_recorded_by_nobody() {
    let lines: [(&str, &[&str], bool); 14] = [
        ("A.TURN", &["S.S1"], true),
        ("A.UNHOOP", &["S.S1"], true),
        ("A.RUBUP", &["S.S1"], true),
        ("A.LOAD", &["S.S2", "W.311-01"], true),
        ("A.MOVE", &["R.R1", "S.S1"], true),
        ("A.RIND", &["S.S1", "N.40"], true),
        ("A.PIERCE", &["T.PM1", "S.S1"], true),
        ("A.HOLD", &["Q.Q7", "S.S1"], false),
        ("A.RETURN", &["S.S1"], false),
        ("A.DISCARD", &["S.S1"], false),
        ("A.GRADE", &["S.S1", "G.A"], false),
        ("A.IRON", &["W.311-01", "N.20"], false),
        ("A.NEEDLES", &["T.PM1", "N.40", "N.40"], false),
        ("A.VAT", &["V.V1", "B.312", "C.blue", "N.500"], false),
    ];
    for (card, scans, taken) in lines {
        let mut floor = Floor::with_a_stillage();
        let mut setup = crate::floor::setup();
        setup.people.clear();
        floor.session = station::Session::new("st-1".parse().unwrap(), setup);
        floor.scan(card);
        let said = floor.scans(scans);
        assert_eq!(!floor.facts.is_empty(), taken, "{card}: {said}");
        assert!(floor.facts.iter().all(|fact| fact.person.is_none()));
    }
    // A wheel that is born under a hold is weighed in by nobody with its hold.
    let mut floor = Floor::empty();
    floor.scans(&["A.VAT", "V.V1", "B.313", "C.tested-blue", "N.500"]);
    let mut setup = crate::floor::setup();
    setup.people.clear();
    floor.session = station::Session::new("st-1".parse().unwrap(), setup);
    floor.scans(&["A.PORTION", "B.313", "H.H9"]);
    assert!(floor.weighs(11_000).starts_with("OK"));
    assert!(floor.recorded().contains(&"wheel.held 313-01".to_owned()));
}

/// Where the site lists roles, a badge does at a raw port what its role may do.
#[test]
fn a_badge_does_no_more_at_a_port_than_its_role_in_a_browser() {
    let iron: &[&str] = &["A.IRON", "W.311-01", "N.20"];
    let grade: &[&str] = &["A.GRADE", "W.311-01", "G.A"];
    for (role, lines, said) in [
        (None, iron, "OK"),
        (Some(Role::Ironer), iron, "OK"),
        (Some(Role::Manager), grade, "OK"),
        (Some(Role::Operator), iron, "IRON needs an ironer: ask one"),
        (
            Some(Role::Operator),
            grade,
            "GRADE needs an ironer: ask one",
        ),
        (Some(Role::Operator), &["A.TURN", "W.311-01"], "OK"),
        (
            Some(Role::Inspector),
            &["A.TURN", "W.311-01"],
            "TURN is not an inspector's to record",
        ),
        // A badge is a name: what needs somebody signed in needs them.
        (
            Some(Role::Manager),
            &["A.RELEASE", "Q.Q7", "W.311-01"],
            "RELEASE needs a signed-in manager",
        ),
        (
            Some(Role::Operator),
            &["A.RELEASE", "Q.Q7", "W.311-01"],
            "RELEASE needs a manager: ask one",
        ),
    ] {
        let mut floor = Floor::with_a_stillage();
        let mut setup = crate::floor::setup();
        setup.people = [("17".parse().unwrap(), role)].into();
        floor.restart_with(setup);
        floor.scan("P.17");
        let before = floor.facts.len();
        let heard: Vec<String> = lines.iter().map(|line| floor.scan(line)).collect();
        assert!(heard.iter().any(|heard| heard.contains(said)), "{heard:?}");
        let recorded = floor.facts.len() > before;
        assert_eq!(recorded, said == "OK", "{role:?} {lines:?}: {heard:?}");
    }
}

/// A tool that nobody listed is a slip, and its wheels would be looked for under another.
#[test]
fn a_tool_that_the_site_does_not_list_is_an_error_and_unsets_the_one_before() {
    for (lines, unknown, then) in [
        (["A.PIERCE", "T.PM1"], "T.PM9", &["W.311-01"] as &[&str]),
        (["A.NEEDLES", "T.PM1"], "T.PM9", &["N.40", "N.40"]),
        (["A.IRON", "T.IR1"], "T.IR9", &["W.311-01", "N.20"]),
    ] {
        let mut floor = Floor::with_a_stillage();
        let mut setup = crate::floor::setup();
        setup.machines = ["PM1", "PM2"].map(|code| code.parse().unwrap()).into();
        setup.irons = ["IR1".parse().unwrap()].into();
        floor.restart_with(setup);
        floor.scan("P.17");
        assert!(floor.scans(&lines).starts_with("NEXT"), "{lines:?}");
        let said = floor.scan(unknown);
        let (asked, near) = (&unknown[2..], &lines[1][2..]);
        let words = format!("WRONG  there is no tool {asked}; did you mean {near}");
        assert!(said.starts_with(&words), "{said}");
        assert!(said.ends_with("Nothing recorded"), "{said}");
        let before = floor.facts.len();
        floor.scans(then);
        let later = &floor.facts[before..];
        let names_one = later.iter().any(|fact| match &fact.event {
            facts::Event::WheelPierced(_) | facts::Event::ToolChecked(_) => true,
            facts::Event::WheelIroned(ironed) => ironed.iron.is_some(),
            _ => false,
        });
        assert!(!names_one, "{later:?}");
    }
}
