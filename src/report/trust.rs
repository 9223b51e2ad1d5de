//! What a reader must know before trusting a figure, and before pulling again.

use super::view::{Block, Context, Section, line};
use crate::caveat::Weight;
use crate::figures::significant;

pub(super) fn caveats(cx: &Context<'_>) -> Section {
    let mut caveats: Vec<_> = cx.analysis.caveats.iter().collect();
    caveats.sort_by_key(|c| std::cmp::Reverse(c.weight));
    if caveats.is_empty() {
        let text =
            "Nothing was found in this record that weakens the figures beyond their intervals.";
        return Section::new(
            "caveats",
            "Before you trust the figures",
            vec![Block::Text(text.into())],
        );
    }
    let warnings = caveats
        .into_iter()
        .map(|c| {
            let weight = match c.weight {
                Weight::Note => "Note",
                Weight::Caution => "Caution",
                Weight::NoPass => "The line cannot be passed on this",
                Weight::NoVerdict => "No verdict can rest on this",
            };
            (
                format!("{weight}: {}", cx.said(&c.message, 500)),
                cx.said(&c.advice, 500),
                c.code.to_string(),
            )
        })
        .collect();
    Section::new(
        "caveats",
        "Before you trust the figures",
        vec![Block::Caveats(warnings)],
    )
}

/// Cautions of the trade (common practice, no source), with the energy of this pull.
pub(super) fn cautions(cx: &Context<'_>) -> Section {
    let analysis = cx.analysis;
    let mut list = vec![
        "The rules of the place and licensed practice come first; nothing in this report overrules them.".to_owned(),
        "A loaded line or ram kills when something lets go. Nobody stands in line with a loaded line, beside it, or in a bight of it.".to_owned(),
        "Above pre-tension nobody marks the line or reads a rule on it: read by camera or from well away.".to_owned(),
    ];
    let chain = analysis
        .sheet
        .0
        .chain
        .iter()
        .min_by(|a, b| a.working_load.si().total_cmp(&b.working_load.si()));
    let peak = cx.units.load_text(analysis.record.peak_load_kn);
    list.push(match chain {
        Some(weakest) => {
            let beyond = analysis.record.peak_load_kn * 1e3 > weakest.working_load.si();
            format!(
                "Stay within the lowest working load of every part in the chain, load cell and shackles included. The lowest in the sheet is {} ({}); this pull reached {peak}{}",
                weakest.working_load,
                line(&weakest.part),
                if beyond { ": MORE than that. Do not repeat it with this chain." } else { "." }
            )
        }
        None => format!(
            "Stay within the lowest working load of every part in the chain, load cell and shackles included. The sheet lists no parts; this pull reached {peak}."
        ),
    });
    list.push("Stop after a run-out, or when movement in a hold does not settle.".into());
    list.push(energy(cx));
    list.push("One pull describes one sample: this line in this stopper on this day. It is no certificate of a type.".into());
    Section::new(
        "cautions",
        "Cautions for whoever pulls again",
        vec![Block::List(list)],
    )
}

fn energy(cx: &Context<'_>) -> String {
    let energy = &cx.analysis.energy;
    let joules = |v: Option<f64>| {
        v.filter(|v| v.is_finite())
            .map(|v| format!("{}\u{a0}J", significant(v, 2)))
    };
    match (joules(energy.upper_j), joules(energy.measured_j)) {
        (Some(upper), Some(measured)) => format!(
            "At the highest load the line held at most about {upper} (upper figure). Measured under the unloading curve, over the gauge length only: {measured}. No distance follows from either figure."
        ),
        (Some(upper), None) => format!("At the highest load the line held at most about {upper} (upper figure). No distance follows from it."),
        (None, Some(measured)) => format!(
            "Measured under the unloading curve, over the gauge length only, the line gave back {measured}; the whole loaded length held more. No distance follows from it."
        ),
        (None, None) => "How much energy the line held could not be found from this record; treat it as dangerous.".into(),
    }
}
