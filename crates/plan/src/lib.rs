//! The plan for the day over a rolling fortnight: what is done when and by whom, so
//! that no wheel misses its window.
//!
//! Pure: the folded floor, the crew file and yesterday's plan go in, a plan comes out.
//! [`project`] turns what each wheel needs into tasks with windows of dairy days;
//! [`model`] gathers them into a network whose cheapest flow is found exactly
//! (the crate `flow`); [`make()`] deals whole wheels out to people in walking order and explains
//! what is late, what cannot be met and what would help. A plan never changes a wheel.
//!
//! Beside it: how full the rooms will be ([`rooms`]) and what was missed
//! ([`roll_call()`]).

pub mod crew;
mod deal;
mod explain;
mod lift;
mod make;
pub mod model;
mod page;
pub mod project;
mod roll_call;
pub mod rooms;
mod task;

pub use crew::{Crew, Handling, Machine, Person, TaskRule};
pub use lift::LiftingLine;
pub use make::{
    DayLoad, Fix, Objective, Plan, Postponed, Problem, Space, Stop, Unmet, Yesterday, make,
    make_with,
};
pub use page::walking_list_pdf;
pub use project::{Projected, project};
pub use roll_call::{Missed, RollCall, roll_call, shift_summary};
pub use rooms::{Forecast, Makes, PlannedVat, RoomForecast, forecast};
pub use task::{Kind, Task, Waiting};
