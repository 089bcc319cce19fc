//! The kinds of things that have codes.

use std::fmt;

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

macro_rules! kinds {
    ($($(#[$doc:meta])* $kind:ident = $word:literal;)*) => {
        /// What a code names.
        #[derive(
            Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize,
            JsonSchema,
        )]
        #[serde(rename_all = "snake_case")]
        pub enum Kind {
            $($(#[$doc])* $kind,)*
        }

        impl Kind {
            /// Every kind.
            pub const ALL: &[Self] = &[$(Self::$kind,)*];

            /// What it is called.
            #[must_use]
            pub const fn word(self) -> &'static str {
                match self {
                    $(Self::$kind => $word,)*
                }
            }
        }
    };
}

kinds! {
    /// Something that people were told.
    Alert = "alert";
    /// One vat's make on one day.
    Batch = "batch";
    /// Where either may be named.
    BatchOrWheel = "batch or wheel";
    /// A case of wheels, by its number.
    Case = "case";
    /// A check of the dairy's plan.
    Check = "check";
    /// Who orders.
    Customer = "customer";
    /// A finding that something was not as it should be.
    Deviation = "deviation";
    /// A form that facts are entered with.
    Form = "form";
    /// What keeps wheels from leaving.
    Hold = "hold";
    /// The mould a wheel drains in.
    Hoop = "hoop";
    /// A label that waits for an answer.
    Label = "label";
    /// A way to customers.
    Lane = "lane";
    /// A lot of milk, culture, rennet, salt or packaging.
    Lot = "lot";
    /// Where cheese is sold.
    Market = "market";
    /// What a customer ordered.
    Order = "order";
    /// A paper that can be printed.
    Paper = "paper";
    /// Somebody with a badge.
    Person = "person";
    /// A place in a room, by the room's code and its own.
    Place = "place";
    /// What prints labels.
    Printer = "printer";
    /// A cheese's make and maturing rules.
    Recipe = "recipe";
    /// A fact, by its id.
    Record = "record";
    /// A climate-controlled room.
    Room = "room";
    /// A laboratory sample.
    Sample = "sample";
    /// A stack of hoops.
    Stack = "stack";
    /// What wheels stand on, whatever it is.
    Stand = "carrier";
    /// A scanner, a scale, a printer's desk.
    Station = "station";
    /// The trolley that wheels mature on.
    Stillage = "stillage";
    /// A piercing machine, an iron, a scale.
    Tool = "tool";
    /// A vat.
    Vat = "vat";
    /// One cheese.
    Wheel = "wheel";
}

impl fmt::Display for Kind {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.word())
    }
}
