//! Questions to a running floor.

use ripening::answer::{BatchPicture, Due, DueQuery, FloorPicture, WheelLife, WheelRow};
use scheduler::CensusQuery;

use crate::cli::{BatchArgs, DueArgs, FloorArgs, WheelArgs};
use crate::running::Asker;
use crate::show;

/// `wheelward due`
pub async fn due(args: &DueArgs) -> anyhow::Result<()> {
    let asker = Asker::connect(&args.ask).await?;
    let query = DueQuery {
        room: args.room,
        by: args.by,
    };
    let due: Due = asker.asks("due", &query).await?;
    show::due(&due, query.room, args.ask.json)
}

/// `wheelward wheel`
pub async fn wheel(args: &WheelArgs) -> anyhow::Result<()> {
    let asker = Asker::connect(&args.ask).await?;
    let life: WheelLife = asker.asks("wheel", &args.wheel).await?;
    show::wheel(&life, args.ask.json)
}

/// `wheelward batch`
pub async fn batch(args: &BatchArgs) -> anyhow::Result<()> {
    let asker = Asker::connect(&args.ask).await?;
    let batch: BatchPicture = asker.asks("batch", &args.batch).await?;
    show::batch(&batch, args.ask.json)
}

/// `wheelward floor`
pub async fn floor(args: &FloorArgs) -> anyhow::Result<()> {
    let asker = Asker::connect(&args.ask).await?;
    if args.wheels {
        let rows = asker.census().await?;
        return show::census(&rows, args.ask.json);
    }
    let floor: FloorPicture = asker.asks("floor", &()).await?;
    show::floor(&floor, args.ask.json)
}

impl Asker {
    /// Every wheel, asked for part by part.
    pub async fn census(&self) -> Result<Vec<WheelRow>, bus::BusError> {
        let mut rows: Vec<WheelRow> = Vec::new();
        loop {
            let query = CensusQuery {
                after: rows.last().map(|row| row.wheel),
            };
            let part: Vec<WheelRow> = self.asks("census", &query).await?;
            if part.is_empty() {
                return Ok(rows);
            }
            rows.extend(part);
        }
    }
}
