//! A floor before anyone knows what time it is.

use chrono::{DateTime, Utc};
use facts::wire::Unknown;
use facts::{BatchId, Fact, RoomId, StationId, StillageId, ToolId, WheelId};
use holds::Scopes;

use super::closed::Reopens;
use super::store::Damaged;
use super::{Away, Carried, Closed, Counts, Floor, Gap, Needs};
use crate::alert::{Open, Over};
use crate::notes::NoteNo;
use crate::{Batch, Practice, Room, StationLog, Tool, Voiding, Voids};

/// A floor that is being folded. Facts need no clock; what wheels need, what people should
/// be told, and every answer do. So there is no [`Floor`] to be had of it before it has
/// been told the time: what would be derived for no time does not compile.
#[derive(Debug)]
pub struct Folding {
    floor: Floor,
    timed: bool,
}

impl Folding {
    /// Nothing folded yet.
    #[must_use]
    pub fn new(practice: Practice) -> Self {
        Self {
            // Nobody sees this instant: there is no floor before another is given.
            floor: Floor::new(practice, DateTime::<Utc>::MIN_UTC),
            timed: false,
        }
    }

    /// Folds one fact.
    pub fn apply(&mut self, fact: &Fact) {
        self.floor.apply(fact);
    }

    /// As [`Floor::pass`].
    pub fn pass(&mut self, position: u64, unknown: &Unknown) {
        self.floor.pass(position, unknown);
    }

    /// As [`Floor::stored`].
    pub fn stored(&mut self, fact: &Fact, at: DateTime<Utc>) {
        self.floor.stored(fact, at);
    }

    /// As [`Floor::judge`].
    ///
    /// # Errors
    /// Why it takes nothing back.
    pub fn judge(&self, voiding: &Voiding) -> Result<(), String> {
        self.floor.judge(voiding)
    }

    /// Counts a message that could not be read.
    pub fn count_unreadable(&mut self) {
        self.floor.count_unreadable();
    }

    /// What time it is. From now on there is a floor.
    pub fn refresh(&mut self, now: DateTime<Utc>) -> &mut Floor {
        self.timed = true;
        self.floor.refresh(now);
        &mut self.floor
    }

    /// The floor as of the latest time; `None` before the first.
    #[must_use]
    pub const fn floor(&self) -> Option<&Floor> {
        if self.timed { Some(&self.floor) } else { None }
    }

    /// The same, to take from it what is to be told and written.
    #[must_use]
    pub const fn floor_mut(&mut self) -> Option<&mut Floor> {
        if self.timed {
            Some(&mut self.floor)
        } else {
            None
        }
    }

    /// The floor itself; `None` before the first time.
    #[must_use]
    pub fn into_floor(self) -> Option<Floor> {
        self.timed.then_some(self.floor)
    }

    /// The floor, for whoever sees to it that nobody asks it anything before it has been told
    /// the time.
    #[must_use]
    pub fn into_untimed(self) -> Floor {
        self.floor
    }

    /// Which facts count as never having happened.
    #[must_use]
    pub const fn voids(&self) -> &Voids {
        self.floor.voids()
    }

    /// How much has been folded.
    #[must_use]
    pub const fn counts(&self) -> Counts {
        self.floor.counts()
    }

    /// Types that this build does not know, and where in the log the first of each lies.
    pub fn gaps(&self) -> impl Iterator<Item = (&str, &Gap)> {
        self.floor.gaps().iter().map(|(ty, gap)| (ty.as_str(), gap))
    }
}

/// Putting a stored floor together again, part by part.
impl Folding {
    /// Puts a voiding back. Voidings come before wheels.
    pub fn restore_voiding(&mut self, voiding: Voiding) {
        self.floor.voids.add(voiding);
    }

    /// Puts holds over scopes back. They come before wheels.
    pub fn restore_scopes(&mut self, scopes: Scopes) {
        self.floor.scopes = scopes;
    }

    /// Puts a note back, with the wheels of which it says so.
    ///
    /// # Errors
    /// [`Damaged`] when it does not read.
    pub fn restore_note(
        &mut self,
        no: NoteNo,
        encoded: &[u8],
        wheels: &[WheelId],
    ) -> Result<(), Damaged> {
        self.floor.restore_note(no, encoded, wheels)
    }

    /// Puts a stillage's moves back.
    pub fn restore_carried(&mut self, stillage: StillageId, carried: Carried) {
        self.floor.carried.insert(stillage, carried);
    }

    /// Puts back what is remembered of closed batches.
    pub fn restore_away(&mut self, away: Away) {
        self.floor.away = away;
    }

    /// Folds the notes that have been put back, when everything else has: a wheel is what they
    /// say, today as ever.
    ///
    /// # Errors
    /// [`Damaged`] when they contradict each other.
    pub fn restored(&mut self) -> Result<(), Damaged> {
        self.floor.restored()
    }

    /// Puts a batch's make record back.
    pub fn restore_batch(&mut self, id: BatchId, stored: Batch) {
        self.floor.restore_batch(id, stored);
    }

    /// Puts a room back.
    pub fn restore_room(&mut self, id: RoomId, room: Room) {
        self.floor.rooms.insert(id, room);
        self.floor.stale.rooms.insert(id);
    }

    /// Puts a tool back.
    pub fn restore_tool(&mut self, id: ToolId, tool: Tool) {
        self.floor.tools.insert(id, tool);
        self.floor.stale.tools.insert(id);
    }

    /// Puts a station's numbers back.
    pub fn restore_station(&mut self, id: StationId, log: StationLog) {
        self.floor.stations.insert(id, log);
        self.floor.stale.stations.insert(id);
    }

    /// Puts back what people have been told.
    pub fn restore_told(&mut self, open: Vec<Open>, over: Vec<Over>) {
        self.floor.board.restore(open, over);
    }

    /// Puts back which types are not known.
    pub fn restore_gap(&mut self, ty: String, gap: Gap) {
        self.floor.gaps.insert(ty, gap);
    }

    /// Puts back how much has been folded.
    pub fn restore_counts(&mut self, counts: Counts) {
        self.floor.counts = counts;
    }
}

impl Reopens for Folding {
    fn needs(&self, fact: &Fact) -> Needs {
        self.floor.needs(fact)
    }

    fn is_open(&self, id: BatchId) -> bool {
        self.floor.is_open(id)
    }

    fn reopen(&mut self, closed: Closed) -> Result<(), Damaged> {
        self.floor.reopen(closed)
    }
}
