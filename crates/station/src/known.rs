//! Names that a station can look up by itself: rooms and their places, tools, markets, holds,
//! and orders where no dispatch desk has them. Customers are the dispatch desk's.

use std::collections::BTreeSet;

use facts::{HoldId, MarketId, OrderId, PositionId, RoomId, ToolId};
use names::{Kind, UnknownName};

use crate::floor::{Floor, Step};
use crate::scan::Reach;

/// A room of the site, and a place in it: `P05`, as on its card, or `5`.
pub(crate) fn place(
    floor: &Floor<'_>,
    room: RoomId,
    position: Option<PositionId>,
) -> Result<(), UnknownName> {
    let rooms = &floor.setup.rooms;
    let Some(&places) = rooms.get(&room) else {
        return Err(UnknownName::among(
            Kind::Room,
            room,
            rooms.keys().map(RoomId::as_str),
        ));
    };
    let Some(position) = position else {
        return Ok(());
    };
    let number = position.as_str().trim_start_matches(['P', 'p']);
    let is_number = !number.is_empty() && number.bytes().all(|byte| byte.is_ascii_digit());
    let number = number.parse::<u32>().ok().filter(|_| is_number);
    if number.is_some_and(|number| (1..=places).contains(&number)) {
        return Ok(());
    }
    let known = (1..=places).map(|place| format!("{room}.P{place:02}"));
    let asked = format!("{room}.{position}");
    Err(UnknownName::among(Kind::Place, asked, known))
}

/// A piercing machine that the site lists; any, where it lists none.
pub(crate) fn machine(floor: &Floor<'_>, machine: ToolId) -> Result<(), UnknownName> {
    tool(&floor.setup.machines, machine)
}

/// An iron that the site lists; any, where it lists none.
pub(crate) fn iron(floor: &Floor<'_>, iron: ToolId) -> Result<(), UnknownName> {
    tool(&floor.setup.irons, iron)
}

fn tool(known: &BTreeSet<ToolId>, tool: ToolId) -> Result<(), UnknownName> {
    if known.is_empty() || known.contains(&tool) {
        return Ok(());
    }
    let known = known.iter().map(ToolId::as_str);
    Err(UnknownName::among(Kind::Tool, tool, known))
}

/// A market that some recipe is sold in. Where no recipe says where it is sold, nobody here
/// keeps markets.
pub(crate) fn market(floor: &Floor<'_>, market: MarketId) -> Result<(), UnknownName> {
    let of_recipes = floor.setup.youngest.values();
    let known: BTreeSet<MarketId> = of_recipes
        .flat_map(|markets| markets.keys().copied())
        .collect();
    if known.is_empty() || known.contains(&market) {
        return Ok(());
    }
    let known = known.iter().map(MarketId::as_str);
    Err(UnknownName::among(Kind::Market, market, known))
}

/// An order that was placed. Where none ever was, orders are kept elsewhere.
pub(crate) fn order(floor: &Floor<'_>, order: OrderId) -> Result<(), UnknownName> {
    let known: BTreeSet<OrderId> = floor.placement.orders().collect();
    if known.is_empty() || known.contains(&order) {
        return Ok(());
    }
    let known = known.iter().map(OrderId::as_str);
    Err(UnknownName::among(Kind::Order, order, known))
}

/// Why a hold cannot be released that nobody ever set.
pub(crate) fn hold(floor: &Floor<'_>, hold: HoldId) -> Option<Step> {
    let known: BTreeSet<HoldId> = floor.placement.holds(&floor.setup.holds).collect();
    if known.contains(&hold) {
        return None;
    }
    Some(match floor.reach {
        Reach::Current => {
            let unknown = UnknownName::among(Kind::Hold, hold, known.iter().map(HoldId::as_str));
            Step::wrong(unknown.then("Nothing recorded"))
        }
        Reach::Away => Step::wrong(format!(
            "hold {hold} is not known here, and what other stations hold is not known while the broker is away: nothing recorded. Wait until it is back"
        )),
        Reach::Behind => Step::wrong(format!(
            "hold {hold} is not known here yet: nothing recorded. Scan it again in a moment"
        )),
    })
}
