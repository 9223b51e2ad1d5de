//! The report of many pulls: same view, same two writers as that of one.

mod front;
mod plan;
mod tables;

pub use plan::render_plan;

use super::view::{Answer, Block, Section, Tone, View, line};
use super::{Report, html, markdown};
use crate::chart::Chart;
use crate::compare::Comparison;
use crate::figures::Units;

/// Writes the report of a comparison with the charts of [`crate::chart::draw_comparison`].
#[must_use]
pub fn render_comparison(comparison: &Comparison, charts: &[Chart]) -> Report {
    let view = build(&Cx {
        c: comparison,
        units: comparison.units(),
        charts,
    });
    Report {
        markdown: markdown::write(&view, charts),
        html: html::write(&view, charts),
    }
}

/// What the builders of sections work with.
struct Cx<'a> {
    c: &'a Comparison,
    units: Units,
    charts: &'a [Chart],
}

impl Cx<'_> {
    fn chart(&self, stem: &str) -> Option<Block> {
        let name = format!("{stem}.svg");
        self.charts
            .iter()
            .position(|c| c.file_name == name)
            .map(Block::Chart)
    }

    /// A load in kN as a plain number of the report's unit.
    fn cell(&self, kilonewtons: f64) -> String {
        crate::figures::significant(self.units.load(kilonewtons), 3)
    }
}

fn build(cx: &Cx) -> View {
    let c = cx.c;
    let mut sections = vec![front::limits(cx), front::order(cx), front::caveats(cx)];
    sections.extend(tables::bounds(cx));
    sections.extend(tables::scatter(cx));
    sections.extend(tables::wear(cx));
    sections.extend(tables::diameter(cx));
    sections.extend(tables::untested(cx));
    sections.push(tables::method(cx));
    sections.push(tables::pulls(cx));
    sections.push(front::cautions());
    View {
        title: format!(
            "{} pulls of {} {} compared",
            counted(c),
            c.groups.len(),
            c.settings.by.plural()
        ),
        subtitle: front::subtitle(cx),
        running: c.simulated().then_some("simulated data"),
        tone: Tone::Open,
        answers: front::answers(cx),
        sections,
        colophon: format!(
            "Written by bitterend {}. Machine-readable figures with full precision: comparison.json.",
            line(&c.version)
        ),
    }
}

/// Pulls that count.
fn counted(c: &Comparison) -> usize {
    c.groups.iter().map(|g| g.pulls.len()).sum()
}

/// An answer with its label.
fn answer(label: &'static str, text: String) -> Answer {
    Answer { label, text }
}

fn section(id: &'static str, heading: &'static str, blocks: Vec<Block>) -> Section {
    Section::new(id, heading, blocks)
}

#[cfg(test)]
mod tests;
