//! Which worker may state which fact, and under which station's name; what else it does on the
//! broker; and what a void may name. The broker's permissions are made from this table, so that
//! what it says is enforced and not only agreed on.

use facts::Event;

use crate::people::{self, TakenBack};

/// A program that signs in at the broker under its own name.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Worker {
    /// Folds the floor.
    Scheduler,
    /// Stations without a scale.
    MoveRecorder,
    /// Stations with a scale.
    ScaleReader,
    /// Room sensors.
    ClimateReader,
    /// Forecasts.
    Forecaster,
    /// The dispatch desk.
    Dispatcher,
    /// Label printers.
    LabelPrinter,
    /// Pages, calls and stations in browsers.
    Gateway,
    /// The ledger and its seals.
    Records,
    /// The chat.
    Notifier,
    /// Commands that a person types.
    Commands,
    /// The demo: it plays the past of every station, and drives the clock. No dairy has it.
    Demo,
}

/// Under whose names a worker states facts.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Names {
    /// The site file's stations without a scale.
    Scanners,
    /// The site file's stations with a scale.
    Scales,
    /// Stations in browsers, which people name: every name that is nobody else's.
    Browsers,
    /// A name of its own.
    Own(&'static str),
    /// Everyone's: the demo only.
    Everyones,
}

/// Which facts a worker states, as `<noun>.<verb>`.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Topics {
    /// These.
    These(&'static [&'static str]),
    /// Every fact but these.
    AllBut(&'static [&'static str]),
}

/// Which questions a worker asks.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Asks {
    /// These.
    These(&'static [&'static str]),
    /// Any.
    Any,
}

/// Everything that a worker does on the broker.
#[derive(Debug, Clone, Copy)]
pub struct Duties {
    /// What it is there for, for whoever reads the broker's configuration.
    pub about: &'static str,
    /// The facts it states, and under whose names.
    pub states: &'static [(Names, Topics)],
    /// What it publishes behind `derived.<site>.`.
    pub derives: &'static [&'static str],
    /// What it asks.
    pub asks: Asks,
    /// What it answers.
    pub answers: &'static [&'static str],
    /// Whether it reads the floor's log.
    pub reads_floor: bool,
    /// Jobs that it does: the name it is known by, and which, behind `derived.<site>.`.
    pub does: &'static [(&'static str, &'static str)],
    /// What it reads behind `derived.<site>.`: what people were told, and seals.
    pub reads_derived: &'static [&'static str],
    /// Whether it makes the streams, keeps what cannot be read, and says what changed.
    pub keeps_the_log: bool,
}

const NOTHING: Duties = Duties {
    about: "",
    states: &[],
    derives: &[],
    asks: Asks::These(&[]),
    answers: &[],
    reads_floor: false,
    does: &[],
    reads_derived: &[],
    keeps_the_log: false,
};

/// What a worker that keeps no floor tells people.
const TOLD: &str = "alert.told";

/// Alerts that have stood for long, said again.
const STANDS: &str = "stands";

/// Seals of the ledger.
const SEAL: &str = "seal";

/// Where what is said once, and stands for nothing, is published.
const SUMMARY: &str = "alert.summary";

/// What people do at a station with a scanner, with or without a scale. A release is not among
/// it: nobody there can show who they are.
const AT_A_STATION: Topics = Topics::These(&[
    "vat.started",
    "wheel.portioned",
    "wheel.hooped",
    "wheel.turned",
    "wheel.unhooped",
    "wheel.rubbed_up",
    "wheel.loaded",
    "wheel.moved",
    "wheel.pierced",
    "wheel.ironed",
    "wheel.graded",
    "wheel.weighed",
    "wheel.held",
    "wheel.dispatched",
    "wheel.returned",
    "wheel.discarded",
    "rind.observed",
    "tool.checked",
    "fact.voided",
]);

/// What machines witness by themselves: no person states it.
const OF_MACHINES: &[&str] = &[
    "room.climate_read",
    "room.gas_read",
    "batch.forecast",
    "hold.traced",
    "wheel.labelled",
    "case.labelled",
    "label.wanted_again",
    "label.answered",
    "label.dropped",
];

