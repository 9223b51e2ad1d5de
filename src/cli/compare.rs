//! `compare`: many pulls in, one report out. Of each pull only its facts are kept, so that memory does not grow with logs.

use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicUsize, Ordering};
use std::sync::{Mutex, PoisonError};

use super::args::Matrix;
use super::console::Console;
use super::exit::Exit;
use super::fault::Fault;
use super::files::{self, Staging};
use super::sources;
use crate::analysis;
use crate::caveat::Weight;
use crate::compare::{Comparison, SetAside, Settings, compare};
use crate::pool::Pull;
use crate::{chart, export, pipeline, report};

/// Where results go unless `--out` says otherwise.
const PLACE: &str = "comparison";

/// Compares; a folder that cannot be analysed is named and skipped.
///
/// # Errors
/// Wrong wishes, nothing to compare, or results that cannot be written.
pub(super) fn run(wishes: &Matrix, console: &Console) -> Result<Exit, Fault> {
    let settings = settings(wishes)?;
    let place = wishes.out.clone().unwrap_or_else(|| PathBuf::from(PLACE));
    // Proved before any work.
    Staging::begin(&place).map(drop)?;
    let named = sources::pull_sources(&wishes.folders)?;
    let (pulls, skipped) = facts(&named, console);
    if pulls.is_empty() {
        return Err(Fault::new(
            format!("none of {} could be analysed", many(named.len(), "pull")),
            "run `bitterend check` on one of them",
        ));
    }
    let comparison = compare(pulls, skipped, &settings);
    let json = export::comparison_json(&comparison).map_err(|e| Fault::export(&place, &e))?;
    write(&place, &comparison, &json)?;
    say(&place, &comparison, console);
    if wishes.json {
        console.result(String::from_utf8_lossy(&json).trim_end());
    }
    Ok(if comparison.skipped.is_empty() {
        Exit::Done
    } else {
        Exit::NotPassed
    })
}

fn settings(wishes: &Matrix) -> Result<Settings, Fault> {
    let share = |name: &str, text: &Option<String>, most: f64| match text {
        None => Ok(None),
        Some(text) => parse_share(text)
            .filter(|v| *v > 0.0 && *v < most)
            .map(Some)
            .ok_or_else(|| {
                Fault::new(
                    format!("--{name} {text}: this is no share between 0 and {most}"),
                    format!("write it as --{name} \"90 %\" or --{name} 0.9"),
                )
            }),
    };
    let diameter_mm = match &wishes.diameter {
        None => None,
        Some(text) => Some(
            crate::units::Length::parse(text)
                .map_err(|e| {
                    Fault::new(
                        format!("--diameter {text}: {e}"),
                        "write it as --diameter \"9 mm\"",
                    )
                })?
                .si()
                * 1e3,
        ),
    };
    Ok(Settings {
        by: wishes.by.into(),
        rule: wishes.rule.map(Into::into),
        share: share("share", &wishes.share, 1.0)?,
        confidence: share("confidence", &wishes.confidence, 1.0)?,
        matters: share("matters", &wishes.matters, 1.0)?,
        spread: wishes.spread.into(),
        diameter_mm,
        ..Settings::default()
    })
}

/// `90 %`, `90%` or `0.9`.
pub(super) fn parse_share(text: &str) -> Option<f64> {
    let text = text.trim();
    let value = match text.strip_suffix('%') {
        Some(number) => number.trim().parse::<f64>().ok()? / 100.0,
        None => text.parse::<f64>().ok()?,
    };
    value.is_finite().then_some(value)
}

/// What one source gave, with its place among the sources.
type Read = (usize, Result<Vec<Pull>, Fault>);

