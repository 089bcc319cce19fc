//! The floor as its users meet it: given these facts, at this time, then these actions.

mod alerts;
mod given;
mod order;
mod rules;
mod timeline;
