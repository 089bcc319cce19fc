//! The model of the broker against the real one: the same scripts, answer by answer.

// The helpers beside the tests may fail like a test.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

use std::rc::Rc;
use std::time::Duration;

use async_nats::jetstream::context::PublishErrorKind;
use async_nats::{HeaderMap, jetstream};
use bus::Bus;
use bus::broker::ChildBroker;
use chrono::{DateTime, TimeDelta, Utc};
use simulation::broker::{Answer, Broker, Message, Refusal};
use simulation::dice::Dice;

/// The largest message on `FLOOR`, headers included.
const LARGEST: usize = 256 * 1024;

const SCRIPTS: u64 = 12;
const OPERATIONS: usize = 60;

/// One thing that is done to both.
#[derive(Debug)]
enum Operation {
    Publish(Rc<Message>),
    Batch(Vec<Rc<Message>>),
    Read(u64),
    Reconnect,
    Restart,
}

/// What both should say.
#[derive(Debug, PartialEq, Eq)]
enum Said {
    Answer(Answer),
    Messages(Vec<(u64, Message)>),
    Nothing,
}

/// The real broker.
struct Real {
    dir: tempfile::TempDir,
    child: Option<ChildBroker>,
    bus: Bus,
    batches: u64,
}

/// A message, large ones among them: around what the stream takes, or, in a batch, where the
/// batch's own headers count too, surely beyond it.
fn message(dice: &mut Dice, large: &[usize]) -> Rc<Message> {
    let number = dice.below(40);
    let size = match dice.below(12) {
        0 => *dice.pick(large),
        _ => dice.below(200),
    };
    let topic = dice.pick(&["wheel.turned", "wheel.held", "room.cleaned"]);
    Rc::new(Message {
        subject: format!("floor.testdairy.{topic}"),
        id: format!("id-{number:06}"),
        headers: vec![
            ("ce-specversion".into(), "1.0".into()),
            ("ce-id".into(), format!("{number}")),
        ],
        body: vec![b'x'; size],
    })
}

fn operation(dice: &mut Dice, end: u64) -> Operation {
    match dice.below(20) {
        0..=8 => {
            let around: Vec<usize> = (LARGEST - 150..LARGEST + 50).collect();
            Operation::Publish(message(dice, &around))
        }
        9..=13 => {
            let many = 2 + dice.below(5);
            Operation::Batch((0..many).map(|_| message(dice, &[LARGEST + 1])).collect())
        }
        14..=17 => Operation::Read(dice.any() % (end + 1)),
        18 => Operation::Reconnect,
        _ => Operation::Restart,
    }
}

fn model(broker: &mut Broker, operation: &Operation, now: DateTime<Utc>) -> Said {
    match operation {
        Operation::Publish(message) => Said::Answer(broker.publish(message, now)),
        Operation::Batch(messages) => Said::Answer(broker.publish_batch(messages, now)),
        Operation::Read(after) => Said::Messages(
            broker
                .after(*after)
                .iter()
                .map(|stored| (stored.seq, (*stored.message).clone()))
                .collect(),
        ),
        Operation::Reconnect | Operation::Restart => Said::Nothing,
    }
}

impl Real {
    async fn start() -> Self {
        let dir = tempfile::tempdir().unwrap();
        let child = ChildBroker::start(dir.path()).await.unwrap();
        let bus = connect(&child).await;
        Self {
            dir,
            child: Some(child),
            bus,
            batches: 0,
        }
    }

    async fn say(&mut self, operation: &Operation) -> Said {
        match operation {
            Operation::Publish(message) => Said::Answer(self.publish(message).await),
            Operation::Batch(messages) => Said::Answer(self.publish_batch(messages).await),
            Operation::Read(after) => Said::Messages(self.read(*after).await),
            Operation::Reconnect => {
                self.bus = connect(self.child.as_ref().unwrap()).await;
                Said::Nothing
            }
            Operation::Restart => {
                let child = self.child.take().unwrap();
                let port = child.port();
                child.kill_hard().await;
                let child = ChildBroker::start_on(self.dir.path(), port).await.unwrap();
                self.bus = connect(&child).await;
                self.child = Some(child);
                Said::Nothing
            }
        }
    }

    async fn publish(&self, message: &Message) -> Answer {
        let jetstream = jetstream::new(self.bus.client().clone());
        let sent = jetstream
            .publish_with_headers(
                message.subject.clone(),
                headers(message),
                message.body.clone().into(),
            )
            .await
            .unwrap();
        match sent.await {
            Ok(ack) if ack.duplicate => Answer::Duplicate(ack.sequence),
            Ok(ack) => Answer::Stored(ack.sequence),
            Err(error) => match error.kind() {
                PublishErrorKind::MaxPayloadExceeded => Answer::Refused(Refusal::TooLarge),
                _ if error
                    .to_string()
                    .contains("message size exceeds maximum allowed") =>
                {
                    Answer::Refused(Refusal::TooLarge)
                }
                other => panic!("an answer that the model does not know: {other:?}: {error}"),
            },
        }
    }

