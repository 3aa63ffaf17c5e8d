//! What a coach sees and does: sheet, terminal, desk, verdicts, measuring by hand, answers, exports.

#[path = "../support/mod.rs"]
mod support;

mod adoption;
mod answer;
mod at_desk;
mod decide;
mod desk;
mod desk_ruler;
mod export;
mod letters;
mod ruler;
mod sheet;
mod sheet_pages;
mod sheet_weight;
mod terminal;
mod verdicts;
