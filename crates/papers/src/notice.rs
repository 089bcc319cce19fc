//! Drafts of what customers are told. A draft: the dairy's plan says who signs and sends it.

use quantity::DairyClock;
use trace::{Affected, CustomerLine, Recall};

use crate::dairy::Dairy;

/// A draft of the notice to one customer of a recall.
#[must_use]
pub fn notice(recall: &Recall, line: &CustomerLine, dairy: &Dairy, clock: &DairyClock) -> String {
    let name = line.customer.as_deref().unwrap_or("CUSTOMER MISSING");
    let order = line
        .order
        .map_or_else(String::new, |order| format!(", order {order}"));
    let left = line.left_at.map_or_else(
        || "DATE MISSING".to_owned(),
        |at| clock.day_of(at).to_string(),
    );
    let mut text = format!(
        "DRAFT. To be checked, completed and signed as the recall plan says. Not sent by anyone yet.\n\n\
         {}\n{}\n\nTo: {}\nDate: {}\n\n\
         STOP: do not sell, eat or pass on the cheese listed below\n\n\
         We sent you this cheese on {left}{order}:\n\n",
        dairy.name,
        dairy.address,
        dairy.customer_place(name),
        clock.day_of(recall.at),
    );
    let mine = |wheel: &&Affected| line.wheels.contains(&wheel.wheel);
    for wheel in recall.wheels.iter().filter(mine) {
        let batch = wheel
            .batch
            .map_or_else(|| "BATCH MISSING".to_owned(), |batch| batch.to_string());
        text += &format!(
            "  wheel {}   batch {batch}   {}.{:03} kg   ({})\n",
            wheel.wheel,
            wheel.weight_g / 1000,
            wheel.weight_g % 1000,
            wheel.level
        );
    }
    text += &format!(
        "\n{} wheels, {}.{:03} kg in all. Wheel and batch are on each label.\n\n\
         Why: [the reason, in the words agreed with the authority]\n\n\
         Please, at once:\n\
         1. Set every one of these wheels apart, cut ones too, in a closed wrap marked DO NOT SELL.\n\
         2. Write down what is left, what was sold, and to which businesses.\n\
         3. Tell those businesses, and follow what your own authority says about your customers.\n\
         4. Answer this notice today, also if you have none left: {}\n\
         5. Clean what the cheese has touched before other food touches it.\n\n\
         \"certain\" means that what is suspect is in the wheel; \"probable\" and \"possible\" that it\n\
         touched, or was near, such a wheel.\n\n\
         Signed: ______________________   Name and office: ______________________\n",
        line.wheels.len(),
        line.weight_g / 1000,
        line.weight_g % 1000,
        dairy.contact,
    );
    text
}
