//! Holds that every wheel is born under.

use facts::HoldId;
use serde::Deserialize;
use toml::Spanned;

use crate::{Hold, Located, Origin};

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct HoldTable {
    id: Spanned<HoldId>,
    reason: Spanned<String>,
}

pub(super) fn holds(origin: &Origin<'_>, tables: &[HoldTable]) -> Result<Vec<Hold>, Located> {
    let mut holds: Vec<Hold> = Vec::new();
    for table in tables {
        let id = *table.id.get_ref();
        if holds.iter().any(|hold| hold.id == id) {
            let message = format!("hold {id} stands here twice: each hold once");
            return Err(origin.error(table.id.span(), message));
        }
        let reason = table.reason.get_ref().trim();
        if reason.is_empty() {
            return Err(origin.error(
                table.reason.span(),
                "reason is empty: say what must be known before it is released",
            ));
        }
        holds.push(Hold {
            id,
            reason: reason.to_owned(),
        });
    }
    Ok(holds)
}
