//! What things are called outside: GS1 keys where there are any, else the dairy's own web
//! addresses.

use facts::{BatchId, LotId, OrderId, RecipeId, RoomId, Sscc, ToolId, WheelId};

use crate::dairy::Dairy;

/// The standard's own domain for identifiers (GS1 Digital Link, canonical form).
const GS1: &str = "https://id.gs1.org";

impl Dairy {
    /// One wheel.
    pub(crate) fn epc(&self, wheel: WheelId, recipe: Option<RecipeId>) -> String {
        match self.product(recipe).and_then(|product| product.gtin) {
            Some(gtin) => format!("{GS1}/01/{gtin}/21/{wheel}"),
            None => format!("{}/wheel/{wheel}", self.domain),
        }
    }

    /// Cheese of one batch.
    pub(crate) fn batch_class(&self, batch: BatchId, recipe: Option<RecipeId>) -> String {
        match self.product(recipe).and_then(|product| product.gtin) {
            Some(gtin) => format!("{GS1}/01/{gtin}/10/{batch}"),
            None => format!("{}/batch/{batch}", self.domain),
        }
    }

    /// A lot that came in, under the dairy's own code for it.
    pub(crate) fn lot_class(&self, lot: LotId) -> String {
        format!("{}/lot/{lot}", self.domain)
    }

    /// A case. Its number is a GS1 key in itself.
    pub(crate) fn case(&self, case: Sscc) -> String {
        format!("{GS1}/00/{case}")
    }

    /// The dairy.
    pub(crate) fn location(&self) -> String {
        match self.gln {
            Some(gln) => format!("{GS1}/414/{gln}"),
            None => format!("{}/location", self.domain),
        }
    }

    /// A room.
    pub(crate) fn room(&self, room: RoomId) -> String {
        match self.gln {
            Some(gln) => format!("{GS1}/414/{gln}/254/{room}"),
            None => format!("{}/room/{room}", self.domain),
        }
    }

    /// A tool, a scale, a sensor.
    pub(crate) fn device(&self, tool: ToolId) -> String {
        format!("{}/tool/{tool}", self.domain)
    }

    /// An order.
    pub(crate) fn order(&self, order: OrderId) -> String {
        format!("{}/order/{order}", self.domain)
    }

    /// A paper, by its kind and number.
    pub(crate) fn paper(&self, kind: &str, number: &str) -> String {
        format!(
            "{}/document/{}/{}",
            self.domain,
            escaped(kind),
            escaped(number)
        )
    }
}

/// Percent-encoded but for the unreserved characters of RFC 3986.
fn escaped(text: &str) -> String {
    let mut escaped = String::new();
    for byte in text.bytes() {
        if byte.is_ascii_alphanumeric() || b"-._~".contains(&byte) {
            escaped.push(byte as char);
        } else {
            escaped += &format!("%{byte:02X}");
        }
    }
    escaped
}
