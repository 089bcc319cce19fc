//! The broker as the rest believes it to be. `tests/broker.rs` plays the same scripts to
//! this model and to the real one, and compares them answer by answer.

use std::cell::OnceCell;
use std::collections::{BTreeSet, HashMap};
use std::rc::Rc;

use chrono::{DateTime, TimeDelta, Utc};
use facts::Fact;
use facts::wire::{self, Read};

/// A message to be stored.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Message {
    /// Its subject.
    pub subject: String,
    /// Its de-duplication key.
    pub id: String,
    /// Its other headers.
    pub headers: Vec<(String, String)>,
    /// Its body.
    pub body: Vec<u8>,
}

impl Message {
    /// A fact as it goes over the wire.
    ///
    /// # Panics
    /// No fact of the catalogue does.
    #[must_use]
    pub fn of(fact: &Fact) -> Self {
        let wire::Binary { headers, body } = wire::to_binary(fact).unwrap();
        let headers = headers
            .into_iter()
            .map(|(name, value)| (name.to_owned(), value));
        Self {
            subject: wire::subject(fact),
            id: fact.id.to_string(),
            headers: headers.collect(),
            body,
        }
    }

    /// Its size as the broker counts it: headers and body.
    #[must_use]
    pub fn size(&self) -> usize {
        let header = |name: &str, value: &str| name.len() + value.len() + ": \r\n".len();
        let named = self.headers.iter().map(|(name, value)| header(name, value));
        "NATS/1.0\r\n\r\n".len()
            + header("Nats-Msg-Id", &self.id)
            + named.sum::<usize>()
            + self.body.len()
    }
}

/// A message as the log has it.
#[derive(Debug)]
pub struct Stored {
    /// Its number, from 1 without gaps.
    pub seq: u64,
    /// When it was stored. No two have the same: the real one counts nanoseconds.
    pub stored_at: u64,
    /// What was stored.
    pub message: Rc<Message>,
    read: OnceCell<Result<Read, String>>,
}

impl Stored {
    /// Reads it as a fact. The bytes never change, so it is read once for everybody.
    pub fn read(&self) -> Result<&Read, &String> {
        let read = self.read.get_or_init(|| {
            let message = &*self.message;
            let header = |name: &'static str| {
                let mut all = message.headers.iter();
                all.find(|(n, _)| n == name)
                    .map(|(_, value)| value.as_str())
            };
            wire::from_binary(&message.subject, header, &message.body)
                .map_err(|error| error.to_string())
        });
        read.as_ref()
    }

    /// The fact in it.
    #[must_use]
    pub fn fact(&self) -> Option<&Fact> {
        match self.read() {
            Ok(Read::Fact(fact)) => Some(fact),
            _ => None,
        }
    }
}

/// What the broker says to something that was to be stored.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Answer {
    /// It is stored under this number.
    Stored(u64),
    /// It was stored before, under this number.
    Duplicate(u64),
    /// All of them are stored; the last has this number.
    Batch {
        /// The last one's number.
        last: u64,
        /// How many.
        count: usize,
    },
    /// It is not stored, and sending it again would not help.
    Refused(Refusal),
}

/// Why something is not stored.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Refusal {
    /// Larger than the stream takes.
    TooLarge,
    /// A batch of which one message before the last was refused.
    Incomplete,
    /// A batch with a message that is stored already, or twice in it.
    DuplicateInBatch,
    /// The user may not publish there. The real broker says so apart from the message, so
    /// that its answer never comes.
    Forbidden,
}

/// A stream: messages in the order in which they were stored.
#[derive(Debug)]
pub struct Broker {
    /// Which log of this name it is: another one after the folder was lost.
    pub created: u64,
    /// The largest message, headers included.
    pub largest: usize,
    /// How long a message's id is remembered.
    pub window: TimeDelta,
    /// What nobody may publish on, as it stands in the subject.
    pub forbidden: BTreeSet<String>,
    messages: Vec<Rc<Stored>>,
    /// How many were ever stored, lost ones too.
    ever: u64,
    ids: HashMap<String, (u64, DateTime<Utc>)>,
}

