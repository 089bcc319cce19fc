//! What a wheel weighs at its portioning and at its finish.

use quantity::Grams;
use serde::Deserialize;
use toml::Spanned;

use crate::{Finish, Located, Origin, Portion};

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct PortionTable {
    weight_g: Spanned<Grams>,
    tolerance_g: Spanned<Grams>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct FinishTable {
    weight_g: Grams,
    tolerance_g: Grams,
    age_days: Spanned<i64>,
}

pub(super) fn portion(origin: &Origin<'_>, table: &PortionTable) -> Result<Portion, Located> {
    let portion = Portion {
        weight_g: *table.weight_g.get_ref(),
        tolerance_g: *table.tolerance_g.get_ref(),
    };
    if portion.weight_g.get() == 0 || portion.tolerance_g >= portion.weight_g {
        return Err(origin.error(
            table.tolerance_g.span(),
            "the portion needs a weight above its tolerance, both in grams",
        ));
    }
    Ok(portion)
}

pub(super) fn finish(
    origin: &Origin<'_>,
    table: Option<&Spanned<FinishTable>>,
    portion: Portion,
) -> Result<Option<Finish>, Located> {
    let Some(table) = table else {
        return Ok(None);
    };
    let finish = table.get_ref();
    if finish.weight_g.get() == 0
        || finish.weight_g >= portion.weight_g
        || finish.tolerance_g >= finish.weight_g
    {
        let message = format!(
            "a finished wheel weighs less than its portion of {}, and more than its tolerance: say what it weighs in grams",
            portion.weight_g
        );
        return Err(origin.error(table.span(), message));
    }
    Ok(Some(Finish {
        weight_g: finish.weight_g,
        tolerance_g: finish.tolerance_g,
        age_days: origin.days("finish.age_days", &finish.age_days, 1)?,
    }))
}
