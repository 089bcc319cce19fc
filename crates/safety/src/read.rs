//! Reading a safety file: every mistake is told with line and column.

use std::collections::BTreeSet;

use facts::{ControlId, PersonId, RoomId, ToolId};
use recipe::{Located, Origin};
use serde::Deserialize;
use toml::Spanned;

use crate::count::{Count, Found};
use crate::heat::{Pair, Pairs};
use crate::plan::{Control, Every, Limit, Limits, Plan, Reads, Sampling, Step};

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct File {
    release: Spanned<ReleaseTable>,
    milk: Spanned<MilkTable>,
    #[serde(default)]
    control: Vec<Spanned<ControlTable>>,
    #[serde(default)]
    sampling: Vec<Spanned<SamplingTable>>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct ReleaseTable {
    badges: Spanned<Vec<PersonId>>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct MilkTable {
    /// "eu", "us" or "own".
    heat: Spanned<String>,
    #[serde(default)]
    pair: Vec<Spanned<PairTable>>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct PairTable {
    at_least_c: Option<f64>,
    at_least_f: Option<f64>,
    for_s: f64,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct ControlTable {
    id: Spanned<ControlId>,
    name: String,
    reads: Spanned<String>,
    before: Option<Spanned<String>>,
    room: Option<RoomId>,
    tool: Option<ToolId>,
    least: Option<f64>,
    most: Option<Spanned<f64>>,
    every: Spanned<String>,
    within_h: Option<Spanned<u32>>,
    when_wrong: Spanned<String>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct SamplingTable {
    id: Spanned<String>,
    test: String,
    n: Spanned<u16>,
    c: Spanned<u16>,
    m: Spanned<String>,
    #[serde(rename = "M")]
    big_m: Option<Spanned<String>>,
    source: Option<String>,
}

impl Plan {
    /// Reads and checks a safety file.
    ///
    /// # Errors
    /// [`Located`] points at the first thing that is wrong.
    pub fn parse(origin: &Origin<'_>) -> Result<Self, Located> {
        let file: File = origin.toml()?;
        let badges = &file.release.get_ref().badges;
        if badges.get_ref().is_empty() {
            let message = "badges is empty: name at least one person who may end a hold";
            return Err(origin.error(badges.span(), message));
        }
        let mut controls: Vec<Control> = Vec::new();
        for table in &file.control {
            let control = read_control(origin, table)?;
            if controls.iter().any(|known| known.id == control.id) {
                let message = format!("control {} stands here twice", control.id);
                return Err(origin.error(table.get_ref().id.span(), message));
            }
            controls.push(control);
        }
        let mut samplings: Vec<Sampling> = Vec::new();
        for table in &file.sampling {
            let sampling = read_sampling(origin, table.get_ref())?;
            if samplings.iter().any(|known| known.id == sampling.id) {
                let message = format!("sampling plan {:?} stands here twice", sampling.id);
                return Err(origin.error(table.get_ref().id.span(), message));
            }
            samplings.push(sampling);
        }
        Ok(Self {
            may_release: badges.get_ref().iter().copied().collect::<BTreeSet<_>>(),
            heat: read_heat(origin, file.milk.get_ref())?,
            controls,
            samplings,
        })
    }
}

fn read_heat(origin: &Origin<'_>, milk: &MilkTable) -> Result<Pairs, Located> {
    let mut pairs = match milk.heat.get_ref().as_str() {
        "eu" => Pairs::eu(),
        "us" => Pairs::us(),
        "own" if milk.pair.is_empty() => {
            let message = "heat is \"own\": write at least one [[milk.pair]]";
            return Err(origin.error(milk.heat.span(), message));
        }
        "own" => Pairs {
            pairs: Vec::new(),
            rich_from_fat_pct: None,
            rich_by_c: 0.0,
        },
        other => {
            let message = format!("heat is {other:?}: write \"eu\", \"us\" or \"own\"");
            return Err(origin.error(milk.heat.span(), message));
        }
    };
    for table in &milk.pair {
        let pair = table.get_ref();
        let wrong = |message: &str| Err(origin.error(table.span(), message));
        if !(pair.for_s > 0.0 && pair.for_s <= 86_400.0) {
            return wrong("for_s must be more than 0 and at most a day");
        }
        let pair = match (pair.at_least_c, pair.at_least_f) {
            (Some(c), None) => Pair::celsius(c, pair.for_s),
            (None, Some(f)) => Pair::fahrenheit(f, pair.for_s),
            _ => return wrong("write either at_least_c or at_least_f, as the limit is written"),
        };
        if !(50.0..=150.0).contains(&pair.least_c) {
            return wrong("a pair is 50 to 150 °C (122 to 302 °F)");
        }
        pairs.pairs.push(pair);
    }
    Ok(pairs)
}

fn read_control(origin: &Origin<'_>, table: &Spanned<ControlTable>) -> Result<Control, Located> {
    let control = table.get_ref();
    let reads = read_reads(origin, control)?;
    let limit = Limit {
        least: control.least,
        most: control.most.as_ref().map(|most| *most.get_ref()),
    };
    if let (Some(least), Some(most)) = (control.least, &control.most)
        && least > *most.get_ref()
    {
        let message = format!(
            "most is {} and least {least}: nothing is within",
            most.get_ref()
        );
        return Err(origin.error(most.span(), message));
    }
    let bounded = limit != Limit::default();
    let judged_by_itself = matches!(
        reads,
        Reads::MilkHeat
            | Reads::MilkScreen
            | Reads::Needles(_)
            | Reads::Iron(_)
            | Reads::CheckWeight(_)
    );
    if judged_by_itself && bounded {
        let message = format!(
            "{} is in order or not: leave least and most out",
            control.reads.get_ref()
        );
        return Err(origin.error(control.reads.span(), message));
    }
    if !judged_by_itself && reads != Reads::ByHand && !bounded {
        let message = format!(
            "{} needs a limit: write least, most or both",
            control.reads.get_ref()
        );
        return Err(origin.error(control.reads.span(), message));
    }
    let every = read_every(origin, control, reads)?;
    if control.when_wrong.get_ref().trim().is_empty() {
        let message = "when_wrong is empty: write what is to be done, as your plan says";
        return Err(origin.error(control.when_wrong.span(), message));
    }
    Ok(Control {
        id: *control.id.get_ref(),
        name: control.name.clone(),
        reads,
        limit,
        every,
        when_wrong: control.when_wrong.get_ref().clone(),
    })
}

fn read_reads(origin: &Origin<'_>, control: &ControlTable) -> Result<Reads, Located> {
    let before = control
        .before
        .as_ref()
        .map(|before| match before.get_ref().as_str() {
            "cut" => Ok(Step::Cut),
            "drained" => Ok(Step::Drained),
            "milled" => Ok(Step::Milled),
            "closed" => Ok(Step::Closed),
            other => {
                let message = format!("before is {other:?}: write cut, drained, milled or closed");
                Err(origin.error(before.span(), message))
            }
        })
        .transpose()?;
    let name = control.reads.get_ref().as_str();
    let room = || {
        control.room.ok_or_else(|| {
            origin.error(
                control.reads.span(),
                format!("{name} needs a room: write room = \"…\""),
            )
        })
    };
    let tool = || {
        control.tool.ok_or_else(|| {
            origin.error(
                control.reads.span(),
                format!("{name} needs a tool: write tool = \"…\""),
            )
        })
    };
    Ok(match name {
        "vat_ph" => Reads::VatPh(before),
        "vat_acidity" => Reads::VatAcidity(before),
        "vat_temperature" => Reads::VatTemperature(before),
        "milk_heat" => Reads::MilkHeat,
        "milk_screen" => Reads::MilkScreen,
        "needles" => Reads::Needles(tool()?),
        "iron" => Reads::Iron(tool()?),
        "check_weight" => Reads::CheckWeight(tool()?),
        "room_temperature" => Reads::RoomTemperature(room()?),
        "room_humidity" => Reads::RoomHumidity(room()?),
        "room_ammonia" => Reads::RoomAmmonia(room()?),
        "room_carbon_dioxide" => Reads::RoomCarbonDioxide(room()?),
        "by_hand" => Reads::ByHand,
        other => {
            let message = format!(
                "reads is {other:?}: write vat_ph, vat_acidity, vat_temperature, milk_heat, milk_screen, needles, iron, check_weight, room_temperature, room_humidity, room_ammonia, room_carbon_dioxide or by_hand"
            );
            return Err(origin.error(control.reads.span(), message));
        }
    })
}

fn read_every(origin: &Origin<'_>, control: &ControlTable, reads: Reads) -> Result<Every, Located> {
    let within = |usual: u32| match &control.within_h {
        None => Ok(usual),
        Some(hours) if (1..=2_400).contains(hours.get_ref()) => Ok(*hours.get_ref()),
        Some(hours) => Err(origin.error(hours.span(), "within_h must be 1 to 2400")),
    };
    let of_vat = matches!(
        reads,
        Reads::VatPh(_) | Reads::VatAcidity(_) | Reads::VatTemperature(_)
    );
    let of_milk = matches!(reads, Reads::MilkHeat | Reads::MilkScreen);
    let wrong = |message: String| Err(origin.error(control.every.span(), message));
    let every = match control.every.get_ref().as_str() {
        "batch" => Every::Batch {
            within_h: within(48)?,
        },
        "milk_lot" => Every::MilkLot {
            within_h: within(24)?,
        },
        "day" => Every::Day,
        "day_of_use" => Every::DayOfUse,
        other => {
            return wrong(format!(
                "every is {other:?}: write batch, milk_lot, day or day_of_use"
            ));
        }
    };
    let name = control.reads.get_ref();
    match every {
        Every::Batch { .. } if of_vat || reads == Reads::ByHand => Ok(every),
        Every::MilkLot { .. } if of_milk || reads == Reads::ByHand => Ok(every),
        Every::DayOfUse if matches!(reads, Reads::Needles(_) | Reads::Iron(_)) => Ok(every),
        Every::Day if !of_vat && !of_milk => Ok(every),
        _ => wrong(format!(
            "{name} cannot be checked every {}",
            control.every.get_ref()
        )),
    }
}

fn read_sampling(origin: &Origin<'_>, table: &SamplingTable) -> Result<Sampling, Located> {
    let (n, c) = (*table.n.get_ref(), *table.c.get_ref());
    if n == 0 {
        return Err(origin.error(table.n.span(), "n is 0: a sample has at least one unit"));
    }
    if c >= n {
        let message = format!("c is {c} of n {n}: at least one unit must be within m");
        return Err(origin.error(table.c.span(), message));
    }
    let limit = |text: &Spanned<String>| -> Result<Found, Located> {
        text.get_ref()
            .parse()
            .map_err(|e: crate::BadCount| origin.error(text.span(), e.to_string()))
    };
    let count = |text: &Spanned<String>| match limit(text)? {
        Found::Count(Count::Exactly(count)) => Ok(count),
        _ => Err(origin.error(text.span(), "write a count such as \"100 cfu/g\"")),
    };
    let limits = match (limit(&table.m)?, &table.big_m) {
        (Found::NotDetected { in_g: Some(in_g) }, None) if c == 0 => Limits::NotDetected { in_g },
        (Found::NotDetected { in_g: Some(_) }, None) => {
            let message = "c must be 0: what must not be there may be in no unit";
            return Err(origin.error(table.c.span(), message));
        }
        (Found::NotDetected { .. }, _) => {
            let message = "write m = \"not detected in 25 g\" with the grams, and no M";
            return Err(origin.error(table.m.span(), message));
        }
        (_, big_m) => {
            let m = count(&table.m)?;
            let big = big_m.as_ref().map_or(Ok(m), count)?;
            if big < m {
                let span = big_m.as_ref().map_or(0..0, Spanned::span);
                return Err(origin.error(span, "M is below m: they are exchanged"));
            }
            Limits::Counts { m, big_m: big }
        }
    };
    Ok(Sampling {
        id: table.id.get_ref().clone(),
        test: table.test.clone(),
        n,
        c,
        limits,
        source: table.source.clone(),
    })
}
