//! Charts: what they say, and that what is not a number breaks a line instead of a chart.

use chart::Layer;
use forecast::{Forecaster, Habits, draw, habits};

use crate::given::{Given, clock, day, larkholm_blue};

fn dairy() -> Given {
    let mut given = Given::usual_way();
    given
        .rind(9.0, 6.0)
        .rind(12.0, 25.0)
        .rind(15.0, 48.0)
        .rind(18.0, 70.0);
    given
        .ironed(50.0, 0, 52.0)
        .ironed(50.1, 1, 47.0)
        .ironed(57.0, 0, 74.0);
    given
        .weighed(5.5, 0, 3655)
        .weighed(20.1, 0, 3520)
        .weighed(40.0, 0, 3400);
    given
}

#[test]
fn growth_readiness_drying_and_a_room_say_what_there_is_to_see() {
    let history = dairy().history();
    let habits = habits(&history, day(58.0), &Habits::new(), 1);
    let forecaster = Forecaster::new(&history, &habits, day(58.0));
    let (batch, wheel) = ("B1".parse().unwrap(), "B1-01".parse().unwrap());
    let forecast = forecaster.batch(batch).unwrap();
    let curves = forecaster.curves(batch).unwrap();
    let recipe = larkholm_blue();
    let drying = forecast::DryingHabit::learn(&history, &recipe, &habits[&recipe.id], day(58.0));
    let today = clock().day_of(day(58.0));
    let room = "R3".parse().unwrap();
    let figures = [
        draw::growth(&forecast, &curves, &clock()),
        draw::readiness(&[forecast], &clock(), today, 8),
        draw::drying(
            wheel,
            &forecaster.drying_curve(wheel, &drying).unwrap(),
            &clock(),
        ),
        draw::room(
            room,
            &history.air[&room],
            history.ranges.get(&room),
            &clock(),
            (today.plus(-14), today),
        ),
    ];
    let says: Vec<&str> = figures.iter().map(|figure| figure.says.as_str()).collect();
    insta::assert_debug_snapshot!(says);
    for figure in &figures {
        let svg = figure.svg();
        assert!(
            svg.starts_with("<svg") && !svg.contains("NaN"),
            "{}",
            figure.title
        );
        let drawn = figure.panels.iter().map(|panel| panel.layers.len()).min();
        assert!(drawn >= Some(2));
    }
}

#[test]
fn an_hour_without_a_reading_breaks_the_line() {
    let mut given = Given::batch(1);
    given
        .air("R1", 0.0, 2.0, 12.0, 93.0)
        .air("R1", 3.0, 4.0, 12.0, 93.0);
    let history = given.history();
    let room = "R1".parse().unwrap();
    let days = (clock().day_of(day(0.0)), clock().day_of(day(3.5)));
    let figure = draw::room(room, &history.air[&room], None, &clock(), days);
    let Layer::Line { points, .. } = &figure.panels[0].layers[0] else {
        panic!("a line is drawn");
    };
    assert!(points.iter().any(|(_, y)| y.is_nan()));
    assert!(!figure.svg().contains("NaN"));
}
