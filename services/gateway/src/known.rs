//! Which codes facts speak of, beyond the wheels and batches that the floor keeps: so that a
//! page about something that there is not says so, instead of showing nothing.

use facts::{BatchId, Carrier, ControlId, Event, Fact, WheelId};
use names::{Kind, Known, UnknownName};
use records::CHECK_NAMED;
use ripening::answer::{batch_named, wheel_named};

use crate::gateway::Gateway;
use crate::trouble::Trouble;

/// Tools, vats and what wheels stand on are cleaned under their own codes.
const CLEANED: [Kind; 5] = [
    Kind::Tool,
    Kind::Vat,
    Kind::Stillage,
    Kind::Stack,
    Kind::Hoop,
];

impl Gateway {
    /// Whether there is a thing of a kind.
    ///
    /// # Errors
    /// There is not, the code is none, or it cannot be looked up now.
    pub(crate) async fn named(&self, kind: Kind, code: &str) -> Result<(), Trouble> {
        let bad = |bad: facts::BadCode| Trouble::bad(bad.to_string());
        let unfinished = |error: anyhow::Error| Trouble::away(error.to_string());
        let (now, outlook) = (self.now(), self.outlook());
        match kind {
            Kind::Batch => {
                let id = BatchId::new(code).map_err(bad)?;
                let look = outlook.look(now, move |floor| batch_named(floor, id).map(drop));
                look.await.map_err(unfinished)??;
            }
            Kind::Wheel => {
                let id = WheelId::new(code).map_err(bad)?;
                let look = outlook.look(now, move |floor| wheel_named(floor, id).map(drop));
                look.await.map_err(unfinished)??;
            }
            Kind::Room => {
                let rooms = self.site().rooms.iter().map(|room| room.id);
                let rooms = Known::default().with(kind, rooms);
                rooms.find(kind, code)?;
            }
            Kind::Recipe => {
                let recipes = self.site().recipes.iter().map(|recipe| recipe.id);
                let recipes = Known::default().with(kind, recipes);
                recipes.find(kind, code)?;
            }
            Kind::Check => {
                let id = ControlId::new(code).map_err(bad)?;
                self.ask::<ControlId>(CHECK_NAMED, &id).await?;
            }
            Kind::Tool => {
                let stations = self.site().stations.iter();
                let scales = stations.filter_map(|station| Some(station.scale.as_ref()?.tool));
                let mut tools = Known::default().with(kind, scales);
                let site = self.site().tools();
                let listed = site.machines.iter().chain(&site.irons);
                listed.for_each(|tool| tools.add(kind, tool));
                outlook.named(|known| {
                    for cleaned in CLEANED {
                        known.of(cleaned).for_each(|code| tools.add(kind, code));
                    }
                });
                tools.find(kind, code)?;
            }
            kind => outlook.named(|known| known.find(kind, code).map(drop))?,
        }
        Ok(())
    }
}

/// The kind of what wheels stand on or in.
pub(crate) const fn kind_of(carrier: Carrier) -> Kind {
    match carrier {
        Carrier::Hoop(_) => Kind::Hoop,
        Carrier::Stack(_) => Kind::Stack,
        Carrier::Stillage(_) => Kind::Stillage,
    }
}

/// What wheels stand on, as it was first written.
///
/// # Errors
/// No fact speaks of it.
pub(crate) fn carrier(known: &Known, asked: Carrier) -> Result<Carrier, UnknownName> {
    let kind = kind_of(asked);
    Ok(match asked {
        Carrier::Hoop(id) => Carrier::Hoop(as_kept(known.find(kind, id)?, id)),
        Carrier::Stack(id) => Carrier::Stack(as_kept(known.find(kind, id)?, id)),
        Carrier::Stillage(id) => Carrier::Stillage(as_kept(known.find(kind, id)?, id)),
    })
}

/// A code as it was first written is a code.
fn as_kept<T: std::str::FromStr>(kept: &str, asked: T) -> T {
    kept.parse().unwrap_or(asked)
}

/// Keeps the codes that a fact brings up.
pub(crate) fn hear(known: &mut Known, fact: &Fact) {
    if let Some(badge) = fact.person {
        known.add(Kind::Person, badge);
    }
    match &fact.event {
        Event::MilkReceived(e) => known.add(Kind::Lot, e.lot),
        Event::LotReceived(e) => known.add(Kind::Lot, e.lot),
        Event::MilkPooled(e) => {
            known.add(Kind::Lot, e.lot);
            e.from
                .iter()
                .for_each(|part| known.add(Kind::Lot, part.lot));
        }
        Event::LotUsed(e) => known.add(Kind::Lot, e.lot),
        Event::VatStarted(e) => {
            known.add(Kind::Vat, e.vat);
            e.milk_lots.iter().for_each(|lot| known.add(Kind::Lot, lot));
        }
        Event::VatFilled(e) => known.add(Kind::Lot, e.lot),
        Event::VatDosed(e) => known.add(Kind::Lot, e.lot),
        Event::WheelHooped(e) => {
            known.add(Kind::Hoop, e.hoop);
            e.stack
                .iter()
                .for_each(|stack| known.add(Kind::Stack, stack));
        }
        Event::WheelLoaded(e) => known.add(Kind::Stillage, e.stillage),
        Event::WheelMoved(e) => {
            known.add(Kind::Room, e.room);
            if let Some(Carrier::Stillage(stillage)) = e.via {
                known.add(Kind::Stillage, stillage);
            }
        }
        Event::WheelPierced(e) => known.add(Kind::Tool, e.machine),
        Event::WheelIroned(e) => e.iron.iter().for_each(|iron| known.add(Kind::Tool, iron)),
        Event::ToolChecked(e) => known.add(Kind::Tool, e.tool),
        Event::ToolSanitised(e) => known.add(Kind::Tool, e.tool),
        Event::RoomClimateRead(e) => known.add(Kind::Room, e.room),
        Event::LabSampled(e) => known.add(Kind::Sample, e.sample),
        Event::LabSwabbed(e) => known.add(Kind::Sample, e.sample),
        Event::DeviationFound(_) => known.add(Kind::Deviation, fact.id),
        // It does not make known what it is over.
        Event::HoldPlaced(e) => known.add(Kind::Hold, e.hold),
        Event::WheelHeld(e) => known.add(Kind::Hold, e.hold),
        _ => {}
    }
}
