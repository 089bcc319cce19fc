//! Keys: one letter for the kind, then the id as text. All in one tree, because a batch
//! is atomic on one tree only.

/// What a record is about.
pub(crate) enum Key<'a> {
    /// Who: a floor. Value: the number of this layout.
    Format,
    /// Value: the stream position that the whole state stands for.
    Position,
    /// Value: how much has been folded.
    Counts,
    /// Value: what people have been told and not yet been told is over.
    OpenAlerts,
    /// Value: what people have lately been told is over.
    AlertsOver,
    /// Value: every hold over a scope.
    Scopes,
    /// Value: what the worker keeps beside the floor.
    Kept(&'a str),
    /// Value: chronicle.
    Wheel(&'a str),
    /// Value: make record.
    Batch(&'a str),
    /// Value: recent readings.
    Room(&'a str),
    /// Value: checks.
    Tool(&'a str),
    /// Value: numbers seen.
    Station(&'a str),
    /// Value: where facts of a type that the build did not know lie.
    Gap(&'a str),
    /// Value: the voiding.
    Voiding(&'a str),
    /// Value: a message still to be published.
    Effect(u64),
}

impl Key<'_> {
    pub(crate) const WHEELS: &'static [u8] = b"w/";
    pub(crate) const BATCHES: &'static [u8] = b"b/";
    pub(crate) const ROOMS: &'static [u8] = b"r/";
    pub(crate) const TOOLS: &'static [u8] = b"t/";
    pub(crate) const STATIONS: &'static [u8] = b"s/";
    pub(crate) const GAPS: &'static [u8] = b"g/";
    pub(crate) const VOIDINGS: &'static [u8] = b"v/";
    pub(crate) const EFFECTS: &'static [u8] = b"e/";

    pub(crate) fn encode(&self) -> Vec<u8> {
        let named = |prefix: &[u8], id: &str| [prefix, id.as_bytes()].concat();
        match self {
            Self::Format => b"format".to_vec(),
            Self::Position => b"position".to_vec(),
            Self::Counts => b"counts".to_vec(),
            Self::OpenAlerts => b"open-alerts".to_vec(),
            Self::AlertsOver => b"alerts-over".to_vec(),
            Self::Scopes => b"scopes".to_vec(),
            Self::Kept(name) => named(b"k/", name),
            Self::Wheel(id) => named(Self::WHEELS, id),
            Self::Batch(id) => named(Self::BATCHES, id),
            Self::Room(id) => named(Self::ROOMS, id),
            Self::Tool(id) => named(Self::TOOLS, id),
            Self::Station(id) => named(Self::STATIONS, id),
            Self::Gap(ty) => named(Self::GAPS, ty),
            Self::Voiding(id) => named(Self::VOIDINGS, id),
            Self::Effect(number) => [Self::EFFECTS, &number.to_be_bytes()].concat(),
        }
    }
}

pub(crate) fn effect_number(key: &[u8]) -> Option<u64> {
    let digits = key.strip_prefix(Key::EFFECTS)?;
    Some(u64::from_be_bytes(digits.try_into().ok()?))
}
