//! What a report says, as finished strings: both forms are written from this, and nothing is computed after it.

use std::cell::RefCell;
use std::collections::BTreeSet;

use super::{cause, details, front, limits, record, split, survey, trust};
use crate::analysis::Analysis;
use crate::chart::{Chart, clean};
use crate::figures::{Units, fixed, significant, span_text};
use crate::sheet::Purpose;
use crate::stats::Estimate;
use crate::verdict::VerdictWord;

/// A report, ready to be laid out. No string in it is markup.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct View {
    pub(super) title: String,
    /// One line below the title: line, stopper, place, time.
    pub(super) subtitle: String,
    /// The running header of a record that was made by the simulator.
    pub(super) running: Option<&'static str>,
    /// Stands in the colour of the verdict; the word says the same.
    pub(super) tone: Tone,
    /// The four answers that come first: verdict, limit, what moved, what next.
    pub(super) answers: Vec<Answer>,
    pub(super) sections: Vec<Section>,
    /// Last line: what wrote this.
    pub(super) colophon: String,
}

/// Colour of the verdict.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Tone {
    Good,
    Bad,
    Open,
}

/// One of the first answers.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Answer {
    pub(super) label: &'static str,
    pub(super) text: String,
}

#[derive(Debug, Clone, PartialEq)]
pub(super) struct Section {
    pub(super) id: &'static str,
    pub(super) heading: &'static str,
    /// In print this section begins a page.
    pub(super) new_page: bool,
    pub(super) blocks: Vec<Block>,
}

impl Section {
    pub(super) fn new(id: &'static str, heading: &'static str, blocks: Vec<Block>) -> Self {
        Self {
            id,
            heading,
            new_page: false,
            blocks,
        }
    }
}

#[derive(Debug, Clone, PartialEq)]
pub(super) enum Block {
    Text(String),
    List(Vec<String>),
    /// Things to do, the first one first: what, and why.
    Steps(Vec<(String, String)>),
    /// What was found by a stage, what to do about it, and the code that leads to its explanation.
    Caveats(Vec<(String, String, String)>),
    /// Names and values, such as the facts of a record.
    Facts(Vec<(String, String)>),
    Table(Table),
    /// Index into the charts.
    Chart(usize),
    /// Who signs, by role and name as far as the sheet says.
    SignOff(Vec<(String, String)>),
}

/// A table whose first column names its rows.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Table {
    pub(super) caption: String,
    pub(super) head: Vec<String>,
    pub(super) rows: Vec<Vec<String>>,
}

/// What the builders of sections work with.
pub(super) struct Context<'a> {
    pub(super) analysis: &'a Analysis,
    pub(super) units: Units,
    charts: &'a [Chart],
    shown: RefCell<BTreeSet<usize>>,
}

impl Context<'_> {
    /// A chart by the stem of its file name, if it was drawn and has not been shown before.
    pub(super) fn chart(&self, stem: &str) -> Option<Block> {
        let file_name = format!("{stem}.svg");
        let index = self.charts.iter().position(|c| c.file_name == file_name)?;
        self.shown
            .borrow_mut()
            .insert(index)
            .then_some(Block::Chart(index))
    }

    /// A load given in kN for a table of loads: to the place that the highest load shows.
    pub(super) fn load_cell(&self, kilonewtons: f64) -> String {
        let highest = self.units.load(self.analysis.record.peak_load_kn);
        fixed(self.units.load(kilonewtons), places(highest, 3))
    }

    /// A travel given in mm for a table, likewise.
    pub(super) fn travel_cell(&self, millimetres: f64) -> String {
        let largest = self.analysis.record.peak_travel_mm.unwrap_or(millimetres);
        fixed(
            self.units.length(millimetres),
            places(self.units.length(largest), 4),
        )
    }

    /// A sentence of a stage in the report's units, on one line, cut short where it is very long.
    pub(super) fn said(&self, text: &str, most: usize) -> String {
        shortened(&self.units.retold(text), most)
    }

    /// The same for a cell of a table.
    pub(super) fn said_line(&self, text: &str) -> String {
        self.said(text, LONGEST)
    }

    /// An estimate with its unit, and the reason where there is none.
    pub(super) fn told(&self, estimate: &Estimate) -> String {
        let words = self.units.words(estimate);
        let once = |reason: &str| self.units.retold(&once(reason));
        match &estimate.reason {
            Some(reason) if !estimate.is_known() => format!("{words}: {}", once(reason)),
            Some(reason) => format!("{words}; {}", once(reason)),
            None => words,
        }
    }
}

