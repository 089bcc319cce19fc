//! Questions and answers.

use bus::BusError;
use names::{Kind, UnknownName};
use serde_json::{Value, json};

use crate::support::*;

#[tokio::test]
async fn a_question_gets_its_answer_and_a_refusal_its_sentence() {
    let dir = tempfile::tempdir().unwrap();
    let broker = broker(dir.path()).await;
    let bus = connect(&broker.url()).await;
    let mut questions = bus
        .questions(&site(), &["plan.day", "dispatch", "everything"])
        .await
        .unwrap();
    let answering = tokio::spawn(async move {
        let question = questions.next().await.unwrap();
        assert_eq!(question.name, "plan.day");
        let asked: Value = question.read().unwrap();
        question.answer(&json!({ "asked": asked })).await.unwrap();
        let question = questions.next().await.unwrap();
        question
            .refuse("wheel W7 is held: it cannot leave")
            .await
            .unwrap();
        let question = questions.next().await.unwrap();
        let unknown = UnknownName::among(Kind::Lot, "CUL2027", ["CUL2026W10"]);
        question.reply::<()>(Err(unknown)).await.unwrap();
        questions
    });

    let answer: Value = within(bus.ask(&site(), "plan.day", &json!({"day": 3})))
        .await
        .unwrap();
    assert_eq!(answer, json!({ "asked": {"day": 3} }));
    let error = within(bus.ask::<Value>(&site(), "dispatch", &"W7"))
        .await
        .unwrap_err();
    assert_eq!(error.to_string(), "wheel W7 is held: it cannot leave");
    // What there is not is told as data.
    let error = within(bus.ask::<Value>(&site(), "everything", &"CUL2027"))
        .await
        .unwrap_err();
    let BusError::Unknown(name) = error else {
        panic!("{error}");
    };
    assert_eq!((name.kind, name.asked.as_str()), (Kind::Lot, "CUL2027"));
    assert_eq!(name.nearest, ["CUL2026W10"]);

    let mut questions = answering.await.unwrap();
    let asking = tokio::spawn({
        let bus = bus.clone();
        async move { bus.ask::<Value>(&site(), "everything", &()).await }
    });
    let question = within(questions.next()).await.unwrap();
    let error = question
        .answer(&"x".repeat(bus::LARGEST_ANSWER))
        .await
        .unwrap_err();
    assert!(matches!(error, BusError::TooLarge { .. }), "{error}");
    let error = within(asking).await.unwrap().unwrap_err();
    assert!(matches!(error, BusError::Refused(_)), "{error}");
}

#[tokio::test]
async fn a_question_that_nobody_answers_fails_at_once_and_says_what_to_look_for() {
    let dir = tempfile::tempdir().unwrap();
    let broker = broker(dir.path()).await;
    let bus = connect(&broker.url()).await;
    let error = within(bus.ask::<Value>(&site(), "plan", &()))
        .await
        .unwrap_err();
    assert!(matches!(error, BusError::NobodyAnswers { .. }), "{error}");
    let error = within(bus.ask::<Value>(&site(), "plan > all", &()))
        .await
        .unwrap_err();
    assert!(matches!(error, BusError::Subject(_)), "{error}");
}

#[tokio::test]
async fn a_standby_does_not_answer_as_well() {
    let dir = tempfile::tempdir().unwrap();
    let broker = broker(dir.path()).await;
    let bus = connect(&broker.url()).await;
    let mut active = bus.questions(&site(), &["n"]).await.unwrap();
    let mut standby = connect(&broker.url())
        .await
        .questions(&site(), &["n"])
        .await
        .unwrap();
    let mut answers = 0;
    let asking = async {
        for n in 0..50 {
            let answer: u32 = bus.ask(&site(), "n", &n).await.unwrap();
            assert_eq!(answer, n);
        }
    };
    let answering = async {
        while answers < 50 {
            let question = tokio::select! {
                question = active.next() => question,
                question = standby.next() => question,
            }
            .unwrap();
            let n: u32 = question.read().unwrap();
            question.answer(&n).await.unwrap();
            answers += 1;
        }
    };
    within(async { tokio::join!(asking, answering) }).await;
    // Nobody holds a second copy of any question.
    drop(active);
    drop(standby);
    assert_eq!(answers, 50);
}

