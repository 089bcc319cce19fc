//! Writes allocation problems and what they were found to cost, for `tests/dispatch_oracle.py`
//! to solve with another solver: three made by hand, whose least cost is known, and some
//! generated, one of them on the day after a batch was held. `dispatch_instances FOLDER`, or with
//! `large` behind it for 20 000 wheels and 400 lines too.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)] // a failed check panics

#[path = "../benches/invented.rs"]
mod invented;

use dispatch::stock::Kept;
use dispatch::{Memory, Yesterday};
use facts::Grade;
use invented::Dairy;

fn main() {
    let folder = std::env::args().nth(1).expect("dispatch_instances FOLDER");
    let folder = std::path::Path::new(&folder);
    std::fs::create_dir_all(folder).unwrap();
    let write = |name: String, dairy: &Dairy| {
        let stock = dairy.stock();
        let export = dispatch::export(&dairy.problem(&stock));
        let file = folder.join(format!("{name}.json"));
        std::fs::write(file, serde_json::to_vec(&export).unwrap()).unwrap();
        export.cost
    };
    // One wheel that fits one line: it leaves on Tuesday for Wednesday and is 94 % sure.
    let one = Dairy::by_hand(&[(70, 1, Grade::A)], &[(2, 1)]);
    assert_eq!(write("one".to_owned(), &one), [0, 60, 0, 0, 0, 0]);
    // Two lines and wheels for one of them, of a grade too low for either: all short, and
    // what is left over, 3 wheels of 4 kg, is past its best within the sixty days.
    let short = Dairy::by_hand(&[(70, 3, Grade::B)], &[(2, 5), (9, 2)]);
    assert_eq!(write("short".to_owned(), &short), [0, 7_000, 0, 0, 120, 0]);
    // The older batch to the line that leaves first: leaving on days 1 and 8 of 60, the
    // younger batch, 4 days younger, goes with the second and costs (60 - 8) * 4 a wheel;
    // the other way round it would be (60 - 1) * 4.
    let order = Dairy::by_hand(
        &[(66, 10, Grade::A), (70, 10, Grade::A)],
        &[(2, 10), (9, 10)],
    );
    assert_eq!(
        write("order".to_owned(), &order),
        [0, 1_200, 0, 2_080, 0, 0]
    );
    for (wheels, lines, seed) in [(600, 20, 1), (1_500, 40, 2), (3_000, 80, 3)] {
        write(
            format!("invented-{wheels}-{lines}"),
            &Dairy::new(wheels, lines, seed),
        );
    }
    let mut held = Dairy::new(1_500, 40, 2);
    held.yesterday = Yesterday::of(&held.allocate(&mut Memory::default()));
    let batch = "B14".parse().unwrap();
    for cheese in held.cheeses.iter_mut().filter(|c| c.batch == batch) {
        cheese.kept = Some(Kept::Held("LAB2".parse().unwrap()));
    }
    let cost = write("held-since-yesterday".to_owned(), &held);
    assert_ne!(cost[5], 0, "some customers were told otherwise");
    if std::env::args().nth(2).is_some_and(|word| word == "large") {
        write("invented-20000-400".to_owned(), &Dairy::new(20_000, 400, 7));
    }
}
