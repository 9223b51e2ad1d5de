//! `analyse`: pulls in, results out, one line each.

use super::args::{TraceRows, Wishes};
use super::console::Console;
use super::exit::Exit;
use super::fault::Fault;
use super::files::{self, Staging};
use super::plan::{self, Target};
use crate::analysis::{Analysis, Settings};
use crate::caveat::Weight;
use crate::verdict::VerdictWord;
use crate::{chart, export, pipeline, report};

/// Analyses every folder; one that fails does not stop the rest.
///
/// # Errors
/// Only what is wrong before any work: results of two folders in one place.
pub(super) fn run(wishes: &Wishes, console: &Console) -> Result<Exit, Fault> {
    let targets = plan::targets(&wishes.folders, wishes.out.as_deref())?;
    let proofs: Vec<Result<(), Fault>> = targets.iter().map(plan::prove).collect();
    let settings = Settings {
        all_traces: wishes.traces == TraceRows::All,
        ..Settings::default()
    };
    let (mut analysed, mut failed, mut against) = (0, 0, 0);
    for (target, proof) in targets.iter().zip(proofs) {
        match proof.and_then(|()| one(target, &settings, wishes.json, console)) {
            Ok(word) => {
                analysed += 1;
                against +=
                    usize::from(matches!(word, VerdictWord::Fails | VerdictWord::NotDecided));
            }
            Err(fault) => {
                failed += 1;
                console.fault(&fault);
            }
        }
    }
    Ok(match (analysed, failed + against) {
        (0, _) => Exit::Nothing,
        (_, 0) => Exit::Done,
        _ => Exit::NotPassed,
    })
}

fn one(
    target: &Target,
    settings: &Settings,
    json_too: bool,
    console: &Console,
) -> Result<VerdictWord, Fault> {
    let inputs = files::read_pull(&target.folder)?;
    let analysis =
        pipeline::analyse(inputs, settings).map_err(|e| Fault::pipeline(&target.folder, &e))?;
    let json = export::json(&analysis).map_err(|e| Fault::export(&target.folder, &e))?;
    write(target, &analysis, &json)?;
    say(target, &analysis, console);
    if json_too {
        console.result(String::from_utf8_lossy(&json).trim_end());
    }
    Ok(analysis.verdict.word)
}

/// Everything is made in memory first, written beside, and put in place in one step.
fn write(target: &Target, analysis: &Analysis, json: &[u8]) -> Result<(), Fault> {
    let charts = chart::draw_all(analysis).map_err(|e| Fault::export(&target.folder, &e))?;
    let report = report::render(analysis, &charts);
    let staging = Staging::begin(&target.results)?;
    staging.write("analysis.json", json)?;
    #[cfg(feature = "parquet")]
    if analysis.settings.all_traces && analysis.record.rows_per_entry > 1 {
        files::write_every_row(&target.folder, analysis, &staging)?;
    } else {
        let traces = export::parquet(analysis).map_err(|e| Fault::export(&target.folder, &e))?;
        staging.write(files::TRACES, &traces)?;
    }
    for chart in &charts {
        staging.write(&format!("charts/{}", chart.file_name), chart.svg.as_bytes())?;
    }
    staging.write("report.md", report.markdown.as_bytes())?;
    staging.write("report.html", report.html.as_bytes())?;
    staging.commit()
}

/// One line, and what must be known before the figures are trusted.
fn say(target: &Target, analysis: &Analysis, console: &Console) {
    let word = match analysis.verdict.word {
        VerdictWord::Passes => "passes",
        VerdictWord::Fails => "fails",
        VerdictWord::NotDecided => "not decided",
        VerdictWord::NoLimits => "no limits given",
    };
    console.say(&format!(
        "{}: {word}; report in {}",
        target.name,
        target.results.join("report.md").display()
    ));
    for caveat in &analysis.caveats {
        let weight = match caveat.weight {
            Weight::Note => continue,
            Weight::Caution => "caution",
            Weight::NoVerdict => "no verdict",
        };
        console.warn(weight, &format!("{} {}", caveat.message, caveat.advice));
    }
}
