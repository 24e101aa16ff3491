//! Many settings over many traces: what each choice costs and what it still tells.

pub mod callout;
pub mod cells;
pub mod days;
pub mod duty;
pub mod fan;
pub mod grid;
pub mod output;
pub mod pareto;
pub mod report;
pub mod run;
pub mod spread;
pub mod state;
pub mod tally;
pub mod thin;
pub mod traces;
pub mod trial;