#[tokio::test]
async fn two_workers_each_answer_their_own_questions() {
    let dir = tempfile::tempdir().unwrap();
    let broker = broker(dir.path()).await;
    let bus = connect(&broker.url()).await;
    for (names, answer) in [
        (&["due", "wheel"], "scheduler"),
        (&["recall", "lot"], "records"),
    ] {
        let mut questions = bus.questions(&site(), names).await.unwrap();
        tokio::spawn(async move {
            while let Some(question) = questions.next().await {
                question.answer(&answer).await.unwrap();
            }
        });
    }
    for (name, who) in [
        ("due", "scheduler"),
        ("recall", "records"),
        ("wheel", "scheduler"),
        ("lot", "records"),
    ] {
        let answer: String = within(bus.ask(&site(), name, &())).await.unwrap();
        assert_eq!(answer, who, "{name}");
    }
    let error = within(bus.ask::<Value>(&site(), "weather", &())).await;
    assert!(matches!(error, Err(BusError::NobodyAnswers { .. })));
}

#[tokio::test]
async fn an_answer_of_any_size_comes_whole() {
    let dir = tempfile::tempdir().unwrap();
    let broker = broker(dir.path()).await;
    let bus = connect(&broker.url()).await;
    let mut questions = bus.questions(&site(), &["census"]).await.unwrap();
    tokio::spawn(async move {
        while let Some(question) = questions.next().await {
            let rows: u64 = question.read().unwrap();
            let rows: Vec<u64> = (0..rows).collect();
            question.answer(&rows).await.unwrap();
        }
    });
    let ask = |rows: u64| {
        let bus = bus.clone();
        async move {
            let answer: Vec<u64> = bus.ask(&site(), "census", &rows).await.unwrap();
            assert!(answer.into_iter().eq(0..rows), "{rows} rows");
        }
    };
    // 1 MB is the most that one message carries: just below, above, 10 MB, 40 MB.
    for rows in [0, 160_000, 180_000, 1_400_000, 4_900_000] {
        within(ask(rows)).await;
    }
    // Several at once keep apart.
    within(futures::future::join_all(
        [400_000, 1, 500_000, 300_000].map(ask),
    ))
    .await;
}

#[tokio::test]
async fn half_an_answer_is_none() {
    let dir = tempfile::tempdir().unwrap();
    let broker = broker(dir.path()).await;
    let bus = connect(&broker.url()).await;
    let mut asked = bus
        .client()
        .subscribe(format!("ask.{}.plan", site()))
        .await
        .unwrap();
    bus.client().flush().await.unwrap();
    let answering = bus.clone();
    tokio::spawn(async move {
        use futures::StreamExt as _;
        while let Some(message) = asked.next().await {
            let mut headers = async_nats::HeaderMap::new();
            // The first part never comes.
            headers.insert("Answer-Part", "2");
            headers.insert("Answer-Parts", "2");
            let reply = message.reply.unwrap();
            let sent = answering.client();
            sent.publish_with_headers(reply, headers, "1}".into())
                .await
                .unwrap();
        }
    });
    let error = within(bus.ask::<Value>(&site(), "plan", &())).await;
    // Of what only reads nobody need wonder whether it was done.
    let said = error.unwrap_err();
    assert!(matches!(said, BusError::Unread { .. }), "{said:?}");
    assert!(said.to_string().contains("nothing was changed. Ask again"));
    let error = within(bus.ask_to_do::<Value>(&site(), "plan", &())).await;
    let said = error.unwrap_err();
    assert!(matches!(said, BusError::Unanswered { .. }), "{said:?}");
    assert!(said.to_string().contains("whether it was done is unknown"));
}
