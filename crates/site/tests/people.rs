//! Who works at a site, and as what.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)] // a failed test panics

use std::path::Path;

use authority::Role;
use recipe::Origin;
use site::{Site, SiteError};

const SITE: &str = include_str!("../../../deploy/demo/larkholm.toml");

/// The demo's site with other lines in the place of those that name who may do more.
fn site(roles: &str) -> Result<Site, SiteError> {
    with(roles, "")
}

fn with(roles: &str, at_the_end: &str) -> Result<Site, SiteError> {
    let (before, rest) = SITE.split_once("ironers = ").unwrap();
    let (_, after) = rest.split_once("managers = [\"01\", \"09\"]\n").unwrap();
    let text = format!("{before}{roles}\n{after}\n{at_the_end}");
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("../../deploy/demo");
    let open = |path: &Path| std::fs::read_to_string(path).map_err(|error| error.to_string());
    let origin = Origin {
        file: "larkholm.toml",
        text: &text,
    };
    Site::parse(&origin, &folder, open)
}

#[test]
fn a_badge_has_a_role_where_the_site_lists_any() {
    let role = |roles: &str, badge: &str| site(roles).unwrap().people[&badge.parse().unwrap()];
    assert_eq!(role("", "06"), None);
    let listed = "ironers = [\"06\"]\ninspectors = [\"10\"]";
    assert_eq!(role(listed, "06"), Some(Role::Ironer));
    assert_eq!(role(listed, "10"), Some(Role::Inspector));
    assert_eq!(role(listed, "03"), Some(Role::Operator));
    // Nobody irons here.
    assert_eq!(role("ironers = []", "06"), Some(Role::Operator));
}

#[test]
fn a_role_is_of_a_badge_that_is_known_and_each_has_one() {
    for (roles, said) in [
        ("managers = [\"11\"]", "badge 11 is not among badges"),
        (
            "ironers = [\"06\"]\nmanagers = [\"06\"]",
            "badge 06 stands here twice",
        ),
    ] {
        let error = site(roles).unwrap_err().to_string();
        assert!(error.contains(said), "{error}");
    }
}

#[test]
fn tools_are_those_that_the_safety_file_has_checks_for() {
    assert_eq!(site("").unwrap().tools(), site::Tools::default());
    let tools = with("", "[safety]\nfile = \"larkholm-safety.toml\"\n");
    let tools = tools.unwrap().tools();
    assert_eq!(tools.machines, ["PM1".parse().unwrap()].into());
    assert_eq!(tools.irons, ["IR1".parse().unwrap()].into());
}
