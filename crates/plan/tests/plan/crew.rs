//! The crew file.

use plan::{Crew, Kind};
use recipe::Origin;

use crate::given;

fn wrong(text: &str) -> String {
    Crew::parse(&Origin {
        file: "crew.toml",
        text,
    })
    .unwrap_err()
    .to_string()
}

#[test]
fn the_demos_crew_is_right() {
    let crew = given::crew(given::CREW);
    assert_eq!(crew.people.len(), 4);
    assert_eq!(crew.rules.len(), Kind::ALL.len());
}

#[test]
fn an_error_points_at_its_line_and_says_what_would_be_right() {
    let text = given::CREW.replace("seconds_per_wheel = 7\n", "seconds_per_wheel = 0\n");
    let error = wrong(&text);
    assert!(
        error.starts_with("crew.toml:12:21: seconds_per_wheel is 0"),
        "{error}"
    );

    let unknown = given::CREW.replace("machine = \"PM1\"", "machine = \"PM2\"");
    assert!(wrong(&unknown).contains("there is no [[machine]] PM2"));
    let weekday = given::CREW.replace("\"Mon\", \"Wed\"", "\"Monday\", \"Wensday\"");
    assert!(wrong(&weekday).contains("\"Wensday\" is no weekday"));
    let skill = given::CREW.replace("skill = \"iron\"", "skill = \"core\"");
    assert!(wrong(&skill).contains("no [[task]] asks for the skill \"iron\""));
    let missing = given::CREW.replace("kind = \"grade\"", "kind = \"turn\"");
    assert!(wrong(&missing).contains("turn stands here twice"));
    let apart = given::CREW.replacen(
        "seconds_per_wheel = 90\nskill = \"floor\"",
        "seconds_per_wheel = 90\nskill = \"iron\"",
        1,
    );
    assert!(wrong(&apart).contains("needs the same skill"));
}

#[test]
fn people_work_on_their_days_and_never_on_their_days_off() {
    let text = given::CREW.replace(
        "works = [\"Mon\", \"Wed\", \"Fri\"]",
        "works = [\"Mon\", \"Wed\", \"Fri\"]\noff = [\"2026-03-04\"]\nspecial = [{ day = \"2026-03-05\", minutes = 60 }]",
    );
    let crew = given::crew(&text);
    let minutes: Vec<i64> = (0..7)
        .map(|d| crew.people[3].seconds_on(given::day(d)) / 60)
        .collect();
    assert_eq!(minutes, [300, 0, 0, 60, 300, 0, 0]);
}
