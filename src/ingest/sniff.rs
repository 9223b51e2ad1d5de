//! A first look at a log without a sheet: columns, units, rate, and which gauge a column may be.

use std::io::Read;

use super::cell::{self, Cell};
use super::clock::SECOND;
use super::columns::{TimeColumn, column_name, time_column};
use super::dialect::{self, Dialect};
use super::error::IngestError;
use super::read::{begin_understood, first_filled, origin, plan};
use super::source::Source;
use super::{GaugeKind, Understood, rows};
use crate::sheet::Reading;
use crate::units::{ForceDim, LengthDim, find_unit};

/// What a first look at a log found.
#[derive(Debug, Clone)]
pub struct Found {
    /// The dialect.
    pub understood: Understood,
    /// Every column.
    pub columns: Vec<FoundColumn>,
    /// Index of the time column, if there is one.
    pub time: Option<usize>,
    /// Rows per second, from the first rows; `None` without a time column.
    pub rate_hz: Option<f64>,
}

/// One column.
#[derive(Debug, Clone)]
pub struct FoundColumn {
    /// Name as written.
    pub name: String,
    /// Unit as written in the header, if any.
    pub unit: Option<String>,
    /// The gauge it may be, by its name and unit: a guess to be confirmed by a person.
    pub guess: Option<GaugeKind>,
    /// The first reading, as written.
    pub first: String,
    /// True when its cells are numbers.
    pub numbers: bool,
}

/// Looks at the beginning of a log.
///
/// # Errors
/// As for reading: no table, ambiguous marks, unreadable bytes.
pub fn sniff(log: &mut dyn Read, name: &str, reading: &Reading) -> Result<Found, IngestError> {
    let source = Source::open(log, name, reading.encoding.as_deref())?;
    let dialect = dialect::find(source.head(), name, reading, &[])?;
    let mut understood = begin_understood(&source, &dialect);
    let mut columns: Vec<FoundColumn> = dialect
        .names
        .iter()
        .enumerate()
        .map(|(i, n)| {
            let first = first_filled(&dialect, i).unwrap_or_default();
            FoundColumn {
                name: n.raw.clone(),
                unit: n.unit.clone(),
                guess: None,
                numbers: matches!(
                    cell::read(&first, dialect.marks, super::columns::Scale::ONE),
                    Cell::Number(_)
                ),
                first: super::error::shorten(cell::unquoted(&first)),
            }
        })
        .collect();
    let guesses = guess_gauges(&columns);
    for (kind, column) in &guesses {
        columns[*column].guess = Some(*kind);
    }
    let taken: Vec<usize> = guesses.iter().map(|g| g.1).collect();
    let sample = |column: usize| first_filled(&dialect, column);
    let found = time_column(None, &dialect.names, &taken, &sample, name, &mut understood);
    let (time, rate_hz) = match found {
        Ok(time) => (time.column, rate_told(&source, &dialect, time)),
        // Which of two readings is meant is asked when the log is analysed.
        Err(IngestError::Ambiguous {
            column,
            first,
            second,
            ..
        }) => {
            understood.time = format!("{first} or {second}: state which as unit");
            (dialect.names.iter().position(|n| n.raw == column), None)
        }
        Err(other) => return Err(other),
    };
    Ok(Found {
        understood,
        columns,
        time,
        rate_hz,
    })
}

/// Rows per second by the time column, from the first rows; `None` without one.
pub(super) fn rate_told(source: &Source<'_>, dialect: &Dialect, time: TimeColumn) -> Option<f64> {
    time.column?;
    let mut skip = dialect.lines_before;
    let (_, head) = super::blocks::skip_lines(source.head(), &mut skip);
    rate(&rows::read(
        head,
        &plan(dialect, time, origin(dialect, time), &[]),
    ))
}

/// One over the median step of time, to six digits.
#[expect(
    clippy::cast_precision_loss,
    reason = "nanoseconds of one pull stay below 2^53"
)]
fn rate(block: &rows::Block) -> Option<f64> {
    let times: Vec<f64> = if block.time.is_empty() {
        block
            .ticks
            .iter()
            .map(|t| *t as f64 / SECOND as f64)
            .collect()
    } else {
        block.time.clone()
    };
    let mut steps: Vec<f64> = times
        .windows(2)
        .map(|w| w[1] - w[0])
        .filter(|d| *d > 0.0)
        .collect();
    steps.sort_by(f64::total_cmp);
    let step = steps.get(steps.len() / 2)?;
    format!("{:.5e}", 1.0 / step).parse().ok()
}

