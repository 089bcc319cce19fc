//! The dairy that is played: small, so that everything meets everything.

use authority::Role;
use chrono::NaiveTime;
use facts::{RecipeId, SiteId};
use holds::{Rights, Rule};
use metrology::{Class, HoopTypes, Plate};
use quantity::DairyClock;
use recipe::{Origin, Recipe, RecipeBook};
use ripening::Practice;
use station::{Scale, Setup};

/// Test data after common practice (no source): shared with the recipe crate's tests.
const RECIPE: &str = include_str!("../../recipe/tests/common-practice.toml");

/// The hold that every wheel of the recipe `tested-blue` is born under.
pub(crate) const BORN: &str = "Q9";

/// The recipe whose wheels are.
pub(crate) const TESTED: &str = "tested-blue";

/// Who works here.
pub(crate) const PEOPLE: [(&str, Role); 4] = [
    ("02", Role::Operator),
    ("03", Role::Operator),
    ("07", Role::Ironer),
    (MANAGER, Role::Manager),
];

/// The manager's badge.
pub(crate) const MANAGER: &str = "09";

/// What never changes while a seed is played.
pub(crate) struct Dairy {
    pub(crate) id: SiteId,
    pub(crate) practice: Practice,
    pub(crate) setup: Setup,
}

impl Dairy {
    /// With a safety file, only the manager may release.
    pub(crate) fn new(safety: bool, dispatch_desk: bool) -> Self {
        let clock = DairyClock::new(
            chrono_tz::Europe::London,
            NaiveTime::from_hms_opt(4, 0, 0).unwrap(),
        );
        let mut recipes = RecipeBook::default();
        let tested = RECIPE.replace("practice-blue", "tested-blue").replace(
            "[pierce]",
            &format!("[[hold]]\nid = \"{BORN}\"\nreason = \"until its test is back\"\n\n[pierce]"),
        );
        for text in [RECIPE, &tested] {
            let file = "simulated.toml";
            recipes.add(Recipe::parse(&Origin { file, text }).unwrap());
        }
        let recipe = |name: &str| RecipeId::new(name).unwrap();
        let rights = match safety {
            true => Rights::Named([MANAGER.parse().unwrap()].into()),
            false => Rights::AnyBadge,
        };
        Self {
            id: SiteId::new("testdairy").unwrap(),
            setup: Setup {
                clock,
                recipes: [(recipe("practice-blue"), 1), (recipe(TESTED), 1)].into(),
                holds: Rule::new(&recipes, rights.clone()),
                people: PEOPLE
                    .iter()
                    .map(|(badge, role)| (badge.parse().unwrap(), Some(*role)))
                    .collect(),
                machines: Default::default(),
                irons: Default::default(),
                youngest: Default::default(),
                dispatch_desk,
                rooms: ["R1", "R2", "R3"]
                    .map(|room| (room.parse().unwrap(), 12))
                    .into(),
                scale: Some(Scale {
                    tool: "scale-1".parse().unwrap(),
                    plate: Plate::new(
                        Class::III,
                        "30 kg".parse().unwrap(),
                        None,
                        "10 g".parse().unwrap(),
                    )
                    .unwrap(),
                    daily_check: false,
                    hoops: HoopTypes::default(),
                }),
            },
            practice: Practice {
                clock,
                turn_by: NaiveTime::from_hms_opt(18, 0, 0).unwrap(),
                lost_after_days: 4,
                closed_after_days: 60,
                recipes,
                rights,
            },
        }
    }
}
