//! Folds a file of facts without a broker and shows the same views: for what-if, for
//! support, for tests.

use std::collections::BTreeMap;
use std::path::Path;

use chrono::{DateTime, Utc};
use facts::wire::Read;
use quantity::DairyClock;
use recipe::RecipeBook;
use ripening::answer::{self, DueQuery};
use ripening::{Floor, Practice};

use crate::cli::{ReplayArgs, View};
use crate::{files, lines, show};

/// `wheelward replay`
pub fn run(args: &ReplayArgs) -> anyhow::Result<()> {
    let (practice, rooms) = practice(args)?;
    let floor = fold(&args.file, args.at, practice)?;
    match &args.view {
        None | Some(View::Floor { wheels: false }) => {
            show::floor(&answer::floor(&floor, &rooms), args.json)
        }
        Some(View::Floor { wheels: true }) => show::census(&answer::census(&floor), args.json),
        Some(View::Due { room, by }) => {
            let own: Vec<_> = rooms.iter().map(|(id, _)| *id).collect();
            let room = room.map(|id| answer::room_named(&floor, &own, id));
            let query = DueQuery {
                room: room.transpose()?,
                by: *by,
            };
            show::due(&answer::due(&floor, &query), query.room, args.json)
        }
        Some(View::Wheel { wheel }) => show::wheel(&answer::wheel(&floor, *wheel)?, args.json),
        Some(View::Batch { batch }) => show::batch(&answer::batch(&floor, *batch)?, args.json),
    }
}

type Rooms = Vec<(facts::RoomId, String)>;

fn practice(args: &ReplayArgs) -> anyhow::Result<(Practice, Rooms)> {
    if let Some(path) = &args.site {
        let site = files::site(path)?;
        let rooms = site
            .rooms
            .iter()
            .map(|room| (room.id, room.name.clone()))
            .collect();
        return Ok((scheduler::practice(&site), rooms));
    }
    let mut recipes = RecipeBook::default();
    let mut rooms = BTreeMap::new();
    for path in &args.recipe {
        let recipe = files::recipe(path)?;
        rooms.extend(
            recipe
                .stages
                .iter()
                .map(|stage| (stage.room, stage.room.to_string())),
        );
        recipes.add(recipe);
    }
    let hour = |h| chrono::NaiveTime::from_hms_opt(h, 0, 0).unwrap_or_default();
    let practice = Practice {
        clock: DairyClock::new(args.time_zone, hour(4)),
        turn_by: hour(18),
        lost_after_days: 4,
        closed_after_days: 60,
        recipes,
        rights: ripening::Rights::AnyBadge,
    };
    Ok((practice, rooms.into_iter().collect()))
}

/// Folds a file of facts up to an instant.
pub fn fold(file: &Path, at: DateTime<Utc>, practice: Practice) -> anyhow::Result<Floor> {
    let [floor] = fold_each(file, at, [practice])?;
    Ok(floor)
}

/// Folds a file of facts up to an instant, once for each way of working.
pub fn fold_each<const N: usize>(
    file: &Path,
    at: DateTime<Utc>,
    practices: [Practice; N],
) -> anyhow::Result<[Floor; N]> {
    let path = file.display();
    let mut floors = practices.map(|practice| Floor::new(practice, at));
    lines::each(file, |number, read| {
        match read {
            Ok(Read::Fact(fact)) if fact.occurred_at > at => {}
            Ok(Read::Fact(fact)) => floors.iter_mut().for_each(|floor| floor.apply(&fact)),
            Ok(Read::UnknownType(unknown)) => {
                let ty = &unknown.ty;
                eprintln!("{path}:{number}: {ty} is not known here: skipped");
                floors
                    .iter_mut()
                    .for_each(|floor| floor.pass(number, &unknown));
            }
            Err(error) => {
                eprintln!("{path}:{number}: {error}: skipped");
                floors.iter_mut().for_each(Floor::count_unreadable);
            }
        }
        Ok(())
    })?;
    floors.iter_mut().for_each(|floor| floor.refresh(at));
    Ok(floors)
}