/// Facts of every pull, by name, and of the ones that failed why. Works on all cores.
pub(super) fn facts(named: &[sources::Source], console: &Console) -> (Vec<Pull>, Vec<SetAside>) {
    let workers = std::thread::available_parallelism()
        .map_or(1, |n| n.get())
        .min(named.len().max(1));
    let (next, done) = (AtomicUsize::new(0), AtomicUsize::new(0));
    let found: Mutex<Vec<Read>> = Mutex::new(Vec::new());
    let progress = console.progress("pulls read", named.len());
    std::thread::scope(|scope| {
        for _ in 0..workers {
            scope.spawn(|| {
                loop {
                    let i = next.fetch_add(1, Ordering::Relaxed);
                    let Some(source) = named.get(i) else { break };
                    let result = one(source);
                    found
                        .lock()
                        .unwrap_or_else(PoisonError::into_inner)
                        .push((i, result));
                    progress.step(done.fetch_add(1, Ordering::Relaxed) + 1);
                }
            });
        }
    });
    progress.end();
    let mut found = found.into_inner().unwrap_or_else(PoisonError::into_inner);
    found.sort_by_key(|f| f.0);
    let (mut pulls, mut skipped) = (Vec::new(), Vec::new());
    for (i, result) in found {
        match result {
            Ok(own) => pulls.extend(own),
            Err(fault) => {
                console.fault(&fault);
                skipped.push(SetAside {
                    name: named[i].name(),
                    why: fault.message,
                });
            }
        }
    }
    // By name, so that an archive in another order gives the same result to the last digit.
    pulls.sort_by(|a, b| a.name.cmp(&b.name));
    (pulls, skipped)
}

/// The facts of one source; the log and the analysis are gone when it returns.
fn one(source: &sources::Source) -> Result<Vec<Pull>, Fault> {
    match source {
        sources::Source::Folder(folder) => {
            let inputs = files::read_pull(folder)?;
            let analysis = pipeline::analyse(inputs, &analysis::Settings::default())
                .map_err(|e| Fault::pipeline(folder, &e))?;
            Ok(vec![Pull::of(&source.name(), &analysis)])
        }
        sources::Source::Analysis(path) => Ok(vec![sources::read_finished(path, &source.name())?]),
        #[cfg(feature = "parquet")]
        sources::Source::Table(path) => {
            let bytes =
                std::fs::read(path).map_err(|e| Fault::io(path, "the table cannot be read", &e))?;
            export::read_pulls(bytes).map_err(|e| Fault::export(path, &e))
        }
    }
}

fn write(place: &Path, comparison: &Comparison, json: &[u8]) -> Result<(), Fault> {
    let charts = chart::draw_comparison(comparison).map_err(|e| Fault::export(place, &e))?;
    let report = report::render_comparison(comparison, &charts);
    let staging = Staging::begin(place)?;
    staging.write("comparison.json", json)?;
    #[cfg(feature = "parquet")]
    {
        let table = export::pulls_parquet(comparison).map_err(|e| Fault::export(place, &e))?;
        staging.write("pulls.parquet", &table)?;
    }
    for chart in &charts {
        staging.write(&format!("charts/{}", chart.file_name), chart.svg.as_bytes())?;
    }
    staging.write("report.md", report.markdown.as_bytes())?;
    staging.write("report.html", report.html.as_bytes())?;
    staging.commit()
}

fn say(place: &Path, c: &Comparison, console: &Console) {
    let ranked = if c.ranking.places.is_empty() {
        format!("not ranked: {}", c.ranking.refused)
    } else {
        format!("{} ranked", c.ranking.places.len())
    };
    console.say(&format!(
        "{} of {}: {ranked}; report in {}",
        many(c.pulls.len(), "pull"),
        many(c.groups.len(), "group"),
        place.join("report.md").display()
    ));
    for caveat in &c.caveats {
        if caveat.weight != Weight::Note {
            console.warn("caution", &format!("{} {}", caveat.message, caveat.advice));
        }
    }
}

fn many(n: usize, word: &str) -> String {
    if n == 1 {
        format!("1 {word}")
    } else {
        format!("{n} {word}s")
    }
}
