//! Reports for people: single HTML files that need nothing but a browser.
//!
//! A page holds its data, its style, its script and the plotting library
//! (uPlot, `assets/uplot`). It fetches nothing; its own policy forbids that.
//! What a reader must know stands in plain HTML, so that it is there without
//! script and on paper.

mod bars;
pub mod budget;
pub mod cohort;
pub mod deployment;
mod fit;
mod gather;
pub mod pack;
mod page;
pub mod sweep;
mod sweep_table;
mod tiles;
mod words;

pub use page::write;
