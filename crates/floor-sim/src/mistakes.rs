//! What goes wrong at Larkholm, and how often.

/// Rates and dates of mistakes. Rates are probabilities. A list of days names days since
/// the start (0 is the first): each lets the thing happen once, on that day or on the
/// first later day when it can.
#[derive(Debug, Clone, PartialEq)]
pub struct Mistakes {
    /// A stillage or stack is passed over: per carrier and day.
    pub missed_turn: f64,
    /// A barcode is read twice within seconds: per turning scan.
    pub double_scan: f64,
    /// A handheld is offline for a whole round and sends its scans 1 to 30 h later: per
    /// turning round.
    pub late_round: f64,
    /// The last round of the rooms is left to the night shift, which walks it after
    /// midnight: late, but still on the same dairy day. Per day.
    pub night_round: f64,
    /// Something is scanned in the wrong action, or the wrong thing is scanned, and undone
    /// at once: per turning round.
    pub undone: f64,
    /// A barcode that means nothing is read: per turning round.
    pub nonsense: f64,
    /// A wheel that left an earlier day is scanned as turned.
    pub turned_after_dispatch_on: Vec<u32>,
    /// A wheel that was never made here is scanned as turned.
    pub stranger_on: Vec<u32>,
    /// A batch is held, and released about ten days later by a person with a badge.
    /// Meanwhile someone tries to dispatch one of its wheels, if its day has come.
    pub hold_on: Vec<u32>,
    /// The piercing machine has a needle less after piercing than before.
    pub needle_short_on: Vec<u32>,
    /// A maturing room's refrigeration stops for about 20 h.
    pub warm_room_on: Vec<u32>,
    /// Two wheels are found on each other's stillage, and scanned to where they belong.
    pub swap_on: Vec<u32>,
    /// A wheel is dropped and thrown away.
    pub discard_on: Vec<u32>,
    /// A customer sends a wheel back; it is thrown away three days later.
    pub return_on: Vec<u32>,
}

impl Mistakes {
    /// A dairy where nothing ever goes wrong.
    #[must_use]
    pub fn none() -> Self {
        Self {
            missed_turn: 0.0,
            double_scan: 0.0,
            late_round: 0.0,
            night_round: 0.0,
            undone: 0.0,
            nonsense: 0.0,
            turned_after_dispatch_on: Vec::new(),
            stranger_on: Vec::new(),
            hold_on: Vec::new(),
            needle_short_on: Vec::new(),
            warm_room_on: Vec::new(),
            swap_on: Vec::new(),
            discard_on: Vec::new(),
            return_on: Vec::new(),
        }
    }
}

impl Default for Mistakes {
    /// About one carrier missed a day at full size, a few slips, and each rare trouble
    /// once while the floor fills and once soon after it is full (about day 80).
    fn default() -> Self {
        Self {
            missed_turn: 0.004,
            double_scan: 0.01,
            late_round: 0.03,
            night_round: 0.05,
            undone: 0.04,
            nonsense: 0.05,
            turned_after_dispatch_on: vec![74, 90],
            stranger_on: vec![66, 94],
            hold_on: vec![58, 86],
            needle_short_on: vec![50, 92],
            warm_room_on: vec![35, 89],
            swap_on: vec![20, 60, 91],
            discard_on: vec![30, 75, 93],
            return_on: vec![78, 95],
        }
    }
}

/// Takes the next date off a list once it has come.
pub(crate) fn has_come(list: &[u32], today: u32) -> bool {
    list.iter().any(|day| *day <= today)
}

/// Strikes one date that has come off a list.
pub(crate) fn strike(list: &mut Vec<u32>, today: u32) {
    if let Some(index) = list.iter().position(|day| *day <= today) {
        list.remove(index);
    }
}
