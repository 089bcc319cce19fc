//! Reading the log over a connection that drops, doubles and reorders messages.

use std::rc::Rc;

use crate::broker::Stored;
use crate::dice::Dice;

/// What a reader takes of what arrives: the messages that follow its position, without gap
/// or repeat. As soon as one is missing it asks again from its position.
pub(crate) fn take(position: u64, arrived: &[Rc<Stored>]) -> Vec<Rc<Stored>> {
    let mut next = position + 1;
    let mut taken = Vec::new();
    for stored in arrived {
        if stored.seq > next {
            break;
        }
        if stored.seq == next {
            taken.push(stored.clone());
            next += 1;
        }
    }
    taken
}

/// What arrives of messages on their way.
pub(crate) fn arrive(sent: &[Rc<Stored>], trouble: u32, dice: &mut Dice) -> Vec<Rc<Stored>> {
    let mut arrived = Vec::with_capacity(sent.len());
    for stored in sent {
        if dice.chance(trouble) {
            match dice.below(3) {
                0 => continue,
                1 => arrived.push(stored.clone()),
                _ => {
                    let at = dice.below(arrived.len() + 1);
                    arrived.insert(at, stored.clone());
                    continue;
                }
            }
        }
        arrived.push(stored.clone());
    }
    arrived
}
