//! What to do about it: the remedies of the diagnosis in their order, what speaks for the cause, what to watch.

use super::view::{Block, Context, Section, Table, line, shortened};

/// Absent where no remedy is called for and the sheet gives no cause for a remark.
pub(super) fn section(cx: &Context<'_>) -> Option<Section> {
    let diagnosis = &cx.analysis.diagnosis;
    if diagnosis.remedies.is_empty() && diagnosis.notes.is_empty() {
        return None;
    }
    let mut blocks = vec![Block::Text(shortened(&diagnosis.finding, 400))];
    let list = |texts: &[String]| Block::List(texts.iter().map(|t| shortened(t, 400)).collect());
    if !diagnosis.evidence.is_empty() {
        blocks.push(list(&diagnosis.evidence));
    }
    if !diagnosis.remedies.is_empty() {
        let rows = diagnosis.remedies.iter().enumerate().map(|(i, r)| {
            vec![
                (i + 1).to_string(),
                line(&r.what),
                line(&r.reason),
                line(&r.proof),
            ]
        });
        blocks.push(Block::Table(Table {
            caption:
                "Remedies of the trade, the first one first. None is proved before it was pulled."
                    .into(),
            head: ["", "remedy", "why", "the pull that proves it"]
                .map(String::from)
                .to_vec(),
            rows: rows.collect(),
        }));
    }
    if !diagnosis.notes.is_empty() {
        blocks.push(list(&diagnosis.notes));
    }
    Some(Section::new("remedies", "What to do about it", blocks))
}
