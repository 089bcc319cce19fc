//! The chain of rooms.

use facts::RoomId;
use quantity::Percent;
use serde::Deserialize;
use toml::Spanned;

use super::days::LONGEST_DAYS;
use crate::{Located, Origin, Stage};

/// Relative humidity of any room that cheese matures in, percent: one written as a fraction of 1
/// is far below (common practice, no source).
const DRIEST_TO_WETTEST: (f64, f64) = (30.0, 100.0);

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct StageTable {
    room: Spanned<RoomId>,
    temperature_c: Spanned<(f64, f64)>,
    humidity_pct: Spanned<(f64, f64)>,
    turn_every_days: Spanned<i64>,
    leave_at_cover_pct: Option<Spanned<Percent>>,
    stay_days: Spanned<(i64, i64)>,
}

pub(super) fn stages(
    origin: &Origin<'_>,
    tables: &[Spanned<StageTable>],
) -> Result<Vec<Stage>, Located> {
    if tables.is_empty() {
        let message = "no [[stage]]: name at least one room for the wheels to mature in";
        return Err(origin.error(0..0, message));
    }
    let mut stages: Vec<Stage> = Vec::new();
    for table in tables {
        let stage = table.get_ref();
        let room = *stage.room.get_ref();
        if stages.iter().any(|s| s.room == room) {
            let message = format!("room {room} is already in the chain: each room once");
            return Err(origin.error(stage.room.span(), message));
        }
        stages.push(Stage {
            room,
            temperature_c: origin.range("temperature_c", &stage.temperature_c, (-10.0, 40.0))?,
            humidity_pct: origin.range("humidity_pct", &stage.humidity_pct, DRIEST_TO_WETTEST)?,
            turn_every_days: origin.days("turn_every_days", &stage.turn_every_days, 1)?,
            leave_at_cover_pct: match &stage.leave_at_cover_pct {
                Some(cover) => Some(origin.percent("leave_at_cover_pct", cover, 5.0)?),
                None => None,
            },
            stay_days: origin.range("stay_days", &stage.stay_days, (0, LONGEST_DAYS))?,
        });
    }
    Ok(stages)
}
