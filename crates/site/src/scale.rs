//! The `[station.scale]` section and the `[[hoop_type]]` tables: how a scale is reached and
//! read, what its plate says, and what hoops weigh.

use std::fmt;
use std::net::SocketAddr;
use std::path::PathBuf;
use std::str::FromStr;
use std::time::Duration;

use facts::{HoopId, ToolId};
use metrology::{HoopType, HoopTypes, LineFormat, Parity, Plate, Settling};
use quantity::Grams;
use recipe::{Located, Origin};
use serde::Deserialize;
use toml::Spanned;

use crate::read::read_tcp;

/// A scale beside a station.
#[derive(Debug, Clone)]
pub struct Scale {
    /// The scale's code.
    pub tool: ToolId,
    /// How to reach it.
    pub connect: ScaleConnect,
    /// How to ask it for its weight, if it does not send it by itself.
    pub poll: Option<Poll>,
    /// How to read its lines.
    pub line: LineFormat,
    /// What its plate says: Max, Min, e, class.
    pub plate: Plate,
    /// When its weight counts as settled.
    pub settling: Settling,
    /// Whether it weighs only on days on which a check weight was shown to it.
    pub daily_check: bool,
    /// The hoops that are weighed along, and what they weigh.
    pub hoops: HoopTypes,
}

/// How to reach a scale.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum ScaleConnect {
    /// A serial port.
    Serial {
        /// The device.
        path: PathBuf,
        /// Bits per second.
        baud: u32,
        /// How a character is framed.
        bits: Bits,
    },
    /// A scale (or a serial-to-network box) that listens on TCP.
    Tcp(SocketAddr),
}

/// How a character is framed on a serial line, written `8N1` or `7E1`.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Bits {
    /// Whether a character has seven data bits instead of eight.
    pub seven: bool,
    /// What the parity bit adds up to, if there is one.
    pub parity: Option<Parity>,
    /// Whether it ends with two stop bits instead of one.
    pub two_stops: bool,
}

impl Bits {
    /// `8N1`: eight data bits, no parity, one stop bit.
    pub const USUAL: Self = Self {
        seven: false,
        parity: None,
        two_stops: false,
    };
}

/// Text that is no character frame.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
#[error("write data bits, parity and stop bits as \"8N1\", \"7E1\" or \"7O2\"")]
pub struct BadBits;

impl FromStr for Bits {
    type Err = BadBits;

    fn from_str(text: &str) -> Result<Self, BadBits> {
        let [data, parity, stop] = text.as_bytes() else {
            return Err(BadBits);
        };
        Ok(Self {
            seven: match data {
                b'7' => true,
                b'8' => false,
                _ => return Err(BadBits),
            },
            parity: match parity.to_ascii_uppercase() {
                b'N' => None,
                b'E' => Some(Parity::Even),
                b'O' => Some(Parity::Odd),
                _ => return Err(BadBits),
            },
            two_stops: match stop {
                b'1' => false,
                b'2' => true,
                _ => return Err(BadBits),
            },
        })
    }
}

impl fmt::Display for Bits {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let parity = match self.parity {
            None => 'N',
            Some(Parity::Even) => 'E',
            Some(Parity::Odd) => 'O',
        };
        let (data, stop) = (8 - u8::from(self.seven), 1 + u8::from(self.two_stops));
        write!(f, "{data}{parity}{stop}")
    }
}