    async fn publish_batch(&mut self, messages: &[Rc<Message>]) -> Answer {
        self.batches += 1;
        let client = self.bus.client();
        for (at, message) in messages.iter().enumerate() {
            let mut headers = headers(message);
            headers.insert("Nats-Batch-Id", format!("batch-{}", self.batches));
            headers.insert("Nats-Batch-Sequence", (at + 1).to_string());
            let body = message.body.clone().into();
            if at + 1 < messages.len() {
                let subject = message.subject.clone();
                client
                    .publish_with_headers(subject, headers, body)
                    .await
                    .unwrap();
                continue;
            }
            headers.insert("Nats-Batch-Commit", "1");
            let request = async_nats::Request::new().headers(headers).payload(body);
            let answer = client
                .send_request(message.subject.clone(), request)
                .await
                .unwrap();
            let answer: serde_json::Value = serde_json::from_slice(&answer.payload).unwrap();
            if let Some(error) = answer.get("error") {
                return match error["err_code"].as_u64() {
                    Some(10054) => Answer::Refused(Refusal::TooLarge),
                    Some(10176) => Answer::Refused(Refusal::Incomplete),
                    Some(10201) => Answer::Refused(Refusal::DuplicateInBatch),
                    _ => panic!("an answer that the model does not know: {answer}"),
                };
            }
            return Answer::Batch {
                last: answer["seq"].as_u64().unwrap(),
                count: usize::try_from(answer["count"].as_u64().unwrap()).unwrap(),
            };
        }
        unreachable!("no batch is empty")
    }

    async fn read(&self, after: u64) -> Vec<(u64, Message)> {
        let end = self.bus.floor_end().await.unwrap();
        let whole = self.bus.floor_after(None).await.unwrap().position();
        let position = bus::Position {
            seq: after,
            ..whole
        };
        let mut log = self.bus.floor_after(Some(&position)).await.unwrap();
        let mut read = Vec::new();
        while (read.len() as u64) < end - after {
            for stored in log.next_chunk(100).await.unwrap() {
                let all: Vec<_> = stored
                    .headers_as_text()
                    .map(|(name, value)| (name.to_owned(), value.to_owned()))
                    .collect();
                let id = all
                    .iter()
                    .find(|(name, _)| name == "Nats-Msg-Id")
                    .unwrap()
                    .1
                    .clone();
                let ours = |name: &str| name.starts_with("ce-");
                let mut headers: Vec<_> = all.into_iter().filter(|(name, _)| ours(name)).collect();
                headers.sort_by(|a, b| b.cmp(a));
                let message = Message {
                    subject: stored.subject.to_string(),
                    id,
                    headers,
                    body: stored.body.to_vec(),
                };
                read.push((stored.seq, message));
            }
        }
        read
    }
}

/// The model's clock stands still: a script is over long before ids are forgotten.
fn noon() -> DateTime<Utc> {
    "2031-03-04T12:00:00Z".parse().unwrap()
}

async fn connect(child: &ChildBroker) -> Bus {
    let bus = Bus::connect(&child.url(), "trial").await.unwrap();
    bus.ready().await.unwrap();
    bus
}

fn headers(message: &Message) -> HeaderMap {
    let mut map = HeaderMap::new();
    for (name, value) in &message.headers {
        map.insert(name.as_str(), value.as_str());
    }
    map.insert("Nats-Msg-Id", message.id.as_str());
    map
}

#[tokio::test]
async fn the_model_answers_as_the_real_broker_does() {
    let trial = async {
        for script in 0..SCRIPTS {
            let mut dice = Dice::new(script);
            let mut real = Real::start().await;
            let mut broker = Broker::new(LARGEST, TimeDelta::minutes(10));
            for step in 0..OPERATIONS {
                let operation = operation(&mut dice, broker.end());
                let said = real.say(&operation).await;
                let should = model(&mut broker, &operation, noon());
                assert!(
                    said == should,
                    "script {script}, step {step}, {:.300}: the real broker says {:.300}, the model {:.300}",
                    format!("{operation:?}"),
                    format!("{said:?}"),
                    format!("{should:?}")
                );
            }
        }
    };
    tokio::time::timeout(Duration::from_secs(300), trial)
        .await
        .unwrap();
}

/// An id is forgotten after the window, and a fact sent again then is in the log twice: the
/// fold, which knows every fact's id, must be the one that drops it.
#[tokio::test]
async fn an_id_is_forgotten_after_the_window() {
    let real = Real::start().await;
    let jetstream = jetstream::new(real.bus.client().clone());
    let window = Duration::from_millis(500);
    let config = jetstream::stream::Config {
        name: "TRIAL".to_owned(),
        subjects: vec!["trial.>".to_owned()],
        duplicate_window: window,
        ..Default::default()
    };
    jetstream.create_stream(config).await.unwrap();
    let mut model = Broker::new(LARGEST, TimeDelta::milliseconds(500));
    let mut message = (*message(&mut Dice::new(1), &[1])).clone();
    message.subject = "trial.one".to_owned();
    let message = Rc::new(message);
    for seconds in [0, 2] {
        let now = noon() + TimeDelta::seconds(seconds);
        assert_eq!(real.publish(&message).await, model.publish(&message, now));
        tokio::time::sleep(window * 3).await;
    }
    assert_eq!(model.end(), 2);
}
