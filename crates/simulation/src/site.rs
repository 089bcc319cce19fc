//! The dairy that is played: small, so that everything meets everything.

use chrono::NaiveTime;
use facts::{HoldId, RecipeId, SiteId};
use metrology::{Class, HoopTypes, Plate};
use quantity::DairyClock;
use recipe::{Origin, Recipe, RecipeBook};
use ripening::Practice;
use station::{Scale, Setup};

/// Test data after common practice (no source): shared with the recipe crate's tests.
const RECIPE: &str = include_str!("../../recipe/tests/common-practice.toml");

/// The hold that every wheel of the recipe `tested-blue` is born under.
pub(crate) const BORN: &str = "Q9";

/// What never changes while a seed is played.
pub(crate) struct Dairy {
    pub(crate) id: SiteId,
    pub(crate) practice: Practice,
    pub(crate) setup: Setup,
}

impl Dairy {
    pub(crate) fn new() -> Self {
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
        let born = (
            HoldId::new(BORN).unwrap(),
            "until its test is back".to_owned(),
        );
        Self {
            id: SiteId::new("testdairy").unwrap(),
            setup: Setup {
                clock,
                recipes: [(recipe("practice-blue"), 1), (recipe("tested-blue"), 1)].into(),
                born_under: [(recipe("tested-blue"), vec![born])].into(),
                rooms: ["R1", "R2", "R3"].map(|room| room.parse().unwrap()).into(),
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
                recipes,
            },
        }
    }
}