/// Which gauge a column may be: by words in its name, and never against its unit.
fn guess_gauges(columns: &[FoundColumn]) -> Vec<(GaugeKind, usize)> {
    // Words of the languages in which loggers are set up; accents are gone.
    const WORDS: &[(GaugeKind, &[&str])] = &[
        (GaugeKind::TailLoad, &["tail load", "tail_load"]),
        (
            GaugeKind::Load,
            &[
                "load", "force", "cell", "tension", "kraft", "last", "charge", "effort", "carga",
                "fuerza", "carico", "forza", "kracht", "voima",
            ],
        ),
        (
            GaugeKind::Mark,
            &[
                "mark",
                "cover",
                "marque",
                "marca",
                "merke",
                "merkteken",
                "repere",
            ],
        ),
        (GaugeKind::Tail, &["tail"]),
        (GaugeKind::Body, &["body", "mount", "stopper"]),
        (GaugeKind::Core, &["core", "draw-in", "drawin"]),
        (GaugeKind::Span, &["span"]),
        (
            GaugeKind::Travel,
            &[
                "travel",
                "displacement",
                "stroke",
                "position",
                "extension",
                "way",
                "vag",
                "weg",
                "hub",
                "ram",
                "deplacement",
                "course",
                "allongement",
                "desplazamiento",
                "recorrido",
                "carrera",
                "spostamento",
                "corsa",
                "verplaatsing",
                "slag",
                "vandring",
                "forskydning",
                "forskyvning",
                "forskjutning",
                "siirtyma",
            ],
        ),
    ];
    // What a display kept of the readings is no reading.
    const KEPT: &[&str] = &[
        "peak", "max", "maximum", "min", "minimum", "mean", "average", "avg", "spitze", "crete",
        "pico", "picco",
    ];
    let mut found: Vec<(GaugeKind, usize)> = Vec::new();
    for (kind, words) in WORDS {
        let fits = |c: &FoundColumn| {
            let bare = without_accents(&column_name(&c.name).bare.to_lowercase());
            let unit_fits = c.unit.as_deref().is_none_or(|u| {
                if kind.is_force() {
                    find_unit::<ForceDim>(u).is_some()
                } else {
                    find_unit::<LengthDim>(u).is_some()
                }
            });
            let kept = bare
                .split(|c: char| !c.is_alphanumeric())
                .any(|w| KEPT.contains(&w));
            c.numbers && unit_fits && !kept && words.iter().any(|w| bare.contains(w))
        };
        let free = |i: usize, found: &[(GaugeKind, usize)]| found.iter().all(|f| f.1 != i);
        if let Some(i) = (0..columns.len()).find(|i| free(*i, &found) && fits(&columns[*i])) {
            found.push((*kind, i));
        }
    }
    // A force without a telling name is the load if it is the only one.
    if found.iter().all(|f| f.0 != GaugeKind::Load) {
        let forces: Vec<usize> = (0..columns.len())
            .filter(|i| {
                columns[*i]
                    .unit
                    .as_deref()
                    .is_some_and(|u| find_unit::<ForceDim>(u).is_some())
            })
            .collect();
        if let [one] = forces.as_slice() {
            found.push((GaugeKind::Load, *one));
        }
    }
    // Likewise the only length: something moved under the load, and most often the travel is all that is read.
    let lengths: Vec<usize> = (0..columns.len())
        .filter(|i| {
            let unit = columns[*i].unit.as_deref();
            columns[*i].numbers && unit.is_some_and(|u| find_unit::<LengthDim>(u).is_some())
        })
        .collect();
    if let [one] = lengths.as_slice()
        && found.iter().all(|f| f.1 != *one)
    {
        found.push((GaugeKind::Travel, *one));
    }
    found.sort();
    found
}

/// Letters of western Europe without what stands above or through them.
fn without_accents(text: &str) -> String {
    text.chars()
        .map(|c| match c {
            'à' | 'á' | 'â' | 'ä' | 'å' | 'ã' => 'a',
            'è' | 'é' | 'ê' | 'ë' => 'e',
            'ì' | 'í' | 'î' | 'ï' => 'i',
            'ò' | 'ó' | 'ô' | 'ö' | 'ø' | 'õ' => 'o',
            'ù' | 'ú' | 'û' | 'ü' => 'u',
            'ç' => 'c',
            'ñ' => 'n',
            'æ' => 'e',
            other => other,
        })
        .collect()
}