/// The station under whose name a manager's corrections, and whatever else people state on a
/// page, are stated.
pub const OFFICE: &str = "gateway";

/// Station names that are a worker's own: no station of a site file or in a browser has them.
pub const OWN_NAMES: &[&str] = &[
    "scheduler",
    "climate-reader",
    "forecaster",
    "dispatcher",
    "label-printer",
    OFFICE,
    "records",
    "notifier",
    "order-desk",
    // Where older releases moved batches to other recipes.
    "recipe-desk",
    "papers-import",
    "recall-drill",
];

impl Worker {
    /// Every worker of a dairy, in the order of the configuration.
    pub const ALL: [Self; 11] = [
        Self::Scheduler,
        Self::MoveRecorder,
        Self::ScaleReader,
        Self::ClimateReader,
        Self::Forecaster,
        Self::Dispatcher,
        Self::LabelPrinter,
        Self::Gateway,
        Self::Records,
        Self::Notifier,
        Self::Commands,
    ];

    /// The name under which it signs in.
    #[must_use]
    pub const fn name(self) -> &'static str {
        match self {
            Self::Scheduler => "scheduler",
            Self::MoveRecorder => "move-recorder",
            Self::ScaleReader => "scale-reader",
            Self::ClimateReader => "climate-reader",
            Self::Forecaster => "forecaster",
            Self::Dispatcher => "dispatcher",
            Self::LabelPrinter => "label-printer",
            Self::Gateway => "gateway",
            Self::Records => "records",
            Self::Notifier => "notifier",
            Self::Commands => "commands",
            Self::Demo => "demo",
        }
    }

    /// What it does.
    #[must_use]
    pub const fn duties(self) -> Duties {
        match self {
            Self::Scheduler => Duties {
                about: "Folds the floor, derives, answers questions, and makes the streams.",
                derives: &["alert.*", "label.*.*", STANDS],
                reads_derived: &[STANDS, "alert.>"],
                answers: &[
                    "standing",
                    "due",
                    "floor",
                    "census",
                    "wheel",
                    "batch",
                    "label",
                    "happened",
                    "portioned",
                    "portions",
                    "find",
                    "name",
                    "stand",
                    "places",
                    "said",
                    "corrections",
                    "corrected",
                    "folded",
                    "day",
                    "rooms-ahead",
                    "work-ahead",
                    "roll-call",
                    "shift",
                    "portion-studies",
                ],
                reads_floor: true,
                keeps_the_log: true,
                ..NOTHING
            },
            Self::MoveRecorder => Duties {
                about: "Scanners. Reads the floor to know which wheels stand where; asks before a dispatch.",
                states: &[(Names::Scanners, AT_A_STATION)],
                derives: &[TOLD],
                asks: Asks::These(&["leaving"]),
                reads_floor: true,
                ..NOTHING
            },
            Self::ScaleReader => Duties {
                about: "Scales, and the scanners beside them: whatever a station without a scale does.",
                states: &[(Names::Scales, AT_A_STATION)],
                derives: &[TOLD],
                asks: Asks::These(&["leaving"]),
                reads_floor: true,
                ..NOTHING
            },
            Self::ClimateReader => Duties {
                about: "Room sensors. States what the air is like, and nothing else.",
                states: &[(
                    Names::Own("climate-reader"),
                    Topics::These(&["room.climate_read", "room.gas_read"]),
                )],
                derives: &[TOLD],
                ..NOTHING
            },
            Self::Forecaster => Duties {
                about: "Forecasts from the floor's log, and answers what people ask about them.",
                states: &[(Names::Own("forecaster"), Topics::These(&["batch.forecast"]))],
                derives: &[TOLD],
                reads_derived: &[TOLD],
                answers: &["forecast"],
                reads_floor: true,
                ..NOTHING
            },
            Self::Dispatcher => Duties {
                about: "Allocates wheels to orders, and is asked before a wheel leaves. It states no fact: it can send nothing and release nothing.",
                derives: &["allocation", TOLD],
                reads_derived: &[TOLD],
                answers: &[
                    "leaving",
                    "allocation",
                    "promise",
                    "picks",
                    "orders",
                    "check-order",
                    "case-numbers",
                    "order-list",
                    "odd-orders",
                ],
                reads_floor: true,
                ..NOTHING
            },
            Self::LabelPrinter => Duties {
                about: "Prints what the scheduler asks for, states what became of it, and tells people when a printer needs them.",
                states: &[(
                    Names::Own("label-printer"),
                    Topics::These(&[
                        "wheel.labelled",
                        "case.labelled",
                        "label.wanted_again",
                        "label.answered",
                        "label.dropped",
                    ]),
                )],
                derives: &[TOLD],
                asks: Asks::These(&["standing", "wheel", "label"]),
                answers: &["label.queue", "label.answer", "label.reprint"],
                does: &[
                    ("label-printer-wheel", "label.wheel.*"),
                    ("label-printer-case", "label.case.*"),
                ],
                ..NOTHING
            },
            Self::Gateway => Duties {
                about: "Pages, calls and stations in browsers. People state under their own names what their roles allow; it sees to that.",
                states: &[
                    (Names::Own(OFFICE), Topics::AllBut(OF_MACHINES)),
                    (Names::Browsers, Topics::AllBut(OF_MACHINES)),
                ],
                derives: &[TOLD],
                asks: Asks::Any,
                reads_floor: true,
                reads_derived: &[TOLD],
                ..NOTHING
            },
            Self::Records => Duties {
                about: "Keeps the ledger, seals it, and holds what results ask for. It can hold and never release.",
                states: &[(
                    Names::Own("records"),
                    Topics::These(&["hold.placed", "hold.traced", "wheel.held"]),
                )],
                derives: &[TOLD, SUMMARY, SEAL],
                reads_derived: &[TOLD, SEAL],
                answers: &[
                    "recall",
                    "holds",
                    "papers",
                    "records",
                    "known",
                    "check-named",
                ],
                reads_floor: true,
                ..NOTHING
            },
            Self::Notifier => Duties {
                about: "Passes alerts on, and says so when a worker, a disk or the broker is not well.",
                asks: Asks::These(&["health.*"]),
                does: &[("notifier", "alert.>")],
                ..NOTHING
            },
            Self::Commands => Duties {
                about: "Commands that a person types on the dairy's own box: they ask, and state what an office states.",
                states: &[
                    (
                        Names::Own("order-desk"),
                        Topics::These(&[
                            "order.placed",
                            "order.changed",
                            "order.cancelled",
                            "order.confirmed",
                            "order.substituted",
                            "order.packed",
                            "order.refused",
                            "wheel.allocated",
                            "wheel.delivered",
                            "wheel.returned",
                        ]),
                    ),
                    (
                        Names::Own("papers-import"),
                        Topics::These(&["milk.received", "lot.received"]),
                    ),
                    (
                        Names::Own("recall-drill"),
                        Topics::These(&["trace.drilled"]),
                    ),
                ],
                derives: &["plan", TOLD],
                asks: Asks::Any,
                reads_floor: true,
                ..NOTHING
            },
            Self::Demo => Duties {
                about: "The demo only: plays every station's past and the office, and drives the clock.",
                states: &[(Names::Everyones, Topics::AllBut(&[]))],
                asks: Asks::Any,
                reads_floor: true,
                ..NOTHING
            },
        }
    }
}

impl Topics {
    /// Whether a fact `<noun>.<verb>` is among them.
    #[must_use]
    pub fn have(self, topic: &str) -> bool {
        match self {
            Self::These(topics) => topics.contains(&topic),
            Self::AllBut(topics) => !topics.contains(&topic),
        }
    }
}

/// Whether only a manager's correction takes a fact back: it keeps somebody safe, says what left
/// the dairy, or was witnessed by no person.
#[must_use]
pub fn keeps_safe(event: &Event) -> bool {
    people::taken_back(event) != TakenBack::ByOwner
}
