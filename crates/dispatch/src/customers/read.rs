//! Reading the customers file and checking that it is consistent.

use std::collections::{BTreeMap, BTreeSet};

use chrono::{NaiveDate, NaiveTime, Weekday};
use facts::{CustomerId, LaneId, MarketId};
use recipe::{Located, Origin};
use serde::Deserialize;
use toml::Spanned;

use super::{Customer, Customers, Lane, Market, Shipper};
use crate::transit::Transit;

/// Longest journey.
const LONGEST_DAYS: i64 = 90;
/// Digits of a case number that stand before its check digit.
const SSCC_DIGITS: usize = 17;
/// Digits that a case's own number needs at least.
const SERIAL_DIGITS: usize = 4;

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct File {
    shipper: ShipperTable,
    #[serde(default)]
    market: Vec<Spanned<MarketTable>>,
    #[serde(default)]
    lane: Vec<Spanned<LaneTable>>,
    #[serde(default)]
    customer: Vec<Spanned<CustomerTable>>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct ShipperTable {
    address: Vec<String>,
    sscc_prefix: Spanned<String>,
    wheels_per_case: Spanned<usize>,
    cases_per_pallet: Spanned<usize>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct MarketTable {
    id: Spanned<MarketId>,
    legal_least_age_days: Option<Spanned<i64>>,
    least_life_days: Option<Spanned<i64>>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct LaneTable {
    id: Spanned<LaneId>,
    name: String,
    ships: Option<Spanned<Vec<String>>>,
    delivers: Option<Spanned<Vec<String>>>,
    cut_off: Spanned<String>,
    #[serde(default)]
    closed: Vec<Spanned<String>>,
    usual_days: Spanned<i64>,
    slow_days: Option<Spanned<i64>>,
    slow_pct: Option<Spanned<f64>>,
    #[serde(default)]
    leaving_on: Vec<Spanned<TransitTable>>,
    temperature_c: Option<Spanned<(f64, f64)>>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct TransitTable {
    day: Spanned<String>,
    usual_days: Spanned<i64>,
    slow_days: Option<Spanned<i64>>,
    slow_pct: Option<Spanned<f64>>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct CustomerTable {
    id: Spanned<CustomerId>,
    name: Spanned<String>,
    #[serde(default)]
    address: Vec<String>,
    market: Spanned<MarketId>,
    lanes: Spanned<Vec<Spanned<LaneId>>>,
    on_time_pct: Option<Spanned<f64>>,
}

impl Customers {
    /// Reads and checks a customers file.
    ///
    /// # Errors
    /// [`Located`] points at the first thing that is wrong.
    pub fn parse(origin: &Origin<'_>) -> Result<Self, Located> {
        if origin.text.trim().is_empty() {
            let message = "the customers file is empty: start from deploy/demo/customers.toml";
            return Err(origin.error(0..0, message));
        }
        let file: File = origin.toml()?;
        let markets = each(origin, &file.market, |market| &market.id, read_market)?;
        let lanes = each(origin, &file.lane, |lane| &lane.id, read_lane)?;
        let customers = each(
            origin,
            &file.customer,
            |customer| &customer.id,
            |origin, table| read_customer(origin, table, &lanes),
        )?;
        Ok(Self {
            shipper: read_shipper(origin, &file.shipper)?,
            markets,
            lanes,
            customers,
        })
    }
}

/// Reads tables that each have a code of their own.
fn each<T, I: Copy + Ord + std::fmt::Display, V>(
    origin: &Origin<'_>,
    tables: &[Spanned<T>],
    id: impl Fn(&T) -> &Spanned<I>,
    read: impl Fn(&Origin<'_>, &T) -> Result<V, Located>,
) -> Result<BTreeMap<I, V>, Located> {
    let mut all = BTreeMap::new();
    for table in tables {
        let table = table.get_ref();
        let code = id(table);
        if all.contains_key(code.get_ref()) {
            let message = format!("{} stands here twice: each once", code.get_ref());
            return Err(origin.error(code.span(), message));
        }
        all.insert(*code.get_ref(), read(origin, table)?);
    }
    Ok(all)
}

fn read_shipper(origin: &Origin<'_>, table: &ShipperTable) -> Result<Shipper, Located> {
    let prefix = table.sscc_prefix.get_ref();
    let digits = prefix.bytes().all(|b| b.is_ascii_digit());
    if !digits || prefix.is_empty() || prefix.len() > SSCC_DIGITS - SERIAL_DIGITS {
        let message = format!(
            "sscc_prefix is {prefix:?}: write the extension digit and your GS1 company prefix, at most {} digits",
            SSCC_DIGITS - SERIAL_DIGITS
        );
        return Err(origin.error(table.sscc_prefix.span(), message));
    }
    for (key, value) in [
        ("wheels_per_case", &table.wheels_per_case),
        ("cases_per_pallet", &table.cases_per_pallet),
    ] {
        if !(1..=1_000).contains(value.get_ref()) {
            return Err(origin.error(value.span(), format!("{key} must be 1 to 1000")));
        }
    }
    Ok(Shipper {
        address: table.address.clone(),
        sscc_prefix: prefix.clone(),
        wheels_per_case: *table.wheels_per_case.get_ref(),
        cases_per_pallet: *table.cases_per_pallet.get_ref(),
    })
}

fn read_market(origin: &Origin<'_>, table: &MarketTable) -> Result<Market, Located> {
    let age = |key: &str, value: &Spanned<i64>| {
        let days = *value.get_ref();
        if (0..=3_660).contains(&days) {
            Ok(days)
        } else {
            Err(origin.error(value.span(), format!("{key} must be 0 to 3660 days")))
        }
    };
    let legal = table.legal_least_age_days.as_ref();
    let life = table.least_life_days.as_ref();
    Ok(Market {
        id: *table.id.get_ref(),
        legal_least_age_days: legal.map(|v| age("legal_least_age_days", v)).transpose()?,
        least_life_days: life.map_or(Ok(0), |v| age("least_life_days", v))?,
    })
}

fn read_lane(origin: &Origin<'_>, table: &LaneTable) -> Result<Lane, Located> {
    let mut transit_on = BTreeMap::new();
    for on in &table.leaving_on {
        let on = on.get_ref();
        let day = weekday(origin, &on.day, on.day.get_ref())?;
        let transit = read_transit(
            origin,
            &on.usual_days,
            on.slow_days.as_ref(),
            on.slow_pct.as_ref(),
        )?;
        if transit_on.insert(day, transit).is_some() {
            let message = format!("{} stands here twice", on.day.get_ref());
            return Err(origin.error(on.day.span(), message));
        }
    }
    let mut closed = BTreeSet::new();
    for day in &table.closed {
        closed.insert(date(origin, day)?);
    }
    let temperature_c = match &table.temperature_c {
        None => None,
        Some(range) => {
            let (least, most) = *range.get_ref();
            if !(-40.0 <= least && least <= most && most <= 40.0) {
                let message = "temperature_c must be [least, most] within -40 to 40 °C";
                return Err(origin.error(range.span(), message));
            }
            Some((least, most))
        }
    };
    let lane = Lane {
        id: *table.id.get_ref(),
        name: table.name.clone(),
        ships: weekdays(origin, table.ships.as_ref())?,
        delivers: weekdays(origin, table.delivers.as_ref())?,
        cut_off: time(origin, "cut_off", &table.cut_off)?,
        closed,
        transit: read_transit(
            origin,
            &table.usual_days,
            table.slow_days.as_ref(),
            table.slow_pct.as_ref(),
        )?,
        transit_on,
        temperature_c,
    };
    if let Some(day) = lane.transit_on.keys().find(|day| !lane.ships.contains(day)) {
        let name = Weekday::try_from(u8::try_from(*day).unwrap_or_default());
        let name = name.map_or_else(|_| day.to_string(), |day| day.to_string());
        let message = format!("leaving_on names {name}, but the lane does not leave that day");
        return Err(origin.error(table.id.span(), message));
    }
    Ok(lane)
}

fn read_transit(
    origin: &Origin<'_>,
    usual: &Spanned<i64>,
    slow: Option<&Spanned<i64>>,
    pct: Option<&Spanned<f64>>,
) -> Result<Transit, Located> {
    let days = |key: &str, value: &Spanned<i64>| {
        if (0..=LONGEST_DAYS).contains(value.get_ref()) {
            Ok(*value.get_ref())
        } else {
            let message = format!("{key} must be 0 to {LONGEST_DAYS} days");
            Err(origin.error(value.span(), message))
        }
    };
    let usual_days = days("usual_days", usual)?;
    match (slow, pct) {
        (None, None) => Ok(Transit::new(usual_days, usual_days, 0.0)),
        (Some(slow), Some(pct)) => {
            let slow_days = days("slow_days", slow)?;
            if slow_days <= usual_days {
                let message = format!("slow_days must be more than the usual {usual_days}");
                return Err(origin.error(slow.span(), message));
            }
            if !(0.0..=100.0).contains(pct.get_ref()) {
                return Err(origin.error(pct.span(), "slow_pct must be 0 to 100 %"));
            }
            Ok(Transit::new(usual_days, slow_days, *pct.get_ref() / 100.0))
        }
        (Some(alone), None) => Err(origin.error(
            alone.span(),
            "slow_days needs slow_pct beside it: how often is it slow?",
        )),
        (None, Some(alone)) => Err(origin.error(
            alone.span(),
            "slow_pct needs slow_days beside it: how slow is slow?",
        )),
    }
}

fn read_customer(
    origin: &Origin<'_>,
    table: &CustomerTable,
    lanes: &BTreeMap<LaneId, Lane>,
) -> Result<Customer, Located> {
    if table.name.get_ref().trim().is_empty() {
        let message = "name is empty: write it as it should stand on the dispatch note";
        return Err(origin.error(table.name.span(), message));
    }
    if table.lanes.get_ref().is_empty() {
        let message = "lanes is empty: name at least one lane that leads there";
        return Err(origin.error(table.lanes.span(), message));
    }
    let mut ways: Vec<LaneId> = Vec::new();
    for lane in table.lanes.get_ref() {
        let id = *lane.get_ref();
        if !lanes.contains_key(&id) {
            let message = format!("there is no [[lane]] {id}: add it or correct the name");
            return Err(origin.error(lane.span(), message));
        }
        if ways.contains(&id) {
            return Err(origin.error(lane.span(), format!("lane {id} stands here twice")));
        }
        ways.push(id);
    }
    let on_time = match &table.on_time_pct {
        None => 0.9,
        Some(pct) if (1.0..=100.0).contains(pct.get_ref()) => *pct.get_ref() / 100.0,
        Some(pct) => {
            return Err(origin.error(pct.span(), "on_time_pct must be 1 to 100 %"));
        }
    };
    Ok(Customer {
        id: *table.id.get_ref(),
        name: table.name.get_ref().clone(),
        address: table.address.clone(),
        market: *table.market.get_ref(),
        lanes: ways,
        on_time,
    })
}

fn weekdays(
    origin: &Origin<'_>,
    given: Option<&Spanned<Vec<String>>>,
) -> Result<BTreeSet<u32>, Located> {
    let Some(given) = given else {
        return Ok((0..5).collect());
    };
    if given.get_ref().is_empty() {
        return Err(origin.error(given.span(), "name at least one weekday"));
    }
    let days = given.get_ref().iter();
    days.map(|day| weekday(origin, given, day)).collect()
}

fn weekday<T>(origin: &Origin<'_>, at: &Spanned<T>, day: &str) -> Result<u32, Located> {
    let read: Result<Weekday, _> = day.parse();
    read.map(|day| day.num_days_from_monday()).map_err(|_| {
        let message = format!("{day:?} is no weekday: write \"Mon\" to \"Sun\"");
        origin.error(at.span(), message)
    })
}

fn date(origin: &Origin<'_>, value: &Spanned<String>) -> Result<NaiveDate, Located> {
    let day = value.get_ref().parse().map_err(|_| {
        let message = format!(
            "{:?} is no day: write it as \"2026-12-25\"",
            value.get_ref()
        );
        origin.error(value.span(), message)
    })?;
    quantity::calendar::date(day).map_err(|outside| origin.error(value.span(), outside.to_string()))
}

fn time(origin: &Origin<'_>, key: &str, value: &Spanned<String>) -> Result<NaiveTime, Located> {
    NaiveTime::parse_from_str(value.get_ref(), "%H:%M").map_err(|_| {
        let message = format!(
            "{key} is {:?}: write a local time such as \"11:00\"",
            value.get_ref()
        );
        origin.error(value.span(), message)
    })
}