/// How a scale is asked for its weight.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Poll {
    /// What is sent, line end and all.
    pub command: String,
    /// How often.
    pub every: Duration,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct ScaleTable {
    tool: ToolId,
    connect: Spanned<String>,
    baud: Option<Spanned<u32>>,
    bits: Option<Spanned<String>>,
    poll: Option<Spanned<String>>,
    every_ms: Option<Spanned<u64>>,
    line: Spanned<String>,
    class: Option<Spanned<String>>,
    max: Spanned<String>,
    min: Option<Spanned<String>>,
    e: Spanned<String>,
    settle: Option<SettleTable>,
    #[serde(default)]
    daily_check: bool,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct SettleTable {
    frames: Option<Spanned<usize>>,
    within: Option<Spanned<String>>,
    empty: Option<Spanned<String>>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct HoopTypeTable {
    name: String,
    tare_g: Spanned<u32>,
    hoops: Spanned<Vec<Spanned<String>>>,
}

/// Reads a value by its own rule, and points at it when it breaks it.
fn parsed<T>(origin: &Origin<'_>, key: &str, text: &Spanned<String>) -> Result<T, Located>
where
    T: FromStr,
    T::Err: fmt::Display,
{
    text.get_ref()
        .parse()
        .map_err(|error| origin.error(text.span(), format!("{key}: {error}")))
}

pub(crate) fn read(
    origin: &Origin<'_>,
    table: &ScaleTable,
    hoops: &HoopTypes,
) -> Result<Scale, Located> {
    let plate = read_plate(origin, table)?;
    Ok(Scale {
        tool: table.tool,
        connect: read_connect(origin, table)?,
        poll: read_poll(origin, table)?,
        line: parsed(origin, "line", &table.line)?,
        plate,
        settling: read_settling(origin, table.settle.as_ref(), &plate)?,
        daily_check: table.daily_check,
        hoops: hoops.clone(),
    })
}

fn read_connect(origin: &Origin<'_>, table: &ScaleTable) -> Result<ScaleConnect, Located> {
    let text = table.connect.get_ref().as_str();
    if let Some(address) = read_tcp(text) {
        let baud = table.baud.as_ref().map(Spanned::span);
        if let Some(span) = baud.or(table.bits.as_ref().map(Spanned::span)) {
            let message = "baud and bits are for \"serial:\": a scale behind a serial-to-network box has them set in the box";
            return Err(origin.error(span, message));
        }
        return Ok(ScaleConnect::Tcp(address));
    }
    let Some(path) = text.strip_prefix("serial:").filter(|p| !p.is_empty()) else {
        let message =
            format!("connect is {text:?}: write \"serial:/dev/ttyUSB0\" or \"tcp:127.0.0.1:7501\"");
        return Err(origin.error(table.connect.span(), message));
    };
    let baud = match &table.baud {
        None => 9_600,
        Some(baud) if (300..=460_800).contains(baud.get_ref()) => *baud.get_ref(),
        Some(baud) => {
            let message = "baud is the scale's own setting, 300 to 460800; most have 9600";
            return Err(origin.error(baud.span(), message));
        }
    };
    Ok(ScaleConnect::Serial {
        path: PathBuf::from(path),
        baud,
        bits: match &table.bits {
            Some(bits) => parsed(origin, "bits", bits)?,
            None => Bits::USUAL,
        },
    })
}

fn read_poll(origin: &Origin<'_>, table: &ScaleTable) -> Result<Option<Poll>, Located> {
    let Some(poll) = &table.poll else {
        return match &table.every_ms {
            None => Ok(None),
            Some(every) => {
                let message = "every_ms needs poll, the command that asks the scale for its weight";
                Err(origin.error(every.span(), message))
            }
        };
    };
    if poll.get_ref().is_empty() {
        let message = "poll is empty: write the command with its line end, such as \"W\\r\\n\", or leave it out for a scale that sends by itself";
        return Err(origin.error(poll.span(), message));
    }
    let every = match &table.every_ms {
        None => 200,
        Some(every) if (20..=10_000).contains(every.get_ref()) => *every.get_ref(),
        Some(every) => {
            let message = "every_ms must be 20 to 10000; most scales answer 5 times a second, 200";
            return Err(origin.error(every.span(), message));
        }
    };
    Ok(Some(Poll {
        command: poll.get_ref().clone(),
        every: Duration::from_millis(every),
    }))
}

fn read_plate(origin: &Origin<'_>, table: &ScaleTable) -> Result<Plate, Located> {
    let class = match &table.class {
        Some(class) => parsed(origin, "class", class)?,
        None => metrology::Class::III,
    };
    let max = parsed(origin, "max", &table.max)?;
    let min = table
        .min
        .as_ref()
        .map(|min| parsed(origin, "min", min))
        .transpose()?;
    let e = parsed(origin, "e", &table.e)?;
    Plate::new(class, max, min, e).map_err(|error| {
        let at = match (&error, &table.min) {
            (metrology::BadPlate::Fine, _) => table.e.span(),
            (metrology::BadPlate::Min, Some(min)) => min.span(),
            _ => table.max.span(),
        };
        origin.error(at, error.to_string())
    })
}

fn read_settling(
    origin: &Origin<'_>,
    table: Option<&SettleTable>,
    plate: &Plate,
) -> Result<Settling, Located> {
    let mut settling = Settling::of(plate);
    let Some(table) = table else {
        return Ok(settling);
    };
    if let Some(frames) = &table.frames {
        settling.frames = *frames.get_ref();
        if !(2..=50).contains(&settling.frames) {
            let message = "frames must be 2 to 50: so many lines in a row have to agree";
            return Err(origin.error(frames.span(), message));
        }
    }
    if let Some(within) = &table.within {
        settling.within = parsed(origin, "within", within)?;
    }
    if let Some(empty) = &table.empty {
        settling.empty = parsed(origin, "empty", empty)?;
        if settling.empty >= plate.min() {
            let message = format!(
                "empty must be less than the scale's minimum of {}: at or below it the scale counts as empty",
                plate.min()
            );
            return Err(origin.error(empty.span(), message));
        }
    }
    Ok(settling)
}

pub(crate) fn read_hoop_types(
    origin: &Origin<'_>,
    tables: &[HoopTypeTable],
) -> Result<HoopTypes, Located> {
    let mut types = HoopTypes::default();
    for table in tables {
        let HoopTypeTable {
            name,
            tare_g,
            hoops,
        } = table;
        let tare = Grams::new(*tare_g.get_ref()).ok().filter(|g| g.get() > 0);
        let Some(tare) = tare else {
            let message = "tare_g is what one empty hoop weighs, in grams: weigh one";
            return Err(origin.error(tare_g.span(), message));
        };
        if hoops.get_ref().is_empty() {
            let message = "hoops is empty: name hoops, or how their codes begin, such as \"H1*\"";
            return Err(origin.error(hoops.span(), message));
        }
        for code in hoops.get_ref() {
            let begins = code.get_ref().strip_suffix('*');
            // A code's beginning is made of what codes are made of.
            let whole = begins.map_or_else(|| code.get_ref().clone(), |b| format!("{b}0"));
            HoopId::new(&whole).map_err(|error| origin.error(code.span(), error.to_string()))?;
        }
        let codes = hoops.get_ref().iter().map(|code| code.get_ref().clone());
        types
            .add(HoopType {
                name: name.clone(),
                tare,
                hoops: codes.collect(),
            })
            .map_err(|error| origin.error(hoops.span(), error.to_string()))?;
    }
    Ok(types)
}