impl Broker {
    /// An empty stream.
    #[must_use]
    pub fn new(largest: usize, window: TimeDelta) -> Self {
        Self {
            created: 1,
            largest,
            window,
            forbidden: BTreeSet::new(),
            messages: Vec::new(),
            ever: 0,
            ids: HashMap::new(),
        }
    }

    /// Stores one message.
    pub fn publish(&mut self, message: &Rc<Message>, now: DateTime<Utc>) -> Answer {
        if let Some(refusal) = self.refuses(message) {
            return Answer::Refused(refusal);
        }
        match self.known(&message.id, now) {
            Some(seq) => Answer::Duplicate(seq),
            None => Answer::Stored(self.store(message, now)),
        }
    }

    /// Stores all or none.
    pub fn publish_batch(&mut self, messages: &[Rc<Message>], now: DateTime<Utc>) -> Answer {
        let Some((last, before)) = messages.split_last() else {
            return Answer::Refused(Refusal::Incomplete);
        };
        if let Some(refusal) = self.refuses(last) {
            return Answer::Refused(refusal);
        }
        if before.iter().any(|message| self.refuses(message).is_some()) {
            return Answer::Refused(Refusal::Incomplete);
        }
        let inside: BTreeSet<&str> = messages.iter().map(|message| message.id.as_str()).collect();
        let known = |message: &Rc<Message>| self.known(&message.id, now).is_some();
        if inside.len() < messages.len() || messages.iter().any(known) {
            return Answer::Refused(Refusal::DuplicateInBatch);
        }
        let mut last = self.end();
        for message in messages {
            last = self.store(message, now);
        }
        Answer::Batch {
            last,
            count: messages.len(),
        }
    }

    /// Messages after a number, in order.
    #[must_use]
    pub fn after(&self, seq: u64) -> &[Rc<Stored>] {
        let from = usize::try_from(seq).map_or(usize::MAX, |seq| seq.min(self.messages.len()));
        &self.messages[from..]
    }

    /// The last message's number; 0 when there is none.
    #[must_use]
    pub fn end(&self) -> u64 {
        self.messages.len() as u64
    }

    /// Whether a reader may go on from a position: the log is the one that it read, and has
    /// at that number the message that it read there.
    #[must_use]
    pub fn goes_on(&self, created: u64, seq: u64, stored_at: u64) -> bool {
        let last = usize::try_from(seq).ok().and_then(|seq| seq.checked_sub(1));
        let there = last.is_none_or(|at| {
            let stored = self.messages.get(at);
            stored.is_some_and(|stored| stored.stored_at == stored_at)
        });
        created == self.created && there
    }

    /// Everything stored.
    #[must_use]
    pub fn all(&self) -> &[Rc<Stored>] {
        &self.messages
    }

    /// It loses the last messages, acknowledged ones too, as after a restore from a backup.
    pub fn lose(&mut self, many: usize) {
        let left = self.messages.len().saturating_sub(many);
        self.messages.truncate(left);
        self.ids.retain(|_, (seq, _)| *seq <= left as u64);
    }

    fn refuses(&self, message: &Message) -> Option<Refusal> {
        let on = |topic: &String| message.subject.contains(topic.as_str());
        if self.forbidden.iter().any(on) {
            return Some(Refusal::Forbidden);
        }
        (message.size() > self.largest).then_some(Refusal::TooLarge)
    }

    fn known(&self, id: &str, now: DateTime<Utc>) -> Option<u64> {
        let (seq, at) = self.ids.get(id)?;
        (now - *at < self.window).then_some(*seq)
    }

    fn store(&mut self, message: &Rc<Message>, now: DateTime<Utc>) -> u64 {
        let seq = self.end() + 1;
        self.ids.insert(message.id.clone(), (seq, now));
        self.ever += 1;
        self.messages.push(Rc::new(Stored {
            seq,
            stored_at: self.ever,
            message: message.clone(),
            read: OnceCell::new(),
        }));
        seq
    }
}
