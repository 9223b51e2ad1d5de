//! `analyse`: pulls in, results out, one line each.

use std::path::Path;

use super::args::{TraceRows, Wishes};
use super::console::Console;
use super::exit::Exit;
use super::fault::Fault;
use super::files::{self, Staging};
use super::plan::{self, Target};
use super::resume;
use crate::analysis::{Analysis, Settings};
use crate::caveat::Weight;
use crate::verdict::VerdictWord;
use crate::{chart, export, pipeline, report};

/// Analyses every folder; one that fails does not stop the rest.
///
/// # Errors
/// Only what is wrong before any work: results of two folders in one place.
pub(super) fn run(wishes: &Wishes, console: &Console) -> Result<Exit, Fault> {
    let shown = wishes.out.as_deref() == Some(Path::new("-"));
    if shown && wishes.json {
        return Err(Fault::new(
            "--out - and --json: both would go to stdout",
            "ask for one of them, or let results go to a folder",
        ));
    }
    if wishes.log.is_some() && wishes.folders.len() > 1 {
        return Err(Fault::new(
            "--log with several folders: one log cannot belong to all of them",
            "analyse one folder at a time, or name the logs in the sheets",
        ));
    }
    if wishes.log.is_some() && wishes.traces == TraceRows::All {
        // A long log is read a second time for its traces, which stdin cannot be.
        return Err(Fault::new(
            "--log with --traces all: every row is read from the log that the sheet names",
            "name the log in the sheet, or leave --traces away",
        ));
    }
    let out = wishes.out.as_deref().filter(|_| !shown);
    let targets = plan::targets(&wishes.folders, out)?;
    let prove = |t: &Target| if shown { Ok(()) } else { plan::prove(t) };
    let proofs: Vec<Result<(), Fault>> = targets.iter().map(prove).collect();
    let settings = Settings {
        all_traces: wishes.traces == TraceRows::All,
        ..Settings::default()
    };
    let (mut analysed, mut failed, mut against) = (0, 0, 0);
    for (at, (target, proof)) in targets.iter().zip(proofs).enumerate() {
        if targets.len() > 1 {
            console.now(|| format!("{} of {}: {}", at + 1, targets.len(), target.name));
        }
        let done = proof.and_then(|()| {
            if wishes.resume
                && let Some(word) = resume::standing(target, &settings)
            {
                console.say(&format!("{}: finished before, kept", target.name));
                return Ok(word);
            }
            one(target, &settings, wishes, shown, console)
        });
        match done {
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
    wishes: &Wishes,
    shown: bool,
    console: &Console,
) -> Result<VerdictWord, Fault> {
    let inputs = files::read_pull_with(&target.folder, wishes.log.as_deref())?;
    let analysis =
        pipeline::analyse(inputs, settings).map_err(|e| Fault::pipeline(&target.folder, &e))?;
    let json = export::json(&analysis).map_err(|e| Fault::export(&target.folder, &e))?;
    if shown {
        let charts = chart::draw_all(&analysis).map_err(|e| Fault::export(&target.folder, &e))?;
        console.result(report::render(&analysis, &charts).markdown.trim_end());
        caveats(&analysis, console);
        return Ok(analysis.verdict.word);
    }
    write(target, &analysis, &json)?;
    say(target, &analysis, console);
    if wishes.json {
        console.result(String::from_utf8_lossy(&json).trim_end());
    }
    Ok(analysis.verdict.word)
}

/// Everything is made in memory first, written beside, and put in place in one step.
fn write(target: &Target, analysis: &Analysis, json: &[u8]) -> Result<(), Fault> {
    let staging = Staging::begin(&target.results)?;
    stage(target, analysis, json, &staging)?;
    staging.commit()
}

/// Writes every file of the results into the staging folder.
///
/// # Errors
/// The system's, or a file that could not be made.
pub(super) fn stage(
    target: &Target,
    analysis: &Analysis,
    json: &[u8],
    staging: &Staging,
) -> Result<(), Fault> {
    staging.write("analysis.json", json)?;
    let failed = |e| Fault::export(&target.folder, &e);
    let pages = || {
        let charts = chart::draw_all(analysis).map_err(failed)?;
        let report = report::render(analysis, &charts);
        Ok((charts, report))
    };
    // Tables and pages take about as long, and neither waits for the other.
    #[cfg(feature = "parquet")]
    let (charts, report) = std::thread::scope(|scope| {
        let table = scope.spawn(|| write_table(target, analysis, staging));
        let pages = pages();
        match table.join() {
            Ok(written) => written.and(pages),
            Err(panic) => std::panic::resume_unwind(panic),
        }
    })?;
    #[cfg(not(feature = "parquet"))]
    let (charts, report) = pages()?;
    for chart in &charts {
        staging.write(&format!("charts/{}", chart.file_name), chart.svg.as_bytes())?;
    }
    staging.write("report.md", report.markdown.as_bytes())?;
    staging.write("report.html", report.html.as_bytes())
}

#[cfg(feature = "parquet")]
fn write_table(target: &Target, analysis: &Analysis, staging: &Staging) -> Result<(), Fault> {
    if analysis.settings.all_traces && analysis.record.rows_per_entry > 1 {
        return files::write_every_row(&target.folder, analysis, staging);
    }
    let traces = export::parquet(analysis).map_err(|e| Fault::export(&target.folder, &e))?;
    staging.write(files::TRACES, &traces)
}

/// One line, and what must be known before the figures are trusted.
fn say(target: &Target, analysis: &Analysis, console: &Console) {
    let word = analysis.verdict.word.words();
    console.say(&format!(
        "{}: {word}; report in {}",
        target.name,
        target.results.join("report.md").display()
    ));
    console.more(|| {
        format!(
            "{}: {} rows, {} phases, results in {}",
            target.name,
            analysis.record.rows,
            analysis.phases.len(),
            target.results.display()
        )
    });
    caveats(analysis, console);
}

fn caveats(analysis: &Analysis, console: &Console) {
    for caveat in &analysis.caveats {
        let (weight, text) = (
            caveat.weight.words(),
            format!("{} {}", caveat.message, caveat.advice),
        );
        if caveat.weight == Weight::Note {
            console.more(|| format!("{weight}: {text}"));
        } else {
            console.warn(weight, &text);
        }
    }
}
