//! Whether there is what a page or an entry names: so that a page about something that there
//! is not says so, instead of showing nothing.

use facts::{BatchId, ControlId, WheelId};
use names::{Kind, Known};
use records::CHECK_NAMED;
use scheduler::{NAME, NameQuery};

use crate::gateway::Gateway;
use crate::trouble::Trouble;

impl Gateway {
    /// Whether there is a thing of a kind; its code as it was first written.
    ///
    /// # Errors
    /// There is not, the code is none, or it cannot be looked up now.
    pub(crate) async fn named(&self, kind: Kind, code: &str) -> Result<String, Trouble> {
        let bad = |bad: facts::BadCode| Trouble::bad(bad.to_string());
        match kind {
            Kind::Room => {
                let rooms = self.site().rooms.iter().map(|room| room.id);
                let rooms = Known::default().with(kind, rooms);
                Ok(rooms.find(kind, code)?.to_owned())
            }
            Kind::Recipe => {
                let recipes = self.site().recipes.iter().map(|recipe| recipe.id);
                let recipes = Known::default().with(kind, recipes);
                Ok(recipes.find(kind, code)?.to_owned())
            }
            Kind::Check => {
                let id = ControlId::new(code).map_err(bad)?;
                let id = self.ask::<ControlId>(CHECK_NAMED, &id).await?;
                Ok(id.to_string())
            }
            _ => {
                match kind {
                    Kind::Batch => BatchId::new(code).map(drop).map_err(bad)?,
                    Kind::Wheel => WheelId::new(code).map(drop).map_err(bad)?,
                    _ => {}
                }
                let code = code.to_owned();
                self.ask(NAME, &NameQuery { kind, code }).await
            }
        }
    }
}