/// Decimal places that show so many digits of the largest figure of a table: its other figures stand to the
/// same place, for a load near zero is known no finer than the highest one.
fn places(largest: f64, digits: i32) -> i32 {
    if !largest.is_finite() || largest == 0.0 {
        return digits;
    }
    #[expect(clippy::cast_possible_truncation, reason = "the exponent of a figure")]
    let exponent = largest.abs().log10().floor() as i32;
    digits - 1 - exponent
}

/// Rows per second, or the time from row to row where a person noted them.
pub(super) fn rows_per_time(rate_hz: f64) -> String {
    if rate_hz > 0.0 && rate_hz < 0.5 {
        format!("one row every {}", span_text(1.0 / rate_hz))
    } else {
        format!("{} rows a second", significant(rate_hz, 3))
    }
}

/// A text whose clauses, parted by semicolons, stand once each: what holds for two interfaces was said twice.
pub(super) fn once(text: &str) -> String {
    let mut kept: Vec<&str> = Vec::new();
    for clause in text.split("; ") {
        // The first clause may carry the name of what it is about.
        if !kept
            .iter()
            .any(|k| *k == clause || k.ends_with(&format!(": {clause}")))
        {
            kept.push(clause);
        }
    }
    kept.join("; ")
}

/// Longest text of the sheet printed in a table or a line; notes may be longer.
const LONGEST: usize = 160;

/// A text of the sheet on one line, without characters that would disturb it, cut short where it is very long.
pub(super) fn line(text: &str) -> String {
    shortened(text, LONGEST)
}

pub(super) fn shortened(text: &str, most: usize) -> String {
    let text = clean(text);
    let text = text.trim();
    if text.chars().count() <= most {
        return text.into();
    }
    let kept: String = text.chars().take(most - 1).collect();
    format!("{kept}…")
}

/// A quantity of the sheet as it was written, number and unit kept on one line.
pub(super) fn quantity(quantity: impl std::fmt::Display) -> String {
    quantity.to_string().replace(' ', "\u{a0}")
}

/// Puts the sections of this report in order.
pub(super) fn build(analysis: &Analysis, charts: &[Chart]) -> View {
    let cx = Context {
        analysis,
        units: Units::of(&analysis.sheet.0),
        charts,
        shown: RefCell::default(),
    };
    let purpose = analysis.sheet.0.pull.purpose;
    let mut sections = vec![front::figures(&cx)];
    match purpose {
        Purpose::Delivery => {
            // One page to hand over; the details follow on the next.
            sections.extend(front::one_chart(&cx));
            sections.push(front::what_was_pulled(&cx));
            sections.push(trust::caveats(&cx));
            sections.push(trust::cautions(&cx));
            sections.push(front::sign_off(&cx));
            let first_detail = sections.len();
            sections.push(cause::section(&cx));
            sections.push(split::section(&cx));
            sections[first_detail].new_page = true;
        }
        Purpose::Benchmark => {
            sections.push(trust::caveats(&cx));
            sections.push(front::what_was_pulled(&cx));
            sections.push(cause::section(&cx));
            sections.push(split::section(&cx));
        }
        Purpose::Survey => {
            sections.push(trust::caveats(&cx));
            sections.push(front::what_was_pulled(&cx));
            sections.push(survey::time_line(&cx));
            sections.push(survey::explanations(&cx));
            sections.extend(survey::readings(&cx));
            sections.push(survey::limits_of_the_record(&cx));
            sections.push(cause::section(&cx));
            sections.push(split::section(&cx));
        }
    }
    sections.push(limits::section(&cx));
    sections.extend(limits::holds(&cx));
    sections.extend(limits::aboard(&cx));
    sections.push(record::quality(&cx));
    sections.push(details::method(&cx));
    sections.push(details::instruments(&cx));
    if purpose != Purpose::Delivery {
        sections.push(trust::cautions(&cx));
    }
    sections.push(record::inputs(&cx));
    if purpose != Purpose::Delivery {
        sections.push(front::sign_off(&cx));
    }
    let pull = &analysis.sheet.0.pull;
    View {
        title: front::title(&cx),
        subtitle: front::subtitle(&cx),
        running: pull.simulated.then_some("simulated data"),
        tone: match analysis.verdict.word {
            VerdictWord::Passes => Tone::Good,
            VerdictWord::Fails => Tone::Bad,
            VerdictWord::NotDecided | VerdictWord::NoLimits => Tone::Open,
        },
        answers: front::answers(&cx),
        sections,
        colophon: format!(
            "Written by bitterend {}. Machine-readable figures with full precision: analysis.json.",
            line(&analysis.version)
        ),
    }
}
